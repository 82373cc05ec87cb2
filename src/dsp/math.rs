//! Powers, logarithms and sines that give the same bits on every machine.
//!
//! The functions of `std` differ between platforms in their last bits, so `dsp` and `engine` use these instead: each is
//! a reduction to a short range, exact in floating point, and a polynomial evaluated in one fixed order. There are no
//! tables and no branches on the data but for the special values, so loops over them can be vectorised.

use std::f64::consts::{LN_2, LOG2_E, LOG10_E, TAU};

/// Adding and subtracting this rounds a number below 2^51 to the nearest whole one, ties to even, on any processor.
const ROUNDER: f64 = 6_755_399_441_055_744.0;

/// ln 2 in two parts: the first ends in 20 zero bits, so that its product with an exponent is exact.
const LN_2_HIGH: f64 = 6.931_471_803_691_238e-1;
const LN_2_LOW: f64 = 1.908_214_929_270_587_7e-10;

/// The nearest whole number, ties to even; for magnitudes below 2^51.
#[inline]
fn round_even(x: f64) -> f64 {
    (x + ROUNDER) - ROUNDER
}

/// 2^n for a whole n from -1022 to 1023, by writing the exponent field.
#[inline]
fn power_of_two(n: f64) -> f64 {
    // The low bits of the sum hold n in two's complement; shifted up they are the exponent field, the rest falls out.
    f64::from_bits((n + (ROUNDER + 1023.0)).to_bits() << 52)
}

/// e^r for |r| <= ln 2 / 2: the series to r^13, whose next term is below 5e-18.
#[inline]
fn exp_reduced(r: f64) -> f64 {
    const C: [f64; 14] = [
        1.0,
        1.0,
        1.0 / 2.0,
        1.0 / 6.0,
        1.0 / 24.0,
        1.0 / 120.0,
        1.0 / 720.0,
        1.0 / 5_040.0,
        1.0 / 40_320.0,
        1.0 / 362_880.0,
        1.0 / 3_628_800.0,
        1.0 / 39_916_800.0,
        1.0 / 479_001_600.0,
        1.0 / 6_227_020_800.0,
    ];
    let mut sum = C[13];
    for c in C[..13].iter().rev() {
        sum = sum * r + c;
    }
    sum
}

/// 2 to the power `x`, within 1e-15 relative for `x` from -1022 to 1024; whole powers are exact.
///
/// Below -1022 it is 0 (no denormals), from 1024 on infinity; NaN stays NaN.
///
/// Real-time: safe
#[inline]
#[must_use]
pub fn exp2(x: f64) -> f64 {
    let clamped = x.clamp(-1100.0, 1100.0);
    let n = round_even(clamped);
    // The last half octave has n = 1024, which does not fit the exponent field: one doubling is done apart.
    let doubled = n >= 1024.0;
    let field = if doubled { 1023.0 } else { n.max(-1022.0) };
    let value = exp_reduced((clamped - n) * LN_2) * power_of_two(field) * if doubled { 2.0 } else { 1.0 };
    finish_power(x, value, -1022.0, 1024.0)
}

/// e to the power `x`, within 1e-15 relative for `x` from -708 to 709.
///
/// Below -708 it is 0, above 709.78 infinity; NaN stays NaN.
///
/// Real-time: safe
#[inline]
#[must_use]
pub fn exp(x: f64) -> f64 {
    let clamped = x.clamp(-750.0, 750.0);
    let n = round_even(clamped * LOG2_E);
    let r = (clamped - n * LN_2_HIGH) - n * LN_2_LOW;
    let doubled = n >= 1024.0;
    let field = if doubled { 1023.0 } else { n.max(-1022.0) };
    let value = exp_reduced(r) * power_of_two(field) * if doubled { 2.0 } else { 1.0 };
    finish_power(x, value, -708.0, 709.782_712_893_383_9)
}

#[inline]
fn finish_power(x: f64, value: f64, lowest: f64, highest: f64) -> f64 {
    if x < lowest {
        0.0
    } else if x < highest {
        value
    } else if x.is_nan() {
        x
    } else {
        f64::INFINITY
    }
}

/// The exponent and the natural logarithm of the mantissa, the mantissa taken between sqrt(1/2) and sqrt(2).
#[inline]
fn split_logarithm(x: f64) -> (f64, f64) {
    const SQRT_HALF_BITS: u64 = 0x3FE6_A09E_667F_3BCD;
    // Denormals are lifted into the normal range first.
    let denormal = x < f64::MIN_POSITIVE;
    let bits = (if denormal { x * 18_014_398_509_481_984.0 } else { x }).to_bits();
    // Counting the exponent from sqrt(1/2) keeps numbers just below 1 at exponent 0, where nothing cancels.
    let from_root = bits.wrapping_sub(SQRT_HALF_BITS) as i64 >> 52;
    let mantissa = f64::from_bits(bits.wrapping_sub((from_root << 52) as u64));
    let exponent = from_root as i32 - if denormal { 54 } else { 0 };
    // ln m = 2 artanh((m - 1) / (m + 1)), |s| <= 0.1716: eleven terms leave less than 1e-18.
    let s = (mantissa - 1.0) / (mantissa + 1.0);
    let s2 = s * s;
    let mut sum = 1.0 / 21.0;
    for odd in [19.0, 17.0, 15.0, 13.0, 11.0, 9.0, 7.0, 5.0, 3.0] {
        sum = sum * s2 + 1.0 / odd;
    }
    (f64::from(exponent), 2.0 * s + 2.0 * s * s2 * sum)
}

#[inline]
fn finish_logarithm(x: f64, value: f64) -> f64 {
    if x > 0.0 && x < f64::INFINITY {
        value
    } else if x == 0.0 {
        f64::NEG_INFINITY
    } else if x > 0.0 {
        x
    } else {
        f64::NAN
    }
}

/// Logarithm to base 2, within 1e-15 relative for every positive number; whole powers of 2 are exact.
///
/// 0 gives negative infinity, a negative number NaN, infinity itself.
///
/// Real-time: safe
#[inline]
#[must_use]
pub fn log2(x: f64) -> f64 {
    let (exponent, mantissa) = split_logarithm(x);
    finish_logarithm(x, exponent + mantissa * LOG2_E)
}

/// Natural logarithm, within 1e-15 relative for every positive number; special values as [`log2`].
///
/// Real-time: safe
#[inline]
#[must_use]
pub fn ln(x: f64) -> f64 {
    let (exponent, mantissa) = split_logarithm(x);
    finish_logarithm(x, exponent * LN_2_HIGH + (mantissa + exponent * LN_2_LOW))
}

/// Logarithm to base 10, within 1e-15 relative for every positive number; special values as [`log2`].
///
/// Real-time: safe
#[inline]
#[must_use]
pub fn log10(x: f64) -> f64 {
    ln(x) * LOG10_E
}

/// Sine of an angle in turns (1 is the whole circle), within 1e-15 absolute for |turns| below 2^48.
///
/// Exact at every quarter turn. Beyond the range the fraction of a turn is lost; an infinity or NaN gives NaN.
///
/// Real-time: safe
#[inline]
#[must_use]
pub fn sin_turns(turns: f64) -> f64 {
    let quarter = round_even(turns * 4.0);
    quarter_wave(turns - quarter * 0.25, quarter)
}

/// Cosine of an angle in turns; accuracy and range as [`sin_turns`].
///
/// Real-time: safe
#[inline]
#[must_use]
pub fn cos_turns(turns: f64) -> f64 {
    let quarter = round_even(turns * 4.0);
    quarter_wave(turns - quarter * 0.25, quarter + 1.0)
}

/// Tangent of an angle in turns, within 1e-14 relative away from the poles; at a pole an infinity.
///
/// Real-time: safe
#[inline]
#[must_use]
pub fn tan_turns(turns: f64) -> f64 {
    sin_turns(turns) / cos_turns(turns)
}

/// Sine of `rest` turns (at most an eighth) past the quarter counted by `quarter`.
#[inline]
fn quarter_wave(rest: f64, quarter: f64) -> f64 {
    const SINE: [f64; 8] = [
        1.0,
        -1.0 / 6.0,
        1.0 / 120.0,
        -1.0 / 5_040.0,
        1.0 / 362_880.0,
        -1.0 / 39_916_800.0,
        1.0 / 6_227_020_800.0,
        -1.0 / 1_307_674_368_000.0,
    ];
    const COSINE: [f64; 9] = [
        1.0,
        -1.0 / 2.0,
        1.0 / 24.0,
        -1.0 / 720.0,
        1.0 / 40_320.0,
        -1.0 / 3_628_800.0,
        1.0 / 479_001_600.0,
        -1.0 / 87_178_291_200.0,
        1.0 / 20_922_789_888_000.0,
    ];
    let angle = rest * TAU;
    let squared = angle * angle;
    let mut sine = SINE[7];
    for c in SINE[..7].iter().rev() {
        sine = sine * squared + c;
    }
    let mut cosine = COSINE[8];
    for c in COSINE[..8].iter().rev() {
        cosine = cosine * squared + c;
    }
    // The low two bits of the whole number say which quarter it is.
    let bits = (quarter + ROUNDER).to_bits();
    let value = if bits & 1 == 0 { sine * angle } else { cosine };
    if bits & 2 == 0 { value } else { -value }
}
