//! Address patterns of OSC 1.0: `?`, `*`, `[a-z]`, `[!a-z]` and `{one,other}`, none of which crosses a slash.

/// Whether an address says more than one name.
#[must_use]
pub fn is_pattern(address: &str) -> bool {
    address.contains(['?', '*', '[', '{'])
}

/// A well-formed address pattern (a plain address is one too).
///
/// Matching follows every possibility at once, so its time is bounded by the length of the pattern times
/// that of the address, whatever stars the pattern has.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Pattern {
    text: String,
    parts: Vec<Vec<Token>>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
enum Token {
    Byte(u8),
    Any,
    Star,
    /// Which of the 128 characters fit.
    Set(u128),
    Alternatives(Vec<String>),
}

impl Pattern {
    /// Reads a pattern. Returns nothing when it is not well formed: it does not start with a slash, a
    /// bracket or brace is not closed, empty or holds what it may not, a range runs backwards, or a
    /// character is not allowed in addresses.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        let parts = text.strip_prefix('/')?.split('/').map(|part| Tokens(part).collect()).collect::<Option<_>>()?;
        Some(Self { text: text.to_owned(), parts })
    }

    /// The pattern as it was written.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.text
    }

    /// Whether an address is one of those meant.
    #[must_use]
    pub fn matches(&self, address: &str) -> bool {
        let Some(address) = address.strip_prefix('/') else { return false };
        let mut names = address.split('/');
        self.parts.iter().all(|part| names.next().is_some_and(|name| part_matches(part, name.as_bytes())))
            && names.next().is_none()
    }
}

/// As [`Pattern::parse`], without keeping anything but short lists of alternatives.
#[must_use]
pub fn well_formed(text: &str) -> bool {
    text.strip_prefix('/').is_some_and(|rest| rest.split('/').all(|part| Tokens(part).all(|token| token.is_some())))
}

/// The tokens of one part; nothing, and then the end, where it is not well formed.
struct Tokens<'a>(&'a str);

impl Iterator for Tokens<'_> {
    type Item = Option<Token>;

    fn next(&mut self) -> Option<Self::Item> {
        let first = *self.0.as_bytes().first()?;
        let read = match first {
            b'[' => enclosed(self.0, ']').and_then(|(inside, length)| Some((Token::Set(set(inside)?), length))),
            b'{' => enclosed(self.0, '}').and_then(|(inside, length)| Some((alternatives(inside)?, length))),
            b'?' => Some((Token::Any, 1)),
            b'*' => Some((Token::Star, 1)),
            plain => name_byte(plain).then_some((Token::Byte(plain), 1)),
        };
        self.0 = read.as_ref().map_or("", |(_, length)| &self.0[*length..]);
        Some(read.map(|(token, _)| token))
    }
}

/// What stands between the first character and the next `close`, and how long the whole is.
fn enclosed(text: &str, close: char) -> Option<(&str, usize)> {
    let end = text.find(close)?;
    Some((&text[1..end], end + 1))
}

/// Whether OSC 1.0 allows this character in a name.
fn name_byte(byte: u8) -> bool {
    byte.is_ascii_graphic() && !b"#*,/?[]{}".contains(&byte)
}

fn set(inside: &str) -> Option<u128> {
    let (inside, negated) = inside.strip_prefix('!').map_or((inside, false), |rest| (rest, true));
    let bytes = inside.as_bytes();
    if bytes.is_empty() || !bytes.iter().all(|byte| name_byte(*byte)) {
        return None;
    }
    let mut set = 0_u128;
    let mut at = 0;
    while at < bytes.len() {
        // A minus between two characters makes a range, anywhere else it means itself.
        let (low, high, length) = match bytes[at..] {
            [low, b'-', high, ..] => (low, high, 3),
            [only, ..] => (only, only, 1),
            [] => break,
        };
        if low > high {
            return None;
        }
        set |= (low..=high).fold(0, |set, byte| set | 1 << byte);
        at += length;
    }
    Some(if negated { !set } else { set })
}

fn alternatives(inside: &str) -> Option<Token> {
    let sound = inside.bytes().all(|byte| byte == b',' || name_byte(byte));
    (sound && !inside.is_empty()).then(|| Token::Alternatives(inside.split(',').map(str::to_owned).collect()))
}

fn part_matches(part: &[Token], name: &[u8]) -> bool {
    // Which lengths of the name's start the tokens so far can cover.
    let mut covered = vec![false; name.len() + 1];
    covered[0] = true;
    for token in part {
        let mut next = vec![false; name.len() + 1];
        let mut reach = |length: usize, text: &[u8]| {
            if name[length..].starts_with(text) {
                next[length + text.len()] = true;
            }
        };
        let starts = covered.iter().enumerate().filter_map(|(length, covered)| covered.then_some(length));
        match token {
            Token::Star => {
                let first = covered.iter().position(|covered| *covered).unwrap_or(next.len());
                next[first..].fill(true);
            }
            Token::Byte(byte) => starts.for_each(|length| reach(length, &[*byte])),
            Token::Any => starts.filter(|length| *length < name.len()).for_each(|length| next[length + 1] = true),
            Token::Set(set) => starts
                .filter(|length| name.get(*length).is_some_and(|byte| *byte < 128 && set >> byte & 1 == 1))
                .for_each(|length| next[length + 1] = true),
            Token::Alternatives(texts) => {
                starts.for_each(|length| texts.iter().for_each(|text| reach(length, text.as_bytes())));
            }
        }
        covered = next;
    }
    covered[name.len()]
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Cases made from the five matching rules of OpenSoundControl Specification 1.0 (check values H.pattern).
    #[test]
    fn patterns_match_as_the_specification_says() {
        for (pattern, address, expected) in [
            ("/tone/1/gain", "/tone/1/gain", true),
            ("/tone/?/gain", "/tone/1/gain", true),
            ("/tone/??/gain", "/tone/12/gain", true),
            ("/tone/*/gain", "/tone/12/gain", true),
            ("/*/gain", "/tone/1/gain", false),
            ("/*/*/gain", "/tone/1/gain", true),
            ("/tone/1/gain*", "/tone/1/gain", true),
            ("/tone/[1-3]/gain", "/tone/2/gain", true),
            ("/tone/[!1-3]/gain", "/tone/4/gain", true),
            ("/tone/[!1-3]/gain", "/tone/2/gain", false),
            ("/tone/[1-]/gain", "/tone/-/gain", true),
            ("/tone/[a!]/gain", "/tone/!/gain", true),
            ("/tone/{1,12}/gain", "/tone/2/gain", false),
            ("/{tone,second}/1/{gain,pitch}", "/second/1/pitch", true),
            ("/TONE/1/gain", "/tone/1/gain", false),
            ("/tone/1", "/tone/1/gain", false),
            ("/second/[1-2]", "/second/2", true),
            ("/?/b/*c", "/a/b/cde", false),
            ("/tone/*1*/gain", "/tone/21/gain", true),
            ("/tone/**/gain", "/tone/1/gain", true),
        ] {
            let parsed = Pattern::parse(pattern).expect(pattern);
            assert_eq!(parsed.matches(address), expected, "{pattern} against {address}");
        }
    }

    /// The forbidden characters are those of OpenSoundControl Specification 1.0 (check values H.names.forbidden).
    #[test]
    fn what_is_not_well_formed_is_no_pattern() {
        for bad in [
            "", "a", "/[", "/[]", "/[!]", "/a]", "/{", "/{}", "/a}", "/{a/b}", "/[a/b]", "/[z-a]", "/{a*}", "/[{a}]",
            "/a,b", "/a b", "/a#", "/\u{e9}", "/{a,{b}}",
        ] {
            assert!(Pattern::parse(bad).is_none() && !well_formed(bad), "{bad}");
        }
        assert!(is_pattern("/a/{b,c}") && !is_pattern("/a/b-c"));
    }

    /// A matcher that goes back over every star takes longer than the universe for this one.
    #[test]
    fn many_stars_take_no_time() {
        let pattern = Pattern::parse(&format!("/{}b", "*a".repeat(100))).expect("well formed");
        assert!(!pattern.matches(&format!("/{}", "a".repeat(250))));
        assert!(pattern.matches(&format!("/{}b", "a".repeat(250))));
    }

    /// The five rules of the specification once more, in the plainest words, for short texts.
    fn slow(part: &[u8], name: &[u8]) -> bool {
        match part {
            [] => name.is_empty(),
            [b'*', rest @ ..] => (0..=name.len()).any(|length| slow(rest, &name[length..])),
            [b'?', rest @ ..] => !name.is_empty() && slow(rest, &name[1..]),
            [b'{', inside @ ..] => {
                let end = inside.iter().position(|byte| *byte == b'}').expect("closed");
                inside[..end]
                    .split(|byte| *byte == b',')
                    .any(|text| name.starts_with(text) && slow(&inside[end + 1..], &name[text.len()..]))
            }
            [b'[', inside @ ..] => {
                let end = inside.iter().position(|byte| *byte == b']').expect("closed");
                let Some((first, others)) = name.split_first() else { return false };
                let fits = match &inside[..end] {
                    [b'!', listed @ ..] => !listed.contains(first),
                    listed => listed.contains(first),
                };
                fits && slow(&inside[end + 1..], others)
            }
            [byte, rest @ ..] => name.first() == Some(byte) && slow(rest, &name[1..]),
        }
    }

    proptest! {
        #[test]
        fn the_matcher_agrees_with_the_plainest_one(
            part in proptest::collection::vec(
                prop_oneof!["[ab]", Just("?".into()), Just("*".into()), Just("{a,ab,}".into()), Just("{b,ba}".into()),
                    Just("[a]".into()), Just("[!a]".into())], 0..7),
            name in "[abc]{0,7}",
        ) {
            let part = part.concat();
            let pattern = Pattern::parse(&format!("/{part}")).expect("well formed");
            prop_assert_eq!(pattern.matches(&format!("/{name}")), slow(part.as_bytes(), name.as_bytes()), "{} {}", part, name);
        }
    }
}
