//! What the three files say once they have been checked: rig, panel, profile.
//!
//! Everything here is sound: ids are unique and known, numbers lie in range, every reference resolves.
//! Equality ignores where a thing stood in its file, so moving a comment is not a change.

pub use super::scenes::{Part, Scene, SceneButton};
use crate::params::{Address, Law, Value};
use crate::units::{Decibels, SampleRate};
use std::collections::BTreeMap;
use std::net::{IpAddr, SocketAddr};
use std::path::PathBuf;
use std::sync::Arc;

/// An id as people write it: lower-case words with hyphens.
pub type Id = Arc<str>;

// ---- rig: audio devices, inputs, outputs, control ports, network, storage ----

/// The room's wiring: what `rig.toml` says.
#[derive(Clone, Debug, PartialEq)]
pub struct Rig {
    /// The rate of the whole desk; without it the first device's.
    pub rate: Option<SampleRate>,
    /// The device whose clock is the master; without it the first device.
    pub clock: Option<Id>,
    /// Audio devices in the order of the file.
    pub devices: Vec<Device>,
    /// Named sources, each one or two channels wide.
    pub inputs: Vec<Input>,
    /// Named places where sound leaves.
    pub outputs: Vec<Output>,
    /// Outputs that carry no sound: contacts of panel nodes.
    pub contacts: Vec<Contact>,
    /// Where the panel's bytes come in and go out.
    pub control_ports: Vec<ControlPort>,
    /// What the desk's own logic has to know of the wiring.
    pub console: RigConsole,
    /// OSC and who may use it.
    pub network: Network,
    /// Where state, journal and old revisions are kept; without it the state folder of the user.
    pub storage: Option<PathBuf>,
    /// Whom to call when something is wrong, as people say it.
    pub call: Option<String>,
}

/// Which library speaks to a device.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Host {
    /// ALSA, through cpal.
    Alsa,
    /// A JACK server (or PipeWire's JACK library), as one client.
    Jack,
    /// PulseAudio, through cpal; a feature of the build.
    PulseAudio,
    /// PipeWire, through cpal; a feature of the build.
    PipeWire,
    /// Virtual microphones and loudspeakers for programs on this machine, through PipeWire. No rig names it: it is the one
    /// device of all entries of kind "application", and never the master.
    Application,
}

/// An audio device.
#[derive(Clone, Debug, PartialEq)]
pub struct Device {
    /// Its id in the rig.
    pub id: Id,
    /// Which library speaks to it.
    pub host: Host,
    /// The stable identity that `longthrow ports` prints; for JACK the server's name, empty for the default one.
    pub identity: String,
    /// Frames in a period, when asked for.
    pub period_frames: Option<u32>,
    /// How many of its inputs are opened.
    pub inputs: u16,
    /// How many of its outputs are opened.
    pub outputs: u16,
    /// JACK only: ports to link to, in order of channels; empty means none are linked by us.
    pub link_inputs: Vec<String>,
    /// JACK only: ports to link from ours, in order of channels.
    pub link_outputs: Vec<String>,
}

/// What an input is; promise 5 and the tallies hang on it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum InputKind {
    /// Somebody may speak into it.
    Microphone,
    /// A line from equipment.
    Line,
    /// A remote person.
    Guest,
    /// A player of recorded sound.
    Player,
}

/// A named source: where its one or two channels come from.
#[derive(Clone, Debug, PartialEq)]
pub struct Input {
    /// Its id.
    pub id: Id,
    /// What it is.
    pub kind: InputKind,
    /// Where the sound comes from.
    pub from: InputFrom,
}

impl Input {
    /// 1 for mono, 2 for stereo.
    #[must_use]
    pub fn width(&self) -> usize {
        match &self.from {
            InputFrom::Device { channels, .. } => channels.len(),
            InputFrom::File { stereo, .. } => {
                if *stereo {
                    2
                } else {
                    1
                }
            }
            InputFrom::Generator { .. } => 1,
        }
    }
}

/// Where an input's sound comes from.
#[derive(Clone, Debug, PartialEq)]
pub enum InputFrom {
    /// Channels of a device, counted from 0 (files count from 1).
    Device {
        /// Which device.
        device: Id,
        /// One or two channels.
        channels: Vec<u16>,
    },
    /// A WAV file, resolved against the folder of the rig.
    File {
        /// The file.
        path: PathBuf,
        /// Whether it starts again at its end.
        looped: bool,
        /// Whether two channels are taken from it (a mono file then feeds both).
        stereo: bool,
    },
    /// A signal made here.
    Generator {
        /// Which signal.
        signal: Signal,
        /// Its level: peak for the sine, RMS for the others.
        level: Decibels,
    },
}

/// A signal made by the desk itself.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Signal {
    /// A sine of this frequency in Hz.
    Sine {
        /// Frequency in Hz.
        hertz: f32,
    },
    /// Pink noise, -3 dB per octave.
    Pink {
        /// Which of the endless noises.
        seed: u32,
    },
    /// Noise with the spectrum and the syllables of speech.
    SpeechLike {
        /// Which of the endless talkers.
        seed: u32,
    },
    /// Nothing.
    Silence,
}

/// What hangs on an output; headphones and loudspeakers always have a limiter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OutputKind {
    /// On somebody's ears.
    Headphones,
    /// In a room.
    Loudspeaker,
    /// Equipment.
    Line,
    /// An encoder or recorder.
    Feed,
    /// A program on this machine: an encoder, or what makes a guest's call.
    Application,
    /// A file beside the show, as a render writes one of a bus. The desk's logic takes it for nobody's ear.
    File,
}

/// A place where sound leaves the desk.
#[derive(Clone, Debug, PartialEq)]
pub struct Output {
    /// Its id.
    pub id: Id,
    /// What hangs on it.
    pub kind: OutputKind,
    /// Which device.
    pub device: Id,
    /// One or two of its channels, counted from 0.
    pub channels: Vec<u16>,
}

/// A contact of a panel node: a start line, a room lamp, a loudspeaker mute.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Contact {
    /// Its id.
    pub id: Id,
    /// The control port of its node.
    pub port: Id,
    /// What the node calls it.
    pub name: String,
    /// Whether it is closed when the node has lost the desk, and until somebody says otherwise.
    pub safe_closed: bool,
    /// It makes pulses of this width, timed by the node; without it, it stands open or closed.
    pub pulse_ms: Option<u16>,
}

/// What the desk's own logic has to know of the wiring: who stands in which room.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct RigConsole {
    /// Rooms in the order of the file.
    pub rooms: Vec<Room>,
    /// Sources that are started from the desk.
    pub starts: Vec<RemoteStart>,
}

/// The lines by which a source is started and stopped.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RemoteStart {
    /// The input.
    pub input: Id,
    /// The contact whose pulse starts it.
    pub start: Id,
    /// The contact whose pulse stops it, if it is to be stopped.
    pub stop: Option<Id>,
}

/// A room with microphones, and what has to be dark and silent in it, or lit, for their sake.
#[derive(Clone, Debug, PartialEq)]
pub struct Room {
    /// Its id.
    pub id: Id,
    /// What people call it.
    pub label: String,
    /// Inputs of kind microphone that stand in it.
    pub microphones: Vec<Id>,
    /// Loudspeakers in it, that are muted while one of its microphones is live.
    pub loudspeakers: Vec<Id>,
    /// The contact that lights its lamp.
    pub lamp: Option<Id>,
    /// The contact that mutes its loudspeakers besides.
    pub mute: Option<Id>,
    /// How much later its loudspeakers sound than the desk says, ms.
    pub latency_ms: f32,
    /// How long its loudspeakers wait after the last microphone closed, ms.
    pub decay_ms: u32,
}

/// Where a panel's bytes come in and go out.
#[derive(Clone, Debug, PartialEq)]
pub struct ControlPort {
    /// Its id; the panel file names it.
    pub id: Id,
    /// How it is reached.
    pub reach: Reach,
}

/// How a control port is reached.
#[derive(Clone, Debug, PartialEq)]
pub enum Reach {
    /// A MIDI port of the system, by client and port name.
    Midi {
        /// The name, or a part of it that fits one port only.
        name: String,
    },
    /// A port of ours on a JACK server, linked to that port.
    JackMidi {
        /// Server name, empty for the default one.
        server: String,
        /// Port to link from, or empty to wait for somebody to link.
        link_input: String,
        /// Port to link to, or empty.
        link_output: String,
    },
    /// A serial line that carries MIDI bytes.
    Serial {
        /// The device file.
        path: PathBuf,
        /// Bits per second.
        baud: u32,
    },
    /// OSC from this address (any sending port); lamps are answered to the port it sent from or to `reply`.
    Osc {
        /// Whose datagrams these are.
        address: IpAddr,
        /// Where feedback goes, when not to where the datagrams come from.
        reply: Option<SocketAddr>,
    },
    /// A panel node that speaks the wire of `configs/node/WIRE.md`.
    Node {
        /// How it is reached.
        line: NodeLine,
        /// The slot that its straps have to say.
        slot: Option<u8>,
    },
}

/// How a panel node is reached.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NodeLine {
    /// OSC in SLIP frames on a serial line.
    Serial {
        /// The device file.
        path: PathBuf,
        /// Bits per second.
        baud: u32,
    },
    /// OSC over UDP; only what comes from there is the node's.
    Udp {
        /// Where the node waits and sends from.
        address: SocketAddr,
    },
}

/// What a remote address may do; each role may do all that the ones before it may.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Role {
    /// Read values and follow meters.
    See,
    /// Move what a panel may move.
    Operate,
    /// Change profiles.
    Administer,
}

/// OSC and who may use it.
#[derive(Clone, Debug, PartialEq)]
pub struct Network {
    /// Where OSC is listened for; loopback unless the rig says more.
    pub listen: SocketAddr,
    /// Remote addresses with a role each; loopback always administers.
    pub remotes: BTreeMap<IpAddr, Role>,
    /// Local interface addresses that are wired control, on which network OSC may open microphones.
    pub wired_control: Vec<IpAddr>,
    /// Standing followers of meters.
    pub followers: Vec<Follower>,
}

/// Somebody who always gets meters.
#[derive(Clone, Debug, PartialEq)]
pub struct Follower {
    /// Where to.
    pub address: SocketAddr,
    /// Which meters: an OSC pattern over meter paths.
    pub pattern: String,
    /// How often.
    pub rate_hz: f32,
}

// ---- panel: the physical controls ----

/// The controls: what `panel.toml` says.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Panel {
    /// Every control and lamp.
    pub controls: Vec<Control>,
}

/// One control or lamp.
#[derive(Clone, Debug, PartialEq)]
pub struct Control {
    /// Its id, as the profile names it.
    pub id: Id,
    /// Where it sits, for people.
    pub place: String,
    /// What it is.
    pub kind: ControlKind,
    /// The control port its bytes come in by.
    pub port: Id,
    /// What it says on the wire.
    pub message: Message,
    /// From raw position 0 to 1 (already divided by the message's range) to travel 0 to 1.
    pub calibration: Option<Law>,
    /// How far a fader goes from stop to stop, in mm: for people who are told how far to move it.
    pub travel_mm: f32,
    /// Whether the desk tells it (a motor, a ring, a lamp) when something else moved its parameter.
    pub feedback: bool,
}

/// What a control is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ControlKind {
    /// Slides between two stops; its bottom stop closes.
    Fader,
    /// Turns between two stops.
    Knob,
    /// Turns for ever and says how far.
    Encoder(StepCoding),
    /// Springs back; each press steps its parameter on.
    Momentary,
    /// Springs back; its parameter is on only as long as it is held.
    Hold,
    /// Stays where it is put; its state is its parameter's.
    Latching,
    /// Shows, and is never moved.
    Lamp,
}

/// How a relative encoder writes a step into 7 bits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StepCoding {
    /// Two's complement: 1 is +1, 127 is -1.
    TwosComplement,
    /// Offset binary: 65 is +1, 63 is -1, 64 is none.
    OffsetBinary,
    /// Sign in bit 6: 1 is +1, 65 is -1.
    SignMagnitude,
}

/// What a control says on the wire. MIDI channels are 0 to 15 here; files count them from 1.
#[derive(Clone, Debug, PartialEq)]
pub enum Message {
    /// A 7-bit controller.
    ControlChange {
        /** MIDI channel. */
        channel: u8,
        /** Controller. */
        number: u8,
    },
    /// A coarse controller 0 to 31 and its fine partner 32 higher.
    ControlChange14 {
        /** MIDI channel. */
        channel: u8,
        /** Coarse controller. */
        number: u8,
    },
    /// A non-registered parameter number, set by data entry.
    Nrpn {
        /** MIDI channel. */
        channel: u8,
        /** 0 to 16383. */
        number: u16,
    },
    /// Pitch bend, 14 bits.
    PitchBend {
        /** MIDI channel. */
        channel: u8,
    },
    /// Note on presses, note off (or velocity 0) releases.
    Note {
        /** MIDI channel. */
        channel: u8,
        /** Key. */
        number: u8,
    },
    /// A program change of this number is a press.
    ProgramChange {
        /** MIDI channel. */
        channel: u8,
        /** Program. */
        number: u8,
    },
    /// An OSC message at this address: a float or int from `lowest` to `highest`, a boolean, or no argument (a press).
    Osc {
        /** Whole address. */
        address: String,
        /** Value of the bottom. */
        lowest: f32,
        /** Value of the top. */
        highest: f32,
    },
}

// ---- profile: one show ----

/// One show: what a profile says.
#[derive(Clone, Debug, PartialEq)]
pub struct Profile {
    /// What people call it.
    pub name: String,
    /// Channels in the order of the file.
    pub channels: Vec<Channel>,
    /// Buses in the order of the file; programme and audition always exist.
    pub buses: Vec<Bus>,
    /// Gain groups in the order of the file.
    pub gain_groups: Vec<GainGroup>,
    /// Which control moves what.
    pub moves: Vec<Move>,
    /// What the desk's own logic has to know of the show.
    pub console: ShowConsole,
    /// The starting mix: every value the file mentions, by address. What it does not mention has its default.
    pub values: BTreeMap<Address, Value>,
    /// Scenes in the order of the file.
    pub scenes: Vec<Scene>,
    /// Buttons and lamps of scenes.
    pub scene_buttons: Vec<SceneButton>,
}

/// A channel.
#[derive(Clone, Debug, PartialEq)]
pub struct Channel {
    /// Its id.
    pub id: Id,
    /// Its id before it was renamed.
    pub was: Option<Id>,
    /// What the strip shows.
    pub label: String,
}

/// A bus; always stereo.
#[derive(Clone, Debug, PartialEq)]
pub struct Bus {
    /// Its id.
    pub id: Id,
    /// Its id before it was renamed.
    pub was: Option<Id>,
    /// What the strip shows.
    pub label: String,
    /// What it carries of another bus.
    pub minus: Option<Minus>,
}

/// A mix-minus: another bus without somebody's own share.
#[derive(Clone, Debug, PartialEq)]
pub struct Minus {
    /// The other bus.
    pub of: Id,
    /// The channels whose share is left out: those of one person, or of one line.
    pub less: Vec<Id>,
    /// The bus that is carried instead, less the same, while none of these channels is open.
    pub off_air: Option<Id>,
}

/// A control over the gains of several channels.
#[derive(Clone, Debug, PartialEq)]
pub struct GainGroup {
    /// Its id.
    pub id: Id,
    /// Its id before it was renamed.
    pub was: Option<Id>,
    /// What the strip shows.
    pub label: String,
    /// The channels.
    pub members: Vec<Id>,
}

/// What the desk's own logic has to know of a show.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct ShowConsole {
    /// Talkbacks in the order of the file.
    pub talkbacks: Vec<Talkback>,
    /// What a panic does.
    pub panic: PanicLadder,
}

/// A microphone by which the people at the desk speak to others, and nobody on air hears it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Talkback {
    /// Its id.
    pub id: Id,
    /// What people call it.
    pub label: String,
    /// Its input.
    pub source: Id,
    /// The buses it may speak to; none is on air.
    pub to: Vec<Id>,
    /// The buses that its slate goes to, on air or not.
    pub slate: Vec<Id>,
}

/// What each rung of a panic does.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct PanicLadder {
    /// The one channel whose microphone the first rung leaves open.
    pub host: Option<Id>,
    /// The channels of the safe mix, each with its fader.
    pub safe: Vec<(Id, f32)>,
    /// The channel that is the programme on the last rung.
    pub fallback: Option<Id>,
}

/// A control and the parameter it moves.
#[derive(Clone, Debug, PartialEq)]
pub struct Move {
    /// The control's id in the panel.
    pub control: Id,
    /// What it moves (or, for a lamp, shows).
    pub target: Address,
    /// From travel to value, instead of the parameter's taper.
    pub response: Option<Law>,
    /// Encoders only: how far one step goes, in the parameter's unit.
    pub step: Option<f32>,
    /// How the control takes over when its place and the desk's value differ.
    pub rejoin: Rejoin,
}

/// How a control takes over when its place and the desk's value differ.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Rejoin {
    /// Nothing until the control passes the value; a move down is obeyed once it is below it.
    #[default]
    Meet,
    /// The way left to the stop covers the values left.
    Converge,
    /// Taken at once, with the parameter's glide.
    AtOnce,
}

impl Output {
    /// Whether it is for the people at the desk and not for an audience by its kind.
    #[must_use]
    pub fn is_monitor(&self) -> bool {
        matches!(self.kind, OutputKind::Headphones | OutputKind::Loudspeaker)
    }

    /// Whether an encoder or recorder may hang on it.
    #[must_use]
    pub const fn is_feed(&self) -> bool {
        matches!(self.kind, OutputKind::Feed | OutputKind::Application)
    }

    /// Whether it may lead to the ear of one guest: by a line, or by a program that makes the call. What a feed or loudspeakers carry
    /// has listeners.
    #[must_use]
    pub const fn may_be_an_ear(&self) -> bool {
        matches!(self.kind, OutputKind::Line | OutputKind::Application)
    }
}

impl RigConsole {
    /// Whether a contact is the lamp or the mute of a room: then only the truth moves it.
    #[must_use]
    pub fn is_of_a_room(&self, contact: &str) -> bool {
        let mut owned = self.rooms.iter().flat_map(|room| room.lamp.iter().chain(&room.mute));
        owned.any(|id| **id == *contact)
    }

    /// Whether an output leads out of the rooms in which the desk is worked.
    #[must_use]
    pub fn is_outside(&self, output: &Output) -> bool {
        match output.kind {
            OutputKind::Feed | OutputKind::Line | OutputKind::Application => true,
            OutputKind::Headphones | OutputKind::File => false,
            // What is in a room is muted for its microphones; what is in none plays to an audience.
            OutputKind::Loudspeaker => !self.rooms.iter().any(|room| room.loudspeakers.contains(&output.id)),
        }
    }
}

impl Rig {
    /// The input of this id.
    #[must_use]
    pub fn input(&self, id: &str) -> Option<&Input> {
        self.inputs.iter().find(|input| &*input.id == id)
    }
}

impl Profile {
    /// The scene of this id.
    #[must_use]
    pub fn scene(&self, id: &str) -> Option<&Scene> {
        self.scenes.iter().find(|scene| &*scene.id == id)
    }

    /// The value the profile gives a parameter: its own, or else the default.
    #[must_use]
    pub fn value(&self, address: &Address) -> Option<Value> {
        self.values.get(address).cloned().or_else(|| address.key.parameter().default_value())
    }
}
