//! `longthrow measure` on half an hour of 24-bit stereo, beside two other meters in the same run.
//!
//! ```text
//! cargo bench --bench measure            half an hour
//! cargo bench --bench measure -- 600     so many seconds
//! cargo bench --bench measure -- live    only what the meters of the engine cost
//! ```
//! The file is in the page cache for all of them. The `ebur128` crate is given its samples in memory, so it reads nothing.
//! Each figure is the best of three; nothing is asserted.

#![allow(clippy::print_stdout, reason = "a bench prints")]

use longthrow::dsp::generators::{Pink, Sine, SpeechLike};
use longthrow::dsp::lanes::{Form, Row, Vectors};
use longthrow::dsp::loudness::{Loudness, mean_square};
use longthrow::engine::limits::TICK;
use longthrow::engine::meters::{Measure, Measures, Meters};
use longthrow::units::{Decibels, SampleRate};
use std::io::{BufWriter, Write};
use std::path::Path;
use std::process::Command;
use std::time::Instant;

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

/// What a step of 10 ms costs, and a reading of everything, in the first and in the last minute of ten hours.
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

/// What the live meters of so many channels cost: loudness, true peak, quasi-peaks, VU, DC, flat tops, correlation.
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
                            vectors.run(Measure { meters, measures: &measures, audio: tick, at_grid_line: true });
                        }
                    }
                    assert!(meters.iter_mut().all(|meters| meters.take_readings().true_peak[0] > 0.0));
                }
            });
            println!(
                "live meters of 64 {channels} channels, {:>6}: {:.2} % of one core",
                vectors.form().word(),
                second * 100.0
            );
        }
    }
}

fn main() {
    if std::env::args().any(|argument| argument == "live") {
        return live_meters();
    }
    let seconds = std::env::args().skip(1).find_map(|argument| argument.parse().ok()).unwrap_or(1_800);
    side_by_side(seconds, Kind::Programme, "talk over noise");
    side_by_side(seconds, Kind::Tone, "a steady tone");
    ten_hours();
    live_meters();
}
