//! (room)

pub mod jack_server;
