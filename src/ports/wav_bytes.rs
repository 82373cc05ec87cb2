//! WAV files as they lie on the disk: the header read, the samples left as bytes, for whoever wants hours of them fast.
//!
//! RIFF, and RF64 and BW64 (EBU Tech 3306, ITU-R BS.2088) beyond 4 GiB. A file that was cut short, or whose header counts no
//! samples because its writer was stopped, ends where its bytes end; so does a pipe whose writer could not know.

use super::wav::WavError;
use crate::dsp::programme::Format;
use crate::dsp::samples::Encoding;
use crate::units::SampleRate;
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::os::fd::AsFd;
use std::path::{Path, PathBuf};

/// Chunks looked at before the samples; more is no WAV file that anybody wrote.
const CHUNKS_MAX: usize = 1_000;
/// The most channels of a file.
const CHANNELS_MAX: u16 = 64;
/// A size that stands in the chunk `ds64`, or that nobody filled in.
const ELSEWHERE: u32 = u32::MAX;

/// Weight of the channels at the sides and behind, and of all others but the effects channel (ITU-R BS.1770-5 Table 3).
const SURROUND: f64 = 1.41;

/// A file or a stream, read from its first frame to its last.
#[derive(Debug)]
pub struct WavBytes {
    path: PathBuf,
    source: Source,
    format: Format,
    /// Bytes not yet read; of a stream whose header does not count them, more than there can be.
    left: u64,
    /// Whether anybody knows how many there are.
    counted: bool,
    /// Bytes that the header counts and that are not there.
    missing: u64,
}

/// Where the bytes come from.
#[derive(Debug)]
enum Source {
    /// What has a length and a place.
    File(File),
    /// What comes once and says when it ends: a pipe, a socket.
    Stream(File),
}

impl Source {
    /// To the end of a chunk: one of odd size is followed by a byte that it does not count.
    fn skip(&mut self, size: u32) -> io::Result<()> {
        let whole = u64::from(size) + u64::from(size % 2);
        match self {
            #[expect(clippy::cast_possible_wrap, reason = "33 bits")]
            Self::File(file) => file.seek(SeekFrom::Current(whole as i64)).map(drop),
            Self::Stream(file) => io::copy(&mut file.take(whole), &mut io::sink()).map(drop),
        }
    }

    /// Bytes from here to the end, where that is known.
    fn left(&mut self) -> io::Result<Option<u64>> {
        match self {
            Self::File(file) => {
                let here = file.stream_position()?;
                Ok(Some(file.metadata()?.len().saturating_sub(here)))
            }
            Self::Stream(_) => Ok(None),
        }
    }
}

impl Read for Source {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        match self {
            Self::File(file) | Self::Stream(file) => file.read(into),
        }
    }
}

impl WavBytes {
    /// Opens a file that can be opened again, and reads its header.
    ///
    /// # Errors
    /// The system's, or that the file is not one that is read here.
    pub fn open(path: &Path) -> Result<Self, WavError> {
        let file = File::open(path).map_err(|error| WavError::Io(path.to_owned(), error))?;
        Self::read_header(path, Source::File(file))
    }

    /// Opens a file, a pipe, or with "-" the standard input, and reads its header. A pipe is read to its end when its header was
    /// written before anybody knew how long it would be: a size of 0, or of as many as there is room for.
    ///
    /// # Errors
    /// The system's, or that it is not one that is read here.
    pub fn open_once(path: &Path) -> Result<Self, WavError> {
        let io = |error| WavError::Io(path.to_owned(), error);
        let file = if path.as_os_str() == "-" {
            File::from(io::stdin().as_fd().try_clone_to_owned().map_err(io)?)
        } else {
            File::open(path).map_err(io)?
        };
        let whole = file.metadata().map_err(io)?.is_file();
        Self::read_header(path, if whole { Source::File(file) } else { Source::Stream(file) })
    }

    fn read_header(path: &Path, mut source: Source) -> Result<Self, WavError> {
        let io = |error: io::Error| match error.kind() {
            io::ErrorKind::UnexpectedEof => WavError::Unfit(path.to_owned(), "the file ends inside its header".into()),
            _ => WavError::Io(path.to_owned(), error),
        };
        let unfit = |why: &str| WavError::Unfit(path.to_owned(), why.to_owned());
        let mut head = [0; 12];
        source.read_exact(&mut head).map_err(io)?;
        let large = matches!(&head[..4], b"RF64" | b"BW64");
        if !(large || &head[..4] == b"RIFF") || &head[8..] != b"WAVE" {
            return Err(unfit("no WAV file: it begins with neither RIFF, RF64 nor BW64"));
        }
        let (mut format, mut data_bytes) = (None, None);
        for _ in 0..CHUNKS_MAX {
            let mut chunk = [0; 8];
            source.read_exact(&mut chunk).map_err(io)?;
            let size = u32::from_le_bytes([chunk[4], chunk[5], chunk[6], chunk[7]]);
            match &chunk[..4] {
                b"data" => {
                    let format: Format = format.ok_or_else(|| unfit("its samples come before their format"))?;
                    let there = source.left().map_err(io)?;
                    let stated = match size {
                        ELSEWHERE => data_bytes,
                        0 => None,
                        size => Some(u64::from(size)),
                    };
                    let whole = |bytes: u64| bytes / format.frame_bytes() as u64 * format.frame_bytes() as u64;
                    let (left, missing) = match (stated, there) {
                        (Some(stated), Some(there)) => {
                            let left = whole(stated.min(there));
                            (left, whole(stated).saturating_sub(left))
                        }
                        (Some(bytes), None) | (None, Some(bytes)) => (whole(bytes), 0),
                        (None, None) => (u64::MAX, 0),
                    };
                    let counted = stated.or(there).is_some();
                    return Ok(Self { path: path.to_owned(), source, format, left, counted, missing });
                }
                b"ds64" if large && size >= 16 => {
                    let mut sizes = [0; 16];
                    source.read_exact(&mut sizes).map_err(io)?;
                    let bytes = sizes.last_chunk().map(|bytes| u64::from_le_bytes(*bytes));
                    data_bytes = bytes.filter(|bytes| (1..u64::MAX).contains(bytes));
                    source.skip(size - 16).map_err(io)?;
                }
                b"fmt " if size >= 16 => {
                    let mut bytes = [0; 40];
                    let known = size.min(40) as usize;
                    source.read_exact(&mut bytes[..known]).map_err(io)?;
                    format = Some(read_format(&bytes).map_err(|why| unfit(&why))?);
                    source.skip(size - known as u32).map_err(io)?;
                }
                _ => source.skip(size).map_err(io)?,
            }
        }
        Err(unfit("no samples among its first thousand chunks"))
    }

    /// What its samples look like.
    #[must_use]
    pub const fn format(&self) -> &Format {
        &self.format
    }

    /// Frames not yet read; `u64::MAX` of a stream that does not say how long it is.
    #[must_use]
    pub fn frames(&self) -> u64 {
        if self.counted { self.left / self.format.frame_bytes() as u64 } else { u64::MAX }
    }

    /// Frames that the header counts and that are not there, because the file was cut short.
    #[must_use]
    pub fn missing_frames(&self) -> u64 {
        self.missing.div_ceil(self.format.frame_bytes() as u64)
    }

    /// Reads as many frames as fit and are left, and says how many; 0 at the end.
    ///
    /// # Errors
    /// The system's.
    ///
    /// Real-time: never
    pub fn read(&mut self, into: &mut [u8]) -> Result<usize, WavError> {
        let frame_bytes = self.format.frame_bytes();
        let wanted = (into.len() / frame_bytes * frame_bytes).min(usize::try_from(self.left).unwrap_or(usize::MAX));
        let mut filled = 0;
        while filled < wanted {
            match self.source.read(&mut into[filled..wanted]) {
                Ok(0) => {
                    // A stream has ended, or somebody cut the file while it was read.
                    if self.counted {
                        self.missing += self.left - filled as u64;
                    }
                    self.left = filled as u64;
                    break;
                }
                Ok(bytes) => filled += bytes,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(WavError::Io(self.path.clone(), error)),
            }
        }
        self.left -= filled as u64;
        Ok(filled / frame_bytes)
    }
}

fn read_format(chunk: &[u8; 40]) -> Result<Format, String> {
    let two = |at: usize| u16::from_le_bytes([chunk[at], chunk[at + 1]]);
    let four = |at: usize| u32::from(two(at)) | u32::from(two(at + 2)) << 16;
    let (mut tag, channels, hz, frame_bytes, bits) = (two(0), two(2), four(4), two(12), two(14));
    // WAVE_FORMAT_EXTENSIBLE: the tag of old is the beginning of an identifier, and a mask says where the channels are.
    let mask = if tag == 0xFFFE {
        tag = two(24);
        four(20)
    } else {
        0
    };
    if channels == 0 || channels > CHANNELS_MAX {
        return Err(format!("{channels} channels; 1 to {CHANNELS_MAX} are read"));
    }
    let rate = SampleRate::try_new_of_file(hz).map_err(|_| format!("a rate of {hz} Hz; 8,000 to 384,000 are read"))?;
    let encoding = match (tag, bits, frame_bytes / channels) {
        (1, 1..=8, 1) => Encoding::Int8,
        (1, 9..=16, 2) => Encoding::Int16,
        (1, 17..=24, 3) => Encoding::Int24,
        (1, 17..=24, 4) => Encoding::Int24In32,
        (1, 25..=32, 4) => Encoding::Int32,
        (3, 32, 4) => Encoding::Float32,
        (3, 64, 8) => Encoding::Float64,
        (1, ..) => return Err(format!("whole numbers of {bits} bits in frames of {frame_bytes} bytes are not read")),
        (3, ..) => return Err(format!("floating point of {bits} bits in frames of {frame_bytes} bytes is not read")),
        (tag, ..) => {
            return Err(format!("samples of kind {tag:#06x} are not read; only PCM and IEEE floating point are"));
        }
    };
    Ok(Format { rate, encoding, weights: weights(channels, mask) })
}

/// Where channels are when the file says so, or as files without a mask have them by custom.
fn weights(channels: u16, mask: u32) -> Vec<f64> {
    const EFFECTS: u32 = 0x8;
    const BEHIND: u32 = 0x30;
    const SIDES: u32 = 0x600;
    let mask = match (mask, channels) {
        // Left, right, (centre, (effects,)) and both surrounds.
        (0, 4) => 0x33,
        (0, 5) => 0x37,
        (0, 6) => 0x3F,
        (0, 8) => 0x63F,
        (mask, _) => mask,
    };
    let positions = (0..32).map(|bit| 1_u32 << bit).filter(|position| mask & position != 0);
    let weight = |position: u32| match position {
        EFFECTS => 0.0,
        position if position & SIDES != 0 => SURROUND,
        // Beside channels at the sides these are far enough behind to weigh as the front ones do.
        position if position & BEHIND != 0 && mask & SIDES == 0 => SURROUND,
        _ => 1.0,
    };
    positions.map(weight).chain(std::iter::repeat(1.0)).take(usize::from(channels)).collect()
}
