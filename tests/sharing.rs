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

use longthrow::daemon::offline::Offline;
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
    desk.measure_levels_only();
    through::run(desk, inputs, callback)
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
    assert!(shown["/meter/channel/m4/sharing/reduction"].abs() < 1e-6, "closed");
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

/// A voice `m1` in the group "voices" on the bus b1, and music on b2.
const UNDER: &str = "channel.m1.source = in-1\nchannel.m1.switch = open\nchannel.m1.fader = 0.0\nchannel.m1.assign.b1 = on\n\
    channel.m1.sharing.group = voices\nbus.b1.fader = 0.0\nbus.b2.fader = 0.0\nchannel.music.source = in-2\n\
    channel.music.switch = open\nchannel.music.fader = 0.0\nchannel.music.assign.b2 = on\n";

/// Noise between two times in seconds, and silence around it.
fn burst(seconds: usize, from: f64, to: f64, db: f64) -> Vec<f32> {
    let mut samples = noises(1, seconds * SECOND, &[db]).remove(0);
    let (from, to) = ((from * SECOND as f64) as usize, (to * SECOND as f64) as usize);
    samples[..from].fill(0.0);
    samples[to..].fill(0.0);
    samples
}

fn music(seconds: usize, db: f64) -> Vec<f32> {
    noise(seconds * SECOND, 9).into_iter().map(|sample| sample * 10.0_f64.powf(db / 20.0) as f32).collect()
}

#[test]
fn music_goes_so_far_below_the_voice_and_no_further_than_it_may() {
    // Voice and music are the same kind of noise, so that their loudness differs as their levels do. White noise of full scale has
    // -4.8 dB.
    for (difference, voice, bed, expected) in
        [(13.0, -15.0, -15.0, 13.0), (10.0, -20.0, -15.0, 10.0), (13.0, -10.0, -30.0, 20.0)]
    {
        let lines =
            format!("{UNDER}channel.music.ducking.under = voices\nchannel.music.ducking.difference = {difference}\n");
        let inputs = vec![burst(8, 1.0, 8.0, voice), music(8, bed)];
        let heard = run(&mut offline(show(2, &lines, &OWN[..2]), Form::Plain), inputs, 480);
        let found = power_db(&heard[0][5 * SECOND..]) - power_db(&heard[2][5 * SECOND..]);
        println!("asked {difference} LU, found {found:.2}");
        assert!((found - expected).abs() < 0.3, "{found} for {expected}");
    }
    // As far as it may: 20 dB, though 33 would be needed.
    let lines = format!("{UNDER}channel.music.ducking.under = voices\n");
    let inputs = vec![burst(5, 1.0, 5.0, -25.0), music(5, -5.0)];
    let heard = run(&mut offline(show(2, &lines, &OWN[..2]), Form::Plain), inputs.clone(), 480);
    let taken = power_db(&inputs[1][3 * SECOND..]) - 3.0103 - power_db(&heard[2][3 * SECOND..]);
    assert!((taken - 20.0).abs() < 0.02, "{taken}");
}

#[test]
fn music_goes_down_waits_and_comes_back_in_its_times() {
    let lines = format!(
        "{UNDER}channel.music.ducking.under = voices\nchannel.music.ducking.difference = off\nchannel.music.ducking.depth = 12.0\n"
    );
    let inputs = vec![burst(7, 1.0, 2.5, -10.0), music(7, -20.0)];
    let heard = run(&mut offline(show(2, &lines, &OWN[..2]), Form::Plain), inputs.clone(), 480);
    // What is taken off at a moment: of the 48 samples from there on, by the loudest.
    let taken = |at: f64| {
        let from = (at * SECOND as f64) as usize;
        let loudest =
            (from..from + 48).max_by(|a, b| inputs[1][*a].abs().total_cmp(&inputs[1][*b].abs())).expect("some");
        -20.0 * f64::from(heard[2][loudest] / inputs[1][loudest]).abs().log10() - 3.0103
    };
    // One-poles in dB: 1 - 1/e of the way in the time constant. The voice is recognised within 1 ms, and its end when a mean of
    // 10 ms has fallen from its level to -40 dBFS.
    let part = 1.0 - (-1.0_f64).exp();
    assert!(taken(0.99).abs() < 1e-3);
    let down = taken(1.1);
    assert!((down / (12.0 * part) - 1.0).abs() < 0.03, "{down:.3} dB after the attack");
    // The band takes some 7 dB of the noise, which has -14.8 dB: about 40 ms to the gate.
    let held = (2500..4000).find(|ms| taken(f64::from(*ms) / 1000.0) < 11.95).expect("it ends");
    assert!((3225..3262).contains(&held), "held until {held} ms");
    let end = f64::from(held) / 1000.0 - 1.5 * (12.0_f64 / 11.95).ln();
    let back = taken(end + 1.5);
    println!("{down:.2} dB after 100 ms, held until {held} ms, {back:.2} dB 1.5 s later");
    assert!((back / (12.0 * (1.0 - part)) - 1.0).abs() < 0.03, "{back:.3} dB after the release");
}

#[test]
fn nobody_speaking_leaves_the_music_bit_for_bit() {
    let ducked = format!("{UNDER}channel.music.ducking.under = voices\n");
    let inputs = || vec![burst(3, 0.5, 2.0, -45.0), music(3, -20.0)];
    let heard = run(&mut offline(show(2, &ducked, &OWN[..2]), Form::Plain), inputs(), 480);
    let plain = run(&mut offline(show(2, UNDER, &OWN[..2]), Form::Plain), inputs(), 480);
    assert!(heard == plain);
}

#[test]
fn a_bus_makes_room_and_who_is_in_it_does_not_hear_themselves() {
    // The guest plays from afar: over the bus "bed", which goes down when m1 speaks.
    let lines = "channel.m1.source = in-1\nchannel.m1.switch = open\nchannel.m1.fader = 0.0\nchannel.m1.assign.voice = on\n\
        channel.m1.sharing.group = voices\nbus.voice.fader = 0.0\nchannel.guest.source = in-2\nchannel.guest.switch = open\n\
        channel.guest.fader = 0.0\nchannel.guest.assign.bed = on\nbus.bed.fader = -3.0\nbus.bed.assign.programme = on\n\
        bus.bed.ducking.under = voices\nbus.bed.ducking.difference = off\nbus.bed.ducking.depth = 15.0\nbus.to-guest.fader = 0.0\n";
    let mut installation = show(2, lines, &["programme", "to-guest", "bed"]);
    let bus = installation.profile.buses.iter_mut().find(|bus| &*bus.id == "to-guest").expect("it is there");
    bus.minus = Some(Minus { of: id("programme"), less: vec![id("guest")], off_air: None });
    let inputs = vec![burst(5, 1.5, 3.0, -10.0), music(5, -20.0)];
    let heard = run(&mut offline(installation, Form::Plain), inputs.clone(), 480);
    let taken = power_db(&inputs[1][2 * SECOND..3 * SECOND]) - 6.0103 - power_db(&heard[0][2 * SECOND..3 * SECOND]);
    assert!((taken - 15.0).abs() < 0.2, "{taken}");
    assert!(heard[0][SECOND..] == heard[4][SECOND..], "the programme has the bus as it is");
    let own = power_db(&heard[2][SECOND..]) - power_db(&heard[0][SECOND..]);
    println!("{taken:.2} dB taken off; own share at {own:.0} dB");
    assert!(own <= -100.0);
}

/// Shares change, channels come and go, priorities move.
fn lively(callback: usize, form: Form) -> Vec<Vec<f32>> {
    let mut lines = microphones(6, 4);
    lines += "channel.m6.source = pair-4\nchannel.m6.ducking.under = table\nbus.b3.ducking.under = table\nbus.b3.ducking.attack = 20.0\n";
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

fn bytes(heard: Vec<Vec<f32>>) -> Vec<u32> {
    heard.iter().flatten().map(|sample| sample.to_bits()).collect()
}

/// Sound that comes in amid a tick, after a silence in which the gains still moved.
#[test]
fn gains_move_on_in_silence_whatever_the_callback_size() {
    let heard = |callback, silence: usize| {
        let mut desk = offline(show(4, &microphones(4, 4), &OWN), Form::widest());
        let mut inputs = noises(4, 24_000 + silence + 2_005, &[-30.0, -50.0, -60.0, -60.0]);
        for (input, again) in inputs.iter_mut().zip([0.0, 1.0, 1.0, 0.0]) {
            input[24_000..24_000 + silence + 5].fill(0.0);
            input[24_000 + silence + 5..].iter_mut().for_each(|sample| *sample *= again);
        }
        bytes(run(&mut desk, inputs, callback))
    };
    for silence in (896..2_016).step_by(32) {
        assert!(heard(1, silence) == heard(16, silence), "{silence} frames of silence");
    }
}

#[test]
fn every_block_size_and_form_gives_the_same_bytes() {
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
