//! What to send so that a control shows a travel: the inverse of decoding, for motors, rings and lamps.
//!
//! A lamp or button is on at the top stop and off at the bottom; between them a lamp shows a brightness, as far
//! as its hardware can. A program change and a relative encoder's steps cannot show anything, but an encoder's
//! ring takes the place itself on the encoder's own message.

use super::osc;
use super::wire::{self, TOP_7, TOP_14};
use crate::profile::{Control, Message};
use crate::units::Travel;

/// The MIDI bytes of one feedback, at most four messages of three.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct MidiBytes {
    bytes: [u8; 12],
    length: usize,
}

impl MidiBytes {
    /// The bytes, whole messages each with its own status byte.
    #[must_use]
    pub fn as_slice(&self) -> &[u8] {
        &self.bytes[..self.length]
    }

    fn of(messages: &[[u8; 3]]) -> Self {
        let mut all = Self::default();
        for (place, byte) in all.bytes.iter_mut().zip(messages.as_flattened()) {
            *place = *byte;
            all.length += 1;
        }
        all
    }
}

/// The MIDI bytes that make a control show this travel; empty when its message cannot.
#[must_use]
pub fn encode_midi(control: &Control, travel: Travel) -> MidiBytes {
    let raw = wire::untravel(control, travel);
    let value = |top| wire::number(control.kind, raw, top);
    let low = |number: u16| (number & 0x7F) as u8;
    let halves = |number: u16| (low(number >> 7), low(number));
    match control.message {
        Message::ControlChange { channel, number } => MidiBytes::of(&[[0xB0 | channel, number, low(value(TOP_7))]]),
        Message::ControlChange14 { channel, number } => {
            let (coarse, fine) = halves(value(TOP_14));
            MidiBytes::of(&[[0xB0 | channel, number, coarse], [0xB0 | channel, number + 32, fine]])
        }
        Message::Nrpn { channel, number } => {
            let (number_coarse, number_fine) = halves(number);
            let (coarse, fine) = halves(value(TOP_14));
            let status = 0xB0 | channel;
            MidiBytes::of(&[
                [status, 99, number_coarse],
                [status, 98, number_fine],
                [status, 6, coarse],
                [status, 38, fine],
            ])
        }
        Message::PitchBend { channel } => {
            let (coarse, fine) = halves(value(TOP_14));
            MidiBytes::of(&[[0xE0 | channel, fine, coarse]])
        }
        // Note on at velocity 0 is note off (MIDI 1.0), and needs no change of status byte.
        Message::Note { channel, number } => MidiBytes::of(&[[0x90 | channel, number, low(value(TOP_7))]]),
        Message::ProgramChange { .. } | Message::Osc { .. } => MidiBytes::default(),
    }
}

/// The OSC message that makes a control show this travel; nothing when the control speaks MIDI.
#[must_use]
pub fn encode_osc(control: &Control, travel: Travel) -> Option<osc::Message> {
    let Message::Osc { address, lowest, highest } = &control.message else { return None };
    let raw = wire::untravel(control, travel);
    // Written so that each end gives its number exactly and no range overflows.
    let (low, high) = (f64::from(*lowest), f64::from(*highest));
    #[expect(clippy::cast_possible_truncation, reason = "between two numbers of 32 bits")]
    let between = (low + (high - low) * f64::from(raw)) as f32;
    let number = if raw >= 1.0 { *highest } else { between };
    Some(osc::Message { address: address.clone(), arguments: vec![osc::Argument::Float(number)] })
}
