//! Pure signal mathematics: no I/O, no clock, no allocation after construction, the same bytes on every machine.
//!
//! Everything here is plain IEEE arithmetic in a fixed order: additions, multiplications, divisions and square roots,
//! which every processor rounds alike. What is not exact by that rule (sines, logarithms, powers) comes from [`math`];
//! nothing calls the transcendental functions of `std`, and nothing multiplies and adds in one rounding.

pub mod ballistics;
pub mod bridge;
pub mod correlation;
pub mod delay;
pub mod ducking;
pub mod dynamics;
pub mod equaliser;
pub mod generators;
pub mod glide;
pub mod k_weighting;
pub mod lanes;
pub mod level;
pub mod leveller;
pub mod limiter;
pub mod loudness;
pub mod math;
pub mod pan;
pub mod programme;
pub mod quasi_peak;
pub mod resampler;
pub mod samples;
pub mod scale;
pub mod section;
pub mod sharing;
pub mod true_peak;
pub mod true_peak_limiter;
