//! Satellites: the devices of the rig that run on clocks of their own, beside the master.
//!
//! ```text
//! satellite process                     socket     daemon
//! device's callback --ring--> pump ================> receive --bridge--> engine's callback
//! device's callback <--bridge-- receive <=========== send <--ring-- engine's callback
//! ```
//! Each such device is opened by a process of its own (`longthrow satellite`, started by us): a library for JACK can serve
//! one server only, and a library that hangs or crashes takes nobody with it. Blocks cross with the times at which they
//! began, on the machine's one monotonic clock, so what the way takes costs only some of the bridge's cushion. Neither
//! callback touches more than rings.
//!
//! A device that is away is silent, and is tried for ever; the engine's frames go on.

mod child;
mod shown;
mod wire;

pub use child::run as run_satellite;

use super::drivers::{DriverNotice, LATE_TOLD_MS};
use super::join_until;
use crate::desk::wiring;
use crate::dsp::bridge::{BridgeIn, BridgeReadings, BridgeSettings, bridge};
use crate::handoff::{Carried, Incoming, Link, LinkEnd, Links, Place, carrier};
use crate::ports::applications;
use crate::ports::audio::Format;
use crate::ports::clock::nanos;
use crate::ports::kernel;
use crate::profile::{Device, Host, Id, Rig};
use crate::units::SampleRate;
use crate::words::log;
use shown::{Shown, ShownBridge};
use std::io::Write;
use std::os::fd::OwnedFd;
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError, mpsc};
use std::thread::JoinHandle;
use std::time::Duration;
use wire::{Record, Records, Said, Setup};

/// How often the watch looks.
const WATCH: Duration = Duration::from_millis(10);
/// How often the ring of the engine's callback is emptied.
const LOOK: Duration = Duration::from_millis(1);
/// A satellite that has sent nothing for so long, or for three periods, is away. Longer than for the master, since what it
/// sends passes two threads that a busy machine may hold up.
const STALL_NANOS: u64 = 300_000_000;
/// A satellite that has sent nothing for so long is killed; so long may a device take to open.
const HANGING_NANOS: u64 = 10_000_000_000;
/// Blocks after which a device counts as back.
const STEADY_BLOCKS: u64 = 4;
/// Times between attempts, in ms; the last one for ever.
const RETRY_MS: [u64; 3] = [250, 500, 1000];
/// A satellite that ran for so long is started again without delay.
const RAN_WELL_NANOS: u64 = 5_000_000_000;
/// A change of drift that is told.
const DRIFT_TOLD_PPM: f64 = 5.0;
/// What is said by one satellite and not yet looked at; a satellite that says more is waited with.
const EVENTS_MAX: usize = 64;

/// How satellites are started.
#[derive(Clone, Debug)]
pub struct Settings {
    /// The program, whose subcommand `satellite` is called.
    pub program: PathBuf,
    /// How late a block may come across without a gap, in ms (0 to 100): it is added to the delay of each direction.
    pub cushion_ms: f32,
}

impl Default for Settings {
    fn default() -> Self {
        // This very program, even when its file has been replaced meanwhile. Two threads and a socket lie in the way, and a
        // busy machine holds an ordinary thread up by some 10 ms; found by trial.
        Self { program: "/proc/self/exe".into(), cushion_ms: 30.0 }
    }
}

/// How one device runs, for people.
#[derive(Clone, Debug)]
pub struct Status {
    /// Which device.
    pub device: Id,
    /// Whether its sound passes.
    pub present: bool,
    /// How it runs, while it is open.
    pub format: Option<Format>,
    /// The bridge from its inputs to the engine, in frames of the device.
    pub incoming: BridgeReadings,
    /// The bridge from the engine to its outputs, in frames of the engine.
    pub outgoing: BridgeReadings,
    /// The longest that a block took from its callback to the bridge since the device came, in ms.
    pub longest_way_ms: f64,
    /// Late or lost blocks that the device reported.
    pub xruns: u64,
    /// How often its process was started.
    pub starts: u64,
}

impl Status {
    /// How much faster than the master's clock the device's runs, against the rates that they are meant to have, in ppm; and
    /// whether that is known well.
    #[must_use]
    pub fn drift(&self) -> (f64, bool) {
        match &self.format {
            Some(format) if format.inputs > 0 => (self.incoming.drift_ppm, self.incoming.locked),
            // The writer's clock is the master's here; 1e-4 squared is nothing.
            _ => (-self.outgoing.drift_ppm, self.outgoing.locked),
        }
    }
}

/// The satellites of a rig, running.
#[derive(Debug)]
pub struct Satellites {
    stop: Arc<AtomicBool>,
    wanted: mpsc::Sender<Vec<Station>>,
    statuses: Arc<Mutex<Vec<Status>>>,
    watch: Option<JoinHandle<()>>,
}

impl Satellites {
    /// Starts a satellite for each device of the rig but the master. `rate` is the desk's; `notice` hears of every device
    /// that goes or comes.
    ///
    /// # Errors
    /// No thread could be started.
    pub fn start(
        rig: &Rig,
        rate: SampleRate,
        links: LinkEnd,
        settings: Settings,
        notice: impl FnMut(DriverNotice) + Send + 'static,
    ) -> std::io::Result<Self> {
        let stop = Arc::new(AtomicBool::new(false));
        let statuses = Arc::<Mutex<Vec<Status>>>::default();
        let (wanted_in, wanted) = mpsc::channel();
        let mut watch = Watch {
            rate,
            settings,
            links,
            notice: Box::new(notice),
            satellites: Vec::new(),
            next_key: 0,
            unsent: false,
            statuses: Arc::clone(&statuses),
        };
        let (first, stopped) = (stations(rig), Arc::clone(&stop));
        let watch = std::thread::Builder::new().name("satellites".into()).spawn(move || {
            watch.change(first);
            watch.run(&wanted, &stopped);
        })?;
        Ok(Self { stop, wanted: wanted_in, statuses, watch: Some(watch) })
    }

    /// Another rig: devices that are the same in it play on.
    pub fn update(&self, rig: &Rig) {
        // The watch lives as long as we do.
        drop(self.wanted.send(stations(rig)));
    }

    /// How each device runs, in the order of their wires; at most 10 ms old.
    #[must_use]
    pub fn status(&self) -> Vec<Status> {
        self.statuses.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Stops them all. Says whether every process and thread ended in time; a process that does not is killed.
    pub fn stop(mut self, deadline: Duration) -> bool {
        self.stop.store(true, Ordering::Release);
        let Some(watch) = self.watch.take() else { return true };
        join_until(watch, deadline)
    }
}

impl Drop for Satellites {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Release);
    }
}

/// A device and its wires.
#[derive(Clone, Debug)]
struct Station {
    device: Device,
    first_input: usize,
    first_output: usize,
}

fn stations(rig: &Rig) -> Vec<Station> {
    let (mut first_input, mut first_output) = (0, 0);
    let all = wiring::devices_by_wire(rig).map(|device| {
        let station = Station { device: device.clone(), first_input, first_output };
        first_input += usize::from(device.inputs);
        first_output += usize::from(device.outputs);
        station
    });
    // The master drives the engine itself.
    all.skip(usize::from(wiring::driving(rig).is_some())).collect()
}

/// The rate that a device is meant to run at, when it says this of itself.
fn nominal(device: SampleRate, desk: SampleRate) -> SampleRate {
    if device.is_nominally(desk) { desk } else { device }
}

/// Everything that the thread of the satellites works with.
struct Watch {
    rate: SampleRate,
    settings: Settings,
    links: LinkEnd,
    notice: Box<dyn FnMut(DriverNotice) + Send>,
    satellites: Vec<Satellite>,
    next_key: u64,
    /// Whether the seat has not been sent the links as they are.
    unsent: bool,
    statuses: Arc<Mutex<Vec<Status>>>,
}

/// One device.
struct Satellite {
    station: Station,
    /// Its name among the links.
    key: u64,
    process: Option<Process>,
    /// A link that has not been sent to the seat yet.
    link: Option<Box<Link>>,
    away_since: u64,
    ever: bool,
    attempts: usize,
    next_attempt: u64,
    told_drift: Option<f64>,
    /// By how much its outputs were said to be late since it plays, ms.
    told_late: Option<f32>,
    xruns: u64,
    starts: u64,
    outgoing: BridgeReadings,
}

/// A satellite's process.
struct Process {
    child: Child,
    socket: UnixStream,
    events: mpsc::Receiver<Event>,
    heard: Arc<Heard>,
    started: u64,
    format: Option<Format>,
    incoming: Option<Arc<Shown>>,
    threads: Vec<JoinHandle<()>>,
    playing: bool,
}

/// What the receiving thread notes of the blocks.
#[derive(Debug, Default)]
struct Heard {
    /// When the last one arrived.
    at: AtomicU64,
    blocks: AtomicU64,
    /// The longest that one took from its callback to us.
    longest_way: AtomicU64,
}

/// What the receiving thread tells.
enum Event {
    Open {
        format: Format,
        bridge: Option<(Box<dyn Incoming>, Arc<Shown>)>,
    },
    Said(Said),
    /// The socket ended.
    Ended,
}

impl Watch {
    fn run(&mut self, wanted: &mpsc::Receiver<Vec<Station>>, stop: &AtomicBool) {
        while !stop.load(Ordering::Acquire) {
            while let Ok(stations) = wanted.try_recv() {
                self.change(stations);
            }
            for index in 0..self.satellites.len() {
                self.attend(index);
            }
            self.send_links();
            self.show();
            std::thread::sleep(WATCH);
        }
        let ending: Vec<_> = self.satellites.drain(..).filter_map(|satellite| satellite.process).map(end).collect();
        for thread in ending.into_iter().flatten() {
            drop(thread.join());
        }
    }

    fn change(&mut self, stations: Vec<Station>) {
        let mut old = std::mem::take(&mut self.satellites);
        for station in stations {
            let same = |satellite: &Satellite| satellite.station.device == station.device;
            if let Some(index) = old.iter().position(same) {
                let mut satellite = old.swap_remove(index);
                satellite.station = station;
                self.satellites.push(satellite);
                continue;
            }
            let Device { id, inputs, outputs, .. } = &station.device;
            tracing::info!(
                device = &**id,
                inputs,
                outputs,
                cushion_ms = self.settings.cushion_ms,
                "{}",
                log::OWN_CLOCK
            );
            self.next_key += 1;
            self.satellites.push(Satellite {
                station,
                key: self.next_key,
                process: None,
                link: None,
                away_since: nanos(),
                ever: false,
                attempts: 0,
                next_attempt: 0,
                told_drift: None,
                told_late: None,
                xruns: 0,
                starts: 0,
                outgoing: BridgeReadings::default(),
            });
        }
        for satellite in old {
            drop(satellite.process.map(end));
        }
        self.unsent = true;
    }

    /// Looks after one satellite.
    fn attend(&mut self, index: usize) {
        let Some(process) = &self.satellites[index].process else { return self.try_to_start(index) };
        let (now, last) = (nanos(), process.heard.at.load(Ordering::Relaxed));
        let fresh = {
            let period = process.format.map_or(0, |format| u64::from(format.period_frames) * 1_000_000_000)
                / u64::from(self.rate.hz());
            now.saturating_sub(last) < STALL_NANOS.max(3 * period)
        };
        let hanging = now.saturating_sub(last.max(process.started)) > HANGING_NANOS;
        while let Some(event) =
            self.satellites[index].process.as_ref().and_then(|process| process.events.try_recv().ok())
        {
            if let Some(why) = self.hear(index, event) {
                return self.over(index, &why);
            }
        }
        if hanging {
            return self.over(index, log::NO_ANSWER);
        }
        let satellite = &mut self.satellites[index];
        let Some(process) = &mut satellite.process else { return };
        let id = satellite.station.device.id.clone();
        if process.playing && !fresh {
            process.playing = false;
            satellite.away_since = now;
            (self.notice)(DriverNotice::Away { device: id, why: log::STOPPED_CALLING.into() });
        } else if !process.playing && fresh && process.heard.blocks.load(Ordering::Relaxed) >= STEADY_BLOCKS {
            let Some(format) = process.format else { return };
            process.playing = true;
            satellite.told_late = None;
            let first = !std::mem::replace(&mut satellite.ever, true);
            let away = Duration::from_nanos(now.saturating_sub(satellite.away_since));
            (self.notice)(DriverNotice::Back { device: id, format, away, first });
        }
    }

    /// Hears what a satellite says; why it is over, if it is.
    fn hear(&mut self, index: usize, event: Event) -> Option<String> {
        let satellite = &mut self.satellites[index];
        let id = &satellite.station.device.id;
        match event {
            Event::Open { format, bridge } => {
                let process = satellite.process.as_mut()?;
                process.format = Some(format);
                let (from, incoming) = bridge.unzip();
                process.incoming = incoming;
                let mut to = None;
                if format.outputs > 0 {
                    let (carrier, carried) = carrier(format.outputs);
                    to = Some(carrier);
                    let socket = process.socket.try_clone();
                    let thread = socket.and_then(|socket| spawn("satellite-send", move || send(carried, socket)));
                    match thread {
                        Ok(thread) => process.threads.push(thread),
                        Err(error) => return Some(log::no_sending_thread(error)),
                    }
                }
                satellite.link = Some(Box::new(Link::new(format.inputs, format.outputs, from, to)));
                satellite.told_drift = None;
                self.unsent = true;
                None
            }
            Event::Said(Said::Over { why }) => Some(why),
            Event::Said(Said::Xruns(count)) => {
                satellite.xruns += u64::from(count);
                None
            }
            Event::Said(Said::Note(what)) => {
                (self.notice)(DriverNotice::Note(format!("device {id}: {what}")));
                None
            }
            Event::Said(Said::Outgoing(readings)) => {
                satellite.outgoing = readings.into();
                None
            }
            Event::Said(Said::Late(ms)) => {
                let playing = satellite.process.as_ref().is_some_and(|process| process.playing);
                if playing && ms > 0.0 && satellite.told_late.is_none_or(|told| (told - ms).abs() > LATE_TOLD_MS) {
                    satellite.told_late = Some(ms);
                    (self.notice)(DriverNotice::Late { device: id.clone(), ms });
                }
                None
            }
            Event::Said(Said::Open { .. }) => None,
            Event::Ended => Some(log::PROCESS_ENDED.into()),
        }
    }

    /// A satellite is over: its device is away, and another is started later.
    fn over(&mut self, index: usize, why: &str) {
        let satellite = &mut self.satellites[index];
        let Some(process) = satellite.process.take() else { return };
        let id = satellite.station.device.id.clone();
        satellite.outgoing = BridgeReadings::default();
        let now = nanos();
        if process.format.is_some() && now.saturating_sub(process.started) > RAN_WELL_NANOS {
            satellite.attempts = 0;
            satellite.next_attempt = now;
        }
        if process.playing {
            satellite.away_since = now;
            (self.notice)(DriverNotice::Away { device: id, why: why.to_owned() });
        } else if satellite.attempts == 1 {
            // Said at the first attempt only: it is tried for ever.
            let what = log::device_not_opened(&id, why);
            (self.notice)(DriverNotice::Note(what));
        }
        drop(end(process));
    }

    fn try_to_start(&mut self, index: usize) {
        let satellite = &mut self.satellites[index];
        let now = nanos();
        if now < satellite.next_attempt {
            return;
        }
        satellite.next_attempt = now + RETRY_MS[satellite.attempts.min(RETRY_MS.len() - 1)] * 1_000_000;
        satellite.attempts += 1;
        satellite.starts += 1;
        match start(&satellite.station.device, self.rate, &self.settings) {
            Ok(process) => satellite.process = Some(process),
            Err(error) if satellite.attempts == 1 => {
                let id = &satellite.station.device.id;
                let what = log::device_not_started(id, error);
                (self.notice)(DriverNotice::Note(what));
            }
            Err(_) => {}
        }
    }

    /// Brings the seat's links up to date, as soon as it takes them.
    fn send_links(&mut self) {
        self.links.drop_old();
        if !self.unsent {
            return;
        }
        let place = |satellite: &mut Satellite| {
            let Station { device, first_input, first_output } = &satellite.station;
            Place {
                device: satellite.key,
                first_input: *first_input,
                inputs: usize::from(device.inputs),
                first_output: *first_output,
                outputs: usize::from(device.outputs),
                link: satellite.link.take(),
            }
        };
        let links = Links::new(self.satellites.iter_mut().map(place).collect());
        match self.links.send(Box::new(links)) {
            Ok(()) => self.unsent = false,
            Err(mut refused) => {
                for (satellite, place) in self.satellites.iter_mut().zip(refused.places_mut()) {
                    satellite.link = place.link.take();
                }
            }
        }
    }

    /// Shows how every device runs, and tells what has changed about its clock.
    fn show(&mut self) {
        let statuses: Vec<Status> = self.satellites.iter_mut().map(Satellite::status).collect();
        for (satellite, status) in self.satellites.iter_mut().zip(&statuses) {
            let (drift, locked) = status.drift();
            if status.present && locked && satellite.told_drift.is_none_or(|told| (drift - told).abs() > DRIFT_TOLD_PPM)
            {
                satellite.told_drift = Some(drift);
                tracing::info!(device = &*status.device, drift_ppm = drift, "{}", log::DRIFT);
            }
        }
        *self.statuses.lock().unwrap_or_else(PoisonError::into_inner) = statuses;
    }
}

impl Satellite {
    fn status(&mut self) -> Status {
        let process = self.process.as_ref();
        let shown = process.and_then(|process| process.incoming.as_ref());
        let way = process.map_or(0, |process| process.heard.longest_way.load(Ordering::Relaxed));
        Status {
            device: self.station.device.id.clone(),
            present: process.is_some_and(|process| process.playing),
            format: process.and_then(|process| process.format),
            incoming: shown.map(|shown| shown.read()).unwrap_or_default(),
            outgoing: self.outgoing,
            longest_way_ms: way as f64 * 1e-6,
            xruns: self.xruns,
            starts: self.starts,
        }
    }
}

/// Starts the process of one device.
fn start(device: &Device, rate: SampleRate, settings: &Settings) -> std::io::Result<Process> {
    let (mut socket, theirs) = UnixStream::pair()?;
    // In the socket before there is anybody at the other end.
    let mut setup = Vec::new();
    wire::say(&Setup::new(device, rate.hz(), settings.cushion_ms), &mut setup);
    socket.write_all(&setup)?;
    // A library that prints must not print into the socket.
    let mut command = command(device, &settings.program);
    command.arg("satellite").stdin(OwnedFd::from(theirs)).stdout(Stdio::null());
    let mut child = command.spawn().map_err(|error| match device.host {
        Host::Application => {
            std::io::Error::new(error.kind(), format!("{} (pipewire-jack): {error}", applications::STARTER))
        }
        _ => error,
    })?;
    // Our copy of their end.
    drop(command);
    let (events_in, events) = mpsc::sync_channel(EVENTS_MAX);
    let heard = Arc::<Heard>::default();
    let receive = {
        let (device, settings, heard) = (device.clone(), settings.clone(), Arc::clone(&heard));
        let records = socket.try_clone().map(Records::new);
        records.and_then(|records| {
            spawn("satellite-receive", move || receive(records, &device, rate, &settings, &heard, &events_in))
        })
    };
    match receive {
        Ok(thread) => {
            let (threads, started) = (vec![thread], nanos());
            Ok(Process { child, socket, events, heard, started, format: None, incoming: None, threads, playing: false })
        }
        Err(error) => {
            child.kill()?;
            child.wait()?;
            Err(error)
        }
    }
}

/// How a satellite for this device is started.
fn command(device: &Device, program: &Path) -> Command {
    if device.host != Host::Application {
        return Command::new(program);
    }
    let mut command = Command::new(applications::STARTER);
    // The name of a JACK server; PipeWire's library would take it for a PipeWire of that name.
    command.env_remove("JACK_DEFAULT_SERVER");
    // Through another program "self" would be that one.
    match program.strip_prefix("/proc/self") {
        Ok(rest) => command.arg(Path::new("/proc").join(std::process::id().to_string()).join(rest)),
        Err(_) => command.arg(program),
    };
    command
}

fn spawn(name: &str, work: impl FnOnce() + Send + 'static) -> std::io::Result<JoinHandle<()>> {
    std::thread::Builder::new().name(name.into()).spawn(move || {
        kernel::hurry_this_thread();
        work();
    })
}

/// Takes what a satellite sends, until the socket ends.
fn receive(
    mut records: Records<UnixStream>,
    device: &Device,
    desk_rate: SampleRate,
    settings: &Settings,
    heard: &Heard,
    events: &mpsc::SyncSender<Event>,
) {
    let mut bridge: Option<BridgeIn> = None;
    while let Ok(record) = records.next() {
        match record {
            Record::Audio(head, samples) => {
                if let Some(bridge) = &mut bridge {
                    bridge.write_interleaved(samples, head.nanos);
                }
                let now = nanos();
                heard.longest_way.fetch_max(now.saturating_sub(head.nanos), Ordering::Relaxed);
                heard.at.store(now, Ordering::Relaxed);
                heard.blocks.fetch_add(1, Ordering::Relaxed);
            }
            Record::Said(json) => {
                let event = match serde_json::from_slice(json) {
                    Ok(Said::Open { rate_hz, nominal_hz, period_frames }) => {
                        match opened(device, desk_rate, settings, [rate_hz, nominal_hz, period_frames]) {
                            Some((format, ends)) => {
                                let (bridge_in, bridge_out) = ends.unzip();
                                bridge = bridge_in;
                                Event::Open { format, bridge: bridge_out }
                            }
                            None => Event::Said(Said::Over { why: log::runs_at(rate_hz) }),
                        }
                    }
                    Ok(said) => Event::Said(said),
                    Err(_) => continue,
                };
                // Waits when the watch is behind; it ends the socket before it stops listening.
                drop(events.send(event));
            }
        }
    }
    drop(events.send(Event::Ended));
}

type Ends = (BridgeIn, (Box<dyn Incoming>, Arc<Shown>));

/// The bridge from a device that has just been opened, if it has inputs; nothing when its rate is too far from the desk's.
fn opened(
    device: &Device,
    desk_rate: SampleRate,
    settings: &Settings,
    [rate_hz, nominal_hz, period_frames]: [u32; 3],
) -> Option<(Format, Option<Ends>)> {
    let rate = SampleRate::try_new(rate_hz).ok()?;
    let writer_rate = SampleRate::try_new(nominal_hz).ok()?;
    let channels = usize::from(device.inputs);
    let format = Format { rate, period_frames, inputs: channels, outputs: usize::from(device.outputs) };
    let settings = BridgeSettings { channels, writer_rate, reader_rate: desk_rate, cushion_ms: settings.cushion_ms };
    let (bridge_in, bridge_out) = bridge(settings).ok()?;
    let (bridge_out, shown) = ShownBridge::new(bridge_out);
    let bridge_out: Box<dyn Incoming> = Box::new(bridge_out);
    Some((format, (channels > 0).then_some((bridge_in, (bridge_out, shown)))))
}

/// Sends what the engine gives to a satellite, until the socket or the link ends.
fn send(mut carried: Carried, mut socket: UnixStream) {
    let mut bytes = Vec::new();
    while !carried.is_abandoned() {
        while wire::forward(&mut carried, &mut bytes) {}
        if socket.write_all(&bytes).is_err() {
            return;
        }
        bytes.clear();
        std::thread::sleep(LOOK);
    }
}

/// Ends a satellite: it has a moment to close its device, and then it is killed. Done on a thread of its own, which is
/// returned when it could be started.
fn end(process: Process) -> Option<JoinHandle<()>> {
    let Process { mut child, socket, threads, .. } = process;
    // Its end of the socket ends, and so do our threads at ours.
    drop(socket.shutdown(std::net::Shutdown::Both));
    let work = move || {
        for _ in 0..150 {
            if child.try_wait().is_ok_and(|status| status.is_some()) {
                break;
            }
            std::thread::sleep(Duration::from_millis(10));
        }
        // It may have ended, and then this does nothing.
        drop(child.kill());
        drop(child.wait());
        threads.into_iter().for_each(|thread| drop(thread.join()));
    };
    std::thread::Builder::new().name("satellite-end".into()).spawn(work).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_device_near_the_desks_rate_is_meant_to_run_at_it() {
        let rate = |hz| SampleRate::try_new(hz).expect("a rate");
        let nominal = |hz| nominal(rate(hz), SampleRate::HZ_48000).hz();
        assert_eq!([48_000, 48_005, 47_953, 48_048].map(nominal), [48_000; 4]);
        assert_eq!([48_049, 44_100, 96_000].map(nominal), [48_049, 44_100, 96_000]);
    }
}
