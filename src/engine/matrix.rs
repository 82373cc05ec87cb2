//! Sums: how much of every column of one bank reaches every column of the next.
//!
//! A crosspoint row holds sixteen gains, from the sixteen columns of a group to one destination. A
//! destination's sum runs over groups in ascending order, lane by lane, then over the lanes as a fixed
//! tree, so a column that stays where it is keeps its place in every sum. Rows of zeros and silent groups
//! are left out, which changes no bit: the sum starts at +0 and adding a zero to it gives it back.

use super::limits::{BUS_COLUMNS, SPAN, TICK};
use super::strip::{GroupAudio, any, settled};
use crate::dsp::lanes::{Kernel, LANES, Lanes, Row, Vectors};

/// One bit for each destination.
type Destinations = [u64; BUS_COLUMNS.div_ceil(64)];

/// The crosspoints between two banks.
#[derive(Debug)]
pub struct Matrix {
    from_groups: usize,
    /// `[destination][group]`
    now: Box<[Row]>,
    aim: Box<[Row]>,
    /// For each destination one bit per group that may have a gain other than 0, or is on its way.
    live: Box<[u64]>,
    /// For each group the destinations whose `live` has its bit.
    reached: Box<[Destinations]>,
    /// For each destination one bit per group whose row has not arrived.
    moving: Box<[u64]>,
    /// One bit for each group of which anything reaches anything.
    taken: u64,
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
        assert!(from_groups <= 64, "one bit for each group");
        assert!(destinations <= BUS_COLUMNS, "one bit for each destination");
        let rows = vec![[0.0; LANES]; from_groups * destinations].into_boxed_slice();
        let bits = vec![0; destinations].into_boxed_slice();
        Self {
            from_groups,
            now: rows.clone(),
            aim: rows,
            live: bits.clone(),
            reached: vec![Destinations::default(); from_groups].into_boxed_slice(),
            moving: bits,
            taken: 0,
            unsettled: false,
            follow,
        }
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
        self.enliven(group, to);
    }

    fn enliven(&mut self, group: usize, to: usize) {
        self.live[to] |= 1 << group;
        self.reached[group][to / 64] |= 1 << (to % 64);
        self.moving[to] |= 1 << group;
        self.taken |= 1 << group;
        self.unsettled = true;
    }

    /// The destinations that a group may reach, from one on.
    fn next_reached(&self, group: usize, from: usize) -> Option<usize> {
        let words = &self.reached[group];
        let mut word = from / 64;
        let mut bits = words.get(word)? & (!0 << (from % 64));
        while bits == 0 {
            word += 1;
            bits = *words.get(word)?;
        }
        Some(word * 64 + bits.trailing_zeros() as usize)
    }

    /// Puts a column's crosspoints to every destination at zero.
    ///
    /// Real-time: safe
    pub fn clear_from(&mut self, from: usize) {
        let mut next = self.next_reached(from / LANES, 0);
        while let Some(to) = next {
            let row = to * self.from_groups + from / LANES;
            self.now[row][from % LANES] = 0.0;
            self.aim[row][from % LANES] = 0.0;
            next = self.next_reached(from / LANES, to + 1);
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
        for reached in &mut self.reached {
            reached[to / 64] &= !(1 << (to % 64));
        }
    }

    /// Gives a column the crosspoints of another.
    ///
    /// Real-time: safe
    pub fn copy_from(&mut self, from: usize, of: usize) {
        self.clear_from(from);
        let mut next = self.next_reached(of / LANES, 0);
        while let Some(to) = next {
            let (target, source) = (to * self.from_groups + from / LANES, to * self.from_groups + of / LANES);
            self.now[target][from % LANES] = self.now[source][of % LANES];
            self.aim[target][from % LANES] = self.aim[source][of % LANES];
            self.enliven(from / LANES, to);
            next = self.next_reached(of / LANES, to + 1);
        }
    }

    /// At a grid line: rows that have arrived stand still, rows of zeros are left out from now on. `in_use` has one bit for each
    /// group of destinations.
    ///
    /// Real-time: safe
    pub fn settle(&mut self, in_use: u64, vectors: Vectors) {
        if std::mem::take(&mut self.unsettled) {
            vectors.run(Settle { matrix: self, in_use });
        }
    }

    /// Whether the next grid line changes nothing, if nothing is aimed before.
    ///
    /// Real-time: safe
    #[must_use]
    pub const fn settled(&self) -> bool {
        !self.unsettled
    }

    /// One bit for each group of which anything may reach anything before the next grid line.
    ///
    /// Real-time: safe
    #[must_use]
    pub const fn taken(&self) -> u64 {
        self.taken
    }

    /// Whether anything of this column is aimed at any destination.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn takes(&self, from: usize) -> bool {
        let (group, lane) = (from / LANES, from % LANES);
        let mut next = self.next_reached(group, 0);
        while let Some(to) = next {
            if self.aim[to * self.from_groups + group][lane] != 0.0 {
                return true;
            }
            next = self.next_reached(group, to + 1);
        }
        false
    }
}

/// At a grid line: rows that have arrived stand still.
struct Settle<'a> {
    matrix: &'a mut Matrix,
    in_use: u64,
}

impl Kernel for Settle<'_> {
    type Output = ();

    #[inline(always)]
    fn run<V: Lanes>(self) {
        let Settle { matrix, in_use } = self;
        matrix.taken = 0;
        for to in 0..matrix.live.len() {
            let mut moving = matrix.moving[to];
            while moving != 0 {
                let group = moving.trailing_zeros() as usize;
                moving &= moving - 1;
                let row = to * matrix.from_groups + group;
                let mut unsettled = V::splat(0.0);
                let (mut now, aim) = (V::load(&matrix.now[row]), V::load(&matrix.aim[row]));
                if in_use & 1 << (to / LANES) == 0 {
                    // Nobody sums there, and so nothing would ever move on.
                    now = aim;
                }
                let now = settled(now, aim, matrix.follow, &mut unsettled);
                now.store(&mut matrix.now[row]);
                if any(unsettled) {
                    matrix.unsettled = true;
                } else {
                    matrix.moving[to] &= !(1 << group);
                    if !any(now) {
                        matrix.live[to] &= !(1 << group);
                        matrix.reached[group][to / 64] &= !(1 << (to % 64));
                    }
                }
            }
            matrix.taken |= matrix.live[to];
        }
    }
}

/// What comes in over one matrix.
#[derive(Debug)]
pub struct Part<'a> {
    /// The crosspoints.
    pub matrix: &'a mut Matrix,
    /// The groups summed.
    pub groups: &'a [GroupAudio],
    /// One bit for each group that may be other than silence.
    pub sounding: u64,
}

/// One segment of the sums of sixteen destinations, over all parts.
#[derive(Debug)]
pub struct Sum<'a, 'p> {
    /// What is summed.
    pub parts: &'a mut [Part<'p>],
    /// The first destination.
    pub first: usize,
    /// The sums of each frame.
    pub rows: &'a mut GroupAudio,
    /// How many frames: whole ticks, or a part of one; what is behind is not read by anybody.
    pub frames: usize,
    /// Room to work in; what it holds means nothing.
    pub by_destination: &'a mut ByDestination,
}

/// Sums side by side for each destination.
pub type ByDestination = [[f32; SPAN]; LANES];

impl Kernel for Sum<'_, '_> {
    type Output = ();

    #[inline(always)]
    fn run<V: Lanes>(self) {
        const { assert!(TICK == LANES, "a square") };
        let Sum { parts, first, rows, frames, by_destination: columns } = self;
        // One bit for each destination that stands still, that is in motion.
        let (mut still, mut moving) = (0_u16, 0_u16);
        for part in parts.iter().filter(|part| part.matrix.taken != 0) {
            let (live, on_its_way) = (&part.matrix.live[first..][..LANES], &part.matrix.moving[first..][..LANES]);
            for lane in 0..LANES {
                still |= u16::from(live[lane] != 0) << lane;
                moving |= u16::from(on_its_way[lane] != 0) << lane;
            }
        }
        if frames < TICK {
            moving |= still;
        }
        still &= !moving;
        for (lane, column) in columns.iter_mut().enumerate() {
            if (still | moving) & 1 << lane == 0 {
                column[..frames].fill(0.0);
            }
        }
        if still != 0 {
            let (mut rows, mut both) = (Rows::<1>::new(), Rows::<2>::new());
            for (pair, sides) in columns.as_chunks_mut::<2>().0.iter_mut().enumerate() {
                if still >> (2 * pair) & 0b11 == 0b11 && both.look_up(parts, first + 2 * pair) {
                    both.sum::<V>(frames, sides);
                    continue;
                }
                for (side, column) in sides.iter_mut().enumerate() {
                    let lane = 2 * pair + side;
                    if still & 1 << lane == 0 {
                        continue;
                    }
                    if rows.look_up(parts, first + lane) {
                        rows.sum::<V>(frames, std::array::from_mut(column));
                    } else {
                        moving |= 1 << lane;
                    }
                }
            }
        }
        for (lane, column) in columns.iter_mut().enumerate() {
            if moving & 1 << lane != 0 {
                sum::<V>(parts, first + lane, &mut column[..frames]);
            }
        }
        for (tick, rows) in rows.as_chunks_mut().0.iter_mut().take(frames.div_ceil(TICK)).enumerate() {
            let mut by_lane = [&[0.0; TICK]; LANES];
            for (lane, column) in by_lane.iter_mut().zip(columns.iter()) {
                *lane = &column.as_chunks().0[tick];
            }
            V::transpose(&by_lane, rows);
        }
    }
}

/// Rows that are looked up for one destination at most; where there are more, they are found anew for every few frames.
const MOST_ROWS: usize = 32;
const SILENCE: GroupAudio = GroupAudio::all(0.0);

/// What one destination, or two that take the same, take over whole ticks while their gains stand still. Two at once, since
/// what many columns play does not fit next to the processor and has to be brought each time.
struct Rows<'a, const D: usize> {
    rows: [([&'a Row; D], &'a GroupAudio); MOST_ROWS],
    count: usize,
}

impl<'a, const D: usize> Rows<'a, D> {
    const fn new() -> Self {
        Self { rows: [([&[0.0; LANES]; D], &SILENCE); MOST_ROWS], count: 0 }
    }

    /// Says whether the destinations take the same and there is room for all of it.
    #[inline(always)]
    fn look_up(&mut self, parts: &'a [Part<'_>], to: usize) -> bool {
        self.count = 0;
        for Part { matrix, groups, sounding } in parts.iter().filter(|part| part.matrix.taken != 0) {
            let mut rest = matrix.live[to] & *sounding;
            if matrix.live[to..to + D].iter().any(|live| live & *sounding != rest) {
                return false;
            }
            while rest != 0 {
                let group = rest.trailing_zeros() as usize;
                rest &= rest - 1;
                // Buses take from lower ones only, whatever was asked for.
                let Some(audio) = groups.get(group) else { continue };
                let Some(row) = self.rows.get_mut(self.count) else { return false };
                row.1 = audio;
                for (index, gains) in row.0.iter_mut().enumerate() {
                    *gains = &matrix.now[(to + index) * matrix.from_groups + group];
                }
                self.count += 1;
            }
        }
        true
    }

    /// Some ticks.
    #[inline(always)]
    fn sum<V: Lanes>(&self, frames: usize, out: &mut [[f32; SPAN]; D]) {
        let rows = &self.rows[..self.count];
        if V::CHAINS > 2 {
            for start in (0..frames).step_by(8) {
                let sums = standing::<V, D, 8>(rows, start);
                for index in 0..D {
                    out[index][start..start + 8].copy_from_slice(&V::sums_of_eight(sums[index]));
                }
            }
        } else if D == 2 {
            for start in (0..frames).step_by(2) {
                let sums = standing::<V, D, 2>(rows, start);
                let ([a, b], [c, d]) = (sums[0], sums[D - 1]);
                let four = V::sums([a, b, c, d]);
                out[0][start..start + 2].copy_from_slice(&four[..2]);
                out[D - 1][start..start + 2].copy_from_slice(&four[2..]);
            }
        } else {
            for start in (0..frames).step_by(4) {
                let sums = standing::<V, D, 4>(rows, start);
                out[0][start..start + 4].copy_from_slice(&V::sums(sums[0]));
            }
        }
    }
}

/// The sums of some frames, lane by lane, with gains that stand still; few enough to stay in registers.
#[inline(always)]
fn standing<V: Lanes, const D: usize, const N: usize>(rows: &[([&Row; D], &GroupAudio)], start: usize) -> [[V; N]; D] {
    let mut sums = [[V::splat(0.0); N]; D];
    for (gains, audio) in rows {
        let mut gain = [V::splat(0.0); D];
        for index in 0..D {
            gain[index] = V::load(gains[index]);
        }
        if let Some(audio) = audio[start..].first_chunk::<N>() {
            for frame in 0..N {
                let audio = V::load(&audio[frame]);
                for index in 0..D {
                    sums[index][frame] = sums[index][frame].add(audio.mul(gain[index]));
                }
            }
        }
    }
    sums
}

/// The sum of one destination.
#[inline(always)]
fn sum<V: Lanes>(parts: &mut [Part<'_>], to: usize, out: &mut [f32]) {
    let mut start = 0;
    let mut rest = out;
    if V::CHAINS > 2 {
        // As many frames as registers hold, twice as many of these.
        let (eights, behind) = rest.as_chunks_mut::<8>();
        for eight in eights {
            *eight = V::sums_of_eight(block::<V, 8>(parts, to, start));
            start += 8;
        }
        rest = behind;
    }
    let (fours, rest) = rest.as_chunks_mut::<4>();
    for four in fours {
        *four = V::sums(block::<V, 4>(parts, to, start));
        start += 4;
    }
    for one in rest {
        let [sum] = block::<V, 1>(parts, to, start);
        *one = sum.sum();
        start += 1;
    }
}

/// The sums of some frames, lane by lane; few enough to stay in registers.
#[inline(always)]
fn block<V: Lanes, const N: usize>(parts: &mut [Part<'_>], to: usize, start: usize) -> [V; N] {
    let mut sums = [V::splat(0.0); N];
    for Part { matrix, groups, sounding } in parts {
        let first = to * matrix.from_groups;
        let moving = matrix.moving[to];
        // A row on its way advances even while its group is silent: time does not stand still.
        let mut rest = matrix.live[to] & (*sounding | moving);
        let now = &mut matrix.now[first..first + matrix.from_groups];
        while rest != 0 {
            let group = rest.trailing_zeros() as usize;
            rest &= rest - 1;
            // Buses take from lower ones only, whatever was asked for.
            let (Some(audio), Some(row)) = (groups.get(group), now.get_mut(group)) else { continue };
            let Some(audio) = audio[start..].first_chunk::<N>() else { continue };
            let mut gain = V::load(row);
            if moving & (1 << group) != 0 {
                let (aim, follow) = (V::load(&matrix.aim[first + group]), V::splat(matrix.follow));
                for frame in 0..N {
                    gain = gain.add(aim.sub(gain).mul(follow));
                    sums[frame] = sums[frame].add(V::load(&audio[frame]).mul(gain));
                }
                gain.store(row);
            } else {
                for frame in 0..N {
                    sums[frame] = sums[frame].add(V::load(&audio[frame]).mul(gain));
                }
            }
        }
    }
    sums
}

impl Matrix {
    /// Adds to `out` what a column will give to a destination in the coming segment, without time going on: with the gains
    /// that the sum of that segment will use, bit for bit.
    ///
    /// Real-time: safe
    pub fn contribution(&self, from: usize, to: usize, groups: &[GroupAudio], out: &mut [f32]) {
        self.contribution_of(from, to, &groups[from / LANES], from % LANES, out);
    }

    /// The same for another sound in place of the column's.
    ///
    /// Real-time: safe
    pub fn contribution_of(&self, from: usize, to: usize, audio: &GroupAudio, at: usize, out: &mut [f32]) {
        let (group, lane) = (from / LANES, from % LANES);
        if self.live[to] & (1 << group) == 0 {
            return;
        }
        let row = to * self.from_groups + group;
        let (mut now, aim) = (self.now[row][lane], self.aim[row][lane]);
        let moving = self.moving[to] & (1 << group) != 0;
        for (out, row) in out.iter_mut().zip(audio.iter()) {
            if moving {
                now += (aim - now) * self.follow;
            }
            *out += row[at] * now;
        }
    }
}

/// Adds to `out` what a destination will take in the coming segment, without time going on.
#[derive(Debug)]
pub struct Masked<'a> {
    /// The crosspoints.
    pub matrix: &'a Matrix,
    /// Which destination.
    pub to: usize,
    /// The groups summed.
    pub groups: &'a [GroupAudio],
    /// For each group 1 for the lanes that count, 0 for the others; all count without.
    pub masks: Option<&'a [Row]>,
    /// The sum of each frame.
    pub out: &'a mut [f32],
}

impl Kernel for Masked<'_> {
    type Output = ();

    #[inline(always)]
    fn run<V: Lanes>(self) {
        let Masked { matrix, to, groups, masks, out } = self;
        let mut sums = [V::splat(0.0); TICK];
        let follow = V::splat(matrix.follow);
        let mut rest = matrix.live[to];
        while rest != 0 {
            let group = rest.trailing_zeros() as usize;
            rest &= rest - 1;
            let row = to * matrix.from_groups + group;
            let Some(audio) = groups.get(group) else { continue };
            let mask = if let Some(masks) = masks { V::load(&masks[group]) } else { V::splat(1.0) };
            let (mut now, aim) = (V::load(&matrix.now[row]), V::load(&matrix.aim[row]));
            let moving = matrix.moving[to] & (1 << group) != 0;
            for (sum, x) in sums.iter_mut().zip(&audio[..out.len()]) {
                if moving {
                    now = now.add(aim.sub(now).mul(follow));
                }
                *sum = sum.add(V::load(x).mul(now).mul(mask));
            }
        }
        for (out, sum) in out.iter_mut().zip(sums) {
            *out += sum.sum();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::lanes::Form;

    /// The sums of a tick whose rows are looked up beforehand, or are too many for it, and those of all but its last frame, which are
    /// found as they go.
    #[test]
    fn a_whole_tick_is_summed_to_the_same_bytes_as_a_part_of_it() {
        let number = |n: usize| ((n as u32).wrapping_mul(2_654_435_761) as i32) as f32 / 4.3e9;
        for (groups, vectors) in [3, 10, 11, 20]
            .into_iter()
            .flat_map(|groups| Form::ALL.into_iter().filter_map(Vectors::new).map(move |vectors| (groups, vectors)))
        {
            let audio: Vec<GroupAudio> = (0..groups)
                .map(|group| {
                    let mut rows = GroupAudio::all(0.0);
                    // The same in every tick.
                    let samples = rows.as_flattened_mut().iter_mut().enumerate();
                    samples.for_each(|(n, x)| *x = number(256 * group + n % (TICK * LANES)));
                    rows
                })
                .collect();
            let mut matrices = [0, 1, 2].map(|tap| {
                let mut matrix = Matrix::new(groups, LANES, 0.1);
                for from in 0..groups * LANES {
                    for to in 0..LANES - 1 {
                        matrix.set(from, to, number(tap + 3 * from + 7 * to), true);
                    }
                }
                matrix.settle(1, vectors);
                matrix
            });
            let mut sums = |frames| {
                let mut rows = GroupAudio::all(9.0);
                let [a, b, c] = &mut matrices;
                let mut parts = [a, b, c].map(|matrix| Part { matrix, groups: &audio, sounding: !0 });
                let by_destination = &mut [[9.0; SPAN]; LANES];
                vectors.run(Sum { parts: &mut parts, first: 0, rows: &mut rows, frames, by_destination });
                let bits = |rows: &[Row]| rows.as_flattened().iter().map(|x| x.to_bits()).collect::<Vec<_>>();
                rows.chunks(TICK).take(frames.div_ceil(TICK)).map(|tick| bits(&tick[..TICK - 1])).collect::<Vec<_>>()
            };
            let (many, whole, part) = (sums(SPAN), sums(TICK), sums(TICK - 1));
            assert!(
                many.len() == SPAN / TICK && many.iter().all(|tick| *tick == part[0]) && whole == part,
                "{groups} groups by {:?}",
                vectors.form()
            );
            assert!(
                whole[0].iter().filter(|bits| **bits != 0).count() == (TICK - 1) * (LANES - 1),
                "one takes nothing"
            );
        }
    }
}
