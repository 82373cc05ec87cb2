//! Samples as files hold them, and as numbers: full scale is -1 and +1.

/// How a sample is written; all little-endian.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Encoding {
    /// 8 bits, unsigned, silence at 128.
    Int8,
    /// 16 bits.
    Int16,
    /// 24 bits in 3 bytes.
    Int24,
    /// 24 bits in the low 3 of 4 bytes.
    Int24In32,
    /// 32 bits; also fewer, when they stand at the top.
    Int32,
    /// 32-bit floating point.
    Float32,
    /// 64-bit floating point.
    Float64,
}

/// Beyond +120 dBFS is no audio, as for the engine.
const AUDIO_LIMIT: f32 = 1.0e6;

impl Encoding {
    /// Bytes of one sample.
    #[must_use]
    pub const fn bytes(self) -> usize {
        match self {
            Self::Int8 => 1,
            Self::Int16 => 2,
            Self::Int24 => 3,
            Self::Int24In32 | Self::Int32 | Self::Float32 => 4,
            Self::Float64 => 8,
        }
    }

    /// How many of these samples are no audio: no number, or beyond +120 dBFS. Whole numbers always are.
    #[must_use]
    pub fn count_no_audio(self, samples: &[u8]) -> usize {
        let no_audio = |sample: f64| sample.is_nan() || sample.abs() > f64::from(AUDIO_LIMIT);
        match self {
            Self::Float32 => {
                samples.as_chunks().0.iter().filter(|bytes| no_audio(f32::from_le_bytes(**bytes).into())).count()
            }
            Self::Float64 => samples.as_chunks().0.iter().filter(|bytes| no_audio(f64::from_le_bytes(**bytes))).count(),
            _ => 0,
        }
    }

    /// The byte that, repeated, is silence.
    #[must_use]
    pub const fn silence(self) -> u8 {
        if matches!(self, Self::Int8) { 128 } else { 0 }
    }
}

/// A kind of sample, known when the loop around it is compiled.
pub trait Sample {
    /// Bytes of one sample.
    const BYTES: usize;
    /// The number that the first bytes of a slice stand for; what is no audio is 0.
    fn decode(bytes: &[u8]) -> f32;
}

macro_rules! sample {
    ($(#[$doc:meta])* $name:ident, $bytes:literal, |$b:ident| $decode:expr) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug)]
        pub struct $name;
        impl Sample for $name {
            const BYTES: usize = $bytes;
            #[inline(always)]
            fn decode(bytes: &[u8]) -> f32 {
                // One bound for all bytes of a sample.
                let $b: &[u8; $bytes] = match bytes.first_chunk() {
                    Some(bytes) => bytes,
                    None => return 0.0,
                };
                $decode
            }
        }
    };
}

sample!(
    /// [`Encoding::Int8`].
    Int8, 1, |b| (f32::from(b[0]) - 128.0) / 128.0
);
sample!(
    /// [`Encoding::Int16`].
    Int16, 2, |b| f32::from(i16::from_le_bytes(*b)) / 32_768.0
);
sample!(
    /// [`Encoding::Int24`].
    Int24, 3, |b| (i32::from_le_bytes([0, b[0], b[1], b[2]]) >> 8) as f32 / 8_388_608.0
);
sample!(
    /// [`Encoding::Int24In32`].
    Int24In32, 4, |b| (i32::from_le_bytes([0, b[0], b[1], b[2]]) >> 8) as f32 / 8_388_608.0
);
sample!(
    /// [`Encoding::Int32`].
    Int32, 4, |b| i32::from_le_bytes(*b) as f32 / 2_147_483_648.0
);
sample!(
    /// [`Encoding::Float32`].
    Float32, 4, |b| audio(f32::from_le_bytes(*b))
);
sample!(
    /// [`Encoding::Float64`].
    Float64, 8, |b| audio(f64::from_le_bytes(*b) as f32)
);

#[inline(always)]
fn audio(sample: f32) -> f32 {
    // A NaN compares false and becomes 0 too.
    if sample.abs() <= AUDIO_LIMIT { sample } else { 0.0 }
}
