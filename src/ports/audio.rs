//! Audio devices as ports: one way to open them all, and what a driver has to be.
//!
//! A device calls a [`BlockSink`] from its real-time callback with inputs and outputs together. What happens beside the
//! audio (loss, xruns, changes of period) arrives as [`DeviceNotice`]s, counted together and at most ten of a kind a
//! second. A device that stops calling without saying so is possible with every library here (a stopped server, a plug-in
//! that lost its own): whoever opens one also watches that blocks come.

use super::{applications, cpal_audio, jack_audio};
use crate::engine::wires::Wires;
use crate::profile::{Device, Host};
use crate::units::SampleRate;
use std::fmt;
use std::sync::mpsc::SyncSender;

/// The most channels of a device in each direction.
pub const MAX_CHANNELS: usize = 256;

/// Called from the device's real-time callback, once for all of its channels.
pub trait BlockSink: Send {
    /// Takes the inputs of one block and gives its outputs; outputs not written are silent. A block has 1 to 8,192 frames and
    /// its size may change from one to the next.
    ///
    /// Real-time: safe, and so must every implementation be
    fn block(&mut self, wires: &mut dyn Wires, time: BlockTime);
}

/// When a block was asked for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct BlockTime {
    /// When the callback was entered, on the clock of [`super::clock::nanos`].
    pub nanos: u64,
    /// Frames that the device went on without us since the last block, by its own count; 0 when it has none. A stall of the
    /// device itself is not in it (a JACK server counts no frames meanwhile): that shows in `nanos`.
    pub missed_frames: u32,
    /// When the device's own period began and when it needs the block, on the same clock; nothing when it does not say.
    pub cycle: Option<(u64, u64)>,
}

/// How a device runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Format {
    /// Frames per second by the device's own clock.
    pub rate: SampleRate,
    /// Frames in a block, as far as the device keeps to it.
    pub period_frames: u32,
    /// Inputs opened.
    pub inputs: usize,
    /// Outputs opened.
    pub outputs: usize,
}

/// What a device has to say beside its audio.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum DeviceNotice {
    /// It will not call again: close it, and try to open it anew. Sent once.
    Gone(String),
    /// Blocks were late or lost, so often since the last notice.
    Xruns(u32),
    /// Input and output callbacks had drifted apart by an xrun and were brought together again by a cross-fade of
    /// 10 ms, so often since the last notice.
    Rejoins(u32),
    /// Blocks have this many frames from now on.
    Period(u32),
    /// The device runs at this rate in Hz from now on.
    Rate(u32),
    /// A port named in the rig is linked to ours.
    Linked(String),
    /// A port named in the rig is not there, or refused the link; tried again when it appears.
    LinkMissing(String),
}

/// A device that runs. Dropping it closes it and gives back the sink; that can take as long as the device's library
/// likes, for ever with a stopped server, so it is done on a thread that may hang.
pub trait OpenDevice: Send {
    /// How it runs now.
    fn format(&self) -> Format;
    /// Frames of delay that the device states for its inputs and outputs, those of our own reserve included.
    fn latency_frames(&self) -> (u32, u32);
}

/// Why a device could not be opened, cut by what the caller does next.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum OpenError {
    /// Somebody else has it, or a resource is short: try again shortly.
    WaitAndRetry(String),
    /// The device or its server is not there: go on without, and keep trying.
    NotThere(String),
    /// It cannot work as the rig asks: say so, and wait for another rig or another build.
    Refused(String),
}

impl fmt::Display for OpenError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::WaitAndRetry(why) | Self::NotThere(why) | Self::Refused(why) => f.write_str(why),
        }
    }
}

impl std::error::Error for OpenError {}

/// Opens a device and starts it; `sink` is called from then on. With a rate the device runs at that rate or is refused,
/// without one at 48 kHz where the device has a choice. May take seconds: a thread of its own waits for it.
///
/// # Errors
/// See [`OpenError`]; `sink` is dropped.
pub fn open(
    device: &Device,
    rate: Option<SampleRate>,
    sink: Box<dyn BlockSink>,
    notices: SyncSender<DeviceNotice>,
) -> Result<Box<dyn OpenDevice>, OpenError> {
    let (inputs, outputs) = (usize::from(device.inputs), usize::from(device.outputs));
    if inputs > MAX_CHANNELS || outputs > MAX_CHANNELS {
        return Err(OpenError::Refused(format!(
            "{inputs} inputs and {outputs} outputs asked for; at most {MAX_CHANNELS} of each"
        )));
    }
    if inputs == 0 && outputs == 0 {
        return Err(OpenError::Refused("neither inputs nor outputs asked for".into()));
    }
    let _page_found_before_the_callback = super::clock::nanos();
    match device.host {
        Host::Jack => jack_audio::open(device, rate, sink, notices),
        Host::Application => applications::open(device, rate, sink, notices),
        Host::Alsa | Host::PulseAudio | Host::PipeWire => cpal_audio::open(device, rate, sink, notices),
    }
}

/// A device that could be opened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Listed {
    /// Through which library.
    pub host: Host,
    /// What the rig's `identity` is set to.
    pub identity: String,
    /// What people call it.
    pub description: String,
    /// Its inputs; 0 without, or when it would have to be opened to be asked and is busy.
    pub inputs: u16,
    /// Its outputs, likewise.
    pub outputs: u16,
    /// Rates it runs at in Hz, as far as it says: single ones, or the ends of a range.
    pub rates: Vec<u32>,
}

/// Every device that can be found now. Asks each of them, which may take seconds.
#[must_use]
pub fn list() -> Vec<Listed> {
    let mut listed = jack_audio::list();
    listed.extend(cpal_audio::list());
    listed
}

/// Whether a device of a rig is on this machine now, busy or not. What is made here always is.
#[must_use]
pub fn is_there(device: &Device) -> bool {
    match device.host {
        Host::Application => true,
        Host::Jack => jack_audio::is_there(&device.identity),
        Host::Alsa | Host::PulseAudio | Host::PipeWire => cpal_audio::is_there(device),
    }
}
