//! What the service manager is told, through `sd-notify`. Without one (no `NOTIFY_SOCKET`) every call does nothing.
//!
//! The manager is told `ready` after the first rendered block, and `watchdog` only while blocks advance; who
//! calls when is the daemon's business.

use sd_notify::{NotifyState, notify};
use std::io;
use std::time::Duration;

/// Longest status text in bytes; the rest is cut.
const STATUS_BYTES: usize = 512;

/// Started, or done with a reload, also one that was refused.
///
/// # Errors
/// When the manager's socket does not take it.
pub fn ready() -> io::Result<()> {
    notify(&[NotifyState::Ready])
}

/// A reload begins; [`ready`] must follow. Both words go in one datagram, the time with them: systemd refuses a reload
/// without it (sd-notify issues 11 and 17).
///
/// # Errors
/// When the manager's socket does not take it.
pub fn reloading() -> io::Result<()> {
    notify(&[NotifyState::Reloading, NotifyState::monotonic_usec_now()?])
}

/// The one line that `systemctl status` shows.
///
/// # Errors
/// When the manager's socket does not take it.
pub fn status(text: &str) -> io::Result<()> {
    // A newline would start another assignment.
    let mut line = text.replace(char::is_control, " ");
    while line.len() > STATUS_BYTES {
        line.pop();
    }
    notify(&[NotifyState::Status(&line)])
}

/// Still alive.
///
/// # Errors
/// When the manager's socket does not take it.
pub fn watchdog() -> io::Result<()> {
    notify(&[NotifyState::Watchdog])
}

/// The end has begun.
///
/// # Errors
/// When the manager's socket does not take it.
pub fn stopping() -> io::Result<()> {
    notify(&[NotifyState::Stopping])
}

/// How often [`watchdog`] is to be called: half the time after which the manager gives us up, as `sd_watchdog_enabled(3)`
/// advises. None when it does not watch.
#[must_use]
pub fn watchdog_interval() -> Option<Duration> {
    sd_notify::watchdog_enabled().filter(|limit| !limit.is_zero()).map(|limit| limit / 2)
}
