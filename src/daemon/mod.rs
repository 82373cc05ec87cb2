//! Starting, running and stopping: the owner of every thread.

pub mod access;
pub mod feeds;
pub mod hub;
pub mod inbox;
pub mod network;
pub mod offline;
