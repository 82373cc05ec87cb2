//! A device on a clock of its own, against real servers: the master on a JACK server at 48,000 Hz in this process, the other
//! device on one at 48,005 Hz through a satellite, so that the true drift is 5 / 48,000 = 104.17 ppm.
//!
//! A sine goes each way: from a client on the second server through the bridge to the master's output, and from the engine
//! through the other bridge to the second server. Both are listened to for clicks (what a filter that removes the sine
//! leaves) and for dips of its level. `LONGTHROW_PROOF=1` listens for ten minutes.
#![allow(clippy::print_stdout, reason = "tests say what they measured")]

mod support;

use jack::{AudioIn, AudioOut, Client, Control, Port, ProcessScope};
use longthrow::daemon::drivers::{DriverCounts, DriverNotice, Drivers};
use longthrow::daemon::feeds;
use longthrow::daemon::satellite::{Satellites, Settings, Status};
use longthrow::desk::{Desk, Event, ToEngine, engine_settings};
use longthrow::dsp::lanes::{Form, Vectors};
use longthrow::engine::{Engine, Feed};
use longthrow::handoff::{Clock, Console, crossing};
use longthrow::params::{Address, Value};
use longthrow::ports::audio;
use longthrow::ports::clock::nanos;
use longthrow::ports::jack_server::{self, Lease, Notices, Notified, ServerClient};
use longthrow::profile::{
    Bus, Channel, Device, Host, Id, Input, InputFrom, InputKind, Installation, Network, Output, OutputKind, Panel,
    Profile, Rig, Signal,
};
use longthrow::units::{Decibels, Frames, SampleRate};
use rtrb::{Consumer, Producer, RingBuffer};
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Read};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};
use support::jackd::Jackd;
use support::{inside, signal, wait_until, wait_until_within};

const RATE: SampleRate = SampleRate::HZ_48000;
const HERTZ: f64 = 997.0;
const PEAK: f64 = 0.25;
const TRUE_DRIFT_PPM: f64 = 5.0 / 48_000.0 * 1e6;

// ---- listening ----

/// What was wrong with a sine, and when it was heard.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Fault {
    /// What is left once the sine is taken away, against the sine's own largest second difference.
    Click(f64),
    /// The level, against the sine's.
    Dip(f64),
}

/// Listens to a sine of a known frequency and level.
struct Listener {
    last: [f64; 2],
    turn: f64,
    heard: u64,
    loudest_rest: f64,
    faults: Vec<(u64, Fault)>,
}

/// A step of 1 in the phase of a sine leaves up to 7 times its own second difference; a cross-fade of 10 ms between opposite
/// phases leaves 0.1; a drift of 300 ppm leaves 0.005.
const CLICK: f64 = 0.15;
const DIP: f64 = 0.05;
/// Faults of one kind this close to each other are one.
const ONE_FAULT_NANOS: u64 = 20_000_000;

impl Listener {
    fn new() -> Self {
        let turn = std::f64::consts::TAU * HERTZ / 48_000.0;
        Self { last: [0.0; 2], turn, heard: 0, loudest_rest: 0.0, faults: Vec::new() }
    }

    /// One sample, heard at this time.
    fn hear(&mut self, sample: f32, at: u64) {
        let (older, old, new) = (self.last[0], self.last[1], f64::from(sample));
        self.last = [old, new];
        self.heard += 1;
        if self.heard < 3 {
            return;
        }
        let own = PEAK * (2.0 - 2.0 * self.turn.cos());
        let rest = (new - 2.0 * self.turn.cos() * old + older).abs() / own;
        let quadrature = (new - older) / (2.0 * self.turn.sin());
        let level = (old * old + quadrature * quadrature).sqrt() / PEAK;
        self.loudest_rest = self.loudest_rest.max(rest);
        if rest > CLICK {
            self.note(at, Fault::Click(rest));
        } else if (level - 1.0).abs() > DIP {
            self.note(at, Fault::Dip(level));
        }
    }

    fn note(&mut self, at: u64, fault: Fault) {
        let same = |other: &Fault| {
            matches!((other, &fault), (Fault::Click(_), Fault::Click(_)) | (Fault::Dip(_), Fault::Dip(_)))
        };
        match self.faults.iter_mut().rev().find(|(_, other)| same(other)) {
            Some((when, _)) if at.saturating_sub(*when) < ONE_FAULT_NANOS => *when = at,
            _ => self.faults.push((at, fault)),
        }
    }
}

#[test]
fn the_listener_hears_a_click_and_a_dip_and_no_cross_fade() {
    let sine =
        |n: usize, phase: f64| PEAK * (std::f64::consts::TAU * HERTZ * 1.000_1 / 48_000.0 * n as f64 + phase).sin();
    let listen = |f: &dyn Fn(usize) -> f64| {
        let mut listener = Listener::new();
        (0..9_600).for_each(|n| listener.hear(f(n) as f32, n as u64 * 20_833));
        listener
    };
    let clean = listen(&|n| sine(n, 0.0));
    assert!(clean.faults.is_empty() && clean.loudest_rest < 0.005, "{:?} {}", clean.faults, clean.loudest_rest);
    let click = listen(&|n| if n < 4_800 { sine(n, 0.0) } else { sine(n, 0.05) });
    assert!(matches!(click.faults[..], [(_, Fault::Click(_))]), "{:?}", click.faults);
    let fade = listen(&|n| {
        let x = ((n as f64 - 4_800.0) / 480.0).clamp(0.0, 1.0);
        let weight = x * x * (3.0 - 2.0 * x);
        sine(n, 0.0) * (1.0 - weight) + sine(n, std::f64::consts::PI) * weight
    });
    assert!(matches!(fade.faults[..], [(_, Fault::Dip(_))]), "{:?} {}", fade.faults, fade.loudest_rest);
    let lost = listen(&|n| if (4_800..4_864).contains(&n) { 0.0 } else { sine(n, 0.0) });
    assert!(lost.faults.iter().any(|(_, fault)| matches!(fault, Fault::Click(_))), "{:?}", lost.faults);
}

// ---- a client that plays a sine and keeps what it hears ----

/// Times of the xruns that the server told this client of.
type Xruns = Arc<Mutex<Vec<u64>>>;

struct Told(Xruns);

impl Notices for Told {
    fn gone(&self) {}

    fn xrun(&self) {
        self.0.lock().expect("nobody panicked").push(nanos());
    }
}

struct Playing {
    out: Port<AudioOut>,
    ear: Port<AudioIn>,
    phase: f64,
    audio: Producer<f32>,
    blocks: Producer<(u64, usize)>,
    _lease: Lease,
}

impl jack::ProcessHandler for Playing {
    fn process(&mut self, _: &Client, scope: &ProcessScope) -> Control {
        let now = nanos();
        for sample in self.out.as_mut_slice(scope) {
            *sample = (PEAK * self.phase.sin()) as f32;
            self.phase = (self.phase + std::f64::consts::TAU * HERTZ / 48_000.0) % std::f64::consts::TAU;
        }
        let heard = self.ear.as_slice(scope);
        if self.audio.push_entire_slice(heard).is_ok() {
            self.blocks.push((now, heard.len())).expect("as many blocks fit as can be heard");
        }
        Control::Continue
    }
}

struct Ears {
    _client: jack::AsyncClient<Notified<Told>, Playing>,
    audio: Consumer<f32>,
    blocks: Consumer<(u64, usize)>,
    xruns: Xruns,
}

impl Ears {
    /// Ports `NAME:sine` and `NAME:ear`.
    fn start(name: &str, server: &str) -> Self {
        let ServerClient { client, lease } = jack_server::open(name, server).expect("the server runs");
        let out = client.register_port("sine", AudioOut::default()).expect("there is room for ports");
        let ear = client.register_port("ear", AudioIn::default()).expect("there is room for ports");
        let (audio_in, audio) = RingBuffer::new(480_000);
        let (blocks_in, blocks) = RingBuffer::new(480_000 / 16);
        let playing = Playing { out, ear, phase: 0.0, audio: audio_in, blocks: blocks_in, _lease: lease };
        let xruns = Xruns::default();
        let client = client.activate_async(Notified(Told(Arc::clone(&xruns))), playing).expect("it can be activated");
        Self { _client: client, audio, blocks, xruns }
    }

    /// Hands on all that was heard.
    fn hear(&mut self, mut each: impl FnMut(f32, u64)) {
        while let Ok((at, frames)) = self.blocks.pop() {
            let chunk = self.audio.read_chunk(frames).expect("samples come before their block");
            for (n, sample) in chunk.into_iter().enumerate() {
                each(sample, at + n as u64 * 20_833);
            }
        }
    }

    /// The peak of what is heard in the next tenth of a second.
    fn peak(&mut self) -> f32 {
        self.hear(|_, _| {});
        std::thread::sleep(Duration::from_millis(100));
        let mut peak = 0.0_f32;
        self.hear(|sample, _| peak = peak.max(sample.abs()));
        peak
    }
}

// ---- the partner on the second server, in a process of its own ----

/// Plays and listens on another server when it is told to, until its standard input ends.
#[test]
fn partner() {
    let Ok(server) = std::env::var("LONGTHROW_PARTNER") else { return };
    let mut ears = Ears::start("partner", &server);
    let begin: u64 = std::env::var("LONGTHROW_BEGIN").expect("told when to begin").parse().expect("a number");
    let end = Arc::new(std::sync::atomic::AtomicBool::new(false));
    let seen = Arc::clone(&end);
    std::thread::spawn(move || {
        std::io::stdin().read_to_end(&mut Vec::new()).expect("a pipe");
        seen.store(true, std::sync::atomic::Ordering::SeqCst);
    });
    println!("\npartner ready");
    let mut listener = Listener::new();
    let (mut told_xruns, mut told_peak) = (0, Instant::now());
    let mut peak = 0.0_f32;
    while !end.load(std::sync::atomic::Ordering::SeqCst) {
        ears.hear(|sample, at| {
            peak = peak.max(sample.abs());
            if at >= begin {
                listener.hear(sample, at);
            }
        });
        let xruns = ears.xruns.lock().expect("nobody panicked").clone();
        for at in &xruns[told_xruns..] {
            println!("xrun {at}");
        }
        told_xruns = xruns.len();
        if told_peak.elapsed() > Duration::from_millis(200) {
            println!("peak {peak}");
            (told_peak, peak) = (Instant::now(), 0.0);
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    for (at, fault) in &listener.faults {
        match fault {
            Fault::Click(rest) => println!("click {at} {rest}"),
            Fault::Dip(level) => println!("dip {at} {level}"),
        }
    }
    println!("rest {}", listener.loudest_rest);
    println!("heard {}", listener.heard);
}

/// What the partner has said.
#[derive(Clone, Debug, Default)]
struct Heard {
    ready: bool,
    xruns: Vec<u64>,
    peak: f32,
    faults: Vec<(u64, Fault)>,
    rest: f64,
    heard: u64,
}

struct Partner {
    child: Child,
    stdin: Option<ChildStdin>,
    heard: Arc<Mutex<Heard>>,
    reader: Option<std::thread::JoinHandle<()>>,
}

impl Partner {
    fn start(server: &str, begin: u64) -> Self {
        let mut command = Command::new(std::env::current_exe().expect("this binary has a path"));
        command.args(["--exact", "partner", "--nocapture", "--test-threads=1"]);
        command.env("LONGTHROW_PARTNER", server).env("LONGTHROW_BEGIN", begin.to_string());
        command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::null());
        let mut child = command.spawn().expect("this binary starts");
        let out = BufReader::new(child.stdout.take().expect("piped"));
        let heard = Arc::<Mutex<Heard>>::default();
        let write = Arc::clone(&heard);
        let reader = std::thread::spawn(move || {
            for line in out.lines().map_while(Result::ok) {
                let words: Vec<&str> = line.split(' ').collect();
                let number = |index: usize| words[index].parse::<f64>().expect("a number");
                let time = |index: usize| words[index].parse::<u64>().expect("a number");
                let mut heard = write.lock().expect("nobody panicked");
                match words[0] {
                    "partner" => heard.ready = true,
                    "xrun" => heard.xruns.push(time(1)),
                    "peak" => heard.peak = number(1) as f32,
                    "click" => heard.faults.push((time(1), Fault::Click(number(2)))),
                    "dip" => heard.faults.push((time(1), Fault::Dip(number(2)))),
                    "rest" => heard.rest = number(1),
                    "heard" => heard.heard = time(1),
                    _ => {}
                }
            }
        });
        let partner = Self { stdin: child.stdin.take(), child, heard, reader: Some(reader) };
        wait_until("the partner plays", || partner.heard().ready);
        partner
    }

    fn heard(&self) -> Heard {
        self.heard.lock().expect("nobody panicked").clone()
    }

    fn finish(mut self) -> Heard {
        self.stdin = None;
        self.child.wait().expect("it is our child");
        self.reader.take().expect("once").join().expect("it reads well");
        self.heard()
    }
}

impl Drop for Partner {
    fn drop(&mut self) {
        self.stdin = None;
        self.child.kill().and_then(|()| self.child.wait()).ok();
    }
}

// ---- a small desk ----

fn device(id: &str, server: &str, inputs: &[&str], outputs: &[&str]) -> Device {
    let names = |ports: &[&str]| ports.iter().map(|port| (*port).to_owned()).collect();
    let count = |ports: &[&str]| u16::try_from(ports.len()).expect("a few");
    Device {
        id: id.into(),
        host: Host::Jack,
        identity: server.into(),
        period_frames: None,
        inputs: count(inputs),
        outputs: count(outputs),
        link_inputs: names(inputs),
        link_outputs: names(outputs),
    }
}

/// The far device's input goes to the left of the programme, a generator to the right; both devices carry the programme.
fn installation(master: Device, far: Device) -> Installation {
    let output = |id: &str, device: &Device| Output {
        id: id.into(),
        kind: OutputKind::Feed,
        device: device.id.clone(),
        channels: vec![0, 1],
    };
    let outputs = vec![output("near-feed", &master), output("far-feed", &far)];
    let far_input = InputFrom::Device { device: far.id.clone(), channels: vec![0] };
    let level = Decibels::try_new((20.0 * PEAK.log10()) as f32).expect("in range");
    let tone = InputFrom::Generator { signal: Signal::Sine { hertz: HERTZ as f32 }, level };
    let input = |id: &str, from| Input { id: id.into(), kind: InputKind::Line, from };
    let rig = Rig {
        rate: Some(RATE),
        clock: None,
        inputs: vec![input("far", far_input), input("tone", tone)],
        devices: vec![master, far],
        outputs,
        contacts: vec![],
        console: longthrow::profile::RigConsole::default(),
        control_ports: vec![],
        network: Network {
            listen: "127.0.0.1:0".parse().expect("an address"),
            remotes: BTreeMap::new(),
            wired_control: vec![],
            followers: vec![],
        },
        storage: None,
        call: None,
    };
    let mut values = BTreeMap::new();
    for (channel, pan) in [("far", -1.0), ("tone", 1.0)] {
        let mut set = |path: &str, value: Value| {
            let address = Address::from_dotted(&format!("channel.{channel}.{path}")).expect("a path");
            let value = address.key.parameter().accept(&value).expect("accepted");
            values.insert(address, value);
        };
        set("source", Value::Word(channel.into()));
        set("switch", Value::Word("open".into()));
        set("fader", Value::Number(0.0));
        set("pan", Value::Number(pan));
        set("assign.programme", Value::Word("on".into()));
    }
    let channel = |id: &str| Channel { id: id.into(), was: None, label: String::new() };
    let bus = |id: &str| Bus { id: id.into(), was: None, label: String::new(), minus: None };
    let profile = Profile {
        name: "test".into(),
        channels: vec![channel("far"), channel("tone")],
        gain_groups: vec![],
        buses: vec![bus("programme"), bus("audition")],
        moves: vec![],
        console: longthrow::profile::ShowConsole::default(),
        values,
        scenes: vec![],
        scene_buttons: vec![],
    };
    Installation { rig, panel: Panel::default(), profile }
}

/// Tells the engine what the desk wants, until it wants no more.
fn set_up(mut desk: Desk, mut console: Console) {
    desk.handle(Frames(0), Event::Deadline);
    let mut waiting = 0;
    let mut settled = Instant::now();
    wait_until("the engine has what the desk wants", || {
        while let Some(what) = desk.take() {
            match what {
                ToEngine::Batch { sequence, commands } => assert!(console.send_batch(sequence, &commands)),
                ToEngine::Plan(mut send) => {
                    for (slot, spec) in send.wanted {
                        send.plan.feeds.push((slot, feeds::make(&spec, RATE, |_, _, _| Feed::Silent)));
                    }
                    console.send_plan(send.plan).expect("there is room");
                }
            }
            waiting += 1;
        }
        while let Some(echo) = console.echo() {
            desk.handle(Frames(echo.frame), Event::Echo { sequence: echo.sequence, frame: Frames(echo.frame) });
            waiting -= 1;
            settled = Instant::now();
        }
        waiting == 0 && settled.elapsed() > Duration::from_millis(100)
    });
}

/// A desk with its master in this process, and the other device through a satellite.
struct Rigged {
    satellites: Satellites,
    drivers: Drivers,
    clock: Arc<Clock>,
    notices: Arc<Mutex<Vec<DriverNotice>>>,
}

impl Rigged {
    fn start(installation: Installation) -> Self {
        let engine = Engine::new(engine_settings(RATE, Vectors::new(Form::widest()).expect("it is here")));
        let (console, _meters, mut seat) = crossing(engine);
        let links = seat.link_end();
        let clock = Arc::new(Clock::new(RATE));
        let notices = Arc::<Mutex<Vec<DriverNotice>>>::default();
        let note = |notices: &Arc<Mutex<Vec<DriverNotice>>>| {
            let notices = Arc::clone(notices);
            move |notice| notices.lock().expect("nobody panicked").push(notice)
        };
        let (rig, counts) = (installation.rig.clone(), Arc::<DriverCounts>::default());
        let drivers = Drivers::start(
            seat,
            Arc::clone(&clock),
            counts,
            RATE,
            rig.devices.first().cloned(),
            Arc::new(audio::open),
            note(&notices),
        )
        .expect("threads start");
        let settings = Settings { program: env!("CARGO_BIN_EXE_longthrow").into(), ..Settings::default() };
        let satellites = Satellites::start(&rig, RATE, links, settings, note(&notices)).expect("a thread starts");
        set_up(Desk::new(installation, RATE), console);
        Self { satellites, drivers, clock, notices }
    }

    /// How often each kind of notice was told of a device.
    fn told(&self, device: &str) -> (usize, usize) {
        let notices = self.notices.lock().expect("nobody panicked");
        let is = |id: &Id| &**id == device;
        let away = notices.iter().filter(|n| matches!(n, DriverNotice::Away { device, .. } if is(device))).count();
        let back = notices.iter().filter(|n| matches!(n, DriverNotice::Back { device, .. } if is(device))).count();
        (away, back)
    }

    fn far(&self) -> Status {
        self.satellites.status().into_iter().next().expect("one satellite")
    }

    fn frame(&self) -> u64 {
        self.clock.read().map_or(0, |moment| moment.frame)
    }

    fn stop(self) {
        let child = satellite_process();
        assert!(self.satellites.stop(Duration::from_secs(20)), "the satellites ended in time");
        if let Some(child) = child {
            assert!(!is_alive(child), "no process is left");
        }
        assert!(self.drivers.stop(Duration::from_secs(20)), "the drivers ended in time");
    }
}

/// The satellite among the children of this process.
fn satellite_process() -> Option<u32> {
    satellite_of(std::process::id())
}

fn satellite_of(parent: u32) -> Option<u32> {
    // Children are listed with the thread that started them.
    let threads = std::fs::read_dir(format!("/proc/{parent}/task")).ok()?;
    let threads = threads.filter_map(|thread| thread.ok()?.file_name().into_string().ok());
    let mut found = threads.flat_map(|thread| {
        let text = std::fs::read_to_string(format!("/proc/{parent}/task/{thread}/children")).unwrap_or_default();
        text.split_whitespace().filter_map(|id| id.parse().ok()).collect::<Vec<u32>>()
    });
    found.find(|id| {
        let line = std::fs::read(format!("/proc/{id}/cmdline")).unwrap_or_default();
        line.split(|byte| *byte == 0).nth(1) == Some(b"satellite")
    })
}

fn is_alive(process: u32) -> bool {
    let stat = std::fs::read_to_string(format!("/proc/{process}/stat")).unwrap_or_default();
    stat.rsplit(") ").next().is_some_and(|state| !state.is_empty() && !state.starts_with('Z'))
}

fn both_devices(near: &Jackd, far: &Jackd) -> Installation {
    let master = device("near", &near.name, &[], &["ears:ear", ""]);
    installation(master, device("far", &far.name, &["partner:sine"], &["", "partner:ear"]))
}

// ---- what must hold ----

/// Faults that are not within 50 ms of an xrun that a server reported. Xruns of the server that is bridged are heard later, by
/// the delay of the bridge.
fn unexcused(faults: &[(u64, Fault)], here: &[u64], there: &[u64], delay_nanos: u64) -> Vec<(u64, Fault)> {
    let near = |at: u64, xrun: u64| at.abs_diff(xrun) <= 50_000_000;
    let excused =
        |at: u64| here.iter().any(|xrun| near(at, *xrun)) || there.iter().any(|xrun| near(at, *xrun + delay_nanos));
    faults.iter().filter(|(at, _)| !excused(*at)).copied().collect()
}

fn clicks(faults: &[(u64, Fault)]) -> usize {
    faults.iter().filter(|(_, fault)| matches!(fault, Fault::Click(_))).count()
}

#[test]
fn a_device_on_another_clock_is_heard_without_a_click_and_its_drift_is_shown() {
    let Some(near) = Jackd::start(48_000, 256, 2) else { return };
    let far = near.start_beside(48_005, 256, 2);
    let proof = std::env::var_os("LONGTHROW_PROOF").is_some();
    let (settle, listen) = if proof { (10, 600) } else { (8, 32) };
    let begin = nanos() + settle * 1_000_000_000;
    let partner = Partner::start(&far.name, begin);
    let mut ears = Ears::start("ears", &near.name);
    let desk = Rigged::start(both_devices(&near, &far));
    wait_until("the far device is there", || desk.far().present);
    wait_until("the sine comes through", || ears.peak() > 0.9 * PEAK as f32);
    assert_eq!(desk.told("far"), (0, 1));

    let mut listener = Listener::new();
    // Of every look after the first minute, so in the proof only.
    let mut worst_ppm: Option<f64> = None;
    let mut before = None;
    let end = begin + listen * 1_000_000_000;
    while nanos() < end {
        ears.hear(|sample, at| {
            if at >= begin {
                listener.hear(sample, at);
            }
        });
        let status = desk.far();
        if nanos() > begin && before.is_none() {
            before = Some(status.clone());
        }
        if nanos() > begin + 50_000_000_000 {
            worst_ppm = Some(worst_ppm.unwrap_or(0.0).max((status.drift().0 - TRUE_DRIFT_PPM).abs()));
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    let status = desk.far();
    let before = before.expect("it began");
    let here = ears.xruns.lock().expect("nobody panicked").clone();
    let there = partner.finish();
    let (drift, locked) = status.drift();
    let delay = |frames: f64| ((frames + 256.0) / 48_000.0 * 1e9) as u64;
    let near_left = unexcused(&listener.faults, &here, &there.xruns, delay(status.incoming.target_frames));
    let far_left = unexcused(&there.faults, &there.xruns, &here, delay(status.outgoing.target_frames));
    println!(
        "drift {drift:.2} ppm in, {:.2} ppm out, true {TRUE_DRIFT_PPM:.2}; worst error after 60 s {worst_ppm:.2?} ppm",
        -status.outgoing.drift_ppm
    );
    println!(
        "xruns: {} near, {} far; longest way of a block {:.1} ms",
        here.len(),
        there.xruns.len(),
        status.longest_way_ms
    );
    for (name, now, before, faults, left, rest, heard) in [
        ("in", status.incoming, before.incoming, &listener.faults, &near_left, listener.loudest_rest, listener.heard),
        ("out", status.outgoing, before.outgoing, &there.faults, &far_left, there.rest, there.heard),
    ] {
        println!(
            "{name}: {:.0} s heard; clicks {} ({} unexcused), dips {} ({} unexcused), loudest rest {rest:.4}; fill {:.0} of {:.0} frames, {} underruns, {} cross-fades, {} lost",
            heard as f64 / 48_000.0,
            clicks(faults),
            clicks(left),
            faults.len() - clicks(faults),
            left.len() - clicks(left),
            now.fill_frames,
            now.target_frames,
            now.underruns - before.underruns,
            now.crossfades - before.crossfades,
            now.dropped_frames,
        );
        println!(
            "    unexcused: {:?}",
            left.iter().map(|(at, fault)| (at.saturating_sub(begin) / 1_000_000, fault)).collect::<Vec<_>>()
        );
    }

    assert!(locked && status.outgoing.locked, "both drifts are known");
    // The 2 ppm are for a minute and more; after 32 s the bound is wider, and a machine that held a server up meanwhile
    // (its clock is its wake-up calls) needs longer to be seen through.
    if proof {
        assert!(
            (drift - TRUE_DRIFT_PPM).abs() < 2.0 && (status.outgoing.drift_ppm + TRUE_DRIFT_PPM).abs() < 2.0,
            "{drift} ppm"
        );
    } else {
        let off = |status: Status| {
            let (there, here) = (status.incoming.drift_ppm, status.outgoing.drift_ppm);
            [there - TRUE_DRIFT_PPM, here + TRUE_DRIFT_PPM]
        };
        wait_until("the drift is known within 5 ppm", || off(desk.far()).iter().all(|off| off.abs() < 5.0));
    }
    assert!(worst_ppm.is_none_or(|worst| worst < 2.0), "after a minute: {worst_ppm:?} ppm off");
    assert_eq!(worst_ppm.is_some(), proof);
    assert_eq!(status.format.map(|format| format.rate.hz()), Some(48_005));
    for (name, now, before, left, heard) in [
        ("in", status.incoming, before.incoming, &near_left, listener.heard),
        ("out", status.outgoing, before.outgoing, &far_left, there.heard),
    ] {
        assert!(heard as f64 > 0.9 * 48_000.0 * listen as f64, "{name}: heard {heard} frames");
        // What was put right by a cross-fade was counted.
        let counted = now.crossfades + now.underruns - before.crossfades - before.underruns;
        // Beside other tests the pipe's threads may starve for longer than the cushion: a gap, and counted as such.
        let gaps = if proof { 0 } else { 2 * (now.underruns - before.underruns) };
        assert!(clicks(left) as u64 <= gaps, "{name}: {left:?}, {gaps} edges of gaps");
        assert!(left.len() as u64 <= counted + gaps, "{name}: {left:?}, {counted} counted");
    }
    desk.stop();
    drop(ears);
}

#[test]
fn a_satellite_that_is_killed_stopped_or_loses_its_server_comes_back_while_the_engine_goes_on() {
    let Some(near) = Jackd::start(48_000, 256, 2) else { return };
    let mut far = near.start_beside(48_005, 256, 2);
    let mut partner = Partner::start(&far.name, 0);
    let mut ears = Ears::start("ears", &near.name);
    let desk = Rigged::start(both_devices(&near, &far));
    let heard = |ears: &mut Ears, partner: &Partner| {
        wait_until("the far sine is heard here", || ears.peak() > 0.9 * PEAK as f32);
        wait_until("the near tone is heard there", || partner.heard().peak > 0.9 * PEAK as f32);
    };
    heard(&mut ears, &partner);
    assert_eq!(desk.told("far"), (0, 1));
    // The bridge's cushion is 30 ms, and a block of each side comes on top.
    wait_until("it is told how late the far outputs are", || {
        let notices = desk.notices.lock().expect("nobody panicked");
        notices
            .iter()
            .any(|n| matches!(n, DriverNotice::Late { device, ms } if &**device == "far" && (30.0..100.0).contains(ms)))
    });
    let went_and_came = |ears: &mut Ears, before: (usize, usize), what: &str, undo: &mut dyn FnMut()| {
        wait_until(&format!("the device is told away: {what}"), || desk.told("far").0 > before.0);
        assert!(!desk.far().present);
        wait_until("it is silent", || ears.peak() < 1e-6);
        let frame = desk.frame();
        wait_until("the engine goes on", || desk.frame() > frame + 24_000);
        undo();
        wait_until(&format!("the device is told back: {what}"), || desk.told("far").1 > before.1);
    };

    for _ in 0..2 {
        let before = desk.told("far");
        let child = satellite_process().expect("it runs");
        // For as long as it is stopped nothing else is started.
        signal("STOP", child);
        went_and_came(&mut ears, before, "stopped", &mut || {
            std::thread::sleep(Duration::from_secs(2));
            signal("CONT", child);
        });
        heard(&mut ears, &partner);
    }

    // What ends the whole service does not move it: the daemon ends it when it is done.
    let child = satellite_process().expect("it runs");
    let (before, starts) = (desk.told("far"), desk.far().starts);
    signal("TERM", child);
    signal("INT", child);
    assert!(ears.peak() > 0.9 * PEAK as f32 && satellite_process() == Some(child) && desk.far().starts == starts);
    assert_eq!(desk.told("far"), before);

    let child = satellite_process().expect("it runs");
    signal("KILL", child);
    wait_until("the device is told away: killed", || desk.told("far").0 > before.0);
    wait_until("the device is told back: killed", || desk.told("far").1 > before.1);
    assert!(satellite_process().is_some_and(|new| new != child));
    heard(&mut ears, &partner);

    let before = desk.told("far");
    far.kill();
    went_and_came(&mut ears, before, "its server killed", &mut || {
        drop(std::mem::replace(&mut partner, {
            far.start_again();
            Partner::start(&far.name, 0)
        }));
    });
    heard(&mut ears, &partner);
    assert_eq!(desk.told("near"), (0, 1), "the master was not touched by any of it");
    println!("{:?}", desk.far());
    desk.stop();
    drop((partner, ears));
}

#[test]
fn a_device_joins_and_leaves_with_the_rig_and_the_other_plays_on() {
    let Some(near) = Jackd::start(48_000, 256, 2) else { return };
    let far = near.start_beside(48_005, 256, 2);
    let partner = Partner::start(&far.name, 0);
    let mut ears = Ears::start("ears", &near.name);
    let installation = both_devices(&near, &far);
    let mut rig = installation.rig.clone();
    let desk = Rigged::start(installation);
    wait_until("the sine comes through", || ears.peak() > 0.9 * PEAK as f32);
    let child = satellite_process();

    // One without a server, before and after the one that plays: the wires of the last one do not change.
    rig.devices.push(device("absent", "no-such-server", &["", ""], &[]));
    desk.satellites.update(&rig);
    wait_until("both are looked after", || desk.satellites.status().len() == 2);
    wait_until("the absent one is tried again", || desk.satellites.status()[1].starts > 2);
    let told = |needle: &str| {
        let notices = desk.notices.lock().expect("nobody panicked");
        notices.iter().filter(|n| matches!(n, DriverNotice::Note(text) if text.contains(needle))).count()
    };
    assert_eq!(told("device absent cannot be opened"), 1, "once: {:?}", desk.notices);
    assert!(ears.peak() > 0.9 * PEAK as f32);
    rig.devices.truncate(2);
    desk.satellites.update(&rig);
    wait_until("the absent one is forgotten", || desk.satellites.status().len() == 1);
    assert!(ears.peak() > 0.9 * PEAK as f32);
    assert_eq!((satellite_process(), desk.told("far")), (child, (0, 1)), "the same process all the time");

    rig.devices.truncate(1);
    desk.satellites.update(&rig);
    wait_until("no process is left", || satellite_process().is_none());
    wait_until("it is silent", || ears.peak() < 1e-6);
    desk.stop();
    drop((partner, ears));
}

#[test]
fn nothing_is_left_of_a_satellite_when_its_parent_is_killed() {
    const TEST: &str = "nothing_is_left_of_a_satellite_when_its_parent_is_killed";
    if inside() {
        // The parent: starts a satellite and waits to be killed.
        let server = std::env::var("LONGTHROW_FAR").expect("told by the test");
        let engine = Engine::new(engine_settings(RATE, Vectors::new(Form::Plain).expect("always here")));
        let links = crossing(engine).2.link_end();
        let far = installation(device("near", "none", &[], &["", ""]), device("far", &server, &[""], &["", ""]));
        let settings = Settings { program: env!("CARGO_BIN_EXE_longthrow").into(), ..Settings::default() };
        let _satellites = Satellites::start(&far.rig, RATE, links, settings, |notice| {
            if matches!(notice, DriverNotice::Back { .. }) {
                println!("\npresent");
            }
        });
        std::thread::sleep(Duration::from_secs(60));
        return;
    }
    let Some(near) = Jackd::start(48_000, 256, 2) else { return };
    for stopped in [false, true] {
        let mut parent = Command::new(std::env::current_exe().expect("this binary has a path"))
            .args(["--exact", TEST, "--nocapture", "--test-threads=1"])
            .env("INSIDE", "1")
            .env("LONGTHROW_FAR", &near.name)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("this binary starts");
        let out = BufReader::new(parent.stdout.take().expect("piped"));
        let present = out.lines().map_while(Result::ok).any(|line| line == "present");
        assert!(present, "the device was there");
        let child = satellite_of(parent.id()).expect("it runs");
        if stopped {
            signal("STOP", child);
        }
        signal("KILL", parent.id());
        parent.wait().expect("it is our child");
        wait_until_within(Duration::from_secs(10), "the satellite has ended", || !is_alive(child));
    }
}

#[test]
fn the_subcommand_is_not_in_the_help_and_is_of_no_use_by_hand() {
    let run = |arguments: &[&str]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_longthrow"));
        command.args(arguments).stdin(Stdio::null()).output().expect("it starts")
    };
    let help = run(&["--help"]);
    assert!(!String::from_utf8_lossy(&help.stdout).contains("satellite"));
    let by_hand = run(&["satellite"]);
    assert_eq!(by_hand.status.code(), Some(3));
    assert!(String::from_utf8_lossy(&by_hand.stderr).contains("The daemon starts it"), "{by_hand:?}");
}
