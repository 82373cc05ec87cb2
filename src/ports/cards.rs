//! Which ALSA card is meant, when there are several alike: by the serial number of its USB device, or by the place
//! where it is plugged in. The card's own name depends on the order in which two equal ones appear.
//!
//! A rig says `identity = "serial:00001234"` or `identity = "bus:1-2.3"` (a USB port) or `"bus:0000:00:1f.3"` (a PCI
//! slot), optionally with `,DEV=1` behind it. The kernel tells both under `/sys/class/sound`. Proven on a made-up tree
//! only: no machine with cards was at hand.

use std::fs;
use std::path::{Path, PathBuf};

/// Where the kernel lists sound cards.
pub const SYSFS: &str = "/sys/class/sound";

/// A card as the kernel tells of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Card {
    /// Its name in ALSA, as in `hw:CARD=NAME`.
    pub name: String,
    /// The serial number of its USB device, where it has one.
    pub serial: Option<String>,
    /// The USB port or PCI slot it sits in.
    pub bus: Option<String>,
}

/// Every card under a `/sys/class/sound`, in the order of its name.
#[must_use]
pub fn cards(sysfs: &Path) -> Vec<Card> {
    let folders = fs::read_dir(sysfs).into_iter().flatten().flatten().map(|entry| entry.path());
    let mut cards: Vec<Card> = folders.filter_map(|folder| card(&folder)).collect();
    cards.sort_by(|a, b| a.name.cmp(&b.name));
    cards
}

fn card(folder: &Path) -> Option<Card> {
    let number = folder.file_name()?.to_str()?.strip_prefix("card")?;
    if number.is_empty() || !number.bytes().all(|byte| byte.is_ascii_digit()) {
        return None;
    }
    let name = text(&folder.join("id"))?;
    let device = fs::canonicalize(folder.join("device")).ok();
    // The card hangs on a USB interface (1-2.3:1.0), whose parent is the device and has the serial number.
    let usb: Option<PathBuf> = device
        .as_deref()
        .filter(|device| device.join("bInterfaceNumber").exists())
        .and_then(Path::parent)
        .map(Into::into);
    let place = usb.as_deref().or(device.as_deref());
    Some(Card {
        name,
        serial: usb.as_deref().and_then(|usb| text(&usb.join("serial"))),
        bus: place.and_then(|place| Some(place.file_name()?.to_str()?.to_owned())),
    })
}

fn text(path: &Path) -> Option<String> {
    fs::read_to_string(path).ok().map(|text| text.trim().to_owned()).filter(|text| !text.is_empty())
}

/// The name by which ALSA knows what a rig's identity means; an identity of another form is that name already.
///
/// # Errors
/// No card, or more than one, is meant: in words.
pub fn resolve(sysfs: &Path, identity: &str) -> Result<String, String> {
    let (kind, rest) = match identity.split_once(':') {
        Some((kind @ ("serial" | "bus"), rest)) => (kind, rest),
        _ => return Ok(identity.to_owned()),
    };
    let (wanted, device) = rest.split_once(",DEV=").unwrap_or((rest, "0"));
    let all = cards(sysfs);
    let fits = |card: &&Card| {
        let has = if kind == "serial" { &card.serial } else { &card.bus };
        has.as_deref() == Some(wanted)
    };
    let fitting: Vec<&Card> = all.iter().filter(fits).collect();
    match fitting.as_slice() {
        [card] => Ok(format!("hw:CARD={},DEV={device}", card.name)),
        [] => Err(format!("no sound card has the {kind} \"{wanted}\" now")),
        [_, ..] => Err(format!("{} sound cards have the {kind} \"{wanted}\"; name the one by bus:", fitting.len())),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::symlink;

    /// A tree with USB devices of one model at these ports, numbered in this order, and one PCI card.
    fn tree(ports: &[(&str, &str)]) -> tempfile::TempDir {
        let root = tempfile::tempdir().expect("a folder");
        let make = |path: &Path| fs::create_dir_all(path).expect("made");
        for (number, (port, serial)) in ports.iter().enumerate() {
            let usb = root.path().join("devices/usb1").join(port);
            let interface = usb.join(format!("{port}:1.0"));
            let card = interface.join(format!("sound/card{number}"));
            make(&card);
            fs::write(usb.join("serial"), format!("{serial}\n")).expect("written");
            fs::write(interface.join("bInterfaceNumber"), "00\n").expect("written");
            fs::write(card.join("id"), if number == 0 { "Box\n" } else { "Box_1\n" }).expect("written");
            symlink(&interface, card.join("device")).expect("linked");
        }
        let slot = root.path().join("devices/pci0000:00/0000:00:1f.3");
        let card = slot.join("sound/card9");
        make(&card);
        fs::write(card.join("id"), "PCH\n").expect("written");
        symlink(&slot, card.join("device")).expect("linked");
        let class = root.path().join("class");
        make(&class);
        symlink(&card, class.join("card9")).expect("linked");
        for (number, (port, _)) in ports.iter().enumerate() {
            let card = root.path().join(format!("devices/usb1/{port}/{port}:1.0/sound/card{number}"));
            symlink(card, class.join(format!("card{number}"))).expect("linked");
        }
        root
    }

    #[test]
    fn two_equal_interfaces_are_told_apart_in_whatever_order_they_appear() {
        for order in [[("1-1", "A1"), ("1-2.3", "B2")], [("1-2.3", "B2"), ("1-1", "A1")]] {
            let root = tree(&order);
            let class = root.path().join("class");
            let name = |port: &str| if order[0].0 == port { "Box" } else { "Box_1" };
            assert_eq!(resolve(&class, "serial:A1"), Ok(format!("hw:CARD={},DEV=0", name("1-1"))));
            assert_eq!(resolve(&class, "serial:B2,DEV=1"), Ok(format!("hw:CARD={},DEV=1", name("1-2.3"))));
            assert_eq!(resolve(&class, "bus:1-2.3"), Ok(format!("hw:CARD={},DEV=0", name("1-2.3"))));
            assert_eq!(resolve(&class, "bus:0000:00:1f.3"), Ok("hw:CARD=PCH,DEV=0".into()));
        }
    }

    #[test]
    fn what_is_not_there_or_not_one_is_said_and_other_names_pass() {
        let root = tree(&[("1-1", "SAME"), ("1-2", "SAME")]);
        let class = root.path().join("class");
        assert!(resolve(&class, "serial:NONE").is_err_and(|why| why.contains("NONE")));
        assert!(resolve(&class, "serial:SAME").is_err_and(|why| why.contains("2 sound cards")));
        assert_eq!(resolve(&class, "hw:CARD=Box,DEV=0"), Ok("hw:CARD=Box,DEV=0".into()));
        assert_eq!(resolve(Path::new("/nowhere"), "desk"), Ok("desk".into()));
    }
}
