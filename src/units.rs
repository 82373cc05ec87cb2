//! The quantities the desk speaks in, each a type of its own so that decibels are never added to gains.
//!
//! None of them derefs to its number: take it out with `get`, on purpose.

use std::fmt;

/// A number that is not finite, or outside the range that its quantity accepts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OutOfRange {
    /// The number found.
    pub found: f32,
    /// The lowest that is accepted.
    pub lowest: f32,
    /// The highest that is accepted.
    pub highest: f32,
}

impl fmt::Display for OutOfRange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} is outside {} to {}", self.found, self.lowest, self.highest)
    }
}

impl std::error::Error for OutOfRange {}

fn in_range(found: f32, lowest: f32, highest: f32) -> Result<f32, OutOfRange> {
    // A NaN compares false with everything and so is refused here.
    if found >= lowest && found <= highest { Ok(found) } else { Err(OutOfRange { found, lowest, highest }) }
}

/// Level relative to digital full scale, or a gain, in dB. Finite, or [`Decibels::SILENCE`].
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Decibels(f32);

impl Decibels {
    /// No signal at all: what a fader gives at its bottom stop.
    pub const SILENCE: Self = Self(f32::NEG_INFINITY);
    /// Gain 1.
    pub const UNITY: Self = Self(0.0);

    /// A finite level between -1000 and +1000 dB.
    ///
    /// # Errors
    /// NaN, an infinity or a number outside the range; silence is [`Decibels::SILENCE`].
    pub fn try_new(db: f32) -> Result<Self, OutOfRange> {
        in_range(db, -1000.0, 1000.0).map(Self)
    }

    /// The number in dB; negative infinity for silence.
    #[must_use]
    pub const fn get(self) -> f32 {
        self.0
    }

    /// Whether this is [`Decibels::SILENCE`].
    #[must_use]
    pub fn is_silence(self) -> bool {
        self.0 == f32::NEG_INFINITY
    }
}

impl fmt::Display for Decibels {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.is_silence() { write!(f, "off") } else { write!(f, "{:.2} dB", self.0) }
    }
}

/// An amplitude factor, 0 or more.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct LinearGain(f32);

impl LinearGain {
    /// Nothing passes.
    pub const ZERO: Self = Self(0.0);
    /// Everything passes unchanged.
    pub const UNITY: Self = Self(1.0);

    /// A factor from 0 to 1000.
    ///
    /// # Errors
    /// NaN, an infinity, a negative number or more than 1000.
    pub fn try_new(gain: f32) -> Result<Self, OutOfRange> {
        in_range(gain, 0.0, 1000.0).map(Self)
    }

    /// The factor.
    #[must_use]
    pub const fn get(self) -> f32 {
        self.0
    }
}

/// Where a control stands on its way: 0 at the bottom stop, 1 at the top stop.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Travel(f32);

impl Travel {
    /// The bottom stop.
    pub const BOTTOM: Self = Self(0.0);
    /// The top stop.
    pub const TOP: Self = Self(1.0);

    /// A place from 0 to 1.
    ///
    /// # Errors
    /// NaN or a place beyond the stops.
    pub fn try_new(travel: f32) -> Result<Self, OutOfRange> {
        in_range(travel, 0.0, 1.0).map(Self)
    }

    /// The nearest place between the stops; NaN becomes the bottom stop.
    #[must_use]
    pub fn clamped(travel: f32) -> Self {
        if travel.is_nan() { Self(0.0) } else { Self(travel.clamp(0.0, 1.0)) }
    }

    /// The place from 0 to 1.
    #[must_use]
    pub const fn get(self) -> f32 {
        self.0
    }
}

/// Where a source stands between the loudspeakers: -1 left, 0 centre, +1 right.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Pan(f32);

impl Pan {
    /// The middle.
    pub const CENTRE: Self = Self(0.0);

    /// A place from -1 to +1.
    ///
    /// # Errors
    /// NaN or a place beyond the sides.
    pub fn try_new(pan: f32) -> Result<Self, OutOfRange> {
        in_range(pan, -1.0, 1.0).map(Self)
    }

    /// The place from -1 to +1.
    #[must_use]
    pub const fn get(self) -> f32 {
        self.0
    }
}

/// Frames per second: 8,000 to 192,000 of a desk, up to 384,000 of a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SampleRate(u32);

impl SampleRate {
    /// 48 kHz, the rate of sound that goes with picture.
    pub const HZ_48000: Self = Self(48_000);

    /// A rate the desk can run at.
    ///
    /// # Errors
    /// A rate below 8,000 or above 192,000 Hz.
    pub fn try_new(hz: u32) -> Result<Self, OutOfRange> {
        if (8_000..=192_000).contains(&hz) {
            Ok(Self(hz))
        } else {
            #[expect(clippy::cast_precision_loss, reason = "only shown in the error")]
            Err(OutOfRange { found: hz as f32, lowest: 8_000.0, highest: 192_000.0 })
        }
    }

    /// A rate that a file may have, beyond what the desk can run at.
    ///
    /// # Errors
    /// A rate below 8,000 or above 384,000 Hz.
    pub fn try_new_of_file(hz: u32) -> Result<Self, OutOfRange> {
        #[expect(clippy::cast_precision_loss, reason = "only shown in the error")]
        let error = OutOfRange { found: hz as f32, lowest: 8_000.0, highest: 384_000.0 };
        if (8_000..=384_000).contains(&hz) { Ok(Self(hz)) } else { Err(error) }
    }

    /// The rate in Hz.
    #[must_use]
    pub const fn hz(self) -> u32 {
        self.0
    }

    /// Whether two rates are the same but for the error of a clock: within 1,000 ppm. Standard rates lie much further
    /// apart; crystals of audio devices within 100 ppm (common practice, no source).
    #[must_use]
    pub const fn is_nominally(self, other: Self) -> bool {
        self.0.abs_diff(other.0) as u64 * 1000 <= other.0 as u64
    }

    /// Frames in so many milliseconds, rounded up, so that a stated time is never cut short.
    #[must_use]
    pub fn frames_in_ms_rounded_up(self, ms: u32) -> Frames {
        Frames((u64::from(ms) * u64::from(self.0)).div_ceil(1000))
    }

    /// Seconds that so many frames last.
    #[must_use]
    pub fn seconds(self, frames: Frames) -> f64 {
        #[expect(clippy::cast_precision_loss, reason = "2^53 frames are 5,900 years")]
        let frames = frames.0 as f64;
        frames / f64::from(self.0)
    }
}

/// A count of frames, or a place on the engine's one time line counted from its first frame.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Frames(pub u64);

impl Frames {
    /// The place so many frames later.
    #[must_use]
    pub const fn plus(self, frames: Frames) -> Self {
        Self(self.0.saturating_add(frames.0))
    }

    /// How far `self` lies after `earlier`; 0 when it does not.
    #[must_use]
    pub const fn since(self, earlier: Frames) -> Self {
        Self(self.0.saturating_sub(earlier.0))
    }
}
