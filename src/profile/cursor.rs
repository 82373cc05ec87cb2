//! Walking a tree: every key is asked for by name, and what nobody asked for is an unknown key.

use super::diagnostic::Code;
use super::log::{Log, Place};
use super::text::{Node, Raw, Tree};
use crate::params::{self, Law};
use std::fmt::Display;
use std::str::FromStr;

/// Texts longer than this are refused.
const TEXT_CHARACTERS_MAX: usize = 200;

/// Keys of the top of a file, often written below a table by mistake.
const OF_THE_TOP: [&str; 5] = ["form", "kind", "name", "rate_hz", "clock"];

/// A table being read.
#[derive(Debug)]
pub(super) struct Table<'t> {
    tree: &'t Tree,
    /// Its header, for what is missing in it.
    pub(super) at: Place,
    /// What it is, for messages: `input "lectern-mic"`.
    pub(super) what: String,
    asked: Vec<&'static str>,
}

impl<'t> Table<'t> {
    /// The whole of a file.
    pub(super) fn root(tree: &'t Tree, text: usize, what: &str) -> Self {
        Self { tree, at: Place { text, start: 0, end: 0 }, what: what.to_owned(), asked: Vec::new() }
    }

    /// A node that ought to be a table.
    pub(super) fn of(node: &'t Node, what: String, log: &mut Log) -> Option<Self> {
        match &node.value {
            Raw::Table(tree) => Some(Self { tree, at: node.at, what, asked: Vec::new() }),
            _ => {
                wrong_type(node, &what, "a table", log);
                None
            }
        }
    }

    /// The value of a key, if it is there.
    pub(super) fn get(&mut self, key: &'static str) -> Option<&'t Node> {
        self.asked.push(key);
        self.tree.get(key)
    }

    /// The value of a key that has to be there; `accepted` says what it takes.
    pub(super) fn need(&mut self, key: &'static str, accepted: &str, log: &mut Log) -> Option<&'t Node> {
        let node = self.get(key);
        if node.is_none() {
            log.error(Code::F08, self.at, format!("{} has no \"{key}\"", self.what), "nothing found here")
                .help(format!("add a line {key} = ...; accepted: {accepted}"));
        }
        node
    }

    /// The tables below a key, each named by an id, in the order of the file.
    pub(super) fn things(&mut self, key: &'static str, max: usize, log: &mut Log) -> Vec<Thing<'t>> {
        let Some(node) = self.get(key) else { return Vec::new() };
        let Some(tables) = Table::of(node, format!("\"{key}\""), log) else { return Vec::new() };
        let mut things = Vec::new();
        for (id, node) in in_order(tables.tree) {
            if things.len() == max {
                too_many(node.key_at, &format!("[{key}.NAME] tables"), tables.tree.len(), max, log);
                break;
            }
            check_id(id, node.key_at, log);
            if let Some(table) = Table::of(node, format!("{key} \"{id}\""), log) {
                things.push(Thing { id, at: node.key_at, table });
            }
        }
        things
    }

    /// Every key with its value in the order of the file, for tables whose keys are names.
    pub(super) fn entries(&self) -> Vec<(&'t str, &'t Node)> {
        in_order(self.tree)
    }

    /// Complains of every key that was not asked for.
    pub(super) fn finish(self, log: &mut Log) {
        for (key, node) in in_order(self.tree) {
            if self.asked.contains(&key) {
                continue;
            }
            let help = match params::nearest(key, self.asked.iter().copied()) {
                // In TOML a line below a table header belongs to that table.
                _ if OF_THE_TOP.contains(&key) => "move it to the top of the file, above the first [table]".to_owned(),
                Some(nearest) => format!("did you mean \"{nearest}\"?"),
                None => format!("remove it; {} knows {}", self.what, list(self.asked.iter().copied())),
            };
            log.error(Code::F05, node.key_at, format!("{} has no key \"{}\"", self.what, shown(key)), "unknown key")
                .help(help);
        }
    }
}

/// A table named by an id.
#[derive(Debug)]
pub(super) struct Thing<'t> {
    pub(super) id: &'t str,
    pub(super) at: Place,
    pub(super) table: Table<'t>,
}

fn in_order(tree: &Tree) -> Vec<(&str, &Node)> {
    let mut entries: Vec<(&str, &Node)> = tree.iter().map(|(key, node)| (&**key, node)).collect();
    entries.sort_by_key(|(_, node)| node.key_at);
    entries
}

/// A key as a message shows it: without control characters, and not too long.
fn shown(key: &str) -> String {
    key.chars().filter(|character| !character.is_control()).take(60).collect()
}

/// Names with commas: `a, b, c`.
pub(super) fn list<'a>(names: impl Iterator<Item = &'a str>) -> String {
    const NAMES_MAX: usize = 24;
    let mut names: Vec<&str> = names.take(NAMES_MAX + 1).collect();
    if names.is_empty() {
        return "none".to_owned();
    }
    if names.len() > NAMES_MAX {
        names[NAMES_MAX] = "...";
    }
    names.join(", ")
}

/// Refuses a name that does not exist and offers the nearest.
pub(super) fn unknown_name<'a>(
    code: Code,
    place: Place,
    headline: impl Into<String>,
    found: &str,
    known: impl Iterator<Item = &'a str> + Clone,
    log: &mut Log,
) {
    let label = format!("\"{}\"; accepted: {}", shown(found), list(known.clone()));
    let help = match params::nearest(found, known) {
        Some(nearest) => format!("did you mean \"{nearest}\"?"),
        None => "use one of these names, or add it there first".to_owned(),
    };
    log.error(code, place, headline, label).help(help);
}

/// Whether a name is an id; if not, that is noted.
pub(super) fn check_id(id: &str, place: Place, log: &mut Log) -> bool {
    let sound = params::is_id(id);
    if !sound {
        let label = "accepted: lower-case letters, digits and single hyphens, 1 to 40";
        let lower: String =
            id.chars().map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '-' }).collect();
        let better = lower.split('-').filter(|part| !part.is_empty()).collect::<Vec<_>>().join("-");
        let help = if params::is_id(&better) {
            format!("write {better}; a label may look as it likes")
        } else {
            "choose a short name in lower-case words".to_owned()
        };
        log.error(Code::F09, place, format!("\"{}\" is no id", shown(id)), label).help(help);
    }
    sound
}

/// Refuses more entries than the program takes.
pub(super) fn too_many(place: Place, what: &str, found: usize, max: usize, log: &mut Log) {
    log.error(Code::F15, place, format!("too many {what}"), format!("{found}; accepted: up to {max}"))
        .help("this one and those after it are not taken; remove some");
}

fn wrong_type(node: &Node, what: &str, accepted: &str, log: &mut Log) {
    let label = format!("{} ({}); accepted: {accepted}", log.found(node.at), node.value.name());
    let help = match (&node.value, accepted) {
        (Raw::Text(_), "true or false" | "a number" | "a whole number") => "write it without quotes",
        (Raw::Whole(_) | Raw::Number(_) | Raw::Flag(_) | Raw::Other(_), "a text") => "write it in quotes",
        (_, "a table") => "give it a table of its own, with a name and settings in it",
        (_, "a list") => "write it in brackets: [ ... ]",
        _ => "write one of what is accepted",
    };
    log.error(Code::F06, node.at, format!("{what} is of the wrong type"), label).help(help);
}

fn key_name(key: &str) -> String {
    format!("\"{key}\"")
}

/// A text without control characters.
pub(super) fn text(node: &Node, key: &str, log: &mut Log) -> Option<String> {
    let Raw::Text(text) = &node.value else {
        wrong_type(node, &key_name(key), "a text", log);
        return None;
    };
    if text.chars().any(char::is_control) || text.chars().count() > TEXT_CHARACTERS_MAX {
        let label = format!("accepted: one line of up to {TEXT_CHARACTERS_MAX} characters");
        log.error(Code::F13, node.at, format!("\"{key}\" cannot be shown as it is"), label)
            .help("shorten it, and leave out line feeds and other control characters");
        return None;
    }
    Some(text.clone())
}

/// A text that says something.
pub(super) fn text_not_empty(node: &Node, key: &str, log: &mut Log) -> Option<String> {
    let text = text(node, key, log)?;
    if text.trim().is_empty() {
        log.error(Code::F13, node.at, format!("\"{key}\" is empty"), "accepted: at least one character")
            .help("say what it is, or remove the line");
        return None;
    }
    Some(text)
}

/// A text that is an address, a role and the like.
pub(super) fn parsed<T: FromStr>(node: &Node, key: &str, accepted: &str, log: &mut Log) -> Option<T> {
    let found = text(node, key, log)?;
    let parsed = found.parse().ok();
    if parsed.is_none() {
        unusable(node.at, key, accepted, log);
    }
    parsed
}

/// Refuses a text that is not what it ought to be.
pub(super) fn unusable(place: Place, key: &str, accepted: &str, log: &mut Log) {
    let label = format!("{}; accepted: {accepted}", log.found(place));
    log.error(Code::F13, place, format!("\"{key}\" cannot be used as it is written"), label)
        .help("write it like the example");
}

/// One of these words.
pub(super) fn word<T: Copy>(node: &Node, key: &str, words: &[(&str, T)], log: &mut Log) -> Option<T> {
    let Raw::Text(found) = &node.value else {
        wrong_type(node, &key_name(key), "a text", log);
        return None;
    };
    let meant = words.iter().find(|(word, _)| word == found).map(|(_, meaning)| *meaning);
    if meant.is_none() {
        let accepted = list(words.iter().map(|(word, _)| *word));
        let help = match params::nearest(found, words.iter().map(|(word, _)| *word)) {
            Some(nearest) => format!("did you mean \"{nearest}\"?"),
            None => "use one of the words accepted".to_owned(),
        };
        let label = format!("{}; accepted: {accepted}", log.found(node.at));
        log.error(Code::F11, node.at, format!("\"{key}\" does not take this word"), label).help(help);
    }
    meant
}

/// True or false.
pub(super) fn flag(node: &Node, key: &str, log: &mut Log) -> Option<bool> {
    if let Raw::Flag(flag) = node.value {
        return Some(flag);
    }
    wrong_type(node, &key_name(key), "true or false", log);
    None
}

/// A whole number within bounds.
pub(super) fn whole<T: TryFrom<i64> + Display + Into<i64> + Copy>(
    node: &Node,
    key: &str,
    lowest: T,
    highest: T,
    log: &mut Log,
) -> Option<T> {
    let Raw::Whole(found) = node.value else {
        wrong_type(node, &key_name(key), "a whole number", log);
        return None;
    };
    if (lowest.into()..=highest.into()).contains(&found) {
        return T::try_from(found).ok();
    }
    out_of_range(node, key, lowest, highest, log);
    None
}

/// A finite number within bounds.
pub(super) fn number(node: &Node, key: &str, lowest: f32, highest: f32, log: &mut Log) -> Option<f32> {
    let found = finite(node, key, log)?;
    if (lowest..=highest).contains(&found) {
        return Some(found);
    }
    out_of_range(node, key, lowest, highest, log);
    None
}

fn out_of_range(node: &Node, key: &str, lowest: impl Display, highest: impl Display, log: &mut Log) {
    let label = format!("{}; accepted: {lowest} to {highest}", log.found(node.at));
    log.error(Code::F12, node.at, format!("\"{key}\" is out of range"), label).help("choose a number within the range");
}

/// A number that is neither infinite nor none.
#[allow(clippy::cast_possible_truncation, clippy::cast_precision_loss, reason = "the desk reckons in f32")]
pub(super) fn finite(node: &Node, key: &str, log: &mut Log) -> Option<f32> {
    let found = match node.value {
        Raw::Whole(found) => found as f32,
        Raw::Number(found) => found as f32,
        _ => {
            wrong_type(node, &key_name(key), "a number", log);
            return None;
        }
    };
    if !found.is_finite() {
        let label = format!("{}; accepted: finite numbers", log.found(node.at));
        log.error(Code::F07, node.at, format!("\"{key}\" is not finite"), label)
            .help("for silence write \"off\" where the parameter has it");
        return None;
    }
    Some(found)
}

/// A list of up to `max` entries.
pub(super) fn entries<'t>(node: &'t Node, key: &str, max: usize, log: &mut Log) -> Option<&'t [Node]> {
    let Raw::List(found) = &node.value else {
        wrong_type(node, &key_name(key), "a list", log);
        return None;
    };
    if let Some(beyond) = found.get(max) {
        too_many(beyond.at, &format!("entries in \"{key}\""), found.len(), max, log);
        return None;
    }
    Some(found)
}

/// A rising list of points, travel (or raw position) first; `code` is for points that are none.
pub(super) fn points(node: &Node, key: &str, lowest: f32, highest: f32, code: Code, log: &mut Log) -> Option<Law> {
    const POINTS_MAX: usize = 64;
    let found = entries(node, key, POINTS_MAX, log)?;
    let accepted = format!(
        "2 to {POINTS_MAX} points [0.0 to 1.0, {lowest:?} to {highest:?}], the first number rising, the second not falling"
    );
    let mut points = Vec::new();
    for point in found {
        let pair = match &point.value {
            Raw::List(pair) if pair.len() == 2 => pair,
            _ => {
                let label = format!("{}; accepted: {accepted}", log.found(point.at));
                log.error(code, point.at, format!("\"{key}\" has an entry that is no point"), label)
                    .help("write each point as two numbers in brackets: [0.5, -20.0]");
                return None;
            }
        };
        points.push((finite(&pair[0], key, log)?, finite(&pair[1], key, log)?));
    }
    let fault = (0..points.len()).find(|index| {
        let (x, y) = points[*index];
        !(0.0..=1.0).contains(&x)
            || !(lowest..=highest).contains(&y)
            || index.checked_sub(1).is_some_and(|before| points[before].0 >= x || points[before].1 > y)
    });
    let law = if fault.is_none() { Law::through(&points) } else { None };
    if law.is_none() {
        let place = fault.map_or(node.at, |index| found[index].at);
        let label = format!("{}; accepted: {accepted}", log.found(place));
        log.error(code, place, format!("\"{key}\" is no rising list of points"), label)
            .help("put the points in order from the bottom stop to the top, within the range");
    }
    law
}

/// Form number and kind of a file; both are in every file of the desk.
pub(super) fn head(table: &mut Table<'_>, kind: &'static str, log: &mut Log) {
    const FORM: i64 = 1;
    let Table { at, .. } = *table;
    match table.get("form") {
        None => {
            log.error(Code::F03, at, "the file has no form number", format!("nothing found; accepted: form = {FORM}"))
                .help(format!("make \"form = {FORM}\" the first line"));
        }
        Some(node) => match node.value {
            Raw::Whole(FORM) => {}
            Raw::Whole(found) if found > FORM => {
                log.error(
                    Code::F03,
                    node.at,
                    "the file is in a newer form than this version reads",
                    format!("{found}; accepted: {FORM}"),
                )
                .help("use the version of longthrow that wrote it, or newer");
            }
            _ => {
                let label = format!("{}; accepted: {FORM}", log.found(node.at));
                log.error(Code::F03, node.at, "this is no form number", label).help(format!("write form = {FORM}"));
            }
        },
    }
    match table.get("kind") {
        None => {
            let label = format!("nothing found; accepted: kind = \"{kind}\"");
            log.error(Code::F04, at, "the file does not say what kind it is", label)
                .help(format!("add kind = \"{kind}\" below the form number"));
        }
        Some(node) => {
            if !matches!(&node.value, Raw::Text(found) if found == kind) {
                let label = format!("{}; accepted: \"{kind}\"", log.found(node.at));
                log.error(Code::F04, node.at, format!("this is not a {kind} file"), label)
                    .help(format!("give a {kind} file here, or put the kind right"));
            }
        }
    }
}
