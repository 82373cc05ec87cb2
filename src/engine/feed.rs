//! Where sound comes into the engine: a wire of the device, a generator, or a tape that another thread fills.

use super::limits::TICK;
use super::wires::Wires;
use crate::dsp::generators::Generator;
use std::fmt;

/// The slot that stays silent: what a column takes from that is connected to nothing.
pub const NO_FEED: u16 = 0;

/// Left and right of one tick.
pub type Sides = [[f32; TICK]; 2];

/// Sound that another thread prepares: a file, or a device with another clock.
pub trait Tape: Send {
    /// Takes the next frames; what is missing is silence and is counted by the tape itself.
    ///
    /// Real-time: safe
    fn read(&mut self, sides: &mut Sides, frames: usize);
    /// Called at grid lines: whether a channel that carries this tape is open.
    ///
    /// Real-time: safe
    fn open(&mut self, open: bool);
}

/// One source of sound, one or two lanes wide.
#[derive(Default)]
pub enum Feed {
    /// Nothing.
    #[default]
    Silent,
    /// Channels of the device; the second is the right side, if there is one.
    Wires(u16, Option<u16>),
    /// A signal made here.
    Generator(Box<Generator>),
    /// Sound that another thread prepares.
    Tape(Box<dyn Tape>),
}

impl fmt::Debug for Feed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Silent => f.write_str("Silent"),
            Self::Wires(left, right) => write!(f, "Wires({left}, {right:?})"),
            Self::Generator(_) => f.write_str("Generator"),
            Self::Tape(_) => f.write_str("Tape"),
        }
    }
}

impl Feed {
    /// The wire of a side, if it is one.
    ///
    /// Real-time: safe
    #[inline]
    #[must_use]
    pub fn wire(&self, side: usize) -> Option<u16> {
        match self {
            Self::Wires(left, _) if side == 0 => Some(*left),
            Self::Wires(_, right) => *right,
            _ => None,
        }
    }

    /// Fills the first `frames` of both sides; a mono feed leaves the right side alone.
    ///
    /// Real-time: safe
    #[inline]
    pub fn fill<W: Wires + ?Sized>(&mut self, wires: &mut W, offset: usize, frames: usize, sides: &mut Sides) {
        match self {
            Self::Silent => {}
            Self::Wires(left, right) => {
                wires.read(usize::from(*left), offset, &mut sides[0][..frames]);
                if let Some(right) = right {
                    wires.read(usize::from(*right), offset, &mut sides[1][..frames]);
                }
            }
            Self::Generator(generator) => generator.fill(&mut sides[0][..frames]),
            Self::Tape(tape) => tape.read(sides, frames),
        }
    }
}
