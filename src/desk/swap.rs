//! Changing what the desk is while it plays: files accepted, devices gone and back, a mix restored.

use super::stage::{Wanted, WantedKind};
use super::{By, Desk, Effects, Feedback, Hand, wiring};
use crate::engine::Bank;
use crate::panel::{ControlIndex, Decoder};
use crate::params::{Address, Domain, Key, Scope, Value};
use crate::profile::{Channel, Id, InputFrom, Installation, OutputKind, Profile, Rig};
use std::collections::{BTreeMap, BTreeSet};

impl Desk {
    /// The first installation: nothing was there before.
    pub(super) fn start(&mut self) {
        let profile = self.installation.profile.clone();
        let mut effects = Effects::default();
        for (address, value) in starting_mix(&profile) {
            let value = self.never_open_a_microphone(&address, value, &mut effects);
            self.mix.insert(address, value);
        }
        self.first_notes = effects.notes;
        self.take_up_hands();
        self.reconcile();
        self.aim_all();
    }

    /// Files were accepted: the desk becomes what they say.
    pub(super) fn install(&mut self, installation: Installation, reread: bool, effects: &mut Effects) {
        let live = self.live_microphones();
        let old = std::mem::replace(&mut self.installation, installation);
        let profile = self.installation.profile.clone();
        let ports = |rig: &Rig| rig.control_ports.iter().map(|port| port.id.clone()).collect::<Vec<Id>>();
        let new_ports = ports(&self.installation.rig);
        if new_ports != ports(&old.rig) {
            // Other ports under the same numbers: whatever was half-read belongs to nobody.
            self.decoder = Decoder::new(&self.installation.panel, &new_ports, self.rate);
        } else if self.installation.panel != old.panel {
            self.decoder.set_panel(&self.installation.panel);
        }
        self.rename(&profile);
        self.keep_open_channels(&old.profile, &profile, effects);
        let wanted: Vec<(Address, Value)> = if reread {
            let before: BTreeMap<Address, Value> = starting_mix(&old.profile)
                .into_iter()
                .map(|(address, value)| (renamed(address, &profile), value))
                .collect();
            // Only what the text changed; what is new to the profile comes with its value.
            starting_mix(&profile).into_iter().filter(|(address, value)| before.get(address) != Some(value)).collect()
        } else {
            self.pending.clear();
            starting_mix(&profile).into_iter().collect()
        };
        for (address, value) in wanted {
            self.adopt_value(&address, value, reread, effects);
        }
        self.forget_what_is_gone();
        self.mend_references(effects);
        self.close_what_a_file_opened(&live, effects);
        self.take_up_hands();
        self.reconcile();
        self.aim_all();
        self.show_all(effects);
    }

    /// Microphones that can be heard.
    fn live_microphones(&self) -> BTreeSet<Id> {
        let channels = self.channels().filter(|channel| self.is_microphone(&channel.id));
        channels.filter(|channel| self.is_open_on_air(&channel.id)).map(|channel| channel.id.clone()).collect()
    }

    /// A file is no hand: whatever it changed (switch, fader, assignment, source), no microphone is live now that was not.
    fn close_what_a_file_opened(&mut self, before: &BTreeSet<Id>, effects: &mut Effects) {
        for id in self.live_microphones().difference(before).cloned().collect::<Vec<Id>>() {
            effects.notes.push(format!("channel {id} is closed: a microphone is opened by a hand"));
            self.put(&Address::new(Key::ChannelSwitch, &id), Value::Word("closed".into()), By::Desk, effects);
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
                _ => false,
            };
            if let (true, Some(instead)) = (lost, self.installation.profile.value(&address)) {
                effects.notes.push(format!("{address} named \"{word}\", which is gone: it is \"{instead}\" now"));
                self.put(&address, instead, By::Desk, effects);
            }
        }
    }

    /// A renamed channel or bus keeps its values, whatever else happens to it.
    fn rename(&mut self, profile: &Profile) {
        for (scope, was, id) in renames(profile) {
            self.stage.rename(if scope == Scope::Bus { Bank::Buses } else { Bank::Sources }, was, id);
        }
        let mix = std::mem::take(&mut self.mix);
        for (address, mut value) in mix {
            for (_, was, id) in renames(profile).filter(|(scope, ..)| *scope == Scope::Bus) {
                if address.key.parameter().domain == Domain::BusId && value.is_word(was) {
                    value = Value::Word((&**id).into());
                }
            }
            self.mix.entry(renamed(address, profile)).or_insert(value);
        }
    }

    /// A channel that is open on air and absent from the new profile stays until it is closed.
    fn keep_open_channels(&mut self, old: &Profile, new: &Profile, effects: &mut Effects) {
        let known = |id: &Id| new.channels.iter().any(|channel| channel.id == *id || channel.was.as_ref() == Some(id));
        self.left_over.retain(|channel| !known(&channel.id));
        for channel in &old.channels {
            if !known(&channel.id) && self.is_open_on_air(&channel.id) {
                effects.notes.push(format!(
                    "channel {} is open and not in profile \"{}\": it stays until it is closed",
                    channel.id, new.name
                ));
                self.left_over.push(channel.clone());
            }
        }
    }

    /// Takes one value of a profile: at once, or, of a channel that is open on air, when it is closed.
    fn adopt_value(&mut self, address: &Address, value: Value, reread: bool, effects: &mut Effects) {
        let value = self.never_open_a_microphone(address, value, effects);
        let id: Id = address.id.as_ref().into();
        let held = !reread && address.key.parameter().scope == Scope::Channel && self.is_open_on_air(&id);
        if !held {
            self.put(address, value, By::Desk, effects);
        } else if self.value(address).as_ref() != Some(&value) {
            let waiting = self.pending.entry(id.clone()).or_default();
            if waiting.is_empty() {
                effects.notes.push(format!("channel {id} is open: it keeps its values until it is closed"));
            }
            waiting.insert(address.clone(), value);
        }
    }

    /// A file is no hand: it does not open a microphone.
    fn never_open_a_microphone(&self, address: &Address, value: Value, effects: &mut Effects) -> Value {
        let opens = address.key == Key::ChannelSwitch && value.is_word("open");
        let already = self.mix.get(address).is_some_and(|now| now.is_word("open"));
        if opens && !already && self.will_be_microphone(&address.id) {
            effects.notes.push(format!("channel {} stays closed: a microphone is opened by a hand", address.id));
            return Value::Word("closed".into());
        }
        value
    }

    /// As the profile in force says, whether or not its source is in the mix yet.
    fn will_be_microphone(&self, channel: &str) -> bool {
        let source = self.installation.profile.value(&Address::new(Key::ChannelSource, channel));
        match source {
            Some(Value::Word(input)) => self.rig().input(&input).is_some_and(super::is_microphone),
            _ => self.is_microphone(channel),
        }
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

    /// A channel was closed: what waited for that happens now.
    pub(super) fn when_closed(&mut self, id: &Id, effects: &mut Effects) {
        if self.is_open_on_air(id) {
            return;
        }
        if let Some(values) = self.pending.remove(id) {
            for (address, value) in values {
                self.put(&address, value, By::Desk, effects);
            }
        }
        let before = self.left_over.len();
        self.left_over.retain(|channel| channel.id != *id);
        if self.left_over.len() != before {
            self.forget_what_is_gone();
            self.reconcile();
        }
    }

    /// Which control moves what, by the profile in force. Where a control stands is remembered.
    fn take_up_hands(&mut self) {
        let places: BTreeMap<ControlIndex, _> =
            self.hands.iter().map(|(control, hand)| (*control, hand.last)).collect();
        let panel = &self.installation.panel.controls;
        let moves = self.installation.profile.moves.iter().filter_map(|moves| {
            let index = panel.iter().position(|control| control.id == moves.control)?;
            Some((ControlIndex(index), Hand::new(moves.clone(), &panel[index])))
        });
        let mut hands: Vec<(ControlIndex, Hand)> = moves.collect();
        for (control, hand) in &mut hands {
            hand.last = places.get(control).copied().flatten();
            if let Some(value) = self.value(&hand.moves.target) {
                hand.value_moved(&value);
            }
        }
        self.hands = hands;
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
        hands.collect()
    }

    fn aim_all(&mut self) {
        let ids: Vec<Id> = self.channels().map(|channel| channel.id.clone()).collect();
        for id in ids {
            self.aim_channel(&id);
        }
        let ids: Vec<Id> = self.buses().map(|bus| bus.id.clone()).collect();
        for id in ids {
            self.aim_bus(&id);
        }
        let ids: Vec<Id> = self.rig().outputs.iter().map(|output| output.id.clone()).collect();
        for id in ids {
            self.aim_output(&id);
        }
    }

    /// Makes the engine hold the channels, buses and outputs there are.
    pub(super) fn reconcile(&mut self) {
        let channels = self.channels().filter_map(|channel| self.wanted_channel(channel));
        let buses = self.buses().map(|bus| Wanted { id: bus.id.clone(), kind: WantedKind::Bus });
        let outputs = self.rig().outputs.iter().map(|output| Wanted {
            id: output.id.clone(),
            kind: WantedKind::Output {
                wires: output
                    .channels
                    .iter()
                    .filter_map(|channel| wiring::output_wire(self.rig(), &output.device, *channel))
                    .collect(),
                limited: matches!(output.kind, OutputKind::Headphones | OutputKind::Loudspeaker),
            },
        });
        let wanted: Vec<Wanted> = channels.chain(buses).chain(outputs).collect();
        self.stage.reconcile(&wanted);
        self.structure += 1;
    }

    fn wanted_channel(&self, channel: &Channel) -> Option<Wanted> {
        let input = self.input_of(&channel.id)?;
        Some(Wanted {
            id: channel.id.clone(),
            kind: WantedKind::Channel {
                input: input.id.clone(),
                feed: wiring::feed_of(self.rig(), input),
                width: u16::try_from(input.width()).unwrap_or(1),
            },
        })
    }

    /// The mix of before a restart. A microphone that was open comes back open only if promise 5 lets it.
    pub(super) fn restore(&mut self, values: &[(Address, Value)], microphones_open: bool, effects: &mut Effects) {
        for (address, value) in values {
            let opens = address.key == Key::ChannelSwitch && value.is_word("open");
            if opens && !microphones_open && self.is_microphone(&address.id) {
                effects.notes.push(format!("channel {} comes back closed: it waits for a hand", address.id));
                continue;
            }
            if let Ok(value) = self.acceptable(address, value) {
                self.put(address, value, By::Desk, effects);
            }
        }
    }

    /// Whether the device that a channel's sound comes from is gone.
    pub(super) fn device_is_away(&self, channel: &Id) -> bool {
        !self.away.is_empty()
            && matches!(self.input_of(channel).map(|input| &input.from),
                Some(InputFrom::Device { device, .. }) if self.away.contains(device))
    }

    /// A device is gone: its channels close, and when it was the master the outputs fall silent.
    pub(super) fn device_away(&mut self, device: Id, effects: &mut Effects) {
        effects.notes.push(format!("device {device} is gone: its channels are silent until it is back"));
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
                effects.notes.push(format!("channel {id} comes back closed: it waits for a hand"));
                let address = Address::new(Key::ChannelSwitch, &id);
                self.put(&address, Value::Word("closed".into()), By::Desk, effects);
            }
        }
        effects.notes.push(format!("device {device} is back"));
        self.away.remove(device);
        if wiring::master(self.rig()) == Some(device) {
            self.stage.fade_outputs(true);
        }
        self.aim_all();
    }
}

/// Every value a profile gives its channels and buses and the outputs it mentions: its own, or the default.
fn starting_mix(profile: &Profile) -> BTreeMap<Address, Value> {
    let mut mix = BTreeMap::new();
    let channels = profile.channels.iter().map(|channel| (Scope::Channel, &channel.id));
    let buses = profile.buses.iter().map(|bus| (Scope::Bus, &bus.id));
    for (scope, id) in channels.chain(buses) {
        for row in crate::params::TABLE.iter().filter(|row| row.scope == scope) {
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
    // What the profile says of outputs; an output it does not mention keeps its level and source.
    mix.extend(profile.values.iter().map(|(address, value)| (address.clone(), value.clone())));
    mix
}

/// What the profile renames: each thing that it calls otherwise than before.
fn renames(profile: &Profile) -> impl Iterator<Item = (Scope, &Id, &Id)> {
    let channels = profile.channels.iter().map(|channel| (Scope::Channel, channel.was.as_ref(), &channel.id));
    let buses = profile.buses.iter().map(|bus| (Scope::Bus, bus.was.as_ref(), &bus.id));
    channels.chain(buses).filter_map(|(scope, was, id)| Some((scope, was?, id)))
}

/// The address as the profile calls it.
fn renamed(mut address: Address, profile: &Profile) -> Address {
    let row = address.key.parameter();
    for (scope, was, id) in renames(profile) {
        if row.scope == scope && *address.id == **was {
            address.id = (&**id).into();
        }
        if row.further == Some(scope) && address.further.as_deref() == Some(&**was) {
            address.further = Some((&**id).into());
        }
    }
    address
}
