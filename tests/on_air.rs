//! The whole program on a real JACK server: what goes in against what comes out.

#![allow(clippy::print_stdout, reason = "the tests say what they measured")]

mod support;

use longthrow::panel::osc::{Argument, Message};
use longthrow::ports::osc::encode;
use std::fmt::Write as _;
use std::net::UdpSocket;
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering::Relaxed};
use std::time::{Duration, Instant};
use support::alsa::inside_with_alsa;
use support::daemon::Daemon;
use support::jackd::{Catcher, Caught, Feeder, Jackd};
use support::pipewire::PipeWire;
use support::signal::{Depth, depth, sample};
use support::standstill::{Witness, time_of_line};
use support::{again, have, inside, wait_until};

/// A rig with one JACK device of so many channels each way, linked to the test's feeder and catcher.
fn rig(server: &str, inputs: usize, outputs: usize) -> String {
    let names = |name: &str, count: usize| (1..=count).map(|n| format!("\"{name}:{n}\",")).collect::<String>();
    let device = format!(
        "host = \"jack\"\nidentity = \"{server}\"\nlink_inputs = [{}]\nlink_outputs = [{}]\n",
        names("feeder", inputs),
        names("catcher", outputs)
    );
    rig_on(&device, inputs, outputs)
}

/// The same on a device of this description.
fn rig_on(device: &str, inputs: usize, outputs: usize) -> String {
    let mut text = format!(
        "form = 1\nkind = \"rig\"\nrate_hz = 48000\n[device.box]\n{device}inputs = {inputs}\noutputs = {outputs}\n"
    );
    for n in 1..=inputs {
        write!(text, "[input.in-{n}]\nkind = \"line\"\ndevice = \"box\"\nchannels = [{n}]\n").expect("a string");
    }
    for n in 1..=outputs / 2 {
        let (left, right) = (2 * n - 1, 2 * n);
        write!(text, "[output.out-{n}]\nkind = \"line\"\ndevice = \"box\"\nchannels = [{left}, {right}]\n")
            .expect("a string");
    }
    text
}

fn channel(id: &str, source: &str, pan: f32, bus: &str) -> String {
    format!(
        "[channel.{id}]\nlabel = \"{id}\"\nsource = \"{source}\"\nswitch = \"open\"\nfader = 0.0\npan = {pan:?}\n\
         assign.{bus} = \"on\"\n"
    )
}

const PROFILE: &str = "form = 1\nkind = \"profile\"\nname = \"test\"\n";

/// Waits until everything is linked and the outputs have come up from silence.
fn wait_until_heard(catcher: &Catcher, channel: usize) {
    wait_until("something is heard", || catcher.catch(256).channels[channel].iter().any(|x| x.abs() > 1e-6));
    // The outputs come up in 500 ms.
    catcher.catch(36_000);
}

fn peak(caught: &Caught, channel: usize) -> f32 {
    caught.channels[channel].iter().fold(0.0, |peak, x| x.abs().max(peak))
}

/// 32 inputs panned hard in pairs to 16 buses and as many outputs.
fn thirty_two_in_pairs() -> String {
    let mut profile = PROFILE.to_owned();
    for n in 1..=16 {
        profile += &channel(&format!("left-{n}"), &format!("in-{}", 2 * n - 1), -1.0, &format!("bus-{n}"));
        profile += &channel(&format!("right-{n}"), &format!("in-{}", 2 * n), 1.0, &format!("bus-{n}"));
        write!(profile, "[bus.bus-{n}]\n[output.out-{n}]\nsource = \"bus-{n}\"\n").expect("a string");
    }
    profile
}

/// Frames of a channel that are not what was fed in the same frame. A negative zero comes out of a sum as a positive one.
fn wrong_frames(caught: &Caught, channel: usize) -> usize {
    let fed = |frame| sample(depth(channel), channel, frame) + 0.0;
    caught.frames(channel).filter(|(frame, heard)| heard.to_bits() != fed(*frame).to_bits()).count()
}

#[test]
fn thirty_two_inputs_leave_by_thirty_two_outputs_bit_exact_and_without_an_added_frame() {
    let Some(jackd) = Jackd::start(48_000, 256, 2) else { return };
    let feeder = Feeder::start(&jackd.name, "feeder", 32);
    let catcher = Catcher::start(&jackd.name, "catcher", 32);
    let daemon = Daemon::start(&rig(&jackd.name, 32, 32), None, &thirty_two_in_pairs());
    daemon.await_lines("linked to", 64);
    wait_until_heard(&catcher, 0);
    jackd.freewheel(true);
    let caught = catcher.catch(240_000);
    jackd.freewheel(false);
    for channel in 0..32 {
        let wrong = wrong_frames(&caught, channel);
        assert_eq!(wrong, 0, "channel {channel} of {:?}", depth(channel));
    }
    drop(daemon);
    drop(feeder);
}

/// Writes a WAV file with known samples: integers of 16 or 24 bits, or floats.
fn wav(path: &std::path::Path, depth: Depth, channels: u16, frames: u32) {
    let (bits_per_sample, sample_format) = match depth {
        Depth::Bits16 => (16, hound::SampleFormat::Int),
        Depth::Bits24 => (24, hound::SampleFormat::Int),
        Depth::Float => (32, hound::SampleFormat::Float),
    };
    let spec = hound::WavSpec { channels, sample_rate: 48_000, bits_per_sample, sample_format };
    let mut writer = hound::WavWriter::create(path, spec).expect("a file");
    for frame in 0..frames {
        for channel in 0..usize::from(channels) {
            let sample = sample(depth, channel, frame);
            match depth {
                Depth::Bits16 => writer.write_sample((sample * 32768.0) as i16),
                Depth::Bits24 => writer.write_sample((sample * 8_388_608.0) as i32),
                Depth::Float => writer.write_sample(sample),
            }
            .expect("written");
        }
    }
    writer.finalize().expect("finished");
}

/// The longest stretch that is the looped file bit for bit, wherever in the file it begins.
fn longest_run(heard: &[f32], file: impl Fn(u32) -> f32, frames: u32) -> usize {
    let (mut longest, mut from) = (0, 0);
    while from + 64 < heard.len() {
        let fits = |at: u32, length: usize| {
            heard[from..]
                .iter()
                .zip(at..)
                .take(length)
                .take_while(|(x, n)| x.to_bits() == file(n % frames).to_bits())
                .count()
        };
        match (0..frames).find(|at| fits(*at, 64) == 64) {
            Some(at) => {
                let run = fits(at, usize::MAX);
                longest = longest.max(run);
                from += run;
            }
            None => from += 16,
        }
    }
    longest
}

/// Files of every depth through the program on this device.
fn files_come_out_exact(device: &str, catcher: &Catcher) {
    const FRAMES: u32 = 30_011;
    for depth in [Depth::Bits16, Depth::Bits24, Depth::Float] {
        let sounds = tempfile::tempdir().expect("a temporary folder");
        wav(&sounds.path().join("stereo.wav"), depth, 2, FRAMES);
        wav(&sounds.path().join("mono.wav"), depth, 1, FRAMES);
        let mut rig = rig_on(device, 0, 4);
        for (name, width) in [("stereo", 2), ("mono", 1)] {
            let file = sounds.path().join(name).with_extension("wav");
            write!(rig, "[input.{name}]\nkind = \"player\"\nfile = {file:?}\nlooped = true\nwidth = {width}\n")
                .expect("a string");
        }
        let profile = format!(
            "{PROFILE}{}{}[bus.other]\n[output.out-1]\nsource = \"programme\"\n[output.out-2]\nsource = \"other\"\n",
            channel("pair", "stereo", 0.0, "programme"),
            channel("single", "mono", 1.0, "other")
        );
        let daemon = Daemon::start(&rig, None, &profile);
        wait_until_heard(catcher, 0);
        // In real time: a player's disk thread keeps up with that, and not with freewheel. Where the busy machine tears a
        // block the file goes on at another place, so the longest exact run counts.
        let caught = catcher.catch(144_000);
        for (output, side) in [(0, Some(0)), (1, Some(1)), (2, None), (3, Some(0))] {
            let heard = &caught.channels[output];
            // Left and right of the stereo file, silence on the far side of the mono one, the mono file.
            let Some(side) = side else {
                assert!(heard.iter().all(|x| *x == 0.0), "{depth:?}: the far side is not silent");
                continue;
            };
            let run = longest_run(heard, |frame| sample(depth, side, frame) + 0.0, FRAMES);
            println!("{depth:?} output {output}: {run} of {} frames exact in one run", heard.len());
            assert!(run >= 36_000, "{depth:?} output {output}: only {run} frames exact in one run");
        }
        drop(daemon);
        wait_until("the daemon has left", || catcher.catch(256).channels[0].iter().all(|x| *x == 0.0));
    }
}

fn jack(server: &str) -> String {
    let names: String = (1..=4).map(|n| format!("\"catcher:{n}\",")).collect();
    format!("host = \"jack\"\nidentity = \"{server}\"\nlink_outputs = [{names}]\n")
}

#[test]
fn a_stereo_file_at_balance_centre_and_a_mono_one_panned_hard_come_out_bit_exact() {
    let Some(jackd) = Jackd::start(48_000, 256, 2) else { return };
    files_come_out_exact(&jack(&jackd.name), &Catcher::start(&jackd.name, "catcher", 4));
}

#[test]
fn the_same_files_come_out_bit_exact_through_cpals_alsa() {
    if inside_with_alsa("the_same_files_come_out_bit_exact_through_cpals_alsa") {
        let device = "host = \"alsa\"\nidentity = \"desk\"\nperiod_frames = 512\n";
        files_come_out_exact(device, &Catcher::start("", "catcher", 8));
    }
}

/// Runs the test in a process of its own, where PipeWire stands in for the JACK server. True in that process.
fn inside_with_pipewire(test: &str) -> bool {
    if inside() {
        return true;
    }
    if let Some(pipewire) = PipeWire::start(&[]) {
        again(test, &["pw-jack"], &pipewire.environment());
    }
    false
}

#[test]
fn the_same_files_come_out_bit_exact_through_pipewire() {
    if inside_with_pipewire("the_same_files_come_out_bit_exact_through_pipewire") {
        files_come_out_exact(&jack(""), &Catcher::start("", "catcher", 4));
    }
}

#[test]
fn thirty_two_inputs_pass_the_program_bit_exact_through_pipewire() {
    if !inside_with_pipewire("thirty_two_inputs_pass_the_program_bit_exact_through_pipewire") {
        return;
    }
    let feeder = Feeder::start("", "feeder", 32);
    let catcher = Catcher::start("", "catcher", 32);
    let daemon = Daemon::start(&rig("", 32, 32), None, &thirty_two_in_pairs());
    daemon.await_lines("linked to", 64);
    wait_until_heard(&catcher, 0);
    // PipeWire has no freewheel that waits for us here; a machine busy with other work tears single blocks.
    let caught = catcher.catch(240_000);
    let torn = (0..32).map(|channel| wrong_frames(&caught, channel)).max().expect("32 channels");
    println!("at most {torn} of 240,000 frames wrong in a channel");
    assert!(torn * 50 <= 240_000, "{torn} wrong frames");
    drop(daemon);
    drop(feeder);
}

#[test]
fn oscsend_moves_real_gains_and_pan_laws_hold_within_a_hundredth_of_a_db() {
    let Some(jackd) = Jackd::start(48_000, 256, 2) else { return };
    if !have(&["oscsend"]) {
        return;
    }
    let catcher = Catcher::start(&jackd.name, "catcher", 2);
    let tone = "[input.tone]\nkind = \"line\"\ngenerator = \"sine\"\nfrequency_hz = 997.0\nlevel_dbfs = -20.0\n";
    let daemon = Daemon::start(
        &(rig(&jackd.name, 0, 2) + tone),
        None,
        &(PROFILE.to_owned() + &channel("a", "tone", -1.0, "programme")),
    );
    daemon.await_lines("linked to", 2);
    wait_until_heard(&catcher, 0);
    let port = daemon.osc.port().to_string();
    let oscsend = |path: &str, kind: &str, value: &str| {
        let sent = Command::new("oscsend").args(["127.0.0.1", &port, path, kind, value]).status();
        assert!(sent.is_ok_and(|status| status.success()));
    };
    let settled = |path: &str, value: Argument| {
        wait_until("it is done", || daemon.ask(path) == value);
        // 300 ms: thirty time constants, after which a way to 0 has ended.
        catcher.catch(14_400);
        let caught = catcher.catch(9_600);
        [0, 1].map(|side| 20.0 * f64::from(peak(&caught, side)).log10())
    };
    for db in [-60.0_f32, -33.3, -12.5, -6.0, 0.0, 10.0] {
        oscsend("/channel/a/fader", "f", &db.to_string());
        let [left, _] = settled("/channel/a/fader", Argument::Float(db));
        assert!((left - (-20.0 + f64::from(db))).abs() < 0.01, "{db} dB gave {left}");
    }
    oscsend("/channel/a/fader", "s", "off");
    let [left, right] = settled("/channel/a/fader", Argument::Text("off".into()));
    assert!(left < -300.0 && right < -300.0, "off is off: {left} {right}");
    oscsend("/channel/a/fader", "f", "0");
    // check values D, closed forms: L = cos t, R = sin t; linear; and the square root of their product. Common practice, no source.
    for law in ["equal-power", "linear", "compromise"] {
        oscsend("/channel/a/pan-law", "s", law);
        for pan in [-1.0_f64, -0.5, 0.0, 0.5, 1.0] {
            oscsend("/channel/a/pan", "f", &pan.to_string());
            let heard = settled("/channel/a/pan", Argument::Float(pan as f32));
            let t = (pan + 1.0) * std::f64::consts::FRAC_PI_4;
            let (equal, linear) = ([t.cos(), t.sin()], [(1.0 - pan) / 2.0, (1.0 + pan) / 2.0]);
            for side in 0..2 {
                let gain = match law {
                    "equal-power" => equal[side],
                    "linear" => linear[side],
                    _ => (equal[side] * linear[side]).max(0.0).sqrt(),
                };
                let wanted = -20.0 + 20.0 * gain.log10();
                let off = if gain < 1e-9 {
                    (heard[side] > -300.0).into()
                } else {
                    f64::from((heard[side] - wanted).abs() > 0.01)
                };
                assert!(off < 0.5, "{law} at {pan}: side {side} {} instead of {wanted}", heard[side]);
            }
        }
    }
}

/// Threads and open files of a process.
fn held(process: u32) -> (usize, usize) {
    let count = |what: &str| std::fs::read_dir(format!("/proc/{process}/{what}")).expect("it runs").count();
    (count("task"), count("fd"))
}

/// Meters as they come: when, and the highest peak of the programme.
struct Meters {
    gap: Arc<AtomicU64>,
    over: Arc<AtomicBool>,
    thread: std::thread::JoinHandle<()>,
}

impl Meters {
    fn follow(daemon: &Daemon) -> Self {
        let (gap, over) = (Arc::<AtomicU64>::default(), Arc::<AtomicBool>::default());
        let (widest, stop, osc) = (Arc::clone(&gap), Arc::clone(&over), daemon.osc);
        let thread = std::thread::spawn(move || {
            let socket = UdpSocket::bind("127.0.0.1:0").expect("a socket");
            socket.set_read_timeout(Some(Duration::from_millis(500))).expect("a time-out");
            let arguments = vec![
                Argument::Text("/meter/bus/programme/*/peak".into()),
                Argument::Float(50.0),
                Argument::Float(3600.0),
            ];
            let ask = encode(&Message { address: "/follow/meters".into(), arguments });
            socket.send_to(&ask, osc).expect("sent");
            let (mut buffer, mut last) = ([0; 2048], None::<Instant>);
            while !stop.load(Relaxed) {
                let got = socket.recv(&mut buffer);
                if got.is_ok_and(|length| buffer[..length].starts_with(b"/follow/values")) {
                    let now = Instant::now();
                    if let Some(last) = last.replace(now) {
                        let millis = u64::try_from((now - last).as_millis()).expect("no ages");
                        widest.fetch_max(millis, Relaxed);
                    }
                }
            }
        });
        Self { gap, over, thread }
    }

    /// The longest time without meters, in ms.
    fn end(self) -> u64 {
        self.over.store(true, Relaxed);
        self.thread.join().expect("it heard");
        self.gap.load(Relaxed)
    }
}

/// Something that keeps the cores busy.
struct Load(Arc<AtomicBool>);

impl Load {
    fn start() -> Self {
        let over = Arc::<AtomicBool>::default();
        for _ in 0..2 {
            let over = Arc::clone(&over);
            std::thread::spawn(move || {
                while !over.load(Relaxed) {
                    std::hint::black_box(1 + 1);
                }
            });
        }
        Self(over)
    }
}

impl Drop for Load {
    fn drop(&mut self) {
        self.0.store(true, Relaxed);
    }
}

/// Kills, stops and starts the server again, so many times.
fn faults(rate: u32, rounds: usize, load: bool) {
    let Some(mut jackd) = Jackd::start(rate, 256, 2) else { return };
    let tone = "[input.tone]\nkind = \"line\"\ngenerator = \"sine\"\nfrequency_hz = 997.0\nlevel_dbfs = -20.0\n";
    let rig = (rig(&jackd.name, 0, 2) + tone).replace("rate_hz = 48000", &format!("rate_hz = {rate}"));
    let mut daemon = Daemon::start(&rig, None, &(PROFILE.to_owned() + &channel("a", "tone", 0.0, "programme")));
    let there = format!("is there: {rate} Hz");
    daemon.await_line(&there);
    let meters = Meters::follow(&daemon);
    let (mut before, mut slowest, _load) = (None, Duration::ZERO, load.then(Load::start));
    for round in 1..=rounds {
        let catcher = Catcher::start(&jackd.name, "catcher", 2);
        let heard = || (peak(&catcher.catch(4_800), 0) - 0.0707).abs() < 0.001;
        daemon.await_lines(&there, 2 * round - 1);
        wait_until("the tone is heard again", heard);
        // Counted when the first round has started everything that there will be.
        before.get_or_insert_with(|| held(daemon.process()));
        jackd.signal("STOP");
        daemon.await_lines("it stopped calling", round);
        std::thread::sleep(Duration::from_millis(if rounds > 5 { 5_000 } else { 500 }));
        jackd.signal("CONT");
        let continued = Instant::now();
        daemon.await_lines(&there, 2 * round);
        slowest = slowest.max(continued.elapsed());
        wait_until("the tone is heard again", heard);
        drop(catcher);
        jackd.kill();
        daemon.await_lines("the JACK server has ended", round);
        assert_eq!(daemon.ask("/channel/a/fader"), Argument::Float(0.0), "the desk answers meanwhile");
        jackd.start_again();
        let started = Instant::now();
        daemon.await_lines(&there, 2 * round + 1);
        slowest = slowest.max(started.elapsed());
    }
    let before = before.expect("a round");
    wait_until("threads and files are given back", || {
        let now = held(daemon.process());
        now.0 <= before.0 && now.1 <= before.1
    });
    let after = held(daemon.process());
    let gap = meters.end();
    println!(
        "{rounds} rounds at {rate} Hz{}: driven again within {slowest:?} of the server, meters never {gap} ms apart or more, \
         threads and files {before:?} before and {after:?} after",
        if load { " under load" } else { "" }
    );
    assert!(daemon.runs());
    // A jump of the time line is told; there is none.
    assert_eq!(daemon.count("frames were left out"), 0);
    assert_eq!(daemon.stop(), Some(0));
}

#[test]
fn the_sound_comes_back_when_the_server_is_killed_stopped_and_started_again() {
    if std::env::var_os("LONGTHROW_PROOF").is_some() {
        faults(48_000, 20, true);
        faults(44_100, 20, true);
    } else {
        faults(48_000, 2, false);
        faults(44_100, 1, false);
    }
}

/// The late blocks that the log tells of, and those of them that would have been in time if no processor had stood still.
fn late_by_the_machine(daemon: &Daemon, witness: &Witness, period: Duration) -> (u64, u64) {
    /// The log tells when in whole ms, and needs some of its own.
    const NEARLY: Duration = Duration::from_millis(3);
    let (mut told, mut taken) = (0, 0);
    for line in daemon.log().iter().filter(|line| line.contains("ended late")) {
        let numbers = numbers(&line[line.find("a gap").expect("the words of the log")..]);
        let [blocks, by, ago] = numbers[..] else { panic!("not the numbers of {line}") };
        let (by, ended) = (Duration::from_micros(by), time_of_line(line).saturating_sub(Duration::from_millis(ago)));
        let stood = witness.between(ended.saturating_sub(period + by + NEARLY), ended + NEARLY);
        println!("{line}: a processor stood still for {stood:?} of that");
        told += blocks;
        // Of several nobody knows when the others were.
        taken += u64::from(blocks == 1 && stood >= by);
    }
    (told, taken)
}

/// All whole numbers in a line of the log.
fn numbers(line: &str) -> Vec<u64> {
    line.split(|c: char| !c.is_ascii_digit()).filter_map(|word| word.parse().ok()).collect()
}

/// Thirty-two channels with an equaliser and a compressor, whose faders move all the time, and how long their blocks take.
#[test]
fn no_block_that_began_in_time_ends_late() {
    let proof = std::env::var_os("LONGTHROW_PROOF").is_some();
    // So many seconds; a quieter machine may be asked for less than the whole.
    let seconds = match std::env::var("PROOF_SECONDS").ok().and_then(|text| text.parse().ok()) {
        Some(seconds) if proof => seconds,
        _ => {
            if proof {
                600
            } else {
                5
            }
        }
    };
    let period = if proof { 128 } else { 256 };
    let Some(jackd) = Jackd::start(48_000, period, 2) else { return };
    let witness = proof.then(Witness::start).flatten();
    let feeder = Feeder::start(&jackd.name, "feeder", 32);
    let catcher = Catcher::start(&jackd.name, "catcher", 32);
    let on = "equaliser.switch = \"on\"\nequaliser.low-mid.gain = 3.0\ncompressor.switch = \"on\"\npan = ";
    let profile = thirty_two_in_pairs().replace("pan = ", on);
    let mut daemon = Daemon::start(&rig(&jackd.name, 32, 32), None, &profile);
    daemon.await_lines("linked to", 64);
    wait_until_heard(&catcher, 0);
    let mut heard = 0;
    for second in 0..seconds {
        for (side, n) in ["left", "right"].into_iter().flat_map(|side| (1..=16).map(move |n| (side, n))) {
            daemon.set(&format!("/channel/{side}-{n}/fader"), if (second + n) % 2 == 0 { -6.0 } else { 0.0 });
        }
        heard += catcher.catch(48_000).channels[31].iter().filter(|x| **x != 0.0).count();
    }
    assert!(heard > 0, "nothing was heard, so nothing was measured");
    assert_eq!(daemon.stop(), Some(0));
    let (blocks, timed) = (daemon.await_line("blocks: "), daemon.await_line(" blocks timed: "));
    let micros = u64::from(period) * 1_000_000 / 48_000;
    println!("{seconds} s of {period} frames, {micros} us a block");
    println!("{}\n{}", &blocks[blocks.find("blocks: ").unwrap_or(0)..], &timed[timed.find("INFO").unwrap_or(0)..]);
    let blocks = numbers(&blocks[blocks.find("blocks: ").expect("awaited")..]);
    let timed = &timed[timed.find("within").expect("a time")..].replace("99.99 %", "").replace("99.9 %", "");
    let [half, most, nearly_all, all_but_few, begun_late] = numbers(&timed.replace("99 %", ""))[..] else {
        panic!("not the five numbers of {timed}");
    };
    let [by_device, late, longest, ..] = blocks[..] else { panic!("not the numbers of {blocks:?}") };
    assert!(by_device * u64::from(period) >= seconds * 40_000, "{by_device} blocks are not {seconds} s");
    assert!(0 < half && half <= most && most <= nearly_all && nearly_all <= all_but_few && all_but_few <= longest);
    // Blocks of a server whose clock is not understood would all be late.
    assert!(late <= by_device && begun_late < by_device, "{begun_late} of {by_device} began late");
    if let Some(witness) = witness {
        let (told, taken) = late_by_the_machine(&daemon, &witness, Duration::from_micros(micros));
        let seen: Vec<Duration> = witness.seen().into_iter().map(|still| still.took).collect();
        println!(
            "a processor stood still for more than 1 ms {} times, for {:?} at most; {taken} of the {late} late blocks fell \
             into that",
            seen.iter().filter(|took| **took > Duration::from_millis(1)).count(),
            seen.iter().max().unwrap_or(&Duration::ZERO)
        );
        assert_eq!(told, late, "every late block is told in the log");
        assert_eq!(late - taken, 0, "blocks that began in time ended late, and the machine did not stand still");
    } else if proof {
        assert_eq!(late, 0, "blocks that began in time ended late");
    }
    drop((feeder, catcher));
}
