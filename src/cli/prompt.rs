//! Questions in a terminal, each of which is also an option.

use super::{complain, exit, print};
use std::io::{BufRead, Write};
use std::path::PathBuf;

/// So many answers that cannot be understood end the questions.
const WRONG_ANSWERS_MAX: usize = 20;

/// Why a command cannot go on, and the code to leave with.
pub(super) struct Stop(pub(super) u8, pub(super) String);

impl Stop {
    /// Says what came of a command, and gives the code to leave with.
    pub(super) fn said(result: Result<String, Self>) -> u8 {
        match result {
            Ok(text) if print(&text) => exit::FINE,
            Ok(_) => exit::COULD_NOT_RUN,
            Err(Self(code, why)) => {
                complain(&why);
                code
            }
        }
    }
}

/// Where the unit of a person looks for the files.
pub(super) fn usual_folder() -> PathBuf {
    let variable = |name: &str| std::env::var_os(name).filter(|value| !value.is_empty()).map(PathBuf::from);
    let config = variable("XDG_CONFIG_HOME").or_else(|| variable("HOME").map(|home| home.join(".config")));
    config.unwrap_or_else(|| PathBuf::from(".")).join("longthrow")
}

/// Questions on standard output, answers on standard input, a line each.
pub(super) struct Prompt {
    silent: bool,
}

impl Prompt {
    pub(super) fn new(silent: bool) -> Self {
        Self { silent }
    }

    pub(super) fn say(&self, text: &str) {
        if !self.silent {
            print(&format!("{text}\n"));
        }
    }

    /// A line that the next one overwrites.
    pub(super) fn over(&self, text: &str) {
        if !self.silent {
            print(&format!("\r{text:<78}"));
            if text.is_empty() {
                print("\r");
            }
        }
    }

    /// What the option says, or else what somebody answers.
    pub(super) fn answer<T>(
        &mut self,
        given: Option<&String>,
        option: &str,
        question: &str,
        usual: &str,
        parse: impl Fn(&str) -> Result<T, String>,
    ) -> Result<T, Stop> {
        if let Some(given) = given {
            return parse(given.trim()).map_err(|why| Stop(exit::USAGE, format!("--{option}: {why}")));
        }
        if self.silent {
            return parse(usual).map_err(|why| Stop(exit::USAGE, format!("--{option}: {why}")));
        }
        for _ in 0..WRONG_ANSWERS_MAX {
            print(&format!("{question} [{usual}] "));
            // What was printed is to be seen before the answer is waited for; when it cannot be, the answer still can.
            drop(std::io::stdout().flush());
            let mut line = String::new();
            let read = std::io::stdin().lock().read_line(&mut line);
            if !read.is_ok_and(|length| length > 0) {
                let why = format!("nobody answered {question:?}; say --{option}, or --yes for every default");
                return Err(Stop(exit::USAGE, why));
            }
            let line = line.trim();
            match parse(if line.is_empty() { usual } else { line }) {
                Ok(answer) => return Ok(answer),
                Err(why) => self.say(&format!("  That is not understood: {why}.")),
            }
        }
        Err(Stop(exit::USAGE, format!("no answer to {question:?} could be understood")))
    }
}
