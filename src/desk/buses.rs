//! Who feeds whom: sends, groups, and mix-minus.
//!
//! A bus that is assigned to others is a group of theirs. Buses stand on levels: a bus above all that feed it, a bus that
//! feeds none on the last, those of mix-minus behind that. A bus keeps its level as long as it can, and with it its columns.

use super::layout::Place;
use super::own_voice::Return;
use super::stage::{Owner, Wanted, WantedKind};
use super::{By, Desk, Effects};
use crate::dsp::level::linear;
use crate::engine::limits::{BUS_LEVELS, FOLLOWED_LEVELS};
use crate::engine::{Bank, Tap, Target};
use crate::params::{Address, Key, Value};
use crate::profile::{GRAPH_LEVELS, Id, Minus, OWNERS_MAX, Tangle, highest_levels};
use crate::units::Pan;
use crate::words::log;
use std::collections::{BTreeMap, BTreeSet};

const _: () = assert!(GRAPH_LEVELS == FOLLOWED_LEVELS, "a level for each bus of the longest row");

impl Desk {
    pub(super) fn minus_of(&self, bus: &str) -> Option<&Minus> {
        self.buses().find(|known| &*known.id == bus)?.minus.as_ref()
    }

    /// Whether a bus is a mix-minus.
    pub(super) fn is_mix_minus(&self, bus: &str) -> bool {
        self.minus_of(bus).is_some()
    }

    /// Whether a bus is heard only by those who are off air: nothing of it reaches a show.
    pub(super) fn is_off_air(&self, bus: &str) -> bool {
        bus == "audition"
            || self.buses().any(|other| other.minus.as_ref().and_then(|minus| minus.off_air.as_deref()) == Some(bus))
    }

    /// Which bus feeds which.
    pub(super) fn feeds(&self) -> BTreeMap<Id, BTreeSet<Id>> {
        let ids: Vec<&Id> = self.buses().map(|bus| &bus.id).collect();
        let on = |from: &Id, to: &Id| {
            self.mix.get(&Address::with_further(Key::BusAssign, from, to)).is_some_and(|value| value.is_word("on"))
        };
        // A mix-minus feeds outputs only, and what feeds it needs no place before others.
        let feeds = |from: &Id| {
            let targets = ids.iter().filter(|to| self.minus_of(to).is_none() && on(from, to));
            targets.map(|to| (**to).clone()).collect()
        };
        ids.iter().map(|from| ((*from).clone(), feeds(from))).collect()
    }

    /// The buses from which something gets to this one.
    pub(super) fn leading_to(&self, bus: &str) -> BTreeSet<Id> {
        let feeds = self.feeds();
        let mut leading: BTreeSet<Id> = BTreeSet::new();
        loop {
            let leads = |to: &BTreeSet<Id>| to.iter().any(|to| **to == *bus || leading.contains(to));
            let more =
                feeds.iter().filter(|(from, to)| **from != Id::from(bus) && !leading.contains(*from) && leads(to));
            let more: Vec<Id> = more.map(|(from, _)| from.clone()).collect();
            if more.is_empty() {
                return leading;
            }
            leading.extend(more);
        }
    }

    /// Why a bus cannot be assigned to another.
    pub(super) fn why_not_assigned(&self, from: &Id, to: &Id) -> Option<String> {
        if self.minus_of(from).is_some() {
            return Some(format!("{from} is a mix-minus: it goes to outputs only"));
        }
        if self.is_off_air(from) && from != to {
            return Some(format!("{from} is off air: it goes to no other bus"));
        }
        let mut feeds = self.feeds();
        feeds.entry(from.clone()).or_default().insert(to.clone());
        match highest_levels(&feeds) {
            Err(Tangle::Ring(ring)) => Some(format!("that would be a ring: {}", ring.join(" -> "))),
            Err(Tangle::TooDeep(row)) => Some(format!(
                "that would be {} buses in a row, accepted: {GRAPH_LEVELS}: {}",
                row.len(),
                row.join(" -> ")
            )),
            Ok(_) => None,
        }
    }

    /// Why a send cannot be taken before the switch.
    pub(super) fn why_no_input_send(&self, bus: &str) -> Option<String> {
        let heard = !self.is_off_air(bus) || self.reaches_people_outside(&bus.into());
        heard.then(|| format!("{bus} may be on air: it takes a channel only behind its switch"))
    }

    /// Sends from before a switch that people outside would hear, whatever the switch does: channel and bus.
    pub(super) fn input_sends_heard_outside(&self) -> Vec<(Id, Id)> {
        let points = self.mix.iter().filter(|(address, _)| address.key == Key::ChannelSendPoint);
        let sends = points.filter(|(_, point)| point.is_word("input"));
        let sends =
            sends.filter_map(|(address, _)| Some((Id::from(&*address.id), Id::from(address.further.as_deref()?))));
        sends.filter(|(_, bus)| self.reaches_people_outside(bus)).collect()
    }

    /// Takes those behind their switch.
    pub(super) fn keep_input_sends_inside(&mut self, effects: &mut Effects) {
        for (channel, bus) in self.input_sends_heard_outside() {
            effects.notes.push(log::sends_behind_the_switch(&channel, &bus));
            let point = Address::with_further(Key::ChannelSendPoint, &channel, &bus);
            self.put(&point, Value::Word("pre-fader".into()), By::Desk, effects);
        }
    }

    /// The level of every bus. One that stands keeps its level while those it feeds are above it.
    fn levels(&self) -> BTreeMap<Id, usize> {
        let feeds = self.feeds();
        let Ok(highest) = highest_levels(&feeds) else { return BTreeMap::new() };
        let mut order: Vec<(&Id, usize)> = highest.iter().map(|(id, level)| (id, *level)).collect();
        order.sort_by_key(|(_, level)| std::cmp::Reverse(*level));
        let mut levels: BTreeMap<Id, usize> = BTreeMap::new();
        for (id, highest) in order {
            let targets = feeds.get(id).into_iter().flatten();
            let below = targets.filter_map(|to| levels.get(to)).min().copied().unwrap_or(GRAPH_LEVELS);
            // Room below for those that feed it is what `highest` leaves of the levels.
            let standing = self.stage.level_of(id).filter(|level| *level < below && *level >= self.feeders(id, &feeds));
            levels.insert(id.clone(), standing.unwrap_or_else(|| highest.min(below.saturating_sub(1))));
        }
        for bus in self.buses().filter(|bus| bus.minus.is_some()) {
            levels.insert(bus.id.clone(), BUS_LEVELS - 1);
        }
        levels
    }

    /// The longest row of buses that end in this one, without it.
    fn feeders(&self, id: &Id, feeds: &BTreeMap<Id, BTreeSet<Id>>) -> usize {
        let before = feeds.iter().filter(|(_, to)| to.contains(id));
        before.map(|(from, _)| 1 + self.feeders(from, feeds)).max().unwrap_or(0)
    }

    /// The buses the engine ought to hold, and what follows them.
    pub(super) fn wanted_buses(&self) -> Vec<Wanted> {
        let levels = self.levels();
        let level = |id: &Id| levels.get(id).copied().unwrap_or(GRAPH_LEVELS - 1);
        let bus = |id: &Id| Wanted { id: id.clone(), kind: WantedKind::Bus { level: level(id) } };
        let mut wanted: Vec<Wanted> = self.buses().map(|known| bus(&known.id)).collect();
        let feeds = self.feeds();
        for (id, minus) in self.buses().filter_map(|bus| Some((&bus.id, bus.minus.as_ref()?))) {
            let channels = self.owners(minus);
            if channels.len() > OWNERS_MAX {
                // Whose share it is cannot be said: nothing is better than their own voice.
                continue;
            }
            let owner = |shares: &[(Id, usize)], below: usize| Owner {
                channels: channels.clone(),
                shares: shares.iter().filter(|(_, level)| *level < below).map(|(id, _)| id.clone()).collect(),
            };
            // From the first level on: the share of a group is needed in those that it feeds.
            let mut groups: Vec<&Id> = feeds.keys().filter(|bus| self.minus_of(bus).is_none()).collect();
            groups.sort_by_key(|bus| level(bus));
            let mut shares: Vec<(Id, usize)> = Vec::new();
            for group in groups {
                let share = share_id(id, group);
                let gives = channels.iter().any(|channel| self.gives(channel, group))
                    || shares
                        .iter()
                        .any(|(of, _)| feeds.iter().any(|(from, to)| to.contains(group) && *of == share_id(id, from)));
                let feeds_more = feeds.get(group).is_some_and(|to| !to.is_empty());
                // One that stands stays: what it was about may still be fading.
                if (gives && feeds_more) || self.stage.has_follower(&share) {
                    let kind = WantedKind::Follower {
                        leader: group.clone(),
                        without: false,
                        owner: owner(&shares, level(group)),
                    };
                    wanted.push(Wanted { id: share.clone(), kind });
                    shares.push((share, level(group)));
                }
            }
            for of in std::iter::once(&minus.of).chain(&minus.off_air) {
                let kind = WantedKind::Follower { leader: of.clone(), without: true, owner: owner(&shares, level(of)) };
                wanted.push(Wanted { id: rest_id(id, of), kind });
            }
        }
        wanted
    }

    /// Every channel that carries what the channels of a mix-minus carry.
    fn owners(&self, minus: &Minus) -> Vec<Id> {
        let inputs: BTreeSet<&Id> =
            minus.less.iter().filter_map(|id| self.input_of(id).map(|input| &input.id)).collect();
        let carries = |id: &Id| self.input_of(id).is_some_and(|input| inputs.contains(&input.id));
        self.channels()
            .map(|channel| &channel.id)
            .filter(|id| minus.less.contains(id) || carries(id))
            .cloned()
            .collect()
    }

    /// Whether anything of a channel goes to a bus.
    pub(super) fn gives(&self, channel: &Id, bus: &Id) -> bool {
        let assigned = Address::with_further(Key::ChannelAssign, channel, bus);
        self.mix.get(&assigned).is_some_and(|value| value.is_word("on")) || self.send_level(channel, bus) != Value::Off
    }

    pub(super) fn send_level(&self, channel: &Id, bus: &str) -> Value {
        let level = self.mix.get(&Address::with_further(Key::ChannelSendLevel, channel, bus));
        level.cloned().unwrap_or(Value::Off)
    }

    /// Where a send is taken.
    pub(super) fn send_tap(&self, channel: &Id, bus: &str) -> Tap {
        match self.mix.get(&Address::with_further(Key::ChannelSendPoint, channel, bus)) {
            Some(point) if point.is_word("pre-fader") => Tap::PreFader,
            Some(point) if point.is_word("input") => Tap::Input,
            _ => Tap::AfterFader,
        }
    }

    /// Aims what one bus gets of a channel: by assignment, and by a send.
    pub(super) fn aim_shares(&mut self, id: &Id, place: Place, bus: &Id) {
        let Some(to) = self.stage.place(Bank::Buses, bus) else { return };
        let assigned = Address::with_further(Key::ChannelAssign, id, bus);
        let assigned = self.mix.get(&assigned).is_some_and(|value| value.is_word("on"));
        let direct = if assigned { self.sides(id, place, self.pan_of(Key::ChannelPan, id, None)) } else { [0.0; 2] };
        let level = self.send_level(id, bus);
        let send = if level == Value::Off {
            [0.0; 2]
        } else {
            let pan = self.pan_of(Key::ChannelSendPan, id, Some(bus));
            self.sides(id, place, pan).map(|side| side * linear(level.decibels()).get())
        };
        let dip = self.dip_of(bus);
        let (direct, send) = (direct.map(|side| side * dip), send.map(|side| side * dip));
        let tapped = self.send_tap(id, bus);
        for tap in [Tap::AfterFader, Tap::PreFader, Tap::Input] {
            let direct = if tap == Tap::AfterFader { direct } else { [0.0; 2] };
            let send = if tap == tapped { send } else { [0.0; 2] };
            let (first, second) = (place.first, place.first + place.width - 1);
            let [left, right] = [direct[0] + send[0], direct[1] + send[1]];
            if place.width == 2 {
                // Middle and sides: of each column so much on its own side, and so much on the other.
                let width = self.width_of(id);
                let (own, other) = (0.5 * (1.0 + width), 0.5 * (1.0 - width));
                self.stage.aim(Target::ToBus { tap, from: first, to: to.first }, own * left);
                self.stage.aim(Target::ToBus { tap, from: second, to: to.first }, other * left);
                self.stage.aim(Target::ToBus { tap, from: first, to: to.first + 1 }, other * right);
                self.stage.aim(Target::ToBus { tap, from: second, to: to.first + 1 }, own * right);
                continue;
            }
            self.stage.aim(Target::ToBus { tap, from: first, to: to.first }, left);
            self.stage.aim(Target::ToBus { tap, from: first, to: to.first + 1 }, right);
        }
    }

    fn width_of(&self, id: &Id) -> f32 {
        match self.held(Key::ChannelWidth, id) {
            _ if self.held(Key::ChannelMono, id).is_word("on") => 0.0,
            Value::Number(width) => width,
            _ => 1.0,
        }
    }

    pub(super) fn pan_of(&self, key: Key, id: &Id, further: Option<&Id>) -> Pan {
        let address = match further {
            Some(further) => Address::with_further(key, id, further),
            None => Address::new(key, id),
        };
        match self.mix.get(&address) {
            Some(Value::Number(pan)) => Pan::try_new(*pan).unwrap_or(Pan::CENTRE),
            _ => Pan::CENTRE,
        }
    }

    /// Aims what a bus gets of other buses, and what a mix-minus gets of those that it is of.
    pub(super) fn aim_into_bus(&mut self, id: &Id) {
        let Some(to) = self.stage.place(Bank::Buses, id) else { return };
        let dip = self.dip_of(id);
        let others: Vec<Id> = self.buses().map(|bus| bus.id.clone()).filter(|other| other != id).collect();
        for other in others {
            let Some(from) = self.stage.place(Bank::Buses, &other) else { continue };
            let on = self.mix.get(&Address::with_further(Key::BusAssign, &other, id));
            let gain = if on.is_some_and(|value| value.is_word("on")) { dip } else { 0.0 };
            self.aim_pair(Tap::Bus, from, to, gain);
        }
        let Some(Minus { of, less, off_air }) = self.minus_of(id).cloned() else { return };
        let on_air = off_air.is_none() || less.iter().any(|channel| self.is_open(channel));
        for (bus, wanted) in std::iter::once((of, on_air)).chain(off_air.map(|bus| (bus, !on_air))) {
            if let Some(from) = self.stage.place(Bank::Followers, &rest_id(id, &bus)) {
                self.aim_pair(Tap::Follower, from, to, if wanted { dip } else { 0.0 });
            }
        }
    }

    fn aim_pair(&mut self, tap: Tap, from: Place, to: Place, gain: f32) {
        for (from, to) in from.columns().zip(to.columns()) {
            self.stage.aim(Target::ToBus { tap, from, to }, gain);
        }
    }

    /// The mix-minus buses that a channel's opening or closing concerns.
    pub(super) fn aim_mix_minus_of(&mut self, channel: &Id) {
        let concerned = self.buses().filter(|bus| bus.minus.as_ref().is_some_and(|minus| minus.less.contains(channel)));
        let ids: Vec<Id> = concerned.map(|bus| bus.id.clone()).collect();
        for id in ids {
            self.aim_into_bus(&id);
        }
    }

    /// What each column of the followers works for.
    #[must_use]
    pub fn mix_minus_columns(&self) -> BTreeMap<u16, Return> {
        let bus = |id: &Id| id.split('/').next().unwrap_or_default().into();
        let returns = self.stage.followers();
        returns.map(|(column, id, less)| (column, Return { bus: bus(id), less: less.to_vec() })).collect()
    }
}

/// What follows a bus for a mix-minus: all but the share.
fn rest_id(bus: &str, of: &str) -> Id {
    format!("{bus}/{of}").into()
}

/// What follows a bus for a mix-minus: the share alone. Ids have no strokes.
fn share_id(bus: &str, of: &str) -> Id {
    format!("{bus}//{of}").into()
}
