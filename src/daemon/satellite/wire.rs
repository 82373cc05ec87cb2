//! What daemon and satellite say to each other over their socket: records of audio, and notices as JSON.
//!
//! ```text
//! record = kind u32 | bytes u32 | payload            all numbers in the machine's own order: it never leaves it
//! audio  = nanos u64 | frames u32 | samples f32, interleaved
//! said   = JSON
//! ```

use crate::dsp::bridge::BridgeReadings;
use crate::handoff::{BLOCK_FRAMES_MAX, BlockHead, Carried};
use crate::ports::audio::MAX_CHANNELS;
use crate::profile::{Device, Host};
use serde::{Deserialize, Serialize};
use std::io::{self, Read};

const AUDIO: u32 = 1;
const SAID: u32 = 2;
const HEAD_BYTES: usize = 8;
const AUDIO_HEAD_BYTES: usize = 12;
/// The largest block of the widest device.
const RECORD_BYTES_MAX: usize = AUDIO_HEAD_BYTES + 4 * BLOCK_FRAMES_MAX * MAX_CHANNELS;

/// The first thing the daemon says: what to open.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(super) struct Setup {
    id: String,
    host: u8,
    identity: String,
    period_frames: Option<u32>,
    inputs: u16,
    outputs: u16,
    link_inputs: Vec<String>,
    link_outputs: Vec<String>,
    /// Rate of the desk in Hz.
    pub(super) rate_hz: u32,
    pub(super) cushion_ms: f32,
}

const HOSTS: [Host; 5] = [Host::Alsa, Host::Jack, Host::PulseAudio, Host::PipeWire, Host::Application];

impl Setup {
    pub(super) fn new(device: &Device, rate_hz: u32, cushion_ms: f32) -> Self {
        let host = HOSTS.iter().position(|host| *host == device.host).unwrap_or(0);
        Self {
            id: device.id.to_string(),
            host: u8::try_from(host).unwrap_or(0),
            identity: device.identity.clone(),
            period_frames: device.period_frames,
            inputs: device.inputs,
            outputs: device.outputs,
            link_inputs: device.link_inputs.clone(),
            link_outputs: device.link_outputs.clone(),
            rate_hz,
            cushion_ms,
        }
    }

    pub(super) fn device(&self) -> Option<Device> {
        Some(Device {
            id: self.id.as_str().into(),
            host: *HOSTS.get(usize::from(self.host))?,
            identity: self.identity.clone(),
            period_frames: self.period_frames,
            inputs: self.inputs,
            outputs: self.outputs,
            link_inputs: self.link_inputs.clone(),
            link_outputs: self.link_outputs.clone(),
        })
    }
}

/// What a satellite says of its device.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(super) enum Said {
    /// It runs.
    Open { rate_hz: u32, nominal_hz: u32, period_frames: u32 },
    /// It cannot be opened, or has ended; nothing follows.
    Over { why: String },
    /// Late or lost blocks, so many since the last time.
    Xruns(u32),
    /// Something to show that changes nothing.
    Note(String),
    /// How the bridge to the device's outputs runs.
    Outgoing(Outgoing),
    /// By how much what leaves the device is late, ms: the bridge, and what the device says of itself.
    Late(f32),
}

/// [`BridgeReadings`] of the bridge to the outputs.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
pub(super) struct Outgoing {
    drift_ppm: f64,
    pitch_ppm: f64,
    locked: bool,
    fill_frames: f64,
    target_frames: f64,
    underruns: u64,
    crossfades: u64,
    dropped_frames: u64,
}

impl From<BridgeReadings> for Outgoing {
    fn from(r: BridgeReadings) -> Self {
        Self {
            drift_ppm: r.drift_ppm,
            pitch_ppm: r.pitch_ppm,
            locked: r.locked,
            fill_frames: r.fill_frames,
            target_frames: r.target_frames,
            underruns: r.underruns,
            crossfades: r.crossfades,
            dropped_frames: r.dropped_frames,
        }
    }
}

impl From<Outgoing> for BridgeReadings {
    fn from(o: Outgoing) -> Self {
        Self {
            drift_ppm: o.drift_ppm,
            pitch_ppm: o.pitch_ppm,
            locked: o.locked,
            fill_frames: o.fill_frames,
            target_frames: o.target_frames,
            underruns: o.underruns,
            crossfades: o.crossfades,
            dropped_frames: o.dropped_frames,
        }
    }
}

/// Appends something said.
pub(super) fn say(said: &impl Serialize, to: &mut Vec<u8>) {
    // Plain structs of numbers and text always become JSON; a number that is not finite becomes null there, and the record
    // is then passed over at the other end.
    let Ok(json) = serde_json::to_vec(said) else { return };
    head(SAID, json.len(), to);
    to.extend_from_slice(&json);
}

/// Appends the next block that was carried out of a callback; says whether there was one.
pub(super) fn forward(carried: &mut Carried, to: &mut Vec<u8>) -> bool {
    let start = to.len();
    to.resize(start + HEAD_BYTES + AUDIO_HEAD_BYTES, 0);
    let block = carried.next(|piece| to.extend(piece.iter().flat_map(|sample| sample.to_ne_bytes())));
    let Some(BlockHead { nanos, frames }) = block else {
        to.truncate(start);
        return false;
    };
    let mut heads = Vec::with_capacity(HEAD_BYTES + AUDIO_HEAD_BYTES);
    head(AUDIO, to.len() - start - HEAD_BYTES, &mut heads);
    heads.extend(nanos.to_ne_bytes());
    heads.extend(frames.to_ne_bytes());
    to[start..start + heads.len()].copy_from_slice(&heads);
    true
}

fn head(kind: u32, bytes: usize, to: &mut Vec<u8>) {
    to.extend(kind.to_ne_bytes());
    to.extend(u32::try_from(bytes).unwrap_or(u32::MAX).to_ne_bytes());
}

/// A record that has arrived.
#[derive(Debug)]
pub(super) enum Record<'a> {
    /// A block of audio, interleaved.
    Audio(BlockHead, &'a [f32]),
    /// JSON.
    Said(&'a [u8]),
}

/// Takes records from a socket.
#[derive(Debug)]
pub(super) struct Records<R> {
    from: R,
    bytes: Vec<u8>,
    samples: Vec<f32>,
}

impl<R: Read> Records<R> {
    pub(super) fn new(from: R) -> Self {
        Self { from, bytes: Vec::new(), samples: Vec::new() }
    }

    /// Waits for the next record.
    ///
    /// # Errors
    /// The other end is gone, or does not keep to the form.
    pub(super) fn next(&mut self) -> io::Result<Record<'_>> {
        let mut head = [0; HEAD_BYTES];
        self.from.read_exact(&mut head)?;
        let number = |bytes: &[u8]| bytes.try_into().map_or(0, u32::from_ne_bytes);
        let (kind, length) = (number(&head[..4]), number(&head[4..]) as usize);
        if length > RECORD_BYTES_MAX {
            return Err(unfit());
        }
        self.bytes.resize(length, 0);
        self.from.read_exact(&mut self.bytes)?;
        match kind {
            SAID => Ok(Record::Said(&self.bytes)),
            AUDIO if length >= AUDIO_HEAD_BYTES => {
                let nanos = self.bytes[..8].try_into().map_or(0, u64::from_ne_bytes);
                let frames = number(&self.bytes[8..AUDIO_HEAD_BYTES]);
                self.samples.clear();
                let samples = self.bytes[AUDIO_HEAD_BYTES..].chunks_exact(4);
                self.samples.extend(samples.map(|sample| sample.try_into().map_or(0.0, f32::from_ne_bytes)));
                Ok(Record::Audio(BlockHead { nanos, frames }, &self.samples))
            }
            _ => Err(unfit()),
        }
    }
}

fn unfit() -> io::Error {
    io::Error::new(io::ErrorKind::InvalidData, crate::words::log::NO_RECORD)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::handoff::carrier;

    #[test]
    fn records_arrive_as_they_were_sent() {
        let (mut to, mut carried) = carrier(2);
        let block = BlockHead { nanos: 123_456_789_012_345, frames: 3 };
        assert!(to.carry(&[0.1, -0.2, f32::MIN_POSITIVE, 1.0, -1.0, 0.0], block));
        let mut bytes = Vec::new();
        say(&Said::Xruns(7), &mut bytes);
        assert!(forward(&mut carried, &mut bytes));
        assert!(!forward(&mut carried, &mut bytes));
        let mut records = Records::new(&bytes[..]);
        assert!(matches!(records.next(), Ok(Record::Said(b"{\"Xruns\":7}"))));
        match records.next() {
            Ok(Record::Audio(head, samples)) => {
                assert_eq!((head, samples), (block, &[0.1, -0.2, f32::MIN_POSITIVE, 1.0, -1.0, 0.0][..]));
            }
            other => panic!("{other:?}"),
        }
        assert_eq!(records.next().map(|_| ()).map_err(|error| error.kind()), Err(io::ErrorKind::UnexpectedEof));
    }

    #[test]
    fn what_is_no_record_ends_the_conversation_and_takes_no_memory() {
        for bytes in [[9, 0, 0, 0, 0, 0, 0, 0], [1, 0, 0, 0, 255, 255, 255, 255], [1, 0, 0, 0, 0, 0, 0, 0]] {
            let error = Records::new(&bytes[..]).next().map(|_| ()).map_err(|error| error.kind());
            assert_eq!(error, Err(io::ErrorKind::InvalidData));
        }
    }
}
