//! `longthrow assign`: touch a control, choose a parameter, hear it, confirm.
//!
//! The running desk listens to its panel and writes; here are only the questions. Every answer is also an option.

use super::talk::{self, Line};
use super::{complain, exit, print, print_json};
use crate::daemon::talk::{Answer, Question};
use crate::daemon::teach::{Assigned, Found, KINDS, Progress, Which, Wish, progress_words};
use crate::words::assign as words;
use clap::Args;
use std::io::{BufRead, Write};
use std::path::PathBuf;
use std::time::{Duration, Instant};

/// How often the desk is asked what it hears.
const LOOK_EVERY: Duration = Duration::from_millis(100);
/// So many touches that are not clear, or answers that are not understood, are enough.
const TRIES_MAX: usize = 20;

/// Says what a control is for: touch it, choose what it moves, hear it, keep it.
#[derive(Debug, Args)]
#[command(after_help = words::HELP)]
pub(super) struct Assign {
    /// A control of the panel file by its id, instead of touching one
    #[arg(long, value_name = "ID")]
    control: Option<String>,
    /// What it shall move, as in channel.lectern.fader; the beginnings of the words will do
    #[arg(long, value_name = "PATH")]
    parameter: Option<String>,
    /// What people call a control that is new to the panel, as in "lectern fader"
    #[arg(long)]
    name: Option<String>,
    /// What a control is that is new to the panel, when it is not what it seems
    #[arg(long, value_parser = KINDS.map(|(word, _)| word))]
    kind: Option<String>,
    /// Takes away what the control moves now
    #[arg(long, conflicts_with = "parameter")]
    remove: bool,
    /// Asks nothing: what no option says is as it seems, and the change is kept
    #[arg(long)]
    yes: bool,
    /// How long a touch is awaited
    #[arg(long, value_name = "SECONDS", default_value_t = 60, value_parser = clap::value_parser!(u64).range(5..=600))]
    wait: u64,
    /// What was assigned, as JSON
    #[arg(long)]
    json: bool,
    /// The state folder of the desk, when it is not the usual one
    #[arg(long, value_name = "FOLDER")]
    state: Option<PathBuf>,
}

/// Why nothing was assigned, and the code to leave with.
struct Stop(u8, String);

fn not_done<T>(why: impl Into<String>) -> Result<T, Stop> {
    Err(Stop(exit::NOT_FINE, why.into()))
}

/// What was asked for, or why there is none.
fn answered(answer: Result<Answer, String>) -> Result<Answer, Stop> {
    match answer {
        Ok(Answer::Refused(why)) => not_done(why),
        Ok(answer) => Ok(answer),
        Err(why) => Err(Stop(exit::COULD_NOT_RUN, why)),
    }
}

impl Assign {
    pub(super) fn run(self) -> u8 {
        match self.assign() {
            Ok(code) => code,
            Err(Stop(code, why)) => {
                complain(&why);
                code
            }
        }
    }

    fn ask(&self, question: &Question) -> Result<Answer, Stop> {
        answered(talk::ask(self.state.as_deref(), question))
    }

    fn assign(&self) -> Result<u8, Stop> {
        if self.yes && self.parameter.is_none() && !self.remove {
            return Err(Stop(exit::USAGE, words::SAY_WHAT.to_owned()));
        }
        // What was touched is remembered for as long as the line is open.
        let (which, found, _line) = match &self.control {
            Some(control) => (Which::Named(control.clone()), None, None),
            None => {
                let (line, session, found) = self.touch()?;
                (Which::Touched(session), Some(found), Some(line))
            }
        };
        let wish = self.wish(found.as_ref())?;
        let assigned = match self.ask(&Question::Assign(which, wish))? {
            Answer::Assigned(assigned) => assigned,
            _ => return Err(Stop(exit::COULD_NOT_RUN, words::SOMETHING_ELSE.to_owned())),
        };
        self.say(&said(&assigned));
        if !self.yes {
            let question = if assigned.parameter.is_some() { words::KEEP_WHAT_IS_LIVE } else { words::KEEP };
            let kept = self.question("yes", question, "yes", |text| match text {
                "yes" | "y" => Ok(true),
                "no" | "n" => Ok(false),
                _ => Err(words::YES_OR_NO.to_owned()),
            });
            // Whoever did not answer did not confirm.
            if !matches!(kept, Ok(true)) {
                self.ask(&Question::PutBack(assigned.change))?;
                self.say(words::PUT_BACK);
                return kept.map(|_| exit::NOT_FINE);
            }
        }
        let printed = if self.json { print_json(&assigned) } else { print(words::KEPT) };
        Ok(if printed { exit::FINE } else { exit::COULD_NOT_RUN })
    }

    /// Waits until one control was touched, and no other. The panel is held by the line: however this ends, it is free again.
    fn touch(&self) -> Result<(Line, u64, Found), Stop> {
        let mut line = Line::open(self.state.as_deref()).map_err(|why| Stop(exit::COULD_NOT_RUN, why))?;
        let session = match answered(line.ask(&Question::Teach))? {
            Answer::Teach(session) => session,
            _ => return Err(Stop(exit::COULD_NOT_RUN, words::SOMETHING_ELSE.to_owned())),
        };
        let until = Instant::now() + Duration::from_secs(self.wait);
        let (mut shown, mut tries) = ("", 0);
        while Instant::now() < until && tries < TRIES_MAX {
            let progress = match answered(line.ask(&Question::Taught(session)))? {
                Answer::Taught(progress) => progress,
                _ => break,
            };
            let (word, text) = progress_words(&progress);
            if word != shown {
                self.say(&first_upper(&text));
                shown = word;
            }
            match progress {
                Progress::Found(found) => return Ok((line, session, *found)),
                Progress::Again(_) => tries += 1,
                _ => {}
            }
            std::thread::sleep(LOOK_EVERY);
        }
        not_done(words::NOTHING_TOUCHED)
    }

    /// What the options say, and for the rest what somebody answers.
    fn wish(&self, found: Option<&Found>) -> Result<Wish, Stop> {
        let mut wish = Wish { parameter: None, name: self.name.clone(), kind: self.kind.clone() };
        let new = found.filter(|found| found.known.is_none());
        if self.remove {
            return Ok(wish);
        }
        if let Some(found) = found {
            self.say(&words::seen(found.seen, found.margin_db, found.rising == Some(false)));
        }
        if let Some(found) = new.filter(|_| self.kind.is_none() && !self.yes) {
            let kinds = KINDS.map(|(word, _)| word);
            let kind = self.question("kind", &words::what_kind(&kinds), &found.kind, |text| {
                kinds.contains(&text).then(|| text.to_owned()).ok_or_else(|| words::ONE_OF_THESE.to_owned())
            })?;
            wish.kind = Some(kind);
        }
        let kind = wish.kind.as_ref().or(found.map(|found| &found.kind)).cloned();
        wish.parameter = match &self.parameter {
            Some(typed) => {
                let found = self.complete(typed, kind.as_ref())?;
                Some(found.map_err(|why| Stop(exit::USAGE, words::of_parameter(&why)))?)
            }
            None => {
                let mut answer = None;
                let moves = found.and_then(|found| found.moves.first());
                let usual = moves.map_or("", String::as_str);
                let again = if usual.is_empty() { words::WHAT_TO_MOVE } else { words::WHAT_ELSE_TO_MOVE };
                for _ in 0..TRIES_MAX {
                    let typed = self.question("parameter", again, usual, |text| Ok(text.to_owned()))?;
                    if typed == "none" && !usual.is_empty() {
                        return Ok(wish);
                    }
                    match self.complete(&typed, kind.as_ref())? {
                        Ok(name) => {
                            answer = Some(name);
                            break;
                        }
                        Err(why) => self.say(&format!("  {}", first_upper(&why))),
                    }
                }
                Some(answer.ok_or_else(|| Stop(exit::USAGE, words::NO_PARAMETER.to_owned()))?)
            }
        };
        if let (Some(_), Some(parameter), true) = (new, &wish.parameter, self.name.is_none() && !self.yes) {
            let mut parts = parameter.split('.').skip(1);
            let (id, last) = (parts.next().unwrap_or_default(), parts.last().unwrap_or_default());
            let usual = format!("{id} {last}");
            wish.name = Some(self.question("name", words::WHAT_NAME, &usual, |text| Ok(text.to_owned()))?);
        }
        Ok(wish)
    }

    /// The one parameter that was typed, or why it is not clear.
    fn complete(&self, typed: &str, kind: Option<&String>) -> Result<Result<String, String>, Stop> {
        let (names, fits) = match self.ask(&Question::Complete(typed.to_owned(), kind.cloned()))? {
            Answer::Names(names, fits) => (names, fits),
            _ => return Err(Stop(exit::COULD_NOT_RUN, words::SOMETHING_ELSE.to_owned())),
        };
        Ok(match &names[..] {
            [one] if fits => {
                if one != typed {
                    self.say(&format!("  {one}"));
                }
                Ok(one.clone())
            }
            [] => Err(words::nothing_called(typed)),
            several if fits => Err(words::which(several)),
            near => Err(words::nearest(typed, near)),
        })
    }

    fn say(&self, text: &str) {
        // With JSON only the result goes to standard output.
        if self.json {
            drop(writeln!(std::io::stderr(), "{text}"));
        } else {
            print(&format!("{text}\n"));
        }
    }

    /// What somebody answers to a question.
    fn question<T>(
        &self,
        option: &str,
        question: &str,
        usual: &str,
        parse: impl Fn(&str) -> Result<T, String>,
    ) -> Result<T, Stop> {
        let missing = || Stop(exit::USAGE, words::unanswered(question, option));
        if self.yes {
            return parse(usual).map_err(|_| missing());
        }
        for _ in 0..TRIES_MAX {
            let shown = if usual.is_empty() { format!("{question} ") } else { format!("{question} [{usual}] ") };
            // What was printed is to be seen before the answer is waited for; when it cannot be, the answer still can.
            drop(std::io::stderr().write_all(shown.as_bytes()));
            let mut line = String::new();
            let read = std::io::stdin().lock().read_line(&mut line);
            if !read.is_ok_and(|length| length > 0) {
                return Err(missing());
            }
            let line = line.trim();
            let answer = if line.is_empty() { usual } else { line };
            match if answer.is_empty() { Err(words::AN_ANSWER.to_owned()) } else { parse(answer) } {
                Ok(answer) => return Ok(answer),
                Err(why) => self.say(&words::not_understood(&why)),
            }
        }
        Err(missing())
    }
}

fn said(assigned: &Assigned) -> String {
    words::moves_now(&assigned.control, assigned.parameter.as_deref(), &assigned.before)
}

fn first_upper(text: &str) -> String {
    let mut characters = text.chars();
    let end = if text.ends_with('?') { "" } else { "." };
    characters
        .next()
        .map_or_else(String::new, |first| first.to_uppercase().collect::<String>() + characters.as_str() + end)
}
