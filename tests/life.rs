//! The life of the process: started, told to reload, stopped, killed, and started again.

#![allow(clippy::print_stdout, reason = "the tests say what they measured")]

mod support;

use longthrow::panel::osc::Argument;
use std::os::unix::net::UnixDatagram;
use std::process::Command;
use std::time::Duration;
use support::daemon::Daemon;
use support::jackd::{Catcher, Jackd};
use support::{signal, wait_until};

const RIG: &str = "form = 1\nkind = \"rig\"\nrate_hz = 48000\n\
    [input.tone]\nkind = \"line\"\ngenerator = \"sine\"\nfrequency_hz = 997.0\nlevel_dbfs = -20.0\n\
    [control-port.table]\nkind = \"osc\"\naddress = \"127.0.0.1\"\n";

const PANEL: &str = "form = 1\nkind = \"panel\"\n\
    [control.f1]\nplace = \"1\"\nkind = \"fader\"\nport = \"table\"\nmessage = \"osc\"\naddress = \"/panel/f1\"\n";

const PROFILE: &str = "form = 1\nkind = \"profile\"\nname = \"test\"\n\
    [channel.a]\nsource = \"tone\"\nswitch = \"open\"\nfader = 0.0\npan = -1.0\nassign.programme = \"on\"\n\
    [moves]\nf1 = { target = \"channel.a.fader\", rejoin = \"at-once\" }\n";

/// A rig with a microphone on a JACK device.
fn rig_with_microphone(server: &str) -> String {
    format!(
        "{RIG}[device.box]\nhost = \"jack\"\nidentity = \"{server}\"\ninputs = 1\noutputs = 2\nlink_outputs = [\"catcher:1\"]\n\
         [input.mic]\nkind = \"microphone\"\ndevice = \"box\"\nchannels = [1]\n\
         [output.out]\nkind = \"line\"\ndevice = \"box\"\nchannels = [1, 2]\n"
    )
}

const MICROPHONE: &str = "[channel.mic]\nsource = \"mic\"\nfader = 0.0\nassign.programme = \"on\"\n";

fn word(text: &str) -> Argument {
    Argument::Text(text.to_owned())
}

fn mix(daemon: &Daemon) -> String {
    std::fs::read_to_string(daemon.state().join("mix.json")).unwrap_or_default()
}

#[test]
fn the_mix_survives_a_crash_and_the_journal_renders() {
    let mut daemon = Daemon::start(RIG, Some(PANEL), PROFILE);
    daemon.set("/panel/f1", 0.62);
    daemon.set("/channel/a/trim", 3.5);
    assert_eq!(daemon.ask("/channel/a/trim"), Argument::Float(3.5));
    wait_until("it is on the disk", || mix(&daemon).contains("\"channel.a.trim\":3.5"));
    daemon = Daemon::start_in(daemon.crash(), true, &[]);
    daemon.await_line("the mix is as it was before the crash");
    assert_eq!(daemon.ask("/channel/a/trim"), Argument::Float(3.5));
    // 0.62 of the travel is -10 dB by the house law.
    let Argument::Float(fader) = daemon.ask("/channel/a/fader") else { panic!("a number") };
    assert!((fader + 10.0).abs() < 0.001, "{fader}");

    // A torn last line, as a power cut leaves it, is cut off at the next start.
    let newest = |daemon: &Daemon| {
        let mut files: Vec<_> =
            std::fs::read_dir(daemon.state().join("journal")).expect("a journal").flatten().collect();
        files.sort_by_key(std::fs::DirEntry::path);
        files.pop().expect("a file").path()
    };
    let folder = daemon.crash();
    let journal = {
        let mut files: Vec<_> =
            std::fs::read_dir(folder.path().join("state/journal")).expect("a journal").flatten().collect();
        files.sort_by_key(std::fs::DirEntry::path);
        files.pop().expect("a file").path()
    };
    let mut text = std::fs::read_to_string(&journal).expect("text");
    assert!(
        text.contains("\"set\":\"channel.a.trim\"") && text.contains("\"echo\"") && text.contains("/panel/f1"),
        "{text}"
    );
    text += "{\"frame\": 12, \"se";
    std::fs::write(&journal, text).expect("written");
    daemon = Daemon::start_in(folder, true, &[]);
    daemon.await_line("torn");
    daemon.set("/channel/a/fader", -20.0);
    assert_eq!(daemon.ask("/channel/a/fader"), Argument::Float(-20.0));
    std::thread::sleep(Duration::from_millis(300));
    assert_eq!(daemon.stop(), Some(0));

    // The last run out of its journal: what `run` wrote is what `render` takes.
    let text = std::fs::read_to_string(newest(&daemon)).expect("text");
    let last = text.rfind("\"start\":").map(|at| text[..at].rfind('\n').map_or(0, |line| line + 1)).expect("a start");
    let events = daemon.folder().join("events.jsonl");
    std::fs::write(&events, &text[last..]).expect("written");
    let out = daemon.folder().join("out");
    let rendered = Command::new(env!("CARGO_BIN_EXE_longthrow"))
        .current_dir(daemon.folder())
        .args(["render", "--rig", "rig.toml", "--panel", "panel.toml", "--profile", "profile.toml", "--length", "2"])
        .arg("--events")
        .arg(&events)
        .arg("--out")
        .arg(&out)
        .output()
        .expect("it runs");
    assert!(rendered.status.success(), "{}", String::from_utf8_lossy(&rendered.stderr));
    let report = std::fs::read_to_string(out.join("report.json")).expect("a report");
    assert!(report.contains("\"frames\""), "{report}");
}

#[test]
fn an_open_microphone_comes_back_open_only_after_a_short_crash() {
    let Some(jackd) = Jackd::start(48_000, 256, 2) else { return };
    let profile = PROFILE.to_owned() + "[channel.mic]\n" + MICROPHONE.trim_start_matches("[channel.mic]\n");
    let profile = profile.replace("[moves]\nf1 = { target = \"channel.a.fader\", rejoin = \"at-once\" }\n", "");
    let open_and_kept = |daemon: &Daemon| {
        daemon.word("/channel/mic/switch", "open");
        assert_eq!(daemon.ask("/channel/mic/switch"), word("open"));
        wait_until("it is on the disk", || mix(daemon).contains("\"channel.mic.switch\":\"open\""));
    };
    let daemon = Daemon::start(&rig_with_microphone(&jackd.name), None, &profile);
    daemon.await_line("is there: 48000 Hz");
    assert_eq!(daemon.ask("/channel/mic/switch"), word("closed"));
    open_and_kept(&daemon);
    // Killed, and back within seconds.
    let mut daemon = Daemon::start_in(daemon.crash(), false, &[]);
    daemon.await_line("is there: 48000 Hz");
    assert_eq!(daemon.ask("/channel/mic/switch"), word("open"));
    // Stopped as asked.
    assert_eq!(daemon.stop(), Some(0));
    let daemon = Daemon::start_in(daemon.into_folder(), false, &[]);
    daemon.await_line("comes back closed");
    assert_eq!(daemon.ask("/channel/mic/switch"), word("closed"));
    // Killed, and away for long.
    open_and_kept(&daemon);
    let folder = daemon.crash();
    std::fs::write(folder.path().join("state/alive"), "1000").expect("written");
    let daemon = Daemon::start_in(folder, false, &[]);
    daemon.await_line("comes back closed");
    assert_eq!(daemon.ask("/channel/mic/switch"), word("closed"));
}

#[test]
fn three_crashes_in_a_row_start_safe() {
    let mut daemon = Daemon::start(
        RIG,
        None,
        &PROFILE.replace("[moves]\nf1 = { target = \"channel.a.fader\", rejoin = \"at-once\" }\n", ""),
    );
    for _ in 0..3 {
        daemon = Daemon::start_in(daemon.crash(), false, &[]);
    }
    daemon.await_line("three crashes in two minutes");
    daemon.await_line("running on the last accepted revision");
}

#[test]
fn a_second_daemon_is_refused_and_a_broken_file_falls_back() {
    let daemon = Daemon::start(RIG, Some(PANEL), PROFILE);
    let second = Command::new(env!("CARGO_BIN_EXE_longthrow"))
        .current_dir(daemon.folder())
        .args(["run", "--no-meters", "--rig", "rig.toml", "--profile", "profile.toml", "--state", "state"])
        .output()
        .expect("it runs");
    assert_eq!(second.status.code(), Some(3));
    assert!(String::from_utf8_lossy(&second.stderr).contains("another longthrow runs"), "{second:?}");
    // A broken profile at the start: the last accepted one, and the alarm.
    let folder = daemon.crash();
    let broken = PROFILE.replace("fader = 0.0", "fader = 99.0\npann = 1.0");
    std::fs::write(folder.path().join("profile.toml"), &broken).expect("written");
    let daemon = Daemon::start_in(folder, true, &[]);
    let log = daemon.log().join("\n");
    assert!(log.contains("ALARM") && log.contains("profile.toml:7:9") && log.contains("profile.toml:8:1"), "{log}");
    assert_eq!(daemon.ask("/channel/a/fader"), Argument::Float(0.0));
    // Without one that was accepted: every mistake, and no start.
    let fresh = tempfile::tempdir().expect("a temporary folder");
    std::fs::write(fresh.path().join("profile.toml"), &broken).expect("written");
    std::fs::write(fresh.path().join("rig.toml"), RIG).expect("written");
    let refused = Command::new(env!("CARGO_BIN_EXE_longthrow"))
        .current_dir(fresh.path())
        .args(["run", "--no-meters", "--rig", "rig.toml", "--profile", "profile.toml", "--state", "state"])
        .output()
        .expect("it runs");
    assert_eq!(refused.status.code(), Some(1));
    let said = String::from_utf8_lossy(&refused.stderr).into_owned();
    assert!(said.contains("99.0 dB") && said.contains("pann"), "{said}");
}

/// What a service manager hears until something fits.
fn hear(manager: &UnixDatagram, fits: &str) -> String {
    manager.set_read_timeout(Some(Duration::from_secs(20))).expect("a time-out");
    let mut buffer = [0; 4096];
    let mut heard = String::new();
    loop {
        let length = manager.recv(&mut buffer).unwrap_or_else(|error| panic!("no {fits:?} ({error}) after:\n{heard}"));
        let text = String::from_utf8_lossy(&buffer[..length]).into_owned();
        heard += &text;
        heard += "\n";
        if text.contains(fits) {
            return heard;
        }
    }
}

#[test]
fn a_service_manager_is_told_everything() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    for (name, text) in [("rig.toml", RIG), ("panel.toml", PANEL), ("profile.toml", PROFILE)] {
        std::fs::write(folder.path().join(name), text).expect("written");
    }
    let path = folder.path().join("manager");
    let manager = UnixDatagram::bind(&path).expect("a socket");
    let environment =
        [("NOTIFY_SOCKET", path.to_str().expect("text")), ("WATCHDOG_USEC", "300000"), ("LONGTHROW_LOG", "info")];
    let mut daemon = Daemon::start_in(folder, true, &environment);
    hear(&manager, "READY=1");
    assert!(daemon.ask("/channel/a/fader") == Argument::Float(0.0));
    hear(&manager, "WATCHDOG=1");
    hear(&manager, "WATCHDOG=1");
    // A sound edit.
    std::fs::write(daemon.folder().join("profile.toml"), PROFILE.replace("fader = 0.0", "fader = -7.0"))
        .expect("written");
    signal("HUP", daemon.process());
    let heard = hear(&manager, "RELOADING=1");
    assert!(heard.contains("MONOTONIC_USEC="), "{heard}");
    hear(&manager, "READY=1");
    daemon.await_line("revision 2 is in force");
    assert_eq!(daemon.ask("/channel/a/fader"), Argument::Float(-7.0));
    // A wrong one: ready all the same, with the reason in the status.
    std::fs::write(daemon.folder().join("profile.toml"), PROFILE.replace("fader = 0.0", "fader = 70.0"))
        .expect("written");
    signal("HUP", daemon.process());
    let heard = hear(&manager, "STATUS=refused");
    assert!(heard.contains("revision 2 stays in force"), "{heard}");
    hear(&manager, "READY=1");
    assert_eq!(daemon.ask("/channel/a/fader"), Argument::Float(-7.0));
    assert_eq!(daemon.stop(), Some(0));
    hear(&manager, "STOPPING=1");
}

#[test]
fn the_outputs_fade_before_it_stops() {
    let Some(jackd) = Jackd::start(48_000, 256, 2) else { return };
    let catcher = Catcher::start(&jackd.name, "catcher", 1);
    let mut daemon = Daemon::start(&rig_with_microphone(&jackd.name), Some(PANEL), PROFILE);
    daemon.await_line("linked to catcher:1");
    wait_until("the tone is heard in full", || {
        let caught = catcher.catch(4_800);
        caught.channels[0].iter().fold(0.0_f32, |peak, x| x.abs().max(peak)) > 0.0999
    });
    let caught = std::thread::scope(|scope| {
        let caught = scope.spawn(|| catcher.catch(36_000));
        assert_eq!(daemon.stop(), Some(0));
        caught.join().expect("heard")
    });
    let heard = &caught.channels[0];
    let turn = std::f32::consts::TAU * 997.0 / 48_000.0;
    // The steepest step of the tone itself, and a little for the ramp on top of it.
    let steepest = heard.windows(2).map(|pair| (pair[1] - pair[0]).abs()).fold(0.0, f32::max);
    assert!(steepest < 0.1 * turn * 1.05, "a step of {steepest} where the tone has {}", 0.1 * turn);
    let silent = heard.iter().rev().take_while(|x| **x == 0.0).count();
    println!("silent for the last {silent} frames; steepest step {steepest}");
    assert!(silent > 1_000);
}
