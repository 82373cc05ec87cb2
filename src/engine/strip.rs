//! Sixteen columns side by side: gains that glide, and the meters around them.
//!
//! A column's way through its strip: stop what is no audio, count clips, trim, input meter, then
//! level x gate x presence, output meter. Trim and level follow their aim by a one-pole; gate and presence
//! by a cubic ramp, s = p^2 (3 - 2 p), which has no corner at either end. Every glide advances once per
//! frame whatever the segment, so the bytes do not depend on how time is cut.

use super::limits::SPAN;
use crate::dsp::lanes::{Kernel, LANES, Lanes, Row, Vectors, all_zero};
use std::ops::{Deref, DerefMut};

/// The samples of sixteen columns in one segment: `[frame][lane]`, each row in a cache line of its own.
#[derive(Clone, Debug)]
#[repr(align(64))]
pub struct GroupAudio([Row; SPAN]);

impl GroupAudio {
    /// The same number everywhere.
    ///
    /// Real-time: safe
    #[must_use]
    pub const fn all(number: f32) -> Self {
        Self([[number; LANES]; SPAN])
    }
}

impl Deref for GroupAudio {
    type Target = [Row; SPAN];

    fn deref(&self) -> &[Row; SPAN] {
        &self.0
    }
}

impl DerefMut for GroupAudio {
    fn deref_mut(&mut self) -> &mut [Row; SPAN] {
        &mut self.0
    }
}

/// Samples beyond +120 dBFS are no audio: with every gain of the desk behind them they still stay finite.
const AUDIO_LIMIT: f32 = 1.0e6;
/// Samples below -300 dBFS become 0, so that no denormal arises anywhere behind.
const AUDIO_FLOOR: f32 = 1.0e-15;
/// Sixteen one-poles at a grid line: those that have arrived stand at their aim, `unsettled` stays 0 in their lanes and
/// becomes 1 in the others. Arrived is within -120 dB of the aim, or of -60 dB where the aim is less than that, so that a
/// step of that size is never heard and a way to 0 ends.
/// Where the last bit of the way is less than a bit, a one-pole stands still before that.
#[inline(always)]
pub(super) fn settled<V: Lanes>(now: V, aim: V, follow: f32, unsettled: &mut V) -> V {
    let one = V::splat(1.0);
    let way = aim.sub(now);
    let (size, near) = (way.abs(), aim.abs().max(V::splat(1.0e-3)).mul(V::splat(1.0e-6)));
    let next = now.add(way.mul(V::splat(follow)));
    let stuck = one.where_le(now, next).where_le(next, now);
    let there = one.pick_le(stuck, size, near);
    *unsettled = one.sub(there).max(*unsettled);
    aim.pick_le(now, one, there)
}

/// Whether any lane is other than 0.
#[inline(always)]
pub(super) fn any<V: Lanes>(lanes: V) -> bool {
    let mut row = [0.0; LANES];
    lanes.store(&mut row);
    !all_zero(&[row])
}

/// A value that follows its aim by a one-pole.
#[derive(Clone, Debug)]
struct Follow {
    now: Row,
    aim: Row,
}

/// A value that goes to its aim by a cubic ramp.
#[derive(Clone, Debug)]
struct Ramp {
    now: Row,
    from: Row,
    to: Row,
    /// 0 at the start of the ramp, 1 when it has arrived.
    phase: Row,
    /// What the phase gains per frame.
    step: Row,
}

impl Follow {
    const fn at(value: f32) -> Self {
        Self { now: [value; LANES], aim: [value; LANES] }
    }

    fn set(&mut self, lane: usize, value: f32, at_once: bool) {
        self.aim[lane] = value;
        if at_once {
            self.now[lane] = value;
        }
    }

    /// Every lane at its aim at once: nobody hears it.
    const fn finish(&mut self) {
        self.now = self.aim;
    }

    /// At a grid line: lanes that have arrived stand still.
    #[inline(always)]
    fn settle<V: Lanes>(&mut self, follow: f32, unsettled: &mut V) {
        settled(V::load(&self.now), V::load(&self.aim), follow, unsettled).store(&mut self.now);
    }
}

impl Ramp {
    const fn at(value: f32) -> Self {
        Self { now: [value; LANES], from: [value; LANES], to: [value; LANES], phase: [1.0; LANES], step: [0.0; LANES] }
    }

    fn set(&mut self, lane: usize, value: f32, at_once: bool) {
        self.from[lane] = value;
        self.to[lane] = value;
        if at_once {
            self.now[lane] = value;
            self.phase[lane] = 1.0;
        }
    }

    /// Everything of one lane.
    const fn lane(&self, lane: usize) -> [f32; 5] {
        [self.now[lane], self.from[lane], self.to[lane], self.phase[lane], self.step[lane]]
    }

    fn set_lane(&mut self, lane: usize, like: [f32; 5]) {
        [self.now[lane], self.from[lane], self.to[lane], self.phase[lane], self.step[lane]] = like;
    }

    /// Every lane at its end at once: nobody hears it.
    fn finish(&mut self) {
        self.now = self.to;
        self.from = self.to;
        self.phase = [1.0; LANES];
    }

    /// Starts from where the lane stands now.
    fn aim(&mut self, lane: usize, value: f32, frames: f32) {
        if self.to[lane].to_bits() == value.to_bits() {
            return;
        }
        self.from[lane] = self.now[lane];
        self.to[lane] = value;
        self.phase[lane] = 0.0;
        self.step[lane] = 1.0 / frames.max(1.0);
    }

    #[inline(always)]
    fn settle<V: Lanes>(&mut self, unsettled: &mut V) {
        let (one, to, phase) = (V::splat(1.0), V::load(&self.to), V::load(&self.phase));
        // Also the start: from + (to - from) need not be `to` in floats, and would differ by a bit from the value that
        // stands still whenever a neighbour moves.
        for row in [&mut self.now, &mut self.from] {
            to.pick_le(V::load(row), one, phase).store(row);
        }
        *unsettled = unsettled.pick_le(one, one, phase);
    }
}

/// How long each kind of change takes, in this bank, at this rate.
#[derive(Clone, Copy, Debug)]
pub struct Times {
    /// What a one-pole gains of its way per frame.
    pub follow: f32,
    /// Frames to open.
    pub open_frames: f32,
    /// Frames to close.
    pub close_frames: f32,
}

/// The gains of one lane on their way.
#[derive(Clone, Copy, Debug)]
pub struct Gains {
    trim: [f32; 2],
    level: [f32; 2],
    gate: [f32; 5],
    send: [f32; 5],
}

/// The readings of a group since the last meter boundary, in the form the lanes keep them.
#[derive(Clone, Debug)]
pub struct Readings {
    /// Highest sample after the trim.
    pub input_peak: Row,
    /// Sum of squares after the trim.
    pub input_energy: Row,
    /// Count of samples at full scale.
    pub clips: Row,
    /// Count of samples that are audio; the rest were not.
    pub audio: Row,
    /// Highest sample at the end of the strip.
    pub peak: Row,
    /// Sum of squares at the end of the strip.
    pub energy: Row,
}

impl Readings {
    const NOTHING: Self = Self {
        input_peak: [0.0; LANES],
        input_energy: [0.0; LANES],
        clips: [0.0; LANES],
        audio: [0.0; LANES],
        peak: [0.0; LANES],
        energy: [0.0; LANES],
    };
}

/// The state of sixteen columns.
#[derive(Clone, Debug)]
#[repr(align(64))]
pub struct Strip {
    trim: Follow,
    level: Follow,
    gate: Ramp,
    /// What those hear who take a source before its fader.
    send: Ramp,
    presence: Ramp,
    /// Whether anything may move before the next grid line.
    moving: bool,
    /// One bit for each column in use.
    used: u16,
    /// One bit for each column that is out of use once its presence has reached 0.
    leaving: u16,
    /// Whether every sample of the last segment's output is zero.
    silent: bool,
    /// Whether levels are measured behind what is taken from others, and not here.
    measured_behind: bool,
    times: Times,
    readings: Readings,
    /// Frames since the last meter boundary in which the strip ran.
    frames_read: u32,
}

impl Strip {
    /// Sixteen columns out of use.
    ///
    /// Real-time: never
    #[must_use]
    pub const fn new(times: Times) -> Self {
        Self {
            trim: Follow::at(1.0),
            level: Follow::at(1.0),
            gate: Ramp::at(0.0),
            send: Ramp::at(0.0),
            presence: Ramp::at(0.0),
            moving: false,
            used: 0,
            leaving: 0,
            silent: true,
            measured_behind: false,
            times,
            readings: Readings::NOTHING,
            frames_read: 0,
        }
    }

    /// Whether any column is in use.
    ///
    /// Real-time: safe
    #[must_use]
    pub const fn in_use(&self) -> bool {
        self.used != 0
    }

    /// Whether a lane is in use.
    ///
    /// Real-time: safe
    #[must_use]
    pub const fn uses(&self, lane: usize) -> bool {
        self.used & (1 << lane) != 0
    }

    /// Whether the last segment came out as nothing but zeros.
    ///
    /// Real-time: safe
    #[must_use]
    pub const fn silent(&self) -> bool {
        self.silent
    }

    /// Whether the lane is open or opening.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn open(&self, lane: usize) -> bool {
        self.used & (1 << lane) != 0 && self.gate.to[lane] > 0.0 && self.presence.to[lane] > 0.0
    }

    /// Brings a lane into use, silent, to come up by a ramp.
    ///
    /// Real-time: safe
    pub fn start(&mut self, lane: usize, ramp_frames: f32) {
        self.used |= 1 << lane;
        self.leaving &= !(1 << lane);
        self.trim.set(lane, 1.0, true);
        self.level.set(lane, 1.0, true);
        self.gate.set(lane, 0.0, true);
        self.send.set(lane, 0.0, true);
        self.presence.set(lane, 0.0, true);
        self.presence.aim(lane, 1.0, ramp_frames);
        self.moving = true;
    }

    /// The values and running glides of a lane.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn gains(&self, lane: usize) -> Gains {
        Gains {
            trim: [self.trim.now[lane], self.trim.aim[lane]],
            level: [self.level.now[lane], self.level.aim[lane]],
            gate: self.gate.lane(lane),
            send: self.send.lane(lane),
        }
    }

    /// Brings a lane into use with the values and running glides of another, to come up by a ramp.
    ///
    /// Real-time: safe
    pub fn start_like(&mut self, lane: usize, other: &Gains, ramp_frames: f32) {
        self.start(lane, ramp_frames);
        [self.trim.now[lane], self.trim.aim[lane]] = other.trim;
        [self.level.now[lane], self.level.aim[lane]] = other.level;
        self.gate.set_lane(lane, other.gate);
        self.send.set_lane(lane, other.send);
    }

    /// Lets a lane go: down by a ramp, then out of use.
    ///
    /// Real-time: safe
    pub fn leave(&mut self, lane: usize, ramp_frames: f32) {
        self.leaving |= 1 << lane;
        self.fade(lane, 0.0, ramp_frames);
    }

    /// Holds a lane silent (0), or lets it be heard again (1).
    ///
    /// Real-time: safe
    pub fn fade(&mut self, lane: usize, value: f32, ramp_frames: f32) {
        self.presence.aim(lane, value, ramp_frames);
        self.moving = true;
    }

    /// Aims the trim.
    ///
    /// Real-time: safe
    pub fn set_trim(&mut self, lane: usize, value: f32, at_once: bool) {
        self.trim.set(lane, value, at_once);
        self.moving = true;
    }

    /// Aims the level. A closed lane takes it at once: nobody hears it.
    ///
    /// Real-time: safe
    pub fn set_level(&mut self, lane: usize, value: f32, at_once: bool) {
        self.level.set(lane, value, at_once || self.gate.now[lane] == 0.0);
        self.moving = true;
    }

    /// Opens (1) or closes (0).
    ///
    /// Real-time: safe
    pub fn set_gate(&mut self, lane: usize, value: f32, at_once: bool) {
        if at_once {
            self.gate.set(lane, value, true);
        } else {
            let frames = if value > self.gate.now[lane] { self.times.open_frames } else { self.times.close_frames };
            self.gate.aim(lane, value, frames);
            if self.gate.now[lane] == 0.0 {
                self.level.now[lane] = self.level.aim[lane];
            }
        }
        self.moving = true;
    }

    /// Lets those hear a source who take it before its fader (1), or not (0).
    ///
    /// Real-time: safe
    pub fn set_send_gate(&mut self, lane: usize, value: f32, at_once: bool) {
        if at_once {
            self.send.set(lane, value, true);
        } else {
            let frames = if value > self.send.now[lane] { self.times.open_frames } else { self.times.close_frames };
            self.send.aim(lane, value, frames);
        }
        self.moving = true;
    }

    /// At a grid line: what has arrived stands still, and columns that have left are out of use. `tapped` says whether
    /// anybody takes these columns before their faders. Says whether the last column in use has just left.
    ///
    /// Real-time: safe
    pub fn settle(&mut self, tapped: bool, vectors: Vectors) -> bool {
        if !self.moving {
            return false;
        }
        let was_in_use = self.in_use();
        if !tapped {
            self.send.finish();
        }
        vectors.run(Settle(self));
        for lane in 0..LANES {
            if self.leaving & (1 << lane) != 0 && self.presence.now[lane] == 0.0 && self.presence.phase[lane] >= 1.0 {
                self.used &= !(1 << lane);
                self.leaving &= !(1 << lane);
            }
        }
        if !self.in_use() {
            // Nobody runs it, and so nothing would ever move on.
            self.trim.finish();
            self.level.finish();
            for ramp in [&mut self.gate, &mut self.send, &mut self.presence] {
                ramp.finish();
            }
            self.moving = false;
        }
        was_in_use && !self.in_use()
    }

    /// A segment of silence that changes nothing: only counted.
    ///
    /// Real-time: safe
    pub fn pass_silence(&mut self, frames: usize) {
        #[expect(clippy::cast_precision_loss, clippy::cast_possible_truncation, reason = "a segment is short")]
        let (number, count) = (frames as f32, frames as u32);
        for audio in &mut self.readings.audio {
            *audio += number;
        }
        self.frames_read += count;
        self.silent = true;
    }

    /// At a grid line: whether somebody behind the strip measures its levels, and goes on with [`Strip::levels`].
    ///
    /// Real-time: safe
    pub const fn measure_behind(&mut self, behind: bool) {
        self.measured_behind = behind;
    }

    /// The highest samples and the sums of squares at the end of the strip, for whoever goes on measuring them.
    ///
    /// Real-time: safe
    pub const fn levels(&mut self) -> (&mut Row, &mut Row) {
        (&mut self.readings.peak, &mut self.readings.energy)
    }

    /// Whether anything may move before the next grid line.
    ///
    /// Real-time: safe
    #[must_use]
    pub const fn moving(&self) -> bool {
        self.moving
    }

    /// Takes the readings since the last time, and the frames they cover, if it ran.
    ///
    /// Real-time: safe
    pub fn take_readings(&mut self) -> Option<(Readings, u32)> {
        let frames = std::mem::take(&mut self.frames_read);
        (frames > 0).then(|| (std::mem::replace(&mut self.readings, Readings::NOTHING), frames))
    }
}

/// At a grid line: what has arrived stands still.
struct Settle<'a>(&'a mut Strip);

impl Kernel for Settle<'_> {
    type Output = ();

    #[inline(always)]
    fn run<V: Lanes>(self) {
        let Strip { trim, level, gate, send, presence, moving, times, .. } = self.0;
        let mut unsettled = V::splat(0.0);
        for value in [trim, level] {
            value.settle(times.follow, &mut unsettled);
        }
        for ramp in [gate, send, presence] {
            ramp.settle(&mut unsettled);
        }
        *moving = any(unsettled);
    }
}

/// One segment of one group through its strip.
#[derive(Debug)]
pub struct Run<'a> {
    /// The state.
    pub strip: &'a mut Strip,
    /// The samples, replaced by what comes out.
    pub audio: &'a mut [Row],
    /// Whether the samples come from outside: what is no audio is stopped and clips are counted.
    pub from_outside: bool,
    /// Which part of the strip.
    pub part: Part,
}

/// The parts of a strip: what stands between head and tail are the stages.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// Up to the trim and the input meter.
    Head,
    /// From the fader on.
    Tail,
    /// Both, with nothing between.
    Whole,
}

struct Moving<V> {
    now: V,
    aim: V,
}

impl<V: Lanes> Moving<V> {
    #[inline(always)]
    fn load(follow: &Follow) -> Self {
        Self { now: V::load(&follow.now), aim: V::load(&follow.aim) }
    }
    #[inline(always)]
    fn next(&mut self, gain: V) -> V {
        self.now = self.now.add(self.aim.sub(self.now).mul(gain));
        self.now
    }
}

struct Ramping<V> {
    now: V,
    from: V,
    way: V,
    phase: V,
    step: V,
}

impl<V: Lanes> Ramping<V> {
    #[inline(always)]
    fn load(ramp: &Ramp) -> Self {
        let from = V::load(&ramp.from);
        Self {
            now: V::load(&ramp.now),
            from,
            way: V::load(&ramp.to).sub(from),
            phase: V::load(&ramp.phase),
            step: V::load(&ramp.step),
        }
    }
    #[inline(always)]
    fn next(&mut self) -> V {
        self.phase = self.phase.add(self.step).min(V::splat(1.0));
        let p = self.phase;
        let shape = p.mul(p).mul(V::splat(3.0).sub(p.add(p)));
        self.now = self.from.add(self.way.mul(shape));
        self.now
    }
    #[inline(always)]
    fn store(self, ramp: &mut Ramp) {
        self.now.store(&mut ramp.now);
        self.phase.store(&mut ramp.phase);
    }
}

/// One segment of one group as those hear it who take it before its faders: between [`Part::Head`] and [`Part::Tail`].
#[derive(Debug)]
pub struct Tapped<'a> {
    /// The state.
    pub strip: &'a mut Strip,
    /// The samples behind the stages.
    pub audio: &'a [Row],
    /// The same behind the switches.
    pub pre_fader: &'a mut [Row],
    /// The same before them.
    pub input: &'a mut [Row],
}

impl Kernel for Tapped<'_> {
    type Output = ();

    #[inline(always)]
    fn run<V: Lanes>(self) {
        let Tapped { strip, audio, pre_fader, input } = self;
        let (mut send, mut presence) = (Ramping::<V>::load(&strip.send), Ramping::<V>::load(&strip.presence));
        for ((row, pre_fader), input) in audio.iter().zip(pre_fader).zip(input) {
            // The presence goes on in the tail; here it only shows where it will be.
            let (present, through) =
                if strip.moving { (presence.next(), send.next()) } else { (presence.now, send.now) };
            let x = V::load(row).mul(present);
            x.store(input);
            x.mul(through).store(pre_fader);
        }
        if strip.moving {
            send.store(&mut strip.send);
        }
    }
}

/// What is measured of what comes in.
struct Entering<V> {
    peak: V,
    energy: V,
    clips: V,
    audio: V,
}

impl<V: Lanes> Entering<V> {
    #[inline(always)]
    fn load(readings: &Readings) -> Self {
        Self {
            peak: V::load(&readings.input_peak),
            energy: V::load(&readings.input_energy),
            clips: V::load(&readings.clips),
            audio: V::load(&readings.audio),
        }
    }

    #[inline(always)]
    fn store(self, readings: &mut Readings) {
        self.peak.store(&mut readings.input_peak);
        self.energy.store(&mut readings.input_energy);
        self.clips.store(&mut readings.clips);
        self.audio.store(&mut readings.audio);
    }

    #[inline(always)]
    fn frame(&mut self, mut x: V, trim: V, from_outside: bool) -> V {
        if from_outside {
            let (one, level) = (V::splat(1.0), x.abs());
            let limit = V::splat(AUDIO_LIMIT);
            self.audio = self.audio.add(one.where_le(level, limit));
            x = x.where_le(level, limit).where_le(V::splat(AUDIO_FLOOR), level);
            self.clips = self.clips.add(one.where_le(one, level).where_le(level, limit));
        }
        x = x.mul(trim);
        self.peak = x.abs().max(self.peak);
        self.energy = self.energy.add(x.mul(x));
        x
    }
}

/// What is measured of what goes out: the highest magnitude of the segment, and the energy since the readings were taken.
struct Leaving<V> {
    peak: V,
    energy: V,
}

impl<V: Lanes> Leaving<V> {
    #[inline(always)]
    fn frame(&mut self, x: V, gain: V) -> V {
        let y = x.mul(gain);
        self.peak = y.abs().max(self.peak);
        self.energy = self.energy.add(y.mul(y));
        y
    }
}

impl Run<'_> {
    /// Each part is compiled for itself, so that what another measures takes no registers.
    #[inline(always)]
    fn over<V: Lanes, const HEAD: bool, const TAIL: bool>(self) {
        let Run { strip, audio, from_outside, .. } = self;
        let mut entering = Entering::<V>::load(&strip.readings);
        let mut leaving = Leaving { peak: V::splat(0.0), energy: V::load(&strip.readings.energy) };
        if strip.moving {
            let follow = V::splat(strip.times.follow);
            let (mut trim, mut level) = (Moving::<V>::load(&strip.trim), Moving::<V>::load(&strip.level));
            let (mut gate, mut presence) = (Ramping::<V>::load(&strip.gate), Ramping::<V>::load(&strip.presence));
            for row in audio.iter_mut() {
                let mut x = V::load(row);
                if HEAD {
                    x = entering.frame(x, trim.next(follow), from_outside);
                }
                if TAIL {
                    x = leaving.frame(x, level.next(follow).mul(gate.next()).mul(presence.next()));
                }
                x.store(row);
            }
            if HEAD {
                trim.now.store(&mut strip.trim.now);
            }
            if TAIL {
                level.now.store(&mut strip.level.now);
                gate.store(&mut strip.gate);
                presence.store(&mut strip.presence);
            }
        } else {
            let trim = V::load(&strip.trim.now);
            let gain = V::load(&strip.level.now).mul(V::load(&strip.gate.now)).mul(V::load(&strip.presence.now));
            for row in audio.iter_mut() {
                let mut x = V::load(row);
                if HEAD {
                    x = entering.frame(x, trim, from_outside);
                }
                if TAIL {
                    x = leaving.frame(x, gain);
                }
                x.store(row);
            }
        }
        let readings = &mut strip.readings;
        if HEAD {
            entering.store(readings);
            #[expect(clippy::cast_possible_truncation, reason = "a segment is short")]
            let frames = audio.len() as u32;
            strip.frames_read += frames;
        }
        if TAIL {
            // Peaks are never negative, so their sum is 0 only when all of them are.
            strip.silent = leaving.peak.sum() <= 0.0;
            if !strip.measured_behind {
                leaving.peak.max(V::load(&readings.peak)).store(&mut readings.peak);
                leaving.energy.store(&mut readings.energy);
            }
        }
    }
}

impl Kernel for Run<'_> {
    type Output = ();

    #[inline(always)]
    fn run<V: Lanes>(self) {
        match self.part {
            Part::Head => self.over::<V, true, false>(),
            Part::Tail => self.over::<V, false, true>(),
            Part::Whole => self.over::<V, true, true>(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_group_that_empties_while_a_level_is_on_its_way_stands_still_from_then_on() {
        let times = Times { follow: 0.002, open_frames: 16.0, close_frames: 16.0 };
        let (mut strip, vectors) = (Strip::new(times), Vectors::widest());
        strip.start(0, 16.0);
        strip.set_level(0, 0.1, true);
        strip.set_gate(0, 1.0, true);
        strip.set_level(0, 1.0, false);
        strip.leave(0, 16.0);
        for _ in 0..8 {
            strip.settle(false, vectors);
            if strip.in_use() {
                let mut audio = [[0.5; LANES]; 16];
                vectors.run(Run { strip: &mut strip, audio: &mut audio, from_outside: true, part: Part::Whole });
            }
        }
        assert!(!strip.in_use() && !strip.moving());
    }
}
