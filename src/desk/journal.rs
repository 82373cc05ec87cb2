//! The lines of the show journal: what happened and when, one JSON object to a line. No I/O.
//!
//! `longthrow run` writes them, `longthrow render --events` reads them, people write them by hand:
//!
//! ```text
//! {"t": 1.5, "set": "channel.lectern.fader", "value": -6.0}
//! {"frame": 96000, "midi": "B0 07 64", "port": "panel-a"}
//! {"t": 3, "osc": "/panel/fader-2", "args": [0.5]}
//! {"t": 10, "profile": "concert.toml"}
//! ```
//!
//! Every line has `frame` (from the start) or `t` (the same in seconds), and one key of [`KINDS`] that says
//! what it is. Reading is strict: what is unknown is an error. Only the last line may be torn, as a power cut
//! leaves it; it is reported and passed over.

use super::{By, Event};
use crate::panel::osc::{Argument, Message};
use crate::panel::{ControlIndex, PortIndex};
use crate::params::{Address, Domain, Value, nearest};
use crate::profile::{Id, Reach, Rig, Source, Texts};
use crate::units::{Frames, SampleRate};
use serde_json::{Map, Number, Value as Json, json};
use std::fmt;

/// The form of the lines; a journal of a newer form is refused.
pub const FORM: u64 = 1;
/// The longest line that is read: three texts of 4 MiB, with room for their escapes.
pub const LINE_BYTES_MAX: usize = 32 * 1024 * 1024;
/// Mistakes told of one journal.
const MISTAKES_MAX: usize = 200;

/// What kind a line is: the key that says so, and the keys that may stand beside it.
pub const KINDS: [(&str, &[&str]); 15] = [
    ("set", &["value", "by"]),
    ("set-all", &["by"]),
    ("midi", &["port"]),
    ("osc", &["args", "port"]),
    ("port-found", &[]),
    ("profile", &["text", "reread"]),
    ("restore", &["microphones-open"]),
    ("device-away", &[]),
    ("device-back", &["microphones-open"]),
    ("teach", &[]),
    ("fade-out", &[]),
    ("echo", &[]),
    ("note", &[]),
    ("jump", &[]),
    ("start", &["rate", "form"]),
];
/// The keys that every line may have.
const COMMON: [&str; 4] = ["frame", "t", "sequence", "from"];

/// When.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum At {
    /// A frame of the engine.
    Frame(Frames),
    /// Seconds from the start, as people write it.
    Seconds(f64),
}

impl At {
    /// The frame at this rate, the nearest one.
    #[must_use]
    pub fn frame(self, rate: SampleRate) -> Frames {
        match self {
            Self::Frame(frame) => frame,
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "checked when it was read")]
            Self::Seconds(seconds) => Frames((seconds * f64::from(rate.hz())).round() as u64),
        }
    }
}

/// One line.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// When it happened.
    pub at: At,
    /// The number of the batch that carries what the event asked for; the engine's echo of it tells when
    /// that was heard.
    pub sequence: Option<u64>,
    /// Who sent it, for people: an address, a port.
    pub from: Option<String>,
    /// What happened.
    pub what: What,
}

/// What happened.
#[derive(Clone, Debug, PartialEq)]
pub enum What {
    /// A parameter shall have a value.
    Set(Address, Value, By),
    /// Several shall, in one tick.
    SetAll(Vec<(Address, Value)>, By),
    /// Bytes of a control port.
    Midi(Id, Vec<u8>),
    /// A message of a control port; none is the first one of the rig that speaks OSC.
    Osc(Option<Id>, Message),
    /// A control port was found (again).
    PortFound(Id),
    /// Another profile, in a file; for people.
    ProfileFile {
        /// The file.
        path: String,
        /// Whether it is the profile in force, edited.
        reread: bool,
    },
    /// Files were accepted: everything that was checked, as it was.
    Profile {
        /// Where the profile came from, for people.
        name: String,
        /// The texts of rig, panel and profile.
        texts: Box<Texts>,
        /// Whether it is the profile in force, edited.
        reread: bool,
    },
    /// The mix of before a restart.
    Restore(Vec<(Address, Value)>, bool),
    /// A device is gone.
    DeviceAway(Id),
    /// A device is back; whether open microphones may come back open.
    DeviceBack(Id, bool),
    /// Controls close and lower only, or no longer.
    Teach(bool),
    /// The outputs shall fall silent.
    FadeOut,
    /// The engine took the batch or plan of this number in, at the frame of the line.
    Echo(u64),
    /// Something for people.
    Note(String),
    /// The time line left frames out.
    Jump {
        /// The first frame that was not made.
        from: Frames,
        /// The next that was.
        to: Frames,
    },
    /// A run begins.
    Start {
        /// Civil time, as RFC 3339 writes it.
        civil: String,
        /// Frames per second.
        rate: SampleRate,
    },
}

/// A line that cannot be read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mistake {
    /// Which line, counted from 1.
    pub line: usize,
    /// What is wrong and what is accepted.
    pub why: String,
}

impl fmt::Display for Mistake {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {}: {}", self.line, self.why)
    }
}

/// A journal that was read.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Journal {
    /// Its lines with their numbers, counted from 1.
    pub lines: Vec<(usize, Line)>,
    /// The last line, when it is torn: it was passed over.
    pub torn: Option<Mistake>,
}

/// Reads a journal. Empty lines are passed over.
///
/// # Errors
/// Every line that cannot be read, the first 200; then nothing of it is used.
pub fn read(bytes: &[u8]) -> Result<Journal, Vec<Mistake>> {
    let mut journal = Journal::default();
    let mut mistakes = Vec::new();
    let lines = bytes.split(|byte| *byte == b'\n').map(<[u8]>::trim_ascii).enumerate();
    let mut lines = lines.filter(|(_, line)| !line.is_empty()).peekable();
    while let Some((index, line)) = lines.next() {
        let number = index + 1;
        if line.len() > LINE_BYTES_MAX {
            mistakes.push(Mistake { line: number, why: format!("{} bytes; accepted: {LINE_BYTES_MAX}", line.len()) });
            continue;
        }
        match serde_json::from_slice::<Json>(line) {
            Err(error) => {
                let mistake = Mistake { line: number, why: format!("no JSON: {error}") };
                if lines.peek().is_none() { journal.torn = Some(mistake) } else { mistakes.push(mistake) }
            }
            Ok(json) => match Line::from_json(&json) {
                Ok(line) => journal.lines.push((number, line)),
                Err(why) => mistakes.push(Mistake { line: number, why }),
            },
        }
    }
    mistakes.truncate(MISTAKES_MAX);
    if mistakes.is_empty() { Ok(journal) } else { Err(mistakes) }
}

impl Journal {
    /// The frame at which each line takes effect, in that order.
    ///
    /// Where the journal holds echoes, an event takes effect when the batch that carried it did: at the
    /// first echo of its sequence number or a later one. Other events take effect at their own frame.
    #[must_use]
    pub fn timeline(&self, rate: SampleRate) -> Vec<(Frames, usize, &What)> {
        let mut echoes: Vec<(u64, Frames)> = self
            .lines
            .iter()
            .filter_map(|(_, line)| match line.what {
                What::Echo(sequence) => Some((sequence, line.at.frame(rate))),
                _ => None,
            })
            .collect();
        echoes.sort_by_key(|(sequence, _)| *sequence);
        let mut timeline: Vec<(Frames, usize, &What)> = self
            .lines
            .iter()
            .map(|(number, line)| {
                let heard = line.sequence.and_then(|sequence| {
                    let first = echoes.partition_point(|(echoed, _)| *echoed < sequence);
                    echoes.get(first).map(|(_, frame)| *frame)
                });
                (heard.unwrap_or_else(|| line.at.frame(rate)), *number, &line.what)
            })
            .collect();
        timeline.sort_by_key(|(frame, ..)| *frame);
        timeline
    }
}

// ---- lines and events ----

/// The control ports a journal may name: id, and whether it speaks OSC.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Ports(Vec<(Id, bool)>);

impl Ports {
    /// Those of a rig.
    #[must_use]
    pub fn of(rig: &Rig) -> Self {
        let speaks_osc = |reach: &Reach| matches!(reach, Reach::Osc { .. } | Reach::Node { .. });
        Self(rig.control_ports.iter().map(|port| (port.id.clone(), speaks_osc(&port.reach))).collect())
    }

    fn index(&self, id: &str) -> Result<PortIndex, String> {
        let known = self.0.iter().position(|(port, _)| **port == *id);
        known.map(PortIndex).ok_or_else(|| {
            let hint = nearest(id, self.0.iter().map(|(port, _)| &**port));
            let hint = hint.map(|near| format!("; the nearest is \"{near}\"")).unwrap_or_default();
            format!("the rig has no control port \"{id}\"{hint}")
        })
    }

    fn first_osc(&self) -> Result<PortIndex, String> {
        let first = self.0.iter().position(|(_, osc)| *osc);
        first.map(PortIndex).ok_or_else(|| "the rig has no control port that speaks OSC".to_owned())
    }

    fn id(&self, port: PortIndex) -> Id {
        // A port that is not in the rig is the sign of a mistake elsewhere; its number still says which.
        self.0.get(port.0).map_or_else(|| Id::from(format!("port-{}", port.0)), |(id, _)| id.clone())
    }
}

impl What {
    /// What the journal says of an event. Nothing of echoes and deadlines, which are no events of the show,
    /// and of installations, whose texts the event no longer has.
    #[must_use]
    pub fn of(event: &Event, ports: &Ports) -> Option<Self> {
        Some(match event {
            Event::Midi { port, bytes } => Self::Midi(ports.id(*port), bytes.clone()),
            Event::PanelOsc { port, message } => Self::Osc(Some(ports.id(*port)), message.clone()),
            Event::PortFound { port } => Self::PortFound(ports.id(*port)),
            Event::Set { address, value, by } => Self::Set(address.clone(), value.clone(), *by),
            Event::SetAll { values, by } => Self::SetAll(values.clone(), *by),
            Event::Restore { values, microphones_open } => Self::Restore(values.clone(), *microphones_open),
            Event::DeviceAway { device } => Self::DeviceAway(device.clone()),
            Event::DeviceBack { device, microphones_open } => Self::DeviceBack(device.clone(), *microphones_open),
            Event::Teach { begins } => Self::Teach(*begins),
            Event::FadeOut => Self::FadeOut,
            Event::Install { .. } | Event::Echo { .. } | Event::Deadline => return None,
        })
    }

    /// The event this line tells of; nothing for a line that is for people, or a profile, which has to be read and checked first.
    ///
    /// # Errors
    /// A control port that the rig does not have.
    pub fn event(&self, ports: &Ports) -> Result<Option<Event>, String> {
        Ok(Some(match self {
            Self::Set(address, value, by) => Event::Set { address: address.clone(), value: value.clone(), by: *by },
            Self::SetAll(values, by) => Event::SetAll { values: values.clone(), by: *by },
            Self::Midi(port, bytes) => Event::Midi { port: ports.index(port)?, bytes: bytes.clone() },
            Self::Osc(port, message) => {
                let port = port.as_ref().map_or_else(|| ports.first_osc(), |port| ports.index(port))?;
                Event::PanelOsc { port, message: message.clone() }
            }
            Self::PortFound(port) => Event::PortFound { port: ports.index(port)? },
            Self::Restore(values, microphones_open) => {
                Event::Restore { values: values.clone(), microphones_open: *microphones_open }
            }
            Self::DeviceAway(device) => Event::DeviceAway { device: device.clone() },
            Self::DeviceBack(device, microphones_open) => {
                Event::DeviceBack { device: device.clone(), microphones_open: *microphones_open }
            }
            Self::Teach(begins) => Event::Teach { begins: *begins },
            Self::FadeOut => Event::FadeOut,
            Self::ProfileFile { .. }
            | Self::Profile { .. }
            | Self::Echo(_)
            | Self::Note(_)
            | Self::Jump { .. }
            | Self::Start { .. } => return Ok(None),
        }))
    }
}

// ---- lines as text ----

impl fmt::Display for Line {
    /// The JSON text, without the end of the line.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut line = Map::new();
        match self.at {
            At::Frame(frame) => line.insert("frame".into(), frame.0.into()),
            At::Seconds(seconds) => line.insert("t".into(), seconds.into()),
        };
        if let Some(sequence) = self.sequence {
            line.insert("sequence".into(), sequence.into());
        }
        if let Some(from) = &self.from {
            line.insert("from".into(), from.as_str().into());
        }
        self.what.write(&mut line);
        write!(f, "{}", Json::Object(line))
    }
}

impl What {
    fn write(&self, line: &mut Map<String, Json>) {
        let mut put = |key: &str, value: Json| {
            line.insert(key.to_owned(), value);
        };
        match self {
            Self::Set(address, value, by) => {
                put("set", address.to_string().into());
                put("value", value_to_json(value));
                put("by", by_to_text(*by).into());
            }
            Self::SetAll(values, by) => {
                put("set-all", values_to_json(values));
                put("by", by_to_text(*by).into());
            }
            Self::Midi(port, bytes) => {
                put("midi", bytes_to_text(bytes).into());
                put("port", (**port).into());
            }
            Self::Osc(port, message) => {
                put("osc", message.address.as_str().into());
                put("args", message.arguments.iter().map(argument_to_json).collect());
                if let Some(port) = port {
                    put("port", (**port).into());
                }
            }
            Self::PortFound(port) => put("port-found", (**port).into()),
            Self::ProfileFile { path, reread } => {
                put("profile", path.as_str().into());
                put("reread", (*reread).into());
            }
            Self::Profile { name, texts, reread } => {
                put("profile", name.as_str().into());
                put("text", texts_to_json(texts));
                put("reread", (*reread).into());
            }
            Self::Restore(values, microphones_open) => {
                put("restore", values_to_json(values));
                put("microphones-open", (*microphones_open).into());
            }
            Self::DeviceAway(device) => put("device-away", (**device).into()),
            Self::DeviceBack(device, microphones_open) => {
                put("device-back", (**device).into());
                put("microphones-open", (*microphones_open).into());
            }
            Self::Teach(begins) => put("teach", (*begins).into()),
            Self::FadeOut => put("fade-out", true.into()),
            Self::Echo(sequence) => put("echo", (*sequence).into()),
            Self::Note(text) => put("note", text.as_str().into()),
            Self::Jump { from, to } => put("jump", json!({ "from": from.0, "to": to.0 })),
            Self::Start { civil, rate } => {
                put("start", civil.as_str().into());
                put("rate", rate.hz().into());
                put("form", FORM.into());
            }
        }
    }
}

/// A number as short as it reads back the same.
fn number_to_json(number: f32) -> Json {
    let short = format!("{number:?}").parse::<f64>().ok();
    #[expect(clippy::cast_possible_truncation, reason = "that is what is tried")]
    let exact = short.filter(|short| (*short as f32).to_bits() == number.to_bits());
    // What is not finite never gets here: ports and files refuse it.
    Number::from_f64(exact.unwrap_or(f64::from(number))).map_or(Json::Null, Json::Number)
}

fn value_to_json(value: &Value) -> Json {
    match value {
        Value::Number(number) => number_to_json(*number),
        Value::Off => "off".into(),
        Value::Word(word) => (**word).into(),
    }
}

fn values_to_json(values: &[(Address, Value)]) -> Json {
    values.iter().map(|(address, value)| json!({ "set": address.to_string(), "value": value_to_json(value) })).collect()
}

fn by_to_text(by: By) -> String {
    match by {
        By::Message { may_open_microphones: true } => "wired-control".into(),
        By::Message { may_open_microphones: false } => "network".into(),
        By::Desk => "desk".into(),
        By::Control(ControlIndex(index)) => format!("control-{index}"),
    }
}

fn bytes_to_text(bytes: &[u8]) -> String {
    let mut text = String::with_capacity(bytes.len() * 3);
    for (index, byte) in bytes.iter().enumerate() {
        text += &format!("{}{byte:02X}", if index > 0 { " " } else { "" });
    }
    text
}

fn argument_to_json(argument: &Argument) -> Json {
    match argument {
        Argument::Int(number) => (*number).into(),
        Argument::Float(number) => number_to_json(*number),
        Argument::Text(text) => text.as_str().into(),
        Argument::Bool(state) => (*state).into(),
        Argument::Blob(bytes) => json!({ "blob": bytes_to_text(bytes) }),
        Argument::Nothing => Json::Null,
    }
}

fn texts_to_json(texts: &Texts) -> Json {
    let source = |source: &Source| json!({ "name": source.name, "text": source.text });
    json!({
        "rig": texts.rig.iter().map(source).collect::<Vec<_>>(),
        "environment": texts.environment,
        "flags": texts.flags,
        "panel": texts.panel.as_ref().map(source),
        "profile": texts.profile.as_ref().map(source),
    })
}

impl Line {
    /// Reads one line.
    ///
    /// # Errors
    /// What is wrong, with what is accepted.
    pub fn parse(text: &str) -> Result<Self, String> {
        Self::from_json(&serde_json::from_str(text).map_err(|error| format!("no JSON: {error}"))?)
    }

    fn from_json(json: &Json) -> Result<Self, String> {
        let object = json.as_object().ok_or_else(|| found(json, "an object, {\"frame\": ..., ...}"))?;
        let keys = Keys(object);
        let kind = keys.kind()?;
        keys.no_others(kind)?;
        let at = match (object.get("frame"), object.get("t")) {
            (Some(frame), None) => At::Frame(Frames(whole("frame", frame)?)),
            (None, Some(seconds)) => {
                let accepted = "\"t\": seconds from the start, 0 or more";
                let number = seconds.as_f64().filter(|number| (0.0..=1.0e9).contains(number));
                At::Seconds(number.ok_or_else(|| found(seconds, accepted))?)
            }
            (Some(_), Some(_)) => return Err("both \"frame\" and \"t\"; accepted: one of them".into()),
            (None, None) => return Err("neither \"frame\" nor \"t\"; accepted: one of them".into()),
        };
        Ok(Self {
            at,
            sequence: object.get("sequence").map(|value| whole("sequence", value)).transpose()?,
            from: object.get("from").map(|value| text("from", value)).transpose()?,
            what: keys.what(kind)?,
        })
    }
}

fn found(value: &Json, accepted: &str) -> String {
    let mut shown = value.to_string();
    if shown.len() > 60 {
        shown = shown.chars().take(60).collect::<String>() + "...";
    }
    format!("found {shown}; accepted: {accepted}")
}

fn whole(key: &str, value: &Json) -> Result<u64, String> {
    value.as_u64().ok_or_else(|| found(value, &format!("\"{key}\": a whole number, 0 or more")))
}

fn text(key: &str, value: &Json) -> Result<String, String> {
    value.as_str().map(str::to_owned).ok_or_else(|| found(value, &format!("\"{key}\": a text")))
}

fn truth(key: &str, value: &Json) -> Result<bool, String> {
    value.as_bool().ok_or_else(|| found(value, &format!("\"{key}\": true or false")))
}

fn list<'a>(key: &str, value: &'a Json) -> Result<&'a Vec<Json>, String> {
    value.as_array().ok_or_else(|| found(value, &format!("\"{key}\": a list")))
}

/// The keys of a line.
#[derive(Clone, Copy)]
struct Keys<'a>(&'a Map<String, Json>);

impl<'a> Keys<'a> {
    /// The key that says what the line is.
    fn kind(self) -> Result<&'static str, String> {
        let mut kinds = KINDS.iter().filter(|(kind, _)| self.0.contains_key(*kind)).map(|(kind, _)| *kind);
        match (kinds.next(), kinds.next()) {
            (Some(kind), None) => Ok(kind),
            (Some(one), Some(two)) => Err(format!("both \"{one}\" and \"{two}\"; accepted: one of them in a line")),
            (None, _) => {
                let accepted: Vec<&str> = KINDS.iter().map(|(kind, _)| *kind).collect();
                let keys = self.0.keys().filter(|key| !COMMON.contains(&key.as_str()));
                let hint = keys.filter_map(|key| nearest(key, accepted.iter().copied())).next();
                let hint = hint.map(|near| format!("; the nearest is \"{near}\"")).unwrap_or_default();
                Err(format!("nothing that says what happened; accepted: one of {}{hint}", accepted.join(", ")))
            }
        }
    }

    fn no_others(self, kind: &'static str) -> Result<(), String> {
        let beside = KINDS.iter().find(|(known, _)| *known == kind).map_or(&[][..], |(_, beside)| beside);
        let mut accepted = COMMON.iter().chain(beside).copied();
        for key in self.0.keys() {
            if key != kind && !accepted.clone().any(|known| known == key) {
                let near = nearest(key, accepted.clone()).map(|near| format!("; the nearest is \"{near}\""));
                let first = accepted.next().unwrap_or_default();
                let rest = accepted.fold(first.to_owned(), |list, key| list + ", " + key);
                return Err(format!("key \"{key}\" beside \"{kind}\"; accepted: {rest}{}", near.unwrap_or_default()));
            }
        }
        Ok(())
    }

    fn need(self, kind: &str, key: &str) -> Result<&'a Json, String> {
        self.0.get(key).ok_or_else(|| format!("\"{kind}\" without \"{key}\""))
    }

    fn truth(self, key: &str) -> Result<bool, String> {
        self.0.get(key).map_or(Ok(false), |value| truth(key, value))
    }

    fn what(self, kind: &'static str) -> Result<What, String> {
        let value = self.need(kind, kind)?;
        let id = || text(kind, value).map(Id::from);
        Ok(match kind {
            "set" => {
                let (address, value) = self.assignment()?;
                What::Set(address, value, self.by()?)
            }
            "set-all" => What::SetAll(assignments(kind, value)?, self.by()?),
            "midi" => {
                let port = text("port", self.need(kind, "port")?)?;
                What::Midi(port.into(), bytes(&text(kind, value)?)?)
            }
            "osc" => {
                let address = text(kind, value)?;
                if !address.starts_with('/') {
                    return Err(found(value, "\"osc\": an address, as \"/panel/f7\""));
                }
                let arguments = self.0.get("args").map_or(Ok(Vec::new()), |args| {
                    list("args", args)?.iter().map(argument).collect::<Result<_, _>>()
                })?;
                let port = self.0.get("port").map(|port| text("port", port)).transpose()?;
                What::Osc(port.map(Id::from), Message { address, arguments })
            }
            "port-found" => What::PortFound(id()?),
            "profile" => {
                let (name, reread) = (text(kind, value)?, self.truth("reread")?);
                match self.0.get("text") {
                    None => What::ProfileFile { path: name, reread },
                    Some(texts) => What::Profile { name, texts: Box::new(read_texts(texts)?), reread },
                }
            }
            "restore" => What::Restore(assignments(kind, value)?, self.truth("microphones-open")?),
            "device-away" => What::DeviceAway(id()?),
            "device-back" => What::DeviceBack(id()?, self.truth("microphones-open")?),
            "teach" => What::Teach(truth(kind, value)?),
            "fade-out" => match truth(kind, value)? {
                true => What::FadeOut,
                false => return Err(found(value, "\"fade-out\": true")),
            },
            "echo" => What::Echo(whole(kind, value)?),
            "note" => What::Note(text(kind, value)?),
            "jump" => {
                let place = |key: &str| {
                    let place =
                        value.get(key).ok_or_else(|| found(value, "\"jump\": {\"from\": FRAME, \"to\": FRAME}"))?;
                    whole(key, place).map(Frames)
                };
                What::Jump { from: place("from")?, to: place("to")? }
            }
            _ => {
                let form = whole("form", self.need(kind, "form")?)?;
                if form != FORM {
                    return Err(format!("a journal of form {form}; accepted: {FORM}. A newer longthrow reads it"));
                }
                let rate = self.need(kind, "rate")?;
                let hz = u32::try_from(whole("rate", rate)?).ok().and_then(|hz| SampleRate::try_new(hz).ok());
                let rate = hz.ok_or_else(|| found(rate, "\"rate\": 8000 to 192000 Hz"))?;
                What::Start { civil: text(kind, value)?, rate }
            }
        })
    }

    fn by(self) -> Result<By, String> {
        let Some(by) = self.0.get("by") else { return Ok(By::Message { may_open_microphones: true }) };
        let word = text("by", by)?;
        let control = word.strip_prefix("control-").and_then(|index| index.parse().ok());
        match word.as_str() {
            "wired-control" => Ok(By::Message { may_open_microphones: true }),
            "network" => Ok(By::Message { may_open_microphones: false }),
            "desk" => Ok(By::Desk),
            _ => control
                .map(|index| By::Control(ControlIndex(index)))
                .ok_or_else(|| found(by, "\"by\": \"wired-control\", \"network\", \"desk\" or \"control-N\"")),
        }
    }

    /// An address and its value.
    fn assignment(self) -> Result<(Address, Value), String> {
        let path = text("set", self.need("set", "set")?)?;
        let address = Address::from_dotted(&path).map_err(|error| format!("\"{path}\": {error}"))?;
        let value = self.need("set", "value")?;
        // Range and words are for the desk to refuse, as it did when the journal was written.
        let taken = match value {
            Json::Number(number) => {
                #[expect(clippy::cast_possible_truncation, reason = "parameters are single precision")]
                let number = number.as_f64().unwrap_or(f64::NAN) as f32;
                number.is_finite().then_some(Value::Number(number))
            }
            Json::String(word) if word == "off" && matches!(address.key.parameter().domain, Domain::Number { .. }) => {
                Some(Value::Off)
            }
            Json::String(word) => Some(Value::Word(word.as_str().into())),
            _ => None,
        };
        let value = taken.ok_or_else(|| found(value, &format!("{path}: {}", address.key.parameter().accepted())))?;
        Ok((address, value))
    }
}

fn assignments(kind: &str, value: &Json) -> Result<Vec<(Address, Value)>, String> {
    let one = |item: &Json| {
        let accepted = format!("\"{kind}\": a list of {{\"set\": PATH, \"value\": VALUE}}");
        let object = item.as_object().filter(|object| object.len() == 2).ok_or_else(|| found(item, &accepted))?;
        Keys(object).assignment()
    };
    list(kind, value)?.iter().map(one).collect()
}

fn bytes(text: &str) -> Result<Vec<u8>, String> {
    let byte = |word: &str| {
        let digits = word.len() <= 2 && word.bytes().all(|byte| byte.is_ascii_hexdigit());
        u8::from_str_radix(word, 16).ok().filter(|_| digits)
    };
    let one = |word| byte(word).ok_or_else(|| format!("found \"{word}\"; accepted: bytes as \"B0 07 64\""));
    text.split_ascii_whitespace().map(one).collect()
}

fn argument(value: &Json) -> Result<Argument, String> {
    let accepted = "arguments: numbers, texts, true, false, null, {\"blob\": \"00 FF\"}";
    Ok(match value {
        Json::Null => Argument::Nothing,
        Json::Bool(state) => Argument::Bool(*state),
        Json::String(text) => Argument::Text(text.clone()),
        Json::Number(number) if number.is_f64() => {
            #[expect(clippy::cast_possible_truncation, reason = "as OSC carries it")]
            let number = number.as_f64().unwrap_or(f64::NAN) as f32;
            Argument::Float(Some(number).filter(|number| number.is_finite()).ok_or_else(|| found(value, accepted))?)
        }
        Json::Number(number) => {
            let number = number.as_i64().and_then(|number| i32::try_from(number).ok());
            Argument::Int(number.ok_or_else(|| found(value, "whole arguments of 32 bits"))?)
        }
        Json::Object(object) => match object.get("blob").and_then(Json::as_str) {
            Some(text) if object.len() == 1 => Argument::Blob(bytes(text)?),
            _ => return Err(found(value, accepted)),
        },
        Json::Array(_) => return Err(found(value, accepted)),
    })
}

fn read_texts(value: &Json) -> Result<Texts, String> {
    let wrong = || {
        found(value, "\"text\": {\"rig\": [...], \"environment\": [], \"flags\": [], \"panel\": ..., \"profile\": ...}")
    };
    let object = value.as_object().ok_or_else(wrong)?;
    if object.keys().any(|key| !["rig", "environment", "flags", "panel", "profile"].contains(&key.as_str())) {
        return Err(wrong());
    }
    let source = |value: &Json| {
        let part = |key: &str| value.get(key).and_then(Json::as_str).map(str::to_owned).ok_or_else(wrong);
        Ok::<_, String>(Source { name: part("name")?, text: part("text")? })
    };
    let maybe = |key: &str| object.get(key).filter(|value| !value.is_null()).map(source).transpose();
    let all =
        |key: &str| object.get(key).map_or(Ok(&[][..]), |value| value.as_array().map(Vec::as_slice).ok_or_else(wrong));
    let pairs = |key: &str| {
        let pair = |value: &Json| match value.as_array().map(Vec::as_slice) {
            Some([Json::String(name), Json::String(value)]) => Ok((name.clone(), value.clone())),
            _ => Err(wrong()),
        };
        all(key)?.iter().map(pair).collect::<Result<Vec<_>, _>>()
    };
    Ok(Texts {
        rig: all("rig")?.iter().map(source).collect::<Result<_, _>>()?,
        environment: pairs("environment")?,
        flags: pairs("flags")?,
        panel: maybe("panel")?,
        profile: maybe("profile")?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile;

    fn ports() -> Ports {
        Ports(vec![("panel-a".into(), false), ("table-top".into(), true)])
    }

    fn address(path: &str) -> Address {
        Address::from_dotted(path).expect(path)
    }

    fn again(what: What) -> What {
        let line = Line { at: At::Frame(Frames(123_456_789)), sequence: Some(9), from: Some("panel".into()), what };
        let text = line.to_string();
        assert!(!text.contains('\n'), "{text}");
        let read = Line::parse(&text).unwrap_or_else(|error| panic!("{text}: {error}"));
        assert_eq!(read, line, "{text}");
        read.what
    }

    /// Events have no equality; what they show tells them apart.
    #[test]
    fn every_event_that_is_journaled_survives() {
        let values = vec![
            (address("channel.a.fader"), Value::Number(-6.3)),
            (address("channel.a.fader"), Value::Off),
            (address("channel.a.assign.audition"), Value::Word("off".into())),
            (address("bus.programme.fader"), Value::Number(f32::MIN_POSITIVE)),
            (address("output.feed.source"), Value::Word("programme".into())),
        ];
        let arguments = vec![
            Argument::Int(-7),
            Argument::Float(1.0),
            Argument::Float(0.1),
            Argument::Float(f32::MAX),
            Argument::Text("a \"b\"\n\u{e9}".into()),
            Argument::Bool(true),
            Argument::Blob(vec![0, 255, 16]),
            Argument::Blob(vec![]),
            Argument::Nothing,
        ];
        let by = [
            By::Message { may_open_microphones: true },
            By::Message { may_open_microphones: false },
            By::Desk,
            By::Control(ControlIndex(12)),
        ];
        let mut events = vec![
            Event::Midi { port: PortIndex(0), bytes: vec![0xB0, 7, 0x64, 0xF8] },
            Event::Midi { port: PortIndex(0), bytes: vec![] },
            Event::PanelOsc { port: PortIndex(1), message: Message { address: "/panel/f7".into(), arguments } },
            Event::PortFound { port: PortIndex(1) },
            Event::Restore { values: values.clone(), microphones_open: true },
            Event::DeviceAway { device: "box".into() },
            Event::DeviceBack { device: "box".into(), microphones_open: false },
            Event::FadeOut,
        ];
        events.extend(by.map(|by| Event::SetAll { values: values.clone(), by }));
        events.extend(values.iter().map(|(address, value)| Event::Set {
            address: address.clone(),
            value: value.clone(),
            by: By::Desk,
        }));
        for event in events {
            let what = again(What::of(&event, &ports()).expect("it is journaled"));
            let back = what.event(&ports()).expect("the ports are known").expect("it is an event");
            assert_eq!(format!("{back:?}"), format!("{event:?}"));
        }
        let texts = Texts { environment: vec![("LONGTHROW_RATE_HZ".into(), "96000".into())], ..profile::demo() };
        let what = again(What::Profile { name: "show.toml".into(), texts: Box::new(texts.clone()), reread: true });
        let What::Profile { texts: back, .. } = what else { panic!("another kind came back") };
        assert_eq!(profile::check(&back).0, profile::check(&texts).0);
        again(What::ProfileFile { path: "a.toml".into(), reread: false });
        again(What::Echo(17));
        again(What::Note("xrun \u{2014} 3".into()));
        again(What::Jump { from: Frames(3), to: Frames(u64::MAX) });
        again(What::Start { civil: "2031-02-03T04:05:06Z".into(), rate: SampleRate::HZ_48000 });
    }

    #[test]
    fn lines_that_people_write_are_understood() {
        let journal = read(
            b"{\"t\": 1.5, \"set\": \"channel.lectern.fader\", \"value\": -6}\n\n\
              {\"frame\": 96, \"midi\": \"b0 7 64\", \"port\": \"panel-a\"}\r\n\
              {\"t\": 0, \"osc\": \"/panel/f7\"}",
        )
        .expect("all good");
        assert_eq!(journal.torn, None);
        let timeline = journal.timeline(SampleRate::HZ_48000);
        let order: Vec<(u64, usize)> = timeline.iter().map(|(frame, line, _)| (frame.0, *line)).collect();
        assert_eq!(order, [(0, 4), (96, 3), (72_000, 1)]);
        assert_eq!(*timeline[1].2, What::Midi("panel-a".into(), vec![0xB0, 7, 0x64]));
        let event = timeline[0].2.event(&ports()).expect("there is a port that speaks OSC");
        assert!(matches!(event, Some(Event::PanelOsc { port: PortIndex(1), .. })), "{event:?}");
    }

    #[test]
    fn a_torn_last_line_is_passed_over_and_any_other_broken_line_refuses_all() {
        let good = "{\"frame\":1,\"note\":\"a\"}\n";
        let torn = read(format!("{good}{{\"frame\":2,\"no").as_bytes()).expect("only the end is torn");
        assert_eq!((torn.lines.len(), torn.torn.map(|torn| torn.line)), (1, Some(2)));
        let torn = read(&[good.as_bytes(), b"{\"frame\":2,\"note\":\"\xC3"].concat()).expect("within a character too");
        assert_eq!(torn.torn.map(|torn| torn.line), Some(2));
        let mistakes = read(format!("{{\"frame\":2,\n{good}{{\"t\":-1,\"note\":\"\"}}\n").as_bytes()).expect_err("two");
        assert_eq!(mistakes.iter().map(|mistake| mistake.line).collect::<Vec<_>>(), [1, 3]);
    }

    #[test]
    fn what_is_not_accepted_is_told_with_what_is() {
        for (line, told) in [
            ("[1]", "accepted: an object"),
            ("{\"note\":\"a\"}", "neither \"frame\" nor \"t\""),
            ("{\"t\":1,\"frame\":1,\"note\":\"a\"}", "both \"frame\" and \"t\""),
            ("{\"t\":1}", "accepted: one of set, "),
            ("{\"t\":1,\"profil\":\"a\"}", "the nearest is \"profile\""),
            ("{\"t\":1,\"note\":\"a\",\"echo\":1}", "both \"echo\" and \"note\""),
            ("{\"t\":1,\"set\":\"channel.a.fader\",\"valu\":1}", "the nearest is \"value\""),
            ("{\"t\":1,\"set\":\"channel.a.fadr\",\"value\":1}", "the nearest is \"fader\""),
            ("{\"t\":1,\"set\":\"channel.a.fader\",\"value\":[]}", "accepted: channel.a.fader: -90.0 to +10.0 dB"),
            ("{\"t\":1,\"set\":\"channel.a.fader\",\"value\":1e60}", "accepted: channel.a.fader"),
            ("{\"t\":1,\"midi\":\"B0 1FF\",\"port\":\"a\"}", "accepted: bytes as"),
            ("{\"t\":1,\"midi\":\"B0\"}", "\"midi\" without \"port\""),
            ("{\"t\":1,\"osc\":\"f7\"}", "accepted: \"osc\": an address"),
            ("{\"t\":1,\"osc\":\"/f7\",\"args\":[[1]]}", "accepted: arguments"),
            ("{\"t\":-1,\"note\":\"a\"}", "0 or more"),
            ("{\"frame\":1.5,\"note\":\"a\"}", "a whole number"),
            ("{\"t\":0,\"start\":\"now\",\"rate\":48000,\"form\":2}", "a journal of form 2; accepted: 1"),
        ] {
            let error = Line::parse(line).expect_err(line);
            assert!(error.contains(told), "{line}: {error}");
        }
        let error = What::Midi("panel-b".into(), vec![]).event(&ports()).expect_err("no such port");
        assert!(error.contains("the nearest is \"panel-a\""), "{error}");
    }

    #[test]
    fn echoes_tell_when_events_were_heard() {
        let lines = "{\"frame\":100,\"sequence\":5,\"note\":\"a\"}\n{\"frame\":100,\"sequence\":6,\"note\":\"b\"}\n\
            {\"frame\":256,\"echo\":5}\n{\"frame\":300,\"note\":\"c\"}\n{\"frame\":512,\"echo\":7}\n\
            {\"frame\":600,\"sequence\":8,\"note\":\"d\"}\n";
        let journal = read(lines.as_bytes()).expect("all good");
        let heard: Vec<(u64, &str)> = journal
            .timeline(SampleRate::HZ_48000)
            .into_iter()
            .filter_map(|(frame, _, what)| match what {
                What::Note(text) => Some((frame.0, text.as_str())),
                _ => None,
            })
            .collect();
        assert_eq!(heard, [(256, "a"), (300, "c"), (512, "b"), (600, "d")]);
    }
}
