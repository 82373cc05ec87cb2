//! The lip-sync figure: by how much an output is late, exactly, and that nothing else is.

#![allow(clippy::print_stdout, reason = "the tests say what they measured")]

#[path = "support/show.rs"]
#[allow(dead_code, reason = "each test uses a part of it")]
mod show;
mod support;

use longthrow::daemon::hub::{Hub, MeterTable};
use longthrow::daemon::offline::{Buffers, Offline};
use longthrow::desk::{LipSync, MeterMemory, Reading};
use longthrow::dsp::lanes::Vectors;
use longthrow::engine::{Feed, MeterFrame};
use longthrow::params::Value;
use longthrow::ports::jack_server;
use longthrow::profile::{Bus, Minus, Output, OutputKind};
use longthrow::units::{Frames, SampleRate};
use serde_json::Value as Json;
use show::{id, installation, set};
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::process::Command;
use std::rc::Rc;
use std::sync::Arc;
use support::daemon::Daemon;
use support::jackd::Jackd;
use support::wait_until;

/// Two talkers on the programme; the second one gets it without themselves, and the first is listened to.
const LINES: &str = "channel.a.source = in-1\nchannel.a.switch = open\nchannel.a.fader = 0.0\nchannel.a.assign.programme = on\n\
    channel.b.source = in-2\nchannel.b.switch = open\nchannel.b.fader = 0.0\nchannel.b.assign.programme = on\n\
    bus.programme.fader = 0.0\noutput.feed.source = programme\noutput.feed.level = 0.0\n\
    output.ears.source = programme\noutput.ears.level = 0.0\noutput.ears.listen = on\n";

/// The sound of feed, guest and ears, and every value of every meter at every boundary.
struct Heard {
    sound: Vec<Vec<f32>>,
    meters: BTreeMap<String, Vec<f32>>,
    figure: LipSync,
}

const CEILING: &str = "output.feed.ceiling = -1.0\n";

fn heard(rate: SampleRate, more: &str, impulse_at: usize) -> Heard {
    heard_in(rate, more, impulse_at, 64, &[])
}

/// The same in callbacks of this length, and with these values set after half a second.
fn heard_in(rate: SampleRate, more: &str, impulse_at: usize, callback: usize, later: &[(&str, f32)]) -> Heard {
    let lines = format!("{LINES}{more}");
    let mut files = installation(2, &lines);
    files.rig.rate = Some(rate);
    files.rig.devices[0].outputs = 6;
    let outputs = [("feed", OutputKind::Feed), ("guest", OutputKind::Line), ("ears", OutputKind::Headphones)];
    files.rig.outputs = (0_u16..)
        .zip(outputs)
        .map(|(n, (name, kind))| Output { id: id(name), kind, device: id("box"), channels: vec![2 * n, 2 * n + 1] })
        .collect();
    let minus = Minus { of: id("programme"), less: vec![id("b")], off_air: None };
    files.profile.buses.push(Bus { id: id("to-b"), was: None, label: String::new(), minus: Some(minus) });
    for (path, value) in [("output.guest.source", Value::Word("to-b".into())), ("bus.to-b.fader", Value::Number(0.0))] {
        files.profile.values.insert(longthrow::params::Address::from_dotted(path).expect(path), value);
    }
    let feed = files.rig.outputs[0].clone();
    let mut desk = Offline::new(files, rate, Vectors::widest(), Box::new(|_, _, _| Feed::Silent));
    desk.at(Frames(u64::from(rate.hz() / 10)), set("channel.a.listen", Value::Word("on".into())));
    for (path, value) in later {
        desk.at(Frames(u64::from(rate.hz() / 2)), set(path, Value::Number(*value)));
    }
    let shown = Rc::new(RefCell::new((MeterMemory::default(), BTreeMap::<String, Vec<f32>>::new())));
    let into = Rc::clone(&shown);
    desk.on_meters(move |desk, frame| {
        let (memory, meters) = &mut *into.borrow_mut();
        let table = desk.meter_table();
        memory.take_table(&table);
        memory.read(frame);
        for name in &table {
            let mut reading = Reading::default();
            name.read(frame, &mut reading);
            meters.entry(name.path.clone()).or_default().push(name.value(&reading, memory));
        }
    });
    let length = 2 * rate.hz() as usize;
    let mut input = vec![0.0; length];
    input[impulse_at] = 0.25;
    let inputs = vec![input, vec![0.0; length]];
    let mut wires = Buffers { inputs, outputs: vec![vec![0.0; length]; 6], offset: 0, frames: 0 };
    while wires.offset < length {
        wires.frames = callback.min(length - wires.offset);
        desk.process(&mut wires);
        wires.offset += wires.frames;
    }
    drop(desk);
    let (_, meters) = Rc::try_unwrap(shown).expect("the desk is gone").into_inner();
    let last = |end: &str| f64::from(*meters[&format!("/meter/output/feed/lip-sync/{end}")].last().expect("a second"));
    assert!((last("device") + 1.0).abs() < 1e-9, "nobody has said what the device adds");
    let figure = LipSync::new(&feed, last("delay"), last("limiter"), None);
    assert!((figure.total_ms - last("total")).abs() < 1e-3);
    Heard { sound: wires.outputs, meters, figure }
}

/// The frame of the highest sample.
fn peak_at(samples: &[f32]) -> usize {
    let highest = samples.iter().enumerate().max_by(|(_, a), (_, b)| a.abs().total_cmp(&b.abs()));
    highest.expect("there are samples").0
}

#[test]
fn the_output_is_late_by_exactly_the_figure_and_nothing_else_is() {
    for hz in [44_100, 48_000, 96_000] {
        let rate = SampleRate::try_new(hz).expect("a rate");
        // In the middle of a meter step.
        let at = hz as usize + 239;
        let (early, late) = (heard(rate, "", at), heard(rate, CEILING, at));
        assert_eq!(peak_at(&early.sound[0]), at, "without a limiter nothing is late");
        assert!(early.figure.total_ms.abs() < 1e-9, "{:?}", early.figure);
        let by = peak_at(&late.sound[0]) - at;
        println!("{hz} Hz: {by} frames late, the figure is {} ms", late.figure.total_ms);
        assert!(by > 0, "a limiter that looks ahead is late");
        assert!((by as f64 * 1e3 / f64::from(hz) - late.figure.total_ms).abs() < 1e-3, "{by} for {:?}", late.figure);
        // Both sides, and nothing but later.
        let from = hz as usize;
        for side in 0..2 {
            assert!(late.sound[side][from + by..] == early.sound[side][from..2 * from - by], "side {side}");
        }
        // What the guest hears and what is listened to: the same bytes.
        for wire in 2..6 {
            let heard = peak_at(&late.sound[wire]);
            assert!(late.sound[wire] == early.sound[wire], "wire {wire} has other bytes");
            assert!(heard == at && late.sound[wire][at] > 0.01, "wire {wire}: {} at {heard}", late.sound[wire][heard]);
        }
        // Every meter of channels, buses and outputs, at every boundary.
        assert_eq!(early.meters.len(), late.meters.len());
        let others: Vec<&String> =
            early.meters.iter().filter(|(path, shown)| late.meters[*path] != **shown).map(|(path, _)| path).collect();
        assert_eq!(others, ["/meter/output/feed/lip-sync/limiter", "/meter/output/feed/lip-sync/total"]);
    }
}

/// An output is delayed as it is asked to be, for the picture that it goes with, and so is nothing else; whether from the start or by a
/// hand, and in callbacks of any length.
#[test]
fn an_output_is_delayed_as_asked_and_nothing_else_is() {
    for hz in [44_100, 48_000, 96_000] {
        let rate = SampleRate::try_new(hz).expect("a rate");
        let at = hz as usize + 239;
        let early = heard(rate, CEILING, at);
        let late = heard(rate, &format!("{CEILING}output.feed.delay = 40.0\n"), at);
        // One frame of a picture at 25 a second (arithmetic), rounded to one of the engine.
        let by = hz as usize / 25;
        let look_ahead = peak_at(&early.sound[0]) - at;
        assert_eq!(peak_at(&late.sound[0]), at + look_ahead + by, "{hz} Hz");
        assert!((late.figure.delay_ms - 40.0).abs() < 1e-9, "{:?}", late.figure);
        assert!((late.figure.video_frames["25"] - early.figure.video_frames["25"] - 1.0).abs() < 1e-3);
        let from = hz as usize;
        for side in 0..2 {
            assert!(late.sound[side][from + by..] == early.sound[side][from..2 * from - by], "side {side}");
        }
        assert!(late.sound[2..] == early.sound[2..], "what the guest hears and what is listened to: the same bytes");
        let others = early.meters.iter().filter(|(path, shown)| late.meters[*path] != **shown).map(|(path, _)| path);
        let others: Vec<&String> = others.filter(|path| !path.starts_with("/meter/output/feed/")).collect();
        assert!(others.is_empty(), "{others:?}");
        let odd = heard_in(rate, &format!("{CEILING}output.feed.delay = 40.0\n"), at, 37, &[]);
        assert!(odd.sound == late.sound, "other callbacks, the same bytes");
        let by_hand = heard_in(rate, CEILING, at, 64, &[("output.feed.delay", 40.0)]);
        for side in 0..2 {
            assert!(by_hand.sound[side][from..] == late.sound[side][from..], "by a hand, side {side}");
        }
    }
}

/// What the device says of itself is added, for the outputs that hang on it, as long as it is there.
#[test]
fn the_device_adds_what_it_says_while_it_is_there() {
    let mut desk = longthrow::desk::Desk::new(installation(2, LINES), show::RATE);
    desk.handle(Frames(0), longthrow::desk::Event::Deadline);
    let mut hub = Hub::new(Arc::new(MeterTable { plan: 0, names: desk.meter_table(), ..MeterTable::default() }));
    hub.read(&MeterFrame { frames: 480, ..MeterFrame::nothing() });
    let shows = |hub: &Hub, expected: [f32; 3]| {
        let all = hub.shown();
        for (end, expected) in ["limiter", "device", "total"].iter().zip(expected) {
            let shown = all[&format!("/meter/output/feed/lip-sync/{end}")];
            assert!((shown - expected).abs() < 1e-6, "{end}: {shown} for {expected}");
        }
    };
    shows(&hub, [0.0, -1.0, 0.0]);
    hub.note_device_late(&id("another"), Some(7.0));
    shows(&hub, [0.0, -1.0, 0.0]);
    hub.note_device_late(&id("box"), Some(5.25));
    shows(&hub, [0.0, 5.25, 5.25]);
    hub.note_device_late(&id("box"), None);
    shows(&hub, [0.0, -1.0, 0.0]);
}

/// The report of a rendering has the figure of each output, and the file is late by it.
#[test]
fn a_rendering_reports_by_how_much_its_outputs_are_late() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let rig = "form = 1\nkind = \"rig\"\nrate_hz = 48000\n[device.box]\nhost = \"jack\"\nidentity = \"\"\ninputs = 1\noutputs = 2\n\
        [input.line]\nkind = \"line\"\ndevice = \"box\"\nchannels = [1]\n\
        [output.feed]\nkind = \"feed\"\ndevice = \"box\"\nchannels = [1, 2]\n";
    let profile = "form = 1\nkind = \"profile\"\nname = \"late\"\n[channel.a]\nsource = \"line\"\nswitch = \"open\"\nfader = 0.0\n\
        assign.programme = \"on\"\n[output.feed]\nsource = \"programme\"\nlevel = 0.0\n";
    std::fs::write(folder.path().join("rig.toml"), rig).expect("written");
    let mut samples = vec![0.0_f32; 9_600];
    samples[4_800] = 0.25;
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 48_000,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(folder.path().join("in.wav"), spec).expect("made");
    samples.iter().for_each(|sample| writer.write_sample(*sample).expect("room"));
    writer.finalize().expect("whole");
    let late = |ceiling: &str| {
        std::fs::write(folder.path().join("profile.toml"), format!("{profile}{ceiling}")).expect("written");
        let output = Command::new(env!("CARGO_BIN_EXE_longthrow"))
            .current_dir(folder.path())
            .args([
                "render",
                "--rig",
                "rig.toml",
                "--profile",
                "profile.toml",
                "--input",
                "line=in.wav",
                "--out",
                "out",
                "--json",
            ])
            .output()
            .expect("the program starts");
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let report: Json = serde_json::from_slice(&output.stdout).expect("a report");
        let mut reader = hound::WavReader::open(folder.path().join("out/output.feed.wav")).expect("it is there");
        let left: Vec<f32> = reader.samples::<f32>().step_by(2).map(|sample| sample.expect("a float")).collect();
        (report["outputs"]["feed"]["lip_sync"].clone(), peak_at(&left) as i64 - 4_800)
    };
    let (figure, by) = late("");
    assert!(by == 0 && figure["total_ms"] == 0.0 && figure["device_ms"].is_null(), "{by}: {figure}");
    let (figure, by) = late("ceiling = -1.0\n");
    println!("{by} frames, {figure}");
    let total = figure["total_ms"].as_f64().expect("a figure");
    assert!((by as f64 / 48.0 - total).abs() < 1e-3, "{by}: {figure}");
    let frames = figure["video_frames"]["25"].as_f64().expect("a figure");
    assert!((frames - total / 40.0).abs() < 1e-3, "{figure}");
}

/// On a real server the device's part is the latency that the server itself gives a port linked as ours are.
#[test]
fn the_device_part_is_what_the_audio_server_says() {
    let Some(jackd) = Jackd::start(48_000, 256, 2) else { return };
    let rig = format!(
        "form = 1\nkind = \"rig\"\nrate_hz = 48000\n[device.box]\nhost = \"jack\"\nidentity = \"{}\"\ninputs = 0\noutputs = 2\n\
         link_outputs = [\"system:playback_1\", \"system:playback_2\"]\n\
         [output.feed]\nkind = \"feed\"\ndevice = \"box\"\nchannels = [1, 2]\n",
        jackd.name
    );
    let profile = "form = 1\nkind = \"profile\"\nname = \"late\"\n[output.feed]\nsource = \"programme\"\nlevel = 0.0\nceiling = -1.0\n";
    let daemon = Daemon::start(&rig, None, profile);
    let client = jack_server::open("probe", &jackd.name).expect("the server is there");
    let playback = client.client.port_by_name("system:playback_1").expect("the dummy has one");
    let expected = f64::from(playback.get_latency_range(jack::LatencyType::Playback).1) / 48.0;
    let status = || -> Json {
        let state = daemon.state();
        let mut command = Command::new(env!("CARGO_BIN_EXE_longthrow"));
        let output = command.args(["status", "--json", "--state"]).arg(state).output().expect("it runs");
        serde_json::from_slice(&output.stdout).unwrap_or_default()
    };
    let mut figure = Json::Null;
    wait_until("the device has said how late it is", || {
        figure = status()["lip_sync"][0].clone();
        figure["device_ms"].as_f64().is_some_and(|ms| ms > 0.0)
            && figure["limiter_ms"].as_f64().is_some_and(|ms| ms > 0.0)
    });
    println!("the server says {expected:.3} ms: {figure}");
    assert!((figure["device_ms"].as_f64().expect("a figure") - expected).abs() < 0.06, "{figure} for {expected}");
    let [total, limiter] = ["total_ms", "limiter_ms"].map(|key| figure[key].as_f64().expect("a figure"));
    assert!((total - expected - limiter).abs() < 0.06, "{figure}");
    let mut command = Command::new(env!("CARGO_BIN_EXE_longthrow"));
    let shown = command.args(["status", "--state"]).arg(daemon.state()).output().expect("it runs").stdout;
    let shown = String::from_utf8_lossy(&shown).into_owned();
    let line = format!("Lip sync: feed is {:.1} ms late", figure["total_ms"].as_f64().expect("a figure"));
    assert!(shown.contains(&line), "{shown}");
}
