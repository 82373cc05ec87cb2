//! Pure signal mathematics.

pub mod lanes;
