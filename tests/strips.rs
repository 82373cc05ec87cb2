//! The stages of a channel and a bus in the running desk: what is written in a profile or moved by hand against what is
//! heard, and that nobody else hears it.

#[path = "support/show.rs"]
#[allow(dead_code, reason = "each test uses a part of it")]
mod show;
#[path = "support/through.rs"]
mod through;

use longthrow::daemon::offline::Offline;
use longthrow::desk::{Event, MeterMemory, MeterName, Reading};
use longthrow::dsp::lanes::{Form, Vectors};
use longthrow::engine::{Feed, MeterFrame};
use longthrow::params::{Key, Value};
use longthrow::profile::{Code, Installation, Panel, Source, read_profile};
use longthrow::units::{Frames, SampleRate};
use show::{installation, profile, rig, set};
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::rc::Rc;
use through::{noise, offline, offline_at, run};

fn tone(frames: usize, hertz: f64, db: f64) -> Vec<f32> {
    let size = 10_f64.powf(db / 20.0);
    let angle = |frame: usize| std::f64::consts::TAU * hertz / 48_000.0 * frame as f64;
    #[expect(clippy::cast_possible_truncation, reason = "samples")]
    (0..frames).map(|frame| (size * angle(frame).sin()) as f32).collect()
}

/// Level of the last second as a sine's peak, by its mean square.
fn level_db(samples: &[f32]) -> f64 {
    let last = &samples[samples.len() - 24_000..];
    let power = last.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / last.len() as f64;
    10.0 * (2.0 * power).log10()
}

const OPEN: &str = "channel.a.source = in-1\nchannel.a.switch = open\nchannel.a.fader = 0.0\nchannel.a.pan = -1.0\nchannel.a.assign.programme = on\n";

#[test]
fn stages_that_a_profile_names_are_heard_as_written() {
    let cases: [(&str, f64, f64, f64); 12] = [
        ("", 1000.0, -10.0, -10.0),
        ("channel.a.pad = on", 1000.0, -10.0, -30.0),
        // Check values E: bell 10 kHz Q 1 +12 at its centre and an octave and a bit below; the equaliser switched off.
        (
            "channel.a.equaliser.high.shape = bell\nchannel.a.equaliser.high.frequency = 10000\nchannel.a.equaliser.high.q = 1\nchannel.a.equaliser.high.gain = 12",
            10_000.0,
            -20.0,
            -8.0,
        ),
        (
            "channel.a.equaliser.high.shape = bell\nchannel.a.equaliser.high.frequency = 10000\nchannel.a.equaliser.high.q = 1\nchannel.a.equaliser.high.gain = 12",
            4000.0,
            -20.0,
            -17.447,
        ),
        ("channel.a.equaliser.switch = off\nchannel.a.equaliser.low.gain = 12", 60.0, -20.0, -20.0),
        // E.butter.slope: 200 Hz, half the corner.
        ("channel.a.high-pass.switch = on\nchannel.a.high-pass.frequency = 200", 100.0, -10.0, -22.31),
        (
            "channel.a.high-pass.switch = on\nchannel.a.high-pass.frequency = 200\nchannel.a.high-pass.slope = 24-db",
            100.0,
            -10.0,
            -34.1,
        ),
        // F.static: threshold -20, ratio 4, no knee, at 0 dB; and the gain after it.
        (
            "channel.a.compressor.switch = on\nchannel.a.compressor.ratio = 4\nchannel.a.compressor.knee = 0\nchannel.a.compressor.release = 1000\nchannel.a.compressor.gain = 3",
            1000.0,
            0.0,
            -12.0,
        ),
        // F.gate: below the threshold by more than the range.
        (
            "channel.a.gate.switch = on\nchannel.a.gate.threshold = -30\nchannel.a.gate.ratio = 100\nchannel.a.gate.range = 40",
            1000.0,
            -40.0,
            -80.0,
        ),
        // The bell lifts 1 kHz by 12 dB into the compressor, or after it.
        (
            "channel.a.equaliser.low-mid.frequency = 1000\nchannel.a.equaliser.low-mid.gain = 12\nchannel.a.compressor.switch = on\nchannel.a.compressor.ratio = 4\nchannel.a.compressor.knee = 0\nchannel.a.compressor.release = 1000",
            1000.0,
            -12.0,
            -15.0,
        ),
        (
            "channel.a.order = compressor-first\nchannel.a.equaliser.low-mid.frequency = 1000\nchannel.a.equaliser.low-mid.gain = 12\nchannel.a.compressor.switch = on\nchannel.a.compressor.ratio = 4\nchannel.a.compressor.knee = 0\nchannel.a.compressor.release = 1000",
            1000.0,
            -12.0,
            -6.0,
        ),
        // A bus has an equaliser and a compressor too: +6 dB of 1 kHz, then from 0 dBFS down by 15.
        (
            "bus.programme.equaliser.low-mid.frequency = 1000\nbus.programme.equaliser.low-mid.gain = 6\nbus.programme.compressor.switch = on\nbus.programme.compressor.ratio = 4\nbus.programme.compressor.knee = 0\nbus.programme.compressor.release = 1000",
            1000.0,
            -6.0,
            -15.0,
        ),
    ];
    for (lines, hertz, input, expected) in cases {
        let mut desk = offline(installation(2, &format!("{OPEN}{lines}")), Form::widest());
        let heard = run(&mut desk, vec![tone(96_000, hertz, input), vec![0.0; 96_000]], 480);
        let found = level_db(&heard[0]);
        assert!((found - expected).abs() < 0.1, "{lines}: {found:.3} dB for {expected}");
    }
}

/// Also rates at which 10 ms is no whole number of frames, and at which half the rate lies below the usual frequencies.
#[test]
fn every_rate_makes_its_meter_frames_and_no_stage_blows_up() {
    let stages = "channel.a.equaliser.switch = on\nchannel.a.equaliser.high.gain = 12\nchannel.a.high-pass.switch = on\nchannel.a.gate.switch = on\nchannel.a.compressor.switch = on\nchannel.a.de-esser.switch = on\nchannel.a.de-esser.frequency = 12000\n";
    for hz in [8_000, 11_025, 16_000, 22_050, 22_051, 44_100, 48_000, 96_000, 192_000] {
        let rate = SampleRate::try_new(hz).expect("a rate");
        let vectors = Vectors::new(Form::Plain).expect("always there");
        let installation = installation(1, &format!("{OPEN}{stages}"));
        let mut desk = Offline::new(installation, rate, vectors, Box::new(|_, _, _| Feed::Silent));
        let frames: Rc<RefCell<(u64, u64)>> = Rc::default();
        let seen = Rc::clone(&frames);
        desk.on_meters(move |_, frame| {
            let mut seen = seen.borrow_mut();
            (seen.0, seen.1) = (seen.0 + 1, seen.1 + frame.frames);
        });
        let length = hz as usize;
        let heard = run(&mut desk, vec![noise(length, 7).iter().map(|x| x / 10.0).collect()], 480);
        let (count, measured) = *frames.borrow();
        assert!((99..=101).contains(&count) && measured <= u64::from(hz), "{hz} Hz: {count} frames of {measured}");
        let peak = heard[0].iter().fold(0.0_f32, |peak, x| peak.max(x.abs()));
        assert!(peak < 1.0, "{hz} Hz: {peak}");
    }
}

/// A renderer reads no loudness, and its levellers go by it all the same.
#[test]
fn a_leveller_does_the_same_where_nobody_reads_the_loudness() {
    let lines = format!("{OPEN}bus.programme.leveller = -20.0\n");
    let heard = |lines: &str, levels_only| {
        let mut desk = offline(installation(2, lines), Form::widest());
        if levels_only {
            desk.measure_levels_only();
        }
        run(&mut desk, vec![tone(480_000, 1000.0, -36.0), vec![0.0; 480_000]], 480)
    };
    let levelled = heard(&lines, false);
    assert!(level_db(&levelled[0]) > level_db(&heard(OPEN, false)[0]) + 3.0, "it works at all");
    assert!(levelled == heard(&lines, true));
}

#[test]
fn both_sides_of_a_stereo_channel_have_one_gain() {
    let lines = "channel.a.source = pair-1\nchannel.a.switch = open\nchannel.a.fader = 0.0\nchannel.a.assign.programme = on\nchannel.a.compressor.switch = on\nchannel.a.compressor.release = 1000";
    let mut desk = offline(installation(2, lines), Form::widest());
    let heard = run(&mut desk, vec![tone(96_000, 1000.0, -3.0), tone(96_000, 700.0, -40.0)], 480);
    let gains = [level_db(&heard[0]) + 3.0, level_db(&heard[1]) + 40.0];
    assert!((gains[0] - gains[1]).abs() < 0.01 && gains[0] < -8.0, "{gains:?}");
}

#[test]
fn what_a_stage_takes_off_is_shown() {
    let lines = format!(
        "{OPEN}channel.a.compressor.switch = on\nchannel.a.compressor.ratio = 4\nchannel.a.compressor.knee = 0\nchannel.a.gate.switch = on\nchannel.a.gate.threshold = -30\n"
    );
    let mut desk = offline(installation(2, &lines), Form::widest());
    let readings: Rc<RefCell<BTreeMap<String, f32>>> = Rc::default();
    let shown = Rc::clone(&readings);
    desk.on_meters(move |desk, frame| {
        for meter in desk.meter_table() {
            let meter: MeterName = meter;
            let mut reading = Reading::default();
            meter.read(frame, &mut reading);
            shown.borrow_mut().insert(meter.path.clone(), meter.value(&reading, &MeterMemory::default()));
        }
    });
    run(&mut desk, vec![tone(96_000, 1000.0, 0.0), vec![0.0; 96_000]], 480);
    let reading = |name: &str| readings.borrow()[&format!("/meter/channel/a/{name}")];
    assert!((reading("compressor/reduction") - 15.0).abs() < 0.1, "{}", reading("compressor/reduction"));
    assert!((reading("gate/open") - 1.0).abs() < 1e-6 && reading("gate/reduction") < 0.01);
    assert!(reading("de-esser/reduction") <= 0.0);
}

/// Every stage of every channel, some in the other order.
fn everything(channels: u16) -> String {
    (1..=channels)
        .map(|n| {
            let c = format!("channel.c{n}");
            let order = if n % 3 == 0 { "compressor-first" } else { "equaliser-first" };
            format!(
                "{c}.source = in-{n}\n{c}.switch = open\n{c}.fader = -{n}.5\n{c}.pan = 0.{n}\n{c}.assign.programme = on\n\
                 {c}.high-pass.switch = on\n{c}.gate.switch = on\n{c}.equaliser.low.gain = 3\n{c}.equaliser.low-mid.gain = -{n}\n\
                 {c}.equaliser.high.shape = notch\n{c}.compressor.switch = on\n{c}.order = {order}\n{c}.de-esser.switch = on\n"
            )
        })
        .collect::<String>()
        + "channel.s.source = pair-3\nchannel.s.switch = open\nchannel.s.fader = -3.0\nchannel.s.assign.programme = on\nchannel.s.compressor.switch = on\nbus.programme.equaliser.high.gain = 2\nbus.programme.compressor.switch = on\n"
}

#[test]
fn stages_on_their_way_give_the_same_bytes_for_every_callback_size_and_form() {
    let lines = everything(14);
    let frames = 16_000;
    let mut inputs: Vec<Vec<f32>> = (0..20).map(|n| noise(frames, n)).collect();
    // Silence in between, so that groups are left out for a while.
    inputs.iter_mut().for_each(|input| input[6_000..9_000].fill(0.0));
    let render = |callback: usize, form: Form| {
        let mut desk = offline(installation(20, &lines), form);
        for n in 0..120_u32 {
            let (channel, at) = (n % 14 + 1, Frames(u64::from(n) * 97 + 13));
            let c = format!("channel.c{channel}");
            let number = |path: &str, value: f32| set(&format!("{c}.{path}"), Value::Number(value));
            desk.at(at, number("equaliser.low-mid.frequency", 100.0 + 90.0 * n as f32));
            desk.at(at, number("equaliser.high-mid.gain", (n % 30) as f32 - 15.0));
            desk.at(at, number("compressor.threshold", -((n % 40) as f32)));
            let word = if n % 2 == 0 { "off" } else { "on" };
            let stage = ["gate", "compressor", "de-esser", "high-pass", "equaliser"][n as usize % 5];
            desk.at(at, set(&format!("{c}.{stage}.switch"), Value::Word(word.into())));
            if n % 7 == 0 {
                let order = if n % 2 == 0 { "compressor-first" } else { "equaliser-first" };
                desk.at(at, set(&format!("{c}.order"), Value::Word(order.into())));
            }
        }
        let other = profile("other", &lines.replace("in-7\n", "in-8\n").replace("channel.c9.", "channel.x9."));
        let other = Installation { rig: rig(20), panel: Panel::default(), profile: other };
        desk.at(Frames(5_001), Event::Install { installation: Box::new(other), reread: true });
        run(&mut desk, inputs.clone(), callback)
    };
    let reference = render(64, Form::Plain);
    assert!(reference[0].iter().any(|sample| sample.abs() > 0.01), "something is heard");
    assert!(reference.iter().flatten().all(|sample| sample.is_finite()));
    for callback in [1, 17, 1_000, 4_096] {
        assert!(render(callback, Form::widest()) == reference, "callback of {callback} frames differs");
    }
    for form in Form::ALL.into_iter().filter(|form| form.is_here()) {
        assert!(render(1_000, form) == reference, "{} differs", form.word());
    }
}

#[test]
fn a_segment_over_many_grid_lines_gives_the_same_bytes_and_readings_as_one_for_each_tick() {
    // Everything on and nothing moving; sound, silence in which all of it dies away, and sound again.
    let steep = |n: usize| format!("channel.c{n}.high-pass.slope = 24-db\n");
    let lines = everything(14) + &(1..=14).filter(|n| n % 4 == 1).map(steep).collect::<String>();
    let frames = 400_000;
    let mut inputs: Vec<Vec<f32>> = (0..20).map(|n| noise(frames, n)).collect();
    inputs.iter_mut().for_each(|input| input[60_000..390_000].fill(0.0));
    let render = |callback: usize, form: Form| {
        let mut desk = offline(installation(20, &lines), form);
        let frames: Rc<RefCell<Vec<MeterFrame>>> = Rc::default();
        let all = Rc::clone(&frames);
        desk.on_meters(move |_, frame| all.borrow_mut().push(frame.clone()));
        desk.at(Frames(40_000), set("channel.c3.fader", Value::Number(-9.0)));
        let heard = run(&mut desk, inputs.clone(), callback);
        (heard, frames.take())
    };
    // In callbacks of a tick no segment is longer.
    let (heard, readings) = render(16, Form::Plain);
    assert!(heard[0][50_000..60_000].iter().any(|sample| sample.abs() > 0.01), "something is heard");
    assert!(heard[0][380_000..390_000].iter().all(|sample| *sample == 0.0), "all has died away");
    let cases = [(480, Form::Plain), (4_096, Form::widest()), (100, Form::widest()), (441, Form::widest())];
    for (callback, form) in cases.into_iter().chain(Form::ALL.map(|form| (64, form))).filter(|(_, form)| form.is_here())
    {
        let (now_heard, now_readings) = render(callback, form);
        assert!(now_heard == heard, "callback of {callback} frames, {}", form.word());
        for (at, (now, before)) in now_readings.iter().zip(&readings).enumerate() {
            assert!(now == before, "reading {at}, callback of {callback} frames, {}", form.word());
        }
        assert_eq!(now_readings.len(), readings.len());
    }
}

#[test]
fn meter_boundaries_within_a_tick_fall_alike_for_every_callback_size() {
    // At these rates 10 ms are no whole ticks, or no whole frames.
    let lines = everything(14);
    for hertz in [44_100, 22_050] {
        let rate = SampleRate::try_new(hertz).expect("a rate");
        let mut inputs: Vec<Vec<f32>> = (0..20).map(|n| noise(30_000, n)).collect();
        inputs.iter_mut().for_each(|input| input[20_000..29_000].fill(0.0));
        let render = |callback: usize| {
            let mut desk = offline_at(installation(20, &lines), rate, Form::widest());
            let frames: Rc<RefCell<Vec<MeterFrame>>> = Rc::default();
            let all = Rc::clone(&frames);
            desk.on_meters(move |_, frame| all.borrow_mut().push(frame.clone()));
            (run(&mut desk, inputs.clone(), callback), frames.take())
        };
        let single = render(16);
        for callback in [441, 1_024] {
            assert!(render(callback) == single, "callback of {callback} frames at {hertz} Hz");
        }
    }
}

#[test]
fn a_gate_told_over_silence_gives_the_same_bytes_for_every_callback_size() {
    let lines = format!("{OPEN}channel.a.gate.switch = on\nchannel.a.gate.range = 20\n");
    let mut inputs = vec![noise(100_000, 1), vec![0.0; 100_000]];
    inputs[0][..96_040].fill(0.0);
    let render = |callback: usize| {
        let mut desk = offline(installation(2, &lines), Form::widest());
        desk.at(Frames(48_000), set("channel.a.gate.range", Value::Number(10.0)));
        run(&mut desk, inputs.clone(), callback)
    };
    let single = render(16);
    assert!(single[0][96_040..].iter().any(|sample| sample.abs() > 0.01), "something is heard");
    for callback in [1, 480, 4_096] {
        assert!(render(callback) == single, "callback of {callback} frames");
    }
}

#[test]
fn a_compressor_that_is_switched_off_gives_its_gain_back_without_a_jump() {
    // Nobody else in the group has one: it stops to run when it has nothing to do any more.
    let lines = format!(
        "{OPEN}channel.a.compressor.switch = on\nchannel.a.compressor.threshold = -30\nchannel.a.compressor.ratio = 10\nchannel.a.compressor.release = 1000\n"
    );
    let mut desk = offline(installation(2, &lines), Form::widest());
    desk.at(Frames(48_000), set("channel.a.compressor.switch", Value::Word("off".into())));
    let heard = run(&mut desk, vec![vec![0.5; 400_000], vec![0.0; 400_000]], 480);
    let before = heard[0][47_999];
    assert!(before < 0.1, "it has taken off: {before}");
    let most = heard[0][48_000..].windows(2).map(|two| (two[1] - two[0]).abs()).fold(0.0, f32::max);
    // A jump of the gain would be some tenths.
    assert!(most < 1.0e-3, "{most}");
    assert!((heard[0][399_999] - 0.5).abs() < 1.0e-3, "{}", heard[0][399_999]);
}

#[test]
fn what_happens_in_a_neighbours_stages_changes_no_bit_of_a_channel() {
    // Two channels in one group, one to each side: a plain one or one with stages of its own on the left, and on the right
    // a neighbour whose stages come, go and are swept.
    for own in
        ["", "channel.a.equaliser.low-mid.gain = 6\nchannel.a.compressor.switch = on\nchannel.a.gate.switch = on\n"]
    {
        let lines = format!(
            "{OPEN}{own}channel.b.source = in-2\nchannel.b.switch = open\nchannel.b.fader = 0.0\nchannel.b.pan = 1.0\nchannel.b.assign.programme = on\n"
        );
        let inputs = vec![noise(60_000, 4), noise(60_000, 5)];
        let render = |busy: bool| {
            let mut desk = offline(installation(2, &lines), Form::widest());
            for n in 0..60_u32 {
                let at = Frames(u64::from(n) * 700 + 5);
                let word = |path: &str, word: &str| set(path, Value::Word(word.into()));
                if busy {
                    let state = if n % 3 == 0 { "off" } else { "on" };
                    desk.at(at, set("channel.b.equaliser.low-mid.frequency", Value::Number(100.0 + 200.0 * n as f32)));
                    desk.at(at, set("channel.b.equaliser.low-mid.gain", Value::Number((n % 31) as f32 - 15.0)));
                    for stage in ["gate", "compressor", "de-esser", "high-pass"] {
                        desk.at(at, word(&format!("channel.b.{stage}.switch"), state));
                    }
                }
                if n == 40 {
                    // What the channel itself is asked for later does not know of it either.
                    desk.at(at, set("channel.a.equaliser.high.gain", Value::Number(9.0)));
                    desk.at(at, word("channel.a.de-esser.switch", "on"));
                }
            }
            run(&mut desk, inputs.clone(), 256)
        };
        let (alone, beside) = (render(false), render(true));
        assert!(alone[0] == beside[0], "the neighbour was heard; own stages: {own:?}");
        assert!(alone[1] != beside[1], "the neighbour did nothing");
    }
}

#[test]
fn a_silent_group_that_is_left_out_comes_back_as_if_it_had_run() {
    // Alone, the channel's group is silent for ten seconds and left out; beside a neighbour that plays on, it is not.
    let lines = format!(
        "{OPEN}channel.a.gate.switch = on\nchannel.a.gate.hold = 10\nchannel.a.compressor.switch = on\nchannel.a.de-esser.switch = on\n\
         channel.a.equaliser.low-mid.gain = 6\nchannel.b.source = in-2\nchannel.b.switch = open\nchannel.b.fader = 0.0\n\
         channel.b.pan = 1.0\nchannel.b.assign.programme = on\n"
    );
    let mut sound = noise(600_000, 6);
    sound[60_000..540_000].fill(0.0);
    let render = |beside: Vec<f32>| {
        run(&mut offline(installation(2, &lines), Form::widest()), vec![sound.clone(), beside], 1_000)
    };
    let (alone, beside) = (render(vec![0.0; 600_000]), render(tone(600_000, 500.0, -20.0)));
    assert!(alone[0][540_000..].iter().any(|sample| sample.abs() > 0.01), "it comes back");
    assert!(alone[0] == beside[0]);
}

#[test]
fn stages_stand_in_tables_of_a_profile_and_wrong_values_are_named() {
    let head = "form = 1\nkind = \"profile\"\nname = \"Stages\"\n[channel.a]\nsource = \"in-1\"\n";
    let read = |text: &str| read_profile(Source { name: "stages.toml".to_owned(), text: format!("{head}{text}") });
    let (good, diagnostics) = read(
        "high-pass.switch = \"on\"\n[channel.a.equaliser.low-mid]\nfrequency = 440.0\ngain = -3.0\n\
         [channel.a.compressor]\nratio = 2\n[bus.programme]\nequaliser.high.shape = \"pass\"\n",
    );
    assert!(diagnostics.is_empty(), "{diagnostics:?}");
    let values = good.expect("accepted").values;
    let value = |path: &str| values.get(&longthrow::params::Address::from_dotted(path).expect(path)).cloned();
    assert_eq!(value("channel.a.equaliser.low-mid.frequency"), Some(Value::Number(440.0)));
    assert_eq!(value("channel.a.compressor.ratio"), Some(Value::Number(2.0)));
    assert_eq!(value("bus.programme.equaliser.high.shape"), Some(Value::Word("pass".into())));
    assert_eq!(Key::ChannelLowMidFrequency.parameter().word, "equaliser.low-mid.frequency");
    for (wrong, code, said) in [
        ("equaliser.low-mid.gain = 18.0", Code::S10, "-15.0 to +15.0 dB"),
        ("equaliser.low-mid.shape = \"bel\"", Code::S10, "\"bell\""),
        ("equaliser.low-mid.frequncy = 440.0", Code::F05, "frequency"),
        ("equaliser.midle.gain = 1.0", Code::F05, "low-mid"),
        ("compressor = 3.0", Code::F06, "table"),
        ("high-pass.slope = \"24\"", Code::S10, "\"12-db\" or \"18-db\" or \"24-db\""),
        ("gate.ratio = 0.5", Code::S10, "1.0 to +100.0"),
    ] {
        let (accepted, diagnostics) = read(wrong);
        assert!(accepted.is_none(), "{wrong}");
        assert_eq!(diagnostics.len(), 1, "{wrong}: {diagnostics:?}");
        let shown = diagnostics[0].to_string();
        assert!(diagnostics[0].code == code && shown.contains(said), "{wrong}:\n{shown}");
    }
}
