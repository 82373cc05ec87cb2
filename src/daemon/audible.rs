//! `--audible` without a rig: the first output that can be found, as headphones, at -40 dB.

use crate::params::{Address, Key, Value};
use crate::ports::audio;
use crate::profile::{Device, Id, Installation, Output, OutputKind};
use crate::words::log;

/// Where the level of an output starts that nobody has described.
const FIRST_LEVEL_DB: f32 = -40.0;

/// Adds the first output device to an installation that has none. Its kind is headphones, so it has a limiter.
pub(super) fn add_output(installation: &mut Installation) {
    if !installation.rig.outputs.is_empty() {
        return;
    }
    let Some(found) = audio::list().into_iter().find(|device| device.outputs > 0) else {
        tracing::warn!("{}", log::NO_OUTPUT_DEVICE);
        return;
    };
    tracing::warn!("{}", log::audible(&found.description, &found.identity, FIRST_LEVEL_DB));
    let id = Id::from("found");
    let channels: Vec<u16> = (0..found.outputs.min(2)).collect();
    installation.rig.devices.push(Device {
        id: id.clone(),
        host: found.host,
        identity: found.identity,
        period_frames: None,
        inputs: 0,
        outputs: found.outputs.min(2),
        link_inputs: Vec::new(),
        link_outputs: Vec::new(),
    });
    let output = Id::from("headphones");
    installation.rig.outputs.push(Output { id: output.clone(), kind: OutputKind::Headphones, device: id, channels });
    installation.profile.values.insert(Address::new(Key::OutputLevel, &output), Value::Number(FIRST_LEVEL_DB));
}
