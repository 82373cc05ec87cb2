//! OSC over UDP for the rest of the world: who sends, what it asks, and what is answered.
//!
//! ```text
//! /channel/lectern/fader -6.0   sets; a pattern sets every parameter that fits; a bundle sets all in one tick
//! /channel/lectern/fader        asks, as /ask /channel/lectern/fader does; /ask takes patterns
//! /answer PATH VALUE            the answer: a number, or a word
//! /refused ADDRESS REASON       why something was not done; ADDRESS is / for a packet that was no OSC
//! /profile/reload               reads the files in force again
//! /profile/revision N OUTCOME   the answer: which revision is in force now, and what came of it
//! /teach/start                  a control is about to be touched to assign it; answered as it goes on by
//! /teach/state WORD TEXT        quiet, touch, again, found, done, ended
//! /teach/assign PATH NAME KIND  what was found moves this from now on; NAME and KIND may be left out
//! /teach/remove                 what was found moves nothing from now on
//! /teach/undo                   what was taught last is as before; /teach/end: no more teaching
//! /contact/ID/pulse             a pulse of a contact of the rig; /contact/ID/state open|closed where it stands
//! ```
//!
//! Meters are told in [`hub`](super::hub). A bundle's time is kept up to [`AHEAD_S_MAX`] seconds ahead for values
//! and questions; what is immediate or late takes effect at once, and so does everything else.
//!
//! A socket's task judges and sorts what it receives and puts it into the desk's inbox; the desk's thread
//! answers through [`Answers`]. Nothing here waits for anybody: a datagram that cannot be sent now is dropped and
//! counted. A sender without a role is never answered, so that nobody can be made to send to a third.

mod request;
mod sockets;

use super::access::{Access, RefusedSender, RefusedSenders, node_address, rig_lines, role_word};
use super::hub::{DATAGRAM_BYTES_MAX, Hub, MeterTable, Meters};
use super::inbox::{Ask, Inbox, Item, Origin};
use super::nodes::{ContactAsk, Nodes};
use super::teach::{Taught, TeachAsk, Teacher, Who, Wish};
use crate::desk::{By, Event, Heard};
use crate::panel::PortIndex;
use crate::panel::osc::{ADDRESS_BYTES_MAX, Argument, Message, PACKET_BYTES_MAX, Refusal, TimeTag};
use crate::params::{Address, Value};
use crate::ports::{clock, osc};
use crate::profile::{Panel, Reach, Rig, Role};
use crate::units::{Frames, SampleRate};
use crate::words::{self, log};
use request::{Request, TeachRequest};
use sockets::{Sockets, Wanted};
use std::collections::BTreeMap;
use std::fmt;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::net::UdpSocket;
use tokio::runtime::Handle;
use tokio::sync::{Notify, mpsc, watch};
use tokio::task::JoinHandle;

/// How far ahead a bundle may be, in seconds.
pub const AHEAD_S_MAX: f64 = 10.0;
/// Items held for a later time.
pub const HELD_MAX: usize = 256;
/// Senders that may wait to hear what came of reading the files again.
const RELOADS_ASKED_MAX: usize = 16;
/// Answers of the desk that wait to be sent.
pub const ANSWERS_MAX: usize = 1024;
/// The longest reason, in bytes; with the longest address it fits one datagram.
const REASON_BYTES_MAX: usize = 600;
/// How often the meters are looked at; twice as often as they come.
const METERS_EVERY: Duration = Duration::from_millis(5);
/// How soon an address that could not be bound is tried again.
const BIND_AGAIN: Duration = Duration::from_millis(500);
/// How long a socket rests that reports an error, so that errors cannot keep a core busy.
const AFTER_ERROR: Duration = Duration::from_millis(10);

/// Whom an answer is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum To {
    /// A sender of OSC.
    Sender(SocketAddr),
    /// A control port of kind OSC: its `reply` address, or else where it last sent from.
    ControlPort(PortIndex),
}

/// What the desk's thread has to say.
#[derive(Clone, Debug, PartialEq)]
pub struct Answer {
    /// To whom.
    pub to: To,
    /// What.
    pub message: Message,
}

/// The desk's thread's end of the answers.
#[derive(Clone, Debug)]
pub struct Answers {
    queue: mpsc::Sender<Answer>,
    counts: Arc<Counts>,
}

impl Answers {
    /// Sends an answer soon; never waits. Says whether there was room, and counts when there was none.
    pub fn send(&self, to: To, message: Message) -> bool {
        let taken = self.queue.try_send(Answer { to, message }).is_ok();
        if !taken {
            bump(&self.counts.answers_dropped);
        }
        taken
    }
}

/// `/answer PATH VALUE`.
#[must_use]
pub fn answer(address: &Address, value: &Value) -> Message {
    let value = match value {
        Value::Number(number) => Argument::Float(*number),
        Value::Off => Argument::Text("off".to_owned()),
        Value::Word(word) => Argument::Text(word.to_string()),
    };
    Message { address: "/answer".to_owned(), arguments: vec![Argument::Text(address.to_osc()), value] }
}

/// `/refused ADDRESS REASON`.
#[must_use]
pub fn refused(address: &str, reason: &str) -> Message {
    let mut end = reason.len().min(REASON_BYTES_MAX);
    while !reason.is_char_boundary(end) {
        end -= 1;
    }
    let arguments = vec![Argument::Text(address.to_owned()), Argument::Text(reason[..end].to_owned())];
    Message { address: "/refused".to_owned(), arguments }
}

/// `/teach/state WORD TEXT`.
#[must_use]
pub fn teach_state(word: &str, text: &str) -> Message {
    let mut message = refused(word, text);
    message.address = "/teach/state".to_owned();
    message
}

/// What the network needs of the daemon.
pub struct NetworkSetup {
    /// The rig in force.
    pub rig: Rig,
    /// The panel in force.
    pub panel: Panel,
    /// The rate of the engine.
    pub rate: SampleRate,
    /// Where everything goes: a lane for each control port of the rig in order, then the network's.
    pub inbox: Arc<Inbox>,
    /// The meters.
    pub meters: Meters,
    /// Which meters there are.
    pub meter_table: watch::Receiver<Arc<MeterTable>>,
    /// The frame that sounds now.
    pub now: Arc<dyn Fn() -> Frames + Send + Sync>,
    /// The links to panel nodes.
    pub nodes: Arc<Nodes>,
    /// Told when somebody who may asks for the files to be read again.
    pub reload: Arc<Notify>,
    /// Who writes what a control is for; without one nobody teaches over the network.
    pub teacher: Option<Arc<Teacher>>,
}

impl fmt::Debug for NetworkSetup {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("NetworkSetup").field("network", &self.rig.network).finish_non_exhaustive()
    }
}

#[derive(Debug, Default)]
struct Counts {
    received: AtomicU64,
    receive_errors: AtomicU64,
    malformed: [AtomicU64; Refusal::ALL.len()],
    without_role: AtomicU64,
    beyond_role: [AtomicU64; 3],
    not_understood: AtomicU64,
    not_wired: AtomicU64,
    too_far_ahead: AtomicU64,
    held_full: AtomicU64,
    inbox_full: AtomicU64,
    said: AtomicU64,
    sent: AtomicU64,
    answers_dropped: AtomicU64,
    sends_dropped: AtomicU64,
    sends_failed: AtomicU64,
}

fn bump(count: &AtomicU64) {
    count.fetch_add(1, Ordering::Relaxed);
}

/// What was counted since the start. Numbers are datagrams unless they say otherwise.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Counters {
    /// Received, sound or not.
    pub received: u64,
    /// Errors of sockets while receiving.
    pub receive_errors: u64,
    /// Not sound OSC, in the order of [`Refusal::ALL`].
    pub malformed: [u64; Refusal::ALL.len()],
    /// Datagrams or messages of senders without a role.
    pub without_role: u64,
    /// Messages that need a higher role than that of their sender: see, operate, administer.
    pub beyond_role: [u64; 3],
    /// Messages that mean nothing, or a value that the parameter cannot take.
    pub not_understood: u64,
    /// Messages of a panel that did not come in on wired control.
    pub not_wired: u64,
    /// Groups further ahead than [`AHEAD_S_MAX`].
    pub too_far_ahead: u64,
    /// Items for later when [`HELD_MAX`] were held.
    pub held_full: u64,
    /// Items for which the inbox had no room.
    pub inbox_full: u64,
    /// Messages that only a desk says, from another desk.
    pub said: u64,
    /// Sent.
    pub sent: u64,
    /// Answers that the desk's thread could not hand over.
    pub answers_dropped: u64,
    /// Not sent, since there was no room at that moment.
    pub sends_dropped: u64,
    /// Not sent, since the system refused or nothing leads there.
    pub sends_failed: u64,
}

impl Counts {
    fn snapshot(&self) -> Counters {
        let read = |count: &AtomicU64| count.load(Ordering::Relaxed);
        Counters {
            received: read(&self.received),
            receive_errors: read(&self.receive_errors),
            malformed: self.malformed.each_ref().map(read),
            without_role: read(&self.without_role),
            beyond_role: self.beyond_role.each_ref().map(read),
            not_understood: read(&self.not_understood),
            not_wired: read(&self.not_wired),
            too_far_ahead: read(&self.too_far_ahead),
            held_full: read(&self.held_full),
            inbox_full: read(&self.inbox_full),
            said: read(&self.said),
            sent: read(&self.sent),
            answers_dropped: read(&self.answers_dropped),
            sends_dropped: read(&self.sends_dropped),
            sends_failed: read(&self.sends_failed),
        }
    }
}

/// The network, until it is dropped.
#[derive(Debug)]
pub struct Network {
    shared: Arc<Shared>,
    answers: Answers,
    runtime: Handle,
    tasks: Vec<JoinHandle<()>>,
}

/// Starts to listen as the rig says. An address that cannot be bound is logged, shown by [`Network::missing`] and
/// tried again for ever: a port that is taken at the start of a show is no reason to run it without OSC to its end.
#[must_use]
pub fn start(handle: &Handle, setup: NetworkSetup) -> Network {
    let _in_runtime = handle.enter();
    let NetworkSetup { rig, panel, rate, inbox, meters, meter_table, now, nodes, reload, teacher } = setup;
    let counts = Arc::new(Counts::default());
    let (queue, answers) = mpsc::channel(ANSWERS_MAX);
    let shared = Arc::new(Shared {
        settings: Mutex::new(Arc::new(Settings::new(&rig, &panel))),
        sockets: Mutex::default(),
        hub: Mutex::new(Hub::new(meter_table.borrow().clone())),
        refused: Mutex::default(),
        held: Mutex::default(),
        panels: Mutex::default(),
        counts: Arc::clone(&counts),
        inbox,
        rate,
        now,
        nodes,
        reload,
        teacher,
        asked: Mutex::default(),
    });
    shared.follow_rig(&rig);
    Shared::bind(&shared, handle);
    let tasks = vec![
        handle.spawn(Arc::clone(&shared).answer(answers)),
        handle.spawn(Arc::clone(&shared).tell_meters(meters, meter_table)),
        handle.spawn(Arc::clone(&shared).bind_again(handle.clone())),
    ];
    let answers = Answers { queue, counts };
    shared.nodes.set_answers(answers.clone());
    Network { shared, answers, runtime: handle.clone(), tasks }
}

impl Network {
    /// Where the rig's own address is listened on, with the port; nothing while it cannot be bound.
    #[must_use]
    pub fn local_addr(&self) -> Option<SocketAddr> {
        self.local_addresses().first().copied()
    }

    /// Every address that is listened on.
    #[must_use]
    pub fn local_addresses(&self) -> Vec<SocketAddr> {
        lock(&self.shared.sockets).local_addresses()
    }

    /// Addresses that could not be bound so far, and why.
    #[must_use]
    pub fn missing(&self) -> Vec<(SocketAddr, String)> {
        lock(&self.shared.sockets).missing().iter().map(|(at, why)| (*at, why.clone())).collect()
    }

    /// What was heard lately on every peak meter, by its path.
    #[must_use]
    pub fn heard(&self, rate_hz: u32) -> BTreeMap<String, Heard> {
        lock(&self.shared.hub).heard(rate_hz)
    }

    /// What the meters of buses and outputs show, by path.
    #[must_use]
    pub fn meters_shown(&self) -> BTreeMap<String, f32> {
        lock(&self.shared.hub).shown()
    }

    /// By how much a device says that its outputs are late, ms; none when it is gone.
    pub fn note_device_late(&self, device: &crate::profile::Id, ms: Option<f32>) {
        lock(&self.shared.hub).note_device_late(device, ms);
    }

    /// The mix-minus buses of which the proof lately found that somebody hears themselves.
    #[must_use]
    pub fn leaks(&self) -> Vec<crate::profile::Id> {
        lock(&self.shared.hub).leaks()
    }

    /// What is known of whether voices come back to their own speakers by ways outside the desk.
    #[must_use]
    pub fn own_voices(&self) -> Vec<crate::desk::OwnVoice> {
        lock(&self.shared.hub).own_voices()
    }

    /// The end for the desk's thread.
    #[must_use]
    pub fn answers(&self) -> Answers {
        self.answers.clone()
    }

    /// What was counted.
    #[must_use]
    pub fn counters(&self) -> Counters {
        self.shared.counts.snapshot()
    }

    /// The senders without a role, and how many refusals were of senders there was no place for.
    #[must_use]
    pub fn refused_senders(&self) -> (Vec<RefusedSender>, u64) {
        let refused = lock(&self.shared.refused);
        (refused.known().to_vec(), refused.others)
    }

    /// How many follow meters.
    #[must_use]
    pub fn followers(&self) -> usize {
        lock(&self.shared.hub).followers()
    }

    /// Says which revision is in force to those who asked for the files to be read again, and what came of it.
    pub fn tell_revision(&self, revision: u64, outcome: &str) {
        let asked = std::mem::take(&mut *lock(&self.shared.asked));
        let revision = i32::try_from(revision).unwrap_or(i32::MAX);
        let arguments = vec![Argument::Int(revision), Argument::Text(outcome.to_owned())];
        let message = Message { address: "/profile/revision".to_owned(), arguments };
        for to in asked {
            self.shared.tell(to, &message);
        }
    }

    /// Takes other files in: roles and panels count from the next datagram on, sockets that stay are kept.
    pub fn update(&self, rig: &Rig, panel: &Panel) {
        *lock(&self.shared.settings) = Arc::new(Settings::new(rig, panel));
        self.shared.follow_rig(rig);
        Shared::bind(&self.shared, &self.runtime);
    }
}

impl Drop for Network {
    fn drop(&mut self) {
        self.tasks.iter().for_each(JoinHandle::abort);
        lock(&self.shared.sockets).close();
    }
}

/// What the files say.
#[derive(Debug)]
struct Settings {
    access: Access,
    wanted: Wanted,
    /// Where each control port is answered, when the rig says so.
    replies: Vec<Option<SocketAddr>>,
}

impl Settings {
    fn new(rig: &Rig, panel: &Panel) -> Self {
        let reply = |reach: &Reach| match reach {
            Reach::Osc { reply, .. } => *reply,
            reach => node_address(reach),
        };
        Self {
            access: Access::new(rig, panel),
            wanted: Wanted::new(rig),
            replies: rig.control_ports.iter().map(|port| reply(&port.reach)).collect(),
        }
    }
}

/// What all tasks share. Every lock is held for one step only, and no two at a time but the hub's around the sockets'.
struct Shared {
    settings: Mutex<Arc<Settings>>,
    sockets: Mutex<Sockets>,
    hub: Mutex<Hub>,
    refused: Mutex<RefusedSenders>,
    /// When what the desk's thread holds is due.
    held: Mutex<Vec<Frames>>,
    /// Where each control port last sent from.
    panels: Mutex<Vec<Option<SocketAddr>>>,
    counts: Arc<Counts>,
    inbox: Arc<Inbox>,
    rate: SampleRate,
    now: Arc<dyn Fn() -> Frames + Send + Sync>,
    nodes: Arc<Nodes>,
    reload: Arc<Notify>,
    teacher: Option<Arc<Teacher>>,
    /// Who asked for the files to be read again and has not heard what came of it.
    asked: Mutex<Vec<SocketAddr>>,
}

impl fmt::Debug for Shared {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Shared").field("counts", &self.counts).finish_non_exhaustive()
    }
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    // What is under these locks is whole after every step, also when a holder panicked.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

fn monotonic() -> Duration {
    Duration::from_nanos(clock::nanos())
}

/// One datagram's sender, and what it may do.
struct Sender<'a> {
    address: SocketAddr,
    role: Option<Role>,
    may_open_microphones: bool,
    settings: &'a Settings,
}

impl Shared {
    // ---- tasks ----

    fn bind(shared: &Arc<Self>, handle: &Handle) {
        let _in_runtime = handle.enter();
        let settings = Arc::clone(&lock(&shared.settings));
        let receive = |socket, at| handle.spawn(Arc::clone(shared).receive(socket, at));
        lock(&shared.sockets).bind(&settings.wanted, receive);
    }

    async fn bind_again(self: Arc<Self>, handle: Handle) {
        loop {
            tokio::time::sleep(BIND_AGAIN).await;
            let incomplete = lock(&self.sockets).is_incomplete();
            if incomplete {
                Self::bind(&self, &handle);
            }
        }
    }

    async fn receive(self: Arc<Self>, socket: Arc<UdpSocket>, at: IpAddr) {
        // One more than is taken, so that a longer one is known.
        let mut packet = vec![0; PACKET_BYTES_MAX + 1];
        loop {
            match socket.recv_from(&mut packet).await {
                Ok((length, from)) => self.packet(at, from, &packet[..length]),
                Err(_) => {
                    bump(&self.counts.receive_errors);
                    tokio::time::sleep(AFTER_ERROR).await;
                }
            }
        }
    }

    async fn answer(self: Arc<Self>, mut answers: mpsc::Receiver<Answer>) {
        while let Some(Answer { to, message }) = answers.recv().await {
            let to = match to {
                To::Sender(sender) => Some(sender),
                To::ControlPort(port) => self.panel_address(port),
            };
            match to {
                Some(to) => self.tell(to, &message),
                None => bump(&self.counts.sends_failed),
            }
        }
    }

    async fn tell_meters(self: Arc<Self>, mut meters: Meters, mut table: watch::Receiver<Arc<MeterTable>>) {
        let mut beat = tokio::time::interval(METERS_EVERY);
        beat.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Skip);
        loop {
            beat.tick().await;
            let mut hub = lock(&self.hub);
            // A sender that is gone leaves the last table in force.
            if table.has_changed().unwrap_or(false) {
                hub.change(table.borrow_and_update().clone());
            }
            meters(&mut |frame| hub.read(frame));
            hub.poll(monotonic(), &mut |to, bytes| self.send(to, bytes));
        }
    }

    fn follow_rig(&self, rig: &Rig) {
        for pattern in lock(&self.hub).standing(monotonic(), &rig.network.followers) {
            tracing::error!("{}", log::follower_without_meters(&pattern));
        }
    }

    // ---- in ----

    fn packet(self: &Arc<Self>, at: IpAddr, from: SocketAddr, packet: &[u8]) {
        bump(&self.counts.received);
        let settings = Arc::clone(&lock(&self.settings));
        let access = &settings.access;
        let role = access.role(from);
        if role.is_none() && !access.is_panel(from) {
            return self.refuse_sender(from.ip());
        }
        let may_open_microphones = access.may_open_microphones(from, at);
        let sender = Sender { address: from, role, may_open_microphones, settings: &settings };
        lock(&self.sockets).heard(from, at);
        match osc::decode(packet) {
            Ok(groups) => groups.into_iter().for_each(|group| self.group(&sender, group.time, group.messages)),
            Err(refusal) => {
                bump(&self.counts.malformed[refusal as usize]);
                self.refuse(&sender, first_address(packet), &refusal.to_string());
            }
        }
    }

    /// What takes effect together: all values are one item for the desk.
    fn group(self: &Arc<Self>, sender: &Sender<'_>, time: TimeTag, messages: Vec<Message>) {
        let first = messages.first().map_or_else(String::new, |message| message.address.clone());
        let due = match self.due(time) {
            Ok(due) => due,
            Err(why) => {
                bump(&self.counts.too_far_ahead);
                return self.refuse(sender, &first, &why);
            }
        };
        let mut sets = Vec::new();
        let mut asked = Vec::new();
        for message in messages {
            let access = &sender.settings.access;
            if let Some(port) = access.node_port(sender.address) {
                self.panel(sender, port, message, due);
                continue;
            }
            if let Some(port) = access.panel_port(sender.address, &message.address) {
                self.panel(sender, port, message, due);
                continue;
            }
            let Some(role) = sender.role else {
                if self.is_strange(sender, &message) {
                    continue;
                }
                self.refuse_sender(sender.address.ip());
                continue;
            };
            let request = match Request::of(&message) {
                Ok(request) => request,
                Err(_) if self.is_strange(sender, &message) => continue,
                Err(why) => {
                    bump(&self.counts.not_understood);
                    self.refuse(sender, &message.address, &why);
                    continue;
                }
            };
            if request.role() > role {
                bump(&self.counts.beyond_role[role as usize]);
                let lines = rig_lines(sender.address.ip(), request.role()).replace('\n', " ");
                let why = words::refused::role(role_word(role), &lines);
                self.refuse(sender, &message.address, &why);
                continue;
            }
            match request {
                Request::Set(address, value) => sets.push((Target::One(address), value)),
                Request::SetPattern(pattern, value) => sets.push((Target::Pattern(pattern), value)),
                Request::Ask(pattern) => asked.push(pattern),
                Request::Recall(what) => {
                    let by = By::Message { may_open_microphones: sender.may_open_microphones };
                    let ask = Ask::Event(Event::Recall { what, by });
                    self.push_network(sender, &message.address, ask, due);
                }
                other => self.at_once(sender, &message.address, other),
            }
        }
        if !sets.is_empty() {
            self.push_network(sender, &first, Target::ask(sets, sender.may_open_microphones), due);
        }
        for pattern in asked {
            self.push_network(sender, "/ask", Ask::Values(pattern), due);
        }
    }

    fn panel(&self, sender: &Sender<'_>, port: PortIndex, message: Message, due: Frames) {
        // A hand on a panel may open microphones, so a panel has to be where that is allowed.
        if !sender.may_open_microphones {
            bump(&self.counts.not_wired);
            if self.is_new(sender.address.ip()) {
                tracing::warn!("{}", log::panel_refused(sender.address.ip()));
            }
            return self.refuse(sender, &message.address, words::refused::PANEL_NOT_WIRED);
        }
        if sender.settings.access.node_port(sender.address) == Some(port) {
            return self.nodes.heard(port.0, &message);
        }
        {
            let mut panels = lock(&self.panels);
            let ports = sender.settings.access.control_ports();
            panels.resize(ports, None);
            panels[port.0] = Some(sender.address);
        }
        let address = message.address.clone();
        let ask = Ask::Event(Event::PanelOsc { port, message });
        self.push(port.0, sender, &address, Item { ask, origin: Origin::Osc(sender.address), due });
    }

    /// Whether this is a panel's word that no control says yet, while one is about to be made of it.
    fn is_strange(&self, sender: &Sender<'_>, message: &Message) -> bool {
        let listens = self.teacher.as_ref().is_some_and(|teacher| teacher.listens());
        let port = sender.settings.access.panel_at(sender.address);
        let Some(port) = port.filter(|_| listens && sender.may_open_microphones) else { return false };
        let event = Event::PanelOsc { port, message: message.clone() };
        self.inbox.push(port.0, Item { ask: Ask::Stranger(event), origin: Origin::Nobody, due: Frames(0) })
    }

    fn teach(self: &Arc<Self>, sender: &Sender<'_>, address: &str, ask: TeachRequest) {
        // What is taught may open a microphone, so it is taught where that is allowed.
        if !sender.may_open_microphones {
            bump(&self.counts.not_wired);
            return self.refuse(sender, address, words::teach::OF_STRANGER);
        }
        let Some(teacher) = &self.teacher else { return };
        let (who, to) = (Who::Sender(sender.address), sender.address);
        let (shared, of) = (Arc::clone(self), address.to_owned());
        let then = move |done: Result<String, String>| match done {
            // The session tells the rest.
            Ok(text) if text.is_empty() => {}
            Ok(text) => shared.tell(to, &teach_state("done", &text)),
            Err(why) => shared.tell(to, &refused(&of, &why)),
        };
        let assign = move |teacher: &Teacher, wish: &Wish| match teacher.ask(who, TeachAsk::Take)? {
            Taught::Touched(touched) => {
                let done = teacher.assign(Some(&touched), "", wish)?;
                Ok(words::teach::moves(&done.control, done.parameter.as_deref()))
            }
            _ => Err(words::teach::NOTHING_TOUCHED.to_owned()),
        };
        let done = teacher.on_its_own(
            move |teacher| match ask {
                TeachRequest::Start => teacher.begin_for(who).map(|()| String::new()),
                TeachRequest::Assign(wish) => assign(teacher, &wish),
                TeachRequest::Undo => teacher.put_back(None).map(|_| words::teach::AS_BEFORE.to_owned()),
                TeachRequest::End => teacher.ask(who, TeachAsk::End).map(|_| words::teach::NO_MORE.to_owned()),
            },
            then,
        );
        if !done {
            self.refuse(sender, address, words::teach::BUSY);
        }
    }

    fn at_once(self: &Arc<Self>, sender: &Sender<'_>, address: &str, request: Request) {
        match request {
            Request::Follow { pattern, rate_hz, lease_s } => {
                let granted = lock(&self.hub).follow(monotonic(), sender.address, &pattern, rate_hz, lease_s);
                match granted {
                    Ok(granted) => self.tell(sender.address, &granted.message()),
                    Err(why) => self.refuse(sender, address, &why),
                }
            }
            Request::End(id) => {
                let ended = lock(&self.hub).end(sender.address, id);
                if !ended {
                    self.refuse(sender, address, &words::refused::no_follower(id));
                }
            }
            Request::Table => {
                let follows = lock(&self.hub).table_again(sender.address);
                if follows == 0 {
                    self.refuse(sender, address, words::refused::NO_METERS_FOLLOWED);
                }
            }
            Request::Reload => {
                tracing::info!("{}", log::asks_to_read(sender.address));
                let mut asked = lock(&self.asked);
                if asked.len() < RELOADS_ASKED_MAX && !asked.contains(&sender.address) {
                    asked.push(sender.address);
                }
                self.reload.notify_one();
            }
            Request::Teach(ask) => self.teach(sender, address, ask),
            Request::Contact(id, ask) => self.contact(sender, address, &id, ask),
            Request::Loudness(order, pattern) => {
                if lock(&self.hub).order(order, pattern.as_ref()) == 0 {
                    self.refuse(sender, address, words::refused::NOTHING_FITS);
                }
            }
            Request::Show(target, whole_s) => lock(&self.hub).aim_show(target, whole_s),
            Request::Said => bump(&self.counts.said),
            Request::Set(..) | Request::SetPattern(..) | Request::Ask(_) | Request::Recall(_) => {}
        }
    }

    fn contact(&self, sender: &Sender<'_>, address: &str, id: &str, ask: ContactAsk) {
        // A loudspeaker mute or a start line is moved by whoever may open a microphone.
        if ask != ContactAsk::State && !sender.may_open_microphones {
            bump(&self.counts.not_wired);
            return self.refuse(sender, address, words::refused::CONTACT_OF_STRANGER);
        }
        if ask != ContactAsk::State && self.nodes.is_of_a_room(id) {
            return self.refuse(sender, address, words::refused::CONTACT_OF_ROOM);
        }
        match self.nodes.contact(id, ask) {
            Ok(closed) if ask == ContactAsk::State => {
                let word = closed.map_or("pulse", |closed| if closed { "closed" } else { "open" });
                let arguments = vec![Argument::Text(format!("/contact/{id}/state")), Argument::Text(word.to_owned())];
                self.tell(sender.address, &Message { address: "/answer".to_owned(), arguments });
            }
            Ok(_) => tracing::info!("{}", log::moves_contact(sender.address, id)),
            Err(why) => self.refuse(sender, address, &why),
        }
    }

    /// The frame at which something with this time tag is due; frame 0 is at once.
    fn due(&self, time: TimeTag) -> Result<Frames, String> {
        // 0 is no moment that anybody means: senders write it that do not know the immediate one.
        if time == TimeTag::IMMEDIATE || time.0 == 0 {
            return Ok(Frames(0));
        }
        let ahead_s = time.seconds_after(clock::civil_ntp());
        if ahead_s <= 0.0 {
            Ok(Frames(0))
        } else if ahead_s > AHEAD_S_MAX {
            Err(words::refused::too_far_ahead(ahead_s, AHEAD_S_MAX))
        } else {
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "positive and short")]
            let frames = (ahead_s * f64::from(self.rate.hz())).round() as u64;
            Ok((self.now)().plus(Frames(frames)))
        }
    }

    fn push_network(&self, sender: &Sender<'_>, address: &str, ask: Ask, due: Frames) {
        let lane = sender.settings.access.control_ports();
        self.push(lane, sender, address, Item { ask, origin: Origin::Osc(sender.address), due });
    }

    fn push(&self, lane: usize, sender: &Sender<'_>, address: &str, item: Item) {
        let due = item.due;
        if due != Frames(0) && !self.hold(due) {
            bump(&self.counts.held_full);
            return self.refuse(sender, address, &words::refused::held_already(HELD_MAX));
        }
        if !self.inbox.push(lane, item) {
            bump(&self.counts.inbox_full);
            self.refuse(sender, address, words::refused::TOO_MUCH_TO_DO);
        }
    }

    /// Finds a place among what is held for later.
    fn hold(&self, due: Frames) -> bool {
        let now = (self.now)();
        let mut held = lock(&self.held);
        held.retain(|due| *due > now);
        let room = held.len() < HELD_MAX;
        if room {
            held.push(due);
        }
        room
    }

    // ---- refusing ----

    /// Counts a sender without a role, and shows it once. It is not answered.
    fn refuse_sender(&self, address: IpAddr) {
        bump(&self.counts.without_role);
        if self.is_new(address) {
            let address = address.to_canonical();
            let lines = rig_lines(address, Role::Operate);
            tracing::warn!("{}", log::sender_refused(address, &lines));
        }
    }

    fn is_new(&self, address: IpAddr) -> bool {
        lock(&self.refused).note(address, monotonic())
    }

    /// Tells a sender that has a role why something was not done.
    fn refuse(&self, sender: &Sender<'_>, address: &str, why: &str) {
        if sender.role.is_some() {
            self.tell(sender.address, &refused(address, why));
        }
    }

    // ---- out ----

    fn panel_address(&self, port: PortIndex) -> Option<SocketAddr> {
        let settings = Arc::clone(&lock(&self.settings));
        let reply = settings.replies.get(port.0).copied().flatten();
        reply.or_else(|| lock(&self.panels).get(port.0).copied().flatten())
    }

    fn tell(&self, to: SocketAddr, message: &Message) {
        self.send(to, &osc::encode(message));
    }

    /// Sends now or not at all, and counts which.
    fn send(&self, to: SocketAddr, bytes: &[u8]) -> bool {
        if bytes.len() > DATAGRAM_BYTES_MAX {
            bump(&self.counts.sends_failed);
            return false;
        }
        let sent = lock(&self.sockets).send(to, bytes);
        bump(match &sent {
            Ok(()) => &self.counts.sent,
            Err(error) if error.kind() == io::ErrorKind::WouldBlock => &self.counts.sends_dropped,
            Err(_) => &self.counts.sends_failed,
        });
        sent.is_ok()
    }
}

/// The address with which a datagram begins that is refused for something behind it, or `/`.
fn first_address(packet: &[u8]) -> &str {
    let address = packet.split(|byte| *byte == 0).next().unwrap_or_default();
    let whole = address.starts_with(b"/") && address.len() <= ADDRESS_BYTES_MAX && address.len() < packet.len();
    match std::str::from_utf8(address) {
        Ok(address) if whole && address.bytes().all(|byte| byte.is_ascii_graphic()) => address,
        _ => "/",
    }
}

/// Which parameters a value is for.
enum Target {
    One(Address),
    Pattern(String),
}

impl Target {
    /// What the desk is asked: one event when every parameter is named, or else patterns that its thread expands.
    fn ask(sets: Vec<(Self, Value)>, may_open_microphones: bool) -> Ask {
        if sets.iter().any(|(target, _)| matches!(target, Self::Pattern(_))) {
            let values = sets.into_iter().map(|(target, value)| match target {
                Self::One(address) => (address.to_osc(), value),
                Self::Pattern(pattern) => (pattern, value),
            });
            return Ask::Pattern { values: values.collect(), may_open_microphones };
        }
        let named = sets.into_iter().filter_map(|(target, value)| match target {
            Self::One(address) => Some((address, value)),
            Self::Pattern(_) => None,
        });
        let mut values: Vec<(Address, Value)> = named.collect();
        let by = By::Message { may_open_microphones };
        Ask::Event(match (values.len(), values.pop()) {
            (1, Some((address, value))) => Event::Set { address, value, by },
            (_, last) => {
                values.extend(last);
                Event::SetAll { values, by }
            }
        })
    }
}
