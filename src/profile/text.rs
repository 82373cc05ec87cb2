//! From TOML text to a tree with the place of every key and value. The one file that knows the `toml` crate.
//!
//! The parser recovers after most mistakes, so that all of them can be reported at once.

use super::diagnostic::Code;
use super::log::{Log, Place};
use std::collections::BTreeMap;
use toml::de::{DeTable, DeValue};

/// Files of more bytes are refused unread.
pub const FILE_BYTES_MAX: usize = 4 * 1024 * 1024;

/// No file of ours nests deeper; the bound keeps what walks a tree from running out of stack.
const DEPTH_MAX: usize = 16;

/// What the parser says of a key that stands twice.
const DUPLICATE: &str = "duplicate key";

/// A table as it was written.
pub(super) type Tree = BTreeMap<String, Node>;

/// A key with its value.
#[derive(Clone, Debug)]
pub(super) struct Node {
    pub(super) key_at: Place,
    pub(super) at: Place,
    pub(super) value: Raw,
}

/// A value as it was written.
#[derive(Clone, Debug)]
pub(super) enum Raw {
    Text(String),
    Whole(i64),
    Number(f64),
    Flag(bool),
    List(Vec<Node>),
    Table(Tree),
    /// A date, or a number that no 64 bits hold.
    Other(&'static str),
}

impl Raw {
    /// What it is, in words.
    pub(super) fn name(&self) -> &'static str {
        match self {
            Self::Text(_) => "a text",
            Self::Whole(_) => "a whole number",
            Self::Number(_) => "a number",
            Self::Flag(_) => "true or false",
            Self::List(_) => "a list",
            Self::Table(_) => "a table",
            Self::Other(name) => name,
        }
    }
}

/// Reads a text that the log has taken; what is not TOML is noted there.
pub(super) fn parse(index: usize, log: &mut Log) -> Tree {
    let text = log.text_of(index);
    if text.len() > FILE_BYTES_MAX {
        let place = Place { text: index, start: 0, end: 0 };
        let label = format!("{} bytes; accepted: up to {FILE_BYTES_MAX}", text.len());
        log.syntax(Code::F10, place, "the file is too large", label, true)
            .help("this is hardly a file of this desk; check the path");
        return Tree::new();
    }
    let (table, errors) = DeTable::parse_recoverable(&text);
    let tree = lower_table(index, table.get_ref(), DEPTH_MAX);
    let mut errors: Vec<_> =
        errors.into_iter().map(|error| (error.span().unwrap_or(0..0), error.message().to_owned())).collect();
    errors.sort_by_key(|(span, _)| span.start);
    let headers = if errors.iter().any(|(_, message)| message == DUPLICATE) { headers(&text) } else { Vec::new() };
    let mut line_end = None;
    for (span, message) in errors {
        let place = Place { text: index, start: span.start.min(text.len()), end: span.end.min(text.len()) };
        // One broken line is one mistake, whatever the parser stumbles over while it recovers.
        if message != DUPLICATE && line_end.is_some_and(|end| place.start <= end) {
            continue;
        }
        if log.full(index) {
            log.one_more(index);
            continue;
        }
        line_end = text[place.start..].find('\n').map_or(Some(text.len()), |feed| Some(place.start + feed));
        note_error(&text, &tree, &headers, place, &message, log);
    }
    tree
}

/// Reads a value from outside a file: as TOML where it is, else as a text. `start` is where it stands in its text.
pub(super) fn parse_value(index: usize, value: &str, start: usize) -> Raw {
    let whole = Place { text: index, start, end: start + value.len() };
    let mut raw = match DeValue::parse(value) {
        Ok(parsed) => lower_value(index, parsed.get_ref(), whole, DEPTH_MAX),
        Err(_) => Raw::Text(value.to_owned()),
    };
    shift(&mut raw, whole);
    raw
}

/// Whatever lies inside a value from outside a file is said to stand where the whole value stands.
fn shift(raw: &mut Raw, whole: Place) {
    let nodes: Vec<&mut Node> = match raw {
        Raw::List(nodes) => nodes.iter_mut().collect(),
        Raw::Table(tree) => tree.values_mut().collect(),
        _ => Vec::new(),
    };
    for node in nodes {
        (node.key_at, node.at) = (whole, whole);
        shift(&mut node.value, whole);
    }
}

fn lower_table(index: usize, table: &DeTable<'_>, depth: usize) -> Tree {
    table
        .iter()
        .map(|(key, value)| {
            let place = |span: std::ops::Range<usize>| Place { text: index, start: span.start, end: span.end };
            let (key_at, at) = (place(key.span()), place(value.span()));
            let value = lower_value(index, value.get_ref(), at, depth);
            (key.get_ref().to_string(), Node { key_at, at, value })
        })
        .collect()
}

fn lower_value(index: usize, value: &DeValue<'_>, at: Place, depth: usize) -> Raw {
    let Some(depth) = depth.checked_sub(1) else { return Raw::Other("nested too deep") };
    match value {
        DeValue::String(text) => Raw::Text(text.to_string()),
        DeValue::Integer(whole) => {
            i64::from_str_radix(whole.as_str(), whole.radix()).map_or(Raw::Other("a number too large"), Raw::Whole)
        }
        DeValue::Float(number) => number.as_str().parse().map_or(Raw::Other("no number"), Raw::Number),
        DeValue::Boolean(flag) => Raw::Flag(*flag),
        DeValue::Datetime(_) => Raw::Other("a date or time"),
        DeValue::Array(list) => Raw::List(
            list.iter()
                .map(|item| {
                    let place = Place { text: at.text, start: item.span().start, end: item.span().end };
                    Node { key_at: place, at: place, value: lower_value(index, item.get_ref(), place, depth) }
                })
                .collect(),
        ),
        DeValue::Table(table) => Raw::Table(lower_table(index, table, depth)),
    }
}

/// Turns one error of the parser into ours.
fn note_error(text: &str, tree: &Tree, headers: &[Header], place: Place, message: &str, log: &mut Log) {
    if message == DUPLICATE {
        let key = log.found(place);
        let first = first_of(text, tree, headers, place);
        let note =
            log.syntax(Code::F02, place, &format!("\"{key}\" stands twice"), "this one is the second".into(), false);
        if let Some(first) = first {
            note.also(first, "the first stands here");
        }
        note.help("keep one of the two");
        return;
    }
    // Mistakes inside one value leave the rest of the file readable.
    let local = ["string values must be quoted", "`_` may only", "unexpected leading zero"]
        .iter()
        .any(|start| message.starts_with(start));
    let (label, help) = if message.starts_with("string values must be quoted") {
        let label =
            format!("{}; accepted: a text in quotes, a number, true or false, a list, a table", log.found(place));
        (label, "write numbers bare and words in quotes, one value to a line: switch = \"open\"")
    } else {
        (message.replace('`', "'"), "check the brackets, quotes and commas here")
    };
    log.syntax(Code::F01, place, "this is not TOML", label, !local).help(help);
}

/// Where the first of two equal keys or tables stands.
fn first_of(text: &str, tree: &Tree, headers: &[Header], second: Place) -> Option<Place> {
    let line_start = text[..second.start].rfind('\n').map_or(0, |feed| feed + 1);
    let before = &headers[..headers.partition_point(|header| header.line_start < line_start)];
    if let Some(this) = headers.get(before.len()).filter(|header| header.line_start == line_start) {
        let first = before.iter().find(|earlier| earlier.path == this.path)?;
        let line = text[first.line_start..].lines().next().unwrap_or_default();
        let indent = line.len() - line.trim_start().len();
        let (start, end) = (first.line_start + indent, first.line_start + line.trim_end().len());
        return Some(Place { text: second.text, start, end });
    }
    // The table that the second key is in, then the same key in it, or below it when the key is dotted.
    let mut table = tree;
    for word in before.last().map(|header| &*header.path).unwrap_or_default() {
        match &table.get(word)?.value {
            Raw::Table(inner) => table = inner,
            _ => return None,
        }
    }
    let mut first = None;
    find_before(table, text.get(second.start..second.end)?, second.start, &mut first);
    first
}

fn find_before(table: &Tree, key: &str, before: usize, found: &mut Option<Place>) {
    for (name, node) in table {
        let place = node.key_at;
        if name == key.trim_matches('"') && place.start < before && found.is_none_or(|found| found.start < place.start)
        {
            *found = Some(place);
        }
        if let Raw::Table(inner) = &node.value {
            find_before(inner, key, before, found);
        }
    }
}

/// A line that opens a table.
struct Header {
    line_start: usize,
    path: Vec<String>,
}

fn headers(text: &str) -> Vec<Header> {
    let mut line_start = 0;
    let mut headers = Vec::new();
    for line in text.split_inclusive('\n') {
        headers.extend(header_path(line).map(|path| Header { line_start, path }));
        line_start += line.len();
    }
    headers
}

fn header_path(line: &str) -> Option<Vec<String>> {
    if !line.trim_start().starts_with('[') {
        return None;
    }
    let parsed = DeTable::parse(line).ok()?;
    let mut path = Vec::new();
    let mut table = parsed.get_ref();
    while let Some((key, value)) = table.iter().next() {
        path.push(key.get_ref().to_string());
        match value.get_ref() {
            DeValue::Table(inner) => table = inner,
            _ => break,
        }
    }
    Some(path)
}
