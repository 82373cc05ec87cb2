//! Starting, running and stopping: the owner of every thread.

pub mod feeds;
pub mod inbox;
pub mod offline;
pub mod player;
