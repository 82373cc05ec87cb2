//! Whether people outside hear a bus by what a profile says, and by which way: over the buses it is assigned to, and over what
//! guests hear of it.

use super::model::Id;
use super::show::Show;
use crate::params::{Address, Key, Value};

/// Says how people outside hear a bus, if they do.
pub(super) fn heard_outside(bus: &str, show: &Show<'_>) -> Option<String> {
    let mut path: Vec<Vec<&str>> = vec![vec![bus]];
    let mut seen: Vec<&str> = vec![bus];
    while let Some(row) = path.pop() {
        let Some(last) = row.last().copied() else { continue };
        if let Some(how) = is_public(last, show) {
            let way = if row.len() > 1 { format!(" ({})", row.join(" -> ")) } else { String::new() };
            return Some(format!("bus \"{last}\" {how}{way}"));
        }
        for to in show.bus_ids.iter().copied() {
            let assigned = show.values.get(&Address::with_further(Key::BusAssign, last, to));
            let made_of = show
                .minus
                .get(to)
                .is_some_and(|minus| std::iter::once(&minus.of).chain(&minus.off_air).any(|of| **of == *last));
            if (made_of || assigned.is_some_and(|value| value.is_word("on"))) && !seen.contains(&to) {
                seen.push(to);
                path.push(row.iter().copied().chain([to]).collect());
            }
        }
    }
    None
}

/// How people outside hear a bus itself, if they do.
fn is_public(bus: &str, show: &Show<'_>) -> Option<String> {
    let word = |key: Key, id: &str| {
        let value = show.values.get(&Address::new(key, id)).cloned();
        value.or_else(|| key.parameter().default_value())
    };
    let air = word(Key::BusAir, bus)?;
    if air.is_word("always") {
        return Some("is always on air".to_owned());
    }
    let carries =
        |output: &&String| matches!(word(Key::OutputSource, output), Some(Value::Word(source)) if *source == *bus);
    let outputs = show.rig.map(|rig| if show.minus.contains_key(bus) { &rig.to_listeners } else { &rig.outside })?;
    let carrier = outputs.iter().find(carries).filter(|_| air.is_word("by-outputs"))?;
    Some(format!("is on air: output \"{carrier}\" carries it"))
}

/// The mix-minus of a profile.
pub(super) type MixMinus = std::collections::BTreeMap<Id, super::model::Minus>;
