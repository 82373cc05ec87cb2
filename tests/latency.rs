//! From a message to the first changed sample, through the whole program on a real JACK server.
//!
//! A test client feeds a constant into the daemon and another one, downstream of it, hears the daemon's output in
//! the same cycle; so nothing but the daemon lies between. A switch is opened and closed; the time of sending is
//! turned into a frame of the server's own clock, and the first sample that differs in any bit counts.
//! `LONGTHROW_PROOF=1` makes 10,000 moves of each kind at 64 and at 256 frames; otherwise a few show that it works.
//! Nothing is asserted about time: the figures are printed.

#![allow(clippy::print_stdout, reason = "the figures are what it is for")]

mod support;

use jack::{AudioIn, AudioOut, Client, Control, MidiOut, Port, ProcessScope};
use longthrow::panel::osc::Argument;
use longthrow::ports::jack_server::{self, Lease, ServerClient};
use std::io::Write as _;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering::Relaxed};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::time::Duration;
use support::daemon::Daemon;
use support::jackd::{Active, Jackd};
use support::pty::Pty;
use support::{have, wait_until};

/// A value that has not changed for so many frames is steady. Counted in frames, since the server may fall behind the clock.
const STEADY: u32 = 48;

/// Gives a constant.
struct Constant(Port<AudioOut>, #[expect(dead_code, reason = "kept until the client is closed")] Lease);

impl jack::ProcessHandler for Constant {
    fn process(&mut self, _: &Client, scope: &ProcessScope) -> Control {
        self.0.as_mut_slice(scope).fill(0.5);
        Control::Continue
    }
}

/// Hears when the steady value changes.
struct Ear {
    port: Port<AudioIn>,
    last: f32,
    /// Equal samples in a row.
    steady: Arc<AtomicU32>,
    changes: SyncSender<u32>,
    /// The bits of the last sample.
    level: Arc<AtomicU32>,
    _lease: Lease,
}

impl jack::ProcessHandler for Ear {
    fn process(&mut self, _: &Client, scope: &ProcessScope) -> Control {
        for (frame, sample) in (scope.last_frame_time()..).zip(self.port.as_slice(scope)) {
            if sample.to_bits() == self.last.to_bits() {
                self.steady.fetch_add(1, Relaxed);
            } else {
                if self.steady.swap(0, Relaxed) >= STEADY {
                    // The reader is slower only when it has gone wrong; then the test ends anyway.
                    self.changes.try_send(frame).ok();
                }
                self.last = *sample;
                self.level.store(sample.to_bits(), Relaxed);
            }
        }
        Control::Continue
    }
}

/// Sends MIDI messages in the next cycle.
struct MidiSender(
    Port<MidiOut>,
    Receiver<[u8; 3]>,
    #[expect(dead_code, reason = "kept until the client is closed")] Lease,
);

impl jack::ProcessHandler for MidiSender {
    fn process(&mut self, _: &Client, scope: &ProcessScope) -> Control {
        let mut writer = self.0.writer(scope);
        while let Ok(bytes) = self.1.try_recv() {
            writer.write(&jack::RawMidi { time: 0, bytes: &bytes }).expect("there is room");
        }
        Control::Continue
    }
}

fn rig(server: &str, pty: &str) -> String {
    format!(
        "form = 1\nkind = \"rig\"\nrate_hz = 48000\n[device.box]\nhost = \"jack\"\nidentity = \"{server}\"\ninputs = 1\n\
         outputs = 2\nlink_inputs = [\"constant:out\"]\nlink_outputs = [\"ear:in\"]\n\
         [input.line]\nkind = \"line\"\ndevice = \"box\"\nchannels = [1]\n\
         [output.out]\nkind = \"line\"\ndevice = \"box\"\nchannels = [1, 2]\n\
         [control-port.jack]\nkind = \"jack-midi\"\nserver = \"{server}\"\nlink_input = \"hand:out\"\n\
         [control-port.wire]\nkind = \"serial\"\npath = \"{pty}\"\nbaud = 115200\n"
    )
}

const PANEL: &str = "form = 1\nkind = \"panel\"\n\
    [control.by-jack]\nplace = \"1\"\nkind = \"latching\"\nport = \"jack\"\nmessage = \"note\"\nchannel = 1\nnumber = 60\n\
    [control.by-wire]\nplace = \"2\"\nkind = \"latching\"\nport = \"wire\"\nmessage = \"note\"\nchannel = 1\nnumber = 60\n\
    [control.fader-by-jack]\nplace = \"3\"\nkind = \"fader\"\nport = \"jack\"\nmessage = \"control-change\"\nchannel = 1\nnumber = 7\n\
    [control.fader-by-wire]\nplace = \"4\"\nkind = \"fader\"\nport = \"wire\"\nmessage = \"control-change\"\nchannel = 1\nnumber = 7\n";

const PROFILE: &str = "form = 1\nkind = \"profile\"\nname = \"test\"\n\
    [channel.a]\nsource = \"line\"\nswitch = \"open\"\nfader = 0.0\npan = -1.0\nassign.programme = \"on\"\n\
    [output.out]\nsource = \"programme\"\n[moves]\nby-jack = \"channel.a.switch\"\nby-wire = \"channel.a.switch\"\n\
    fader-by-jack = { target = \"channel.a.fader\", rejoin = \"at-once\" }\n\
    fader-by-wire = { target = \"channel.a.fader\", rejoin = \"at-once\" }\n";

/// Random, and the same every time.
struct Chance(u64);

impl Chance {
    fn below(&mut self, limit: u64) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % limit
    }
}

/// The end of the daemon's journal.
fn journal(daemon: &Daemon) -> String {
    let mut files: Vec<_> = std::fs::read_dir(daemon.state().join("journal")).expect("a journal").flatten().collect();
    files.sort_by_key(std::fs::DirEntry::path);
    let text = std::fs::read_to_string(files.last().expect("a file").path()).unwrap_or_default();
    let lines: Vec<&str> = text.lines().collect();
    lines[lines.len().saturating_sub(12)..].join("\n")
}

fn measure(period: u32, moves: usize) {
    let Some(jackd) = Jackd::start(48_000, period, 2) else { return };
    let client = |name: &str| -> ServerClient { jack_server::open(name, &jackd.name).expect("the server runs") };
    let ServerClient { client: constant, lease } = client("constant");
    let out = constant.register_port("out", AudioOut::default()).expect("a port");
    let constant = Active::new(constant, lease.closing(), Constant(out, lease));
    let ServerClient { client: ear, lease } = client("ear");
    let port = ear.register_port("in", AudioIn::default()).expect("a port");
    let (changes, heard) = sync_channel(1024);
    let (steady, level) = (Arc::<AtomicU32>::default(), Arc::<AtomicU32>::default());
    let closing = lease.closing();
    let hearing =
        Ear { port, last: 0.0, steady: Arc::clone(&steady), changes, level: Arc::clone(&level), _lease: lease };
    let ear = Active::new(ear, closing, hearing);
    let ServerClient { client: hand, lease } = client("hand");
    let out = hand.register_port("out", MidiOut::default()).expect("a port");
    let (midi, queue) = sync_channel(16);
    let hand = Active::new(hand, lease.closing(), MidiSender(out, queue, lease));
    let pty = Pty::new();
    let desk_end = pty.end("desk");
    let daemon = Daemon::start(&rig(&jackd.name, &desk_end.display().to_string()), Some(PANEL), PROFILE);
    daemon.await_lines("linked to", 2);
    daemon.await_line("control port jack: ");
    let mut wire = std::fs::OpenOptions::new().write(true).open(pty.end("panel")).expect("the line");
    // What a panel says first after it was found is a report of where its controls stand: here, that both are in.
    midi.send([0x90, 60, 100]).expect("the client runs");
    wire.write_all(&[0x90, 60, 100]).expect("the line is open");
    // The outputs have come up when nothing changes any more.
    wait_until("it is steady", || heard.recv_timeout(Duration::from_millis(700)).is_err());
    let mut chance = Chance(7);
    for kind in ["OSC", "MIDI over a pty", "JACK MIDI"] {
        let mut latencies: Vec<i64> = Vec::with_capacity(moves);
        let mut lost = 0;
        for n in 0..moves {
            // The last ramp has ended; then at any moment of a period.
            wait_until("it is steady", || steady.load(Relaxed) > 2 * STEADY);
            std::thread::sleep(Duration::from_micros(chance.below(2 * u64::from(period) * 1_000_000 / 48_000)));
            while heard.try_recv().is_ok() {}
            let open = n % 2 == 1;
            let note = [if open { 0x90 } else { 0x80 }, 60, 100];
            let sent = ear.client().time();
            match kind {
                "OSC" => daemon.word("/channel/a/switch", if open { "open" } else { "closed" }),
                "JACK MIDI" => midi.send(note).expect("the client runs"),
                _ => wire.write_all(&note).expect("the line is open"),
            }
            let Ok(frame) = heard.recv_timeout(Duration::from_secs(5)) else {
                // An xrun of the server takes the MIDI of that cycle with it; the port says so.
                let told = daemon.count("messages were lost on the way in") > lost;
                let now = daemon.ask("/channel/a/switch");
                assert!(
                    kind == "JACK MIDI" && told,
                    "{kind}: move {n} (open: {open}) was not heard; the switch is {now:?}; {}",
                    journal(&daemon)
                );
                lost += 1;
                continue;
            };
            let sent = ear.client().time_to_frames(sent);
            latencies.push(i64::from(frame.wrapping_sub(sent).cast_signed()));
        }
        latencies.sort_unstable();
        let at = |part: f64| latencies[((latencies.len() - 1) as f64 * part) as usize];
        let periods = |frames: i64| frames as f64 / f64::from(period);
        println!(
            "{kind} at {period} frames, {moves} moves: median {} frames ({:.2} periods), p99 {} ({:.2}), most {}, {lost} lost in xruns",
            at(0.5),
            periods(at(0.5)),
            at(0.99),
            periods(at(0.99)),
            at(1.0)
        );
        // The desk answers, and in the state that the last move asked for.
        let last = if moves.is_multiple_of(2) { "open" } else { "closed" };
        assert_eq!(daemon.ask("/channel/a/switch"), Argument::Text(last.into()), "{kind}");
    }
    // Faders over both wires give what the house law says, measured at the output.
    daemon.word("/channel/a/switch", "open");
    for (by_jack, value) in [(true, 127_u8), (false, 97), (true, 64), (false, 40), (true, 12), (false, 100)] {
        let message = [0xB0, 7, value];
        if by_jack {
            midi.send(message).expect("the client runs")
        } else {
            wire.write_all(&message).expect("the line is open")
        }
        let wanted = house_law(f64::from(value) / 127.0);
        let heard = || 20.0 * (f64::from(f32::from_bits(level.load(Relaxed))) / 0.5).log10();
        wait_until("the fader has arrived", || (heard() - wanted).abs() < 0.01);
    }
    drop((daemon, constant, ear, hand));
}

/// The house fader law, straight between its points. Common practice, no source.
fn house_law(travel: f64) -> f64 {
    let points = [
        (0.03, -80.0),
        (0.12, -60.0),
        (0.25, -40.0),
        (0.37, -30.0),
        (0.5, -20.0),
        (0.62, -10.0),
        (0.76, 0.0),
        (1.0, 10.0),
    ];
    let pair = points.windows(2).find(|pair| travel <= pair[1].0).expect("within the law");
    pair[0].1 + (pair[1].1 - pair[0].1) * (travel - pair[0].0) / (pair[1].0 - pair[0].0)
}

#[test]
fn a_message_is_heard_soon() {
    if !have(&["socat", "timeout"]) {
        return;
    }
    if std::env::var_os("LONGTHROW_PROOF").is_some() {
        measure(64, 10_000);
        measure(256, 10_000);
    } else {
        measure(256, 40);
    }
}
