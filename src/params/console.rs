//! The rows of console logic: who is live, what is muted for it, who listens and who talks.

use super::{Domain, Glide, Key, Parameter, Scope, Taper};

/// Who decides a value, and how long it lasts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Nature {
    /// A value of the mix: profiles set it, and it is kept over a restart.
    Kept,
    /// A state of the moment: a hand or a message sets it, no profile does, and it is at its default after a restart.
    Passing,
    /// The desk says it and nobody sets it: what lamps show.
    Told,
}

impl Key {
    /// Who decides this value, and how long it lasts.
    #[must_use]
    pub const fn nature(self) -> Nature {
        match self {
            Self::ChannelTally | Self::BusTally | Self::OutputMuted | Self::RoomTally => Nature::Told,
            Self::BusRehearsal => Nature::Passing,
            _ => Nature::Kept,
        }
    }
}

const OFF_ON: &[&str] = &["off", "on"];
const DARK_LIVE: &[&str] = &["dark", "live"];

/// A row of states. Nothing of it is heard by itself: what follows from it glides as the parameters it moves.
const fn states(
    key: Key,
    scope: Scope,
    word: &'static str,
    words: &'static [&'static str],
    summary: &'static str,
) -> Parameter {
    let (domain, glide) = (Domain::Words(words), Glide::Ramp { up_ms: 20, down_ms: 5 });
    Parameter { key, scope, word, further: None, domain, default: words[0], taper: Taper::Steps, glide, summary }
}

/// In the order of the keys.
pub(super) const ROWS: &[Parameter] = &[
    states(
        Key::ChannelTally,
        Scope::Channel,
        "tally",
        DARK_LIVE,
        "said by the desk: live while its microphone can be heard on air, and half a second at least",
    ),
    states(
        Key::BusAir,
        Scope::Bus,
        "air",
        &["by-outputs", "always", "never"],
        "whether people outside hear it: by-outputs when a feed, a line or a loudspeaker of no room carries it",
    ),
    states(
        Key::BusRehearsal,
        Scope::Bus,
        "rehearsal",
        OFF_ON,
        "on says that nobody outside listens yet: no tally lights for it; off at every start",
    ),
    states(
        Key::BusTally,
        Scope::Bus,
        "tally",
        DARK_LIVE,
        "said by the desk: live while the bus is on air and not in rehearsal",
    ),
    states(
        Key::OutputMuted,
        Scope::Output,
        "muted",
        OFF_ON,
        "said by the desk: on while a microphone in the room of this loudspeaker is live, and a little longer",
    ),
    states(
        Key::RoomTally,
        Scope::Room,
        "tally",
        DARK_LIVE,
        "said by the desk: live while any microphone in the room is",
    ),
];
