//! What `Engine::process` costs, by lanes, block size and form of vectors, and what a whole render costs.
//!
//! ```text
//! cargo bench --bench process            the table, and 60 s of the render case
//! cargo bench --bench process -- 600     the render case over 10 minutes
//! ```
//! Figures are absolute, the best of several rounds, on one core; nothing is asserted.

#![allow(clippy::print_stdout, reason = "a bench prints")]

use longthrow::daemon::load::Load;
use longthrow::desk::engine_settings;
use longthrow::dsp::lanes::{Form, Vectors};
use longthrow::engine::Engine;
use longthrow::engine::limits::TICK;
use longthrow::units::SampleRate;
use std::fmt::Write as _;
use std::path::Path;
use std::time::Instant;

const LANES: [u16; 4] = [16, 64, 128, 256];
const BLOCKS: [usize; 4] = [16, 64, 256, 1024];
/// Frames in a round, and rounds of which the best counts.
const ROUND_FRAMES: usize = 16_384;
const ROUNDS: usize = 8;
/// Nanoseconds for each frame.
fn measure(lanes: u16, block: usize, vectors: Vectors, gliding: bool) -> f64 {
    let mut engine = Engine::new(engine_settings(SampleRate::HZ_48000, vectors));
    let mut load = Load::new(lanes, block, gliding, false);
    let mut best = f64::INFINITY;
    for _ in 0..=ROUNDS {
        let start = Instant::now();
        for _ in 0..ROUND_FRAMES / block {
            load.block(&mut engine);
        }
        best = best.min(start.elapsed().as_secs_f64() * 1e9 / ROUND_FRAMES as f64);
    }
    assert!(load.sounds(), "nothing came out, so nothing was measured");
    best
}

fn table() {
    let forms: Vec<Vectors> = Form::ALL.into_iter().filter_map(Vectors::new).collect();
    for gliding in [false, true] {
        println!("{}: ns for each frame (and lane)", if gliding { "every fader and pan moving" } else { "still" });
        let mut head = format!("{:>6} {:>6}", "lanes", "block");
        for vectors in &forms {
            write!(head, " {:>18}", vectors.form().word()).expect("a string");
        }
        println!("{head}");
        for lanes in LANES {
            for block in BLOCKS {
                let mut line = format!("{lanes:>6} {block:>6}");
                for vectors in &forms {
                    let ns = measure(lanes, block, *vectors, gliding);
                    write!(line, " {ns:>10.1} ({:>5.2})", ns / f64::from(lanes)).expect("a string");
                }
                println!("{line}");
            }
        }
        println!();
    }
}

/// 64 channels of generated sound at -20 dBFS, eight faders moving twenty times a second, one bus written.
fn render_case(seconds: u32) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (mut rig, mut profile) = ("form = 1\nkind = \"rig\"\nrate_hz = 48000\n".to_owned(), String::new());
    profile += "form = 1\nkind = \"profile\"\nname = \"Load\"\n";
    for n in 1..=64_u32 {
        let signal = match n % 4 {
            0 => format!("\"sine\"\nfrequency_hz = {}.0", 100 + 37 * n),
            1 => format!("\"pink\"\nseed = {n}"),
            2 => format!("\"sine\"\nfrequency_hz = {}.0", 1_000 + 91 * n),
            _ => format!("\"speech-like\"\nseed = {n}"),
        };
        writeln!(rig, "[input.in-{n}]\nkind = \"line\"\ngenerator = {signal}\nlevel_dbfs = -20.0").expect("a string");
        let pan = f64::from((n * 29) % 200) / 100.0 - 1.0;
        writeln!(
            profile,
            "[channel.c-{n}]\nsource = \"in-{n}\"\nswitch = \"open\"\nfader = -15.0\npan = {pan:?}\nassign.programme = \"on\""
        )
        .expect("a string");
    }
    let mut events = String::new();
    for step in 0..20 * seconds {
        for channel in 1..=8 {
            let level = -15.0 - f64::from((step * (channel + 3)) % 17) / 2.0;
            let t = f64::from(step) / 20.0;
            writeln!(events, "{{\"t\":{t},\"set\":\"channel.c-{channel}.fader\",\"value\":{level:?}}}")
                .expect("a string");
        }
    }
    let put = |name: &str, text: &str| std::fs::write(folder.path().join(name), text).expect("it can be written");
    put("rig.toml", &rig);
    put("profile.toml", &profile);
    put("events.jsonl", &events);
    for form in Form::ALL.into_iter().filter(|form| form.is_here()) {
        println!(
            "{seconds} s of 64 channels, {:>6}: {:.1} times real time",
            form.word(),
            render(folder.path(), seconds, form)
        );
    }
}

/// Times real time of the whole command, files included.
fn render(folder: &Path, seconds: u32, form: Form) -> f64 {
    let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_longthrow"));
    command.current_dir(folder).args(["render", "--rig", "rig.toml", "--profile", "profile.toml"]);
    command.args(["--events", "events.jsonl", "--bus", "programme", "--out", "out", "--vectors", form.word()]);
    let start = Instant::now();
    let output = command.args(["--length", &seconds.to_string()]).output().expect("the binary starts");
    let taken = start.elapsed().as_secs_f64();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    f64::from(seconds) / taken
}

fn main() {
    assert!(ROUND_FRAMES.is_multiple_of(BLOCKS[3]) && BLOCKS[0].is_multiple_of(TICK));
    let seconds = std::env::args().skip(1).find_map(|argument| argument.parse().ok());
    if seconds.is_none() {
        table();
    }
    render_case(seconds.unwrap_or(60));
}
