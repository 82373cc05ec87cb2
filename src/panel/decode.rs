//! From messages to gestures, by what the panel file says of each control.
//!
//! ```text
//! bytes -> midi::Parser -> reading of a control -> calibration -> gesture, if it is news
//! OSC message ------------^
//! ```
//!
//! A coarse half of a 14-bit value waits up to [`PATIENCE_MS`] for its fine half, so that a fader never jumps
//! through a value it did not have. When none comes it counts alone, with a fine half of 0 as the MIDI 1.0
//! Detailed Specification 4.2.1 says; so does a coarse half that the next one overtakes. A fine half alone
//! refines the last coarse one; before the first coarse half nobody knows where the control stands, and a fine
//! half says nothing (after a restart it would otherwise throw an open fader to the bottom).
//!
//! A button is down from the middle of its range (controllers: from 64). Latching, held or momentary is the
//! desk's matter; here each is a press and a release, and only changes are told, except that a momentary button
//! that says the same pressed value again was pressed again: some never say that they came up.

use super::gesture::{Action, ControlIndex, Gesture, PortIndex};
use super::midi::{Counts, Event, Parser, RealTime};
use super::osc::{Argument, Message};
use super::wire::{self, TOP_7, TOP_14};
use crate::profile::{self, Control, ControlKind, Id, Panel};
use crate::units::{Frames, SampleRate, Travel};
use std::collections::BTreeMap;

/// How long a coarse half waits for its fine half. Common practice (3 to 5 ms), no source; on a wire of
/// 31,250 baud a fine half follows within 1 ms.
pub const PATIENCE_MS: u32 = 4;
/// The most steps that one OSC message of an encoder can say, as many as 7 bits can.
const STEPS_MAX: f32 = 64.0;
/// The parameter number that means none.
const NULL_PARAMETER: u16 = 0x3FFF;

/// What all controls of a panel said last, and what their next bytes mean.
#[derive(Clone, Debug)]
pub struct Decoder {
    controls: Vec<Place>,
    ports: Vec<Port>,
    patience: Frames,
}

/// One control and where it stands.
#[derive(Clone, Debug)]
struct Place {
    control: Control,
    /// What it last said, after calibration.
    standing: Option<Travel>,
    /// The coarse half of its 14-bit value.
    coarse: Option<u8>,
    /// Until when that half waits for its fine half.
    waiting: Option<Frames>,
}

/// One incoming stream and whose bytes it carries.
#[derive(Clone, Debug)]
struct Port {
    id: Id,
    parser: Parser,
    selected: [Selection; 16],
    /// Sorted by key: which controls a MIDI message is of.
    midi: Vec<(Key, usize)>,
    /// Which controls an OSC address is of.
    osc: BTreeMap<String, Vec<usize>>,
}

/// Which parameter number data entry is for, on one MIDI channel.
#[derive(Clone, Copy, Debug, Default)]
struct Selection {
    /// Whether the last selection was of a non-registered number.
    non_registered: bool,
    coarse: Option<u8>,
    fine: Option<u8>,
}

impl Selection {
    fn number(self) -> Option<u16> {
        let number = u16::from(self.coarse?) << 7 | u16::from(self.fine?);
        (self.non_registered && number != NULL_PARAMETER).then_some(number)
    }

    /// Takes one of the four selecting controllers. Halves of one kind never complete a number of the other.
    fn select(&mut self, non_registered: bool, coarse: bool, value: u8) {
        if self.non_registered != non_registered {
            *self = Self { non_registered, ..Self::default() };
        }
        *if coarse { &mut self.coarse } else { &mut self.fine } = Some(value);
    }
}

/// What on the wire belongs to a control: MIDI channel first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Key {
    Controller(u8, u8),
    /// By the coarse controller.
    Pair(u8, u8),
    Parameter(u8, u16),
    Bend(u8),
    Note(u8, u8),
    Program(u8, u8),
}

impl Key {
    fn of(message: &profile::Message) -> Option<Self> {
        Some(match *message {
            profile::Message::ControlChange { channel, number } => Self::Controller(channel, number),
            profile::Message::ControlChange14 { channel, number } => Self::Pair(channel, number),
            profile::Message::Nrpn { channel, number } => Self::Parameter(channel, number),
            profile::Message::PitchBend { channel } => Self::Bend(channel),
            profile::Message::Note { channel, number } => Self::Note(channel, number),
            profile::Message::ProgramChange { channel, number } => Self::Program(channel, number),
            profile::Message::Osc { .. } => return None,
        })
    }
}

/// What a message says of a control, before it is known what the control is.
#[derive(Clone, Copy, Debug)]
enum Reading {
    /// Seven bits, a place or steps.
    Seven(u8),
    Coarse(u8),
    Fine(u8),
    Fourteen(u16),
    /// A note, and whether it sounds.
    Key(bool),
    /// Pressed, and nothing will say released.
    Impulse,
    /// An OSC number.
    Number(f32),
    Bool(bool),
}

impl Decoder {
    /// A decoder for the controls of a panel. A [`PortIndex`] counts in `ports` (the ids of the rig's control
    /// ports); a control on any other port stays silent.
    #[must_use]
    pub fn new(panel: &Panel, ports: &[Id], rate: SampleRate) -> Self {
        let ports = ports.iter().map(|id| Port {
            id: id.clone(),
            parser: Parser::default(),
            selected: Default::default(),
            midi: Vec::new(),
            osc: BTreeMap::new(),
        });
        let mut decoder =
            Self { controls: Vec::new(), ports: ports.collect(), patience: rate.frames_in_ms_rounded_up(PATIENCE_MS) };
        decoder.set_panel(panel);
        decoder
    }

    /// Takes another panel. Streams go on where they are, and a control of which nothing changed keeps what
    /// it said last; [`ControlIndex`] counts in the new panel from here on.
    pub fn set_panel(&mut self, panel: &Panel) {
        let mut old = std::mem::take(&mut self.controls);
        for port in &mut self.ports {
            port.midi.clear();
            port.osc.clear();
        }
        for (index, control) in panel.controls.iter().enumerate() {
            let kept = old.iter().position(|place| place.control == *control).map(|at| old.swap_remove(at));
            self.controls.push(kept.unwrap_or_else(|| Place {
                control: control.clone(),
                standing: None,
                coarse: None,
                waiting: None,
            }));
            let Some(port) = self.ports.iter_mut().find(|port| port.id == control.port) else { continue };
            if control.kind == ControlKind::Lamp {
                continue;
            }
            if let profile::Message::Osc { address, .. } = &control.message {
                port.osc.entry(address.clone()).or_default().push(index);
            }
            port.midi.extend(Key::of(&control.message).map(|key| (key, index)));
        }
        self.ports.iter_mut().for_each(|port| port.midi.sort_unstable());
    }

    /// Takes bytes of a MIDI stream, cut anywhere.
    pub fn midi_bytes(&mut self, port: PortIndex, now: Frames, bytes: &[u8], out: &mut Vec<Gesture>) {
        self.tick(now, out);
        for byte in bytes {
            let Some(event) = self.ports.get_mut(port.0).and_then(|port| port.parser.push(*byte)) else { continue };
            self.event(port, now, event, out);
        }
    }

    /// Takes an OSC message. Returns whether its address is a control's on this port.
    pub fn osc(&mut self, port: PortIndex, now: Frames, message: &Message, out: &mut Vec<Gesture>) -> bool {
        self.tick(now, out);
        let Some(indices) = self.ports.get(port.0).and_then(|port| port.osc.get(&message.address)) else {
            return false;
        };
        let reading = match message.arguments.first() {
            None | Some(Argument::Nothing) => Reading::Impulse,
            #[expect(clippy::cast_precision_loss, reason = "no control counts beyond 2^24")]
            Some(Argument::Int(number)) => Reading::Number(*number as f32),
            Some(Argument::Float(number)) if number.is_finite() => Reading::Number(*number),
            Some(Argument::Bool(on)) => Reading::Bool(*on),
            Some(Argument::Float(_) | Argument::Text(_) | Argument::Blob(_)) => return true,
        };
        for index in indices {
            let Some(place) = self.controls.get_mut(*index) else { continue };
            report(*index, place.read(reading), out);
        }
        true
    }

    /// When the next coarse half has waited long enough: call [`Decoder::tick`] then.
    #[must_use]
    pub fn next_deadline(&self) -> Option<Frames> {
        self.controls.iter().filter_map(|place| place.waiting).min()
    }

    /// Lets go of the coarse halves that have waited long enough.
    pub fn tick(&mut self, now: Frames, out: &mut Vec<Gesture>) {
        for (index, place) in self.controls.iter_mut().enumerate() {
            if place.waiting.is_some_and(|until| until <= now) {
                report(index, place.coarse_alone(), out);
            }
        }
    }

    /// Forgets what a stream had half said: it was cut, or its sender starts again. Where the controls stand
    /// is kept.
    pub fn reset_port(&mut self, port: PortIndex) {
        let Some(port) = self.ports.get_mut(port.0) else { return };
        port.parser.reset();
        port.selected = Default::default();
        for place in self.controls.iter_mut().filter(|place| place.control.port == port.id) {
            place.coarse = None;
            place.waiting = None;
        }
    }

    /// Forgets where a control stands, so that it is told again even when it says the same: after feedback moved it.
    pub fn forget(&mut self, control: ControlIndex) {
        if let Some(place) = self.controls.get_mut(control.0) {
            place.standing = None;
        }
    }

    /// What a stream's parser dropped so far.
    #[must_use]
    pub fn counts(&self, port: PortIndex) -> Counts {
        self.ports.get(port.0).map(|port| port.parser.counts()).unwrap_or_default()
    }

    /// Every stream as it stands, for who listens along from now on: its running status may have been set long ago.
    #[must_use]
    pub fn parsers(&self) -> Vec<Parser> {
        self.ports.iter().map(|port| port.parser.clone()).collect()
    }

    fn event(&mut self, port: PortIndex, now: Frames, event: Event, out: &mut Vec<Gesture>) {
        match event {
            Event::ControlChange { channel, number, value } => {
                self.controller(port, now, [channel, number, value], out)
            }
            Event::PitchBend { channel, value } => {
                self.readings(port, now, Key::Bend(channel), Reading::Fourteen(value), out);
            }
            Event::NoteOn { channel, key, velocity } => {
                self.readings(port, now, Key::Note(channel, key), Reading::Key(velocity > 0), out);
            }
            Event::NoteOff { channel, key, .. } => {
                self.readings(port, now, Key::Note(channel, key), Reading::Key(false), out);
            }
            Event::Program { channel, program } => {
                self.readings(port, now, Key::Program(channel, program), Reading::Impulse, out);
            }
            Event::RealTime(RealTime::Reset) => self.reset_port(port),
            _ => {}
        }
    }

    fn controller(&mut self, port: PortIndex, now: Frames, message: [u8; 3], out: &mut Vec<Gesture>) {
        let [channel, number, value] = message;
        self.readings(port, now, Key::Controller(channel, number), Reading::Seven(value), out);
        match number {
            0..32 => self.readings(port, now, Key::Pair(channel, number), Reading::Coarse(value), out),
            32..64 => self.readings(port, now, Key::Pair(channel, number - 32), Reading::Fine(value), out),
            _ => {}
        }
        let Some(selected) = self.ports.get_mut(port.0).and_then(|port| port.selected.get_mut(usize::from(channel)))
        else {
            return;
        };
        match number {
            98 => selected.select(true, false, value),
            99 => selected.select(true, true, value),
            100 => selected.select(false, false, value),
            101 => selected.select(false, true, value),
            6 | 38 => {
                let reading = if number == 6 { Reading::Coarse(value) } else { Reading::Fine(value) };
                if let Some(parameter) = selected.number() {
                    self.readings(port, now, Key::Parameter(channel, parameter), reading, out);
                }
            }
            _ => {}
        }
    }

    /// Gives a reading to every control that has this key.
    fn readings(&mut self, port: PortIndex, now: Frames, key: Key, reading: Reading, out: &mut Vec<Gesture>) {
        let Some(port) = self.ports.get(port.0) else { return };
        let first = port.midi.partition_point(|(other, _)| *other < key);
        for (_, index) in port.midi[first..].iter().take_while(|(other, _)| *other == key) {
            let Some(place) = self.controls.get_mut(*index) else { continue };
            if let Reading::Coarse(value) = reading {
                // The next coarse half proves that the fine half of the one before will not come.
                if place.waiting.is_some() {
                    report(*index, place.coarse_alone(), out);
                }
                place.coarse = Some(value);
                place.waiting = Some(now.plus(self.patience));
            } else {
                report(*index, place.read(reading), out);
            }
        }
    }
}

fn report(index: usize, action: Option<Action>, out: &mut Vec<Gesture>) {
    out.extend(action.map(|action| Gesture { control: ControlIndex(index), action }));
}

impl Place {
    /// The coarse half counts without its fine half.
    fn coarse_alone(&mut self) -> Option<Action> {
        self.waiting = None;
        let coarse = self.coarse?;
        self.read(Reading::Fourteen(u16::from(coarse) << 7))
    }

    fn read(&mut self, reading: Reading) -> Option<Action> {
        let kind = self.control.kind;
        let raw = match (reading, kind) {
            (Reading::Seven(value), ControlKind::Encoder(coding)) => return steps(wire::steps(coding, value)),
            #[expect(clippy::cast_possible_truncation, reason = "at most 64")]
            (Reading::Number(number), ControlKind::Encoder(_)) => {
                return steps(number.clamp(-STEPS_MAX, STEPS_MAX).round() as i32);
            }
            (_, ControlKind::Encoder(_) | ControlKind::Lamp) => return None,
            (Reading::Impulse | Reading::Key(_), ControlKind::Fader | ControlKind::Knob) => return None,
            (Reading::Impulse, _) => return Some(Action::Press),
            (Reading::Seven(value), _) => wire::raw(kind, value.into(), TOP_7),
            (Reading::Fourteen(value), _) => wire::raw(kind, value, TOP_14),
            (Reading::Fine(value), _) => {
                self.waiting = None;
                wire::raw(kind, u16::from(self.coarse?) << 7 | u16::from(value), TOP_14)
            }
            (Reading::Number(number), _) => self.osc_raw(number)?,
            (Reading::Key(on) | Reading::Bool(on), _) => f32::from(u8::from(on)),
            (Reading::Coarse(_), _) => return None,
        };
        let travel = wire::travel(&self.control, raw);
        let before = self.standing.replace(travel);
        match kind {
            ControlKind::Fader | ControlKind::Knob => (before != Some(travel)).then_some(Action::Travel(travel)),
            _ => {
                let down = |travel: Travel| travel.get() >= 0.5;
                let again = kind == ControlKind::Momentary && down(travel) && before == Some(travel);
                let changed = before.map(down) != Some(down(travel));
                let action = if down(travel) { Action::Press } else { Action::Release };
                (changed || again).then_some(action)
            }
        }
    }

    fn osc_raw(&self, number: f32) -> Option<f32> {
        let profile::Message::Osc { lowest, highest, .. } = self.control.message else { return None };
        let (lowest, highest) = (f64::from(lowest), f64::from(highest));
        #[expect(clippy::cast_possible_truncation, reason = "between 0 and 1")]
        let raw = ((f64::from(number) - lowest) / (highest - lowest)).clamp(0.0, 1.0) as f32;
        raw.is_finite().then_some(raw)
    }
}

fn steps(count: i32) -> Option<Action> {
    (count != 0).then_some(Action::Steps(count))
}
