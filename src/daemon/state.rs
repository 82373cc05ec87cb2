//! The state folder: what outlives the process.
//!
//! ```text
//! lock              held while a daemon runs; a second one is refused
//! alive             the machine's start and the seconds since then, every second: how long a crash took
//! starts.json       when the last daemons started, and whether they ended as asked
//! mix.json          every value of the desk, within half a second of a change
//! accepted/         the last accepted rig, panel and profile, and the revisions before them
//! journal/          the show journal, rolling
//! ```

use crate::params::{Address, Value};
use crate::ports::clock::since_boot;
use crate::ports::storage::{Revisions, write_atomically, write_carelessly};
use crate::words::log;
use serde_json::{Map, Value as Json, json};
use std::collections::BTreeMap;
use std::fs::{File, TryLockError};
use std::io;
use std::path::{Path, PathBuf};
use std::time::{SystemTime, UNIX_EPOCH};

/// Revisions kept of each accepted file.
const REVISIONS: usize = 100;
/// So many starts without a proper end within [`CRASH_SECONDS`] make the next one a safe one.
const CRASHES: usize = 3;
const CRASH_SECONDS: u64 = 120;
/// A microphone comes back open only when the desk was away for less than this.
const COMES_BACK_SECONDS: u64 = 10;

/// Why the state folder cannot be used.
#[derive(Debug)]
pub enum StateError {
    /// Another daemon has it.
    InUse(PathBuf),
    /// The file system says no.
    Io(PathBuf, io::Error),
}

impl std::fmt::Display for StateError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::InUse(folder) => f.write_str(&log::state_in_use(folder.display())),
            Self::Io(path, error) => write!(f, "{}: {error}", path.display()),
        }
    }
}

impl std::error::Error for StateError {}

/// How the last daemon ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Before {
    /// Whether it ended without having been asked to.
    pub crashed: bool,
    /// Seconds since it was last alive; nothing when that is not known, or the machine has started since.
    pub away_seconds: Option<u64>,
    /// Whether this start has to be a safe one: the third crash within two minutes.
    pub safe_start: bool,
}

impl Before {
    /// Whether promise 5 lets open microphones come back open. An open microphone makes a show attended.
    #[must_use]
    pub fn microphones_open(self) -> bool {
        self.crashed && !self.safe_start && self.away_seconds.is_some_and(|seconds| seconds < COMES_BACK_SECONDS)
    }
}

/// The state folder: the one given, the service manager's, or else the person's own.
#[must_use]
pub fn folder(given: Option<&Path>) -> PathBuf {
    let variable = |name: &str| std::env::var_os(name).filter(|value| !value.is_empty()).map(PathBuf::from);
    given.map(Path::to_owned).or_else(|| variable("STATE_DIRECTORY")).unwrap_or_else(|| {
        let base = variable("XDG_STATE_HOME").or_else(|| variable("HOME").map(|home| home.join(".local/state")));
        base.unwrap_or_else(|| PathBuf::from(".")).join("longthrow")
    })
}

/// A state folder in our hands.
#[derive(Debug)]
pub struct State {
    folder: PathBuf,
    /// Held for its lock.
    _lock: File,
}

/// Civil time in whole seconds.
#[must_use]
pub fn civil_seconds() -> u64 {
    SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |since| since.as_secs())
}

/// Civil time as RFC 3339 writes it, in UTC. The calendar is the proleptic Gregorian one, by counting days.
#[must_use]
pub fn civil_text() -> String {
    civil_text_of(civil_seconds())
}

/// Seconds since 1970 as RFC 3339 writes them.
fn civil_text_of(seconds: u64) -> String {
    let (day, second) = (seconds / 86_400, seconds % 86_400);
    // Days since 1 March of the year 0, in cycles of 400, 100, 4 and 1 years.
    let days = day + 719_468;
    let (era, day_of_era) = (days / 146_097, days % 146_097);
    let year_of_era = (day_of_era - day_of_era / 1_460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let month = (5 * day_of_year + 2) / 153;
    let (date, month) = (day_of_year - (153 * month + 2) / 5 + 1, if month < 10 { month + 3 } else { month - 9 });
    let year = era * 400 + year_of_era + u64::from(month <= 2);
    let (hour, minute) = (second / 3600, second / 60 % 60);
    format!("{year:04}-{month:02}-{date:02}T{hour:02}:{minute:02}:{:02}Z", second % 60)
}

impl State {
    /// Takes a folder, making it if need be.
    ///
    /// # Errors
    /// It is in use, or cannot be made or locked.
    pub fn open(folder: &Path) -> Result<Self, StateError> {
        let fail = |path: &Path| {
            let path = path.to_owned();
            move |error| StateError::Io(path, error)
        };
        for folder in [folder.to_owned(), folder.join("accepted"), folder.join("journal")] {
            std::fs::create_dir_all(&folder).map_err(fail(&folder))?;
        }
        let path = folder.join("lock");
        let lock = File::options().create(true).truncate(false).write(true).open(&path).map_err(fail(&path))?;
        match lock.try_lock() {
            Ok(()) => Ok(Self { folder: folder.to_owned(), _lock: lock }),
            Err(TryLockError::WouldBlock) => Err(StateError::InUse(folder.to_owned())),
            Err(TryLockError::Error(error)) => Err(StateError::Io(path, error)),
        }
    }

    /// The folder.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Notes that we start, and says how the last one ended.
    pub fn begin(&self) -> Before {
        let now = civil_seconds();
        let mut starts = self.starts();
        let crashed = starts.last().is_some_and(|start| !start.1);
        let alive = std::fs::read_to_string(self.folder.join("alive")).unwrap_or_default();
        let recent = starts.iter().rev().take(CRASHES);
        let crashes = recent.filter(|(at, ended)| !ended && now.saturating_sub(*at) <= CRASH_SECONDS).count();
        starts.push((now, false));
        let first = starts.len().saturating_sub(2 * CRASHES);
        self.write_starts(&starts[first..]);
        Before {
            crashed,
            away_seconds: since_boot().and_then(|now| away(&alive, &now)),
            safe_start: crashes >= CRASHES,
        }
    }

    /// Notes that we end as asked.
    pub fn end(&self) {
        let mut starts = self.starts();
        if let Some(last) = starts.last_mut() {
            last.1 = true;
        }
        self.write_starts(&starts);
    }

    fn starts(&self) -> Vec<(u64, bool)> {
        let text = std::fs::read_to_string(self.folder.join("starts.json")).unwrap_or_default();
        serde_json::from_str(&text).unwrap_or_default()
    }

    fn write_starts(&self, starts: &[(u64, bool)]) {
        let text = json!(starts).to_string();
        if let Err(error) = write_atomically(&self.folder.join("starts.json"), text.as_bytes()) {
            tracing::warn!("{}", log::could_not_be_written("starts.json", error));
        }
    }

    /// The last accepted text of a file, `rig`, `panel` or `profile`.
    #[must_use]
    pub fn accepted(&self, what: &str) -> Option<String> {
        newest_accepted(&self.folder, what)
    }

    /// The mix that was kept, and the profile it belongs to.
    #[must_use]
    pub fn kept_mix(&self) -> Option<(String, Vec<(Address, Value)>)> {
        let text = std::fs::read_to_string(self.folder.join("mix.json")).ok()?;
        let json: Json = serde_json::from_str(&text).ok()?;
        let profile = json.get("profile")?.as_str()?.to_owned();
        let values = json.get("values")?.as_object()?.iter().filter_map(|(path, value)| {
            let address = Address::from_dotted(path).ok()?;
            #[expect(clippy::cast_possible_truncation, reason = "written from single precision")]
            let value = match value {
                Json::Number(number) => Value::Number(number.as_f64()? as f32),
                Json::String(word) => Value::Word(word.as_str().into()),
                _ => return None,
            };
            let value = address.key.parameter().accept(&value).ok()?;
            Some((address, value))
        });
        Some((profile, values.collect()))
    }
}

fn revisions(folder: &Path, what: &str) -> io::Result<Revisions> {
    Revisions::open(&folder.join("accepted"), what, "toml", REVISIONS)
}

/// The text of a file that was accepted last.
#[must_use]
pub fn newest_accepted(folder: &Path, what: &str) -> Option<String> {
    String::from_utf8(revisions(folder, what).ok()?.newest().ok()??.1).ok()
}

/// A text of a file that was accepted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AcceptedText {
    /// Its number.
    pub number: u64,
    /// When, in UTC for people.
    pub accepted: String,
    /// The same, to be compared.
    pub at: SystemTime,
    /// The text.
    pub text: String,
}

/// Every accepted text of a file, oldest first. One that cannot be read is passed over.
///
/// # Errors
/// The folder cannot be read.
pub fn accepted_revisions(folder: &Path, what: &str) -> io::Result<Vec<AcceptedText>> {
    let list = revisions(folder, what)?.list()?;
    let texts = list.into_iter().filter_map(|(number, path)| {
        let at = std::fs::metadata(&path).and_then(|data| data.modified()).ok()?;
        let seconds = at.duration_since(UNIX_EPOCH).map_or(0, |since| since.as_secs());
        let text = std::fs::read_to_string(&path).ok()?;
        Some(AcceptedText { number, accepted: civil_text_of(seconds), at, text })
    });
    Ok(texts.collect())
}

/// Keeps an accepted text as its newest revision; says its number.
///
/// # Errors
/// The file system's.
pub fn accept(folder: &Path, what: &str, text: &str) -> io::Result<u64> {
    let revisions = revisions(folder, what)?;
    match revisions.newest()? {
        Some((number, bytes)) if bytes == text.as_bytes() => Ok(number),
        _ => revisions.keep(text.as_bytes()),
    }
}

/// Where it is written which revisions of several files were one change.
const TOGETHER: &str = "accepted/together.json";

/// Where it is written which revisions only say again what an earlier one said, because a change was taken back: for each file
/// the number of the one and of the other.
const TAKEN_BACK: &str = "accepted/taken-back.json";

fn taken_back(folder: &Path) -> BTreeMap<String, BTreeMap<u64, u64>> {
    let text = std::fs::read_to_string(folder.join(TAKEN_BACK)).unwrap_or_default();
    // One that cannot be read is as if nobody had taken anything back: then the way back leads over more revisions.
    serde_json::from_str(&text).unwrap_or_default()
}

/// Says that a file is about to say again what it said in a revision: its next one is no change of its own.
///
/// # Errors
/// The file system's.
pub fn note_taken_back(folder: &Path, what: &str, to: u64) -> io::Result<()> {
    let kept = accepted_revisions(folder, what)?;
    let (Some(first), Some(last)) = (kept.first(), kept.last()) else { return Ok(()) };
    let mut all = taken_back(folder);
    let of_file = all.entry(what.to_owned()).or_default();
    of_file.retain(|number, _| *number >= first.number);
    of_file.insert(last.number + 1, to);
    write_atomically(&folder.join(TAKEN_BACK), json!(all).to_string().as_bytes())
}

/// The revision of a file at which it stands with this text: the newest that has it or, where that one only takes a change back,
/// the one it goes back to.
pub fn stands_at(folder: &Path, what: &str, text: &str) -> Option<u64> {
    let kept = accepted_revisions(folder, what).ok()?;
    let has_it = |number: &u64| kept.iter().any(|revision| revision.number == *number && revision.text == text);
    let back = taken_back(folder).remove(what).unwrap_or_default();
    let newest = kept.last()?.number;
    // Perhaps the desk has not read yet what was taken back.
    let mut number = match back.get(&(newest + 1)).filter(|to| has_it(to)) {
        Some(to) if kept.last()?.text != text => *to,
        _ => kept.iter().rev().find(|revision| revision.text == text)?.number,
    };
    while let Some(to) = back.get(&number).filter(|to| **to < number && has_it(to)) {
        number = *to;
    }
    Some(number)
}

fn changes_together(folder: &Path) -> Vec<BTreeMap<String, u64>> {
    let text = std::fs::read_to_string(folder.join(TOGETHER)).unwrap_or_default();
    // One that cannot be read is as if none had been written: then each file goes back by itself.
    serde_json::from_str(&text).unwrap_or_default()
}

/// Says that these texts, each of a file that has been accepted, are one change, to be undone together. As many such changes are
/// kept as there are revisions.
///
/// # Errors
/// The file system's.
pub fn note_together(folder: &Path, texts: &BTreeMap<String, String>) -> io::Result<()> {
    let numbers = texts.iter().filter_map(|(what, text)| Some((what.clone(), stands_at(folder, what, text)?)));
    let change: BTreeMap<String, u64> = numbers.collect();
    let mut all = changes_together(folder);
    if change.len() < 2 || all.contains(&change) {
        return Ok(());
    }
    all.push(change);
    all.drain(..all.len().saturating_sub(REVISIONS));
    write_atomically(&folder.join(TOGETHER), json!(all).to_string().as_bytes())
}

/// The files whose texts of now were written by one change together with that of `what`, which is not among them.
#[must_use]
pub fn written_together(folder: &Path, what: &str, now: &BTreeMap<String, String>) -> Vec<String> {
    let stands = |(file, number): (&String, &u64)| {
        now.get(file).is_some_and(|text| stands_at(folder, file, text) == Some(*number))
    };
    let change = changes_together(folder)
        .into_iter()
        .rev()
        .find(|change| change.contains_key(what) && change.iter().all(stands));
    change.into_iter().flat_map(BTreeMap::into_keys).filter(|file| file != what).collect()
}

/// Writes the mix.
///
/// # Errors
/// The file system's; the old one is then still there.
pub fn write_mix(folder: &Path, profile: &str, values: &BTreeMap<Address, Value>) -> io::Result<()> {
    let values: Map<String, Json> = values
        .iter()
        .map(|(address, value)| {
            let json = match value {
                Value::Number(number) => json!(number),
                Value::Off => json!("off"),
                Value::Word(word) => json!(&**word),
            };
            (address.to_string(), json)
        })
        .collect();
    let text = json!({ "form": 1, "profile": profile, "values": values }).to_string();
    write_atomically(&folder.join("mix.json"), text.as_bytes())
}

/// Says that we are alive. Civil time would not do: a machine without a battery wakes up in the past, and an absence
/// of hours would look like none.
pub fn write_alive(folder: &Path) {
    let text = since_boot().map(|(boot, seconds)| format!("{boot} {seconds}"));
    // A heartbeat that cannot be written shows as a longer absence, which is the safe side.
    drop(write_carelessly(&folder.join("alive"), text.unwrap_or_default().as_bytes()));
}

/// Seconds from the last sign of life until now, within one run of the machine.
fn away(alive: &str, (boot, now): &(String, u64)) -> Option<u64> {
    let (of, at) = alive.trim().split_once(' ')?;
    if of == boot { now.checked_sub(at.parse().ok()?) } else { None }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_second_daemon_is_refused_and_the_third_crash_starts_safe() {
        let folder = tempfile::tempdir().expect("a folder");
        let state = State::open(folder.path()).expect("free");
        assert!(matches!(State::open(folder.path()), Err(StateError::InUse(_))));
        assert_eq!(state.begin(), Before { crashed: false, away_seconds: None, safe_start: false });
        drop(state);
        for crash in 1..=3 {
            let state = State::open(folder.path()).expect("free again");
            write_alive(folder.path());
            let before = state.begin();
            assert!(before.crashed);
            assert_eq!(before.safe_start, crash == 3);
            assert_eq!(before.microphones_open(), crash != 3);
            if crash == 3 {
                state.end();
            }
        }
        let before = State::open(folder.path()).expect("free again").begin();
        assert!(!before.crashed && !before.microphones_open(), "an end that was asked for is no crash");
    }

    #[test]
    fn only_an_absence_within_one_run_of_the_machine_is_known() {
        let now = ("boot-b".to_owned(), 100);
        for (alive, expected) in [
            ("boot-b 97", Some(3)),
            ("boot-b 100\n", Some(0)),
            ("boot-a 97", None),
            ("boot-b 101", None),
            ("boot-b", None),
            ("boot-b x", None),
            ("", None),
        ] {
            assert_eq!(away(alive, &now), expected, "{alive:?}");
        }
        let folder = tempfile::tempdir().expect("a folder");
        write_alive(folder.path());
        let alive = std::fs::read_to_string(folder.path().join("alive")).expect("written");
        assert!(away(&alive, &since_boot().expect("Linux tells")).is_some_and(|seconds| seconds < 60), "{alive}");
    }

    #[test]
    fn the_mix_comes_back_as_it_was() {
        let folder = tempfile::tempdir().expect("a folder");
        let state = State::open(folder.path()).expect("free");
        let address = |path| Address::from_dotted(path).expect("an address");
        let values = BTreeMap::from([
            (address("channel.a.fader"), Value::Number(-6.1)),
            (address("channel.b.fader"), Value::Off),
            (address("channel.b.switch"), Value::Word("open".into())),
            (address("channel.b.assign.programme"), Value::Word("off".into())),
        ]);
        write_mix(folder.path(), "evening", &values).expect("written");
        let (profile, back) = state.kept_mix().expect("kept");
        assert_eq!((profile.as_str(), back.into_iter().collect()), ("evening", values));
    }
}
