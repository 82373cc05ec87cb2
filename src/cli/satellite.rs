//! `longthrow satellite`: the process of one audio device that runs on a clock of its own.
//!
//! Not in the help, and of no use by hand: the daemon starts one for each such device, with a socket as its standard input
//! (see `daemon::satellite`). It ends when that socket does.

use super::{complain, exit};
use crate::daemon::satellite::run_satellite;

/// One audio device for the daemon that started this.
#[derive(Debug, clap::Args)]
pub(super) struct Satellite {}

impl Satellite {
    pub(super) fn run(&self) -> u8 {
        match run_satellite() {
            Ok(()) => exit::FINE,
            Err(why) => {
                complain(&format!("satellite: {why}"));
                exit::COULD_NOT_RUN
            }
        }
    }
}
