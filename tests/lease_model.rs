//! A model checker (loom) runs the shipped `handoff/lease.rs` and `handoff/clock.rs` through every order in which
//! threads can meet and every value that the memory model lets them see.
//!
//! The files are compiled a second time here, over the checker's atomics. Those sit in a thin wrapper that can be told to be
//! weaker than what the files ask for; each such flaw must be caught, so we know that the model can fail.
//!
//! One thing to know before changing those files: loom 0.7 looks for other orders only at the last access to an atomic.
//! A thread that loads an atomic just before it stores to it hides the loads of the others, and the model then tries
//! almost nothing and passes. (`Clock` keeps a second count for that reason.)

use longthrow::units;

#[expect(unreachable_pub, dead_code, reason = "the shipped file, of which the models use a part")]
#[path = "../src/handoff/clock.rs"]
mod clock;
#[expect(unreachable_pub, reason = "the shipped file")]
#[path = "../src/handoff/lease.rs"]
mod lease;

/// What the shipped files find as `super::sync`.
mod sync {
    pub(super) use loom::cell::{MutPtr, UnsafeCell};
    pub(super) use loom::sync::atomic::Ordering;
    use std::cell::Cell;

    /// How the atomics fall short of what was asked of them.
    #[derive(Clone, Copy, PartialEq, Eq)]
    pub(super) enum Flaw {
        /// Not at all: this is the model of what ships.
        None,
        /// A release is not one: what was done before it may not be seen.
        ReleaseIsRelaxed,
        /// An acquire is not one.
        AcquireIsRelaxed,
        /// The compare-exchange is a load, a comparison and a store.
        ExchangeInSteps,
        /// The addition is a load and a store.
        AdditionInSteps,
    }

    thread_local! {
        // The checker runs all threads of a model on the thread of its test.
        static FLAW: Cell<Flaw> = const { Cell::new(Flaw::None) };
    }

    pub(super) fn plant(flaw: Flaw) {
        FLAW.set(flaw);
    }

    fn weakened(order: Ordering) -> Ordering {
        match (FLAW.get(), order) {
            (Flaw::ReleaseIsRelaxed, Ordering::Release) | (Flaw::AcquireIsRelaxed, Ordering::Acquire) => {
                Ordering::Relaxed
            }
            (Flaw::ReleaseIsRelaxed, Ordering::AcqRel) => Ordering::Acquire,
            (Flaw::AcquireIsRelaxed, Ordering::AcqRel) => Ordering::Release,
            (_, order) => order,
        }
    }

    #[derive(Debug)]
    pub(super) struct AtomicU64(loom::sync::atomic::AtomicU64);

    impl AtomicU64 {
        pub(super) fn new(value: u64) -> Self {
            Self(loom::sync::atomic::AtomicU64::new(value))
        }

        pub(super) fn load(&self, order: Ordering) -> u64 {
            self.0.load(weakened(order))
        }

        pub(super) fn store(&self, value: u64, order: Ordering) {
            self.0.store(value, weakened(order));
        }

        pub(super) fn compare_exchange(&self, old: u64, new: u64, yes: Ordering, no: Ordering) -> Result<u64, u64> {
            if FLAW.get() == Flaw::ExchangeInSteps {
                let found = self.0.load(Ordering::Acquire);
                if found != old {
                    return Err(found);
                }
                self.0.store(new, Ordering::Release);
                return Ok(found);
            }
            self.0.compare_exchange(old, new, weakened(yes), weakened(no))
        }

        pub(super) fn fetch_and(&self, value: u64, order: Ordering) -> u64 {
            self.0.fetch_and(value, weakened(order))
        }

        pub(super) fn fetch_add(&self, value: u64, order: Ordering) -> u64 {
            if FLAW.get() == Flaw::AdditionInSteps {
                let found = self.0.load(Ordering::Acquire);
                self.0.store(found + value, Ordering::Release);
                return found;
            }
            self.0.fetch_add(value, weakened(order))
        }
    }
}

use clock::{Clock, Moment};
use lease::Lease;
use loom::sync::Arc;
use loom::thread;
use std::panic::{AssertUnwindSafe, catch_unwind};
use sync::Flaw;

/// Runs the model over sound atomics.
fn holds(model: fn()) {
    sync::plant(Flaw::None);
    loom::model(model);
}

/// Runs the model over flawed atomics, which must be caught; gives the checker's words.
fn caught(flaw: Flaw, model: fn()) -> String {
    sync::plant(flaw);
    let run = catch_unwind(AssertUnwindSafe(|| loom::model(model)));
    sync::plant(Flaw::None);
    let report = run.expect_err("the flaw was not caught");
    let words = report.downcast_ref::<String>().cloned();
    words.or_else(|| report.downcast_ref::<&str>().map(|&words| words.to_owned())).expect("a panic with words")
}

/// What the drivers drive: a number that only says the truth when blocks do not overlap and each sees the last.
#[derive(Default)]
struct Engine {
    blocks: u64,
}

/// One block: the guard's access is open from begin to end, and other threads get their turn in between.
fn block(engine: &mut Engine) {
    let before = engine.blocks;
    thread::yield_now();
    engine.blocks = before + 1;
}

/// An old driver in mid-air, a new one to which the lease moves, and a thread that looks for whose turn it is.
fn lease_moves_to_a_new_driver() {
    let lease = Arc::new(Lease::new(Engine::default()));

    let old = thread::spawn({
        let lease = lease.clone();
        move || {
            let mut blocks = 0;
            for _ in 0..2 {
                if let Some(mut engine) = lease.take(0) {
                    block(&mut engine);
                    blocks += 1;
                }
            }
            blocks
        }
    });

    let new = thread::spawn({
        let lease = lease.clone();
        move || {
            let number = lease.transfer();
            assert_eq!(number, 1);
            // It gets the engine in the end, however the old driver stood; a driver that never did would exhaust the model.
            let mut engine = loop {
                match lease.take(number) {
                    Some(engine) => break engine,
                    None => thread::yield_now(),
                }
            };
            block(&mut engine);
            assert!(lease.take(0).is_none(), "an old number took the engine");
            assert!(lease.take(number).is_none(), "the engine was taken twice");
        }
    });

    let old_blocks = old.join().expect("old driver");
    new.join().expect("new driver");
    assert_eq!(lease.current(), 1);
    assert!(lease.take(0).is_none(), "an old number took the engine");
    assert!(lease.take(2).is_none(), "a number that was never given took the engine");
    assert_eq!(lease.take(1).expect("everybody has returned it").blocks, old_blocks + 1, "a block was lost");
}

/// Two callbacks of the same driver at once, as a backend does when it restarts: one is silent.
fn same_number_from_two_threads() {
    let lease = Arc::new(Lease::new(Engine::default()));
    let other = thread::spawn({
        let lease = lease.clone();
        move || lease.take(0).map(|mut engine| block(&mut engine)).is_some()
    });
    let here = lease.take(0).map(|mut engine| block(&mut engine)).is_some();
    let there = other.join().expect("other thread");
    assert!(here || there, "both were refused");
    let blocks = lease.take(0).expect("both have returned it").blocks;
    assert_eq!(blocks, u64::from(here) + u64::from(there), "a block was lost");
}

#[test]
fn two_drivers_and_a_transfer_never_meet_and_the_new_one_gets_the_engine() {
    holds(lease_moves_to_a_new_driver);
}

#[test]
fn two_callbacks_with_the_same_number_never_meet() {
    holds(same_number_from_two_threads);
}

#[test]
fn a_return_that_releases_nothing_is_caught() {
    let words = caught(Flaw::ReleaseIsRelaxed, lease_moves_to_a_new_driver);
    assert!(words.contains("Causality violation"), "{words}");
}

#[test]
fn a_take_that_acquires_nothing_is_caught() {
    let words = caught(Flaw::AcquireIsRelaxed, lease_moves_to_a_new_driver);
    assert!(words.contains("Causality violation"), "{words}");
}

#[test]
fn a_take_in_steps_is_caught() {
    let words = caught(Flaw::ExchangeInSteps, same_number_from_two_threads);
    assert!(words.contains("currently writing to cell"), "{words}");
}

#[test]
fn a_transfer_in_steps_is_caught() {
    let words = caught(Flaw::AdditionInSteps, lease_moves_to_a_new_driver);
    // The stale sum brings back the mark of a driver that has gone: the new one waits for ever.
    assert!(words.contains("exceeded maximum number of branches"), "{words}");
}

/// A writer that laps a reader: every moment read is one that was written, whole, and never older than one read before.
fn clock_is_read_while_it_moves() {
    let clock = Arc::new(Clock::new(units::SampleRate::HZ_48000));
    let writer = thread::spawn({
        let clock = clock.clone();
        move || {
            for block in 1..=3 {
                clock.publish(block * 64, block * 1_000, 64);
            }
        }
    });
    let mut last = 0;
    for _ in 0..2 {
        if let Some(Moment { frame, nanos, frames }) = clock.read() {
            assert_eq!((nanos * 64, frames), (frame * 1_000, 64), "a moment was torn");
            assert!(frame >= last, "time ran backwards");
            last = frame;
        }
    }
    writer.join().expect("writer");
    assert_eq!(clock.read(), Some(Moment { frame: 192, nanos: 3_000, frames: 64 }));
}

/// The lease passes the pen: the second writer's count goes on where the first one's ended.
fn clock_is_written_by_one_driver_after_the_other() {
    let shared = Arc::new((Lease::new(()), Clock::new(units::SampleRate::HZ_48000)));
    let writer = thread::spawn({
        let shared = shared.clone();
        move || {
            if let Some(_pen) = shared.0.take(0) {
                shared.1.publish(64, 1_000, 64);
            }
        }
    });
    let number = shared.0.transfer();
    if let Some(_pen) = shared.0.take(number) {
        let before = shared.1.read().map_or(0, |moment| moment.frame);
        shared.1.publish(before + 64, 1_000, 64);
        assert_eq!(shared.1.read().map(|moment| moment.frame), Some(before + 64));
    }
    writer.join().expect("writer");
}

#[test]
fn a_moment_is_never_torn_and_never_runs_backwards() {
    holds(clock_is_read_while_it_moves);
}

#[test]
fn the_lease_puts_one_writer_of_the_clock_after_the_other() {
    holds(clock_is_written_by_one_driver_after_the_other);
}

#[test]
fn a_clock_that_releases_nothing_is_caught() {
    let words = caught(Flaw::ReleaseIsRelaxed, clock_is_read_while_it_moves);
    assert!(words.contains("torn"), "{words}");
}

#[test]
fn a_clock_that_acquires_nothing_is_caught() {
    let words = caught(Flaw::AcquireIsRelaxed, clock_is_read_while_it_moves);
    assert!(words.contains("torn"), "{words}");
}

/// What the clock says, over the standard library's atomics.
mod shipped {
    use longthrow::handoff::{Clock, Moment};
    use longthrow::units::{Frames, SampleRate};

    #[test]
    fn before_the_first_block_there_is_no_moment_and_frame_0() {
        let clock = Clock::new(SampleRate::HZ_48000);
        assert_eq!(clock.read(), None);
        assert_eq!(clock.frame_at(5_000_000_000), Frames(0));
    }

    #[test]
    fn the_latest_moment_is_read_and_carried_on_at_the_nominal_rate() {
        let clock = Clock::new(SampleRate::HZ_48000);
        clock.publish(0, 7_000_000_000, 256);
        clock.publish(480_000, 17_000_000_000, 64);
        assert_eq!(clock.read(), Some(Moment { frame: 480_000, nanos: 17_000_000_000, frames: 64 }));
        // 48 frames in 1 ms, in both directions; a part of a frame counts for the frame it is in.
        for (nanos, frame) in [
            (17_000_000_000, 480_000),
            (17_001_000_000, 480_048),
            (17_000_020_833, 480_000),
            (17_000_020_834, 480_001),
            (16_999_999_999, 479_999),
            (16_000_000_000, 432_000),
            (0, 0),
        ] {
            assert_eq!(clock.frame_at(nanos), Frames(frame), "{nanos} ns");
        }
    }

    #[test]
    fn times_and_frames_at_the_ends_of_their_range_do_not_overflow() {
        let clock = Clock::new(SampleRate::try_new(192_000).expect("a rate in range"));
        clock.publish(u64::MAX, 0, u32::MAX);
        assert_eq!(clock.frame_at(u64::MAX), Frames(u64::MAX));
        clock.publish(0, u64::MAX, 1);
        assert_eq!(clock.frame_at(0), Frames(0));
    }
}
