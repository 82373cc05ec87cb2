//! How the engine is built for this desk: the glide times of the parameter table at a rate.

use crate::dsp::lanes::Vectors;
use crate::dsp::math::exp;
use crate::engine::{Settings, Times};
use crate::params::{Glide, Key};
use crate::units::{Decibels, SampleRate};

/// Ceiling of headphone and loudspeaker outputs: room for what a converter makes between samples.
const CEILING_DB: f32 = -3.0;

/// What a one-pole of this time constant gains of its way per frame.
fn follow(key: Key, rate: SampleRate) -> f32 {
    let ms = match key.parameter().glide {
        Glide::None => 0,
        Glide::OnePole { ms } | Glide::CrossFade { ms } | Glide::Ramp { up_ms: ms, .. } => ms,
    };
    let frames = f64::from(ms) * f64::from(rate.hz()) / 1000.0;
    #[expect(clippy::cast_possible_truncation, reason = "the engine works in single precision")]
    let gain = (1.0 - exp(-1.0 / frames)) as f32;
    gain
}

/// The engine's settings at a rate, with these vectors.
#[must_use]
pub fn engine_settings(rate: SampleRate, vectors: Vectors) -> Settings {
    let frames = |ms: u32| {
        #[expect(clippy::cast_precision_loss, reason = "ramps last some thousand frames")]
        let frames = rate.frames_in_ms_rounded_up(ms).0 as f32;
        frames
    };
    let (up_ms, down_ms) = match Key::ChannelSwitch.parameter().glide {
        Glide::Ramp { up_ms, down_ms } => (up_ms, down_ms),
        Glide::None => (0, 0),
        Glide::OnePole { ms } | Glide::CrossFade { ms } => (ms, ms),
    };
    let times =
        |key: Key| Times { follow: follow(key, rate), open_frames: frames(up_ms), close_frames: frames(down_ms) };
    Settings {
        rate,
        vectors,
        sources: times(Key::ChannelFader),
        buses: times(Key::BusFader),
        outputs: times(Key::OutputLevel),
        ceiling: Decibels::try_new(CEILING_DB).unwrap_or(Decibels::UNITY),
    }
}
