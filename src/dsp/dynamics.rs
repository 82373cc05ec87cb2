//! Gate, compressor and de-esser for sixteen lanes: one detector, three ways to a gain.
//!
//! Levels and reductions are in octaves of amplitude (6.02 dB each), so that logarithm and power cost what base 2 costs.
//! The detector reads peaks: it holds the highest magnitude for 10 ms, so that a tone reads its crest, and then lets it
//! fall by a one-pole of 10 ms. Two lanes that are linked both read the louder of them and so have one gain.
//!
//! The compressor's static curve is the gain computer of Giannoulis, Massberg and Reiss (JAES 60, 2012): with threshold T,
//! ratio R and knee W, the reduction of a level x is `(1 - 1/R) (x - T + W/2)^2 / (2 W)` within the knee and
//! `(1 - 1/R) (x - T)` above. Attack and release are one-poles on the reduction; their times are those in which 63 % of a
//! step is made good. A stage that is off in a lane has a gain of exactly 1 there. Latency: none.

use crate::dsp::glide::Glides;
use crate::dsp::lanes::{Kernel, LANES, Lanes, Row, all_zero, loaded, stored};
use crate::dsp::math::exp;
use crate::dsp::section::flushed;
use crate::units::SampleRate;

/// Levels below this are read as this (-240 dBFS).
const LOWEST_LEVEL: f32 = 1.0e-12;
/// How long the detector holds a crest, and how fast it then falls.
const CREST_MS: f64 = 10.0;
/// A reduction below this is none: less than 1e-6 dB.
const NO_REDUCTION: f32 = 1.0e-7;
/// No compressor takes off more than this many octaves, whatever comes in: beyond, powers are wrong.
const MOST_REDUCTION: f32 = 100.0;
/// A knee is at least this wide, so that nothing is divided by 0.
const KNEE_LEAST: f32 = 1.0e-4;
/// The de-esser's ratio above its threshold, and its times. Common practice, no source.
const DE_ESS_SLOPE: f32 = 0.8;
const DE_ESS_ATTACK_MS: f64 = 1.0;
const DE_ESS_RELEASE_MS: f64 = 60.0;

/// Frames worked on in one go, each step of the work for all of them before the next: a frame's own chain of logarithm, curve,
/// one-pole and power is so long that the processor would wait for it, and frames beside each other fill the wait.
const PASS: usize = 16;

/// What a one-pole of this time constant gains of its way per frame.
///
/// Real-time: safe
#[must_use]
pub fn gain_per_frame(ms: f64, rate: SampleRate) -> f32 {
    #[expect(clippy::cast_possible_truncation, reason = "lanes work in single precision")]
    let gain = (1.0 - exp(-1000.0 / (ms.max(0.01) * f64::from(rate.hz())))) as f32;
    gain
}

/// The highest magnitude of late.
#[derive(Clone, Debug)]
struct Detector {
    crest: Row,
    frames_left: Row,
    hold_frames: f32,
    kept: f32,
}

struct Detecting<V> {
    crest: V,
    /// Frames that the crest is held yet; below 1, none.
    left: V,
    linked: V,
    any_linked: bool,
    hold: V,
    kept: V,
}

impl Detector {
    fn new(rate: SampleRate) -> Self {
        #[expect(clippy::cast_possible_truncation, reason = "some hundred frames")]
        let hold_frames = (CREST_MS * 1e-3 * f64::from(rate.hz())).floor() as f32;
        let kept = 1.0 - gain_per_frame(CREST_MS, rate);
        Self { crest: [0.0; LANES], frames_left: [0.0; LANES], hold_frames, kept }
    }

    fn rest(&mut self, lane: usize) {
        self.crest[lane] = 0.0;
        self.frames_left[lane] = 0.0;
    }

    #[inline(always)]
    fn load<V: Lanes>(&self, linked: &Row, grid: bool) -> Detecting<V> {
        let crest = V::load(&self.crest);
        Detecting {
            crest: if grid { flushed(crest) } else { crest },
            left: V::load(&self.frames_left),
            any_linked: linked.iter().any(|linked| *linked != 0.0),
            linked: V::load(linked),
            hold: V::splat(self.hold_frames),
            kept: V::splat(self.kept),
        }
    }

    #[inline(always)]
    fn store<V: Lanes>(&mut self, detecting: Detecting<V>) {
        detecting.crest.store(&mut self.crest);
        detecting.left.store(&mut self.frames_left);
    }
}

impl<V: Lanes> Detecting<V> {
    /// Levels in octaves below full scale, frame by frame.
    #[inline(always)]
    fn levels(&mut self, sound: &[Row], levels: &mut [V]) {
        if self.any_linked {
            for (row, at) in sound.iter().zip(levels) {
                *at = level(self.crest::<true>(V::load(row)));
            }
        } else {
            for (row, at) in sound.iter().zip(levels) {
                *at = level(self.crest::<false>(V::load(row)));
            }
        }
    }

    /// The highest magnitude of late.
    #[inline(always)]
    fn crest<const LINKED: bool>(&mut self, x: V) -> V {
        let one = V::splat(1.0);
        let mut size = x.abs();
        if LINKED {
            size = size.max(size.neighbours().mul(self.linked));
        }
        let kept = self.crest.pick_le(self.crest.mul(self.kept), one, self.left);
        self.left = self.hold.pick_le(self.left.sub(one), self.crest, size);
        self.crest = size.max(kept);
        self.crest
    }
}

/// A crest as a level in octaves below full scale.
#[inline(always)]
fn level<V: Lanes>(crest: V) -> V {
    crest.max(V::splat(LOWEST_LEVEL)).log2()
}

/// Values one frame further on their ways.
#[inline(always)]
fn advance<V: Lanes, const N: usize>(now: &mut [V; N], steps: &[V; N]) {
    for value in 0..N {
        now[value] = now[value].add(steps[value]);
    }
}

/// Moves a reduction towards its aim: by `attack` on the way up, by `release` on the way down.
#[inline(always)]
fn follow<V: Lanes>(reduction: V, aim: V, attack: V, release: V) -> V {
    let gain = release.pick_le(attack, aim, reduction);
    reduction.add(aim.sub(reduction).mul(gain))
}

/// A reduction at a grid line.
#[inline(always)]
fn settled<V: Lanes>(reduction: V, grid: bool) -> V {
    if grid { reduction.where_le(V::splat(NO_REDUCTION), reduction) } else { reduction }
}

/// What each of the three stages keeps.
#[derive(Clone, Debug)]
struct Stage<const N: usize> {
    values: Glides<N>,
    detector: Detector,
    reduction: Row,
    /// Highest reduction since it was last taken, in octaves.
    most: Row,
    /// One bit for each lane that does something.
    busy: u16,
}

impl<const N: usize> Stage<N> {
    fn new(values: [f32; N], rate: SampleRate) -> Self {
        Self {
            values: Glides::at(values),
            detector: Detector::new(rate),
            reduction: [0.0; LANES],
            most: [0.0; LANES],
            busy: 0,
        }
    }

    fn rest(&mut self, lane: usize) {
        self.detector.rest(lane);
        self.reduction[lane] = 0.0;
    }

    /// Aims a value; a lane in which the stage is off takes all but those that switch it on at once.
    fn set(&mut self, lane: usize, value: usize, to: f32, at_once: bool, switches: bool) {
        let off = self.busy & (1 << lane) == 0;
        self.values.set(lane, value, to, at_once || (off && !switches));
    }

    fn copy(&mut self, lane: usize, other: &Self, of: usize) {
        self.values.copy(lane, &other.values, of);
        self.busy = (self.busy & !(1 << lane)) | (other.busy >> of & 1) << lane;
    }

    /// `switches` are the values that are all 0 in a lane in which the stage is off.
    fn settle(&mut self, gain: f32, frames: f32, switches: &[usize]) {
        if self.values.settle(gain, frames) {
            self.busy = 0;
            for lane in 0..LANES {
                let off = |value: &usize| self.values.ends(lane, *value).iter().all(|end| *end == 0.0);
                self.busy |= u16::from(!switches.iter().all(off)) << lane;
            }
        }
    }

    fn at_rest(&self) -> bool {
        !self.values.moving() && all_zero(&[self.detector.crest, self.reduction])
    }

    fn take(&mut self) -> Row {
        std::mem::replace(&mut self.most, [0.0; LANES])
    }
}

macro_rules! stage {
    ($name:ident, $values:literal, $switches:expr) => {
        impl $name {
            /// How many values it has.
            pub const VALUES: usize = $values;

            /// Aims one of its values in a lane; the values are described at the type.
            ///
            /// Real-time: safe
            pub fn set(&mut self, lane: usize, value: usize, to: f32, at_once: bool) {
                if self.stage.busy & (1 << lane) == 0 {
                    self.rest(lane);
                }
                self.stage.set(lane, value, to, at_once, $switches.contains(&value));
            }

            /// Off in a lane, from the next frame on.
            ///
            /// Real-time: safe
            pub fn clear(&mut self, lane: usize) {
                for (value, off) in Self::OFF.into_iter().enumerate() {
                    self.stage.values.set(lane, value, off, true);
                }
                self.rest(lane);
                self.stage.busy &= !(1 << lane);
            }

            /// Gives a lane the values of another, and their ways; it starts from rest.
            ///
            /// Real-time: safe
            pub fn copy(&mut self, lane: usize, other: &Self, of: usize) {
                self.rest(lane);
                self.stage.copy(lane, &other.stage, of);
            }

            /// At a grid line; as [`Glides::settle`].
            ///
            /// Real-time: safe
            pub fn settle(&mut self, gain: f32, frames: f32) {
                self.stage.settle(gain, frames, &$switches);
            }

            /// Whether any lane does something.
            ///
            /// Real-time: safe
            #[must_use]
            pub const fn busy(&self) -> bool {
                self.stage.busy != 0
            }

            /// Whether it remembers nothing, so that silence gives silence.
            ///
            /// Real-time: safe
            #[must_use]
            pub fn at_rest(&self) -> bool {
                self.own_at_rest()
            }

            /// The highest reduction of each lane since this was last asked, in octaves.
            ///
            /// Real-time: safe
            pub fn take_reduction(&mut self) -> Row {
                self.stage.take()
            }
        }
    };
}

/// A compressor. Values: threshold in octaves, `1 - 1/ratio`, knee in octaves, attack and release as [`gain_per_frame`],
/// make-up gain in octaves. Off is a second and a last value of 0.
#[derive(Clone, Debug)]
pub struct Compressor {
    stage: Stage<6>,
}

stage!(Compressor, 6, [1_usize, 5]);

impl Compressor {
    /// The values of a lane that was never told.
    pub const OFF: [f32; 6] = [0.0, 0.0, 0.0, 0.01, 0.001, 0.0];

    /// Off in every lane.
    ///
    /// Real-time: never
    #[must_use]
    pub fn new(rate: SampleRate) -> Self {
        Self { stage: Stage::new(Self::OFF, rate) }
    }

    fn own_at_rest(&self) -> bool {
        self.stage.at_rest()
    }

    fn rest(&mut self, lane: usize) {
        self.stage.rest(lane);
    }
}

/// A gate or expander. Values: threshold in octaves, hysteresis in octaves (it closes that much below), `ratio - 1`, range
/// in octaves (how far it closes at most; 0 is off), attack (opening) and release (closing) as [`gain_per_frame`], hold in
/// frames.
#[derive(Clone, Debug)]
pub struct Gate {
    stage: Stage<7>,
    /// 1 open, 0 closed.
    open: Row,
    hold: Row,
    /// 1 for a lane that was open at any time since it was last asked.
    opened: Row,
    /// Where the reduction went in the last frame.
    aimed: Row,
}

stage!(Gate, 7, [3_usize]);

impl Gate {
    /// The values of a lane that was never told.
    pub const OFF: [f32; 7] = [0.0, 0.0, 0.0, 0.0, 0.01, 0.001, 0.0];

    /// Off in every lane.
    ///
    /// Real-time: never
    #[must_use]
    pub fn new(rate: SampleRate) -> Self {
        let zero = [0.0; LANES];
        Self { stage: Stage::new(Self::OFF, rate), open: zero, hold: zero, opened: zero, aimed: zero }
    }

    /// Which lanes were open at any time since this was last asked: 1, else 0.
    ///
    /// Real-time: safe
    pub fn take_opened(&mut self) -> Row {
        std::mem::replace(&mut self.opened, [0.0; LANES])
    }

    fn rest(&mut self, lane: usize) {
        self.stage.rest(lane);
        self.open[lane] = 0.0;
        self.hold[lane] = 0.0;
        self.opened[lane] = 0.0;
    }

    /// A gate that is closed over silence stays so, when another frame would not move its reduction by a bit.
    fn own_at_rest(&self) -> bool {
        let still = |lane: usize| {
            let (reduction, aim) = (self.stage.reduction[lane], self.aimed[lane]);
            // The arithmetic of `follow`.
            let gain = self.stage.values.now[if aim <= reduction { 4 } else { 5 }][lane];
            (reduction + (aim - reduction) * gain).to_bits() == reduction.to_bits()
        };
        let held = self.hold.iter().any(|frames| *frames >= 1.0);
        let over = !held && all_zero(&[self.open, self.stage.detector.crest]);
        over && !self.stage.values.moving() && (0..LANES).all(still)
    }
}

/// A de-esser: cuts a bell around its frequency by as much as that band is above the threshold. Values: `g` of the band
/// (the tangent of the angle of half a sample), threshold in octaves, range in octaves (0 is off).
#[derive(Clone, Debug)]
pub struct DeEsser {
    stage: Stage<3>,
    band: [Row; 2],
    attack: f32,
    release: f32,
}

stage!(DeEsser, 3, [2_usize]);

impl DeEsser {
    /// The values of a lane that was never told.
    pub const OFF: [f32; 3] = [0.4, 0.0, 0.0];
    /// How narrow its band is: `1/Q`.
    const K: f32 = 0.7;

    /// Off in every lane.
    ///
    /// Real-time: never
    #[must_use]
    pub fn new(rate: SampleRate) -> Self {
        Self {
            stage: Stage::new(Self::OFF, rate),
            band: [[0.0; LANES]; 2],
            attack: gain_per_frame(DE_ESS_ATTACK_MS, rate),
            release: gain_per_frame(DE_ESS_RELEASE_MS, rate),
        }
    }

    fn rest(&mut self, lane: usize) {
        self.stage.rest(lane);
        self.band[0][lane] = 0.0;
        self.band[1][lane] = 0.0;
    }

    fn own_at_rest(&self) -> bool {
        self.stage.at_rest() && all_zero(&self.band)
    }
}

/// One segment through a stage.
#[derive(Debug)]
pub struct Through<'a, S> {
    /// The stage.
    pub stage: &'a mut S,
    /// 1 for each lane that listens to its neighbour too, else 0.
    pub linked: &'a Row,
    /// The samples, replaced by what comes out.
    pub audio: &'a mut [Row],
    /// Whether the segment starts at a grid line.
    pub grid: bool,
}

impl Kernel for Through<'_, Compressor> {
    type Output = ();

    #[inline(always)]
    fn run<V: Lanes>(self) {
        self.compress::<V, false>(&mut []);
    }
}

/// The same, and its gains frame by frame for whoever has to have them too.
#[derive(Debug)]
pub struct Kept<'a> {
    /// The segment.
    pub through: Through<'a, Compressor>,
    /// Where the gains go; at least as many as there are samples.
    pub gains: &'a mut [Row],
}

impl Kernel for Kept<'_> {
    type Output = ();

    #[inline(always)]
    fn run<V: Lanes>(self) {
        self.through.compress::<V, true>(self.gains);
    }
}

/// What does not change from frame to frame while a compressor stands still.
#[derive(Clone, Copy)]
struct Knee<V> {
    from: V,
    to: V,
    /// `1 / (2 W)`.
    bent: V,
}

impl<V: Lanes> Knee<V> {
    #[inline(always)]
    fn new(threshold: V, knee: V) -> Self {
        let half = V::splat(0.5);
        let half_knee = knee.mul(half);
        let bent = half.div(knee.max(V::splat(KNEE_LEAST)));
        Self { from: threshold.sub(half_knee), to: threshold.add(half_knee), bent }
    }
}

impl Through<'_, Compressor> {
    #[inline(always)]
    fn compress<V: Lanes, const KEPT: bool>(self, gains: &mut [Row]) {
        let stage = &mut self.stage.stage;
        let mut now: [V; 6] = loaded(&stage.values.now);
        let steps: [V; 6] = loaded(&stage.values.step);
        let moving = stage.values.moving();
        let mut detector: Detecting<V> = stage.detector.load(self.linked, self.grid);
        let mut reduction = settled(V::load(&stage.reduction), self.grid);
        let mut most = V::load(&stage.most);
        let zero = V::splat(0.0);
        let mut knee = Knee::new(now[0], now[2]);
        for (pass, rows) in self.audio.chunks_mut(PASS).enumerate() {
            let mut levels = [zero; PASS];
            let levels = &mut levels[..rows.len()];
            detector.levels(rows, levels);
            for (frame, (row, level)) in rows.iter_mut().zip(levels).enumerate() {
                if moving {
                    advance(&mut now, &steps);
                    knee = Knee::new(now[0], now[2]);
                }
                let within = level.sub(knee.from).max(zero).min(now[2]);
                let above = level.sub(knee.to).max(zero);
                let aim = now[1].mul(within.mul(within).mul(knee.bent).add(above)).min(V::splat(MOST_REDUCTION));
                reduction = follow(reduction, aim, now[3], now[4]);
                most = reduction.max(most);
                let gain = reduction.sub(now[5]).half_to();
                V::load(row).mul(gain).store(row);
                if KEPT {
                    gain.store(&mut gains[pass * PASS + frame]);
                }
            }
        }
        stored(now, &mut stage.values.now);
        stage.detector.store(detector);
        reduction.store(&mut stage.reduction);
        most.store(&mut stage.most);
    }
}

impl Kernel for Through<'_, Gate> {
    type Output = ();

    #[inline(always)]
    fn run<V: Lanes>(self) {
        let Gate { stage, open: was_open, hold: held, opened, aimed } = self.stage;
        let mut now: [V; 7] = loaded(&stage.values.now);
        let steps: [V; 7] = loaded(&stage.values.step);
        let mut detector: Detecting<V> = stage.detector.load(self.linked, self.grid);
        let mut reduction = settled(V::load(&stage.reduction), self.grid);
        let (mut most, mut ever) = (V::load(&stage.most), V::load(opened));
        let (mut open, mut left, mut aim) = (V::load(was_open), V::load(held), V::load(aimed));
        let (zero, one) = (V::splat(0.0), V::splat(1.0));
        let moving = stage.values.moving();
        let mut closing = now[0].sub(now[1]);
        for rows in self.audio.chunks_mut(PASS) {
            let mut levels = [zero; PASS];
            let levels = &mut levels[..rows.len()];
            detector.levels(rows, levels);
            for (row, level) in rows.iter_mut().zip(levels) {
                let level = *level;
                if moving {
                    advance(&mut now, &steps);
                    closing = now[0].sub(now[1]);
                }
                let [threshold, _, slope, range, attack, release, hold] = now;
                left = hold.pick_le(left.sub(one), closing, level);
                // Below the lower threshold it stays open until the hold is over; above the upper one it opens.
                let stays = open.pick_le(open.where_le(one, left), closing, level);
                open = one.pick_le(stays, threshold, level);
                ever = open.max(ever);
                let below = threshold.sub(level).max(zero).mul(slope).min(range);
                aim = below.sub(below.mul(open));
                // For a gate the way up of the reduction is its release.
                reduction = follow(reduction, aim, release, attack);
                most = reduction.max(most);
                V::load(row).mul(reduction.half_to()).store(row);
            }
        }
        stored(now, &mut stage.values.now);
        stage.detector.store(detector);
        reduction.store(&mut stage.reduction);
        most.store(&mut stage.most);
        open.store(was_open);
        left.store(held);
        ever.store(opened);
        aim.store(aimed);
    }
}

impl Kernel for Through<'_, DeEsser> {
    type Output = ();

    #[inline(always)]
    fn run<V: Lanes>(self) {
        let DeEsser { stage, band, attack, release } = self.stage;
        let mut now: [V; 3] = loaded(&stage.values.now);
        let steps: [V; 3] = loaded(&stage.values.step);
        let mut detector: Detecting<V> = stage.detector.load(self.linked, self.grid);
        let mut reduction = settled(V::load(&stage.reduction), self.grid);
        let mut most = V::load(&stage.most);
        let mut states: [V; 2] = loaded(band);
        if self.grid {
            states = [flushed(states[0]), flushed(states[1])];
        }
        let (attack, release) = (V::splat(*attack), V::splat(*release));
        let (zero, one, two, k) = (V::splat(0.0), V::splat(1.0), V::splat(2.0), V::splat(DeEsser::K));
        let moving = stage.values.moving();
        // A division per frame would be the longest wait of the loop.
        let mut inverse = one.div(now[0].mul(now[0].add(k)).add(one));
        for rows in self.audio.chunks_mut(PASS) {
            let (mut hisses, mut levels) = ([[0.0; LANES]; PASS], [zero; PASS]);
            let (hisses, levels) = (&mut hisses[..rows.len()], &mut levels[..rows.len()]);
            let mut g = now[0];
            for (row, hiss) in rows.iter().zip(hisses.iter_mut()) {
                if moving {
                    g = g.add(steps[0]);
                    inverse = one.div(g.mul(g.add(k)).add(one));
                }
                let v = states[0].add(g.mul(V::load(row).sub(states[1]))).mul(inverse);
                states = [v.mul(two).sub(states[0]), states[1].add(g.mul(v).mul(two))];
                k.mul(v).store(hiss);
            }
            detector.levels(hisses, levels);
            for (row, (hiss, level)) in rows.iter_mut().zip(hisses.iter().zip(levels)) {
                if moving {
                    advance(&mut now, &steps);
                }
                let aim = level.sub(now[1]).max(zero).mul(V::splat(DE_ESS_SLOPE)).min(now[2]);
                reduction = follow(reduction, aim, attack, release);
                most = reduction.max(most);
                V::load(row).add(reduction.half_to().sub(one).mul(V::load(hiss))).store(row);
            }
        }
        stored(now, &mut stage.values.now);
        stored(states, band);
        stage.detector.store(detector);
        reduction.store(&mut stage.reduction);
        most.store(&mut stage.most);
    }
}
