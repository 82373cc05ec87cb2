//! The fixed limits of the engine. Every queue and table is sized from these once, at start.

use crate::dsp::lanes::LANES;

/// Frames between two grid lines: commands, edits and skipping happen only there.
pub use crate::dsp::lanes::TICK;

/// Frames in the longest segment: over grid lines at which nothing happens it goes on. An odd number of ticks, so that a tick of
/// one group and the same of its neighbours lie in different parts of the processor's memory.
pub const SPAN: usize = 5 * TICK;

/// Source lanes a show may use: a mono channel is one, a stereo channel two.
pub const SOURCE_LANES: usize = 256;
/// Bus lanes a show may use: a stereo bus is two.
pub const BUS_LANES: usize = 64;
/// Output lanes a rig may use.
pub const OUTPUT_LANES: usize = 64;

/// Columns there are for sources. Twice the lanes, so that a whole show can fade out beside the next one, and
/// so that a pair of neighbours is always free: m mono and s stereo channels touch at most m + s of the 256
/// pairs, and m + 2 s is at most 256.
pub const SOURCE_COLUMNS: usize = 2 * SOURCE_LANES;
/// Levels of buses: a bus is summed from channels and from buses of lower levels. The first four are for buses that may
/// feed one another, the last for those that hear one of them without somebody's own share.
pub const BUS_LEVELS: usize = 5;
/// Levels on which a bus may have such listeners.
pub const FOLLOWED_LEVELS: usize = BUS_LEVELS - 1;
/// Columns of one level. Twice the lanes, for the same reason.
pub const LEVEL_COLUMNS: usize = 2 * BUS_LANES;
/// Columns there are for buses, level by level.
pub const BUS_COLUMNS: usize = BUS_LEVELS * LEVEL_COLUMNS;
/// Columns that follow a bus without somebody's own share, or with nothing but that; level by level.
pub const FOLLOWER_COLUMNS: usize = FOLLOWED_LEVELS * LEVEL_COLUMNS;
/// Columns there are for outputs.
pub const OUTPUT_COLUMNS: usize = OUTPUT_LANES;

/// Groups of sixteen columns.
pub const SOURCE_GROUPS: usize = SOURCE_COLUMNS / LANES;
/// Groups of sixteen columns.
pub const BUS_GROUPS: usize = BUS_COLUMNS / LANES;
/// Groups of sixteen columns on one level.
pub const LEVEL_GROUPS: usize = LEVEL_COLUMNS / LANES;
/// Groups of sixteen columns.
pub const FOLLOWER_GROUPS: usize = FOLLOWER_COLUMNS / LANES;
/// Groups of sixteen columns.
pub const OUTPUT_GROUPS: usize = OUTPUT_COLUMNS / LANES;

/// Places where sound comes into the engine, each one or two lanes wide.
pub const FEEDS: usize = SOURCE_COLUMNS;

/// Groups of microphones that share their gain.
pub const SHARING_GROUPS: usize = 32;

/// Commands in the largest batch; what is larger crosses as an edit list, by pointer.
pub const BATCH: usize = 1024;

/// Meter frames per second.
pub const METER_RATE: u64 = 100;
