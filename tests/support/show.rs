//! Small installations for tests, written in lines.

use longthrow::desk::{By, Event};
use longthrow::params::{Address, Value};
use longthrow::profile::{
    Bus, Channel, Device, GainGroup, Host, Id, Input, InputFrom, InputKind, Installation, Network, Output, OutputKind,
    Panel, Profile, Rig,
};
use longthrow::units::SampleRate;
use std::collections::BTreeMap;

pub const RATE: SampleRate = SampleRate::HZ_48000;

pub fn id(text: &str) -> Id {
    Id::from(text)
}

/// A rig with one device of `inputs` mono inputs `in-1`.., stereo inputs `pair-1`.. over the same wires, and a feed.
pub fn rig(inputs: u16) -> Rig {
    let from = |channels: Vec<u16>| InputFrom::Device { device: id("box"), channels };
    let mono = (0..inputs).map(|n| (format!("in-{}", n + 1), from(vec![n])));
    let pairs = (0..inputs / 2).map(|n| (format!("pair-{}", n + 1), from(vec![2 * n, 2 * n + 1])));
    Rig {
        rate: Some(RATE),
        clock: None,
        devices: vec![Device {
            id: id("box"),
            host: Host::Jack,
            identity: String::new(),
            period_frames: None,
            inputs,
            outputs: 2,
            link_inputs: vec![],
            link_outputs: vec![],
        }],
        inputs: mono.chain(pairs).map(|(name, from)| Input { id: id(&name), kind: InputKind::Line, from }).collect(),
        outputs: vec![Output { id: id("feed"), kind: OutputKind::Feed, device: id("box"), channels: vec![0, 1] }],
        contacts: vec![],
        console: longthrow::profile::RigConsole::default(),
        control_ports: vec![],
        network: Network {
            listen: "127.0.0.1:0".parse().expect("an address"),
            remotes: BTreeMap::new(),
            wired_control: vec![],
            followers: vec![],
        },
        storage: None,
        call: None,
    }
}

/// A profile from lines `channel.a.fader = -6.0` or `channel.a.switch = open`.
pub fn profile(name: &str, lines: &str) -> Profile {
    let mut values = BTreeMap::new();
    let mut channels: Vec<Channel> = Vec::new();
    let mut buses: Vec<Bus> = Vec::new();
    let mut gain_groups: Vec<GainGroup> = Vec::new();
    let bus = |name: &str| Bus { id: id(name), was: None, label: name.to_owned(), minus: None };
    buses.extend([bus("programme"), bus("audition")]);
    for line in lines.lines().map(str::trim).filter(|line| !line.is_empty()) {
        let (path, value) = line.split_once(" = ").expect("path = value");
        let address = Address::from_dotted(path).expect(path);
        let parsed = value.parse().map_or_else(|_| Value::Word(value.into()), Value::Number);
        let value = address.key.parameter().accept(&parsed).expect(line);
        let channel = Id::from(&*address.id);
        match path.split('.').next() {
            Some("channel") if !channels.iter().any(|known| known.id == channel) => {
                channels.push(Channel { id: channel, was: None, label: String::new() });
            }
            Some("gain-group") if !gain_groups.iter().any(|known| known.id == channel) => {
                gain_groups.push(GainGroup { id: channel, was: None, label: String::new(), members: vec![] });
            }
            Some("bus") if !buses.iter().any(|known| known.id == channel) => buses.push(bus(&channel)),
            _ => {}
        }
        values.insert(address, value);
    }
    Profile {
        name: name.to_owned(),
        channels,
        buses,
        gain_groups,
        moves: vec![],
        console: longthrow::profile::ShowConsole::default(),
        values,
    }
}

pub fn installation(inputs: u16, lines: &str) -> Installation {
    Installation { rig: rig(inputs), panel: Panel::default(), profile: profile("test", lines) }
}

pub fn set(path: &str, value: Value) -> Event {
    let by = By::Message { may_open_microphones: true };
    Event::Set { address: Address::from_dotted(path).expect(path), value, by }
}
