//! The Debian package: what is in it, what it does when it is installed, and above all what it does not do.
//!
//! The whole life of a package is tried in a Debian tree of its own, which `make proof-deb` makes.

#![allow(clippy::print_stdout, reason = "the tests say what they measured")]

mod support;

use std::path::{Path, PathBuf};
use std::process::Command;
use support::daemon::Daemon;
use support::have;
use support::jackd::{Catcher, Jackd};

/// Runs a program that has to end well; gives what it printed.
fn run(program: &str, arguments: &[&str]) -> String {
    let output = Command::new(program).args(arguments).output().expect("it starts");
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success(), "{program} {arguments:?}: {text}{}", String::from_utf8_lossy(&output.stderr));
    text
}

/// Makes the package of this build; nothing where Debian's tools are missing.
fn package(folder: &Path, version: &str) -> Option<PathBuf> {
    if !have(&["dpkg-deb", "dpkg-shlibdeps", "strip", "cargo"]) {
        return None;
    }
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/configs/package/deb.sh");
    let folder = folder.to_str().expect("a name");
    Some(PathBuf::from(run(script, &[env!("CARGO_BIN_EXE_longthrow"), folder, version]).trim()))
}

#[test]
fn the_package_has_all_its_parts_and_no_hand_on_any_service() {
    let folder = tempfile::tempdir().expect("a folder");
    let Some(package) = package(folder.path(), "0.1.0") else { return };
    let (package, tree) = (package.to_str().expect("a name"), folder.path().join("tree"));
    run("dpkg-deb", &["--raw-extract", package, tree.to_str().expect("a name")]);
    let read = |name: &str| std::fs::read_to_string(tree.join(name)).unwrap_or_else(|why| panic!("{name}: {why}"));
    for name in [
        "usr/bin/longthrow",
        "usr/share/man/man1/longthrow.1.gz",
        "usr/share/man/man1/longthrow-run.1.gz",
        "usr/share/bash-completion/completions/longthrow",
        "usr/share/zsh/vendor-completions/_longthrow",
        "usr/share/fish/vendor_completions.d/longthrow.fish",
        "usr/lib/sysusers.d/longthrow.conf",
        "usr/share/doc/longthrow/examples/rig.toml",
        "usr/share/doc/longthrow/LICENSE-MIT",
        "usr/share/doc/longthrow/LICENSE-APACHE",
        "usr/share/doc/longthrow/copyright",
        "usr/share/doc/longthrow/README.md",
    ] {
        assert!(tree.join(name).is_file(), "the package lacks {name}");
    }
    let third = read("usr/share/doc/longthrow/THIRD-PARTY");
    assert!(third.contains("cpal v") && third.contains("jack v"), "{third}");

    // What it needs: the linked library by its name, and the one that is opened while it runs.
    let control = read("DEBIAN/control");
    let depends = control.lines().find_map(|line| line.strip_prefix("Depends: ")).expect("it needs something");
    for name in ["libc6", "libasound2", "libjack-jackd2-0 | libjack-0.125"] {
        assert!(depends.contains(name), "{depends}");
    }

    // The units start the program where the package puts it.
    for unit in ["usr/lib/systemd/system/longthrow.service", "usr/lib/systemd/user/longthrow.service"] {
        let text = read(unit);
        assert!(text.contains("\nExecStart=/usr/bin/longthrow run ") && !text.contains("/usr/local"), "{text}");
    }

    // One script, run after unpacking, and no word in it that moves a service.
    let mut scripts: Vec<_> = std::fs::read_dir(tree.join("DEBIAN")).expect("there").flatten().collect();
    scripts.sort_by_key(std::fs::DirEntry::file_name);
    let names: Vec<_> = scripts.iter().map(|entry| entry.file_name().into_string().expect("a name")).collect();
    assert_eq!(names, ["control", "md5sums", "postinst"], "what runs when the package changes is looked at here");
    let script: String = read("DEBIAN/postinst").lines().filter(|line| !line.starts_with('#')).collect();
    for word in ["systemctl", "deb-systemd", "invoke-rc.d", "service ", "kill", "rm "] {
        assert!(!script.contains(word), "postinst says {word}");
    }
}

const RIG: &str = "form = 1\nkind = \"rig\"\nrate_hz = 48000\n[device.box]\nhost = \"jack\"\nidentity = \"SERVER\"\noutputs = 2\n\
    link_outputs = [\"catcher:1\", \"catcher:2\"]\n[input.tone]\nkind = \"line\"\ngenerator = \"sine\"\n\
    frequency_hz = 997.0\nlevel_dbfs = -6.0\n[output.out]\nkind = \"line\"\ndevice = \"box\"\nchannels = [1, 2]\n";
const PROFILE: &str = "form = 1\nkind = \"profile\"\nname = \"tone\"\n[channel.tone]\nlabel = \"Tone\"\nsource = \"tone\"\n\
    switch = \"open\"\nfader = 0.0\nassign.programme = \"on\"\n[output.out]\nsource = \"programme\"\n";

/// Every sample of a sine follows from the two before it: x[n+1] = 2 cos(w) x[n] - x[n-1], an identity of the sine. Gives
/// the greatest departure; a block that is lost, doubled or silent departs by the order of the tone itself.
fn departure(tone: &[f32]) -> f64 {
    let twice_cosine = 2.0 * (std::f64::consts::TAU * 997.0 / 48_000.0).cos();
    let off = |w: &[f32]| (f64::from(w[0]) + f64::from(w[2]) - twice_cosine * f64::from(w[1])).abs();
    tone.windows(3).map(off).fold(0.0, f64::max)
}

#[test]
fn the_measure_sees_one_lost_sample() {
    let tone: Vec<f32> =
        (0..4_800).map(|n| (std::f64::consts::TAU * 997.0 / 48_000.0 * f64::from(n)).sin() as f32 * 0.5).collect();
    assert!(departure(&tone) < 1e-6);
    let mut torn = tone.clone();
    torn.remove(2_000);
    assert!(departure(&torn) > 1e-3);
}

/// The commands of the README's first block, as they stand there, without sudo, the comments and the Ctrl-C of a person.
fn first_commands(package: &str) -> String {
    let readme = include_str!("../README.md");
    let block =
        readme.split("```\n").find(|block| block.starts_with("sudo apt-get install ./longthrow")).expect("a block");
    let mut script = String::new();
    for line in block.lines() {
        let command = line.split(" #").next().expect("a first part").trim();
        script += &match command.split_once(' ') {
            Some(("sudo", rest)) if rest.starts_with("apt-get install ./") => {
                format!("apt-get install -q -y {package}\n")
            }
            // Somebody types no faster, and listens for a while.
            Some(("pw-record", rest)) => format!("sleep 3; timeout -s INT 5 pw-record {rest} || true\n"),
            Some(("longthrow", rest)) => format!("longthrow {rest}\n"),
            Some(("oscsend", rest)) => format!("sleep 2; oscsend {rest}\n"),
            _ => panic!("the README has a command that is not known here: {line}"),
        };
    }
    script
}

/// From the package to an encoder that hears the programme, by the README's own commands, in a clean Debian.
#[test]
fn the_readmes_first_commands_bring_the_programme_to_an_encoder() {
    let Some(debian) = std::env::var_os("DEBIAN_TREE").map(PathBuf::from) else {
        println!("skipped: no Debian tree is named by DEBIAN_TREE; `make proof-deb` makes one and runs this");
        return;
    };
    let _turn = DEBIAN.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    let folder = tempfile::tempdir().expect("a folder");
    let Some(package) = package(folder.path(), "0.1.0") else { return };
    std::fs::copy(package, debian.join("first.deb")).expect("copied");
    let root = debian.to_str().expect("a name");
    run("chroot", &[root, "dpkg", "--purge", "longthrow"]);
    run("chroot", &[root, "apt-get", "update", "-q"]);
    let commands = first_commands("/first.deb");
    let (install, rest) = commands.split_once('\n').expect("more than one");
    // A desktop has its sound server; here there is nobody who started one, and none of the folders of the login service that
    // the session manager watches.
    let script = format!(
        "set -e\nexport HOME=/srv/first XDG_RUNTIME_DIR=/run/first\nrm -rf /run/first /srv/first\nmkdir -m 700 /run/first\n\
         mkdir -p /run/systemd/seats /run/systemd/sessions /run/systemd/users /run/systemd/machines\n\
         mkdir -p /srv/first\ncd /srv/first\n{install}\npipewire >/dev/null 2>&1 &\nsleep 1\n\
         dbus-run-session -- wireplumber >/dev/null 2>&1 &\nsleep 2\n{rest}"
    );
    std::fs::write(debian.join("first.sh"), script).expect("written");
    let inside = format!(
        "mount -t proc proc {root}/proc; mount -t tmpfs tmpfs {root}/dev/shm; exec chroot {root} timeout -k5 180 bash /first.sh"
    );
    let start = std::time::Instant::now();
    // A space of processes of its own: what is left of them ends with it.
    let said = run("unshare", &["--mount", "--pid", "--fork", "--kill-child", "sh", "-c", &inside]);
    let took = start.elapsed();
    let heard = debian.join("srv/first/heard.wav");
    let mut wav = hound::WavReader::open(&heard).unwrap_or_else(|why| panic!("{why}: {said}"));
    let scale = f32::from(i16::MAX);
    let left: Vec<f32> = wav.samples::<i16>().step_by(2).map_while(Result::ok).map(|x| f32::from(x) / scale).collect();
    // A tone of -18 dBFS in the middle of two sides by the law of equal power: -21.0 on each.
    let rms = |piece: &[f32]| {
        let squares = piece.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>();
        10.0 * (2.0 * squares / piece.len() as f64).max(1e-12).log10()
    };
    let levels: Vec<f64> = left.chunks_exact(4_800).map(rms).collect();
    let best =
        levels.iter().copied().min_by(|a, b| (a + 21.01).abs().total_cmp(&(b + 21.01).abs())).expect("something");
    println!(
        "{:.0} s for the README's commands, the download of packages that were missing included; the encoder heard {best:.2} dBFS",
        took.as_secs_f64()
    );
    assert!((best + 21.01).abs() < 0.1, "{levels:?}\n{said}");
    assert!(took < std::time::Duration::from_secs(180), "{took:?}");
}

/// One at a time in the Debian tree.
static DEBIAN: std::sync::Mutex<()> = std::sync::Mutex::new(());

/// How long the tone is listened to while the package changes.
const SECONDS: usize = 15;

/// The whole life of the package in a Debian tree, while the program that it installed plays a tone.
#[test]
fn installing_removing_and_replacing_the_package_loses_no_sample() {
    let Some(debian) = std::env::var_os("DEBIAN_TREE").map(PathBuf::from) else {
        println!("skipped: no Debian tree is named by DEBIAN_TREE; `make proof-deb` makes one and runs this");
        return;
    };
    let _turn = DEBIAN.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    let folder = tempfile::tempdir().expect("a folder");
    let Some(first) = package(folder.path(), "0.1.0") else { return };
    let Some(second) = package(folder.path(), "0.1.1") else { return };
    let Some(jackd) = Jackd::start(48_000, 1024, 2) else { return };
    let root = debian.to_str().expect("a name");
    std::fs::copy(first, debian.join("first.deb")).expect("copied");
    std::fs::copy(second, debian.join("second.deb")).expect("copied");
    let inside = |arguments: &[&str]| {
        let arguments: Vec<&str> = [root].iter().chain(arguments).copied().collect();
        run("chroot", &arguments)
    };
    // What is not under test here: the libraries come from the archive, the package from us.
    inside(&["dpkg", "--purge", "longthrow"]);
    inside(&["apt-get", "update", "-q"]);
    inside(&["apt-get", "install", "-q", "-y", "--no-install-recommends", "/first.deb"]);
    let version = inside(&["/usr/bin/longthrow", "--version"]);
    assert!(version.starts_with("longthrow 0.1.0"), "{version}");
    let enabled = debian.join("etc/systemd/system/multi-user.target.wants/longthrow.service");
    assert!(std::fs::symlink_metadata(&enabled).is_err(), "the package enabled its unit");
    if debian.join("usr/bin/systemd-sysusers").exists() {
        assert!(inside(&["id", "longthrow"]).contains("(audio)"));
    }

    let here = tempfile::tempdir().expect("a folder");
    std::fs::write(here.path().join("rig.toml"), RIG.replace("SERVER", &jackd.name)).expect("written");
    std::fs::write(here.path().join("profile.toml"), PROFILE).expect("written");
    let program = debian.join("usr/bin/longthrow");
    let options = ["--rig", "rig.toml", "--profile", "profile.toml"];
    let catcher = Catcher::start(&jackd.name, "catcher", 2);
    let mut daemon = Daemon::launch(here, Command::new(&program), &options);
    daemon.await_lines("linked to", 2);
    // A restart comes up by a ramp of 500 ms.
    catcher.catch(96_000);
    let process = daemon.process();

    // A busy machine may tear a block by itself, so an idle time is listened to as well.
    let idle = departure(&catcher.catch(240_000).channels[0]);
    // One catch without a gap, long enough for all of it.
    let (heard, frames, in_time) = std::thread::scope(|scope| {
        let listener = scope.spawn(|| catcher.catch(SECONDS * 48_000));
        inside(&["dpkg", "-i", "/first.deb"]);
        inside(&["dpkg", "--remove", "longthrow"]);
        assert!(!program.exists(), "removed, and it plays on");
        for step in ["/first.deb", "/second.deb", "/first.deb"] {
            inside(&["dpkg", "-i", step]);
        }
        inside(&["dpkg", "--purge", "longthrow"]);
        inside(&["dpkg", "-i", "/second.deb"]);
        let in_time = !listener.is_finished();
        let tone = listener.join().expect("it heard").channels.swap_remove(0);
        (departure(&tone), tone.len(), in_time)
    });
    assert!(in_time, "it took longer than {SECONDS} s");
    println!(
        "{frames} frames heard meanwhile: greatest departure from a sine {heard:.1e} (idle {idle:.1e}; a lost block is 0.07)"
    );
    assert!(daemon.runs() && daemon.process() == process, "the daemon is the one that was started");
    assert!(heard < 1e-5, "samples were lost: {heard}");
    assert_eq!(daemon.stop(), Some(0));
}
