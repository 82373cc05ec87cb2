//! (room)

pub mod audio;
pub mod clock;
pub mod jack_audio;
mod notices;
pub mod wav;
