//! Loudspeakers are mute before a microphone in their room opens, and stay so until the room has died away.
//!
//! A value that would make a microphone heard waits here while the mute goes out. It is set when the engine has had the mute
//! for as long as the mute takes, [`CLEAR_MS`] more, and what the loudspeakers are late by: as the room says, and their device. Headphones are in no room.
//!
//! | the loudspeakers of a room are | while |
//! | --- | --- |
//! | muted | a microphone in it is live, or about to be |
//! | muted still | less than `decay_ms` has passed since, or its own fade |
//! | heard | otherwise |

use super::super::{By, Desk, Effects, Refusal, wiring};
use crate::engine::Bank;
use crate::params::{Address, Key, Value};
use crate::profile::{Id, Room};
use crate::units::Frames;
use crate::words::why as words;
use std::collections::BTreeSet;

/// What the engine takes to close an output, and a tick or two.
const MUTE_MS: u32 = 6;
/// How long a microphone is heard yet while it closes: a fader is 60 dB down after seven of its 10 ms.
const FADED_MS: u32 = 70;
/// How long loudspeakers are silent at least before the microphone is heard.
const CLEAR_MS: u32 = 5;
/// What a true-peak limiter behind a loudspeaker delays at most.
const CEILING_MS: u32 = 2;
/// A period is reckoned twice on the way out and once on the way in (common practice, no source).
const PERIODS: u64 = 3;
/// A loudspeaker on another clock than the desk's is late by the cushion of its bridge, and by a block.
const OTHER_CLOCK_MS: u32 = 40;
/// An engine that says nothing for this long is not waited for.
const PATIENCE_MS: u32 = 1_000;

/// A room whose loudspeakers are muted.
#[derive(Debug)]
pub(super) struct Mute {
    /// The batch that carried the mute, and from which frame on it held, once that is known.
    sequence: u64,
    since: Option<Frames>,
    /// When they are heard again, once no microphone is live.
    pub(super) until: Option<Frames>,
}

/// A value that waits.
#[derive(Debug)]
pub(super) struct Opening {
    pub(super) value: Value,
    by: By,
    pub(super) wait: Wait,
}

/// What an opening waits for.
#[derive(Debug)]
pub(super) enum Wait {
    /// That the engine takes the batch of this number, or this frame at the latest; then for so many frames.
    Batch(u64, Frames, Frames),
    /// This frame.
    Until(Frames),
}

impl Wait {
    pub(super) const fn frame(&self) -> Frames {
        match self {
            Self::Batch(_, latest, _) => *latest,
            Self::Until(at) => *at,
        }
    }
}

impl super::Console {
    /// The engine took a batch or plan in.
    pub(in crate::desk) fn echo(&mut self, sequence: u64, frame: Frames) {
        for mute in self.muted.values_mut().filter(|mute| mute.sequence <= sequence) {
            mute.since.get_or_insert(frame);
        }
        for opening in self.openings.values_mut() {
            if let Wait::Batch(sent, _, clear) = opening.wait
                && sent <= sequence
            {
                opening.wait = Wait::Until(frame.plus(clear));
            }
        }
    }
}

impl Desk {
    /// Whether a value has to wait since it makes a microphone heard in a room that is not silent yet. The room is muted, and
    /// the value is set as soon as it is silent. A later value for the same parameter takes the place of one that waits.
    pub(in crate::desk) fn waits_for_silence(&mut self, address: &Address, value: &Value, by: By) -> bool {
        let waited = self.console.openings.remove(address).is_some();
        self.console.stale |= waited;
        if self.rig().console.rooms.is_empty()
            || !super::decides_who_is_live(address.key, self.value(address).as_ref(), value)
        {
            return false;
        }
        let before = self.live_microphones();
        let opened = self.live_with([(address.clone(), value.clone())].into_iter(), before.clone());
        let id = Id::from(&*address.id);
        // One microphone in place of another stands in another room, maybe.
        let another = opened.contains(&id) && self.selects_another_microphone(address, value);
        let mut opened: BTreeSet<Id> = opened.difference(&before).cloned().collect();
        opened.extend(another.then_some(id));
        // It counts already when it is asked in which room the microphone stands.
        let asked = Opening { value: value.clone(), by, wait: Wait::Until(self.now) };
        self.console.openings.insert(address.clone(), asked);
        let Some(wait) = self.silence_for(&opened) else {
            self.console.openings.remove(address);
            return false;
        };
        self.console.openings.insert(address.clone(), Opening { value: value.clone(), by, wait });
        self.console.stale = true;
        true
    }

    /// Microphones that are live, and those that what waits will make so.
    pub(super) fn live_and_about_to_be(&mut self) -> BTreeSet<Id> {
        let live = self.live_microphones();
        self.live_with(std::iter::empty(), live)
    }

    /// `live`, and what is live with everything that waits and these values too.
    pub(in crate::desk) fn live_with(
        &mut self,
        values: impl Iterator<Item = (Address, Value)>,
        mut live: BTreeSet<Id>,
    ) -> BTreeSet<Id> {
        let waiting = self.console.openings.iter().map(|(address, opening)| (address.clone(), opening.value.clone()));
        let values: Vec<(Address, Value)> = waiting.chain(values).collect();
        if values.is_empty() {
            return live;
        }
        let before: Vec<(Address, Option<Value>)> =
            values.into_iter().map(|(address, value)| (address.clone(), self.mix.insert(address, value))).collect();
        live.extend(self.live_microphones());
        for (address, value) in before.into_iter().rev() {
            match value {
                Some(value) => self.mix.insert(address, value),
                None => self.mix.remove(&address),
            };
        }
        live
    }

    /// Mutes the rooms of microphones that are to open, and says for what they have to wait.
    fn silence_for(&mut self, opened: &BTreeSet<Id>) -> Option<Wait> {
        let rooms: Vec<Room> = self.rooms_with_loudspeakers(opened);
        let mut wait: Option<Wait> = None;
        for room in rooms {
            self.mute(&room);
            let mute = self.console.muted.get(&room.id)?;
            let clear = self.clear_frames(&room);
            let this = match mute.since {
                Some(since) if since.plus(clear) <= self.now => continue,
                Some(since) => Wait::Until(since.plus(clear)),
                None => {
                    let latest = self.now.plus(self.rate.frames_in_ms_rounded_up(PATIENCE_MS));
                    Wait::Batch(mute.sequence, latest, clear)
                }
            };
            // The room whose loudspeakers are late by most; one that waits for the engine counts before one that does not.
            let later = |wait: &Wait| match wait {
                Wait::Batch(_, _, clear) => (1, clear.0),
                Wait::Until(at) => (0, at.0),
            };
            if wait.as_ref().is_none_or(|wait| later(wait) < later(&this)) {
                wait = Some(this);
            }
        }
        wait
    }

    /// Why an output is muted, in words.
    pub(in crate::desk) fn why_muted(&self, output: &str) -> Option<String> {
        let rooms = &self.rig().console.rooms;
        let room = rooms.iter().find(|room| {
            self.console.muted.contains_key(&room.id) && room.loudspeakers.iter().any(|id| &**id == output)
        })?;
        Some(words::microphone_live(&room.label, &self.live_in(room)))
    }

    /// The live microphones of a room, in words.
    pub(in crate::desk) fn live_in(&self, room: &Room) -> String {
        let live = self.live_microphones();
        let here: Vec<&str> = live.iter().filter(|id| self.stands_in(id, room)).map(|id| &**id).collect();
        here.join(", ")
    }

    fn rooms_with_loudspeakers(&self, microphones: &BTreeSet<Id>) -> Vec<Room> {
        let rooms = self.rig().console.rooms.iter().filter(|room| {
            !(room.loudspeakers.is_empty() && room.mute.is_none())
                && microphones.iter().any(|id| self.stands_in(id, room))
        });
        rooms.cloned().collect()
    }

    /// From the frame at which the engine has the mute to the one at which a microphone may be heard.
    fn clear_frames(&self, room: &Room) -> Frames {
        let late = room.loudspeakers.iter().any(|id| self.held(Key::OutputCeiling, id) != Value::Off);
        let whole = self.rate.frames_in_ms_rounded_up(MUTE_MS + CLEAR_MS + if late { CEILING_MS } else { 0 });
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "at most 500 ms")]
        let latency_ms = room.latency_ms.ceil() as u32;
        let devices = room.loudspeakers.iter().map(|id| self.device_frames(id)).max().unwrap_or(Frames(0));
        whole.plus(self.rate.frames_in_ms_rounded_up(latency_ms)).plus(devices)
    }

    /// By how much an output is late for what its device is.
    fn device_frames(&self, output: &Id) -> Frames {
        let device = self.rig().outputs.iter().find(|known| known.id == *output).map(|output| &output.device);
        let Some(device) = self.rig().devices.iter().find(|known| Some(&known.id) == device) else { return Frames(0) };
        let periods = Frames(u64::from(device.period_frames.unwrap_or(0)) * PERIODS);
        let other_clock = wiring::driving(self.rig()).is_some_and(|driving| driving.id != device.id);
        periods.plus(self.rate.frames_in_ms_rounded_up(if other_clock { OTHER_CLOCK_MS } else { 0 }))
    }

    fn mute(&mut self, room: &Room) {
        if let Some(mute) = self.console.muted.get_mut(&room.id) {
            mute.until = None;
            return;
        }
        for output in &room.loudspeakers {
            self.console.muted_outputs.insert(output.clone());
            self.aim_output(output);
        }
        // With nothing to send they were silent before.
        let since = self.stage.all_sent().then_some(self.now);
        let sequence = self.stage.next_sequence();
        self.console.muted.insert(room.id.clone(), Mute { sequence, since, until: None });
    }

    /// What waited for silence is set when there is.
    pub(super) fn open_what_waited(&mut self, effects: &mut Effects) {
        let now = self.now;
        let due: Vec<Address> = self
            .console
            .openings
            .iter()
            .filter(|(_, opening)| opening.wait.frame() <= now)
            .map(|(address, _)| address.clone())
            .collect();
        for address in due {
            if let Some(opening) = self.console.openings.remove(&address) {
                // Asked again: what it stands beside by now is not what it was asked beside.
                let value = self.acceptable(&address, &opening.value);
                match value.and_then(|value| self.talkback_refuses(&address, &value).map_or(Ok(value), Err)) {
                    Ok(value) => self.put(&address, value, opening.by, effects),
                    Err(why) => effects.refused.push(Refusal { what: address.to_osc(), why }),
                }
            }
            self.console.stale = true;
        }
    }

    /// Mutes the rooms with live microphones, and lets the others be heard when they have died away.
    pub(super) fn mute_rooms(&mut self, live: &BTreeSet<Id>, effects: &mut Effects) {
        let muted = self.rooms_with_loudspeakers(live);
        for room in &muted {
            self.mute(room);
        }
        let now = self.now;
        let rooms = self.rig().console.rooms.clone();
        for room in rooms.iter().filter(|room| !muted.iter().any(|muted| muted.id == room.id)) {
            let decay = self.rate.frames_in_ms_rounded_up(room.decay_ms.max(FADED_MS));
            if let Some(mute) = self.console.muted.get_mut(&room.id)
                && *mute.until.get_or_insert(now.plus(decay)) <= now
            {
                self.console.muted.remove(&room.id);
            }
        }
        self.console.muted.retain(|id, _| rooms.iter().any(|room| room.id == *id));
        let outputs: BTreeSet<Id> = rooms
            .iter()
            .filter(|room| self.console.muted.contains_key(&room.id))
            .flat_map(|room| room.loudspeakers.iter().cloned())
            .collect();
        let before = std::mem::replace(&mut self.console.muted_outputs, outputs.clone());
        for output in before.symmetric_difference(&outputs) {
            if self.stage.place(Bank::Outputs, output).is_some() {
                self.aim_output(output);
            }
        }
        let all: Vec<Id> = self.rig().outputs.iter().map(|output| output.id.clone()).collect();
        for id in all {
            let word = if outputs.contains(&id) { "on" } else { "off" };
            self.tell(Key::OutputMuted, &id, Value::Word(word.into()), effects);
        }
        for room in &rooms {
            if let Some(contact) = &room.mute {
                self.stand(contact, self.console.muted.contains_key(&room.id), effects);
            }
        }
    }
}
