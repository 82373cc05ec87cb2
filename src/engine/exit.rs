//! Where a pair of output columns leaves: the true-peak limiter that delays, then the one that does not.

use super::limits::TICK;
use crate::dsp::lanes::Vectors;
use crate::dsp::level;
use crate::dsp::limiter::Limiter;
use crate::dsp::true_peak_limiter::TruePeakLimiter;
use crate::units::{Decibels, SampleRate};

/// Release of both. Common practice, no source.
const RELEASE_MS: f32 = 100.0;
/// From the direct way to the one through the true-peak limiter, or back: two programmes, one a little late.
const CROSS_FADE_MS: u32 = 20;

/// The limiters of one pair.
#[derive(Clone, Debug)]
pub struct PairExit {
    look_ahead: TruePeakLimiter,
    at_once: Limiter,
    /// Whether the look-ahead is asked for.
    wanted: bool,
    /// How much of what leaves comes through it.
    share: f32,
    step: f32,
    /// Frames until it has heard enough to be listened to.
    wait: usize,
    /// Whether nothing has left yet: what begins under a ceiling is under it from the first frame on.
    fresh: bool,
    /// The highest reduction by either limiter since the last meter boundary: 1 less the gain.
    reduction: f32,
}

impl PairExit {
    /// Limiters at rest; `ceiling` is the one of headphones and loudspeakers.
    ///
    /// Real-time: never
    #[must_use]
    pub fn new(ceiling: Decibels, rate: SampleRate, vectors: Vectors) -> Self {
        #[expect(clippy::cast_precision_loss, reason = "some thousand frames")]
        let step = 1.0 / rate.frames_in_ms_rounded_up(CROSS_FADE_MS).0 as f32;
        Self {
            look_ahead: TruePeakLimiter::new(Decibels::UNITY, RELEASE_MS, rate, vectors),
            at_once: Limiter::new(ceiling, RELEASE_MS, rate),
            wanted: false,
            share: 0.0,
            step,
            wait: 0,
            fresh: true,
            reduction: 0.0,
        }
    }

    /// The ceiling of the true-peak limiter as amplitude; 0 takes it out.
    ///
    /// Real-time: safe
    pub fn set_ceiling(&mut self, ceiling: f32) {
        let wanted = ceiling > 0.0;
        if wanted {
            if !self.wanted && self.share <= 0.0 {
                self.look_ahead.reset();
                (self.wait, self.share) = if self.fresh { (0, 1.0) } else { (self.look_ahead.latency_frames(), 0.0) };
            }
            let ceiling = Decibels::try_new(level::db_from_linear(ceiling)).unwrap_or(Decibels::UNITY);
            self.look_ahead.set_ceiling(ceiling);
        }
        self.wanted = wanted;
    }

    /// A pair begins anew.
    ///
    /// Real-time: safe
    pub fn start(&mut self) {
        (self.wanted, self.share, self.fresh) = (false, 0.0, true);
    }

    /// The delay that stands in what leaves, in frames.
    ///
    /// Real-time: safe
    #[must_use]
    pub const fn latency_frames(&self) -> usize {
        if self.wanted { self.look_ahead.latency_frames() } else { 0 }
    }

    /// The highest reduction since the last time, as 1 less the gain.
    ///
    /// Real-time: safe
    pub fn take_reduction(&mut self) -> f32 {
        std::mem::take(&mut self.reduction)
    }

    /// One segment, at most a tick, in place.
    ///
    /// Real-time: safe
    pub fn process(&mut self, left: &mut [f32], right: &mut [f32], at_once: bool) {
        self.fresh = false;
        if self.wanted || self.share > 0.0 {
            let (mut late_left, mut late_right) = ([0.0; TICK], [0.0; TICK]);
            let (late_left, late_right) = (&mut late_left[..left.len()], &mut late_right[..right.len()]);
            late_left.copy_from_slice(left);
            late_right.copy_from_slice(right);
            self.look_ahead.process(late_left, late_right);
            let lates = late_left.iter().zip(late_right.iter());
            for ((left, right), (late_left, late_right)) in left.iter_mut().zip(right.iter_mut()).zip(lates) {
                if self.wait > 0 {
                    self.wait -= 1;
                } else {
                    let step = if self.wanted { self.step } else { -self.step };
                    self.share = (self.share + step).clamp(0.0, 1.0);
                }
                if self.share >= 1.0 {
                    (*left, *right) = (*late_left, *late_right);
                } else if self.share > 0.0 {
                    let shape = self.share * self.share * (3.0 - 2.0 * self.share);
                    *left += (late_left - *left) * shape;
                    *right += (late_right - *right) * shape;
                }
            }
            self.reduction = self.reduction.max(self.look_ahead.take_reduction());
        }
        if at_once {
            self.at_once.process(&mut [left, right]);
            self.reduction = self.reduction.max(self.at_once.take_reduction());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// From 2.0 to -6.02 dBFS is 12.04 dB: a quarter is left (arithmetic).
    #[test]
    fn what_the_limiter_without_delay_takes_off_is_shown_once() {
        let mut exit =
            PairExit::new(Decibels::try_new(-6.020_6).expect("a level"), SampleRate::HZ_48000, Vectors::widest());
        for (at_once, taken) in [(false, 0.0), (true, 0.75), (false, 0.0)] {
            exit.process(&mut [2.0; TICK], &mut [0.0; TICK], at_once);
            assert!((exit.take_reduction() - taken).abs() < 1e-5, "{at_once}");
        }
    }

    #[test]
    fn what_begins_under_a_ceiling_is_under_it_from_the_first_frame_on() {
        let mut exit = PairExit::new(Decibels::UNITY, SampleRate::HZ_48000, Vectors::widest());
        for _ in 0..2 {
            exit.start();
            exit.set_ceiling(0.5);
            let mut highest = 0.0_f32;
            for _ in 0..200 {
                let (mut left, mut right) = ([2.0; TICK], [-2.0; TICK]);
                exit.process(&mut left, &mut right, false);
                highest = left.iter().chain(&right).fold(highest, |highest, sample| highest.max(sample.abs()));
            }
            assert!((0.4..=0.500_001).contains(&highest), "{highest}");
        }
    }
}
