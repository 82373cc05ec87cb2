//! Which bus feeds which: rings and rows that are too long, sources that arrive twice, mix-minus of what.

use super::cursor::{self, Table, list, unknown_name};
use super::diagnostic::Code;
use super::log::{Log, Place};
use super::model::{Id, Minus};
use super::outside::heard_outside;
use super::show::Show;
use super::text::Node;
use crate::params::{Address, Key, Value};
use std::collections::{BTreeMap, BTreeSet};

/// Levels for buses that may feed one another.
pub const GRAPH_LEVELS: usize = 4;
/// Channels of one person or line.
pub const OWNERS_MAX: usize = 2;

/// What is wrong with who feeds whom.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Tangle {
    /// These buses feed each other in a ring.
    Ring(Vec<Id>),
    /// These buses stand in a row that is too long.
    TooDeep(Vec<Id>),
}

/// The highest level that each bus may have, given which feeds which: a bus that feeds none has the last.
///
/// # Errors
/// A ring, or a row of more than [`GRAPH_LEVELS`].
pub fn highest_levels(feeds: &BTreeMap<Id, BTreeSet<Id>>) -> Result<BTreeMap<Id, usize>, Tangle> {
    fn visit(
        id: &Id,
        feeds: &BTreeMap<Id, BTreeSet<Id>>,
        path: &mut Vec<Id>,
        found: &mut BTreeMap<Id, (usize, Vec<Id>)>,
    ) -> Result<(), Tangle> {
        if let Some(first) = path.iter().position(|before| before == id) {
            return Err(Tangle::Ring(path[first..].to_vec()));
        }
        if found.contains_key(id) {
            return Ok(());
        }
        path.push(id.clone());
        let mut longest = Vec::new();
        for next in feeds.get(id).into_iter().flatten() {
            visit(next, feeds, path, found)?;
            if let Some((_, row)) = found.get(next)
                && row.len() > longest.len()
            {
                longest.clone_from(row);
            }
        }
        path.pop();
        longest.insert(0, id.clone());
        if longest.len() > GRAPH_LEVELS {
            return Err(Tangle::TooDeep(longest));
        }
        found.insert(id.clone(), (GRAPH_LEVELS - longest.len(), longest));
        Ok(())
    }
    let mut found = BTreeMap::new();
    for id in feeds.keys() {
        visit(id, feeds, &mut Vec::new(), &mut found)?;
    }
    Ok(found.into_iter().map(|(id, (level, _))| (id, level)).collect())
}

/// Reads `mix-minus = { of = "programme", less = ["visitor"], off-air = "conversation" }`.
pub(super) fn read_minus(node: &Node, bus: &str, channels: &[&str], buses: &[&str], log: &mut Log) -> Option<Minus> {
    let mut table = Table::of(node, format!("the mix-minus of bus \"{bus}\""), log)?;
    let known_bus = |node: &Node, key: &str, log: &mut Log| {
        let id = cursor::text_not_empty(node, key, log)?;
        if !buses.contains(&&*id) {
            let headline = format!("the profile has no bus \"{id}\"");
            unknown_name(Code::S03, node.at, headline, &id, buses.iter().copied(), log);
            return None;
        }
        Some(Id::from(id))
    };
    let of = table.need("of", "the bus whose sum is heard", log).and_then(|node| known_bus(node, "of", log));
    let off_air = table.get("off-air").map(|node| known_bus(node, "off-air", log));
    let less = table.need("less", "the channels of who hears it", log);
    let less = less.and_then(|node| cursor::entries(node, "less", OWNERS_MAX, log)).map(|nodes| {
        let mut less = Vec::new();
        for node in nodes {
            let Some(id) = cursor::text_not_empty(node, "less", log) else { continue };
            if channels.contains(&&*id) {
                less.push(Id::from(id));
            } else {
                let headline = format!("the profile has no channel \"{id}\"");
                unknown_name(Code::S04, node.at, headline, &id, channels.iter().copied(), log);
            }
        }
        if nodes.is_empty() {
            log.error(
                Code::S13,
                node.key_at,
                "a mix-minus without anybody to leave out",
                "accepted: one or two channels",
            )
            .help("name the channel of who hears it");
        }
        less
    });
    table.finish(log);
    // What is missing has been said, and refuses the profile: that the bus is none would be said falsely besides.
    let (of, less) = (of.unwrap_or_else(|| Id::from("programme")), less.unwrap_or_default());
    Some(Minus { of, less, off_air: off_air.flatten() })
}

/// A bus as it stands in the file, with its mix-minus.
#[derive(Clone, Copy, Debug)]
pub(super) struct Standing<'s> {
    pub(super) id: &'s Id,
    pub(super) minus: Option<(&'s Minus, Place)>,
}

/// Checks what the starting mix makes of the buses.
pub(super) fn check(buses: &[Standing<'_>], show: &Show<'_>, log: &mut Log) {
    let Show { values, places, .. } = show;
    let minus = |id: &str| buses.iter().find(|bus| &**bus.id == id).and_then(|bus| bus.minus);
    let off_air = |id: &str| {
        id == "audition"
            || buses.iter().any(|bus| bus.minus.and_then(|(minus, _)| minus.off_air.as_deref()) == Some(id))
    };
    for Standing { id, minus: found, .. } in buses {
        let Some((found, at)) = found else { continue };
        for of in std::iter::once(&found.of).chain(&found.off_air) {
            if of == *id || minus(of).is_some() {
                log.error(
                    Code::S13,
                    *at,
                    format!("\"{id}\" cannot be made of \"{of}\""),
                    "accepted: a bus that is no mix-minus",
                )
                .help("it is a sum of channels and groups that somebody's share is taken from");
            }
        }
    }
    let mut feeds: BTreeMap<Id, BTreeSet<Id>> = BTreeMap::new();
    for (address, value) in values.iter().filter(|(address, _)| address.key == Key::BusAssign) {
        let (Some(to), true) = (&address.further, value.is_word("on")) else { continue };
        let at = places[address];
        if minus(&address.id).is_some() || (off_air(&address.id) && address.id != *to) {
            let what = if minus(&address.id).is_some() { "a mix-minus" } else { "off air" };
            log.error(Code::S13, at, format!("\"{}\" is {what} and goes to no other bus", address.id), "assigned here")
                .help("let an output carry it");
            continue;
        }
        if minus(to).is_none() {
            feeds.entry(Id::from(&**to)).or_default();
            feeds.entry(Id::from(&*address.id)).or_default().insert(Id::from(&**to));
        }
    }
    let place = |from: &Id, to: &Id| places.get(&Address::with_further(Key::BusAssign, from, to)).copied();
    match highest_levels(&feeds) {
        Ok(_) => twice(&feeds, values, places, log),
        Err(tangle) => {
            let (headline, row) = match &tangle {
                Tangle::Ring(ring) => ("buses feed each other in a ring".to_owned(), ring),
                Tangle::TooDeep(row) => (format!("{} buses stand in a row", row.len()), row),
            };
            let (first, second) = (&row[0], row.get(1).unwrap_or(&row[0]));
            if let Some(at) = place(first, second) {
                let back = matches!(tangle, Tangle::Ring(_)).then_some(first);
                let row: Vec<&str> = row.iter().chain(back).map(|id| &**id).collect();
                let label = format!("{}; accepted: up to {GRAPH_LEVELS} in a row, and no way back", row.join(" -> "));
                log.error(Code::S12, at, headline, label).help("assign one of them to the last of the others instead");
            }
        }
    }
    for (address, value) in values.iter().filter(|(address, _)| address.key == Key::ChannelSendPoint) {
        let Some(bus) = address.further.as_deref().filter(|_| value.is_word("input")) else { continue };
        if off_air(bus) {
            if let Some(how) = heard_outside(bus, show) {
                let headline = "a send before the switch that people outside hear";
                log.error(Code::S13, places[address], headline, how).help("\"pre-fader\" is taken behind the switch");
            }
            continue;
        }
        let quiet = buses.iter().map(|bus| &**bus.id).filter(|id| off_air(id) && *id != "audition");
        let label = format!("{bus} may be on air; accepted: {}", list(std::iter::once("audition").chain(quiet)));
        log.error(Code::S13, places[address], "a send before the switch to a bus that may be on air", label)
            .help("\"pre-fader\" is taken behind the switch");
    }
}

/// A channel that reaches a bus on two ways arrives there 6 dB up, or combed.
fn twice(
    feeds: &BTreeMap<Id, BTreeSet<Id>>,
    values: &BTreeMap<Address, Value>,
    places: &BTreeMap<Address, Place>,
    log: &mut Log,
) {
    let mut first: BTreeMap<&str, Vec<(&Address, &str)>> = BTreeMap::new();
    for (address, value) in values {
        let goes = match address.key {
            Key::ChannelAssign => value.is_word("on"),
            Key::ChannelSendLevel => *value != Value::Off,
            _ => false,
        };
        if let (true, Some(bus)) = (goes, address.further.as_deref()) {
            first.entry(&*address.id).or_default().push((address, bus));
        }
    }
    for (channel, ways) in first {
        let mut arrived: BTreeMap<&str, (&Address, Vec<&str>)> = BTreeMap::new();
        for (address, bus) in ways {
            let mut open = vec![vec![bus]];
            while let Some(row) = open.pop() {
                let Some(&last) = row.last() else { continue };
                if let Some((_, other)) = arrived.get(last) {
                    let headline = format!("channel \"{channel}\" reaches \"{last}\" on two ways");
                    let label = format!("by {}, and by {}", other.join(" -> "), row.join(" -> "));
                    log.warning(Code::S14, places[address], headline, label)
                        .help("it arrives there twice, up to 6 dB louder; keep one of the two");
                    continue;
                }
                arrived.insert(last, (address, row.clone()));
                for next in feeds.get(&Id::from(last)).into_iter().flatten() {
                    open.push(row.iter().copied().chain([&**next]).collect());
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn feeds(rows: &[(&str, &[&str])]) -> BTreeMap<Id, BTreeSet<Id>> {
        rows.iter().map(|(from, to)| (Id::from(*from), to.iter().map(|to| Id::from(*to)).collect())).collect()
    }

    #[test]
    fn a_bus_stands_below_all_that_it_feeds() {
        let all = feeds(&[("a", &["b", "d"]), ("b", &["c"]), ("c", &["d"]), ("d", &[]), ("e", &[])]);
        let levels = highest_levels(&all).expect("no ring");
        let level = |id: &str| levels[&Id::from(id)];
        assert_eq!(["a", "b", "c", "d", "e"].map(level), [0, 1, 2, 3, 3]);
    }

    #[test]
    fn rings_and_rows_of_five_are_named() {
        let ring = feeds(&[("a", &["b"]), ("b", &["c"]), ("c", &["b"])]);
        assert_eq!(highest_levels(&ring), Err(Tangle::Ring(vec!["b".into(), "c".into()])));
        let row = feeds(&[("a", &["b"]), ("b", &["c"]), ("c", &["d"]), ("d", &["e"]), ("e", &[])]);
        let all = ["a", "b", "c", "d", "e"].map(Id::from).to_vec();
        assert_eq!(highest_levels(&row), Err(Tangle::TooDeep(all)));
    }
}
