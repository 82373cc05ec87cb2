//! Panic ladder and edited profiles: nothing that they do is louder than before in one step or opens a microphone or a guest,
//! and no panic waits.
//!
//! Sums and levels against the closed form: two equal ways into a bus are 20 log10 2 = 6.02 dB more than one. Times: design of the
//! desk (back from silence 500 ms).

#![allow(clippy::print_stdout, reason = "the tests say what they measured")]

#[path = "support/show.rs"]
#[allow(dead_code, reason = "each test uses a part of it")]
mod show;

use longthrow::daemon::offline::{Buffers, Offline};
use longthrow::daemon::sending::Sending;
use longthrow::desk::{Desk, Event, engine_settings};
use longthrow::dsp::lanes::Vectors;
use longthrow::engine::{Engine, Feed};
use longthrow::handoff::crossing;
use longthrow::params::{Address, Value};
use longthrow::profile::{InputKind, Installation, PanicLadder};
use longthrow::units::Frames;
use show::{RATE, id, installation, set};

const MS: usize = 48;

fn word(text: &str) -> Value {
    Value::Word(text.into())
}

fn value(desk: &Desk, path: &str) -> String {
    desk.value(&Address::from_dotted(path).expect(path)).map_or_else(|| "nothing".to_owned(), |value| value.to_string())
}

fn ladder(lines: &str, safe: &[(&str, f32)], fallback: Option<&str>) -> Installation {
    let mut installation = installation(4, lines);
    let safe = safe.iter().map(|(name, level)| (id(name), *level)).collect();
    installation.profile.console.panic = PanicLadder { host: None, safe, fallback: fallback.map(id) };
    installation
}

fn level(samples: &[f32]) -> f32 {
    20.0 * samples.iter().fold(0.0_f32, |most, sample| most.max(sample.abs())).max(1e-9).log10()
}

/// What comes out on the left of steady inputs.
fn left_of(desk: &mut Offline, end: usize) -> Vec<f32> {
    let mut buffers =
        Buffers { inputs: vec![vec![0.1; end]; 4], outputs: vec![vec![0.0; end]; 2], ..Buffers::default() };
    while buffers.offset < end {
        buffers.frames = 480.min(end - buffers.offset);
        desk.process(&mut buffers);
        buffers.offset += buffers.frames;
    }
    buffers.outputs.swap_remove(0)
}

/// Steady inputs through desk and engine; what comes out on the left, and the desk afterwards.
fn heard(installation: Installation, events: &[(usize, &str, Value)], ms: usize) -> (Vec<f32>, Offline) {
    let end = ms * MS;
    let mut desk = Offline::new(installation, RATE, Vectors::widest(), Box::new(|_, _, _| Feed::Silent));
    for (at, path, value) in events {
        desk.at(Frames((at * MS) as u64), set(path, value.clone()));
    }
    (left_of(&mut desk, end), desk)
}

/// The most that the level rises within 20 ms, dB, from `from` ms on; sound out of silence counts from -60 dBFS on.
fn steepest(samples: &[f32], from: usize) -> f32 {
    let levels: Vec<f32> = samples[from * MS..].chunks(5 * MS).map(|piece| level(piece).max(-80.0)).collect();
    levels.windows(5).map(|five| five[4] - five[0]).fold(0.0, f32::max)
}

const GROUPED: &str = "bus.programme.fader = 0.0\nbus.talk.fader = 0.0\nbus.talk.assign.programme = on\nbus.inner.fader = 0.0\n\
    bus.inner.assign.talk = on\nchannel.a.source = in-1\nchannel.a.switch = open\nchannel.a.fader = -10.0\n";

#[test]
fn a_safe_mix_reaches_the_programme_once_by_whichever_ways_it_came_before() {
    for ways in [
        &["channel.a.assign.talk = on"][..],
        &["channel.a.assign.inner = on"],
        &["channel.a.assign.programme = on", "channel.a.assign.talk = on"],
        &["channel.a.send.level.inner = 0.0", "channel.a.assign.programme = on"],
        &["channel.a.send.level.talk = -6.0"],
        &["channel.a.send.level.programme = -6.0", "channel.a.send.point.programme = pre-fader"],
    ] {
        let lines = format!("{GROUPED}{}\n", ways.join("\n"));
        let (sound, desk) =
            heard(ladder(&lines, &[("a", -4.0)], None), &[(1_000, "desk.panic", word("safe-mix"))], 2_500);
        let before = level(&sound[900 * MS..1_000 * MS]);
        let most = level(&sound[1_000 * MS..1_050 * MS]);
        let after = level(&sound[2_000 * MS..]);
        println!("{ways:?}: {before:.2} dBFS before, {most:.2} in the first 50 ms, {after:.2} in the end");
        // 50 ms of the glide up from there are in it.
        assert!(most < before + 1.0, "{ways:?}: {most} after {before}");
        // 0.1 is -20 dBFS, its fader -4 dB, the middle of the pan law -3.01 dB.
        assert!((after + 27.01).abs() < 0.1, "{ways:?}: {after}");
        assert!(steepest(&sound, 1_000) < 6.0, "{ways:?}: {} dB in 20 ms", steepest(&sound, 1_000));
        for bus in ["talk", "inner"] {
            assert_eq!(value(desk.desk(), &format!("channel.a.assign.{bus}")), "off");
            assert_eq!(value(desk.desk(), &format!("channel.a.send.level.{bus}")), "off");
        }
        assert_eq!(value(desk.desk(), "channel.a.assign.programme"), "on");
    }
}

#[test]
fn a_group_that_is_assigned_while_it_plays_is_known_to_the_ladder() {
    let lines = format!("{GROUPED}bus.late.fader = 0.0\nchannel.a.assign.late = on\n");
    let events = [(500, "bus.late.assign.programme", word("on")), (1_000, "desk.panic", word("safe-mix"))];
    let (sound, _) = heard(ladder(&lines, &[("a", -10.0)], None), &events, 2_500);
    let (before, after) = (level(&sound[900 * MS..1_000 * MS]), level(&sound[2_000 * MS..]));
    assert!((after - before).abs() < 0.1, "{before} before, {after} after");
}

#[test]
fn no_rung_opens_a_guest_or_a_microphone_and_a_player_comes_up_from_silence() {
    for kind in [InputKind::Guest, InputKind::Microphone, InputKind::Player] {
        let lines = "bus.programme.fader = 0.0\nchannel.a.source = in-1\nchannel.a.fader = 0.0\n";
        for (rung, safe, fallback) in [("safe-mix", &[("a", 0.0)][..], None), ("fallback", &[][..], Some("a"))] {
            let mut installation = ladder(lines, safe, fallback);
            installation.rig.inputs[0].kind = kind;
            let (sound, desk) = heard(installation, &[(1_000, "desk.panic", word(rung))], 2_500);
            let switch = value(desk.desk(), "channel.a.switch");
            if kind == InputKind::Player {
                assert_eq!(switch, "open");
                assert!((level(&sound[2_000 * MS..]) + 23.01).abs() < 0.1, "{rung}");
                // -60 to 0 dB in 500 ms are 2.4 dB in 20 ms; the first step out of silence is from under -80 dBFS to -83.
                assert!(steepest(&sound, 1_000) < 6.0, "{rung}: {} dB in 20 ms", steepest(&sound, 1_000));
                let arrives = sound.iter().position(|sample| level(&[*sample]) > -23.2).expect("it arrives") / MS;
                println!("{rung}: the player arrives after {} ms", arrives - 1_000);
                assert!((500..800).contains(&(arrives - 1_000)));
            } else {
                assert_eq!(switch, "closed", "{kind:?} by {rung}");
                assert!(sound.iter().all(|sample| *sample == 0.0), "{kind:?} by {rung}");
            }
        }
    }
}

#[test]
fn the_fallback_is_as_loud_as_the_profile_prepares_it_or_as_it_is_up_to_0_db() {
    let lines = |fader: &str| {
        format!(
            "bus.programme.fader = -3.0\nchannel.a.source = in-1\n{fader}channel.b.source = in-2\nchannel.b.fader = 0.0\n"
        )
    };
    for (prepared, moved, wanted) in [
        ("channel.a.fader = -8.0\n", None, "-8.0"),
        ("channel.a.fader = -8.0\n", Some(-30.0), "-8.0"),
        ("", Some(-12.0), "-12.0"),
        ("", Some(6.0), "0.0"),
    ] {
        let mut events = vec![(1_000, "desk.panic", word("fallback"))];
        events.extend(moved.map(|db| (500, "channel.a.fader", Value::Number(db))));
        let (_, desk) = heard(ladder(&lines(prepared), &[], Some("a")), &events, 2_500);
        assert_eq!(value(desk.desk(), "channel.a.fader"), wanted, "prepared: {prepared:?}, moved: {moved:?}");
        assert_eq!(value(desk.desk(), "bus.programme.fader"), "-3.0", "as it was prepared");
    }
}

#[test]
fn what_a_recall_had_on_its_way_goes_no_further_after_a_panic() {
    let mut desk = Desk::new(ladder(GROUPED, &[("a", -20.0)], None), RATE);
    let values = vec![(Address::from_dotted("channel.a.fader").expect("one"), Value::Number(6.0))];
    let by = longthrow::desk::By::Message { may_open_microphones: true };
    desk.handle(Frames(0), Event::Recall { what: longthrow::desk::Recall::Mix { values, fade_s: 1.0 }, by });
    assert!(desk.fading());
    desk.handle(Frames(4_800), set("desk.panic", word("safe-mix")));
    for ms in 0..3_000 {
        desk.handle(Frames(4_800 + ms * 48), Event::Deadline);
    }
    assert_eq!(value(&desk, "channel.a.fader"), "-20.0");
}

#[test]
fn people_read_levels_and_numbers_without_digits_that_say_nothing() {
    use longthrow::words;
    assert_eq!(words::level(-150.0), "silence");
    assert_eq!(words::level(-27.692_307), "-28 dBFS");
    // What is said of a level in a sentence, too.
    let said = [words::why::no_signal("a", -150.0, "look"), words::why::bus_takes("b", -150.0, &[], -1.0)];
    assert!(said.iter().all(|said| said.contains("silence") && !said.contains("150")), "{said:?}");
    assert_eq!([-27.692_307, 0.0, 0.02].map(words::number), ["-27.7", "0.0", "0.020"]);
    let junk = longthrow::ports::archive::read(&[0x9f_u8; 1_024][..]).expect_err("no archive");
    assert_eq!(junk, "it is no tar archive, or a damaged one");
}

/// "undo" after "keep" reads the profile of before again.
#[test]
fn an_edited_profile_raises_by_a_glide_lowers_at_once_and_opens_no_guest() {
    let edited = |fader: &str, b: &str, guest: &str| {
        let lines = format!(
            "bus.programme.fader = 0.0\nchannel.a.source = in-1\nchannel.a.switch = open\nchannel.a.fader = {fader}\n\
             channel.a.assign.programme = on\nchannel.b.source = in-2\nchannel.b.switch = {b}\nchannel.b.fader = -10.0\n\
             channel.b.assign.programme = on\nchannel.guest.source = in-3\nchannel.guest.switch = {guest}\n\
             channel.guest.fader = 0.0\nchannel.guest.assign.programme = on\n"
        );
        let mut installation = ladder(&lines, &[], None);
        installation.rig.inputs[1].kind = InputKind::Player;
        installation.rig.inputs[2].kind = InputKind::Guest;
        installation
    };
    let start = edited("-30.0", "closed", "closed");
    for (what, then, wanted) in [
        ("a raise", edited("0.0", "closed", "closed"), -23.01),
        ("a player", edited("-30.0", "open", "closed"), -32.15),
        ("a guest", edited("-30.0", "closed", "open"), -53.01),
    ] {
        let end = 2_500 * MS;
        let mut desk = Offline::new(start.clone(), RATE, Vectors::widest(), Box::new(|_, _, _| Feed::Silent));
        let install =
            |installation: Installation| Event::Install { installation: Box::new(installation), reread: true };
        desk.at(Frames((1_000 * MS) as u64), install(then.clone()));
        desk.at(Frames((2_200 * MS) as u64), install(start.clone()));
        let sound = &left_of(&mut desk, end);
        let (after, again) = (level(&sound[2_000 * MS..2_200 * MS]), level(&sound[2_300 * MS..]));
        println!(
            "{what}: {after:.2} dBFS in the end, {:.2} dB in 20 ms at most",
            steepest(&sound[..2_200 * MS], 1_000)
        );
        assert!((after - wanted).abs() < 0.1, "{what}: {after}");
        assert!(steepest(&sound[..2_200 * MS], 1_000) < 3.0, "{what}");
        assert!((again + 53.01).abs() < 0.1, "{what}: down at once, {again}");
        assert_eq!(value(desk.desk(), "channel.guest.switch"), "closed");
    }
}

#[test]
fn the_screen_says_that_a_rung_is_in_force_until_the_prepared_mix_is_back() {
    let mut desk = Desk::new(ladder(GROUPED, &[("a", -10.0)], None), RATE);
    let panic = |desk: &Desk| desk.status(&longthrow::desk::Facts::default()).panic;
    assert_eq!(panic(&desk), None);
    desk.handle(Frames(0), set("desk.panic", word("safe-mix")));
    assert_eq!(panic(&desk).as_deref(), Some("safe-mix"));
    desk.handle(Frames(0), set("desk.restore", word("on")));
    assert_eq!(panic(&desk), None);
}

#[test]
fn the_remedy_for_a_device_is_about_what_it_is_reached_by() {
    for (host, remedy) in [
        (longthrow::profile::Host::Application, "PipeWire"),
        (longthrow::profile::Host::Jack, "JACK server"),
        (longthrow::profile::Host::Alsa, "plug"),
    ] {
        let mut installation = ladder(GROUPED, &[], None);
        installation.rig.devices[0].host = host;
        let mut desk = Desk::new(installation, RATE);
        desk.handle(Frames(0), Event::DeviceAway { device: id("box") });
        let wrong = desk.status(&longthrow::desk::Facts::default()).wrong;
        assert!(wrong.iter().any(|wrong| wrong.remedy.contains(remedy)), "{wrong:?}");
        assert_eq!(wrong.iter().any(|wrong| wrong.remedy.contains("plug")), remedy == "plug");
    }
}

/// The ring of batches is full of faders, as while a long callback runs; then a hand takes a rung.
#[test]
fn a_panic_takes_effect_at_the_next_tick_behind_a_full_ring_of_fader_batches() {
    for plan_under_way in [false, true] {
        let mut installation = ladder(&format!("{GROUPED}channel.a.assign.programme = on\n"), &[("a", -10.0)], None);
        installation.rig.inputs[0].kind = InputKind::Microphone;
        let (mut console, _meters, mut seat) = crossing(Engine::new(engine_settings(RATE, Vectors::widest())));
        let mut desk = Desk::new(installation.clone(), RATE);
        let mut sending = Sending::default();
        let mut wires =
            Buffers { inputs: vec![vec![0.1; 16]; 4], outputs: vec![vec![0.0; 16]; 2], offset: 0, frames: 16 };
        let mut frame = 0;
        let feed = |spec: &longthrow::desk::FeedSpec| match spec {
            longthrow::desk::FeedSpec::Wires(left, right) => Feed::Wires(*left, *right),
            _ => Feed::Silent,
        };
        let mut tick = |desk: &mut Desk, console: &mut longthrow::handoff::Console, sending: &mut Sending| {
            let mut echoed = None;
            sending.send(desk, console, feed);
            seat.process(&mut wires, 0);
            while let Some(echo) = console.echo() {
                desk.handle(Frames(frame), Event::Echo { sequence: echo.sequence, frame: Frames(echo.frame) });
                echoed = Some((echo.sequence, echo.frame));
            }
            frame += 16;
            (echoed, wires.outputs[0].clone())
        };
        desk.handle(Frames(0), set("channel.a.switch", word("open")));
        for _ in 0..3_000 {
            tick(&mut desk, &mut console, &mut sending);
        }
        let now = Frames(48_000);
        if plan_under_way {
            let mut more = installation;
            more.profile.channels.push(longthrow::profile::Channel { id: id("late"), was: None, label: String::new() });
            more.profile.values.insert(Address::from_dotted("channel.late.source").expect("one"), word("in-2"));
            desk.handle(now, Event::Install { installation: Box::new(more), reread: true });
        }
        let mut moves = 0;
        while !sending.is_waiting() {
            // Never the same twice, and the last one as loud as can be.
            #[expect(clippy::cast_precision_loss, reason = "few")]
            let db = -(moves as f32) / 100.0;
            desk.handle(now, set("channel.a.fader", Value::Number(db)));
            sending.send(&mut desk, &mut console, feed);
            moves += 1;
            assert!(moves < 5_000, "the ring has an end");
        }
        desk.handle(now, set("channel.a.fader", Value::Number(10.0)));
        desk.handle(now, set("desk.panic", word("close-microphones")));
        let last = desk.next_sequence();
        let (echoed, _) = tick(&mut desk, &mut console, &mut sending);
        let (sequence, at) = echoed.expect("something was taken in");
        println!(
            "{moves} batches filled the ring; plan under way: {plan_under_way}; the panic is number {last}, taken in at {at}"
        );
        assert!(sequence >= last, "the panic was taken in at the next tick, not only {sequence}");
        assert_eq!(at, 48_000);
        // Closed in 5 ms: 15 ticks of 16 frames and one.
        let mut sound = Vec::new();
        for _ in 0..40 {
            sound = tick(&mut desk, &mut console, &mut sending).1;
        }
        assert!(sound.iter().all(|sample| *sample == 0.0), "and nothing older opens it again: {sound:?}");
    }
}
