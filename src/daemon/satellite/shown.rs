//! How a bridge that a callback reads is seen from outside.

use crate::dsp::bridge::{BridgeOut, BridgeReadings};
use crate::handoff::Incoming;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering::Relaxed};

/// The readings of one bridge: written by the callback that reads it, read by anybody. Each number is right by itself;
/// two of them may be one block apart.
#[derive(Debug, Default)]
pub(super) struct Shown {
    drift_ppm: AtomicU64,
    pitch_ppm: AtomicU64,
    locked: AtomicBool,
    fill_frames: AtomicU64,
    target_frames: AtomicU64,
    underruns: AtomicU64,
    crossfades: AtomicU64,
    dropped_frames: AtomicU64,
}

impl Shown {
    fn show(&self, readings: BridgeReadings) {
        self.drift_ppm.store(readings.drift_ppm.to_bits(), Relaxed);
        self.pitch_ppm.store(readings.pitch_ppm.to_bits(), Relaxed);
        self.locked.store(readings.locked, Relaxed);
        self.fill_frames.store(readings.fill_frames.to_bits(), Relaxed);
        self.target_frames.store(readings.target_frames.to_bits(), Relaxed);
        self.underruns.store(readings.underruns, Relaxed);
        self.crossfades.store(readings.crossfades, Relaxed);
        self.dropped_frames.store(readings.dropped_frames, Relaxed);
    }

    pub(super) fn read(&self) -> BridgeReadings {
        let number = |bits: &AtomicU64| f64::from_bits(bits.load(Relaxed));
        BridgeReadings {
            drift_ppm: number(&self.drift_ppm),
            pitch_ppm: number(&self.pitch_ppm),
            locked: self.locked.load(Relaxed),
            fill_frames: number(&self.fill_frames),
            target_frames: number(&self.target_frames),
            underruns: self.underruns.load(Relaxed),
            crossfades: self.crossfades.load(Relaxed),
            dropped_frames: self.dropped_frames.load(Relaxed),
        }
    }
}

/// The reading end of a bridge, and where it is shown.
#[derive(Debug)]
pub(super) struct ShownBridge {
    bridge: BridgeOut,
    shown: Arc<Shown>,
}

impl ShownBridge {
    pub(super) fn new(bridge: BridgeOut) -> (Self, Arc<Shown>) {
        let shown = Arc::<Shown>::default();
        (Self { bridge, shown: Arc::clone(&shown) }, shown)
    }
}

impl Incoming for ShownBridge {
    fn read(&mut self, out: &mut [f32], nanos: u64) {
        self.bridge.read_interleaved(out, nanos);
        self.shown.show(self.bridge.readings());
    }
}
