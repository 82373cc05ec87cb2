//! Reads the rooms of a rig: which microphones and loudspeakers stand in one, and what lights and mutes there; and the lines
//! by which a source is started.
//!
//! ```text
//! [room.grain-floor]                 [input.lectern-mic]        [output.grain-floor-monitors]
//! label = "Grain floor"              room = "grain-floor"       room = "grain-floor"
//! lamp = "grain-floor-lamp"
//!                                    [input.turntable]
//!                                    start = "turntable-start"
//! ```

use super::cursor::{Table, Thing, number, text, text_not_empty, unknown_name, whole};
use super::diagnostic::Code;
use super::log::Log;
use super::model::{Contact, Id, Input, InputKind, Output, OutputKind, RemoteStart, RigConsole, Room};
use super::text::Node;

const ROOMS_MAX: usize = 64;
/// How long a room rings when the rig does not say, ms: common practice is 250 to 500, no source.
const DECAY_MS: u32 = 300;

/// The inputs and outputs that say in which room they are.
#[derive(Debug, Default)]
pub(super) struct InRooms<'t> {
    inputs: Vec<(&'t str, &'t Node)>,
    outputs: Vec<(&'t str, &'t Node)>,
    starts: Vec<(&'t str, &'t Node)>,
    stops: Vec<(&'t str, &'t Node)>,
}

impl<'t> InRooms<'t> {
    /// Notes where an input stands, and what starts it.
    pub(super) fn input(&mut self, thing: &mut Thing<'t>) {
        self.starts.extend(thing.table.get("start").map(|node| (thing.id, node)));
        self.stops.extend(thing.table.get("stop").map(|node| (thing.id, node)));
        self.inputs.extend(thing.table.get("room").map(|node| (thing.id, node)));
    }

    /// Notes where an output stands.
    pub(super) fn output(&mut self, thing: &mut Thing<'t>) {
        self.outputs.extend(thing.table.get("room").map(|node| (thing.id, node)));
    }

    /// Reads the rooms, and puts everything into its own.
    pub(super) fn read(
        self,
        top: &mut Table<'t>,
        inputs: &[Input],
        outputs: &[Output],
        contacts: &[Contact],
        log: &mut Log,
    ) -> RigConsole {
        let mut rooms: Vec<Room> =
            top.things("room", ROOMS_MAX, log).into_iter().map(|thing| room(thing, contacts, log)).collect();
        for (id, node) in self.inputs {
            // An input with mistakes of its own is complained of there.
            let kind = inputs.iter().find(|input| *input.id == *id).map(|input| input.kind);
            if kind.is_some_and(|kind| kind != InputKind::Microphone) {
                belongs_to_none(node, id, "only microphones light the lamp of a room", log);
            } else if let Some(room) = find(&mut rooms, node, log) {
                room.microphones.push(id.into());
            }
        }
        for (id, node) in self.outputs {
            let kind = outputs.iter().find(|output| *output.id == *id).map(|output| output.kind);
            if kind.is_some_and(|kind| kind != OutputKind::Loudspeaker) {
                belongs_to_none(node, id, "only loudspeakers are muted for a room; headphones never are", log);
            } else if let Some(room) = find(&mut rooms, node, log) {
                room.loudspeakers.push(id.into());
            }
        }
        let stops: Vec<(&str, Option<Id>)> =
            self.stops.iter().map(|(id, node)| (*id, pulsing(node, "stop", contacts, log))).collect();
        let starts = self.starts.iter().filter_map(|(id, node)| {
            let start = pulsing(node, "start", contacts, log)?;
            let stop = stops.iter().find(|(of, _)| of == id).and_then(|(_, stop)| stop.clone());
            Some(RemoteStart { input: Id::from(*id), start, stop })
        });
        let starts: Vec<RemoteStart> = starts.collect();
        for (id, node) in &self.stops {
            if self.starts.iter().all(|(of, _)| of != id) {
                log.error(
                    Code::F14,
                    node.key_at,
                    format!("\"{id}\" is stopped and never started"),
                    "accepted with \"start\"",
                )
                .help("add start = \"...\", or remove the line");
            }
        }
        RigConsole { rooms, starts }
    }
}

fn find<'r>(rooms: &'r mut [Room], node: &Node, log: &mut Log) -> Option<&'r mut Room> {
    let name = text(node, "room", log)?;
    let place = rooms.iter().position(|room| *room.id == *name);
    if place.is_none() {
        let known: Vec<&str> = rooms.iter().map(|room| &*room.id).collect();
        unknown_name(Code::C01, node.at, format!("the rig has no room \"{name}\""), &name, known.into_iter(), log);
    }
    rooms.get_mut(place?)
}

fn belongs_to_none(node: &Node, id: &str, why: &str, log: &mut Log) {
    log.error(Code::C01, node.key_at, format!("\"{id}\" has no use for a room"), why)
        .help("remove the line, or put the kind right");
}

fn room(thing: Thing<'_>, contacts: &[Contact], log: &mut Log) -> Room {
    let Thing { id, mut table, .. } = thing;
    let label = table.get("label").and_then(|node| text_not_empty(node, "label", log));
    let lamp = table.get("lamp").and_then(|node| standing(node, "lamp", contacts, log));
    let mute = table.get("mute").and_then(|node| standing(node, "mute", contacts, log));
    let latency_ms = table.get("latency_ms").and_then(|node| number(node, "latency_ms", 0.0, 500.0, log));
    let decay_ms = table.get("decay_ms").and_then(|node| whole(node, "decay_ms", 0_u32, 5_000, log));
    table.finish(log);
    Room {
        id: id.into(),
        label: label.unwrap_or_else(|| id.to_owned()),
        microphones: Vec::new(),
        loudspeakers: Vec::new(),
        lamp,
        mute,
        latency_ms: latency_ms.unwrap_or(0.0),
        decay_ms: decay_ms.unwrap_or(DECAY_MS),
    }
}

fn contact<'c>(node: &Node, key: &str, contacts: &'c [Contact], log: &mut Log) -> Option<&'c Contact> {
    let name = text(node, key, log)?;
    let contact = contacts.iter().find(|contact| *contact.id == *name);
    if contact.is_none() {
        let headline = format!("the rig has no contact \"{name}\"");
        unknown_name(Code::C02, node.at, headline, &name, contacts.iter().map(|contact| &*contact.id), log);
    }
    contact
}

/// A contact that makes pulses.
fn pulsing(node: &Node, key: &str, contacts: &[Contact], log: &mut Log) -> Option<Id> {
    let contact = contact(node, key, contacts, log)?;
    if contact.pulse_ms.is_none() {
        let headline = format!("contact \"{}\" makes no pulses", contact.id);
        log.error(Code::C03, node.at, headline, "accepted: a contact with pulse_ms")
            .help("give the contact pulse_ms = 200; start and stop lines take 100 to 500 ms");
        return None;
    }
    Some(contact.id.clone())
}

/// A contact that stands closed while a microphone is live, and when nobody knows whether one is.
fn standing(node: &Node, key: &str, contacts: &[Contact], log: &mut Log) -> Option<Id> {
    let contact = contact(node, key, contacts, log)?;
    if !contact.safe_closed || contact.pulse_ms.is_some() {
        let headline = format!("contact \"{}\" would let go when its node has lost the desk", contact.id);
        log.error(Code::C03, node.at, headline, "accepted: a contact that stands, with safe = \"closed\"")
            .help("a dark lamp over a live microphone is the worst error: give the contact safe = \"closed\"");
        return None;
    }
    Some(contact.id.clone())
}
