//! Band-limited interpolation, for audio that runs on another clock or at another rate.
//!
//! A [`Kernel`] is a windowed sinc tabulated at 512 places between two frames, with a straight line between those: what
//! that line adds is below -110 dB up to 20 kHz. A [`Position`] counts frames in whole numbers and 2^-32ths, so nothing
//! drifts however long it runs. [`Resampler`] puts both together for a stream; the bridge between two devices uses
//! kernel and position with a memory of its own.

use crate::dsp::math;
use crate::units::{OutOfRange, SampleRate};

const PHASES: usize = 512;
const PHASE_BITS: u32 = PHASES.trailing_zeros();
/// The most frames a kernel spans: what 176.4 to 44.1 kHz takes.
const TAPS_MAX: usize = 320;
/// What the filter leaves of images and aliases, in dB.
const STOP_DB: f64 = 110.0;
/// Highest frequency that passes unharmed, in Hz and as a share of the lower of the two rates.
const PASS_HZ: f64 = 20_000.0;
const PASS_SHARE: f64 = 20_000.0 / 44_100.0;
/// 1 as a step of 2^-32 frames.
const ONE: f64 = 4_294_967_296.0;

/// A place between input frames, exact to 2^-32 of a frame for ever.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Position {
    /// The frame at or before the place.
    pub frame: u64,
    /// How far beyond it, in 2^-32 of a frame.
    pub fraction: u32,
}

impl Position {
    /// The place nearest to so many frames, at least 0.
    #[must_use]
    pub fn at(frames: f64) -> Self {
        let frame = frames.max(0.0).floor();
        Self { frame: frame as u64, fraction: ((frames.max(0.0) - frame) * ONE) as u32 }
    }

    /// In frames, for reckoning; exact to a millionth of a frame for 200 years.
    #[must_use]
    pub fn frames(self) -> f64 {
        self.frame as f64 + f64::from(self.fraction) * (1.0 / ONE)
    }

    /// Goes on by a step.
    #[inline]
    pub fn advance(&mut self, step: Step) {
        let sum = u64::from(self.fraction) + step.0;
        self.frame += sum >> 32;
        self.fraction = sum as u32;
    }
}

/// Input frames for each output frame, in 2^-32 of a frame (0.00023 ppm).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Step(u64);

impl Step {
    /// The step nearest to a ratio of input to output rate, held between 1/8 and 8; NaN becomes 1/8.
    #[must_use]
    pub fn from_ratio(ratio: f64) -> Self {
        Self(((ratio.clamp(0.125, 8.0) * ONE + 0.5) as u64).max(1 << 29))
    }

    /// Steps that can be taken from `from` before the frame `end` is reached, counting one at `from` itself.
    #[must_use]
    pub fn count_until(self, from: Position, end: u64) -> u64 {
        if from.frame >= end {
            return 0;
        }
        // Far ahead the exact count does not matter; the limit keeps the shift from running over.
        let distance = ((end - from.frame).min(1 << 30) << 32) - u64::from(from.fraction);
        distance.div_ceil(self.0)
    }
}

/// The interpolating filter for one pair of rates.
#[derive(Clone, Debug)]
pub struct Kernel {
    taps: usize,
    /// Row by row for each phase; the last row is the first, one frame later.
    table: Box<[f32]>,
}

impl Kernel {
    /// The filter from one rate to another, whose true ratio may differ from the nominal one by a few thousandths.
    ///
    /// # Errors
    /// A ratio of input to output rate below 1/4 or above 4.
    ///
    /// Real-time: never
    pub fn new(input: SampleRate, output: SampleRate) -> Result<Self, OutOfRange> {
        let (input_hz, output_hz) = (f64::from(input.hz()), f64::from(output.hz()));
        let ratio = input_hz / output_hz;
        if !(0.25..=4.0).contains(&ratio) {
            return Err(OutOfRange { found: ratio as f32, lowest: 0.25, highest: 4.0 });
        }
        // What lies between pass and stop may alias, but only onto its like, above the pass band.
        let lower_hz = input_hz.min(output_hz);
        let pass_hz = PASS_HZ.min(lower_hz * PASS_SHARE);
        let stop_hz = lower_hz - pass_hz;
        // Length and shape after Kaiser (1974), from memory.
        let width = std::f64::consts::TAU * (stop_hz - pass_hz) / input_hz;
        let taps = ((STOP_DB - 8.0) / (2.285 * width)) as usize + 2;
        let taps = taps.next_multiple_of(8).clamp(32, TAPS_MAX);
        let beta = 0.1102 * (STOP_DB - 8.7);
        let cutoff = (pass_hz + stop_hz) * 0.5 / input_hz;

        let half = (taps / 2) as f64;
        let mut table = vec![0.0; (PHASES + 1) * taps];
        let mut row = vec![0.0; taps];
        for (phase, stored) in table.chunks_exact_mut(taps).enumerate() {
            for (tap, value) in row.iter_mut().enumerate() {
                let away = tap as f64 - (half - 1.0) - phase as f64 / PHASES as f64;
                *value = 2.0 * cutoff * sinc(2.0 * cutoff * away) * bessel_i0(beta * edge(away / half));
            }
            // Every phase passes a constant alike.
            let sum: f64 = row.iter().sum();
            for (stored, value) in stored.iter_mut().zip(&row) {
                *stored = (value / sum) as f32;
            }
        }
        Ok(Self { taps, table: table.into_boxed_slice() })
    }

    /// Input frames that one output frame is made of; an even number, a multiple of 8.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn taps(&self) -> usize {
        self.taps
    }

    /// Input frames needed beyond the frame of a position; what comes out is this much behind what came in.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn delay_frames(&self) -> usize {
        self.taps / 2
    }

    /// Writes the weights of the [`Kernel::taps`] frames around a position, the last of them
    /// [`Kernel::delay_frames`] after its frame.
    ///
    /// Real-time: safe
    #[inline]
    pub fn weights(&self, fraction: u32, out: &mut [f32]) {
        let phase = (fraction >> (32 - PHASE_BITS)) as usize;
        // 23 bits are left: exact as a float.
        let between = ((fraction << PHASE_BITS) >> PHASE_BITS) as f32 * (1.0 / (1_u32 << (32 - PHASE_BITS)) as f32);
        let rows = &self.table[phase * self.taps..(phase + 2) * self.taps];
        let (this, next) = rows.split_at(self.taps);
        for ((weight, a), b) in out.iter_mut().zip(this).zip(next) {
            *weight = a + (b - a) * between;
        }
    }
}

/// The sum of products of two slices of equal length, a multiple of 8, in a fixed order.
///
/// Real-time: safe
#[inline]
#[must_use]
pub fn weighted_sum(samples: &[f32], weights: &[f32]) -> f32 {
    let mut sums = [0.0_f32; 8];
    for (s, w) in samples.as_chunks::<8>().0.iter().zip(weights.as_chunks::<8>().0) {
        for lane in 0..8 {
            sums[lane] += s[lane] * w[lane];
        }
    }
    ((sums[0] + sums[4]) + (sums[2] + sums[6])) + ((sums[1] + sums[5]) + (sums[3] + sums[7]))
}

/// sin(pi x) / (pi x).
fn sinc(x: f64) -> f64 {
    if x.abs() < 1e-9 { 1.0 } else { math::sin_turns(0.5 * x) / (std::f64::consts::PI * x) }
}

/// Height of the half circle at `x`, 0 outside.
fn edge(x: f64) -> f64 {
    (1.0 - x * x).max(0.0).sqrt()
}

/// The modified Bessel function of order 0, by its series.
fn bessel_i0(x: f64) -> f64 {
    let quarter = x * x * 0.25;
    let (mut term, mut sum) = (1.0, 1.0);
    for k in 1..60 {
        term *= quarter / f64::from(k * k);
        sum += term;
    }
    sum
}

/// A stream of planar channels at a ratio that may be changed at any time.
#[derive(Clone, Debug)]
pub struct Resampler {
    kernel: Kernel,
    step: Step,
    weights: Box<[f32]>,
    /// For each channel the last frames, kept twice so that they can always be read in one piece.
    history: Box<[f32]>,
    newest: usize,
    /// How far the next output frame lies beyond what the newest input frame allows.
    ahead: Position,
}

impl Resampler {
    /// A resampler of `channels` channels, at the nominal ratio until told otherwise; silence went before.
    ///
    /// # Errors
    /// A ratio of input to output rate below 1/4 or above 4.
    ///
    /// Real-time: never
    pub fn new(channels: usize, input: SampleRate, output: SampleRate) -> Result<Self, OutOfRange> {
        let kernel = Kernel::new(input, output)?;
        let taps = kernel.taps();
        Ok(Self {
            step: Step::from_ratio(f64::from(input.hz()) / f64::from(output.hz())),
            weights: vec![0.0; taps].into_boxed_slice(),
            history: vec![0.0; channels * taps * 2].into_boxed_slice(),
            newest: 0,
            ahead: Position { frame: 1, fraction: 0 },
            kernel,
        })
    }

    /// Sets the number of input frames for each output frame, from the next output frame on.
    ///
    /// Real-time: safe
    pub fn set_step(&mut self, step: Step) {
        self.step = step;
    }

    /// Input frames by which the output lags.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn delay_frames(&self) -> usize {
        self.kernel.delay_frames()
    }

    /// Takes input and makes output until one of them is used up; gives how many frames were taken and made.
    ///
    /// How a stream is cut into calls changes no sample.
    ///
    /// Real-time: safe
    pub fn process(&mut self, input: &[&[f32]], output: &mut [&mut [f32]]) -> (usize, usize) {
        let available = input.iter().map(|channel| channel.len()).min().unwrap_or(0);
        let wanted = output.iter().map(|channel| channel.len()).min().unwrap_or(0);
        let taps = self.kernel.taps();
        let (mut taken, mut made) = (0, 0);
        loop {
            while self.ahead.frame > 0 {
                if taken == available {
                    return (taken, made);
                }
                for (history, channel) in self.history.chunks_exact_mut(2 * taps).zip(input) {
                    history[self.newest] = channel[taken];
                    history[self.newest + taps] = channel[taken];
                }
                self.newest = if self.newest + 1 == taps { 0 } else { self.newest + 1 };
                taken += 1;
                self.ahead.frame -= 1;
            }
            if made == wanted {
                return (taken, made);
            }
            self.kernel.weights(self.ahead.fraction, &mut self.weights);
            for (history, channel) in self.history.chunks_exact(2 * taps).zip(output.iter_mut()) {
                channel[made] = weighted_sum(&history[self.newest..self.newest + taps], &self.weights);
            }
            self.ahead.advance(self.step);
            made += 1;
        }
    }
}
