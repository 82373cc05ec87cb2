//! A peak limiter without delay, for headphones and loudspeakers: ears and cones first, fidelity second.
//!
//! The gain falls within the frame that needs it and comes back exponentially. With no look-ahead the first crest of an
//! overload is flattened, which is heard as a moment of distortion; feeds that can afford delay use a limiter that looks
//! ahead instead. One gain serves all channels, so the stereo image stands still.

use crate::dsp::{level, math};
use crate::units::{Decibels, SampleRate};

/// A reduction below this is taken as none, so that a limiter that has recovered changes no bit.
const RECOVERED: f32 = 1e-6;

/// A linked limiter; its state is one number, so it works alike for any number of channels and any callback size.
#[derive(Clone, Debug)]
pub struct Limiter {
    ceiling: f32,
    kept_per_frame: f32,
    /// What the gain lacks to 1: kept instead of the gain, since close to 1 it has bits to spare.
    reduction: f32,
    /// The highest since it was asked for.
    highest: f32,
}

impl Limiter {
    /// A limiter whose sample peaks stay at or below `ceiling`, and whose gain loses 63 % of its reduction in
    /// `release_ms` (1 ms at least). A ceiling of silence lets nothing through.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn new(ceiling: Decibels, release_ms: f32, rate: SampleRate) -> Self {
        let release_frames = f64::from(release_ms.max(1.0)) * 1e-3 * f64::from(rate.hz());
        let kept_per_frame = math::exp(-1.0 / release_frames) as f32;
        Self { ceiling: level::linear(ceiling).get(), kept_per_frame, reduction: 0.0, highest: 0.0 }
    }

    /// Limits one frame, one sample to a channel; what is not finite becomes 0.
    ///
    /// Real-time: safe
    #[inline]
    pub fn frame(&mut self, samples: &mut [f32]) {
        let peak = samples.iter_mut().fold(0.0, |peak: f32, sample| peak.max(admitted(sample)));
        let gain = self.follow(peak);
        for sample in samples {
            // The clamp takes off the last bit that the division may leave above the ceiling.
            *sample = (*sample * gain).clamp(-self.ceiling, self.ceiling);
        }
    }

    /// Limits planar channels in place, linked; where lengths differ, only the frames that all have.
    ///
    /// Real-time: safe
    pub fn process(&mut self, channels: &mut [&mut [f32]]) {
        let frames = channels.iter().map(|channel| channel.len()).min().unwrap_or(0);
        for index in 0..frames {
            let peak = channels.iter_mut().fold(0.0, |peak: f32, channel| peak.max(admitted(&mut channel[index])));
            let gain = self.follow(peak);
            for channel in channels.iter_mut() {
                channel[index] = (channel[index] * gain).clamp(-self.ceiling, self.ceiling);
            }
        }
    }

    /// The gain applied to the last frame, 1 when nothing is limited.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn gain(&self) -> f32 {
        1.0 - self.reduction
    }

    /// The highest reduction since the last time, as 1 less the gain.
    ///
    /// Real-time: safe
    pub fn take_reduction(&mut self) -> f32 {
        std::mem::take(&mut self.highest)
    }

    /// Forgets the reduction in force, for a source that starts anew.
    ///
    /// Real-time: safe
    pub fn reset(&mut self) {
        self.reduction = 0.0;
    }

    /// The gain for a frame with this peak.
    #[inline]
    fn follow(&mut self, peak: f32) -> f32 {
        let released = self.reduction * self.kept_per_frame;
        self.reduction = if released < RECOVERED { 0.0 } else { released };
        if peak * self.gain() > self.ceiling {
            self.reduction = 1.0 - self.ceiling / peak;
            self.highest = self.highest.max(self.reduction);
        }
        self.gain()
    }
}

/// The magnitude of a sample, after one that is not finite has become 0.
#[inline]
fn admitted(sample: &mut f32) -> f32 {
    if !sample.is_finite() {
        *sample = 0.0;
    }
    sample.abs()
}
