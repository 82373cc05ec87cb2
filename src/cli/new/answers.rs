//! What is known once every question has been answered.

use crate::params::id_of;
use crate::profile::Device;
use std::collections::BTreeSet;

/// Everything that the three files are made of.
#[derive(Debug)]
pub(super) struct Answers {
    pub(super) name: String,
    pub(super) device: Option<Device>,
    pub(super) microphones: Vec<Microphone>,
    /// WAV files.
    pub(super) players: Vec<String>,
    /// Names of remote people.
    pub(super) guests: Vec<String>,
    pub(super) encoder: Encoder,
    /// Channels counted from 1; empty for none.
    pub(super) headphones: Vec<u16>,
    pub(super) loudspeakers: Vec<u16>,
    pub(super) panel: Wire,
    pub(super) faders: Controls,
    pub(super) buttons: Controls,
}

/// By what the panel speaks.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Wire {
    /// OSC of any program on this machine.
    Osc,
    /// A MIDI port of the system, by the name that `longthrow ports` prints.
    Midi(String),
    /// A MIDI port of the JACK server, as `CLIENT:PORT`.
    JackMidi(String),
    /// MIDI on a serial line: its device file.
    Serial(String),
    /// A node of configs/node/WIRE.md: a device file, or an address and port.
    Node(String),
}

/// What the controls of a kind say, one for each strip.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Controls {
    /// That is learned later by touch.
    Later,
    /// Controllers of a MIDI channel, counted from 1: from this number to that.
    Controllers(u8, u8, u8),
    /// An OSC address in which N is the number of the strip.
    Address(String),
}

/// `osc`, or a way with a name.
pub(super) fn wire(text: &str) -> Result<Wire, String> {
    let accepted = "accepted: osc, midi:NAME, jack-midi:CLIENT:PORT, serial:/dev/... (MIDI on a serial line), node:/dev/... or \
                    node:ADDRESS:PORT";
    match text.split_once(':') {
        None if text == "osc" => Ok(Wire::Osc),
        Some(("midi", name)) if !name.is_empty() => Ok(Wire::Midi(name.to_owned())),
        Some(("jack-midi", port)) if port.contains(':') => Ok(Wire::JackMidi(port.to_owned())),
        Some(("serial", path)) if path.starts_with('/') => Ok(Wire::Serial(path.to_owned())),
        Some(("node", place)) if place.starts_with('/') || place.contains(':') => Ok(Wire::Node(place.to_owned())),
        _ => Err(accepted.to_owned()),
    }
}

/// `later`, or for MIDI `CHANNEL:FIRST-LAST`, for OSC an address with N.
pub(super) fn controls(text: &str, wire: &Wire) -> Result<Controls, String> {
    if text == "later" {
        return Ok(Controls::Later);
    }
    if matches!(wire, Wire::Osc | Wire::Node(_)) {
        return if text.starts_with('/') && text.contains('N') {
            Ok(Controls::Address(text.to_owned()))
        } else {
            Err("accepted: later, or an address with N for the number of the strip, as in /strip-N/fader".to_owned())
        };
    }
    let accepted =
        "accepted: later, or CHANNEL:FIRST-LAST, channels from 1 to 16 and controllers from 0 to 127, as in 1:16-23";
    let Some((channel, range)) = text.split_once(':') else { return Err(accepted.to_owned()) };
    let (first, last) = range.split_once('-').unwrap_or((range, range));
    let number = |text: &str| text.trim().parse::<u8>().ok();
    match (number(channel), number(first), number(last)) {
        (Some(channel @ 1..=16), Some(first), Some(last @ 0..=127)) if first <= last => {
            Ok(Controls::Controllers(channel, first, last))
        }
        _ => Err(accepted.to_owned()),
    }
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Microphone {
    pub(super) name: String,
    /// Counted from 1.
    pub(super) channel: u16,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Encoder {
    /// A program on this machine.
    Here,
    /// Channels of the device; empty for none.
    Outputs(Vec<u16>),
}

/// The words of a list; `none` is an empty one.
pub(super) fn listed(text: &str) -> Vec<String> {
    text.split(',').map(str::trim).filter(|word| !word.is_empty() && *word != "none").map(str::to_owned).collect()
}

/// One channel, or two, of so many, counted from 1; or none.
pub(super) fn channels(text: &str, count: u16) -> Result<Vec<u16>, String> {
    let found: Option<Vec<u16>> = listed(text).iter().map(|word| word.parse().ok()).collect();
    let accepted = || format!("accepted: one or two channels from 1 to {count}, as in 1,2, or none");
    let found = found.ok_or_else(accepted)?;
    let sound = found.len() <= 2 && found.iter().all(|n| (1..=count).contains(n)) && found.first() != found.get(1);
    if sound || found.is_empty() { Ok(found) } else { Err(accepted()) }
}

/// `NAME=CHANNEL`.
pub(super) fn microphone(text: &str, count: u16) -> Result<Microphone, String> {
    let (name, channel) = text.rsplit_once('=').ok_or("accepted: NAME=CHANNEL, as in Lectern=1")?;
    match channels(channel, count)?[..] {
        [channel] => Ok(Microphone { name: name.trim().to_owned(), channel }),
        _ => Err("a microphone is on one channel".to_owned()),
    }
}

impl Answers {
    /// Ids and labels of what becomes a channel: microphones, players, guests, tone.
    pub(super) fn channels(&self) -> impl Iterator<Item = (String, String)> {
        let stem = |file: &String| {
            let name = file.rsplit('/').next().unwrap_or(file);
            name.rsplit_once('.').map_or(name, |(stem, _)| stem).to_owned()
        };
        let names = self.microphones.iter().map(|microphone| microphone.name.clone());
        let names = names.chain(self.players.iter().map(stem)).chain(self.guests.iter().cloned());
        names.chain(["Line-up".to_owned()]).map(|name| (id_of(&name), name))
    }

    /// What the check of the files could not say in the words of the questions.
    pub(super) fn sound(&self) -> Result<(), String> {
        let mut seen = BTreeSet::new();
        for (id, name) in self.channels() {
            if id.is_empty() || !id.starts_with(|c: char| c.is_ascii_lowercase()) {
                return Err(format!("{name:?} makes no id: a name begins with a letter from a to z"));
            }
            if !seen.insert(id.clone()) {
                return Err(format!("two things are called {id:?}: give each a name of its own"));
            }
        }
        let feed = match &self.encoder {
            Encoder::Here => &[][..],
            Encoder::Outputs(channels) => channels,
        };
        let mut used = BTreeSet::new();
        for channel in self.headphones.iter().chain(&self.loudspeakers).chain(feed) {
            if !used.insert(channel) {
                return Err(format!(
                    "output {channel} is used twice: headphones, loudspeakers and encoder each need their own"
                ));
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn answers_are_read_as_people_write_them() {
        assert_eq!(id_of("Lectern (left)"), "lectern-left");
        assert_eq!(id_of(&"x ".repeat(40)).len(), 31);
        assert_eq!(listed(" a, b ,,none"), ["a", "b"]);
        assert_eq!(channels("1, 2", 2), Ok(vec![1, 2]));
        assert_eq!(channels("none", 2), Ok(vec![]));
        for wrong in ["0", "3", "1,1", "1,2,3", "one"] {
            assert!(channels(wrong, 2).is_err_and(|why| why.contains("1 to 2")), "{wrong}");
        }
        assert_eq!(microphone("Lectern=2", 2), Ok(Microphone { name: "Lectern".into(), channel: 2 }));
        assert!(microphone("Lectern", 2).is_err() && microphone("Lectern=3", 2).is_err());
        assert_eq!(wire("midi:A box: 1"), Ok(Wire::Midi("A box: 1".into())));
        assert_eq!(wire("node:10.20.0.9:9124"), Ok(Wire::Node("10.20.0.9:9124".into())));
        for wrong in ["midi", "midi:", "jack-midi:box", "serial:ttyACM0", "node:box", "usb"] {
            assert!(wire(wrong).is_err_and(|why| why.contains("jack-midi:CLIENT:PORT")), "{wrong}");
        }
        let midi = Wire::Serial("/dev/a".into());
        assert_eq!(controls("1:16-23", &midi), Ok(Controls::Controllers(1, 16, 23)));
        assert_eq!(controls("16:7", &midi), Ok(Controls::Controllers(16, 7, 7)));
        for wrong in ["0:1-2", "17:1-2", "1:9-8", "1:120-128", "1", "/strip-N/fader"] {
            assert!(controls(wrong, &midi).is_err_and(|why| why.contains("1:16-23")), "{wrong}");
        }
        let node = Wire::Node("/dev/a".into());
        assert_eq!(controls("/f/N", &node), Ok(Controls::Address("/f/N".into())));
        assert!(controls("/f/1", &node).is_err() && controls("1:16-23", &node).is_err());
        assert_eq!(controls("later", &node), Ok(Controls::Later));
    }
}
