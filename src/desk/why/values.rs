//! What `why` says of single parameters: tallies, listening, and values that are refused now.

use super::super::status::{Facts, Heard};
use super::{Walk, Why, few};
use crate::desk::Desk;
use crate::params::{Address, Domain, Key, Nature, Value};
use crate::profile::{Id, Room};
use crate::words::why as words;

impl Desk {
    /// Of a parameter that is no part of a sound's way, or that refuses a value now; nothing of any other.
    pub(super) fn why_of_value(&self, path: &str, facts: &Facts) -> Option<Why> {
        let address = Address::from_dotted(path).ok().filter(|address| self.exists(address).is_ok())?;
        let id = Id::from(&*address.id);
        let (element, (passes, says)) = match address.key {
            Key::ChannelTally => ("tally", self.channel_tally(&id)),
            Key::BusTally => ("tally", self.why_off_air(&id).map_or((true, words::bus_lit(&id)), dark)),
            Key::ChannelListen | Key::BusListen => ("listen", self.listening(&address, facts)),
            _ => ("value", (false, self.refused_now(&address)?)),
        };
        let mut walk = Walk::default();
        walk.step(element, passes, says.clone());
        Some(walk.end(path, || says))
    }

    /// Another value of a parameter that takes words, which is refused now, and why.
    fn refused_now(&self, address: &Address) -> Option<String> {
        let Domain::Words(all) = address.key.parameter().domain else { return None };
        if address.key.nature() == Nature::Told {
            return None;
        }
        let now = self.value(address);
        let others = all.iter().filter(|word| now.as_ref().is_none_or(|now| !now.is_word(word)));
        let mut refused = others.filter_map(|word| {
            let value = Value::Word((*word).into());
            let why = self.acceptable(address, &value).err().or_else(|| self.refused_to_all(address, &value))?;
            Some(words::refused(word, &why))
        });
        refused.next()
    }

    fn channel_tally(&self, id: &Id) -> (bool, String) {
        match self.why_dark(id) {
            None => {
                let bus = self.buses_on_air().into_iter().find(|bus| self.is_heard_on(id, bus));
                (true, bus.map_or_else(|| words::LIT_STILL.to_owned(), |bus| words::tally_lit(&bus)))
            }
            Some(_) if self.held(Key::ChannelTally, id).is_word("live") => (true, words::LIT_STILL.to_owned()),
            Some(why) => dark(why),
        }
    }

    /// Why the microphone of a channel is not live, if so.
    fn why_dark(&self, id: &Id) -> Option<String> {
        if self.live_microphones().contains(id) {
            return None;
        }
        if !self.is_microphone(id) {
            return Some(self.input_of(id).map_or(words::NO_INPUT.to_owned(), |input| words::no_microphone(&input.id)));
        }
        if let Some(why) = self.why_closed(id) {
            return Some(why);
        }
        let programme = Id::from("programme");
        let mut ways = self.buses().map(|bus| &bus.id).filter(|bus| self.gives(id, bus)).peekable();
        let first = ways.peek().copied();
        let Some(way) = ways.find(|bus| **bus == programme).or(first) else { return Some(words::NO_BUS.to_owned()) };
        self.why_off_air(way)
    }

    /// What keeps a channel closed, if anything does; a cough and solo-in-place are for a moment and no part of it.
    fn why_closed(&self, id: &Id) -> Option<String> {
        if !self.stands_on(&Address::new(Key::ChannelSwitch, id)) {
            return Some(words::SWITCH_CLOSED.to_owned());
        }
        let facts = Facts::default();
        let mut walk = Walk::default();
        self.walk_gain_groups(id, &facts, &mut walk);
        self.step_fader(&Address::new(Key::ChannelFader, id), "fader", &facts, &mut walk);
        walk.0.into_iter().find(|step| !step.passes).map(|step| step.says)
    }

    /// A channel that is not open, and why, unless its own switch is why.
    pub(super) fn closed_in_words(&self, id: &Id) -> String {
        match self.why_closed(id) {
            Some(why) if why != words::SWITCH_CLOSED => words::closed_by(id, &why),
            _ => id.to_string(),
        }
    }

    /// Why nobody outside hears a bus, if so.
    fn why_off_air(&self, bus: &Id) -> Option<String> {
        if self.is_on_air(bus) {
            return None;
        }
        if self.held(Key::BusRehearsal, bus).is_word("on") {
            return Some(words::in_rehearsal(bus));
        }
        if self.held(Key::BusAir, bus).is_word("never") {
            return Some(words::never_on_air(bus));
        }
        if self.is_mix_minus(bus) {
            return Some(words::mix_minus_off_air(bus));
        }
        let onward = |to: &&Id| **to != *bus && self.stands_on(&Address::with_further(Key::BusAssign, bus, to));
        if let Some(to) = self.buses().map(|bus| &bus.id).find(onward) {
            return self.why_off_air(to);
        }
        let carriers = self.rig().outputs.iter().filter(|output| self.carried(&output.id) == **bus);
        let carriers: Vec<&str> = carriers.map(|output| &*output.id).collect();
        Some(words::heard_inside(bus, &few(carriers.into_iter())))
    }

    /// Why the lamp of a room is dark: what keeps the first microphone in it from being live.
    pub(super) fn why_room_dark(&self, room: &Room) -> String {
        let here = self.channels().map(|channel| &channel.id).filter(|id| {
            self.is_microphone(id) && self.input_of(id).is_some_and(|input| room.microphones.contains(&input.id))
        });
        // One that is open comes first: it is the one that is asked about.
        let mut here: Vec<&Id> = here.collect();
        here.sort_by_key(|id| !self.stands_on(&Address::new(Key::ChannelSwitch, id)));
        let why = here.first().and_then(|id| Some((id, self.why_dark(id)?)));
        why.map_or_else(|| words::ROOM_QUIET.to_owned(), |(id, why)| words::room_dark(id, &why))
    }

    /// Whether anybody hears what is listened to.
    fn listening(&self, address: &Address, facts: &Facts) -> (bool, String) {
        let id = &address.id;
        if !self.stands_on(address) {
            return (false, words::NOT_LISTENED.to_owned());
        }
        let outputs = self.rig().outputs.iter().filter(|output| self.listens_now(&output.id));
        let outputs: Vec<&str> = outputs.map(|output| &*output.id).collect();
        if outputs.is_empty() {
            return (false, words::NO_OUTPUT_LISTENS.to_owned());
        }
        let sounds = |path: String| facts.heard.get(&path).is_some_and(Heard::sounds);
        let sounds = if address.key == Key::BusListen {
            ["left", "right"].iter().any(|side| sounds(format!("/meter/bus/{id}/{side}/peak")))
        } else {
            let before = self.held(Key::ChannelListenPoint, &Id::from(&**id)).is_word("pre-fader");
            sounds(format!("/meter/channel/{id}/{}/peak", if before { "input" } else { "after-fader" }))
        };
        if sounds {
            (true, words::listened_on(&few(outputs.into_iter())))
        } else {
            (false, words::LISTENED_SILENT.to_owned())
        }
    }
}

fn dark(why: String) -> (bool, String) {
    (false, words::tally_dark(&why))
}
