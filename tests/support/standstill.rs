//! A witness of when the machine's processors stood still: on a virtual machine the host takes them away for milliseconds,
//! and no program that runs on them can end anything in time then.

use super::have;
use std::process::Command;
use std::sync::atomic::{AtomicBool, Ordering::Relaxed};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

/// Each thread sleeps so long, again and again.
const LOOK: Duration = Duration::from_micros(500);
/// What it is away for beyond that is a standstill.
const NOTED: Duration = Duration::from_micros(300);

/// A standstill of a processor: when it ended, in the time of day, and how long it was.
#[derive(Clone, Copy, Debug)]
pub struct Standstill {
    processor: usize,
    ended: Duration,
    pub took: Duration,
}

/// A thread on every processor, above everything that is measured.
pub struct Witness {
    stop: Arc<AtomicBool>,
    threads: Vec<JoinHandle<()>>,
    seen: Arc<Mutex<Vec<Standstill>>>,
}

impl Witness {
    /// Begins to look; nothing without the rights to.
    pub fn start() -> Option<Self> {
        if !have(&["chrt", "taskset"]) {
            return None;
        }
        let processors = std::thread::available_parallelism().map_or(1, usize::from);
        let (stop, seen) = (Arc::<AtomicBool>::default(), Arc::<Mutex<Vec<Standstill>>>::default());
        let (ready, all_ready) = std::sync::mpsc::channel();
        let threads = (0..processors).map(|processor| {
            let (stop, seen, ready) = (Arc::clone(&stop), Arc::clone(&seen), ready.clone());
            std::thread::spawn(move || {
                ready.send(above_all_on(processor)).expect("awaited");
                look(processor, &stop, &seen);
            })
        });
        let witness = Self { threads: threads.collect(), stop, seen };
        (0..processors).all(|_| all_ready.recv().expect("every thread answers")).then_some(witness)
    }

    /// What was seen so far.
    pub fn seen(&self) -> Vec<Standstill> {
        self.seen.lock().expect("nobody panicked").clone()
    }

    /// For how long one processor at most stood still between two times of day.
    pub fn between(&self, from: Duration, to: Duration) -> Duration {
        let mut of_each: Vec<Duration> = vec![Duration::ZERO; self.threads.len()];
        for still in self.seen() {
            let begun = still.ended.saturating_sub(still.took);
            of_each[still.processor] += still.ended.min(to).saturating_sub(begun.max(from));
        }
        of_each.into_iter().max().unwrap_or_default()
    }
}

impl Drop for Witness {
    fn drop(&mut self) {
        self.stop.store(true, Relaxed);
        self.threads.drain(..).for_each(|thread| drop(thread.join()));
    }
}

/// The time of day in UTC, to the microsecond.
pub fn time_of_day() -> Duration {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).expect("after 1970");
    Duration::new(since.as_secs() % 86_400, since.subsec_nanos())
}

/// The same of a line of the log: `2026-01-31T12:34:56.789012Z  WARN ...`.
pub fn time_of_line(line: &str) -> Duration {
    let time = line.split_once('T').and_then(|(_, time)| time.split_once('Z')).expect("a line begins with its time").0;
    let seconds = time.split(':').fold(0.0, |seconds, part| seconds * 60.0 + part.parse::<f64>().expect("a number"));
    Duration::from_secs_f64(seconds)
}

/// Binds this thread to a processor and puts it above all others there.
fn above_all_on(processor: usize) -> bool {
    let thread = std::fs::read_link("/proc/thread-self").expect("Linux has /proc");
    let thread = thread.file_name().and_then(|name| name.to_str()).expect("a number").to_owned();
    let done = |program: &str, arguments: [&str; 4]| {
        Command::new(program).args(arguments).output().is_ok_and(|output| output.status.success())
    };
    done("taskset", ["-c", "-p", &processor.to_string(), &thread]) && done("chrt", ["-f", "-p", "99", &thread])
}

fn look(processor: usize, stop: &AtomicBool, seen: &Mutex<Vec<Standstill>>) {
    let mut last = Instant::now();
    while !stop.load(Relaxed) {
        std::thread::sleep(LOOK);
        let now = Instant::now();
        let took = (now - last).saturating_sub(LOOK);
        if took > NOTED {
            seen.lock().expect("nobody panicked").push(Standstill { processor, ended: time_of_day(), took });
        }
        last = now;
    }
}
