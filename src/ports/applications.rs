//! Programs on the same machine, through PipeWire: named virtual microphones and loudspeakers that a desktop program can
//! choose, as one device.
//!
//! Each is a null sink of PipeWire's, held by its own `pw-cli`; sound passes through its JACK library. What a program plays to
//! the virtual loudspeaker "from guest 2" comes out of `from guest 2:monitor_FL`; what goes into `to guest 2:input_FL` is heard
//! by a program that chose the virtual microphone "to guest 2". Neither passes a volume of the server's: a slider of the desktop
//! that somebody moved does not change the level on air.
//!
//! Names of the nodes are read from the ports that a device links to, so a [`Device`] says all there is to know. The session
//! manager links programs to their nodes again when these come back; we end when PipeWire does, and are opened anew.
//!
//! This runs in a satellite (see `daemon::satellite`), started through `pw-jack`.

use super::audio::{BlockSink, DeviceNotice, Format, OpenDevice, OpenError};
use super::jack_audio;
use super::notices::Keeper;
use crate::profile::Device;
use crate::units::SampleRate;
use serde_json::Value as Json;
use std::io::Write;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::SyncSender;

/// The program through which a satellite of this kind has to be started, so that it finds PipeWire's JACK library.
pub const STARTER: &str = "pw-jack";

/// Opens the nodes and links to them; see [`super::audio::open`].
pub(super) fn open(
    device: &Device,
    rate: Option<SampleRate>,
    sink: Box<dyn BlockSink>,
    notices: SyncSender<DeviceNotice>,
) -> Result<Box<dyn OpenDevice>, OpenError> {
    let mut holder = Holder::start(&nodes(device))?;
    let opened = jack_audio::open(device, rate, sink, notices.clone()).map_err(|error| match error {
        OpenError::NotThere(why) => OpenError::NotThere(format!("PipeWire does not run for this user: {why}")),
        other => other,
    })?;
    let mut told = false;
    let keeper = Keeper::start("applications", move || {
        if !told && holder.has_ended() {
            told = notices.try_send(DeviceNotice::Gone("PipeWire has ended".to_owned())).is_ok();
        }
    })
    .map_err(|error| OpenError::WaitAndRetry(format!("no thread for PipeWire's nodes: {error}")))?;
    Ok(Box::new(Opened { opened, _keeper: keeper }))
}

/// The JACK client first, then its nodes.
struct Opened {
    opened: Box<dyn OpenDevice>,
    _keeper: Keeper,
}

impl OpenDevice for Opened {
    fn format(&self) -> Format {
        self.opened.format()
    }

    fn latency_frames(&self) -> (u32, u32) {
        self.opened.latency_frames()
    }
}

/// A node that is to be there.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Node {
    name: String,
    class: &'static str,
    stereo: bool,
}

/// The nodes of a device, in the order of its channels.
fn nodes(device: &Device) -> Vec<Node> {
    let mut nodes: Vec<Node> = Vec::new();
    let linked = [(&device.link_inputs, "Audio/Sink"), (&device.link_outputs, "Audio/Source/Virtual")];
    for (ports, class) in linked {
        for (name, side) in ports.iter().filter_map(|port| port.rsplit_once(':')) {
            match nodes.iter_mut().find(|node| node.name == name && node.class == class) {
                Some(node) => node.stereo = true,
                None => nodes.push(Node { name: name.to_owned(), class, stereo: !side.ends_with("MONO") }),
            }
        }
    }
    nodes
}

impl Node {
    /// The line of `pw-cli` that makes it. The check leaves only letters, digits, spaces and a few signs in a name.
    fn line(&self) -> String {
        let position = if self.stereo { "FL FR" } else { "MONO" };
        // The lowest priority: a program that asked for no device by name gets a real one, where there is one.
        format!(
            "create-node adapter {{ factory.name = support.null-audio-sink node.name = \"{name}\" node.description = \"{name}\" \
             media.class = {class} audio.position = [ {position} ] priority.session = 1 priority.driver = 1 }}\n",
            name = self.name,
            class = self.class,
        )
    }
}

/// `pw-cli`, whose nodes are there as long as it is.
#[derive(Debug)]
struct Holder {
    child: Child,
    /// Kept open: at the end of its input `pw-cli` 0.3.65 turns in a circle.
    _input: ChildStdin,
}

impl Holder {
    fn start(nodes: &[Node]) -> Result<Self, OpenError> {
        // The kernel ends it together with the thread that started it, whatever happens to that: this is the main thread.
        let child = Command::new("setpriv")
            .args(["--pdeathsig", "KILL", "pw-cli"])
            .stdin(Stdio::piped())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn();
        let not_there = |error: std::io::Error| OpenError::NotThere(format!("PipeWire's pw-cli: {error}"));
        let mut child = child.map_err(not_there)?;
        let Some(mut input) = child.stdin.take() else {
            return Err(OpenError::NotThere("PipeWire's pw-cli takes no words".to_owned()));
        };
        let lines: String = nodes.iter().map(Node::line).collect();
        let written = input.write_all(lines.as_bytes());
        let holder = Self { child, _input: input };
        written.map_err(not_there)?;
        Ok(holder)
    }

    fn has_ended(&mut self) -> bool {
        !matches!(self.child.try_wait(), Ok(None))
    }
}

impl Drop for Holder {
    fn drop(&mut self) {
        // It may have ended already.
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

/// A volume of PipeWire's that is not at unity, for people.
#[derive(Clone, Debug, PartialEq)]
pub struct Volume {
    /// The device or program.
    pub name: String,
    /// Whether it is muted there.
    pub muted: bool,
    /// Gains of its channels, as factors.
    pub gains: Vec<f64>,
}

/// Volumes of sound devices that are not at unity, as `pw-dump` tells; nothing where PipeWire does not run.
#[must_use]
pub fn volumes_not_at_unity() -> Vec<Volume> {
    let dump = Command::new("pw-dump").stdin(Stdio::null()).stderr(Stdio::null()).output();
    dump.map(|dump| volumes(&dump.stdout)).unwrap_or_default()
}

fn volumes(dump: &[u8]) -> Vec<Volume> {
    let objects: Vec<Json> = serde_json::from_slice(dump).unwrap_or_default();
    objects.iter().filter_map(volume).collect()
}

/// The volume of one object of a dump, when it is a sound device whose volume is not 1 (within 0.1 dB).
fn volume(object: &Json) -> Option<Volume> {
    let info = &object["info"];
    let class = info["props"]["media.class"].as_str()?;
    if !class.starts_with("Audio/S") {
        return None;
    }
    let name = ["node.description", "node.name"].iter().find_map(|key| info["props"][*key].as_str())?;
    // The first set that has channels; others belong to monitors and filters.
    let props = info["params"]["Props"].as_array()?.iter().find(|props| props["channelVolumes"].is_array())?;
    let factor = props["volume"].as_f64().unwrap_or(1.0);
    let gains: Vec<f64> =
        props["channelVolumes"].as_array()?.iter().filter_map(Json::as_f64).map(|g| g * factor).collect();
    let muted = props["mute"].as_bool().unwrap_or(false);
    let off = |gain: &f64| (20.0 * gain.max(1e-9).log10()).abs() > 0.1;
    (muted || gains.iter().any(off)).then(|| Volume { name: name.to_owned(), muted, gains })
}

impl std::fmt::Display for Volume {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        if self.muted {
            return write!(
                f,
                "\"{}\" is muted in the sound server: \"wpctl status\" gives its number N, \"wpctl set-mute N 0\"",
                self.name
            );
        }
        let gains: Vec<String> =
            self.gains.iter().map(|gain| format!("{:+.1} dB", 20.0 * gain.max(1e-9).log10())).collect();
        write!(
            f,
            "\"{}\" is not at unity in the sound server ({}): \"wpctl status\" gives its number N, \"wpctl set-volume N 1.0\" \
             sets it; take the headphones off first",
            self.name,
            gains.join(", ")
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::Host;

    #[test]
    fn nodes_follow_from_the_links_of_a_device() {
        let ports = |names: &[&str]| names.iter().map(|name| (*name).to_owned()).collect::<Vec<_>>();
        let device = Device {
            id: "x".into(),
            host: Host::Application,
            identity: String::new(),
            period_frames: None,
            inputs: 3,
            outputs: 2,
            link_inputs: ports(&["from guest 2:monitor_FL", "from guest 2:monitor_FR", "a:monitor_MONO"]),
            link_outputs: ports(&["programme for encoder:input_FL", "programme for encoder:input_FR"]),
        };
        let node = |name: &str, class, stereo| Node { name: name.to_owned(), class, stereo };
        assert_eq!(
            nodes(&device),
            [
                node("from guest 2", "Audio/Sink", true),
                node("a", "Audio/Sink", false),
                node("programme for encoder", "Audio/Source/Virtual", true)
            ]
        );
        let line = nodes(&device)[1].line();
        assert!(line.contains("node.name = \"a\"") && line.contains("[ MONO ]") && line.ends_with("}\n"), "{line}");
    }

    /// As `pw-dump` of PipeWire 0.3.65 writes it, cut to what is read.
    #[test]
    fn volumes_that_are_not_at_unity_are_found_in_a_dump() {
        let dump = r#"[{"id": 40, "type": "PipeWire:Interface:Node", "info": {"props": {"media.class": "Audio/Sink",
            "node.name": "alsa_output.usb", "node.description": "USB Interface"}, "params": {"Props": [
            {"volume": 1.0, "mute": false, "channelVolumes": [0.125, 1.0]}, {"params": []}]}}},
            {"id": 41, "info": {"props": {"media.class": "Audio/Source", "node.name": "fine"}, "params": {"Props": [
            {"volume": 1.0, "mute": false, "channelVolumes": [1.0, 1.0]}]}}},
            {"id": 42, "info": {"props": {"media.class": "Audio/Source", "node.name": "still"}, "params": {"Props": [
            {"volume": 1.0, "mute": true, "channelVolumes": [1.0]}]}}},
            {"id": 43, "info": {"props": {"media.class": "Stream/Output/Audio", "node.name": "a program"}, "params": {"Props": [
            {"channelVolumes": [0.5]}]}}}, {"id": 0, "type": "PipeWire:Interface:Core", "info": null}]"#;
        let found = volumes(dump.as_bytes());
        let names: Vec<&str> = found.iter().map(|volume| &*volume.name).collect();
        assert_eq!(names, ["USB Interface", "still"]);
        assert!(found[0].to_string().contains("(-18.1 dB, +0.0 dB)"), "{}", found[0]);
        assert!(found[1].to_string().contains("muted"));
        assert!(volumes(b"").is_empty() && volumes(b"{}").is_empty());
    }
}
