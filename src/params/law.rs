//! From travel to value and back: the house fader law and lists of points.

use crate::units::{Decibels, Travel};

/// A fader on its way down is off below this travel.
pub const FADER_OFF_BELOW: f32 = 0.015;
/// A fader that was off is on again above this travel.
pub const FADER_ON_ABOVE: f32 = 0.03;

/// Travel and dB of the house fader law, straight between the points. Common practice, no source.
static HOUSE_FADER: [(f32, f32); 8] = [
    (0.03, -80.0),
    (0.12, -60.0),
    (0.25, -40.0),
    (0.37, -30.0),
    (0.50, -20.0),
    (0.62, -10.0),
    (0.76, 0.0),
    (1.00, 10.0),
];

/// A rising broken line from travel to value.
#[derive(Clone, Debug, PartialEq)]
pub struct Law {
    points: Vec<(f32, f32)>,
}

impl Law {
    /// A law through these points, travel first; beyond the ends the end values hold.
    ///
    /// Returns nothing when there are fewer than two points, when one is not finite, when the travels
    /// lie outside 0 to 1 or do not rise, or when the values fall.
    #[must_use]
    pub fn through(points: &[(f32, f32)]) -> Option<Self> {
        let sound = points.len() >= 2
            && points.iter().all(|(travel, value)| (0.0..=1.0).contains(travel) && value.is_finite())
            && points.windows(2).all(|pair| pair[0].0 < pair[1].0 && pair[0].1 <= pair[1].1);
        sound.then(|| Self { points: points.to_vec() })
    }

    /// The points, travel first.
    #[must_use]
    pub fn points(&self) -> &[(f32, f32)] {
        &self.points
    }

    /// The value at a travel.
    #[must_use]
    pub fn value(&self, travel: Travel) -> f32 {
        interpolate(&self.points, travel.get())
    }

    /// The lowest travel that gives a value, for lamps, motors and rejoining.
    #[must_use]
    pub fn travel(&self, value: f32) -> Travel {
        Travel::clamped(invert(&self.points, value))
    }
}

fn interpolate(points: &[(f32, f32)], x: f32) -> f32 {
    let after = points.iter().position(|point| point.0 >= x).unwrap_or(points.len() - 1).max(1);
    let ((x0, y0), (x1, y1)) = (points[after - 1], points[after]);
    let part = ((x - x0) / (x1 - x0)).clamp(0.0, 1.0);
    // Written so that each end gives its point exactly.
    if part >= 1.0 { y1 } else { y0 + (y1 - y0) * part }
}

fn invert(points: &[(f32, f32)], y: f32) -> f32 {
    let after = points.iter().position(|point| point.1 >= y).unwrap_or(points.len() - 1).max(1);
    let ((x0, y0), (x1, y1)) = (points[after - 1], points[after]);
    if y1 <= y0 { x0 } else { x0 + (x1 - x0) * ((y - y0) / (y1 - y0)).clamp(0.0, 1.0) }
}

/// The house fader law: where a fader stands to what it gives. `was_off` makes the step at the bottom
/// stop hysteretic, so that a worn bottom still closes and a tremble does not open again.
#[must_use]
pub fn house_fader(travel: Travel, was_off: bool) -> Decibels {
    let off = travel.get() < if was_off { FADER_ON_ABOVE } else { FADER_OFF_BELOW };
    if off {
        Decibels::SILENCE
    } else {
        Decibels::try_new(interpolate(&HOUSE_FADER, travel.get())).unwrap_or(Decibels::SILENCE)
    }
}

/// Where a fader would have to stand to give this level; the bottom stop for silence.
#[must_use]
pub fn house_fader_travel(level: Decibels) -> Travel {
    if level.is_silence() { Travel::BOTTOM } else { Travel::clamped(invert(&HOUSE_FADER, level.get())) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_house_law_goes_through_its_points_and_back() {
        for (travel, db) in [
            (1.0, 10.0),
            (0.76, 0.0),
            (0.62, -10.0),
            (0.5, -20.0),
            (0.37, -30.0),
            (0.25, -40.0),
            (0.12, -60.0),
            (0.03, -80.0),
        ] {
            let level = house_fader(Travel::clamped(travel), false);
            assert!((level.get() - db).abs() < 1e-4, "{travel} gave {level}");
            assert!((house_fader_travel(level).get() - travel).abs() < 1e-5, "{db} stands at {travel}");
        }
    }

    #[test]
    fn off_has_hysteresis() {
        assert!(house_fader(Travel::clamped(0.014), false).is_silence());
        assert!(!house_fader(Travel::clamped(0.016), false).is_silence());
        assert!(house_fader(Travel::clamped(0.029), true).is_silence());
        assert!(!house_fader(Travel::clamped(0.031), true).is_silence());
    }

    #[test]
    fn a_law_that_falls_or_stands_still_in_travel_is_refused() {
        assert!(Law::through(&[(0.0, 0.0), (1.0, 1.0)]).is_some());
        for bad in [
            vec![(0.0, 0.0)],
            vec![(0.0, 1.0), (1.0, 0.0)],
            vec![(0.5, 0.0), (0.5, 1.0)],
            vec![(0.0, f32::NAN), (1.0, 1.0)],
        ] {
            assert!(Law::through(&bad).is_none(), "{bad:?}");
        }
    }
}
