//! From the mix to the engine: what each target ought to be, given every value of the desk.

use super::Desk;
use super::layout::Place;
use crate::dsp::level::linear;
use crate::dsp::pan::{PanLaw, balance, gains};
use crate::engine::{Bank, LevellerValue, Target};
use crate::params::{Address, Key, Value};
use crate::profile::Id;
use crate::units::{Decibels, Pan};

/// A channel and its gain groups together give no more than this, dB.
const MOST_DB: f32 = 20.0;
/// What the pad takes off: 20 dB.
pub(super) const PAD: f32 = 0.1;

impl Desk {
    /// A value that is always there: the mix holds one for every parameter of every thing.
    pub(super) fn held(&self, key: Key, id: &Id) -> Value {
        if id.starts_with("talkback:") {
            return Self::held_by_talkback(key).unwrap_or(Value::Off);
        }
        self.value(&Address::new(key, id)).or_else(|| key.parameter().default_value()).unwrap_or(Value::Off)
    }

    fn factor(&self, key: Key, id: &Id) -> f32 {
        linear(self.held(key, id).decibels()).get()
    }

    /// Aims everything that hangs on one channel.
    pub(super) fn aim_channel(&mut self, id: &Id) {
        self.aim_strip_of_channel(id);
        self.aim_stages_of_channel(id);
        self.aim_sharing(id);
    }

    /// Aims what hangs on one channel but for its stages.
    pub(super) fn aim_strip_of_channel(&mut self, id: &Id) {
        self.aim_gains_of_channel(id);
        let Some(place) = self.stage.place(Bank::Sources, id) else { return };
        let buses: Vec<Id> = self.buses().map(|bus| bus.id.clone()).collect();
        for bus in buses {
            self.aim_shares(id, place, &bus);
        }
        self.aim_listen(id, place);
    }

    /// Aims the gains of a channel: trim, fader, switch.
    pub(super) fn aim_gains_of_channel(&mut self, id: &Id) {
        let Some(place) = self.stage.place(Bank::Sources, id) else { return };
        let polarity = if self.held(Key::ChannelPolarity, id).is_word("inverted") { -1.0 } else { 1.0 };
        let (trim, pad) = self.level_keys(id);
        let pad = if self.held(pad, id).is_word("on") { PAD } else { 1.0 };
        let trim = self.factor(trim, id) * polarity * pad;
        let fader = self.held(Key::ChannelFader, id);
        let group_db: f32 = self
            .gain_groups_of(id)
            .map(|group| match self.held(Key::GroupFader, &group.id) {
                Value::Number(db) => db,
                // Off closes the gate; the level stays where it was.
                Value::Off | Value::Word(_) => 0.0,
            })
            .sum();
        let gate = if self.passes(id) { 1.0 } else { 0.0 };
        let db = (fader.decibels().get() + group_db).min(MOST_DB);
        let level = linear(Decibels::try_new(db).unwrap_or(Decibels::SILENCE)).get();
        let switched = self.is_switched_open(id) && !self.device_is_away(id) && !self.is_held_closed(id);
        let send = if switched { 1.0 } else { 0.0 };
        let selected_stands = self.stage.source(id) == self.input_of(id).map(|input| &input.id);
        for column in place.columns() {
            self.stage.aim(Target::SendGate { column }, send);
            // With no room for another column the old source is heard on, as it was.
            if selected_stands {
                self.stage.aim(Target::Trim { column }, trim);
            }
            if fader != Value::Off {
                // A fader at its bottom stop closes the gate, in the time of a closing; the level stays where it was.
                self.stage.aim(Target::Level { bank: Bank::Sources, column }, level);
            }
            self.stage.aim(Target::Gate { bank: Bank::Sources, column }, gate);
        }
        self.aim_mix_minus_of(id);
    }

    /// Whether a channel lets sound through: open, and its device there.
    fn passes(&self, id: &Id) -> bool {
        self.is_open(id) && !self.device_is_away(id) && !self.is_held_closed(id)
    }

    /// Whether a channel's switch is open, and none of its gain groups closed.
    pub(super) fn is_switched_open(&self, id: &Id) -> bool {
        self.held(Key::ChannelSwitch, id).is_word("open")
            && self.gain_groups_of(id).all(|group| {
                self.held(Key::GroupSwitch, &group.id).is_word("open")
                    && self.held(Key::GroupFader, &group.id) != Value::Off
            })
    }

    /// Whether a channel is open: switched so, and its fader above its stop.
    pub(super) fn is_open(&self, id: &Id) -> bool {
        self.is_switched_open(id) && self.held(Key::ChannelFader, id) != Value::Off
    }

    /// What a channel gives to the two sides of a bus.
    pub(super) fn sides(&self, id: &Id, place: Place, pan: Pan) -> [f32; 2] {
        if place.width == 2 {
            return balance(pan);
        }
        let law = match self.held(Key::ChannelPanLaw, id) {
            Value::Word(word) if &*word == "linear" => PanLaw::Linear,
            Value::Word(word) if &*word == "compromise" => PanLaw::Compromise,
            _ => PanLaw::EqualPower,
        };
        gains(law, pan)
    }

    /// Aims everything that hangs on one bus.
    pub(super) fn aim_bus(&mut self, id: &Id) {
        self.aim_strip_of_bus(id);
        self.aim_stages_of_bus(id);
        self.aim_room_of_bus(id);
    }

    /// Aims what hangs on one bus but for its stages.
    pub(super) fn aim_strip_of_bus(&mut self, id: &Id) {
        let Some(place) = self.stage.place(Bank::Buses, id) else { return };
        self.aim_into_bus(id);
        let fader = self.held(Key::BusFader, id);
        // Somebody's share of a bus has the bus's own fader.
        let shares = self.stage.followers_of(id).into_iter().filter(|(_, without)| !without);
        let places = std::iter::once((Bank::Buses, place)).chain(shares.map(|(place, _)| (Bank::Followers, place)));
        for (bank, column) in places.flat_map(|(bank, place)| place.columns().map(move |column| (bank, column))) {
            if fader != Value::Off {
                self.stage.aim(Target::Level { bank, column }, linear(fader.decibels()).get());
            }
            let gate = if fader == Value::Off { 0.0 } else { 1.0 };
            self.stage.aim(Target::Gate { bank, column }, gate);
        }
        for (key, value) in [
            (Key::BusLeveller, LevellerValue::Target),
            (Key::BusLevellerRange, LevellerValue::Range),
            (Key::BusLevellerWindow, LevellerValue::Window),
            (Key::BusLevellerFloor, LevellerValue::Floor),
            (Key::BusLevellerSpeed, LevellerValue::Speed),
        ] {
            let number = if let Value::Number(number) = self.held(key, id) { number } else { 0.0 };
            self.stage.aim(Target::Leveller { column: place.first, value }, number);
        }
    }

    /// Aims everything that hangs on one output. A mono output carries half of each side, so that what is
    /// equal on both keeps its level.
    pub(super) fn aim_output(&mut self, id: &Id) {
        let Some(place) = self.stage.place(Bank::Outputs, id) else { return };
        let level = self.held(Key::OutputLevel, id);
        for column in place.columns() {
            if level != Value::Off {
                let level = linear(level.decibels()).get() * self.monitor_gain(id);
                self.stage.aim(Target::Level { bank: Bank::Outputs, column }, level);
            }
            let heard = level != Value::Off && !self.console.is_muted(id);
            let gate = if heard { 1.0 } else { 0.0 };
            self.stage.aim(Target::Gate { bank: Bank::Outputs, column }, gate);
        }
        self.aim_delay_of(Bank::Outputs, place, self.number(Key::OutputDelay, id) / 1000.0);
        let ceiling = match self.held(Key::OutputCeiling, id) {
            Value::Off => 0.0,
            ceiling => linear(ceiling.decibels()).get(),
        };
        self.stage.aim(Target::Ceiling { column: place.first }, ceiling);
        let mono = self.rig().outputs.iter().any(|output| output.id == *id && output.channels.len() == 1);
        let sums = mono || self.held(Key::OutputMono, id).is_word("on");
        let buses: Vec<Id> =
            self.buses().map(|bus| bus.id.clone()).chain([super::console::LISTEN_BUS.into()]).collect();
        for bus in buses {
            let Some(from) = self.stage.place(Bank::Buses, &bus) else { continue };
            let gain = match (self.carries_now(id, &bus), sums) {
                (false, _) => 0.0,
                (true, true) => 0.5,
                (true, false) => 1.0,
            };
            let (left, right) = (from.first, from.first + 1);
            // All four: the output may have been of the other kind before.
            let (across, beside) = (if sums { gain } else { 0.0 }, if mono { 0.0 } else { gain });
            self.stage.aim(Target::ToOutput { from: left, to: place.first }, gain);
            self.stage.aim(Target::ToOutput { from: right, to: place.first }, across);
            self.stage.aim(Target::ToOutput { from: left, to: place.first + 1 }, if mono { 0.0 } else { across });
            self.stage.aim(Target::ToOutput { from: right, to: place.first + 1 }, beside);
        }
    }
}
