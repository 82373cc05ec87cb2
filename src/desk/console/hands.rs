//! What hands may do and what they start: remote starts, the lock, limits for novices, the panic ladder, the prepared mix.
//!
//! | a start pulse is sent when | but not |
//! | --- | --- |
//! | a hand or message brings a fader from off to -60 dB or more, and the channel is open and goes to a bus | within 250 ms of off, or by a profile, a restart, or a fader that waits to rejoin |
//!
//! | the panel when locked | does |
//! | --- | --- |
//! | closes a channel or a gain group, coughs, takes a rung of the ladder, unlocks | what it says |
//! | anything else | nothing; faders wait to rejoin afterwards |
//!
//! | rung | does |
//! | --- | --- |
//! | `close-microphones` | closes every microphone but the host's |
//! | `safe-mix` | channels of the mix to their levels and straight into the programme, all others closed |
//! | `fallback` | that channel alone in the programme, at the level the profile prepares, or its own up to 0 dB |
//!
//! Each rung is compiled when the profile loads and crosses to the engine as one batch. What falls and closes does so with it;
//! what rises begins no louder than it was in the programme, or from silence, and glides up. No rung opens a microphone or a guest,
//! and what was on its way by a recall goes no further.

use super::super::stage::FROM_SILENCE_MS;
use super::super::{By, ContactDo, Desk, Effects, NETWORK, swap};
use crate::dsp::level::{db_from_linear, linear};
use crate::engine::Tap;
use crate::params::{Address, Key, Scope, Value};
use crate::profile::{Id, InputKind, RemoteStart};
use crate::units::Frames;
use crate::words::{log, refused as words};
use std::collections::{BTreeMap, BTreeSet};

/// From this level on a source is started, dB.
const START_DB: f32 = -60.0;
/// How long a fader has been off before it starts again.
const REARM_MS: u32 = 250;

/// Where the start of a channel stands.
#[derive(Debug)]
pub(super) enum Start {
    /// Its fader went off at this frame.
    Off(Frames),
    /// It is on its way up.
    Armed,
    /// It was started, or came up too soon.
    Spent,
}

/// The bus that the ladder is about.
const PROGRAMME: &str = "programme";

/// The rungs of the ladder, each with all that it sets.
pub(in crate::desk) type Rungs = [Vec<(Address, Value)>; 3];

fn word(word: &str) -> Value {
    Value::Word(word.into())
}

impl Desk {
    pub(super) fn start_of(&self, channel: &Id) -> Option<&RemoteStart> {
        let input = &self.input_of(channel)?.id;
        self.rig().console.starts.iter().find(|start| start.input == *input)
    }

    /// A hand or a message moved a fader.
    pub(super) fn fader_starts(&mut self, channel: &Id, before: Option<&Value>, value: &Value, effects: &mut Effects) {
        let Some(lines) = self.start_of(channel).cloned() else { return };
        if *value == Value::Off {
            self.console.starts.insert(channel.clone(), Start::Off(self.now));
            if let Some(stop) = lines.stop {
                effects.contacts.push((stop, ContactDo::Pulse));
            }
            return;
        }
        let rearm = self.rate.frames_in_ms_rounded_up(REARM_MS);
        let armed = match self.console.starts.get(channel) {
            Some(Start::Off(since)) => since.plus(rearm) <= self.now,
            Some(Start::Armed) => true,
            Some(Start::Spent) => false,
            None => before == Some(&Value::Off),
        };
        let up = value.decibels().get() >= START_DB;
        if before == Some(&Value::Off) || (armed && up) {
            // One that comes up slowly stays armed on its way.
            let next = if armed && !up { Start::Armed } else { Start::Spent };
            self.console.starts.insert(channel.clone(), next);
        }
        if armed && up && self.is_open_on_air(channel) {
            effects.contacts.push((lines.start, ContactDo::Pulse));
        }
    }

    /// A start was asked for by name.
    pub(super) fn pulse_start(&mut self, channel: &Id, effects: &mut Effects) {
        if let Some(lines) = self.start_of(channel) {
            effects.contacts.push((lines.start.clone(), ContactDo::Pulse));
        }
    }

    /// Why a contact is not moved, if so: it is the lamp or the mute of a room, it is of the other sort, or whoever says it may
    /// start nothing.
    pub(super) fn contact_refuses(&self, address: &Address, by: By) -> Option<String> {
        let contact = self.rig().contacts.iter().find(|contact| *contact.id == *address.id)?;
        match (address.key, contact.pulse_ms) {
            _ if by == By::Desk => None,
            _ if by == NETWORK => Some(words::CONTACT_OF_STRANGER.to_owned()),
            _ if self.rig().console.is_of_a_room(&contact.id) => Some(words::CONTACT_OF_ROOM.to_owned()),
            (Key::ContactPulse, None) => Some(words::contact_stands(&contact.id)),
            (Key::ContactState, Some(_)) => Some(words::contact_pulses(&contact.id)),
            _ => None,
        }
    }

    /// Whether a locked panel may do this all the same.
    pub(in crate::desk) fn is_allowed_when_locked(address: &Address, value: &Value) -> bool {
        match address.key {
            Key::ChannelSwitch | Key::GroupSwitch => value.is_word("closed"),
            Key::ChannelFader | Key::GroupFader => *value == Value::Off,
            Key::ChannelCough | Key::DeskPanic | Key::DeskLock => true,
            // What is held down when the lock comes has to be let go of.
            Key::TalkbackTo | Key::TalkbackAll | Key::TalkbackSlate => value.is_word("off"),
            _ => false,
        }
    }

    pub(in crate::desk) fn is_locked(&self) -> bool {
        self.mix.get(&Address::new(Key::DeskLock, "")).is_some_and(|value| value.is_word("on"))
    }

    fn is_novice(&self) -> bool {
        self.mix.get(&Address::new(Key::DeskNovice, "")).is_some_and(|value| value.is_word("on"))
    }

    /// What the panel may set of this.
    pub(in crate::desk) fn limited(&self, address: &Address, value: Value, by: By) -> Value {
        match value {
            Value::Number(db)
                if matches!(address.key, Key::ChannelFader | Key::GroupFader | Key::ChannelSendLevel)
                    && matches!(by, By::Control(_))
                    && self.is_novice() =>
            {
                Value::Number(db.min(0.0))
            }
            value => value,
        }
    }

    pub(in crate::desk) fn novice_refuses(&self, address: &Address, value: &Value, by: By) -> Option<String> {
        let refused = match address.key {
            Key::ChannelAssign
            | Key::ChannelSource
            | Key::ChannelSourceB
            | Key::ChannelSourceSelect
            | Key::ChannelSendPoint
            | Key::OutputSource
            | Key::BusAssign
            | Key::BusAir
            | Key::BusRehearsal => words::NO_ROUTE,
            Key::BusFader | Key::BusLeveller | Key::OutputLevel | Key::OutputDelay | Key::TalkbackLevel => {
                words::NO_LEVEL
            }
            key if key.is_of_a_stage() && key.parameter().scope == Scope::Bus => words::NO_LEVEL,
            // They would raise what a fader may not.
            Key::ChannelTrim | Key::ChannelTrimB | Key::ChannelPad | Key::ChannelPadB | Key::ChannelCompressorGain => {
                words::NO_GAIN
            }
            Key::ChannelSolo if value.is_word("on") => words::NO_SOLO,
            Key::BusTone if !value.is_word("off") => words::NO_TONE,
            Key::OutputCeiling => words::NO_LIMITER,
            key if key.is_of_sharing() => words::NO_SHARING,
            _ => return None,
        };
        (matches!(by, By::Control(_)) && self.is_novice()).then(|| words::novice(refused))
    }

    /// When the panel locks itself.
    pub(super) fn lock_at(&self) -> Option<Frames> {
        let Some(Value::Number(minutes)) = self.mix.get(&Address::new(Key::DeskLockAfter, "")) else { return None };
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "1 to 240 minutes")]
        let ms = (minutes * 60_000.0) as u32;
        (!self.is_locked()).then(|| self.console.last_hand.plus(self.rate.frames_in_ms_rounded_up(ms)))
    }

    /// Locks the panel that nobody uses, unless something is on air; then it is asked again a minute later.
    pub(super) fn lock_when_idle(&mut self, effects: &mut Effects) {
        if self.lock_at().is_none_or(|at| at > self.now) {
            return;
        }
        if self.any_bus_on_air() {
            self.console.last_hand = self.console.last_hand.plus(self.rate.frames_in_ms_rounded_up(60_000));
            return;
        }
        effects.notes.push(log::LOCKS_ITSELF.to_owned());
        self.put(&Address::new(Key::DeskLock, ""), word("on"), By::Desk, effects);
    }

    /// Works out all rungs of the ladder for the profile in force.
    pub(in crate::desk) fn compile_panic(&mut self) {
        let ladder = self.installation.profile.console.panic.clone();
        let channels: Vec<Id> = self.channels().map(|channel| channel.id.clone()).collect();
        let of = |key, id: &Id| Address::new(key, id);
        let closed = |id: &Id| (of(Key::ChannelSwitch, id), word("closed"));
        let leading = self.leading_to(PROGRAMME);
        // By one way only, or it would be heard twice.
        let straight = |id: &Id, level: Value| {
            let fader = (of(Key::ChannelFader, id), level);
            let assigned = (Address::with_further(Key::ChannelAssign, id, PROGRAMME), word("on"));
            let others = leading.iter().map(|bus| (Address::with_further(Key::ChannelAssign, id, bus), word("off")));
            let sends = leading.iter().map(|bus| &**bus).chain([PROGRAMME]);
            let sends = sends.map(|bus| (Address::with_further(Key::ChannelSendLevel, id, bus), Value::Off));
            let mut values = vec![fader, assigned, (of(Key::ChannelSwitch, id), word("open"))];
            values.extend(others.chain(sends));
            values
        };
        let prepared = |address: &Address| match self.installation.profile.values.get(address) {
            Some(Value::Number(db)) => Some(*db),
            _ => None,
        };
        let programme = Address::new(Key::BusFader, PROGRAMME);
        let programme = || (programme.clone(), Value::Number(prepared(&programme).unwrap_or(0.0).min(0.0)));
        let mut rungs = Rungs::default();
        // Which of these are microphones is asked when the rung is taken.
        rungs[0] = channels.iter().filter(|id| ladder.host.as_ref() != Some(id)).map(closed).collect();
        if !ladder.safe.is_empty() {
            let others = channels.iter().filter(|id| ladder.safe.iter().all(|(safe, _)| safe != *id));
            rungs[1] = others.map(closed).chain([programme()]).collect();
            rungs[1].extend(ladder.safe.iter().flat_map(|(id, level)| straight(id, Value::Number(*level))));
        }
        if let Some(id) = &ladder.fallback {
            let others = channels.iter().filter(|other| *other != id);
            // Off here stands for the level that it has then.
            let level = prepared(&of(Key::ChannelFader, id)).map_or(Value::Off, Value::Number);
            rungs[2] = others.map(closed).chain([programme()]).chain(straight(id, level)).collect();
        }
        self.console.rungs = rungs;
    }

    /// Where the fader of a channel may stand on one straight way into the programme so that no more of it is heard there than
    /// now; the programme's own fader apart.
    fn in_programme(&self, id: &Id) -> Value {
        let fader = self.held(Key::ChannelFader, id);
        if !self.is_switched_open(id) {
            return Value::Off;
        }
        let on = |address: Address| self.mix.get(&address).is_some_and(|value| value.is_word("on"));
        let factor = |value: &Value| if *value == Value::Off { 0.0 } else { linear(value.decibels()).get() };
        let feeds = self.feeds();
        let mut gains: BTreeMap<Id, f32> = BTreeMap::from([(PROGRAMME.into(), 1.0)]);
        // A row of buses has an end, so once for each bus is enough for all of them.
        for _ in 0..feeds.len() {
            for (bus, to) in feeds.iter().filter(|(bus, _)| ***bus != *PROGRAMME) {
                let onwards: f32 = to.iter().filter_map(|to| gains.get(to)).sum();
                gains.insert(bus.clone(), onwards * factor(&self.held(Key::BusFader, bus)));
            }
        }
        let (mut behind, mut before) = (0.0, 0.0);
        for (bus, gain) in gains.iter().filter(|(_, gain)| **gain > 0.0) {
            if on(Address::with_further(Key::ChannelAssign, id, bus)) {
                behind += gain;
            }
            let sent = gain * factor(&self.send_level(id, bus));
            if self.send_tap(id, bus) == Tap::AfterFader { behind += sent } else { before += sent }
        }
        if before == 0.0 && behind.to_bits() == 1.0_f32.to_bits() {
            return fader;
        }
        let gain = behind * factor(&fader) + before;
        if gain <= 0.0 {
            return Value::Off;
        }
        // Fader and ways glide side by side, and their product is not to swell: it never does where the fader stays or the ways
        // get less, and by less than 0.8 dB for some 10 ms where the fader falls and the ways get more.
        let stood = Value::Number(db_from_linear(gain) - 1.1);
        if stood.decibels() < fader.decibels() { stood } else { fader }
    }

    /// Whether a channel brings a remote person.
    pub(in crate::desk) fn is_guest(&self, channel: &str) -> bool {
        self.input_of(channel).is_some_and(|input| input.kind == InputKind::Guest)
    }

    /// Takes a rung of the ladder: all of it in one tick, but for what rises.
    pub(super) fn take_rung(&mut self, rung: &Value, effects: &mut Effects) {
        let Some(index) = ["close-microphones", "safe-mix", "fallback"].iter().position(|name| rung.is_word(name))
        else {
            return;
        };
        let values = self.console.rungs[index].clone();
        if values.is_empty() {
            effects.notes.push(log::no_rung(rung));
            return;
        }
        effects.notes.push(log::rung(rung));
        self.console.openings.clear();
        self.fades.stop();
        self.stage.hurry();
        let ids: BTreeSet<Id> = values.iter().map(|(address, _)| Id::from(&*address.id)).collect();
        let stood: BTreeMap<Id, Value> = ids.iter().map(|id| (id.clone(), self.in_programme(id))).collect();
        let mut rises = Vec::new();
        self.gathering = true;
        for (address, value) in &values {
            let id = Id::from(&*address.id);
            let of_channel = address.key.parameter().scope == Scope::Channel;
            let (open, closed) = (self.is_switched_open(&id), value.is_word("closed"));
            // The first rung is about microphones only, and no rung opens one, or a guest.
            let waits_for_a_hand = self.is_microphone(&id) || self.is_guest(&id);
            let opens = address.key == Key::ChannelSwitch && value.is_word("open");
            if (index == 0 && !self.is_microphone(&id)) || (opens && waits_for_a_hand) {
                continue;
            }
            let Ok(value) = self.acceptable(address, value) else { continue };
            let stands = match address.key {
                Key::BusFader => self.held(Key::BusFader, &id),
                // Nobody hears it rise.
                Key::ChannelFader if waits_for_a_hand && !open => value.clone(),
                Key::ChannelFader => stood.get(&id).cloned().unwrap_or(Value::Off),
                _ => {
                    if opens && !open {
                        self.end_sends_before_fader(&id, effects);
                    }
                    self.put(address, value, By::Desk, effects);
                    continue;
                }
            };
            let wanted = match value {
                Value::Off if of_channel => match self.held(Key::ChannelFader, &id) {
                    Value::Number(db) => Value::Number(db.min(0.0)),
                    _ => Value::Number(0.0),
                },
                value => value,
            };
            if !closed && stands.decibels() < wanted.decibels() {
                self.put(address, stands, By::Desk, effects);
                rises.push((address.clone(), wanted));
            } else {
                self.put(address, wanted, By::Desk, effects);
            }
        }
        self.gathering = false;
        if self.has_mix_minus() {
            self.reconcile();
        }
        self.aim_all();
        let closed =
            values.iter().filter(|(address, value)| address.key == Key::ChannelSwitch && value.is_word("closed"));
        for (address, _) in closed {
            self.when_closed(&Id::from(&*address.id), true, effects);
        }
        for (address, value) in rises {
            self.rise(address, value, FROM_SILENCE_MS);
        }
        self.console.stale = true;
    }

    /// What goes to a bus before the fader of a channel that a rung opens would be heard there at once.
    fn end_sends_before_fader(&mut self, id: &Id, effects: &mut Effects) {
        let buses: Vec<Id> = self.buses().map(|bus| bus.id.clone()).collect();
        for bus in buses.iter().filter(|bus| self.send_tap(id, bus) != Tap::AfterFader).collect::<Vec<_>>() {
            let address = Address::with_further(Key::ChannelSendLevel, id, bus);
            self.put(&address, Value::Off, By::Desk, effects);
        }
    }

    /// Brings back the mix that the profile starts with. Switches stay as they are.
    pub(super) fn restore_prepared(&mut self, by: By, effects: &mut Effects) {
        self.put(&Address::new(Key::DeskPanic, ""), word("none"), By::Desk, effects);
        let prepared = swap::starting_mix(&self.installation.profile);
        effects.notes.push(log::PREPARED.to_owned());
        for (address, value) in prepared {
            if address.key == Key::ChannelSwitch || matches!(address.key, Key::DeskNovice | Key::DeskLockAfter) {
                continue;
            }
            // Who selects a microphone on an open channel opens it: that is no balance.
            if self.selects_another_microphone(&address, &value) && self.is_open_on_air(&Id::from(&*address.id)) {
                continue;
            }
            if let Ok(value) = self.acceptable(&address, &value)
                && !(by == NETWORK && self.opens_a_microphone(&address, &value))
                && self.talkback_refuses(&address, &value).is_none()
                && !self.waits_for_silence(&address, &value, by)
            {
                self.put(&address, value, By::Desk, effects);
            }
        }
    }
}
