//! What somebody sees who asks how things are: on air or not, which microphones are live, what is wrong.
//!
//! [`Desk::status`] is a function of the desk and of what the daemon knows besides ([`Facts`]); no I/O, no clock.

use super::Desk;
use super::why::few;
use super::{LipSync, OwnVoice};
use crate::dsp::scale::Scale;
use crate::panel::ControlIndex;
use crate::params::{Address, Key, Value};
use crate::profile::{Host, Id, Output};
use crate::words;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::PathBuf;

/// The bus that goes on air.
const PROGRAMME: &str = "programme";
/// A peak meter that stayed below this for so long is silent.
const SILENT_S: u64 = 5;
/// What the programme may not stay below while it is on air.
pub(super) const SILENT_DBFS: f32 = -60.0;

/// What was heard lately on a meter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Heard {
    /// The highest sample of the last second or two, dBFS.
    pub peak_dbfs: f32,
    /// The same of the last five seconds or six.
    pub loudest_dbfs: f32,
    /// Seconds since it was last above -60 dBFS; none when it never was.
    pub quiet_s: Option<u64>,
    /// The mean level of each side in that time, where there are two, dBFS.
    pub sides_dbfs: Option<[f32; 2]>,
}

impl Heard {
    /// Whether there was sound in the last seconds.
    #[must_use]
    pub fn sounds(&self) -> bool {
        self.quiet_s.is_some_and(|seconds| seconds < SILENT_S)
    }
}

/// Why a file that should play does not.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum FileTrouble {
    /// It cannot be read, and why.
    Unreadable(String),
    /// It was read to its end, and does not start again by itself.
    Ended,
}

/// Something that is not as it should be, and what to do about it.
#[derive(Clone, Debug, Serialize, Deserialize, PartialEq, Eq)]
pub struct Wrong {
    /// What.
    pub what: String,
    /// What to do.
    pub remedy: String,
}

/// What the daemon knows and the desk does not.
#[derive(Clone, Debug, Default)]
pub struct Facts {
    /// What was heard lately, by meter path.
    pub heard: BTreeMap<String, Heard>,
    /// What the meters of buses and outputs show, by meter path.
    pub meters: BTreeMap<String, f32>,
    /// Control ports that are not there, with the reason.
    pub ports_away: BTreeMap<Id, String>,
    /// Files that do not play.
    pub files: BTreeMap<PathBuf, FileTrouble>,
    /// What is wrong outside the desk, the worst first.
    pub wrong: Vec<Wrong>,
    /// Mix-minus buses in which somebody was heard by whom they are made for to leave out.
    pub leaks: Vec<Id>,
    /// The slow figure of each mix-minus bus.
    pub own_voices: Vec<OwnVoice>,
    /// Seconds since somebody last used a control; none when nobody did.
    pub idle_s: Option<u64>,
    /// Which revision of the files is in force.
    pub revision: u64,
    /// How each panel node is, a line for people.
    pub nodes: Vec<String>,
    /// What the desk decided lately, the newest last: when, and what.
    pub decisions: Vec<(String, String)>,
}

/// A channel that can be heard.
#[derive(Clone, Debug, Serialize, Deserialize, PartialEq)]
pub struct Live {
    /// Its id.
    pub channel: String,
    /// What its strip shows.
    pub label: String,
    /// The highest sample at its input in the last second or two, dBFS.
    pub input_dbfs: f32,
}

/// A bus or output on the meter that was chosen for it.
#[derive(Clone, Debug, Serialize, Deserialize, PartialEq)]
pub struct Metered {
    /// `bus.programme`.
    pub of: String,
    /// The word of its scale.
    pub meter: String,
    /// The unit of the scale.
    pub unit: String,
    /// What it shows: left and right, or one figure for both.
    pub readings: Vec<f32>,
}

/// How loud the programme is, where it is measured.
#[derive(Clone, Copy, Debug, Default, Serialize, Deserialize, PartialEq)]
pub struct ProgrammeLoudness {
    /// Over the last three seconds, LUFS.
    pub short_term_lufs: Option<f32>,
    /// Since the measurement was started, LUFS.
    pub integrated_lufs: Option<f32>,
    /// Seconds of the show that are left, if somebody said how long it is.
    pub left_s: Option<f32>,
    /// How loud they have to be for the show to come to its target, LUFS; none when no level near its target brings it there, or none are left.
    pub heading_lufs: Option<f32>,
}

/// A room, and whether somebody in it can be heard outside.
#[derive(Clone, Debug, Serialize, Deserialize, PartialEq, Eq)]
pub struct RoomShown {
    /// Its id.
    pub room: String,
    /// What people call it.
    pub label: String,
    /// Whether a microphone in it is live.
    pub live: bool,
    /// Whether its loudspeakers are muted.
    pub muted: bool,
}

/// How things are.
#[derive(Clone, Debug, Serialize, Deserialize, PartialEq)]
pub struct Status {
    /// Whether the programme leaves the desk for listeners.
    pub on_air: bool,
    /// By which outputs, or why not.
    pub air: String,
    /// Microphones that can be heard on air.
    pub microphones: Vec<Live>,
    /// Everything else that can be heard on a bus.
    pub others: Vec<Live>,
    /// Rooms with microphones.
    pub rooms: Vec<RoomShown>,
    /// Talkbacks that are keyed, and to whom.
    pub talking: Vec<String>,
    /// Channels and buses that are listened to.
    pub listening: Vec<String>,
    /// Whether the panel is locked.
    pub locked: bool,
    /// The rung of the panic ladder that is in force.
    #[serde(default)]
    pub panic: Option<String>,
    /// The name of the profile in force.
    pub profile: String,
    /// Which revision of the files.
    pub revision: u64,
    /// Whether somebody is there: a control was used in the last ten minutes, or a microphone is live.
    pub attended: bool,
    /// Seconds since a control was last used.
    pub idle_s: Option<u64>,
    /// The highest sample of the programme in the last second or two, dBFS.
    pub programme_dbfs: f32,
    /// How loud that is.
    #[serde(default)]
    pub loudness: ProgrammeLoudness,
    /// Buses and outputs, each on its meter.
    pub meters: Vec<Metered>,
    /// By how much each output is late.
    #[serde(default)]
    pub lip_sync: Vec<LipSync>,
    /// Whether anybody's voice comes back to them by a way outside the desk.
    #[serde(default)]
    pub own_voices: Vec<OwnVoice>,
    /// What is wrong, the worst first.
    pub wrong: Vec<Wrong>,
    /// Whom to call when something is wrong, if the rig says.
    pub call: Option<String>,
    /// How each panel node is, a line for people.
    pub nodes: Vec<String>,
    /// Faders and knobs that wait to rejoin.
    pub waiting: Vec<String>,
    /// What the desk decided lately, the newest last.
    pub decisions: Vec<(String, String)>,
}

impl From<words::wrong::Pair> for Wrong {
    fn from((what, remedy): words::wrong::Pair) -> Self {
        Self { what, remedy }
    }
}

/// What the meters of the programme say of its loudness.
fn programme_loudness(facts: &Facts) -> ProgrammeLoudness {
    let shown = |end: &str| facts.meters.get(&format!("/meter/bus/{PROGRAMME}/loudness/{end}")).copied();
    let lufs = |end: &str| shown(end).filter(|lufs| *lufs > super::FLOOR_DBFS);
    ProgrammeLoudness {
        short_term_lufs: lufs("short-term"),
        integrated_lufs: lufs("integrated"),
        left_s: shown("left").filter(|seconds| *seconds >= 0.0),
        heading_lufs: lufs("heading"),
    }
}

impl Desk {
    /// How things are.
    #[must_use]
    pub fn status(&self, facts: &Facts) -> Status {
        let open = self.channels().filter(|channel| self.is_open_on_air(&channel.id)).map(|channel| {
            let heard = facts.heard.get(&format!("/meter/channel/{}/input/peak", channel.id));
            Live {
                channel: channel.id.to_string(),
                label: channel.label.clone(),
                input_dbfs: heard.map_or(super::FLOOR_DBFS, |heard| heard.peak_dbfs),
            }
        });
        let on_air = self.live_microphones();
        let (microphones, others): (Vec<Live>, Vec<Live>) = open.partition(|live| on_air.contains(&*live.channel));
        let attended = microphones.iter().chain(&others).any(|live| self.is_microphone(&live.channel));
        let (on_air, air) = self.air();
        let programme_dbfs = self.bus_peak("programme", facts);
        let idle = facts.idle_s.is_some_and(|seconds| seconds < 600);
        Status {
            on_air,
            air,
            attended: idle || attended,
            rooms: self.rooms_shown(),
            talking: self.talking(),
            listening: self.listened(),
            locked: self.is_locked(),
            panic: self.panic_in_force(),
            wrong: self.wrongs(on_air, programme_dbfs, facts),
            microphones,
            others,
            profile: self.profile_name().to_owned(),
            revision: facts.revision,
            idle_s: facts.idle_s,
            programme_dbfs,
            loudness: programme_loudness(facts),
            meters: self.metered(facts),
            lip_sync: self.lip_sync(facts),
            own_voices: facts.own_voices.clone(),
            call: self.rig().call.clone(),
            nodes: facts.nodes.clone(),
            waiting: self.waiting_to_rejoin(),
            decisions: facts.decisions.clone(),
        }
    }

    /// The rung of the panic ladder that was taken last, until the prepared mix or another show is there.
    fn panic_in_force(&self) -> Option<String> {
        match self.value(&Address::new(Key::DeskPanic, "")) {
            Some(Value::Word(rung)) if &*rung != "none" => Some(rung.into()),
            _ => None,
        }
    }

    /// Buses and outputs, each on the meter that was chosen for it.
    fn metered(&self, facts: &Facts) -> Vec<Metered> {
        let buses = self.buses().map(|bus| ("bus", &bus.id, Key::BusMeter));
        let outputs = self.rig().outputs.iter().map(|output| ("output", &output.id, Key::OutputMeter));
        let metered = buses.chain(outputs).filter_map(|(word, id, key)| {
            let Value::Word(meter) = self.held(key, id) else { return None };
            let scale = Scale::named(&meter)?;
            let reading = |point: &&str| facts.meters.get(&format!("/meter/{word}/{id}/{point}/{}", scale.meter));
            let readings = scale.points.iter().filter_map(reading);
            let readings = readings.map(|value| scale.reading(*value).max(super::FLOOR_DBFS)).collect();
            Some(Metered { of: format!("{word}.{id}"), meter: meter.into(), unit: scale.unit.to_owned(), readings })
        });
        metered.collect()
    }

    /// By how much each output is late, as the meters have it.
    fn lip_sync(&self, facts: &Facts) -> Vec<LipSync> {
        let figure = |output: &Output| {
            let shown = |end: &str| facts.meters.get(&format!("/meter/output/{}/lip-sync/{end}", output.id)).copied();
            let device_ms = shown("device").filter(|ms| *ms >= 0.0).map(f64::from);
            Some(LipSync::new(output, shown("delay")?.into(), shown("limiter")?.into(), device_ms))
        };
        self.rig().outputs.iter().filter_map(figure).collect()
    }

    /// Each control that waits, with its way; those that have not said where they stand share one line.
    fn waiting_to_rejoin(&self) -> Vec<String> {
        let (known, unknown): (Vec<_>, Vec<_>) = self.waiting_controls().partition(|(.., last, _)| last.is_some());
        let name = |control: ControlIndex| Some(&*self.panel().controls.get(control.0)?.id);
        let mut lines: Vec<String> = known
            .into_iter()
            .filter_map(|(control, target, ..)| {
                Some(format!("{} ({target}): {}", name(control)?, self.way_to_rejoin(control)?))
            })
            .collect();
        let names: Vec<&str> = unknown.into_iter().filter_map(|(control, ..)| name(control)).collect();
        if !names.is_empty() {
            lines.push(words::status::not_moved(&few(names.into_iter())));
        }
        lines
    }

    /// The highest sample of a bus lately, on either side.
    pub(super) fn bus_peak(&self, bus: &str, facts: &Facts) -> f32 {
        let sides = ["left", "right"].map(|side| facts.heard.get(&format!("/meter/bus/{bus}/{side}/peak")));
        sides.into_iter().flatten().map(|heard| heard.peak_dbfs).fold(super::FLOOR_DBFS, f32::max)
    }

    /// Outputs that lead to listeners and are ready to; or why there are none.
    fn air(&self) -> (bool, String) {
        let feeds: Vec<&Output> = self.rig().outputs.iter().filter(|output| output.is_feed()).collect();
        if feeds.is_empty() {
            return (false, words::air::NO_FEED.to_owned());
        }
        // Whoever hears a mix-minus by a call takes part; nobody else listens to that.
        let feeds: Vec<&Output> =
            feeds.into_iter().filter(|output| self.may_have_listeners(output, &self.carried(&output.id))).collect();
        if feeds.is_empty() {
            return (false, words::air::ONLY_GUESTS.to_owned());
        }
        let blocked: Vec<(&Output, Option<String>)> =
            feeds.into_iter().map(|output| (output, self.output_blocked(output))).collect();
        let ready: Vec<String> = blocked
            .iter()
            .filter(|(_, why)| why.is_none())
            .map(|(output, _)| words::air::carries(&output.id, &self.carried(&output.id)))
            .collect();
        match blocked.into_iter().find_map(|(_, why)| why) {
            Some(why) if ready.is_empty() => (false, why),
            _ => (true, ready.join(", ")),
        }
    }

    /// What a device is nothing without.
    pub(super) fn without(&self, device: &str) -> words::wrong::Reach {
        match self.rig().devices.iter().find(|known| *known.id == *device).map(|device| device.host) {
            Some(Host::Application | Host::PipeWire | Host::PulseAudio) => words::wrong::Reach::PipeWire,
            Some(Host::Jack) => words::wrong::Reach::Jack,
            _ => words::wrong::Reach::Plug,
        }
    }

    /// The bus that an output carries.
    pub(super) fn carried(&self, output: &str) -> String {
        match self.value(&Address::new(Key::OutputSource, output)) {
            Some(Value::Word(bus)) => bus.to_string(),
            _ => String::new(),
        }
    }

    /// Why nothing can leave by an output, if so.
    pub(super) fn output_blocked(&self, output: &Output) -> Option<String> {
        if self.away.contains(&output.device) {
            return Some(words::air::device_away(&output.device, &output.id, self.without(&output.device)));
        }
        let level = self.value(&Address::new(Key::OutputLevel, &output.id))?;
        if level == Value::Off {
            return Some(words::air::level(&output.id, None));
        }
        (level.decibels().get() <= SILENT_DBFS).then(|| words::air::level(&output.id, Some(level.decibels().get())))
    }

    /// What `why` finds when the programme is silent.
    fn cause_of_silence(&self, facts: &Facts) -> Option<String> {
        let programme = format!("bus.{PROGRAMME}");
        let why = self.why(&programme, facts).ok().filter(|why| why.blocking.is_some())?;
        Some(why.sentence.strip_prefix(&programme)?.strip_prefix(": ")?.to_owned())
    }

    fn wrongs(&self, on_air: bool, programme_dbfs: f32, facts: &Facts) -> Vec<Wrong> {
        let mut all = facts.wrong.clone();
        for device in &self.away {
            all.push(words::wrong::device_away(device, self.without(device)).into());
        }
        let quiet = ["left", "right"].iter().all(|side| {
            facts.heard.get(&format!("/meter/bus/programme/{side}/peak")).is_some_and(|heard| !heard.sounds())
        });
        if on_air && quiet {
            all.push(words::wrong::programme_silent(programme_dbfs, self.cause_of_silence(facts)).into());
        }
        for bus in &facts.leaks {
            all.push(words::wrong::hears_themselves(bus).into());
        }
        for trouble in facts.files.values() {
            if let FileTrouble::Unreadable(why) = trouble {
                all.push(words::wrong::file_unreadable(why).into());
            }
        }
        for (port, why) in &facts.ports_away {
            all.push(words::wrong::control_port_away(port, why).into());
        }
        if let Some(bus) = self.tone_on_air() {
            all.push(words::wrong::tone_on_air(bus).into());
        }
        for OwnVoice { bus, comes_back, sent_back } in &facts.own_voices {
            if let Some(back) = comes_back.filter(|back| back.above) {
                all.push(words::wrong::comes_back(bus, back.db, back.ms).into());
            }
            if let Some(sent) = sent_back.filter(|sent| sent.above) {
                all.push(words::wrong::sent_back(bus, sent.db, sent.ms).into());
            }
        }
        for channel in self.left_over() {
            all.push(words::wrong::left_over(&channel.id).into());
        }
        all
    }
}
