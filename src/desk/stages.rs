//! From the parameters of a stage to the numbers that the engine runs: frequencies to sections, times to one-poles.

use super::Desk;
use super::layout::Place;
use crate::dsp::delay::DELAY_MS_MAX;
use crate::dsp::dynamics::gain_per_frame;
use crate::dsp::equaliser::{Shape, Slope, band, high_pass};
use crate::dsp::math::tan_turns;
use crate::dsp::section::Coefficients;
use crate::engine::{Bank, StageValue, Target};
use crate::params::{
    BUS_BANDS, BUS_COMPRESSOR, BandKeys, CHANNEL_BANDS, CHANNEL_COMPRESSOR, CompressorKeys, Key, Value,
};
use crate::profile::Id;

/// One octave of amplitude in dB.
pub(super) const OCTAVE_DB: f64 = 6.020_599_913_279_624;

/// A number in the precision of the engine.
fn single(number: f64) -> f32 {
    #[expect(clippy::cast_possible_truncation, reason = "the engine works in single precision")]
    let single = number as f32;
    single
}

/// Which columns are being aimed.
#[derive(Clone, Copy)]
struct Columns {
    bank: Bank,
    place: Place,
}

impl Desk {
    pub(super) fn number(&self, key: Key, id: &Id) -> f64 {
        match self.held(key, id) {
            Value::Number(number) => f64::from(number),
            Value::Off | Value::Word(_) => 0.0,
        }
    }

    fn is_on(&self, key: Key, id: &Id) -> bool {
        self.held(key, id).is_word("on")
    }

    /// Aims every stage of a channel.
    pub(super) fn aim_stages_of_channel(&mut self, id: &Id) {
        let Some(place) = self.stage.place(Bank::Sources, id) else { return };
        let columns = Columns { bank: Bank::Sources, place };
        self.aim_links(columns);
        self.aim_delay(place, id);
        let slope = match self.held(Key::ChannelHighPassSlope, id) {
            Value::Word(word) if &*word == "18-db" => Slope::Third,
            Value::Word(word) if &*word == "24-db" => Slope::Fourth,
            _ => Slope::Second,
        };
        let sections = if self.is_on(Key::ChannelHighPass, id) {
            high_pass(slope, self.number(Key::ChannelHighPassFrequency, id), self.rate)
        } else {
            [Coefficients::NEUTRAL; 2]
        };
        for (section, coefficients) in (0..).zip(sections) {
            self.aim_section(columns, coefficients, |value| StageValue::HighPass { section, value });
        }
        self.aim_gate(columns, id);
        let after = self.held(Key::ChannelOrder, id).is_word("compressor-first");
        self.aim_bands(columns, id, Key::ChannelEqualiser, &CHANNEL_BANDS, after);
        self.aim_compressor(columns, id, &CHANNEL_COMPRESSOR);
        let range = if self.is_on(Key::ChannelDeEsser, id) { self.number(Key::ChannelDeEsserRange, id) } else { 0.0 };
        // Its crossover is held below half the rate, where it would be no filter any more.
        let rate = f64::from(self.rate.hz());
        let g = tan_turns(0.5 * self.number(Key::ChannelDeEsserFrequency, id).min(0.45 * rate) / rate);
        let threshold = self.number(Key::ChannelDeEsserThreshold, id) / OCTAVE_DB;
        self.aim_values(columns, StageValue::DeEsser, &[g, threshold, range / OCTAVE_DB], range > 0.0, &[2]);
    }

    /// Milliseconds and video frames together, at most what there is room for.
    fn aim_delay(&mut self, place: Place, id: &Id) {
        let written = self.number(Key::ChannelDelayFrameRate, id).max(1.0);
        // Rates that are a thousandth below a whole number are written with two places.
        let whole = (written * 1.001).round();
        let per_second = if (written * 1.001 - whole).abs() < 0.01 { whole / 1.001 } else { written };
        let seconds =
            self.number(Key::ChannelDelayTime, id) / 1000.0 + self.number(Key::ChannelDelayFrames, id) / per_second;
        self.aim_delay_of(Bank::Sources, place, seconds);
    }

    /// Delays the columns of a channel or an output.
    pub(super) fn aim_delay_of(&mut self, bank: Bank, place: Place, seconds: f64) {
        let frames = (seconds.min(f64::from(DELAY_MS_MAX) / 1000.0) * f64::from(self.rate.hz())).round();
        for column in place.columns() {
            self.stage.delay(bank, column, single(frames));
        }
    }

    /// Aims every stage of a bus.
    pub(super) fn aim_stages_of_bus(&mut self, id: &Id) {
        let Some(place) = self.stage.place(Bank::Buses, id) else { return };
        let columns = Columns { bank: Bank::Buses, place };
        self.aim_links(columns);
        self.aim_bands(columns, id, Key::BusEqualiser, &BUS_BANDS, false);
        for (place, _) in self.stage.followers_of(id) {
            let columns = Columns { bank: Bank::Followers, place };
            self.aim_bands(columns, id, Key::BusEqualiser, &BUS_BANDS, false);
        }
        self.aim_compressor(columns, id, &BUS_COMPRESSOR);
    }

    fn aim_stage(&mut self, Columns { bank, place }: Columns, value: StageValue, to: f32) {
        for column in place.columns() {
            self.stage.aim(Target::Stage { bank, column, value }, to);
        }
    }

    fn aim_links(&mut self, columns: Columns) {
        let linked = if columns.place.width == 2 { 1.0 } else { 0.0 };
        self.aim_stage(columns, StageValue::Linked, linked);
    }

    /// A section that passes everything keeps its frequency: it fades, and does not sweep.
    fn aim_section(&mut self, columns: Columns, coefficients: Coefficients, which: impl Fn(u8) -> StageValue) {
        let first = if coefficients == Coefficients::NEUTRAL { 2 } else { 0 };
        for (value, to) in (0..).zip(coefficients.values).skip(first) {
            self.aim_stage(columns, which(value), to);
        }
    }

    fn aim_bands(&mut self, columns: Columns, id: &Id, switch: Key, bands: &[BandKeys; 4], after: bool) {
        let on = self.is_on(switch, id);
        for (index, keys) in (0_u8..).zip(bands) {
            let low_side = index < 2;
            let shape = match self.held(keys.shape, id) {
                Value::Word(word) if &*word == "shelf" && low_side => Shape::LowShelf,
                Value::Word(word) if &*word == "shelf" => Shape::HighShelf,
                Value::Word(word) if &*word == "pass" && low_side => Shape::HighPass,
                Value::Word(word) if &*word == "pass" => Shape::LowPass,
                Value::Word(word) if &*word == "notch" => Shape::Notch,
                _ => Shape::Bell,
            };
            let coefficients = if on {
                let (hertz, q) = (self.number(keys.frequency, id), self.number(keys.q, id));
                band(shape, hertz, q, self.number(keys.gain, id), self.rate)
            } else {
                Coefficients::NEUTRAL
            };
            // The equaliser stands twice: the one that is not used passes everything.
            let which = |after| move |value| StageValue::Band { after, band: index, value };
            self.aim_section(columns, coefficients, which(after));
            self.aim_section(columns, Coefficients::NEUTRAL, which(!after));
        }
    }

    fn aim_gate(&mut self, columns: Columns, id: &Id) {
        let range = if self.is_on(Key::ChannelGate, id) { self.number(Key::ChannelGateRange, id) } else { 0.0 };
        let time = |key| f64::from(gain_per_frame(self.number(key, id), self.rate));
        let values = [
            self.number(Key::ChannelGateThreshold, id) / OCTAVE_DB,
            self.number(Key::ChannelGateHysteresis, id) / OCTAVE_DB,
            self.number(Key::ChannelGateRatio, id) - 1.0,
            range / OCTAVE_DB,
            time(Key::ChannelGateAttack),
            time(Key::ChannelGateRelease),
            self.number(Key::ChannelGateHold, id) * 1e-3 * f64::from(self.rate.hz()),
        ];
        self.aim_values(columns, StageValue::Gate, &values, range > 0.0, &[3]);
    }

    fn aim_compressor(&mut self, columns: Columns, id: &Id, keys: &CompressorKeys) {
        let on = self.is_on(keys.switch, id);
        let time = |key| f64::from(gain_per_frame(self.number(key, id), self.rate));
        let values = [
            self.number(keys.threshold, id) / OCTAVE_DB,
            if on { 1.0 - 1.0 / self.number(keys.ratio, id).max(1.0) } else { 0.0 },
            self.number(keys.knee, id) / OCTAVE_DB,
            time(keys.attack),
            time(keys.release),
            if on { self.number(keys.gain, id) / OCTAVE_DB } else { 0.0 },
        ];
        self.aim_values(columns, StageValue::Compressor, &values, on, &[1, 5]);
    }

    /// Aims the values of a stage; of one that is off only those that switch it off.
    fn aim_values(
        &mut self,
        columns: Columns,
        which: impl Fn(u8) -> StageValue,
        values: &[f64],
        on: bool,
        switches: &[u8],
    ) {
        for (value, to) in (0_u8..).zip(values) {
            if on || switches.contains(&value) {
                self.aim_stage(columns, which(value), single(*to));
            }
        }
    }
}
