//! The mix as it was at some time, from the show journal.
//!
//! The journal holds what came in, not what it came to: so the events of the run in which that time lies go through a
//! desk of their own, which nobody hears, from the start of that run to that time.

use crate::desk::journal::{Line, Ports, What};
use crate::desk::{Desk, Event, ToEngine};
use crate::params::{Address, Value};
use crate::ports::storage::{self, Numbered, read_lines};
use crate::ports::zone::{Zone, rfc_3339};
use crate::profile::{Checked, Installation, Texts, check};
use crate::units::{Frames, SampleRate};
use crate::words::recall as words;
use std::path::{Path, PathBuf};

/// The mix as it was.
#[derive(Debug)]
pub struct Past {
    /// Every value.
    pub values: Vec<(Address, Value)>,
    /// When the run began, in UTC.
    pub began: String,
    /// The profile of then.
    pub profile: String,
    /// Lines of the journal that led there.
    pub lines: usize,
    /// Whether the journal of that run goes on beyond that time; otherwise this is how it ended.
    pub goes_on: bool,
}

/// A run's first line.
struct Run {
    file: usize,
    line: usize,
    civil: String,
    at: i64,
    rate: SampleRate,
}

/// The mix at this second since 1970.
///
/// # Errors
/// The journal does not reach back so far, or cannot be read: in words.
pub fn mix_at(folder: &Path, at: i64) -> Result<Past, String> {
    let files = Numbered::new(&folder.join("journal"), "journal", "jsonl").and_then(|files| files.list());
    let files: Vec<PathBuf> = files.map_err(words::journal_unreadable)?.into_iter().map(|(_, path)| path).collect();
    let run = run_of(&files, at).map_err(words::journal_unreadable)?;
    let run = match run {
        Some(run) => run,
        None => {
            let first = first_run(&files).map_err(words::journal_unreadable)?;
            return Err(words::before_the_journal(
                first.map(|at| Zone::local().unwrap_or_default().text(at)).as_deref(),
            ));
        }
    };
    #[expect(clippy::cast_sign_loss, reason = "the run began before")]
    let until = Frames((at - run.at) as u64 * u64::from(run.rate.hz()));
    let mut replay = Replay { desk: None, rate: run.rate };
    let (mut lines, mut goes_on) = (0, false);
    'files: for (index, path) in files.iter().enumerate().skip(run.file) {
        let first = if index == run.file { run.line + 1 } else { 0 };
        for text in read_lines(path).map_err(words::journal_unreadable)?.skip(first) {
            let storage::Line::Whole(text) = text.map_err(words::journal_unreadable)? else { continue };
            // What cannot be read is passed over, as the desk that wrote it went on.
            let Ok(line) = Line::parse(&text) else { continue };
            if matches!(line.what, What::Start { .. }) {
                break 'files;
            }
            let frame = line.at.frame(run.rate);
            if frame > until {
                goes_on = true;
                break 'files;
            }
            replay.take(frame, line);
            lines += 1;
        }
    }
    let Some(mut desk) = replay.desk else { return Err(words::NO_FILES_OF_RUN.to_owned()) };
    run_deadlines(&mut desk, until);
    let values = desk.mix().map(|(address, value)| (address.clone(), value.clone())).collect();
    Ok(Past { values, began: run.civil, profile: desk.profile_name().to_owned(), lines, goes_on })
}

/// The last run that had begun by then.
fn run_of(files: &[PathBuf], at: i64) -> std::io::Result<Option<Run>> {
    for (file, path) in files.iter().enumerate().rev() {
        let mut found = None;
        for (line, text) in read_lines(path)?.enumerate() {
            let storage::Line::Whole(text) = text? else { continue };
            if !text.contains("\"start\":") {
                continue;
            }
            let Ok(Line { what: What::Start { civil, rate }, .. }) = Line::parse(&text) else { continue };
            if let Some(began) = rfc_3339(&civil).filter(|began| *began <= at) {
                found = Some(Run { file, line, civil, at: began, rate });
            }
        }
        if found.is_some() {
            return Ok(found);
        }
    }
    Ok(None)
}

/// When the first run began that the journal still has.
fn first_run(files: &[PathBuf]) -> std::io::Result<Option<i64>> {
    for file in files {
        for text in read_lines(file)? {
            let storage::Line::Whole(text) = text? else { continue };
            if let Ok(Line { what: What::Start { civil, .. }, .. }) = Line::parse(&text) {
                return Ok(rfc_3339(&civil));
            }
        }
    }
    Ok(None)
}

struct Replay {
    desk: Option<Desk>,
    rate: SampleRate,
}

impl Replay {
    fn take(&mut self, frame: Frames, line: Line) {
        if let What::Profile { texts, reread, .. } = line.what {
            let Some(installation) = installed(&texts) else { return };
            match &mut self.desk {
                None => self.desk = Some(Desk::new(installation, self.rate)),
                Some(desk) => happen(desk, frame, Event::Install { installation: Box::new(installation), reread }),
            }
            return;
        }
        let Some(desk) = &mut self.desk else { return };
        if let Ok(Some(event)) = line.what.event(&Ports::of(desk.rig())) {
            happen(desk, frame, event);
        }
    }
}

fn installed(texts: &Texts) -> Option<Installation> {
    check(texts).0.and_then(Checked::into_installation)
}

fn happen(desk: &mut Desk, at: Frames, event: Event) {
    run_deadlines(desk, at);
    desk.handle(at, event);
    echo(desk, at);
}

/// Lets the time go by in which nothing happened.
fn run_deadlines(desk: &mut Desk, until: Frames) {
    while let Some(at) = desk.next_deadline().filter(|at| *at <= until) {
        desk.handle(at, Event::Deadline);
        echo(desk, at);
        if desk.next_deadline() == Some(at) {
            return;
        }
    }
}

/// The engine of such a desk takes everything at once.
fn echo(desk: &mut Desk, at: Frames) {
    while let Some(sent) = desk.take() {
        let sequence = match sent {
            ToEngine::Batch { sequence, .. } => sequence,
            ToEngine::Plan(send) => send.plan.sequence,
        };
        desk.handle(at, Event::Echo { sequence, frame: at });
    }
}
