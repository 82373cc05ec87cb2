//! The writer's thread: the show journal, and the mix as it is. Nobody waits for its disk.

use super::state::{write_alive, write_mix};
use crate::desk::journal::Line;
use crate::params::{Address, Value};
use crate::ports::storage::{LineLog, bytes_written};
use crate::words::log;
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, mpsc};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Lines that may wait for the disk.
const WAITING_LINES: usize = 8192;
/// The journal keeps so many files of about so many bytes.
const JOURNAL_FILES: usize = 32;
const JOURNAL_FILE_BYTES: u64 = 16 * 1024 * 1024;
/// The mix is on disk so long after a change, at the latest, plus the disk's own time.
const MIX_DELAY: Duration = Duration::from_millis(250);
const ALIVE_EVERY: Duration = Duration::from_secs(1);
/// What the state folder takes is told this often, and at the end.
const TOLD_EVERY: Duration = Duration::from_secs(3600);
/// The journal is forced to the disk this often while it grows.
const SYNC_EVERY: Duration = Duration::from_secs(1);
/// What failed counts as mended when it has worked for so long: a disk that is nearly full takes a short line now and then.
const MENDED: Duration = Duration::from_secs(10);

/// The mix as it is to be kept.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Kept {
    /// Name of the profile in force.
    pub profile: String,
    /// Every value.
    pub values: BTreeMap<Address, Value>,
}

/// What goes to the writer.
enum Note {
    Line(Box<Line>),
    /// The whole mix, in place of what was kept.
    Mix(Box<Kept>),
    /// Values that changed.
    Changed(Vec<(Address, Value)>),
}

/// The way to the writer's thread.
#[derive(Debug)]
pub struct Writer {
    notes: mpsc::SyncSender<Note>,
    dropped: Arc<AtomicU64>,
    thread: Option<JoinHandle<()>>,
}

impl Writer {
    /// Starts the thread on a state folder.
    ///
    /// # Errors
    /// The journal cannot be opened or the thread not be started.
    pub fn start(folder: PathBuf) -> std::io::Result<Self> {
        let log = LineLog::open(&folder.join("journal"), "journal", "jsonl", JOURNAL_FILE_BYTES, JOURNAL_FILES)?;
        if log.cut_bytes() > 0 {
            tracing::warn!(bytes = log.cut_bytes(), "{}", log::TORN);
        }
        let (notes, received) = mpsc::sync_channel(WAITING_LINES);
        let dropped = Arc::new(AtomicU64::new(0));
        let writing = Writing {
            folder,
            log,
            received,
            kept: Kept::default(),
            unwritten: false,
            dropped: Arc::clone(&dropped),
            told: 0,
            journal_health: Health::default(),
            mix_health: Health::default(),
        };
        let thread = std::thread::Builder::new().name("writer".into()).spawn(move || writing.run())?;
        Ok(Self { notes, dropped, thread: Some(thread) })
    }

    /// A line for the journal; counted and dropped when the disk is too far behind.
    pub fn write(&self, line: Line) {
        if self.notes.try_send(Note::Line(Box::new(line))).is_err() {
            self.dropped.fetch_add(1, Ordering::Relaxed);
        }
    }

    /// The whole mix as it is now. Says whether it could be handed over; otherwise it is to be given again.
    pub fn keep(&self, kept: Kept) -> bool {
        self.notes.try_send(Note::Mix(Box::new(kept))).is_ok()
    }

    /// Values that changed since. Says whether they could be handed over; otherwise the whole mix is to be given.
    pub fn keep_changed(&self, changed: Vec<(Address, Value)>) -> bool {
        self.notes.try_send(Note::Changed(changed)).is_ok()
    }

    /// Writes what is left and ends.
    pub fn finish(mut self) {
        let (unused, _) = mpsc::sync_channel(1);
        // Without a sender the thread writes what it has and ends.
        drop(std::mem::replace(&mut self.notes, unused));
        if let Some(thread) = self.thread.take() {
            super::join_until(thread, Duration::from_secs(2));
        }
    }
}

struct Writing {
    folder: PathBuf,
    log: LineLog,
    received: mpsc::Receiver<Note>,
    kept: Kept,
    /// Whether what is kept differs from the file.
    unwritten: bool,
    dropped: Arc<AtomicU64>,
    told: u64,
    journal_health: Health,
    mix_health: Health,
}

/// Whether something can be written: said once when it cannot, and once when it can again.
#[derive(Default)]
struct Health {
    failed: Option<Instant>,
    failures: u64,
}

impl Health {
    /// What is to be said of an attempt.
    fn note(&mut self, what: &str, result: &std::io::Result<()>, now: Instant) -> Option<String> {
        match (result, self.failed) {
            (Err(error), before) => {
                self.failed = Some(now);
                self.failures += 1;
                before.is_none().then(|| log::not_written(what, error))
            }
            (Ok(()), Some(failed)) if now.duration_since(failed) >= MENDED => {
                let failures = std::mem::take(self).failures;
                Some(log::written_again(what, failures))
            }
            (Ok(()), _) => None,
        }
    }
}

/// Bytes written by a moment.
#[derive(Clone, Copy)]
struct Spent {
    since: Instant,
    bytes: u64,
}

impl Spent {
    /// What was written from then until now, for people who keep it on a card.
    fn until(&self, now: Instant, bytes: u64) -> String {
        let seconds = now.duration_since(self.since).as_secs_f64().max(1e-3);
        let written = bytes.saturating_sub(self.bytes) as f64 * 1e-6;
        log::written(written, seconds)
    }
}

fn say(what: Option<String>) {
    if let Some(text) = what {
        tracing::error!("{text}");
    }
}

impl Writing {
    fn run(mut self) {
        let (mut mix_at, mut alive_at, mut sync_at) = (Instant::now(), Instant::now(), Instant::now());
        let mut unsynced = false;
        let mut spent = Spent { since: Instant::now(), bytes: bytes_written() };
        let all = Spent { ..spent };
        loop {
            let ended = match self.received.recv_timeout(MIX_DELAY) {
                Ok(note) => {
                    unsynced |= matches!(note, Note::Line(_));
                    self.take_in(note);
                    false
                }
                Err(mpsc::RecvTimeoutError::Timeout) => false,
                Err(mpsc::RecvTimeoutError::Disconnected) => true,
            };
            let now = Instant::now();
            if ended || now >= mix_at {
                self.mix();
                mix_at = now + MIX_DELAY;
            }
            if ended || (unsynced && now >= sync_at) {
                let synced = self.log.sync();
                say(self.journal_health.note(log::JOURNAL, &synced, now));
                unsynced = false;
                sync_at = now + SYNC_EVERY;
            }
            if ended || now >= alive_at {
                write_alive(&self.folder);
                alive_at = now + ALIVE_EVERY;
            }
            if ended {
                tracing::info!("{}", all.until(now, bytes_written()));
                return;
            }
            if now.duration_since(spent.since) >= TOLD_EVERY {
                tracing::info!("{}", spent.until(now, bytes_written()));
                spent = Spent { since: now, bytes: bytes_written() };
            }
        }
    }

    fn take_in(&mut self, note: Note) {
        match note {
            Note::Line(line) => {
                let written = self.log.append(&line.to_string());
                say(self.journal_health.note(log::JOURNAL, &written, Instant::now()));
            }
            Note::Mix(kept) => {
                self.kept = *kept;
                self.unwritten = true;
            }
            Note::Changed(changed) => {
                self.kept.values.extend(changed);
                self.unwritten = true;
            }
        }
    }

    fn mix(&mut self) {
        if self.unwritten {
            let written = write_mix(&self.folder, &self.kept.profile, &self.kept.values);
            // What failed is tried again.
            self.unwritten = written.is_err();
            say(self.mix_health.note(log::MIX, &written, Instant::now()));
        }
        let dropped = self.dropped.load(Ordering::Relaxed);
        if dropped > self.told {
            tracing::warn!(lines = dropped - self.told, "{}", log::DISK_BEHIND);
            self.told = dropped;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_written_is_told_by_the_hour() {
        let start = Spent { since: Instant::now(), bytes: 1_000_000 };
        let text = start.until(start.since + Duration::from_secs(1800), 3_500_000);
        assert_eq!(text, "the state folder: 2.50 MB written in 1800 s, 5.00 MB per hour");
    }

    #[test]
    fn a_full_disk_is_said_once_and_so_is_its_end() {
        let (mut health, start) = (Health::default(), Instant::now());
        let full = || Err(std::io::Error::from(std::io::ErrorKind::StorageFull));
        let mut at = |seconds: u64, result| health.note(log::JOURNAL, &result, start + Duration::from_secs(seconds));
        assert_eq!(at(0, Ok(())), None);
        assert!(at(1, full()).is_some_and(|text| text.starts_with("the journal cannot be written")));
        // A short line that still fits ends nothing.
        for second in 2..100 {
            assert_eq!(at(second, if second % 3 == 0 { Ok(()) } else { full() }), None);
        }
        assert_eq!(at(105, Ok(())), None);
        assert_eq!(at(110, Ok(())).as_deref(), Some("the journal can be written again, after 66 failures"));
        assert_eq!(at(111, Ok(())), None);
        assert!(at(112, full()).is_some());
    }
}
