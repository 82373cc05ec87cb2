//! The table of meters: which names there are now, and where in a meter frame each is read.
//!
//! ```text
//! /meter/channel/ID/input/{peak,level,clips}                  after the trim
//! /meter/channel/ID/after-fader/{peak,level,...}              the highest of both sides of a stereo channel
//! /meter/talkback/ID/input/{peak,level,clips}                 before its key
//! /meter/bus/ID/{left,right}/{peak,level,...}                 each side of a bus, and the same of every output
//! /meter/bus/ID/stereo/{correlation,mono-loss}                and of stereo channels
//! /meter/bus/ID/loudness/{momentary,short-term,...}           and of channels, after the fader
//! /meter/bus/ID/leveller/gain                                 what is measured above is before it
//! /meter/desk/listen/{left,right,stereo,loudness}/...         the channels that are listened to, while an output listens
//! /meter/output/ID/limiter/reduction                          what is measured above is before it
//! /meter/output/ID/lip-sync/{delay,limiter,device,total}      by how much the output is late, ms, and nothing above is
//! ```

use super::Desk;
use super::console::source_of;
use super::layout::Place;
use super::meter_memory::{MeterMemory, Thing};
use super::stages::OCTAVE_DB;
use crate::dsp::ballistics::PeakBar;
use crate::dsp::level::db_from_linear;
use crate::dsp::math::log10;
use crate::dsp::scale::{self, Alignment};
use crate::engine::{Bank, MeterFrame};
use crate::profile::Id;
use crate::units::SampleRate;

/// What a meter without a signal shows: infinities do not go over the wire.
pub const FLOOR_DBFS: f32 = -150.0;

/// What is measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Quantity {
    /// Highest sample, dBFS.
    Peak,
    /// Mean power over the frames read, dBFS of a full-scale sine at its RMS: -3.01 for a full-scale sine.
    Level,
    /// Samples at full scale before the trim: a count.
    Clips,
    /// The most that a stage took off, in dB; 0 when it took nothing.
    StageReduction,
    /// 1 when a gate was open at any time, else 0.
    Open,
    /// Highest point between the samples, dBTP.
    TruePeak,
    /// Highest reading of a quasi-peak meter of Type I on its scale: dB, 0 for a sine at -12 dBFS.
    QuasiPeakI,
    /// The same of Type II on the scale of IIa: marks 1 to 7, mark 4 at -18 dBFS, 4 dB to a mark.
    QuasiPeakIIa,
    /// The same on the scale of IIb: dB from the test level of -18 dBFS.
    QuasiPeakIIb,
    /// The needle of a VU meter now, VU: 0 for a sine at -18 dBFS.
    Vu,
    /// The bar of a digital peak meter now, dBFS: falls 20 dB in 1.7 s.
    PeakFalling,
    /// Its held maximum, dBFS: for 1 s.
    PeakHeld,
    /// Its overload light: 1 for a second after a sample at full scale, else 0.
    Over,
    /// Mean of the samples, of full scale.
    Dc,
    /// Flat tops: a count.
    FlatTops,
    /// How alike both sides are, -1 to +1; 0 when one is silent.
    Correlation,
    /// What is lost when both sides are summed to mono, dB.
    MonoLoss,
    /// Loudness of the last 400 ms, LUFS.
    Momentary,
    /// Loudness of the last 3 s, LUFS.
    ShortTerm,
    /// Integrated loudness, LUFS.
    Integrated,
    /// Loudness range, LU.
    Range,
    /// Highest momentary loudness, LUFS.
    MomentaryMax,
    /// Highest short-term loudness, LUFS.
    ShortTermMax,
    /// Highest true peak measured with these, dBTP.
    TruePeakMax,
    /// How long has been measured, s.
    Measured,
    /// The leveller's gain now, dB.
    Leveller,
    /// What the rest of the show has to be to bring the whole to the target, LUFS.
    Heading,
    /// Seconds of the show that are left, -1 while nobody has said how long it is.
    Left,
    /// Highest reduction by either limiter of an output, dB.
    Reduction,
    /// By how much an output is asked to be delayed, ms: a part of the lip-sync figure.
    DelayLate,
    /// By how much that limiter delays, ms: another part.
    LimiterLate,
    /// By how much the output's device does, ms: the last part; -1 while it has not said.
    DeviceLate,
    /// The lip-sync figure, ms: all of it.
    Late,
}

/// What every point after a fader shows.
const LEVELS: [(&str, Quantity); 12] = [
    ("peak", Quantity::Peak),
    ("level", Quantity::Level),
    ("true-peak", Quantity::TruePeak),
    ("peak-falling", Quantity::PeakFalling),
    ("peak-held", Quantity::PeakHeld),
    ("over", Quantity::Over),
    ("quasi-peak-i", Quantity::QuasiPeakI),
    ("quasi-peak-iia", Quantity::QuasiPeakIIa),
    ("quasi-peak-iib", Quantity::QuasiPeakIIb),
    ("vu", Quantity::Vu),
    ("dc", Quantity::Dc),
    ("flat-tops", Quantity::FlatTops),
];

/// What two sides show together.
const STEREO: [(&str, Quantity); 2] = [("correlation", Quantity::Correlation), ("mono-loss", Quantity::MonoLoss)];

/// What the limiters of an output show.
const LIMITER: [(&str, Quantity); 1] = [("reduction", Quantity::Reduction)];

/// By how much an output is late.
const LIP_SYNC: [(&str, Quantity); 4] = [
    ("delay", Quantity::DelayLate),
    ("limiter", Quantity::LimiterLate),
    ("device", Quantity::DeviceLate),
    ("total", Quantity::Late),
];

/// What a measurement of loudness shows.
const LOUDNESS: [(&str, Quantity); 10] = [
    ("momentary", Quantity::Momentary),
    ("short-term", Quantity::ShortTerm),
    ("integrated", Quantity::Integrated),
    ("range", Quantity::Range),
    ("momentary-max", Quantity::MomentaryMax),
    ("short-term-max", Quantity::ShortTermMax),
    ("true-peak-max", Quantity::TruePeakMax),
    ("measured", Quantity::Measured),
    ("heading", Quantity::Heading),
    ("left", Quantity::Left),
];

/// Where in the strip.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Point {
    Input,
    After,
    Gate,
    GateOpen,
    Compressor,
    DeEsser,
    Sharing,
    Ducking,
}

/// One meter: its path and where it is read.
#[derive(Clone, Debug, PartialEq)]
pub struct MeterName {
    /// Its OSC path, `/meter/channel/lectern/input/peak`.
    pub path: String,
    /// What is measured.
    pub quantity: Quantity,
    bank: Bank,
    place: Place,
    point: Point,
    /// Whose memory it shows, `/bus/programme`, where it shows one.
    of: String,
    /// Which columns of that one: 0 for the first.
    side: usize,
    rate: SampleRate,
    /// The device of an output.
    device: Option<Id>,
}

/// What one follower has not yet seen of one meter.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Reading {
    peak: f32,
    true_peak: f32,
    quasi: [f32; 2],
    energy: f64,
    sides: [f64; 2],
    product: f64,
    sum: f64,
    clips: u32,
    flat_tops: u32,
    reduction: f32,
    leveller: f32,
    frames: u64,
}

impl MeterName {
    /// Takes what a meter frame says into a reading: maxima of peaks, sums of energy and counts.
    pub fn read(&self, frame: &MeterFrame, into: &mut Reading) {
        into.frames += frame.frames;
        for (side, (group, lane)) in self.places().enumerate() {
            let group = &frame.groups[group];
            let (peak, energy) = match self.point {
                Point::Input => (group.input_peak[lane], group.input_energy[lane]),
                Point::After => (group.peak[lane], group.energy[lane]),
                Point::Gate => (group.gate[lane], 0.0),
                Point::GateOpen => (group.gate_open[lane], 0.0),
                Point::Compressor => (group.compressor[lane], 0.0),
                Point::DeEsser => (group.de_esser[lane], 0.0),
                Point::Sharing => (group.sharing[lane], 0.0),
                Point::Ducking => (group.ducking[lane], 0.0),
            };
            into.peak = into.peak.max(peak);
            into.true_peak = into.true_peak.max(peak).max(group.true_peak[lane]);
            into.quasi[0] = into.quasi[0].max(group.quasi_1[lane]);
            into.quasi[1] = into.quasi[1].max(group.quasi_2[lane]);
            into.energy += energy / f64::from(self.place.width);
            into.sides[side.min(1)] += energy;
            into.product += group.product[lane] / 2.0;
            into.sum += group.sum[lane] / f64::from(self.place.width);
            into.clips = into.clips.saturating_add(group.clips[lane]);
            into.flat_tops = into.flat_tops.saturating_add(group.flat_tops[lane]);
            into.reduction = into.reduction.max(group.reduction[lane]);
            into.leveller = group.leveller[lane];
        }
    }

    /// Whose memory it shows.
    #[must_use]
    pub fn remembered(&self) -> Option<&str> {
        (self.quantity == Quantity::Momentary).then_some(&*self.of)
    }

    /// The engine's rate.
    #[must_use]
    pub const fn rate(&self) -> SampleRate {
        self.rate
    }

    /// In a meter frame, where its columns are: group and lane.
    pub fn places(&self) -> impl Iterator<Item = (usize, usize)> {
        self.place.columns().map(|column| MeterFrame::place(self.bank, column))
    }

    /// The highest sample of a reading, dBFS, whatever the meter shows.
    #[must_use]
    pub fn peak_dbfs(&self, reading: &Reading) -> f32 {
        db_from_linear(reading.peak).max(FLOOR_DBFS)
    }

    /// The mean level of both sides of a reading of two columns, dBFS.
    #[must_use]
    #[expect(clippy::cast_precision_loss, clippy::cast_possible_truncation, reason = "shown to a dB")]
    pub fn sides_dbfs(&self, reading: &Reading) -> Option<[f32; 2]> {
        let frames = reading.frames.max(1) as f64;
        let level = |energy: f64| db_from_linear(((energy / frames) as f32).sqrt()).max(FLOOR_DBFS);
        (self.place.width == 2).then(|| reading.sides.map(level))
    }

    /// The number that goes over the wire.
    #[must_use]
    #[expect(clippy::cast_precision_loss, clippy::cast_possible_truncation, reason = "shown to a tenth of a dB")]
    pub fn value(&self, reading: &Reading, memory: &MeterMemory) -> f32 {
        let frames = reading.frames.max(1) as f64;
        let remembered =
            |of: fn(&Thing) -> Option<f64>| memory.of(&self.of).and_then(of).map_or(FLOOR_DBFS, |db| db as f32);
        let quasi = |of: usize| db_from_linear(reading.quasi[of]).max(FLOOR_DBFS);
        let width = usize::from(self.place.width);
        let sides = self.side..self.side + width;
        let bar = |of: fn(&PeakBar) -> f64| {
            let bars = memory.of(&self.of).map(|thing| thing.bars[sides.clone()].iter().map(of).fold(0.0, f64::max));
            db_from_linear(bars.unwrap_or(0.0) as f32)
        };
        let shown = match self.quantity {
            Quantity::Peak => db_from_linear(reading.peak),
            Quantity::Level => db_from_linear(((reading.energy / frames) as f32).sqrt()),
            Quantity::Clips => return reading.clips as f32,
            Quantity::FlatTops => return reading.flat_tops as f32,
            Quantity::TruePeak => db_from_linear(reading.true_peak),
            Quantity::QuasiPeakI => scale::QUASI_PEAK_I.place(quasi(0), Alignment::EBU_R68),
            Quantity::QuasiPeakIIa => return scale::QUASI_PEAK_IIA.place(quasi(1), Alignment::EBU_R68),
            Quantity::QuasiPeakIIb => scale::QUASI_PEAK_IIB.place(quasi(1), Alignment::EBU_R68),
            Quantity::Vu => {
                let needles =
                    memory.of(&self.of).map(|thing| thing.needles[sides.clone()].iter().map(|needle| needle.vu()));
                needles.map_or(f64::NEG_INFINITY, |vu| vu.fold(f64::NEG_INFINITY, f64::max)) as f32
            }
            Quantity::StageReduction => return (f64::from(reading.peak) * OCTAVE_DB) as f32,
            Quantity::Open => return reading.peak,
            Quantity::PeakFalling => bar(|bar| bar.bar()),
            Quantity::PeakHeld => bar(|bar| bar.held()),
            Quantity::Over => {
                let over = memory.of(&self.of).is_some_and(|thing| thing.bars[sides].iter().any(PeakBar::over));
                return if over { 1.0 } else { 0.0 };
            }
            Quantity::Dc => return (reading.sum / frames) as f32,
            Quantity::Correlation => {
                let norm = (reading.sides[0] * reading.sides[1]).sqrt();
                return if norm > 0.0 { (reading.product / norm).clamp(-1.0, 1.0) as f32 } else { 0.0 };
            }
            Quantity::MonoLoss => {
                let both = reading.sides[0] + reading.sides[1];
                if both <= 0.0 {
                    return 0.0;
                }
                (10.0 * log10(((both + 2.0 * reading.product) / (2.0 * both)).max(0.0))) as f32
            }
            Quantity::Momentary => remembered(|thing| Some(thing.loudness.momentary())),
            Quantity::ShortTerm => remembered(|thing| Some(thing.loudness.short_term())),
            Quantity::Integrated => remembered(|thing| thing.loudness.integrated()),
            Quantity::Range => return remembered(|thing| Some(thing.loudness.range().unwrap_or(0.0))),
            Quantity::MomentaryMax => remembered(|thing| thing.loudness.momentary_max()),
            Quantity::ShortTermMax => remembered(|thing| thing.loudness.short_term_max()),
            Quantity::TruePeakMax => remembered(|thing| Some(f64::from(db_from_linear(thing.true_peak_max)))),
            Quantity::Leveller => return reading.leveller,
            Quantity::Heading => {
                memory.heading(&self.of).and_then(|heading| heading.lufs).map_or(FLOOR_DBFS, |lufs| lufs as f32)
            }
            Quantity::Left => return memory.left_s(&self.of).map_or(-1.0, |left_s| left_s as f32),
            Quantity::Reduction => return -db_from_linear(1.0 - reading.reduction).max(FLOOR_DBFS),
            Quantity::DelayLate => return self.late_ms(memory, |thing| thing.delay_frames),
            Quantity::LimiterLate => return self.late_ms(memory, |thing| thing.late_frames),
            Quantity::DeviceLate => return self.device_late_ms(memory).unwrap_or(-1.0),
            Quantity::Late => {
                let ours = self.late_ms(memory, |thing| thing.delay_frames + thing.late_frames);
                return ours + self.device_late_ms(memory).unwrap_or(0.0);
            }
            Quantity::Measured => return remembered(|thing| Some(thing.loudness.measured_s())),
        };
        shown.max(FLOOR_DBFS)
    }

    #[expect(clippy::cast_precision_loss, reason = "a rate in Hz")]
    fn late_ms(&self, memory: &MeterMemory, frames: impl Fn(&Thing) -> f32) -> f32 {
        memory.of(&self.of).map_or(0.0, |thing| frames(thing) * 1e3 / self.rate.hz() as f32)
    }

    fn device_late_ms(&self, memory: &MeterMemory) -> Option<f32> {
        memory.device_late_ms(self.device.as_ref()?)
    }
}

impl Desk {
    /// Every meter there is now: channels at their input and after the fader, both sides of every bus and output, the loudness
    /// of channels and buses.
    #[must_use]
    pub fn meter_table(&self) -> Vec<MeterName> {
        let mut table = Vec::new();
        let rate = self.rate();
        let device = |of: &str| {
            let id = of.strip_prefix("/output/")?;
            self.rig().outputs.iter().find(|output| *output.id == *id).map(|output| output.device.clone())
        };
        let mut add = |of: &str, point: Point, bank, place: Place, side, rows: &[(&str, Quantity)], word: &str| {
            table.extend(rows.iter().map(|(name, quantity)| MeterName {
                path: format!("/meter{of}/{word}/{name}"),
                quantity: *quantity,
                bank,
                place,
                point,
                of: of.to_owned(),
                side,
                rate,
                device: device(of),
            }));
        };
        let input = [("peak", Quantity::Peak), ("level", Quantity::Level), ("clips", Quantity::Clips)];
        for channel in self.channels() {
            let Some(place) = self.stage.place(Bank::Sources, &channel.id) else { continue };
            let of = format!("/channel/{}", channel.id);
            add(&of, Point::Input, Bank::Sources, place, 0, &input, "input");
            add(&of, Point::After, Bank::Sources, place, 0, &LEVELS, "after-fader");
            if place.width == 2 {
                add(&of, Point::After, Bank::Sources, place, 0, &STEREO, "stereo");
            }
            add(&of, Point::After, Bank::Sources, place, 0, &LOUDNESS, "loudness");
            for (row, point, word) in [
                (("reduction", Quantity::StageReduction), Point::Gate, "gate"),
                (("open", Quantity::Open), Point::GateOpen, "gate"),
                (("reduction", Quantity::StageReduction), Point::Compressor, "compressor"),
                (("reduction", Quantity::StageReduction), Point::DeEsser, "de-esser"),
                (("reduction", Quantity::StageReduction), Point::Sharing, "sharing"),
                (("reduction", Quantity::StageReduction), Point::Ducking, "ducking"),
            ] {
                add(&of, point, Bank::Sources, place, 0, &[row], word);
            }
        }
        for talkback in self.talkbacks() {
            let Some(place) = self.stage.place(Bank::Sources, &source_of(&talkback.id)) else { continue };
            add(&format!("/talkback/{}", talkback.id), Point::Input, Bank::Sources, place, 0, &input, "input");
        }
        let buses = self.buses().map(|bus| (format!("/bus/{}", bus.id), &*bus.id, Bank::Buses));
        let listen = ("/desk/listen".to_owned(), super::console::LISTEN_BUS, Bank::Buses);
        let outputs = self.rig().outputs.iter();
        let outputs = outputs.map(|output| (format!("/output/{}", output.id), &*output.id, Bank::Outputs));
        for (of, id, bank) in buses.chain([listen]).chain(outputs) {
            let Some(place) = self.stage.place(bank, id) else { continue };
            for (side, word) in ["left", "right"].into_iter().enumerate() {
                let place = Place { first: place.first + u16::from(side == 1), width: 1 };
                add(&of, Point::After, bank, place, side, &LEVELS, word);
            }
            add(&of, Point::After, bank, place, 0, &STEREO, "stereo");
            add(&of, Point::After, bank, place, 0, &LOUDNESS, "loudness");
            if bank == Bank::Buses {
                let reduction = [("reduction", Quantity::StageReduction)];
                add(&of, Point::Compressor, bank, place, 0, &reduction, "compressor");
                add(&of, Point::Ducking, bank, place, 0, &reduction, "ducking");
                add(&of, Point::After, bank, place, 0, &[("gain", Quantity::Leveller)], "leveller");
            }
            if bank == Bank::Outputs {
                add(&of, Point::After, bank, place, 0, &LIMITER, "limiter");
                add(&of, Point::After, bank, place, 0, &LIP_SYNC, "lip-sync");
            }
        }
        table
    }
}
