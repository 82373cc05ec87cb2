//! Meters for whoever follows them. This comment is the protocol, for people who write clients.
//!
//! ```text
//! /follow/meters PATTERN RATE_HZ LEASE_S     to the desk; rate (10) and lease (60) may be left out
//! /follow/granted ID RATE_HZ LEASE_S         from the desk: i f i, what was really granted
//! /follow/table REVISION FIRST NAME NAME...  from the desk: i i s s..., the meters by name
//! /follow/values REVISION SEQUENCE FIRST V V...  from the desk: i i i f f..., their values
//! /follow/table                              to the desk: send me my tables again
//! /follow/end ID                             to the desk: stop
//! ```
//!
//! * PATTERN is an OSC pattern over meter paths: `/meter/bus/*/*/peak`. A client takes what it shows.
//! * Rates go from 1 to 50 Hz, leases from 1 to 3,600 s; what lies outside is brought inside, and the grant says
//!   so. The same pattern from the same address and port again renews the lease, may change the rate, and keeps the ID.
//! * Everything goes to the address and port that asked. A datagram has at most 1,472 bytes. A longer table or
//!   set of values comes in several, and FIRST counts where in the table the first name or value of this one
//!   stands, from 0.
//! * A REVISION is the number of one table of one follower; no two tables have the same, so it also tells the
//!   follows of one client apart. When meters come or go, a table with a new revision is sent, and the values after it
//!   carry that revision. Values of a revision that the client has no whole table for: ask with `/follow/table`.
//! * The table is sent when the follow is granted, when it changes, when asked for, at each renewal, and to
//!   followers that the rig names every 5 s. So a lost datagram is made good by the client's own renewals.
//! * SEQUENCE counts the sets of values of a follower from 0; all datagrams of one set carry the same. A gap is a loss.
//! * Each value covers exactly the time since the same value was last sent to this follower: the highest peak
//!   (dBFS), the mean power (dBFS RMS), the number of clipped samples. -150 dBFS stands for silence. While the
//!   engine measures nothing, nothing is sent. What has a memory of its own (loudness, VU, bars that fall) shows where
//!   it is now.
//! * `/loudness/start`, `/loudness/pause`, `/loudness/continue` and `/loudness/reset` do so to integrated loudness,
//!   range and the highest values together, of everything, or of what fits a pattern: `/loudness/reset /bus/programme`.
//!   Momentary and short-term loudness always run. `/loudness/show TARGET_LUFS MINUTES` says what a show is to come to and
//!   how long it lasts, from the last start or reset on, pauses left out: `loudness/left` shows how many seconds of it are left (-1
//!   while nobody has said), `loudness/heading` how loud they have to be (-150 when no level within 6 LU of the target
//!   brings the whole there, or none are left).

use super::levels::Levels;
use crate::desk::{Heard, MeterMemory, MeterName, Order, OwnVoice, Reading, Return};
use crate::engine::MeterFrame;
use crate::panel::osc::{Argument, Message, Pattern};
use crate::ports::osc::encode;
use crate::profile;
use crate::profile::Id;
use crate::words::osc;
use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

/// Followers at a time; more ask in vain.
pub const FOLLOWERS_MAX: usize = 64;
/// The longest datagram that is sent: an Ethernet frame less the heads of IP and UDP.
pub const DATAGRAM_BYTES_MAX: usize = 1472;
/// The slowest and the fastest rate, in Hz.
pub const RATE_HZ: (f32, f32) = (1.0, 50.0);
/// The shortest and the longest lease, in seconds.
pub const LEASE_S: (f32, f32) = (1.0, 3600.0);
/// What a follower gets that does not say.
pub const RATE_HZ_DEFAULT: f32 = 10.0;
/// What a follower gets that does not say.
pub const LEASE_S_DEFAULT: f32 = 60.0;
/// Datagrams of a table that are sent at one poll.
const TABLE_DATAGRAMS: usize = 16;
/// How often a follower that the rig names gets its table again.
const STANDING_TABLE_EVERY: Duration = Duration::from_secs(5);

/// Hands every meter frame that has come since the last call to the function given.
pub type Meters = Box<dyn FnMut(&mut dyn FnMut(&MeterFrame)) + Send>;

/// Sends a datagram now; says whether it went.
type Transmit<'a> = &'a mut dyn FnMut(SocketAddr, &[u8]) -> bool;

/// Which meters there are, and from which plan on.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct MeterTable {
    /// The sequence number of the plan that put the meters where they are read. Frames of earlier plans are
    /// still read by the table before.
    pub plan: u64,
    /// The meters.
    pub names: Vec<MeterName>,
    /// What each column of the engine's followers works for.
    pub mix_minus: BTreeMap<u16, Return>,
}

/// What a follower was granted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Granted {
    /// The follower's number.
    pub id: i32,
    /// Sets of values per second.
    pub rate_hz: f32,
    /// Seconds until it ends.
    pub lease_s: i32,
}

impl Granted {
    /// `/follow/granted ID RATE LEASE`.
    #[must_use]
    pub fn message(&self) -> Message {
        let arguments = vec![Argument::Int(self.id), Argument::Float(self.rate_hz), Argument::Int(self.lease_s)];
        Message { address: "/follow/granted".to_owned(), arguments }
    }
}

#[derive(Debug)]
struct Follower {
    id: i32,
    to: SocketAddr,
    pattern: Pattern,
    period: Duration,
    /// When its lease ends; one that the rig names has none.
    ends: Option<Duration>,
    /// When its values are due.
    due: Duration,
    revision: i32,
    sequence: i32,
    /// Places in the table, with what this follower has not yet seen.
    meters: Vec<(usize, Reading)>,
    /// Whether anything was measured since its last values.
    fresh: bool,
    /// The first name of its table that is not yet sent.
    names_from: Option<usize>,
    /// When the rig's followers get their table again.
    table_due: Duration,
}

/// All followers and what they have not yet seen.
#[derive(Debug)]
pub struct Hub {
    table: Arc<MeterTable>,
    /// The table of a plan that has not yet been seen in force.
    next: Option<Arc<MeterTable>>,
    followers: Vec<Follower>,
    last_id: i32,
    last_revision: i32,
    /// What goes on whether anybody follows or not.
    memory: MeterMemory,
    levels: Levels,
}

impl Hub {
    /// A hub without followers.
    #[must_use]
    pub fn new(table: Arc<MeterTable>) -> Self {
        let (mut memory, mut levels) = (MeterMemory::default(), Levels::default());
        memory.take_table(&table.names);
        levels.change(&table);
        Self { table, next: None, followers: Vec::new(), last_id: 0, last_revision: 0, memory, levels }
    }

    /// What was heard lately on every peak meter, by its path.
    #[must_use]
    pub fn heard(&self, rate_hz: u32) -> BTreeMap<String, Heard> {
        self.levels.heard(&self.table, rate_hz)
    }

    /// What the meters of buses and outputs show, by path.
    #[must_use]
    pub fn shown(&self) -> BTreeMap<String, f32> {
        self.levels.shown(&self.table, &self.memory)
    }

    /// The mix-minus buses of which the proof lately found that somebody hears themselves.
    #[must_use]
    pub fn leaks(&self) -> Vec<Id> {
        self.levels.leaks()
    }

    /// What is known of whether voices come back to their own speakers by ways outside the desk.
    #[must_use]
    pub fn own_voices(&self) -> Vec<OwnVoice> {
        self.levels.own_voices()
    }

    /// How many follow.
    #[must_use]
    pub fn followers(&self) -> usize {
        self.followers.len()
    }

    /// Takes a follower in, or renews its lease.
    ///
    /// # Errors
    /// No pattern, one that fits no meter, no numbers, or [`FOLLOWERS_MAX`] are there: the reason in words for the sender.
    pub fn follow(
        &mut self,
        now: Duration,
        to: SocketAddr,
        pattern: &str,
        rate_hz: f32,
        lease_s: f32,
    ) -> Result<Granted, String> {
        let Some(pattern) = Pattern::parse(pattern) else {
            return Err(osc::no_meter_pattern(pattern));
        };
        if !rate_hz.is_finite() || !lease_s.is_finite() {
            return Err(osc::RATE_AND_LEASE_ARE_NUMBERS.to_owned());
        }
        let rate_hz = rate_hz.clamp(RATE_HZ.0, RATE_HZ.1);
        #[expect(clippy::cast_possible_truncation, reason = "at most an hour")]
        let lease_s = lease_s.clamp(LEASE_S.0, LEASE_S.1).round() as i32;
        let period = period(rate_hz);
        let ends = Some(now + Duration::from_secs(lease_s.unsigned_abs().into()));
        self.forget_ended(now);
        let same = |known: &&mut Follower| known.ends.is_some() && known.to == to && known.pattern == pattern;
        let id = if let Some(known) = self.followers.iter_mut().find(same) {
            known.period = period;
            known.due = known.due.min(now + period);
            known.ends = ends;
            known.names_from = Some(0);
            known.id
        } else if let Some(why) = self.fits_nothing(&pattern) {
            return Err(why);
        } else if self.followers.len() >= FOLLOWERS_MAX {
            return Err(osc::too_many_followers(FOLLOWERS_MAX));
        } else {
            self.add(now, to, pattern, period, ends)
        };
        Ok(Granted { id, rate_hz, lease_s })
    }

    /// Why nothing would ever be sent for this pattern, with the nearest path, if so.
    fn fits_nothing(&self, pattern: &Pattern) -> Option<String> {
        let tables = [Some(&self.table), self.next.as_ref()];
        let paths = || tables.into_iter().flatten().flat_map(|table| &table.names).map(|name| &*name.path);
        let written = pattern.as_str();
        // Before the first plan there is no meter at all.
        if paths().next().is_none() || paths().any(|path| pattern.matches(path)) {
            return None;
        }
        // By what they have in common at the start, and then by how much of the rest is alike.
        let alike = |path: &&str| {
            let same = path.bytes().zip(written.bytes()).take_while(|(a, b)| a == b).count();
            (same, usize::MAX - path.len().abs_diff(written.len()))
        };
        let near = paths().max_by_key(alike)?;
        Some(osc::no_such_meter(near))
    }

    fn add(
        &mut self,
        now: Duration,
        to: SocketAddr,
        pattern: Pattern,
        period: Duration,
        ends: Option<Duration>,
    ) -> i32 {
        self.last_id = self.last_id.wrapping_add(1);
        let mut follower = Follower {
            id: self.last_id,
            to,
            pattern,
            period,
            ends,
            due: now,
            revision: 0,
            sequence: 0,
            meters: Vec::new(),
            fresh: false,
            names_from: None,
            table_due: now + STANDING_TABLE_EVERY,
        };
        follower.take_table(&self.table, &[], &mut self.last_revision);
        self.followers.push(follower);
        self.last_id
    }

    /// The followers that the rig names, in place of those it named before. Gives back the patterns that are none.
    pub fn standing(&mut self, now: Duration, named: &[profile::Follower]) -> Vec<String> {
        let is = |known: &Follower, named: &profile::Follower| {
            let same = known.to == named.address && known.pattern.as_str() == named.pattern;
            known.ends.is_none() && same && known.period == period(named.rate_hz)
        };
        self.followers.retain(|known| known.ends.is_some() || named.iter().any(|named| is(known, named)));
        let mut unreadable = Vec::new();
        for follower in named {
            if self.followers.iter().any(|known| is(known, follower)) {
                continue;
            }
            match Pattern::parse(&follower.pattern) {
                Some(pattern) => {
                    self.add(now, follower.address, pattern, period(follower.rate_hz), None);
                }
                None => unreadable.push(follower.pattern.clone()),
            }
        }
        unreadable
    }

    /// Ends a follow that was asked for from this address (from any port of it); says whether there was one.
    pub fn end(&mut self, from: SocketAddr, id: i32) -> bool {
        let before = self.followers.len();
        let is_it = |known: &Follower| known.id == id && known.ends.is_some() && known.to.ip() == from.ip();
        self.followers.retain(|known| !is_it(known));
        self.followers.len() < before
    }

    /// Sends the tables of this client again; says how many follows it has.
    pub fn table_again(&mut self, from: SocketAddr) -> usize {
        let mine = self.followers.iter_mut().filter(|known| known.to == from);
        mine.map(|known| known.names_from = Some(0)).count()
    }

    /// There are other meters now.
    pub fn change(&mut self, table: Arc<MeterTable>) {
        self.next = Some(table);
    }

    /// Takes a meter frame in, for every follower.
    pub fn read(&mut self, frame: &MeterFrame) {
        if let Some(next) = self.next.take_if(|next| frame.plan >= next.plan) {
            let old = std::mem::replace(&mut self.table, next);
            self.memory.take_table(&self.table.names);
            for follower in &mut self.followers {
                let unseen = follower.meters.iter().map(|(place, reading)| (&*old.names[*place].path, *reading));
                let unseen: Vec<(&str, Reading)> = unseen.collect();
                follower.take_table(&self.table, &unseen, &mut self.last_revision);
            }
            self.levels.change(&self.table);
        }
        if frame.frames == 0 {
            return;
        }
        self.memory.read(frame);
        self.levels.read(&self.table, frame);
        for follower in &mut self.followers {
            follower.fresh = true;
            for (place, reading) in &mut follower.meters {
                self.table.names[*place].read(frame, reading);
            }
        }
    }

    /// Starts, pauses, continues or resets the measurements of loudness whose address fits; says how many.
    pub fn order(&mut self, order: Order, pattern: Option<&Pattern>) -> usize {
        self.memory.order(order, |address| pattern.is_none_or(|pattern| pattern.matches(address)))
    }

    /// What a show is to come to, LUFS, and how many seconds of it there will be: what `loudness/heading` goes by.
    pub fn aim_show(&mut self, target_lufs: f64, whole_s: f64) {
        self.memory.aim_show(target_lufs, whole_s);
    }

    /// By how much a device says that its outputs are late, ms: a part of the lip-sync figure of those outputs.
    pub fn note_device_late(&mut self, device: &Id, ms: Option<f32>) {
        self.memory.note_device_late(device, ms);
    }

    /// Sends what is due and ends what has ended. `now` is time on the monotonic clock; `send` sends a datagram now
    /// and says whether it went.
    pub fn poll(&mut self, now: Duration, send: &mut dyn FnMut(SocketAddr, &[u8]) -> bool) {
        self.forget_ended(now);
        for follower in &mut self.followers {
            if follower.ends.is_none() && now >= follower.table_due {
                follower.table_due = now + STANDING_TABLE_EVERY;
                follower.names_from = Some(0);
            }
            follower.send_table(&self.table, send);
            if follower.fresh && now >= follower.due {
                // Kept to its own beat, but what was missed is not made up for.
                let next = follower.due + follower.period;
                follower.due = if next > now { next } else { now + follower.period };
                follower.send_values(&self.table, &self.memory, send);
            }
        }
    }

    fn forget_ended(&mut self, now: Duration) {
        self.followers.retain(|known| known.ends.is_none_or(|ends| now < ends));
    }
}

impl Follower {
    /// Takes over a table with what this follower has not yet seen of the old one. The same names are no news.
    fn take_table(&mut self, table: &MeterTable, unseen: &[(&str, Reading)], last_revision: &mut i32) {
        let fits = table.names.iter().enumerate().filter(|(_, name)| self.pattern.matches(&name.path));
        let readings: BTreeMap<&str, Reading> = unseen.iter().copied().collect();
        let meters: Vec<(usize, Reading)> =
            fits.map(|(place, name)| (place, readings.get(&*name.path).copied().unwrap_or_default())).collect();
        let same = meters.len() == unseen.len()
            && meters.iter().zip(unseen).all(|((place, _), (path, _))| *table.names[*place].path == **path);
        self.meters = meters;
        if !same || self.revision == 0 {
            *last_revision = last_revision.wrapping_add(1).max(1);
            self.revision = *last_revision;
            self.names_from = Some(0);
        }
    }

    /// Sends more of the table, not so much at once that a socket's usual buffer would overflow; what does not go now is tried again at the next poll.
    fn send_table(&mut self, table: &MeterTable, send: Transmit<'_>) {
        for _ in 0..TABLE_DATAGRAMS {
            let Some(first) = self.names_from else { return };
            let mut arguments = vec![Argument::Int(self.revision), Argument::Int(index(first))];
            let mut data = 8;
            for (place, _) in &self.meters[first..] {
                let name = &table.names[*place].path;
                data += padded(name.len());
                let whole = padded("/follow/table".len()) + padded(arguments.len() + 2) + data;
                if arguments.len() > 2 && whole > DATAGRAM_BYTES_MAX {
                    break;
                }
                arguments.push(Argument::Text(name.clone()));
            }
            let next = first + arguments.len() - 2;
            let message = Message { address: "/follow/table".to_owned(), arguments };
            if !send(self.to, &encode(&message)) {
                return;
            }
            self.names_from = (next < self.meters.len()).then_some(next);
        }
    }

    /// Sends a set of values. What does not go now stays unseen and is part of the next set.
    fn send_values(&mut self, table: &MeterTable, memory: &MeterMemory, send: Transmit<'_>) {
        self.fresh = false;
        for (chunk, meters) in self.meters.chunks_mut(VALUES_MAX).enumerate() {
            let head = [self.revision, self.sequence, index(chunk * VALUES_MAX)].map(Argument::Int);
            let values =
                meters.iter().map(|(place, reading)| Argument::Float(table.names[*place].value(reading, memory)));
            let arguments = head.into_iter().chain(values).collect();
            let message = Message { address: "/follow/values".to_owned(), arguments };
            if send(self.to, &encode(&message)) {
                meters.iter_mut().for_each(|(_, reading)| *reading = Reading::default());
            }
        }
        self.sequence = self.sequence.wrapping_add(1) & i32::MAX;
    }
}

/// The most values of one datagram.
const VALUES_MAX: usize = 287;
const _: () = {
    const fn bytes(values: usize) -> usize {
        padded("/follow/values".len()) + padded(",iii".len() + values) + 3 * 4 + values * 4
    }
    assert!(bytes(VALUES_MAX) <= DATAGRAM_BYTES_MAX && bytes(VALUES_MAX + 1) > DATAGRAM_BYTES_MAX);
};

/// The time between two sets of values at this rate, brought within [`RATE_HZ`].
fn period(rate_hz: f32) -> Duration {
    Duration::from_secs_f64(1.0 / f64::from(rate_hz.clamp(RATE_HZ.0, RATE_HZ.1)))
}

/// Bytes that a text of this length takes in OSC.
const fn padded(length: usize) -> usize {
    (length / 4 + 1) * 4
}

/// A place in a table, as OSC counts.
fn index(place: usize) -> i32 {
    i32::try_from(place).unwrap_or(i32::MAX)
}
