//! Sums: how much of every column of one bank reaches every column of the next.
//!
//! A crosspoint row holds sixteen gains, from the sixteen columns of a group to one destination. A
//! destination's sum runs over groups in ascending order, lane by lane, then over the lanes as a fixed
//! tree, so a column that stays where it is keeps its place in every sum. Rows of zeros and silent groups
//! are left out, which changes no bit: the sum starts at +0 and adding a zero to it gives it back.

use super::limits::TICK;
use super::strip::{GroupAudio, arrived};
use crate::dsp::lanes::{Kernel, LANES, Lanes, Row};

/// The crosspoints between two banks.
#[derive(Debug)]
pub struct Matrix {
    from_groups: usize,
    /// `[destination][group]`
    now: Box<[Row]>,
    aim: Box<[Row]>,
    /// For each destination one bit per group that has a gain other than 0, or is on its way.
    live: Box<[u32]>,
    /// For each destination one bit per group whose row has not arrived.
    moving: Box<[u32]>,
    /// Whether any bit of `moving` is set.
    unsettled: bool,
    follow: f32,
}

impl Matrix {
    /// Crosspoints between so many groups and so many destinations, all at zero; `follow` is what a
    /// one-pole gains of its way per frame.
    ///
    /// Real-time: never
    #[must_use]
    pub fn new(from_groups: usize, destinations: usize, follow: f32) -> Self {
        assert!(from_groups <= 32, "one bit for each group");
        let rows = vec![[0.0; LANES]; from_groups * destinations].into_boxed_slice();
        let bits = vec![0; destinations].into_boxed_slice();
        Self { from_groups, now: rows.clone(), aim: rows, live: bits.clone(), moving: bits, unsettled: false, follow }
    }

    /// Aims one crosspoint.
    ///
    /// Real-time: safe
    pub fn set(&mut self, from: usize, to: usize, value: f32, at_once: bool) {
        let group = from / LANES;
        let row = to * self.from_groups + group;
        self.aim[row][from % LANES] = value;
        if at_once {
            self.now[row][from % LANES] = value;
        }
        self.live[to] |= 1 << group;
        self.moving[to] |= 1 << group;
        self.unsettled = true;
    }

    /// Puts a column's crosspoints to every destination at zero.
    ///
    /// Real-time: safe
    pub fn clear_from(&mut self, from: usize) {
        for to in 0..self.live.len() {
            let row = to * self.from_groups + from / LANES;
            self.now[row][from % LANES] = 0.0;
            self.aim[row][from % LANES] = 0.0;
        }
    }

    /// Puts every crosspoint to a destination at zero.
    ///
    /// Real-time: safe
    pub fn clear_to(&mut self, to: usize) {
        for row in to * self.from_groups..(to + 1) * self.from_groups {
            self.now[row] = [0.0; LANES];
            self.aim[row] = [0.0; LANES];
        }
        self.live[to] = 0;
        self.moving[to] = 0;
    }

    /// Gives a column the crosspoints of another.
    ///
    /// Real-time: safe
    pub fn copy_from(&mut self, from: usize, of: usize) {
        self.clear_from(from);
        for to in 0..self.live.len() {
            if self.live[to] & (1 << (of / LANES)) == 0 {
                continue;
            }
            let (target, source) = (to * self.from_groups + from / LANES, to * self.from_groups + of / LANES);
            self.now[target][from % LANES] = self.now[source][of % LANES];
            self.aim[target][from % LANES] = self.aim[source][of % LANES];
            self.live[to] |= 1 << (from / LANES);
            self.moving[to] |= 1 << (from / LANES);
            self.unsettled = true;
        }
    }

    /// At a grid line: rows that have arrived stand still, rows of zeros are left out from now on.
    ///
    /// Real-time: safe
    pub fn settle(&mut self) {
        if !std::mem::take(&mut self.unsettled) {
            return;
        }
        for to in 0..self.live.len() {
            let mut moving = self.moving[to];
            while moving != 0 {
                let group = moving.trailing_zeros() as usize;
                moving &= moving - 1;
                let row = to * self.from_groups + group;
                let (mut still, mut zeros) = (true, true);
                for lane in 0..LANES {
                    let (now, aim) = (&mut self.now[row][lane], self.aim[row][lane]);
                    if arrived(*now, aim) {
                        *now = aim;
                    } else {
                        still = false;
                    }
                    zeros &= *now == 0.0;
                }
                self.unsettled |= !still;
                if still {
                    self.moving[to] &= !(1 << group);
                    if zeros {
                        self.live[to] &= !(1 << group);
                    }
                }
            }
        }
    }

    /// Whether anything reaches this destination.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn reaches(&self, to: usize) -> bool {
        self.live[to] != 0
    }
}

/// One segment of one destination's sum.
#[derive(Debug)]
pub struct Sum<'a> {
    /// The crosspoints.
    pub matrix: &'a mut Matrix,
    /// Which destination.
    pub to: usize,
    /// The groups summed.
    pub groups: &'a [GroupAudio],
    /// One bit for each group that may be other than silence.
    pub sounding: u32,
    /// The sum of each frame.
    pub out: &'a mut [f32],
}

impl Kernel for Sum<'_> {
    type Output = ();

    #[inline(always)]
    fn run<V: Lanes>(self) {
        let Sum { matrix, to, groups, sounding, out } = self;
        let frames = out.len();
        let mut sums = [V::splat(0.0); TICK];
        let mut rest = matrix.live[to];
        while rest != 0 {
            let group = rest.trailing_zeros() as usize;
            rest &= rest - 1;
            let row = to * matrix.from_groups + group;
            let audio = &groups[group][..frames];
            if matrix.moving[to] & (1 << group) != 0 {
                // A row on its way advances even while its group is silent: time does not stand still.
                let (mut now, aim) = (V::load(&matrix.now[row]), V::load(&matrix.aim[row]));
                let follow = V::splat(matrix.follow);
                for (sum, x) in sums.iter_mut().zip(audio) {
                    now = now.add(aim.sub(now).mul(follow));
                    *sum = sum.add(V::load(x).mul(now));
                }
                now.store(&mut matrix.now[row]);
            } else if sounding & (1 << group) != 0 {
                let gain = V::load(&matrix.now[row]);
                for (sum, x) in sums.iter_mut().zip(audio) {
                    *sum = sum.add(V::load(x).mul(gain));
                }
            }
        }
        for (out, sum) in out.iter_mut().zip(sums) {
            *out = sum.sum();
        }
    }
}
