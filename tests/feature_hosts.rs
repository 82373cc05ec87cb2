//! The hosts that are features of the build, each carrying a tone into a PipeWire without sound hardware.

#![cfg(any(feature = "pulseaudio", feature = "pipewire"))]
#![allow(clippy::print_stdout, reason = "tests say what they measured")]

mod support;

use longthrow::engine::wires::Wires;
use longthrow::ports::audio::{self, BlockSink, BlockTime};
use longthrow::ports::wav::Reader;
use longthrow::profile::{Device, Host};
use longthrow::units::SampleRate;
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering::SeqCst};
use std::sync::mpsc::sync_channel;
use support::pipewire::PipeWire;
use support::{again, have, inside, wait_until};

const HERTZ: f64 = 997.0;
const AMPLITUDE: f64 = 0.25;

/// A tone on the first output, its negative on the second.
struct Tone {
    frame: u64,
    blocks: Arc<AtomicU64>,
}

impl BlockSink for Tone {
    fn block(&mut self, wires: &mut dyn Wires, _: BlockTime) {
        for offset in 0..wires.frames() {
            let phase = std::f64::consts::TAU * HERTZ / 48_000.0 * self.frame as f64;
            let sample = (AMPLITUDE * phase.sin()) as f32;
            wires.write(0, offset, &[sample]);
            wires.write(1, offset, &[-sample]);
            self.frame += 1;
        }
        self.blocks.fetch_add(1, SeqCst);
    }
}

/// Amplitude of one frequency: the projection on its sine and cosine under a Hann window.
fn amplitude(samples: &[f32], hertz: f64) -> f64 {
    let (mut sine, mut cosine, mut sum) = (0.0, 0.0, 0.0);
    for (n, sample) in samples.iter().enumerate() {
        let window = 0.5 - 0.5 * (std::f64::consts::TAU * n as f64 / samples.len() as f64).cos();
        let phase = std::f64::consts::TAU * hertz / 48_000.0 * n as f64;
        sine += window * f64::from(*sample) * phase.sin();
        cosine += window * f64::from(*sample) * phase.cos();
        sum += window;
    }
    2.0 * sine.hypot(cosine) / sum
}

/// Plays the tone into the sink `desk` through a host, and listens to the sink with PipeWire's own recorder.
fn a_tone_passes(host: Host, test: &str, programs: &[&str]) {
    if !inside() {
        if !have(&["pw-cli", "pw-record"]) {
            return;
        }
        let Some(pipewire) = PipeWire::start(programs) else { return };
        let run = |program: &mut Command| program.envs(pipewire.environment()).output().expect("it starts");
        wait_until("there is a sink", || {
            let node = "{ factory.name=support.null-audio-sink node.name=desk node.description=desk \
                        media.class=Audio/Sink object.linger=true audio.position=[FL FR] }";
            let made = run(Command::new("timeout").args(["5", "pw-cli", "create-node", "adapter", node]));
            let listed = run(Command::new("timeout").args(["5", "pw-cli", "ls", "Node"]));
            made.status.success() && String::from_utf8_lossy(&listed.stdout).contains("\"desk\"")
        });
        again(test, &[], &pipewire.environment());
        return;
    }
    let mut listed = Vec::new();
    wait_until("the sink is listed", || {
        listed = audio::list();
        listed.iter().any(|device| device.host == host && device.outputs >= 2 && device.identity.contains("desk"))
    });
    let found =
        listed.iter().find(|device| device.host == host && device.outputs >= 2 && device.identity.contains("desk"));
    let identity = found.expect("awaited").identity.clone();
    println!("{found:?}");
    let device = Device {
        id: "desk".into(),
        host,
        identity,
        period_frames: Some(1024),
        inputs: 0,
        outputs: 2,
        link_inputs: Vec::new(),
        link_outputs: Vec::new(),
    };
    let blocks: Arc<AtomicU64> = Arc::default();
    let (send, _notices) = sync_channel(64);
    let tone = Box::new(Tone { frame: 0, blocks: Arc::clone(&blocks) });
    let device = audio::open(&device, Some(SampleRate::HZ_48000), tone, send).expect("it was listed");
    wait_until("blocks come", || blocks.load(SeqCst) > 50);

    let folder = tempfile::tempdir().expect("a temporary folder");
    let file = folder.path().join("heard.wav");
    let mut recorder = Command::new("timeout");
    recorder.args(["-sINT", "4", "pw-record", "--target", "desk", "-P", "{ stream.capture.sink = true }"]);
    recorder.args(["--rate", "48000", "--channels", "2", "--format", "f32"]).arg(&file);
    let _stopped_by_timeout = recorder.status().expect("timeout starts");
    println!("{:?}, latency {:?}", device.format(), device.latency_frames());
    drop(device);

    let mut reader = Reader::open(&file).expect("pw-record writes WAV");
    let mut samples = vec![0.0; 2 * 48_000 * 4];
    let frames = reader.read(&mut samples).expect("it reads");
    assert!(frames > 96_000, "{frames} frames heard");
    // The last whole second heard, so that the beginning does not matter.
    let last = &samples[2 * (frames - 48_000)..2 * frames];
    for channel in 0..2 {
        let heard: Vec<f32> = last.iter().skip(channel).step_by(2).copied().collect();
        let (level, beside) = (amplitude(&heard, HERTZ), amplitude(&heard, HERTZ * 1.5));
        println!("channel {channel}: {level:.6} at {HERTZ} Hz, {beside:.6} at {} Hz", HERTZ * 1.5);
        assert!((level / AMPLITUDE - 1.0).abs() < 0.02, "channel {channel}: {level} instead of {AMPLITUDE}");
        assert!(beside < AMPLITUDE / 1000.0, "channel {channel}: {beside} beside the tone");
    }
    let opposed = last.chunks_exact(2).filter(|frame| (frame[0] + frame[1]).abs() < 1.0e-6).count();
    assert!(opposed > 47_000, "the second channel is the first one's negative in {opposed} of 48,000 frames");
}

#[cfg(feature = "pulseaudio")]
#[test]
fn a_tone_passes_through_pulseaudio() {
    a_tone_passes(Host::PulseAudio, "a_tone_passes_through_pulseaudio", &["pipewire-pulse"]);
}

#[cfg(feature = "pipewire")]
#[test]
fn a_tone_passes_through_pipewire() {
    a_tone_passes(Host::PipeWire, "a_tone_passes_through_pipewire", &[]);
}
