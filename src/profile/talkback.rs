//! Reads what a profile says to the desk's own logic: talkbacks, the panic ladder, the desk itself; and proves that no talkback
//! is heard on air.
//!
//! ```text
//! [talkback.producer]          [panic]                               [desk]
//! source = "producer-mic"      host = "lectern"                      novice = "on"
//! buses = ["to-visitor"]       safe = { lectern = 0.0 }              lock-after = 30.0
//! slate_buses = ["takes"]      fallback = "interval-music"
//! ```

use super::cursor::{Table, Thing, entries, number, text, text_not_empty, unknown_name};
use super::diagnostic::Code;
use super::log::{Log, Place};
use super::model::{Id, PanicLadder, ShowConsole, Talkback};
use super::outside::heard_outside;
use super::show::{Show, values};
use super::text::Node;
use crate::params::{Address, Key, Scope, Value};

const TALKBACKS_MAX: usize = 8;
const BUSES_MAX: usize = 32;

/// A bus that a talkback may speak to, and where the file says so.
struct Reached {
    talkback: Id,
    bus: Id,
    at: Place,
}

/// Reads all of it. The values of the profile have been read.
pub(super) fn read(top: &mut Table<'_>, channel_ids: &[&str], show: &mut Show<'_>, log: &mut Log) -> ShowConsole {
    let mut talkbacks = Vec::new();
    let mut reached = Vec::new();
    for thing in top.things("talkback", TALKBACKS_MAX, log) {
        talkbacks.extend(talkback(thing, show, &mut reached, log));
    }
    for reached in &reached {
        prove(reached, show, log);
    }
    if let Some(mut table) = top.get("desk").and_then(|node| Table::of(node, "[desk]".to_owned(), log)) {
        values("", Scope::Desk, &mut table, show, log);
        table.finish(log);
    }
    let panic = top.get("panic").and_then(|node| Table::of(node, "[panic]".to_owned(), log));
    let panic = panic.map(|table| ladder(table, channel_ids, show, log)).unwrap_or_default();
    ShowConsole { talkbacks, panic }
}

fn talkback(thing: Thing<'_>, show: &mut Show<'_>, reached: &mut Vec<Reached>, log: &mut Log) -> Option<Talkback> {
    let Thing { id, at, mut table } = thing;
    let label = table.get("label").and_then(|node| text_not_empty(node, "label", log));
    let source = table.need("source", "the id of an input of the rig", log).and_then(|node| {
        let name = text(node, "source", log)?;
        if let Some(rig) = show.rig.filter(|rig| !rig.inputs.contains_key(&name)) {
            let headline = format!("the rig has no input \"{name}\"");
            unknown_name(Code::S01, node.at, headline, &name, rig.inputs.keys().map(|input| &**input), log);
        }
        Some(Id::from(name))
    });
    let list = |key, table: &mut Table<'_>, log: &mut Log| -> Vec<(Id, Place)> {
        let found: Option<&[Node]> = table.get(key).and_then(|node| entries(node, key, BUSES_MAX, log));
        let buses = found.unwrap_or_default().iter().filter_map(|node| {
            let bus = text(node, key, log)?;
            if !show.bus_ids.contains(&&*bus) {
                let headline = format!("the profile has no bus \"{bus}\"");
                unknown_name(Code::S03, node.at, headline, &bus, show.bus_ids.iter().copied(), log);
                return None;
            }
            Some((Id::from(bus), node.at))
        });
        buses.collect()
    };
    let to = list("buses", &mut table, log);
    if table.get("slate_buses").is_none() {
        log.warning(Code::C08, at, format!("talkback \"{id}\" has no slate"), "its slate goes nowhere").help(
            "name the buses of takes in slate_buses, also those on air; slate_buses = [] says that there are none",
        );
    }
    let slate = list("slate_buses", &mut table, log);
    values(id, Scope::Talkback, &mut table, show, log);
    table.finish(log);
    let id = Id::from(id);
    reached.extend(to.iter().map(|(bus, at)| Reached { talkback: id.clone(), bus: bus.clone(), at: *at }));
    Some(Talkback {
        label: label.unwrap_or_else(|| id.to_string()),
        id,
        source: source?,
        to: to.into_iter().map(|(bus, _)| bus).collect(),
        slate: slate.into_iter().map(|(bus, _)| bus).collect(),
    })
}

/// Refuses a talkback that somebody outside would hear, by whichever way from bus to bus.
fn prove(reached: &Reached, show: &Show<'_>, log: &mut Log) {
    let Reached { talkback, bus, at } = reached;
    if let Some(how) = heard_outside(bus, show) {
        let headline = format!("people outside would hear talkback \"{talkback}\"");
        log.error(Code::C05, *at, headline, how).help(
            "speak to a bus of its own, name the bus in slate_buses, or say air = \"never\" of a bus that only guests hear",
        );
    }
}

fn ladder(mut table: Table<'_>, channel_ids: &[&str], show: &Show<'_>, log: &mut Log) -> PanicLadder {
    let known = |name: &str, at: Place, log: &mut Log| {
        let known = channel_ids.contains(&name);
        if !known {
            let headline = format!("the profile has no channel \"{name}\"");
            unknown_name(Code::C07, at, headline, name, channel_ids.iter().copied(), log);
        }
        known
    };
    let channel = |key: &'static str, table: &mut Table<'_>, log: &mut Log| {
        let node = table.get(key)?;
        let name = text(node, key, log)?;
        known(&name, node.at, log).then(|| (Id::from(name), node.at))
    };
    let host = channel("host", &mut table, log);
    let fallback = channel("fallback", &mut table, log);
    let mut safe = Vec::new();
    if let Some(inner) = table.get("safe").and_then(|node| Table::of(node, "\"safe\" of [panic]".to_owned(), log)) {
        for (name, node) in inner.entries() {
            let level = number(node, name, -90.0, 10.0, log);
            if known(name, node.key_at, log) {
                safe.extend(level.map(|level| (Id::from(name), level)));
            }
        }
    }
    table.finish(log);
    if let Some((id, at)) = &fallback {
        // Either of its sources: nobody may be there to select the other.
        let microphone = [Key::ChannelSource, Key::ChannelSourceB].into_iter().any(|key| {
            let source = show.values.get(&Address::new(key, id));
            matches!((source, show.rig), (Some(Value::Word(input)), Some(rig)) if rig.microphones.contains(&input.to_string()))
        });
        if microphone {
            log.error(
                Code::C07,
                *at,
                format!("the fallback \"{id}\" is a microphone"),
                "accepted: a channel of recorded sound",
            )
            .help("an open room is no programme: name a player");
        }
    }
    PanicLadder { host: host.map(|(id, _)| id), safe, fallback: fallback.map(|(id, _)| id) }
}
