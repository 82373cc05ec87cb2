//! Between decibels and factors.

use crate::dsp::math;
use crate::units::{Decibels, LinearGain};

/// log2(10) / 20: how many doublings of amplitude one decibel is.
const DOUBLINGS_PER_DB: f64 = std::f64::consts::LOG2_10 / 20.0;

/// The amplitude factor of a level in dB: exactly 1 at 0 dB, 0 at negative infinity, NaN for NaN.
///
/// Real-time: safe
#[inline]
#[must_use]
pub fn linear_from_db(db: f32) -> f32 {
    math::exp2(f64::from(db) * DOUBLINGS_PER_DB) as f32
}

/// The factor of a level: exactly 1 at [`Decibels::UNITY`], 0 at [`Decibels::SILENCE`], at most 1000 (+60 dB).
///
/// Real-time: safe
#[inline]
#[must_use]
pub fn linear(level: Decibels) -> LinearGain {
    LinearGain::try_new(linear_from_db(level.get()).min(1000.0)).unwrap_or(LinearGain::ZERO)
}

/// The level in dB of an amplitude factor, whose sign is ignored; negative infinity for 0.
///
/// Real-time: safe
#[inline]
#[must_use]
pub fn db_from_linear(factor: f32) -> f32 {
    (20.0 * math::log10(f64::from(factor.abs()))) as f32
}

/// The level in dB of a mean square; negative infinity for 0, NaN below 0.
///
/// Real-time: safe
#[inline]
#[must_use]
pub fn db_from_power(power: f32) -> f32 {
    (10.0 * math::log10(f64::from(power))) as f32
}
