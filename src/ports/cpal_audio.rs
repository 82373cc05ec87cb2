//! ALSA, and with features of the build PulseAudio and PipeWire, through cpal.
//!
//! cpal knows no duplex: input and output are two streams with a thread each. The output's callback drives the sink; the
//! input's callback feeds a ring, from which a reserve of one period keeps the two together. A device without outputs is
//! driven by its input's callback. Devices are chosen by their identity, never by a place in a list.

mod pcm;

use self::pcm::{Pcm, with_sample};
use super::alsa_words;
use super::audio::{BlockSink, BlockTime, DeviceNotice, Format, Listed, OpenDevice, OpenError};
use super::notices::{Board, Keeper, Outbox};
use super::reserve::{BLOCK_MAX, Reserve};
use super::{cards, clock};
use crate::engine::wires::PlanarWires;
use crate::profile::{Device, Host};
use crate::units::SampleRate;
use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use cpal::{
    BufferSize, Data, ErrorKind, HostId, SampleFormat, StreamConfig, SupportedBufferSize, SupportedStreamConfigRange,
};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering::Relaxed};
use std::sync::mpsc::SyncSender;
use std::time::Duration;

/// Frames in a period when the rig asks for none.
const PERIOD_FRAMES: u32 = 256;
/// So many errors without a block between them, and the device counts as gone: one library answered a lost server with 3.1
/// million errors in 2.5 s.
const ERRORS_IN_A_ROW_MAX: u32 = 1000;
/// How long a stream waits in one piece before it looks whether its device is still there.
const STREAM_TIMEOUT: Option<Duration> = Some(Duration::from_millis(500));
const REASONS: &[&str] = &[
    "the device was unplugged, or its server has ended",
    "the device runs in another way from now on and has to be opened anew",
    "the device gives nothing but errors",
];

/// Whether there is such a device; see [`super::audio::is_there`].
pub(super) fn is_there(device: &Device) -> bool {
    let _quiet = alsa_words::keep();
    let identity = match device.host {
        Host::Alsa => cards::resolve(Path::new(cards::SYSFS), &device.identity).ok(),
        _ => Some(device.identity.clone()),
    };
    let found = host_id(device.host)
        .ok()
        .zip(identity)
        .and_then(|(id, identity)| cpal::host_from_id(id).ok()?.device_by_id(&cpal::DeviceId::new(id, &identity)));
    found.is_some()
}

/// What ALSA lists and nobody would name in a rig: plug-ins that convert for another device, and nothing at all.
const NO_DEVICES: [&str; 8] = ["null", "jack", "lavrate", "samplerate", "speexrate", "speex", "upmix", "vdownmix"];

/// Opens the device; see [`super::audio::open`].
pub(super) fn open(
    device: &Device,
    rate: Option<SampleRate>,
    sink: Box<dyn BlockSink>,
    notices: SyncSender<DeviceNotice>,
) -> Result<Box<dyn OpenDevice>, OpenError> {
    let _quiet = alsa_words::keep();
    let id = host_id(device.host)?;
    let identity = match device.host {
        Host::Alsa => cards::resolve(Path::new(cards::SYSFS), &device.identity).map_err(OpenError::NotThere)?,
        _ => device.identity.clone(),
    };
    if is_numbered_card(&device.identity) {
        return Err(OpenError::Refused(format!(
            "{:?} names a card by its place in a list, which changes; `longthrow ports` lists it by its name",
            device.identity
        )));
    }
    let host = cpal::host_from_id(id).map_err(|error| match error.kind() {
        // What PipeWire's server says to a client without a cookie.
        ErrorKind::InvalidInput if device.host == Host::PulseAudio => OpenError::Refused(format!(
            "the PulseAudio server refuses us ({error}); put its cookie, or 256 bytes for PipeWire's, into ~/.config/pulse/cookie"
        )),
        _ => what_next(device, &error),
    })?;
    let found = host
        .device_by_id(&cpal::DeviceId::new(id, &identity))
        .ok_or_else(|| OpenError::NotThere(format!("there is no device {:?} now", device.identity)))?;

    let (inputs, outputs) = (usize::from(device.inputs), usize::from(device.outputs));
    let ask = |channels: usize, of: fn(&cpal::Device) -> Result<Vec<SupportedStreamConfigRange>, cpal::Error>| {
        if channels == 0 { Ok(Vec::new()) } else { of(&found).map_err(|error| what_next(device, &error)) }
    };
    let input_ways = ask(inputs, |found| Ok(found.supported_input_configs()?.collect()))?;
    let output_ways = ask(outputs, |found| Ok(found.supported_output_configs()?.collect()))?;
    let rate = match rate {
        Some(rate) => rate,
        None => usual_rate([&input_ways, &output_ways].into_iter().flatten())?,
    };
    let period = device.period_frames.unwrap_or(PERIOD_FRAMES).clamp(1, BLOCK_MAX as u32);
    let input = (inputs > 0).then(|| choose(&input_ways, inputs, rate, period, "input")).transpose()?;
    let output = (outputs > 0).then(|| choose(&output_ways, outputs, rate, period, "output")).transpose()?;

    let board: Arc<Board> = Arc::default();
    board.rate.store(rate.hz(), Relaxed);
    board.period.store(output.or(input).map_or(period, |way| way.period_frames), Relaxed);
    let latency: Arc<Latency> = Arc::default();
    let errors: Arc<AtomicU32> = Arc::default();
    let common = Common { board: Arc::clone(&board), latency: Arc::clone(&latency), errors, rate };

    let failed = |error: cpal::Error| what_next(device, &error);
    let mut streams = Vec::new();
    if let Some(output_way) = output {
        let reserve = match input {
            None => None,
            Some(input_way) => {
                let period = input_way.period_frames.max(output_way.period_frames) as usize;
                let burst = (8 * period).clamp(4096, 8 * BLOCK_MAX);
                latency.reserve.store(u32::try_from(period).unwrap_or(u32::MAX), Relaxed);
                let (feed, fed) = rtrb::RingBuffer::new(burst * inputs);
                let mut feeder = Feeder { feed, inputs, channels: input_way.channels(), common: common.clone() };
                let stream = found.build_input_stream_raw(
                    input_way.config,
                    input_way.format,
                    move |data, info| feeder.callback(data, info),
                    common.error_callback(),
                    STREAM_TIMEOUT,
                );
                streams.push(stream.map_err(failed)?);
                Some((fed, Reserve::new(inputs, period, burst, rate.hz())))
            }
        };
        let mut driver = OutputDriver {
            reserve,
            channels: output_way.channels(),
            planar_in: vec![0.0; inputs * BLOCK_MAX],
            planar_out: vec![0.0; outputs * BLOCK_MAX],
            sink,
            common: common.clone(),
        };
        let stream = found.build_output_stream_raw(
            output_way.config,
            output_way.format,
            move |data, info| driver.callback(data, info),
            common.error_callback(),
            STREAM_TIMEOUT,
        );
        streams.push(stream.map_err(failed)?);
    } else if let Some(input_way) = input {
        let mut driver = InputDriver {
            channels: input_way.channels(),
            planar_in: vec![0.0; inputs * BLOCK_MAX],
            sink,
            common: common.clone(),
        };
        let stream = found.build_input_stream_raw(
            input_way.config,
            input_way.format,
            move |data, info| driver.callback(data, info),
            common.error_callback(),
            STREAM_TIMEOUT,
        );
        streams.push(stream.map_err(failed)?);
    }
    for stream in &streams {
        stream.play().map_err(failed)?;
    }
    let mut outbox = Outbox::new(Arc::clone(&board), notices, REASONS);
    let keeper = Keeper::start("cpal device", move || {
        let _kept_until_the_end = &streams;
        outbox.look();
    })
    .map_err(|error| OpenError::WaitAndRetry(format!("no thread for the device: {error}")))?;
    Ok(Box::new(Opened { board, latency, rate, inputs, outputs, _keeper: keeper }))
}

/// Every device of every host of the build that names itself in a lasting way.
pub(super) fn list() -> Vec<Listed> {
    let _quiet = alsa_words::keep();
    let mut listed = Vec::new();
    for host in [Host::Alsa, Host::PulseAudio, Host::PipeWire] {
        let Ok(id) = host_id(host) else { continue };
        let Ok(devices) = cpal::host_from_id(id).and_then(|host| host.devices().map(Vec::from_iter)) else { continue };
        for device in devices {
            let Ok(identity) = device.id().map(|id| id.id().to_owned()) else { continue };
            // `null` paces nothing: it would call as fast as the machine can. `jack` is listed as what it is, and to ask it
            // would make a second way to a JACK server in one process.
            if is_numbered_card(&identity) || NO_DEVICES.contains(&identity.as_str()) {
                continue;
            }
            let inputs: Vec<_> = device.supported_input_configs().map(Vec::from_iter).unwrap_or_default();
            let outputs: Vec<_> = device.supported_output_configs().map(Vec::from_iter).unwrap_or_default();
            let most = |ways: &[SupportedStreamConfigRange]| ways.iter().map(|way| way.channels()).max().unwrap_or(0);
            let ends = inputs.iter().chain(&outputs).flat_map(|way| [way.min_sample_rate(), way.max_sample_rate()]);
            let mut rates: Vec<u32> = ends.collect();
            rates.sort_unstable();
            rates.dedup();
            let description = device.description().map_or_else(|_| identity.clone(), |text| text.name().to_owned());
            listed.push(Listed { host, identity, description, inputs: most(&inputs), outputs: most(&outputs), rates });
        }
    }
    listed
}

fn host_id(host: Host) -> Result<HostId, OpenError> {
    match host {
        Host::Alsa => Ok(HostId::Alsa),
        #[cfg(feature = "pulseaudio")]
        Host::PulseAudio => Ok(HostId::PulseAudio),
        #[cfg(feature = "pipewire")]
        Host::PipeWire => Ok(HostId::PipeWire),
        other => Err(OpenError::Refused(format!(
            "this build of longthrow has no {other:?}; use ALSA or JACK, or build with the feature"
        ))),
    }
}

/// Whether an ALSA name says which card by its number: `hw:0`, `plughw:1,0`, `hw:CARD=2,DEV=0`.
fn is_numbered_card(identity: &str) -> bool {
    identity.split_once(':').is_some_and(|(_, rest)| {
        let card = rest.split(',').next().unwrap_or("");
        let card = card.strip_prefix("CARD=").unwrap_or(card);
        !card.is_empty() && card.bytes().all(|byte| byte.is_ascii_digit())
    })
}

fn what_next(device: &Device, error: &cpal::Error) -> OpenError {
    let text = format!("{:?}: {error}", device.identity);
    match error.kind() {
        ErrorKind::DeviceBusy | ErrorKind::ResourceExhausted | ErrorKind::StreamInvalidated => {
            let name = cards::resolve(Path::new(cards::SYSFS), &device.identity).ok();
            let why = name.and_then(|name| cards::why_busy(Path::new(cards::PROC), &name));
            OpenError::WaitAndRetry(why.map_or_else(|| text.clone(), |why| format!("{text}; {why}")))
        }
        ErrorKind::DeviceNotAvailable | ErrorKind::HostUnavailable | ErrorKind::BackendError => {
            OpenError::NotThere(text)
        }
        _ => OpenError::Refused(text),
    }
}

/// 48 kHz where the device can, else the highest rate that it has.
fn usual_rate<'a>(ways: impl Iterator<Item = &'a SupportedStreamConfigRange> + Clone) -> Result<SampleRate, OpenError> {
    let usual = SampleRate::HZ_48000;
    if ways.clone().any(|way| way.contains_rate(usual.hz())) {
        return Ok(usual);
    }
    let rates = ways.filter_map(|way| SampleRate::try_new(way.max_sample_rate()).ok());
    rates.max().ok_or_else(|| OpenError::Refused("the device has no rate from 8,000 to 192,000 Hz".into()))
}

/// One way to run a stream.
#[derive(Clone, Copy, Debug)]
struct Way {
    config: StreamConfig,
    format: SampleFormat,
    period_frames: u32,
}

impl Way {
    fn channels(&self) -> usize {
        usize::from(self.config.channels)
    }
}

/// Which of two formats comes nearer to the engine's floats: higher is better, none is no sound we can carry.
fn preference(format: SampleFormat) -> Option<u8> {
    Some(match format {
        SampleFormat::F32 => 12,
        SampleFormat::I32 => 11,
        SampleFormat::I24 => 10,
        SampleFormat::F64 => 9,
        SampleFormat::I64 => 8,
        SampleFormat::U32 => 7,
        SampleFormat::U24 => 6,
        SampleFormat::U64 => 5,
        SampleFormat::I16 => 4,
        SampleFormat::U16 => 3,
        SampleFormat::I8 => 2,
        SampleFormat::U8 => 1,
        _ => return None,
    })
}

/// The way with the fewest channels that are enough, then the best format.
fn choose(
    ways: &[SupportedStreamConfigRange],
    channels: usize,
    rate: SampleRate,
    period: u32,
    direction: &str,
) -> Result<Way, OpenError> {
    let enough = |way: &&SupportedStreamConfigRange| usize::from(way.channels()) >= channels;
    if !ways.iter().any(|way| enough(&way)) {
        let most = ways.iter().map(|way| way.channels()).max().unwrap_or(0);
        return Err(OpenError::Refused(format!("{channels} {direction}s asked for; the device has {most}")));
    }
    let at_rate = ways.iter().filter(enough).filter(|way| way.contains_rate(rate.hz()));
    let best = at_rate
        .filter_map(|way| Some((way, std::cmp::Reverse(way.channels()), preference(way.sample_format())?)))
        .max_by_key(|(_, channels, preference)| (*channels, *preference));
    let Some((way, ..)) = best else {
        return Err(OpenError::Refused(format!(
            "the device has no {direction} at {} Hz with {channels} channels of whole numbers or floats",
            rate.hz()
        )));
    };
    let period_frames = match *way.buffer_size() {
        SupportedBufferSize::Range { min, max } => period.clamp(min.min(max), max),
        SupportedBufferSize::Unknown => period,
    };
    Ok(Way {
        config: StreamConfig {
            channels: way.channels(),
            sample_rate: rate.hz(),
            buffer_size: BufferSize::Fixed(period_frames),
        },
        format: way.sample_format(),
        period_frames,
    })
}

/// Frames of delay; written by the callbacks.
#[derive(Debug, Default)]
struct Latency {
    input: AtomicU32,
    output: AtomicU32,
    reserve: AtomicU32,
}

/// What all callbacks of a device share.
#[derive(Clone)]
struct Common {
    board: Arc<Board>,
    latency: Arc<Latency>,
    /// Errors since the last block.
    errors: Arc<AtomicU32>,
    rate: SampleRate,
}

impl Common {
    /// Sorts errors into counts; called by a stream's own thread, by some libraries without end.
    fn error_callback(&self) -> impl FnMut(cpal::Error) + Send + 'static {
        let Self { board, errors, .. } = self.clone();
        move |error| {
            match error.kind() {
                ErrorKind::Xrun => board.xrun(),
                ErrorKind::DeviceNotAvailable | ErrorKind::HostUnavailable => board.gone(0),
                ErrorKind::StreamInvalidated => board.gone(1),
                // Sound goes on; that it is less safe is for the check before the show to find.
                ErrorKind::RealtimeDenied | ErrorKind::DeviceChanged => return,
                _ => {}
            }
            if errors.fetch_add(1, Relaxed) >= ERRORS_IN_A_ROW_MAX {
                board.gone(2);
            }
        }
    }

    fn frames(&self, time: Duration) -> u32 {
        let frames = time.as_nanos() * u128::from(self.rate.hz()) / 1_000_000_000;
        u32::try_from(frames).unwrap_or(u32::MAX)
    }

    fn input_delay(&self, info: &cpal::InputCallbackInfo) {
        let time = info.timestamp();
        self.latency.input.store(self.frames(time.callback.saturating_duration_since(time.capture)), Relaxed);
    }

    fn output_delay(&self, info: &cpal::OutputCallbackInfo) {
        let time = info.timestamp();
        self.latency.output.store(self.frames(time.playback.saturating_duration_since(time.callback)), Relaxed);
    }
}

/// The input's side of a device with outputs.
struct Feeder {
    feed: rtrb::Producer<f32>,
    inputs: usize,
    channels: usize,
    common: Common,
}

impl Feeder {
    #[cfg_attr(feature = "realtime-check", rtsan_standalone::nonblocking)]
    fn callback(&mut self, data: &Data, info: &cpal::InputCallbackInfo) {
        self.common.input_delay(info);
        with_sample!(data.sample_format(), T => self.feed(data.as_slice::<T>().unwrap_or(&[])), ());
    }

    fn feed<T: Pcm>(&mut self, samples: &[T]) {
        let frames = samples.len() / self.channels;
        // A full ring means that the output stands still, and the reserve skips what is too much in any case.
        let Ok(room) = self.feed.write_chunk_uninit(frames * self.inputs) else { return self.common.board.xrun() };
        let inputs = self.inputs;
        let used = samples.chunks_exact(self.channels).flat_map(|frame| &frame[..inputs]);
        room.fill_from_iter(used.map(|sample| sample.to_float()));
    }
}

/// Drives the sink from the output's callback.
struct OutputDriver {
    reserve: Option<(rtrb::Consumer<f32>, Reserve)>,
    channels: usize,
    planar_in: Vec<f32>,
    planar_out: Vec<f32>,
    sink: Box<dyn BlockSink>,
    common: Common,
}

impl OutputDriver {
    #[cfg_attr(feature = "realtime-check", rtsan_standalone::nonblocking)]
    fn callback(&mut self, data: &mut Data, info: &cpal::OutputCallbackInfo) {
        let nanos = clock::nanos();
        self.common.errors.store(0, Relaxed);
        self.common.output_delay(info);
        with_sample!(data.sample_format(), T => self.fill(data.as_slice_mut::<T>().unwrap_or_default(), nanos), ());
    }

    fn fill<T: Pcm>(&mut self, samples: &mut [T], nanos: u64) {
        let frames = samples.len() / self.channels;
        self.common.board.period.store(u32::try_from(frames).unwrap_or(u32::MAX), Relaxed);
        for piece in samples.chunks_mut(BLOCK_MAX * self.channels) {
            let frames = piece.len() / self.channels;
            if let Some((fed, reserve)) = &mut self.reserve {
                // No more than the ring holds, however fast the input is.
                if let Ok(brought) = fed.read_chunk(fed.slots()) {
                    // The ring holds a whole number of frames and only whole frames are fed, so none is torn at its end.
                    let (first, second) = brought.as_slices();
                    reserve.bring(first);
                    reserve.bring(second);
                    brought.commit_all();
                }
                reserve.take(&mut self.planar_in, BLOCK_MAX, frames);
                self.common.board.rejoins(reserve.rejoins());
            }
            for output in self.planar_out.chunks_exact_mut(BLOCK_MAX) {
                output[..frames].fill(0.0);
            }
            let mut wires =
                PlanarWires { frames, stride: BLOCK_MAX, inputs: &self.planar_in, outputs: &mut self.planar_out };
            self.sink.block(&mut wires, BlockTime { nanos, missed_frames: 0, cycle: None });
            for (frame, out) in piece.chunks_exact_mut(self.channels).enumerate() {
                for (channel, sample) in out.iter_mut().enumerate() {
                    *sample = T::from_float(self.planar_out.get(channel * BLOCK_MAX + frame).copied().unwrap_or(0.0));
                }
            }
        }
    }
}

/// Drives the sink from the input's callback, when there are no outputs.
struct InputDriver {
    channels: usize,
    planar_in: Vec<f32>,
    sink: Box<dyn BlockSink>,
    common: Common,
}

impl InputDriver {
    #[cfg_attr(feature = "realtime-check", rtsan_standalone::nonblocking)]
    fn callback(&mut self, data: &Data, info: &cpal::InputCallbackInfo) {
        let nanos = clock::nanos();
        self.common.errors.store(0, Relaxed);
        self.common.input_delay(info);
        with_sample!(data.sample_format(), T => self.take(data.as_slice::<T>().unwrap_or(&[]), nanos), ());
    }

    fn take<T: Pcm>(&mut self, samples: &[T], nanos: u64) {
        let frames = samples.len() / self.channels;
        self.common.board.period.store(u32::try_from(frames).unwrap_or(u32::MAX), Relaxed);
        for piece in samples.chunks(BLOCK_MAX * self.channels) {
            let frames = piece.len() / self.channels;
            for (frame, samples) in piece.chunks_exact(self.channels).enumerate() {
                for (input, sample) in self.planar_in.chunks_exact_mut(BLOCK_MAX).zip(samples) {
                    input[frame] = sample.to_float();
                }
            }
            let mut wires = PlanarWires { frames, stride: BLOCK_MAX, inputs: &self.planar_in, outputs: &mut [] };
            self.sink.block(&mut wires, BlockTime { nanos, missed_frames: 0, cycle: None });
        }
    }
}

struct Opened {
    board: Arc<Board>,
    latency: Arc<Latency>,
    rate: SampleRate,
    inputs: usize,
    outputs: usize,
    _keeper: Keeper,
}

impl OpenDevice for Opened {
    fn format(&self) -> Format {
        Format {
            rate: self.rate,
            period_frames: self.board.period.load(Relaxed),
            inputs: self.inputs,
            outputs: self.outputs,
        }
    }

    fn latency_frames(&self) -> (u32, u32) {
        let Latency { input, output, reserve } = &*self.latency;
        (input.load(Relaxed).saturating_add(reserve.load(Relaxed)), output.load(Relaxed))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cards_named_by_number_are_told_from_those_named_by_name() {
        for numbered in ["hw:0", "plughw:1,0", "hw:CARD=2,DEV=0", "hw:CARD=10"] {
            assert!(is_numbered_card(numbered), "{numbered}");
        }
        for named in ["hw:CARD=Panel,DEV=0", "plughw:Desk2,0", "default", "desk", "front:CARD=USB2", ""] {
            assert!(!is_numbered_card(named), "{named}");
        }
    }

    fn way(channels: u16, format: SampleFormat, periods: (u32, u32)) -> SupportedStreamConfigRange {
        let size = SupportedBufferSize::Range { min: periods.0, max: periods.1 };
        SupportedStreamConfigRange::new(channels, 44_100, 48_000, size, format)
    }

    #[test]
    fn the_fewest_channels_that_suffice_win_then_the_format_nearest_to_floats() {
        let ways = [
            way(2, SampleFormat::I16, (64, 4096)),
            way(8, SampleFormat::I16, (64, 4096)),
            way(8, SampleFormat::I32, (64, 4096)),
            way(8, SampleFormat::DsdU32, (64, 4096)),
            way(32, SampleFormat::F32, (64, 4096)),
        ];
        let rate = SampleRate::HZ_48000;
        let chosen = choose(&ways, 5, rate, 256, "output").expect("8 suffice");
        assert_eq!((chosen.channels(), chosen.format, chosen.period_frames), (8, SampleFormat::I32, 256));
        assert_eq!(choose(&ways, 2, rate, 16, "output").expect("2 suffice").period_frames, 64);
        let refused = choose(&ways, 33, rate, 256, "output").expect_err("too many").to_string();
        assert_eq!(refused, "33 outputs asked for; the device has 32");
        let rate = SampleRate::try_new(96_000).expect("a rate");
        assert!(choose(&ways, 2, rate, 256, "output").is_err());
    }
}
