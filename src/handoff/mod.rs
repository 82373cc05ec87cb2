//! How things cross into and out of the audio thread.
//!
//! ```text
//! desk  --batches-->  ring  -->              --> echoes  --> desk
//!       --plans---->  slot  -->  engine      --> retired --> desk (dropped there)
//!                                            --> meters  --> hub
//! ```
//! [`crossing()`] makes the ends: a [`Console`] for the desk's thread, a [`MeterEnd`] for whoever shows meters, and a
//! [`Seat`] for the driver. [`Seat::link_end`] gives the end by which devices on other clocks come and go.

mod clock;
mod crossing;
mod lease;
mod links;
mod sync;
mod tape;

pub use clock::{Clock, Moment};
pub use crossing::{Console, Echo, MeterEnd, Seat, crossing};
pub use lease::{Guard, Lease};
pub use links::{
    BLOCK_FRAMES_MAX, BlockHead, Carried, Carrier, Incoming, LINKS_MAX, Link, LinkEnd, Links, Place, carrier,
};
pub use tape::{TapeReader, TapeWriter, Winding, tape};
