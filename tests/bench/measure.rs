//! `longthrow measure` on half an hour of 24-bit stereo, beside two other meters in the same run.
//!
//! ```text
//! cargo bench --bench measure            half an hour
//! cargo bench --bench measure -- 600     so many seconds
//! cargo bench --bench measure -- live    only what the live meters cost, in the engine and on the desk's side
//! cargo bench --bench measure -- hours   only what ten hours cost, in time and memory
//! ```
//! The file is in the page cache for all of them. The `ebur128` crate is given its samples in memory, so it reads nothing.
//! Each figure is the best of three; nothing is asserted.

#![allow(clippy::print_stdout, reason = "a bench prints")]

#[path = "../support/show.rs"]
#[allow(dead_code, reason = "a part of it is used")]
mod show;

use longthrow::daemon::hub::{Hub, MeterTable};
use longthrow::daemon::offline::{Buffers, Offline};
use longthrow::desk::{MeterMemory, MeterName};
use longthrow::dsp::correlation::Correlation;
use longthrow::dsp::generators::{Pink, Sine, SpeechLike};
use longthrow::dsp::lanes::{Form, Row, Vectors};
use longthrow::dsp::loudness::{Loudness, mean_square};
use longthrow::engine::limits::TICK;
use longthrow::engine::meters::{Measure, Measures, Meters};
use longthrow::engine::{Feed, MeterFrame};
use longthrow::units::{Decibels, SampleRate};
use std::cell::RefCell;
use std::io::{BufWriter, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use std::rc::Rc;
use std::sync::Arc;
use std::time::{Duration, Instant};

const HZ: u32 = 48_000;
const ROUNDS: usize = 3;

/// What stands in the file: talk over pink noise, or a steady tone, where every point could be the highest.
#[derive(Clone, Copy)]
enum Kind {
    Programme,
    Tone,
}

/// Writes the file and gives its samples, interleaved.
fn make(path: &Path, seconds: u32, kind: Kind) -> Vec<f32> {
    let rate = SampleRate::HZ_48000;
    let level = |db: f32| Decibels::try_new(db).expect("a level");
    let mut talk = SpeechLike::new(1, level(-20.0), rate);
    let mut beds = [Pink::new(2, level(-30.0), rate), Pink::new(3, level(-30.0), rate)];
    let mut tone = Sine::new(1_000.0, level(-6.0), rate);
    let frames = (seconds * HZ) as usize;
    let mut samples = Vec::with_capacity(2 * frames);
    let mut file = BufWriter::new(std::fs::File::create(path).expect("a temporary file"));
    let data = u32::try_from(frames * 6).expect("less than 4 GiB");
    file.write_all(b"RIFF").expect("room");
    file.write_all(&(data + 36).to_le_bytes()).expect("room");
    file.write_all(b"WAVEfmt \x10\0\0\0\x01\0\x02\0").expect("room");
    for word in [HZ, HZ * 6] {
        file.write_all(&word.to_le_bytes()).expect("room");
    }
    file.write_all(b"\x06\0\x18\0data").expect("room");
    file.write_all(&data.to_le_bytes()).expect("room");
    let (mut voice, mut sides) = ([0.0; 480], [[0.0; 480]; 2]);
    for _ in 0..frames / 480 {
        match kind {
            Kind::Programme => {
                talk.fill(&mut voice);
                beds.iter_mut().zip(&mut sides).for_each(|(bed, side)| bed.fill(side));
            }
            Kind::Tone => tone.fill(&mut voice),
        }
        for n in 0..480 {
            for side in &sides {
                let whole = ((voice[n] + side[n]) * 8_388_608.0).clamp(-8_388_608.0, 8_388_607.0) as i32;
                file.write_all(&whole.to_le_bytes()[..3]).expect("room");
                samples.push(whole as f32 / 8_388_608.0);
            }
        }
    }
    file.flush().expect("room");
    samples
}

/// Seconds of the best round.
fn best(mut work: impl FnMut()) -> f64 {
    let round = |_| {
        let start = Instant::now();
        work();
        start.elapsed().as_secs_f64()
    };
    (0..ROUNDS).map(round).fold(f64::INFINITY, f64::min)
}

fn side_by_side(seconds: u32, kind: Kind, name: &str) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join("programme.wav");
    let samples = make(&path, seconds, kind);
    let here = best(|| {
        let output = Command::new(env!("CARGO_BIN_EXE_longthrow")).args(["measure", "--json"]).arg(&path).output();
        assert!(output.expect("the program starts").status.success());
    });
    println!("{name}: {seconds} s of 24-bit stereo");
    println!("  longthrow measure, file reading included   {here:>7.3} s");
    let crate_s = best(|| {
        let mode = ebur128::Mode::I
            | ebur128::Mode::M
            | ebur128::Mode::S
            | ebur128::Mode::LRA
            | ebur128::Mode::TRUE_PEAK
            | ebur128::Mode::HISTOGRAM;
        let mut meter = ebur128::EbuR128::new(2, HZ, mode).expect("a meter");
        samples.chunks(2 * HZ as usize / 10).for_each(|chunk| meter.add_frames_f32(chunk).expect("it takes them"));
        assert!(meter.loudness_global().expect("a figure").is_finite());
    });
    println!("  ebur128 crate, true peak and histogram     {crate_s:>7.3} s   {:>5.1} times as long", crate_s / here);
    if Command::new("ffmpeg").arg("-version").output().is_err() {
        println!("  there is no ffmpeg here");
        return;
    }
    let ffmpeg_s = best(|| {
        let status = Command::new("ffmpeg")
            .args(["-nostats", "-hide_banner", "-v", "error", "-i"])
            .arg(&path)
            .args(["-af", "ebur128=peak=true:framelog=verbose", "-f", "null", "-"])
            .status();
        assert!(status.expect("ffmpeg runs").success());
    });
    println!("  ffmpeg ebur128=peak=true                   {ffmpeg_s:>7.3} s   {:>5.1} times as long", ffmpeg_s / here);
}

/// What is resident in memory of a process now, and what was at most, MB.
fn resident(process: &str) -> [f64; 2] {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).unwrap_or_default();
    ["VmRSS:", "VmHWM:"].map(|key| {
        let line = status.lines().find_map(|line| line.strip_prefix(key));
        line.and_then(|rest| rest.trim().split(' ').next()?.parse::<f64>().ok()).map_or(f64::NAN, |kib| kib / 1_024.0)
    })
}

/// What loudness of one thing costs for each step of 10 ms, and a reading of everything, in the first and in the last minute of ten
/// hours.
fn ten_hours() {
    let mut loudness = Loudness::new();
    let mut step = |n: u64| loudness.step(mean_square(-23.0 + 15.0 * ((n % 9_973) as f64 / 9_973.0 - 0.5)));
    let minute = 6_000;
    let mut cost = |from: u64| {
        let start = Instant::now();
        (from..from + minute).for_each(&mut step);
        start.elapsed().as_secs_f64() * 1e9 / minute as f64
    };
    let first = cost(0);
    (1..599).for_each(|n| {
        cost(n * minute);
    });
    let last = cost(599 * minute);
    println!("a step of loudness: {first:.1} ns in the first minute, {last:.1} ns in the last of ten hours");
    let read = best(|| {
        assert!(loudness.integrated().is_some() && loudness.range().is_some());
    });
    println!("integrated loudness and range read after ten hours: {:.1} us", read * 1e6);
}

/// The same for everything that the desk's side of the meters remembers of 64 stereo channels, their buses and outputs: cost of a
/// meter frame, and memory of this process.
fn ten_hours_of_a_desk() {
    let (table, frames) = a_second();
    let mut memory = MeterMemory::default();
    memory.take_table(&table);
    let mut frame = frames.last().expect("a second").clone();
    let minute = 6_000;
    let mut play = |from: u64| {
        let start = Instant::now();
        for n in from..from + minute {
            let gain = mean_square(-23.0 + 15.0 * ((n % 9_973) as f64 / 9_973.0 - 0.5));
            frame.start += frame.frames;
            frame.groups.iter_mut().for_each(|group| group.weighted.fill(480.0 * gain));
            memory.read(&frame);
        }
        start.elapsed().as_secs_f64() * 1e6 / minute as f64
    };
    let first = play(0);
    let before = resident("self");
    (1..599).for_each(|n| {
        play(n * minute);
    });
    let last = play(599 * minute);
    let after = resident("self");
    println!(
        "a meter frame of {} things: {first:.2} us in the first minute, {last:.2} us in the last of ten hours; resident {:.2} MB \
         after the first minute, {:.2} MB after ten hours",
        table.iter().filter(|name| name.remembered().is_some()).count(),
        before[0],
        after[0]
    );
    assert!(memory.of("/bus/programme").and_then(|thing| thing.loudness.integrated()).is_some());
}

/// `measure` of ten hours of 16-bit stereo that come through a pipe.
fn ten_hours_through_a_pipe() {
    let mut child = Command::new(env!("CARGO_BIN_EXE_longthrow"))
        .args(["measure", "--json", "-"])
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .expect("the program starts");
    let mut pipe = child.stdin.take().expect("it has one");
    pipe.write_all(b"RIFF\xff\xff\xff\xffWAVEfmt \x10\0\0\0\x01\0\x02\0").expect("it reads");
    pipe.write_all(&[HZ.to_le_bytes(), (HZ * 4).to_le_bytes()].concat()).expect("it reads");
    pipe.write_all(b"\x04\0\x10\0data\xff\xff\xff\xff").expect("it reads");
    let rate = SampleRate::HZ_48000;
    let mut bytes = Vec::new();
    let mut pink = Pink::new(1, Decibels::try_new(-20.0).expect("a level"), rate);
    let mut samples = vec![0.0; 2 * 60 * HZ as usize];
    pink.fill(&mut samples);
    samples.iter().for_each(|sample| bytes.extend(((sample * 32_768.0) as i16).to_le_bytes()));
    let process = child.id().to_string();
    // What it ran for on a processor, whatever else the machine does, ms: proc(5), schedstat.
    let ran = || {
        let text = std::fs::read_to_string(format!("/proc/{process}/schedstat")).expect("it runs");
        text.split(' ').next().and_then(|ns| ns.parse::<f64>().ok()).expect("a number") / 1e6
    };
    let (mut first, mut marks) = ([0.0; 2], Vec::new());
    for minute in 0..600 {
        if minute % 30 == 0 {
            marks.push(ran());
        }
        pipe.write_all(&bytes).expect("it reads");
        if minute == 1 {
            first = resident(&process);
        }
    }
    marks.push(ran());
    let last = resident(&process);
    drop(pipe);
    assert!(child.wait().expect("it ends").success());
    let minutes: Vec<f64> = marks.windows(2).map(|pair| (pair[1] - pair[0]) / 30.0).collect();
    println!(
        "measure of ten hours from a pipe: {:.1} ms of a core for a minute in the first half hour, {:.1} ms in the last, {:.1} to {:.1} ms \
         between; resident at most {:.2} MB after two minutes, {:.2} MB after ten hours",
        minutes[0],
        minutes[minutes.len() - 1],
        minutes.iter().copied().fold(f64::INFINITY, f64::min),
        minutes.iter().copied().fold(0.0, f64::max),
        first[1],
        last[1]
    );
}

/// A second of meter frames of a desk with 64 stereo channels of noise on the programme, and the table they are read by.
fn a_second() -> (Vec<MeterName>, Vec<MeterFrame>) {
    let channel = |n: u32| {
        format!(
            "channel.c{n}.source = pair-{n}\nchannel.c{n}.switch = open\nchannel.c{n}.fader = -20.0\n\
             channel.c{n}.assign.programme = on\n"
        )
    };
    let lines: String = (1..=64).map(channel).collect();
    let silent = Box::new(|_: &Path, _, _| Feed::Silent);
    let mut desk = Offline::new(show::installation(128, &lines), show::RATE, Vectors::widest(), silent);
    let kept = Rc::new(RefCell::new((Vec::new(), Vec::new())));
    let into = Rc::clone(&kept);
    desk.on_meters(move |desk, frame| {
        let mut into = into.borrow_mut();
        if frame.start >= u64::from(HZ) {
            if into.0.is_empty() {
                into.0 = desk.meter_table();
            }
            into.1.push(frame.clone());
        }
    });
    let noise = |n: usize| ((n as u32).wrapping_mul(2_654_435_761) as i32) as f32 / 4.3e9;
    let inputs = (0..128).map(|wire| (0..2 * HZ as usize).map(|n| noise(128 * n + wire)).collect()).collect();
    let mut wires = Buffers { inputs, outputs: vec![], offset: 0, frames: 480 };
    while wires.offset < 2 * HZ as usize {
        desk.process(&mut wires);
        wires.offset += 480;
    }
    drop(desk);
    Rc::try_unwrap(kept).expect("the desk is gone").into_inner()
}

/// What the live meters of so many channels cost in the engine: loudness, true peak, quasi-peaks, VU, DC, flat tops, correlation.
fn live_meters() {
    let measures = Measures::new(SampleRate::HZ_48000);
    let noise = |n: usize| ((n as u32).wrapping_mul(2_654_435_761) as i32) as f32 / 4.3e9;
    let audio: Vec<Row> = (0..480).map(|n| std::array::from_fn(|lane| noise(16 * n + lane))).collect();
    for vectors in Form::ALL.into_iter().filter_map(Vectors::new) {
        for (channels, groups) in [("mono", 4), ("stereo", 8)] {
            let mut meters = vec![Meters::new(); groups];
            let second = best(|| {
                for _ in 0..100 {
                    for tick in audio.chunks(TICK) {
                        for meters in &mut meters {
                            vectors.run(Measure {
                                meters,
                                measures: &measures,
                                audio: tick,
                                at_grid_line: true,
                                only_loudness: false,
                            });
                        }
                    }
                    assert!(meters.iter_mut().all(|meters| meters.take_readings().true_peak[0] > 0.0));
                }
            });
            println!(
                "live meters of 64 {channels} channels, {:>6}: {:.2} % of one core in the engine",
                vectors.form().word(),
                second * 100.0
            );
        }
    }
}

/// What they cost on the desk's side, where the windows, gates and needles are, in the thread that hands meters on.
fn live_desk() {
    let (table, frames) = a_second();
    let mut memory = MeterMemory::default();
    memory.take_table(&table);
    let second = best(|| frames.iter().for_each(|frame| memory.read(frame)));
    println!(
        "live meters of 64 stereo channels, what remembers them: {:.2} % of one core on the desk's side",
        second * 100.0
    );
    let table = Arc::new(MeterTable { plan: 0, names: table, ..MeterTable::default() });
    for (pattern, rate_hz) in
        [("", 0.0), ("/meter/channel/*/loudness/{momentary,short-term,true-peak-max}", 20.0), ("/meter/*/*/*/*", 20.0)]
    {
        let mut hub = Hub::new(Arc::clone(&table));
        if !pattern.is_empty() {
            let client = "127.0.0.1:9".parse().expect("an address");
            hub.follow(Duration::ZERO, client, pattern, rate_hz, 3_600.0).expect("granted");
        }
        let mut values = 0;
        let second = best(|| {
            for frame in &frames {
                hub.read(frame);
                hub.poll(Duration::from_millis(frame.start / 48), &mut |_, bytes| {
                    values += bytes.len();
                    true
                });
            }
        });
        let who = if pattern.is_empty() {
            "nobody follows".to_owned()
        } else {
            format!("{pattern} followed at {rate_hz} Hz")
        };
        println!("  {who}: {:.2} % of one core", second * 100.0);
    }
    let points: Vec<f32> = (0..1_500_u32).map(|n| (n.wrapping_mul(2_654_435_761) >> 8) as f32 / 1.6e7 - 0.5).collect();
    let mut correlation = Correlation::new(1_500.0);
    let second = best(|| points.chunks(15).for_each(|points| correlation.take(points, points)));
    println!("  the slow figure of mix-minus, where there is one: {:.2} % of one core", second * 100.0);
}

fn main() {
    if std::env::args().any(|argument| argument == "live") {
        live_meters();
        return live_desk();
    }
    if std::env::args().any(|argument| argument == "hours") {
        ten_hours();
        ten_hours_of_a_desk();
        return ten_hours_through_a_pipe();
    }
    let seconds = std::env::args().skip(1).find_map(|argument| argument.parse().ok()).unwrap_or(1_800);
    side_by_side(seconds, Kind::Programme, "talk over noise");
    side_by_side(seconds, Kind::Tone, "a steady tone");
    ten_hours();
    ten_hours_of_a_desk();
    ten_hours_through_a_pipe();
    live_meters();
    live_desk();
}
