//! Why something is silent, lit, or does not obey: the path from the source to the output, and what blocks it.
//!
//! Along a channel: device, signal at its input, trim, gate, switch, gain groups, fader, the other stages, balance, groups, bus,
//! muted room, output. What is soft and not dead comes last: an input, which is often only somebody who does not speak, or what trim
//! and fader leave of one. What is asked of gain groups, rooms, talkbacks and controls is in `why/console.rs`, of tallies, listening
//! and values that are refused in `why/values.rs`; every text is in `words.rs`.

mod console;
mod values;

use super::Desk;
use super::aims::PAD;
use super::status::{Facts, FileTrouble, Heard, SILENT_DBFS};
use crate::dsp::level::db_from_linear;
use crate::dsp::pan::balance;
use crate::engine::Tap;
use crate::panel::ControlIndex;
use crate::params::{Address, BUS_BANDS, CHANNEL_BANDS, Key, Value, nearest};
use crate::profile::{Bus, Id, Input, InputFrom, Minus, Output, Signal};
use crate::units::Pan;
use crate::words::why as words;
use serde::{Deserialize, Serialize};

/// A level from which on the path counts as closed, dB.
const CLOSED_DB: f32 = -60.0;
/// No microphone in a room is as soft: nothing is plugged in, or nothing plays. Common practice, no source.
const DEAD_DBFS: f32 = -100.0;
/// Beside others nobody hears what stays below, 27 dB and more under the alignment level. Common practice, no source.
const SOFT_DBFS: f32 = -45.0;
/// So much is taken off by mistake when little is left: what a pad takes. No source.
const MUCH_DB: f32 = 20.0;

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
        let sentence = words::sentence(path, &first.map_or_else(fine, |step| step.says.clone()));
        Why { path: path.to_owned(), sentence, blocking: first.map(|step| step.element.clone()), steps: self.0 }
    }
}

impl Desk {
    /// Why what a path names is silent, lit, or does not obey. Accepted: an input, channel, bus, output, gain group, room,
    /// talkback, contact or control, as `channel.lectern`, `/channel/lectern/fader` or the bare id.
    ///
    /// # Errors
    /// Nothing is called so; the nearest that is, in words.
    pub fn why(&self, path: &str, facts: &Facts) -> Result<Why, String> {
        let dotted = path.trim_matches('/').replace('/', ".");
        let (scope, rest) = dotted.split_once('.').map_or(("", &*dotted), |(scope, rest)| (scope, rest));
        let id = rest.split('.').next().unwrap_or_default();
        let is = |wanted: &str| scope == wanted || scope.is_empty();
        if let Some(why) = self.why_of_value(&dotted, facts) {
            return Ok(why);
        }
        if is("channel") && self.channels().any(|channel| &*channel.id == id) {
            return Ok(self.why_channel(&dotted, &id.into(), facts));
        }
        if is("bus")
            && let Some(id) = self.buses().map(|bus| &bus.id).find(|bus| &***bus == id)
        {
            let mut walk = Walk::default();
            let sounds = self.walk_members(id, facts, &mut walk);
            self.walk_bus(id, sounds.as_ref().is_some_and(|step| step.passes), facts, &mut walk);
            walk.0.extend(sounds);
            return Ok(walk.end(&dotted, || match self.ears() {
                Some(none) => words::nothing_blocks(Some(none)),
                None => words::heard_at(self.bus_peak(id, facts)),
            }));
        }
        if is("output") && self.rig().outputs.iter().any(|output| &*output.id == id) {
            return Ok(self.why_output(&dotted, id, facts));
        }
        if let Some(why) = self.why_of_console(scope, id, &dotted, facts) {
            return Ok(why);
        }
        // A control's OSC address is the control as well.
        let control = self.panel().controls.iter().position(|control| {
            (is("control") && &*control.id == id)
                || matches!(&control.message, crate::profile::Message::Osc { address, .. } if address == path)
        });
        if let Some(index) = control {
            return Ok(self.why_control(&dotted, ControlIndex(index), facts));
        }
        // Any other parameter stands where somebody put it.
        if let Some(value) = Address::from_dotted(&dotted).ok().and_then(|address| self.value(&address)) {
            let mut walk = Walk::default();
            walk.step("value", true, words::stands(&value));
            return Ok(walk.end(&dotted, || words::stands(&value)));
        }
        let channels = self.channels().map(|channel| format!("channel.{}", channel.id));
        let buses = self.buses().map(|bus| format!("bus.{}", bus.id));
        let outputs = self.rig().outputs.iter().map(|output| format!("output.{}", output.id));
        let controls = self.panel().controls.iter().map(|control| format!("control.{}", control.id));
        let groups = self.gain_groups().map(|group| format!("gain-group.{}", group.id));
        let rooms = self.rig().console.rooms.iter().map(|room| format!("room.{}", room.id));
        let talkbacks = self.talkbacks().iter().map(|talkback| format!("talkback.{}", talkback.id));
        let inputs = self.rig().inputs.iter().map(|input| format!("input.{}", input.id));
        let contacts = self.rig().contacts.iter().map(|contact| format!("contact.{}", contact.id));
        let console = groups.chain(rooms).chain(talkbacks).chain(inputs).chain(contacts);
        let all: Vec<String> = channels.chain(buses).chain(outputs).chain(console).chain(controls).collect();
        let near = nearest(&dotted, all.iter().map(String::as_str))
            .or_else(|| all.iter().find(|name| nearest(id, name.split('.').skip(1)).is_some()).map(String::as_str));
        Err(words::nothing_called(path, near))
    }

    /// What is said of a rig without outputs: no fault of what was asked about, and nothing to hear it by.
    fn ears(&self) -> Option<&'static str> {
        self.rig().outputs.is_empty().then_some(words::NO_OUTPUTS)
    }

    fn why_channel(&self, path: &str, id: &Id, facts: &Facts) -> Why {
        let mut walk = Walk::default();
        let input = self.input_of(id);
        self.walk_source(input, &mut walk);
        if let Some(second) = self.second_source(id) {
            let says = if self.carries_second(id) {
                words::second_selected(&second.id)
            } else {
                words::first_selected(&second.id)
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
            walk.step("switch", open, if open { words::SWITCH_OPEN } else { words::SWITCH_CLOSED });
        }
        if let Some(says) = self.why_held_closed(id) {
            walk.step("held closed", false, says);
        }
        // A send from before the switch passes gain groups by.
        if ways.is_empty() || behind(Tap::AfterFader) || behind(Tap::PreFader) {
            self.walk_gain_groups(id, facts, &mut walk);
        }
        if ways.is_empty() || behind(Tap::AfterFader) {
            self.step_fader(&Address::new(Key::ChannelFader, id), "fader", facts, &mut walk);
            if let Some((heard, input)) = heard.filter(|_| sounds && walk.passes()) {
                self.walk_strip(id, &input.id, *heard, facts, &mut walk, &mut soft);
            }
        }
        let names: Vec<&str> = ways.iter().map(|bus| &*bus.id).collect();
        if names.is_empty() {
            walk.step("assign", false, words::NO_BUS);
        } else {
            walk.step("assign", true, words::goes_to(&names.join(", ")));
        }
        // What a bus makes of it is asked of a channel that is heard behind its fader.
        let after = facts.heard.get(&format!("/meter/channel/{id}/after-fader/peak"));
        let plays = walk.passes() && after.is_some_and(Heard::sounds);
        // One way out is enough; with none, the programme's is told, or else that of the first.
        let programme = ways.iter().position(|bus| &*bus.id == "programme");
        let mut walks: Vec<Walk> = ways
            .iter()
            .map(|bus| {
                let mut way = Walk::default();
                let mut level = 0.0;
                if !direct(bus) {
                    level = self.send_level(id, &bus.id).decibels().get();
                    way.step(format!("send {}", bus.id), level > CLOSED_DB, words::send_at(&bus.id, level));
                }
                if let Some(after) = after.filter(|_| plays) {
                    self.step_gives_way(&bus.id, after.peak_dbfs + level, &mut way);
                }
                self.walk_bus(&bus.id, plays && direct(bus), facts, &mut way);
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
            walk.step("profile", true, words::values_wait(waiting.len()));
        }
        walk.0.extend(soft);
        let live = self.is_open_on_air(id);
        let left_over = self.left_over().iter().any(|channel| channel.id == *id);
        walk.end(path, || match self.ears() {
            Some(none) => words::nothing_blocks(Some(none)),
            None if left_over => words::left_over(self.profile_name()),
            None if live => words::HEARD.to_owned(),
            None => words::nothing_blocks(None),
        })
    }

    /// Where a channel's or talkback's sound comes from, and whether that is there.
    fn walk_source(&self, input: Option<&Input>, walk: &mut Walk) {
        match input.map(|input| (&input.id, &input.from)) {
            None => walk.step("source", false, words::NO_INPUT),
            Some((input, InputFrom::Device { device, .. })) => {
                let there = !self.away.contains(device);
                walk.step(
                    "device",
                    there,
                    words::device_of_input(device, input, (!there).then(|| self.without(device))),
                );
            }
            Some((input, _)) => walk.step("source", true, words::made_here(input)),
        }
    }

    /// Whether a switch is open, or an assignment on.
    fn stands_on(&self, address: &Address) -> bool {
        self.value(address).is_some_and(|value| value.is_word("on") || value.is_word("open"))
    }

    /// What arrives at the input that a channel carries, in dBFS; nothing when there is nothing to follow further. What is soft
    /// and not dead is put into `soft`.
    fn walk_signal(
        &self,
        id: &Id,
        input: &Input,
        heard: Heard,
        facts: &Facts,
        walk: &mut Walk,
        soft: &mut Option<Step>,
    ) -> Option<f32> {
        let (trim, pad) = self.level_keys(id);
        // The meter stands behind both.
        let pad = if self.stands_on(&Address::new(pad, id)) { db_from_linear(PAD) } else { 0.0 };
        let arrives = heard.peak_dbfs - self.held(trim, id).decibels().get() - pad;
        let (name, sounds) = (&input.id, heard.sounds() || arrives > SILENT_DBFS);
        if let InputFrom::File { path, looped, .. } = &input.from {
            let file = path.file_name().unwrap_or(path.as_os_str()).to_string_lossy();
            match facts.files.get(path) {
                Some(FileTrouble::Unreadable(why)) => {
                    walk.step("input", false, words::file_unreadable(name, why));
                    return None;
                }
                _ if !looped && !self.is_open(id) => {
                    walk.step("input", true, words::file_starts(&file));
                    return None;
                }
                Some(FileTrouble::Ended) if arrives <= SILENT_DBFS => {
                    walk.step("input", false, words::file_ended(&file, name));
                    return None;
                }
                _ => {}
            }
        }
        if !sounds {
            let says = words::no_signal(name, arrives, at_source(&input.from));
            if arrives <= DEAD_DBFS {
                walk.step("input", false, says);
            } else {
                *soft = Some(Step { element: "input".to_owned(), says, passes: false });
            }
            return None;
        }
        walk.step("input", true, words::input_has(name, arrives));
        Some(arrives)
    }

    /// What arrives, and what trim and gate leave of it; whether there is anything to follow further.
    fn walk_input(
        &self,
        id: &Id,
        input: &Input,
        heard: Heard,
        facts: &Facts,
        walk: &mut Walk,
        soft: &mut Option<Step>,
    ) -> bool {
        let Some(arrives) = self.walk_signal(id, input, heard, facts, walk, soft) else { return false };
        let number = |key: Key| self.held(key, id).decibels().get();
        let now = heard.peak_dbfs;
        let (trim, pad) = self.level_keys(id);
        let pad = self.stands_on(&Address::new(pad, id)).then_some(pad.parameter().word);
        let trim = (trim.parameter().word, number(trim));
        let takes = || words::trim_takes(pad, trim, &input.id, arrives, now);
        if now <= SILENT_DBFS && !heard.sounds() {
            walk.step("trim", false, takes());
            return false;
        }
        if heard.loudest_dbfs <= SOFT_DBFS && arrives - now >= MUCH_DB {
            *soft = Some(Step { element: "trim".to_owned(), says: takes(), passes: false });
        }
        walk.step("trim", true, words::trim_makes(pad, trim, now));
        if self.stands_on(&Address::new(Key::ChannelGate, id)) {
            let threshold = number(Key::ChannelGateThreshold);
            // As the stage's own curve has it, for what is below the threshold.
            let below = (threshold - now).max(0.0) * (number(Key::ChannelGateRatio) - 1.0);
            let closes = below.min(number(Key::ChannelGateRange));
            if now > SILENT_DBFS && now - closes <= SILENT_DBFS {
                walk.step("gate", false, words::gate_closed(now, threshold));
                return false;
            }
            walk.step("gate", true, words::gate_takes(closes));
        }
        now > SILENT_DBFS
    }

    /// What fader, filters and balance leave of a channel that has a signal and is open.
    fn walk_strip(&self, id: &Id, input: &Id, heard: Heard, facts: &Facts, walk: &mut Walk, soft: &mut Option<Step>) {
        let (trim, fader) = {
            let number = |key: Key| self.held(key, id).decibels().get();
            (number(self.level_keys(id).0), number(Key::ChannelFader))
        };
        let groups = self.gain_groups_of(id).map(|group| self.held(Key::GroupFader, &group.id).decibels().get());
        let groups: f32 = groups.filter(|db| db.is_finite()).sum();
        let expected = heard.loudest_dbfs + fader + groups;
        if expected <= SILENT_DBFS || expected <= SOFT_DBFS && -(trim + fader + groups) >= MUCH_DB {
            let names: Vec<&str> = self.gain_groups_of(id).map(|group| &*group.id).collect();
            let groups = (!names.is_empty()).then(|| (names.join(", "), groups));
            let says = words::gains_leave(fader, trim, groups, expected, input);
            if expected <= SILENT_DBFS {
                walk.step("fader", false, says);
                return;
            }
            soft.get_or_insert(Step { element: "fader".to_owned(), says, passes: false });
        }
        let Some(after) = facts.heard.get(&format!("/meter/channel/{id}/after-fader/peak")) else { return };
        if after.peak_dbfs <= SILENT_DBFS && !after.sounds() {
            let stages = self.takers(id);
            if let Some(first) = stages.first() {
                walk.step(first, false, words::stages_take(&stages, after.peak_dbfs));
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
                walk.step("pan", false, words::balance_away(to, from, input));
            }
        }
    }

    /// The stages of a channel that can take a whole signal away, and the voices for which it gives way.
    fn takers(&self, id: &Id) -> Vec<String> {
        let shaped = |key: Key| ["pass", "notch"].iter().any(|shape| self.held(key, id).is_word(shape));
        let on = |key: Key| self.stands_on(&Address::new(key, id));
        let mut stages = Vec::new();
        if on(Key::ChannelHighPass) {
            stages.push("high-pass".to_owned());
        }
        if on(Key::ChannelEqualiser)
            && CHANNEL_BANDS.iter().any(|band| shaped(band.shape) || self.held(band.gain, id) != Value::Number(0.0))
        {
            stages.push("equaliser".to_owned());
        }
        if on(Key::ChannelCompressor) {
            stages.push("compressor".to_owned());
        }
        stages.extend(self.ducked_under(Key::ChannelDuckingUnder, id));
        if on(Key::ChannelSharing)
            && let Some(group) = self.group_named(Key::ChannelSharingGroup, id)
            && self.voices_of(&group).any(|other| other != id)
        {
            stages.push(words::sharing(&group));
        }
        stages
    }

    /// The sharing group that a parameter names.
    fn group_named(&self, key: Key, id: &Id) -> Option<Id> {
        match self.held(key, id) {
            Value::Word(group) if &*group != "off" => Some(Id::from(&*group)),
            _ => None,
        }
    }

    /// Open channels of a sharing group.
    fn voices_of<'d>(&'d self, group: &'d str) -> impl Iterator<Item = &'d Id> {
        let channels = self.channels().map(|channel| &channel.id);
        channels.filter(move |id| self.is_open(id) && self.held(Key::ChannelSharingGroup, id).is_word(group))
    }

    /// The ducking of a channel or bus while any of the voices is open for which it makes room.
    fn ducked_under(&self, key: Key, id: &Id) -> Option<String> {
        let group = self.group_named(key, id)?;
        self.voices_of(&group).next().map(|_| words::ducking(&group))
    }

    /// What a bus does to a channel while a talkback speaks to it.
    fn step_gives_way(&self, bus: &Id, dbfs: f32, walk: &mut Walk) {
        let left = dbfs + db_from_linear(self.dip_of(bus));
        let spoken = |to: &[String]| to.iter().any(|to| **to == **bus);
        let talkbacks = self.talkbacks().iter().filter(|talkback| spoken(&self.speaks_to(talkback)));
        let talkbacks: Vec<&str> = talkbacks.map(|talkback| &*talkback.id).collect();
        if left < dbfs && !talkbacks.is_empty() {
            let says = words::gives_way(bus, &talkbacks.join(", "), left);
            walk.step(format!("talkback {}", talkbacks.join(", ")), left > SILENT_DBFS, says);
        }
    }

    /// A fader or level: off, far down, or waiting for its control.
    fn step_fader(&self, address: &Address, element: &str, facts: &Facts, walk: &mut Walk) {
        let Some(value) = self.value(address) else { return };
        let name = match address.key {
            Key::BusFader => words::fader_of_bus(&address.id),
            Key::OutputLevel => words::level_of_output(&address.id),
            Key::GroupFader => words::fader_of_gain_group(&address.id),
            _ => words::ITS_FADER.to_owned(),
        };
        let mut says = words::stands_at(&name, (value != Value::Off).then(|| value.decibels().get()));
        let hands = self.hands.iter().filter(|(_, hand)| hand.moves.target == *address);
        let mut waits = false;
        for (control, _) in hands {
            let Some(at) = self.panel().controls.get(control.0) else { continue };
            if let Some(why) = facts.ports_away.get(&at.port) {
                says += &words::control_away(&at.id, why);
            } else if let Some(way) = self.way_to_rejoin(*control) {
                waits = true;
                says += &words::control_waits(&at.id, &way);
            }
        }
        let passes = value != Value::Off && value.decibels().get() > CLOSED_DB;
        if !passes && !waits {
            says += words::RAISE_IT;
        }
        walk.step(element, passes, says);
    }

    /// Why an output gives nothing of what it carries, if so: muted for a microphone, device away, level down.
    fn output_stopped(&self, output: &Output) -> Option<String> {
        self.why_muted(&output.id)
            .map(|why| words::output_muted(&output.id, &why))
            .or_else(|| self.output_blocked(output))
    }

    /// From a bus to whatever carries it: an output, or a bus that it is a group of. `plays`: what comes to it is heard.
    fn walk_bus(&self, bus: &Id, plays: bool, facts: &Facts, walk: &mut Walk) {
        self.step_fader(&Address::new(Key::BusFader, bus), &format!("bus {bus}"), facts, walk);
        let plays = plays && walk.passes() && self.bus_keeps(bus, facts, walk);
        if let Some(none) = self.ears() {
            walk.step("output", true, none);
            return;
        }
        let mut carriers: Vec<_> =
            self.rig().outputs.iter().filter(|output| self.carried(&output.id) == **bus).collect();
        // Whoever asks about what goes to listeners means them, and headphones of the house are no way to them.
        if carriers.iter().any(|output| output.is_feed()) {
            carriers.retain(|output| output.is_feed());
        }
        let blocked: Vec<Option<String>> = carriers.iter().map(|output| self.output_stopped(output)).collect();
        if let Some(way) = blocked.iter().position(Option::is_none) {
            walk.step(format!("output {}", carriers[way].id), true, words::carried_by(&carriers[way].id));
            return;
        }
        let onward = |to: &&Bus| to.id != *bus && self.stands_on(&Address::with_further(Key::BusAssign, bus, &to.id));
        let mut groups: Vec<Walk> = Vec::new();
        for to in self.buses().filter(onward) {
            let mut way = Walk::default();
            way.step(format!("assign {bus}"), true, words::bus_goes_to(bus, &to.id));
            self.walk_bus(&to.id, plays, facts, &mut way);
            groups.push(way);
        }
        let way = groups.iter().position(Walk::passes);
        if let Some(Some(why)) = blocked.into_iter().next().filter(|_| way.is_none()) {
            walk.step(format!("output {}", carriers[0].id), false, why);
        } else if groups.is_empty() {
            walk.step("output", false, words::no_output_carries(bus, self.is_mix_minus(bus)));
        } else {
            walk.0.append(&mut groups[way.unwrap_or(0)].0);
        }
    }

    /// Whether a bus gives on what comes to it: its stages and its fader together may leave nothing.
    fn bus_keeps(&self, bus: &Id, facts: &Facts, walk: &mut Walk) -> bool {
        let sides = ["left", "right"].map(|side| facts.heard.get(&format!("/meter/bus/{bus}/{side}/peak")));
        let mut known = sides.into_iter().flatten().peekable();
        if self.is_mix_minus(bus) || known.peek().is_none() || known.any(Heard::sounds) {
            return true;
        }
        let mut takers = Vec::new();
        let is_on = |key: Key| self.stands_on(&Address::new(key, bus));
        if is_on(Key::BusEqualiser) && BUS_BANDS.iter().any(|band| self.held(band.gain, bus) != Value::Number(0.0)) {
            takers.push("equaliser".to_owned());
        }
        if is_on(Key::BusCompressor) {
            takers.push("compressor".to_owned());
        }
        takers.extend(self.ducked_under(Key::BusDuckingUnder, bus));
        let fader = self.held(Key::BusFader, bus).decibels().get();
        walk.step(format!("stages {bus}"), false, words::bus_takes(bus, self.bus_peak(bus, facts), &takers, fader));
        false
    }

    /// What a mix-minus is of now: of the bus for those off air while all whom it is for are closed.
    fn minus_now<'d>(&self, minus: &'d Minus) -> &'d Id {
        let waits = minus.off_air.as_ref().filter(|_| !minus.less.iter().any(|channel| self.is_open(channel)));
        waits.unwrap_or(&minus.of)
    }

    fn minus_in_words(&self, bus: &Id, minus: &Minus) -> String {
        let of = self.minus_now(minus);
        words::mix_minus(bus, of, &few(minus.less.iter().map(|id| &**id)), *of != minus.of)
    }

    /// Whether anything of a channel comes to a bus: itself, by groups that are not down, or by what a mix-minus is of.
    fn reaches(&self, channel: &Id, bus: &Id, only_open: bool) -> bool {
        if let Some(minus) = self.minus_of(bus) {
            let of = self.minus_now(minus);
            return !minus.less.contains(channel) && of != bus && self.reaches(channel, of, only_open);
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
            let says = match self.minus_of(bus) {
                Some(minus) => words::nothing_but_the_own(&self.minus_in_words(bus, minus), self.minus_now(minus)),
                None => words::no_channel_on(bus),
            };
            walk.step("channels", false, says);
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
            walk.step("groups", false, words::groups_down(bus, &groups.join(", ")));
            return None;
        }
        // A send from before the fader is heard without it, one from the input without the switch.
        let into = self.minus_of(bus).map_or(bus, |minus| self.minus_now(minus));
        let early = |id: &Id| {
            self.send_level(id, into) != Value::Off
                && match self.send_tap(id, into) {
                    Tap::Input => true,
                    Tap::PreFader => self.is_switched_open(id),
                    _ => false,
                }
        };
        let open: Vec<&str> =
            members.iter().filter(|id| self.is_open(id) || early(id)).map(|channel| &***channel).collect();
        let sounding = |id: &&str| {
            let tap = if early(&Id::from(*id)) { "input" } else { "after-fader" };
            facts.heard.get(&format!("/meter/channel/{id}/{tap}/peak")).is_some_and(Heard::sounds)
        };
        let (says, passes) = match &open[..] {
            [] => {
                let closed: Vec<String> = members.iter().map(|id| self.closed_in_words(id)).collect();
                let closed = few(closed.iter().map(|closed| &**closed));
                let minus = self.minus_of(bus).map(|minus| self.minus_in_words(bus, minus));
                (minus.map_or_else(|| words::none_open(bus, &closed), |bus| words::no_other_open(&bus, &closed)), false)
            }
            open if open.iter().any(sounding) => (words::open_on_it(&few(open.iter().copied())), true),
            open => (words::open_without_signal(&few(open.iter().copied())), false),
        };
        Some(Step { element: "channels".to_owned(), says, passes })
    }

    /// What level and dim leave of what an output carries.
    fn step_output(&self, output: &Output, carries: f32, walk: &mut Walk) {
        let level = self.held(Key::OutputLevel, &output.id).decibels().get();
        let dim = db_from_linear(self.monitor_gain(&output.id));
        let left = carries + level + dim;
        if carries > SILENT_DBFS && left <= SILENT_DBFS {
            walk.step("level", false, words::output_leaves(&output.id, dim < 0.0, level, left));
        }
    }

    fn why_output(&self, path: &str, id: &str, facts: &Facts) -> Why {
        let mut walk = Walk::default();
        let mut heard = words::carries_and_is_heard(&self.carried(id));
        if let Some(output) = self.rig().outputs.iter().find(|output| &*output.id == id) {
            let bus: Id = self.carried(id).into();
            let mut sounds = None;
            if self.listens_now(&output.id) {
                heard = self.walk_listened(&output.id, facts, &mut walk);
            } else {
                sounds = self.walk_members(&bus, facts, &mut walk);
                self.step_fader(&Address::new(Key::BusFader, &bus), &format!("bus {bus}"), facts, &mut walk);
                if walk.passes() && sounds.as_ref().is_some_and(|step| step.passes) {
                    self.bus_keeps(&bus, facts, &mut walk);
                }
            }
            if let Some(says) = self.why_muted(id) {
                walk.step("muted", false, words::output_muted(id, &says));
            }
            self.step_fader(&Address::new(Key::OutputLevel, id), "level", facts, &mut walk);
            if walk.passes() && sounds.as_ref().is_some_and(|step| step.passes) {
                self.step_output(output, self.bus_peak(&bus, facts), &mut walk);
            }
            let there = !self.away.contains(&output.device);
            walk.step(
                "device",
                there,
                words::device_of_output(&output.device, (!there).then(|| self.without(&output.device))),
            );
            walk.0.extend(sounds);
        }
        walk.end(path, || heard)
    }
}

/// The first of several names.
pub(super) fn few<'n>(names: impl ExactSizeIterator<Item = &'n str>) -> String {
    const SHOWN: usize = 4;
    let more = names.len().saturating_sub(SHOWN);
    let shown: Vec<&str> = names.take(SHOWN).collect();
    words::names(&shown.join(", "), more)
}

/// Where to look when an input is silent.
fn at_source(from: &InputFrom) -> &'static str {
    match from {
        InputFrom::Device { .. } => words::LOOK_AT_CABLE,
        InputFrom::File { .. } => words::LOOK_AT_FILE,
        InputFrom::Generator { signal: Signal::Silence, .. } => words::MADE_OF_SILENCE,
        InputFrom::Generator { .. } => words::LOOK_AT_GENERATOR,
    }
}
