//! Who drives the engine: a device while there is one, the silent driver otherwise.
//!
//! The engine belongs to nobody's callback. Each driver knows a number and takes the engine out of the
//! [`Lease`] for one block; who holds an old number writes silence, counts it and returns. The watch moves
//! the lease to the silent driver when no block came for max(100 ms, 3 periods) or the device says that it
//! is gone, opens the device again for ever, and moves the lease back when the device calls again.

use super::block_times::{BlockTimes, Timing};
use crate::engine::Wires;
use crate::handoff::{Clock, Lease, Seat};
use crate::ports::audio::{BlockSink, BlockTime, DeviceNotice, Format, OpenDevice, OpenError};
use crate::ports::clock::nanos;
use crate::profile::{Device, Id};
use crate::units::{Frames, SampleRate};
use crate::words::log;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, mpsc};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// A device that has not called for this long, or for three periods, is away.
const STALL_NANOS: u64 = 100_000_000;
/// Blocks that end late are told at most so often.
const LATE_AGAIN_NANOS: u64 = 10_000_000_000;
/// How often the watch looks.
const WATCH: Duration = Duration::from_millis(10);
/// Blocks of the silent driver.
const SILENT_FRAMES: u64 = 256;
/// What the silent driver makes up for at most; the rest is a jump that is noted.
const MADE_UP_SECONDS: u64 = 1;
/// A device that calls again has to do so for this many blocks before it gets the engine back.
const STEADY_BLOCKS: u64 = 8;
/// Times between attempts to open a device, in ms; the last one for ever.
const RETRY_MS: [u64; 3] = [250, 500, 1000];
/// How long a device may take to open before another attempt is made beside it, and how many may hang at once.
const OPEN_PATIENCE: Duration = Duration::from_secs(5);
const OPEN_HANGING: usize = 3;
/// How long devices may take to close when the desk stops.
const LAST_CLOSE: Duration = Duration::from_secs(1);
/// An open device that has not called for this long is closed and opened anew.
const CALL_PATIENCE: Duration = Duration::from_secs(10);
/// A change of a device's delay that is told, ms.
pub(super) const LATE_TOLD_MS: f32 = 0.05;
/// No driver has this number.
const NOBODY: u64 = u64::MAX;

/// What the watch tells the daemon.
#[derive(Clone, Debug, PartialEq)]
pub enum DriverNotice {
    /// The engine goes on without the device.
    Away {
        /// Which device of the rig.
        device: Id,
        /// Why.
        why: String,
    },
    /// The device drives the engine again, or for the first time.
    Back {
        /// Which device of the rig.
        device: Id,
        /// How it runs.
        format: Format,
        /// How long it was away.
        away: Duration,
        /// Whether it is the first time since the start.
        first: bool,
    },
    /// Frames were left out of the time line.
    Jump {
        /// The first frame that was not made.
        from: u64,
        /// The next that was.
        to: u64,
    },
    /// By how much the device says that its outputs are late; again whenever that has changed.
    Late {
        /// Which.
        device: Id,
        /// In ms.
        ms: f32,
    },
    /// Something to show that changes nothing.
    Note(String),
    /// The same, and somebody should look at it.
    Warning(String),
}

/// What is counted; written by drivers, read by anybody, never reset.
#[derive(Debug, Default)]
pub struct DriverCounts {
    /// Blocks for which the engine was taken or the number old.
    pub refused_blocks: AtomicU64,
    /// Blocks made by devices.
    pub device_blocks: AtomicU64,
    /// Blocks made by the silent driver.
    pub silent_blocks: AtomicU64,
    /// Blocks that ended after their device needed them, of those that began in time.
    pub late_blocks: AtomicU64,
    /// By how much the worst of them did since the watch last looked, ns; 0 when there was none.
    late_by: AtomicU64,
    /// When the last of them ended.
    late_at: AtomicU64,
    /// Blocks whose callback the system entered late: more than a quarter of the period had gone.
    pub begun_late: AtomicU64,
    /// How long the blocks of devices took.
    pub times: BlockTimes,
    /// Late blocks that devices reported.
    pub xruns: AtomicU64,
}

/// What every driver of one engine shares.
#[derive(Debug)]
struct Shared {
    lease: Lease<Seat>,
    clock: Arc<Clock>,
    counts: Arc<DriverCounts>,
    rate: SampleRate,
    /// Length of the last block; written by whoever drives, read when the desk stops.
    block_frames: AtomicU64,
}

impl Shared {
    /// Makes one block with the engine, if this number may.
    fn block(&self, number: u64, wires: &mut dyn Wires, began: u64) -> bool {
        let Some(mut seat) = self.lease.take(number) else {
            self.counts.refused_blocks.fetch_add(1, Ordering::Relaxed);
            return false;
        };
        let frame = seat.engine.frame();
        let frames = wires.frames();
        self.block_frames.store(frames as u64, Ordering::Relaxed);
        self.clock.publish(frame, began, u32::try_from(frames).unwrap_or(u32::MAX));
        seat.process(wires, began);
        true
    }

    fn spent(&self, frames: usize, time: BlockTime) {
        let ended = nanos();
        self.counts.times.count(ended.saturating_sub(time.nanos));
        let period = frames as u64 * 1_000_000_000 / u64::from(self.rate.hz());
        match Timing::of(time, period, ended) {
            Timing::InTime => {}
            Timing::BeganLate => _ = self.counts.begun_late.fetch_add(1, Ordering::Relaxed),
            Timing::EndedLate(by) => {
                self.counts.late_blocks.fetch_add(1, Ordering::Relaxed);
                self.counts.late_at.store(ended, Ordering::Relaxed);
                self.counts.late_by.fetch_max(by, Ordering::Release);
            }
        }
    }
}

/// The device's end: called in its real-time callback.
struct DeviceSink {
    shared: Arc<Shared>,
    seen: Arc<Seen>,
}

/// What the watch knows of a device's callbacks.
#[derive(Debug)]
struct Seen {
    /// The number the device may take the engine with; written by the watch.
    number: AtomicU64,
    /// When the last callback began, whoever had the engine; written by the callback.
    at: AtomicU64,
    /// How many callbacks there were; written by the callback.
    blocks: AtomicU64,
}

impl BlockSink for DeviceSink {
    fn block(&mut self, wires: &mut dyn Wires, time: BlockTime) {
        self.seen.at.store(time.nanos, Ordering::Relaxed);
        self.seen.blocks.fetch_add(1, Ordering::Relaxed);
        let number = self.seen.number.load(Ordering::Acquire);
        if self.shared.block(number, wires, time.nanos) {
            self.shared.counts.device_blocks.fetch_add(1, Ordering::Relaxed);
            self.shared.spent(wires.frames(), time);
        }
    }
}

/// Wires that lead nowhere.
struct NoWires(usize);

impl Wires for NoWires {
    fn frames(&self) -> usize {
        self.0
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

/// Opens the device; a parameter so that tests can bring devices of their own.
pub type Open = Arc<
    dyn Fn(
            &Device,
            Option<SampleRate>,
            Box<dyn BlockSink>,
            mpsc::SyncSender<DeviceNotice>,
        ) -> Result<Box<dyn OpenDevice>, OpenError>
        + Send
        + Sync,
>;

/// The engine's drivers, running.
#[derive(Debug)]
pub struct Drivers {
    shared: Arc<Shared>,
    stop: Arc<AtomicBool>,
    watch: Option<JoinHandle<()>>,
    wanted: mpsc::Sender<Option<Device>>,
}

/// Everything the watch works with.
struct Watch {
    shared: Arc<Shared>,
    stop: Arc<AtomicBool>,
    open: Open,
    notice: Box<dyn FnMut(DriverNotice) + Send>,
    wanted: mpsc::Receiver<Option<Device>>,
    device: Option<Device>,
    state: State,
    /// When the engine was last driven by the device.
    away_since: u64,
    ever_driven: bool,
    /// It has been said that the device opens and does not call.
    mute_told: bool,
    /// It has been said that an attempt to open hangs.
    hang_told: bool,
    /// By how much the device was said to be late, ms.
    told_late: Option<f32>,
    /// Late blocks that were told, by how much the worst of those was late that were not, ns, and when the next may be told.
    late: LateTold,
    attempts: usize,
    next_attempt: u64,
    opening: Vec<Opening>,
    silent: Silent,
}

#[derive(Default)]
struct LateTold {
    blocks: u64,
    by: u64,
    again: u64,
}

/// An attempt that has not come back yet.
struct Opening {
    since: u64,
    seen: Arc<Seen>,
    result: mpsc::Receiver<Result<Box<dyn OpenDevice>, OpenError>>,
    notices: mpsc::Receiver<DeviceNotice>,
    thread: JoinHandle<()>,
}

struct Running {
    device: Box<dyn OpenDevice>,
    seen: Arc<Seen>,
    notices: mpsc::Receiver<DeviceNotice>,
    /// Callbacks counted when the engine was last taken from it or it was opened.
    blocks_before: u64,
    /// When it was opened.
    since: u64,
}

enum State {
    /// No device is open.
    Closed,
    /// A device is open and the silent driver has the engine: it has to show that it calls.
    Waiting(Running),
    /// The device has the engine.
    Driving(Running),
}

impl Drivers {
    /// Starts the silent driver and the watch, which opens the device.
    pub fn start(
        seat: Seat,
        clock: Arc<Clock>,
        counts: Arc<DriverCounts>,
        rate: SampleRate,
        device: Option<Device>,
        open: Open,
        notice: impl FnMut(DriverNotice) + Send + 'static,
    ) -> std::io::Result<Self> {
        let shared = Arc::new(Shared { lease: Lease::new(seat), clock, counts, rate, block_frames: AtomicU64::new(0) });
        let stop = Arc::new(AtomicBool::new(false));
        let (wanted_in, wanted) = mpsc::channel();
        let now = nanos();
        let watch = Watch {
            shared: Arc::clone(&shared),
            stop: Arc::clone(&stop),
            open,
            notice: Box::new(notice),
            wanted,
            device,
            state: State::Closed,
            away_since: now,
            ever_driven: false,
            mute_told: false,
            hang_told: false,
            told_late: None,
            late: LateTold::default(),
            attempts: 0,
            next_attempt: now,
            opening: Vec::new(),
            silent: Silent::start(Arc::clone(&shared))?,
        };
        let watch = std::thread::Builder::new().name("driver-watch".into()).spawn(move || watch.run())?;
        Ok(Self { shared, stop, watch: Some(watch), wanted: wanted_in })
    }

    /// Another device, or another way to open the same: the engine goes on meanwhile.
    pub fn change_device(&self, device: Option<Device>) {
        // The watch lives as long as we do.
        drop(self.wanted.send(device));
    }

    /// How long a block lasts that is made now.
    pub fn block_time(&self) -> Duration {
        let frames = self.shared.block_frames.load(Ordering::Relaxed);
        Duration::from_secs_f64(self.shared.rate.seconds(Frames(frames)))
    }

    /// Stops: devices are closed, the engine stands still. Says whether everything ended in time, but for devices: one that
    /// hangs at its close is named in the log and left.
    pub fn stop(mut self, deadline: Duration) -> bool {
        self.stop.store(true, Ordering::Release);
        // Nobody has this number.
        let _nobody = self.shared.lease.transfer();
        let Some(watch) = self.watch.take() else { return true };
        super::join_until(watch, deadline)
    }
}

impl Watch {
    fn run(mut self) {
        let number = self.shared.lease.transfer();
        self.silent.drive(number);
        while !self.stop.load(Ordering::Acquire) {
            while let Ok(device) = self.wanted.try_recv() {
                self.change(device);
            }
            self.hear_silent();
            self.tell_late_blocks(nanos());
            self.state = match std::mem::replace(&mut self.state, State::Closed) {
                State::Closed => self.closed(),
                State::Waiting(running) => self.waiting(running),
                State::Driving(running) => self.driving(running),
            };
            std::thread::sleep(WATCH);
        }
        // Attempts on their way close what they open.
        let mut closing: Vec<_> = self.opening.drain(..).map(|opening| opening.thread).collect();
        if let State::Waiting(running) | State::Driving(running) = std::mem::replace(&mut self.state, State::Closed) {
            closing.extend(close(running));
        }
        self.silent.stop();
        // A server that has to find out by itself that a client ended may hang, with all of its other clients (jackd2 1.9.21).
        let until = Instant::now() + LAST_CLOSE;
        for thread in closing {
            super::join_until(thread, until.saturating_duration_since(Instant::now()));
        }
        self.late.again = 0;
        self.tell_late_blocks(nanos());
    }

    fn change(&mut self, device: Option<Device>) {
        if device == self.device {
            return;
        }
        match std::mem::replace(&mut self.state, State::Closed) {
            State::Driving(running) => {
                self.go_on_silently(log::OTHER_DEVICE);
                close(running);
            }
            State::Waiting(running) => drop(close(running)),
            State::Closed => {}
        }
        // Attempts for the old device close what they open.
        self.opening.clear();
        self.device = device;
        self.mute_told = false;
        self.hang_told = false;
        self.attempts = 0;
        self.next_attempt = nanos();
    }

    fn closed(&mut self) -> State {
        for index in 0..self.opening.len() {
            match self.opening[index].result.try_recv() {
                Ok(Ok(device)) => {
                    let opening = self.opening.swap_remove(index);
                    // An older attempt that comes back yet closes what it opens: one stream at a time.
                    self.opening.clear();
                    self.attempts = 0;
                    self.hang_told = false;
                    return State::Waiting(Running {
                        device,
                        blocks_before: opening.seen.blocks.load(Ordering::Relaxed),
                        since: nanos(),
                        seen: opening.seen,
                        notices: opening.notices,
                    });
                }
                Ok(Err(error)) => {
                    self.opening.swap_remove(index);
                    self.failed(&error);
                    return State::Closed;
                }
                Err(mpsc::TryRecvError::Disconnected) => {
                    self.opening.swap_remove(index);
                    return State::Closed;
                }
                Err(mpsc::TryRecvError::Empty) => {}
            }
        }
        let now = nanos();
        let patience = u64::try_from(OPEN_PATIENCE.as_nanos()).unwrap_or(u64::MAX);
        let hanging = self.opening.iter().filter(|opening| now - opening.since > patience).count();
        if hanging > 0 && !std::mem::replace(&mut self.hang_told, true) {
            let told = log::opening_hangs(self.name(), OPEN_PATIENCE.as_secs());
            (self.notice)(DriverNotice::Warning(told));
        }
        if now >= self.next_attempt && self.opening.len() == hanging && hanging < OPEN_HANGING {
            self.attempt(now);
        }
        State::Closed
    }

    fn attempt(&mut self, now: u64) {
        let Some(device) = self.device.clone() else { return };
        let seen =
            Arc::new(Seen { number: AtomicU64::new(NOBODY), at: AtomicU64::new(now), blocks: AtomicU64::new(0) });
        let sink = Box::new(DeviceSink { shared: Arc::clone(&self.shared), seen: Arc::clone(&seen) });
        let (notices_in, notices) = mpsc::sync_channel(64);
        let (result_in, result) = mpsc::channel();
        let (open, rate) = (Arc::clone(&self.open), self.shared.rate);
        let work = move || {
            let opened = open(&device, Some(rate), sink, notices_in);
            // Nobody waits any more: the device is dropped, and so closed, here.
            drop(result_in.send(opened));
        };
        if let Ok(thread) = std::thread::Builder::new().name("device-open".into()).spawn(work) {
            self.opening.push(Opening { since: now, seen, result, notices, thread });
        }
        let wait = RETRY_MS[self.attempts.min(RETRY_MS.len() - 1)];
        self.attempts += 1;
        self.next_attempt = now + wait * 1_000_000;
    }

    fn name(&self) -> &str {
        self.device.as_ref().map_or("", |device| &device.id)
    }

    fn failed(&mut self, error: &OpenError) {
        // Said at the first attempt only: the device is tried for ever.
        if self.attempts == 1 {
            let told = log::device_not_opened(self.name(), error);
            (self.notice)(DriverNotice::Warning(told));
        }
    }

    /// An open device that does not have the engine.
    fn waiting(&mut self, mut running: Running) -> State {
        if let Some(why) = self.hear(&mut running) {
            (self.notice)(DriverNotice::Warning(log::closed_again(&why)));
            close(running);
            return State::Closed;
        }
        let last = running.seen.at.load(Ordering::Relaxed).max(running.since);
        if Duration::from_nanos(nanos().saturating_sub(last)) > CALL_PATIENCE {
            if !std::mem::replace(&mut self.mute_told, true) {
                let told = log::never_called(self.name(), CALL_PATIENCE.as_secs());
                (self.notice)(DriverNotice::Warning(told));
            }
            close(running);
            self.next_attempt = nanos();
            return State::Closed;
        }
        let called = running.seen.blocks.load(Ordering::Relaxed) - running.blocks_before;
        let period = u64::from(running.device.format().period_frames).max(1);
        let steady = STEADY_BLOCKS.min((u64::from(self.shared.rate.hz()) / 20 / period).max(2));
        if called < steady || !fresh(&running, self.shared.rate) {
            return State::Waiting(running);
        }
        self.silent.rest();
        let number = self.shared.lease.transfer();
        running.seen.number.store(number, Ordering::Release);
        let away = Duration::from_nanos(nanos().saturating_sub(self.away_since));
        let first = !std::mem::replace(&mut self.ever_driven, true);
        self.mute_told = false;
        if let Some(device) = &self.device {
            let notice = DriverNotice::Back { device: device.id.clone(), format: running.device.format(), away, first };
            (self.notice)(notice);
        }
        State::Driving(running)
    }

    /// A device that has the engine.
    fn driving(&mut self, mut running: Running) -> State {
        if let Some(why) = self.hear(&mut running) {
            self.go_on_silently(&why);
            close(running);
            self.next_attempt = nanos();
            return State::Closed;
        }
        if fresh(&running, self.shared.rate) {
            self.tell_late(&running);
            return State::Driving(running);
        }
        running.seen.number.store(NOBODY, Ordering::Release);
        self.go_on_silently(log::STOPPED_CALLING);
        running.blocks_before = running.seen.blocks.load(Ordering::Relaxed);
        State::Waiting(running)
    }

    /// Tells by how much what leaves is late, when that has changed.
    #[expect(clippy::cast_precision_loss, reason = "some thousand frames")]
    fn tell_late(&mut self, running: &Running) {
        let frames = running.device.latency_frames().1;
        let ms = frames as f32 * 1e3 / self.shared.rate.hz() as f32;
        // Until it knows, a device says 0.
        if let Some(device) = &self.device
            && frames > 0
            && self.told_late.is_none_or(|told| (told - ms).abs() > LATE_TOLD_MS)
        {
            self.told_late = Some(ms);
            (self.notice)(DriverNotice::Late { device: device.id.clone(), ms });
        }
    }

    /// Tells of blocks that ended late: at once, and then not again before [`LATE_AGAIN_NANOS`] have gone.
    fn tell_late_blocks(&mut self, now: u64) {
        let counts = &self.shared.counts;
        self.late.by = self.late.by.max(counts.late_by.swap(0, Ordering::Acquire));
        if self.late.by == 0 || now < self.late.again {
            return;
        }
        let blocks = counts.late_blocks.load(Ordering::Relaxed);
        let (new, by) = (blocks - self.late.blocks, std::mem::take(&mut self.late.by));
        // One may have been counted last time already, before it said by how much.
        if new > 0 {
            let ago = now.saturating_sub(counts.late_at.load(Ordering::Relaxed));
            self.late = LateTold { blocks, by: 0, again: now + LATE_AGAIN_NANOS };
            (self.notice)(DriverNotice::Warning(log::ended_late(new, by / 1000, ago / 1_000_000)));
        }
    }

    fn go_on_silently(&mut self, why: &str) {
        self.away_since = nanos();
        self.told_late = None;
        let number = self.shared.lease.transfer();
        self.silent.drive(number);
        if let Some(device) = &self.device {
            (self.notice)(DriverNotice::Away { device: device.id.clone(), why: why.to_owned() });
        }
    }

    /// Hears the device's notices; says why it is gone, if it is.
    fn hear(&mut self, running: &mut Running) -> Option<String> {
        while let Ok(notice) = running.notices.try_recv() {
            match notice {
                DeviceNotice::Gone(why) => return Some(why),
                DeviceNotice::Xruns(count) => {
                    self.shared.counts.xruns.fetch_add(u64::from(count), Ordering::Relaxed);
                }
                DeviceNotice::Rate(hz)
                    if !SampleRate::try_new(hz).is_ok_and(|rate| rate.is_nominally(self.shared.rate)) =>
                {
                    return Some(log::runs_at_another(hz, self.shared.rate.hz()));
                }
                DeviceNotice::Rate(_) => {}
                DeviceNotice::Rejoins(count) => {
                    (self.notice)(DriverNotice::Note(log::rejoined(count)));
                }
                DeviceNotice::Period(frames) => {
                    (self.notice)(DriverNotice::Note(log::period(frames)));
                }
                DeviceNotice::Linked(port) => (self.notice)(DriverNotice::Note(log::linked(&port))),
                DeviceNotice::LinkMissing(port) => {
                    (self.notice)(DriverNotice::Warning(log::link_missing(&port)));
                }
            }
        }
        None
    }

    fn hear_silent(&mut self) {
        while let Ok((from, to)) = self.silent.jumps.try_recv() {
            (self.notice)(DriverNotice::Jump { from, to });
        }
    }
}

/// Whether the device called lately.
fn fresh(running: &Running, rate: SampleRate) -> bool {
    let period = u64::from(running.device.format().period_frames) * 1_000_000_000 / u64::from(rate.hz());
    nanos().saturating_sub(running.seen.at.load(Ordering::Relaxed)) < STALL_NANOS.max(3 * period)
}

/// Closes a device on a thread that may hang without harm.
fn close(running: Running) -> Option<JoinHandle<()>> {
    running.seen.number.store(NOBODY, Ordering::Release);
    let work = move || drop(running);
    // Without a thread to do it on the device is closed right here.
    std::thread::Builder::new().name("device-close".into()).spawn(work).ok()
}

/// The driver that is always there: it paces by the monotonic clock and its sound goes nowhere.
struct Silent {
    number: Arc<AtomicU64>,
    stop: Arc<AtomicBool>,
    /// Jumps of the time line, to be told.
    jumps: mpsc::Receiver<(u64, u64)>,
    thread: Option<JoinHandle<()>>,
}

impl Silent {
    fn start(shared: Arc<Shared>) -> std::io::Result<Self> {
        let number = Arc::new(AtomicU64::new(NOBODY));
        let stop = Arc::new(AtomicBool::new(false));
        let (jump, jumps) = mpsc::channel();
        let pace = Pace { shared, number: Arc::clone(&number), stop: Arc::clone(&stop), jump };
        let thread = std::thread::Builder::new().name("silent-driver".into()).spawn(move || pace.run())?;
        Ok(Self { number, stop, jumps, thread: Some(thread) })
    }

    fn drive(&self, number: u64) {
        self.number.store(number, Ordering::Release);
        if let Some(thread) = &self.thread {
            thread.thread().unpark();
        }
    }

    fn rest(&self) {
        self.number.store(NOBODY, Ordering::Release);
    }

    fn stop(&mut self) {
        self.stop.store(true, Ordering::Release);
        if let Some(thread) = self.thread.take() {
            thread.thread().unpark();
            super::join_until(thread, Duration::from_secs(1));
        }
    }
}

struct Pace {
    shared: Arc<Shared>,
    number: Arc<AtomicU64>,
    stop: Arc<AtomicBool>,
    jump: mpsc::Sender<(u64, u64)>,
}

impl Pace {
    fn run(self) {
        while !self.stop.load(Ordering::Acquire) {
            let number = self.number.load(Ordering::Acquire);
            if number == NOBODY {
                std::thread::park_timeout(Duration::from_millis(200));
            } else {
                self.drive(number);
            }
        }
    }

    /// Drives until the number is taken back. The frame that is due is what the time line says it would be.
    fn drive(&self, number: u64) {
        let rate = u64::from(self.shared.rate.hz());
        let start = nanos();
        let due_at_start = self.shared.clock.frame_at(start).0;
        self.make_up(number, due_at_start, rate);
        while self.number.load(Ordering::Acquire) == number && !self.stop.load(Ordering::Acquire) {
            let now = nanos();
            let due = due_at_start + frames_in(now - start, rate) + SILENT_FRAMES;
            let Some(next) = self.next_frame(number) else {
                // The last holder is still inside its block.
                std::thread::sleep(Duration::from_micros(200));
                continue;
            };
            if next + SILENT_FRAMES <= due {
                // Late by more than we make up for: a suspended machine.
                if due - next > MADE_UP_SECONDS * rate + SILENT_FRAMES {
                    self.make_up(number, due - SILENT_FRAMES, rate);
                } else {
                    self.block(number);
                }
            } else {
                let wait = (next + SILENT_FRAMES - due) * 1_000_000_000 / rate;
                std::thread::park_timeout(Duration::from_nanos(wait.min(20_000_000)));
            }
        }
    }

    fn next_frame(&self, number: u64) -> Option<u64> {
        self.shared.lease.take(number).map(|seat| seat.engine.frame())
    }

    fn make_up(&self, number: u64, due: u64, rate: u64) {
        if let Some(mut seat) = self.shared.lease.take(number) {
            let behind = due.saturating_sub(seat.engine.frame());
            if behind > MADE_UP_SECONDS * rate {
                let before = seat.engine.frame();
                seat.engine.skip_to(due - MADE_UP_SECONDS * rate);
                // The watch lives as long as this thread.
                self.jump.send((before, seat.engine.frame())).ok();
            }
        }
        while self.next_frame(number).is_some_and(|frame| frame + SILENT_FRAMES <= due) && self.block(number) {}
    }

    fn block(&self, number: u64) -> bool {
        let frames = usize::try_from(SILENT_FRAMES).unwrap_or(256);
        let made = self.shared.block(number, &mut NoWires(frames), nanos());
        if made {
            self.shared.counts.silent_blocks.fetch_add(1, Ordering::Relaxed);
        }
        made
    }
}

fn frames_in(nanos: u64, rate: u64) -> u64 {
    u64::try_from(u128::from(nanos) * u128::from(rate) / 1_000_000_000).unwrap_or(u64::MAX)
}
