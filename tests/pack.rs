//! An installation is packed here and unpacked there, where the devices have other names.

mod support;

use longthrow::panel::osc::Argument;
use longthrow::ports::archive::{self, Packed};
use std::io::Write;
use std::path::Path;
use std::process::{Command, Output, Stdio};
use support::daemon::Daemon;

fn longthrow(arguments: &[&str], folder: &Path, answers: &str) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_longthrow"));
    command.args(arguments).current_dir(folder).env("JACK_DEFAULT_SERVER", "longthrow-test-nobody");
    command.env("JACK_NO_START_SERVER", "1").env("XDG_CONFIG_HOME", folder.join("config"));
    command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().expect("it starts");
    // It may have refused before it read.
    drop(child.stdin.take().expect("piped").write_all(answers.as_bytes()));
    child.wait_with_output().expect("it ends")
}

fn text(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

const RIG: &str = "# The room.\nform = 1\nkind = \"rig\"\nrate_hz = 48000\n\
    [device.stage] # under the stairs\nhost = \"jack\"\nidentity = \"longthrow-test-stage\"\ninputs = 2\noutputs = 2\n\
    link_inputs = [\"system:capture_1\"]\n\
    [input.mic]\nkind = \"microphone\"\ndevice = \"stage\"\nchannels = [2]\n\
    [input.tone]\nkind = \"line\"\ngenerator = \"sine\"\nfrequency_hz = 997.0\nlevel_dbfs = -20.0\n\
    [input.jingle]\nkind = \"player\"\nfile = \"sounds/jingle.wav\"\n\
    [output.out]\nkind = \"line\"\ndevice = \"stage\"\nchannels = [1, 2]\n\
    [control-port.frame]\nkind = \"serial\"\npath = \"/dev/serial/by-id/frame-of-the-other-house\"\n";
const PANEL: &str = "form = 1\nkind = \"panel\"\n[control.f1]\nplace = \"1\"\nkind = \"fader\"\nport = \"frame\"\n\
    message = \"control-change\"\nchannel = 1\nnumber = 7\ncalibration = [[0.02, 0.0], [0.97, 1.0]]\n";
const TALK: &str = "form = 1\nkind = \"profile\"\nname = \"talk\"\n\
    [channel.a]\nsource = \"tone\"\nswitch = \"open\"\nfader = -6.0\npan = -1.0\nassign.programme = \"on\"\n\
    [channel.mic]\nsource = \"mic\"\nfader = 0.0\nassign.programme = \"on\"\n[moves]\nf1 = \"channel.a.fader\"\n";

/// A house with files, and with what is none of the archive's business.
fn house() -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    let files = folder.path().join("config/longthrow");
    std::fs::create_dir_all(files.join("sounds")).expect("made");
    for (name, text) in [
        ("rig.toml", RIG),
        ("panel.toml", PANEL),
        ("talk.toml", TALK),
        ("quiz.toml", &TALK.replace("talk", "quiz")),
        ("encoder.toml", "password = \"open sesame\"\n"),
        ("stream.key", "open sesame"),
        ("sounds/jingle.wav", "RIFF"),
    ] {
        std::fs::write(files.join(name), text).expect("written");
    }
    folder
}

fn names(archive: &Path) -> Vec<String> {
    let file = std::fs::File::open(archive).expect("there");
    archive::read(file).expect("sound").into_iter().map(|file| file.name).collect()
}

#[test]
fn packed_here_and_unpacked_with_other_devices_there_it_passes_check_and_plays() {
    let here = house();
    let packed = longthrow(&["pack", "house.tar"], here.path(), "");
    assert!(packed.status.success(), "{}", text(&packed));
    let archive = here.path().join("house.tar");
    assert_eq!(names(&archive), ["panel.toml", "quiz.toml", "rig.toml", "talk.toml"]);
    assert!(!String::from_utf8_lossy(&std::fs::read(&archive).expect("there")).contains("sesame"));
    // An ordinary archive: whoever has tar can open it.
    let listed = Command::new("tar").arg("-tf").arg(&archive).output().expect("tar is everywhere");
    assert_eq!(String::from_utf8_lossy(&listed.stdout), "panel.toml\nquiz.toml\nrig.toml\ntalk.toml\n");
    let again = longthrow(&["pack", "house.tar"], here.path(), "");
    assert_eq!(again.status.code(), Some(3), "{}", text(&again));

    let there = tempfile::tempdir().expect("a folder");
    let archive = archive.to_string_lossy().into_owned();
    let options = ["--device", "stage=alsa:hw:CARD=Other,DEV=0", "--control-port", "frame=/dev/serial/by-id/ours"];
    let unpacked = longthrow(&[&["unpack", &archive, "--folder", "."], &options[..]].concat(), there.path(), "");
    assert!(unpacked.status.success(), "{}", text(&unpacked));
    assert!(text(&unpacked).contains("jingle.wav, which is not here"), "{}", text(&unpacked));
    let rig = std::fs::read_to_string(there.path().join("rig.toml")).expect("written");
    let expected = RIG
        .replace(
            "host = \"jack\"\nidentity = \"longthrow-test-stage\"",
            "host = \"alsa\"\nidentity = \"hw:CARD=Other,DEV=0\"",
        )
        .replace("link_inputs = [\"system:capture_1\"]\n", "")
        .replace("frame-of-the-other-house", "ours");
    assert_eq!(rig, expected, "comments and order stay");
    for (name, same) in [("panel.toml", PANEL), ("talk.toml", TALK)] {
        assert_eq!(std::fs::read_to_string(there.path().join(name)).expect("written"), same);
    }
    let checked = longthrow(&["check", "rig.toml", "panel.toml", "talk.toml", "quiz.toml"], there.path(), "");
    assert!(checked.status.success(), "{}", text(&checked));

    // It plays: the tone, 20 dB below full scale and 6 dB by its fader, on the left.
    let options = ["--rig", "rig.toml", "--panel", "panel.toml", "--profile", "talk.toml"];
    // The file of the player stayed at home.
    std::fs::write(there.path().join("rig.toml"), rig.replace("sounds/jingle.wav", "jingle.wav")).expect("written");
    let wav = [&["render", "--length", "1", "--out", "out", "--json"], &options[..]].concat();
    let rendered = longthrow(&wav, there.path(), "");
    assert!(rendered.status.success(), "{}", text(&rendered));
    let report: serde_json::Value = serde_json::from_slice(&rendered.stdout).expect("JSON");
    let peaks = report["buses"]["programme"]["peak_dbfs"].as_array().expect("two sides").clone();
    let [left, right] = [0, 1].map(|side| peaks[side].as_f64().expect("a level"));
    assert!((left + 26.0).abs() < 0.01 && right < -100.0, "{left} and {right} dBFS");
    let daemon = Daemon::launch(there, Command::new(env!("CARGO_BIN_EXE_longthrow")), &options);
    assert_eq!(daemon.ask("/channel/a/fader"), Argument::Float(-6.0));
    assert_eq!(daemon.ask("/channel/mic/switch"), Argument::Text("closed".into()));
}

#[test]
fn what_is_missing_is_asked_for_and_nothing_is_written_before_all_of_it_is_sound() {
    let here = house();
    assert!(longthrow(&["pack", "house.tar"], here.path(), "").status.success());
    let there = || {
        let there = tempfile::tempdir().expect("a folder");
        std::fs::copy(here.path().join("house.tar"), there.path().join("house.tar")).expect("copied");
        there
    };
    // Answers that are not understood are asked again; keep is the default.
    let asked = there();
    let unpacked = longthrow(&["unpack", "house.tar", "--folder", "x"], asked.path(), "9\njack:practice\n\n");
    let said = text(&unpacked);
    assert!(unpacked.status.success(), "{said}");
    assert!(
        said.contains("Device \"stage\" (jack, longthrow-test-stage; 2 in, 2 out) is not on this machine"),
        "{said}"
    );
    assert!(said.contains("Control port \"frame\"") && said.contains("not understood"), "{said}");
    let rig = std::fs::read_to_string(asked.path().join("x/rig.toml")).expect("written");
    assert_eq!(rig, RIG.replace("longthrow-test-stage", "practice"));
    // What is there stays, unless it is said otherwise.
    let again = longthrow(&["unpack", "house.tar", "--folder", "x", "--yes"], asked.path(), "");
    assert_eq!(again.status.code(), Some(3), "{}", text(&again));
    assert_eq!(std::fs::read_to_string(asked.path().join("x/rig.toml")).expect("there"), rig);
    let replaced = longthrow(&["unpack", "house.tar", "--folder", "x", "--yes", "--replace"], asked.path(), "");
    assert!(replaced.status.success(), "{}", text(&replaced));
    assert_eq!(std::fs::read_to_string(asked.path().join("x/rig.toml")).expect("there"), RIG);

    let refused = |archive: &[Packed], options: &[&str], code: i32, why: &str| {
        let there = tempfile::tempdir().expect("a folder");
        std::fs::write(there.path().join("a.tar"), archive::write(archive).expect("sound")).expect("written");
        let output = longthrow(&[&["unpack", "a.tar", "--folder", "x"], options].concat(), there.path(), "");
        assert_eq!(output.status.code(), Some(code), "{}", text(&output));
        assert!(text(&output).contains(why), "no {why:?} in {}", text(&output));
        assert!(!there.path().join("x").exists(), "something was written");
    };
    let file = |name: &str, text: &str| Packed { name: name.to_owned(), bytes: text.as_bytes().to_vec() };
    let sound = [file("rig.toml", RIG), file("panel.toml", PANEL), file("talk.toml", TALK)];
    refused(&sound, &["--yes", "--device", "stagge=jack"], 2, "the nearest is \"stage\"");
    refused(&sound, &["--device", "stage=nonsense"], 2, "accepted: HOST:IDENTITY");
    refused(&sound, &["--device", "stage=alsa:"], 2, "accepted: HOST:IDENTITY");
    refused(&sound, &[], 2, "nobody answered");
    let broken = [file("rig.toml", RIG), file("talk.toml", &TALK.replace("-6.0", "99.0"))];
    refused(&broken, &["--yes"], 1, "99.0");
    let unknown = [file("rig.toml", &RIG.replace("[input.tone]", "[input.other]")), file("talk.toml", TALK)];
    refused(&unknown, &["--yes"], 1, "talk.toml");
    refused(&[file("rig.toml", RIG), file("notes.txt", "hello")], &["--yes"], 1, "notes.txt");
    // What leaves the folder: made by tar itself, with a name that stays as it is.
    let evil = there();
    std::fs::write(evil.path().join("talk.toml"), TALK).expect("written");
    std::fs::create_dir(evil.path().join("inner")).expect("made");
    let made = Command::new("tar")
        .args(["-cPf", "../evil.tar", "../talk.toml"])
        .current_dir(evil.path().join("inner"))
        .status();
    assert!(made.is_ok_and(|status| status.success()));
    let output = longthrow(&["unpack", "evil.tar", "--folder", "x/y"], evil.path(), "");
    assert!(output.status.code() == Some(1) && text(&output).contains("leaves the folder"), "{}", text(&output));
    assert!(!evil.path().join("x").exists());
}

#[test]
fn what_would_not_pass_there_is_not_packed_here() {
    let here = house();
    let files = here.path().join("config/longthrow");
    std::fs::write(files.join("quiz.toml"), TALK.replace("\"a\"", "\"b\"").replace("fader = -6.0", "fadder = 1.0"))
        .expect("written");
    let refused = longthrow(&["pack", "house.tar"], here.path(), "");
    assert!(refused.status.code() == Some(1) && text(&refused).contains("fadder"), "{}", text(&refused));
    assert!(!here.path().join("house.tar").exists());
    // Named ones only.
    let some =
        ["pack", "some.tar", "config/longthrow/rig.toml", "config/longthrow/panel.toml", "config/longthrow/talk.toml"];
    let packed = longthrow(&some, here.path(), "");
    assert!(packed.status.success(), "{}", text(&packed));
    assert_eq!(names(&here.path().join("some.tar")), ["rig.toml", "panel.toml", "talk.toml"]);
    let key = longthrow(&["pack", "key.tar", "config/longthrow/stream.key"], here.path(), "");
    assert_eq!(key.status.code(), Some(1), "a file that is none of ours is refused: {}", text(&key));
}
