//! Runs under a real-time checker: `make realtime` builds this with the feature `realtime-check` and links the checker's
//! runtime, which comes with the Rust toolchain. Inside a real-time context it stops the process at the first call that
//! takes memory, gives it back or may wait, and names that call.
//!
//! First the checker is checked. Each planted offence runs in a process of its own (this test binary again, told by
//! [`PLANT`] what to do) and must be stopped and named; the same work outside the context must not be.
//! What the checker does not see (a mutex that happens to be free, a sleep) is banned by `clippy.toml`.

#![cfg(feature = "realtime-check")]

#[path = "support/crossing.rs"]
mod crossing;
#[path = "support/show.rs"]
#[allow(dead_code, reason = "each test uses a part of it")]
mod show;

use rtsan_standalone::{ensure_initialized, realtime_enter, realtime_exit};
use std::hint::black_box;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::mpsc::sync_channel;
use std::sync::{Barrier, Mutex};

/// What the child process is to plant: `inside` or `outside` the real-time context, and which offence.
const PLANT: &str = "LONGTHROW_PLANT";
/// Printed by a child that was not stopped.
const SURVIVED: &str = "planted and not stopped";

/// Runs `work` as the audio callback would be run, or as everybody else.
fn context(inside: bool, work: impl FnOnce()) {
    if inside {
        realtime_enter();
    }
    work();
    if inside {
        realtime_exit();
    }
}

/// An offence: its name, what to do, and the calls of which one must be named.
type Offence = (&'static str, fn(bool), &'static [&'static str]);

const OFFENCES: &[Offence] = &[
    ("memory taken", memory_taken, &["malloc"]),
    ("memory given back", memory_given_back, &["free"]),
    ("vector grown", vector_grown, &["realloc"]),
    ("mutex contended", mutex_contended, &["syscall", "pthread_mutex_lock", "futex"]),
    ("file opened", file_opened, &["open", "open64"]),
    ("line printed", line_printed, &["write"]),
    ("channel sent to", channel_sent_to, &["malloc", "syscall", "futex"]),
    ("thread woken", thread_woken, &["syscall", "futex"]),
];

fn memory_taken(inside: bool) {
    let mut kept = None;
    context(inside, || kept = Some(black_box(Box::new([0_u8; 64]))));
    drop(kept);
}

fn memory_given_back(inside: bool) {
    let garbage = black_box(Box::new([0_u8; 64]));
    context(inside, move || drop(garbage));
}

fn vector_grown(inside: bool) {
    let mut samples = vec![0.0_f32; 64];
    context(inside, || samples.push(black_box(1.0)));
    black_box(samples);
}

fn mutex_contended(inside: bool) {
    let (mutex, taken, here) = (Mutex::new(0), Barrier::new(2), this_thread());
    std::thread::scope(|scope| {
        scope.spawn(|| {
            let _held = mutex.lock();
            taken.wait();
            until_asleep(&here);
        });
        taken.wait();
        context(inside, || drop(mutex.lock()));
    });
}

fn file_opened(inside: bool) {
    let mut kept = None;
    // The name is short enough for the standard library to end it on the stack.
    context(inside, || kept = Some(std::fs::File::open("/dev/null")));
    drop(kept);
}

fn line_printed(inside: bool) {
    // The output's buffer is made before, so that only the writing is left.
    use std::io::Write;
    let mut output = std::io::stderr();
    context(inside, || drop(output.write_all(b"a line from the callback\n")));
}

fn channel_sent_to(inside: bool) {
    let (sender, receiver) = sync_channel(1);
    let (who, is_it) = sync_channel(1);
    std::thread::scope(|scope| {
        scope.spawn(move || {
            who.send(this_thread()).expect("somebody asks");
            assert_eq!(receiver.recv(), Ok(1));
        });
        // There is somebody to wake.
        until_asleep(&is_it.recv().expect("the listener"));
        context(inside, || sender.send(1).expect("the listener is there"));
    });
}

fn thread_woken(inside: bool) {
    let (who, is_it) = sync_channel(1);
    std::thread::scope(|scope| {
        let sleeper = scope.spawn(move || {
            who.send(this_thread()).expect("somebody asks");
            std::thread::park();
        });
        until_asleep(&is_it.recv().expect("the sleeper"));
        context(inside, || sleeper.thread().unpark());
    });
}

/// Where the kernel tells about the calling thread.
fn this_thread() -> PathBuf {
    std::fs::canonicalize("/proc/thread-self").expect("the kernel tells about threads")
}

/// Returns when the kernel says that the thread sleeps.
fn until_asleep(thread: &Path) {
    let asleep = || {
        let stat = std::fs::read_to_string(thread.join("stat")).expect("the thread is there");
        stat.rsplit(") ").next().is_some_and(|state| state.starts_with('S'))
    };
    while !asleep() {
        std::thread::yield_now();
    }
}

fn child(plant: &str) -> Output {
    let binary = std::env::current_exe().expect("this binary");
    let mut child = Command::new(binary);
    child.args(["--exact", "plants_what_it_is_told", "--nocapture", "--test-threads", "1"]).env(PLANT, plant);
    child.output().expect("the child runs")
}

/// The callback itself: stopped and named at the first offence, which would end this process.
#[test]
fn the_whole_crossing_commits_none() {
    ensure_initialized();
    let (frames, plans) = crossing::run(|callback| context(true, callback));
    assert!(frames > 90_000 && plans > 40, "{frames} frames, {plans} plans");
}

/// The child's side. Without being told anything it passes.
#[test]
fn plants_what_it_is_told() {
    let Ok(plant) = std::env::var(PLANT) else { return };
    let (place, name) = plant.split_once(' ').expect("a place and an offence");
    let (_, offence, _) = OFFENCES.iter().find(|(known, ..)| *known == name).expect("a known offence");
    ensure_initialized();
    offence(place == "inside");
    eprintln!("{SURVIVED}");
}

#[test]
fn every_planted_offence_is_stopped_and_named() {
    let mut missed = Vec::new();
    for (name, _, calls) in OFFENCES {
        let run = child(&format!("inside {name}"));
        let said = String::from_utf8_lossy(&run.stderr);
        let named = calls.iter().find(|call| said.contains(&format!("`{call}`")));
        match named {
            Some(call) if !run.status.success() && !said.contains(SURVIVED) => eprintln!("{name}: {call} named"),
            _ => missed.push(format!("{name}, one of {calls:?}: {}\n{said}", run.status)),
        }
    }
    assert!(missed.is_empty(), "not named (was the runtime linked? see `make realtime`):\n{}", missed.join("\n"));
}

#[test]
fn the_same_work_outside_the_callback_is_not_stopped() {
    for (name, ..) in OFFENCES {
        let run = child(&format!("outside {name}"));
        let said = String::from_utf8_lossy(&run.stderr);
        assert!(run.status.success() && said.contains(SURVIVED), "{name}: {}\n{said}", run.status);
    }
}
