//! The leveller: ten generated programmes between -35 and -10 LUFS, brought to a target through desk and engine.

#![allow(clippy::print_stdout, reason = "it says what it found")]

#[path = "support/show.rs"]
#[allow(dead_code, reason = "each test uses a part of it")]
mod show;

use longthrow::daemon::offline::{Buffers, Offline};
use longthrow::desk::{MeterMemory, MeterName, Order, Reading};
use longthrow::dsp::generators::{Pink, SpeechLike};
use longthrow::dsp::lanes::Vectors;
use longthrow::engine::Feed;
use longthrow::units::Decibels;
use show::{RATE, installation};
use std::cell::RefCell;
use std::rc::Rc;

const TARGET: f64 = -23.0;

fn lines(more: &str) -> String {
    let channel =
        "channel.a.source = pair-1\nchannel.a.switch = open\nchannel.a.fader = 0.0\nchannel.a.assign.programme = on";
    format!("{channel}\nbus.programme.leveller = {TARGET:?}\nbus.programme.leveller-range = 15.0\n{more}")
}

/// What the bus and the feed behind the leveller come to, and the leveller's gain every 10 ms.
struct Heard {
    before: f64,
    after: f64,
    gain: Vec<f64>,
    output: Vec<f32>,
}

fn play(signal: &[f32], callback: usize) -> Heard {
    play_with("", signal, callback)
}

fn play_with(more: &str, signal: &[f32], callback: usize) -> Heard {
    let mut desk =
        Offline::new(installation(2, &lines(more)), RATE, Vectors::widest(), Box::new(|_, _, _| Feed::Silent));
    let state = Rc::new(RefCell::new((Vec::<MeterName>::new(), MeterMemory::default(), Vec::new(), [0.0; 2])));
    let into = Rc::clone(&state);
    desk.on_meters(move |desk, frame| {
        let (table, memory, gain, whole) = &mut *into.borrow_mut();
        if table.is_empty() {
            *table = desk.meter_table();
            memory.take_table(table);
        }
        memory.read(frame);
        // Until then the output comes up from silence.
        if frame.start < 28_800 {
            memory.order(Order::Start, |_| true);
        }
        let value = |path: &str| {
            let name = table.iter().find(|name| name.path == path).expect("there is such a meter");
            let mut reading = Reading::default();
            name.read(frame, &mut reading);
            f64::from(name.value(&reading, memory))
        };
        gain.push(value("/meter/bus/programme/leveller/gain"));
        *whole = ["bus/programme", "output/feed"].map(|of| value(&format!("/meter/{of}/loudness/integrated")));
    });
    let length = signal.len();
    let inputs = vec![signal.to_vec(), signal.to_vec()];
    let mut wires = Buffers { inputs, outputs: vec![vec![0.0; length]; 2], offset: 0, frames: 0 };
    while wires.offset < length {
        wires.frames = callback.min(length - wires.offset);
        desk.process(&mut wires);
        wires.offset += wires.frames;
    }
    let state = state.borrow();
    let [before, after] = state.3;
    Heard { before, after, gain: state.2.clone(), output: wires.outputs.swap_remove(0) }
}

/// Talk with pauses, or a steady bed, at about this loudness, for three minutes.
fn programme(seed: u64, lufs: f32) -> Vec<f32> {
    let level = |db: f32| Decibels::try_new(db).expect("a level");
    let mut samples = vec![0.0; 180 * 48_000];
    if seed.is_multiple_of(3) {
        Pink::new(seed, level(lufs - 3.0), RATE).fill(&mut samples);
    } else {
        SpeechLike::new(seed, level(lufs - 1.0), RATE).fill(&mut samples);
    }
    // Somebody stops talking for four seconds, twice a minute: what is left is 40 dB down.
    for (n, sample) in samples.iter_mut().enumerate() {
        if n / 48_000 % 30 >= 26 {
            *sample *= 0.01;
        }
    }
    samples
}

#[test]
fn ten_programmes_come_to_the_target_without_haste_and_without_pumping() {
    for (seed, lufs) in [-35.0, -32.0, -29.0, -26.0, -24.0, -21.0, -18.0, -15.0, -12.0, -10.0].into_iter().enumerate() {
        let heard = play(&programme(seed as u64, lufs), 480);
        let fastest = heard.gain.windows(101).map(|s| (s[100] - s[0]).abs()).fold(0.0, f64::max);
        // In a pause: from half a second into it, when momentary loudness has seen that there is one, to its end.
        let pauses = heard.gain.chunks(3_000).filter_map(|half| half.get(2_650..2_999));
        let pumped = pauses.map(|pause| (pause[348] - pause[0]).abs()).fold(0.0, f64::max);
        println!(
            "{seed}: {:.1} LUFS became {:.2}; {fastest:.2} dB in the fastest second, {pumped:.3} dB in a pause",
            heard.before, heard.after
        );
        assert!((heard.after - TARGET).abs() <= 1.0, "{} LUFS", heard.after);
        assert!(fastest <= 3.0, "{fastest} dB in a second");
        assert!(pumped <= 0.05, "{pumped} dB in a pause");
    }
}

#[test]
fn the_bytes_are_the_same_for_every_callback_size() {
    let signal = &programme(1, -30.0)[..10 * 48_000];
    let expected = play(signal, 480).output;
    for callback in [64, 1_000] {
        assert!(play(signal, callback).output == expected, "{callback}");
    }
}

/// Below the floor nothing moves, however long.
#[test]
fn silence_and_noise_below_the_floor_are_not_raised() {
    let mut noise = vec![0.0; 60 * 48_000];
    Pink::new(1, Decibels::try_new(-55.0).expect("a level"), RATE).fill(&mut noise);
    let heard = play(&noise, 480);
    assert!(heard.gain.iter().all(|gain| gain.abs() < 1e-9), "{:?}", heard.gain.last());
}

/// Pink noise at these levels, dBFS, for so many seconds each.
fn noise(segments: &[(f32, usize)]) -> Vec<f32> {
    let mut pink = Pink::new(1, Decibels::try_new(0.0).expect("a level"), RATE);
    let mut samples = Vec::new();
    for (db, seconds) in segments {
        let mut part = vec![0.0; seconds * 48_000];
        pink.fill(&mut part);
        samples.extend(part.iter().map(|sample| sample * 10_f32.powf(db / 20.0)));
    }
    samples
}

/// By the definitions: no second moves more than the speed, what is above a lower floor is raised, and 3 s after the level fell
/// by 6 dB a mean with a time constant of 1 s has seen 5.3 dB of it and one of 20 s only 0.5 dB.
#[test]
fn window_floor_and_speed_are_what_the_profile_says() {
    let slow = play_with("bus.programme.leveller-speed = 0.5", &noise(&[(-35.0, 20)]), 480);
    let fastest = slow.gain.windows(101).map(|s| (s[100] - s[0]).abs()).fold(0.0, f64::max);
    assert!((0.45..=0.5001).contains(&fastest), "{fastest} dB in a second");
    let soft = noise(&[(-55.0, 20)]);
    let (still, raised) = (play(&soft, 480), play_with("bus.programme.leveller-floor = -65.0", &soft, 480));
    assert!(still.gain.iter().all(|gain| gain.abs() < 1e-9) && *raised.gain.last().expect("gains") > 5.0);
    let falls = noise(&[(-24.0, 30), (-30.0, 3)]);
    let moved = |window: &str| {
        let gain = play_with(&format!("bus.programme.leveller-window = {window}"), &falls, 480).gain;
        gain[gain.len() - 1] - gain[2_999]
    };
    let (short, long) = (moved("1.0"), moved("20.0"));
    println!("3 s after the fall: {short:.2} dB with a window of 1 s, {long:.2} dB with one of 20 s");
    // Of the way that the mean has seen, a gain that takes 60 % of it in a second has made more than half.
    assert!((2.6..=5.5).contains(&short) && (0.0..=0.6).contains(&long), "{short} and {long} dB");
}

/// Pauses that are not silence (a room, a bed of music) may stand above the floor; what is more than 10 LU below the talk is no talk
/// (the relative gate of ITU-R BS.1770-5).
#[test]
fn pauses_above_the_floor_are_not_pumped_up() {
    // What stays soft for long is no pause but the programme: 12 dB down from about 18 s on, 16 dB from about a minute on.
    for (down, longest) in [(12.0, 12), (16.0, 30), (20.0, 30)] {
        for seconds in [4, longest] {
            // Below the target, so that the leveller has something to do; the pauses are above a floor of -60 LUFS.
            let talk = noise(&[(-30.0, 40), (-30.0 - down, seconds), (-30.0, 10)]);
            let heard = play_with("bus.programme.leveller-floor = -60.0", &talk, 480);
            let pause = &heard.gain[4_000..4_000 + 100 * seconds];
            let moved = pause.iter().map(|gain| (gain - pause[0]).abs()).fold(0.0, f64::max);
            println!("{down} dB down for {seconds} s: {moved:.3} dB, from {:.2} dB of gain", pause[0]);
            assert!(pause[0].abs() > 1.0 && moved <= 0.1, "{down} dB down for {seconds} s: {moved} dB");
        }
    }
}
