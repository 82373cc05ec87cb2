//! (room)

pub mod osc;
