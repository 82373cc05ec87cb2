//! Signals through desk and engine, offline.

use crate::show::RATE;
use longthrow::daemon::offline::{Buffers, Offline};
use longthrow::dsp::lanes::{Form, Vectors};
use longthrow::engine::Feed;
use longthrow::profile::Installation;
use longthrow::units::SampleRate;

/// A desk in a form of vectors, to which no file is there.
pub fn offline(installation: Installation, form: Form) -> Offline {
    offline_at(installation, RATE, form)
}

pub fn offline_at(installation: Installation, rate: SampleRate, form: Form) -> Offline {
    let vectors = Vectors::new(form).expect("this machine has it");
    Offline::new(installation, rate, vectors, Box::new(|_, _, _| Feed::Silent))
}

/// Runs the inputs through in callbacks of this size; gives what the wires of the device carry.
pub fn run(desk: &mut Offline, inputs: Vec<Vec<f32>>, callback: usize) -> Vec<Vec<f32>> {
    let length = inputs[0].len();
    let outputs = usize::from(desk.desk().rig().devices[0].outputs);
    let mut wires = Buffers { inputs, outputs: vec![vec![0.0; length]; outputs], offset: 0, frames: 0 };
    while wires.offset < length {
        wires.frames = callback.min(length - wires.offset);
        desk.process(&mut wires);
        wires.offset += wires.frames;
    }
    wires.outputs
}

/// White noise that repeats for the same seed, of 24-bit samples.
pub fn noise(frames: usize, seed: u64) -> Vec<f32> {
    let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
    (0..frames)
        .map(|_| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            ((state >> 40) as i32 - (1 << 23)) as f32 / (1 << 23) as f32
        })
        .collect()
}
