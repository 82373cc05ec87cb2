//! A limiter for what leaves the house: it looks ahead, and holds the true peak and not only the samples.
//!
//! The gain that every frame needs is known [`latency_frames`](TruePeakLimiter::latency_frames) before the frame leaves: the
//! lowest of the frames ahead and of the last 12 ms is held, released exponentially, and averaged over the look-ahead. The
//! average of numbers that are all low enough is low enough, so nothing overshoots, and no attack is ever steeper than the
//! look-ahead is long. The hold lets tones down to 42 Hz stand still under reduction. One gain serves both channels.
//!
//! Detection is at eight times the rate ([`true_peak`]). What it may read too low there, and what a moving gain adds, is kept
//! in hand by [`MARGIN_DB`]. A signal that stays below the ceiling comes out bit for bit, only later.

use crate::dsp::lanes::{Kernel, LANES, Lanes, Row, Vectors};
use crate::dsp::true_peak::{self, CLOSE_DELAY_FRAMES, CLOSE_TAPS};
use crate::dsp::{level, math};
use crate::units::{Decibels, SampleRate};

/// How far below the ceiling the points found are held, dB.
pub const MARGIN_DB: f32 = 0.1;
/// Look-ahead: 1.5 to 3 ms is common practice, no source.
const AHEAD_S: f64 = 1.5e-3;
const HOLD_S: f64 = 12.0e-3;
/// Frames at the highest rate, 192 kHz.
const AHEAD_MAX: usize = 288;
const HOLD_MAX: usize = 2_304 + AHEAD_MAX + 1;
/// A new candidate is taken in before the oldest leaves.
const CANDIDATES: usize = HOLD_MAX + 1;
const DELAY_MAX: usize = AHEAD_MAX + CLOSE_DELAY_FRAMES;
/// Gains are averaged as whole numbers of this unit, so that a sum never drifts.
const UNIT: f64 = 16_777_216.0;
/// A reduction below this is taken as none.
const RECOVERED: f32 = 1e-6;

/// The lowest of the last so many numbers.
#[derive(Clone, Debug)]
struct Lowest {
    /// Candidates in rising order with the frames they came at, in a ring.
    candidates: Box<[(u64, f32)]>,
    first: usize,
    count: usize,
    window: u64,
}

impl Lowest {
    /// Real-time: never
    fn new(window: usize) -> Self {
        Self { candidates: vec![(0, 1.0); CANDIDATES].into_boxed_slice(), first: 0, count: 0, window: window as u64 }
    }

    fn place(&self, at: usize) -> usize {
        (self.first + at) % CANDIDATES
    }

    /// Takes the next number in; at most `window` steps, one on average.
    fn next(&mut self, frame: u64, value: f32) -> f32 {
        while self.count > 0 && self.candidates[self.place(self.count - 1)].1 >= value {
            self.count -= 1;
        }
        self.candidates[self.place(self.count)] = (frame, value);
        self.count += 1;
        while self.candidates[self.first].0 + self.window <= frame {
            self.first = self.place(1);
            self.count -= 1;
        }
        self.candidates[self.first].1
    }
}

/// A linked limiter for two channels.
#[derive(Clone, Debug)]
pub struct TruePeakLimiter {
    vectors: Vectors,
    ceiling: f32,
    held: f32,
    /// No sample leaves above this: the ceiling, or while frames that came in under a higher one are on their way, that.
    clamp: f32,
    clamp_frames: usize,
    kept_per_frame: f32,
    ahead: usize,
    frame: u64,
    /// The last samples of each channel, the newest frames behind them.
    past: [[f32; CLOSE_TAPS - 1 + LANES]; 2],
    lowest: Lowest,
    reduction: f32,
    /// The gains averaged, in a ring, and their sum.
    gains: Box<[u32]>,
    sum: u64,
    /// Samples on their way, in a ring.
    delayed: [Box<[f32]>; 2],
    gain: f32,
    lowest_gain: f32,
}

impl TruePeakLimiter {
    /// A limiter whose true peaks stay at or below `ceiling`, and whose gain loses 63 % of its reduction in `release_ms`.
    ///
    /// Real-time: never
    #[must_use]
    pub fn new(ceiling: Decibels, release_ms: f32, rate: SampleRate, vectors: Vectors) -> Self {
        let frames = |seconds: f64| (seconds * f64::from(rate.hz())) as usize;
        let ahead = frames(AHEAD_S).clamp(2, AHEAD_MAX);
        let release_frames = f64::from(release_ms.max(1.0)) * 1e-3 * f64::from(rate.hz());
        let mut limiter = Self {
            vectors,
            ceiling: 1.0,
            held: 1.0,
            clamp: 1.0,
            clamp_frames: 0,
            kept_per_frame: math::exp(-1.0 / release_frames) as f32,
            ahead,
            frame: 0,
            past: [[0.0; CLOSE_TAPS - 1 + LANES]; 2],
            lowest: Lowest::new(ahead + 1 + frames(HOLD_S)),
            reduction: 0.0,
            gains: vec![UNIT as u32; ahead].into_boxed_slice(),
            sum: ahead as u64 * UNIT as u64,
            delayed: [vec![0.0; DELAY_MAX].into_boxed_slice(), vec![0.0; DELAY_MAX].into_boxed_slice()],
            gain: 1.0,
            lowest_gain: 1.0,
        };
        limiter.set_ceiling(ceiling);
        limiter.clamp = limiter.ceiling;
        limiter
    }

    /// Another ceiling, from the next frame that comes in.
    ///
    /// Real-time: safe
    pub fn set_ceiling(&mut self, ceiling: Decibels) {
        self.ceiling = level::linear(ceiling).get();
        self.held = self.ceiling * level::linear_from_db(-MARGIN_DB);
        self.clamp = self.clamp.max(self.ceiling);
        self.clamp_frames = self.latency_frames() + 1;
    }

    /// How many frames later everything comes out.
    ///
    /// Real-time: safe
    #[must_use]
    pub const fn latency_frames(&self) -> usize {
        self.ahead - 1 + CLOSE_DELAY_FRAMES
    }

    /// The gain of the last frame that came out, 1 when nothing is limited.
    ///
    /// Real-time: safe
    #[must_use]
    pub const fn gain(&self) -> f32 {
        self.gain
    }

    /// The highest reduction since the last time this was asked, as 1 less the gain.
    ///
    /// Real-time: safe
    pub fn take_reduction(&mut self) -> f32 {
        1.0 - std::mem::replace(&mut self.lowest_gain, 1.0)
    }

    /// Forgets what it heard.
    ///
    /// Real-time: safe
    pub fn reset(&mut self) {
        self.past = [[0.0; CLOSE_TAPS - 1 + LANES]; 2];
        self.lowest.count = 0;
        self.reduction = 0.0;
        self.gains.fill(UNIT as u32);
        self.sum = self.ahead as u64 * UNIT as u64;
        self.delayed.iter_mut().for_each(|delayed| delayed.fill(0.0));
        (self.gain, self.lowest_gain) = (1.0, 1.0);
        (self.clamp, self.clamp_frames) = (self.ceiling, 0);
    }

    /// Limits both channels in place; where lengths differ, only the frames that both have. What is not finite becomes 0.
    ///
    /// Real-time: safe
    pub fn process(&mut self, left: &mut [f32], right: &mut [f32]) {
        for (left, right) in left.chunks_mut(LANES).zip(right.chunks_mut(LANES)) {
            let count = left.len().min(right.len());
            let mut peaks = [0.0; LANES];
            for (past, side) in self.past.iter_mut().zip([&mut *left, &mut *right]) {
                for sample in &mut side[..count] {
                    if !sample.is_finite() {
                        *sample = 0.0;
                    }
                }
                past[CLOSE_TAPS - 1..][..count].copy_from_slice(&side[..count]);
                self.vectors.run(Around { samples: past, peaks: &mut peaks });
                past.copy_within(count..count + CLOSE_TAPS - 1, 0);
            }
            for (place, peak) in peaks[..count].iter().enumerate() {
                self.follow(*peak);
                let [to, from] = [self.frame, self.frame + (DELAY_MAX - self.latency_frames()) as u64];
                let [to, from] = [to, from].map(|frame| (frame % DELAY_MAX as u64) as usize);
                for (delayed, sample) in self.delayed.iter_mut().zip([&mut left[place], &mut right[place]]) {
                    delayed[to] = *sample;
                    // The clamp takes off what rounding, or a signal that no point was found for, leaves above the ceiling.
                    *sample = (delayed[from] * self.gain).clamp(-self.clamp, self.clamp);
                }
                self.frame += 1;
                if self.clamp_frames > 0 {
                    self.clamp_frames -= 1;
                    if self.clamp_frames == 0 {
                        self.clamp = self.ceiling;
                    }
                }
            }
        }
    }

    /// Takes in the highest magnitude between two frames and makes the gain of the frame that leaves.
    fn follow(&mut self, peak: f32) {
        let wanted = if peak > self.held { self.held / peak } else { 1.0 };
        let lowest = self.lowest.next(self.frame, wanted);
        let released = self.reduction * self.kept_per_frame;
        self.reduction = if released < RECOVERED { 0.0 } else { released }.max(1.0 - lowest);
        let gain = (f64::from(1.0 - self.reduction) * UNIT) as u32;
        let place = (self.frame % self.ahead as u64) as usize;
        self.sum = self.sum + u64::from(gain) - u64::from(self.gains[place]);
        self.gains[place] = gain;
        self.gain = (self.sum as f64 / (self.ahead as f64 * UNIT)) as f32;
        self.lowest_gain = self.lowest_gain.min(self.gain);
    }
}

/// For sixteen frames the highest magnitude from each to the next, the newest of these pairs fourteen frames old.
struct Around<'a> {
    samples: &'a [f32; CLOSE_TAPS - 1 + LANES],
    peaks: &'a mut Row,
}

impl Kernel for Around<'_> {
    type Output = ();

    #[inline(always)]
    fn run<V: Lanes>(self) {
        let mut rows = [[0.0; LANES]; CLOSE_TAPS];
        for (start, row) in rows.iter_mut().enumerate() {
            row.copy_from_slice(&self.samples[start..start + LANES]);
        }
        let [here, next] = [V::load(&rows[CLOSE_TAPS / 2 - 1]).abs(), V::load(&rows[CLOSE_TAPS / 2]).abs()];
        let highest = true_peak::closely_between::<V>(&rows).max(here.max(next));
        highest.max(V::load(self.peaks)).store(self.peaks);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_lowest_of_the_longest_window_is_the_lowest() {
        let mut lowest = Lowest::new(HOLD_MAX);
        // Rising for longer than the window: every one of them stays a candidate.
        let values: Vec<f32> = (0..3 * HOLD_MAX).map(|n| 0.2 + 1e-5 * n as f32).collect();
        for (frame, value) in values.iter().enumerate() {
            let expected = values[(frame + 1).saturating_sub(HOLD_MAX)];
            assert!((lowest.next(frame as u64, *value) - expected).abs() < 1e-9, "frame {frame}");
        }
    }
}
