//! The samples of one callback, as the engine sees them: planar, whatever the layout of the device is.

use super::limits::TICK;

/// The inputs and outputs of one callback. Channels count from 0, samples are full scale at -1 and +1.
///
/// Outputs that nobody writes are silent.
pub trait Wires {
    /// Frames in this callback.
    ///
    /// Real-time: safe
    fn frames(&self) -> usize;

    /// How many inputs there are.
    ///
    /// Real-time: safe
    fn inputs(&self) -> usize;

    /// How many outputs there are.
    ///
    /// Real-time: safe
    fn outputs(&self) -> usize;

    /// Copies the frames from `offset` on of an input into `into`. What does not exist, channel or frame, reads as 0.
    ///
    /// Real-time: safe
    fn read(&mut self, channel: usize, offset: usize, into: &mut [f32]);

    /// Whether inputs lie frame after frame, so that [`Wires::tick`] gives them and nothing has to be copied.
    ///
    /// Real-time: safe
    fn in_place(&self) -> bool {
        false
    }

    /// A whole tick of an input from `offset` on, where it lies; nothing when the input or one of the frames does not exist.
    ///
    /// Real-time: safe
    fn tick(&self, _channel: usize, _offset: usize) -> Option<&[f32; TICK]> {
        None
    }

    /// Writes `from` to the frames from `offset` on of an output. What does not exist is ignored.
    ///
    /// Real-time: safe
    fn write(&mut self, channel: usize, offset: usize, from: &[f32]);
}

/// Wires over two planar buffers: channel `c` starts at `c * stride`, and `frames <= stride`.
#[derive(Debug)]
pub struct PlanarWires<'a> {
    /// How many frames of each channel are used.
    pub frames: usize,
    /// From the start of one channel to the start of the next.
    pub stride: usize,
    /// Inputs, a whole number of strides.
    pub inputs: &'a [f32],
    /// Outputs, a whole number of strides.
    pub outputs: &'a mut [f32],
}

impl Wires for PlanarWires<'_> {
    fn frames(&self) -> usize {
        self.frames
    }

    fn inputs(&self) -> usize {
        self.inputs.len().checked_div(self.stride).unwrap_or(0)
    }

    fn outputs(&self) -> usize {
        self.outputs.len().checked_div(self.stride).unwrap_or(0)
    }

    #[inline]
    fn read(&mut self, channel: usize, offset: usize, into: &mut [f32]) {
        let start = channel.saturating_mul(self.stride);
        let channel = self.inputs.get(start..start.saturating_add(self.frames));
        copy_what_exists(channel.unwrap_or(&[]), offset, into);
    }

    fn in_place(&self) -> bool {
        true
    }

    #[inline]
    fn tick(&self, channel: usize, offset: usize) -> Option<&[f32; TICK]> {
        let start = channel.saturating_mul(self.stride);
        self.inputs.get(start..start.saturating_add(self.frames))?.get(offset..)?.first_chunk()
    }

    fn write(&mut self, channel: usize, offset: usize, from: &[f32]) {
        if channel < self.outputs() {
            let start = channel * self.stride;
            write_what_exists(&mut self.outputs[start..start + self.frames], offset, from);
        }
    }
}

/// Copies `source` from `offset` on into `into`; frames beyond the end of `source` become 0.
///
/// Real-time: safe
#[inline]
pub fn copy_what_exists(source: &[f32], offset: usize, into: &mut [f32]) {
    let source = source.get(offset..).unwrap_or(&[]);
    // A tick of known length is a few moves; a length found out is a call.
    if let (Some(tick), Ok(into)) = (source.first_chunk::<TICK>(), <&mut [f32; TICK]>::try_from(&mut *into)) {
        *into = *tick;
        return;
    }
    let length = source.len().min(into.len());
    into[..length].copy_from_slice(&source[..length]);
    into[length..].fill(0.0);
}

/// Copies `from` to `target` from `offset` on; frames beyond the end of `target` are dropped.
///
/// Real-time: safe
pub fn write_what_exists(target: &mut [f32], offset: usize, from: &[f32]) {
    let target = target.get_mut(offset..).unwrap_or_default();
    let length = target.len().min(from.len());
    target[..length].copy_from_slice(&from[..length]);
}

#[cfg(test)]
#[expect(clippy::float_cmp, reason = "samples are to come out exactly")]
mod tests {
    use super::*;

    #[test]
    fn channels_and_frames_that_do_not_exist_read_as_silence_and_swallow_what_is_written() {
        let inputs = [1.0, 2.0, 3.0, 0.0, 4.0, 5.0, 6.0, 0.0];
        let mut outputs = [0.0; 4];
        let mut wires = PlanarWires { frames: 3, stride: 4, inputs: &inputs, outputs: &mut outputs };
        assert_eq!((wires.inputs(), wires.outputs(), wires.frames()), (2, 1, 3));
        let mut read = [9.0; 3];
        wires.read(1, 1, &mut read);
        assert_eq!(read, [5.0, 6.0, 0.0]);
        wires.read(2, 0, &mut read);
        assert_eq!(read, [0.0; 3]);
        wires.read(0, 7, &mut read);
        assert_eq!(read, [0.0; 3]);
        wires.write(0, 1, &[7.0, 8.0, 9.0]);
        wires.write(1, 0, &[7.0]);
        wires.write(0, 9, &[7.0]);
        assert_eq!(outputs, [0.0, 7.0, 8.0, 0.0]);
    }

    #[test]
    fn wires_without_channels_are_possible() {
        let mut wires = PlanarWires { frames: 5, stride: 0, inputs: &[], outputs: &mut [] };
        assert_eq!((wires.inputs(), wires.outputs()), (0, 0));
        wires.write(0, 0, &[1.0]);
    }
}
