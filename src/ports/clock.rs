//! The one monotonic clock of the process.

use std::sync::OnceLock;
use std::time::Instant;

/// Nanoseconds since the first call in this process; never steps and is not set by anybody.
///
/// Real-time: safe (one clock read; the first call of the process also fixes the epoch, so [`crate::ports::audio::open`] makes it)
#[must_use]
pub fn nanos() -> u64 {
    static EPOCH: OnceLock<Instant> = OnceLock::new();
    // 2^64 ns are 584 years.
    u64::try_from(EPOCH.get_or_init(Instant::now).elapsed().as_nanos()).unwrap_or(u64::MAX)
}
