//! The exit codes of every subcommand.

/// Done, and what was checked is fine.
pub const FINE: u8 = 0;
/// What was checked is not fine.
pub const NOT_FINE: u8 = 1;
/// The command line cannot be understood.
pub const USAGE: u8 = 2;
/// The command could not run: a file cannot be read, a device not opened.
pub const COULD_NOT_RUN: u8 = 3;
