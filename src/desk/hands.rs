//! Hands on controls: from a gesture to a value, and how a control takes over when its place and the desk
//! differ.
//!
//! Whatever the way of rejoining: a move down never raises, the bottom stop always closes, and what a panel says of itself
//! when it is plugged in is no move.

use crate::dsp::math::{exp2, log2};
use crate::panel::Action;
use crate::params::{Domain, FADER_OFF_BELOW, Law, Parameter, Taper, Unit, Value, house_fader, house_fader_travel};
use crate::profile::{Control, ControlKind, Move, Rejoin};
use crate::units::{Frames, Travel};

/// What a control says first within this time after its port was found is where it stands, not a move. Panels that report
/// themselves do so at once; a hand that moves as early is told by its second word.
pub(super) const REPORT_MS: u32 = 2000;

/// A control this near to the desk's value stands on it.
pub(super) const MET: f32 = 0.008;
/// What one step of an encoder does when the profile does not say.
const STEP_DB: f32 = 0.5;
/// What one step of an encoder does to a position.
const STEP_POSITION: f32 = 0.02;
/// What one step of an encoder does where equal ratios are equal ways: a twelfth of an octave.
const STEP_OCTAVES: f32 = 1.0 / 12.0;
/// What it does to any other number, as a part of the range.
const STEP_PART: f32 = 0.01;
/// Where an encoder starts when it comes up from off.
const FIRST_AFTER_OFF_DB: f32 = -60.0;

fn octaves(from: f32, to: f32) -> f32 {
    #[expect(clippy::cast_possible_truncation, reason = "a place of a control")]
    let octaves = log2(f64::from(to) / f64::from(from)) as f32;
    octaves
}

fn ratio(octaves: f32) -> f32 {
    #[expect(clippy::cast_possible_truncation, reason = "parameters are in single precision")]
    let ratio = exp2(f64::from(octaves)) as f32;
    ratio
}

/// One control and the parameter it moves.
#[derive(Clone, Debug)]
pub(super) struct Hand {
    /// What it moves and how.
    pub(super) moves: Move,
    /// What it is.
    pub(super) kind: ControlKind,
    /// Where the control stands, once it has said so.
    pub(super) last: Option<Travel>,
    /// Whether the desk's value follows it.
    pub(super) joined: bool,
    /// Its port was found, and it has said nothing since: until then its word is a report.
    pub(super) report_until: Option<Frames>,
}

impl Hand {
    pub(super) fn new(moves: Move, control: &Control) -> Self {
        Self { moves, kind: control.kind, last: None, joined: false, report_until: None }
    }

    fn parameter(&self) -> &'static Parameter {
        self.moves.target.key.parameter()
    }

    /// The value a travel stands for.
    fn value_at(&self, travel: Travel, current: &Value) -> Option<Value> {
        let row = self.parameter();
        if let Some(law) = &self.moves.response {
            return Some(self.value_by(law, travel));
        }
        match (row.domain, row.taper) {
            (Domain::Number { lowest, highest, .. }, Taper::Fader) => {
                let level = house_fader(travel, *current == Value::Off);
                Some(if level.is_silence() { Value::Off } else { Value::Number(level.get().clamp(lowest, highest)) })
            }
            (Domain::Number { lowest, highest, .. }, Taper::Logarithmic) => {
                let way = travel.get();
                let number = if way >= 1.0 { highest } else { lowest * ratio(way * octaves(lowest, highest)) };
                Some(Value::Number(number.clamp(lowest, highest)))
            }
            (Domain::Number { lowest, highest, .. }, _) => {
                let way = travel.get();
                // Written so that both stops and the middle of a symmetric range are exact.
                let number = if way >= 1.0 { highest } else { lowest + (highest - lowest) * way };
                Some(Value::Number(number))
            }
            (Domain::Words(words), _) => {
                #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to the count of words")]
                #[expect(clippy::cast_precision_loss, reason = "a handful of words")]
                let index = (travel.get() * words.len() as f32) as usize;
                words.get(index.min(words.len() - 1)).map(|word| Value::Word((*word).into()))
            }
            _ => None,
        }
    }

    fn value_by(&self, law: &Law, travel: Travel) -> Value {
        let closes = matches!(self.parameter().domain, Domain::Number { off: true, .. });
        if closes && self.kind == ControlKind::Fader && travel.get() < FADER_OFF_BELOW {
            Value::Off
        } else {
            Value::Number(law.value(travel))
        }
    }

    /// Where the control would have to stand to give this value.
    pub(super) fn travel_of(&self, value: &Value) -> Option<Travel> {
        let row = self.parameter();
        match (row.domain, value) {
            (Domain::Number { .. }, Value::Number(number)) if self.moves.response.is_some() => {
                self.moves.response.as_ref().map(|law| law.travel(*number))
            }
            (Domain::Number { .. }, Value::Off) => Some(Travel::BOTTOM),
            (Domain::Number { .. }, _) if row.taper == Taper::Fader => Some(house_fader_travel(value.decibels())),
            (Domain::Number { lowest, highest, .. }, Value::Number(number)) if row.taper == Taper::Logarithmic => {
                Some(Travel::clamped(octaves(lowest, *number) / octaves(lowest, highest)))
            }
            (Domain::Number { lowest, highest, .. }, Value::Number(number)) => {
                Some(Travel::clamped((number - lowest) / (highest - lowest)))
            }
            (Domain::Words(words), Value::Word(word)) => {
                let index = words.iter().position(|candidate| *candidate == &**word)?;
                #[expect(clippy::cast_precision_loss, reason = "a handful of words")]
                let travel = index as f32 / (words.len() - 1).max(1) as f32;
                Some(Travel::clamped(travel))
            }
            _ => None,
        }
    }

    /// The desk's value changed by something else: whether the control still stands on it.
    pub(super) fn value_moved(&mut self, value: &Value) {
        if matches!(self.kind, ControlKind::Fader | ControlKind::Knob) {
            self.joined = self.last.is_some_and(|last| self.meets(last, value));
        }
    }

    fn meets(&self, travel: Travel, value: &Value) -> bool {
        self.travel_of(value).is_some_and(|there| (travel.get() - there.get()).abs() <= MET)
    }

    /// Its port was found: where it stands is not known.
    pub(super) fn let_go(&mut self, until: Frames) {
        (self.last, self.joined, self.report_until) = (None, false, Some(until));
    }

    /// Whether what the control says now is a report; asked once for each word.
    pub(super) fn reports(&mut self, now: Frames) -> bool {
        self.report_until.take().is_some_and(|until| now < until)
    }

    /// The control says where it stands without having moved.
    pub(super) fn stands_at(&mut self, travel: Travel, current: &Value) {
        self.last = Some(travel);
        self.value_moved(current);
    }

    /// What a hand does to the control: what the parameter becomes, if it follows.
    pub(super) fn act(&mut self, action: Action, current: &Value) -> Option<Value> {
        match action {
            Action::Travel(travel) => self.travel(travel, current),
            Action::Press => self.press(current),
            Action::Release => self.release(),
            Action::Steps(steps) => self.turn(steps, current),
        }
    }

    /// The control moved to a place. What the parameter becomes, if it follows.
    pub(super) fn travel(&mut self, travel: Travel, current: &Value) -> Option<Value> {
        let before = self.last.replace(travel);
        if before == Some(travel) {
            return None;
        }
        let value = self.value_at(travel, current)?;
        let (level, off) = match self.parameter().domain {
            Domain::Number { unit, off, .. } => (unit == Unit::Decibels, off),
            _ => (false, false),
        };
        if off && self.kind == ControlKind::Fader && travel.get() < FADER_OFF_BELOW {
            self.joined = true;
            return Some(value);
        }
        let desk = self.travel_of(current)?.get();
        let now = travel.get();
        let Some(before) = before.map(Travel::get) else {
            // The first word: from where it came is not known, so only `at-once` takes it.
            let at_once = self.moves.rejoin == Rejoin::AtOnce;
            self.joined = at_once || self.meets(travel, current);
            return at_once.then_some(value);
        };
        let raises = level && value.decibels() > current.decibels();
        if raises && now < before {
            let converges = self.moves.rejoin == Rejoin::Converge && !self.joined;
            // Below the law's lowest level the way back through the travel is longer than the value.
            let lowers = |value: &Value| value.decibels() <= current.decibels();
            return converges.then(|| self.converge(before, now, desk, current)).flatten().filter(lowers);
        }
        let met = self.meets(travel, current) || (before <= desk && desk <= now && before < now);
        let below = now < desk && now < before;
        if self.joined || self.moves.rejoin == Rejoin::AtOnce || met || below {
            self.joined = true;
            return Some(value);
        }
        if self.moves.rejoin == Rejoin::Converge {
            return self.converge(before, now, desk, current);
        }
        None
    }

    /// The way left to the stop covers the values left, so both arrive together.
    fn converge(&self, before: f32, now: f32, desk: f32, current: &Value) -> Option<Value> {
        let towards =
            if now > before { desk + (1.0 - desk) * (now - before) / (1.0 - before) } else { desk * now / before };
        self.value_at(Travel::clamped(towards), current)
    }

    /// A button went down.
    pub(super) fn press(&self, current: &Value) -> Option<Value> {
        let Domain::Words(words) = self.parameter().domain else { return None };
        let word = match self.kind {
            ControlKind::Latching | ControlKind::Hold => words.get(1)?,
            _ => {
                let Value::Word(now) = current else { return None };
                let index = words.iter().position(|word| *word == &**now)?;
                words.get((index + 1) % words.len())?
            }
        };
        Some(Value::Word((*word).into()))
    }

    /// A button came up.
    pub(super) fn release(&self) -> Option<Value> {
        let Domain::Words(words) = self.parameter().domain else { return None };
        matches!(self.kind, ControlKind::Latching | ControlKind::Hold)
            .then(|| words.first().map(|word| Value::Word((*word).into())))
            .flatten()
    }

    /// An encoder turned by so many steps.
    pub(super) fn turn(&self, steps: i32, current: &Value) -> Option<Value> {
        #[expect(clippy::cast_precision_loss, reason = "an encoder reports at most 64 steps at once")]
        let steps = steps as f32;
        match (self.parameter().domain, current) {
            (Domain::Number { unit, lowest, highest, off }, _) => {
                let step = self.moves.step.unwrap_or(match unit {
                    Unit::Decibels | Unit::Lufs => STEP_DB,
                    Unit::Position => STEP_POSITION,
                    Unit::Hertz
                    | Unit::Milliseconds
                    | Unit::Factor
                    | Unit::LoudnessUnits
                    | Unit::Minutes
                    | Unit::Count
                    | Unit::Seconds
                    | Unit::DecibelsPerSecond => (highest - lowest) * STEP_PART,
                });
                let by_ratio = self.parameter().taper == Taper::Logarithmic && self.moves.step.is_none();
                let number = match current {
                    Value::Number(number) if by_ratio => number * ratio(steps * STEP_OCTAVES),
                    Value::Number(number) => number + steps * step,
                    Value::Off if steps > 0.0 => FIRST_AFTER_OFF_DB,
                    _ => return None,
                };
                if off && number < lowest {
                    Some(Value::Off)
                } else {
                    Some(Value::Number(number.clamp(lowest, highest)))
                }
            }
            (Domain::Words(words), Value::Word(word)) => {
                let index = words.iter().position(|candidate| *candidate == &**word)?;
                let next = if steps > 0.0 { (index + 1).min(words.len() - 1) } else { index.saturating_sub(1) };
                Some(Value::Word(words[next].into()))
            }
            _ => None,
        }
    }
}
