//! `longthrow keep`, `history` and `undo`: the mix into the profile, and the files as they were.

use super::{complain, exit, print, print_json, talk};
use crate::daemon::talk::{Answer, Question, Revision, SceneAsk};
use crate::words::history as words;
use clap::Args;
use std::path::{Path, PathBuf};

/// Lists the revisions of rig, panel and profile that the desk accepted, the newest first. A hundred of each are kept.
#[derive(Debug, Args)]
pub(super) struct History {
    /// As JSON
    #[arg(long)]
    json: bool,
    /// The state folder of the desk, when it is not the usual one
    #[arg(long, value_name = "FOLDER")]
    state: Option<PathBuf>,
}

/// Puts a file back to an earlier accepted revision; the desk reads it as if somebody had saved it.
///
/// What "longthrow assign" wrote into panel and profile goes back together, unless a file is named.
/// What a text changes is heard at once where it falls or closes; what rises or comes on air glides up in half a second. No
/// microphone and no guest is opened by it. After "keep" it takes the mix on air back, too. Undoing again goes further back, and
/// a file that was deleted is written again.
#[derive(Debug, Args)]
pub(super) struct Undo {
    /// Which file: rig, panel or profile; otherwise the one that was changed last
    #[arg(long, value_name = "FILE")]
    file: Option<String>,
    /// Which revision, by its number in the history; otherwise the one before
    #[arg(long, value_name = "NUMBER", requires = "file")]
    to: Option<u64>,
    /// The state folder of the desk, when it is not the usual one
    #[arg(long, value_name = "FOLDER")]
    state: Option<PathBuf>,
}

/// Writes the mix as it is into the profile in force, as the one it starts with, or as a scene that can be recalled.
///
/// Comments and order of the file stay; the desk keeps the text of before, and `longthrow undo` brings it back. The switch of a
/// microphone is not written: no file opens one.
#[derive(Debug, Args)]
pub(super) struct Keep {
    /// As this scene of the profile; one that is there keeps what it says of itself unless it is said here
    name: Option<String>,
    /// What the scene is about: levels, places, switches, routes, sound
    #[arg(long, value_name = "PART,...", value_delimiter = ',', requires = "name")]
    scope: Option<Vec<String>>,
    /// Of these channels only
    #[arg(long, value_name = "CHANNEL,...", value_delimiter = ',', requires = "name")]
    channels: Option<Vec<String>>,
    /// A channel that the scene never touches; may be given several times
    #[arg(long, value_name = "CHANNEL", requires = "name")]
    protect: Option<Vec<String>>,
    /// How long a recall takes, in seconds
    #[arg(long, value_name = "SECONDS", requires = "name")]
    fade: Option<f32>,
    /// The state folder of the desk, when it is not the usual one
    #[arg(long, value_name = "FOLDER")]
    state: Option<PathBuf>,
}

impl Keep {
    pub(super) fn run(self) -> u8 {
        let Self { name, scope, channels, protect, fade: fade_s, state } = self;
        let Some(name) = name else { return keep_mix(state.as_deref()) };
        let ask = SceneAsk { scene: name.clone(), scope, channels, protect, fade_s };
        match talk::ask(state.as_deref(), &Question::KeepScene(ask)) {
            Ok(Answer::SceneKept { path, values, changed }) => {
                let said = if changed { "now" } else { "already" };
                let values = if values == 1 { "1 value".to_owned() } else { format!("{values} values") };
                let said = format!("scene {name} of {path} has {values} {said}\n");
                if print(&said) { exit::FINE } else { exit::COULD_NOT_RUN }
            }
            other => refused(other),
        }
    }
}

fn keep_mix(state: Option<&Path>) -> u8 {
    match talk::ask(state, &Question::Keep) {
        Ok(Answer::Kept { path, changed }) => {
            let said = words::kept(&path, changed);
            if print(&said) { exit::FINE } else { exit::COULD_NOT_RUN }
        }
        other => refused(other),
    }
}

/// Complains of an answer that is not the one wanted.
pub(super) fn refused(answer: Result<Answer, String>) -> u8 {
    match answer {
        Ok(Answer::Refused(why)) => {
            complain(&why);
            exit::NOT_FINE
        }
        Ok(_) => exit::COULD_NOT_RUN,
        Err(why) => {
            complain(&why);
            exit::COULD_NOT_RUN
        }
    }
}

impl History {
    pub(super) fn run(self) -> u8 {
        let revisions = match talk::ask(self.state.as_deref(), &Question::History) {
            Ok(Answer::History(revisions)) => revisions,
            other => return refused(other),
        };
        let printed = if self.json { print_json(&revisions) } else { print(&text(&revisions)) };
        if printed { exit::FINE } else { exit::COULD_NOT_RUN }
    }
}

fn text(revisions: &[Revision]) -> String {
    if revisions.is_empty() {
        return "nothing was accepted yet from files: the desk runs on what is built in\n".to_owned();
    }
    let lines = revisions.iter().rev().map(|revision| {
        let force = if revision.in_force { "  as the file is now" } else { "" };
        format!("{:<8} {:>4}  {}{force}\n", revision.file, revision.number, revision.accepted)
    });
    lines.collect()
}

impl Undo {
    pub(super) fn run(self) -> u8 {
        match talk::ask(self.state.as_deref(), &Question::Undo { file: self.file, to: self.to }) {
            Ok(Answer::Undone { files, refused }) => {
                let said = files.iter().map(|(path, number)| words::undone(path, *number)).collect::<String>();
                let printed = print(&said);
                match refused {
                    Some(why) => {
                        complain(&why);
                        exit::NOT_FINE
                    }
                    None if printed => exit::FINE,
                    None => exit::COULD_NOT_RUN,
                }
            }
            other => refused(other),
        }
    }
}
