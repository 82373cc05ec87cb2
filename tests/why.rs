//! Thirty faults, and others since, and what `longthrow why` says first of each.
//!
//! The faults and the words that count as a right answer were written from the promise alone (the path from the device to the
//! output, the first thing on it that blocks, one sentence), before its implementation was read. What a person at the
//! desk would have to hear is common practice, no source: the name of the thing that blocks, and which of its parts. No id
//! contains a word that is looked for.

#![allow(clippy::print_stdout, reason = "the table is what the test is for")]

mod support;

use longthrow::panel::osc::Argument;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};
use support::daemon::Daemon;

/// A fault that is there, and what its answer has to say.
struct Fault {
    what: &'static str,
    /// What is asked about.
    ask: &'static str,
    /// Of each group the answer has to have one word.
    says: &'static [&'static [&'static str]],
    /// None of these: what is named instead of the thing, or beside it.
    not: &'static [&'static str],
}

const fn fault(
    what: &'static str,
    ask: &'static str,
    says: &'static [&'static [&'static str]],
    not: &'static [&'static str],
) -> Fault {
    Fault { what, ask, says, not }
}

/// There is nothing to find.
const NOTHING: &[&str] = &[
    "nothing blocks",
    "nothing stops",
    "nothing is in the way",
    "nothing is wrong",
    "nothing wrong",
    "not silent",
    "is heard",
    "can be heard",
    "is not blocked",
    "passes",
    "goes through",
    "gets through",
];
const NO_SIGNAL: &[&str] = &["signal", "silen", "nothing arrives", "nothing comes", "nothing is heard", "no sound"];
const NOT_THERE: &[&str] =
    &["device", "not there", "absent", "missing", "gone", "lost", "not found", "cannot be opened"];
/// What an answer that finds nothing must not name.
const BLOCKS: &[&str] = &["closed", " off", "waiting", "no signal", "not there", "no output", "blocked by"];

// ---- a desk without devices: everything from the source to the bus ----

const RIG: &str = r#"
form = 1
kind = "rig"
rate_hz = 48000
[input.tone]
kind = "line"
generator = "sine"
level_dbfs = -18.0
[input.treble]
kind = "line"
generator = "sine"
frequency_hz = 15000.0
level_dbfs = -18.0
[input.murmur]
kind = "line"
generator = "sine"
level_dbfs = -40.0
[input.whisper]
kind = "line"
generator = "sine"
level_dbfs = -50.0
[input.talker]
kind = "guest"
generator = "speech-like"
level_dbfs = -23.0
[input.hush]
kind = "line"
generator = "silence"
[input.reel]
kind = "player"
file = "blank.wav"
looped = true
width = 1
[input.dance]
kind = "player"
file = "polka.wav"
looped = true
[input.chime]
kind = "player"
file = "chime.wav"
width = 1
[input.pair]
kind = "line"
file = "pair.wav"
looped = true
[control-port.table]
kind = "osc"
address = "127.0.0.1"
"#;

const PANEL: &str = r#"
form = 1
kind = "panel"
[control.f1]
place = "strip 1"
kind = "fader"
port = "table"
message = "osc"
address = "/panel/f1"
[control.f2]
place = "strip 2"
kind = "fader"
port = "table"
message = "osc"
address = "/panel/f2"
[control.f3]
place = "strip 3"
kind = "fader"
port = "table"
message = "osc"
address = "/panel/f3"
travel_mm = 60.0
[control.spare]
place = "strip 4"
kind = "fader"
port = "table"
message = "osc"
address = "/panel/spare"
"#;

/// Each channel is one that would be heard, but for what is said after it.
const CHANNELS: &[(&str, &str, &str)] = &[
    ("anna", "tone", "switch = \"closed\""),
    ("bert", "tone", "fader = \"off\""),
    ("clara", "tone", ""),
    ("dora", "whisper", "trim = -24.0"),
    ("emil", "hush", ""),
    ("frida", "reel", ""),
    ("gustav", "dance", ""),
    ("hanna", "chime", ""),
    ("ida", "tone", "assign.programme = \"off\""),
    ("jakob", "tone", "assign = { programme = \"off\", choir = \"on\" }"),
    ("klara", "tone", "assign = { programme = \"off\", strings = \"on\" }"),
    ("lena", "tone", "gate = { switch = \"on\", threshold = 0.0, ratio = 100.0, range = 80.0 }"),
    ("max", "tone", "fader = \"off\""),
    ("nora", "tone", ""),
    ("otto", "talker", "assign = { programme = \"on\", choir = \"on\" }"),
    ("peter", "tone", "switch = \"closed\"\nfader = \"off\""),
    ("quentin", "hush", "switch = \"closed\""),
    ("rosa", "pair", "pan = -1.0"),
    ("sofie", "treble", "equaliser.high = { shape = \"pass\", frequency = 20.0 }"),
    ("tessa", "tone", "fader = 0.0"),
    ("ulf", "tone", "fader = -10.0"),
    ("vera", "murmur", "trim = -12.0\nfader = -40.0"),
    ("walter", "murmur", "pad = \"on\"\ntrim = -24.0"),
    ("xaver", "tone", "switch = \"closed\"\nassign = { programme = \"off\", trio = \"on\" }"),
    ("yvonne", "tone", "fader = \"off\"\nassign.programme = \"off\""),
];

fn profile() -> String {
    channels("thirty faults", CHANNELS)
        + "[bus.choir]\nfader = \"off\"\n[bus.strings]\nfader = -85.0\n[bus.trio]\n\
           [moves]\nf1 = \"channel.max.fader\"\nf2 = \"channel.ulf.fader\"\nf3 = \"channel.tessa.fader\"\n"
}

fn channels(name: &str, channels: &[(&str, &str, &str)]) -> String {
    let mut text = format!("form = 1\nkind = \"profile\"\nname = \"{name}\"\n");
    for (id, source, fault) in channels {
        text += &format!("[channel.{id}]\nsource = \"{source}\"\n");
        for (key, usual) in
            [("switch", "switch = \"open\""), ("fader", "fader = 0.0"), ("assign", "assign.programme = \"on\"")]
        {
            if !fault.lines().any(|line| line.starts_with(key)) {
                text += &format!("{usual}\n");
            }
        }
        text += &format!("{fault}\n");
    }
    text
}

const FAULTS: &[Fault] = &[
    fault("the switch is closed", "channel.anna", &[&["anna"], &["switch", "closed"]], &["fader"]),
    fault("the fader is at its bottom", "channel.bert", &[&["bert"], &["fader"]], &["switch"]),
    fault("the fader at -80 dB, by OSC", "channel.clara", &[&["clara"], &["fader"]], &["switch"]),
    fault("a soft source with the trim at -24 dB", "channel.dora", &[&["dora"], &["trim"]], &["fader"]),
    fault("a source of nothing", "channel.emil", &[&["emil", "hush"], NO_SIGNAL], &["switch", "fader"]),
    fault("a file of nothing", "channel.frida", &[&["frida", "reel", "blank.wav"], NO_SIGNAL], &["switch", "fader"]),
    fault("a file that is not there", "channel.gustav", &[&["file", "polka.wav", "cannot be"]], &["switch", "fader"]),
    fault(
        "a file that has ended",
        "channel.hanna",
        &[&["hanna", "chime"], &["ended", "its end", "the end", "finished", "played out", "run out"]],
        &["switch", "fader"],
    ),
    fault("on no bus", "channel.ida", &[&["ida"], &["assign", "no bus", "any bus"]], &["fader"]),
    fault("its only bus is off", "channel.jakob", &[&["choir"], &["fader", "off"]], &["jakob's fader", "no output"]),
    fault("its only bus is at -85 dB", "channel.klara", &[&["strings"], &["fader"]], &["no output"]),
    fault("the gate takes everything", "channel.lena", &[&["lena"], &["gate"]], &["switch", "fader"]),
    fault(
        "down, and the control that moves it stands higher",
        "channel.max",
        &[&["waiting"], &["lower"], &["75 mm", "76 mm", "77 mm"]],
        &["raise"],
    ),
    fault("a control that stands too high", "control.f2", &[&["waiting: lower 12 mm"]], &["raise"]),
    fault("a short control that stands too low", "control.f3", &[&["waiting: raise 24 mm"]], &["lower"]),
    fault("switch closed and fader off", "channel.peter", &[&["peter"], &["switch", "closed"]], &["fader"]),
    fault("no signal and switch closed", "channel.quentin", &[&["quentin", "hush"], NO_SIGNAL], &["switch"]),
    fault("turned to the silent side of a pair", "channel.rosa", &[&["rosa"], &["pan", "balance", "left"]], &["fader"]),
    fault(
        "the equaliser takes everything",
        "channel.sofie",
        &[&["sofie"], &["equaliser"]],
        &["switch", "fader", "duck", "shar"],
    ),
    fault("trim and fader together", "channel.vera", &[&["vera"], &["fader", "trim"]], &["switch"]),
    fault("pad and trim together", "channel.walter", &[&["walter"], &["trim", "pad"]], &["switch", "fader"]),
    fault(
        "a bus of which the only channel is closed",
        "bus.trio",
        &[&["trio", "xaver"], &["switch", "closed", "open"]],
        &[],
    ),
    fault("nothing", "channel.nora", &[NOTHING], BLOCKS),
    fault("nothing, though one of two buses is off", "channel.otto", &[NOTHING], BLOCKS),
    fault("nothing on the bus", "bus.programme", &[NOTHING], BLOCKS),
];

/// Written with the others, and asked beside the thirty.
const FURTHER: &[Fault] = &[
    fault("a bus that is off", "bus.choir", &[&["choir"], &["fader", "off"]], &[]),
    fault("fader off and on no bus", "channel.yvonne", &[&["yvonne"], &["fader"]], &["assign"]),
    fault(
        "a control without a move",
        "control.spare",
        &[&["moves nothing", "no parameter", "profile", "nothing"]],
        &["mm"],
    ),
];

// ---- a desk whose devices are not there ----

const ABSENT_RIG: &str = r#"
form = 1
kind = "rig"
rate_hz = 48000
clock = "box"
[device.box]
host = "alsa"
identity = "hw:CARD=Nowhere,DEV=0"
inputs = 2
[device.amp]
host = "alsa"
identity = "hw:CARD=Elsewhere,DEV=0"
outputs = 6
[input.stage]
kind = "microphone"
device = "box"
channels = [1]
[input.tone]
kind = "line"
generator = "sine"
level_dbfs = -18.0
[output.hall]
kind = "feed"
device = "amp"
channels = [1, 2]
[output.foyer]
kind = "line"
device = "amp"
channels = [3, 4]
[output.attic]
kind = "line"
device = "amp"
channels = [5, 6]
[control-port.frame]
kind = "midi"
name = "A panel that nobody has"
"#;

const ABSENT_PANEL: &str = r#"
form = 1
kind = "panel"
[control.m1]
place = "strip 1"
kind = "fader"
port = "frame"
message = "control-change"
channel = 1
number = 7
"#;

const ABSENT_PROFILE: &str = r#"
form = 1
kind = "profile"
name = "nothing is there"
[channel.paul]
source = "stage"
fader = 0.0
assign.programme = "on"
[channel.sven]
source = "stage"
fader = 0.0
assign.programme = "on"
[channel.ludwig]
source = "tone"
switch = "open"
fader = 0.0
assign.programme = "on"
[channel.romy]
source = "tone"
switch = "open"
fader = 0.0
assign.annexe = "on"
[channel.toni]
source = "tone"
switch = "open"
fader = 0.0
assign.lower = "on"
[bus.annexe]
[bus.lower]
fader = "off"
[bus.bare]
[output.hall]
source = "programme"
[output.foyer]
source = "lower"
[output.attic]
source = "bare"
[moves]
m1 = "channel.ludwig.fader"
"#;

const ABSENT_FAULTS: &[Fault] = &[
    fault("the device of the input is not there", "channel.paul", &[&["box"], NOT_THERE], &["switch", "fader"]),
    fault("the same, and the switch closed", "channel.sven", &[&["box"], NOT_THERE], &["switch"]),
    fault("the device of the output is not there", "channel.ludwig", &[&["amp"], NOT_THERE], &["switch", "fader"]),
    fault("its only bus is on no output", "channel.romy", &[&["annexe"], &["output"]], &["fader", "amp"]),
    fault("an output whose bus is off", "output.foyer", &[&["lower"], &["fader", "off"]], &["amp"]),
];

const ABSENT_FURTHER: &[Fault] = &[
    fault("an output on a device that is not there", "output.hall", &[&["amp"], NOT_THERE], &["fader"]),
    fault(
        "an output whose bus has no channel",
        "output.attic",
        &[&["bare"], &["no channel", "nothing", "assign"]],
        &["amp"],
    ),
    fault("a control whose port is not there", "control.m1", &[&["port", "frame"], NOT_THERE], &["mm"]),
];

// ---- what the desk has learned since: groups, sends, mix-minus ----

const GROUPS: &str = r#"
form = 1
kind = "profile"
name = "groups"
[channel.anna]
source = "tone"
switch = "open"
fader = 0.0
assign.voices = "on"
[channel.bert]
source = "tone"
switch = "open"
fader = 0.0
assign.band = "on"
[channel.clara]
source = "tone"
switch = "open"
send = { level = { wedge = 0.0 }, point = { wedge = "pre-fader" } }
[channel.dora]
source = "tone"
switch = "open"
fader = 0.0
send.level.wedge = -80.0
[bus.voices]
assign.programme = "on"
[bus.band]
assign.programme = "on"
fader = "off"
[bus.wedge]
[bus.brass]
assign.pipes = "on"
[bus.pipes]
[bus.to-anna]
mix-minus = { of = "programme", less = ["anna"] }
[output.hall]
source = "programme"
[output.foyer]
source = "wedge"
[output.attic]
source = "to-anna"
"#;

const GROUP_FAULTS: &[Fault] = &[
    fault("nothing, up to the device", "channel.anna", &[&["amp"], NOT_THERE], &["assign", "no output"]),
    fault("a group that is off", "channel.bert", &[&["band"], &["fader", "off"]], &["no output"]),
    fault("nothing, before the fader, up to the device", "channel.clara", &[&["amp"], NOT_THERE], &["fader", "assign"]),
    fault("a send that is far down", "channel.dora", &[&["send to wedge"]], &["fader"]),
    fault("a group that nothing goes to", "bus.brass", &[&["no channel"], &["brass"]], &[]),
    fault(
        "all of a mix-minus in a group that is off",
        "output.attic",
        &[&["band"], &["down", "fader"]],
        &["no channel"],
    ),
];

// ---- what lies beside the path: gain groups, rooms, talkbacks, locks ----

// Written from the promise and from the README before `why` was taught any of it. What stops a sound or a hand is common practice, no
// source: the answer names the thing that stops it and which of its parts.

const HOUSE_RIG: &str = r#"
form = 1
kind = "rig"
rate_hz = 48000
[device.amp]
host = "alsa"
identity = "hw:CARD=Elsewhere,DEV=0"
outputs = 12
[device.barn]
host = "jack"
identity = "a-server-that-nobody-runs"
inputs = 2
[input.stage]
kind = "microphone"
device = "barn"
channels = [2]
room = "hall"
[input.desk-mic]
kind = "microphone"
generator = "speech-like"
level_dbfs = -20.0
[input.dead-mic]
kind = "microphone"
generator = "silence"
[input.tone]
kind = "line"
generator = "sine"
level_dbfs = -18.0
[input.hush]
kind = "line"
generator = "silence"
[input.caller]
kind = "guest"
generator = "speech-like"
level_dbfs = -20.0
[input.far-line]
kind = "line"
device = "barn"
channels = [1]
[room.hall]
[output.stream]
kind = "feed"
device = "amp"
channels = [1, 2]
[output.monitors]
kind = "loudspeaker"
device = "amp"
channels = [3, 4]
room = "hall"
[output.ears]
kind = "headphones"
device = "amp"
channels = [5, 6]
[output.phone]
kind = "line"
device = "amp"
channels = [7, 8]
[output.foyer]
kind = "line"
device = "amp"
channels = [9, 10]
[control-port.table]
kind = "osc"
address = "127.0.0.1"
"#;

const HOUSE_PANEL: &str = r#"
form = 1
kind = "panel"
[control.main]
place = "right of the strips"
kind = "fader"
port = "table"
message = "osc"
address = "/panel/main"
"#;

const HOUSE_PROFILE: &str = r#"
form = 1
kind = "profile"
name = "on air"
[desk]
novice = "on"
[channel.host]
source = "stage"
fader = 0.0
assign.programme = "on"
[channel.emil]
source = "tone"
switch = "open"
fader = 0.0
assign.wedges = "on"
[channel.visitor]
source = "caller"
switch = "open"
fader = 0.0
assign.table-talk = "on"
[channel.frida]
source = "tone"
switch = "open"
fader = 0.0
assign.crushed = "on"
[channel.gustav]
source = "tone"
switch = "open"
fader = 0.0
assign.inner = "on"
[channel.hanna]
source = "tone"
switch = "open"
fader = 0.0
send.level.wedges = "off"
[channel.ida]
source = "far-line"
switch = "open"
fader = 0.0
assign.programme = "on"
[channel.quiet]
source = "hush"
switch = "open"
fader = 0.0
assign.programme = "on"
[bus.wedges]
[bus.table-talk]
assign.programme = "on"
[bus.crushed]
assign.programme = "on"
fader = -30.0
compressor = { switch = "on", threshold = -60.0, ratio = 20.0 }
[bus.inner]
assign.outer = "on"
[bus.outer]
assign.programme = "on"
fader = "off"
[bus.to-visitor]
mix-minus = { of = "table-talk", less = ["visitor"] }
[talkback.producer]
source = "desk-mic"
buses = ["wedges"]
[talkback.floor]
source = "dead-mic"
buses = ["wedges"]
[output.stream]
source = "programme"
[output.monitors]
source = "wedges"
[output.ears]
source = "programme"
[output.phone]
source = "to-visitor"
[output.foyer]
source = "programme"
level = "off"
[moves]
main = "bus.programme.fader"
"#;

const HOUSE_FAULTS: &[Fault] = &[
    fault(
        "loudspeakers of a room with a live microphone",
        "output.monitors",
        &[&["mute"], &["hall", "host"]],
        &["amp"],
    ),
    fault("a channel that goes to those alone", "channel.emil", &[&["mute"], &["monitors", "hall"]], &["amp", "fader"]),
    fault("a panel in novice mode moves no bus", "control.main", &[&["novice"]], &["mm", "nothing"]),
    fault(
        "a talkback whose key nobody holds",
        "talkback.producer",
        &[&["producer"], &["key", "hold", "held", "press", "not keyed"]],
        &["no signal", "amp"],
    ),
    fault(
        "a talkback whose microphone is dead",
        "talkback.floor",
        &[&["dead-mic", "floor"], NO_SIGNAL],
        &["amp", "held"],
    ),
    fault(
        "a mix-minus of which the owner is all",
        "bus.to-visitor",
        &[&["visitor"], &["own", "only", "alone", "nobody else", "nothing else", "no channel", "less"]],
        &["closed", "amp"],
    ),
    fault("an output that is off", "output.foyer", &[&["foyer"], &["level", "off"]], &["amp", "programme's"]),
    fault(
        "the compressor of a bus, and its fader",
        "channel.frida",
        &[&["crushed"], &["compressor", "fader"]],
        &["amp"],
    ),
    fault("a group of a group that is off", "channel.gustav", &[&["outer"], &["fader", "off"]], &["inner", "amp"]),
    fault("its only send is off", "channel.hanna", &[&["send", "no bus", "any bus"]], &["fader is", "amp"]),
    fault("an audio server that nobody runs", "channel.ida", &[&["barn"], NOT_THERE], &["switch", "fader", "amp"]),
    fault(
        "headphones that listen to a silent channel",
        "output.ears",
        &[&["listen"], &["quiet"], &["signal", "silen", "nothing"]],
        &["programme"],
    ),
];

/// Written with the answers, and not counted with the others.
const HOUSE_FURTHER: &[Fault] =
    &[fault("a room with a live microphone", "room.hall", &[&["mute"], &["host"]], &["amp"])];
const STUDIO_FURTHER: &[Fault] =
    &[fault("a gain group that is off", "gain-group.singers", &[&["singers"], &["off"]], &[])];

/// Nothing of it is on air, so one channel alone can be heard.
const STUDIO_RIG: &str = r#"
form = 1
kind = "rig"
rate_hz = 48000
[input.tone]
kind = "line"
generator = "sine"
level_dbfs = -18.0
[input.stage]
kind = "microphone"
generator = "speech-like"
level_dbfs = -20.0
[control-port.table]
kind = "osc"
address = "127.0.0.1"
[control-port.frame]
kind = "node"
address = "127.0.0.1:9"
slot = 5
"#;

const STUDIO_PANEL: &str = r#"
form = 1
kind = "panel"
[control.f1]
place = "strip 1"
kind = "fader"
port = "table"
message = "osc"
address = "/panel/f1"
[control.f2]
place = "strip 2"
kind = "fader"
port = "table"
message = "osc"
address = "/panel/f2"
[control.loose]
place = "strip 3"
kind = "momentary"
port = "table"
message = "osc"
address = "/panel/loose"
[control.n1]
place = "strip 4"
kind = "fader"
port = "frame"
message = "osc"
address = "/panel/n1"
"#;

/// As in the first table: each would be heard, but for what is said after it.
const STUDIO_CHANNELS: &[(&str, &str, &str)] = &[
    ("anna", "tone", ""),
    ("bert", "tone", ""),
    ("clara", "tone", "pad = \"on\"\nfader = -25.0"),
    ("dora", "stage", ""),
    ("emil", "tone", ""),
    ("frida", "tone", "fader = -10.0"),
];

const STUDIO_REST: &str = r#"
[gain-group.singers]
members = ["anna"]
fader = "off"
[gain-group.players]
members = ["bert"]
switch = "closed"
[gain-group.strollers]
members = ["clara"]
fader = -20.0
[moves]
f1 = "channel.emil.fader"
f2 = "channel.frida.fader"
n1 = "channel.anna.fader"
"#;

const STUDIO_FAULTS: &[Fault] = &[
    fault("its gain group is off", "channel.anna", &[&["gain group"], &["singers"], &["fader", "off"]], &["anna's"]),
    fault(
        "its gain group is closed",
        "channel.bert",
        &[&["gain group"], &["players"], &["switch", "closed"]],
        &["bert's"],
    ),
    fault(
        "pad, fader and gain group together",
        "channel.clara",
        &[&["gain group", "pad", "fader"]],
        &["switch", "closed"],
    ),
    fault("its cough button is held", "channel.dora", &[&["cough"]], &["switch is", "fader"]),
    fault("a control that stands too low", "control.f2", &[&["waiting: raise 12 mm"]], &["lower"]),
    fault("a control whose node is not there", "control.n1", &[&["frame"], NODE_AWAY], &["mm"]),
    fault("a button that the profile does not name", "control.loose", &[&["nothing to move"]], &["mm"]),
];
const NODE_AWAY: &[&str] = &["not there", "not answer", "no answer", "gone", "missing", "cannot be"];
const ALONE: &[Fault] = &[fault(
    "another is heard in its place",
    "channel.emil",
    &[&["solo"], &["frida"]],
    &["switch is", "fader", "output"],
)];
const TAUGHT: &[Fault] = &[fault("assign holds the panel", "control.f1", &[&["assign"]], &["mm", "nothing"])];
const LOCKED: &[Fault] = &[fault("the panel is locked", "control.f1", &[&["lock"]], &["mm", "nothing"])];

/// 16 bits at 48 kHz; each channel a sine of 997 Hz at -18 dBFS, or nothing.
fn wav(path: &Path, seconds: f64, channels: &[bool]) {
    let frames = (48_000.0 * seconds) as usize;
    let mut samples = Vec::new();
    for frame in 0..frames {
        let sine = (frame as f64 * 997.0 / 48_000.0 * std::f64::consts::TAU).sin() * 0.126 * 32_767.0;
        for sounds in channels {
            samples.extend(if *sounds { sine as i16 } else { 0 }.to_le_bytes());
        }
    }
    let sides = channels.len() as u16;
    let mut file = b"RIFF".to_vec();
    file.extend((36 + samples.len() as u32).to_le_bytes());
    file.extend(b"WAVEfmt \x10\0\0\0\x01\0");
    file.extend(sides.to_le_bytes());
    file.extend(48_000_u32.to_le_bytes());
    file.extend((96_000 * u32::from(sides)).to_le_bytes());
    file.extend((2 * sides).to_le_bytes());
    file.extend(b"\x10\0data");
    file.extend((samples.len() as u32).to_le_bytes());
    file.extend(samples);
    std::fs::write(path, file).expect("written");
}

/// How often `why` was right, and how long it took at the longest.
#[derive(Default)]
struct Score {
    asked: usize,
    right: usize,
    longest: Duration,
}

impl Score {
    fn ask(&mut self, daemon: &Daemon, faults: &[Fault]) {
        for fault in faults {
            let before = Instant::now();
            let mut command = Command::new(env!("CARGO_BIN_EXE_longthrow"));
            let command = command.current_dir(daemon.folder()).args(["why", fault.ask, "--state", "state"]);
            let output = command.output().expect("it starts");
            self.longest = self.longest.max(before.elapsed());
            let text = String::from_utf8_lossy(&output.stdout);
            let complaint = String::from_utf8_lossy(&output.stderr);
            let answer = first_sentence(&text);
            let lower = answer.to_lowercase();
            let right = fault.says.iter().all(|group| group.iter().any(|word| lower.contains(word)))
                && !fault.not.iter().any(|word| lower.contains(word));
            self.asked += 1;
            self.right += usize::from(right);
            let mark = if right { "right" } else { "WRONG" };
            println!("{mark} | {} | {} | {answer} {}", fault.what, fault.ask, complaint.trim());
        }
    }
}

/// The first line that says something, as far as its first full stop.
fn first_sentence(text: &str) -> &str {
    let line = text.lines().map(str::trim).find(|line| !line.is_empty()).unwrap_or_default();
    line.split_once(". ").map_or(line, |(sentence, _)| sentence)
}

/// Nobody asks before having listened: time enough for meters to have heard what there is, and for a chime to end.
fn listen() {
    std::thread::sleep(Duration::from_secs(5));
}

#[test]
fn why_names_what_blocks_in_twenty_eight_of_thirty_faults() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let at = |name: &str| folder.path().join(name);
    for (name, text) in [("rig.toml", RIG), ("panel.toml", PANEL), ("profile.toml", &profile())] {
        std::fs::write(at(name), text).expect("written");
    }
    wav(&at("blank.wav"), 2.0, &[false]);
    wav(&at("chime.wav"), 0.5, &[true]);
    wav(&at("pair.wav"), 2.0, &[false, true]);
    let daemon = Daemon::start_in(folder, true, &[]);
    daemon.set("/channel/clara/fader", -80.0);
    daemon.set("/panel/f1", 0.76);
    daemon.set("/panel/f2", 0.74);
    // Taken along by the control, and then moved away from it by somebody else.
    daemon.set("/panel/f3", 0.80);
    daemon.set("/panel/f3", 0.36);
    daemon.set("/channel/tessa/fader", 0.0);
    assert_eq!(daemon.ask("/channel/tessa/fader"), Argument::Float(0.0));
    let absent = Daemon::start(ABSENT_RIG, Some(ABSENT_PANEL), ABSENT_PROFILE);
    absent.word("/channel/paul/switch", "open");
    assert_eq!(absent.ask("/channel/paul/switch"), Argument::Text("open".to_owned()));
    listen();

    let (mut thirty, mut further) = (Score::default(), Score::default());
    thirty.ask(&daemon, FAULTS);
    thirty.ask(&absent, ABSENT_FAULTS);
    further.ask(&daemon, FURTHER);
    further.ask(&absent, ABSENT_FURTHER);
    println!("{} of {} right, and {} of {} further ones", thirty.right, thirty.asked, further.right, further.asked);
    println!("longest answer {} ms", thirty.longest.max(further.longest).as_millis());
    assert_eq!(thirty.asked, 30);
    assert!(thirty.right >= 28, "only {} of 30 were right", thirty.right);
}

#[test]
fn why_walks_groups_sends_and_mix_minus() {
    let daemon = Daemon::start(ABSENT_RIG, None, GROUPS);
    listen();
    let mut score = Score::default();
    score.ask(&daemon, GROUP_FAULTS);
    assert_eq!(score.right, score.asked);
}

#[test]
fn why_names_gain_groups_rooms_talkbacks_and_locks() {
    let house = Daemon::start(HOUSE_RIG, Some(HOUSE_PANEL), HOUSE_PROFILE);
    let studio = channels("studio", STUDIO_CHANNELS) + STUDIO_REST;
    let studio = Daemon::start(STUDIO_RIG, Some(STUDIO_PANEL), &studio);
    house.word("/channel/host/switch", "open");
    house.word("/output/ears/listen", "on");
    house.word("/channel/quiet/listen", "on");
    house.word("/talkback/floor/to/wedges", "on");
    // A room is silent before its microphone opens, so these come a little later.
    for (address, word) in [("/channel/host/tally", "live"), ("/talkback/floor/to/wedges", "on")] {
        support::wait_until(address, || house.ask(address) == Argument::Text(word.to_owned()));
    }
    studio.word("/channel/dora/switch", "open");
    studio.word("/channel/dora/cough", "on");
    studio.set("/panel/f2", 0.50);
    studio.word("/gain-group/players/switch", "closed");
    assert_eq!(studio.ask("/gain-group/players/switch"), Argument::Text("closed".to_owned()));
    listen();

    let mut score = Score::default();
    score.ask(&house, HOUSE_FAULTS);
    score.ask(&studio, STUDIO_FAULTS);
    studio.word("/channel/frida/solo-in-place", "on");
    assert_eq!(studio.ask("/channel/frida/solo-in-place"), Argument::Text("on".to_owned()));
    score.ask(&studio, ALONE);
    studio.say("/teach/start", &[]);
    assert_eq!(studio.ask("/desk/lock"), Argument::Text("off".to_owned()));
    score.ask(&studio, TAUGHT);
    studio.say("/teach/end", &[]);
    // The session ends in the desk's own time.
    studio.await_line("the touch is over");
    studio.word("/desk/lock", "on");
    assert_eq!(studio.ask("/desk/lock"), Argument::Text("on".to_owned()));
    score.ask(&studio, LOCKED);
    println!("{} of {} right, the longest answer {} ms", score.right, score.asked, score.longest.as_millis());
    assert_eq!(score.right, score.asked);
    let mut further = Score::default();
    further.ask(&house, HOUSE_FURTHER);
    further.ask(&studio, STUDIO_FURTHER);
    assert_eq!(further.right, further.asked);
}

// ---- a third thirty, written from the promise and the README alone, after the answers to the first two tables were right ----

// Eight of them were named right at the first answer.

const EVENING_RIG: &str = r#"
form = 1
kind = "rig"
rate_hz = 48000
[input.tone]
kind = "line"
generator = "sine"
level_dbfs = -18.0
[input.hum]
kind = "line"
generator = "sine"
frequency_hz = 50.0
level_dbfs = -18.0
[input.whisper]
kind = "line"
generator = "sine"
level_dbfs = -50.0
[input.unplugged]
kind = "microphone"
generator = "silence"
[input.near]
kind = "microphone"
generator = "sine"
level_dbfs = -15.0
[input.remote]
kind = "microphone"
generator = "sine"
level_dbfs = -50.0
[input.reel]
kind = "player"
generator = "sine"
level_dbfs = -18.0
[output.bell]
kind = "contact"
port = "frame"
name = "bell-1"
safe = "open"
pulse_ms = 200
[control-port.desk-top]
kind = "osc"
address = "127.0.0.1"
reply = "127.0.0.1:9"
[control-port.frame]
kind = "node"
address = "127.0.0.1:9"
slot = 5
"#;

const EVENING_PANEL: &str = r#"
form = 1
kind = "panel"
[control.f1]
place = "strip 1"
kind = "fader"
port = "desk-top"
message = "osc"
address = "/panel/f1"
[control.l1]
place = "in button 1"
kind = "lamp"
port = "desk-top"
message = "osc"
address = "/panel/l1"
"#;

const EVENING_CHANNELS: &[(&str, &str, &str)] = &[
    ("anna", "tone", "source-b = \"unplugged\""),
    ("bert", "tone", ""),
    ("clara", "tone", "source-b = \"whisper\"\ntrim-b = -24.0\npad-b = \"on\"\nsource-select = \"b\""),
    ("dora", "hum", "high-pass = { switch = \"on\", frequency = 1000.0, slope = \"24-db\" }"),
    ("emil", "tone", "fader = \"off\"\nassign.programme = \"off\"\nsend.level.wedge = 0.0"),
    ("frida", "whisper", "ducking = { under = \"round\", difference = \"off\" }"),
    ("gustav", "whisper", "assign.records = \"on\""),
    ("hanna", "near", "sharing.group = \"round\""),
    ("ida", "remote", "sharing.group = \"round\""),
    ("jakob", "reel", ""),
    ("klara", "tone", "switch = \"closed\""),
    ("lena", "tone", ""),
];

const EVENING_REST: &str = r#"
[bus.wedge]
[bus.records]
assign.programme = "on"
ducking = { under = "round", difference = "off" }
[moves]
f1 = "channel.lena.fader"
l1 = "channel.klara.switch"
"#;

const EVENING: &[Fault] = &[
    fault("its second source is dead", "channel.anna", &[&["unplugged"], NO_SIGNAL], &["switch", "fader", "tone"]),
    fault(
        "b is asked for where there is no second source",
        "channel.bert.source-select",
        &[&["source-b", "second source"]],
        &["signal", "fader"],
    ),
    fault(
        "pad and trim of its second source",
        "channel.clara",
        &[&["clara"], &["trim-b", "pad-b", "second source", "source b"]],
        &["fader"],
    ),
    fault(
        "the high-pass takes everything",
        "channel.dora",
        &[&["dora"], &["high-pass"]],
        &["fader", "equaliser", "duck", "shar"],
    ),
    fault("a send after a fader that is off", "bus.wedge", &[&["emil"], &["fader", "down"]], &["output"]),
    fault("makes room for voices", "channel.frida", &[&["duck", "room for", "voices"], &["round"]], &["fader", "shar"]),
    fault("a bus that makes room", "bus.records", &[&["duck", "room for", "voices"], &["round"]], &["fader"]),
    fault("its share of the gain is small", "channel.ida", &[&["shar"], &["round"]], &["fader", "duck"]),
    fault("the tally of a player", "channel.jakob.tally", &[&["microphone"]], &["closed", "fader"]),
    fault("the lamp of a closed switch", "control.l1", &[&["klara"], &["closed", "switch"]], &["mm"]),
    fault(
        "a fader that nobody has touched",
        "control.f1",
        &[&["heard", "moved", "said", "sent", "touched", "known"], &["not ", "never", "nothing", "no "]],
        &["mm"],
    ),
    fault("a contact whose node is not there", "contact.bell", &[&["frame"], NODE_AWAY], &["pulse_ms"]),
    fault("an input without a signal", "input.unplugged", &[&["unplugged"], NO_SIGNAL], &["switch", "fader"]),
    fault("a start that its source has not", "channel.lena.start", &[&["start"], &["contact", "tone"]], &["fader"]),
    fault(
        "listened to by nobody",
        "channel.lena.listen",
        &[&["output"], &["listens", "its listen", "whose listen", "listen is", "listen on"]],
        &["fader"],
    ),
];
const AFTER_PANIC: &[Fault] =
    &[fault("panic has closed it", "channel.dora", &[&["dora", "panic"], &["closed", "panic"]], &["fader"])];
const AFTER_RESTART: &[Fault] = &[fault(
    "a restart has closed it",
    "channel.dora",
    &[&["dora"], &["closed"], &["hand", "start", "device"]],
    &["fader"],
)];

/// All of this is heard but for what is wrong, on a server that runs.
const ON_AIR_RIG: &str = r#"
form = 1
kind = "rig"
rate_hz = 48000
[device.rack]
host = "jack"
identity = "SERVER"
inputs = 2
link_inputs = ["feeder:1", "feeder:2"]
outputs = 18
[device.barn]
host = "alsa"
identity = "hw:CARD=Nowhere,DEV=0"
inputs = 1
[input.tone]
kind = "line"
generator = "sine"
level_dbfs = -18.0
[input.whisper]
kind = "line"
generator = "sine"
level_dbfs = -50.0
[input.stand]
kind = "microphone"
device = "rack"
channels = [1]
room = "hall"
[input.boom]
kind = "microphone"
device = "rack"
channels = [2]
room = "cellar"
[input.desk-mic]
kind = "microphone"
generator = "speech-like"
level_dbfs = -20.0
[input.caller]
kind = "guest"
generator = "speech-like"
level_dbfs = -20.0
[input.far]
kind = "guest"
device = "barn"
channels = [1]
[room.hall]
[room.cellar]
[output.stream]
kind = "feed"
device = "rack"
channels = [1, 2]
[output.foyer]
kind = "line"
device = "rack"
channels = [3, 4]
[output.annexe]
kind = "line"
device = "rack"
channels = [5, 6]
[output.monitors]
kind = "loudspeaker"
device = "rack"
channels = [7, 8]
room = "hall"
[output.ears]
kind = "headphones"
device = "rack"
channels = [9, 10]
[output.phone]
kind = "line"
device = "rack"
channels = [11, 12]
[output.stage]
kind = "line"
device = "rack"
channels = [13, 14]
[output.second-ears]
kind = "headphones"
device = "rack"
channels = [15, 16]
[output.visitors-phone]
kind = "line"
device = "rack"
channels = [17, 18]
[control-port.desk-top]
kind = "osc"
address = "127.0.0.1"
reply = "127.0.0.1:9"
"#;

const ON_AIR_PANEL: &str = r#"
form = 1
kind = "panel"
[control.l1]
place = "in button 1"
kind = "lamp"
port = "desk-top"
message = "osc"
address = "/panel/l1"
"#;

const ON_AIR_CHANNELS: &[(&str, &str, &str)] = &[
    ("anna", "tone", ""),
    ("bert", "stand", "assign.programme = \"off\"\nassign.drama = \"on\""),
    ("clara", "boom", "fader = \"off\""),
    ("dora", "stand", ""),
    ("emil", "whisper", "assign.programme = \"off\"\nassign.wedge = \"on\""),
    ("frida", "stand", "assign.programme = \"off\"\nassign.foldback = \"on\""),
    ("gustav", "whisper", "assign.programme = \"off\"\nassign.soft = \"on\""),
    (
        "visitor",
        "caller",
        "switch = \"closed\"\nsend = { level = { lounge = 0.0 }, point = { lounge = \"input\" } }\nassign.programme = \"on\"",
    ),
];

const ON_AIR_REST: &str = r#"
[bus.drama]
[bus.archive]
air = "never"
[bus.wedge]
air = "never"
[bus.foldback]
[bus.soft]
[bus.lounge]
[bus.to-visitor]
mix-minus = { of = "programme", less = ["visitor"], off-air = "lounge" }
[bus.to-anna]
mix-minus = { of = "programme", less = ["anna"] }
[talkback.producer]
source = "desk-mic"
buses = ["wedge"]
[output.stream]
source = "programme"
[output.foyer]
source = "drama"
[output.annexe]
source = "archive"
[output.monitors]
source = "foldback"
[output.ears]
source = "soft"
[output.phone]
source = "to-anna"
level = "off"
[output.stage]
source = "wedge"
[output.second-ears]
source = "audition"
[output.visitors-phone]
source = "to-visitor"
[moves]
l1 = "channel.dora.tally"
"#;

const ON_AIR: &[Fault] = &[
    fault("waits where nobody else is", "bus.to-visitor", &[&["lounge"]], &["programme", "output"]),
    fault("dim was left on", "output.ears", &[&["dim"], &["ears"]], &["rack", "fader"]),
    fault("its bus is in rehearsal", "channel.bert.tally", &[&["rehears"], &["drama"]], &["closed", "fader"]),
    fault("a dark room, its fader off", "room.cellar", &[&["clara"], &["fader"]], &["switch"]),
    fault("a bus that is never on air", "bus.archive.tally", &[&["never"], &["air", "archive"]], &["rehears"]),
    fault("solo while on air", "channel.anna.solo-in-place", &[&["on air"]], &["fader", "switch"]),
    fault("the lamp of a live microphone", "control.l1", &[&["dora"], &["live", "open", "on air"]], &["mm"]),
    fault("a talkback speaks over it", "channel.emil", &[&["talkback", "producer"]], &["fader", "rack"]),
    fault("an input whose device is not there", "input.far", &[&["barn"], NOT_THERE], &["signal", "switch"]),
    fault("a mix-minus that its output leaves out", "bus.to-anna", &[&["phone"], &["level", "off"]], &["fader"]),
    fault(
        "a bus that headphones alone carry",
        "bus.audition.tally",
        &[&["output", "feed", "carrie", "headphones"]],
        &["fader", "switch"],
    ),
    fault(
        "the loudspeaker of its room alone carries it",
        "channel.frida.tally",
        &[&["carrie", "not on air", "off air"], &["foldback"]],
        &["muted", "switch", "fader"],
    ),
];
const LEFT_OVER: &[Fault] = &[fault(
    "the new profile does not have it",
    "channel.anna",
    &[&["left over", "no longer", "until", "not in the profile", "earlier", "does not have"]],
    &["fader"],
)];

#[test]
fn why_names_a_third_thirty() {
    let Some(jackd) = support::jackd::Jackd::start(48_000, 256, 18) else { return };
    let _feeder = support::jackd::Feeder::start(&jackd.name, "feeder", 2);
    let evening = channels("evening", EVENING_CHANNELS) + EVENING_REST;
    let studio = Daemon::start(EVENING_RIG, Some(EVENING_PANEL), &evening);
    let on_air = channels("on air", ON_AIR_CHANNELS) + ON_AIR_REST;
    let mut house = Daemon::start(&ON_AIR_RIG.replace("SERVER", &jackd.name), Some(ON_AIR_PANEL), &on_air);
    house.await_line("device rack is there");
    let switch = |daemon: &Daemon, channel: &str, word: &str, act: (&str, &str)| {
        let address = format!("/channel/{channel}/switch");
        daemon.word(act.0, act.1);
        support::wait_until(&address, || daemon.ask(&address) == Argument::Text(word.to_owned()));
    };
    let open = |daemon: &Daemon, channel: &str| {
        switch(daemon, channel, "open", (&format!("/channel/{channel}/switch"), "open"))
    };
    for channel in ["hanna", "ida"] {
        open(&studio, channel);
    }
    studio.word("/channel/anna/source-select", "b");
    studio.word("/channel/bert/source-select", "b");
    studio.word("/channel/lena/listen", "on");
    studio.word("/channel/lena/start", "on");
    for channel in ["bert", "clara", "dora", "frida"] {
        open(&house, channel);
    }
    house.word("/bus/drama/rehearsal", "on");
    house.word("/output/ears/dim", "on");
    house.word("/talkback/producer/to/wedge", "on");
    house.word("/channel/anna/solo-in-place", "on");
    listen();
    // What sounded until it was spoilt is called silent after five seconds.
    std::thread::sleep(Duration::from_secs(2));

    let mut score = Score::default();
    score.ask(&studio, EVENING);
    score.ask(&house, ON_AIR);
    // Another show, without one of the channels that are open on air.
    let another = channels("another", &ON_AIR_CHANNELS[1..]) + &ON_AIR_REST.replace("\"anna\"", "\"dora\"");
    std::fs::write(house.folder().join("profile.toml"), another).expect("written");
    house.say("/profile/reload", &[]);
    house.await_line("revision 2 is in force");
    score.ask(&house, LEFT_OVER);
    switch(&house, "dora", "closed", ("/desk/panic", "close-microphones"));
    score.ask(&house, AFTER_PANIC);
    open(&house, "dora");
    listen();
    house.stop();
    let house = Daemon::start_in(house.into_folder(), true, &[]);
    house.await_line("device rack is there");
    listen();
    score.ask(&house, AFTER_RESTART);
    println!("{} of {} right, the longest answer {} ms", score.right, score.asked, score.longest.as_millis());
    assert_eq!(score.asked, 30);
    assert_eq!(score.right, score.asked);
}

// ---- a fourth thirty, plain ones, written from the promise, the README and `configs/` alone ----

const MILL_RIG: &str = r#"
form = 1
kind = "rig"
rate_hz = 48000
clock = "stage-box"
[device.stage-box]
host = "jack"
identity = "SERVER"
inputs = 3
link_inputs = ["feeder:1", "feeder:2"]
outputs = 8
[device.encoder-card]
host = "alsa"
identity = "hw:CARD=Nowhere,DEV=0"
outputs = 2
[input.lectern-mic]
kind = "microphone"
device = "stage-box"
channels = [1]
room = "millstones"
[input.piano-mic]
kind = "microphone"
device = "stage-box"
channels = [2]
[input.reading-mic]
kind = "microphone"
device = "stage-box"
channels = [3]
[input.host-mic]
kind = "microphone"
generator = "speech-like"
level_dbfs = -23.0
[input.pole-mic]
kind = "microphone"
generator = "speech-like"
level_dbfs = -45.0
[input.roving-mic]
kind = "microphone"
generator = "pink"
level_dbfs = -85.0
[input.far-end]
kind = "guest"
generator = "speech-like"
level_dbfs = -23.0
[input.telephone]
kind = "guest"
generator = "silence"
[input.tone]
kind = "line"
generator = "sine"
level_dbfs = -18.0
[input.millpond]
kind = "player"
file = "millpond.wav"
looped = true
width = 1
[input.sluice]
kind = "player"
file = "sluice-gate.wav"
[input.bell]
kind = "player"
file = "bell.wav"
width = 1
[room.millstones]
[output.headphones]
kind = "headphones"
device = "stage-box"
channels = [1, 2]
[output.monitors]
kind = "loudspeaker"
device = "stage-box"
channels = [3, 4]
room = "millstones"
[output.stream]
kind = "feed"
device = "stage-box"
channels = [5, 6]
[output.visitor-line]
kind = "line"
device = "stage-box"
channels = [7, 8]
[output.encoder]
kind = "feed"
device = "encoder-card"
channels = [1, 2]
[control-port.table]
kind = "osc"
address = "127.0.0.1"
[control-port.frame]
kind = "serial"
path = "/dev/serial/by-id/usb-saltpan-frame"
baud = 115200
"#;

const MILL_PANEL: &str = r#"
form = 1
kind = "panel"
[control.f2]
place = "strip 2"
kind = "fader"
port = "table"
message = "osc"
address = "/panel/f2"
[control.f3]
place = "strip 3"
kind = "fader"
port = "table"
message = "osc"
address = "/panel/f3"
[control.f9]
place = "strip 9"
kind = "fader"
port = "frame"
message = "control-change"
channel = 1
number = 72
"#;

const MILL_CHANNELS: &[(&str, &str, &str)] = &[
    ("lectern", "lectern-mic", ""),
    ("piano", "piano-mic", "assign.band = \"on\""),
    ("music", "millpond", ""),
    ("visitor", "far-end", "fader = -10.0\nassign.voices = \"on\""),
    ("reader", "reading-mic", ""),
    ("questions", "roving-mic", ""),
    ("audience", "pole-mic", "trim = -24.0"),
    ("host", "host-mic", "fader = \"off\""),
    ("line-up", "tone", "assign.audition = \"on\""),
    ("announcer", "tone", "assign.web = \"on\""),
    ("jingle", "sluice", ""),
    ("chime", "bell", ""),
    ("caller", "telephone", ""),
];

const MILL_REST: &str = r#"
[gain-group.speakers]
members = ["lectern"]
[bus.band]
assign.programme = "on"
[bus.voices]
assign.programme = "on"
[bus.web]
[bus.to-visitor]
mix-minus = { of = "programme", less = ["visitor"] }
[output.headphones]
source = "band"
level = -20.0
listen = "on"
[output.monitors]
source = "band"
[output.stream]
source = "programme"
[output.visitor-line]
source = "to-visitor"
[output.encoder]
source = "web"
[moves]
f2 = "channel.host.fader"
f3 = "channel.visitor.fader"
f9 = "channel.lectern.fader"
"#;

const ALL_CLOSED: &[Fault] = &[fault(
    "the evening begins",
    "bus.programme",
    &[&["closed", "is open", "are open"]],
    &["fader", "signal", "output", "assigned"],
)];
const VISITOR_ALONE: &[Fault] = &[fault(
    "nobody is open but the visitor",
    "bus.to-visitor",
    &[&["programme"], &[" own", "less ", "without", "else", "besides", "except", " but "]],
    &["output", "fader"],
)];

const MILL_SOUND: &[Fault] = &[
    fault("sound", "channel.lectern", &[NOTHING], BLOCKS),
    fault("sound", "channel.piano", &[NOTHING], BLOCKS),
    fault("sound", "channel.music", &[NOTHING], BLOCKS),
    fault("sound", "channel.visitor", &[NOTHING], BLOCKS),
    fault("sound", "bus.programme", &[NOTHING], BLOCKS),
    fault("sound", "bus.to-visitor", &[NOTHING], BLOCKS),
    fault("sound", "output.headphones", &[NOTHING], BLOCKS),
    fault("sound", "output.stream", &[NOTHING], BLOCKS),
];

/// Written with the answers.
const MILL_FURTHER: &[Fault] =
    &[fault("a fader far down", "channel.music", &[&["fader"], &["-35"], &["-53"]], &["switch", "programme"])];

const MILL: &[Fault] = &[
    fault("its cable is out", "channel.reader", &[&["reading-mic"], NO_SIGNAL], &["its switch is", "fader"]),
    fault(
        "an empty battery",
        "channel.questions",
        &[&["roving-mic"], &["signal", "silen", "nothing", "soft", "faint", "quiet", "-85", "-84", "-86"]],
        &["switch", "closed", "fader"],
    ),
    fault("its trim is down", "channel.audience", &[&["trim"], &["-24"]], &["switch", "closed", "fader"]),
    fault(
        "its fader waits",
        "channel.host",
        &[&["fader"], &["wait"], &["lower 73 mm", "lower 74 mm", "lower 75 mm", "lower 76 mm"]],
        &["switch", "signal"],
    ),
    fault("no output carries its bus", "channel.line-up", &[&["audition"], &["output"]], &["fader", "switch"]),
    fault("the device of its output", "channel.announcer", &[&["encoder-card"], NOT_THERE], &["fader", "switch"]),
    fault(
        "its file is missing",
        "channel.jingle",
        &[&["sluice"], &["file", "not there", "missing", "read", "cannot be opened"]],
        &["switch", "fader"],
    ),
    fault(
        "it has played to its end",
        "channel.chime",
        &[&["bell"], &[" end", "ended", " over", "finish", "played", "start"]],
        &["switch", "fader"],
    ),
    fault(
        "nobody is on the line",
        "channel.caller",
        &[&["input"], &["telephone"], NO_SIGNAL],
        &["switch", "fader", "device"],
    ),
    fault(
        "a microphone in their room is live",
        "output.monitors",
        &[&["mute"], &["lectern", "millstones"]],
        &["level", "fader"],
    ),
    fault("its hand is above", "control.f3", &[&["waiting: lower 12 mm"]], &["nothing"]),
    fault(
        "its cable is out",
        "control.f9",
        &[&["frame"], &["gone", "not there", "missing", "lost", "away", "connect", "found"]],
        &["mm"],
    ),
];

/// What is said to the desk, what of it is asked then, and how it is taken back.
const MILL_SAID: &[(&str, &str, &str, &[Fault])] = &[
    (
        "/channel/lectern/switch",
        "closed",
        "open",
        &[fault("its switch", "channel.lectern", &[&["switch"], &["closed"], &["open"]], &["fader", "group"])],
    ),
    (
        "/channel/lectern/fader",
        "off",
        "0",
        &[fault(
            "its fader",
            "channel.lectern",
            &[&["fader"], &["off"], &["raise", " up", "higher"]],
            &["switch", "group"],
        )],
    ),
    (
        "/gain-group/speakers/switch",
        "closed",
        "open",
        &[fault("its group is closed", "channel.lectern", &[&["speakers"], &["closed"]], &["fader"])],
    ),
    (
        "/gain-group/speakers/fader",
        "off",
        "0",
        &[fault("its group is off", "channel.lectern", &[&["speakers"], &["fader", "off"]], &["switch"])],
    ),
    (
        "/channel/lectern/assign/programme",
        "off",
        "on",
        &[fault(
            "it goes nowhere",
            "channel.lectern",
            &[&["assign", "no bus", "nowhere", "route"]],
            &["fader", "switch", "speakers"],
        )],
    ),
    (
        "/bus/voices/assign/programme",
        "off",
        "on",
        &[fault(
            "its group goes nowhere",
            "channel.visitor",
            &[&["voices"], &["assign", "nowhere", "no output", "goes to no"]],
            &["fader", "switch"],
        )],
    ),
    (
        "/bus/band/fader",
        "off",
        "0",
        &[fault("the fader of its group", "channel.piano", &[&["band"], &["fader"]], &["switch", "programme's fader"])],
    ),
    (
        "/bus/programme/fader",
        "off",
        "0",
        &[
            fault("the main fader", "channel.music", &[&["programme"], &["fader"]], &["switch", "stream"]),
            fault("the main fader", "bus.programme", &[&["fader"], &["off"]], &["switch", "stream"]),
        ],
    ),
    (
        "/output/stream/level",
        "off",
        "0",
        &[fault("the output's level", "channel.lectern", &[&["stream"], &["level", "off"]], &["switch", "fader"])],
    ),
    (
        "/channel/piano/assign/band",
        "off",
        "on",
        &[fault(
            "nothing comes to it",
            "bus.band",
            &[&["nothing", "no channel", "nobody", "none"], &["assign", "sent", "goes", "feeds", "in it"]],
            &["fader", "output"],
        )],
    ),
    (
        "/output/headphones/level",
        "off",
        "-20",
        &[fault("their level", "output.headphones", &[&["level"], &["off"]], &["fader", "band"])],
    ),
    (
        "/channel/caller/listen",
        "on",
        "off",
        &[fault(
            "somebody silent is listened to",
            "output.headphones",
            &[&["listen"], &["caller"]],
            &["level", "band"],
        )],
    ),
    (
        "/output/visitor-line/source",
        "programme",
        "to-visitor",
        &[fault(
            "its output has another bus",
            "bus.to-visitor",
            &[&["output"], &["no ", "none", "nobody"]],
            &["fader"],
        )],
    ),
    (
        "/bus/programme/rehearsal",
        "on",
        "off",
        &[fault("a rehearsal", "channel.lectern.tally", &[&["rehears"]], &["fader", "switch"])],
    ),
];

const BOX_GONE: &[Fault] =
    &[fault("the stage box is gone", "channel.lectern", &[&["stage-box"], NOT_THERE], &["switch", "fader"])];

/// 28 were named right at the first answer: 27 by these words, and one with a word that was forbidden by mistake (no signal:
/// "look at the cable, the source and its own switch"). Wrong were a trim of -24 dB on a soft microphone ("it is heard"), and a
/// mix-minus of which the owner alone is open: the closed channels were told, and not what it is less.
#[test]
fn why_names_a_fourth_thirty() {
    let Some(mut jackd) = support::jackd::Jackd::start(48_000, 256, 8) else { return };
    let feeder = support::jackd::Feeder::start(&jackd.name, "feeder", 2);
    let folder = tempfile::tempdir().expect("a temporary folder");
    let evening =
        channels("evening talk", MILL_CHANNELS).replace("switch = \"open\"", "switch = \"closed\"") + MILL_REST;
    let rig = MILL_RIG.replace("SERVER", &jackd.name);
    for (name, text) in [("rig.toml", &*rig), ("panel.toml", MILL_PANEL), ("profile.toml", &evening)] {
        std::fs::write(folder.path().join(name), text).expect("written");
    }
    wav(&folder.path().join("millpond.wav"), 2.0, &[true]);
    wav(&folder.path().join("bell.wav"), 0.5, &[true]);
    let house = Daemon::start_in(folder, true, &[]);
    house.await_line("device stage-box is there");
    house.set("/panel/f2", 0.76);
    house.set("/panel/f3", 0.74);
    let say = |address: &str, value: &str| match value.parse() {
        Ok(number) => house.set(address, number),
        Err(_) => house.word(address, value),
    };
    let open = |channel: &str| house.word(&format!("/channel/{channel}/switch"), "open");
    listen();

    let mut score = Score::default();
    score.ask(&house, ALL_CLOSED);
    open("visitor");
    listen();
    score.ask(&house, VISITOR_ALONE);
    MILL_CHANNELS.iter().for_each(|(channel, ..)| open(channel));
    listen();
    let mut sound = Score::default();
    sound.ask(&house, MILL_SOUND);
    score.ask(&house, MILL);
    for (address, fault, mended, faults) in MILL_SAID {
        let before = house.ask(address);
        say(address, fault);
        support::wait_until(address, || house.ask(address) != before);
        std::thread::sleep(Duration::from_secs(1));
        score.ask(&house, faults);
        say(address, mended);
        support::wait_until(address, || house.ask(address) == before);
    }
    sound.ask(&house, MILL_SOUND);
    house.set("/channel/music/fader", -35.0);
    assert_eq!(house.ask("/channel/music/fader"), Argument::Float(-35.0));
    sound.ask(&house, MILL_FURTHER);
    drop(feeder);
    jackd.kill();
    house.await_line("device stage-box is gone");
    listen();
    score.ask(&house, BOX_GONE);
    println!("{} of {} right, the longest answer {} ms", score.right, score.asked, score.longest.as_millis());
    assert_eq!(score.asked, 30);
    assert_eq!(score.right, score.asked);
    assert_eq!(sound.right, sound.asked);
}

// ---- headphones and an encoder, both on the programme: the first form of a house ----

const FIRST_RIG: &str = r#"
form = 1
kind = "rig"
rate_hz = 48000
[device.box]
host = "jack"
identity = "SERVER"
outputs = 4
[input.tone]
kind = "line"
generator = "sine"
level_dbfs = -18.0
[output.cans]
kind = "headphones"
device = "box"
channels = [1, 2]
[output.stream]
kind = "feed"
device = "box"
channels = [3, 4]
[control-port.table]
kind = "osc"
address = "127.0.0.1"
"#;
const FIRST_PROFILE: &str = r#"
form = 1
kind = "profile"
name = "first"
[channel.tone]
source = "tone"
switch = "open"
fader = 0.0
assign.programme = "on"
[output.cans]
source = "programme"
level = -40.0
[output.stream]
source = "programme"
[moves]
f1 = { target = "channel.tone.fader", rejoin = "at-once" }
"#;

#[test]
fn why_means_the_listeners_and_not_the_headphones_of_the_house() {
    let Some(jackd) = support::jackd::Jackd::start(48_000, 256, 4) else { return };
    let daemon = Daemon::start(&FIRST_RIG.replace("SERVER", &jackd.name), Some(PANEL), FIRST_PROFILE);
    daemon.await_line("device box is there");
    listen();
    let mut score = Score::default();
    score.ask(&daemon, &[fault("nothing", "channel.tone", &[&["is heard"]], BLOCKS)]);
    // Whoever hears nothing in headphones at their first level is not told to raise it at once.
    score.ask(&daemon, &[fault("the first level", "output.cans", &[&["-40.0 db"], &["slowly"]], &[])]);
    daemon.word("/output/stream/level", "off");
    support::wait_until("it is off", || daemon.ask("/output/stream/level") == Argument::Text("off".to_owned()));
    for ask in ["channel.tone", "bus.programme"] {
        score.ask(&daemon, &[fault("the stream is down", ask, &[&["stream"], &["off"]], &["cans", "is heard"])]);
    }
    daemon.set("/channel/tone/fader", -3.333_333);
    support::wait_until("it moves", || daemon.ask("/channel/tone/fader") == Argument::Float(-3.333_333));
    score.ask(&daemon, &[fault("a value for people", "control.f1", &[&["which is -3.3"]], &["-3.33"])]);
    assert_eq!(score.right, score.asked);
}
