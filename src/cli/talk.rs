//! Asking the running desk.

use crate::daemon::state;
use crate::daemon::talk::{Answer, Question};
use crate::ports::command_socket::Connection;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

/// The state folder of the system's service.
const OF_THE_SERVICE: &str = "/var/lib/longthrow";

/// A connection to the desk of a state folder. What was begun over it ends with it.
pub(super) struct Line(Connection, PathBuf);

impl Line {
    /// To the desk of this state folder; without one that of the person, and then that of the service.
    ///
    /// # Errors
    /// No desk runs there, or it cannot be asked: in words.
    pub(super) fn open(given: Option<&Path>) -> Result<Self, String> {
        let mut folders: Vec<PathBuf> = vec![state::folder(given)];
        if given.is_none() {
            folders.push(OF_THE_SERVICE.into());
        }
        let mut refused = None;
        for folder in &folders {
            match Connection::open(folder) {
                Ok(connection) => return Ok(Self(connection, folder.clone())),
                Err(error) if matches!(error.kind(), ErrorKind::NotFound | ErrorKind::ConnectionRefused) => {}
                Err(error) => refused = Some(not_asked(folder, &error)),
            }
        }
        Err(refused.unwrap_or_else(|| {
            let names: Vec<String> = folders.iter().map(|folder| folder.display().to_string()).collect();
            format!("no desk runs with its state in {} (--state names another folder)", names.join(" or "))
        }))
    }

    /// Asks one thing.
    ///
    /// # Errors
    /// The desk does not answer, in words.
    pub(super) fn ask(&mut self, question: &Question) -> Result<Answer, String> {
        let question = serde_json::to_string(question).map_err(|error| error.to_string())?;
        let answer = self.0.ask(&question).map_err(|error| not_asked(&self.1, &error))?;
        serde_json::from_str(&answer).map_err(|error| format!("its answer: {error}"))
    }
}

fn not_asked(folder: &Path, error: &std::io::Error) -> String {
    let folder = folder.display();
    if error.kind() == ErrorKind::PermissionDenied {
        return format!("the desk in {folder} may be asked by its owner and group only: join the group of that folder");
    }
    format!("the desk in {folder} cannot be asked: {error}")
}

/// Asks the desk one thing.
///
/// # Errors
/// See [`Line::open`] and [`Line::ask`].
pub(super) fn ask(given: Option<&Path>, question: &Question) -> Result<Answer, String> {
    Line::open(given)?.ask(question)
}
