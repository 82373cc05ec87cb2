//! What stands in the engine: who has which columns, what each target was last aimed at, and what still
//! has to be sent.
//!
//! The desk says what ought to be; [`Stage::reconcile`] and [`Stage::aim`] find the difference. Commands are
//! state: there is one unsent value per target at most, and a plan carries whatever is unsent along.

use super::layout::{Bookings, Place};
use super::wiring::FeedSpec;
use crate::engine::limits::{BATCH, BUS_COLUMNS, FEEDS, OUTPUT_COLUMNS, SOURCE_COLUMNS};
use crate::engine::{Bank, Command, Edit, Plan, Target};
use crate::profile::Id;
use crate::units::{Frames, SampleRate};
use std::collections::{BTreeMap, BTreeSet};

/// A channel or output source changed, or a thing came or went: one beside the other for this long.
pub(super) const CROSS_FADE_MS: u32 = 20;
/// Outputs come up from silence in this time: at start, and when a device is back.
pub(super) const FROM_SILENCE_MS: u32 = 500;
/// Outputs are held silent within this time when their device goes or the desk stops.
pub(super) const TO_SILENCE_MS: u32 = 50;

/// A thing that ought to stand in the engine.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Wanted {
    pub(super) id: Id,
    pub(super) was: Option<Id>,
    pub(super) kind: WantedKind,
}

#[derive(Clone, Debug, PartialEq)]
pub(super) enum WantedKind {
    Channel { input: Id, feed: FeedSpec, width: u16 },
    Bus,
    Output { wires: Vec<u16>, limited: bool },
}

impl WantedKind {
    const fn bank(&self) -> Bank {
        match self {
            Self::Channel { .. } => Bank::Sources,
            Self::Bus => Bank::Buses,
            Self::Output { .. } => Bank::Outputs,
        }
    }

    fn width(&self) -> u16 {
        match self {
            Self::Channel { width, .. } => *width,
            // Outputs have a pair each, so that the limiter of a mono output is its own.
            Self::Bus | Self::Output { .. } => 2,
        }
    }
}

/// A thing that stands in the engine.
#[derive(Clone, Debug)]
struct Placed {
    kind: WantedKind,
    place: Place,
}

/// Columns on their way out.
#[derive(Debug)]
struct Leaving {
    bank: Bank,
    place: Place,
    /// Free from this frame on; unknown until the engine has echoed the plan.
    free_at: Option<Frames>,
}

/// A list of edits with the feeds that somebody else has to make for it.
#[derive(Debug)]
pub struct PlanToSend {
    /// The edits. The feeds in `wanted` have to be put in before it is sent.
    pub plan: Box<Plan>,
    /// The slot of each feed wanted, and what it is.
    pub wanted: Vec<(u16, FeedSpec)>,
}

/// What goes to the engine next.
#[derive(Debug)]
pub enum ToEngine {
    /// Commands that take effect together.
    Batch {
        /// Place in the sequence of batches and plans.
        sequence: u64,
        /// The commands.
        commands: Vec<Command>,
    },
    /// An edit list.
    Plan(PlanToSend),
}

/// What stands in the engine, and what it was last told.
#[derive(Debug)]
pub(super) struct Stage {
    rate: SampleRate,
    placed: BTreeMap<(Bank, Id), Placed>,
    bookings: [Bookings; 3],
    leaving: Vec<Leaving>,
    /// Slot and description of every feed in the engine, by the id of the input.
    feeds: BTreeMap<Id, (u16, FeedSpec)>,
    /// Feeds that columns on their way out still take from; their slots are emptied afterwards.
    feeds_going: Vec<(u16, Option<Frames>)>,
    aimed: BTreeMap<Target, f32>,
    unsent: BTreeMap<Target, f32>,
    /// Edits that wait to be sent, with the targets of columns that are still silent.
    edits: Vec<Edit>,
    fresh: BTreeSet<(Bank, u16)>,
    new_feeds: Vec<(u16, FeedSpec)>,
    in_flight: Option<u64>,
    sequence: u64,
    /// Whether the first plan brings everything in without a ramp.
    at_once: bool,
    /// Something could not be placed yet.
    pub(super) crowded: bool,
}

const fn index(bank: Bank) -> usize {
    match bank {
        Bank::Sources => 0,
        Bank::Buses => 1,
        Bank::Outputs => 2,
    }
}

impl Stage {
    /// Nothing stands yet; with `at_once` the first plan brings everything in without a ramp.
    pub(super) fn new(rate: SampleRate, at_once: bool) -> Self {
        Self {
            rate,
            placed: BTreeMap::new(),
            bookings: [Bookings::new(SOURCE_COLUMNS), Bookings::new(BUS_COLUMNS), Bookings::new(OUTPUT_COLUMNS)],
            leaving: Vec::new(),
            feeds: BTreeMap::new(),
            feeds_going: Vec::new(),
            aimed: BTreeMap::new(),
            unsent: BTreeMap::new(),
            edits: Vec::new(),
            fresh: BTreeSet::new(),
            new_feeds: Vec::new(),
            in_flight: None,
            sequence: 0,
            at_once,
            crowded: false,
        }
    }

    /// The columns of a thing.
    pub(super) fn place(&self, bank: Bank, id: &str) -> Option<Place> {
        self.placed.get(&(bank, Id::from(id))).map(|placed| placed.place)
    }

    /// The number the next batch or plan will have.
    pub(super) const fn next_sequence(&self) -> u64 {
        self.sequence + 1
    }

    /// Makes the engine hold what is wanted, in this order, and nothing else.
    pub(super) fn reconcile(&mut self, wanted: &[Wanted]) {
        self.crowded = false;
        for thing in wanted {
            self.rename(thing);
        }
        let kept: BTreeSet<(Bank, Id)> = wanted.iter().map(|thing| (thing.kind.bank(), thing.id.clone())).collect();
        let gone: Vec<(Bank, Id)> = self.placed.keys().filter(|key| !kept.contains(*key)).cloned().collect();
        for key in gone {
            if let Some(placed) = self.placed.remove(&key) {
                self.leave(key.0, placed.place);
            }
        }
        for thing in wanted {
            self.put(thing);
        }
        self.drop_unused_feeds();
    }

    fn rename(&mut self, thing: &Wanted) {
        let bank = thing.kind.bank();
        let new = (bank, thing.id.clone());
        if let Some(was) = &thing.was
            && !self.placed.contains_key(&new)
            && let Some(placed) = self.placed.remove(&(bank, was.clone()))
        {
            self.placed.insert(new, placed);
        }
    }

    fn put(&mut self, thing: &Wanted) {
        let bank = thing.kind.bank();
        let key = (bank, thing.id.clone());
        let old = self.placed.get(&key).cloned();
        match &old {
            Some(placed) if placed.kind == thing.kind => return,
            Some(placed) if bank == Bank::Outputs => {
                // The same columns go somewhere else: the output's device changed, and its ramp covers it.
                let place = placed.place;
                self.wire(place, &thing.kind);
                self.placed.insert(key, Placed { kind: thing.kind.clone(), place });
                return;
            }
            _ => {}
        }
        let Some(place) = self.bookings[index(bank)].take(thing.kind.width()) else {
            self.crowded = true;
            return;
        };
        let ramp_frames = match bank {
            _ if self.at_once => 0,
            Bank::Outputs => self.frames(FROM_SILENCE_MS),
            Bank::Sources | Bank::Buses => self.frames(CROSS_FADE_MS),
        };
        for (number, column) in place.columns().enumerate() {
            let beside = old.as_ref().filter(|placed| placed.place.width == place.width);
            if let Some(placed) = beside {
                let of = placed.place.first + u16::try_from(number).unwrap_or(0);
                self.edits.push(Edit::Beside { column, of, ramp_frames });
                self.inherit_aims(column, of);
            } else {
                self.edits.push(Edit::Start { bank, column, ramp_frames });
                self.forget_aims(bank, column);
                self.fresh.insert((bank, column));
            }
        }
        match &thing.kind {
            WantedKind::Channel { input, feed, .. } => self.connect(place, input, feed),
            WantedKind::Output { .. } => self.wire(place, &thing.kind),
            WantedKind::Bus => {}
        }
        if let Some(placed) = old {
            self.leave(bank, placed.place);
        }
        self.placed.insert(key, Placed { kind: thing.kind.clone(), place });
    }

    fn connect(&mut self, place: Place, input: &Id, feed: &FeedSpec) {
        let slot = match self.feeds.get(input) {
            Some((slot, spec)) if spec == feed => *slot,
            other => {
                if let Some((slot, _)) = other {
                    self.feeds_going.push((*slot, None));
                }
                let Some(slot) = self.free_feed_slot() else {
                    self.crowded = true;
                    return;
                };
                self.feeds.insert(input.clone(), (slot, feed.clone()));
                self.new_feeds.push((slot, feed.clone()));
                slot
            }
        };
        for (side, column) in (0_u8..).zip(place.columns()) {
            self.edits.push(Edit::Connect { column, feed: slot, side });
        }
    }

    fn free_feed_slot(&self) -> Option<u16> {
        let taken: BTreeSet<u16> =
            self.feeds.values().map(|(slot, _)| *slot).chain(self.feeds_going.iter().map(|(slot, _)| *slot)).collect();
        // Slot 0 stays silent: it is what an unconnected column takes from.
        (1..u16::try_from(FEEDS).unwrap_or(u16::MAX)).find(|slot| !taken.contains(slot))
    }

    fn drop_unused_feeds(&mut self) {
        let used: BTreeSet<&Id> = self
            .placed
            .values()
            .filter_map(|placed| match &placed.kind {
                WantedKind::Channel { input, .. } => Some(input),
                _ => None,
            })
            .collect();
        let unused: Vec<Id> = self.feeds.keys().filter(|id| !used.contains(id)).cloned().collect();
        for id in unused {
            if let Some((slot, _)) = self.feeds.remove(&id) {
                self.feeds_going.push((slot, None));
            }
        }
    }

    fn wire(&mut self, place: Place, kind: &WantedKind) {
        if let WantedKind::Output { wires, limited } = kind {
            for (number, column) in place.columns().enumerate() {
                self.edits.push(Edit::Wire { column, wire: wires.get(number).copied(), limited: *limited });
            }
        }
    }

    fn leave(&mut self, bank: Bank, place: Place) {
        let ramp_frames = self.frames(CROSS_FADE_MS);
        for column in place.columns() {
            self.edits.push(Edit::Leave { bank, column, ramp_frames });
        }
        self.leaving.push(Leaving { bank, place, free_at: None });
    }

    fn frames(&self, ms: u32) -> u32 {
        u32::try_from(self.rate.frames_in_ms_rounded_up(ms).0).unwrap_or(u32::MAX)
    }

    /// Holds all outputs silent, or lets them be heard again.
    pub(super) fn fade_outputs(&mut self, heard: bool) {
        let ramp_frames = self.frames(if heard { FROM_SILENCE_MS } else { TO_SILENCE_MS });
        let outputs = self.placed.iter().filter(|((bank, _), _)| *bank == Bank::Outputs);
        let columns: Vec<u16> = outputs.flat_map(|(_, placed)| placed.place.columns()).collect();
        let value = if heard { 1.0 } else { 0.0 };
        for column in columns {
            self.edits.push(Edit::Fade { bank: Bank::Outputs, column, value, ramp_frames });
        }
    }

    fn concerns(target: Target, bank: Bank, column: u16) -> bool {
        match target {
            Target::Trim { column: c } => bank == Bank::Sources && c == column,
            Target::Level { bank: b, column: c } | Target::Gate { bank: b, column: c } => b == bank && c == column,
            Target::ToBus { from, to } => {
                (bank == Bank::Sources && from == column) || (bank == Bank::Buses && to == column)
            }
            Target::ToOutput { from, to } => {
                (bank == Bank::Buses && from == column) || (bank == Bank::Outputs && to == column)
            }
        }
    }

    fn forget_aims(&mut self, bank: Bank, column: u16) {
        self.aimed.retain(|target, _| !Self::concerns(*target, bank, column));
        self.unsent.retain(|target, _| !Self::concerns(*target, bank, column));
    }

    fn inherit_aims(&mut self, column: u16, of: u16) {
        self.forget_aims(Bank::Sources, column);
        let moved = |target: Target| match target {
            Target::Trim { column: c } if c == of => Some(Target::Trim { column }),
            Target::Level { bank: Bank::Sources, column: c } if c == of => {
                Some(Target::Level { bank: Bank::Sources, column })
            }
            Target::Gate { bank: Bank::Sources, column: c } if c == of => {
                Some(Target::Gate { bank: Bank::Sources, column })
            }
            Target::ToBus { from, to } if from == of => Some(Target::ToBus { from: column, to }),
            _ => None,
        };
        let copy = |values: &BTreeMap<Target, f32>| -> Vec<(Target, f32)> {
            values.iter().filter_map(|(target, value)| Some((moved(*target)?, *value))).collect()
        };
        let (aimed, unsent) = (copy(&self.aimed), copy(&self.unsent));
        self.aimed.extend(aimed);
        self.unsent.extend(unsent);
    }

    /// What the engine has when it was never told.
    fn unset(target: Target) -> f32 {
        match target {
            Target::Trim { .. } | Target::Level { .. } => 1.0,
            Target::Gate { .. } | Target::ToBus { .. } | Target::ToOutput { .. } => 0.0,
        }
    }

    /// Aims a target; nothing happens when it is aimed there already.
    pub(super) fn aim(&mut self, target: Target, value: f32) {
        let before = self.aimed.get(&target).copied().unwrap_or_else(|| Self::unset(target));
        if before.to_bits() != value.to_bits() {
            self.aimed.insert(target, value);
            self.unsent.insert(target, value);
        }
    }

    fn is_fresh(&self, target: Target) -> bool {
        self.fresh.iter().any(|(bank, column)| Self::concerns(target, *bank, *column))
    }

    /// What goes to the engine next, if anything. It has to be sent, in this order, before this is asked again.
    pub(super) fn take(&mut self) -> Option<ToEngine> {
        let edits = !self.edits.is_empty() || !self.new_feeds.is_empty() || self.unsent.len() > BATCH;
        if edits && self.in_flight.is_none() {
            return Some(ToEngine::Plan(self.take_plan()));
        }
        // While a plan is on its way the next one waits, and with it what concerns columns that are not there yet.
        let (later, now) = std::mem::take(&mut self.unsent).into_iter().partition(|(target, _)| self.is_fresh(*target));
        let now: BTreeMap<Target, f32> = now;
        self.unsent = later;
        let commands: Vec<Command> =
            now.iter().take(BATCH).map(|(&target, &value)| Command { target, value }).collect();
        self.unsent.extend(now.into_iter().skip(BATCH));
        if commands.is_empty() {
            return None;
        }
        self.sequence += 1;
        Some(ToEngine::Batch { sequence: self.sequence, commands })
    }

    fn take_plan(&mut self) -> PlanToSend {
        self.sequence += 1;
        let mut edits = std::mem::take(&mut self.edits);
        for (target, value) in std::mem::take(&mut self.unsent) {
            let command = Command { target, value };
            edits.push(if self.is_fresh(target) { Edit::Jump(command) } else { Edit::Aim(command) });
        }
        self.fresh.clear();
        self.at_once = false;
        self.in_flight = Some(self.sequence);
        let plan = Box::new(Plan { sequence: self.sequence, edits, feeds: Vec::new() });
        PlanToSend { plan, wanted: std::mem::take(&mut self.new_feeds) }
    }

    /// A batch or plan took effect at this frame.
    pub(super) fn echo(&mut self, sequence: u64, frame: Frames) {
        if self.in_flight != Some(sequence) {
            return;
        }
        self.in_flight = None;
        let free_at = frame.plus(self.rate.frames_in_ms_rounded_up(CROSS_FADE_MS)).plus(Frames(32));
        for leaving in &mut self.leaving {
            leaving.free_at.get_or_insert(free_at);
        }
        for (_, at) in &mut self.feeds_going {
            at.get_or_insert(free_at);
        }
    }

    /// When columns that are on their way out will be free.
    pub(super) fn next_deadline(&self) -> Option<Frames> {
        let columns = self.leaving.iter().filter_map(|leaving| leaving.free_at);
        columns.chain(self.feeds_going.iter().filter_map(|(_, at)| *at)).min()
    }

    /// Frees what has left by now; says whether anything was freed.
    pub(super) fn sweep(&mut self, now: Frames) -> bool {
        let before = self.leaving.len() + self.feeds_going.len();
        let due = |at: Option<Frames>| at.is_some_and(|at| at <= now);
        for leaving in self.leaving.extract_if(.., |leaving| due(leaving.free_at)) {
            self.bookings[index(leaving.bank)].free(leaving.place);
        }
        for (slot, _) in self.feeds_going.extract_if(.., |(_, at)| due(*at)) {
            self.new_feeds.push((slot, FeedSpec::Nothing));
        }
        self.leaving.len() + self.feeds_going.len() != before
    }
}
