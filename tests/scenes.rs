//! Kept parts of a mix: recalled by a fade, kept by a held button, and the mix as it was at another time.
#![allow(clippy::print_stdout, reason = "the figures that were measured")]

#[path = "support/show.rs"]
#[allow(dead_code, reason = "each test uses a part of it")]
mod show;
#[path = "support/mod.rs"]
mod support;

use longthrow::daemon::offline::{Buffers, Offline};
use longthrow::daemon::{past, state};
use longthrow::desk::journal::{At, Line, Ports, What};
use longthrow::desk::{By, Desk, Effects, Event, Recall, SceneToKeep};
use longthrow::dsp::lanes::Vectors;
use longthrow::engine::Feed;
use longthrow::panel::osc::{Argument, Message};
use longthrow::panel::{ControlIndex, PortIndex};
use longthrow::params::{Address, Key, Nature, Value};
use longthrow::profile::{
    self, Control, ControlKind, ControlPort, InputKind, Installation, Move, Part, Reach, Rejoin, Scene, SceneButton,
};
use longthrow::units::Frames;
use show::{RATE, id, installation, set};
use std::collections::BTreeMap;
use support::daemon::Daemon;
use support::wait_until;

const BY: By = By::Message { may_open_microphones: true };
/// Where a fader that was off begins, dB; the mixes below have levels from -80 to 0.
const FLOOR_DB: f32 = -60.0;

fn address(path: &str) -> Address {
    Address::from_dotted(path).expect(path)
}

fn word(text: &str) -> Value {
    Value::Word(text.into())
}

fn value(desk: &Desk, path: &str) -> Value {
    desk.value(&address(path)).expect(path)
}

fn level(desk: &Desk, channel: &str) -> f32 {
    value(desk, &format!("channel.{channel}.fader")).decibels().get()
}

/// A scene from lines `channel.a.fader = -6.0`.
fn scene(name: &str, fade_s: f32, lines: &str) -> Scene {
    let values = lines.lines().map(|line| {
        let (path, value) = line.split_once(" = ").expect("path = value");
        let parsed = value.parse().map_or_else(|_| Value::Word(value.into()), Value::Number);
        let address = address(path);
        let value = address.key.parameter().accept(&parsed).expect(line);
        (address, value)
    });
    let values: BTreeMap<Address, Value> = values.collect();
    Scene { fade_s, values, ..Scene::new(id(name)) }
}

fn recall(name: &str) -> Event {
    Event::Recall { what: Recall::Scene(id(name)), by: BY }
}

/// Lets time go by; what happened at each deadline.
fn pass(desk: &mut Desk, until: u64) -> Vec<(u64, Effects)> {
    let mut all = Vec::new();
    engine(desk, 0);
    while let Some(at) = desk.next_deadline().filter(|at| at.0 <= until) {
        all.push((at.0, desk.handle(at, Event::Deadline)));
        engine(desk, at.0);
    }
    desk.handle(Frames(until), Event::Deadline);
    all
}

/// The engine takes everything at once.
fn engine(desk: &mut Desk, at: u64) {
    while let Some(sent) = desk.take() {
        let sequence = match sent {
            longthrow::desk::ToEngine::Batch { sequence, .. } => sequence,
            longthrow::desk::ToEngine::Plan(send) => send.plan.sequence,
        };
        desk.handle(Frames(at), Event::Echo { sequence, frame: Frames(at) });
    }
}

// ---- what a recall may do ----

/// Random, and the same every time.
struct Chance(u64);

impl Chance {
    fn below(&mut self, limit: u64) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % limit
    }

    fn of<'a>(&mut self, words: &[&'a str]) -> &'a str {
        words[self.below(words.len() as u64) as usize]
    }

    fn mix(&mut self, channels: &[&str]) -> String {
        let mut lines = String::new();
        for channel in channels {
            let level = format!("{:.1}", -0.1 * self.below(800) as f32);
            let fader = if self.below(4) == 0 { "off" } else { &level };
            lines += &format!(
                "channel.{channel}.switch = {}\nchannel.{channel}.fader = {fader}\nchannel.{channel}.pan = {:.2}\n\
                 channel.{channel}.assign.programme = {}\nchannel.{channel}.assign.audition = {}\n",
                self.of(&["open", "closed"]),
                -1.0 + 0.02 * self.below(101) as f32,
                self.of(&["on", "off"]),
                self.of(&["on", "off", "off"]),
            );
        }
        lines + &format!("bus.programme.fader = {:.1}\n", -0.1 * self.below(300) as f32)
    }
}

const CHANNELS: [&str; 6] = ["a", "b", "c", "d", "e", "f"];
const RECALLS: u64 = 200;

#[test]
fn two_hundred_recalls_open_no_microphone_and_raise_nothing_faster_than_their_fade() {
    let mut chance = Chance(5);
    let (mut steepest, mut risen, mut microphones) = (0.0_f32, 0, 0);
    for round in 0..RECALLS {
        let mut lines = chance.mix(&CHANNELS);
        for (n, channel) in CHANNELS.iter().enumerate() {
            lines += &format!("channel.{channel}.source = in-{}\n", n + 1);
        }
        let mut show = installation(6, &lines);
        // Two microphones, and one channel that the scene leaves alone.
        show.rig.inputs[0].kind = InputKind::Microphone;
        show.rig.inputs[1].kind = InputKind::Microphone;
        let fade_s = 0.2 + 0.1 * chance.below(30) as f32;
        let mut kept = scene("next", fade_s, chance.mix(&CHANNELS).trim());
        kept.protect = vec![id("f")];
        show.profile.scenes = vec![kept.clone()];
        let mut desk = Desk::new(show, RATE);
        pass(&mut desk, 48_000);
        // A hand may have opened them before.
        for channel in ["a", "b"] {
            if chance.below(3) == 0 {
                desk.handle(Frames(48_000), set(&format!("channel.{channel}.switch"), word("open")));
            }
        }
        let live = |desk: &Desk| -> Vec<&str> {
            ["a", "b"].into_iter().filter(|channel| desk.is_open_on_air(&id(channel))).collect()
        };
        let opened = live(&desk);
        let before: BTreeMap<Address, Value> = desk.mix().map(|(path, value)| (path.clone(), value.clone())).collect();
        let mut levels = before.clone();
        let mut last = 48_000;
        let mut happened = vec![(48_000, desk.handle(Frames(48_000), recall("next")))];
        happened.extend(pass(&mut desk, 48_000 * 6));
        for (at, effects) in happened {
            // What the desk tells of itself, such as tallies, is no value of the mix.
            let kept_values = effects.changed.into_iter().filter(|(path, _)| path.key.nature() == Nature::Kept);
            for (path, value) in kept_values {
                assert!(*path.id != *"f", "round {round}: {path} is protected");
                let old = levels.insert(path.clone(), value.clone()).expect("it was there");
                let on_air = desk.channels().any(|channel| *channel.id == *path.id);
                if !matches!(path.key, Key::ChannelFader | Key::BusFader) || !on_air && path.key == Key::ChannelFader {
                    continue;
                }
                // A fader of a channel that nobody hears may stand anywhere.
                let is = |key: Address, state: &str| levels.get(&key) == Some(&word(state));
                let assigned = ["programme", "audition"]
                    .map(|bus| is(Address::with_further(Key::ChannelAssign, &path.id, bus), "on"));
                let open = is(Address::new(Key::ChannelSwitch, &path.id), "open") && assigned.contains(&true);
                let closed = path.key == Key::ChannelFader && !open;
                let (old, new) = (old.decibels().get(), value.decibels().get());
                let rise = new - old.max(FLOOR_DB.min(new));
                let slope = 80.0 / fade_s * (at - last).max(480) as f32 / 48_000.0;
                assert!(closed || rise <= slope * 1.001, "round {round}: {path} rose {rise} dB at {at}");
                if !closed && rise > 0.0 {
                    (steepest, risen) = (steepest.max(rise / slope), risen + 1);
                }
            }
            last = at;
            // Of those at the end or under way, none is open that no hand opened.
        }
        for channel in live(&desk) {
            assert!(opened.contains(&channel), "round {round}: microphone {channel} was opened");
            microphones += 1;
        }
        assert!(!desk.fading(), "round {round}");
        for (path, now) in desk.mix() {
            if *path.id == *"f" {
                assert_eq!(Some(now), before.get(path), "round {round}: {path}");
            }
            // Numbers of what it may touch have arrived, but for microphones that a hand has to open.
            let arrives = kept.touches(path) && !["a", "b"].contains(&&*path.id);
            if let Some(wanted) = kept.values.get(path).filter(|_| arrives && path.key != Key::ChannelAssign) {
                let on_air = path.key == Key::ChannelSwitch && desk.is_open_on_air(&path.id.as_ref().into());
                assert!(on_air || now == wanted, "round {round}: {path} is {now}, not {wanted}");
            }
        }
    }
    assert!(risen > 1000 && microphones > 20, "{risen} {microphones}: the test tries what it says");
    println!("{RECALLS} recalls: {risen} steps up, the steepest {steepest:.3} of the slope; no microphone opened");
}

/// What a constant input comes out as, frame for frame.
fn heard(show: Installation, events: Vec<(u64, Event)>, frames: usize) -> [Vec<f32>; 2] {
    let no_files = Box::new(|_: &std::path::Path, _: bool, _: bool| Feed::default());
    let mut desk = Offline::with_desk(Desk::at_once(show, RATE), Vectors::widest(), no_files);
    for (at, event) in events {
        desk.at(Frames(at), event);
    }
    let wave = |n: usize| (0..frames).map(|frame| 0.5 + 0.1 * ((frame * (n + 3)) % 97) as f32 / 97.0).collect();
    let inputs = vec![vec![0.5; frames], wave(1)];
    let mut buffers = Buffers { inputs, outputs: vec![vec![0.0; frames]; 2], offset: 0, frames };
    desk.process(&mut buffers);
    let [left, right]: [Vec<f32>; 2] = buffers.outputs.try_into().expect("two");
    [left, right]
}

/// One channel to each side.
fn two_sides(first: &str) -> Installation {
    let second = "channel.b.source = in-2\nchannel.b.switch = open\nchannel.b.fader = -3.0\nchannel.b.pan = 1.0\n\
                  channel.b.assign.programme = on\n";
    installation(2, &format!("channel.a.source = in-1\nchannel.a.pan = -1.0\n{first}{second}"))
}

const CLOSED: &str = "channel.a.switch = closed\nchannel.a.fader = 0.0\nchannel.a.assign.programme = on\n";
const OFF: &str = "channel.a.switch = open\nchannel.a.fader = 0.0\nchannel.a.assign.programme = on\n";
const APART: &str = "channel.a.switch = open\nchannel.a.fader = 0.0\n";

#[test]
fn a_line_comes_up_from_its_floor_and_a_channel_that_is_protected_keeps_its_bytes() {
    const SECOND: usize = 48_000;
    let up = "channel.a.switch = open\nchannel.a.fader = 0.0\nchannel.a.assign.programme = on";
    for before in [CLOSED, OFF, APART] {
        // One of them was pulled to its stop from where it was loud: its level still stands there, behind the gate.
        let off = if before == OFF { vec![(100, set("channel.a.fader", Value::Off))] } else { vec![] };
        let mut show = two_sides(before);
        let mut kept = scene("up", 2.0, &format!("{up}\nchannel.b.fader = -30.0"));
        kept.protect = vec![id("b")];
        let mix: Vec<(Address, Value)> = kept
            .values
            .iter()
            .filter(|(address, _)| *address.id == *"a")
            .map(|(a, v)| (a.clone(), v.clone()))
            .collect();
        show.profile.scenes = vec![kept];
        let mut events = off.clone();
        events.push((SECOND as u64, recall("up")));
        let [left, right] = heard(show.clone(), events, 4 * SECOND);
        // The mix of an earlier time comes back like a scene, sample by sample.
        let mut earlier = off.clone();
        let what = Recall::Mix { values: mix, fade_s: 2.0 };
        earlier.push((SECOND as u64, Event::Recall { what, by: BY }));
        assert_eq!(heard(show.clone(), earlier, 4 * SECOND)[0], left, "an earlier mix comes back another way");
        let [_, alone] = heard(show, off, 4 * SECOND);
        assert_eq!(right, alone, "the protected channel has other bytes");
        let gain = |frame: usize| 20.0 * (left[frame].abs() / 0.5).max(1e-9).log10();
        assert!(left[SECOND - 480..SECOND + 4800].iter().all(|sample| sample.abs() < 1e-3), "nothing at first");
        let arrived = gain(4 * SECOND - 1);
        assert!((gain(SECOND + 120_000) - arrived).abs() < 0.01, "{arrived}");
        // 60 dB in 2 s: 0.3 dB in 10 ms, and a little for where its glide lags behind.
        let mut steepest = 0.0_f32;
        for frame in (SECOND + 4800..SECOND + 110_000).step_by(480) {
            let (now, then) = (gain(frame), gain(frame + 480));
            if now > FLOOR_DB + 3.0 {
                steepest = steepest.max(then - now);
            } else {
                assert!(then < FLOOR_DB + 4.0 + arrived, "{then} dB at {frame}: it began with a step");
            }
        }
        assert!(steepest > 0.2 && steepest <= 0.31, "{steepest} dB in 10 ms");
        println!("{}: steepest {steepest:.3} dB in 10 ms", before.lines().next().unwrap_or_default());
    }
}

#[test]
fn a_line_that_a_scene_closes_fades_out_first_and_can_be_taken_back() {
    let mut show = two_sides(OFF);
    show.profile.scenes = vec![scene("down", 1.0, "channel.a.switch = closed\nchannel.a.fader = -10.0")];
    let mut desk = Desk::new(show, RATE);
    pass(&mut desk, 48_000);
    desk.handle(Frames(48_000), recall("down"));
    pass(&mut desk, 72_000);
    assert_eq!(value(&desk, "channel.a.switch"), word("open"), "first it fades");
    assert!(level(&desk, "a") < -20.0);
    pass(&mut desk, 120_000);
    assert_eq!((value(&desk, "channel.a.switch"), level(&desk, "a")), (word("closed"), -10.0));
    desk.handle(Frames(120_000), Event::Recall { what: Recall::Back, by: BY });
    assert_eq!(value(&desk, "channel.a.fader"), Value::Off, "it comes up from its floor");
    pass(&mut desk, 240_000);
    assert_eq!((value(&desk, "channel.a.switch"), level(&desk, "a")), (word("open"), 0.0));
    let again = desk.handle(Frames(240_000), Event::Recall { what: Recall::Back, by: BY });
    assert!(again.refused[0].why.contains("nothing was recalled"), "{again:?}");
    let unknown = desk.handle(Frames(240_000), recall("dwn"));
    assert!(unknown.refused[0].why.contains("the nearest is \"down\""), "{unknown:?}");
}

#[test]
fn what_is_on_air_keeps_its_words_and_a_microphone_waits_for_a_hand() {
    let mut show = two_sides(OFF);
    show.rig.inputs[0].kind = InputKind::Microphone;
    show.profile.scenes = vec![
        scene("open", 0.5, "channel.a.switch = open\nchannel.a.fader = -5.0\nchannel.b.assign.audition = on"),
        scene("shut", 0.5, "channel.a.switch = closed\nchannel.a.fader = -20.0"),
    ];
    let mut desk = Desk::new(show, RATE);
    let said = desk.handle(Frames(0), recall("open"));
    assert!(
        said.notes.iter().any(|note| note.contains("a keeps 1 value: a microphone is opened by a hand")),
        "{said:?}"
    );
    assert!(said.notes.iter().any(|note| note.contains("b keeps 1 value: it is on air")), "{said:?}");
    pass(&mut desk, 48_000);
    assert_eq!((value(&desk, "channel.a.switch"), level(&desk, "a")), (word("closed"), -5.0));
    assert_eq!(value(&desk, "channel.b.assign.audition"), word("off"));
    // Live by a hand: a scene moves its level and nothing else.
    desk.handle(Frames(48_000), set("channel.a.switch", word("open")));
    desk.handle(Frames(48_000), recall("shut"));
    pass(&mut desk, 96_000);
    assert_eq!((value(&desk, "channel.a.switch"), level(&desk, "a")), (word("open"), -20.0));
    // At its stop with the switch open: the fader alone would open it.
    desk.handle(Frames(96_000), set("channel.a.fader", Value::Off));
    desk.handle(Frames(96_000), recall("open"));
    pass(&mut desk, 144_000);
    assert_eq!(value(&desk, "channel.a.fader"), Value::Off);
    assert!(!desk.is_open_on_air(&id("a")));
}

// ---- hands and buttons ----

fn control(name: &str, kind: ControlKind, message: profile::Message) -> Control {
    Control {
        id: id(name),
        place: String::new(),
        kind,
        port: id("panel"),
        message,
        calibration: None,
        travel_mm: 100.0,
        feedback: kind == ControlKind::Momentary,
    }
}

/// A fader of `a`, a button that recalls and keeps, and one that cannot say that it came up.
fn with_panel() -> Desk {
    let mut show = two_sides(OFF);
    show.rig.control_ports =
        vec![ControlPort { id: id("panel"), reach: Reach::Serial { path: "/dev/none".into(), baud: 31_250 } }];
    let note = profile::Message::Note { channel: 0, number: 5 };
    show.panel.controls = vec![
        control("f1", ControlKind::Fader, profile::Message::ControlChange { channel: 0, number: 7 }),
        control("b1", ControlKind::Momentary, note),
        control("b2", ControlKind::Momentary, profile::Message::ProgramChange { channel: 0, number: 3 }),
    ];
    let target = address("channel.a.fader");
    let rejoin = Rejoin::Meet;
    show.profile.moves = vec![Move { control: id("f1"), target, response: None, step: None, rejoin }];
    let button = |name: &str| SceneButton { control: id(name), scene: id("low"), keep_after_s: Some(2.0) };
    show.profile.scene_buttons = vec![button("b1"), button("b2")];
    show.profile.scenes = vec![scene("low", 2.0, "channel.a.fader = -40.0")];
    let mut desk = Desk::new(show, RATE);
    pass(&mut desk, 48_000);
    // 0 dB stands at 0.76 of the travel: 96.5 of 127. The fader goes there and has it.
    for place in [90, 95, 97] {
        slide(&mut desk, 48_000, place);
    }
    assert!(level(&desk, "a") > 0.0);
    desk
}

fn bytes(desk: &mut Desk, at: u64, bytes: &[u8]) -> Effects {
    desk.handle(Frames(at), Event::Midi { port: PortIndex(0), bytes: bytes.to_vec() })
}

fn slide(desk: &mut Desk, at: u64, to: u8) {
    bytes(desk, at, &[0xB0, 7, to]);
}

#[test]
fn a_hand_takes_over_what_glides_and_noise_does_not() {
    let mut desk = with_panel();
    desk.handle(Frames(48_000), recall("low"));
    pass(&mut desk, 72_000);
    // The step to and fro of a worn fader.
    for at in [72_100, 72_200, 72_300] {
        slide(&mut desk, at, 96);
        slide(&mut desk, at, 97);
    }
    let before = level(&desk, "a");
    pass(&mut desk, 96_000);
    assert!(level(&desk, "a") < before - 5.0, "noise stopped the fade");
    // A hand: it stops where it stands, and the fader, above it, raises nothing on its way down.
    slide(&mut desk, 96_100, 92);
    let stopped = level(&desk, "a");
    pass(&mut desk, 192_000);
    assert!((level(&desk, "a") - stopped).abs() < 1e-6, "the fade went on under a hand");
    let waits = desk.waiting_controls().any(|(control, ..)| control == ControlIndex(0));
    assert!(waits, "it has to rejoin");
    for place in (20..92).rev() {
        slide(&mut desk, 192_100, place);
        assert!(level(&desk, "a") <= stopped + 1e-6, "a move down raised it");
    }
    assert!(level(&desk, "a") < stopped - 5.0, "met on its way down, and followed from there");
}

#[test]
fn faders_whose_place_differs_rejoin_after_a_recall() {
    let mut desk = with_panel();
    desk.handle(Frames(48_000), recall("low"));
    pass(&mut desk, 192_000);
    assert!((level(&desk, "a") + 40.0).abs() < 1e-6);
    slide(&mut desk, 192_000, 110);
    assert!((level(&desk, "a") + 40.0).abs() < 1e-6, "up never grabs");
}

#[test]
fn a_press_recalls_and_a_held_button_keeps() {
    let mut desk = with_panel();
    let lit =
        |effects: &Effects| effects.feedback.iter().find(|f| f.control == ControlIndex(1)).map(|f| f.travel.get());
    let down = bytes(&mut desk, 48_000, &[0x90, 5, 127]);
    assert!(down.keep.is_empty() && !desk.fading(), "nothing before it comes up");
    let up = bytes(&mut desk, 60_000, &[0x90, 5, 0]);
    assert!(desk.fading() && up.hand);
    assert_eq!(lit(&up), Some(1.0));
    pass(&mut desk, 200_000);
    assert!((level(&desk, "a") + 40.0).abs() < 1e-6);
    // Held: kept once, recalled never.
    desk.handle(Frames(200_000), set("channel.a.fader", Value::Number(-12.0)));
    bytes(&mut desk, 200_000, &[0x90, 5, 127]);
    let held = pass(&mut desk, 330_000);
    let kept: Vec<u64> = held.iter().filter(|(_, effects)| !effects.keep.is_empty()).map(|(at, _)| *at).collect();
    assert_eq!(kept, [296_000]);
    let lamps: Vec<f32> = held.iter().filter_map(|(_, effects)| lit(effects)).collect();
    assert_eq!(lamps, [0.0, 1.0], "it blinks");
    bytes(&mut desk, 330_000, &[0x90, 5, 0]);
    assert!(!desk.fading());
    let scene = desk.scene_to_keep(&SceneToKeep { id: "low".into(), ..SceneToKeep::default() }).expect("it is known");
    assert_eq!(scene.values.get(&address("channel.a.fader")), Some(&Value::Number(-12.0)));
    // Which of two sources is selected belongs to the routes; what the sources are does not belong to a mix.
    let of_a_source = |path: &Address| [".source", ".source-b"].iter().any(|end| path.to_string().ends_with(end));
    assert!(!scene.values.keys().any(of_a_source));
    // Touched in order to be assigned it does neither.
    desk.handle(Frames(331_000), Event::Teach { begins: true });
    bytes(&mut desk, 331_000, &[0x90, 5, 127]);
    bytes(&mut desk, 332_000, &[0x90, 5, 0]);
    bytes(&mut desk, 333_000, &[0xC0, 3]);
    assert!(!desk.fading(), "a touch recalled the scene");
    desk.handle(Frames(334_000), Event::Teach { begins: false });
    // One that never says that it came up recalls at once and keeps nothing.
    let press = bytes(&mut desk, 340_000, &[0xC0, 3]);
    assert!(press.keep.is_empty() && desk.fading());
    assert!(pass(&mut desk, 600_000).iter().all(|(_, effects)| effects.keep.is_empty()));
}

#[test]
fn a_scene_keeps_what_it_is_about_and_no_switch_of_a_microphone() {
    let mut show = two_sides(OFF);
    show.rig.inputs[0].kind = InputKind::Microphone;
    let desk = Desk::new(show, RATE);
    let ask = |scope: &[Part], protect: &[&str]| SceneToKeep {
        id: "first".into(),
        scope: Some(scope.to_vec()),
        protect: Some(protect.iter().map(|id| (*id).to_owned()).collect()),
        ..SceneToKeep::default()
    };
    let paths = |scene: Scene| scene.values.keys().map(ToString::to_string).collect::<Vec<_>>();
    let kept = desk.scene_to_keep(&ask(&[Part::Levels, Part::Switches], &[])).expect("sound");
    assert_eq!(
        paths(kept),
        ["channel.b.switch", "channel.a.fader", "channel.b.fader", "bus.audition.fader", "bus.programme.fader"]
    );
    let kept = desk.scene_to_keep(&ask(&[Part::Levels], &["b"])).expect("sound");
    assert_eq!(paths(kept), ["channel.a.fader", "bus.audition.fader", "bus.programme.fader"]);
    let refused = desk.scene_to_keep(&ask(&[Part::Levels], &["bb"])).expect_err("no such channel");
    assert!(refused.contains("there is no channel \"bb\""), "{refused}");
    let slow = SceneToKeep { fade_s: Some(0.0), id: "first".into(), ..SceneToKeep::default() };
    assert!(desk.scene_to_keep(&slow).is_err_and(|why| why.contains("0.2 to 60")));
}

// ---- the mix of another time ----

#[test]
fn the_journal_tells_the_mix_of_a_time_across_runs_and_profiles() {
    let folder = tempfile::tempdir().expect("a folder");
    let journal = folder.path().join("journal");
    std::fs::create_dir(&journal).expect("made");
    let texts = profile::demo();
    let rig = profile::check(&texts).0.and_then(profile::Checked::into_installation).expect("sound").rig;
    let line = |minutes: u64, what: What| {
        Line { at: At::Frame(Frames(minutes * 60 * 48_000)), sequence: None, from: None, what }.to_string() + "\n"
    };
    let event = |minutes, event: &Event| line(minutes, What::of(event, &Ports::of(&rig)).expect("it is journaled"));
    let start = |civil: &str| {
        let what = What::Profile { name: "demo".into(), texts: Box::new(texts.clone()), reread: false };
        line(0, What::Start { civil: civil.into(), rate: RATE }) + &line(0, what)
    };
    let fader = |minutes, level| event(minutes, &set("channel.lectern.fader", Value::Number(level)));
    let message = Message { address: "/panel/fader-3".into(), arguments: vec![Argument::Float(0.0)] };
    let first = start("2031-02-03T18:00:00Z") + &fader(10, -33.0);
    let second = start("2031-02-03T20:00:00Z")
        + &fader(10, -9.0)
        // A hand, as it came in: what it came to is in no line.
        + &event(12, &Event::PanelOsc { port: PortIndex(0), message })
        + "{\"frame\":5\n";
    std::fs::write(journal.join("journal-000001.jsonl"), first + &second).expect("written");
    // The run goes on in the next file.
    std::fs::write(journal.join("journal-000002.jsonl"), fader(15, -21.0)).expect("written");
    let at = |text: &str| {
        let at = longthrow::ports::zone::rfc_3339(text).expect(text);
        past::mix_at(folder.path(), at).map(|past| {
            let of = |path: &str| {
                past.values.iter().find(|(known, _)| *known == address(path)).map(|(_, value)| value.to_string())
            };
            (of("channel.lectern.fader").expect("there"), of("channel.room.fader").expect("there"), past.goes_on)
        })
    };
    let (_, room, _) = at("2031-02-03T20:09:59Z").expect("it reaches back");
    assert_ne!(room, "off");
    assert_eq!(at("2031-02-03T20:14:00Z"), Ok(("-9.0".to_owned(), "off".to_owned(), true)));
    assert_eq!(at("2031-02-03T21:14:00+01:00"), at("2031-02-03T20:14:00Z"));
    assert_eq!(at("2031-02-03T20:15:00Z").map(|(lectern, ..)| lectern).as_deref(), Ok("-21.0"));
    // Between the runs: as the first one ended.
    let (lectern, _, goes_on) = at("2031-02-03T19:00:00Z").expect("it reaches back");
    assert_eq!((lectern.as_str(), goes_on), ("-33.0", false));
    assert!(at("2031-02-03T17:00:00Z").is_err_and(|why| why.contains("does not reach back")));
}

#[test]
fn the_last_hundred_accepted_revisions_are_kept() {
    let folder = tempfile::tempdir().expect("a folder");
    for number in 1..=130 {
        assert_eq!(state::accept(folder.path(), "profile", &format!("# {number}\n")).expect("kept"), number);
    }
    let kept = state::accepted_revisions(folder.path(), "profile").expect("readable");
    let numbers: Vec<u64> = kept.iter().map(|revision| revision.number).collect();
    assert_eq!(numbers, (31..=130).collect::<Vec<u64>>());
    assert!(kept.iter().all(|revision| revision.text == format!("# {}\n", revision.number)));
}

// ---- the running desk ----

const RIG: &str = "form = 1\nkind = \"rig\"\nrate_hz = 48000\n[network]\nlisten = \"127.0.0.1:0\"\n\
    [device.box]\nhost = \"jack\"\nidentity = \"nowhere-at-all\"\ninputs = 1\noutputs = 2\n\
    [input.speech]\nkind = \"line\"\ngenerator = \"speech-like\"\nlevel_dbfs = -20.0\n\
    [input.mic]\nkind = \"microphone\"\ndevice = \"box\"\nchannels = [1]\n\
    [output.stream]\nkind = \"feed\"\ndevice = \"box\"\nchannels = [1, 2]\n\
    [control-port.frame]\nkind = \"osc\"\naddress = \"127.0.0.1\"\n";
const PANEL: &str = "form = 1\nkind = \"panel\"\n\
    [control.b1]\nkind = \"momentary\"\nport = \"frame\"\nmessage = \"osc\"\naddress = \"/panel/b1\"\n";
const PROFILE: &str = "form = 1\nkind = \"profile\"\nname = \"Scenes\"\n\
    [channel.reader]\nsource = \"speech\" # the lectern's own\nswitch = \"open\"\nfader = -6.0\nassign.programme = \"on\"\n\
    [channel.host]\nsource = \"mic\"\nfader = 0.0\nassign.programme = \"on\"\n";

fn longthrow(daemon: &Daemon, arguments: &[&str]) -> (i32, String) {
    let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_longthrow"));
    let output = command.args(arguments).arg("--state").arg(daemon.state()).output().expect("it runs");
    let text = String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
    (output.status.code().unwrap_or(-1), text)
}

fn number(daemon: &Daemon, path: &str) -> f32 {
    match daemon.ask(path) {
        Argument::Float(number) => number,
        other => panic!("{path}: {other:?}"),
    }
}

#[test]
fn a_scene_is_kept_recalled_and_taken_back_by_commands_osc_and_a_held_button() {
    let daemon = Daemon::start(RIG, Some(PANEL), PROFILE);
    let profile = daemon.folder().join("profile.toml");
    let text = || std::fs::read_to_string(&profile).expect("there");
    let reader = |level: f32| {
        wait_until("the reader's fader is there", || (number(&daemon, "/channel/reader/fader") - level).abs() < 1e-4);
    };
    assert!(longthrow(&daemon, &["recall"]).1.contains("has no scenes"));
    let (code, said) =
        longthrow(&daemon, &["keep", "opening", "--scope", "levels,switches", "--fade", "0.4", "--protect", "host"]);
    assert_eq!(code, 0, "{said}");
    daemon.await_line("revision 2 is in force");
    let expected = "\n[scene.opening]\nscope = [\"levels\", \"switches\"]\nprotect = [\"host\"]\nfade_s = 0.4\n\n\
        [scene.opening.channel.reader]\nswitch = \"open\"\nfader = -6.0\n";
    assert!(text().starts_with(PROFILE) && text().contains(expected), "{}", text());
    // A network's recall, and a command's, from other places.
    daemon.set("/channel/reader/fader", -30.0);
    daemon.set("/channel/host/fader", -12.0);
    daemon.say("/scene/opening/recall", &[]);
    reader(-6.0);
    assert!((number(&daemon, "/channel/host/fader") + 12.0).abs() < 1e-6, "it is protected");
    assert!(longthrow(&daemon, &["recall"]).1.contains("the last one"));
    daemon.say("/scene/back", &[]);
    reader(-30.0);
    let (code, said) = longthrow(&daemon, &["recall", "opening"]);
    assert!(code == 0 && said.contains("channel.reader.fader") && said.contains("-30.0 -> -6.0"), "{said}");
    reader(-6.0);
    assert_eq!(longthrow(&daemon, &["recall", "--back"]).0, 0);
    reader(-30.0);
    let (code, said) = longthrow(&daemon, &["recall", "openin"]);
    assert!(code == 1 && said.contains("the nearest is \"opening\""), "{said}");
    let (code, said) = longthrow(&daemon, &["keep", "opening", "--scope", "faders"]);
    assert!(code == 1 && said.contains("accepted: levels, places"), "{said}");
    // A button of the panel: pressed it recalls, held it keeps.
    let moves = "\n[moves]\nb1 = { target = \"scene.opening\", keep_after_s = 1.0 }\n";
    std::fs::write(&profile, text() + moves).expect("written");
    daemon.await_line("revision 3 is in force");
    let button = |down: i32| daemon.say("/panel/b1", &[Argument::Int(down)]);
    button(1);
    button(0);
    reader(-6.0);
    daemon.set("/channel/reader/fader", -15.5);
    button(1);
    daemon.await_line("a hand keeps the mix as scene opening");
    button(0);
    daemon.await_line("revision 4 is in force");
    assert!(text().contains("fader = -15.5\n") && text().contains("fader = -6.0\n"), "{}", text());
    // It is undone as any edit is.
    assert_eq!(longthrow(&daemon, &["undo"]).0, 0);
    daemon.await_line("revision 5 is in force");
    assert!(!text().contains("-15.5"), "{}", text());
}

#[test]
fn the_mix_of_a_while_ago_comes_back_by_a_ramp_and_opens_no_microphone() {
    let daemon = Daemon::start(RIG, Some(PANEL), PROFILE);
    daemon.set("/channel/reader/fader", -9.5);
    daemon.word("/channel/host/switch", "open");
    assert!((number(&daemon, "/channel/reader/fader") + 9.5).abs() < 1e-4);
    // The journal's start is told in whole seconds.
    std::thread::sleep(std::time::Duration::from_millis(2100));
    let then = state::civil_text();
    std::thread::sleep(std::time::Duration::from_millis(2100));
    daemon.set("/channel/reader/fader", -40.0);
    daemon.word("/channel/host/switch", "closed");
    wait_until("both are done", || format!("{:?}", daemon.ask("/channel/host/switch")).contains("closed"));
    let (code, said) = longthrow(&daemon, &["recall", "--at", &then]);
    assert_eq!(code, 0, "{said}");
    for part in ["-40.0 -> -9.5", "closed -> open   stays: a microphone is opened by a hand", "nothing was changed"] {
        assert!(said.contains(part), "{part} in {said}");
    }
    assert!((number(&daemon, "/channel/reader/fader") + 40.0).abs() < 1e-4, "only told");
    let (code, said) = longthrow(&daemon, &["recall", "--at", &then, "--yes", "--fade", "0.5"]);
    assert_eq!(code, 0, "{said}");
    wait_until("it is as it was", || (number(&daemon, "/channel/reader/fader") + 9.5).abs() < 1e-4);
    assert!(format!("{:?}", daemon.ask("/channel/host/switch")).contains("closed"), "no hand opened it");
    assert_eq!(longthrow(&daemon, &["recall", "--back"]).0, 0);
    wait_until("it is taken back", || (number(&daemon, "/channel/reader/fader") + 40.0).abs() < 1e-4);
    for (time, code, part) in [
        ("25:00", 2, "is no time"),
        ("2131-02-03T20:14:00Z", 2, "has not been yet"),
        ("2001-02-03T20:14:00Z", 1, "does not reach back"),
    ] {
        let (found, said) = longthrow(&daemon, &["recall", "--at", time]);
        assert!(found == code && said.contains(part), "{time}: {found} {said}");
    }
}
