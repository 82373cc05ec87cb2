//! Serial lines without hardware.

use std::path::PathBuf;
use std::process::{Child, Command, Stdio};

/// Two ends of a serial line.
pub struct Pty(Child, tempfile::TempDir);

impl Pty {
    /// A pair of ends, `panel` and `desk`.
    pub fn new() -> Self {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let end = |name: &str| format!("pty,raw,echo=0,link={}", folder.path().join(name).display());
        let child =
            Command::new("timeout").args(["3600", "socat", &end("panel"), &end("desk")]).stderr(Stdio::null()).spawn();
        let pty = Self(child.expect("socat starts"), folder);
        super::wait_until("the line is there", || pty.end("desk").exists() && pty.end("panel").exists());
        pty
    }

    /// The device file of an end.
    pub fn end(&self, name: &str) -> PathBuf {
        self.1.path().join(name)
    }
}

impl Drop for Pty {
    fn drop(&mut self) {
        super::signal("TERM", self.0.id());
        self.0.wait().ok();
    }
}
