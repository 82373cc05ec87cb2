//! A finished show mixed again: `longthrow render` beside one ffmpeg filter graph of the same sum, one core each, in one run.
//!
//! ```text
//! cargo bench --bench render
//! ```
//! 64 mono WAVs of 60 s at 48 kHz with a high-pass and four bands each, panned into the programme. Files are read and written by
//! both; nothing is asserted. Needs ffmpeg.

#![allow(clippy::print_stdout, reason = "a bench prints")]

use std::fmt::Write;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

const CHANNELS: usize = 64;
const SECONDS: usize = 60;
const RATE: usize = 48_000;
const ROUNDS: usize = 3;

/// Noise of 24 bits at -30 dBFS, another for each channel.
fn write_sources(folder: &Path) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: RATE as u32,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    for channel in 0..CHANNELS {
        let mut writer = hound::WavWriter::create(folder.join(format!("{channel}.wav")), spec).expect("a file");
        let mut state = channel as u32 + 1;
        for _ in 0..SECONDS * RATE {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            writer.write_sample((state as i32 >> 8) / 32).expect("written");
        }
        writer.finalize().expect("written");
    }
}

/// The runs that a minute's file is in: the best of several.
fn best(mut run: impl FnMut() -> Command) -> Duration {
    let times = (0..ROUNDS).map(|_| {
        let mut command = run();
        let start = Instant::now();
        let status = command.stdout(Stdio::null()).stderr(Stdio::null()).status().expect("it runs");
        assert!(status.success(), "{command:?}");
        start.elapsed()
    });
    times.min().expect("some rounds")
}

/// A command on one core.
fn on_one_core(program: &str) -> Command {
    let mut command = Command::new("taskset");
    command.args(["-c", "0", program]);
    command
}

fn pan(channel: usize) -> f64 {
    channel as f64 / 31.5 - 1.0
}

fn longthrow(folder: &Path) -> Duration {
    let mut rig = "form = 1\nkind = \"rig\"\nrate_hz = 48000\n".to_owned();
    let mut profile = "form = 1\nkind = \"profile\"\nname = \"bench\"\n".to_owned();
    for channel in 0..CHANNELS {
        writeln!(rig, "[input.i{channel}]\nkind = \"line\"\ngenerator = \"silence\"").expect("text");
        writeln!(
            profile,
            "[channel.c{channel}]\nsource = \"i{channel}\"\nswitch = \"open\"\nfader = 0.0\npan = {:?}\nassign.programme = \"on\"\n\
             high-pass = {{ switch = \"on\", frequency = 80.0 }}\n[channel.c{channel}.equaliser]\nswitch = \"on\"\n\
             low = {{ frequency = 120.0, gain = 3.0 }}\nlow-mid = {{ frequency = 400.0, gain = -4.0 }}\n\
             high-mid = {{ frequency = 1500.0, gain = 2.0 }}\nhigh = {{ shape = \"bell\", frequency = 3000.0, gain = -3.0 }}",
            pan(channel)
        )
        .expect("text");
    }
    std::fs::write(folder.join("rig.toml"), rig).expect("written");
    std::fs::write(folder.join("profile.toml"), profile).expect("written");
    best(|| {
        let mut command = on_one_core(env!("CARGO_BIN_EXE_longthrow"));
        command.current_dir(folder);
        command.args([
            "render",
            "--rig",
            "rig.toml",
            "--profile",
            "profile.toml",
            "--bus",
            "programme",
            "--out",
            "out",
        ]);
        for channel in 0..CHANNELS {
            command.arg("--input").arg(format!("i{channel}={channel}.wav"));
        }
        command
    })
}

fn ffmpeg(folder: &Path) -> Duration {
    let mut graph = String::new();
    for channel in 0..CHANNELS {
        let angle = (pan(channel) + 1.0) * std::f64::consts::FRAC_PI_4;
        write!(
            graph,
            "[{channel}:a]highpass=f=80:p=2,lowshelf=f=120:g=3:t=q:w=0.707,equalizer=f=400:t=q:w=1:g=-4,\
             equalizer=f=1500:t=q:w=1:g=2,equalizer=f=3000:t=q:w=1:g=-3,pan=stereo|c0={:.6}*c0|c1={:.6}*c0[c{channel}];",
            angle.cos(),
            angle.sin()
        )
        .expect("text");
    }
    for channel in 0..CHANNELS {
        write!(graph, "[c{channel}]").expect("text");
    }
    write!(graph, "amix=inputs={CHANNELS}:normalize=0[out]").expect("text");
    best(|| {
        let mut command = on_one_core("ffmpeg");
        command.current_dir(folder).args(["-nostdin", "-y", "-loglevel", "error", "-filter_complex_threads", "1"]);
        for channel in 0..CHANNELS {
            command.arg("-i").arg(format!("{channel}.wav"));
        }
        command.args(["-filter_complex", &graph, "-map", "[out]", "-c:a", "pcm_f32le", "ffmpeg.wav"]);
        command
    })
}

/// The level of a file, dBFS: that both did the same.
fn level(path: &Path) -> f64 {
    let mut reader = hound::WavReader::open(path).expect("it was written");
    let squares: f64 = reader.samples::<f32>().map(|sample| f64::from(sample.expect("a sample")).powi(2)).sum();
    10.0 * (squares / f64::from(reader.len())).log10()
}

fn main() {
    let folder = tempfile::tempdir().expect("a folder");
    write_sources(folder.path());
    let (ours, theirs) = (longthrow(folder.path()), ffmpeg(folder.path()));
    let per_frame = |time: Duration| time.as_secs_f64() * 1e9 / (CHANNELS * SECONDS * RATE) as f64;
    println!(
        "{CHANNELS} mono WAVs of {SECONDS} s, high-pass and four bands each, into the programme; the best of {ROUNDS}, one core each"
    );
    for (name, time, file) in [("longthrow", ours, "out/bus.programme.wav"), ("ffmpeg", theirs, "ffmpeg.wav")] {
        let level = level(&folder.path().join(file));
        println!(
            "  {name:<10} {:>7.2} s, {:>5.2} ns for each channel and frame; {level:.1} dBFS",
            time.as_secs_f64(),
            per_frame(time)
        );
    }
    println!("  {:.1} times faster", theirs.as_secs_f64() / ours.as_secs_f64());
}
