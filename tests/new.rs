//! The first installation, by options and by answers; what a machine without a sound card cannot show is said in the options.

#![allow(clippy::print_stdout, reason = "the tests say what they saw")]

mod support;

use jack::{AudioOut, Client, Control, Port, ProcessScope};
use longthrow::panel::osc::Argument;
use longthrow::ports::jack_server::{self, Lease, ServerClient};
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Command, Output, Stdio};
use support::alsa::inside_with_alsa;
use support::daemon::Daemon;
use support::jackd::{Active, Catcher, Jackd};
use support::pty::Pty;
use support::{have, wait_until};

fn longthrow(arguments: &[&str], folder: &Path, answers: &str, server: &str) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_longthrow"));
    command.args(arguments).current_dir(folder).env("JACK_DEFAULT_SERVER", server).env("JACK_NO_START_SERVER", "1");
    command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().expect("it starts");
    // It may have refused before it read.
    drop(child.stdin.take().expect("piped").write_all(answers.as_bytes()));
    child.wait_with_output().expect("it ends")
}

fn text(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

const NOBODY: &str = "longthrow-test-nobody";

#[test]
fn one_interface_with_two_inputs_its_pair_as_headphones_and_an_encoder_here() {
    let folder = tempfile::tempdir().expect("a folder");
    let options = [
        "new",
        "--yes",
        "--folder",
        "house",
        "--name",
        "The \"Old\" Mill",
        "--device",
        "hw:CARD=Box,DEV=0",
        "--inputs",
        "2",
        "--outputs",
        "2",
        "--microphone",
        "Lectern=1",
        "--microphone",
        "Questions=2",
        "--player",
        "sounds/jingle.wav",
        "--guest",
        "Guest 2",
    ];
    let made = longthrow(&options, folder.path(), "", NOBODY);
    assert!(made.status.success(), "{}", text(&made));
    let files = ["house/rig.toml", "house/panel.toml", "house/profile.toml"];
    let checked = longthrow(&[&["check"], &files[..]].concat(), folder.path(), "", NOBODY);
    assert!(checked.status.success(), "{}", text(&checked));
    let read = |name: &str| std::fs::read_to_string(folder.path().join(name)).expect("written");
    let (rig, profile) = (read(files[0]), read(files[2]));
    for line in [
        "identity = \"hw:CARD=Box,DEV=0\"\ninputs = 2\noutputs = 2\n",
        "[input.questions]\nkind = \"microphone\"\ndevice = \"interface\"\nchannels = [2]\n",
        "[output.headphones]\nkind = \"headphones\"\ndevice = \"interface\"\nchannels = [1, 2]\n",
        "[output.encoder]\nkind = \"application\"\nname = \"programme for encoder\"\n",
        "[input.guest-2]\nkind = \"application\"\n",
        "[output.to-guest-2]\nkind = \"application\"\nname = \"to guest 2\"\n",
    ] {
        assert!(rig.contains(line), "no {line:?} in\n{rig}");
    }
    for line in [
        "[output.headphones]\nsource = \"programme\"\nlevel = -40.0\n",
        // No guest hears themselves.
        "[bus.to-guest-2]\nlabel = \"To Guest 2\"\nmix-minus = { of = \"programme\", less = [\"guest-2\"] }\n",
        "[output.to-guest-2]\nsource = \"to-guest-2\"\n",
    ] {
        assert!(profile.contains(line), "no {line:?} in\n{profile}");
    }
    // No microphone starts open.
    assert!(!profile.contains("switch = \"open\""));

    // Whatever was written is never overwritten.
    let again = longthrow(&options, folder.path(), "", NOBODY);
    assert_eq!(again.status.code(), Some(3), "{}", text(&again));
    assert!(text(&again).contains("is there already"));
    assert_eq!(read(files[0]), rig);
}

#[test]
fn a_house_without_a_device_is_sound_too_and_its_desk_starts() {
    let folder = tempfile::tempdir().expect("a folder");
    let options = ["new", "--yes", "--folder", ".", "--device", "none", "--encoder", "none"];
    let made = longthrow(&options, folder.path(), "", NOBODY);
    assert!(made.status.success(), "{}", text(&made));
    let files = ["--rig", "rig.toml", "--panel", "panel.toml", "--profile", "profile.toml"];
    let mut daemon = Daemon::launch(folder, Command::new(env!("CARGO_BIN_EXE_longthrow")), &files);
    assert_eq!(daemon.stop(), Some(0));
}

/// Writes a house without a device whose panel is this, and checks it.
fn house_with(panel: &[&str]) -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    let options = ["new", "--yes", "--folder", ".", "--device", "none", "--encoder", "none"];
    let made = longthrow(&[&options[..], panel].concat(), folder.path(), "", NOBODY);
    assert!(made.status.success(), "{panel:?}: {}", text(&made));
    let checked = longthrow(&["check", "rig.toml", "panel.toml", "profile.toml"], folder.path(), "", NOBODY);
    assert!(checked.status.success(), "{panel:?}: {}", text(&checked));
    folder
}

const FILES: [&str; 6] = ["--rig", "rig.toml", "--panel", "panel.toml", "--profile", "profile.toml"];

fn desk_in(folder: tempfile::TempDir) -> Daemon {
    Daemon::launch(folder, Command::new(env!("CARGO_BIN_EXE_longthrow")), &FILES)
}

#[test]
fn a_midi_panel_by_a_range_of_controllers_moves_faders_and_opens_switches() {
    if !have(&["socat", "timeout"]) {
        return;
    }
    let pty = Pty::new();
    let panel = format!("serial:{}", pty.end("desk").display());
    let folder = house_with(&["--panel", &panel, "--faders", "3:20-22", "--buttons", "3:30-30"]);
    let read = |name: &str| std::fs::read_to_string(folder.path().join(name)).expect("written");
    // The one channel there is has a fader and a button; what the panel has besides waits to be assigned.
    assert_eq!(read("panel.toml").matches("message = \"control-change\"\nchannel = 3\n").count(), 4);
    assert!(
        read("profile.toml")
            .ends_with("[moves]\nfader-1 = \"channel.line-up.fader\"\nswitch-1 = \"channel.line-up.switch\"\n")
    );
    let daemon = desk_in(folder);
    daemon.await_line("control port panel: ");
    let mut wire = std::fs::OpenOptions::new().write(true).open(pty.end("panel")).expect("the line");
    // Where it stands, and then from below the desk's value through it: from there it follows.
    for value in 60..=110_u8 {
        wire.write_all(&[0xB2, 20, value]).expect("the line is open");
    }
    let fader = |daemon: &Daemon| daemon.ask("/channel/line-up/fader");
    wait_until("the fader follows", || matches!(fader(&daemon), Argument::Float(db) if (3.0..5.5).contains(&db)));
    wire.write_all(&[0xB2, 30, 127, 0xB2, 30, 0]).expect("the line is open");
    wait_until("the button opens it", || daemon.ask("/channel/line-up/switch") == Argument::Text("open".to_owned()));
}

#[test]
fn a_node_panel_says_its_own_addresses_and_moves_the_strips() {
    if !have(&["cc"]) {
        return;
    }
    let sources = Path::new(env!("CARGO_MANIFEST_DIR")).join("configs/node");
    let built = tempfile::tempdir().expect("a folder");
    let program = built.path().join("node");
    let mut command = Command::new("cc");
    command.args([sources.join("node.c"), sources.join("host_main.c")]).args(["-std=c99", "-lm", "-o"]).arg(&program);
    assert!(command.status().expect("cc starts").success());
    let mut node = Command::new(&program)
        .args(["udp", "0"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("the node starts");
    let mut line = String::new();
    BufReader::new(node.stdout.as_mut().expect("piped")).read_line(&mut line).expect("it says where");
    let folder = house_with(&["--panel", &format!("node:{}", line.trim().trim_start_matches("at "))]);
    let daemon = desk_in(folder);
    daemon.await_line("node host node 1 in slot 5");
    writeln!(node.stdin.as_mut().expect("piped"), "move 8 1\nmove 8 0").expect("it listens");
    wait_until("its first button opens the first strip", || {
        daemon.ask("/channel/line-up/switch") == Argument::Text("open".to_owned())
    });
    node.kill().expect("it runs");
    node.wait().expect("it ends");
}

#[test]
fn a_panel_whose_controls_are_not_known_yet_is_written_empty_for_assign_to_fill() {
    for panel in ["midi:A box nobody has", "jack-midi:box:out 1"] {
        let folder = house_with(&["--panel", panel]);
        let read = |name: &str| std::fs::read_to_string(folder.path().join(name)).expect("written");
        assert!(!read("panel.toml").contains("[control."), "{}", read("panel.toml"));
        assert!(read("profile.toml").ends_with("[moves]\n"));
        let (_, name) = panel.split_once(':').expect("both");
        assert!(read("rig.toml").contains(&format!(" = \"{name}\"")), "{}", read("rig.toml"));
        let mut daemon = desk_in(folder);
        assert_eq!(daemon.stop(), Some(0));
    }
    // The usual panel, by answers too.
    let folder = tempfile::tempdir().expect("a folder");
    let options =
        ["new", "--folder", ".", "--device", "none", "--player", "none", "--guest", "none", "--encoder", "none"];
    let made = longthrow(&options, folder.path(), "A house\nmidi:Box\n1:7-8\nlater\n", NOBODY);
    assert!(made.status.success() && text(&made).contains("What is the panel?"), "{}", text(&made));
    let panel = std::fs::read_to_string(folder.path().join("panel.toml")).expect("written");
    assert_eq!(panel.matches("[control.").count(), 2, "{panel}");
}

#[test]
fn answers_that_make_no_sense_are_explained_and_write_nothing() {
    let folder = tempfile::tempdir().expect("a folder");
    let device = ["--device", "hw:CARD=Box,DEV=0", "--inputs", "2", "--outputs", "2"];
    let wrong: [(&[&str], &str); 9] = [
        (&["--microphone", "Lectern=3"], "1 to 2"),
        (&["--microphone", "A=1", "--guest", "a"], "two things are called \"a\""),
        (&["--headphones", "1,2", "--encoder", "1,2"], "used twice"),
        (&["--headphones", "5,6"], "1 to 2"),
        (&["--microphone", "7th=1"], "begins with a letter"),
        (&["--encoder", "somewhere"], "--encoder"),
        (&["--panel", "usb"], "jack-midi:CLIENT:PORT"),
        (&["--panel", "midi:Box", "--faders", "1:120-128"], "as in 1:16-23"),
        (&["--panel", "node:/dev/ttyACM0", "--faders", "/fader"], "with N"),
    ];
    for (options, why) in wrong {
        let arguments = [&["new", "--yes", "--folder", "x"], &device[..], options].concat();
        let output = longthrow(&arguments, folder.path(), "", NOBODY);
        assert_eq!(output.status.code(), Some(2), "{options:?}: {}", text(&output));
        assert!(text(&output).contains(why), "{options:?}: {}", text(&output));
    }
    // A busy or missing device has to be described.
    let missing = longthrow(&["new", "--yes", "--folder", "x", "--device", "hw:CARD=Gone"], folder.path(), "", NOBODY);
    assert!(text(&missing).contains("--inputs and --outputs"), "{}", text(&missing));
    // Nobody there to answer.
    let silent = longthrow(&["new", "--folder", "x", "--device", "none"], folder.path(), "A house\n", NOBODY);
    assert_eq!(silent.status.code(), Some(2), "{}", text(&silent));
    assert!(text(&silent).contains("nobody answered") && text(&silent).contains("--yes"), "{}", text(&silent));
    assert!(!folder.path().join("x").exists());
}

/// Somebody who speaks into the fifth of eight channels.
struct Speaker(Vec<Port<AudioOut>>, #[expect(dead_code, reason = "kept until the client is closed")] Lease);

impl jack::ProcessHandler for Speaker {
    fn process(&mut self, _: &Client, scope: &ProcessScope) -> Control {
        for (channel, port) in self.0.iter_mut().enumerate() {
            let level = if channel == 4 { 0.1 } else { 0.001 };
            port.as_mut_slice(scope)
                .iter_mut()
                .enumerate()
                .for_each(|(n, x)| *x = if n % 48 < 24 { level } else { -level });
        }
        Control::Continue
    }
}

#[test]
fn whoever_speaks_chooses_the_device_and_the_channel() {
    if !inside_with_alsa("whoever_speaks_chooses_the_device_and_the_channel") {
        return;
    }
    let ServerClient { client, lease } = jack_server::open("feeder", "").expect("the server runs");
    let ports = (1..=8).map(|n| client.register_port(&n.to_string(), AudioOut::default()).expect("there is room"));
    let (closing, speaker) = (lease.closing(), Speaker(ports.collect(), lease));
    let _speaking = Active::new(client, closing, speaker);
    let _catcher = Catcher::start("", "catcher", 8);

    let folder = tempfile::tempdir().expect("a folder");
    let options = ["new", "--folder", ".", "--player", "none", "--guest", "none", "--encoder", "here"];
    // The house, the device and the channel by what was heard, one microphone, no headphones, no loudspeakers, the usual panel.
    let server = std::env::var("JACK_DEFAULT_SERVER").expect("named");
    let made = longthrow(&options, folder.path(), "\n\nLectern\n\nnone\nnone\n\n", &server);
    let said = text(&made);
    println!("{said}");
    assert!(made.status.success());
    let rig = std::fs::read_to_string(folder.path().join("rig.toml")).expect("written");
    assert!(rig.contains("host = \"alsa\"\nidentity = \"desk\"\ninputs = 8\noutputs = 8\n"), "{rig}");
    assert!(rig.contains("[input.lectern]\nkind = \"microphone\"\ndevice = \"interface\"\nchannels = [5]\n"), "{rig}");
    assert!(said.contains("-20 dB"), "the meter was shown");
}

#[test]
fn a_jack_server_is_linked_to_by_the_names_of_its_hardware() {
    let Some(jackd) = Jackd::start(48_000, 256, 2) else { return };
    let folder = tempfile::tempdir().expect("a folder");
    let options = ["new", "--yes", "--folder", ".", "--device", "jack", "--encoder", "none"];
    let made = longthrow(&options, folder.path(), "", &jackd.name);
    assert!(made.status.success(), "{}", text(&made));
    let rig = std::fs::read_to_string(folder.path().join("rig.toml")).expect("written");
    assert!(rig.contains("link_inputs = [\"system:capture_1\", \"system:capture_2\"]"), "{rig}");
    let files = ["--rig", "rig.toml", "--panel", "panel.toml", "--profile", "profile.toml"];
    let mut command = Command::new(env!("CARGO_BIN_EXE_longthrow"));
    command.env("JACK_DEFAULT_SERVER", &jackd.name);
    let mut daemon = Daemon::launch(folder, command, &files);
    daemon.await_lines("linked to system:", 4);
    assert_eq!(daemon.stop(), Some(0));
}
