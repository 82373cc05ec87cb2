//! A peak limiter without delay, for headphones and loudspeakers: ears and cones first, fidelity second.
//!
//! The gain falls within the frame that needs it and comes back exponentially. With no look-ahead the first crest of an
//! overload is flattened, which is heard as a moment of distortion; feeds that can afford delay use a limiter that looks
//! ahead instead. One gain serves all channels, so the stereo image stands still.

use crate::dsp::{level, math};
use crate::units::{Decibels, SampleRate};

/// Closer to 1 than this (-120 dB) the gain is taken as 1, so that a limiter that has recovered changes no bit.
const RECOVERED: f32 = 1.0 - 1e-6;

/// A linked limiter; its state is one gain, so it works alike for any number of channels and any callback size.
#[derive(Clone, Debug)]
pub struct Limiter {
    ceiling: f32,
    recovery: f32,
    gain: f32,
}

impl Limiter {
    /// A limiter whose sample peaks stay at or below `ceiling`, and whose gain loses 63 % of its reduction in
    /// `release_ms` (1 ms at least). A ceiling of silence lets nothing through.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn new(ceiling: Decibels, release_ms: f32, rate: SampleRate) -> Self {
        let release_frames = f64::from(release_ms.max(1.0)) * 1e-3 * f64::from(rate.hz());
        let recovery = (1.0 - math::exp(-1.0 / release_frames)) as f32;
        Self { ceiling: level::linear(ceiling).get(), recovery, gain: 1.0 }
    }

    /// Limits one frame, one sample to a channel; what is not finite becomes 0.
    ///
    /// Real-time: safe
    #[inline]
    pub fn frame(&mut self, samples: &mut [f32]) {
        let mut peak = 0.0_f32;
        for sample in samples.iter_mut() {
            if !sample.is_finite() {
                *sample = 0.0;
            }
            peak = peak.max(sample.abs());
        }
        self.follow(peak);
        for sample in samples {
            // The clamp takes off the last half bit that the division may leave above the ceiling.
            *sample = (*sample * self.gain).clamp(-self.ceiling, self.ceiling);
        }
    }

    /// Limits planar channels in place, linked; where lengths differ, only the frames that all have.
    ///
    /// Real-time: safe
    pub fn process(&mut self, channels: &mut [&mut [f32]]) {
        let frames = channels.iter().map(|channel| channel.len()).min().unwrap_or(0);
        for index in 0..frames {
            let mut peak = 0.0_f32;
            for channel in channels.iter_mut() {
                let sample = &mut channel[index];
                if !sample.is_finite() {
                    *sample = 0.0;
                }
                peak = peak.max(sample.abs());
            }
            self.follow(peak);
            for channel in channels.iter_mut() {
                channel[index] = (channel[index] * self.gain).clamp(-self.ceiling, self.ceiling);
            }
        }
    }

    /// The gain applied to the last frame, 1 when nothing is limited.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn gain(&self) -> f32 {
        self.gain
    }

    /// Forgets the reduction in force, for a source that starts anew.
    ///
    /// Real-time: safe
    pub fn reset(&mut self) {
        self.gain = 1.0;
    }

    #[inline]
    fn follow(&mut self, peak: f32) {
        let recovered = self.gain + (1.0 - self.gain) * self.recovery;
        let free = if recovered > RECOVERED { 1.0 } else { recovered };
        self.gain = if peak * free > self.ceiling { self.ceiling / peak } else { free };
    }
}
