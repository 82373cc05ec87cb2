//! Known samples: each channel and each frame has one of its own.

/// What a channel carries.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Depth {
    Bits16,
    Bits24,
    Float,
}

/// 16 bits, 24 bits and floats in turn.
pub fn depth(channel: usize) -> Depth {
    [Depth::Bits16, Depth::Bits24, Depth::Float][channel % 3]
}

/// A hash of channel and frame (the finaliser of SplitMix64, from memory; any mixing hash does).
fn mix(channel: usize, frame: u32) -> u64 {
    let mut z = ((channel as u64) << 32 | u64::from(frame)).wrapping_add(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// The sample of a channel at a frame; both ends of the range of whole numbers occur.
pub fn sample(depth: Depth, channel: usize, frame: u32) -> f32 {
    let bits = mix(channel, frame);
    match depth {
        Depth::Bits16 => match frame % 97 {
            0 => -1.0,
            1 => 32767.0 / 32768.0,
            _ => f32::from(bits as i16) / 32768.0,
        },
        Depth::Bits24 => match frame % 97 {
            0 => -1.0,
            1 => 8_388_607.0 / 8_388_608.0,
            _ => ((bits as i32) >> 8) as f32 / 8_388_608.0,
        },
        // Any sign and fraction, magnitudes from 2^-20 to 2: all 24 bits of the significand are used, and more than full scale.
        Depth::Float => f32::from_bits((bits as u32 & 0x807F_FFFF) | ((107 + (bits >> 40) as u32 % 21) << 23)),
    }
}
