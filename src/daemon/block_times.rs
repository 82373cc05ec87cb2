//! How long blocks take, and which of them were late: counted in the callback, read by anybody.

use crate::ports::audio::BlockTime;
use std::sync::atomic::{AtomicU64, Ordering::Relaxed};

/// Classes between a time and twice that.
const PER_OCTAVE: usize = 8;
const PER_OCTAVE_BITS: u32 = PER_OCTAVE.trailing_zeros();
/// Up to 2^32 ns, 4.3 s; what took longer is in the last class.
const CLASSES: usize = (33 - PER_OCTAVE_BITS as usize) * PER_OCTAVE;

/// What became of a block.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Timing {
    /// It was there when the device needed it.
    InTime,
    /// Its callback was entered when more than a quarter of the period had gone, by no fault of what is measured here.
    BeganLate,
    /// It began in time and ended so many ns after the device needed it.
    EndedLate(u64),
}

impl Timing {
    /// Judges a block of `period` ns that ended then, on the clock of [`crate::ports::clock::nanos`]. A device that does not
    /// say when its period began is taken to have called at once.
    ///
    /// Real-time: safe
    #[must_use]
    pub const fn of(time: BlockTime, period: u64, ended: u64) -> Self {
        let (from, due) = match time.cycle {
            Some((from, due)) if from < due => (from, due),
            _ => (time.nanos, time.nanos.saturating_add(period)),
        };
        if time.nanos.saturating_sub(from) > (due - from) / 4 {
            Self::BeganLate
        } else if ended > due {
            Self::EndedLate(ended - due)
        } else {
            Self::InTime
        }
    }
}

/// How often blocks took how long: classes of an eighth of an octave, so a time read from here is at most an eighth too long.
#[derive(Debug)]
pub struct BlockTimes {
    /// Written by whoever drives, one at a time by the lease; read by anybody.
    classes: [AtomicU64; CLASSES],
    /// The longest, ns.
    longest: AtomicU64,
}

impl Default for BlockTimes {
    fn default() -> Self {
        Self { classes: std::array::from_fn(|_| AtomicU64::new(0)), longest: AtomicU64::new(0) }
    }
}

impl BlockTimes {
    /// Counts a block that took so many ns.
    ///
    /// Real-time: safe
    pub fn count(&self, nanos: u64) {
        self.classes[class(nanos)].fetch_add(1, Relaxed);
        self.longest.fetch_max(nanos, Relaxed);
    }

    /// Blocks counted.
    #[must_use]
    pub fn blocks(&self) -> u64 {
        self.classes.iter().map(|class| class.load(Relaxed)).sum()
    }

    /// The longest time, ns; 0 before the first block.
    #[must_use]
    pub fn longest(&self) -> u64 {
        self.longest.load(Relaxed)
    }

    /// The time in ns within which so many of 100,000 blocks were done; 0 before the first block.
    #[must_use]
    pub fn within(&self, of_100_000: u64) -> u64 {
        let rank = (u128::from(self.blocks()) * u128::from(of_100_000)).div_ceil(100_000);
        let mut counted = 0;
        for (class, count) in self.classes.iter().enumerate() {
            counted += u128::from(count.load(Relaxed));
            if counted > 0 && counted >= rank {
                return last_of(class).min(self.longest());
            }
        }
        self.longest()
    }
}

/// The class of a time: the times below 8 ns have one each, every octave above has eight.
const fn class(nanos: u64) -> usize {
    let nanos = if nanos > u32::MAX as u64 { u32::MAX as u64 } else { nanos };
    if nanos < PER_OCTAVE as u64 {
        return nanos as usize;
    }
    let octave = nanos.ilog2() - PER_OCTAVE_BITS;
    (nanos >> octave) as usize + octave as usize * PER_OCTAVE
}

/// The longest time of a class, ns.
const fn last_of(class: usize) -> u64 {
    if class < PER_OCTAVE {
        return class as u64;
    }
    let octave = class / PER_OCTAVE - 1;
    ((class - octave * PER_OCTAVE + 1) as u64) * (1 << octave) - 1
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn classes_follow_each_other_without_a_gap_and_are_an_eighth_wide() {
        assert_eq!(class(u64::MAX), CLASSES - 1);
        for number in 0..CLASSES {
            let last = last_of(number);
            assert_eq!(class(last), number);
            assert_eq!(class(last + 1), (number + 1).min(CLASSES - 1));
            let first = if number == 0 { 0 } else { last_of(number - 1) + 1 };
            assert!((last - first) * 8 <= first, "{first} to {last}");
        }
    }

    #[test]
    fn shares_of_known_times_are_found_within_an_eighth() {
        let times = BlockTimes::default();
        assert_eq!((times.blocks(), times.within(50_000), times.longest()), (0, 0, 0));
        (1..=100_000).for_each(|n| times.count(n * 10));
        assert_eq!((times.blocks(), times.longest()), (100_000, 1_000_000));
        for of in [1, 1_000, 50_000, 99_000, 99_990, 100_000] {
            let (exact, found) = (of * 10, times.within(of));
            assert!((exact..=exact + exact / 8).contains(&found), "{of}: {found} for {exact}");
        }
        assert_eq!(times.within(100_000), 1_000_000);
    }

    #[test]
    fn a_block_is_late_when_it_began_in_time_and_ended_after_it_was_needed() {
        // A period from 1,000 to 2,000.
        let entered = |nanos| BlockTime { nanos, missed_frames: 0, cycle: Some((1_000, 2_000)) };
        for (at, ended, timing) in [
            (1_000, 2_000, Timing::InTime),
            (1_000, 2_001, Timing::EndedLate(1)),
            (1_250, 1_900, Timing::InTime),
            (1_250, 2_001, Timing::EndedLate(1)),
            (1_251, 1_300, Timing::BeganLate),
            (2_100, 2_200, Timing::BeganLate),
            // Ahead of its time, as when a server does not wait for its clock.
            (900, 1_900, Timing::InTime),
        ] {
            assert_eq!(Timing::of(entered(at), 1_000, ended), timing, "{at} to {ended}");
        }
        let unknown = BlockTime { cycle: None, ..entered(1_900) };
        assert_eq!(Timing::of(unknown, 1_000, 2_900), Timing::InTime);
        assert_eq!(Timing::of(unknown, 1_000, 2_901), Timing::EndedLate(1));
    }
}
