//! What the meters need of sixteen columns: K-weighted energy, true peak, quasi-peaks and sums, sample by sample.
//!
//! Only quantities that merge leave here, each by its kind (maxima, sums, counts). Gates, windows, needles and hold times are
//! the business of whoever reads them.

use crate::dsp::k_weighting::{KFilter, KLanes, KState};
use crate::dsp::lanes::{Kernel, LANES, Lanes, Row};
use crate::dsp::quasi_peak::{QuasiPeak, Type};
use crate::dsp::true_peak::{Past, TAPS};
use crate::engine::limits::TICK;
use crate::units::SampleRate;

/// A wave is flat-topped where this many samples in a row are the same.
const FLAT_SAMPLES: f32 = 4.0;
/// The same: within -100 dBFS of each other. Common practice, no source.
const FLAT_WITHIN: f32 = 1.0e-5;
/// A cut wave runs into its flat top by steps of more than -74 dBFS, of which the last may be a part of one. The crest of a slow
/// tone is as flat for as long, but what leads there is not much steeper. Common practice, no source.
const FLAT_AFTER: f32 = 2.0e-4;
/// Where a run begins behind such a part, rather than at 0.
const PARTLY: f32 = -0.5;
/// Where it begins when nothing steep led to it: it never counts.
const GENTLE: f32 = -1.0e9;
/// Only the upper part of the scale counts, above -12 dBFS. Common practice, no source.
const FLAT_ABOVE: f32 = 0.25;

/// What every group is measured with at one sample rate.
#[derive(Clone, Copy, Debug)]
pub struct Measures {
    k: KLanes,
    quasi_1: QuasiPeak,
    quasi_2: QuasiPeak,
}

impl Measures {
    /// The measures at this rate.
    ///
    /// Real-time: never
    #[must_use]
    pub fn new(rate: SampleRate) -> Self {
        Self {
            k: KLanes::new(rate),
            quasi_1: QuasiPeak::new(Type::One, rate),
            quasi_2: QuasiPeak::new(Type::Two, rate),
        }
    }
}

/// The readings of a group since the last meter boundary, in the form the lanes keep them.
#[derive(Clone, Copy, Debug)]
pub struct Readings {
    /// Sum of squares after K weighting.
    pub weighted: Row,
    /// Highest point between the samples, the samples themselves left out.
    pub true_peak: Row,
    /// Sum of magnitudes.
    pub magnitude: Row,
    /// Sum of samples.
    pub sum: Row,
    /// Sum of products with the neighbouring column.
    pub product: Row,
    /// Highest reading of a quasi-peak meter of Type I.
    pub quasi_1: Row,
    /// Highest reading of one of Type II.
    pub quasi_2: Row,
    /// Count of flat tops.
    pub flat_tops: Row,
}

impl Readings {
    const NOTHING: Self = Self {
        weighted: [0.0; LANES],
        true_peak: [0.0; LANES],
        magnitude: [0.0; LANES],
        sum: [0.0; LANES],
        product: [0.0; LANES],
        quasi_1: [0.0; LANES],
        quasi_2: [0.0; LANES],
        flat_tops: [0.0; LANES],
    };
}

/// The memory of the meters of sixteen columns.
#[derive(Clone, Debug)]
#[repr(align(64))]
pub struct Meters {
    k: KState,
    past: Past<{ TAPS - 1 + TICK }>,
    quasi_1: Row,
    quasi_2: Row,
    last: Row,
    /// How many samples in a row were the same as the one before, from where their run began.
    alike: Row,
    readings: Readings,
    /// Whether everything has died away: silence then changes nothing.
    at_rest: bool,
}

impl Default for Meters {
    /// Real-time: never
    fn default() -> Self {
        Self::new()
    }
}

impl Meters {
    /// Meters that have heard nothing.
    ///
    /// Real-time: never
    #[must_use]
    pub const fn new() -> Self {
        Self {
            k: KState::SILENT,
            past: Past::SILENT,
            quasi_1: [0.0; LANES],
            quasi_2: [0.0; LANES],
            last: [0.0; LANES],
            alike: [0.0; LANES],
            readings: Readings::NOTHING,
            at_rest: true,
        }
    }

    /// A column begins anew.
    ///
    /// Real-time: safe
    pub fn start(&mut self, lane: usize) {
        self.k.clear(lane);
        self.past.clear(lane);
        for row in [&mut self.quasi_1, &mut self.quasi_2, &mut self.last, &mut self.alike] {
            row[lane] = 0.0;
        }
    }

    /// Whether everything has died away.
    ///
    /// Real-time: safe
    #[must_use]
    pub const fn at_rest(&self) -> bool {
        self.at_rest
    }

    /// The sum of K-weighted squares of one lane since the last meter boundary.
    ///
    /// Real-time: safe
    #[must_use]
    pub const fn weighted(&self, lane: usize) -> f32 {
        self.readings.weighted[lane]
    }

    /// Takes the readings since the last time.
    ///
    /// Real-time: safe
    pub fn take_readings(&mut self) -> Readings {
        std::mem::replace(&mut self.readings, Readings::NOTHING)
    }
}

/// One segment of one group through its meters.
#[derive(Debug)]
pub struct Measure<'a> {
    /// The memory.
    pub meters: &'a mut Meters,
    /// What is measured with.
    pub measures: &'a Measures,
    /// The samples.
    pub audio: &'a [Row],
    /// Whether the segment begins at a grid line.
    pub at_grid_line: bool,
    /// Whether the K-weighted energy is wanted and nothing else.
    pub only_loudness: bool,
}

impl Kernel for Measure<'_> {
    type Output = ();

    #[inline(always)]
    fn run<V: Lanes>(self) {
        let Measure { meters, measures, audio, at_grid_line, only_loudness } = self;
        // A segment of more than a tick starts at a grid line, and every tick of it does.
        for audio in audio.chunks(TICK) {
            meters.measure::<V>(measures, audio, at_grid_line, only_loudness);
        }
    }
}

impl Meters {
    #[inline(always)]
    fn measure<V: Lanes>(&mut self, measures: &Measures, audio: &[Row], at_grid_line: bool, only_loudness: bool) {
        // One thing after the other over all frames: together they would not fit into the registers.
        let k_at_rest = self.weigh::<V>(measures, audio, at_grid_line);
        if only_loudness {
            self.at_rest = k_at_rest;
            return;
        }
        let ballistics = self.follow::<V>(measures, audio, at_grid_line);
        let sound = self.add_up::<V>(audio);
        let points: V = self.past.highest(audio);
        points.max(V::load(&self.readings.true_peak)).store(&mut self.readings.true_peak);
        self.at_rest = k_at_rest && sound.max(points).max(ballistics).sum() <= 0.0;
    }

    /// Loudness; says whether its filters are at rest.
    #[inline(always)]
    fn weigh<V: Lanes>(&mut self, measures: &Measures, audio: &[Row], at_grid_line: bool) -> bool {
        let mut k = KFilter::<V>::load(&measures.k, &self.k);
        if at_grid_line {
            k.settle();
        }
        let mut weighted = V::load(&self.readings.weighted);
        for row in audio {
            let y = k.next(V::load(row));
            weighted = weighted.add(y.mul(y));
        }
        weighted.store(&mut self.readings.weighted);
        let at_rest = k.at_rest();
        k.store(&mut self.k);
        at_rest
    }

    /// Quasi-peaks; gives the higher of the two as they are.
    #[inline(always)]
    fn follow<V: Lanes>(&mut self, measures: &Measures, audio: &[Row], at_grid_line: bool) -> V {
        let (mut quasi_1, mut quasi_2) = (V::load(&self.quasi_1), V::load(&self.quasi_2));
        if at_grid_line {
            quasi_1 = QuasiPeak::settle(quasi_1);
            quasi_2 = QuasiPeak::settle(quasi_2);
        }
        let r = &mut self.readings;
        let (mut highest_1, mut highest_2) = (V::load(&r.quasi_1), V::load(&r.quasi_2));
        for row in audio {
            let level = V::load(row).abs();
            quasi_1 = measures.quasi_1.next(quasi_1, level);
            quasi_2 = measures.quasi_2.next(quasi_2, level);
            highest_1 = quasi_1.max(highest_1);
            highest_2 = quasi_2.max(highest_2);
        }
        highest_1.store(&mut r.quasi_1);
        highest_2.store(&mut r.quasi_2);
        quasi_1.store(&mut self.quasi_1);
        quasi_2.store(&mut self.quasi_2);
        quasi_1.max(quasi_2)
    }

    /// Sums, products with the neighbour, flat tops; gives the highest magnitude.
    #[inline(always)]
    fn add_up<V: Lanes>(&mut self, audio: &[Row]) -> V {
        let r = &mut self.readings;
        let (mut magnitude, mut sum, mut product) = (V::load(&r.magnitude), V::load(&r.sum), V::load(&r.product));
        let mut sound = V::splat(0.0);
        for row in audio {
            let x = V::load(row);
            magnitude = magnitude.add(x.abs());
            sum = sum.add(x);
            product = product.add(x.mul(x.neighbours()));
            sound = x.abs().max(sound);
        }
        magnitude.store(&mut r.magnitude);
        sum.store(&mut r.sum);
        product.store(&mut r.product);
        let (mut last, mut alike, mut flat_tops) = (V::load(&self.last), V::load(&self.alike), V::load(&r.flat_tops));
        let (zero, one) = (V::splat(0.0), V::splat(1.0));
        let (flat, once) = (V::splat(FLAT_SAMPLES - 1.0 + PARTLY), V::splat(FLAT_SAMPLES - 1.0));
        let (within, above) = (V::splat(FLAT_WITHIN), V::splat(FLAT_ABOVE));
        let (after, partly, gentle) = (V::splat(FLAT_AFTER), V::splat(PARTLY), V::splat(GENTLE));
        for row in audio {
            let x = V::load(row);
            let step = x.sub(last).abs();
            let behind_steep = partly.pick_le(gentle, zero, alike).pick_le(gentle, alike, zero);
            let begun = zero.pick_le(behind_steep, after, step);
            alike = alike.add(one).pick_le(begun, step, within);
            flat_tops = flat_tops.add(one.where_le(alike, once).where_le(flat, alike).where_le(above, x.abs()));
            last = x;
        }
        last.store(&mut self.last);
        alike.store(&mut self.alike);
        flat_tops.store(&mut r.flat_tops);
        sound
    }
}
