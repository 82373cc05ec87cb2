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

/// A device that calls every 10 ms, or never.
struct Made {
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
    closed: Arc<AtomicUsize>,
}

impl Made {
    fn open(mut sink: Box<dyn BlockSink>, calls: bool, closed: Arc<AtomicUsize>) -> Self {
        let stop = Arc::new(AtomicBool::new(false));
        let until = Arc::clone(&stop);
        let thread = std::thread::spawn(move || {
            while !until.load(Ordering::Relaxed) {
                if calls {
                    sink.block(&mut NoWires, BlockTime { nanos: nanos(), missed_frames: 0, cycle: None });
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

#[test]
fn a_device_that_opens_and_never_calls_is_opened_again_and_said_once() {
    let engine = Engine::new(engine_settings(RATE, Vectors::new(Form::Plain).expect("always there")));
    let (_console, _meters, seat) = crossing(engine);
    let clock = Arc::new(Clock::new(RATE));
    let (opened, closed) = (Arc::<AtomicUsize>::default(), Arc::<AtomicUsize>::default());
    let open: Open = {
        let (opened, closed) = (Arc::clone(&opened), Arc::clone(&closed));
        Arc::new(move |_, _, sink, _: mpsc::SyncSender<_>| {
            let attempt = opened.fetch_add(1, Ordering::Relaxed);
            // Mute at first, as a plug-in whose own server hangs; then it calls.
            Ok(Box::new(Made::open(sink, attempt > 0, Arc::clone(&closed))) as Box<dyn OpenDevice>)
        })
    };
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
    let drivers = Drivers::start(seat, Arc::clone(&clock), counts, RATE, Some(device), open, move |notice| {
        told.lock().expect("nobody panicked").push(notice);
    })
    .expect("threads start");
    let until = Instant::now() + Duration::from_secs(120);
    let back = |notice: &DriverNotice| matches!(notice, DriverNotice::Back { .. });
    while !notices.lock().expect("nobody panicked").iter().any(back) {
        assert!(Instant::now() < until, "{:?}", notices.lock());
        std::thread::sleep(Duration::from_millis(20));
    }
    assert_eq!(opened.load(Ordering::Relaxed), 2);
    let said = notices.lock().expect("nobody panicked").clone();
    let mute =
        |notice: &&DriverNotice| matches!(notice, DriverNotice::Warning(text) if text.contains("has not called"));
    assert_eq!(said.iter().filter(mute).count(), 1, "{said:?}");
    assert!(clock.read().is_some_and(|moment| moment.frame > 0), "the silent driver drove meanwhile");
    assert!(drivers.stop(Duration::from_secs(20)), "everything ended in time");
    while closed.load(Ordering::Relaxed) < 2 {
        assert!(Instant::now() < until, "a device was never closed");
        std::thread::sleep(Duration::from_millis(5));
    }
}
