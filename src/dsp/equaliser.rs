//! What an equaliser band or a high-pass has to be: from frequency, Q and gain to the numbers of a [`Section`].
//!
//! A filter made by the bilinear transform is squeezed towards half the sample rate: a bell at 10 kHz is 3 dB wrong at
//! 16 kHz. Here the five numbers of a section are fitted to the analogue prototype instead. In terms of
//! `p = sin^2(pi f / rate)` the squared magnitude of any second-order section is a quotient of two quadratics in `p`,
//! so the fit is linear once the denominator of the step before is known (Sanathanan and Koerner, IEEE Transactions on
//! Automatic Control 8, 1963). Relative error is what is made small, which is error in dB. Measured over the whole range
//! of the parameters at 48 kHz: see `tests/stages.rs`.
//!
//! Prototypes (Audio EQ Cookbook, R. Bristow-Johnson, W3C Note 2021), with `A = 10^(dB/40)` and `s` counted in the
//! band's frequency: bell `(s^2 + s A/Q + 1) / (s^2 + s/(A Q) + 1)`, high shelf
//! `A (A s^2 + s sqrt(A)/Q + 1) / (s^2 + s sqrt(A)/Q + A)`, low shelf the same with `s` and `1/s` exchanged, low-pass
//! `1 / (s^2 + s/Q + 1)`, high-pass `s^2 / (...)`, notch `(s^2 + 1) / (...)`.
//!
//! [`Section`]: crate::dsp::section::Section

use crate::dsp::math::{cos_turns, exp, exp2, log2, sin_turns, tan_turns};
use crate::dsp::section::Coefficients;
use crate::units::SampleRate;
use std::f64::consts::{LOG2_10, TAU};

/// What a band does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shape {
    /// Raises or lowers what is around its frequency.
    Bell,
    /// Raises or lowers what is below its frequency; half the gain in dB at it.
    LowShelf,
    /// Raises or lowers what is above its frequency; half the gain in dB at it.
    HighShelf,
    /// Lets through what is below.
    LowPass,
    /// Lets through what is above.
    HighPass,
    /// Takes its frequency out.
    Notch,
}

/// How steep a high-pass is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Slope {
    /// 12 dB per octave.
    Second,
    /// 18 dB per octave.
    Third,
    /// 24 dB per octave.
    Fourth,
}

/// Passes and shelves are held to these ranges of Q, notches to at least [`NOTCH_Q_LOWEST`]: beyond, no single section
/// follows the prototype up to 20 kHz.
const PASS_Q: (f64, f64) = (0.5, 1.5);
const SHELF_Q: (f64, f64) = (0.6, 1.4);
/// Shelves are held below this frequency in Hz for the same reason.
const SHELF_HERTZ_HIGHEST: f64 = 14_000.0;
const NOTCH_Q_LOWEST: f64 = 0.7;

/// Frequencies at which a fit is made: over the whole range, around the band's own, and two that hold the part beyond.
const WIDE_NODES: usize = 32;
const NEAR_NODES: usize = 9;
const PEAK_NODES: usize = 7;
const NODES: usize = WIDE_NODES + NEAR_NODES + PEAK_NODES + 2;
/// Part of the sample rate up to which the prototype is followed: 20 kHz at 48 kHz.
const TOP: f64 = 20.0 / 48.0;
/// Steps of the fit. It stands still after three or four.
const STEPS: usize = 5;
/// How much the part beyond the top counts: almost nothing, and more when the fit would be no filter.
const GUARDS: [f64; 4] = [0.02, 0.1, 0.4, 1.5];

/// The prototype as its squared magnitude.
struct Prototype {
    shape: Shape,
    hertz: f64,
    q: f64,
    /// `A`, the square root of the gain.
    root: f64,
    rate: f64,
}

/// A quotient of quadratics in `x = p / p0`, `p0` the place of the band's frequency: numerator and denominator.
type Quotient = ([f64; 3], [f64; 3]);

impl Prototype {
    fn squared(&self, hertz: f64) -> f64 {
        let s2 = (hertz / self.hertz) * (hertz / self.hertz);
        let (a, q) = (self.root, self.q);
        // |u - v s^2 + j w s|^2 of numerator and denominator.
        let of = |u: f64, v: f64, w: f64| (u - v * s2) * (u - v * s2) + w * w * s2;
        match self.shape {
            Shape::Bell => of(1.0, 1.0, a / q) / of(1.0, 1.0, 1.0 / (a * q)),
            Shape::HighShelf => a * a * of(1.0, a, a.sqrt() / q) / of(a, 1.0, a.sqrt() / q),
            Shape::LowShelf => a * a * of(a, 1.0, a.sqrt() / q) / of(1.0, a, a.sqrt() / q),
            Shape::LowPass => 1.0 / of(1.0, 1.0, 1.0 / q),
            Shape::HighPass => s2 * s2 / of(1.0, 1.0, 1.0 / q),
            Shape::Notch => (1.0 - s2) * (1.0 - s2) / of(1.0, 1.0, 1.0 / q),
        }
    }

    /// Frequency in Hz and damping (half of 1/Q) of the poles.
    fn poles(&self) -> (f64, f64) {
        match self.shape {
            Shape::Bell => (self.hertz, 0.5 / (self.q * self.root)),
            Shape::HighShelf => (self.hertz * self.root.sqrt(), 0.5 / self.q),
            Shape::LowShelf => (self.hertz / self.root.sqrt(), 0.5 / self.q),
            Shape::LowPass | Shape::HighPass | Shape::Notch => (self.hertz, 0.5 / self.q),
        }
    }

    fn place(&self, hertz: f64) -> f64 {
        let sine = sin_turns(0.5 * hertz / self.rate);
        sine * sine
    }

    /// `p0`: what `x` counts in.
    fn unit(&self) -> f64 {
        self.place(self.hertz.min(0.479 * self.rate))
    }

    /// The frequencies of the fit with the weight of each.
    fn nodes(&self, guard: f64) -> [(f64, f64); NODES] {
        let top = TOP * self.rate;
        let octaves = log2(top / 20.0);
        let breadth = 0.5 * (2.0 * self.poles().1).clamp(0.02, 1.0);
        let mut nodes = [(0.0, 0.0); NODES];
        let spread = |index: usize, count: usize| index as f64 / (count - 1) as f64;
        for (index, node) in nodes.iter_mut().enumerate() {
            let hertz = if index < WIDE_NODES {
                20.0 * exp2(octaves * spread(index, WIDE_NODES))
            } else if index < WIDE_NODES + NEAR_NODES {
                self.hertz * exp2(2.0 * spread(index - WIDE_NODES, NEAR_NODES) - 1.0)
            } else if index < NODES - 2 {
                self.hertz * (1.0 + breadth * (2.0 * spread(index - WIDE_NODES - NEAR_NODES, PEAK_NODES) - 1.0))
            } else {
                self.rate * if index == NODES - 2 { 0.448 } else { 0.479 }
            };
            let weight = if index >= NODES - 2 {
                guard
            } else if hertz <= 10_000.0 {
                1.0
            } else if hertz <= top * 1.000_001 {
                0.125
            } else {
                0.0
            };
            *node = (hertz, weight);
        }
        nodes
    }

    /// The columns of the numerator that are free, and its fixed part, at `x`.
    fn numerator(&self, x: f64) -> ([f64; 2], usize, f64) {
        match self.shape {
            Shape::Bell | Shape::LowShelf | Shape::HighShelf | Shape::LowPass => ([x, x * x], 2, self.at_zero()),
            // Two zeros at 0 Hz, two on the circle: nothing there is left to the fit.
            Shape::HighPass => ([x * x, 0.0], 1, 0.0),
            Shape::Notch => ([0.0; 2], 0, (1.0 - x) * (1.0 - x)),
        }
    }

    fn at_zero(&self) -> f64 {
        if self.shape == Shape::LowShelf { self.root * self.root * self.root * self.root } else { 1.0 }
    }

    fn numerator_of(&self, free: &[f64]) -> [f64; 3] {
        match self.shape {
            Shape::HighPass => [0.0, 0.0, free[0]],
            Shape::Notch => [1.0, -2.0, 1.0],
            _ => [self.at_zero(), free[0], free[1]],
        }
    }

    /// The fit, unless it leads to no filter.
    fn fitted(&self, guard: f64) -> Option<Quotient> {
        let nodes = self.nodes(guard);
        let unit = self.unit();
        let mut denominator = self.started(unit);
        let mut free = [0.0; 4];
        let mut count = 0;
        for _ in 0..STEPS {
            let mut equations = [[0.0; 5]; 4];
            for (hertz, weight) in nodes {
                let (target, x) = (self.squared(hertz), self.place(hertz) / unit);
                let lowest = if self.shape == Shape::Notch { 1e-3 } else { 1e-9 };
                let weight = weight / (target.max(lowest) * value(&denominator, x));
                let (columns, numerators, fixed) = self.numerator(x);
                let mut row = [columns[0], columns[1], 0.0, 0.0, target - fixed];
                row[numerators] = -target * x;
                row[numerators + 1] = -target * x * x;
                count = numerators + 2;
                let row = row.map(|entry| entry * weight);
                for (one, equation) in equations.iter_mut().enumerate().take(count) {
                    for other in 0..count {
                        equation[other] += row[one] * row[other];
                    }
                    equation[4] += row[one] * row[4];
                }
            }
            free = solved(equations, count);
            denominator = [1.0, free[count - 2], free[count - 1]];
            let alive = nodes.iter().all(|(hertz, _)| value(&denominator, self.place(*hertz) / unit) > 0.0);
            if !alive {
                return None;
            }
        }
        Some((self.numerator_of(&free[..count - 2]), denominator))
    }

    /// The denominator of the bilinear transform, to start from.
    fn started(&self, unit: f64) -> [f64; 3] {
        let (hertz, damping) = self.poles();
        let g = tan_turns(0.5 * hertz.min(0.458 * self.rate) / self.rate);
        let (k, turned) = (2.0 * damping, 1.0 / (g * g));
        // ((1 - p) - p/g^2)^2 + k^2 p (1 - p) / g^2
        let (sum, bend) = (1.0 + turned, k * k * turned);
        [1.0, (bend - 2.0 * sum) * unit, (sum * sum - bend) * unit * unit]
    }

    /// With poles where the analogue ones are in time (impulse invariance, after Vicanek 2016), and only the numerator
    /// fitted: always a filter, though not as near.
    fn with_fixed_poles(&self) -> Quotient {
        let unit = self.unit();
        let (hertz, damping) = self.poles();
        let turn = hertz / self.rate;
        let decay = exp(-damping * TAU * turn);
        let spread = if damping < 1.0 {
            cos_turns((1.0 - damping * damping).sqrt() * turn)
        } else {
            let way = exp((damping * damping - 1.0).sqrt() * TAU * turn);
            0.5 * (way + 1.0 / way)
        };
        let (a1, a2) = (-2.0 * decay * spread, decay * decay);
        let (low, high) = ((1.0 + a1 + a2) * (1.0 + a1 + a2), (1.0 - a1 + a2) * (1.0 - a1 + a2));
        let bend = -16.0 * a2 / low;
        let denominator = [1.0, (high / low - 1.0 + bend) * unit, -bend * unit * unit];
        let mut equations = [[0.0; 5]; 4];
        let mut count = 0;
        for (hertz, weight) in self.nodes(GUARDS[0]) {
            let (target, x) = (self.squared(hertz), self.place(hertz) / unit);
            let shape = value(&denominator, x);
            let weight = weight / (target.max(1e-9) * shape);
            let (columns, numerators, fixed) = self.numerator(x);
            count = numerators;
            let row = [columns[0] * weight, columns[1] * weight, (target * shape - fixed) * weight];
            for (one, equation) in equations.iter_mut().enumerate().take(count) {
                for other in 0..count {
                    equation[other] += row[one] * row[other];
                }
                equation[4] += row[one] * row[2];
            }
        }
        (self.numerator_of(&solved(equations, count)[..count]), denominator)
    }

    /// The section whose squared magnitude the quotient is.
    fn section(&self, (numerator, denominator): Quotient) -> Option<Coefficients> {
        let unit = self.unit();
        let in_p = |c: [f64; 3]| [c[0], c[1] / unit, c[2] / (unit * unit)];
        let (b, a) = (in_p(numerator), in_p(denominator));
        // |denominator|^2 = ((1 - p) - p/g^2)^2 + k^2 p (1 - p) / g^2, read at p = 1 and, as a slope, at p = 0.
        let at_one = a[0] + a[1] + a[2];
        if at_one <= 0.0 {
            return None;
        }
        let g2 = 1.0 / at_one.sqrt();
        let k2 = g2 * (a[1] + 2.0) + 2.0;
        if k2 <= 0.0 {
            return None;
        }
        let k = k2.sqrt();
        // The numerator n2 s^2 + n1 s + n0 in the same way.
        let n0 = b[0].max(0.0).sqrt();
        let n2 = g2 * (b[0] + b[1] + b[2]).max(0.0).sqrt();
        let n1 =
            if self.shape == Shape::Notch { 0.0 } else { (g2 * (b[1] + 2.0 * b[0]) + 2.0 * n0 * n2).max(0.0).sqrt() };
        Some(Coefficients::new(g2.sqrt(), k, [n2, n1, n0]))
    }
}

/// The value of a quadratic.
fn value(c: &[f64; 3], x: f64) -> f64 {
    (c[2] * x + c[1]) * x + c[0]
}

/// The first `count` unknowns of symmetric equations whose right side stands last, columns scaled alike first.
pub(super) fn solved(mut equations: [[f64; 5]; 4], count: usize) -> [f64; 4] {
    let mut scale = [1.0; 4];
    for (index, scale) in scale.iter_mut().enumerate().take(count) {
        *scale = 1.0 / equations[index][index].max(f64::MIN_POSITIVE).sqrt();
    }
    for (row, equation) in equations.iter_mut().enumerate().take(count) {
        for column in 0..count {
            equation[column] *= scale[row] * scale[column];
        }
        equation[4] *= scale[row];
        // A trace of the identity, so that columns that say the same do not divide by nothing.
        equation[row] += 1e-14;
    }
    for pivot in 0..count {
        for row in pivot + 1..count {
            let above = equations[pivot];
            let factor = equations[row][pivot] / above[pivot];
            for (entry, above) in equations[row].iter_mut().zip(above) {
                *entry -= factor * above;
            }
        }
    }
    let mut unknowns = [0.0; 4];
    for row in (0..count).rev() {
        let known: f64 = (row + 1..count).map(|column| equations[row][column] * unknowns[column]).sum();
        unknowns[row] = (equations[row][4] - known) / equations[row][row];
    }
    for (unknown, scale) in unknowns.iter_mut().zip(scale) {
        *unknown *= scale;
    }
    unknowns
}

/// The section of a band: `hertz` from 20 to 20 000 (and below 0.42 of the rate), `q` from 0.3 to 10 (passes are
/// held to 0.5 to 1.5, shelves to 0.6 to 1.4 and 14 kHz, notches to at least 0.7), `gain_db` from -15 to +15 where the shape has a gain. Bells and
/// shelves of 0 dB are [`Coefficients::NEUTRAL`].
///
/// Within 0.05 dB of the prototype to 10 kHz and 0.6 dB to 20 kHz, at 48 kHz.
///
/// Real-time: safe, but takes some 20 us: the desk calls it.
#[must_use]
pub fn band(shape: Shape, hertz: f64, q: f64, gain_db: f64, rate: SampleRate) -> Coefficients {
    let has_gain = matches!(shape, Shape::Bell | Shape::LowShelf | Shape::HighShelf);
    if has_gain && gain_db == 0.0 {
        return Coefficients::NEUTRAL;
    }
    let rate = f64::from(rate.hz());
    let q = match shape {
        Shape::Bell => q,
        Shape::Notch => q.max(NOTCH_Q_LOWEST),
        Shape::LowShelf | Shape::HighShelf => q.clamp(SHELF_Q.0, SHELF_Q.1),
        Shape::LowPass | Shape::HighPass => q.clamp(PASS_Q.0, PASS_Q.1),
    };
    let is_shelf = matches!(shape, Shape::LowShelf | Shape::HighShelf);
    let highest = if is_shelf { SHELF_HERTZ_HIGHEST } else { f64::INFINITY };
    let hertz = hertz.clamp(10.0, (TOP * rate).min(highest));
    let prototype = Prototype { shape, hertz, q, root: exp2(gain_db * LOG2_10 / 40.0), rate };
    let fitted = GUARDS.iter().find_map(|guard| prototype.section(prototype.fitted(*guard)?));
    fitted.or_else(|| prototype.section(prototype.with_fixed_poles())).unwrap_or(Coefficients::NEUTRAL)
}

/// The sections of a Butterworth high-pass, by the bilinear transform, which is exact enough for corners below 2 kHz.
///
/// A third order is one section of Q 1 and one pole; the pole is a section whose second pole is cancelled by a zero. The
/// Q of a fourth order are 0.5412 and 1.3066, `1 / (2 cos(pi/8))` and `1 / (2 cos(3 pi/8))`.
///
/// Real-time: safe
#[must_use]
pub fn high_pass(slope: Slope, hertz: f64, rate: SampleRate) -> [Coefficients; 2] {
    let g = tan_turns(0.5 * (hertz / f64::from(rate.hz())).min(0.45));
    let second = |k: f64| Coefficients::new(g, k, [1.0, 0.0, 0.0]);
    match slope {
        Slope::Second => [second(std::f64::consts::SQRT_2), Coefficients::NEUTRAL],
        Slope::Third => [second(1.0), Coefficients::new(g, 2.0, [1.0, 1.0, 0.0])],
        Slope::Fourth => [second(2.0 * cos_turns(1.0 / 16.0)), second(2.0 * cos_turns(3.0 / 16.0))],
    }
}
