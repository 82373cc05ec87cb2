//! The stages of sixteen columns between trim and fader: high-pass, gate, equaliser, compressor, de-esser.
//!
//! In this order. The equaliser stands twice, before and after the compressor; a column uses one of the two, so which
//! comes first is a matter of what is aimed where, and may change while it plays. A stage in which no column of the group
//! does anything is not run; a column that is off in one that is run comes through it bit for bit.

use super::limits::TICK;
use super::strip::GroupAudio;
use crate::dsp::dynamics::{Behind, Compressor, DeEsser, Gate, Kept, Through};
use crate::dsp::lanes::{Kernel, LANES, Lanes, Row, Vectors};
use crate::dsp::section::{Coefficients, Filter, Section};
use crate::units::SampleRate;

/// Sections of the high-pass.
pub const HIGH_PASS_SECTIONS: usize = 2;
/// Bands of an equaliser.
pub const BANDS: usize = 4;
const BEFORE: usize = HIGH_PASS_SECTIONS;
const AFTER: usize = BEFORE + BANDS;
const SECTIONS: usize = AFTER + BANDS;
const FRAMES: f32 = TICK as f32;

/// One value of the stages. What the numbers stand for is said at the stage itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum StageValue {
    /// A number of one of the two sections of the high-pass.
    HighPass {
        /// Which section.
        section: u8,
        /// Which number of [`Coefficients`].
        value: u8,
    },
    /// A number of a band of the equaliser.
    Band {
        /// Whether of the equaliser that stands after the compressor.
        after: bool,
        /// Which band, lowest first.
        band: u8,
        /// Which number of [`Coefficients`].
        value: u8,
    },
    /// A value of the [`Gate`].
    Gate(u8),
    /// A value of the [`Compressor`].
    Compressor(u8),
    /// A value of the [`DeEsser`].
    DeEsser(u8),
    /// 1 when the dynamics of the column listen to its neighbour too.
    Linked,
}

impl StageValue {
    /// Whether it is a number of a filter.
    ///
    /// Real-time: safe
    #[must_use]
    pub const fn is_of_a_filter(self) -> bool {
        matches!(self, Self::HighPass { .. } | Self::Band { .. })
    }

    /// What a column has that was never told.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn unset(self) -> f32 {
        match self {
            Self::HighPass { value, .. } | Self::Band { value, .. } => Coefficients::NEUTRAL.values[usize::from(value)],
            Self::Gate(value) => Gate::OFF[usize::from(value)],
            Self::Compressor(value) => Compressor::OFF[usize::from(value)],
            Self::DeEsser(value) => DeEsser::OFF[usize::from(value)],
            Self::Linked => 0.0,
        }
    }
}

/// The reductions of a group since they were last taken, in octaves of amplitude, and whether its gates were open.
#[derive(Clone, Debug)]
pub struct Reductions {
    /// Highest reduction of the gates.
    pub gate: Row,
    /// 1 for each gate that was open at any time.
    pub gate_open: Row,
    /// Highest reduction of the compressors.
    pub compressor: Row,
    /// Highest reduction of the de-essers.
    pub de_esser: Row,
}

/// The stages of sixteen columns.
#[derive(Clone, Debug)]
pub struct Stages {
    sections: [Section; SECTIONS],
    gate: Gate,
    compressor: Compressor,
    de_esser: DeEsser,
    linked: Row,
    /// The compressor's gains in the last segment, if they are kept.
    gains: Option<Box<GroupAudio>>,
    /// What a glide gains of its way per tick.
    gain: f32,
    /// Whether any value may move before the next grid line.
    moving: bool,
}

/// At a grid line: what has arrived stands still, what has not goes on.
struct Settle<'a>(&'a mut Stages);

impl Kernel for Settle<'_> {
    type Output = ();

    #[inline(always)]
    fn run<V: Lanes>(self) {
        let Stages { sections, gate, compressor, de_esser, gain, moving, .. } = self.0;
        for section in sections.iter_mut() {
            section.settle::<V>(*gain, FRAMES);
        }
        gate.settle::<V>(*gain, FRAMES);
        compressor.settle::<V>(*gain, FRAMES);
        de_esser.settle::<V>(*gain, FRAMES);
        *moving = sections.iter().any(Section::moving) || gate.moving() || compressor.moving() || de_esser.moving();
    }
}

/// A segment through some sections, tick by tick.
fn filter(sections: &mut [Section], audio: &mut [Row], grid: bool, vectors: Vectors) {
    for audio in audio.chunks_mut(TICK) {
        vectors.run(Filter { sections: &mut *sections, audio, grid });
    }
}

impl Stages {
    /// Everything off; `follow` is what a one-pole gains of its way per frame.
    ///
    /// Real-time: never
    #[must_use]
    pub fn new(rate: SampleRate, follow: f32) -> Self {
        let kept = (0..TICK).fold(1.0, |kept: f32, _| kept * (1.0 - follow));
        Self {
            sections: std::array::from_fn(|_| Section::new()),
            gate: Gate::new(rate),
            compressor: Compressor::new(rate),
            de_esser: DeEsser::new(rate),
            linked: [0.0; LANES],
            gains: None,
            gain: 1.0 - kept,
            moving: false,
        }
    }

    /// Keeps the gains of the compressor from now on.
    ///
    /// Real-time: never
    #[must_use]
    pub fn keeping_gains(mut self) -> Self {
        self.gains = Some(Box::new(GroupAudio::all(1.0)));
        self
    }

    /// The gains of the compressor in the last segment; none while it does nothing, or when they are not kept.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn compressor_gains(&self) -> Option<&GroupAudio> {
        self.gains.as_deref().filter(|_| self.compressor.busy())
    }

    /// Aims one value of a column.
    ///
    /// Real-time: safe
    pub fn set(&mut self, lane: usize, which: StageValue, to: f32, at_once: bool) {
        self.moving = true;
        match which {
            StageValue::HighPass { section, value } => {
                self.sections[usize::from(section)].set(lane, usize::from(value), to, at_once);
            }
            StageValue::Band { after, band, value } => {
                let first = if after { AFTER } else { BEFORE };
                self.sections[first + usize::from(band)].set(lane, usize::from(value), to, at_once);
            }
            StageValue::Gate(value) => self.gate.set(lane, usize::from(value), to, at_once),
            StageValue::Compressor(value) => self.compressor.set(lane, usize::from(value), to, at_once),
            StageValue::DeEsser(value) => self.de_esser.set(lane, usize::from(value), to, at_once),
            StageValue::Linked => self.linked[lane] = to,
        }
    }

    /// Everything off in a column, from the next frame on.
    ///
    /// Real-time: safe
    pub fn clear(&mut self, lane: usize) {
        self.moving = true;
        self.sections.iter_mut().for_each(|section| section.clear(lane));
        self.gate.clear(lane);
        self.compressor.clear(lane);
        self.de_esser.clear(lane);
        self.linked[lane] = 0.0;
    }

    /// Gives a column the values of another, and their ways; its filters and detectors start from rest.
    ///
    /// Real-time: safe
    pub fn copy(&mut self, lane: usize, other: &Self, of: usize) {
        self.copy_filters(lane, other, of);
        self.gate.copy(lane, &other.gate, of);
        self.compressor.copy(lane, &other.compressor, of);
        self.de_esser.copy(lane, &other.de_esser, of);
        self.linked[lane] = other.linked[of];
    }

    /// Gives a column the filters of another, and their ways, from rest; and nothing else.
    ///
    /// Real-time: safe
    pub fn copy_filters(&mut self, lane: usize, other: &Self, of: usize) {
        self.moving = true;
        for (section, other) in self.sections.iter_mut().zip(&other.sections) {
            section.copy(lane, other, of);
        }
    }

    /// At a grid line: what has arrived stands still, what has not goes on.
    ///
    /// Real-time: safe
    pub fn settle(&mut self, vectors: Vectors) {
        if self.moving {
            vectors.run(Settle(self));
        }
    }

    /// Whether any value may move before the next grid line.
    ///
    /// Real-time: safe
    #[must_use]
    pub const fn moving(&self) -> bool {
        self.moving
    }

    /// Whether any stage does anything in any column.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn busy(&self) -> bool {
        let dynamics = self.gate.busy() || self.compressor.busy() || self.de_esser.busy();
        dynamics || self.sections.iter().any(Section::busy)
    }

    /// Whether everything that runs is at rest, so that silence would come out as silence and leave no trace.
    ///
    /// Real-time: safe
    #[must_use]
    pub fn at_rest(&self) -> bool {
        self.sections.iter().all(|section| !section.busy() || section.at_rest())
            && (!self.gate.busy() || self.gate.at_rest())
            && (!self.compressor.busy() || self.compressor.at_rest())
            && (!self.de_esser.busy() || self.de_esser.at_rest())
    }

    /// Runs one segment; `grid` says whether it starts at a grid line, as it does if it is longer than a tick.
    ///
    /// Real-time: safe
    pub fn run(&mut self, vectors: Vectors, audio: &mut [Row], grid: bool) {
        let linked = &self.linked;
        let (head, after) = self.sections.split_at_mut(AFTER);
        if self.gate.busy() {
            let (high_pass, before) = head.split_at_mut(BEFORE);
            let through = Through { stage: &mut self.gate, linked, audio, grid };
            vectors.run(Behind { sections: high_pass, through });
            filter(before, audio, grid, vectors);
        } else {
            // Side by side the sections hide each other's latency.
            filter(head, audio, grid, vectors);
        }
        if self.compressor.busy() {
            let through = Through { stage: &mut self.compressor, linked, audio, grid };
            match &mut self.gains {
                Some(gains) => vectors.run(Kept { through, gains: &mut gains[..] }),
                None => vectors.run(through),
            }
        }
        if after.iter().any(Section::busy) {
            filter(after, audio, grid, vectors);
        }
        if self.de_esser.busy() {
            vectors.run(Through { stage: &mut self.de_esser, linked, audio, grid });
        }
    }

    /// A segment of silence while everything is at rest, without a run.
    ///
    /// Real-time: safe
    pub fn pass_silence(&mut self) {
        if self.gate.busy() {
            self.gate.pass_silence();
        }
    }

    /// Takes the reductions since the last time.
    ///
    /// Real-time: safe
    pub fn take_reductions(&mut self) -> Reductions {
        Reductions {
            gate: self.gate.take_reduction(),
            gate_open: self.gate.take_opened(),
            compressor: self.compressor.take_reduction(),
            de_esser: self.de_esser.take_reduction(),
        }
    }
}
