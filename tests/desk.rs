//! The desk alone: what it decides, without an engine.

#[path = "support/show.rs"]
#[allow(dead_code, reason = "each test uses a part of it")]
mod show;

use longthrow::desk::{By, Desk, Effects, Event};
use longthrow::panel::PortIndex;
use longthrow::params::{Address, Value};
use longthrow::profile::{
    Control, ControlKind, ControlPort, Id, InputKind, Installation, Message, Move, Reach, Rejoin,
};
use longthrow::units::Frames;
use show::{RATE, id, installation, set};

const OPEN: &str =
    "channel.a.source = in-1\nchannel.a.switch = open\nchannel.a.fader = 0.0\nchannel.a.assign.programme = on\n";

/// The first input is a microphone.
fn with_microphone(lines: &str) -> Installation {
    let mut installation = installation(4, lines);
    installation.rig.inputs[0].kind = InputKind::Microphone;
    installation
}

fn value(desk: &Desk, path: &str) -> Option<Value> {
    desk.value(&Address::from_dotted(path).expect(path))
}

fn word(text: &str) -> Value {
    Value::Word(text.into())
}

fn install(desk: &mut Desk, installation: Installation, reread: bool) -> Effects {
    desk.handle(Frames(0), Event::Install { installation: Box::new(installation), reread })
}

/// Takes whatever goes to the engine, and says that it took effect.
fn run_engine(desk: &mut Desk, frame: u64) {
    while let Some(what) = desk.take() {
        let sequence = match what {
            longthrow::desk::ToEngine::Batch { sequence, .. } => sequence,
            longthrow::desk::ToEngine::Plan(plan) => plan.plan.sequence,
        };
        desk.handle(Frames(frame), Event::Echo { sequence, frame: Frames(frame) });
    }
}

fn live(desk: &Desk) -> bool {
    desk.is_open_on_air(&id("a"))
}

#[test]
fn no_file_opens_a_microphone_by_switch_fader_assignment_or_source() {
    // The switch, at the start and later.
    let mut desk = Desk::new(with_microphone(OPEN), RATE);
    assert!(!live(&desk));
    install(&mut desk, with_microphone(OPEN), true);
    assert!(!live(&desk));
    // The fader, the assignment and the source, with the switch opened by hand.
    for (before, after) in [
        (OPEN.replace("fader = 0.0", "trim = 0.0"), OPEN.to_owned()),
        (OPEN.replace("assign.programme = on", "pan = 0.0"), OPEN.to_owned()),
        (OPEN.replace("in-1", "in-2"), OPEN.to_owned()),
    ] {
        let mut desk = Desk::new(with_microphone(&before), RATE);
        desk.handle(Frames(0), set("channel.a.switch", word("open")));
        let was = live(&desk) && desk.is_microphone("a");
        assert!(!was);
        let effects = install(&mut desk, with_microphone(&after), true);
        assert!(!live(&desk), "opened by {before:?} -> {after:?}");
        assert!(effects.notes.iter().any(|note| note.contains("opened by a hand")), "{:?}", effects.notes);
    }
}

#[test]
fn the_network_at_large_opens_no_microphone_whichever_way_it_tries() {
    let network = |path: &str, value: Value| Event::Set {
        address: Address::from_dotted(path).expect(path),
        value,
        by: By::Message { may_open_microphones: false },
    };
    let lines = OPEN.replace("fader = 0.0", "trim = 0.0")
        + "channel.b.source = in-2\nchannel.b.switch = open\nchannel.b.fader = 0.0\nchannel.b.assign.programme = on\n";
    let mut desk = Desk::new(with_microphone(&lines), RATE);
    assert_eq!(desk.handle(Frames(0), network("channel.a.switch", word("open"))).refused.len(), 1);
    desk.handle(Frames(0), set("channel.a.switch", word("open")));
    // The switch is open by a hand and the fader off: raising it would open the microphone.
    assert_eq!(desk.handle(Frames(0), network("channel.a.fader", Value::Number(-10.0))).refused.len(), 1);
    assert_eq!(desk.handle(Frames(0), network("channel.b.source", word("in-1"))).refused.len(), 1);
    assert!(!live(&desk));
    // What is live may be moved and closed by anybody who may operate.
    desk.handle(Frames(0), set("channel.a.fader", Value::Number(-10.0)));
    assert!(desk.handle(Frames(0), network("channel.a.fader", Value::Number(-3.0))).refused.is_empty());
    assert!(desk.handle(Frames(0), network("channel.a.switch", word("closed"))).refused.is_empty());
    assert!(!live(&desk));
}

#[test]
fn a_renamed_bus_keeps_its_assignments_and_the_outputs_that_carry_it() {
    let lines = format!("{OPEN}channel.a.assign.stream = on\nbus.stream.fader = -1.0\noutput.feed.source = stream\n");
    let mut desk = Desk::new(installation(4, &lines), RATE);
    run_engine(&mut desk, 0);
    desk.handle(Frames(0), set("bus.stream.fader", Value::Number(-4.0)));
    let mut renamed = installation(4, &lines.replace("stream", "air"));
    renamed.profile.buses.iter_mut().find(|bus| *bus.id == *"air").expect("there").was = Some(id("stream"));
    install(&mut desk, renamed, true);
    assert_eq!(value(&desk, "bus.air.fader"), Some(Value::Number(-4.0)), "moved by hand, and kept");
    assert_eq!(value(&desk, "output.feed.source"), Some(word("air")));
    assert_eq!(value(&desk, "channel.a.assign.air"), Some(word("on")));
    assert_eq!(value(&desk, "bus.stream.fader"), None);
}

#[test]
fn an_output_whose_bus_is_gone_carries_the_programme_and_says_so() {
    let mut desk = Desk::new(installation(4, &format!("{OPEN}bus.extra.fader = 0.0\n")), RATE);
    desk.handle(Frames(0), set("output.feed.source", word("extra")));
    let effects = install(&mut desk, installation(4, OPEN), true);
    assert_eq!(value(&desk, "output.feed.source"), Some(word("programme")));
    assert!(effects.notes.iter().any(|note| note.contains("extra")), "{:?}", effects.notes);
}

/// A fader on a serial port, 7 bits, that moves `a`.
fn with_fader(rejoin: Rejoin) -> Installation {
    let mut installation = installation(4, OPEN);
    installation.rig.control_ports =
        vec![ControlPort { id: id("panel"), reach: Reach::Serial { path: "/dev/none".into(), baud: 31_250 } }];
    installation.panel.controls = vec![Control {
        id: id("f1"),
        place: String::new(),
        kind: ControlKind::Fader,
        port: id("panel"),
        message: Message::ControlChange { channel: 0, number: 7 },
        calibration: None,
        travel_mm: 100.0,
        feedback: false,
    }];
    installation.profile.moves = vec![Move {
        control: id("f1"),
        target: Address::from_dotted("channel.a.fader").expect("an address"),
        response: None,
        step: None,
        rejoin,
    }];
    installation
}

fn slide(desk: &mut Desk, to: u8) -> f32 {
    desk.handle(Frames(0), Event::Midi { port: PortIndex(0), bytes: vec![0xB0, 7, to] });
    match value(desk, "channel.a.fader") {
        Some(Value::Number(db)) => db,
        _ => f32::NEG_INFINITY,
    }
}

#[test]
fn a_fader_that_does_not_match_waits_meets_and_is_obeyed_downwards() {
    // 0 dB stands at 0.76 of the travel: 96.5 of 127.
    let mut desk = Desk::new(with_fader(Rejoin::Meet), RATE);
    for place in [10, 40, 80, 95] {
        assert!((slide(&mut desk, place) - 0.0).abs() < 1e-6, "an upward move grabbed at {place}");
    }
    assert!(slide(&mut desk, 98) > 0.0, "it passed the value and has it now");
    assert!(slide(&mut desk, 60) < -15.0);
    // Something else moves the parameter up: the fader, now below it, is obeyed only downwards.
    desk.handle(Frames(0), set("channel.a.fader", Value::Number(0.0)));
    assert!((slide(&mut desk, 61) - 0.0).abs() < 1e-6, "up never grabs");
    assert!(slide(&mut desk, 59) < -15.0, "down is obeyed");
    desk.handle(Frames(0), set("channel.a.fader", Value::Number(-30.0)));
    assert!((slide(&mut desk, 58) + 30.0).abs() < 1e-6, "a move down that would raise is not obeyed");
    assert!(slide(&mut desk, 0).is_infinite(), "the bottom stop always closes");
}

#[test]
fn a_panel_that_was_away_reports_its_places_and_moves_nothing() {
    let mut desk = Desk::new(with_fader(Rejoin::Meet), RATE);
    slide(&mut desk, 96);
    assert!(slide(&mut desk, 90) < 0.0, "joined");
    let level = slide(&mut desk, 91);
    desk.handle(Frames(0), Event::PortFound { port: PortIndex(0) });
    for place in [120, 30] {
        // The first report after the panel was away; somebody may have moved the fader meanwhile.
        desk.handle(Frames(0), Event::PortFound { port: PortIndex(0) });
        assert!((slide(&mut desk, place) - level).abs() < 1e-6, "the report of {place} moved the gain");
    }
}

#[test]
fn converging_covers_the_way_left_without_a_jump_and_at_once_takes_it() {
    let mut desk = Desk::new(with_fader(Rejoin::Converge), RATE);
    slide(&mut desk, 20);
    let mut last = 0.0;
    for place in 21..=127 {
        let level = slide(&mut desk, place);
        assert!((level - last).abs() < 0.6, "{last} to {level} at {place}");
        last = level;
    }
    assert!((last - 10.0).abs() < 1e-3, "both arrive at the top together: {last}");
    let mut desk = Desk::new(with_fader(Rejoin::AtOnce), RATE);
    assert!(slide(&mut desk, 60) < -15.0);
}

/// The watch of the drivers and the files speak on threads of their own: either may be heard first.
#[test]
fn a_device_that_the_rig_describes_otherwise_is_away_whichever_is_heard_first() {
    let away = || Event::DeviceAway { device: id("box") };
    let back = |microphones_open| Event::DeviceBack { device: id("box"), microphones_open };
    let mut other = with_microphone(OPEN);
    other.rig.devices[0].identity = "another box".into();
    let change = || Event::Install { installation: Box::new(other.clone()), reread: true };
    for events in [vec![change(), away()], vec![away(), change()], vec![change()]] {
        for microphones_open in [true, false] {
            let mut desk = Desk::new(with_microphone(OPEN), RATE);
            desk.handle(Frames(0), set("channel.a.switch", word("open")));
            for event in &events {
                desk.handle(Frames(0), event.clone());
            }
            desk.handle(Frames(0), back(microphones_open));
            assert_eq!(live(&desk), microphones_open, "{events:?}");
        }
    }
    // The same device in an edited rig is not away: what the watch says next is about nothing.
    let mut desk = Desk::new(with_microphone(OPEN), RATE);
    desk.handle(Frames(0), set("channel.a.switch", word("open")));
    install(&mut desk, with_microphone(OPEN), true);
    desk.handle(Frames(0), back(false));
    assert!(live(&desk));
}

#[test]
fn only_what_a_person_does_counts_as_a_hand() {
    let mut desk = Desk::new(with_fader(Rejoin::AtOnce), RATE);
    let midi = |bytes: &[u8]| Event::Midi { port: PortIndex(0), bytes: bytes.to_vec() };
    // Active sensing and the clock run with nobody in the room (MIDI 1.0, system real time messages).
    assert!(!desk.handle(Frames(0), midi(&[0xFE, 0xF8])).hand);
    assert!(!desk.handle(Frames(0), Event::Deadline).hand);
    assert!(!install(&mut desk, with_fader(Rejoin::AtOnce), true).hand);
    desk.handle(Frames(0), Event::PortFound { port: PortIndex(0) });
    assert!(!desk.handle(Frames(1), midi(&[0xB0, 7, 60])).hand, "a report of where it stands");
    assert!(desk.handle(Frames(2), midi(&[0xB0, 7, 61])).hand);
    assert!(desk.handle(Frames(3), set("channel.a.fader", Value::Number(-6.0))).hand);
    let values = vec![(Address::from_dotted("channel.a.fader").expect("it is"), Value::Number(-7.0))];
    let by = By::Message { may_open_microphones: false };
    assert!(desk.handle(Frames(3), Event::SetAll { values, by }).hand);
}

#[test]
fn a_channel_that_is_open_with_its_device_away_counts_as_open() {
    let mut desk = Desk::new(with_microphone(OPEN), RATE);
    desk.handle(Frames(0), set("channel.a.switch", word("open")));
    assert!(live(&desk));
    desk.handle(Frames(0), Event::DeviceAway { device: Id::from("box") });
    assert!(live(&desk), "it could be heard as soon as the device is back");
    desk.handle(Frames(0), Event::DeviceBack { device: Id::from("box"), microphones_open: true });
    assert_eq!(value(&desk, "channel.a.switch"), Some(word("open")));
    desk.handle(Frames(0), Event::DeviceAway { device: Id::from("box") });
    desk.handle(Frames(0), Event::DeviceBack { device: Id::from("box"), microphones_open: false });
    assert_eq!(value(&desk, "channel.a.switch"), Some(word("closed")), "it waits for a hand");
}
