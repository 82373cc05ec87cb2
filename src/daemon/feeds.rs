//! From what a channel wants to hear to what feeds the engine: generators, and files on tapes.

use super::player::Player;
use crate::desk::{FeedSpec, FileTrouble};
use crate::dsp::generators::{Generator, Pink, Sine, SpeechLike};
use crate::engine::Feed;
use crate::profile::Signal;
use crate::units::{Decibels, SampleRate};
use crate::words::log;
use std::collections::BTreeMap;
use std::path::PathBuf;

/// A generator of this signal.
fn generator(signal: Signal, level: Decibels, rate: SampleRate) -> Generator {
    match signal {
        Signal::Sine { hertz } => Generator::Sine(Sine::new(f64::from(hertz), level, rate)),
        Signal::Pink { seed } => Generator::Pink(Pink::new(u64::from(seed), level, rate)),
        Signal::SpeechLike { seed } => Generator::SpeechLike(SpeechLike::new(u64::from(seed), level, rate)),
        Signal::Silence => Generator::Silence,
    }
}

/// What feeds the engine for this; a file is opened by `open_file`, which gives a tape.
pub fn make(spec: &FeedSpec, rate: SampleRate, open_file: impl FnOnce(&std::path::Path, bool, bool) -> Feed) -> Feed {
    match spec {
        FeedSpec::Nothing => Feed::Silent,
        FeedSpec::Wires(left, right) => Feed::Wires(*left, *right),
        FeedSpec::Generator { signal, level } => Feed::Generator(Box::new(generator(*signal, *level, rate))),
        FeedSpec::File { path, looped, stereo } => open_file(path, *looped, *stereo),
    }
}

/// The players of a running desk, each with a thread of its own.
#[derive(Debug)]
pub struct Players {
    rate: SampleRate,
    players: Vec<Player>,
}

impl Players {
    /// None yet.
    #[must_use]
    pub const fn new(rate: SampleRate) -> Self {
        Self { rate, players: Vec::new() }
    }

    /// The files that do not play, and why.
    #[must_use]
    pub fn troubles(&self) -> BTreeMap<PathBuf, FileTrouble> {
        let playing = self.players.iter().filter(|player| !player.is_finished());
        playing.filter_map(|player| Some((player.path().to_owned(), player.trouble()?))).collect()
    }

    /// A file on a tape that the engine can take. Players whose tape was given back have ended and are forgotten.
    pub fn play(&mut self, path: &std::path::Path, looped: bool, stereo: bool) -> Feed {
        self.players.retain(|player| !player.is_finished());
        match Player::start(path, looped, stereo, self.rate) {
            Ok((player, tape)) => {
                self.players.push(player);
                Feed::Tape(Box::new(tape))
            }
            Err(error) => {
                tracing::error!("{}", log::not_played(path.display(), error));
                Feed::Silent
            }
        }
    }
}
