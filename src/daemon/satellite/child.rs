//! The satellite itself: the process that has one device and nothing else.
//!
//! It is told over its standard input, a socket, which device to open; from then on blocks pass both ways with the times at
//! which they began. It opens its device once: when that fails or the device ends, it says so and ends as well, and the
//! daemon starts another. It ends at once when the socket does, and the kernel ends it when the daemon is gone. Signals that
//! are meant for the whole service (SIGTERM, SIGINT, SIGHUP) do not move it: the daemon fades first and then lets it go.

use super::nominal;
use super::shown::{Shown, ShownBridge};
use super::wire::{self, Record, Records, Said, Setup};
use crate::dsp::bridge::{BridgeIn, BridgeSettings, bridge};
use crate::engine::Wires;
use crate::handoff::{BLOCK_FRAMES_MAX, BlockHead, Carried, Carrier, Incoming, carrier};
use crate::ports::audio::{self, BlockSink, BlockTime, DeviceNotice, OpenDevice, OpenError};
use crate::ports::kernel;
use crate::profile::Device;
use crate::units::SampleRate;
use crate::words::log;
use rtrb::{Consumer, RingBuffer};
use std::io::Write;
use std::os::fd::AsFd;
use std::os::unix::net::UnixStream;
use std::sync::atomic::{AtomicBool, Ordering::Relaxed};
use std::sync::{Arc, mpsc};
use std::time::{Duration, Instant};
use tokio::signal::unix::{SignalKind, signal};

/// How often the callback's ring is emptied.
const LOOK: Duration = Duration::from_millis(1);
/// How often the readings are sent.
const BETWEEN_READINGS: Duration = Duration::from_millis(200);
/// How long a device may take to close at the end.
const CLOSE_PATIENCE: Duration = Duration::from_millis(500);

/// Runs until the device or the daemon ends.
///
/// # Errors
/// This process was not started by a daemon, or the socket broke.
pub fn run() -> Result<(), String> {
    // Without it the end of the socket still ends us.
    let _else_by_the_socket = kernel::die_with_parent();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(|e| e.to_string())?;
    let _handlers_stay_installed = {
        let _inside = runtime.enter();
        [SignalKind::terminate(), SignalKind::interrupt(), SignalKind::hangup()].map(signal)
    };
    let socket = std::io::stdin().as_fd().try_clone_to_owned().map(UnixStream::from).map_err(|e| e.to_string())?;
    let mut records = Records::new(socket.try_clone().map_err(|e| e.to_string())?);
    let setup: Setup = match records.next().map_err(log::started_by_hand)? {
        Record::Said(json) => serde_json::from_slice(json).map_err(|e| e.to_string())?,
        Record::Audio(..) => return Err(log::AUDIO_FIRST.into()),
    };
    let device = setup.device().ok_or(log::UNKNOWN_KIND)?;

    let (bridges, new_bridge) = mpsc::channel();
    let over = Arc::new(AtomicBool::new(false));
    let receiving = std::thread::Builder::new().name("receive".into());
    let tell_over = Arc::clone(&over);
    receiving.spawn(move || receive(records, &new_bridge, &tell_over)).map_err(|e| e.to_string())?;
    let ended = attend(&device, &setup, &socket, &bridges, &over);
    let mut last = Vec::new();
    if let Err(why) = ended {
        wire::say(&Said::Over { why }, &mut last);
    }
    // The daemon may be gone, and then there is nobody to tell.
    let _told_or_nobody_there = (&socket).write_all(&last);
    Ok(())
}

/// Takes what comes from the daemon to the bridge that the device's callback reads. Once that ends the device has a moment to
/// be closed, and then this process ends.
fn receive(mut records: Records<UnixStream>, bridges: &mpsc::Receiver<BridgeIn>, over: &AtomicBool) {
    kernel::hurry_this_thread();
    let mut bridge = None;
    while let Ok(record) = records.next() {
        while let Ok(new) = bridges.try_recv() {
            bridge = Some(new);
        }
        if let (Record::Audio(head, samples), Some(bridge)) = (record, &mut bridge) {
            bridge.write_interleaved(samples, head.nanos);
        }
    }
    over.store(true, Relaxed);
    std::thread::sleep(2 * CLOSE_PATIENCE);
    #[expect(clippy::exit, reason = "the daemon is gone, and the main thread may hang in a device's library for ever")]
    std::process::exit(0);
}

/// Opens the device and sends what comes from it. Says why it ended.
fn attend(
    device: &Device,
    setup: &Setup,
    socket: &UnixStream,
    bridges: &mpsc::Sender<BridgeIn>,
    over: &AtomicBool,
) -> Result<(), String> {
    let desk_rate = SampleRate::try_new(setup.rate_hz).map_err(|error| error.to_string())?;
    let (opened, carried, mut playback, notices) = open(device, desk_rate)?;
    let format = opened.format();
    let rate = nominal(format.rate, desk_rate);
    let mut shown = None;
    if device.outputs > 0 {
        let channels = usize::from(device.outputs);
        let cushion_ms = setup.cushion_ms;
        let settings = BridgeSettings { channels, writer_rate: desk_rate, reader_rate: rate, cushion_ms };
        let (bridge_in, bridge_out) = bridge(settings).map_err(|error| error.to_string())?;
        let (bridge_out, seen) = ShownBridge::new(bridge_out);
        shown = Some(seen);
        drop(bridges.send(bridge_in));
        // The one place of the ring is free: this is its only use.
        drop(playback.push(Box::new(bridge_out)));
    }
    let mut bytes = Vec::new();
    let rate_hz = format.rate.hz();
    wire::say(&Said::Open { rate_hz, nominal_hz: rate.hz(), period_frames: format.period_frames }, &mut bytes);
    kernel::hurry_this_thread();
    let desk_hz = setup.rate_hz;
    let mut pump = Pump { bytes, socket, carried, notices, shown, rate_hz, desk_hz, device: &*opened };
    let ended = pump.run(over);
    let (closed_in, closed) = mpsc::channel();
    let close = move || {
        drop(opened);
        // Nobody may wait any more.
        closed_in.send(()).unwrap_or(());
    };
    if std::thread::Builder::new().name("device-close".into()).spawn(close).is_ok() {
        let _closed_or_hanging = closed.recv_timeout(CLOSE_PATIENCE);
    }
    ended
}

/// Sends what comes from the device.
struct Pump<'a> {
    bytes: Vec<u8>,
    socket: &'a UnixStream,
    carried: Carried,
    notices: mpsc::Receiver<DeviceNotice>,
    shown: Option<Arc<Shown>>,
    rate_hz: u32,
    desk_hz: u32,
    device: &'a dyn OpenDevice,
}

impl Pump<'_> {
    fn run(&mut self, over: &AtomicBool) -> Result<(), String> {
        let Self { bytes, socket, carried, notices, shown, rate_hz, desk_hz, device } = self;
        let mut next_readings = Instant::now();
        while !over.load(Relaxed) {
            while wire::forward(carried, bytes) {}
            while let Ok(notice) = notices.try_recv() {
                let said = match notice {
                    DeviceNotice::Gone(why) => return Err(why),
                    DeviceNotice::Rate(hz) if hz != *rate_hz => return Err(log::runs_at_now(hz)),
                    DeviceNotice::Rate(_) => continue,
                    DeviceNotice::Xruns(count) => Said::Xruns(count),
                    DeviceNotice::Rejoins(count) => Said::Note(log::rejoined(count)),
                    DeviceNotice::Period(frames) => Said::Note(log::period(frames)),
                    DeviceNotice::Linked(port) => Said::Note(log::linked(&port)),
                    DeviceNotice::LinkMissing(port) => Said::Note(log::link_missing(&port)),
                };
                wire::say(&said, bytes);
            }
            if let Some(shown) = shown
                && Instant::now() >= next_readings
            {
                next_readings = Instant::now() + BETWEEN_READINGS;
                let readings = shown.read();
                wire::say(&Said::Outgoing(readings.into()), bytes);
                let bridge_ms = readings.target_frames * 1e3 / f64::from(*desk_hz);
                let device_ms = f64::from(device.latency_frames().1) * 1e3 / f64::from(*rate_hz);
                wire::say(&Said::Late((bridge_ms + device_ms) as f32), bytes);
            }
            // The daemon is gone: the thread that receives ends this process.
            socket.write_all(bytes).map_err(|error| error.to_string())?;
            bytes.clear();
            std::thread::sleep(LOOK);
        }
        Ok(())
    }
}

type Playback = Box<dyn Incoming>;
type Opened = (Box<dyn OpenDevice>, Carried, rtrb::Producer<Playback>, mpsc::Receiver<DeviceNotice>);

/// At the desk's rate where the device has a choice, else at the device's own.
fn open(device: &Device, desk_rate: SampleRate) -> Result<Opened, String> {
    let attempt = |rate| {
        let (notices_in, notices) = mpsc::sync_channel(64);
        let (to, carried) = carrier(usize::from(device.inputs));
        let (playback_in, playback) = RingBuffer::new(1);
        let sink = Sink::new(device, to, playback);
        audio::open(device, rate, Box::new(sink), notices_in).map(|opened| (opened, carried, playback_in, notices))
    };
    match attempt(Some(desk_rate)) {
        Err(OpenError::Refused(_)) => attempt(None),
        other => other,
    }
    .map_err(|error| error.to_string())
}

/// The device's callback.
struct Sink {
    inputs: usize,
    outputs: usize,
    to: Carrier,
    from: Option<Playback>,
    coming: Consumer<Playback>,
    /// One block, interleaved.
    block: Box<[f32]>,
}

impl Sink {
    fn new(device: &Device, to: Carrier, coming: Consumer<Playback>) -> Self {
        let (inputs, outputs) = (usize::from(device.inputs), usize::from(device.outputs));
        let block = vec![0.0; BLOCK_FRAMES_MAX * inputs.max(outputs)].into_boxed_slice();
        Self { inputs, outputs, to, from: None, coming, block }
    }
}

/// Samples that are put into or taken out of their order at a time.
const PIECE: usize = 64;

impl BlockSink for Sink {
    fn block(&mut self, wires: &mut dyn Wires, time: BlockTime) {
        let frames = wires.frames().min(BLOCK_FRAMES_MAX);
        let mut piece = [0.0; PIECE];
        let pieces = || (0..frames).step_by(PIECE).map(|offset| (offset, PIECE.min(frames - offset)));
        for channel in 0..self.inputs {
            for (offset, length) in pieces() {
                wires.read(channel, offset, &mut piece[..length]);
                for (frame, sample) in piece[..length].iter().enumerate() {
                    self.block[(offset + frame) * self.inputs + channel] = *sample;
                }
            }
        }
        let head = BlockHead { nanos: time.nanos, frames: u32::try_from(frames).unwrap_or(0) };
        // What finds no room is lost, which the daemon sees from the times.
        let _carried = self.to.carry(&self.block[..frames * self.inputs], head);

        if self.from.is_none() {
            self.from = self.coming.pop().ok();
        }
        let Some(from) = &mut self.from else { return };
        from.read(&mut self.block[..frames * self.outputs], time.nanos);
        for channel in 0..self.outputs {
            for (offset, length) in pieces() {
                for (frame, sample) in piece[..length].iter_mut().enumerate() {
                    *sample = self.block[(offset + frame) * self.outputs + channel];
                }
                wires.write(channel, offset, &piece[..length]);
            }
        }
    }
}
