//! A JACK server (or PipeWire's JACK library) as an audio device: one client, inputs and outputs in one callback.
//!
//! Nothing is added between the input and the output of a period. The server is chosen by name and never started by us.
//! Period and rate are the server's. Ports are `longthrow:in-1` .. and `longthrow:out-1` ..; those that the rig names are
//! linked to them whenever they appear, and a link that somebody takes away by hand stays away.

use super::audio::{BlockSink, BlockTime, DeviceNotice, Format, Listed, MAX_CHANNELS, OpenDevice, OpenError};
use super::clock;
use super::jack_server::{self, Closing, Lease, Notices, Notified, ServerClient, ServerError};
use super::notices::{Board, Keeper, Outbox};
use crate::engine::limits::TICK;
use crate::engine::wires::{Wires, copy_what_exists, write_what_exists};
use crate::profile::{Device, Host};
use crate::units::SampleRate;
use jack::{
    AsyncClient, AudioIn, AudioOut, Client, Control, Error, Frames, LatencyType, Port, PortFlags, ProcessScope,
};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicI64, AtomicU32, Ordering::Relaxed};
use std::sync::mpsc::SyncSender;

/// What other JACK clients see us as.
const CLIENT: &str = "longthrow";
const REASONS: &[&str] = &["the JACK server has ended, or has thrown us out"];
/// While a link is missing it is tried every so many looks, so once a second.
const LOOKS_BETWEEN_TRIES: u32 = 50;

type Running = AsyncClient<Notified<Listener>, Process>;

/// Opens the client; see [`super::audio::open`].
pub(super) fn open(
    device: &Device,
    rate: Option<SampleRate>,
    sink: Box<dyn BlockSink>,
    notices: SyncSender<DeviceNotice>,
) -> Result<Box<dyn OpenDevice>, OpenError> {
    let ServerClient { client, lease } =
        jack_server::open(CLIENT, &device.identity).map_err(|error| no_client(&device.identity, error))?;
    let server_rate = SampleRate::try_new(client.sample_rate())
        .map_err(|error| OpenError::Refused(format!("the rate of the JACK server, {error}")))?;
    if let Some(rate) = rate.filter(|rate| !server_rate.is_nominally(*rate)) {
        return Err(OpenError::Refused(format!(
            "the JACK server runs at {} Hz, not at {} Hz; restart it at that rate, or change `rate` in the rig",
            server_rate.hz(),
            rate.hz()
        )));
    }
    let (inputs, outputs) = (usize::from(device.inputs), usize::from(device.outputs));
    let mut links = Vec::new();
    let process = Process {
        inputs: (0..inputs)
            .map(|channel| {
                let port = client.register_port(&format!("in-{}", channel + 1), AudioIn::default())?;
                if let Some(theirs) = device.link_inputs.get(channel).filter(|theirs| !theirs.is_empty()) {
                    links.push(Link::new(theirs, theirs.clone(), port.name()?.to_owned()));
                }
                Ok(port)
            })
            .collect::<Result<_, Error>>()
            .map_err(|error| what_next(&error))?,
        outputs: (0..outputs)
            .map(|channel| {
                let port = client.register_port(&format!("out-{}", channel + 1), AudioOut::default())?;
                if let Some(theirs) = device.link_outputs.get(channel).filter(|theirs| !theirs.is_empty()) {
                    links.push(Link::new(theirs, port.name()?.to_owned(), theirs.clone()));
                }
                Ok(port)
            })
            .collect::<Result<_, Error>>()
            .map_err(|error| what_next(&error))?,
        sink,
        board: Arc::default(),
        next_frame: None,
        clocks_apart: Arc::new(AtomicI64::new(UNKNOWN)),
    };
    let clocks_apart = Arc::clone(&process.clocks_apart);
    let board = Arc::clone(&process.board);
    board.period.store(client.buffer_size(), Relaxed);
    board.rate.store(server_rate.hz(), Relaxed);
    let first_input = process.inputs.first().and_then(|port| port.name().ok());
    let first_output = process.outputs.first().and_then(|port| port.name().ok());
    let graph = Arc::new(AtomicBool::new(true));
    let latency = Arc::new((AtomicU32::new(0), AtomicU32::new(0)));
    let mut outbox = Outbox::new(Arc::clone(&board), notices, REASONS);

    let closing = lease.closing();
    let listener = Listener { board: Arc::clone(&board), graph: Arc::clone(&graph), _lease: lease };
    let running: Running = client.activate_async(Notified(listener), process).map_err(|error| what_next(&error))?;
    let kept_latency = Arc::clone(&latency);
    let mut looks = 0_u32;
    let keeper = Keeper::start("jack device", move || {
        outbox.look();
        looks = looks.wrapping_add(1);
        if let Some(apart) = compare_clocks(running.as_client()) {
            clocks_apart.store(apart, Relaxed);
        }
        let changed = graph.swap(false, Relaxed);
        if changed || looks.is_multiple_of(LOOKS_BETWEEN_TRIES) {
            let client = running.as_client();
            for link in &mut links {
                link.tend(client, &outbox);
            }
            let of = |name: &Option<String>, kind| {
                let port = name.as_deref().and_then(|name| client.port_by_name(name));
                port.map_or(0, |port| port.get_latency_range(kind).1)
            };
            kept_latency.0.store(of(&first_input, LatencyType::Capture), Relaxed);
            kept_latency.1.store(of(&first_output, LatencyType::Playback), Relaxed);
        }
    })
    .map_err(|error| OpenError::WaitAndRetry(format!("no thread for the JACK client: {error}")))?;
    Ok(Box::new(Opened { closing, board, latency, inputs, outputs, _keeper: keeper }))
}

/// The default server (`JACK_DEFAULT_SERVER`), when it runs. Servers of other names cannot be found, only opened.
pub(super) fn list() -> Vec<Listed> {
    let Ok(ServerClient { client, lease }) = jack_server::open("longthrow-list", "") else { return Vec::new() };
    let count = |flags| {
        let ports = client.ports(None, Some("32 bit float mono audio"), flags | PortFlags::IS_PHYSICAL);
        u16::try_from(ports.len()).unwrap_or(u16::MAX)
    };
    let listed = Listed {
        host: Host::Jack,
        identity: String::new(),
        description: format!("JACK server, {} frames a period", client.buffer_size()),
        inputs: count(PortFlags::IS_OUTPUT),
        outputs: count(PortFlags::IS_INPUT),
        rates: vec![client.sample_rate()],
    };
    drop(client);
    drop(lease);
    vec![listed]
}

/// Whether a server of this name runs.
pub(super) fn is_there(server: &str) -> bool {
    let Ok(ServerClient { client, lease }) = jack_server::open("longthrow-list", server) else { return false };
    drop(client);
    drop(lease);
    true
}

/// Names of the hardware ports of the default server that give sound and that take it; empty when it does not run.
pub fn hardware_ports() -> [Vec<String>; 2] {
    let Ok(ServerClient { client, lease }) = jack_server::open("longthrow-list", "") else { return Default::default() };
    let names = |flags| client.ports(None, Some("32 bit float mono audio"), flags | PortFlags::IS_PHYSICAL);
    let found = [names(PortFlags::IS_OUTPUT), names(PortFlags::IS_INPUT)];
    drop(client);
    drop(lease);
    found
}

fn no_client(server: &str, error: ServerError) -> OpenError {
    let server = if server.is_empty() { "the default JACK server".into() } else { format!("JACK server {server:?}") };
    match error {
        ServerError::NoLibrary(why) => OpenError::NotThere(format!("the JACK library is not installed: {why}")),
        ServerError::NoAnswer(status) => OpenError::NotThere(format!("{server} does not answer ({status:?})")),
        ServerError::StillClosing => {
            OpenError::WaitAndRetry("our last client on the JACK server is still being closed".into())
        }
        ServerError::OtherServerInUse(name) => OpenError::WaitAndRetry(format!(
            "one JACK server at a time can be used, and {name:?} still is; name one server in the rig"
        )),
    }
}

fn what_next(error: &Error) -> OpenError {
    match error {
        Error::PortRegistrationError(port) => OpenError::Refused(format!(
            "the JACK server has no room for port {port}; start it with a larger port limit"
        )),
        other => OpenError::WaitAndRetry(format!("the JACK server: {other}")),
    }
}

/// A connection that the rig asks for.
#[derive(Debug)]
struct Link {
    theirs: String,
    source: String,
    destination: String,
    made: bool,
    told_missing: bool,
}

impl Link {
    fn new(theirs: &str, source: String, destination: String) -> Self {
        Self { theirs: theirs.to_owned(), source, destination, made: false, told_missing: false }
    }

    /// Links once for every appearance of their port.
    fn tend(&mut self, client: &Client, outbox: &Outbox) {
        if client.port_by_name(&self.theirs).is_none() {
            self.made = false;
        } else if !self.made {
            self.made = matches!(
                client.connect_ports_by_name(&self.source, &self.destination),
                Ok(()) | Err(Error::PortAlreadyConnected(..))
            );
            if self.made {
                let _told_or_the_box_is_full = outbox.send(DeviceNotice::Linked(self.theirs.clone()));
                self.told_missing = false;
            }
        }
        if !self.made && !self.told_missing {
            self.told_missing = outbox.send(DeviceNotice::LinkMissing(self.theirs.clone()));
        }
    }
}

/// Takes notifications of the client; nothing here waits.
#[derive(Debug)]
struct Listener {
    board: Arc<Board>,
    graph: Arc<AtomicBool>,
    /// Dropped after the client.
    _lease: Lease,
}

impl Notices for Listener {
    fn gone(&self) {
        self.board.gone(0);
    }

    fn xrun(&self) {
        self.board.xrun();
    }

    fn rate(&self, hz: u32) {
        self.board.rate.store(hz, Relaxed);
    }

    fn graph(&self) {
        self.graph.store(true, Relaxed);
    }
}

struct Process {
    inputs: Vec<Port<AudioIn>>,
    outputs: Vec<Port<AudioOut>>,
    sink: Box<dyn BlockSink>,
    board: Arc<Board>,
    /// Where the next block begins on the server's count, once a block was seen.
    next_frame: Option<Frames>,
    /// How far our clock is ahead of the server's, ns, or [`UNKNOWN`]; written by the keeper.
    clocks_apart: Arc<AtomicI64>,
}

impl jack::ProcessHandler for Process {
    #[cfg_attr(feature = "realtime-check", rtsan_standalone::nonblocking)]
    fn process(&mut self, _: &Client, scope: &ProcessScope) -> Control {
        let nanos = clock::nanos();
        let frame = scope.last_frame_time();
        // The server's count wraps at 2^32; what looks like a step back is a server that counts anew.
        let missed = self.next_frame.map_or(0, |next| frame.wrapping_sub(next));
        let missed_frames = if missed > Frames::MAX / 2 { 0 } else { missed };
        self.next_frame = Some(frame.wrapping_add(scope.n_frames()));
        self.board.period.store(scope.n_frames(), Relaxed);

        // The buffers are asked for once: every asking mixes anew what is connected to an input.
        let mut wires = JackWires {
            frames: scope.n_frames() as usize,
            input_count: self.inputs.len(),
            output_count: self.outputs.len(),
            inputs: [&[]; MAX_CHANNELS],
            outputs: std::array::from_fn(|_| Default::default()),
        };
        for (wire, port) in wires.inputs.iter_mut().zip(&self.inputs) {
            *wire = port.as_slice(scope);
        }
        for (wire, port) in wires.outputs.iter_mut().zip(&mut self.outputs) {
            *wire = port.as_mut_slice(scope);
            wire.fill(0.0);
        }
        let cycle = cycle(scope, self.clocks_apart.load(Relaxed));
        self.sink.block(&mut wires, BlockTime { nanos, missed_frames, cycle });
        Control::Continue
    }

    fn buffer_size(&mut self, _: &Client, frames: Frames) -> Control {
        self.board.period.store(frames, Relaxed);
        Control::Continue
    }
}

/// The clocks were not compared yet.
const UNKNOWN: i64 = i64::MIN;
/// Whoever compares them was interrupted when reading both took longer than this, ns.
const COMPARED_WITHIN: u64 = 20_000;

/// How far our clock is ahead of the server's, ns. A server may count by a clock that nobody slews (`CLOCK_MONOTONIC_RAW`), so
/// this is asked again and again.
fn compare_clocks(client: &Client) -> Option<i64> {
    let before = clock::nanos();
    let theirs = client.time();
    let took = clock::nanos().saturating_sub(before);
    let middle = i64::try_from(before + took / 2).ok()?;
    let theirs = i64::try_from(theirs.checked_mul(1_000)?).ok()?;
    (took < COMPARED_WITHIN).then_some(middle - theirs)
}

/// When the server's period began and when it ends, on our clock.
fn cycle(scope: &ProcessScope, clocks_apart: i64) -> Option<(u64, u64)> {
    let times = scope.cycle_times().ok().filter(|_| clocks_apart != UNKNOWN)?;
    let on_ours = |usecs: u64| usecs.checked_mul(1_000)?.checked_add_signed(clocks_apart);
    Some((on_ours(times.current_usecs)?, on_ours(times.next_usecs)?))
}

/// The buffers of one period, on the stack.
struct JackWires<'a> {
    frames: usize,
    input_count: usize,
    output_count: usize,
    inputs: [&'a [f32]; MAX_CHANNELS],
    outputs: [&'a mut [f32]; MAX_CHANNELS],
}

impl Wires for JackWires<'_> {
    fn frames(&self) -> usize {
        self.frames
    }

    fn inputs(&self) -> usize {
        self.input_count
    }

    fn outputs(&self) -> usize {
        self.output_count
    }

    fn read(&mut self, channel: usize, offset: usize, into: &mut [f32]) {
        copy_what_exists(self.inputs.get(channel).copied().unwrap_or(&[]), offset, into);
    }

    fn in_place(&self) -> bool {
        true
    }

    fn tick(&self, channel: usize, offset: usize) -> Option<&[f32; TICK]> {
        self.inputs.get(channel)?.get(offset..)?.first_chunk()
    }

    fn write(&mut self, channel: usize, offset: usize, from: &[f32]) {
        if let Some(output) = self.outputs.get_mut(channel) {
            write_what_exists(output, offset, from);
        }
    }
}

struct Opened {
    closing: Closing,
    board: Arc<Board>,
    /// Of the first input and the first output.
    latency: Arc<(AtomicU32, AtomicU32)>,
    inputs: usize,
    outputs: usize,
    _keeper: Keeper,
}

impl Drop for Opened {
    fn drop(&mut self) {
        self.closing.begin();
    }
}

impl OpenDevice for Opened {
    fn format(&self) -> Format {
        Format {
            rate: SampleRate::try_new(self.board.rate.load(Relaxed)).unwrap_or(SampleRate::HZ_48000),
            period_frames: self.board.period.load(Relaxed),
            inputs: self.inputs,
            outputs: self.outputs,
        }
    }

    fn latency_frames(&self) -> (u32, u32) {
        (self.latency.0.load(Relaxed), self.latency.1.load(Relaxed))
    }
}
