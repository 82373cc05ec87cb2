//! What a service manager hears from us, on a socket made by hand, and what it says of our units.

use longthrow::ports::service;
use std::os::unix::net::UnixDatagram;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

const SOCKET: &str = "NOTIFY_SOCKET";

/// Runs the test of this name again in a process of its own with this environment; gives what it sent.
fn heard_from(test: &str, environment: &[(&str, &str)]) -> Vec<String> {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("notify");
    let socket = UnixDatagram::bind(&path).expect("bound");
    let status = Command::new(std::env::current_exe().expect("this test"))
        .args(["--exact", test, "--nocapture"])
        .env(SOCKET, &path)
        .env_remove("WATCHDOG_PID")
        .envs(environment.iter().copied())
        .stdout(Stdio::null())
        .status()
        .expect("the test starts again");
    assert!(status.success(), "{test} failed in its own process: {status}");
    // The sender has ended, so whatever it sent is here.
    socket.set_nonblocking(true).expect("set");
    let mut heard = Vec::new();
    let mut buffer = [0; 4096];
    while let Ok(length) = socket.recv(&mut buffer) {
        heard.push(String::from_utf8(buffer[..length].to_vec()).expect("text"));
    }
    heard
}

/// Microseconds since boot, in steps of a hundredth of a second. The monotonic clock that systemd compares with stands
/// still while the machine sleeps, and this one does not: they agree on a machine that never slept.
fn uptime_usec() -> u64 {
    let text = std::fs::read_to_string("/proc/uptime").expect("uptime");
    let (seconds, hundredths) = text.split(' ').next().expect("a number").split_once('.').expect("a fraction");
    (seconds.parse::<u64>().expect("digits") * 100 + hundredths.parse::<u64>().expect("digits")) * 10_000
}

/// The time in a datagram that begins a reload.
fn reload_time(datagram: &str) -> u64 {
    let time = datagram.strip_prefix("RELOADING=1\nMONOTONIC_USEC=").and_then(|rest| rest.strip_suffix('\n'));
    time.and_then(|time| time.parse().ok()).unwrap_or_else(|| panic!("{datagram:?} is no reload with its time"))
}

/// The words are those of sd_notify(3).
#[test]
fn the_manager_hears_each_word_and_a_reload_with_its_time() {
    if std::env::var_os(SOCKET).is_some() {
        service::status("starting\nREADY=1\u{7}").expect("sent");
        service::ready().expect("sent");
        service::watchdog().expect("sent");
        service::reloading().expect("sent");
        service::status(&"é".repeat(1000)).expect("sent");
        service::stopping().expect("sent");
        service::reloading().expect("sent");
        return;
    }
    let before = uptime_usec();
    let heard = heard_from("the_manager_hears_each_word_and_a_reload_with_its_time", &[]);
    let after = uptime_usec() + 10_000;
    assert_eq!(heard.len(), 7, "{heard:?}");
    assert_eq!(heard[0], "STATUS=starting READY=1 \n", "a newline in a text starts no other word");
    assert_eq!(heard[1], "READY=1\n");
    assert_eq!(heard[2], "WATCHDOG=1\n");
    let (first, second) = (reload_time(&heard[3]), reload_time(&heard[6]));
    assert!(first < second && second <= after, "{first} and {second} up to {after}");
    assert!(second - first <= after - before, "{first} and {second} lie further apart than the test took");
    assert_eq!(heard[4], format!("STATUS={}\n", "é".repeat(256)));
    assert_eq!(heard[5], "STOPPING=1\n");
}

#[test]
fn the_watchdog_is_fed_twice_in_its_time_and_only_when_it_is_ours() {
    const EXPECTED: &str = "LONGTHROW_TEST_EXPECTED";
    if let Ok(expected) = std::env::var(EXPECTED) {
        let interval = service::watchdog_interval();
        assert_eq!(interval, expected.parse().ok().map(Duration::from_millis));
        return;
    }
    let test = "the_watchdog_is_fed_twice_in_its_time_and_only_when_it_is_ours";
    for (usec, pid, expected) in [
        ("5000000", None, "2500"),
        ("0", None, "none"),
        ("soon", None, "none"),
        ("5000000", Some("1"), "none"), // set for another process
    ] {
        let mut environment = vec![("WATCHDOG_USEC", usec), (EXPECTED, expected)];
        environment.extend(pid.map(|pid| ("WATCHDOG_PID", pid)));
        assert_eq!(heard_from(test, &environment), [""; 0]);
    }
}

#[test]
fn without_a_manager_every_word_goes_nowhere() {
    const ALONE: &str = "LONGTHROW_TEST_ALONE";
    if std::env::var_os(ALONE).is_none() {
        let status = Command::new(std::env::current_exe().expect("this test"))
            .args(["--exact", "without_a_manager_every_word_goes_nowhere"])
            .env(ALONE, "1")
            .env_remove(SOCKET)
            .env_remove("WATCHDOG_USEC")
            .stdout(Stdio::null())
            .status()
            .expect("the test starts again");
        assert!(status.success());
        return;
    }
    for word in [service::ready, service::reloading, service::watchdog, service::stopping] {
        word().expect("no error");
    }
    service::status("nobody listens").expect("no error");
    assert_eq!(service::watchdog_interval(), None);
}

// ---- the units ----

fn analyze(arguments: &[&str], runtime: &Path) -> Option<std::process::Output> {
    let output = Command::new("systemd-analyze").args(arguments).env("XDG_RUNTIME_DIR", runtime).output().ok();
    if output.is_none() {
        eprintln!("skipped: systemd-analyze is not installed");
    }
    output
}

/// A copy of the unit that starts a program which is there, as a user who is there.
fn copy(unit: &str, folder: &Path) -> PathBuf {
    let text = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join(unit)).expect("the unit");
    let lines = text.lines().map(|line| match line.split_once(' ') {
        Some((start, arguments)) if start.starts_with("ExecStart=") => format!("ExecStart=/bin/true {arguments}\n"),
        _ => format!("{line}\n"),
    });
    let path = folder.join("longthrow.service");
    std::fs::write(&path, lines.collect::<String>()).expect("written");
    path
}

const UNITS: [(&str, &str); 2] =
    [("--system", "systemd/longthrow.service"), ("--user", "systemd/user/longthrow.service")];

/// `systemd-analyze verify` ends with success on an unknown key, so any word of it is a failure.
#[test]
fn systemd_has_nothing_to_say_about_the_units() {
    for (manager, unit) in UNITS {
        let folder = tempfile::tempdir().expect("a folder");
        let path = copy(unit, folder.path());
        let Some(output) = analyze(&[manager, "verify", &path.to_string_lossy()], folder.path()) else { return };
        let said = String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success() && said.is_empty(), "{unit}: {said}");

        // And it would have said something.
        let text = std::fs::read_to_string(&path).expect("read");
        std::fs::write(&path, text.replace("WatchdogSec=", "WatchdogSeconds=")).expect("written");
        let output = analyze(&[manager, "verify", &path.to_string_lossy()], folder.path()).expect("as before");
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(said.contains("WatchdogSeconds"), "{unit}: a planted fault was not named: {said}");
    }
}

/// Exposure in tenths as `systemd-analyze security` counts it (10.0 is a unit without any hardening). What is left
/// is sound devices, sockets, real-time scheduling and the machine's own /dev/shm.
#[test]
fn the_system_unit_is_as_closed_as_real_time_audio_allows() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = copy("systemd/longthrow.service", folder.path()).to_string_lossy().into_owned();
    let at = |tenths: &str| {
        analyze(&["security", "--offline=true", &format!("--threshold={tenths}"), "--no-pager", &path], folder.path())
    };
    let Some(output) = at("25") else { return };
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success(), "{}", said.lines().last().unwrap_or_default());
    eprintln!("{}", said.lines().last().unwrap_or_default());
    assert!(!at("5").expect("as before").status.success(), "the threshold is obeyed");
}

#[test]
fn the_units_say_what_the_desk_relies_on() {
    for (_, unit) in UNITS {
        let text = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join(unit)).expect("the unit");
        for line in [
            "Type=notify",
            "Restart=always",
            "StartLimitIntervalSec=0",
            "ExecReload=kill -HUP $MAINPID",
            "WatchdogSec=5",
            "LimitRTPRIO=95",
            "LimitMEMLOCK=infinity",
            "NoNewPrivileges=yes",
        ] {
            assert!(text.lines().any(|found| found == line), "{unit} lacks {line}");
        }
    }
}
