//! `longthrow new`: the first installation, by questions in a terminal.
//!
//! Every answer is also an option, so that a script can give them all. What was found on the machine becomes the default of a
//! question; the three files are checked as the daemon would before any of them is written, and nothing is overwritten.

mod answers;
mod files;
mod listen;

use super::exit;
use super::prompt::{Prompt, Stop, usual_folder};
use crate::ports::applications::volumes_not_at_unity;
use crate::ports::{cards, jack_audio, midi, storage};
use crate::profile::{Device, Host, Source, Texts, check};
use crate::words::new as words;
use answers::{Answers, Controls, Encoder, Microphone, Wire, channels, controls, listed, microphone, wire};
use clap::Args;
use std::path::{Path, PathBuf};

/// How long somebody may speak into the one they mean.
const LISTEN_SECONDS: f64 = 5.0;

/// The first installation: asks what there is, and writes rig, panel and profile.
///
/// Every question is also an option; with --yes the rest takes its defaults. Hearing: take headphones off until you have
/// heard how loud the first sound is. The files that are written start them at -40 dB.
#[derive(Debug, Args)]
pub(super) struct New {
    /// Where rig.toml, panel.toml and profile.toml are written; nothing is overwritten
    #[arg(long, value_name = "FOLDER")]
    folder: Option<PathBuf>,
    /// What the house is called
    #[arg(long)]
    name: Option<String>,
    /// The sound device: an identity that `longthrow ports` prints, "jack" for the JACK server, or "none"
    #[arg(long, value_name = "IDENTITY")]
    device: Option<String>,
    /// How many inputs the device has, when it is not there to be asked
    #[arg(long, value_name = "COUNT", value_parser = clap::value_parser!(u16).range(0..=256))]
    inputs: Option<u16>,
    /// How many outputs the device has, when it is not there to be asked
    #[arg(long, value_name = "COUNT", value_parser = clap::value_parser!(u16).range(0..=256))]
    outputs: Option<u16>,
    /// A microphone and the channel it is on, as in Lectern=1; again for each, or "none"
    #[arg(long, value_name = "NAME=CHANNEL")]
    microphone: Vec<String>,
    /// A WAV file to be played; again for each, or "none"
    #[arg(long, value_name = "FILE")]
    player: Vec<String>,
    /// A remote guest whose call runs in a program on this machine; again for each, or "none"
    #[arg(long, value_name = "NAME")]
    guest: Vec<String>,
    /// Where the programme is encoded: "here" by a program on this machine, output channels as in 3,4, or "none"
    #[arg(long, value_name = "WHERE")]
    encoder: Option<String>,
    /// Output channels of the headphones, as in 1,2, or "none"
    #[arg(long, value_name = "CHANNELS")]
    headphones: Option<String>,
    /// Output channels of loudspeakers, as in 3,4, or "none"
    #[arg(long, value_name = "CHANNELS")]
    loudspeakers: Option<String>,
    /// The panel: "osc" from any program on this machine, midi:NAME as `longthrow ports` prints it, jack-midi:CLIENT:PORT,
    /// serial:/dev/... for MIDI on a serial line, node:/dev/... or node:ADDRESS:PORT for a node of the wire document
    #[arg(long, value_name = "WHERE")]
    panel: Option<String>,
    /// What the faders of the strips say: "later" by `longthrow assign`, CHANNEL:FIRST-LAST for MIDI controllers as in
    /// 1:16-23, or an OSC address with N for the strip as in /strip-N/fader
    #[arg(long, value_name = "WHAT")]
    faders: Option<String>,
    /// What the buttons of the strips say, as for the faders
    #[arg(long, value_name = "WHAT")]
    buttons: Option<String>,
    /// Asks nothing: what no option says takes its default
    #[arg(long)]
    yes: bool,
    /// Does not open devices to listen who speaks
    #[arg(long)]
    no_listening: bool,
}

impl New {
    pub(super) fn run(&self) -> u8 {
        Stop::said(self.make())
    }

    fn make(&self) -> Result<String, Stop> {
        let folder = self.folder.clone().unwrap_or_else(usual_folder);
        let paths = ["rig.toml", "panel.toml", "profile.toml"].map(|name| folder.join(name));
        // Before the questions, so that nobody answers them in vain.
        if let Some(there) = paths.iter().find(|path| path.symlink_metadata().is_ok()) {
            let why = format!("{} is there already and stays as it is; name another --folder", there.display());
            return Err(Stop(exit::COULD_NOT_RUN, why));
        }
        let answers = self.answers()?;
        let texts = files::texts(&answers);
        let sources = Texts {
            rig: vec![Source { name: "rig.toml".into(), text: texts[0].clone() }],
            panel: Some(Source { name: "panel.toml".into(), text: texts[1].clone() }),
            profile: Some(Source { name: "profile.toml".into(), text: texts[2].clone() }),
            ..Texts::default()
        };
        let (checked, diagnostics) = check(&sources);
        if checked.is_none() {
            let found: Vec<String> = diagnostics.iter().map(ToString::to_string).collect();
            return Err(Stop(
                exit::NOT_FINE,
                format!("these answers make no sound installation:\n{}", found.join("\n")),
            ));
        }
        std::fs::create_dir_all(&folder)
            .map_err(|error| Stop(exit::COULD_NOT_RUN, format!("{}: {error}", folder.display())))?;
        let files: Vec<(&Path, &[u8])> =
            paths.iter().zip(&texts).map(|(path, text)| (&**path, text.as_bytes())).collect();
        storage::write_all(&files, false).map_err(|why| Stop(exit::COULD_NOT_RUN, why))?;
        let mut text = words::written(&paths.map(|path| path.display().to_string()));
        text += &volumes_not_at_unity().iter().map(|volume| format!("Look: {volume}\n")).collect::<String>();
        Ok(text)
    }

    /// What the options say, and for the rest what somebody answers.
    fn answers(&self) -> Result<Answers, Stop> {
        let mut ask = Prompt::new(self.yes);
        let name =
            ask.answer(self.name.as_ref(), "name", words::NAME, words::NAME_USUAL, |text| Ok(text.to_owned()))?;
        let device = self.device(&mut ask)?;
        let outputs = device.as_ref().map_or(0, |device| device.outputs);

        let microphones = self.microphones(&mut ask, device.as_ref())?;
        let players = if self.player.is_empty() {
            ask.answer(None, "player", words::PLAYERS, "none", |text| Ok(listed(text)))?
        } else {
            without_none(&self.player)
        };
        let guests = if self.guest.is_empty() {
            let question = words::GUESTS;
            ask.answer(None, "guest", question, "none", |text| Ok(listed(text)))?
        } else {
            without_none(&self.guest)
        };
        let (pair, question) = if outputs >= 2 { ("1,2", words::HEADPHONES) } else { ("none", "") };
        let on = |count: u16| move |text: &str| channels(text, count);
        let headphones = if outputs == 0 {
            if let Some(wish) = self.headphones.as_ref().filter(|wish| *wish != "none") {
                return Err(Stop(exit::USAGE, format!("--headphones {wish}: there is no device with outputs")));
            }
            Vec::new()
        } else {
            ask.answer(self.headphones.as_ref(), "headphones", question, pair, on(outputs))?
        };
        let loudspeakers = if outputs <= 2 && self.loudspeakers.is_none() {
            Vec::new()
        } else {
            let question = words::LOUDSPEAKERS;
            ask.answer(self.loudspeakers.as_ref(), "loudspeakers", question, "none", on(outputs))?
        };
        let question = words::ENCODER;
        let encoder = |text: &str| match text {
            "here" => Ok(Encoder::Here),
            other => channels(other, outputs).map(Encoder::Outputs),
        };
        let encoder = ask.answer(self.encoder.as_ref(), "encoder", question, "here", encoder)?;
        let (panel, faders, buttons) = self.panel(&mut ask)?;
        let answers = Answers {
            name,
            device,
            microphones,
            players,
            guests,
            encoder,
            headphones,
            loudspeakers,
            panel,
            faders,
            buttons,
        };
        answers.sound().map_err(|why| Stop(exit::USAGE, why))?;
        Ok(answers)
    }

    fn device(&self, ask: &mut Prompt) -> Result<Option<Device>, Stop> {
        let found = if self.device.as_deref() == Some("none") { Vec::new() } else { listen::devices() };
        let counted = |mut device: Device| {
            device.inputs = self.inputs.unwrap_or(device.inputs);
            device.outputs = self.outputs.unwrap_or(device.outputs);
            device
        };
        if let Some(named) = self.device.as_deref() {
            if named == "none" {
                return Ok(None);
            }
            let is_named = |device: &&(Device, String)| match device.0.host {
                Host::Jack => named == "jack",
                _ => device.0.identity == named,
            };
            let known = found.iter().find(is_named).map(|(device, _)| device.clone());
            // One that is away, or busy, is described by the options.
            let host = if named == "jack" { Host::Jack } else { Host::Alsa };
            let device = counted(known.unwrap_or_else(|| listen::device(host, named, [0, 0])));
            if device.inputs == 0 && device.outputs == 0 {
                let busy = cards::why_busy(Path::new(cards::PROC), named);
                let why = busy.unwrap_or_else(|| "it is not there, or busy".to_owned());
                let why = format!(
                    "device {named:?} does not say how many channels it has ({why}); say it by --inputs and --outputs"
                );
                return Err(Stop(exit::COULD_NOT_RUN, why));
            }
            return Ok(Some(device));
        }
        ask.say("Sound devices:");
        for (number, (device, description)) in (1..).zip(&found) {
            ask.say(&format!("  {number}  {description}: {} in, {} out", device.inputs, device.outputs));
            let silent = device.inputs + device.outputs == 0;
            if let Some(why) = cards::why_busy(Path::new(cards::PROC), &device.identity).filter(|_| silent) {
                ask.say(&format!("     {why}"));
            }
        }
        if found.is_empty() {
            ask.say(words::NO_DEVICE);
            return Ok(None);
        }
        // What has channels, before what cannot be asked now.
        let first = found.iter().position(|(device, _)| device.inputs + device.outputs > 0);
        let mut usual = first.map(|index| index + 1);
        if !self.yes && !self.no_listening && found.iter().any(|(device, _)| device.inputs > 0) {
            ask.say(words::SPEAK);
            let devices: Vec<Device> = found.iter().map(|(device, _)| device.clone()).collect();
            let peaks = listen::listen(&devices, LISTEN_SECONDS, &mut |line| ask.over(line));
            let loudest = |channels: &Vec<f32>| channels.iter().copied().fold(0.0, f32::max);
            let all: Vec<f32> = peaks.iter().map(loudest).collect();
            usual = listen::clear_winner(&all).map(|index| index + 1).or(usual);
        }
        let number = |text: &str| match text {
            "none" => Ok(None),
            text => match text.parse::<usize>().ok().and_then(|number| found.get(number.checked_sub(1)?)) {
                Some((device, _)) => Ok(Some(device.clone())),
                None => Err(format!("a number from 1 to {}, or none", found.len())),
            },
        };
        Ok(ask
            .answer(None, "device", "Which one?", &usual.map_or("none".to_owned(), |usual| usual.to_string()), number)?
            .map(counted))
    }

    /// The panel, and what its faders and buttons say.
    fn panel(&self, ask: &mut Prompt) -> Result<(Wire, Controls, Controls), Stop> {
        // Nobody is told of ports that the option has named already.
        if self.panel.is_none() && !self.yes {
            for name in midi::midi_names().unwrap_or_default() {
                ask.say(&words::midi_port(&name));
            }
        }
        let panel = ask.answer(self.panel.as_ref(), "panel", words::PANEL, "osc", wire)?;
        let [faders, buttons] = match &panel {
            Wire::Osc => ["/panel/fader-N", "/panel/switch-N"],
            Wire::Node(_) => ["/strip-N/fader", "/strip-N/button"],
            Wire::Midi(_) | Wire::JackMidi(_) | Wire::Serial(_) => ["later", "later"],
        };
        // A program plays whatever addresses it is told.
        let mut quiet = Prompt::new(self.yes || panel == Wire::Osc);
        let read = |text: &str| controls(text, &panel);
        let faders = quiet.answer(self.faders.as_ref(), "faders", words::FADERS, faders, read)?;
        let buttons = quiet.answer(self.buttons.as_ref(), "buttons", words::BUTTONS, buttons, read)?;
        Ok((panel, faders, buttons))
    }

    fn microphones(&self, ask: &mut Prompt, device: Option<&Device>) -> Result<Vec<Microphone>, Stop> {
        let Some(device) = device.filter(|device| device.inputs > 0) else {
            return match without_none(&self.microphone).first() {
                Some(name) => Err(Stop(exit::USAGE, format!("--microphone {name}: there is no device with inputs"))),
                None => Ok(Vec::new()),
            };
        };
        if !self.microphone.is_empty() {
            let given = without_none(&self.microphone);
            let parsed = given.iter().map(|text| microphone(text, device.inputs)).collect::<Result<Vec<_>, _>>();
            return parsed.map_err(|why| Stop(exit::USAGE, format!("--microphone: {why}")));
        }
        let usual: Vec<String> = (1..=device.inputs.min(2)).map(|n| format!("Microphone {n}")).collect();
        let question = words::MICROPHONES;
        let names = ask.answer(None, "microphone", question, &usual.join(", "), |text| Ok(listed(text)))?;
        let mut microphones: Vec<Microphone> = Vec::new();
        for name in names {
            let free = (1..=device.inputs).find(|n| microphones.iter().all(|other| other.channel != *n));
            let mut usual = free.unwrap_or(1);
            if !self.yes && !self.no_listening {
                ask.say(&words::speak_into(&name));
                let peaks = listen::listen(std::slice::from_ref(device), LISTEN_SECONDS, &mut |line| ask.over(line));
                let heard = peaks.first().and_then(|channels| listen::clear_winner(channels));
                usual = heard.and_then(|index| u16::try_from(index + 1).ok()).unwrap_or(usual);
            }
            let count = device.inputs;
            let one = |text: &str| match channels(text, count)?[..] {
                [channel] => Ok(channel),
                _ => Err("one channel".to_owned()),
            };
            let question = words::channel_of(&name);
            let channel = ask.answer(None, "microphone", &question, &usual.to_string(), one)?;
            microphones.push(Microphone { name, channel });
        }
        Ok(microphones)
    }
}

fn without_none(given: &[String]) -> Vec<String> {
    given.iter().filter(|text| *text != "none").cloned().collect()
}

/// The names of the server's hardware ports, for a device on it.
fn jack_links() -> [Vec<String>; 2] {
    jack_audio::hardware_ports()
}
