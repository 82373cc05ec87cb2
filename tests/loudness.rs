//! `longthrow measure` against EBU Tech 3341 and 3342 (2023), ITU-R BS.1770-5, and two other meters.
//!
//! Every signal is made here (`support/loud.rs`), written as a WAV file and measured by the built program. The recorded
//! programmes of Tech 3341 cases 7 and 8 and Tech 3342 cases 5 and 6 cannot be synthesised and are not tested.

#![allow(clippy::print_stdout, reason = "a test that skips says why")]

#[path = "support/loud.rs"]
mod loud;
mod support;

use longthrow::dsp::generators::{Pink, SpeechLike};
use longthrow::dsp::lanes::{Form, Vectors};
use longthrow::dsp::programme::{Format, Programme};
use longthrow::dsp::samples::Encoding;
use longthrow::units::{Decibels, SampleRate};
use loud::{HZ, Planar, Written, sine, stereo, tone, true_peak_splice, true_peak_tone};
use serde_json::Value;
use std::f64::consts::TAU;
use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::sync::{Arc, Mutex};
use support::have;

const SILENCE: f64 = f64::NEG_INFINITY;

fn run(arguments: &[&str], files: &[&Path]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_longthrow"));
    command.arg("measure").args(arguments).args(files).output().expect("the program starts")
}

fn json(files: &[&Path]) -> Value {
    let output = run(&["--json"], files);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).expect("it is JSON")
}

/// What the program says of one signal.
fn measured(planar: &Planar) -> Value {
    measured_as(planar, HZ, Written::Int24)
}

fn measured_as(planar: &Planar, hz: u32, written: Written) -> Value {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join("signal.wav");
    loud::write(&path, planar, hz, written);
    json(&[&path])
}

#[track_caller]
fn reads(found: &Value, key: &str, expected: f64, minus: f64, plus: f64) {
    let value = found[key].as_f64().unwrap_or_else(|| panic!("{key} is {}", found[key]));
    assert!(value >= expected - minus && value <= expected + plus, "{key} is {value}, expected {expected}");
}

/// The tolerance of Tech 3341 Table 1 for M, S and I.
#[track_caller]
fn loud_as(found: &Value, key: &str, expected: f64) {
    reads(found, key, expected, 0.1, 0.1);
}

// ---- EBU Tech 3341 (2023) Table 1 ----

#[test]
fn tech_3341_case_1() {
    let found = measured(&tone(&[(-23.0, 20.0)], 1));
    for key in ["max_momentary_lufs", "max_short_term_lufs", "integrated_lufs"] {
        loud_as(&found, key, -23.0);
    }
}

#[test]
fn tech_3341_case_2() {
    let found = measured(&tone(&[(-33.0, 20.0)], 1));
    for key in ["max_momentary_lufs", "max_short_term_lufs", "integrated_lufs"] {
        loud_as(&found, key, -33.0);
    }
}

#[test]
fn tech_3341_case_3() {
    loud_as(&measured(&tone(&[(-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)], 1)), "integrated_lufs", -23.0);
}

#[test]
fn tech_3341_case_4() {
    let segments = [(-72.0, 10.0), (-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0), (-72.0, 10.0)];
    loud_as(&measured(&tone(&segments, 1)), "integrated_lufs", -23.0);
}

#[test]
fn tech_3341_case_5() {
    loud_as(&measured(&tone(&[(-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)], 1)), "integrated_lufs", -23.0);
}

#[test]
fn tech_3341_case_6() {
    let channels = [-28.0, -28.0, -24.0, -30.0, -30.0].map(|db| sine(1_000.0, &[(db, 20.0)], 1));
    loud_as(&measured(&channels.to_vec()), "integrated_lufs", -23.0);
}

/// The lowest and highest momentary and short-term loudness, every 100 ms from this time on.
fn constant_from(planar: &Planar, from_s: f64) -> [(f64, f64); 2] {
    let rate = SampleRate::try_new(HZ).expect("a rate");
    let format = Format { rate, encoding: Encoding::Float32, weights: vec![1.0; planar.len()] };
    let heard = Arc::new(Mutex::new(Vec::new()));
    let hear = Arc::clone(&heard);
    let mut programme = Programme::new(format, planar[0].len() as u64, Vectors::widest(), move |m, s| {
        hear.lock().expect("one thread").push((m, s));
    });
    feed(&mut programme, planar);
    let heard = heard.lock().expect("one thread");
    let range = |of: fn(&(f64, f64)) -> f64| {
        let values = heard.iter().skip((from_s * 10.0).round() as usize - 1).map(of);
        values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)))
    };
    [range(|heard| heard.0), range(|heard| heard.1)]
}

fn feed(programme: &mut Programme, planar: &Planar) {
    let mut bytes = vec![0; programme.stretch_bytes()];
    let frames: Vec<usize> = (0..planar[0].len()).collect();
    for stretch in frames.chunks(programme.stretch_frames()) {
        let samples = stretch.iter().flat_map(|n| planar.iter().map(|channel| channel[*n]));
        for (place, sample) in bytes.chunks_exact_mut(4).zip(samples) {
            place.copy_from_slice(&sample.to_le_bytes());
        }
        programme.take(&mut bytes, stretch.len());
    }
}

#[test]
fn tech_3341_case_9() {
    let signal = tone(&[(-20.0, 1.34), (-30.0, 1.66)], 5);
    loud_as(&measured(&signal), "max_short_term_lufs", -23.0);
    let [_, (low, high)] = constant_from(&signal, 3.0);
    assert!(low >= -23.1 && high <= -22.9, "S goes from {low} to {high}");
}

/// Twenty files, each with this value.
fn files(signals: &[Planar], key: &str) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let paths: Vec<_> = (0..signals.len()).map(|n| folder.path().join(format!("{n}.wav"))).collect();
    for (path, signal) in paths.iter().zip(signals) {
        loud::write(path, signal, HZ, Written::Int24);
    }
    let found = json(&paths.iter().map(|path| &**path).collect::<Vec<_>>());
    let found = found.as_array().expect("a list for several files");
    assert_eq!(found.len(), signals.len());
    found.iter().for_each(|found| loud_as(found, key, -23.0));
}

#[test]
fn tech_3341_case_10() {
    let signal = |i: i32| tone(&[(SILENCE, f64::from(i) * 0.15), (-23.0, 3.0), (SILENCE, 1.0)], 1);
    files(&(0..20).map(signal).collect::<Vec<_>>(), "max_short_term_lufs");
}

/// From memory: the live counterpart of case 10, all twenty in one signal, with rising level.
#[test]
fn tech_3341_case_11() {
    let segments =
        |i: i32| [(SILENCE, f64::from(i) * 0.15), (f64::from(i) - 38.0, 3.0), (SILENCE, 3.0 - f64::from(i) * 0.15)];
    let signal = tone(&(0..20).flat_map(segments).collect::<Vec<_>>(), 1);
    loud_as(&measured(&signal), "max_short_term_lufs", -19.0);
}

#[test]
fn tech_3341_case_12() {
    let signal = tone(&[(-20.0, 0.18), (-30.0, 0.22)], 25);
    loud_as(&measured(&signal), "max_momentary_lufs", -23.0);
    let [(low, high), _] = constant_from(&signal, 1.0);
    assert!(low >= -23.1 && high <= -22.9, "M goes from {low} to {high}");
}

#[test]
fn tech_3341_case_13() {
    let signal = |i: i32| tone(&[(SILENCE, f64::from(i) * 0.02), (-23.0, 0.4), (SILENCE, 1.0)], 1);
    files(&(0..20).map(signal).collect::<Vec<_>>(), "max_momentary_lufs");
}

/// From memory: the live counterpart of case 13, all twenty in one signal, with rising level.
#[test]
fn tech_3341_case_14() {
    let segments =
        |i: i32| [(SILENCE, f64::from(i) * 0.02), (f64::from(i) - 38.0, 0.4), (SILENCE, 0.4 - f64::from(i) * 0.02)];
    let signal = tone(&(0..20).flat_map(segments).collect::<Vec<_>>(), 1);
    loud_as(&measured(&signal), "max_momentary_lufs", -19.0);
}

/// The tolerance of Tech 3341 Table 1 for true peak.
#[track_caller]
fn peaks_at(signal: &Planar, written: Written, expected: f64) {
    let found = measured_as(signal, HZ, written);
    reads(&found, "true_peak_dbtp", expected, 0.4, 0.2);
    assert!(found["true_peak_dbtp"].as_f64() >= found["sample_peak_dbfs"].as_f64(), "{found}");
}

/// Tone at a quarter of the rate and 45 degrees lies 3.01 dB above its samples (ITU-R BS.1770-5 Annex 2), also where louder samples
/// came before, and in the last of a file.
#[test]
fn a_peak_between_soft_samples_or_at_the_very_end_is_found() {
    let quarter = |n: usize, amplitude: f32| amplitude * [1.0, 1.0, -1.0, -1.0][n % 4];
    let slow = |n: usize| 0.794 * (n as f32 * 0.02).sin();
    let later: Vec<f32> = (0..48_000).map(|n| if n < 24_000 { slow(n) } else { quarter(n, 0.66) }).collect();
    let found = measured(&vec![later.clone(), later]);
    // The samples of the second half are 1.6 dB below the first tone, its true peak is at -0.6 dBTP.
    reads(&found, "sample_peak_dbfs", -2.0, 0.05, 0.05);
    let peak = found["true_peak_dbtp"].as_f64().expect("a peak");
    assert!((-1.0..=1.0).contains(&peak), "{peak}");
    let last: Vec<f32> = (0..4_800).map(|n| if n < 4_794 { 0.0 } else { quarter(n, 0.5) }).collect();
    let found = measured(&vec![last.clone(), last]);
    reads(&found, "sample_peak_dbfs", -6.0, 0.1, 0.1);
    assert!(found["true_peak_dbtp"].as_f64().expect("a peak") > -4.5, "{found}");
}

#[test]
fn tech_3341_case_15() {
    peaks_at(&true_peak_tone(0.25, 0.5, 0.0), Written::Int24, -6.0);
}

#[test]
fn tech_3341_case_16() {
    peaks_at(&true_peak_tone(0.25, 0.5, 45.0), Written::Int24, -6.0);
}

#[test]
fn tech_3341_case_17() {
    peaks_at(&true_peak_tone(1.0 / 6.0, 0.5, 60.0), Written::Int24, -6.0);
}

#[test]
fn tech_3341_case_18() {
    peaks_at(&true_peak_tone(0.125, 0.5, 67.5), Written::Int24, -6.0);
}

/// From memory.
#[test]
fn tech_3341_case_19() {
    peaks_at(&true_peak_tone(0.25, 1.41, 45.0), Written::Int24, 3.0);
}

#[test]
fn tech_3341_case_20() {
    peaks_at(&true_peak_splice(0), Written::Int24, 0.0);
}

/// From memory: as case 20, one sample later.
#[test]
fn tech_3341_case_21() {
    peaks_at(&true_peak_splice(1), Written::Int24, 0.0);
}

#[test]
fn tech_3341_case_22() {
    peaks_at(&true_peak_splice(2), Written::Int24, 0.0);
}

/// From memory: as case 20, three samples later.
#[test]
fn tech_3341_case_23() {
    peaks_at(&true_peak_splice(3), Written::Int24, 0.0);
}

// ---- EBU Tech 3342 (2023) Table 1 ----

#[test]
fn tech_3342_case_1() {
    reads(&measured(&tone(&[(-20.0, 20.0), (-30.0, 20.0)], 1)), "loudness_range_lu", 10.0, 1.0, 1.0);
}

#[test]
fn tech_3342_case_2() {
    reads(&measured(&tone(&[(-20.0, 20.0), (-15.0, 20.0)], 1)), "loudness_range_lu", 5.0, 1.0, 1.0);
}

/// From memory.
#[test]
fn tech_3342_case_3() {
    reads(&measured(&tone(&[(-40.0, 20.0), (-20.0, 20.0)], 1)), "loudness_range_lu", 20.0, 1.0, 1.0);
}

#[test]
fn tech_3342_case_4() {
    let segments = [(-50.0, 20.0), (-35.0, 20.0), (-20.0, 20.0), (-35.0, 20.0), (-50.0, 20.0)];
    reads(&measured(&tone(&segments, 1)), "loudness_range_lu", 15.0, 1.0, 1.0);
}

// ---- ITU-R BS.1770-5 Annex 1 ----

/// The calibration sentence: 997 Hz at 0 dBFS in one front channel reads -3.01 LKFS.
#[test]
fn bs_1770_calibration() {
    let signal = sine(997.0, &[(0.0, 10.0)], 1);
    let silence = vec![0.0; signal.len()];
    let found = measured_as(&vec![signal.clone(), silence], HZ, Written::Float);
    reads(&found, "integrated_lufs", -3.01, 0.05, 0.05);
    assert_eq!(found["correlation"], Value::Null, "one side is silent");
    reads(&found, "mono_loss_db", -3.0103, 0.001, 0.001);
    reads(&measured_as(&stereo(signal), HZ, Written::Float), "integrated_lufs", 0.0, 0.05, 0.05);
}

/// Channels are squared before they are summed: an inverted side reads as loud, and vanishes in mono.
#[test]
fn bs_1770_inverted() {
    let signal = sine(997.0, &[(0.0, 10.0)], 1);
    let inverted = signal.iter().map(|sample| -sample).collect();
    let found = measured_as(&vec![signal, inverted], HZ, Written::Float);
    reads(&found, "integrated_lufs", 0.0, 0.05, 0.05);
    reads(&found, "correlation", -1.0, 0.0, 0.01);
    assert_eq!(found["mono_loss_db"], Value::Null, "nothing is left");
}

/// EBU Tech 3343 (2023) clause 8.1.
#[test]
fn tech_3343_alignment() {
    let found = measured(&tone(&[(-18.0, 20.0)], 1));
    loud_as(&found, "integrated_lufs", -18.0);
    reads(&found, "sample_peak_dbfs", -18.0, 0.02, 0.02);
    reads(&found, "correlation", 1.0, 1e-4, 0.0);
    reads(&found, "mono_loss_db", 0.0, 1e-3, 1e-3);
    // On one side alone it reads -21.0 LUFS.
    let alone = sine(1_000.0, &[(-18.0, 20.0)], 1);
    loud_as(&measured(&vec![alone.clone(), vec![0.0; alone.len()]]), "integrated_lufs", -21.0);
    reads(&found, "dc_offset", 0.0, 1e-6, 1e-6);
}

/// BS.1770-5 Annex 1 Table 3 and its text: both surrounds weigh 1.41, and the effects channel is left out. A tone of -20 dBFS on
/// each of left, right, centre, effects, left and right surround.
#[test]
fn bs_1770_channel_weights() {
    let found = measured(&vec![sine(997.0, &[(-20.0, 5.0)], 1); 6]);
    // -23.01 LUFS for a channel of weight 1; five channels of 3 + 2 * 1.41.
    reads(&found, "integrated_lufs", -23.01 + 10.0 * 5.82_f64.log10(), 0.05, 0.05);
}

/// BS.1770-5 Annex 1 Table 3, and Table 4 for more channels: those between 60 and 120 degrees to the side weigh 1.41, all others 1, and
/// the effects channel is left out by the text. The positions are the bits of the mask of WAVE_FORMAT_EXTENSIBLE. Each channel is
/// heard alone, and then all of them, by the `ebur128` crate too.
#[test]
fn bs_1770_layouts() {
    use ebur128::Channel as Of;
    let (front, side) = (1.0, 1.41);
    let layouts: [(&str, u32, Vec<(f64, Of)>); 7] = [
        // Two surrounds of four or five channels stand at 110 degrees, whichever of the two names the file gives them.
        (
            "5.0",
            0x37,
            vec![
                (front, Of::Left),
                (front, Of::Right),
                (front, Of::Center),
                (side, Of::LeftSurround),
                (side, Of::RightSurround),
            ],
        ),
        (
            "5.0, side",
            0x607,
            vec![
                (front, Of::Left),
                (front, Of::Right),
                (front, Of::Center),
                (side, Of::LeftSurround),
                (side, Of::RightSurround),
            ],
        ),
        (
            "5.1",
            0x3F,
            vec![
                (front, Of::Left),
                (front, Of::Right),
                (front, Of::Center),
                (0.0, Of::Unused),
                (side, Of::LeftSurround),
                (side, Of::RightSurround),
            ],
        ),
        (
            "5.1, side",
            0x60F,
            vec![
                (front, Of::Left),
                (front, Of::Right),
                (front, Of::Center),
                (0.0, Of::Unused),
                (side, Of::LeftSurround),
                (side, Of::RightSurround),
            ],
        ),
        // With channels at the sides, the two behind stand at 135 degrees or more.
        (
            "7.1",
            0x63F,
            vec![
                (front, Of::Left),
                (front, Of::Right),
                (front, Of::Center),
                (0.0, Of::Unused),
                (front, Of::Mp135),
                (front, Of::Mm135),
                (side, Of::Mp090),
                (side, Of::Mm090),
            ],
        ),
        (
            "6.1",
            0x70F,
            vec![
                (front, Of::Left),
                (front, Of::Right),
                (front, Of::Center),
                (0.0, Of::Unused),
                (front, Of::Mp180),
                (side, Of::Mp090),
                (side, Of::Mm090),
            ],
        ),
        // Four above the heads: left and right in front and behind.
        (
            "5.1.4",
            0x2_D03F,
            vec![
                (front, Of::Left),
                (front, Of::Right),
                (front, Of::Center),
                (0.0, Of::Unused),
                (side, Of::LeftSurround),
                (side, Of::RightSurround),
                (front, Of::Up030),
                (front, Of::Um030),
                (front, Of::Up135),
                (front, Of::Um135),
            ],
        ),
    ];
    let folder = tempfile::tempdir().expect("a temporary folder");
    for (name, mask, channels) in layouts {
        let tone = sine(997.0, &[(-20.0, 1.0)], 1);
        let (count, silence) = (channels.len(), vec![0.0; tone.len()]);
        let measured = |signal: &Planar| {
            let path = folder.path().join("layout.wav");
            std::fs::write(&path, loud::bytes(signal, HZ, Written::Float, Some(mask), true)).expect("a temporary file");
            json(&[&path])
        };
        for (place, (weight, _)) in channels.iter().enumerate() {
            let mut alone = vec![silence.clone(); count];
            alone[place].clone_from(&tone);
            let found = measured(&alone);
            if *weight > 0.0 {
                reads(&found, "integrated_lufs", -23.01 + 10.0 * weight.log10(), 0.02, 0.02);
            } else {
                assert!(found["integrated_lufs"].is_null(), "{name}, channel {place}: {found}");
                reads(&found, "sample_peak_dbfs", -20.0, 0.01, 0.01);
            }
        }
        let gains = (0..count).map(|place| 10_f64.powf(-(place as f64) / 10.0) as f32);
        let all: Planar = gains.map(|gain| tone.iter().map(|sample| sample * gain).collect()).collect();
        let mut other = ebur128::EbuR128::new(count as u32, HZ, ebur128::Mode::I).expect("a meter");
        for (place, (_, of)) in channels.iter().enumerate() {
            other.set_channel(place as u32, *of).expect("a channel");
        }
        let sides: Vec<&[f32]> = all.iter().map(|side| &side[..]).collect();
        other.add_frames_planar_f32(&sides).expect("it takes them");
        let expected = other.loudness_global().expect("a figure");
        println!("{name}: the crate {expected:.3}");
        reads(&measured(&all), "integrated_lufs", expected, 0.02, 0.02);
    }
}

/// Follows from the gates of BS.1770-5.
#[test]
fn bs_1770_gates() {
    loud_as(&measured(&tone(&[(-23.0, 20.0), (SILENCE, 40.0)], 1)), "integrated_lufs", -23.033);
    let below = measured(&tone(&[(-71.0, 10.0)], 1));
    assert_eq!(below["integrated_lufs"], Value::Null, "{below}");
    loud_as(&measured(&tone(&[(-69.0, 10.0)], 1)), "integrated_lufs", -69.0);
}

/// The response of Tables 1 and 2, evaluated with scipy 1.17.1.
#[test]
fn bs_1770_k_weighting() {
    let expected = [
        (25.0, -34.084),
        (63.0, -26.355),
        (100.0, -24.824),
        (1_000.0, -22.993),
        (2_000.0, -20.62),
        (10_000.0, -19.649),
    ];
    for (hertz, lufs) in expected {
        let found = measured(&stereo(sine(hertz, &[(-23.0, 20.0)], 1)));
        reads(&found, "integrated_lufs", lufs, 0.05, 0.05);
    }
}

// ---- two other meters ----

/// Talk over a bed of noise with pauses, at levels that change: 150 s, stereo.
fn programme(seed: u64, rate: SampleRate) -> Planar {
    let level = |db: f32| Decibels::try_new(db).expect("a level");
    let frames = 150 * rate.hz() as usize;
    let (mut talk, mut bed) = (vec![0.0; frames], [vec![0.0; frames], vec![0.0; frames]]);
    SpeechLike::new(seed, level(-20.0), rate).fill(&mut talk);
    for (side, bed) in bed.iter_mut().enumerate() {
        Pink::new(seed + 100 + side as u64, level(-32.0), rate).fill(bed);
    }
    let swell = |n: usize, phase: f64| {
        let t = n as f64 / f64::from(rate.hz());
        10_f64.powf((6.0 * (t / 17.0 + phase).sin() - 3.0) / 20.0) as f32
    };
    bed.iter()
        .enumerate()
        .map(|(side, bed)| {
            let mix =
                |(n, (talk, bed)): (usize, (&f32, &f32))| talk * swell(n, 0.0) + bed * swell(n, 1.0 + side as f64);
            talk.iter().zip(bed).enumerate().map(mix).collect()
        })
        .collect()
}

#[track_caller]
fn agrees(found: &Value, [integrated, range, peak]: [f64; 3], meter: &str) {
    println!("{meter}: I {integrated:.3} LRA {range:.3} TP {peak:.3}; here {found}");
    reads(found, "integrated_lufs", integrated, 0.05, 0.05);
    reads(found, "loudness_range_lu", range, 0.1, 0.1);
    reads(found, "true_peak_dbtp", peak, 0.15, 0.15);
}

/// Loudness range as Tech 3342 has it, of every short-term loudness given.
fn range_of(mut short_terms: Vec<f64>) -> f64 {
    short_terms.retain(|lufs| *lufs > -70.0);
    let power = short_terms.iter().map(|lufs| 10_f64.powf(lufs / 10.0)).sum::<f64>() / short_terms.len() as f64;
    short_terms.retain(|lufs| *lufs > 10.0 * power.log10() - 20.0);
    short_terms.sort_by(f64::total_cmp);
    let ranked = |part: f64| short_terms[((short_terms.len() - 1) as f64 * part).round() as usize];
    ranked(0.95) - ranked(0.10)
}

/// Without classes, whose width of 0.1 LU is the tolerance here.
const EXACT: ebur128::Mode = ebur128::Mode::all().difference(ebur128::Mode::HISTOGRAM);

#[test]
fn the_ebur128_crate_reads_the_same() {
    for (seed, hz) in [(1, 48_000), (2, 44_100), (3, 96_000)] {
        let rate = SampleRate::try_new(hz).expect("a rate");
        let signal = programme(seed, rate);
        let mut other = ebur128::EbuR128::new(2, hz, EXACT).expect("a meter");
        let mut short_terms = Vec::new();
        let tenth = hz as usize / 10;
        for (n, (left, right)) in signal[0].chunks(tenth).zip(signal[1].chunks(tenth)).enumerate() {
            other.add_frames_planar_f32(&[left, right]).expect("it takes them");
            if n >= 29 {
                short_terms.push(other.loudness_shortterm().expect("a figure"));
            }
        }
        let peak = [0, 1].map(|channel| other.true_peak(channel).expect("a peak")).into_iter().fold(0.0, f64::max);
        let figures = [other.loudness_global().expect("a figure"), range_of(short_terms), 20.0 * peak.log10()];
        agrees(&measured_as(&signal, hz, Written::Float), figures, &format!("ebur128 at {hz} Hz"));
    }
}

/// The crate's own range, in every mode that has one, against this one; and its short-term loudness, ten a second.
fn ranges_of_the_crate(signal: &Planar, hz: u32) -> ([f64; 2], Vec<f64>) {
    let tenth = hz as usize / 10;
    let mut short_terms = Vec::new();
    let ranges = [EXACT, ebur128::Mode::all()].map(|mode| {
        let mut other = ebur128::EbuR128::new(2, hz, mode).expect("a meter");
        short_terms.clear();
        for (n, (left, right)) in signal[0].chunks(tenth).zip(signal[1].chunks(tenth)).enumerate() {
            other.add_frames_planar_f32(&[left, right]).expect("it takes them");
            if n >= 29 {
                short_terms.push(other.loudness_shortterm().expect("a figure"));
            }
        }
        other.loudness_range().expect("a figure")
    });
    (ranges, short_terms)
}

/// The range that the `ebur128` crate gives itself, with and without its histogram, where its second from one short-term loudness
/// to the next is short beside what changes: within 0.1 LU.
#[test]
fn the_ebur128_crate_has_the_same_range_where_loudness_changes_slowly() {
    let slow = |seed: u64| -> Planar {
        let mut sides = [vec![0.0_f32; 600 * HZ as usize], vec![0.0; 600 * HZ as usize]];
        for (side, samples) in sides.iter_mut().enumerate() {
            let level = Decibels::try_new(-26.0).expect("a level");
            Pink::new(seed + side as u64, level, SampleRate::HZ_48000).fill(samples);
            for (n, sample) in samples.iter_mut().enumerate() {
                let swell = 8.0 * (n as f64 / f64::from(HZ) / 27.0).sin();
                *sample *= 10_f64.powf(swell / 20.0) as f32;
            }
        }
        sides.to_vec()
    };
    let cases = [
        (tone(&[(-20.0, 20.0), (-30.0, 20.0)], 1), "Tech 3342 case 1"),
        (tone(&[(-20.0, 20.0), (-15.0, 20.0)], 1), "case 2"),
        (tone(&[(-40.0, 20.0), (-20.0, 20.0)], 1), "case 3, from memory"),
        (tone(&[(-50.0, 20.0), (-35.0, 20.0), (-20.0, 20.0), (-35.0, 20.0), (-50.0, 20.0)], 1), "case 4"),
        (slow(1), "ten minutes of noise that swells"),
    ];
    for (signal, what) in cases {
        let (ranges, _) = ranges_of_the_crate(&signal, HZ);
        let found = measured_as(&signal, HZ, Written::Float);
        println!("{what}: the crate {ranges:.3?}, here {}", found["loudness_range_lu"]);
        for range in ranges {
            reads(&found, "loudness_range_lu", range, 0.1, 0.1);
        }
    }
}

/// Where the crate's range deviates, and why. It takes one short-term loudness a second, where Tech 3342 (2023) asks for ten at
/// least; everything else is the same. So its figure is, to a thousandth, the range of every tenth of its own short-term
/// loudness, and of talk it depends on which tenth that is: on when the programme began. Taken ten times a second, it is the
/// figure here, and the one of ffmpeg, which takes ten (`the_filter_of_ffmpeg_reads_the_same`).
#[test]
fn the_ebur128_crate_has_another_range_only_where_a_second_is_too_long() {
    for (seed, hz) in [(1, 48_000), (2, 44_100), (3, 96_000)] {
        let signal = programme(seed, SampleRate::try_new(hz).expect("a rate"));
        let ([exact, classes], short_terms) = ranges_of_the_crate(&signal, hz);
        let tenths: [f64; 10] =
            std::array::from_fn(|first| range_of(short_terms.iter().skip(first).step_by(10).copied().collect()));
        let (low, high) = tenths.iter().fold((f64::MAX, f64::MIN), |(low, high), at| (low.min(*at), high.max(*at)));
        assert!((exact - tenths[0]).abs() < 0.001, "{exact} for {}", tenths[0]);
        // Its classes are 0.1 LU wide, at either end.
        assert!((classes - exact).abs() <= 0.101, "{classes} for {exact}");
        let found = measured_as(&signal, hz, Written::Float);
        println!(
            "{hz} Hz: the crate {exact:.3}, begun later {low:.3} to {high:.3}; here {}",
            found["loudness_range_lu"]
        );
        assert!(high - low > 0.1, "a second would be short enough");
        reads(&found, "loudness_range_lu", range_of(short_terms), 0.02, 0.02);
    }
}

/// What is measured at other rates against the filter of ffmpeg at 48 kHz, for which the tables are printed, behind ffmpeg's own
/// resampler. At 8 kHz itself ffmpeg and the `ebur128` crate read 0.3 LU higher on this: there they take the bilinear transform
/// of the tables with the gain of its high-pass as it comes (0.21 dB) and its bend of the shelf (0.29 dB at most).
#[test]
fn the_filter_of_ffmpeg_reads_the_same_of_low_and_high_rates() {
    if !have(&["ffmpeg"]) {
        return;
    }
    let folder = tempfile::tempdir().expect("a temporary folder");
    for hz in [8_000, 11_025, 16_000, 384_000] {
        let path = folder.path().join(format!("{hz}.wav"));
        // Tones side by side, each third of a tone one, from 1 kHz to what ffmpeg's own resampler lets through whole.
        let top = (0.43 * f64::from(hz)).min(12_000.0);
        let tones: Vec<f64> =
            (0..).map(|n| 1_000.0 * 2_f64.powf(f64::from(n) / 18.0)).take_while(|f| *f < top).collect();
        let level = 0.5 / tones.len() as f64;
        let sample = |n: usize| -> f32 {
            let t = n as f64 / f64::from(hz);
            tones
                .iter()
                .enumerate()
                .map(|(k, f)| level * (TAU * (f * t + 0.37 * (k * k) as f64).fract()).sin())
                .sum::<f64>() as f32
        };
        loud::write(&path, &stereo((0..5 * hz as usize).map(sample).collect()), hz, Written::Float);
        let output = Command::new("ffmpeg")
            .args(["-nostats", "-hide_banner", "-v", "error", "-i"])
            .arg(&path)
            .args(["-af", "aresample=48000,ebur128=metadata=1,ametadata=print:file=-", "-f", "null", "-"])
            .output()
            .expect("ffmpeg runs");
        let text = String::from_utf8_lossy(&output.stdout);
        let line = text.lines().rev().find_map(|line| line.strip_prefix("lavfi.r128.I="));
        let integrated: f64 = line.and_then(|value| value.parse().ok()).expect("a figure");
        let found = json(&[&path]);
        println!("{hz} Hz: ffmpeg {integrated:.3}, here {}", found["integrated_lufs"]);
        reads(&found, "integrated_lufs", integrated, 0.05, 0.05);
    }
}

#[test]
fn the_filter_of_ffmpeg_reads_the_same() {
    if !have(&["ffmpeg"]) {
        return;
    }
    let folder = tempfile::tempdir().expect("a temporary folder");
    for seed in [4, 5] {
        let path = folder.path().join(format!("{seed}.wav"));
        let signal = programme(seed, SampleRate::try_new(HZ).expect("a rate"));
        loud::write(&path, &signal, HZ, Written::Float);
        let output = Command::new("ffmpeg")
            .args(["-nostats", "-hide_banner", "-v", "error", "-i"])
            .arg(&path)
            .args(["-af", "ebur128=peak=true:metadata=1,ametadata=print:file=-", "-f", "null", "-"])
            .output()
            .expect("ffmpeg runs");
        let text = String::from_utf8_lossy(&output.stdout);
        let last = |key: &str| -> f64 {
            let line = text.lines().rev().find_map(|line| line.strip_prefix(&format!("lavfi.r128.{key}=")));
            line.and_then(|value| value.parse().ok()).unwrap_or_else(|| panic!("no {key} in {}", text.len()))
        };
        let peak = 20.0 * last("true_peaks_ch0").max(last("true_peaks_ch1")).log10();
        agrees(&json(&[&path]), [last("I"), last("LRA"), peak], "ffmpeg");
    }
}

// ---- the program around it ----

#[test]
fn every_form_of_vectors_gives_the_same_figures() {
    let signal = programme(6, SampleRate::try_new(HZ).expect("a rate")).into_iter().map(|mut side| {
        side.truncate(20 * HZ as usize);
        side
    });
    let signal: Planar = signal.collect();
    let rate = SampleRate::try_new(HZ).expect("a rate");
    let figures = |vectors: Vectors| {
        let format = Format { rate, encoding: Encoding::Float32, weights: vec![1.0; 2] };
        let mut programme = Programme::new(format, signal[0].len() as u64, vectors, |_, _| {});
        feed(&mut programme, &signal);
        let found = programme.finish();
        let bits = [found.loudness.integrated(), found.loudness.range(), found.correlation, found.dc_offset];
        (bits.map(|figure| figure.map(f64::to_bits)), found.true_peak.to_bits(), found.sample_peak.to_bits())
    };
    let plain = figures(Vectors::new(Form::Plain).expect("always here"));
    for vectors in Form::ALL.into_iter().filter_map(Vectors::new) {
        assert_eq!(figures(vectors), plain, "{:?}", vectors.form());
    }
}

#[test]
fn every_kind_of_file_gives_the_same_figures() {
    let signal = tone(&[(-20.0, 2.0), (-26.0, 2.5)], 2);
    let expected = measured_as(&signal, HZ, Written::Float);
    for written in [Written::Int16, Written::Int24, Written::Int32, Written::Rf64] {
        let found = measured_as(&signal, HZ, written);
        for key in ["integrated_lufs", "max_momentary_lufs", "true_peak_dbtp", "sample_peak_dbfs"] {
            reads(&found, key, expected[key].as_f64().expect("a figure"), 0.01, 0.01);
        }
        reads(&found, "duration_s", 9.0, 0.0, 0.0);
    }
}

/// What the program says of bytes that come through a pipe, and what it complains of.
fn piped(name: &str, bytes: &[u8]) -> (Value, String) {
    let mut child = Command::new(env!("CARGO_BIN_EXE_longthrow"))
        .args(["measure", "--json", name])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    let mut pipe = child.stdin.take().expect("it has one");
    // In pieces that end within frames, as pipes have them.
    bytes.chunks(9_973).for_each(|piece| pipe.write_all(piece).expect("it reads"));
    drop(pipe);
    let output = child.wait_with_output().expect("it ends");
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.success(), "{said}");
    (serde_json::from_slice(&output.stdout).expect("it is JSON"), said)
}

const FIGURES: [&str; 8] = [
    "integrated_lufs",
    "loudness_range_lu",
    "max_momentary_lufs",
    "max_short_term_lufs",
    "true_peak_dbtp",
    "sample_peak_dbfs",
    "correlation",
    "duration_s",
];

#[test]
fn a_pipe_gives_the_figures_of_the_file() {
    let signal = tone(&[(-20.0, 2.0), (-26.0, 3.0)], 4);
    for written in [Written::Int16, Written::Int24, Written::Float, Written::Rf64] {
        let file = measured_as(&signal, HZ, written);
        for (counted, name) in [(true, "-"), (false, "-"), (false, "/dev/stdin")] {
            let (found, said) = piped(name, &loud::bytes(&signal, HZ, written, None, counted));
            assert!(said.is_empty() && found["file"] == name, "{said} {found}");
            for key in FIGURES {
                reads(&found, key, file[key].as_f64().expect("a figure"), 0.001, 0.001);
            }
        }
    }
    // A size of nothing, as others leave it; and one that is not kept.
    let mut bytes = loud::bytes(&signal, HZ, Written::Int16, None, true);
    let data = bytes.windows(4).position(|bytes| bytes == b"data").expect("it has samples");
    let (_, said) = piped("-", &bytes[..bytes.len() / 2]);
    assert!(said.contains("it ends early: 10.0 s of the 20.0 s its header says"), "{said}");
    bytes[data + 4..data + 8].fill(0);
    reads(&piped("-", &bytes).0, "duration_s", 20.0, 0.0, 0.0);
}

#[test]
fn what_ffmpeg_writes_into_a_pipe_is_measured() {
    if !have(&["ffmpeg"]) {
        return;
    }
    for rf64 in ["never", "always"] {
        let mut ffmpeg = Command::new("ffmpeg")
            .args(["-nostats", "-hide_banner", "-v", "error", "-f", "lavfi", "-t", "20"])
            .args(["-i", "aevalsrc=0.1*sin(997*2*PI*t)|0.1*sin(997*2*PI*t):s=48000", "-c:a", "pcm_s24le"])
            .args(["-rf64", rf64, "-f", "wav", "pipe:1"])
            .stdout(Stdio::piped())
            .spawn()
            .expect("ffmpeg starts");
        let pipe = ffmpeg.stdout.take().expect("it has one");
        let output =
            Command::new(env!("CARGO_BIN_EXE_longthrow")).args(["measure", "--json", "-"]).stdin(pipe).output();
        let output = output.expect("the program starts");
        assert!(ffmpeg.wait().expect("it ends").success());
        let found: Value = serde_json::from_slice(&output.stdout).expect("it is JSON");
        reads(&found, "integrated_lufs", -20.0, 0.05, 0.05);
        reads(&found, "duration_s", 20.0, 0.0, 0.0);
        assert!(output.stderr.is_empty(), "{}", String::from_utf8_lossy(&output.stderr));
    }
}

/// 8 to 384 kHz: one tone reads the same; what lies beyond is refused with what is read.
#[test]
fn any_rate_gives_the_same_figures() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join("rate.wav");
    let write = |hz: u32| {
        let sample = |n: u32| (0.1 * (TAU * (997.0 * f64::from(n) / f64::from(hz)).fract()).sin()) as f32;
        loud::write(&path, &stereo((0..5 * hz).map(sample).collect()), hz, Written::Float);
    };
    for hz in [
        8_000, 11_025, 12_000, 16_000, 22_050, 24_000, 32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000,
        352_800, 384_000,
    ] {
        write(hz);
        let found = json(&[&path]);
        reads(&found, "integrated_lufs", -20.0, 0.02, 0.02);
        reads(&found, "true_peak_dbtp", -20.0, 0.1, 0.1);
        reads(&found, "duration_s", 5.0, 1e-3, 1e-3);
    }
    for hz in [7_999, 384_001] {
        write(hz);
        let said = String::from_utf8_lossy(&run(&[], &[&path]).stderr).into_owned();
        assert!(said.contains(&format!("a rate of {hz} Hz; 8,000 to 384,000 are read")), "{said}");
    }
}

#[test]
fn nothing_reads_as_less_than_nothing() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join("nearly.wav");
    // Means of a hair below 0; sides that are alike but for a hair.
    let mut left = sine(1_000.0, &[(-20.0, 1.0)], 1);
    left[7] -= 2e-4;
    loud::write(&path, &vec![left, sine(1_000.0, &[(-20.0, 1.0)], 1)], HZ, Written::Float);
    let table = String::from_utf8_lossy(&run(&[], &[&path]).stdout).into_owned();
    assert!(table.contains(" +0.000000\n") && table.contains(" 0.0 dB\n"), "{table}");
    let mut left = sine(1_000.0, &[(-20.0, 1.0)], 1);
    left[7] -= 2e-7;
    loud::write(&path, &stereo(left), HZ, Written::Float);
    let text = String::from_utf8_lossy(&run(&["--json"], &[&path]).stdout).into_owned();
    assert!(text.contains("\"dc_offset\": 0.0") && text.contains("\"mono_loss_db\": 0.0"), "{text}");
}

/// A tail shorter than a block counts for peaks and not for loudness; where the pieces are cut does not matter.
#[test]
fn files_of_any_length_are_read_to_their_last_sample() {
    for frames in [0, 1, 17, 479, 19_199, 19_200, 76_800, 768_000, 768_001, 800_003] {
        let mut samples: Vec<f32> = sine(1_000.0, &[(-20.0, 17.0)], 1)[..frames].to_vec();
        if let Some(last) = samples.last_mut() {
            *last = 0.9;
        }
        let found = measured_as(&stereo(samples), HZ, Written::Float);
        reads(&found, "duration_s", frames as f64 / f64::from(HZ), 1e-9, 1e-9);
        if frames == 0 {
            assert!(found["true_peak_dbtp"].is_null() && found["dc_offset"].is_null(), "{found}");
        } else {
            reads(&found, "sample_peak_dbfs", -0.915, 0.001, 0.001);
            assert!(found["true_peak_dbtp"].as_f64() >= found["sample_peak_dbfs"].as_f64(), "{found}");
        }
        assert_eq!(found["integrated_lufs"].is_null(), frames < 19_200, "{frames}: {found}");
    }
}

/// Those that a file of one or four channels may lack, or that are 0.
const FIGURES_BESIDES: [&str; 2] = ["mono_loss_db", "dc_offset"];

#[track_caller]
fn has_exactly(found: &Value, besides: &[&str]) {
    let mut keys: Vec<&str> = found.as_object().expect("an object").keys().map(String::as_str).collect();
    let mut expected = [&FIGURES[..], &FIGURES_BESIDES, besides].concat();
    keys.sort_unstable();
    expected.sort_unstable();
    assert_eq!(keys, expected);
}

#[test]
fn the_object_has_exactly_its_keys() {
    let found = measured(&tone(&[(-20.0, 1.0)], 1));
    has_exactly(&found, &["file"]);
    assert_eq!(found["loudness_range_lu"], Value::Null, "shorter than the window");
}

/// One that is not there, one that is none, a folder: alone, and with one that can be read between them.
#[test]
fn a_file_that_cannot_be_measured_has_its_object_too() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let [gone, broken, good] = ["gone.wav", "broken.wav", "good.wav"].map(|name| folder.path().join(name));
    std::fs::write(&broken, b"RIFF").expect("it can be written");
    loud::write(&good, &tone(&[(-23.0, 5.0)], 1), HZ, Written::Int24);
    let asked = |arguments: &[&str], files: &[&Path]| -> Value {
        let output = run(arguments, files);
        assert_eq!(output.status.code(), Some(3), "{files:?}");
        serde_json::from_slice(&output.stdout).expect("it is JSON")
    };
    let is_none = |found: &Value, file: &Path, besides: &[&str]| {
        has_exactly(found, &[&["file", "error"], besides].concat());
        assert!(FIGURES.iter().chain(&FIGURES_BESIDES).all(|key| found[key].is_null()), "{found}");
        assert_eq!(found["file"].as_str(), file.to_str());
        assert!(found["error"].as_str().is_some_and(|why| why.contains(file.to_str().expect("a name"))), "{found}");
    };
    for file in [&*gone, &broken, folder.path()] {
        is_none(&asked(&["--json"], &[file]), file, &[]);
    }
    let all = asked(&["--json", "--target", "ebu-r128"], &[&gone, &good, &broken]);
    assert_eq!(all.as_array().expect("a list").len(), 3);
    for (found, file) in [(&all[0], &gone), (&all[2], &broken)] {
        is_none(found, file, &["target", "passes"]);
        assert_eq!(found["passes"], Value::Bool(false));
    }
    has_exactly(&all[1], &["file", "target", "passes"]);
    assert_eq!(all[1]["passes"], Value::Bool(true));
    // People read why on the other stream, and a table of what there is.
    let table = run(&[], &[&gone, &good]);
    let table = String::from_utf8_lossy(&table.stdout);
    assert!(table.contains("good.wav\n") && !table.contains("gone.wav"), "{table}");
}

#[test]
fn a_target_passes_or_fails_by_the_exit_code() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (good, bad, none) =
        (folder.path().join("good.wav"), folder.path().join("bad.wav"), folder.path().join("none.wav"));
    loud::write(&good, &tone(&[(-23.0, 5.0)], 1), HZ, Written::Int24);
    loud::write(&bad, &tone(&[(-14.0, 5.0)], 1), HZ, Written::Int24);
    let code = |arguments: &[&str], files: &[&Path]| run(arguments, files).status.code();
    assert_eq!(code(&["--target", "ebu-r128"], &[&good]), Some(0));
    assert_eq!(code(&["--target", "ebu-r128"], &[&good, &bad]), Some(1));
    assert_eq!(code(&["--target", "nobody"], &[&good]), Some(2));
    assert_eq!(code(&["--target", "ebu-r128"], &[&good, &none]), Some(3));
    let said = run(&["--target", "ebu-r128"], &[&bad]);
    let said = String::from_utf8_lossy(&said.stderr).into_owned();
    assert!(said.contains("bad.wav: integrated loudness is -14.0 LUFS; accepted: -23.2 to -22.8"), "{said}");
    let verdicts: Value =
        serde_json::from_slice(&run(&["--json", "--target", "ebu-r128"], &[&good, &bad]).stdout).expect("it is JSON");
    assert_eq!([&verdicts[0]["target"], &verdicts[1]["target"]], ["ebu-r128"; 2]);
    assert_eq!((&verdicts[0]["passes"], &verdicts[1]["passes"]), (&Value::Bool(true), &Value::Bool(false)));
    // The documents need no file; everything else does.
    let list = run(&["--target", "list"], &[]);
    let listed = String::from_utf8_lossy(&list.stdout);
    assert!(list.status.success() && listed.contains("EBU R 128 (2023)"));
    assert!(listed.lines().all(|line| line.contains(" LUFS") && line.contains("true peak at most -")), "{listed}");
    for arguments in [&[][..], &["--target", "ebu-r128"], &["--json"]] {
        let none = run(arguments, &[]);
        assert_eq!(none.status.code(), Some(2));
        assert!(String::from_utf8_lossy(&none.stderr).contains("no file to measure"), "{arguments:?}");
    }
}

/// A float file may hold what no converter plays: it is silence in the figures, counted, and no file for the air.
#[test]
fn samples_that_are_no_audio_are_counted_and_fail_a_target() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join("torn.wav");
    loud::write(&path, &tone(&[(-23.0, 5.0)], 1), HZ, Written::Float);
    assert!(run(&["--target", "ebu-r128"], &[&path]).stderr.is_empty());
    let mut bytes = std::fs::read(&path).expect("it was written");
    for (place, bad) in [f32::NAN, f32::INFINITY, 2.0e6].into_iter().enumerate() {
        let at = bytes.len() - 4 * 1_000 * (place + 1);
        bytes[at..at + 4].copy_from_slice(&bad.to_le_bytes());
    }
    std::fs::write(&path, &bytes).expect("it can be written");
    let output = run(&["--json", "--target", "ebu-r128"], &[&path]);
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(said.contains("torn.wav: 3 samples are no audio"), "{said}");
    assert_eq!(output.status.code(), Some(1));
    let figures: Value = serde_json::from_slice(&output.stdout).expect("it is JSON");
    assert_eq!(figures["passes"], Value::Bool(false));
    assert!((figures["integrated_lufs"].as_f64().expect("measured") + 23.0).abs() < 0.1);
    assert_eq!(run(&[], &[&path]).status.code(), Some(0));
}

/// What is there may be as the document asks; what was to be delivered is not there. From half a file to its very last frame, and in
/// a pipe to its last byte.
#[test]
fn a_file_that_was_cut_short_passes_no_target() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join("cut.wav");
    let whole = loud::bytes(&tone(&[(-23.0, 20.0)], 1), HZ, Written::Int24, None, true);
    let judged = |bytes: &[u8]| {
        std::fs::write(&path, bytes).expect("it can be written");
        run(&["--json", "--target", "ebu-r128"], &[&path])
    };
    assert!(judged(&whole).status.success());
    for missing in [whole.len() / 2, 6, 1] {
        let cut = &whole[..whole.len() - missing];
        let output = judged(cut);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(1), "{missing}: {said}");
        assert!(said.contains("its header says, so it passes no target"), "{said}");
        let figures: Value = serde_json::from_slice(&output.stdout).expect("it is JSON");
        assert_eq!(figures["passes"], Value::Bool(false), "{missing}");
        loud_as(&figures, "integrated_lufs", -23.0);
        assert_eq!(run(&[], &[&path]).status.code(), Some(0));
        assert!(piped("-", cut).1.contains("it ends early"), "{missing}");
    }
}

#[test]
fn a_plot_shows_the_whole_programme() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (wav, svg) = (folder.path().join("a & b.wav"), folder.path().join("plot.svg"));
    loud::write(&wav, &tone(&[(-23.0, 6.0)], 1), HZ, Written::Int24);
    let output = run(&["--plot", svg.to_str().expect("a name")], &[&wav]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = std::fs::read_to_string(&svg).expect("it was drawn");
    let lines: Vec<&str> = text.lines().filter(|line| line.starts_with("<polyline")).collect();
    assert_eq!(lines.len(), 2, "momentary and short-term");
    assert!(lines.iter().all(|line| line.matches(',').count() == 60), "a point every 100 ms");
    assert!(text.contains(">0</text>") && !text.contains(">-0<"), "{text}");
    assert!(text.contains("a &amp; b.wav") && text.contains("integrated -23.0 LUFS"), "{text}");
}

#[test]
fn broken_files_are_refused_with_their_name() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join("talk.wav");
    let mut whole = {
        loud::write(&path, &tone(&[(-20.0, 1.0)], 1), HZ, Written::Int24);
        std::fs::read(&path).expect("it was written")
    };
    for length in [0, 3, 11, 20, 40] {
        std::fs::write(&path, &whole[..length]).expect("it can be written");
        let output = run(&["--json"], &[&path]);
        assert_eq!(output.status.code(), Some(3), "{length}");
        assert!(String::from_utf8_lossy(&output.stderr).contains("talk.wav"), "{length}");
    }
    // Cut inside its samples, and a header that counts none because its writer was killed: what is there is read.
    std::fs::write(&path, &whole[..whole.len() / 2]).expect("it can be written");
    reads(&json(&[&path]), "duration_s", 0.5, 0.001, 0.001);
    let said = String::from_utf8_lossy(&run(&[], &[&path]).stderr).into_owned();
    assert!(said.contains("talk.wav: it ends early: 0.5 s of the 1.0 s its header says"), "{said}");
    std::fs::write(&path, &whole).expect("it can be written");
    assert!(run(&[], &[&path]).stderr.is_empty());
    let data = whole.windows(4).position(|bytes| bytes == b"data").expect("it has samples");
    whole[data + 4..data + 8].fill(0);
    std::fs::write(&path, &whole).expect("it can be written");
    reads(&json(&[&path]), "duration_s", 1.0, 0.0, 0.0);
}
