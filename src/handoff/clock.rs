//! The engine's time, told to everyone: which frame began at which moment.
//!
//! Whoever holds the lease publishes one [`Moment`] per block; ports read it to give what arrives a frame number. There are two
//! slots: the writer fills the one that nobody is sent to and then points to it, so a writer that the system stops half
//! way never holds up a reader, and a reader never holds up the writer.

use super::sync::{AtomicU64, Ordering};
use crate::units::{Frames, SampleRate};
use std::fmt;

/// How often a reader starts again. It does so only when a whole block was published while it read three numbers.
const ATTEMPTS_MAX: u32 = 16;
const NANOS_PER_SECOND: i128 = 1_000_000_000;

/// One block's place in both times.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Moment {
    /// The first frame of the block.
    pub frame: u64,
    /// When the block began, in ns of the monotonic clock.
    pub nanos: u64,
    /// How many frames the block has.
    pub frames: u32,
}

/// The latest [`Moment`]. One writer at a time, the holder of the lease; any number of readers.
pub struct Clock {
    rate: SampleRate,
    /// How many moments were published; the latest is in slot `published % 2`. Written by the lease holder as a release
    /// after the slot, read as an acquire: a reader is at most one block behind.
    published: AtomicU64,
    /// The same count for the writer alone, so that `published` is only ever stored by it and only ever loaded by readers.
    /// The lease orders one writer after the other.
    written: AtomicU64,
    slots: [Slot; 2],
}

/// Written as releases and read as acquires, so that a reader who sees any number of a newer moment also sees that
/// `published` has moved on.
struct Slot {
    frame: AtomicU64,
    nanos: AtomicU64,
    frames: AtomicU64,
}

impl Slot {
    fn new() -> Self {
        Self { frame: AtomicU64::new(0), nanos: AtomicU64::new(0), frames: AtomicU64::new(0) }
    }
}

impl Clock {
    /// A clock of this nominal rate at which nothing has happened yet.
    ///
    /// Real-time: never
    #[must_use]
    pub fn new(rate: SampleRate) -> Self {
        let slots = [Slot::new(), Slot::new()];
        Self { rate, published: AtomicU64::new(0), written: AtomicU64::new(0), slots }
    }

    /// Says that a block of `frames` began with frame number `frame` at `nanos` of the monotonic clock.
    ///
    /// Only the holder of the lease calls this, inside its block: the lease puts one writer after the other. Two at once
    /// would do no harm to memory but could mix their moments.
    ///
    /// Real-time: safe
    pub fn publish(&self, frame: u64, nanos: u64, frames: u32) {
        let next = self.written.load(Ordering::Relaxed) + 1;
        self.written.store(next, Ordering::Relaxed);
        let slot = self.slot(next);
        slot.frame.store(frame, Ordering::Release);
        slot.nanos.store(nanos, Ordering::Release);
        slot.frames.store(u64::from(frames), Ordering::Release);
        self.published.store(next, Ordering::Release);
    }

    /// The latest moment; `None` before the first, or when 16 attempts met 16 new blocks.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn read(&self) -> Option<Moment> {
        for _ in 0..ATTEMPTS_MAX {
            let published = self.published.load(Ordering::Acquire);
            if published == 0 {
                return None;
            }
            let slot = self.slot(published);
            let frame = slot.frame.load(Ordering::Acquire);
            let nanos = slot.nanos.load(Ordering::Acquire);
            let frames = slot.frames.load(Ordering::Acquire);
            // The writer comes back to this slot only after it has moved the count.
            if self.published.load(Ordering::Relaxed) == published {
                // Stored from a u32.
                let frames = u32::try_from(frames).unwrap_or(u32::MAX);
                return Some(Moment { frame, nanos, frames });
            }
        }
        None
    }

    /// The frame that sounds, or sounded, or will sound, at `nanos` of the monotonic clock: the latest moment and the
    /// nominal rate, rounded down, never below frame 0. Before the first block it is frame 0.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn frame_at(&self, nanos: u64) -> Frames {
        match self.read() {
            Some(moment) => {
                let later = i128::from(nanos) - i128::from(moment.nanos);
                let frames = (later * i128::from(self.rate.hz())).div_euclid(NANOS_PER_SECOND);
                let frame = (i128::from(moment.frame) + frames).max(0);
                Frames(u64::try_from(frame).unwrap_or(u64::MAX))
            }
            // Nothing yet, or blocks rush by as in an offline run: the number of the latest block, without its time.
            None => Frames(self.slot(self.published.load(Ordering::Acquire)).frame.load(Ordering::Acquire)),
        }
    }

    fn slot(&self, published: u64) -> &Slot {
        if published.is_multiple_of(2) { &self.slots[0] } else { &self.slots[1] }
    }
}

impl fmt::Debug for Clock {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Clock").field("rate", &self.rate).field("latest", &self.read()).finish_non_exhaustive()
    }
}
