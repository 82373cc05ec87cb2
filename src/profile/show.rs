//! Reads the profile: one show's channels, buses, outputs, moves and starting mix.

use super::cursor::{self, Table, Thing, check_id, number, points, text_not_empty, unknown_name, word};
use super::diagnostic::Code;
use super::graph::{self, Standing};
use super::log::{Log, Place};
use super::model::{Bus, Channel, ControlKind, GainGroup, Id, Minus, Move, Profile, Rejoin};
use super::outside::MixMinus;
use super::panel::ControlKinds;
use super::rig::{ContactUse, RigNames};
use super::scenes;
use super::talkback;
use super::text::{Node, Raw, Tree};
use crate::params::{Address, AddressError, Domain, Key, Nature, Parameter, Scope, TABLE, Taper, Value, nearest};
use std::collections::{BTreeMap, BTreeSet};

/// The buses that every profile has.
pub(super) const ALWAYS: [&str; 2] = ["programme", "audition"];

const SOURCE_LANES_MAX: usize = 256;
const BUS_LANES_MAX: usize = 64;
const LANES_OF_A_BUS: usize = 2;
const GAIN_GROUPS_MAX: usize = 64;
const OUTPUTS_MAX: usize = 128;
const MOVES_MAX: usize = 1024;
/// How many sharing groups there may be.
pub const SHARING_GROUPS_MAX: usize = 32;

/// A channel or bus as the file names it.
struct Named {
    id: Id,
    at: Place,
    was: Option<(Id, Place)>,
    label: String,
    minus: Option<(Minus, Place)>,
}

/// What is being gathered while a profile is read.
pub(super) struct Show<'r> {
    pub(super) rig: Option<&'r RigNames>,
    pub(super) bus_ids: Vec<&'r str>,
    pub(super) channel_ids: Vec<&'r str>,
    pub(super) values: BTreeMap<Address, Value>,
    pub(super) places: BTreeMap<Address, Place>,
    /// Buses that are a mix-minus, and of what.
    pub(super) minus: MixMinus,
    /// Whether these are values of a scene, which needs none and holds no source.
    pub(super) of_scene: bool,
}

/// Reads a profile; with the names of a rig and the controls of a panel also what it says of them.
pub(super) fn read(
    tree: &Tree,
    text: usize,
    rig: Option<&RigNames>,
    panel: Option<&ControlKinds>,
    log: &mut Log,
) -> Profile {
    let mut top = Table::root(tree, text, "the profile");
    cursor::head(&mut top, "profile", log);
    let name = top.need("name", "what people call the show", log).and_then(|node| text_not_empty(node, "name", log));

    // Lanes are the limit on channels and buses; these only bound the reading.
    let channel_things = top.things("channel", 2 * SOURCE_LANES_MAX, log);
    let bus_things = top.things("bus", 2 * BUS_LANES_MAX, log);
    let channel_ids: Vec<&str> = channel_things.iter().map(|thing| thing.id).collect();
    let absent = ALWAYS.into_iter().filter(|always| bus_things.iter().all(|thing| thing.id != *always));
    let bus_ids: Vec<&str> = absent.chain(bus_things.iter().map(|thing| thing.id)).collect();
    let mut show = Show {
        rig,
        bus_ids: bus_ids.clone(),
        channel_ids: channel_ids.clone(),
        values: BTreeMap::new(),
        places: BTreeMap::new(),
        minus: MixMinus::new(),
        of_scene: false,
    };

    let mut lanes = 0;
    let mut channels = Vec::new();
    for mut thing in channel_things {
        let before = lanes;
        let width = source_width(&mut thing, rig, log);
        lanes += width;
        if before <= SOURCE_LANES_MAX && lanes > SOURCE_LANES_MAX {
            let label = format!("lane {lanes}; accepted: up to {SOURCE_LANES_MAX}");
            log.error(Code::S06, thing.at, "the channels need more lanes than the engine has", label)
                .help("a mono channel takes one lane, a stereo channel two; remove channels from here on");
        }
        channels.push(named(thing, Scope::Channel, &mut show, log));
    }
    if bus_ids.len() * LANES_OF_A_BUS > BUS_LANES_MAX
        && let Some(thing) = bus_things.last()
    {
        let label = format!("{} lanes; accepted: up to {BUS_LANES_MAX}", bus_ids.len() * LANES_OF_A_BUS);
        log.error(Code::S06, thing.at, "the buses need more lanes than the engine has", label)
            .help("every bus takes two lanes, programme and audition too; remove some");
    }
    let named_buses: Vec<Named> =
        bus_things.into_iter().map(|thing| named(thing, Scope::Bus, &mut show, log)).collect();
    let group_things = top.things("gain-group", GAIN_GROUPS_MAX, log);
    let group_ids: Vec<&str> = group_things.iter().map(|thing| thing.id).collect();
    let groups: Vec<(Named, Vec<Id>)> =
        group_things.into_iter().map(|thing| gain_group(thing, &mut show, log)).collect();
    for thing in top.things("output", OUTPUTS_MAX, log) {
        if let Some(rig) = rig.filter(|rig| !rig.outputs.iter().any(|output| output == thing.id)) {
            let headline = format!("the rig has no output \"{}\"", thing.id);
            unknown_name(Code::S05, thing.at, headline, thing.id, rig.outputs.iter().map(|output| &**output), log);
        }
        output(thing, &mut show, log);
    }
    let standing: Vec<Standing<'_>> = named_buses
        .iter()
        .map(|bus| Standing { id: &bus.id, minus: bus.minus.as_ref().map(|(minus, at)| (minus, *at)) })
        .collect();
    let minus = named_buses.iter().filter_map(|bus| Some((bus.id.clone(), bus.minus.as_ref()?.0.clone())));
    show.minus = minus.collect();
    graph::check(&standing, &show, log);
    sharing_groups(&show.values, &show.places, log);
    let (named_groups, members): (Vec<Named>, Vec<Vec<Id>>) = groups.into_iter().unzip();
    renames(&channels, log);
    renames(&named_buses, log);
    renames(&named_groups, log);
    let console = talkback::read(&mut top, &channel_ids, &mut show, log);

    let talkbacks: Vec<&str> = console.talkbacks.iter().map(|talkback| &*talkback.id).collect();
    let known = Known {
        rig,
        panel,
        channel_ids: &channel_ids,
        bus_ids: &bus_ids,
        group_ids: &group_ids,
        talkbacks: &talkbacks,
    };
    let of_scenes = scenes::Known { rig, channel_ids: &channel_ids, bus_ids: &bus_ids };
    let scenes = scenes::read(&mut top, &of_scenes, log);
    let (mut moves, mut scene_buttons) = (Vec::new(), Vec::new());
    if let Some(table) = top.get("moves").and_then(|node| Table::of(node, "[moves]".to_owned(), log)) {
        let entries = table.entries();
        if let Some((_, beyond)) = entries.get(MOVES_MAX) {
            cursor::too_many(beyond.key_at, "moves", entries.len(), MOVES_MAX, log);
        }
        for (control, node) in entries.into_iter().take(MOVES_MAX) {
            let kind = control_kind(control, node, &known, log);
            if scenes::is_of_scene(node) {
                scene_buttons.extend(scenes::read_button(control, node, kind, &scenes, log));
            } else {
                moves.extend(read_move(control, node, kind, &known, log));
            }
        }
    }
    top.finish(log);

    let always = |id: &str| Bus { id: id.into(), was: None, label: id.to_owned(), minus: None };
    let mut buses: Vec<Bus> =
        ALWAYS.into_iter().filter(|id| named_buses.iter().all(|bus| *bus.id != **id)).map(always).collect();
    buses.extend(named_buses.into_iter().map(|bus| Bus {
        id: bus.id,
        was: bus.was.map(|(was, _)| was),
        label: bus.label,
        minus: bus.minus.map(|(minus, _)| minus),
    }));
    Profile {
        name: name.unwrap_or_default(),
        channels: channels
            .into_iter()
            .map(|channel| Channel { id: channel.id, was: channel.was.map(|(was, _)| was), label: channel.label })
            .collect(),
        buses,
        gain_groups: named_groups
            .into_iter()
            .zip(members)
            .map(|(group, members)| GainGroup {
                id: group.id,
                was: group.was.map(|(was, _)| was),
                label: group.label,
                members,
            })
            .collect(),
        moves,
        console,
        values: show.values,
        scenes,
        scene_buttons,
    }
}

/// The values of a thing in a scene.
pub(super) fn scene_values(
    id: &str,
    scope: Scope,
    table: &mut Table<'_>,
    known: &scenes::Known<'_>,
    log: &mut Log,
) -> BTreeMap<Address, Value> {
    let mut show = Show {
        rig: known.rig,
        bus_ids: known.bus_ids.to_vec(),
        channel_ids: known.channel_ids.to_vec(),
        values: BTreeMap::new(),
        places: BTreeMap::new(),
        minus: MixMinus::new(),
        of_scene: true,
    };
    values(id, scope, table, &mut show, log);
    show.values
}

/// How many lanes a channel takes. Notes what of it depends on that.
fn source_width(thing: &mut Thing<'_>, rig: Option<&RigNames>, log: &mut Log) -> usize {
    let Some(Raw::Text(source)) = thing.table.get("source").map(|node| &node.value) else { return 1 };
    let width_of = |input: &String| rig.and_then(|rig| *rig.inputs.get(input)?).unwrap_or(1);
    let first = width_of(source);
    let second = match thing.table.get("source-b").map(|node| &node.value) {
        Some(Raw::Text(input)) if input != "off" => Some(width_of(input)),
        _ => None,
    };
    if second.is_none() {
        for word in ["source-select", "trim-b", "pad-b"] {
            if let Some(node) = thing.table.get(word)
                && !matches!(&node.value, Raw::Text(word) if word == "a" || word == "off")
                && !matches!(node.value, Raw::Whole(0))
                && !matches!(node.value, Raw::Number(number) if number == 0.0)
            {
                let label = "the channel has no second source".to_owned();
                log.warning(Code::S11, node.key_at, format!("\"{word}\" has no effect"), label)
                    .help("name one with source-b, or remove the line");
            }
        }
    }
    // One lane for each side of the wider one; the other is not there while it is not selected.
    let width = first.max(second.unwrap_or(1));
    if first == 2
        && second.is_none_or(|second| second == 2)
        && let Some(node) = thing.table.get("pan-law")
    {
        let label = format!("\"{source}\" is stereo; pan is its balance");
        log.warning(Code::S11, node.key_at, "the pan law of a stereo channel has no effect", label)
            .help("remove the line, or choose a mono input");
    }
    width
}

/// Reads a channel or bus: its label, its earlier id, and every parameter of its scope.
fn named(thing: Thing<'_>, scope: Scope, show: &mut Show<'_>, log: &mut Log) -> Named {
    let Thing { id, at, mut table } = thing;
    let label = table.get("label").and_then(|node| text_not_empty(node, "label", log));
    let was = table.get("was").and_then(|node| {
        let was = text_not_empty(node, "was", log)?;
        check_id(&was, node.at, log).then(|| (Id::from(was), node.at))
    });
    let minus = (scope == Scope::Bus)
        .then(|| table.get("mix-minus"))
        .flatten()
        .and_then(|node| Some((graph::read_minus(node, id, &show.channel_ids, &show.bus_ids, log)?, node.key_at)));
    values(id, scope, &mut table, show, log);
    table.finish(log);
    Named { id: id.into(), at, was, label: label.unwrap_or_else(|| id.to_owned()), minus }
}

/// Reads a gain group: as a channel or bus, and its members.
fn gain_group(mut thing: Thing<'_>, show: &mut Show<'_>, log: &mut Log) -> (Named, Vec<Id>) {
    let node = thing.table.need("members", "the channels that it moves", log);
    let nodes = node.and_then(|node| cursor::entries(node, "members", SOURCE_LANES_MAX, log)).unwrap_or_default();
    let mut members: Vec<Id> = Vec::new();
    for node in nodes {
        let Some(id) = text_not_empty(node, "members", log) else { continue };
        if !show.channel_ids.contains(&&*id) {
            let headline = format!("the profile has no channel \"{id}\"");
            unknown_name(Code::S04, node.at, headline, &id, show.channel_ids.iter().copied(), log);
        } else if members.iter().any(|member| **member == *id) {
            log.error(Code::F14, node.at, format!("channel \"{id}\" is a member twice"), "named here again")
                .help("it would be moved twice; keep one");
        } else {
            members.push(id.into());
        }
    }
    (named(thing, Scope::GainGroup, show, log), members)
}

fn output(thing: Thing<'_>, show: &mut Show<'_>, log: &mut Log) {
    let Thing { id, mut table, .. } = thing;
    if let (Some(node), Some(rig)) = (table.get("listen"), show.rig)
        && matches!(&node.value, Raw::Text(word) if word == "on")
        && !rig.listening.iter().any(|output| output == id)
    {
        log.error(
            Code::C06,
            node.key_at,
            format!("output \"{id}\" cannot listen"),
            "accepted: headphones, and loudspeakers of a room",
        )
        .help("listening never touches what others hear: remove the line");
    }
    values(id, Scope::Output, &mut table, show, log);
    table.finish(log);
}

/// Reads every parameter that the table of parameters has for a scope.
pub(super) fn values(id: &str, scope: Scope, table: &mut Table<'_>, show: &mut Show<'_>, log: &mut Log) {
    values_below(id, scope, "", table, show, log);
}

/// Reads the parameters of a scope whose words begin with `stage`: those of a table within the thing's own table.
fn values_below(id: &str, scope: Scope, stage: &str, table: &mut Table<'_>, show: &mut Show<'_>, log: &mut Log) {
    let rows = TABLE.iter().filter(|row| row.scope == scope);
    let mut inner_before = "";
    for (row, word) in rows.filter_map(|row| Some((row, row.word.strip_prefix(stage)?))) {
        if let Some((inner, _)) = word.split_once('.') {
            // The rows of a stage stand together.
            if std::mem::replace(&mut inner_before, inner) != inner
                && let Some(node) = table.get(inner)
                && let Some(mut inner_table) = Table::of(node, format!("\"{inner}\" of {}", table.what), log)
            {
                values_below(id, scope, &format!("{stage}{inner}."), &mut inner_table, show, log);
                inner_table.finish(log);
            }
            continue;
        }
        let required = row.default.is_empty();
        if required && show.of_scene {
            continue;
        }
        let node = if required { table.need(word, &row.accepted(), log) } else { table.get(word) };
        let Some(node) = node else { continue };
        if row.key.nature() != Nature::Kept {
            not_kept(row, node, log);
            continue;
        }
        if row.further.is_none() {
            let value = value(row, node, show, log);
            let address = Address::new(row.key, id);
            show.places.insert(address.clone(), node.at);
            show.values.extend(value.map(|value| (address, value)));
            continue;
        }
        let Some(inner) = Table::of(node, format!("\"{}\" of {}", row.word, table.what), log) else { continue };
        for (bus, node) in inner.entries() {
            if !show.bus_ids.contains(&bus) {
                let headline = format!("the profile has no bus \"{bus}\"");
                unknown_name(Code::S03, node.key_at, headline, bus, show.bus_ids.iter().copied(), log);
            }
            let value = value(row, node, show, log);
            let address = Address::with_further(row.key, id, bus);
            show.places.insert(address.clone(), node.key_at);
            show.values.extend(value.map(|value| (address, value)));
        }
    }
}

/// A state of the moment has no place in a file.
fn not_kept(row: &Parameter, node: &Node, log: &mut Log) {
    let (label, help) = match row.key.nature() {
        Nature::Told => ("the desk says it", "remove the line; a lamp may show it"),
        _ => ("it begins at its default", "remove the line; a control may move it"),
    };
    log.error(Code::C04, node.key_at, format!("no file sets \"{}\"", row.word), label).help(help);
}

/// A value as the parameter keeps it.
fn value(row: &Parameter, node: &Node, show: &Show<'_>, log: &mut Log) -> Option<Value> {
    let written = match &node.value {
        Raw::Text(text) => Value::Word(text.as_str().into()),
        Raw::Whole(_) | Raw::Number(_) => Value::Number(cursor::finite(node, row.word, log)?),
        _ => {
            refused(row, node, node.value.name(), log);
            return None;
        }
    };
    let Ok(value) = row.accept(&written) else {
        let unit = match (row.domain, &written) {
            (Domain::Number { unit, .. }, Value::Number(_)) => unit.symbol(),
            _ => "",
        };
        refused(row, node, unit, log);
        return None;
    };
    if let Value::Word(name) = &value {
        match row.domain {
            Domain::InputId | Domain::SecondInputId if row.domain == Domain::InputId || &**name != "off" => {
                if let Some(rig) = show.rig.filter(|rig| !rig.inputs.contains_key(&**name)) {
                    let headline = format!("the rig has no input \"{name}\"");
                    let inputs = rig.inputs.keys().map(|input| &**input);
                    unknown_name(Code::S01, node.at, headline, name, inputs, log);
                }
            }
            Domain::BusId if !show.bus_ids.contains(&&**name) => {
                let headline = format!("the profile has no bus \"{name}\"");
                unknown_name(Code::S03, node.at, headline, name, show.bus_ids.iter().copied(), log);
            }
            _ => {}
        }
    }
    Some(value)
}

fn refused(row: &Parameter, node: &Node, unit: &str, log: &mut Log) {
    let space = if unit.is_empty() { "" } else { " " };
    let label = format!("{}{space}{unit}; accepted: {}", log.found(node.at), row.accepted());
    let scope = row.scope.word();
    let article = if row.scope == Scope::Output { "an" } else { "a" };
    let help = match (&node.value, row.domain) {
        (Raw::Text(found), Domain::Words(words)) => nearest(found, words.iter().copied()).map_or_else(
            || "use one of the words accepted".to_owned(),
            |nearest| format!("did you mean \"{nearest}\"?"),
        ),
        (Raw::Text(_), Domain::Number { .. }) => "write the number without quotes and without its unit".to_owned(),
        (Raw::Whole(_) | Raw::Number(_), Domain::Number { .. }) if row.key == Key::ChannelFader => {
            "what the fader lacks, trim or the fader of the bus may give".to_owned()
        }
        (Raw::Flag(_), Domain::Words(_)) => "states are words, in quotes".to_owned(),
        _ => "\"longthrow params\" lists what every parameter accepts".to_owned(),
    };
    log.error(Code::S10, node.at, format!("{} is not what {article} {scope} accepts", row.word), label).help(help);
}

/// An earlier id can have become one thing only, and only when nothing carries it now.
fn renames(all: &[Named], log: &mut Log) {
    let mut claimed: BTreeMap<&str, Place> = BTreeMap::new();
    for Named { id, was, .. } in all {
        let Some((was, place)) = was else { continue };
        if let Some(holder) = all.iter().find(|other| other.id == *was) {
            let headline = format!("\"{was}\" is still in use, so \"{id}\" cannot have been it");
            log.error(Code::S09, *place, headline, "an id that nothing has now is accepted")
                .also(holder.at, format!("\"{was}\" stands here"))
                .help("remove the line, or rename the other one");
        } else if let Some(first) = claimed.insert(was, *place) {
            log.error(Code::S09, *place, format!("two things claim to have been \"{was}\""), "the second claim")
                .also(first, "the first claim")
                .help("keep the line where the sound is to go on");
        }
    }
}

/// Sharing groups are there by being named: a name that stands once is more likely a slip.
fn sharing_groups(values: &BTreeMap<Address, Value>, places: &BTreeMap<Address, Place>, log: &mut Log) {
    let mut members: BTreeMap<&str, Vec<&Address>> = BTreeMap::new();
    for (address, value) in values.iter().filter(|(address, _)| address.key == Key::ChannelSharingGroup) {
        if let Value::Word(group) = value
            && &**group != "off"
        {
            members.entry(group).or_default().push(address);
        }
    }
    let under =
        values.iter().filter(|(address, _)| matches!(address.key, Key::ChannelDuckingUnder | Key::BusDuckingUnder));
    let mut listened: BTreeSet<&str> = BTreeSet::new();
    for (address, value) in under {
        let Value::Word(group) = value else { continue };
        listened.insert(group);
        if &**group != "off" && !members.contains_key(&**group) {
            let headline = format!("nobody is in the sharing group \"{group}\"");
            let help = match nearest(group, members.keys().copied()) {
                Some(nearest) => format!("did you mean \"{nearest}\"?"),
                None => "name the group in the channels of the voices: sharing.group".to_owned(),
            };
            log.warning(Code::S15, places[address], headline, "no voice brings it down").help(help);
        }
    }
    let larger = || members.iter().filter(|(_, members)| members.len() > 1).map(|(group, _)| *group);
    for (group, members) in &members {
        if let [alone] = members[..]
            && !listened.contains(group)
        {
            let headline = format!("the sharing group \"{group}\" has one microphone");
            let help = match nearest(group, larger()) {
                Some(nearest) => format!("did you mean \"{nearest}\"?"),
                None => "name the same group in the other channels that share, or remove it here".to_owned(),
            };
            log.warning(Code::S15, places[alone], headline, "nobody shares with it").help(help);
        }
    }
    if let Some((group, members)) = members.iter().nth(SHARING_GROUPS_MAX) {
        let label = format!("group {}; accepted: up to {SHARING_GROUPS_MAX}", SHARING_GROUPS_MAX + 1);
        log.error(Code::S15, places[members[0]], format!("\"{group}\" is one sharing group too many"), label)
            .help("put it together with another");
    }
}

/// The names that a move can use.
struct Known<'k> {
    rig: Option<&'k RigNames>,
    panel: Option<&'k ControlKinds>,
    channel_ids: &'k [&'k str],
    bus_ids: &'k [&'k str],
    group_ids: &'k [&'k str],
    talkbacks: &'k [&'k str],
}

/// What a control of the panel is, where that is known.
fn control_kind(control: &str, node: &Node, known: &Known<'_>, log: &mut Log) -> Option<ControlKind> {
    let Some(panel) = known.panel else {
        check_id(control, node.key_at, log);
        return None;
    };
    if let Some(kind) = panel.get(control) {
        return *kind;
    }
    let headline = format!("the panel has no control \"{control}\"");
    unknown_name(Code::S02, node.key_at, headline, control, panel.keys().map(|control| &**control), log);
    None
}

fn read_move(control: &str, node: &Node, kind: Option<ControlKind>, known: &Known<'_>, log: &mut Log) -> Option<Move> {
    const REJOINS: [(&str, Rejoin); 3] =
        [("meet", Rejoin::Meet), ("converge", Rejoin::Converge), ("at-once", Rejoin::AtOnce)];
    if let Raw::Text(_) = node.value {
        let target = target(node, known, log)?;
        fits(kind, &target, node, log);
        fits_contact(kind, &target, known, node, log);
        return Some(Move { control: control.into(), target, response: None, step: None, rejoin: Rejoin::default() });
    }
    let Raw::Table(_) = node.value else {
        let label =
            format!("{} ({}); accepted: a target, or a table with a target", log.found(node.at), node.value.name());
        log.error(Code::F06, node.at, format!("the move of \"{control}\" is of the wrong type"), label)
            .help("write f1 = \"channel.lectern.fader\" or f1 = { target = \"...\", rejoin = \"converge\" }");
        return None;
    };
    let mut table = Table::of(node, format!("the move of \"{control}\""), log)?;
    let target = table.need("target", "a parameter, as \"channel.lectern.fader\"", log).and_then(|node| {
        let target = target(node, known, log)?;
        fits(kind, &target, node, log);
        fits_contact(kind, &target, known, node, log);
        Some(target)
    });
    let range = target.as_ref().and_then(|target| match target.key.parameter().domain {
        Domain::Number { lowest, highest, .. } => Some((lowest, highest)),
        _ => None,
    });
    let moved_by = |node: &Node, key: &str, wants: &str, right: bool, log: &mut Log| {
        if !right {
            let label = format!("accepted for {wants}");
            log.error(Code::S08, node.key_at, format!("\"{key}\" means nothing for this move"), label)
                .help("remove it, or move a parameter it fits with a control it fits");
        }
    };
    let slides = kind.is_none_or(|kind| matches!(kind, ControlKind::Fader | ControlKind::Knob));
    let response = table.get("response").map(|node| {
        moved_by(
            node,
            "response",
            "a fader or knob that moves a number",
            slides && (range.is_some() || target.is_none()),
            log,
        );
        let (lowest, highest) = range.unwrap_or((f32::MIN, f32::MAX));
        points(node, "response", lowest, highest, Code::S07, log)
    });
    let step = table.get("step").map(|node| {
        let turns = kind.is_none_or(|kind| matches!(kind, ControlKind::Encoder(_)));
        moved_by(node, "step", "an encoder that moves a number", turns && (range.is_some() || target.is_none()), log);
        let (lowest, highest) = range.unwrap_or((0.0, 1000.0));
        number(node, "step", 0.001, highest - lowest, log)
    });
    let rejoin = table.get("rejoin").map(|node| {
        moved_by(node, "rejoin", "a fader or knob", slides, log);
        word(node, "rejoin", &REJOINS, log)
    });
    table.finish(log);
    Some(Move {
        control: control.into(),
        target: target?,
        response: match response {
            Some(response) => Some(response?),
            None => None,
        },
        step: match step {
            Some(step) => Some(step?),
            None => None,
        },
        rejoin: rejoin.unwrap_or(Some(Rejoin::default()))?,
    })
}

/// Whether this kind of control can move (or show) that parameter.
fn fits(kind: Option<ControlKind>, target: &Address, node: &Node, log: &mut Log) {
    let Some(kind) = kind else { return };
    let row = target.key.parameter();
    let help = match (kind, row.domain, row.taper) {
        (_, _, Taper::None) => "no control moves or shows it; it is set in the profile or over OSC",
        (kind, ..) if kind != ControlKind::Lamp && row.key.nature() == Nature::Told => {
            "the desk says it and no control moves it; use a lamp"
        }
        (ControlKind::Momentary | ControlKind::Latching, ..) if row.key.is_held() => {
            "it is held down and let go: use a control of kind \"hold\""
        }
        (ControlKind::Momentary | ControlKind::Hold | ControlKind::Latching, Domain::Number { .. }, _) => {
            "a button moves parameters that have states, as channel.ID.switch; use a fader, knob or encoder here"
        }
        _ => return,
    };
    let label = format!("{}; {}", log.found(node.at), row.summary);
    log.error(Code::S08, node.at, "this control cannot move this parameter", label).help(help);
}

/// Whether a control may move a contact: a button only, as the contact is made, and never what belongs to a room.
fn fits_contact(kind: Option<ControlKind>, target: &Address, known: &Known<'_>, node: &Node, log: &mut Log) {
    let Some(used) = known.rig.and_then(|rig| *rig.contacts.get(&*target.id)?) else { return };
    let slides = matches!(kind, Some(ControlKind::Fader | ControlKind::Knob | ControlKind::Encoder(_)));
    let help = match (used, target.key) {
        _ if slides => "only buttons move contacts",
        _ if kind == Some(ControlKind::Lamp) => return,
        (ContactUse::OfRoom, _) => {
            "it is the lamp or the mute of a room, and tells the truth about its microphones; name another contact"
        }
        (ContactUse::Stand, Key::ContactPulse) => {
            "it stands open or closed: move its state, or give it a pulse_ms in the rig"
        }
        (ContactUse::Pulse, Key::ContactState) => "it makes pulses of its pulse_ms: move its pulse",
        _ => return,
    };
    let label = log.found(node.at);
    log.error(Code::S08, node.at, "this control cannot move this contact", label).help(help);
}

fn target(node: &Node, known: &Known<'_>, log: &mut Log) -> Option<Address> {
    let written = cursor::text(node, "target", log)?;
    let address = match Address::from_dotted(&written) {
        Ok(address) => address,
        Err(error) => {
            let help = match &error {
                AddressError::UnknownParameter { nearest: Some(nearest), .. } => format!("did you mean \"{nearest}\"?"),
                AddressError::UnknownScope(scope) => match nearest(scope, Scope::ALL.into_iter().map(Scope::word)) {
                    Some(nearest) => format!("did you mean \"{nearest}\"?"),
                    None => "write it like \"channel.lectern.fader\"".to_owned(),
                },
                _ => "write it like \"channel.lectern.fader\"; \"longthrow params\" lists all".to_owned(),
            };
            log.error(Code::S04, node.at, "the target is no parameter", error.to_string()).help(help);
            return None;
        }
    };
    let mut sound = true;
    let scope = address.key.parameter().scope;
    let outputs: Option<Vec<&str>> = known.rig.map(|rig| rig.outputs.iter().map(|output| &**output).collect());
    let rooms: Option<Vec<&str>> = known.rig.map(|rig| rig.rooms.iter().map(|room| &**room).collect());
    let contacts: Option<Vec<&str>> = known.rig.map(|rig| rig.contacts.keys().map(|contact| &**contact).collect());
    let ids = match scope {
        Scope::Channel => Some(known.channel_ids),
        Scope::Bus => Some(known.bus_ids),
        Scope::GainGroup => Some(known.group_ids),
        Scope::Output => outputs.as_deref(),
        Scope::Room => rooms.as_deref(),
        Scope::Talkback => Some(known.talkbacks),
        Scope::Contact => contacts.as_deref(),
        Scope::Desk => None,
    };
    if let Some(ids) = ids.filter(|ids| !ids.contains(&&*address.id)) {
        let headline = format!("there is no {} \"{}\"", scope.word(), address.id);
        unknown_name(Code::S04, node.at, headline, &address.id, ids.iter().copied(), log);
        sound = false;
    }
    if let Some(bus) = address.further.as_deref().filter(|bus| !known.bus_ids.contains(bus)) {
        unknown_name(
            Code::S03,
            node.at,
            format!("the profile has no bus \"{bus}\""),
            bus,
            known.bus_ids.iter().copied(),
            log,
        );
        sound = false;
    }
    sound.then_some(address)
}
