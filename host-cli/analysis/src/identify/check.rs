//! How far readings lie from the plant: phase by phase, and in recordings that took no part in the fit.

use seathold_sequencer::event::Phase;
use seathold_sequencer::input::Side;

use super::noise::SensorNoise;
use super::parameter::PARAMETERS;
use super::predict::Shown;
use super::problem::{BenchProblem, Doubt, Fitted, MEAN};
use super::solve::{Matrix, NEAR, search, solve};
use super::trace::RunReadings;

/// How a phase is missed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Miss {
    /// The phase.
    pub phase: Phase,
    /// 0 for the far side's transducer, 1 for the supply side's.
    pub channel: usize,
    /// Root mean square of readings less plant over their noise: 1 where the plant is right.
    pub over_noise: f64,
    /// Root mean square of readings less plant, Pa.
    pub rms_pa: f64,
    /// Stretches in it.
    pub count: usize,
}

/// A stretch of readings against the plant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// Seconds from the beginning.
    pub at_s: f64,
    /// Gauge pressure read, Pa.
    pub read_pa: f64,
    /// Readings less plant, Pa.
    pub off_pa: f64,
    /// The same over its noise, freed of what readings before it told.
    pub over_noise: f64,
    /// The phase.
    pub phase: Phase,
    /// The side.
    pub side: Side,
}

/// A recording that took no part, as it is predicted.
#[derive(Clone, Debug)]
pub struct HeldOut {
    /// The file.
    pub name: String,
    /// Root mean square over the noise, of all stretches.
    pub over_noise: f64,
    /// What it would be if the plant were right: a little above 1, for what is uncertain of its parameters.
    pub expected: f64,
    /// The same two while the far side is held: what a test judges.
    pub held_over_noise: f64,
    /// See above.
    pub held_expected: f64,
    /// Root mean square of readings less plant while it is held, Pa.
    pub held_rms_pa: f64,
    /// The stretch that is missed most.
    pub worst: Option<Reading>,
    /// Phase by phase.
    pub misses: Vec<Miss>,
    /// The far side, for the eye.
    pub shown: Vec<Reading>,
}

/// Beyond this many times what is expected a recording is clearly missed (our judgement: with hundreds of stretches, chance stays
/// within a tenth).
pub const CLEARLY: f64 = 2.0;

/// From this many times on it is not within its noise.
pub const WITHIN: f64 = 1.3;

impl HeldOut {
    /// Over the noise, as a multiple of what is expected: of all, or of the hold, whichever is worse.
    pub fn multiple(&self) -> f64 {
        (self.over_noise / self.expected).max(self.held_over_noise / self.held_expected)
    }

    /// Whether the plant does not describe it.
    pub fn is_missed(&self) -> bool {
        // Written so that a NaN is a miss.
        !(self.multiple() <= CLEARLY)
    }
}

/// Fewest stretches of a phase that say anything of it.
const FEWEST: usize = 20;

/// How the recordings of a problem are missed, phase by phase.
pub fn misses(problem: &BenchProblem<'_>, z: &[f64]) -> Vec<Miss> {
    let mut all: Vec<Miss> = Vec::new();
    for (place, recording) in problem.recordings.iter().enumerate() {
        let (Some(off), Some(over)) = (problem.residuals(z, place), problem.standardised(z, place)) else { continue };
        for (channel, stretches) in recording.trace.channels().into_iter().enumerate() {
            for ((stretch, off), over) in stretches.iter().zip(&off[channel]).zip(&over[channel]) {
                let is = |miss: &&mut Miss| miss.phase == stretch.phase && miss.channel == channel;
                let found = all.iter_mut().find(is);
                // Squares here, roots below.
                match found {
                    Some(miss) => {
                        miss.over_noise += over * over;
                        miss.rms_pa += off * off;
                        miss.count += 1;
                    }
                    None => all.push(Miss {
                        phase: stretch.phase,
                        channel,
                        over_noise: over * over,
                        rms_pa: off * off,
                        count: 1,
                    }),
                }
            }
        }
    }
    for miss in &mut all {
        let n = miss.count as f64;
        (miss.over_noise, miss.rms_pa) = ((miss.over_noise / n).sqrt(), (miss.rms_pa / n).sqrt());
    }
    all.retain(|miss| miss.count >= FEWEST);
    all.sort_by_key(|miss| (miss.channel, Phase::ALL.iter().position(|phase| *phase == miss.phase)));
    all
}

/// By how much standard uncertainties are widened: by the phase that is missed most, where that is more than chance (R. T. Birge,
/// *Physical Review* 40 (1932) 207, who took the mean over all; from memory).
pub fn widening(misses: &[Miss]) -> f64 {
    let most = misses.iter().fold(1.0_f64, |most, miss| most.max(miss.over_noise));
    if most > WITHIN { most } else { 1.0 }
}

/// The far side of a recording against the plant.
pub fn readings(problem: &BenchProblem<'_>, z: &[f64], place: usize) -> Vec<Reading> {
    let (Some(recording), Some(off), Some(over)) =
        (problem.recordings.get(place), problem.residuals(z, place), problem.standardised(z, place))
    else {
        return Vec::new();
    };
    let each = recording.trace.far.iter().zip(&off[0]).zip(&over[0]);
    each.map(|((stretch, off), over)| Reading {
        at_s: stretch.at_s(),
        read_pa: stretch.mean,
        off_pa: *off,
        over_noise: *over,
        phase: stretch.phase,
        side: recording.trace.side(stretch.second),
    })
    .collect()
}

/// Whether the far side is held in this phase.
pub const fn is_hold(phase: Phase) -> bool {
    matches!(phase, Phase::Settle | Phase::Measure)
}

/// Predicts a recording by the plant as found. Only what no plant knows is taken from it: zeros of the transducers, and what this
/// valve loses.
pub fn predict(
    trace: &RunReadings,
    fitted: &BenchProblem<'_>,
    z: &[f64],
    covariance: &Matrix,
    noise: &[SensorNoise; 2],
) -> Option<HeldOut> {
    let recordings = vec![Fitted { trace, with_leak: false }];
    let mut problem = BenchProblem::new(recordings, fitted.before, fitted.volume, fitted.scatter);
    let mut own = vec![0.0; problem.parameters()];
    own.iter_mut().zip(z).take(MEAN + 1).for_each(|(own, z)| *own = *z);
    BenchProblem::leak_places(0).into_iter().for_each(|i| own[i] = z[MEAN]);
    problem.free.iter_mut().take(MEAN + 1).for_each(|free| *free = false);
    problem.weigh(&own, noise, Doubt::default())?;
    search(&problem, &mut own, &problem.free, NEAR)?;
    let over = problem.standardised(&own, 0)?;
    let off = problem.residuals(&own, 0)?;
    let (shared, own_columns): (Vec<_>, Vec<_>) =
        problem.columns(&own, 0, true)?.into_iter().partition(|(i, _)| *i < PARAMETERS.len());
    let columns = beside(shared, &own_columns)?;
    let (mut all, mut held, mut held_pa) = (Mean::default(), Mean::default(), 0.0);
    for (channel, stretches) in trace.channels().into_iter().enumerate() {
        for (place, stretch) in stretches.iter().enumerate() {
            let over = over[channel][place];
            let mut uncertain = 0.0;
            for (i, a) in &columns {
                for (j, b) in &columns {
                    uncertain += a[channel][place] * b[channel][place] * covariance[*i][*j];
                }
            }
            // By the noise alone: a plant that misses what was fitted must not be excused by its wide intervals.
            let expected = 1.0 + uncertain.max(0.0);
            all.add(over * over, expected);
            if channel == 0 && is_hold(stretch.phase) {
                held.add(over * over, expected);
                held_pa += off[0][place].powi(2);
            }
        }
    }
    let shown = readings(&problem, &own, 0);
    let worst = shown.iter().copied().max_by(|a, b| a.over_noise.abs().total_cmp(&b.over_noise.abs()));
    Some(HeldOut {
        name: trace.name.clone(),
        over_noise: all.root(all.square),
        expected: all.root(all.expected),
        held_over_noise: held.root(held.square),
        held_expected: held.root(held.expected),
        held_rms_pa: held.root(held_pa),
        worst,
        misses: misses(&problem, &own),
        shown,
    })
}

type Columns = Vec<(usize, Shown)>;

/// The slopes of shared parameters less what a recording's own parameters take up of them.
fn beside(mut shared: Columns, own: &Columns) -> Option<Columns> {
    let dot = |a: &Shown, b: &Shown| a.iter().flatten().zip(b.iter().flatten()).map(|(a, b)| a * b).sum::<f64>();
    let mut matrix: Matrix = own.iter().map(|(_, a)| own.iter().map(|(_, b)| dot(a, b)).collect()).collect();
    matrix.iter_mut().enumerate().for_each(|(i, row)| row[i] += 1.0);
    for (_, column) in &mut shared {
        let right: Vec<f64> = own.iter().map(|(_, own)| dot(own, column)).collect();
        let taken = solve(&matrix, &right)?;
        for ((_, own), taken) in own.iter().zip(taken) {
            for (channel, own) in column.iter_mut().zip(own) {
                channel.iter_mut().zip(own).for_each(|(value, own)| *value -= taken * own);
            }
        }
    }
    Some(shared)
}

#[derive(Default)]
struct Mean {
    square: f64,
    expected: f64,
    count: usize,
}

impl Mean {
    const fn add(&mut self, square: f64, expected: f64) {
        self.square += square;
        self.expected += expected;
        self.count += 1;
    }

    fn root(&self, sum: f64) -> f64 {
        (sum / self.count.max(1) as f64).sqrt()
    }
}
