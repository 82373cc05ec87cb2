//! `longthrow recall`: a scene, the mix of another time, or what was before the last recall.

use super::{complain, exit, print, print_json, talk};
use crate::daemon::state;
use crate::daemon::talk::{Answer, Changed, Question, RecallAsk, SceneShown};
use crate::ports::zone::{self, Zone};
use crate::words::recall as words;
use clap::Args;
use std::fmt::Write;
use std::path::PathBuf;

/// Brings a scene of the profile back, or the mix as it was at a time; without either, lists the scenes.
///
/// Levels glide over the scene's time. No microphone is opened by it: one that is closed stays closed, and a channel that is
/// on air keeps its switch and routes. A hand on a control stops the fade of what it moves; faders that differ afterwards
/// rejoin as always. Outputs and sources are left alone.
#[derive(Debug, Args)]
pub(super) struct RecallMix {
    /// The scene
    #[arg(value_name = "SCENE", conflicts_with_all = ["at", "back"])]
    scene: Option<String>,
    /// The mix as it was at this time: 20:14 or 20:14:30 is the last time the clocks of this place showed that, or in full
    /// 2031-02-03T20:14:00+01:00. Shows what would change; with --yes it is done
    #[arg(long, value_name = "TIME", conflicts_with = "back")]
    at: Option<String>,
    /// What the last recall changed, back to what it was before
    #[arg(long)]
    back: bool,
    /// With --at: do it
    #[arg(long, requires = "at")]
    yes: bool,
    /// With --at: how long the way there takes, in seconds
    #[arg(long, value_name = "SECONDS", default_value_t = 3.0, requires = "at")]
    fade: f32,
    /// As JSON
    #[arg(long)]
    json: bool,
    /// The state folder of the desk, when it is not the usual one
    #[arg(long, value_name = "FOLDER")]
    state: Option<PathBuf>,
}

impl RecallMix {
    pub(super) fn run(self) -> u8 {
        let mut when = None;
        let (what, set) = match (&self.scene, &self.at, self.back) {
            (Some(scene), ..) => (RecallAsk::Scene(scene.clone()), true),
            (_, Some(at), _) => match time(at) {
                Ok((seconds, text)) => {
                    when = Some(text);
                    (RecallAsk::At { seconds, fade_s: self.fade }, self.yes)
                }
                Err(why) => {
                    complain(&why);
                    return exit::USAGE;
                }
            },
            (.., true) => (RecallAsk::Back, true),
            _ => return self.list(),
        };
        match talk::ask(self.state.as_deref(), &Question::Recall { what, set }) {
            Ok(answer @ Answer::Recalled { .. }) if self.json => written(print_json(&answer)),
            Ok(Answer::Recalled { of, changes, set }) => written(print(&text(when.as_deref(), &of, &changes, set))),
            other => super::history::refused(other),
        }
    }

    fn list(&self) -> u8 {
        match talk::ask(self.state.as_deref(), &Question::Scenes) {
            Ok(Answer::Scenes(scenes)) if self.json => written(print_json(&scenes)),
            Ok(Answer::Scenes(scenes)) => written(print(&listed(&scenes))),
            other => super::history::refused(other),
        }
    }
}

const fn written(printed: bool) -> u8 {
    if printed { exit::FINE } else { exit::COULD_NOT_RUN }
}

fn listed(scenes: &[SceneShown]) -> String {
    if scenes.is_empty() {
        return "the profile in force has no scenes; \"longthrow keep NAME\" makes one of the mix\n".to_owned();
    }
    let line = |scene: &SceneShown| {
        let current = if scene.current { "  the last one" } else { "" };
        let values = if scene.values == 1 { "value" } else { "values" };
        format!("{:<20} {:>4} {values}, {} s{current}\n", scene.id, scene.values, scene.fade_s)
    };
    scenes.iter().map(line).collect()
}

/// The time that is meant, and how it is understood.
fn time(text: &str) -> Result<(i64, String), String> {
    let now = i64::try_from(state::civil_seconds()).unwrap_or(i64::MAX);
    let zone = Zone::local();
    let shown = |at| zone.clone().unwrap_or_default().text(at);
    let of_day = text.split_once(':').and_then(|(hour, rest)| {
        let (minute, second) = rest.split_once(':').unwrap_or((rest, "0"));
        let part = |text: &str, max: u32| {
            let digits = (1..=2).contains(&text.len()) && text.bytes().all(|byte| byte.is_ascii_digit());
            text.parse().ok().filter(|number| digits && *number <= max)
        };
        Some((part(hour, 23)?, part(minute, 59)?, part(second, 59)?))
    });
    let at = match of_day {
        Some((hour, minute, second)) => zone.clone().unwrap_or_default().latest(hour, minute, second, now),
        None => zone::rfc_3339(text),
    };
    let at = at.ok_or_else(|| format!("\"{text}\" is no time; write 20:14, 20:14:30, or 2031-02-03T20:14:00+01:00"))?;
    if at > now {
        return Err(words::in_the_future(&shown(at), &shown(now)));
    }
    Ok((at, shown(at)))
}

fn text(when: Option<&str>, of: &str, changes: &[Changed], set: bool) -> String {
    let mut text = when.map_or_else(|| format!("{of}\n"), |when| format!("{when}: {of}\n"));
    if changes.is_empty() {
        return text + "nothing would be another value than now\n";
    }
    for Changed { path, now, then, kept } in changes {
        let kept = kept.as_ref().map(|why| format!("   stays: {why}")).unwrap_or_default();
        // Writing into a text cannot fail.
        writeln!(text, "  {path:<40} {now:>10} -> {then}{kept}").ok();
    }
    let moves = changes.iter().any(|change| change.kept.is_none());
    text + if !moves {
        words::RECALLS_NOTHING
    } else if set {
        "it is on its way; \"longthrow recall --back\" takes it back\n"
    } else {
        "nothing was changed; the same with --yes does it\n"
    }
}
