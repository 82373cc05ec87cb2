//! (room)

pub mod osc;
pub mod control;
pub mod jack_midi;
pub mod midi;
pub mod serial;
pub mod service;
pub mod storage;
pub mod watch;
pub mod audio;
pub mod clock;
pub mod jack_audio;
mod notices;
pub mod wav;
