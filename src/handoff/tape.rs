//! A tape: sound that another thread prepares (a file) and the engine takes.
//!
//! A looped tape runs always. A tape that plays once stands at its beginning until a channel that carries
//! it opens; when all such channels are closed again it is wound back: the engine empties the ring until the
//! writer, having seen it empty, says that what comes now is the beginning.

use crate::engine::limits::TICK;
use crate::engine::{Sides, Tape};
use rtrb::{Consumer, Producer, RingBuffer};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// Seen by both ends; each number is written by one of them only. `begun` is stored with `Release` after the
/// writer saw the ring empty and before it writes again, so an engine that loads it with `Acquire` and finds
/// its own take knows that nothing older is in the ring.
#[derive(Debug, Default)]
struct Shared {
    /// How often the engine has wound back; written by the engine.
    takes: AtomicU64,
    /// The take that the ring holds now; written by the writer.
    begun: AtomicU64,
    /// Frames that were due and not there; written by the engine.
    starved: AtomicU64,
    /// The take whose last frame has been written, plus 1; written by the writer.
    ended: AtomicU64,
}

/// The engine's end of a tape.
#[derive(Debug)]
pub struct TapeReader {
    ring: Consumer<f32>,
    shared: Arc<Shared>,
    stereo: bool,
    looped: bool,
    playing: bool,
    /// Whether anything was taken since it was last wound back.
    used: bool,
    /// How often it was wound back.
    take: u64,
}

/// The filling end of a tape.
#[derive(Debug)]
pub struct TapeWriter {
    ring: Producer<f32>,
    shared: Arc<Shared>,
    take: u64,
}

/// What the writer of a tape does next.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Winding {
    /// Go on with this take.
    On,
    /// Write nothing: the engine is emptying the ring.
    Wait,
    /// Write from the beginning.
    Begin,
}

/// The two ends of a tape with room for so many frames of one or two sides, interleaved.
///
/// Real-time: never
#[must_use]
pub fn tape(frames: usize, stereo: bool, looped: bool) -> (TapeWriter, TapeReader) {
    let (producer, consumer) = RingBuffer::new(frames * if stereo { 2 } else { 1 });
    let shared = Arc::new(Shared::default());
    let reader = TapeReader {
        ring: consumer,
        shared: Arc::clone(&shared),
        stereo,
        looped,
        playing: looped,
        used: false,
        take: 0,
    };
    (TapeWriter { ring: producer, shared, take: 0 }, reader)
}

impl Tape for TapeReader {
    fn read(&mut self, sides: &mut Sides, frames: usize) {
        for side in sides.iter_mut() {
            side[..frames].fill(0.0);
        }
        if self.shared.begun.load(Ordering::Acquire) != self.take {
            self.empty();
            return;
        }
        if !self.playing {
            return;
        }
        let width = if self.stereo { 2 } else { 1 };
        let there = (self.ring.slots() / width).min(frames).min(TICK);
        if there < frames && self.shared.ended.load(Ordering::Acquire) != self.take + 1 {
            self.shared.starved.fetch_add((frames - there) as u64, Ordering::Relaxed);
        }
        self.used |= there > 0;
        let Ok(chunk) = self.ring.read_chunk(there * width) else { return };
        for (index, sample) in chunk.into_iter().enumerate() {
            sides[index % width][index / width] = sample;
        }
    }

    fn open(&mut self, open: bool) {
        if self.looped || open == self.playing {
            return;
        }
        self.playing = open;
        if !open && self.used {
            self.used = false;
            self.take += 1;
            self.shared.takes.store(self.take, Ordering::Release);
            self.empty();
        }
    }
}

impl TapeReader {
    fn empty(&mut self) {
        if let Ok(rest) = self.ring.read_chunk(self.ring.slots()) {
            rest.commit_all();
        }
    }
}

impl TapeWriter {
    /// What to do next: go on with this take, wait while the engine empties the ring, or begin anew.
    ///
    /// Real-time: never
    pub fn state(&mut self) -> Winding {
        let take = self.shared.takes.load(Ordering::Acquire);
        if take == self.take {
            Winding::On
        } else if self.ring.slots() == self.ring.buffer().capacity() {
            self.take = take;
            self.shared.begun.store(take, Ordering::Release);
            Winding::Begin
        } else {
            Winding::Wait
        }
    }

    /// How many samples there is room for.
    ///
    /// Real-time: never
    #[must_use]
    pub fn room(&self) -> usize {
        self.ring.slots()
    }

    /// Appends as many samples as there is room for; says how many.
    ///
    /// Real-time: never
    pub fn write(&mut self, samples: &[f32]) -> usize {
        let count = samples.len().min(self.ring.slots());
        let Ok(chunk) = self.ring.write_chunk_uninit(count) else { return 0 };
        chunk.fill_from_iter(samples.iter().copied())
    }

    /// Says that this take has been written to its end.
    ///
    /// Real-time: never
    pub fn end(&mut self) {
        self.shared.ended.store(self.take + 1, Ordering::Release);
    }

    /// Frames that were due and not there.
    ///
    /// Real-time: never
    #[must_use]
    pub fn starved(&self) -> u64 {
        self.shared.starved.load(Ordering::Relaxed)
    }

    /// Whether the other end is gone.
    ///
    /// Real-time: never
    #[must_use]
    pub fn is_abandoned(&self) -> bool {
        self.ring.is_abandoned()
    }
}
