//! What hands may do and what they start: remote starts, the lock, limits for novices, the panic ladder, the prepared mix.
//!
//! | a start pulse is sent when | but not |
//! | --- | --- |
//! | a hand or message brings a fader from off to -60 dB or more, and the channel is open and goes to a bus | within 250 ms of off, or by a profile, a restart, or a fader that waits to rejoin |
//!
//! | the panel when locked | does |
//! | --- | --- |
//! | closes a channel, coughs, takes a rung of the ladder, unlocks | what it says |
//! | anything else | nothing; faders wait to rejoin afterwards |
//!
//! | rung | does |
//! | --- | --- |
//! | `close-microphones` | closes every microphone but the host's |
//! | `safe-mix` | channels of the mix to their levels and into the programme, all others closed; opens no microphone |
//! | `fallback` | that channel alone in the programme |
//!
//! Each rung is compiled when the profile loads and crosses to the engine as one batch.

use super::super::{By, ContactDo, Desk, Effects, NETWORK, swap};
use crate::params::{Address, Key, Value};
use crate::profile::{Id, RemoteStart};
use crate::units::Frames;

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

/// The rungs of the ladder, each with all that it sets.
pub(in crate::desk) type Rungs = [Vec<(Address, Value)>; 3];

fn word(word: &str) -> Value {
    Value::Word(word.into())
}

impl Desk {
    fn start_of(&self, channel: &Id) -> Option<&RemoteStart> {
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
        match self.start_of(channel) {
            Some(lines) => effects.contacts.push((lines.start.clone(), ContactDo::Pulse)),
            None => effects.notes.push(format!("channel {channel} has no start line: its input names none")),
        }
    }

    /// Whether a locked panel may do this all the same.
    pub(in crate::desk) fn is_allowed_when_locked(address: &Address, value: &Value) -> bool {
        match address.key {
            Key::ChannelSwitch => value.is_word("closed"),
            Key::ChannelFader => *value == Value::Off,
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
                if address.key == Key::ChannelFader && matches!(by, By::Control(_)) && self.is_novice() =>
            {
                Value::Number(db.min(0.0))
            }
            value => value,
        }
    }

    pub(super) fn novice_refuses(&self, address: &Address, value: &Value, by: By) -> Option<String> {
        let refused = match address.key {
            Key::ChannelAssign
            | Key::ChannelSource
            | Key::ChannelSourceB
            | Key::ChannelSourceSelect
            | Key::OutputSource
            | Key::BusAir => "no route",
            Key::BusFader | Key::OutputLevel => "no bus or output level",
            Key::ChannelSolo if value.is_word("on") => "no solo-in-place",
            Key::BusTone if !value.is_word("off") => "no tone",
            _ => return None,
        };
        (matches!(by, By::Control(_)) && self.is_novice()).then(|| format!("the panel moves {refused} in novice mode"))
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
        effects.notes.push("the panel locks itself: nobody used it and nothing is on air".to_owned());
        self.put(&Address::new(Key::DeskLock, ""), word("on"), By::Desk, effects);
    }

    /// Works out all rungs of the ladder for the profile in force.
    pub(in crate::desk) fn compile_panic(&mut self) {
        let ladder = self.installation.profile.console.panic.clone();
        let channels: Vec<Id> = self.channels().map(|channel| channel.id.clone()).collect();
        let of = |key, id: &Id| Address::new(key, id);
        let closed = |id: &Id| (of(Key::ChannelSwitch, id), word("closed"));
        let on_programme = |id: &Id, level: f32| {
            [
                (of(Key::ChannelFader, id), Value::Number(level)),
                (Address::with_further(Key::ChannelAssign, id, "programme"), word("on")),
                (of(Key::ChannelSwitch, id), word("open")),
            ]
        };
        let programme = || (Address::new(Key::BusFader, "programme"), Value::Number(0.0));
        let mut rungs = Rungs::default();
        // Which of these are microphones is asked when the rung is taken.
        rungs[0] = channels.iter().filter(|id| ladder.host.as_ref() != Some(id)).map(closed).collect();
        if !ladder.safe.is_empty() {
            let others = channels.iter().filter(|id| ladder.safe.iter().all(|(safe, _)| safe != *id));
            rungs[1] = others.map(closed).chain([programme()]).collect();
            rungs[1].extend(ladder.safe.iter().flat_map(|(id, level)| on_programme(id, *level)));
        }
        if let Some(id) = &ladder.fallback {
            let others = channels.iter().filter(|other| *other != id);
            rungs[2] = others.map(closed).chain([programme()]).chain(on_programme(id, 0.0)).collect();
        }
        self.console.rungs = rungs;
    }

    /// Takes a rung of the ladder: all of it in one tick.
    pub(super) fn take_rung(&mut self, rung: &Value, effects: &mut Effects) {
        let Some(index) = ["close-microphones", "safe-mix", "fallback"].iter().position(|name| rung.is_word(name))
        else {
            return;
        };
        let values = self.console.rungs[index].clone();
        if values.is_empty() {
            effects.notes.push(format!("panic: the profile has nothing for {rung}: say it in [panic]"));
            return;
        }
        effects.notes.push(format!("panic: {rung}"));
        self.console.openings.clear();
        self.gathering = true;
        for (address, value) in &values {
            let id = Id::from(&*address.id);
            let of_microphone = address.key == Key::ChannelSwitch && self.is_microphone(&id);
            // Closings first: the first rung is about microphones only, and no rung opens one.
            let leave = (index == 0 && !of_microphone) || (of_microphone && value.is_word("open"));
            if !leave && let Ok(value) = self.acceptable(address, value) {
                self.put(address, value, By::Desk, effects);
            }
        }
        self.gathering = false;
        self.aim_all();
        for (address, _) in values.iter().filter(|(address, _)| address.key == Key::ChannelSwitch) {
            self.when_closed(&Id::from(&*address.id), true, effects);
        }
        self.console.stale = true;
    }

    /// Brings back the mix that the profile starts with. Switches stay as they are.
    pub(super) fn restore_prepared(&mut self, by: By, effects: &mut Effects) {
        let prepared = swap::starting_mix(&self.installation.profile);
        effects.notes.push("the mix is as it was prepared; switches are as they were".to_owned());
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
