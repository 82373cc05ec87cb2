//! How things cross into or out of the audio thread.

mod clock;
mod lease;
mod sync;

pub use clock::{Clock, Moment};
pub use lease::{Guard, Lease};
