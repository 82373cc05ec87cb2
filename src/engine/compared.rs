//! For the slow look at mix-minus: what one owner gives to a bus and what their follower holds, thinned out to some 1,500 points
//! a second. Whether the one comes back in the other by some way outside is reckoned elsewhere; here it is only written down.

use super::limits::TICK;
use crate::units::SampleRate;

/// Points of one meter frame, with room to spare.
const POINTS_MAX: usize = 20;
/// Points a second, about: voices up to 700 Hz.
const POINTS_PER_SECOND: u32 = 1_500;
/// Meter frames for which one follower is looked at: a minute.
pub(super) const FRAMES_EACH: u32 = 6_000;

/// Points of one follower, in their order.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Compared {
    /// Whose.
    pub follower: u16,
    /// The points do not join those of the frame before.
    pub fresh: bool,
    count: u16,
    own: [f32; POINTS_MAX],
    back: [f32; POINTS_MAX],
}

impl Compared {
    /// What the owner gave, and what the follower held at the same time, as means over the time of a point.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn points(&self) -> (&[f32], &[f32]) {
        let count = usize::from(self.count).min(POINTS_MAX);
        (&self.own[..count], &self.back[..count])
    }

    /// Frames of a point: whole ticks.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn point_frames(rate: SampleRate) -> u32 {
        let tick = TICK as u32;
        ((rate.hz() + POINTS_PER_SECOND * tick / 2) / (POINTS_PER_SECOND * tick)).max(1) * tick
    }

    fn put(&mut self, own: f32, back: f32) {
        if usize::from(self.count) == POINTS_MAX {
            (self.count, self.fresh) = (0, true);
        }
        let place = usize::from(self.count);
        (self.own[place], self.back[place]) = (own, back);
        self.count += 1;
    }

    /// Takes later points in; where there is no room the older ones go.
    ///
    /// Real-time: safe
    pub fn join(&mut self, later: &Self) {
        if later.fresh || later.follower != self.follower {
            *self = Self { follower: later.follower, fresh: true, ..Self::default() };
        }
        let (own, back) = later.points();
        own.iter().zip(back).for_each(|(own, back)| self.put(*own, *back));
    }

    /// The same follower, and no points.
    ///
    /// Real-time: safe
    pub fn clear(&mut self) {
        (self.fresh, self.count) = (false, 0);
    }
}

/// A point in the making, and those since the last meter boundary.
#[derive(Debug)]
pub(super) struct Comparing {
    point_frames: u32,
    frames: u32,
    own: f32,
    back: f32,
    made: Compared,
}

impl Comparing {
    /// Real-time: never
    pub(super) fn new(rate: SampleRate) -> Self {
        let point_frames = Compared::point_frames(rate);
        Self { point_frames, frames: 0, own: 0.0, back: 0.0, made: Compared::default() }
    }

    /// Another follower, or another owner of the same: what was begun joins nothing.
    pub(super) fn begin(&mut self, follower: u16) {
        (self.frames, self.own, self.back) = (0, 0.0, 0.0);
        self.made = Compared { follower, fresh: true, ..Compared::default() };
    }

    /// One column of a segment; those of a pair add up.
    pub(super) fn add(&mut self, own: f32, back: f32) {
        self.own += own;
        self.back += back;
    }

    /// The end of a segment, which no tick's end lies within.
    pub(super) fn close(&mut self, frames: usize) {
        self.frames += frames as u32;
        if self.frames >= self.point_frames {
            #[expect(clippy::cast_precision_loss, reason = "some hundred frames")]
            let frames = self.frames as f32;
            self.made.put(self.own / frames, self.back / frames);
            (self.frames, self.own, self.back) = (0, 0.0, 0.0);
        }
    }

    /// At a meter boundary.
    pub(super) fn hand_on(&mut self, to: &mut Compared) {
        to.join(&self.made);
        self.made.clear();
    }
}
