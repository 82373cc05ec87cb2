//! The same desk and engine without devices and without a clock: events at given frames, sound as fast as it
//! can be made.
//!
//! An event takes effect at the first grid line at or after its frame, whatever the callback size, so the
//! same events give the same bytes.

use super::feeds;
use crate::desk::{Desk, Effects, Event, ToEngine, engine_settings};
use crate::dsp::lanes::Vectors;
use crate::engine::limits::TICK;
use crate::engine::{Crossing, Engine, Feed, MeterFrame, Wires};
use crate::profile::Installation;
use crate::units::{Frames, SampleRate};
use std::collections::VecDeque;

/// Opens a file as a feed that can be read at any speed.
pub type OpenFile = Box<dyn FnMut(&std::path::Path, bool, bool) -> Feed>;

/// A desk with its engine, driven by hand.
pub struct Offline {
    engine: Engine,
    driven: Driven,
}

struct Driven {
    desk: Desk,
    /// In the order of their frames.
    events: VecDeque<(Frames, Event)>,
    open_file: OpenFile,
    on_effects: Box<dyn FnMut(Frames, &Effects)>,
    on_meters: Box<dyn FnMut(&Desk, &MeterFrame)>,
}

impl std::fmt::Debug for Offline {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Offline").field("frame", &self.engine.frame()).finish_non_exhaustive()
    }
}

impl Offline {
    /// A desk with this installation at frame 0, whose outputs come up from silence as a live one's do.
    #[must_use]
    pub fn new(installation: Installation, rate: SampleRate, vectors: Vectors, open_file: OpenFile) -> Self {
        Self::with_desk(Desk::new(installation, rate), vectors, open_file)
    }

    /// A desk that nobody has driven yet, at frame 0.
    #[must_use]
    pub fn with_desk(desk: Desk, vectors: Vectors, open_file: OpenFile) -> Self {
        Self {
            engine: Engine::new(engine_settings(desk.rate(), vectors)),
            driven: Driven {
                desk,
                events: VecDeque::new(),
                open_file,
                on_effects: Box::new(|_, _| {}),
                on_meters: Box::new(|_, _| {}),
            },
        }
    }

    /// Meter frames shall hold levels only, which makes it faster; see [`Engine::measure_levels_only`].
    pub const fn measure_levels_only(&mut self) {
        self.engine.measure_levels_only();
    }

    /// Hears what follows from each event.
    pub fn on_effects(&mut self, hear: impl FnMut(Frames, &Effects) + 'static) {
        self.driven.on_effects = Box::new(hear);
    }

    /// Hears every meter frame, with the desk as it is at its end.
    pub fn on_meters(&mut self, hear: impl FnMut(&Desk, &MeterFrame) + 'static) {
        self.driven.on_meters = Box::new(hear);
    }

    /// The desk as it is now.
    #[must_use]
    pub const fn desk(&self) -> &Desk {
        &self.driven.desk
    }

    /// The next frame to be made.
    #[must_use]
    pub const fn frame(&self) -> u64 {
        self.engine.frame()
    }

    /// Adds an event. Events of one frame happen in the order in which they were added.
    pub fn at(&mut self, frame: Frames, event: Event) {
        let place = self.driven.events.partition_point(|(at, _)| *at <= frame);
        self.driven.events.insert(place, (frame, event));
    }

    /// Puts edits into the engine behind the desk's back, for tests of what finds such errors.
    #[doc(hidden)]
    pub fn plant(&mut self, plan: &mut crate::engine::Plan) {
        self.engine.adopt(plan);
    }

    /// Makes the frames of one callback.
    pub fn process<W: Wires + ?Sized>(&mut self, wires: &mut W) {
        self.engine.process(wires, &mut self.driven);
    }
}

impl Driven {
    fn handle(&mut self, now: Frames, event: Event, engine: &mut Engine) {
        let effects = self.desk.handle(now, event);
        (self.on_effects)(now, &effects);
        while let Some(what) = self.desk.take() {
            let sequence = match what {
                ToEngine::Batch { sequence, commands } => {
                    commands.into_iter().for_each(|command| engine.apply(command));
                    sequence
                }
                ToEngine::Plan(mut send) => {
                    let rate = self.desk.rate();
                    for (slot, spec) in send.wanted {
                        send.plan.feeds.push((slot, feeds::make(&spec, rate, &mut self.open_file)));
                    }
                    engine.adopt(&mut send.plan);
                    send.plan.sequence
                }
            };
            let effects = self.desk.handle(now, Event::Echo { sequence, frame: Frames(engine.frame()) });
            (self.on_effects)(now, &effects);
        }
    }
}

impl Crossing for Driven {
    fn at_tick(&mut self, engine: &mut Engine) {
        let tick = Frames(engine.frame());
        if tick == Frames(0) {
            self.handle(tick, Event::Deadline, engine);
        }
        loop {
            let event = self.events.front().map(|(at, _)| *at).filter(|at| *at <= tick);
            let deadline = self.desk.next_deadline().filter(|at| *at <= tick);
            match (event, deadline) {
                (Some(at), deadline) if deadline.is_none_or(|deadline| at <= deadline) => {
                    if let Some((at, event)) = self.events.pop_front() {
                        self.handle(at, event, engine);
                    }
                }
                (_, Some(deadline)) => self.handle(deadline, Event::Deadline, engine),
                _ => break,
            }
        }
    }

    fn quiet_frames(&self, engine: &Engine) -> u64 {
        let event = self.events.front().map(|(at, _)| *at);
        let next = event.into_iter().chain(self.desk.next_deadline()).min();
        next.map_or(u64::MAX, |Frames(at)| at.saturating_sub(engine.frame()))
    }

    fn at_meter_boundary(&mut self, readings: &MeterFrame) -> bool {
        (self.on_meters)(&self.desk, readings);
        true
    }
}

/// Planar buffers in place of a device.
#[derive(Clone, Debug, Default)]
pub struct Buffers {
    /// What the engine reads, one for each wire.
    pub inputs: Vec<Vec<f32>>,
    /// What the engine writes, one for each wire.
    pub outputs: Vec<Vec<f32>>,
    /// First frame of this callback within the buffers.
    pub offset: usize,
    /// Frames of this callback.
    pub frames: usize,
}

impl Wires for Buffers {
    fn frames(&self) -> usize {
        self.frames
    }

    fn inputs(&self) -> usize {
        self.inputs.len()
    }

    fn outputs(&self) -> usize {
        self.outputs.len()
    }

    fn read(&mut self, channel: usize, offset: usize, into: &mut [f32]) {
        let from = self.offset + offset;
        match self.inputs.get(channel).and_then(|input| input.get(from..from + into.len())) {
            Some(samples) => into.copy_from_slice(samples),
            None => into.fill(0.0),
        }
    }

    fn in_place(&self) -> bool {
        true
    }

    fn tick(&self, channel: usize, offset: usize) -> Option<&[f32; TICK]> {
        self.inputs.get(channel)?.get(self.offset + offset..)?.first_chunk()
    }

    fn write(&mut self, channel: usize, offset: usize, from: &[f32]) {
        let to = self.offset + offset;
        if let Some(place) = self.outputs.get_mut(channel).and_then(|output| output.get_mut(to..to + from.len())) {
            place.copy_from_slice(from);
        }
    }
}
