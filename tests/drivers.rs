//! The watch of the drivers with devices of the test's own: what it does when one opens and then says nothing.

use longthrow::daemon::drivers::{DriverCounts, DriverNotice, Drivers, Open};
use longthrow::desk::engine_settings;
use longthrow::dsp::lanes::{Form, Vectors};
use longthrow::engine::{Engine, Wires};
use longthrow::handoff::{Clock, crossing};
use longthrow::ports::audio::{BlockSink, BlockTime, Format, OpenDevice};
use longthrow::ports::clock::nanos;
use longthrow::profile::{Device, Host, Id};
use longthrow::units::SampleRate;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, mpsc};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

const RATE: SampleRate = SampleRate::HZ_48000;
const PERIOD: usize = 480;

struct NoWires;

impl Wires for NoWires {
    fn frames(&self) -> usize {
        PERIOD
    }
    fn inputs(&self) -> usize {
        0
    }
    fn outputs(&self) -> usize {
        0
    }
    fn read(&mut self, _: usize, _: usize, into: &mut [f32]) {
        into.fill(0.0);
    }
    fn write(&mut self, _: usize, _: usize, _: &[f32]) {}
}

/// When a device calls.
#[derive(Clone, Copy, PartialEq)]
enum Calls {
    Never,
    Every10Ms,
    /// As often, and says that it needed the block a microsecond after its call.
    InVain,
}

/// A device that calls so.
struct Made {
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
    closed: Arc<AtomicUsize>,
}

impl Made {
    fn open(mut sink: Box<dyn BlockSink>, calls: Calls, closed: Arc<AtomicUsize>) -> Self {
        let stop = Arc::new(AtomicBool::new(false));
        let until = Arc::clone(&stop);
        let thread = std::thread::spawn(move || {
            while !until.load(Ordering::Relaxed) {
                if calls != Calls::Never {
                    let nanos = nanos();
                    let cycle = (calls == Calls::InVain).then_some((nanos, nanos + 1_000));
                    sink.block(&mut NoWires, BlockTime { nanos, missed_frames: 0, cycle });
                }
                std::thread::sleep(Duration::from_millis(10));
            }
        });
        Self { stop, thread: Some(thread), closed }
    }
}

impl OpenDevice for Made {
    fn format(&self) -> Format {
        Format { rate: RATE, period_frames: PERIOD as u32, inputs: 0, outputs: 2 }
    }
    fn latency_frames(&self) -> (u32, u32) {
        (0, 0)
    }
}

impl Drop for Made {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        self.thread.take().map(JoinHandle::join);
        self.closed.fetch_add(1, Ordering::Relaxed);
    }
}

/// The drivers of an engine whose device opens so, and what they tell.
struct Watched {
    drivers: Drivers,
    clock: Arc<Clock>,
    counts: Arc<DriverCounts>,
    notices: Arc<Mutex<Vec<DriverNotice>>>,
}

impl Watched {
    fn start(open: Open) -> Self {
        let engine = Engine::new(engine_settings(RATE, Vectors::new(Form::Plain).expect("always there")));
        let (_console, _meters, seat) = crossing(engine);
        let clock = Arc::new(Clock::new(RATE));
        let notices = Arc::<Mutex<Vec<DriverNotice>>>::default();
        let told = Arc::clone(&notices);
        let device = Device {
            id: Id::from("box"),
            host: Host::Alsa,
            identity: "made".into(),
            inputs: 0,
            outputs: 2,
            period_frames: None,
            link_inputs: Vec::new(),
            link_outputs: Vec::new(),
        };
        let counts = Arc::<DriverCounts>::default();
        let shared = Arc::clone(&counts);
        let drivers = Drivers::start(seat, Arc::clone(&clock), shared, RATE, Some(device), open, move |notice| {
            told.lock().expect("nobody panicked").push(notice);
        });
        Self { drivers: drivers.expect("threads start"), clock, counts, notices }
    }

    /// Waits until the device drives the engine, and says how often a warning with these words was told until then.
    fn warnings_until_it_drives(&self, words: &str) -> usize {
        wait_for("the device drives", || self.told().iter().any(|notice| matches!(notice, DriverNotice::Back { .. })));
        assert!(self.clock.read().is_some_and(|moment| moment.frame > 0), "the silent driver drove meanwhile");
        self.warnings(words).len()
    }

    fn told(&self) -> Vec<DriverNotice> {
        self.notices.lock().expect("nobody panicked").clone()
    }

    /// The warnings with these words.
    fn warnings(&self, words: &str) -> Vec<String> {
        let warning = |notice| match notice {
            DriverNotice::Warning(text) if text.contains(words) => Some(text),
            _ => None,
        };
        self.told().into_iter().filter_map(warning).collect()
    }

    fn stop(self) {
        assert!(self.drivers.stop(Duration::from_secs(20)), "everything ended in time");
    }
}

fn wait_for(what: &str, is_so: impl Fn() -> bool) {
    let until = Instant::now() + Duration::from_secs(120);
    while !is_so() {
        assert!(Instant::now() < until, "{what}");
        std::thread::sleep(Duration::from_millis(5));
    }
}

#[test]
fn a_device_that_opens_and_never_calls_is_opened_again_and_said_once() {
    let (opened, closed) = (Arc::<AtomicUsize>::default(), Arc::<AtomicUsize>::default());
    let (attempts, ends) = (Arc::clone(&opened), Arc::clone(&closed));
    let watched = Watched::start(Arc::new(move |_, _, sink, _: mpsc::SyncSender<_>| {
        let attempt = attempts.fetch_add(1, Ordering::Relaxed);
        // Mute at first, as a plug-in whose own server hangs; then it calls.
        Ok(Box::new(Made::open(sink, if attempt > 0 { Calls::Every10Ms } else { Calls::Never }, Arc::clone(&ends)))
            as Box<dyn OpenDevice>)
    }));
    assert_eq!(watched.warnings_until_it_drives("has not called"), 1);
    assert_eq!(opened.load(Ordering::Relaxed), 2);
    wait_for("the mute one is closed", || closed.load(Ordering::Relaxed) == 1);
    watched.stop();
    assert_eq!(closed.load(Ordering::Relaxed), 2, "the end waits for the other");
}

#[test]
fn blocks_that_end_late_are_told_at_once_and_then_together() {
    let closed = Arc::<AtomicUsize>::default();
    let ends = Arc::clone(&closed);
    let watched = Watched::start(Arc::new(move |_, _, sink, _: mpsc::SyncSender<_>| {
        Ok(Box::new(Made::open(sink, Calls::InVain, Arc::clone(&ends))) as Box<dyn OpenDevice>)
    }));
    let late = || watched.warnings("ended late");
    wait_for("the first is told", || !late().is_empty());
    let first = Instant::now();
    wait_for("the others are told", || late().len() == 2);
    assert!(first.elapsed() > Duration::from_secs(5), "not every one: {:?}", late());
    let counted = |text: &String| text.split(' ').find_map(|word| word.parse::<u64>().ok()).expect("a number");
    let (one, others) = (counted(&late()[0]), counted(&late()[1]));
    assert!(one >= 1 && others > one, "{:?}", late());
    let (notices, counts) = (Arc::clone(&watched.notices), Arc::clone(&watched.counts));
    watched.stop();
    // Those since then are told at the end: none is left out.
    let told = notices.lock().expect("nobody panicked").iter().fold(0, |told, notice| match notice {
        DriverNotice::Warning(text) if text.contains("ended late") => told + counted(text),
        _ => told,
    });
    assert_eq!(told, counts.late_blocks.load(Ordering::Relaxed));
}

#[test]
fn a_device_whose_opening_hangs_is_said_once_and_tried_beside_it() {
    let (opened, closed) = (Arc::<AtomicUsize>::default(), Arc::<AtomicUsize>::default());
    let (attempts, ends) = (Arc::clone(&opened), Arc::clone(&closed));
    let (release, released) = mpsc::channel::<()>();
    let released = Mutex::new(released);
    let watched = Watched::start(Arc::new(move |_, _, sink, _: mpsc::SyncSender<_>| {
        // As a server that stands still while it is asked.
        if attempts.fetch_add(1, Ordering::Relaxed) == 0 {
            assert!(released.lock().expect("nobody panicked").recv().is_err());
        }
        Ok(Box::new(Made::open(sink, Calls::Every10Ms, Arc::clone(&ends))) as Box<dyn OpenDevice>)
    }));
    assert_eq!(watched.warnings_until_it_drives("has not opened"), 1);
    assert_eq!(opened.load(Ordering::Relaxed), 2);
    // It answers after all: what it opened is closed, since another drives.
    drop(release);
    wait_for("the late one is closed", || closed.load(Ordering::Relaxed) == 1);
    watched.stop();
    assert_eq!(closed.load(Ordering::Relaxed), 2, "the end waits for the other");
}

#[test]
fn the_end_waits_for_a_device_that_is_just_being_opened() {
    let closed = Arc::<AtomicUsize>::default();
    let (ends, (begun, begins)) = (Arc::clone(&closed), mpsc::channel());
    let watched = Watched::start(Arc::new(move |_, _, sink, _: mpsc::SyncSender<_>| {
        begun.send(()).expect("awaited");
        std::thread::sleep(Duration::from_millis(300));
        Ok(Box::new(Made::open(sink, Calls::Every10Ms, Arc::clone(&ends))) as Box<dyn OpenDevice>)
    }));
    begins.recv().expect("it is opened");
    watched.stop();
    assert_eq!(closed.load(Ordering::Relaxed), 1);
}

/// A device that hangs at its close, until it is released.
struct Hanging(Made, mpsc::Receiver<()>);

impl OpenDevice for Hanging {
    fn format(&self) -> Format {
        self.0.format()
    }
    fn latency_frames(&self) -> (u32, u32) {
        self.0.latency_frames()
    }
}

impl Drop for Hanging {
    fn drop(&mut self) {
        self.1.recv().expect_err("nothing is sent");
    }
}

#[test]
fn a_device_that_hangs_at_its_close_does_not_hold_up_the_end() {
    let closed = Arc::<AtomicUsize>::default();
    let (ends, (release, released)) = (Arc::clone(&closed), mpsc::channel());
    let released = Mutex::new(Some(released));
    let watched = Watched::start(Arc::new(move |_, _, sink, _: mpsc::SyncSender<_>| {
        let released = released.lock().expect("nobody panicked").take().expect("opened once");
        Ok(Box::new(Hanging(Made::open(sink, Calls::Every10Ms, Arc::clone(&ends)), released)) as Box<dyn OpenDevice>)
    }));
    assert_eq!(watched.warnings_until_it_drives("closed again"), 0);
    watched.stop();
    assert_eq!(closed.load(Ordering::Relaxed), 0, "it was left");
    drop(release);
    wait_for("it is closed after all", || closed.load(Ordering::Relaxed) == 1);
}
