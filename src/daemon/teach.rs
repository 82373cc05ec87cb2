//! Teaching the desk what a control is for: touched, given a parameter, heard, kept or put back.
//!
//! ```text
//! begin --> Session in the desk's thread hears the panel (panel::motion) --> found --> Teacher writes panel and profile
//!                                                                                     --> the files are read again: it is live
//! ```
//!
//! While a touch is awaited the panel closes and lowers and does nothing else ([`Event::Teach`]), so that touching a control
//! never opens a microphone or raises a level. A session of a command ends with its connection, whatever ended that
//! (`daemon::talk`), and one that nobody looks after ends by itself. Whoever teaches over the network
//! names a parameter and a name for people, never a file.

use super::desk_thread::DeskShared;
use super::files::{Loaded, Paths};
use super::inbox::Origin;
use super::run::Hints;
use super::state;
use super::talk::{Asked, desk};
use crate::desk::{Desk, Event};
use crate::panel::motion::{Motion, Touched, Verdict, message_words, same_wire};
use crate::params::{Address, Domain, Taper, id_of, is_id, meant};
use crate::ports::clock::nanos;
use crate::ports::storage;
use crate::profile::{Control, ControlKind, Id, Installation, StepCoding, edit};
use crate::words::{history, log, teach as words};
use serde::{Deserialize, Serialize};
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError, mpsc};

/// A command that is there and does not look for so long hangs.
const LEASE_OF_COMMAND_S: u64 = 5;
/// How long a sender of OSC may take from the button to the touch, and from there to the parameter.
const LEASE_OF_SENDER_S: u64 = 60;
/// How long what was found waits for its parameter.
const FOUND_S: u64 = 600;
/// How many names are offered.
const NAMES_MAX: usize = 12;

/// The words of the kinds of controls, as a panel file writes them. A coding is found by turning.
pub const KINDS: [(&str, ControlKind); 6] = [
    ("fader", ControlKind::Fader),
    ("knob", ControlKind::Knob),
    ("encoder", ControlKind::Encoder(StepCoding::TwosComplement)),
    ("momentary", ControlKind::Momentary),
    ("hold", ControlKind::Hold),
    ("latching", ControlKind::Latching),
];

/// The word of a kind.
#[must_use]
pub fn kind_word(kind: ControlKind) -> &'static str {
    let same = |known: ControlKind| std::mem::discriminant(&known) == std::mem::discriminant(&kind);
    KINDS.into_iter().find(|(_, known)| same(*known)).map_or("lamp", |(word, _)| word)
}

/// How a session stands, for whoever began it.
#[derive(Clone, Debug, Serialize, Deserialize, PartialEq)]
#[serde(rename_all = "kebab-case")]
pub enum Progress {
    /// Nobody shall touch anything yet.
    Quiet,
    /// A touch is awaited.
    Waiting,
    /// Something moves.
    Moving,
    /// Not clear which: these moved alike, or this one hardly.
    Again(Vec<String>),
    /// This one.
    Found(Box<Found>),
}

/// The control that was touched, in words.
#[derive(Clone, Debug, Serialize, Deserialize, PartialEq)]
pub struct Found {
    /// The control port.
    pub port: String,
    /// What it says on the wire.
    pub wire: String,
    /// Its kind in the panel file, or what it seems to be.
    pub kind: String,
    /// Its id and place, when the panel file has it.
    pub known: Option<(String, String)>,
    /// What it moves now.
    pub moves: Vec<String>,
    /// From where to where it was seen, in percent of its range.
    pub seen: (f32, f32),
    /// Whether it ended higher than it began.
    pub rising: Option<bool>,
    /// By how many dB it beat the second.
    pub margin_db: f32,
}

/// Who began a session.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Who {
    /// A command, by the number it was given.
    Command(u64),
    /// A sender of OSC.
    Sender(std::net::SocketAddr),
}

/// What the desk's thread is asked about a session.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TeachAsk {
    /// Begin.
    Begin,
    /// How does it stand? It goes on.
    Look,
    /// What was found; the session is over.
    Take,
    /// It is over.
    End,
}

/// The answer of the desk's thread.
#[derive(Clone, Debug, PartialEq)]
pub enum Taught {
    /// It stands so.
    Progress(Progress),
    /// This was found.
    Touched(Box<Touched>),
    /// It is over.
    Ended,
}

/// One session, in the desk's thread.
#[derive(Debug)]
pub(super) struct Session {
    who: Who,
    until_ms: u64,
    /// Until something is found.
    motion: Option<Motion>,
    found: Option<Touched>,
    /// What a sender of OSC heard last.
    told: Option<Progress>,
}

fn now_ms() -> u64 {
    nanos() / 1_000_000
}

impl Session {
    /// A session that listens from now on.
    pub(super) fn begin(who: Who, desk: &Desk) -> Self {
        let ports: Vec<Id> = desk.rig().control_ports.iter().map(|port| port.id.clone()).collect();
        let motion = Motion::new(now_ms(), desk.panel(), &ports, desk.parsers());
        let mut session = Self { who, until_ms: 0, motion: Some(motion), found: None, told: None };
        session.renew();
        session
    }

    fn renew(&mut self) {
        let seconds = match (&self.found, self.who) {
            (Some(_), _) => FOUND_S,
            (None, Who::Command(_)) => LEASE_OF_COMMAND_S,
            (None, Who::Sender(_)) => LEASE_OF_SENDER_S,
        };
        self.until_ms = now_ms() + 1_000 * seconds;
    }

    /// Where its answers go.
    pub(super) const fn origin(&self) -> Origin {
        match self.who {
            Who::Command(_) => Origin::Nobody,
            Who::Sender(at) => Origin::Osc(at),
        }
    }

    /// Whether it is this one's.
    pub(super) fn is_of(&self, who: Who) -> bool {
        self.who == who
    }

    /// Seconds until it is over if nobody looks after it, at least 1; a command looks after its own.
    pub(super) fn left_s(&self) -> Option<u64> {
        let left = self.until_ms.saturating_sub(now_ms()).div_ceil(1_000).max(1);
        matches!(self.who, Who::Sender(_)).then_some(left)
    }

    /// Whether nobody looked after it for too long.
    pub(super) fn is_over(&self) -> bool {
        now_ms() >= self.until_ms
    }

    /// Whether a touch is awaited.
    pub(super) const fn listens(&self) -> bool {
        self.motion.is_some()
    }

    /// Hears what the panel says.
    pub(super) fn hear(&mut self, event: &Event) {
        let Some(motion) = &mut self.motion else { return };
        match event {
            Event::Midi { port, bytes } => motion.midi(now_ms(), *port, bytes),
            Event::PanelOsc { port, message } => motion.osc(now_ms(), *port, message),
            _ => {}
        }
    }

    /// Looks how it stands; what is not clear begins anew.
    pub(super) fn look(&mut self, desk: &Desk) -> Progress {
        if let Some(motion) = &mut self.motion {
            match motion.verdict(now_ms()) {
                Verdict::Quiet => return Progress::Quiet,
                Verdict::Waiting => return Progress::Waiting,
                Verdict::Moving => return Progress::Moving,
                Verdict::Again(moved) => {
                    motion.again();
                    return Progress::Again(moved);
                }
                Verdict::Found(touched) => (self.motion, self.found) = (None, Some(touched)),
            }
            self.renew();
        }
        self.found.as_ref().map_or(Progress::Waiting, |touched| Progress::Found(Box::new(found(touched, desk))))
    }

    /// The command is still there.
    pub(super) fn stay(&mut self) {
        if matches!(self.who, Who::Command(_)) {
            self.renew();
        }
    }

    /// What was found.
    pub(super) fn take(self) -> Option<Touched> {
        self.found
    }

    /// What a sender of OSC has to hear, if it is news.
    pub(super) fn news(&mut self, desk: &Desk) -> Option<(std::net::SocketAddr, Progress)> {
        let Who::Sender(to) = self.who else { return None };
        let progress = self.look(desk);
        let news = progress != Progress::Moving && self.told.as_ref() != Some(&progress);
        if news {
            self.told = Some(progress.clone());
        }
        news.then_some((to, progress))
    }
}

fn found(touched: &Touched, desk: &Desk) -> Found {
    let port = desk.rig().control_ports.get(touched.port.0).map_or("", |port| &*port.id);
    let known = known(&desk.panel().controls, port, touched);
    let moves = desk.moves().iter().filter(|moves| known.is_some_and(|known| known.id == moves.control));
    #[expect(clippy::cast_possible_truncation, reason = "for people")]
    let percent = |part: f64| (part * 100.0) as f32;
    #[expect(clippy::cast_possible_truncation, reason = "for people")]
    Found {
        port: port.to_owned(),
        wire: message_words(&touched.message),
        kind: kind_word(known.map_or(touched.kind, |known| known.kind)).to_owned(),
        known: known.map(|known| (known.id.to_string(), known.place.clone())),
        moves: moves.map(|moves| moves.target.to_string()).collect(),
        seen: (percent(touched.seen.0), percent(touched.seen.1)),
        rising: touched.rising,
        margin_db: touched.margin_db as f32,
    }
}

/// The control of the panel file that was touched.
fn known<'c>(controls: &'c [Control], port: &str, touched: &Touched) -> Option<&'c Control> {
    controls.iter().find(|control| {
        control.kind != ControlKind::Lamp && &*control.port == port && same_wire(&control.message, &touched.message)
    })
}

/// In one line for whoever teaches.
#[must_use]
pub fn progress_words(progress: &Progress) -> (&'static str, String) {
    match progress {
        Progress::Quiet => ("quiet", words::HANDS_OFF.to_owned()),
        Progress::Waiting | Progress::Moving => ("touch", words::TOUCH.to_owned()),
        Progress::Again(moved) => ("again", words::again(moved)),
        Progress::Found(found) => {
            let Found { wire, port, kind, known, moves, .. } = &**found;
            ("found", words::found(wire, port, known.as_ref(), kind, moves))
        }
    }
}

/// Which control is meant.
#[derive(Clone, Debug, Serialize, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "kebab-case")]
pub enum Which {
    /// The one that this session found.
    Touched(u64),
    /// One of the panel file.
    Named(String),
}

/// What a control shall be.
#[derive(Clone, Debug, Default, Serialize, Deserialize, PartialEq, Eq)]
pub struct Wish {
    /// The parameter it shall move; none takes away what it moves now.
    pub parameter: Option<String>,
    /// What people call it; the id comes from it. For a control that the panel file does not have yet.
    pub name: Option<String>,
    /// What it is, when it is not what it seems.
    pub kind: Option<String>,
}

/// What was written.
#[derive(Clone, Debug, Serialize, Deserialize, PartialEq, Eq)]
pub struct Assigned {
    /// The control.
    pub control: String,
    /// What it moves.
    pub parameter: Option<String>,
    /// What it moved before.
    pub before: Vec<String>,
    /// The files that were written.
    pub files: Vec<String>,
    /// By this number it is put back.
    pub change: u64,
}

/// What was written last, to be put back.
#[derive(Debug)]
struct Change {
    number: u64,
    /// Each with its text of before and of now; in the order in which they are put back.
    files: Vec<(PathBuf, String, String)>,
}

/// Writes what was taught.
pub struct Teacher {
    shared: Arc<DeskShared>,
    paths: Paths,
    folder: PathBuf,
    hints: Arc<Hints>,
    last: Mutex<Option<Change>>,
    numbers: AtomicU64,
    /// Something that a sender asked for is being done.
    busy: AtomicBool,
}

impl std::fmt::Debug for Teacher {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Teacher").finish_non_exhaustive()
    }
}

impl Teacher {
    /// Of the daemon with these files.
    pub(super) fn new(shared: &Arc<DeskShared>, paths: &Paths, folder: PathBuf, hints: &Arc<Hints>) -> Self {
        let (shared, hints) = (Arc::clone(shared), Arc::clone(hints));
        let (last, numbers, busy) = (Mutex::default(), AtomicU64::new(nanos()), AtomicBool::new(false));
        Self { shared, paths: paths.clone(), folder, hints, last, numbers, busy }
    }

    /// Whether a touch is awaited: then unknown addresses of a panel are of interest.
    #[must_use]
    pub fn listens(&self) -> bool {
        self.shared.teaching.load(Ordering::Relaxed)
    }

    /// Does something for a sender of OSC, on a thread of its own; `then` tells it. False when something is being done already.
    pub(super) fn on_its_own(
        self: &Arc<Self>,
        job: impl FnOnce(&Self) -> Result<String, String> + Send + 'static,
        then: impl FnOnce(Result<String, String>) + Send + 'static,
    ) -> bool {
        if self.busy.swap(true, Ordering::AcqRel) {
            return false;
        }
        let teacher = Arc::clone(self);
        let work = move || {
            let done = job(&teacher);
            teacher.busy.store(false, Ordering::Release);
            then(done);
        };
        let began = std::thread::Builder::new().name("teach".into()).spawn(work).is_ok();
        if !began {
            self.busy.store(false, Ordering::Release);
        }
        began
    }

    /// Asks the desk's thread about a session.
    ///
    /// # Errors
    /// Why not, in words.
    pub(super) fn ask(&self, who: Who, ask: TeachAsk) -> Result<Taught, String> {
        desk(&self.shared, |answer: mpsc::SyncSender<Result<Taught, String>>| Asked::Teach(who, ask, answer))?
    }

    /// A session for a command.
    pub(super) fn begin(&self) -> Result<u64, String> {
        let number = self.numbers.fetch_add(1, Ordering::Relaxed);
        self.begin_for(Who::Command(number)).map(|()| number)
    }

    /// A session for anybody.
    pub(super) fn begin_for(&self, who: Who) -> Result<(), String> {
        if self.paths.panel.is_none() || self.paths.profile.is_none() {
            return Err(words::NO_FILES.to_owned());
        }
        self.ask(who, TeachAsk::Begin).map(drop)
    }

    /// What a typed parameter may mean, for a control of this kind: names, and whether they fit.
    pub(super) fn complete(&self, typed: &str, kind: Option<&str>) -> Result<(Vec<String>, bool), String> {
        let addresses: Vec<Address> = desk(&self.shared, Asked::Addresses)?;
        let kind = kind.and_then(|word| KINDS.into_iter().find(|(known, _)| *known == word)).map(|(_, kind)| kind);
        let names: Vec<String> =
            addresses.iter().filter(|address| can_move(kind, address)).map(ToString::to_string).collect();
        let (found, fits) = meant(typed, names.iter().map(String::as_str));
        Ok((found.into_iter().take(NAMES_MAX).map(str::to_owned).collect(), fits))
    }

    /// Writes what a control shall move, after the whole check, and waits until it is in force.
    pub(super) fn assign(&self, touched: Option<&Touched>, named: &str, wish: &Wish) -> Result<Assigned, String> {
        let mut last = self.last.lock().unwrap_or_else(PoisonError::into_inner);
        let (Some(panel_path), Some(profile_path)) = (&self.paths.panel, &self.paths.profile) else {
            return Err(words::NO_FILES.to_owned());
        };
        let before = sound(self.paths.load()?)?;
        let target = wish.parameter.as_deref().map(parameter).transpose()?;
        let control = match touched {
            Some(touched) => touched_control(&before.0, touched, wish, target.as_ref())?,
            None => {
                let controls = &before.0.panel.controls;
                let control =
                    controls.iter().find(|control| &*control.id == named && control.kind != ControlKind::Lamp);
                let near = || crate::params::nearest(named, controls.iter().map(|control| &*control.id));
                control.cloned().ok_or_else(|| words::no_control(named, near()))?
            }
        };
        let is_new = !before.0.panel.controls.iter().any(|known| known.id == control.id);
        let moved = before.0.profile.moves.iter().filter(|moves| moves.control == control.id);
        let moved: Vec<String> = moved.map(|moves| moves.target.to_string()).collect();
        if target.is_none() && moved.is_empty() {
            return Err(words::moves(&control.id, None));
        }
        let after = sound(self.paths.load_with(|what, text| match what {
            "panel" if is_new => Ok(edit::with_control(text, &control)),
            "profile" => edit::with_move(text, &control.id, target.as_ref()),
            _ => Ok(text.to_owned()),
        })?)?;
        let text = |loaded: &Loaded, panel: bool| {
            let source = if panel { &loaded.texts.panel } else { &loaded.texts.profile };
            source.as_ref().map(|source| source.text.clone()).unwrap_or_default()
        };
        let mut change = Change { number: self.numbers.fetch_add(1, Ordering::Relaxed), files: Vec::new() };
        // The panel first: a control that moves nothing harms nobody, a move without its control would be refused.
        for (panel, path) in [(true, panel_path), (false, profile_path)] {
            let (old, new) = (text(&before.1, panel), text(&after.1, panel));
            if old != new {
                write(path, &new)?;
                change.files.insert(0, (path.clone(), old, new));
            }
        }
        let assigned = Assigned {
            control: control.id.to_string(),
            parameter: target.map(|target| target.to_string()),
            before: moved,
            files: change.files.iter().map(|(path, ..)| path.display().to_string()).collect(),
            change: change.number,
        };
        self.hints.reload_now();
        let named = self.paths.named();
        let of = |path: &PathBuf| named.iter().find(|(_, named)| named == path).map(|(what, _)| what.clone());
        let texts = change.files.iter().filter_map(|(path, _, new)| Some((of(path)?, new.clone()))).collect();
        if let Err(error) = state::note_together(&self.folder, &texts) {
            tracing::warn!("{}", log::not_together(&error));
        }
        *last = Some(change);
        tracing::info!("{}", log::control_moves(&assigned.control, assigned.parameter.as_deref()));
        Ok(assigned)
    }

    /// Puts back what was written last.
    pub(super) fn put_back(&self, number: Option<u64>) -> Result<Vec<String>, String> {
        let mut last = self.last.lock().unwrap_or_else(PoisonError::into_inner);
        let Some(change) = last.take_if(|change| number.is_none_or(|number| change.number == number)) else {
            return Err(words::NOTHING_TO_PUT_BACK.to_owned());
        };
        for (path, _, new) in &change.files {
            let now = std::fs::read_to_string(path).map_err(|error| format!("{}: {error}", path.display()))?;
            if now != *new {
                return Err(words::changed_since(path.display()));
            }
        }
        for (path, old, _) in &change.files {
            if let Some((file, _)) = self.paths.named().into_iter().find(|(_, of)| of == path)
                && let Some(number) = state::stands_at(&self.folder, &file, old)
                && let Err(error) = state::note_taken_back(&self.folder, &file, number)
            {
                tracing::warn!("{}", history::unreadable(&file, error));
            }
            write(path, old)?;
        }
        self.hints.reload_now();
        Ok(change.files.iter().map(|(path, ..)| path.display().to_string()).collect())
    }
}

fn write(path: &std::path::Path, text: &str) -> Result<(), String> {
    storage::write_atomically(path, text.as_bytes()).map_err(|error| history::not_writable(path.display(), error))
}

/// What files say that are sound, with their texts; or their first mistake.
fn sound(mut loaded: Loaded) -> Result<(Installation, Loaded), String> {
    match loaded.installation.take() {
        Some(installation) => Ok((installation, loaded)),
        None => {
            let errors = loaded.diagnostics.iter().filter(|found| found.severity == crate::profile::Severity::Error);
            let first = errors.map(ToString::to_string).next().unwrap_or_default();
            Err(words::nothing_written(&first))
        }
    }
}

fn parameter(path: &str) -> Result<Address, String> {
    let read = if path.starts_with('/') { Address::from_osc(path) } else { Address::from_dotted(path) };
    read.map_err(|error| error.to_string())
}

/// Whether a control of this kind can move a parameter.
fn can_move(kind: Option<ControlKind>, address: &Address) -> bool {
    let row = address.key.parameter();
    let button = matches!(kind, Some(ControlKind::Momentary | ControlKind::Hold | ControlKind::Latching));
    row.taper != Taper::None && !(button && matches!(row.domain, Domain::Number { .. }))
}

/// The control of the panel file that was touched, or a new one.
fn touched_control(
    files: &Installation,
    touched: &Touched,
    wish: &Wish,
    target: Option<&Address>,
) -> Result<Control, String> {
    let port = files.rig.control_ports.get(touched.port.0).ok_or(words::PORT_GONE)?;
    if let Some(known) = known(&files.panel.controls, &port.id, touched) {
        return Ok(known.clone());
    }
    let kind = match (wish.kind.as_deref(), touched.kind) {
        (None, kind) | (Some("encoder"), kind @ ControlKind::Encoder(_)) => kind,
        (Some(word), _) => KINDS
            .into_iter()
            .find(|(known, _)| *known == word)
            .map(|(_, kind)| kind)
            .ok_or_else(|| words::no_kind(word, &KINDS.map(|(word, _)| word)))?,
    };
    let name = match (&wish.name, target) {
        (Some(name), _) => name.trim().to_owned(),
        (None, Some(target)) => {
            let path = target.to_string();
            format!("{} {}", target.id, path.rsplit('.').next().unwrap_or_default())
        }
        (None, None) => return Err(words::NOT_IN_PANEL.to_owned()),
    };
    let base = id_of(&name);
    if !is_id(&base) {
        return Err(words::no_name(&name));
    }
    let taken = |id: &str| files.panel.controls.iter().any(|control| &*control.id == id);
    let mut ids = std::iter::once(base.clone()).chain((2..).map(|number| format!("{base}-{number}")));
    let id = ids.find(|id| !taken(id)).unwrap_or(base);
    Ok(Control {
        id: id.into(),
        place: name,
        kind,
        port: port.id.clone(),
        message: touched.message.clone(),
        calibration: None,
        travel_mm: 100.0,
        feedback: false,
    })
}
