//! A PipeWire without a desktop: in a folder of its own, no sound hardware.

use super::{have, wait_until};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

/// A PipeWire and its session manager, both ending with the test.
pub struct PipeWire {
    folder: tempfile::TempDir,
    children: Vec<Child>,
}

impl PipeWire {
    /// Up and reachable; nothing when a part of it is not installed. `programs` start after the server, in its session.
    pub fn start(programs: &[&str]) -> Option<Self> {
        if !have(&["pipewire", "wireplumber", "dbus-run-session", "pw-jack", "timeout"]) || !have(programs) {
            return None;
        }
        // `tempfile` makes folders with mode 0700, as the server asks.
        let folder = tempfile::tempdir().expect("a temporary folder");
        // PipeWire's PulseAudio server lets nobody in without 256 bytes of cookie, whatever they are.
        std::fs::write(folder.path().join("cookie"), [7; 256]).expect("it can be written");
        let mut pipewire = Self { folder, children: Vec::new() };
        pipewire.start_server();
        for program in programs {
            pipewire.run(&[program]);
        }
        Some(pipewire)
    }

    fn start_server(&mut self) {
        self.run(&["pipewire"]);
        let socket = self.path().join("pipewire-0");
        wait_until("PipeWire listens", || socket.exists());
        self.run(&["dbus-run-session", "--", "wireplumber"]);
    }

    /// Ends server and session manager, and starts both anew in the same place.
    pub fn start_again(&mut self) {
        self.end();
        let socket = self.path().join("pipewire-0");
        if let Err(error) = std::fs::remove_file(socket) {
            assert_eq!(error.kind(), std::io::ErrorKind::NotFound, "{error}");
        }
        self.start_server();
    }

    fn end(&mut self) {
        for mut child in self.children.drain(..).rev() {
            // `timeout` hands TERM on to what it runs.
            super::signal("TERM", child.id());
            let _ended = child.wait();
        }
    }

    fn path(&self) -> &Path {
        self.folder.path()
    }

    /// The environment that leads a program to this server.
    pub fn environment(&self) -> Vec<(&'static str, PathBuf)> {
        let path = self.path().to_path_buf();
        vec![
            ("XDG_RUNTIME_DIR", path.clone()),
            ("PIPEWIRE_RUNTIME_DIR", path.clone()),
            ("XDG_CONFIG_HOME", path.join("config")),
            ("XDG_STATE_HOME", path.join("state")),
            ("PULSE_COOKIE", path.join("cookie")),
            ("PULSE_SERVER", PathBuf::from(format!("unix:{}", path.join("pulse/native").display()))),
        ]
    }

    fn run(&mut self, program: &[&str]) {
        let child = Command::new("timeout")
            .args(["-k2", "120"])
            .args(program)
            .envs(self.environment())
            .env_remove("DBUS_SESSION_BUS_ADDRESS")
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn();
        self.children.push(child.expect("timeout starts"));
    }
}

impl Drop for PipeWire {
    fn drop(&mut self) {
        self.end();
    }
}
