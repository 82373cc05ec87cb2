//! Files as sound at the engine's rate: one source, read by a thread ahead of a live engine, or on demand offline.
//!
//! Both ways give the same samples: a file at the engine's own rate passes bit-exact, any other is resampled
//! at a fixed ratio with its first frame in its place, and a loop runs over its seam without a gap.

use crate::desk::FileTrouble;
use crate::dsp::resampler::{Resampler, Step};
use crate::engine::{Sides, Tape};
use crate::handoff::{TapeReader, TapeWriter, Winding, tape};
use crate::ports::wav::{Reader, WavError};
use crate::units::SampleRate;
use crate::words::log;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Frames read from a file at a time.
const BLOCK_FRAMES: usize = 4096;
/// How much a live player keeps ready.
const AHEAD_S: usize = 2;
/// A live player looks after its tape this often.
const LOOK_AFTER: Duration = Duration::from_millis(20);
/// First wait after a file could not be read; each further one is twice as long.
const RETRY_FIRST: Duration = Duration::from_secs(1);
/// The longest wait.
const RETRY_LONGEST: Duration = Duration::from_secs(60);
/// Starvation is told at most this often.
const TELL_EVERY: Duration = Duration::from_secs(10);

/// A WAV file at the engine's rate, one or two sides wide.
///
/// Of a file with more channels than sides the first are taken; a mono file feeds both sides.
#[derive(Debug)]
pub struct FileSource {
    reader: Reader,
    sides: usize,
    looped: bool,
    rate: SampleRate,
    /// None where the file has the engine's rate.
    converter: Option<Converter>,
    /// What was read last, interleaved as in the file.
    raw: Box<[f32]>,
    /// The sides of what was read last.
    block: [Box<[f32]>; 2],
    /// Frames of `block` that are there, and that were used.
    there: usize,
    used: usize,
    ended: bool,
    /// Whether this pass over the file has given any frame.
    fruitful: bool,
    /// Frames taken from the file, and given out, since the beginning.
    taken: u64,
    given: u64,
}

impl FileSource {
    /// Opens a file; with `stereo` it gives two sides.
    ///
    /// # Errors
    /// As [`Reader::open`], and a rate too far from the engine's: nothing was opened.
    pub fn open(path: &Path, looped: bool, stereo: bool, rate: SampleRate) -> Result<Self, WavError> {
        let reader = Reader::open(path)?;
        if reader.channels() == 0 {
            return Err(WavError::Unfit(path.to_owned(), log::NO_CHANNELS.into()));
        }
        let sides = if stereo { 2 } else { 1 };
        let raw = vec![0.0; BLOCK_FRAMES * reader.channels()].into_boxed_slice();
        let block = || vec![0.0; BLOCK_FRAMES].into_boxed_slice();
        let converter =
            if reader.rate() == rate { None } else { Some(Converter::new(path, sides, reader.rate(), rate)?) };
        Ok(Self {
            converter,
            sides,
            looped,
            rate,
            raw,
            block: [block(), block()],
            there: 0,
            used: 0,
            ended: false,
            fruitful: false,
            taken: 0,
            given: 0,
            reader,
        })
    }

    /// Channels the file has.
    #[must_use]
    pub fn channels(&self) -> usize {
        self.reader.channels()
    }

    /// Sides it gives: samples in a frame.
    #[must_use]
    pub const fn sides(&self) -> usize {
        self.sides
    }

    /// Frames at the engine's rate from its beginning to its end.
    #[must_use]
    pub fn frames(&self) -> u64 {
        self.at_rate(self.reader.frames())
    }

    /// What so many frames of the file are at the engine's rate.
    fn at_rate(&self, frames: u64) -> u64 {
        let frames = u128::from(frames) * u128::from(self.rate.hz());
        u64::try_from(frames.div_ceil(u128::from(self.reader.rate().hz()))).unwrap_or(u64::MAX)
    }

    /// Fills `out` with the next frames, interleaved by side, and says how many; fewer than fit only at the end.
    ///
    /// # Errors
    /// The system's; the place in the file is then unknown, so rewind.
    pub fn read(&mut self, out: &mut [f32]) -> Result<usize, WavError> {
        let wanted = out.len() / self.sides;
        let mut done = 0;
        while done < wanted {
            if self.used == self.there && !self.refill()? {
                break;
            }
            let left = if self.ended { self.at_rate(self.taken) - self.given } else { u64::MAX };
            let most = usize::try_from(left).unwrap_or(usize::MAX).min(wanted - done);
            if most == 0 {
                break;
            }
            let out = &mut out[done * self.sides..(done + most) * self.sides];
            let input = [&self.block[0][self.used..self.there], &self.block[1][self.used..self.there]];
            let (taken, made) = match &mut self.converter {
                Some(converter) => converter.process(&input[..self.sides], out),
                None => {
                    let frames = input[0].len().min(most);
                    interleave(&input[..self.sides], &mut out[..frames * self.sides]);
                    (frames, frames)
                }
            };
            self.used += taken;
            self.given += made as u64;
            done += made;
        }
        Ok(done)
    }

    /// The next frames of the file into `block`; whether there were any.
    fn refill(&mut self) -> Result<bool, WavError> {
        if self.ended {
            return Ok(false);
        }
        let mut frames = self.reader.read(&mut self.raw)?;
        if frames == 0 && self.looped && std::mem::take(&mut self.fruitful) {
            self.reader.rewind()?;
            frames = self.reader.read(&mut self.raw)?;
        }
        self.fruitful |= frames > 0;
        self.taken += frames as u64;
        if frames == 0 {
            self.ended = true;
            // Silence pushes the end of the file out of the resampler.
            frames = self.converter.as_ref().map_or(0, |converter| converter.pristine.delay_frames());
            self.raw[..frames * self.reader.channels()].fill(0.0);
        }
        let channels = self.reader.channels();
        if channels == 1 {
            for block in &mut self.block[..self.sides] {
                block[..frames].copy_from_slice(&self.raw[..frames]);
            }
            (self.there, self.used) = (frames, 0);
            return Ok(frames > 0);
        }
        for (side, block) in self.block[..self.sides].iter_mut().enumerate() {
            let channel = side.min(channels - 1);
            for (sample, frame) in block.iter_mut().zip(self.raw[..frames * channels].chunks_exact(channels)) {
                *sample = frame[channel];
            }
        }
        (self.there, self.used) = (frames, 0);
        Ok(frames > 0)
    }

    /// Starts over at the first frame.
    ///
    /// # Errors
    /// As [`Reader::rewind`].
    pub fn rewind(&mut self) -> Result<(), WavError> {
        (self.there, self.used, self.ended, self.fruitful) = (0, 0, false, false);
        (self.taken, self.given) = (0, 0);
        if let Some(converter) = &mut self.converter {
            converter.restart();
        }
        self.reader.rewind()
    }
}

/// A resampler whose first frame out is the first frame in.
#[derive(Debug)]
struct Converter {
    /// As it is before the first frame.
    pristine: Resampler,
    resampler: Resampler,
    step: Step,
    /// Frames to come that lie before the first frame of the file.
    skip: usize,
    made: [Box<[f32]>; 2],
}

/// Input frames for each frame that is skipped; the delay of every resampler is a multiple of it.
const SKIP_STEP: usize = 4;

impl Converter {
    fn new(path: &Path, sides: usize, from: SampleRate, to: SampleRate) -> Result<Self, WavError> {
        let mut pristine = Resampler::new(sides, from, to).map_err(|_| {
            let why = log::rate_too_far(from.hz(), to.hz());
            WavError::Unfit(path.to_owned(), why)
        })?;
        pristine.set_step(Step::from_ratio(4.0));
        let made = || vec![0.0; BLOCK_FRAMES].into_boxed_slice();
        Ok(Self {
            resampler: pristine.clone(),
            skip: pristine.delay_frames() / SKIP_STEP,
            step: Step::from_ratio(f64::from(from.hz()) / f64::from(to.hz())),
            pristine,
            made: [made(), made()],
        })
    }

    fn restart(&mut self) {
        self.resampler = self.pristine.clone();
        self.skip = self.pristine.delay_frames() / SKIP_STEP;
    }

    /// Takes input and makes interleaved output; says how many frames were taken and made.
    fn process(&mut self, input: &[&[f32]], out: &mut [f32]) -> (usize, usize) {
        let sides = input.len();
        let skipping = self.skip > 0;
        let room = if skipping { self.skip } else { (out.len() / sides).min(BLOCK_FRAMES) };
        let [left, right] = &mut self.made;
        let made = &mut [&mut left[..room], &mut right[..room]][..sides];
        let (taken, frames) = self.resampler.process(input, made);
        if skipping {
            self.skip -= frames;
            if self.skip == 0 {
                self.resampler.set_step(self.step);
            }
            return (taken, 0);
        }
        interleave(&[&left[..frames], &right[..frames]][..sides], &mut out[..frames * sides]);
        (taken, frames)
    }
}

fn interleave(sides: &[&[f32]], out: &mut [f32]) {
    if let [side] = sides {
        out.copy_from_slice(&side[..out.len()]);
        return;
    }
    for (index, frame) in out.chunks_exact_mut(sides.len()).enumerate() {
        for (sample, side) in frame.iter_mut().zip(sides) {
            *sample = side[index];
        }
    }
}

/// A file for an engine that runs at any speed: read when the engine asks.
#[derive(Debug)]
pub struct PatientTape {
    source: FileSource,
    looped: bool,
    playing: bool,
    used: bool,
    /// Why no more comes from the file.
    failed: Option<WavError>,
}

impl PatientTape {
    /// A tape of this source, wound like a live one: looped it runs always, otherwise it stands at its
    /// beginning until a channel that carries it opens, and is wound back when all are closed.
    #[must_use]
    pub fn new(source: FileSource) -> Self {
        Self { looped: source.looped, playing: source.looped, used: false, failed: None, source }
    }
}

impl Tape for PatientTape {
    fn read(&mut self, sides: &mut Sides, frames: usize) {
        for side in sides.iter_mut() {
            side[..frames].fill(0.0);
        }
        if !self.playing || self.failed.is_some() {
            return;
        }
        let width = self.source.sides;
        let mut block = [0.0; 2 * crate::engine::limits::TICK];
        match self.source.read(&mut block[..frames * width]) {
            Ok(there) => {
                self.used |= there > 0;
                for (index, sample) in block[..there * width].iter().enumerate() {
                    sides[index % width][index / width] = *sample;
                }
            }
            Err(error) => {
                tracing::warn!("{}", log::silence_instead(&error));
                self.failed = Some(error);
            }
        }
    }

    fn open(&mut self, open: bool) {
        if self.looped || open == self.playing {
            return;
        }
        self.playing = open;
        if !open && std::mem::take(&mut self.used) {
            self.failed = self.source.rewind().err();
        }
    }
}

/// What a live player and its owner share.
#[derive(Debug, Default)]
struct Shared {
    /// Set by the owner; the thread ends within [`LOOK_AFTER`].
    stop: AtomicBool,
    /// Frames that were due and not there; written by the thread.
    starved: AtomicU64,
    /// Whether the file is open and being read; written by the thread.
    reading: AtomicBool,
    /// Why it does not play now; written by the thread.
    trouble: Mutex<Option<FileTrouble>>,
}

/// A thread that keeps the tape of one file full for a live engine. It ends when the engine has dropped the
/// tape, or when it is stopped.
#[derive(Debug)]
pub struct Player {
    path: PathBuf,
    shared: Arc<Shared>,
    thread: JoinHandle<()>,
}

impl Player {
    /// Starts a thread for a file and gives the engine's end of its tape. A file that cannot be read is
    /// silence; why is logged, and it is tried again after 1 s, 2 s and so on up to a minute.
    ///
    /// # Errors
    /// The system has no thread left.
    pub fn start(path: &Path, looped: bool, stereo: bool, rate: SampleRate) -> std::io::Result<(Self, TapeReader)> {
        let frames = AHEAD_S * usize::try_from(rate.hz()).unwrap_or(48_000);
        let (writer, reader) = tape(frames, stereo, looped);
        let shared = Arc::new(Shared::default());
        let filling = Filling::new(path, (looped, stereo), rate, writer, Arc::clone(&shared));
        let thread = std::thread::Builder::new().name("player".to_owned()).spawn(move || filling.run())?;
        Ok((Self { path: path.to_owned(), shared, thread }, reader))
    }

    /// The file.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Frames that were due and not there.
    #[must_use]
    pub fn starved(&self) -> u64 {
        self.shared.starved.load(Ordering::Relaxed)
    }

    /// Whether the file is open and being read; if not, the log says why.
    #[must_use]
    pub fn is_reading(&self) -> bool {
        self.shared.reading.load(Ordering::Relaxed)
    }

    /// Why the file does not play now, if so.
    #[must_use]
    pub fn trouble(&self) -> Option<FileTrouble> {
        self.shared.trouble.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Asks the thread to end.
    pub fn stop(&self) {
        self.shared.stop.store(true, Ordering::Relaxed);
    }

    /// Whether the thread has ended.
    #[must_use]
    pub fn is_finished(&self) -> bool {
        self.thread.is_finished()
    }

    /// Waits for the thread to end, which takes 20 ms after [`Player::stop`] unless a disk hangs. Whether it ended well.
    #[must_use]
    pub fn join(self) -> bool {
        self.thread.join().is_ok()
    }
}

/// The state of a player's thread.
struct Filling {
    path: PathBuf,
    looped: bool,
    stereo: bool,
    rate: SampleRate,
    writer: TapeWriter,
    shared: Arc<Shared>,
    source: Option<FileSource>,
    block: Box<[f32]>,
    /// How long is waited after the next failure.
    pause: Duration,
    retry_at: Option<Instant>,
    told_at: Option<Instant>,
    /// Starved frames that have been told.
    told: u64,
}

impl Filling {
    fn new(path: &Path, way: (bool, bool), rate: SampleRate, writer: TapeWriter, shared: Arc<Shared>) -> Self {
        let (looped, stereo) = way;
        Self {
            path: path.to_owned(),
            looped,
            stereo,
            rate,
            writer,
            shared,
            source: None,
            block: vec![0.0; BLOCK_FRAMES * if stereo { 2 } else { 1 }].into_boxed_slice(),
            pause: RETRY_FIRST,
            retry_at: None,
            told_at: None,
            told: 0,
        }
    }

    fn run(mut self) {
        while !self.shared.stop.load(Ordering::Relaxed) && !self.writer.is_abandoned() {
            if !self.turn() {
                std::thread::sleep(LOOK_AFTER);
            }
        }
        self.shared.reading.store(false, Ordering::Relaxed);
    }

    /// Does what there is to do; whether there may be more at once.
    fn turn(&mut self) -> bool {
        self.watch_starvation();
        match self.writer.state() {
            Winding::Wait => false,
            Winding::Begin => {
                if self.source.is_some() {
                    self.note(None);
                }
                let rewound = self.source.as_mut().map_or(Ok(()), FileSource::rewind);
                self.take_in(rewound);
                true
            }
            Winding::On => self.fill(),
        }
    }

    /// Writes what there is room for; whether more can follow at once.
    fn fill(&mut self) -> bool {
        if self.source.is_none() && !self.try_to_open() {
            return false;
        }
        let Some(source) = &mut self.source else { return false };
        let block = &mut self.block;
        let room = self.writer.room() / source.sides;
        let wanted = room.min(block.len() / source.sides) * source.sides;
        let read = source.read(&mut block[..wanted]);
        let (sides, ended) = (source.sides, source.ended);
        match read {
            Ok(frames) => {
                self.writer.write(&block[..frames * sides]);
                if ended && frames * sides < wanted {
                    self.note(Some(FileTrouble::Ended));
                    self.writer.end();
                    return false;
                }
                wanted == block.len()
            }
            Err(error) => {
                self.take_in(Err(error));
                false
            }
        }
    }

    fn try_to_open(&mut self) -> bool {
        if self.retry_at.is_some_and(|at| Instant::now() < at) {
            return false;
        }
        match FileSource::open(&self.path, self.looped, self.stereo, self.rate) {
            Ok(source) => {
                if self.retry_at.take().is_some() {
                    tracing::info!("{}", log::can_be_read(self.path.display()));
                }
                self.note(None);
                self.pause = RETRY_FIRST;
                self.source = Some(source);
                self.shared.reading.store(true, Ordering::Relaxed);
                true
            }
            Err(error) => {
                self.take_in(Err(error));
                false
            }
        }
    }

    fn note(&self, trouble: Option<FileTrouble>) {
        *self.shared.trouble.lock().unwrap_or_else(PoisonError::into_inner) = trouble;
    }

    /// After a failure the file is closed, and opened again later from its beginning.
    fn take_in(&mut self, result: Result<(), WavError>) {
        if let Err(error) = result {
            let seconds = self.pause.as_secs();
            tracing::warn!("{}", log::silence_for_now(&error, seconds));
            self.note(Some(FileTrouble::Unreadable(error.to_string())));
            self.source = None;
            self.shared.reading.store(false, Ordering::Relaxed);
            self.retry_at = Some(Instant::now() + self.pause);
            self.pause = (self.pause * 2).min(RETRY_LONGEST);
        }
    }

    fn watch_starvation(&mut self) {
        let starved = self.writer.starved();
        self.shared.starved.store(starved, Ordering::Relaxed);
        // A file that cannot be read has been told already.
        if self.source.is_some() && starved > self.told && self.told_at.is_none_or(|at| at.elapsed() > TELL_EVERY) {
            tracing::warn!("{}", log::too_late_from_disk(self.path.display(), starved - self.told));
            self.told = starved;
            self.told_at = Some(Instant::now());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::limits::TICK;
    use crate::ports::wav::Writer;

    const RATE: SampleRate = SampleRate::HZ_48000;

    /// A file of `frames` frames; each sample says where it was.
    fn file(folder: &Path, rate: u32, channels: usize, frames: usize) -> PathBuf {
        let path = folder.join(format!("{rate}-{channels}-{frames}.wav"));
        let rate = SampleRate::try_new(rate).expect("a rate");
        let mut writer = Writer::create(&path, rate, channels).expect("a temporary file");
        let samples: Vec<f32> = (0..frames * channels).map(|n| (n as f32 * 0.37).sin() * 0.5).collect();
        writer.write(&samples).expect("it fits");
        writer.close().expect("it closes");
        path
    }

    fn all(source: &mut FileSource, piece: usize, most: usize) -> Vec<f32> {
        let mut out = Vec::new();
        let mut block = vec![0.0; piece * source.sides()];
        while out.len() < most {
            let frames = source.read(&mut block).expect("it reads");
            out.extend_from_slice(&block[..frames * source.sides()]);
            if frames < piece {
                break;
            }
        }
        out.truncate(most);
        out
    }

    #[test]
    fn a_file_at_the_engines_rate_passes_bit_exact_and_loops_without_a_seam() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = file(folder.path(), 48_000, 2, 5_001);
        let mut raw = vec![0.0; 10_002];
        assert_eq!(Reader::open(&path).expect("it opens").read(&mut raw).expect("it reads"), 5_001);
        let mut once = FileSource::open(&path, false, true, RATE).expect("it opens");
        for _ in 0..2 {
            assert!(all(&mut once, 17, usize::MAX) == raw);
            once.rewind().expect("it rewinds");
        }
        let mut looped = FileSource::open(&path, true, true, RATE).expect("it opens");
        assert!(all(&mut looped, 100, 30_006) == [&raw[..], &raw, &raw].concat());
        let mono = file(folder.path(), 48_000, 1, 100);
        let both = all(&mut FileSource::open(&mono, false, true, RATE).expect("it opens"), 64, usize::MAX);
        assert!(both.len() == 200 && both.chunks(2).all(|frame| frame[0].to_bits() == frame[1].to_bits()));
        let left = all(&mut FileSource::open(&path, false, false, RATE).expect("it opens"), 64, usize::MAX);
        assert!(left.iter().zip(raw.chunks(2)).all(|(sample, frame)| sample.to_bits() == frame[0].to_bits()));
    }

    /// Against the sine itself: the first frame stays the first, and the pitch and the loop's seam are right.
    #[test]
    fn a_file_at_another_rate_keeps_its_first_frame_in_place_and_runs_over_its_seam() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        for (from, to) in [(44_100, 48_000), (96_000, 48_000), (48_000, 44_100)] {
            let (from_rate, rate) =
                (SampleRate::try_new(from).expect("a rate"), SampleRate::try_new(to).expect("a rate"));
            let path = folder.path().join(format!("{from}.wav"));
            let mut writer = Writer::create(&path, from_rate, 1).expect("a temporary file");
            // 1 s of 1 kHz: a whole number of periods, so that the loop has no corner.
            let turn = std::f64::consts::TAU * 1_000.0;
            let sine: Vec<f32> =
                (0..from).map(|n| (turn * f64::from(n) / f64::from(from)).sin() as f32 * 0.5).collect();
            writer.write(&sine).expect("it fits");
            writer.close().expect("it closes");
            let mut once = FileSource::open(&path, false, false, rate).expect("it opens");
            assert_eq!(once.frames(), u64::from(to));
            let heard = all(&mut once, 333, usize::MAX);
            assert_eq!(heard.len(), to as usize);
            let looped = all(&mut FileSource::open(&path, true, false, rate).expect("it opens"), 333, 2 * to as usize);
            let error = |heard: &[f32], range: std::ops::Range<usize>| {
                range
                    .map(|n| (f64::from(heard[n]) - 0.5 * (turn * n as f64 / f64::from(to)).sin()).abs())
                    .fold(0.0, f64::max)
            };
            assert!(error(&heard, 500..to as usize - 500) < 1e-4, "{from} to {to}");
            assert!(error(&looped, 500..2 * to as usize) < 1e-4, "{from} to {to}, looped");
            once.rewind().expect("it rewinds");
            assert!(all(&mut once, 4_000, usize::MAX) == heard, "the same again after a rewind, in other pieces");
        }
    }

    /// Plays a tape, opened for some ticks and closed for some, as the engine would; `fill` runs before each tick.
    fn play(tape: &mut dyn Tape, mut fill: impl FnMut()) -> Vec<[u32; 2]> {
        let mut out = Vec::new();
        for open in [true, false, true] {
            tape.open(open);
            for _ in 0..500 {
                fill();
                let mut sides = [[9.0; TICK]; 2];
                tape.read(&mut sides, TICK);
                out.extend((0..TICK).map(|frame| [sides[0][frame].to_bits(), sides[1][frame].to_bits()]));
            }
        }
        out
    }

    #[test]
    fn a_live_player_and_a_patient_tape_give_the_same_samples() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        for (rate, looped, stereo) in
            [(48_000, false, true), (44_100, false, true), (44_100, true, false), (48_000, true, true)]
        {
            let path = file(folder.path(), rate, 2, 7_000);
            let source = FileSource::open(&path, looped, stereo, RATE).expect("it opens");
            let patient = play(&mut PatientTape::new(source), || {});
            let (writer, mut reader) = tape(96_000, stereo, looped);
            let mut filling = Filling::new(&path, (looped, stereo), RATE, writer, Arc::default());
            let live = play(&mut reader, || while filling.turn() {});
            assert!(live == patient, "{rate} Hz, looped {looped}, stereo {stereo}");
            assert_eq!(filling.writer.starved(), 0);
        }
    }

    #[test]
    fn a_file_that_is_not_there_is_silence_and_plays_once_it_is() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("late.wav");
        let (player, mut reader) = Player::start(&path, true, true, RATE).expect("a thread");
        let mut sides = [[9.0; TICK]; 2];
        reader.read(&mut sides, TICK);
        assert_eq!(sides, [[0.0; TICK]; 2]);
        assert!(!player.is_reading());
        std::fs::rename(file(folder.path(), 48_000, 2, 100), &path).expect("it can be renamed");
        let deadline = Instant::now() + Duration::from_secs(30);
        while sides[0][1].to_bits() == 0 {
            assert!(Instant::now() < deadline, "the file was never taken up");
            std::thread::sleep(Duration::from_millis(5));
            reader.read(&mut sides, TICK);
        }
        drop(reader);
        assert!(player.join(), "it ends when the engine has dropped its tape");
    }
}
