//! Whether a packet is sound, from its bytes alone.
//!
//! The rules are the syntax of the OpenSoundControl Specification 1.0, read strictly, and bounds of ours.
//! A packet with one fault anywhere is refused whole. Every refusal has a word, so that it can be counted
//! and shown by reason.

use super::TimeTag;
use crate::params::{is_pattern, well_formed_pattern as well_formed};
use std::fmt;
use std::ops::Range;

/// The longest packet, in bytes.
pub const PACKET_BYTES_MAX: usize = 4096;
/// How deep bundles may lie in bundles; a bundle in none is at depth 1.
pub const BUNDLE_DEPTH_MAX: usize = 4;
/// The most messages and bundles in one packet.
pub const ELEMENTS_MAX: usize = 256;
/// The most arguments of one message.
pub const ARGUMENTS_MAX: usize = 512;
/// The longest address, in bytes.
pub const ADDRESS_BYTES_MAX: usize = 255;

const BUNDLE: &[u8; 8] = b"#bundle\0";

/// Why a packet is refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Refusal {
    /// No bytes at all.
    Empty,
    /// More than [`PACKET_BYTES_MAX`] bytes.
    TooLong,
    /// Its length is not a multiple of four.
    Length,
    /// Bundles deeper than [`BUNDLE_DEPTH_MAX`].
    Depth,
    /// More than [`ELEMENTS_MAX`] messages and bundles.
    Elements,
    /// A bundle cut short, or an element whose size does not fit into it.
    ElementSize,
    /// A bundle due before the bundle it lies in.
    TimeOrder,
    /// An address that does not start with a slash, is not printable, does not end or is too long.
    Address,
    /// An address pattern that is not well formed.
    Pattern,
    /// Padding that is not zero.
    Padding,
    /// Bytes after the address that are no type tag string, or one that does not end.
    TypeTags,
    /// A type tag that OSC 1.0 does not know.
    UnknownTag,
    /// An array, which no parameter takes.
    Array,
    /// More than [`ARGUMENTS_MAX`] arguments.
    Arguments,
    /// Less data than the type tags promise.
    DataShort,
    /// More data than the type tags promise.
    DataLeft,
    /// A text that is not UTF-8, or a character that is none.
    Text,
    /// A NaN, an infinity, or a number too large for 32 bits.
    Number,
}

impl Refusal {
    /// Every reason, in order of the enum.
    pub const ALL: [Self; 18] = [
        Self::Empty,
        Self::TooLong,
        Self::Length,
        Self::Depth,
        Self::Elements,
        Self::ElementSize,
        Self::TimeOrder,
        Self::Address,
        Self::Pattern,
        Self::Padding,
        Self::TypeTags,
        Self::UnknownTag,
        Self::Array,
        Self::Arguments,
        Self::DataShort,
        Self::DataLeft,
        Self::Text,
        Self::Number,
    ];

    /// The word that logs and counters use; it never changes.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Empty => "empty",
            Self::TooLong => "too-long",
            Self::Length => "length",
            Self::Depth => "depth",
            Self::Elements => "elements",
            Self::ElementSize => "element-size",
            Self::TimeOrder => "time-order",
            Self::Address => "address",
            Self::Pattern => "pattern",
            Self::Padding => "padding",
            Self::TypeTags => "type-tags",
            Self::UnknownTag => "unknown-tag",
            Self::Array => "array",
            Self::Arguments => "arguments",
            Self::DataShort => "data-short",
            Self::DataLeft => "data-left",
            Self::Text => "text",
            Self::Number => "number",
        }
    }
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Empty => "the packet is empty",
            Self::TooLong => "the packet is longer than 4,096 bytes",
            Self::Length => "the packet's length is not a multiple of four",
            Self::Depth => "bundles lie more than four deep",
            Self::Elements => "more than 256 messages and bundles in one packet",
            Self::ElementSize => "a bundle is cut short or an element does not fit into it",
            Self::TimeOrder => "a bundle is due before the bundle it lies in",
            Self::Address => "an address must start with a slash, be printable and end within 255 bytes",
            Self::Pattern => "an address pattern is not well formed",
            Self::Padding => "padding is not zero",
            Self::TypeTags => "there is no type tag string where one should be",
            Self::UnknownTag => "a type tag is unknown",
            Self::Array => "arrays are not accepted",
            Self::Arguments => "more than 512 arguments",
            Self::DataShort => "there is less data than the type tags promise",
            Self::DataLeft => "there is more data than the type tags promise",
            Self::Text => "a text is not UTF-8",
            Self::Number => "a number is not finite or too large",
        })
    }
}

impl std::error::Error for Refusal {}

/// One message of a sound packet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Part<'a> {
    /// Which group it belongs to: groups are numbered as their bundles begin. A bundle without messages of
    /// its own has a number too.
    pub group: usize,
    /// When the group is due.
    pub time: TimeTag,
    /// The message's own bytes, already found sound.
    pub message: &'a [u8],
}

/// Whether a packet is sound. Never recurses deeper than [`BUNDLE_DEPTH_MAX`], never allocates.
///
/// # Errors
/// The first fault found.
pub fn scan(packet: &[u8]) -> Result<(), Refusal> {
    walk(packet, &mut |_| ())
}

/// As [`scan`], and shows each message as soon as it was found sound; a later one may still not be.
///
/// # Errors
/// The first fault found.
pub fn walk<'a>(packet: &'a [u8], visit: &mut dyn FnMut(Part<'a>)) -> Result<(), Refusal> {
    if packet.is_empty() {
        return Err(Refusal::Empty);
    }
    if packet.len() > PACKET_BYTES_MAX {
        return Err(Refusal::TooLong);
    }
    if !packet.len().is_multiple_of(4) {
        return Err(Refusal::Length);
    }
    Walk { elements: 0, groups: 0, visit }.element(packet, 0, None)
}

struct Walk<'v, 'a> {
    elements: usize,
    groups: usize,
    visit: &'v mut dyn FnMut(Part<'a>),
}

impl<'a> Walk<'_, 'a> {
    /// One message or bundle that fills `bytes`, whose length is a multiple of four and not 0; `outer` is
    /// the group and time of the bundle around it.
    fn element(&mut self, bytes: &'a [u8], depth: usize, outer: Option<(usize, TimeTag)>) -> Result<(), Refusal> {
        self.elements += 1;
        if self.elements > ELEMENTS_MAX {
            return Err(Refusal::Elements);
        }
        if let Some(rest) = bytes.strip_prefix(BUNDLE) {
            return self.bundle(rest, depth + 1, outer);
        }
        message(bytes)?;
        let (group, time) = outer.unwrap_or((0, TimeTag::IMMEDIATE));
        (self.visit)(Part { group, time, message: bytes });
        Ok(())
    }

    fn bundle(&mut self, bytes: &'a [u8], depth: usize, outer: Option<(usize, TimeTag)>) -> Result<(), Refusal> {
        if depth > BUNDLE_DEPTH_MAX {
            return Err(Refusal::Depth);
        }
        let (time, mut rest) = bytes.split_first_chunk::<8>().ok_or(Refusal::ElementSize)?;
        let time = TimeTag(u64::from_be_bytes(*time));
        if outer.is_some_and(|(_, outer)| time < outer) {
            return Err(Refusal::TimeOrder);
        }
        let group = self.groups;
        self.groups += 1;
        while !rest.is_empty() {
            let (size, after) = rest.split_first_chunk::<4>().ok_or(Refusal::ElementSize)?;
            let size = u32::from_be_bytes(*size) as usize;
            if size == 0 || !size.is_multiple_of(4) || size > after.len() {
                return Err(Refusal::ElementSize);
            }
            let (element, after) = after.split_at(size);
            self.element(element, depth, Some((group, time)))?;
            rest = after;
        }
        Ok(())
    }
}

/// Where the type tags stand in a message that was found sound, without the comma; nothing when it has no
/// type tag string.
#[must_use]
pub fn type_tags(message: &[u8]) -> Option<Range<usize>> {
    let (_, after) = string(message).ok()?;
    let comma = message.len() - after.len();
    let (tags, _) = string(after).ok()?;
    Some(comma + 1..comma + tags.len())
}

/// A string and what follows its padding. The length of `bytes` is a multiple of four.
fn string(bytes: &[u8]) -> Result<(&[u8], &[u8]), Unended> {
    let end = bytes.iter().position(|byte| *byte == 0).ok_or(Unended::NoEnd)?;
    let (padded, after) = bytes.split_at(end / 4 * 4 + 4);
    if padded[end..].iter().any(|byte| *byte != 0) { Err(Unended::Padding) } else { Ok((&bytes[..end], after)) }
}

enum Unended {
    NoEnd,
    Padding,
}

impl Unended {
    /// The refusal, given what a missing end means here.
    fn refusal(self, no_end: Refusal) -> Refusal {
        match self {
            Self::NoEnd => no_end,
            Self::Padding => Refusal::Padding,
        }
    }
}

fn message(bytes: &[u8]) -> Result<(), Refusal> {
    if bytes[0] != b'/' {
        return Err(Refusal::Address);
    }
    let (address, after) = string(bytes).map_err(|fault| fault.refusal(Refusal::Address))?;
    let printable = address.iter().all(|byte| byte.is_ascii_graphic() && *byte != b'#');
    if !printable || address.len() > ADDRESS_BYTES_MAX {
        return Err(Refusal::Address);
    }
    let address = str::from_utf8(address).map_err(|_| Refusal::Address)?;
    if (is_pattern(address) || address.contains([',', ']', '}'])) && !well_formed(address) {
        return Err(Refusal::Pattern);
    }
    // Old senders leave the type tag string out: without arguments that is no harm (OSC 1.0).
    if after.is_empty() {
        return Ok(());
    }
    if after[0] != b',' {
        return Err(Refusal::TypeTags);
    }
    let (tags, mut data) = string(after).map_err(|fault| fault.refusal(Refusal::TypeTags))?;
    let tags = &tags[1..];
    if tags.len() > ARGUMENTS_MAX {
        return Err(Refusal::Arguments);
    }
    for tag in tags {
        data = argument(*tag, data)?;
    }
    if data.is_empty() { Ok(()) } else { Err(Refusal::DataLeft) }
}

/// Checks one argument and gives the data after it.
fn argument(tag: u8, data: &[u8]) -> Result<&[u8], Refusal> {
    match tag {
        b'T' | b'F' | b'N' | b'I' => Ok(data),
        b'i' | b'r' | b'm' => Ok(four(data)?.1),
        b't' => Ok(eight(data)?.1),
        b'f' => {
            let (bytes, after) = four(data)?;
            if f32::from_be_bytes(bytes).is_finite() { Ok(after) } else { Err(Refusal::Number) }
        }
        b'd' => {
            let (bytes, after) = eight(data)?;
            #[expect(clippy::cast_possible_truncation, reason = "too large becomes an infinity and is refused")]
            let rounded = f64::from_be_bytes(bytes) as f32;
            if rounded.is_finite() { Ok(after) } else { Err(Refusal::Number) }
        }
        b'h' => {
            let (bytes, after) = eight(data)?;
            i32::try_from(i64::from_be_bytes(bytes)).map(|_| after).map_err(|_| Refusal::Number)
        }
        b'c' => {
            let (bytes, after) = four(data)?;
            // A zero could not stand in the text that it becomes.
            let code = u32::from_be_bytes(bytes);
            char::from_u32(code).filter(|_| code != 0).map(|_| after).ok_or(Refusal::Text)
        }
        b's' | b'S' => {
            let (text, after) = string(data).map_err(|fault| fault.refusal(Refusal::DataShort))?;
            str::from_utf8(text).map(|_| after).map_err(|_| Refusal::Text)
        }
        b'b' => {
            let (size, after) = four(data)?;
            let size = u32::from_be_bytes(size) as usize;
            // Padded to four; the lengths here are small enough that nothing overflows.
            if size > after.len() {
                return Err(Refusal::DataShort);
            }
            let (blob, after) = after.split_at(size.next_multiple_of(4));
            if blob[size..].iter().any(|byte| *byte != 0) { Err(Refusal::Padding) } else { Ok(after) }
        }
        b'[' | b']' => Err(Refusal::Array),
        _ => Err(Refusal::UnknownTag),
    }
}

fn four(data: &[u8]) -> Result<([u8; 4], &[u8]), Refusal> {
    data.split_first_chunk().map(|(bytes, after)| (*bytes, after)).ok_or(Refusal::DataShort)
}

fn eight(data: &[u8]) -> Result<([u8; 8], &[u8]), Refusal> {
    data.split_first_chunk().map(|(bytes, after)| (*bytes, after)).ok_or(Refusal::DataShort)
}
