//! The signal mathematics against closed forms and outside figures. `std`'s functions serve as the reference here.

use longthrow::dsp::{level, math};
use longthrow::units::Decibels;

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
