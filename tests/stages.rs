//! The stages of a channel against figures from outside: equaliser, filters, dynamics.
//!
//! The values headed "analogue" are the prototypes of the Audio EQ Cookbook (R. Bristow-Johnson, W3C Note 2021) in s,
//! evaluated with scipy 1.17; slopes and section Q of Butterworth filters are `scipy.signal.butter`'s; static curves are the
//! gain computer of Giannoulis, Massberg and Reiss (JAES 60, 2012).

#![allow(clippy::print_stdout, reason = "a proof prints what it saw")]

use longthrow::dsp::dynamics::{Behind, Compressor, DeEsser, Gate, Through, gain_per_frame};
use longthrow::dsp::equaliser::{Shape, Slope, band, high_pass};
use longthrow::dsp::lanes::{Form, LANES, Plain, Row, Vectors};
use longthrow::dsp::section::{Coefficients, Filter, Section};
use longthrow::units::SampleRate;

const RATE: f64 = 48_000.0;

fn rate() -> SampleRate {
    SampleRate::try_new(48_000).expect("a rate")
}

fn db(coefficients: &Coefficients, hertz: f64) -> f64 {
    10.0 * coefficients.squared_magnitude(hertz / RATE).max(1e-30).log10()
}

/// A small generator of numbers from 0 to 1.
fn numbers(mut seed: u64) -> impl FnMut() -> f64 {
    move || {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (seed >> 11) as f64 / (1_u64 << 53) as f64
    }
}

const FREQUENCIES: [f64; 13] =
    [31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 10_000.0, 12_500.0, 16_000.0, 20_000.0];

/// Check values E, the rows headed "analogue prototype response", and two for shelves and bells beside them.
const ANALOGUE: [(&str, Shape, f64, f64, f64, [f64; 13]); 9] = [
    (
        "bell 1 kHz Q 1 +6",
        Shape::Bell,
        1000.0,
        1.0,
        6.0,
        [0.006, 0.026, 0.103, 0.424, 1.884, 6.0, 1.884, 0.424, 0.103, 0.065, 0.042, 0.025, 0.016],
    ),
    (
        "bell 10 kHz Q 1 +12",
        Shape::Bell,
        10_000.0,
        1.0,
        12.0,
        [0.0, 0.001, 0.003, 0.01, 0.04, 0.162, 0.645, 2.553, 9.648, 12.0, 9.648, 6.132, 3.964],
    ),
    (
        "bell 16 kHz Q 2 -12",
        Shape::Bell,
        16_000.0,
        2.0,
        -12.0,
        [0.0, 0.0, 0.0, -0.001, -0.004, -0.016, -0.065, -0.278, -1.471, -2.833, -6.013, -12.0, -6.546],
    ),
    (
        "low shelf 100 Hz +6",
        Shape::LowShelf,
        100.0,
        std::f64::consts::FRAC_1_SQRT_2,
        6.0,
        [5.937, 5.143, 1.783, 0.161, 0.01, 0.001, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0],
    ),
    (
        "high shelf 8 kHz +6",
        Shape::HighShelf,
        8000.0,
        std::f64::consts::FRAC_1_SQRT_2,
        6.0,
        [0.0, 0.0, 0.0, 0.0, 0.0, 0.002, 0.025, 0.376, 3.0, 4.217, 5.097, 5.624, 5.839],
    ),
    (
        "high-pass 80 Hz",
        Shape::HighPass,
        80.0,
        std::f64::consts::FRAC_1_SQRT_2,
        0.0,
        [-16.294, -5.563, -0.674, -0.045, -0.003, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0],
    ),
    (
        "high-pass 100 Hz Q 1",
        Shape::HighPass,
        100.0,
        1.0,
        0.0,
        [-19.661, -6.838, 1.137, 0.627, 0.17, 0.043, 0.011, 0.003, 0.001, 0.0, 0.0, 0.0, 0.0],
    ),
    (
        "low-pass 12 kHz",
        Shape::LowPass,
        12_000.0,
        std::f64::consts::FRAC_1_SQRT_2,
        0.0,
        [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, -0.003, -0.053, -0.783, -1.709, -3.379, -6.191, -9.403],
    ),
    (
        "notch 1 kHz Q 5",
        Shape::Notch,
        1000.0,
        5.0,
        0.0,
        [0.0, -0.001, -0.003, -0.012, -0.077, -120.0, -0.077, -0.012, -0.003, -0.002, -0.001, -0.001, 0.0],
    ),
];

#[test]
fn bands_follow_the_analogue_prototype_to_20_khz() {
    for (name, shape, hertz, q, gain, expected) in ANALOGUE {
        let coefficients = band(shape, hertz, q, gain, rate());
        for (frequency, expected) in FREQUENCIES.into_iter().zip(expected) {
            let found = db(&coefficients, frequency);
            if expected <= -60.0 {
                assert!(found <= -60.0, "{name}: {found:.1} dB at {frequency} Hz");
                continue;
            }
            let within = if frequency <= 10_000.0 { 0.05 } else { 0.6 };
            assert!((found - expected).abs() <= within, "{name}: {found:.3} for {expected} dB at {frequency} Hz");
        }
    }
}

/// The prototype in s, written apart from the library's: complex arithmetic on the cookbook's formulas.
fn prototype(shape: Shape, hertz: f64, q: f64, gain: f64, at: f64) -> f64 {
    let (s, a) = (at / hertz, 10_f64.powf(gain / 40.0));
    let size = |real: f64, imaginary: f64| real.hypot(imaginary);
    let quotient = match shape {
        Shape::Bell => size(1.0 - s * s, s * a / q) / size(1.0 - s * s, s / (a * q)),
        Shape::HighShelf => a * size(1.0 - a * s * s, a.sqrt() / q * s) / size(a - s * s, a.sqrt() / q * s),
        Shape::LowShelf => a * size(a - s * s, a.sqrt() / q * s) / size(1.0 - a * s * s, a.sqrt() / q * s),
        Shape::LowPass => 1.0 / size(1.0 - s * s, s / q),
        Shape::HighPass => s * s / size(1.0 - s * s, s / q),
        Shape::Notch => (1.0 - s * s).abs() / size(1.0 - s * s, s / q),
    };
    20.0 * quotient.max(1e-9).log10()
}

#[test]
fn any_band_within_its_range_follows_the_prototype() {
    let mut number = numbers(11);
    let mut worst = [[0.0_f64; 2]; 6];
    let shapes = [Shape::Bell, Shape::LowShelf, Shape::HighShelf, Shape::LowPass, Shape::HighPass, Shape::Notch];
    for turn in 0..3000 {
        let index = turn % 6;
        let shape = shapes[index];
        let range = match shape {
            Shape::Bell => (0.3, 10.0_f64),
            Shape::Notch => (0.7, 10.0),
            Shape::LowShelf | Shape::HighShelf => (0.6, 1.4),
            _ => (0.5, 1.5),
        };
        let q = range.0 * (range.1 / range.0).powf(number());
        let highest = if matches!(shape, Shape::LowShelf | Shape::HighShelf) { 14_000.0_f64 } else { 20_000.0 };
        let hertz = 20.0 * (highest / 20.0).powf(number().sqrt());
        let gain = 30.0 * number() - 15.0;
        let coefficients = band(shape, hertz, q, gain, rate());
        for step in 0..400 {
            let at = 20.0 * 1000_f64.powf(f64::from(step) / 399.0);
            let expected = prototype(shape, hertz, q, gain, at);
            // In the pit of a notch or far down the slope of a pass nobody hears a tenth of a dB.
            if expected > -40.0 {
                let error = (db(&coefficients, at) - expected).abs();
                let side = usize::from(at > 10_000.0);
                worst[index][side] = worst[index][side].max(error);
                let within = if at <= 10_000.0 { 0.05 } else { 0.6 };
                assert!(error <= within, "{shape:?} {hertz:.1} Hz Q {q:.3} {gain:+.2} dB: {error:.3} dB at {at:.0} Hz");
            }
        }
    }
    for (shape, [low, high]) in shapes.into_iter().zip(worst) {
        println!("{shape:?}: {low:.3} dB to 10 kHz, {high:.3} dB to 20 kHz at worst");
    }
}

#[test]
fn high_passes_fall_as_butterworth_does() {
    // Check values E.butter.slope, orders 2 to 4: at the corner of 200 Hz, half and a quarter of it.
    let slopes = [
        (Slope::Second, [-3.01, -12.31, -24.1]),
        (Slope::Third, [-3.01, -18.13, -36.13]),
        (Slope::Fourth, [-3.01, -24.1, -48.17]),
    ];
    for (slope, expected) in slopes {
        let sections = high_pass(slope, 200.0, rate());
        for (frequency, expected) in [200.0, 100.0, 50.0].into_iter().zip(expected) {
            let found: f64 = sections.iter().map(|section| db(section, frequency)).sum();
            assert!((found - expected).abs() <= 0.05, "{slope:?}: {found:.3} for {expected} dB at {frequency} Hz");
        }
        let top: f64 = sections.iter().map(|section| db(section, 20_000.0)).sum();
        assert!(top.abs() < 0.01, "{slope:?}: {top} dB at 20 kHz");
    }
    // E.butter.q.
    let q = high_pass(Slope::Fourth, 200.0, rate()).map(|section| 1.0 / f64::from(section.values[1]));
    assert!((q[0] - 0.5412).abs() < 1e-4 && (q[1] - 1.3066).abs() < 1e-4, "{q:?}");
}

fn section_of(coefficients: &Coefficients, lane: usize) -> Section {
    let mut section = Section::new();
    aim(&mut section, lane, coefficients, true);
    section.settle::<Plain>(1.0, 16.0);
    section
}

fn aim(section: &mut Section, lane: usize, coefficients: &Coefficients, at_once: bool) {
    for (value, to) in coefficients.values.into_iter().enumerate() {
        section.set(lane, value, to, at_once);
    }
}

#[test]
fn what_is_heard_is_what_the_numbers_say() {
    // The response of the running filter, by its impulse response and a sum over it, against the formula.
    for (name, shape, hertz, q, gain, _) in ANALOGUE {
        let coefficients = band(shape, hertz, q, gain, rate());
        let mut sections = [section_of(&coefficients, 3)];
        let mut answer = Vec::new();
        for tick in 0..3000 {
            let mut audio = [[0.0; LANES]; 16];
            if tick == 0 {
                audio[0][3] = 1.0;
            }
            Vectors::widest().run(Filter { sections: &mut sections, audio: &mut audio, grid: true });
            answer.extend(audio.iter().map(|row| f64::from(row[3])));
        }
        for frequency in FREQUENCIES {
            let (mut real, mut imaginary) = (0.0, 0.0);
            for (frame, sample) in answer.iter().enumerate() {
                let angle = std::f64::consts::TAU * frequency / RATE * frame as f64;
                real += sample * angle.cos();
                imaginary += sample * angle.sin();
            }
            let (found, expected) = (20.0 * real.hypot(imaginary).max(1e-6).log10(), db(&coefficients, frequency));
            assert!((found - expected).abs() < 0.01 || expected < -60.0, "{name}: {found:.4} for {expected:.4} dB");
        }
    }
}

/// What the bands of a lane are told, every 32 frames.
#[derive(Clone, Copy, Debug)]
enum Hand {
    Extremes,
    Random,
    Sweep,
}

#[test]
fn bands_that_are_swept_never_exceed_the_static_maximum_by_more_than_1_db() {
    // The four bands of a channel, each re-aimed every 32 frames for a second, on tones and noise; against the loudest of
    // the same settings standing still. Check value E.svf.modulation: a direct form reaches 7 times full scale here.
    let together: [&[Shape]; 3] = [
        &[Shape::LowShelf, Shape::Bell, Shape::Bell, Shape::HighShelf],
        &[Shape::Bell; 4],
        &[Shape::HighPass, Shape::Bell, Shape::Bell, Shape::LowPass],
    ];
    let alone: [&[Shape]; 6] = [
        &[Shape::Bell],
        &[Shape::LowShelf],
        &[Shape::HighShelf],
        &[Shape::LowPass],
        &[Shape::HighPass],
        &[Shape::Notch],
    ];
    let follow = 1.0 - (-1.0 / 480.0_f64).exp();
    #[expect(clippy::cast_possible_truncation, reason = "single precision")]
    let per_tick = (1.0 - (1.0 - follow).powi(16)) as f32;
    for hand in [Hand::Extremes, Hand::Random, Hand::Sweep] {
        // Bands that cross each other on random ways add up to more than any of the settings: those go alone.
        let chains = alone.iter().chain(if matches!(hand, Hand::Random) { &together[..0] } else { &together[..] });
        for shapes in chains {
            let mut number = numbers(5);
            // A ladder of settings that the hand chooses from, so that each can also be heard standing still.
            let ladder: Vec<Vec<Coefficients>> = (0..24)
                .map(|step| {
                    let place = f64::from(step) / 23.0;
                    let of = |shape: &Shape| {
                        let (hertz, q, gain) = match hand {
                            Hand::Extremes => (
                                if step % 2 == 0 { 200.0 } else { 8000.0 },
                                if step % 4 < 2 { 4.0 } else { 0.5 },
                                if step % 3 == 2 { -15.0 } else { 15.0 },
                            ),
                            Hand::Random => {
                                (40.0 * 400_f64.powf(number()), 0.3 * 20_f64.powf(number()), 30.0 * number() - 15.0)
                            }
                            Hand::Sweep => (40.0 * 300_f64.powf(place), 4.0, 15.0),
                        };
                        band(*shape, hertz, q, gain, rate())
                    };
                    shapes.iter().map(of).collect()
                })
                .collect();
            // Sixteen sounds at once: tones from 60 Hz to 16 kHz, the last two lanes noise.
            let tones: [f64; LANES] = std::array::from_fn(|lane| 60.0 * 1.45_f64.powf(lane as f64));
            let mut noise = numbers(99);
            let mut frame = 0_u64;
            let mut sound = || -> [Row; 16] {
                std::array::from_fn(|_| {
                    frame += 1;
                    #[expect(clippy::cast_possible_truncation, reason = "single precision")]
                    std::array::from_fn(|lane| {
                        let angle = std::f64::consts::TAU * tones[lane] / RATE * frame as f64;
                        (if lane < 14 { 0.5 * angle.sin() } else { noise() - 0.5 }) as f32
                    })
                })
            };
            let mut peaks = |settings: &mut dyn FnMut(usize) -> usize, ticks: usize| -> Row {
                let mut sections: Vec<Section> = shapes.iter().map(|_| Section::new()).collect();
                let (mut peaks, mut stands) = ([0.0_f32; LANES], None);
                for tick in 0..ticks {
                    let setting = if tick % 2 == 0 { Some(settings(tick / 2)) } else { None };
                    // What stands still is told once: the measure knows nothing of telling.
                    if let Some(setting) = setting.filter(|setting| stands.replace(*setting) != Some(*setting)) {
                        for (section, coefficients) in sections.iter_mut().zip(&ladder[setting]) {
                            for lane in 0..LANES {
                                aim(section, lane, coefficients, tick == 0);
                            }
                        }
                    }
                    sections.iter_mut().for_each(|section| section.settle::<Plain>(per_tick, 16.0));
                    let mut audio = sound();
                    Vectors::widest().run(Filter { sections: &mut sections, audio: &mut audio, grid: true });
                    for row in audio {
                        for (peak, sample) in peaks.iter_mut().zip(row) {
                            assert!(sample.is_finite());
                            *peak = peak.max(sample.abs());
                        }
                    }
                }
                peaks
            };
            let mut still = [0.0_f32; LANES];
            for setting in 0..ladder.len() {
                for (most, peak) in still.iter_mut().zip(peaks(&mut |_| setting, 300)) {
                    *most = most.max(peak);
                }
            }
            let mut choice = numbers(17);
            let swept = peaks(
                &mut |turn| match hand {
                    Hand::Sweep => {
                        let place = turn % 46;
                        if place < 24 { place } else { 46 - place }
                    }
                    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "below 24")]
                    _ => (choice() * 24.0) as usize,
                },
                3000,
            );
            // Swept, a band comes by the frequency of every tone: the loudest of the tones standing still is the measure.
            let most = |row: &[f32]| row.iter().fold(0.0_f32, |most, peak| most.max(*peak));
            let over = |from: usize, to: usize| 20.0 * (most(&swept[from..to]) / most(&still[from..to])).log10();
            let (tones, noises) = (over(0, 14), over(14, LANES));
            println!("{hand:?} {shapes:?}: tones {tones:+.2} dB, noise {noises:+.2} dB");
            let over = tones.max(noises);
            assert!(over <= 1.0, "{hand:?} {shapes:?}: {over} dB above the static maximum");
        }
    }
}

#[test]
fn every_form_and_every_cut_of_time_gives_the_same_bytes_and_no_denormals() {
    let run = |form: Form, cuts: &[usize]| -> Option<Vec<u32>> {
        let vectors = Vectors::new(form)?;
        let mut sections: Vec<Section> = (0..6).map(|_| Section::new()).collect();
        let mut number = numbers(3);
        let mut bits = Vec::new();
        for tick in 0..4000_usize {
            if tick % 40 == 0 && tick < 800 {
                for (index, section) in sections.iter_mut().enumerate() {
                    let hertz = 200.0 * 60_f64.powf(number());
                    aim(section, (tick / 40 + index) % LANES, &band(Shape::Bell, hertz, 2.0, 9.0, rate()), false);
                }
            }
            sections.iter_mut().for_each(|section| section.settle::<Plain>(0.03, 16.0));
            #[expect(clippy::cast_possible_truncation, reason = "single precision")]
            let mut audio: [Row; 16] = std::array::from_fn(|_| {
                std::array::from_fn(|_| if tick < 1000 { (number() - 0.5) as f32 } else { 0.0 })
            });
            let mut from = 0;
            while from < 16 {
                let length = cuts[(tick + from) % cuts.len()].min(16 - from);
                let segment = &mut audio[from..from + length];
                vectors.run(Filter { sections: &mut sections, audio: segment, grid: from == 0 });
                from += length;
            }
            for sample in audio.as_flattened() {
                assert!(*sample == 0.0 || sample.is_normal(), "{sample:e} in tick {tick}");
            }
            bits.extend(audio.as_flattened().iter().map(|sample| sample.to_bits()));
        }
        assert!(sections.iter().all(Section::at_rest), "the states have not come to rest");
        Some(bits)
    };
    let expected = run(Form::Plain, &[16]).expect("always here");
    for form in Form::ALL {
        for cuts in [&[16][..], &[1], &[3, 5, 7]] {
            let Some(found) = run(form, cuts) else { continue };
            assert!(found == expected, "{form:?} with segments of {cuts:?}");
        }
    }
}

const OCTAVE: f64 = 6.020_599_913_279_624;

#[expect(clippy::cast_possible_truncation, reason = "single precision")]
fn octaves(db: f64) -> f32 {
    (db / OCTAVE) as f32
}

fn compressor(threshold: f64, ratio: f64, knee: f64, attack_ms: f64, release_ms: f64) -> Compressor {
    let mut compressor = Compressor::new(rate());
    #[expect(clippy::cast_possible_truncation, reason = "single precision")]
    let slope = (1.0 - 1.0 / ratio) as f32;
    let (attack, release) = (gain_per_frame(attack_ms, rate()), gain_per_frame(release_ms, rate()));
    for (value, to) in [octaves(threshold), slope, octaves(knee), attack, release, 0.0].into_iter().enumerate() {
        (0..LANES).for_each(|lane| compressor.set(lane, value, to, true));
    }
    compressor
}

fn gate(threshold: f64, hysteresis: f64, range: f64) -> Gate {
    let mut gate = Gate::new(rate());
    let (attack, release) = (gain_per_frame(1.0, rate()), gain_per_frame(20.0, rate()));
    let values = [octaves(threshold), octaves(hysteresis), 1000.0, octaves(range), attack, release, 480.0];
    for (value, to) in values.into_iter().enumerate() {
        (0..LANES).for_each(|lane| gate.set(lane, value, to, true));
    }
    gate
}

/// Lets a stage work on what `sound` makes of frame and lane; gives lane 0's (or another's) samples.
macro_rules! through {
    ($stage:expr, $linked:expr, $ticks:expr, $lane:expr, $sound:expr) => {{
        let mut out = Vec::new();
        for tick in 0..$ticks {
            $stage.settle::<Plain>(0.03, 16.0);
            let mut audio: [Row; 16] =
                std::array::from_fn(|frame| std::array::from_fn(|lane| $sound(tick * 16 + frame, lane)));
            let linked = $linked;
            Vectors::widest().run(Through { stage: &mut $stage, linked: &linked, audio: &mut audio, grid: true });
            out.extend(audio.iter().map(|row| f64::from(row[$lane])));
        }
        out
    }};
}

/// A square wave of 1 kHz: every sample has the same magnitude.
#[expect(clippy::cast_possible_truncation, reason = "single precision")]
fn square(frame: usize, db: f64) -> f32 {
    let size = 10_f64.powf(db / 20.0);
    (if (frame / 24).is_multiple_of(2) { size } else { -size }) as f32
}

#[test]
fn compressors_follow_the_published_static_curve() {
    // Check values F.static: threshold -20 dB, ratio 4, without and with a knee of 10 dB; and a limiter at -6 dB.
    let levels = [-60.0, -40.0, -30.0, -25.0, -22.5, -20.0, -17.5, -15.0, -10.0, -5.0, 0.0, 6.0];
    let cases = [
        (-20.0, 4.0, 0.0, [-60.0, -40.0, -30.0, -25.0, -22.5, -20.0, -19.375, -18.75, -17.5, -16.25, -15.0, -13.5]),
        (
            -20.0,
            4.0,
            10.0,
            [-60.0, -40.0, -30.0, -25.0, -22.7344, -20.9375, -19.6094, -18.75, -17.5, -16.25, -15.0, -13.5],
        ),
        (-6.0, 1e9, 0.0, [-60.0, -40.0, -30.0, -25.0, -22.5, -20.0, -17.5, -15.0, -10.0, -6.0, -6.0, -6.0]),
    ];
    for (threshold, ratio, knee, expected) in cases {
        for (level, expected) in levels.into_iter().zip(expected) {
            let mut stage = compressor(threshold, ratio, knee, 1.0, 50.0);
            let out = through!(stage, [0.0; LANES], 300, 0, |frame, _| square(frame, level));
            let found = 20.0 * out[out.len() - 1].abs().log10();
            assert!(
                (found - expected).abs() <= 0.02,
                "{threshold} {ratio} {knee}: {found:.4} for {expected} at {level}"
            );
        }
    }
    // F.sidechain.sine: a peak detector on a sine reads its peak. 997 Hz at 0 dBFS.
    let mut stage = compressor(-20.0, 4.0, 0.0, 1.0, 500.0);
    #[expect(clippy::cast_possible_truncation, reason = "single precision")]
    let sine = |frame: usize, _| (std::f64::consts::TAU * 997.0 / RATE * frame as f64).sin() as f32;
    let out = through!(stage, [0.0; LANES], 3000, 0, sine);
    let peak = out[out.len() - 4800..].iter().fold(0.0_f64, |peak, sample| peak.max(sample.abs()));
    assert!((20.0 * peak.log10() + 15.0).abs() <= 0.05, "{:.4} dB", 20.0 * peak.log10());
}

#[test]
fn attack_and_release_take_the_time_they_say() {
    // Check value F.attack.step: from -40 to 0 dBFS, threshold -20, ratio 4, attack 10 ms.
    let mut stage = compressor(-20.0, 4.0, 0.0, 10.0, 100.0);
    let step = 4800;
    let fall = 28_800;
    let level = |frame: usize| if (step..fall).contains(&frame) { 0.0 } else { -40.0 };
    let out = through!(stage, [0.0; LANES], 4000, 0, |frame, _| square(frame, level(frame)));
    let reduction = |frame: usize| level(frame) - 20.0 * out[frame].abs().log10();
    for (ms, expected) in [(10.0, 9.482), (23.03, 13.501), (46.05, 14.85), (400.0, 15.0)] {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a frame")]
        let frame = step + (ms * 48.0) as usize - 1;
        assert!((reduction(frame) - expected).abs() < 0.05, "{:.3} for {expected} dB after {ms} ms", reduction(frame));
    }
    // From 80 % to 80 %/e of the reduction: one time constant of the release.
    let after = |part: f64| (fall..).find(|frame| reduction(*frame) < 15.0 * part).expect("it is released") as f64;
    let release_ms = (after(0.8 / std::f64::consts::E) - after(0.8)) / 48.0;
    assert!((release_ms - 100.0).abs() < 2.0, "release {release_ms:.2} ms");
    let attack = |part: f64| (step..).find(|frame| reduction(*frame) > 15.0 * part).expect("it attacks") as f64;
    let attack_ms = (attack(1.0 - 0.8 / std::f64::consts::E) - attack(0.2)) / 48.0;
    assert!((attack_ms - 10.0).abs() < 0.2, "attack {attack_ms:.2} ms");
}

#[test]
fn a_gate_opens_at_its_threshold_and_closes_below_its_hysteresis() {
    // Check value F.gate: threshold -40, range 60, hysteresis 4 dB; a tone stepping by 0.1 dB.
    let mut stage = gate(-40.0, 4.0, 60.0);
    let steps: Vec<f64> = (0..150)
        .map(|step| -47.0 + 0.1 * f64::from(step))
        .chain((0..160).map(|step| -32.0 - 0.1 * f64::from(step)))
        .collect();
    let length = 9600;
    let level = |frame: usize| steps[(frame / length).min(steps.len() - 1)];
    #[expect(clippy::cast_possible_truncation, reason = "single precision")]
    let tone = |frame: usize, _| {
        (10_f64.powf(level(frame) / 20.0) * (std::f64::consts::TAU * 1000.0 / RATE * frame as f64).sin()) as f32
    };
    let out = through!(stage, [0.0; LANES], steps.len() * length / 16, 0, tone);
    let gain = |step: usize| {
        let last = &out[(step + 1) * length - 480..(step + 1) * length];
        20.0 * last.iter().fold(0.0_f64, |peak, sample| peak.max(sample.abs())).log10() - steps[step]
    };
    let opened = (0..150).find(|step| gain(*step) > -1.0).expect("it opens");
    let closed = (150..310).find(|step| gain(*step) < -30.0).expect("it closes");
    assert!((steps[opened] + 40.0).abs() <= 0.5, "opens at {:.1}", steps[opened]);
    assert!((steps[closed] + 44.0).abs() <= 0.5, "closes at {:.1}", steps[closed]);
    assert!((gain(0) + 60.0).abs() <= 0.5, "closed, its gain is {:.2} dB", gain(0));
    assert!(gain(140).abs() < 0.001, "open, its gain is {:.4} dB", gain(140));
}

#[test]
fn linked_lanes_have_one_gain_and_what_is_not_reached_changes_nothing() {
    // F.link: lane 0 loud, lane 1 soft. F.bypass: ratio 1, and a threshold never reached.
    let mut stage = compressor(-20.0, 4.0, 6.0, 5.0, 100.0);
    let sound = |frame: usize, lane: usize| square(frame, if lane.is_multiple_of(2) { -3.0 } else { -30.0 });
    let soft = through!(stage, [1.0; LANES], 500, 1, sound);
    let mut stage = compressor(-20.0, 4.0, 6.0, 5.0, 100.0);
    let loud = through!(stage, [1.0; LANES], 500, 0, sound);
    for frame in 0..soft.len() {
        let gains = [20.0 * loud[frame].abs().log10() + 3.0, 20.0 * soft[frame].abs().log10() + 30.0];
        assert!((gains[0] - gains[1]).abs() < 0.001, "{gains:?}");
    }
    for (threshold, ratio, level) in [(-40.0, 1.0, -3.0), (-10.0, 8.0, -17.0)] {
        let mut stage = compressor(threshold, ratio, 6.0, 5.0, 100.0);
        let out = through!(stage, [0.0; LANES], 500, 0, |frame, _| square(frame, level));
        let same = out.iter().enumerate().all(|(frame, out)| (out - f64::from(square(frame, level))).abs() < 1e-12);
        assert!(same, "ratio {ratio} from {threshold} dB changed something");
    }
}

#[test]
fn a_de_esser_takes_its_range_off_loud_hiss_and_leaves_the_rest_alone() {
    // No outside figure: its own statement. 6.5 kHz, threshold -30 dBFS, at most 6 dB.
    for (hertz, expected) in [(6500.0, -6.0), (300.0, 0.0)] {
        let mut stage = DeEsser::new(rate());
        #[expect(clippy::cast_possible_truncation, reason = "single precision")]
        let g = (std::f64::consts::PI * 6500.0 / RATE).tan() as f32;
        for (value, to) in [g, octaves(-30.0), octaves(6.0)].into_iter().enumerate() {
            stage.set(0, value, to, true);
        }
        #[expect(clippy::cast_possible_truncation, reason = "single precision")]
        let tone = |frame: usize, _| (0.5 * (std::f64::consts::TAU * hertz / RATE * frame as f64).sin()) as f32;
        let out = through!(stage, [0.0; LANES], 1500, 0, tone);
        let peak = out[out.len() - 4800..].iter().fold(0.0_f64, |peak, sample| peak.max(sample.abs()));
        let found = 20.0 * (peak / 0.5).log10();
        assert!((found - expected).abs() < 0.1, "{found:.3} for {expected} dB at {hertz} Hz");
    }
}

#[test]
fn dynamics_give_the_same_bytes_in_every_form_and_cut_of_time() {
    let run = |form: Form, cuts: &[usize]| -> Option<Vec<u32>> {
        let vectors = Vectors::new(form)?;
        let (mut gate, mut compressor) = (gate(-30.0, 4.0, 20.0), compressor(-25.0, 3.0, 6.0, 5.0, 80.0));
        let mut de_esser = DeEsser::new(rate());
        (0..LANES).for_each(|lane| de_esser.set(lane, 2, 1.0, false));
        let linked: Row = std::array::from_fn(|lane| if lane < 8 { 1.0 } else { 0.0 });
        let mut sections = vec![Section::new(); 3];
        for (section, hertz) in sections.iter_mut().zip([40.0, 9_000.0, 80.0]) {
            (0..LANES).for_each(|lane| aim(section, lane, &band(Shape::Bell, hertz, 1.0, 6.0, rate()), true));
            (0..2).for_each(|_| section.settle::<Plain>(1.0, 16.0));
        }
        let mut number = numbers(8);
        let mut bits = Vec::new();
        let mut tick = 0;
        while tick < 9000_usize {
            if tick % 50 == 0 && tick < 900 {
                compressor.set(tick / 50 % LANES, 0, octaves(-40.0 * number()), false);
                compressor.set(tick / 50 % LANES, 5, octaves(12.0 * number()), false);
            }
            gate.settle::<Plain>(0.03, 16.0);
            compressor.settle::<Plain>(0.03, 16.0);
            de_esser.settle::<Plain>(0.03, 16.0);
            // More than a tick in one go only while nothing moves.
            let moves = tick < 900 || gate.moving() || compressor.moving() || de_esser.moving();
            let ticks = if moves { 1 } else { cuts[0].div_ceil(16).min(9000 - tick) };
            let mut audio: Vec<Row> = Vec::new();
            for tick in tick..tick + ticks {
                let size = if tick < 3000 { number() } else { 0.0 };
                #[expect(clippy::cast_possible_truncation, reason = "single precision")]
                audio.extend((0..16).map(|_| -> Row { std::array::from_fn(|_| (size * (number() - 0.5)) as f32) }));
            }
            let mut from = 0;
            while from < audio.len() {
                let cut = cuts[(tick + from) % cuts.len()];
                let length = cut.min(if cut > 16 { audio.len() - from } else { 16 - from % 16 });
                let (audio, grid) = (&mut audio[from..from + length], from % 16 == 0);
                for audio in audio.chunks_mut(16) {
                    vectors.run(Filter { sections: &mut sections[..1], audio, grid });
                }
                let through = Through { stage: &mut gate, linked: &linked, audio, grid };
                vectors.run(Behind { sections: &mut sections[1..], through });
                vectors.run(Through { stage: &mut compressor, linked: &linked, audio, grid });
                vectors.run(Through { stage: &mut de_esser, linked: &linked, audio, grid });
                from += length;
            }
            assert!(audio.as_flattened().iter().all(|sample| *sample == 0.0 || sample.is_normal()), "tick {tick}");
            bits.extend(audio.as_flattened().iter().map(|sample| sample.to_bits()));
            tick += ticks;
        }
        assert!(sections.iter().all(Section::at_rest), "the sections have not come to rest");
        assert!(compressor.at_rest(), "the compressor has not come to rest");
        Some(bits)
    };
    let expected = run(Form::Plain, &[16]).expect("always here");
    for form in Form::ALL {
        for cuts in [&[16][..], &[1], &[3, 5, 7], &[80], &[64], &[48]] {
            let Some(found) = run(form, cuts) else { continue };
            assert!(found == expected, "{form:?} with segments of {cuts:?}");
        }
    }
}
