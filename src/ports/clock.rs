//! The one monotonic clock of the process, and the civil time that OSC writes.

use crate::panel::osc::TimeTag;
use std::sync::OnceLock;
use std::time::{Instant, SystemTime, UNIX_EPOCH};

/// Nanoseconds since the first call in this process; never steps and is not set by anybody.
///
/// Real-time: safe (one clock read; the first call of the process also fixes the epoch, so [`crate::ports::audio::open`] makes it)
#[must_use]
pub fn nanos() -> u64 {
    static EPOCH: OnceLock<Instant> = OnceLock::new();
    // 2^64 ns are 584 years.
    u64::try_from(EPOCH.get_or_init(Instant::now).elapsed().as_nanos()).unwrap_or(u64::MAX)
}

/// The civil time as an OSC time tag. It steps when somebody sets the clock, so it is only ever compared with
/// tags at the moment they arrive.
///
/// Real-time: never
#[must_use]
pub fn civil_ntp() -> TimeTag {
    TimeTag::from_unix(SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default())
}
