//! Everything that crosses into the audio thread, driven on one thread: plans with columns coming and going, batches,
//! tapes wound and rewound, meters that nobody reads, samples that are no audio, blocks from 1 to 4,096 frames.

use super::show::{RATE, installation, set};
use longthrow::daemon::offline::Buffers;
use longthrow::desk::{Desk, Event, FeedSpec, ToEngine, engine_settings};
use longthrow::dsp::lanes::Vectors;
use longthrow::engine::{Engine, Feed};
use longthrow::handoff::{Console, Seat, TapeWriter, Winding, crossing, tape};
use longthrow::params::Value;
use longthrow::profile::{InputFrom, Installation};
use longthrow::units::Frames;

/// Runs the scenario; `inside` runs each callback as the audio thread would. Gives the frames made and plans sent.
pub fn run(mut inside: impl FnMut(&mut dyn FnMut())) -> (u64, usize) {
    let (mut console, mut meters, mut seat) = crossing(Engine::new(engine_settings(RATE, Vectors::widest())));
    let mut desk = Desk::new(show(0), RATE);
    let mut tapes = Vec::new();
    let (mut plans, mut seed) = (0, 1_u32);
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
        block(&mut seat, frames, round, &mut inside);
        while let Some(echo) = console.echo() {
            desk.handle(now, Event::Echo { sequence: echo.sequence, frame: Frames(echo.frame) });
        }
        desk.handle(Frames(seat.engine.frame()), Event::Deadline);
        // Meters pile up until the ring is full, and are read then.
        if round % 40 == 39 {
            assert!(meters.read(|frame| assert!(frame.frames > 0)));
        }
    }
    (seat.engine.frame(), plans)
}

fn show(round: usize) -> Installation {
    let mut lines = String::new();
    for n in 1..=12 {
        let input = 1 + (n + round) % 20;
        let source = if n % 4 == 0 { format!("pair-{}", 1 + input / 3) } else { format!("in-{input}") };
        lines += &format!(
            "channel.c{n}.source = {source}\nchannel.c{n}.switch = open\nchannel.c{n}.fader = -6.0\n\
             channel.c{n}.assign.programme = on\nchannel.c{n}.assign.extra-{} = on\n",
            round % 3
        );
    }
    lines += &format!("bus.extra-{}.fader = 0.0\n", round % 3);
    if round.is_multiple_of(2) {
        lines += "channel.player.source = in-20\nchannel.player.switch = open\nchannel.player.fader = 0.0\nchannel.player.assign.programme = on\n";
    }
    let mut installation = installation(20, &lines);
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
