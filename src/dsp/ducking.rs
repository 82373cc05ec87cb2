//! Music under voice: brings down what plays while somebody speaks, by as much as it takes.
//!
//! Fed once per tick. A voice speaks while its level, followed by 10 ms, is above -40 dBFS. How loud voice and music are is a
//! mean of 3 s over what there was of either, K-weighted (ITU-R BS.1770), so that pauses count for neither. The aim is a
//! reduction in dB: what brings the music `difference` LU below the voice, within `depth`; without a difference it is `depth`
//! itself. It is approached by a one-pole in dB, by `attack` on the way down; when the voice has paused for `hold` it goes
//! back by `release`.
//!
//! 12 to 14 LU as a difference after Torcoli and others, JAES 67(12), 2019 (10 for experts, about 4 more for ordinary
//! listeners); the times and the gate are common practice, no source. Latency: none.

use crate::dsp::dynamics::gain_per_frame;
use crate::dsp::level::linear_from_db;
use crate::dsp::math::log10;
use crate::units::SampleRate;

/// Who is softer than this does not speak: -40 dBFS, mean square.
const GATE: f64 = 1.0e-4;
const GATE_MS: f64 = 10.0;
/// What is softer than this is no music: -80 dBFS, mean square.
const MUSIC_FLOOR: f64 = 1.0e-8;
const WINDOW_S: f64 = 3.0;
/// A reduction below this is none, dB.
const NO_REDUCTION: f32 = 1.0e-3;

/// The times that nobody sets, in ticks.
#[derive(Clone, Copy, Debug)]
pub struct Pace {
    gate: f64,
    window: u32,
}

impl Pace {
    /// Real-time: never
    #[must_use]
    pub fn new(rate: SampleRate, tick: usize) -> Self {
        let ticks_per_second = f64::from(rate.hz()) / tick as f64;
        Self {
            gate: f64::from(gain_per_frame(GATE_MS / tick as f64, rate)),
            window: (WINDOW_S * ticks_per_second) as u32,
        }
    }
}

/// A mean that is plain until its window is full, and forgets then.
#[derive(Clone, Copy, Debug)]
struct Mean {
    power: f64,
    ticks: u32,
}

impl Mean {
    const NONE: Self = Self { power: 0.0, ticks: 0 };

    fn take(&mut self, power: f64, window: u32) {
        self.ticks = (self.ticks + 1).min(window);
        self.power += (power - self.power) / f64::from(self.ticks);
    }

    fn db(&self) -> Option<f64> {
        (self.ticks > 0 && self.power > 0.0).then(|| 10.0 * log10(self.power))
    }
}

/// All who speak together.
#[derive(Clone, Copy, Debug)]
pub struct Voice {
    level: f64,
    mean: Mean,
}

impl Voice {
    /// Nobody has spoken.
    pub const SILENT: Self = Self { level: 0.0, mean: Mean::NONE };

    /// The next tick: mean squares of what was spoken, in the band of speech and K-weighted.
    ///
    /// Real-time: safe
    pub fn hear(&mut self, pace: &Pace, spoken: f64, weighted: f64) {
        self.level += (spoken - self.level) * pace.gate;
        if !self.level.is_finite() || self.level < 1.0e-20 {
            self.level = 0.0;
        }
        if self.speaks() && weighted.is_finite() {
            self.mean.take(weighted, pace.window);
        }
    }

    /// Whether anybody speaks.
    ///
    /// Real-time: safe
    #[must_use]
    pub const fn speaks(&self) -> bool {
        self.level > GATE
    }
}

/// What is asked of one who makes room.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Asked {
    /// How far below the voice, LU; 0 is by the depth, however loud either is.
    pub difference: f32,
    /// How far down at most, dB.
    pub depth: f32,
    /// What the reduction gains of its way per tick while somebody speaks.
    pub attack: f32,
    /// How many ticks after the last word it stays.
    pub hold: f32,
    /// What it gains of its way back per tick.
    pub release: f32,
}

impl Asked {
    /// Nothing: no room is made.
    pub const NOTHING: Self = Self { difference: 0.0, depth: 0.0, attack: 1.0, hold: 0.0, release: 1.0 };
}

/// One who makes room.
#[derive(Clone, Copy, Debug)]
pub struct Ducker {
    music: Mean,
    reduction: f32,
    hold: f32,
}

impl Ducker {
    /// One who has heard nothing.
    pub const NEW: Self = Self { music: Mean::NONE, reduction: 0.0, hold: -1.0 };

    /// The next tick: whose voice it is under, none for nobody's, and the K-weighted mean square of what came in. Gives the gain.
    ///
    /// Real-time: safe
    pub fn step(&mut self, pace: &Pace, asked: &Asked, voice: Option<&Voice>, weighted: f64) -> f32 {
        if weighted.is_finite() && weighted > MUSIC_FLOOR {
            self.music.take(weighted, pace.window);
        }
        match voice {
            Some(voice) if voice.speaks() => self.hold = asked.hold,
            _ if self.hold > 0.0 && voice.is_some() => self.hold -= 1.0,
            _ => self.hold = -1.0,
        }
        let aim = match voice {
            Some(_) if self.hold < 0.0 => 0.0,
            Some(_) if asked.difference <= 0.0 => asked.depth,
            Some(voice) => match (self.music.db(), voice.mean.db()) {
                (Some(music), Some(voice)) => {
                    ((music - voice) as f32 + asked.difference).clamp(0.0, asked.depth.max(0.0))
                }
                _ => 0.0,
            },
            None => 0.0,
        };
        let way = if aim > self.reduction { asked.attack } else { asked.release };
        self.reduction += (aim - self.reduction) * way;
        if aim <= 0.0 && self.reduction < NO_REDUCTION {
            self.reduction = 0.0;
        }
        if self.reduction > 0.0 { linear_from_db(-self.reduction) } else { 1.0 }
    }
}
