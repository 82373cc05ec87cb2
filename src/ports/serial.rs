//! MIDI bytes on a serial line, through `serial2-tokio`, at any speed the line can do (31,250 for MIDI's own).
//!
//! Each line has a thread of its own with a small runtime, so that nothing on the network's runtime can delay a
//! panel. A line that ends (an adapter pulled out gives 0 bytes or an error) is opened again when it is back.

use super::control::{
    BackOff, ControlOut, ControlSink, OUTGOING_BYTES, OUTGOING_MESSAGES, OpenControl, Stop, Teller, Worker, lock,
};
use serial2_tokio::SerialPort;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};
use tokio::sync::{Notify, mpsc};

const FIRST_WAIT: Duration = Duration::from_millis(100);
const LONGEST_WAIT: Duration = Duration::from_secs(2);

/// A line that was open for less counts as an attempt that failed, so that a broken one is not reopened in a busy loop.
const STEADY: Duration = Duration::from_secs(1);

/// Opens the serial line at `path`, which need not be there yet, with 8 bits, no parity and one stop bit at
/// `baud` bits per second. Found means that the line is open: who is at its other end cannot be known.
///
/// # Errors
/// Only when no thread or runtime can be started.
pub fn open_serial(path: &Path, baud: u32, sink: ControlSink) -> io::Result<OpenControl> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let out = Arc::new(SerialOut { queue: Mutex::new(None), dropped: AtomicU64::new(0) });
    let wake = Arc::new(Notify::new());
    let mut line = Line { path: path.to_owned(), baud, teller: Teller::new(sink), out: Arc::clone(&out) };
    let its_wake = Arc::clone(&wake);
    let worker = Worker::spawn("serial", move |stop| runtime.block_on(line.run(stop, &its_wake)))?;
    // A permit is kept for a loop that has not come to its wait yet.
    Ok(OpenControl::new(out, worker.with_wake(move || wake.notify_one())))
}

struct SerialOut {
    /// There while the line is open.
    queue: Mutex<Option<mpsc::Sender<Vec<u8>>>>,
    dropped: AtomicU64,
}

impl ControlOut for SerialOut {
    fn send(&self, bytes: &[u8]) -> bool {
        let sent = bytes.len() <= OUTGOING_BYTES
            && lock(&self.queue).as_ref().is_some_and(|queue| queue.try_send(bytes.to_vec()).is_ok());
        if !sent {
            self.dropped.fetch_add(1, Ordering::Relaxed);
        }
        sent
    }

    fn dropped(&self) -> u64 {
        self.dropped.load(Ordering::Relaxed)
    }
}

struct Line {
    path: PathBuf,
    baud: u32,
    teller: Teller,
    out: Arc<SerialOut>,
}

impl Line {
    async fn run(&mut self, stop: &Stop, wake: &Notify) {
        let mut back_off = BackOff::new(FIRST_WAIT, LONGEST_WAIT);
        while !stop.asked() {
            let opened = Instant::now();
            let why = match SerialPort::open(&self.path, self.baud) {
                Ok(port) => {
                    let (queue, mut waiting) = mpsc::channel(OUTGOING_MESSAGES);
                    *lock(&self.out.queue) = Some(queue);
                    let why = tokio::select! {
                        why = self.carry(&port, &mut waiting) => Some(why),
                        () = wake.notified() => None,
                    };
                    *lock(&self.out.queue) = None;
                    self.out.dropped.fetch_add(waiting.len() as u64, Ordering::Relaxed);
                    why
                }
                Err(error) => Some(error.to_string()),
            };
            let Some(why) = why else { return };
            self.teller.lost(&format!("serial line {}: {why}", self.path.display()));
            if opened.elapsed() >= STEADY {
                back_off.reset();
            }
            tokio::select! {
                () = tokio::time::sleep(back_off.next()) => {}
                () = wake.notified() => return,
            }
        }
    }

    /// Both directions until one ends; gives the reason.
    async fn carry(&mut self, port: &SerialPort, waiting: &mut mpsc::Receiver<Vec<u8>>) -> String {
        self.teller.found(&format!("serial line {} at {} baud", self.path.display(), self.baud));
        let (teller, dropped) = (&mut self.teller, &self.out.dropped);
        let reading = async {
            let mut buffer = [0; 1024];
            loop {
                match port.read(&mut buffer).await {
                    Ok(0) => return "it ended".to_owned(),
                    Ok(count) => teller.bytes(&buffer[..count]),
                    Err(error) => return error.to_string(),
                }
            }
        };
        let writing = async {
            while let Some(bytes) = waiting.recv().await {
                if let Err(error) = port.write_all(&bytes).await {
                    dropped.fetch_add(1, Ordering::Relaxed);
                    return error.to_string();
                }
            }
            // The sender outlives this function, so the queue never ends before the line does.
            std::future::pending().await
        };
        tokio::select! {
            why = reading => why,
            why = writing => why,
        }
    }
}
