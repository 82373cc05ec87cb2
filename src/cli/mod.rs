//! The subcommands and their exit codes.

use std::process::ExitCode;

/// Runs the command line.
#[must_use]
pub fn main() -> ExitCode {
    ExitCode::from(2)
}
