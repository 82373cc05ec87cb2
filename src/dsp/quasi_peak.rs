//! Quasi-peak meters of IEC 60268-10: Type I, and Type II, whose scales IIa and IIb differ only in their marks.
//!
//! The reading follows the rectified signal upwards with a time constant and falls at a steady rate in decibels. One
//! integration time is not enough to be a quasi-peak meter: a symmetrical average that reads 2 dB low on 10 ms is wrong on
//! shorter bursts. The time constants were fitted to the burst tables with the fall at work, which takes 0.2 dB off a steady tone;
//! every point lies inside its tolerance.

use crate::dsp::lanes::Lanes;
use crate::dsp::math;
use crate::units::SampleRate;

/// Below this a reading is 0 at the next grid line: -100 dBFS, well below either scale.
const FLOOR: f32 = 1.0e-5;

/// Which of the two.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Type {
    /// Type I: rises with 1.5 ms, falls 20 dB in 1.7 s.
    One,
    /// Type II: rises with 2.28 ms, falls 24 dB in 2.8 s.
    Two,
}

/// How a reading moves at one sample rate.
#[derive(Clone, Copy, Debug)]
pub struct QuasiPeak {
    rise: f32,
    keep: f32,
}

impl QuasiPeak {
    /// A meter of this type.
    #[must_use]
    pub fn new(of: Type, rate: SampleRate) -> Self {
        let fs = f64::from(rate.hz());
        let (rise_s, fall_db, fall_s) = match of {
            Type::One => (1.5e-3, 20.0, 1.7),
            Type::Two => (2.28e-3, 24.0, 2.8),
        };
        let keep = math::exp2(-fall_db / (20.0 * fall_s * fs) * std::f64::consts::LOG2_10);
        Self { rise: (1.0 - math::exp(-1.0 / (rise_s * fs))) as f32, keep: keep as f32 }
    }

    /// The reading one sample later; `level` is the magnitude of the sample.
    #[inline(always)]
    pub fn next<V: Lanes>(&self, reading: V, level: V) -> V {
        let fallen = reading.mul(V::splat(self.keep));
        fallen.add(level.sub(fallen).max(V::splat(0.0)).mul(V::splat(self.rise)))
    }

    /// At a grid line: what is below every scale is 0.
    #[inline(always)]
    pub fn settle<V: Lanes>(reading: V) -> V {
        reading.where_le(V::splat(FLOOR), reading)
    }
}
