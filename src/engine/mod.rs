//! (room)

pub mod wires;
