//! What every peak meter heard lately, for whoever asks why something is silent; and who hears themselves.

use super::hub::MeterTable;
use crate::desk::{Heard, MeterMemory, OwnVoice, Quantity, Reading, Return};
use crate::dsp::correlation::{Correlation, Echo};
use crate::engine::{Compared, MeterFrame};
use crate::profile::Id;
use crate::units::SampleRate;
use crate::words;
use std::collections::BTreeMap;

/// Frames after which a reading is no longer of now: about a second.
const LATELY: u64 = 48_000;
/// Such seconds that are remembered, whole ones.
const REMEMBERED: usize = 5;
/// What is louder than this was heard.
const HEARD_DBFS: f32 = -60.0;
/// A mix-minus that is further than this from the sum of the others is none: -100 dB of the bus, as a ratio of powers.
const LEAKS_FROM: f64 = 1.0e-10;
/// How long a leak is told after it was last found, in frames: about ten seconds.
const LEAK_TOLD: u64 = 480_000;

/// Every so many meter frames the slow figure is looked at for the log: ten seconds.
const LOOKS: u64 = 1_000;

/// The peak meters of one table.
#[derive(Debug, Default)]
pub(super) struct Levels {
    meters: Vec<Meter>,
    /// Frames of the second that is being gathered.
    gathered: u64,
    /// Frames seen in all.
    seen: u64,
    /// Mix-minus buses in which somebody heard themselves, and when last, in frames seen.
    leaks: BTreeMap<Id, u64>,
    /// The slow figure of each follower that was compared.
    own_voices: BTreeMap<u16, Watched>,
    /// Whose points the last frame had.
    compared: Option<u16>,
    /// Frames that had any.
    looks: u64,
}

/// The slow figure of one follower.
#[derive(Debug)]
struct Watched {
    whose: Return,
    correlation: Correlation,
    /// Whether it was told that the voice comes back, and that what is returned does.
    told: [bool; 2],
    /// The look at which it was last compared.
    last: u64,
}

#[derive(Debug)]
struct Meter {
    /// Its place in the table.
    place: usize,
    path: String,
    now: Reading,
    /// Of the whole second before, all that was read.
    last: Reading,
    /// The whole seconds before, the last one first.
    before: [f32; REMEMBERED],
    /// Its sides, where it has two.
    sides_before: Option<[f32; 2]>,
    /// When it last was louder than [`HEARD_DBFS`], in frames seen.
    heard: Option<u64>,
}

impl Levels {
    /// Takes another table over, with what was heard on the meters that stay.
    pub(super) fn change(&mut self, table: &MeterTable) {
        let mut old: BTreeMap<String, Meter> = self.meters.drain(..).map(|meter| (meter.path.clone(), meter)).collect();
        let peaks = table.names.iter().enumerate().filter(|(_, name)| name.quantity == Quantity::Peak);
        self.meters = peaks
            .map(|(place, name)| match old.remove(&name.path) {
                Some(meter) => Meter { place, ..meter },
                None => {
                    let (now, last) = (Reading::default(), Reading::default());
                    let before = [f32::NEG_INFINITY; REMEMBERED];
                    let path = name.path.clone();
                    Meter { place, path, now, last, before, sides_before: None, heard: None }
                }
            })
            .collect();
        // What was found out of somebody is not true of somebody else.
        self.own_voices.retain(|follower, watched| table.mix_minus.get(follower) == Some(&watched.whose));
    }

    /// Takes the points of the one mix-minus that is compared in, and says when a voice begins to come back.
    fn compare(&mut self, table: &MeterTable, compared: &Compared) {
        let follower = compared.follower;
        if compared.fresh {
            self.compared = None;
        }
        let (own, back) = compared.points();
        let Some(whose) = table.mix_minus.get(&follower).filter(|_| !own.is_empty()) else { return };
        let rate = table.names.first().map_or(SampleRate::HZ_48000, |name| name.rate());
        let points_per_second = f64::from(rate.hz()) / f64::from(Compared::point_frames(rate));
        let watched = self.own_voices.entry(follower).or_insert_with(|| Watched {
            whose: whose.clone(),
            correlation: Correlation::new(points_per_second),
            told: [false; 2],
            last: 0,
        });
        if self.compared.replace(follower) != Some(follower) {
            watched.correlation.part();
        }
        watched.correlation.take(own, back);
        self.looks += 1;
        watched.last = self.looks;
        if self.looks.is_multiple_of(LOOKS) {
            let found =
                [watched.correlation.back(), watched.correlation.sent()].map(|echo| echo.filter(Echo::is_heard));
            let bus = &whose.bus;
            let words = [words::wrong::comes_back, words::wrong::sent_back];
            for ((echo, words), told) in found.into_iter().zip(words).zip(&mut watched.told) {
                if let (Some(echo), false) = (echo, *told) {
                    tracing::warn!("{}", words(bus, echo.db, 1e3 * echo.lag_s).0);
                }
                *told = echo.is_some();
            }
        }
    }

    /// What is known of whether somebody's own voice comes back to them, by what they heard last.
    pub(super) fn own_voices(&self) -> Vec<OwnVoice> {
        let mut last: BTreeMap<&Id, &Watched> = BTreeMap::new();
        for watched in self.own_voices.values() {
            let known = last.entry(&watched.whose.bus).or_insert(watched);
            if known.last < watched.last {
                *known = watched;
            }
        }
        let found =
            last.into_iter().map(|(bus, watched)| (bus, watched.correlation.back(), watched.correlation.sent()));
        found.map(|(bus, back, sent)| OwnVoice::new(bus, back, sent)).collect()
    }

    /// Takes a meter frame in, read by the table that was given last.
    pub(super) fn read(&mut self, table: &MeterTable, frame: &MeterFrame) {
        self.seen += frame.frames;
        self.gathered += frame.frames;
        let over = self.gathered >= LATELY;
        if frame.proof.looked_at > 0 && frame.proof.ratio() > LEAKS_FROM {
            let bus = table.mix_minus.get(&frame.proof.follower);
            let bus = bus.map_or_else(|| "mix-minus".into(), |whose| whose.bus.clone());
            if !self.leaks().contains(&bus) {
                let db = 10.0 * frame.proof.ratio().log10();
                tracing::error!("{}", words::log::hears_themselves(&bus, db));
            }
            self.leaks.insert(bus, self.seen);
        }
        self.compare(table, &frame.compared);
        for meter in &mut self.meters {
            let Some(name) = table.names.get(meter.place) else { continue };
            name.read(frame, &mut meter.now);
            if over {
                meter.before.rotate_right(1);
                meter.before[0] = name.peak_dbfs(&meter.now);
                meter.sides_before = name.sides_dbfs(&meter.now);
                if meter.before[0] > HEARD_DBFS {
                    meter.heard = Some(self.seen);
                }
                meter.last = std::mem::take(&mut meter.now);
            }
        }
        if over {
            self.gathered = 0;
        }
    }

    /// What every meter of buses and outputs shows now, or showed over the last whole second, by its path.
    pub(super) fn shown(&self, table: &MeterTable, memory: &MeterMemory) -> BTreeMap<String, f32> {
        let point = |path: &str| path.rsplit_once('/').map_or(String::new(), |(point, _)| point.to_owned());
        let read: BTreeMap<String, Reading> =
            self.meters.iter().map(|meter| (point(&meter.path), meter.last)).collect();
        let destinations = table.names.iter().filter(|name| !name.path.starts_with("/meter/channel/"));
        destinations
            .map(|name| {
                let reading = read.get(&point(&name.path)).copied().unwrap_or_default();
                (name.path.clone(), name.value(&reading, memory))
            })
            .collect()
    }

    /// The mix-minus buses in which somebody heard themselves lately.
    pub(super) fn leaks(&self) -> Vec<Id> {
        let lately = self.leaks.iter().filter(|(_, at)| self.seen - **at < LEAK_TOLD);
        lately.map(|(bus, _)| bus.clone()).collect()
    }

    /// What was heard on each meter, by its path.
    pub(super) fn heard(&self, table: &MeterTable, rate_hz: u32) -> BTreeMap<String, Heard> {
        let meters = self.meters.iter().filter_map(|meter| Some((meter, table.names.get(meter.place)?)));
        meters
            .map(|(meter, name)| {
                let peak_dbfs = name.peak_dbfs(&meter.now).max(meter.before[0]);
                let loudest_dbfs = meter.before.iter().copied().fold(peak_dbfs, f32::max);
                let heard = if peak_dbfs > HEARD_DBFS { Some(self.seen) } else { meter.heard };
                let quiet_s = heard.map(|at| (self.seen - at) / u64::from(rate_hz.max(1)));
                let now = name.sides_dbfs(&meter.now);
                let sides_dbfs = match (now, meter.sides_before) {
                    (Some(now), Some(before)) => Some([now[0].max(before[0]), now[1].max(before[1])]),
                    (now, before) => now.or(before),
                };
                (meter.path.clone(), Heard { peak_dbfs, loudest_dbfs, quiet_s, sides_dbfs })
            })
            .collect()
    }
}
