//! How late the sound of an output is, for whoever has to bring a picture to it.
//!
//! In it are: the delay that the output is asked to have; what its true-peak limiter looks ahead, as the engine says; and what its
//! device says of itself (the bridge to another clock and a reserve of our own included). Nothing else in the desk delays an output:
//! buses have stages without latency, and the delay that a channel is asked to have is that channel's, not the output's. How late its inputs are is not in it
//! either, since each source has its own way there.

use crate::profile::{Output, OutputKind};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Pictures per second: film, television of 50 and of 60 fields (SMPTE ST 12-1), and twice as many.
const VIDEO_RATES: [(&str, f64); 5] =
    [("24", 24.0), ("25", 25.0), ("29.97", 30_000.0 / 1_001.0), ("50", 50.0), ("59.94", 60_000.0 / 1_001.0)];

/// By how much one output is late.
#[derive(Clone, Debug, Serialize, Deserialize, PartialEq)]
pub struct LipSync {
    /// The output's id.
    pub output: String,
    /// Whether people see a picture with it: it feeds an encoder, a recorder or other equipment.
    pub to_picture: bool,
    /// What it is asked to be delayed by, ms.
    #[serde(default)]
    pub delay_ms: f64,
    /// What its true-peak limiter looks ahead, ms; 0 without a ceiling.
    pub limiter_ms: f64,
    /// What its device adds, ms; none while it has not said.
    pub device_ms: Option<f64>,
    /// All of it, ms.
    pub total_ms: f64,
    /// The total in video frames, by how many of them a second has.
    pub video_frames: BTreeMap<String, f64>,
}

impl LipSync {
    /// The figure out of its parts, in ms.
    #[must_use]
    pub fn new(output: &Output, delay_ms: f64, limiter_ms: f64, device_ms: Option<f64>) -> Self {
        let total_ms = delay_ms + limiter_ms + device_ms.unwrap_or(0.0);
        let frames = VIDEO_RATES.iter().map(|(word, rate)| ((*word).to_owned(), rounded(total_ms * rate / 1_000.0)));
        Self {
            output: output.id.to_string(),
            to_picture: matches!(output.kind, OutputKind::Feed | OutputKind::Application | OutputKind::Line),
            delay_ms: rounded(delay_ms),
            limiter_ms: rounded(limiter_ms),
            device_ms: device_ms.map(rounded),
            total_ms: rounded(total_ms),
            video_frames: frames.collect(),
        }
    }
}

/// To a thousandth: a frame at 48 kHz is 0.021 ms.
fn rounded(value: f64) -> f64 {
    (value * 1e3).round() / 1e3
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One frame lasts 41.7 ms at 24, 40 at 25, 33.4 at 29.97, 20 at 50 and 16.7 at 59.94 a second (arithmetic).
    #[test]
    fn the_total_is_the_sum_of_its_parts_in_every_unit() {
        let output = Output { id: "feed".into(), kind: OutputKind::Feed, device: "box".into(), channels: vec![0, 1] };
        let found = LipSync::new(&output, 10.0, 1.645_833, Some(28.354_167));
        assert!((found.total_ms - 40.0).abs() < 1e-9 && (found.video_frames["25"] - 1.0).abs() < 1e-9);
        for (word, frame_ms) in [("24", 41.667), ("29.97", 33.367), ("50", 20.0), ("59.94", 16.683)] {
            assert!((found.video_frames[word] - 40.0 / frame_ms).abs() < 1e-3, "{word}");
        }
        let unknown = LipSync::new(&output, 0.0, 1.645_833, None);
        assert!(unknown.device_ms.is_none() && (unknown.total_ms - 1.646).abs() < 1e-9);
    }
}
