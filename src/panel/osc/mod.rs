//! OSC messages as the desk sees them, whoever carried them.
//!
//! [`scan`] decides from the bytes alone whether a packet is sound, before any library sees it;
//! [`Pattern`] is the address patterns of OSC 1.0. The conversion itself is in `ports::osc`.

mod scan;

pub use crate::params::{Pattern, is_pattern};
pub use scan::{
    ADDRESS_BYTES_MAX, ARGUMENTS_MAX, BUNDLE_DEPTH_MAX, ELEMENTS_MAX, PACKET_BYTES_MAX, Part, Refusal, scan, type_tags,
    walk,
};

use std::time::Duration;

/// One OSC argument.
#[derive(Clone, Debug, PartialEq)]
pub enum Argument {
    /// `i`, and `h` where it fits.
    Int(i32),
    /// `f`, and `d` rounded.
    Float(f32),
    /// `s` and `S`, and `c` as a text of one character.
    Text(String),
    /// `T` and `F`.
    Bool(bool),
    /// `b`; and the bytes of `t`, `r` and `m`, which the desk has no use for.
    Blob(Vec<u8>),
    /// `N` and `I`.
    Nothing,
}

/// One OSC message.
#[derive(Clone, Debug, PartialEq)]
pub struct Message {
    /// The address or address pattern.
    pub address: String,
    /// Its arguments in order.
    pub arguments: Vec<Argument>,
}

/// Messages that take effect together, at one time: a bundle without the bundles inside it (OSC 1.0 lets
/// those take effect on their own), or a message that came alone.
#[derive(Clone, Debug, PartialEq)]
pub struct Group {
    /// When.
    pub time: TimeTag,
    /// What, in order.
    pub messages: Vec<Message>,
}

/// A moment as OSC writes it: NTP's seconds since 1900 in 32.32 bits, 233 ps a count.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct TimeTag(pub u64);

/// Seconds from 1900-01-01 to 1970-01-01 (RFC 5905).
const SECONDS_1900_TO_1970: u64 = 2_208_988_800;

impl TimeTag {
    /// The value that means at once.
    pub const IMMEDIATE: Self = Self(1);

    /// The tag of a time since 1970-01-01 00:00 UTC. The seconds wrap in 2036, as NTP's do.
    #[must_use]
    pub fn from_unix(since_1970: Duration) -> Self {
        let seconds = since_1970.as_secs().wrapping_add(SECONDS_1900_TO_1970);
        let fraction = (u64::from(since_1970.subsec_nanos()) << 32) / 1_000_000_000;
        Self((seconds << 32) | fraction)
    }

    /// How many seconds this lies after `now`, less than 0 when it is past; right within 68 years of `now`,
    /// also across 2036. [`TimeTag::IMMEDIATE`] is no moment: ask for it first.
    #[must_use]
    pub fn seconds_after(self, now: Self) -> f64 {
        #[expect(clippy::cast_possible_wrap, clippy::cast_precision_loss, reason = "the difference is signed")]
        let counts = self.0.wrapping_sub(now.0) as i64 as f64;
        counts / 4_294_967_296.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Check values H.time: OpenSoundControl Specification 1.0 and the 64-bit NTP format.
    #[test]
    fn time_tags_are_those_of_ntp() {
        assert_eq!(TimeTag::IMMEDIATE.0.to_be_bytes(), [0, 0, 0, 0, 0, 0, 0, 1]);
        // 2024-01-01 00:00:00.5 UTC is 1,704,067,200.5 s after 1970.
        let new_year = TimeTag::from_unix(Duration::from_millis(1_704_067_200_500));
        assert_eq!(new_year.0.to_be_bytes(), [0xE9, 0x3C, 0x7F, 0x00, 0x80, 0, 0, 0]);
        assert_eq!(TimeTag::from_unix(Duration::ZERO).0, 2_208_988_800 << 32);
    }

    #[test]
    fn a_time_after_2036_is_still_after_a_time_before() {
        let era_ends = Duration::from_secs((1 << 32) - SECONDS_1900_TO_1970);
        let before = TimeTag::from_unix(era_ends - Duration::from_secs(1));
        let after = TimeTag::from_unix(era_ends + Duration::from_millis(500));
        assert!((after.seconds_after(before) - 1.5).abs() < 1e-9);
        assert!((before.seconds_after(after) + 1.5).abs() < 1e-9);
    }
}
