//! Gains that one channel takes from others: gain sharing.
//!
//! Behind the fader, so that a closed microphone has no level and takes no share; sends before the fader are not concerned.
//! At each grid line the levels of the tick that has passed give every member one gain, which it reaches, straight, at the
//! next grid line: the gain is one tick old, the audio is not. A group of sixteen columns without a member is left out; a
//! column that is none, in a group that has one, is multiplied by exactly 1. Both columns of a stereo channel have one gain.

use super::command::SharingValue;
use super::limits::{SHARING_GROUPS, SOURCE_GROUPS, TICK};
use super::strip::{GroupAudio, Strip};
use crate::dsp::lanes::{Kernel, LANES, Lanes, Row, Vectors};
use crate::dsp::math::log2;
use crate::dsp::sharing::{Band, LEAST_SHARE, OPEN_LEVEL, Pace, share};
use crate::units::SampleRate;

/// Gains of sixteen columns on their way from one grid line to the next.
#[derive(Clone, Debug)]
struct Gains {
    now: Row,
    /// Where each will be at the next grid line, exactly.
    next: Row,
    step: Row,
    /// The lowest since it was last asked.
    least: Row,
}

impl Gains {
    const UNITY: Self = Self { now: [1.0; LANES], next: [1.0; LANES], step: [0.0; LANES], least: [1.0; LANES] };

    fn copy(&mut self, lane: usize, other: &Self, of: usize) {
        (self.now[lane], self.next[lane], self.step[lane]) = (other.now[of], other.next[of], other.step[of]);
        self.least[lane] = 1.0;
    }

    /// At a grid line: it stands where it was to be, and goes on to `next`. `shown` says whether anybody hears it.
    fn go(&mut self, lane: usize, next: f32, shown: bool) {
        self.now[lane] = self.next[lane];
        self.next[lane] = next;
        self.step[lane] = (next - self.now[lane]) / TICK as f32;
        if shown {
            self.least[lane] = self.least[lane].min(self.now[lane]);
        }
    }

    /// Whether a lane is anything but untouched.
    fn touches(&self, lane: usize) -> bool {
        self.now[lane].to_bits() != 1.0_f32.to_bits() || self.next[lane].to_bits() != 1.0_f32.to_bits()
    }
}

/// Sixteen columns.
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
        gains: Gains::UNITY,
        concerned: false,
    };

    fn copy(&mut self, lane: usize, other: &Self, of: usize) {
        self.number[lane] = other.number[of];
        self.weight[lane] = other.weight[of];
        self.linked[lane] = other.linked[of];
        self.band.copy(lane, &other.band, of);
        self.level[lane] = other.level[of];
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
}

/// All that is taken from others.
#[derive(Debug)]
pub(super) struct Sharing {
    groups: Box<[Group]>,
    pace: Pace,
    /// Whether any group is concerned, or may be from the next grid line on.
    any: bool,
}

impl Sharing {
    /// Nobody shares.
    ///
    /// Real-time: never
    pub(super) fn new(rate: SampleRate) -> Self {
        Self { groups: vec![Group::NONE; SOURCE_GROUPS].into_boxed_slice(), pace: Pace::new(rate, TICK), any: false }
    }

    /// Sets a value of a source column; its gain glides.
    ///
    /// Real-time: safe
    pub(super) fn set(&mut self, column: u16, value: SharingValue, to: f32) {
        let (group, lane) = (&mut self.groups[usize::from(column) / LANES], usize::from(column) % LANES);
        match value {
            SharingValue::Group => {
                #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "held within the groups")]
                let number = to.clamp(0.0, SHARING_GROUPS as f32) as u8;
                group.number[lane] = number;
            }
            SharingValue::Weight => group.weight[lane] = to.max(0.0),
            SharingValue::Linked => group.linked[lane] = to > 0.0,
        }
        group.concerned = true;
        self.any = true;
    }

    /// A source column begins anew: it shares nothing.
    ///
    /// Real-time: safe
    pub(super) fn clear(&mut self, column: u16) {
        let column = usize::from(column);
        self.groups[column / LANES].copy(column % LANES, &Group::NONE, 0);
        self.any = true;
    }

    /// A source column comes beside another and goes on as it does.
    ///
    /// Real-time: safe
    pub(super) fn copy(&mut self, column: u16, of: u16) {
        let (column, of) = (usize::from(column), usize::from(of));
        // A copy on the stack, less than 1 kB: both may be in one group.
        let other = self.groups[of / LANES].clone();
        self.groups[column / LANES].copy(column % LANES, &other, of % LANES);
        self.any = true;
    }

    /// At a grid line: what was heard in the tick before gives the gains of the next.
    ///
    /// Real-time: safe
    pub(super) fn settle(&mut self, strips: &mut [Strip]) {
        if !self.any {
            return;
        }
        let mut sums = [0.0_f32; SHARING_GROUPS + 1];
        for (group, strip) in self.groups.iter_mut().zip(strips.iter()).filter(|(group, _)| group.concerned) {
            let energy = group.band.take_energy();
            for lane in 0..LANES {
                group.level[lane] = self.pace.level(group.level[lane], energy[lane] / TICK as f32);
            }
            for lane in 0..LANES {
                if let Some(weighted) = group.weighted(lane, strip) {
                    // A stereo channel is one member.
                    let part = if group.linked[lane] { 0.5 } else { 1.0 };
                    sums[usize::from(group.number[lane])] += part * weighted;
                }
            }
        }
        self.any = false;
        for (group, strip) in self.groups.iter_mut().zip(strips).filter(|(group, _)| group.concerned) {
            let mut concerned = false;
            for lane in 0..LANES {
                let aim = match group.weighted(lane, strip) {
                    // Closed: it comes up from the least, and nobody is startled.
                    Some(_) if !strip.open(lane) => LEAST_SHARE,
                    Some(weighted) => share(weighted, sums[usize::from(group.number[lane])]),
                    None => 1.0,
                };
                let next = self.pace.gain(group.gains.next[lane], aim);
                group.gains.go(lane, next, strip.open(lane));
                concerned |= strip.uses(lane) && (group.number[lane] > 0 || group.gains.touches(lane));
            }
            group.concerned = concerned;
            strip.measure_behind(concerned);
            if !concerned {
                // Whoever comes next finds nothing of before.
                (group.band, group.level, group.gains) = (Band::SILENT, [0.0; LANES], Gains::UNITY);
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
            if group.concerned && strip.in_use() && !(strip.silent() && group.band.at_rest()) {
                vectors.run(Taking { group, pace: &self.pace, strip, audio: &mut audio[..frames], grid });
            }
        }
    }

    /// The most that was taken off the columns of a group since this was last asked, in octaves of amplitude.
    ///
    /// Real-time: safe
    pub(super) fn take_reductions(&mut self, group: usize) -> Option<Row> {
        let group = &mut self.groups[group];
        if !group.concerned {
            return None;
        }
        let least = std::mem::replace(&mut group.gains.least, [1.0; LANES]);
        Some(octaves_below(&least))
    }
}

/// Gains as reductions in octaves of amplitude.
fn octaves_below(gains: &Row) -> Row {
    let mut octaves = [0.0; LANES];
    for (octaves, gain) in octaves.iter_mut().zip(gains) {
        if *gain < 1.0 {
            #[expect(clippy::cast_possible_truncation, reason = "a meter")]
            let taken = -log2(f64::from(*gain)) as f32;
            *octaves = taken;
        }
    }
    octaves
}

/// One segment of sixteen columns: heard, then brought to its gain.
struct Taking<'a> {
    group: &'a mut Group,
    pace: &'a Pace,
    strip: &'a mut Strip,
    audio: &'a mut [Row],
    grid: bool,
}

impl Kernel for Taking<'_> {
    type Output = ();

    #[inline(always)]
    fn run<V: Lanes>(self) {
        let Taking { group, pace, strip, audio, grid } = self;
        let mut hearing: crate::dsp::sharing::Hearing<V> = group.band.load(pace, grid);
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
