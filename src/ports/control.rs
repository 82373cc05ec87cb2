//! What every port that carries a panel's bytes has in common, whichever library is under it.
//!
//! A port is opened once and lives until its [`OpenControl`] is dropped. In between it looks for its panel,
//! loses it and finds it again on its own, and says so through its sink. Bytes come in through the sink and
//! go out through [`ControlOut`].

use std::collections::VecDeque;
use std::fmt;
use std::io;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, mpsc};
use std::thread::{JoinHandle, Thread};
use std::time::{Duration, Instant};

/// Messages to the panel that may wait at one time; what does not fit is dropped and counted.
pub const OUTGOING_MESSAGES: usize = 256;

/// Longest message to the panel in bytes; longer ones are dropped and counted.
pub const OUTGOING_BYTES: usize = 1024;

/// How long dropping an [`OpenControl`] waits for its thread before it is left behind and named in the log.
pub const STOP_DEADLINE: Duration = Duration::from_secs(2);

/// What a control port tells the desk.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ControlNotice<'a> {
    /// The panel is there (again): what was found. Whoever keeps lamps and motors tells them all anew.
    Found(&'a str),
    /// Bytes as they came. MIDI and JACK ports give one whole message; a serial line gives any piece of the stream.
    Bytes(&'a [u8]),
    /// The panel is not there, and why. Said once for each reason, not at every attempt.
    Lost(&'a str),
    /// At least so many messages are gone: they came faster than they could be handed over, or the server left us out
    /// for so many periods. Whoever needs the panel's true state asks for it.
    Dropped(u64),
}

/// Where notices go. Called on a thread of the port's own, one call at a time, never in an audio callback.
pub type ControlSink = Box<dyn FnMut(ControlNotice<'_>) + Send>;

/// The way out to a panel.
pub trait ControlOut: Send + Sync {
    /// Queues one whole MIDI message (no running status) of at most [`OUTGOING_BYTES`]. False when it was
    /// dropped: the panel is away, the queue is full or the message is too long. Never waits for the panel.
    /// Real-time: never
    fn send(&self, bytes: &[u8]) -> bool;

    /// Messages dropped since the port was opened.
    fn dropped(&self) -> u64;
}

/// An open control port. Dropping it closes the port and joins its thread within [`STOP_DEADLINE`].
pub struct OpenControl {
    /// Bytes to the panel; may be kept longer than the port, and then drops what it is given.
    pub out: Arc<dyn ControlOut>,
    /// Held for its `Drop`.
    _worker: Worker,
}

impl OpenControl {
    pub(super) fn new(out: Arc<dyn ControlOut>, worker: Worker) -> Self {
        Self { out, _worker: worker }
    }
}

impl fmt::Debug for OpenControl {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("OpenControl").field("dropped", &self.out.dropped()).finish_non_exhaustive()
    }
}

/// The lock, also after a panic of another holder: what we keep under locks is whole after every statement.
pub(super) fn lock<T: ?Sized>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Says `Lost` once for each reason.
pub(super) struct Teller {
    sink: ControlSink,
    last_lost: Option<String>,
}

impl Teller {
    pub(super) fn new(sink: ControlSink) -> Self {
        Self { sink, last_lost: None }
    }

    pub(super) fn found(&mut self, what: &str) {
        self.last_lost = None;
        (self.sink)(ControlNotice::Found(what));
    }

    pub(super) fn bytes(&mut self, bytes: &[u8]) {
        (self.sink)(ControlNotice::Bytes(bytes));
    }

    pub(super) fn dropped(&mut self, messages: u64) {
        (self.sink)(ControlNotice::Dropped(messages));
    }

    pub(super) fn lost(&mut self, why: &str) {
        if self.last_lost.as_deref() != Some(why) {
            self.last_lost = Some(why.to_owned());
            (self.sink)(ControlNotice::Lost(why));
        }
    }
}

/// How long to wait before the next attempt: doubles from the first to the longest.
#[derive(Debug)]
pub(super) struct BackOff {
    first: Duration,
    longest: Duration,
    next: Duration,
}

impl BackOff {
    pub(super) fn new(first: Duration, longest: Duration) -> Self {
        Self { first, longest, next: first }
    }

    pub(super) fn next(&mut self) -> Duration {
        let now = self.next;
        self.next = (now * 2).min(self.longest);
        now
    }

    pub(super) fn reset(&mut self) {
        self.next = self.first;
    }
}

/// Asked by a worker's body between its steps.
#[derive(Clone, Debug)]
pub(super) struct Stop(Arc<AtomicBool>);

impl Stop {
    pub(super) fn asked(&self) -> bool {
        self.0.load(Ordering::Acquire)
    }

    /// Parks the worker's own thread until that time has gone by, `ready` says so after a wake, or a stop is asked.
    pub(super) fn wait(&self, time: Duration, ready: impl Fn() -> bool) {
        let end = Instant::now() + time;
        while !self.asked() && !ready() {
            let now = Instant::now();
            if now >= end {
                return;
            }
            std::thread::park_timeout(end - now);
        }
    }
}

/// A thread that is stopped, woken and joined under a deadline when this is dropped.
pub(super) struct Worker {
    stop: Stop,
    /// Wakes a body that waits for something else than its thread's token.
    wake: Option<Box<dyn Fn() + Send + Sync>>,
    thread: Option<JoinHandle<()>>,
    finished: Mutex<mpsc::Receiver<()>>,
}

impl Worker {
    /// Starts a thread of this name (the kernel shows its first 15 bytes).
    pub(super) fn spawn(name: &str, body: impl FnOnce(&Stop) + Send + 'static) -> io::Result<Self> {
        let stop = Stop(Arc::new(AtomicBool::new(false)));
        let (finish, finished) = mpsc::channel::<()>();
        let its_stop = stop.clone();
        let thread = std::thread::Builder::new().name(name.to_owned()).spawn(move || {
            // Dropped at the end, also by a panic: that is what the receiver waits for.
            let _finish = finish;
            body(&its_stop);
        })?;
        Ok(Self { stop, wake: None, thread: Some(thread), finished: Mutex::new(finished) })
    }

    pub(super) fn with_wake(mut self, wake: impl Fn() + Send + Sync + 'static) -> Self {
        self.wake = Some(Box::new(wake));
        self
    }
}

impl Drop for Worker {
    fn drop(&mut self) {
        self.stop.0.store(true, Ordering::Release);
        let Some(thread) = self.thread.take() else { return };
        thread.thread().unpark();
        if let Some(wake) = &self.wake {
            wake();
        }
        if thread.thread().id() == std::thread::current().id() {
            return; // dropped by its own body: it is on its way out
        }
        let name = thread.thread().name().unwrap_or("?").to_owned();
        match lock(&self.finished).recv_timeout(STOP_DEADLINE) {
            Err(mpsc::RecvTimeoutError::Timeout) => {
                tracing::warn!(thread = name, "did not stop within {STOP_DEADLINE:?} and is left behind");
            }
            Ok(()) | Err(mpsc::RecvTimeoutError::Disconnected) => {
                if thread.join().is_err() {
                    tracing::error!(thread = name, "panicked");
                }
            }
        }
    }
}

/// A bounded queue of messages that a worker's thread sends on.
pub(super) struct Outbox {
    state: Mutex<OutboxState>,
    dropped: AtomicU64,
}

#[derive(Default)]
struct OutboxState {
    /// Who is woken; none while the panel is away, and then nothing is kept.
    connected: Option<Thread>,
    waiting: VecDeque<Vec<u8>>,
}

impl Outbox {
    pub(super) fn new() -> Self {
        Self { state: Mutex::default(), dropped: AtomicU64::new(0) }
    }

    /// From now on messages are kept and this thread is woken for them.
    pub(super) fn connect(&self, thread: Thread) {
        lock(&self.state).connected = Some(thread);
    }

    /// What waits is dropped and counted: a lamp that comes back is told its state anew.
    pub(super) fn disconnect(&self) {
        let mut state = lock(&self.state);
        state.connected = None;
        self.count(state.waiting.len() as u64);
        state.waiting.clear();
    }

    pub(super) fn take(&self) -> Option<Vec<u8>> {
        lock(&self.state).waiting.pop_front()
    }

    pub(super) fn is_empty(&self) -> bool {
        lock(&self.state).waiting.is_empty()
    }

    pub(super) fn count(&self, messages: u64) {
        self.dropped.fetch_add(messages, Ordering::Relaxed);
    }
}

impl ControlOut for Outbox {
    fn send(&self, bytes: &[u8]) -> bool {
        let mut state = lock(&self.state);
        let taken = match &state.connected {
            Some(thread) if state.waiting.len() < OUTGOING_MESSAGES && bytes.len() <= OUTGOING_BYTES => {
                thread.unpark();
                true
            }
            _ => false,
        };
        if taken {
            state.waiting.push_back(bytes.to_vec());
        } else {
            self.count(1);
        }
        taken
    }

    fn dropped(&self) -> u64 {
        self.dropped.load(Ordering::Relaxed)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_outbox_keeps_256_messages_and_counts_the_rest() {
        let outbox = Outbox::new();
        assert!(!outbox.send(&[0xB0, 7, 1]), "nobody is connected");
        outbox.connect(std::thread::current());
        for value in 0..OUTGOING_MESSAGES {
            assert!(outbox.send(&[0xB0, 7, u8::try_from(value % 128).expect("below 128")]));
        }
        assert!(!outbox.send(&[0xB0, 7, 1]), "full");
        assert_eq!(outbox.take(), Some(vec![0xB0, 7, 0]));
        assert!(!outbox.send(&[0; OUTGOING_BYTES + 1]), "too long");
        outbox.disconnect();
        assert_eq!((outbox.take(), outbox.dropped()), (None, 3 + 255));
    }

    #[test]
    fn a_reason_is_told_once_until_the_panel_was_found() {
        let (tell, told) = mpsc::channel();
        let mut teller = Teller::new(Box::new(move |notice| tell.send(format!("{notice:?}")).expect("received")));
        for why in ["gone", "gone", "refused", "gone"] {
            teller.lost(why);
        }
        teller.found("it");
        teller.lost("gone");
        let told: Vec<String> = told.try_iter().collect();
        assert_eq!(told, ["Lost(\"gone\")", "Lost(\"refused\")", "Lost(\"gone\")", "Found(\"it\")", "Lost(\"gone\")"]);
    }

    #[test]
    fn back_off_doubles_up_to_its_limit() {
        let mut back_off = BackOff::new(Duration::from_millis(100), Duration::from_millis(300));
        let waits: Vec<u128> = (0..4).map(|_| back_off.next().as_millis()).collect();
        assert_eq!(waits, [100, 200, 300, 300]);
        back_off.reset();
        assert_eq!(back_off.next().as_millis(), 100);
    }

    #[test]
    fn a_worker_that_waits_is_stopped_at_once_and_one_that_panicked_is_joined() {
        let (tell, told) = mpsc::channel();
        drop(Worker::spawn("waits", move |stop| {
            stop.wait(Duration::from_secs(3600), || false);
            tell.send(stop.asked()).expect("received");
        }));
        assert_eq!(told.try_recv(), Ok(true), "joined only after it ended");
        drop(Worker::spawn("panics", |_| panic!("on purpose")));
    }
}
