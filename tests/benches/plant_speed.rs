//! How much faster than real time a two-sided test of 2 × 60 s at 100 Hz runs, and where the time goes.
//!
//! `cargo bench -p seathold-tests --bench plant_speed`. Times are CPU times of this thread where the system tells them
//! (Linux), so a busy machine spoils them less; wall time elsewhere. With `SCIPY_PYTHON` naming a Python that has SciPy,
//! the trace of `tests/reference/plant_tight.csv` is also solved by LSODA on the equations written independently in
//! `tests/reference/plant_lsoda.py`, and compared with ours on the same trace at equal error.

use seathold_sequencer::event::{Event, Phase};
use seathold_sequencer::output::Outputs;
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::step::Sequencer;
use seathold_sim::bench::SimBench;
use seathold_sim::config::RawPlant;
use seathold_sim::network::Node;
use seathold_sim::noise::Stream;
use seathold_sim::plant::Plant;
use seathold_sim::rig::SimRig;
use seathold_sim::scenario::Scenario;
use seathold_sim::sensor::Channel;
use seathold_tests::lsoda::{self, Reference, switch};
use std::hint::black_box;
use std::process::Command;
use std::time::Instant;

const RUNS: u32 = 200;

/// A stopwatch of CPU time, or of wall time where that is not to be had.
struct Watch {
    begin: Instant,
    cpu: Option<f64>,
}

impl Watch {
    fn start() -> Self {
        Self { begin: Instant::now(), cpu: cpu_s() }
    }

    fn seconds(&self) -> f64 {
        match (self.cpu, cpu_s()) {
            (Some(then), Some(now)) => now - then,
            _ => self.begin.elapsed().as_secs_f64(),
        }
    }
}

/// Time this thread has run so far, s: the first figure of `/proc/thread-self/schedstat`, in nanoseconds.
fn cpu_s() -> Option<f64> {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").ok()?;
    text.split_whitespace().next()?.parse::<f64>().ok().map(|ns| ns * 1e-9)
}

/// Batches of which the fastest counts.
const BATCHES: u32 = 10;

/// CPU time of a run, s: the mean over a batch, since the system counts in ticks of some milliseconds; of several
/// batches the fastest, since a busy machine only ever adds.
fn best(runs: u32, run: impl Fn()) -> f64 {
    let times = (0..BATCHES).map(|_| {
        let watch = Watch::start();
        (0..runs).for_each(|_| run());
        watch.seconds() / f64::from(runs)
    });
    times.fold(f64::INFINITY, f64::min)
}

/// What is done at each moment that is read.
type Read = Box<dyn FnMut(&Plant, u64)>;

/// The tight valve's trace of `tests/reference` (220 s), read at LSODA's 616 moments: CPU time, s, the best of some.
fn on_reference(reference: &Reference, tolerance: f64) -> f64 {
    let spec = RawPlant { tolerance, ..RawPlant::DEMO }.validate().expect("valid");
    let run = || {
        let mut plant = Plant::new(&spec, 0);
        let mut switchings = reference.switchings.iter().peekable();
        for (at, _) in &reference.rows {
            switch(&mut plant, &mut switchings, *at);
            plant.advance(*at);
            black_box(plant.truth(*at));
        }
        black_box(plant.solver_stats());
    };
    best(RUNS / BATCHES, run)
}

/// Errors and CPU time of LSODA at one tolerance, as logarithms: of the far side's pressure and of any, and of the time.
type Point = ([f64; 2], f64);

/// How LSODA does on the same equations, switchings and moments, and how much faster we are where both are equally
/// exact. The error is the worst at any of the 616 moments against LSODA at rtol 1e-9, of the far side's pressure and of
/// any of the three; LSODA's time at our error is read off between its tolerances, straight in the logarithms of both.
/// Once as told every switching and where the ball starts and stops, and once as told where its edge passes a seat, too:
/// that is what our solver is told.
fn lsoda() {
    let reference = lsoda::read("tight");
    let ours = [1e-5, 1e-6, 1e-7].map(|tolerance| {
        let worst = lsoda::worst(&reference, RawPlant { tolerance, ..RawPlant::DEMO });
        (tolerance, [worst.places[2], worst.pressure.0], on_reference(&reference, tolerance))
    });
    for (tolerance, [far, any], seconds) in ours {
        println!("ours, tolerance {tolerance:.0e}: {:.3} ms, worst error far {far:.1e}, any {any:.1e}", seconds * 1e3);
    }
    let Some(python) = std::env::var_os("SCIPY_PYTHON") else {
        println!("SciPy: not asked (set SCIPY_PYTHON to a Python that has it)");
        return;
    };
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/reference/plant_lsoda.py");
    let rtols = ["1e-4", "1e-5", "1e-6", "1e-7", "1e-8"];
    let output = Command::new(&python).args([script, "--time"]).args(rtols).output().expect("SCIPY_PYTHON runs");
    let text = String::from_utf8_lossy(&output.stdout);
    for told in ["switchings", "edges"] {
        let theirs: Vec<Point> = text.lines().filter_map(|line| line.strip_prefix(told)).map(point).collect();
        assert_eq!(theirs.len(), rtols.len(), "{text}{}", String::from_utf8_lossy(&output.stderr));
        for (rtol, ([far, any], seconds)) in rtols.iter().zip(&theirs) {
            let (seconds, far, any) = (seconds.exp(), far.exp(), any.exp());
            println!("SciPy LSODA told {told}, rtol {rtol}: {seconds:.3} s, worst error far {far:.1e}, any {any:.1e}");
        }
        for (tolerance, errors, seconds) in ours {
            for (i, what) in ["of the far side", "of any pressure"].into_iter().enumerate() {
                let error = errors[i];
                match equal(&theirs, i, error) {
                    Some(equal) => println!(
                        "tolerance {tolerance:.0e}, told {told}, equal error {what} {error:.1e}: LSODA {equal:.3} s, {:.0} × as long",
                        equal / seconds
                    ),
                    None => println!("tolerance {tolerance:.0e}: an error {what} of {error:.1e} is outside LSODA's"),
                }
            }
        }
    }
}

/// A line of the script, after what LSODA was told: rtol, CPU time, error of the far side, error of any pressure.
fn point(line: &str) -> Point {
    let numbers: Vec<f64> = line.split_whitespace().map(|word| word.parse().expect("a number")).collect();
    ([numbers[2].ln(), numbers[3].ln()], numbers[1].ln())
}

/// LSODA's time for an error, s.
fn equal(theirs: &[Point], i: usize, error: f64) -> Option<f64> {
    let at = error.ln();
    let [coarse, fine] = theirs.windows(2).find(|w| (w[1].0[i]..=w[0].0[i]).contains(&at))? else { return None };
    let share = (at - coarse.0[i]) / (fine.0[i] - coarse.0[i]);
    Some((coarse.1 + share * (fine.1 - coarse.1)).exp())
}

/// Whether cost grows in proportion: with plant time (tests one after another on one plant) and with valves.
fn growth() {
    let reference = lsoda::read("tight");
    let spec = RawPlant::DEMO.validate().expect("valid");
    let end = reference.rows.last().expect("rows").0;
    let test = |plant: &mut Plant, from: u64| {
        let shifted: Vec<_> = reference.switchings.iter().map(|(at, what)| (from + at, *what)).collect();
        let mut switchings = shifted.iter().peekable();
        for at in (from..from + end).step_by(10_000) {
            switch(plant, &mut switchings, at);
            plant.advance(at + 10_000);
            black_box(plant.pressure(Node::Far, at + 10_000));
        }
    };
    for tests in [1, 4, 16, 64] {
        let seconds = best(64 / tests as u32, || {
            let mut plant = Plant::new(&spec, 0);
            (0..tests).for_each(|i| test(&mut plant, i * 220_000_000));
        });
        println!("{tests:>3} tests on one plant: {:.3} ms a test", seconds * 1e3 / tests as f64);
    }
    for valves in [1, 4, 16, 64] {
        let seconds = best(64 / valves as u32, || {
            let mut plants = vec![Plant::new(&spec, 0); valves];
            plants.iter_mut().for_each(|plant| test(plant, 0));
        });
        println!("{valves:>3} valves: {:.3} ms a valve", seconds * 1e3 / valves as f64);
    }
    println!("a rig is {} bytes and has no heap", size_of::<SimRig>());
}

fn main() {
    let scenario = Scenario::TIGHT;
    let rig = RawRig::DEMO.validate().expect("example rig");
    let recipe = RawRecipe { measure_ms_min: 60_000, ..RawRecipe::DEMO };
    let recipe = recipe.validate(&rig).expect("full windows");

    // Whole: plant, sensors, operator and sequencer.
    let mut plant_s = 0.0;
    let mut switched: Vec<(u64, Outputs)> = Vec::new();
    let mut swapped_at = 0;
    let mut work = Default::default();
    let watch = Watch::start();
    for run in 0..RUNS {
        let mut sequencer = Sequencer::new(rig, Some(recipe));
        let mut bench = SimBench::new(&scenario, rig.raw(), u64::from(run)).expect("ready-made scenario");
        let mut proved = false;
        loop {
            let polled = bench.poll(&mut sequencer);
            let at = polled.at.as_ticks();
            if run == 0 && switched.last().is_none_or(|(_, last)| *last != polled.outputs) {
                switched.push((at, polled.outputs));
            }
            if run == 0 && swapped_at == 0 && bench.rig.let_out().is_some() {
                swapped_at = at;
            }
            proved |= polled.events.iter().any(|e| matches!(e, Event::RunFinished { .. }));
            if proved && sequencer.phase() == Phase::Ready {
                plant_s = at as f64 * 1e-6;
                break;
            }
        }
        work = bench.rig.plant().solver_stats();
    }
    let whole = watch.seconds() / f64::from(RUNS);

    // The plant alone over the same switchings, read at 100 Hz.
    let checked = scenario.validate().expect("ready-made scenario");
    let play = |mut read: Read| {
        let watch = Watch::start();
        for _ in 0..RUNS {
            let mut plant = Plant::new(&checked.plant, 7);
            let mut next = switched.iter().peekable();
            let mut at = 0;
            let mut swapped = false;
            while at < (plant_s * 1e6) as u64 {
                while let Some((_, outputs)) = next.next_if(|(t, _)| *t <= at) {
                    plant.set(at, *outputs);
                }
                if !swapped && at >= swapped_at {
                    swapped = true;
                    black_box(plant.swap_ends(at));
                }
                at += 10_000;
                plant.advance(at);
                read(&plant, at);
            }
            black_box(plant.solver_stats());
        }
        watch.seconds() / f64::from(RUNS)
    };
    let steps_only = play(Box::new(|_, _| {}));
    let dense = play(Box::new(|plant, at| {
        black_box(plant.pressure(Node::Far, at));
        black_box(plant.pressure(Node::Line, at));
    }));
    let transducer = RawRig::DEMO.far;
    let mut far = Channel::new(&checked.far, transducer, 7, Stream::Far);
    let mut line = Channel::new(&checked.supply, transducer, 7, Stream::Supply);
    let sensed = play(Box::new(move |plant, at| {
        far.convert(plant.pressure(Node::Far, at) - plant.atmosphere());
        line.convert(plant.pressure(Node::Line, at) - plant.atmosphere());
        black_box((far.take(), line.take()));
    }));

    let samples = plant_s * 100.0;
    println!("two-sided test, {plant_s:.1} s of plant time, {samples:.0} samples a channel, mean of {RUNS} runs");
    println!("integrator: {work:?}");
    let row = |what: &str, s: f64, per: f64| {
        println!(
            "{what:<44} {:>9.3} ms  {:>9.0} × real time  {:>7.1} ns/sample",
            s * 1e3,
            plant_s / s,
            per * 1e9 / samples
        );
    };
    row("steps of the plant", steps_only, steps_only);
    row("+ dense output, two channels", dense, dense - steps_only);
    row("+ noise, quantisation, two channels", sensed, sensed - dense);
    row("whole: + operator, sequencer, estimator", whole, whole - sensed);
    growth();
    lsoda();
}
