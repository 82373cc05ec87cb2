//! Mix-minus: a bus without somebody's own share, for all who need one at once, and the proof that it is.
//!
//! A follower stands beside a column of a bus, its leader. It takes what the leader takes less the owner's share, or
//! that share alone, before the leader's stages; then it runs the leader's equaliser with a state of its own and the gain
//! samples of the leader's compressor. Both are linear in what they are given, so bus less share is exact whatever the
//! stages do. The share of somebody who comes in over another bus is what follows that bus with the share alone.
//!
//! The proof takes one follower after the other and sums for some milliseconds what it ought to hold afresh, knowing only which feeds are the
//! owner's: not which columns, and not what was subtracted. What comes back by a way outside it cannot see; for that
//! ([`Compared`]) one follower after the other is written down for a minute.

use super::command::Tap;
use super::compared::{Compared, Comparing, FRAMES_EACH};
use super::feed::NO_FEED;
use super::limits::{FOLLOWER_COLUMNS, LEVEL_COLUMNS, LEVEL_GROUPS, SOURCE_COLUMNS, SOURCE_GROUPS, TICK};
use super::matrix::{Masked, Matrix};
use super::sharing::Sharing;
use super::strip::GroupAudio;
use super::{Columns, bits};
use crate::dsp::lanes::{LANES, Row, Vectors};
use crate::units::SampleRate;
use std::ops::Range;

/// Columns of one owner: a channel or two, and those that still fade out while a source is selected again and again.
pub const OWN_COLUMNS: usize = 32;
/// Feeds that are one owner's.
pub const OWN_FEEDS: usize = 4;
/// Buses on the way of one owner to one bus.
pub const OWN_SHARES: usize = 8;
/// No column.
const NONE: u16 = u16::MAX;
/// Columns that are looked at in one meter frame for whose turn is next.
const CANDIDATES: usize = 16;

/// Whose share a follower is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Own {
    columns: [u16; OWN_COLUMNS],
    shares: [u16; OWN_SHARES],
    feeds: [u16; OWN_FEEDS],
}

impl Own {
    /// The owner's source columns; the followers that hold the owner's share of the buses which the leader takes from; and
    /// the feeds that are the owner's, for the proof. None of them if there are more than fit.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn new(columns: &[u16], shares: &[u16], feeds: &[u16]) -> Option<Self> {
        let mut own = Self::default();
        own.columns.get_mut(..columns.len())?.copy_from_slice(columns);
        own.shares.get_mut(..shares.len())?.copy_from_slice(shares);
        own.feeds.get_mut(..feeds.len())?.copy_from_slice(feeds);
        Some(own)
    }

    fn columns(&self) -> impl Iterator<Item = usize> {
        self.columns.iter().map(|column| usize::from(*column)).take_while(|column| *column < SOURCE_COLUMNS)
    }

    fn shares(&self) -> impl Iterator<Item = usize> {
        self.shares.iter().map(|column| usize::from(*column)).take_while(|column| *column < FOLLOWER_COLUMNS)
    }

    fn owns(&self, feed: u16) -> bool {
        feed != NO_FEED && self.feeds.contains(&feed)
    }
}

impl Default for Own {
    fn default() -> Self {
        Self { columns: [NONE; OWN_COLUMNS], shares: [NONE; OWN_SHARES], feeds: [NO_FEED; OWN_FEEDS] }
    }
}

/// The groups of sixteen columns that stand on a level, of buses as of followers.
pub(super) const fn groups_of(level: usize) -> Range<usize> {
    level * LEVEL_GROUPS..(level + 1) * LEVEL_GROUPS
}

/// What one column follows.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Follower {
    leader: u16,
    without: bool,
    own: Own,
}

/// What the proof found: the worst since it was last told.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Proof {
    /// Followers looked at.
    pub looked_at: u32,
    /// The follower that was furthest off.
    pub follower: u16,
    /// Sum of squares of the difference between what it held and the sum made afresh.
    pub difference: f64,
    /// Sum of squares of what its bus took at the same time.
    pub bus: f64,
    /// Over so many frames.
    pub frames: u32,
}

impl Proof {
    /// Differences are judged against the bus, but never against less than -60 dBFS: silence proves nothing.
    const LEAST: f64 = 1.0e-6;

    /// How far off, as a ratio of powers: 1e-10 is -100 dB of the bus.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn ratio(&self) -> f64 {
        let least = Self::LEAST * f64::from(self.frames.max(1));
        self.difference / self.bus.max(least)
    }

    /// Takes a later one in: the worse of the two stays.
    ///
    /// Real-time: safe
    pub fn merge(&mut self, later: &Self) {
        let looked_at = self.looked_at.saturating_add(later.looked_at);
        if self.looked_at == 0 || later.difference * self.bus.max(f64::MIN_POSITIVE) > self.difference * later.bus {
            *self = *later;
        }
        self.looked_at = looked_at;
    }
}

/// Everything that bus columns take from.
#[derive(Debug)]
pub(super) struct Taken<'a> {
    /// One for each [`Tap`].
    pub(super) matrices: &'a [Matrix; Tap::COUNT],
    /// What comes out of the strips of sources, behind their switches, and before them.
    pub(super) sources: [&'a [GroupAudio]; 3],
    /// What comes out of buses; those of lower levels count.
    pub(super) buses: &'a [GroupAudio],
    /// For every source column, which feed.
    pub(super) connections: &'a [(u16, u8)],
}

/// All followers.
#[derive(Debug)]
pub(super) struct Followers {
    pub(super) columns: Columns,
    what: Box<[Option<Follower>]>,
    /// For each column what the owner gives to the leader in this segment, or what is left of the proof's sum.
    shares: Box<[[f32; TICK]]>,
    /// The column that is looked at now.
    watched: usize,
    masks: Box<[Row]>,
    afresh: [f32; TICK],
    proof: Proof,
    /// The column that is compared, with the one beside it where both are one follower's.
    compared: usize,
    /// The column that was looked at last for whose turn is next.
    candidate: usize,
    comparing: Comparing,
    /// Meter frames until it is the next one's turn.
    frames_left: u32,
}

impl Followers {
    /// Real-time: never
    pub(super) fn new(columns: Columns, rate: SampleRate) -> Self {
        Self {
            columns,
            what: vec![None; FOLLOWER_COLUMNS].into_boxed_slice(),
            shares: vec![[0.0; TICK]; FOLLOWER_COLUMNS].into_boxed_slice(),
            watched: FOLLOWER_COLUMNS,
            masks: vec![[0.0; LANES]; SOURCE_GROUPS].into_boxed_slice(),
            afresh: [0.0; TICK],
            proof: Proof::default(),
            compared: FOLLOWER_COLUMNS,
            candidate: 0,
            comparing: Comparing::new(rate),
            frames_left: 0,
        }
    }

    pub(super) fn follow(&mut self, column: u16, leader: u16, without: bool) {
        self.what[usize::from(column)] = Some(Follower { leader, without, own: Own::default() });
    }

    pub(super) fn own(&mut self, column: u16, own: Own) {
        if let Some(follower) = &mut self.what[usize::from(column)] {
            follower.own = own;
        }
        if usize::from(column) == self.watched {
            // What was summed for another owner proves nothing.
            self.watched = FOLLOWER_COLUMNS;
        }
        if self.is_compared(usize::from(column)) {
            self.comparing.begin(self.compared as u16);
        }
    }

    /// Whether a column is the one that is compared, or the other side of it.
    fn is_compared(&self, column: usize) -> bool {
        column == self.compared || column == self.compared + 1 && self.is_second(column)
    }

    /// Whether a column is the second of one follower's pair.
    fn is_second(&self, column: usize) -> bool {
        let of = |column: usize| self.what.get(column).copied().flatten();
        let first = column.checked_sub(1).and_then(of);
        first.zip(of(column)).is_some_and(|(first, second)| Follower { leader: first.leader + 1, ..first } == second)
    }

    fn in_use(&self, column: usize) -> Option<Follower> {
        self.what[column].filter(|_| self.columns.strips[column / LANES].uses(column % LANES))
    }

    /// Whether nothing follows any bus, and nothing that did is still proven.
    ///
    /// Real-time: safe
    pub(super) const fn idle(&self) -> bool {
        self.columns.in_use == 0 && self.watched >= FOLLOWER_COLUMNS
    }

    /// Whether anything follows a bus of this level.
    ///
    /// Real-time: safe
    pub(super) fn any_on(&self, level: usize) -> bool {
        self.columns.in_use & bits(&groups_of(level)) != 0
    }

    /// Before the buses of a level are summed: what each owner will give to the leader.
    ///
    /// Real-time: safe
    pub(super) fn gather(&mut self, level: usize, taken: &Taken<'_>, vectors: Vectors, frames: usize) {
        debug_assert!(frames <= TICK, "who follows keeps segments to a tick");
        for column in level * LEVEL_COLUMNS..(level + 1) * LEVEL_COLUMNS {
            if !self.columns.strips[column / LANES].in_use() {
                continue;
            }
            let Some(Follower { leader, without, own }) = self.in_use(column) else { continue };
            let leader = usize::from(leader);
            let mut share = [0.0; TICK];
            for from in own.columns() {
                for (matrix, groups) in taken.matrices.iter().zip(taken.sources) {
                    matrix.contribution(from, leader, groups, &mut share[..frames]);
                }
            }
            self.add_shares(&own, leader, taken, &mut share[..frames]);
            self.shares[column] = share;
            if column == self.watched {
                self.sum_afresh(leader, without, &own, taken, vectors, frames);
            }
        }
    }

    /// What comes of the owner by way of other buses: their followers hold it, with the gains of the buses themselves.
    fn add_shares(&self, own: &Own, leader: usize, taken: &Taken<'_>, out: &mut [f32]) {
        for share in own.shares() {
            if let Some(Follower { leader: over, .. }) = self.what[share] {
                let over = usize::from(over);
                let gains = &taken.matrices[Tap::Bus as usize];
                gains.contribution_of(over, leader, &self.columns.audio[share / LANES], share % LANES, out);
            }
        }
    }

    fn sum_afresh(
        &mut self,
        leader: usize,
        without: bool,
        own: &Own,
        taken: &Taken<'_>,
        vectors: Vectors,
        frames: usize,
    ) {
        for (column, (feed, _)) in taken.connections.iter().enumerate() {
            let counts = own.owns(*feed) != without;
            self.masks[column / LANES][column % LANES] = if counts { 1.0 } else { 0.0 };
        }
        let mut afresh = [0.0; TICK];
        let out = &mut afresh[..frames];
        for (matrix, groups) in taken.matrices.iter().zip(taken.sources) {
            vectors.run(Masked { matrix, to: leader, groups, masks: Some(&self.masks), out });
        }
        let mut over = [0.0; TICK];
        self.add_shares(own, leader, taken, &mut over[..frames]);
        if without {
            let matrix = &taken.matrices[Tap::Bus as usize];
            vectors.run(Masked { matrix, to: leader, groups: taken.buses, masks: None, out });
            out.iter_mut().zip(over).for_each(|(out, over)| *out -= over);
        } else {
            out.iter_mut().zip(over).for_each(|(out, over)| *out += over);
        }
        self.afresh = afresh;
    }

    /// When the buses of a level are summed and their stages have not run: what follows them.
    ///
    /// Real-time: safe
    pub(super) fn take(&mut self, level: usize, buses: &[GroupAudio], frames: usize) {
        for group in groups_of(level) {
            if !self.columns.strips[group].in_use() {
                continue;
            }
            for lane in 0..LANES {
                let column = group * LANES + lane;
                let Some(Follower { leader, without, .. }) = self.what[column] else { continue };
                let leader = usize::from(leader);
                let rows = self.columns.audio[group][..frames].iter_mut().zip(buses[leader / LANES].iter());
                for ((row, bus), share) in rows.zip(&self.shares[column]) {
                    let bus = bus[leader % LANES];
                    row[lane] = if without { bus - share } else { *share };
                }
                if self.is_compared(column) {
                    let held = self.columns.audio[group][..frames].iter().map(|row| row[lane]);
                    held.zip(&self.shares[column]).for_each(|(held, own)| self.comparing.add(*own, held));
                }
                if column == self.watched {
                    self.proof.frames += frames as u32;
                    let held = self.columns.audio[group][..frames].iter().zip(buses[leader / LANES].iter());
                    for ((held, bus), afresh) in held.zip(&self.afresh) {
                        let bus = f64::from(bus[leader % LANES]);
                        let off = f64::from(held[lane]) - f64::from(*afresh);
                        self.proof.bus += bus * bus;
                        self.proof.difference += off * off;
                    }
                }
            }
            if self.compared / LANES == group {
                self.comparing.close(frames);
            }
        }
    }

    /// When the buses of a level have run: the followers do the same.
    ///
    /// Real-time: safe
    pub(super) fn run(
        &mut self,
        level: usize,
        buses: &Columns,
        taken_off: &Sharing,
        vectors: Vectors,
        frames: usize,
        grid: bool,
    ) -> u64 {
        for group in groups_of(level) {
            if self.columns.strips[group].in_use() {
                self.columns.run_stages(group, vectors, frames, grid);
            }
        }
        for (column, follower) in self.what.iter().enumerate().skip(level * LEVEL_COLUMNS).take(LEVEL_COLUMNS) {
            let Some(Follower { leader, without, .. }) = follower else { continue };
            let leader = usize::from(*leader);
            if let Some(gains) = buses.compressor_gains(leader / LANES) {
                let rows = self.columns.audio[column / LANES][..frames].iter_mut();
                for (row, gains) in rows.zip(gains.iter()) {
                    row[column % LANES] *= gains[leader % LANES];
                }
            }
            // A share goes on with the bus; what is without it is heard before the bus's fader and what is behind that.
            if let Some(gains) = taken_off.bus_gains(leader / LANES).filter(|_| !without) {
                let rows = self.columns.audio[column / LANES][..frames].iter_mut();
                for (row, gains) in rows.zip(gains.iter()) {
                    row[column % LANES] *= gains[leader % LANES];
                }
            }
        }
        self.columns.run_tails(groups_of(level), vectors, frames)
    }

    /// What the proof found, and who is looked at next.
    ///
    /// Real-time: safe
    pub(super) fn next_proof(&mut self) -> Option<Proof> {
        let found = (self.watched < FOLLOWER_COLUMNS).then(|| {
            let follower = u16::try_from(self.watched).unwrap_or(NONE);
            Proof { looked_at: 1, follower, ..self.proof }
        });
        self.proof = Proof::default();
        let after = self.watched.wrapping_add(1) % FOLLOWER_COLUMNS;
        self.watched = FOLLOWER_COLUMNS;
        if self.columns.in_use != 0 {
            let mut columns = (after..FOLLOWER_COLUMNS).chain(0..after);
            self.watched = columns.find(|column| self.in_use(*column).is_some()).unwrap_or(FOLLOWER_COLUMNS);
        }
        found
    }

    /// At a meter boundary: the points of the follower that is compared; after a minute, or when nobody hears it any more, it is the
    /// next one's turn. `heard` says who is.
    ///
    /// Real-time: safe
    pub(super) fn compare(&mut self, heard: &Matrix, into: &mut Compared) {
        self.comparing.hand_on(into);
        self.frames_left = self.frames_left.saturating_sub(1);
        let stays = self.takes_turns(self.compared, heard);
        if stays && self.frames_left > 0 {
            return;
        }
        for _ in 0..CANDIDATES {
            self.candidate = (self.candidate + 1) % FOLLOWER_COLUMNS;
            if self.takes_turns(self.candidate, heard) {
                self.frames_left = FRAMES_EACH;
                if self.candidate != self.compared {
                    self.compared = self.candidate;
                    self.comparing.begin(self.compared as u16);
                }
                return;
            }
        }
        if !stays {
            self.compared = FOLLOWER_COLUMNS;
        }
    }

    fn takes_turns(&self, column: usize, heard: &Matrix) -> bool {
        column < FOLLOWER_COLUMNS
            && self.in_use(column).is_some_and(|follower| follower.without)
            && !self.is_second(column)
            && heard.takes(column)
    }
}
