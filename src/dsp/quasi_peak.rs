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

/// What is kept of a reading from one sample to the next where it falls by so many dB in so many seconds.
fn kept(db: f64, seconds: f64, fs: f64) -> f64 {
    math::exp2(-db / (20.0 * seconds * fs) * std::f64::consts::LOG2_10)
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
        let keep = kept(fall_db, fall_s, fs);
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Arithmetic: what is left after one sample at 48 kHz of a fall of 20 dB in 1.7 s (IEC 60268-10 Type I), of 24 dB in 2.8 s
    /// (Type II) and of 20 dB in 1.5 s (DIN practice, which no meter here has).
    #[test]
    fn the_falls_are_what_arithmetic_makes_them() {
        for (db, seconds, expected) in
            [(20.0, 1.7, 0.999_971_782_4), (24.0, 2.8, 0.999_979_441_4), (20.0, 1.5, 0.999_968_020_2)]
        {
            assert!((kept(db, seconds, 48_000.0) - expected).abs() < 1e-9, "{db} dB in {seconds} s");
        }
    }

    /// Readings in dB of bursts of 5 kHz in ms against the steady tone, by this type.
    fn bursts<const N: usize>(of: Type, lengths_ms: [f64; N]) -> [f64; N] {
        let meter = QuasiPeak::new(of, SampleRate::HZ_48000);
        let reading = |ms: f64| {
            let (mut now, mut highest) = (0.0_f32, 0.0_f32);
            for n in 0..48_000 {
                let tone = (std::f64::consts::TAU * 5_000.0 * f64::from(n) / 48_000.0).sin();
                let level = if f64::from(n) < ms * 48.0 { tone.abs() as f32 } else { 0.0 };
                let fallen = now * meter.keep;
                now = fallen + (level - fallen).max(0.0) * meter.rise;
                highest = highest.max(now);
            }
            f64::from(highest)
        };
        let steady = reading(1_000.0);
        lengths_ms.map(|ms| 20.0 * (reading(ms) / steady).log10())
    }

    fn near<const N: usize>(found: [f64; N], expected: [f64; N], within: f64) {
        for (found, expected) in found.iter().zip(expected) {
            assert!((found - expected).abs() <= within, "{found} for {expected}");
        }
    }

    /// A follower that only rises, of 2.15 ms for Type II and 1.5 ms for Type I, computed with scipy 1.17.1: one way to build
    /// them, within the burst tables. The ones here also fall meanwhile.
    #[test]
    fn readings_are_near_those_of_a_follower_that_only_rises() {
        near(bursts(Type::Two, [100.0, 10.0, 5.0, 1.5, 0.5]), [-0.04, -1.61, -3.58, -9.7, -17.56], 0.5);
        near(bursts(Type::One, [10.0, 5.0, 3.0, 0.4]), [-1.0, -2.42, -4.16, -16.5], 0.5);
    }

    /// A symmetrical average of 6.3 ms also reads -2 dB on 10 ms (1 - exp(-t / 6.3 ms)), and is no Type II on shorter bursts
    /// (IEC 60268-10, EBU Tech 3205-E Table 2); this meter is one on all of them.
    #[test]
    fn a_single_integration_time_is_not_enough() {
        let lengths = [10.0, 5.0, 1.5, 0.5];
        let average = lengths.map(|ms: f64| 20.0 * (1.0 - (-ms / 6.3).exp()).log10());
        near(average, [-2.0, -5.25, -13.51, -22.39], 0.1);
        let passes = |readings: [f64; 4]| {
            let table: [(f64, f64); 4] = [(-2.0, 0.5), (-4.0, 0.75), (-9.0, 1.0), (-17.0, 2.0)];
            std::array::from_fn::<bool, 4, _>(|n| (readings[n] - table[n].0).abs() <= table[n].1)
        };
        assert_eq!(passes(average), [true, false, false, false]);
        assert_eq!(passes(bursts(Type::Two, lengths)), [true; 4]);
    }
}
