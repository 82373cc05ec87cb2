//! The bridge between two clocks, in simulated time: both devices' callbacks come with the jitter, the outliers and the
//! lost frames of real ones, and what is read is compared with what a sine may do at most.
//!
//! `LONGTHROW_PROOF=1` adds six simulated hours (in a release build, about a minute).
#![expect(clippy::print_stdout, reason = "tests print what they measured")]

use longthrow::dsp::bridge::{BridgeReadings, BridgeSettings, bridge};
use longthrow::dsp::generators::Sine;
use longthrow::units::{Decibels, SampleRate};
use std::f64::consts::TAU;

/// A device: its nominal and its true rate, and how its callbacks come.
#[derive(Clone, Copy, Debug)]
struct Device {
    nominal_hz: u32,
    true_hz: f64,
    period: usize,
    /// It loses so many frames ...
    lost_frames: u32,
    /// ... every so many seconds; 0 for never.
    lost_every: u32,
    /// Its clock wanders by so much up and down within an hour.
    wander_ppm: f64,
}

#[derive(Clone, Copy, Debug)]
struct Scenario {
    writer: Device,
    reader: Device,
    seconds: f64,
    /// Standard deviation of the callbacks' times.
    jitter_ms: f64,
    /// Share of the callbacks that come up to 24 ms late.
    late_share: f64,
    cushion_ms: f32,
    seed: u64,
}

#[derive(Debug)]
struct Report {
    readings: BridgeReadings,
    expected_ppm: f64,
    /// Largest second difference of the output over the sine's own, while playing steadily and within cross-fades.
    roughness: f64,
    roughness_in_fades: f64,
    /// Fastest change of pitch after the first 60 s, in ppm per second, over one second.
    slew: f64,
    /// Largest error of the fill after the first 60 s, in ms, outside of a second around lost frames.
    fill_error_ms: f64,
    losses: u32,
}

struct Dice(u64);

impl Dice {
    fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / 9_007_199_254_740_992.0
    }

    fn gaussian(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

/// When a device's callbacks come.
struct Callbacks {
    device: Device,
    frames: u64,
    lost: u64,
    losses: u32,
    last: f64,
    next: f64,
}

impl Callbacks {
    fn new(device: Device, start: f64) -> Self {
        Self { device, frames: 0, lost: 0, losses: 0, last: 0.0, next: start }
    }

    /// The frames of the callback now due; plans the one after it.
    fn turn(&mut self, start: f64, scenario: &Scenario, dice: &mut Dice) -> bool {
        self.frames += self.device.period as u64;
        let mut ideal = start + (self.frames + self.lost) as f64 / self.device.true_hz;
        let mut lost_now = false;
        if self.device.lost_every > 0 && ideal > f64::from((self.losses + 1) * self.device.lost_every) {
            self.losses += 1;
            self.lost += u64::from(self.device.lost_frames);
            ideal += f64::from(self.device.lost_frames) / self.device.true_hz;
            lost_now = true;
        }
        let hour = 3_600.0;
        ideal += self.device.wander_ppm * 1e-6 * hour / TAU * (1.0 - (TAU * ideal / hour).cos());
        let late = if dice.uniform() < scenario.late_share { dice.uniform() * 24e-3 } else { 0.0 };
        self.last = self.next;
        self.next = (ideal + dice.gaussian() * scenario.jitter_ms * 1e-3 + late).max(self.last + 20e-6);
        lost_now
    }
}

fn run(scenario: Scenario) -> Report {
    let rate = |hz| SampleRate::try_new(hz).expect("a rate");
    let (mut bridge_in, mut bridge_out) = bridge(BridgeSettings {
        channels: 1,
        writer_rate: rate(scenario.writer.nominal_hz),
        reader_rate: rate(scenario.reader.nominal_hz),
        cushion_ms: scenario.cushion_ms,
    })
    .expect("rates in range");
    let hz = 997.0;
    let mut sine = Sine::new(hz, Decibels::UNITY, rate(scenario.writer.nominal_hz));
    let turns = hz / f64::from(scenario.reader.nominal_hz);
    let smoothest = (2.0 - 2.0 * (TAU * turns * 1.000_3).cos()) as f32;

    let mut dice = Dice(scenario.seed);
    let (writer_start, reader_start) = (1.0, 1.0 + 0.7e-3);
    let mut writer = Callbacks::new(scenario.writer, writer_start);
    let mut reader = Callbacks::new(scenario.reader, reader_start);
    let mut written = vec![0.0_f32; scenario.writer.period];
    let mut read = vec![0.0_f32; scenario.reader.period];
    let mut report = Report {
        readings: BridgeReadings::default(),
        expected_ppm: (scenario.writer.true_hz / f64::from(scenario.writer.nominal_hz)
            * f64::from(scenario.reader.nominal_hz)
            / scenario.reader.true_hz
            - 1.0)
            * 1e6,
        roughness: 0.0,
        roughness_in_fades: 0.0,
        slew: 0.0,
        fill_error_ms: 0.0,
        losses: 0,
    };
    let mut before = [0.0_f32; 2];
    let mut seen = BridgeReadings::default();
    let mut playing_since: Option<u64> = None;
    let mut fade_ends = 0;
    let mut at = 0_u64;
    let mut last_loss = f64::MIN;
    let mut ppm_a_second_ago = (0.0, 0.0);
    let fade = u64::from(scenario.reader.nominal_hz) / 100;
    let hush = u64::from(scenario.reader.nominal_hz) / 20;
    while reader.next < scenario.seconds + 1.0 {
        if writer.next <= reader.next {
            sine.fill(&mut written);
            bridge_in.write_interleaved(&written, (writer.next * 1e9) as u64);
            if writer.turn(writer_start, &scenario, &mut dice) {
                last_loss = writer.next;
            }
            continue;
        }
        let now = reader.next;
        bridge_out.read_interleaved(&mut read, (now * 1e9) as u64);
        if reader.turn(reader_start, &scenario, &mut dice) {
            last_loss = reader.next;
        }
        let readings = bridge_out.readings();
        // A gap may be heard in its own callback and 50 ms around it; a cross-fade lasts 10 ms.
        if readings.underruns > seen.underruns || readings.fill_frames <= 0.0 {
            playing_since = None;
        } else if playing_since.is_none() {
            playing_since = Some(at + hush);
        }
        if readings.crossfades > seen.crossfades {
            fade_ends = at + fade + 2;
        }
        seen = readings;
        if let Some(since) = playing_since {
            for (index, sample) in read.iter().enumerate() {
                let rough = (sample - 2.0 * before[1] + before[0]).abs() / smoothest;
                before = [before[1], *sample];
                let place = at + index as u64;
                let rough = f64::from(rough);
                // A NaN stays, and fails the check.
                let worst = if place < fade_ends { &mut report.roughness_in_fades } else { &mut report.roughness };
                if place >= since && (rough > *worst || rough.is_nan()) {
                    *worst = rough;
                }
            }
        } else if let [.., a, b] = read[..] {
            before = [a, b];
        }
        at += read.len() as u64;
        if now > 61.0 {
            if now - last_loss > 1.0 && playing_since.is_some_and(|since| at > since + 48_000) {
                let error = (readings.fill_frames - readings.target_frames) / f64::from(scenario.writer.nominal_hz);
                report.fill_error_ms = report.fill_error_ms.max(error.abs() * 1e3);
            }
            if now - ppm_a_second_ago.0 >= 1.0 {
                if ppm_a_second_ago.0 > 0.0 {
                    report.slew =
                        report.slew.max((readings.pitch_ppm - ppm_a_second_ago.1).abs() / (now - ppm_a_second_ago.0));
                }
                ppm_a_second_ago = (now, readings.pitch_ppm);
            }
        }
    }
    report.readings = bridge_out.readings();
    report.losses = writer.losses + reader.losses;
    report
}

/// A device of 48 kHz, true to `ppm`.
fn device(nominal_hz: u32, ppm: f64, period: usize) -> Device {
    Device {
        nominal_hz,
        true_hz: f64::from(nominal_hz) * (1.0 + ppm * 1e-6),
        period,
        lost_frames: 0,
        lost_every: 0,
        wander_ppm: 0.0,
    }
}

/// The second difference of a clean sine is at most its own; a cross-fade of 10 ms adds a tenth at 997 Hz (closed form:
/// 1 + 2 * 1.5/480 * 2/w + 6/480^2 * 2/w^2 with w = 0.1305).
const CLEAN: f64 = 1.005;
const CLEAN_IN_FADES: f64 = 1.11;

fn check(name: &str, scenario: Scenario, ppm_within: f64) -> Report {
    let report = run(scenario);
    println!("{name}: {report:.4?}");
    let readings = report.readings;
    assert!((readings.drift_ppm - report.expected_ppm).abs() < ppm_within, "{name}: drift {}", readings.drift_ppm);
    assert!(readings.locked, "{name}: not locked");
    assert!(report.roughness > 0.9 && report.roughness < CLEAN, "{name}: roughness {}", report.roughness);
    assert!(report.roughness_in_fades < CLEAN_IN_FADES, "{name}: roughness in fades {}", report.roughness_in_fades);
    assert!(report.slew <= 5.01, "{name}: pitch moved by {} ppm/s", report.slew);
    assert_eq!(readings.dropped_frames, 0, "{name}");
    report
}

const QUIET: Scenario = Scenario {
    writer: Device {
        nominal_hz: 48_000,
        true_hz: 48_005.0,
        period: 256,
        lost_frames: 0,
        lost_every: 0,
        wander_ppm: 0.0,
    },
    reader: Device {
        nominal_hz: 48_000,
        true_hz: 48_000.0,
        period: 256,
        lost_frames: 0,
        lost_every: 0,
        wander_ppm: 0.0,
    },
    seconds: 60.0,
    jitter_ms: 1.0,
    late_share: 0.0,
    cushion_ms: 12.0,
    seed: 1,
};

#[test]
fn drift_is_known_within_two_ppm_after_a_minute() {
    for seed in [1, 2, 3] {
        let report = check("48005 to 48000, jitter 1 ms", Scenario { seed, ..QUIET }, 2.0);
        assert_eq!((report.readings.underruns, report.readings.crossfades), (0, 0));
    }
}

#[test]
fn callbacks_of_any_size_and_unequal_rates_make_no_gap() {
    let cases = [
        (device(48_000, 104.2, 64), device(48_000, 0.0, 64)),
        (device(48_000, -50.0, 64), device(48_000, 30.0, 4_096)),
        (device(48_000, 0.0, 4_096), device(48_000, 104.2, 64)),
        (device(48_000, 80.0, 4_096), device(48_000, -20.0, 4_096)),
        (device(44_100, -35.0, 441), device(48_000, 15.0, 1_024)),
        (device(48_000, 0.0, 480), device(44_100, -150.0, 256)),
        (device(96_000, 60.0, 1_024), device(48_000, 0.0, 333)),
    ];
    for (writer, reader) in cases {
        let name = format!("{} x {} to {} x {}", writer.period, writer.nominal_hz, reader.period, reader.nominal_hz);
        let scenario = Scenario { writer, reader, seconds: 70.0, jitter_ms: 0.2, cushion_ms: 4.0, ..QUIET };
        let report = check(&name, scenario, 2.0);
        assert_eq!((report.readings.underruns, report.readings.crossfades), (0, 0), "{name}");
        assert!(report.fill_error_ms < 0.5, "{name}: fill {} ms off", report.fill_error_ms);
    }
}

#[test]
fn callbacks_that_come_late_within_the_cushion_change_nothing() {
    for period in [64, 512, 4_096] {
        let writer = device(48_000, 104.2, period);
        let scenario =
            Scenario { writer, seconds: 120.0, jitter_ms: 0.2, late_share: 0.005, cushion_ms: 26.0, ..QUIET };
        let report = check(&format!("late, writer x {period}"), scenario, 2.0);
        assert_eq!((report.readings.underruns, report.readings.crossfades), (0, 0));
        assert!(report.fill_error_ms < 0.5);
    }
}

#[test]
fn a_gap_is_counted_and_heard_only_where_it_is() {
    for (writer_period, reader_period) in [(64, 256), (256, 64), (1_024, 1_024)] {
        let (writer, reader) = (device(48_000, 104.2, writer_period), device(48_000, 0.0, reader_period));
        let scenario =
            Scenario { writer, reader, seconds: 120.0, jitter_ms: 0.2, late_share: 0.002, cushion_ms: 3.0, ..QUIET };
        let report = check(&format!("gaps, {writer_period} to {reader_period}"), scenario, 2.0);
        assert!(report.readings.underruns > 5);
        // Each gap ends in one return; the last may be still to come.
        assert!(report.readings.crossfades.abs_diff(report.readings.underruns) <= 1);
    }
}

#[test]
fn lost_frames_are_made_up_for_by_one_cross_fade_each() {
    let losing = |device: Device, frames, every| Device { lost_frames: frames, lost_every: every, ..device };
    let cases = [
        ("reader loses 256", device(48_000, 104.2, 256), losing(device(48_000, 0.0, 256), 256, 17)),
        ("reader loses 4096", device(48_000, 104.2, 64), losing(device(48_000, 0.0, 4_096), 4_096, 17)),
        ("writer loses 256", losing(device(48_000, 104.2, 256), 256, 17), device(48_000, 0.0, 256)),
        ("writer loses 64", losing(device(44_100, 0.0, 64), 64, 17), device(48_000, 40.0, 64)),
    ];
    for (name, writer, reader) in cases {
        let scenario = Scenario { writer, reader, seconds: 120.0, jitter_ms: 0.2, cushion_ms: 12.0, ..QUIET };
        let report = check(name, scenario, 2.0);
        assert_eq!(report.losses, 7, "{name}");
        assert_eq!((report.readings.underruns, report.readings.crossfades), (0, 7), "{name}");
        assert!(report.fill_error_ms < 0.5, "{name}: fill {} ms off", report.fill_error_ms);
    }
}

#[test]
fn a_loss_that_hides_in_the_jitter_is_found_too() {
    // 64 frames are 1.3 ms, within three standard deviations: no single stamp shows it, only their mean.
    let losing = Device { lost_frames: 64, lost_every: 37, ..device(48_000, 104.2, 64) };
    let scenario = Scenario { writer: losing, seconds: 120.0, jitter_ms: 0.5, cushion_ms: 12.0, ..QUIET };
    let report = check("writer loses 64 in jitter", scenario, 2.0);
    assert_eq!((report.losses, report.readings.underruns, report.readings.crossfades), (3, 0, 3));
    assert!(report.fill_error_ms < 0.5, "fill {} ms off", report.fill_error_ms);
}

#[test]
fn a_writer_that_stops_and_comes_back_is_taken_up_again() {
    let writer = Device { lost_frames: 240_000, lost_every: 30, ..device(48_000, 104.2, 256) };
    let scenario = Scenario { writer, seconds: 50.0, jitter_ms: 0.2, cushion_ms: 4.0, ..QUIET };
    let report = check("writer away for 5 s", scenario, 2.0);
    assert_eq!((report.readings.underruns, report.readings.crossfades), (1, 1));
}

#[test]
fn a_reader_that_stops_and_comes_back_is_taken_up_again() {
    let reader = Device { lost_frames: 240_000, lost_every: 30, ..device(48_000, 0.0, 256) };
    let report = run(Scenario { reader, seconds: 50.0, jitter_ms: 0.2, cushion_ms: 4.0, ..QUIET });
    println!("reader away for 5 s: {report:.4?}");
    let readings = report.readings;
    // The ring holds 0.68 s of the 5 s; what did not fit is counted.
    assert!((190_000..230_000).contains(&readings.dropped_frames));
    assert!(readings.locked && (readings.drift_ppm - report.expected_ppm).abs() < 2.0);
    assert!((readings.fill_frames - readings.target_frames).abs() < 10.0);
    assert!(readings.underruns + readings.crossfades <= 4);
}

#[test]
fn a_writer_may_change_the_size_of_its_callbacks() {
    let rate = SampleRate::HZ_48000;
    let settings = BridgeSettings { channels: 1, writer_rate: rate, reader_rate: rate, cushion_ms: 4.0 };
    let (mut bridge_in, mut bridge_out) = bridge(settings).expect("equal rates");
    let mut tone = Sine::new(997.0, Decibels::UNITY, rate);
    let (mut written, mut ns_written) = (0_u64, 0);
    let mut out = [0.0; 256];
    let mut fills = Vec::new();
    for block in 0..u64::from(60 * rate.hz() / 256) {
        let ns = (block + 1) * 256 * 1_000_000_000 / 48_000;
        while ns_written <= ns {
            // From 20 to 40 s the callbacks are four times as large.
            let size = if (960_000..1_920_000).contains(&written) { 1_024 } else { 256 };
            let mut samples = vec![0.0; size];
            tone.fill(&mut samples);
            written += size as u64;
            ns_written = written * 1_000_000_000 / 48_000;
            bridge_in.write_interleaved(&samples, ns_written);
        }
        bridge_out.read_interleaved(&mut out, ns);
        fills.push(bridge_out.readings());
    }
    let at = |second: usize| fills[second * 48_000 / 256];
    println!("{:.2?}\n{:.2?}\n{:.2?}", at(19), at(39), at(59));
    assert!((at(39).target_frames - at(19).target_frames - 768.0).abs() < 1e-9, "the target follows the size up");
    assert!((at(39).fill_frames - at(39).target_frames).abs() < 10.0);
    assert!((at(49).target_frames - at(39).target_frames).abs() < 1e-9, "and is kept for ten seconds at least");
    assert!((at(59).target_frames - at(19).target_frames).abs() < 1e-9, "before it goes back");
    assert!((at(59).fill_frames - at(59).target_frames).abs() < 10.0);
    assert_eq!((at(59).underruns, at(59).crossfades), (0, 2));
}

#[test]
fn times_that_make_no_sense_do_no_harm() {
    let rate = |hz| SampleRate::try_new(hz).expect("a rate");
    for seed in 1..=20 {
        let mut dice = Dice(seed);
        let settings =
            BridgeSettings { channels: 1, writer_rate: rate(44_100), reader_rate: rate(48_000), cushion_ms: 1.0 };
        let (mut bridge_in, mut bridge_out) = bridge(settings).expect("rates in range");
        let mut tone = Sine::new(997.0, Decibels::UNITY, rate(44_100));
        let (mut samples, mut out) = (vec![0.0; 4_096], vec![0.0; 4_096]);
        let mut ns = 1_000_000_000_u64;
        for turn in 0..2_000 {
            // Time mostly goes on, sometimes back, sometimes to anywhere at all.
            ns = match turn % 97 {
                13 => ns.saturating_sub(500_000_000),
                50 => (dice.uniform() * 1.8e19) as u64,
                _ => ns.wrapping_add((dice.uniform() * 60e6) as u64),
            };
            let size = (dice.uniform() * 4_097.0) as usize;
            if dice.uniform() < 0.5 {
                tone.fill(&mut samples[..size]);
                bridge_in.write_interleaved(&samples[..size], ns);
            } else {
                bridge_out.read_interleaved(&mut out[..size], ns);
                assert!(out[..size].iter().all(|sample| sample.abs() < 1.5), "seed {seed}, turn {turn}");
            }
            let readings = bridge_out.readings();
            assert!(readings.drift_ppm.is_finite() && readings.pitch_ppm.abs() < 11_000.0, "{readings:?}");
        }
    }
}

#[test]
fn channels_stay_apart_and_planes_and_frames_agree() {
    let rate = SampleRate::HZ_48000;
    let settings = BridgeSettings { channels: 3, writer_rate: rate, reader_rate: rate, cushion_ms: 4.0 };
    let (mut in_a, mut out_a) = bridge(settings).expect("equal rates");
    let (mut in_b, mut out_b) = bridge(settings).expect("equal rates");
    let mut tones = [400.0, 1_000.0, 3_000.0].map(|hz| Sine::new(hz, Decibels::UNITY, rate));
    let mut crests = [0.0_f32; 3];
    for block in 0..400_u64 {
        let ns = block * 5_333_333;
        let mut planes = [[0.0; 256]; 3];
        tones.iter_mut().zip(&mut planes).for_each(|(tone, plane)| tone.fill(plane));
        planes[2] = planes[2].map(|sample| sample * 0.5);
        let interleaved: Vec<f32> = (0..256).flat_map(|frame| planes.map(|plane| plane[frame])).collect();
        in_a.write_interleaved(&interleaved, ns);
        in_b.write_planar(&[&planes[0], &planes[1], &planes[2]], ns);
        let mut frames = [0.0; 3 * 256];
        let mut read = [[9.0; 256]; 4];
        out_a.read_interleaved(&mut frames, ns + 1_000_000);
        let [a, b, c, d] = &mut read;
        out_b.read_planar(&mut [a, b, c, d], ns + 1_000_000);
        for (index, frame) in frames.chunks(3).enumerate() {
            for channel in 0..3 {
                assert_eq!(frame[channel].to_bits(), read[channel][index].to_bits());
                crests[channel] = crests[channel].max(frame[channel].abs());
            }
            assert_eq!(read[3][index].to_bits(), 0);
        }
    }
    println!("crests {crests:?}");
    assert!((crests[0] - 1.0).abs() < 0.01 && (crests[1] - 1.0).abs() < 0.01 && (crests[2] - 0.5).abs() < 0.01);
    assert_eq!(out_a.readings().underruns, 0);
}

#[test]
fn six_hours_stay_clean() {
    if std::env::var_os("LONGTHROW_PROOF").is_none() {
        println!("skipped: six simulated hours run with LONGTHROW_PROOF=1");
        return;
    }
    let writer = Device { lost_frames: 256, lost_every: 600, wander_ppm: 2.0, ..device(48_000, 104.2, 256) };
    let scenario = Scenario { writer, seconds: 21_600.0, jitter_ms: 0.2, late_share: 0.001, cushion_ms: 34.0, ..QUIET };
    let report = check("six hours", scenario, 2.0);
    assert_eq!(report.losses, 36);
    assert_eq!((report.readings.underruns, report.readings.crossfades), (0, 36));
    assert!(report.fill_error_ms < 0.5);
}
