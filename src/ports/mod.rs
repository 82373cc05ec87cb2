//! The outside of the house, one file for each library: devices, control ports, files, clocks, services.
//!
//! Ports know the types of the rooms above them and nothing of the daemon that owns them.

pub mod audio;
pub mod clock;
pub mod control;
mod jack_audio;
mod jack_midi;
mod midi;
mod notices;
pub mod osc;
mod serial;
pub mod service;
pub mod storage;
pub mod udp;
pub mod watch;
pub mod wav;
