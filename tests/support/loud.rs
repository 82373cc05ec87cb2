//! Signals of the loudness standards, made here, and WAV files to hand them over in.
//!
//! The tables are those of EBU Tech 3341 and 3342 (2023), read in published test code that cites them by case number; cases
//! marked "from memory" were not looked up.

use std::f64::consts::TAU;
use std::path::Path;

/// The rate of every signal here.
pub const HZ: u32 = 48_000;

/// One channel after the other.
pub type Planar = Vec<Vec<f32>>;

/// A 1 kHz tone, the same in both channels, in segments of a level (dBFS of the peak) and a length in seconds; the tone goes
/// on through the changes.
pub fn tone(segments: &[(f64, f64)], times: usize) -> Planar {
    stereo(sine(1_000.0, segments, times))
}

/// The same at another frequency, one channel.
pub fn sine(hertz: f64, segments: &[(f64, f64)], times: usize) -> Vec<f32> {
    let mut samples = Vec::new();
    for (db, s) in segments.iter().cycle().take(segments.len() * times) {
        let peak = if db.is_finite() { 10_f64.powf(db / 20.0) } else { 0.0 };
        let end = samples.len() + (s * f64::from(HZ)).round() as usize;
        samples.extend(
            (samples.len()..end).map(|n| (peak * (TAU * (hertz * n as f64 / f64::from(HZ)).fract()).sin()) as f32),
        );
    }
    samples
}

/// The same in both channels.
pub fn stereo(samples: Vec<f32>) -> Planar {
    vec![samples.clone(), samples]
}

/// Tech 3341 cases 15 to 19: a tone at a fraction of the rate with a start phase in degrees, 1 s, 10 ms raised-cosine fades.
pub fn true_peak_tone(fraction: f64, amplitude: f64, degrees: f64) -> Planar {
    let (length, fade) = (HZ as usize, HZ as f64 / 100.0);
    let sample = |n: usize| {
        let edge = (n.min(length - 1 - n) as f64 / fade).min(1.0);
        let gain = 0.5 - 0.5 * (edge * TAU / 2.0).cos();
        (gain * amplitude * (TAU * (fraction * n as f64 + degrees / 360.0)).sin()) as f32
    };
    stereo((0..length).map(sample).collect())
}

/// Tech 3341 cases 20 to 23: at four times the rate a tone of fs/6 at half of full scale with one period of fs/4 at full scale
/// spliced in at a zero crossing, low-passed (511 taps, 23 kHz, Hamming), decimated from one of the four samples on. The
/// low-pass is not prescribed, so this is a rendering of the case and not the published file.
pub fn true_peak_splice(from: usize) -> Planar {
    const TAPS: usize = 511;
    let length = HZ as usize * 2;
    let splice = length / 2 / 24 * 24;
    let mut fine: Vec<f64> = Vec::with_capacity(length + 16);
    let slow = |n: usize| 0.5 * (TAU * (n % 24) as f64 / 24.0).sin();
    fine.extend((0..splice).map(slow));
    fine.extend((0..16).map(|n| (TAU * n as f64 / 16.0).sin()));
    fine.extend((0..length - splice).map(slow));
    let fade = f64::from(HZ) * 4.0 / 100.0;
    let last = fine.len() - 1;
    for (n, sample) in fine.iter_mut().enumerate() {
        let edge = (n.min(last - n) as f64 / fade).min(1.0);
        *sample *= 0.5 - 0.5 * (edge * TAU / 2.0).cos();
    }
    let cut = 23_000.0 / (4.0 * f64::from(HZ));
    let taps: Vec<f64> = (0..TAPS)
        .map(|n| {
            let t = n as f64 - (TAPS / 2) as f64;
            let sinc = if t == 0.0 { 2.0 * cut } else { (TAU * cut * t).sin() / (TAU / 2.0 * t) };
            sinc * (0.54 - 0.46 * (TAU * n as f64 / (TAPS - 1) as f64).cos())
        })
        .collect();
    let centre = TAPS / 2;
    let low = |at: usize| -> f64 {
        let place = |tap: usize| (at + tap).checked_sub(centre).and_then(|at| fine.get(at));
        taps.iter().enumerate().map(|(n, tap)| tap * place(n).copied().unwrap_or(0.0)).sum()
    };
    stereo((0..fine.len() / 4).map(|n| low(4 * n + from) as f32).collect())
}

/// How a test writes samples.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Written {
    Int16,
    Int24,
    Int32,
    Float,
    /// 24 bits with a header of EBU Tech 3306.
    Rf64,
}

/// A WAV file of these channels.
pub fn write(path: &Path, planar: &Planar, hz: u32, written: Written) {
    std::fs::write(path, bytes(planar, hz, written, None, true)).expect("a temporary file");
}

/// What such a file holds. With a mask it says where its channels are (WAVE_FORMAT_EXTENSIBLE); one that does not count its bytes is
/// written as programs write into a pipe, before they know how many there will be.
pub fn bytes(planar: &Planar, hz: u32, written: Written, mask: Option<u32>, counted: bool) -> Vec<u8> {
    let (tag, bytes) = match written {
        Written::Int16 => (1_u16, 2_usize),
        Written::Int24 | Written::Rf64 => (1, 3),
        Written::Int32 => (1, 4),
        Written::Float => (3, 4),
    };
    let (channels, frames) = (planar.len(), planar[0].len());
    let data = frames * channels * bytes;
    let rf64 = written == Written::Rf64;
    let size = |bytes: usize| if rf64 || !counted { u32::MAX } else { u32::try_from(bytes).expect("a short file") };
    let mut file = Vec::with_capacity(data + 100);
    file.extend(if rf64 { b"RF64" } else { b"RIFF" });
    file.extend(size(data + 36).to_le_bytes());
    file.extend(b"WAVE");
    if rf64 {
        file.extend(b"ds64");
        file.extend(28_u32.to_le_bytes());
        for count in [data + 72, data, frames] {
            file.extend(if counted { count as u64 } else { 0 }.to_le_bytes());
        }
        file.extend(0_u32.to_le_bytes());
    }
    // A chunk of odd size, with the byte behind it that it does not count.
    file.extend(b"odd \x03\x00\x00\x00abc\x00");
    file.extend(b"fmt ");
    file.extend(if mask.is_some() { 40_u32 } else { 16 }.to_le_bytes());
    let frame = u16::try_from(channels * bytes).expect("few channels");
    let old = if mask.is_some() { 0xFFFE } else { tag };
    for word in [old, u16::try_from(channels).expect("few channels")] {
        file.extend(word.to_le_bytes());
    }
    file.extend(hz.to_le_bytes());
    file.extend((hz * u32::from(frame)).to_le_bytes());
    for word in [frame, u16::try_from(bytes * 8).expect("few bits")] {
        file.extend(word.to_le_bytes());
    }
    if let Some(mask) = mask {
        // What follows: its length, the bits that count, the mask, and the format's identifier.
        file.extend(22_u16.to_le_bytes());
        file.extend(u16::try_from(bytes * 8).expect("few bits").to_le_bytes());
        file.extend(mask.to_le_bytes());
        file.extend(tag.to_le_bytes());
        file.extend(b"\x00\x00\x00\x00\x10\x00\x80\x00\x00\xaa\x00\x38\x9b\x71");
    }
    file.extend(b"data");
    file.extend(size(data).to_le_bytes());
    for n in 0..frames {
        for channel in planar {
            let sample = f64::from(channel[n]);
            let whole = |full: f64| (sample * full).round().clamp(-full, full - 1.0) as i32;
            match written {
                Written::Int16 => file.extend(&whole(32_768.0).to_le_bytes()[..2]),
                Written::Int24 | Written::Rf64 => file.extend(&whole(8_388_608.0).to_le_bytes()[..3]),
                Written::Int32 => file.extend(whole(2_147_483_648.0).to_le_bytes()),
                Written::Float => file.extend(channel[n].to_le_bytes()),
            }
        }
    }
    file
}
