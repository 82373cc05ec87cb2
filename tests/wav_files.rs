//! WAV files against an independent program that reads and writes them, ffmpeg.

mod support;

use longthrow::ports::wav::{Reader, Writer};
use longthrow::units::SampleRate;
use std::path::Path;
use std::process::{Command, Stdio};
use support::have;
use support::signal::{Depth, sample};

fn ffmpeg(arguments: &[&str], from: &Path, to_arguments: &[&str], to: &Path) {
    let status = Command::new("ffmpeg")
        .args(["-nostdin", "-loglevel", "error", "-y"])
        .args(arguments)
        .arg("-i")
        .arg(from)
        .args(to_arguments)
        .arg(to)
        .stdin(Stdio::null())
        .status();
    assert!(status.expect("ffmpeg starts").success());
}

fn interleaved(depth: Depth, channels: usize, frames: u32) -> Vec<f32> {
    (0..frames).flat_map(|frame| (0..channels).map(move |channel| sample(depth, channel, frame))).collect()
}

fn read_all(path: &Path) -> (usize, Vec<f32>) {
    let mut reader = Reader::open(path).expect("it is a WAV file");
    let mut all = Vec::new();
    let mut piece = vec![0.0; 1000 * reader.channels()];
    loop {
        let frames = reader.read(&mut piece).expect("it reads");
        if frames == 0 {
            return (reader.channels(), all);
        }
        all.extend_from_slice(&piece[..frames * reader.channels()]);
    }
}

fn same_bits(a: &[f32], b: &[f32]) -> bool {
    a.len() == b.len() && a.iter().zip(b).all(|(a, b)| a.to_bits() == b.to_bits())
}

#[test]
fn files_that_ffmpeg_wrote_are_read_bit_exact() {
    if !have(&["ffmpeg"]) {
        return;
    }
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (raw, wav) = (folder.path().join("a.raw"), folder.path().join("a.wav"));
    for channels in [1, 2] {
        for (depth, bits, format, codec) in [
            (Depth::Bits16, 16, "s16le", "pcm_s16le"),
            (Depth::Bits24, 24, "s24le", "pcm_s24le"),
            (Depth::Bits24, 32, "s32le", "pcm_s32le"),
            (Depth::Float, 0, "f32le", "pcm_f32le"),
        ] {
            let samples = interleaved(depth, channels, 20_000);
            let bytes: Vec<u8> = samples
                .iter()
                .flat_map(|sample| match bits {
                    0 => sample.to_le_bytes().to_vec(),
                    _ => {
                        let number = (f64::from(*sample) * 2.0_f64.powi(bits - 1)) as i32;
                        number.to_le_bytes()[..bits as usize / 8].to_vec()
                    }
                })
                .collect();
            std::fs::write(&raw, bytes).expect("it can be written");
            let count = channels.to_string();
            ffmpeg(&["-f", format, "-ar", "48000", "-ac", &count], &raw, &["-c:a", codec], &wav);
            let (found, read) = read_all(&wav);
            assert_eq!(found, channels);
            assert!(same_bits(&read, &samples), "{codec}, {channels} channels");
        }
    }
}

#[test]
fn files_written_here_are_read_bit_exact_by_ffmpeg() {
    if !have(&["ffmpeg"]) {
        return;
    }
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (raw, wav) = (folder.path().join("a.raw"), folder.path().join("a.wav"));
    for channels in [1, 2, 8, 32] {
        let samples = interleaved(Depth::Float, channels, 10_000);
        let mut writer = Writer::create(&wav, SampleRate::HZ_48000, channels).expect("it can be created");
        for piece in samples.chunks(channels * 480) {
            writer.write(piece).expect("it fits");
        }
        writer.close().expect("it closes");
        ffmpeg(&[], &wav, &["-f", "f32le", "-c:a", "pcm_f32le"], &raw);
        let bytes = std::fs::read(&raw).expect("it can be read");
        let read: Vec<f32> = bytes.chunks_exact(4).map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]])).collect();
        assert!(same_bits(&read, &samples), "{channels} channels: {} of {} samples", read.len(), samples.len());
    }
}
