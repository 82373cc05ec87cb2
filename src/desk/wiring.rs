//! From the rig to the engine: which wire is which channel of which device, and what feeds a channel.

use crate::profile::{Device, Host, Id, Input, InputFrom, Rig, Signal};
use crate::units::Decibels;
use std::path::PathBuf;

/// Where a channel's sound comes from, as the engine needs it.
#[derive(Clone, Debug, PartialEq)]
pub enum FeedSpec {
    /// Nothing: an emptied slot.
    Nothing,
    /// Wires of the callback.
    Wires(u16, Option<u16>),
    /// A file, read by a thread of its own.
    File {
        /// The file.
        path: PathBuf,
        /// Whether it starts again at its end.
        looped: bool,
        /// Whether two sides are taken.
        stereo: bool,
    },
    /// A signal made in the engine.
    Generator {
        /// Which signal.
        signal: Signal,
        /// Its level.
        level: Decibels,
    },
}

/// The devices in the order in which their channels are numbered as wires: the master clock first.
pub fn devices_by_wire(rig: &Rig) -> impl Iterator<Item = &Device> {
    let master = master(rig);
    let first = rig.devices.iter().filter(move |device| Some(&device.id) == master);
    first.chain(rig.devices.iter().filter(move |device| Some(&device.id) != master))
}

/// The device whose clock is the master.
#[must_use]
pub fn master(rig: &Rig) -> Option<&Id> {
    // Programs on this machine come and go, and their clock with them.
    let mut real = rig.devices.iter().filter(|device| device.host != Host::Application);
    rig.clock.as_ref().or_else(|| real.next().map(|device| &device.id))
}

/// The device that drives the engine; none while only the silent driver does.
#[must_use]
pub fn driving(rig: &Rig) -> Option<&Device> {
    let master = master(rig)?;
    rig.devices.iter().find(|device| device.id == *master)
}

fn wire(rig: &Rig, id: &Id, channel: u16, width: impl Fn(&Device) -> u16) -> Option<u16> {
    let mut base = 0;
    for device in devices_by_wire(rig) {
        if device.id == *id {
            return (channel < width(device)).then_some(base + channel);
        }
        base += width(device);
    }
    None
}

/// The wire of a device's input channel.
#[must_use]
pub fn input_wire(rig: &Rig, device: &Id, channel: u16) -> Option<u16> {
    wire(rig, device, channel, |device| device.inputs)
}

/// The wire of a device's output channel.
#[must_use]
pub fn output_wire(rig: &Rig, device: &Id, channel: u16) -> Option<u16> {
    wire(rig, device, channel, |device| device.outputs)
}

/// What feeds a channel that carries this input.
#[must_use]
pub fn feed_of(rig: &Rig, input: &Input) -> FeedSpec {
    match &input.from {
        InputFrom::Device { device, channels } => {
            let wire = |index: usize| channels.get(index).and_then(|channel| input_wire(rig, device, *channel));
            match wire(0) {
                Some(left) => FeedSpec::Wires(left, wire(1)),
                // The check has refused this; a wire that does not exist reads as silence.
                None => FeedSpec::Wires(u16::MAX, None),
            }
        }
        InputFrom::File { path, looped, stereo } => {
            FeedSpec::File { path: path.clone(), looped: *looped, stereo: *stereo }
        }
        InputFrom::Generator { signal, level } => FeedSpec::Generator { signal: *signal, level: *level },
    }
}
