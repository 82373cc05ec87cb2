//! The signal mathematics against closed forms and outside figures. `std`'s functions serve as the reference here.

#![expect(clippy::print_stdout, reason = "tests print what they measured")]

use assert_no_alloc::assert_no_alloc;
use longthrow::dsp::bridge::{BridgeSettings, bridge};
use longthrow::dsp::generators::{Generator, Pink, Sine, SpeechLike};
use longthrow::dsp::limiter::Limiter;
use longthrow::dsp::pan::{self, PanLaw};
use longthrow::dsp::resampler::{Resampler, Step};
use longthrow::dsp::{level, math};
use longthrow::units::{Decibels, Pan, SampleRate};
use std::f64::consts::TAU;

/// Ends the test that allocates or frees where it must not; debug builds only.
#[cfg(debug_assertions)]
#[global_allocator]
static ALLOCATOR: assert_no_alloc::AllocDisabler = assert_no_alloc::AllocDisabler;

fn db(level: f32) -> Decibels {
    Decibels::try_new(level).expect("a finite level")
}

/// Evenly spaced numbers, both ends included.
fn grid(low: f64, high: f64, count: u32) -> impl Iterator<Item = f64> {
    (0..=count).map(move |i| low + (high - low) * f64::from(i) / f64::from(count))
}

fn worst_relative(ours: impl Fn(f64) -> f64, reference: impl Fn(f64) -> f64, at: impl Iterator<Item = f64>) -> f64 {
    at.map(|x| {
        let (found, expected) = (ours(x), reference(x));
        if found.to_bits() == expected.to_bits() { 0.0 } else { ((found - expected) / expected).abs() }
    })
    .fold(0.0, |worst, error| if error > worst || error.is_nan() { error } else { worst })
}

#[test]
fn powers_agree_with_the_standard_library() {
    let exp2 = worst_relative(math::exp2, f64::exp2, grid(-1022.0, 1023.999, 400_003));
    let near_zero = worst_relative(math::exp2, f64::exp2, grid(-2.0, 2.0, 400_001));
    let exp = worst_relative(math::exp, f64::exp, grid(-708.0, 709.7, 400_003));
    println!("exp2 {exp2:e}, exp2 near 0 {near_zero:e}, exp {exp:e}");
    // exp2 of std is itself good to about an ulp, 2.2e-16.
    assert!(exp2 <= 1e-15 && near_zero <= 1e-15 && exp <= 1e-15);
    for n in -1022..=1023 {
        assert_eq!(math::exp2(f64::from(n)).to_bits(), 2f64.powi(n).to_bits(), "2^{n}");
    }
    assert_eq!(math::exp2(-1023.0).to_bits(), 0);
    assert_eq!(math::exp2(f64::NEG_INFINITY).to_bits(), 0);
    assert!(math::exp2(1024.0).is_infinite() && math::exp2(f64::INFINITY).is_infinite());
    assert!(math::exp(710.0).is_infinite() && math::exp(-709.0).to_bits() == 0);
    assert!(math::exp2(f64::NAN).is_nan() && math::exp(f64::NAN).is_nan());
}

#[test]
fn logarithms_agree_with_the_standard_library() {
    type Function = fn(f64) -> f64;
    let pairs: [(&str, Function, Function); 3] =
        [("log2", math::log2, f64::log2), ("ln", math::ln, f64::ln), ("log10", math::log10, f64::log10)];
    for (name, ours, reference) in pairs {
        let wide = worst_relative(ours, reference, grid(-1073.0, 1023.0, 300_007).map(f64::exp2));
        let near_one = worst_relative(ours, reference, grid(0.5, 2.0, 300_007));
        let at_one = worst_relative(ours, reference, grid(1.0 - 1e-9, 1.0 + 1e-9, 1_001));
        println!("{name} wide {wide:e}, near 1 {near_one:e}, at 1 {at_one:e}");
        assert!(wide <= 1e-15 && near_one <= 1e-15 && at_one <= 1e-15);
        assert_eq!(ours(1.0).to_bits(), 0);
        assert_eq!(ours(0.0).to_bits(), f64::NEG_INFINITY.to_bits());
        assert!(ours(-1.0).is_nan() && ours(f64::NAN).is_nan() && ours(f64::INFINITY).is_infinite());
    }
    for n in -1074..=1023 {
        assert_eq!(math::log2(f64::exp2(f64::from(n))).to_bits(), f64::from(n).to_bits(), "log2 of 2^{n}");
    }
}

#[test]
fn sines_agree_with_the_standard_library() {
    let tau = std::f64::consts::TAU;
    let mut worst = 0.0_f64;
    for x in grid(-1.0, 1.0, 800_003) {
        worst = worst.max((math::sin_turns(x) - (tau * x).sin()).abs());
        worst = worst.max((math::cos_turns(x) - (tau * x).cos()).abs());
    }
    println!("sine and cosine within {worst:e}");
    // The argument of std's sine is rounded when multiplied by tau: 4e-16 turns of it are the reference's own error.
    assert!(worst <= 1.5e-15);
    let tangent = worst_relative(math::tan_turns, |x| (tau * x).tan(), grid(1e-6, 0.24, 100_003));
    println!("tangent within {tangent:e}");
    assert!(tangent <= 1e-14);
    for turns in [0.0, 1.0, -3.0, 1e9, 281_474_976_710_655.0] {
        for (quarter, expected) in [(0.0, 0.0), (0.25, 1.0), (0.5, 0.0), (0.75, -1.0)] {
            assert!((math::sin_turns(turns + quarter) - expected).abs() < f64::MIN_POSITIVE, "{turns} + {quarter}");
        }
    }
    assert!(math::sin_turns(f64::INFINITY).is_nan() && math::sin_turns(f64::NAN).is_nan());
}

#[test]
fn decibels_and_factors_agree_both_ways() {
    assert_eq!(level::linear_from_db(0.0).to_bits(), 1f32.to_bits());
    assert_eq!(level::linear(Decibels::UNITY).get().to_bits(), 1f32.to_bits());
    assert_eq!(level::linear(Decibels::SILENCE).get().to_bits(), 0);
    assert_eq!(level::db_from_linear(0.0).to_bits(), f32::NEG_INFINITY.to_bits());
    assert_eq!(level::db_from_power(0.0).to_bits(), f32::NEG_INFINITY.to_bits());
    assert!(level::linear_from_db(f32::NAN).is_nan());
    // Closed form: 20 log10 2 = 6.0206 dB, 10 log10 2 = 3.0103 dB.
    assert!((level::db_from_linear(2.0) - 6.0206).abs() < 1e-4);
    assert!((level::db_from_linear(-2.0) - 6.0206).abs() < 1e-4);
    assert!((level::db_from_power(2.0) - 3.0103).abs() < 1e-4);
    for tenths in -1500..=600_i16 {
        let db = f32::from(tenths) / 10.0;
        let expected = 10f64.powf(f64::from(db) / 20.0);
        let found = f64::from(level::linear_from_db(db));
        assert!((found / expected - 1.0).abs() < 6e-8, "{db} dB");
        assert!((level::db_from_linear(level::linear_from_db(db)) - db).abs() < 1e-5 * (1.0 + db.abs()));
    }
}

/// Gains at five places from -1 to +1, given in dB; an infinity stands for exactly 0.
fn check_pan(law: &str, gains: impl Fn(Pan) -> [f32; 2], expected_db: [[f64; 2]; 5]) {
    for (place, expected) in [-1.0, -0.5, 0.0, 0.5, 1.0].into_iter().zip(expected_db) {
        let found = gains(Pan::try_new(place).expect("a place"));
        for (gain, expected) in found.into_iter().zip(expected) {
            if expected.is_infinite() {
                assert_eq!(gain.to_bits(), 0, "{law} at {place}");
            } else {
                let gain_db = 20.0 * f64::from(gain).log10();
                assert!((gain_db - expected).abs() <= 0.01, "{law} at {place}: {gain_db} dB, expected {expected}");
            }
        }
    }
}

#[test]
fn pan_laws_follow_their_closed_forms() {
    const OFF: f64 = f64::NEG_INFINITY;
    // Closed forms evaluated with scipy 1.17.1; which law to use is common practice, no source.
    let equal_power = [[0.0, OFF], [-0.688, -8.343], [-3.0103, -3.0103], [-8.343, -0.688], [OFF, 0.0]];
    check_pan("equal power", |p| pan::gains(PanLaw::EqualPower, p), equal_power);
    let linear = [[0.0, OFF], [-2.499, -12.041], [-6.0206, -6.0206], [-12.041, -2.499], [OFF, 0.0]];
    check_pan("linear", |p| pan::gains(PanLaw::Linear, p), linear);
    // Half the sum in dB of the two above: closed form; common practice, no source.
    let compromise = [[0.0, OFF], [-1.5935, -10.192], [-4.5154, -4.5154], [-10.192, -1.5935], [OFF, 0.0]];
    check_pan("compromise", |p| pan::gains(PanLaw::Compromise, p), compromise);
    let balance = [[0.0, OFF], [0.0, -6.021], [0.0, 0.0], [-6.021, 0.0], [OFF, 0.0]];
    check_pan("balance", pan::balance, balance);

    for law in [PanLaw::EqualPower, PanLaw::Compromise, PanLaw::Linear] {
        let side = |place: f32| pan::gains(law, Pan::try_new(place).expect("a place"));
        assert_eq!(side(-1.0).map(f32::to_bits), [1f32.to_bits(), 0]);
        assert_eq!(side(1.0).map(f32::to_bits), [0, 1f32.to_bits()]);
        for step in 0..=200_u8 {
            let place = f32::from(step) / 100.0 - 1.0;
            let [left, right] = side(place);
            let [mirrored_right, mirrored_left] = side(-place);
            assert!((left - mirrored_left).abs() < 1e-6 && (right - mirrored_right).abs() < 1e-6);
            let kept = if law == PanLaw::Linear { left + right } else { left * left + right * right };
            if law != PanLaw::Compromise {
                assert!((kept - 1.0).abs() < 3e-7, "{law:?} at {place}");
            }
        }
    }
    assert_eq!(pan::balance(Pan::CENTRE).map(f32::to_bits), [1f32.to_bits(); 2]);
}

/// Renders with requests of the given sizes, over and over.
fn rendered(mut generator: Generator, frames: usize, sizes: &[usize]) -> Vec<f32> {
    let mut out = vec![0.0; frames];
    let mut at = 0;
    for size in sizes.iter().cycle() {
        let end = (at + size).min(frames);
        generator.fill(&mut out[at..end]);
        at = end;
        if at == frames {
            break;
        }
    }
    out
}

fn rms_db(samples: &[f32]) -> f64 {
    let sum: f64 = samples.iter().map(|s| f64::from(*s) * f64::from(*s)).sum();
    10.0 * (sum / samples.len() as f64).log10()
}

/// Amplitude and residue of the sine of known frequency that fits best, the residue in dB below the sine.
fn fit_sine(samples: &[f32], turns_per_frame: f64) -> (f64, f64) {
    let (mut ss, mut sc, mut cc, mut xs, mut xc) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (i, x) in samples.iter().enumerate() {
        let (sine, cosine) = ((turns_per_frame * i as f64).fract() * TAU).sin_cos();
        ss += sine * sine;
        sc += sine * cosine;
        cc += cosine * cosine;
        xs += f64::from(*x) * sine;
        xc += f64::from(*x) * cosine;
    }
    let determinant = ss * cc - sc * sc;
    let (a, b) = ((xs * cc - xc * sc) / determinant, (xc * ss - xs * sc) / determinant);
    let mut residue = 0.0;
    for (i, x) in samples.iter().enumerate() {
        let (sine, cosine) = ((turns_per_frame * i as f64).fract() * TAU).sin_cos();
        residue += (f64::from(*x) - a * sine - b * cosine).powi(2);
    }
    let amplitude = a.hypot(b);
    (amplitude, 10.0 * (residue / samples.len() as f64 / (amplitude * amplitude / 2.0)).log10())
}

#[test]
fn generators_do_not_depend_on_how_they_are_asked() {
    let rate = SampleRate::HZ_48000;
    let all = [
        Generator::Silence,
        Generator::Sine(Sine::new(997.0, db(-18.0), rate)),
        Generator::Pink(Pink::new(7, db(-20.0), rate)),
        Generator::SpeechLike(SpeechLike::new(7, db(-20.0), rate)),
    ];
    for generator in all {
        let whole = rendered(generator.clone(), 50_000, &[50_000]);
        for sizes in [&[1][..], &[16], &[7, 64, 1, 33], &[4_096]] {
            let pieces = rendered(generator.clone(), 50_000, sizes);
            assert!(whole.iter().zip(&pieces).all(|(a, b)| a.to_bits() == b.to_bits()), "{sizes:?}");
        }
    }
    let other = rendered(Generator::Pink(Pink::new(8, db(-20.0), rate)), 1_000, &[16]);
    assert_ne!(other, rendered(Generator::Pink(Pink::new(7, db(-20.0), rate)), 1_000, &[16]));
}

#[test]
fn tones_are_pure_and_at_their_level() {
    for (hz, rate) in [(997.0, 48_000), (20.0, 48_000), (1_000.0, 44_100), (10_000.0, 48_000), (19_999.0, 96_000)] {
        let sample_rate = SampleRate::try_new(rate).expect("a rate");
        let out = rendered(Generator::Sine(Sine::new(hz, db(-18.0), sample_rate)), 96_000, &[16]);
        let (amplitude, residue_db) = fit_sine(&out, hz / f64::from(rate));
        println!("{hz} Hz at {rate}: {:.5} dB, THD+N {residue_db:.1} dB", 20.0 * amplitude.log10());
        assert!((20.0 * amplitude.log10() + 18.0).abs() < 1e-4);
        // Measured -143 dB or better.
        assert!(residue_db < -140.0);
    }
}

/// Mean squares over third-octave bands centred on `centres`, from the DFT of Hann-windowed pieces, as a density.
fn densities_db(samples: &[f32], rate: f64, centres: &[f64]) -> Vec<f64> {
    let size = 32_768;
    let hann: Vec<f64> = (0..size).map(|i| 0.5 - 0.5 * (TAU * i as f64 / size as f64).cos()).collect();
    let mut power = vec![0.0; size / 2];
    for piece in samples.windows(size).step_by(size / 2) {
        let mut bins: Vec<(f64, f64)> = piece.iter().zip(&hann).map(|(x, w)| (f64::from(*x) * w, 0.0)).collect();
        fft(&mut bins);
        for (sum, (re, im)) in power.iter_mut().zip(&bins) {
            *sum += re * re + im * im;
        }
    }
    let sixth = 2f64.powf(1.0 / 6.0);
    let bin_of = |hz: f64| (hz * size as f64 / rate).round() as usize;
    centres
        .iter()
        .map(|centre| {
            let band = bin_of(centre / sixth)..=bin_of(centre * sixth).min(size / 2 - 1);
            let count = band.clone().count() as f64;
            // The mean frequency of the bins taken, so that narrow bands are not off by their rounding.
            let pink: f64 = band.clone().map(|bin| centre / (bin as f64 * rate / size as f64)).sum::<f64>() / count;
            10.0 * (power[band].iter().sum::<f64>() / count / pink).log10()
        })
        .collect()
}

/// In-place radix-2 transform.
fn fft(bins: &mut [(f64, f64)]) {
    let size = bins.len();
    let bits = size.trailing_zeros();
    for i in 0..size {
        let j = i.reverse_bits() >> (usize::BITS - bits);
        if i < j {
            bins.swap(i, j);
        }
    }
    let mut half = 1;
    while half < size {
        for k in 0..half {
            let (sine, cosine) = (-TAU / 2.0 * k as f64 / half as f64).sin_cos();
            for i in (k..size).step_by(2 * half) {
                let (re, im) = bins[i + half];
                let turned = (re * cosine - im * sine, re * sine + im * cosine);
                bins[i + half] = (bins[i].0 - turned.0, bins[i].1 - turned.1);
                bins[i] = (bins[i].0 + turned.0, bins[i].1 + turned.1);
            }
        }
        half *= 2;
    }
}

/// Centres of third octaves from 20 Hz to 20 kHz, nominal series of IEC 61260-1 base two.
fn third_octaves() -> Vec<f64> {
    (-17..=13).map(|k| 1_000.0 * 2f64.powf(f64::from(k) / 3.0)).collect()
}

#[test]
fn pink_noise_falls_three_decibels_an_octave_at_its_level() {
    let centres = third_octaves();
    for rate in [48_000, 44_100] {
        let sample_rate = SampleRate::try_new(rate).expect("a rate");
        // Four minutes: at 20 Hz a third octave of it settles to about 0.15 dB.
        let out = rendered(Generator::Pink(Pink::new(1, db(-20.0), sample_rate)), 240 * rate as usize, &[4_096]);
        let level = rms_db(&out);
        let slope: Vec<f64> = densities_db(&out, f64::from(rate), &centres)
            .iter()
            .zip(&centres)
            .map(|(density, centre)| density + 10.0 * centre.log10())
            .collect();
        let middle = slope[17];
        let worst = slope.iter().map(|s| (s - middle).abs()).fold(0.0, f64::max);
        println!("{rate}: RMS {level:.3} dB, third octaves within {worst:.2} dB of 1 kHz");
        assert!((level + 20.0).abs() < 0.2);
        assert!(worst < 0.5, "{slope:.2?}");
    }
}

#[test]
fn speech_like_noise_has_syllables_pauses_and_its_level() {
    let rate = SampleRate::HZ_48000;
    let out = rendered(Generator::SpeechLike(SpeechLike::new(3, db(-20.0), rate)), 120 * 48_000, &[4_096]);
    // Pauses are zeros that last; the zero between two syllables is a point.
    let mut pauses = Vec::new();
    let mut active = Vec::new();
    let mut run = 0;
    let mut swells = 0;
    for block in out.chunks(16) {
        if block.iter().all(|s| s.abs() < 1e-9) {
            run += 1;
        } else {
            if run > 600 {
                pauses.push(f64::from(run) / 3_000.0);
            } else {
                active.extend(std::iter::repeat_n(0.0, run as usize * 16));
            }
            run = 0;
            active.extend_from_slice(block);
        }
    }
    let seconds = active.len() as f64 / 48_000.0;
    // Syllables counted by their swelling through half the mean level, on 20 ms means.
    let mut loud = false;
    for piece in active.chunks(960) {
        let level = rms_db(piece);
        if !loud && level > -21.0 {
            (loud, swells) = (true, swells + 1);
        } else if level < -29.0 {
            loud = false;
        }
    }
    let per_second = f64::from(swells) / seconds;
    let level = rms_db(&active);
    let shortest = pauses.iter().copied().fold(f64::MAX, f64::min);
    let longest = pauses.iter().copied().fold(0.0, f64::max);
    println!(
        "active {seconds:.1} s at {level:.2} dB, {per_second:.2} syllables/s, {} pauses of {shortest:.2} to {longest:.2} s",
        pauses.len()
    );
    assert!((level + 20.0).abs() < 0.5);
    assert!((3.2..4.8).contains(&per_second));
    assert!(pauses.len() > 20 && shortest > 0.24 && longest < 1.21);
    // Falling spectrum: at least 15 dB from 500 Hz to 4 kHz in density, and less below 80 Hz.
    let spectrum = densities_db(&out, 48_000.0, &[40.0, 500.0, 4_000.0]);
    println!("density at 40, 500, 4000 Hz: {spectrum:.1?}");
    assert!(spectrum[1] - spectrum[2] > 15.0 && spectrum[1] - spectrum[0] > 4.0);
    // Crests: gaussian noise on top of the swelling; measured 19.6 dB above the active level.
    let crest = out.iter().fold(0.0_f32, |crest, s| crest.max(s.abs()));
    println!("crest {:.1} dB above the active level", 20.0 * f64::from(crest).log10() - level);
    assert!(crest < 1.25);
}

#[test]
fn the_limiter_never_lets_a_peak_through_and_leaves_the_rest_alone() {
    let rate = SampleRate::HZ_48000;
    let ceiling = level::linear_from_db(-6.0);
    let mut quiet = rendered(Generator::Pink(Pink::new(4, db(-24.0), rate)), 48_000, &[16]);
    quiet.iter_mut().for_each(|s| *s = s.clamp(-ceiling, ceiling));
    let mut limiter = Limiter::new(db(-6.0), 100.0, rate);
    let (mut left, mut right) = (quiet.clone(), quiet.clone());
    limiter.process(&mut [&mut left, &mut right]);
    assert!(left.iter().chain(&right).zip(quiet.iter().chain(&quiet)).all(|(a, b)| a.to_bits() == b.to_bits()));

    // Loud noise, and what should never arrive.
    let mut loud = rendered(Generator::Pink(Pink::new(5, db(6.0), rate)), 48_000, &[16]);
    for (at, value) in [(100, f32::NAN), (200, f32::INFINITY), (300, 1e30), (400, f32::NEG_INFINITY), (500, 1e-40)] {
        loud[at] = value;
    }
    let soft: Vec<f32> = loud.iter().map(|s| if s.is_finite() { s * 0.25 } else { 0.0 }).collect();
    let mut limiter = Limiter::new(db(-6.0), 100.0, rate);
    let (mut left, mut right) = (loud.clone(), soft.clone());
    limiter.process(&mut [&mut left, &mut right]);
    assert!(left.iter().chain(&right).all(|s| s.abs() <= ceiling));
    // Linked: wherever both sides are audio they keep their ratio of 4, but for the last bits.
    for ((l, r), input) in left.iter().zip(&right).zip(&loud) {
        if input.is_finite() && input.abs() < 1e3 {
            assert!((l - 4.0 * r).abs() <= 1e-6);
        }
    }

    // Any split gives the same bytes.
    let mut split = Limiter::new(db(-6.0), 100.0, rate);
    let (mut left_again, mut right_again) = (loud, soft);
    let sizes = [1, 7, 64, 1_000].into_iter().cycle();
    let mut at = 0;
    for size in sizes {
        let end = (at + size).min(left_again.len());
        split.process(&mut [&mut left_again[at..end], &mut right_again[at..end]]);
        at = end;
        if at == left_again.len() {
            break;
        }
    }
    assert!(left.iter().zip(&left_again).all(|(a, b)| a.to_bits() == b.to_bits()));
    assert!(right.iter().zip(&right_again).all(|(a, b)| a.to_bits() == b.to_bits()));

    // Release: one time constant after an overload of 12 dB the reduction of 3/4 is down to 3/4 e^-1.
    let mut limiter = Limiter::new(Decibels::UNITY, 100.0, rate);
    limiter.frame(&mut [4.0]);
    assert!((limiter.gain() - 0.25).abs() < 1e-6);
    for _ in 0..4_800 {
        limiter.frame(&mut [0.1]);
    }
    assert!((f64::from(limiter.gain()) - (1.0 - 0.75 * (-1f64).exp())).abs() < 1e-4);
    for _ in 0..100_000 {
        limiter.frame(&mut [0.1]);
    }
    assert_eq!(limiter.gain().to_bits(), 1f32.to_bits());
}

/// A full-scale sine of `hz` through a resampler, settled.
fn resampled_sine(hz: f64, input_hz: u32, output_hz: u32, ratio: f64, cuts: &[usize]) -> Vec<f32> {
    let rate = |hz| SampleRate::try_new(hz).expect("a rate");
    let mut resampler = Resampler::new(1, rate(input_hz), rate(output_hz)).expect("a ratio in range");
    resampler.set_step(Step::from_ratio(ratio));
    let input: Vec<f32> =
        (0..60_000).map(|i| (TAU * (hz / f64::from(input_hz) * f64::from(i)).fract()).sin() as f32).collect();
    let mut output = vec![0.0; 24_000];
    let (mut read, mut written) = (0, 0);
    let mut cuts = cuts.iter().cycle();
    while written < output.len() {
        let take = (read + cuts.next().expect("endless")).min(input.len());
        let make = (written + cuts.next().expect("endless")).min(output.len());
        let (taken, made) = resampler.process(&[&input[read..take]], &mut [&mut output[written..make]]);
        read += taken;
        written += made;
    }
    output.split_off(4_000)
}

#[test]
fn the_resampler_is_flat_and_clean() {
    let cases = [
        (48_000, 48_000, 1.0002),
        (48_000, 48_000, 0.9998),
        (44_100, 48_000, 44_100.0 / 48_000.0),
        (48_000, 44_100, 48_000.0 / 44_100.0),
        (96_000, 48_000, 2.0001),
        (48_000, 96_000, 0.5001),
        (44_100, 44_100, 1.000_01),
        (96_000, 44_100, 96_000.0 / 44_100.0),
    ];
    for (input_hz, output_hz, ratio) in cases {
        for hz in [50.0, 1_000.0, 10_000.0, 15_000.0, 19_000.0, 20_000.0] {
            let out = resampled_sine(hz, input_hz, output_hz, ratio, &[100_000]);
            let (amplitude, residue_db) = fit_sine(&out, hz / f64::from(input_hz) * ratio);
            let level_db = 20.0 * amplitude.log10();
            println!("{input_hz} to {output_hz} at {ratio:.5}, {hz} Hz: {level_db:+.4} dB, THD+N {residue_db:.1} dB");
            assert!(level_db.abs() < FLAT_DB, "{input_hz} to {output_hz}, {hz} Hz: {level_db} dB");
            assert!(residue_db < CLEAN_DB, "{input_hz} to {output_hz}, {hz} Hz: THD+N {residue_db} dB");
        }
    }
}

/// Measured over all cases: 0.0001 dB and -108.7 dB at worst (20 kHz; -120.9 dB up to 10 kHz).
const FLAT_DB: f64 = 0.001;
const CLEAN_DB: f64 = -108.0;

#[test]
fn the_resampler_does_not_depend_on_how_the_stream_is_cut() {
    let whole = resampled_sine(997.0, 44_100, 48_000, 0.918_8, &[100_000]);
    for cuts in [&[1, 1][..], &[64, 4_096], &[4_096, 64], &[441, 480, 7, 33]] {
        let pieces = resampled_sine(997.0, 44_100, 48_000, 0.918_8, cuts);
        assert!(whole.iter().zip(&pieces).all(|(a, b)| a.to_bits() == b.to_bits()), "{cuts:?}");
    }
}

#[test]
fn the_resampler_delays_by_what_it_says() {
    let rate = SampleRate::HZ_48000;
    let mut resampler = Resampler::new(1, rate, rate).expect("a ratio in range");
    let mut input = [0.0; 200];
    input[50] = 1.0;
    let mut output = [0.0; 200];
    assert_eq!(resampler.process(&[&input], &mut [&mut output]), (200, 200));
    let crest = output.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1)).map(|(index, _)| index);
    assert_eq!(crest, Some(50 + resampler.delay_frames()));
    assert!(
        Resampler::new(1, SampleRate::try_new(192_000).expect("a rate"), SampleRate::try_new(8_000).expect("a rate"))
            .is_err()
    );
}

#[test]
fn nothing_allocates_once_it_is_made() {
    let rate = SampleRate::HZ_48000;
    let mut all = [
        Generator::Sine(Sine::new(997.0, db(-18.0), rate)),
        Generator::Pink(Pink::new(7, db(-20.0), rate)),
        Generator::SpeechLike(SpeechLike::new(7, db(-20.0), rate)),
    ];
    let mut limiter = Limiter::new(db(-30.0), 100.0, rate);
    let mut resampler = Resampler::new(2, rate, rate).expect("equal rates");
    let (mut bridge_in, mut bridge_out) =
        bridge(BridgeSettings { channels: 2, writer_rate: rate, reader_rate: rate, cushion_ms: 2.0 })
            .expect("equal rates");
    let (mut left, mut right) = ([0.0; 480], [0.0; 480]);
    let mut resampled = [[0.0; 480]; 2];
    assert_no_alloc(|| {
        for block in 0..300_u64 {
            let ns = block * 10_000_000;
            all.iter_mut().for_each(|generator| generator.fill(&mut left));
            right.copy_from_slice(&left);
            limiter.process(&mut [&mut left, &mut right]);
            let [first, second] = &mut resampled;
            resampler.process(&[&left, &right], &mut [first, second]);
            // Every third second the writer is away, so that gaps and cross-fades are walked through too.
            if block % 100 < 66 {
                bridge_in.write_planar(&[&left, &right], ns);
            }
            bridge_out.read_planar(&mut [&mut left, &mut right], ns);
        }
    });
    assert!(bridge_out.readings().underruns > 0 && bridge_out.readings().crossfades > 0);
}

/// FNV-1a over the bits of samples.
fn digest(samples: impl IntoIterator<Item = u64>) -> u64 {
    samples
        .into_iter()
        .flat_map(u64::to_le_bytes)
        .fold(0xCBF2_9CE4_8422_2325, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01B3))
}

#[test]
fn the_bytes_are_the_same_on_every_machine() {
    let rate = SampleRate::HZ_48000;
    let render = |generator| rendered(generator, 48_000, &[4_096]).into_iter().map(|s| u64::from(s.to_bits()));
    // Of an x86-64 without and with AVX-512; there is nothing outside to compare with, a difference is the finding.
    assert_eq!(digest(render(Generator::Sine(Sine::new(997.0, db(-18.0), rate)))), 0x398A_D3A4_9684_925E);
    assert_eq!(digest(render(Generator::Pink(Pink::new(1, db(-18.0), rate)))), 0x1B08_46F6_7AEC_6645);
    assert_eq!(digest(render(Generator::SpeechLike(SpeechLike::new(1, db(-18.0), rate)))), 0xFD2F_CF86_3961_495B);
    // A square root is exact, so that the arguments are the same everywhere as well.
    let arguments = || (1..10_000).map(|i| f64::from(i).sqrt());
    assert_eq!(digest(arguments().map(|x| math::exp2(x).to_bits())), 0xE53F_3F47_94BC_97C9);
    assert_eq!(digest(arguments().map(|x| math::exp(-x).to_bits())), 0x37AB_1D07_233F_1002);
    assert_eq!(digest(arguments().map(|x| math::ln(x).to_bits())), 0x5208_22B2_CCF8_3B40);
    assert_eq!(digest(arguments().map(|x| math::sin_turns(x).to_bits())), 0x4CA4_BA35_85CA_AD59);
    let mut limiter = Limiter::new(db(-24.0), 50.0, rate);
    let mut loud = rendered(Generator::Pink(Pink::new(1, db(-18.0), rate)), 48_000, &[4_096]);
    limiter.process(&mut [&mut loud]);
    let mut resampler =
        Resampler::new(1, SampleRate::try_new(44_100).expect("a rate"), rate).expect("a ratio in range");
    let mut resampled = vec![0.0; 48_000];
    resampler.process(&[&loud], &mut [&mut resampled]);
    assert_eq!(digest(resampled.iter().map(|s| u64::from(s.to_bits()))), 0x364B_0C55_F02E_A021);
}
