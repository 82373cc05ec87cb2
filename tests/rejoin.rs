//! What waits for a hand, and what no hand did: values that wait until a channel is closed, microphones, and how controls
//! take over after a profile, a panel file or a panel changed.

#![allow(clippy::print_stdout, reason = "the tests say what they measured")]

#[path = "support/show.rs"]
#[allow(dead_code, reason = "each test uses a part of it")]
mod show;

use longthrow::desk::{Desk, Effects, Event};
use longthrow::panel::PortIndex;
use longthrow::params::{Address, Value};
use longthrow::profile::{
    Control, ControlKind, ControlPort, InputFrom, InputKind, Installation, Message, Move, Reach, Rejoin,
};
use longthrow::units::Frames;
use show::{RATE, id, installation, set};

const OPEN: &str =
    "channel.a.source = in-1\nchannel.a.switch = open\nchannel.a.fader = 0.0\nchannel.a.assign.programme = on\n";

/// The first two inputs are microphones.
fn with_microphones(lines: &str) -> Installation {
    let mut installation = installation(4, lines);
    installation.rig.inputs[0].kind = InputKind::Microphone;
    installation.rig.inputs[1].kind = InputKind::Microphone;
    installation
}

fn named(mut installation: Installation, name: &str) -> Installation {
    name.clone_into(&mut installation.profile.name);
    installation
}

fn address(path: &str) -> Address {
    Address::from_dotted(path).expect(path)
}

fn value(desk: &Desk, path: &str) -> Option<Value> {
    desk.value(&address(path))
}

fn word(text: &str) -> Value {
    Value::Word(text.into())
}

fn install(desk: &mut Desk, installation: Installation, reread: bool) -> Effects {
    desk.handle(Frames(0), Event::Install { installation: Box::new(installation), reread })
}

fn live(desk: &Desk) -> bool {
    desk.is_open_on_air(&id("a"))
}

// ---- values that wait until a channel is closed ----

#[test]
fn what_waits_for_a_closing_never_opens_what_a_hand_has_just_closed() {
    for closing in [("fader", Value::Off), ("switch", word("closed")), ("assign.programme", word("off"))] {
        let mut desk = Desk::new(with_microphones(OPEN), RATE);
        desk.handle(Frames(0), set("channel.a.switch", word("open")));
        // The other profile wants another level, and another way to the air.
        let other = OPEN.replace("0.0", "-6.0") + "channel.a.pan = 0.5\nchannel.a.assign.audition = on\n";
        install(&mut desk, named(with_microphones(&other), "other"), false);
        assert!(live(&desk) && desk.waiting().count() == 1);
        desk.handle(Frames(0), set(&format!("channel.a.{}", closing.0), closing.1.clone()));
        assert!(!live(&desk), "closed by its {} and open again", closing.0);
        assert_eq!(value(&desk, "channel.a.pan"), Some(Value::Number(0.5)), "what waited is there now");
        assert_eq!(desk.waiting().count(), 0);
    }
}

#[test]
fn a_channel_that_a_profile_itself_opens_has_all_its_values_at_once() {
    let closed = OPEN.replace("switch = open", "switch = closed");
    let mut desk = Desk::new(installation(4, &closed), RATE);
    let effects = install(&mut desk, named(installation(4, &format!("{OPEN}channel.a.pan = 0.5\n")), "other"), false);
    assert_eq!(value(&desk, "channel.a.pan"), Some(Value::Number(0.5)));
    assert_eq!(desk.waiting().count(), 0, "{:?}", effects.notes);
}

#[test]
fn a_left_over_channel_that_comes_back_keeps_its_values_until_it_is_closed() {
    let mut desk = Desk::new(installation(4, OPEN), RATE);
    desk.handle(Frames(0), set("channel.a.fader", Value::Number(-12.0)));
    let without = OPEN.replace("channel.a", "channel.b");
    install(&mut desk, installation(4, &without), true);
    assert_eq!(desk.left_over().len(), 1);
    install(&mut desk, installation(4, &format!("{OPEN}{without}")), true);
    assert_eq!(desk.left_over().len(), 0);
    assert_eq!(value(&desk, "channel.a.fader"), Some(Value::Number(-12.0)), "it is on air");
    desk.handle(Frames(0), set("channel.a.switch", word("closed")));
    assert_eq!(value(&desk, "channel.a.fader"), Some(Value::Number(0.0)));
}

#[test]
fn an_edit_overtakes_what_waited_for_the_same_parameter() {
    let mut desk = Desk::new(installation(4, OPEN), RATE);
    let other = |level: &str| named(installation(4, &OPEN.replace("0.0", level)), "other");
    install(&mut desk, other("-6.0"), false);
    install(&mut desk, other("-8.0"), true);
    assert_eq!(value(&desk, "channel.a.fader"), Some(Value::Number(-8.0)), "its text changed");
    desk.handle(Frames(0), set("channel.a.switch", word("closed")));
    assert_eq!(value(&desk, "channel.a.fader"), Some(Value::Number(-8.0)), "the older text came back");
}

#[test]
fn what_waits_goes_along_with_a_new_name() {
    let mut desk = Desk::new(installation(4, OPEN), RATE);
    let lines = OPEN.replace("0.0", "-6.0");
    install(&mut desk, named(installation(4, &lines), "other"), false);
    let mut renamed = named(installation(4, &lines.replace("channel.a", "channel.z")), "other");
    renamed.profile.channels[0].was = Some(id("a"));
    install(&mut desk, renamed, true);
    assert_eq!(value(&desk, "channel.z.fader"), Some(Value::Number(0.0)), "it is on air");
    desk.handle(Frames(0), set("channel.z.switch", word("closed")));
    assert_eq!(value(&desk, "channel.z.fader"), Some(Value::Number(-6.0)));
}

#[test]
fn an_old_rename_takes_no_channel_off_the_air() {
    // Two channels; the next profile has one of them, which was called like the other once.
    let both = format!("{OPEN}{}", OPEN.replace("channel.a", "channel.b"));
    let mut desk = Desk::new(installation(4, &both), RATE);
    let mut one = named(installation(4, &OPEN.replace("channel.a", "channel.b")), "other");
    one.profile.channels[0].was = Some(id("a"));
    install(&mut desk, one, false);
    assert!(live(&desk), "a was open on air and is nobody's old name: b was there all along");
    assert_eq!(desk.left_over().len(), 1);
}

#[test]
fn a_left_over_channel_goes_when_the_rig_no_longer_has_its_input() {
    let mut desk = Desk::new(installation(4, OPEN), RATE);
    let mut without = named(installation(4, &OPEN.replace("channel.a", "channel.b").replace("in-1", "in-2")), "other");
    install(&mut desk, without.clone(), false);
    assert_eq!(desk.left_over().len(), 1);
    without.rig.inputs.remove(0);
    let effects = install(&mut desk, without, true);
    assert_eq!(desk.left_over().len(), 0);
    assert!(effects.notes.iter().any(|note| note.contains("channel a")), "{:?}", effects.notes);
}

// ---- microphones ----

#[test]
fn a_restore_closes_a_microphone_on_a_channel_that_the_profile_has_open_on_a_line() {
    let lines = OPEN.replace("in-1", "in-3");
    let kept = vec![(address("channel.a.source"), word("in-1")), (address("channel.a.switch"), word("open"))];
    for microphones_open in [false, true] {
        let mut desk = Desk::new(with_microphones(&lines), RATE);
        assert!(live(&desk));
        desk.handle(Frames(0), Event::Restore { values: kept.clone(), microphones_open });
        assert!(desk.is_microphone("a"));
        assert_eq!(live(&desk), microphones_open);
    }
    // One whose switch was not kept as open was not open.
    let mut desk = Desk::new(with_microphones(&lines), RATE);
    desk.handle(Frames(0), Event::Restore { values: kept[..1].to_vec(), microphones_open: true });
    assert!(!live(&desk));
}

#[test]
fn no_edit_puts_another_microphone_on_an_open_channel() {
    let on_air = || {
        let mut desk = Desk::new(with_microphones(OPEN), RATE);
        desk.handle(Frames(0), set("channel.a.switch", word("open")));
        assert!(live(&desk));
        desk
    };
    // By the profile's source.
    let mut desk = on_air();
    install(&mut desk, with_microphones(&OPEN.replace("in-1", "in-2")), true);
    assert!(!live(&desk), "the second microphone was opened by an edit of the profile");
    // By the rig: the input means other wires now.
    let mut desk = on_air();
    let mut rewired = with_microphones(OPEN);
    rewired.rig.inputs[0].from = InputFrom::Device { device: id("box"), channels: vec![1] };
    install(&mut desk, rewired, true);
    assert!(!live(&desk), "the second microphone was opened by an edit of the rig");
    // What was heard before stays, whatever it is called now.
    let mut desk = Desk::new(installation(4, OPEN), RATE);
    install(&mut desk, with_microphones(OPEN), true);
    assert!(live(&desk), "the same wires were open before");
}

// ---- controls ----

/// So many faders `f1`.. on a serial port, controllers 1.., that move the channel faders named.
fn with_faders(rejoin: Rejoin, controls: &[u8], targets: &[(&str, &str)], lines: &str) -> Installation {
    let mut installation = installation(4, lines);
    installation.rig.control_ports =
        vec![ControlPort { id: id("panel"), reach: Reach::Serial { path: "/dev/none".into(), baud: 31_250 } }];
    let control = |number: &u8| Control {
        id: id(&format!("f{number}")),
        place: String::new(),
        kind: ControlKind::Fader,
        port: id("panel"),
        message: Message::ControlChange { channel: 0, number: *number },
        calibration: None,
        travel_mm: 100.0,
        feedback: false,
    };
    installation.panel.controls = controls.iter().map(control).collect();
    let moves = targets.iter().map(|(control, target)| Move {
        control: id(control),
        target: address(target),
        response: None,
        step: None,
        rejoin,
    });
    installation.profile.moves = moves.collect();
    installation
}

fn one_fader(rejoin: Rejoin) -> Desk {
    Desk::new(with_faders(rejoin, &[1], &[("f1", "channel.a.fader")], OPEN), RATE)
}

fn slide(desk: &mut Desk, now: u64, control: u8, to: u8) {
    desk.handle(Frames(now), Event::Midi { port: PortIndex(0), bytes: vec![0xB0, control, to] });
}

fn level(desk: &Desk) -> f32 {
    value(desk, "channel.a.fader").expect("there").decibels().get()
}

#[test]
fn places_are_remembered_by_the_control_and_not_by_its_number_in_the_file() {
    let targets = [("f1", "channel.a.fader"), ("f2", "channel.a.trim")];
    let mut desk = Desk::new(with_faders(Rejoin::Meet, &[1, 2], &targets, OPEN), RATE);
    for place in [90, 96, 97] {
        slide(&mut desk, 0, 1, place);
    }
    slide(&mut desk, 0, 2, 127);
    let before = level(&desk);
    assert!(before > 0.0, "joined");
    install(&mut desk, with_faders(Rejoin::Meet, &[2, 1], &targets, OPEN), true);
    slide(&mut desk, 0, 1, 100);
    assert!(level(&desk) > before, "the fader had the value and still has it");
}

#[test]
fn a_panel_that_comes_back_with_its_faders_at_the_bottom_closes_nothing() {
    for rejoin in [Rejoin::Meet, Rejoin::Converge, Rejoin::AtOnce] {
        let mut desk = one_fader(rejoin);
        desk.handle(Frames(0), Event::PortFound { port: PortIndex(0) });
        slide(&mut desk, 100, 1, 0);
        assert!(live(&desk), "{rejoin:?}: a report took the channel off the air");
        // Then it is a hand: up waits (but for at-once), and the bottom closes.
        slide(&mut desk, 200, 1, 5);
        slide(&mut desk, 300, 1, 0);
        assert!(!live(&desk), "{rejoin:?}: the bottom stop always closes");
    }
    // Long after it was found the first word is a hand's.
    let mut desk = one_fader(Rejoin::Meet);
    desk.handle(Frames(0), Event::PortFound { port: PortIndex(0) });
    slide(&mut desk, 48_000 * 60, 1, 0);
    assert!(!live(&desk), "the bottom stop always closes");
}

#[test]
fn a_latching_switch_that_reports_itself_opens_and_closes_nothing() {
    for (bytes, open) in [(vec![0x90, 5, 127], false), (vec![0x90, 5, 0], true)] {
        let mut installation =
            with_faders(Rejoin::Meet, &[1], &[("f1", "channel.a.switch")], &OPEN.replace("open", "closed"));
        installation.panel.controls[0].kind = ControlKind::Latching;
        installation.panel.controls[0].message = Message::Note { channel: 0, number: 5 };
        let mut desk = Desk::new(installation, RATE);
        desk.handle(Frames(0), set("channel.a.switch", word(if open { "open" } else { "closed" })));
        desk.handle(Frames(0), Event::PortFound { port: PortIndex(0) });
        desk.handle(Frames(10), Event::Midi { port: PortIndex(0), bytes });
        assert_eq!(live(&desk), open);
    }
}

#[test]
fn a_move_down_never_raises_whatever_the_way_of_rejoining() {
    // Every pair of neighbouring places, against every value near and far, in every way.
    for rejoin in [Rejoin::Meet, Rejoin::Converge, Rejoin::AtOnce] {
        for start in (4..=124_u8).step_by(3) {
            for step in [1, 2, 9, 40] {
                for offset in [-30.0, -3.0, -0.3, -0.1, 0.0, 0.1, 0.3, 3.0, 30.0_f32] {
                    let mut desk = one_fader(rejoin);
                    slide(&mut desk, 0, 1, start);
                    desk.handle(Frames(0), set("channel.a.fader", Value::Number(0.0)));
                    let stands = longthrow::params::house_fader(
                        longthrow::units::Travel::clamped(f32::from(start) / 127.0),
                        false,
                    );
                    let number = (stands.get() + offset).clamp(-90.0, 10.0);
                    desk.handle(Frames(0), set("channel.a.fader", Value::Number(number)));
                    let before = level(&desk);
                    slide(&mut desk, 0, 1, start.saturating_sub(step));
                    assert!(
                        level(&desk) <= before,
                        "{rejoin:?}: {start} down by {step} raised {before} to {}",
                        level(&desk)
                    );
                }
            }
        }
    }
}

// ---- recalls ----

/// Random, and the same every time.
struct Chance(u64);

impl Chance {
    fn below(&mut self, limit: u64) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % limit
    }
}

const RECALLS: u64 = 200;
/// Closing takes 5 ms and waits for at most one tick; the promise is 20 ms.
const CLOSED_WITHIN: u64 = 960;

#[test]
fn recalls_raise_nothing_without_a_hand_and_the_bottom_stop_closes_in_time() {
    use longthrow::daemon::offline::{Buffers, Offline};
    use longthrow::dsp::lanes::Vectors;
    use longthrow::engine::Feed;

    const FADERS: [&str; 4] = ["a", "b", "c", "d"];
    let mut chance = Chance(4);
    let (mut highest_raise, mut latest) = (0.0_f32, 0);
    for recall in 0..RECALLS {
        let rejoin = [Rejoin::Meet, Rejoin::Converge, Rejoin::AtOnce][chance.below(3) as usize];
        // Alone on air in turn, so that the silence of the one that is closed is silence.
        let on_air = chance.below(4) as usize;
        let mut show = |name: &str| {
            let line = |(n, channel): (usize, &&str)| {
                let level = -0.1 * chance.below(600) as f32;
                let assign = if n == on_air { "on" } else { "off" };
                format!(
                    "channel.{channel}.source = in-1\nchannel.{channel}.switch = open\nchannel.{channel}.fader = \
                     {level}\nchannel.{channel}.assign.programme = {assign}\n"
                )
            };
            let lines: String = FADERS.iter().enumerate().map(line).collect();
            let paths: Vec<String> = FADERS.iter().map(|channel| format!("channel.{channel}.fader")).collect();
            let names = ["f1", "f2", "f3", "f4"];
            let targets: Vec<(&str, &str)> = names.into_iter().zip(paths.iter().map(String::as_str)).collect();
            named(with_faders(rejoin, &[1, 2, 3, 4], &targets, &lines), name)
        };
        let (first, second) = (show("one"), show("two"));
        let no_files = Box::new(|_: &std::path::Path, _: bool, _: bool| Feed::default());
        let mut desk = Offline::new(first, RATE, Vectors::widest(), no_files);
        let mut buffers =
            Buffers { inputs: vec![vec![0.5; 48_000]], outputs: vec![vec![0.0; 48_000]; 2], offset: 0, frames: 48_000 };
        let says = |control: u8, to: u8| Event::Midi { port: PortIndex(0), bytes: vec![0xB0, control, to] };
        let at = |chance: &mut Chance, from: u64, to: u64| Frames(from + chance.below(to - from));
        let places: Vec<u8> = (0..4).map(|_| 4 + chance.below(124) as u8).collect();
        for (control, place) in (1..).zip(&places) {
            desk.at(at(&mut chance, 26_000, 27_000), says(control, place.saturating_sub(2)));
            desk.at(at(&mut chance, 27_000, 28_000), says(control, *place));
        }
        desk.at(Frames(28_000), Event::Install { installation: Box::new(second), reread: false });
        // The panel comes back and says where everything stands; once more for good measure.
        let repeats = chance.below(3);
        if repeats > 0 {
            desk.at(Frames(28_500), Event::PortFound { port: PortIndex(0) });
        }
        for again in 0..=repeats {
            for (control, place) in (1..).zip(&places) {
                desk.at(Frames(29_000 + 100 * again), says(control, *place));
            }
        }
        let bottom = at(&mut chance, 34_000, 36_000);
        desk.at(bottom, says(u8::try_from(on_air).expect("one of four") + 1, 0));
        let drive = |desk: &mut Offline, buffers: &mut Buffers, to: u64| {
            buffers.offset = usize::try_from(desk.frame()).expect("a second");
            buffers.frames = usize::try_from(to).expect("a second") - buffers.offset;
            desk.process(buffers);
        };
        let levels = |desk: &Offline| -> Vec<f32> {
            let path = |channel: &&str| value(desk.desk(), &format!("channel.{channel}.fader")).expect("there");
            FADERS.iter().map(|channel| path(channel).decibels().get()).collect()
        };
        // Past the recall, before the panel speaks; the channel on air keeps its level or waits for its own.
        drive(&mut desk, &mut buffers, 28_400);
        let before = levels(&desk);
        drive(&mut desk, &mut buffers, 33_000);
        for (before, after) in before.iter().zip(levels(&desk)) {
            assert!(after - before <= 0.2, "recall {recall}, {rejoin:?}: {before} dB became {after} dB by no hand");
            highest_raise = highest_raise.max(after - before);
        }
        drive(&mut desk, &mut buffers, 48_000);
        let last = buffers.outputs[0].iter().rposition(|sample| *sample != 0.0).unwrap_or(0) as u64;
        assert!(last > 30_000, "recall {recall}: nothing was heard before the closing");
        let took = last.saturating_sub(bottom.0) + 1;
        assert!(took <= CLOSED_WITHIN, "recall {recall}: heard {took} frames after the bottom stop");
        latest = latest.max(took);
    }
    println!("{RECALLS} recalls: raised by no hand at most {highest_raise} dB; closed within {latest} frames");
}
