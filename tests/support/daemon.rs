//! The built program, started as a person would, with files of a test's own.

use longthrow::panel::osc::{Argument, Message};
use longthrow::ports::osc::{decode, encode};
use std::io::{BufRead, BufReader};
use std::net::{SocketAddr, UdpSocket};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// The files of [`Daemon::start`], the panel last.
const FILES: [&str; 6] = ["--rig", "rig.toml", "--profile", "profile.toml", "--panel", "panel.toml"];

/// A daemon that ends with the test.
pub struct Daemon {
    child: Child,
    folder: tempfile::TempDir,
    log: Arc<Mutex<Vec<String>>>,
    /// Where it listens.
    pub osc: SocketAddr,
    socket: UdpSocket,
}

impl Daemon {
    /// Starts it on these files (`rig`, `panel`, `profile`), in a folder of its own.
    pub fn start(rig: &str, panel: Option<&str>, profile: &str) -> Self {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let write = |name: &str, text: &str| std::fs::write(folder.path().join(name), text).expect("written");
        write("rig.toml", rig);
        write("profile.toml", profile);
        if let Some(panel) = panel {
            write("panel.toml", panel);
        }
        Self::start_in(folder, panel.is_some(), &[])
    }

    /// Starts it (again) in a folder that has the files and maybe a state.
    pub fn start_in(folder: tempfile::TempDir, panel: bool, environment: &[(&str, &str)]) -> Self {
        let mut command = Command::new(env!("CARGO_BIN_EXE_longthrow"));
        command.envs(environment.iter().copied());
        Self::launch(folder, command, if panel { &FILES } else { &FILES[..4] })
    }

    /// Starts the program, or one that becomes it, in a folder, with these options and a state and an address of its own.
    pub fn launch(folder: tempfile::TempDir, mut command: Command, options: &[&str]) -> Self {
        command.current_dir(folder.path()).args(["run", "--no-meters"]).args(options);
        command.args(["--state", "state", "--set", "network.listen=127.0.0.1:0"]);
        let mut child = command.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().expect("the program starts");
        let log = Arc::<Mutex<Vec<String>>>::default();
        let lines = BufReader::new(child.stderr.take().expect("piped")).lines();
        let kept = Arc::clone(&log);
        std::thread::spawn(move || {
            for line in lines.map_while(Result::ok) {
                kept.lock().expect("sound").push(line);
            }
        });
        let socket = UdpSocket::bind("127.0.0.1:0").expect("a socket");
        socket.set_read_timeout(Some(Duration::from_secs(20))).expect("a time-out");
        let mut daemon = Self { child, folder, log, osc: "127.0.0.1:0".parse().expect("an address"), socket };
        let line = daemon.await_line("OSC on ");
        daemon.osc = line.rsplit("OSC on ").next().and_then(|at| at.trim().parse().ok()).expect("an address");
        daemon
    }

    /// The folder with its files.
    pub fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// Where its state is.
    pub fn state(&self) -> PathBuf {
        self.folder.path().join("state")
    }

    /// Its process.
    pub fn process(&self) -> u32 {
        self.child.id()
    }

    /// Every line of the log so far.
    pub fn log(&self) -> Vec<String> {
        self.log.lock().expect("sound").clone()
    }

    /// Lines of the log that hold this.
    pub fn count(&self, what: &str) -> usize {
        self.log().iter().filter(|line| line.contains(what)).count()
    }

    /// Waits for a line of the log.
    pub fn await_line(&self, what: &str) -> String {
        self.await_lines(what, 1)
    }

    /// Waits until so many lines hold this; gives the last of them.
    pub fn await_lines(&self, what: &str, count: usize) -> String {
        let until = Instant::now() + Duration::from_secs(30);
        loop {
            let log = self.log();
            let found: Vec<&String> = log.iter().filter(|line| line.contains(what)).collect();
            if found.len() >= count {
                return found[count - 1].clone();
            }
            assert!(Instant::now() < until, "no line with {what:?} in:\n{}", log.join("\n"));
            std::thread::sleep(Duration::from_millis(2));
        }
    }

    /// Sends an OSC message.
    pub fn say(&self, address: &str, arguments: &[Argument]) {
        let message = Message { address: address.to_owned(), arguments: arguments.to_vec() };
        self.socket.send_to(&encode(&message), self.osc).expect("sent");
    }

    /// Sets a number.
    pub fn set(&self, address: &str, value: f32) {
        self.say(address, &[Argument::Float(value)]);
    }

    /// Sets a word.
    pub fn word(&self, address: &str, word: &str) {
        self.say(address, &[Argument::Text(word.to_owned())]);
    }

    /// The value of a parameter; everything said before has been done by then.
    pub fn ask(&self, address: &str) -> Argument {
        self.say("/ask", &[Argument::Text(address.to_owned())]);
        let mut buffer = [0; 4096];
        loop {
            let length = self.socket.recv(&mut buffer).expect("an answer");
            for message in decode(&buffer[..length]).expect("sound").into_iter().flat_map(|group| group.messages) {
                if message.address == "/answer" && message.arguments[0] == Argument::Text(address.to_owned()) {
                    return message.arguments[1].clone();
                }
            }
        }
    }

    /// Asks it to stop, and waits; its exit code.
    pub fn stop(&mut self) -> Option<i32> {
        self.stop_by("TERM")
    }

    /// The same by a signal of one's own choice.
    pub fn stop_by(&mut self, signal: &str) -> Option<i32> {
        super::signal(signal, self.child.id());
        self.child.wait().expect("it ends").code()
    }

    /// Kills it as a crash would, and gives its folder back.
    pub fn crash(mut self) -> tempfile::TempDir {
        self.child.kill().expect("it runs");
        self.child.wait().expect("it ends");
        self.into_folder()
    }

    /// The folder of one that has ended.
    pub fn into_folder(mut self) -> tempfile::TempDir {
        std::mem::replace(&mut self.folder, tempfile::tempdir().expect("a temporary folder"))
    }

    /// Whether it still runs.
    pub fn runs(&mut self) -> bool {
        self.child.try_wait().expect("it can be asked").is_none()
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        // It may have ended already.
        self.child.kill().ok();
        self.child.wait().ok();
        if std::thread::panicking() {
            eprintln!("the daemon's log:\n{}", self.log().join("\n"));
        }
    }
}
