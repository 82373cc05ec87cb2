//! Listening beside the live mix, the monitor path, and solo-in-place.
//!
//! | an output that listens carries | when |
//! | --- | --- |
//! | its source | nothing is listened to |
//! | the sum of all channels that are listened to, and the buses that are | anything is |
//!
//! | a channel is listened to | taken |
//! | --- | --- |
//! | `pre-fader` | behind its stages, before switch and fader; a mono one on both sides at its full level |
//! | `after-fader` | behind switch, fader and pan |
//!
//! Only headphones and loudspeakers dim and go to mono, and of loudspeakers only those of a room listen, since others play to an
//! audience: nothing here is heard on a live bus. Listening to a channel ends
//! when its fader opens. Solo-in-place closes everything else on the real buses, so it is refused while any is on air.

use super::super::layout::Place;
use super::super::{By, Desk, Effects};
use crate::engine::{Bank, Tap, Target};
use crate::params::{Address, Key, Value};
use crate::profile::Id;
use crate::words::{log, why as words};

/// The bus that holds the channels listened to. No id of a profile has a colon.
pub(in crate::desk) const LISTEN_BUS: &str = "listen:";

/// What dim takes off: 20 dB.
const DIM: f32 = 0.1;

impl Desk {
    /// Whether the engine has to have the bus for listening.
    pub(in crate::desk) fn wants_listen_bus(&self) -> bool {
        self.rig()
            .outputs
            .iter()
            .any(|output| output.is_monitor() && self.held(Key::OutputListen, &output.id).is_word("on"))
    }

    /// Whether an output plays what is listened to instead of its source.
    pub(in crate::desk) fn listens_now(&self, output: &Id) -> bool {
        let console = &self.console;
        !(console.listened_channels.is_empty() && console.listened_buses.is_empty())
            && self.may_listen(output)
            && self.held(Key::OutputListen, output).is_word("on")
    }

    /// Whether an output may play what is listened to: nobody outside hears it.
    pub(super) fn may_listen(&self, output: &Id) -> bool {
        let mut outputs = self.rig().outputs.iter();
        outputs.any(|known| known.id == *output && known.is_monitor() && !self.rig().console.is_outside(known))
    }

    /// Whether an output carries a bus now; that of listening too.
    pub(in crate::desk) fn carries_now(&self, output: &Id, bus: &Id) -> bool {
        if self.listens_now(output) {
            return **bus == *LISTEN_BUS || self.console.listened_buses.contains(bus);
        }
        self.held(Key::OutputSource, output).is_word(bus)
    }

    /// What the monitor path takes off an output.
    pub(in crate::desk) fn monitor_gain(&self, output: &Id) -> f32 {
        let dim = self.held(Key::OutputDim, output).is_word("on") || self.console.dimmed_outputs.contains(output);
        if dim { DIM } else { 1.0 }
    }

    /// Aims the bus for listening itself: it is no bus of the profile, so it has no fader and passes what it gets as it comes.
    pub(in crate::desk) fn aim_listen_bus(&mut self) {
        let Some(place) = self.stage.place(Bank::Buses, LISTEN_BUS) else { return };
        for column in place.columns() {
            self.stage.aim(Target::Level { bank: Bank::Buses, column }, 1.0);
            self.stage.aim(Target::Gate { bank: Bank::Buses, column }, 1.0);
        }
    }

    /// Aims what a channel gives to those who listen.
    pub(in crate::desk) fn aim_listen(&mut self, id: &Id, place: Place) {
        let Some(to) = self.stage.place(Bank::Buses, LISTEN_BUS) else { return };
        let listened = self.console.listened_channels.contains(id);
        let before = self.held(Key::ChannelListenPoint, id).is_word("pre-fader");
        let (first, second) = (place.first, place.first + place.width - 1);
        for tap in [Tap::AfterFader, Tap::Input] {
            let [left, right] = match (listened && before == (tap == Tap::Input), before) {
                (false, _) => [0.0; 2],
                (true, true) => [1.0; 2],
                (true, false) => self.sides(id, place, self.pan_of(Key::ChannelPan, id, None)),
            };
            self.stage.aim(Target::ToBus { tap, from: first, to: to.first }, left);
            self.stage.aim(Target::ToBus { tap, from: second, to: to.first + 1 }, right);
        }
    }

    /// Something began or ceased to be listened to.
    pub(super) fn listening_changed(&mut self, channel: Option<&Id>) {
        self.recount_console();
        if let Some((id, place)) = channel.and_then(|id| Some((id, self.stage.place(Bank::Sources, id)?))) {
            self.aim_listen(id, place);
        }
        self.aim_monitors();
        self.console.stale = true;
    }

    /// Aims all outputs that are monitors.
    pub(super) fn aim_monitors(&mut self) {
        let monitors = self.rig().outputs.iter().filter(|output| output.is_monitor());
        let monitors: Vec<Id> = monitors.map(|output| output.id.clone()).collect();
        for id in monitors {
            self.aim_output(&id);
        }
    }

    /// What is listened to: for the screen.
    pub(in crate::desk) fn listened(&self) -> Vec<String> {
        let (channels, buses) = (&self.console.listened_channels, &self.console.listened_buses);
        channels.iter().chain(buses).map(ToString::to_string).collect()
    }

    /// Ends all listening.
    pub(super) fn clear_listening(&mut self, effects: &mut Effects) {
        let channels =
            self.console.listened_channels.clone().into_iter().map(|id| Address::new(Key::ChannelListen, &id));
        let buses = self.console.listened_buses.clone().into_iter().map(|id| Address::new(Key::BusListen, &id));
        for address in channels.chain(buses).collect::<Vec<_>>() {
            self.put(&address, Value::Word("off".into()), By::Desk, effects);
        }
    }

    /// Ends solo-in-place where a bus is on air.
    pub(super) fn end_solo_on_air(&mut self, effects: &mut Effects) {
        if self.console.soloed.is_empty() || !self.any_bus_on_air() {
            return;
        }
        effects.notes.push(log::SOLO_ENDS.to_owned());
        for id in self.console.soloed.clone() {
            self.put(&Address::new(Key::ChannelSolo, &id), Value::Word("off".into()), By::Desk, effects);
        }
    }

    pub(super) fn any_bus_on_air(&self) -> bool {
        !self.buses_on_air().is_empty()
    }

    /// Why a channel that may be open is not, in words.
    pub(in crate::desk) fn why_held_closed(&self, id: &Id) -> Option<String> {
        if self.held(Key::ChannelCough, id).is_word("on") {
            return Some(words::COUGH.to_owned());
        }
        self.is_held_closed(id).then(|| {
            let soloed: Vec<&str> = self.console.soloed.iter().map(|id| &**id).collect();
            words::soloed(&soloed.join(", "))
        })
    }

    /// Whether a channel is closed for the sake of another, or for a cough.
    pub(in crate::desk) fn is_held_closed(&self, id: &Id) -> bool {
        (!self.console.soloed.is_empty() && !self.console.soloed.contains(id))
            || self.held(Key::ChannelCough, id).is_word("on")
    }
}
