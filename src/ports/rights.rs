//! What the system lets us do in real time: whether it would, what would make it, and how one thread asks for it.
//!
//! A thread is made a real-time one by the system's own `chrt` (util-linux): the call itself has no safe form in Rust.
//! Threads that libraries start for us (JACK's) ask for themselves.

use super::kernel;
use std::process::{Command, Stdio};

/// What would grant real-time rights, for whoever may change the machine.
pub const ADVICE: &str = "what grants them: for the service, LimitRTPRIO=95 in its unit (the units that come with the program \
    have it); for a person, the lines \"@audio - rtprio 95\" and \"@audio - memlock unlimited\" in \
    /etc/security/limits.d/audio.conf, then \"adduser NAME audio\" and a new login";

/// `CAP_SYS_NICE` in `linux/capability.h`.
const CAP_SYS_NICE: u32 = 23;

/// Whether this process may have threads with real-time priority.
#[must_use]
pub fn may_be_realtime() -> bool {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    kernel::realtime_priority_limit().is_none_or(|limit| limit > 0) || has_capability(&status)
}

fn has_capability(status: &str) -> bool {
    let effective = status.lines().find_map(|line| line.strip_prefix("CapEff:"));
    effective
        .and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok())
        .is_some_and(|mask| mask >> CAP_SYS_NICE & 1 == 1)
}

/// Gives the calling thread a real-time priority (SCHED_FIFO 70). Says whether that worked.
///
/// Real-time: never
#[must_use]
pub fn make_this_thread_realtime() -> bool {
    // PID/task/TID
    let Ok(thread) = std::fs::read_link("/proc/thread-self") else { return false };
    let Some(thread) = thread.file_name() else { return false };
    let asked = Command::new("chrt").args(["-f", "-p", "70"]).arg(thread).stdin(Stdio::null()).output();
    asked.is_ok_and(|output| output.status.success())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_capability_is_read_from_the_kernels_own_line() {
        assert!(has_capability("Name:\tx\nCapEff:\t000001ffffffffff\n"));
        assert!(has_capability("CapEff:\t0000000000800000\n"));
        assert!(
            !has_capability("CapEff:\t00000000004fffff\n") && !has_capability("CapEff:\t?\n") && !has_capability("")
        );
    }
}
