//! Levellers on buses, after their meters and before the outputs; one for each pair of columns, moved at meter boundaries.

use super::command::LevellerValue;
use super::limits::BUS_COLUMNS;
use super::strip::GroupAudio;
use crate::dsp::k_weighting::KWeighting;
use crate::dsp::lanes::LANES;
use crate::dsp::level::linear_from_db;
use crate::dsp::leveller::{Asked, Leveller};
use crate::units::SampleRate;

#[derive(Clone, Copy, Debug)]
struct Pair {
    /// A target of 0 is none.
    asked: Asked,
    leveller: Leveller,
    gain: f32,
    step: f32,
    /// The frames for which the gain still moves by `step`.
    moving: u32,
    aim: f32,
}

/// One for each pair of bus columns.
#[derive(Debug)]
pub struct Levellers {
    pairs: Box<[Pair]>,
    /// The pairs that did something at the last boundary; only the first `working` count.
    at_work: Box<[u16]>,
    working: usize,
    trim: f64,
}

impl Levellers {
    /// None asked for.
    ///
    /// Real-time: never
    #[must_use]
    pub fn new(rate: SampleRate) -> Self {
        let pair = Pair {
            asked: Asked { target_lufs: 0.0, range_db: 0.0, window_s: 0.0, floor_lufs: 0.0, speed: 0.0 },
            leveller: Leveller::new(),
            gain: 1.0,
            step: 0.0,
            moving: 0,
            aim: 1.0,
        };
        Self {
            pairs: vec![pair; BUS_COLUMNS / 2].into_boxed_slice(),
            at_work: vec![0; BUS_COLUMNS / 2].into_boxed_slice(),
            working: 0,
            trim: KWeighting::new(rate).trim,
        }
    }

    /// What is asked of a pair; a target of 0 lets it go.
    ///
    /// Real-time: safe
    pub fn set(&mut self, pair: usize, which: LevellerValue, value: f32) {
        let asked = &mut self.pairs[pair].asked;
        let place = match which {
            LevellerValue::Target => &mut asked.target_lufs,
            LevellerValue::Range => &mut asked.range_db,
            LevellerValue::Window => &mut asked.window_s,
            LevellerValue::Floor => &mut asked.floor_lufs,
            LevellerValue::Speed => &mut asked.speed,
        };
        *place = f64::from(value);
    }

    /// A pair begins anew.
    ///
    /// Real-time: safe
    pub fn start(&mut self, pair: usize) {
        let pair = &mut self.pairs[pair];
        pair.leveller = Leveller::new();
        (pair.gain, pair.aim, pair.moving) = (1.0, 1.0, 0);
    }

    /// A pair goes on from where another stands: the same bus in other columns.
    ///
    /// Real-time: safe
    pub fn take_over(&mut self, pair: usize, from: usize) {
        let Pair { leveller, gain, step, moving, aim, .. } = self.pairs[from];
        let asked = self.pairs[pair].asked;
        self.pairs[pair] = Pair { asked, leveller, gain, step, moving, aim };
        // At work at once, and not from the next boundary on.
        #[expect(clippy::cast_possible_truncation, reason = "some hundred pairs")]
        let (number, of) = (pair as u16, from as u16);
        let at_work = &self.at_work[..self.working];
        if at_work.contains(&of) && !at_work.contains(&number) {
            self.at_work[self.working] = number;
            self.working += 1;
        }
    }

    /// Whether nothing is asked of a pair and nothing is left of what was.
    fn idle(pair: &Pair) -> bool {
        pair.asked.target_lufs >= 0.0
            && pair.leveller.gain_db() == 0.0
            && pair.moving == 0
            && pair.aim.to_bits() == 1.0_f32.to_bits()
    }

    /// At a meter boundary: what both columns of each pair measured (sums of K-weighted squares) over `frames`; the next gain is
    /// reached after `next` frames.
    ///
    /// Real-time: safe
    pub fn at_boundary(&mut self, weighted: impl Fn(usize) -> f32, frames: u64, next: u64) {
        self.working = 0;
        for (place, pair) in self.pairs.iter_mut().enumerate() {
            if Self::idle(pair) {
                continue;
            }
            #[expect(clippy::cast_possible_truncation, reason = "some hundred pairs")]
            let number = place as u16;
            self.at_work[self.working] = number;
            self.working += 1;
            let db = if pair.asked.target_lufs < 0.0 {
                let power = f64::from(weighted(2 * place)) + f64::from(weighted(2 * place + 1));
                #[expect(clippy::cast_precision_loss, reason = "some hundred frames")]
                let frames = frames.max(1) as f64;
                pair.leveller.step(power * self.trim / frames, &pair.asked)
            } else {
                pair.leveller.release(pair.asked.speed)
            };
            pair.gain = pair.aim;
            pair.aim = linear_from_db(db as f32);
            #[expect(clippy::cast_possible_truncation, reason = "some hundred frames")]
            let moving = next.max(1) as u32;
            pair.moving = moving;
            #[expect(clippy::cast_precision_loss, reason = "some hundred frames")]
            let frames = moving as f32;
            pair.step = (pair.aim - pair.gain) / frames;
        }
    }

    /// The gain of a pair now, dB.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn gain_db(&self, pair: usize) -> f32 {
        self.pairs[pair].leveller.gain_db() as f32
    }

    /// One segment of all buses.
    ///
    /// Real-time: safe
    pub fn process(&mut self, groups: &mut [GroupAudio], frames: usize) {
        // What was asked of others since then moves nothing before the next boundary.
        for place in &self.at_work[..self.working] {
            let place = usize::from(*place);
            let pair = &mut self.pairs[place];
            let (group, lane) = (2 * place / LANES, 2 * place % LANES);
            for row in &mut groups[group][..frames] {
                if pair.moving > 0 {
                    pair.moving -= 1;
                    pair.gain = if pair.moving == 0 { pair.aim } else { pair.gain + pair.step };
                }
                row[lane] *= pair.gain;
                row[lane + 1] *= pair.gain;
            }
        }
    }
}
