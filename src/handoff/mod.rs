//! How things cross into and out of the audio thread.
//!
//! ```text
//! desk  --batches-->  ring  -->              --> echoes  --> desk
//!       --plans---->  slot  -->  engine      --> retired --> desk (dropped there)
//!                                            --> meters  --> hub
//! ```
//! [`crossing()`] makes the ends: a [`Console`] for the desk's thread, a [`MeterEnd`] for whoever shows meters, and a
//! [`Seat`] for the driver.

mod clock;
mod crossing;
mod lease;
mod sync;
mod tape;

pub use clock::{Clock, Moment};
pub use crossing::{Console, Echo, MeterEnd, Seat, crossing};
pub use lease::{Guard, Lease};
pub use tape::{TapeReader, TapeWriter, Winding, tape};
