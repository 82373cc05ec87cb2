//! The thread that owns the desk: empties the inbox, hands commands to the engine, answers, writes down.
//!
//! Nothing here waits for anybody: the engine's rings, the panel's queues, the network and the writer are
//! bounded and are only ever tried. What the engine does not take yet stays with the desk and is tried again.

use super::feeds::{self, Players};
use super::hub::MeterTable;
use super::inbox::{Ask, DAEMON_LANE, Inbox, Item, Origin};
use super::network::{Answers, To, answer, refused, teach_state};
use super::nodes::{ContactAsk, Nodes};
use super::record::{Kept, Writer};
use super::sending::Sending;
use super::talk::{Answer, Asked, SceneShown};
use super::teach::{Progress, Session, Taught, TeachAsk, Who, progress_words};
use crate::desk::journal::{At, Line, Ports, What};
use crate::desk::{By, ContactDo, Desk, Effects, Event, Facts, Feedback, SceneToKeep, Wrong};
use crate::handoff::{Clock, Console};
use crate::panel::PortIndex;
use crate::panel::encode::{encode_midi, encode_osc};
use crate::panel::osc::{Message, Pattern};
use crate::params::{Address, Nature, Value};
use crate::ports::clock::nanos;
use crate::ports::control::ControlOut;
use crate::profile::{ControlKind, Id, Installation, Scene, Texts};
use crate::units::Frames;
use crate::words;
use std::collections::{BTreeMap, VecDeque};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, OnceLock, PoisonError, mpsc};
use std::time::{Duration, Instant};
use tokio::sync::watch;

/// How long the desk sleeps at most: echoes of the engine are looked for this often while there is something to echo.
const NAP: Duration = Duration::from_millis(20);
const NAP_WHILE_SENDING: Duration = Duration::from_millis(2);
/// Items that may wait for their frame.
const HELD_ITEMS: usize = 256;
/// Decisions that are remembered for whoever asks.
const DECISIONS: usize = 10;
/// How often what the desk is doing is shown at most.
const SHOW_EVERY: Duration = Duration::from_millis(50);

/// What others may see of the desk without asking it.
#[derive(Clone, Debug, Default)]
pub struct Shown {
    /// Name of the profile in force.
    pub profile: String,
    /// Channels that are open on air.
    pub open: Vec<String>,
    /// Microphones among them.
    pub microphones_open: bool,
    /// When a control was last used, on the clock of the process in ns; 0 is never.
    pub last_hand: u64,
}

/// What the desk's thread shares with the rest of the daemon.
#[derive(Debug)]
pub struct DeskShared {
    /// The way in.
    pub inbox: Arc<Inbox>,
    /// What it is doing.
    pub shown: Mutex<Shown>,
    /// Ends the thread.
    pub stop: AtomicBool,
    /// Events handled.
    pub handled: AtomicU64,
    /// The way out to each control port that carries bytes.
    pub panels: Mutex<Vec<Option<Arc<dyn ControlOut>>>>,
    /// The links to panel nodes.
    pub nodes: Arc<Nodes>,
    /// Control ports that are not there, and why.
    pub ports_away: Mutex<BTreeMap<Id, String>>,
    /// What is wrong outside the desk, by what it is about.
    pub wrong: Mutex<BTreeMap<&'static str, Wrong>>,
    /// Which revision of the files is in force.
    pub revision: AtomicU64,
    /// Somebody is about to touch a control in order to assign it.
    pub teaching: AtomicBool,
    /// The way to whoever writes scenes that a held button keeps into the profile.
    pub keeper: OnceLock<mpsc::SyncSender<Scene>>,
}

impl std::fmt::Debug for dyn ControlOut {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("ControlOut").field("dropped", &self.dropped()).finish()
    }
}

impl Default for DeskShared {
    fn default() -> Self {
        let inbox = Arc::new(Inbox::new(DAEMON_LANE + 1));
        Self {
            nodes: Arc::new(Nodes::new(Arc::clone(&inbox))),
            inbox,
            shown: Mutex::default(),
            stop: AtomicBool::new(false),
            handled: AtomicU64::new(0),
            panels: Mutex::default(),
            ports_away: Mutex::default(),
            wrong: Mutex::default(),
            revision: AtomicU64::new(1),
            teaching: AtomicBool::new(false),
            keeper: OnceLock::new(),
        }
    }
}

impl DeskShared {
    /// Notes what is wrong about something, or that nothing is any more.
    pub fn note_wrong(&self, about: &'static str, wrong: Option<Wrong>) {
        let mut all = self.wrong.lock().unwrap_or_else(PoisonError::into_inner);
        match wrong {
            Some(wrong) => all.insert(about, wrong),
            None => all.remove(about),
        };
    }

    /// What is wrong with something, if it is.
    pub fn wrong_about(&self, about: &'static str) -> Option<Wrong> {
        self.wrong.lock().unwrap_or_else(PoisonError::into_inner).get(about).cloned()
    }

    /// Notes that a control port is there, or why it is not.
    pub fn note_port(&self, port: &Id, away: Option<&str>) {
        let mut all = self.ports_away.lock().unwrap_or_else(PoisonError::into_inner);
        match away {
            Some(why) => all.insert(port.clone(), why.to_owned()),
            None => all.remove(port),
        };
    }

    /// What the desk is doing now.
    #[must_use]
    pub fn shown(&self) -> Shown {
        self.shown.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

/// The desk and everything its thread owns.
pub struct DeskThread {
    desk: Desk,
    console: Console,
    clock: Arc<Clock>,
    shared: Arc<DeskShared>,
    answers: Answers,
    meter_table: watch::Sender<Arc<MeterTable>>,
    writer: Writer,
    players: Players,
    /// What the engine did not take yet.
    sending: Sending,
    held: Vec<Item>,
    /// What the journal calls the control ports.
    ports: Ports,
    /// Sent and not yet echoed.
    unechoed: u64,
    last_hand: u64,
    /// Somebody teaches the desk what a control is for.
    teach: Option<Session>,
    /// What was decided lately.
    decisions: VecDeque<(String, String)>,
    /// The structure that the meter table shows.
    structure: Option<u64>,
    /// The writer does not have the whole mix.
    mix_behind: bool,
    /// What is shown is not what is.
    shown_behind: bool,
    shown_at: Instant,
}

impl std::fmt::Debug for DeskThread {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("DeskThread").field("held", &self.held.len()).finish_non_exhaustive()
    }
}

impl DeskThread {
    /// The thread's state before it runs. The first plan is sent at once, so that the first block has it.
    #[must_use]
    pub(super) fn new(
        desk: Desk,
        console: Console,
        clock: Arc<Clock>,
        shared: Arc<DeskShared>,
        answers: Answers,
        meter_table: watch::Sender<Arc<MeterTable>>,
        writer: Writer,
    ) -> Self {
        let (players, ports) = (Players::new(desk.rate()), Ports::of(desk.rig()));
        let mut thread = Self {
            desk,
            console,
            clock,
            shared,
            answers,
            meter_table,
            writer,
            players,
            sending: Sending::default(),
            held: Vec::new(),
            ports,
            unechoed: 0,
            last_hand: 0,
            teach: None,
            decisions: VecDeque::new(),
            structure: None,
            mix_behind: true,
            shown_behind: true,
            shown_at: Instant::now() - SHOW_EVERY,
        };
        thread.send();
        thread.after_change(Vec::new());
        thread.show();
        thread
    }

    /// Runs until it is told to stop.
    pub fn run(mut self) {
        let mut items = Vec::new();
        while !self.shared.stop.load(Ordering::Acquire) {
            self.shared.inbox.take(self.nap(), &mut items);
            for item in items.drain(..) {
                self.item(item);
            }
            self.hear_engine();
            self.release_held();
            if self.desk.next_deadline().is_some_and(|at| at <= self.now()) {
                self.event(Event::Deadline, Origin::Nobody);
            }
            self.send();
            self.shared.nodes.tick();
            self.teach();
            if self.mix_behind {
                self.after_change(Vec::new());
            }
            self.show();
        }
        self.writer.finish();
    }

    fn now(&self) -> Frames {
        self.clock.frame_at(nanos())
    }

    fn nap(&self) -> Duration {
        let longest = if self.unechoed > 0 || self.sending.is_waiting() { NAP_WHILE_SENDING } else { NAP };
        let held = self.held.iter().map(|item| item.due);
        match self.desk.next_deadline().into_iter().chain(held).min() {
            Some(at) => {
                let seconds = self.desk.rate().seconds(at.since(self.now()));
                Duration::from_secs_f64(seconds).min(longest)
            }
            None => longest,
        }
    }

    fn item(&mut self, item: Item) {
        if item.due > self.now() {
            if self.held.len() < HELD_ITEMS {
                self.held.push(item);
            } else {
                self.answer_refusal(item.origin, "/", words::refused::TOO_MANY_WAIT);
            }
            return;
        }
        match item.ask {
            Ask::Event(event) => {
                if let Some(session) = &mut self.teach {
                    session.hear(&event);
                }
                self.event(event, item.origin);
            }
            Ask::Stranger(event) => {
                if let Some(session) = &mut self.teach {
                    session.hear(&event);
                }
            }
            Ask::Standing(event) => {
                // No hand: an unattended desk stays one.
                let last_hand = self.last_hand;
                self.event(event, item.origin);
                self.last_hand = last_hand;
            }
            Ask::Install { installation, texts, reread, taken } => {
                self.install(installation, texts, reread);
                // One who gave up waiting does not hear it.
                taken.try_send(()).ok();
            }
            Ask::Note(what) => self.write_down(self.now(), what, item.origin),
            Ask::Question(asked) => self.answer_question(asked),
            Ask::Values(pattern) => self.answer_values(&pattern, item.origin),
            Ask::Pattern { values, may_open_microphones } => {
                self.set_by_pattern(values, may_open_microphones, item.origin);
            }
        }
    }

    fn release_held(&mut self) {
        let now = self.now();
        // In the order of their times, whichever came first.
        while let Some((index, _)) = self.held.iter().enumerate().min_by_key(|(_, item)| item.due)
            && self.held[index].due <= now
        {
            let item = self.held.remove(index);
            self.item(item);
        }
    }

    fn event(&mut self, event: Event, origin: Origin) {
        let now = self.now();
        if let Some(what) = What::of(&event, &self.ports) {
            self.write_down(now, what, origin);
        }
        let effects = self.desk.handle(now, event);
        if effects.hand {
            self.last_hand = nanos();
        }
        self.send();
        self.shared.handled.fetch_add(1, Ordering::Relaxed);
        self.carry_out(now, effects, origin);
    }

    /// A line of the journal about something that the batch being gathered now will carry.
    fn write_down(&self, now: Frames, what: What, origin: Origin) {
        let from = match origin {
            Origin::Osc(from) => Some(from.to_string()),
            Origin::Nobody => None,
        };
        self.writer.write(Line { at: At::Frame(now), sequence: Some(self.desk.next_sequence()), from, what });
    }

    /// Files were accepted: what they say, and their texts for the journal.
    fn install(&mut self, installation: Box<Installation>, texts: Box<Texts>, reread: bool) {
        self.ports = Ports::of(&installation.rig);
        let name = installation.profile.name.clone();
        self.write_down(self.now(), What::Profile { name, texts, reread }, Origin::Nobody);
        self.event(Event::Install { installation, reread }, Origin::Nobody);
    }

    fn carry_out(&mut self, now: Frames, mut effects: Effects, origin: Origin) {
        effects.notes.extend(effects.keep.drain(..).map(|scene| self.keep_scene(&scene)));
        for note in effects.notes {
            tracing::info!("{note}");
            if self.decisions.len() == DECISIONS {
                self.decisions.pop_front();
            }
            self.decisions.push_back((super::state::civil_text(), note.clone()));
            self.writer.write(Line { at: At::Frame(now), sequence: None, from: None, what: What::Note(note) });
        }
        for refusal in effects.refused {
            tracing::debug!("{}: {}", refusal.what, refusal.why);
            self.answer_refusal(origin, &refusal.what, &refusal.why);
        }
        for feedback in effects.feedback {
            self.feed_back(feedback);
        }
        for (contact, what) in effects.contacts {
            let ask = match what {
                ContactDo::Stand { closed } => ContactAsk::Stand { closed },
                ContactDo::Pulse => ContactAsk::Pulse,
            };
            if let Err(why) = self.shared.nodes.contact(&contact, ask) {
                tracing::warn!("contact {contact}: {why}");
            }
        }
        let mut changed = effects.changed;
        changed.retain(|(address, _)| address.key.nature() == Nature::Kept);
        self.after_change(changed);
    }

    /// Hands the mix over to be written into the profile as this scene; what there is to say of it.
    fn keep_scene(&self, id: &Id) -> String {
        let scene = self.desk.scene_to_keep(&SceneToKeep { id: id.to_string(), ..SceneToKeep::default() });
        match scene.map(|scene| self.shared.keeper.get().is_some_and(|keeper| keeper.try_send(scene).is_ok())) {
            Ok(true) => words::scenes::hand_keeps(id),
            Ok(false) => words::scenes::not_kept(id, words::scenes::NOBODY_WRITES),
            Err(why) => words::scenes::not_kept(id, &why),
        }
    }

    fn feed_back(&mut self, feedback: Feedback) {
        let Some(control) = self.desk.panel().controls.get(feedback.control.0) else { return };
        if !control.feedback && control.kind != ControlKind::Lamp {
            return;
        }
        let Some(port) = self.desk.rig().control_ports.iter().position(|port| port.id == control.port) else { return };
        if let Some(message) = encode_osc(control, feedback.travel) {
            if self.shared.nodes.show(port, &message) {
                return;
            }
            self.answers.send(To::ControlPort(PortIndex(port)), message);
            return;
        }
        let bytes = encode_midi(control, feedback.travel);
        let panels = self.shared.panels.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(Some(out)) = panels.get(port) {
            // What does not fit is counted by the port.
            out.send(bytes.as_slice());
        }
    }

    /// Sends whatever the engine takes now.
    fn send(&mut self) {
        let (rate, players) = (self.desk.rate(), &mut self.players);
        self.unechoed += self.sending.send(&mut self.desk, &mut self.console, |spec| {
            feeds::make(spec, rate, |path, looped, stereo| players.play(path, looped, stereo))
        });
    }

    fn hear_engine(&mut self) {
        while let Some(echo) = self.console.echo() {
            self.unechoed = self.unechoed.saturating_sub(1);
            let at = At::Frame(Frames(echo.frame));
            self.writer.write(Line { at, sequence: None, from: None, what: What::Echo(echo.sequence) });
            let event = Event::Echo { sequence: echo.sequence, frame: Frames(echo.frame) };
            let effects = self.desk.handle(self.now(), event);
            self.carry_out(Frames(echo.frame), effects, Origin::Nobody);
        }
    }

    /// Lets everybody who watches the desk know what changed.
    fn after_change(&mut self, changed: Vec<(Address, Value)>) {
        let structure = self.desk.structure();
        if self.structure != Some(structure) {
            self.structure = Some(structure);
            // Read so from the plan on that has just been handed over, or is about to be.
            let table = MeterTable {
                plan: self.desk.last_sequence(),
                names: self.desk.meter_table(),
                mix_minus: self.desk.mix_minus_columns(),
            };
            self.meter_table.send_replace(Arc::new(table));
            self.mix_behind = true;
        } else if !self.mix_behind && !changed.is_empty() {
            self.mix_behind = !self.writer.keep_changed(changed);
        }
        if self.mix_behind {
            let values = self.desk.mix().map(|(address, value)| (address.clone(), value.clone())).collect();
            self.mix_behind = !self.writer.keep(Kept { profile: self.desk.profile_name().to_owned(), values });
        }
        self.shown_behind = true;
    }

    /// Shows what the desk is doing, at most once in [`SHOW_EVERY`].
    fn show(&mut self) {
        if !self.shown_behind || self.shown_at.elapsed() < SHOW_EVERY {
            return;
        }
        let open: Vec<_> = self.desk.channels().filter(|channel| self.desk.is_open_on_air(&channel.id)).collect();
        let shown = Shown {
            profile: self.desk.profile_name().to_owned(),
            microphones_open: open.iter().any(|channel| self.desk.is_microphone(&channel.id)),
            open: open.iter().map(|channel| channel.id.to_string()).collect(),
            last_hand: self.last_hand,
        };
        *self.shared.shown.lock().unwrap_or_else(PoisonError::into_inner) = shown;
        self.shown_behind = false;
        self.shown_at = Instant::now();
    }

    fn answer(&self, origin: Origin, message: Message) {
        if let Origin::Osc(to) = origin {
            self.answers.send(To::Sender(to), message);
        }
    }

    fn answer_refusal(&self, origin: Origin, what: &str, why: &str) {
        self.answer(origin, refused(what, why));
    }

    fn fitting(&self, pattern: &str) -> Vec<Address> {
        let Some(pattern) = Pattern::parse(pattern) else { return Vec::new() };
        self.desk.addresses().into_iter().filter(|address| pattern.matches(&address.to_osc())).collect()
    }

    /// Answers a command. Whoever asked may have gone.
    fn answer_question(&mut self, asked: Asked) {
        let (decisions, files) = (self.decisions.iter().cloned().collect(), self.players.troubles());
        let with_ours = |facts: Box<Facts>| Facts { decisions, files, ..*facts };
        match asked {
            Asked::Status(facts, answer) => {
                let status = self.desk.status(&with_ours(facts));
                drop(answer.try_send(Answer::Status(Box::new(status))));
            }
            Asked::Why(path, facts, answer) => {
                let why = self.desk.why(&path, &with_ours(facts)).map_or_else(Answer::Refused, Answer::Why);
                drop(answer.try_send(why));
            }
            Asked::Scene(ask, answer) => drop(answer.try_send(self.desk.scene_to_keep(&ask))),
            Asked::Scenes(answer) => {
                let current = self.desk.current_scene();
                let shown = |scene: &Scene| SceneShown {
                    id: scene.id.to_string(),
                    fade_s: scene.fade_s,
                    values: scene.values.len(),
                    current: current == Some(&scene.id),
                };
                drop(answer.try_send(Answer::Scenes(self.desk.scenes().map(shown).collect())));
            }
            Asked::Recall(what, set, answer) => {
                let changes = self.desk.recall_changes(&what);
                // What changes nothing is not done, and no line says that it was.
                if set && changes.as_ref().is_ok_and(|changes| changes.iter().any(|change| change.kept.is_none())) {
                    let by = By::Message { may_open_microphones: false };
                    self.event(Event::Recall { what, by }, Origin::Nobody);
                }
                drop(answer.try_send(changes));
            }
            Asked::Mix(answer) => drop(answer.try_send(self.desk.mix_to_keep())),
            Asked::Addresses(answer) => drop(answer.try_send(self.desk.addresses())),
            Asked::Teach(who, ask, answer) => drop(answer.try_send(self.answer_teach(who, ask))),
        }
    }

    fn answer_teach(&mut self, who: Who, ask: TeachAsk) -> Result<Taught, String> {
        if ask == TeachAsk::Begin {
            let other = self.teach.as_ref().filter(|session| session.listens() && !session.is_of(who));
            if let Some(other) = other.filter(|session| !session.is_over()) {
                return Err(words::teach::somebody_else(other.left_s()));
            }
            self.teach = Some(Session::begin(who, &self.desk));
            self.hold_panel();
            return Ok(Taught::Progress(Progress::Quiet));
        }
        let session = self.teach.as_mut().filter(|session| session.is_of(who)).ok_or(words::teach::BEGIN_AGAIN)?;
        match ask {
            TeachAsk::Begin | TeachAsk::Look => {
                let progress = session.look(&self.desk);
                session.stay();
                self.hold_panel();
                Ok(Taught::Progress(progress))
            }
            TeachAsk::Take => {
                let touched = self.teach.take().and_then(Session::take);
                self.hold_panel();
                touched
                    .map(|touched| Taught::Touched(Box::new(touched)))
                    .ok_or_else(|| words::teach::NOTHING_TOUCHED.to_owned())
            }
            TeachAsk::End => {
                self.teach = None;
                self.hold_panel();
                Ok(Taught::Ended)
            }
        }
    }

    /// Looks after a session that may be over, or have news for a sender of OSC.
    fn teach(&mut self) {
        let Some(session) = &mut self.teach else { return };
        let news = session.news(&self.desk).map(|(to, progress)| (to, progress_words(&progress)));
        if let Some((to, (word, text))) = news {
            self.answers.send(To::Sender(to), teach_state(word, &text));
        }
        if self.teach.as_ref().is_some_and(Session::is_over)
            && let Some(session) = self.teach.take()
            && let Origin::Osc(to) = session.origin()
        {
            self.answers.send(To::Sender(to), teach_state("ended", words::teach::NOBODY_TOUCHED));
        }
        self.hold_panel();
    }

    /// The panel closes and lowers only for as long as a touch is awaited.
    fn hold_panel(&mut self) {
        let begins = self.teach.as_ref().is_some_and(Session::listens);
        if self.shared.teaching.swap(begins, Ordering::Relaxed) != begins {
            self.event(Event::Teach { begins }, Origin::Nobody);
        }
    }

    fn answer_values(&self, pattern: &str, origin: Origin) {
        let addresses = self.fitting(pattern);
        if addresses.is_empty() {
            self.answer_refusal(origin, pattern, words::refused::NOTHING_CALLED_SO);
        }
        for address in addresses {
            if let Some(value) = self.desk.value(&address) {
                self.answer(origin, answer(&address, &value));
            }
        }
    }

    fn set_by_pattern(&mut self, values: Vec<(String, Value)>, may_open_microphones: bool, origin: Origin) {
        let mut all = BTreeMap::new();
        for (pattern, value) in values {
            let addresses = self.fitting(&pattern);
            if addresses.is_empty() {
                self.answer_refusal(origin, &pattern, words::refused::NOTHING_CALLED_SO);
            }
            // A later one of the same address counts.
            all.extend(addresses.into_iter().map(|address| (address, value.clone())));
        }
        if !all.is_empty() {
            let by = By::Message { may_open_microphones };
            self.event(Event::SetAll { values: all.into_iter().collect(), by }, origin);
        }
    }
}
