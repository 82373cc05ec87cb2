//! A second-order section for sixteen lanes: the state-variable filter, which may be swept.
//!
//! The trapezoidal form of Zavalishin and Simper, with the band-pass doubled (`V = 2 v1`) so that an integrator costs two
//! operations: with `t = 1 + g (g + k)`, `c1 = 2/t`, `c2 = g c1`,
//!
//! ```text
//! d = x - s2;  V = c1 s1 + c2 d;  y = m0 x + m2 s2 + (m1 + g m2)/2 V;  s1 <- V - s1;  s2 <- s2 + g V
//! ```
//!
//! Twelve operations per sample. Its states are those of the analogue integrators, so `g` and `k` may change at any
//! frame: the filter stays stable as long as both are positive. What glides are `g`, `k` and the three `m`, straight from
//! tick to tick along a one-pole; the rest is worked out from them per frame. Latency: none.

use crate::dsp::glide::Glides;
use crate::dsp::lanes::{Kernel, LANES, Lanes, Row, all_zero, loaded, stored};

/// States below this become 0 at grid lines, so that no denormal arises.
pub const STATE_FLOOR: f32 = 1.0e-15;
/// States beyond this are no audio (a sample is at most 1e6), nor is a NaN: they become 0 at grid lines.
const STATE_LIMIT: f32 = 1.0e12;
/// Sections that are run side by side at most.
pub const SIDE_BY_SIDE: usize = 6;

/// What a section is, for one lane.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Coefficients {
    /// `g`, `k`, `m0`, `m1`, `m2` as in the module's formula.
    pub values: [f32; 5],
}

impl Coefficients {
    /// Passes everything, exactly.
    pub const NEUTRAL: Self = Self { values: [0.0, 2.0, 1.0, 0.0, 0.0] };

    /// From the analogue form `(n2 s^2 + n1 s + n0) / (s^2 + k s + 1)` with `s` counted in `g`, the tangent of the angle
    /// of half a sample; `numerator` is `[n2, n1, n0]`.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn new(g: f64, k: f64, [n2, n1, n0]: [f64; 3]) -> Self {
        #[expect(clippy::cast_possible_truncation, reason = "lanes work in single precision")]
        let values = [g, k, n2, n1 - n2 * k, n0 - n2].map(|value| value as f32);
        Self { values }
    }

    /// Squared magnitude at a part of the sample rate (0 to 0.5), as the arithmetic of single precision rounds `g` and the rest.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn squared_magnitude(&self, part_of_rate: f64) -> f64 {
        let [g, k, m0, m1, m2] = self.values.map(f64::from);
        if g == 0.0 {
            return m0 * m0;
        }
        let s = crate::dsp::math::tan_turns(0.5 * part_of_rate) / g;
        let (real, imaginary) = (1.0 - s * s, k * s);
        let (up, across) = (m0 * real + m2, m0 * imaginary + m1 * s);
        (up * up + across * across) / (real * real + imaginary * imaginary)
    }
}

/// The section of sixteen lanes.
#[derive(Clone, Debug)]
pub struct Section {
    /// `g`, `k`, `m0`, `m1`, `m2`.
    values: Glides<5>,
    state: [Row; 2],
    /// `c1, c2, g, m0, n1, n2`: worked out when everything stands still.
    still: [Row; 6],
    /// One bit for each lane that does more than pass.
    busy: u16,
    /// One bit for each lane that was told anything since it was cleared.
    told: u16,
    stale: bool,
}

impl Default for Section {
    fn default() -> Self {
        Self::new()
    }
}

impl Section {
    /// Every lane passes everything.
    ///
    /// Real-time: never
    #[must_use]
    pub const fn new() -> Self {
        Self {
            values: Glides::at(Coefficients::NEUTRAL.values),
            state: [[0.0; LANES]; 2],
            still: [[0.0; LANES]; 6],
            busy: 0,
            told: 0,
            stale: true,
        }
    }

    /// Aims one of the five values of a lane. A lane that passes everything takes `g` and `k` at once, and starts from rest:
    /// nobody hears them yet.
    ///
    /// Real-time: safe
    pub fn set(&mut self, lane: usize, value: usize, to: f32, at_once: bool) {
        let passes = self.busy & (1 << lane) == 0;
        if passes {
            self.rest(lane);
        }
        self.told |= 1 << lane;
        self.values.set(lane, value, to, at_once || (value < 2 && passes));
    }

    fn rest(&mut self, lane: usize) {
        self.state[0][lane] = 0.0;
        self.state[1][lane] = 0.0;
    }

    /// Puts a lane to rest: passing everything, from the next frame on.
    ///
    /// Real-time: safe
    pub fn clear(&mut self, lane: usize) {
        if self.told & (1 << lane) == 0 {
            return;
        }
        for (value, neutral) in Coefficients::NEUTRAL.values.into_iter().enumerate() {
            self.values.set(lane, value, neutral, true);
        }
        self.rest(lane);
        self.busy &= !(1 << lane);
        self.told &= !(1 << lane);
        self.stale = true;
    }

    /// Gives a lane the values, and their ways, of another lane; it starts from rest.
    ///
    /// Real-time: safe
    pub fn copy(&mut self, lane: usize, other: &Self, of: usize) {
        self.values.copy(lane, &other.values, of);
        self.rest(lane);
        self.busy = (self.busy & !(1 << lane)) | (other.busy >> of & 1) << lane;
        self.told |= 1 << lane;
        self.stale = true;
    }

    /// At a grid line: what has arrived stands still, what has not goes on; `gain` is what a one-pole gains of its way in a
    /// tick of `frames` frames.
    ///
    /// Real-time: safe
    #[inline(always)]
    pub fn settle<V: Lanes>(&mut self, gain: f32, frames: f32) {
        if self.values.settle::<V>(gain, frames) {
            // Not a matter of nearness: what passes does so exactly, and is left out.
            self.busy = !self.values.standing::<V>(&[(2, 1.0), (3, 0.0), (4, 0.0)]);
            self.stale = true;
        }
    }

    /// Whether any of its values may move before the next grid line.
    ///
    /// Real-time: safe
    #[must_use]
    pub const fn moving(&self) -> bool {
        self.values.moving()
    }

    /// Whether any lane does more than pass: else there is nothing to run.
    ///
    /// Real-time: safe
    #[must_use]
    pub const fn busy(&self) -> bool {
        self.busy != 0
    }

    /// Whether nothing is in the states, so that silence gives silence.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn at_rest(&self) -> bool {
        !self.values.moving() && all_zero(&self.state)
    }

    /// Takes it to be run frame by frame, while it stands still; `grid` says whether that begins at a grid line.
    #[inline(always)]
    pub fn take<V: Lanes>(&mut self, grid: bool) -> Taken<V> {
        if self.stale {
            self.stale = false;
            stored::<V, 6>(worked_out(loaded(&self.values.now)), &mut self.still);
        }
        let states: [V; 2] = loaded(&self.state);
        let states = if grid { [flushed(states[0]), flushed(states[1])] } else { states };
        Taken { still: loaded(&self.still), states }
    }

    /// Puts it back.
    #[inline(always)]
    pub fn put_back<V: Lanes>(&mut self, taken: Taken<V>) {
        stored(taken.states, &mut self.state);
    }
}

/// A section at work that stands still.
#[derive(Clone, Copy, Debug)]
pub struct Taken<V> {
    still: Still<V>,
    states: [V; 2],
}

impl<V: Lanes> Taken<V> {
    /// At a grid line.
    #[inline(always)]
    pub fn flush(&mut self) {
        self.states = [flushed(self.states[0]), flushed(self.states[1])];
    }

    /// One frame.
    #[inline(always)]
    pub fn step(&mut self, x: V) -> V {
        step(x, self.still, &mut self.states)
    }
}

/// Numbers of a section that stands still: `c1, c2, g, m0, n1, n2`.
pub type Still<V> = [V; 6];

#[inline(always)]
fn worked_out<V: Lanes>([g, k, m0, m1, m2]: [V; 5]) -> Still<V> {
    let t = g.mul(g.add(k)).add(V::splat(1.0));
    let c1 = V::splat(2.0).div(t);
    [c1, g.mul(c1), g, m0, m1.add(m2.mul(g)).mul(V::splat(0.5)), m2]
}

/// The band-pass of a section, doubled, with its two integrators.
#[inline(always)]
#[must_use]
pub fn band<V: Lanes>(x: V, [c1, c2]: [V; 2], [s1, s2]: &mut [V; 2], g: V) -> V {
    let v = c1.mul(*s1).add(c2.mul(x.sub(*s2)));
    *s1 = v.sub(*s1);
    *s2 = s2.add(g.mul(v));
    v
}

/// One frame through a section.
#[inline(always)]
#[must_use]
pub fn step<V: Lanes>(x: V, [c1, c2, g, m0, n1, n2]: Still<V>, states: &mut [V; 2]) -> V {
    let before = states[1];
    let v = band(x, [c1, c2], states, g);
    m0.mul(x).add(n2.mul(before)).add(n1.mul(v))
}

/// A state at a grid line.
#[inline(always)]
#[must_use]
pub fn flushed<V: Lanes>(state: V) -> V {
    state.where_sized(STATE_FLOOR, STATE_LIMIT)
}

/// One segment through those sections of a chain that do more than pass.
#[derive(Debug)]
pub struct Filter<'a> {
    /// The sections in signal order, at most [`SIDE_BY_SIDE`] of them.
    pub sections: &'a mut [Section],
    /// The samples, a tick of them at most, replaced by what comes out.
    pub audio: &'a mut [Row],
    /// Whether the segment starts at a grid line.
    pub grid: bool,
}

impl Filter<'_> {
    #[inline(always)]
    fn still<V: Lanes, const N: usize>(sections: &mut [Section], places: &[usize], audio: &mut [Row], grid: bool) {
        let mut taken = [Taken { still: [V::splat(0.0); 6], states: [V::splat(0.0); 2] }; N];
        for index in 0..N {
            taken[index] = sections[places[index]].take(grid);
        }
        // Each section a frame behind the one before it, so that within a turn none waits for another.
        let mut between = [V::splat(0.0); N];
        for turn in 0..N - 1 {
            Self::turn(turn, 0, turn + 1, audio, &mut taken, &mut between);
        }
        for turn in N - 1..audio.len() {
            Self::turn(turn, 0, N, audio, &mut taken, &mut between);
        }
        for done in 1..N {
            Self::turn(audio.len() + done - 1, done, N, audio, &mut taken, &mut between);
        }
        for index in 0..N {
            sections[places[index]].put_back(taken[index]);
        }
    }

    /// Of the sections from `first` to before `last`, each does the frame that is `turn` less its place.
    #[inline(always)]
    fn turn<V: Lanes, const N: usize>(
        turn: usize,
        first: usize,
        last: usize,
        audio: &mut [Row],
        taken: &mut [Taken<V>; N],
        between: &mut [V; N],
    ) {
        // The last first: each takes what the one before it gave in the turn before.
        for index in (first..last).rev() {
            let x = if index == 0 { V::load(&audio[turn]) } else { between[index - 1] };
            between[index] = taken[index].step(x);
        }
        if last == N {
            between[N - 1].store(&mut audio[turn + 1 - N]);
        }
    }

    #[inline(always)]
    fn moving<V: Lanes>(section: &mut Section, audio: &mut [Row], grid: bool) {
        let mut now: [V; 5] = loaded(&section.values.now);
        let steps: [V; 5] = loaded(&section.values.step);
        let mut states: [V; 2] = loaded(&section.state);
        if grid {
            states = [flushed(states[0]), flushed(states[1])];
        }
        for row in audio.iter_mut() {
            for value in 0..5 {
                now[value] = now[value].add(steps[value]);
            }
            step(V::load(row), worked_out(now), &mut states).store(row);
        }
        stored(now, &mut section.values.now);
        stored(states, &mut section.state);
    }
}

impl Kernel for Filter<'_> {
    type Output = ();

    #[inline(always)]
    fn run<V: Lanes>(self) {
        let Filter { sections, audio, grid } = self;
        let mut places = [0; SIDE_BY_SIDE];
        let mut count = 0;
        for (place, section) in sections.iter().enumerate().take(SIDE_BY_SIDE) {
            if section.busy() {
                places[count] = place;
                count += 1;
            }
        }
        if places[..count].iter().any(|place| sections[*place].moving()) {
            for place in &places[..count] {
                if sections[*place].moving() {
                    Self::moving::<V>(&mut sections[*place], audio, grid);
                } else {
                    Self::still::<V, 1>(sections, &[*place], audio, grid);
                }
            }
            return;
        }
        for places in places[..count].chunks(V::CHAINS.min(audio.len())) {
            match places.len() {
                1 => Self::still::<V, 1>(sections, places, audio, grid),
                2 => Self::still::<V, 2>(sections, places, audio, grid),
                3 => Self::still::<V, 3>(sections, places, audio, grid),
                4 => Self::still::<V, 4>(sections, places, audio, grid),
                5 => Self::still::<V, 5>(sections, places, audio, grid),
                _ => Self::still::<V, 6>(sections, places, audio, grid),
            }
        }
    }
}
