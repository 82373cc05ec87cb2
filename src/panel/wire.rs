//! How a place between the stops is written as a number on the wire, and read back.
//!
//! A fader divides its range evenly: 0 is the bottom stop and the highest number the top stop, exactly.
//! A knob has a middle that people set by feel, so it is read as pan controllers are: 0 and 1 are both hard
//! left, 64 the exact centre, 127 hard right (MIDI 1.0 Detailed Specification 4.2.1 for 0, 64 and 127; the
//! spacing `(v - 1) / 126` from an MMA recommended practice). 14 bits are ours after the same pattern: 8192
//! is the exact centre.

use crate::profile::{Control, ControlKind, StepCoding};
use crate::units::Travel;

/// The highest number in 7 bits.
pub(super) const TOP_7: u16 = 127;
/// The highest number in 14 bits.
pub(super) const TOP_14: u16 = 16_383;

/// Raw place 0 to 1 of a number from 0 to `top`.
pub(super) fn raw(kind: ControlKind, number: u16, top: u16) -> f32 {
    if kind == ControlKind::Knob {
        f32::from(number.saturating_sub(1)) / f32::from(top - 1)
    } else {
        f32::from(number) / f32::from(top)
    }
}

/// The number nearest to a raw place.
pub(super) fn number(kind: ControlKind, raw: f32, top: u16) -> u16 {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "between 0 and top")]
    let scaled = |steps: u16| (raw * f32::from(steps)).round().clamp(0.0, f32::from(steps)) as u16;
    match kind {
        ControlKind::Knob if raw > 0.0 => 1 + scaled(top - 1),
        _ => scaled(top),
    }
}

/// Raw place to travel, through the control's calibration.
pub(super) fn travel(control: &Control, raw: f32) -> Travel {
    let place = Travel::clamped(raw);
    control.calibration.as_ref().map_or(place, |law| Travel::clamped(law.value(place)))
}

/// Travel to raw place, back through the control's calibration.
pub(super) fn untravel(control: &Control, travel: Travel) -> f32 {
    control.calibration.as_ref().map_or(travel, |law| law.travel(travel.get())).get()
}

/// How far an encoder turned, from its 7 bits; -64 to 64.
pub(super) fn steps(coding: StepCoding, value: u8) -> i32 {
    let value = i32::from(value & 0x7F);
    match coding {
        StepCoding::TwosComplement => value - if value >= 64 { 128 } else { 0 },
        StepCoding::OffsetBinary => value - 64,
        StepCoding::SignMagnitude => {
            if value >= 64 {
                64 - value
            } else {
                value
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Check values D.pan.midi (MIDI 1.0 Detailed Specification 4.2.1 and an MMA recommended practice).
    #[test]
    #[expect(clippy::float_cmp, reason = "the ends and the centre are exact")]
    fn stops_and_centre_are_exact() {
        for (value, place) in [(0, -1.0), (1, -1.0), (64, 0.0), (127, 1.0)] {
            assert_eq!(raw(ControlKind::Knob, value, TOP_7) * 2.0 - 1.0, place, "{value}");
        }
        for (value, place) in [(0, -1.0), (8192, 0.0), (16_383, 1.0)] {
            assert_eq!(raw(ControlKind::Knob, value, TOP_14) * 2.0 - 1.0, place, "{value}");
        }
        for top in [TOP_7, TOP_14] {
            assert_eq!((raw(ControlKind::Fader, 0, top), raw(ControlKind::Fader, top, top)), (0.0, 1.0));
        }
    }

    #[test]
    fn every_number_comes_back() {
        for top in [TOP_7, TOP_14] {
            for value in 0..=top {
                assert_eq!(number(ControlKind::Fader, raw(ControlKind::Fader, value, top), top), value);
                let knob = number(ControlKind::Knob, raw(ControlKind::Knob, value, top), top);
                // 0 and 1 are the same place.
                assert_eq!(knob, if value == 1 { 0 } else { value });
            }
        }
    }

    /// The three codings as the panel file words them; common practice, no source.
    #[test]
    fn encoders_count_in_three_codings() {
        for (coding, up, down, far) in [
            (StepCoding::TwosComplement, 1, 127, (63, 64, -64)),
            (StepCoding::OffsetBinary, 65, 63, (63, 0, -64)),
            (StepCoding::SignMagnitude, 1, 65, (63, 127, -63)),
        ] {
            assert_eq!((steps(coding, up), steps(coding, down)), (1, -1), "{coding:?}");
            let (highest, lowest_value, lowest) = far;
            assert_eq!(steps(coding, lowest_value), lowest, "{coding:?}");
            assert_eq!((0..=127).map(|value| steps(coding, value)).max(), Some(highest), "{coding:?}");
        }
    }
}
