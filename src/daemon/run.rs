//! The daemon: started, reloaded and stopped here.
//!
//! ```text
//! files --check--> Installation --> desk thread <--inbox-- control ports, network, reload, driver watch
//!                                       | batches, plans            ^ echoes
//!                                    engine, lent to the device's callback or to the silent driver
//! ```

use super::desk_thread::{DeskShared, DeskThread, Shown};
use super::drivers::{DriverCounts, DriverNotice, Drivers};
use super::files::{Loaded, Paths};
use super::hub::MeterTable;
use super::inbox::{Ask, CONTROL_PORTS, DAEMON_LANE, Item, Origin};
use super::network::{self, Network, NetworkSetup};
use super::record::Writer;
use super::satellite::{self, Satellites};
use super::state::{Before, State, StateError};
use super::teach::Teacher;
use super::{control, join_until};
use crate::desk::journal::{At, Line, Ports, What};
use crate::desk::{Desk, Event, Wrong, engine_settings, wiring};
use crate::dsp::lanes::Vectors;
use crate::engine::Engine;
use crate::handoff::{Clock, MeterEnd, crossing};
use crate::ports::applications::volumes_not_at_unity;
use crate::ports::clock::nanos;
use crate::ports::control::OpenControl;
use crate::ports::{audio, command_socket, service, watch as files_watch};
use crate::profile::{Device, Host, Installation, Rig, count};
use crate::units::{Frames, SampleRate};
use crate::words::{log, wrong};
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Condvar, Mutex, PoisonError, mpsc};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use tokio::sync::{Notify, watch};

/// A control used within this time makes a show attended.
const ATTENDED: Duration = Duration::from_secs(600);
/// A device that was away for less than this brings open microphones back open, while attended.
const COMES_BACK: Duration = Duration::from_secs(10);
/// Outputs fade before the engine stops: the ramp and the way to it. What the device still holds comes on top.
const FADE: Duration = Duration::from_millis(120);
/// How long each part may take to stop.
const STOP_DEADLINE: Duration = Duration::from_secs(2);
/// How long whoever wrote a file waits for it to come into force.
const IN_FORCE: Duration = Duration::from_secs(8);
/// How long the desk may take to put a revision in force before it is announced all the same.
const TAKEN: Duration = Duration::from_secs(1);
/// How long a device is asked for its rate at the start, when the rig does not say.
const PROBE: Duration = Duration::from_secs(2);

/// How the daemon is started.
#[derive(Clone, Debug, Default)]
pub struct Start {
    /// The files.
    pub paths: Paths,
    /// The state folder, when not the rig's and not the default.
    pub state: Option<PathBuf>,
    /// Whether hardware outputs may be opened without a rig.
    pub audible: bool,
}

/// Why the daemon does not start.
#[derive(Debug)]
pub enum StartError {
    /// The files are not sound and nothing was accepted before: the diagnostics, rendered.
    Files(String),
    /// The state folder.
    State(StateError),
    /// The system.
    System(String),
}

impl std::fmt::Display for StartError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Files(text) | Self::System(text) => f.write_str(text),
            Self::State(error) => write!(f, "{error}"),
        }
    }
}

impl std::error::Error for StartError {}

impl From<StateError> for StartError {
    fn from(error: StateError) -> Self {
        Self::State(error)
    }
}

fn system(what: &str) -> impl FnOnce(std::io::Error) -> StartError {
    let what = what.to_owned();
    move |error| StartError::System(format!("{what}: {error}"))
}

/// A running daemon.
#[derive(Debug)]
pub struct Daemon {
    /// The socket for commands, held to be served.
    commands: Option<command_socket::Served>,
    shared: Arc<DeskShared>,
    clock: Arc<Clock>,
    counts: Arc<DriverCounts>,
    rate: SampleRate,
    drivers: Arc<Mutex<Option<Drivers>>>,
    satellites: Arc<Mutex<Option<Satellites>>>,
    controls: Arc<Mutex<Vec<OpenControl>>>,
    network: Arc<Network>,
    desk: Option<JoinHandle<()>>,
    reloader: Option<JoinHandle<()>>,
    hints: Arc<Hints>,
    _watch: Option<files_watch::Watch>,
    state: State,
}

/// Something says that files may have changed.
#[derive(Debug, Default)]
pub struct Hints {
    state: Mutex<Readings>,
    changed: Condvar,
}

/// How far the files were read.
#[derive(Debug, Default)]
struct Readings {
    asked: bool,
    stop: bool,
    begun: u64,
    done: u64,
}

impl Hints {
    /// Asks for the files to be read again.
    pub fn reload(&self) {
        self.change(|state| state.asked = true);
    }

    /// The same, and waits until they were read as they are now, and accepted or refused; that follows later if it takes long.
    pub(super) fn reload_now(&self) {
        self.reload();
        let state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        // One that has begun may have read what was there before.
        let mine = state.begun + u64::from(state.asked);
        drop(self.changed.wait_timeout_while(state, IN_FORCE, |state| !state.stop && state.done < mine));
    }

    fn change(&self, change: impl FnOnce(&mut Readings)) {
        change(&mut self.state.lock().unwrap_or_else(PoisonError::into_inner));
        self.changed.notify_all();
    }

    fn stop(&self) {
        self.change(|state| state.stop = true);
    }

    /// Waits for a hint; false means stop.
    fn wait(&self) -> bool {
        let state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        let waits = |state: &mut Readings| !state.asked && !state.stop;
        let mut state = self.changed.wait_while(state, waits).unwrap_or_else(PoisonError::into_inner);
        state.asked = false;
        state.begun += 1;
        !state.stop
    }

    /// What the last hint asked for was done.
    fn done(&self) {
        self.change(|state| state.done = state.begun);
    }
}

/// The files as they are in force, and where they came from.
fn first_installation(start: &Start, state: &State, before: Before) -> Result<(Loaded, bool), StartError> {
    let problem = match start.paths.load() {
        Ok(loaded) if loaded.installation.is_some() && !before.safe_start => {
            for diagnostic in &loaded.diagnostics {
                tracing::warn!("{diagnostic}");
            }
            return Ok((loaded, true));
        }
        Ok(loaded) if loaded.installation.is_some() => log::SAFE_START.to_owned(),
        Ok(loaded) => {
            let rendered: Vec<String> = loaded.diagnostics.iter().map(ToString::to_string).collect();
            format!("{}\nfiles refused ({})", rendered.join("\n"), count(&loaded.diagnostics))
        }
        Err(why) => why,
    };
    let problem = if before.safe_start && problem != log::SAFE_START {
        format!("{problem}\n{}", log::SAFE_START)
    } else {
        problem
    };
    match state.last_accepted(&start.paths) {
        Some(loaded) => {
            tracing::error!("{}", log::on_last_accepted(&problem));
            Ok((loaded, false))
        }
        None if before.safe_start => match start.paths.load() {
            Ok(loaded) if loaded.installation.is_some() => {
                tracing::error!("{}", log::none_accepted_before(&problem));
                Ok((loaded, true))
            }
            _ => Err(StartError::Files(problem)),
        },
        None => Err(StartError::Files(problem)),
    }
}

/// The rate of the desk: the rig's, else the master device's, else 48 kHz.
fn rate_of(rig: &Rig) -> SampleRate {
    if let Some(rate) = rig.rate {
        return rate;
    }
    let Some(device) = wiring::driving(rig).cloned() else { return SampleRate::HZ_48000 };
    struct Nothing;
    impl audio::BlockSink for Nothing {
        fn block(&mut self, _: &mut dyn crate::engine::Wires, _: audio::BlockTime) {}
    }
    let (result_in, result) = std::sync::mpsc::channel();
    let (notices, _unheard) = std::sync::mpsc::sync_channel(1);
    let probe = move || {
        let opened = audio::open(&device, None, Box::new(Nothing), notices);
        drop(result_in.send(opened.map(|device| device.format().rate)));
    };
    if std::thread::Builder::new().name("device-probe".into()).spawn(probe).is_err() {
        return SampleRate::HZ_48000;
    }
    match result.recv_timeout(PROBE) {
        Ok(Ok(rate)) => rate,
        _ => {
            tracing::warn!("{}", log::NO_RATE);
            SampleRate::HZ_48000
        }
    }
}

impl Daemon {
    /// Starts everything. Returns once the desk runs; the first block follows within a period.
    ///
    /// # Errors
    /// See [`StartError`]. Nothing is left running.
    pub fn start(start: &Start, handle: &tokio::runtime::Handle) -> Result<Self, StartError> {
        let state = State::open(&super::state::folder(start.state.as_deref()))?;
        let before = state.begin();
        // A start that is refused is no crash.
        let (mut loaded, as_asked) = first_installation(start, &state, before).inspect_err(|_| state.end())?;
        let Some(mut installation) = loaded.installation.take() else {
            return Err(StartError::Files(log::NOTHING_TO_RUN.to_owned()));
        };
        if as_asked {
            start.paths.keep_accepted(state.folder(), &loaded.texts);
        }
        if start.paths.rig.is_empty() && start.audible {
            super::audible::add_output(&mut installation);
        }
        let rate = rate_of(&installation.rig);
        let engine = Engine::new(engine_settings(rate, Vectors::widest()));
        let (console, meter_end, mut seat) = crossing(engine);
        let links = seat.link_end();
        let clock = Arc::new(Clock::new(rate));
        let counts = Arc::new(DriverCounts::default());
        let shared = Arc::new(DeskShared::default());
        let hints = Arc::new(Hints::default());
        if !as_asked {
            shared.note_wrong("files", Some(fell_back()));
        }
        let writer = Writer::start(state.folder().to_owned()).map_err(system(log::STATE_FOLDER))?;
        writer.write(line(What::Start { civil: super::state::civil_text(), rate }));
        let mut desk = Desk::new(installation.clone(), rate);
        restore(&mut desk, &state, before, &writer, &loaded);
        let (meter_table, followed) = watch::channel(Arc::new(MeterTable::default()));
        // Until a device shows that it is there, its channels and the outputs are silent; then they come up by a ramp.
        for device in &installation.rig.devices {
            let event = Event::DeviceAway { device: device.id.clone() };
            if let Some(what) = What::of(&event, &Ports::of(desk.rig())) {
                writer.write(line(what));
            }
            desk.handle(Frames(0), event);
        }
        shared.nodes.configure(&installation.rig, &installation.panel);
        let teacher = Arc::new(Teacher::new(&shared, &start.paths, state.folder().to_owned(), &hints));
        let network =
            start_network(handle, &installation, rate, &teacher, &shared, &clock, meter_end, followed, &hints);
        let (clock_too, shared_too) = (Arc::clone(&clock), Arc::clone(&shared));
        let thread = DeskThread::new(desk, console, clock_too, shared_too, network.answers(), meter_table, writer);
        let desk = std::thread::Builder::new().name("desk".into()).spawn(move || thread.run());
        let desk = desk.map_err(system("the desk's thread"))?;
        let drivers = {
            let (shared, network) = (Arc::clone(&shared), Arc::clone(&network));
            let device = wiring::driving(&installation.rig).cloned();
            let notice = move |notice| hear_driver(&shared, &network, notice);
            let open: super::drivers::Open = Arc::new(audio::open);
            Drivers::start(seat, Arc::clone(&clock), Arc::clone(&counts), rate, device, open, notice)
                .map_err(system("the driver's thread"))?
        };
        let satellites = {
            let (shared, network) = (Arc::clone(&shared), Arc::clone(&network));
            let notice = move |notice| hear_driver(&shared, &network, notice);
            Satellites::start(&installation.rig, rate, links, satellite::Settings::default(), notice)
                .map_err(system("the satellites' thread"))?
        };
        warn_of_volumes(&installation.rig);
        let controls = control::open_all(&installation.rig, &shared);
        super::talk::keep_scenes(&shared, &start.paths);
        let commands = super::talk::serve(state.folder(), &shared, &network, rate, &start.paths, &teacher, &hints);
        let mut daemon = Self {
            commands,
            shared,
            clock,
            counts,
            rate,
            drivers: Arc::new(Mutex::new(Some(drivers))),
            satellites: Arc::new(Mutex::new(Some(satellites))),
            controls: Arc::new(Mutex::new(controls)),
            network,
            desk: Some(desk),
            reloader: None,
            hints,
            _watch: None,
            state,
        };
        daemon.watch_files(start, loaded, installation)?;
        Ok(daemon)
    }

    /// Asks for the files to be read again.
    #[must_use]
    pub fn hints(&self) -> Arc<Hints> {
        Arc::clone(&self.hints)
    }

    /// Where OSC is listened for; nothing while the address cannot be bound.
    #[must_use]
    pub fn osc_address(&self) -> Option<std::net::SocketAddr> {
        self.network.local_addr()
    }

    /// The network, for whoever shows its meters and counts.
    #[must_use]
    pub fn network(&self) -> &Arc<Network> {
        &self.network
    }

    /// What the desk is doing.
    #[must_use]
    pub fn shared(&self) -> &Arc<DeskShared> {
        &self.shared
    }

    /// What the drivers have counted.
    #[must_use]
    pub fn counts(&self) -> &Arc<DriverCounts> {
        &self.counts
    }

    /// The frame that is being made, or nothing before the first.
    #[must_use]
    pub fn frame(&self) -> Option<u64> {
        self.clock.read().map(|moment| moment.frame)
    }

    /// The desk's rate.
    #[must_use]
    pub const fn rate(&self) -> SampleRate {
        self.rate
    }

    /// Waits until blocks are being made.
    #[must_use]
    pub fn wait_for_first_block(&self, timeout: Duration) -> bool {
        let until = Instant::now() + timeout;
        while self.frame().is_none() {
            if Instant::now() >= until {
                return false;
            }
            std::thread::sleep(Duration::from_millis(2));
        }
        true
    }

    fn watch_files(&mut self, start: &Start, loaded: Loaded, installation: Installation) -> Result<(), StartError> {
        let files = start.paths.all();
        if !files.is_empty() {
            let hints = Arc::clone(&self.hints);
            let watch = files_watch::watch(&files, move || hints.reload()).map_err(system(log::WATCHING_FILES))?;
            self._watch = Some(watch);
        }
        let reloader = Reloader {
            paths: start.paths.clone(),
            in_force: loaded.texts,
            installation,
            rate: self.rate,
            shared: Arc::clone(&self.shared),
            drivers: Arc::clone(&self.drivers),
            satellites: Arc::clone(&self.satellites),
            controls: Arc::clone(&self.controls),
            network: Arc::clone(&self.network),
            hints: Arc::clone(&self.hints),
            folder: self.state.folder().to_owned(),
            revision: 1,
        };
        let thread = std::thread::Builder::new().name("reload".into()).spawn(move || reloader.run());
        self.reloader = Some(thread.map_err(system(log::RELOAD_THREAD))?);
        Ok(())
    }

    /// Fades the outputs, stops every thread, and leaves the state as one that ended as asked. Says whether
    /// everything ended in time.
    pub fn stop(mut self) -> bool {
        self.shared.inbox.push(DAEMON_LANE, Item::event(Event::FadeOut));
        // A block may have begun before the ramp was taken in, and another waits in the device.
        let block = self.drivers.lock().unwrap_or_else(PoisonError::into_inner).as_ref().map(Drivers::block_time);
        std::thread::sleep(FADE + 2 * block.unwrap_or_default());
        drop(self.commands.take());
        self.hints.stop();
        let mut in_time = self.reloader.take().is_none_or(|thread| join_until(thread, STOP_DEADLINE));
        self.controls.lock().unwrap_or_else(PoisonError::into_inner).clear();
        let drivers = self.drivers.lock().unwrap_or_else(PoisonError::into_inner).take();
        in_time &= drivers.is_none_or(|drivers| drivers.stop(STOP_DEADLINE));
        let satellites = self.satellites.lock().unwrap_or_else(PoisonError::into_inner).take();
        in_time &= satellites.is_none_or(|satellites| satellites.stop(STOP_DEADLINE));
        self.shared.stop.store(true, Ordering::Release);
        self.shared.inbox.nudge();
        in_time &= self.desk.take().is_none_or(|thread| join_until(thread, STOP_DEADLINE));
        self.state.end();
        let count = |counter: &std::sync::atomic::AtomicU64| counter.load(Ordering::Relaxed);
        let times = &self.counts.times;
        let made = [
            count(&self.counts.device_blocks),
            count(&self.counts.late_blocks),
            times.longest() / 1000,
            count(&self.counts.silent_blocks),
            count(&self.counts.refused_blocks),
            count(&self.counts.xruns),
        ];
        tracing::info!("{}", log::blocks_made(made));
        let within = [50_000, 99_000, 99_900, 99_990].map(|of| times.within(of) / 1000);
        tracing::info!("{}", log::blocks_timed(times.blocks(), within, count(&self.counts.begun_late)));
        in_time
    }
}

/// Says which volumes of a sound server that the rig uses are not at unity. Asking may take as long as it likes.
fn warn_of_volumes(rig: &Rig) {
    let asks = |device: &Device| match device.host {
        Host::PipeWire | Host::PulseAudio => true,
        Host::Jack => device.identity.is_empty(),
        Host::Alsa | Host::Application => false,
    };
    if !rig.devices.iter().any(asks) {
        return;
    }
    let ask = || volumes_not_at_unity().iter().for_each(|volume| tracing::warn!("{volume}"));
    // Without a thread nobody is told, which is all that is lost.
    drop(std::thread::Builder::new().name("volumes".into()).spawn(ask));
}

/// What people are told when the start fell back on what was accepted before.
fn fell_back() -> Wrong {
    wrong::fell_back().into()
}

/// A line of the journal from before the first frame.
fn line(what: What) -> Line {
    Line { at: At::Frame(Frames(0)), sequence: None, from: None, what }
}

/// The mix of before, if it belongs to this profile.
fn restore(desk: &mut Desk, state: &State, before: Before, writer: &Writer, loaded: &Loaded) {
    let (name, texts) = (desk.profile_name().to_owned(), Box::new(loaded.texts.clone()));
    writer.write(line(What::Profile { name, texts, reread: false }));
    let Some((profile, values)) = state.kept_mix() else { return };
    if profile != desk.profile_name() {
        tracing::info!("{}", log::mix_of_another(&profile));
        return;
    }
    let event = Event::Restore { values, microphones_open: before.microphones_open() };
    if let Some(what) = What::of(&event, &Ports::of(desk.rig())) {
        writer.write(line(what));
    }
    let effects = desk.handle(Frames(0), event);
    for note in effects.notes {
        tracing::info!("{note}");
        writer.write(line(What::Note(note)));
    }
    tracing::info!("{}", log::mix_as_before(before.crashed));
}

#[expect(clippy::too_many_arguments, reason = "this is where the parts meet")]
fn start_network(
    handle: &tokio::runtime::Handle,
    installation: &Installation,
    rate: SampleRate,
    teacher: &Arc<Teacher>,
    shared: &Arc<DeskShared>,
    clock: &Arc<Clock>,
    mut meters: MeterEnd,
    meter_table: watch::Receiver<Arc<MeterTable>>,
    hints: &Arc<Hints>,
) -> Arc<Network> {
    let (clock, hints) = (Arc::clone(clock), Arc::clone(hints));
    let reload = Arc::new(Notify::new());
    let asked = Arc::clone(&reload);
    handle.spawn(async move {
        loop {
            asked.notified().await;
            hints.reload();
        }
    });
    let setup = NetworkSetup {
        rig: installation.rig.clone(),
        panel: installation.panel.clone(),
        rate,
        inbox: Arc::clone(&shared.inbox),
        meters: Box::new(move |each| {
            meters.read(each);
        }),
        meter_table,
        now: Arc::new(move || clock.frame_at(nanos())),
        nodes: Arc::clone(&shared.nodes),
        reload,
        teacher: Some(Arc::clone(teacher)),
    };
    Arc::new(network::start(handle, setup))
}

/// Whether promise 5 lets open microphones come back open with a device that was away for so long. `now` is on the clock of
/// the process, in ns.
#[must_use]
pub fn microphones_come_back(shown: &Shown, now: u64, away: Duration) -> bool {
    let idle = Duration::from_nanos(now.saturating_sub(shown.last_hand));
    let attended = shown.microphones_open || (shown.last_hand > 0 && idle < ATTENDED);
    attended && away < COMES_BACK
}

/// The driver's watch says something: the desk hears of devices, people read the rest.
fn hear_driver(shared: &DeskShared, network: &Network, notice: DriverNotice) {
    match notice {
        DriverNotice::Away { device, why } => {
            tracing::error!("{}", log::goes_on_without(&device, &why));
            network.note_device_late(&device, None);
            shared.inbox.push(DAEMON_LANE, Item::event(Event::DeviceAway { device }));
        }
        DriverNotice::Back { device, format, away, first } => {
            let audio::Format { rate, period_frames, inputs, outputs } = format;
            tracing::info!("{}", log::device_there(&device, rate.hz(), period_frames, inputs, outputs));
            if first {
                tracing::debug!("{}", log::first_seen(&device, away.as_millis()));
            }
            let microphones_open = microphones_come_back(&shared.shown(), nanos(), away);
            shared.inbox.push(DAEMON_LANE, Item::event(Event::DeviceBack { device, microphones_open }));
        }
        DriverNotice::Late { device, ms } => network.note_device_late(&device, Some(ms)),
        DriverNotice::Jump { from, to } => {
            tracing::error!("{}", log::frames_left_out(to - from));
            let ask = Ask::Note(What::Jump { from: Frames(from), to: Frames(to) });
            shared.inbox.push(DAEMON_LANE, Item { ask, origin: Origin::Nobody, due: Frames(0) });
        }
        DriverNotice::Note(text) => tracing::info!("{text}"),
        DriverNotice::Warning(text) => tracing::warn!("{text}"),
    }
}

/// Reads the files again when something hints that they changed.
struct Reloader {
    paths: Paths,
    in_force: crate::profile::Texts,
    installation: Installation,
    rate: SampleRate,
    shared: Arc<DeskShared>,
    drivers: Arc<Mutex<Option<Drivers>>>,
    satellites: Arc<Mutex<Option<Satellites>>>,
    controls: Arc<Mutex<Vec<OpenControl>>>,
    network: Arc<Network>,
    hints: Arc<Hints>,
    folder: PathBuf,
    revision: u64,
}

impl Reloader {
    fn run(mut self) {
        while self.hints.wait() {
            tell(service::reloading());
            let outcome = self.reload();
            let status = match &outcome {
                Ok(changed) => {
                    let text = log::in_force(self.revision);
                    self.shared.note_wrong("files", None);
                    self.shared.revision.store(self.revision, Ordering::Relaxed);
                    let outcome = if *changed { log::TAKEN } else { log::NOTHING_CHANGED };
                    if *changed {
                        tracing::info!("{text}");
                    } else {
                        tracing::info!("{}", log::nothing_changed(self.revision));
                    }
                    self.network.tell_revision(self.revision, outcome);
                    text
                }
                Err(text) => {
                    tracing::error!("{text}");
                    let status = status_of_refusal(text);
                    self.shared.note_wrong(
                        "files",
                        Some(wrong::files_refused(text.lines().next().unwrap_or_default(), self.revision).into()),
                    );
                    self.network.tell_revision(self.revision, &status);
                    status
                }
            };
            self.hints.done();
            tell(service::status(&status));
            tell(service::ready());
        }
    }

    /// Whether another revision is in force now, or why the old one stays.
    fn reload(&mut self) -> Result<bool, String> {
        let stays = |why: String| log::stays_in_force(&why, self.revision);
        let loaded = self.paths.load().map_err(stays)?;
        if loaded.texts == self.in_force {
            return Ok(false);
        }
        let Some(installation) = loaded.installation else {
            let rendered: Vec<String> = loaded.diagnostics.iter().map(ToString::to_string).collect();
            return Err(log::refused(&rendered.join("\n"), &count(&loaded.diagnostics), self.revision));
        };
        if installation.rig.rate.is_some_and(|rate| rate != self.rate) {
            return Err(log::another_rate(self.rate.hz(), self.revision));
        }
        if installation.rig.control_ports.len() > CONTROL_PORTS {
            return Err(stays(log::too_many_ports(CONTROL_PORTS)));
        }
        self.apply(installation, loaded.texts);
        self.revision += 1;
        Ok(true)
    }

    fn apply(&mut self, installation: Installation, texts: crate::profile::Texts) {
        // The same profile, edited, moves only what its text changed; another one sets everything.
        let reread = installation.profile.name == self.installation.profile.name;
        let old = std::mem::replace(&mut self.installation, installation.clone());
        let mut controls = self.controls.lock().unwrap_or_else(PoisonError::into_inner);
        let reopened = old.rig.control_ports != installation.rig.control_ports;
        if reopened {
            controls.clear();
        }
        self.shared.nodes.configure(&installation.rig, &installation.panel);
        if reopened {
            *controls = control::open_all(&installation.rig, &self.shared);
        }
        drop(controls);
        self.network.update(&installation.rig, &installation.panel);
        self.in_force = texts.clone();
        let (taken, in_force) = mpsc::sync_channel(1);
        let ask = Ask::Install { installation: Box::new(installation), texts: Box::new(texts), reread, taken };
        // The desk first: it counts a new device as away until the watch says that it is there.
        self.shared.inbox.push(DAEMON_LANE, Item { ask, origin: Origin::Nobody, due: Frames(0) });
        let device = |rig: &Rig| wiring::driving(rig).cloned();
        if device(&old.rig) != device(&self.installation.rig)
            && let Some(drivers) = &*self.drivers.lock().unwrap_or_else(PoisonError::into_inner)
        {
            drivers.change_device(device(&self.installation.rig));
        }
        if let Some(satellites) = &*self.satellites.lock().unwrap_or_else(PoisonError::into_inner) {
            satellites.update(&self.installation.rig);
        }
        self.paths.keep_accepted(&self.folder, &self.in_force);
        // Nobody hears of a revision before the desk has it. One that stops takes none.
        in_force.recv_timeout(TAKEN).ok();
    }
}

/// A service manager that does not listen is none of our business.
fn tell(result: std::io::Result<()>) {
    if let Err(error) = result {
        tracing::debug!("{}", log::manager_not_told(error));
    }
}

/// Feeds the service manager's watchdog for as long as blocks advance; on a thread of its own until `stop`.
pub fn feed_watchdog(daemon: &Daemon, stop: Arc<AtomicBool>) -> Option<JoinHandle<()>> {
    let interval = service::watchdog_interval()?;
    let clock = Arc::clone(&daemon.clock);
    let feed = || tell(service::watchdog());
    let watch = move || feed_while_blocks_advance(&clock, &stop, feed, || std::thread::park_timeout(interval));
    std::thread::Builder::new().name("watchdog".into()).spawn(watch).ok()
}

fn feed_while_blocks_advance(clock: &Clock, stop: &AtomicBool, feed: impl Fn(), mut wait: impl FnMut()) {
    let mut last = None;
    while !stop.load(Ordering::Acquire) {
        let frame = clock.read().map(|moment| moment.frame);
        if frame != last {
            feed();
        }
        last = frame;
        wait();
    }
}

/// One line: what stays in force, and the first reason.
fn status_of_refusal(text: &str) -> String {
    let mut lines = text.lines();
    let first = lines.next().unwrap_or_default();
    lines.next_back().map_or_else(|| first.to_owned(), |last| format!("{last}: {first}"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::cell::Cell;

    #[test]
    fn the_watchdog_is_fed_only_while_blocks_advance() {
        let (clock, stop, fed) = (Clock::new(SampleRate::HZ_48000), AtomicBool::new(false), Cell::new(0));
        let (mut frame, mut fed_by_then) = (0, Vec::new());
        // Whether a block was made before each look, after the first look at a clock that has not begun.
        let mut blocks = [true, true, false, false, true, false].into_iter();
        feed_while_blocks_advance(
            &clock,
            &stop,
            || fed.set(fed.get() + 1),
            || {
                fed_by_then.push(fed.get());
                match blocks.next() {
                    Some(true) => {
                        clock.publish(frame, nanos(), 64);
                        frame += 64;
                    }
                    Some(false) => {}
                    None => stop.store(true, Ordering::Release),
                }
            },
        );
        assert_eq!(fed_by_then, [0, 1, 2, 2, 2, 3, 3]);
    }

    #[test]
    fn the_status_of_a_refusal_is_one_line_with_the_reason() {
        let text = "show.toml:3:1: error[P01]: no such key\n  3 | pann\nrefused (1 error); revision 2 stays in force";
        let status = "refused (1 error); revision 2 stays in force: show.toml:3:1: error[P01]: no such key";
        assert_eq!(status_of_refusal(text), status);
        assert_eq!(status_of_refusal("another rate"), "another rate");
    }
}
