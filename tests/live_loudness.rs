//! The live meters against EBU Tech 3341 and 3342 (2023): the same cases as `loudness.rs`, but through desk and engine, at
//! callback sizes of 32, 64 and 480 frames.
//!
//! Every signal goes in by a stereo channel, through the programme bus, and is read by the meter paths that go over the wire.
//! It begins in the middle of a meter step, which is the worst place for a window that slides by steps.

#![allow(clippy::print_stdout, reason = "it says what it found")]

#[path = "support/live.rs"]
mod live;
#[path = "support/loud.rs"]
#[allow(dead_code, reason = "each test uses a part of it")]
mod loud;
#[path = "support/show.rs"]
#[allow(dead_code, reason = "each test uses a part of it")]
mod show;

use live::{Kept, LEAD_IN, STEREO, frames};
use longthrow::daemon::hub::{Hub, MeterTable};
use longthrow::daemon::offline::Buffers;
use longthrow::desk::{Desk, Event, FeedSpec, MeterMemory, MeterName, Order, Reading, ToEngine, engine_settings};
use longthrow::dsp::lanes::Form;
use longthrow::engine::{Engine, Feed, MeterFrame};
use longthrow::handoff::crossing;
use longthrow::panel::osc::{Argument, Pattern};
use longthrow::ports::osc;
use longthrow::units::Frames;
use loud::{Planar, sine, tone, true_peak_splice, true_peak_tone};
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::rc::Rc;
use std::sync::Arc;
use std::time::Duration;

const SILENCE: f64 = f64::NEG_INFINITY;
const CALLBACKS: [usize; 3] = [32, 64, 480];

/// What the meters of one thing show at the end, and what momentary and short-term loudness showed on the way.
struct Shown {
    values: BTreeMap<String, f32>,
    way: Vec<[f32; 2]>,
}

impl Shown {
    fn of(table: &[MeterName], frames: &[Kept]) -> Self {
        Self::of_whole(table, frames.iter().map(Kept::whole))
    }

    fn of_whole(table: &[MeterName], frames: impl Iterator<Item = MeterFrame>) -> Self {
        let (mut memory, mut readings) = (MeterMemory::default(), vec![Reading::default(); table.len()]);
        memory.take_table(table);
        let place =
            |end: &str| table.iter().position(|name| name.path == format!("/meter/bus/programme/loudness/{end}"));
        let [m, s] = ["momentary", "short-term"].map(|end| place(end).expect("the bus has one"));
        let mut way = Vec::new();
        for frame in frames {
            let frame = &frame;
            if frame.start as usize <= LEAD_IN {
                memory.order(Order::Start, |_| true);
                readings.fill(Reading::default());
            }
            memory.read(frame);
            for (name, reading) in table.iter().zip(&mut readings) {
                name.read(frame, reading);
            }
            if frame.start as usize >= LEAD_IN {
                way.push([m, s].map(|place| table[place].value(&readings[place], &memory)));
            }
        }
        let values =
            table.iter().zip(&readings).map(|(name, reading)| (name.path.clone(), name.value(reading, &memory)));
        Self { values: values.collect(), way }
    }

    fn bus(&self, end: &str) -> f64 {
        f64::from(self.values[&format!("/meter/bus/programme/{end}")])
    }
}

#[track_caller]
fn within(found: f64, expected: f64, minus: f64, plus: f64, what: &str) {
    assert!(found >= expected - minus && found <= expected + plus, "{what}: {found} for {expected}");
}

/// The signal at every callback size; the bytes of the meter frames have to be the same.
fn at_every_size(signal: &Planar) -> Shown {
    let mut all = CALLBACKS.map(|callback| frames(STEREO, signal, callback, Form::widest())).into_iter();
    let (table, first) = all.next().expect("three sizes");
    for (other, callback) in all.zip(&CALLBACKS[1..]) {
        assert!(other.1 == first, "other meter frames at {callback} frames to a callback");
    }
    Shown::of(&table, &first)
}

#[track_caller]
fn loud_as(signal: &Planar, ends: &[&str], expected: f64) {
    let shown = at_every_size(signal);
    for end in ends {
        within(shown.bus(&format!("loudness/{end}")), expected, 0.1, 0.1, end);
    }
}

#[test]
fn tech_3341_cases_1_and_2_live() {
    for level in [-23.0, -33.0] {
        loud_as(
            &tone(&[(level, 20.0)], 1),
            &["momentary", "short-term", "integrated", "momentary-max", "short-term-max"],
            level,
        );
    }
}

#[test]
fn tech_3341_case_3_live() {
    loud_as(&tone(&[(-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)], 1), &["integrated"], -23.0);
}

#[test]
fn tech_3341_case_4_live() {
    let segments = [(-72.0, 10.0), (-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0), (-72.0, 10.0)];
    loud_as(&tone(&segments, 1), &["integrated"], -23.0);
}

#[test]
fn tech_3341_case_5_live() {
    loud_as(&tone(&[(-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)], 1), &["integrated"], -23.0);
}

/// The desk has no bus of five channels: five mono channels are measured each alone and weighted here.
#[test]
fn tech_3341_case_6_live() {
    let signal: Planar = [-28.0, -28.0, -24.0, -30.0, -30.0].map(|db| sine(1_000.0, &[(db, 20.0)], 1)).to_vec();
    let channel = |n: i32| {
        format!(
            "channel.c{n}.source = in-{n}\nchannel.c{n}.switch = open\nchannel.c{n}.fader = 0.0\nchannel.c{n}.assign.programme = on\n"
        )
    };
    let lines: String = (1..=5).map(channel).collect();
    for callback in CALLBACKS {
        let (table, frames) = frames(&lines, &signal, callback, Form::widest());
        let shown = Shown::of(&table, &frames);
        let power = |(n, weight): (i32, f64)| {
            let integrated = f64::from(shown.values[&format!("/meter/channel/c{n}/loudness/integrated")]);
            weight * 10_f64.powf(integrated / 10.0)
        };
        let sum: f64 = [(1, 1.0), (2, 1.0), (3, 1.0), (4, 1.41), (5, 1.41)].into_iter().map(power).sum();
        within(10.0 * sum.log10(), -23.0, 0.1, 0.1, "I");
    }
}

#[test]
fn tech_3341_case_9_live() {
    let shown = at_every_size(&tone(&[(-20.0, 1.34), (-30.0, 1.66)], 5));
    let steps = &shown.way[301..1_499];
    steps.iter().for_each(|[_, s]| within(f64::from(*s), -23.0, 0.1, 0.1, "S"));
}

#[test]
fn tech_3341_case_10_live() {
    for i in 0..20 {
        let signal = tone(&[(SILENCE, f64::from(i) * 0.15), (-23.0, 3.0), (SILENCE, 1.0)], 1);
        within(at_every_size(&signal).bus("loudness/short-term-max"), -23.0, 0.1, 0.1, &format!("file {i}"));
    }
}

/// From memory: twenty tones in one signal, each a loudness unit above the one before; the meter has to show each.
#[test]
fn tech_3341_case_11_live() {
    let segments =
        |i: i32| [(SILENCE, f64::from(i) * 0.15), (f64::from(i) - 38.0, 3.0), (SILENCE, 3.0 - f64::from(i) * 0.15)];
    let shown = at_every_size(&tone(&(0..20).flat_map(segments).collect::<Vec<_>>(), 1));
    for i in 0..20_i32 {
        let steps = &shown.way[i as usize * 600..(i as usize + 1) * 600];
        let highest = steps.iter().map(|[_, s]| f64::from(*s)).fold(f64::NEG_INFINITY, f64::max);
        within(highest, f64::from(i) - 38.0, 0.1, 0.1, &format!("tone {i}"));
    }
}

#[test]
fn tech_3341_case_12_live() {
    let shown = at_every_size(&tone(&[(-20.0, 0.18), (-30.0, 0.22)], 25));
    shown.way[101..999].iter().for_each(|[m, _]| within(f64::from(*m), -23.0, 0.1, 0.1, "M"));
}

#[test]
fn tech_3341_case_13_live() {
    for i in 0..20 {
        let signal = tone(&[(SILENCE, f64::from(i) * 0.02), (-23.0, 0.4), (SILENCE, 1.0)], 1);
        within(at_every_size(&signal).bus("loudness/momentary-max"), -23.0, 0.1, 0.1, &format!("file {i}"));
    }
}

/// From memory: as case 11, for momentary loudness.
#[test]
fn tech_3341_case_14_live() {
    let segments =
        |i: i32| [(SILENCE, f64::from(i) * 0.02), (f64::from(i) - 38.0, 0.4), (SILENCE, 0.4 - f64::from(i) * 0.02)];
    let shown = at_every_size(&tone(&(0..20).flat_map(segments).collect::<Vec<_>>(), 1));
    for i in 0..20_i32 {
        let steps = &shown.way[i as usize * 80..(i as usize + 1) * 80];
        let highest = steps.iter().map(|[m, _]| f64::from(*m)).fold(f64::NEG_INFINITY, f64::max);
        within(highest, f64::from(i) - 38.0, 0.1, 0.1, &format!("tone {i}"));
    }
}

#[test]
fn tech_3341_cases_15_to_23_live() {
    let tones = [(0.25, 0.5, 0.0), (0.25, 0.5, 45.0), (1.0 / 6.0, 0.5, 60.0), (0.125, 0.5, 67.5), (0.25, 1.41, 45.0)];
    let tones = tones.into_iter().zip([-6.0, -6.0, -6.0, -6.0, 3.0]);
    let tones = tones.map(|((fraction, amplitude, degrees), db)| (true_peak_tone(fraction, amplitude, degrees), db));
    let splices = (0..4).map(|from| (true_peak_splice(from), 0.0));
    for (case, (signal, db)) in (15..).zip(tones.chain(splices)) {
        let shown = at_every_size(&signal);
        for end in ["left/true-peak", "right/true-peak", "loudness/true-peak-max"] {
            within(shown.bus(end), db, 0.4, 0.2, &format!("case {case} {end}"));
        }
    }
}

/// Case 3 from memory.
#[test]
fn tech_3342_cases_1_to_4_live() {
    let cases: [(&[(f64, f64)], f64); 4] = [
        (&[(-20.0, 20.0), (-30.0, 20.0)], 10.0),
        (&[(-20.0, 20.0), (-15.0, 20.0)], 5.0),
        (&[(-40.0, 20.0), (-20.0, 20.0)], 20.0),
        (&[(-50.0, 20.0), (-35.0, 20.0), (-20.0, 20.0), (-35.0, 20.0), (-50.0, 20.0)], 15.0),
    ];
    for (case, (segments, range)) in (1..).zip(cases) {
        within(at_every_size(&tone(segments, 1)).bus("loudness/range"), range, 1.0, 1.0, &format!("case {case}"));
    }
}

/// Noise that changes its level, different on both sides.
fn noise(seconds: usize) -> Planar {
    let mut state = 7_u64;
    let mut side = |phase: f64| -> Vec<f32> {
        (0..seconds * 48_000)
            .map(|n| {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                let level = 0.3 + 0.25 * (n as f64 / 20_000.0 + phase).sin();
                (((state >> 40) as f64 / f64::from(1 << 23) - 1.0) * level) as f32
            })
            .collect()
    };
    vec![side(0.0), side(1.0)]
}

#[test]
fn every_form_of_vectors_gives_the_same_meter_frames_at_any_callback_size() {
    let signal = noise(2);
    let (_, plain) = frames(STEREO, &signal, 64, Form::Plain);
    for form in Form::ALL.into_iter().filter(|form| form.is_here()) {
        for callback in [1, 17, 480, 4_096] {
            assert!(frames(STEREO, &signal, callback, form).1 == plain, "{form:?} at {callback}");
        }
    }
}

/// What meters show of a signal that comes through the crossing as in the daemon, to a reader that reads every 10 ms but for a
/// while stands still; with `blurred` it takes no notice of single steps.
fn read_with_a_pause(signal: &Planar, pause: std::ops::Range<usize>, blurred: bool) -> Shown {
    let mut desk = Desk::new(show::installation(2, STEREO), show::RATE);
    let (mut console, mut meters, mut seat) =
        crossing(Engine::new(engine_settings(show::RATE, longthrow::dsp::lanes::Vectors::widest())));
    let table = RefCell::new(Vec::new());
    let mut frames = Vec::new();
    desk.handle(Frames(0), Event::Deadline);
    let lead = |side: &Vec<f32>| [&vec![0.0; LEAD_IN][..], side].concat();
    let mut wires = Buffers { inputs: signal.iter().map(lead).collect(), outputs: vec![], offset: 0, frames: 480 };
    while wires.offset < wires.inputs[0].len() / 480 * 480 {
        while let Some(what) = desk.take() {
            match what {
                ToEngine::Batch { sequence, commands } => assert!(console.send_batch(sequence, &commands)),
                ToEngine::Plan(mut send) => {
                    send.plan.feeds.extend(send.wanted.drain(..).map(|(slot, spec)| match spec {
                        FeedSpec::Wires(left, right) => (slot, Feed::Wires(left, right)),
                        _ => (slot, Feed::Silent),
                    }));
                    assert!(console.send_plan(send.plan).is_ok());
                }
            }
        }
        seat.process(&mut wires, 0);
        wires.offset += 480;
        while let Some(echo) = console.echo() {
            desk.handle(Frames(echo.frame), Event::Echo { sequence: echo.sequence, frame: Frames(echo.frame) });
        }
        desk.handle(Frames(seat.engine.frame()), Event::Deadline);
        if table.borrow().is_empty() {
            *table.borrow_mut() = desk.meter_table();
        }
        if !pause.contains(&wires.offset) {
            meters.read(|frame| {
                let mut frame = frame.clone();
                if blurred {
                    frame.steps.clear();
                }
                frames.push(frame);
            });
        }
    }
    let longest = frames.iter().map(|frame| frame.frames).max().expect("frames");
    println!("the longest of {} meter frames stands for {longest} frames", frames.len());
    Shown::of_whole(&table.into_inner(), frames.into_iter())
}

/// A reader that comes back after 5 s finds the frames that fitted and one for all that did not: the sum of all energies, the
/// highest peak, every clip and flat top, and the energy of each step, so that the gates take the blocks they would have taken.
#[test]
fn a_reader_stalled_for_five_seconds_loses_no_energy_no_peak_and_no_clip() {
    let mut signal = noise(10);
    for side in &mut signal {
        side[3 * 48_000..3 * 48_000 + 40].fill(1.0);
        side[4 * 48_000] = -1.0;
        // Every other 700 ms is a pause, 50 dB down.
        side.chunks_mut(33_600).skip(1).step_by(2).flatten().for_each(|sample| *sample *= 0.003);
        side[4 * 48_000 + 20_000] = -1.0;
    }
    let pause = 2 * 48_000..7 * 48_000;
    let prompt = read_with_a_pause(&signal, 0..0, false);
    let (stalled, blurred) =
        (read_with_a_pause(&signal, pause.clone(), false), read_with_a_pause(&signal, pause, true));
    for end in ["left/peak", "left/level", "left/true-peak", "left/dc", "left/flat-tops", "left/quasi-peak-i"] {
        within(stalled.bus(end), prompt.bus(end), 1e-4, 1e-4, end);
    }
    assert!(prompt.bus("left/flat-tops") >= 1.0 && prompt.bus("left/peak").abs() < 1e-6);
    for end in ["stereo/correlation", "loudness/true-peak-max", "loudness/measured"] {
        within(stalled.bus(end), prompt.bus(end), 1e-4, 1e-4, end);
    }
    let clips = |shown: &Shown| shown.values["/meter/channel/a/input/clips"];
    assert!(clips(&prompt) > 80.0 && (clips(&stalled) - clips(&prompt)).abs() < 0.1, "{}", clips(&stalled));
    for end in ["integrated", "range", "momentary-max", "short-term-max", "momentary", "short-term"] {
        let [prompt, stalled, blurred] = [&prompt, &stalled, &blurred].map(|of| of.bus(&format!("loudness/{end}")));
        println!("{end}: {prompt:.3}, after a pause of 5 s {stalled:.3}; {blurred:.3} from sums alone");
        within(stalled, prompt, 0.001, 0.001, end);
    }
    // It would show if the steps were not known.
    let integrated = "loudness/integrated";
    assert!((blurred.bus(integrated) - prompt.bus(integrated)).abs() > 0.1, "{}", blurred.bus(integrated));
}

/// Over OSC: what a follower is shown, and the four orders, on a bus that goes on sounding.
#[test]
fn followers_see_loudness_and_start_pause_continue_and_reset_it_together() {
    let mut signal = tone(&[(-23.0, 20.0), (-13.0, 10.0), (-23.0, 10.0)], 1);
    // A peak between the two levels, which no loudness notices.
    signal[0][10 * 48_000] = 10_f32.powf(-17.0 / 20.0);
    let (table, frames) = frames(STEREO, &signal, 480, Form::widest());
    let mut hub = Hub::new(Arc::new(MeterTable { plan: 0, names: table, ..MeterTable::default() }));
    let client = "127.0.0.1:9".parse().expect("an address");
    hub.follow(Duration::ZERO, client, "/meter/bus/programme/loudness/*", 50.0, 60.0).expect("granted");
    let (names, values) = (RefCell::new(Vec::new()), RefCell::new(BTreeMap::new()));
    let take = |bytes: &[u8]| {
        for message in osc::decode(bytes).expect("sound").into_iter().flat_map(|group| group.messages) {
            let rest = message.arguments.iter().skip(if message.address == "/follow/table" { 2 } else { 3 });
            match &*message.address {
                "/follow/table" => names.borrow_mut().extend(rest.map(|name| match name {
                    Argument::Text(name) => name.rsplit('/').next().expect("a word").to_owned(),
                    other => panic!("{other:?}"),
                })),
                _ => values.borrow_mut().extend(names.borrow().iter().cloned().zip(rest.map(|value| match value {
                    Argument::Float(value) => f64::from(*value),
                    other => panic!("{other:?}"),
                }))),
            }
        }
    };
    let programme = Pattern::parse("/bus/{programme,audition}").expect("a pattern");
    let mut shown = |until_s: f64, from: &mut std::slice::Iter<'_, Kept>, order: Option<Order>| {
        if let Some(order) = order {
            assert_eq!(hub.order(order, Some(&programme)), 2);
        }
        while let Some(frame) = from.clone().next() {
            if frame.start as f64 >= LEAD_IN as f64 + until_s * 48_000.0 {
                break;
            }
            hub.read(&frame.whole());
            from.next();
            hub.poll(Duration::from_millis(frame.start / 48), &mut |_, bytes| {
                take(bytes);
                true
            });
        }
        values.borrow().clone()
    };
    let mut from = frames.iter();
    shown(1.0, &mut from, None);
    // A little before the tone grows louder: that falls into the middle of a step.
    let running = shown(19.9, &mut from, Some(Order::Start));
    within(running["integrated"], -23.0, 0.1, 0.1, "I");
    within(running["measured"], 18.9, 0.05, 0.05, "seconds");
    let paused = shown(30.0, &mut from, Some(Order::Pause));
    within(paused["momentary"], -13.0, 0.1, 0.1, "M goes on");
    for (word, value) in [("integrated", -23.0), ("momentary-max", -23.0), ("short-term-max", -23.0), ("range", 0.0)] {
        within(paused[word], value, 0.1, 0.1, word);
    }
    within(paused["true-peak-max"], -17.0, 0.5, 0.5, "true peak");
    let on = shown(36.0, &mut from, Some(Order::Continue));
    within(on["measured"], 24.9, 0.05, 0.05, "seconds");
    within(on["integrated"], -23.0, 0.3, 0.3, "I");
    let anew = shown(36.2, &mut from, Some(Order::Reset));
    for word in ["integrated", "momentary-max", "short-term-max"] {
        within(anew[word], -150.0, 0.0, 0.0, word);
    }
    within(anew["true-peak-max"], -23.0, 0.1, 0.1, "true peak");
}

/// The true-peak limiter of an output: the ceiling holds, its delay is shown and is the only thing that changes below it.
#[test]
fn an_output_with_a_ceiling_holds_it_and_shows_its_delay() {
    let signal: Planar = noise(3).into_iter().map(|side| side.into_iter().map(|x| 2.0 * x).collect()).collect();
    let render = |lines: &str, callback: usize, signal: &Planar| {
        let installation = show::installation(2, &format!("{STEREO}\n{lines}"));
        let mut desk = longthrow::daemon::offline::Offline::new(
            installation,
            show::RATE,
            longthrow::dsp::lanes::Vectors::widest(),
            Box::new(|_, _, _| longthrow::engine::Feed::Silent),
        );
        let shown = Rc::new(RefCell::new([0.0_f32; 2]));
        let into = Rc::clone(&shown);
        desk.on_meters(move |desk, frame| {
            let table = desk.meter_table();
            let mut memory = MeterMemory::default();
            memory.take_table(&table);
            memory.read(frame);
            for (place, end) in ["lip-sync/total", "limiter/reduction"].into_iter().enumerate() {
                let path = format!("/meter/output/feed/{end}");
                let name = table.iter().find(|name| name.path == path).expect("the feed has one");
                let mut reading = Reading::default();
                name.read(frame, &mut reading);
                let value = name.value(&reading, &memory);
                let mut shown = into.borrow_mut();
                shown[place] = shown[place].max(value);
            }
        });
        let length = signal[0].len();
        let outputs = vec![vec![0.0; length]; 2];
        let mut wires = longthrow::daemon::offline::Buffers { inputs: signal.clone(), outputs, offset: 0, frames: 0 };
        while wires.offset < length {
            wires.frames = callback.min(length - wires.offset);
            desk.process(&mut wires);
            wires.offset += wires.frames;
        }
        let shown = *shown.borrow();
        (wires.outputs, shown)
    };
    let (direct, [latency, reduction]) = render("", 64, &signal);
    assert!(latency.abs() < 1e-9 && reduction.abs() < 1e-9, "{latency} ms, {reduction} dB");
    let (held, [latency, reduction]) = render("output.feed.ceiling = -6.0", 64, &signal);
    within(f64::from(latency), 86.0 / 48.0, 1e-4, 1e-4, "latency in ms");
    assert!((1.0..12.0).contains(&reduction), "{reduction} dB");
    let highest = |side: &[f32]| side[48_000..].iter().fold(0.0_f32, |highest, sample| highest.max(sample.abs()));
    assert!(highest(&direct[0]) > 0.9 && highest(&held[0]) <= 0.501_188, "{}", highest(&held[0]));
    for callback in [1, 480] {
        assert!(render("output.feed.ceiling = -6.0", callback, &signal).0 == held, "other bytes at {callback}");
    }
    let quiet: Planar = signal.iter().map(|side| side.iter().map(|sample| sample * 0.1).collect()).collect();
    let ((early, _), (late, _)) = (render("", 64, &quiet), render("output.feed.ceiling = -1.0", 64, &quiet));
    assert!(late[0][48_086..] == early[0][48_000..early[0].len() - 86], "more than the delay has changed");
}
