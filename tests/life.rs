//! The life of the process: started, told to reload, stopped, killed, and started again.
//!
//! `LONGTHROW_PROOF=1` kills it 50 times while moves stream in, otherwise 4 times.

#![allow(clippy::print_stdout, reason = "the tests say what they measured")]

mod support;

use longthrow::desk::journal::{self, What};
use longthrow::panel::osc::Argument;
use longthrow::params::Value;
use std::io::{BufRead, BufReader};
use std::net::UdpSocket;
use std::os::unix::net::UnixDatagram;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};
use support::daemon::Daemon;
use support::jackd::{Catcher, Jackd};
use support::{have, signal, wait_until};

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

/// The profile for a rig whose panel is left out.
fn without_moves() -> String {
    PROFILE.split("[moves]").next().expect("something before").to_owned()
}

fn word(text: &str) -> Argument {
    Argument::Text(text.to_owned())
}

fn mix(daemon: &Daemon) -> String {
    std::fs::read_to_string(daemon.state().join("mix.json")).unwrap_or_default()
}

/// The newest file of the journal.
fn journal_file(state: &Path) -> PathBuf {
    let files = std::fs::read_dir(state.join("journal")).expect("a journal").flatten();
    files.map(|file| file.path()).max().expect("a file")
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
    let folder = daemon.crash();
    let journal = journal_file(&folder.path().join("state"));
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
    let text = std::fs::read_to_string(journal_file(&daemon.state())).expect("text");
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
    let profile = without_moves() + MICROPHONE;
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
    let alive = folder.path().join("state/alive");
    let text = std::fs::read_to_string(&alive).expect("a sign of life");
    let (boot, seconds) = text.trim().split_once(' ').expect("a start of the machine, and seconds since");
    let earlier = seconds.parse::<u64>().expect("seconds").saturating_sub(11);
    std::fs::write(&alive, format!("{boot} {earlier}")).expect("written");
    let daemon = Daemon::start_in(folder, false, &[]);
    daemon.await_line("comes back closed");
    assert_eq!(daemon.ask("/channel/mic/switch"), word("closed"));
}

#[test]
fn three_crashes_in_a_row_start_safe() {
    // No such server: the device stays away, and the desk keeps what its channel is to be.
    let mut daemon = Daemon::start(&rig_with_microphone("longthrow-nowhere"), None, &(without_moves() + MICROPHONE));
    daemon.set("/channel/a/fader", -12.0);
    daemon.word("/channel/mic/switch", "open");
    assert_eq!(daemon.ask("/channel/mic/switch"), word("open"));
    wait_until("it is on the disk", || mix(&daemon).contains("\"channel.mic.switch\":\"open\""));
    for crash in 1..=3 {
        let folder = daemon.crash();
        if crash == 3 {
            // Sound, but not what ran when all was well.
            let other = without_moves().replace("\"test\"", "\"other\"") + MICROPHONE;
            std::fs::write(folder.path().join("profile.toml"), other).expect("written");
        }
        daemon = Daemon::start_in(folder, false, &[]);
        assert_eq!(daemon.ask("/channel/a/fader"), Argument::Float(-12.0));
        assert_eq!(daemon.ask("/channel/mic/switch"), word(if crash == 3 { "closed" } else { "open" }), "{crash}");
    }
    daemon.await_line("three crashes in two minutes");
    daemon.await_line("running on the last accepted revision");
    daemon.await_line("channel mic comes back closed");
    daemon.await_line("running \"test\"");
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
    // The manager names the process that it watches.
    let mut command = Command::new("sh");
    command.args(["-c", "WATCHDOG_PID=$$ exec \"$0\" \"$@\"", env!("CARGO_BIN_EXE_longthrow")]);
    command.env("NOTIFY_SOCKET", &path).env("WATCHDOG_USEC", "300000");
    let files = ["--rig", "rig.toml", "--profile", "profile.toml", "--panel", "panel.toml"];
    let mut daemon = Daemon::launch(folder, command, &files);
    assert_eq!(hear(&manager, "="), "READY=1\n\n", "the first word, after the first block");
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
    // On its way by now, and there soon.
    wait_until("the fader is where the edit says", || daemon.ask("/channel/a/fader") == Argument::Float(-7.0));
    // A wrong one: ready all the same, with the reason in the status.
    std::fs::write(daemon.folder().join("profile.toml"), PROFILE.replace("fader = 0.0", "fader = 70.0"))
        .expect("written");
    signal("HUP", daemon.process());
    let heard = hear(&manager, "STATUS=refused");
    assert!(heard.contains("revision 2 stays in force: profile.toml:7:9: error["), "{heard}");
    hear(&manager, "READY=1");
    // A file that is not there any more.
    std::fs::rename(daemon.folder().join("profile.toml"), daemon.folder().join("away.toml")).expect("renamed");
    signal("HUP", daemon.process());
    hear(&manager, "STATUS=revision 2 stays in force: profile.toml: No such file");
    hear(&manager, "READY=1");
    // And back as it was.
    std::fs::write(daemon.folder().join("profile.toml"), PROFILE.replace("fader = 0.0", "fader = -7.0"))
        .expect("written");
    signal("HUP", daemon.process());
    hear(&manager, "STATUS=revision 2 is in force");
    hear(&manager, "READY=1");
    assert_eq!(daemon.ask("/channel/a/fader"), Argument::Float(-7.0));
    assert_eq!(daemon.stop(), Some(0));
    hear(&manager, "STOPPING=1");
}

#[test]
fn the_outputs_fade_before_it_stops() {
    let Some(jackd) = Jackd::start(48_000, 256, 2) else { return };
    let catcher = Catcher::start(&jackd.name, "catcher", 1);
    for signal in ["TERM", "INT"] {
        let mut daemon = Daemon::start(&rig_with_microphone(&jackd.name), Some(PANEL), PROFILE);
        daemon.await_line("linked to catcher:1");
        wait_until("the tone is heard in full", || {
            let caught = catcher.catch(4_800);
            caught.channels[0].iter().fold(0.0_f32, |peak, x| x.abs().max(peak)) > 0.0999
        });
        let caught = std::thread::scope(|scope| {
            let caught = scope.spawn(|| catcher.catch(36_000));
            assert_eq!(daemon.stop_by(signal), Some(0));
            caught.join().expect("heard")
        });
        daemon.await_line(&format!("SIG{signal}: fading out and stopping"));
        assert_eq!(daemon.count("did not end in time") + daemon.count("panicked"), 0);
        let heard = &caught.channels[0];
        let turn = std::f32::consts::TAU * 997.0 / 48_000.0;
        // The steepest step of the tone itself, and a little for the ramp on top of it.
        let steepest = heard.windows(2).map(|pair| (pair[1] - pair[0]).abs()).fold(0.0, f32::max);
        assert!(steepest < 0.1 * turn * 1.05, "a step of {steepest} where the tone has {}", 0.1 * turn);
        let last = |above: f32| heard.iter().rposition(|x| x.abs() > above).unwrap_or(0);
        let (full, end) = (last(0.099), last(0.0));
        println!("SIG{signal}: {} frames from the last full wave to silence; steepest step {steepest}", end - full);
        // At least the 5 ms in which a switch closes, and then silence for good.
        assert!(end - full >= 240 && heard.len() - end > 1_000);
        // Each wave of the ramp is lower than the one before.
        let waves: Vec<f32> =
            heard[full..=end].chunks(49).map(|wave| wave.iter().fold(0.0, |peak, x| x.abs().max(peak))).collect();
        assert!(waves.windows(2).all(|pair| pair[1] <= pair[0]), "{waves:?}");
    }
}

/// A full disk, by way of a limit on the length of a file: the journal meets it, the mix does not.
#[test]
fn a_full_disk_is_said_once_and_the_desk_goes_on() {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("rig.toml"), RIG).expect("written");
    std::fs::write(folder.path().join("profile.toml"), without_moves()).expect("written");
    let mut command = Command::new("sh");
    // In blocks of 512 bytes.
    command.args(["-c", "trap '' XFSZ; ulimit -f 16; exec \"$0\" \"$@\"", env!("CARGO_BIN_EXE_longthrow")]);
    let mut daemon = Daemon::launch(folder, command, &["--rig", "rig.toml", "--profile", "profile.toml"]);
    let moves = |range: std::ops::Range<u16>| {
        for number in range {
            daemon.set("/channel/a/fader", -0.125 * f32::from(number % 200));
            // One by one, so that each is a line of its own.
            assert_eq!(daemon.ask("/channel/a/fader"), Argument::Float(-0.125 * f32::from(number % 200)));
        }
    };
    moves(0..150);
    daemon.await_line("the journal cannot be written (File too large");
    // Over several of the writer's turns.
    for turn in 1..8 {
        moves(turn * 20..turn * 20 + 20);
        let value = format!("\"channel.a.fader\":{:?}", -0.125 * f32::from(turn * 20 + 19));
        wait_until("the mix is kept all the same", || mix(&daemon).contains(&value));
    }
    assert_eq!(daemon.count("cannot be written"), 1);
    assert_eq!(daemon.stop(), Some(0));
    let bytes = std::fs::read(journal_file(&daemon.state())).expect("a journal");
    assert!(bytes.len() <= 8_192 && bytes.ends_with(b"\n"));
    assert!(journal::read(&bytes).is_ok_and(|journal| journal.torn.is_none() && journal.lines.len() > 20));
}

/// Killed at any moment while moves stream in: what was written is whole, and little of it is missing.
#[test]
fn a_kill_at_any_moment_leaves_whole_files_and_loses_little() {
    let rounds = if std::env::var_os("LONGTHROW_PROOF").is_some() { 50 } else { 4 };
    let mut daemon = Daemon::start(RIG, Some(PANEL), PROFILE);
    let (mut random, mut losses, mut count) = (0x5EED_u32, Vec::new(), 0_u32);
    for round in 0..rounds {
        random = random.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let life = Duration::from_micros(u64::from(random >> 8) % 1_500_000);
        let mut sent = Vec::new();
        let begun = Instant::now();
        while begun.elapsed() < life || sent.is_empty() {
            // Exact in single precision, within the fader's range, and never the same again.
            count += 1;
            let value = -(count as f32) / 1_024.0;
            sent.push((Instant::now(), value));
            daemon.set("/channel/a/fader", value);
            std::thread::sleep(Duration::from_millis(1));
        }
        let killed = Instant::now();
        let folder = daemon.crash();
        let state = folder.path().join("state");

        let text = std::fs::read_to_string(state.join("mix.json")).unwrap_or_default();
        let kept: serde_json::Value = serde_json::from_str(if text.is_empty() { "{}" } else { &text }).expect("whole");
        let kept = kept["values"]["channel.a.fader"].as_f64().map(|value| value as f32);
        let next = sent.iter().rposition(|(_, value)| Some(*value) == kept).map_or(0, |index| index + 1);
        let lost = sent.get(next).map_or(Duration::ZERO, |(at, _)| killed.duration_since(*at));
        losses.push(lost);

        let bytes = std::fs::read(journal_file(&state)).expect("a journal");
        let journal = journal::read(&bytes).unwrap_or_else(|mistakes| panic!("round {round}: {mistakes:?}"));
        let start = journal.lines.iter().rposition(|(_, line)| matches!(line.what, What::Start { .. }));
        let mut written = Vec::new();
        for (number, line) in &journal.lines[start.expect("a start")..] {
            if let What::Set(address, Value::Number(value), _) = &line.what {
                assert_eq!(address.to_string(), "channel.a.fader");
                assert!(line.sequence.is_some() && line.from.is_some(), "line {number}: {line:?}");
                written.push(*value);
            }
        }
        // What the journal holds was sent, in this order; an inbox may pass over what a newer move replaced.
        let mut rest = sent.iter().map(|(_, value)| *value);
        assert!(
            written.iter().all(|value| rest.any(|sent| sent.to_bits() == value.to_bits())),
            "round {round}: another order"
        );

        daemon = Daemon::start_in(folder, true, &[]);
        if let Some(kept) = kept {
            assert_eq!(daemon.ask("/channel/a/fader"), Argument::Float(kept), "round {round}");
        }
    }
    losses.sort();
    let most = losses[losses.len() - 1];
    println!("{rounds} kills: moves of {:?} lost in the middle case, {most:?} at most", losses[losses.len() / 2]);
    if rounds >= 50 {
        // The promise: a second, and what the disk itself takes.
        assert!(most < Duration::from_millis(1_500), "{losses:?}");
    }
}

// ---- the first run ----

/// The commands of the first step of the README, as a person would type them, but for the port.
fn first_commands(port: u16) -> Vec<String> {
    let readme = include_str!("../README.md");
    let step = readme.split("**1. See it move.**").nth(1).and_then(|rest| rest.split("**2.").next()).expect("a step");
    let commands = step.lines().filter(|line| line.starts_with("oscsend "));
    commands.map(|line| line.replacen("localhost 9123", &format!("localhost {port}"), 1)).collect()
}

#[test]
fn without_files_the_first_commands_of_the_readme_do_what_it_says() {
    if !have(&["oscsend", "oscdump"]) {
        return;
    }
    let free = UdpSocket::bind("127.0.0.1:0").and_then(|socket| socket.local_addr()).expect("a port");
    let mut dump = Command::new("timeout")
        .args(["100", "oscdump", "-L", &free.port().to_string()])
        .stdout(Stdio::piped())
        .spawn()
        .expect("oscdump starts");
    let folder = tempfile::tempdir().expect("a folder");
    let settings = [
        format!("follower.dump.address=127.0.0.1:{}", free.port()),
        "follower.dump.pattern=/meter/channel/lectern/after-fader/peak".to_owned(),
        "follower.dump.rate_hz=20".to_owned(),
    ];
    let options: Vec<&str> = settings.iter().flat_map(|setting| ["--set", setting]).collect();
    let mut daemon = Daemon::launch(folder, Command::new(env!("CARGO_BIN_EXE_longthrow")), &options);
    daemon.await_line("running \"Demonstration\"");

    let mut lines = BufReader::new(dump.stdout.take().expect("piped")).lines().map_while(Result::ok);
    // The highest peak in five seconds of talk, off is below all others.
    let mut loudest = || {
        let values = lines.by_ref().filter(|line| line.contains("/follow/values"));
        let peaks = values.filter_map(|line| line.rsplit(' ').next()?.parse::<f32>().ok());
        peaks.take(100).fold(f32::NEG_INFINITY, f32::max)
    };
    let before = loudest();
    let commands = first_commands(daemon.osc.port());
    assert_eq!(commands.len(), 4);
    for command in &commands {
        let done = Command::new("sh").args(["-c", command]).status();
        assert!(done.is_ok_and(|status| status.success()), "{command}");
    }
    // 0.40 of the travel lies between 0.37 (-30 dB) and 0.50 (-20 dB) of the house law.
    wait_until(
        "the room has followed",
        || matches!(daemon.ask("/channel/room/fader"), Argument::Float(db) if (db + 27.692).abs() < 0.01),
    );
    assert_eq!(daemon.ask("/channel/lectern/fader"), Argument::Float(-20.0));
    assert_eq!(daemon.ask("/channel/guest/switch"), word("closed"));
    // What was on its way, then what counts.
    loudest();
    let after = loudest();
    println!("the lectern's meter fell from {before} dBFS to {after} dBFS");
    assert!(before > -30.0 && (after - before + 20.0).abs() < 6.0, "{before} dBFS, then {after} dBFS");
    assert_eq!(daemon.stop(), Some(0));
    // A word that `timeout` passes on.
    signal("TERM", dump.id());
    dump.wait().expect("it ends");
}

#[test]
fn the_journal_of_the_demonstration_renders_to_the_levels_of_its_moves() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut daemon = Daemon::launch(folder, Command::new(env!("CARGO_BIN_EXE_longthrow")), &[]);
    daemon.await_line("running \"Demonstration\"");
    std::thread::sleep(Duration::from_millis(700));
    daemon.set("/channel/line-up/fader", -10.0);
    assert_eq!(daemon.ask("/channel/line-up/fader"), Argument::Float(-10.0));
    daemon.word("/channel/guest/switch", "closed");
    daemon.say("/channel/lectern/fader", &[word("off")]);
    assert_eq!(daemon.ask("/channel/lectern/fader"), word("off"));
    std::thread::sleep(Duration::from_millis(700));
    assert_eq!(daemon.stop(), Some(0));

    let events = journal_file(&daemon.state());
    let out = daemon.folder().join("out");
    let profile = Path::new(env!("CARGO_MANIFEST_DIR")).join("configs/demo/profile.toml");
    let mut render = Command::new(env!("CARGO_BIN_EXE_longthrow"));
    render.args(["render", "--length", "3", "--profile"]).arg(profile).arg("--events").arg(&events);
    let rendered = render.arg("--out").arg(&out).output().expect("it runs");
    assert!(rendered.status.success(), "{}", String::from_utf8_lossy(&rendered.stderr));

    // When the engine took in what carried the move, by the journal's own words.
    let text = std::fs::read_to_string(&events).expect("a journal");
    let lines: Vec<serde_json::Value> = text.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect();
    let moved = lines.iter().find(|line| line["set"] == "channel.line-up.fader").expect("the move");
    let sequence = moved["sequence"].as_u64().expect("a number");
    let heard = lines.iter().find(|line| line["echo"].as_u64().is_some_and(|echo| echo >= sequence));
    let heard = heard.and_then(|line| line["frame"].as_f64()).expect("an echo");
    assert!(heard > 20_000.0 && heard < 144_000.0, "{heard}");
    // A sine with a peak of -18 dBFS has a level of -21.01 dBFS; after the move it has a tenth of the power.
    let expected = -18.0 - 10.0 * 2.0_f64.log10() + 10.0 * (0.1 + 0.9 * heard / 144_000.0).log10();
    let report = std::fs::read_to_string(out.join("report.json")).expect("a report");
    let report: serde_json::Value = serde_json::from_str(&report).expect("JSON");
    let level = report["channels"]["line-up"]["after_fader"]["level_dbfs"][0].as_f64().expect("a level");
    println!("line-up {level:.3} dBFS, {expected:.3} expected");
    assert!((level - expected).abs() < 0.05, "{level} dBFS, {expected} expected");
    // Every move is there, with who sent it and what that sender may do.
    for path in ["channel.line-up.fader", "channel.guest.switch", "channel.lectern.fader"] {
        let line = lines.iter().find(|line| line["set"] == path).expect("a move");
        assert!(line["frame"].is_u64() && line["from"].is_string() && line["by"].is_string(), "{line}");
    }
}
