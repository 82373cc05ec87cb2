//! Programs on the same machine: PipeWire's own recorder and player, which choose the desk's virtual microphones and
//! loudspeakers by name, as a desktop program does.

#![allow(clippy::print_stdout, reason = "the tests say what they measured")]

mod support;

use std::f64::consts::TAU;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use support::daemon::Daemon;
use support::jackd::{Catcher, Jackd};
use support::pipewire::PipeWire;
use support::{have, wait_until};

const RIG: &str = "form = 1\nkind = \"rig\"\nrate_hz = 48000\n\
    [input.tone]\nkind = \"line\"\ngenerator = \"sine\"\nfrequency_hz = 997.0\nlevel_dbfs = -18.0\n\
    [input.guest-2]\nkind = \"application\"\n\
    [output.encoder]\nkind = \"application\"\nname = \"programme for encoder\"\n\
    [output.guest-2]\nkind = \"application\"\n";
const PROFILE: &str = "form = 1\nkind = \"profile\"\nname = \"programs\"\n\
    [channel.tone]\nlabel = \"Tone\"\nsource = \"tone\"\nswitch = \"open\"\nfader = 0.0\npan = -1.0\nassign.programme = \"on\"\n\
    [channel.guest-2]\nlabel = \"Guest\"\nsource = \"guest-2\"\nswitch = \"open\"\nfader = 0.0\nassign.back = \"on\"\n\
    [bus.back]\nlabel = \"Back\"\n\
    [output.encoder]\nsource = \"programme\"\n[output.guest-2]\nsource = \"back\"\n";

fn command(pipewire: &PipeWire, program: &str, arguments: &[&str], file: &Path) -> Command {
    let mut command = Command::new("timeout");
    command.args(["-k2", "-s", "INT", "60", program]).args(arguments).arg(file);
    command.envs(pipewire.environment()).stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
    command
}

/// A program that ends with the test.
struct Running(Child);

impl Running {
    fn end(&mut self) {
        // It may have ended by itself.
        let _gone = Command::new("kill").args(["-INT", &self.0.id().to_string()]).stderr(Stdio::null()).status();
        let _ended = self.0.wait();
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        self.end();
    }
}

/// Amplitude of a sine of about this frequency, and what is left without it, both in dBFS, over one tenth of a second: the
/// least-squares fit of a sine and a cosine, a closed form. The bridge moves the pitch by parts per million.
fn sine(heard: &[f32], hertz: f64) -> (f64, f64) {
    let (mut ss, mut cc, mut sc, mut xs, mut xc) = (0.0, 0.0, 0.0, 0.0, 0.0);
    let at = |n: usize| (TAU * hertz / 48_000.0 * n as f64).sin_cos();
    for (n, x) in heard.iter().enumerate() {
        let ((s, c), x) = (at(n), f64::from(*x));
        (ss, cc, sc, xs, xc) = (ss + s * s, cc + c * c, sc + s * c, xs + x * s, xc + x * c);
    }
    let determinant = ss * cc - sc * sc;
    let (a, b) = ((xs * cc - xc * sc) / determinant, (xc * ss - xs * sc) / determinant);
    let rest = |(n, x): (usize, &f32)| {
        let (s, c) = at(n);
        (f64::from(*x) - a * s - b * c).powi(2)
    };
    let rest = heard.iter().enumerate().map(rest).sum::<f64>() / heard.len() as f64;
    (20.0 * a.hypot(b).max(1e-9).log10(), 10.0 * (2.0 * rest).max(1e-18).log10())
}

/// Records what a program hears that chose the virtual microphone of this name, until it holds this tone.
fn hears(pipewire: &PipeWire, name: &str, hertz: f64, level_dbfs: f64) -> (f64, f64) {
    let folder = tempfile::tempdir().expect("a folder");
    let mut best = (-180.0, 0.0);
    let mut take = 0;
    wait_until(&format!("{hertz} Hz is heard from \"{name}\""), || {
        take += 1;
        let file = folder.path().join(format!("{take}.wav"));
        let options = ["--target", name, "--rate", "48000", "--channels", "2", "--format", "f32"];
        let mut recorder = Running(command(pipewire, "pw-record", &options, &file).spawn().expect("timeout starts"));
        std::thread::sleep(std::time::Duration::from_millis(1500));
        recorder.end();
        let Ok(mut wav) = hound::WavReader::open(&file) else { return false };
        let left: Vec<f32> = wav.samples::<f32>().step_by(2).map_while(Result::ok).collect();
        // The best tenth of a second: a busy machine tears others.
        let all = left.chunks_exact(4_800).map(|piece| sine(piece, hertz));
        best = all.min_by(|a, b| (a.1 - a.0).total_cmp(&(b.1 - b.0))).unwrap_or(best);
        (best.0 - level_dbfs).abs() < 0.1 && best.1 < level_dbfs - 50.0
    });
    best
}

/// Plays a tone for a minute, as a program that chose the virtual loudspeaker of this name.
fn play(pipewire: &PipeWire, name: &str, hertz: f64, folder: &Path) -> Running {
    let file = folder.join("guest.wav");
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: 48_000,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut wav = hound::WavWriter::create(&file, spec).expect("made");
    for n in 0..48_000 * 60 {
        let sample = 0.1 * (TAU * hertz / 48_000.0 * f64::from(n)).sin();
        for _ in 0..2 {
            wav.write_sample(sample as f32).expect("written");
        }
    }
    wav.finalize().expect("written");
    Running(command(pipewire, "pw-play", &["--target", name], &file).spawn().expect("timeout starts"))
}

#[test]
fn programs_hear_and_are_heard_by_name_and_again_after_either_side_restarts() {
    if !have(&["pw-record", "pw-play", "pw-cli", "pw-dump", "wpctl", "setpriv"]) {
        return;
    }
    let Some(mut pipewire) = PipeWire::start(&[]) else { return };
    let folder = tempfile::tempdir().expect("a folder");
    let files = tempfile::tempdir().expect("a folder");
    std::fs::write(files.path().join("rig.toml"), RIG).expect("written");
    std::fs::write(files.path().join("profile.toml"), PROFILE).expect("written");
    let options = ["--rig", "rig.toml", "--profile", "profile.toml"];
    let start = |pipewire: &PipeWire, files| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_longthrow"));
        command.envs(pipewire.environment());
        Daemon::launch(files, command, &options)
    };
    let check = |pipewire: &PipeWire, when: &str| {
        // A mono channel panned hard left and a stereo one at its balance's centre lose nothing; 0.1 is -20 dBFS.
        let (level, rest) = hears(pipewire, "programme for encoder", 997.0, -18.0);
        println!("{when}: the encoder hears 997 Hz at {level:.3} dBFS, the rest at {rest:.1} dBFS");
        let _guest = play(pipewire, "from guest 2", 450.0, folder.path());
        let (level, rest) = hears(pipewire, "to guest 2", 450.0, -20.0);
        println!("{when}: the guest is heard, 450 Hz at {level:.3} dBFS, the rest at {rest:.1} dBFS");
    };
    let mut daemon = start(&pipewire, files);
    daemon.await_lines("linked to", 6);
    check(&pipewire, "at first");
    // Sliders of the desktop that somebody moved.
    let dump = Command::new("pw-dump").envs(pipewire.environment()).output().expect("it starts");
    let objects: Vec<serde_json::Value> = serde_json::from_slice(&dump.stdout).expect("JSON");
    let mut moved = 0;
    for object in &objects {
        let name = object["info"]["props"]["node.name"].as_str().unwrap_or_default();
        if ["programme for encoder", "from guest 2", "to guest 2"].contains(&name) {
            let id = object["id"].to_string();
            let set = Command::new("wpctl").args(["set-volume", &id, "0.3"]).envs(pipewire.environment()).status();
            moved += usize::from(set.is_ok_and(|status| status.success()));
        }
    }
    assert_eq!(moved, 3, "not every volume could be moved");
    check(&pipewire, "with the desktop's volumes at 0.3");

    pipewire.start_again();
    daemon.await_line("PipeWire has ended");
    check(&pipewire, "after PipeWire's restart");

    assert_eq!(daemon.stop(), Some(0));
    daemon = start(&pipewire, daemon.into_folder());
    daemon.await_lines("linked to", 6);
    check(&pipewire, "after the desk's restart");

    // A crash: what held the nodes ends with it, and they are there once when the desk is back.
    let files = daemon.crash();
    daemon = start(&pipewire, files);
    daemon.await_lines("linked to", 6);
    check(&pipewire, "after a crash");
    let links = Command::new("pw-link").arg("-i").envs(pipewire.environment()).output().expect("it starts");
    let inputs = String::from_utf8_lossy(&links.stdout).matches("programme for encoder:input_FL").count();
    assert_eq!(inputs, 1, "nodes of before are left");
    assert_eq!(daemon.stop(), Some(0));
}

/// The first form of a house: an interface whose pair is the headphones, and the programme to an encoder on this machine.
#[test]
fn an_interface_is_the_master_and_the_encoder_hears_the_programme_beside_it() {
    if !have(&["pw-record", "pw-cli", "setpriv"]) {
        return;
    }
    let Some(jackd) = Jackd::start(48_000, 256, 2) else { return };
    let Some(pipewire) = PipeWire::start(&[]) else { return };
    let catcher = Catcher::start(&jackd.name, "catcher", 2);
    let device = "[device.interface]\nhost = \"jack\"\nidentity = \"\"\ninputs = 2\noutputs = 2\n\
        link_outputs = [\"catcher:1\", \"catcher:2\"]\n\
        [output.headphones]\nkind = \"headphones\"\ndevice = \"interface\"\nchannels = [1, 2]\n";
    let files = tempfile::tempdir().expect("a folder");
    std::fs::write(files.path().join("rig.toml"), format!("{RIG}{device}")).expect("written");
    let level = "[output.headphones]\nsource = \"programme\"\nlevel = -40.0\n";
    std::fs::write(files.path().join("profile.toml"), format!("{PROFILE}{level}")).expect("written");
    let mut command = Command::new(env!("CARGO_BIN_EXE_longthrow"));
    // As for the tools of JACK: the server is the default one by its name in the environment, which is nothing to PipeWire.
    command.envs(pipewire.environment()).env("JACK_DEFAULT_SERVER", &jackd.name);
    let mut daemon = Daemon::launch(files, command, &["--rig", "rig.toml", "--profile", "profile.toml"]);
    let (level, rest) = hears(&pipewire, "programme for encoder", 997.0, -18.0);
    println!("the encoder hears 997 Hz at {level:.3} dBFS, the rest at {rest:.1} dBFS");
    wait_until("the headphones have it at -58 dBFS", || {
        let (level, _) = sine(&catcher.catch(4_800).channels[0][..4_800], 997.0);
        (level + 58.0).abs() < 0.01
    });
    assert_eq!(daemon.stop(), Some(0));
}
