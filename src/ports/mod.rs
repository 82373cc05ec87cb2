//! (room)

pub mod audio;
pub mod clock;
pub mod cpal_audio;
pub mod jack_audio;
mod notices;
mod reserve;
pub mod wav;
