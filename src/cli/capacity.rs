//! `longthrow capacity`: how many channels this machine carries, at which period, with which margin.
//!
//! The engine itself runs on a paced clock: woken once a period as a device would wake it, with every fader and pan moving,
//! all channels on one stereo bus through a limiter to an output, the stages of the channels off. What a sound card's interrupts and a JACK server cost comes
//! on top and is not measured.

use super::{complain, exit, print, print_json};
use crate::daemon::load::Load;
use crate::desk::engine_settings;
use crate::dsp::lanes::Vectors;
use crate::engine::Engine;
use crate::ports::clock::nanos;
use crate::ports::rights;
use crate::units::SampleRate;
use clap::Args;
use serde::Serialize;
use std::time::Duration;

const CHANNELS: [u16; 5] = [16, 32, 64, 128, 256];
const PERIODS: [usize; 4] = [64, 128, 256, 512];
/// Blocks of a measurement that are made before it counts.
const WARM_UP_BLOCKS: usize = 50;
/// A size is advised when 99.9 % of the blocks, waking included, are done within this part of the period, and none is late.
/// Common practice, no source.
const ADVISED: f64 = 0.5;

/// Measures how many channels this machine carries.
///
/// Runs the engine on a paced clock at several sizes. Run it on the machine as it will be used, and with the rights it will
/// have; the screen should stay as idle or as busy as in a show.
#[derive(Debug, Args)]
pub(super) struct Capacity {
    /// How long is measured in all, in seconds; warming up comes on top
    #[arg(long, default_value_t = 60.0, value_parser = seconds)]
    seconds: f64,
    /// Sampling rate in Hz
    #[arg(long, default_value_t = 48_000, value_parser = clap::value_parser!(u32).range(8_000..=192_000))]
    rate: u32,
    /// As JSON
    #[arg(long)]
    json: bool,
}

fn seconds(text: &str) -> Result<f64, String> {
    let seconds = text.parse::<f64>().map_err(|error| error.to_string())?;
    if (1.0..=86_400.0).contains(&seconds) { Ok(seconds) } else { Err("from 1 to 86400".to_owned()) }
}

/// One size, measured. Shares are of the period.
#[derive(Debug, Serialize)]
struct Measured {
    channels: u16,
    period_frames: usize,
    blocks: usize,
    /// Of the time the engine took.
    engine_median: f64,
    engine_999: f64,
    engine_worst: f64,
    /// From when the block was due to its end, waking included.
    done_999: f64,
    done_worst: f64,
    late_blocks: usize,
}

impl Measured {
    fn is_advised(&self) -> bool {
        self.late_blocks == 0 && self.done_999 <= ADVISED
    }
}

#[derive(Serialize)]
struct Report {
    rate_hz: u32,
    realtime: bool,
    measured: Vec<Measured>,
}

impl Capacity {
    pub(super) fn run(&self) -> u8 {
        let Ok(rate) = SampleRate::try_new(self.rate) else { return exit::USAGE };
        let each = Duration::from_secs_f64(self.seconds / (CHANNELS.len() * PERIODS.len()) as f64);
        // A thread of its own: what it becomes ends with it.
        let work = move || {
            let realtime = rights::may_be_realtime() && rights::make_this_thread_realtime();
            let sizes = PERIODS.iter().flat_map(|period| CHANNELS.iter().map(move |channels| (*channels, *period)));
            let measured = sizes.map(|(channels, period)| measure(channels, period, rate, each)).collect();
            Report { rate_hz: rate.hz(), realtime, measured }
        };
        let report = std::thread::Builder::new().name("capacity".into()).spawn(work).map(std::thread::JoinHandle::join);
        let Ok(Ok(report)) = report else {
            complain("the measuring thread failed");
            return exit::COULD_NOT_RUN;
        };
        let printed = if self.json { print_json(&report) } else { print(&report.text()) };
        if printed { exit::FINE } else { exit::COULD_NOT_RUN }
    }
}

impl Report {
    fn text(&self) -> String {
        let mut text = format!(
            "The engine at {} Hz, every fader and pan moving, stages off; shares of a period.\n\n",
            self.rate_hz
        );
        text += "period   channels   engine: median   99.9 %    worst    done: 99.9 %    worst   late blocks\n";
        let percent = |share: f64| format!("{:.1} %", 100.0 * share);
        for size in &self.measured {
            text += &format!(
                "{:>6} {:>10} {:>16} {:>8} {:>8} {:>15} {:>8} {:>7} of {}\n",
                size.period_frames,
                size.channels,
                percent(size.engine_median),
                percent(size.engine_999),
                percent(size.engine_worst),
                percent(size.done_999),
                percent(size.done_worst),
                size.late_blocks,
                size.blocks
            );
        }
        text += "\n\"done\" counts from when the block was due, the wait for the processor included.\n";
        for period in PERIODS {
            // One size that is not advised makes every larger one suspect, whatever luck that had.
            let of_period = self.measured.iter().filter(|size| size.period_frames == period);
            let best = of_period.take_while(|size| size.is_advised()).last();
            let ms = 1e3 * period as f64 / f64::from(self.rate_hz);
            text += &match best {
                Some(size) => format!(
                    "{} channels at {period} frames ({ms:.1} ms): margin {} in 99.9 % of {} blocks, {} in the worst\n",
                    size.channels,
                    percent(1.0 - size.done_999),
                    size.blocks,
                    percent(1.0 - size.done_worst)
                ),
                None => format!("{period} frames ({ms:.1} ms): not advised on this machine as it is now\n"),
            };
        }
        text += "A sound card and its server take their own share of the period; nothing here measures that.\n";
        if !self.realtime {
            text += &format!(
                "\nWARNING: measured without real-time rights, so a busy machine shows above. {}\n",
                rights::ADVICE
            );
        }
        text
    }
}

/// Runs one size for so long.
fn measure(channels: u16, period: usize, rate: SampleRate, length: Duration) -> Measured {
    let mut engine = Engine::new(engine_settings(rate, Vectors::widest()));
    let mut load = Load::new(channels, period, true, true);
    let period_nanos = period as f64 * 1e9 / f64::from(rate.hz());
    let blocks = ((length.as_nanos() as f64 / period_nanos) as usize).max(20);
    let (mut engine_times, mut done_times) = (Vec::with_capacity(blocks), Vec::with_capacity(blocks));
    let mut first_due = nanos();
    for block in 0..WARM_UP_BLOCKS + blocks {
        let due = first_due + (period_nanos * block as f64) as u64;
        let now = nanos();
        if now < due {
            std::thread::sleep(Duration::from_nanos(due - now));
        }
        let began = nanos();
        load.block(&mut engine);
        let ended = nanos();
        if block >= WARM_UP_BLOCKS {
            engine_times.push((ended - began) as f64 / period_nanos);
            done_times.push((ended - due) as f64 / period_nanos);
        }
        // Periods that were missed altogether are late once, and do not make those after them late as well.
        if ended > due + (2.0 * period_nanos) as u64 {
            first_due += ended - due - period_nanos as u64;
        }
    }
    engine_times.sort_by(f64::total_cmp);
    done_times.sort_by(f64::total_cmp);
    let at = |times: &[f64], share: f64| times[((times.len() - 1) as f64 * share).ceil() as usize];
    Measured {
        channels,
        period_frames: period,
        blocks,
        engine_median: at(&engine_times, 0.5),
        engine_999: at(&engine_times, 0.999),
        engine_worst: at(&engine_times, 1.0),
        done_999: at(&done_times, 0.999),
        done_worst: at(&done_times, 1.0),
        late_blocks: done_times.iter().filter(|share| **share > 1.0).count(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_size_is_measured_by_blocks_that_were_really_made() {
        let measured = measure(16, 512, SampleRate::HZ_48000, Duration::from_millis(300));
        assert_eq!(measured.blocks, 28);
        assert!(0.0 < measured.engine_median && measured.engine_median <= measured.engine_999);
        assert!(measured.engine_worst <= measured.done_worst, "{measured:?}");
    }

    #[test]
    fn what_is_late_or_too_full_is_not_advised_and_rights_are_asked_for() {
        let size = |channels, done_999, late_blocks| Measured {
            channels,
            period_frames: 256,
            blocks: 1000,
            engine_median: 0.1,
            engine_999: 0.2,
            engine_worst: 0.3,
            done_999,
            done_worst: 0.45,
            late_blocks,
        };
        let measured = vec![size(16, 0.1, 0), size(32, 0.4, 0), size(64, 0.6, 0), size(128, 0.2, 0)];
        let text = Report { rate_hz: 48_000, realtime: false, measured }.text();
        assert!(
            text.contains("\n32 channels at 256 frames (5.3 ms): margin 60.0 % in 99.9 % of 1000 blocks, 55.0 %"),
            "{text}"
        );
        assert!(text.contains("\n64 frames (1.3 ms): not advised") && text.contains("LimitRTPRIO=95"), "{text}");
    }
}
