//! Meter frames: what the engine measured in 10 ms, made only of quantities that merge.

use super::command::Bank;
use super::compared::Compared;
use super::followers::Proof;
use super::limits::{BUS_GROUPS, OUTPUT_GROUPS, SOURCE_GROUPS};
use super::meters::Readings;
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
    /// Most that the gain sharing took off while the source was open, in octaves of amplitude; sources only.
    pub sharing: Row,
    /// Most that was taken off to make room for voices, in octaves of amplitude; sources and buses.
    pub ducking: Row,
    /// Sum of K-weighted squares after the fader, see [`KLanes::trim`](crate::dsp::k_weighting::KLanes::trim).
    pub weighted: [f64; LANES],
    /// Highest point between the samples after the fader, as amplitude; samples themselves are in `peak`.
    pub true_peak: Row,
    /// Sum of magnitudes after the fader.
    pub magnitude: [f64; LANES],
    /// Sum of samples after the fader.
    pub sum: [f64; LANES],
    /// Sum of products of the two columns of a pair after the fader; the same in both.
    pub product: [f64; LANES],
    /// Highest reading of a Type I quasi-peak meter after the fader, as amplitude.
    pub quasi_1: Row,
    /// Highest reading of a Type II quasi-peak meter after the fader, as amplitude.
    pub quasi_2: Row,
    /// Flat tops after the fader: runs of equal samples in the upper part of the scale that a steep step leads to.
    pub flat_tops: [u32; LANES],
    /// Gain of the leveller of a bus at the end, dB; of merged frames the later one's.
    pub leveller: Row,
    /// Highest reduction by a limiter, as 1 less the gain; outputs only, the same in both columns of a pair.
    pub reduction: Row,
    /// Frames by which that limiter delays; outputs only.
    pub latency: Row,
    /// Frames by which an output is delayed because it was asked to be; at the end, of merged frames the later one's.
    pub delay: Row,
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
        sharing: [0.0; LANES],
        ducking: [0.0; LANES],
        weighted: [0.0; LANES],
        true_peak: [0.0; LANES],
        magnitude: [0.0; LANES],
        sum: [0.0; LANES],
        product: [0.0; LANES],
        quasi_1: [0.0; LANES],
        quasi_2: [0.0; LANES],
        flat_tops: [0; LANES],
        leveller: [0.0; LANES],
        reduction: [0.0; LANES],
        latency: [0.0; LANES],
        delay: [0.0; LANES],
    };

    /// Takes what the lanes measured in.
    ///
    /// Real-time: safe
    pub(super) fn measured(&mut self, readings: &Readings) {
        for lane in 0..LANES {
            self.weighted[lane] += f64::from(readings.weighted[lane]);
            self.true_peak[lane] = self.true_peak[lane].max(readings.true_peak[lane]);
            self.magnitude[lane] += f64::from(readings.magnitude[lane]);
            self.sum[lane] += f64::from(readings.sum[lane]);
            self.product[lane] += f64::from(readings.product[lane]);
            self.quasi_1[lane] = self.quasi_1[lane].max(readings.quasi_1[lane]);
            self.quasi_2[lane] = self.quasi_2[lane].max(readings.quasi_2[lane]);
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a count within 10 ms")]
            let flat_tops = readings.flat_tops[lane] as u32;
            self.flat_tops[lane] = self.flat_tops[lane].saturating_add(flat_tops);
        }
    }
}

/// Groups of all banks.
const GROUPS: usize = SOURCE_GROUPS + BUS_GROUPS + OUTPUT_GROUPS;

/// The energies between two neighbouring meter boundaries: what the gates of loudness need to know of each 10 ms.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MeterStep {
    /// First frame measured.
    pub start: u64,
    /// Frames measured.
    pub frames: u64,
    /// Sums of K-weighted squares, by group as in [`MeterFrame::groups`].
    pub weighted: [Row; GROUPS],
}

impl MeterStep {
    /// Nothing measured.
    pub const NOTHING: Self = Self { start: 0, frames: 0, weighted: [[0.0; LANES]; GROUPS] };
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
    /// Its last step alone.
    pub last: Box<MeterStep>,
    /// Of a frame that stands for several steps, each of them from the first on, as many as are known; else none. The engine
    /// leaves it empty.
    pub steps: Vec<MeterStep>,
    /// What the proof of the followers found.
    pub proof: Proof,
    /// What one owner gave and their follower held.
    pub compared: Compared,
}

impl MeterFrame {
    /// A frame in which nothing was measured.
    ///
    /// Real-time: never
    #[must_use]
    pub fn nothing() -> Self {
        let groups = vec![GroupReading::NOTHING; GROUPS].into_boxed_slice();
        Self {
            start: 0,
            frames: 0,
            plan: 0,
            groups,
            last: Box::new(MeterStep::NOTHING),
            steps: Vec::new(),
            proof: Proof::default(),
            compared: Compared::default(),
        }
    }

    /// The group that holds a column, and the lane it has there. Followers are not metered: theirs is a group that is not there.
    ///
    /// Real-time: safe
    #[must_use]
    pub const fn place(bank: Bank, column: u16) -> (usize, usize) {
        let first = match bank {
            Bank::Sources => 0,
            Bank::Buses => SOURCE_GROUPS,
            Bank::Outputs => SOURCE_GROUPS + BUS_GROUPS,
            Bank::Followers => SOURCE_GROUPS + BUS_GROUPS + OUTPUT_GROUPS,
        };
        (first + column as usize / LANES, column as usize % LANES)
    }

    /// Forgets everything.
    ///
    /// Real-time: safe
    pub fn clear(&mut self) {
        self.clear_groups(!0);
    }

    /// The same where nothing but these groups, one bit for each, holds anything.
    ///
    /// Real-time: safe
    pub(super) fn clear_groups(&mut self, held: u128) {
        const { assert!(GROUPS <= 128, "one bit for each group") };
        self.frames = 0;
        self.proof = Proof::default();
        self.compared.clear();
        for (place, group) in self.groups.iter_mut().enumerate() {
            if held >> place & 1 != 0 {
                *group = GroupReading::NOTHING;
            }
        }
    }
}
