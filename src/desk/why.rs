//! Why something is silent, lit, or does not obey: the path from the source to the output, and what blocks it.
//!
//! Along a channel: device, signal at its input, trim, gate, switch, fader, the other stages, balance, groups, bus, output.
//! An input that is soft and not dead comes last: it is often only somebody who does not speak.

use super::status::{Facts, FileTrouble, Heard, SILENT_DBFS};
use super::{Desk, hands};
use crate::dsp::level::db_from_linear;
use crate::dsp::pan::balance;
use crate::engine::Tap;
use crate::panel::ControlIndex;
use crate::params::{Address, CHANNEL_BANDS, Key, Value, nearest};
use crate::profile::{Bus, Control, ControlKind, Id, Input, InputFrom, Signal};
use crate::units::Pan;
use serde::{Deserialize, Serialize};

/// A level from which on the path counts as closed, dB.
const CLOSED_DB: f32 = -60.0;
/// No microphone in a room is as soft: nothing is plugged in, or nothing plays. Common practice, no source.
const DEAD_DBFS: f32 = -100.0;
/// What the pad takes off.
const PAD_DB: f32 = 20.0;

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

    fn passes(&self) -> bool {
        self.0.iter().all(|step| step.passes)
    }

    fn end(self, path: &str, fine: impl FnOnce() -> String) -> Why {
        let first = self.0.iter().find(|step| !step.passes);
        let sentence = first.map_or_else(fine, |step| format!("{path}: {}", step.says));
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
        if is("bus")
            && let Some(id) = self.buses().map(|bus| &bus.id).find(|bus| &***bus == id)
        {
            let mut walk = Walk::default();
            let sounds = self.walk_members(id, facts, &mut walk);
            self.walk_bus(id, facts, &mut walk);
            walk.0.extend(sounds);
            return Ok(walk.end(&dotted, || match self.ears() {
                Some(none) => format!("{dotted}: nothing blocks it; {none}"),
                None => format!("{dotted}: it is heard, {:.0} dBFS", self.bus_peak(id, facts)),
            }));
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

    /// What is said of a rig without outputs: no fault of what was asked about, and nothing to hear it by.
    fn ears(&self) -> Option<&'static str> {
        self.rig().outputs.is_empty().then_some("to hear it the rig needs an [output.ID]")
    }

    fn why_channel(&self, path: &str, id: &Id, facts: &Facts) -> Why {
        let mut walk = Walk::default();
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
        if let Some(second) = self.second_source(id) {
            let says = if self.carries_second(id) {
                format!("its second source, {}, is selected: source-select a goes back to the first", second.id)
            } else {
                format!("its first source is selected: source-select b is for {}", second.id)
            };
            walk.step("source-select", true, says);
        }
        let heard = facts.heard.get(&format!("/meter/channel/{id}/input/peak")).zip(input).filter(|_| walk.passes());
        let mut soft = None;
        let sounds =
            heard.is_some_and(|(heard, input)| self.walk_input(id, input, *heard, facts, &mut walk, &mut soft));

        let ways: Vec<&Bus> = self.buses().filter(|bus| self.gives(id, &bus.id)).collect();
        let direct = |bus: &&Bus| self.stands_on(&Address::with_further(Key::ChannelAssign, id, &bus.id));
        let behind = |tap: Tap| ways.iter().any(|bus| direct(bus) || self.send_tap(id, &bus.id) == tap);
        if ways.is_empty() || behind(Tap::AfterFader) || behind(Tap::PreFader) {
            let open = self.stands_on(&Address::new(Key::ChannelSwitch, id));
            walk.step(
                "switch",
                open,
                if open { "its switch is open" } else { "its switch is closed: open it by hand" },
            );
        }
        if let Some(says) = self.why_held_closed(id) {
            walk.step("held closed", false, says);
        }
        if ways.is_empty() || behind(Tap::AfterFader) {
            self.step_fader(&Address::new(Key::ChannelFader, id), "fader", facts, &mut walk);
            if let Some((heard, input)) = heard.filter(|_| sounds && walk.passes()) {
                self.walk_strip(id, &input.id, *heard, facts, &mut walk);
            }
        }
        let names: Vec<&str> = ways.iter().map(|bus| &*bus.id).collect();
        if names.is_empty() {
            walk.step("assign", false, "it is assigned to no bus: set its assign.programme to on");
        } else {
            walk.step("assign", true, format!("it goes to {}", names.join(", ")));
        }
        // One way out is enough; with none, the programme's is told, or else that of the first.
        let programme = ways.iter().position(|bus| &*bus.id == "programme");
        let mut walks: Vec<Walk> = ways
            .iter()
            .map(|bus| {
                let mut way = Walk::default();
                if !direct(bus) {
                    let level = self.send_level(id, &bus.id).decibels().get();
                    let says = format!("its send to {} is at {level:.1} dB", bus.id);
                    way.step(format!("send {}", bus.id), level > CLOSED_DB, says);
                }
                self.walk_bus(&bus.id, facts, &mut way);
                way
            })
            .collect();
        // Somebody who asks about a channel on air means the programme.
        if let Some(way) =
            programme.or_else(|| walks.iter().position(Walk::passes)).or((!walks.is_empty()).then_some(0))
        {
            walk.0.append(&mut walks[way].0);
        }
        if let Some(waiting) = self.pending.get(id).filter(|waiting| !waiting.is_empty()) {
            walk.step("profile", true, format!("{} values of the profile wait until it is closed", waiting.len()));
        }
        walk.0.extend(soft);
        let live = self.is_open_on_air(id);
        walk.end(path, || match self.ears() {
            Some(none) => format!("{path}: nothing blocks it; {none}"),
            None if live => format!("{path}: it is heard"),
            None => format!("{path}: nothing blocks it"),
        })
    }

    /// Whether a switch is open, or an assignment on.
    fn stands_on(&self, address: &Address) -> bool {
        self.value(address).is_some_and(|value| value.is_word("on") || value.is_word("open"))
    }

    /// What arrives, and what trim and gate leave of it; whether there is anything to follow further. What is soft and not
    /// dead is put into `soft`.
    fn walk_input(
        &self,
        id: &Id,
        input: &Input,
        heard: Heard,
        facts: &Facts,
        walk: &mut Walk,
        soft: &mut Option<Step>,
    ) -> bool {
        let number = |key: Key| self.held(key, id).decibels().get();
        let (trim, pad) = self.level_keys(id);
        let (trim, pad) = (number(trim), self.stands_on(&Address::new(pad, id)));
        // The meter stands behind both.
        let now = heard.peak_dbfs;
        let arrives = now - trim + if pad { PAD_DB } else { 0.0 };
        let (name, sounds) = (&input.id, heard.sounds() || arrives > SILENT_DBFS);
        if let InputFrom::File { path, looped, .. } = &input.from {
            let file = path.file_name().unwrap_or(path.as_os_str()).to_string_lossy();
            match facts.files.get(path) {
                Some(FileTrouble::Unreadable(why)) => {
                    walk.step("input", false, format!("the file of input {name} cannot be played: {why}"));
                    return false;
                }
                _ if !looped && !self.is_open(id) => {
                    walk.step("input", true, format!("{file} starts when the channel is opened"));
                    return false;
                }
                Some(FileTrouble::Ended) if arrives <= SILENT_DBFS => {
                    let says =
                        format!("{file} of input {name} has come to its end: close the channel and open it again");
                    walk.step("input", false, says);
                    return false;
                }
                _ => {}
            }
        }
        if !sounds {
            let look = at_source(&input.from);
            let says = format!("no signal arrives at input {name} ({arrives:.0} dBFS): {look}");
            if arrives <= DEAD_DBFS {
                walk.step("input", false, says);
            } else {
                *soft = Some(Step { element: "input".to_owned(), says, passes: false });
            }
            return false;
        }
        walk.step("input", true, format!("input {name} has {arrives:.0} dBFS"));
        let gain = format!("{}trim at {trim:.1} dB", if pad { "pad on and " } else { "" });
        if now <= SILENT_DBFS && !heard.sounds() {
            let says = format!("its {gain} brings input {name} from {arrives:.0} to {now:.0} dBFS: raise it");
            walk.step("trim", false, says);
            return false;
        }
        walk.step("trim", true, format!("its {gain} makes it {now:.0} dBFS"));
        if self.stands_on(&Address::new(Key::ChannelGate, id)) {
            let threshold = number(Key::ChannelGateThreshold);
            // As the stage's own curve has it, for what is below the threshold.
            let below = (threshold - now).max(0.0) * (number(Key::ChannelGateRatio) - 1.0);
            let closes = below.min(number(Key::ChannelGateRange));
            if now > SILENT_DBFS && now - closes <= SILENT_DBFS {
                let says = format!("its gate stays closed: {now:.0} dBFS is below its threshold of {threshold:.0} dB");
                walk.step("gate", false, says);
                return false;
            }
            walk.step("gate", true, format!("its gate takes {closes:.0} dB"));
        }
        now > SILENT_DBFS
    }

    /// What fader, filters and balance leave of a channel that has a signal and is open.
    fn walk_strip(&self, id: &Id, input: &Id, heard: Heard, facts: &Facts, walk: &mut Walk) {
        let (trim, fader) = {
            let number = |key: Key| self.held(key, id).decibels().get();
            (number(self.level_keys(id).0), number(Key::ChannelFader))
        };
        let expected = heard.peak_dbfs + fader;
        if expected <= SILENT_DBFS {
            let says = format!(
                "its fader at {fader:.1} dB and its trim of {trim:.1} dB leave {expected:.0} dBFS of input {input}"
            );
            walk.step("fader", false, says + ": raise them");
            return;
        }
        let Some(after) = facts.heard.get(&format!("/meter/channel/{id}/after-fader/peak")) else { return };
        if after.peak_dbfs <= SILENT_DBFS && !after.sounds() {
            let stages = self.filters(id);
            if !stages.is_empty() {
                let says =
                    format!("its {} takes all but {:.0} dBFS: turn it off", stages.join(" or its "), after.peak_dbfs);
                walk.step(stages[0], false, says);
            }
            return;
        }
        let pan = match self.held(Key::ChannelPan, id) {
            Value::Number(pan) => Pan::try_new(pan).unwrap_or(Pan::CENTRE),
            _ => Pan::CENTRE,
        };
        if let Some(sides) = after.sides_dbfs {
            let [left, right] = balance(pan).map(db_from_linear);
            let kept = (sides[0] + left).max(sides[1] + right);
            let (to, from) = if left > right { ("left", "right") } else { ("right", "left") };
            if kept <= SILENT_DBFS && sides[0].max(sides[1]) > SILENT_DBFS {
                let says =
                    format!("its balance is on the {to}, and input {input} sounds on the {from} only: turn pan back");
                walk.step("pan", false, says);
            }
        }
    }

    /// The stages of a channel that can take a whole signal away.
    fn filters(&self, id: &Id) -> Vec<&'static str> {
        let shaped = |key: Key| ["pass", "notch"].iter().any(|shape| self.held(key, id).is_word(shape));
        let on = |key: Key| self.stands_on(&Address::new(key, id));
        let mut stages = Vec::new();
        if on(Key::ChannelHighPass) {
            stages.push("high-pass");
        }
        if on(Key::ChannelEqualiser)
            && CHANNEL_BANDS.iter().any(|band| shaped(band.shape) || self.held(band.gain, id) != Value::Number(0.0))
        {
            stages.push("equaliser");
        }
        stages
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

    /// From a bus to whatever carries it: an output, or a bus that it is a group of.
    fn walk_bus(&self, bus: &Id, facts: &Facts, walk: &mut Walk) {
        self.step_fader(&Address::new(Key::BusFader, bus), &format!("bus {bus}"), facts, walk);
        if let Some(none) = self.ears() {
            walk.step("output", true, none);
            return;
        }
        let carriers: Vec<_> = self.rig().outputs.iter().filter(|output| self.carried(&output.id) == **bus).collect();
        let blocked: Vec<Option<String>> = carriers.iter().map(|output| self.output_blocked(output)).collect();
        if let Some(way) = blocked.iter().position(Option::is_none) {
            walk.step(format!("output {}", carriers[way].id), true, format!("output {} carries it", carriers[way].id));
            return;
        }
        let onward = |to: &&Bus| to.id != *bus && self.stands_on(&Address::with_further(Key::BusAssign, bus, &to.id));
        let mut groups: Vec<Walk> = Vec::new();
        for to in self.buses().filter(onward) {
            let mut way = Walk::default();
            way.step(format!("assign of bus {bus}"), true, format!("bus {bus} goes to {}", to.id));
            self.walk_bus(&to.id, facts, &mut way);
            groups.push(way);
        }
        let way = groups.iter().position(Walk::passes);
        if let Some(Some(why)) = blocked.into_iter().next().filter(|_| way.is_none()) {
            walk.step(format!("output {}", carriers[0].id), false, why);
        } else if groups.is_empty() {
            walk.step("output", false, format!("no output carries bus {bus}: set the source of one to {bus}"));
        } else {
            walk.0.append(&mut groups[way.unwrap_or(0)].0);
        }
    }

    /// Whether anything of a channel comes to a bus: itself, by groups that are not down, or by what a mix-minus is of.
    fn reaches(&self, channel: &Id, bus: &Id, only_open: bool) -> bool {
        if let Some(minus) = self.minus_of(bus) {
            let of = std::iter::once(&minus.of).chain(&minus.off_air);
            return !minus.less.contains(channel)
                && of.into_iter().any(|of| of != bus && self.reaches(channel, of, only_open));
        }
        self.gives(channel, bus)
            || self.buses().any(|group| {
                group.id != *bus
                    && self.stands_on(&Address::with_further(Key::BusAssign, &group.id, bus))
                    && (!only_open || self.held(Key::BusFader, &group.id).decibels().get() > CLOSED_DB)
                    && self.reaches(channel, &group.id, only_open)
            })
    }

    /// What comes to a bus. What it says of channels that are closed or silent now is given back: it is no fault, and told last.
    fn walk_members(&self, bus: &Id, facts: &Facts, walk: &mut Walk) -> Option<Step> {
        let all = || self.channels().map(|channel| &channel.id);
        if !all().any(|channel| self.reaches(channel, bus, false)) {
            walk.step("channels", false, format!("no channel is assigned to bus {bus}"));
            return None;
        }
        let members: Vec<&Id> = all().filter(|channel| self.reaches(channel, bus, true)).collect();
        if members.is_empty() {
            let down = |group: &&Bus| {
                group.id != *bus
                    && self.held(Key::BusFader, &group.id).decibels().get() <= CLOSED_DB
                    && all().any(|channel| self.reaches(channel, &group.id, false) && self.reaches(channel, bus, false))
            };
            let groups: Vec<&str> = self.buses().filter(down).map(|group| &*group.id).collect();
            let says = format!("what goes to bus {bus} comes by {}, which is down: raise its fader", groups.join(", "));
            walk.step("groups", false, says);
            return None;
        }
        let open: Vec<&str> =
            members.iter().filter(|channel| self.is_open(channel)).map(|channel| &***channel).collect();
        let sounding =
            |id: &&str| facts.heard.get(&format!("/meter/channel/{id}/after-fader/peak")).is_some_and(Heard::sounds);
        let (says, passes) = match &open[..] {
            [] => {
                (format!("none of the channels of bus {bus} is open: {}", few(members.iter().map(|id| &***id))), false)
            }
            open if open.iter().any(sounding) => (format!("open on it: {}", few(open.iter().copied())), true),
            open => (format!("the channels that are open have no signal: {}", few(open.iter().copied())), false),
        };
        Some(Step { element: "channels".to_owned(), says, passes })
    }

    fn why_output(&self, path: &str, id: &str, facts: &Facts) -> Why {
        let mut walk = Walk::default();
        if let Some(output) = self.rig().outputs.iter().find(|output| &*output.id == id) {
            let bus: Id = self.carried(id).into();
            let sounds = self.walk_members(&bus, facts, &mut walk);
            self.step_fader(&Address::new(Key::BusFader, &bus), &format!("bus {bus}"), facts, &mut walk);
            self.step_fader(&Address::new(Key::OutputLevel, id), "level", facts, &mut walk);
            if self.away.contains(&output.device) {
                let says = format!("device {} is not there: look at its plug and power", output.device);
                walk.step("device", false, says);
            } else {
                walk.step("device", true, format!("it hangs on device {}", output.device));
            }
            if let Some(says) = self.why_muted(id) {
                walk.step("muted", false, says);
            }
            walk.0.extend(sounds);
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

/// The first of several names.
pub(super) fn few<'n>(names: impl ExactSizeIterator<Item = &'n str>) -> String {
    const SHOWN: usize = 4;
    let more = names.len().saturating_sub(SHOWN);
    let shown: Vec<&str> = names.take(SHOWN).collect();
    if more > 0 { format!("{} and {more} more", shown.join(", ")) } else { shown.join(", ") }
}

/// Where to look when an input is silent.
fn at_source(from: &InputFrom) -> &'static str {
    match from {
        InputFrom::Device { .. } => "look at the cable, the source and its own switch",
        InputFrom::File { .. } => "its file is silent here",
        InputFrom::Generator { signal: Signal::Silence, .. } => "it is made of silence",
        InputFrom::Generator { .. } => "it is turned down at its source",
    }
}
