//! The restart matrix: whatever ends a run or takes a device away, attended or not, with a microphone open or closed, with sound
//! files or a bad one at the next start. What has to come of it is written here from the promises (4: all or nothing, 5: nothing
//! automatic opens a microphone, 9: state survives), and shares nothing with the program but its words.
//!
//! Every start is made as systemd makes it (Restart=always, Type=notify, by hand: sd_notify(3)): whatever the end, the same
//! command again, and it counts as started at READY=1. A power loss leaves what `support/power_loss.c` saw synced.

#![allow(clippy::print_stdout, reason = "the test says what it counted")]

mod support;

use longthrow::daemon::desk_thread::Shown;
use longthrow::daemon::run::microphones_come_back;
use longthrow::desk::{By, Desk, Event};
use longthrow::panel::osc::Argument;
use longthrow::params::{Address, Value};
use longthrow::profile::{Source, Texts, check};
use longthrow::units::{Frames, SampleRate};
use std::collections::BTreeMap;
use std::os::unix::net::UnixDatagram;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;
use support::daemon::Daemon;
use support::{have, wait_until};

/// The device is on a server that nobody runs: its microphone's switch and fader are kept all the same.
const RIG: &str = "form = 1\nkind = \"rig\"\nrate_hz = 48000\n\
    [device.box]\nhost = \"jack\"\nidentity = \"longthrow-nowhere\"\ninputs = 1\noutputs = 2\n\
    [input.mic]\nkind = \"microphone\"\ndevice = \"box\"\nchannels = [1]\n\
    [input.tone]\nkind = \"line\"\ngenerator = \"sine\"\nfrequency_hz = 997.0\nlevel_dbfs = -20.0\n\
    [output.out]\nkind = \"line\"\ndevice = \"box\"\nchannels = [1, 2]\n";
const PROFILE: &str = "form = 1\nkind = \"profile\"\nname = \"evening\"\n\
    [channel.a]\nsource = \"tone\"\nswitch = \"open\"\nfader = 0.0\nassign.programme = \"on\"\n\
    [channel.mic]\nsource = \"mic\"\nfader = 0.0\nassign.programme = \"on\"\n";
const FILES: [&str; 4] = ["--rig", "rig.toml", "--profile", "profile.toml"];

#[derive(Clone, Copy, Debug, PartialEq)]
enum What {
    /// Killed, and back at once.
    Crash,
    /// Killed, and back only after more than 10 s.
    LongCrash,
    /// The machine lost its power: what was not synced is gone, and the machine has started since.
    PowerLoss,
    /// Killed for the third time within two minutes.
    ThirdCrash,
    /// The device was away for so many seconds.
    Device(u64),
}

#[derive(Clone, Copy, Debug)]
struct Case {
    what: What,
    /// A hand used a control in the last 10 minutes.
    hand: bool,
    /// The microphone was open.
    open: bool,
    /// The profile has a mistake at the next start.
    bad_file: bool,
}

/// Promise 5 and, for the third crash, promise 4: whether the microphone is open afterwards.
fn open_afterwards(case: Case) -> bool {
    // "attended (a control used in the last 10 minutes, a declared show, or a live microphone)"
    let attended = case.hand || case.open;
    // "After a crash or a lost device of less than 10 s while attended, an open microphone comes back open; in every other case it
    // comes back closed"; "After three crashes in two minutes [...] microphones closed".
    let short = match case.what {
        What::Crash | What::Device(5) => true,
        What::LongCrash | What::PowerLoss | What::ThirdCrash | What::Device(_) => false,
    };
    case.open && attended && short
}

fn switch(open: bool) -> Argument {
    Argument::Text(if open { "open" } else { "closed" }.into())
}

/// A run under the hand-made supervisor.
struct Service {
    shim: PathBuf,
}

impl Service {
    fn start(&self, folder: tempfile::TempDir) -> Daemon {
        let path = folder.path().join("manager");
        drop(std::fs::remove_file(&path));
        let manager = UnixDatagram::bind(&path).expect("a socket");
        manager.set_read_timeout(Some(Duration::from_secs(30))).expect("a time-out");
        let shadow = folder.path().join("shadow");
        std::fs::create_dir_all(&shadow).expect("made");
        let mut command = Command::new(env!("CARGO_BIN_EXE_longthrow"));
        command.env("NOTIFY_SOCKET", &path).env("JACK_NO_START_SERVER", "1");
        command.env("LD_PRELOAD", &self.shim).env("POWER_LOSS", &shadow);
        let daemon = Daemon::launch(folder, command, &FILES);
        let mut buffer = [0; 4096];
        let length = manager.recv(&mut buffer).expect("the manager hears something");
        assert_eq!(&buffer[..length], b"READY=1\n", "the first word");
        daemon
    }
}

fn inode(path: &Path) -> u64 {
    use std::os::unix::fs::MetadataExt;
    std::fs::metadata(path).expect("there").ino()
}

/// What of a folder would be left: the files and folders whose names were synced, with what was synced of them.
fn leave_what_was_synced(shadow: &Path, folder: &Path) {
    let listed = std::fs::read_to_string(shadow.join(format!("folder.{}", inode(folder)))).unwrap_or_default();
    let entries = listed.lines().filter_map(|line| line.split_once(' '));
    let known: BTreeMap<&str, &str> = entries.map(|(inode, name)| (name, inode)).collect();
    let mut there: Vec<PathBuf> =
        std::fs::read_dir(folder).expect("there").flatten().map(|entry| entry.path()).collect();
    for path in &there {
        if path.is_dir() {
            leave_what_was_synced(shadow, path);
        }
    }
    there.retain(|path| !path.is_dir());
    for path in there {
        std::fs::remove_file(&path).expect("removed");
    }
    for (name, inode) in known {
        let path = folder.join(name);
        if name != "." && name != ".." && !path.is_dir() {
            let bytes = std::fs::read(shadow.join(format!("file.{inode}"))).unwrap_or_default();
            std::fs::write(path, bytes).expect("written");
        }
    }
}

/// What is in a file of the state folder as far as it was synced.
fn synced(folder: &Path, name: &str) -> String {
    let state = folder.join("state");
    let listed = std::fs::read_to_string(folder.join(format!("shadow/folder.{}", inode(&state)))).unwrap_or_default();
    let entry = listed.lines().filter_map(|line| line.split_once(' ')).find(|(_, known)| *known == name);
    let of = |(inode, _): (&str, &str)| std::fs::read_to_string(folder.join(format!("shadow/file.{inode}"))).ok();
    entry.and_then(of).unwrap_or_default()
}

/// One case with the built program; gives what it violated.
fn of_the_program(service: &Service, case: Case, number: u16) -> Vec<String> {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("rig.toml"), RIG).expect("written");
    std::fs::write(folder.path().join("profile.toml"), PROFILE).expect("written");
    let mut daemon = service.start(folder);
    let fader = -1.0 - f32::from(number) / 8.0;
    daemon.set("/channel/a/fader", fader);
    daemon.word("/channel/mic/switch", if case.open { "open" } else { "closed" });
    assert_eq!(daemon.ask("/channel/mic/switch"), switch(case.open));
    // Promise 9 allows a second of moves to be lost: these are older, by the only clock that counts here.
    let kept = format!("\"channel.a.fader\":{fader:?}");
    let microphone = format!("\"channel.mic.switch\":\"{}\"", if case.open { "open" } else { "closed" });
    wait_until("the mix is synced", || {
        let mix = synced(daemon.folder(), "mix.json");
        mix.contains(&kept) && mix.contains(&microphone)
    });
    let crashes = if case.what == What::ThirdCrash { 2 } else { 0 };
    // In a run of its own nobody has used a control.
    for _ in 0..crashes.max(usize::from(!case.hand)) {
        daemon = service.start(daemon.crash());
        wait_until("the mix is synced", || synced(daemon.folder(), "mix.json").contains(&kept));
    }
    if case.hand {
        daemon.set("/channel/a/trim", 1.0);
        assert_eq!(daemon.ask("/channel/a/trim"), Argument::Float(1.0));
    }

    let folder = daemon.crash();
    let state = folder.path().join("state");
    match case.what {
        What::LongCrash => {
            let text = std::fs::read_to_string(state.join("alive")).expect("a sign of life");
            let (boot, seconds) = text.trim().split_once(' ').expect("a start of the machine, and seconds since");
            let earlier = seconds.parse::<u64>().expect("seconds").saturating_sub(11);
            std::fs::write(state.join("alive"), format!("{boot} {earlier}")).expect("written");
        }
        What::PowerLoss => leave_what_was_synced(&folder.path().join("shadow"), &state),
        _ => {}
    }
    if case.bad_file {
        let bad = PROFILE.replace("fader = 0.0", "fader = 99.0").replace("switch = \"open\"", "switch = \"ajar\"");
        std::fs::write(folder.path().join("profile.toml"), bad).expect("written");
    }
    let mut daemon = service.start(folder);
    let mut violations = Vec::new();
    let mut demand = |holds: bool, what: &str| {
        if !holds {
            violations.push(format!("{case:?}: {what}"));
        }
    };
    let open = daemon.ask("/channel/mic/switch");
    demand(open == switch(open_afterwards(case)), &format!("promise 5: the microphone is {open:?}"));
    demand(daemon.ask("/channel/a/fader") == Argument::Float(fader), "promise 9: the fader is not as it was");
    demand(daemon.ask("/channel/a/switch") == switch(true), "promise 9: the line is not open as it was");
    if case.open && !open_afterwards(case) {
        demand(daemon.count("channel mic comes back closed") > 0, "promise 5: nobody is told that it waits for a hand");
    }
    // Promise 4: a bad file changes nothing, every mistake of it is told, and the alarm is raised.
    let log = daemon.log().join("\n");
    demand(log.contains("ALARM") == (case.bad_file || case.what == What::ThirdCrash), "promise 4: the alarm");
    if case.bad_file {
        demand(log.contains("99.0") && log.contains("ajar"), "promise 4: not every mistake is told");
    }
    if case.what == What::ThirdCrash {
        demand(log.contains("three crashes in two minutes"), "promise 4: no safe start");
    }
    // Promise 9: files readable, and it ends as asked.
    let journal = std::fs::read_dir(daemon.state().join("journal")).expect("a journal").flatten();
    for file in journal {
        let bytes = std::fs::read(file.path()).expect("readable");
        demand(longthrow::desk::journal::read(&bytes).is_ok(), "promise 9: the journal cannot be read");
    }
    demand(daemon.stop() == Some(0), "it does not end as asked");
    violations
}

/// One case with the desk alone, in its own time.
fn of_the_desk(case: Case, away_seconds: u64) -> Vec<String> {
    const MINUTE: u64 = 60_000_000_000;
    let source = |name: &str, text: &str| Source { name: name.into(), text: text.into() };
    let texts = Texts {
        rig: vec![source("rig.toml", RIG)],
        profile: Some(source("profile.toml", PROFILE)),
        ..Texts::default()
    };
    let installation = check(&texts).0.and_then(longthrow::profile::Checked::into_installation).expect("sound");
    let rate = SampleRate::HZ_48000;
    let mut desk = Desk::new(installation, rate);
    let at = |seconds: u64| Frames(seconds * 48_000);
    let address = |path: &str| Address::from_dotted(path).expect(path);
    let device = || "box".into();
    desk.handle(at(0), Event::DeviceBack { device: device(), microphones_open: false });
    let set = |desk: &mut Desk, seconds, path: &str, value| {
        let by = By::Message { may_open_microphones: true };
        desk.handle(at(seconds), Event::Set { address: address(path), value, by });
    };
    set(&mut desk, 1, "channel.mic.switch", Value::Word(if case.open { "open" } else { "closed" }.into()));
    // The last hand was now, or eleven minutes ago.
    let now = 100 * MINUTE;
    let gone = 1000;
    desk.handle(at(gone), Event::DeviceAway { device: device() });
    let shown = Shown {
        microphones_open: desk.is_open_on_air(&"mic".into()),
        last_hand: if case.hand { now } else { now - 11 * MINUTE },
        ..Shown::default()
    };
    // Meanwhile the desk obeys.
    set(&mut desk, gone + 1, "channel.a.fader", Value::Number(-7.0));
    let microphones_open = microphones_come_back(&shown, now, Duration::from_secs(away_seconds));
    let before: Vec<(Address, Value)> = desk.mix().map(|(address, value)| (address.clone(), value.clone())).collect();
    let effects = desk.handle(at(gone + away_seconds), Event::DeviceBack { device: device(), microphones_open });
    let mut violations = Vec::new();
    let mut demand = |holds: bool, what: &str| {
        if !holds {
            violations.push(format!("{case:?}: {what}"));
        }
    };
    let open = desk.value(&address("channel.mic.switch")).is_some_and(|value| value.is_word("open"));
    demand(open == open_afterwards(case), "promise 5: the microphone");
    demand(desk.value(&address("channel.a.fader")) == Some(Value::Number(-7.0)), "the fader was not obeyed meanwhile");
    for (address, value) in before {
        let microphone = address.to_string() == "channel.mic.switch";
        demand(
            microphone || desk.value(&address) == Some(value),
            "promise 5: the device's return moved something else",
        );
    }
    let told = effects.notes.iter().any(|note| note.contains("waits for a hand"));
    demand(told == (case.open && !open_afterwards(case)), "promise 5: what people are told");
    violations
}

#[test]
fn no_restart_and_no_return_breaks_a_promise() {
    if !have(&["cc"]) {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let shim = folder.path().join("power_loss.so");
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/support/power_loss.c");
    let made = Command::new("cc").args(["-shared", "-fPIC", "-O1", "-o"]).arg(&shim).arg(source).arg("-ldl").status();
    assert!(made.is_ok_and(|status| status.success()), "the file layer is built");
    let service = Service { shim };
    let (mut violations, mut cases) = (Vec::new(), 0_u16);
    let whats = [What::Crash, What::LongCrash, What::PowerLoss, What::ThirdCrash, What::Device(5), What::Device(60)];
    for what in whats {
        for hand in [true, false] {
            for open in [true, false] {
                for bad_file in [false, true] {
                    let case = Case { what, hand, open, bad_file };
                    match what {
                        // A device that comes back starts nothing: no file is read.
                        What::Device(_) if bad_file => continue,
                        What::Device(seconds) => violations.extend(of_the_desk(case, seconds)),
                        _ => violations.extend(of_the_program(&service, case, cases)),
                    }
                    cases += 1;
                }
            }
        }
    }
    println!("{cases} cases, {} violations", violations.len());
    assert!(violations.is_empty(), "\n{}", violations.join("\n"));
    assert_eq!(cases, 4 * 8 + 2 * 4);
}
