//! Delay, width and mono of channels, through desk and engine. The figures are closed forms.

#![allow(
    clippy::float_cmp,
    clippy::needless_range_loop,
    reason = "samples that are the same; several wires at one frame"
)]
#![allow(clippy::print_stdout, reason = "the tests say what they measured")]

#[path = "support/show.rs"]
#[allow(dead_code, reason = "each test uses a part of it")]
mod show;
#[path = "support/through.rs"]
mod through;

use longthrow::dsp::lanes::Form;
use longthrow::params::Value;
use longthrow::units::Frames;
use show::{installation, set};
use through::{noise, offline, run};

/// Outputs fade in from silence in 500 ms; what is compared starts after that.
const SETTLED: usize = 30_000;
const OPEN: &str = "channel.a.source = in-1\nchannel.a.switch = open\nchannel.a.fader = 0.0\nchannel.a.pan = -1.0\nchannel.a.assign.programme = on\n";
const STEREO: &str =
    "channel.a.source = pair-1\nchannel.a.switch = open\nchannel.a.fader = 0.0\nchannel.a.assign.programme = on\n";

fn word(word: &str) -> Value {
    Value::Word(word.into())
}

#[test]
fn a_delay_is_so_many_frames_and_nothing_else() {
    let inputs = || vec![noise(100_000, 1), noise(100_000, 2)];
    // Video frames: 1001/30000 s at 29.97, as the standards of television define it; 40 ms at 25.
    for (lines, frames) in [
        ("channel.a.delay.time = 0.0", 0_usize),
        ("channel.a.delay.time = 10.0", 480),
        ("channel.a.delay.time = 1000.0", 48_000),
        ("channel.a.delay.frames = 1", 1920),
        ("channel.a.delay.frames = 2\nchannel.a.delay.frame-rate = 50\nchannel.a.delay.time = 0.5", 1944),
        ("channel.a.delay.frames = 3\nchannel.a.delay.frame-rate = 29.97", 4805),
        // Together a second at most.
        ("channel.a.delay.frames = 60\nchannel.a.delay.time = 900", 48_000),
    ] {
        let heard = run(&mut offline(installation(2, &format!("{OPEN}{lines}\n")), Form::Plain), inputs(), 480);
        let from = SETTLED + frames;
        assert!(heard[0][from..] == inputs()[0][SETTLED..100_000 - frames], "{lines}: {frames} frames");
    }
}

#[test]
fn another_delay_fades_from_one_place_to_the_other_within_20_ms() {
    let inputs = || vec![noise(200_000, 1), noise(200_000, 2)];
    let lines = format!("{OPEN}channel.a.delay.time = 100.0\nchannel.a.delay.frames = 0\n");
    let mut desk = offline(installation(2, &lines), Form::Plain);
    desk.at(Frames(80_000), set("channel.a.delay.time", Value::Number(20.0)));
    // Several asked for within one change: the last one counts.
    for step in 0..10 {
        let time = Value::Number(30.0 + step as f32);
        desk.at(Frames(120_000 + 50 * step), set("channel.a.delay.time", time));
    }
    let heard = &run(&mut desk, inputs(), 480)[0];
    let input = &inputs()[0];
    let is = |frames: usize, range: std::ops::Range<usize>| range.into_iter().all(|n| heard[n] == input[n - frames]);
    assert!(is(4800, SETTLED..80_000) && is(960, 80_000 + 961..120_000), "one tap before and one after");
    assert!(is(1872, 120_000 + 450 + 2 * 961..200_000), "39 ms, after at most two changes");
    // Between: the two taps with weights that add up to 1, and nothing of any other place, so no pitch changes.
    for n in 80_000..80_960 {
        let p = (n - 80_000 + 1) as f64 / 960.0;
        let shape = p * p * (3.0 - 2.0 * p);
        let wanted = f64::from(input[n - 4800]) * (1.0 - shape) + f64::from(input[n - 960]) * shape;
        assert!((f64::from(heard[n]) - wanted).abs() < 2e-5, "{n}");
    }
}

#[test]
fn a_first_delay_begins_softly_and_a_new_source_is_heard_after_it() {
    let tone = |frames: usize, hertz: f64| -> Vec<f32> {
        (0..frames).map(|n| (0.5 * (std::f64::consts::TAU * hertz / 48_000.0 * n as f64).cos()) as f32).collect()
    };
    let mut desk = offline(installation(2, OPEN), Form::Plain);
    desk.at(Frames(60_000), set("channel.a.delay.time", Value::Number(200.0)));
    desk.at(Frames(100_000), set("channel.a.source", word("in-2")));
    let heard = &run(&mut desk, vec![tone(150_000, 200.0), tone(150_000, 300.0)], 480)[0];
    // The largest step from sample to sample of either tone is its amplitude times its angle; a hard edge would be up to 0.5.
    let step = heard[SETTLED..].windows(2).map(|pair| (pair[1] - pair[0]).abs()).fold(0.0, f32::max);
    println!("largest step {step:.4}");
    assert!(step < 0.025);
    assert!(heard[61_000..69_500].iter().all(|x| *x == 0.0), "nothing was recorded before");
    let late = tone(150_000, 300.0);
    let off = (140_000..150_000).map(|n| (heard[n] - late[n - 9600]).abs()).fold(0.0, f32::max);
    println!("at most {off:e} off");
    // What is below -300 dBFS is nothing.
    assert!(off <= 1e-15);
}

#[test]
fn width_and_mono_are_what_middle_and_sides_say() {
    let inputs = || vec![noise(60_000, 1), noise(60_000, 2)];
    let plain = run(&mut offline(installation(2, STEREO), Form::Plain), inputs(), 480);
    for (lines, width) in
        [("width = 1.0", 1.0), ("width = 0.0", 0.0), ("width = 2.0", 2.0), ("width = 0.5", 0.5), ("mono = on", 0.0)]
    {
        let lines = format!("{STEREO}channel.a.{lines}\n");
        let heard = run(&mut offline(installation(2, &lines), Form::Plain), inputs(), 480);
        for n in SETTLED..60_000 {
            let [left, right] = [f64::from(inputs()[0][n]), f64::from(inputs()[1][n])];
            let (middle, side) = (0.5 * (left + right), 0.5 * (left - right) * width);
            for (wire, wanted) in [middle + side, middle - side].into_iter().enumerate() {
                assert!((f64::from(heard[wire][n]) - wanted).abs() < 1e-6, "{lines}: {n}");
            }
            if n > SETTLED + 200 {
                break;
            }
        }
        if (width - 1.0).abs() < 1e-9 {
            assert!(heard == plain, "at 1 nothing is touched");
        }
    }
    // In motion it glides, and at its end it is exact.
    let mut desk = offline(installation(2, STEREO), Form::Plain);
    desk.at(Frames(40_000), set("channel.a.mono", word("on")));
    let heard = run(&mut desk, inputs(), 480);
    assert!(heard[0][..40_000] == plain[0][..40_000]);
    let apart = (50_000..60_000).map(|n| (heard[0][n] - heard[1][n]).abs()).fold(0.0, f32::max);
    println!("sides {apart:e} apart");
    assert!(apart < 1e-4);
}

/// Delays and widths change while sources do.
fn lively(callback: usize, form: Form) -> Vec<u32> {
    let lines = format!(
        "{STEREO}channel.a.delay.time = 30.0\nchannel.b.source = in-3\nchannel.b.switch = open\nchannel.b.fader = 0.0\nchannel.b.assign.programme = on\nchannel.b.high-pass.switch = on\n"
    );
    let mut desk = offline(installation(4, &lines), form);
    desk.at(Frames(30_001), set("channel.a.delay.time", Value::Number(111.0)));
    desk.at(Frames(30_100), set("channel.a.delay.time", Value::Number(3.0)));
    desk.at(Frames(33_000), set("channel.b.delay.frames", Value::Number(2.0)));
    desk.at(Frames(36_005), set("channel.a.source", word("pair-2")));
    desk.at(Frames(39_000), set("channel.a.width", Value::Number(1.7)));
    desk.at(Frames(45_000), set("channel.b.delay.frames", Value::Number(0.0)));
    // Long silence in between: what is at rest is left out, and that changes nothing.
    let mut inputs: Vec<Vec<f32>> = (0..4).map(|n| noise(230_000, n)).collect();
    for input in &mut inputs {
        input[60_000..200_003].fill(0.0);
    }
    run(&mut desk, inputs, callback).iter().flatten().map(|sample| sample.to_bits()).collect()
}

#[test]
fn every_block_size_and_form_gives_the_same_bytes() {
    let expected = lively(480, Form::Plain);
    for callback in [1, 16, 17, 64, 441, 4096] {
        assert!(lively(callback, Form::Plain) == expected, "blocks of {callback}");
    }
    for form in Form::ALL.into_iter().filter(|form| form.is_here()) {
        assert!(lively(64, form) == expected, "{form:?}");
    }
}

const TWO: &str = "channel.a.source = in-1\nchannel.a.source-b = in-2\nchannel.a.switch = open\nchannel.a.fader = 0.0\n\
    channel.a.pan = -1.0\nchannel.a.assign.programme = on\nchannel.a.trim = 6.0\nchannel.a.trim-b = -3.0\nchannel.a.pad-b = on\n";

#[test]
fn the_source_that_is_not_selected_is_not_heard_and_each_has_its_own_level() {
    let inputs = || vec![noise(120_000, 1), noise(120_000, 2)];
    let first =
        run(&mut offline(installation(2, &format!("{OPEN}channel.a.trim = 6.0\n")), Form::Plain), inputs(), 480);
    let lines = format!("{}channel.a.trim = -3.0\nchannel.a.pad = on\n", OPEN.replace("in-1", "in-2"));
    let second = run(&mut offline(installation(2, &lines), Form::Plain), inputs(), 480);
    let mut desk = offline(installation(2, TWO), Form::Plain);
    desk.at(Frames(60_000), set("channel.a.source-select", word("b")));
    // The level of the one that is not heard moves nothing.
    desk.at(Frames(50_000), set("channel.a.trim-b", Value::Number(12.0)));
    desk.at(Frames(52_000), set("channel.a.trim-b", Value::Number(-3.0)));
    desk.at(Frames(80_000), set("channel.a.trim", Value::Number(-20.0)));
    desk.at(Frames(82_000), set("channel.a.trim", Value::Number(6.0)));
    desk.at(Frames(90_000), set("channel.a.source-select", word("a")));
    let heard = run(&mut desk, inputs(), 480);
    assert!(heard[0][..60_000] == first[0][..60_000], "the same bytes as a channel that has no second source");
    // 20 ms are 960 frames.
    assert!(heard[0][60_960..90_000] == second[0][60_960..90_000], "the second alone, at its own level");
    assert!(heard[0][90_960..] == first[0][90_960..], "and back");
    // Between: two weights that add up to 1, by the shape of every ramp of the desk.
    for (from, was, is) in [(60_000, &first[0], &second[0]), (90_000, &second[0], &first[0])] {
        for n in from..from + 960 {
            let p = (n - from + 1) as f64 / 960.0;
            let shape = p * p * (3.0 - 2.0 * p);
            let wanted = f64::from(was[n]) * (1.0 - shape) + f64::from(is[n]) * shape;
            assert!((f64::from(heard[0][n]) - wanted).abs() < 4e-5, "{n}: {} {wanted}", heard[0][n]);
        }
    }
}

/// The largest difference of the fourth order: next to nothing of a slow tone, and about as much as a step is high.
fn roughness(samples: &[f32]) -> f64 {
    let d = |w: &[f32]| {
        let s = |n: usize| f64::from(w[n]);
        s(0) - 4.0 * s(1) + 6.0 * s(2) - 4.0 * s(3) + s(4)
    };
    samples.windows(5).map(d).fold(0.0, |most, x| x.abs().max(most))
}

#[test]
fn going_back_and_forth_between_sources_does_not_click_whatever_their_levels_and_widths() {
    let tone = |hertz: f64, frames: usize| -> Vec<f32> {
        (0..frames).map(|n| (0.5 * (std::f64::consts::TAU * hertz / 48_000.0 * n as f64).cos()) as f32).collect()
    };
    // One that is turned around half-way has a corner there, as a switch has; none has a step.
    for (second, far, most) in
        [("in-2", 1_201, 2e-4), ("pair-2", 1_201, 2e-4), ("in-2", 307, 5e-3), ("pair-2", 307, 5e-3)]
    {
        let mut desk = offline(installation(4, &TWO.replace("in-2", second)), Form::Plain);
        // At every place within a tick.
        for n in 0..100_u64 {
            let which = if n % 2 == 0 { "b" } else { "a" };
            desk.at(Frames(40_000 + n * far), set("channel.a.source-select", word(which)));
        }
        let wires = [90.0, 120.0, 120.0, 150.0].map(|hertz| tone(hertz, 180_000)).to_vec();
        let heard = run(&mut desk, wires, 480);
        // A hard change would be some tenths.
        let rough = roughness(&heard[0][SETTLED..]);
        println!("{second}, every {far} frames: fourth difference at most {rough:.2e}");
        assert!(rough < most, "{rough:e}");
    }
}

/// Every selection takes a column and gives it back a little later; a hand that is faster than that for long finds none, and then
/// the source before is heard on, at its own level and not at that of the other.
#[test]
fn a_source_that_finds_no_room_leaves_the_level_of_the_other_alone() {
    let lines = format!("{OPEN}channel.a.source-b = in-2\nchannel.a.trim-b = 12.0\n");
    let mut desk = offline(installation(2, &lines), Form::Plain);
    for n in 0..900_u64 {
        let which = if n % 2 == 0 { "b" } else { "a" };
        desk.at(Frames(50_000 + 16 * n), set("channel.a.source-select", word(which)));
    }
    let frames = 100_000;
    let first = noise(frames, 1);
    let alone = run(&mut offline(installation(2, OPEN), Form::Plain), vec![first.clone(), vec![0.0; frames]], 480);
    let heard = run(&mut desk, vec![first, vec![0.0; frames]], 480);
    let louder = heard[0].iter().zip(&alone[0]).position(|(heard, alone)| heard.abs() > alone.abs() * 1.001 + 1e-6);
    assert_eq!(louder, None, "the second source is silent, so nothing is louder than the first alone");
    assert!(heard[0][99_000..].iter().zip(&alone[0][99_000..]).all(|(heard, alone)| heard == alone), "and it is there");
}

#[test]
fn two_sources_give_the_same_bytes_for_every_block_size_and_form() {
    let lively = |callback: usize, form: Form| -> Vec<u32> {
        let lines =
            format!("{TWO}channel.a.delay.time = 7.0\nchannel.a.high-pass.switch = on\n").replace("in-2", "pair-2");
        let mut desk = offline(installation(4, &lines), form);
        for (n, which) in [(20_003, "b"), (20_400, "a"), (33_000, "b"), (45_001, "a")] {
            desk.at(Frames(n), set("channel.a.source-select", word(which)));
        }
        let inputs: Vec<Vec<f32>> = (0..4).map(|n| noise(60_000, n)).collect();
        run(&mut desk, inputs, callback).iter().flatten().map(|sample| sample.to_bits()).collect()
    };
    let expected = lively(480, Form::Plain);
    for callback in [1, 17, 64, 4096] {
        assert!(lively(callback, Form::Plain) == expected, "blocks of {callback}");
    }
    for form in Form::ALL.into_iter().filter(|form| form.is_here()) {
        assert!(lively(64, form) == expected, "{form:?}");
    }
}
