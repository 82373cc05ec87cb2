//! What commands ask the running daemon over its socket, and how the answer comes about.
//!
//! What concerns the desk goes to its thread, with what the daemon knows besides ([`Facts`]); files are seen to here.

use super::desk_thread::DeskShared;
use super::files::Paths;
use super::inbox::{Ask, DAEMON_LANE, Item, Origin};
use super::network::Network;
use super::run::Hints;
use super::teach::{Assigned, Progress, Taught, TeachAsk, Teacher, Which, Who, Wish};
use super::{past, state};
use crate::desk::{Change, Facts, Recall, SceneToKeep, Status, Why, Wrong};
use crate::params::{Address, Value};
use crate::ports::clock::nanos;
use crate::ports::command_socket::{self, Served};
use crate::ports::storage;
use crate::profile::{Part, Scene, edit};
use crate::units::{Frames, SampleRate};
use crate::words;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;
use std::sync::{Arc, Mutex, PoisonError, mpsc};
use std::time::Duration;

/// How long the desk may take.
const PATIENCE: Duration = Duration::from_secs(5);
/// Scenes that may wait to be written.
const SCENES_WAITING: usize = 8;

/// Held while the profile is read, edited and written: one edit follows the other.
static EDITING: Mutex<()> = Mutex::new(());

/// What is asked.
#[derive(Clone, Debug, Serialize, Deserialize, PartialEq)]
#[serde(rename_all = "kebab-case")]
pub enum Question {
    /// How things are.
    Status,
    /// Why something is silent, lit, or does not obey.
    Why(String),
    /// The accepted revisions of every file.
    History,
    /// The mix as it is, written into the profile as the one it starts with.
    Keep,
    /// The mix as it is, written into the profile as a scene.
    KeepScene(SceneAsk),
    /// The scenes of the profile in force.
    Scenes,
    /// A scene or an earlier mix.
    Recall {
        /// Which.
        what: RecallAsk,
        /// Whether it is to be set; otherwise only what it would change is told.
        set: bool,
    },
    /// A file as it was before, or as it was in a revision.
    Undo {
        /// `rig`, `panel` or `profile`; none is the one that was changed last.
        file: Option<String>,
        /// The revision; none is the one before what the file says now.
        to: Option<u64>,
    },
    /// A control is about to be touched, for as long as this connection lasts.
    Teach,
    /// How this session of teaching stands; whoever does not ask is taken for gone.
    Taught(u64),
    /// What a typed parameter may mean, for this kind of control.
    Complete(String, Option<String>),
    /// A control shall move this.
    Assign(Which, Wish),
    /// What was assigned by this number shall be as before.
    PutBack(u64),
}

/// A scene to be kept: what is not said is as the scene says already, or usual.
#[derive(Clone, Debug, Default, Serialize, Deserialize, PartialEq)]
pub struct SceneAsk {
    /// Its id.
    pub scene: String,
    /// What it is about, in the words of the profile.
    pub scope: Option<Vec<String>>,
    /// Of which channels.
    pub channels: Option<Vec<String>>,
    /// Channels that it never touches.
    pub protect: Option<Vec<String>>,
    /// How long a recall takes, s.
    pub fade_s: Option<f32>,
}

/// What is recalled.
#[derive(Clone, Debug, Serialize, Deserialize, PartialEq)]
#[serde(rename_all = "kebab-case")]
pub enum RecallAsk {
    /// A scene.
    Scene(String),
    /// What the last recall changed, as it was before.
    Back,
    /// The mix as it was.
    At {
        /// When, in seconds since 1970.
        seconds: i64,
        /// How long the way there takes, s.
        fade_s: f32,
    },
}

/// A scene of the profile in force.
#[derive(Clone, Debug, Serialize, Deserialize, PartialEq)]
pub struct SceneShown {
    /// Its id.
    pub id: String,
    /// How long a recall takes, s.
    pub fade_s: f32,
    /// How many values it has.
    pub values: usize,
    /// Whether it was recalled or kept last.
    pub current: bool,
}

/// A value that a recall is about, and that is another one now.
#[derive(Clone, Debug, Serialize, Deserialize, PartialEq, Eq)]
pub struct Changed {
    /// Its path.
    pub path: String,
    /// What it is.
    pub now: String,
    /// What it becomes.
    pub then: String,
    /// Why it does not.
    pub kept: Option<String>,
}

/// An accepted revision of a file.
#[derive(Clone, Debug, Serialize, Deserialize, PartialEq, Eq)]
pub struct Revision {
    /// `rig`, `panel`, `profile`; further layers of a rig are `rig-2` and so on.
    pub file: String,
    /// Its number, counted from 1 for each file.
    pub number: u64,
    /// When it was accepted, in UTC.
    pub accepted: String,
    /// Whether it is what the file says now.
    pub in_force: bool,
}

/// The answer.
#[derive(Clone, Debug, Serialize, Deserialize, PartialEq)]
#[serde(rename_all = "kebab-case")]
pub enum Answer {
    /// How things are.
    Status(Box<Status>),
    /// Why it is so.
    Why(Why),
    /// The accepted revisions of every file, oldest first.
    History(Vec<Revision>),
    /// The mix was written into a profile.
    Kept {
        /// The file.
        path: String,
        /// How many of its values are other ones now.
        changed: usize,
    },
    /// The mix was written into a profile as a scene.
    SceneKept {
        /// The file.
        path: String,
        /// How many values the scene has.
        values: usize,
        /// Whether anything of it is another thing now.
        changed: bool,
    },
    /// The scenes of the profile in force.
    Scenes(Vec<SceneShown>),
    /// What a recall changes.
    Recalled {
        /// Where the values come from, in words.
        of: String,
        /// Every value that is another one.
        changes: Vec<Changed>,
        /// Whether it is done now.
        set: bool,
    },
    /// A file was put back, or those that one change wrote. The desk reads them again as if somebody had saved them.
    Undone {
        /// Each file, and the revision whose text it has now.
        files: Vec<(String, u64)>,
        /// Why the desk did not take them, if it did not.
        refused: Option<String>,
    },
    /// A session of teaching has begun, of this number.
    Teach(u64),
    /// It stands so.
    Taught(Progress),
    /// Names, and whether they fit what was typed.
    Names(Vec<String>, bool),
    /// This was written and is in force.
    Assigned(Assigned),
    /// These files are as before.
    PutBack(Vec<String>),
    /// It cannot be answered, and why.
    Refused(String),
}

/// What the desk's thread is asked, with where the answer goes; nobody may be there any more.
#[derive(Clone, Debug)]
pub enum Asked {
    /// How things are.
    Status(Box<Facts>, mpsc::SyncSender<Answer>),
    /// Why something is as it is.
    Why(String, Box<Facts>, mpsc::SyncSender<Answer>),
    /// Every value that a profile may start with.
    Mix(mpsc::SyncSender<Vec<(Address, Value)>>),
    /// Every address there is.
    Addresses(mpsc::SyncSender<Vec<Address>>),
    /// About a session of teaching.
    Teach(Who, TeachAsk, mpsc::SyncSender<Result<Taught, String>>),
    /// A scene with the values of the mix.
    Scene(SceneToKeep, mpsc::SyncSender<Result<Scene, String>>),
    /// Every scene.
    Scenes(mpsc::SyncSender<Answer>),
    /// What a recall changes; whether it is to be done.
    Recall(Recall, bool, mpsc::SyncSender<Result<Vec<Change>, String>>),
}

/// Serves the questions of one daemon in its state folder. A folder in which no socket can be made is said, and the desk
/// goes on without.
pub(super) fn serve(
    folder: &Path,
    shared: &Arc<DeskShared>,
    network: &Arc<Network>,
    rate: SampleRate,
    paths: &Paths,
    teacher: &Arc<Teacher>,
    hints: &Arc<Hints>,
) -> Option<Served> {
    let (teacher, hints) = (Arc::clone(teacher), Arc::clone(hints));
    let (shared, network) = (Arc::clone(shared), Arc::clone(network));
    let (kept, paths) = (folder.to_owned(), paths.clone());
    let answer = move |line: &str, touch: &mut Option<Touch>| {
        let answer = match serde_json::from_str(line) {
            Ok(Question::Status) => desk(&shared, |answer| Asked::Status(facts(&shared, &network, rate), answer)),
            Ok(Question::Why(path)) => desk(&shared, |answer| Asked::Why(path, facts(&shared, &network, rate), answer)),
            Ok(Question::History) => revisions(&kept, &paths).map(Answer::History),
            Ok(Question::Keep) => desk(&shared, Asked::Mix).and_then(|mix| keep(&paths, &mix)),
            Ok(Question::KeepScene(ask)) => keep_scene(&shared, &paths, ask),
            Ok(Question::Scenes) => desk(&shared, Asked::Scenes),
            Ok(Question::Recall { what, set }) => recall(&shared, &kept, what, set),
            Ok(Question::Undo { file, to }) => undo(&kept, &paths, file.as_deref(), to),
            Ok(question) => teach(&teacher, touch, question),
            Err(error) => Err(words::refused::no_question(error)),
        };
        let mut answer = answer.unwrap_or_else(Answer::Refused);
        // Whoever asks next finds what was written in force.
        match &mut answer {
            Answer::Kept { changed: 1.., .. } | Answer::SceneKept { changed: true, .. } => hints.reload_now(),
            Answer::Undone { refused, .. } => {
                hints.reload_now();
                *refused =
                    shared.wrong_about("files").map(|wrong| words::history::undone_but(&wrong.what, &wrong.remedy));
            }
            _ => {}
        }
        serde_json::to_string(&answer).unwrap_or_default()
    };
    let answer = Arc::new(answer);
    let connected = move || {
        let (answer, mut touch) = (Arc::clone(&answer), None);
        move |line: &str| answer(line, &mut touch)
    };
    command_socket::serve(folder, connected)
        .inspect_err(|error| tracing::warn!("{}", words::log::no_commands(folder.display(), error)))
        .ok()
}

/// The session of teaching that a connection began, and that ends with it.
struct Touch(Arc<Teacher>, u64);

impl Drop for Touch {
    fn drop(&mut self) {
        // It may be over already.
        drop(self.0.ask(Who::Command(self.1), TeachAsk::End));
    }
}

fn teach(teacher: &Arc<Teacher>, touch: &mut Option<Touch>, question: Question) -> Result<Answer, String> {
    let ask = |number, ask| teacher.ask(Who::Command(number), ask);
    Ok(match question {
        Question::Teach => {
            *touch = None;
            let session = teacher.begin()?;
            *touch = Some(Touch(Arc::clone(teacher), session));
            Answer::Teach(session)
        }
        Question::Taught(number) => match ask(number, TeachAsk::Look)? {
            Taught::Progress(progress) => Answer::Taught(progress),
            _ => return Err(words::teach::BEGIN_AGAIN.to_owned()),
        },
        Question::Complete(typed, kind) => {
            let (names, fits) = teacher.complete(&typed, kind.as_deref())?;
            Answer::Names(names, fits)
        }
        Question::Assign(Which::Named(control), wish) => Answer::Assigned(teacher.assign(None, &control, &wish)?),
        Question::Assign(Which::Touched(number), wish) => match ask(number, TeachAsk::Take)? {
            Taught::Touched(touched) => Answer::Assigned(teacher.assign(Some(&touched), "", &wish)?),
            _ => return Err(words::teach::NOTHING_TOUCHED.to_owned()),
        },
        Question::PutBack(number) => Answer::PutBack(teacher.put_back(Some(number))?),
        _ => return Err(words::refused::ELSEWHERE.to_owned()),
    })
}

/// The accepted revisions of the files that were named at the start.
fn revisions(folder: &Path, paths: &Paths) -> Result<Vec<Revision>, String> {
    let mut all = Vec::new();
    for (file, path) in paths.named() {
        let now = std::fs::read_to_string(&path).ok();
        let kept =
            state::accepted_revisions(folder, &file).map_err(|error| words::history::unreadable(&file, error))?;
        // The newest with that text: a text that came back is kept anew.
        let force = kept.iter().rposition(|revision| Some(&revision.text) == now.as_ref());
        all.extend(kept.into_iter().enumerate().map(|(place, revision)| Revision {
            file: file.clone(),
            number: revision.number,
            accepted: revision.accepted,
            in_force: Some(place) == force,
        }));
    }
    Ok(all)
}

/// Puts a file back, and with it those that one change wrote together with it. They are read again then, with all the care that
/// an edit by hand gets.
fn undo(folder: &Path, paths: &Paths, file: Option<&str>, to: Option<u64>) -> Result<Answer, String> {
    let named = paths.named();
    let changed = match file {
        Some(file) => file.to_owned(),
        None => changed_last(folder, &named).ok_or(words::history::NONE_EARLIER)?,
    };
    let read = |path: &PathBuf| std::fs::read_to_string(path).ok();
    let mut files = Vec::new();
    if file.is_none() {
        let now = named.iter().filter_map(|(what, path)| Some((what.clone(), read(path)?))).collect();
        files = state::written_together(folder, &changed, &now);
    }
    files.push(changed);
    // The profile first, as when a change is put back: a control that moves nothing harms nobody.
    files.sort_by_key(|file| file != "profile");
    let back: Vec<(PathBuf, state::AcceptedText)> =
        files.iter().map(|file| earlier(folder, &named, file, to)).collect::<Result<_, _>>()?;
    // What the desk would not take is not put back. A file that cannot be read now is no reason to leave it so.
    let put_back = |what: &str| files.iter().position(|file| file == what).map(|place| back[place].1.text.clone());
    if let Ok(loaded) = paths.load_with(|what, text| Ok(put_back(what).unwrap_or_else(|| text.to_owned())))
        && loaded.installation.is_none()
    {
        let errors = loaded.diagnostics.iter().filter(|found| found.severity == crate::profile::Severity::Error);
        let first = errors.map(ToString::to_string).next().unwrap_or_default();
        return Err(words::history::would_be_refused(&files[0], back[0].1.number, &first));
    }
    for (file, (_, revision)) in files.iter().zip(&back) {
        if let Err(error) = state::note_taken_back(folder, file, revision.number) {
            tracing::warn!("{}", words::history::unreadable(file, error));
        }
    }
    let texts: Vec<(&Path, &[u8])> = back.iter().map(|(path, revision)| (&**path, revision.text.as_bytes())).collect();
    storage::write_all(&texts, true).map_err(|why| words::log::cannot_be_written(&why))?;
    for (path, revision) in &back {
        tracing::info!("{}", words::log::put_back(path.display(), revision.number));
    }
    let files = back.into_iter().map(|(path, revision)| (path.display().to_string(), revision.number));
    Ok(Answer::Undone { files: files.collect(), refused: None })
}

/// The revision to which a file goes back: this one, or the one before.
fn earlier(
    folder: &Path,
    named: &[(String, PathBuf)],
    file: &str,
    to: Option<u64>,
) -> Result<(PathBuf, state::AcceptedText), String> {
    let Some((_, path)) = named.iter().find(|(name, _)| *name == file) else {
        let names: Vec<&str> = named.iter().map(|(name, _)| &**name).collect();
        return Err(words::history::no_such_file(file, &names));
    };
    let kept = state::accepted_revisions(folder, file).map_err(|error| words::history::unreadable(file, error))?;
    let now = match std::fs::read_to_string(path) {
        Ok(now) => Some(now),
        // Deleted: back to what is in force.
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => None,
        // No text at all: an edit that was refused.
        Err(error) if error.kind() == std::io::ErrorKind::InvalidData => None,
        Err(error) => return Err(format!("{}: {error}", path.display())),
    };
    let revision = match to {
        Some(number) => kept.iter().find(|revision| revision.number == number),
        // Undoing again goes further back and not to and fro.
        None => match now.as_ref().and_then(|text| state::stands_at(folder, file, text)) {
            Some(number) => kept.iter().rev().find(|revision| revision.number < number),
            None => kept.last(),
        },
    };
    let revision = revision.cloned().ok_or_else(|| match to {
        Some(number) => words::history::no_revision(file, number),
        None => words::history::no_earlier(file),
    })?;
    Ok((path.clone(), revision))
}

/// Writes the mix into the profile. What is read again then is what is already there, so nothing moves.
fn keep(paths: &Paths, mix: &[(Address, Value)]) -> Result<Answer, String> {
    let values = mix.iter().map(|(address, value)| (address, value));
    let edit = |text: &str| edit::with_values(text, values);
    let (path, changed) = edit_profile(paths, edit, |changed| *changed > 0)?;
    if changed > 0 {
        tracing::info!("{}", words::log::mix_kept(&path, changed));
    }
    Ok(Answer::Kept { path, changed })
}

/// Reads the profile, edits it and writes it if the edit changed something. The name of the file and what the edit says.
fn edit_profile<T>(
    paths: &Paths,
    edit: impl FnOnce(&str) -> Result<(String, T), String>,
    changes: impl FnOnce(&T) -> bool,
) -> Result<(String, T), String> {
    let path = paths.profile.as_ref().ok_or(words::history::BUILT_IN)?;
    let name = path.display();
    let _one_at_a_time = EDITING.lock().unwrap_or_else(PoisonError::into_inner);
    let text = std::fs::read_to_string(path).map_err(|error| format!("{name}: {error}"))?;
    let (text, said) = edit(&text).map_err(|why| format!("{name}: {why}"))?;
    if changes(&said) {
        storage::write_atomically(path, text.as_bytes()).map_err(|error| words::history::not_writable(&name, error))?;
    }
    Ok((name.to_string(), said))
}

fn write_scene(paths: &Paths, scene: &Scene) -> Result<Answer, String> {
    let (path, changed) = edit_profile(paths, |text| edit::with_scene(text, scene), |changed| *changed)?;
    tracing::info!("{}", words::scenes::kept(&scene.id, &path, scene.values.len()));
    Ok(Answer::SceneKept { path, values: scene.values.len(), changed })
}

fn keep_scene(shared: &DeskShared, paths: &Paths, ask: SceneAsk) -> Result<Answer, String> {
    let part = |word: &String| {
        let known = Part::WORDS.iter().find(|(known, _)| known == word).map(|(_, part)| *part);
        known.ok_or_else(|| {
            let parts: Vec<&str> = Part::WORDS.iter().map(|(word, _)| *word).collect();
            words::scenes::no_part(word, &parts)
        })
    };
    let scope = ask.scope.map(|words| words.iter().map(part).collect::<Result<Vec<Part>, String>>()).transpose()?;
    let SceneAsk { scene: id, channels, protect, fade_s, .. } = ask;
    let ask = SceneToKeep { id, scope, channels, protect, fade_s };
    let scene = desk(shared, |answer| Asked::Scene(ask, answer))??;
    write_scene(paths, &scene)
}

/// Starts whoever writes the scenes that held buttons keep; ends with the desk's thread.
pub(super) fn keep_scenes(shared: &DeskShared, paths: &Paths) {
    let (sender, scenes) = mpsc::sync_channel::<Scene>(SCENES_WAITING);
    let paths = paths.clone();
    let write = move || {
        for scene in scenes {
            if let Err(why) = write_scene(&paths, &scene) {
                tracing::error!("{}", words::scenes::not_kept(&scene.id, &why));
            }
        }
    };
    // Without the thread the desk says that nobody writes.
    if std::thread::Builder::new().name("keeper".into()).spawn(write).is_ok() {
        drop(shared.keeper.set(sender));
    }
}

fn recall(shared: &DeskShared, folder: &Path, what: RecallAsk, set: bool) -> Result<Answer, String> {
    let (of, what) = match what {
        RecallAsk::Scene(id) => (format!("scene {id}"), Recall::Scene(id.into())),
        RecallAsk::Back => (words::recall::BEFORE_THE_LAST.to_owned(), Recall::Back),
        RecallAsk::At { fade_s, .. } if !crate::desk::is_fade(fade_s) => {
            return Err(words::recall::WAY_TAKES.to_owned());
        }
        RecallAsk::At { seconds, fade_s } => {
            let past = past::mix_at(folder, seconds)?;
            let of = words::recall::of_then(&past.profile, &past.began, past.goes_on);
            (of, Recall::Mix { values: past.values, fade_s })
        }
    };
    let changes = desk(shared, |answer| Asked::Recall(what, set, answer))??;
    let changed = |change: Change| Changed {
        path: change.address.to_string(),
        now: shown(&change.now),
        then: shown(&change.then),
        kept: change.kept.map(str::to_owned),
    };
    Ok(Answer::Recalled { of, changes: changes.into_iter().map(changed).collect(), set })
}

/// A value for people.
fn shown(value: &Value) -> String {
    match value {
        Value::Number(number) => words::number(*number),
        other => other.to_string(),
    }
}

/// The file whose newest revision is the youngest, of those whose text of now has an earlier one.
fn changed_last(folder: &Path, named: &[(String, PathBuf)]) -> Option<String> {
    let files = named.iter().filter_map(|(file, path)| {
        let kept = state::accepted_revisions(folder, file).ok()?;
        // Another text, none at all, or no file.
        let now = std::fs::read_to_string(path).ok();
        let refused = kept.last().is_some_and(|last| now.as_ref() != Some(&last.text));
        let number = now.as_ref().and_then(|text| state::stands_at(folder, file, text));
        (number.is_none() || number != kept.first().map(|first| first.number))
            .then(|| Some((refused, kept.last()?.at, file.clone())))?
    });
    files.max().map(|(.., file)| file)
}

/// Asks the desk's thread.
pub(super) fn desk<T>(shared: &DeskShared, ask: impl FnOnce(mpsc::SyncSender<T>) -> Asked) -> Result<T, String> {
    let (answer, answered) = mpsc::sync_channel(1);
    let ask = Ask::Question(ask(answer));
    shared.inbox.push(DAEMON_LANE, Item { ask, origin: Origin::Nobody, due: Frames(0) });
    answered.recv_timeout(PATIENCE).map_err(|_| words::refused::NO_ANSWER.to_owned())
}

fn facts(shared: &DeskShared, network: &Network, rate: SampleRate) -> Box<Facts> {
    let last_hand = shared.shown().last_hand;
    let mut wrong: Vec<Wrong> = shared.wrong.lock().unwrap_or_else(PoisonError::into_inner).values().cloned().collect();
    wrong
        .extend(network.missing().into_iter().map(|(address, why)| words::wrong::osc_unreachable(address, why).into()));
    let mut ports_away = shared.ports_away.lock().unwrap_or_else(PoisonError::into_inner).clone();
    let mut nodes = Vec::new();
    for node in shared.nodes.shown() {
        nodes.push(node.words());
        if node.standing.hello.is_none() {
            ports_away.entry(node.port).or_insert_with(|| words::wrong::NODE_SILENT.to_owned());
        }
    }
    Box::new(Facts {
        heard: network.heard(rate.hz()),
        meters: network.meters_shown(),
        ports_away,
        files: BTreeMap::new(),
        leaks: network.leaks(),
        own_voices: network.own_voices(),
        wrong,
        idle_s: (last_hand > 0).then(|| nanos().saturating_sub(last_hand) / 1_000_000_000),
        revision: shared.revision.load(Ordering::Relaxed),
        nodes,
        decisions: Vec::new(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn undoing_again_before_the_desk_has_read_goes_on_with_the_file_that_has_an_earlier_revision() {
        let folder = tempfile::tempdir().expect("a folder");
        std::fs::create_dir(folder.path().join("accepted")).expect("made");
        let path = |what: &str| folder.path().join(what);
        let says = |what: &str, number: u32| {
            let name = if what == "profile" { "name = \"House\"\n" } else { "" };
            format!("form = 1\nkind = \"{what}\"\n{name}# {number}\n")
        };
        for (what, number) in [("panel", 1), ("profile", 1), ("panel", 2), ("profile", 2)] {
            state::accept(folder.path(), what, &says(what, number)).expect("kept");
            std::fs::write(path(what), says(what, number)).expect("written");
        }
        let paths = Paths { panel: Some(path("panel")), profile: Some(path("profile")), ..Paths::default() };
        let undone = || undo(folder.path(), &paths, None, None);
        let text = |what: &str| std::fs::read_to_string(path(what)).expect("there");
        for [panel, profile] in [[2, 1], [1, 1]] {
            undone().expect("there is an earlier one");
            assert_eq!([text("panel"), text("profile")], [says("panel", panel), says("profile", profile)]);
        }
        assert_eq!(undone(), Err(words::history::NONE_EARLIER.to_owned()));
    }
}
