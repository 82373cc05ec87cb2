//! `longthrow measure`: loudness, peaks and stereo of finished files, by the same code as the meters of the desk.

use super::targets::{TARGETS, Target};
use super::{complain, exit, print, print_json};
use crate::dsp::lanes::Vectors;
use crate::dsp::level::db_from_linear;
use crate::dsp::math::log10;
use crate::dsp::programme::{Findings, Programme};
use crate::ports::wav::WavError;
use crate::ports::wav_bytes::WavBytes;
use serde::Serialize;
use std::cell::RefCell;
use std::path::{Path, PathBuf};
use std::rc::Rc;

/// Loudness, true peak and stereo of WAV files.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "WAV of 8 to 32 bits and floating point, RF64 and BW64, 8 to 384 kHz. A file that ends before its header says is\n\
    measured as far as it goes, and that is said; it passes no --target.\n\
    Exit codes: 0 every file was measured, 1 one is not as --target asks, 2 bad usage, 3 one could not be measured."
)]
pub(super) struct Measure {
    /// Files to measure; a pipe, or - for the standard input, is measured as it comes
    #[arg(value_name = "FILE")]
    files: Vec<PathBuf>,
    /// As JSON: one object, or a list where there are several files; null where a figure is not defined; with --target also
    /// "target" and "passes"; of a file that could not be measured every figure is null, and "error" says why
    #[arg(long)]
    json: bool,
    /// Whether the files are as this document asks; the exit code is 1 when one is not. "list" shows the names
    #[arg(long, value_name = "DOCUMENT")]
    target: Option<String>,
    /// Draws momentary and short-term loudness over time as SVG; takes one file
    #[arg(long, value_name = "SVG")]
    plot: Option<PathBuf>,
}

/// What is printed of one file. Decibels are null where there is nothing to take a logarithm of.
#[derive(Debug, Default, Serialize)]
struct Figures {
    file: String,
    /// Why it could not be measured.
    #[serde(skip_serializing_if = "Option::is_none")]
    error: Option<String>,
    integrated_lufs: Option<f64>,
    loudness_range_lu: Option<f64>,
    max_momentary_lufs: Option<f64>,
    max_short_term_lufs: Option<f64>,
    true_peak_dbtp: Option<f64>,
    sample_peak_dbfs: Option<f64>,
    correlation: Option<f64>,
    mono_loss_db: Option<f64>,
    dc_offset: Option<f64>,
    duration_s: Option<f64>,
    /// What was asked for by `--target`, and whether the file is so.
    #[serde(flatten)]
    verdict: Option<Verdict>,
}

#[derive(Debug, Serialize)]
struct Verdict {
    target: &'static str,
    passes: bool,
}

impl Measure {
    pub(super) fn run(&self) -> u8 {
        let target = match self.target.as_deref() {
            None => None,
            Some("list") => return if print(&list()) { exit::FINE } else { exit::COULD_NOT_RUN },
            Some(name) => match Target::named(name) {
                Some(target) => Some(target),
                None => {
                    let names: Vec<&str> = TARGETS.iter().map(|target| target.name).collect();
                    complain(&format!("--target \"{name}\" names no document; accepted: {}", names.join(", ")));
                    return exit::USAGE;
                }
            },
        };
        if self.files.is_empty() {
            complain("no file to measure: longthrow measure FILE...");
            return exit::USAGE;
        }
        if self.plot.is_some() && self.files.len() > 1 {
            complain("--plot draws one file at a time");
            return exit::USAGE;
        }
        // A name too many on the line must not cost a recording.
        if let Some(svg) = &self.plot
            && svg.extension().is_none_or(|extension| !extension.eq_ignore_ascii_case("svg"))
        {
            complain(&format!("--plot writes a picture: {} has to end with .svg", svg.display()));
            return exit::USAGE;
        }
        let (mut figures, mut code) = (Vec::new(), exit::FINE);
        for file in &self.files {
            let measured = match measure(file) {
                Ok(measured) => measured,
                Err(error) => {
                    complain(&error.to_string());
                    code = exit::COULD_NOT_RUN;
                    figures.push(Figures {
                        file: file.display().to_string(),
                        error: Some(error.to_string()),
                        verdict: target.map(|target| Verdict { target: target.name, passes: false }),
                        ..Figures::default()
                    });
                    continue;
                }
            };
            let mut found = Figures::of(file, &measured);
            if measured.no_audio > 0 {
                complain(&format!("{}: {} samples are no audio and count as silence", found.file, measured.no_audio));
            }
            if measured.missing_s > 0.0 {
                let whole = measured.duration_s + measured.missing_s;
                let there = measured.duration_s;
                // A single frame is missed too.
                let digits = if measured.missing_s < 0.1 { 6 } else { 1 };
                let fails = if target.is_some() { ", so it passes no target" } else { "" };
                complain(&format!(
                    "{}: it ends early: {there:.digits$} s of the {whole:.digits$} s its header says{fails}",
                    found.file
                ));
            }
            if let Some(target) = target {
                let faults = found.judge(target);
                // What is no audio is silence in the figures, but not on the air of whoever plays it.
                let passes = faults.is_empty() && measured.no_audio == 0 && measured.missing_s == 0.0;
                found.verdict = Some(Verdict { target: target.name, passes });
                if !passes {
                    code = code.max(exit::NOT_FINE);
                }
                for fault in faults {
                    complain(&format!("{}: {fault}", found.file));
                }
            }
            if let Some(svg) = &self.plot
                && let Err(error) = std::fs::write(svg, plot(&found, &measured.trace))
            {
                complain(&format!("{}: {error}", svg.display()));
                code = exit::COULD_NOT_RUN;
            }
            figures.push(found);
        }
        let printed = match (self.json, &*figures) {
            (true, [one]) => print_json(one),
            (true, all) => print_json(&all),
            (false, all) => print(&table(all)),
        };
        if printed { code } else { exit::COULD_NOT_RUN }
    }
}

/// What one file was found to be.
struct Measured {
    findings: Findings,
    duration_s: f64,
    /// What its header says that is not there.
    missing_s: f64,
    /// Samples that are no number, or beyond +120 dBFS.
    no_audio: usize,
    trace: Trace,
}

fn measure(file: &Path) -> Result<Measured, WavError> {
    let mut wav = WavBytes::open_once(file)?;
    let trace = Rc::new(RefCell::new(Trace::default()));
    let hear = Rc::clone(&trace);
    let mut programme = Programme::new(wav.format().clone(), wav.frames(), Vectors::widest(), move |m, s| {
        hear.borrow_mut().add(m, s);
    });
    let mut bytes = vec![0; programme.stretch_bytes()];
    let whole = programme.stretch_frames() * wav.format().frame_bytes();
    let mut no_audio = 0;
    loop {
        let frames = wav.read(&mut bytes[..whole])?;
        if frames == 0 {
            break;
        }
        no_audio += wav.format().encoding.count_no_audio(&bytes[..frames * wav.format().frame_bytes()]);
        programme.take(&mut bytes, frames);
    }
    let findings = programme.finish();
    #[expect(clippy::cast_precision_loss, reason = "2^53 frames are 5,900 years")]
    let [duration_s, missing_s] =
        [findings.frames, wav.missing_frames()].map(|frames| frames as f64 / f64::from(wav.format().rate.hz()));
    let trace = trace.take();
    Ok(Measured { findings, duration_s, missing_s, no_audio, trace })
}

impl Figures {
    fn of(file: &Path, measured: &Measured) -> Self {
        let Findings { loudness, true_peak, sample_peak, correlation, mono_by_stereo, dc_offset, .. } =
            &measured.findings;
        let level = |amplitude: f32| (amplitude > 0.0).then(|| f64::from(db_from_linear(amplitude)));
        Self {
            file: file.display().to_string(),
            integrated_lufs: loudness.integrated(),
            loudness_range_lu: loudness.range(),
            max_momentary_lufs: loudness.momentary_max(),
            max_short_term_lufs: loudness.short_term_max(),
            true_peak_dbtp: level(*true_peak),
            sample_peak_dbfs: level(*sample_peak),
            correlation: *correlation,
            mono_loss_db: mono_by_stereo.filter(|ratio| *ratio > 0.0).map(|ratio| 10.0 * log10(ratio)),
            dc_offset: *dc_offset,
            duration_s: Some(measured.duration_s),
            error: None,
            verdict: None,
        }
        .rounded()
    }

    /// To what the figures mean: a thousandth, and for DC a step of 24 bits.
    fn rounded(mut self) -> Self {
        // The 0 is for what would be a negative nothing.
        let to = |value: f64, parts: f64| (value * parts).round() / parts + 0.0;
        for figure in [
            &mut self.integrated_lufs,
            &mut self.loudness_range_lu,
            &mut self.max_momentary_lufs,
            &mut self.max_short_term_lufs,
            &mut self.true_peak_dbtp,
            &mut self.sample_peak_dbfs,
            &mut self.mono_loss_db,
        ] {
            *figure = figure.map(|value| to(value, 1e3));
        }
        self.correlation = self.correlation.map(|value| to(value, 1e4));
        self.dc_offset = self.dc_offset.map(|value| to(value, 1e7));
        self
    }

    fn judge(&self, target: &Target) -> Vec<String> {
        target.judge(self.integrated_lufs, self.max_short_term_lufs, self.true_peak_dbtp)
    }
}

fn list() -> String {
    TARGETS.iter().fold(String::new(), |text, target| text + &format!("{:<20}  {}\n", target.name, target.asks()))
}

fn table(figures: &[Figures]) -> String {
    let mut text = String::new();
    // Rounded before it is written, so that nothing reads as less than nothing.
    let shown = |value: f64, digits: i32| (value * 10_f64.powi(digits)).round() / 10_f64.powi(digits) + 0.0;
    let none = || "none".to_owned();
    let number =
        |value: Option<f64>, unit: &str| value.map_or_else(none, |value| format!("{:.1} {unit}", shown(value, 1)));
    for found in figures.iter().filter(|found| found.error.is_none()) {
        text += &found.file;
        let rows = [
            ("integrated", number(found.integrated_lufs, "LUFS")),
            ("loudness range", number(found.loudness_range_lu, "LU")),
            ("highest momentary", number(found.max_momentary_lufs, "LUFS")),
            ("highest short-term", number(found.max_short_term_lufs, "LUFS")),
            ("true peak", number(found.true_peak_dbtp, "dBTP")),
            ("sample peak", number(found.sample_peak_dbfs, "dBFS")),
            ("correlation", found.correlation.map_or_else(none, |value| format!("{:+.2}", shown(value, 2)))),
            ("mono loss", number(found.mono_loss_db, "dB")),
            ("DC offset", found.dc_offset.map_or_else(none, |value| format!("{:+.6}", shown(value, 6)))),
            ("duration", number(found.duration_s, "s")),
        ];
        for (name, value) in rows {
            text += &format!("\n  {name:<18}  {value:>12}");
        }
        if found.loudness_range_lu.is_some() && found.duration_s.is_some_and(|duration_s| duration_s < 60.0) {
            text += "\n  (loudness range is not stable within the first minute: EBU Tech 3341 clause 2.4)";
        }
        text += "\n";
    }
    text
}

/// Momentary and short-term loudness over time, in at most [`Trace::POINTS`] points however long the file: each is the
/// highest of the times it stands for.
#[derive(Debug)]
struct Trace {
    points: Vec<(f64, f64)>,
    /// Readings in a point, and in the last one so far.
    readings: usize,
    filled: usize,
}

impl Default for Trace {
    fn default() -> Self {
        Self { points: Vec::new(), readings: 1, filled: 1 }
    }
}

impl Trace {
    const POINTS: usize = 4096;
    /// Seconds between two readings.
    const READING_S: f64 = 0.1;

    fn add(&mut self, momentary: f64, short_term: f64) {
        if self.filled == self.readings {
            if self.points.len() == Self::POINTS {
                self.points = self.points.chunks(2).map(|pair| higher(pair[0], pair[1])).collect();
                self.readings *= 2;
            }
            self.points.push((momentary, short_term));
            self.filled = 1;
        } else if let Some(last) = self.points.last_mut() {
            *last = higher(*last, (momentary, short_term));
            self.filled += 1;
        }
    }
}

fn higher(a: (f64, f64), b: (f64, f64)) -> (f64, f64) {
    (a.0.max(b.0), a.1.max(b.1))
}

/// The picture, in SVG's pixels.
const WIDTH: f64 = 1_000.0;
const HEIGHT: f64 = 320.0;
const LEFT: f64 = 60.0;
const TOP: f64 = 40.0;
/// What is shown from bottom to top, in LUFS.
const SHOWN: (f64, f64) = (-60.0, 0.0);

/// Momentary loudness as a thin line, short-term as a thick one, integrated as a dashed one.
#[expect(clippy::cast_precision_loss, reason = "some thousand points")]
fn plot(found: &Figures, trace: &Trace) -> String {
    let y = |lufs: f64| TOP + HEIGHT * (SHOWN.1 - lufs.clamp(SHOWN.0, SHOWN.1)) / (SHOWN.1 - SHOWN.0);
    let point_s = Trace::READING_S * trace.readings as f64;
    let whole_s = found.duration_s.unwrap_or(0.0).max(point_s);
    let x = |s: f64| LEFT + WIDTH * s / whole_s;
    let line = |of: fn(&(f64, f64)) -> f64| {
        trace.points.iter().enumerate().fold(String::new(), |line, (place, point)| {
            line + &format!("{:.1},{:.1} ", x(point_s * (place + 1) as f64).min(LEFT + WIDTH), y(of(point)))
        })
    };
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {} {}\" font-family=\"sans-serif\" font-size=\"12\">\n\
         <rect width=\"100%\" height=\"100%\" fill=\"white\"/>\n\
         <text x=\"{LEFT}\" y=\"20\">{}: momentary (thin) and short-term (thick) loudness, LUFS over time</text>\n",
        LEFT + WIDTH + 20.0,
        TOP + HEIGHT + 40.0,
        escaped(&found.file),
    );
    for lufs in (-6..=0).map(|ten| 10.0 * f64::from(ten)) {
        let y = y(lufs);
        svg += &format!(
            "<path d=\"M{LEFT} {y:.1}h{WIDTH}\" stroke=\"#ccc\"/><text x=\"{}\" y=\"{:.1}\" text-anchor=\"end\">{lufs:.0}</text>\n",
            LEFT - 8.0,
            y + 4.0,
        );
    }
    for part in 0..=10 {
        let s = whole_s * f64::from(part) / 10.0;
        let time = if whole_s < 120.0 { format!("{s:.1} s") } else { format!("{:.1} min", s / 60.0) };
        svg += &format!("<text x=\"{:.1}\" y=\"{}\" text-anchor=\"middle\">{time}</text>\n", x(s), TOP + HEIGHT + 20.0);
    }
    if let Some(integrated) = found.integrated_lufs {
        let y = y(integrated);
        svg += &format!(
            "<path d=\"M{LEFT} {y:.1}h{WIDTH}\" stroke=\"#b00\" stroke-dasharray=\"6 4\"/>\n\
             <text x=\"{}\" y=\"{:.1}\" text-anchor=\"end\" fill=\"#b00\">integrated {integrated:.1} LUFS</text>\n",
            LEFT + WIDTH,
            y - 4.0,
        );
    }
    for (points, colour, width) in [(line(|point| point.0), "#69c", 0.7), (line(|point| point.1), "#036", 1.8)] {
        svg += &format!(
            "<polyline points=\"{}\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"{width}\"/>\n",
            points.trim_end()
        );
    }
    svg + "</svg>\n"
}

/// A text as it may stand between tags.
fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}
