//! Starting, running and stopping: the owner of every thread.

pub mod access;
mod audible;
pub mod block_times;
mod control;
pub mod desk_thread;
pub mod drivers;
pub mod feeds;
pub mod files;
pub mod hub;
pub mod inbox;
mod levels;
pub mod load;
pub mod network;
pub mod nodes;
pub mod offline;
pub mod past;
pub mod player;
mod record;
pub mod run;
pub mod satellite;
pub mod sending;
pub mod state;
pub mod talk;
pub mod teach;

use crate::words::log;
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Joins a thread if it ends in time; says whether it did. One that does not is named in the log and left.
fn join_until(thread: JoinHandle<()>, deadline: Duration) -> bool {
    let until = Instant::now() + deadline;
    while !thread.is_finished() {
        if Instant::now() >= until {
            tracing::warn!(thread = thread.thread().name().unwrap_or("?"), "{}", log::DID_NOT_END);
            return false;
        }
        std::thread::sleep(Duration::from_millis(2));
    }
    if thread.join().is_err() {
        tracing::error!("{}", log::PANICKED);
    }
    true
}
