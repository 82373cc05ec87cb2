//! The one table of every parameter, and the names that reach it.
//!
//! OSC, the profile, the panel, the journal and `longthrow params` all read [`TABLE`]; nothing else knows
//! a range, a unit, a default or a glide. A parameter of one channel is named by an [`Address`]:
//! `channel.lectern.fader` in files, `/channel/lectern/fader` over OSC, the same words in both.

mod address;
mod console;
mod law;
mod pattern;

pub use address::{Address, AddressError, id_of, is_id, meant, nearest};
pub use console::Nature;
pub use law::{FADER_OFF_BELOW, FADER_ON_ABOVE, Law, house_fader, house_fader_travel};
pub use pattern::{Pattern, is_pattern, well_formed as well_formed_pattern};

use crate::units::Decibels;
use std::fmt;

/// What a parameter belongs to: the first word of its address.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Scope {
    /// One source's path through the desk.
    Channel,
    /// A sum of channels.
    Bus,
    /// A control over the gains of several channels; no sound goes through it.
    GainGroup,
    /// A place where sound leaves the desk, described in the rig.
    Output,
    /// A room with microphones, described in the rig.
    Room,
    /// A microphone by which the people at the desk speak to others.
    Talkback,
    /// The desk itself, of which there is one: its addresses have no id.
    Desk,
    /// A contact of a panel node, described in the rig.
    Contact,
}

impl Scope {
    /// All scopes, in signal order.
    pub const ALL: [Self; 8] = [
        Self::Channel,
        Self::Bus,
        Self::GainGroup,
        Self::Output,
        Self::Room,
        Self::Talkback,
        Self::Desk,
        Self::Contact,
    ];

    /// The first word of an address.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Channel => "channel",
            Self::Bus => "bus",
            Self::GainGroup => "gain-group",
            Self::Output => "output",
            Self::Room => "room",
            Self::Talkback => "talkback",
            Self::Desk => "desk",
            Self::Contact => "contact",
        }
    }
}

/// Which parameter of its scope: the index of the row in [`TABLE`], given a name.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Key {
    /// `channel.ID.source`
    ChannelSource,
    /// `channel.ID.trim`
    ChannelTrim,
    /// `channel.ID.pad`
    ChannelPad,
    /// `channel.ID.source-b`
    ChannelSourceB,
    /// `channel.ID.trim-b`
    ChannelTrimB,
    /// `channel.ID.pad-b`
    ChannelPadB,
    /// `channel.ID.source-select`
    ChannelSourceSelect,
    /// `channel.ID.polarity`
    ChannelPolarity,
    /// `channel.ID.delay.time`
    ChannelDelayTime,
    /// `channel.ID.delay.frames`
    ChannelDelayFrames,
    /// `channel.ID.delay.frame-rate`
    ChannelDelayFrameRate,
    /// `channel.ID.high-pass.switch`
    ChannelHighPass,
    /// `channel.ID.high-pass.frequency`
    ChannelHighPassFrequency,
    /// `channel.ID.high-pass.slope`
    ChannelHighPassSlope,
    /// `channel.ID.gate.switch`
    ChannelGate,
    /// `channel.ID.gate.threshold`
    ChannelGateThreshold,
    /// `channel.ID.gate.ratio`
    ChannelGateRatio,
    /// `channel.ID.gate.range`
    ChannelGateRange,
    /// `channel.ID.gate.hysteresis`
    ChannelGateHysteresis,
    /// `channel.ID.gate.attack`
    ChannelGateAttack,
    /// `channel.ID.gate.hold`
    ChannelGateHold,
    /// `channel.ID.gate.release`
    ChannelGateRelease,
    /// `channel.ID.equaliser.switch`
    ChannelEqualiser,
    /// `channel.ID.equaliser.low.shape`
    ChannelLowShape,
    /// `channel.ID.equaliser.low.frequency`
    ChannelLowFrequency,
    /// `channel.ID.equaliser.low.gain`
    ChannelLowGain,
    /// `channel.ID.equaliser.low.q`
    ChannelLowQ,
    /// `channel.ID.equaliser.low-mid.shape`
    ChannelLowMidShape,
    /// `channel.ID.equaliser.low-mid.frequency`
    ChannelLowMidFrequency,
    /// `channel.ID.equaliser.low-mid.gain`
    ChannelLowMidGain,
    /// `channel.ID.equaliser.low-mid.q`
    ChannelLowMidQ,
    /// `channel.ID.equaliser.high-mid.shape`
    ChannelHighMidShape,
    /// `channel.ID.equaliser.high-mid.frequency`
    ChannelHighMidFrequency,
    /// `channel.ID.equaliser.high-mid.gain`
    ChannelHighMidGain,
    /// `channel.ID.equaliser.high-mid.q`
    ChannelHighMidQ,
    /// `channel.ID.equaliser.high.shape`
    ChannelHighShape,
    /// `channel.ID.equaliser.high.frequency`
    ChannelHighFrequency,
    /// `channel.ID.equaliser.high.gain`
    ChannelHighGain,
    /// `channel.ID.equaliser.high.q`
    ChannelHighQ,
    /// `channel.ID.compressor.switch`
    ChannelCompressor,
    /// `channel.ID.compressor.threshold`
    ChannelCompressorThreshold,
    /// `channel.ID.compressor.ratio`
    ChannelCompressorRatio,
    /// `channel.ID.compressor.knee`
    ChannelCompressorKnee,
    /// `channel.ID.compressor.attack`
    ChannelCompressorAttack,
    /// `channel.ID.compressor.release`
    ChannelCompressorRelease,
    /// `channel.ID.compressor.gain`
    ChannelCompressorGain,
    /// `channel.ID.order`
    ChannelOrder,
    /// `channel.ID.de-esser.switch`
    ChannelDeEsser,
    /// `channel.ID.de-esser.frequency`
    ChannelDeEsserFrequency,
    /// `channel.ID.de-esser.threshold`
    ChannelDeEsserThreshold,
    /// `channel.ID.de-esser.range`
    ChannelDeEsserRange,
    /// `channel.ID.switch`
    ChannelSwitch,
    /// `channel.ID.fader`
    ChannelFader,
    /// `channel.ID.pan`
    ChannelPan,
    /// `channel.ID.pan-law`
    ChannelPanLaw,
    /// `channel.ID.width`
    ChannelWidth,
    /// `channel.ID.mono`
    ChannelMono,
    /// `channel.ID.assign.BUS`
    ChannelAssign,
    /// `channel.ID.send.level.BUS`
    ChannelSendLevel,
    /// `channel.ID.send.point.BUS`
    ChannelSendPoint,
    /// `channel.ID.send.pan.BUS`
    ChannelSendPan,
    /// `channel.ID.sharing.group`
    ChannelSharingGroup,
    /// `channel.ID.sharing.switch`
    ChannelSharing,
    /// `channel.ID.sharing.priority`
    ChannelSharingPriority,
    /// `channel.ID.ducking.under`
    ChannelDuckingUnder,
    /// `channel.ID.ducking.difference`
    ChannelDuckingDifference,
    /// `channel.ID.ducking.depth`
    ChannelDuckingDepth,
    /// `channel.ID.ducking.attack`
    ChannelDuckingAttack,
    /// `channel.ID.ducking.hold`
    ChannelDuckingHold,
    /// `channel.ID.ducking.release`
    ChannelDuckingRelease,
    /// `bus.ID.equaliser.switch`
    BusEqualiser,
    /// `bus.ID.equaliser.low.shape`
    BusLowShape,
    /// `bus.ID.equaliser.low.frequency`
    BusLowFrequency,
    /// `bus.ID.equaliser.low.gain`
    BusLowGain,
    /// `bus.ID.equaliser.low.q`
    BusLowQ,
    /// `bus.ID.equaliser.low-mid.shape`
    BusLowMidShape,
    /// `bus.ID.equaliser.low-mid.frequency`
    BusLowMidFrequency,
    /// `bus.ID.equaliser.low-mid.gain`
    BusLowMidGain,
    /// `bus.ID.equaliser.low-mid.q`
    BusLowMidQ,
    /// `bus.ID.equaliser.high-mid.shape`
    BusHighMidShape,
    /// `bus.ID.equaliser.high-mid.frequency`
    BusHighMidFrequency,
    /// `bus.ID.equaliser.high-mid.gain`
    BusHighMidGain,
    /// `bus.ID.equaliser.high-mid.q`
    BusHighMidQ,
    /// `bus.ID.equaliser.high.shape`
    BusHighShape,
    /// `bus.ID.equaliser.high.frequency`
    BusHighFrequency,
    /// `bus.ID.equaliser.high.gain`
    BusHighGain,
    /// `bus.ID.equaliser.high.q`
    BusHighQ,
    /// `bus.ID.compressor.switch`
    BusCompressor,
    /// `bus.ID.compressor.threshold`
    BusCompressorThreshold,
    /// `bus.ID.compressor.ratio`
    BusCompressorRatio,
    /// `bus.ID.compressor.knee`
    BusCompressorKnee,
    /// `bus.ID.compressor.attack`
    BusCompressorAttack,
    /// `bus.ID.compressor.release`
    BusCompressorRelease,
    /// `bus.ID.compressor.gain`
    BusCompressorGain,
    /// `bus.ID.assign.BUS`
    BusAssign,
    /// `bus.ID.fader`
    BusFader,
    /// `bus.ID.leveller`
    BusLeveller,
    /// `bus.ID.leveller-range`
    BusLevellerRange,
    /// `bus.ID.leveller-window`
    BusLevellerWindow,
    /// `bus.ID.leveller-floor`
    BusLevellerFloor,
    /// `bus.ID.leveller-speed`
    BusLevellerSpeed,
    /// `bus.ID.meter`
    BusMeter,
    /// `bus.ID.ducking.under`
    BusDuckingUnder,
    /// `bus.ID.ducking.difference`
    BusDuckingDifference,
    /// `bus.ID.ducking.depth`
    BusDuckingDepth,
    /// `bus.ID.ducking.attack`
    BusDuckingAttack,
    /// `bus.ID.ducking.hold`
    BusDuckingHold,
    /// `bus.ID.ducking.release`
    BusDuckingRelease,
    /// `gain-group.ID.switch`
    GroupSwitch,
    /// `gain-group.ID.fader`
    GroupFader,
    /// `output.ID.source`
    OutputSource,
    /// `output.ID.level`
    OutputLevel,
    /// `output.ID.ceiling`
    OutputCeiling,
    /// `output.ID.delay`
    OutputDelay,
    /// `output.ID.meter`
    OutputMeter,
    /// `channel.ID.tally`
    ChannelTally,
    /// `bus.ID.air`
    BusAir,
    /// `bus.ID.rehearsal`
    BusRehearsal,
    /// `bus.ID.tally`
    BusTally,
    /// `output.ID.muted`
    OutputMuted,
    /// `room.ID.tally`
    RoomTally,
    /// `channel.ID.listen`
    ChannelListen,
    /// `channel.ID.listen-point`
    ChannelListenPoint,
    /// `bus.ID.listen`
    BusListen,
    /// `output.ID.listen`
    OutputListen,
    /// `output.ID.dim`
    OutputDim,
    /// `output.ID.mono`
    OutputMono,
    /// `channel.ID.solo-in-place`
    ChannelSolo,
    /// `channel.ID.cough`
    ChannelCough,
    /// `talkback.ID.level`
    TalkbackLevel,
    /// `talkback.ID.to.BUS`
    TalkbackTo,
    /// `talkback.ID.all`
    TalkbackAll,
    /// `talkback.ID.slate`
    TalkbackSlate,
    /// `talkback.ID.latch`
    TalkbackLatch,
    /// `talkback.ID.tally`
    TalkbackTally,
    /// `channel.ID.start`
    ChannelStart,
    /// `bus.ID.tone`
    BusTone,
    /// `desk.listening`
    DeskListening,
    /// `desk.listen-clear`
    DeskListenClear,
    /// `desk.panic`
    DeskPanic,
    /// `desk.lock`
    DeskLock,
    /// `desk.lock-after`
    DeskLockAfter,
    /// `desk.novice`
    DeskNovice,
    /// `desk.restore`
    DeskRestore,
    /// `contact.ID.pulse`
    ContactPulse,
    /// `contact.ID.state`
    ContactState,
}

/// What a number means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unit {
    /// dB, of gain or below full scale.
    Decibels,
    /// -1 left to +1 right.
    Position,
    /// Hz.
    Hertz,
    /// ms.
    Milliseconds,
    /// A bare factor: a Q, or a ratio.
    Factor,
    /// Minutes.
    Minutes,
    /// How many.
    Count,
    /// Loudness.
    Lufs,
    /// A difference of loudness.
    LoudnessUnits,
    /// s.
    Seconds,
    /// dB in a second.
    DecibelsPerSecond,
}

impl Unit {
    /// How the unit is written after a number.
    #[must_use]
    pub const fn symbol(self) -> &'static str {
        match self {
            Self::Decibels => "dB",
            Self::Position | Self::Factor | Self::Count => "",
            Self::Hertz => "Hz",
            Self::Milliseconds => "ms",
            Self::Minutes => "min",
            Self::Lufs => "LUFS",
            Self::LoudnessUnits => "LU",
            Self::Seconds => "s",
            Self::DecibelsPerSecond => "dB/s",
        }
    }
}

/// The values a parameter accepts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Domain {
    /// A number, and the word `off` where there is a true off.
    Number {
        /// What the number means.
        unit: Unit,
        /// The lowest accepted.
        lowest: f32,
        /// The highest accepted.
        highest: f32,
        /// Whether the word `off` is accepted.
        off: bool,
    },
    /// One of these words.
    Words(&'static [&'static str]),
    /// The id of an input of the rig.
    InputId,
    /// The id of an input of the rig, or `off`.
    SecondInputId,
    /// The id of a bus of the profile.
    BusId,
    /// The id of a sharing group, which is there as soon as somebody is in it; or `off`.
    SharingGroup,
}

/// How a travel from 0 to 1 becomes a value.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Taper {
    /// The house fader law of [`house_fader`].
    Fader,
    /// Straight from the lowest to the highest.
    Linear,
    /// Equal ways for equal ratios, from the lowest to the highest.
    Logarithmic,
    /// The words in order, each an equal part of the travel.
    Steps,
    /// No travel sets it.
    None,
}

/// How the sound follows a change; the time is the one the desk promises.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Glide {
    /// Nothing is to be heard of it.
    None,
    /// A one-pole with this time constant.
    OnePole {
        /// Time constant in ms.
        ms: u32,
    },
    /// A smooth ramp, slower on the way up than down.
    Ramp {
        /// Time to open in ms.
        up_ms: u32,
        /// Time to close in ms.
        down_ms: u32,
    },
    /// The new beside the old, one ramp against the other.
    CrossFade {
        /// Time in ms.
        ms: u32,
    },
}

/// The meters that a bus or output can be shown on.
const METERS: &[&str] =
    &["peak", "rms", "quasi-peak-i", "quasi-peak-iia", "quasi-peak-iib", "vu", "ebu-plus-9", "ebu-plus-18"];

/// One row of the table.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Parameter {
    /// The row's own name.
    pub key: Key,
    /// What it belongs to.
    pub scope: Scope,
    /// The word after the id; several with dots between them for a value of a stage, `equaliser.low-mid.gain`.
    pub word: &'static str,
    /// What the further word after it names, where there is one.
    pub further: Option<Scope>,
    /// The values it accepts.
    pub domain: Domain,
    /// What it is when nobody says otherwise, as it would be written in a profile; empty where there is no default.
    pub default: &'static str,
    /// How a travel becomes a value.
    pub taper: Taper,
    /// How the sound follows.
    pub glide: Glide,
    /// What it does, in one line.
    pub summary: &'static str,
}

const OFF_ON: &[&str] = &["off", "on"];
const SHAPES: &[&str] = &["bell", "shelf", "pass", "notch"];

/// How the values of stages glide.
const STAGE_GLIDE: Glide = Glide::OnePole { ms: 10 };
/// How a leveller follows what is asked of it, by its own slow gain.
const LEVELLER_GLIDE: Glide = Glide::OnePole { ms: 1_700 };

/// How gains that are taken from others glide when somebody changes what they hang on.
const SHARING_GLIDE: Glide = Glide::OnePole { ms: 5 };

/// A row of a stage whose values are words.
const fn words(
    key: Key,
    scope: Scope,
    word: &'static str,
    words: &'static [&'static str],
    default: &'static str,
    summary: &'static str,
) -> Parameter {
    let domain = Domain::Words(words);
    Parameter { key, scope, word, further: None, domain, default, taper: Taper::Steps, glide: STAGE_GLIDE, summary }
}

/// Which meter a bus or output is shown on.
const fn meter(key: Key, scope: Scope) -> Parameter {
    let summary = "the meter that the terminal shows of it; all of them can be followed all the time";
    Parameter { glide: Glide::None, ..words(key, scope, "meter", METERS, "peak", summary) }
}

/// A row of a stage whose value is a number.
#[expect(clippy::too_many_arguments, reason = "the columns of a table")]
const fn number(
    key: Key,
    scope: Scope,
    word: &'static str,
    unit: Unit,
    [lowest, highest]: [f32; 2],
    default: &'static str,
    taper: Taper,
    summary: &'static str,
) -> Parameter {
    let domain = Domain::Number { unit, lowest, highest, off: false };
    Parameter { key, scope, word, further: None, domain, default, taper, glide: STAGE_GLIDE, summary }
}

/// The keys of one band of an equaliser.
#[derive(Clone, Copy, Debug)]
pub struct BandKeys {
    /// Its shape.
    pub shape: Key,
    /// Its frequency.
    pub frequency: Key,
    /// Its gain.
    pub gain: Key,
    /// Its Q.
    pub q: Key,
}

/// The keys of a compressor.
#[derive(Clone, Copy, Debug)]
pub struct CompressorKeys {
    /// Whether it is on.
    pub switch: Key,
    /// Its threshold.
    pub threshold: Key,
    /// Its ratio.
    pub ratio: Key,
    /// Its knee.
    pub knee: Key,
    /// Its attack.
    pub attack: Key,
    /// Its release.
    pub release: Key,
    /// The gain after it.
    pub gain: Key,
}

/// The keys of whoever makes room for voices.
#[derive(Clone, Copy, Debug)]
pub struct DuckingKeys {
    /// Under which sharing group.
    pub under: Key,
    /// How far below the voice.
    pub difference: Key,
    /// How far down at most.
    pub depth: Key,
    /// Its attack.
    pub attack: Key,
    /// Its hold.
    pub hold: Key,
    /// Its release.
    pub release: Key,
}

/// How a channel makes room for voices.
pub const CHANNEL_DUCKING: DuckingKeys = DuckingKeys {
    under: Key::ChannelDuckingUnder,
    difference: Key::ChannelDuckingDifference,
    depth: Key::ChannelDuckingDepth,
    attack: Key::ChannelDuckingAttack,
    hold: Key::ChannelDuckingHold,
    release: Key::ChannelDuckingRelease,
};
/// How a bus makes room for voices.
pub const BUS_DUCKING: DuckingKeys = DuckingKeys {
    under: Key::BusDuckingUnder,
    difference: Key::BusDuckingDifference,
    depth: Key::BusDuckingDepth,
    attack: Key::BusDuckingAttack,
    hold: Key::BusDuckingHold,
    release: Key::BusDuckingRelease,
};

/// The bands of a channel's equaliser, lowest first.
pub const CHANNEL_BANDS: [BandKeys; 4] = [
    BandKeys {
        shape: Key::ChannelLowShape,
        frequency: Key::ChannelLowFrequency,
        gain: Key::ChannelLowGain,
        q: Key::ChannelLowQ,
    },
    BandKeys {
        shape: Key::ChannelLowMidShape,
        frequency: Key::ChannelLowMidFrequency,
        gain: Key::ChannelLowMidGain,
        q: Key::ChannelLowMidQ,
    },
    BandKeys {
        shape: Key::ChannelHighMidShape,
        frequency: Key::ChannelHighMidFrequency,
        gain: Key::ChannelHighMidGain,
        q: Key::ChannelHighMidQ,
    },
    BandKeys {
        shape: Key::ChannelHighShape,
        frequency: Key::ChannelHighFrequency,
        gain: Key::ChannelHighGain,
        q: Key::ChannelHighQ,
    },
];
/// The compressor of a channel.
pub const CHANNEL_COMPRESSOR: CompressorKeys = CompressorKeys {
    switch: Key::ChannelCompressor,
    threshold: Key::ChannelCompressorThreshold,
    ratio: Key::ChannelCompressorRatio,
    knee: Key::ChannelCompressorKnee,
    attack: Key::ChannelCompressorAttack,
    release: Key::ChannelCompressorRelease,
    gain: Key::ChannelCompressorGain,
};

/// The bands of a bus's equaliser, lowest first.
pub const BUS_BANDS: [BandKeys; 4] = [
    BandKeys { shape: Key::BusLowShape, frequency: Key::BusLowFrequency, gain: Key::BusLowGain, q: Key::BusLowQ },
    BandKeys {
        shape: Key::BusLowMidShape,
        frequency: Key::BusLowMidFrequency,
        gain: Key::BusLowMidGain,
        q: Key::BusLowMidQ,
    },
    BandKeys {
        shape: Key::BusHighMidShape,
        frequency: Key::BusHighMidFrequency,
        gain: Key::BusHighMidGain,
        q: Key::BusHighMidQ,
    },
    BandKeys { shape: Key::BusHighShape, frequency: Key::BusHighFrequency, gain: Key::BusHighGain, q: Key::BusHighQ },
];
/// The compressor of a bus.
pub const BUS_COMPRESSOR: CompressorKeys = CompressorKeys {
    switch: Key::BusCompressor,
    threshold: Key::BusCompressorThreshold,
    ratio: Key::BusCompressorRatio,
    knee: Key::BusCompressorKnee,
    attack: Key::BusCompressorAttack,
    release: Key::BusCompressorRelease,
    gain: Key::BusCompressorGain,
};

/// One band of an equaliser: the words of its rows, what it is when nobody says otherwise, and which way a shelf goes.
#[derive(Clone, Copy)]
struct Band {
    words: [&'static str; 4],
    shape: &'static str,
    frequency: &'static str,
    shapes: &'static str,
}

const SHAPES_BELOW: &str = "shelf moves all below, pass takes away what is below, notch takes the frequency out";
const SHAPES_ABOVE: &str = "shelf moves all above, pass takes away what is above, notch takes the frequency out";

const LOW: Band = Band {
    words: ["equaliser.low.shape", "equaliser.low.frequency", "equaliser.low.gain", "equaliser.low.q"],
    shape: "shelf",
    frequency: "100.0",
    shapes: SHAPES_BELOW,
};
const LOW_MID: Band = Band {
    words: ["equaliser.low-mid.shape", "equaliser.low-mid.frequency", "equaliser.low-mid.gain", "equaliser.low-mid.q"],
    shape: "bell",
    frequency: "400.0",
    shapes: SHAPES_BELOW,
};
const HIGH_MID: Band = Band {
    words: [
        "equaliser.high-mid.shape",
        "equaliser.high-mid.frequency",
        "equaliser.high-mid.gain",
        "equaliser.high-mid.q",
    ],
    shape: "bell",
    frequency: "2500.0",
    shapes: SHAPES_ABOVE,
};
const HIGH: Band = Band {
    words: ["equaliser.high.shape", "equaliser.high.frequency", "equaliser.high.gain", "equaliser.high.q"],
    shape: "shelf",
    frequency: "8000.0",
    shapes: SHAPES_ABOVE,
};

/// The rows of one band.
const fn band(scope: Scope, keys: BandKeys, band: Band) -> [Parameter; 4] {
    let [shape, frequency, gain, q] = band.words;
    [
        words(keys.shape, scope, shape, SHAPES, band.shape, band.shapes),
        number(
            keys.frequency,
            scope,
            frequency,
            Unit::Hertz,
            [20.0, 20_000.0],
            band.frequency,
            Taper::Logarithmic,
            "where the band works; shelves stay below 14 kHz",
        ),
        number(
            keys.gain,
            scope,
            gain,
            Unit::Decibels,
            [-15.0, 15.0],
            "0.0",
            Taper::Linear,
            "what a bell or shelf adds or takes; at 0 it is out of the way",
        ),
        number(
            keys.q,
            scope,
            q,
            Unit::Factor,
            [0.3, 10.0],
            "0.7",
            Taper::Logarithmic,
            "how narrow; shelves keep to 0.6 to 1.4, passes to 0.5 to 1.5, notches to 0.7 and more",
        ),
    ]
}

/// The rows of an equaliser.
const fn equaliser(scope: Scope, switch: Key, [low, low_mid, high_mid, high]: [BandKeys; 4]) -> [Parameter; 17] {
    joined(&[
        &[words(switch, scope, "equaliser.switch", OFF_ON, "on", "off lets everything past the four bands")],
        &band(scope, low, LOW),
        &band(scope, low_mid, LOW_MID),
        &band(scope, high_mid, HIGH_MID),
        &band(scope, high, HIGH),
    ])
}

/// The rows of a compressor.
const fn compressor(scope: Scope, keys: CompressorKeys) -> [Parameter; 7] {
    [
        words(keys.switch, scope, "compressor.switch", OFF_ON, "off", "on brings loud passages down"),
        number(
            keys.threshold,
            scope,
            "compressor.threshold",
            Unit::Decibels,
            [-60.0, 0.0],
            "-20.0",
            Taper::Linear,
            "level from which it works, peaks against full scale",
        ),
        number(
            keys.ratio,
            scope,
            "compressor.ratio",
            Unit::Factor,
            [1.0, 20.0],
            "3.0",
            Taper::Logarithmic,
            "dB in for each dB out above the threshold",
        ),
        number(
            keys.knee,
            scope,
            "compressor.knee",
            Unit::Decibels,
            [0.0, 24.0],
            "6.0",
            Taper::Linear,
            "width of the bend around the threshold",
        ),
        number(
            keys.attack,
            scope,
            "compressor.attack",
            Unit::Milliseconds,
            [0.1, 250.0],
            "10.0",
            Taper::Logarithmic,
            "time to 63 % of a reduction",
        ),
        number(
            keys.release,
            scope,
            "compressor.release",
            Unit::Milliseconds,
            [10.0, 4000.0],
            "150.0",
            Taper::Logarithmic,
            "time in which 63 % of a reduction is given back",
        ),
        number(
            keys.gain,
            scope,
            "compressor.gain",
            Unit::Decibels,
            [0.0, 24.0],
            "0.0",
            Taper::Linear,
            "gain after it, to make up for the reduction",
        ),
    ]
}

/// Parts of the table as one; they must be `N` rows in all.
const fn joined<const N: usize>(parts: &[&[Parameter]]) -> [Parameter; N] {
    let mut rows = [parts[0][0]; N];
    let (mut part, mut row) = (0, 0);
    while part < parts.len() {
        let mut index = 0;
        while index < parts[part].len() {
            rows[row] = parts[part][index];
            (row, index) = (row + 1, index + 1);
        }
        part += 1;
    }
    assert!(row == N);
    rows
}

/// The rows of music under voice.
const fn ducking(scope: Scope, keys: DuckingKeys) -> [Parameter; 6] {
    let mut under =
        words(keys.under, scope, "ducking.under", OFF_ON, "off", "the sharing group whose voices it makes room for");
    (under.domain, under.taper, under.glide) = (Domain::SharingGroup, Taper::None, SHARING_GLIDE);
    let mut difference = number(
        keys.difference,
        scope,
        "ducking.difference",
        Unit::LoudnessUnits,
        [3.0, 30.0],
        "13.0",
        Taper::Linear,
        "how far below the voices it is brought; off goes down by the whole depth",
    );
    difference.domain = Domain::Number { unit: Unit::LoudnessUnits, lowest: 3.0, highest: 30.0, off: true };
    [
        under,
        difference,
        number(
            keys.depth,
            scope,
            "ducking.depth",
            Unit::Decibels,
            [0.0, 20.0],
            "20.0",
            Taper::Linear,
            "how much is taken off at most",
        ),
        number(
            keys.attack,
            scope,
            "ducking.attack",
            Unit::Milliseconds,
            [10.0, 1000.0],
            "100.0",
            Taper::Logarithmic,
            "time to go down by 63 % when somebody speaks",
        ),
        number(
            keys.hold,
            scope,
            "ducking.hold",
            Unit::Milliseconds,
            [0.0, 5000.0],
            "700.0",
            Taper::Linear,
            "how long it stays down after the last word",
        ),
        number(
            keys.release,
            scope,
            "ducking.release",
            Unit::Milliseconds,
            [50.0, 10_000.0],
            "1500.0",
            Taper::Logarithmic,
            "time to come back by 63 %",
        ),
    ]
}

/// How many rows there are in all parts.
const fn rows(parts: &[&[Parameter]]) -> usize {
    let (mut part, mut rows) = (0, 0);
    while part < parts.len() {
        (part, rows) = (part + 1, rows + parts[part].len());
    }
    rows
}

/// Every parameter of the desk, in signal order.
pub static TABLE: &[Parameter] = &joined::<{ rows(PARTS) }>(PARTS);

const PARTS: &[&[Parameter]] = &[
    CHANNEL_HEAD,
    &equaliser(Scope::Channel, Key::ChannelEqualiser, CHANNEL_BANDS),
    &compressor(Scope::Channel, CHANNEL_COMPRESSOR),
    CHANNEL_TAIL,
    &ducking(Scope::Channel, CHANNEL_DUCKING),
    &equaliser(Scope::Bus, Key::BusEqualiser, BUS_BANDS),
    &compressor(Scope::Bus, BUS_COMPRESSOR),
    BUS_LEVELS,
    &ducking(Scope::Bus, BUS_DUCKING),
    GROUPS_AND_OUTPUTS,
    console::ROWS,
];

/// A channel from its source to its gate.
const CHANNEL_HEAD: &[Parameter] = &[
    Parameter {
        key: Key::ChannelSource,
        scope: Scope::Channel,
        word: "source",
        further: None,
        domain: Domain::InputId,
        default: "",
        taper: Taper::None,
        glide: Glide::CrossFade { ms: 20 },
        summary: "which input of the rig the channel carries",
    },
    Parameter {
        key: Key::ChannelTrim,
        scope: Scope::Channel,
        word: "trim",
        further: None,
        domain: Domain::Number { unit: Unit::Decibels, lowest: -24.0, highest: 24.0, off: false },
        default: "0.0",
        taper: Taper::Linear,
        glide: Glide::OnePole { ms: 10 },
        summary: "gain that brings a source to alignment before anything else",
    },
    words(Key::ChannelPad, Scope::Channel, "pad", OFF_ON, "off", "on takes 20 dB off a source that is far too loud"),
    Parameter {
        key: Key::ChannelSourceB,
        scope: Scope::Channel,
        word: "source-b",
        further: None,
        domain: Domain::SecondInputId,
        default: "off",
        taper: Taper::None,
        glide: Glide::CrossFade { ms: 20 },
        summary: "a second input, which is heard in place of the first while source-select says b",
    },
    Parameter {
        key: Key::ChannelTrimB,
        scope: Scope::Channel,
        word: "trim-b",
        further: None,
        domain: Domain::Number { unit: Unit::Decibels, lowest: -24.0, highest: 24.0, off: false },
        default: "0.0",
        taper: Taper::Linear,
        glide: Glide::OnePole { ms: 10 },
        summary: "the second source's own trim",
    },
    words(Key::ChannelPadB, Scope::Channel, "pad-b", OFF_ON, "off", "on takes 20 dB off the second source"),
    Parameter {
        glide: Glide::CrossFade { ms: 20 },
        ..words(
            Key::ChannelSourceSelect,
            Scope::Channel,
            "source-select",
            &["a", "b"],
            "a",
            "which of the two sources the channel carries; the other is not heard",
        )
    },
    Parameter {
        key: Key::ChannelPolarity,
        scope: Scope::Channel,
        word: "polarity",
        further: None,
        domain: Domain::Words(&["normal", "inverted"]),
        default: "normal",
        taper: Taper::Steps,
        glide: Glide::OnePole { ms: 10 },
        summary: "inverted turns the wave upside down",
    },
    Parameter {
        glide: Glide::CrossFade { ms: 20 },
        ..number(
            Key::ChannelDelayTime,
            Scope::Channel,
            "delay.time",
            Unit::Milliseconds,
            [0.0, 1000.0],
            "0.0",
            Taper::Linear,
            "how much later the source is, rounded to a frame of the engine; with the video frames a second at most",
        )
    },
    Parameter {
        glide: Glide::CrossFade { ms: 20 },
        ..number(
            Key::ChannelDelayFrames,
            Scope::Channel,
            "delay.frames",
            Unit::Factor,
            [0.0, 60.0],
            "0.0",
            Taper::Linear,
            "how many video frames later the source is, besides",
        )
    },
    Parameter {
        glide: Glide::CrossFade { ms: 20 },
        ..number(
            Key::ChannelDelayFrameRate,
            Scope::Channel,
            "delay.frame-rate",
            Unit::Hertz,
            [10.0, 120.0],
            "25.0",
            Taper::Linear,
            "how many video frames a second has; 23.98, 29.97 and 59.94 are 24, 30 and 60 by 1.001",
        )
    },
    words(
        Key::ChannelHighPass,
        Scope::Channel,
        "high-pass.switch",
        OFF_ON,
        "off",
        "on takes rumble and handling noise away",
    ),
    number(
        Key::ChannelHighPassFrequency,
        Scope::Channel,
        "high-pass.frequency",
        Unit::Hertz,
        [20.0, 1000.0],
        "80.0",
        Taper::Logarithmic,
        "where it is 3 dB down",
    ),
    words(
        Key::ChannelHighPassSlope,
        Scope::Channel,
        "high-pass.slope",
        &["12-db", "18-db", "24-db"],
        "12-db",
        "how much it falls per octave below",
    ),
    words(
        Key::ChannelGate,
        Scope::Channel,
        "gate.switch",
        OFF_ON,
        "off",
        "on brings down what is too soft to be meant",
    ),
    number(
        Key::ChannelGateThreshold,
        Scope::Channel,
        "gate.threshold",
        Unit::Decibels,
        [-80.0, 0.0],
        "-50.0",
        Taper::Linear,
        "level at which it opens, peaks against full scale",
    ),
    number(
        Key::ChannelGateRatio,
        Scope::Channel,
        "gate.ratio",
        Unit::Factor,
        [1.0, 100.0],
        "2.0",
        Taper::Logarithmic,
        "dB out for each dB that the closed source is below the threshold: 2 expands, 100 is a gate",
    ),
    number(
        Key::ChannelGateRange,
        Scope::Channel,
        "gate.range",
        Unit::Decibels,
        [0.0, 80.0],
        "10.0",
        Taper::Linear,
        "how far it closes at most",
    ),
    number(
        Key::ChannelGateHysteresis,
        Scope::Channel,
        "gate.hysteresis",
        Unit::Decibels,
        [0.0, 12.0],
        "4.0",
        Taper::Linear,
        "how far below the threshold it closes again",
    ),
    number(
        Key::ChannelGateAttack,
        Scope::Channel,
        "gate.attack",
        Unit::Milliseconds,
        [0.1, 100.0],
        "1.0",
        Taper::Logarithmic,
        "time to open by 63 %",
    ),
    number(
        Key::ChannelGateHold,
        Scope::Channel,
        "gate.hold",
        Unit::Milliseconds,
        [0.0, 2000.0],
        "100.0",
        Taper::Linear,
        "how long it stays open when the source has gone soft",
    ),
    number(
        Key::ChannelGateRelease,
        Scope::Channel,
        "gate.release",
        Unit::Milliseconds,
        [5.0, 4000.0],
        "200.0",
        Taper::Logarithmic,
        "time to close by 63 %",
    ),
];

/// A channel behind its equaliser and compressor.
const CHANNEL_TAIL: &[Parameter] = &[
    words(
        Key::ChannelOrder,
        Scope::Channel,
        "order",
        &["equaliser-first", "compressor-first"],
        "equaliser-first",
        "which of the two the source comes through first",
    ),
    words(Key::ChannelDeEsser, Scope::Channel, "de-esser.switch", OFF_ON, "off", "on softens sharp consonants"),
    number(
        Key::ChannelDeEsserFrequency,
        Scope::Channel,
        "de-esser.frequency",
        Unit::Hertz,
        [2000.0, 12_000.0],
        "6500.0",
        Taper::Logarithmic,
        "middle of the band it listens to and takes from",
    ),
    number(
        Key::ChannelDeEsserThreshold,
        Scope::Channel,
        "de-esser.threshold",
        Unit::Decibels,
        [-60.0, 0.0],
        "-30.0",
        Taper::Linear,
        "level of that band from which it works",
    ),
    number(
        Key::ChannelDeEsserRange,
        Scope::Channel,
        "de-esser.range",
        Unit::Decibels,
        [0.0, 12.0],
        "6.0",
        Taper::Linear,
        "how much it takes at most",
    ),
    Parameter {
        key: Key::ChannelSwitch,
        scope: Scope::Channel,
        word: "switch",
        further: None,
        domain: Domain::Words(&["closed", "open"]),
        default: "closed",
        taper: Taper::Steps,
        glide: Glide::Ramp { up_ms: 20, down_ms: 5 },
        summary: "open lets the channel be heard",
    },
    Parameter {
        key: Key::ChannelFader,
        scope: Scope::Channel,
        word: "fader",
        further: None,
        domain: Domain::Number { unit: Unit::Decibels, lowest: -90.0, highest: 10.0, off: true },
        default: "off",
        taper: Taper::Fader,
        glide: Glide::OnePole { ms: 10 },
        summary: "the channel's level in the mix; off passes nothing",
    },
    Parameter {
        key: Key::ChannelPan,
        scope: Scope::Channel,
        word: "pan",
        further: None,
        domain: Domain::Number { unit: Unit::Position, lowest: -1.0, highest: 1.0, off: false },
        default: "0.0",
        taper: Taper::Linear,
        glide: Glide::OnePole { ms: 10 },
        summary: "left -1 to right +1; on a stereo channel the balance",
    },
    Parameter {
        key: Key::ChannelPanLaw,
        scope: Scope::Channel,
        word: "pan-law",
        further: None,
        domain: Domain::Words(&["equal-power", "compromise", "linear"]),
        default: "equal-power",
        taper: Taper::Steps,
        glide: Glide::OnePole { ms: 10 },
        summary: "-3, -4.5 or -6 dB at the centre; mono channels only",
    },
    number(
        Key::ChannelWidth,
        Scope::Channel,
        "width",
        Unit::Factor,
        [0.0, 2.0],
        "1.0",
        Taper::Linear,
        "0 is the middle alone, 2 doubles what differs between the sides; stereo channels only",
    ),
    words(
        Key::ChannelMono,
        Scope::Channel,
        "mono",
        OFF_ON,
        "off",
        "on puts half of each side on both; stereo channels only",
    ),
    Parameter {
        key: Key::ChannelAssign,
        scope: Scope::Channel,
        word: "assign",
        further: Some(Scope::Bus),
        domain: Domain::Words(&["off", "on"]),
        default: "off",
        taper: Taper::Steps,
        glide: Glide::OnePole { ms: 10 },
        summary: "on sends the channel, after its fader and pan, to that bus",
    },
    Parameter {
        key: Key::ChannelSendLevel,
        scope: Scope::Channel,
        word: "send.level",
        further: Some(Scope::Bus),
        domain: Domain::Number { unit: Unit::Decibels, lowest: -90.0, highest: 10.0, off: true },
        default: "off",
        taper: Taper::Fader,
        glide: Glide::OnePole { ms: 10 },
        summary: "how much of the channel that bus gets besides what is assigned",
    },
    Parameter {
        key: Key::ChannelSendPoint,
        scope: Scope::Channel,
        word: "send.point",
        further: Some(Scope::Bus),
        domain: Domain::Words(&["after-fader", "pre-fader", "input"]),
        default: "after-fader",
        taper: Taper::Steps,
        glide: Glide::OnePole { ms: 10 },
        summary: "where it is taken: pre-fader is behind the switch; input is before it, and only for buses that are off air",
    },
    Parameter {
        key: Key::ChannelSendPan,
        scope: Scope::Channel,
        word: "send.pan",
        further: Some(Scope::Bus),
        domain: Domain::Number { unit: Unit::Position, lowest: -1.0, highest: 1.0, off: false },
        default: "0.0",
        taper: Taper::Linear,
        glide: Glide::OnePole { ms: 10 },
        summary: "left -1 to right +1 on that bus, by the channel's pan law; on a stereo channel the balance",
    },
    Parameter {
        key: Key::ChannelSharingGroup,
        scope: Scope::Channel,
        word: "sharing.group",
        further: None,
        domain: Domain::SharingGroup,
        default: "off",
        taper: Taper::None,
        glide: SHARING_GLIDE,
        summary: "the open microphones among which it shares one gain, behind the fader",
    },
    Parameter {
        glide: SHARING_GLIDE,
        ..words(
            Key::ChannelSharing,
            Scope::Channel,
            "sharing.switch",
            OFF_ON,
            "on",
            "off leaves it its whole gain, and takes nothing from the others of the group",
        )
    },
    Parameter {
        glide: SHARING_GLIDE,
        ..number(
            Key::ChannelSharingPriority,
            Scope::Channel,
            "sharing.priority",
            Unit::Decibels,
            [-12.0, 12.0],
            "0.0",
            Taper::Linear,
            "how much louder it counts than it is, when the gain is shared",
        )
    },
];

/// A bus behind its stages.
const BUS_LEVELS: &[Parameter] = &[
    Parameter {
        key: Key::BusAssign,
        scope: Scope::Bus,
        word: "assign",
        further: Some(Scope::Bus),
        domain: Domain::Words(&["off", "on"]),
        default: "off",
        taper: Taper::Steps,
        glide: Glide::OnePole { ms: 10 },
        summary: "on sends the bus, after its fader, to that bus: this one is a group of it then",
    },
    Parameter {
        key: Key::BusFader,
        scope: Scope::Bus,
        word: "fader",
        further: None,
        domain: Domain::Number { unit: Unit::Decibels, lowest: -90.0, highest: 10.0, off: true },
        default: "0.0",
        taper: Taper::Fader,
        glide: Glide::OnePole { ms: 10 },
        summary: "the level of the whole bus",
    },
    Parameter {
        key: Key::BusLeveller,
        scope: Scope::Bus,
        word: "leveller",
        further: None,
        domain: Domain::Number { unit: Unit::Lufs, lowest: -36.0, highest: -10.0, off: true },
        default: "off",
        taper: Taper::Linear,
        glide: LEVELLER_GLIDE,
        summary: "the loudness that a slow gain before the outputs brings the bus to; off goes back to 0 dB",
    },
    Parameter {
        glide: LEVELLER_GLIDE,
        ..number(
            Key::BusLevellerRange,
            Scope::Bus,
            "leveller-range",
            Unit::Decibels,
            [0.0, 15.0],
            "6.0",
            Taper::Linear,
            "how far the leveller may go either way",
        )
    },
    Parameter {
        glide: LEVELLER_GLIDE,
        ..number(
            Key::BusLevellerWindow,
            Scope::Bus,
            "leveller-window",
            Unit::Seconds,
            // 3 to 10 s is common practice, no source.
            [1.0, 30.0],
            "5.0",
            Taper::Logarithmic,
            "how much of what was heard last, pauses left out, the leveller goes by",
        )
    },
    Parameter {
        glide: LEVELLER_GLIDE,
        ..number(
            Key::BusLevellerFloor,
            Scope::Bus,
            "leveller-floor",
            Unit::Lufs,
            [-70.0, -20.0],
            "-45.0",
            Taper::Linear,
            "below this momentary loudness the leveller stands still",
        )
    },
    Parameter {
        glide: LEVELLER_GLIDE,
        ..number(
            Key::BusLevellerSpeed,
            Scope::Bus,
            "leveller-speed",
            Unit::DecibelsPerSecond,
            [0.1, 3.0],
            "2.8",
            Taper::Logarithmic,
            "how fast the leveller moves at most",
        )
    },
    meter(Key::BusMeter, Scope::Bus),
];

/// Gain groups and outputs.
const GROUPS_AND_OUTPUTS: &[Parameter] = &[
    Parameter {
        key: Key::GroupSwitch,
        scope: Scope::GainGroup,
        word: "switch",
        further: None,
        domain: Domain::Words(&["closed", "open"]),
        default: "open",
        taper: Taper::Steps,
        glide: Glide::Ramp { up_ms: 20, down_ms: 5 },
        summary: "closed closes every member, whatever else would open it",
    },
    Parameter {
        key: Key::GroupFader,
        scope: Scope::GainGroup,
        word: "fader",
        further: None,
        domain: Domain::Number { unit: Unit::Decibels, lowest: -90.0, highest: 10.0, off: true },
        default: "0.0",
        taper: Taper::Fader,
        glide: Glide::OnePole { ms: 10 },
        summary: "added to the fader of every member; off closes them",
    },
    Parameter {
        key: Key::OutputSource,
        scope: Scope::Output,
        word: "source",
        further: None,
        domain: Domain::BusId,
        default: "programme",
        taper: Taper::None,
        glide: Glide::OnePole { ms: 10 },
        summary: "which bus the output carries",
    },
    Parameter {
        key: Key::OutputLevel,
        scope: Scope::Output,
        word: "level",
        further: None,
        domain: Domain::Number { unit: Unit::Decibels, lowest: -90.0, highest: 0.0, off: true },
        default: "0.0",
        taper: Taper::Fader,
        glide: Glide::OnePole { ms: 10 },
        summary: "what the output passes on of its bus",
    },
    Parameter {
        key: Key::OutputCeiling,
        scope: Scope::Output,
        word: "ceiling",
        further: None,
        domain: Domain::Number { unit: Unit::Decibels, lowest: -20.0, highest: 0.0, off: true },
        default: "off",
        taper: Taper::Linear,
        glide: Glide::CrossFade { ms: 20 },
        summary: "highest true peak that leaves (dBTP), by a limiter that delays by 1.8 ms; off has neither",
    },
    Parameter {
        glide: Glide::CrossFade { ms: 20 },
        ..number(
            Key::OutputDelay,
            Scope::Output,
            "delay",
            Unit::Milliseconds,
            [0.0, 1000.0],
            "0.0",
            Taper::Linear,
            "how much later the output is than its bus: to bring sound to its picture, or loudspeakers into line",
        )
    },
    meter(Key::OutputMeter, Scope::Output),
];

impl Key {
    /// Whether this is a value of a stage between trim and fader.
    #[must_use]
    pub fn is_of_a_stage(self) -> bool {
        self == Self::ChannelOrder
            || (self.parameter().word.contains('.') && !self.is_of_a_send() && !self.is_of_sharing())
    }

    /// Whether this decides which input a channel carries.
    #[must_use]
    pub const fn is_of_a_source(self) -> bool {
        matches!(self, Self::ChannelSource | Self::ChannelSourceB | Self::ChannelSourceSelect)
    }

    /// Whether this is a value of a send. There is one for every channel and bus, most of them off: only what differs
    /// from the default is kept.
    #[must_use]
    pub const fn is_of_a_send(self) -> bool {
        matches!(self, Self::ChannelSendLevel | Self::ChannelSendPoint | Self::ChannelSendPan)
    }

    /// Whether this says what a gain takes from other channels.
    #[must_use]
    pub fn is_of_sharing(self) -> bool {
        matches!(self.parameter().word.split_once('.'), Some(("sharing" | "ducking", _)))
    }

    /// The row of this key.
    #[must_use]
    pub fn parameter(self) -> &'static Parameter {
        // The table is in the order of the enum; a test holds the two together.
        &TABLE[self as usize]
    }
}

/// A value of a parameter, as files, wires and people exchange it.
#[derive(Clone, Debug, PartialEq)]
pub enum Value {
    /// A number in the parameter's unit.
    Number(f32),
    /// True off: the fader at its bottom stop.
    Off,
    /// One of the parameter's words, or an id.
    Word(Box<str>),
}

impl Value {
    /// The level a dB parameter stands for.
    #[must_use]
    pub fn decibels(&self) -> Decibels {
        match self {
            Self::Number(db) => Decibels::try_new(*db).unwrap_or(Decibels::SILENCE),
            Self::Off | Self::Word(_) => Decibels::SILENCE,
        }
    }

    /// Whether this is that word.
    #[must_use]
    pub fn is_word(&self, word: &str) -> bool {
        matches!(self, Self::Word(found) if &**found == word)
    }
}

impl fmt::Display for Value {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Number(number) => write!(f, "{number:?}"),
            Self::Off => f.write_str("off"),
            Self::Word(word) => f.write_str(word),
        }
    }
}

/// Why a parameter does not take a value.
#[derive(Clone, Debug, PartialEq)]
pub struct Refused {
    /// The value found.
    pub found: Value,
    /// What the parameter accepts, in words.
    pub accepted: String,
}

impl fmt::Display for Refused {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}; accepted: {}", self.found, self.accepted)
    }
}

impl std::error::Error for Refused {}

impl Parameter {
    /// The value as this parameter keeps it, or why it does not. Ids are taken as they are: only the
    /// desk knows which exist.
    ///
    /// # Errors
    /// NaN, a number outside the range, `off` where there is none, an unknown word, the wrong kind.
    pub fn accept(&self, value: &Value) -> Result<Value, Refused> {
        let taken = match (self.domain, value) {
            (Domain::Number { lowest, highest, .. }, Value::Number(number)) => {
                (*number >= lowest && *number <= highest).then(|| value.clone())
            }
            (Domain::Number { off: true, .. }, Value::Off) => Some(Value::Off),
            (Domain::Number { off: true, .. }, Value::Word(word)) => (&**word == "off").then_some(Value::Off),
            // "off" is also a word of some switches.
            (Domain::Words(words), Value::Off) => words.contains(&"off").then(|| Value::Word("off".into())),
            (Domain::Words(words), Value::Word(word)) => words.contains(&&**word).then(|| value.clone()),
            // Words for "no group" are no names of one.
            (Domain::SharingGroup, Value::Word(word)) if ["none", "no", "on"].contains(&&**word) => None,
            (Domain::InputId | Domain::SecondInputId | Domain::BusId | Domain::SharingGroup, Value::Word(word)) => {
                is_id(word).then(|| value.clone())
            }
            (Domain::SharingGroup | Domain::SecondInputId, Value::Off) => Some(Value::Word("off".into())),
            _ => None,
        };
        taken.ok_or_else(|| Refused { found: value.clone(), accepted: self.accepted() })
    }

    /// The accepted values in words, for diagnostics and for `longthrow params`.
    #[must_use]
    pub fn accepted(&self) -> String {
        match self.domain {
            Domain::Number { unit, lowest, highest, off } => {
                let space = if unit.symbol().is_empty() { "" } else { " " };
                let off = if off { ", or \"off\"" } else { "" };
                format!("{lowest:?} to {highest:+?}{space}{}{off}", unit.symbol())
            }
            Domain::Words(words) => words.iter().map(|word| format!("\"{word}\"")).collect::<Vec<_>>().join(" or "),
            Domain::InputId => "the id of an input of the rig".to_owned(),
            Domain::SecondInputId => "the id of an input of the rig, or \"off\"".to_owned(),
            Domain::BusId => "the id of a bus of the profile".to_owned(),
            Domain::SharingGroup => "the id of a sharing group, or \"off\"".to_owned(),
        }
    }

    /// The default, where there is one.
    #[must_use]
    pub fn default_value(&self) -> Option<Value> {
        match (self.domain, self.default) {
            (_, "") => None,
            (Domain::Number { .. }, "off") => Some(Value::Off),
            (Domain::Number { .. }, number) => number.parse().ok().map(Value::Number),
            (_, word) => Some(Value::Word(word.into())),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_is_in_the_order_of_its_keys_and_accepts_its_own_defaults() {
        for (index, row) in TABLE.iter().enumerate() {
            assert_eq!(row.key as usize, index, "{}", row.word);
            if let Some(default) = row.default_value() {
                assert_eq!(row.accept(&default).as_ref(), Ok(&default), "{}", row.word);
            }
        }
    }

    #[test]
    fn values_outside_the_range_are_refused_with_what_is_accepted() {
        let fader = Key::ChannelFader.parameter();
        for bad in [Value::Number(f32::NAN), Value::Number(f32::INFINITY), Value::Number(10.1), Value::Word("x".into())]
        {
            let refused = fader.accept(&bad).expect_err("out of range");
            assert_eq!(refused.accepted, "-90.0 to +10.0 dB, or \"off\"");
        }
        assert_eq!(fader.accept(&Value::Word("off".into())), Ok(Value::Off));
        assert_eq!(
            Key::ChannelSwitch.parameter().accept(&Value::Number(1.0)).map_err(|e| e.accepted),
            Err("\"closed\" or \"open\"".to_owned())
        );
    }
}
