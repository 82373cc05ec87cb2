//! The true-peak limiter, judged by an interpolation of its output at 64 times the rate that is made here.
//!
//! EBU R 128 (2023) item m allows +0.3 dB for the measurement of true peak.

#![allow(clippy::print_stdout, reason = "it says what it found")]

#[path = "support/live.rs"]
#[allow(dead_code, reason = "each test uses a part of it")]
mod live;
#[path = "support/show.rs"]
#[allow(dead_code, reason = "each test uses a part of it")]
mod show;

use longthrow::daemon::offline::{Buffers, Offline};
use longthrow::dsp::lanes::{Form, Vectors};
use longthrow::dsp::true_peak_limiter::TruePeakLimiter;
use longthrow::engine::Feed;
use longthrow::units::{Decibels, SampleRate};
use std::f64::consts::{PI, TAU};

const HZ: f64 = 48_000.0;
/// Taps on either side: with a Kaiser window of 90 dB flat to 0.46 of the rate.
const HALF: i32 = 64;
const FINE: i32 = 64;

fn limiter_at(rate: SampleRate, ceiling: f32, vectors: Vectors) -> TruePeakLimiter {
    let ceiling = Decibels::try_new(ceiling).expect("a level");
    TruePeakLimiter::new(ceiling, 100.0, rate, vectors)
}

fn limiter(ceiling: f32, vectors: Vectors) -> TruePeakLimiter {
    limiter_at(SampleRate::HZ_48000, ceiling, vectors)
}

fn limited(ceiling: f32, sides: &[Vec<f32>; 2]) -> [Vec<f32>; 2] {
    limited_by(limiter(ceiling, Vectors::widest()), sides)
}

fn limited_by(mut limiter: TruePeakLimiter, sides: &[Vec<f32>; 2]) -> [Vec<f32>; 2] {
    let latency = limiter.latency_frames();
    let [mut left, mut right] = sides.clone().map(|side| [side, vec![0.0; latency]].concat());
    limiter.process(&mut left, &mut right);
    [left, right].map(|side| side[latency..].to_vec())
}

/// Modified Bessel function of order 0, by its series.
fn bessel(x: f64) -> f64 {
    let mut term = 1.0;
    (1..60).fold(1.0, |sum, k| {
        term *= (x / 2.0 / f64::from(k)).powi(2);
        sum + term
    })
}

/// An interpolator to 64 times the rate: `[phase][tap]`.
struct Interpolator(Vec<Vec<f64>>);

impl Interpolator {
    fn new() -> Self {
        let beta = 0.1102 * (90.0 - 8.7);
        let tap = |t: f64| {
            let inside = 1.0 - (t / f64::from(HALF)).powi(2);
            let window = if inside > 0.0 { bessel(beta * inside.sqrt()) / bessel(beta) } else { 0.0 };
            let sinc = if t.abs() < 1e-12 { 1.0 } else { (PI * t).sin() / (PI * t) };
            sinc * window
        };
        let phase = |p: i32| (1 - HALF..=HALF).map(|k| tap(f64::from(k) - f64::from(p) / f64::from(FINE))).collect();
        Self((0..FINE).map(phase).collect())
    }

    fn point(&self, samples: &[f32], at: usize, phase: usize) -> f64 {
        let first = at as isize + 1 - HALF as isize;
        let taps = self.0[phase].iter().enumerate();
        let sum: f64 = taps
            .map(|(k, tap)| {
                let place = usize::try_from(first + k as isize).ok();
                tap * f64::from(place.and_then(|place| samples.get(place)).copied().unwrap_or(0.0))
            })
            .sum();
        sum.abs()
    }

    /// The highest true peak in dB. Points at 8 times are made everywhere; those at 64 times only between two of them of which
    /// one is higher than 0.175 dB below the highest of all, because from one that is lower no signal gets to the highest within a
    /// sixteenth of a sample: 20 log cos(pi f / 8) at f = 1/2, half the rate.
    fn peak_db(&self, samples: &[f32]) -> f64 {
        const COARSE: usize = 8;
        let step = FINE as usize / COARSE;
        let spans = samples.len().saturating_sub(1);
        let coarse: Vec<f64> = (0..spans * COARSE)
            .map(|n| self.point(samples, n / COARSE, n % COARSE * step))
            .chain(samples.last().map(|last| f64::from(last.abs())))
            .collect();
        let top = coarse.iter().fold(0.0, |top: f64, point| top.max(*point));
        let mut highest = top;
        for (n, pair) in coarse.windows(2).enumerate() {
            if pair[0].max(pair[1]) >= 0.98 * top {
                for fine in 1..step {
                    highest = highest.max(self.point(samples, n / COARSE, n % COARSE * step + fine));
                }
            }
        }
        20.0 * highest.log10()
    }
}

struct Random(u64);

impl Random {
    /// From -1 to 1.
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
    }
}

/// Frames of a programme at 48 kHz.
const LENGTH: usize = 2_400;

/// A programme with overs that holds nothing above 20 kHz: tones of random frequency, by turns spread by the logarithm and evenly,
/// that swell and fade as bells do; where it begins and ends it fades over 5 ms.
fn programme_at(hz: f64, seed: u64) -> [Vec<f32>; 2] {
    let mut random = Random(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
    let fine = hz / HZ;
    let length = (LENGTH as f64 * fine) as usize;
    let mut sides = [vec![0.0_f64; length], vec![0.0; length]];
    for _ in 0..10 {
        // A bell of 2 ms, the shortest, has fallen by 60 dB at 400 Hz beside its tone; the highest tone is 19.4 kHz.
        let place = (random.next() + 1.0) / 2.0;
        let hertz = if seed.is_multiple_of(2) { 30.0 * 10_f64.powf(2.81 * place) } else { 30.0 + 19_370.0 * place };
        let (centre, width) =
            (length as f64 * (random.next() + 1.0) / 2.0, fine * (100.0 + 900.0 * random.next().abs()));
        let level = 10_f64.powf(8.0 * random.next() / 20.0);
        let phase = random.next();
        let pan = random.next();
        for (side, samples) in sides.iter_mut().enumerate() {
            let gain = level * if side == 0 { 1.0 - pan } else { 1.0 + pan };
            for (n, sample) in samples.iter_mut().enumerate() {
                let t = (n as f64 - centre) / width;
                *sample += gain * (-t * t).exp() * (TAU * (hertz * n as f64 / hz + phase)).sin();
            }
        }
    }
    let fade = 5e-3 * hz;
    let shape = |n: usize| (0.5 - 0.5 * (PI * (n.min(length - 1 - n) as f64 / fade).min(1.0)).cos()) as f32;
    sides.map(|side| side.into_iter().enumerate().map(|(n, sample)| sample as f32 * shape(n)).collect())
}

fn programme(seed: u64) -> [Vec<f32>; 2] {
    programme_at(HZ, seed)
}

/// How far the true peak of what left lies above the ceiling, dB, which must be 0.3 at most; no sample lies above it.
#[track_caller]
fn judged(interpolator: &Interpolator, ceiling: f32, held: &[&[f32]; 2], what: &str) -> f64 {
    let highest = 10_f64.powf(f64::from(ceiling) / 20.0) as f32;
    for side in held {
        assert!(
            side.iter().all(|sample| sample.abs() <= highest * 1.000_000_2),
            "{what}: a sample lies above the ceiling"
        );
    }
    let over =
        held.iter().map(|side| interpolator.peak_db(side)).fold(f64::NEG_INFINITY, f64::max) - f64::from(ceiling);
    assert!(over <= 0.3, "{what}: {over} dB above the ceiling");
    over
}

/// How many random programmes there are.
const PROGRAMMES: u64 = 1_000;

/// At the rates of players, of broadcast and twice that; 20 kHz is 0.4535, 0.4167 and 0.2083 of them.
#[test]
fn random_programmes_with_overs_stay_below_the_ceiling() {
    let interpolator = Interpolator::new();
    for hz in [44_100, 48_000, 96_000] {
        let rate = SampleRate::try_new(hz).expect("a rate");
        let mut worst = f64::NEG_INFINITY;
        for seed in 0..PROGRAMMES {
            let sides = programme_at(f64::from(hz), seed);
            let [left, right] = limited_by(limiter_at(rate, -1.0, Vectors::widest()), &sides);
            worst = worst.max(judged(&interpolator, -1.0, &[&left, &right], &format!("{hz} Hz, programme {seed}")));
        }
        println!("{hz} Hz, {PROGRAMMES} programmes: the true peak at 64 times goes to {worst:+.3} dB of the ceiling");
    }
}

/// The same programmes by way of a stereo channel and the programme bus to an output that has a ceiling, in callbacks of 32, 64
/// and 480 frames; each is followed by silence that is longer than the limiter's memory.
#[test]
fn random_programmes_through_a_bus_stay_below_the_ceiling_of_its_output() {
    const APART: usize = 7_200;
    let mut lines = live::STEREO.to_owned();
    lines.push_str("\noutput.feed.source = programme\noutput.feed.level = 0.0\noutput.feed.ceiling = -1.0");
    let vectors = Vectors::widest();
    let silent = Box::new(|_: &std::path::Path, _, _| Feed::Silent);
    let mut desk = Offline::new(show::installation(2, &lines), show::RATE, vectors, silent);
    let latency = limiter(-1.0, vectors).latency_frames();
    let mut sides = [vec![0.0; live::LEAD_IN], vec![0.0; live::LEAD_IN]];
    for seed in 0..PROGRAMMES {
        for (side, more) in sides.iter_mut().zip(programme(seed)) {
            side.extend(more);
            side.resize(side.len() + APART - LENGTH, 0.0);
        }
    }
    let length = sides[0].len();
    let mut wires = Buffers { inputs: sides.to_vec(), outputs: vec![vec![0.0; length]; 2], offset: 0, frames: 0 };
    while wires.offset < length {
        wires.frames = [32, 64, 480][wires.offset / APART % 3].min(length - wires.offset);
        desk.process(&mut wires);
        wires.offset += wires.frames;
    }
    let interpolator = Interpolator::new();
    let (mut worst, mut overs) = (f64::NEG_INFINITY, 0);
    for seed in 0..PROGRAMMES {
        let first = live::LEAD_IN + seed as usize * APART;
        let held = [0, 1].map(|side: usize| &wires.outputs[side][first..first + LENGTH + latency]);
        worst = worst.max(judged(&interpolator, -1.0, &held, &format!("programme {seed}")));
        let came = sides.iter().flat_map(|side| &side[first..first + LENGTH]).fold(0.0_f32, |top, x| top.max(x.abs()));
        overs += u64::from(came > 0.891_251);
        assert!(held[0].iter().any(|sample| sample.abs() > 0.1), "programme {seed} came through");
    }
    assert!(overs >= PROGRAMMES * 9 / 10, "{overs} of {PROGRAMMES} programmes went over");
    println!("{PROGRAMMES} programmes, {overs} with overs, through a bus: {worst:+.3} dB of the ceiling");
}

/// A bed at -20 dBFS; 0.2 s at +12 dBFS; fs/4 at 45 degrees, +3 dB; single samples at +6 dBFS; a square of 100 Hz at 0 dBFS.
#[test]
fn the_stress_signal_stays_below_the_ceiling() {
    let tone = |hertz: f64, db: f64, n: usize, degrees: f64| {
        10_f64.powf(db / 20.0) * (TAU * (hertz * n as f64 / HZ + degrees / 360.0)).sin()
    };
    let mut signal: Vec<f32> = (0..96_000).map(|n| tone(997.0, -20.0, n, 0.0) as f32).collect();
    for (n, sample) in signal.iter_mut().enumerate() {
        match n {
            9_600..19_200 => *sample = tone(997.0, 12.0, n, 0.0) as f32,
            28_800..38_400 => *sample = tone(12_000.0, 3.0, n, 45.0) as f32,
            48_000..57_600 if n % 1_000 == 0 => *sample = 2.0,
            67_200..86_400 => *sample = tone(100.0, 0.0, n, 0.0).signum() as f32,
            _ => {}
        }
    }
    let [left, right] = limited(-1.0, &[signal.clone(), signal]);
    let over = judged(&Interpolator::new(), -1.0, &[&left, &right], "stress");
    println!("stress: the true peak at 64 times goes to {over:+.3} dB of the ceiling");
}

/// THD+N: what is left when the tone itself, by least squares, is taken away.
#[test]
fn a_tone_under_3_db_of_reduction_stays_clean() {
    for hertz in [60.0, 100.0, 997.0, 6_000.0] {
        let amplitude = 10_f64.powf(2.0 / 20.0);
        let tone: Vec<f32> =
            (0..96_000).map(|n| (amplitude * (TAU * hertz * f64::from(n) / HZ).sin()) as f32).collect();
        let [held, _] = limited(-1.0, &[tone.clone(), tone]);
        let steady = &held[48_000..];
        let (mut sin, mut cos) = (0.0, 0.0);
        let angle = |n: usize| TAU * hertz * (n + 48_000) as f64 / HZ;
        for (n, sample) in steady.iter().enumerate() {
            sin += f64::from(*sample) * angle(n).sin() * 2.0 / steady.len() as f64;
            cos += f64::from(*sample) * angle(n).cos() * 2.0 / steady.len() as f64;
        }
        let rest =
            |(n, sample): (usize, &f32)| (f64::from(*sample) - sin * angle(n).sin() - cos * angle(n).cos()).powi(2);
        let rest: f64 = steady.iter().enumerate().map(rest).sum::<f64>() / steady.len() as f64;
        let peak = sin.hypot(cos);
        let thdn = 100.0 * (2.0 * rest).sqrt() / peak;
        println!("{hertz} Hz: {:+.2} dB of gain, THD+N {thdn:.4} %", 20.0 * (peak / amplitude).log10());
        assert!(thdn < 0.5, "{hertz} Hz: {thdn} %");
        assert!((20.0 * (peak / amplitude).log10() + 3.1).abs() < 0.15);
    }
}

/// Below the ceiling nothing changes but the time, which is the latency stated.
#[test]
fn what_is_below_the_ceiling_comes_out_bit_for_bit() {
    let quiet = programme(5).map(|side| side.into_iter().map(|sample| sample * 0.02).collect::<Vec<f32>>());
    assert!(limited(-1.0, &quiet) == quiet);
    let limiter = limiter(-1.0, Vectors::widest());
    assert_eq!(limiter.latency_frames(), 71 + 15, "1.5 ms of look-ahead and half the interpolator");
}

#[test]
fn the_bytes_are_the_same_for_every_callback_size_and_form_and_the_gain_for_both_sides() {
    let signal = programme(6);
    let whole = |form: Form, callback: usize| {
        let mut limiter = limiter(-6.0, Vectors::new(form).expect("this machine has it"));
        let [mut left, mut right] = signal.clone();
        for (left, right) in left.chunks_mut(callback).zip(right.chunks_mut(callback)) {
            limiter.process(left, right);
        }
        [left, right]
    };
    let expected = whole(Form::Plain, 16);
    for form in Form::ALL.into_iter().filter(|form| form.is_here()) {
        for callback in [1, 7, 16, 64, 480, 4_096] {
            assert!(whole(form, callback) == expected, "{form:?} at {callback}");
        }
    }
    // Linked: a quiet side follows the loud one by the same factor.
    let [left, _] = signal;
    let quiet: Vec<f32> = left.iter().map(|sample| sample * 0.25).collect();
    let [held, beside] = limited(-6.0, &[left, quiet]);
    assert!(held.iter().zip(&beside).all(|(held, beside)| (held * 0.25 - beside).abs() <= 1e-6));
}

#[test]
fn what_is_no_number_is_silence_and_leaves_no_trace() {
    let mut signal = programme(7);
    signal[0][1_000] = f32::NAN;
    signal[1][1_001] = f32::INFINITY;
    let held = limited(-1.0, &signal);
    assert!(held.iter().flatten().all(|sample| sample.is_finite()));
}
