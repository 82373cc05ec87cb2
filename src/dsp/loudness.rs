//! Loudness out of mean squares: momentary, short-term, integrated, range, and the highest of the first two.
//!
//! ITU-R BS.1770-5 Annex 1 and EBU Tech 3341 and 3342 (2023). What goes in is one number for every 10 ms: the weighted sum of
//! the channels' K-weighted mean squares. Windows slide by that step, because a meter that looks only every 100 ms reads up
//! to 0.6 LU low on a tone of 400 ms (Tech 3341 case 13). Gated blocks are taken every 100 ms, as the standard has them, and
//! kept as counts in classes of 0.01 LU: memory and cost do not grow with the hours.

use crate::dsp::math;

/// Steps per second: the meter boundaries of the engine.
pub const STEPS_PER_SECOND: u64 = 100;
/// Steps of the momentary window: 400 ms.
const MOMENTARY: usize = 40;
/// Steps of the short-term window: 3 s.
const SHORT_TERM: usize = 300;
/// Steps from one gated block to the next: 100 ms.
const HOP: u64 = 10;

/// The absolute gate of BS.1770 and of Tech 3342; a block has to be above it.
const ABSOLUTE_GATE: f64 = -70.0;
/// The relative gates, below the mean of what passed the absolute one.
const RELATIVE_GATE: f64 = -10.0;
const RANGE_GATE: f64 = -20.0;
/// Loudness range lies between these percentiles of the short-term loudness.
const RANGE_PERCENTILES: [u64; 2] = [10, 95];

/// How far from its target the rest of a show is ever said to have to be, LU: common practice, no source. What is further off is
/// heard as a mistake.
pub const HEADING_REACH: f64 = 6.0;
/// By how much a whole that comes to its target may miss it, LU: EBU R 128 (2023) items h, i, m.
const HEADING_MISS: f64 = 0.2;
/// So often is what lies within reach halved in search of the level: to a class.
const HEADING_HALVINGS: u32 = 11;

const CLASSES_PER_LU: f64 = 100.0;
/// Up to +40 LUFS: far above anything that is no mistake.
const CLASSES: usize = 11_000;

/// Loudness in LUFS of a weighted mean square; negative infinity for 0.
///
/// Real-time: safe
#[must_use]
pub fn lufs(mean_square: f64) -> f64 {
    -0.691 + 10.0 * math::log10(mean_square)
}

/// The weighted mean square that has this loudness.
///
/// Real-time: safe
#[must_use]
pub fn mean_square(lufs: f64) -> f64 {
    math::exp2((lufs + 0.691) * (std::f64::consts::LOG2_10 / 10.0))
}

/// How loud blocks were: counts in classes of 0.01 LU above the absolute gate.
#[derive(Clone, Debug)]
struct Classes {
    counts: Box<[u32]>,
    total: u64,
    /// The classes in use lie within these.
    lowest: usize,
    highest: usize,
}

impl Classes {
    /// Real-time: never
    fn new() -> Self {
        Self { counts: vec![0; CLASSES].into_boxed_slice(), total: 0, lowest: CLASSES, highest: 0 }
    }

    fn clear(&mut self) {
        self.counts.fill(0);
        (self.total, self.lowest, self.highest) = (0, CLASSES, 0);
    }

    fn add(&mut self, lufs: f64) {
        // A NaN is not above the gate either.
        if lufs > ABSOLUTE_GATE {
            let class = (((lufs - ABSOLUTE_GATE) * CLASSES_PER_LU) as usize).min(CLASSES - 1);
            self.counts[class] = self.counts[class].saturating_add(1);
            self.total += 1;
            self.lowest = self.lowest.min(class);
            self.highest = self.highest.max(class);
        }
    }

    /// The middle of a class, in LUFS.
    fn middle(class: usize) -> f64 {
        ABSOLUTE_GATE + (class as f64 + 0.5) / CLASSES_PER_LU
    }

    /// The mean squares of all blocks from this class up, added, and how many there are.
    fn sum(&self, from: usize) -> (f64, u64) {
        if self.total == 0 || from > self.highest {
            return (0.0, 0);
        }
        let from = from.max(self.lowest);
        let step = math::exp2(std::f64::consts::LOG2_10 / (10.0 * CLASSES_PER_LU));
        let (mut power, mut sum, mut blocks) = (mean_square(Self::middle(from)), 0.0, 0);
        for count in &self.counts[from..=self.highest] {
            sum += power * f64::from(*count);
            blocks += u64::from(*count);
            power *= step;
        }
        (sum, blocks)
    }

    /// Loudness of the mean of all blocks from this class up, and how many there are.
    fn mean(&self, from: usize) -> Option<(f64, u64)> {
        let (sum, blocks) = self.sum(from);
        (blocks > 0).then(|| (lufs(sum / blocks as f64), blocks))
    }

    /// The first class that a gate at this loudness lets pass.
    fn from(gate: f64) -> usize {
        ((gate - ABSOLUTE_GATE) * CLASSES_PER_LU).max(0.0) as usize
    }

    /// The first class above a gate so far below the mean of all blocks.
    fn gate(&self, below: f64) -> Option<usize> {
        self.mean(0).map(|(mean, _)| Self::from(mean + below))
    }

    /// The middle of the class that holds the block of this rank, counted from a class up.
    fn ranked(&self, from: usize, rank: u64) -> f64 {
        let mut seen = 0;
        let mut class = from;
        for (place, count) in self.counts[from..=self.highest].iter().enumerate() {
            seen += u64::from(*count);
            if seen > rank {
                class = from + place;
                break;
            }
        }
        Self::middle(class)
    }
}

/// The loudness of one programme, fed with a number every 10 ms.
#[derive(Clone, Debug)]
pub struct Loudness {
    /// The mean squares of the last three seconds, the oldest at `at`.
    recent: Box<[f64]>,
    at: usize,
    momentary: f64,
    short_term: f64,
    running: bool,
    /// Steps since the measurement was started or continued.
    steps: u64,
    /// Steps measured since it was reset, pauses left out.
    measured: u64,
    momentary_max: f64,
    short_term_max: f64,
    blocks: Classes,
    short_terms: Classes,
}

impl Default for Loudness {
    fn default() -> Self {
        Self::new()
    }
}

impl Loudness {
    /// A measurement that runs and has heard nothing.
    ///
    /// Real-time: never
    #[must_use]
    pub fn new() -> Self {
        Self {
            recent: vec![0.0; SHORT_TERM].into_boxed_slice(),
            at: 0,
            momentary: 0.0,
            short_term: 0.0,
            running: true,
            steps: 0,
            measured: 0,
            momentary_max: 0.0,
            short_term_max: 0.0,
            blocks: Classes::new(),
            short_terms: Classes::new(),
        }
    }

    /// Takes the weighted mean square of the next 10 ms.
    pub fn step(&mut self, mean_square: f64) {
        let mean_square = if mean_square.is_finite() { mean_square.max(0.0) } else { 0.0 };
        let leaving = (self.at + SHORT_TERM - MOMENTARY) % SHORT_TERM;
        self.momentary += mean_square - self.recent[leaving];
        self.short_term += mean_square - self.recent[self.at];
        self.recent[self.at] = mean_square;
        self.at += 1;
        if self.at == SHORT_TERM {
            self.at = 0;
            // What rounding left behind does not outlive three seconds.
            self.short_term = self.recent.iter().sum();
            self.momentary = self.recent[SHORT_TERM - MOMENTARY..].iter().sum();
        }
        if self.running {
            self.measure();
        }
    }

    /// Windows count that lie wholly in measured time.
    fn measure(&mut self) {
        self.steps += 1;
        self.measured += 1;
        if self.steps >= MOMENTARY as u64 {
            self.momentary_max = self.momentary_max.max(self.momentary);
            if self.steps.is_multiple_of(HOP) {
                self.blocks.add(self.momentary());
            }
        }
        if self.steps >= SHORT_TERM as u64 {
            self.short_term_max = self.short_term_max.max(self.short_term);
            if self.steps.is_multiple_of(HOP) {
                self.short_terms.add(self.short_term());
            }
        }
    }

    /// Starts or continues the measurement of everything but momentary and short-term loudness, which always run.
    pub fn run(&mut self) {
        if !self.running {
            self.running = true;
            self.steps = 0;
        }
    }

    /// Pauses it.
    pub fn pause(&mut self) {
        self.running = false;
    }

    /// Whether it runs.
    #[must_use]
    pub const fn runs(&self) -> bool {
        self.running
    }

    /// Forgets everything but the last three seconds, which momentary and short-term loudness still show.
    pub fn reset(&mut self) {
        (self.steps, self.measured, self.momentary_max, self.short_term_max) = (0, 0, 0.0, 0.0);
        self.blocks.clear();
        self.short_terms.clear();
    }

    /// Loudness of the last 400 ms in LUFS; negative infinity in silence.
    #[must_use]
    pub fn momentary(&self) -> f64 {
        window(self.momentary, MOMENTARY)
    }

    /// Loudness of the last 3 s in LUFS; negative infinity in silence.
    #[must_use]
    pub fn short_term(&self) -> f64 {
        window(self.short_term, SHORT_TERM)
    }

    /// The highest momentary loudness measured; none before the first whole window, or when that was silence.
    #[must_use]
    pub fn momentary_max(&self) -> Option<f64> {
        (self.momentary_max > 0.0).then(|| window(self.momentary_max, MOMENTARY))
    }

    /// The highest short-term loudness measured; none before the first whole window, or when that was silence.
    #[must_use]
    pub fn short_term_max(&self) -> Option<f64> {
        (self.short_term_max > 0.0).then(|| window(self.short_term_max, SHORT_TERM))
    }

    /// Integrated loudness in LUFS; none while no block was above the absolute gate.
    #[must_use]
    pub fn integrated(&self) -> Option<f64> {
        let gate = self.blocks.gate(RELATIVE_GATE)?;
        self.blocks.mean(gate).map(|(lufs, _)| lufs)
    }

    /// Seconds of programme that stand behind [`integrated`](Self::integrated): what the gates let pass.
    #[must_use]
    pub fn integrated_s(&self) -> f64 {
        let blocks = self.blocks.gate(RELATIVE_GATE).and_then(|gate| self.blocks.mean(gate)).map_or(0, |(_, n)| n);
        blocks as f64 * HOP as f64 / STEPS_PER_SECOND as f64
    }

    /// Loudness range in LU; none while no short-term loudness was above the absolute gate. In the first minute it is not
    /// yet stable (Tech 3341 clause 2.4).
    #[must_use]
    pub fn range(&self) -> Option<f64> {
        let gate = self.short_terms.gate(RANGE_GATE)?.max(self.short_terms.lowest);
        let (_, blocks) = self.short_terms.mean(gate)?;
        // The nearest rank, as Tech 3342 has it.
        let [low, high] =
            RANGE_PERCENTILES.map(|percent| self.short_terms.ranked(gate, ((blocks - 1) * percent + 50) / 100));
        Some(high - low)
    }

    /// Seconds measured since the last reset, pauses left out.
    #[must_use]
    pub fn measured_s(&self) -> f64 {
        self.measured as f64 / STEPS_PER_SECOND as f64
    }

    /// Seconds that are left of a show of `whole_s` seconds of measuring.
    #[must_use]
    pub fn left_s(&self, whole_s: f64) -> f64 {
        (whole_s - self.measured_s()).max(0.0)
    }

    /// How the rest of a show of `whole_s` seconds of measuring has to be so that the whole comes to `target` LUFS, by the very gates
    /// of [`integrated`](Self::integrated): a louder rest lifts the relative gate, and soft parts of the past that counted until now
    /// count no more. Where many of them drop out at once, the whole can leap over the target, and then there is no such level.
    #[must_use]
    pub fn heading_for(&self, target: f64, whole_s: f64) -> Heading {
        let left_s = self.left_s(whole_s);
        if left_s <= 0.0 {
            return Heading { left_s, lufs: None };
        }
        let (sum, blocks) = self.blocks.sum(0);
        let rest_blocks = left_s * (STEPS_PER_SECOND / HOP) as f64;
        // The rest counts here always. Where the relative gate would leave it out, the mean of all is 10 LU above it, so 4 LU above
        // the target or more, and what comes out here is no less: no level is told that would be left out.
        let whole = |level: f64| {
            let rest = mean_square(level) * rest_blocks;
            let mean = lufs((sum + rest) / (blocks as f64 + rest_blocks));
            let (kept, kept_blocks) = self.blocks.sum(Classes::from(mean + RELATIVE_GATE));
            lufs((kept + rest) / (kept_blocks as f64 + rest_blocks))
        };
        // The louder the rest, the louder the whole. Where the target itself is out of reach, its nearer limit is sought, from the
        // side of a rest at the target.
        let (mut soft, mut loud, mut sought) = (target - HEADING_REACH, target + HEADING_REACH, target);
        if whole(loud) < target {
            (soft, sought) = (target, target - HEADING_MISS);
        } else if whole(soft) > target {
            (loud, sought) = (target, target + HEADING_MISS);
        }
        for _ in 0..HEADING_HALVINGS {
            let middle = f64::midpoint(soft, loud);
            if whole(middle) < sought {
                soft = middle;
            } else {
                loud = middle;
            }
        }
        let miss = |level: f64| (whole(level) - target).abs();
        let nearer = if miss(soft) < miss(loud) { soft } else { loud };
        Heading { left_s, lufs: (miss(nearer) <= HEADING_MISS).then_some(nearer) }
    }
}

/// Where a show is heading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Heading {
    /// Seconds of the show that are left.
    pub left_s: f64,
    /// The loudness that they have to have, LUFS; none when no level within [`HEADING_REACH`] of the target brings the whole
    /// there, or nothing is left.
    pub lufs: Option<f64>,
}

/// The sum of a window may be off 0 by a rounding; below -150 LUFS it is silence.
fn window(sum: f64, steps: usize) -> f64 {
    let mean = sum / steps as f64;
    if mean < 1.0e-15 { f64::NEG_INFINITY } else { lufs(mean) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(segments: &[(f64, usize)]) -> Loudness {
        let mut loudness = Loudness::new();
        for (lufs, steps) in segments {
            (0..*steps).for_each(|_| loudness.step(mean_square(*lufs)));
        }
        loudness
    }

    fn near(found: Option<f64>, expected: f64, within: f64) {
        let found = found.expect("there is a reading");
        assert!((found - expected).abs() <= within, "{found} for {expected}");
    }

    /// BS.1770-5: 1 dB more reads 1 LU more, from one end of the scale to the other.
    #[test]
    fn one_decibel_is_one_loudness_unit() {
        for tenth in -699..390 {
            let level = f64::from(tenth) / 10.0;
            let loudness = of(&[(level, 400)]);
            near(loudness.integrated(), level, 0.0051);
            near(Some(loudness.momentary()), level, 1e-9);
            near(Some(loudness.short_term()), level, 1e-9);
        }
    }

    /// Follows from BS.1770-5: 197 full blocks and 3 part blocks survive the gates.
    #[test]
    fn a_tail_of_silence_is_gated_out() {
        near(of(&[(-23.0, 2_000), (-200.0, 4_000)]).integrated(), -23.033, 0.006);
        assert_eq!(of(&[(-70.01, 1_000)]).integrated(), None);
        assert_eq!(of(&[(-70.01, 1_000)]).range(), None);
        near(of(&[(-69.9, 1_000)]).integrated(), -69.9, 0.006);
    }

    /// BS.1770-5 Annex 1: the constant of the formula is -0.691; a block is 400 ms long and the next one begins 100 ms later
    /// (75 % overlap); one that is not whole at the end is not used.
    #[test]
    fn blocks_and_the_constant_are_those_of_bs_1770() {
        assert!((lufs(1.0) + 0.691).abs() < 1e-12 && (mean_square(-0.691) - 1.0).abs() < 1e-12);
        for (steps, blocks) in [(39, 0), (40, 1), (49, 1), (50, 2), (100, 7), (109, 7), (110, 8)] {
            assert_eq!(of(&[(-23.0, steps)]).blocks.total, blocks, "{steps} steps of 10 ms");
        }
    }

    /// BS.1770-5 Annex 1: a block has to be above -70 LKFS, not at it, and above the mean of those less 10 LU.
    #[test]
    fn the_gates_stand_where_bs_1770_has_them() {
        let mut classes = Classes::new();
        [-70.0, -70.01, f64::NAN, f64::NEG_INFINITY].into_iter().for_each(|lufs| classes.add(lufs));
        assert_eq!(classes.total, 0);
        classes.add(-69.999);
        assert_eq!(classes.total, 1);
        // 100 s at -20 LUFS and 25 s of something quiet: their mean is close to -20.97 LUFS, the gate to -30.97.
        for (quiet, kept) in [(-31.1, false), (-30.7, true)] {
            let loudness = of(&[(-20.0, 10_000), (quiet, 2_500)]);
            let loud = 10_f64.powf(-2.0);
            let all = 10.0 * (0.8 * loud + 0.2 * 10_f64.powf(quiet / 10.0)).log10();
            near(loudness.integrated(), if kept { all } else { -20.0 }, 0.02);
        }
    }

    /// Tech 3342 (2023): short-term loudness above -70 LUFS, and above the mean of those less 20 LU, ten times a second; from the
    /// 10th to the 95th percentile.
    #[test]
    fn the_range_has_the_gates_and_percentiles_of_tech_3342() {
        let loudness = of(&[(-20.0, 1_300)]);
        assert_eq!(loudness.short_terms.total, 101, "the first after 3 s, then ten a second");
        // The mean is close to -20.46 LUFS, and the gate to -40.46: what is quiet counts above it, and makes the lower end.
        for (quiet, kept) in [(-40.2, true), (-40.8, false)] {
            let range = of(&[(-20.0, 90_000), (quiet, 10_000)]).range().expect("a range");
            let range_of_more = of(&[(-20.0, 90_000), (quiet, 11_000)]).range().expect("a range");
            assert!(range_of_more >= range);
            near(Some(range_of_more), if kept { -20.0 - quiet } else { 0.0 }, 0.02);
        }
        // A hundred levels, a tenth of a LU apart, each for 30 s: between rank 10 and rank 95 lie 8.5 LU.
        let ramp: Vec<(f64, usize)> = (0..=100).map(|n| (-30.0 + 0.1 * f64::from(n), 3_000)).collect();
        near(of(&ramp).range(), 8.5, 0.06);
    }

    /// Tech 3341 (2023) clauses 2.1 to 2.7: windows are rectangular, 0.4 s and 3 s, and nothing else smooths what they show; both
    /// are there a hundred times a second, where a live meter has to show short-term loudness ten times.
    #[test]
    fn the_windows_are_rectangles_and_nothing_smooths_them() {
        let mut loudness = of(&[(-200.0, 400)]);
        for step in 1..=300 {
            loudness.step(mean_square(-20.0));
            for (shown, window) in [(loudness.momentary(), 40.0), (loudness.short_term(), 300.0)] {
                let part = (f64::from(step) / window).min(1.0);
                near(Some(shown), -20.0 + 10.0 * part.log10(), 1e-6);
            }
        }
        (0..40).for_each(|_| loudness.step(0.0));
        assert!(loudness.momentary().is_infinite() && (loudness.short_term() + 20.0).abs() < 0.7);
        (0..260).for_each(|_| loudness.step(0.0));
        assert!(loudness.short_term().is_infinite());
        const { assert!(STEPS_PER_SECOND >= 10) };
    }

    #[test]
    fn readings_before_the_first_whole_window_are_none() {
        let loudness = of(&[(-23.0, 39)]);
        assert_eq!((loudness.momentary_max(), loudness.integrated()), (None, None));
        let loudness = of(&[(-23.0, 299)]);
        assert_eq!((loudness.short_term_max(), loudness.range()), (None, None));
        near(loudness.momentary_max(), -23.0, 1e-9);
    }

    /// EBU Tech 3341 clauses 2.1 to 2.7: integrated, range and the highest values pause, continue and reset together.
    #[test]
    fn a_pause_leaves_no_trace_and_a_reset_starts_anew() {
        let mut loudness = of(&[(-23.0, 2_000)]);
        loudness.pause();
        (0..2_000).for_each(|_| loudness.step(mean_square(-5.0)));
        near(Some(loudness.momentary()), -5.0, 1e-9);
        near(loudness.integrated(), -23.0, 0.006);
        loudness.run();
        (0..2_000).for_each(|_| loudness.step(mean_square(-23.0)));
        near(loudness.integrated(), -23.0, 0.006);
        near(loudness.momentary_max(), -23.0, 1e-9);
        near(loudness.short_term_max(), -23.0, 1e-9);
        near(loudness.range(), 0.0, 1e-9);
        near(Some(loudness.measured_s()), 40.0, 1e-9);
        loudness.reset();
        assert_eq!((loudness.integrated(), loudness.range(), loudness.momentary_max()), (None, None, None));
        (0..400).for_each(|_| loudness.step(mean_square(-30.0)));
        near(loudness.momentary_max(), -30.0, 1e-9);
    }

    /// Ten hours: the same memory, and the mean is still the mean.
    #[test]
    fn hours_are_as_exact_as_seconds() {
        let loudness = of(&[(-20.0, 1_800_000), (-26.0, 1_800_000)]);
        near(loudness.integrated(), 10.0 * ((10_f64.powf(-2.0) + 10_f64.powf(-2.6)) / 2.0).log10(), 0.006);
        near(loudness.range(), 6.0, 0.011);
    }

    /// A show of this target and length after this past, with its rest at one level, in LUFS.
    fn whole(past: &Loudness, whole_s: f64, rest: f64) -> f64 {
        let mut loudness = past.clone();
        let steps = (past.left_s(whole_s) * STEPS_PER_SECOND as f64).round() as usize;
        (0..steps).for_each(|_| loudness.step(mean_square(rest)));
        loudness.integrated().expect("something was heard")
    }

    #[test]
    fn what_is_heard_from_now_on_brings_the_whole_to_the_target() {
        // Half a minute of talk, and as long in which nothing passes the gates.
        let loudness = of(&[(-20.0, 3_000), (-80.0, 3_000)]);
        let heading = loudness.heading_for(-21.5, 120.0);
        near(Some(heading.left_s), 60.0, 0.011);
        near(Some(whole(&loudness, 120.0, heading.lufs.expect("a minute is left"))), -21.5, 0.05);
        near(Loudness::new().heading_for(-23.0, 60.0).lufs, -23.0, 0.006);
        near(of(&[(-200.0, 3_000)]).heading_for(-23.0, 60.0).lufs, -23.0, 0.006);
        // Its time is over, to the step or for long.
        for whole_s in [60.0, 1.0] {
            assert_eq!(loudness.heading_for(-20.0, whole_s), Heading { left_s: 0.0, lufs: None });
        }
    }

    /// 25 s at -33 LUFS are below the gate as soon as the rest is as loud as it has to be: they need no making up for.
    #[test]
    fn a_soft_opening_that_the_gate_will_leave_out_is_not_made_up_for() {
        let soft = of(&[(-33.0, 2_500)]);
        near(soft.heading_for(-18.0, 60.0).lufs, -18.0, 0.01);
        // Between a rest that keeps it and one that does not, -23 and -20.7 LUFS, there is nothing.
        assert_eq!(soft.heading_for(-22.0, 60.0).lufs, None);
        near(soft.heading_for(-23.1, 60.0).lufs, -20.95, 0.05);
    }

    #[test]
    fn what_cannot_be_made_up_is_not_asked_for() {
        // Too soft, and two seconds left: by their energy they would have to be at +4.7 LUFS.
        assert_eq!(of(&[(-21.0, 5_800)]).heading_for(-10.0, 60.0).lufs, None);
        // Too loud: a rest at -36 LUFS would do by its energy, but the gate leaves it out.
        let loud = of(&[(-20.0, 5_800)]);
        assert_eq!(loud.heading_for(-23.0, 120.0).lufs, None);
        near(Some(whole(&loud, 120.0, -36.0)), -20.0, 0.1);
        assert_eq!(loud.heading_for(-40.0, 59.0).lufs, None);
        // Nearly there, and so little left that nothing moves it: as the target.
        for past in [-23.15, -22.9] {
            near(of(&[(past, 5_950)]).heading_for(-23.0, 60.0).lufs, -23.0, 0.01);
        }
    }

    /// Half of a show, or four fifths, was soft, loud, mixed, with pauses: a level that is said brings it there, at once or asked anew
    /// every five seconds, and where none is said there is none.
    #[test]
    fn obeying_it_comes_to_the_target_wherever_that_can_be() {
        let mut seed = 1_u32;
        let mut talk = |middle: f64, spread: f64| -> Vec<(f64, usize)> {
            let mut next = || {
                seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                f64::from(seed >> 8) / f64::from(1 << 24)
            };
            (0..200).map(|_| (middle + spread * (next() + next() - 1.0), 40)).collect()
        };
        let mut pasts: Vec<Vec<(f64, usize)>> =
            (-36..=-12).step_by(3).map(|lufs| vec![(f64::from(lufs), 8_000)]).collect();
        pasts.extend(
            [(-26.0, 4.0), (-23.0, 8.0), (-20.0, 12.0), (-30.0, 20.0)].map(|(middle, spread)| talk(middle, spread)),
        );
        pasts.push(vec![(-33.0, 3_000), (-22.0, 5_000)]);
        pasts.push(vec![(-18.0, 1_000), (-27.0, 7_000)]);
        pasts.push(vec![(-23.0, 2_000), (-90.0, 2_000), (-30.0, 2_000), (-90.0, 2_000)]);
        pasts.push(vec![(-60.0, 4_000), (-24.0, 2_000), (-40.0, 2_000)]);
        let (mut said, mut silent) = (0, 0);
        for past in pasts {
            let past = of(&past);
            for (target, whole_s) in
                [-30.0, -26.0, -23.0, -21.0, -18.0, -16.0].into_iter().flat_map(|t| [(t, 100.0), (t, 160.0)])
            {
                let Some(level) = past.heading_for(target, whole_s).lufs else {
                    silent += 1;
                    for half in -12..=12 {
                        let found = whole(&past, whole_s, target + 0.5 * f64::from(half));
                        assert!((found - target).abs() > 0.15, "{target} by {half} halves of a LU: {found}");
                    }
                    continue;
                };
                said += 1;
                assert!((level - target).abs() <= HEADING_REACH);
                near(Some(whole(&past, whole_s, level)), target, 0.3);
                let mut anew = past.clone();
                while let Some(level) = anew.heading_for(target, whole_s).lufs {
                    (0..500).for_each(|_| anew.step(mean_square(level)));
                }
                // At the very limit of what is said, the blocks that lie half in the past can take it beyond.
                if (level - target).abs() < HEADING_REACH - 0.1 {
                    assert!(anew.left_s(whole_s) < 1e-9, "{target} was given up");
                    near(anew.integrated(), target, 0.3);
                }
            }
        }
        assert!(said > 50 && silent > 50, "{said} {silent}");
    }

    #[test]
    fn what_is_no_number_counts_as_silence() {
        let mut loudness = of(&[(-23.0, 400)]);
        [f64::NAN, f64::INFINITY, -1.0].into_iter().for_each(|bad| loudness.step(bad));
        (0..300).for_each(|_| loudness.step(mean_square(-23.0)));
        near(Some(loudness.short_term()), -23.0, 1e-9);
    }
}
