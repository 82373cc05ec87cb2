//! `longthrow ports`: what can be named in a rig.

use super::{exit, print, print_json};
use crate::ports::{audio, cards, midi};
use crate::profile::Host;
use clap::Args;
use serde::Serialize;
use std::path::Path;

/// Audio devices and MIDI ports by the names that a rig takes.
///
/// Asks every device, which may take seconds and fails for one that is in use.
#[derive(Debug, Args)]
pub(super) struct Ports {
    /// As JSON
    #[arg(long)]
    json: bool,
}

#[derive(Serialize)]
struct Found {
    audio: Vec<Audio>,
    midi: Vec<String>,
    midi_problem: Option<String>,
}

#[derive(Serialize)]
struct Audio {
    host: &'static str,
    identity: String,
    description: String,
    inputs: u16,
    outputs: u16,
    rates_hz: Vec<u32>,
}

pub(super) const fn word(host: Host) -> &'static str {
    match host {
        Host::Alsa => "alsa",
        Host::Jack => "jack",
        Host::PulseAudio => "pulseaudio",
        Host::PipeWire => "pipewire",
        Host::Application => "application",
    }
}

impl Ports {
    pub(super) fn run(self) -> u8 {
        let audio = audio::list().into_iter().map(|device| Audio {
            host: word(device.host),
            identity: device.identity,
            description: device.description,
            inputs: device.inputs,
            outputs: device.outputs,
            rates_hz: device.rates,
        });
        let (midi, midi_problem) = match midi::midi_names() {
            Ok(names) => (names, None),
            Err(why) => (Vec::new(), Some(why)),
        };
        let found = Found { audio: audio.collect(), midi, midi_problem };
        let printed = if self.json { print_json(&found) } else { print(&found.text()) };
        if printed { exit::FINE } else { exit::COULD_NOT_RUN }
    }
}

impl Found {
    fn text(&self) -> String {
        let mut text = String::new();
        for device in &self.audio {
            text += &format!("# {}: {} in, {} out", device.description, device.inputs, device.outputs);
            if device.inputs == 0 && device.outputs == 0 {
                text += ", cannot be opened now";
            }
            if !device.rates_hz.is_empty() {
                let rates: Vec<String> = device.rates_hz.iter().map(u32::to_string).collect();
                text += &format!(", {} Hz", rates.join(" "));
            }
            text += &format!("\nhost = \"{}\"\nidentity = {:?}\n\n", device.host, device.identity);
        }
        if self.audio.is_empty() {
            text += "# no audio device was found\n\n";
        }
        for card in cards::cards(Path::new(cards::SYSFS)) {
            text += &format!(
                "# the ALSA card {} can also be named, whatever the order in which cards appear, by\n",
                card.name
            );
            let by = |kind: &str, value: &Option<String>| {
                value.as_ref().map(|value| format!("identity = \"{kind}:{value}\"\n")).unwrap_or_default()
            };
            text += &(by("serial", &card.serial) + &by("bus", &card.bus) + "\n");
        }
        for name in &self.midi {
            text += &format!("# a MIDI port\nkind = \"midi\"\nname = {name:?}\n\n");
        }
        match &self.midi_problem {
            Some(why) => text += &format!("# no MIDI ports: {why}\n"),
            None if self.midi.is_empty() => text += "# no MIDI port was found\n",
            None => {}
        }
        text
    }
}
