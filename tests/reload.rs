//! Files read again while the program runs, however they are saved; and the last accepted ones, when those that are asked
//! for cannot be used.

mod support;

use longthrow::daemon::files::Paths;
use longthrow::daemon::state::State;
use longthrow::panel::osc::Argument;
use std::io::Write;
use std::path::Path;
use std::time::Duration;
use support::daemon::Daemon;
use support::signal;

const RIG: &str = "form = 1\nkind = \"rig\"\nrate_hz = 48000\n[input.tone]\nkind = \"line\"\ngenerator = \"sine\"\n\
                   frequency_hz = 997.0\nlevel_dbfs = -18.0\n[network]\nlisten = \"127.0.0.1:9123\"\n";
const LAYER: &str = "form = 1\nkind = \"rig\"\nrate_hz = 44100\n";
const PROFILE: &str = "form = 1\nkind = \"profile\"\nname = \"evening\"\n[channel.a]\nsource = \"tone\"\n";

#[test]
fn the_last_accepted_files_come_with_every_layer_and_the_settings_of_this_start() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = |name: &str, text: &str| {
        std::fs::write(folder.path().join(name), text).expect("written");
        folder.path().join(name)
    };
    let mut paths = Paths {
        rig: vec![file("rig.toml", RIG), file("layer.toml", LAYER)],
        panel: None,
        profile: Some(file("profile.toml", PROFILE)),
        settings: vec![],
    };
    let loaded = paths.load().expect("read");
    assert!(loaded.installation.is_some(), "{:?}", loaded.diagnostics);
    let state = State::open(&folder.path().join("state")).expect("free");
    paths.keep_accepted(state.folder(), &loaded.texts);

    // The profile breaks; the next start says where to listen.
    file("profile.toml", "form = 1\nkind = \"profile\"\nname = \"evening\"\n[channel.a]\nsource = \"ton\"\n");
    paths.settings = vec![("network.listen".to_owned(), "127.0.0.1:0".to_owned())];
    assert!(paths.load().expect("read").installation.is_none());
    let fallen_back = state.last_accepted(&paths).and_then(|loaded| loaded.installation).expect("accepted before");
    assert_eq!(fallen_back.rig.inputs.len(), 1, "the first layer has the input");
    assert_eq!(fallen_back.rig.rate.expect("named").hz(), 44_100, "the second layer has the rate");
    assert_eq!(fallen_back.rig.network.listen.port(), 0, "the setting holds");

    // A setting that is itself wrong is left out.
    paths.settings = vec![("rate_hz".to_owned(), "7".to_owned())];
    let fallen_back = state.last_accepted(&paths).and_then(|loaded| loaded.installation).expect("accepted before");
    assert_eq!(fallen_back.rig.rate.expect("named").hz(), 44_100);
}

/// A show whose trim and fader are these; `b` is closed.
fn show(name: &str, trim: &str, fader: &str) -> String {
    format!(
        "form = 1\nkind = \"profile\"\nname = \"{name}\"\n[channel.a]\nsource = \"tone\"\ntrim = {trim}\nfader = {fader}\n\
         switch = \"open\"\nassign.programme = \"on\"\n[channel.b]\nsource = \"tone\"\ntrim = {trim}\n"
    )
}

fn rename_over(folder: &Path, text: &str) {
    std::fs::write(folder.join(".profile.new"), text).expect("written");
    std::fs::rename(folder.join(".profile.new"), folder.join("profile.toml")).expect("renamed");
}

#[test]
fn every_way_of_saving_and_of_asking_is_followed_and_errors_change_nothing() {
    let mut daemon = Daemon::start(RIG, None, &show("one", "0.0", "0.0"));
    let folder = daemon.folder().to_owned();
    let file = folder.join("profile.toml");
    daemon.set("/channel/a/fader", -20.0);
    let mut revision = 1;
    let mut follows = |daemon: &Daemon, how: &str, trim: f32| {
        revision += 1;
        daemon.await_line(&format!("revision {revision} is in force"));
        // The desk is told before the line is written, and answers in order. What a file raises comes up by a glide.
        let raised = (0..100).any(|_| {
            std::thread::sleep(Duration::from_millis(20));
            daemon.ask("/channel/a/trim") == Argument::Float(trim)
        });
        assert!(raised, "{how}: {:?} for {trim}", daemon.ask("/channel/a/trim"));
        assert_eq!(daemon.ask("/channel/a/fader"), Argument::Float(-20.0), "{how}: its text did not change");
    };

    rename_over(&folder, &show("one", "1.0", "0.0"));
    follows(&daemon, "renamed over", 1.0);
    std::fs::write(&file, show("one", "2.0", "0.0")).expect("written");
    follows(&daemon, "written in place", 2.0);

    // Half of it, which is no sound file; then the rest.
    let text = show("one", "3.0", "0.0");
    let (half, rest) = text.split_at(text.find("source").expect("there") + 9);
    std::fs::write(&file, half).expect("written");
    daemon.await_line("revision 3 stays in force");
    assert_eq!(daemon.ask("/channel/a/trim"), Argument::Float(2.0));
    let mut opened = std::fs::File::options().append(true).open(&file).expect("there");
    opened.write_all(rest.as_bytes()).expect("written");
    follows(&daemon, "half-written, then finished", 3.0);

    // A link whose target is swapped.
    std::fs::write(folder.join("four.toml"), show("one", "4.0", "0.0")).expect("written");
    std::os::unix::fs::symlink("four.toml", folder.join(".link")).expect("linked");
    std::fs::rename(folder.join(".link"), &file).expect("renamed");
    follows(&daemon, "a link in its place", 4.0);
    std::fs::write(folder.join("five.toml"), show("one", "5.0", "0.0")).expect("written");
    std::os::unix::fs::symlink("five.toml", folder.join(".link")).expect("linked");
    std::fs::rename(folder.join(".link"), &file).expect("renamed");
    follows(&daemon, "the link swapped", 5.0);

    // Asked for. The watch may be first: nobody who asks can tell.
    rename_over(&folder, &show("one", "6.0", "0.0"));
    signal("HUP", daemon.process());
    follows(&daemon, "SIGHUP", 6.0);
    rename_over(&folder, &show("one", "7.0", "0.0"));
    daemon.say("/profile/reload", &[]);
    follows(&daemon, "/profile/reload", 7.0);

    // Every error with its place, and nothing changed.
    rename_over(&folder, &show("one", "99.0", "44.0"));
    daemon.await_line("revision 8 stays in force");
    let log = daemon.log().join("\n");
    for place in ["profile.toml:6:8", "profile.toml:7:9", "profile.toml:12:8", "3 errors"] {
        assert!(log.contains(place), "no {place} in:\n{log}");
    }
    assert_eq!(daemon.ask("/channel/a/trim"), Argument::Float(7.0));
    // Who asks while the watch was first is told that nothing changed.
    let came = daemon.count("is in force") - daemon.count("nothing changed");
    assert_eq!(came, 7, "a revision came that nobody wrote");

    // Another show sets everything, but a channel that is open on air follows when it is closed.
    rename_over(&folder, &show("two", "8.0", "0.0"));
    daemon.await_line("revision 9 is in force");
    assert_eq!(daemon.ask("/channel/b/trim"), Argument::Float(8.0));
    assert_eq!(daemon.ask("/channel/a/trim"), Argument::Float(7.0), "it is on air");
    daemon.word("/channel/a/switch", "closed");
    assert_eq!(daemon.ask("/channel/a/trim"), Argument::Float(8.0), "it is closed");
    assert_eq!(daemon.ask("/channel/a/switch"), Argument::Text("closed".to_owned()), "and stays so");
    assert_eq!(daemon.stop(), Some(0));
}
