//! What stands in the engine: who has which columns, what each target was last aimed at, and what still
//! has to be sent.
//!
//! The desk says what ought to be; [`Stage::reconcile`] and [`Stage::aim`] find the difference. Commands are
//! state: there is one unsent value per target at most, and a plan carries whatever is unsent along.

use super::layout::{Place, Rooms};
use super::wiring::FeedSpec;
use crate::dsp::delay::DelayLine;
use crate::engine::limits::{BATCH, FEEDS};
use crate::engine::{Bank, Command, Edit, Own, Plan, Target};
use crate::profile::Id;
use crate::units::{Frames, SampleRate};
use std::collections::{BTreeMap, BTreeSet};

/// A channel or output source changed, or a thing came or went: one beside the other for this long.
pub(super) const CROSS_FADE_MS: u32 = 20;
/// Outputs come up from silence in this time: at start, and when a device is back.
pub(super) const FROM_SILENCE_MS: u32 = 500;
/// Outputs are held silent within this time when their device goes or the desk stops.
pub(super) const TO_SILENCE_MS: u32 = 50;
/// What has left keeps its columns and its feed for this long after its ramp. The desk reckons the engine's time from
/// the last block it heard of: when a driver stalls, the engine lags behind that for as long as its successor takes.
const RESERVE_MS: u32 = 200;

/// A thing that ought to stand in the engine.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Wanted {
    pub(super) id: Id,
    pub(super) kind: WantedKind,
}

#[derive(Clone, Debug, PartialEq)]
pub(super) enum WantedKind {
    Channel {
        input: Id,
        feed: FeedSpec,
        width: u16,
    },
    Bus {
        level: usize,
    },
    /// What a bus is without somebody's own share, or that share.
    Follower {
        leader: Id,
        without: bool,
        owner: Owner,
    },
    Output {
        wires: Vec<u16>,
        limited: bool,
    },
}

/// Whose share a follower is about.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Owner {
    /// The channels.
    pub(super) channels: Vec<Id>,
    /// The followers that hold the share of buses which the leader takes from.
    pub(super) shares: Vec<Id>,
}

impl WantedKind {
    const fn bank(&self) -> Bank {
        match self {
            Self::Channel { .. } => Bank::Sources,
            Self::Bus { .. } => Bank::Buses,
            Self::Follower { .. } => Bank::Followers,
            Self::Output { .. } => Bank::Outputs,
        }
    }

    /// What feeds a channel.
    const fn feed(&self) -> Option<(&Id, &FeedSpec)> {
        match self {
            Self::Channel { input, feed, .. } => Some((input, feed)),
            Self::Bus { .. } | Self::Follower { .. } | Self::Output { .. } => None,
        }
    }

    /// Whether a thing that stands may stay where it is and become this.
    fn stays(&self, other: &Self) -> bool {
        match (self, other) {
            // Whose share it is may change in place.
            (Self::Follower { leader, without, .. }, Self::Follower { leader: l, without: w, .. }) => {
                leader == l && without == w
            }
            _ => self == other,
        }
    }

    fn width(&self) -> u16 {
        match self {
            Self::Channel { width, .. } => *width,
            // Outputs have a pair each, so that the limiter of a mono output is its own.
            Self::Bus { .. } | Self::Follower { .. } | Self::Output { .. } => 2,
        }
    }
}

/// A thing that stands in the engine.
#[derive(Clone, Debug)]
struct Placed {
    kind: WantedKind,
    place: Place,
    /// The first column of what a follower follows.
    follows: Option<u16>,
}

/// When something that a plan begins is over.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Until {
    /// Its plan has not been taken yet.
    Unsent,
    /// The plan of this number is on its way.
    Sent(u64),
    /// The plan took effect, and it is over at this frame.
    Frame(Frames),
}

impl Until {
    fn sent(&mut self, sequence: u64) {
        if *self == Self::Unsent {
            *self = Self::Sent(sequence);
        }
    }

    fn echoed(&mut self, sequence: u64, over: Frames) {
        if matches!(self, Self::Sent(sent) if *sent <= sequence) {
            *self = Self::Frame(over);
        }
    }

    const fn frame(self) -> Option<Frames> {
        match self {
            Self::Frame(at) => Some(at),
            Self::Unsent | Self::Sent(_) => None,
        }
    }

    fn is_over(self, now: Frames) -> bool {
        self.frame().is_some_and(|at| at <= now)
    }
}

/// A feed in its slot of the engine. An input whose definition changed is another feed.
#[derive(Debug)]
struct Fed {
    input: Id,
    spec: FeedSpec,
    slot: u16,
}

/// Columns on their way out.
#[derive(Debug)]
struct Leaving {
    bank: Bank,
    id: Id,
    place: Place,
    until: Until,
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
    rooms: Rooms,
    leaving: Vec<Leaving>,
    feeds: Vec<Fed>,
    /// Feeds that columns on their way out still take from; their slots are emptied afterwards.
    feeds_going: Vec<(u16, Until)>,
    /// Outputs that fall silent in order to go to other wires afterwards.
    rewiring: BTreeMap<Id, Until>,
    /// Whether the outputs may be heard: their device is there, and the desk is not about to stop.
    heard: bool,
    aimed: BTreeMap<Target, f32>,
    unsent: BTreeMap<Target, f32>,
    /// Edits that wait to be sent, with the targets of columns that are still silent.
    edits: Vec<Edit>,
    fresh: BTreeSet<(Bank, u16)>,
    /// Columns that come into use beside others with the next plan: no batch before it may aim at them.
    beside: BTreeSet<(Bank, u16)>,
    new_feeds: Vec<(u16, FeedSpec)>,
    /// Memory for delays on its way, and the columns that have some then.
    new_delays: Vec<(Bank, u16, Option<Box<DelayLine>>)>,
    delayed: BTreeSet<(Bank, u16)>,
    /// The feed of every source column that is in use or on its way out.
    fed_by: BTreeMap<u16, u16>,
    /// Whose share each column of a follower was last said to be about.
    owned: BTreeMap<u16, Own>,
    in_flight: Option<u64>,
    sequence: u64,
    /// The batch or plan that is not taken yet carries a panic.
    hurried: bool,
    /// Whether the first plan brings everything in without a ramp.
    at_once: bool,
    /// Something could not be placed yet.
    pub(super) crowded: bool,
}

impl Stage {
    /// Nothing stands yet; with `at_once` the first plan brings everything in without a ramp.
    pub(super) fn new(rate: SampleRate, at_once: bool) -> Self {
        Self {
            rate,
            placed: BTreeMap::new(),
            rooms: Rooms::new(),
            leaving: Vec::new(),
            feeds: Vec::new(),
            feeds_going: Vec::new(),
            rewiring: BTreeMap::new(),
            heard: true,
            aimed: BTreeMap::new(),
            unsent: BTreeMap::new(),
            edits: Vec::new(),
            fresh: BTreeSet::new(),
            beside: BTreeSet::new(),
            new_feeds: Vec::new(),
            new_delays: Vec::new(),
            delayed: BTreeSet::new(),
            fed_by: BTreeMap::new(),
            owned: BTreeMap::new(),
            in_flight: None,
            sequence: 0,
            hurried: false,
            at_once,
            crowded: false,
        }
    }

    /// The columns of a thing.
    pub(super) fn place(&self, bank: Bank, id: &str) -> Option<Place> {
        self.placed.get(&(bank, Id::from(id))).map(|placed| placed.place)
    }

    /// Whether the engine has been given all there is.
    pub(super) fn all_sent(&self) -> bool {
        self.unsent.is_empty() && self.edits.is_empty()
    }

    /// The number the next batch or plan will have.
    pub(super) const fn next_sequence(&self) -> u64 {
        self.sequence + 1
    }

    /// A thing goes on under another id, with its columns.
    pub(super) fn rename(&mut self, bank: Bank, was: &Id, id: &Id) {
        let new = (bank, id.clone());
        if !self.placed.contains_key(&new)
            && let Some(placed) = self.placed.remove(&(bank, was.clone()))
        {
            self.placed.insert(new, placed);
        }
        if bank == Bank::Buses {
            for placed in self.placed.values_mut() {
                if let WantedKind::Follower { leader, .. } = &mut placed.kind
                    && leader == was
                {
                    *leader = id.clone();
                }
            }
        }
        let leaving = self.leaving.iter_mut().filter(|leaving| leaving.bank == bank && leaving.id == *was);
        leaving.for_each(|leaving| leaving.id = id.clone());
    }

    /// The level a bus stands on.
    pub(super) fn level_of(&self, bus: &Id) -> Option<usize> {
        match self.placed.get(&(Bank::Buses, bus.clone()))?.kind {
            WantedKind::Bus { level } => Some(level),
            _ => None,
        }
    }

    /// Whether a follower stands.
    pub(super) fn has_follower(&self, id: &Id) -> bool {
        self.placed.contains_key(&(Bank::Followers, id.clone()))
    }

    /// Which input the columns of a channel carry now.
    pub(super) fn source(&self, channel: &Id) -> Option<&Id> {
        self.placed.get(&(Bank::Sources, channel.clone()))?.kind.feed().map(|(input, _)| input)
    }

    /// The columns of what follows a bus, and whether they are without the share or nothing but it.
    pub(super) fn followers_of(&self, bus: &Id) -> Vec<(Place, bool)> {
        let all = self.placed.values().filter_map(|placed| match &placed.kind {
            WantedKind::Follower { leader, without, .. } if leader == bus => Some((placed.place, *without)),
            _ => None,
        });
        all.collect()
    }

    /// Everything that follows a bus, column by column, and the channels whose share it is about.
    pub(super) fn followers(&self) -> impl Iterator<Item = (u16, &Id, &[Id])> {
        self.placed.iter().flat_map(|((_, id), placed)| {
            let less: Option<&[Id]> = match &placed.kind {
                WantedKind::Follower { owner, .. } => Some(&owner.channels),
                _ => None,
            };
            let columns = less.map(|less| placed.place.columns().map(move |column| (column, id, less)));
            columns.into_iter().flatten()
        })
    }

    /// Makes the engine hold what is wanted, in this order, and nothing else.
    pub(super) fn reconcile(&mut self, wanted: &[Wanted]) {
        self.crowded = false;
        let kept: BTreeSet<(Bank, Id)> = wanted.iter().map(|thing| (thing.kind.bank(), thing.id.clone())).collect();
        let gone: Vec<(Bank, Id)> = self.placed.keys().filter(|key| !kept.contains(*key)).cloned().collect();
        for key in gone {
            if let Some(placed) = self.placed.remove(&key) {
                if key.0 == Bank::Outputs {
                    self.rewiring.remove(&key.1);
                }
                self.leave(key, placed.place);
            }
        }
        for thing in wanted {
            self.put(thing);
        }
        self.say_who_owns();
        self.drop_unused_feeds();
    }

    fn put(&mut self, thing: &Wanted) {
        let bank = thing.kind.bank();
        let key = (bank, thing.id.clone());
        let old = self.placed.get(&key).cloned();
        let leader = match &thing.kind {
            WantedKind::Follower { leader, .. } => match self.place(Bank::Buses, leader) {
                Some(place) => Some(place),
                None => return,
            },
            _ => None,
        };
        match &old {
            Some(placed) if placed.kind.stays(&thing.kind) && placed.follows == leader.map(|place| place.first) => {
                self.placed.insert(key, Placed { kind: thing.kind.clone(), ..placed.clone() });
                return;
            }
            Some(placed) if bank == Bank::Outputs => {
                self.rewire(thing, placed.place);
                return;
            }
            _ => {}
        }
        if !self.has_feed_for(&thing.kind) {
            self.crowded = true;
            return;
        }
        let level = match (&thing.kind, leader) {
            (WantedKind::Bus { level }, _) => *level,
            (_, Some(leader)) => Rooms::level_of(leader),
            _ => 0,
        };
        let Some(place) = self.rooms.take(bank, level, thing.kind.width()) else {
            self.crowded = true;
            return;
        };
        let ramp_frames = match bank {
            _ if self.at_once => 0,
            Bank::Outputs => self.frames(FROM_SILENCE_MS),
            // A share is there from the first frame on, or it would be missing in the subtraction.
            Bank::Followers if matches!(thing.kind, WantedKind::Follower { without: false, .. }) => 0,
            Bank::Sources | Bank::Buses | Bank::Followers => self.frames(CROSS_FADE_MS),
        };
        if let (Some(leader), WantedKind::Follower { without, .. }) = (leader, &thing.kind) {
            for (column, of) in place.columns().zip(leader.columns()) {
                self.edits.push(Edit::Follow { column, leader: of, without: *without, ramp_frames });
                self.follow_aims(column, of, *without);
                self.owned.remove(&column);
            }
        }
        for (number, column) in place.columns().enumerate().filter(|_| leader.is_none()) {
            let beside =
                old.as_ref().filter(|_| bank == Bank::Sources).filter(|placed| placed.place.width == place.width);
            if let Some(placed) = beside {
                let of = placed.place.first + u16::try_from(number).unwrap_or(0);
                self.edits.push(Edit::Beside { column, of, ramp_frames });
                self.inherit_aims(column, of);
                if self.delayed.contains(&(bank, of)) {
                    self.make_room_for_delay(bank, column);
                }
            } else {
                self.edits.push(Edit::Start { bank, column, ramp_frames });
                self.forget_aims(bank, column);
                self.fresh.insert((bank, column));
            }
            if bank == Bank::Outputs && !self.heard {
                self.edits.push(Edit::Fade { bank, column, value: 0.0, ramp_frames });
            }
        }
        match &thing.kind {
            WantedKind::Channel { input, feed, .. } => self.connect(place, input, feed),
            WantedKind::Output { .. } => self.wire(place, &thing.kind),
            WantedKind::Bus { .. } | WantedKind::Follower { .. } => {}
        }
        if let Some(placed) = old {
            if bank == Bank::Buses {
                // Anew it would be at 0 dB, and what it made softer would jump up.
                self.edits.push(Edit::TakeOverLeveller { column: place.first, of: placed.place.first });
            }
            self.leave(key.clone(), placed.place);
        }
        self.placed.insert(key, Placed { kind: thing.kind.clone(), place, follows: leader.map(|place| place.first) });
    }

    /// The columns of an output go to other wires: silent first, then the new wires, then heard again.
    fn rewire(&mut self, thing: &Wanted, place: Place) {
        let placed = Placed { kind: thing.kind.clone(), place, follows: None };
        self.placed.insert((Bank::Outputs, thing.id.clone()), placed);
        if self.rewiring.contains_key(&thing.id) {
            return;
        }
        self.rewiring.insert(thing.id.clone(), Until::Unsent);
        let ramp_frames = self.frames(CROSS_FADE_MS);
        for column in place.columns() {
            self.edits.push(Edit::Fade { bank: Bank::Outputs, column, value: 0.0, ramp_frames });
        }
    }

    /// An output that was to be rewired is silent by now.
    fn finish_rewiring(&mut self, id: &Id) {
        let Some(placed) = self.placed.get(&(Bank::Outputs, id.clone())).cloned() else { return };
        self.wire(placed.place, &placed.kind);
        if self.heard {
            let ramp_frames = self.frames(FROM_SILENCE_MS);
            for column in placed.place.columns() {
                self.edits.push(Edit::Fade { bank: Bank::Outputs, column, value: 1.0, ramp_frames });
            }
        }
    }

    fn slot_of(&self, input: &Id, spec: &FeedSpec) -> Option<u16> {
        self.feeds.iter().find(|fed| fed.input == *input && fed.spec == *spec).map(|fed| fed.slot)
    }

    fn has_feed_for(&self, kind: &WantedKind) -> bool {
        kind.feed().is_none_or(|(input, spec)| self.slot_of(input, spec).is_some() || self.free_feed_slot().is_some())
    }

    fn connect(&mut self, place: Place, input: &Id, spec: &FeedSpec) {
        let known = self.slot_of(input, spec);
        let Some(slot) = known.or_else(|| self.free_feed_slot()) else { return };
        if known.is_none() {
            self.feeds.push(Fed { input: input.clone(), spec: spec.clone(), slot });
            self.new_feeds.push((slot, spec.clone()));
        }
        for (side, column) in (0_u8..).zip(place.columns()) {
            self.edits.push(Edit::Connect { column, feed: slot, side });
            self.fed_by.insert(column, slot);
        }
    }

    fn free_feed_slot(&self) -> Option<u16> {
        let taken: BTreeSet<u16> =
            self.feeds.iter().map(|fed| fed.slot).chain(self.feeds_going.iter().map(|(slot, _)| *slot)).collect();
        // Slot 0 stays silent: it is what an unconnected column takes from.
        (1..u16::try_from(FEEDS).unwrap_or(u16::MAX)).find(|slot| !taken.contains(slot))
    }

    fn drop_unused_feeds(&mut self) {
        let placed = &self.placed;
        let used = |fed: &Fed| placed.values().any(|placed| placed.kind.feed() == Some((&fed.input, &fed.spec)));
        for fed in self.feeds.extract_if(.., |fed| !used(fed)) {
            self.feeds_going.push((fed.slot, Until::Unsent));
        }
    }

    fn wire(&mut self, place: Place, kind: &WantedKind) {
        if let WantedKind::Output { wires, limited } = kind {
            for (number, column) in place.columns().enumerate() {
                self.edits.push(Edit::Wire { column, wire: wires.get(number).copied(), limited: *limited });
            }
        }
    }

    fn leave(&mut self, (bank, id): (Bank, Id), place: Place) {
        let ramp_frames = self.frames(CROSS_FADE_MS);
        for column in place.columns() {
            self.edits.push(Edit::Leave { bank, column, ramp_frames });
        }
        self.leaving.push(Leaving { bank, id, place, until: Until::Unsent });
    }

    /// Tells each follower whose columns and feeds it is about, those on their way out too.
    fn say_who_owns(&mut self) {
        let followers = self.placed.iter().filter(|((bank, _), _)| *bank == Bank::Followers);
        let mut said = Vec::new();
        for (_, Placed { kind, place, .. }) in followers {
            let WantedKind::Follower { owner, .. } = kind else { continue };
            let places = owner.channels.iter().filter_map(|id| self.place(Bank::Sources, id));
            let going = self.leaving.iter().filter(|leaving| leaving.bank == Bank::Sources);
            let going = going.filter(|leaving| owner.channels.contains(&leaving.id)).map(|leaving| leaving.place);
            let mut columns: Vec<u16> = places.chain(going).flat_map(Place::columns).collect();
            let feeds: BTreeSet<u16> = columns.iter().filter_map(|column| self.fed_by.get(column)).copied().collect();
            // What a channel that went over to another line still has of theirs is theirs until it has faded.
            let going = self.leaving.iter().filter(|leaving| leaving.bank == Bank::Sources);
            let theirs = |column: &u16| self.fed_by.get(column).is_some_and(|feed| feeds.contains(feed));
            columns.extend(going.flat_map(|leaving| leaving.place.columns()).filter(theirs));
            columns.sort_unstable();
            columns.dedup();
            let feeds: Vec<u16> = feeds.into_iter().collect();
            for (side, column) in place.columns().enumerate() {
                let shares = owner.shares.iter().filter_map(|id| self.place(Bank::Followers, id)?.columns().nth(side));
                let shares: Vec<u16> = shares.collect();
                match Own::new(&columns, &shares, &feeds) {
                    Some(own) => said.push((column, own)),
                    None => self.crowded = true,
                }
            }
        }
        for (column, own) in said {
            if self.owned.insert(column, own) != Some(own) {
                self.edits.push(Edit::Own { column, own: Box::new(own) });
            }
        }
    }

    fn frames(&self, ms: u32) -> u32 {
        u32::try_from(self.rate.frames_in_ms_rounded_up(ms).0).unwrap_or(u32::MAX)
    }

    /// Holds all outputs silent, or lets them be heard again.
    pub(super) fn fade_outputs(&mut self, heard: bool) {
        self.heard = heard;
        let ramp_frames = self.frames(if heard { FROM_SILENCE_MS } else { TO_SILENCE_MS });
        let value = if heard { 1.0 } else { 0.0 };
        for ((bank, id), placed) in &self.placed {
            // One that is being rewired is silent or about to be, and comes up when it is on its new wires.
            if *bank == Bank::Outputs && !self.rewiring.contains_key(id) {
                let fade = |column| Edit::Fade { bank: Bank::Outputs, column, value, ramp_frames };
                self.edits.extend(placed.place.columns().map(fade));
            }
        }
    }

    fn concerns(target: Target, bank: Bank, column: u16) -> bool {
        match target {
            Target::Trim { column: c } | Target::SendGate { column: c } | Target::Sharing { column: c, .. } => {
                bank == Bank::Sources && c == column
            }
            Target::Level { bank: b, column: c }
            | Target::Gate { bank: b, column: c }
            | Target::Delay { bank: b, column: c }
            | Target::Ducking { bank: b, column: c, .. }
            | Target::Stage { bank: b, column: c, .. } => b == bank && c == column,
            Target::ToBus { tap, from, to } => {
                (bank == tap.bank() && from == column) || (bank == Bank::Buses && to == column)
            }
            Target::ToOutput { from, to } => {
                (bank == Bank::Buses && from == column) || (bank == Bank::Outputs && to == column)
            }
            Target::Leveller { column: c, .. } => bank == Bank::Buses && c == column,
            Target::Ceiling { column: c } => bank == Bank::Outputs && c == column,
        }
    }

    fn forget_aims(&mut self, bank: Bank, column: u16) {
        self.aimed.retain(|target, _| !Self::concerns(*target, bank, column));
        self.unsent.retain(|target, _| !Self::concerns(*target, bank, column));
    }

    fn inherit_aims(&mut self, column: u16, of: u16) {
        let moved = |target: Target| match target {
            Target::Trim { column: c } if c == of => Some(Target::Trim { column }),
            Target::Delay { bank: Bank::Sources, column: c } if c == of => {
                Some(Target::Delay { bank: Bank::Sources, column })
            }
            Target::SendGate { column: c } if c == of => Some(Target::SendGate { column }),
            Target::Sharing { column: c, value } if c == of => Some(Target::Sharing { column, value }),
            Target::Ducking { bank: Bank::Sources, column: c, value } if c == of => {
                Some(Target::Ducking { bank: Bank::Sources, column, value })
            }
            Target::Level { bank: Bank::Sources, column: c } if c == of => {
                Some(Target::Level { bank: Bank::Sources, column })
            }
            Target::Gate { bank: Bank::Sources, column: c } if c == of => {
                Some(Target::Gate { bank: Bank::Sources, column })
            }
            Target::Stage { bank: Bank::Sources, column: c, value } if c == of => {
                Some(Target::Stage { bank: Bank::Sources, column, value })
            }
            Target::ToBus { tap, from, to } if tap.bank() == Bank::Sources && from == of => {
                Some(Target::ToBus { tap, from: column, to })
            }
            _ => None,
        };
        self.take_over_aims((Bank::Sources, column), (Bank::Sources, of), moved);
    }

    /// A follower begins where its leader stands.
    fn follow_aims(&mut self, column: u16, of: u16, without: bool) {
        let bank = Bank::Followers;
        let moved = |target: Target| match target {
            Target::Stage { bank: Bank::Buses, column: c, value } if c == of && value.is_of_a_filter() => {
                Some(Target::Stage { bank, column, value })
            }
            Target::Level { bank: Bank::Buses, column: c } if c == of && !without => {
                Some(Target::Level { bank, column })
            }
            Target::Gate { bank: Bank::Buses, column: c } if c == of && !without => Some(Target::Gate { bank, column }),
            _ => None,
        };
        self.take_over_aims((bank, column), (Bank::Buses, of), moved);
        if without {
            self.aimed.insert(Target::Gate { bank, column }, 1.0);
        }
    }

    /// A column begins with what another was last aimed at.
    fn take_over_aims(&mut self, column: (Bank, u16), of: (Bank, u16), moved: impl Fn(Target) -> Option<Target>) {
        self.forget_aims(column.0, column.1);
        let copy = |values: &BTreeMap<Target, f32>| -> Vec<(Target, f32)> {
            values.iter().filter_map(|(target, value)| Some((moved(*target)?, *value))).collect()
        };
        let (aimed, unsent) = (copy(&self.aimed), copy(&self.unsent));
        self.aimed.extend(aimed);
        self.unsent.extend(unsent);
        if self.fresh.contains(&of) {
            self.fresh.insert(column);
        } else {
            self.beside.insert(column);
        }
    }

    /// What the engine has when it was never told.
    fn unset(target: Target) -> f32 {
        match target {
            Target::Trim { .. } | Target::Level { .. } => 1.0,
            Target::Gate { .. }
            | Target::Delay { .. }
            | Target::SendGate { .. }
            | Target::Ducking { .. }
            | Target::ToBus { .. }
            | Target::ToOutput { .. }
            | Target::Ceiling { .. }
            | Target::Leveller { .. } => 0.0,
            Target::Stage { value, .. } => value.unset(),
            Target::Sharing { value, .. } => value.unset(),
        }
    }

    /// What is gathered now is a panic's.
    pub(super) const fn hurry(&mut self) {
        self.hurried = true;
    }

    /// Whether a panic waits to be taken.
    pub(super) const fn is_hurried(&self) -> bool {
        self.hurried
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

    /// Whether a batch may carry this while the next plan waits: closings do not wait for anything.
    fn closes(&self, target: Target, value: f32) -> bool {
        let (bank, column) = match target {
            Target::Gate { bank, column } => (bank, column),
            Target::SendGate { column } => (Bank::Sources, column),
            _ => return false,
        };
        let there = !self.beside.contains(&(bank, column));
        value == 0.0 && there && !self.is_fresh(target)
    }

    /// Delays a column of a source or an output. The memory for it comes with the next plan, and stays as long as the column is theirs.
    pub(super) fn delay(&mut self, bank: Bank, column: u16, frames: f32) {
        if frames > 0.0 {
            self.make_room_for_delay(bank, column);
        }
        self.aim(Target::Delay { bank, column }, frames);
    }

    fn make_room_for_delay(&mut self, bank: Bank, column: u16) {
        if self.delayed.insert((bank, column)) {
            self.new_delays.push((bank, column, Some(Box::new(DelayLine::new(self.rate)))));
        }
    }

    /// What goes to the engine next, if anything. It has to be sent, in this order, before this is asked again.
    ///
    /// What one event asked for takes effect in one tick: it is one batch, or, with edits or when it is more than a batch
    /// holds, one plan. While a plan is on its way the next one waits whole; only closings go ahead.
    pub(super) fn take(&mut self) -> Option<ToEngine> {
        self.hurried = false;
        let made = !self.new_feeds.is_empty() || !self.new_delays.is_empty();
        let as_plan = !self.edits.is_empty() || made || self.unsent.len() > BATCH;
        if as_plan && self.in_flight.is_none() {
            return Some(ToEngine::Plan(self.take_plan()));
        }
        let mut now = std::mem::take(&mut self.unsent);
        if as_plan {
            (now, self.unsent) = now.into_iter().partition(|(target, value)| self.closes(*target, *value));
        }
        if now.is_empty() {
            return None;
        }
        self.sequence += 1;
        let commands = now.into_iter().map(|(target, value)| Command { target, value }).collect();
        Some(ToEngine::Batch { sequence: self.sequence, commands })
    }

    fn take_plan(&mut self) -> PlanToSend {
        self.sequence += 1;
        let mut edits = std::mem::take(&mut self.edits);
        for (target, value) in std::mem::take(&mut self.unsent) {
            let command = Command { target, value };
            // What comes up beside another is silent still: it begins with its own source's level.
            let own = matches!(target, Target::Trim { column } if self.beside.contains(&(Bank::Sources, column)));
            edits.push(if own || self.is_fresh(target) { Edit::Jump(command) } else { Edit::Aim(command) });
        }
        self.fresh.clear();
        self.beside.clear();
        let begun = self.leaving.iter_mut().map(|leaving| &mut leaving.until);
        let begun = begun.chain(self.feeds_going.iter_mut().map(|(_, until)| until)).chain(self.rewiring.values_mut());
        begun.for_each(|until| until.sent(self.sequence));
        self.at_once = false;
        self.in_flight = Some(self.sequence);
        let delays = std::mem::take(&mut self.new_delays);
        let plan = Box::new(Plan { sequence: self.sequence, edits, feeds: Vec::new(), delays });
        PlanToSend { plan, wanted: std::mem::take(&mut self.new_feeds) }
    }

    /// A batch or plan took effect at this frame.
    pub(super) fn echo(&mut self, sequence: u64, frame: Frames) {
        // In order: what comes after the plan says that the plan was taken in too, should its own echo be lost.
        if self.in_flight.is_some_and(|plan| plan <= sequence) {
            self.in_flight = None;
        }
        let ramp = frame.plus(self.rate.frames_in_ms_rounded_up(TO_SILENCE_MS)).plus(Frames(32));
        let over = ramp.plus(self.rate.frames_in_ms_rounded_up(RESERVE_MS));
        let begun = self.leaving.iter_mut().map(|leaving| &mut leaving.until);
        let begun = begun.chain(self.feeds_going.iter_mut().map(|(_, until)| until)).chain(self.rewiring.values_mut());
        begun.for_each(|until| until.echoed(sequence, over));
    }

    /// When something that is on its way out will be gone.
    pub(super) fn next_deadline(&self) -> Option<Frames> {
        let columns = self.leaving.iter().map(|leaving| leaving.until);
        let others = self.feeds_going.iter().map(|(_, until)| *until).chain(self.rewiring.values().copied());
        columns.chain(others).filter_map(Until::frame).min()
    }

    /// Frees what has left by now; says whether anything was freed.
    pub(super) fn sweep(&mut self, now: Frames) -> bool {
        let before = self.leaving.len() + self.feeds_going.len();
        let mut owners_change = false;
        for leaving in self.leaving.extract_if(.., |leaving| leaving.until.is_over(now)) {
            self.rooms.free(leaving.bank, leaving.place);
            if leaving.bank == Bank::Sources {
                owners_change = true;
                self.fed_by.retain(|column, _| !leaving.place.columns().any(|left| left == *column));
            }
            let columns = leaving.place.columns().map(|column| (leaving.bank, column));
            let given_back = columns.filter(|column| self.delayed.remove(column));
            self.new_delays.extend(given_back.map(|(bank, column)| (bank, column, None)));
            if leaving.bank == Bank::Outputs {
                // Or it would go on writing silence to a wire that another output may have by now.
                let off = |column| Edit::Wire { column, wire: None, limited: false };
                self.edits.extend(leaving.place.columns().map(off));
            }
        }
        if owners_change {
            self.say_who_owns();
        }
        for (slot, _) in self.feeds_going.extract_if(.., |(_, until)| until.is_over(now)) {
            self.new_feeds.push((slot, FeedSpec::Nothing));
        }
        let silent: Vec<Id> =
            self.rewiring.iter().filter(|(_, until)| until.is_over(now)).map(|(id, _)| id.clone()).collect();
        for id in silent {
            self.rewiring.remove(&id);
            self.finish_rewiring(&id);
        }
        self.leaving.len() + self.feeds_going.len() != before
    }
}
