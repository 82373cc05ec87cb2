//! From bytes to gestures: what the controls say, and what they did; and back, what they are to show.
//!
//! [`midi`] and [`osc`] know the wire and nothing of the panel. [`Decoder`] knows what the panel file says of
//! each control and turns messages into [`Gesture`]s; [`encode`] is its inverse, for motors, rings and lamps. [`motion`] finds
//! the control that was touched, whether the panel file knows it or not.

mod decode;
pub mod encode;
mod gesture;
pub mod midi;
pub mod motion;
pub mod node;
pub mod osc;
pub mod slip;
mod wire;

pub use decode::{Decoder, PATIENCE_MS};
pub use gesture::{Action, ControlIndex, Gesture, PortIndex};
