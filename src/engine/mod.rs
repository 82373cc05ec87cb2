//! The mixing engine: feeds -> channels -> buses, level by level -> outputs, one [`Engine::process`].
//!
//! Time is cut on a grid counted from frame 0: a tick of 16 frames, and the meter boundary every 10 ms. A
//! callback of any size is worked off in segments that end at the next grid line or at its own end, and
//! whatever happens per tick happens at grid lines only, so the same commands at the same frames give the
//! same bytes for every callback size. While nothing moves and nothing comes in, a segment goes on over some
//! grid lines, which costs less and gives the same bytes. The engine never learns that MIDI, OSC or a file exists.

mod command;
mod compared;
mod exit;
mod feed;
mod followers;
mod levellers;
pub mod limits;
mod matrix;
mod meter;
pub mod meters;
mod sharing;
mod stages;
mod strip;
pub mod wires;

pub use command::{Bank, Command, DuckingValue, Edit, LevellerValue, Plan, SharingValue, Tap, Target};
pub use compared::Compared;
pub use feed::{Feed, NO_FEED, Sides, Tape};
pub use followers::{Own, Proof};
pub use meter::{GroupReading, MeterFrame, MeterStep};
pub use stages::StageValue;
pub use strip::Times;
pub use wires::Wires;

use crate::dsp::delay::DelayLine;
use crate::dsp::lanes::{Kernel, LANES, Lanes, Vectors, all_zero};
use crate::units::{Decibels, Frames, SampleRate};
use exit::PairExit;
use followers::{Followers, Taken, groups_of};
use levellers::Levellers;
use limits::{
    BUS_COLUMNS, BUS_GROUPS, BUS_LEVELS, FEEDS, FOLLOWED_LEVELS, FOLLOWER_GROUPS, LEVEL_COLUMNS, LEVEL_GROUPS,
    METER_RATE, OUTPUT_COLUMNS, OUTPUT_GROUPS, SOURCE_COLUMNS, SOURCE_GROUPS, SPAN, TICK,
};
use matrix::{ByDestination, Matrix, Part as SumPart, Sum};
use meters::{Measure, Measures, Meters};
use sharing::Sharing;
use stages::Stages;
use std::ops::Range;
use strip::{GroupAudio, Part, Run, Strip, Tapped};

/// Frames for which the proof of the followers looks at one of them.
const PROOF_FRAMES: u64 = 8 * TICK as u64;

/// What the engine meets at its grid lines: commands on their way in, meter frames on their way out.
pub trait Crossing {
    /// Called at grid lines, before the frames behind them are made: apply what has arrived.
    ///
    /// Real-time: safe
    fn at_tick(&mut self, engine: &mut Engine);
    /// After that, in how many frames at the earliest there will be something to apply again. The engine calls at the next
    /// grid line, or leaves some of them out as long as none of them lies that far ahead.
    ///
    /// Real-time: safe
    fn quiet_frames(&self, _engine: &Engine) -> u64 {
        0
    }
    /// Called at every meter boundary with all that was measured and not yet taken; says whether it took it.
    ///
    /// Real-time: safe
    fn at_meter_boundary(&mut self, readings: &MeterFrame) -> bool;
}

/// How the engine is built.
#[derive(Clone, Copy, Debug)]
pub struct Settings {
    /// Frames per second, for the life of the process.
    pub rate: SampleRate,
    /// Which vectors it uses; the bytes are the same.
    pub vectors: Vectors,
    /// Glides of channels.
    pub sources: Times,
    /// Glides of buses.
    pub buses: Times,
    /// Glides of outputs.
    pub outputs: Times,
    /// Highest level of a limited output.
    pub ceiling: Decibels,
}

/// The columns of one bank.
#[derive(Debug)]
struct Columns {
    strips: Box<[Strip]>,
    /// One for each strip, or none for a bank without stages.
    stages: Box<[Stages]>,
    meters: Box<[Meters]>,
    audio: Box<[GroupAudio]>,
    delays: Delays,
    from_outside: bool,
    /// One bit for each group that has a column in use; those whose last one left have it until the next grid line.
    in_use: u64,
    /// One bit for each group in which anything may move before the next grid line.
    unsettled: u64,
}

impl Columns {
    /// Real-time: never
    fn new(groups: usize, times: Times, from_outside: bool, staged: Option<SampleRate>) -> Self {
        assert!(groups < 64, "one bit for each group");
        let stages = staged.map(|rate| vec![Stages::new(rate, times.follow); groups].into_boxed_slice());
        Self {
            stages: stages.unwrap_or_default(),
            strips: vec![Strip::new(times); groups].into_boxed_slice(),
            meters: vec![Meters::new(); groups].into_boxed_slice(),
            audio: vec![GroupAudio::all(0.0); groups].into_boxed_slice(),
            delays: Delays::new(0),
            from_outside,
            in_use: 0,
            unsettled: 0,
        }
    }

    /// With room for delays.
    ///
    /// Real-time: never
    fn with_delays(mut self) -> Self {
        self.delays = Delays::new(self.strips.len());
        self
    }

    /// A strip that will be told something.
    fn strip(&mut self, column: u16) -> (&mut Strip, usize) {
        self.unsettled |= 1 << (usize::from(column) / LANES);
        (&mut self.strips[usize::from(column) / LANES], usize::from(column) % LANES)
    }

    fn settle(&mut self, taps: &mut Taps, vectors: Vectors) {
        for group in places(std::mem::take(&mut self.unsettled)) {
            let strip = &mut self.strips[group];
            if strip.settle(taps.tapped & (1 << group) != 0, vectors) {
                // Nothing runs there any more, and crosspoints from there may still stand: what the last segment left is not to be
                // taken again and again.
                self.audio[group].fill([0.0; LANES]);
                taps.fill_with_silence(group, SPAN);
            }
            self.in_use = (self.in_use & !(1 << group)) | u64::from(strip.in_use()) << group;
            let mut moving = strip.moving();
            if let Some(stages) = self.stages.get_mut(group).filter(|_| strip.in_use()) {
                stages.settle(vectors);
                moving |= stages.moving();
            }
            self.unsettled |= u64::from(moving) << group;
        }
    }

    /// A column comes into use.
    fn begin(&mut self, column: u16) {
        let (group, lane) = (usize::from(column) / LANES, usize::from(column) % LANES);
        self.in_use |= 1 << group;
        self.meters[group].start(lane);
    }

    fn set_stage(&mut self, column: u16, value: StageValue, to: f32, at_once: bool) {
        self.unsettled |= 1 << (usize::from(column) / LANES);
        if let Some(stages) = self.stages.get_mut(usize::from(column) / LANES) {
            stages.set(usize::from(column) % LANES, value, to, at_once);
        }
    }

    fn clear_stages(&mut self, column: u16) {
        if let Some(stages) = self.stages.get_mut(usize::from(column) / LANES) {
            stages.clear(usize::from(column) % LANES);
        }
    }

    fn copy_stages(&mut self, column: u16, of: u16) {
        let (column, of) = (usize::from(column), usize::from(of));
        // A copy on the stack, some 20 kB: both may be in one group.
        if let Some(other) = self.stages.get(of / LANES).cloned()
            && let Some(stages) = self.stages.get_mut(column / LANES)
        {
            stages.copy(column % LANES, &other, of % LANES);
        }
    }

    /// Runs the strips of these groups over `frames`; says which groups came out with sound.
    fn run(&mut self, groups: Range<usize>, vectors: Vectors, frames: usize, grid: bool, taps: &mut Taps) -> u64 {
        let (mut sounding, from_outside) = (0, self.from_outside);
        for group in places(self.in_use & bits(&groups)) {
            let (strip, audio) = (&mut self.strips[group], &mut self.audio[group][..frames]);
            let tapped = taps.tapped & (1 << group) != 0;
            let delayed = self.delays.any_in(group);
            match self.stages.get_mut(group).filter(|stages| stages.busy()) {
                Some(stages) => {
                    let at_rest = stages.at_rest() && self.delays.at_rest(group);
                    if !strip.moving() && all_zero(audio) && at_rest {
                        audio.fill([0.0; LANES]);
                        strip.pass_silence(frames);
                        stages.pass_silence();
                        taps.fill_with_silence(group, frames);
                        continue;
                    }
                    vectors.run(Run { strip, audio, from_outside, part: Part::Head });
                    self.delays.run(group, audio);
                    stages.run(vectors, audio, grid);
                    if tapped {
                        taps.take(group, strip, audio, vectors);
                    }
                    vectors.run(Run { strip, audio, from_outside, part: Part::Tail });
                }
                None if tapped || delayed => {
                    vectors.run(Run { strip, audio, from_outside, part: Part::Head });
                    self.delays.run(group, audio);
                    if tapped {
                        taps.take(group, strip, audio, vectors);
                    }
                    vectors.run(Run { strip, audio, from_outside, part: Part::Tail });
                }
                None => vectors.run(Run { strip, audio, from_outside, part: Part::Whole }),
            }
            sounding |= u64::from(!strip.silent()) << group;
        }
        sounding
    }

    /// Runs only the stages of a group.
    fn run_stages(&mut self, group: usize, vectors: Vectors, frames: usize, grid: bool) {
        if let Some(stages) = self.stages.get_mut(group).filter(|stages| stages.busy()) {
            stages.run(vectors, &mut self.audio[group][..frames], grid);
        }
    }

    /// Runs only what is behind the stages; says which groups came out with sound.
    fn run_tails(&mut self, groups: Range<usize>, vectors: Vectors, frames: usize) -> u64 {
        let mut sounding = 0;
        for group in places(self.in_use & bits(&groups)) {
            let (strip, audio) = (&mut self.strips[group], &mut self.audio[group][..frames]);
            vectors.run(Run { strip, audio, from_outside: false, part: Part::Tail });
            sounding |= u64::from(!strip.silent()) << group;
        }
        sounding
    }

    /// The gains of a group's compressors in the last segment.
    fn compressor_gains(&self, group: usize) -> Option<&GroupAudio> {
        self.stages.get(group)?.compressor_gains()
    }

    /// Measures what came out of the strips. Silence is left out once everything has died away: it would change nothing.
    fn measure(
        &mut self,
        vectors: Vectors,
        measures: &Measures,
        frames: usize,
        at_grid_line: bool,
        only_loudness: bool,
    ) {
        for group in places(self.in_use) {
            let (strip, meters, audio) = (&self.strips[group], &mut self.meters[group], &self.audio[group]);
            if !(strip.silent() && meters.at_rest()) {
                vectors.run(Measure { meters, measures, audio: &audio[..frames], at_grid_line, only_loudness });
            }
        }
    }
}

/// The delays of the columns that have one: scalar, since each reads at another place.
#[derive(Debug)]
struct Delays {
    lines: Box<[Option<Box<DelayLine>>]>,
    /// One bit for each column of a group that has one.
    used: Box<[u16]>,
}

impl Delays {
    /// Real-time: never
    fn new(groups: usize) -> Self {
        Self { lines: (0..groups * LANES).map(|_| None).collect(), used: vec![0; groups].into_boxed_slice() }
    }

    /// Puts memory in, or takes it out.
    fn swap(&mut self, column: u16, line: &mut Option<Box<DelayLine>>) {
        let column = usize::from(column);
        std::mem::swap(&mut self.lines[column], line);
        let bit = 1 << (column % LANES);
        let used = &mut self.used[column / LANES];
        *used = if self.lines[column].is_some() { *used | bit } else { *used & !bit };
    }

    fn set(&mut self, column: u16, frames: f32, at_once: bool) {
        if let Some(line) = &mut self.lines[usize::from(column)] {
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "at most a second")]
            let frames = Frames(frames.max(0.0) as u64);
            line.set(frames, at_once);
        }
    }

    fn set_like(&mut self, column: u16, of: u16) {
        if let Ok([Some(line), Some(other)]) = self.lines.get_disjoint_mut([usize::from(column), usize::from(of)]) {
            line.set_like(other);
        }
    }

    /// By how many frames each column of a group is delayed, or about to be.
    fn show(&self, group: usize, delays: &mut [f32; LANES]) {
        for (delay, line) in delays.iter_mut().zip(&self.lines[group * LANES..]) {
            #[expect(clippy::cast_precision_loss, reason = "at most a second")]
            let frames = line.as_ref().map_or(0.0, |line| line.frames().0 as f32);
            *delay = frames;
        }
    }

    fn any_in(&self, group: usize) -> bool {
        self.used.get(group).is_some_and(|used| *used != 0)
    }

    fn of(&self, group: usize) -> impl Iterator<Item = &DelayLine> {
        let lines = self.lines.iter().skip(group * LANES).take(LANES);
        lines.take(if self.any_in(group) { LANES } else { 0 }).filter_map(|line| line.as_deref())
    }

    fn at_rest(&self, group: usize) -> bool {
        self.of(group).all(DelayLine::at_rest)
    }

    fn run(&mut self, group: usize, audio: &mut [[f32; LANES]]) {
        if self.any_in(group) {
            for (lane, line) in self.lines[group * LANES..(group + 1) * LANES].iter_mut().enumerate() {
                if let Some(line) = line {
                    line.process(audio, lane);
                }
            }
        }
    }
}

/// What sources are before their faders, of the groups that somebody takes so.
#[derive(Debug)]
struct Taps {
    /// One bit for each of those groups.
    tapped: u64,
    pre_fader: Box<[GroupAudio]>,
    input: Box<[GroupAudio]>,
}

impl Taps {
    /// Real-time: never
    fn new(groups: usize) -> Self {
        let silence = vec![GroupAudio::all(0.0); groups].into_boxed_slice();
        Self { tapped: 0, pre_fader: silence.clone(), input: silence }
    }

    fn take(&mut self, group: usize, strip: &mut Strip, audio: &[[f32; LANES]], vectors: Vectors) {
        let (pre_fader, input) = (&mut self.pre_fader[group], &mut self.input[group]);
        vectors.run(Tapped { strip, audio, pre_fader: &mut pre_fader[..], input: &mut input[..] });
    }

    fn fill_with_silence(&mut self, group: usize, frames: usize) {
        if self.tapped & (1 << group) != 0 {
            self.pre_fader[group][..frames].fill([0.0; LANES]);
            self.input[group][..frames].fill([0.0; LANES]);
        }
    }
}

const SILENT_TICK: [f32; TICK] = [0.0; TICK];

/// A tick of the samples of sixteen columns side by side. What is behind the end of a segment is not read.
struct Gather<'a> {
    columns: [&'a [f32; TICK]; LANES],
    rows: &'a mut [[f32; LANES]; TICK],
}

impl Kernel for Gather<'_> {
    type Output = ();

    #[inline(always)]
    fn run<V: Lanes>(self) {
        const { assert!(TICK == LANES, "a square") };
        V::transpose(&self.columns, self.rows);
    }
}

/// Where an output column goes.
#[derive(Clone, Copy, Debug, Default)]
struct Exit {
    wire: Option<u16>,
    limited: bool,
}

/// The mixing engine.
#[derive(Debug)]
pub struct Engine {
    frame: u64,
    rate: u64,
    next_boundary: u64,
    /// The meter boundary before this frame.
    measured_from: u64,
    vectors: Vectors,
    feeds: Box<[Feed]>,
    /// The slots that hold a feed, those that are no wires first; only the first `feeds_used` count.
    feed_slots: Box<[u16]>,
    feeds_made: usize,
    feeds_used: usize,
    feed_audio: Box<[Sides]>,
    /// For every source column, which feed and which side.
    connections: Box<[(u16, u8)]>,
    /// For every source column the wire it is connected to, if it is to one.
    wired: Box<[Option<u16>]>,
    sources: Columns,
    buses: Columns,
    outputs: Columns,
    followers: Followers,
    sharing: Sharing,
    taps: Taps,
    /// What nobody taps: buses and outputs.
    untapped: Taps,
    /// How much of what is taken at each [`Tap`] reaches every bus.
    to_buses: [Matrix; Tap::COUNT],
    to_outputs: Matrix,
    /// Room for sums in the making.
    by_destination: Box<ByDestination>,
    exits: Box<[Exit]>,
    /// One for each pair of output columns.
    limiters: Box<[PairExit]>,
    /// Whether a channel opened, closed, came or went since the tapes were last told.
    openings_changed: bool,
    levellers: Levellers,
    measures: Measures,
    /// Whether anybody reads what they measure.
    measuring: bool,
    pending: MeterFrame,
    /// One bit for each of its groups that holds anything.
    held: u128,
    plan: u64,
}

impl Engine {
    /// An engine with every column out of use, at frame 0.
    ///
    /// Real-time: never
    #[must_use]
    pub fn new(settings: Settings) -> Self {
        let follow = settings.sources.follow;
        let mut buses = Columns::new(BUS_GROUPS, settings.buses, false, Some(settings.rate));
        buses.stages = buses.stages.into_iter().map(Stages::keeping_gains).collect();
        let from = |groups| Matrix::new(groups, BUS_COLUMNS, follow);
        let limiters =
            (0..OUTPUT_COLUMNS / 2).map(|_| PairExit::new(settings.ceiling, settings.rate, settings.vectors));
        Self {
            frame: 0,
            rate: u64::from(settings.rate.hz()),
            next_boundary: u64::from(settings.rate.hz()) / METER_RATE,
            measured_from: 0,
            vectors: settings.vectors,
            feeds: (0..FEEDS).map(|_| Feed::Silent).collect(),
            feed_slots: vec![0; FEEDS].into_boxed_slice(),
            feeds_made: 0,
            feeds_used: 0,
            feed_audio: vec![[SILENT_TICK; 2]; FEEDS].into_boxed_slice(),
            connections: vec![(0, 0); SOURCE_COLUMNS].into_boxed_slice(),
            wired: vec![None; SOURCE_COLUMNS].into_boxed_slice(),
            sources: Columns::new(SOURCE_GROUPS, settings.sources, true, Some(settings.rate)).with_delays(),
            buses,
            followers: Followers::new(
                Columns::new(FOLLOWER_GROUPS, settings.buses, false, Some(settings.rate)),
                settings.rate,
            ),
            sharing: Sharing::new(settings.rate),
            taps: Taps::new(SOURCE_GROUPS),
            untapped: Taps::new(0),
            outputs: Columns::new(OUTPUT_GROUPS, settings.outputs, false, None).with_delays(),
            to_buses: [
                from(SOURCE_GROUPS),
                from(SOURCE_GROUPS),
                from(SOURCE_GROUPS),
                from(BUS_GROUPS),
                from(FOLLOWER_GROUPS),
            ],
            to_outputs: Matrix::new(BUS_GROUPS, OUTPUT_COLUMNS, settings.outputs.follow),
            by_destination: Box::new([[0.0; SPAN]; LANES]),
            exits: vec![Exit::default(); OUTPUT_COLUMNS].into_boxed_slice(),
            limiters: limiters.collect(),
            openings_changed: false,
            levellers: Levellers::new(settings.rate),
            measures: Measures::new(settings.rate),
            measuring: true,
            pending: MeterFrame::nothing(),
            held: 0,
            plan: 0,
        }
    }

    /// The number of the next frame to be made.
    ///
    /// Real-time: safe
    #[must_use]
    pub const fn frame(&self) -> u64 {
        self.frame
    }

    /// From now on meter frames hold levels at the input and after the fader, what stages take off, and the loudness of buses, but
    /// no loudness of channels and outputs, and no true peak, quasi-peak, correlation, DC or flat tops: for whoever reads none of
    /// these. The sound is the same.
    ///
    /// Real-time: never
    pub const fn measure_levels_only(&mut self) {
        self.measuring = false;
    }

    /// Leaves out frames that nobody could make in time: the time line goes on, the sound does not.
    ///
    /// Real-time: safe
    pub fn skip_to(&mut self, frame: u64) {
        if frame > self.frame {
            // To the next tick, so that a segment never starts behind a grid line it did not see.
            self.frame = frame.next_multiple_of(TICK as u64);
            self.next_boundary = self.boundary_after(self.frame);
            self.measured_from = self.frame;
        }
    }

    /// The first meter boundary behind a frame. Boundaries lie at whole frames at or before every 10 ms, also at rates that
    /// are no multiple of 100: what is behind must be counted from the next frame, or it would be the same one again.
    fn boundary_after(&self, frame: u64) -> u64 {
        ((frame + 1) * METER_RATE).div_ceil(self.rate) * self.rate / METER_RATE
    }

    /// Aims one value.
    ///
    /// Real-time: safe
    pub fn apply(&mut self, command: Command) {
        self.set(command, false);
    }

    fn set(&mut self, command: Command, at_once: bool) {
        let value = command.value;
        match command.target {
            Target::Trim { column } => {
                let (strip, lane) = self.sources.strip(column);
                strip.set_trim(lane, value, at_once);
            }
            Target::Delay { bank, column } => self.bank(bank).delays.set(column, value, at_once),
            Target::Level { bank, column } => {
                let (strip, lane) = self.bank(bank).strip(column);
                strip.set_level(lane, value, at_once);
            }
            Target::Gate { bank, column } => {
                let (strip, lane) = self.bank(bank).strip(column);
                strip.set_gate(lane, value, at_once);
                self.openings_changed = true;
            }
            Target::SendGate { column } => {
                let (strip, lane) = self.sources.strip(column);
                strip.set_send_gate(lane, value, at_once);
            }
            Target::Stage { bank, column, value: which } => {
                self.bank(bank).set_stage(column, which, value, at_once);
            }
            Target::Ducking { bank, column, value: which } => {
                self.sharing.set_room(bank == Bank::Buses, column, which, value);
            }
            Target::Sharing { column, value: which } => self.sharing.set(column, which, value),
            Target::ToBus { tap, from, to } => {
                self.to_buses[tap as usize].set(usize::from(from), usize::from(to), value, at_once);
            }
            Target::Leveller { column, value: which } => self.levellers.set(usize::from(column) / 2, which, value),
            Target::Ceiling { column } => {
                if column.is_multiple_of(2) {
                    self.limiters[usize::from(column) / 2].set_ceiling(value);
                }
            }
            Target::ToOutput { from, to } => self.to_outputs.set(usize::from(from), usize::from(to), value, at_once),
        }
    }

    fn bank(&mut self, bank: Bank) -> &mut Columns {
        match bank {
            Bank::Sources => &mut self.sources,
            Bank::Buses => &mut self.buses,
            Bank::Followers => &mut self.followers.columns,
            Bank::Outputs => &mut self.outputs,
        }
    }

    /// Takes a whole edit list in; what it replaced is left in the plan.
    ///
    /// Real-time: safe
    pub fn adopt(&mut self, plan: &mut Plan) {
        for (slot, feed) in &mut plan.feeds {
            std::mem::swap(&mut self.feeds[usize::from(*slot)], feed);
        }
        for (bank, column, line) in &mut plan.delays {
            self.bank(*bank).delays.swap(*column, line);
        }
        if !plan.feeds.is_empty() {
            self.list_feeds();
        }
        for edit in &plan.edits {
            self.edit(edit);
        }
        for (wired, (feed, side)) in self.wired.iter_mut().zip(&self.connections) {
            *wired = self.feeds[usize::from(*feed)].wire(usize::from(*side));
        }
        self.openings_changed = true;
        self.plan = plan.sequence;
    }

    fn list_feeds(&mut self) {
        // What feeds fill is filled anew with every segment; a side that one leaves alone keeps nothing of the one before it.
        self.feed_audio.fill([SILENT_TICK; 2]);
        self.feeds_used = 0;
        for of_wires in [false, true] {
            self.feeds_made = self.feeds_used;
            for (slot, feed) in self.feeds.iter().enumerate() {
                if !matches!(feed, Feed::Silent) && matches!(feed, Feed::Wires(..)) == of_wires {
                    #[expect(clippy::cast_possible_truncation, reason = "512 slots")]
                    let number = slot as u16;
                    self.feed_slots[self.feeds_used] = number;
                    self.feeds_used += 1;
                }
            }
        }
    }

    fn edit(&mut self, edit: &Edit) {
        #[expect(clippy::cast_precision_loss, reason = "ramps last some thousand frames")]
        let length = |frames: u32| frames as f32;
        match *edit {
            Edit::Start { bank, column, ramp_frames } => {
                match bank {
                    Bank::Sources | Bank::Followers => {
                        for tap in Tap::ALL.into_iter().filter(|tap| tap.bank() == bank) {
                            self.to_buses[tap as usize].clear_from(usize::from(column));
                        }
                        if bank == Bank::Sources {
                            self.sharing.clear(column);
                        }
                    }
                    Bank::Buses => {
                        for matrix in &mut self.to_buses {
                            matrix.clear_to(usize::from(column));
                        }
                        self.to_buses[Tap::Bus as usize].clear_from(usize::from(column));
                        self.levellers.start(usize::from(column) / 2);
                        self.sharing.clear_bus(column);
                        self.to_outputs.clear_from(usize::from(column));
                    }
                    Bank::Outputs => {
                        self.to_outputs.clear_to(usize::from(column));
                        self.limiters[usize::from(column) / 2].start();
                    }
                }
                let bank = self.bank(bank);
                let (strip, lane) = bank.strip(column);
                strip.start(lane, length(ramp_frames));
                bank.begin(column);
                bank.clear_stages(column);
            }
            Edit::Beside { column, of, ramp_frames } => {
                for tap in [Tap::AfterFader, Tap::PreFader, Tap::Input] {
                    self.to_buses[tap as usize].copy_from(usize::from(column), usize::from(of));
                }
                let (other, other_lane) = self.sources.strip(of);
                let gains = other.gains(other_lane);
                let (strip, lane) = self.sources.strip(column);
                strip.start_like(lane, &gains, length(ramp_frames));
                self.sources.begin(column);
                self.sources.copy_stages(column, of);
                self.sharing.copy(column, of);
                self.sources.delays.set_like(column, of);
            }
            Edit::TakeOverLeveller { column, of } => {
                self.levellers.take_over(usize::from(column) / 2, usize::from(of) / 2);
            }
            Edit::Leave { bank, column, ramp_frames } => {
                let (strip, lane) = self.bank(bank).strip(column);
                strip.leave(lane, length(ramp_frames));
            }
            Edit::Fade { bank, column, value, ramp_frames } => {
                let (strip, lane) = self.bank(bank).strip(column);
                strip.fade(lane, value, length(ramp_frames));
            }
            Edit::Follow { column, leader, without, ramp_frames } => {
                self.edit(&Edit::Start { bank: Bank::Followers, column, ramp_frames });
                self.followers.follow(column, leader, without);
                let (leader_strip, leader_lane) = self.buses.strip(leader);
                let gains = leader_strip.gains(leader_lane);
                let (strip, lane) = self.followers.columns.strip(column);
                if without {
                    strip.set_gate(lane, 1.0, true);
                } else {
                    strip.start_like(lane, &gains, length(ramp_frames));
                }
                let stages = &mut self.followers.columns.stages[usize::from(column) / LANES];
                stages.copy_filters(lane, &self.buses.stages[usize::from(leader) / LANES], leader_lane);
            }
            Edit::Own { column, ref own } => self.followers.own(column, **own),
            Edit::Connect { column, feed, side } => self.connections[usize::from(column)] = (feed, side),
            Edit::Wire { column, wire, limited } => self.exits[usize::from(column)] = Exit { wire, limited },
            Edit::Jump(command) => self.set(command, true),
            Edit::Aim(command) => self.set(command, false),
        }
    }

    /// Makes the frames of one callback.
    ///
    /// Real-time: safe
    pub fn process<W: Wires + ?Sized, C: Crossing>(&mut self, wires: &mut W, crossing: &mut C) {
        let total = wires.frames();
        // Frames ahead of a grid line in which nothing happens at any other.
        let (mut offset, mut quiet) = (0, 0_u64);
        while offset < total {
            let in_tick = self.frame % TICK as u64;
            if in_tick == 0 {
                crossing.at_tick(self);
                self.at_grid_line();
                quiet = if self.stands_still() {
                    crossing.quiet_frames(self).min(SPAN as u64).next_multiple_of(TICK as u64)
                } else {
                    0
                };
                if self.frame.is_multiple_of(PROOF_FRAMES)
                    && let Some(proof) = self.followers.next_proof()
                {
                    self.pending.proof.merge(&proof);
                }
            }
            let room = (TICK as u64 - in_tick).max(quiet).min(self.next_boundary - self.frame);
            #[expect(clippy::cast_possible_truncation, reason = "at most a span")]
            let mut frames = (room as usize).min(total - offset);
            if frames > TICK {
                // Whole ticks.
                frames -= frames % TICK;
            }
            quiet = 0;
            self.segment(wires, offset, frames);
            offset += frames;
            self.frame += frames as u64;
            if self.frame == self.next_boundary {
                self.next_boundary = self.boundary_after(self.frame);
                self.level();
                self.gather_readings();
                self.gather_reductions();
                self.followers.compare(&self.to_buses[Tap::Follower as usize], &mut self.pending.compared);
                if crossing.at_meter_boundary(&self.pending) {
                    self.pending.clear_groups(std::mem::take(&mut self.held));
                }
            }
        }
    }

    /// Whether a grid line would change nothing as long as nothing comes in.
    fn stands_still(&self) -> bool {
        let matrices = self.to_buses.iter().chain([&self.to_outputs]);
        let banks = [&self.sources, &self.buses, &self.outputs];
        // Who shares gain, or follows a bus, has something to do at every one.
        !self.sharing.any()
            && self.followers.idle()
            && banks.into_iter().all(|bank| bank.unsettled == 0)
            && matrices.into_iter().all(Matrix::settled)
    }

    fn at_grid_line(&mut self) {
        let vectors = self.vectors;
        for matrix in &mut self.to_buses {
            matrix.settle(self.buses.in_use, vectors);
        }
        self.to_outputs.settle(self.outputs.in_use, vectors);
        self.taps.tapped = self.to_buses[Tap::PreFader as usize].taken() | self.to_buses[Tap::Input as usize].taken();
        self.sources.settle(&mut self.taps, vectors);
        self.buses.settle(&mut self.untapped, vectors);
        self.sharing.settle(&mut self.sources.strips, &mut self.buses.strips);
        self.followers.columns.settle(&mut self.untapped, vectors);
        self.outputs.settle(&mut self.untapped, vectors);
        if std::mem::take(&mut self.openings_changed) {
            self.tell_tapes();
        }
    }

    fn tell_tapes(&mut self) {
        let mut open = [0_u64; FEEDS / 64];
        for (column, (feed, _)) in self.connections.iter().enumerate() {
            if self.sources.strips[column / LANES].open(column % LANES) {
                open[usize::from(*feed) / 64] |= 1 << (feed % 64);
            }
        }
        for slot in &self.feed_slots[..self.feeds_used] {
            if let Feed::Tape(tape) = &mut self.feeds[usize::from(*slot)] {
                tape.open(open[usize::from(*slot) / 64] & 1 << (slot % 64) != 0);
            }
        }
    }

    fn segment<W: Wires + ?Sized>(&mut self, wires: &mut W, offset: usize, frames: usize) {
        for start in (0..frames).step_by(TICK) {
            self.take_in(wires, offset + start, start, (frames - start).min(TICK));
        }
        let grid = self.frame.is_multiple_of(TICK as u64);
        let heard = self.sources.run(0..SOURCE_GROUPS, self.vectors, frames, grid, &mut self.taps);
        self.sharing.run(self.vectors, &mut self.sources.strips, &mut self.sources.audio, frames, grid);
        let sounding = self.run_buses(heard, frames, grid);
        if self.measuring {
            self.sources.measure(self.vectors, &self.measures, frames, grid, false);
        }
        // Loudness of buses always: their levellers go by it.
        self.buses.measure(self.vectors, &self.measures, frames, grid, !self.measuring);
        self.levellers.process(&mut self.buses.audio, frames);
        let mut parts = [SumPart { matrix: &mut self.to_outputs, groups: &self.buses.audio, sounding }];
        let rows = &mut self.outputs.audio;
        sum_bank(self.vectors, &mut parts, self.outputs.in_use, 0, rows, frames, &mut self.by_destination);
        self.outputs.run(0..OUTPUT_GROUPS, self.vectors, frames, grid, &mut self.untapped);
        if self.measuring {
            self.outputs.measure(self.vectors, &self.measures, frames, grid, false);
        }
        self.leave_by_wires(wires, offset, frames);
    }

    /// What comes in of a tick, or of the part of one, to its place in the segment.
    fn take_in<W: Wires + ?Sized>(&mut self, wires: &mut W, offset: usize, start: usize, frames: usize) {
        // A whole tick of a wire is taken from where it lies.
        let in_place = frames == TICK && wires.in_place();
        for slot in &self.feed_slots[..if in_place { self.feeds_made } else { self.feeds_used }] {
            let slot = usize::from(*slot);
            self.feeds[slot].fill(wires, offset, frames, &mut self.feed_audio[slot]);
        }
        for group in places(self.sources.in_use) {
            let connections = self.connections[group * LANES..][..LANES].iter();
            let mut columns = [&SILENT_TICK; LANES];
            for ((column, (feed, side)), wired) in columns.iter_mut().zip(connections).zip(&self.wired[group * LANES..])
            {
                *column = match wired {
                    Some(wire) if in_place => wires.tick(usize::from(*wire), offset).unwrap_or(&SILENT_TICK),
                    _ => &self.feed_audio[usize::from(*feed)][usize::from(*side)],
                };
            }
            let Some(rows) = self.sources.audio[group][start..].first_chunk_mut() else { continue };
            self.vectors.run(Gather { columns, rows });
        }
    }

    /// Sums and runs the buses level by level, and what follows them; says which groups came out with sound.
    fn run_buses(&mut self, heard: u64, frames: usize, grid: bool) -> u64 {
        let (mut sounding, mut following) = (0, 0);
        for level in 0..BUS_LEVELS {
            let followed = level < FOLLOWED_LEVELS && self.followers.any_on(level);
            let in_use = (self.buses.in_use & bits(&groups_of(level))) >> groups_of(level).start;
            if !followed && in_use == 0 {
                continue;
            }
            let (lower, audio) = self.buses.audio.split_at_mut(level * LEVEL_GROUPS);
            if followed {
                let taken = Taken {
                    matrices: &self.to_buses,
                    sources: [&self.sources.audio, &self.taps.pre_fader, &self.taps.input],
                    buses: lower,
                    connections: &self.connections,
                };
                self.followers.gather(level, &taken, self.vectors, frames);
            }
            let [after, pre_fader, input, buses, followers] = &mut self.to_buses;
            let mut parts = [
                SumPart { matrix: after, groups: &self.sources.audio, sounding: heard },
                SumPart { matrix: pre_fader, groups: &self.taps.pre_fader, sounding: self.taps.tapped },
                SumPart { matrix: input, groups: &self.taps.input, sounding: self.taps.tapped },
                SumPart { matrix: buses, groups: lower, sounding },
                SumPart { matrix: followers, groups: &self.followers.columns.audio, sounding: following },
            ];
            let first = level * LEVEL_COLUMNS;
            sum_bank(self.vectors, &mut parts, in_use, first, audio, frames, &mut self.by_destination);
            if followed {
                self.followers.take(level, &self.buses.audio, frames);
            }
            sounding |= self.buses.run(groups_of(level), self.vectors, frames, grid, &mut self.untapped);
            let (strips, audio) = (&mut self.buses.strips, &mut self.buses.audio);
            self.sharing.run_buses(groups_of(level), self.vectors, strips, audio, frames, grid);
            if followed {
                following |= self.followers.run(level, &self.buses, &self.sharing, self.vectors, frames, grid);
            }
        }
        sounding
    }

    fn leave_by_wires<W: Wires + ?Sized>(&mut self, wires: &mut W, offset: usize, frames: usize) {
        for (pair, limiter) in self.limiters.iter_mut().enumerate() {
            let exits = [self.exits[2 * pair], self.exits[2 * pair + 1]];
            if exits.iter().all(|exit| exit.wire.is_none()) {
                continue;
            }
            let (group, lane) = (2 * pair / LANES, 2 * pair % LANES);
            for start in (0..frames).step_by(TICK) {
                let frames = (frames - start).min(TICK);
                let mut sides = [[0.0; TICK]; 2];
                if self.outputs.strips[group].in_use() {
                    for (frame, row) in self.outputs.audio[group][start..][..frames].iter().enumerate() {
                        sides[0][frame] = row[lane];
                        sides[1][frame] = row[lane + 1];
                    }
                }
                let [left, right] = &mut sides;
                limiter.process(&mut left[..frames], &mut right[..frames], exits[0].limited || exits[1].limited);
                for (exit, side) in exits.iter().zip(&sides) {
                    if let Some(wire) = exit.wire {
                        wires.write(usize::from(wire), offset + start, &side[..frames]);
                    }
                }
            }
        }
    }

    /// Moves the levellers by what their buses measured since the last boundary.
    fn level(&mut self) {
        let (frames, next) = (self.frame - self.measured_from, self.next_boundary - self.frame);
        let meters = &self.buses.meters;
        self.levellers.at_boundary(|column| meters[column / LANES].weighted(column % LANES), frames, next);
        for pair in 0..BUS_COLUMNS / 2 {
            let place = SOURCE_GROUPS + 2 * pair / LANES;
            let group = &mut self.pending.groups[place];
            let gain = self.levellers.gain_db(pair);
            (group.leveller[2 * pair % LANES], group.leveller[2 * pair % LANES + 1]) = (gain, gain);
            self.held |= u128::from(gain != 0.0) << place;
        }
    }

    /// What limiters and others took off since the last boundary.
    fn gather_reductions(&mut self) {
        for (place, group) in self.pending.groups.iter_mut().take(SOURCE_GROUPS).enumerate() {
            if let Some([shared, made]) = self.sharing.take_reductions(place) {
                raise(&mut group.sharing, &shared);
                raise(&mut group.ducking, &made);
                self.held |= 1 << place;
            }
        }
        for (place, group) in self.pending.groups.iter_mut().skip(SOURCE_GROUPS).take(BUS_GROUPS).enumerate() {
            if let Some(made) = self.sharing.take_bus_reductions(place) {
                raise(&mut group.ducking, &made);
                self.held |= 1 << (SOURCE_GROUPS + place);
            }
        }
        let first = SOURCE_GROUPS + BUS_GROUPS;
        let delays = &self.outputs.delays;
        for place in (0..OUTPUT_GROUPS).filter(|place| delays.any_in(*place)) {
            delays.show(place, &mut self.pending.groups[first + place].delay);
            self.held |= 1 << (first + place);
        }
        for (pair, limiter) in self.limiters.iter_mut().enumerate() {
            let (reduction, latency) = (limiter.take_reduction(), limiter.latency_frames());
            if reduction <= 0.0 && latency == 0 {
                continue;
            }
            let place = first + 2 * pair / LANES;
            let group = &mut self.pending.groups[place];
            self.held |= 1 << place;
            for lane in [2 * pair % LANES, 2 * pair % LANES + 1] {
                group.reduction[lane] = group.reduction[lane].max(reduction);
                #[expect(clippy::cast_precision_loss, reason = "some hundred frames")]
                let latency = latency as f32;
                group.latency[lane] = group.latency[lane].max(latency);
            }
        }
    }

    /// Folds what the strips measured since the last boundary into the pending meter frame.
    fn gather_readings(&mut self) {
        if self.pending.frames == 0 {
            self.pending.start = self.measured_from;
        }
        self.pending.frames += self.frame - self.measured_from;
        (self.pending.last.start, self.pending.last.frames) = (self.measured_from, self.frame - self.measured_from);
        self.measured_from = self.frame;
        self.pending.plan = self.plan;
        let banks = [&mut self.sources, &mut self.buses, &mut self.outputs];
        let strips = banks.into_iter().flat_map(|bank| {
            let outside = bank.from_outside;
            let stages = bank.stages.iter_mut().map(Some).chain(std::iter::repeat_with(|| None));
            bank.strips
                .iter_mut()
                .zip(stages)
                .zip(&mut bank.meters)
                .map(move |((strip, stages), meters)| (strip, stages, meters, outside))
        });
        let groups = self.pending.groups.iter_mut().zip(&mut self.pending.last.weighted);
        for (place, ((group, last), (strip, stages, meters, outside))) in groups.zip(strips).enumerate() {
            *last = [0.0; LANES];
            let Some((readings, frames)) = strip.take_readings() else { continue };
            self.held |= 1 << place;
            if let Some(stages) = stages.filter(|stages| stages.busy()) {
                let taken = stages.take_reductions();
                for lane in 0..LANES {
                    group.gate[lane] = group.gate[lane].max(taken.gate[lane]);
                    group.gate_open[lane] = group.gate_open[lane].max(taken.gate_open[lane]);
                    group.compressor[lane] = group.compressor[lane].max(taken.compressor[lane]);
                    group.de_esser[lane] = group.de_esser[lane].max(taken.de_esser[lane]);
                }
            }
            let measured = meters.take_readings();
            *last = measured.weighted;
            group.measured(&measured);
            for lane in 0..LANES {
                group.input_peak[lane] = group.input_peak[lane].max(readings.input_peak[lane]);
                group.input_energy[lane] += f64::from(readings.input_energy[lane]);
                group.peak[lane] = group.peak[lane].max(readings.peak[lane]);
                group.energy[lane] += f64::from(readings.energy[lane]);
                if outside {
                    group.clips[lane] = group.clips[lane].saturating_add(count(readings.clips[lane]));
                    let stopped = frames.saturating_sub(count(readings.audio[lane]));
                    group.not_audio[lane] = group.not_audio[lane].saturating_add(stopped);
                }
            }
        }
    }
}

/// Takes higher ones in.
fn raise(most: &mut [f32; LANES], taken: &[f32; LANES]) {
    for (most, taken) in most.iter_mut().zip(taken) {
        *most = most.max(*taken);
    }
}

/// A count that was kept as a float.
fn count(value: f32) -> u32 {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "counts of frames within 10 ms")]
    let count = value as u32;
    count
}

/// Sums what comes in over some matrices into the groups in use, of those whose first column is `first`.
fn sum_bank(
    vectors: Vectors,
    parts: &mut [SumPart<'_>],
    in_use: u64,
    first: usize,
    audio: &mut [GroupAudio],
    frames: usize,
    by_destination: &mut ByDestination,
) {
    for group in places(in_use) {
        vectors.run(Sum { parts, first: first + group * LANES, rows: &mut audio[group], frames, by_destination });
    }
}

/// One bit for each of these groups.
const fn bits(groups: &Range<usize>) -> u64 {
    ((1 << groups.end) - 1) & !((1 << groups.start) - 1)
}

/// The groups whose bits are set, lowest first.
fn places(mut bits: u64) -> impl Iterator<Item = usize> {
    std::iter::from_fn(move || {
        let place = bits.trailing_zeros() as usize;
        bits &= bits.wrapping_sub(1);
        (place < 64).then_some(place)
    })
}
