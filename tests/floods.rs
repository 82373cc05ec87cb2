//! Floods of bytes and datagrams at the running program: it stays up, what they do not concern stays to the bit, and a
//! closing gets through. `LONGTHROW_PROOF=1` sends a million bytes and 100,000 datagrams, otherwise a part of it.

#![allow(clippy::print_stdout, reason = "the tests say what they measured")]

#[path = "fuzz/hostile.rs"]
#[allow(dead_code, unreachable_pub, reason = "shared with the fuzz targets")]
mod hostile;
mod support;

use longthrow::panel::osc::{Argument, is_pattern};
use longthrow::ports::osc::decode;
use std::io::Write;
use std::net::UdpSocket;
use std::sync::atomic::{AtomicBool, Ordering::Relaxed};
use support::daemon::Daemon;
use support::jackd::{Feeder, Jackd};
use support::judge::Judge;
use support::pty::Pty;
use support::{have, wait_until};

fn proof() -> bool {
    std::env::var_os("LONGTHROW_PROOF").is_some()
}

fn rig(server: &str, free: &Pty, mapped: &Pty) -> String {
    format!(
        "form = 1\nkind = \"rig\"\nrate_hz = 48000\n[device.box]\nhost = \"jack\"\nidentity = \"{server}\"\ninputs = 2\n\
         outputs = 2\nlink_inputs = [\"feeder:1\", \"feeder:2\"]\nlink_outputs = [\"judge:in\"]\n\
         [input.one]\nkind = \"line\"\ndevice = \"box\"\nchannels = [1]\n\
         [input.two]\nkind = \"line\"\ndevice = \"box\"\nchannels = [2]\n\
         [output.out]\nkind = \"line\"\ndevice = \"box\"\nchannels = [1, 2]\n\
         [control-port.free]\nkind = \"serial\"\npath = {:?}\nbaud = 115200\n\
         [control-port.mapped]\nkind = \"serial\"\npath = {:?}\nbaud = 115200\n",
        free.end("desk"),
        mapped.end("desk")
    )
}

const PANEL: &str = "form = 1\nkind = \"panel\"\n\
    [control.f1]\nplace = \"1\"\nkind = \"fader\"\nport = \"mapped\"\nmessage = \"control-change\"\nchannel = 1\nnumber = 7\n\
    [control.f2]\nplace = \"2\"\nkind = \"fader\"\nport = \"mapped\"\nmessage = \"pitch-bend\"\nchannel = 2\n\
    [control.b1]\nplace = \"3\"\nkind = \"latching\"\nport = \"mapped\"\nmessage = \"note\"\nchannel = 3\nnumber = 60\n";

const PROFILE: &str = "form = 1\nkind = \"profile\"\nname = \"test\"\n\
    [channel.keep]\nsource = \"one\"\nswitch = \"open\"\nfader = 0.0\npan = -1.0\nassign.programme = \"on\"\n\
    [channel.moved]\nsource = \"two\"\nswitch = \"open\"\nfader = 0.0\npan = 1.0\nassign.programme = \"on\"\n\
    [bus.audition]\nfader = -3.0\n\
    [output.out]\nsource = \"programme\"\n[moves]\nf1 = { target = \"channel.moved.fader\", rejoin = \"at-once\" }\n\
    f2 = { target = \"bus.audition.fader\", rejoin = \"at-once\" }\nb1 = \"channel.moved.switch\"\n";

/// Random bytes, the same every time.
fn random_bytes(count: usize, seed: u64) -> Vec<u8> {
    let mut state = seed | 1;
    let mut next = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 56) as u8
    };
    (0..count).map(|_| next()).collect()
}

fn number(value: &Argument) -> Option<f32> {
    match value {
        Argument::Float(number) => Some(*number),
        _ => None,
    }
}

/// Says that it is over, also when something has failed.
struct Over<'a>(&'a AtomicBool);

impl Drop for Over<'_> {
    fn drop(&mut self) {
        self.0.store(true, Relaxed);
    }
}

/// Whether a datagram is sound and its address a pattern.
fn does_something(datagram: &[u8]) -> bool {
    let mut messages = decode(datagram).into_iter().flatten().flat_map(|group| group.messages);
    messages.any(|message| is_pattern(&message.address))
}

#[test]
fn floods_move_only_what_they_are_mapped_to_and_a_closing_gets_through() {
    if !have(&["socat", "timeout"]) {
        return;
    }
    let Some(jackd) = Jackd::start(48_000, 256, 2) else { return };
    let feeder = Feeder::start(&jackd.name, "feeder", 2);
    let judge = Judge::start(&jackd.name);
    let (free, mapped) = (Pty::new(), Pty::new());
    let mut daemon = Daemon::start(&rig(&jackd.name, &free, &mapped), Some(PANEL), PROFILE);
    daemon.await_lines("linked to", 3);
    daemon.await_lines("serial line", 2);
    wait_until("the outputs have come up", || judge.listen(2_400) == 0);
    let open = |pty: &Pty| std::fs::OpenOptions::new().write(true).open(pty.end("panel")).expect("the line");

    // Bytes that nothing is mapped to.
    let bytes = if proof() { 1_000_000 } else { 100_000 };
    let start = judge.seen.wrong.load(Relaxed);
    open(&free).write_all(&random_bytes(bytes, 1)).expect("written");
    judge.listen(24_000);
    let wrong = judge.seen.wrong.load(Relaxed) - start;
    println!("{bytes} random bytes on a port without a mapping: {wrong} frames differ");
    assert_eq!(wrong, 0);

    // Bytes on the mapped port: its targets stay in range, nothing else moves.
    open(&mapped).write_all(&random_bytes(bytes, 2)).expect("written");
    // The keep channel is on the other side: it stays exact whatever `moved` does.
    let wrong = judge.listen(24_000);
    assert_eq!(wrong, 0, "the neighbour moved");
    for (path, lowest, highest) in [("/channel/moved/fader", -90.0, 10.0), ("/bus/audition/fader", -90.0, 10.0)] {
        let value = daemon.ask(path);
        let sound =
            value == Argument::Text("off".into()) || number(&value).is_some_and(|db| (lowest..=highest).contains(&db));
        assert!(sound, "{path} is {value:?}");
    }
    for (path, value) in [
        ("/channel/keep/fader", Argument::Float(0.0)),
        ("/channel/keep/switch", Argument::Text("open".into())),
        ("/channel/moved/trim", Argument::Float(0.0)),
        ("/channel/moved/pan", Argument::Float(1.0)),
        ("/bus/programme/fader", Argument::Float(0.0)),
    ] {
        assert_eq!(daemon.ask(path), value, "{path}");
    }

    // Hostile datagrams: the mix stays to the bit.
    let datagrams = if proof() { 100_000 } else { 5_000 };
    let socket = UdpSocket::bind("127.0.0.1:0").expect("a socket");
    let mut source = hostile::datagrams(11);
    let start = judge.seen.wrong.load(Relaxed);
    for n in 0..datagrams {
        // Sound patterns that fit our channels would do what they say.
        let datagram = source.find(|datagram| !does_something(datagram)).expect("endless");
        socket.send_to(&datagram, daemon.osc).ok();
        if n % 64 == 63 {
            // The receiver keeps up, so that every one is judged.
            daemon.ask("/channel/keep/fader");
        }
    }
    assert!(daemon.runs());
    let wrong = judge.seen.wrong.load(Relaxed) - start;
    println!("{datagrams} hostile datagrams: {wrong} frames differ");
    assert_eq!(wrong, 0);

    // A closing on another port in the middle of a flood.
    let over = AtomicBool::new(false);
    let rounds = if proof() { 50 } else { 5 };
    let mut slowest = 0;
    std::thread::scope(|scope| {
        scope.spawn(|| {
            let mut wire = open(&mapped);
            let bytes = random_bytes(4_096, 3);
            while !over.load(Relaxed) {
                wire.write_all(&bytes).expect("written");
            }
        });
        scope.spawn(|| {
            let socket = UdpSocket::bind("127.0.0.1:0").expect("a socket");
            for datagram in hostile::datagrams(12).filter(|datagram| !does_something(datagram)) {
                socket.send_to(&datagram, daemon.osc).ok();
                if over.load(Relaxed) {
                    return;
                }
                std::thread::sleep(std::time::Duration::from_micros(50));
            }
        });
        let _ends_with_us = Over(&over);
        for _ in 0..rounds {
            daemon.word("/channel/keep/switch", "open");
            wait_until("it is open", || judge.listen(1_200) == 0);
            let sent = judge.now();
            daemon.word("/channel/keep/switch", "closed");
            wait_until("it is closed", || judge.silence() > 9_600);
            // A server that stands still counts fewer frames than its clock shows.
            slowest = slowest.max(judge.seen.last_sound.load(Relaxed).wrapping_sub(sent).cast_signed());
        }
    });
    println!("{rounds} closings in the middle of floods: silent after at most {slowest} frames");
    assert!(slowest <= 960, "{slowest} frames are more than 20 ms");
    assert_eq!(daemon.stop(), Some(0));
    drop(feeder);
}
