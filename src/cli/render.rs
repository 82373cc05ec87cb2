//! `longthrow render`: the same desk and engine, offline, from files into files.
//!
//! The rig is kept, with three changes: inputs named by `--input` take their channels from a file, each bus that
//! is wanted gets an output of its own (0 dB, after the bus fader), and everything that goes into a file hangs
//! on a device of our own, which is the master clock. Nothing fades in at the beginning: what is open is heard
//! from frame 0. The result depends on the arguments alone, not on the environment.

use super::check::{read_bounded, to_text};
use super::{complain, exit, print, print_json};
use crate::daemon::offline::Offline;
use crate::daemon::player::{FileSource, PatientTape};
use crate::desk::journal::{self, Journal, Ports, What};
use crate::desk::{Desk, Effects, Event, FLOOR_DBFS, LipSync, wiring};
use crate::dsp::lanes::{Form, Vectors};
use crate::dsp::level::db_from_linear;
use crate::engine::limits::{OUTPUT_COLUMNS, TICK};
use crate::engine::wires::{copy_what_exists, write_what_exists};
use crate::engine::{Bank, Feed, MeterFrame, Wires};
use crate::params::{Address, Key, Value, nearest};
use crate::ports::wav::Writer;
use crate::profile::{self, Device, Host, Id, InputFrom, Installation, Output, OutputKind, Severity, Source, Texts};
use crate::units::{Frames, SampleRate};
use crate::words;
use serde_json::{Value as Json, json};
use std::cell::RefCell;
use std::io::Read;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::time::Instant;

/// The device that files hang on. No id has a dot, so it is nobody else's.
const FILES: &str = "render.files";
/// The longest journal that is read.
const EVENTS_BYTES_MAX: u64 = 1 << 30;
/// Refusals and notes kept for the report.
const REMARKS_MAX: usize = 10_000;

/// The same desk and engine, offline: from files into files.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Writes DIR/bus.ID.wav and DIR/output.ID.wav, 32-bit floats at the desk's rate, and DIR/report.json.\n\
    Nothing fades in: what is open is heard from the first frame. Microphones stay closed until an event opens them,\n\
    as on the live desk. Files that the rig or an event names are looked for in the folder of that file.\n\
    Exit codes: 0 rendered, 1 mistakes in a file, 2 bad usage, 3 a file cannot be read or written."
)]
pub(super) struct Render {
    /// The show
    #[arg(long, value_name = "FILE")]
    profile: PathBuf,
    /// The rig; several are layers, later ones over earlier ones. Without any: the built-in demonstration
    #[arg(long, value_name = "FILE")]
    rig: Vec<PathBuf>,
    /// The panel whose bytes the events hold
    #[arg(long, value_name = "FILE")]
    panel: Option<PathBuf>,
    /// Frames per second; otherwise what the rig says, or 48000
    #[arg(long, value_name = "HZ")]
    rate: Option<u32>,
    /// How long; otherwise as long as the longest --input
    #[arg(long, value_name = "SECONDS")]
    length: Option<f64>,
    /// Frames made at a time; changes no sample
    #[arg(long, value_name = "FRAMES", default_value_t = 1024, value_parser = clap::value_parser!(u32).range(1..=4096))]
    callback: u32,
    /// Only this bus, or output of the rig; may be repeated. Otherwise all of them
    #[arg(long, value_name = "ID")]
    bus: Vec<String>,
    /// An input of the rig comes from this WAV file, once, from the first frame on
    #[arg(long, value_name = "NAME=FILE", value_parser = name_and_file)]
    input: Vec<(String, PathBuf)>,
    /// What happens: lines of a show journal
    #[arg(long, value_name = "FILE")]
    events: Option<PathBuf>,
    /// The folder for the results; made when it is not there
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// The report as JSON
    #[arg(long)]
    json: bool,
    /// Which vectors of the processor: plain, sse2, avx2, avx512. Changes no sample
    #[arg(long, hide = true, value_parser = form)]
    vectors: Option<Form>,
}

fn name_and_file(text: &str) -> Result<(String, PathBuf), String> {
    let (name, file) = text.split_once('=').ok_or("accepted: NAME=FILE, as lectern=talk.wav")?;
    Ok((name.to_owned(), file.into()))
}

fn form(text: &str) -> Result<Form, String> {
    let accepted = || Form::ALL.map(Form::word).join(", ");
    Form::ALL.into_iter().find(|form| form.word() == text).ok_or_else(|| format!("accepted: {}", accepted()))
}

/// Why there is no result.
#[derive(Debug)]
enum Stop {
    /// The command line does not fit the files.
    Usage(String),
    /// A file has mistakes.
    Refused(String),
    /// The system refused.
    CouldNotRun(String),
}

impl Stop {
    fn could_not(path: &Path, error: &impl std::fmt::Display) -> Self {
        Self::CouldNotRun(format!("cannot read {}: {error}", path.display()))
    }

    fn say(&self) -> u8 {
        let (text, code) = match self {
            Self::Usage(text) => (text, exit::USAGE),
            Self::Refused(text) => (text, exit::NOT_FINE),
            Self::CouldNotRun(text) => (text, exit::COULD_NOT_RUN),
        };
        complain(text.trim_end());
        code
    }
}

impl Render {
    pub(super) fn run(&self) -> u8 {
        match self.render() {
            Ok(report) => {
                let printed = if self.json { print_json(&report) } else { print(&summary(&report, &self.out)) };
                if printed { exit::FINE } else { exit::COULD_NOT_RUN }
            }
            Err(stop) => stop.say(),
        }
    }

    fn render(&self) -> Result<Json, Stop> {
        let texts = self.texts()?;
        let first = checked(&texts).map_err(|stop| match stop {
            Stop::Refused(text) if self.rig.is_empty() => Stop::Refused(format!(
                "{}\nchecked against the built-in demonstration rig, since no --rig is named",
                text.trim_end()
            )),
            stop => stop,
        })?;
        let rate = self.rate(&first)?;
        let mut show = Show::read(self.events.as_deref(), first, &texts, rate)?;
        let wanted = self.wanted(&show)?;
        let replaced = self.replaced(&show, rate)?;
        let map = show.rewire(&replaced, &wanted)?;
        let length = self.length(&replaced, rate)?;
        self.protect_inputs(&wanted)?;

        let form = self.vectors.unwrap_or_else(Form::widest);
        let vectors = Vectors::new(form)
            .ok_or_else(|| Stop::CouldNotRun(format!("this processor has no {} vectors", form.word())))?;
        let remarks = Rc::new(RefCell::new(Remarks { rate: Some(rate), ..Remarks::default() }));
        remarks.borrow_mut().early(&show, &replaced, length);
        let tally = Rc::new(RefCell::new(Tally::default()));
        let mut offline = self.offline(&mut show, rate, vectors, &remarks, &tally);
        let mut files = Files::new(map, replaced, self.callback as usize);
        let mut writers = self.create(&wanted, &files.map, rate, length)?;

        let mut written = vec![[Level::default(); 2]; wanted.len()];
        let started = Instant::now();
        let mut interleaved = vec![0.0; 2 * self.callback as usize];
        let mut done = 0;
        while done < length {
            #[expect(clippy::cast_possible_truncation, reason = "at most 4096")]
            let frames = (length - done).min(u64::from(self.callback)) as usize;
            files.begin(frames).map_err(|error| Stop::CouldNotRun(error.to_string()))?;
            offline.process(&mut files);
            for ((writer, sides), levels) in writers.iter_mut().zip(&files.map.outputs).zip(&mut written) {
                let out = &mut interleaved[..frames * sides.len()];
                for (side, wire) in sides.iter().enumerate() {
                    let samples = &files.outputs[usize::from(*wire)][..frames];
                    let (mut peak, mut energy) = (0.0_f32, 0.0);
                    for (frame, sample) in out.chunks_exact_mut(sides.len()).zip(samples) {
                        frame[side] = *sample;
                        peak = peak.max(sample.abs());
                        energy += f64::from(*sample) * f64::from(*sample);
                    }
                    levels[side.min(1)].take(peak, energy, frames as u64);
                }
                writer.write(out).map_err(|error| Stop::CouldNotRun(error.to_string()))?;
            }
            done += frames as u64;
        }
        for writer in writers {
            writer.close().map_err(|error| Stop::CouldNotRun(error.to_string()))?;
        }
        let taken = started.elapsed().as_secs_f64();

        let seconds = rate.seconds(Frames(length));
        let remarks = remarks.borrow();
        let mut report = json!({
            "frames": length,
            "rate_hz": rate.hz(),
            "seconds": seconds,
            "callback_frames": self.callback,
            "vectors": form.word(),
            "seconds_taken": taken,
            "times_real_time": seconds / taken.max(1e-9),
            "files": wanted.iter().map(Wanted::file).collect::<Vec<_>>(),
            "floor_dbfs": FLOOR_DBFS,
            "refused": remarks.refused,
            "notes": remarks.notes,
        });
        tally.borrow().write(&mut report, rate);
        for ((wanted, sides), levels) in wanted.iter().zip(&files.map.outputs).zip(&written) {
            // Behind the limiter, where the meters of an output stand before it.
            if let Wanted::Output(id) = wanted {
                report["outputs"][&**id]["file"] = shown(&levels[..sides.len().min(2)]);
            }
        }
        let path = self.out.join("report.json");
        let text = serde_json::to_string_pretty(&report).map_err(|error| Stop::CouldNotRun(error.to_string()))?;
        std::fs::write(&path, text + "\n")
            .map_err(|error| Stop::CouldNotRun(format!("cannot write {}: {error}", path.display())))?;
        for note in &remarks.notes {
            complain(note["text"].as_str().unwrap_or_default());
        }
        Ok(report)
    }

    fn texts(&self) -> Result<Texts, Stop> {
        let demo = profile::demo();
        let given: Vec<Source> = self.rig.iter().map(|path| source(path)).collect::<Result<_, _>>()?;
        let panel = self.panel.as_deref().map(source).transpose()?;
        Ok(Texts {
            panel: if self.rig.is_empty() { panel.or(demo.panel) } else { panel },
            rig: if self.rig.is_empty() { demo.rig } else { given },
            profile: Some(source(&self.profile)?),
            ..Texts::default()
        })
    }

    fn rate(&self, first: &Installation) -> Result<SampleRate, Stop> {
        match self.rate {
            Some(hz) => SampleRate::try_new(hz).map_err(|error| Stop::Usage(format!("--rate {error} Hz"))),
            None => Ok(first.rig.rate.unwrap_or(SampleRate::HZ_48000)),
        }
    }

    /// The buses and outputs to be written.
    fn wanted(&self, show: &Show) -> Result<Vec<Wanted>, Stop> {
        let mut buses: Vec<Id> = Vec::new();
        for installation in &show.installations {
            for bus in &installation.profile.buses {
                if !buses.contains(&bus.id) {
                    buses.push(bus.id.clone());
                }
            }
        }
        let outputs = show.installations[0].rig.outputs.iter().map(|output| Wanted::Output(output.id.clone()));
        let all: Vec<Wanted> = buses.into_iter().map(Wanted::Bus).chain(outputs).collect();
        for name in &self.bus {
            if !all.iter().any(|wanted| wanted.id() == name) {
                let near = nearest(name, all.iter().map(Wanted::id)).map(|near| format!("; the nearest is \"{near}\""));
                let near = near.unwrap_or_default();
                return Err(Stop::Usage(format!("--bus {name}: there is no such bus or output{near}")));
            }
        }
        let named = |wanted: &Wanted| self.bus.is_empty() || self.bus.iter().any(|name| name == wanted.id());
        Ok(all.into_iter().filter(named).collect())
    }

    /// The inputs that come from files, each with its file.
    fn replaced(&self, show: &Show, rate: SampleRate) -> Result<Vec<Replaced>, Stop> {
        let rig = &show.installations[0].rig;
        let mut replaced: Vec<Replaced> = Vec::new();
        for (name, path) in &self.input {
            let Some(input) = rig.input(name) else {
                let near = nearest(name, rig.inputs.iter().map(|input| &*input.id));
                let near = near.map(|near| format!("; the nearest is \"{near}\"")).unwrap_or_default();
                return Err(Stop::Usage(format!("--input {name}: the rig has no such input{near}")));
            };
            if replaced.iter().any(|other| other.input == input.id) {
                return Err(Stop::Usage(format!("--input {name} is given twice")));
            }
            let stereo = input.width() == 2;
            let file =
                FileSource::open(path, false, stereo, rate).map_err(|error| Stop::CouldNotRun(error.to_string()))?;
            replaced.push(Replaced { input: input.id.clone(), file });
        }
        Ok(replaced)
    }

    fn length(&self, replaced: &[Replaced], rate: SampleRate) -> Result<u64, Stop> {
        let longest = replaced.iter().map(|replaced| replaced.file.frames()).max();
        let length = match (self.length, longest) {
            (Some(seconds), _) if seconds > 0.0 && seconds < 1.0e7 => {
                #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "within the range checked")]
                let frames = (seconds * f64::from(rate.hz())).round() as u64;
                frames
            }
            (Some(seconds), _) => return Err(Stop::Usage(format!("--length {seconds}; accepted: seconds above 0"))),
            (None, Some(frames)) => frames,
            (None, None) => return Err(Stop::Usage("how long? Give --length SECONDS, or an --input".into())),
        };
        if length == 0 {
            return Err(Stop::Usage("there is nothing to render: the files have no frames".into()));
        }
        Ok(length)
    }

    /// No result may be written over a file that is being read.
    fn protect_inputs(&self, wanted: &[Wanted]) -> Result<(), Stop> {
        for (_, input) in &self.input {
            let same = |wanted: &Wanted| match (input.canonicalize(), self.out.join(wanted.file()).canonicalize()) {
                (Ok(input), Ok(output)) => input == output,
                _ => false,
            };
            if wanted.iter().any(same) {
                let input = input.display();
                return Err(Stop::Usage(format!("{input} would be overwritten by a result; choose another --out")));
            }
        }
        Ok(())
    }

    fn create(&self, wanted: &[Wanted], map: &Map, rate: SampleRate, length: u64) -> Result<Vec<Writer>, Stop> {
        std::fs::create_dir_all(&self.out)
            .map_err(|error| Stop::CouldNotRun(format!("cannot make {}: {error}", self.out.display())))?;
        wanted
            .iter()
            .zip(&map.outputs)
            .map(|(wanted, sides)| {
                let path = self.out.join(wanted.file());
                let writer =
                    Writer::create(&path, rate, sides.len()).map_err(|error| Stop::CouldNotRun(error.to_string()))?;
                if writer.room_frames() < length {
                    let most = rate.seconds(Frames(writer.room_frames())).floor();
                    return Err(Stop::Usage(format!(
                        "a WAV file like this ends after {most} s; give a shorter --length"
                    )));
                }
                Ok(writer)
            })
            .collect()
    }

    fn offline(
        &self,
        show: &mut Show,
        rate: SampleRate,
        vectors: Vectors,
        remarks: &Rc<RefCell<Remarks>>,
        tally: &Rc<RefCell<Tally>>,
    ) -> Offline {
        let folder = self.rig.first().map(|path| folder(path)).unwrap_or_default();
        let missing = Rc::clone(remarks);
        let open_file = move |path: &Path, looped: bool, stereo: bool| match FileSource::open(
            &folder.join(path),
            looped,
            stereo,
            rate,
        ) {
            Ok(source) => Feed::Tape(Box::new(PatientTape::new(source))),
            Err(error) => {
                missing.borrow_mut().note(Frames(0), format!("{error}: silence in its place"));
                Feed::Silent
            }
        };
        let events = std::mem::take(&mut show.events);
        let mut installations = std::mem::take(&mut show.installations).into_iter();
        let first = installations.next().expect("there is always a first one");
        let mut offline = Offline::with_desk(Desk::at_once(first, rate), vectors, Box::new(open_file));
        offline.measure_levels_only();
        for (frame, event) in events {
            let event = match event {
                ShowEvent::Desk(event) => Some(event),
                ShowEvent::Install { reread } => installations
                    .next()
                    .map(|installation| Event::Install { installation: Box::new(installation), reread }),
            };
            if let Some(event) = event {
                offline.at(frame, event);
            }
        }
        let heard = Rc::clone(remarks);
        offline.on_effects(move |frame, effects| heard.borrow_mut().hear(frame, effects));
        let tally = Rc::clone(tally);
        offline.on_meters(move |desk, frame| tally.borrow_mut().take(desk, frame));
        offline
    }
}

/// A file that says something wrong in a line of its own.
fn source(path: &Path) -> Result<Source, Stop> {
    let name = path.display().to_string();
    let bytes = read_bounded(path).map_err(|error| Stop::could_not(path, &error))?;
    Source::from_bytes(&name, bytes).map_err(|diagnostic| Stop::Refused(to_text(&[*diagnostic], true, &[])))
}

fn folder(path: &Path) -> PathBuf {
    path.parent().map(Path::to_path_buf).unwrap_or_default()
}

/// Checks as `longthrow check` does; warnings are told, errors end the command.
fn checked(texts: &Texts) -> Result<Installation, Stop> {
    let (checked, diagnostics) = profile::check(texts);
    let refused = diagnostics.iter().any(|diagnostic| diagnostic.severity == Severity::Error);
    let text = to_text(&diagnostics, refused, &[]);
    match checked.and_then(profile::Checked::into_installation) {
        Some(installation) => {
            if !diagnostics.is_empty() {
                complain(text.trim_end());
            }
            Ok(installation)
        }
        None => Err(Stop::Refused(text)),
    }
}

// ---- the show: installations and events ----

/// Everything that is going to happen.
#[derive(Debug)]
struct Show {
    /// The first one, and one for each event that installs another.
    installations: Vec<Installation>,
    events: Vec<(Frames, ShowEvent)>,
    torn: Option<String>,
}

#[derive(Debug)]
enum ShowEvent {
    Desk(Event),
    /// The next of the installations.
    Install {
        reread: bool,
    },
}

impl Show {
    fn read(path: Option<&Path>, first: Installation, texts: &Texts, rate: SampleRate) -> Result<Self, Stop> {
        let mut ports = Ports::of(&first.rig);
        let mut show = Self { installations: vec![first], events: Vec::new(), torn: None };
        let Some(path) = path else { return Ok(show) };
        let journal = read_journal(path, rate)?;
        show.torn = journal.torn.as_ref().map(|torn| format!("{}: {torn}: passed over", path.display()));
        let mut mistakes = String::new();
        for (frame, line, what) in journal.timeline(rate) {
            let mut mistake = |why: String| mistakes += &format!("{}: line {line}: {why}\n", path.display());
            let (texts, reread) = match what {
                What::ProfileFile { path: named, reread } => {
                    let profile = Some(source(&folder(path).join(named))?);
                    (Texts { profile, ..texts.clone() }, *reread)
                }
                What::Profile { texts, reread, .. } => ((**texts).clone(), *reread),
                other => {
                    match other.event(&ports) {
                        Ok(Some(event)) => show.events.push((frame, ShowEvent::Desk(event))),
                        Ok(None) => {}
                        Err(why) => mistake(why),
                    }
                    continue;
                }
            };
            match checked(&texts) {
                Ok(installation) => {
                    ports = Ports::of(&installation.rig);
                    show.installations.push(installation);
                    show.events.push((frame, ShowEvent::Install { reread }));
                }
                Err(Stop::Refused(text)) => mistake(format!("the profile is refused\n{text}")),
                Err(other) => return Err(other),
            }
        }
        if mistakes.is_empty() { Ok(show) } else { Err(Stop::Refused(mistakes)) }
    }

    /// Rewires every installation alike; says which wire is which file.
    fn rewire(&mut self, replaced: &[Replaced], wanted: &[Wanted]) -> Result<Map, Stop> {
        let mut map: Option<Map> = None;
        for installation in &mut self.installations {
            let here = rewire(installation, replaced, wanted).map_err(Stop::Usage)?;
            if map.as_ref().is_some_and(|map| *map != here) {
                return Err(Stop::Refused(
                    "the rig's inputs, outputs or devices change within the events; render each part with its own rig"
                        .into(),
                ));
            }
            map = Some(here);
        }
        Ok(map.unwrap_or_default())
    }
}

fn read_journal(path: &Path, rate: SampleRate) -> Result<Journal, Stop> {
    let name = path.display();
    let mut bytes = Vec::new();
    std::fs::File::open(path)
        .and_then(|file| file.take(EVENTS_BYTES_MAX + 1).read_to_end(&mut bytes))
        .map_err(|error| Stop::could_not(path, &error))?;
    if bytes.len() as u64 > EVENTS_BYTES_MAX {
        return Err(Stop::Refused(format!("{name}: more than {EVENTS_BYTES_MAX} bytes; render it in parts")));
    }
    let journal = journal::read(&bytes).map_err(|mistakes| {
        Stop::Refused(mistakes.iter().map(|mistake| format!("{name}: {mistake}\n")).collect::<String>())
    })?;
    let starts = journal.lines.iter().filter_map(|(line, read)| match read.what {
        What::Start { rate, .. } => Some((*line, rate)),
        _ => None,
    });
    for (number, (line, written)) in starts.enumerate() {
        if number > 0 {
            return Err(Stop::Refused(format!("{name}: line {line}: a second run begins; render one run at a time")));
        }
        if written != rate {
            let hz = written.hz();
            return Err(Stop::Usage(format!("{name} counts frames at {hz} Hz; give --rate {hz}")));
        }
    }
    Ok(journal)
}

// ---- wires ----

/// What is written into a file.
#[derive(Clone, Debug, PartialEq, Eq)]
enum Wanted {
    Bus(Id),
    Output(Id),
}

impl Wanted {
    fn id(&self) -> &str {
        match self {
            Self::Bus(id) | Self::Output(id) => id,
        }
    }

    fn file(&self) -> String {
        match self {
            Self::Bus(id) => format!("bus.{id}.wav"),
            Self::Output(id) => format!("output.{id}.wav"),
        }
    }
}

/// An input whose sound comes from a file.
#[derive(Debug)]
struct Replaced {
    input: Id,
    file: FileSource,
}

/// Which wires carry which file, side by side, in the order of the inputs replaced and of what is wanted.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
struct Map {
    inputs: Vec<Vec<u16>>,
    outputs: Vec<Vec<u16>>,
}

/// Lets inputs come from files and what is wanted go into files.
fn rewire(installation: &mut Installation, replaced: &[Replaced], wanted: &[Wanted]) -> Result<Map, String> {
    let Installation { rig, profile, .. } = installation;
    let files = Id::from(FILES);
    rig.devices.push(Device {
        id: files.clone(),
        host: Host::Jack,
        identity: String::new(),
        period_frames: None,
        inputs: 0,
        outputs: 0,
        link_inputs: Vec::new(),
        link_outputs: Vec::new(),
    });
    // Files do not go away when a device does.
    rig.clock = Some(files.clone());
    let mut places = Vec::new();
    for Replaced { input, .. } in replaced {
        let input = rig.inputs.iter_mut().find(|known| known.id == *input);
        let Some(input) = input else { continue };
        // It stays on its device, so that it closes and opens with it; on channels that nobody else has.
        let device = match &input.from {
            InputFrom::Device { device, .. } => device.clone(),
            _ => files.clone(),
        };
        let width = u16::try_from(input.width()).unwrap_or(1);
        let Some(on) = rig.devices.iter_mut().find(|known| known.id == device) else { continue };
        let channels: Vec<u16> = (on.inputs..on.inputs + width).collect();
        on.inputs += width;
        input.from = InputFrom::Device { device: device.clone(), channels: channels.clone() };
        places.push((device, channels));
    }
    let mut sides = Vec::new();
    for (number, wanted) in (0_u16..).zip(wanted) {
        let pair = vec![2 * number, 2 * number + 1];
        match wanted {
            Wanted::Bus(bus) => {
                let id = Id::from(format!("bus.{bus}"));
                profile.values.insert(Address::new(Key::OutputSource, &id), Value::Word((**bus).into()));
                profile.values.insert(Address::new(Key::OutputLevel, &id), Value::Number(0.0));
                let (device, channels) = (files.clone(), pair.clone());
                rig.outputs.push(Output { id, kind: OutputKind::File, device, channels });
                sides.push(pair);
            }
            Wanted::Output(id) => {
                let Some(output) = rig.outputs.iter_mut().find(|output| output.id == *id) else { continue };
                output.device = files.clone();
                output.channels = pair[..output.channels.len().clamp(1, 2)].to_vec();
                sides.push(output.channels.clone());
            }
        }
    }
    if let Some(device) = rig.devices.iter_mut().find(|device| device.id == files) {
        device.outputs = u16::try_from(2 * wanted.len()).unwrap_or(u16::MAX);
    }
    if rig.outputs.len() > OUTPUT_COLUMNS / 2 {
        let most = OUTPUT_COLUMNS / 2;
        return Err(format!(
            "{} outputs and buses; the desk has room for {most} at once: name some with --bus, and render several times",
            rig.outputs.len()
        ));
    }
    let inputs = places.into_iter().map(|(device, channels)| {
        channels.iter().filter_map(|channel| wiring::input_wire(rig, &device, *channel)).collect()
    });
    let outputs = sides
        .into_iter()
        .map(|channels| channels.iter().filter_map(|channel| wiring::output_wire(rig, &files, *channel)).collect());
    Ok(Map { inputs: inputs.collect(), outputs: outputs.collect() })
}

/// Files in place of devices.
#[derive(Debug)]
struct Files {
    map: Map,
    sources: Vec<FileSource>,
    frames: usize,
    /// One for each wire; empty where no file is.
    inputs: Vec<Vec<f32>>,
    outputs: Vec<Vec<f32>>,
    interleaved: Vec<f32>,
}

impl Files {
    fn new(map: Map, replaced: Vec<Replaced>, callback: usize) -> Self {
        let buffers = |wires: &[Vec<u16>]| {
            let mut buffers = vec![Vec::new(); wires.iter().flatten().max().map_or(0, |last| usize::from(*last) + 1)];
            for wire in wires.iter().flatten() {
                buffers[usize::from(*wire)] = vec![0.0; callback];
            }
            buffers
        };
        Self {
            frames: 0,
            inputs: buffers(&map.inputs),
            outputs: buffers(&map.outputs),
            interleaved: vec![0.0; 2 * callback],
            sources: replaced.into_iter().map(|replaced| replaced.file).collect(),
            map,
        }
    }

    /// Reads the inputs of the next callback.
    fn begin(&mut self, frames: usize) -> Result<(), crate::ports::wav::WavError> {
        self.frames = frames;
        for (source, wires) in self.sources.iter_mut().zip(&self.map.inputs) {
            let sides = source.sides();
            if let (1, [wire]) = (sides, &wires[..]) {
                let samples = &mut self.inputs[usize::from(*wire)][..frames];
                let there = source.read(samples)?;
                samples[there..].fill(0.0);
                continue;
            }
            let there = source.read(&mut self.interleaved[..frames * sides])?;
            self.interleaved[there * sides..frames * sides].fill(0.0);
            for (side, wire) in wires.iter().enumerate() {
                let samples = self.interleaved[side..frames * sides].iter().step_by(sides);
                for (place, sample) in self.inputs[usize::from(*wire)].iter_mut().zip(samples) {
                    *place = *sample;
                }
            }
        }
        Ok(())
    }
}

impl Wires for Files {
    fn frames(&self) -> usize {
        self.frames
    }

    fn inputs(&self) -> usize {
        self.inputs.len()
    }

    fn outputs(&self) -> usize {
        self.outputs.len()
    }

    fn read(&mut self, channel: usize, offset: usize, into: &mut [f32]) {
        copy_what_exists(self.inputs.get(channel).map_or(&[], Vec::as_slice), offset, into);
    }

    fn in_place(&self) -> bool {
        true
    }

    fn tick(&self, channel: usize, offset: usize) -> Option<&[f32; TICK]> {
        self.inputs.get(channel)?.get(offset..)?.first_chunk()
    }

    fn write(&mut self, channel: usize, offset: usize, from: &[f32]) {
        write_what_exists(self.outputs.get_mut(channel).map_or(&mut [], Vec::as_mut_slice), offset, from);
    }
}

// ---- the report ----

/// What was refused and what the desk decided by itself.
#[derive(Debug, Default)]
struct Remarks {
    rate: Option<SampleRate>,
    refused: Vec<Json>,
    notes: Vec<Json>,
}

impl Remarks {
    fn remark(&self, frame: Frames, text: String) -> Json {
        json!({ "frame": frame.0, "t": self.rate.map(|rate| rate.seconds(frame)), "text": text })
    }

    fn note(&mut self, frame: Frames, text: String) {
        if self.notes.len() < REMARKS_MAX {
            self.notes.push(self.remark(frame, text));
        }
    }

    fn hear(&mut self, frame: Frames, effects: &Effects) {
        for text in &effects.refused {
            if self.refused.len() < REMARKS_MAX {
                self.refused.push(self.remark(frame, format!("{}: {}", text.what, text.why)));
            }
        }
        for text in &effects.notes {
            self.note(frame, text.clone());
        }
    }

    /// What is known before the first frame.
    fn early(&mut self, show: &Show, replaced: &[Replaced], length: u64) {
        if let Some(torn) = &show.torn {
            self.note(Frames(0), torn.clone());
        }
        for Replaced { input, file } in replaced {
            if file.channels() > file.sides() {
                let (channels, sides) = (file.channels(), file.sides());
                let text = format!("input {input}: its file has {channels} channels, the first {sides} are taken");
                self.note(Frames(0), text);
            }
        }
        let late = show.events.iter().filter(|(frame, _)| frame.0 >= length).count();
        if late > 0 {
            self.note(Frames(length), format!("{late} events lie behind the end"));
        }
    }
}

/// What was measured of one channel, bus or output.
#[derive(Debug)]
struct Measured {
    bank: Bank,
    id: Id,
    input: [Level; 2],
    after: [Level; 2],
    width: usize,
    clips: u64,
    not_audio: u64,
    /// The output, when it is one, and the most that its limiter looked ahead and that it was delayed by, in frames.
    output: Option<Output>,
    late_frames: f32,
    delay_frames: f32,
}

#[derive(Clone, Copy, Debug, Default)]
struct Level {
    peak: f32,
    energy: f64,
    frames: u64,
}

impl Level {
    fn take(&mut self, peak: f32, energy: f64, frames: u64) {
        self.peak = self.peak.max(peak);
        self.energy += energy;
        self.frames += frames;
    }

    fn peak_dbfs(self) -> f32 {
        db_from_linear(self.peak).max(FLOOR_DBFS)
    }

    /// Mean power relative to full scale: -3.01 for a full-scale sine.
    fn level_dbfs(self) -> f32 {
        #[expect(
            clippy::cast_precision_loss,
            clippy::cast_possible_truncation,
            reason = "shown to a hundredth of a dB"
        )]
        let mean = (self.energy / self.frames.max(1) as f64) as f32;
        db_from_linear(mean.sqrt()).max(FLOOR_DBFS)
    }
}

fn shown(sides: &[Level]) -> Json {
    json!({
        "peak_dbfs": sides.iter().map(|side| side.peak_dbfs()).collect::<Vec<_>>(),
        "level_dbfs": sides.iter().map(|side| side.level_dbfs()).collect::<Vec<_>>(),
    })
}

/// Meter frames, added up.
#[derive(Debug, Default)]
struct Tally {
    /// The plan for which `places` says where to look.
    plan: Option<u64>,
    places: Vec<(usize, Range<u16>)>,
    measured: Vec<Measured>,
}

impl Tally {
    fn find_places(&mut self, desk: &Desk) {
        self.places.clear();
        let channels = desk.channels().map(|channel| (Bank::Sources, &channel.id));
        let buses = desk.buses().map(|bus| (Bank::Buses, &bus.id));
        let outputs = desk.rig().outputs.iter().map(|output| (Bank::Outputs, &output.id));
        // Our own outputs show what their buses do.
        let outputs = outputs.filter(|(_, id)| !id.contains('.'));
        for (bank, id) in channels.chain(buses).chain(outputs) {
            let Some(columns) = desk.columns(bank, id) else { continue };
            let known = self.measured.iter().position(|measured| measured.bank == bank && measured.id == *id);
            let index = known.unwrap_or_else(|| {
                let output =
                    desk.rig().outputs.iter().find(|output| bank == Bank::Outputs && output.id == *id).cloned();
                let (id, input, after) = (id.clone(), Default::default(), Default::default());
                self.measured.push(Measured {
                    bank,
                    id,
                    input,
                    after,
                    width: 0,
                    clips: 0,
                    not_audio: 0,
                    output,
                    late_frames: 0.0,
                    delay_frames: 0.0,
                });
                self.measured.len() - 1
            });
            self.measured[index].width = self.measured[index].width.max(columns.len());
            self.places.push((index, columns));
        }
    }

    fn take(&mut self, desk: &Desk, frame: &MeterFrame) {
        if self.plan != Some(frame.plan) {
            self.find_places(desk);
            self.plan = Some(frame.plan);
        }
        for (index, columns) in &self.places {
            let measured = &mut self.measured[*index];
            for (side, column) in columns.clone().enumerate() {
                let (group, lane) = MeterFrame::place(measured.bank, column);
                let group = &frame.groups[group];
                measured.input[side].take(group.input_peak[lane], group.input_energy[lane], frame.frames);
                measured.after[side].take(group.peak[lane], group.energy[lane], frame.frames);
                measured.clips += u64::from(group.clips[lane]);
                measured.not_audio += u64::from(group.not_audio[lane]);
                measured.late_frames = measured.late_frames.max(group.latency[lane]);
                measured.delay_frames = measured.delay_frames.max(group.delay[lane]);
            }
        }
    }

    fn write(&self, report: &mut Json, rate: SampleRate) {
        for (key, bank) in [("channels", Bank::Sources), ("buses", Bank::Buses), ("outputs", Bank::Outputs)] {
            let mut things = serde_json::Map::new();
            for measured in self.measured.iter().filter(|measured| measured.bank == bank) {
                let levels = |sides: &[Level; 2]| shown(&sides[..measured.width]);
                let thing = if bank == Bank::Sources {
                    json!({
                        "input": levels(&measured.input),
                        "after_fader": levels(&measured.after),
                        "clips": measured.clips,
                        "not_audio": measured.not_audio,
                    })
                } else {
                    let mut thing = levels(&measured.after);
                    if let Some(output) = &measured.output {
                        // A file has no device that is late.
                        let [delay_ms, limiter_ms] = [measured.delay_frames, measured.late_frames]
                            .map(|frames| f64::from(frames) * 1e3 / f64::from(rate.hz()));
                        thing["lip_sync"] = json!(LipSync::new(output, delay_ms, limiter_ms, None));
                    }
                    thing
                };
                things.insert(measured.id.to_string(), thing);
            }
            report[key] = Json::Object(things);
        }
    }
}

/// The report for people.
fn summary(report: &Json, out: &Path) -> String {
    let mut text = String::new();
    for (kind, key) in [("bus", "buses"), ("output", "outputs")] {
        for (id, levels) in report[key].as_object().into_iter().flatten() {
            let file = format!("{kind}.{id}.wav");
            if report["files"].as_array().is_some_and(|files| files.iter().any(|name| *name == file)) {
                let levels = levels.get("file").unwrap_or(levels);
                let highest = |key: &str| {
                    let sides = levels[key].as_array().into_iter().flatten().filter_map(Json::as_f64);
                    sides.fold(f64::from(FLOOR_DBFS), f64::max)
                };
                #[expect(clippy::cast_possible_truncation, reason = "for people")]
                let shown = |key: &str| words::reading(highest(key) as f32, FLOOR_DBFS, 2, "dBFS");
                text += &format!("{file:<32} peak {:>12}   level {:>12}\n", shown("peak_dbfs"), shown("level_dbfs"));
            }
        }
    }
    let count = |key: &str| report[key].as_array().map_or(0, Vec::len);
    let number = |key: &str| report[key].as_f64().unwrap_or(0.0);
    text + &format!(
        "{:.3} s in {:.3} s ({:.0} times real time), {} refused, {} notes: {}\n",
        number("seconds"),
        number("seconds_taken"),
        number("times_real_time"),
        count("refused"),
        count("notes"),
        out.join("report.json").display()
    )
}
