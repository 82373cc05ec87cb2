//! What an equaliser costs, side by side in one run: the shipped five sections, the `biquad` crate's transposed form
//! written plainly, and a `fundsp` graph of the same chain; and the whole strip in the running engine.
//!
//! ```text
//! cargo bench --bench stages
//! ```
//! A high-pass and four bands, every lane with settings of its own, blocks of 64 frames at 48 kHz. Figures are ns for each
//! lane and frame, the best of several rounds, on one core; nothing is asserted.

#![allow(clippy::print_stdout, reason = "a bench prints")]

use biquad::{Biquad, Coefficients as Plain, DirectForm2Transposed, Type};
use fundsp::prelude32::{AudioUnit, BufferVec, bell_hz, highpass_hz, highshelf_hz, lowshelf_hz};
use longthrow::desk::engine_settings;
use longthrow::dsp::equaliser::{Shape, Slope, band, high_pass};
use longthrow::dsp::lanes::{Form, Kernel, LANES, Lanes, Row, Vectors};
use longthrow::dsp::section::{Coefficients, Filter, Section};
use longthrow::engine::wires::PlanarWires;
use longthrow::engine::{Bank, Command, Crossing, Edit, Engine, Feed, MeterFrame, Plan, StageValue, Tap, Target};
use longthrow::units::SampleRate;
use std::hint::black_box;
use std::time::Instant;

const BLOCK: usize = 64;
const TICK: usize = 16;
const BLOCKS: usize = 256;
const ROUNDS: usize = 12;

/// High-pass, low shelf, two bells, high shelf: frequency, Q and gain of a lane.
fn settings(lane: usize) -> [(f32, f32, f32); 5] {
    let place = lane as f32;
    [
        (60.0 + place, 0.707, 0.0),
        (100.0 + place, 0.707, 3.0),
        (400.0 + 2.0 * place, 1.0, -4.0),
        (2500.0 + 3.0 * place, 1.5, 5.0),
        (8000.0 + place, 0.707, -3.0),
    ]
}

fn noise(n: usize) -> f32 {
    ((n as u32).wrapping_mul(2_654_435_761) as i32) as f32 / 4.3e9
}

/// ns for each lane and frame: the best of several rounds of `BLOCKS` blocks.
fn best(lanes: usize, mut block: impl FnMut()) -> f64 {
    let mut best = f64::INFINITY;
    for _ in 0..ROUNDS {
        let start = Instant::now();
        for _ in 0..BLOCKS {
            block();
        }
        best = best.min(start.elapsed().as_secs_f64() * 1e9 / (BLOCKS * BLOCK * lanes) as f64);
    }
    best
}

/// One channel after the other, one sample after the other, through five filters.
fn plainly(lanes: usize) -> f64 {
    let of = |kind, hertz: f32, q| Plain::<f32>::from_normalized_params(kind, hertz / 24_000.0, q).expect("a filter");
    let mut filters: Vec<[DirectForm2Transposed<f32>; 5]> = (0..lanes)
        .map(|lane| {
            let [h, l, m, n, t] = settings(lane);
            [
                of(Type::HighPass, h.0, h.1),
                of(Type::LowShelf(l.2), l.0, l.1),
                of(Type::PeakingEQ(m.2), m.0, m.1),
                of(Type::PeakingEQ(n.2), n.0, n.1),
                of(Type::HighShelf(t.2), t.0, t.1),
            ]
            .map(DirectForm2Transposed::<f32>::new)
        })
        .collect();
    let input: Vec<f32> = (0..lanes * BLOCK).map(noise).collect();
    let mut output = vec![0.0; lanes * BLOCK];
    best(lanes, || {
        for ((filters, input), output) in
            filters.iter_mut().zip(input.chunks_exact(BLOCK)).zip(output.chunks_exact_mut(BLOCK))
        {
            for (x, y) in input.iter().zip(output) {
                let mut sample = *x;
                for filter in filters.iter_mut() {
                    sample = filter.run(sample);
                }
                *y = sample;
            }
        }
        black_box(&output);
    })
}

/// A graph for each channel, a block at a time.
fn as_graph(lanes: usize) -> f64 {
    let amplitude = |db: f32| 10_f32.powf(db / 20.0);
    let mut graphs: Vec<Box<dyn AudioUnit>> = (0..lanes)
        .map(|lane| {
            let [h, l, m, n, t] = settings(lane);
            let mut graph: Box<dyn AudioUnit> = Box::new(
                highpass_hz(h.0, h.1)
                    >> lowshelf_hz(l.0, l.1, amplitude(l.2))
                    >> bell_hz(m.0, m.1, amplitude(m.2))
                    >> bell_hz(n.0, n.1, amplitude(n.2))
                    >> highshelf_hz(t.0, t.1, amplitude(t.2)),
            );
            graph.set_sample_rate(48_000.0);
            graph.allocate();
            graph
        })
        .collect();
    let mut inputs: Vec<BufferVec> = (0..lanes).map(|_| BufferVec::new(1)).collect();
    for (lane, input) in inputs.iter_mut().enumerate() {
        for (frame, sample) in input.channel_f32_mut(0).iter_mut().enumerate() {
            *sample = noise(lane * BLOCK + frame);
        }
    }
    let mut output = BufferVec::new(1);
    best(lanes, || {
        for (graph, input) in graphs.iter_mut().zip(&inputs) {
            graph.process(BLOCK, &input.buffer_ref(), &mut output.buffer_mut());
        }
        black_box(&mut output);
    })
}

fn coefficients(lane: usize) -> [Coefficients; 5] {
    let [h, l, m, n, t] = settings(lane).map(|(hertz, q, gain)| (f64::from(hertz), f64::from(q), f64::from(gain)));
    let rate = SampleRate::HZ_48000;
    [
        high_pass(Slope::Second, h.0, rate)[0],
        band(Shape::LowShelf, l.0, l.1, l.2, rate),
        band(Shape::Bell, m.0, m.1, m.2, rate),
        band(Shape::Bell, n.0, n.1, n.2, rate),
        band(Shape::HighShelf, t.0, t.1, t.2, rate),
    ]
}

/// What the engine does to sections at a grid line.
struct Settle<'a> {
    sections: &'a mut [Section],
    gain: f32,
}

impl Kernel for Settle<'_> {
    type Output = ();

    #[inline(always)]
    fn run<V: Lanes>(self) {
        for section in self.sections {
            section.settle::<V>(self.gain, TICK as f32);
        }
    }
}

/// A block of sixteen lanes, each row in a cache line of its own, as the engine has it.
#[derive(Clone)]
#[repr(align(64))]
struct Rows([Row; BLOCK]);

/// The five sections as the engine runs them: groups of sixteen lanes, ticks of sixteen frames, lane beside lane.
fn shipped(lanes: usize, vectors: Vectors, gliding: bool) -> f64 {
    let groups = lanes / LANES;
    let mut sections: Vec<Vec<Section>> = vec![vec![Section::new(); 5]; groups];
    let aim = |sections: &mut [Vec<Section>], turned: usize, at_once: bool| {
        for (group, sections) in sections.iter_mut().enumerate() {
            for lane in 0..LANES {
                for (section, coefficients) in sections.iter_mut().zip(coefficients(group * LANES + lane + turned)) {
                    for (value, to) in coefficients.values.into_iter().enumerate() {
                        section.set(lane, value, to, at_once);
                    }
                }
            }
        }
    };
    aim(&mut sections, 0, true);
    if gliding {
        for sections in &mut sections {
            vectors.run(Settle { sections, gain: 1.0 });
        }
        aim(&mut sections, 40, false);
    }
    let row = |group, frame| std::array::from_fn(|lane| noise((group * BLOCK + frame) * LANES + lane));
    let input: Vec<Rows> = (0..groups).map(|group| Rows(std::array::from_fn(|frame| row(group, frame)))).collect();
    let mut audio = input.clone();
    // A glide that never arrives keeps everything on its way.
    let gain = if gliding { 1e-7 } else { 1.0 };
    best(lanes, || {
        for ((sections, input), audio) in sections.iter_mut().zip(&input).zip(&mut audio) {
            audio.0.copy_from_slice(&input.0);
            for tick in audio.0.chunks_exact_mut(TICK) {
                // Like the engine's: what stands still is not asked again.
                if sections.iter().any(Section::moving) {
                    vectors.run(Settle { sections, gain });
                }
                vectors.run(Filter { sections, audio: tick, grid: true });
            }
        }
        black_box(&audio);
    })
}

/// Which lanes of each group have sound, and what stands in the strips.
#[derive(Clone, Copy)]
struct Case {
    stages: bool,
    busy_lanes: usize,
    /// Bus columns that every source goes to.
    buses: u16,
    /// Loudness, true peak and the other meters of every lane too, and not peaks, energies and counts alone.
    all_meters: bool,
}

impl Case {
    const FULL: Self = Self { stages: true, busy_lanes: LANES, buses: 12, all_meters: true };
}

/// A whole desk of mono channels: into two main buses and four stereo sends after their faders.
struct Whole(Option<Plan>);

/// Everything that a channel's column is told when it comes into use.
fn channel(plan: &mut Plan, column: u16, wire: u16, case: Case, bus_columns: u16) {
    let jump = |target, value| Edit::Jump(Command { target, value });
    plan.edits.push(Edit::Start { bank: Bank::Sources, column, ramp_frames: 960 });
    plan.edits.push(jump(Target::Gate { bank: Bank::Sources, column }, 1.0));
    plan.edits.push(Edit::Connect { column, feed: wire + 1, side: 0 });
    for to in 0..bus_columns {
        plan.edits.push(jump(Target::ToBus { tap: Tap::AfterFader, from: column, to }, 0.05));
    }
    if !case.stages {
        return;
    }
    let mut aim = |value, to| plan.edits.push(jump(Target::Stage { bank: Bank::Sources, column, value }, to));
    for (index, coefficients) in (0_u8..).zip(coefficients(usize::from(wire))) {
        for (value, to) in (0..).zip(coefficients.values) {
            let which = match index {
                0 => StageValue::HighPass { section: 0, value },
                _ => StageValue::Band { after: false, band: index - 1, value },
            };
            aim(which, to);
        }
    }
    for (value, to) in (0..).zip([-8.0, 0.7, 1.0, 2.0, 0.02, 0.0001, 4800.0]) {
        aim(StageValue::Gate(value), to);
    }
    for (value, to) in (0..).zip([-4.0, 0.66, 1.0, 0.002, 0.0001, 0.5]) {
        aim(StageValue::Compressor(value), to);
    }
    for (value, to) in (0..).zip([0.45, -5.0, 1.0]) {
        aim(StageValue::DeEsser(value), to);
    }
}

impl Whole {
    fn new(lanes: u16, case: Case) -> Self {
        let mut plan = Plan { sequence: 1, ..Plan::default() };
        let jump = |target, value| Edit::Jump(Command { target, value });
        for (bank, columns) in [(Bank::Buses, case.buses), (Bank::Outputs, 2)] {
            for column in 0..columns {
                plan.edits.push(Edit::Start { bank, column, ramp_frames: 0 });
                plan.edits.push(jump(Target::Gate { bank, column }, 1.0));
            }
        }
        for column in 0..lanes {
            plan.feeds.push((column + 1, Feed::Wires(column, None)));
            channel(&mut plan, column, column, case, case.buses);
        }
        for side in 0..2 {
            plan.edits.push(jump(Target::ToOutput { from: side, to: side }, 1.0));
            plan.edits.push(Edit::Wire { column: side, wire: Some(side), limited: false });
        }
        Self(Some(plan))
    }
}

impl Crossing for Whole {
    fn at_tick(&mut self, engine: &mut Engine) {
        if let Some(mut plan) = self.0.take() {
            engine.adopt(&mut plan);
        }
    }

    fn quiet_frames(&self, _: &Engine) -> u64 {
        u64::MAX
    }

    fn at_meter_boundary(&mut self, _: &MeterFrame) -> bool {
        true
    }
}

fn whole(lanes: usize, vectors: Vectors, case: Case) -> f64 {
    let mut engine = Engine::new(engine_settings(SampleRate::HZ_48000, vectors));
    if !case.all_meters {
        engine.measure_levels_only();
    }
    let mut desk = Whole::new(u16::try_from(lanes).expect("at most 256"), case);
    let sound = |n: usize| if n / BLOCK % LANES < case.busy_lanes { noise(n) } else { 0.0 };
    let inputs: Vec<f32> = (0..lanes * BLOCK).map(sound).collect();
    let mut outputs = vec![0.0; 2 * BLOCK];
    let ns = best(lanes, || {
        let mut wires = PlanarWires { frames: BLOCK, stride: BLOCK, inputs: &inputs, outputs: &mut outputs };
        engine.process(&mut wires, &mut desk);
    });
    assert!(case.busy_lanes == 0 || outputs.iter().any(|sample| *sample != 0.0), "nothing came out");
    ns
}

/// A plan and a batch for the next tick.
struct Sudden {
    plan: Option<Plan>,
    batch: Vec<Command>,
    done: Option<Plan>,
}

impl Crossing for Sudden {
    fn at_tick(&mut self, engine: &mut Engine) {
        if let Some(mut plan) = self.plan.take() {
            engine.adopt(&mut plan);
            self.done = Some(plan);
        }
        self.batch.drain(..).for_each(|command| engine.apply(command));
    }

    fn quiet_frames(&self, _: &Engine) -> u64 {
        u64::MAX
    }

    fn at_meter_boundary(&mut self, _: &MeterFrame) -> bool {
        true
    }
}

/// The block in which everything happens: a full batch while all 256 channels glide, and all of them go and 256 others
/// come. Microseconds, the best and the middle of many. Plans are dropped outside, as on air.
fn worst(vectors: Vectors) -> [f64; 2] {
    let case = Case::FULL;
    let lanes = 256_u16;
    let mut engine = Engine::new(engine_settings(SampleRate::HZ_48000, vectors));
    let inputs: Vec<f32> = (0..usize::from(lanes) * BLOCK).map(noise).collect();
    let mut outputs = vec![0.0; 2 * BLOCK];
    let mut desk = Sudden { plan: Whole::new(lanes, case).0, batch: Vec::new(), done: None };
    let mut times = Vec::new();
    for round in 0..80_u16 {
        let (going, coming) = (round % 2 * lanes, (round + 1) % 2 * lanes);
        for block in 0..40 {
            let glide = |column: u16| Command {
                target: Target::Level { bank: Bank::Sources, column: going + column },
                value: if block % 2 == 0 { 0.5 } else { 1.0 },
            };
            desk.batch.extend((0..lanes).map(glide));
            let sudden = block == 30;
            if sudden {
                let pans = (0..3).flat_map(|to| (0..lanes).map(move |column| (column, to)));
                desk.batch.extend(pans.map(|(column, to)| Command {
                    target: Target::ToBus { tap: Tap::AfterFader, from: going + column, to },
                    value: 0.1,
                }));
                let mut plan = Plan { sequence: u64::from(round) + 2, ..Plan::default() };
                for column in 0..lanes {
                    let edit = Edit::Leave { bank: Bank::Sources, column: going + column, ramp_frames: 960 };
                    plan.edits.push(edit);
                    channel(&mut plan, coming + column, column, case, case.buses);
                }
                desk.plan = Some(plan);
                desk.done = None;
            }
            let mut wires = PlanarWires { frames: BLOCK, stride: BLOCK, inputs: &inputs, outputs: &mut outputs };
            let start = Instant::now();
            engine.process(&mut wires, &mut desk);
            if sudden {
                times.push(start.elapsed().as_secs_f64() * 1e6);
            }
        }
    }
    times.sort_by(f64::total_cmp);
    [times[0], times[times.len() / 2]]
}

/// How far the cost of 1 to 16 groups is from a straight line, at most, as a share of the line; and ns a frame for a group.
fn line(vectors: Vectors, case: Case) -> (f64, f64) {
    let cost = |groups: usize| whole(groups * LANES, vectors, case) * (groups * LANES) as f64;
    let points: Vec<(f64, f64)> = (1..=16).map(|groups| (groups as f64, cost(groups))).collect();
    let mean = |of: &dyn Fn(&(f64, f64)) -> f64| points.iter().map(of).sum::<f64>() / points.len() as f64;
    let (x, y) = (mean(&|p| p.0), mean(&|p| p.1));
    let slope = mean(&|p| (p.0 - x) * (p.1 - y)) / mean(&|p| (p.0 - x) * (p.0 - x));
    let off = |(groups, cost): &(f64, f64)| (cost / (y + slope * (groups - x)) - 1.0).abs();
    (points.iter().map(off).fold(0.0, f64::max), slope)
}

fn main() {
    println!("ns for each lane and frame at 48 kHz, blocks of 64, the best of {ROUNDS} rounds");
    for lanes in [64, 256] {
        let (plain, graph) = (plainly(lanes), as_graph(lanes));
        println!("\n{lanes} lanes, high-pass and four bands:");
        println!("  biquad, transposed form    {plain:>8.3}");
        println!("  fundsp graph               {graph:>8.3}");
        for vectors in Form::ALL.into_iter().filter_map(Vectors::new) {
            let form = vectors.form().word();
            let (still, gliding) = (shipped(lanes, vectors, false), shipped(lanes, vectors, true));
            println!(
                "  shipped, {form:<8}          {still:>8.3}   biquad / shipped {:>5.2}, fundsp / shipped {:>5.2}; every value gliding {gliding:.3}",
                plain / still,
                graph / still
            );
        }
        println!("{lanes} lanes, the whole strip into six stereo buses, meters included:");
        for vectors in Form::ALL.into_iter().filter_map(Vectors::new) {
            let form = vectors.form().word();
            let all = whole(lanes, vectors, Case::FULL);
            let levels = whole(lanes, vectors, Case { all_meters: false, ..Case::FULL });
            let one = whole(lanes, vectors, Case { busy_lanes: 1, ..Case::FULL });
            let none = whole(lanes, vectors, Case { busy_lanes: 0, ..Case::FULL });
            let bare = whole(lanes, vectors, Case { stages: false, ..Case::FULL });
            println!(
                "  {form:<8} every stage on   {all:>8.3}   of biquad's equaliser alone {:>5.2}; peak, energy and clips for meters {levels:.3} ({:.2}); one busy lane in sixteen {one:.3}; silence {none:.3}; stages off {bare:.3}",
                all / plain,
                levels / plain
            );
        }
    }
    println!("\n256 strips, everything on, into sixteen stereo buses; and the cost of 1 to 16 groups into six:");
    let plain = plainly(256);
    for vectors in Form::ALL.into_iter().filter_map(Vectors::new) {
        let wide = Case { buses: 32, ..Case::FULL };
        let (all, levels) = (whole(256, vectors, wide), whole(256, vectors, Case { all_meters: false, ..wide }));
        let (off, group) = line(vectors, Case::FULL);
        // By the slope: without what the buses and the output cost, however many strips feed them.
        let [all_strip, levels_strip] =
            [group, line(vectors, Case { all_meters: false, ..Case::FULL }).1].map(|group| group / LANES as f64);
        let of_core = |ns: f64| ns * 256.0 * 48_000.0 / 1e9 * 100.0;
        println!(
            "  {:<8} {:>5.1} % of a core, {:>5.1} % with the meters of levels alone; {group:.0} ns a frame for each group, at most {:.1} % off a straight line",
            vectors.form().word(),
            of_core(all),
            of_core(levels),
            100.0 * off
        );
        println!(
            "           a strip by itself {all_strip:.3}, {:.2} of biquad's equaliser; with peak, energy and clips for meters {levels_strip:.3}, {:.2}",
            all_strip / plain,
            levels_strip / plain
        );
    }
    println!("\nthe block of 64 frames in which 256 gliding channels go, 256 others come and a full batch arrives:");
    for vectors in Form::ALL.into_iter().filter_map(Vectors::new) {
        let [best, middle] = worst(vectors);
        let share = |us: f64| us / (BLOCK as f64 / 48_000.0 * 1e6) * 100.0;
        println!(
            "  {:<8} {best:>6.0} us, {:.0} % of the period; the middle of many {middle:.0} us, {:.0} %",
            vectors.form().word(),
            share(best),
            share(middle)
        );
    }
}
