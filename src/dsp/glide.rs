//! Values of sixteen lanes on their way: a one-pole from tick to tick, straight between.

use crate::dsp::lanes::{LANES, Lanes, Row, all_zero, loaded};

/// A value this near to its aim, relative to it, has arrived: less would be lost in single precision.
const ARRIVED: f32 = 1.0e-5;

/// `N` values for each lane.
#[derive(Clone, Debug)]
#[repr(align(64))]
pub struct Glides<const N: usize> {
    /// Where they are.
    pub now: [Row; N],
    aim: [Row; N],
    /// Where each will be at the next grid line, exactly; steps of single frames would get lost beside it.
    next: [Row; N],
    /// What each gains per frame on its way there.
    pub step: [Row; N],
    moving: bool,
}

impl<const N: usize> Glides<N> {
    /// Every lane stands at these values.
    ///
    /// Real-time: never
    #[must_use]
    pub const fn at(values: [f32; N]) -> Self {
        let mut now = [[0.0; LANES]; N];
        let mut value = 0;
        while value < N {
            now[value] = [values[value]; LANES];
            value += 1;
        }
        Self { now, aim: now, next: now, step: [[0.0; LANES]; N], moving: false }
    }

    /// Aims one value of a lane.
    ///
    /// Real-time: safe
    pub fn set(&mut self, lane: usize, value: usize, to: f32, at_once: bool) {
        self.aim[value][lane] = to;
        if at_once {
            self.now[value][lane] = to;
            self.next[value][lane] = to;
        }
        self.moving = true;
    }

    /// Gives a lane the values of another, and their ways.
    ///
    /// Real-time: safe
    pub fn copy(&mut self, lane: usize, other: &Self, of: usize) {
        for value in 0..N {
            self.now[value][lane] = other.now[value][of];
            self.aim[value][lane] = other.aim[value][of];
            self.next[value][lane] = other.next[value][of];
            self.step[value][lane] = other.step[value][of];
        }
        self.moving = true;
    }

    /// Whether anything may move before the next grid line.
    ///
    /// Real-time: safe
    #[must_use]
    pub const fn moving(&self) -> bool {
        self.moving
    }

    /// Where the values are, and what each gains per frame, if any does.
    #[inline(always)]
    #[must_use]
    pub fn on_their_way<V: Lanes>(&self) -> ([V; N], Option<[V; N]>) {
        (loaded(&self.now), if self.moving { Some(loaded(&self.step)) } else { None })
    }

    /// One bit for each lane that stands at these values, `[value, number]`, and goes nowhere else.
    ///
    /// Real-time: safe
    #[inline(always)]
    #[must_use]
    pub fn standing<V: Lanes>(&self, at: &[(usize, f32)]) -> u16 {
        let mut off = V::splat(0.0);
        for (value, number) in at {
            for end in [&self.now[*value], &self.aim[*value]] {
                off = V::load(end).sub(V::splat(*number)).abs().add(off);
            }
        }
        let mut row = [0.0; LANES];
        off.store(&mut row);
        row.iter().enumerate().fold(0, |bits, (lane, off)| bits | u16::from(*off == 0.0) << lane)
    }

    /// At a grid line: what has arrived stands still, what has not goes on. `gain` is what a one-pole gains of its way in a
    /// tick of `frames` frames. Says whether anything was moving.
    ///
    /// Real-time: safe
    #[inline(always)]
    pub fn settle<V: Lanes>(&mut self, gain: f32, frames: f32) -> bool {
        if !self.moving {
            return false;
        }
        let (zero, one) = (V::splat(0.0), V::splat(1.0));
        let mut on_its_way = zero;
        for value in 0..N {
            let (now, aim) = (V::load(&self.next[value]), V::load(&self.aim[value]));
            let (left, near) = (aim.sub(now), aim.abs().max(V::splat(1.0e-3)).mul(V::splat(ARRIVED)));
            let (size, way) = (left.abs(), left.mul(V::splat(gain)));
            aim.pick_le(now, size, near).store(&mut self.now[value]);
            aim.pick_le(now.add(way), size, near).store(&mut self.next[value]);
            zero.pick_le(way.div(V::splat(frames)), size, near).store(&mut self.step[value]);
            on_its_way = on_its_way.pick_le(one, size, near);
        }
        let mut row = [0.0; LANES];
        on_its_way.store(&mut row);
        self.moving = !all_zero(&[row]);
        true
    }
}
