//! Between the samples of a device and floats, both ways.
//!
//! A whole number of N bits is divided by 2^(N-1), so full scale is -1 to just below +1, and back it is multiplied, rounded
//! to the nearest and held at the ends; a NaN becomes silence. Up to 24 bits this is exact both ways. Unsigned numbers have
//! their middle at 2^(N-1).

use cpal::{I24, SizedSample, U24};

/// A sample as a device has it.
pub(super) trait Pcm: SizedSample {
    /// As a float, full scale at 1.
    ///
    /// Real-time: safe
    fn to_float(self) -> f32;

    /// From a float.
    ///
    /// Real-time: safe
    fn from_float(float: f32) -> Self;
}

/// 2^(bits-1).
const fn full_scale(bits: u32) -> f64 {
    (1_u64 << (bits - 1)) as f64
}

/// The whole number nearest to `float` times full scale, held inside of what the bits can say.
fn whole(float: f32, bits: u32) -> i64 {
    // `as` takes NaN to 0 and holds what is beyond 64 bits at their ends.
    let nearest = (f64::from(float) * full_scale(bits)).round() as i64;
    let highest = i64::MAX >> (64 - bits);
    nearest.clamp(-highest - 1, highest)
}

macro_rules! whole_numbers {
    ($($sample:ty, $bits:literal, $from:expr, $to:expr;)*) => {$(
        impl Pcm for $sample {
            #[expect(clippy::cast_precision_loss, reason = "more than 24 bits are rounded to a float's 24")]
            fn to_float(self) -> f32 {
                let number: i64 = $from(self);
                (number as f64 / full_scale($bits)) as f32
            }

            fn from_float(float: f32) -> Self {
                $to(whole(float, $bits))
            }
        }
    )*};
}

whole_numbers! {
    i8, 8, i64::from, |number| number as i8;
    i16, 16, i64::from, |number| number as i16;
    // The fourth byte of a device is not always the sign: only three count.
    I24, 24, |sample: I24| i64::from((sample.inner() << 8) >> 8), |number| I24::new_unchecked(number as i32);
    i32, 32, i64::from, |number| number as i32;
    i64, 64, |sample| sample, |number| number;
    u8, 8, |sample| i64::from(sample) - (1 << 7), |number| (number + (1 << 7)) as u8;
    u16, 16, |sample| i64::from(sample) - (1 << 15), |number| (number + (1 << 15)) as u16;
    U24, 24, |sample: U24| i64::from(sample.inner() & 0xFF_FFFF) - (1 << 23), |number| U24::new_unchecked((number + (1 << 23)) as i32);
    u32, 32, |sample| i64::from(sample) - (1 << 31), |number| (number + (1 << 31)) as u32;
    u64, 64, |sample| (sample ^ (1 << 63)) as i64, |number| number as u64 ^ (1 << 63);
}

impl Pcm for f32 {
    fn to_float(self) -> f32 {
        self
    }

    fn from_float(float: f32) -> Self {
        float
    }
}

impl Pcm for f64 {
    fn to_float(self) -> f32 {
        self as f32
    }

    fn from_float(float: f32) -> Self {
        f64::from(float)
    }
}

/// Runs an expression with `$sample` as the type that belongs to a [`cpal::SampleFormat`], or `$otherwise` for the formats that
/// are no pulse-code samples.
macro_rules! with_sample {
    ($format:expr, $sample:ident => $then:expr, $otherwise:expr) => {{
        use cpal::SampleFormat as Format;
        match $format {
            Format::I8 => {
                type $sample = i8;
                $then
            }
            Format::I16 => {
                type $sample = i16;
                $then
            }
            Format::I24 => {
                type $sample = cpal::I24;
                $then
            }
            Format::I32 => {
                type $sample = i32;
                $then
            }
            Format::I64 => {
                type $sample = i64;
                $then
            }
            Format::U8 => {
                type $sample = u8;
                $then
            }
            Format::U16 => {
                type $sample = u16;
                $then
            }
            Format::U24 => {
                type $sample = cpal::U24;
                $then
            }
            Format::U32 => {
                type $sample = u32;
                $then
            }
            Format::U64 => {
                type $sample = u64;
                $then
            }
            Format::F32 => {
                type $sample = f32;
                $then
            }
            Format::F64 => {
                type $sample = f64;
                $then
            }
            _ => $otherwise,
        }
    }};
}
pub(super) use with_sample;

#[cfg(test)]
mod tests {
    use super::*;

    /// Every given number survives the way to a float and back.
    fn survives<T: Pcm + PartialEq + std::fmt::Debug + Copy>(numbers: impl Iterator<Item = T>) {
        for number in numbers {
            assert_eq!(T::from_float(number.to_float()), number);
        }
    }

    #[test]
    fn all_numbers_of_up_to_24_bits_survive() {
        survives(i8::MIN..=i8::MAX);
        survives(u8::MIN..=u8::MAX);
        survives(i16::MIN..=i16::MAX);
        survives(u16::MIN..=u16::MAX);
        survives((-(1 << 23)..1 << 23).map(I24::new_unchecked));
        survives((0..1 << 24).map(U24::new_unchecked));
        survives((-(1 << 23)..1 << 23).map(|number: i32| number << 8));
        survives((-(1 << 23)..1 << 23).map(|number: i64| number << 40));
        survives((0..1 << 24).map(|number: u32| number << 8));
        survives((0..1 << 24).map(|number: u64| number << 40));
    }

    #[test]
    fn full_scale_is_minus_one_and_beyond_it_is_held() {
        assert_eq!(
            (i16::MIN.to_float(), i16::MAX.to_float(), 1_i16.to_float()),
            (-1.0, 32767.0 / 32768.0, 1.0 / 32768.0)
        );
        assert_eq!((0_u16.to_float(), 32768_u16.to_float(), u16::MAX.to_float()), (-1.0, 0.0, 32767.0 / 32768.0));
        assert_eq!((i32::MIN.to_float(), u64::MIN.to_float(), i64::MIN.to_float()), (-1.0, -1.0, -1.0));
        for (float, low) in
            [(1.0, false), (7.0, false), (f32::INFINITY, false), (-1.0, true), (f32::NEG_INFINITY, true)]
        {
            let end = |highest: i64, lowest: i64| if low { lowest } else { highest };
            assert_eq!(i64::from(i8::from_float(float)), end(127, -128));
            assert_eq!(i64::from(i16::from_float(float)), end(32767, -32768));
            assert_eq!(i64::from(I24::from_float(float).inner()), end((1 << 23) - 1, -(1 << 23)));
            assert_eq!(i64::from(i32::from_float(float)), end(i64::from(i32::MAX), i64::from(i32::MIN)));
            assert_eq!(i64::from_float(float), end(i64::MAX, i64::MIN));
            assert_eq!(i64::from(u8::from_float(float)), end(255, 0));
            assert_eq!(u64::from_float(float), if low { 0 } else { u64::MAX });
        }
        assert_eq!((i16::from_float(f32::NAN), u8::from_float(f32::NAN)), (0, 128));
        assert_eq!((i16::from_float(0.4 / 32768.0), i16::from_float(0.6 / 32768.0)), (0, 1));
    }

    #[test]
    fn the_unused_byte_of_24_bits_is_not_heard() {
        assert_eq!(I24::new_unchecked(0x00FF_FFFF).to_float().to_bits(), (-1.0_f32 / 8_388_608.0).to_bits());
        assert_eq!(U24::new_unchecked(0x7F80_0000).to_float().to_bits(), 0);
    }
}
