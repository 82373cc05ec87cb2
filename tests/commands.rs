//! The commands that ask the running desk, as a person gives them.

#[path = "support/mod.rs"]
mod support;

use longthrow::panel::osc::Argument;
use serde_json::{Value as Json, json as value};
use std::path::Path;
use std::process::{Command, Output};
use support::daemon::Daemon;
use support::wait_until;

const RIG: &str = r#"
form = 1
kind = "rig"
rate_hz = 48000
[network]
listen = "127.0.0.1:0"
[help]
call = "Mara, in the workshop, extension 12"
[device.box]
host = "jack"
identity = "nowhere-at-all"
inputs = 1
outputs = 2
[input.speech]
kind = "line"
generator = "speech-like"
level_dbfs = -20.0
[input.mic]
kind = "microphone"
device = "box"
channels = [1]
[output.stream]
kind = "feed"
device = "box"
channels = [1, 2]
"#;

const PROFILE: &str = r#"
form = 1
kind = "profile"
name = "Asked"
[channel.reader]
label = "Reader"
source = "speech"
switch = "open"
fader = -6.0
assign.programme = "on"
[channel.host]
label = "Host"
source = "mic"
fader = 0.0
assign.programme = "on"
[output.stream]
source = "programme"
level = 0.0
"#;

fn longthrow(state: &Path, arguments: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_longthrow"));
    command.args(arguments).arg("--state").arg(state).output().expect("it runs")
}

fn text(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

fn json(output: &Output) -> Json {
    serde_json::from_slice(&output.stdout).unwrap_or_else(|error| panic!("{error}: {}", text(output)))
}

#[test]
fn status_and_why_say_what_is_on_air_what_is_wrong_and_what_blocks() {
    let daemon = Daemon::start(RIG, None, PROFILE);
    let state = daemon.state();
    wait_until("the reader is heard", || {
        json(&longthrow(&state, &["status", "--json"]))["programme_dbfs"].as_f64().is_some_and(|peak| peak > -50.0)
    });
    let status = longthrow(&state, &["status"]);
    assert_eq!(status.status.code(), Some(1), "the device is not there");
    let shown = text(&status);
    for part in
        ["NOT ON AIR: device box", "No microphone is live.", "WRONG: device box is not there", "What to do:", "Reader"]
    {
        assert!(shown.contains(part), "{part} in\n{shown}");
    }
    let after = shown.split("What to do:").nth(1).and_then(|rest| rest.lines().nth(1)).unwrap_or_default();
    assert_eq!(after, "  Whom to call: Mara, in the workshop, extension 12");
    // Every bus and output on the meter that was chosen for it.
    daemon.word("/output/stream/meter", "vu");
    let metered = |of: &str| {
        let status = json(&longthrow(&state, &["status", "--json"]));
        status["meters"].as_array().and_then(|all| all.iter().find(|metered| metered["of"] == of)).cloned()
    };
    wait_until("the output is shown in VU", || {
        metered("output.stream").is_some_and(|metered| metered["meter"] == "vu" && metered["unit"] == "VU")
    });
    let programme = metered("bus.programme").expect("it is listed");
    assert_eq!((&programme["meter"], &programme["unit"]), (&value!("peak"), &value!("dBFS")));
    assert!(programme["readings"].as_array().is_some_and(|sides| sides.len() == 2), "{programme}");
    let why = json(&longthrow(&state, &["why", "channel.reader", "--json"]));
    assert_eq!(why["blocking"], "output stream", "{why}");
    daemon.word("/channel/reader/switch", "closed");
    wait_until("the switch is closed", || {
        json(&longthrow(&state, &["why", "/channel/reader/fader", "--json"]))["blocking"] == "switch"
    });
    let future = longthrow(&state, &["recall", "--at", "2999-01-01T00:00:00Z"]);
    assert!(text(&future).contains("the clock of this machine shows"), "{}", text(&future));
    let before = longthrow(&state, &["recall", "--at", "2001-01-01T00:00:00Z"]);
    assert!(text(&before).contains("it begins at"), "{}", text(&before));
    assert!(text(&longthrow(&state, &["recall", "--at", "20:14:61"])).contains("20:14:30"));
    // Of a parameter that blocks nothing: where it stands.
    let lock = longthrow(&state, &["why", "desk.lock"]);
    assert!(text(&lock).contains("it is off, and nothing refuses another"), "{}", text(&lock));
    let unknown = longthrow(&state, &["why", "readr"]);
    assert_eq!(unknown.status.code(), Some(2));
    assert!(text(&unknown).contains("the nearest is channel.reader"), "{}", text(&unknown));
}

/// The generator goes on alone, so the hour that is said is heading somewhere from the first seconds on.
#[test]
fn status_says_how_loud_the_rest_of_the_show_has_to_be() {
    let daemon = Daemon::start(RIG, None, PROFILE);
    let state = daemon.state();
    let loudness = || json(&longthrow(&state, &["status", "--json"]))["loudness"].clone();
    wait_until("there is a loudness", || loudness()["integrated_lufs"].is_f64());
    assert!(loudness()["left_s"].is_null() && !text(&longthrow(&state, &["status"])).contains("Rest of the show"));
    let show = |target: f32, minutes: f32| {
        daemon.say("/loudness/show", &[Argument::Float(target), Argument::Float(minutes)]);
    };
    // An hour of which seconds are gone: the rest has to be what the target is.
    show(-20.0, 60.0);
    wait_until("the rest is as the target", || {
        let heading = loudness();
        let near = |key: &str, middle: f64, off: f64| heading[key].as_f64().is_some_and(|is| (is - middle).abs() < off);
        near("heading_lufs", -20.0, 0.2) && near("left_s", 3_590.0, 10.0)
    });
    let shown = text(&longthrow(&state, &["status"]));
    assert!(shown.contains("Rest of the show: 60 min, to be at -20."), "{shown}");
    // So soft a minute that the seconds that were louder cannot be made good.
    show(-60.0, 1.0);
    wait_until("no level brings it there", || loudness()["heading_lufs"].is_null() && loudness()["left_s"].is_f64());
    assert!(text(&longthrow(&state, &["status"])).contains("no level within 6 LU of it brings the whole there"));
}

#[test]
fn undo_steps_back_through_what_was_accepted_and_opens_no_microphone() {
    let daemon = Daemon::start(RIG, None, PROFILE);
    let state = daemon.state();
    let profile = daemon.folder().join("profile.toml");
    let level = |daemon: &Daemon| format!("{:?}", daemon.ask("/channel/reader/fader"));
    for (fader, revision) in [("-12.0", 2), ("-18.0", 3)] {
        let edited = PROFILE.replace("fader = -6.0", &format!("fader = {fader}"));
        std::fs::write(&profile, edited.replace("source = \"mic\"", "source = \"mic\"\nswitch = \"open\""))
            .expect("written");
        daemon.await_line(&format!("revision {revision} is in force"));
    }
    assert!(level(&daemon).contains("-18"));
    let history = json(&longthrow(&state, &["history", "--json"]));
    let of_profile: Vec<&Json> =
        history.as_array().expect("a list").iter().filter(|revision| revision["file"] == "profile").collect();
    assert_eq!(of_profile.len(), 3, "{history}");
    assert_eq!(of_profile[2]["in_force"], true);
    for (expected, revision) in [("-12", 4), ("-6", 5)] {
        let undone = longthrow(&state, &["undo"]);
        assert_eq!(undone.status.code(), Some(0), "{}", text(&undone));
        daemon.await_line(&format!("revision {revision} is in force"));
        wait_until("the fader is as it was", || level(&daemon).contains(expected));
        assert!(format!("{:?}", daemon.ask("/channel/host/switch")).contains("closed"), "no hand opened it");
    }
    let none = longthrow(&state, &["undo", "--file", "profile"]);
    assert_eq!(none.status.code(), Some(1));
    assert!(text(&none).contains("no earlier revision"), "{}", text(&none));
    // Any of them by its number; one that is not there, and a file that is none, are answered.
    assert_eq!(longthrow(&state, &["undo", "--file", "profile", "--to", "3"]).status.code(), Some(0));
    daemon.await_line("revision 6 is in force");
    wait_until("the fader is as in the third", || level(&daemon).contains("-18"));
    assert_eq!(longthrow(&state, &["undo", "--file", "profile", "--to", "99"]).status.code(), Some(1));
    assert!(text(&longthrow(&state, &["undo", "--file", "concert"])).contains("none of the files"));
    // A broken edit is taken back to what is in force.
    std::fs::write(&profile, "form = 1\nkind = \"profile\"\nnam = 3\n").expect("written");
    daemon.await_line("stays in force");
    let shown = text(&longthrow(&state, &["status"]));
    assert!(shown.contains("the files were changed and refused"), "{shown}");
    assert_eq!(longthrow(&state, &["undo"]).status.code(), Some(0));
    wait_until("nothing is refused any more", || {
        !text(&longthrow(&state, &["status"])).contains("the files were changed and refused")
    });
    // A file that was deleted is written again, with what is in force.
    let in_force = std::fs::read_to_string(&profile).expect("there");
    std::fs::remove_file(&profile).expect("deleted");
    let undone = longthrow(&state, &["undo"]);
    assert_eq!(undone.status.code(), Some(0), "{}", text(&undone));
    assert_eq!(std::fs::read_to_string(&profile).expect("there again"), in_force);
}

/// A profile of before the rig lost an input does not fit the rig of now: said at once, and nothing is changed.
#[test]
fn undo_puts_nothing_back_that_would_be_refused() {
    let daemon = Daemon::start(RIG, None, PROFILE);
    let state = daemon.state();
    let without = |text: &str, from: &str, to: &str| {
        let (head, rest) = text.split_once(from).expect("there");
        format!("{head}{to}{}", rest.split_once(to).expect("there").1)
    };
    std::fs::write(daemon.folder().join("profile.toml"), without(PROFILE, "[channel.host]", "[output.stream]"))
        .expect("written");
    daemon.await_line("revision 2 is in force");
    std::fs::write(daemon.folder().join("rig.toml"), without(RIG, "[input.mic]", "[output.stream]")).expect("written");
    daemon.await_line("revision 3 is in force");
    let now = std::fs::read_to_string(daemon.folder().join("profile.toml")).expect("there");
    let undone = longthrow(&state, &["undo", "--file", "profile"]);
    let said = text(&undone);
    assert_eq!(undone.status.code(), Some(1), "{said}");
    assert!(said.contains("revision 1 of the profile does not fit") && said.contains("mic"), "{said}");
    assert_eq!(std::fs::read_to_string(daemon.folder().join("profile.toml")).expect("there"), now);
    // One after the other they go back.
    for _ in 0..2 {
        let undone = longthrow(&state, &["undo"]);
        assert_eq!(undone.status.code(), Some(0), "{}", text(&undone));
    }
    assert_eq!(std::fs::read_to_string(daemon.folder().join("profile.toml")).expect("there"), PROFILE);
}

/// A text that came back by hand is a change like any other.
#[test]
fn undo_takes_back_what_was_changed_last_even_where_a_text_came_back_by_hand() {
    let daemon = Daemon::start(RIG, None, PROFILE);
    let state = daemon.state();
    let profile = daemon.folder().join("profile.toml");
    for (fader, revision) in [("-11.0", 2), ("-12.0", 3), ("-11.0", 4)] {
        std::fs::write(&profile, PROFILE.replace("fader = -6.0", &format!("fader = {fader}"))).expect("written");
        daemon.await_line(&format!("revision {revision} is in force"));
    }
    for expected in [-12.0, -11.0, -6.0] {
        let undone = longthrow(&state, &["undo"]);
        assert_eq!(undone.status.code(), Some(0), "{}", text(&undone));
        wait_until(
            "the fader is as it was",
            || matches!(daemon.ask("/channel/reader/fader"), Argument::Float(now) if (now - expected).abs() < 1e-3),
        );
    }
    assert_eq!(longthrow(&state, &["undo"]).status.code(), Some(1), "there is nothing before");
}

#[test]
fn the_mix_is_kept_in_the_profile_and_nothing_moves() {
    let daemon = Daemon::start(RIG, None, PROFILE);
    let state = daemon.state();
    daemon.set("/channel/reader/fader", -9.5);
    daemon.word("/channel/host/switch", "open");
    daemon.set("/channel/host/equaliser/low-mid/gain", 3.0);
    wait_until("the mix is as it was set", || {
        format!("{:?}", daemon.ask("/channel/host/equaliser/low-mid/gain")).contains("3.0")
    });
    let kept = longthrow(&state, &["keep"]);
    assert_eq!(kept.status.code(), Some(0), "{}", text(&kept));
    // When it has answered it is in force, and in the list.
    let in_force = || {
        let history = json(&longthrow(&state, &["history", "--json"]));
        let of_profile = |revision: &&Json| revision["file"] == "profile" && revision["in_force"] == true;
        history.as_array().expect("a list").iter().find(of_profile).map(|revision| revision["number"].clone())
    };
    assert_eq!(in_force(), Some(value!(2)));
    let profile = std::fs::read_to_string(daemon.folder().join("profile.toml")).expect("there");
    let expected = PROFILE.replace("fader = -6.0", "fader = -9.5").replace(
        "fader = 0.0\nassign.programme = \"on\"\n",
        "fader = 0.0\nassign.programme = \"on\"\nequaliser.low-mid.gain = 3.0\n",
    );
    assert_eq!(profile, expected);
    assert!(format!("{:?}", daemon.ask("/channel/host/switch")).contains("open"), "what a hand opened stays open");
    assert!(text(&longthrow(&state, &["keep"])).contains("already"));
    assert_eq!(longthrow(&state, &["undo"]).status.code(), Some(0));
    assert_eq!(in_force(), Some(value!(3)));
    wait_until("the fader is as the profile said", || {
        format!("{:?}", daemon.ask("/channel/reader/fader")).contains("-6")
    });
}

#[test]
fn where_no_desk_runs_it_is_said_plainly() {
    let folder = tempfile::tempdir().expect("a folder");
    for command in [&["status"][..], &["why", "x"], &["history"], &["undo"], &["keep"]] {
        let output = longthrow(folder.path(), command);
        assert_eq!(output.status.code(), Some(3), "{command:?}");
        assert!(text(&output).contains("no desk runs with its state in"), "{}", text(&output));
    }
    let mut daemon = Daemon::start(RIG, None, PROFILE);
    let (state, socket) = (daemon.state(), daemon.state().join("command.socket"));
    // Owner and group only.
    let mode = std::os::unix::fs::PermissionsExt::mode(&std::fs::metadata(&socket).expect("made").permissions());
    assert_eq!(mode & 0o777, 0o660);
    assert_eq!(daemon.stop(), Some(0));
    assert!(!socket.exists());
    assert_eq!(longthrow(&state, &["status"]).status.code(), Some(3));
}
