//! The writer's thread: the show journal, and the mix as it is. Nobody waits for its disk.

use super::state::{write_alive, write_mix};
use crate::desk::journal::Line;
use crate::params::{Address, Value};
use crate::ports::storage::LineLog;
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError, mpsc};
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
/// The journal is forced to the disk this often while it grows.
const SYNC_EVERY: Duration = Duration::from_secs(1);

/// The mix as it is to be kept.
#[derive(Clone, Debug, PartialEq)]
pub struct Kept {
    /// Name of the profile in force.
    pub profile: String,
    /// Every value.
    pub values: Vec<(Address, Value)>,
}

/// The way to the writer's thread.
#[derive(Debug)]
pub struct Writer {
    lines: mpsc::SyncSender<Line>,
    mix: Arc<Mutex<Option<Kept>>>,
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
            tracing::warn!(bytes = log.cut_bytes(), "the journal's last line was torn and has been cut off");
        }
        let (lines, received) = mpsc::sync_channel(WAITING_LINES);
        let mix = Arc::new(Mutex::new(None));
        let dropped = Arc::new(AtomicU64::new(0));
        let writing = Writing { folder, log, received, mix: Arc::clone(&mix), dropped: Arc::clone(&dropped), told: 0 };
        let thread = std::thread::Builder::new().name("writer".into()).spawn(move || writing.run())?;
        Ok(Self { lines, mix, dropped, thread: Some(thread) })
    }

    /// A line for the journal; counted and dropped when the disk is too far behind.
    pub fn write(&self, line: Line) {
        if self.lines.try_send(line).is_err() {
            self.dropped.fetch_add(1, Ordering::Relaxed);
        }
    }

    /// The mix as it is now: written soon, and only the latest.
    pub fn keep(&self, kept: Kept) {
        *self.mix.lock().unwrap_or_else(PoisonError::into_inner) = Some(kept);
    }

    /// Writes what is left and ends.
    pub fn finish(mut self) {
        let (unused, _) = mpsc::sync_channel(1);
        // Without a sender the thread writes what it has and ends.
        drop(std::mem::replace(&mut self.lines, unused));
        if let Some(thread) = self.thread.take() {
            super::join_until(thread, Duration::from_secs(2));
        }
    }
}

struct Writing {
    folder: PathBuf,
    log: LineLog,
    received: mpsc::Receiver<Line>,
    mix: Arc<Mutex<Option<Kept>>>,
    dropped: Arc<AtomicU64>,
    told: u64,
}

impl Writing {
    fn run(mut self) {
        let (mut mix_at, mut alive_at, mut sync_at) = (Instant::now(), Instant::now(), Instant::now());
        let mut unsynced = false;
        loop {
            let ended = match self.received.recv_timeout(MIX_DELAY) {
                Ok(line) => {
                    let written = self.log.append(&line.to_string());
                    self.failed(written);
                    unsynced = true;
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
                self.failed(self.log.sync());
                unsynced = false;
                sync_at = now + SYNC_EVERY;
            }
            if ended || now >= alive_at {
                write_alive(&self.folder);
                alive_at = now + ALIVE_EVERY;
            }
            if ended {
                return;
            }
        }
    }

    fn mix(&mut self) {
        let kept = self.mix.lock().unwrap_or_else(PoisonError::into_inner).take();
        if let Some(kept) = kept
            && let Err(error) = write_mix(&self.folder, &kept.profile, &kept.values)
        {
            self.failed(Err(error));
            // It is tried again, unless there is a newer one by then.
            self.mix.lock().unwrap_or_else(PoisonError::into_inner).get_or_insert(kept);
        }
        let dropped = self.dropped.load(Ordering::Relaxed);
        if dropped > self.told {
            tracing::warn!(lines = dropped - self.told, "the journal's disk is behind: lines were left out");
            self.told = dropped;
        }
    }

    fn failed(&self, result: std::io::Result<()>) {
        if let Err(error) = result {
            tracing::warn!("the state folder cannot be written: {error}");
        }
    }
}
