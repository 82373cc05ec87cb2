//! WAV files, streamed: whole numbers of 8 to 32 bits and floats of 32 and 64 in, also beyond 4 GiB; 32-bit floats out.
//!
//! Samples are full scale at -1 and +1 and interleaved by frame. 8, 16 and 24 bits and floats pass bit-exact; 32-bit whole
//! numbers are rounded to the 24 bits of a float's significand. Everything here may wait for a disk.

use super::wav_bytes::WavBytes;
use crate::dsp::samples::{self, Encoding, Sample};
use crate::units::SampleRate;
use hound::{SampleFormat, WavSpec, WavWriter};
use std::fmt;
use std::fs::File;
use std::io::{self, BufWriter};
use std::path::{Path, PathBuf};

/// The sizes in the header are 32 bits wide; ours is 60 bytes plus the samples. Not rounded up to the next chunk.
const DATA_BYTES_MAX: u64 = u32::MAX as u64 - 60;
const BYTES_PER_SAMPLE: u64 = 4;

/// Why a file cannot be read or written.
#[derive(Debug)]
pub enum WavError {
    /// The system refused.
    Io(PathBuf, io::Error),
    /// It is no WAV file, or of a kind that is not read here.
    Unfit(PathBuf, String),
    /// It has the 4 GiB that a WAV file can have; nothing of this call was written. Go on in another file.
    Full(PathBuf),
}

impl fmt::Display for WavError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Io(path, error) => write!(f, "{}: {error}", path.display()),
            Self::Unfit(path, why) => write!(f, "{}: {why}", path.display()),
            Self::Full(path) => write!(f, "{}: a WAV file ends at 4 GiB; go on in another one", path.display()),
        }
    }
}

impl std::error::Error for WavError {}

fn error_of(path: &Path, error: hound::Error) -> WavError {
    match error {
        hound::Error::IoError(error) if error.raw_os_error().is_none() => {
            WavError::Unfit(path.to_owned(), "the file ends inside its header".into())
        }
        hound::Error::IoError(error) => WavError::Io(path.to_owned(), error),
        other => WavError::Unfit(path.to_owned(), other.to_string()),
    }
}

/// Reads a WAV file from its beginning to its end, as often as wanted.
#[derive(Debug)]
pub struct Reader {
    path: PathBuf,
    bytes: WavBytes,
    /// Frames that the header promises or that were there at the beginning, whichever are fewer.
    frames: u64,
    buffer: Box<[u8]>,
}

/// Bytes read at once.
const BUFFER_BYTES: usize = 16_384;

impl Reader {
    /// Opens a file and reads its header.
    ///
    /// # Errors
    /// The system's, or that the file is not one that is read here: nothing was opened.
    pub fn open(path: &Path) -> Result<Self, WavError> {
        let bytes = WavBytes::open(path)?;
        let buffer = vec![0; BUFFER_BYTES].into_boxed_slice();
        Ok(Self { path: path.to_owned(), frames: bytes.frames(), bytes, buffer })
    }

    /// Frames per second.
    #[must_use]
    pub fn rate(&self) -> SampleRate {
        self.bytes.format().rate
    }

    /// Samples in a frame.
    #[must_use]
    pub fn channels(&self) -> usize {
        self.bytes.format().weights.len()
    }

    /// Frames from its beginning to its end; a file that is cut short while it is read has fewer.
    #[must_use]
    pub const fn frames(&self) -> u64 {
        self.frames
    }

    /// Fills `into` with the next interleaved samples, as many whole frames as fit and exist, and says how many frames that
    /// were; 0 at the end. A file that was cut short ends where it was cut.
    ///
    /// # Errors
    /// The system's; the place in the file is then unknown, so rewind.
    ///
    /// Real-time: never
    pub fn read(&mut self, into: &mut [f32]) -> Result<usize, WavError> {
        let (channels, encoding) = (self.channels(), self.bytes.format().encoding);
        let frame_bytes = channels * encoding.bytes();
        let at_once = BUFFER_BYTES / frame_bytes;
        let mut done = 0;
        for piece in into.chunks_mut(at_once * channels) {
            let wanted = piece.len() / channels;
            if wanted == 0 {
                break;
            }
            let bytes = &mut self.buffer[..wanted * frame_bytes];
            let there = self.bytes.read(bytes)?;
            decode(encoding, &bytes[..there * frame_bytes], piece);
            done += there;
            if there < wanted {
                break;
            }
        }
        Ok(done)
    }

    /// Starts over at the first frame.
    ///
    /// # Errors
    /// The system's, or that the file has changed into something else; reading then gives no frames.
    pub fn rewind(&mut self) -> Result<(), WavError> {
        self.bytes = WavBytes::open(&self.path)?;
        Ok(())
    }
}

/// Samples out of the bytes that a file holds.
fn decode(encoding: Encoding, bytes: &[u8], into: &mut [f32]) {
    fn each<S: Sample>(bytes: &[u8], into: &mut [f32]) {
        for (into, bytes) in into.iter_mut().zip(bytes.chunks_exact(S::BYTES)) {
            *into = S::decode(bytes);
        }
    }
    match encoding {
        Encoding::Int8 => each::<samples::Int8>(bytes, into),
        Encoding::Int16 => each::<samples::Int16>(bytes, into),
        Encoding::Int24 => each::<samples::Int24>(bytes, into),
        Encoding::Int24In32 => each::<samples::Int24In32>(bytes, into),
        Encoding::Int32 => each::<samples::Int32>(bytes, into),
        // As they are: what is no audio is stopped and counted in the channel.
        Encoding::Float32 => {
            let (bytes, _) = bytes.as_chunks();
            into.iter_mut().zip(bytes).for_each(|(into, bytes)| *into = f32::from_le_bytes(*bytes));
        }
        Encoding::Float64 => each::<samples::Float64>(bytes, into),
    }
}

/// Writes a WAV file of 32-bit floats. Its header is brought up to date, and the disk asked to keep what was written, after
/// every second of sound and at the end, so that a power cut loses little more than the last second.
pub struct Writer {
    path: PathBuf,
    writer: WavWriter<BufWriter<File>>,
    /// The same file, to ask the disk.
    file: File,
    frame_bytes: u64,
    bytes_max: u64,
    bytes: u64,
    bytes_per_second: u64,
    bytes_at_flush: u64,
}

impl fmt::Debug for Writer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Writer").field("path", &self.path).field("bytes", &self.bytes).finish_non_exhaustive()
    }
}

impl Writer {
    /// Creates a file, or empties the one that is there.
    ///
    /// # Errors
    /// The system's, or a number of channels other than 1 to 256.
    pub fn create(path: &Path, rate: SampleRate, channels: usize) -> Result<Self, WavError> {
        if !(1..=256).contains(&channels) {
            return Err(WavError::Unfit(path.to_owned(), format!("{channels} channels; 1 to 256 are written")));
        }
        let spec = WavSpec {
            channels: u16::try_from(channels).unwrap_or(u16::MAX),
            sample_rate: rate.hz(),
            bits_per_sample: 32,
            sample_format: SampleFormat::Float,
        };
        let file = File::create(path).map_err(|error| WavError::Io(path.to_owned(), error))?;
        let again = file.try_clone().map_err(|error| WavError::Io(path.to_owned(), error))?;
        let writer = WavWriter::new(BufWriter::new(file), spec).map_err(|error| error_of(path, error))?;
        let frame_bytes = BYTES_PER_SAMPLE * u64::from(spec.channels);
        Ok(Self {
            path: path.to_owned(),
            writer,
            file: again,
            frame_bytes,
            bytes_max: DATA_BYTES_MAX,
            bytes: 0,
            bytes_per_second: frame_bytes * u64::from(rate.hz()),
            bytes_at_flush: 0,
        })
    }

    /// Frames that still fit into the file.
    #[must_use]
    pub fn room_frames(&self) -> u64 {
        (self.bytes_max - self.bytes) / self.frame_bytes
    }

    /// Appends interleaved frames.
    ///
    /// # Errors
    /// [`WavError::Full`] when they do not fit into 4 GiB any more, and nothing was written; the system's, when the disk
    /// is full: what was flushed stays readable.
    ///
    /// # Panics
    /// When `frames` is not a whole number of frames.
    ///
    /// Real-time: never
    pub fn write(&mut self, frames: &[f32]) -> Result<(), WavError> {
        let bytes = frames.len() as u64 * BYTES_PER_SAMPLE;
        assert_eq!(bytes % self.frame_bytes, 0, "a part of a frame was given to a WAV file");
        if bytes > self.bytes_max - self.bytes {
            return Err(WavError::Full(self.path.clone()));
        }
        for sample in frames {
            self.writer.write_sample(*sample).map_err(|error| error_of(&self.path, error))?;
        }
        self.bytes += bytes;
        if self.bytes - self.bytes_at_flush >= self.bytes_per_second { self.flush() } else { Ok(()) }
    }

    /// Brings the header up to date and asks the disk to keep everything written so far.
    ///
    /// # Errors
    /// The system's.
    pub fn flush(&mut self) -> Result<(), WavError> {
        self.writer.flush().map_err(|error| error_of(&self.path, error))?;
        self.file.sync_data().map_err(|error| WavError::Io(self.path.clone(), error))?;
        self.bytes_at_flush = self.bytes;
        Ok(())
    }

    /// Finishes the file. Dropping does so too, and cannot say what went wrong.
    ///
    /// # Errors
    /// The system's.
    pub fn close(mut self) -> Result<(), WavError> {
        self.flush()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ints(path: &Path, bits: u16, channels: u16, samples: &[i32]) {
        let spec = WavSpec { channels, sample_rate: 48_000, bits_per_sample: bits, sample_format: SampleFormat::Int };
        let mut writer = WavWriter::create(path, spec).expect("a temporary file");
        samples.iter().for_each(|sample| writer.write_sample(*sample).expect("it fits"));
        writer.finalize().expect("it is whole");
    }

    #[test]
    fn whole_numbers_of_every_depth_come_out_as_exact_fractions_again_and_again() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("a.wav");
        for bits in [8, 16, 24, 32_u16] {
            let full = 1_i64 << (bits - 1);
            let samples = [-full, full - 1, 0, 1, -1, full / 2, -full / 2, 77].map(|sample| sample as i32);
            ints(&path, bits, 2, &samples);
            let mut reader = Reader::open(&path).expect("it was just written");
            assert_eq!((reader.channels(), reader.frames(), reader.rate().hz()), (2, 4, 48_000));
            for _ in 0..3 {
                let mut read = [9.0; 7];
                assert_eq!(reader.read(&mut read).expect("it reads"), 3, "whole frames only");
                let exact = samples.map(|sample| (f64::from(sample) / full as f64) as f32);
                assert_eq!(read[..6], exact[..6]);
                assert_eq!(read[6].to_bits(), 9.0_f32.to_bits());
                assert_eq!(reader.read(&mut read).expect("it reads"), 1);
                assert_eq!(read[..2], exact[6..]);
                assert_eq!(reader.read(&mut read).expect("it reads"), 0);
                reader.rewind().expect("it rewinds");
            }
        }
    }

    #[test]
    fn floats_pass_bit_for_bit_and_are_readable_while_they_are_written() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("a.wav");
        let samples =
            [0.0, -0.0, 1.5, f32::MIN_POSITIVE, 1.0e-42, f32::NAN, f32::INFINITY, -1.0, 0.1].map(f32::to_bits);
        let mut writer = Writer::create(&path, SampleRate::HZ_48000, 3).expect("a temporary file");
        writer.write(&samples.map(f32::from_bits)).expect("it fits");
        writer.flush().expect("it flushes");
        for _ in 0..2 {
            let mut reader = Reader::open(&path).expect("it was flushed");
            let mut read = [0.0; 9];
            assert_eq!((reader.channels(), reader.read(&mut read).expect("it reads")), (3, 3));
            assert_eq!(read.map(f32::to_bits), samples);
            writer.write(&[0.25; 3]).expect("it fits");
        }
        drop(writer);
        assert_eq!(Reader::open(&path).expect("it was dropped").frames(), 5);
    }

    #[test]
    fn the_header_is_brought_up_to_date_every_second_of_sound() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("a.wav");
        let mut writer = Writer::create(&path, SampleRate::HZ_48000, 1).expect("a temporary file");
        for _ in 0..250 {
            writer.write(&[0.5; 480]).expect("it fits");
        }
        let cut = folder.path().join("cut.wav");
        std::fs::copy(&path, &cut).expect("it can be copied");
        assert_eq!(Reader::open(&cut).expect("a header was written").frames(), 96_000);
        writer.close().expect("it closes");
        assert_eq!(Reader::open(&path).expect("it was closed").frames(), 120_000);
    }

    #[test]
    fn four_gibibytes_are_refused_before_they_are_exceeded() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("a.wav");
        let mut writer = Writer::create(&path, SampleRate::HZ_48000, 3).expect("a temporary file");
        assert_eq!(writer.room_frames(), (u64::from(u32::MAX) - 60) / 12);
        writer.bytes_max = 24 + 11;
        writer.write(&[0.5; 3]).expect("it fits");
        assert_eq!(writer.room_frames(), 1);
        let full = writer.write(&[0.5; 6]).expect_err("two more do not fit");
        assert!(full.to_string().contains("4 GiB"), "{full}");
        writer.write(&[0.5; 3]).expect("one more fits");
        assert!(matches!(writer.write(&[0.5; 3]), Err(WavError::Full(_))));
        writer.close().expect("it closes");
        assert_eq!(Reader::open(&path).expect("it was closed").frames(), 2);
    }

    #[test]
    fn a_file_cut_short_ends_where_it_was_cut_and_others_are_refused_with_their_name() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("talk.wav");
        ints(&path, 16, 1, &[1, 2, 3, 4]);
        File::options().write(true).open(&path).and_then(|file| file.set_len(44 + 5)).expect("it can be cut");
        let mut read = [0.0; 8];
        assert_eq!(Reader::open(&path).expect("the header is whole").read(&mut read).expect("it reads"), 2);
        std::fs::write(&path, b"RIFFnothing").expect("it can be written");
        let error = Reader::open(&path).expect_err("no WAV file").to_string();
        assert!(error.contains("talk.wav"), "{error}");
        let error = Reader::open(&folder.path().join("none.wav")).expect_err("no file");
        assert!(matches!(error, WavError::Io(..)), "{error}");
    }
}
