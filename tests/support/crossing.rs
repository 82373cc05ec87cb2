//! Everything that crosses into the audio thread, driven on one thread: plans with columns coming and going, batches,
//! tapes wound and rewound, the wires of a second device, meters that nobody reads, samples that are no audio, blocks
//! from 1 to 4,096 frames.

use super::show::{RATE, installation, set};
use longthrow::daemon::offline::Buffers;
use longthrow::desk::{Desk, Event, FeedSpec, ToEngine, engine_settings};
use longthrow::dsp::lanes::Vectors;
use longthrow::engine::{Engine, Feed};
use longthrow::handoff::{
    Carried, Console, Incoming, Link, LinkEnd, Links, Place, Seat, TapeWriter, Winding, carrier, crossing, tape,
};
use longthrow::params::Value;
use longthrow::profile::{InputFrom, Installation, Minus};
use longthrow::units::Frames;

/// Runs the scenario; `inside` runs each callback as the audio thread would. Gives the frames made and plans sent.
pub fn run(mut inside: impl FnMut(&mut dyn FnMut())) -> (u64, usize) {
    let (mut console, mut meters, mut seat) = crossing(Engine::new(engine_settings(RATE, Vectors::widest())));
    let mut desk = Desk::new(show(0), RATE);
    let mut second = Second { end: seat.link_end(), carried: Vec::new(), heard: 0, made: 0 };
    let mut tapes = Vec::new();
    let (mut plans, mut seed) = (0, 1_u32);
    let (mut looked_at, mut points) = (0, 0);
    for round in 0..120_usize {
        seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let now = Frames(seat.engine.frame());
        if round % 3 == 1 {
            let installation = Box::new(show(round));
            desk.handle(now, Event::Install { installation, reread: round % 2 == 0 });
        }
        for n in 1..=12 {
            let level = Value::Number(-((seed >> 8) as f32 / 16_777_216.0) * 60.0);
            desk.handle(now, set(&format!("channel.c{n}.fader"), level));
            let word = if (seed >> n) & 1 == 0 { "open" } else { "closed" };
            desk.handle(now, set(&format!("channel.c{n}.switch"), Value::Word(word.into())));
        }
        plans += send(&mut desk, &mut console, &mut tapes);
        tapes.iter_mut().for_each(fill);
        let frames = [1, 16, 17, 64, 441, 1_000, 4_096][round % 7];
        second.change(round);
        block(&mut seat, frames, round, &mut inside);
        second.hear(round);
        while let Some(echo) = console.echo() {
            desk.handle(now, Event::Echo { sequence: echo.sequence, frame: Frames(echo.frame) });
        }
        desk.handle(Frames(seat.engine.frame()), Event::Deadline);
        // Meters pile up until the ring is full, and are read then.
        if round % 40 == 39 {
            assert!(meters.read(|frame| {
                assert!(frame.frames > 0);
                looked_at += frame.proof.looked_at;
                points += frame.compared.points().0.len();
            }));
        }
    }
    assert!(second.heard > 0 && second.made > second.heard, "{} of {} heard", second.heard, second.made);
    assert!(looked_at > 0 && points > 0, "what is found out about mix-minus crosses with the meters");
    (seat.engine.frame(), plans)
}

/// A second device, whose wires begin behind those of the first: the last inputs of the show, and one output more.
struct Second {
    end: LinkEnd,
    carried: Vec<Carried>,
    /// Samples that came out and were not silence, and all that came out.
    heard: usize,
    made: usize,
}

/// What it hears; now and then no audio.
struct Noise(u32);

impl Incoming for Noise {
    fn read(&mut self, out: &mut [f32], _: u64) {
        for sample in out {
            self.0 = self.0.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            *sample = if self.0 >> 20 == 7 { f32::NAN } else { 0.1 * (self.0 >> 8) as f32 / 16_777_216.0 };
        }
    }
}

impl Second {
    /// It comes, stays while others are sent, is replaced, and goes.
    fn change(&mut self, round: usize) {
        let link = match round % 60 {
            2 | 10 => {
                let (to, carried) = carrier(2);
                self.carried.push(carried);
                Some(Box::new(Link::new(4, 2, Some(Box::new(Noise(1))), Some(to))))
            }
            5 => None,
            57 => return assert!(self.end.send(Box::new(Links::new(Vec::new()))).is_ok()),
            _ => return,
        };
        let place = Place { device: 7, first_input: 16, inputs: 4, first_output: 1, outputs: 2, link };
        assert!(self.end.send(Box::new(Links::new(vec![place]))).is_ok(), "few are on their way");
    }

    /// Takes what came out; for a long while nobody does, until its carrier is full.
    fn hear(&mut self, round: usize) {
        if !(11..55).contains(&(round % 60)) {
            for carried in &mut self.carried {
                let mut heard = |piece: &[f32]| {
                    assert!(piece.iter().all(|sample| sample.is_finite()));
                    self.made += piece.len();
                    self.heard += piece.iter().filter(|sample| **sample != 0.0).count();
                };
                while carried.next(&mut heard).is_some() {}
            }
            self.carried.retain(|carried| !carried.is_abandoned());
        }
    }
}

fn show(round: usize) -> Installation {
    let mut lines = String::new();
    for n in 1..=12 {
        let input = 1 + (n + round) % 20;
        let source = if n % 4 == 0 { format!("pair-{}", 1 + input / 3) } else { format!("in-{input}") };
        lines += &format!(
            "channel.c{n}.source = {source}\nchannel.c{n}.switch = open\nchannel.c{n}.fader = -6.0\n\
             channel.c{n}.assign.programme = on\nchannel.c{n}.assign.extra-{} = on\n\
             channel.c{n}.delay.time = {}\nchannel.c{n}.sharing.group = group-{}\nchannel.c{n}.send.level.room = -12.0\nchannel.c{n}.send.point.room = {}\n",
            round % 3,
            [0.0, 0.0, 30.0, 700.0_f32][(n + round) % 4],
            (n + round) % 3,
            ["pre-fader", "after-fader"][n % 2]
        );
    }
    let extra = round % 3;
    lines += &format!(
        "bus.extra-{extra}.fader = 0.0\nbus.extra-{extra}.assign.programme = on\nbus.room.fader = 0.0\nbus.to-c1.fader = 0.0\n"
    );
    lines += "bus.room.ducking.under = group-1\nchannel.c3.ducking.under = group-2\n";
    lines += "bus.programme.compressor.switch = on\nbus.programme.equaliser.switch = on\nbus.programme.equaliser.high.gain = 3.0\n";
    // The limiter that looks ahead and the leveller come, change and go.
    if !round.is_multiple_of(5) {
        lines += &format!("bus.programme.leveller = -23.0\noutput.feed.ceiling = -{}.0\n", 1 + round % 9);
    }
    if round.is_multiple_of(2) {
        lines += "channel.player.source = in-20\nchannel.player.switch = open\nchannel.player.fader = 0.0\nchannel.player.assign.programme = on\n";
    }
    let mut installation = installation(20, &lines);
    // Somebody hears all but themselves, who come in directly and over a group; now and then it is somebody else.
    let heard = installation.profile.buses.iter_mut().find(|bus| &*bus.id == "to-c1");
    if let (Some(bus), true) = (heard, !round.is_multiple_of(4)) {
        let less = vec![["c1", "c2"][round % 2].into()];
        bus.minus = Some(Minus { of: "programme".into(), less, off_air: Some("room".into()) });
    }
    installation.rig.inputs[19].from =
        InputFrom::File { path: "none.wav".into(), looped: round.is_multiple_of(4), stereo: false };
    installation
}

fn send(desk: &mut Desk, console: &mut Console, tapes: &mut Vec<TapeWriter>) -> usize {
    let mut plans = 0;
    while let Some(what) = desk.take() {
        match what {
            ToEngine::Batch { sequence, commands } => assert!(console.send_batch(sequence, &commands)),
            ToEngine::Plan(mut send) => {
                for (slot, spec) in send.wanted.drain(..) {
                    let feed = match spec {
                        FeedSpec::Wires(left, right) => Feed::Wires(left, right),
                        FeedSpec::File { looped, stereo, .. } => {
                            let (writer, reader) = tape(9_600, stereo, looped);
                            tapes.push(writer);
                            Feed::Tape(Box::new(reader))
                        }
                        _ => Feed::Silent,
                    };
                    send.plan.feeds.push((slot, feed));
                }
                assert!(console.send_plan(send.plan).is_ok(), "one plan at a time");
                plans += 1;
            }
        }
    }
    plans
}

fn fill(tape: &mut TapeWriter) {
    if tape.state() != Winding::Wait {
        let samples = vec![0.25; tape.room()];
        tape.write(&samples);
    }
}

fn block(seat: &mut Seat, frames: usize, round: usize, inside: &mut impl FnMut(&mut dyn FnMut())) {
    let mut wires =
        Buffers { inputs: vec![vec![0.1; frames]; 20], outputs: vec![vec![0.0; frames]; 2], offset: 0, frames };
    wires.inputs[round % 20][frames / 2] = [f32::NAN, f32::INFINITY, 1.0e30, 0.5][round % 4];
    inside(&mut || seat.process(&mut wires, 0));
    assert!(wires.outputs.iter().flatten().all(|sample| sample.is_finite()));
}
