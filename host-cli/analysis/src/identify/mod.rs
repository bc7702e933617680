//! The simulated bench fitted to recordings of a real one (system identification).
//!
//! The model is the plant itself, switched as the recording says; what is fitted is in [`parameter`], how it is weighed in
//! [`noise`] and [`whiten`], how it is found in [`solve`]. docs/physics.md says what is told by what.

#![allow(clippy::neg_cmp_op_on_partial_ord, reason = "`!(x > 0.0)` is meant: NaN must fail too")]

pub mod check;
pub mod noise;
pub mod page;
pub mod parameter;
pub mod predict;
pub mod problem;
pub mod report;
pub mod scale;
pub mod solve;
pub mod trace;
pub mod whiten;

use seathold_sequencer::rig::RawRig;
use seathold_sim::noise::{Noise, Stream};
use seathold_sim::scenario::Scenario;

use check::{HeldOut, Miss, misses};
use noise::SensorNoise;
use parameter::{Guess, PARAMETERS, Parameter};
use problem::{BenchProblem, Doubt, Fitted, KNOWN, KNOWN_UNIT, LEAK_UNIT, MEAN};
use scale::{KnownLeak, Scale, scale};
use solve::{NEAR, ROUGHLY, covariance, search};
use trace::RunReadings;

/// What is fitted to what.
#[derive(Clone, Debug)]
pub struct Task<'a> {
    /// Tight valves and blanks.
    pub tight: &'a [RunReadings],
    /// The same with a known leak on the far side.
    pub with_leak: &'a [RunReadings],
    /// That leak at the test pressure.
    pub known_leak: Option<KnownLeak>,
    /// Recordings to be predicted; they take no part in the fit.
    pub held_out: &'a [RunReadings],
    /// The valve and rig as they are thought to be.
    pub before: Scenario,
}

/// A parameter as found.
#[derive(Clone, Copy, Debug)]
pub struct Found {
    /// Which.
    pub parameter: &'static Parameter,
    /// Before the fit, in the field's base unit (the dead time in seconds).
    pub before: f64,
    /// Found, or left.
    pub value: f64,
    /// Standard uncertainty over the one before the fit: 1 where nothing was learnt.
    pub u_ratio: f64,
    /// Whether the recordings told it.
    pub told: bool,
}

impl Found {
    /// Its 95 % interval.
    pub fn interval(&self) -> (f64, f64) {
        self.parameter.interval(self.value, self.u_ratio, COVERAGE)
    }
}

/// Coverage factor of 95 % for a normal distribution.
pub const COVERAGE: f64 = 1.96;

/// A parameter is told when its standard uncertainty is less than this share of the one before (our judgement).
pub const TOLD: f64 = 0.7;

/// A value with its standard uncertainty.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct WithU {
    /// The value.
    pub value: f64,
    /// Its standard uncertainty.
    pub u: f64,
}

/// A bench as found.
#[derive(Clone, Debug)]
pub struct Identified {
    /// Each parameter, in the order of [`PARAMETERS`].
    pub found: Vec<Found>,
    /// Far side and cavity together, m³.
    pub trapped: WithU,
    /// The rig's figure for it.
    pub trapped_before: WithU,
    /// What the rig's figure was multiplied by.
    pub scale: Scale,
    /// What tight sides lose on the mean, Pa·m³/s as a plant states a leak.
    pub loss: WithU,
    /// How far sides scatter about it, and how many there were.
    pub loss_scatter: f64,
    /// See above.
    pub sides: usize,
    /// Noise of the far and of the supply transducer; `None` where there is none, or it has too few readings.
    pub noise: [Option<SensorNoise>; 2],
    /// How the fitted recordings are missed, phase by phase.
    pub misses: Vec<Miss>,
    /// By how much uncertainties were widened because the plant does not follow the readings within their noise.
    pub widened: f64,
    /// How those are predicted that took no part.
    pub held_out: Vec<HeldOut>,
    /// Residuals of the first recording fitted, for the eye: (s, Pa, over noise) of the far side.
    pub shown: Vec<check::Reading>,
    /// Names of the recordings fitted.
    pub fitted: Vec<String>,
    /// The valve that describes the bench.
    pub scenario: Scenario,
    /// The rig that goes with it.
    pub rig: RawRig,
}

/// Scatter of tight sides about their mean before it is known, and the least that is believed, Pa·m³/s (our judgement: a tenth of
/// a bubble a minute, and a hundredth).
const SCATTER_FIRST: f64 = 1e-5;
const SCATTER_LEAST: f64 = 5e-7;

/// Doubts with which the search begins, less with each: of times in s, of pressures in Pa.
const DOUBTS: [(f64, f64); 9] = [
    (0.2, 2e4),
    (0.1, 8e3),
    (0.05, 3e3),
    (0.025, 1e3),
    (0.012, 400.0),
    (0.008, 150.0),
    (0.005, 60.0),
    (0.004, 25.0),
    (0.0, 10.0),
];

/// Noise that is taken where a channel tells none, as a share of a count.
const QUIET: f64 = 0.5;

/// Fits a bench.
///
/// # Errors
/// In words: where the recordings do not go together, or the plant cannot follow them.
pub fn identify(task: &Task<'_>) -> Result<Identified, String> {
    let first = task.tight.first().ok_or("no recording of a tight valve")?;
    let volume = first.rig.far_volume_m3;
    let volume_u_rel = first.rig.far_volume_u_rel.max(1e-4);
    for other in task.tight.iter().chain(task.with_leak).chain(task.held_out) {
        if other.rig.far_volume_m3.to_bits() != first.rig.far_volume_m3.to_bits() {
            let (here, there) = (other.rig.far_volume_m3 * 1e6, first.rig.far_volume_m3 * 1e6);
            return Err(format!(
                "{}: far_volume is {here} cm³, and {there} cm³ in {}: not the same rig and adapter",
                other.name, first.name
            ));
        }
    }
    let mut before = Guess::of(&task.before.plant);
    before.plant.atmosphere_pa = first.rig.atmosphere_pa;
    // The regulator is read off the soak: a first guess that is far off would cost many steps.
    before.plant.regulator_set_pa = first.target_pa.clamp(0.0, 1.2e6);
    // Far volume and cavity as the rig has them, in the proportion of the valve.
    let share = before.plant.cavity_volume_m3 / (before.plant.cavity_volume_m3 + before.plant.far_volume_m3);
    before.plant.cavity_volume_m3 = (volume * share).max(1e-9);
    before.plant.far_volume_m3 = (volume * (1.0 - share)).max(1e-7);
    let tight = task.tight.iter().map(|trace| Fitted { trace, with_leak: false });
    let leaking = task.with_leak.iter().map(|trace| Fitted { trace, with_leak: true });
    let recordings: Vec<Fitted<'_>> = tight.chain(leaking).collect();
    let mut problem = BenchProblem::new(recordings, before, volume, SCATTER_FIRST);
    let cannot = || {
        "the plant cannot be made to follow these recordings: are valve file and recordings of the same kind of bench?"
            .to_owned()
    };
    // From what is thought; and where that ends beside the recordings, from other places, of which the best counts.
    let mut best: Option<Descent> = None;
    for start in 0..=RESTARTS {
        let found = descend(&mut problem, first, start);
        best = match (best, found) {
            (Some(best), Some(found)) if found.widened < best.widened => Some(found),
            (best, found) => best.or(found),
        };
        if best.as_ref().is_some_and(|best| best.widened <= check::CLEARLY) {
            break;
        }
    }
    let Descent { mut z, noise, weighing, normal, scatter, widened } = best.ok_or_else(cannot)?;
    problem.scatter = scatter;
    problem.weigh(&z, &weighing, Doubt::default()).ok_or_else(cannot)?;
    let covariance = covariance(&normal).ok_or_else(cannot)?;
    let u_of = |i: usize| covariance.get(i).and_then(|row| row.get(i)).map_or(1.0, |v| v.max(0.0).sqrt() * widened);
    let known_z = WithU { value: z[KNOWN] * KNOWN_UNIT, u: u_of(KNOWN) * KNOWN_UNIT };
    let scale = scale(volume_u_rel, task.known_leak.map(|known| (known, known_z)))?;
    let scale_u = scale.factor.u / scale.factor.value;
    let u_ratios: Vec<f64> =
        PARAMETERS.iter().enumerate().map(|(i, one)| u_of(i).hypot(one.scales_z() * scale_u).min(1.0)).collect();
    let told: Vec<bool> = u_ratios.iter().map(|ratio| *ratio < TOLD).collect();
    // What the recordings do not tell goes back to where it was, and the others take their places beside it.
    if told.contains(&false) {
        for (i, told) in told.iter().enumerate().filter(|(_, told)| !**told) {
            (z[i], problem.free[i]) = (0.0, *told);
        }
        let _ = search(&problem, &mut z, &problem.free, NEAR).ok_or_else(cannot)?;
    }
    let misses = check::misses(&problem, &z);
    let guess = scaled(&problem.guess(&z), &told, &scale);
    let found: Vec<Found> = PARAMETERS
        .iter()
        .zip(u_ratios.iter().zip(&told))
        .map(|(parameter, (u_ratio, told))| Found {
            parameter,
            before: parameter.get(&before),
            value: parameter.get(&guess),
            u_ratio: *u_ratio,
            told: *told,
        })
        .collect();
    let held_out = task
        .held_out
        .iter()
        .map(|trace| check::predict(trace, &problem, &z, &covariance, &weighing).ok_or_else(cannot))
        .collect::<Result<_, _>>()?;
    let trapped = WithU { value: volume * scale.factor.value, u: volume * scale.factor.u };
    let loss = z[MEAN] * LEAK_UNIT * scale.factor.value;
    let loss = WithU { value: loss, u: (u_of(MEAN) * LEAK_UNIT).hypot(loss * scale_u) };
    let (scenario, rig) = written(&task.before, &guess, &noise, loss, trapped, &first.rig);
    Ok(Identified {
        found,
        trapped,
        trapped_before: WithU { value: volume, u: volume * volume_u_rel },
        scale,
        loss,
        loss_scatter: problem.scatter,
        sides: task.tight.iter().map(RunReadings::sides).sum(),
        noise,
        misses,
        widened,
        held_out,
        shown: check::readings(&problem, &z, 0),
        fitted: problem.recordings.iter().map(|one| one.trace.name.clone()).collect(),
        scenario,
        rig,
    })
}

/// Searches from other places where the first has ended beside the recordings. They are drawn, the same each time, a third of the
/// standard deviation before the fit about what is thought: nearer than that the first search would have ended at the same place.
const RESTARTS: u64 = 4;
const RESTART_Z: f64 = 0.35;

/// Where a search has ended.
struct Descent {
    z: Vec<f64>,
    noise: [Option<SensorNoise>; 2],
    weighing: [SensorNoise; 2],
    normal: solve::Normal,
    scatter: f64,
    widened: f64,
}

/// A whole search, from the place of this number; `None` where the plant is not valid on the way.
fn descend(problem: &mut BenchProblem<'_>, first: &RunReadings, start: u64) -> Option<Descent> {
    problem.scatter = SCATTER_FIRST;
    let weighing = noise_or_rounding(&noise_of(problem, None), first);
    let mut z = vec![0.0; problem.parameters()];
    if start > 0 {
        let mut draw = Noise::new(start, Stream::Fleet);
        let own = z.iter_mut().take(PARAMETERS.len());
        own.for_each(|z| *z = RESTART_Z * draw.normal().clamp(-2.0, 2.0));
    }
    let begun = begin(problem, &weighing, &z)?;
    z.iter_mut().zip(begun).for_each(|(z, begun)| *z = begun);
    // All recordings from here on. Weights where the pressure is steep follow from the plant found, and the scatter of losses from
    // the losses.
    problem.coarse = true;
    problem.weigh(&z, &weighing, Doubt::default())?;
    let _ = search(problem, &mut z, &problem.free, ROUGHLY)?;
    problem.scatter = scatter(problem, &z);
    let noise = noise_of(problem, Some(&z));
    let weighing = noise_or_rounding(&noise, first);
    problem.coarse = false;
    problem.weigh(&z, &weighing, Doubt::default())?;
    let normal = search(problem, &mut z, &problem.free, NEAR)?;
    let widened = check::widening(&misses(problem, &z));
    Some(Descent { z, noise, weighing, normal, scatter: problem.scatter, widened })
}

/// A first search, in one recording alone: what all have in common.
fn begin(problem: &BenchProblem<'_>, noise: &[SensorNoise; 2], start: &[f64]) -> Option<Vec<f64>> {
    let recordings = problem.recordings.iter().take(1).cloned().collect();
    let mut first = BenchProblem::new(recordings, problem.before, problem.volume, problem.scatter);
    first.coarse = true;
    let mut z: Vec<f64> = start.iter().copied().take(first.parameters()).collect();
    for (timing_s, pascals) in DOUBTS {
        first.weigh(&z, noise, Doubt { timing_s, pascals })?;
        search(&first, &mut z, &first.free, ROUGHLY)?;
    }
    z.truncate(MEAN + 1);
    Some(z)
}

/// Noise of both channels over all recordings; less the plant at `z`, once there is one: heat and creep would pass for 1/f noise.
fn noise_of(problem: &BenchProblem<'_>, z: Option<&[f64]>) -> [Option<SensorNoise>; 2] {
    std::array::from_fn(|channel| {
        let per_count = problem.recordings.first().map_or(1.0, |one| one.trace.per_count[channel]);
        let mut quiet = Vec::new();
        for (place, recording) in problem.recordings.iter().enumerate() {
            let trace = recording.trace;
            let off = z.and_then(|z| problem.residuals(z, place));
            for readings in &trace.quiet[channel] {
                quiet.push(match &off {
                    Some(off) => {
                        let stretches = trace.channels()[channel].iter().zip(&off[channel]);
                        let curve: Vec<_> = stretches.map(|(it, off)| (it.at_s(), it.mean - off)).collect();
                        noise::less_curve(readings, &curve)
                    }
                    None => readings.iter().map(|(_, pascals)| *pascals).collect(),
                });
            }
        }
        noise::noise(&quiet, per_count)
    })
}

/// What readings are weighed by: where the noise is not told, half a count.
fn noise_or_rounding(noise: &[Option<SensorNoise>; 2], trace: &RunReadings) -> [SensorNoise; 2] {
    std::array::from_fn(|channel| {
        noise[channel].unwrap_or(SensorNoise { white: QUIET * trace.per_count[channel], ..SensorNoise::default() })
    })
}

/// Standard deviation of the losses of tight sides about their mean.
fn scatter(problem: &BenchProblem<'_>, z: &[f64]) -> f64 {
    let losses: Vec<f64> = problem
        .recordings
        .iter()
        .enumerate()
        .filter(|(_, one)| !one.with_leak)
        .flat_map(|(place, one)| problem.leaks(z, place).into_iter().take(one.trace.sides()))
        .collect();
    if losses.len() < 3 {
        return SCATTER_FIRST;
    }
    let n = losses.len() as f64;
    let mean = losses.iter().sum::<f64>() / n;
    let variance = losses.iter().map(|loss| (loss - mean).powi(2)).sum::<f64>() / (n - 1.0);
    variance.sqrt().max(SCATTER_LEAST)
}

/// A plant with everything that was told larger by a factor, in proportion.
fn scaled(guess: &Guess, told: &[bool], scale: &Scale) -> Guess {
    let mut scaled = *guess;
    for (parameter, _) in PARAMETERS.iter().zip(told).filter(|(_, told)| **told) {
        let power = parameter.scales();
        let factor = if power < 0.0 { scale.factor.value.recip() } else { scale.factor.value };
        if let (Some(field), true) = (parameter.field(), power != 0.0) {
            let value = (field.get)(&guess.plant) * factor;
            (field.set)(&mut scaled.plant, value.clamp(field.min, field.max));
        }
    }
    scaled
}

/// The valve and the rig that describe the bench.
fn written(
    before: &Scenario,
    guess: &Guess,
    noise: &[Option<SensorNoise>; 2],
    loss: WithU,
    trapped: WithU,
    rig: &RawRig,
) -> (Scenario, RawRig) {
    let mut scenario = *before;
    scenario.plant = guess.plant;
    for parameter in PARAMETERS {
        if let Some(field) = parameter.field() {
            (field.set)(&mut scenario.plant, six_digits((field.get)(&guess.plant)).clamp(field.min, field.max));
        }
    }
    predict::keep_rules(&mut scenario.plant);
    scenario.plant.tolerance = before.plant.tolerance;
    scenario.plant.dead_time_ms = (guess.dead_s * 1e3).round() as u32;
    scenario.plant.rig_leak = seathold_sim::config::LeakSpec::viscous(six_digits(loss.value.max(0.0)));
    for (sensor, noise) in [&mut scenario.far, &mut scenario.supply].into_iter().zip(noise) {
        if let Some(noise) = noise {
            let most = |pascals: f64| six_digits(pascals.min(20_000.0));
            (sensor.noise_pa, sensor.pink_pa) = (most(noise.white), most(noise.pink));
        }
        // The fit had neither, and the transducer's zero is taken anew in each run.
        (sensor.lag_s, sensor.hysteresis_pa, sensor.offset_pa, sensor.drift_pa_s) = (0.0, 0.0, 0.0, 0.0);
    }
    let rig = RawRig {
        far_volume_m3: six_digits(trapped.value).clamp(1e-7, 0.1),
        far_volume_u_rel: six_digits(trapped.u / trapped.value).clamp(1e-4, 0.5),
        ..*rig
    };
    (scenario, rig)
}

/// Without the digits that mean nothing.
fn six_digits(value: f64) -> f64 {
    format!("{value:.5e}").parse().unwrap_or(value)
}
