//! The one monotonic clock of the machine.

use super::kernel;

/// Nanoseconds of the machine's monotonic clock (`CLOCK_MONOTONIC`): they count from an epoch of the machine's own, usually
/// its start, mean the same in every process, never step and are not set by anybody.
///
/// Real-time: safe (one clock read; the first of the process also looks for the kernel's shared page, so [`crate::ports::audio::open`] makes it)
#[must_use]
pub fn nanos() -> u64 {
    kernel::monotonic_nanos()
}
