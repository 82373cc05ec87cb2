//! K weighting, the filter in front of every loudness: ITU-R BS.1770-5 Annex 1, at any sample rate.
//!
//! Two sections: a shelf that stands for the head, then a high-pass. The standard prints their coefficients for 48 kHz and
//! asks for the same response at other rates. Here the analogue sections behind the tables go through the bilinear
//! transform at the rate wanted, which gives the printed tables back at 48 kHz. Below 44.1 kHz that transform bends the shelf
//! where people still hear (0.29 dB at 8 kHz), so there the shelf is fitted to the response of the printed one, by the method of
//! [`equaliser`](crate::dsp::equaliser): within 0.025 dB of it up to half the rate at 8 kHz, 0.008 at 11.025 kHz.
//!
//! The lanes run each section as a state-variable filter: beside a biquad in `f32` its high-pass at 38 Hz keeps some
//! 60 dB more of what is quiet.

use crate::dsp::equaliser::solved;
use crate::dsp::lanes::{LANES, Lanes, Row, loaded, stored};
use crate::dsp::math;
use crate::dsp::section::step;
use crate::units::SampleRate;

/// The analogue shelf: corner in Hz, quality, gain far above it, and of its middle term. Recovered from Table 1 of the standard.
const SHELF_HZ: f64 = 1_681.974_450_955_533;
const SHELF_Q: f64 = 0.707_175_236_955_419_6;
const SHELF_DB: f64 = 3.999_843_853_973_347;
const SHELF_MIDDLE: f64 = 0.499_666_774_154_541_6;
/// The analogue high-pass: corner in Hz and quality. Recovered from Table 2.
const HIGH_PASS_HZ: f64 = 38.135_470_876_024_44;
const HIGH_PASS_Q: f64 = 0.500_327_037_323_877_3;

/// The rate of the printed tables.
const PRINTED_HZ: f64 = 48_000.0;
/// From this rate on the bilinear transform bends nothing that matters: 0.002 dB.
const BENT_BELOW_HZ: f64 = 44_100.0;
/// Frequencies at which the shelf is fitted, and steps of the fit; it stands still after three or four.
const NODES: usize = 32;
const STEPS: usize = 6;

/// Below this a state is 0 at the next grid line, so that no denormal arises: -300 dBFS.
const FLOOR: f32 = 1.0e-15;

/// A second-order section: y = b0 x + b1 x' + b2 x" - a1 y' - a2 y".
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Biquad {
    /// b0, b1, b2.
    pub b: [f64; 3],
    /// a1, a2; a0 is 1.
    pub a: [f64; 2],
}

/// Both sections as BS.1770 writes them, for one sample rate.
#[derive(Clone, Copy, Debug)]
pub struct KWeighting {
    /// The shelf: Table 1 at 48 kHz.
    pub shelf: Biquad,
    /// The high-pass: Table 2 at 48 kHz. Its b is 1, -2, 1 at every rate.
    pub high_pass: Biquad,
    /// What a mean square behind both sections is multiplied with, so that the high-pass passes at every rate what it passes
    /// at 48 kHz: 1 there, 0.99912 at 44.1 kHz.
    pub trim: f64,
}

/// Half the tangent's way round: what the bilinear transform makes of a frequency.
fn tan(hz: f64, rate: f64) -> f64 {
    math::tan_turns(0.5 * hz / rate)
}

/// The shelf by the bilinear transform.
fn shelf(fs: f64) -> Biquad {
    let high = math::exp2(SHELF_DB / 20.0 * std::f64::consts::LOG2_10);
    let middle = math::exp2(SHELF_DB / 20.0 * std::f64::consts::LOG2_10 * SHELF_MIDDLE);
    let k = tan(SHELF_HZ, fs);
    let a0 = 1.0 + k / SHELF_Q + k * k;
    Biquad {
        b: [
            (high + middle * k / SHELF_Q + k * k) / a0,
            2.0 * (k * k - high) / a0,
            (high - middle * k / SHELF_Q + k * k) / a0,
        ],
        a: [2.0 * (k * k - 1.0) / a0, (1.0 - k / SHELF_Q + k * k) / a0],
    }
}

/// `p = sin^2(pi f / rate)`, in which the squared magnitude of a section is a quotient of quadratics.
fn place(hz: f64, fs: f64) -> f64 {
    let sine = math::sin_turns(0.5 * hz / fs);
    sine * sine
}

/// The squared magnitude of `c0 + c1 z^-1 + c2 z^-2` as a quadratic in `p`.
fn quadratic([c0, c1, c2]: [f64; 3]) -> [f64; 3] {
    let (still, turned, bend) = (c0 + c1 + c2, c0 - c1 + c2, 16.0 * c0 * c2);
    [still * still, turned * turned - still * still - bend, bend]
}

/// What has this squared magnitude, with its zeros inside the circle.
fn polynomial([still, slope, bend]: [f64; 3]) -> [f64; 3] {
    let (low, high) = (still.sqrt(), (still + slope + bend).max(0.0).sqrt());
    let (outer, product) = (0.5 * (low + high), bend / 16.0);
    let c0 = 0.5 * (outer + (outer * outer - 4.0 * product).max(0.0).sqrt());
    [c0, 0.5 * (low - high), product / c0]
}

fn value(c: &[f64; 3], p: f64) -> f64 {
    (c[2] * p + c[1]) * p + c[0]
}

/// The shelf fitted to the response of the printed one (Sanathanan and Koerner, IEEE Transactions on Automatic Control 8, 1963):
/// relative error is what is made small, which is error in dB. It passes 0 Hz unchanged, as that one does.
fn fitted_shelf(fs: f64) -> Biquad {
    let printed = shelf(PRINTED_HZ);
    let (above, below) = (quadratic(printed.b), quadratic([1.0, printed.a[0], printed.a[1]]));
    let bent = shelf(fs);
    let mut denominator = quadratic([1.0, bent.a[0], bent.a[1]]);
    denominator = denominator.map(|c| c / denominator[0]);
    let mut numerator = denominator;
    for _ in 0..STEPS {
        let mut equations = [[0.0; 5]; 4];
        for node in 0..NODES {
            let hz = 0.5 * fs * (node as f64 + 0.5) / NODES as f64;
            let (there, here) = (place(hz, PRINTED_HZ), place(hz, fs));
            let target = value(&above, there) / value(&below, there);
            let weight = 1.0 / (target * value(&denominator, here));
            let row = [here, here * here, -target * here, -target * here * here, target - 1.0].map(|c| c * weight);
            for (one, equation) in equations.iter_mut().enumerate() {
                for (entry, other) in equation.iter_mut().zip(row) {
                    *entry += row[one] * other;
                }
            }
        }
        let [n1, n2, d1, d2] = solved(equations, 4);
        (numerator, denominator) = ([1.0, n1, n2], [1.0, d1, d2]);
    }
    let ([b0, b1, b2], [a0, a1, a2]) = (polynomial(numerator), polynomial(denominator));
    Biquad { b: [b0 / a0, b1 / a0, b2 / a0], a: [a1 / a0, a2 / a0] }
}

impl KWeighting {
    /// The sections at this rate.
    ///
    /// Real-time: never
    #[must_use]
    pub fn new(rate: SampleRate) -> Self {
        let fs = f64::from(rate.hz());
        let shelf = if fs < BENT_BELOW_HZ { fitted_shelf(fs) } else { shelf(fs) };
        let k = tan(HIGH_PASS_HZ, fs);
        let a0 = 1.0 + k / HIGH_PASS_Q + k * k;
        let high_pass =
            Biquad { b: [1.0, -2.0, 1.0], a: [2.0 * (k * k - 1.0) / a0, (1.0 - k / HIGH_PASS_Q + k * k) / a0] };
        let k = tan(HIGH_PASS_HZ, PRINTED_HZ);
        let trim = (1.0 + k / HIGH_PASS_Q + k * k) / a0;
        Self { shelf, high_pass, trim: trim * trim }
    }
}

/// One section as in [`section`](crate::dsp::section): `c1, c2, g, m0, n1, n2`.
#[derive(Clone, Copy, Debug)]
struct Section([f32; 6]);

impl Section {
    /// The same response as the biquad: both are the bilinear transform of one analogue section, whose parts are read off
    /// the polynomials at z = 1 and z = -1.
    fn of(biquad: &Biquad) -> Self {
        let [a1, a2] = biquad.a;
        let [b0, b1, b2] = biquad.b;
        let (low, high) = (1.0 + a1 + a2, 1.0 - a1 + a2);
        let g = (low / high).sqrt();
        let k = 2.0 * (1.0 - a2) / (g * high);
        let (to_low, to_high) = ((b0 + b1 + b2) / low, (b0 - b1 + b2) / high);
        let to_band = 2.0 * (b0 - b2) / (g * high);
        let c1 = 2.0 / (1.0 + g * (g + k));
        let (m1, m2) = (to_band - to_high * k, to_low - to_high);
        Self([c1, g * c1, g, to_high, 0.5 * (m1 + g * m2), m2].map(|value| value as f32))
    }
}

/// What the lanes need of [`KWeighting`].
#[derive(Clone, Copy, Debug)]
pub struct KLanes {
    sections: [Section; 2],
    /// See [`KWeighting::trim`].
    pub trim: f64,
}

impl KLanes {
    /// The filter at this rate.
    #[must_use]
    pub fn new(rate: SampleRate) -> Self {
        let weighting = KWeighting::new(rate);
        let sections = [Section::of(&weighting.shelf), Section::of(&weighting.high_pass)];
        Self { sections, trim: weighting.trim }
    }
}

/// The memory of sixteen filters.
#[derive(Clone, Copy, Debug)]
pub struct KState([Row; 4]);

impl KState {
    /// Nothing was heard yet.
    pub const SILENT: Self = Self([[0.0; LANES]; 4]);

    /// Forgets what one lane heard.
    ///
    /// Real-time: safe
    pub fn clear(&mut self, lane: usize) {
        for row in &mut self.0 {
            row[lane] = 0.0;
        }
    }

    /// Gives a lane what another has heard.
    pub fn carry(&mut self, lane: usize, from: &Self, of: usize) {
        for (row, from) in self.0.iter_mut().zip(&from.0) {
            row[lane] = from[of];
        }
    }
}

/// Sixteen filters at work: made from a state for some frames, and stored back.
pub struct KFilter<V> {
    sections: [[V; 6]; 2],
    states: [[V; 2]; 2],
}

impl<V: Lanes> KFilter<V> {
    /// Takes the state up.
    #[inline(always)]
    pub fn load(lanes: &KLanes, state: &KState) -> Self {
        let mut sections = [[V::splat(0.0); 6]; 2];
        for (section, Section(numbers)) in sections.iter_mut().zip(&lanes.sections) {
            for (value, number) in section.iter_mut().zip(numbers) {
                *value = V::splat(*number);
            }
        }
        let [a, b, c, d] = loaded(&state.0);
        Self { sections, states: [[a, b], [c, d]] }
    }

    /// One frame.
    #[inline(always)]
    pub fn next(&mut self, x: V) -> V {
        let [shelf, high_pass] = &mut self.states;
        step(step(x, self.sections[0], shelf), self.sections[1], high_pass)
    }

    /// At a grid line: what has died away is 0.
    #[inline(always)]
    pub fn settle(&mut self) {
        let floor = V::splat(FLOOR);
        for state in self.states.as_flattened_mut() {
            *state = state.where_le(floor, state.abs());
        }
    }

    /// Whether every lane has died away.
    #[inline(always)]
    pub fn at_rest(&self) -> bool {
        let [[a, b], [c, d]] = self.states;
        a.abs().max(b.abs()).max(c.abs().max(d.abs())).sum() <= 0.0
    }

    /// Lays the state down.
    #[inline(always)]
    pub fn store(self, state: &mut KState) {
        let [[a, b], [c, d]] = self.states;
        stored([a, b, c, d], &mut state.0);
    }
}

impl<V> std::fmt::Debug for KFilter<V> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("KFilter").finish_non_exhaustive()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::lanes::{Kernel, Vectors};
    use std::f64::consts::TAU;

    fn rate(hz: u32) -> SampleRate {
        SampleRate::try_new_of_file(hz).expect("a rate")
    }

    fn close(found: &[f64], expected: &[f64], within: f64) {
        for (found, expected) in found.iter().zip(expected) {
            assert!((found - expected).abs() <= within, "{found} for {expected}");
        }
    }

    /// ITU-R BS.1770-5 (2023) Annex 1 Tables 1 and 2.
    #[test]
    fn at_48_khz_the_sections_are_the_printed_tables() {
        let k = KWeighting::new(rate(48_000));
        close(&k.shelf.b, &[1.535_124_859_586_97, -2.691_696_189_406_38, 1.198_392_810_852_85], 6e-15);
        close(&k.shelf.a, &[-1.690_659_293_182_41, 0.732_480_774_215_85], 6e-15);
        close(&k.high_pass.b, &[1.0, -2.0, 1.0], 0.0);
        close(&k.high_pass.a, &[-1.990_047_454_833_98, 0.990_072_250_366_21], 6e-15);
        close(&[k.trim], &[1.0], 1e-15);
    }

    /// The same parameters through the bilinear transform, computed with scipy 1.17.1.
    #[test]
    fn at_44_1_khz_they_are_the_tables_derived_again() {
        let k = KWeighting::new(rate(44_100));
        close(&k.shelf.b, &[1.530_841_230_05, -2.650_979_995_155, 1.169_079_079_922], 1e-6);
        close(&k.shelf.a, &[-1.663_655_113_256, 0.712_595_428_073], 1e-6);
        close(&k.high_pass.b, &[1.0, -2.0, 1.0], 1e-6);
        close(&k.high_pass.a, &[-1.989_169_673_63, 0.989_199_035_787], 1e-6);
    }

    struct Tone<'a> {
        lanes: &'a KLanes,
        rows: &'a mut [Row],
    }

    impl Kernel for Tone<'_> {
        type Output = ();
        #[inline(always)]
        fn run<V: Lanes>(self) {
            let mut filter = KFilter::<V>::load(self.lanes, &KState::SILENT);
            for row in self.rows {
                filter.next(V::load(row)).store(row);
            }
        }
    }

    /// Gain in dB of the lanes for sixteen tones, at this rate, after a second for the transient.
    fn response(hz: u32, tones: [f64; LANES]) -> [f64; LANES] {
        let lanes = KLanes::new(rate(hz));
        let mut rows: Vec<Row> = (0..2 * hz)
            .map(|n| tones.map(|tone| (TAU * (tone * f64::from(n) / f64::from(hz)).fract()).sin() as f32))
            .collect();
        Vectors::widest().run(Tone { lanes: &lanes, rows: &mut rows });
        std::array::from_fn(|lane| {
            let heard = rows[hz as usize..].iter().map(|row| f64::from(row[lane]).powi(2)).sum::<f64>();
            10.0 * (2.0 * lanes.trim * heard / f64::from(hz)).log10()
        })
    }

    /// ITU-R BS.1770-5 Annex 1 Tables 1 and 2, evaluated with scipy 1.17.1.
    #[test]
    fn the_lanes_have_the_response_of_the_tables() {
        let tones = [20.0, 25.0, 31.5, 40.0, 63.0, 100.0, 200.0, 500.0, 997.0, 1e3, 2e3, 4e3, 8e3, 10e3, 16e3, 20e3];
        let expected = [
            -13.2754, -10.3928, -7.79, -5.5669, -2.6639, -1.1335, -0.2649, 0.0425, 0.691, 0.6977, 3.0713, 3.968,
            4.0394, 4.0419, 4.0431, 4.0431,
        ];
        close(&response(48_000, tones), &expected, 0.01);
    }

    /// BS.1770 asks for the same response at every rate, wherever a rate has frequencies at all.
    #[test]
    fn other_rates_have_the_same_response() {
        let low =
            [20.0, 25.0, 31.5, 40.0, 63.0, 100.0, 200.0, 500.0, 997.0, 1.2e3, 1.5e3, 2e3, 2.5e3, 3e3, 3.5e3, 3.9e3];
        let high = [20.0, 40.0, 100.0, 500.0, 997.0, 1.5e3, 2e3, 3e3, 4e3, 5e3, 6e3, 8e3, 10e3, 12e3, 16e3, 20e3];
        let expected = [low, high].map(|tones| response(48_000, tones));
        let rates = [
            (8_000, 0.03),
            (11_025, 0.01),
            (12_000, 0.01),
            (16_000, 0.01),
            (22_050, 0.01),
            (24_000, 0.01),
            (32_000, 0.01),
            (44_100, 0.01),
            (88_200, 0.01),
            (96_000, 0.01),
            (176_400, 0.02),
            (192_000, 0.02),
            (384_000, 0.02),
        ];
        for (hz, within) in rates {
            close(&response(hz, low), &expected[0], within);
            // A tone needs room below half the rate.
            let there = high.iter().take_while(|tone| **tone < 0.49 * f64::from(hz)).count();
            close(&response(hz, high)[..there], &expected[1][..there], within);
        }
    }
}
