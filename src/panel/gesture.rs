//! What a person did with a control.

use crate::units::Travel;

/// A control, by its place in the panel's list.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ControlIndex(pub usize);

/// A control port, by its place in the list that the decoder was given.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct PortIndex(pub usize);

/// One thing that one control did.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gesture {
    /// Which control.
    pub control: ControlIndex,
    /// What it did.
    pub action: Action,
}

/// What a control can do.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Action {
    /// A fader or knob now stands here.
    Travel(Travel),
    /// A button went down, or a latching one in.
    Press,
    /// A button came up, or a latching one out.
    Release,
    /// An encoder turned by so many steps, clockwise above 0; never 0.
    Steps(i32),
}
