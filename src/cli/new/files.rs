//! The texts of the three files. Their comments are for whoever opens them next.

use super::answers::{Answers, Controls, Encoder, Wire};
use crate::params::id_of;
use crate::profile::{Device, Host};

/// A text as TOML writes it.
fn quoted(text: &str) -> String {
    toml::Value::from(text).to_string()
}

fn texts_of(list: &[String]) -> String {
    list.iter().map(|text| quoted(text)).collect::<Vec<_>>().join(", ")
}

fn numbers(list: &[u16]) -> String {
    list.iter().map(u16::to_string).collect::<Vec<_>>().join(", ")
}

/// Rig, panel and profile.
pub(super) fn texts(answers: &Answers) -> [String; 3] {
    [rig(answers), panel(answers), profile(answers)]
}

/// Adds a line.
macro_rules! add {
    ($text:expr, $($words:tt)*) => {
        $text.push_str(&format!($($words)*));
        $text.push('\n');
    };
}

fn rig(answers: &Answers) -> String {
    let mut text = String::from(
        "# The rig: what the room is wired to. It belongs to whoever did the wiring, and no show changes it.\n\
         # Save it, and a running desk reads it again; a file with a mistake changes nothing.\n\
         # \"longthrow check\" names every mistake, \"longthrow ports\" the devices that can be named here.\n\n\
         form = 1\nkind = \"rig\"\n\n# One rate for the whole desk, for as long as it runs.\nrate_hz = 48000\n",
    );
    if let Some(device) = &answers.device {
        device_of(device, &mut text);
    }
    text += "\n# ---- inputs ----\n\n";
    if !answers.microphones.is_empty() {
        text += "# A microphone is opened by a hand only: no profile, schedule or restart opens one.\n\
                 # Phantom power: mute, switch, wait, then plug; not into line outputs or old ribbon microphones.\n";
    }
    for microphone in &answers.microphones {
        add!(text, "[input.{}]\nkind = \"microphone\"\ndevice = \"interface\"", id_of(&microphone.name));
        add!(text, "channels = [{}]\n", microphone.channel);
    }
    let mut channels = answers.channels().skip(answers.microphones.len());
    for file in &answers.players {
        let Some((id, _)) = channels.next() else { break };
        add!(text, "# A file name without a leading / is looked for in the folder of this file.");
        add!(text, "[input.{id}]\nkind = \"player\"\nfile = {}\n", quoted(file));
    }
    for guest in &answers.guests {
        let id = id_of(guest);
        let words = id.replace('-', " ");
        add!(
            text,
            "# In the program that makes the call choose the loudspeaker \"from {words}\" and the microphone \"to {words}\"."
        );
        add!(text, "[input.{id}]\nkind = \"application\"\n");
    }
    text += "# Tone for line-up, at the level that everything in the house is aligned to.\n\
             [input.line-up]\nkind = \"line\"\ngenerator = \"sine\"\nfrequency_hz = 997.0\nlevel_dbfs = -18.0\n\n\
             # ---- outputs ----\n\n";
    if !answers.headphones.is_empty() {
        text += "# Headphones and loudspeakers always have a limiter here. It is no protection to rely on.\n";
        add!(text, "[output.headphones]\nkind = \"headphones\"\ndevice = \"interface\"");
        add!(text, "channels = [{}]\n", numbers(&answers.headphones));
    }
    if !answers.loudspeakers.is_empty() {
        add!(text, "[output.loudspeakers]\nkind = \"loudspeaker\"\ndevice = \"interface\"");
        add!(text, "channels = [{}]\n", numbers(&answers.loudspeakers));
    }
    match &answers.encoder {
        Encoder::Here => {
            text += "# The encoder is a program on this machine: it chooses the microphone of this name (through PipeWire).\n\
                     [output.encoder]\nkind = \"application\"\nname = \"programme for encoder\"\n\n";
        }
        Encoder::Outputs(channels) if !channels.is_empty() => {
            add!(
                text,
                "[output.encoder]\nkind = \"feed\"\ndevice = \"interface\"\nchannels = [{}]\n",
                numbers(channels)
            );
        }
        Encoder::Outputs(_) => {}
    }
    for guest in &answers.guests {
        add!(text, "[output.to-{}]\nkind = \"application\"", id_of(guest));
        add!(text, "name = \"to {}\"\n", id_of(guest).replace('-', " "));
    }
    text += "# ---- control ----\n\n";
    text += &control_port(&answers.panel);
    text += "# OSC is heard from this machine only, until this line and [network.remote.\"ADDRESS\"] say more.\n\
             [network]\nlisten = \"127.0.0.1:9123\"\n\n\
             # \"longthrow status\" shows it, above all when something is wrong.\n\
             # [help]\n# call = \"who knows this desk, and where to reach them\"\n";
    text
}

/// The port by which the panel speaks.
fn control_port(wire: &Wire) -> String {
    let mut text = String::new();
    let (kind, reach) = match wire {
        Wire::Osc => {
            text += "# The panel, as long as it is any program on this machine that sends OSC. A real one is a MIDI port (kind = \"midi\",\n\
                     # name = \"...\"), a serial line (kind = \"serial\", path = \"/dev/serial/by-id/...\"), or OSC from its own address.\n";
            ("osc", "address = \"127.0.0.1\"".to_owned())
        }
        Wire::Midi(name) => ("midi", format!("name = {}", quoted(name))),
        Wire::JackMidi(port) => ("jack-midi", format!("link_input = {}", quoted(port))),
        Wire::Serial(path) => {
            text += "# MIDI on a serial line: its own 31,250 baud unless the line below says otherwise.\n";
            ("serial", format!("path = {}\n# baud = 115200", quoted(path)))
        }
        Wire::Node(place) => {
            text += "# A node of the panel (configs/node/WIRE.md); \"longthrow node-check\" tries it on the bench. With slot = N only the one\n\
                     # whose straps say so is taken.\n";
            let key = if place.starts_with('/') { "path" } else { "address" };
            ("node", format!("{key} = {}", quoted(place)))
        }
    };
    add!(text, "[control-port.{}]\nkind = \"{kind}\"\n{reach}\n", port_id(wire));
    text
}

/// What the rig calls that port.
fn port_id(wire: &Wire) -> &'static str {
    if *wire == Wire::Osc { "table-top" } else { "panel" }
}

fn device_of(device: &Device, text: &mut String) {
    let host = if device.host == Host::Jack { "jack" } else { "alsa" };
    let host = match device.host {
        Host::PulseAudio => "pulseaudio",
        Host::PipeWire => "pipewire",
        _ => host,
    };
    add!(text, "\n# ---- devices ----\n\n# Its clock is the master.\n[device.interface]\nhost = \"{host}\"");
    add!(text, "identity = {}", quoted(&device.identity));
    add!(text, "inputs = {}\noutputs = {}", device.inputs, device.outputs);
    if device.host == Host::Jack {
        let firsts = |list: &[String], count: u16| texts_of(&list[..list.len().min(usize::from(count))]);
        text.push_str("# Ports of the server that are linked to our channels, in order, whenever they appear.\n");
        add!(text, "link_inputs = [{}]", firsts(&device.link_inputs, device.inputs));
        add!(text, "link_outputs = [{}]", firsts(&device.link_outputs, device.outputs));
    } else {
        text.push_str("# Frames in a period: fewer are a shorter delay and a busier machine; \"longthrow capacity\" measures it.\n");
        text.push_str("period_frames = 256\n");
    }
}

/// What a control says on the wire; nothing when that is learned later, or the panel has no more of them.
fn says(controls: &Controls, strip: usize) -> Option<String> {
    match controls {
        Controls::Later => None,
        Controls::Controllers(channel, first, last) => {
            let number = usize::from(*first) + strip - 1;
            (number <= usize::from(*last))
                .then(|| format!("message = \"control-change\"\nchannel = {channel}\nnumber = {number}"))
        }
        Controls::Address(address) => {
            Some(format!("message = \"osc\"\naddress = {}", quoted(&address.replace('N', &strip.to_string()))))
        }
    }
}

/// Each control of a strip: its name, its kind, what it says, and the parameter of the channel that it moves.
fn strip(answers: &Answers, strip: usize) -> impl Iterator<Item = (String, &'static str, String, &'static str)> {
    let kinds = [(&answers.faders, "fader", "fader", "fader"), (&answers.buttons, "switch", "momentary", "switch")];
    kinds.into_iter().filter_map(move |(controls, name, kind, parameter)| {
        Some((format!("{name}-{strip}"), kind, says(controls, strip)?, parameter))
    })
}

/// How many strips there are: at least one for each channel, and all that the panel has.
fn strips(answers: &Answers) -> usize {
    let of = |controls: &Controls| match controls {
        Controls::Controllers(_, first, last) => usize::from(last - first) + 1,
        Controls::Later | Controls::Address(_) => 0,
    };
    answers.channels().count().max(of(&answers.faders)).max(of(&answers.buttons))
}

fn panel(answers: &Answers) -> String {
    let mut text = String::from(
        "# The panel: every control, where it sits, and what it says on the wire. It belongs to whoever looks after it.\n",
    );
    if answers.panel == Wire::Osc {
        text += "# Until yours is wired, any program on this machine that sends OSC plays it:  oscsend localhost 9123 /panel/fader-1 f 0.7\n";
    }
    text += "# \"longthrow assign\" adds a control that somebody touches, and says what it moves.\n\nform = 1\nkind = \"panel\"\n";
    let labels: Vec<String> = answers.channels().map(|(_, label)| label).collect();
    for number in 1..=strips(answers) {
        let label = labels.get(number - 1).map(|label| format!(": {label}")).unwrap_or_default();
        for (name, kind, says, _) in strip(answers, number) {
            add!(text, "\n[control.{name}]\nplace = {}", quoted(&format!("strip {number}{label}")));
            add!(text, "kind = \"{kind}\"\nport = \"{}\"\n{says}", port_id(&answers.panel));
        }
    }
    text
}

fn profile(answers: &Answers) -> String {
    let mut text = String::from(
        "# The profile: one show. It belongs to whoever runs it. What is not mentioned has the default of the parameter table\n\
         # (\"longthrow params\"): switches closed, faders off.\n\n",
    );
    add!(text, "form = 1\nkind = \"profile\"\nname = {}\n", quoted(&answers.name));
    text += "# ---- channels: in the order of the strips ----\n\n";
    let guests: Vec<String> = answers.guests.iter().map(|guest| id_of(guest)).collect();
    for (id, label) in answers.channels() {
        add!(text, "[channel.{id}]\nlabel = {}\nsource = \"{id}\"", quoted(&label));
        if id == "line-up" {
            text += "fader = 0.0\n";
        } else {
            text += "# Nothing is heard before a hand opens the switch.\nfader = -10.0\n";
        }
        text += "assign.programme = \"on\"\n\n";
    }
    text += "# ---- buses ----\n\n[bus.programme]\nlabel = \"Programme\"\n\n";
    for (guest, name) in guests.iter().zip(&answers.guests) {
        text += "# What a guest hears: the programme without the guest. Nobody can bear their own voice coming back late.\n";
        add!(text, "[bus.to-{guest}]\nlabel = {}", quoted(&format!("To {name}")));
        add!(text, "mix-minus = {{ of = \"programme\", less = [\"{guest}\"] }}\n");
    }
    text += "# ---- outputs ----\n\n";
    let start = "# From -40 dB: listen from a distance before the headphones go on, then raise it slowly. Hearing does not grow back.\n";
    for (name, channels) in [("headphones", &answers.headphones), ("loudspeakers", &answers.loudspeakers)] {
        if !channels.is_empty() {
            text += start;
            add!(text, "[output.{name}]\nsource = \"programme\"\nlevel = -40.0\n");
        }
    }
    if answers.encoder != Encoder::Outputs(Vec::new()) {
        text += "[output.encoder]\nsource = \"programme\"\nlevel = 0.0\n\n";
    }
    for guest in &guests {
        add!(text, "[output.to-{guest}]\nsource = \"to-{guest}\"\nlevel = 0.0\n");
    }
    text += "# ---- which control moves what ----\n\n[moves]\n";
    for (number, (id, _)) in (1..).zip(answers.channels()) {
        for (name, _, _, parameter) in strip(answers, number) {
            add!(text, "{name} = \"channel.{id}.{parameter}\"");
        }
    }
    text
}
