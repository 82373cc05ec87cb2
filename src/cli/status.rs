//! `longthrow status`: the first screen, largest first.

use super::{complain, exit, meters, print, print_json, talk};
use crate::daemon::talk::{Answer, Question};
use crate::desk::{Live, Metered, Status};
use crate::dsp::scale::Scale;
use clap::Args;
use std::path::PathBuf;
use std::time::Duration;

/// How often the live form looks again.
const EVERY: Duration = Duration::from_millis(500);

/// On air or not, live microphones, what is wrong and what to do, what the desk decided lately.
///
/// Exit code 0: nothing is wrong; 1: something is; 3: no desk runs there.
#[derive(Debug, Args)]
pub(super) struct ShowStatus {
    /// Again and again, until Ctrl-C
    #[arg(long)]
    live: bool,
    /// As JSON
    #[arg(long, conflicts_with = "live")]
    json: bool,
    /// The state folder of the desk, when it is not the usual one
    #[arg(long, value_name = "FOLDER")]
    state: Option<PathBuf>,
}

impl ShowStatus {
    pub(super) fn run(self) -> u8 {
        loop {
            let status = match talk::ask(self.state.as_deref(), &Question::Status) {
                Ok(Answer::Status(status)) => *status,
                Ok(Answer::Refused(why)) | Err(why) => {
                    complain(&why);
                    return exit::COULD_NOT_RUN;
                }
                Ok(_) => return exit::COULD_NOT_RUN,
            };
            // Clears the screen and goes to its top (ECMA-48, ED and CUP).
            let clear = if self.live { "\x1b[2J\x1b[H" } else { "" };
            let printed = if self.json { print_json(&status) } else { print(&(clear.to_owned() + &text(&status))) };
            if !printed {
                return exit::COULD_NOT_RUN;
            }
            if !self.live {
                return if status.wrong.is_empty() { exit::FINE } else { exit::NOT_FINE };
            }
            std::thread::sleep(EVERY);
        }
    }
}

/// Time without a hand, for people.
fn since(seconds: u64) -> String {
    match seconds {
        0..60 => format!("{seconds} s"),
        60..3600 => format!("{} min", seconds / 60),
        _ => format!("{} h {} min", seconds / 3600, seconds / 60 % 60),
    }
}

/// One bus or output on its scale: the louder side as a bar, and figures.
fn meter(metered: &Metered) -> String {
    let loudest = metered.readings.iter().copied().fold(f32::NEG_INFINITY, f32::max);
    let bar = Scale::named(&metered.meter).map_or_else(String::new, |scale| meters::bar(scale, loudest));
    let figures = metered.readings.iter().fold(String::new(), |text, reading| text + &format!(" {reading:>6.1}"));
    format!("  {:<24} {bar}{figures} {}\n", metered.of, metered.unit)
}

fn text(status: &Status) -> String {
    let mut text = String::new();
    text += &match status.on_air {
        true => format!("ON AIR: {}\n", status.air),
        false => format!("NOT ON AIR: {}\n", status.air),
    };
    let list = |live: &[Live]| {
        let each =
            live.iter().map(|live| format!("  {} ({}), {:.0} dBFS\n", live.label, live.channel, live.input_dbfs));
        each.collect::<String>()
    };
    text += &match status.microphones.len() {
        0 => "No microphone is live.\n".to_owned(),
        1 => "1 MICROPHONE IS LIVE:\n".to_owned(),
        count => format!("{count} MICROPHONES ARE LIVE:\n"),
    };
    text += &list(&status.microphones);
    for room in status.rooms.iter().filter(|room| room.live || room.muted) {
        let live = if room.live { "LIVE" } else { "not live" };
        let muted = if room.muted { ", its loudspeakers are muted" } else { "" };
        text += &format!("Room {} ({}): {live}{muted}\n", room.label, room.room);
    }
    for talking in &status.talking {
        text += &format!("TALKBACK: {talking}\n");
    }
    if !status.listening.is_empty() {
        text += &format!("{} listened to: {}\n", status.listening.len(), status.listening.join(", "));
    }
    if status.locked {
        text += "The panel is locked: it closes microphones and takes a rung of the panic ladder, no more.\n";
    }
    match status.wrong.first() {
        None => text += "Nothing is wrong.\n",
        Some(worst) => text += &format!("WRONG: {}\n  What to do: {}\n", worst.what, worst.remedy),
    }
    for wrong in status.wrong.iter().skip(1) {
        text += &format!("  also: {}\n    What to do: {}\n", wrong.what, wrong.remedy);
    }
    text += &format!("\nProgramme: {:.0} dBFS\n", status.programme_dbfs);
    for metered in &status.meters {
        text += &meter(metered);
    }
    if !status.others.is_empty() {
        text += "Open, and no microphones:\n";
        text += &list(&status.others);
    }
    let hand = status.idle_s.map_or("no control was used yet".to_owned(), |s| format!("last control {} ago", since(s)));
    let attended = if status.attended { "attended" } else { "unattended" };
    text += &format!("Show: \"{}\", revision {}; {attended}, {hand}\n", status.profile, status.revision);
    for waiting in &status.waiting {
        text += &format!("  {waiting}\n");
    }
    if !status.decisions.is_empty() {
        text += "\nDecided lately:\n";
        for (when, what) in status.decisions.iter().rev() {
            text += &format!("  {when}  {what}\n");
        }
    }
    text
}
