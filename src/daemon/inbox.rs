//! What waits for the desk: one bounded lane for each port, panels before network, one thread that empties them.
//!
//! A newer value for a parameter takes the place of an older one that still waits in the same lane; edges
//! (presses, switches, panel bytes) are never replaced. When a lane is full, what does not fit is counted and
//! refused to whoever brings it, except closings: of those one is kept for every target, so that closing
//! a channel always gets through. Bundles and patterns that close have some room of their own behind the rest.

use super::talk::Asked;
use crate::desk::Event;
use crate::desk::journal::What;
use crate::params::{Address, Key, Value};
use crate::profile::{Installation, Texts};
use crate::units::Frames;
use std::collections::{BTreeMap, VecDeque};
use std::net::SocketAddr;
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError, mpsc};
use std::time::{Duration, Instant};

/// Control ports a rig may have; the lane after theirs is the network's, and the last one is the daemon's own.
pub const CONTROL_PORTS: usize = 64;
/// The daemon's own lane.
pub const DAEMON_LANE: usize = CONTROL_PORTS + 1;

/// Items that may wait in one lane.
pub const LANE_ITEMS: usize = 4096;
/// Room beyond that for what closes several targets at once.
const CLOSING_ITEMS: usize = 256;
/// Items taken from one lane before the next lane has its turn, and panel bytes, the last item of them taken whole: what comes by
/// another lane waits for no more work than this.
const TURN: usize = 64;
const TURN_BYTES: usize = 1024;
/// Panel bytes that are joined into one item; nobody brings more in one.
pub const JOINED_BYTES: usize = 256;

/// Where an item came from, so that it can be answered.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Origin {
    /// Nobody waits for an answer.
    Nobody,
    /// A sender of OSC.
    Osc(SocketAddr),
}

/// What the desk is asked.
#[derive(Clone, Debug)]
pub enum Ask {
    /// An event for the desk.
    Event(Event),
    /// A message of a panel that no control of the panel file says: for whoever is about to make one of it.
    Stranger(Event),
    /// Where a control of a node stands: an event like a hand's, that no hand made.
    Standing(Event),
    /// Files were accepted.
    Install {
        /// What they say.
        installation: Box<Installation>,
        /// Their texts, for the journal.
        texts: Box<Texts>,
        /// Whether it is the profile in force, edited.
        reread: bool,
        /// Told once they are in force.
        taken: mpsc::SyncSender<()>,
    },
    /// A command wants to know something.
    Question(Asked),
    /// Something for the journal only.
    Note(What),
    /// The values of all parameters whose OSC address fits this pattern; answered with `/answer PATH VALUE` each.
    Values(String),
    /// A value for all parameters whose OSC address fits the pattern. Checked and expanded by the desk's thread.
    Pattern {
        /// The patterns with their values, to take effect in one tick.
        values: Vec<(String, Value)>,
        /// Whether the sender may open microphones.
        may_open_microphones: bool,
    },
}

/// One thing that waits.
#[derive(Clone, Debug)]
pub struct Item {
    /// What.
    pub ask: Ask,
    /// Whence.
    pub origin: Origin,
    /// Not before this frame; frame 0 is at once. Held items do not hold up the others.
    pub due: Frames,
}

impl Item {
    /// An event that nobody waits for, due at once.
    #[must_use]
    pub const fn event(event: Event) -> Self {
        Self { ask: Ask::Event(event), origin: Origin::Nobody, due: Frames(0) }
    }

    /// Bytes of a panel in it.
    fn panel_bytes(&self) -> usize {
        match &self.ask {
            Ask::Event(Event::Midi { bytes, .. }) => bytes.len(),
            _ => 0,
        }
    }

    /// The parameter of a plain move that a later one may replace.
    fn moves(&self) -> Option<&Address> {
        match &self.ask {
            Ask::Event(Event::Set { address, value: Value::Number(_), .. }) if self.due == Frames(0) => Some(address),
            _ => None,
        }
    }

    /// The parameter this sets.
    fn sets(&self) -> Option<&Address> {
        match &self.ask {
            Ask::Event(Event::Set { address, .. }) => Some(address),
            _ => None,
        }
    }

    /// The parameter this closes, if it is a closing.
    fn closes(&self) -> Option<&Address> {
        match &self.ask {
            Ask::Event(Event::Set { address, value, .. }) => closes(address, value).then_some(address),
            _ => None,
        }
    }

    /// Whether a bundle or pattern closes something.
    fn closes_several(&self) -> bool {
        match &self.ask {
            Ask::Event(Event::SetAll { values, .. }) => values.iter().any(|(address, value)| closes(address, value)),
            Ask::Pattern { values, .. } => {
                values.iter().any(|(_, value)| *value == Value::Off || value.is_word("closed"))
            }
            _ => false,
        }
    }

    /// Whether two bundles or patterns ask for the same.
    fn same(&self, other: &Self) -> bool {
        self.due == other.due
            && match (&self.ask, &other.ask) {
                (Ask::Event(Event::SetAll { values, .. }), Ask::Event(Event::SetAll { values: others, .. })) => {
                    values == others
                }
                (Ask::Pattern { values, .. }, Ask::Pattern { values: others, .. }) => values == others,
                _ => false,
            }
    }
}

fn closes(address: &Address, value: &Value) -> bool {
    match address.key {
        Key::ChannelSwitch => value.is_word("closed"),
        Key::ChannelFader | Key::BusFader | Key::OutputLevel => *value == Value::Off,
        Key::TalkbackTo | Key::TalkbackAll | Key::TalkbackSlate | Key::BusTone => value.is_word("off"),
        Key::ChannelCough => value.is_word("on"),
        _ => false,
    }
}

#[derive(Debug, Default)]
struct Lane {
    items: VecDeque<Item>,
    /// Closings that did not fit, one for each target.
    closings: BTreeMap<Address, Item>,
    dropped: u64,
}

#[derive(Debug)]
struct Inner {
    lanes: Vec<Lane>,
    nudged: bool,
}

/// The desk's inbox.
#[derive(Debug)]
pub struct Inbox {
    inner: Mutex<Inner>,
    ready: Condvar,
}

impl Inbox {
    /// So many lanes; see [`CONTROL_PORTS`] and [`DAEMON_LANE`] for which is whose.
    #[must_use]
    pub fn new(lanes: usize) -> Self {
        let lanes = (0..lanes).map(|_| Lane::default()).collect();
        Self { inner: Mutex::new(Inner { lanes, nudged: false }), ready: Condvar::new() }
    }

    fn lock(&self) -> MutexGuard<'_, Inner> {
        // What is under the lock is whole after every statement, also when a holder panicked.
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Puts an item into a lane; says whether it was taken.
    pub fn push(&self, lane: usize, item: Item) -> bool {
        let taken = self.lock().lanes.get_mut(lane).is_some_and(|lane| lane.push(item));
        self.ready.notify_one();
        taken
    }

    /// Wakes the desk without an item: it looks after what else it owns.
    pub fn nudge(&self) {
        self.lock().nudged = true;
        self.ready.notify_one();
    }

    /// Items that did not fit, by lane.
    #[must_use]
    pub fn dropped(&self) -> Vec<u64> {
        self.lock().lanes.iter().map(|lane| lane.dropped).collect()
    }

    /// Waits until something is there, at most so long, and moves one turn of every lane into `into`.
    pub fn take(&self, timeout: Duration, into: &mut Vec<Item>) {
        let until = Instant::now() + timeout;
        let mut inner = self.lock();
        while !inner.nudged && inner.lanes.iter().all(Lane::is_empty) {
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return;
            }
            inner = self.ready.wait_timeout(inner, left).unwrap_or_else(PoisonError::into_inner).0;
        }
        inner.nudged = false;
        for lane in &mut inner.lanes {
            lane.take(into);
        }
    }
}

impl Lane {
    fn is_empty(&self) -> bool {
        self.items.is_empty() && self.closings.is_empty()
    }

    fn push(&mut self, item: Item) -> bool {
        if let Some(address) = item.moves() {
            // Looked for from the back, and not past an item of another kind, so that the order against edges stays.
            for waiting in self.items.iter_mut().rev().take(TURN) {
                match waiting.moves() {
                    Some(there) if there == address => {
                        *waiting = item;
                        return true;
                    }
                    Some(_) => {}
                    None => break,
                }
            }
        }
        let item = match self.join(item) {
            Some(item) => item,
            None => return true,
        };
        if self.items.len() < LANE_ITEMS {
            self.items.push_back(item);
            return true;
        }
        if let Some(address) = item.closes().cloned() {
            // It will go before what still waits, so whatever is older for the same target must not come after it.
            self.items.retain(|waiting| waiting.sets() != Some(&address));
            self.closings.insert(address, item);
            return true;
        }
        if item.closes_several() {
            // Behind all that waits, since what it means is known to the desk only; said twice, the later counts.
            let beyond = self.items.iter().skip(LANE_ITEMS).position(|waiting| waiting.same(&item));
            if let Some(place) = beyond {
                self.items.remove(LANE_ITEMS + place);
            }
            if self.items.len() < LANE_ITEMS + CLOSING_ITEMS {
                self.items.push_back(item);
                return true;
            }
        }
        self.dropped += 1;
        false
    }

    /// Appends panel bytes to those that wait already; gives back what could not be joined.
    fn join(&mut self, item: Item) -> Option<Item> {
        let Item { ask: Ask::Event(Event::Midi { port, bytes }), .. } = &item else { return Some(item) };
        if let Some(Item { ask: Ask::Event(Event::Midi { port: same, bytes: waiting }), .. }) = self.items.back_mut()
            && same == port
            && waiting.len() + bytes.len() <= JOINED_BYTES
        {
            waiting.extend_from_slice(bytes);
            return None;
        }
        Some(item)
    }

    fn take(&mut self, into: &mut Vec<Item>) {
        let (mut count, mut bytes) = (0, 0);
        while count < self.items.len().min(TURN) && bytes < TURN_BYTES {
            bytes += self.items[count].panel_bytes();
            count += 1;
        }
        into.extend(self.items.drain(..count));
        // While the lane is long these go before what was there first, which only closes sooner.
        into.extend(std::mem::take(&mut self.closings).into_values());
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::desk::By;
    use crate::panel::PortIndex;

    fn set(path: &str, value: Value) -> Item {
        let address = Address::from_dotted(path).expect(path);
        Item::event(Event::Set { address, value, by: By::Message { may_open_microphones: true } })
    }

    fn values(inbox: &Inbox) -> Vec<String> {
        let mut items = Vec::new();
        inbox.take(Duration::ZERO, &mut items);
        let text = items.iter().map(|item| match &item.ask {
            Ask::Event(Event::Set { address, value, .. }) => format!("{address} {value}"),
            other => format!("{other:?}"),
        });
        text.collect()
    }

    #[test]
    fn a_newer_move_replaces_the_older_but_never_jumps_over_an_edge() {
        let inbox = Inbox::new(1);
        for level in [-1.0, -2.0] {
            assert!(inbox.push(0, set("channel.a.fader", Value::Number(level))));
        }
        inbox.push(0, set("channel.a.switch", Value::Word("closed".into())));
        inbox.push(0, set("channel.a.fader", Value::Number(-3.0)));
        assert_eq!(values(&inbox), ["channel.a.fader -2.0", "channel.a.switch closed", "channel.a.fader -3.0"]);
    }

    #[test]
    fn a_full_lane_counts_what_it_refuses_and_still_takes_every_closing() {
        let inbox = Inbox::new(2);
        for _ in 0..LANE_ITEMS {
            assert!(inbox.push(0, set("channel.a.switch", Value::Word("open".into()))));
        }
        assert!(!inbox.push(0, set("channel.a.switch", Value::Word("open".into()))));
        assert!(inbox.push(0, set("channel.b.switch", Value::Word("closed".into()))));
        assert!(inbox.push(0, set("channel.b.switch", Value::Word("closed".into()))));
        assert_eq!(inbox.dropped(), [1, 0]);
        assert!(inbox.push(0, set("channel.a.switch", Value::Word("closed".into()))));
        assert_eq!(values(&inbox), ["channel.a.switch closed", "channel.b.switch closed"], "nothing older opens again");
    }

    #[test]
    fn a_flood_of_panel_bytes_leaves_the_next_lane_its_turn() {
        let inbox = Inbox::new(2);
        for _ in 0..LANE_ITEMS {
            inbox.push(0, Item::event(Event::Midi { port: PortIndex(0), bytes: vec![0xf8; JOINED_BYTES] }));
        }
        inbox.push(1, set("channel.a.switch", Value::Word("closed".into())));
        let mut items = Vec::new();
        inbox.take(Duration::ZERO, &mut items);
        assert_eq!(items.iter().map(Item::panel_bytes).sum::<usize>(), TURN_BYTES);
        assert!(items.last().is_some_and(|item| item.closes().is_some()));
    }

    #[test]
    fn a_full_lane_takes_what_closes_several_at_once() {
        let inbox = Inbox::new(1);
        for _ in 0..LANE_ITEMS {
            assert!(inbox.push(0, set("channel.a.switch", Value::Word("open".into()))));
        }
        let pattern = |pattern: String, word: &str| {
            let values = vec![(pattern, Value::Word(word.into()))];
            let ask = Ask::Pattern { values, may_open_microphones: true };
            Item { ask, origin: Origin::Nobody, due: Frames(0) }
        };
        assert!(!inbox.push(0, pattern("/channel/*/switch".into(), "open")));
        for _ in 0..2 * CLOSING_ITEMS {
            assert!(inbox.push(0, pattern("/channel/*/switch".into(), "closed")), "the same again takes no room");
        }
        for other in 1..CLOSING_ITEMS {
            assert!(inbox.push(0, pattern(format!("/channel/{other}/switch"), "closed")));
        }
        assert!(!inbox.push(0, pattern("/channel/one-more/switch".into(), "closed")), "bounded all the same");
        let values = ["channel.b.switch", "channel.b.fader"].map(|path| Address::from_dotted(path).expect(path));
        let values = values.into_iter().map(|address| (address, Value::Word("open".into()))).collect();
        let by = By::Message { may_open_microphones: true };
        assert!(!inbox.push(0, Item::event(Event::SetAll { values, by })));
        assert_eq!(inbox.dropped(), [3]);
    }
}
