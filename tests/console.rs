//! Console logic against job practice: who is live, what is lit and muted for it, who listens and who talks.
//!
//! What ought to be is written here anew, in [`Truth`], from the practice of live rooms (common practice, no source: a microphone
//! is live when its switch is on, its fader above off, and a bus that people outside hear, and that is not in rehearsal, gets
//! it). It shares nothing with the desk's own tables.

#[path = "support/show.rs"]
#[allow(dead_code, reason = "each test uses a part of it")]
mod show;

use longthrow::daemon::offline::{Buffers, Offline};
use longthrow::desk::{By, ContactDo, Desk, Effects, Event, ToEngine};
use longthrow::dsp::lanes::Vectors;
use longthrow::engine::{Bank, Command, Edit, Target};
use longthrow::params::{Address, Value};
use longthrow::profile::{Contact, InputKind, Installation, Output, OutputKind, Room};
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

/// What can be moved, each in a few states.
const MOVED: [(&str, &[&str]); 9] = [
    ("channel.a.switch", &["closed", "open"]),
    ("channel.a.fader", &["off", "-10.0"]),
    ("channel.a.assign.programme", &["off", "on"]),
    ("channel.a.assign.audition", &["off", "on"]),
    ("channel.b.switch", &["closed", "open"]),
    ("bus.programme.rehearsal", &["off", "on"]),
    ("bus.audition.rehearsal", &["off", "on"]),
    ("bus.audition.air", &["by-outputs", "always", "never"]),
    ("output.feed.source", &["programme", "audition"]),
];

type State = [usize; MOVED.len()];

/// Who ought to be live.
struct Truth {
    a: bool,
    b: bool,
}

impl Truth {
    fn of(state: &State) -> Self {
        let [switch, fader, to_programme, to_audition, b_switch, programme_rehearses, audition_rehearses, air, feed] =
            state.map(|state| state);
        let programme_heard = feed == 0 && programme_rehearses == 0;
        let audition_heard = (air == 1 || (air == 0 && feed == 1)) && audition_rehearses == 0;
        Self {
            a: switch == 1
                && fader == 1
                && ((to_programme == 1 && programme_heard) || (to_audition == 1 && audition_heard)),
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

const CHANNELS: &str = "channel.a.source = in-1\nchannel.b.source = in-2\nchannel.b.fader = 0.0\n\
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
                Target::Gate { bank: Bank::Sources, column: c } => c == column,
                Target::ToBus { from, .. } => from == column,
                Target::ToOutput { to, .. } => to / 2 == feed / 2,
                _ => false,
            }
    };
    let heard = driven.commands.iter().filter(|(at, command)| *at >= since && rises(command)).map(|(at, _)| *at).min();
    // Rehearsal and "air" move nothing in the engine: there it counts from when the desk takes it as on air.
    heard.or_else(|| {
        let told = driven.effects.iter().filter(|(at, effects)| {
            *at >= since
                && effects.changed.iter().any(|(address, _)| {
                    let path = address.to_string();
                    path.ends_with("rehearsal") || path.ends_with("air") || path.ends_with("source")
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
        for late_ms in [0_u8, 20] {
            for offset in [0_usize, 1, 7, 15, 16, 33] {
                let mut installation = hall(&lines);
                installation.rig.console.rooms[0].latency_ms = f32::from(late_ms);
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
                let square = |n: usize| if n % 2 == 0 { 0.5 } else { -0.5 };
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
                assert!(back >= closes + 300 * 48, "{way}: {} ms for the room to die away", (back - closes) / 48);
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
