//! A whole programme measured as fast as its samples can be read: loudness, peaks, correlation, mono loss, DC.
//!
//! A filter cannot be run on sixteen neighbouring samples at once, so the lanes are sixteen places of the programme instead:
//! a stretch of it is cut into sixteen pieces of equal length, and lane n works through piece n. Lane 0 goes on with the
//! filter of lane 15 of the stretch before; the others begin 100 ms early, after which the high-pass has forgotten all but
//! 2e-7 of how it began. The results are put back in order, so the cut is seen by nobody.
//!
//! Points between samples are looked for only where they could be higher than the highest so far, which changes no result.

use crate::dsp::k_weighting::{KFilter, KLanes, KState};
use crate::dsp::lanes::{Kernel, LANES, Lanes, Row, Vectors};
use crate::dsp::loudness::{Loudness, STEPS_PER_SECOND};
use crate::dsp::samples::{Encoding, Float32, Float64, Int8, Int16, Int24, Int24In32, Int32, Sample};
use crate::dsp::true_peak::{self, HIGHEST_GAIN, TAPS};
use crate::units::SampleRate;

/// Frames worked on at a time.
const TILE: usize = 16;
/// The steps of a piece: 100 ms at least, for the filters to begin early in, 1 s at most.
const PIECE_STEPS: (u64, u64) = (10, STEPS_PER_SECOND);
/// About the most bytes of a stretch, where pieces need not be whole seconds.
const STRETCH_BYTES: u64 = 1 << 26;

/// What samples look like.
#[derive(Clone, Debug, PartialEq)]
pub struct Format {
    /// Frames per second.
    pub rate: SampleRate,
    /// How a sample is written.
    pub encoding: Encoding,
    /// For each channel its weight in the loudness: 1 in front, 1.41 at the sides and behind, 0 for the effects channel.
    pub weights: Vec<f64>,
}

impl Format {
    /// Bytes of one frame.
    #[must_use]
    pub fn frame_bytes(&self) -> usize {
        self.encoding.bytes() * self.weights.len()
    }
}

/// What was found out about the whole programme, as power or amplitude.
#[derive(Clone, Debug)]
pub struct Findings {
    /// Loudness.
    pub loudness: Loudness,
    /// The highest point, between the samples too.
    pub true_peak: f32,
    /// The highest sample.
    pub sample_peak: f32,
    /// How alike two channels are, -1 to +1; none for other than two channels, or when one is silent.
    pub correlation: Option<f64>,
    /// Power of both channels summed to mono, by the power of both; none for other than two channels, or in silence.
    pub mono_by_stereo: Option<f64>,
    /// The mean of the channel that is furthest from 0.
    pub dc_offset: Option<f64>,
    /// How many frames there were.
    pub frames: u64,
}

/// The memory of one channel from stretch to stretch.
#[derive(Clone, Debug)]
struct Channel {
    k: KState,
    /// Samples before the next tile, then the tile.
    rows: [Row; TAPS - 1 + TILE],
    /// The highest sample, and the highest of the two tiles before, in each lane.
    peak: Row,
    lately: [Row; 2],
    /// The highest point in any lane.
    true_peak: f32,
    /// Weighted energy of every step and piece.
    energy: Box<[Row]>,
    squares: f64,
    sums: f64,
}

/// A measurement of samples that come in stretches.
pub struct Programme {
    format: Format,
    vectors: Vectors,
    k: KLanes,
    piece_frames: usize,
    /// Where each step of a piece ends.
    step_ends: Box<[usize]>,
    channels: Vec<Channel>,
    products: f64,
    loudness: Loudness,
    frames: u64,
    /// Frames of silence behind the last one.
    room: usize,
    /// Every 100 ms momentary and short-term loudness are handed on.
    hear: Box<dyn FnMut(f64, f64)>,
    steps: u64,
}

impl std::fmt::Debug for Programme {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Programme").field("format", &self.format).field("frames", &self.frames).finish_non_exhaustive()
    }
}

impl Programme {
    /// A measurement of samples of this format; `frames` is how many are expected (`u64::MAX` when nobody knows) and
    /// decides only how they are cut. Every
    /// 100 ms `hear` is given momentary and short-term loudness in LUFS, negative infinity before their first windows.
    ///
    /// Real-time: never
    #[must_use]
    pub fn new(format: Format, frames: u64, vectors: Vectors, hear: impl FnMut(f64, f64) + 'static) -> Self {
        let rate = u64::from(format.rate.hz());
        // Of what has many channels less at a time.
        let second_bytes = (rate * LANES as u64).saturating_mul(format.frame_bytes().max(1) as u64);
        let most = (STRETCH_BYTES * STEPS_PER_SECOND / second_bytes).clamp(PIECE_STEPS.0, PIECE_STEPS.1);
        // A piece has whole frames at any rate when it is a whole second; a shorter one only at rates that 100 divides.
        let steps = if rate.is_multiple_of(STEPS_PER_SECOND) {
            frames.saturating_mul(STEPS_PER_SECOND).div_ceil(LANES as u64 * rate).clamp(PIECE_STEPS.0, most)
        } else {
            PIECE_STEPS.1
        };
        let step_ends: Box<[usize]> = (1..=steps).map(|step| (step * rate / STEPS_PER_SECOND) as usize).collect();
        let channel = Channel {
            k: KState::SILENT,
            rows: [[0.0; LANES]; TAPS - 1 + TILE],
            peak: [0.0; LANES],
            lately: [[0.0; LANES]; 2],
            true_peak: 0.0,
            energy: vec![[0.0; LANES]; step_ends.len()].into_boxed_slice(),
            squares: 0.0,
            sums: 0.0,
        };
        Self {
            vectors,
            k: KLanes::new(format.rate),
            piece_frames: step_ends.last().copied().unwrap_or(TILE),
            step_ends,
            channels: vec![channel; format.weights.len()],
            format,
            products: 0.0,
            loudness: Loudness::new(),
            frames: 0,
            room: TILE,
            hear: Box::new(hear),
            steps: 0,
        }
    }

    /// Frames of one stretch.
    #[must_use]
    pub fn stretch_frames(&self) -> usize {
        LANES * self.piece_frames
    }

    /// Bytes of the buffer that a stretch is handed over in: its frames and one tile more.
    #[must_use]
    pub fn stretch_bytes(&self) -> usize {
        (self.stretch_frames() + TILE) * self.format.frame_bytes()
    }

    /// Takes the next frames, as many as a stretch has unless they are the last. `bytes` has
    /// [`stretch_bytes`](Self::stretch_bytes); what lies behind the frames is overwritten with silence.
    ///
    /// # Panics
    /// When `bytes` has another length, or `frames` is more than a stretch.
    ///
    /// Real-time: never
    pub fn take(&mut self, bytes: &mut [u8], frames: usize) {
        assert!(bytes.len() == self.stretch_bytes() && frames <= self.stretch_frames(), "a buffer of another stretch");
        bytes[frames * self.format.frame_bytes()..].fill(self.format.encoding.silence());
        match self.format.encoding {
            Encoding::Int8 => self.work::<Int8>(bytes),
            Encoding::Int16 => self.work::<Int16>(bytes),
            Encoding::Int24 => self.work::<Int24>(bytes),
            Encoding::Int24In32 => self.work::<Int24In32>(bytes),
            Encoding::Int32 => self.work::<Int32>(bytes),
            Encoding::Float32 => self.work::<Float32>(bytes),
            Encoding::Float64 => self.work::<Float64>(bytes),
        }
        self.gather(frames);
    }

    fn work<S: Sample>(&mut self, bytes: &[u8]) {
        let stretch = |first| Stretch {
            bytes,
            all: self.format.weights.len(),
            first,
            piece_frames: self.piece_frames,
            early_frames: (self.format.rate.hz() as usize / 10).min(self.piece_frames) / TILE * TILE,
            step_ends: &self.step_ends,
            k: &self.k,
        };
        if let [left, right] = &mut *self.channels {
            let pair =
                Pieces::<S, 2> { stretch: stretch(0), channels: [left, right], sample: std::marker::PhantomData };
            self.products += self.vectors.run(pair);
        } else {
            for (first, channel) in self.channels.iter_mut().enumerate() {
                let one =
                    Pieces::<S, 1> { stretch: stretch(first), channels: [channel], sample: std::marker::PhantomData };
                self.vectors.run(one);
            }
        }
    }

    /// Puts the steps of the pieces in order.
    fn gather(&mut self, frames: usize) {
        self.frames += frames as u64;
        self.room = self.stretch_frames() - frames;
        for piece in 0..LANES {
            let mut start = 0;
            for (step, end) in self.step_ends.iter().enumerate() {
                // A step that is not whole is not used.
                if piece * self.piece_frames + end > frames {
                    return;
                }
                let channels = self.channels.iter().zip(&self.format.weights);
                let energy: f64 =
                    channels.map(|(channel, weight)| weight * f64::from(channel.energy[step][piece])).sum();
                self.loudness.step(energy * self.k.trim / (end - start) as f64);
                start = *end;
                self.steps += 1;
                if self.steps.is_multiple_of(10) {
                    (self.hear)(self.loudness.momentary(), self.loudness.short_term());
                }
            }
        }
    }

    /// The end of the programme.
    ///
    /// Real-time: never
    #[must_use]
    pub fn finish(mut self) -> Findings {
        // The last points stand behind the last samples; silence brings them out.
        if self.room < TAPS {
            let mut silence = vec![0; self.stretch_bytes()];
            self.take(&mut silence, 0);
        }
        let highest = |row: &Row| row.iter().fold(0.0, |highest: f32, peak| highest.max(*peak));
        let sample_peak = self.channels.iter().map(|channel| highest(&channel.peak)).fold(0.0, f32::max);
        let true_peak = self.channels.iter().map(|channel| channel.true_peak).fold(sample_peak, f32::max);
        let means = self.channels.iter().map(|channel| channel.sums / self.frames as f64);
        let dc_offset = means.reduce(|furthest, mean| if mean.abs() > furthest.abs() { mean } else { furthest });
        let (mut correlation, mut mono_by_stereo) = (None, None);
        if let [left, right] = &*self.channels {
            let both = left.squares + right.squares;
            let norm = (left.squares * right.squares).sqrt();
            correlation = (norm > 0.0).then(|| (self.products / norm).clamp(-1.0, 1.0));
            mono_by_stereo = (both > 0.0).then(|| ((both + 2.0 * self.products) / (2.0 * both)).max(0.0));
        }
        Findings {
            loudness: self.loudness,
            true_peak,
            sample_peak,
            correlation,
            mono_by_stereo,
            dc_offset: dc_offset.filter(|_| self.frames > 0),
            frames: self.frames,
        }
    }
}

/// The bytes of a stretch and how they are cut.
struct Stretch<'a> {
    bytes: &'a [u8],
    /// Channels of a frame.
    all: usize,
    /// The first channel that is worked on.
    first: usize,
    piece_frames: usize,
    /// How long before their pieces the filters begin.
    early_frames: usize,
    step_ends: &'a [usize],
    k: &'a KLanes,
}

/// One or two channels of a stretch through all that is measured; gives back the sum of their products.
struct Pieces<'a, S, const N: usize> {
    stretch: Stretch<'a>,
    channels: [&'a mut Channel; N],
    sample: std::marker::PhantomData<S>,
}

impl Stretch<'_> {
    /// Reads sixteen frames of one channel in every piece, from `frame` of the piece on; `frame` of piece 0 is not below 0.
    #[inline(always)]
    fn read<S: Sample>(&self, channel: usize, frame: isize, into: &mut [Row]) {
        let frame_bytes = self.all * S::BYTES;
        for piece in 0..LANES {
            let first = (piece * self.piece_frames).saturating_add_signed(frame);
            let bytes = &self.bytes[first * frame_bytes + channel * S::BYTES..];
            for (row, bytes) in into.iter_mut().zip(bytes.chunks(frame_bytes)) {
                row[piece] = S::decode(bytes);
            }
        }
    }
}

impl<S: Sample, const N: usize> Kernel for Pieces<'_, S, N> {
    type Output = f64;

    #[inline(always)]
    fn run<V: Lanes>(self) -> f64 {
        let Pieces { stretch, mut channels, .. } = self;
        let zero = V::splat(0.0);
        for (place, channel) in channels.iter_mut().enumerate() {
            stretch.begin::<S, V>(stretch.first + place, channel);
        }
        let mut filters: [KFilter<V>; N] = std::array::from_fn(|place| KFilter::load(stretch.k, &channels[place].k));
        let (mut frame, mut products) = (0, 0.0);
        for (step, end) in stretch.step_ends.iter().enumerate() {
            let mut measured = [Measured { energy: zero, square: zero, sum: zero }; N];
            let mut product = zero;
            while frame < *end {
                let count = (*end - frame).min(TILE);
                for (place, channel) in channels.iter_mut().enumerate() {
                    #[expect(clippy::cast_possible_wrap, reason = "frames of a second")]
                    stretch.read::<S>(stretch.first + place, frame as isize, &mut channel.rows[TAPS - 1..]);
                }
                let mut peaks = [zero; N];
                for n in TAPS - 1..TAPS - 1 + count {
                    let x: [V; N] = std::array::from_fn(|place| V::load(&channels[place].rows[n]));
                    for place in 0..N {
                        let (x, m) = (x[place], &mut measured[place]);
                        let y = filters[place].next(x);
                        m.energy = m.energy.add(y.mul(y));
                        m.square = m.square.add(x.mul(x));
                        m.sum = m.sum.add(x);
                        peaks[place] = x.abs().max(peaks[place]);
                    }
                    product = product.add(x[0].mul(x[N - 1]));
                }
                for (place, channel) in channels.iter_mut().enumerate() {
                    filters[place].settle();
                    channel.points(peaks[place], count);
                }
                frame += count;
            }
            for (channel, m) in channels.iter_mut().zip(measured) {
                m.energy.store(&mut channel.energy[step]);
                channel.squares += f64::from(m.square.sum());
                channel.sums += f64::from(m.sum.sum());
            }
            products += f64::from(product.sum());
        }
        for (channel, filter) in channels.iter_mut().zip(filters) {
            filter.store(&mut channel.k);
        }
        products
    }
}

/// Sums over one step.
#[derive(Clone, Copy)]
struct Measured<V> {
    energy: V,
    square: V,
    sum: V,
}

impl Stretch<'_> {
    /// Puts the filters where they would be if each had heard what is before its piece.
    #[inline(always)]
    fn begin<S: Sample, V: Lanes>(&self, place: usize, channel: &mut Channel) {
        let carried = (channel.k, channel.rows);
        channel.k = KState::SILENT;
        let mut filter = KFilter::<V>::load(self.k, &channel.k);
        for tile in 0..self.early_frames / TILE {
            #[expect(clippy::cast_possible_wrap, reason = "frames of a tenth of a second")]
            let frame = (tile * TILE) as isize - self.early_frames as isize;
            self.read::<S>(place, frame, &mut channel.rows[TAPS - 1..]);
            for row in &channel.rows[TAPS - 1..] {
                filter.next(V::load(row));
            }
            filter.settle();
            channel.rows.copy_within(TILE.., 0);
        }
        filter.store(&mut channel.k);
        channel.k.carry(0, &carried.0, LANES - 1);
        for (row, carried) in channel.rows.iter_mut().zip(&carried.1) {
            row[0] = carried[LANES - 1];
        }
        let past = channel.rows[..TAPS - 1].iter().fold(V::splat(0.0), |highest, row| V::load(row).abs().max(highest));
        past.store(&mut channel.lately[0]);
        past.store(&mut channel.lately[1]);
    }
}

impl Channel {
    /// The samples of a tile against the highest so far, the points around them only where they could be higher.
    #[inline(always)]
    fn points<V: Lanes>(&mut self, peak: V, count: usize) {
        peak.max(V::load(&self.peak)).store(&mut self.peak);
        let [before, last] = &mut self.lately;
        let around = peak.max(V::load(before)).max(V::load(last));
        *before = *last;
        peak.store(last);
        let above = around.mul(V::splat(HIGHEST_GAIN)).sub(V::splat(self.true_peak)).max(V::splat(0.0));
        if above.sum() > 0.0 {
            let mut highest = V::splat(0.0);
            for start in 0..count {
                if let Some(window) = self.rows[start..].first_chunk::<TAPS>() {
                    highest = true_peak::between::<V>(window).max(highest);
                }
            }
            let mut row = [0.0; LANES];
            highest.store(&mut row);
            self.true_peak = row.into_iter().fold(self.true_peak, f32::max);
        }
        self.rows.copy_within(count..count + TAPS - 1, 0);
    }
}
