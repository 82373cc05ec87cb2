//! Gains that one takes from others: gain sharing of open microphones, and music that makes room for voices.
//!
//! Behind the fader, so that a closed microphone has no level and takes no share; sends before the fader are not concerned.
//! At each grid line the levels of the tick that has passed give everyone concerned one gain, which is reached, straight, at
//! the next grid line: the gain is one tick old, the audio is not. A group of sixteen columns without anybody concerned is left
//! out; a column that is not, in a group that has one, is multiplied by exactly 1. Both columns of a pair have one gain.

use super::command::{DuckingValue, SharingValue};
use super::limits::{BUS_GROUPS, SHARING_GROUPS, SOURCE_GROUPS, TICK};
use super::strip::{GroupAudio, Strip};
use crate::dsp::ducking::{self, Asked, Ducker, Voice};
use crate::dsp::k_weighting::{KFilter, KLanes, KState};
use crate::dsp::lanes::{Kernel, LANES, Lanes, Row, Vectors, all_zero};
use crate::dsp::math::log2;
use crate::dsp::sharing::{self, Band, Hearing, LEAST_SHARE, OPEN_LEVEL, share};
use crate::units::SampleRate;
use std::ops::Range;

/// Gains of sixteen columns on their way from one grid line to the next.
#[derive(Clone, Debug)]
struct Gains {
    now: Row,
    /// Where each will be at the next grid line, exactly.
    next: Row,
    step: Row,
}

impl Gains {
    const UNITY: Self = Self { now: [1.0; LANES], next: [1.0; LANES], step: [0.0; LANES] };

    fn copy(&mut self, lane: usize, other: &Self, of: usize) {
        (self.now[lane], self.next[lane], self.step[lane]) = (other.now[of], other.next[of], other.step[of]);
    }

    /// At a grid line: it stands where it was to be, and goes on to `next`.
    fn go(&mut self, lane: usize, next: f32) {
        self.now[lane] = self.next[lane];
        self.next[lane] = next;
        self.step[lane] = (next - self.now[lane]) / TICK as f32;
    }

    /// Whether a lane is anything but untouched.
    fn touches(&self, lane: usize) -> bool {
        self.now[lane].to_bits() != 1.0_f32.to_bits() || self.next[lane].to_bits() != 1.0_f32.to_bits()
    }
}

/// The room that sixteen columns make for voices.
#[derive(Clone, Debug)]
struct Room {
    /// Under which sharing group each is; 0 is none.
    under: [u8; LANES],
    asked: [Asked; LANES],
    duckers: [Ducker; LANES],
    k: KState,
    /// Sums of K-weighted squares of a tick.
    weighted: Row,
    /// The lowest gain since it was last asked.
    least: Row,
}

impl Room {
    const NONE: Self = Self {
        under: [0; LANES],
        asked: [Asked::NOTHING; LANES],
        duckers: [Ducker::NEW; LANES],
        k: KState::SILENT,
        weighted: [0.0; LANES],
        least: [1.0; LANES],
    };

    fn copy(&mut self, lane: usize, other: &Self, of: usize) {
        self.under[lane] = other.under[of];
        self.asked[lane] = other.asked[of];
        self.duckers[lane] = other.duckers[of];
        self.k.carry(lane, &other.k, of);
        self.weighted[lane] = 0.0;
        self.least[lane] = 1.0;
    }

    fn set(&mut self, lane: usize, value: DuckingValue, to: f32) {
        let asked = &mut self.asked[lane];
        match value {
            DuckingValue::Under => self.under[lane] = number(to),
            DuckingValue::Difference => asked.difference = to,
            DuckingValue::Depth => asked.depth = to,
            DuckingValue::Attack => asked.attack = to,
            DuckingValue::Hold => asked.hold = to,
            DuckingValue::Release => asked.release = to,
        }
    }

    /// The gain of a column, or of both of a pair, for the tick that comes.
    fn step(&mut self, lane: usize, pair: bool, heard: &Row, pace: &ducking::Pace, voices: &[Voice]) -> f32 {
        let voice = voices.get(usize::from(self.under[lane])).filter(|_| self.under[lane] > 0);
        let power = if pair { heard[lane] + heard[lane ^ 1] } else { heard[lane] };
        let gain = self.duckers[lane].step(pace, &self.asked[lane], voice, f64::from(power) / TICK as f64);
        self.least[lane] = self.least[lane].min(gain);
        gain
    }

    fn asks(&self, lane: usize) -> bool {
        self.under[lane] > 0
    }
}

/// The number of a sharing group, as commands have it.
fn number(value: f32) -> u8 {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "held within the groups")]
    let number = value.clamp(0.0, SHARING_GROUPS as f32) as u8;
    number
}

/// Sixteen columns of sources.
#[derive(Clone, Debug)]
struct Group {
    /// Which sharing group each is in; 0 is none.
    number: [u8; LANES],
    /// Its priority as a power; 0 takes no share.
    weight: Row,
    /// Whether it is one side of two that have one gain.
    linked: [bool; LANES],
    band: Band,
    /// Mean square within the band.
    level: Row,
    /// The part of each, and the lowest while it was open since that was last asked.
    share: Row,
    least: Row,
    room: Room,
    gains: Gains,
    /// Whether there is anything to do before the next grid line.
    concerned: bool,
}

impl Group {
    const NONE: Self = Self {
        number: [0; LANES],
        weight: [1.0; LANES],
        linked: [false; LANES],
        band: Band::SILENT,
        level: [0.0; LANES],
        share: [1.0; LANES],
        least: [1.0; LANES],
        room: Room::NONE,
        gains: Gains::UNITY,
        concerned: false,
    };

    fn copy(&mut self, lane: usize, other: &Self, of: usize) {
        self.number[lane] = other.number[of];
        self.weight[lane] = other.weight[of];
        self.linked[lane] = other.linked[of];
        self.band.copy(lane, &other.band, of);
        self.level[lane] = other.level[of];
        self.share[lane] = other.share[of];
        self.least[lane] = 1.0;
        self.room.copy(lane, &other.room, of);
        self.gains.copy(lane, &other.gains, of);
        self.concerned = true;
    }

    /// A column's level times its priority, if it takes a share.
    fn weighted(&self, lane: usize, strip: &Strip) -> Option<f32> {
        let takes = self.number[lane] > 0 && self.weight[lane] > 0.0 && strip.uses(lane);
        let least = if strip.open(lane) { OPEN_LEVEL } else { 0.0 };
        // Levels of both sides, not the level of both: that would fluctuate less, and so be lower.
        let both = self.linked[lane].then(|| 0.5 * (self.level[lane] + self.level[lane ^ 1]));
        takes.then(|| self.weight[lane] * (both.unwrap_or(self.level[lane]) + least))
    }

    /// The next gains, by what all have of the sums.
    fn go(&mut self, strip: &Strip, paces: &Paces, sums: &[f32], voices: &[Voice]) {
        let heard = std::mem::replace(&mut self.room.weighted, [0.0; LANES]);
        let mut made = 1.0;
        for lane in 0..LANES {
            let aim = match self.weighted(lane, strip) {
                // Closed: it comes up from the least, and nobody is startled.
                Some(_) if !strip.open(lane) => LEAST_SHARE,
                Some(weighted) => share(weighted, sums[usize::from(self.number[lane])]),
                None => 1.0,
            };
            self.share[lane] = paces.sharing.gain(self.share[lane], aim);
            if strip.open(lane) {
                self.least[lane] = self.least[lane].min(self.share[lane]);
            }
            if !(self.linked[lane] && lane % 2 == 1) {
                made = self.room.step(lane, self.linked[lane], &heard, &paces.ducking, voices);
            }
            self.gains.go(lane, self.share[lane] * made);
        }
    }
}

/// Sixteen columns of buses.
#[derive(Clone, Debug)]
struct BusGroup {
    room: Room,
    gains: Gains,
    concerned: bool,
    /// The gains in the last segment, frame by frame, for what follows the bus.
    trace: GroupAudio,
}

#[derive(Clone, Copy, Debug)]
struct Paces {
    sharing: sharing::Pace,
    ducking: ducking::Pace,
}

/// All that is taken from others.
#[derive(Debug)]
pub(super) struct Sharing {
    groups: Box<[Group]>,
    buses: Box<[BusGroup]>,
    /// Those of each sharing group together.
    voices: [Voice; SHARING_GROUPS + 1],
    paces: Paces,
    k: KLanes,
    /// Whether any group is concerned, or may be from the next grid line on.
    any: bool,
    /// Whether anybody makes room for voices.
    ducking: bool,
}

impl Sharing {
    /// Nobody shares.
    ///
    /// Real-time: never
    pub(super) fn new(rate: SampleRate) -> Self {
        let bus = BusGroup { room: Room::NONE, gains: Gains::UNITY, concerned: false, trace: GroupAudio::all(1.0) };
        Self {
            groups: vec![Group::NONE; SOURCE_GROUPS].into_boxed_slice(),
            buses: vec![bus; BUS_GROUPS].into_boxed_slice(),
            voices: [Voice::SILENT; SHARING_GROUPS + 1],
            paces: Paces { sharing: sharing::Pace::new(rate, TICK), ducking: ducking::Pace::new(rate, TICK) },
            k: KLanes::new(rate),
            any: false,
            ducking: false,
        }
    }

    /// Sets a value of a source column; its gain glides.
    ///
    /// Real-time: safe
    pub(super) fn set(&mut self, column: u16, value: SharingValue, to: f32) {
        let (group, lane) = (&mut self.groups[usize::from(column) / LANES], usize::from(column) % LANES);
        match value {
            SharingValue::Group => group.number[lane] = number(to),
            SharingValue::Weight => group.weight[lane] = to.max(0.0),
            SharingValue::Linked => group.linked[lane] = to > 0.0,
        }
        group.concerned = true;
        self.any = true;
    }

    /// Sets what a column does for voices.
    ///
    /// Real-time: safe
    pub(super) fn set_room(&mut self, is_bus: bool, column: u16, value: DuckingValue, to: f32) {
        let (group, lane) = (usize::from(column) / LANES, usize::from(column) % LANES);
        if is_bus {
            self.buses[group].room.set(lane, value, to);
            self.buses[group].concerned = true;
        } else {
            self.groups[group].room.set(lane, value, to);
            self.groups[group].concerned = true;
        }
        self.any = true;
        self.ducking = true;
    }

    /// A source column begins anew: it shares nothing.
    ///
    /// Real-time: safe
    pub(super) fn clear(&mut self, column: u16) {
        let column = usize::from(column);
        self.groups[column / LANES].copy(column % LANES, &Group::NONE, 0);
        self.any = true;
    }

    /// Whether any gain may be another one from the next grid line on.
    ///
    /// Real-time: safe
    pub(super) const fn any(&self) -> bool {
        self.any
    }

    /// A bus column begins anew.
    ///
    /// Real-time: safe
    pub(super) fn clear_bus(&mut self, column: u16) {
        let (group, lane) = (&mut self.buses[usize::from(column) / LANES], usize::from(column) % LANES);
        group.room.copy(lane, &Room::NONE, 0);
        group.gains.copy(lane, &Gains::UNITY, 0);
    }

    /// A source column comes beside another and goes on as it does.
    ///
    /// Real-time: safe
    pub(super) fn copy(&mut self, column: u16, of: u16) {
        let (column, of) = (usize::from(column), usize::from(of));
        // A copy on the stack, some 2 kB: both may be in one group.
        if let Some(other) = self.groups.get(of / LANES).cloned() {
            self.groups[column / LANES].copy(column % LANES, &other, of % LANES);
        }
        self.any = true;
    }

    /// At a grid line: what was heard in the tick before gives the gains of the next.
    ///
    /// Real-time: safe
    pub(super) fn settle(&mut self, sources: &mut [Strip], buses: &mut [Strip]) {
        if !self.any {
            return;
        }
        let mut sums = [0.0_f32; SHARING_GROUPS + 1];
        let mut spoken = [[0.0_f64; 2]; SHARING_GROUPS + 1];
        for (group, strip) in self.groups.iter_mut().zip(sources.iter()).filter(|(group, _)| group.concerned) {
            let energy = group.band.take_energy();
            for (level, energy) in group.level.iter_mut().zip(energy) {
                *level = self.paces.sharing.level(*level, energy / TICK as f32);
            }
            for (lane, energy) in energy.into_iter().enumerate() {
                let number = usize::from(group.number[lane]);
                if let Some(weighted) = group.weighted(lane, strip) {
                    // A stereo channel is one member.
                    let part = if group.linked[lane] { 0.5 } else { 1.0 };
                    sums[number] += part * weighted;
                }
                if number > 0 && strip.uses(lane) {
                    // As it is heard behind its share.
                    let share = f64::from(group.share[lane] * group.share[lane]) / TICK as f64;
                    spoken[number][0] += share * f64::from(energy);
                    spoken[number][1] += share * f64::from(group.room.weighted[lane]);
                }
            }
        }
        if self.ducking {
            for (voice, [spoken, weighted]) in self.voices.iter_mut().zip(spoken) {
                voice.hear(&self.paces.ducking, spoken, weighted);
            }
        }
        (self.any, self.ducking) = (false, false);
        for (group, strip) in self.groups.iter_mut().zip(sources).filter(|(group, _)| group.concerned) {
            group.go(strip, &self.paces, &sums, &self.voices);
            let mut concerned = false;
            for lane in (0..LANES).filter(|lane| strip.uses(*lane)) {
                concerned |= group.number[lane] > 0 || group.room.asks(lane) || group.gains.touches(lane);
                self.ducking |= group.room.asks(lane);
            }
            group.concerned = concerned;
            strip.measure_behind(concerned);
            if !concerned {
                // Whoever comes next finds nothing of before.
                (group.band, group.level, group.gains.step) = (Band::SILENT, [0.0; LANES], [0.0; LANES]);
                group.room.k = KState::SILENT;
            }
            self.any |= concerned;
        }
        for (group, strip) in self.buses.iter_mut().zip(buses).filter(|(group, _)| group.concerned) {
            let heard = std::mem::replace(&mut group.room.weighted, [0.0; LANES]);
            let mut concerned = false;
            for lane in (0..LANES).step_by(2) {
                let gain = group.room.step(lane, true, &heard, &self.paces.ducking, &self.voices);
                group.gains.go(lane, gain);
                group.gains.go(lane + 1, gain);
                if strip.uses(lane) {
                    concerned |= group.room.asks(lane) || group.gains.touches(lane);
                    self.ducking |= group.room.asks(lane);
                }
            }
            group.concerned = concerned;
            strip.measure_behind(concerned);
            if !concerned {
                group.room.k = KState::SILENT;
            }
            self.any |= concerned;
        }
    }

    /// One segment of all sources, as it comes out of their strips.
    ///
    /// Real-time: safe
    pub(super) fn run(
        &mut self,
        vectors: Vectors,
        strips: &mut [Strip],
        audio: &mut [GroupAudio],
        frames: usize,
        grid: bool,
    ) {
        if !self.any {
            return;
        }
        for ((group, strip), audio) in self.groups.iter_mut().zip(strips).zip(audio) {
            let audio = &mut audio[..frames];
            if !group.concerned || !strip.in_use() {
                continue;
            }
            if self.ducking {
                vectors.run(Weighing { room: &mut group.room, k: &self.k, audio, grid });
            }
            // A gain on its way goes on while it is silent: time does not stand still.
            if !(strip.silent() && group.band.at_rest() && all_zero(&[group.gains.step])) {
                vectors.run(Taking { group, pace: &self.paces.sharing, strip, audio, grid });
            }
        }
    }

    /// One segment of some groups of buses, as it comes out of their strips.
    ///
    /// Real-time: safe
    pub(super) fn run_buses(
        &mut self,
        groups: Range<usize>,
        vectors: Vectors,
        strips: &mut [Strip],
        audio: &mut [GroupAudio],
        frames: usize,
        grid: bool,
    ) {
        if !self.any {
            return;
        }
        for place in groups {
            let (group, strip, audio) = (&mut self.buses[place], &mut strips[place], &mut audio[place][..frames]);
            if group.concerned && strip.in_use() {
                vectors.run(Weighing { room: &mut group.room, k: &self.k, audio, grid });
                vectors.run(MakingRoom { group, strip, audio });
            }
        }
    }

    /// The gains of a group of buses in the last segment; none when they are 1.
    ///
    /// Real-time: safe
    pub(super) fn bus_gains(&self, group: usize) -> Option<&GroupAudio> {
        let group = &self.buses[group];
        group.concerned.then_some(&group.trace)
    }

    /// The most that sharing, and that room for voices, took off the columns of a group of sources since this was last
    /// asked, in octaves of amplitude.
    ///
    /// Real-time: safe
    pub(super) fn take_reductions(&mut self, group: usize) -> Option<[Row; 2]> {
        let group = &mut self.groups[group];
        group.concerned.then(|| [take_least(&mut group.least), take_least(&mut group.room.least)])
    }

    /// The same of a group of buses.
    ///
    /// Real-time: safe
    pub(super) fn take_bus_reductions(&mut self, group: usize) -> Option<Row> {
        let group = &mut self.buses[group];
        group.concerned.then(|| take_least(&mut group.room.least))
    }
}

/// The lowest gains so far as reductions in octaves of amplitude.
fn take_least(gains: &mut Row) -> Row {
    let mut octaves = [0.0; LANES];
    for (octaves, gain) in octaves.iter_mut().zip(std::mem::replace(gains, [1.0; LANES])) {
        if gain < 1.0 {
            #[expect(clippy::cast_possible_truncation, reason = "a meter")]
            let taken = -log2(f64::from(gain)) as f32;
            *octaves = taken;
        }
    }
    octaves
}

/// One segment of sixteen columns, before anything is taken off: how loud they are.
struct Weighing<'a> {
    room: &'a mut Room,
    k: &'a KLanes,
    audio: &'a [Row],
    grid: bool,
}

impl Kernel for Weighing<'_> {
    type Output = ();

    #[inline(always)]
    fn run<V: Lanes>(self) {
        let Weighing { room, k, audio, grid } = self;
        let mut filter = KFilter::<V>::load(k, &room.k);
        if grid {
            filter.settle();
        }
        let mut weighted = V::load(&room.weighted);
        for row in audio {
            let y = filter.next(V::load(row));
            weighted = weighted.add(y.mul(y));
        }
        filter.store(&mut room.k);
        weighted.store(&mut room.weighted);
    }
}

/// One segment of sixteen columns of sources: heard, then brought to its gain.
struct Taking<'a> {
    group: &'a mut Group,
    pace: &'a sharing::Pace,
    strip: &'a mut Strip,
    audio: &'a mut [Row],
    grid: bool,
}

impl Kernel for Taking<'_> {
    type Output = ();

    #[inline(always)]
    fn run<V: Lanes>(self) {
        let Taking { group, pace, strip, audio, grid } = self;
        let mut hearing: Hearing<V> = group.band.load(pace, grid);
        let (mut gain, step) = (V::load(&group.gains.now), V::load(&group.gains.step));
        let (peaks, energies) = strip.levels();
        let (mut peak, mut energy) = (V::load(peaks), V::load(energies));
        for row in audio.iter_mut() {
            let x = V::load(row);
            hearing.next(x);
            gain = gain.add(step);
            let y = x.mul(gain);
            peak = y.abs().max(peak);
            energy = energy.add(y.mul(y));
            y.store(row);
        }
        group.band.store(hearing);
        gain.store(&mut group.gains.now);
        peak.store(peaks);
        energy.store(energies);
    }
}

/// One segment of sixteen columns of buses, brought to its gain.
struct MakingRoom<'a> {
    group: &'a mut BusGroup,
    strip: &'a mut Strip,
    audio: &'a mut [Row],
}

impl Kernel for MakingRoom<'_> {
    type Output = ();

    #[inline(always)]
    fn run<V: Lanes>(self) {
        let MakingRoom { group, strip, audio } = self;
        let (mut gain, step) = (V::load(&group.gains.now), V::load(&group.gains.step));
        let (peaks, energies) = strip.levels();
        let (mut peak, mut energy) = (V::load(peaks), V::load(energies));
        for (row, trace) in audio.iter_mut().zip(group.trace.iter_mut()) {
            gain = gain.add(step);
            gain.store(trace);
            let y = V::load(row).mul(gain);
            peak = y.abs().max(peak);
            energy = energy.add(y.mul(y));
            y.store(row);
        }
        gain.store(&mut group.gains.now);
        peak.store(peaks);
        energy.store(energies);
    }
}
