//! Console logic: who is live, and what has to be lit, muted or silent for it.
//!
//! ```text
//! a value changes --> stale --> live microphones --+--> tallies: lamps, contacts          (tally.rs)
//!                                                  +--> loudspeakers of their rooms        (rooms.rs)
//! an opening by hand --> loudspeakers mute first --> the engine has muted --> 5 ms --> it opens
//! ```
//!
//! Listening and monitors are in `listen.rs`, talkback in `talkback.rs`, tone in `tone.rs`, and what hands may do and start in
//! `hands.rs`. Everything here follows from the values of the desk and from time; nothing is decided twice.

mod hands;
mod listen;
mod rooms;
mod talkback;
mod tally;
mod tone;

pub(super) use listen::LISTEN_BUS;
pub(super) use talkback::source_of;
pub(super) use tally::decides_who_is_live;
pub(super) use tone::{SLATE_SOURCE, TONE_SOURCE};

use super::{By, Desk, Effects};
use crate::params::{Address, Key, Scope, Value};
use crate::profile::Id;
use crate::units::Frames;
use crate::words::{log, refused as words};
use std::collections::{BTreeMap, BTreeSet};

/// What a contact shall do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ContactDo {
    /// Stand closed or open.
    Stand {
        /// Which of the two.
        closed: bool,
    },
    /// One pulse of the width that the rig says.
    Pulse,
}

/// What console logic remembers besides the values of the desk.
#[derive(Debug, Default)]
pub(super) struct Console {
    /// Something changed from which it follows who is live.
    pub(super) stale: bool,
    /// Until when the lamp of a channel stays lit at least.
    lit_until: BTreeMap<Id, Frames>,
    /// Rooms whose loudspeakers are muted.
    muted: BTreeMap<Id, rooms::Mute>,
    /// Outputs that are muted: the loudspeakers of those rooms.
    muted_outputs: BTreeSet<Id>,
    /// Values that would make a microphone heard, and wait until its room is silent.
    openings: BTreeMap<Address, rooms::Opening>,
    /// What each contact was told last.
    contacts: BTreeMap<Id, bool>,
    /// What is listened to.
    listened_channels: BTreeSet<Id>,
    listened_buses: BTreeSet<Id>,
    /// Channels in solo-in-place.
    soloed: BTreeSet<Id>,
    /// Loudspeakers near a talkback that is keyed.
    dimmed_outputs: BTreeSet<Id>,
    /// Buses that give way to a talkback, or come back from it.
    dips: BTreeMap<Id, talkback::Dip>,
    /// Keys that are down, and when they let go whatever happens.
    keys: BTreeMap<Address, Frames>,
    /// Those of them whose next release is not obeyed.
    latched: BTreeSet<Address>,
    tones: BTreeMap<Id, tone::Tone>,
    starts: BTreeMap<Id, hands::Start>,
    /// When a hand was at the desk last.
    pub(super) last_hand: Frames,
    rungs: hands::Rungs,
}

impl Console {
    /// What somebody wants a value to be that waits for silence in a room.
    pub(super) fn wanted(&self, address: &Address) -> Option<Value> {
        self.openings.get(address).map(|opening| opening.value.clone())
    }

    /// Whether an output is silent for the sake of a microphone.
    pub(super) fn is_muted(&self, output: &Id) -> bool {
        self.muted_outputs.contains(output)
    }

    /// The nodes may have forgotten what they were told, or there are other ones.
    pub(super) fn tell_contacts_again(&mut self) {
        self.contacts.clear();
        self.stale = true;
    }

    /// When something here is over.
    pub(super) fn next_deadline(&self) -> Option<Frames> {
        let lamps = self.lit_until.values().copied();
        let mutes = self.muted.values().filter_map(|mute| mute.until);
        let openings = self.openings.values().map(|opening| opening.wait.frame());
        let dips = self.dips.values().filter_map(|dip| dip.next);
        let tones = self.tones.values().map(|tone| tone.next);
        lamps.chain(mutes).chain(openings).chain(dips).chain(self.keys.values().copied()).chain(tones).min()
    }
}

impl Desk {
    /// When something of the console's is over, or the panel locks itself.
    pub(super) fn console_deadline(&self) -> Option<Frames> {
        self.console.next_deadline().into_iter().chain(self.lock_at()).min()
    }

    /// Works out again what follows from the values of the desk alone.
    pub(super) fn recount_console(&mut self) {
        let on = |key: Key, id: &Id| self.mix.get(&Address::new(key, id)).is_some_and(|value| value.is_word("on"));
        let channels = |key| self.channels().map(|channel| &channel.id).filter(|id| on(key, id)).cloned().collect();
        let (listened, soloed) = (channels(Key::ChannelListen), channels(Key::ChannelSolo));
        let buses = self.buses().map(|bus| &bus.id).filter(|id| on(Key::BusListen, id)).cloned().collect();
        let dimmed = self.dimmed_by_talkback();
        let there = |key: Key, id: &Id| self.exists(&Address::new(key, id)).is_ok();
        let gone = self.console.tones.keys().filter(|bus| !there(Key::BusTone, bus)).cloned().collect::<Vec<_>>();
        let keys = self.console.keys.keys().filter(|key| self.exists(key).is_err()).cloned().collect::<Vec<_>>();
        let console = &mut self.console;
        console.tones.retain(|bus, _| !gone.contains(bus));
        console.keys.retain(|key, _| !keys.contains(key));
        (console.listened_channels, console.listened_buses, console.soloed) = (listened, buses, soloed);
        console.dimmed_outputs = dimmed;
    }

    /// Why the console's logic does not let this happen, whoever asks for it, if so.
    pub(super) fn refused_to_all(&self, address: &Address, value: &Value) -> Option<String> {
        if matches!(address.key, Key::OutputListen | Key::OutputDim | Key::OutputMono)
            && !value.is_word("off")
            && self.rig().outputs.iter().any(|output| *output.id == *address.id && !output.is_monitor())
        {
            return Some(words::NO_MONITOR.to_owned());
        }
        if address.key == Key::OutputListen && value.is_word("on") && !self.may_listen(&Id::from(&*address.id)) {
            return Some(words::LISTENS_TO_AN_AUDIENCE.to_owned());
        }
        if address.key == Key::ChannelSolo
            && value.is_word("on")
            && let Some(bus) = self.buses().find(|bus| self.is_on_air(&bus.id))
        {
            return Some(words::solo_on_air(&bus.id));
        }
        if address.key == Key::ChannelStart && value.is_word("on") && self.start_of(&Id::from(&*address.id)).is_none() {
            return Some(words::no_start_line(&address.id));
        }
        self.tone_refuses(address, value)
    }

    /// Why the console's logic does not let this happen, if so.
    pub(super) fn console_refuses(&mut self, address: &Address, value: &Value, by: By) -> Option<String> {
        if let Some(why) = self.refused_to_all(address, value) {
            return Some(why);
        }
        if address.key.parameter().scope == Scope::Contact {
            return self.contact_refuses(address, by);
        }
        self.talkback_refuses(address, value).or_else(|| self.novice_refuses(address, value, by))
    }

    /// Does what follows from a value that changed, besides the sound of the value itself.
    pub(super) fn react(
        &mut self,
        address: &Address,
        before: Option<&Value>,
        value: &Value,
        by: By,
        effects: &mut Effects,
    ) {
        let id = Id::from(&*address.id);
        let on = value.is_word("on");
        match address.key {
            Key::ChannelFader => {
                if before == Some(&Value::Off) && self.console.listened_channels.contains(&id) {
                    self.put(&Address::new(Key::ChannelListen, &id), Value::Word("off".into()), By::Desk, effects);
                }
                if by != By::Desk {
                    self.fader_starts(&id, before, value, effects);
                }
            }
            Key::ChannelListen | Key::ChannelListenPoint => self.listening_changed(Some(&id)),
            Key::BusListen => self.listening_changed(None),
            Key::OutputListen => {
                self.reconcile();
                self.aim_all();
            }
            Key::OutputDim | Key::OutputMono => self.aim_output(&id),
            Key::ChannelSolo => {
                self.recount_console();
                self.aim_all();
            }
            Key::ChannelCough => self.aim_strip_of_channel(&id),
            Key::TalkbackLevel => self.talkback_changed(),
            Key::TalkbackLatch => self.latch_moved(&id, on, effects),
            key if talkback::is_key(key) => self.key_moved(address, on, effects),
            Key::BusTone => self.tone_moved(&id, !value.is_word("off")),
            Key::ChannelStart if on => {
                self.pulse_start(&id, effects);
                self.is_done(address, effects);
            }
            Key::DeskListenClear if on => {
                self.clear_listening(effects);
                self.is_done(address, effects);
            }
            Key::DeskRestore if on => {
                self.restore_prepared(by, effects);
                self.is_done(address, effects);
            }
            Key::DeskPanic => self.take_rung(value, effects),
            Key::ContactPulse if on => {
                effects.contacts.push((id, ContactDo::Pulse));
                self.is_done(address, effects);
            }
            // By the desk itself: it stands so already.
            Key::ContactState if by != By::Desk => {
                effects.contacts.push((id, ContactDo::Stand { closed: value.is_word("closed") }));
            }
            _ => {}
        }
    }

    /// What was asked for by a word is done, and the word can be said again.
    fn is_done(&mut self, address: &Address, effects: &mut Effects) {
        self.put(address, Value::Word("off".into()), By::Desk, effects);
    }

    /// Lets lamps, contacts and loudspeakers follow what the event changed, and time.
    pub(super) fn follow_console(&mut self, effects: &mut Effects) {
        if effects.hand {
            self.console.last_hand = self.now;
        }
        self.open_what_waited(effects);
        if !self.console.stale && self.console_deadline().is_none_or(|at| at > self.now) {
            return;
        }
        self.release_keys(effects);
        self.follow_tones(effects);
        self.lock_when_idle(effects);
        self.end_solo_on_air(effects);
        if self.console.dips.values().any(|dip| dip.next.is_some_and(|at| at <= self.now)) {
            self.follow_dips();
        }
        self.keep_inside(effects);
        self.console.stale = false;
        let live = self.live_and_about_to_be();
        self.mute_rooms(&live, effects);
        self.show_tallies(&live, effects);
    }

    /// Whatever came about, by a value that waited, a fade, a file or a restart: from here on nothing that has to stay inside is heard
    /// outside. Sends from before a switch go behind it, keys of talkbacks let go, and tone that nobody confirmed ends.
    fn keep_inside(&mut self, effects: &mut Effects) {
        self.keep_input_sends_inside(effects);
        for key in self.keys_heard_outside() {
            effects.notes.push(log::key_heard_outside(&key));
            self.put(&key, Value::Word("off".into()), By::Desk, effects);
        }
        let unconfirmed = |bus: &&Id| self.held(Key::BusTone, bus).is_word("on") && self.is_on_air(bus);
        let tones: Vec<Id> = self.console.tones.keys().filter(unconfirmed).cloned().collect();
        for bus in tones {
            effects.notes.push(log::tone_came_on_air(&bus));
            self.put(&Address::new(Key::BusTone, &bus), Value::Word("off".into()), By::Desk, effects);
        }
    }

    /// Makes a contact stand as it ought to.
    fn stand(&mut self, contact: &Id, closed: bool, effects: &mut Effects) {
        if self.console.contacts.insert(contact.clone(), closed) != Some(closed) {
            effects.contacts.push((contact.clone(), ContactDo::Stand { closed }));
        }
    }
}
