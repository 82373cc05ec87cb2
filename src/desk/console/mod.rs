//! Console logic: who is live, and what has to be lit, muted or silent for it.
//!
//! ```text
//! a value changes --> stale --> live microphones --+--> tallies: lamps, contacts          (tally.rs)
//!                                                  +--> loudspeakers of their rooms        (rooms.rs)
//! an opening by hand --> loudspeakers mute first --> the engine has muted --> 5 ms --> it opens
//! ```
//!
//! Everything here follows from the values of the desk and from time; nothing is decided twice.

mod rooms;
mod tally;

pub(super) use tally::decides_who_is_live;

use super::{Desk, Effects};
use crate::params::{Address, Value};
use crate::profile::Id;
use crate::units::Frames;
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
        lamps.chain(mutes).chain(openings).min()
    }
}

impl Desk {
    /// Lets lamps, contacts and loudspeakers follow what the event changed, and time.
    pub(super) fn follow_console(&mut self, effects: &mut Effects) {
        self.open_what_waited(effects);
        if !self.console.stale && self.console.next_deadline().is_none_or(|at| at > self.now) {
            return;
        }
        self.console.stale = false;
        let live = self.live_and_about_to_be();
        self.mute_rooms(&live, effects);
        self.show_tallies(&live, effects);
    }

    /// Makes a contact stand as it ought to.
    fn stand(&mut self, contact: &Id, closed: bool, effects: &mut Effects) {
        if self.console.contacts.insert(contact.clone(), closed) != Some(closed) {
            effects.contacts.push((contact.clone(), ContactDo::Stand { closed }));
        }
    }
}
