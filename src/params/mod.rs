//! The one table of every parameter, and the names that reach it.
//!
//! OSC, the profile, the panel, the journal and `longthrow params` all read [`TABLE`]; nothing else knows
//! a range, a unit, a default or a glide. A parameter of one channel is named by an [`Address`]:
//! `channel.lectern.fader` in files, `/channel/lectern/fader` over OSC, the same words in both.

mod address;
mod law;

pub use address::{Address, AddressError, is_id, nearest};
pub use law::{FADER_OFF_BELOW, FADER_ON_ABOVE, Law, house_fader, house_fader_travel};

use crate::units::Decibels;
use std::fmt;

/// What a parameter belongs to: the first word of its address.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Scope {
    /// One source's path through the desk.
    Channel,
    /// A sum of channels.
    Bus,
    /// A place where sound leaves the desk, described in the rig.
    Output,
}

impl Scope {
    /// All scopes, in signal order.
    pub const ALL: [Self; 3] = [Self::Channel, Self::Bus, Self::Output];

    /// The first word of an address.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Channel => "channel",
            Self::Bus => "bus",
            Self::Output => "output",
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
    /// `channel.ID.polarity`
    ChannelPolarity,
    /// `channel.ID.switch`
    ChannelSwitch,
    /// `channel.ID.fader`
    ChannelFader,
    /// `channel.ID.pan`
    ChannelPan,
    /// `channel.ID.pan-law`
    ChannelPanLaw,
    /// `channel.ID.assign.BUS`
    ChannelAssign,
    /// `bus.ID.fader`
    BusFader,
    /// `bus.ID.leveller`
    BusLeveller,
    /// `bus.ID.leveller-range`
    BusLevellerRange,
    /// `output.ID.source`
    OutputSource,
    /// `output.ID.level`
    OutputLevel,
    /// `output.ID.ceiling`
    OutputCeiling,
}

/// What a number means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unit {
    /// dB, of gain or below full scale.
    Decibels,
    /// -1 left to +1 right.
    Position,
    /// Loudness.
    Lufs,
}

impl Unit {
    /// How the unit is written after a number.
    #[must_use]
    pub const fn symbol(self) -> &'static str {
        match self {
            Self::Decibels => "dB",
            Self::Position => "",
            Self::Lufs => "LUFS",
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
    /// The id of a bus of the profile.
    BusId,
}

/// How a travel from 0 to 1 becomes a value.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Taper {
    /// The house fader law of [`house_fader`].
    Fader,
    /// Straight from the lowest to the highest.
    Linear,
    /// The words in order, each an equal part of the travel.
    Steps,
    /// No travel sets it.
    None,
}

/// How the sound follows a change; the time is the one the desk promises.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Glide {
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

/// One row of the table.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Parameter {
    /// The row's own name.
    pub key: Key,
    /// What it belongs to.
    pub scope: Scope,
    /// The word after the id.
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

/// Every parameter of the desk, in signal order.
pub static TABLE: &[Parameter] = &[
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
        glide: Glide::OnePole { ms: 1_700 },
        summary: "the loudness that a slow gain before the outputs brings the bus to; off goes back to 0 dB",
    },
    Parameter {
        key: Key::BusLevellerRange,
        scope: Scope::Bus,
        word: "leveller-range",
        further: None,
        domain: Domain::Number { unit: Unit::Decibels, lowest: 0.0, highest: 15.0, off: false },
        default: "6.0",
        taper: Taper::Linear,
        glide: Glide::OnePole { ms: 1_700 },
        summary: "how far the leveller may go either way",
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
        summary: "highest true peak that leaves (dBTP), by a limiter that delays by 1.6 ms; off has neither",
    },
];

impl Key {
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
            (Domain::InputId | Domain::BusId, Value::Word(word)) => is_id(word).then(|| value.clone()),
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
            Domain::BusId => "the id of a bus of the profile".to_owned(),
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
