//! The samples of one callback, as the engine sees them.

/// Planar access to the samples of one callback, whatever the layout of the device.
pub trait Wires {
    /// Frames in this callback.
    fn frames(&self) -> usize;
    /// Copies frames `offset..` of an input into `into`; an input that does not exist reads as zeros.
    ///
    /// Real-time: safe
    fn read(&mut self, channel: usize, offset: usize, into: &mut [f32]);
    /// Copies `from` to frames `offset..` of an output; an output that does not exist is ignored.
    ///
    /// Real-time: safe
    fn write(&mut self, channel: usize, offset: usize, from: &[f32]);
}
