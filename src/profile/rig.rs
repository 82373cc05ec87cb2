//! Reads the rig: devices, inputs, outputs, control ports, network, storage.

use super::cursor::{
    self, Table, Thing, entries, flag, list, number, parsed, text, text_not_empty, unusable, whole, word,
};
use super::diagnostic::Code;
use super::log::{Log, Place};
use super::model::{
    Contact, ControlPort, Device, Follower, Host, Id, Input, InputFrom, InputKind, Network, NodeLine, Output,
    OutputKind, Reach, Rig, Role, Signal,
};
use super::rooms;
use super::text::{Node, Raw, Tree};
use crate::params::Pattern;
use crate::units::{Decibels, SampleRate};
use std::collections::BTreeMap;
use std::net::{IpAddr, SocketAddr};
use std::path::PathBuf;

/// What every rig starts from.
pub(super) const DEFAULTS: &str = "[network]\nlisten = \"127.0.0.1:9123\"\n";

/// The keys of the top of a rig, for the names of environment variables.
pub(super) const TOP_KEYS: [&str; 12] = [
    "rate_hz",
    "clock",
    "device",
    "input",
    "output",
    "control-port",
    "room",
    "network",
    "follower",
    "storage",
    "help",
    "kind",
];

const DEVICES_MAX: usize = 16;
const DEVICE_CHANNELS_MAX: u16 = 256;
const INPUTS_MAX: usize = 512;
/// A pair of the engine's 64 output columns each.
const OUTPUTS_MAX: usize = 32;
const CONTACTS_MAX: usize = 64;
const CONTROL_PORTS_MAX: usize = 64;
const FOLLOWERS_MAX: usize = 32;
const REMOTES_MAX: usize = 256;
const PERIOD_FRAMES_MAX: u32 = 4096;

/// What the other files need to know of a rig, even of one that has mistakes.
#[derive(Debug, Default)]
pub(super) struct RigNames {
    /// Inputs with their width, where it is known.
    pub(super) inputs: BTreeMap<String, Option<usize>>,
    /// Outputs.
    pub(super) outputs: Vec<String>,
    /// Inputs that are microphones.
    pub(super) microphones: Vec<String>,
    /// Outputs that lead out of the rooms in which the desk is worked.
    pub(super) outside: Vec<String>,
    /// Those of them by which people listen who take no part: see [`Output::may_be_an_ear`].
    pub(super) to_listeners: Vec<String>,
    /// What may play what somebody listens to: headphones, and loudspeakers of a room.
    pub(super) listening: Vec<String>,
    /// Rooms.
    pub(super) rooms: Vec<String>,
    /// Contacts, and what they are for, where that is known.
    pub(super) contacts: BTreeMap<String, Option<ContactUse>>,
    /// Control ports, and whether they carry OSC, where that is known.
    pub(super) control_ports: BTreeMap<String, Option<bool>>,
}

/// What a control may do with a contact.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum ContactUse {
    /// One pulse.
    Pulse,
    /// Stand open or closed.
    Stand,
    /// Nothing: it is the lamp or the mute of a room.
    OfRoom,
}

/// Reads a rig whose layers are merged. `text` is the text that an empty rig is blamed on.
pub(super) fn read(tree: &Tree, text: usize, log: &mut Log) -> (Rig, RigNames) {
    let mut names = RigNames::default();
    let mut top = Table::root(tree, text, "the rig");
    // Checked in each file before the layers were merged.
    top.get("form");
    top.get("kind");
    let rate = top.get("rate_hz").and_then(|node| rate(node, log));
    let clock_node = top.get("clock");
    let things = top.things("device", DEVICES_MAX, log);
    let device_names: Vec<&str> = things.iter().map(|thing| thing.id).collect();
    let mut devices = Vec::new();
    let mut channel_counts: Vec<(&str, Option<(u16, u16)>)> = Vec::new();
    for thing in things {
        let id = thing.id;
        let device = device(thing, log);
        channel_counts.push((id, device.as_ref().map(|device| (device.inputs, device.outputs))));
        devices.extend(device);
    }
    let clock = clock_node.and_then(|node| {
        let name = cursor::text(node, "clock", log)?;
        known_device(&name, node.at, &device_names, log).then(|| name.into())
    });

    let mut programs = Programs::default();
    let mut inputs = Vec::new();
    let mut in_rooms = rooms::InRooms::default();
    for mut thing in top.things("input", INPUTS_MAX, log) {
        let id = thing.id;
        in_rooms.input(&mut thing);
        let input = input(thing, &channel_counts, &mut programs, log);
        names.inputs.insert(id.to_owned(), input.as_ref().map(Input::width));
        inputs.extend(input);
    }
    let mut outputs = Vec::new();
    let mut used: BTreeMap<(String, u16), Place> = BTreeMap::new();
    let mut contact_things = Vec::new();
    for mut thing in top.things("output", OUTPUTS_MAX + CONTACTS_MAX, log) {
        let is_contact =
            thing.table.get("kind").is_some_and(|node| matches!(&node.value, Raw::Text(kind) if kind == "contact"));
        let (there, max) =
            if is_contact { (contact_things.len(), CONTACTS_MAX) } else { (names.outputs.len(), OUTPUTS_MAX) };
        if there == max {
            let what = if is_contact { "contacts" } else { "[output.NAME] tables" };
            cursor::too_many(thing.at, what, there + 1, max, log);
            break;
        }
        if is_contact {
            contact_things.push(thing);
            continue;
        }
        names.outputs.push(thing.id.to_owned());
        in_rooms.output(&mut thing);
        outputs.extend(output(thing, &channel_counts, &mut used, &mut programs, log));
    }
    devices.extend(programs.device());
    let mut control_ports = Vec::new();
    let mut reached: Vec<(String, Place)> = Vec::new();
    for thing in top.things("control-port", CONTROL_PORTS_MAX, log) {
        let id = thing.id;
        let port = control_port(thing, &mut reached, log);
        let osc = port.as_ref().map(|port| matches!(port.reach, Reach::Osc { .. } | Reach::Node { .. }));
        names.control_ports.insert(id.to_owned(), osc);
        control_ports.extend(port);
    }
    let mut contacts = Vec::new();
    let mut named: BTreeMap<(Id, String), Place> = BTreeMap::new();
    for thing in contact_things {
        names.contacts.insert(thing.id.to_owned(), None);
        contacts.extend(contact(thing, &names, &control_ports, &mut named, log));
    }
    let console = in_rooms.read(&mut top, &inputs, &outputs, &contacts, log);
    for contact in &contacts {
        let used = match contact.pulse_ms {
            _ if console.is_of_a_room(&contact.id) => ContactUse::OfRoom,
            Some(_) => ContactUse::Pulse,
            None => ContactUse::Stand,
        };
        names.contacts.insert(contact.id.to_string(), Some(used));
    }
    let microphones = inputs.iter().filter(|input| input.kind == InputKind::Microphone);
    names.microphones = microphones.map(|input| input.id.to_string()).collect();
    let outside = outputs.iter().filter(|output| console.is_outside(output));
    names.outside = outside.map(|output| output.id.to_string()).collect();
    let listeners = outputs.iter().filter(|output| console.is_outside(output) && !output.may_be_an_ear());
    names.to_listeners = listeners.map(|output| output.id.to_string()).collect();
    let listening = outputs.iter().filter(|output| output.is_monitor() && !console.is_outside(output));
    names.listening = listening.map(|output| output.id.to_string()).collect();
    names.rooms = console.rooms.iter().map(|room| room.id.to_string()).collect();
    let network = network(&mut top, log);
    let storage =
        top.get("storage").and_then(|node| Table::of(node, "[storage]".to_owned(), log)).and_then(|mut table| {
            let folder = table.get("folder").and_then(|node| text_not_empty(node, "folder", log)).map(PathBuf::from);
            table.finish(log);
            folder
        });
    let call = help(&mut top, log);
    top.finish(log);
    (Rig { rate, clock, devices, inputs, outputs, contacts, control_ports, console, network, storage, call }, names)
}

/// Whom to call: one line that a screen can show.
fn help(top: &mut Table<'_>, log: &mut Log) -> Option<String> {
    const CALL_BYTES_MAX: usize = 200;
    let mut table = top.get("help").and_then(|node| Table::of(node, "[help]".to_owned(), log))?;
    let accepted = "whom to call, as \"Mara, in the workshop, extension 12\"";
    let call = table.need("call", accepted, log).and_then(|node| {
        let call = text_not_empty(node, "call", log)?;
        let sound = call.len() <= CALL_BYTES_MAX && !call.chars().any(char::is_control);
        if !sound {
            unusable(node.at, "call", "one line of at most 200 bytes", log);
        }
        sound.then_some(call)
    });
    table.finish(log);
    call
}

fn rate(node: &Node, log: &mut Log) -> Option<SampleRate> {
    SampleRate::try_new(whole(node, "rate_hz", 8_000, 192_000, log)?).ok()
}

fn known_device(name: &str, place: Place, devices: &[&str], log: &mut Log) -> bool {
    let known = devices.contains(&name);
    if !known {
        let headline = format!("the rig has no device \"{name}\"");
        cursor::unknown_name(Code::R01, place, headline, name, devices.iter().copied(), log);
    }
    known
}

fn device(thing: Thing<'_>, log: &mut Log) -> Option<Device> {
    const HOSTS: [(&str, Host); 4] =
        [("jack", Host::Jack), ("alsa", Host::Alsa), ("pulseaudio", Host::PulseAudio), ("pipewire", Host::PipeWire)];
    let Thing { id, mut table, .. } = thing;
    let accepted = list(HOSTS.iter().map(|(word, _)| *word));
    let host = table.need("host", &accepted, log).and_then(|node| word(node, "host", &HOSTS, log));
    let identity_node = table.get("identity");
    let identity = identity_node.map(|node| text(node, "identity", log));
    if identity.is_none() && host.is_some_and(|host| host != Host::Jack) {
        log.error(Code::F08, table.at, format!("{} has no \"identity\"", table.what), "nothing found here")
            .help("paste the identity that \"longthrow ports\" prints for the device");
    }
    let period_frames = table.get("period_frames").map(|node| whole(node, "period_frames", 1, PERIOD_FRAMES_MAX, log));
    let channels = |key, table: &mut Table<'_>, log: &mut Log| match table.get(key) {
        Some(node) => whole(node, key, 0, DEVICE_CHANNELS_MAX, log),
        None => Some(0),
    };
    let inputs = channels("inputs", &mut table, log);
    let outputs = channels("outputs", &mut table, log);
    let link_inputs = links("link_inputs", host, inputs, &mut table, log);
    let link_outputs = links("link_outputs", host, outputs, &mut table, log);
    table.finish(log);
    Some(Device {
        id: id.into(),
        host: host?,
        identity: identity.unwrap_or_else(|| Some(String::new()))?,
        period_frames: match period_frames {
            Some(frames) => Some(frames?),
            None => None,
        },
        inputs: inputs?,
        outputs: outputs?,
        link_inputs: link_inputs?,
        link_outputs: link_outputs?,
    })
}

fn links(
    key: &'static str,
    host: Option<Host>,
    channels: Option<u16>,
    table: &mut Table<'_>,
    log: &mut Log,
) -> Option<Vec<String>> {
    let Some(node) = table.get(key) else { return Some(Vec::new()) };
    if host.is_some_and(|host| host != Host::Jack) {
        log.error(Code::F14, node.at, format!("\"{key}\" is for JACK only"), "accepted with host = \"jack\"")
            .help("remove the line; other hosts have no links");
        return None;
    }
    let max = usize::from(channels.unwrap_or(DEVICE_CHANNELS_MAX));
    let found = entries(node, key, max, log)?;
    found.iter().map(|node| text_not_empty(node, key, log)).collect()
}

/// The device and the channels of an input or output, counted from 0.
fn device_channels(
    table: &mut Table<'_>,
    device_node: &Node,
    devices: &[(&str, Option<(u16, u16)>)],
    count: fn(&(u16, u16)) -> u16,
    log: &mut Log,
) -> Option<(String, Vec<(u16, Place)>)> {
    let names: Vec<&str> = devices.iter().map(|(name, _)| *name).collect();
    let device = text(device_node, "device", log).filter(|device| known_device(device, device_node.at, &names, log));
    let node = table.need("channels", "one or two channels of the device, counted from 1: [1, 2]", log)?;
    let found = entries(node, "channels", usize::from(DEVICE_CHANNELS_MAX), log)?;
    let opened = devices.iter().find(|(name, _)| Some(*name) == device.as_deref()).and_then(|(_, counts)| *counts);
    let mut channels: Vec<(u16, Place)> = Vec::new();
    for entry in found {
        let channel: u16 = whole(entry, "channels", 1, DEVICE_CHANNELS_MAX, log)?;
        if let Some(opened) = opened.map(|counts| count(&counts)).filter(|opened| channel > *opened) {
            let label = format!("{channel}; accepted: 1 to {opened}");
            let label = if opened == 0 { format!("{channel}; the device opens none this way") } else { label };
            log.error(Code::R02, entry.at, "the device does not open this channel", label)
                .help("choose another, or raise inputs or outputs of the device as far as it has them");
            return None;
        }
        channels.push((channel - 1, entry.at));
    }
    let sound = match channels[..] {
        [_] => true,
        [one, other] => one.0 != other.0,
        _ => false,
    };
    if !sound {
        let label = format!("{}; accepted: [1] for mono, [1, 2] for stereo", log.found(node.at));
        log.error(Code::R03, node.at, "\"channels\" is not one or two different channels", label)
            .help("list the channel of a mono line, or left and right of a stereo one");
        return None;
    }
    Some((device?, channels))
}

/// Entries of kind "application": virtual loudspeakers and microphones for programs on this machine, which together are one
/// device.
#[derive(Default)]
struct Programs {
    links: [Vec<String>; 2],
    names: BTreeMap<String, Place>,
}

/// No id of a rig has a space.
const PROGRAMS: &str = "desktop programs";

impl Programs {
    /// Reads name and width; the channels are what the device has for it. `side` is 0 for what a program plays, 1 for what it
    /// hears.
    fn add(&mut self, id: &str, table: &mut Table<'_>, side: usize, log: &mut Log) -> Option<Vec<u16>> {
        const NAME_BYTES_MAX: usize = 60;
        let words = id.replace('-', " ");
        let usual = if side == 0 { format!("from {words}") } else { format!("to {words}") };
        let node = table.get("name");
        let name = node.map_or(Some(usual), |node| text_not_empty(node, "name", log));
        let width: Option<u16> = table.get("width").map_or(Some(2), |node| whole(node, "width", 1, 2, log));
        let (name, width) = (name?, width?);
        let at = node.map_or(table.at, |node| node.at);
        let sound = |c: char| c.is_alphanumeric() || " -_.+".contains(c);
        if name.len() > NAME_BYTES_MAX || name.trim() != name || !name.chars().all(sound) {
            unusable(at, "name", "up to 60 letters, digits, spaces and - _ . +", log);
            return None;
        }
        if let Some(first) = self.names.insert(name.clone(), at) {
            log.error(Code::R05, at, format!("two entries are called \"{name}\""), "for the second time")
                .also(first, "already called so here")
                .help("programs choose by this name: give each its own");
            return None;
        }
        let links = &mut self.links[side];
        let first = u16::try_from(links.len()).unwrap_or(u16::MAX);
        let port = if side == 0 { "monitor" } else { "input" };
        let sides: &[&str] = if width == 2 { &["FL", "FR"] } else { &["MONO"] };
        links.extend(sides.iter().map(|side| format!("{name}:{port}_{side}")));
        Some((first..first + width).collect())
    }

    fn device(self) -> Option<Device> {
        let [link_inputs, link_outputs] = self.links;
        let count = |links: &[String]| u16::try_from(links.len()).unwrap_or(u16::MAX);
        (!link_inputs.is_empty() || !link_outputs.is_empty()).then(|| Device {
            id: PROGRAMS.into(),
            host: Host::Application,
            identity: String::new(),
            period_frames: None,
            inputs: count(&link_inputs),
            outputs: count(&link_outputs),
            link_inputs,
            link_outputs,
        })
    }
}

/// A virtual loudspeaker, to which a program on this machine plays. Tallies treat it as a guest unless it says otherwise.
fn application(id: &str, table: &mut Table<'_>, programs: &mut Programs, log: &mut Log) -> Option<Input> {
    const CARRIES: [(&str, InputKind); 3] =
        [("guest", InputKind::Guest), ("line", InputKind::Line), ("player", InputKind::Player)];
    let carries = table.get("carries");
    let kind = carries.map_or(Some(InputKind::Guest), |node| word(node, "carries", &CARRIES, log));
    let channels = programs.add(id, table, 0, log);
    Some(Input { id: id.into(), kind: kind?, from: InputFrom::Device { device: PROGRAMS.into(), channels: channels? } })
}

fn input(
    thing: Thing<'_>,
    devices: &[(&str, Option<(u16, u16)>)],
    programs: &mut Programs,
    log: &mut Log,
) -> Option<Input> {
    const KINDS: [(&str, Option<InputKind>); 5] = [
        ("microphone", Some(InputKind::Microphone)),
        ("line", Some(InputKind::Line)),
        ("guest", Some(InputKind::Guest)),
        ("player", Some(InputKind::Player)),
        ("application", None),
    ];
    let Thing { id, at, mut table } = thing;
    let accepted = list(KINDS.iter().map(|(word, _)| *word));
    let kind = table.need("kind", &accepted, log).and_then(|node| word(node, "kind", &KINDS, log));
    if kind == Some(None) {
        let input = application(id, &mut table, programs, log);
        table.finish(log);
        return input;
    }
    let kind = kind.flatten();
    let ways = [("device", table.get("device")), ("file", table.get("file")), ("generator", table.get("generator"))];
    let mut named = ways.iter().filter_map(|(key, node)| Some((*key, (*node)?)));
    let from = match (named.next(), named.next()) {
        (Some((way, node)), None) => from(way, node, &mut table, devices, log),
        (Some((way, node)), Some((other_way, other))) => {
            let headline = format!("input \"{id}\" has more than one place to come from");
            log.error(Code::F14, other.key_at, headline, format!("\"{other_way}\" here"))
                .also(node.key_at, format!("and \"{way}\" here"))
                .help("keep one of device, file, generator");
            None
        }
        (None, _) => {
            log.error(
                Code::F08,
                at,
                format!("input \"{id}\" has nowhere to come from"),
                "accepted: one of device, file, generator",
            )
            .help("add device = \"...\" with channels = [1], or file = \"...\", or generator = \"sine\"");
            None
        }
    };
    if from.is_none() {
        // Of an input that comes from nowhere the other keys may be right.
        for key in ["channels", "looped", "width", "level_dbfs", "frequency_hz", "seed"] {
            table.get(key);
        }
    }
    table.finish(log);
    Some(Input { id: id.into(), kind: kind?, from: from? })
}

fn from(
    way: &str,
    node: &Node,
    table: &mut Table<'_>,
    devices: &[(&str, Option<(u16, u16)>)],
    log: &mut Log,
) -> Option<InputFrom> {
    match way {
        "device" => {
            let (device, channels) = device_channels(table, node, devices, |counts| counts.0, log)?;
            let channels = channels.into_iter().map(|(channel, _)| channel).collect();
            Some(InputFrom::Device { device: device.into(), channels })
        }
        "file" => {
            let path = text_not_empty(node, "file", log);
            let looped = table.get("looped").map_or(Some(false), |node| flag(node, "looped", log));
            let width = table.get("width").map_or(Some(2), |node| whole(node, "width", 1, 2, log));
            Some(InputFrom::File { path: path?.into(), looped: looped?, stereo: width? == 2 })
        }
        _ => generator(node, table, log),
    }
}

fn generator(node: &Node, table: &mut Table<'_>, log: &mut Log) -> Option<InputFrom> {
    const SIGNALS: [(&str, Signal); 4] = [
        ("sine", Signal::Sine { hertz: 997.0 }),
        ("pink", Signal::Pink { seed: 1 }),
        ("speech-like", Signal::SpeechLike { seed: 1 }),
        ("silence", Signal::Silence),
    ];
    let signal = word(node, "generator", &SIGNALS, log);
    let level = table.get("level_dbfs").map_or(Some(-20.0), |node| number(node, "level_dbfs", -90.0, 0.0, log));
    let signal = match signal {
        Some(Signal::Sine { hertz }) => {
            let hertz =
                table.get("frequency_hz").map_or(Some(hertz), |node| number(node, "frequency_hz", 10.0, 20_000.0, log));
            hertz.map(|hertz| Signal::Sine { hertz })
        }
        Some(Signal::Pink { seed }) => seed_of(seed, table, log).map(|seed| Signal::Pink { seed }),
        Some(Signal::SpeechLike { seed }) => seed_of(seed, table, log).map(|seed| Signal::SpeechLike { seed }),
        silence => {
            // Of a signal that is not known the other keys may be right.
            table.get("frequency_hz");
            table.get("seed");
            silence
        }
    };
    Some(InputFrom::Generator { signal: signal?, level: Decibels::try_new(level?).ok()? })
}

fn seed_of(seed: u32, table: &mut Table<'_>, log: &mut Log) -> Option<u32> {
    table.get("seed").map_or(Some(seed), |node| whole(node, "seed", 0, u32::MAX, log))
}

fn output(
    thing: Thing<'_>,
    devices: &[(&str, Option<(u16, u16)>)],
    used: &mut BTreeMap<(String, u16), Place>,
    programs: &mut Programs,
    log: &mut Log,
) -> Option<Output> {
    /// What a word of `kind` means.
    #[derive(Clone, Copy, PartialEq)]
    enum Means {
        Sound(OutputKind),
        /// Sound for a program on this machine.
        Application,
        /// No output of sound: read elsewhere.
        Contact,
    }
    const KINDS: [(&str, Means); 6] = [
        ("headphones", Means::Sound(OutputKind::Headphones)),
        ("loudspeaker", Means::Sound(OutputKind::Loudspeaker)),
        ("line", Means::Sound(OutputKind::Line)),
        ("feed", Means::Sound(OutputKind::Feed)),
        ("application", Means::Application),
        ("contact", Means::Contact),
    ];
    let Thing { id, mut table, .. } = thing;
    let accepted = list(KINDS.iter().map(|(word, _)| *word));
    let kind = table.need("kind", &accepted, log).and_then(|node| word(node, "kind", &KINDS, log));
    if kind == Some(Means::Application) {
        let channels = programs.add(id, &mut table, 1, log);
        table.finish(log);
        return Some(Output {
            id: id.into(),
            kind: OutputKind::Application,
            device: PROGRAMS.into(),
            channels: channels?,
        });
    }
    let kind = match kind {
        Some(Means::Sound(kind)) => Some(kind),
        _ => None,
    };
    let device_node = table.need("device", "a device of the rig", log);
    let wired = match device_node {
        Some(node) => device_channels(&mut table, node, devices, |counts| counts.1, log),
        None => {
            table.get("channels");
            None
        }
    };
    table.finish(log);
    let (device, channels) = wired?;
    let mut free = true;
    for (channel, place) in &channels {
        match used.get(&(device.clone(), *channel)) {
            Some(first) => {
                let label = format!("channel {} of \"{device}\" for the second time", channel + 1);
                log.error(Code::R04, *place, "two outputs use the same channel", label)
                    .also(*first, "already used here")
                    .help("give each output channels of its own; one output may carry any bus");
                free = false;
            }
            None => {
                used.insert((device.clone(), *channel), *place);
            }
        }
    }
    let channels = channels.into_iter().map(|(channel, _)| channel).collect();
    let output = Output { id: id.into(), kind: kind?, device: device.into(), channels };
    free.then_some(output)
}

/// A contact of a node. Where nothing was said, a pulse is 200 ms wide and nothing is assumed to be safe.
fn contact(
    thing: Thing<'_>,
    names: &RigNames,
    control_ports: &[ControlPort],
    named: &mut BTreeMap<(Id, String), Place>,
    log: &mut Log,
) -> Option<Contact> {
    const STATES: [(&str, bool); 2] = [("open", false), ("closed", true)];
    /// What the wire calls a thing, in bytes.
    const NAME_BYTES_MAX: usize = 63;
    let Thing { id, at, mut table } = thing;
    table.get("kind");
    let port = table.need("port", "a control port of kind \"node\"", log).and_then(|node| {
        let name = text(node, "port", log)?;
        if !names.control_ports.contains_key(&name) {
            let headline = format!("the rig has no control port \"{name}\"");
            let known = names.control_ports.keys().map(|port| &**port);
            cursor::unknown_name(Code::N01, node.at, headline, &name, known, log);
            return None;
        }
        // A port that has mistakes of its own is complained of there.
        let port = control_ports.iter().find(|port| *port.id == *name)?;
        if !matches!(port.reach, Reach::Node { .. }) {
            let label = format!("\"{name}\"; accepted: a control port of kind \"node\"");
            log.error(Code::N02, node.at, format!("contact \"{id}\" is on a port that has no contacts"), label).help(
                "a plain MIDI or OSC panel cannot time a pulse or fall to a safe state; see configs/node/WIRE.md",
            );
            return None;
        }
        Some(port.id.clone())
    });
    let name = match table.get("name") {
        None => Some((id.to_owned(), at)),
        Some(node) => text_not_empty(node, "name", log).map(|name| (name, node.at)),
    };
    let name = name.filter(|(name, at)| {
        let sound = name.len() <= NAME_BYTES_MAX && name.bytes().all(|byte| byte.is_ascii_graphic());
        if !sound {
            unusable(*at, "name", "up to 63 letters, digits and signs without a space, as \"start-1\"", log);
        }
        sound
    });
    let safe = table.need("safe", "open, closed", log).and_then(|node| {
        let safe = word(node, "safe", &STATES, log)?;
        Some((safe, node.at))
    });
    let pulse_ms =
        table.get("pulse_ms").map(|node| whole(node, "pulse_ms", 20_u16, 2_000, log).map(|ms| (ms, node.at)));
    table.finish(log);
    if let (Some((true, safe_at)), Some(Some((_, pulse_at)))) = (safe, pulse_ms) {
        log.error(Code::N03, safe_at, format!("contact \"{id}\" makes pulses and would stay closed"), "accepted: open")
            .also(pulse_at, "makes pulses")
            .help("write safe = \"open\", or remove pulse_ms if the contact is to stand");
        return None;
    }
    let (port, (name, name_at)) = (port?, name?);
    if let Some(first) = named.insert((port.clone(), name.clone()), name_at) {
        log.error(Code::N04, name_at, "two outputs are the same contact", format!("\"{name}\" of \"{port}\" again"))
            .also(first, "already used here")
            .help("keep one of the two");
        return None;
    }
    let pulse_ms = match pulse_ms {
        Some(pulse) => Some(pulse?.0),
        None => None,
    };
    Some(Contact { id: id.into(), port, name, safe_closed: safe?.0, pulse_ms })
}

fn control_port(thing: Thing<'_>, reached: &mut Vec<(String, Place)>, log: &mut Log) -> Option<ControlPort> {
    #[derive(Clone, Copy)]
    enum Kind {
        Midi,
        JackMidi,
        Serial,
        Osc,
        Node,
    }
    const KINDS: [(&str, Kind); 5] = [
        ("midi", Kind::Midi),
        ("jack-midi", Kind::JackMidi),
        ("serial", Kind::Serial),
        ("osc", Kind::Osc),
        ("node", Kind::Node),
    ];
    let Thing { id, at, mut table } = thing;
    let accepted = list(KINDS.iter().map(|(word, _)| *word));
    let Some(kind) = table.need("kind", &accepted, log).and_then(|node| word(node, "kind", &KINDS, log)) else {
        // Of a port of an unknown kind the other keys may be right.
        for key in ["name", "server", "link_input", "link_output", "path", "baud", "address", "reply", "slot"] {
            table.get(key);
        }
        table.finish(log);
        return None;
    };
    let optional = |key, table: &mut Table<'_>, log: &mut Log| match table.get(key) {
        Some(node) => text(node, key, log).map(|text| (text, node.at)),
        None => Some((String::new(), table.at)),
    };
    let (reach, reaches) = match kind {
        Kind::Midi => {
            let node = table.need("name", "the name that \"longthrow ports\" prints", log);
            let name = node.and_then(|node| text_not_empty(node, "name", log).map(|name| (name, node.at)));
            let place = name.as_ref().map(|(name, at)| (format!("midi {name}"), *at));
            (name.map(|(name, _)| Reach::Midi { name }), place)
        }
        Kind::JackMidi => {
            let server = optional("server", &mut table, log);
            let link_input = optional("link_input", &mut table, log);
            let link_output = optional("link_output", &mut table, log);
            let place = link_input
                .as_ref()
                .filter(|(link, _)| !link.is_empty())
                .map(|(link, at)| (format!("jack {} {link}", server.as_ref().map_or("", |server| &server.0)), *at));
            let reach = match (server, link_input, link_output) {
                (Some((server, _)), Some((link_input, _)), Some((link_output, _))) => {
                    Some(Reach::JackMidi { server, link_input, link_output })
                }
                _ => None,
            };
            (reach, place)
        }
        Kind::Serial => {
            let node = table.need("path", "the device file, as /dev/serial/by-id/...", log);
            let path = node.and_then(|node| text_not_empty(node, "path", log).map(|path| (path, node.at)));
            let baud = table.get("baud").map_or(Some(31_250), |node| whole(node, "baud", 300, 4_000_000, log));
            let place = path.as_ref().map(|(path, at)| (format!("serial {path}"), *at));
            (path.zip(baud).map(|((path, _), baud)| Reach::Serial { path: path.into(), baud }), place)
        }
        Kind::Osc => {
            let node = table.need("address", "an address, as \"10.0.0.7\"", log);
            let address = node.and_then(|node| {
                parsed::<IpAddr>(node, "address", "an address, as \"10.0.0.7\"", log).zip(Some(node.at))
            });
            let reply = table
                .get("reply")
                .map(|node| parsed::<SocketAddr>(node, "reply", "an address and port, as \"10.0.0.7:9000\"", log));
            let place = address.map(|(address, at)| (format!("osc {address}"), at));
            let reach = match (address, reply) {
                (Some((address, _)), None) => Some(Reach::Osc { address, reply: None }),
                (Some((address, _)), Some(Some(reply))) => Some(Reach::Osc { address, reply: Some(reply) }),
                _ => None,
            };
            (reach, place)
        }
        Kind::Node => node(id, at, &mut table, log),
    };
    table.finish(log);
    if let Some((what, place)) = reaches {
        if let Some((_, first)) = reached.iter().find(|(earlier, _)| *earlier == what) {
            log.error(Code::R05, place, "two control ports reach the same thing", "reached for the second time")
                .also(*first, "already reached here")
                .help("keep one of the two; the panel may name one port for any number of controls");
            return None;
        }
        reached.push((what, place));
    }
    Some(ControlPort { id: id.into(), reach: reach? })
}

/// A panel node: on a serial line, or at an address.
fn node(id: &str, at: Place, table: &mut Table<'_>, log: &mut Log) -> (Option<Reach>, Option<(String, Place)>) {
    let accepted = "the node's address and port, as \"10.0.0.7:9124\"";
    let slot = table.get("slot").map(|node| whole(node, "slot", 0_u8, 63, log));
    let (path, address, baud) = (table.get("path"), table.get("address"), table.get("baud"));
    let line = match (path, address) {
        (Some(path), None) => {
            let baud = baud.map_or(Some(115_200), |node| whole(node, "baud", 9_600, 4_000_000, log));
            let text = text_not_empty(path, "path", log);
            text.zip(baud)
                .map(|(text, baud)| (format!("serial {text}"), path.at, NodeLine::Serial { path: text.into(), baud }))
        }
        (None, Some(node)) => {
            if let Some(baud) = baud {
                log.error(Code::F14, baud.key_at, "\"baud\" is for serial lines only", "accepted with \"path\"")
                    .help("remove the line");
            }
            parsed::<SocketAddr>(node, "address", accepted, log)
                .map(|address| (format!("node {address}"), node.at, NodeLine::Udp { address }))
        }
        (Some(path), Some(address)) => {
            log.error(Code::F14, address.key_at, format!("node \"{id}\" has two lines"), "\"address\" here")
                .also(path.key_at, "and \"path\" here")
                .help("keep the one that it hangs on");
            None
        }
        (None, None) => {
            let label = "accepted: one of path, address";
            log.error(Code::F08, at, format!("node \"{id}\" has no line"), label)
                .help("add path = \"/dev/serial/by-id/...\", or address = \"10.0.0.7:9124\"");
            None
        }
    };
    let Some((reached, place, line)) = line else { return (None, None) };
    let slot = match slot {
        Some(None) => return (None, Some((reached, place))),
        Some(slot) => slot,
        None => None,
    };
    (Some(Reach::Node { line, slot }), Some((reached, place)))
}

fn network(top: &mut Table<'_>, log: &mut Log) -> Network {
    const ROLES: [(&str, Role); 3] = [("see", Role::See), ("operate", Role::Operate), ("administer", Role::Administer)];
    let mut network = Network {
        listen: SocketAddr::from(([127, 0, 0, 1], 9123)),
        remotes: BTreeMap::new(),
        wired_control: Vec::new(),
        followers: Vec::new(),
    };
    let table = top.get("network").and_then(|node| Table::of(node, "[network]".to_owned(), log));
    if let Some(mut table) = table {
        let listen = table
            .get("listen")
            .and_then(|node| parsed(node, "listen", "an address and port of this machine, as \"127.0.0.1:9123\"", log));
        network.listen = listen.unwrap_or(network.listen);
        if let Some(node) = table.get("wired_control") {
            for entry in entries(node, "wired_control", REMOTES_MAX, log).unwrap_or_default() {
                let accepted = "addresses of this machine's own interfaces, as [\"10.0.0.1\"]";
                network.wired_control.extend(parsed::<IpAddr>(entry, "wired_control", accepted, log));
            }
        }
        let remotes = table.get("remote").and_then(|node| Table::of(node, "[network.remote]".to_owned(), log));
        let mut seen: BTreeMap<IpAddr, Place> = BTreeMap::new();
        for (written, node) in remotes.iter().flat_map(Table::entries) {
            if seen.len() == REMOTES_MAX {
                cursor::too_many(node.key_at, "remote addresses", seen.len() + 1, REMOTES_MAX, log);
                break;
            }
            let Some(mut remote) = Table::of(node, format!("remote \"{written}\""), log) else { continue };
            let accepted = list(ROLES.iter().map(|(word, _)| *word));
            let role = remote.need("role", &accepted, log).and_then(|node| word(node, "role", &ROLES, log));
            remote.finish(log);
            let Ok(address) = written.parse::<IpAddr>() else {
                unusable(node.key_at, "remote", "an address in quotes, as [network.remote.\"10.0.0.7\"]", log);
                continue;
            };
            if let Some(first) = seen.insert(address, node.key_at) {
                log.error(Code::R06, node.key_at, "one address has two roles", format!("{address} again"))
                    .also(first, "the first stands here")
                    .help("keep one of the two");
            }
            network.remotes.extend(role.map(|role| (address, role)));
        }
        table.finish(log);
    }
    for thing in top.things("follower", FOLLOWERS_MAX, log) {
        network.followers.extend(follower(thing, log));
    }
    network
}

fn follower(thing: Thing<'_>, log: &mut Log) -> Option<Follower> {
    /// What the meter hub sends at most.
    const RATE_HZ_MAX: f32 = 50.0;
    let Thing { mut table, .. } = thing;
    let accepted = "an address and port, as \"10.0.0.7:9000\"";
    let address = table.need("address", accepted, log).and_then(|node| parsed(node, "address", accepted, log));
    let accepted = "an OSC pattern over meter paths, as \"/meter/bus/*/*/peak\"";
    let pattern = table.need("pattern", accepted, log).and_then(|node| {
        let pattern = text(node, "pattern", log)?;
        let sound = Pattern::parse(&pattern).is_some();
        if !sound {
            unusable(node.at, "pattern", accepted, log);
        }
        sound.then_some(pattern)
    });
    let rate_hz = table.get("rate_hz").map_or(Some(20.0), |node| number(node, "rate_hz", 1.0, RATE_HZ_MAX, log));
    table.finish(log);
    Some(Follower { address: address?, pattern: pattern?, rate_hz: rate_hz? })
}
