//! `longthrow` turns a salvaged mixing panel into the surface of a real-time software mixing desk.
//!
//! The rooms read like the desk itself: what comes in at the left leaves at the right, and each room may
//! use only the rooms named beside it in DEVELOPERS.md (`tests/architecture.rs` checks the arrows).
//!
//! ```text
//! nodes --bytes--> ports --> panel --gestures--> desk --batches--> engine --audio--> ports
//! ```

// Real-time rooms are held to the bans by type of clippy.toml; their tests are not.

pub mod cli;
pub mod daemon;
pub mod desk;
#[cfg_attr(not(test), deny(clippy::disallowed_methods, clippy::disallowed_types, clippy::disallowed_macros))]
pub mod dsp;
#[cfg_attr(not(test), deny(clippy::disallowed_methods, clippy::disallowed_types, clippy::disallowed_macros))]
pub mod engine;
pub mod guard;
#[cfg_attr(not(test), deny(clippy::disallowed_methods, clippy::disallowed_types, clippy::disallowed_macros))]
pub mod handoff;
pub mod panel;
pub mod params;
pub mod ports;
pub mod profile;
pub mod units;
pub mod words;
