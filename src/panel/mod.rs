//! From bytes to gestures: what the controls say, and what they did.

pub mod midi;
pub mod osc;
