//! Gain sharing for open microphones: each has the gain that its own level is of the sum of all levels.
//!
//! Published by D. Dugan, "Automatic Microphone Mixing", JAES 23 (1975), and in US patent 3,992,584, which has expired:
//! with levels in dB, `G_i = L_i + w_i - L_sum`, where `w_i` is a priority and `L_sum` the level of the weighted sum. Levels
//! are mean squares here, so the gain is `sqrt(w_i L_i / sum(w_j L_j))`, never above 1 and held at -30 dB below.
//!
//! `L_sum` is the sum of the mean squares, not the mean square of the sum: spill in opposite phase cannot make it small, and
//! N equal noises get exactly `-10 log N` dB each, so that their total is one of them. One voice on two microphones in
//! phase comes out up to 3 dB louder for it: one person to a microphone, and three times as far to the next one.
//!
//! A level is what is between 200 Hz and 5 kHz, the mean square of a tick of 16 frames, followed by 5 ms on the way up and
//! 200 ms on the way down (5 to 10 and 100 to 300 are common practice, no source); the gain follows in 5 ms more.
//! Latency of the audio: none. Nothing gates, so no first syllable is lost.

use crate::dsp::dynamics::gain_per_frame;
use crate::dsp::lanes::{LANES, Lanes, Row};
use crate::dsp::section::flushed;
use crate::units::SampleRate;

/// The band that counts, Hz.
const BAND: [f64; 2] = [200.0, 5000.0];
/// How a level follows on its way up and down, and the gain behind it, in ms.
const ATTACK_MS: f64 = 5.0;
const RELEASE_MS: f64 = 200.0;
const GAIN_MS: f64 = 5.0;
/// The smallest share: -30 dB.
pub const LEAST_SHARE: f32 = 0.031_622_78;
/// What an open microphone has at least, mean square: -120 dBFS. Where nobody is heard at all, all are alike.
pub const OPEN_LEVEL: f32 = 1.0e-12;
/// A level below this is none: no denormal arises.
const LEVEL_FLOOR: f32 = 1.0e-20;
/// A gain this near to where it goes has arrived.
const ARRIVED: f32 = 1.0e-6;
/// A share from which on it is all: 4 millionths of a dB are missing, and where nothing is shared nothing shall be touched.
const ALL: f32 = 1.0 - 1.0e-6;

/// The times of gain sharing at one rate, in ticks of so many frames.
#[derive(Clone, Copy, Debug)]
pub struct Pace {
    low_pass: f32,
    high_pass: f32,
    attack: f32,
    release: f32,
    gain: f32,
}

impl Pace {
    /// Real-time: never
    #[must_use]
    pub fn new(rate: SampleRate, tick: usize) -> Self {
        let corner = |hertz: f64| gain_per_frame(1000.0 / (std::f64::consts::TAU * hertz), rate);
        let per_tick = |ms: f64| gain_per_frame(ms / tick as f64, rate);
        Self {
            low_pass: corner(BAND[1]),
            high_pass: corner(BAND[0]),
            attack: per_tick(ATTACK_MS),
            release: per_tick(RELEASE_MS),
            gain: per_tick(GAIN_MS),
        }
    }

    /// A level one tick later, when the tick's mean square was `heard`.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn level(&self, level: f32, heard: f32) -> f32 {
        let followed = level + (heard - level) * if heard > level { self.attack } else { self.release };
        // Not finite is no level either.
        if followed > LEVEL_FLOOR && followed.is_finite() { followed } else { 0.0 }
    }

    /// A gain one tick later, on its way to `aim`.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn gain(&self, gain: f32, aim: f32) -> f32 {
        if (aim - gain).abs() <= ARRIVED { aim } else { gain + (aim - gain) * self.gain }
    }
}

/// The share of one: its level times its priority (a power), of the sum of all.
///
/// Real-time: safe
#[must_use]
pub fn share(weighted: f32, sum: f32) -> f32 {
    if weighted < ALL * sum { (weighted / sum).sqrt().max(LEAST_SHARE) } else { 1.0 }
}

/// What sixteen lanes hear within the band: two one-poles each, and the sum of squares of a tick.
#[derive(Clone, Debug)]
pub struct Band {
    low: Row,
    high: Row,
    energy: Row,
}

/// The same while it runs.
#[derive(Clone, Copy, Debug)]
pub struct Hearing<V> {
    low: V,
    high: V,
    energy: V,
    low_pass: V,
    high_pass: V,
}

impl Band {
    /// Nothing heard.
    pub const SILENT: Self = Self { low: [0.0; LANES], high: [0.0; LANES], energy: [0.0; LANES] };

    /// A lane that has heard nothing.
    ///
    /// Real-time: safe
    pub fn clear(&mut self, lane: usize) {
        self.copy(lane, &Self::SILENT, lane);
    }

    /// A lane goes on where another is.
    ///
    /// Real-time: safe
    pub fn copy(&mut self, lane: usize, other: &Self, of: usize) {
        (self.low[lane], self.high[lane], self.energy[lane]) = (other.low[of], other.high[of], other.energy[of]);
    }

    /// Whether silence would change nothing.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn at_rest(&self) -> bool {
        self.low.iter().chain(&self.high).all(|state| *state == 0.0)
    }

    /// The sums of squares since this was last asked.
    ///
    /// Real-time: safe
    pub fn take_energy(&mut self) -> Row {
        std::mem::replace(&mut self.energy, [0.0; LANES])
    }

    /// Takes the state up; `grid` says whether a tick begins.
    #[inline(always)]
    pub fn load<V: Lanes>(&self, pace: &Pace, grid: bool) -> Hearing<V> {
        let (low, high) = (V::load(&self.low), V::load(&self.high));
        Hearing {
            low: if grid { flushed(low) } else { low },
            high: if grid { flushed(high) } else { high },
            energy: V::load(&self.energy),
            low_pass: V::splat(pace.low_pass),
            high_pass: V::splat(pace.high_pass),
        }
    }

    /// Lays the state down.
    #[inline(always)]
    pub fn store<V: Lanes>(&mut self, hearing: Hearing<V>) {
        hearing.low.store(&mut self.low);
        hearing.high.store(&mut self.high);
        hearing.energy.store(&mut self.energy);
    }
}

impl<V: Lanes> Hearing<V> {
    /// One frame.
    #[inline(always)]
    pub fn next(&mut self, x: V) {
        self.low = self.low.add(x.sub(self.low).mul(self.low_pass));
        self.high = self.high.add(self.low.sub(self.high).mul(self.high_pass));
        let y = self.low.sub(self.high);
        self.energy = self.energy.add(y.mul(y));
    }
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "closed forms that come out exactly")]
mod tests {
    use super::*;

    fn db(gain: f32) -> f64 {
        20.0 * f64::from(gain).log10()
    }

    /// The closed form: powers 1, 1, 1 and 100. Powers are what adds up, so room gain does not rise with more microphones.
    #[test]
    fn shares_are_parts_of_the_sum_of_powers() {
        for n in 1..=16_u8 {
            let gain = db(share(1.0, f32::from(n)));
            assert!((gain + 10.0 * f64::from(n).log10()).abs() < 1e-4, "{n}: {gain}");
        }
        let (talker, others) = (db(share(101.0, 104.0)), db(share(1.0, 104.0)));
        assert!((talker + 0.127).abs() < 1e-3 && (others + 20.170).abs() < 1e-3, "{talker} {others}");
        assert_eq!([share(0.0, 1.0), share(2.0, 1.0), share(0.0, 0.0)], [LEAST_SHARE, 1.0, 1.0]);
    }

    #[test]
    fn levels_and_gains_take_their_times() {
        let pace = Pace::new(SampleRate::HZ_48000, 16);
        // 63 % of a step in the time constant: ticks are a third of a millisecond.
        let after = |from: f32, to: f32, ticks| (0..ticks).fold(from, |level, _| pace.level(level, to));
        assert!((after(0.0, 1.0, 15) - 0.632).abs() < 0.001, "{}", after(0.0, 1.0, 15));
        assert!((after(1.0, 0.0, 600) - 0.368).abs() < 0.001, "{}", after(1.0, 0.0, 600));
        assert_eq!(after(1.0, 0.0, 60_000), 0.0);
        assert_eq!((0..300).fold(0.1, |gain, _| pace.gain(gain, 1.0)), 1.0);
        assert_eq!(pace.level(1.0, f32::NAN), 0.0);
    }
}
