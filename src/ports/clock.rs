//! The one monotonic clock of the machine, and the civil time that OSC writes.

use super::kernel;
use crate::panel::osc::TimeTag;
use std::time::{SystemTime, UNIX_EPOCH};

/// Nanoseconds of the machine's monotonic clock (`CLOCK_MONOTONIC`): they count from an epoch of the machine's own, usually
/// its start, mean the same in every process, never step and are not set by anybody.
///
/// Real-time: safe (one clock read; the first of the process also looks for the kernel's shared page, so [`crate::ports::audio::open`] makes it)
#[must_use]
pub fn nanos() -> u64 {
    kernel::monotonic_nanos()
}

/// Which start of the machine this is, in the kernel's own words, and the whole seconds since then, sleep included
/// (`CLOCK_BOOTTIME`). Nothing when the kernel does not tell.
///
/// Real-time: never
#[must_use]
pub fn since_boot() -> Option<(String, u64)> {
    let boot = std::fs::read_to_string("/proc/sys/kernel/random/boot_id").ok()?;
    Some((boot.trim().to_owned(), kernel::boot_seconds()))
}

/// The civil time as an OSC time tag. It steps when somebody sets the clock, so it is only ever compared with
/// tags at the moment they arrive.
///
/// Real-time: never
#[must_use]
pub fn civil_ntp() -> TimeTag {
    TimeTag::from_unix(SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default())
}
