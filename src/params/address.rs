//! Names of parameters: one grammar for files (dots) and for OSC (slashes).

use super::{Key, Scope, TABLE};
use std::fmt;

/// The name of one parameter of one thing: `channel.lectern.fader`.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Address {
    /// Which parameter.
    pub key: Key,
    /// Whose: the id of the channel, bus or output; empty for the desk itself.
    pub id: Box<str>,
    /// The further id of a parameter that has one: the bus of `channel.ID.assign.BUS`.
    pub further: Option<Box<str>>,
}

/// Why a text is no address.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum AddressError {
    /// The first word is no scope.
    UnknownScope(String),
    /// The id is missing or not written as ids are.
    BadId(String),
    /// The scope has no parameter of this name; the nearest, if one is near.
    UnknownParameter {
        /// The word found.
        found: String,
        /// The nearest word of the scope.
        nearest: Option<&'static str>,
    },
    /// Too few or too many words.
    WrongLength,
}

impl fmt::Display for AddressError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::UnknownScope(found) => {
                let scopes: Vec<&str> = Scope::ALL.into_iter().map(Scope::word).collect();
                write!(f, "\"{found}\" is not one of {}", scopes.join(", "))
            }
            Self::BadId(found) => {
                write!(f, "\"{found}\" is no id: lower-case letters, digits and single hyphens, 1 to 40")
            }
            Self::UnknownParameter { found, nearest: Some(nearest) } => {
                write!(f, "no parameter \"{found}\"; the nearest is \"{nearest}\"")
            }
            Self::UnknownParameter { found, nearest: None } => write!(f, "no parameter \"{found}\""),
            Self::WrongLength => f.write_str("an address is SCOPE.ID.PARAMETER, or channel.ID.assign.BUS"),
        }
    }
}

impl std::error::Error for AddressError {}

/// Whether a text can be an id: lower-case letters, digits and single hyphens between them, 1 to 40 characters.
#[must_use]
pub fn is_id(text: &str) -> bool {
    (1..=40).contains(&text.len())
        && text
            .split('-')
            .all(|part| !part.is_empty() && part.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit()))
}

/// The id for a name as people write it.
#[must_use]
pub fn id_of(name: &str) -> String {
    let lower: String =
        name.chars().map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '-' }).collect();
    let mut id = lower.split('-').filter(|part| !part.is_empty()).collect::<Vec<_>>().join("-");
    // The longest id is 40 long.
    id.truncate(32);
    if id.ends_with('-') {
        id.pop();
    }
    id
}

impl Address {
    /// The address of a parameter that has no further id.
    #[must_use]
    pub fn new(key: Key, id: &str) -> Self {
        Self { key, id: id.into(), further: None }
    }

    /// The address of a parameter that has a further id.
    #[must_use]
    pub fn with_further(key: Key, id: &str, further: &str) -> Self {
        Self { key, id: id.into(), further: Some(further.into()) }
    }

    /// Reads `channel.lectern.fader`.
    ///
    /// # Errors
    /// What is wrong with the text. Whether the id exists is for the desk to say.
    pub fn from_dotted(text: &str) -> Result<Self, AddressError> {
        Self::from_words(text.split('.'))
    }

    /// Reads `/channel/lectern/fader`.
    ///
    /// # Errors
    /// As [`Address::from_dotted`].
    pub fn from_osc(text: &str) -> Result<Self, AddressError> {
        Self::from_words(text.strip_prefix('/').unwrap_or(text).split('/'))
    }

    fn from_words<'a>(mut words: impl Iterator<Item = &'a str>) -> Result<Self, AddressError> {
        let first = words.next().unwrap_or_default();
        let scope = Scope::ALL
            .into_iter()
            .find(|scope| scope.word() == first)
            .ok_or_else(|| AddressError::UnknownScope(first.to_owned()))?;
        let id = if scope == Scope::Desk { "" } else { words.next().ok_or(AddressError::WrongLength)? };
        if scope != Scope::Desk && !is_id(id) {
            return Err(AddressError::BadId(id.to_owned()));
        }
        let rest: Vec<&str> = words.collect();
        let of_scope = || TABLE.iter().filter(|row| row.scope == scope);
        let row = of_scope().find(|row| {
            let mut rest = rest.iter();
            row.word.split('.').all(|word| rest.next() == Some(&word))
        });
        let Some(row) = row else {
            // Half the way to a value of a stage is too short; any other word is none.
            let [word, ..] = &*rest else { return Err(AddressError::WrongLength) };
            let of_stage = of_scope().any(|row| row.word.split_once('.').is_some_and(|(stage, _)| stage == *word));
            let found = if of_stage { rest.join(".") } else { (*word).to_owned() };
            let nearest = nearest(&found, of_scope().map(|row| row.word));
            return Err(AddressError::UnknownParameter { found, nearest });
        };
        let mut behind = rest.into_iter().skip(row.word.split('.').count());
        let further = behind.next();
        if behind.next().is_some() {
            return Err(AddressError::WrongLength);
        }
        match (row.further, further) {
            (None, None) => Ok(Self::new(row.key, id)),
            (Some(_), Some(further)) if is_id(further) => Ok(Self::with_further(row.key, id, further)),
            (Some(_), Some(further)) => Err(AddressError::BadId(further.to_owned())),
            _ => Err(AddressError::WrongLength),
        }
    }

    fn words(&self) -> impl Iterator<Item = &str> {
        let row = self.key.parameter();
        let id = Some(&*self.id).filter(|id| !id.is_empty());
        [row.scope.word()].into_iter().chain(id).chain(row.word.split('.')).chain(self.further.as_deref())
    }

    /// The OSC form, `/channel/lectern/fader`.
    #[must_use]
    pub fn to_osc(&self) -> String {
        self.words().fold(String::new(), |text, word| text + "/" + word)
    }
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, word) in self.words().enumerate() {
            if index > 0 {
                f.write_str(".")?;
            }
            f.write_str(word)?;
        }
        Ok(())
    }
}

/// What somebody may mean who typed this, the likeliest first, and whether it fits: that very name, or names that have all
/// its words, or words that begin so, in this order (`lectern.fader`, `lec fad`). What does not fit is only like it.
pub fn meant<'a>(typed: &str, names: impl Iterator<Item = &'a str> + Clone) -> (Vec<&'a str>, bool) {
    const LIKE: usize = 5;
    let typed = typed.trim().trim_matches('/').replace('/', ".").to_ascii_lowercase();
    if let Some(name) = names.clone().find(|name| *name == typed) {
        return (vec![name], true);
    }
    let wanted: Vec<&str> = typed.split(['.', ' ']).filter(|word| !word.is_empty()).collect();
    let count = |name: &str| name.split('.').count();
    let fitting = |same: fn(&str, &str) -> bool| {
        let fits = |name: &&str| {
            let mut words = name.split('.');
            !wanted.is_empty() && wanted.iter().all(|wanted| words.any(|word| same(word, wanted)))
        };
        let mut found: Vec<&str> = names.clone().filter(fits).collect();
        found.sort_by_key(|name| count(name));
        found
    };
    let mut whole = fitting(|word, wanted| word == wanted);
    if let [first, second, ..] = whole[..]
        && count(first) < count(second)
    {
        whole.truncate(1);
    }
    if !whole.is_empty() {
        return (whole, true);
    }
    let begun = fitting(|word, wanted| word.starts_with(wanted));
    if !begun.is_empty() {
        return (begun, true);
    }
    let mut like: Vec<(f64, &str)> = names.map(|name| (strsim::jaro_winkler(&typed, name), name)).collect();
    like.retain(|(likeness, _)| *likeness > 0.6);
    like.sort_by(|a, b| b.0.total_cmp(&a.0));
    (like.into_iter().take(LIKE).map(|(_, name)| name).collect(), false)
}

/// The nearest of the candidates to what was written, when it is near enough to be what was meant.
pub fn nearest<'a>(found: &str, candidates: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    candidates
        .map(|candidate| (strsim::jaro_winkler(found, candidate), candidate))
        .filter(|(likeness, _)| *likeness > 0.75)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, candidate)| candidate)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_read_and_write_alike_with_dots_and_slashes() {
        for text in [
            "channel.lectern.fader",
            "bus.programme.fader",
            "channel.guest-2.assign.audition",
            "output.feed.level",
            "channel.lectern.equaliser.low-mid.frequency",
            "desk.panic",
            "talkback.producer.to.foldback",
        ] {
            let address = Address::from_dotted(text).expect(text);
            assert_eq!(address.to_string(), text);
            assert_eq!(Address::from_osc(&address.to_osc()).as_ref(), Ok(&address));
        }
    }

    #[test]
    fn what_somebody_typed_is_completed_or_answered_with_what_is_like_it() {
        let names =
            ["channel.lectern.fader", "channel.lectern.trim", "channel.lectern.gate.switch", "channel.lectern.switch"];
        let of = |typed: &str| meant(typed, names.into_iter());
        for (typed, name) in [
            ("channel.lectern.fader", "channel.lectern.fader"),
            ("/channel/lectern/fader", "channel.lectern.fader"),
            ("lectern fader", "channel.lectern.fader"),
            ("lec fad", "channel.lectern.fader"),
            ("lectern.switch", "channel.lectern.switch"),
        ] {
            assert_eq!(of(typed), (vec![name], true), "{typed}");
        }
        assert_eq!(of("lectern").0.len(), 4);
        let (like, fits) = of("chanel.lecturn.fadr");
        assert_eq!((like.first(), fits), (Some(&"channel.lectern.fader"), false));
        assert_eq!(of("").0, Vec::<&str>::new());
        assert!(!of("zzz").1);
    }

    #[test]
    fn a_wrong_word_is_answered_with_the_nearest() {
        assert_eq!(
            Address::from_dotted("channel.lectern.fadr"),
            Err(AddressError::UnknownParameter { found: "fadr".into(), nearest: Some("fader") })
        );
        for bad in [
            "",
            "channel",
            "channel.x",
            "channel.X.fader",
            "channel.a--b.fader",
            "lane.a.fader",
            "channel.a.fader.b",
            "channel.a.assign",
            "channel.a.fader.b.c",
            "channel.a.equaliser",
            "channel.a.equaliser.low",
            "channel.a.equaliser.low.gain.x",
            "output.a.equaliser.low.gain",
        ] {
            assert!(Address::from_dotted(bad).is_err(), "{bad}");
        }
    }
}
