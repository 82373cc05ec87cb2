//! Line-up tone with its ident: 1 kHz at -18 dBFS (EBU R 68), the left side interrupted for 250 ms every 3 s (EBU Tech 3304).
//!
//! A bus that is not on air takes `on`; one that is takes only `on-air`, which confirms it. Either ends after 60 s. Tone that was
//! confirmed and is on air for more than 10 s is wrong until it ends.
//!
//! A slate has a tone of its own under the voice, [`SLATE_HERTZ`]: takes are found by it in fast play or on a meter (common
//! practice, no source).
//!
//! Warn everybody who wears headphones before tone goes out; it is no signal for listening to.

use super::super::{By, Desk, Effects};
use crate::desk::wiring::FeedSpec;
use crate::engine::{Bank, Tap, Target};
use crate::params::{Address, Key, Value};
use crate::profile::{Id, Signal};
use crate::units::{Decibels, Frames};
use crate::words::{log, refused as words};
use std::collections::BTreeSet;

/// What the engine calls the tone.
pub(in crate::desk) const TONE_SOURCE: &str = "tone:";
const LEVEL_DBFS: f32 = -18.0;
const HERTZ: f32 = 1_000.0;
/// What the engine calls the tone under a slate.
pub(in crate::desk) const SLATE_SOURCE: &str = "slate:";
const SLATE_HERTZ: f32 = 30.0;
const SLATE_DBFS: f32 = -20.0;
const CYCLE_MS: u32 = 3_000;
const INTERRUPTED_MS: u32 = 250;
const LONGEST_MS: u32 = 60_000;
const ALARM_MS: u32 = 10_000;

/// The tone on one bus.
#[derive(Debug)]
pub(super) struct Tone {
    since: Frames,
    /// When its left side is switched next, or it ends.
    pub(super) next: Frames,
}

impl Desk {
    /// What the engine has to have for the tone, while any bus has it.
    pub(in crate::desk) fn wanted_tone(&self) -> Option<FeedSpec> {
        let level = Decibels::try_new(LEVEL_DBFS).ok()?;
        let any = !self.console.tones.is_empty();
        any.then_some(FeedSpec::Generator { signal: Signal::Sine { hertz: HERTZ }, level })
    }

    /// What the engine has to have for slates, where the profile has any.
    pub(in crate::desk) fn wanted_slate(&self) -> Option<FeedSpec> {
        let level = Decibels::try_new(SLATE_DBFS).ok()?;
        let any = self.talkbacks().iter().any(|talkback| !talkback.slate.is_empty());
        any.then_some(FeedSpec::Generator { signal: Signal::Sine { hertz: SLATE_HERTZ }, level })
    }

    /// Aims the tone under slates at the buses that have one now.
    pub(super) fn aim_slate(&mut self, buses: &BTreeSet<Id>) {
        let Some(from) = self.stage.place(Bank::Sources, SLATE_SOURCE).map(|place| place.first) else { return };
        self.stage.aim(Target::Gate { bank: Bank::Sources, column: from }, if buses.is_empty() { 0.0 } else { 1.0 });
        let ids: Vec<Id> = self.buses().map(|bus| bus.id.clone()).collect();
        for bus in ids {
            let Some(to) = self.stage.place(Bank::Buses, &bus) else { continue };
            let gain = if buses.contains(&bus) { 1.0 } else { 0.0 };
            for column in to.columns() {
                self.stage.aim(Target::ToBus { tap: Tap::AfterFader, from, to: column }, gain);
            }
        }
    }

    /// Why a bus does not take the tone, if so.
    pub(super) fn tone_refuses(&self, address: &Address, value: &Value) -> Option<String> {
        let bus = Id::from(&*address.id);
        (address.key == Key::BusTone && value.is_word("on") && self.is_on_air(&bus)).then(|| words::tone_on_air(&bus))
    }

    /// The tone of a bus was switched.
    pub(super) fn tone_moved(&mut self, bus: &Id, on: bool) {
        let there = !self.console.tones.is_empty();
        if on {
            self.console.tones.entry(bus.clone()).or_insert(Tone { since: self.now, next: self.now });
        } else {
            self.console.tones.remove(bus);
        }
        if there == self.console.tones.is_empty() {
            self.reconcile();
            self.aim_all();
        }
        self.aim_tones();
        self.console.stale = true;
    }

    /// Switches left sides, and ends what was on for long enough.
    pub(super) fn follow_tones(&mut self, effects: &mut Effects) {
        let now = self.now;
        let over = self.rate.frames_in_ms_rounded_up(LONGEST_MS);
        let tones = self.console.tones.iter().filter(|(_, tone)| tone.since.plus(over) <= now);
        for bus in tones.map(|(bus, _)| bus.clone()).collect::<Vec<_>>() {
            effects.notes.push(log::tone_ends(&bus));
            self.put(&Address::new(Key::BusTone, &bus), Value::Word("off".into()), By::Desk, effects);
        }
        if self.console.tones.values().any(|tone| tone.next <= now) {
            self.aim_tones();
        }
    }

    /// Aims the tone at its buses.
    pub(in crate::desk) fn aim_tones(&mut self) {
        let Some(from) = self.stage.place(Bank::Sources, TONE_SOURCE).map(|place| place.first) else { return };
        self.stage.aim(Target::Gate { bank: Bank::Sources, column: from }, 1.0);
        let buses: Vec<Id> = self.buses().map(|bus| bus.id.clone()).collect();
        let (cycle, gap) =
            (self.rate.frames_in_ms_rounded_up(CYCLE_MS).0, self.rate.frames_in_ms_rounded_up(INTERRUPTED_MS).0);
        for bus in buses {
            let now = self.now;
            let sides = match self.console.tones.get_mut(&bus) {
                None => [0.0, 0.0],
                Some(tone) => {
                    let into = now.since(tone.since).0 % cycle;
                    let interrupted = into < gap;
                    tone.next = now.plus(Frames(if interrupted { gap - into } else { cycle - into }));
                    [if interrupted { 0.0 } else { 1.0 }, 1.0]
                }
            };
            let Some(to) = self.stage.place(Bank::Buses, &bus) else { continue };
            for (side, gain) in (0..).zip(sides) {
                self.stage.aim(Target::ToBus { tap: Tap::AfterFader, from, to: to.first + side }, gain);
            }
        }
    }

    /// Buses on air whose tone has been there for too long.
    pub(in crate::desk) fn tone_on_air(&self) -> Option<&Id> {
        let long = self.rate.frames_in_ms_rounded_up(ALARM_MS);
        let tones = &self.console.tones;
        tones.iter().find(|(bus, tone)| tone.since.plus(long) <= self.now && self.is_on_air(bus)).map(|(bus, _)| bus)
    }
}
