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

/// Where the kernel tells of processes, and of sound cards under `asound`.
pub const PROC: &str = "/proc";

/// A process that has a sound card open.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Holder {
    /// Its number.
    pub process: u32,
    /// Its name, as far as the kernel tells.
    pub name: String,
}

/// Who has this card open (its name in ALSA, as in `hw:CARD=NAME`), by the `status` files under a `/proc/asound`; none when
/// the card is free or unknown.
#[must_use]
pub fn holders(proc: &Path, card: &str) -> Vec<Holder> {
    // The name is a link to the folder of the number.
    let folder = proc.join("asound").join(card);
    let entries = |folder: &Path, start: &'static str| {
        let found = fs::read_dir(folder).into_iter().flatten().flatten();
        let fits = move |entry: &fs::DirEntry| entry.file_name().to_string_lossy().starts_with(start);
        found.filter(fits).map(|entry| entry.path()).collect::<Vec<_>>()
    };
    let subs = entries(&folder, "pcm").into_iter().flat_map(|pcm| entries(&pcm, "sub"));
    let mut owners: Vec<u32> = subs.filter_map(|sub| owner(&text(&sub.join("status"))?)).collect();
    // The kernel names the thread that opened the device; people know its process.
    for owner in &mut owners {
        let status = text(&proc.join(owner.to_string()).join("status")).unwrap_or_default();
        let process = status.lines().find_map(|line| line.strip_prefix("Tgid:")?.trim().parse().ok());
        *owner = process.unwrap_or(*owner);
    }
    owners.sort_unstable();
    owners.dedup();
    let name = |process: u32| text(&proc.join(process.to_string()).join("comm")).unwrap_or_else(|| "?".to_owned());
    owners.into_iter().map(|process| Holder { process, name: name(process) }).collect()
}

/// The owner in a `status` file, which is the one word "closed" while nobody has the device (sound/core/pcm.c of Linux; from
/// memory).
fn owner(status: &str) -> Option<u32> {
    let line = status.lines().find_map(|line| line.strip_prefix("owner_pid"))?;
    line.trim_start().strip_prefix(':')?.trim().parse().ok()
}

/// The card that an ALSA name is about, as in `hw:CARD=NAME,DEV=0`.
fn card_of(name: &str) -> Option<&str> {
    let (_, arguments) = name.split_once(':')?;
    arguments.split(',').find_map(|argument| argument.strip_prefix("CARD="))
}

/// Who has a busy device, and what to do about it, in words; nothing when that cannot be found out.
#[must_use]
pub fn why_busy(proc: &Path, name: &str) -> Option<String> {
    let card = card_of(name)?;
    let holders = holders(proc, card);
    let first = holders.first()?;
    let named: Vec<String> =
        holders.iter().map(|holder| format!("{} (process {})", holder.name, holder.process)).collect();
    let next = match first.name.as_str() {
        "pipewire" | "wireplumber" => {
            "set the card's profile to \"Off\" in the desktop's sound settings, or keep it there and run longthrow by pw-jack \
             with host = \"jack\" in the rig"
        }
        "pulseaudio" => "set the card's profile to \"Off\" in the desktop's sound settings",
        "jackd" | "jackdbus" => "put host = \"jack\" into the rig: the JACK server shares the card",
        "longthrow" => {
            "another desk runs: stop that one, \"systemctl status longthrow\" tells whether it is the service"
        }
        _ => "close that program",
    };
    Some(format!("{} has it; {next}", named.join(" and ")))
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

    /// The text of a running stream's status as Linux 6 writes it; no machine with cards was at hand.
    const RUNNING: &str = "state: RUNNING\nowner_pid   : 4711\ntrigger_time: 310.518732194\ntstamp      : 0.000000000\n\
        delay       : 768\navail       : 256\navail_max   : 512\n-----\nhw_ptr      : 1024\nappl_ptr    : 1792\n";

    #[test]
    fn who_has_a_busy_card_is_named_with_what_to_do() {
        let proc = tempfile::tempdir().expect("a folder");
        let put = |path: &str, text: &str| {
            let path = proc.path().join(path);
            fs::create_dir_all(path.parent().expect("a folder")).expect("made");
            fs::write(path, text).expect("written");
        };
        put("asound/card1/pcm0p/sub0/status", RUNNING);
        put("asound/card1/pcm0c/sub0/status", "closed\n");
        symlink("card1", proc.path().join("asound/Box")).expect("linked");
        // A thread of process 4700.
        put("4711/status", "Name:\tdata-loop\nTgid:\t4700\nPid:\t4711\n");
        put("4711/comm", "data-loop\n");
        put("4700/comm", "pipewire\n");
        assert_eq!(holders(proc.path(), "Box"), [Holder { process: 4700, name: "pipewire".into() }]);
        let why = why_busy(proc.path(), "hw:CARD=Box,DEV=0").expect("a reason");
        assert!(why.starts_with("pipewire (process 4700) has it; set the card's profile"), "{why}");
        put("4700/comm", "jackd\n");
        assert!(why_busy(proc.path(), "plughw:CARD=Box,DEV=0").is_some_and(|why| why.contains("host = \"jack\"")));
        put("asound/card1/pcm0p/sub0/status", "closed\n");
        assert_eq!(why_busy(proc.path(), "hw:CARD=Box,DEV=0"), None);
        assert_eq!(why_busy(proc.path(), "default"), None);
        assert_eq!(why_busy(Path::new("/nowhere"), "hw:CARD=Box"), None);
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
