//! Gains that one channel takes from others, through desk and engine.
//!
//! Gain sharing as D. Dugan published it in JAES 23 (1975): a gain in dB is the channel's own level less that of the sum. The
//! figures follow from that formula; they are closed forms.

#![allow(clippy::print_stdout, reason = "the tests say what they measured")]

#[path = "support/show.rs"]
#[allow(dead_code, reason = "each test uses a part of it")]
mod show;
#[path = "support/through.rs"]
#[allow(dead_code, reason = "each test uses a part of it")]
mod through;

use longthrow::daemon::offline::{Buffers, Offline};
use longthrow::desk::Reading;
use longthrow::dsp::lanes::Form;
use longthrow::params::{Address, Value};
use longthrow::profile::{Installation, Minus, Output, OutputKind};
use longthrow::units::Frames;
use show::{id, installation, set};
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};
use through::{noise, offline};

const SECOND: usize = 48_000;

/// An installation with a stereo output for each bus named, in this order.
fn show(inputs: u16, lines: &str, carried: &[&str]) -> Installation {
    let mut installation = installation(inputs, lines);
    installation.rig.devices[0].outputs = 2 * u16::try_from(carried.len()).expect("few");
    installation.rig.outputs.clear();
    for (bus, channel) in carried.iter().zip((0..).step_by(2)) {
        installation.rig.outputs.push(Output {
            id: id(&format!("out-{bus}")),
            kind: OutputKind::Feed,
            device: id("box"),
            channels: vec![channel, channel + 1],
        });
        let source = Address::from_dotted(&format!("output.out-{bus}.source")).expect("an address");
        installation.profile.values.insert(source, Value::Word((*bus).into()));
    }
    installation
}

/// Open microphones `m1`.. on inputs 1.., in the group "table", each on a bus of its own `b1`.. besides the programme.
fn microphones(count: u16, open: u16) -> String {
    (1..=count).fold(String::new(), |lines, n| {
        let switch = if n <= open { "open" } else { "closed" };
        format!(
            "{lines}channel.m{n}.source = in-{n}\nchannel.m{n}.switch = {switch}\nchannel.m{n}.fader = 0.0\n\
             channel.m{n}.assign.programme = on\nchannel.m{n}.sharing.group = table\n\
             channel.m{n}.assign.b{n} = on\nbus.b{n}.fader = 0.0\n"
        )
    })
}

const OWN: [&str; 4] = ["b1", "b2", "b3", "b4"];

/// Runs the inputs through.
fn run(desk: &mut Offline, inputs: Vec<Vec<f32>>, callback: usize) -> Vec<Vec<f32>> {
    let length = inputs[0].len();
    desk.measure_levels_only();
    let outputs = 2 * desk.desk().rig().outputs.len();
    let mut wires = Buffers { inputs, outputs: vec![vec![0.0; length]; outputs], offset: 0, frames: 0 };
    while wires.offset < length {
        wires.frames = callback.min(length - wires.offset);
        desk.process(&mut wires);
        wires.offset += wires.frames;
    }
    wires.outputs
}

fn noises(count: usize, frames: usize, db: &[f64]) -> Vec<Vec<f32>> {
    let loud = |n: usize| 10.0_f64.powf(db.get(n).unwrap_or(&db[db.len() - 1]) / 20.0) as f32;
    (0..count).map(|n| noise(frames, 77 + n as u64).into_iter().map(|sample| sample * loud(n)).collect()).collect()
}

/// Mean square in dB.
fn power_db(samples: &[f32]) -> f64 {
    10.0 * (samples.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / samples.len() as f64).max(1e-30).log10()
}

#[test]
fn the_noise_of_many_open_microphones_is_that_of_one() {
    let alone = {
        let heard = run(
            &mut offline(installation(16, &microphones(16, 1)), Form::Plain),
            noises(16, 4 * SECOND, &[-50.0]),
            480,
        );
        power_db(&heard[0][SECOND..])
    };
    let mut worst = 0.0_f64;
    for open in 1..=16 {
        let mut desk = offline(installation(16, &microphones(16, open)), Form::Plain);
        let heard = run(&mut desk, noises(16, 4 * SECOND, &[-50.0]), 480);
        let off = power_db(&heard[0][SECOND..]) - alone;
        worst = worst.max(off.abs());
        assert!(off.abs() <= 0.1, "{open} open: {off:+.3} dB");
    }
    println!("1 to 16 open microphones: within {worst:.3} dB of one");
}

#[test]
fn a_talker_has_the_gain_and_the_others_give_theirs() {
    let lines = microphones(4, 4);
    let inputs = || noises(4, 5 * SECOND, &[-30.0, -50.0]);
    let heard = run(&mut offline(show(4, &lines, &OWN), Form::Plain), inputs(), 480);
    let lines = lines.replace("sharing.group = table", "sharing.group = off");
    let whole = run(&mut offline(show(4, &lines, &OWN), Form::Plain), inputs(), 480);
    let lost: Vec<f64> =
        (0..4).map(|n| power_db(&heard[2 * n][SECOND..]) - power_db(&whole[2 * n][SECOND..])).collect();
    println!("the talker has {:.3} dB, the others {:.3?} dB", lost[0], &lost[1..]);
    assert!((lost[0] + 0.1).abs() <= 0.1, "{lost:?}");
    assert!(lost[1..].iter().all(|lost| (lost + 20.2).abs() <= 0.2), "{lost:?}");
}

#[test]
fn a_priority_counts_as_if_it_were_louder() {
    let lines = microphones(2, 2) + "channel.m1.sharing.priority = 6.0\n";
    let inputs = || noises(2, 5 * SECOND, &[-40.0]);
    let heard = run(&mut offline(show(2, &lines, &OWN[..2]), Form::Plain), inputs(), 480);
    let whole = {
        let lines = lines.replace("sharing.group = table", "sharing.group = off");
        run(&mut offline(show(2, &lines, &OWN[..2]), Form::Plain), inputs(), 480)
    };
    let power = 10.0_f64.powf(0.6);
    for (n, part) in [power / (power + 1.0), 1.0 / (power + 1.0)].into_iter().enumerate() {
        let lost = power_db(&heard[2 * n][SECOND..]) - power_db(&whole[2 * n][SECOND..]);
        assert!((lost - 10.0 * part.log10()).abs() < 0.1, "{lost:.3} for {:.3} dB", 10.0 * part.log10());
    }
    // Switched off, it has its whole gain and the other one too.
    let off = lines + "channel.m1.sharing.switch = off\n";
    let heard = run(&mut offline(show(2, &off, &OWN[..2]), Form::Plain), inputs(), 480);
    for wire in 0..4 {
        assert!(heard[wire][SECOND..] == whole[wire][SECOND..], "wire {wire}");
    }
}

#[test]
fn a_first_syllable_comes_through() {
    // Three microphones hear the room, one falls silent for two seconds and then speaks, 40 dB above the room.
    let mut inputs = noises(4, 4 * SECOND, &[-70.0]);
    let voice = noise(4 * SECOND, 5);
    let start = 3 * SECOND + 7;
    for n in start..4 * SECOND {
        inputs[0][n] = voice[n] * 0.03;
    }
    let lines = microphones(4, 4);
    let heard = run(&mut offline(show(4, &lines, &OWN), Form::Plain), inputs.clone(), 480);
    let lost = |from: usize, to: usize| {
        power_db(&heard[0][start + from..start + to]) - power_db(&inputs[0][start + from..start + to]) + 3.0103
    };
    println!(
        "lost of the first 5 ms {:.1} dB, of the next 5 {:.1} dB, then {:.2} dB",
        lost(0, 240),
        lost(240, 480),
        lost(480, 2400)
    );
    assert!(lost(240, 480) > -1.5 && lost(480, 2400) > -0.1);
}

#[test]
fn closing_gives_the_rest_their_gain_back_and_outsiders_are_never_touched() {
    let outsider = "channel.other.source = in-5\nchannel.other.switch = open\nchannel.other.fader = 0.0\nchannel.other.assign.b5 = on\nbus.b5.fader = 0.0\n";
    let lines = microphones(4, 4) + outsider;
    let carried = ["b1", "b2", "b3", "b4", "b5"];
    let inputs = || noises(5, 6 * SECOND, &[-40.0]);
    let run_with = |lines: &str| {
        let mut desk = offline(show(5, lines, &carried), Form::Plain);
        for n in 2..=4 {
            desk.at(Frames(96_000), set(&format!("channel.m{n}.switch"), Value::Word("closed".into())));
        }
        run(&mut desk, inputs(), 480)
    };
    let (heard, whole) = (run_with(&lines), run_with(&lines.replace("sharing.group = table", "sharing.group = off")));
    assert!(heard[8] == whole[8] && heard[9] == whole[9], "who is in no group is untouched");
    let lost = |from: usize, to: usize| power_db(&heard[0][from..to]) - power_db(&whole[0][from..to]);
    assert!((lost(SECOND, 2 * SECOND) + 6.02).abs() < 0.2, "four share: {:.2}", lost(SECOND, 2 * SECOND));
    assert!(lost(3 * SECOND, 6 * SECOND) > -0.01, "one is left: {:.3}", lost(3 * SECOND, 6 * SECOND));
    assert!(heard[0][5 * SECOND..] == whole[0][5 * SECOND..], "with its whole gain, bit for bit");
}

#[test]
fn what_is_taken_off_is_shown() {
    let mut desk = offline(installation(4, &microphones(4, 3)), Form::Plain);
    let shown: Arc<Mutex<BTreeMap<String, f32>>> = Arc::default();
    let into = Arc::clone(&shown);
    desk.on_meters(move |desk, frame| {
        let mut shown = into.lock().expect("nobody panicked");
        for name in desk.meter_table().iter().filter(|name| name.path.ends_with("/reduction")) {
            let mut reading = Reading::default();
            name.read(frame, &mut reading);
            let memory = longthrow::desk::MeterMemory::default();
            shown.insert(name.path.clone(), name.value(&reading, &memory));
        }
    });
    run(&mut desk, noises(4, SECOND, &[-40.0]), 480);
    let shown = shown.lock().expect("nobody panicked");
    for n in 1..=3 {
        let found = shown[&format!("/meter/channel/m{n}/sharing/reduction")];
        assert!((found - 4.77).abs() < 1.0, "m{n}: {found} dB");
    }
    assert_eq!(shown["/meter/channel/m4/sharing/reduction"], 0.0, "closed");
}

#[test]
fn a_stereo_pair_is_one_member_with_one_gain() {
    let lines = "channel.m1.source = in-3\nchannel.m1.switch = open\nchannel.m1.fader = 0.0\nchannel.m1.assign.b1 = on\n\
         channel.m1.sharing.group = table\nbus.b1.fader = 0.0\nchannel.p.source = pair-1\nchannel.p.switch = open\n\
         channel.p.fader = 0.0\nchannel.p.sharing.group = table\nchannel.p.assign.b2 = on\nbus.b2.fader = 0.0\n";
    // Left and right of the pair as loud as the other together: the mean of the two is its level.
    let inputs = || noises(4, 5 * SECOND, &[-40.0]);
    let heard = run(&mut offline(show(4, lines, &OWN[..2]), Form::Plain), inputs(), 480);
    for side in [2, 3] {
        let lost = power_db(&heard[side][SECOND..]) - power_db(&inputs()[side - 2][SECOND..]);
        assert!((lost + 3.01).abs() < 0.1, "{lost}");
    }
    // One gain: the ratio to what came in is the same on both sides, sample by sample.
    let inputs = inputs();
    for n in 2 * SECOND..5 * SECOND {
        let (left, right) = (inputs[0][n], inputs[1][n]);
        if left.abs() > 1e-4 && right.abs() > 1e-4 {
            assert!((heard[2][n] / left - heard[3][n] / right).abs() < 1e-5);
        }
    }
}

#[test]
fn a_guest_who_shares_does_not_hear_themselves() {
    let lines = microphones(4, 4) + "bus.to-guest.fader = 0.0\nbus.programme.equaliser.high.gain = 6.0\n";
    let mut installation = show(4, &lines, &["programme", "to-guest"]);
    let bus = installation.profile.buses.iter_mut().find(|bus| &*bus.id == "to-guest").expect("it is there");
    bus.minus = Some(Minus { of: id("programme"), less: vec![id("m1")], off_air: None });
    let mut without = installation.clone();
    for channel in 2..=4 {
        // The others stay in the sharing and go nowhere, so that only the guest is on the programme.
        let assigned = Address::from_dotted(&format!("channel.m{channel}.assign.programme")).expect("an address");
        without.profile.values.insert(assigned, Value::Word("off".into()));
    }
    let inputs = || noises(4, 4 * SECOND, &[-30.0, -40.0]);
    let heard = run(&mut offline(without, Form::Plain), inputs(), 480);
    let own = power_db(&heard[2][SECOND..]) - power_db(&heard[0][SECOND..]);
    println!("own share at {own:.0} dB of the programme");
    assert!(own <= -100.0);
}

/// Shares change, channels come and go, priorities move.
fn lively(callback: usize, form: Form) -> Vec<Vec<f32>> {
    let mut lines = microphones(6, 4);
    lines += "channel.m6.source = pair-4\n";
    let mut desk = offline(show(8, &lines, &OWN), form);
    let word = |word: &str| Value::Word(word.into());
    desk.at(Frames(30_001), set("channel.m5.switch", word("open")));
    desk.at(Frames(33_000), set("channel.m1.sharing.group", word("second")));
    desk.at(Frames(33_500), set("channel.m2.sharing.group", word("second")));
    desk.at(Frames(36_000), set("channel.m3.sharing.priority", Value::Number(9.0)));
    desk.at(Frames(40_007), set("channel.m4.source", word("in-8")));
    desk.at(Frames(44_000), set("channel.m2.switch", word("closed")));
    desk.at(Frames(50_000), set("channel.m6.switch", word("open")));
    run(&mut desk, noises(8, 70_000, &[-30.0, -40.0, -50.0]), callback)
}

#[test]
fn every_block_size_and_form_gives_the_same_bytes() {
    let bytes = |heard: Vec<Vec<f32>>| -> Vec<u32> { heard.iter().flatten().map(|sample| sample.to_bits()).collect() };
    let expected = bytes(lively(480, Form::Plain));
    for callback in [1, 16, 17, 64, 441, 4096] {
        assert!(bytes(lively(callback, Form::Plain)) == expected, "blocks of {callback}");
    }
    for form in Form::ALL.into_iter().filter(|form| form.is_here()) {
        assert!(bytes(lively(64, form)) == expected, "{form:?}");
    }
}

#[test]
fn joining_and_leaving_a_group_does_not_click() {
    // A steady tone, whose gain goes from 0 to -6 dB and back: the steps between samples are those of the tone and of a glide
    // of 5 ms, and no more.
    let tone = |n: usize| 0.1 * (std::f64::consts::TAU * 200.0 / 48_000.0 * n as f64).sin();
    let inputs: Vec<Vec<f32>> = (0..4).map(|_| (0..3 * SECOND).map(|n| tone(n) as f32).collect()).collect();
    let mut desk = offline(show(4, &microphones(4, 4), &OWN), Form::Plain);
    desk.at(Frames(60_000), set("channel.m1.sharing.group", Value::Word("off".into())));
    desk.at(Frames(90_000), set("channel.m1.sharing.group", Value::Word("table".into())));
    let heard = run(&mut desk, inputs, 480);
    // Second differences: those of the tone alone are at most its amplitude times the square of its angle per sample.
    let bend =
        |samples: &[f32]| samples.windows(3).map(|w| f64::from(w[0] - 2.0 * w[1] + w[2]).abs()).fold(0.0, f64::max);
    let (still, moving) = (bend(&heard[0][61_000..89_000]), bend(&heard[0][59_000..]));
    println!("bend {still:.2e} standing, {moving:.2e} moving");
    assert!(moving < 1.5 * still, "{moving:e} against {still:e}");
}
