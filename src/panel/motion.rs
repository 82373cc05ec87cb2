//! Which control did somebody touch? Found by its motion over its own noise, among all that a panel says.
//!
//! ```text
//! bytes, OSC --> a track for each wire address --quiet--> noise --touch--> energy / noise --> Verdict
//! ```
//!
//! First comes a time in which nobody touches anything ([`QUIET_MS`]): each track's differences give its noise, by a median, so
//! that a spike does not count. Then, for every message, the energy of the last half second (the variance of what was said,
//! with where it stood before) over that noise; a slow move counts by its whole way. When the panel has come to rest again the loudest track is the one, if it beats
//! the second by [`MARGIN_DB`], over noise and without, and moved far enough; else the question is asked again.
//!
//! Energy and noise are counted in parts of the whole range, and no noise counts as less than that of 7 bits: otherwise the
//! fine neighbour that hears 2 % of a move by crosstalk would beat the coarse control that was moved.
//!
//! Pure: time is an argument, what is kept has a limit. Whatever the panel file knows of a wire goes before what is guessed.

use super::gesture::PortIndex;
use super::midi::{Event, Parser};
use super::osc::{Argument, Message};
use crate::profile::{self, Control, ControlKind, Id, Panel, StepCoding};
use std::collections::{BTreeMap, VecDeque};

/// How long nobody touches anything at the start, in ms.
pub const QUIET_MS: u64 = 2_000;
/// By how much the touched control has to beat the second, and noise.
pub const MARGIN_DB: f64 = 12.0;
/// Over how long the energy is counted.
const WINDOW_MS: u64 = 500;
/// A touch is over when nothing has moved for so long, or after [`TOUCH_MS_MAX`].
const REST_MS: u64 = 700;
const TOUCH_MS_MAX: u64 = 6_000;
/// A control that was moved went at least this part of its range.
const MOVED: f64 = 0.1;
/// Noise of 7 bits, as a part of the range: a step over the root of 12.
const NOISE_MIN: f64 = 1.0 / (127.0 * 3.464_101_615);
/// Wire addresses that are followed at most, and what is kept of each.
const TRACKS_MAX: usize = 4_096;
const POINTS_MAX: usize = 256;
const DIFFERENCES_MAX: usize = 256;
/// Fewer differences than this are no noise.
const DIFFERENCES_MIN: usize = 4;
/// The longest OSC address that a panel file may have to hold.
const ADDRESS_MAX: usize = 120;

/// A place on the wire, on one control port. Channels are 0 to 15.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Wire {
    Controller(u8, u8),
    /// Two controllers for 14 bits, by the coarse one.
    Pair(u8, u8),
    Nrpn(u8, u16),
    PitchBend(u8),
    Note(u8, u8),
    Program(u8, u8),
    Osc(String),
}

type Source = (PortIndex, Wire);

/// What one wire address said.
#[derive(Clone, Debug, Default)]
struct Track {
    /// From the lowest to the highest that it can say.
    lowest: f64,
    highest: f64,
    /// The last value, and when each of the last half second came.
    standing: Option<f64>,
    points: VecDeque<(u64, f64)>,
    /// Absolute differences while nobody touched anything.
    differences: Vec<f64>,
    noise: f64,
    /// Messages while nobody touched anything.
    quiet: u32,
    /// Since the touch began: the highest energy over noise, and of the range alone; the lowest and highest value and which came last, messages,
    /// those that said the same again, and for 7 bits which values there were.
    peak: f64,
    motion: f64,
    seen: Option<(f64, f64)>,
    first: f64,
    messages: u32,
    repeats: u32,
    changes: u32,
    values: u128,
    truths: bool,
    /// Differences of more than half the range.
    leaps: u32,
}

/// How the coarse half of what may be a 14-bit pair goes together with its fine half.
#[derive(Clone, Copy, Debug, Default)]
struct Halves {
    coarse: Option<u8>,
    followed: u32,
    alone: u32,
    /// The last two together; how often the coarse half was another one than before, how far the fine one had then gone, and
    /// how often it wrapped round.
    last: Option<(u8, u8)>,
    steps: u32,
    way: u32,
    wraps: u32,
    /// How often the coarse half was said again for the sake of a fine one that had gone on by more than a tremble of 7 bits.
    held: u32,
    /// How far the coarse half went in all.
    went: u32,
}

/// The last messages of one MIDI channel.
#[derive(Clone, Copy, Debug, Default)]
struct Channel {
    /// The controller that came last.
    last: Option<u8>,
    /// Halves of a non-registered number, while they came one right after the other.
    number: (Option<u8>, Option<u8>),
    /// The coarse half of its data.
    data: Option<u8>,
}

/// What was found.
#[derive(Clone, Debug, PartialEq)]
pub struct Touched {
    /// On which control port.
    pub port: PortIndex,
    /// What it says, as a panel file says it.
    pub message: profile::Message,
    /// What it seems to be; a knob cannot be told from a fader.
    pub kind: ControlKind,
    /// From where to where it was seen, as parts of its range.
    pub seen: (f64, f64),
    /// Whether it ended higher than it began; nothing for buttons and encoders.
    pub rising: Option<bool>,
    /// By how many dB it beat the second, and noise.
    pub margin_db: f64,
}

/// How it stands.
#[derive(Clone, Debug, PartialEq)]
pub enum Verdict {
    /// Nobody shall touch anything yet.
    Quiet,
    /// Nothing has moved.
    Waiting,
    /// Something moves.
    Moving,
    /// This one.
    Found(Touched),
    /// Not clear: the two that moved most, or the one that hardly moved.
    Again(Vec<String>),
}

/// Listens to everything that the panel says.
#[derive(Clone, Debug)]
pub struct Motion {
    began_ms: u64,
    parsers: Vec<Parser>,
    known: Vec<(PortIndex, profile::Message)>,
    channels: BTreeMap<(PortIndex, u8), Channel>,
    halves: BTreeMap<(PortIndex, u8, u8), Halves>,
    tracks: BTreeMap<Source, Track>,
    /// Whether the noise is known.
    listening: bool,
    /// Since when something moves, and when it last did.
    touch: Option<(u64, u64)>,
    crowded: u64,
}

impl Motion {
    /// Begins now, with nobody touching anything. `parsers` are those of the ports' streams as they stand: running status may
    /// have been set long ago.
    #[must_use]
    pub fn new(now_ms: u64, panel: &Panel, ports: &[Id], parsers: Vec<Parser>) -> Self {
        let known = |control: &Control| {
            let port = ports.iter().position(|port| *port == control.port)?;
            (control.kind != ControlKind::Lamp).then(|| (PortIndex(port), control.message.clone()))
        };
        Self {
            began_ms: now_ms,
            parsers,
            known: panel.controls.iter().filter_map(known).collect(),
            channels: BTreeMap::new(),
            halves: BTreeMap::new(),
            tracks: BTreeMap::new(),
            listening: false,
            touch: None,
            crowded: 0,
        }
    }

    /// Wire addresses for which there was no room, by messages.
    #[must_use]
    pub const fn crowded(&self) -> u64 {
        self.crowded
    }

    /// Listens for another touch. What is known of the noise stays.
    pub fn again(&mut self) {
        self.touch = None;
        self.tracks.values_mut().for_each(Track::forget);
        self.forget_halves();
    }

    /// Bytes of a MIDI stream, cut anywhere.
    pub fn midi(&mut self, now_ms: u64, port: PortIndex, bytes: &[u8]) {
        for byte in bytes {
            let Some(event) = self.parsers.get_mut(port.0).and_then(|parser| parser.push(*byte)) else { continue };
            match event {
                Event::ControlChange { channel, number, value } => {
                    self.controller(now_ms, port, channel, number, value);
                }
                Event::PitchBend { channel, value } => {
                    self.hear(now_ms, port, Wire::PitchBend(channel), f64::from(value));
                }
                Event::NoteOn { channel, key, velocity } => {
                    self.edge(now_ms, port, Wire::Note(channel, key), velocity > 0);
                }
                Event::NoteOff { channel, key, .. } => self.edge(now_ms, port, Wire::Note(channel, key), false),
                Event::Program { channel, program } => self.impulse(now_ms, port, Wire::Program(channel, program)),
                _ => {}
            }
        }
    }

    /// A message of a panel that speaks OSC. What no panel file could hold is passed over.
    pub fn osc(&mut self, now_ms: u64, port: PortIndex, message: &Message) {
        let address = &message.address;
        if address.len() > ADDRESS_MAX || super::osc::is_pattern(address) {
            return;
        }
        let wire = Wire::Osc(address.clone());
        match message.arguments.first() {
            None | Some(Argument::Nothing) => self.impulse(now_ms, port, wire),
            Some(Argument::Bool(on)) => self.edge(now_ms, port, wire, *on),
            Some(Argument::Int(number)) => self.hear(now_ms, port, wire, f64::from(*number)),
            Some(Argument::Float(number)) if number.is_finite() => self.hear(now_ms, port, wire, f64::from(*number)),
            Some(_) => {}
        }
    }

    fn controller(&mut self, now_ms: u64, port: PortIndex, channel: u8, number: u8, value: u8) {
        let state = self.channels.entry((port, channel)).or_default();
        let last = state.last.replace(number);
        match number {
            98 | 99 => {
                // The two halves come one right after the other; of two knobs with these numbers only by chance.
                let together = last == Some(197 - number);
                let half = if number == 99 { &mut state.number.0 } else { &mut state.number.1 };
                *half = Some(value);
                if !together {
                    *if number == 99 { &mut state.number.1 } else { &mut state.number.0 } = None;
                }
                state.data = None;
            }
            100 | 101 => state.number = (None, None),
            6 | 38 => {
                if let (Some(coarse), Some(fine)) = state.number {
                    let wire = Wire::Nrpn(channel, u16::from(coarse) << 7 | u16::from(fine));
                    let whole = if number == 6 {
                        state.data = Some(value);
                        // The fine half may never come; when it does it says the same place more finely.
                        f64::from(value) * 128.0
                    } else {
                        let Some(data) = state.data else { return };
                        f64::from(u16::from(data) << 7 | u16::from(value))
                    };
                    return self.hear(now_ms, port, wire, whole);
                }
            }
            _ => {}
        }
        if let Some(before) = last.filter(|before| *before < 32 && number != before + 32) {
            let halves = self.halves.entry((port, channel, before)).or_default();
            halves.alone += u32::from(halves.coarse.is_some());
        }
        match number {
            0..32 => self.halves.entry((port, channel, number)).or_default().coarse = Some(value),
            32..64 => {
                let halves = self.halves.entry((port, channel, number - 32)).or_default();
                halves.followed += u32::from(last == Some(number - 32));
                if let Some(coarse) = halves.coarse {
                    if let Some((before, fine)) = halves.last.filter(|(before, _)| *before != coarse) {
                        halves.steps += 1;
                        halves.went += u32::from(before.abs_diff(coarse));
                        halves.way += u32::from(fine.abs_diff(value));
                        halves.wraps += u32::from(fine.abs_diff(value) > 64);
                    }
                    let same = halves.last.filter(|(before, _)| *before == coarse);
                    halves.held += u32::from(same.is_some_and(|(_, fine)| fine.abs_diff(value) > 1));
                    halves.last = Some((coarse, value));
                    let whole = f64::from(u16::from(coarse) << 7 | u16::from(value));
                    self.hear(now_ms, port, Wire::Pair(channel, number - 32), whole);
                }
            }
            _ => {}
        }
        self.hear(now_ms, port, Wire::Controller(channel, number), f64::from(value));
    }

    /// Something that is on or off: before its first word it was the other.
    fn edge(&mut self, now_ms: u64, port: PortIndex, wire: Wire, on: bool) {
        if let Some(track) = self.track(port, &wire, 1.0) {
            track.truths = true;
            track.standing.get_or_insert(f64::from(u8::from(!on)));
        }
        self.hear(now_ms, port, wire, f64::from(u8::from(on)));
    }

    /// A press that nothing will take back.
    fn impulse(&mut self, now_ms: u64, port: PortIndex, wire: Wire) {
        self.edge(now_ms, port, wire.clone(), true);
        self.edge(now_ms, port, wire, false);
    }

    fn hear(&mut self, now_ms: u64, port: PortIndex, wire: Wire, value: f64) {
        self.listen(now_ms);
        let seven = matches!(wire, Wire::Controller(..));
        let (listening, presses) = (self.listening, seven || matches!(wire, Wire::Osc(_)));
        let Some(track) = self.track(port, &wire, value) else { return };
        track.hear(now_ms, value, (seven, presses), listening);
        if listening && track.is_loud() && self.is_control(port, &wire) {
            let touch = self.touch.get_or_insert((now_ms, now_ms));
            touch.1 = now_ms;
        }
    }

    /// The track of a wire that says this value, if there is room.
    fn track(&mut self, port: PortIndex, wire: &Wire, value: f64) -> Option<&mut Track> {
        let range = self.range(port, wire);
        let source = (port, wire.clone());
        if self.tracks.len() >= TRACKS_MAX && !self.tracks.contains_key(&source) {
            self.crowded += 1;
            return None;
        }
        let track = self.tracks.entry(source).or_default();
        match range {
            Some(range) => (track.lowest, track.highest) = range,
            None => track.widen(value),
        }
        Some(track)
    }

    /// The range of a wire where it is known; that of an OSC address that the panel does not have is what is seen.
    fn range(&self, port: PortIndex, wire: &Wire) -> Option<(f64, f64)> {
        Some(match wire {
            Wire::Controller(..) => (0.0, 127.0),
            Wire::Pair(..) | Wire::Nrpn(..) | Wire::PitchBend(_) => (0.0, 16_383.0),
            Wire::Note(..) | Wire::Program(..) => (0.0, 1.0),
            Wire::Osc(address) => match self.known_osc(port, address)? {
                profile::Message::Osc { lowest, highest, .. } => {
                    (f64::from(lowest.min(*highest)), f64::from(lowest.max(*highest)))
                }
                _ => return None,
            },
        })
    }

    fn known_osc(&self, port: PortIndex, heard: &str) -> Option<&profile::Message> {
        let mut of_port = self.known.iter().filter(|(of, _)| *of == port).map(|(_, message)| message);
        of_port.find(|message| matches!(message, profile::Message::Osc { address, .. } if address == heard))
    }

    /// The time of quiet is over: the noise is what it was until now.
    fn listen(&mut self, now_ms: u64) {
        if !self.listening && now_ms.saturating_sub(self.began_ms) >= QUIET_MS {
            self.listening = true;
            self.tracks.values_mut().for_each(Track::learn);
            self.forget_halves();
        }
    }

    fn forget_halves(&mut self) {
        let halves = self.halves.values_mut();
        halves.for_each(|halves| *halves = Halves { coarse: halves.coarse, last: halves.last, ..Halves::default() });
    }

    /// How it stands now. What is found or unclear is told once; [`Motion::again`] goes on after that.
    pub fn verdict(&mut self, now_ms: u64) -> Verdict {
        self.listen(now_ms);
        if !self.listening {
            return Verdict::Quiet;
        }
        let Some((began, last)) = self.touch else { return Verdict::Waiting };
        if now_ms.saturating_sub(last) < REST_MS && now_ms.saturating_sub(began) < TOUCH_MS_MAX {
            return Verdict::Moving;
        }
        let mut ranked: Vec<(&Source, &Track)> =
            self.tracks.iter().filter(|((port, wire), _)| self.is_control(*port, wire)).collect();
        ranked.sort_by(|a, b| b.1.energy().total_cmp(&a.1.energy()));
        let Some((source, best)) = ranked.first() else { return Verdict::Waiting };
        let decibels = |track: &Track| 10.0 * track.energy().max(1.0).log10();
        let second = ranked.get(1).map_or(0.0, |(_, track)| decibels(track));
        // Also without regard to noise: a neighbour that went along is no less moved because it is noisy.
        let along = ranked.iter().skip(1).map(|(_, track)| track.moved()).fold(0.0, f64::max);
        let alone_db = if along > 0.0 { 10.0 * (best.moved() / along).log10() } else { f64::INFINITY };
        let margin_db = (decibels(best) - second).min(alone_db);
        if decibels(best) < MARGIN_DB {
            // What seemed to move was the half of something.
            self.again();
            return Verdict::Waiting;
        }
        if margin_db < MARGIN_DB {
            let (first, rest) = (words(&source.1), &ranked[1..]);
            // What is noise alone is not named.
            let with = rest.iter().max_by(|a, b| a.1.moved().total_cmp(&b.1.moved()));
            let with = with.filter(|(_, track)| decibels(track) >= MARGIN_DB || track.way_gone() >= MOVED);
            return Verdict::Again(std::iter::once(first).chain(with.map(|((_, wire), _)| words(wire))).collect());
        }
        if best.way_gone() < MOVED {
            return Verdict::Again(vec![words(&source.1)]);
        }
        Verdict::Found(self.touched(source, best, margin_db))
    }

    /// Whether a wire stands for a control, and not for a half of one, or for one made of halves of others.
    fn is_control(&self, port: PortIndex, wire: &Wire) -> bool {
        match *wire {
            Wire::Pair(channel, number) => self.is_pair(port, channel, number),
            Wire::Controller(channel, 6 | 38 | 98 | 99) if self.says_parameters(port, channel) => false,
            // With one half alone there is no pair, whatever the panel file says.
            Wire::Controller(channel, number) if number < 64 => {
                let whole = self.tracks.get(&(port, Wire::Pair(channel, number % 32)));
                whole.is_none_or(|whole| whole.messages == 0) || !self.is_pair(port, channel, number % 32)
            }
            _ => true,
        }
    }

    /// Whether parameter numbers are said on this channel: their controllers are no controls of their own.
    fn says_parameters(&self, port: PortIndex, channel: u8) -> bool {
        let of = |number| (port, Wire::Nrpn(channel, number));
        self.tracks.range(of(0)..=of(u16::MAX)).next().is_some()
    }

    fn is_pair(&self, port: PortIndex, channel: u8, number: u8) -> bool {
        for (of, message) in &self.known {
            match *message {
                _ if *of != port => {}
                profile::Message::ControlChange14 { channel: c, number: n } if (c, n) == (channel, number) => {
                    return true;
                }
                profile::Message::ControlChange { channel: c, number: n }
                    if c == channel && (n == number || n == number + 32) =>
                {
                    return false;
                }
                _ => {}
            }
        }
        let Some(halves) = self.halves.get(&(port, channel, number)) else { return false };
        // Two controls with such numbers that are moved together: a fine half would wrap round with each step of the coarse one,
        // and so go a third of its range on average; but at a speed of whole coarse steps it seems to stand. A control of its own
        // has nothing to say while its neighbour alone goes on, and the coarse half of a pair is said with every fine one.
        let far = |number| {
            let track = self.tracks.get(&(port, Wire::Controller(channel, number)));
            track.is_some_and(|track| track.way_gone() >= MOVED)
        };
        // And what goes along by less than a fourth is no second that was moved: that is 12 dB.
        let along = 4 * halves.way >= halves.went && 4 * halves.held < halves.steps;
        let smooth = halves.wraps == 0 && halves.way < 16 * halves.steps && along;
        let two = halves.steps >= 8 && smooth && far(number) && far(number + 32);
        halves.followed > 0 && halves.followed >= 9 * halves.alone && !two
    }

    fn touched(&self, (port, wire): &Source, track: &Track, margin_db: f64) -> Touched {
        let (low, high) = track.seen.unwrap_or_default();
        let span = track.highest - track.lowest;
        let seen = ((low - track.lowest) / span, (high - track.lowest) / span);
        let message = match wire.clone() {
            Wire::Controller(channel, number) => profile::Message::ControlChange { channel, number },
            Wire::Pair(channel, number) => profile::Message::ControlChange14 { channel, number },
            Wire::Nrpn(channel, number) => profile::Message::Nrpn { channel, number },
            Wire::PitchBend(channel) => profile::Message::PitchBend { channel },
            Wire::Note(channel, number) => profile::Message::Note { channel, number },
            Wire::Program(channel, number) => profile::Message::ProgramChange { channel, number },
            #[expect(clippy::cast_possible_truncation, reason = "single precision is what OSC says")]
            Wire::Osc(address) => match self.known_osc(*port, &address) {
                Some(known) => known.clone(),
                None => profile::Message::Osc { address, lowest: track.lowest as f32, highest: track.highest as f32 },
            },
        };
        let kind = match wire {
            Wire::Program(..) => ControlKind::Momentary,
            Wire::Note(..) | Wire::Osc(_) if track.truths => track.button(),
            Wire::Osc(_) if track.only_ends() && track.messages <= 8 => track.button(),
            Wire::Controller(..) if track.values & !(1 | 1 << 127) == 0 => track.button(),
            Wire::Controller(..) => track.coding().map_or(ControlKind::Fader, ControlKind::Encoder),
            _ => ControlKind::Fader,
        };
        let slides = matches!(kind, ControlKind::Fader);
        let rising = slides.then(|| track.standing.unwrap_or(track.first) >= track.first);
        Touched { port: *port, message, kind, seen, rising, margin_db }
    }
}

impl Track {
    /// Takes in a value whose range is not known: 0 to 1, or to the next number of all ones.
    fn widen(&mut self, value: f64) {
        const TOPS: [f64; 7] = [1.0, 127.0, 255.0, 1_023.0, 4_095.0, 16_383.0, 65_535.0];
        let most = value.abs().max(self.highest).max(-self.lowest);
        self.highest = TOPS.into_iter().find(|top| *top >= most).unwrap_or(most);
        if value < 0.0 || self.lowest < 0.0 {
            self.lowest = -self.highest;
        }
    }

    /// `seven` bits; `presses` may be a press that nothing takes back.
    fn hear(&mut self, now_ms: u64, value: f64, (seven, presses): (bool, bool), listening: bool) {
        let before = self.standing.replace(value);
        if !listening {
            self.quiet = self.quiet.saturating_add(1);
            if let Some(before) = before
                && self.differences.len() < DIFFERENCES_MAX
            {
                self.differences.push((value - before).abs());
            }
            return;
        }
        while self.points.front().is_some_and(|(at, _)| at + WINDOW_MS < now_ms) || self.points.len() >= POINTS_MAX {
            self.points.pop_front();
        }
        if self.points.is_empty() {
            self.points.extend(before.map(|before| (now_ms, before)));
        }
        if self.messages == 0 {
            self.first = before.unwrap_or(value);
        }
        self.messages = self.messages.saturating_add(1);
        let same = before.is_some_and(|before| before.to_bits() == value.to_bits());
        if let Some(before) = before {
            self.changes += u32::from(!same);
            self.leaps += u32::from((value - before).abs() > (self.highest - self.lowest) / 2.0);
        }
        self.repeats += u32::from(same);
        let mut low = before.unwrap_or(value).min(value);
        if seven {
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "7 bits")]
            let bit = value as u32 & 0x7F;
            self.values |= 1 << bit;
        }
        // A button that says only that it is pressed, and steps that are all the same: no value moves, and yet a hand does.
        let pressed = presses && value >= self.highest && (same || before.is_none());
        if self.quiet == 0 && (pressed || seven && self.turns()) {
            self.points.push_back((now_ms, self.lowest));
            low = self.lowest;
            self.seen = Some(self.seen.map_or((low, self.highest), |(_, high)| (low, high.max(self.highest))));
        }
        self.points.push_back((now_ms, value));
        let (lowest, highest) = self.seen.unwrap_or((low, value));
        self.seen = Some((lowest.min(low), highest.max(value).max(before.unwrap_or(value))));
        let span = self.highest - self.lowest;
        let motion = self.variance();
        self.motion = self.motion.max(motion / (span * span));
        self.peak = self.peak.max(motion / self.floor());
    }

    /// What moved, as a part of the range: the highest variance of half a second, or that of the whole way, gone evenly. A slow
    /// hand is seen by the whole way only; noise goes no way that is worth it.
    fn moved(&self) -> f64 {
        let way = self.way_gone();
        self.motion.max(way * way / 12.0)
    }

    /// The same over the noise.
    fn energy(&self) -> f64 {
        let span = self.highest - self.lowest;
        self.peak.max(self.moved() * span * span / self.floor())
    }

    /// The variance that counts as noise.
    fn floor(&self) -> f64 {
        let noise = self.noise.max(NOISE_MIN * (self.highest - self.lowest));
        noise * noise
    }

    /// Variance of the last half second.
    fn variance(&self) -> f64 {
        let count = self.points.len() as f64;
        let mean = self.points.iter().map(|(_, value)| value).sum::<f64>() / count;
        let variance = self.points.iter().map(|(_, value)| (value - mean) * (value - mean)).sum::<f64>() / count;
        let span = self.highest - self.lowest;
        // Steps of an encoder are a whole move.
        if self.quiet == 0 && self.turns() { variance.max(span * span / 4.0) } else { variance }
    }

    fn is_loud(&self) -> bool {
        self.variance() >= 15.848_931_924_611 * self.floor() // 12 dB
    }

    /// The noise, of the differences until now: 1.4826 times the median of absolute values is the deviation of what is normal,
    /// and a difference has twice the variance of a value.
    fn learn(&mut self) {
        self.differences.sort_by(f64::total_cmp);
        if self.differences.len() < DIFFERENCES_MIN {
            // Something that was done once is no noise.
            self.differences.clear();
        }
        let median = self.differences.get(self.differences.len() / 2).copied().unwrap_or_default();
        self.noise = 1.482_6 * median / std::f64::consts::SQRT_2;
        self.differences = Vec::new();
    }

    fn forget(&mut self) {
        let Self { lowest, highest, standing, noise, quiet, truths, .. } = *self;
        *self = Self { lowest, highest, standing, noise, quiet, truths, ..Self::default() };
    }

    /// How far it went, as a part of its range.
    fn way_gone(&self) -> f64 {
        self.seen.map_or(0.0, |(low, high)| (high - low) / (self.highest - self.lowest))
    }

    fn only_ends(&self) -> bool {
        self.seen == Some((self.lowest, self.highest)) && self.leaps == self.changes
    }

    /// Two edges in one touch, or presses alone: it springs back.
    fn button(&self) -> ControlKind {
        let back = self.messages >= 2 || self.repeats > 0;
        if back { ControlKind::Momentary } else { ControlKind::Latching }
    }

    /// Whether it says the same steps again and again.
    fn turns(&self) -> bool {
        self.repeats >= 2 && self.coding().is_some()
    }

    /// How the 7 bits of an encoder count, when this is one: only small steps, and the same ones again and again.
    fn coding(&self) -> Option<StepCoding> {
        const fn span(from: u32, to: u32) -> u128 {
            ((1 << (to - from + 1)) - 1) << from
        }
        const SMALL: u128 = span(1, 15);
        let halves = [
            (StepCoding::TwosComplement, SMALL, span(113, 127)),
            (StepCoding::OffsetBinary, span(49, 63), span(65, 79)),
            (StepCoding::SignMagnitude, SMALL, span(65, 79)),
        ];
        if self.messages < 3 || self.values == 1 << 127 {
            return None;
        }
        let fits = halves.into_iter().find(|(_, one, other)| self.values & !(one | other) == 0);
        let (coding, one, other) = fits?;
        let both = self.values & one != 0 && self.values & other != 0;
        (both || self.repeats * 3 >= self.messages).then_some(coding)
    }
}

fn words(wire: &Wire) -> String {
    let channel = |channel: &u8| channel + 1;
    match wire {
        Wire::Controller(of, number) => format!("control-change {number} on channel {}", channel(of)),
        Wire::Pair(of, number) => format!("control-change-14 {number} on channel {}", channel(of)),
        Wire::Nrpn(of, number) => format!("nrpn {number} on channel {}", channel(of)),
        Wire::PitchBend(of) => format!("pitch-bend on channel {}", channel(of)),
        Wire::Note(of, number) => format!("note {number} on channel {}", channel(of)),
        Wire::Program(of, number) => format!("program-change {number} on channel {}", channel(of)),
        Wire::Osc(address) => address.clone(),
    }
}

/// Whether two messages are of one control: the coarse half alone is that of its pair.
#[must_use]
pub fn same_wire(one: &profile::Message, other: &profile::Message) -> bool {
    use profile::Message::{ControlChange, ControlChange14, Osc};
    match (one, other) {
        (Osc { address, .. }, Osc { address: other, .. }) => address == other,
        (ControlChange { channel: a, number: b }, ControlChange14 { channel: c, number: d })
        | (ControlChange14 { channel: a, number: b }, ControlChange { channel: c, number: d }) => (a, b) == (c, d),
        _ => one == other,
    }
}

/// A message of a panel file, in words for people.
#[must_use]
pub fn message_words(message: &profile::Message) -> String {
    words(&match message.clone() {
        profile::Message::ControlChange { channel, number } => Wire::Controller(channel, number),
        profile::Message::ControlChange14 { channel, number } => Wire::Pair(channel, number),
        profile::Message::Nrpn { channel, number } => Wire::Nrpn(channel, number),
        profile::Message::PitchBend { channel } => Wire::PitchBend(channel),
        profile::Message::Note { channel, number } => Wire::Note(channel, number),
        profile::Message::ProgramChange { channel, number } => Wire::Program(channel, number),
        profile::Message::Osc { address, .. } => Wire::Osc(address),
    })
}
