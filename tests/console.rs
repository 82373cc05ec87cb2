//! Console logic against job practice: who is live, what is lit and muted for it, who listens and who talks.
//!
//! What ought to be is written here anew, in [`Truth`], from the practice of live rooms (common practice, no source: a microphone
//! is live when its switch is on, its fader above off, and a bus that people outside hear, and that is not in rehearsal, gets
//! it). It shares nothing with the desk's own tables.

#![allow(
    clippy::print_stdout,
    clippy::float_cmp,
    clippy::double_ended_iterator_last,
    reason = "the tests say what they measured; gains are aimed at exactly; what came last is asked of few"
)]

#[path = "support/show.rs"]
#[allow(dead_code, reason = "each test uses a part of it")]
mod show;

use longthrow::daemon::offline::{Buffers, Offline};
use longthrow::desk::{By, ContactDo, Desk, Effects, Event, ToEngine};
use longthrow::dsp::lanes::Vectors;
use longthrow::engine::{Bank, Command, Edit, Tap, Target};
use longthrow::panel::PortIndex;
use longthrow::params::{Address, Scope, Value};
use longthrow::profile::{
    Contact, Control, ControlKind, ControlPort, InputKind, Installation, Message, Minus, Move, Output, OutputKind,
    Reach, Rejoin, Room,
};
use longthrow::units::Frames;
use show::{RATE, id, installation, set};

const MS: u64 = 48;

fn word(text: &str) -> Value {
    Value::Word(text.into())
}

fn value(desk: &Desk, path: &str) -> String {
    desk.value(&Address::from_dotted(path).expect(path)).map_or_else(|| "nothing".to_owned(), |value| value.to_string())
}

fn output(name: &str, kind: OutputKind, channels: [u16; 2]) -> Output {
    Output { id: id(name), kind, device: id("box"), channels: channels.to_vec() }
}

/// Two microphones in a room with loudspeakers, a lamp and a mute; a line; a feed, and headphones.
fn hall(lines: &str) -> Installation {
    let mut installation = installation(4, lines);
    for group in &mut installation.profile.gain_groups {
        group.members = vec![id("a")];
    }
    let rig = &mut installation.rig;
    rig.devices[0].outputs = 8;
    rig.inputs[0].kind = InputKind::Microphone;
    rig.inputs[1].kind = InputKind::Microphone;
    rig.outputs.push(output("speakers", OutputKind::Loudspeaker, [2, 3]));
    rig.outputs.push(output("ears", OutputKind::Headphones, [4, 5]));
    let contact = |name: &str| Contact {
        id: id(name),
        port: id("node"),
        name: name.to_owned(),
        safe_closed: true,
        pulse_ms: None,
    };
    rig.contacts = vec![contact("lamp"), contact("mute")];
    rig.console.rooms = vec![Room {
        id: id("hall"),
        label: "Hall".to_owned(),
        microphones: vec![id("in-1"), id("in-2")],
        loudspeakers: vec![id("speakers")],
        lamp: Some(id("lamp")),
        mute: Some(id("mute")),
        latency_ms: 0.0,
        decay_ms: 300,
    }];
    installation
}

/// A desk, an engine that takes everything in at once, and what both said with the frame at which they did.
struct Driven {
    desk: Desk,
    now: u64,
    commands: Vec<(u64, Command)>,
    effects: Vec<(u64, Effects)>,
}

impl Driven {
    fn new(installation: Installation) -> Self {
        let desk = Desk::new(installation, RATE);
        let mut driven = Self { desk, now: 0, commands: Vec::new(), effects: Vec::new() };
        driven.event(Event::Deadline);
        driven
    }

    fn event(&mut self, event: Event) {
        let effects = self.desk.handle(Frames(self.now), event);
        self.effects.push((self.now, effects));
        while let Some(what) = self.desk.take() {
            let sequence = match what {
                ToEngine::Batch { sequence, commands } => {
                    self.commands.extend(commands.into_iter().map(|command| (self.now, command)));
                    sequence
                }
                ToEngine::Plan(send) => {
                    let aims = send.plan.edits.iter().filter_map(|edit| match edit {
                        Edit::Aim(command) | Edit::Jump(command) => Some((self.now, *command)),
                        _ => None,
                    });
                    self.commands.extend(aims);
                    send.plan.sequence
                }
            };
            let effects = self.desk.handle(Frames(self.now), Event::Echo { sequence, frame: Frames(self.now) });
            self.effects.push((self.now, effects));
        }
    }

    fn set(&mut self, path: &str, value: Value) {
        self.event(set(path, value));
    }

    /// Lets time pass, with every deadline kept.
    fn pass(&mut self, ms: u64) {
        let end = self.now + ms * MS;
        while let Some(at) = self.desk.next_deadline().filter(|at| at.0 <= end) {
            self.now = self.now.max(at.0);
            self.event(Event::Deadline);
        }
        self.now = end;
        self.event(Event::Deadline);
    }

    /// Frames at which this target was aimed at this value, from `since` on.
    fn aimed(&self, target: Target, value: f32, since: u64) -> Vec<u64> {
        let fits = |command: &Command| command.target == target && (command.value - value).abs() < 1e-9;
        self.commands.iter().filter(|(at, command)| *at >= since && fits(command)).map(|(at, _)| *at).collect()
    }

    fn gate(&self, bank: Bank, thing: &str) -> Target {
        Target::Gate { bank, column: self.desk.columns(bank, thing).expect(thing).start }
    }

    /// Where a contact was told to stand last.
    fn contact(&self, name: &str) -> Option<bool> {
        let told = self.effects.iter().flat_map(|(_, effects)| &effects.contacts);
        let stands = told.filter(|(contact, _)| **contact == *name).map(|(_, what)| match what {
            ContactDo::Stand { closed } => *closed,
            ContactDo::Pulse => panic!("{name} makes no pulses"),
        });
        stands.last()
    }
}

#[test]
fn no_hand_and_no_stranger_moves_the_lamp_or_the_mute_of_a_room() {
    let mut installation = hall("");
    let mut free = installation.rig.contacts[0].clone();
    (free.id, free.safe_closed, free.pulse_ms) = (id("bell"), false, Some(200));
    installation.rig.contacts.push(free.clone());
    (free.id, free.pulse_ms) = (id("light"), None);
    installation.rig.contacts.push(free);
    let mut driven = Driven::new(installation);
    let [hand, stranger] = [true, false].map(|may_open_microphones| By::Message { may_open_microphones });
    for (path, to, by, refused) in [
        ("contact.lamp.state", "closed", hand, Some("follows its microphones")),
        (
            "contact.mute.state",
            "closed",
            By::Control(longthrow::panel::ControlIndex(0)),
            Some("follows its microphones"),
        ),
        ("contact.bell.pulse", "on", stranger, Some("wired control")),
        ("contact.light.state", "closed", stranger, Some("wired control")),
        ("contact.light.pulse", "on", hand, Some("makes no pulses")),
        ("contact.bell.state", "closed", hand, Some("has no state")),
        ("contact.bell.pulse", "on", hand, None),
        ("contact.light.state", "closed", hand, None),
    ] {
        let address = Address::from_dotted(path).expect(path);
        driven.event(Event::Set { address, value: word(to), by });
        let effects = &driven.effects.last().expect("one").1;
        let why = effects.refused.first().map_or("", |refusal| &*refusal.why);
        assert_eq!(refused.is_none(), effects.refused.is_empty(), "{path}: {why}");
        assert!(why.contains(refused.unwrap_or_default()), "{path}: {why}");
        assert_eq!(effects.contacts.len(), usize::from(refused.is_none()), "{path}");
    }
    assert_eq!((value(&driven.desk, "contact.bell.pulse"), driven.contact("light")), ("off".to_owned(), Some(true)));
}

/// What can be moved, each in a few states.
const MOVED: [(&str, &[&str]); 15] = [
    // The second source is a line.
    ("channel.a.source-select", &["a", "b"]),
    ("channel.a.switch", &["closed", "open"]),
    ("channel.a.fader", &["off", "-10.0"]),
    ("channel.a.assign.programme", &["off", "on"]),
    ("channel.a.assign.audition", &["off", "on"]),
    ("channel.b.switch", &["closed", "open"]),
    ("bus.programme.rehearsal", &["off", "on"]),
    ("bus.audition.rehearsal", &["off", "on"]),
    ("bus.audition.air", &["by-outputs", "always", "never"]),
    ("output.feed.source", &["programme", "audition"]),
    ("gain-group.talkers.switch", &["open", "closed"]),
    ("channel.a.send.level.programme", &["off", "-6.0"]),
    ("channel.a.send.point.programme", &["after-fader", "pre-fader"]),
    ("channel.a.assign.table", &["off", "on"]),
    ("bus.table.assign.programme", &["off", "on"]),
];

type State = [usize; MOVED.len()];

/// Who ought to be live.
struct Truth {
    a: bool,
    b: bool,
}

impl Truth {
    fn of(state: &State) -> Self {
        let [
            selected,
            switch,
            fader,
            to_programme,
            to_audition,
            b_switch,
            programme_rehearses,
            audition_rehearses,
            air,
            feed,
            group,
            send,
            point,
            to_table,
            table_to_programme,
        ] = *state;
        let programme_heard = feed == 0 && programme_rehearses == 0;
        let audition_heard = (air == 1 || (air == 0 && feed == 1)) && audition_rehearses == 0;
        let switched = switch == 1 && group == 0;
        let behind_fader = (to_programme == 1 && programme_heard)
            || (to_audition == 1 && audition_heard)
            || (to_table == 1 && table_to_programme == 1 && programme_heard)
            || (send == 1 && point == 0 && programme_heard);
        // A send from before the fader goes out whatever the fader does.
        let before_fader = send == 1 && point == 1 && programme_heard;
        Self {
            a: selected == 0 && switched && ((fader == 1 && behind_fader) || before_fader),
            // Its fader is up and it goes to the programme.
            b: b_switch == 1 && programme_heard,
        }
    }
}

fn go(driven: &mut Driven, place: usize, state: usize) {
    let (path, states) = MOVED[place];
    let value = states[state].parse().map_or_else(|_| word(states[state]), Value::Number);
    driven.set(path, value);
}

const CHANNELS: &str = "gain-group.talkers.switch = open\nbus.table.fader = 0.0\nchannel.a.source = in-1\nchannel.a.source-b = in-4\nchannel.b.source = in-2\nchannel.b.fader = 0.0\n\
    channel.b.assign.programme = on\nchannel.music.source = in-3\nchannel.music.switch = open\n\
    channel.music.fader = 0.0\nchannel.music.assign.programme = on\n";

/// Every state, and from every state every single move.
#[test]
fn every_state_and_every_move_tells_the_truth_about_microphones_rooms_and_loudspeakers() {
    let mut driven = Driven::new(hall(CHANNELS));
    let mut state: State = [0; MOVED.len()];
    let count: usize = MOVED.iter().map(|(_, states)| states.len()).product();
    let (mut moves, mut openings, mut shortest) = (0, 0, u64::MAX);
    let speakers = driven.gate(Bank::Outputs, "speakers");
    let ears = driven.gate(Bank::Outputs, "ears");
    for number in 0..count {
        let mut rest = number;
        let mut wanted: State = [0; MOVED.len()];
        for (place, (_, states)) in MOVED.iter().enumerate() {
            wanted[place] = rest % states.len();
            rest /= states.len();
        }
        for place in 0..MOVED.len() {
            if state[place] != wanted[place] {
                go(&mut driven, place, wanted[place]);
            }
        }
        state = wanted;
        driven.pass(1_500);
        for place in 0..MOVED.len() {
            for other in (0..MOVED[place].1.len()).filter(|other| *other != wanted[place]) {
                let before = Truth::of(&wanted);
                let mut moved = wanted;
                moved[place] = other;
                let after = Truth::of(&moved);
                let at = driven.now;
                driven.commands.clear();
                driven.effects.clear();
                go(&mut driven, place, other);
                moves += 1;
                let context = || format!("{wanted:?}, then {} is {}", MOVED[place].0, MOVED[place].1[other]);
                // At once: what is live now, or is about to be, is lit; what was is lit still, and the room is silent.
                for (live, was, lamp) in [
                    (after.a, before.a, "channel.a.tally"),
                    (after.b, before.b, "channel.b.tally"),
                    (after.a || after.b, before.a || before.b, "room.hall.tally"),
                ] {
                    let lit = value(&driven.desk, lamp) == "live";
                    assert!(lit >= live, "{lamp} is dark: {}", context());
                    assert!(lit <= (live || was), "{lamp} is lit: {}", context());
                }
                let any = |truth: &Truth| truth.a || truth.b;
                let muted = value(&driven.desk, "output.speakers.muted") == "on";
                assert_eq!(muted, any(&before) || any(&after), "{}", context());
                driven.pass(20);
                // The loudspeakers have been told at least 5 ms of mute and 5 ms of silence before the microphone is.
                if any(&after) && !any(&before) {
                    openings += 1;
                    let mutes = driven.aimed(speakers, 0.0, at);
                    assert_eq!(mutes.first(), Some(&at), "{}", context());
                    for (channel, live, was) in [("a", after.a, before.a), ("b", after.b, before.b)] {
                        if live && !was {
                            let first = first_sound(&driven, channel, at).unwrap_or_else(|| panic!("{}", context()));
                            shortest = shortest.min(first - at);
                            assert!(first - at >= 10 * MS, "{} frames: {}", first - at, context());
                        }
                    }
                }
                // In the end lamp and mute are the truth.
                driven.pass(1_480);
                for (live, path) in [(after.a, "channel.a.tally"), (after.b, "channel.b.tally")] {
                    assert_eq!(value(&driven.desk, path) == "live", live, "{}", context());
                }
                assert_eq!(value(&driven.desk, "room.hall.tally") == "live", any(&after), "{}", context());
                assert_eq!(value(&driven.desk, "output.speakers.muted") == "on", any(&after), "{}", context());
                assert!(driven.aimed(ears, 0.0, at).is_empty(), "headphones are never muted: {}", context());
                assert_eq!(value(&driven.desk, "output.ears.muted"), "off");
                go(&mut driven, place, wanted[place]);
                driven.pass(1_500);
            }
        }
    }
    println!("{count} states, {moves} moves, 0 violations; {openings} openings, the soonest after {shortest} frames");
}

/// The first word to the engine by which a channel, or what carries it, can be heard.
fn first_sound(driven: &Driven, channel: &str, since: u64) -> Option<u64> {
    let column = driven.desk.columns(Bank::Sources, channel).expect("it is there").start;
    let feed = driven.desk.columns(Bank::Outputs, "feed").expect("it is there").start;
    let rises = |command: &Command| {
        command.value > 0.0
            && match command.target {
                Target::Gate { bank: Bank::Sources, column: c } | Target::SendGate { column: c } => c == column,
                Target::ToBus { tap: Tap::Bus, .. } => true,
                Target::ToBus { from, .. } => from == column,
                Target::ToOutput { to, .. } => to / 2 == feed / 2,
                _ => false,
            }
    };
    let heard = driven.commands.iter().filter(|(at, command)| *at >= since && rises(command)).map(|(at, _)| *at).min();
    // Rehearsal and "air" move nothing in the engine, and a source comes with a column of its own: there it counts from
    // when the desk takes it so.
    heard.or_else(|| {
        let told = driven.effects.iter().filter(|(at, effects)| {
            *at >= since
                && effects.changed.iter().any(|(address, _)| {
                    let path = address.to_string();
                    ["rehearsal", "air", "source", "source-select"].iter().any(|end| path.ends_with(end))
                })
        });
        told.map(|(at, _)| *at).min()
    })
}

/// The sound itself: the last sample of a loudspeaker before the first of a microphone, at every step within a tick and a block,
/// with a room whose loudspeakers are late, and by every way in which a hand opens.
#[test]
fn loudspeakers_have_been_silent_for_5_ms_before_the_microphone_is_heard_and_come_back_after_it() {
    let lines = CHANNELS.replace("channel.music.assign.programme", "channel.music.assign.monitors")
        + "output.speakers.source = monitors\noutput.ears.source = monitors\nbus.monitors.fader = 0.0\n\
           channel.a.fader = 0.0\nchannel.a.assign.programme = on\n";
    let ways: [(&str, &[(&str, &str)], (&str, Value)); 4] = [
        ("its switch", &[], ("channel.a.switch", word("open"))),
        (
            "its fader",
            &[("channel.a.fader", "off"), ("channel.a.switch", "open")],
            ("channel.a.fader", Value::Number(0.0)),
        ),
        (
            "an assignment",
            &[("channel.a.assign.programme", "off"), ("channel.a.switch", "open")],
            ("channel.a.assign.programme", word("on")),
        ),
        (
            "the bus of the feed",
            &[("output.feed.source", "audition"), ("channel.a.switch", "open")],
            ("output.feed.source", word("programme")),
        ),
    ];
    let mut gaps = Vec::new();
    for (way, prepared, (path, opened)) in ways {
        // 3 periods of 256 frames are 16 ms.
        for (late_ms, latency_ms, period, decay_ms) in
            [(0_u8, 0_u8, None, 300), (20, 20, None, 300), (16, 0, Some(256), 300), (0, 0, None, 0)]
        {
            for offset in [0_usize, 1, 7, 15, 16, 33] {
                let mut installation = hall(&lines);
                installation.rig.console.rooms[0].latency_ms = f32::from(latency_ms);
                installation.rig.console.rooms[0].decay_ms = decay_ms;
                installation.rig.devices[0].period_frames = period;
                let mut desk = Offline::new(
                    installation,
                    RATE,
                    Vectors::widest(),
                    Box::new(|_, _, _| longthrow::engine::Feed::Silent),
                );
                let (opens, closes, end) = (48_000 + offset, 72_000, 110_400);
                for (path, state) in prepared {
                    let value = if *state == "off" { Value::Off } else { word(state) };
                    desk.at(Frames(10), set(path, value));
                }
                desk.at(Frames(opens as u64), set(path, opened.clone()));
                desk.at(Frames(closes), set("channel.a.switch", word("closed")));
                // Full scale half of the time, so that the first and the last sample are seen.
                let square = |n: usize| if n.is_multiple_of(2) { 0.5 } else { -0.5 };
                let tone: Vec<f32> = (0..end).map(square).collect();
                let silence = vec![0.0; end];
                let mut buffers = Buffers {
                    inputs: vec![tone.clone(), silence.clone(), tone, silence.clone()],
                    outputs: vec![vec![0.0; end]; 8],
                    ..Buffers::default()
                };
                while buffers.offset < end {
                    buffers.frames = 480.min(end - buffers.offset);
                    desk.process(&mut buffers);
                    buffers.offset += buffers.frames;
                }
                let sounds = |wire: usize, range: std::ops::Range<usize>| -> Vec<usize> {
                    range.filter(|n| buffers.outputs[wire][*n] != 0.0).collect()
                };
                let closes = usize::try_from(closes).expect("it fits");
                let first = *sounds(0, opens..closes).first().unwrap_or_else(|| panic!("{way}: never heard"));
                let last = *sounds(2, 0..first).last().expect("music before");
                let gap = first - last - 1;
                let least = 240 + usize::from(late_ms) * 48;
                assert!(gap >= least, "{way}: {gap} frames of silence, {least} wanted");
                assert!(first - opens < least + 12 * 48, "{way}: it waits no longer than it has to: {}", first - opens);
                gaps.push((gap - usize::from(late_ms) * 48, first - opens));
                assert!(sounds(2, first..closes).is_empty(), "{way}: silent while the microphone is live");
                let back = *sounds(2, closes..end).first().expect("music again");
                let gone = *sounds(0, closes..end).last().expect("the microphone closes by a ramp");
                let waited = back - closes;
                assert!(waited >= decay_ms as usize * 48, "{way}: {} ms for the room to die away", waited / 48);
                assert!(back > gone, "the microphone is closed first");
                assert_eq!(sounds(4, 48_000..end).len(), end - 48_000, "headphones are never muted");
            }
        }
    }
    let shortest = gaps.iter().map(|(gap, _)| *gap).min().expect("some");
    let longest = gaps.iter().map(|(_, wait)| *wait).max().expect("some");
    println!("{} openings: silent for {shortest} frames at least; heard after {longest} frames at most", gaps.len());
}

#[test]
fn a_tally_stays_lit_for_half_a_second_and_contacts_are_told_at_once_and_again_when_their_node_is_back() {
    let mut driven = Driven::new(hall(&format!("{CHANNELS}channel.a.fader = 0.0\nchannel.a.assign.programme = on\n")));
    assert_eq!((driven.contact("lamp"), driven.contact("mute")), (Some(false), Some(false)));
    driven.pass(100);
    driven.set("channel.a.switch", word("open"));
    assert_eq!((driven.contact("lamp"), driven.contact("mute")), (Some(true), Some(true)), "with the act itself");
    assert_eq!(value(&driven.desk, "channel.a.switch"), "closed", "it waits until the room is silent");
    driven.pass(15);
    assert_eq!(value(&driven.desk, "channel.a.switch"), "open");
    driven.set("channel.a.switch", word("closed"));
    driven.pass(484);
    assert_eq!(driven.contact("lamp"), Some(true), "no flicker");
    driven.pass(2);
    assert_eq!((driven.contact("lamp"), driven.contact("mute")), (Some(false), Some(false)));
    // A switch that is closed again before the room was silent never opens.
    driven.set("channel.a.switch", word("open"));
    driven.pass(3);
    driven.set("channel.a.switch", word("closed"));
    let at = driven.now;
    driven.pass(1_000);
    assert!(driven.aimed(driven.gate(Bank::Sources, "a"), 1.0, at).is_empty());
    assert_eq!(driven.contact("lamp"), Some(false));
    // Nobody sets what the desk says.
    let path = Address::from_dotted("room.hall.tally").expect("an address");
    let by = By::Message { may_open_microphones: true };
    let effects = driven.desk.handle(Frames(driven.now), Event::Set { address: path, value: word("live"), by });
    assert_eq!(effects.refused.len(), 1);
    driven.effects.clear();
    driven.event(Event::PortFound { port: longthrow::panel::PortIndex(0) });
    assert_eq!((driven.contact("lamp"), driven.contact("mute")), (Some(false), Some(false)), "said again");
}

#[test]
fn no_file_and_no_stranger_makes_an_open_microphone_live_by_another_way() {
    let lines = format!("{CHANNELS}channel.a.fader = 0.0\nchannel.a.assign.audition = on\n");
    let mut driven = Driven::new(hall(&lines));
    driven.set("channel.a.switch", word("open"));
    driven.pass(100);
    assert_eq!(value(&driven.desk, "channel.a.tally"), "dark", "it goes to the audition only");
    let stranger = Event::Set {
        address: Address::from_dotted("output.feed.source").expect("an address"),
        value: word("audition"),
        by: By::Message { may_open_microphones: false },
    };
    driven.event(stranger);
    assert_eq!(value(&driven.desk, "output.feed.source"), "programme");
    driven.event(Event::Install {
        installation: Box::new(hall(&format!("{lines}output.feed.source = audition\n"))),
        reread: true,
    });
    assert_eq!(value(&driven.desk, "channel.a.switch"), "closed", "a file is no hand");
    assert_eq!(value(&driven.desk, "channel.a.tally"), "dark");
}

#[test]
fn a_microphone_that_comes_back_after_a_restart_waits_for_its_room_too() {
    let lines = format!("{CHANNELS}channel.a.fader = 0.0\nchannel.a.assign.programme = on\n");
    let mut driven = Driven::new(hall(&lines));
    driven.pass(400);
    let at = driven.now;
    let values = vec![(Address::from_dotted("channel.a.switch").expect("an address"), word("open"))];
    driven.event(Event::Restore { values, microphones_open: true });
    driven.pass(100);
    let mute = driven.aimed(driven.gate(Bank::Outputs, "speakers"), 0.0, at);
    let opens = driven.aimed(driven.gate(Bank::Sources, "a"), 1.0, at);
    assert!(opens[0] - mute[0] >= 10 * MS, "{mute:?} {opens:?}");
}

// ---- listening, monitors ----

const LISTEN: &str = "output.ears.listen = on\n";

fn driven(lines: &str) -> Driven {
    Driven::new(hall(&format!("{CHANNELS}channel.a.fader = 0.0\nchannel.a.assign.programme = on\n{lines}")))
}

/// How much of a bus an output carries: both gains to its left side, and both to its right.
fn carried(driven: &Driven, bus: &str, output: &str) -> [f32; 4] {
    let (from, to) = (
        driven.desk.columns(Bank::Buses, bus).expect(bus).start,
        driven.desk.columns(Bank::Outputs, output).expect(output).start,
    );
    [(0, 0), (1, 0), (0, 1), (1, 1)]
        .map(|(left, right)| aim_of(driven, Target::ToOutput { from: from + left, to: to + right }))
}

/// What a target was aimed at last.
fn aim_of(driven: &Driven, target: Target) -> f32 {
    let all = driven.commands.iter().filter(|(_, command)| command.target == target);
    all.last().map_or(0.0, |(_, command)| command.value)
}

const STRAIGHT: [f32; 4] = [1.0, 0.0, 0.0, 1.0];
const NOTHING: [f32; 4] = [0.0; 4];

#[test]
fn what_is_listened_to_takes_the_place_of_the_source_and_nothing_live_moves() {
    let mut driven = driven(LISTEN);
    assert_eq!(carried(&driven, "programme", "ears"), STRAIGHT);
    let live_before = carried(&driven, "programme", "feed");
    driven.set("channel.a.listen", word("on"));
    driven.set("channel.music.listen", word("on"));
    driven.set("bus.audition.listen", word("on"));
    assert_eq!(value(&driven.desk, "desk.listening"), "3.0");
    assert_eq!(carried(&driven, "programme", "ears"), NOTHING);
    assert_eq!(carried(&driven, "listen:", "ears"), STRAIGHT);
    // And the bus for listening passes what it gets.
    let column = driven.desk.columns(Bank::Buses, "listen:").expect("there is one").start;
    let gate = aim_of(&driven, Target::Gate { bank: Bank::Buses, column });
    assert!((gate - 1.0).abs() < 1e-9, "{gate}");
    assert_eq!(carried(&driven, "audition", "ears"), STRAIGHT);
    assert_eq!(carried(&driven, "programme", "feed"), live_before);
    assert_eq!(carried(&driven, "listen:", "feed"), NOTHING, "listening never touches a live bus");
    driven.set("desk.listen-clear", word("on"));
    assert_eq!(value(&driven.desk, "desk.listening"), "0.0");
    assert_eq!(value(&driven.desk, "desk.listen-clear"), "off", "it can be pressed again");
    assert_eq!(carried(&driven, "programme", "ears"), STRAIGHT);
    // It ends when the fader opens, and not when it moves.
    driven.set("channel.a.fader", Value::Off);
    driven.set("channel.a.listen", word("on"));
    driven.set("channel.a.fader", Value::Number(-20.0));
    assert_eq!(value(&driven.desk, "channel.a.listen"), "off");
    driven.set("channel.a.listen", word("on"));
    driven.set("channel.a.fader", Value::Number(-10.0));
    assert_eq!(value(&driven.desk, "channel.a.listen"), "on");
    // A feed does not listen, whoever says so, and no loudspeaker before an audience.
    driven.set("output.feed.listen", word("on"));
    assert_eq!(value(&driven.desk, "output.feed.listen"), "off");
    driven.set("output.speakers.listen", word("on"));
    assert_eq!(value(&driven.desk, "output.speakers.listen"), "on");
    let mut installation = hall(&format!("{CHANNELS}{LISTEN}"));
    installation.rig.console.rooms.clear();
    let mut driven = Driven::new(installation);
    driven.set("output.speakers.listen", word("on"));
    assert_eq!(value(&driven.desk, "output.speakers.listen"), "off");
}

#[test]
fn a_channel_is_listened_to_before_its_switch_or_after_its_fader() {
    let mut driven = driven(LISTEN);
    let from = driven.desk.columns(Bank::Sources, "music").expect("it is there").start;
    let to = driven.desk.columns(Bank::Buses, "listen:").expect("it is there").start;
    let taps =
        |driven: &Driven| [Tap::Input, Tap::AfterFader].map(|tap| aim_of(driven, Target::ToBus { tap, from, to }));
    driven.set("channel.music.listen", word("on"));
    assert_eq!(taps(&driven), [1.0, 0.0], "a mono channel at its own level on both sides");
    driven.set("channel.music.listen-point", word("after-fader"));
    let half = std::f32::consts::FRAC_1_SQRT_2;
    assert!(taps(&driven)[0] < 1e-9 && (taps(&driven)[1] - half).abs() < 1e-6, "as its pan has it");
    driven.set("channel.music.listen", word("off"));
    assert_eq!(taps(&driven), [0.0, 0.0]);
}

#[test]
fn monitors_dim_by_20_db_and_go_to_mono_and_a_feed_does_neither() {
    let mut driven = driven(LISTEN);
    let level = |driven: &Driven, output: &str| {
        let column = driven.desk.columns(Bank::Outputs, output).expect(output).start;
        aim_of(driven, Target::Level { bank: Bank::Outputs, column })
    };
    driven.set("output.ears.level", Value::Number(-6.0));
    let before = level(&driven, "ears");
    driven.set("output.ears.dim", word("on"));
    assert!((level(&driven, "ears") / before - 0.1).abs() < 1e-6, "20 dB");
    driven.set("output.ears.dim", word("off"));
    assert!((level(&driven, "ears") - before).abs() < 1e-9);
    driven.set("output.ears.mono", word("on"));
    assert_eq!(carried(&driven, "programme", "ears"), [0.5; 4]);
    driven.set("output.ears.mono", word("off"));
    assert_eq!(carried(&driven, "programme", "ears"), STRAIGHT);
    for path in ["output.feed.dim", "output.feed.mono"] {
        driven.set(path, word("on"));
        assert_eq!(value(&driven.desk, path), "off");
    }
}

#[test]
fn solo_in_place_is_for_rehearsal_only_and_ends_when_a_bus_goes_on_air() {
    let mut driven = driven("");
    driven.set("channel.music.solo-in-place", word("on"));
    assert_eq!(value(&driven.desk, "channel.music.solo-in-place"), "off", "the programme is on air");
    driven.set("bus.programme.rehearsal", word("on"));
    driven.set("channel.a.switch", word("open"));
    driven.pass(50);
    let gate = driven.gate(Bank::Sources, "a");
    assert!(aim_of(&driven, gate) > 0.0);
    driven.set("channel.music.solo-in-place", word("on"));
    assert!(aim_of(&driven, gate) < 1e-9, "all others are closed");
    driven.set("bus.programme.rehearsal", word("off"));
    driven.pass(50);
    assert_eq!(value(&driven.desk, "channel.music.solo-in-place"), "off");
    assert!(aim_of(&driven, gate) > 0.0);
}

// ---- talkback ----

/// A talkback in a room of its own, with loudspeakers; it speaks to two buses, and slates onto a third.
fn control_room(lines: &str) -> Installation {
    let mut installation = hall(&format!("{CHANNELS}bus.foldback.fader = 0.0\nbus.visitor.fader = 0.0\n{lines}"));
    let rig = &mut installation.rig;
    rig.devices[0].outputs = 12;
    rig.inputs[3].kind = InputKind::Microphone;
    rig.outputs.push(output("foldback", OutputKind::Headphones, [6, 7]));
    rig.outputs.push(output("near", OutputKind::Loudspeaker, [8, 9]));
    rig.console.rooms.push(Room {
        id: id("control"),
        label: "Control".to_owned(),
        microphones: vec![id("in-4")],
        loudspeakers: vec![id("near")],
        lamp: None,
        mute: None,
        latency_ms: 0.0,
        decay_ms: 300,
    });
    installation.profile.console.talkbacks = vec![longthrow::profile::Talkback {
        id: id("producer"),
        label: "Producer".to_owned(),
        source: id("in-4"),
        to: vec![id("foldback"), id("visitor")],
        slate: vec![id("programme")],
    }];
    installation
}

#[test]
fn every_state_of_keys_speaks_to_the_buses_it_says_and_to_no_other() {
    let mut driven = Driven::new(control_room("output.foldback.source = foldback\n"));
    let paths = [
        "talkback.producer.to.foldback",
        "talkback.producer.to.visitor",
        "talkback.producer.all",
        "talkback.producer.slate",
    ];
    let source = driven.desk.columns(Bank::Sources, "talkback:producer").expect("it is in the engine").start;
    let heard = |driven: &Driven, bus: &str| {
        let to = driven.desk.columns(Bank::Buses, bus).expect(bus).start;
        aim_of(driven, Target::ToBus { tap: Tap::AfterFader, from: source, to }) > 0.0
            && aim_of(driven, Target::Gate { bank: Bank::Sources, column: source }) > 0.0
    };
    let near = driven.desk.columns(Bank::Outputs, "near").expect("it is there").start;
    let level = Target::Level { bank: Bank::Outputs, column: near };
    let mut states = 0;
    for to_loudspeaker in [false, true] {
        // The visitors' bus in a loudspeaker of the hall, or nowhere.
        driven.set("output.speakers.source", word(if to_loudspeaker { "visitor" } else { "programme" }));
        // A loudspeaker in a room is a monitor there: it does not put a bus on air.
        for state in 0..16_u32 {
            for (place, path) in paths.iter().enumerate() {
                driven.set(path, word(if state & (1 << place) != 0 { "on" } else { "off" }));
            }
            let [one, two, all, slate] = [0, 1, 2, 3].map(|place| state & (1 << place) != 0);
            let context = format!("{state:04b}, loudspeaker {to_loudspeaker}");
            assert_eq!(heard(&driven, "foldback"), one || all, "{context}");
            assert_eq!(heard(&driven, "visitor"), two || all, "{context}");
            assert_eq!(heard(&driven, "programme"), slate, "{context}");
            assert!(!heard(&driven, "audition"), "{context}");
            let under = driven.desk.columns(Bank::Sources, "slate:").expect("it is in the engine").start;
            assert_eq!(aim_of(&driven, Target::Gate { bank: Bank::Sources, column: under }) > 0.0, slate, "{context}");
            let live = slate || (to_loudspeaker && (two || all));
            driven.pass(600);
            assert_eq!(value(&driven.desk, "talkback.producer.tally") == "live", live, "{context}");
            assert_eq!(value(&driven.desk, "room.control.tally") == "live", live, "{context}");
            assert_eq!(value(&driven.desk, "room.hall.tally"), "dark", "{context}");
            let dimmed = aim_of(&driven, level) < 0.5 && aim_of(&driven, level) > 0.0;
            assert_eq!(dimmed, state != 0, "{context}: the loudspeakers beside the microphone");
            assert_eq!(value(&driven.desk, "output.near.muted"), "off", "dimmed, not muted");
            states += 1;
        }
    }
    println!("{states} states of keys, 0 violations");
}

/// The room of a talkback is live when a loudspeaker plays it by a group, by what a guest hears, or because somebody listens.
#[test]
fn a_talkback_is_live_by_whichever_way_a_loudspeaker_plays_it() {
    let mut installation =
        control_room("bus.stage.fader = 0.0\nbus.to-music.fader = 0.0\noutput.speakers.listen = on\n");
    let to_music = installation.profile.buses.iter_mut().find(|bus| &*bus.id == "to-music").expect("it is there");
    to_music.minus = Some(Minus { of: id("foldback"), less: vec![id("music")], off_air: None });
    let mut driven = Driven::new(installation);
    driven.set("talkback.producer.to.foldback", word("on"));
    driven.pass(600);
    assert_eq!(value(&driven.desk, "talkback.producer.tally"), "dark", "no loudspeaker plays it");
    let (dark, ways) = (
        ("output.speakers.source", "programme"),
        [
            (
                [("output.speakers.source", "stage"), ("bus.foldback.assign.stage", "on")],
                ("bus.foldback.assign.stage", "off"),
            ),
            ([("output.speakers.source", "to-music"), ("bus.foldback.listen", "off")], ("bus.foldback.listen", "off")),
            ([("output.speakers.source", "programme"), ("bus.foldback.listen", "on")], ("bus.foldback.listen", "off")),
        ],
    );
    for (way, back) in ways {
        for (path, to) in way {
            driven.set(path, word(to));
        }
        driven.pass(600);
        for tally in ["talkback.producer.tally", "room.control.tally"] {
            assert_eq!(value(&driven.desk, tally), "live", "{way:?}");
        }
        for (path, to) in [back, dark] {
            driven.set(path, word(to));
        }
        driven.pass(600);
        assert_eq!(value(&driven.desk, "room.control.tally"), "dark", "after {way:?}");
    }
}

/// What comes about by a value that waited, by a file or by a route: nothing that has to stay inside is heard outside from there on.
#[test]
fn what_has_to_stay_inside_stays_there_whatever_comes_about_meanwhile() {
    let lines = "channel.a.fader = 0.0\nchannel.a.assign.audition = on\n";
    let mut driven = Driven::new(hall(&format!("{CHANNELS}{lines}")));
    driven.set("channel.a.switch", word("open"));
    driven.pass(600);
    // It opens a microphone, so it waits for the loudspeakers of the room.
    driven.set("output.feed.source", word("audition"));
    assert_eq!(value(&driven.desk, "output.feed.source"), "programme");
    driven.set("channel.b.send.level.audition", Value::Number(0.0));
    driven.set("channel.b.send.point.audition", word("input"));
    driven.pass(600);
    let both = ["output.feed.source", "channel.b.send.point.audition"].map(|path| value(&driven.desk, path));
    assert!(both == ["audition", "after-fader"] || both == ["programme", "input"], "{both:?}");
    let refused = driven.effects.iter().flat_map(|(_, effects)| &effects.refused).count();
    assert_eq!(refused, 1, "asked again when it had waited");

    // A key that is held while the rig makes a feed of what carries its bus.
    let lines = "output.foldback.source = foldback\n";
    let mut driven = Driven::new(control_room(lines));
    driven.set("talkback.producer.to.foldback", word("on"));
    assert_eq!(value(&driven.desk, "talkback.producer.to.foldback"), "on");
    let mut another = control_room(lines);
    let foldback = another.rig.outputs.iter_mut().find(|output| &*output.id == "foldback").expect("it is there");
    foldback.kind = OutputKind::Feed;
    driven.event(Event::Install { installation: Box::new(another), reread: true });
    assert_eq!(value(&driven.desk, "talkback.producer.to.foldback"), "off");
    // What is wrong already is no reason to refuse what has nothing to do with it.
    driven.set("bus.audition.air", word("never"));
    assert_eq!(value(&driven.desk, "bus.audition.air"), "never");

    // Tone that was on before its bus came on air.
    let mut driven = Driven::new(hall(CHANNELS));
    driven.set("bus.table.tone", word("on"));
    driven.set("bus.table.assign.programme", word("on"));
    assert_eq!(value(&driven.desk, "bus.table.assign.programme"), "on");
    assert_eq!(value(&driven.desk, "bus.table.tone"), "off");
    driven.set("bus.table.tone", word("on-air"));
    driven.set("bus.table.assign.programme", word("off"));
    driven.set("bus.table.assign.programme", word("on"));
    assert_eq!(value(&driven.desk, "bus.table.tone"), "on-air", "this was confirmed");

    // A profile that mentions an output says its delay and its ceiling, or that there are none.
    let said = "output.feed.delay = 500.0\noutput.feed.ceiling = -1.0\n";
    for (lines, delay, ceiling) in
        [("output.feed.level = 0.0\n", "0.0", "off"), ("output.ears.level = -20.0\n", "500.0", "-1.0")]
    {
        for reread in [false, true] {
            let mut driven = Driven::new(hall(&format!("{CHANNELS}{said}")));
            let mut another = hall(CHANNELS);
            another.profile.values.retain(|address, _| address.key.parameter().scope != Scope::Output);
            for line in lines.lines().chain(["output.ears.source = programme"]) {
                let (path, to) = line.split_once(" = ").expect("a line");
                let to = to.parse().map_or_else(|_| word(to), Value::Number);
                another.profile.values.insert(Address::from_dotted(path).expect("an address"), to);
            }
            driven.event(Event::Install { installation: Box::new(another), reread });
            assert_eq!(value(&driven.desk, "output.feed.delay"), delay, "{lines} {reread}");
            assert_eq!(value(&driven.desk, "output.feed.ceiling"), ceiling, "{lines} {reread}");
        }
    }
}

/// A mix-minus in one guest's ear is no air; the same on a feed or before an audience is, with all that follows.
#[test]
fn a_mix_minus_that_listeners_hear_is_on_air() {
    for (kind, public) in [
        (OutputKind::Line, false),
        (OutputKind::Application, false),
        (OutputKind::Headphones, false),
        (OutputKind::File, false),
        (OutputKind::Feed, true),
        (OutputKind::Loudspeaker, true),
    ] {
        let mut installation =
            control_room("bus.clean.fader = 0.0\nchannel.a.fader = 0.0\nchannel.a.assign.programme = on\n");
        let clean = installation.profile.buses.iter_mut().find(|bus| &*bus.id == "clean").expect("it is there");
        clean.minus = Some(Minus { of: id("programme"), less: vec![id("music")], off_air: None });
        installation.profile.console.talkbacks[0].slate.clear();
        let feed = installation.rig.outputs.iter_mut().find(|output| &*output.id == "feed").expect("it is there");
        feed.kind = kind;
        let mut driven = Driven::new(installation);
        driven.set("output.feed.source", word("clean"));
        assert_eq!(value(&driven.desk, "output.feed.source"), "clean");
        driven.set("channel.a.switch", word("open"));
        driven.pass(600);
        let said = if public { "live" } else { "dark" };
        for tally in ["channel.a.tally", "bus.clean.tally", "bus.programme.tally", "room.hall.tally"] {
            assert_eq!(value(&driven.desk, tally), said, "{tally} with {kind:?}");
        }
        assert_eq!(value(&driven.desk, "output.speakers.muted"), if public { "on" } else { "off" }, "{kind:?}");
        // What is made of a bus that a talkback speaks to carries the talkback.
        driven.set("bus.foldback.assign.programme", word("on"));
        let assigned = value(&driven.desk, "bus.foldback.assign.programme");
        assert_eq!(assigned == "on", !public, "{kind:?}");
    }
}

#[test]
fn what_a_talkback_speaks_over_gives_way_and_comes_back_slowly() {
    let mut driven = Driven::new(control_room("channel.music.assign.foldback = on\n"));
    driven.pass(100);
    let from = driven.desk.columns(Bank::Sources, "music").expect("it is there").start;
    let to = driven.desk.columns(Bank::Buses, "foldback").expect("it is there").start;
    let gain = |driven: &Driven| 20.0 * aim_of(driven, Target::ToBus { tap: Tap::AfterFader, from, to }).log10();
    let full = gain(&driven);
    driven.set("talkback.producer.to.foldback", word("on"));
    assert!((gain(&driven) - full + 20.0).abs() < 0.01);
    driven.pass(1_000);
    driven.set("talkback.producer.to.foldback", word("off"));
    driven.pass(199);
    assert!((gain(&driven) - full + 20.0).abs() < 0.01, "held for 200 ms");
    driven.pass(202);
    assert!((gain(&driven) - full + 10.0).abs() < 1.1, "half of the way: {}", gain(&driven) - full);
    driven.pass(220);
    assert!((gain(&driven) - full).abs() < 0.01, "back");
}

/// The sound itself, in the ears of whom is spoken to: what they hear falls by 20 dB within 50 ms of the key, stays there for 200 ms
/// after it, and is back 400 ms later; the talkback is heard meanwhile. (Times of the job's practice, no source.)
#[test]
fn the_dip_under_a_talkback_is_heard_where_it_speaks() {
    let mut installation = control_room(
        "channel.music.assign.foldback = on\noutput.foldback.source = foldback\noutput.foldback.level = 0.0\n",
    );
    installation.profile.console.talkbacks[0].slate.clear();
    for talk in [0.0_f32, 0.1] {
        let mut desk = Offline::new(
            installation.clone(),
            RATE,
            Vectors::widest(),
            Box::new(|_, _, _| longthrow::engine::Feed::Silent),
        );
        let ms = |ms: usize| ms * 48;
        let (down, up, end) = (ms(1_000), ms(2_000), ms(3_000));
        for (at, state) in [(down, "on"), (up, "off")] {
            desk.at(Frames(at as u64), set("talkback.producer.to.foldback", word(state)));
        }
        // Music at 1 kHz; the voice at 3 kHz, so that either is found beside the other.
        let sine = |hertz: f32, peak: f32| -> Vec<f32> {
            (0..end).map(|n| peak * (std::f32::consts::TAU * hertz * (n % 48_000) as f32 / 48_000.0).sin()).collect()
        };
        let silence = vec![0.0; end];
        let mut buffers = Buffers {
            inputs: vec![silence.clone(), silence, sine(1_000.0, 0.1), sine(3_000.0, talk)],
            outputs: vec![vec![0.0; end]; 12],
            ..Buffers::default()
        };
        while buffers.offset < end {
            buffers.frames = 480.min(end - buffers.offset);
            desk.process(&mut buffers);
            buffers.offset += buffers.frames;
        }
        // Both tones have whole periods in 10 ms.
        let level = |hertz: f32, at: usize| {
            let piece = &buffers.outputs[6][at..at + 480];
            let (mut re, mut im) = (0.0, 0.0);
            for (n, sample) in piece.iter().enumerate() {
                let angle = std::f32::consts::TAU * hertz * n as f32 / 48_000.0;
                re += sample * angle.cos();
                im += sample * angle.sin();
            }
            20.0 * (re.hypot(im) / 240.0).max(1e-6).log10()
        };
        let music = |at: usize| level(1_000.0, at) - level(1_000.0, down - 480);
        let fallen = (0..100).find(|n| music(down + ms(*n)) < -19.0).expect("it falls");
        let rises = (0..700).find(|n| music(up + ms(*n)) > -19.0).expect("it rises");
        let back = (0..900).find(|n| music(up + ms(*n)) > -0.5).expect("it comes back");
        println!(
            "talk {talk}: the music falls by {:.2} dB, within {fallen} ms; leaves that {rises} ms after the key, and is back after {back}",
            -music(down + ms(500))
        );
        assert!((music(down + ms(500)) + 20.0).abs() < 0.1);
        assert!(fallen <= 50, "{fallen} ms");
        assert!((190..260).contains(&rises), "{rises} ms");
        assert!((550..650).contains(&back), "{back} ms");
        assert!(music(up + ms(700)).abs() < 0.05);
        let voice = level(3_000.0, down + ms(500));
        assert_eq!(voice > -40.0, talk > 0.0, "the voice is at {voice} dB");
        assert!(level(3_000.0, up + ms(700)) < -90.0, "and gone afterwards");
    }
}

/// A hold button on a serial port for each of these.
fn with_keys(mut installation: Installation, targets: &[(&str, ControlKind)]) -> Installation {
    installation.rig.control_ports =
        vec![ControlPort { id: id("panel"), reach: Reach::Serial { path: "/dev/none".into(), baud: 31_250 } }];
    for (number, (target, kind)) in (0_u8..).zip(targets) {
        let name = id(&format!("k{number}"));
        let message = match kind {
            ControlKind::Fader => Message::ControlChange { channel: 0, number },
            _ => Message::Note { channel: 0, number },
        };
        installation.panel.controls.push(Control {
            id: name.clone(),
            place: String::new(),
            kind: *kind,
            port: id("panel"),
            message,
            calibration: None,
            travel_mm: 100.0,
            feedback: false,
        });
        installation.profile.moves.push(Move {
            control: name,
            target: Address::from_dotted(target).expect("an address"),
            response: None,
            step: None,
            rejoin: Rejoin::AtOnce,
        });
    }
    installation
}

impl Driven {
    fn midi(&mut self, bytes: [u8; 3]) {
        self.event(Event::Midi { port: PortIndex(0), bytes: bytes.to_vec() });
        self.pass(30);
    }

    fn press(&mut self, number: u8) {
        self.midi([0x90, number, 127]);
    }

    fn release(&mut self, number: u8) {
        self.midi([0x80, number, 0]);
    }

    fn slide(&mut self, number: u8, to: u8) {
        self.midi([0xB0, number, to]);
    }
}

#[test]
fn a_key_is_momentary_and_a_latch_takes_two_hands_and_lasts_30_s() {
    let keys =
        [("talkback.producer.to.foldback", ControlKind::Hold), ("talkback.producer.latch", ControlKind::Momentary)];
    let mut driven = Driven::new(with_keys(control_room(""), &keys));
    let key = |driven: &Driven| value(&driven.desk, "talkback.producer.to.foldback");
    driven.press(0);
    assert_eq!(key(&driven), "on");
    driven.release(0);
    assert_eq!(key(&driven), "off", "momentary");
    driven.press(1);
    driven.release(1);
    assert_eq!(value(&driven.desk, "talkback.producer.latch"), "off", "a latch alone holds nothing");
    let latch = |driven: &mut Driven| {
        driven.press(0);
        driven.press(1);
        driven.release(1);
        driven.release(0);
    };
    latch(&mut driven);
    driven.pass(10_000);
    assert_eq!((key(&driven).as_str(), value(&driven.desk, "talkback.producer.latch").as_str()), ("on", "on"));
    driven.press(0);
    driven.release(0);
    assert_eq!((key(&driven).as_str(), value(&driven.desk, "talkback.producer.latch").as_str()), ("off", "off"));
    latch(&mut driven);
    driven.pass(29_700);
    assert_eq!(key(&driven), "on");
    driven.pass(400);
    assert_eq!((key(&driven).as_str(), value(&driven.desk, "talkback.producer.latch").as_str()), ("off", "off"));
    // A panel that was unplugged with a key down lets go.
    driven.press(0);
    driven.event(Event::PortFound { port: PortIndex(0) });
    assert_eq!(key(&driven), "off");
    // A key of the network whose sender died lets go too.
    driven.set("talkback.producer.all", word("on"));
    driven.pass(30_001);
    assert_eq!(value(&driven.desk, "talkback.producer.all"), "off");
}

#[test]
fn no_change_brings_a_talkback_on_air_and_no_stranger_keys_it() {
    let mut driven = Driven::new(control_room(""));
    for (path, to) in
        [("output.feed.source", "foldback"), ("bus.visitor.air", "always"), ("bus.foldback.assign.programme", "on")]
    {
        let before = value(&driven.desk, path);
        driven.set(path, word(to));
        assert_eq!(value(&driven.desk, path), before, "{path}");
    }
    driven.set("talkback.producer.to.programme", word("on"));
    assert_eq!(value(&driven.desk, "talkback.producer.to.programme"), "off", "it is none of its buses");
    let address = Address::from_dotted("talkback.producer.all").expect("an address");
    let by = By::Message { may_open_microphones: false };
    driven.event(Event::Set { address, value: word("on"), by });
    assert_eq!(value(&driven.desk, "talkback.producer.all"), "off", "a talkback is a microphone");
}

#[test]
fn a_slate_without_buses_and_a_sharing_group_called_none_are_refused_in_words() {
    let mut installation = control_room("");
    installation.profile.console.talkbacks[0].slate.clear();
    let mut driven = Driven::new(installation);
    for (path, to, why) in
        [("talkback.producer.slate", "on", "slate_buses"), ("channel.a.sharing.group", "none", "or \"off\"")]
    {
        let before = value(&driven.desk, path);
        driven.set(path, word(to));
        assert_eq!(value(&driven.desk, path), before, "{path}");
        let refused = driven.effects.iter().flat_map(|(_, effects)| &effects.refused).last().expect("refused");
        assert!(refused.why.contains(why), "{}", refused.why);
    }
}

#[test]
fn a_cough_closes_the_microphone_and_leaves_its_lamp_and_its_room_as_they_are() {
    let keys = [("channel.a.cough", ControlKind::Hold)];
    let lines = format!("{CHANNELS}channel.a.fader = 0.0\nchannel.a.assign.programme = on\n");
    let mut driven = Driven::new(with_keys(hall(&lines), &keys));
    driven.set("channel.a.switch", word("open"));
    driven.pass(1_000);
    let gate = driven.gate(Bank::Sources, "a");
    driven.press(0);
    assert!(aim_of(&driven, gate) < 1e-9);
    driven.pass(2_000);
    assert_eq!(value(&driven.desk, "channel.a.tally"), "live");
    assert_eq!(value(&driven.desk, "output.speakers.muted"), "on", "or letting go would be heard in the room");
    driven.release(0);
    assert!(aim_of(&driven, gate) > 0.5);
}

// ---- starts, tone, lock, novices, panic ----

fn with_starts(lines: &str) -> Installation {
    let mut installation = hall(&format!("{CHANNELS}{lines}"));
    let pulse = |name: &str| Contact {
        id: id(name),
        port: id("node"),
        name: name.to_owned(),
        safe_closed: false,
        pulse_ms: Some(200),
    };
    installation.rig.contacts.extend([pulse("go"), pulse("halt")]);
    installation.rig.console.starts =
        vec![longthrow::profile::RemoteStart { input: id("in-3"), start: id("go"), stop: Some(id("halt")) }];
    installation
}

impl Driven {
    fn pulses(&mut self) -> Vec<String> {
        let told = self.effects.drain(..).flat_map(|(_, effects)| effects.contacts);
        told.filter(|(_, what)| *what == ContactDo::Pulse).map(|(contact, _)| contact.to_string()).collect()
    }
}

#[test]
fn a_fader_that_leaves_its_stop_starts_its_source_once_and_rearms_after_a_quarter_of_a_second() {
    let keys = [("channel.music.fader", ControlKind::Fader), ("channel.music.start", ControlKind::Momentary)];
    let mut driven = Driven::new(with_keys(with_starts(""), &keys));
    // The profile's own fader is up: nothing was started by loading it.
    assert!(driven.pulses().is_empty());
    driven.slide(0, 0);
    assert_eq!(driven.pulses(), ["halt"]);
    driven.pass(300);
    driven.slide(0, 6);
    assert!(driven.pulses().is_empty(), "below -60 dB: {}", value(&driven.desk, "channel.music.fader"));
    driven.slide(0, 40);
    assert_eq!(driven.pulses(), ["go"], "{}", value(&driven.desk, "channel.music.fader"));
    driven.slide(0, 60);
    assert!(driven.pulses().is_empty());
    driven.slide(0, 0);
    driven.slide(0, 60);
    assert_eq!(driven.pulses(), ["halt"], "a flicker at the stop starts nothing");
    driven.slide(0, 0);
    driven.pass(300);
    driven.set("channel.music.switch", word("closed"));
    driven.pulses();
    driven.slide(0, 60);
    assert!(driven.pulses().is_empty(), "its path is closed");
    driven.press(1);
    driven.release(1);
    assert_eq!(driven.pulses(), ["go"], "asked for by name");
    driven.slide(0, 0);
    driven.pass(300);
    driven.pulses();
    driven.event(Event::Install {
        installation: Box::new(with_starts("channel.music.fader = -3.0\nchannel.music.trim = 1.0\n")),
        reread: false,
    });
    assert!(driven.pulses().is_empty(), "a profile starts nothing");
}

#[test]
fn tone_has_its_ident_on_the_left_asks_before_it_goes_on_air_and_ends_after_a_minute() {
    let mut driven = driven("");
    driven.set("bus.programme.tone", word("on"));
    assert_eq!(value(&driven.desk, "bus.programme.tone"), "off", "the programme is on air");
    driven.set("bus.audition.tone", word("on"));
    let begin = driven.now;
    let from = driven.desk.columns(Bank::Sources, "tone:").expect("it is in the engine").start;
    let to = driven.desk.columns(Bank::Buses, "audition").expect("it is there").start;
    let (left, right) =
        (Target::ToBus { tap: Tap::AfterFader, from, to }, Target::ToBus { tap: Tap::AfterFader, from, to: to + 1 });
    driven.commands.clear();
    driven.pass(59_900);
    // EBU Tech 3304: the left side is interrupted for 250 ms every 3 s.
    let ms = |frames: Vec<u64>| frames.into_iter().map(|at| (at - begin) / MS).collect::<Vec<_>>();
    assert_eq!(ms(driven.aimed(left, 1.0, begin)), (0..20).map(|n| n * 3_000 + 250).collect::<Vec<_>>());
    assert_eq!(ms(driven.aimed(left, 0.0, begin)), (1..20).map(|n| n * 3_000).collect::<Vec<_>>());
    assert!(driven.aimed(right, 0.0, begin).is_empty(), "the right side goes on");
    driven.pass(200);
    assert_eq!(value(&driven.desk, "bus.audition.tone"), "off");
    driven.set("bus.programme.tone", word("on-air"));
    assert_eq!(value(&driven.desk, "bus.programme.tone"), "on-air", "confirmed");
    let wrong = |driven: &Driven| {
        driven.desk.status(&longthrow::desk::Facts::default()).wrong.iter().any(|wrong| wrong.what.contains("tone"))
    };
    driven.pass(9_000);
    assert!(!wrong(&driven));
    driven.pass(1_100);
    assert!(wrong(&driven));
}

#[test]
fn a_locked_panel_closes_microphones_and_panics_and_does_nothing_else() {
    let keys = [
        ("channel.a.fader", ControlKind::Fader),
        ("channel.a.switch", ControlKind::Momentary),
        ("bus.programme.fader", ControlKind::Fader),
        ("desk.lock", ControlKind::Momentary),
    ];
    let lines = format!("{CHANNELS}channel.a.assign.programme = on\ndesk.lock-after = 30.0\n");
    let mut driven = Driven::new(with_keys(hall(&lines), &keys));
    driven.slide(0, 97);
    driven.press(1);
    driven.release(1);
    driven.pass(31 * 60_000);
    assert_eq!(value(&driven.desk, "desk.lock"), "off", "the programme is on air");
    driven.set("bus.programme.rehearsal", word("on"));
    driven.pass(32 * 60_000);
    assert_eq!(value(&driven.desk, "desk.lock"), "on", "half an hour without a hand");
    driven.slide(2, 30);
    assert_eq!(value(&driven.desk, "bus.programme.fader"), "0.0");
    driven.slide(0, 120);
    let level = value(&driven.desk, "channel.a.fader");
    assert_ne!(level, "off");
    driven.press(1);
    driven.release(1);
    assert_eq!(value(&driven.desk, "channel.a.switch"), "closed");
    driven.press(1);
    driven.release(1);
    assert_eq!(value(&driven.desk, "channel.a.switch"), "closed", "and does not open it again");
    driven.slide(0, 0);
    assert_eq!(value(&driven.desk, "channel.a.fader"), "off", "the bottom stop closes");
    driven.press(3);
    driven.release(3);
    assert_eq!(value(&driven.desk, "desk.lock"), "off");
}

#[test]
fn a_novice_has_faders_up_to_0_db_and_no_routes_and_gets_the_prepared_mix_back_by_one_press() {
    let keys = [
        ("channel.music.fader", ControlKind::Fader),
        ("bus.programme.fader", ControlKind::Fader),
        ("channel.music.assign.programme", ControlKind::Momentary),
        ("desk.restore", ControlKind::Momentary),
        ("output.feed.ceiling", ControlKind::Fader),
        ("gain-group.talkers.fader", ControlKind::Fader),
        ("channel.music.send.level.audition", ControlKind::Fader),
        ("channel.music.trim", ControlKind::Fader),
        ("channel.music.compressor.gain", ControlKind::Fader),
        ("channel.music.sharing.switch", ControlKind::Momentary),
        ("bus.audition.assign.programme", ControlKind::Momentary),
        ("channel.music.send.point.audition", ControlKind::Momentary),
        ("bus.programme.rehearsal", ControlKind::Momentary),
        ("bus.programme.equaliser.low.gain", ControlKind::Fader),
        ("output.feed.delay", ControlKind::Fader),
    ];
    let lines = format!("{CHANNELS}gain-group.talkers.fader = -10.0\ndesk.novice = on\noutput.feed.ceiling = -1.0\n");
    let mut driven = Driven::new(with_keys(hall(&lines), &keys));
    for (place, &(path, kind)) in (0..).zip(&keys).skip(5) {
        let before = value(&driven.desk, path);
        if kind == ControlKind::Momentary {
            driven.press(place);
            driven.release(place);
        } else {
            driven.slide(place, 0);
            driven.slide(place, 127);
        }
        let limited = path.ends_with(".fader") || path.contains("level");
        assert_eq!(value(&driven.desk, path), if limited { "0.0" } else { &*before }, "{path}");
    }
    driven.slide(4, 0);
    driven.slide(4, 127);
    driven.slide(4, 0);
    assert_eq!(value(&driven.desk, "output.feed.ceiling"), "-1.0", "the limiter stays as it is prepared");
    driven.slide(0, 127);
    assert_eq!(value(&driven.desk, "channel.music.fader"), "0.0");
    driven.slide(1, 40);
    assert_eq!(value(&driven.desk, "bus.programme.fader"), "0.0");
    driven.press(2);
    assert_eq!(value(&driven.desk, "channel.music.assign.programme"), "on");
    driven.slide(0, 50);
    assert_ne!(value(&driven.desk, "channel.music.fader"), "0.0");
    driven.press(3);
    driven.release(3);
    assert_eq!(value(&driven.desk, "channel.music.fader"), "0.0");
    assert_eq!(value(&driven.desk, "desk.restore"), "off");
}

#[test]
fn each_rung_of_the_panic_ladder_is_one_batch_and_opens_no_microphone() {
    let mut installation = hall(&format!("{CHANNELS}channel.a.fader = -20.0\nchannel.a.assign.programme = on\n"));
    installation.profile.console.panic = longthrow::profile::PanicLadder {
        host: Some(id("b")),
        safe: vec![(id("b"), -3.0), (id("a"), -6.0)],
        fallback: Some(id("music")),
    };
    let mut driven = Driven::new(with_keys(installation, &[("desk.panic", ControlKind::Momentary)]));
    for channel in ["a", "b"] {
        driven.set(&format!("channel.{channel}.switch"), word("open"));
    }
    driven.pass(600);
    let switches = |driven: &Driven| ["a", "b", "music"].map(|id| value(&driven.desk, &format!("channel.{id}.switch")));
    let at = driven.now;
    driven.press(0);
    assert_eq!(switches(&driven), ["closed", "open", "open"], "all microphones but the host's");
    driven.release(0);
    driven.commands.retain(|(time, _)| *time > at + 100 * MS);
    let at = driven.now;
    driven.press(0);
    driven.release(0);
    assert_eq!(switches(&driven), ["closed", "open", "closed"], "the safe mix opens no microphone");
    assert_eq!(value(&driven.desk, "channel.a.fader"), "-6.0");
    assert_eq!(value(&driven.desk, "channel.b.fader"), "-3.0");
    let mut frames: Vec<u64> =
        driven.commands.iter().map(|(time, _)| *time).filter(|time| *time < at + 100 * MS).collect();
    frames.dedup();
    assert_eq!(frames.len(), 1, "one tick");
    driven.press(0);
    driven.release(0);
    assert_eq!(switches(&driven), ["closed", "closed", "open"]);
    driven.pass(1_000);
    assert_eq!(value(&driven.desk, "channel.music.fader"), "0.0", "by a glide, from silence");
    assert_eq!(value(&driven.desk, "room.hall.tally"), "dark");
}

/// A channel with a line and a microphone, open on air with the line; two rooms with loudspeakers and a microphone each.
fn two_sources() -> Installation {
    let lines = "channel.a.source = in-4\nchannel.a.source-b = in-1\nchannel.a.switch = open\nchannel.a.fader = 0.0\n\
        channel.a.assign.programme = on\n";
    let mut installation = hall(lines);
    let mut other = installation.rig.console.rooms[0].clone();
    (other.id, other.microphones, other.loudspeakers) = (id("booth"), vec![id("in-2")], vec![id("booth-speakers")]);
    (other.lamp, other.mute) = (None, None);
    installation.rig.console.rooms[0].microphones = vec![id("in-1")];
    installation.rig.console.rooms.push(other);
    installation.rig.outputs.push(output("booth-speakers", OutputKind::Loudspeaker, [6, 7]));
    installation
}

fn address(path: &str) -> Address {
    Address::from_dotted(path).expect(path)
}

#[test]
fn selecting_a_microphone_on_an_open_channel_is_opening_it() {
    let mut driven = Driven::new(two_sources());
    driven.pass(1_000);
    assert_eq!(value(&driven.desk, "channel.a.switch"), "open");
    // From the network at large: refused.
    let by = By::Message { may_open_microphones: false };
    driven.event(Event::Set { address: address("channel.a.source-select"), value: word("b"), by });
    assert_eq!(driven.effects.iter().flat_map(|(_, effects)| &effects.refused).count(), 1);
    assert!(!driven.desk.is_microphone("a"));
    // By a hand: the room's loudspeakers first, as for every opening. 5 ms of mute and 5 ms of silence.
    let at = driven.now;
    driven.set("channel.a.source-select", word("b"));
    assert!(!driven.desk.is_microphone("a"), "it waits");
    assert_eq!(value(&driven.desk, "output.speakers.muted"), "on");
    assert_eq!(value(&driven.desk, "room.hall.tally"), "live");
    driven.pass(5);
    assert!(!driven.desk.is_microphone("a"), "it still waits");
    driven.pass(15);
    assert!(driven.desk.is_microphone("a"));
    assert_eq!(driven.aimed(driven.gate(Bank::Outputs, "speakers"), 0.0, at).first(), Some(&at));
    assert_eq!(value(&driven.desk, "channel.a.tally"), "live");
    assert_eq!(value(&driven.desk, "output.booth-speakers.muted"), "off");
    // One microphone in place of another, in another room: that room is silent first.
    driven.set("channel.a.source-b", word("in-2"));
    assert_eq!(value(&driven.desk, "output.booth-speakers.muted"), "on");
    driven.pass(5);
    let carries = |driven: &Driven| value(&driven.desk, "channel.a.source-b");
    assert_eq!(carries(&driven), "in-1", "it waits");
    driven.pass(15);
    assert_eq!((carries(&driven), value(&driven.desk, "room.booth.tally")), ("in-2".to_owned(), "live".to_owned()));
    // From the network not even that.
    driven.event(Event::Set { address: address("channel.a.source-b"), value: word("in-1"), by });
    assert_eq!(carries(&driven), "in-2");
    // Back to the line: dark, and the rooms are heard again.
    driven.set("channel.a.source-select", word("a"));
    driven.pass(1_500);
    for (path, wanted) in [
        ("channel.a.tally", "dark"),
        ("room.hall.tally", "dark"),
        ("room.booth.tally", "dark"),
        ("output.speakers.muted", "off"),
        ("output.booth-speakers.muted", "off"),
        ("channel.a.switch", "open"),
    ] {
        assert_eq!(value(&driven.desk, path), wanted, "{path}");
    }
}

#[test]
fn nothing_automatic_selects_a_microphone_on_an_open_channel() {
    // A file.
    let mut driven = Driven::new(two_sources());
    let mut edited = two_sources();
    edited.profile.values.insert(address("channel.a.source-select"), word("b"));
    driven.event(Event::Install { installation: Box::new(edited.clone()), reread: true });
    assert_eq!(value(&driven.desk, "channel.a.source-select"), "b");
    assert_eq!(value(&driven.desk, "channel.a.switch"), "closed");
    let fresh = Driven::new(edited);
    assert_eq!(value(&fresh.desk, "channel.a.switch"), "closed");
    // A recall, of a scene as of an earlier mix: what it wants besides is done.
    let mut driven = Driven::new(two_sources());
    let values =
        vec![(address("channel.a.source-select"), word("b")), (address("channel.a.fader"), Value::Number(-6.0))];
    let what = longthrow::desk::Recall::Mix { values, fade_s: 0.5 };
    driven.event(Event::Recall { what, by: By::Message { may_open_microphones: true } });
    driven.pass(2_000);
    assert_eq!(value(&driven.desk, "channel.a.source-select"), "a");
    assert_eq!(value(&driven.desk, "channel.a.fader"), "-6.0");
    // The mix that the profile starts with, by one press.
    let mut prepared = two_sources();
    prepared.profile.values.insert(address("channel.a.source-select"), word("b"));
    let mut driven = Driven::new(prepared);
    driven.set("channel.a.source-select", word("a"));
    driven.set("channel.a.switch", word("open"));
    driven.pass(100);
    driven.set("desk.restore", word("on"));
    driven.pass(100);
    assert_eq!(value(&driven.desk, "channel.a.source-select"), "a");
    // A restart, with the microphone selected: closed, unless promise 5 lets it.
    for (microphones_open, switch) in [(false, "closed"), (true, "open")] {
        let mut before = Driven::new(two_sources());
        before.set("channel.a.source-select", word("b"));
        before.set("channel.a.trim-b", Value::Number(9.0));
        before.set("channel.a.pad-b", word("on"));
        before.pass(100);
        let values = before.desk.mix().map(|(address, value)| (address.clone(), value.clone())).collect();
        let mut after = Driven::new(two_sources());
        after.event(Event::Restore { values, microphones_open });
        after.pass(100);
        for (path, wanted) in
            [("source-select", "b"), ("source-b", "in-1"), ("trim-b", "9.0"), ("pad-b", "on"), ("switch", switch)]
        {
            assert_eq!(value(&after.desk, &format!("channel.a.{path}")), wanted, "{path}");
        }
        assert!(after.desk.is_microphone("a"));
    }
    // A rig that has lost the line: the channel carries nothing then, not the microphone.
    let mut driven = Driven::new(two_sources());
    driven.event(Event::Set { address: address("channel.a.source-b"), value: word("off"), by: By::Desk });
    driven.set("channel.a.source-select", word("b"));
    assert_eq!(value(&driven.desk, "channel.a.source-select"), "a", "there is none to select");
}

#[test]
fn a_button_goes_from_one_source_to_the_other_and_its_lamp_says_so() {
    let mut installation = two_sources();
    installation.rig.control_ports = vec![ControlPort {
        id: id("panel"),
        reach: Reach::Osc { address: "127.0.0.1".parse().expect("an address"), reply: None },
    }];
    installation.panel.controls = vec![Control {
        id: id("ab"),
        place: "1".to_owned(),
        kind: ControlKind::Momentary,
        port: id("panel"),
        message: Message::Osc { address: "/ab".to_owned(), lowest: 0.0, highest: 1.0 },
        calibration: None,
        travel_mm: 60.0,
        feedback: true,
    }];
    installation.profile.moves = vec![Move {
        control: id("ab"),
        target: address("channel.a.source-select"),
        response: None,
        step: None,
        rejoin: Rejoin::Meet,
    }];
    let mut driven = Driven::new(installation);
    for (selected, lamp) in [("b", 1.0), ("a", 0.0), ("b", 1.0)] {
        driven.effects.clear();
        let arguments = vec![];
        let message = longthrow::panel::osc::Message { address: "/ab".to_owned(), arguments };
        driven.event(Event::PanelOsc { port: PortIndex(0), message });
        driven.pass(100);
        assert_eq!(value(&driven.desk, "channel.a.source-select"), selected);
        let told = driven.effects.iter().flat_map(|(_, effects)| &effects.feedback).last().expect("told");
        assert_eq!(told.travel.get(), lamp);
    }
}
