//! The outside of the house, one file for each library: devices, control ports, files, clocks, services.
//!
//! Ports know the types of the rooms above them and nothing of the daemon that owns them. Only here is anything
//! read, written or timed.

mod alsa_words;
pub mod applications;
pub mod archive;
pub mod audio;
pub mod cards;
pub mod clock;
pub mod command_socket;
pub mod control;
pub mod cpal_audio;
pub mod jack_audio;
pub mod jack_midi;
pub mod jack_server;
pub mod kernel;
pub mod midi;
mod notices;
pub mod osc;
mod reserve;
pub mod rights;
pub mod serial;
pub mod service;
pub mod storage;
pub mod udp;
pub mod watch;
pub mod wav;
pub mod wav_bytes;
