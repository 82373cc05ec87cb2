//! The bridge to a device that runs on another clock, or at another rate.
//!
//! ```text
//! writer's callback: frames + time --> ring --> memory --> interpolation --> reader's callback: frames + time
//!                                        \--> clock models --> ratio, slowly --/
//! ```
//!
//! Each side states how many frames it has moved and when. From that the reading side keeps a model of either clock,
//! which callbacks that come late do not disturb, and knows how far the writer is ahead to a fraction of a frame,
//! whatever the sizes of the callbacks. The ratio follows the clocks at no more than 5 ppm a second, which nobody
//! hears. When a device has lost frames, the distance is put right by one cross-fade of 10 ms, never by pitch.
//!
//! No clock is read here: time comes with the frames, so hours can be simulated in seconds.

use crate::dsp::resampler::{Kernel, Position, Step, weighted_sum};
use crate::units::{Frames, OutOfRange, SampleRate};
use rtrb::{Consumer, Producer, RingBuffer};

/// Frames in one callback at most; the ring holds two of them and a quarter of a second.
pub const CALLBACK_FRAMES_MAX: usize = 8_192;
/// Stamps that may wait for the reader: 64-frame callbacks during more than half a second.
const STAMPS_MAX: usize = 512;
/// Length of a cross-fade in seconds.
const FADE_SECONDS: f64 = 0.010;
/// Change of the ratio per second once the clocks are known, and before.
const SLEW_LOCKED: f64 = 5e-6;
const SLEW_LOCKING: f64 = 50e-6;
/// Seconds in which a small error of the fill is worked off, and the most it may change the ratio.
const WORK_OFF_SECONDS: f64 = 20.0;
const WORK_OFF_MAX: f64 = 20e-6;
/// Error of the fill, in seconds, beyond which it jumps: in general, and after a device is known to have lost frames.
const JUMP_SECONDS: f64 = 2e-3;
const JUMP_SECONDS_AFTER_LOSS: f64 = 0.5e-3;
/// The clocks count as known when their ratio is known within this (one standard deviation).
const LOCKED_WITHIN: f64 = 3e-6;
/// Share of the last frame that is kept from frame to frame when there is nothing else to play.
const HELD_PER_FRAME: f32 = 0.97;

/// Which devices a bridge joins.
#[derive(Clone, Copy, Debug)]
pub struct BridgeSettings {
    /// Channels, at least 1.
    pub channels: usize,
    /// Nominal rate of the side that writes.
    pub writer_rate: SampleRate,
    /// Nominal rate of the side that reads; at most 4 times higher or lower.
    pub reader_rate: SampleRate,
    /// How late the writer's callback may come without a gap, in ms (0 to 100).
    pub cushion_ms: f32,
}

/// What a bridge shows of itself.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct BridgeReadings {
    /// How much faster the writer's clock runs than the reader's, against their nominal rates, in ppm.
    pub drift_ppm: f64,
    /// By how much the pitch is changed at the moment: the drift, and what works off an error of the fill, in ppm.
    pub pitch_ppm: f64,
    /// Whether the drift is known well; before that it is a first guess.
    pub locked: bool,
    /// How far the writer is ahead of what is being played, in writer frames.
    pub fill_frames: f64,
    /// Where the fill is kept, in writer frames.
    pub target_frames: f64,
    /// Times that the reader found nothing to play.
    pub underruns: u64,
    /// Cross-fades by which the fill was put right.
    pub crossfades: u64,
    /// Writer frames lost because the reader did not take them.
    pub dropped_frames: u64,
}

#[derive(Clone, Copy, Debug)]
struct Stamp {
    /// Frames put into the ring since the beginning.
    frames: u64,
    dropped: u64,
    ns: u64,
}

/// The end that the writing device's callback owns.
#[derive(Debug)]
pub struct BridgeIn {
    audio: Producer<f32>,
    stamps: Producer<Stamp>,
    channels: usize,
    written: u64,
    dropped: u64,
}

/// The end that the reading device's callback owns.
#[derive(Debug)]
pub struct BridgeOut {
    audio: Consumer<f32>,
    stamps: Consumer<Stamp>,
    channels: usize,
    writer_hz: f64,
    reader_hz: f64,
    cushion_frames: f64,
    memory: Memory,
    kernel: Kernel,
    weights: Box<[f32]>,
    /// Time 0 of the models, from the first stamp seen.
    origin_ns: Option<u64>,
    writer: DeviceClock,
    reader: DeviceClock,
    read: u64,
    largest_write: Largest,
    /// Writer frames per reader frame, relative to nominal.
    ratio: f64,
    /// A device has lost frames, and the fill has not been looked at since.
    lost: bool,
    state: State,
    head: Position,
    /// Where a jump came from, while its cross-fade lasts.
    leaving: Option<Position>,
    fade_left: usize,
    fade_frames: usize,
    /// The frame played last, and what is left of the frame that was last when playing stopped.
    last: Box<[f32]>,
    held: Box<[f32]>,
    readings: BridgeReadings,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    /// Nothing was played yet.
    Waiting,
    Playing,
    /// There was nothing to play.
    Dry,
}

/// Makes the two ends of a bridge.
///
/// # Errors
/// A ratio of the rates below 1/4 or above 4, or a cushion outside 0 to 100 ms.
///
/// Real-time: never
pub fn bridge(settings: BridgeSettings) -> Result<(BridgeIn, BridgeOut), OutOfRange> {
    let BridgeSettings { writer_rate, reader_rate, cushion_ms, .. } = settings;
    if !(0.0..=100.0).contains(&cushion_ms) {
        return Err(OutOfRange { found: cushion_ms, lowest: 0.0, highest: 100.0 });
    }
    let channels = settings.channels.max(1);
    let kernel = Kernel::new(writer_rate, reader_rate)?;
    let ring_frames = (2 * CALLBACK_FRAMES_MAX + writer_rate.hz() as usize / 4).next_power_of_two();
    let (audio_in, audio_out) = RingBuffer::new(ring_frames * channels);
    let (stamps_in, stamps_out) = RingBuffer::new(STAMPS_MAX);
    let (writer_hz, reader_hz) = (f64::from(writer_rate.hz()), f64::from(reader_rate.hz()));
    let silence = vec![0.0; channels].into_boxed_slice();
    let bridge_in = BridgeIn { audio: audio_in, stamps: stamps_in, channels, written: 0, dropped: 0 };
    let bridge_out = BridgeOut {
        audio: audio_out,
        stamps: stamps_out,
        channels,
        writer_hz,
        reader_hz,
        cushion_frames: f64::from(cushion_ms) * 1e-3 * writer_hz,
        memory: Memory::new(channels, 2 * ring_frames, kernel.taps()),
        weights: vec![0.0; kernel.taps()].into_boxed_slice(),
        kernel,
        origin_ns: None,
        writer: DeviceClock::new(writer_hz),
        reader: DeviceClock::new(reader_hz),
        read: 0,
        largest_write: Largest { span_frames: u64::from(writer_rate.hz()) * 10, ..Largest::default() },
        ratio: 1.0,
        lost: false,
        state: State::Waiting,
        head: Position { frame: 0, fraction: 0 },
        leaving: None,
        fade_left: 0,
        fade_frames: (FADE_SECONDS * reader_hz) as usize,
        last: silence.clone(),
        held: silence,
        readings: BridgeReadings::default(),
    };
    Ok((bridge_in, bridge_out))
}

impl BridgeIn {
    /// Hands over the frames of one callback, interleaved, with the monotonic time at which it began.
    ///
    /// Real-time: safe
    pub fn write_interleaved(&mut self, samples: &[f32], ns: u64) {
        let frames = samples.len() / self.channels;
        let fitting = frames.min(self.audio.slots() / self.channels);
        let pushed = self.audio.push_entire_slice(&samples[..fitting * self.channels]).is_ok();
        self.stamp(frames, if pushed { fitting } else { 0 }, ns);
    }

    /// Hands over the frames of one callback, planar; channels that are missing are silent.
    ///
    /// Real-time: safe
    pub fn write_planar(&mut self, channels: &[&[f32]], ns: u64) {
        let frames = channels.iter().map(|channel| channel.len()).min().unwrap_or(0);
        let fitting = frames.min(self.audio.slots() / self.channels);
        let count = self.channels;
        let pushed = self.audio.write_chunk_uninit(fitting * count).map(|chunk| {
            let sample = |frame: usize, channel: usize| channels.get(channel).map_or(0.0, |samples| samples[frame]);
            chunk.fill_from_iter((0..fitting).flat_map(|frame| (0..count).map(move |channel| sample(frame, channel))))
        });
        self.stamp(frames, pushed.unwrap_or(0) / count, ns);
    }

    /// Frames that found no room because the reader did not take them.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn dropped_frames(&self) -> u64 {
        self.dropped
    }

    fn stamp(&mut self, offered: usize, pushed: usize, ns: u64) {
        self.written += pushed as u64;
        self.dropped += (offered - pushed) as u64;
        // A full ring of stamps means that nobody reads; the next stamp that fits says all that this one would have.
        // Real-time: a ring of fixed size
        self.stamps.push(Stamp { frames: self.written, dropped: self.dropped, ns }).unwrap_or(());
    }
}

impl BridgeOut {
    /// Fills the frames of one callback, interleaved, with the monotonic time at which it began.
    ///
    /// Real-time: safe
    pub fn read_interleaved(&mut self, out: &mut [f32], ns: u64) {
        let channels = self.channels;
        self.read_with(out.len() / channels, ns, |frame, samples| {
            out[frame * channels..(frame + 1) * channels].copy_from_slice(samples);
        });
    }

    /// Fills the frames of one callback, planar; channels that the bridge does not have become silent.
    ///
    /// Real-time: safe
    pub fn read_planar(&mut self, out: &mut [&mut [f32]], ns: u64) {
        let frames = out.iter().map(|channel| channel.len()).min().unwrap_or(0);
        self.read_with(frames, ns, |frame, samples| {
            for (index, channel) in out.iter_mut().enumerate() {
                channel[frame] = samples.get(index).copied().unwrap_or(0.0);
            }
        });
    }

    /// What the bridge shows of itself, as of the last callback.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn readings(&self) -> BridgeReadings {
        self.readings
    }

    /// Frames, in the reader's time, from the writer's callback to the reader's ear: the target of the fill.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn delay(&self) -> Frames {
        Frames((self.readings.target_frames * self.reader_hz / self.writer_hz + 0.5) as u64)
    }

    fn read_with(&mut self, frames: usize, ns: u64, put: impl FnMut(usize, &[f32])) {
        self.take_in(ns);
        self.read += frames as u64;
        let now = self.seconds(ns);
        self.lost |= self.reader.stamp(self.read, now);
        self.steer(frames);
        self.play(frames, put);
    }

    /// Empties both rings: stamps first, so that none speaks of frames that are not in the memory yet.
    fn take_in(&mut self, ns: u64) {
        for _ in 0..STAMPS_MAX {
            let Ok(stamp) = self.stamps.pop() else { break };
            let at = *self.origin_ns.get_or_insert(stamp.ns);
            self.largest_write.note(stamp.frames);
            self.lost |= self.writer.stamp(stamp.frames, seconds_since(at, stamp.ns));
            self.readings.dropped_frames = stamp.dropped;
        }
        self.origin_ns.get_or_insert(ns);
        let waiting = self.audio.slots() / self.channels * self.channels;
        if let Ok(chunk) = self.audio.read_chunk(waiting) {
            let (first, second) = chunk.as_slices();
            self.memory.store(first);
            self.memory.store(second);
            chunk.commit_all();
        }
    }

    fn seconds(&self, ns: u64) -> f64 {
        seconds_since(self.origin_ns.unwrap_or(ns), ns)
    }

    /// Decides on the ratio, and whether to start or to jump.
    fn steer(&mut self, frames: usize) {
        let relative = (1.0 + self.reader.deviation) / (1.0 + self.writer.deviation);
        let variance = self.reader.variance.deviation + self.writer.variance.deviation;
        self.readings.locked = variance < LOCKED_WITHIN * LOCKED_WITHIN;
        self.readings.drift_ppm = (relative - 1.0) * 1e6;

        // Where the writer stands, by its model, when the reader's model says it is now.
        let elapsed = (self.reader.time - self.writer.time) / (1.0 + self.writer.deviation);
        let writer_now = self.writer.frames as f64 + elapsed * self.writer_hz;
        let target = self.largest_write.frames() as f64 + self.kernel.delay_frames() as f64 + self.cushion_frames + 1.0;
        let block = frames as f64 * self.writer_hz / self.reader_hz * self.ratio;
        let wanted = writer_now - target - block;
        self.readings.target_frames = target;

        if self.state != State::Playing {
            self.readings.fill_frames = 0.0;
            let known = self.writer.steady() && self.reader.steady();
            if known && self.can_play(wanted, block) {
                if self.state == State::Dry {
                    self.readings.crossfades += 1;
                }
                self.go_to(wanted, None);
            }
            return;
        }

        let error = wanted - self.head.frames();
        self.readings.fill_frames = target + error;
        let limit = if self.lost { JUMP_SECONDS_AFTER_LOSS } else { JUMP_SECONDS };
        if self.writer.settled() && self.reader.settled() && self.fade_left == 0 {
            if error.abs() > limit * self.writer_hz && self.can_play(wanted, block) {
                self.readings.crossfades += 1;
                self.go_to(wanted, Some(self.head));
                self.readings.fill_frames = target;
                return;
            }
            self.lost = false;
        }
        let correction = (error / (WORK_OFF_SECONDS * self.writer_hz)).clamp(-WORK_OFF_MAX, WORK_OFF_MAX);
        let slew = if self.readings.locked { SLEW_LOCKED } else { SLEW_LOCKING };
        let most = slew * frames as f64 / self.reader_hz;
        self.ratio += (relative * (1.0 + correction) - self.ratio).clamp(-most, most);
        self.readings.pitch_ppm = (self.ratio - 1.0) * 1e6;
    }

    /// Whether the memory holds what a block from `start` needs.
    fn can_play(&self, start: f64, block: f64) -> bool {
        let taps = self.kernel.taps() as f64;
        let stored = self.memory.stored as f64;
        start >= taps && start + block + 0.5 * taps + 2.0 < stored && self.memory.holds(Position::at(start))
    }

    fn go_to(&mut self, place: f64, leaving: Option<Position>) {
        self.head = Position::at(place);
        self.leaving = leaving;
        self.fade_left = self.fade_frames;
        self.state = State::Playing;
        self.lost = false;
    }

    fn play(&mut self, frames: usize, mut put: impl FnMut(usize, &[f32])) {
        let step = Step::from_ratio(self.writer_hz / self.reader_hz * self.ratio);
        let end = self.memory.stored.saturating_sub(self.kernel.delay_frames() as u64);
        let playable = match self.state {
            State::Playing if self.memory.holds(self.head) => {
                step.count_until(self.head, end).min(frames as u64) as usize
            }
            _ => 0,
        };
        // What will break off is faded out first, as far as there is something left.
        let running_dry = self.state == State::Playing && playable < frames;
        let closing = if running_dry { playable.min(self.fade_frames) } else { 0 };

        for frame in 0..playable {
            let weight = if self.fade_left == 0 {
                1.0
            } else {
                self.fade_left -= 1;
                smooth(1.0 - self.fade_left as f32 / self.fade_frames as f32)
            };
            self.kernel.weights(self.head.fraction, &mut self.weights);
            for (channel, last) in self.last.iter_mut().enumerate() {
                *last = weighted_sum(self.memory.window(channel, self.head), &self.weights) * weight;
            }
            self.head.advance(step);
            if weight < 1.0 {
                self.add_leaving(1.0 - weight, step, end);
            } else {
                self.leaving = None;
            }
            if playable - frame <= closing {
                let left = smooth((playable - frame - 1) as f32 / closing as f32);
                self.last.iter_mut().for_each(|sample| *sample *= left);
            }
            put(frame, &self.last);
        }
        if running_dry {
            self.readings.underruns += 1;
            self.state = State::Dry;
            self.leaving = None;
            self.fade_left = 0;
            for (held, last) in self.held.iter_mut().zip(&self.last) {
                *held = if last.is_finite() { *last } else { 0.0 };
            }
        }
        for frame in playable..frames {
            self.fade_held();
            self.last.copy_from_slice(&self.held);
            put(frame, &self.last);
        }
    }

    /// Adds what is being faded out: the place a jump came from, or what was held while nothing was there.
    fn add_leaving(&mut self, weight: f32, step: Step, end: u64) {
        if let Some(place) = &mut self.leaving
            && place.frame < end
            && self.memory.holds(*place)
        {
            self.kernel.weights(place.fraction, &mut self.weights);
            for (channel, (last, held)) in self.last.iter_mut().zip(&mut self.held).enumerate() {
                *held = weighted_sum(self.memory.window(channel, *place), &self.weights);
                *last += *held * weight;
            }
            place.advance(step);
        } else {
            self.fade_held();
            for (last, held) in self.last.iter_mut().zip(&self.held) {
                *last += held * weight;
            }
        }
    }

    fn fade_held(&mut self) {
        for held in &mut self.held {
            *held = if held.abs() < 1e-15 { 0.0 } else { *held * HELD_PER_FRAME };
        }
    }
}

fn seconds_since(origin_ns: u64, ns: u64) -> f64 {
    ns.wrapping_sub(origin_ns) as i64 as f64 * 1e-9
}

/// From 0 to 1 with level ends.
fn smooth(x: f32) -> f32 {
    x * x * (3.0 - 2.0 * x)
}

/// The last frames written, planar, found by their number; each channel is kept a little beyond its end, so that a
/// window never has to be put together from two pieces.
#[derive(Debug)]
struct Memory {
    samples: Box<[f32]>,
    channels: usize,
    /// Frames kept, a power of two.
    capacity: usize,
    taps: usize,
    /// Frames stored since the beginning; the newest has this number less one.
    stored: u64,
}

impl Memory {
    /// Real-time: never
    fn new(channels: usize, capacity: usize, taps: usize) -> Self {
        let samples = vec![0.0; channels * (capacity + taps)].into_boxed_slice();
        Self { samples, channels, capacity, taps, stored: 0 }
    }

    fn store(&mut self, interleaved: &[f32]) {
        for frame in interleaved.chunks_exact(self.channels) {
            let place = self.stored as usize & (self.capacity - 1);
            for (sample, channel) in frame.iter().zip(self.samples.chunks_exact_mut(self.capacity + self.taps)) {
                channel[place] = *sample;
                if place < self.taps {
                    channel[place + self.capacity] = *sample;
                }
            }
            self.stored += 1;
        }
    }

    /// Whether the window around a position has neither been overwritten nor begins before the beginning.
    fn holds(&self, position: Position) -> bool {
        position.frame + 1 >= self.taps as u64 / 2
            && position.frame + 1 + self.capacity as u64 >= self.stored + self.taps as u64 / 2
    }

    #[inline]
    fn window(&self, channel: usize, position: Position) -> &[f32] {
        let first = (position.frame + 1 - self.taps as u64 / 2) as usize & (self.capacity - 1);
        let start = channel * (self.capacity + self.taps) + first;
        &self.samples[start..start + self.taps]
    }
}

/// The largest callback of the last ten to twenty seconds.
#[derive(Clone, Copy, Debug, Default)]
struct Largest {
    span_frames: u64,
    begun: u64,
    seen: u64,
    now: u64,
    before: u64,
}

impl Largest {
    fn note(&mut self, frames: u64) {
        if frames - self.begun > self.span_frames {
            (self.before, self.now, self.begun) = (self.now, 0, frames);
        }
        // Stamps may have been lost while nobody read; what lies between is then no callback.
        self.now = self.now.max((frames - self.seen).min(CALLBACK_FRAMES_MAX as u64));
        self.seen = frames;
    }

    fn frames(&self) -> u64 {
        self.now.max(self.before)
    }
}

/// When a device's frames pass, and how its clock deviates from its nominal rate: a Kalman filter over its stamps.
///
/// Its memory grows from the first stamp to about a minute, so the first guess is quick and the last one calm. Stamps
/// that come far too late or too early do not count; if they stay so for a tenth of a second, frames were lost, and the
/// model moves there at once, keeping the rate. A loss too small to stand out from the jitter shows in the mean.
#[derive(Debug)]
struct DeviceClock {
    frame_seconds: f64,
    /// Frames moved so far, and the time at which the model says that happened.
    frames: u64,
    time: f64,
    /// Relative deviation of the time that a frame takes.
    deviation: f64,
    variance: Variance,
    /// Standard deviation of the stamps around the model, in seconds.
    jitter: f64,
    stamps: u64,
    first_seconds: f64,
    astray: Option<Astray>,
    /// Mean of the last stamps' distances from the model, and since when it has been too large.
    mean: f64,
    biased_since: Option<f64>,
}

#[derive(Debug)]
struct Variance {
    time: f64,
    both: f64,
    deviation: f64,
}

/// Stamps that all lie to one side of what the model expects.
#[derive(Debug)]
struct Astray {
    since: f64,
    count: u32,
    by: f64,
}

/// Uncertainty of the rate before anything is known, and how much it grows in a second, squared.
const DEVIATION_FIRST: f64 = 300e-6;
const DEVIATION_GROWTH: f64 = 4e-16;
/// The farthest that any device's clock is believed to be off.
const DEVIATION_MAX: f64 = 5e-3;
const JITTER_FIRST: f64 = 0.5e-3;
/// Stamps farther off than so many standard deviations do not count.
const GATE: f64 = 4.0;
const ASTRAY_SECONDS: f64 = 0.1;
const ASTRAY_STAMPS: u32 = 4;
/// Stamps that the mean is taken over, and how many standard deviations it may be off: six of its own.
const MEAN_STAMPS: f64 = 30.0;
const MEAN_OFF: f64 = 0.8;
/// Time and stamps before a clock is trusted enough to start.
const STEADY_SECONDS: f64 = 0.1;
const STEADY_STAMPS: u64 = 3;
/// Uncertainty of the time, in seconds, below which a jump lands where it should.
const SETTLED_WITHIN: f64 = 0.1e-3;

impl DeviceClock {
    fn new(hz: f64) -> Self {
        Self {
            frame_seconds: 1.0 / hz,
            frames: 0,
            time: 0.0,
            deviation: 0.0,
            variance: Variance { time: 0.0, both: 0.0, deviation: DEVIATION_FIRST * DEVIATION_FIRST },
            jitter: JITTER_FIRST,
            stamps: 0,
            first_seconds: 0.0,
            astray: None,
            mean: 0.0,
            biased_since: None,
        }
    }

    /// Whether there is a model, and the stamps agree with it.
    fn steady(&self) -> bool {
        self.stamps >= STEADY_STAMPS && self.time - self.first_seconds > STEADY_SECONDS && self.astray.is_none()
    }

    /// Whether the model is also sure enough of the time to jump by it.
    fn settled(&self) -> bool {
        self.steady() && self.variance.time < SETTLED_WITHIN * SETTLED_WITHIN
    }

    /// Takes the number of frames moved up to a time; true when the model had to move because frames were lost.
    fn stamp(&mut self, frames: u64, seconds: f64) -> bool {
        if self.stamps == 0 {
            (self.frames, self.time, self.first_seconds, self.stamps) = (frames, seconds, seconds, 1);
            self.variance.time = self.jitter * self.jitter;
            return false;
        }
        if frames == self.frames {
            return false;
        }
        let span = (frames - self.frames) as f64 * self.frame_seconds;
        self.frames = frames;
        self.stamps += 1;
        self.time += span * (1.0 + self.deviation);
        let v = &mut self.variance;
        v.time += span * (2.0 * v.both + span * (v.deviation + span * (DEVIATION_GROWTH / 3.0)));
        v.both += span * (v.deviation + span * (DEVIATION_GROWTH / 2.0));
        v.deviation += span * DEVIATION_GROWTH;

        let off = seconds - self.time;
        let expected = v.time + self.jitter * self.jitter;
        let gate = GATE * expected.sqrt();
        // Among stamps that are astray one that is half as far off is no return.
        let limit = self
            .astray
            .as_ref()
            .map_or(gate, |astray| if astray.by * off > 0.0 { 0.5 * astray.by.abs() } else { gate });
        let counts = off.abs() <= limit.min(gate);
        // A mean deviation is 0.8 of the standard one. What does not count still widens the gate a little, so that it
        // opens again should the jitter have grown for good.
        let seen = 1.2533 * if counts { off.abs() } else { 1.5 * self.jitter };
        let share = (1.0 / (self.stamps as f64 + 10.0)).max(1.0 / 300.0);
        self.jitter = (self.jitter + (seen - self.jitter) * share).clamp(20e-6, 20e-3);

        if counts {
            self.astray = None;
            let (time_gain, deviation_gain) = (v.time / expected, v.both / expected);
            self.time += time_gain * off;
            self.deviation = (self.deviation + deviation_gain * off).clamp(-DEVIATION_MAX, DEVIATION_MAX);
            v.deviation -= deviation_gain * v.both;
            v.both *= 1.0 - time_gain;
            v.time *= 1.0 - time_gain;
            return self.biased(off, seconds);
        }
        match &mut self.astray {
            Some(astray) if (astray.by > 0.0) == (off > 0.0) => {
                astray.count += 1;
                astray.by += (off - astray.by) * (1.0 / f64::from(astray.count)).max(1.0 / 16.0);
                if astray.count >= ASTRAY_STAMPS && seconds - astray.since > ASTRAY_SECONDS {
                    let by = astray.by;
                    self.move_by(by);
                    return true;
                }
            }
            _ => self.astray = Some(Astray { since: seconds, count: 1, by: off }),
        }
        false
    }

    /// Watches the mean distance from the model; true when it has been too large for too long, and the model moved.
    fn biased(&mut self, off: f64, seconds: f64) -> bool {
        self.mean += (off - self.mean) / MEAN_STAMPS;
        let limit = MEAN_OFF * self.jitter;
        // Until the model itself is surer than that there is nothing to compare with.
        if self.mean.abs() < limit || self.variance.time > 0.1 * limit * limit {
            self.biased_since = None;
            return false;
        }
        if seconds - *self.biased_since.get_or_insert(seconds) < ASTRAY_SECONDS {
            return false;
        }
        self.move_by(self.mean);
        true
    }

    /// Moves the model in time, keeping the rate.
    fn move_by(&mut self, seconds: f64) {
        self.time += seconds;
        self.variance.time = self.jitter * self.jitter;
        self.variance.both = 0.0;
        self.astray = None;
        self.mean = 0.0;
        self.biased_since = None;
    }
}
