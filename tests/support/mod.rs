//! Real servers for tests: started under a limit of time and file size, each with a name of its own.

#![allow(
    dead_code,
    unreachable_pub,
    clippy::print_stdout,
    reason = "every test binary uses a part of it, and says what it skips"
)]

pub mod alsa;
pub mod daemon;
pub mod jackd;
pub mod judge;
pub mod pipewire;
pub mod pty;
pub mod signal;
pub mod standstill;

use std::process::Command;
use std::time::{Duration, Instant};

/// Waits until `what` holds, for half a minute at most.
pub fn wait_until(what: &str, holds: impl FnMut() -> bool) {
    wait_until_within(Duration::from_secs(30), what, holds);
}

/// Waits until `what` holds.
pub fn wait_until_within(longest: Duration, what: &str, mut holds: impl FnMut() -> bool) {
    let start = Instant::now();
    while !holds() {
        assert!(start.elapsed() < longest, "waited {longest:?} in vain until {what}");
        std::thread::sleep(Duration::from_millis(5));
    }
}

/// Whether these programs are installed; says which one is missing, and fails when `CI` is set.
pub fn have(programs: &[&str]) -> bool {
    for program in programs {
        let paths = std::env::var_os("PATH").unwrap_or_default();
        if !std::env::split_paths(&paths).any(|folder| folder.join(program).is_file()) {
            assert!(std::env::var_os("CI").is_none(), "{program} is not installed");
            println!("skipped: {program} is not installed");
            return false;
        }
    }
    true
}

/// Threads of this process.
pub fn threads() -> usize {
    std::fs::read_dir("/proc/self/task").expect("Linux has /proc").count()
}

/// The children of a process.
pub fn children(of: u32) -> Vec<u32> {
    let text = std::fs::read_to_string(format!("/proc/{of}/task/{of}/children")).unwrap_or_default();
    text.split_whitespace().filter_map(|id| id.parse().ok()).collect()
}

/// Sends a signal to one process that the caller started.
pub fn signal(name: &str, process: u32) {
    let done = Command::new("kill").args([&format!("-{name}"), &process.to_string()]).status();
    assert!(done.is_ok_and(|status| status.success()), "kill -{name} {process}");
}

/// Runs one test of this test binary again in a process of its own, with this environment and through this program (`pw-jack`,
/// or none); the variable `INSIDE` tells it so. Gives what it printed, and whether it passed.
pub fn try_again(test: &str, through: &[&str], environment: &[(&str, std::path::PathBuf)]) -> (bool, String) {
    let output = Command::new("timeout")
        .args(["-k2", "100"])
        .args(through)
        .arg(std::env::current_exe().expect("this binary has a path"))
        .args(["--exact", test, "--nocapture", "--test-threads=1"])
        .envs(environment.iter().map(|(name, value)| (name, value)))
        .env("INSIDE", "1")
        .output()
        .expect("timeout starts");
    let text = format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    (output.status.success() && text.contains("1 passed"), text)
}

/// The same, for a test that has to pass there.
pub fn again(test: &str, through: &[&str], environment: &[(&str, std::path::PathBuf)]) {
    let (passed, text) = try_again(test, through, environment);
    assert!(passed, "in a process of its own:\n{text}");
    println!("{text}");
}

/// Whether this is the process that [`again`] started.
pub fn inside() -> bool {
    std::env::var_os("INSIDE").is_some()
}
