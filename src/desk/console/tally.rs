//! The truth about live microphones and live buses, and the lamps that tell it.
//!
//! | a microphone is live when | and |
//! | --- | --- |
//! | its channel is open: switch, fader, no gain group that closes it | a bus that it goes to is on air |
//! | its switch is open | a bus that it has a send to from before the fader is on air |
//!
//! | a bus is on air when | and |
//! | --- | --- |
//! | `air` is `always`, or `by-outputs` and a feed, a line, an application or a loudspeaker of no room carries it | `rehearsal` is off |
//! | it feeds a bus that is on air, or a mix-minus that is made of it | |
//!
//! A mix-minus that a line or an application carries is heard by one guest, and is on air only `always`. No file of a render is an ear.
//!
//! | a talkback is live when a loudspeaker plays what it speaks to, by whichever way, or onto a slate | and so is the room it stands in |
//! | --- | --- |
//!
//! A cough key and a device that is away change nothing of it: both can be over at any moment. Levels of buses and outputs
//! neither: a lit lamp over a silent microphone is a nuisance, a dark one over a live microphone is not.

use super::super::{By, Desk, Effects, RoomShown};
use crate::engine::Tap;
use crate::params::{Address, Key, Value};
use crate::profile::{Id, Output, Room, Talkback};
use std::collections::BTreeSet;

/// A lamp that went on stays on for this long, so that it does not flicker.
const LIT_MS: u32 = 500;

/// Whether this change can make a microphone live, or no longer so.
pub(in crate::desk) fn decides_who_is_live(key: Key, before: Option<&Value>, now: &Value) -> bool {
    match key {
        Key::ChannelFader | Key::GroupFader | Key::ChannelSendLevel => {
            (before == Some(&Value::Off)) != (*now == Value::Off)
        }
        Key::ChannelSource
        | Key::ChannelSourceB
        | Key::ChannelSourceSelect
        | Key::ChannelSwitch
        | Key::ChannelAssign
        | Key::ChannelSendPoint
        | Key::GroupSwitch
        | Key::BusAssign
        | Key::BusAir
        | Key::BusRehearsal
        | Key::OutputSource
        | Key::TalkbackTo
        | Key::TalkbackAll
        | Key::TalkbackSlate => true,
        _ => false,
    }
}

fn word(live: bool) -> Value {
    Value::Word(if live { "live" } else { "dark" }.into())
}

impl Desk {
    /// Whether people outside hear a bus itself, or would if somebody were listening.
    pub(super) fn is_public(&self, bus: &Id) -> bool {
        let air = self.held(Key::BusAir, bus);
        air.is_word("always")
            || air.is_word("by-outputs")
                && self.rig().outputs.iter().any(|output| {
                    self.may_have_listeners(output, bus) && self.held(Key::OutputSource, &output.id).is_word(bus)
                })
    }

    /// Whether people who take no part hear a bus by an output that carries it.
    pub(in crate::desk) fn may_have_listeners(&self, output: &Output, bus: &str) -> bool {
        self.rig().console.is_outside(output) && !(output.may_be_an_ear() && self.is_mix_minus(bus))
    }

    /// Buses to which something holds, and all that feed one of them.
    pub(super) fn buses_that_reach(&self, holds: impl Fn(&Id) -> bool) -> BTreeSet<Id> {
        let ids: Vec<&Id> = self.buses().map(|bus| &bus.id).collect();
        let mut reached: BTreeSet<Id> = ids.iter().filter(|id| holds(id)).map(|id| (**id).clone()).collect();
        // No row of buses is longer than there are buses.
        for _ in 0..ids.len() {
            let feeds = |id: &Id| {
                reached.iter().any(|to| {
                    let assigned = self.mix.get(&Address::with_further(Key::BusAssign, id, to));
                    let minus = self.minus_of(to);
                    assigned.is_some_and(|value| value.is_word("on"))
                        || minus.is_some_and(|minus| minus.of == *id || minus.off_air.as_ref() == Some(id))
                })
            };
            let more: Vec<Id> =
                ids.iter().filter(|id| !reached.contains(**id) && feeds(id)).map(|id| (**id).clone()).collect();
            if more.is_empty() {
                break;
            }
            reached.extend(more);
        }
        reached
    }

    /// Whether people outside hear a bus, by whichever way.
    pub(in crate::desk) fn reaches_people_outside(&self, bus: &Id) -> bool {
        self.buses_that_reach(|bus| self.is_public(bus)).contains(bus)
    }

    /// Buses that are on air, and those that feed them.
    #[must_use]
    pub fn buses_on_air(&self) -> BTreeSet<Id> {
        self.buses_that_reach(|bus| !self.held(Key::BusRehearsal, bus).is_word("on") && self.is_public(bus))
    }

    /// Whether a bus is on air, or feeds one that is.
    #[must_use]
    pub fn is_on_air(&self, bus: &Id) -> bool {
        self.buses_on_air().contains(bus)
    }

    /// Channels that can be heard on air.
    pub(in crate::desk) fn heard_on_air(&self, of: impl Fn(&Id) -> bool) -> BTreeSet<Id> {
        let on_air = self.buses_on_air();
        // A send from before the switch is heard whatever the switch does.
        let sent = |id: &Id, bus: &Id| {
            self.is_heard_on(id, bus)
                || (self.send_tap(id, bus) == Tap::Input && self.send_level(id, bus) != Value::Off)
        };
        let channels = self.channels().map(|channel| &channel.id);
        channels.filter(|id| of(id) && on_air.iter().any(|bus| sent(id, bus))).cloned().collect()
    }

    /// Microphones that can be heard on air.
    #[must_use]
    pub fn live_microphones(&self) -> BTreeSet<Id> {
        self.heard_on_air(|id| self.is_microphone(id))
    }

    /// Whether the microphone of a channel stands in a room; so does one that is about to be its source.
    pub(super) fn stands_in(&self, channel: &Id, room: &Room) -> bool {
        self.input_of(channel).is_some_and(|input| room.microphones.contains(&input.id))
            || self.sources_to_come(channel).iter().any(|input| room.microphones.contains(input))
    }

    /// The inputs that values which wait will make a channel carry.
    fn sources_to_come(&self, channel: &Id) -> Vec<Id> {
        let source = |key| match self.held(key, channel) {
            Value::Word(input) => Some(Id::from(&*input)),
            Value::Number(_) | Value::Off => None,
        };
        let keys = [Key::ChannelSource, Key::ChannelSourceB, Key::ChannelSourceSelect];
        let wanted = keys.into_iter().filter_map(|key| Some((key, self.console.wanted(&Address::new(key, channel))?)));
        wanted
            .filter_map(|(key, value)| match (key, value) {
                (Key::ChannelSourceSelect, value) if value.is_word("b") => source(Key::ChannelSourceB),
                (Key::ChannelSourceSelect, _) => source(Key::ChannelSource),
                (_, Value::Word(input)) => Some(Id::from(&*input)),
                _ => None,
            })
            .collect()
    }

    /// The rooms of the rig, for the screen.
    pub(in crate::desk) fn rooms_shown(&self) -> Vec<RoomShown> {
        let shown = self.rig().console.rooms.iter().map(|room| RoomShown {
            room: room.id.to_string(),
            label: room.label.clone(),
            live: self.held(Key::RoomTally, &room.id).is_word("live"),
            muted: self.console.muted.contains_key(&room.id),
        });
        shown.collect()
    }

    /// Lights what has to be lit, and lets dark what may be.
    pub(super) fn show_tallies(&mut self, live: &BTreeSet<Id>, effects: &mut Effects) {
        let talkbacks = self.talkbacks().to_vec();
        let talking = talkbacks.iter().filter(|talkback| self.talks_live(talkback));
        let live: BTreeSet<Id> =
            live.iter().cloned().chain(talking.map(|talkback| super::source_of(&talkback.id))).collect();
        let least = self.now.plus(self.rate.frames_in_ms_rounded_up(LIT_MS));
        for id in &live {
            if !self.is_lit(id) {
                self.console.lit_until.insert(id.clone(), least);
            }
        }
        let now = self.now;
        self.console.lit_until.retain(|_, until| *until > now);
        let lit: BTreeSet<Id> = live.iter().chain(self.console.lit_until.keys()).cloned().collect();
        let channels: Vec<Id> = self.channels().map(|channel| channel.id.clone()).collect();
        for id in channels {
            self.tell(Key::ChannelTally, &id, word(lit.contains(&id)), effects);
        }
        let on_air = self.buses_on_air();
        let buses: Vec<Id> = self.buses().map(|bus| bus.id.clone()).collect();
        for id in buses {
            self.tell(Key::BusTally, &id, word(on_air.contains(&id)), effects);
        }
        for talkback in &talkbacks {
            let lit = lit.contains(&super::source_of(&talkback.id));
            self.tell(Key::TalkbackTally, &talkback.id, word(lit), effects);
        }
        let console = &self.console;
        let listening = console.listened_channels.len() + console.listened_buses.len();
        #[expect(clippy::cast_precision_loss, reason = "a few hundred")]
        self.tell(Key::DeskListening, &"".into(), Value::Number(listening as f32), effects);
        for room in self.rig().console.rooms.clone() {
            let talks = |talkback: &Talkback| {
                room.microphones.contains(&talkback.source) && lit.contains(&super::source_of(&talkback.id))
            };
            let lit = lit.iter().any(|id| self.stands_in(id, &room)) || talkbacks.iter().any(talks);
            self.tell(Key::RoomTally, &room.id, word(lit), effects);
            if let Some(lamp) = &room.lamp {
                self.stand(lamp, lit, effects);
            }
        }
    }

    fn is_lit(&self, id: &Id) -> bool {
        let lit = match id.strip_prefix("talkback:") {
            Some(talkback) => self.held(Key::TalkbackTally, &talkback.into()),
            None => self.held(Key::ChannelTally, id),
        };
        lit.is_word("live")
    }

    /// Says a value that nobody sets.
    pub(super) fn tell(&mut self, key: Key, id: &Id, value: Value, effects: &mut Effects) {
        self.put(&Address::new(key, id), value, By::Desk, effects);
    }
}
