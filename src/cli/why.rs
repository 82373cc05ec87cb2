//! `longthrow why PATH`: the blocking element, in one sentence.

use super::{complain, exit, print, print_json, talk};
use crate::daemon::talk::{Answer, Question};
use clap::Args;
use std::path::PathBuf;

/// Why something is silent, lit, or does not obey.
#[derive(Debug, Args)]
#[command(
    after_help = "PATH is a channel, bus, output, gain group, room, talkback, input, contact or control: channel.lectern,\n\
    bus.programme, output.stream, gain-group.voices, room.hall, talkback.producer, input.lectern-mic, contact.bell,\n\
    control.fader-3, or its bare id; or a parameter: channel.lectern.tally, channel.lectern.solo-in-place.\n\
    Exit codes: 0 nothing blocks it, 1 something does, 2 nothing is called so, 3 no desk runs there."
)]
pub(super) struct AskWhy {
    /// What is meant
    path: String,
    /// As JSON
    #[arg(long)]
    json: bool,
    /// The state folder of the desk, when it is not the usual one
    #[arg(long, value_name = "FOLDER")]
    state: Option<PathBuf>,
}

impl AskWhy {
    pub(super) fn run(self) -> u8 {
        let why = match talk::ask(self.state.as_deref(), &Question::Why(self.path)) {
            Ok(Answer::Why(why)) => why,
            Ok(Answer::Refused(why)) => {
                complain(&why);
                return exit::USAGE;
            }
            Err(why) => {
                complain(&why);
                return exit::COULD_NOT_RUN;
            }
            Ok(_) => return exit::COULD_NOT_RUN,
        };
        let printed = if self.json {
            print_json(&why)
        } else {
            let steps = why.steps.iter().map(|step| {
                format!("  {} {}: {}\n", if step.passes { "ok     " } else { "BLOCKED" }, step.element, step.says)
            });
            print(&(why.sentence.clone() + "\n\n" + &steps.collect::<String>()))
        };
        match (printed, &why.blocking) {
            (false, _) => exit::COULD_NOT_RUN,
            (true, None) => exit::FINE,
            (true, Some(_)) => exit::NOT_FINE,
        }
    }
}
