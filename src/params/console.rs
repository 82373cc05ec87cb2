//! The rows of console logic: who is live, what is muted for it, who listens and who talks.

use super::{Domain, Glide, Key, Parameter, Scope, Taper, Unit};

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
            Self::ChannelTally
            | Self::BusTally
            | Self::OutputMuted
            | Self::RoomTally
            | Self::TalkbackTally
            | Self::DeskListening => Nature::Told,
            Self::BusRehearsal
            | Self::ChannelListen
            | Self::BusListen
            | Self::OutputDim
            | Self::OutputMono
            | Self::ChannelSolo
            | Self::ChannelCough
            | Self::TalkbackTo
            | Self::TalkbackAll
            | Self::TalkbackSlate
            | Self::TalkbackLatch
            | Self::ChannelStart
            | Self::BusTone
            | Self::DeskListenClear
            | Self::DeskPanic
            | Self::DeskRestore
            | Self::ContactPulse
            | Self::ContactState => Nature::Passing,
            _ => Nature::Kept,
        }
    }

    /// Whether this is on only as long as it is held.
    #[must_use]
    pub const fn is_held(self) -> bool {
        matches!(self, Self::TalkbackTo | Self::TalkbackAll | Self::TalkbackSlate | Self::ChannelCough)
    }

    /// Whether this is a value of console logic, which moves others and is not heard by itself.
    #[must_use]
    pub fn is_of_the_console(self) -> bool {
        ROWS.iter().any(|row| row.key == self)
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
    states(
        Key::ChannelListen,
        Scope::Channel,
        "listen",
        OFF_ON,
        "on brings the channel to the outputs that listen, beside the live mix; ends when the fader opens",
    ),
    states(
        Key::ChannelListenPoint,
        Scope::Channel,
        "listen-point",
        &["pre-fader", "after-fader"],
        "where it is listened to: before switch and fader, or after fader and pan",
    ),
    states(Key::BusListen, Scope::Bus, "listen", OFF_ON, "on brings the bus to the outputs that listen"),
    states(
        Key::OutputListen,
        Scope::Output,
        "listen",
        OFF_ON,
        "on lets what is listened to take the place of its source; headphones and loudspeakers only",
    ),
    states(Key::OutputDim, Scope::Output, "dim", OFF_ON, "on takes 20 dB off; headphones and loudspeakers only"),
    states(
        Key::OutputMono,
        Scope::Output,
        "mono",
        OFF_ON,
        "on brings half of each side to both; headphones and loudspeakers only",
    ),
    states(
        Key::ChannelSolo,
        Scope::Channel,
        "solo-in-place",
        OFF_ON,
        "on closes all channels that have it not; refused while any bus is on air, and ended when one goes",
    ),
    states(
        Key::ChannelCough,
        Scope::Channel,
        "cough",
        OFF_ON,
        "on closes the channel for a moment; its tally stays lit",
    ),
    Parameter {
        key: Key::TalkbackLevel,
        scope: Scope::Talkback,
        word: "level",
        further: None,
        domain: Domain::Number { unit: Unit::Decibels, lowest: -24.0, highest: 24.0, off: false },
        default: "0.0",
        taper: Taper::Linear,
        glide: Glide::OnePole { ms: 10 },
        summary: "gain of the talkback microphone",
    },
    Parameter {
        further: Some(Scope::Bus),
        ..states(
            Key::TalkbackTo,
            Scope::Talkback,
            "to",
            OFF_ON,
            "on speaks to that bus, and takes 20 dB off what else it carries",
        )
    },
    states(Key::TalkbackAll, Scope::Talkback, "all", OFF_ON, "on speaks to all its buses"),
    states(Key::TalkbackSlate, Scope::Talkback, "slate", OFF_ON, "on speaks onto its slate buses, which may be on air"),
    states(
        Key::TalkbackLatch,
        Scope::Talkback,
        "latch",
        OFF_ON,
        "on, while a key is held, holds it when it is let go: until it is pressed again, or for 30 s",
    ),
    states(
        Key::TalkbackTally,
        Scope::Talkback,
        "tally",
        DARK_LIVE,
        "said by the desk: live while it speaks into a room or onto a slate bus",
    ),
    states(
        Key::ChannelStart,
        Scope::Channel,
        "start",
        OFF_ON,
        "on sends a start pulse to the channel's source, and is off again",
    ),
    states(
        Key::BusTone,
        Scope::Bus,
        "tone",
        &["off", "on", "on-air"],
        "1 kHz at -18 dBFS with its left side interrupted, for 60 s; a bus on air takes only on-air, which confirms it",
    ),
    Parameter {
        key: Key::DeskListening,
        scope: Scope::Desk,
        word: "listening",
        further: None,
        domain: Domain::Number { unit: Unit::Count, lowest: 0.0, highest: 512.0, off: false },
        default: "0.0",
        taper: Taper::Linear,
        glide: Glide::OnePole { ms: 10 },
        summary: "said by the desk: how many channels and buses are listened to",
    },
    states(Key::DeskListenClear, Scope::Desk, "listen-clear", OFF_ON, "on ends all listening, and is off again"),
    states(
        Key::DeskPanic,
        Scope::Desk,
        "panic",
        &["none", "close-microphones", "safe-mix", "fallback"],
        "the rung of the ladder that was taken last; none takes none",
    ),
    states(
        Key::DeskLock,
        Scope::Desk,
        "lock",
        OFF_ON,
        "on lets the panel do nothing but close microphones, cough, take a rung of the panic ladder, and unlock",
    ),
    Parameter {
        key: Key::DeskLockAfter,
        scope: Scope::Desk,
        word: "lock-after",
        further: None,
        domain: Domain::Number { unit: Unit::Minutes, lowest: 1.0, highest: 240.0, off: true },
        default: "off",
        taper: Taper::Linear,
        glide: Glide::OnePole { ms: 10 },
        summary: "locks the panel when nobody used a control for so long and no bus is on air",
    },
    states(
        Key::DeskNovice,
        Scope::Desk,
        "novice",
        OFF_ON,
        "on lets the panel raise channel faders to 0 dB at most, and move no route, no bus or output level and no solo",
    ),
    states(
        Key::DeskRestore,
        Scope::Desk,
        "restore",
        OFF_ON,
        "on brings back the mix that the profile starts with, switches apart, and is off again",
    ),
    states(
        Key::ContactPulse,
        Scope::Contact,
        "pulse",
        OFF_ON,
        "on makes one pulse of a contact that has pulse_ms, and is off again",
    ),
    states(
        Key::ContactState,
        Scope::Contact,
        "state",
        &["open", "closed"],
        "how a contact stands that is for no pulses; the lamp and the mute of a room follow its microphones alone",
    ),
];
