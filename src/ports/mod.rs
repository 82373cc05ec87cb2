//! The outside world: one file for each outside library. Only here is anything read, written or timed.

pub mod audio;
pub mod clock;
pub mod cpal_audio;
pub mod jack_audio;
mod notices;
mod reserve;
pub mod wav;
