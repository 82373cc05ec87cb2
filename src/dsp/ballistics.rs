//! How needles and bars move, in steps of 10 ms: the VU meter, and the digital peak meter with its return and hold.

use crate::dsp::loudness::STEPS_PER_SECOND;
use crate::dsp::math;

const STEP_S: f64 = 1.0 / STEPS_PER_SECOND as f64;

/// A sine at this level, dBFS, reads 0 VU: the alignment level of EBU R 68.
pub const VU_REFERENCE_DBFS: f64 = -18.0;

/// The needle of a VU meter (IEC 60268-17): second order, 99 % in 300 ms, overshoot 1.25 %.
#[derive(Clone, Copy, Debug, Default)]
pub struct Needle {
    place: f64,
    speed: f64,
}

/// Solved for 99 % at 300 ms and 1.25 % overshoot.
const DAMPING: f64 = 0.8127;
const RADIANS_PER_S: f64 = 13.512;

/// What a needle keeps and gains in one step.
#[derive(Clone, Copy, Debug)]
pub struct NeedleLaw {
    keep: [[f64; 2]; 2],
}

impl NeedleLaw {
    /// The step response of x'' + 2 d w x' + w^2 x = w^2 u, exact for a u that stands still within each step.
    #[must_use]
    pub fn vu() -> Self {
        let decay = DAMPING * RADIANS_PER_S;
        let swing = RADIANS_PER_S * (1.0 - DAMPING * DAMPING).sqrt();
        let turns = swing * STEP_S / std::f64::consts::TAU;
        let (fall, sin, cos) = (math::exp(-decay * STEP_S), math::sin_turns(turns), math::cos_turns(turns));
        let by_swing = sin / swing;
        Self {
            keep: [
                [fall * (cos + decay * by_swing), fall * by_swing],
                [-fall * RADIANS_PER_S * RADIANS_PER_S * by_swing, fall * (cos - decay * by_swing)],
            ],
        }
    }
}

impl Needle {
    /// The next 10 ms, over which the rectified signal had this mean.
    pub fn step(&mut self, law: &NeedleLaw, mean_magnitude: f64) {
        let (off, speed) = (self.place - mean_magnitude, self.speed);
        let [[pp, ps], [sp, ss]] = law.keep;
        self.place = mean_magnitude + pp * off + ps * speed;
        self.speed = sp * off + ss * speed;
    }

    /// What it shows in VU; negative infinity at rest.
    #[must_use]
    pub fn vu(&self) -> f64 {
        // The rectified mean of a sine is 2 / pi of its peak.
        20.0 * math::log10(self.place.max(0.0) * std::f64::consts::FRAC_PI_2) - VU_REFERENCE_DBFS
    }
}

/// A sample from here on lights the overload light: the largest of 16 bits.
const OVER: f64 = 32_767.0 / 32_768.0;

/// A digital peak meter (IEC TR 60268-18): up at once, down 20 dB in 1.7 s, the maximum held for 1 s. Its overload light stays on
/// for 1 s; 150 ms is the least (ITU-R BS.1771-1 Annex 1 Table 4).
#[derive(Clone, Copy, Debug, Default)]
pub struct PeakBar {
    bar: f64,
    held: f64,
    hold_steps: u64,
    over_steps: u64,
}

impl PeakBar {
    /// What is kept of the bar in one step: 20 dB in 1.7 s.
    #[must_use]
    pub fn keep() -> f64 {
        math::exp2(-STEP_S / 1.7 * std::f64::consts::LOG2_10)
    }

    /// The next 10 ms, whose highest sample this was; `keep` is [`keep`](Self::keep).
    pub fn step(&mut self, keep: f64, peak: f64) {
        self.bar = peak.max(self.bar * keep);
        self.over_steps = if peak >= OVER { STEPS_PER_SECOND } else { self.over_steps.saturating_sub(1) };
        if peak >= self.held {
            (self.held, self.hold_steps) = (peak, STEPS_PER_SECOND);
        } else if self.hold_steps > 0 {
            self.hold_steps -= 1;
        } else {
            self.held = self.bar;
        }
    }

    /// The bar, as amplitude.
    #[must_use]
    pub const fn bar(&self) -> f64 {
        self.bar
    }

    /// Whether the overload light is on.
    #[must_use]
    pub const fn over(&self) -> bool {
        self.over_steps > 0
    }

    /// The held maximum, as amplitude.
    #[must_use]
    pub const fn held(&self) -> f64 {
        self.held
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// IEC 60268-17: 99 % in 300 ms +/-10 % (the tolerance from memory), overshoot 1 to 1.5 %, the fall as long.
    #[test]
    fn the_needle_takes_300_ms_and_overshoots_by_little() {
        let law = NeedleLaw::vu();
        for (from, to) in [(0.0, 1.0), (1.0, 0.0)] {
            let mut needle = Needle { place: from, speed: 0.0 };
            let way: Vec<f64> = (0..300)
                .map(|_| {
                    needle.step(&law, to);
                    (needle.place - from) / (to - from)
                })
                .collect();
            let there = way.iter().position(|place| *place >= 0.99).expect("it gets there");
            let highest = way.iter().fold(0.0, |a: f64, b| a.max(*b));
            assert!((0.27..=0.33).contains(&((there + 1) as f64 * STEP_S)), "{there} steps");
            assert!((1.010..=1.015).contains(&highest), "{highest}");
        }
    }

    /// The step response of x'' + 2 d w x' + w^2 x = w^2: with 1.25 % overshoot d is 0.8127, and 99 % at 300 ms makes w 13.512 rad/s
    /// (both +/-0.01; evaluated with scipy 1.17.1). A one-pole that is at 99 % after 300 ms has 1 - exp(-t / 65.14 ms), and is no VU:
    /// it never overshoots, and at 100 ms it is 14 % ahead of the needle.
    #[test]
    fn the_needle_is_of_second_order_and_no_one_pole() {
        let damping = {
            let l = 0.0125_f64.ln().powi(2);
            (l / (std::f64::consts::PI.powi(2) + l)).sqrt()
        };
        assert!((DAMPING - damping).abs() < 0.001, "{damping} has 1.25 % overshoot");
        let swing = (1.0 - DAMPING * DAMPING).sqrt();
        let at = |wt: f64| 1.0 - (-DAMPING * wt).exp() * ((swing * wt).cos() + DAMPING / swing * (swing * wt).sin());
        assert!((at(RADIANS_PER_S * 0.3) - 0.99).abs() < 0.001);
        let law = NeedleLaw::vu();
        let mut needle = Needle::default();
        for step in 1..=100 {
            needle.step(&law, 1.0);
            let expected = at(RADIANS_PER_S * STEP_S * f64::from(step));
            assert!((needle.place - expected).abs() < 1e-9, "{} for {expected} at step {step}", needle.place);
        }
        let tau_ms = 300.0 / 100.0_f64.ln();
        assert!((tau_ms - 65.14).abs() < 0.1, "{tau_ms}");
        let one_pole = |ms: f64| 1.0 - (-ms / tau_ms).exp();
        assert!(
            (one_pole(300.0) - 0.99).abs() < 1e-9 && (1..1_000).all(|step| one_pole(f64::from(step) * 10.0) <= 1.0)
        );
        let ahead = one_pole(100.0) - at(RADIANS_PER_S * 0.1);
        assert!(ahead > 0.1, "{ahead}");
    }

    /// Arithmetic: 20 dB in 1.7 s is a factor of 0.9999717824 for each of the 480 samples of a step.
    #[test]
    fn the_bar_falls_as_one_that_falls_by_sample() {
        assert!((PeakBar::keep() - 0.999_971_782_4_f64.powi(480)).abs() < 480.0 * 1e-9);
    }

    /// ITU-R BS.1771-1 Annex 1 Table 4: at least 150 ms. Only a sample at full scale lights it.
    #[test]
    fn the_overload_light_stays_on_long_enough_to_be_seen() {
        let (mut bar, keep) = (PeakBar::default(), PeakBar::keep());
        bar.step(keep, 0.999);
        assert!(!bar.over());
        bar.step(keep, 1.0);
        let lit = (0..1_000).take_while(|_| {
            bar.step(keep, 0.5);
            bar.over()
        });
        assert!((15..=200).contains(&lit.count()));
    }

    /// IEC TR 60268-18: 20 dB in 1.7 s +/-0.3 s, hold 1 s +/-0.5 s.
    #[test]
    fn the_bar_returns_and_holds_as_a_digital_peak_meter() {
        let (mut bar, keep) = (PeakBar::default(), PeakBar::keep());
        bar.step(keep, 0.5);
        assert!((bar.bar() - 0.5).abs() < 1e-12, "one sample shows at once");
        let (mut fallen, mut released) = (0, 0);
        for step in 1..=600 {
            bar.step(keep, 0.0);
            if fallen == 0 && bar.bar() <= 0.05 {
                fallen = step;
            }
            if released == 0 && bar.held() < 0.5 {
                released = step;
            }
        }
        assert!((140..=200).contains(&fallen), "{fallen}");
        assert!((50..=150).contains(&released), "{released}");
    }
}
