//! The socket in the state folder by which commands speak to the running daemon: one line of JSON each way.
//!
//! It belongs to the folder's owner and group, and nobody else may open it. Nothing here knows what is asked. Whoever goes
//! away, by whatever end, is noticed by the end of the connection.

use std::io::{BufRead, BufReader, Read, Write};
use std::os::unix::fs::PermissionsExt;
use std::os::unix::net::{UnixListener, UnixStream};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

/// Commands that may be served at one time; more are turned away.
const CONNECTIONS_MAX: usize = 16;
/// The longest question and answer.
const LINE_BYTES_MAX: u64 = 1024 * 1024;
/// How long one side waits for the other.
const PATIENCE: Duration = Duration::from_secs(10);
/// How long a command that has asked once may think before it asks again: a person may sit at it.
const THINKING: Duration = Duration::from_secs(600);

/// Where it is in a state folder.
#[must_use]
pub fn path(folder: &Path) -> PathBuf {
    folder.join("command.socket")
}

/// The served socket, until it is dropped.
#[derive(Debug)]
pub struct Served {
    path: PathBuf,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

/// Serves the socket: each connection gets a thread and what `connected` makes for it, which makes an answer of each line and is
/// dropped with the connection.
///
/// # Errors
/// The socket cannot be made. One that an ended daemon left is replaced; the state folder's lock says that it has ended.
pub fn serve<A: FnMut(&str) -> String>(
    folder: &Path,
    connected: impl Fn() -> A + Send + Sync + 'static,
) -> std::io::Result<Served> {
    let path = path(folder);
    match std::fs::remove_file(&path) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => return Err(error),
        _ => {}
    }
    let listener = UnixListener::bind(&path)?;
    std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o660))?;
    let stop = Arc::new(AtomicBool::new(false));
    let stopped = Arc::clone(&stop);
    let (connected, open) = (Arc::new(connected), Arc::new(AtomicUsize::new(0)));
    let work = move || {
        for stream in listener.incoming() {
            if stopped.load(Ordering::Acquire) {
                return;
            }
            let Ok(stream) = stream else {
                std::thread::sleep(Duration::from_millis(50));
                continue;
            };
            if open.load(Ordering::Acquire) >= CONNECTIONS_MAX {
                continue;
            }
            open.fetch_add(1, Ordering::AcqRel);
            let (connected, open_too) = (Arc::clone(&connected), Arc::clone(&open));
            let serve = move || {
                // Whoever goes away in the middle has no use for an answer.
                drop(converse(&stream, connected()));
                open_too.fetch_sub(1, Ordering::AcqRel);
            };
            if std::thread::Builder::new().name("command".into()).spawn(serve).is_err() {
                open.fetch_sub(1, Ordering::AcqRel);
            }
        }
    };
    let thread = std::thread::Builder::new().name("command-socket".into()).spawn(work)?;
    Ok(Served { path, stop, thread: Some(thread) })
}

fn converse(stream: &UnixStream, mut answer: impl FnMut(&str) -> String) -> std::io::Result<()> {
    stream.set_read_timeout(Some(PATIENCE))?;
    stream.set_write_timeout(Some(PATIENCE))?;
    loop {
        let mut line = String::new();
        // A reader for each line, so that each has the whole limit; nobody sends a second line before the answer.
        let read = BufReader::new(stream.take(LINE_BYTES_MAX)).read_line(&mut line)?;
        if read == 0 {
            return Ok(());
        }
        let mut out = stream;
        out.write_all((answer(line.trim()) + "\n").as_bytes())?;
        stream.set_read_timeout(Some(THINKING))?;
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Release);
        // Wakes the listener.
        drop(UnixStream::connect(&self.path));
        drop(std::fs::remove_file(&self.path));
        if let Some(thread) = self.thread.take() {
            drop(thread.join());
        }
    }
}

/// A connection to the daemon of a state folder.
#[derive(Debug)]
pub struct Connection(UnixStream);

impl Connection {
    /// Connects.
    ///
    /// # Errors
    /// None runs there.
    pub fn open(folder: &Path) -> std::io::Result<Self> {
        let stream = UnixStream::connect(path(folder))?;
        stream.set_read_timeout(Some(PATIENCE))?;
        stream.set_write_timeout(Some(PATIENCE))?;
        Ok(Self(stream))
    }

    /// Asks one thing.
    ///
    /// # Errors
    /// It does not answer.
    pub fn ask(&mut self, question: &str) -> std::io::Result<String> {
        self.0.write_all((question.to_owned() + "\n").as_bytes())?;
        let mut answer = String::new();
        BufReader::new((&self.0).take(LINE_BYTES_MAX)).read_line(&mut answer)?;
        if answer.is_empty() {
            return Err(std::io::Error::new(std::io::ErrorKind::UnexpectedEof, "it closed without an answer"));
        }
        Ok(answer)
    }
}
