//! The three files of an installation: text in, checked model and diagnostics out. No I/O.

mod model;

pub use model::*;
