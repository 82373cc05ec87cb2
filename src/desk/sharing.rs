//! Gains that one takes from others: who is in which sharing group, and who makes room for its voices.
//!
//! A group is there by being named. It has a number in the engine as long as any value of the desk names it.

use super::Desk;
use super::layout::Place;
use crate::dsp::dynamics::gain_per_frame;
use crate::dsp::math::exp2;
use crate::engine::limits::SHARING_GROUPS;
use crate::engine::limits::TICK;
use crate::engine::{Bank, DuckingValue, SharingValue, Target};
use crate::params::{Address, BUS_DUCKING, CHANNEL_DUCKING, Domain, DuckingKeys, Key, Value};
use crate::profile::{Id, SHARING_GROUPS_MAX};
use std::collections::BTreeSet;

const _: () = assert!(SHARING_GROUPS == SHARING_GROUPS_MAX, "a number for each group that a profile may name");

/// log2(10) / 10: how many doublings of power one decibel is.
const DOUBLINGS_PER_DB: f64 = std::f64::consts::LOG2_10 / 10.0;

impl Desk {
    /// Every group that a value of the desk names.
    fn named_groups(&self) -> BTreeSet<&str> {
        let values = self.mix.iter().filter(|(address, _)| address.key.parameter().domain == Domain::SharingGroup);
        values.filter_map(|(_, value)| group_name(value)).collect()
    }

    /// Why a channel cannot be in a group.
    pub(super) fn why_no_group(&self, value: &Value) -> Option<String> {
        let group = group_name(value)?;
        let named = self.named_groups();
        (named.len() >= SHARING_GROUPS && !named.contains(group))
            .then(|| format!("there are {SHARING_GROUPS} sharing groups already, and no more"))
    }

    /// The number of the group that a value names; 0 for none.
    fn group_number(&mut self, value: &Value) -> u8 {
        let Some(name) = group_name(value) else { return 0 };
        if let Some(number) = self.sharing_groups.get(name) {
            return *number;
        }
        let named: BTreeSet<Id> = self.named_groups().into_iter().map(Id::from).collect();
        self.sharing_groups.retain(|group, _| named.contains(group));
        let taken: BTreeSet<u8> = self.sharing_groups.values().copied().collect();
        let last = u8::try_from(SHARING_GROUPS).unwrap_or(u8::MAX);
        let Some(number) = (1..=last).find(|number| !taken.contains(number)) else { return 0 };
        self.sharing_groups.insert(name.into(), number);
        number
    }

    /// Aims what a channel's gain takes from others.
    pub(super) fn aim_sharing(&mut self, id: &Id) {
        let Some(place) = self.stage.place(Bank::Sources, id) else { return };
        let group = f32::from(self.group_number(&self.held(Key::ChannelSharingGroup, id)));
        let weight = match self.value(&Address::new(Key::ChannelSharingPriority, id)) {
            _ if !self.held(Key::ChannelSharing, id).is_word("on") => 0.0,
            Some(Value::Number(db)) => exp2(f64::from(db) * DOUBLINGS_PER_DB),
            _ => 1.0,
        };
        #[expect(clippy::cast_possible_truncation, reason = "the engine works in single precision")]
        let weight = weight as f32;
        let linked = if place.width == 2 { 1.0 } else { 0.0 };
        for column in place.columns() {
            for (value, to) in
                [(SharingValue::Group, group), (SharingValue::Weight, weight), (SharingValue::Linked, linked)]
            {
                self.stage.aim(Target::Sharing { column, value }, to);
            }
        }
        self.aim_room(Bank::Sources, place, id, &CHANNEL_DUCKING);
    }

    /// Aims the room that a bus makes for voices.
    pub(super) fn aim_room_of_bus(&mut self, id: &Id) {
        if let Some(place) = self.stage.place(Bank::Buses, id) {
            self.aim_room(Bank::Buses, place, id, &BUS_DUCKING);
        }
    }

    /// One that makes no room any more goes back as it was told before.
    fn aim_room(&mut self, bank: Bank, place: Place, id: &Id, keys: &DuckingKeys) {
        let under = f32::from(self.group_number(&self.held(keys.under, id)));
        let number = |key| match self.held(key, id) {
            Value::Number(number) => number,
            Value::Off | Value::Word(_) => 0.0,
        };
        let ticks = |key| f64::from(number(key)) / TICK as f64;
        #[expect(clippy::cast_possible_truncation, reason = "the engine works in single precision")]
        let hold = (ticks(keys.hold) * f64::from(self.rate.hz()) / 1000.0).round() as f32;
        let values = [
            (DuckingValue::Under, under),
            (DuckingValue::Difference, number(keys.difference)),
            (DuckingValue::Depth, number(keys.depth)),
            (DuckingValue::Attack, gain_per_frame(ticks(keys.attack), self.rate)),
            (DuckingValue::Hold, hold),
            (DuckingValue::Release, gain_per_frame(ticks(keys.release), self.rate)),
        ];
        let told = if under > 0.0 { values.len() } else { 1 };
        for column in place.columns() {
            for (value, to) in &values[..told] {
                self.stage.aim(Target::Ducking { bank, column, value: *value }, *to);
            }
        }
    }
}

/// The group that a value names.
fn group_name(value: &Value) -> Option<&str> {
    match value {
        Value::Word(word) if &**word != "off" => Some(word),
        _ => None,
    }
}
