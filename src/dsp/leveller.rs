//! A slow hand on the fader for when nobody is there: brings speech or music towards a loudness.
//!
//! Fed every 10 ms with the K-weighted mean square of what comes in, it gives the gain for the next 10 ms. It goes by the
//! loudness of the last seconds in which there was something to hear: what is below a floor, or more than 10 LU below
//! what came before (the relative gate of BS.1770), freezes it, so that pauses and the ends of applause are not pumped up.
//! Far from where it wants to be it moves as fast as it may, close to it ever more slowly.

use crate::dsp::loudness::{STEPS_PER_SECOND, lufs, mean_square};
use crate::dsp::math;

/// Nothing moves at more than so far below what came before, LU.
const RELATIVE_GATE: f64 = -10.0;
/// What of the way it takes in a second when it is close.
const APPROACH: f64 = 0.6;
/// The momentary window in steps.
const MOMENTARY: usize = 40;

/// What is asked of a leveller; the table of parameters has the ranges.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Asked {
    /// The loudness wanted, LUFS.
    pub target_lufs: f64,
    /// How far the gain may go either way, dB.
    pub range_db: f64,
    /// Seconds of active programme that it goes by.
    pub window_s: f64,
    /// Below this momentary loudness nothing moves, LUFS.
    pub floor_lufs: f64,
    /// The fastest it moves, dB per second.
    pub speed: f64,
}

/// The state of one leveller.
#[derive(Clone, Copy, Debug)]
pub struct Leveller {
    recent: [f64; MOMENTARY],
    at: usize,
    /// Mean square of the active programme, and for how many steps there was one, up to the window.
    active: f64,
    active_steps: u64,
    gain_db: f64,
    /// Whether the last step moved nothing.
    frozen: bool,
}

impl Default for Leveller {
    fn default() -> Self {
        Self::new()
    }
}

impl Leveller {
    /// One that has heard nothing and does nothing.
    #[must_use]
    pub const fn new() -> Self {
        Self { recent: [0.0; MOMENTARY], at: 0, active: 0.0, active_steps: 0, gain_db: 0.0, frozen: true }
    }

    /// The next 10 ms: the weighted mean square of what came in, and what is asked. Gives the gain in dB.
    ///
    /// Real-time: safe
    pub fn step(&mut self, input: f64, asked: &Asked) -> f64 {
        self.recent[self.at] = if input.is_finite() { input.max(0.0) } else { 0.0 };
        self.at = (self.at + 1) % MOMENTARY;
        let momentary = self.recent.iter().sum::<f64>() / MOMENTARY as f64;
        let steps_per_second = STEPS_PER_SECOND as f64;
        let floor = mean_square(asked.floor_lufs);
        self.frozen =
            momentary < floor || momentary < self.active * math::exp2(RELATIVE_GATE / 10.0 * std::f64::consts::LOG2_10);
        let window = ((asked.window_s * steps_per_second) as u64).max(1);
        if !self.frozen {
            self.active_steps = (self.active_steps + 1).min(window);
            // A plain mean until the window is full, then one that forgets.
            self.active += (momentary - self.active) / self.active_steps as f64;
            let wanted = (asked.target_lufs - lufs(self.active)).clamp(-asked.range_db, asked.range_db);
            let way = ((wanted - self.gain_db) * APPROACH).clamp(-asked.speed, asked.speed);
            self.gain_db += way / steps_per_second;
        } else if self.active_steps > 0 && momentary >= floor {
            // A programme that stays soft is the programme: what came before is forgotten, ten times as slowly.
            self.active += (momentary - self.active) / (10.0 * window as f64);
        }
        self.gain_db
    }

    /// Without a target: back to 0 dB, no faster than it moves otherwise, and whatever was heard forgotten.
    ///
    /// Real-time: safe
    pub fn release(&mut self, speed: f64) -> f64 {
        let gain_db = self.gain_db;
        *self = Self::new();
        let most = speed / STEPS_PER_SECOND as f64;
        self.gain_db = if gain_db.abs() <= most { 0.0 } else { gain_db - most * gain_db.signum() };
        self.gain_db
    }

    /// The gain now, dB.
    ///
    /// Real-time: safe
    #[must_use]
    pub const fn gain_db(&self) -> f64 {
        self.gain_db
    }

    /// Whether it stands still because there is nothing to go by.
    ///
    /// Real-time: safe
    #[must_use]
    pub const fn frozen(&self) -> bool {
        self.frozen
    }
}
