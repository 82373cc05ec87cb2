//! What remembers among the meters: loudness, the needles of VU meters, bars that fall, the highest true peak.
//!
//! Fed with the engine's meter frames outside of it. Of a frame that stands for more than one step, because nobody read meters
//! for a while, the energy of every step is known, and loudness is what it would have been; the rest (needles, bars, and energy
//! beyond what the crossing keeps) is spread evenly over its steps: nothing is lost, only when within it that was.

use super::meters::MeterName;
use crate::dsp::ballistics::{Needle, NeedleLaw, PeakBar};
use crate::dsp::k_weighting::KWeighting;
use crate::dsp::loudness::{Heading, Loudness, STEPS_PER_SECOND};
use crate::engine::MeterFrame;
use crate::profile::Id;
use std::collections::BTreeMap;

/// Silence that is put in for frames that were never made; more changes no window.
const GAP_STEPS_MAX: u64 = 300;

/// What can be asked of measurements: integrated loudness, range and the highest values always together (EBU Tech 3341).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Order {
    /// From nothing, and on.
    Start,
    /// What comes does not count.
    Pause,
    /// It counts again.
    Continue,
    /// To nothing; paused or not as before.
    Reset,
}

/// One channel or bus.
#[derive(Clone, Debug)]
pub struct Thing {
    /// In a meter frame, where its columns are: group and lane.
    places: Vec<(usize, usize)>,
    /// Its loudness.
    pub loudness: Loudness,
    /// Frames that the limiter of an output looks ahead.
    pub late_frames: f32,
    /// Frames that an output is delayed by besides.
    pub delay_frames: f32,
    /// The highest true peak while the measurement ran, as amplitude.
    pub true_peak_max: f32,
    /// One for each column.
    pub needles: [Needle; 2],
    /// One for each column.
    pub bars: [PeakBar; 2],
    /// Of each column in the frame that is being read: mean magnitude and highest sample.
    magnitudes: [f64; 2],
    peaks: [f64; 2],
}

/// Every channel and bus by its address, `/bus/programme`.
#[derive(Debug)]
pub struct MeterMemory {
    things: BTreeMap<String, Thing>,
    hertz: u64,
    /// See [`KWeighting::trim`].
    trim: f64,
    /// The frame after the last one read.
    next: Option<u64>,
    needle: NeedleLaw,
    keep: f64,
    /// Whether new measurements run.
    runs: bool,
    /// The loudness that a show is to come to, LUFS, and how long it lasts, s; none while nobody has said.
    show: Option<(f64, f64)>,
    /// By how much devices say that their outputs are late, ms.
    devices: BTreeMap<Id, f32>,
}

impl Default for MeterMemory {
    fn default() -> Self {
        Self {
            things: BTreeMap::new(),
            hertz: 48_000,
            trim: 1.0,
            next: None,
            needle: NeedleLaw::vu(),
            keep: PeakBar::keep(),
            runs: true,
            show: None,
            devices: BTreeMap::new(),
        }
    }
}

impl MeterMemory {
    /// Takes over a table of meters: what stays keeps its memory, wherever its columns are now.
    pub fn take_table(&mut self, names: &[MeterName]) {
        let mut things = BTreeMap::new();
        for name in names {
            let Some(of) = name.remembered() else { continue };
            if things.contains_key(of) {
                continue;
            }
            if self.hertz != u64::from(name.rate().hz()) {
                self.hertz = u64::from(name.rate().hz());
                self.trim = KWeighting::new(name.rate()).trim;
            }
            let places: Vec<_> = name.places().collect();
            let thing = match self.things.remove(of) {
                Some(known) => Thing { places, ..known },
                None => {
                    let mut loudness = Loudness::new();
                    if !self.runs {
                        loudness.pause();
                    }
                    let (needles, bars) = (Default::default(), Default::default());
                    let (magnitudes, peaks) = ([0.0; 2], [0.0; 2]);
                    Thing {
                        places,
                        loudness,
                        late_frames: 0.0,
                        delay_frames: 0.0,
                        true_peak_max: 0.0,
                        needles,
                        bars,
                        magnitudes,
                        peaks,
                    }
                }
            };
            things.insert(of.to_owned(), thing);
        }
        self.things = things;
    }

    /// Takes a meter frame in.
    pub fn read(&mut self, frame: &MeterFrame) {
        #[expect(clippy::cast_precision_loss, reason = "2^53 frames are 5,900 years")]
        let frames = frame.frames.max(1) as f64;
        for thing in self.things.values_mut() {
            (thing.magnitudes, thing.peaks) = ([0.0; 2], [0.0; 2]);
            (thing.late_frames, thing.delay_frames) = (0.0, 0.0);
            for (side, (group, lane)) in thing.places.iter().enumerate() {
                let group = &frame.groups[*group];
                thing.magnitudes[side.min(1)] = group.magnitude[*lane] / frames;
                thing.peaks[side.min(1)] = f64::from(group.peak[*lane]);
                thing.late_frames = thing.late_frames.max(group.latency[*lane]);
                thing.delay_frames = thing.delay_frames.max(group.delay[*lane]);
                if thing.loudness.runs() {
                    thing.true_peak_max = thing.true_peak_max.max(group.true_peak[*lane]).max(group.peak[*lane]);
                }
            }
        }
        let mut known = 0;
        for step in &frame.steps {
            known += step.frames;
            self.pass(step.start, step.frames, |group, lane| f64::from(step.weighted[group][lane]));
        }
        if known < frame.frames {
            let start = frame.steps.last().map_or(frame.start, |step| step.start + step.frames);
            self.pass(start, frame.frames - known, |group, lane| {
                let known: f64 = frame.steps.iter().map(|step| f64::from(step.weighted[group][lane])).sum();
                (frame.groups[group].weighted[lane] - known).max(0.0)
            });
        }
    }

    /// Lets the time of these frames pass for everything; `weighted` gives the sum of K-weighted squares of a column over them.
    fn pass(&mut self, start: u64, frames: u64, weighted: impl Fn(usize, usize) -> f64) {
        // A boundary lies at the last whole frame before its time, so steps are counted upwards.
        let steps_to = |frame: u64| (frame * STEPS_PER_SECOND).div_ceil(self.hertz);
        let gap = self.next.map_or(0, |next| steps_to(start).saturating_sub(steps_to(next)));
        let end = start + frames;
        let steps = steps_to(end).saturating_sub(steps_to(start));
        self.next = Some(end);
        #[expect(clippy::cast_precision_loss, reason = "2^53 frames are 5,900 years")]
        let by_frame = self.trim / frames.max(1) as f64;
        for thing in self.things.values_mut() {
            for _ in 0..gap.min(GAP_STEPS_MAX) {
                thing.step(&self.needle, self.keep, 0.0, [0.0; 2], [0.0; 2]);
            }
            let power = thing.places.iter().map(|(group, lane)| weighted(*group, *lane)).sum::<f64>() * by_frame;
            for _ in 0..steps {
                thing.step(&self.needle, self.keep, power, thing.magnitudes, thing.peaks);
            }
        }
    }

    /// Does as it is told to every measurement whose address fits; says how many those are.
    pub fn order(&mut self, order: Order, fits: impl Fn(&str) -> bool) -> usize {
        let mut count = 0;
        for (_, thing) in self.things.iter_mut().filter(|(address, _)| fits(address)) {
            count += 1;
            match order {
                Order::Start => {
                    thing.reset();
                    thing.loudness.run();
                }
                Order::Pause => thing.loudness.pause(),
                Order::Continue => thing.loudness.run(),
                Order::Reset => thing.reset(),
            }
        }
        if count == self.things.len() {
            self.runs = match order {
                Order::Start | Order::Continue => true,
                Order::Pause => false,
                Order::Reset => self.runs,
            };
        }
        count
    }

    /// What a show is to come to, LUFS, and how many seconds of it there will be.
    pub fn aim_show(&mut self, target_lufs: f64, whole_s: f64) {
        self.show = Some((target_lufs, whole_s));
    }

    /// How the rest of the show has to be so that the whole comes to its target; none while nobody has said what that is.
    #[must_use]
    pub fn heading(&self, address: &str) -> Option<Heading> {
        let (target_lufs, whole_s) = self.show?;
        Some(self.of(address)?.loudness.heading_for(target_lufs, whole_s))
    }

    /// Seconds of the show that are left; none while nobody has said how long it is.
    #[must_use]
    pub fn left_s(&self, address: &str) -> Option<f64> {
        let (_, whole_s) = self.show?;
        Some(self.of(address)?.loudness.left_s(whole_s))
    }

    /// By how much a device says that its outputs are late, ms; none when it is gone or says nothing.
    pub fn note_device_late(&mut self, device: &Id, ms: Option<f32>) {
        match ms {
            Some(ms) => self.devices.insert(device.clone(), ms),
            None => self.devices.remove(device),
        };
    }

    /// The same.
    #[must_use]
    pub fn device_late_ms(&self, device: &Id) -> Option<f32> {
        self.devices.get(device).copied()
    }

    /// What is remembered of a channel or bus.
    #[must_use]
    pub fn of(&self, address: &str) -> Option<&Thing> {
        self.things.get(address)
    }
}

impl Thing {
    fn step(&mut self, law: &NeedleLaw, keep: f64, power: f64, magnitudes: [f64; 2], peaks: [f64; 2]) {
        self.loudness.step(power);
        for (needle, magnitude) in self.needles.iter_mut().zip(magnitudes) {
            needle.step(law, magnitude);
        }
        for (bar, peak) in self.bars.iter_mut().zip(peaks) {
            bar.step(keep, peak);
        }
    }

    fn reset(&mut self) {
        self.loudness.reset();
        self.true_peak_max = 0.0;
    }
}
