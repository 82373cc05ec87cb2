//! Panel nodes: every control port of kind node has its [`Link`] here, whatever line carries it.
//!
//! ```text
//! serial line --bytes--> frames --+                        +--> moves, states into the port's lane of the inbox
//! UDP datagrams of the node ------+--> Link --LinkEvent--> +--> lamps, contacts, heartbeat back onto the line
//! desk's thread: tick, lamps -----+                        +--> notes into the journal and the log
//! ```
//!
//! The heartbeat is made by the desk's own thread: a desk that hangs makes its lamps fail lit.

use super::inbox::{Ask, DAEMON_LANE, Inbox, Item, Origin};
use super::network::{Answers, To};
use crate::desk::journal::What;
use crate::desk::{By, Event};
use crate::panel::PortIndex;
use crate::panel::node::{FromNode, Link, LinkEvent, Standing, ToNode};
use crate::panel::osc::{Argument, Message};
use crate::panel::slip::{Deframer, FrameCounts, frame};
use crate::params::{Address, Key, Value};
use crate::ports::clock::nanos;
use crate::ports::control::ControlOut;
use crate::ports::osc;
use crate::profile::{self, Contact, ControlKind, Id, NodeLine, Panel, Reach, Rig};
use crate::units::Frames;
use crate::words::{log, node as words};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError};

/// Answers about raw samples that may wait for whoever asked; what does not fit is left out and counted.
pub const ANSWERS_MAX: usize = 1024;

/// What somebody wants of a contact.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ContactAsk {
    /// One pulse of the width that the rig says.
    Pulse,
    /// Stand closed or open.
    Stand {
        /// Which of the two.
        closed: bool,
    },
    /// How does it stand?
    State,
}

/// What has been seen of one node, for whoever shows it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NodeShown {
    /// The control port.
    pub port: Id,
    /// Of its link.
    pub standing: Standing,
    /// Of its serial line.
    pub frames: FrameCounts,
    /// Packets that were no sound OSC.
    pub malformed: u64,
    /// Messages to the node that its line had no room for, and messages from it that the desk had no room for.
    pub dropped: u64,
}

impl NodeShown {
    /// How the node is, in one line for people. What never happened is not mentioned.
    #[must_use]
    pub fn words(&self) -> String {
        let Standing { hello, missed, late, taken, losses, supply_mv, .. } = &self.standing;
        let mut text = words::answers(&self.port, hello.as_ref().map(|hello| &*hello.maker), *taken);
        let bad = self.frames.too_long + self.frames.spoiled + self.malformed;
        for (count, what) in [
            (*missed, words::NEVER_CAME),
            (*late, words::CAME_LATE),
            (bad, words::GARBLED),
            (self.dropped, words::NO_ROOM),
        ] {
            if count > 0 {
                text += &words::counted(count, what);
            }
        }
        text += &words::lost_so_often(*losses);
        if *supply_mv > 0 {
            text += &words::supply(*supply_mv);
        }
        text
    }
}

/// All nodes of the rig.
pub struct Nodes {
    inbox: Arc<Inbox>,
    answers: OnceLock<Answers>,
    inner: Mutex<Inner>,
}

#[derive(Default)]
struct Inner {
    /// By control port.
    ports: Vec<Option<Port>>,
    contacts: Vec<Contact>,
    /// Contacts that the desk's own logic moves.
    of_rooms: BTreeSet<Id>,
    /// How the desk was told that each contact stands.
    told: BTreeMap<Id, bool>,
}

struct Port {
    index: usize,
    id: Id,
    line: NodeLine,
    slot: Option<u8>,
    link: Link,
    deframer: Deframer,
    out: Option<Arc<dyn ControlOut>>,
    malformed: u64,
    dropped: u64,
    asker: Option<SyncSender<FromNode>>,
}

impl fmt::Debug for Nodes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Nodes").field("shown", &self.shown()).finish_non_exhaustive()
    }
}

fn now_ms() -> u64 {
    nanos() / 1_000_000
}

impl Nodes {
    /// None yet; what they say goes into this inbox.
    #[must_use]
    pub fn new(inbox: Arc<Inbox>) -> Self {
        Self { inbox, answers: OnceLock::new(), inner: Mutex::default() }
    }

    fn lock(&self) -> MutexGuard<'_, Inner> {
        // What is under the lock is whole after every step, also when a holder panicked.
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The way out to nodes on UDP.
    pub fn set_answers(&self, answers: Answers) {
        // There is one network for the life of the process.
        drop(self.answers.set(answers));
    }

    /// Takes what the files say. A node of which nothing changed goes on; nothing may be open on a line that changed.
    pub fn configure(&self, rig: &Rig, panel: &Panel) {
        let mut inner = self.lock();
        let mut old: Vec<Port> = std::mem::take(&mut inner.ports).into_iter().flatten().collect();
        for (index, control_port) in rig.control_ports.iter().enumerate() {
            let Reach::Node { line, slot } = &control_port.reach else {
                inner.ports.push(None);
                continue;
            };
            let same = |port: &Port| port.id == control_port.id && port.line == *line && port.slot == *slot;
            let kept = old.iter().position(same).map(|at| old.swap_remove(at));
            let mut port = kept.unwrap_or_else(|| Port::new(control_port.id.clone(), line.clone(), *slot));
            port.index = index;
            // A latching button too: its press that was lost would open something late, with nobody looking.
            let buttons = |kind| {
                matches!(
                    kind,
                    ControlKind::Momentary | ControlKind::Hold | ControlKind::Latching | ControlKind::Encoder(_)
                )
            };
            let of_port = panel.controls.iter().filter(|control| control.port == port.id && buttons(control.kind));
            let buttons = of_port.filter_map(|control| match &control.message {
                profile::Message::Osc { address, .. } => Some(address.clone()),
                _ => None,
            });
            let contacts = rig.contacts.iter().filter(|contact| contact.port == port.id);
            let contacts: Vec<_> = contacts
                .map(|contact| (contact.name.clone(), contact.safe_closed, contact.pulse_ms.is_some()))
                .collect();
            port.link.configure(buttons.collect(), &contacts);
            inner.ports.push(Some(port));
        }
        inner.contacts.clone_from(&rig.contacts);
        inner.told.clear();
        let of_rooms = rig.contacts.iter().map(|contact| &contact.id).filter(|id| rig.console.is_of_a_room(id));
        inner.of_rooms = of_rooms.cloned().collect();
    }

    fn with<T>(&self, index: usize, then: impl FnOnce(&mut Port, &mut Vec<LinkEvent>) -> T) -> Option<T> {
        let mut inner = self.lock();
        let port = inner.ports.get_mut(index)?.as_mut()?;
        let mut events = Vec::new();
        let result = then(port, &mut events);
        self.carry_out(port, events);
        Some(result)
    }

    /// The way out to a node on a serial line.
    pub fn set_line(&self, index: usize, out: Arc<dyn ControlOut>) {
        self.with(index, |port, _| port.out = Some(out));
    }

    /// A serial line is open (again).
    pub fn line_found(&self, index: usize) {
        self.with(index, |port, _| {
            port.deframer.reset();
            port.link.line_found(now_ms());
        });
    }

    /// A serial line is gone.
    pub fn line_lost(&self, index: usize, why: &str) {
        self.with(index, |port, events| port.link.line_lost(why, events));
    }

    /// Bytes of a serial line.
    pub fn bytes(&self, index: usize, bytes: &[u8]) {
        self.with(index, |port, events| {
            for byte in bytes {
                let Some(packet) = port.deframer.push(*byte) else { continue };
                match osc::decode(packet) {
                    Ok(groups) => {
                        for message in groups.iter().flat_map(|group| &group.messages) {
                            port.link.hear(now_ms(), message, events);
                        }
                    }
                    Err(_) => port.malformed += 1,
                }
            }
        });
    }

    /// A message of a node on UDP.
    pub fn heard(&self, index: usize, message: &Message) {
        self.with(index, |port, events| port.link.hear(now_ms(), message, events));
    }

    /// Makes a lamp, ring or motor of a node show something; false when the port is no node's.
    pub fn show(&self, index: usize, message: &Message) -> bool {
        self.with(index, |port, events| {
            if let [Argument::Float(level)] = message.arguments[..]
                && !port.link.level(now_ms(), &message.address, level, events)
            {
                port.dropped += 1;
            }
        })
        .is_some()
    }

    /// Does what time asks for; by the desk's thread, about every 20 ms.
    pub fn tick(&self) {
        let mut inner = self.lock();
        for port in inner.ports.iter_mut().flatten() {
            let mut events = Vec::new();
            port.link.tick(now_ms(), &mut events);
            self.carry_out(port, events);
        }
        self.tell_contacts(&mut inner);
    }

    /// Lets the desk know how contacts stand, whoever moved them: a message, a room, or a node that was away for too long.
    fn tell_contacts(&self, inner: &mut Inner) {
        let Inner { ports, contacts, told, .. } = inner;
        for contact in contacts.iter() {
            let port = ports.iter().flatten().find(|port| port.id == contact.port);
            let Some(closed) = port.and_then(|port| port.link.contact_closed(&contact.name)) else { continue };
            if told.insert(contact.id.clone(), closed) != Some(closed) {
                let address = Address::new(Key::ContactState, &contact.id);
                let value = Value::Word(if closed { "closed" } else { "open" }.into());
                self.inbox.push(DAEMON_LANE, Item::event(Event::Set { address, value, by: By::Desk }));
            }
        }
    }

    /// Whether a contact is the lamp or the mute of a room: then only the truth moves it.
    #[must_use]
    pub fn is_of_a_room(&self, id: &str) -> bool {
        self.lock().of_rooms.contains(id)
    }

    /// Does something with a contact of the rig; says how it stands, when it is one that stands.
    ///
    /// # Errors
    /// Why not, in words for whoever asked.
    pub fn contact(&self, id: &str, ask: ContactAsk) -> Result<Option<bool>, String> {
        let (index, contact) = {
            let inner = self.lock();
            let contact = inner.contacts.iter().find(|contact| &*contact.id == id).cloned();
            let contact = contact.ok_or_else(|| words::no_contact(id))?;
            let index = inner.ports.iter().flatten().find(|port| port.id == contact.port).map(|port| port.index);
            (index.ok_or(words::NODE_NOT_IN_RIG)?, contact)
        };
        let done = self.with(index, |port, events| match (ask, contact.pulse_ms) {
            (ContactAsk::Pulse, Some(width_ms)) => {
                port.link.pulse(now_ms(), &contact.name, width_ms, events)?;
                events.push(LinkEvent::Note(words::pulse_asked(&contact.name, width_ms)));
                Ok(None)
            }
            (ContactAsk::Pulse, None) => Err(words::SAY_STATE.to_owned()),
            (ContactAsk::Stand { closed }, _) => {
                port.link.contact(&contact.name, closed)?;
                port.link.tick(now_ms(), events);
                events.push(LinkEvent::Note(words::shall_stand(&contact.name, closed)));
                Ok(Some(closed))
            }
            (ContactAsk::State, _) => Ok(port.link.contact_closed(&contact.name)),
        });
        done.unwrap_or_else(|| Err(words::NODE_NOT_IN_RIG.to_owned()))
    }

    /// Asks a node for raw samples of a control (addresses, limits and answers as in the wire's section 7). Answers come to
    /// the receiver until another asks; what waits there is bounded by [`ANSWERS_MAX`].
    ///
    /// # Errors
    /// The port is no node's, or its node is away.
    pub fn ask_raw(&self, port: &str, address: &str, rate: i32, ms: i32) -> Result<Receiver<FromNode>, String> {
        let index = self.lock().ports.iter().flatten().find(|known| &*known.id == port).map(|port| port.index);
        let index = index.ok_or_else(|| words::no_node(port))?;
        let asked = self.with(index, |port, events| {
            if !port.link.is_up() {
                return Err(words::node_away(&port.id));
            }
            let (asker, answers) = sync_channel(ANSWERS_MAX);
            port.asker = Some(asker);
            events.push(LinkEvent::Send(ToNode::RawAsk { token: 1, address, rate, ms }.message()));
            Ok(answers)
        });
        asked.unwrap_or_else(|| Err(words::NO_SUCH_NODE.to_owned()))
    }

    /// What has been seen of every node.
    #[must_use]
    pub fn shown(&self) -> Vec<NodeShown> {
        let inner = self.lock();
        let shown = inner.ports.iter().flatten().map(|port| NodeShown {
            port: port.id.clone(),
            standing: port.link.standing(),
            frames: port.deframer.counts(),
            malformed: port.malformed,
            dropped: port.dropped,
        });
        shown.collect()
    }

    fn carry_out(&self, port: &mut Port, events: Vec<LinkEvent>) {
        let mut overrun = false;
        for event in events {
            match event {
                LinkEvent::Send(message) => self.send(port, message),
                LinkEvent::Moved(message) => {
                    let event = Event::PanelOsc { port: PortIndex(port.index), message };
                    overrun |= !self.inbox.push(port.index, Item::event(event));
                }
                LinkEvent::Stands(message) => {
                    let event = Event::PanelOsc { port: PortIndex(port.index), message };
                    let item = Item { ask: Ask::Standing(event), origin: Origin::Nobody, due: Frames(0) };
                    overrun |= !self.inbox.push(port.index, item);
                }
                LinkEvent::Found(what) => {
                    self.inbox.push(port.index, Item::event(Event::PortFound { port: PortIndex(port.index) }));
                    self.note(port, &what);
                    tracing::info!("{}", log::port(&port.id, &what));
                }
                LinkEvent::Lost(why) => {
                    let Standing { taken, missed, late, losses, .. } = port.link.standing();
                    let counts = [taken, missed, late, port.malformed, port.dropped, losses];
                    let text = words::node_lost(&why, counts);
                    self.note(port, &text);
                    tracing::error!("{}", log::port(&port.id, &text));
                }
                LinkEvent::Note(text) => {
                    self.note(port, &text);
                    tracing::info!("{}", log::port(&port.id, &text));
                }
                LinkEvent::Answer(answer) => {
                    if port.asker.as_ref().is_some_and(|asker| asker.try_send(answer).is_err()) {
                        port.dropped += 1;
                    }
                }
            }
        }
        if overrun {
            port.dropped += 1;
            let mut again = Vec::new();
            port.link.overrun(now_ms(), &mut again);
            for event in again {
                if let LinkEvent::Send(message) = event {
                    self.send(port, message);
                }
            }
        }
    }

    fn send(&self, port: &mut Port, message: Message) {
        let sent = match &port.line {
            NodeLine::Serial { .. } => port.out.as_ref().is_some_and(|out| out.send(&frame(&osc::encode(&message)))),
            NodeLine::Udp { .. } => {
                self.answers.get().is_some_and(|answers| answers.send(To::ControlPort(PortIndex(port.index)), message))
            }
        };
        // A line that is not open is no loss: it is asked for again and again.
        port.dropped += u64::from(!sent && port.link.is_up());
    }

    fn note(&self, port: &Port, text: &str) {
        let ask = Ask::Note(What::Note(log::port(&port.id, text)));
        self.inbox.push(DAEMON_LANE, Item { ask, origin: Origin::Nobody, due: Frames(0) });
    }
}

impl Port {
    fn new(id: Id, line: NodeLine, slot: Option<u8>) -> Self {
        // Any number will do that another start of the desk does not begin with.
        #[expect(clippy::cast_possible_truncation, reason = "the lower bits are what differs")]
        let first_number = now_ms() as i32;
        Self {
            index: 0,
            id,
            line,
            slot,
            link: Link::new(slot, first_number),
            deframer: Deframer::default(),
            out: None,
            malformed: 0,
            dropped: 0,
            asker: None,
        }
    }
}
