//! `longthrow status`: the first screen, largest first.

use super::{complain, exit, meters, print, print_json, talk};
use crate::daemon::talk::{Answer, Question};
use crate::desk::{Live, Metered, Status};
use crate::dsp::loudness::HEADING_REACH;
use crate::dsp::scale::Scale;
use crate::ports::kernel::window_of_terminal;
use crate::words::status as words;
use clap::Args;
use std::path::PathBuf;
use std::time::Duration;

/// How often the live form looks again.
const EVERY: Duration = Duration::from_millis(500);

/// On air or not, live microphones, what is wrong and what to do, what the desk decided lately.
#[derive(Debug, Args)]
#[command(after_help = words::EXIT_CODES)]
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
            let text = text(&status);
            let text = if self.live { fit(&text, window_of_terminal()) } else { &text };
            let printed = if self.json { print_json(&status) } else { print(&(clear.to_owned() + text)) };
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

/// As many whole lines from the top as fit, so that what is most important does not roll out of sight.
fn fit(text: &str, window: Option<(usize, usize)>) -> &str {
    let Some((rows, columns)) = window else { return text };
    let (mut left, mut end) = (rows - 1, 0);
    for line in text.split_inclusive('\n') {
        let takes = line.trim_end().chars().count().div_ceil(columns).max(1);
        if takes > left {
            break;
        }
        left -= takes;
        end += line.len();
    }
    &text[..end]
}

/// One bus or output on its scale: the louder side as a bar, and figures.
fn meter(metered: &Metered) -> String {
    let loudest = metered.readings.iter().copied().fold(f32::NEG_INFINITY, f32::max);
    let Some(scale) = Scale::named(&metered.meter) else { return String::new() };
    let figure = |reading: &f32| format!(" {:>11}", meters::figure(scale, *reading));
    let figures: String = metered.readings.iter().map(figure).collect();
    format!("  {:<24} {}{figures}\n", metered.of, meters::bar(scale, loudest))
}

fn text(status: &Status) -> String {
    let mut text = words::air(status.on_air, &status.air);
    let list = |live: &[Live]| {
        live.iter().map(|live| words::live(&live.label, &live.channel, live.input_dbfs)).collect::<String>()
    };
    text += &words::microphones(status.microphones.len(), status.on_air);
    text += &list(&status.microphones);
    for room in status.rooms.iter().filter(|room| room.live || room.muted) {
        text += &words::room(&room.label, &room.room, room.live, room.muted);
    }
    for talking in &status.talking {
        text += &words::talking(talking);
    }
    if !status.listening.is_empty() {
        text += &words::listening(&status.listening);
    }
    if let Some(rung) = &status.panic {
        text += &words::panic(rung);
    }
    if status.locked {
        text += words::LOCKED;
    }
    match status.wrong.first() {
        None if status.on_air => text += words::NOTHING_WRONG,
        None => text += words::NOTHING_ELSE_WRONG,
        Some(worst) => text += &words::worst(&worst.what, &worst.remedy, status.call.as_deref()),
    }
    text += &status.wrong.iter().skip(1).map(|wrong| words::also(&wrong.what, &wrong.remedy)).collect::<String>();
    text += &words::programme(status.programme_dbfs);
    let loudness = status.loudness;
    text += &words::loudness(loudness.short_term_lufs, loudness.integrated_lufs);
    if let Some(left_s) = loudness.left_s {
        text += &words::heading(left_s, loudness.heading_lufs, HEADING_REACH);
    }
    text += &status.meters.iter().map(meter).collect::<String>();
    for late in status.lip_sync.iter().filter(|late| late.to_picture) {
        let frames = late.video_frames.get("25").copied().unwrap_or(0.0);
        text += &words::lip_sync(&late.output, late.total_ms, frames, [late.delay_ms, late.limiter_ms], late.device_ms);
    }
    if !status.others.is_empty() {
        text += words::OPEN_BESIDES;
        text += &list(&status.others);
    }
    text += &words::show(&status.profile, status.revision, status.attended, status.idle_s);
    text += &status.waiting.iter().map(|waiting| format!("  {waiting}\n")).collect::<String>();
    text += &status.nodes.iter().map(|node| format!("{node}\n")).collect::<String>();
    if let (true, Some(call)) = (status.wrong.is_empty(), &status.call) {
        text += &words::call(call);
    }
    if !status.decisions.is_empty() {
        text += words::DECIDED;
        text += &status.decisions.iter().rev().map(|(when, what)| format!("  {when}  {what}\n")).collect::<String>();
    }
    text
}

#[cfg(test)]
mod tests {
    use super::fit;

    #[test]
    fn what_does_not_fit_on_the_screen_is_left_out_at_its_end() {
        let text = "ON AIR\nNothing is wrong.\n\nProgramme\nDecided\n";
        assert_eq!(fit(text, None), text);
        assert_eq!(fit(text, Some((6, 80))), text);
        assert_eq!(fit(text, Some((5, 80))), "ON AIR\nNothing is wrong.\n\nProgramme\n", "a row is the cursor's");
        // Seventeen letters are two rows of ten.
        assert_eq!(fit(text, Some((5, 10))), "ON AIR\nNothing is wrong.\n\n");
        assert_eq!(fit(text, Some((1, 1))), "");
    }
}
