//! The whole program on a real JACK server: what goes in against what comes out.

#![allow(clippy::print_stdout, reason = "the tests say what they measured")]

mod support;

use longthrow::panel::osc::Argument;
use std::fmt::Write as _;
use std::process::Command;
use support::daemon::Daemon;
use support::jackd::{Catcher, Caught, Feeder, Jackd};
use support::signal::{Depth, depth, sample};
use support::{have, wait_until};

/// A rig with one JACK device of so many channels each way, linked to the test's feeder and catcher.
fn rig(server: &str, inputs: usize, outputs: usize) -> String {
    let names = |name: &str, count: usize| (1..=count).map(|n| format!("\"{name}:{n}\",")).collect::<String>();
    let mut text = format!(
        "form = 1\nkind = \"rig\"\nrate_hz = 48000\n[device.box]\nhost = \"jack\"\nidentity = \"{server}\"\n\
         inputs = {inputs}\noutputs = {outputs}\nlink_inputs = [{}]\nlink_outputs = [{}]\n",
        names("feeder", inputs),
        names("catcher", outputs)
    );
    for n in 1..=inputs {
        write!(text, "[input.in-{n}]\nkind = \"line\"\ndevice = \"box\"\nchannels = [{n}]\n").expect("a string");
    }
    for n in 1..=outputs / 2 {
        let (left, right) = (2 * n - 1, 2 * n);
        write!(text, "[output.out-{n}]\nkind = \"line\"\ndevice = \"box\"\nchannels = [{left}, {right}]\n")
            .expect("a string");
    }
    text
}

fn channel(id: &str, source: &str, pan: f32, bus: &str) -> String {
    format!(
        "[channel.{id}]\nlabel = \"{id}\"\nsource = \"{source}\"\nswitch = \"open\"\nfader = 0.0\npan = {pan:?}\n\
         assign.{bus} = \"on\"\n"
    )
}

const PROFILE: &str = "form = 1\nkind = \"profile\"\nname = \"test\"\n";

/// Waits until everything is linked and the outputs have come up from silence.
fn wait_until_heard(catcher: &Catcher, channel: usize) {
    wait_until("something is heard", || catcher.catch(256).channels[channel].iter().any(|x| x.abs() > 1e-6));
    // The outputs come up in 500 ms.
    catcher.catch(36_000);
}

fn peak(caught: &Caught, channel: usize) -> f32 {
    caught.channels[channel].iter().fold(0.0, |peak, x| x.abs().max(peak))
}

#[test]
fn thirty_two_inputs_leave_by_thirty_two_outputs_bit_exact_and_without_an_added_frame() {
    let Some(jackd) = Jackd::start(48_000, 256, 2) else { return };
    let feeder = Feeder::start(&jackd.name, "feeder", 32);
    let catcher = Catcher::start(&jackd.name, "catcher", 32);
    let mut profile = PROFILE.to_owned();
    for n in 1..=16 {
        profile += &channel(&format!("left-{n}"), &format!("in-{}", 2 * n - 1), -1.0, &format!("bus-{n}"));
        profile += &channel(&format!("right-{n}"), &format!("in-{}", 2 * n), 1.0, &format!("bus-{n}"));
        write!(profile, "[bus.bus-{n}]\n[output.out-{n}]\nsource = \"bus-{n}\"\n").expect("a string");
    }
    let daemon = Daemon::start(&rig(&jackd.name, 32, 32), None, &profile);
    daemon.await_lines("linked to", 64);
    wait_until_heard(&catcher, 0);
    jackd.freewheel(true);
    let caught = catcher.catch(240_000);
    jackd.freewheel(false);
    for channel in 0..32 {
        let wrong = caught
            .frames(channel)
            .filter(|(frame, heard)| {
                let fed = sample(depth(channel), channel, *frame);
                // A negative zero comes out of a sum as a positive one.
                heard.to_bits() != (fed + 0.0).to_bits()
            })
            .count();
        assert_eq!(wrong, 0, "channel {channel} of {:?}", depth(channel));
    }
    drop(daemon);
    drop(feeder);
}

/// Writes a WAV file with known samples: integers of 16 or 24 bits, or floats.
fn wav(path: &std::path::Path, depth: Depth, channels: u16, frames: u32) {
    let (bits_per_sample, sample_format) = match depth {
        Depth::Bits16 => (16, hound::SampleFormat::Int),
        Depth::Bits24 => (24, hound::SampleFormat::Int),
        Depth::Float => (32, hound::SampleFormat::Float),
    };
    let spec = hound::WavSpec { channels, sample_rate: 48_000, bits_per_sample, sample_format };
    let mut writer = hound::WavWriter::create(path, spec).expect("a file");
    for frame in 0..frames {
        for channel in 0..usize::from(channels) {
            let sample = sample(depth, channel, frame);
            match depth {
                Depth::Bits16 => writer.write_sample((sample * 32768.0) as i16),
                Depth::Bits24 => writer.write_sample((sample * 8_388_608.0) as i32),
                Depth::Float => writer.write_sample(sample),
            }
            .expect("written");
        }
    }
    writer.finalize().expect("finished");
}

#[test]
fn a_stereo_file_at_balance_centre_and_a_mono_one_panned_hard_come_out_bit_exact() {
    const FRAMES: u32 = 30_011;
    let Some(jackd) = Jackd::start(48_000, 256, 2) else { return };
    let catcher = Catcher::start(&jackd.name, "catcher", 4);
    for depth in [Depth::Bits16, Depth::Bits24, Depth::Float] {
        let sounds = tempfile::tempdir().expect("a temporary folder");
        wav(&sounds.path().join("stereo.wav"), depth, 2, FRAMES);
        wav(&sounds.path().join("mono.wav"), depth, 1, FRAMES);
        let mut rig = rig(&jackd.name, 0, 4);
        for (name, width) in [("stereo", 2), ("mono", 1)] {
            let file = sounds.path().join(name).with_extension("wav");
            write!(rig, "[input.{name}]\nkind = \"player\"\nfile = {file:?}\nlooped = true\nwidth = {width}\n")
                .expect("a string");
        }
        let profile = format!(
            "{PROFILE}{}{}[bus.other]\n[output.out-1]\nsource = \"programme\"\n[output.out-2]\nsource = \"other\"\n",
            channel("pair", "stereo", 0.0, "programme"),
            channel("single", "mono", 1.0, "other")
        );
        let daemon = Daemon::start(&rig, None, &profile);
        daemon.await_lines("linked to", 4);
        wait_until_heard(&catcher, 0);
        jackd.freewheel(true);
        let caught = catcher.catch(120_000);
        jackd.freewheel(false);
        // Left and right of the stereo file, silence on the far side of the mono one, the mono file.
        for (output, side) in [(0, Some(0)), (1, Some(1)), (2, None), (3, Some(0))] {
            let heard = &caught.channels[output];
            let Some(side) = side else {
                assert!(heard.iter().all(|x| *x == 0.0), "{depth:?}: the far side is not silent");
                continue;
            };
            let at = (0..FRAMES).find(|at| {
                (0..64).all(|n| heard[n as usize].to_bits() == (sample(depth, side, (at + n) % FRAMES) + 0.0).to_bits())
            });
            let at = at.unwrap_or_else(|| panic!("{depth:?}: output {output} does not carry its file"));
            // A player reads ahead of real time, and freewheel is faster than its disk thread: what is there is exact
            // until the first gap, and a gap is silence.
            let exact = heard
                .iter()
                .zip(0_u32..)
                .take_while(|(x, n)| x.to_bits() == (sample(depth, side, (at + n) % FRAMES) + 0.0).to_bits())
                .count();
            println!("{depth:?} output {output}: {exact} of {} frames exact", heard.len());
            assert!(exact >= 60_000, "{depth:?} output {output}: only {exact} frames exact");
        }
        drop(daemon);
        wait_until("the daemon has left", || support::jackd::ports(catcher.client(), "longthrow:").is_empty());
    }
}

#[test]
fn oscsend_moves_real_gains_and_pan_laws_hold_within_a_hundredth_of_a_db() {
    let Some(jackd) = Jackd::start(48_000, 256, 2) else { return };
    if !have(&["oscsend"]) {
        return;
    }
    let catcher = Catcher::start(&jackd.name, "catcher", 2);
    let tone = "[input.tone]\nkind = \"line\"\ngenerator = \"sine\"\nfrequency_hz = 997.0\nlevel_dbfs = -20.0\n";
    let daemon = Daemon::start(
        &(rig(&jackd.name, 0, 2) + tone),
        None,
        &(PROFILE.to_owned() + &channel("a", "tone", -1.0, "programme")),
    );
    daemon.await_lines("linked to", 2);
    wait_until_heard(&catcher, 0);
    let port = daemon.osc.port().to_string();
    let oscsend = |path: &str, kind: &str, value: &str| {
        let sent = Command::new("oscsend").args(["127.0.0.1", &port, path, kind, value]).status();
        assert!(sent.is_ok_and(|status| status.success()));
    };
    let settled = |path: &str, value: Argument| {
        wait_until("it is done", || daemon.ask(path) == value);
        // 300 ms: thirty time constants, after which a way to 0 has ended.
        catcher.catch(14_400);
        let caught = catcher.catch(9_600);
        [0, 1].map(|side| 20.0 * f64::from(peak(&caught, side)).log10())
    };
    for db in [-60.0_f32, -33.3, -12.5, -6.0, 0.0, 10.0] {
        oscsend("/channel/a/fader", "f", &db.to_string());
        let [left, _] = settled("/channel/a/fader", Argument::Float(db));
        assert!((left - (-20.0 + f64::from(db))).abs() < 0.01, "{db} dB gave {left}");
    }
    oscsend("/channel/a/fader", "s", "off");
    let [left, right] = settled("/channel/a/fader", Argument::Text("off".into()));
    assert!(left < -300.0 && right < -300.0, "off is off: {left} {right}");
    oscsend("/channel/a/fader", "f", "0");
    // check values D, closed forms: L = cos t, R = sin t; linear; and the square root of their product. Common practice, no source.
    for law in ["equal-power", "linear", "compromise"] {
        oscsend("/channel/a/pan-law", "s", law);
        for pan in [-1.0_f64, -0.5, 0.0, 0.5, 1.0] {
            oscsend("/channel/a/pan", "f", &pan.to_string());
            let heard = settled("/channel/a/pan", Argument::Float(pan as f32));
            let t = (pan + 1.0) * std::f64::consts::FRAC_PI_4;
            let (equal, linear) = ([t.cos(), t.sin()], [(1.0 - pan) / 2.0, (1.0 + pan) / 2.0]);
            for side in 0..2 {
                let gain = match law {
                    "equal-power" => equal[side],
                    "linear" => linear[side],
                    _ => (equal[side] * linear[side]).max(0.0).sqrt(),
                };
                let wanted = -20.0 + 20.0 * gain.log10();
                let off = if gain < 1e-9 {
                    (heard[side] > -300.0).into()
                } else {
                    f64::from((heard[side] - wanted).abs() > 0.01)
                };
                assert!(off < 0.5, "{law} at {pan}: side {side} {} instead of {wanted}", heard[side]);
            }
        }
    }
}

#[test]
fn the_sound_comes_back_when_the_server_is_killed_stopped_and_started_again() {
    let Some(mut jackd) = Jackd::start(48_000, 256, 2) else { return };
    let tone = "[input.tone]\nkind = \"line\"\ngenerator = \"sine\"\nfrequency_hz = 997.0\nlevel_dbfs = -20.0\n";
    let rig = rig(&jackd.name, 0, 2) + tone;
    let mut daemon = Daemon::start(&rig, None, &(PROFILE.to_owned() + &channel("a", "tone", 0.0, "programme")));
    for round in 1..=2 {
        let catcher = Catcher::start(&jackd.name, "catcher", 2);
        daemon.await_lines("is there: 48000 Hz", 2 * round - 1);
        wait_until("the tone is heard again", || (peak(&catcher.catch(4_800), 0) - 0.0707).abs() < 0.001);
        jackd.signal("STOP");
        daemon.await_lines("it stopped calling", round);
        std::thread::sleep(std::time::Duration::from_millis(500));
        jackd.signal("CONT");
        daemon.await_lines("is there: 48000 Hz", 2 * round);
        wait_until("the tone is heard again", || (peak(&catcher.catch(4_800), 0) - 0.0707).abs() < 0.001);
        drop(catcher);
        jackd.kill();
        daemon.await_lines("the JACK server has ended", round);
        assert_eq!(daemon.ask("/channel/a/fader"), Argument::Float(0.0), "the desk answers meanwhile");
        jackd.start_again();
    }
    assert!(daemon.runs());
    assert_eq!(daemon.stop(), Some(0));
}
