//! Test signals, the same for a seed on every machine and for any way of asking: tone, pink noise, speech-like noise.
//!
//! Each is made in blocks of 16 frames counted from its own start; a request that ends inside a block keeps the rest
//! for the next one, so how often and how much is asked for changes no sample.

use crate::dsp::{level, math};
use crate::units::{Decibels, SampleRate};

/// Frames made at a time, as long as a tick of the engine.
const BLOCK: usize = 16;

/// Any of the signals, for those who choose one at run time.
#[derive(Clone, Debug)]
pub enum Generator {
    /// Zeros.
    Silence,
    /// A tone.
    Sine(Sine),
    /// Noise of -3 dB per octave.
    Pink(Pink),
    /// Noise with the spectrum, the syllables and the pauses of somebody talking.
    SpeechLike(SpeechLike),
}

impl Generator {
    /// Writes the next frames, mono.
    ///
    /// Real-time: safe
    pub fn fill(&mut self, out: &mut [f32]) {
        match self {
            Self::Silence => out.fill(0.0),
            Self::Sine(sine) => sine.fill(out),
            Self::Pink(pink) => pink.fill(out),
            Self::SpeechLike(speech) => speech.fill(out),
        }
    }
}

/// What is left of the block last made.
#[derive(Clone, Debug)]
struct Remainder {
    block: [f32; BLOCK],
    used: usize,
}

impl Remainder {
    fn empty() -> Self {
        Self { block: [0.0; BLOCK], used: BLOCK }
    }

    #[inline]
    fn fill(&mut self, out: &mut [f32], mut make: impl FnMut() -> [f32; BLOCK]) {
        let kept = out.len().min(BLOCK - self.used);
        let (head, rest) = out.split_at_mut(kept);
        head.copy_from_slice(&self.block[self.used..self.used + kept]);
        self.used += kept;
        let (blocks, tail) = rest.as_chunks_mut::<BLOCK>();
        for block in blocks {
            *block = make();
        }
        if !tail.is_empty() {
            self.block = make();
            self.used = tail.len();
            tail.copy_from_slice(&self.block[..tail.len()]);
        }
    }
}

/// An angle that goes round in 64 bits, so that no tone ever drifts.
#[derive(Clone, Copy, Debug)]
struct Turning {
    phase: u64,
    step: u64,
}

impl Turning {
    fn new(hertz: f64, rate: SampleRate) -> Self {
        Self { phase: 0, step: turns_as_bits(hertz / f64::from(rate.hz())) }
    }

    /// The sine at the next 16 frames, within 1e-7.
    #[inline]
    fn sines(&mut self) -> [f32; BLOCK] {
        let mut angles = [0_u32; BLOCK];
        let mut phase = self.phase;
        for angle in &mut angles {
            *angle = (phase >> 32) as u32;
            phase = phase.wrapping_add(self.step);
        }
        self.phase = phase;
        // A loop, since `map` of so long an array is a call for each of its elements.
        let mut sines = [0.0; BLOCK];
        for (sine, angle) in sines.iter_mut().zip(angles) {
            *sine = sine_of_bits(angle);
        }
        sines
    }
}

#[inline]
fn scaled(mut block: [f32; BLOCK], factor: f32) -> [f32; BLOCK] {
    for sample in &mut block {
        *sample *= factor;
    }
    block
}

/// A fraction of a turn, at most a half, as 64 bits; what is not a number becomes 0.
fn turns_as_bits(turns: f64) -> u64 {
    (turns.clamp(0.0, 0.5) * 18_446_744_073_709_551_616.0) as u64
}

/// The sine of an angle whose whole turn is 2^32.
#[inline]
fn sine_of_bits(angle: u32) -> f32 {
    // Where the two top bits differ the angle lies in the left half of the circle: mirror it into the right one.
    let mirrored = ((angle ^ (angle << 1)) as i32) < 0;
    let folded = (if mirrored { 0x8000_0000_u32.wrapping_sub(angle) } else { angle }) as i32;
    let quarters = folded as f32 * (1.0 / 1_073_741_824.0);
    // sin(pi/2 x) / x by interpolation at the five Chebyshev points of x^2; 4e-8 off at most with these constants.
    let squared = quarters * quarters;
    let mut sum = 1.516_717e-4_f32;
    for c in [-4.674_143_6e-3, 7.968_992e-2, -6.459_638e-1, 1.570_796_4] {
        sum = sum * squared + c;
    }
    sum * quarters
}

/// A sine tone that starts at phase 0.
#[derive(Clone, Debug)]
pub struct Sine {
    turning: Turning,
    amplitude: f32,
    remainder: Remainder,
}

impl Sine {
    /// A tone of `hertz` (0 to half the rate, clamped) whose crests reach `peak`.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn new(hertz: f64, peak: Decibels, rate: SampleRate) -> Self {
        Self { turning: Turning::new(hertz, rate), amplitude: level::linear(peak).get(), remainder: Remainder::empty() }
    }

    /// Writes the next frames.
    ///
    /// Real-time: safe
    pub fn fill(&mut self, out: &mut [f32]) {
        let Self { turning, amplitude, remainder } = self;
        remainder.fill(out, || scaled(turning.sines(), *amplitude));
    }
}

/// White noise in counted order: the generator "splitmix64" (Steele, Lea, Flood 2014; constants from memory).
#[derive(Clone, Debug)]
struct White {
    counter: u64,
}

impl White {
    #[inline]
    fn next(&mut self) -> u64 {
        self.counter = self.counter.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.counter;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Uniform from -1 to 1: variance 1/3.
    #[inline]
    fn sample(&mut self) -> f32 {
        ((self.next() >> 32) as i32) as f32 * (1.0 / 2_147_483_648.0)
    }

    /// Uniform from `low` to `high`.
    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.next() >> 11) as f64 * (1.0 / 9_007_199_254_740_992.0)
    }
}

/// Poles that a noise is shaped with at most.
const POLES: usize = 8;

/// White noise through real poles and zeros, scaled to an RMS of 1.
///
/// The cascade is turned into parallel one-pole sections at construction, since those do not wait for each other.
#[derive(Clone, Debug)]
struct Shaped {
    white: White,
    last: f32,
    /// Share of the frame before in what goes into the sections: a zero at the half rate's side.
    tilt: f32,
    direct: f32,
    pole: [f32; POLES],
    share: [f32; POLES],
    state: [f32; POLES],
}

impl Shaped {
    /// `poles` (all different) and as many `zeros` in Hz; `tilt` is the share of the frame before.
    fn new(seed: u64, poles: &[f64], zeros: &[f64], tilt: f64, rate: SampleRate) -> Self {
        let place = |hertz: f64| math::exp(-std::f64::consts::TAU * hertz / f64::from(rate.hz()));
        let mut pole = [0.0; POLES];
        let mut share = [0.0; POLES];
        let mut direct = 1.0;
        for (index, (p, q)) in poles.iter().zip(zeros).enumerate() {
            pole[index] = place(*p);
            direct *= place(*q) / place(*p);
            // Residue of the cascade at this pole.
            let numerator: f64 = zeros.iter().map(|zero| 1.0 - place(*zero) / place(*p)).product();
            let others = poles.iter().enumerate().filter(|(other, _)| *other != index);
            share[index] = numerator / others.map(|(_, other)| 1.0 - place(*other) / place(*p)).product::<f64>();
        }
        // The energy of the impulse response, and its product with itself one frame later, in closed form.
        let mut energy = direct * direct;
        let mut neighbour = 0.0;
        for (p, r) in pole.iter().zip(share) {
            energy += 2.0 * direct * r;
            neighbour += direct * r * p;
            for (p2, r2) in pole.iter().zip(share) {
                energy += r * r2 / (1.0 - p * p2);
                neighbour += r * r2 * p2 / (1.0 - p * p2);
            }
        }
        let variance = ((1.0 + tilt * tilt) * energy + 2.0 * tilt * neighbour) / 3.0;
        let scale = 1.0 / variance.sqrt();
        Self {
            white: White { counter: seed },
            last: 0.0,
            tilt: tilt as f32,
            direct: (direct * scale) as f32,
            pole: pole.map(|p| p as f32),
            share: share.map(|r| (r * scale) as f32),
            state: [0.0; POLES],
        }
    }

    #[inline]
    fn block(&mut self) -> [f32; BLOCK] {
        let mut white = [0.0; BLOCK];
        for sample in &mut white {
            *sample = self.white.sample();
        }
        let mut out = [0.0; BLOCK];
        let mut state = self.state;
        for (index, sample) in out.iter_mut().enumerate() {
            let before = if index == 0 { self.last } else { white[index - 1] };
            let input = white[index] + self.tilt * before;
            let mut parts = [0.0; POLES];
            for k in 0..POLES {
                state[k] = state[k] * self.pole[k] + input;
                parts[k] = state[k] * self.share[k];
            }
            let fours = [parts[0] + parts[4], parts[1] + parts[5], parts[2] + parts[6], parts[3] + parts[7]];
            *sample = ((fours[0] + fours[2]) + (fours[1] + fours[3])) + self.direct * input;
        }
        self.state = state;
        self.last = white[BLOCK - 1];
        out
    }
}

/// Pink noise: equal power in every octave.
#[derive(Clone, Debug)]
pub struct Pink {
    noise: Shaped,
    amplitude: f32,
    remainder: Remainder,
}

impl Pink {
    /// Pink noise with the stated RMS over its whole band (which begins near 6 Hz): RMS 1 is 0 dB.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn new(seed: u64, rms: Decibels, rate: SampleRate) -> Self {
        // Poles a factor 2.9 apart with a zero half-way after each fall 3 dB per octave with a ripple of 0.1 dB; the
        // tilt makes up for the response that a sampled filter must have at half the rate. Found by search at 48 kHz.
        let mut poles = [0.0; POLES];
        let mut zeros = [0.0; POLES];
        let mut hertz = 6.0;
        for (pole, zero) in poles.iter_mut().zip(&mut zeros) {
            *pole = hertz;
            *zero = hertz * 2.9_f64.sqrt();
            hertz *= 2.9;
        }
        Self {
            noise: Shaped::new(seed, &poles, &zeros, 0.1, rate),
            amplitude: level::linear(rms).get(),
            remainder: Remainder::empty(),
        }
    }

    /// Writes the next frames.
    ///
    /// Real-time: safe
    pub fn fill(&mut self, out: &mut [f32]) {
        let Self { noise, amplitude, remainder } = self;
        remainder.fill(out, || scaled(noise.block(), *amplitude));
    }
}

/// Noise that comes in syllables at about 4 Hz, in phrases of 3 to 12, with pauses of 0.25 to 1.2 s between them.
///
/// Spectrum, rhythm and pitch are invented, for demonstration and load only; nothing is measured with it.
#[derive(Clone, Debug)]
pub struct SpeechLike {
    talker: Talker,
    remainder: Remainder,
}

#[derive(Clone, Debug)]
struct Talker {
    noise: Shaped,
    choice: White,
    pitch: Turning,
    rate: SampleRate,
    amplitude: f32,
    syllables_left: u32,
    loudness: f64,
    /// How far the syllable or pause is, from 0 to 1, and how much of it one block takes.
    progress: f64,
    progress_per_block: f64,
    envelope: f32,
}

/// Depth to which the pitch modulates the noise.
const VOICING: f32 = 0.5;

impl SpeechLike {
    /// Speech-like noise with the stated RMS while active, that is, over its phrases without the pauses.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn new(seed: u64, active_rms: Decibels, rate: SampleRate) -> Self {
        // Rising to 140 Hz, level to 500 Hz, falling 6 and then 12 dB per octave, and a hiss above 3 kHz.
        let noise = Shaped::new(
            seed,
            &[80.0, 140.0, 480.0, 900.0, 12_000.0],
            &[0.0, 0.0, 3_000.0, 6_000.0, 24_000.0],
            0.0,
            rate,
        );
        // A syllable is the square of half a sine (mean square 3/8) of loudness 0.8 to 1.2 (mean square 1.013); the pitch
        // adds half the square of its depth.
        let mean_square = 0.375 * (1.0 + 0.04 / 3.0) * f64::from(1.0 + 0.5 * VOICING * VOICING);
        let talker = Talker {
            noise,
            choice: White { counter: !seed },
            pitch: Turning::new(120.0, rate),
            rate,
            amplitude: (f64::from(level::linear(active_rms).get()) / mean_square.sqrt()) as f32,
            syllables_left: 0,
            loudness: 0.0,
            progress: 1.0,
            progress_per_block: 0.0,
            envelope: 0.0,
        };
        Self { talker, remainder: Remainder::empty() }
    }

    /// Writes the next frames.
    ///
    /// Real-time: safe
    pub fn fill(&mut self, out: &mut [f32]) {
        let Self { talker, remainder } = self;
        remainder.fill(out, || talker.block());
    }
}

impl Talker {
    fn block(&mut self) -> [f32; BLOCK] {
        if self.progress >= 1.0 {
            self.begin_next();
        }
        self.progress = (self.progress + self.progress_per_block).min(1.0);
        let arch = math::sin_turns(0.5 * self.progress);
        let target = self.amplitude * (self.loudness * arch * arch) as f32;
        // Straight over a third of a millisecond: a kink, never a step.
        let slope = (target - self.envelope) * (1.0 / BLOCK as f32);
        let mut out = self.noise.block();
        let voice = self.pitch.sines();
        for (index, sample) in out.iter_mut().enumerate() {
            *sample *= (self.envelope + slope * (index + 1) as f32) * (1.0 + VOICING * voice[index]);
        }
        self.envelope = target;
        out
    }

    /// The next syllable, or the pause that ends a phrase.
    fn begin_next(&mut self) {
        self.progress = 0.0;
        let seconds = if self.syllables_left > 0 {
            self.syllables_left -= 1;
            self.loudness = self.choice.between(0.8, 1.2);
            self.pitch.step = turns_as_bits(self.choice.between(95.0, 165.0) / f64::from(self.rate.hz()));
            self.choice.between(0.19, 0.31)
        } else {
            self.syllables_left = self.choice.between(3.0, 13.0) as u32;
            self.loudness = 0.0;
            self.choice.between(0.25, 1.2)
        };
        self.progress_per_block = BLOCK as f64 / (seconds * f64::from(self.rate.hz()));
    }
}
