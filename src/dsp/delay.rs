//! A delay of whole frames for one lane, up to a second, whose change is no change of pitch.
//!
//! Two taps of one ring: from the old place to the new one by a cross-fade of 20 ms, `s = p^2 (3 - 2 p)`. A place asked for
//! meanwhile waits for the end of that, and the latest counts. A ring begins empty, and what it records comes up over 20 ms, so
//! that its beginning is no click when it is heard later. A delay of 0 is the input itself, bit for bit.
//!
//! Latency: what was asked for.

use crate::dsp::lanes::Row;
use crate::units::{Frames, SampleRate};

/// The longest delay, ms.
pub const DELAY_MS_MAX: u32 = 1000;
/// How long a change takes, ms.
const FADE_MS: u32 = 20;

/// The ring of one lane and its taps.
#[derive(Debug)]
pub struct DelayLine {
    /// A power of two.
    ring: Box<[f32]>,
    at: usize,
    /// Frames recorded, until what is recorded has come up.
    age: f32,
    fade_frames: f32,
    now: usize,
    before: usize,
    aim: usize,
    /// 1 when the change is over.
    phase: f32,
    /// How many zeros came in last, up to the length of the ring.
    zeros: usize,
}

impl DelayLine {
    /// An empty one without a delay.
    ///
    /// Real-time: never
    #[must_use]
    pub fn new(rate: SampleRate) -> Self {
        let frames = |ms| usize::try_from(rate.frames_in_ms_rounded_up(ms).0).unwrap_or(usize::MAX);
        let length = (frames(DELAY_MS_MAX) + 1).next_power_of_two();
        Self {
            ring: vec![0.0; length].into_boxed_slice(),
            at: 0,
            age: 0.0,
            fade_frames: frames(FADE_MS) as f32,
            now: 0,
            before: 0,
            aim: 0,
            phase: 1.0,
            zeros: length,
        }
    }

    /// Delays by so many frames, at most what there is room for; without a cross-fade if `at_once`.
    ///
    /// Real-time: safe
    pub fn set(&mut self, frames: Frames, at_once: bool) {
        self.aim = usize::try_from(frames.0).unwrap_or(usize::MAX).min(self.ring.len() - 1);
        if at_once {
            (self.now, self.before, self.phase) = (self.aim, self.aim, 1.0);
        }
    }

    /// Delays as another does from now on, or is about to; it has heard nothing of it.
    ///
    /// Real-time: safe
    pub fn set_like(&mut self, other: &Self) {
        self.set(Frames(other.aim as u64), true);
    }

    /// What it delays by, or is about to.
    ///
    /// Real-time: safe
    #[must_use]
    pub const fn frames(&self) -> Frames {
        Frames(self.aim as u64)
    }

    /// Whether it remembers nothing, so that silence gives silence.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn at_rest(&self) -> bool {
        let still = self.phase >= 1.0 && self.aim == self.now && self.age >= self.fade_frames;
        still && self.zeros >= self.ring.len()
    }

    /// One segment of one lane, replaced by what comes out.
    ///
    /// Real-time: safe
    pub fn process(&mut self, audio: &mut [Row], lane: usize) {
        let mask = self.ring.len() - 1;
        for row in audio {
            let x = row[lane];
            self.ring[self.at] = if self.age < self.fade_frames {
                self.age += 1.0;
                x * shape(self.age / self.fade_frames)
            } else {
                x
            };
            self.zeros = if x == 0.0 { (self.zeros + 1).min(self.ring.len()) } else { 0 };
            if self.phase >= 1.0 && self.aim != self.now {
                (self.before, self.now, self.phase) = (self.now, self.aim, 0.0);
            }
            let heard = |delay: usize| if delay == 0 { x } else { self.ring[self.at.wrapping_sub(delay) & mask] };
            let mut y = heard(self.now);
            if self.phase < 1.0 {
                self.phase = (self.phase + 1.0 / self.fade_frames).min(1.0);
                let old = heard(self.before);
                y = old + (y - old) * shape(self.phase);
            }
            row[lane] = y;
            self.at = (self.at + 1) & mask;
        }
    }
}

fn shape(phase: f32) -> f32 {
    phase * phase * (3.0 - 2.0 * phase)
}
