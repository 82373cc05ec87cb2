//! What `why` says of gain groups, rooms, talkbacks, inputs, contacts and the controls of the panel, and of what listens.

use super::super::hands;
use super::super::status::{Facts, Heard, SILENT_DBFS};
use super::{Walk, Why, at_source, few};
use crate::desk::{By, Desk};
use crate::panel::ControlIndex;
use crate::params::{Address, Key, Value};
use crate::profile::{Contact, Control, ControlKind, GainGroup, Id, Input, Room, Talkback};
use crate::words::why as words;

impl Desk {
    /// Of a gain group, a room, a talkback, an input or a contact; nothing when none is called so.
    pub(super) fn why_of_console(&self, scope: &str, id: &str, path: &str, facts: &Facts) -> Option<Why> {
        let is = |wanted: &str| scope == wanted || scope.is_empty();
        if is("gain-group")
            && let Some(group) = self.gain_groups().find(|group| &*group.id == id)
        {
            return Some(self.why_gain_group(path, group, facts));
        }
        if is("room")
            && let Some(room) = self.rig().console.rooms.iter().find(|room| &*room.id == id)
        {
            return Some(self.why_room(path, room));
        }
        if is("talkback")
            && let Some(talkback) = self.talkbacks().iter().find(|talkback| &*talkback.id == id)
        {
            return Some(self.why_talkback(path, talkback, facts));
        }
        if is("input")
            && let Some(input) = self.rig().input(id)
        {
            return Some(self.why_input(path, input, facts));
        }
        if is("contact")
            && let Some(contact) = self.rig().contacts.iter().find(|contact| &*contact.id == id)
        {
            return Some(self.why_contact(path, contact, facts));
        }
        None
    }

    /// What the gain groups of a channel do to it.
    pub(super) fn walk_gain_groups(&self, channel: &Id, facts: &Facts, walk: &mut Walk) {
        for group in self.gain_groups_of(channel) {
            self.walk_gain_group(group, facts, walk);
        }
    }

    fn walk_gain_group(&self, group: &GainGroup, facts: &Facts, walk: &mut Walk) {
        let element = format!("gain group {}", group.id);
        let open = self.stands_on(&Address::new(Key::GroupSwitch, &group.id));
        walk.step(&element, open, words::gain_group(&group.id, open));
        self.step_fader(&Address::new(Key::GroupFader, &group.id), &element, facts, walk);
    }

    fn why_gain_group(&self, path: &str, group: &GainGroup, facts: &Facts) -> Why {
        let mut walk = Walk::default();
        self.walk_gain_group(group, facts, &mut walk);
        let open: Vec<&str> = group.members.iter().filter(|id| self.is_open(id)).map(|id| &**id).collect();
        let members = few(group.members.iter().map(|id| &**id));
        if group.members.is_empty() {
            walk.step("members", false, words::NO_MEMBERS);
        } else if walk.passes() {
            walk.step("members", !open.is_empty(), words::members(&members, &few(open.iter().copied())));
        }
        let last = walk.0.last().map(|step| step.says.clone()).unwrap_or_default();
        walk.end(path, || last)
    }

    /// Of a room it is asked why its loudspeakers are silent, or its lamp is lit.
    fn why_room(&self, path: &str, room: &Room) -> Why {
        let mut walk = Walk::default();
        let why = room.loudspeakers.first().and_then(|output| self.why_muted(output));
        let live = self.live_in(room);
        let says = match (&why, live.is_empty()) {
            (Some(why), _) => words::room_muted(why),
            (None, false) => words::room_live(&live),
            (None, true) => self.why_room_dark(room),
        };
        walk.step("microphones", why.is_none(), says.clone());
        walk.end(path, || says)
    }

    /// What arrives at an input, by whatever carries it.
    fn why_input(&self, path: &str, input: &Input, facts: &Facts) -> Why {
        let mut walk = Walk::default();
        self.walk_source(Some(input), &mut walk);
        let carrier = self.channels().find(|channel| self.input_of(&channel.id).is_some_and(|of| of.id == input.id));
        let talkback = self.talkbacks().iter().find(|talkback| talkback.source == input.id);
        let mut soft = None;
        match (carrier, talkback) {
            _ if !walk.passes() => {}
            (Some(channel), _) => {
                if let Some(heard) = facts.heard.get(&format!("/meter/channel/{}/input/peak", channel.id)) {
                    self.walk_signal(&channel.id, input, *heard, facts, &mut walk, &mut soft);
                }
            }
            (None, Some(talkback)) => Self::walk_talkback_input(input, talkback, facts, &mut walk),
            (None, None) => walk.step("source", false, words::input_unused(&input.id)),
        }
        walk.0.extend(soft);
        let last = walk.0.last().map(|step| step.says.clone()).unwrap_or_default();
        walk.end(path, || last)
    }

    fn why_contact(&self, path: &str, contact: &Contact, facts: &Facts) -> Why {
        let mut walk = Walk::default();
        Self::step_port(&contact.port, facts, &mut walk);
        let of = |room: &&Room| room.lamp.as_ref() == Some(&contact.id) || room.mute.as_ref() == Some(&contact.id);
        let says = match self.rig().console.rooms.iter().find(of) {
            Some(room) => words::contact_of_room(&contact.id, &room.id),
            None => words::contact_ready(&contact.id),
        };
        walk.step("contact", true, says.clone());
        walk.end(path, || says)
    }

    fn step_port(port: &Id, facts: &Facts, walk: &mut Walk) {
        let away = facts.ports_away.get(port);
        walk.step(format!("control port {port}"), away.is_none(), words::control_port(port, away.map(|why| &**why)));
    }

    fn walk_talkback_input(input: &Input, talkback: &Talkback, facts: &Facts, walk: &mut Walk) {
        let Some(heard) = facts.heard.get(&format!("/meter/talkback/{}/input/peak", talkback.id)) else { return };
        let sounds = heard.sounds() || heard.peak_dbfs > SILENT_DBFS;
        let says = if sounds {
            words::input_has(&input.id, heard.peak_dbfs)
        } else {
            words::no_signal(&input.id, heard.peak_dbfs, at_source(&input.from))
        };
        walk.step("input", sounds, says);
    }

    /// From the microphone of a talkback over its key to the buses it speaks to.
    fn why_talkback(&self, path: &str, talkback: &Talkback, facts: &Facts) -> Why {
        let mut walk = Walk::default();
        let input = self.rig().input(&talkback.source);
        self.walk_source(input, &mut walk);
        if let Some(input) = input.filter(|_| walk.passes()) {
            Self::walk_talkback_input(input, talkback, facts, &mut walk);
        }
        let to = self.speaks_to(talkback);
        let buses = few(talkback.to.iter().map(|bus| &**bus));
        walk.step("key", !to.is_empty(), words::talkback_key(&talkback.id, &to.join(", "), &buses));
        let mut ways: Vec<Walk> = to
            .iter()
            .map(|bus| {
                let mut way = Walk::default();
                self.walk_bus(&Id::from(&**bus), false, facts, &mut way);
                way
            })
            .collect();
        if let Some(way) = ways.iter().position(Walk::passes).or((!ways.is_empty()).then_some(0)) {
            walk.0.append(&mut ways[way].0);
        }
        walk.end(path, || words::speaks_to(&to.join(", ")))
    }

    /// What an output plays that listens; gives what is to be said when nothing is wrong with it.
    pub(super) fn walk_listened(&self, output: &Id, facts: &Facts, walk: &mut Walk) -> String {
        let sounds = |path: String| facts.heard.get(&path).is_some_and(Heard::sounds);
        let channels = self.channels().map(|channel| &channel.id).filter(|id| {
            self.stands_on(&Address::new(Key::ChannelListen, id)) && {
                let before = self.held(Key::ChannelListenPoint, id).is_word("pre-fader");
                sounds(format!("/meter/channel/{id}/{}/peak", if before { "input" } else { "after-fader" }))
            }
        });
        let buses = self.buses().map(|bus| &bus.id).filter(|id| {
            self.stands_on(&Address::new(Key::BusListen, id))
                && ["left", "right"].iter().any(|side| sounds(format!("/meter/bus/{id}/{side}/peak")))
        });
        let plays = channels.count() + buses.count() > 0;
        let listened = self.listened();
        let says = words::listens(output, &few(listened.iter().map(|id| &**id)), plays);
        walk.step("listening", plays, says.clone());
        says
    }

    pub(super) fn why_control(&self, path: &str, index: ControlIndex, facts: &Facts) -> Why {
        let mut walk = Walk::default();
        let Some(control) = self.panel().controls.get(index.0) else { return walk.end(path, String::new) };
        Self::step_port(&control.port, facts, &mut walk);
        let targets: Vec<&Address> =
            self.hands.iter().filter(|(of, _)| *of == index).map(|(_, hand)| &hand.moves.target).collect();
        if targets.is_empty() && !self.moves().iter().any(|moves| moves.control == control.id) {
            let shows = control.kind == ControlKind::Lamp;
            walk.step("profile", false, words::nothing_to_move(self.profile_name(), shows));
        }
        let is_lamp = control.kind == ControlKind::Lamp;
        if !is_lamp && self.taught {
            walk.step("assign", false, words::PANEL_TAUGHT);
        }
        for target in targets {
            let value = match self.value(target) {
                Some(Value::Number(number)) => crate::words::number(number),
                value => value.map_or_else(String::new, |value| value.to_string()),
            };
            if is_lamp {
                let lit = self
                    .hands
                    .iter()
                    .find(|(of, _)| *of == index)
                    .and_then(|(_, hand)| hand.travel_of(&self.value(target)?));
                let lit = lit.is_some_and(|travel| travel.get() > 0.0);
                walk.step("lamp", true, words::lamp(lit, &target.to_string(), &value));
                continue;
            }
            if self.is_locked() {
                let obeys = matches!(target.key, Key::ChannelCough | Key::DeskPanic | Key::DeskLock);
                walk.step("lock", obeys, if obeys { words::OBEYS_WHEN_LOCKED } else { words::PANEL_LOCKED });
            }
            if let Some(refused) = self.novice_refuses(target, &Value::Word("on".into()), By::Control(index)) {
                walk.step("novice", false, words::novice(&refused));
            }
            let way = self.way_to_rejoin(index);
            let says = words::control_moves(&target.to_string(), &value, way.as_deref());
            walk.step(target.to_string(), way.is_none(), says);
        }
        let last = walk.0.last().map(|step| step.says.clone()).unwrap_or_default();
        walk.end(path, || last)
    }

    /// What a fader or knob that waits has to do: `waiting: lower 12 mm`.
    pub(in crate::desk) fn way_to_rejoin(&self, control: ControlIndex) -> Option<String> {
        let (_, hand) = self.hands.iter().find(|(of, _)| *of == control)?;
        if hand.joined || !matches!(hand.kind, ControlKind::Fader | ControlKind::Knob) {
            return None;
        }
        let at = self.panel().controls.get(control.0)?;
        let there = hand.travel_of(&self.value(&hand.moves.target)?)?;
        let Some(last) = hand.last else { return Some(words::PLACE_NOT_KNOWN.to_owned()) };
        Some(way(at, last.get() - there.get()))
    }
}

/// The way back to the desk's value, by how much the control stands too high.
fn way(control: &Control, too_high: f32) -> String {
    let amount = too_high.abs();
    let mm = (control.kind == ControlKind::Fader).then_some(amount * control.travel_mm);
    words::waiting((amount >= hands::MET).then_some((too_high > 0.0, mm, amount * 100.0)))
}
