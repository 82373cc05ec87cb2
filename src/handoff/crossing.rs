//! Batches, plans and meter frames between the desk and the engine.

use super::links::{LinkEnd, Linked};
use crate::engine::limits::BATCH;
use crate::engine::{Command, Crossing, Engine, MeterFrame, MeterStep, Plan};
use rtrb::{Consumer, Producer, RingBuffer};

/// Slots of the batch ring: twice the largest batch with its head.
const BATCH_SLOTS: usize = 2 * (BATCH + 1);
/// Plans on their way; the desk sends the next one when the last has been echoed, and the three rungs of a panic beside it.
const PLAN_SLOTS: usize = 4;
/// Plans on their way back, with room for every one that is on its way in.
const RETIRED_SLOTS: usize = 2 * PLAN_SLOTS;
/// Echoes not yet read: as many batches as the ring can hold, and plans.
const ECHO_SLOTS: usize = BATCH_SLOTS;
/// Meter frames on their way: 160 ms. What comes later merges into the pending one.
const METER_SLOTS: usize = 16;
/// The energies of steps on their way: 10 s, so that loudness is right even after its reader stood still. What comes later is
/// only known in sum.
const STEP_SLOTS: usize = 1_000;

/// A batch ring holds heads, each followed by its commands.
#[derive(Clone, Copy)]
enum Slot {
    Head { sequence: u64, commands: u32 },
    Command(Command),
}

/// At which frame a batch or plan took effect.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Echo {
    /// Which batch or plan.
    pub sequence: u64,
    /// The first frame made with it.
    pub frame: u64,
}

/// The desk's end.
pub struct Console {
    batches: Producer<Slot>,
    plans: Producer<Box<Plan>>,
    retired: Consumer<Box<Plan>>,
    echoes: Consumer<Echo>,
}

/// The end of whoever reads meters.
pub struct MeterEnd {
    meters: Consumer<Box<MeterFrame>>,
    spare_meters: Producer<Box<MeterFrame>>,
    steps: Consumer<MeterStep>,
}

/// The engine and its end of every ring; a driver takes it out of the lease for one callback.
pub struct Seat {
    /// The engine.
    pub engine: Engine,
    rings: Rings,
    linked: Linked,
}

struct Rings {
    batches: Consumer<Slot>,
    plans: Consumer<Box<Plan>>,
    /// A plan that is done with, while the way back is full.
    held: Option<Box<Plan>>,
    retired: Producer<Box<Plan>>,
    echoes: Producer<Echo>,
    meters: Producer<Box<MeterFrame>>,
    spare_meters: Consumer<Box<MeterFrame>>,
    steps: Producer<MeterStep>,
}

/// The ends around an engine.
///
/// Real-time: never
#[must_use]
pub fn crossing(engine: Engine) -> (Console, MeterEnd, Seat) {
    let (batch_in, batch_out) = RingBuffer::new(BATCH_SLOTS);
    let (plan_in, plan_out) = RingBuffer::new(PLAN_SLOTS);
    let (retired_in, retired_out) = RingBuffer::new(RETIRED_SLOTS);
    let (echo_in, echo_out) = RingBuffer::new(ECHO_SLOTS);
    let (meter_in, meter_out) = RingBuffer::new(METER_SLOTS);
    let (mut spare_in, spare_out) = RingBuffer::new(METER_SLOTS);
    while spare_in.push(Box::new(MeterFrame::nothing())).is_ok() {}
    let (mut step_in, mut step_out) = RingBuffer::new(STEP_SLOTS);
    // Once through, so that the audio thread does not have to wait for its pages.
    while step_in.push(MeterStep::NOTHING).is_ok() {}
    while step_out.pop().is_ok() {}
    let console = Console { batches: batch_in, plans: plan_in, retired: retired_out, echoes: echo_out };
    let meter_end = MeterEnd { meters: meter_out, spare_meters: spare_in, steps: step_out };
    let rings = Rings {
        batches: batch_out,
        plans: plan_out,
        held: None,
        retired: retired_in,
        echoes: echo_in,
        meters: meter_in,
        spare_meters: spare_out,
        steps: step_in,
    };
    (console, meter_end, Seat { engine, rings, linked: Linked::new().0 })
}

impl std::fmt::Debug for Console {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Console").field("batch_room", &self.batches.slots()).finish_non_exhaustive()
    }
}

impl std::fmt::Debug for MeterEnd {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("MeterEnd").field("waiting", &self.meters.slots()).finish_non_exhaustive()
    }
}

impl std::fmt::Debug for Seat {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Seat").field("frame", &self.engine.frame()).finish_non_exhaustive()
    }
}

impl Console {
    /// Sends a batch whole, or not at all when there is no room now.
    ///
    /// Real-time: never
    pub fn send_batch(&mut self, sequence: u64, commands: &[Command]) -> bool {
        let Ok(count) = u32::try_from(commands.len()) else { return false };
        if commands.len() > BATCH {
            return false;
        }
        let Ok(chunk) = self.batches.write_chunk_uninit(commands.len() + 1) else { return false };
        let head = Slot::Head { sequence, commands: count };
        chunk.fill_from_iter(std::iter::once(head).chain(commands.iter().copied().map(Slot::Command)));
        true
    }

    /// Sends a plan.
    ///
    /// # Errors
    /// Gives it back while the slots are taken.
    ///
    /// Real-time: never
    pub fn send_plan(&mut self, plan: Box<Plan>) -> Result<(), Box<Plan>> {
        self.plans.push(plan).map_err(|rtrb::PushError::Full(plan)| plan)
    }

    /// The next echo; also drops what the engine is done with.
    ///
    /// Real-time: never
    pub fn echo(&mut self) -> Option<Echo> {
        while self.retired.pop().is_ok() {}
        self.echoes.pop().ok()
    }
}

impl MeterEnd {
    /// Shows every meter frame that has arrived; says whether there was one.
    ///
    /// Real-time: never
    pub fn read(&mut self, mut each: impl FnMut(&MeterFrame)) -> bool {
        let mut any = false;
        while let Ok(mut frame) = self.meters.pop() {
            // Those of this frame are in the ring since before it.
            while self.steps.peek().is_ok_and(|step| step.start <= frame.last.start) {
                frame.steps.extend(self.steps.pop());
            }
            if frame.last.frames == frame.frames {
                frame.steps.clear();
            }
            each(&frame);
            any = true;
            frame.steps.clear();
            // There is a place for every frame there is.
            drop(self.spare_meters.push(frame));
        }
        any
    }
}

impl Seat {
    /// Makes the frames of one callback, which began at `began` of the monotonic clock, with the wires of all links beside
    /// the driver's own.
    ///
    /// Real-time: safe
    pub fn process<W: crate::engine::Wires + ?Sized>(&mut self, wires: &mut W, began: u64) {
        let frames = wires.frames();
        if self.linked.begin(frames, began) {
            self.engine.process(&mut self.linked.beside(wires), &mut self.rings);
            self.linked.end(frames, began);
        } else {
            self.engine.process(wires, &mut self.rings);
        }
    }

    /// The end by which links come and go; one made before leads nowhere from now on.
    ///
    /// Real-time: never
    pub fn link_end(&mut self) -> LinkEnd {
        let (linked, end) = Linked::new();
        self.linked = linked;
        end
    }
}

impl Rings {
    fn next_batch_sequence(&self) -> Option<u64> {
        match self.batches.peek() {
            Ok(Slot::Head { sequence, .. }) => Some(*sequence),
            _ => None,
        }
    }

    fn apply_batch(&mut self, engine: &mut Engine) {
        let Ok(Slot::Head { sequence, commands }) = self.batches.pop() else { return };
        // A batch becomes visible whole, so its commands are there.
        let Ok(chunk) = self.batches.read_chunk(commands as usize) else { return };
        for slot in chunk {
            if let Slot::Command(command) = slot {
                engine.apply(command);
            }
        }
        self.echo(sequence, engine.frame());
    }

    fn apply_plan(&mut self, engine: &mut Engine) {
        let Ok(mut plan) = self.plans.pop() else { return };
        engine.adopt(&mut plan);
        self.echo(plan.sequence, engine.frame());
        self.held = Some(plan);
        self.give_back();
    }

    fn give_back(&mut self) {
        if let Some(plan) = self.held.take()
            // Real-time: a ring of fixed size
            && let Err(rtrb::PushError::Full(plan)) = self.retired.push(plan)
        {
            self.held = Some(plan);
        }
    }

    fn echo(&mut self, sequence: u64, frame: u64) {
        // The ring holds an echo for everything that can be under way; a desk that does not read loses the oldest's frame only.
        // Real-time: a ring of fixed size
        if self.echoes.push(Echo { sequence, frame }).is_err() {}
    }
}

impl Crossing for Rings {
    fn at_tick(&mut self, engine: &mut Engine) {
        self.give_back();
        // In the one sequence of batches and plans. Bounded: each ring is emptied at most once.
        for _ in 0..BATCH_SLOTS + PLAN_SLOTS {
            let plan = self.held.is_none().then(|| self.plans.peek().ok().map(|plan| plan.sequence)).flatten();
            let waiting_plan = self.plans.peek().ok().map(|plan| plan.sequence);
            match (self.next_batch_sequence(), plan) {
                (Some(batch), Some(plan)) if plan < batch => self.apply_plan(engine),
                // A plan that has to wait holds back the batches after it.
                (Some(batch), None) if waiting_plan.is_some_and(|waiting| waiting < batch) => break,
                (Some(_), _) => self.apply_batch(engine),
                (None, Some(_)) => self.apply_plan(engine),
                (None, None) => break,
            }
        }
    }

    fn quiet_frames(&self, _: &Engine) -> u64 {
        // What arrives while frames are made waits for the next segment, which may be the next callback's first.
        u64::MAX
    }

    fn at_meter_boundary(&mut self, readings: &MeterFrame) -> bool {
        // Where there is no room it is known in sum.
        // Real-time: a ring of fixed size
        self.steps.push(*readings.last).ok();
        let Ok(mut frame) = self.spare_meters.pop() else { return false };
        // Each by its name, so that none is forgotten here; the steps are the business of the reader.
        let MeterFrame { start, frames, plan, groups, last, steps: _, proof, compared } = readings;
        (frame.start, frame.frames, frame.plan) = (*start, *frames, *plan);
        frame.groups.clone_from_slice(groups);
        *frame.last = **last;
        (frame.proof, frame.compared) = (*proof, *compared);
        // A spare frame in hand means there is a place for it.
        // Real-time: a ring of fixed size
        self.meters.push(frame).is_ok()
    }
}
