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
use crate::dsp::lanes::{Kernel, LANES, Lanes, Row, TICK, all_zero, loaded, stored};
use crate::dsp::math::exp;
use crate::dsp::section::{Filter, Section, Taken, band, flushed};
use crate::units::SampleRate;

/// How long the detector holds a crest, and how fast it then falls.
const CREST_MS: f64 = 10.0;
/// A reduction below this is none: less than 1e-6 dB.
const NO_REDUCTION: f32 = 1.0e-7;
/// No compressor takes off more than this many octaves, whatever comes in: beyond, powers are wrong.
const MOST_REDUCTION: f32 = 100.0;
/// No gate hears less than this, in octaves; what a logarithm says of 0 is not the same everywhere.
const LEVEL_LEAST: f32 = -100.0;
/// A knee is at least this wide, so that nothing is divided by 0.
const KNEE_LEAST: f32 = 1.0e-4;
/// The de-esser's ratio above its threshold, and its times. Common practice, no source.
const DE_ESS_SLOPE: f32 = 0.8;
const DE_ESS_ATTACK_MS: f64 = 1.0;
const DE_ESS_RELEASE_MS: f64 = 60.0;

/// Frames worked on abreast, at most.
const ABREAST: usize = 2;
/// A sample is heard so many frames before its gain is there, at most.
const HEARD_AHEAD: usize = 4 * ABREAST;

/// What makes the three stages different.
trait Stage<V: Lanes> {
    /// Whether anything stands before the stage.
    const BEHIND: bool = false;
    /// At a grid line within the segment.
    #[inline(always)]
    fn flush(&mut self) {}
    /// What becomes of a sample before anything else.
    #[inline(always)]
    fn before(&mut self, x: V) -> V {
        x
    }
    /// What the detector hears of the sample of a frame.
    #[inline(always)]
    fn hear(&mut self, _at: usize, x: V) -> V {
        x
    }
    /// What reduction a level asks for.
    fn aim(&mut self, level: V) -> V;
    /// What becomes of the sample of a frame.
    fn apply(&mut self, at: usize, x: V, gain: V) -> V;
}

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
#[repr(align(64))]
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
    fn load<V: Lanes>(&self, linked: &Row, any_linked: bool, grid: bool) -> Detecting<V> {
        let crest = V::load(&self.crest);
        Detecting {
            crest: if grid { flushed(crest) } else { crest },
            left: V::load(&self.frames_left),
            any_linked,
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
    /// The highest magnitude of late.
    #[inline(always)]
    fn crest(&mut self, x: V) -> V {
        let one = V::splat(1.0);
        let mut size = x.abs();
        if self.any_linked {
            size = size.max(size.neighbours().mul(self.linked));
        }
        let kept = self.crest.pick_le(self.crest.mul(self.kept), one, self.left);
        self.left = self.hold.pick_le(self.left.sub(one), self.crest, size);
        self.crest = size.max(kept);
        self.crest
    }
}

/// Values one frame further on their ways.
#[inline(always)]
fn advance<V: Lanes, const N: usize>(now: &mut [V; N], steps: &[V; N]) {
    for value in 0..N {
        now[value] = now[value].add(steps[value]);
    }
}

/// A reduction that follows its aim: by `attack` on the way up, by `release` on the way down.
struct Following<V> {
    reduction: V,
    most: V,
    /// Attack, release, and what is given back whatever the reduction.
    values: [V; 3],
    /// What they gain per frame, if any does.
    steps: Option<[V; 3]>,
}

impl<V: Lanes> Following<V> {
    /// One frame on; in octaves, less what is given back.
    #[inline(always)]
    fn next(&mut self, aim: V) -> V {
        if let Some(steps) = &self.steps {
            advance(&mut self.values, steps);
        }
        let [attack, release, given_back] = self.values;
        let gain = release.pick_le(attack, aim, self.reduction);
        self.reduction = self.reduction.add(aim.sub(self.reduction).mul(gain));
        self.most = self.reduction.max(self.most);
        self.reduction.sub(given_back)
    }
}

/// A reduction at a grid line.
#[inline(always)]
fn settled<V: Lanes>(reduction: V) -> V {
    reduction.where_le(V::splat(NO_REDUCTION), reduction)
}

/// Whether a grid line lies before a frame, within the segment.
#[inline(always)]
const fn at_line(frame: usize) -> bool {
    frame > 0 && frame.is_multiple_of(TICK)
}

/// A stage between its detector and its gain.
struct Chain<'a, V, S> {
    stage: &'a mut S,
    detector: Detecting<V>,
    following: Following<V>,
}

impl<V: Lanes, S: Stage<V>> Chain<'_, V, S> {
    /// A frame's own chain of logarithm, curve, one-pole and power is so long that the processor would wait for it. So while
    /// some frames have their crests taken, those before them are on their way to a level, those before these to a reduction,
    /// and those before these to a gain; as many abreast as the registers hold.
    #[inline(always)]
    fn run(&mut self, rows: &mut [Row]) {
        let done = match V::CHAINS {
            1 => self.run_abreast::<1>(rows),
            _ => self.run_abreast::<ABREAST>(rows),
        };
        for at in done..rows.len() {
            let crests: [V; 1] = self.listen(rows, at);
            let reductions = self.follow(at, V::log2(crests));
            self.apply(rows, at, reductions);
        }
    }

    /// Says how many it did.
    #[inline(always)]
    fn run_abreast<const N: usize>(&mut self, rows: &mut [Row]) -> usize {
        let blocks = rows.len() / N;
        if blocks < 3 {
            return 0;
        }
        let mut levels = V::log2(self.listen::<N>(rows, 0));
        let mut crests = self.listen::<N>(rows, N);
        let mut reductions = self.follow(0, levels);
        levels = V::log2(crests);
        crests = self.listen(rows, 2 * N);
        for block in 3..blocks {
            self.apply(rows, (block - 3) * N, reductions);
            reductions = self.follow((block - 2) * N, levels);
            levels = V::log2(crests);
            crests = self.listen(rows, block * N);
        }
        self.apply(rows, (blocks - 3) * N, reductions);
        reductions = self.follow((blocks - 2) * N, levels);
        self.apply(rows, (blocks - 2) * N, reductions);
        reductions = self.follow((blocks - 1) * N, V::log2(crests));
        self.apply(rows, (blocks - 1) * N, reductions);
        blocks * N
    }

    #[inline(always)]
    fn listen<const N: usize>(&mut self, rows: &mut [Row], start: usize) -> [V; N] {
        const { assert!(TICK.is_multiple_of(N), "a grid line lies before a block") };
        if at_line(start) {
            self.detector.crest = flushed(self.detector.crest);
            self.stage.flush();
        }
        let mut crests = [V::splat(0.0); N];
        for index in 0..N {
            let row = &mut rows[start + index];
            let mut x = V::load(row);
            if S::BEHIND {
                x = self.stage.before(x);
                x.store(row);
            }
            let heard = self.stage.hear(start + index, x);
            crests[index] = self.detector.crest(heard);
        }
        crests
    }

    #[inline(always)]
    fn follow<const N: usize>(&mut self, start: usize, mut values: [V; N]) -> [V; N] {
        if at_line(start) {
            self.following.reduction = settled(self.following.reduction);
        }
        for value in &mut values {
            *value = self.following.next(self.stage.aim(*value));
        }
        values
    }

    #[inline(always)]
    fn apply<const N: usize>(&mut self, rows: &mut [Row], start: usize, reductions: [V; N]) {
        let gains = V::half_to(reductions);
        for index in 0..N {
            let row = &mut rows[start + index];
            self.stage.apply(start + index, V::load(row), gains[index]).store(row);
        }
    }
}

/// What each of the three stages keeps.
#[derive(Clone, Debug)]
struct Keeping<const N: usize> {
    values: Glides<N>,
    detector: Detector,
    reduction: Row,
    /// Highest reduction since it was last taken, in octaves.
    most: Row,
    /// One bit for each lane that does something.
    busy: u16,
    /// Whether one of these is off and only gives back what it took off.
    fading: bool,
    /// One bit for each lane that was told anything since it was cleared.
    told: u16,
}

impl<const N: usize> Keeping<N> {
    fn new(values: [f32; N], rate: SampleRate) -> Self {
        Self {
            values: Glides::at(values),
            detector: Detector::new(rate),
            reduction: [0.0; LANES],
            most: [0.0; LANES],
            busy: 0,
            fading: false,
            told: 0,
        }
    }

    fn rest(&mut self, lane: usize) {
        self.detector.rest(lane);
        self.reduction[lane] = 0.0;
    }

    /// Aims a value; a lane in which the stage is off takes all but those that switch it on at once.
    fn set(&mut self, lane: usize, value: usize, to: f32, at_once: bool, switches: bool) {
        let off = self.busy & (1 << lane) == 0;
        self.told |= 1 << lane;
        self.values.set(lane, value, to, at_once || (off && !switches));
    }

    fn copy(&mut self, lane: usize, other: &Self, of: usize) {
        self.values.copy(lane, &other.values, of);
        self.busy = (self.busy & !(1 << lane)) | (other.busy >> of & 1) << lane;
        self.told |= 1 << lane;
    }

    /// `switches` are the values that are all 0 in a lane in which the stage is off.
    #[inline(always)]
    fn settle<V: Lanes, const S: usize>(&mut self, gain: f32, frames: f32, switches: [usize; S]) {
        if self.values.settle::<V>(gain, frames) || self.fading {
            let off = self.values.standing::<V>(&switches.map(|value| (value, 0.0)));
            // A gain that is still on its way back would jump if the stage were not run any more.
            let takes_off = (0..LANES).fold(0, |bits, lane| bits | u16::from(self.reduction[lane] > 0.0) << lane);
            self.busy = !off | takes_off;
            self.fading = off & takes_off != 0;
        }
    }

    const fn moving(&self) -> bool {
        self.values.moving() || self.fading
    }

    fn at_rest(&self) -> bool {
        !self.values.moving() && all_zero(&[self.detector.crest, self.reduction])
    }

    fn take(&mut self) -> Row {
        std::mem::replace(&mut self.most, [0.0; LANES])
    }

    /// One segment through a stage; `values` are those of [`Following`].
    #[inline(always)]
    fn run<V: Lanes>(
        &mut self,
        stage: &mut impl Stage<V>,
        values: [V; 3],
        steps: Option<[V; 3]>,
        linked: &Row,
        audio: &mut [Row],
        grid: bool,
    ) {
        let mut reduction = V::load(&self.reduction);
        if grid {
            reduction = settled(reduction);
        }
        let following = Following { reduction, most: V::load(&self.most), values, steps };
        // Apart, so that it is compiled for either.
        if all_zero(std::slice::from_ref(linked)) {
            self.run_chain(Chain { stage, detector: self.detector.load(linked, false, grid), following }, audio);
        } else {
            self.run_chain(Chain { stage, detector: self.detector.load(linked, true, grid), following }, audio);
        }
    }

    #[inline(always)]
    fn run_chain<V: Lanes>(&mut self, mut chain: Chain<'_, V, impl Stage<V>>, audio: &mut [Row]) {
        chain.run(audio);
        self.detector.store(chain.detector);
        chain.following.reduction.store(&mut self.reduction);
        chain.following.most.store(&mut self.most);
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
                self.rest(lane);
                if self.stage.told & (1 << lane) == 0 {
                    return;
                }
                for (value, off) in Self::OFF.into_iter().enumerate() {
                    self.stage.values.set(lane, value, off, true);
                }
                self.stage.busy &= !(1 << lane);
                self.stage.told &= !(1 << lane);
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
            #[inline(always)]
            pub fn settle<V: Lanes>(&mut self, gain: f32, frames: f32) {
                self.stage.settle::<V, _>(gain, frames, $switches);
            }

            /// Whether any of its values may move before the next grid line.
            ///
            /// Real-time: safe
            #[must_use]
            pub const fn moving(&self) -> bool {
                self.stage.moving()
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
    stage: Keeping<6>,
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
        Self { stage: Keeping::new(Self::OFF, rate) }
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
    stage: Keeping<7>,
    /// 1 open, 0 closed.
    open: Row,
    hold: Row,
    /// 1 for a lane that was open at any time since it was last asked.
    opened: Row,
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
        Self { stage: Keeping::new(Self::OFF, rate), open: zero, hold: zero, opened: zero }
    }

    /// Silence while it is at rest, without a run: what it takes off it goes on to take off.
    ///
    /// Real-time: safe
    pub fn pass_silence(&mut self) {
        for (most, reduction) in self.stage.most.iter_mut().zip(&self.stage.reduction) {
            *most = reduction.max(*most);
        }
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
        let [threshold, _, slope, range, ..] = &self.stage.values.now;
        let still = |lane: usize| {
            // The arithmetic of `Gating::aim` and `Following::next`.
            let aim = ((threshold[lane] - LEVEL_LEAST).max(0.0) * slope[lane]).min(range[lane]);
            let reduction = self.stage.reduction[lane];
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
    stage: Keeping<3>,
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
            stage: Keeping::new(Self::OFF, rate),
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
    /// The samples, replaced by what comes out; more than a tick of them only from a grid line on and while nothing moves.
    pub audio: &'a mut [Row],
    /// Whether the segment starts at a grid line.
    pub grid: bool,
}

/// What does not change from frame to frame while a compressor stands still.
#[derive(Clone, Copy)]
struct Knee<V> {
    from: V,
    /// `1 / (2 W)`.
    bent: V,
}

impl<V: Lanes> Knee<V> {
    #[inline(always)]
    fn new(threshold: V, knee: V) -> Self {
        let half = V::splat(0.5);
        let half_knee = knee.mul(half);
        let bent = half.div(knee.max(V::splat(KNEE_LEAST)));
        Self { from: threshold.sub(half_knee), bent }
    }
}

/// A compressor at work.
struct Compressing<'a, V> {
    now: [V; 6],
    /// What each value gains per frame, if any does.
    steps: Option<[V; 6]>,
    knee: Knee<V>,
    /// Where the gains go, if they are kept.
    gains: Option<&'a mut [Row]>,
}

impl<V: Lanes> Stage<V> for Compressing<'_, V> {
    #[inline(always)]
    fn aim(&mut self, level: V) -> V {
        if let Some(steps) = &self.steps {
            advance(&mut self.now, steps);
            self.knee = Knee::new(self.now[0], self.now[2]);
        }
        let over = level.sub(self.knee.from).max(V::splat(0.0)).min(V::splat(MOST_REDUCTION));
        let within = over.min(self.now[2]);
        // Above the knee stands what is above its lower end and not within.
        self.now[1].mul(within.mul(within).mul(self.knee.bent).add(over.sub(within)))
    }

    #[inline(always)]
    fn apply(&mut self, at: usize, x: V, gain: V) -> V {
        if let Some(gains) = &mut self.gains {
            gain.store(&mut gains[at]);
        }
        x.mul(gain)
    }
}

impl Through<'_, Compressor> {
    #[inline(always)]
    fn compress<V: Lanes>(self, gains: Option<&mut [Row]>) {
        match self.stage.stage.values.on_their_way::<V>() {
            (now, None) => self.compress_from(now, None, gains),
            (now, steps) => self.compress_from(now, steps, gains),
        }
    }

    #[inline(always)]
    fn compress_from<V: Lanes>(self, now: [V; 6], steps: Option<[V; 6]>, gains: Option<&mut [Row]>) {
        let kept = &mut self.stage.stage;
        let values = [now[3], now[4], now[5]];
        let mut value_steps = None;
        if let Some(s) = &steps {
            value_steps = Some([s[3], s[4], s[5]]);
        }
        let mut stage = Compressing { now, steps, knee: Knee::new(now[0], now[2]), gains };
        kept.run(&mut stage, values, value_steps, self.linked, self.audio, self.grid);
        stored(stage.now, &mut kept.values.now);
    }
}

impl Kernel for Through<'_, Compressor> {
    type Output = ();

    #[inline(always)]
    fn run<V: Lanes>(self) {
        self.compress::<V>(None);
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
        self.through.compress::<V>(Some(self.gains));
    }
}

/// A gate at work, behind sections of a filter that stand still.
struct Gating<V, const H: usize> {
    before: [Taken<V>; H],
    now: [V; 7],
    steps: Option<[V; 7]>,
    /// The lower threshold.
    closing: V,
    open: V,
    left: V,
    ever: V,
}

impl<V: Lanes, const H: usize> Stage<V> for Gating<V, H> {
    const BEHIND: bool = H > 0;

    #[inline(always)]
    fn flush(&mut self) {
        for section in &mut self.before {
            section.flush();
        }
    }

    #[inline(always)]
    fn before(&mut self, mut x: V) -> V {
        for section in &mut self.before {
            x = section.step(x);
        }
        x
    }

    #[inline(always)]
    fn aim(&mut self, level: V) -> V {
        if let Some(steps) = &self.steps {
            advance(&mut self.now, steps);
            self.closing = self.now[0].sub(self.now[1]);
        }
        let [threshold, _, slope, range, _, _, hold] = self.now;
        let (zero, one, closing) = (V::splat(0.0), V::splat(1.0), self.closing);
        let level = level.max(V::splat(LEVEL_LEAST));
        self.left = hold.pick_le(self.left.sub(one), closing, level);
        // Below the lower threshold it stays open until the hold is over; above the upper one it opens.
        let stays = self.open.pick_le(self.open.where_le(one, self.left), closing, level);
        self.open = one.pick_le(stays, threshold, level);
        self.ever = self.open.max(self.ever);
        let below = threshold.sub(level).max(zero).mul(slope).min(range);
        below.sub(below.mul(self.open))
    }

    #[inline(always)]
    fn apply(&mut self, _: usize, x: V, gain: V) -> V {
        x.mul(gain)
    }
}

impl Kernel for Through<'_, Gate> {
    type Output = ();

    #[inline(always)]
    fn run<V: Lanes>(self) {
        match self.stage.stage.values.on_their_way::<V>() {
            (now, None) => _ = self.gate_from(now, None, []),
            (now, steps) => _ = self.gate_from(now, steps, []),
        }
    }
}

/// A gate behind sections of a filter, the last of them in one go with it where the registers hold both: alone, it would wait
/// for itself.
#[derive(Debug)]
pub struct Behind<'a> {
    /// What comes first.
    pub sections: &'a mut [Section],
    /// The gate.
    pub through: Through<'a, Gate>,
}

impl Kernel for Behind<'_> {
    type Output = ();

    #[inline(always)]
    fn run<V: Lanes>(self) {
        let Behind { sections, through } = self;
        let still = V::CHAINS > 2 && !through.stage.moving();
        let last = sections.iter().rposition(Section::busy).filter(|last| still && !sections[*last].moving());
        let (first, last) = sections.split_at_mut(last.unwrap_or(sections.len()));
        for audio in through.audio.chunks_mut(TICK) {
            Filter { sections: &mut *first, audio, grid: through.grid }.run::<V>();
        }
        match (through.stage.stage.values.on_their_way::<V>(), last.first_mut()) {
            ((now, None), Some(section)) => {
                let taken = section.take(through.grid);
                let [taken] = through.gate_from(now, None, [taken]);
                section.put_back(taken);
            }
            _ => through.run::<V>(),
        }
    }
}

impl Through<'_, Gate> {
    #[inline(always)]
    fn gate_from<V: Lanes, const H: usize>(
        self,
        now: [V; 7],
        steps: Option<[V; 7]>,
        before: [Taken<V>; H],
    ) -> [Taken<V>; H] {
        let Gate { stage: kept, open, hold, opened } = self.stage;
        let zero = V::splat(0.0);
        // For a gate the way up of the reduction is its release.
        let values = [now[5], now[4], zero];
        let mut value_steps = None;
        if let Some(s) = &steps {
            value_steps = Some([s[5], s[4], zero]);
        }
        let [was_open, left, ever] = [V::load(open), V::load(hold), V::load(opened)];
        let closing = now[0].sub(now[1]);
        let mut stage = Gating { before, now, steps, closing, open: was_open, left, ever };
        kept.run(&mut stage, values, value_steps, self.linked, self.audio, self.grid);
        stored(stage.now, &mut kept.values.now);
        stage.open.store(open);
        stage.left.store(hold);
        stage.ever.store(opened);
        stage.before
    }
}

/// A de-esser at work.
struct Hissing<V> {
    now: [V; 3],
    steps: Option<[V; 3]>,
    /// `g` of the band: it is ahead of the values, as what is heard is.
    g: V,
    /// As in [`section`](crate::dsp::section): `c1`, `c2`.
    still: [V; 2],
    states: [V; 2],
    /// What was heard of the last frames.
    hisses: [V; HEARD_AHEAD],
}

impl<V: Lanes> Hissing<V> {
    #[inline(always)]
    fn worked_out(g: V) -> [V; 2] {
        let c1 = V::splat(2.0).div(g.mul(g.add(V::splat(DeEsser::K))).add(V::splat(1.0)));
        [c1, g.mul(c1)]
    }
}

impl<V: Lanes> Stage<V> for Hissing<V> {
    #[inline(always)]
    fn flush(&mut self) {
        self.states = [flushed(self.states[0]), flushed(self.states[1])];
    }

    #[inline(always)]
    fn hear(&mut self, at: usize, x: V) -> V {
        if let Some(steps) = &self.steps {
            self.g = self.g.add(steps[0]);
            self.still = Self::worked_out(self.g);
        }
        let hiss = band(x, self.still, &mut self.states, self.g).mul(V::splat(0.5 * DeEsser::K));
        self.hisses[at % HEARD_AHEAD] = hiss;
        hiss
    }

    #[inline(always)]
    fn aim(&mut self, level: V) -> V {
        if let Some(steps) = &self.steps {
            advance(&mut self.now, steps);
        }
        level.sub(self.now[1]).max(V::splat(0.0)).mul(V::splat(DE_ESS_SLOPE)).min(self.now[2])
    }

    #[inline(always)]
    fn apply(&mut self, at: usize, x: V, gain: V) -> V {
        x.add(gain.sub(V::splat(1.0)).mul(self.hisses[at % HEARD_AHEAD]))
    }
}

impl Kernel for Through<'_, DeEsser> {
    type Output = ();

    #[inline(always)]
    fn run<V: Lanes>(self) {
        match self.stage.stage.values.on_their_way::<V>() {
            (now, None) => self.de_ess_from(now, None),
            (now, steps) => self.de_ess_from(now, steps),
        }
    }
}

impl Through<'_, DeEsser> {
    #[inline(always)]
    fn de_ess_from<V: Lanes>(self, now: [V; 3], steps: Option<[V; 3]>) {
        let DeEsser { stage: kept, band: memory, attack, release } = self.stage;
        let mut states: [V; 2] = loaded(memory);
        if self.grid {
            states = [flushed(states[0]), flushed(states[1])];
        }
        let zero = V::splat(0.0);
        let (g, still, hisses) = (now[0], Hissing::worked_out(now[0]), [zero; HEARD_AHEAD]);
        let mut stage = Hissing { now, steps, g, still, states, hisses };
        let values = [V::splat(*attack), V::splat(*release), zero];
        kept.run(&mut stage, values, None, self.linked, self.audio, self.grid);
        stored(stage.now, &mut kept.values.now);
        stored(stage.states, memory);
    }
}
