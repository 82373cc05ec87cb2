//! The desk and the engine together, offline: what a person does at the panel against what is heard.

#[path = "support/show.rs"]
#[allow(dead_code, reason = "each test uses a part of it")]
mod show;
#[path = "support/through.rs"]
mod through;

use longthrow::daemon::offline::Offline;
use longthrow::desk::Event;
use longthrow::dsp::lanes::Form;
use longthrow::params::{Address, Value};
use longthrow::profile::{Installation, Panel};
use longthrow::units::Frames;
use show::{installation, profile, rig, set};
use through::{noise, offline, run};

/// Outputs fade in from silence in 500 ms; what is compared starts after that.
const SETTLED: usize = 30_000;

#[test]
fn a_stereo_pair_at_centre_and_a_mono_source_panned_hard_pass_bit_exact() {
    let stereo =
        "channel.a.source = pair-1\nchannel.a.switch = open\nchannel.a.fader = 0.0\nchannel.a.assign.programme = on";
    let input = vec![noise(48_000, 1), noise(48_000, 2)];
    let heard = run(&mut offline(installation(2, stereo), Form::Plain), input.clone(), 256);
    for side in 0..2 {
        assert!(heard[side][SETTLED..] == input[side][SETTLED..], "side {side} is not bit-exact");
    }
    let mono = "channel.a.source = in-1\nchannel.a.switch = open\nchannel.a.fader = 0.0\nchannel.a.pan = -1.0\nchannel.a.assign.programme = on";
    let heard = run(&mut offline(installation(2, mono), Form::Plain), input.clone(), 256);
    assert!(heard[0][SETTLED..] == input[0][SETTLED..], "the near side is not bit-exact");
    assert!(heard[1].iter().all(|sample| *sample == 0.0), "the far side is not silent");
}

#[test]
fn the_same_events_give_the_same_bytes_for_every_callback_size_and_form() {
    let lines = (1..=20)
        .map(|n| {
            format!(
                "channel.c{n}.source = in-{n}\nchannel.c{n}.switch = open\nchannel.c{n}.fader = -{n}.5\nchannel.c{n}.pan = 0.{n}\nchannel.c{n}.assign.programme = on\n"
            )
        })
        .collect::<String>()
        + "channel.s.source = pair-3\nchannel.s.switch = open\nchannel.s.fader = -3.0\nchannel.s.assign.programme = on\n";
    let frames = 20_000;
    let inputs: Vec<Vec<f32>> = (0..20).map(|n| noise(frames, n)).collect();
    let render = |callback: usize, form: Form| {
        let mut desk = offline(installation(20, &lines), form);
        for n in 0..200_u32 {
            let channel = n % 20 + 1;
            let at = Frames(u64::from(n) * 97 + 13);
            desk.at(at, set(&format!("channel.c{channel}.fader"), Value::Number(-(n as f32) / 7.0)));
            desk.at(at, set(&format!("channel.c{channel}.pan"), Value::Number(((n * 37) % 200) as f32 / 100.0 - 1.0)));
            if n % 5 == 0 {
                let word = if n % 2 == 0 { "closed" } else { "open" };
                desk.at(at, set(&format!("channel.c{channel}.switch"), Value::Word(word.into())));
            }
        }
        let other = profile("other", &lines.replace("in-7\n", "in-8\n").replace("channel.c9.", "channel.x9."));
        let other = Installation { rig: rig(20), panel: Panel::default(), profile: other };
        desk.at(Frames(9_001), Event::Install { installation: Box::new(other), reread: true });
        run(&mut desk, inputs.clone(), callback)
    };
    let reference = render(64, Form::Plain);
    assert!(reference[0].iter().any(|sample| sample.abs() > 0.01), "something is heard");
    for callback in [1, 17, 64, 1_000, 4_096] {
        assert!(render(callback, Form::Plain) == reference, "callback of {callback} frames differs");
    }
    for form in Form::ALL.into_iter().filter(|form| form.is_here()) {
        assert!(render(1_000, form) == reference, "{} differs", form.word());
    }
}

#[test]
fn samples_that_are_no_audio_stop_in_their_channel_and_are_counted() {
    let lines = "channel.a.source = in-1\nchannel.a.switch = open\nchannel.a.fader = 0.0\nchannel.a.pan = -1.0\nchannel.a.assign.programme = on\nchannel.b.source = in-2\nchannel.b.switch = open\nchannel.b.fader = 0.0\nchannel.b.pan = 1.0\nchannel.b.assign.programme = on";
    let mut inputs = vec![noise(48_000, 1), noise(48_000, 2)];
    for (at, bad) in [(35_000, f32::NAN), (35_001, f32::INFINITY), (36_000, 1.0e9), (40_000, f32::NEG_INFINITY)] {
        inputs[0][at] = bad;
    }
    let expected = inputs[1].clone();
    let heard = run(&mut offline(installation(2, lines), Form::widest()), inputs, 480);
    assert!(heard[0].iter().all(|sample| sample.is_finite()));
    assert!(heard[1][SETTLED..] == expected[SETTLED..], "the neighbour is untouched");
}

/// The largest step of a sine's second difference, as a factor of what the sine itself has: clicks stand out.
fn roughness(samples: &[f32], hertz: f32, peak: f32) -> f32 {
    let turn = std::f32::consts::TAU * hertz / 48_000.0;
    let own = peak * turn * turn;
    samples.windows(3).map(|w| (w[0] - 2.0 * w[1] + w[2]).abs()).fold(0.0, f32::max) / own
}

fn tone(frames: usize, hertz: f32, peak: f32) -> Vec<f32> {
    let turn = f64::from(hertz) * std::f64::consts::TAU / 48_000.0;
    (0..frames).map(|n| ((n as f64 * turn).sin() * f64::from(peak)) as f32).collect()
}

fn install(desk: &mut Offline, at: usize, inputs: u16, lines: &str, reread: bool) {
    let installation = Box::new(installation(inputs, lines));
    desk.at(Frames(at as u64), Event::Install { installation, reread });
}

const HARD_LEFT: &str = "channel.a.source = in-1\nchannel.a.switch = open\nchannel.a.fader = 0.0\nchannel.a.pan = -1.0\nchannel.a.assign.programme = on\n";
const HARD_RIGHT: &str = "channel.b.source = in-2\nchannel.b.switch = open\nchannel.b.fader = 0.0\nchannel.b.pan = 1.0\nchannel.b.assign.programme = on\n";

#[test]
fn an_edit_moves_only_what_its_text_changed() {
    let before = format!("{HARD_LEFT}{HARD_RIGHT}");
    let after = format!("{HARD_LEFT}{}", HARD_RIGHT.replace("fader = 0.0", "fader = -20.0"));
    let inputs = vec![noise(96_000, 3), tone(96_000, 1000.0, 0.25)];
    let mut desk = offline(installation(2, &before), Form::widest());
    // A hand moved a fader that the edit does not mention: it stays where the hand left it.
    desk.at(Frames(40_000), set("channel.a.fader", Value::Number(-6.0)));
    install(&mut desk, 60_000, 2, &after, true);
    let heard = run(&mut desk, inputs.clone(), 256);
    let mut without = offline(installation(2, &before), Form::widest());
    without.at(Frames(40_000), set("channel.a.fader", Value::Number(-6.0)));
    let untouched = run(&mut without, inputs, 256);
    assert!(heard[0] == untouched[0], "the channel nobody touched is the same bytes");
    assert!(heard[1][..60_000] == untouched[1][..60_000]);
    let late = heard[1][90_000..].iter().fold(0.0_f32, |peak, x| peak.max(x.abs()));
    assert!((late - 0.025).abs() < 1e-4, "the edited fader stands at -20 dB: {late}");
    assert!(roughness(&heard[1][SETTLED..], 1000.0, 0.25) < 1.5, "and got there without a click");
}

#[test]
fn another_profile_sets_everything_but_what_is_open_on_air() {
    let other = "channel.b.source = in-2\nchannel.b.fader = -10.0\nchannel.b.assign.programme = on\nchannel.c.source = in-3\nchannel.c.fader = -3.0\n";
    let mut desk = offline(installation(3, &format!("{HARD_LEFT}{HARD_RIGHT}")), Form::widest());
    install(&mut desk, 40_000, 3, other, false);
    run(&mut desk, vec![tone(48_000, 1000.0, 0.2); 3], 256);
    let value = |desk: &Offline, path: &str| desk.desk().value(&Address::from_dotted(path).expect(path));
    assert_eq!(value(&desk, "channel.b.fader"), Some(Value::Number(0.0)), "open on air: it keeps its value");
    assert_eq!(value(&desk, "channel.a.fader"), Some(Value::Number(0.0)), "left over: it stays");
    assert_eq!(desk.desk().left_over().len(), 1);
    assert_eq!(value(&desk, "channel.c.fader"), Some(Value::Number(-3.0)));
    // Closed by hand, both follow.
    for path in ["channel.a.switch", "channel.b.switch"] {
        desk.at(Frames(48_000), set(path, Value::Word("closed".into())));
    }
    run(&mut desk, vec![tone(48_000, 1000.0, 0.2); 3], 256);
    assert_eq!(value(&desk, "channel.b.fader"), Some(Value::Number(-10.0)));
    assert_eq!(value(&desk, "channel.a.fader"), None);
    assert!(desk.desk().left_over().is_empty());
}

#[test]
fn swaps_leave_other_channels_untouched_and_cross_fade_what_changes_its_source() {
    // `a` is left alone in the left side; on the right a tone changes its input (the same tone) again and again.
    let with = |input: &str, extra: &str| format!("{HARD_LEFT}{}{extra}", HARD_RIGHT.replace("in-2", input));
    let frames = 240_000;
    let mut inputs = vec![noise(frames, 5), tone(frames, 1000.0, 0.25), tone(frames, 1000.0, 0.25)];
    inputs.push(noise(frames, 6));
    let mut desk = offline(installation(4, &with("in-2", "")), Form::widest());
    for n in 0..200_usize {
        let input = if n % 2 == 0 { "in-3" } else { "in-2" };
        let extra =
            if n % 3 == 0 { "channel.x.source = in-4\nchannel.x.fader = -20.0\nbus.extra.fader = 0.0\n" } else { "" };
        install(&mut desk, SETTLED + n * 1_000 + 7 * (n % 13), 4, &with(input, extra), n % 2 == 0);
    }
    let heard = run(&mut desk, inputs.clone(), 333);
    assert!(heard[0][SETTLED..] == inputs[0][SETTLED..], "the untouched channel is bit-exact through 200 swaps");
    // Channel b is open on air, so another profile's source waits; re-read ones cross-fade.
    let rough = roughness(&heard[1][SETTLED..], 1000.0, 0.25);
    assert!(rough < 1.01, "no click: {rough}");
}

#[test]
fn a_bus_that_silent_channels_join_and_leave_stays_as_it_was() {
    // The source is in the middle, so both sides of the bus carry it; the others bring nothing but their places in the sum.
    let keep = "channel.a.source = in-1\nchannel.a.switch = open\nchannel.a.fader = -1.3\nchannel.a.pan = 0.1\nchannel.a.assign.programme = on\n";
    let others = |round: usize| {
        let other = |n: usize| {
            let source = if (n + round).is_multiple_of(2) { "in-3" } else { "pair-2" };
            format!(
                "channel.z{n}.source = {source}\nchannel.z{n}.switch = open\nchannel.z{n}.fader = 0.0\nchannel.z{n}.assign.programme = on\n"
            )
        };
        (0..round % 20).map(|n| other(n * 3 % 17)).collect::<String>()
    };
    let frames = 200_000;
    let inputs = vec![noise(frames, 9), vec![0.0; frames], vec![0.0; frames], vec![0.0; frames]];
    let mut desk = offline(installation(4, keep), Form::widest());
    for round in 0..100 {
        install(&mut desk, SETTLED + round * 1_500, 4, &(others(round) + keep), true);
    }
    let heard = run(&mut desk, inputs.clone(), 256);
    let alone = run(&mut offline(installation(4, keep), Form::widest()), inputs, 256);
    let differs = (0..2)
        .flat_map(|side| heard[side].iter().zip(&alone[side]).map(|(a, b)| (a - b).abs()))
        .fold(0.0_f32, f32::max);
    assert!(differs < 1.0e-6, "more than -120 dBFS: {differs}");
}
