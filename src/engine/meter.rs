//! Meter frames: what the engine measured in 10 ms, made only of quantities that merge.

use super::command::Bank;
use super::limits::{BUS_GROUPS, OUTPUT_GROUPS, SOURCE_GROUPS};
use crate::dsp::lanes::{LANES, Row};

/// The readings of sixteen neighbouring columns over the same frames.
#[derive(Clone, Debug, PartialEq)]
pub struct GroupReading {
    /// Highest sample after the trim, as amplitude.
    pub input_peak: Row,
    /// Sum of squares after the trim.
    pub input_energy: [f64; LANES],
    /// Samples at full scale or beyond, before the trim: what a converter clipped.
    pub clips: [u32; LANES],
    /// Samples that were no audio (NaN, infinite, beyond +120 dBFS) and became silence.
    pub not_audio: [u32; LANES],
    /// Highest sample after the fader.
    pub peak: Row,
    /// Sum of squares after the fader.
    pub energy: [f64; LANES],
    /// Highest reduction by the gate, in octaves of amplitude (6.02 dB).
    pub gate: Row,
    /// 1 if the gate was open at any time, else 0; 0 too where there is none.
    pub gate_open: Row,
    /// Highest reduction by the compressor, in octaves of amplitude.
    pub compressor: Row,
    /// Highest reduction by the de-esser, in octaves of amplitude.
    pub de_esser: Row,
}

impl GroupReading {
    /// Nothing measured.
    pub const NOTHING: Self = Self {
        input_peak: [0.0; LANES],
        input_energy: [0.0; LANES],
        clips: [0; LANES],
        not_audio: [0; LANES],
        peak: [0.0; LANES],
        energy: [0.0; LANES],
        gate: [0.0; LANES],
        gate_open: [0.0; LANES],
        compressor: [0.0; LANES],
        de_esser: [0.0; LANES],
    };

    /// Takes another reading of the same columns in: maxima of peaks, sums of the rest.
    ///
    /// Real-time: safe
    pub fn merge(&mut self, other: &Self) {
        for lane in 0..LANES {
            self.input_peak[lane] = self.input_peak[lane].max(other.input_peak[lane]);
            self.input_energy[lane] += other.input_energy[lane];
            self.clips[lane] = self.clips[lane].saturating_add(other.clips[lane]);
            self.not_audio[lane] = self.not_audio[lane].saturating_add(other.not_audio[lane]);
            self.peak[lane] = self.peak[lane].max(other.peak[lane]);
            self.gate[lane] = self.gate[lane].max(other.gate[lane]);
            self.gate_open[lane] = self.gate_open[lane].max(other.gate_open[lane]);
            self.compressor[lane] = self.compressor[lane].max(other.compressor[lane]);
            self.de_esser[lane] = self.de_esser[lane].max(other.de_esser[lane]);
            self.energy[lane] += other.energy[lane];
        }
    }
}

/// What was measured from one meter boundary to a later one.
#[derive(Clone, Debug, PartialEq)]
pub struct MeterFrame {
    /// First frame measured.
    pub start: u64,
    /// Frames measured.
    pub frames: u64,
    /// The last plan that was in force: says which columns are whose.
    pub plan: u64,
    /// One for each group of source columns, then of bus columns, then of output columns.
    pub groups: Box<[GroupReading]>,
}

impl MeterFrame {
    /// A frame in which nothing was measured.
    ///
    /// Real-time: never
    #[must_use]
    pub fn nothing() -> Self {
        let groups = vec![GroupReading::NOTHING; SOURCE_GROUPS + BUS_GROUPS + OUTPUT_GROUPS];
        Self { start: 0, frames: 0, plan: 0, groups: groups.into_boxed_slice() }
    }

    /// The group that holds a column, and the lane it has there.
    ///
    /// Real-time: safe
    #[must_use]
    pub const fn place(bank: Bank, column: u16) -> (usize, usize) {
        let first = match bank {
            Bank::Sources => 0,
            Bank::Buses => SOURCE_GROUPS,
            Bank::Outputs => SOURCE_GROUPS + BUS_GROUPS,
        };
        (first + column as usize / LANES, column as usize % LANES)
    }

    /// Takes a later frame in.
    ///
    /// Real-time: safe
    pub fn merge(&mut self, later: &Self) {
        if self.frames == 0 {
            self.start = later.start;
        }
        self.frames += later.frames;
        self.plan = later.plan;
        for (mine, theirs) in self.groups.iter_mut().zip(&later.groups) {
            mine.merge(theirs);
        }
    }

    /// Forgets everything.
    ///
    /// Real-time: safe
    pub fn clear(&mut self) {
        self.frames = 0;
        for group in &mut self.groups {
            *group = GroupReading::NOTHING;
        }
    }
}
