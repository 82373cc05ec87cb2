//! Why something is silent, lit, or does not obey: the path from the source to the output, and what blocks it.
//!
//! Along a channel: device, switch, fader, assignments, bus, output; and last the signal at its input, since silence there
//! is often only somebody who does not speak.

use super::status::{Facts, SILENT_DBFS};
use super::{Desk, hands};
use crate::panel::ControlIndex;
use crate::params::{Address, Key, Value, nearest};
use crate::profile::{Control, ControlKind, Id, InputFrom, Signal};
use serde::{Deserialize, Serialize};

/// A level from which on the path counts as closed, dB.
const CLOSED_DB: f32 = -60.0;

/// One element of a path.
#[derive(Clone, Debug, Serialize, Deserialize, PartialEq, Eq)]
pub struct Step {
    /// Which: `switch`, `bus programme`.
    pub element: String,
    /// How it stands.
    pub says: String,
    /// Whether it lets sound through, or does what it should.
    pub passes: bool,
}

/// Why something is as it is.
#[derive(Clone, Debug, Serialize, Deserialize, PartialEq, Eq)]
pub struct Why {
    /// What was asked for.
    pub path: String,
    /// The answer, in one sentence.
    pub sentence: String,
    /// The first element that blocks, if any.
    pub blocking: Option<String>,
    /// The whole path.
    pub steps: Vec<Step>,
}

/// A path being walked.
#[derive(Default)]
struct Walk(Vec<Step>);

impl Walk {
    fn step(&mut self, element: impl Into<String>, passes: bool, says: impl Into<String>) {
        self.0.push(Step { element: element.into(), says: says.into(), passes });
    }

    fn end(self, path: &str, fine: impl FnOnce() -> String) -> Why {
        let mut blocked = self.0.iter().filter(|step| !step.passes);
        let first = blocked.next();
        let also: Vec<&str> = blocked.map(|step| &*step.says).collect();
        let sentence = match first {
            None => fine(),
            Some(step) if also.is_empty() => format!("{path}: {}", step.says),
            Some(step) => format!("{path}: {}; and then {}", step.says, also.join(", ")),
        };
        Why { path: path.to_owned(), sentence, blocking: first.map(|step| step.element.clone()), steps: self.0 }
    }
}

impl Desk {
    /// Why what a path names is silent, lit, or does not obey. Accepted: a channel, bus, output or control, as
    /// `channel.lectern`, `/channel/lectern/fader` or the bare id.
    ///
    /// # Errors
    /// Nothing is called so; the nearest that is, in words.
    pub fn why(&self, path: &str, facts: &Facts) -> Result<Why, String> {
        let dotted = path.trim_matches('/').replace('/', ".");
        let (scope, rest) = dotted.split_once('.').map_or(("", &*dotted), |(scope, rest)| (scope, rest));
        let id = rest.split('.').next().unwrap_or_default();
        let is = |wanted: &str| scope == wanted || scope.is_empty();
        if is("channel") && self.channels().any(|channel| &*channel.id == id) {
            return Ok(self.why_channel(&dotted, &id.into(), facts));
        }
        if is("bus") && self.buses().any(|bus| &*bus.id == id) {
            let mut walk = Walk::default();
            self.walk_bus(id, facts, &mut walk);
            self.walk_members(id, facts, &mut walk);
            return Ok(walk.end(&dotted, || format!("{dotted}: it is heard, {:.0} dBFS", self.bus_peak(id, facts))));
        }
        if is("output") && self.rig().outputs.iter().any(|output| &*output.id == id) {
            return Ok(self.why_output(&dotted, id, facts));
        }
        // A control's OSC address is the control as well.
        let control = self.panel().controls.iter().position(|control| {
            (is("control") && &*control.id == id)
                || matches!(&control.message, crate::profile::Message::Osc { address, .. } if address == path)
        });
        if let Some(index) = control {
            return Ok(self.why_control(&dotted, ControlIndex(index), facts));
        }
        let channels = self.channels().map(|channel| format!("channel.{}", channel.id));
        let buses = self.buses().map(|bus| format!("bus.{}", bus.id));
        let outputs = self.rig().outputs.iter().map(|output| format!("output.{}", output.id));
        let controls = self.panel().controls.iter().map(|control| format!("control.{}", control.id));
        let all: Vec<String> = channels.chain(buses).chain(outputs).chain(controls).collect();
        let near = nearest(&dotted, all.iter().map(String::as_str))
            .or_else(|| all.iter().find(|name| nearest(id, name.split('.').skip(1)).is_some()).map(String::as_str));
        let hint = near.map(|near| format!("; the nearest is {near}")).unwrap_or_default();
        Err(format!("nothing is called \"{path}\"{hint}"))
    }

    fn why_channel(&self, path: &str, id: &Id, facts: &Facts) -> Why {
        let mut walk = Walk::default();
        let value = |key: Key| self.value(&Address::new(key, id));
        let input = self.input_of(id);
        match input.map(|input| (&input.id, &input.from)) {
            None => walk.step("source", false, "its source is no input of the rig: name one with its parameter source"),
            Some((input, InputFrom::Device { device, .. })) if self.away.contains(device) => walk.step(
                "device",
                false,
                format!("device {device}, which brings input {input}, is not there: look at its plug and power"),
            ),
            Some((input, InputFrom::Device { device, .. })) => {
                walk.step("device", true, format!("{device} brings input {input}"));
            }
            Some((input, _)) => walk.step("source", true, format!("it carries input {input}, which is made here")),
        }
        let trim = value(Key::ChannelTrim).map_or(0.0, |trim| trim.decibels().get());
        let switch = value(Key::ChannelSwitch).is_some_and(|switch| switch.is_word("open"));
        walk.step(
            "switch",
            switch,
            if switch { "its switch is open" } else { "its switch is closed: open it by hand" },
        );
        if let Some(says) = self.why_held_closed(id) {
            walk.step("held closed", false, says);
        }
        self.step_fader(&Address::new(Key::ChannelFader, id), "fader", facts, &mut walk);
        let assigned: Vec<&Id> = self
            .buses()
            .map(|bus| &bus.id)
            .filter(|bus| {
                self.value(&Address::with_further(Key::ChannelAssign, id, bus)).is_some_and(|value| value.is_word("on"))
            })
            .collect();
        let names: Vec<&str> = assigned.iter().map(|bus| &***bus).collect();
        if assigned.is_empty() {
            walk.step("assign", false, "it is assigned to no bus: set its assign.programme to on");
        } else {
            walk.step("assign", true, format!("it goes to {}", names.join(", ")));
        }
        // One way out is enough; with none, the programme's is told, or else that of the first.
        let ways: Vec<Walk> = assigned
            .iter()
            .map(|bus| {
                let mut way = Walk::default();
                self.walk_bus(bus, facts, &mut way);
                way
            })
            .collect();
        let programme = assigned.iter().position(|bus| &***bus == "programme").unwrap_or(0);
        let open = ways.iter().position(|way| way.0.iter().all(|step| step.passes));
        // Somebody who asks about a channel on air means the programme.
        let chosen = if assigned.iter().any(|bus| &***bus == "programme") { Some(programme) } else { open };
        if let Some(way) = ways.into_iter().nth(chosen.unwrap_or(programme)) {
            walk.0.extend(way.0);
        }
        if let Some(waiting) = self.pending.get(id).filter(|waiting| !waiting.is_empty()) {
            walk.step("profile", true, format!("{} values of the profile wait until it is closed", waiting.len()));
        }
        let closed = walk.0.iter().any(|step| !step.passes);
        if let Some(heard) = facts.heard.get(&format!("/meter/channel/{id}/input/peak")) {
            let name = input.map_or("", |input| &*input.id);
            if heard.sounds() {
                let after = heard.peak_dbfs + trim;
                let passes = after > SILENT_DBFS;
                let says = format!("its input {name} has {:.0} dBFS and its trim is {trim:.1} dB", heard.peak_dbfs);
                walk.step(if passes { "input" } else { "trim" }, passes, says);
            } else if !walk.0.iter().any(|step| step.element == "device" && !step.passes) {
                let says = format!(
                    "no signal arrives at input {name} ({:.0} dBFS): {}",
                    heard.peak_dbfs,
                    at_source(input.map(|input| &input.from))
                );
                walk.step("input", false, says);
            }
        }
        let live = self.is_open_on_air(id) && !closed;
        walk.end(path, || if live { format!("{path}: it is heard") } else { format!("{path}: nothing blocks it") })
    }

    /// A fader or level: off, far down, or waiting for its control.
    fn step_fader(&self, address: &Address, element: &str, facts: &Facts, walk: &mut Walk) {
        let Some(value) = self.value(address) else { return };
        let name = match address.key {
            Key::BusFader => format!("the fader of bus {}", address.id),
            Key::OutputLevel => format!("the level of output {}", address.id),
            _ => "its fader".to_owned(),
        };
        let mut says = match &value {
            Value::Off => format!("{name} is off"),
            value => format!("{name} is at {:.1} dB", value.decibels().get()),
        };
        let hands = self.hands.iter().filter(|(_, hand)| hand.moves.target == *address);
        let mut waits = false;
        for (control, _) in hands {
            let Some(at) = self.panel().controls.get(control.0) else { continue };
            if let Some(why) = facts.ports_away.get(&at.port) {
                says += &format!("; its control {} is not there ({why})", at.id);
            } else if let Some(way) = self.way_to_rejoin(*control) {
                waits = true;
                says += &format!("; {} is {way}", at.id);
            }
        }
        let passes = value != Value::Off && value.decibels().get() > CLOSED_DB;
        if !passes && !waits {
            says += ": raise it";
        }
        walk.step(element, passes, says);
    }

    /// From a bus to whatever carries it.
    fn walk_bus(&self, bus: &str, facts: &Facts, walk: &mut Walk) {
        self.step_fader(&Address::new(Key::BusFader, bus), &format!("bus {bus}"), facts, walk);
        let carriers: Vec<_> = self.rig().outputs.iter().filter(|output| self.carried(&output.id) == bus).collect();
        if carriers.is_empty() {
            walk.step("output", false, format!("no output carries bus {bus}: set the source of one to {bus}"));
            return;
        }
        let blocked: Vec<Option<String>> = carriers.iter().map(|output| self.output_blocked(output)).collect();
        if let Some(way) = blocked.iter().position(Option::is_none) {
            walk.step(format!("output {}", carriers[way].id), true, format!("output {} carries it", carriers[way].id));
        } else if let Some(Some(why)) = blocked.into_iter().next() {
            walk.step(format!("output {}", carriers[0].id), false, why);
        }
    }

    /// What sounds on a bus.
    fn walk_members(&self, bus: &str, facts: &Facts, walk: &mut Walk) {
        let on = |id: &Id| {
            self.value(&Address::with_further(Key::ChannelAssign, id, bus)).is_some_and(|value| value.is_word("on"))
        };
        let members: Vec<_> = self.channels().filter(|channel| on(&channel.id)).collect();
        let open: Vec<_> = members.iter().filter(|channel| self.is_open(&channel.id)).collect();
        let sounding = |id: &Id| {
            facts.heard.get(&format!("/meter/channel/{id}/after-fader/peak")).is_some_and(super::Heard::sounds)
        };
        if members.is_empty() {
            walk.step("channels", false, format!("no channel is assigned to bus {bus}"));
        } else if open.is_empty() {
            walk.step("channels", false, format!("none of its {} channels is open", members.len()));
        } else if open.iter().any(|channel| sounding(&channel.id)) {
            walk.step("channels", true, format!("{} of its channels are open", open.len()));
        } else {
            let ids: Vec<&str> = open.iter().map(|channel| &*channel.id).collect();
            walk.step("channels", false, format!("the channels that are open have no signal: {}", ids.join(", ")));
        }
    }

    fn why_output(&self, path: &str, id: &str, facts: &Facts) -> Why {
        let mut walk = Walk::default();
        if let Some(output) = self.rig().outputs.iter().find(|output| &*output.id == id) {
            if self.away.contains(&output.device) {
                let says = format!("device {} is not there: look at its plug and power", output.device);
                walk.step("device", false, says);
            } else {
                walk.step("device", true, format!("it hangs on device {}", output.device));
            }
            if let Some(says) = self.why_muted(id) {
                walk.step("muted", false, says);
            }
            self.step_fader(&Address::new(Key::OutputLevel, id), "level", facts, &mut walk);
            let bus = self.carried(id);
            self.step_fader(&Address::new(Key::BusFader, &bus), &format!("bus {bus}"), facts, &mut walk);
            self.walk_members(&bus, facts, &mut walk);
        }
        walk.end(path, || format!("{path}: it carries {} and is heard", self.carried(id)))
    }

    fn why_control(&self, path: &str, index: ControlIndex, facts: &Facts) -> Why {
        let mut walk = Walk::default();
        let Some(control) = self.panel().controls.get(index.0) else { return walk.end(path, String::new) };
        let away = facts.ports_away.get(&control.port);
        walk.step(
            format!("control port {}", control.port),
            away.is_none(),
            away.map_or_else(
                || format!("control port {} is there", control.port),
                |why| format!("control port {} is not there ({why})", control.port),
            ),
        );
        let targets: Vec<&Address> =
            self.hands.iter().filter(|(of, _)| *of == index).map(|(_, hand)| &hand.moves.target).collect();
        if targets.is_empty() {
            let says = format!("profile \"{}\" gives it nothing to {}", self.profile_name(), verb(control));
            walk.step("profile", false, says);
        }
        for target in targets {
            let value = self.value(target).map_or_else(String::new, |value| value.to_string());
            if control.kind == ControlKind::Lamp {
                let lit = self
                    .hands
                    .iter()
                    .find(|(of, _)| *of == index)
                    .and_then(|(_, hand)| hand.travel_of(&self.value(target)?));
                let word = if lit.is_some_and(|travel| travel.get() > 0.0) { "lit" } else { "dark" };
                walk.step("lamp", true, format!("it is {word} since {target} is {value}"));
            } else {
                let way = self.way_to_rejoin(index);
                let says = match &way {
                    Some(way) => format!("it moves {target}, which is {value}, and is {way}"),
                    None => format!("it moves {target}, which is {value}"),
                };
                walk.step(target.to_string(), way.is_none(), says);
            }
        }
        let last = walk.0.last().map(|step| step.says.clone()).unwrap_or_default();
        walk.end(path, || format!("{path}: {last}"))
    }

    /// What a fader or knob that waits has to do: `waiting: lower 12 mm`.
    pub(super) fn way_to_rejoin(&self, control: ControlIndex) -> Option<String> {
        let (_, hand) = self.hands.iter().find(|(of, _)| *of == control)?;
        if hand.joined || !matches!(hand.kind, ControlKind::Fader | ControlKind::Knob) {
            return None;
        }
        let at = self.panel().controls.get(control.0)?;
        let there = hand.travel_of(&self.value(&hand.moves.target)?)?;
        let Some(last) = hand.last else { return Some("waiting: its place is not known, move it once".to_owned()) };
        Some(format!("waiting: {}", way(at, last.get() - there.get())))
    }
}

/// The way back to the desk's value, by how much the control stands too high.
fn way(control: &Control, too_high: f32) -> String {
    let amount = too_high.abs();
    let far = match control.kind {
        ControlKind::Fader => format!("{:.0} mm", amount * control.travel_mm),
        _ => format!("{:.0} % of its turn", amount * 100.0),
    };
    if amount < hands::MET {
        "move it a little".to_owned()
    } else if too_high > 0.0 {
        format!("lower {far}")
    } else {
        format!("raise {far}")
    }
}

fn verb(control: &Control) -> &'static str {
    if control.kind == ControlKind::Lamp { "show" } else { "move" }
}

/// Where to look when an input is silent.
fn at_source(from: Option<&InputFrom>) -> &'static str {
    match from {
        Some(InputFrom::Device { .. }) => "look at the cable, the source and its own switch",
        Some(InputFrom::File { looped: false, .. }) => "its file has come to its end, is missing, or is silent",
        Some(InputFrom::File { .. }) => "its file is missing or silent",
        Some(InputFrom::Generator { signal: Signal::Silence, .. }) => "it is made of silence",
        _ => "it is turned down at its source",
    }
}
