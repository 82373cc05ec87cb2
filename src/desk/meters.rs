//! The table of meters: which names there are now, and where in a meter frame each is read.

use super::Desk;
use super::layout::Place;
use super::stages::OCTAVE_DB;
use crate::dsp::level::db_from_linear;
use crate::engine::{Bank, MeterFrame};

/// What a meter without a signal shows: infinities do not go over the wire.
pub const FLOOR_DBFS: f32 = -150.0;

/// What is measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Quantity {
    /// Highest sample, dBFS.
    Peak,
    /// Mean power over the frames read, dBFS of a full-scale sine at its RMS: -3.01 for a full-scale sine.
    Level,
    /// Samples at full scale before the trim: a count.
    Clips,
    /// The most that a stage took off, in dB; 0 when it took nothing.
    Reduction,
    /// 1 when a gate was open at any time, else 0.
    Open,
}

/// Where in the strip.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Point {
    Input,
    After,
    Gate,
    GateOpen,
    Compressor,
    DeEsser,
}

/// One meter: its path and where it is read.
#[derive(Clone, Debug, PartialEq)]
pub struct MeterName {
    /// Its OSC path, `/meter/channel/lectern/input/peak`.
    pub path: String,
    /// What is measured.
    pub quantity: Quantity,
    bank: Bank,
    place: Place,
    point: Point,
}

/// What one follower has not yet seen of one meter.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Reading {
    peak: f32,
    energy: f64,
    clips: u32,
    frames: u64,
}

impl MeterName {
    /// Takes what a meter frame says into a reading: maxima of peaks, sums of energy and clips.
    pub fn read(&self, frame: &MeterFrame, into: &mut Reading) {
        into.frames += frame.frames;
        for column in self.place.columns() {
            let (group, lane) = MeterFrame::place(self.bank, column);
            let group = &frame.groups[group];
            let (peak, energy) = match self.point {
                Point::Input => (group.input_peak[lane], group.input_energy[lane]),
                Point::After => (group.peak[lane], group.energy[lane]),
                Point::Gate => (group.gate[lane], 0.0),
                Point::GateOpen => (group.gate_open[lane], 0.0),
                Point::Compressor => (group.compressor[lane], 0.0),
                Point::DeEsser => (group.de_esser[lane], 0.0),
            };
            into.peak = into.peak.max(peak);
            into.energy += energy / f64::from(self.place.width);
            into.clips = into.clips.saturating_add(group.clips[lane]);
        }
    }

    /// The number that goes over the wire.
    #[must_use]
    pub fn value(&self, reading: &Reading) -> f32 {
        match self.quantity {
            Quantity::Peak => db_from_linear(reading.peak).max(FLOOR_DBFS),
            Quantity::Level => {
                #[expect(
                    clippy::cast_precision_loss,
                    clippy::cast_possible_truncation,
                    reason = "shown to a tenth of a dB"
                )]
                let mean = (reading.energy / reading.frames.max(1) as f64) as f32;
                db_from_linear(mean.sqrt()).max(FLOOR_DBFS)
            }
            #[expect(clippy::cast_precision_loss, reason = "a count for the eye")]
            Quantity::Clips => reading.clips as f32,
            #[expect(clippy::cast_possible_truncation, reason = "shown to a tenth of a dB")]
            Quantity::Reduction => (f64::from(reading.peak) * OCTAVE_DB) as f32,
            Quantity::Open => reading.peak,
        }
    }
}

impl Desk {
    /// Every meter there is now: channels at their input and after the fader, both sides of every bus.
    #[must_use]
    pub fn meter_table(&self) -> Vec<MeterName> {
        let mut table = Vec::new();
        for channel in self.channels() {
            let Some(place) = self.stage.place(Bank::Sources, &channel.id) else { continue };
            let base = format!("/meter/channel/{}", channel.id);
            let bank = Bank::Sources;
            for (word, point) in [("input", Point::Input), ("after-fader", Point::After)] {
                for (name, quantity) in [("peak", Quantity::Peak), ("level", Quantity::Level)] {
                    table.push(MeterName { path: format!("{base}/{word}/{name}"), quantity, bank, place, point });
                }
            }
            let path = format!("{base}/input/clips");
            table.push(MeterName { path, quantity: Quantity::Clips, bank, place, point: Point::Input });
            for (words, quantity, point) in [
                ("gate/reduction", Quantity::Reduction, Point::Gate),
                ("gate/open", Quantity::Open, Point::GateOpen),
                ("compressor/reduction", Quantity::Reduction, Point::Compressor),
                ("de-esser/reduction", Quantity::Reduction, Point::DeEsser),
            ] {
                table.push(MeterName { path: format!("{base}/{words}"), quantity, bank, place, point });
            }
        }
        let buses = self.buses().map(|bus| ("bus", &bus.id, Bank::Buses));
        let outputs = self.rig().outputs.iter().map(|output| ("output", &output.id, Bank::Outputs));
        for (word, id, bank) in buses.chain(outputs) {
            let Some(place) = self.stage.place(bank, id) else { continue };
            if bank == Bank::Buses {
                let path = format!("/meter/{word}/{id}/compressor/reduction");
                table.push(MeterName { path, quantity: Quantity::Reduction, bank, place, point: Point::Compressor });
            }
            for (side, first) in [("left", place.first), ("right", place.first + 1)] {
                let place = Place { first, width: 1 };
                for (name, quantity) in [("peak", Quantity::Peak), ("level", Quantity::Level)] {
                    let path = format!("/meter/{word}/{id}/{side}/{name}");
                    table.push(MeterName { path, quantity, bank, place, point: Point::After });
                }
            }
        }
        table
    }
}
