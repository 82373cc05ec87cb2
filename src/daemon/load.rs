//! A made-up load for whoever measures what the engine costs: mono channels on one stereo bus on one output, stages off.

use crate::engine::wires::PlanarWires;
use crate::engine::{Bank, Command, Crossing, Edit, Engine, Feed, MeterFrame, Plan, Tap, Target};

/// A glide of 10 ms is not at its end before this many frames.
const MOVE_FRAMES: u64 = 4_800;

/// So many channels, fed with noise.
#[derive(Debug)]
pub struct Load {
    moves: Moves,
    period: usize,
    inputs: Vec<f32>,
    outputs: Vec<f32>,
}

/// What the engine meets at its grid lines.
#[derive(Debug)]
struct Moves {
    channels: u16,
    gliding: bool,
    plan: Option<Plan>,
    high: bool,
}

impl Load {
    /// A load of blocks of `period` frames; `gliding` keeps every fader and pan on its way, `limited` puts the limiter of
    /// headphones behind the output.
    #[must_use]
    pub fn new(channels: u16, period: usize, gliding: bool, limited: bool) -> Self {
        let mut plan = Plan { sequence: 1, ..Plan::default() };
        for (bank, columns) in [(Bank::Sources, channels), (Bank::Buses, 2), (Bank::Outputs, 2)] {
            for column in 0..columns {
                plan.edits.push(Edit::Start { bank, column, ramp_frames: 0 });
                plan.edits.push(Edit::Jump(Command { target: Target::Gate { bank, column }, value: 1.0 }));
            }
        }
        for column in 0..channels {
            // Slot 0 stays silent.
            plan.feeds.push((column + 1, Feed::Wires(column, None)));
            plan.edits.push(Edit::Connect { column, feed: column + 1, side: 0 });
        }
        plan.edits.extend(levels(channels, 0.05).map(Edit::Jump));
        for side in 0..2 {
            let target = Target::ToOutput { from: side, to: side };
            plan.edits.push(Edit::Jump(Command { target, value: 1.0 }));
            plan.edits.push(Edit::Wire { column: side, wire: Some(side), limited });
        }
        let noise = |n: usize| ((n as u32).wrapping_mul(2_654_435_761) as i32) as f32 / 4.3e9;
        Self {
            moves: Moves { channels, gliding, plan: Some(plan), high: false },
            period,
            inputs: (0..usize::from(channels) * period).map(noise).collect(),
            outputs: vec![0.0; 2 * period],
        }
    }

    /// Makes one block.
    pub fn block(&mut self, engine: &mut Engine) {
        let (frames, inputs, outputs) = (self.period, &*self.inputs, &mut *self.outputs);
        engine.process(&mut PlanarWires { frames, stride: frames, inputs, outputs }, &mut self.moves);
    }

    /// Whether the last block held any sound: without it nothing was measured.
    #[must_use]
    pub fn sounds(&self) -> bool {
        self.outputs.iter().any(|sample| *sample != 0.0)
    }
}

fn levels(channels: u16, value: f32) -> impl Iterator<Item = Command> {
    (0..channels).flat_map(move |column| {
        let level = Target::Level { bank: Bank::Sources, column };
        let sides = (0..2).map(move |to| Target::ToBus { tap: Tap::AfterFader, from: column, to });
        sides.chain([level]).map(move |target| Command { target, value })
    })
}

impl Crossing for Moves {
    fn at_tick(&mut self, engine: &mut Engine) {
        if let Some(mut plan) = self.plan.take() {
            engine.adopt(&mut plan);
        }
        if self.gliding && engine.frame().is_multiple_of(MOVE_FRAMES) {
            self.high = !self.high;
            let value = if self.high { 0.08 } else { 0.05 };
            levels(self.channels, value).for_each(|command| engine.apply(command));
        }
    }

    fn quiet_frames(&self, engine: &Engine) -> u64 {
        if self.gliding { MOVE_FRAMES - engine.frame() % MOVE_FRAMES } else { u64::MAX }
    }

    fn at_meter_boundary(&mut self, _: &MeterFrame) -> bool {
        true
    }
}
