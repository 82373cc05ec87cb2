//! Talkback: from the desk to one, some or all, and never on air.
//!
//! | while a key is held | |
//! | --- | --- |
//! | the buses spoken to | get the talkback, and 20 dB less of all else; for 200 ms more, then back in 400 ms |
//! | loudspeakers in the room of the talkback microphone | are dimmed by 20 dB |
//! | the tally of the talkback, and that of its room | is live when a loudspeaker carries one of these buses, or it is a slate |
//!
//! A key lets go after 30 s whatever happens. A latch takes two hands: it holds those keys that are down when it is pressed.
//! The profile is refused when a bus of a talkback is on air (`profile/talkback.rs`), and so is every later change that would
//! bring one on air. The same is held of sends that are taken before a switch.

use super::super::{By, Desk, Effects};
use crate::dsp::level::linear;
use crate::dsp::pan::{PanLaw, gains};
use crate::engine::{Bank, Tap, Target};
use crate::panel::PortIndex;
use crate::params::{Address, Key, Value};
use crate::profile::{Id, OutputKind, Talkback};
use crate::units::{Decibels, Frames, Pan};
use crate::words::{log, refused as words};
use std::collections::BTreeSet;

/// A key that is held for longer is stuck, or forgotten.
const KEY_MS: u32 = 30_000;
/// What all else on a bus gives way by, dB.
const DIP_DB: f32 = -20.0;
const DIP_HOLD_MS: u32 = 200;
const DIP_RELEASE_MS: u32 = 400;
const DIP_STEP_MS: u32 = 20;

/// What a bus that is, or was, spoken to does with all else that it carries.
#[derive(Debug)]
pub(super) struct Dip {
    /// When the last key of it let go.
    released: Option<Frames>,
    /// What it takes now.
    gain: f32,
    pub(super) next: Option<Frames>,
}

/// What the engine calls a talkback.
pub(in crate::desk) fn source_of(talkback: &str) -> Id {
    format!("talkback:{talkback}").into()
}

impl Desk {
    /// The talkbacks of the profile in force.
    pub(in crate::desk) fn talkbacks(&self) -> &[Talkback] {
        &self.installation.profile.console.talkbacks
    }

    /// Whether somebody may speak into a talkback's input.
    pub(in crate::desk) fn is_by_microphone(&self, talkback: &str) -> bool {
        let source = self.talkbacks().iter().find(|known| *known.id == *talkback).map(|known| &known.source);
        source.and_then(|input| self.rig().input(input)).is_some_and(super::super::is_microphone)
    }

    /// What the stages of a talkback are set to: rumble taken away, loud and soft brought together (common practice, no source).
    pub(in crate::desk) fn held_by_talkback(key: Key) -> Option<Value> {
        match key {
            Key::ChannelHighPass | Key::ChannelCompressor => Some(Value::Word("on".into())),
            Key::ChannelHighPassFrequency => Some(Value::Number(130.0)),
            _ => key.parameter().default_value(),
        }
    }

    /// The buses that a talkback speaks to now; its slate apart.
    pub(super) fn spoken_to(&self, talkback: &Talkback) -> BTreeSet<Id> {
        let all = self.held(Key::TalkbackAll, &talkback.id).is_word("on");
        let to = talkback.to.iter().filter(|bus| {
            all || self
                .value(&Address::with_further(Key::TalkbackTo, &talkback.id, bus))
                .is_some_and(|value| value.is_word("on"))
        });
        to.cloned().collect()
    }

    /// Talkbacks that are keyed, and to whom: for the screen.
    pub(in crate::desk) fn talking(&self) -> Vec<String> {
        let spoken = self.talkbacks().iter().filter_map(|talkback| {
            let to = self.speaks_to(talkback);
            (!to.is_empty()).then(|| format!("{} to {}", talkback.label, to.join(", ")))
        });
        spoken.collect()
    }

    /// The buses that a talkback speaks to now, by its keys and its slate.
    pub(in crate::desk) fn speaks_to(&self, talkback: &Talkback) -> Vec<String> {
        let slate = if self.is_slating(talkback) { &*talkback.slate } else { &[] };
        self.spoken_to(talkback).iter().chain(slate).map(ToString::to_string).collect()
    }

    fn is_slating(&self, talkback: &Talkback) -> bool {
        self.held(Key::TalkbackSlate, &talkback.id).is_word("on")
    }

    /// Whether a microphone of the desk is heard in a room, or on a slate.
    pub(super) fn talks_live(&self, talkback: &Talkback) -> bool {
        let to = self.spoken_to(talkback);
        if self.is_slating(talkback) || to.is_empty() {
            return self.is_slating(talkback);
        }
        let loudspeakers = || self.rig().outputs.iter().filter(|output| output.kind == OutputKind::Loudspeaker);
        let played = self.buses_that_reach(|bus| {
            self.is_public(bus) || loudspeakers().any(|output| self.carries_now(&output.id, bus))
        });
        to.iter().any(|bus| played.contains(bus))
    }

    /// Keys that are down and whose talkback people outside would hear; slates are meant for them.
    pub(super) fn keys_heard_outside(&self) -> Vec<Address> {
        let buses = |key: &Address| -> Vec<Id> {
            let talkback = self.talkbacks().iter().find(|talkback| *talkback.id == *key.id);
            match (key.key, key.further.as_deref()) {
                (Key::TalkbackTo, Some(bus)) => vec![bus.into()],
                (Key::TalkbackAll, _) => talkback.map(|talkback| talkback.to.clone()).unwrap_or_default(),
                _ => Vec::new(),
            }
        };
        let heard = |key: &&Address| buses(key).iter().any(|bus| self.reaches_people_outside(bus));
        self.console.keys.keys().filter(heard).cloned().collect()
    }

    /// Loudspeakers near a talkback that is keyed.
    pub(super) fn dimmed_by_talkback(&self) -> BTreeSet<Id> {
        let keyed = self
            .talkbacks()
            .iter()
            .filter(|talkback| self.is_slating(talkback) || !self.spoken_to(talkback).is_empty());
        let rooms = &self.rig().console.rooms;
        let near = keyed.flat_map(|talkback| rooms.iter().filter(|room| room.microphones.contains(&talkback.source)));
        near.flat_map(|room| room.loudspeakers.iter().cloned()).collect()
    }

    /// Aims a talkback, and what else its buses carry.
    pub(in crate::desk) fn aim_talkbacks(&mut self) {
        let slating = self.talkbacks().iter().filter(|talkback| self.is_slating(talkback));
        let slates: BTreeSet<Id> = slating.flat_map(|talkback| talkback.slate.iter().cloned()).collect();
        self.aim_slate(&slates);
        for talkback in self.talkbacks().to_vec() {
            let id = source_of(&talkback.id);
            let Some(place) = self.stage.place(Bank::Sources, &id) else { continue };
            let to = self.spoken_to(&talkback);
            let slate = self.is_slating(&talkback);
            let open = slate || !to.is_empty();
            let level = linear(self.held(Key::TalkbackLevel, &talkback.id).decibels()).get();
            for column in place.columns() {
                self.stage.aim(Target::Trim { column }, level);
                self.stage.aim(Target::Gate { bank: Bank::Sources, column }, if open { 1.0 } else { 0.0 });
            }
            let sides = if place.width == 2 { [1.0, 1.0] } else { gains(PanLaw::EqualPower, Pan::CENTRE) };
            let buses: Vec<Id> = self.buses().map(|bus| bus.id.clone()).collect();
            for bus in buses {
                let Some(at) = self.stage.place(Bank::Buses, &bus) else { continue };
                let heard = to.contains(&bus) || (slate && talkback.slate.contains(&bus));
                let [left, right] = if heard { sides } else { [0.0, 0.0] };
                self.stage.aim(Target::ToBus { tap: Tap::AfterFader, from: place.first, to: at.first }, left);
                self.stage.aim(
                    Target::ToBus { tap: Tap::AfterFader, from: place.first + place.width - 1, to: at.first + 1 },
                    right,
                );
            }
            self.aim_stages_of_channel(&id);
        }
    }

    /// What a bus takes of its channels now.
    pub(in crate::desk) fn dip_of(&self, bus: &Id) -> f32 {
        self.console.dips.get(bus).map_or(1.0, |dip| dip.gain)
    }

    /// Lets buses give way to a talkback, and come back.
    pub(super) fn follow_dips(&mut self) {
        let spoken: BTreeSet<Id> =
            self.talkbacks().to_vec().iter().flat_map(|talkback| self.spoken_to(talkback)).collect();
        for bus in &spoken {
            let deep = Dip { released: None, gain: full_dip(), next: None };
            let before = self.console.dips.insert(bus.clone(), deep).map_or(1.0, |dip| dip.gain);
            if before.to_bits() != full_dip().to_bits() {
                self.aim_all_into(bus);
            }
        }
        let buses: Vec<Id> = self.console.dips.keys().filter(|bus| !spoken.contains(*bus)).cloned().collect();
        for bus in buses {
            let (now, rate) = (self.now, self.rate);
            let Some(dip) = self.console.dips.get_mut(&bus) else { continue };
            let released = *dip.released.get_or_insert(now);
            let held = released.plus(rate.frames_in_ms_rounded_up(DIP_HOLD_MS));
            let step = rate.frames_in_ms_rounded_up(DIP_STEP_MS);
            if now < held {
                dip.next = Some(held);
                continue;
            }
            #[expect(clippy::cast_possible_truncation, reason = "a part of the way, 0 to 1")]
            let way = (rate.seconds(now.since(held)) * 1e3 / f64::from(DIP_RELEASE_MS)) as f32;
            if way >= 1.0 {
                self.console.dips.remove(&bus);
            } else {
                dip.gain = linear(Decibels::try_new(DIP_DB * (1.0 - way)).unwrap_or(Decibels::SILENCE)).get();
                dip.next = Some(now.plus(step));
            }
            self.aim_all_into(&bus);
        }
    }

    fn aim_all_into(&mut self, bus: &Id) {
        let ids: Vec<Id> = self.channels().map(|channel| channel.id.clone()).collect();
        for id in ids {
            if let Some(place) = self.stage.place(Bank::Sources, &id) {
                self.aim_shares(&id, place, bus);
            }
        }
        self.aim_into_bus(bus);
    }

    /// Whether this is a key that lets go and is latched: then it stays.
    pub(in crate::desk) fn swallows_release(&mut self, address: &Address, value: &Value, by: By) -> bool {
        is_key(address.key)
            && value.is_word("off")
            && matches!(by, By::Control(_))
            && self.console.latched.remove(address)
    }

    /// A key went down or up.
    pub(super) fn key_moved(&mut self, address: &Address, down: bool, effects: &mut Effects) {
        if down {
            let until = self.now.plus(self.rate.frames_in_ms_rounded_up(KEY_MS));
            self.console.keys.insert(address.clone(), until);
        } else {
            self.console.keys.remove(address);
            self.console.latched.remove(address);
            if !self.console.keys.keys().any(|key| key.id == address.id) {
                self.put(&Address::new(Key::TalkbackLatch, &address.id), Value::Word("off".into()), By::Desk, effects);
            }
        }
        self.talkback_changed();
    }

    pub(super) fn talkback_changed(&mut self) {
        self.recount_console();
        self.aim_talkbacks();
        self.follow_dips();
        self.aim_monitors();
        self.console.stale = true;
    }

    /// A panel that was away may have let go of a key meanwhile.
    pub(in crate::desk) fn let_go_of_talkback(&mut self, port: PortIndex, effects: &mut Effects) {
        let Some(port) = self.rig().control_ports.get(port.0).map(|port| port.id.clone()) else { return };
        let of_port = self.hands.iter().filter(|(control, hand)| {
            is_key(hand.moves.target.key)
                && self.panel().controls.get(control.0).is_some_and(|control| control.port == port)
        });
        let keys: Vec<Address> = of_port.map(|(_, hand)| hand.moves.target.clone()).collect();
        for key in keys {
            self.put(&key, Value::Word("off".into()), By::Desk, effects);
        }
    }

    /// The latch of a talkback was pressed.
    pub(super) fn latch_moved(&mut self, talkback: &str, on: bool, effects: &mut Effects) {
        let until = self.now.plus(self.rate.frames_in_ms_rounded_up(KEY_MS));
        let keys: Vec<Address> = self.console.keys.keys().filter(|key| *key.id == *talkback).cloned().collect();
        for key in keys {
            if on {
                self.console.keys.insert(key.clone(), until);
                self.console.latched.insert(key);
            } else {
                self.put(&key, Value::Word("off".into()), By::Desk, effects);
            }
        }
    }

    /// Keys that were down for too long let go.
    pub(super) fn release_keys(&mut self, effects: &mut Effects) {
        let now = self.now;
        let due: Vec<Address> =
            self.console.keys.iter().filter(|(_, until)| **until <= now).map(|(key, _)| key.clone()).collect();
        for key in due {
            effects.notes.push(log::key_lets_go(&key));
            self.put(&key, Value::Word("off".into()), By::Desk, effects);
        }
    }

    /// Why a key may not go down, if so.
    pub(super) fn talkback_refuses(&mut self, address: &Address, value: &Value) -> Option<String> {
        let on = value.is_word("on");
        match address.key {
            Key::TalkbackTo | Key::TalkbackAll if on => {
                let talkback = self.talkbacks().iter().find(|talkback| *talkback.id == *address.id)?.clone();
                let further = address.further.as_deref();
                if let Some(bus) = further.filter(|bus| !talkback.to.iter().any(|to| **to == **bus)) {
                    return Some(words::talkback_without(&talkback.id, bus));
                }
                let to = talkback.to.iter().filter(|bus| further.is_none_or(|further| ***bus == *further));
                let heard = to.into_iter().find(|bus| self.reaches_people_outside(bus))?;
                Some(words::talkback_on_air(heard))
            }
            Key::TalkbackSlate if on => {
                let talkback = self.talkbacks().iter().find(|talkback| *talkback.id == *address.id)?;
                let none = talkback.slate.is_empty();
                none.then(|| words::talkback_without_slate(&talkback.id))
            }
            Key::TalkbackLatch if on => {
                let held = self.console.keys.keys().any(|key| key.id == address.id);
                (!held).then(|| words::NOTHING_TO_LATCH.to_owned())
            }
            // What `acceptable` knows of, again, for those who set values without asking it.
            Key::ChannelSendPoint if value.is_word("input") => {
                self.why_no_input_send(address.further.as_deref().unwrap_or_default())
            }
            Key::OutputSource | Key::BusAir | Key::BusAssign => {
                // What is heard already is no reason to refuse a change that has nothing to do with it.
                let heard = self.buses_that_reach(|bus| self.is_public(bus));
                let before = self.mix.insert(address.clone(), value.clone());
                let buses =
                    self.talkbacks().iter().flat_map(|talkback| talkback.to.iter().map(move |bus| (talkback, bus)));
                let leak = buses.into_iter().find(|(_, bus)| !heard.contains(*bus) && self.reaches_people_outside(bus));
                let leak = leak.map(|(talkback, bus)| words::would_talk_on_air(bus, &talkback.id));
                let leak = leak.or_else(|| {
                    let sends = self.input_sends_heard_outside();
                    let (channel, bus) = sends.into_iter().find(|(_, bus)| !heard.contains(bus))?;
                    Some(words::would_send_on_air(&bus, &channel))
                });
                match before {
                    Some(before) => self.mix.insert(address.clone(), before),
                    None => self.mix.remove(address),
                };
                leak
            }
            _ => None,
        }
    }
}

/// Whether this is a key that is held.
pub(super) const fn is_key(key: Key) -> bool {
    matches!(key, Key::TalkbackTo | Key::TalkbackAll | Key::TalkbackSlate)
}

fn full_dip() -> f32 {
    linear(Decibels::try_new(DIP_DB).unwrap_or(Decibels::SILENCE)).get()
}
