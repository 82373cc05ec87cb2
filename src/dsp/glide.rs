//! Values of sixteen lanes on their way: a one-pole from tick to tick, straight between.

use crate::dsp::lanes::{LANES, Lanes, Row, loaded};

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

    /// Where a value is and where it goes.
    ///
    /// Real-time: safe
    #[must_use]
    pub const fn ends(&self, lane: usize, value: usize) -> [f32; 2] {
        [self.now[value][lane], self.aim[value][lane]]
    }

    /// At a grid line: what has arrived stands still, what has not goes on. `gain` is what a one-pole gains of its way in a
    /// tick of `frames` frames. Says whether anything was moving.
    ///
    /// Real-time: safe
    pub fn settle(&mut self, gain: f32, frames: f32) -> bool {
        if !self.moving {
            return false;
        }
        self.moving = false;
        for value in 0..N {
            for lane in 0..LANES {
                let (now, aim) = (self.next[value][lane], self.aim[value][lane]);
                self.now[value][lane] = now;
                if (aim - now).abs() <= ARRIVED * aim.abs().max(1.0e-3) {
                    self.now[value][lane] = aim;
                    self.next[value][lane] = aim;
                    self.step[value][lane] = 0.0;
                } else {
                    let way = (aim - now) * gain;
                    self.next[value][lane] = now + way;
                    self.step[value][lane] = way / frames;
                    self.moving = true;
                }
            }
        }
        true
    }
}
