//! Sends, groups and mix-minus, through desk and engine.

#![allow(clippy::print_stdout, reason = "the tests say what they measured")]

#[path = "support/show.rs"]
#[allow(dead_code, reason = "each test uses a part of it")]
mod show;
#[path = "support/through.rs"]
#[allow(dead_code, reason = "each test uses a part of it")]
mod through;

use longthrow::daemon::hub::{Hub, MeterTable};
use longthrow::daemon::offline::Offline;
use longthrow::desk::{Desk, Event, OwnVoice};
use longthrow::dsp::generators::SpeechLike;
use longthrow::dsp::lanes::{Form, Vectors};
use longthrow::params::Value;
use longthrow::profile::{Id, Installation, Minus, Output, OutputKind};
use longthrow::units::{Decibels, Frames, SampleRate};
use show::{RATE, id, installation, set};
use std::f64::consts::TAU;
use std::sync::{Arc, Mutex};
use through::{noise, offline, offline_at, run};

/// Outputs fade in from silence in 500 ms; what is compared starts after that.
const SETTLED: usize = 48_000;

/// An installation with an output for each bus named, in this order, and mix-minus for the buses `to-NAME`.
fn show_with(
    inputs: u16,
    lines: &str,
    carried: &[&str],
    minus: &[(&str, &str, &[&str], Option<&str>)],
) -> Installation {
    let lines = carried.iter().fold(lines.to_owned(), |lines, bus| format!("{lines}\nbus.{bus}.fader = 0.0"));
    let mut installation = installation(inputs, &lines);
    let (mut channel, device) = (0, id("box"));
    installation.rig.devices[0].outputs = 2 * u16::try_from(carried.len()).expect("few");
    installation.rig.outputs.clear();
    for bus in carried {
        let output = Output {
            id: id(&format!("out-{bus}")),
            kind: match *bus {
                to if minus.iter().any(|(bus, ..)| *bus == to) => OutputKind::Line,
                inside if inside == "audition" || minus.iter().any(|(.., off_air)| *off_air == Some(inside)) => {
                    OutputKind::File
                }
                _ => OutputKind::Feed,
            },
            device: device.clone(),
            channels: vec![channel, channel + 1],
        };
        installation.rig.outputs.push(output);
        channel += 2;
        let source = longthrow::params::Address::from_dotted(&format!("output.out-{bus}.source")).expect("an address");
        installation.profile.values.insert(source, Value::Word((*bus).into()));
    }
    for (bus, of, less, off_air) in minus {
        let known = installation.profile.buses.iter_mut().find(|known| &*known.id == *bus).expect("carried");
        let less = less.iter().map(|channel| id(channel)).collect();
        known.minus = Some(Minus { of: id(of), less, off_air: off_air.map(Id::from) });
    }
    installation
}

fn db(amplitude: f64) -> f64 {
    20.0 * amplitude.max(1e-30).log10()
}

fn rms(samples: impl ExactSizeIterator<Item = f64>) -> f64 {
    let count = samples.len() as f64;
    (samples.map(|sample| sample * sample).sum::<f64>() / count).sqrt()
}

/// Amplitude of one frequency in the last second.
fn bin(samples: &[f32], hertz: f64) -> f64 {
    let last = &samples[samples.len() - 48_000..];
    let (mut re, mut im) = (0.0, 0.0);
    for (n, sample) in last.iter().enumerate() {
        let angle = TAU * (hertz * n as f64 / 48_000.0).fract();
        re += f64::from(*sample) * angle.cos();
        im -= f64::from(*sample) * angle.sin();
    }
    2.0 / 48_000.0 * re.hypot(im)
}

fn tone(hertz: f64, amplitude: f64, frames: usize) -> Vec<f32> {
    (0..frames).map(|n| (amplitude * (TAU * (hertz * n as f64 / 48_000.0).fract()).sin()) as f32).collect()
}

const GUESTS: usize = 16;

fn pan(guest: usize) -> f32 {
    (guest as f32 - 7.5) / 10.0
}

/// Sixteen guests with a mix-minus each; those of `grouped` come in over the bus "panel", which has stages of its own.
fn guests(grouped: bool, programme: &str) -> Installation {
    let mut lines = programme.to_owned();
    for guest in 0..GUESTS {
        let bus = if grouped && guest % 2 == 1 { "panel" } else { "programme" };
        lines += &format!(
            "\nchannel.g{guest}.source = in-{}\nchannel.g{guest}.switch = open\nchannel.g{guest}.fader = -{}.0\nchannel.g{guest}.pan = {}\nchannel.g{guest}.assign.{bus} = on",
            guest + 1,
            guest % 5,
            pan(guest)
        );
    }
    if grouped {
        lines += "\nbus.panel.assign.programme = on\nbus.panel.fader = -2.0\nbus.panel.equaliser.switch = on\nbus.panel.equaliser.high-mid.gain = 6.0\nbus.panel.compressor.switch = on\nbus.panel.compressor.threshold = -24.0";
    }
    let names: Vec<(String, String)> = (0..GUESTS).map(|guest| (format!("to-g{guest}"), format!("g{guest}"))).collect();
    let carried: Vec<&str> = std::iter::once("programme").chain(names.iter().map(|(bus, _)| &**bus)).collect();
    let less: Vec<[&str; 1]> = names.iter().map(|(_, channel)| [&**channel]).collect();
    let minus: Vec<_> =
        names.iter().zip(&less).map(|((bus, _), less)| (&**bus, "programme", &less[..], None)).collect();
    show_with(16, &lines, &carried, &minus)
}

/// Whatever the compressor does, these tones have a sum of 10 ms, and so a crest that stands still.
fn hertz(guest: usize) -> f64 {
    200.0 + 100.0 * guest as f64
}

const EQUALISER: &str = "bus.programme.equaliser.switch = on\nbus.programme.equaliser.low-mid.gain = 5.0\nbus.programme.equaliser.high.gain = -4.0";

#[test]
fn nobody_hears_themselves_among_sixteen_with_the_compressor_steady_at_3_db() {
    for grouped in [false, true] {
        let inputs: Vec<Vec<f32>> = (0..GUESTS).map(|guest| tone(hertz(guest), 0.05, 4 * 48_000)).collect();
        // The crest of the sum behind the equaliser, to set the threshold by: two to one, 6 dB above it, is 3 dB.
        let plain = run(&mut offline(guests(grouped, EQUALISER), Form::Plain), inputs.clone(), 480);
        let crest = plain[..2].iter().flat_map(|side| &side[3 * 48_000..]).fold(0.0_f32, |a, b| a.max(b.abs()));
        let lines = format!(
            "{EQUALISER}\nbus.programme.compressor.switch = on\nbus.programme.compressor.ratio = 2.0\nbus.programme.compressor.knee = 0.0\nbus.programme.compressor.release = 50.0\nbus.programme.compressor.threshold = {:.3}",
            db(f64::from(crest)) - 6.0
        );
        let heard = run(&mut offline(guests(grouped, &lines), Form::Plain), inputs, 480);
        let mut worst = f64::MIN;
        for guest in 0..GUESTS {
            let before = bin(&plain[0], hertz(guest)).hypot(bin(&plain[1], hertz(guest)));
            let on_air = bin(&heard[0], hertz(guest)).hypot(bin(&heard[1], hertz(guest)));
            assert!((db(before / on_air) - 3.0).abs() < 0.01, "reduction {:.3} dB", db(before / on_air));
            let own = bin(&heard[2 + 2 * guest], hertz(guest)).hypot(bin(&heard[3 + 2 * guest], hertz(guest)));
            worst = worst.max(db(own / on_air));
            for other in (0..GUESTS).filter(|other| *other != guest) {
                let there = bin(&heard[2 + 2 * guest], hertz(other)).hypot(bin(&heard[3 + 2 * guest], hertz(other)));
                let wanted = bin(&heard[0], hertz(other)).hypot(bin(&heard[1], hertz(other)));
                assert!(db(there / wanted).abs() < 0.001, "guest {guest} hears {other} as on air");
            }
        }
        println!(
            "own voice at most {worst:.1} dB of what is on air{}",
            if grouped { ", half of them over a group" } else { "" }
        );
        assert!(worst <= -100.0, "{worst:.1} dB");
    }
}

#[test]
fn a_return_is_the_sum_of_the_others_while_the_compressor_moves() {
    // Bursts of noise: the compressor has no rest. No equaliser here, so that the sum can be made from outside.
    let frames = 5 * 48_000;
    let inputs: Vec<Vec<f32>> = (0..GUESTS)
        .map(|guest| {
            let burst = |n: usize| if (n / (1_000 + 131 * guest)).is_multiple_of(3) { 0.3 } else { 0.01 };
            noise(frames, guest as u64).into_iter().enumerate().map(|(n, sample)| sample * burst(n)).collect()
        })
        .collect();
    let lines = "bus.programme.compressor.switch = on\nbus.programme.compressor.threshold = -30.0\nbus.programme.compressor.ratio = 6.0\nbus.programme.compressor.attack = 1.0\nbus.programme.compressor.release = 60.0";
    let heard = run(&mut offline(guests(false, lines), Form::Plain), inputs.clone(), 480);
    // Equal power: cosine and sine of the place. Closed form.
    let gains: Vec<[f64; 2]> = (0..GUESTS)
        .map(|guest| {
            let angle = (f64::from(pan(guest)) + 1.0) * TAU / 8.0;
            let fader = 10.0_f64.powf(-((guest % 5) as f64) / 20.0);
            [fader * angle.cos(), fader * angle.sin()]
        })
        .collect();
    let sum = |n: usize, side: usize, without: Option<usize>| -> f64 {
        let others = (0..GUESTS).filter(|guest| Some(*guest) != without);
        others.map(|guest| f64::from(inputs[guest][n]) * gains[guest][side]).sum()
    };
    let (mut most, mut least) = (0.0_f64, f64::MAX);
    let mut differences = vec![[0.0_f64; 2]; GUESTS];
    #[allow(clippy::needless_range_loop, reason = "every wire at the same frame")]
    for n in SETTLED..frames {
        let sums = [sum(n, 0, None), sum(n, 1, None)];
        let side = usize::from(sums[1].abs() > sums[0].abs());
        if sums[side].abs() < 1e-3 {
            continue;
        }
        // The compressor's gain at this sample: it is the same on both sides.
        let gain = f64::from(heard[side][n]) / sums[side];
        (most, least) = (most.max(gain), least.min(gain));
        for (guest, [off, reference]) in differences.iter_mut().enumerate() {
            for side in 0..2 {
                let wanted = gain * sum(n, side, Some(guest));
                *off += (f64::from(heard[2 + 2 * guest + side][n]) - wanted).powi(2);
                *reference += wanted * wanted;
            }
        }
    }
    let worst = differences.iter().map(|[off, reference]| 10.0 * (off / reference).log10()).fold(f64::MIN, f64::max);
    println!(
        "gain between {:.1} and {:.1} dB; returns within {worst:.1} dB of the sum of the others",
        db(least),
        db(most)
    );
    assert!(db(most) - db(least) > 6.0, "the compressor moves");
    assert!(worst <= -100.0, "{worst:.1} dB");
}

/// The worst proof that meter frames brought, as dB of the bus, and how many followers were looked at.
fn watch(desk: &mut Offline) -> Arc<Mutex<(f64, u64, Vec<u64>, Hub)>> {
    let worst = Arc::new(Mutex::new((f64::MIN, 0, Vec::new(), Hub::new(Arc::default()))));
    let found = Arc::clone(&worst);
    let mut plan = None;
    desk.on_meters(move |desk, frame| {
        let mut found = found.lock().expect("nobody panicked");
        if plan.replace(frame.plan) != Some(frame.plan) {
            found.3.change(Arc::new(table(desk, frame.plan)));
        }
        found.3.read(frame);
        let off = 10.0 * frame.proof.ratio().max(1e-30).log10();
        found.0 = found.0.max(off);
        found.1 += u64::from(frame.proof.looked_at);
        if off > -100.0 {
            found.2.push(frame.start);
        }
    });
    worst
}

fn table(desk: &Desk, plan: u64) -> MeterTable {
    // One name tells the rate; nobody follows.
    let names = desk.meter_table().into_iter().take(1).collect();
    MeterTable { plan, names, mix_minus: desk.mix_minus_columns() }
}

/// The next seconds of everybody's talk.
fn talk(talkers: &mut [SpeechLike], seconds: usize) -> Vec<Vec<f32>> {
    let next = |talker: &mut SpeechLike| {
        let mut samples = vec![0.0; seconds * 48_000];
        talker.fill(&mut samples);
        samples
    };
    talkers.iter_mut().map(next).collect()
}

fn talkers(count: usize) -> Vec<SpeechLike> {
    let level = Decibels::try_new(-20.0).expect("a level");
    (0..count).map(|guest| SpeechLike::new(guest as u64, level, RATE)).collect()
}

#[test]
fn the_proof_stays_quiet_over_clean_talk_with_everything_moving() {
    let seconds = if std::env::var_os("LONGTHROW_PROOF").is_some() { 36_000 } else { 20 };
    let lines =
        format!("{EQUALISER}\nbus.programme.compressor.switch = on\nbus.programme.compressor.threshold = -30.0");
    let mut desk = offline(guests(true, &lines), Vectors::widest().form());
    let found = watch(&mut desk);
    // With hands at the desk all the time.
    let mut talkers = talkers(GUESTS);
    let (mut random, mut nearest) = (7_u32, f64::MIN);
    for round in 0..seconds / 10 {
        let start = desk.frame();
        for n in 0..40_u32 {
            random = random.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let guest = random >> 8 & 15;
            let at = Frames(start + u64::from(n) * 11_987);
            let word = |word: &str| Value::Word(word.into());
            let (path, value) = match n % 8 {
                0 => ("switch", word(if random & 64 == 0 { "open" } else { "closed" })),
                1 => ("fader", Value::Number(-((random >> 12 & 31) as f32))),
                2 => ("pan", Value::Number((random >> 12 & 127) as f32 / 64.0 - 0.99)),
                3 => ("assign.panel", word(if random & 64 == 0 { "on" } else { "off" })),
                4 => ("send.level.programme", if random & 64 == 0 { Value::Off } else { Value::Number(-12.0) }),
                5 => ("send.point.programme", word(if random & 64 == 0 { "pre-fader" } else { "after-fader" })),
                6 => ("polarity", word(if random & 64 == 0 { "normal" } else { "inverted" })),
                _ => ("compressor.switch", word(if random & 64 == 0 { "on" } else { "off" })),
            };
            desk.at(at, set(&format!("channel.g{guest}.{path}"), value));
            if n == 20 {
                desk.at(at, set("bus.panel.fader", Value::Number(-(round as f32 % 12.0))));
                desk.at(at, set("bus.panel.assign.programme", word(if round % 3 == 1 { "off" } else { "on" })));
            }
        }
        run(&mut desk, talk(&mut talkers, 10), 480);
        for OwnVoice { bus, comes_back, sent_back } in found.lock().expect("nobody panicked").3.own_voices() {
            for way in comes_back.into_iter().chain(sent_back) {
                nearest = nearest.max(way.db - way.floor_db);
                assert!(!way.above, "{bus}, where nothing leaks: {way:?}");
            }
        }
    }
    let found = found.lock().expect("nobody panicked");
    let (worst, looked_at, alarms) = (found.0, found.1, &found.2);
    println!("{seconds} s, {looked_at} looks: at worst {worst:.1} dB of the bus, {} alarms", alarms.len());
    if nearest > f64::MIN {
        println!("the slow figure came to {nearest:.1} dB of its floor at most");
    }
    assert!(looked_at > seconds * 370, "one look in 128 frames");
    assert!(alarms.is_empty(), "{worst:.1} dB");
}

#[test]
fn a_guest_who_comes_in_by_a_way_that_is_not_theirs_is_told_within_a_second() {
    // The error: a second channel with the same line at -50 dB, of which the mix-minus was not told. It is planted in the
    // engine behind the desk's back, since the desk finds every channel of a line itself.
    use longthrow::engine::{Bank, Command, Edit, Plan, Tap, Target};
    let mut desk = offline(guests(false, ""), Form::Plain);
    // Everybody talks; who is silent leaks nothing.
    let inputs: Vec<Vec<f32>> = (0..GUESTS)
        .map(|guest| noise(5 * 48_000, guest as u64).into_iter().map(|sample| 0.1 * sample).collect())
        .collect();
    let found = watch(&mut desk);
    run(&mut desk, inputs.iter().map(|input| input[..3 * 48_000].to_vec()).collect(), 480);
    assert!(found.lock().expect("nobody panicked").2.is_empty(), "clean so far");
    // Columns behind those of the desk; the feed is that of guest 3.
    let (column, to) = (500, desk.desk().columns(Bank::Buses, "programme").expect("it stands").start);
    // Channels come into use in their order, and each brings its feed; slot 0 is silence.
    let feed = 4;
    let jump = |target, value| Edit::Jump(Command { target, value });
    let edits = vec![
        Edit::Start { bank: Bank::Sources, column, ramp_frames: 0 },
        Edit::Connect { column, feed, side: 0 },
        jump(Target::Gate { bank: Bank::Sources, column }, 1.0),
        jump(Target::ToBus { tap: Tap::AfterFader, from: column, to }, 10.0_f32.powf(-50.0 / 20.0)),
    ];
    let planted = desk.frame();
    desk.plant(&mut Plan { edits, ..Plan::default() });
    run(&mut desk, inputs.iter().map(|input| input[3 * 48_000..].to_vec()).collect(), 480);
    let alarms = found.lock().expect("nobody panicked").2.clone();
    let first = alarms.first().expect("an alarm") - planted;
    println!("told {:.0} ms after the error, {} times in 2 s", first as f64 / 48.0, alarms.len());
    assert!(first < 48_000);
}

/// A mix-minus is in somebody's ear: a guest who is far too loud is held at -3 dBFS there, at once, while the feed beside it, which has
/// no ceiling here, carries them as they are.
#[test]
fn an_output_that_carries_a_mix_minus_is_limited_without_delay() {
    let lines = (0..2).fold(String::new(), |lines, guest| {
        let source = format!("\nchannel.g{guest}.source = in-{}\nchannel.g{guest}.switch = open", guest + 1);
        lines + &source + &format!("\nchannel.g{guest}.fader = 0.0\nchannel.g{guest}.assign.programme = on")
    });
    let minus: [(&str, &str, &[&str], Option<&str>); 1] = [("to-g0", "programme", &["g0"], None)];
    let mut desk = offline(show_with(2, &lines, &["programme", "to-g0"], &minus), Form::Plain);
    let mut loud = tone(200.0, 0.1, 2 * SETTLED);
    loud[SETTLED + 24_000..].iter_mut().for_each(|sample| *sample *= 40.0);
    let heard = run(&mut desk, vec![vec![0.0; 2 * SETTLED], loud], 480);
    let highest = |samples: &[f32]| samples.iter().fold(0.0_f32, |highest, sample| sample.abs().max(highest));
    let ceiling = 10.0_f32.powf(-3.0 / 20.0);
    assert!(highest(&heard[0]) > 2.0, "the programme is far too loud: {}", highest(&heard[0]));
    assert!((ceiling * 0.9..=ceiling * 1.000_001).contains(&highest(&heard[2])), "{}", highest(&heard[2]));
    let before = SETTLED..SETTLED + 24_000;
    assert!(heard[2][before.clone()] == heard[0][before], "below the ceiling the same samples at the same time");
}

/// Guest 1 listens over a loudspeaker, and 200 ms later their microphone gives back what it hears, 20 dB down: to the proof all is
/// well, since it is their own line.
#[test]
fn who_sends_back_what_they_hear_and_who_comes_back_to_themselves_is_told_by_the_slow_figure() {
    const LATE: usize = 9_600;
    let factor = 10.0_f32.powf(-20.0 / 20.0);
    let minus: [(&str, &str, &[&str], Option<&str>); 3] = [
        ("to-g0", "programme", &["g0"], None),
        ("to-g1", "programme", &["g1"], None),
        ("to-g2", "programme", &["g2"], None),
    ];
    let lines = (0..3).fold(String::new(), |lines, guest| {
        let source = format!("\nchannel.g{guest}.source = in-{}\nchannel.g{guest}.switch = open", guest + 1);
        lines + &source + &format!("\nchannel.g{guest}.fader = 0.0\nchannel.g{guest}.assign.programme = on")
    });
    let installation = show_with(3, &lines, &["programme", "to-g0", "to-g1", "to-g2"], &minus);
    let mut desk = offline(installation, Vectors::widest().form());
    let found = watch(&mut desk);
    let mut talkers = talkers(3);
    let mut heard = vec![0.0; LATE];
    // Three minutes and a little: everybody's turn.
    for _ in 0..19 {
        let mut inputs = talk(&mut talkers, 10);
        let others: Vec<f32> = inputs[0].iter().zip(&inputs[2]).map(|(one, other)| one + other).collect();
        let before = others.len() - LATE;
        let late = heard.iter().chain(&others[..before]);
        inputs[1].iter_mut().zip(late).for_each(|(own, late)| *own += factor * late);
        heard = others[before..].to_vec();
        run(&mut desk, inputs, 480);
    }
    let found = found.lock().expect("nobody panicked");
    assert!(found.2.is_empty(), "the proof of the desk's own ways has nothing to say");
    let voices = found.3.own_voices();
    println!("{voices:#?}");
    let near = |is: f64, expected: f64, off: f64| assert!((is - expected).abs() < off, "{is} for {expected}");
    for (voice, others) in voices.iter().zip([true, false, true]) {
        let (back, sent) = (voice.comes_back.expect("a minute"), voice.sent_back.expect("a minute"));
        assert_eq!((back.above, sent.above), (others, !others), "{voice:?}");
        let told = if others { back } else { sent };
        near(told.ms, 200.0, 2.0);
        near(told.db, -20.0, 3.0);
    }
}

#[test]
fn sends_groups_and_mix_minus_give_the_same_bytes_in_every_form_and_callback_size() {
    let frames = 30_000;
    let inputs: Vec<Vec<f32>> = (0..GUESTS).map(|guest| noise(frames, guest as u64)).collect();
    let render = |callback: usize, form: Form| {
        let lines = format!(
            "{EQUALISER}\nbus.programme.compressor.switch = on\nbus.programme.compressor.threshold = -20.0\nchannel.g2.send.level.room = -6.0\nchannel.g2.send.point.room = pre-fader\nbus.room.fader = 0.0"
        );
        let mut desk = offline(guests(true, &lines), form);
        for n in 0..60_u32 {
            let (guest, at) = (n % 16, Frames(u64::from(n) * 401 + 7));
            desk.at(at, set(&format!("channel.g{guest}.fader"), Value::Number(-(n as f32) / 7.0)));
            desk.at(at, set(&format!("channel.g{guest}.send.level.room"), Value::Number(-(n as f32) / 3.0)));
            let word = |on: bool, words: [&str; 2]| Value::Word(words[usize::from(on)].into());
            desk.at(
                at,
                set(&format!("channel.g{guest}.send.point.room"), word(n % 3 == 0, ["after-fader", "pre-fader"])),
            );
            desk.at(at, set(&format!("channel.g{guest}.assign.panel"), word(n % 2 == 0, ["off", "on"])));
            desk.at(at, set("bus.room.assign.programme", word(n % 7 < 4, ["off", "on"])));
        }
        run(&mut desk, inputs.clone(), callback)
    };
    let reference = render(64, Form::Plain);
    assert!(reference.iter().all(|wire| wire.iter().any(|sample| sample.abs() > 0.01)), "everything is heard");
    for callback in [1, 17, 64, 1_000, 4_096] {
        assert!(render(callback, Form::Plain) == reference, "callback of {callback} frames differs");
    }
    for form in Form::ALL.into_iter().filter(|form| form.is_here()) {
        assert!(render(1_000, form) == reference, "{} differs", form.word());
    }
}

#[test]
fn a_send_is_taken_where_it_says() {
    let lines = |point: &str| {
        format!(
            "channel.a.source = in-1\nchannel.a.switch = open\nchannel.a.fader = -12.0\nchannel.a.assign.programme = on\nchannel.a.send.level.room = -6.0\nchannel.a.send.point.room = {point}\nchannel.a.send.pan.room = 1.0"
        )
    };
    let level = |wire: &[f32]| db(rms(wire[60_000..90_000].iter().map(|sample| f64::from(*sample))));
    let input = vec![noise(96_000, 3)];
    let source = level(&input[0]);
    let render = |point: &str, change: &[(&str, Value)]| {
        let mut desk = offline(show_with(1, &lines(point), &["programme", "room"], &[]), Form::Plain);
        for (path, value) in change {
            desk.at(Frames(48_000), set(path, value.clone()));
        }
        run(&mut desk, input.clone(), 64)
    };
    // Hard right: nothing on the left, all on the right.
    let after = render("after-fader", &[]);
    assert!((level(&after[3]) - source + 18.0).abs() < 0.01 && level(&after[2]) < -200.0);
    let pre = render("pre-fader", &[]);
    assert!((level(&pre[3]) - source + 6.0).abs() < 0.01);
    let closed: &[_] = &[("channel.a.switch", Value::Word("closed".into()))];
    let down: &[_] = &[("channel.a.fader", Value::Off)];
    assert!(level(&render("after-fader", down)[3]) < -200.0, "a fader at its stop takes it away");
    assert!((level(&render("pre-fader", down)[3]) - source + 6.0).abs() < 0.01, "and here it does not");
    assert!(level(&render("pre-fader", closed)[3]) < -200.0, "the switch takes it away");
    // Exactly nothing 5 ms after it closed, and a grid line.
    let wire = &render("pre-fader", closed)[3];
    assert!(wire[48_000 + 240 + 32..].iter().all(|sample| *sample == 0.0));
}

#[test]
fn a_send_before_the_switch_is_only_for_buses_that_are_off_air() {
    let lines = "channel.a.source = in-1\nchannel.a.fader = 0.0\nchannel.a.send.level.audition = 0.0\nchannel.a.send.level.programme = 0.0";
    let mut desk = offline(show_with(1, lines, &["programme", "audition"], &[]), Form::Plain);
    let refused = Arc::new(Mutex::new(Vec::new()));
    let said = Arc::clone(&refused);
    desk.on_effects(move |_, effects| said.lock().expect("nobody panicked").extend(effects.refused.clone()));
    desk.at(Frames(0), set("channel.a.send.point.audition", Value::Word("input".into())));
    desk.at(Frames(0), set("channel.a.send.point.programme", Value::Word("input".into())));
    desk.at(Frames(0), set("bus.audition.assign.programme", Value::Word("on".into())));
    let heard = run(&mut desk, vec![noise(96_000, 3)], 64);
    assert!(heard[0].iter().all(|sample| *sample == 0.0), "closed on the programme");
    assert!(heard[2][60_000..].iter().any(|sample| *sample != 0.0), "heard in audition");
    let refused = refused.lock().expect("nobody panicked");
    assert!(refused[0].why.contains("may be on air"), "{refused:?}");
    assert!(refused[1].why.contains("off air"), "{refused:?}");
}

/// Such a send is refused where people outside hear the bus, whatever its name is, and while there is one nothing brings its bus on
/// air. A file that does so finds it behind its switch.
#[test]
fn no_send_before_the_switch_comes_on_air_by_another_output_or_another_profile() {
    let lines = "channel.a.source = in-1\nchannel.a.fader = 0.0\nchannel.a.send.level.audition = 0.0\n\
                 channel.a.send.point.audition = input";
    let show = || show_with(1, lines, &["programme", "audition"], &[]);
    let on_feed = || {
        let mut show = show();
        show.rig.outputs[1].kind = OutputKind::Feed;
        show
    };
    let heard = |installation, change: &dyn Fn(&mut Offline)| {
        let mut desk = offline(installation, Form::Plain);
        change(&mut desk);
        run(&mut desk, vec![noise(96_000, 3)], 64)
    };
    let silent = |samples: &[f32]| samples.iter().all(|sample| *sample == 0.0);
    let inside = heard(show(), &|_| ());
    assert!(!silent(&inside[2][90_000..]) && silent(&inside[0]), "heard in audition only");
    let moved: [(&str, &str); 2] = [("output.out-programme.source", "audition"), ("bus.audition.air", "always")];
    for (path, to) in moved {
        let wires = heard(show(), &|desk| desk.at(Frames(24_000), set(path, Value::Word(to.into()))));
        assert!(!silent(&wires[2][90_000..]) && silent(&wires[0]), "{path} {to} is refused");
    }
    let wires = heard(on_feed(), &|_| ());
    assert!(silent(&wires[2]), "behind the switch from the start, since a feed carries it");
    for reread in [false, true] {
        let wires = heard(show(), &|desk| {
            desk.at(Frames(24_000), Event::Install { installation: Box::new(on_feed()), reread })
        });
        assert!(!silent(&wires[2][..24_000]) && silent(&wires[2][60_000..]), "and from another file on");
    }
}

#[test]
fn a_ring_of_buses_is_refused_and_the_row_of_four_sums_exactly() {
    let lines = "channel.a.source = in-1\nchannel.a.switch = open\nchannel.a.fader = 0.0\nchannel.a.pan = -1.0\nchannel.a.assign.one = on\nbus.one.assign.two = on\nbus.two.assign.three = on\nbus.three.assign.programme = on";
    let mut desk = offline(show_with(1, lines, &["programme"], &[]), Form::Plain);
    let refused = Arc::new(Mutex::new(Vec::new()));
    let said = Arc::clone(&refused);
    desk.on_effects(move |_, effects| said.lock().expect("nobody panicked").extend(effects.refused.clone()));
    desk.at(Frames(40_000), set("bus.programme.assign.one", Value::Word("on".into())));
    desk.at(Frames(40_000), set("bus.programme.assign.audition", Value::Word("on".into())));
    let input = noise(96_000, 5);
    let heard = run(&mut desk, vec![input.clone()], 64);
    assert!(heard[0][SETTLED..] == input[SETTLED..], "bit for bit through four buses");
    let refused = refused.lock().expect("nobody panicked");
    assert!(refused[0].why.contains("ring: one -> two -> three -> programme"), "{refused:?}");
    assert!(refused[1].why.contains("5 buses in a row"), "{refused:?}");
}

#[test]
fn a_guest_who_is_closed_hears_the_others_who_are_off_air() {
    let lines = "channel.a.source = in-1\nchannel.a.switch = open\nchannel.a.fader = 0.0\nchannel.a.assign.programme = on\nchannel.b.source = in-2\nchannel.b.fader = 0.0\nchannel.b.assign.programme = on\nchannel.b.send.level.waiting = 0.0\nchannel.b.send.point.waiting = input\nchannel.c.source = in-3\nchannel.c.send.level.waiting = 0.0\nchannel.c.send.point.waiting = input\nbus.waiting.fader = 0.0";
    let minus: &[(&str, &str, &[&str], Option<&str>)] = &[("to-b", "programme", &["b"], Some("waiting"))];
    let mut desk = offline(show_with(3, lines, &["programme", "to-b"], minus), Form::Plain);
    desk.at(Frames(96_000), set("channel.b.switch", Value::Word("open".into())));
    let inputs: Vec<Vec<f32>> = (0..3).map(|n| tone(hertz(n), 0.1, 4 * 48_000)).collect();
    let heard = run(&mut desk, inputs, 64);
    let at = |wire: &[f32], n: usize| db(bin(wire, hertz(n)) / 0.1);
    let (closed, open) = (&heard[2][..95_000], &heard[2][..]);
    assert!(
        at(closed, 2) > -4.0 && at(closed, 0) < -100.0 && at(closed, 1) < -100.0,
        "the room where they wait, without b"
    );
    assert!(at(open, 0) > -4.0 && at(open, 2) < -100.0 && at(open, 1) < -100.0, "the programme, without b");
}

#[test]
fn gain_groups_add_their_decibels_and_close_with_any() {
    let lines = "channel.a.source = in-1\nchannel.a.switch = open\nchannel.a.fader = -3.0\nchannel.a.pan = -1.0\nchannel.a.assign.programme = on\nchannel.a.send.level.room = 0.0\nchannel.a.send.pan.room = -1.0\ngain-group.voices.fader = -4.0\ngain-group.all.fader = -5.0";
    let mut files = show_with(1, lines, &["programme", "room"], &[]);
    files.profile.gain_groups.iter_mut().for_each(|group| group.members = vec![id("a")]);
    let mut desk = offline(files, Form::Plain);
    let word = |word: &str| Value::Word(word.into());
    desk.at(Frames(96_000), set("gain-group.all.switch", word("closed")));
    desk.at(Frames(120_000), set("gain-group.all.switch", word("open")));
    desk.at(Frames(144_000), set("gain-group.voices.fader", Value::Off));
    let input = noise(168_000, 5);
    let heard = run(&mut desk, vec![input.clone()], 64);
    for wire in [0, 2] {
        let level = |from: usize| {
            let (heard, source) = (&heard[wire][from..from + 12_000], &input[from..from + 12_000]);
            db(rms(heard.iter().map(|s| f64::from(*s))) / rms(source.iter().map(|s| f64::from(*s))))
        };
        assert!((level(60_000) + 12.0).abs() < 0.001, "{}", level(60_000));
        assert!(heard[wire][96_300..120_000].iter().all(|sample| *sample == 0.0), "closed with one of two");
        assert!((level(126_000) + 12.0).abs() < 0.001);
        assert!(heard[wire][144_300..].iter().all(|sample| *sample == 0.0), "off closes");
    }
}

#[test]
fn a_gain_group_opens_no_microphone_from_the_network() {
    use longthrow::desk::{By, Desk, Event};
    use longthrow::params::Address;
    let lines = "channel.a.source = in-1\nchannel.a.fader = 0.0\nchannel.a.assign.programme = on\ngain-group.voices.switch = closed";
    let mut files = show_with(1, lines, &["programme"], &[]);
    files.profile.gain_groups[0].members = vec![id("a")];
    files.rig.inputs[0].kind = longthrow::profile::InputKind::Microphone;
    let mut desk = Desk::new(files, RATE);
    let open = |desk: &mut Desk, path: &str, may_open_microphones| {
        let (address, value) = (Address::from_dotted(path).expect(path), Value::Word("open".into()));
        desk.handle(Frames(1), Event::Set { address, value, by: By::Message { may_open_microphones } }).refused
    };
    assert!(open(&mut desk, "channel.a.switch", true).is_empty(), "by a hand, and the group still holds it");
    assert!(!desk.is_open_on_air(&id("a")));
    assert!(!open(&mut desk, "gain-group.voices.switch", false).is_empty(), "from the network");
    assert!(!desk.is_open_on_air(&id("a")));
    assert!(open(&mut desk, "gain-group.voices.switch", true).is_empty());
    assert!(desk.is_open_on_air(&id("a")));
}

#[test]
fn a_channel_that_has_left_leaves_nothing_behind_in_what_took_it_before_its_switch() {
    let lines = "channel.a.source = in-1\nchannel.a.fader = 0.0\nchannel.a.send.level.audition = 0.0\nchannel.a.send.point.audition = input";
    for hz in [44_100, 48_000] {
        let rate = SampleRate::try_new(hz).expect("a rate");
        let mut desk = offline_at(show_with(1, lines, &["audition"], &[]), rate, Form::Plain);
        let without = Box::new(show_with(1, "", &["audition"], &[]));
        desk.at(Frames(60_000), Event::Install { installation: without, reread: true });
        let heard = run(&mut desk, vec![noise(120_000, 9)], 64);
        assert!(heard[0][55_000..60_000].iter().any(|sample| sample.abs() > 0.1), "it was heard");
        let last = heard[0].iter().rposition(|sample| *sample != 0.0).expect("it was heard");
        // A ramp of 20 ms, and a grid line.
        let ramp = hz as usize / 50;
        assert!(last < 60_000 + ramp + 16, "at {hz} Hz still heard {} frames after it left", last - 60_000);
    }
}

#[test]
fn a_guest_who_goes_over_to_a_second_line_hears_themselves_on_neither() {
    let lines = "channel.g0.source = in-1\nchannel.g0.source-b = pair-2\nchannel.g0.trim-b = 3.0\nchannel.g0.switch = open\nchannel.g0.fader = 0.0\nchannel.g0.assign.programme = on\nchannel.g1.source = in-2\nchannel.g1.switch = open\nchannel.g1.fader = 0.0\nchannel.g1.assign.programme = on";
    let minus: [(&str, &str, &[&str], Option<&str>); 1] = [("to-g0", "programme", &["g0"], None)];
    let installation = show_with(4, lines, &["programme", "to-g0"], &minus);
    let select = |which: &str| set("channel.g0.source-select", Value::Word(which.into()));
    for last in ["a", "b"] {
        let mut desk = offline(installation.clone(), Form::Plain);
        let found = watch(&mut desk);
        desk.at(Frames(60_000), select("b"));
        // Faster than they can fade out, and than their columns are free again.
        for n in 0..24 {
            desk.at(Frames(70_000 + 211 * n), select(if n % 2 == 0 { "a" } else { "b" }));
        }
        desk.at(Frames(80_000), select(last));
        let inputs = [400.0, 500.0, 600.0, 700.0].map(|hertz| tone(hertz, 0.1, 4 * 48_000)).to_vec();
        let heard = run(&mut desk, inputs, 480);
        let (own, other) = if last == "a" { ([400.0, 400.0], 600.0) } else { ([600.0, 700.0], 400.0) };
        for side in 0..2 {
            let on_air = bin(&heard[side], own[side]);
            assert!(db(on_air) > -30.0, "on air with {last}: {:.1} dB", db(on_air));
            let leak = db(bin(&heard[2 + side], own[side]) / on_air);
            println!("with {last}, side {side}: {leak:.1} dB of what is on air");
            assert!(leak <= -100.0, "{leak:.1} dB");
            assert!(db(bin(&heard[side], other) / on_air) <= -100.0, "the other line is not heard");
        }
        assert!(bin(&heard[2], 500.0) > 0.05, "the others are heard");
        let found = found.lock().expect("nobody panicked");
        println!("proof at worst {:.1} dB of the bus", found.0);
        assert!(found.2.is_empty(), "{:.1} dB", found.0);
    }
}

/// Two channels carry a guest's line, and one of them goes over to another: what it still has of the guest while it fades is the
/// guest's own. Rendered with the guest speaking and silent; the return is the same, sample by sample.
#[test]
fn a_channel_that_leaves_a_guests_line_is_theirs_until_it_has_faded() {
    let lines = "channel.g0.source = in-1\nchannel.g0.switch = open\nchannel.g0.fader = 0.0\nchannel.g0.assign.programme = on\nchannel.g1.source = in-1\nchannel.g1.switch = open\nchannel.g1.fader = 0.0\nchannel.g1.assign.programme = on\nchannel.g2.source = in-2\nchannel.g2.switch = open\nchannel.g2.fader = 0.0\nchannel.g2.assign.programme = on";
    let minus: [(&str, &str, &[&str], Option<&str>); 1] = [("to-g0", "programme", &["g0"], None)];
    let installation = show_with(4, lines, &["programme", "to-g0"], &minus);
    let heard = |own: f64| {
        let mut desk = offline(installation.clone(), Form::Plain);
        desk.at(Frames(60_000), set("channel.g1.source", Value::Word("in-3".into())));
        let inputs = [(400.0, own), (500.0, 0.1), (600.0, 0.1), (700.0, 0.1)];
        run(&mut desk, inputs.map(|(hertz, amplitude)| tone(hertz, amplitude, 2 * 48_000)).to_vec(), 480)
    };
    let [speaking, silent] = [heard(0.1), heard(0.0)];
    let most = |wire: usize, frames: std::ops::Range<usize>| {
        let both = speaking[wire][frames.clone()].iter().zip(&silent[wire][frames]);
        both.fold(0.0_f64, |most, (a, b)| most.max(f64::from(a - b).abs()))
    };
    assert!(most(0, 60_000..61_000) > 0.1, "on air they are heard");
    let leak = db(most(2, 50_000..2 * 48_000) / 0.1);
    println!("at most {leak:.1} dB of the guest in their own return");
    assert!(leak <= -100.0, "{leak:.1} dB");
    assert!(bin(&silent[2], 500.0) > 0.03, "the others are heard");
}

#[test]
fn a_leveller_goes_on_where_it_stood_when_its_bus_is_assigned_to_another() {
    let lines = "bus.music.leveller = -23.0\nbus.music.leveller-range = 15.0\nchannel.a.source = in-1\nchannel.a.switch = open\nchannel.a.fader = 0.0\nchannel.a.assign.music = on";
    let mut desk = offline(show_with(1, lines, &["music", "programme"], &[]), Form::Plain);
    desk.at(Frames(20 * 48_000), set("bus.music.assign.programme", Value::Word("on".into())));
    let heard = run(&mut desk, vec![noise(21 * 48_000, 4)], 480);
    let level = |from: usize, to: usize| {
        let part = &heard[0][from..to];
        10.0 * (part.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / part.len() as f64).log10()
    };
    let (before, asked) = (level(19 * 48_000, 20 * 48_000), level(24_000, 48_000));
    println!("{asked:.2} dB at first, {before:.2} dB levelled");
    assert!(before < asked - 5.0, "it has something to take down");
    // From the first 20 ms on: white noise of 20 ms is within 0.3 dB of itself.
    for start in (20 * 48_000..21 * 48_000 - 960).step_by(960) {
        let now = level(start, start + 960);
        assert!((now - before).abs() < 1.0, "{now:.2} dB, {before:.2} dB before");
    }
}
