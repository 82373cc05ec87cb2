//! The one owner of the desk's state: events in, effects and engine commands out.
//!
//! [`Desk::handle`] is a function of the state, the time and the event; it does no I/O and has no clock.
//! Daemon, offline renderer and tests all drive it. What goes to the engine is fetched with
//! [`Desk::take`]; what the engine did comes back as [`Event::Echo`]. [`Desk::next_deadline`] says when it
//! wants to be called with nothing else to say.

mod aims;
pub(crate) mod buses;
mod console;
mod hands;
pub mod journal;
mod layout;
mod lip_sync;
mod meter_memory;
mod meters;
mod own_voice;
mod scenes;
mod settings;
mod sharing;
mod stage;
mod stages;
mod status;
mod swap;
mod why;
pub mod wiring;

pub use console::ContactDo;
pub use lip_sync::LipSync;
pub use meter_memory::{MeterMemory, Order, Thing};
pub use meters::{FLOOR_DBFS, MeterName, Quantity, Reading};
pub use own_voice::{Correlated, OwnVoice, Return};
pub use scenes::{Change, Recall, SceneToKeep, is_fade};
pub use settings::engine_settings;
pub use stage::{PlanToSend, ToEngine};
pub use status::{Facts, FileTrouble, Heard, Live, Metered, ProgrammeLoudness, RoomShown, Status, Wrong};
pub use why::{Step, Why};
pub use wiring::FeedSpec;

use crate::engine::{Bank, Tap};
use crate::panel::midi::Parser;
use crate::panel::osc;
use crate::panel::{Action, ControlIndex, Decoder, Gesture, PortIndex};
use crate::params::{Address, Domain, Key, Nature, Scope, TABLE, Value, nearest};
use crate::profile::{Bus, Channel, GainGroup, Id, Input, InputFrom, InputKind, Installation, Move, Panel, Rig};
use crate::units::{Frames, SampleRate, Travel};
use hands::Hand;
use scenes::Fades;
use stage::Stage;
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

/// Who asks for a change.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum By {
    /// A hand on a control of the panel.
    Control(ControlIndex),
    /// A message or command; whether it may open microphones (promise 10).
    Message {
        /// From loopback or wired control.
        may_open_microphones: bool,
    },
    /// The desk itself: a profile, a restored mix.
    Desk,
}

/// From the network at large.
const NETWORK: By = By::Message { may_open_microphones: false };

/// What people read when teaching ends and begins.
const TEACHING: [&str; 2] = [
    "the touch is over: the panel's controls do again what they are for",
    "a control is about to be touched to assign it: until then the panel closes and lowers, and does nothing else",
];

/// What happened.
#[derive(Clone, Debug)]
pub enum Event {
    /// MIDI bytes of a control port.
    Midi {
        /// Which control port of the rig.
        port: PortIndex,
        /// The bytes, as they came.
        bytes: Vec<u8>,
    },
    /// An OSC message of a control port.
    PanelOsc {
        /// Which control port of the rig.
        port: PortIndex,
        /// The message.
        message: osc::Message,
    },
    /// A control port was found (again): half-read messages count no more, and its controls are told everything.
    PortFound {
        /// Which control port of the rig.
        port: PortIndex,
    },
    /// A parameter shall have a value.
    Set {
        /// Which.
        address: Address,
        /// The value.
        value: Value,
        /// Who says so.
        by: By,
    },
    /// Several parameters shall have values, all in one tick. One that is refused does not hold up the others.
    SetAll {
        /// Which, and the values.
        values: Vec<(Address, Value)>,
        /// Who says so.
        by: By,
    },
    /// A scene or an earlier mix shall come back, by a fade. It opens no microphone, whoever says so.
    Recall {
        /// What.
        what: Recall,
        /// Who says so.
        by: By,
    },
    /// Files were accepted.
    Install {
        /// What they say.
        installation: Box<Installation>,
        /// Whether it is the profile that is in force, edited: then only values whose text changed move.
        reread: bool,
    },
    /// The mix of before a restart, after the installation.
    Restore {
        /// The values that were kept.
        values: Vec<(Address, Value)>,
        /// Whether promise 5 lets open microphones come back open.
        microphones_open: bool,
    },
    /// A device is gone.
    DeviceAway {
        /// Which device of the rig.
        device: Id,
    },
    /// A device is back.
    DeviceBack {
        /// Which device of the rig.
        device: Id,
        /// Whether promise 5 lets open microphones come back open.
        microphones_open: bool,
    },
    /// Somebody is about to touch a control in order to assign it, or has: meanwhile a control of the panel closes and lowers
    /// as ever, and does nothing else.
    Teach {
        /// Whether it begins.
        begins: bool,
    },
    /// The outputs shall fall silent: the desk is about to stop.
    FadeOut,
    /// The engine took a batch or plan in.
    Echo {
        /// Which.
        sequence: u64,
        /// The first frame made with it.
        frame: Frames,
    },
    /// Nothing but time.
    Deadline,
}

/// A control shall show where its parameter stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Feedback {
    /// Which control.
    pub control: ControlIndex,
    /// Where it should stand; for a lamp 0 is dark and 1 is lit.
    pub travel: Travel,
}

/// Something that was asked for and not done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refusal {
    /// The OSC address that was meant.
    pub what: String,
    /// Why not, in words for whoever asked.
    pub why: String,
}

/// What follows from an event, besides what goes to the engine.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Effects {
    /// Values that changed, by whomever.
    pub changed: Vec<(Address, Value)>,
    /// Controls that have to be told.
    pub feedback: Vec<Feedback>,
    /// What was not done, for whoever asked.
    pub refused: Vec<Refusal>,
    /// Contacts that shall do something.
    pub contacts: Vec<(Id, ContactDo)>,
    /// What the desk decided by itself, in words for the log.
    pub notes: Vec<String>,
    /// Scenes that a held button keeps: the mix is to be written into the profile.
    pub keep: Vec<Id>,
    /// A hand was at the desk: a control moved, or somebody's message was done.
    pub hand: bool,
}

/// The desk.
#[derive(Debug)]
pub struct Desk {
    rate: SampleRate,
    now: Frames,
    installation: Installation,
    decoder: Decoder,
    /// The mix: a value for every parameter of every thing that exists.
    mix: BTreeMap<Address, Value>,
    /// Channels that the profile in force does not have, kept because they are open on air.
    left_over: Vec<Channel>,
    /// Values of another profile that wait until their channel is closed.
    pending: BTreeMap<Id, BTreeMap<Address, Value>>,
    hands: Vec<(ControlIndex, Hand)>,
    away: BTreeSet<Id>,
    /// Controls only close and lower: see [`Event::Teach`].
    taught: bool,
    /// Counts the changes of what exists.
    structure: u64,
    stage: Stage,
    /// Values on their way.
    fades: Fades,
    /// Values are being gathered: the engine follows when all are there.
    gathering: bool,
    /// The number that each sharing group has in the engine.
    sharing_groups: BTreeMap<Id, u8>,
    /// Who is live, and what follows from it.
    console: console::Console,
    /// What there is to say of the first installation; goes out with the first event.
    first_notes: Vec<String>,
}

impl Desk {
    /// A desk with an installation. Everything is closed or as the profile says; no microphone is open. The
    /// outputs come up from silence.
    #[must_use]
    pub fn new(installation: Installation, rate: SampleRate) -> Self {
        Self::beginning(installation, rate, false)
    }

    /// The same without any ramp at the beginning: what is open is heard in full from the first frame. For
    /// rendering into files, where nobody can be startled.
    #[must_use]
    pub fn at_once(installation: Installation, rate: SampleRate) -> Self {
        Self::beginning(installation, rate, true)
    }

    fn beginning(installation: Installation, rate: SampleRate, at_once: bool) -> Self {
        let ports: Vec<Id> = installation.rig.control_ports.iter().map(|port| port.id.clone()).collect();
        let decoder = Decoder::new(&installation.panel, &ports, rate);
        let mut desk = Self {
            rate,
            now: Frames(0),
            installation,
            decoder,
            mix: BTreeMap::new(),
            left_over: Vec::new(),
            pending: BTreeMap::new(),
            hands: Vec::new(),
            away: BTreeSet::new(),
            taught: false,
            structure: 0,
            stage: Stage::new(rate, at_once),
            fades: Fades::default(),
            gathering: false,
            sharing_groups: BTreeMap::new(),
            console: console::Console::default(),
            first_notes: Vec::new(),
        };
        desk.start();
        desk
    }

    /// Takes an event in. `now` never goes back.
    pub fn handle(&mut self, now: Frames, event: Event) -> Effects {
        self.now = self.now.max(now);
        let mut effects = Effects { notes: std::mem::take(&mut self.first_notes), ..Effects::default() };
        let mut gestures = Vec::new();
        self.decoder.tick(self.now, &mut gestures);
        self.fade(&mut effects);
        effects.hand = matches!(
            &event,
            Event::Set { by: By::Message { .. }, .. }
                | Event::SetAll { by: By::Message { .. }, .. }
                | Event::Recall { by: By::Message { .. }, .. }
        );
        self.fades.impulse = matches!(&event, Event::PanelOsc { message, .. } if message.arguments.is_empty());
        match event {
            Event::Midi { port, bytes } => self.decoder.midi_bytes(port, self.now, &bytes, &mut gestures),
            Event::PanelOsc { port, message } => {
                if !self.decoder.osc(port, self.now, &message, &mut gestures) {
                    let why = "no control of the panel says so".to_owned();
                    effects.refused.push(Refusal { what: message.address, why });
                }
            }
            Event::PortFound { port } => {
                self.decoder.reset_port(port);
                self.let_go(port);
                self.let_go_of_scenes(port);
                self.let_go_of_talkback(port, &mut effects);
                effects.feedback = self.all_feedback();
                self.console.tell_contacts_again();
            }
            Event::Set { address, value, by } => self.set(&address, &value, by, &mut effects),
            Event::SetAll { values, by } => {
                for (address, value) in values {
                    self.set(&address, &value, by, &mut effects);
                }
            }
            Event::Recall { what, by } => self.recall(&what, by, &mut effects),
            Event::Install { installation, reread } => self.install(*installation, reread, &mut effects),
            Event::Restore { values, microphones_open } => self.restore(&values, microphones_open, &mut effects),
            Event::DeviceAway { device } => self.device_away(device, &mut effects),
            Event::DeviceBack { device, microphones_open } => {
                self.device_back(&device, microphones_open, &mut effects);
            }
            Event::Teach { begins } => {
                self.taught = begins;
                effects.notes.push(TEACHING[usize::from(begins)].to_owned());
            }
            Event::FadeOut => self.stage.fade_outputs(false),
            Event::Echo { sequence, frame } => {
                self.stage.echo(sequence, frame);
                self.console.echo(sequence, frame);
            }
            Event::Deadline => {}
        }
        for gesture in gestures {
            self.scene_gesture(gesture, &mut effects);
            self.gesture(gesture, &mut effects);
        }
        if self.stage.sweep(self.now) && self.stage.crowded {
            self.reconcile();
            self.aim_all();
        }
        self.follow_console(&mut effects);
        effects
    }

    /// What goes to the engine next, if anything; it has to be sent before this is asked again.
    pub fn take(&mut self) -> Option<ToEngine> {
        self.stage.take()
    }

    /// Whether what [`Desk::take`] gives next carries a rung of the panic ladder, which waits behind nothing.
    #[must_use]
    pub const fn panics(&self) -> bool {
        self.stage.is_hurried()
    }

    /// A number that is another one whenever channels, buses or outputs came, went or changed their places.
    #[must_use]
    pub const fn structure(&self) -> u64 {
        self.structure
    }

    /// The number of the batch or plan that will carry what the last event asked for.
    #[must_use]
    pub const fn next_sequence(&self) -> u64 {
        self.stage.next_sequence()
    }

    /// The number of the last batch or plan that was taken.
    #[must_use]
    pub const fn last_sequence(&self) -> u64 {
        self.stage.next_sequence() - 1
    }

    /// When [`Desk::handle`] wants to be called with [`Event::Deadline`] at the latest.
    #[must_use]
    pub fn next_deadline(&self) -> Option<Frames> {
        let decoder = self.decoder.next_deadline().into_iter();
        let desk = self.console_deadline().into_iter().chain(self.fades.next_deadline());
        decoder.chain(self.stage.next_deadline()).chain(desk).min()
    }

    /// The rate of the engine.
    #[must_use]
    pub const fn rate(&self) -> SampleRate {
        self.rate
    }

    /// The rig in force.
    #[must_use]
    pub const fn rig(&self) -> &Rig {
        &self.installation.rig
    }

    /// The panel in force.
    #[must_use]
    pub const fn panel(&self) -> &Panel {
        &self.installation.panel
    }

    /// Which control moves what.
    #[must_use]
    pub fn moves(&self) -> &[Move] {
        &self.installation.profile.moves
    }

    /// The name of the profile in force.
    #[must_use]
    pub fn profile_name(&self) -> &str {
        &self.installation.profile.name
    }

    /// Every channel there is, those left over last.
    pub fn channels(&self) -> impl Iterator<Item = &Channel> {
        self.installation.profile.channels.iter().chain(&self.left_over)
    }

    /// Channels that the profile in force does not have and that stay until they are closed.
    #[must_use]
    pub fn left_over(&self) -> &[Channel] {
        &self.left_over
    }

    /// Channels that keep their values until they are closed.
    pub fn waiting(&self) -> impl Iterator<Item = &Id> {
        self.pending.keys()
    }

    /// Every bus there is.
    pub fn buses(&self) -> impl Iterator<Item = &Bus> {
        self.installation.profile.buses.iter()
    }

    /// Every gain group there is.
    pub fn gain_groups(&self) -> impl Iterator<Item = &GainGroup> {
        self.installation.profile.gain_groups.iter()
    }

    /// The gain groups that a channel is a member of.
    pub(super) fn gain_groups_of(&self, channel: &Id) -> impl Iterator<Item = &GainGroup> {
        self.gain_groups().filter(move |group| group.members.contains(channel))
    }

    /// The value a parameter has now; nothing when there is no such thing.
    #[must_use]
    pub fn value(&self, address: &Address) -> Option<Value> {
        self.mix.get(address).cloned().or_else(|| {
            self.exists(address).ok()?;
            address.key.parameter().default_value()
        })
    }

    /// Every value of the desk that is kept over a restart, in the order of the addresses.
    pub fn mix(&self) -> impl Iterator<Item = (&Address, &Value)> {
        self.mix.iter().filter(|(address, _)| address.key.nature() == Nature::Kept)
    }

    /// The values that a profile may start with: those of its own channels and buses, and of the outputs. The switch of a
    /// microphone is none: no file opens one.
    #[must_use]
    pub fn mix_to_keep(&self) -> Vec<(Address, Value)> {
        let left_over = |id: &str| self.left_over.iter().any(|channel| &*channel.id == id);
        let keeps = |address: &Address| {
            address.key != Key::DeskLock && address.key.parameter().scope != Scope::Channel
                || !(left_over(&address.id) || address.key == Key::ChannelSwitch && self.is_microphone(&address.id))
        };
        let kept = self.mix().filter(|(address, _)| keeps(address));
        kept.map(|(address, value)| (address.clone(), value.clone())).collect()
    }

    /// Every address that can be asked for.
    #[must_use]
    pub fn addresses(&self) -> Vec<Address> {
        let mut all = Vec::new();
        for row in TABLE {
            for id in self.ids(row.scope) {
                match row.further {
                    None => all.push(Address::new(row.key, &id)),
                    Some(scope) => {
                        all.extend(self.ids(scope).iter().map(|further| Address::with_further(row.key, &id, further)));
                    }
                }
            }
        }
        all
    }

    fn ids(&self, scope: Scope) -> Vec<Id> {
        match scope {
            Scope::Channel => self.channels().map(|channel| channel.id.clone()).collect(),
            Scope::Bus => self.buses().map(|bus| bus.id.clone()).collect(),
            Scope::GainGroup => self.gain_groups().map(|group| group.id.clone()).collect(),
            Scope::Output => self.rig().outputs.iter().map(|output| output.id.clone()).collect(),
            Scope::Room => self.rig().console.rooms.iter().map(|room| room.id.clone()).collect(),
            Scope::Talkback => self.talkbacks().iter().map(|talkback| talkback.id.clone()).collect(),
            Scope::Desk => vec!["".into()],
            Scope::Contact => self.rig().contacts.iter().map(|contact| contact.id.clone()).collect(),
        }
    }

    /// Whether an address names something that exists, or what does not, with the nearest that does.
    fn exists(&self, address: &Address) -> Result<(), String> {
        let row = address.key.parameter();
        self.known(row.scope, &address.id)?;
        match (row.further, &address.further) {
            (Some(scope), Some(further)) => self.known(scope, further),
            _ => Ok(()),
        }
    }

    fn known(&self, scope: Scope, id: &str) -> Result<(), String> {
        let ids = self.ids(scope);
        if ids.iter().any(|known| &**known == id) {
            return Ok(());
        }
        let hint = nearest(id, ids.iter().map(|known| &**known)).map(|near| format!("; the nearest is \"{near}\""));
        Err(format!("there is no {} \"{id}\"{}", scope.word(), hint.unwrap_or_default()))
    }

    /// Sets a value that somebody asked for.
    fn set(&mut self, address: &Address, value: &Value, by: By, effects: &mut Effects) {
        let refused = match self.acceptable(address, value) {
            Ok(value) if by == NETWORK && self.opens_a_microphone(address, &value) => {
                "a microphone is opened over the network only from loopback or wired control".to_owned()
            }
            Ok(value) => {
                let value = self.limited(address, value, by);
                match self.console_refuses(address, &value, by) {
                    Some(why) => why,
                    None => {
                        if !self.swallows_release(address, &value, by) && !self.waits_for_silence(address, &value, by) {
                            self.put(address, value, by, effects);
                        }
                        return;
                    }
                }
            }
            Err(why) => why,
        };
        effects.refused.push(Refusal { what: address.to_osc(), why: refused });
    }

    fn acceptable(&self, address: &Address, value: &Value) -> Result<Value, String> {
        self.exists(address)?;
        if address.key.nature() == Nature::Told {
            return Err("the desk says this and nobody sets it".to_owned());
        }
        let row = address.key.parameter();
        let value = row.accept(value).map_err(|refused| refused.to_string())?;
        if let Value::Word(word) = &value {
            match row.domain {
                Domain::BusId => self.known(Scope::Bus, word)?,
                Domain::InputId | Domain::SecondInputId
                    if self.rig().input(word).is_none()
                        && !(row.domain == Domain::SecondInputId && &**word == "off") =>
                {
                    return Err(format!("there is no input \"{word}\" in the rig"));
                }
                _ => {}
            }
        }
        let further: Id = address.further.as_deref().unwrap_or_default().into();
        let refused = match address.key {
            Key::BusAssign if value.is_word("on") => self.why_not_assigned(&Id::from(&*address.id), &further),
            Key::ChannelSendPoint if value.is_word("input") => self.why_no_input_send(&further),
            Key::ChannelSourceSelect if value.is_word("b") && self.second_source(&address.id).is_none() => {
                Some("the channel has no second source: name one with its source-b".to_owned())
            }
            Key::ChannelSharingGroup | Key::ChannelDuckingUnder | Key::BusDuckingUnder => self.why_no_group(&value),
            _ => None,
        };
        refused.map_or(Ok(value), Err)
    }

    /// Whether a microphone that cannot be heard now could be heard with this value: by its switch, its fader, an
    /// assignment, or because it becomes the source of an open channel.
    fn opens_a_microphone(&mut self, address: &Address, value: &Value) -> bool {
        let id: Id = address.id.as_ref().into();
        if self.selects_another_microphone(address, value) && self.is_open_on_air(&id) {
            return true;
        }
        let concerned: Vec<Id> = match address.key.parameter().scope {
            Scope::Channel => vec![id.clone()],
            Scope::GainGroup => {
                self.gain_groups().filter(|group| group.id == id).flat_map(|group| group.members.clone()).collect()
            }
            Scope::Talkback => return value.is_word("on") && self.is_by_microphone(&address.id),
            Scope::Bus | Scope::Output | Scope::Room | Scope::Desk | Scope::Contact => {
                let before = self.live_microphones();
                return console::decides_who_is_live(address.key, self.value(address).as_ref(), value)
                    && self.live_with(std::iter::once((address.clone(), value.clone())), before.clone()) != before;
            }
        };
        let closed: Vec<Id> =
            concerned.into_iter().filter(|id| self.is_microphone(id) && !self.is_open_on_air(id)).collect();
        // Another source may make a microphone of what is open.
        let live = |desk: &Self| closed.iter().chain([&id]).any(|id| desk.is_microphone(id) && desk.is_open_on_air(id));
        if self.is_microphone(&id) && self.is_open_on_air(&id) {
            return false;
        }
        if address.key == Key::ChannelSwitch {
            return value.is_word("open") && self.is_microphone(&id);
        }
        let before = self.mix.insert(address.clone(), value.clone());
        let opens = live(self);
        match before {
            Some(before) => self.mix.insert(address.clone(), before),
            None => self.mix.remove(address),
        };
        opens
    }

    /// Whether a channel would carry a microphone with this value that it does not carry now.
    fn selects_another_microphone(&mut self, address: &Address, value: &Value) -> bool {
        if !address.key.is_of_a_source() {
            return false;
        }
        let carried = self.input_of(&address.id).map(|input| input.id.clone());
        let before = self.mix.insert(address.clone(), value.clone());
        let another =
            self.input_of(&address.id).is_some_and(|input| is_microphone(input) && Some(&input.id) != carried.as_ref());
        match before {
            Some(before) => self.mix.insert(address.clone(), before),
            None => self.mix.remove(address),
        };
        another
    }

    /// Stores a value that is known to be good, and lets the engine, the controls and the listeners know.
    fn put(&mut self, address: &Address, value: Value, by: By, effects: &mut Effects) {
        let before = self.value(address);
        if before.as_ref() == Some(&value) {
            return;
        }
        self.console.stale |= console::decides_who_is_live(address.key, before.as_ref(), &value);
        self.mix.insert(address.clone(), value.clone());
        for (control, hand) in &mut self.hands {
            if hand.moves.target != *address {
                continue;
            }
            if by != By::Control(*control) {
                hand.value_moved(&value);
                if let Some(travel) = hand.travel_of(&value) {
                    effects.feedback.push(Feedback { control: *control, travel });
                }
            } else if !matches!(hand.kind, crate::profile::ControlKind::Fader | crate::profile::ControlKind::Knob)
                && let Some(travel) = hand.travel_of(&value)
            {
                // A button with a lamp in it does not show its own press: the desk does.
                effects.feedback.push(Feedback { control: *control, travel });
            }
        }
        effects.changed.push((address.clone(), value.clone()));
        self.follow(address, effects);
        if !self.gathering {
            self.react(address, before.as_ref(), &value, by, effects);
        }
    }

    /// Lets the engine follow a value that changed.
    fn follow(&mut self, address: &Address, effects: &mut Effects) {
        if self.gathering {
            return;
        }
        let id: Id = address.id.as_ref().into();
        match address.key.parameter().scope {
            Scope::Channel if address.key.is_of_sharing() => self.aim_sharing(&id),
            Scope::Bus if address.key.is_of_sharing() => self.aim_room_of_bus(&id),
            _ if address.key.is_of_the_console() => {}
            // A fader that moves works out no filters.
            Scope::Channel if address.key.is_of_a_stage() => self.aim_stages_of_channel(&id),
            Scope::Bus if address.key.is_of_a_stage() => self.aim_stages_of_bus(&id),
            Scope::Channel => {
                if address.key.is_of_a_source() {
                    self.reconcile();
                    self.aim_stages_of_channel(&id);
                    self.aim_sharing(&id);
                } else if matches!(address.key, Key::ChannelAssign | Key::ChannelSendLevel) && self.has_mix_minus() {
                    // Somebody's share may go another way now.
                    self.reconcile();
                    self.aim_all();
                }
                match address.key {
                    // What a hand moves most changes nothing of who feeds whom.
                    Key::ChannelFader | Key::ChannelSwitch | Key::ChannelTrim | Key::ChannelTrimB => {
                        self.aim_gains_of_channel(&id);
                    }
                    _ => self.aim_strip_of_channel(&id),
                }
                self.when_closed(&id, true, effects);
            }
            Scope::Bus if address.key == Key::BusAssign => {
                // Other buses lead to the programme.
                self.compile_panic();
                self.reconcile();
                self.aim_all();
            }
            Scope::Bus => self.aim_strip_of_bus(&id),
            Scope::GainGroup => {
                let members = self.gain_groups().find(|group| group.id == id).map(|group| group.members.clone());
                for member in members.unwrap_or_default() {
                    self.aim_gains_of_channel(&member);
                    self.when_closed(&member, true, effects);
                }
            }
            Scope::Output => {
                if address.key == Key::OutputSource && self.has_mix_minus() {
                    self.reconcile();
                }
                self.aim_output(&id);
            }
            Scope::Room | Scope::Talkback | Scope::Desk | Scope::Contact => {}
        }
    }

    fn has_mix_minus(&self) -> bool {
        self.buses().any(|bus| bus.minus.is_some())
    }

    /// A panel that was away may have been moved: where its controls stand is not known, and what they report first is no move.
    fn let_go(&mut self, port: PortIndex) {
        let Some(id) = self.rig().control_ports.get(port.0).map(|port| port.id.clone()) else { return };
        let controls = self.installation.panel.controls.iter().enumerate();
        let of_port: Vec<ControlIndex> =
            controls.filter(|(_, control)| control.port == id).map(|(index, _)| ControlIndex(index)).collect();
        for control in &of_port {
            self.decoder.forget(*control);
        }
        let until = self.now.plus(self.rate.frames_in_ms_rounded_up(hands::REPORT_MS));
        for (_, hand) in self.hands.iter_mut().filter(|(control, _)| of_port.contains(control)) {
            hand.let_go(until);
        }
    }

    fn gesture(&mut self, gesture: Gesture, effects: &mut Effects) {
        let indices: Vec<usize> = (0..self.hands.len()).filter(|&i| self.hands[i].0 == gesture.control).collect();
        for index in indices {
            let address = self.hands[index].1.moves.target.clone();
            let Some(current) = self.console.wanted(&address).or_else(|| self.value(&address)) else { continue };
            let locked = self.is_locked();
            let hand = &mut self.hands[index].1;
            let (report, stood) = (hand.reports(self.now), hand.last);
            effects.hand |= !report;
            if !report && !locked {
                self.hand_stops(gesture, &address, stood);
            }
            let hand = &mut self.hands[index].1;
            let value = match gesture.action {
                Action::Travel(travel) if report => {
                    hand.stands_at(travel, &current);
                    None
                }
                Action::Press | Action::Release if report && hand.kind == crate::profile::ControlKind::Latching => None,
                Action::Press if report && hand.kind == crate::profile::ControlKind::Hold => None,
                action if locked => {
                    let (mut tried, place) = (hand.clone(), hand.last);
                    let value = tried.act(action, &current);
                    if value.as_ref().is_some_and(|value| Self::is_allowed_when_locked(&address, value)) {
                        *hand = tried;
                        value
                    } else {
                        if let Some(place) = tried.last.filter(|_| tried.last != place) {
                            hand.stands_at(place, &current);
                        }
                        None
                    }
                }
                action => hand.act(action, &current),
            };
            let Some(value) = value else { continue };
            if self.taught && !lowers(&address, &current, &value) {
                // Where it stands is known; it takes over again where it meets the desk's value.
                hand.joined = false;
                continue;
            }
            self.set(&address, &value, By::Control(gesture.control), effects);
        }
    }

    /// Whether somebody may speak into what a channel carries. A microphone that the desk makes up is none.
    #[must_use]
    pub fn is_microphone(&self, channel: &str) -> bool {
        self.input_of(channel).is_some_and(is_microphone)
    }

    /// The input that a channel carries: of its sources the one that is selected.
    fn input_of(&self, channel: &str) -> Option<&Input> {
        if self.carries_second(channel) {
            return self.second_source(channel);
        }
        let Some(Value::Word(input)) = self.value(&Address::new(Key::ChannelSource, channel)) else { return None };
        self.rig().input(&input)
    }

    /// The second source of a channel, whether it is selected or not.
    fn second_source(&self, channel: &str) -> Option<&Input> {
        let Some(Value::Word(input)) = self.value(&Address::new(Key::ChannelSourceB, channel)) else { return None };
        self.rig().input(&input).filter(|_| &*input != "off")
    }

    /// Whether a channel carries its second source. One that has none carries the first, whatever is selected.
    fn carries_second(&self, channel: &str) -> bool {
        self.mix.get(&Address::new(Key::ChannelSourceSelect, channel)).is_some_and(|value| value.is_word("b"))
            && self.second_source(channel).is_some()
    }

    /// The trim and the pad of what a channel carries: each source has its own.
    fn level_keys(&self, channel: &str) -> (Key, Key) {
        if self.carries_second(channel) {
            (Key::ChannelTrimB, Key::ChannelPadB)
        } else {
            (Key::ChannelTrim, Key::ChannelPad)
        }
    }

    /// The columns of the engine that hold a channel, bus or output: where a meter frame shows it.
    #[must_use]
    pub fn columns(&self, bank: Bank, id: &str) -> Option<Range<u16>> {
        self.stage.place(bank, id).map(|place| place.first..place.first + place.width)
    }

    /// Whether a channel can be heard on a bus, or could as soon as its device is back: it is open, and assigned somewhere.
    #[must_use]
    pub fn is_open_on_air(&self, channel: &Id) -> bool {
        self.buses().any(|bus| self.is_heard_on(channel, &bus.id))
    }

    /// Whether a bus gets anything of a channel behind its switch.
    fn is_heard_on(&self, channel: &Id, bus: &Id) -> bool {
        if !self.is_switched_open(channel) {
            return false;
        }
        let open = self.is_open(channel);
        let assigned = self.mix.get(&Address::with_further(Key::ChannelAssign, channel, bus));
        let sent = self.send_level(channel, bus) != Value::Off;
        (open && assigned.is_some_and(|value| value.is_word("on")))
            || (open && sent && self.send_tap(channel, bus) == Tap::AfterFader)
            || (sent && self.send_tap(channel, bus) == Tap::PreFader)
    }

    /// The parsers of the control ports' MIDI streams as they stand.
    #[must_use]
    pub fn parsers(&self) -> Vec<Parser> {
        self.decoder.parsers()
    }

    /// Where the controls that wait to rejoin stand, and where they would have to: for the screen.
    pub fn waiting_controls(&self) -> impl Iterator<Item = (ControlIndex, &Address, Option<Travel>, Option<Travel>)> {
        self.hands
            .iter()
            .filter(|(_, hand)| {
                !hand.joined
                    && matches!(hand.kind, crate::profile::ControlKind::Fader | crate::profile::ControlKind::Knob)
            })
            .map(|(control, hand)| {
                let there = self.value(&hand.moves.target).and_then(|value| hand.travel_of(&value));
                (*control, &hand.moves.target, hand.last, there)
            })
    }
}

/// Whether a value closes something or makes it less loud than it is.
fn lowers(address: &Address, current: &Value, value: &Value) -> bool {
    match address.key {
        Key::ChannelSwitch => value.is_word("closed"),
        Key::ChannelFader | Key::BusFader | Key::OutputLevel => value.decibels() <= current.decibels(),
        _ => false,
    }
}

fn is_microphone(input: &Input) -> bool {
    input.kind == InputKind::Microphone && matches!(input.from, InputFrom::Device { .. })
}
