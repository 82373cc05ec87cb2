//! Changing what the desk is while it plays: files accepted, devices gone and back, a mix restored.

use super::stage::{FROM_SILENCE_MS, Wanted, WantedKind};
use super::{By, Desk, Effects, Feedback, Hand, wiring};
use crate::engine::{Bank, Tap};
use crate::panel::{ControlIndex, Decoder};
use crate::params::{Address, Domain, Key, Nature, Scope, Value};
use crate::profile::{Channel, GRAPH_LEVELS, Id, Input, InputFrom, Installation, OutputKind, Panel, Profile, Rig};
use crate::words::log;
use std::collections::{BTreeMap, BTreeSet};

/// What was open before something that is no hand changed the mix.
#[derive(Debug, Default)]
struct Opened {
    /// Channels whose switch was open.
    switched: BTreeSet<Id>,
    /// Channels that were open on air, and where their sound came from.
    live: BTreeMap<Id, InputFrom>,
    /// Channels that could be heard outside.
    on_air: BTreeSet<Id>,
}

impl Desk {
    /// The first installation: nothing was there before.
    pub(super) fn start(&mut self) {
        let profile = self.installation.profile.clone();
        self.mix.extend(starting_mix(&profile));
        let mut effects = Effects::default();
        self.close_what_no_hand_opened(&Opened::default(), false, &mut effects);
        self.first_notes = effects.notes;
        self.take_up_hands(&Panel::default());
        self.console.stale = true;
        self.compile_panic();
        self.reconcile();
        self.aim_all();
    }

    /// Files were accepted: the desk becomes what they say.
    pub(super) fn install(&mut self, installation: Installation, reread: bool, effects: &mut Effects) {
        self.rename(&installation.profile);
        let opened = self.opened();
        let old = std::mem::replace(&mut self.installation, installation);
        let profile = self.installation.profile.clone();
        self.meet_devices(&old.rig);
        let ports = |rig: &Rig| rig.control_ports.iter().map(|port| port.id.clone()).collect::<Vec<Id>>();
        let new_ports = ports(&self.installation.rig);
        if new_ports != ports(&old.rig) {
            // Other ports under the same numbers: whatever was half-read belongs to nobody.
            self.decoder = Decoder::new(&self.installation.panel, &new_ports, self.rate);
        } else if self.installation.panel != old.panel {
            self.decoder.set_panel(&self.installation.panel);
        }
        let levels = if reread { self.levels_heard() } else { BTreeMap::new() };
        let returning = self.keep_open_channels(&old.profile, &profile, &opened, effects);
        // Of the profile in force only what its text changed, and what is new to it with its value.
        let before = if reread { starting_mix(&old.profile) } else { BTreeMap::new() };
        if !reread {
            self.pending.clear();
            self.put(&Address::new(Key::DeskPanic, ""), Value::Word("none".into()), By::Desk, effects);
        }
        self.gathering = true;
        let mut starting = starting_mix(&profile);
        // Sends that the profile does not mention are off; only those that are not are held.
        let sends = self.mix.keys().chain(before.keys()).filter(|address| address.key.is_of_a_send());
        for address in sends.filter(|address| !reread || before.contains_key(address)) {
            if let Some(default) = address.key.parameter().default_value() {
                starting.entry(address.clone()).or_insert(default);
            }
        }
        for (address, value) in starting {
            if before.get(&address) == Some(&value) {
                continue;
            }
            let channel = Id::from(&*address.id);
            // As it was before any of these values: a channel that the profile itself opens has all of them at once.
            let on_air = address.key.parameter().scope == Scope::Channel && opened.live.contains_key(&channel);
            if on_air && (!reread || returning.contains(&channel)) {
                self.wait_until_closed(&channel, address, value, effects);
            } else {
                self.adopt_value(&address, value, effects);
            }
        }
        self.console.tell_contacts_again();
        self.drop_left_over_without_input(effects);
        self.forget_what_is_gone();
        self.mend_references(effects);
        self.close_what_no_hand_opened(&opened, reread, effects);
        let rises = self.hold_back_rises(&levels, &opened, reread, effects);
        self.gathering = false;
        let waiting: Vec<Id> =
            self.pending.keys().cloned().chain(self.left_over.iter().map(|channel| channel.id.clone())).collect();
        for id in waiting {
            self.when_closed(&id, false, effects);
        }
        self.take_up_hands(&old.panel);
        self.drop_scenes(reread);
        self.compile_panic();
        self.reconcile();
        self.aim_all();
        for (address, value) in rises {
            self.rise(address, value, FROM_SILENCE_MS);
        }
        self.show_all(effects);
        if self.stage.crowded {
            effects.notes.push(log::ENGINE_FULL.to_owned());
        }
    }

    fn opened(&self) -> Opened {
        let mut opened = Opened { on_air: self.heard_on_air(|_| true), ..Opened::default() };
        for Channel { id, .. } in self.channels() {
            if self.value(&Address::new(Key::ChannelSwitch, id)).is_some_and(|value| value.is_word("open")) {
                opened.switched.insert(id.clone());
            }
            if let (true, Some(input)) = (self.is_open_on_air(id), self.input_of(id)) {
                opened.live.insert(id.clone(), input.from.clone());
            }
        }
        opened
    }

    /// A file is no hand: whatever it changed, no microphone is open that was not open before. That counts for its switch,
    /// and for all else that lets it be heard: fader, assignment, another source for a channel that is open, other wires
    /// for an input. The same wires under another kind were open before.
    ///
    /// The profile in force, edited, opens no guest either: with `guests` those are closed as well.
    fn close_what_no_hand_opened(&mut self, before: &Opened, guests: bool, effects: &mut Effects) {
        self.keep_input_sends_inside(effects);
        let now = self.opened();
        for id in &now.switched {
            let from = now.live.get(id);
            let opened = !before.switched.contains(id)
                || (from.is_some() && before.live.get(id) != from)
                || (now.on_air.contains(id) && !before.on_air.contains(id));
            let guest = guests && self.is_guest(id);
            if opened && (guest || self.is_microphone(id)) {
                effects.notes.push(log::opened_by_hand_only(id, guest));
                self.put(&Address::new(Key::ChannelSwitch, id), Value::Word("closed".into()), By::Desk, effects);
            }
        }
    }

    /// Where everything stands that makes things louder.
    fn levels_heard(&self) -> BTreeMap<Address, Value> {
        let levels = self.mix.iter().filter(|(address, _)| is_level(address.key));
        levels.map(|(address, value)| (address.clone(), value.clone())).collect()
    }

    /// An edited profile raises nothing in one step: what is heard and would be louder than before stays where it was, and what
    /// comes on air is off. Gives what is to rise, and to where.
    fn hold_back_rises(
        &mut self,
        before: &BTreeMap<Address, Value>,
        opened: &Opened,
        reread: bool,
        effects: &mut Effects,
    ) -> Vec<(Address, Value)> {
        let mut rises = Vec::new();
        for (address, now) in if reread { self.levels_heard() } else { BTreeMap::new() } {
            let id = Id::from(&*address.id);
            let of_channel = address.key.parameter().scope == Scope::Channel;
            let behind_it = address.key == Key::ChannelFader
                || (address.key == Key::ChannelSendLevel
                    && self.send_tap(&id, address.further.as_deref().unwrap_or_default()) != Tap::AfterFader);
            let stood = match before.get(&address) {
                _ if of_channel && !self.is_open_on_air(&id) => continue,
                _ if of_channel && !opened.live.contains_key(&id) => {
                    if !behind_it {
                        continue;
                    }
                    Value::Off
                }
                Some(stood) => stood.clone(),
                // A send that was off is in no mix.
                None if address.key == Key::ChannelSendLevel => Value::Off,
                None => continue,
            };
            if stood.decibels() < now.decibels() {
                rises.push((address, stood, now));
            }
        }
        // Only now, since one that is put back may take a channel off air.
        let put_back = rises.into_iter().map(|(address, stood, now)| {
            self.put(&address, stood, By::Desk, effects);
            (address, now)
        });
        put_back.collect()
    }

    /// A channel that the profile no longer has cannot stay without the input it carries.
    fn drop_left_over_without_input(&mut self, effects: &mut Effects) {
        let (gone, kept): (Vec<Channel>, Vec<Channel>) =
            std::mem::take(&mut self.left_over).into_iter().partition(|channel| self.input_of(&channel.id).is_none());
        self.left_over = kept;
        for channel in gone {
            effects.notes.push(log::left_over_goes(&channel.id));
        }
    }

    /// Values that name a bus or an input which is not there any more, as they can after a change by hand: an output
    /// carries the programme then, and a channel what its profile says.
    fn mend_references(&mut self, effects: &mut Effects) {
        let named: Vec<(Address, Value)> =
            self.mix.iter().map(|(address, value)| (address.clone(), value.clone())).collect();
        for (address, value) in named {
            let Value::Word(word) = &value else { continue };
            let lost = match address.key.parameter().domain {
                Domain::BusId => self.known(Scope::Bus, word).is_err(),
                Domain::InputId => self.rig().input(word).is_none(),
                Domain::SecondInputId => &**word != "off" && self.rig().input(word).is_none(),
                _ => false,
            };
            let written = self.installation.profile.value(&address).filter(|written| *written != value);
            // A second source that is gone from the rig and not from the profile is none.
            let instead = written.or_else(|| address.key.parameter().default_value());
            if let (true, Some(instead)) = (lost, instead) {
                effects.notes.push(log::named_what_is_gone(&address, word, &instead));
                self.put(&address, instead, By::Desk, effects);
            }
        }
    }

    /// A channel or bus that is called otherwise from now on keeps its values and its columns, whatever else happens to
    /// it. A name that was changed long ago says nothing any more: both names, or only the new one, are known by then.
    fn rename(&mut self, new: &Profile) {
        let channels = new.channels.iter().map(|channel| (Scope::Channel, &channel.id, &channel.was));
        let buses = new.buses.iter().map(|bus| (Scope::Bus, &bus.id, &bus.was));
        let groups = new.gain_groups.iter().map(|group| (Scope::GainGroup, &group.id, &group.was));
        for (scope, id, was) in channels.chain(buses).chain(groups) {
            let Some(was) = was else { continue };
            let ids = self.ids(scope);
            if ids.contains(was) && !ids.contains(id) {
                self.rename_one(scope, was, id);
            }
        }
    }

    fn rename_one(&mut self, scope: Scope, was: &Id, id: &Id) {
        let rename = |values: &mut BTreeMap<Address, Value>| {
            *values = std::mem::take(values)
                .into_iter()
                .map(|(address, value)| {
                    let names_it = address.key.parameter().domain == Domain::BusId && scope == Scope::Bus;
                    let value = if names_it && value.is_word(was) { Value::Word((&**id).into()) } else { value };
                    (renamed(&address, scope, was, id), value)
                })
                .collect();
        };
        rename(&mut self.mix);
        rename(&mut self.installation.profile.values);
        self.pending.values_mut().for_each(rename);
        let profile = &mut self.installation.profile;
        match scope {
            Scope::Channel => {
                let channels = profile.channels.iter_mut().chain(&mut self.left_over);
                channels.filter(|channel| channel.id == *was).for_each(|channel| channel.id = id.clone());
                if let Some(values) = self.pending.remove(was) {
                    self.pending.insert(id.clone(), values);
                }
                self.stage.rename(Bank::Sources, was, id);
            }
            Scope::Bus => {
                profile.buses.iter_mut().filter(|bus| bus.id == *was).for_each(|bus| bus.id = id.clone());
                self.stage.rename(Bank::Buses, was, id);
            }
            Scope::GainGroup => {
                profile.gain_groups.iter_mut().filter(|group| group.id == *was).for_each(|group| group.id = id.clone());
            }
            Scope::Output | Scope::Room | Scope::Talkback | Scope::Desk | Scope::Contact => {}
        }
    }

    /// A channel that is open on air and absent from the new profile stays until it is closed. Gives those that were left
    /// over and are in the new one.
    fn keep_open_channels(
        &mut self,
        old: &Profile,
        new: &Profile,
        opened: &Opened,
        effects: &mut Effects,
    ) -> BTreeSet<Id> {
        let known = |id: &Id| new.channels.iter().any(|channel| channel.id == *id);
        let returning = self.left_over.extract_if(.., |channel| known(&channel.id)).map(|channel| channel.id).collect();
        for channel in &old.channels {
            if !known(&channel.id) && opened.live.contains_key(&channel.id) {
                effects.notes.push(log::stays_until_closed(&channel.id, &new.name));
                self.left_over.push(channel.clone());
            }
        }
        returning
    }

    /// Takes one value of a profile at once; what waited for the same parameter is overtaken.
    fn adopt_value(&mut self, address: &Address, value: Value, effects: &mut Effects) {
        if let Some(waiting) = self.pending.get_mut(&*address.id) {
            waiting.remove(address);
        }
        self.stop_gliding(address);
        self.put(address, value, By::Desk, effects);
    }

    /// Takes one value of a profile when its channel, which is open on air, is closed.
    fn wait_until_closed(&mut self, id: &Id, address: Address, value: Value, effects: &mut Effects) {
        if self.value(&address).as_ref() == Some(&value) {
            return;
        }
        let waiting = self.pending.entry(id.clone()).or_default();
        if waiting.is_empty() {
            effects.notes.push(log::keeps_until_closed(id));
        }
        waiting.insert(address, value);
    }

    fn forget_what_is_gone(&mut self) {
        let addresses: Vec<Address> = self.mix.keys().cloned().collect();
        for address in addresses {
            if self.exists(&address).is_err() {
                self.mix.remove(&address);
            }
        }
        let channels: Vec<Id> = self.channels().map(|channel| channel.id.clone()).collect();
        self.pending.retain(|id, _| channels.contains(id));
    }

    /// A channel is not heard (any more): what waited for that happens now. What a hand closed stays closed.
    pub(super) fn when_closed(&mut self, id: &Id, by_hand: bool, effects: &mut Effects) {
        if self.is_open_on_air(id) {
            return;
        }
        if let Some(values) = self.pending.remove(id) {
            let opened = self.opened();
            self.gathering = true;
            for (address, value) in values {
                let at_its_stop =
                    by_hand && address.key == Key::ChannelFader && self.value(&address) == Some(Value::Off);
                if !at_its_stop && let Ok(value) = self.acceptable(&address, &value) {
                    self.put(&address, value, By::Desk, effects);
                }
            }
            self.close_what_no_hand_opened(&opened, false, effects);
            if by_hand && self.is_open_on_air(id) {
                self.put(&Address::new(Key::ChannelSwitch, id), Value::Word("closed".into()), By::Desk, effects);
            }
            self.gathering = false;
            self.reconcile();
            self.aim_channel(id);
        }
        let before = self.left_over.len();
        self.left_over.retain(|channel| channel.id != *id);
        if self.left_over.len() != before {
            self.console.stale = true;
            self.forget_what_is_gone();
            self.reconcile();
        }
    }

    /// Which control moves what, by the profile in force. Where a control stands is remembered; one that moves what it
    /// moved before goes on as if nothing had been.
    fn take_up_hands(&mut self, old_panel: &Panel) {
        let before = std::mem::take(&mut self.hands);
        let panel = &self.installation.panel.controls;
        let moves = self.installation.profile.moves.iter().filter_map(|moves| {
            let index = panel.iter().position(|control| control.id == moves.control)?;
            // By the whole control: another calibration or message makes another place of it.
            let mut same = before.iter().filter(|(old, _)| old_panel.controls.get(old.0) == Some(&panel[index]));
            let hand = match same.clone().find(|(_, hand)| hand.moves == *moves) {
                Some((_, hand)) => hand.clone(),
                None => {
                    let mut hand = Hand::new(moves.clone(), &panel[index]);
                    if let Some((_, other)) = same.next() {
                        (hand.last, hand.report_until) = (other.last, other.report_until);
                    }
                    if let Some(value) = self.value(&hand.moves.target) {
                        hand.value_moved(&value);
                    }
                    hand
                }
            };
            Some((ControlIndex(index), hand))
        });
        self.hands = moves.collect();
    }

    /// Tells every control with a lamp or motor where its parameter stands.
    fn show_all(&self, effects: &mut Effects) {
        effects.feedback = self.all_feedback();
    }

    /// Where every control that is told things ought to stand.
    #[must_use]
    pub fn all_feedback(&self) -> Vec<Feedback> {
        let hands = self.hands.iter().filter_map(|(control, hand)| {
            let travel = hand.travel_of(&self.value(&hand.moves.target)?)?;
            Some(Feedback { control: *control, travel })
        });
        hands.chain(self.scene_feedback()).collect()
    }

    pub(super) fn aim_all(&mut self) {
        self.recount_console();
        let ids: Vec<Id> = self.channels().map(|channel| channel.id.clone()).collect();
        for id in ids {
            self.aim_channel(&id);
        }
        let ids: Vec<Id> = self.buses().map(|bus| bus.id.clone()).collect();
        for id in ids {
            self.aim_bus(&id);
        }
        self.aim_listen_bus();
        let ids: Vec<Id> = self.rig().outputs.iter().map(|output| output.id.clone()).collect();
        for id in ids {
            self.aim_output(&id);
        }
        self.aim_talkbacks();
        self.aim_tones();
    }

    /// Makes the engine hold the channels, buses and outputs there are.
    pub(super) fn reconcile(&mut self) {
        let channels = self.channels().filter_map(|channel| self.wanted_channel(channel));
        let buses = self.wanted_buses();
        let is_mix_minus = |output: &Id| {
            let carried = self.held(Key::OutputSource, output);
            self.buses().any(|bus| bus.minus.is_some() && carried.is_word(&bus.id))
        };
        let outputs = self.rig().outputs.iter().map(|output| Wanted {
            id: output.id.clone(),
            kind: WantedKind::Output {
                wires: output
                    .channels
                    .iter()
                    .filter_map(|channel| wiring::output_wire(self.rig(), &output.device, *channel))
                    .collect(),
                // Who hears a mix-minus has it in an ear.
                limited: matches!(output.kind, OutputKind::Headphones | OutputKind::Loudspeaker)
                    || is_mix_minus(&output.id),
            },
        });
        // Behind those of the profile, which keep their places in every sum.
        let talkbacks = self.talkbacks().iter().filter_map(|talkback| {
            let input = self.rig().input(&talkback.source)?;
            Some(Wanted { id: super::console::source_of(&talkback.id), kind: self.wanted_source(input) })
        });
        let made = |id: &str, feed| {
            let id = Id::from(id);
            Wanted { id: id.clone(), kind: WantedKind::Channel { input: id, feed, width: 1 } }
        };
        let tone = self.wanted_tone().map(|feed| made(super::console::TONE_SOURCE, feed));
        let slate = self.wanted_slate().map(|feed| made(super::console::SLATE_SOURCE, feed));
        let listen = self.wants_listen_bus().then(|| Wanted {
            id: super::console::LISTEN_BUS.into(),
            kind: WantedKind::Bus { level: GRAPH_LEVELS - 1 },
        });
        let sources = channels.chain(talkbacks).chain(slate).chain(tone);
        let wanted: Vec<Wanted> = sources.chain(buses).chain(listen).chain(outputs).collect();
        self.stage.reconcile(&wanted);
        self.structure += 1;
    }

    fn wanted_channel(&self, channel: &Channel) -> Option<Wanted> {
        let input = self.input_of(&channel.id)?;
        Some(Wanted { id: channel.id.clone(), kind: self.wanted_source(input) })
    }

    fn wanted_source(&self, input: &Input) -> WantedKind {
        WantedKind::Channel {
            input: input.id.clone(),
            feed: wiring::feed_of(self.rig(), input),
            width: u16::try_from(input.width()).unwrap_or(1),
        }
    }

    /// The mix of before a restart. A microphone that was open comes back open only if promise 5 lets it.
    pub(super) fn restore(&mut self, values: &[(Address, Value)], microphones_open: bool, effects: &mut Effects) {
        self.fades.stop();
        self.gathering = true;
        let mut were_open = BTreeMap::new();
        for (address, value) in values {
            if let Ok(value) = self.acceptable(address, value) {
                if address.key == Key::ChannelSwitch && value.is_word("open") {
                    were_open.insert(Id::from(&*address.id), (address, value));
                } else if address.key.nature() == Nature::Kept {
                    self.put(address, value, By::Desk, effects);
                }
            }
        }
        self.keep_input_sends_inside(effects);
        // Only now is it known what each channel carries.
        for id in self.opened().switched {
            if self.is_microphone(&id) && !(microphones_open && were_open.contains_key(&id)) {
                effects.notes.push(log::comes_back_closed(&id));
                self.put(&Address::new(Key::ChannelSwitch, &id), Value::Word("closed".into()), By::Desk, effects);
            }
        }
        self.gathering = false;
        self.reconcile();
        self.aim_all();
        // Last, so that the loudspeakers of a room hear of its microphones first.
        for (id, (address, value)) in were_open {
            if microphones_open || !self.is_microphone(&id) {
                self.set(address, &value, By::Desk, effects);
            } else {
                effects.notes.push(log::comes_back_closed(&id));
            }
        }
    }

    /// Whether the device that a channel's sound comes from is gone.
    pub(super) fn device_is_away(&self, channel: &Id) -> bool {
        !self.away.is_empty()
            && matches!(self.input_of(channel).map(|input| &input.from),
                Some(InputFrom::Device { device, .. }) if self.away.contains(device))
    }

    /// Devices that are new to the rig, or described otherwise, are away until they show that they are there.
    fn meet_devices(&mut self, old: &Rig) {
        let devices = &self.installation.rig.devices;
        self.away.retain(|id| devices.iter().any(|device| device.id == *id));
        let unmet = devices.iter().filter(|device| !old.devices.contains(device));
        self.away.extend(unmet.map(|device| device.id.clone()));
        let master = wiring::master(&self.installation.rig).filter(|master| self.away.contains(*master));
        if master.is_some() {
            self.stage.fade_outputs(false);
        } else if wiring::master(old) != wiring::master(&self.installation.rig) {
            self.stage.fade_outputs(true);
        }
    }

    /// A device is gone: its channels close, and when it was the master the outputs fall silent.
    pub(super) fn device_away(&mut self, device: Id, effects: &mut Effects) {
        if !self.rig().devices.iter().any(|known| known.id == device) {
            // Of a rig before this one.
            return;
        }
        effects.notes.push(log::device_gone(&device));
        if wiring::master(self.rig()) == Some(&device) {
            self.stage.fade_outputs(false);
        }
        self.away.insert(device);
        self.aim_all();
    }

    /// A device is back: what was closed for its sake opens again, microphones only if promise 5 lets them.
    pub(super) fn device_back(&mut self, device: &Id, microphones_open: bool, effects: &mut Effects) {
        if !microphones_open {
            let on_it = self.channels().filter(|channel| {
                self.device_is_away(&channel.id)
                    && self.is_microphone(&channel.id)
                    && self.value(&Address::new(Key::ChannelSwitch, &channel.id)).is_some_and(|v| v.is_word("open"))
            });
            let ids: Vec<Id> = on_it.map(|channel| channel.id.clone()).collect();
            for id in ids {
                effects.notes.push(log::comes_back_closed(&id));
                let address = Address::new(Key::ChannelSwitch, &id);
                self.put(&address, Value::Word("closed".into()), By::Desk, effects);
            }
        }
        effects.notes.push(log::device_back(device));
        self.away.remove(device);
        if wiring::master(self.rig()) == Some(device) {
            self.stage.fade_outputs(true);
        }
        self.aim_all();
    }
}

/// Every value a profile gives its channels and buses and the outputs it mentions: its own, or the default.
pub(super) fn starting_mix(profile: &Profile) -> BTreeMap<Address, Value> {
    let mut mix = BTreeMap::new();
    let channels = profile.channels.iter().map(|channel| (Scope::Channel, &channel.id));
    let buses = profile.buses.iter().map(|bus| (Scope::Bus, &bus.id));
    let groups = profile.gain_groups.iter().map(|group| (Scope::GainGroup, &group.id));
    let talkbacks = profile.console.talkbacks.iter().map(|talkback| (Scope::Talkback, &talkback.id));
    let desk = Id::from("");
    let desk = std::iter::once((Scope::Desk, &desk));
    let is_owned = |key: Key| key.nature() == Nature::Kept && key != Key::DeskLock && !key.is_of_a_send();
    for (scope, id) in channels.chain(buses).chain(groups).chain(talkbacks).chain(desk) {
        for row in crate::params::TABLE.iter().filter(|row| row.scope == scope && is_owned(row.key)) {
            let addresses: Vec<Address> = match row.further {
                None => vec![Address::new(row.key, id)],
                Some(_) => profile.buses.iter().map(|bus| Address::with_further(row.key, id, &bus.id)).collect(),
            };
            for address in addresses {
                if let Some(value) = profile.value(&address) {
                    mix.insert(address, value);
                }
            }
        }
    }
    // An output that the profile mentions has a delay and a ceiling by what it says, or none.
    let mentioned = profile.values.keys().filter(|address| address.key.parameter().scope == Scope::Output);
    for address in mentioned.flat_map(|of| [Key::OutputDelay, Key::OutputCeiling].map(|key| Address::new(key, &of.id)))
    {
        mix.extend(profile.value(&address).map(|value| (address, value)));
    }
    // What the profile says of outputs; an output it does not mention keeps all it has, a mentioned one its level and source.
    mix.extend(profile.values.iter().map(|(address, value)| (address.clone(), value.clone())));
    mix
}

/// Whether more of this is louder.
const fn is_level(key: Key) -> bool {
    matches!(
        key,
        Key::ChannelFader
            | Key::ChannelTrim
            | Key::ChannelSendLevel
            | Key::GroupFader
            | Key::BusFader
            | Key::OutputLevel
    )
}

/// The address after one of the things it names is called otherwise.
fn renamed(address: &Address, scope: Scope, was: &Id, id: &Id) -> Address {
    let row = address.key.parameter();
    let mut address = address.clone();
    if row.scope == scope && *address.id == **was {
        address.id = (&**id).into();
    }
    if row.further == Some(scope) && address.further.as_deref() == Some(&**was) {
        address.further = Some((&**id).into());
    }
    address
}
