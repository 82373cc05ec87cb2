//! What the kernel is asked for directly, through `rustix`.

use rustix::process::{Resource, Signal, getrlimit, set_parent_process_death_signal, setpriority_process};
use rustix::termios::tcgetwinsize;
use rustix::time::{ClockId, clock_gettime};
use std::io;

/// Nanoseconds of `CLOCK_MONOTONIC`.
pub(super) fn monotonic_nanos() -> u64 {
    let time = clock_gettime(ClockId::Monotonic);
    // Neither part is ever negative; 2^64 ns are 584 years.
    u64::try_from(time.tv_sec).unwrap_or(0) * 1_000_000_000 + u64::try_from(time.tv_nsec).unwrap_or(0)
}

/// Whole seconds of `CLOCK_BOOTTIME`.
pub(super) fn boot_seconds() -> u64 {
    u64::try_from(clock_gettime(ClockId::Boottime).tv_sec).unwrap_or(0)
}

/// The highest real-time priority that this process may ask for; nothing when there is no limit.
pub(super) fn realtime_priority_limit() -> Option<u64> {
    getrlimit(Resource::Rtprio).current
}

/// Lets the kernel kill this process when the thread that started it ends, however that comes about.
///
/// # Errors
/// What the kernel says.
///
/// Real-time: never
pub fn die_with_parent() -> io::Result<()> {
    Ok(set_parent_process_death_signal(Some(Signal::KILL))?)
}

/// Lets the calling thread go before ordinary ones when the machine is busy, as far as this process may ask for that; it
/// stays an ordinary thread, no real-time one. Says whether it was allowed.
///
/// Real-time: never
pub fn hurry_this_thread() -> bool {
    /// Nice values go from -20 to 19. Common practice for sound, no source.
    const NICE: i32 = -15;
    setpriority_process(None, NICE).is_ok()
}

/// Rows and columns of the terminal that the standard output is, if it is one and says so.
///
/// Real-time: never
#[must_use]
pub fn window_of_terminal() -> Option<(usize, usize)> {
    let size = tcgetwinsize(io::stdout()).ok()?;
    (size.ws_row > 0 && size.ws_col > 0).then(|| (size.ws_row.into(), size.ws_col.into()))
}
