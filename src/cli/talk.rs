//! Asking the running desk.

use crate::daemon::state;
use crate::daemon::talk::{Answer, Question};
use crate::ports::command_socket;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

/// The state folder of the system's service.
const OF_THE_SERVICE: &str = "/var/lib/longthrow";

/// Asks the desk of this state folder; without one that of the person, and then that of the service.
///
/// # Errors
/// No desk runs there, or it cannot be asked: in words.
pub(super) fn ask(given: Option<&Path>, question: &Question) -> Result<Answer, String> {
    let mut folders: Vec<PathBuf> = vec![state::folder(given)];
    if given.is_none() {
        folders.push(OF_THE_SERVICE.into());
    }
    let question = serde_json::to_string(question).map_err(|error| error.to_string())?;
    let mut refused = None;
    for folder in &folders {
        match command_socket::ask(folder, &question) {
            Ok(answer) => return serde_json::from_str(&answer).map_err(|error| format!("its answer: {error}")),
            Err(error) if matches!(error.kind(), ErrorKind::NotFound | ErrorKind::ConnectionRefused) => {}
            Err(error) if error.kind() == ErrorKind::PermissionDenied => {
                refused = Some(format!(
                    "the desk in {} may be asked by its owner and group only: join the group of that folder",
                    folder.display()
                ));
            }
            Err(error) => refused = Some(format!("the desk in {} cannot be asked: {error}", folder.display())),
        }
    }
    Err(refused.unwrap_or_else(|| {
        let names: Vec<String> = folders.iter().map(|folder| folder.display().to_string()).collect();
        format!("no desk runs with its state in {} (--state names another folder)", names.join(" or "))
    }))
}
