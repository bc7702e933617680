//! What a recipe comes to: the shipped sequencer with it on many drawn valves, and their verdicts counted.

use rayon::prelude::*;
use seathold_sequencer::event::{Event, Fault, Phase};
use seathold_sequencer::input::Sides;
use seathold_sequencer::measure::LeakEstimate;
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::rig::{RawRig, Transducer};
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::time::millis;
use seathold_sequencer::verdict::{Reason, SideResult, Verdict};
use seathold_sim::bench::SimBench;

use super::PlanGoal;
use super::nature::{Drawn, draw};
use crate::fleet::sampling::seed_of;
use crate::tune::rates::Rate;

/// Coverage of the intervals that shares are stated with.
pub const SHARE_COVERAGE: f64 = 0.95;

/// Half of what lies outside a range of times or uncertainties.
const TAIL: f64 = 0.05;

/// Runs made at once; after each, hopeless ones are given up.
const BATCH: u32 = 8;

/// One run over one side.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RunOutcome {
    /// The side's result; `None` where the run did not end by itself.
    pub result: Option<SideResult>,
    /// From the beginning of measuring to the verdict, s.
    pub seconds: f64,
    /// The fault that ended it, if one did.
    pub fault: Option<Fault>,
}

impl RunOutcome {
    pub(super) fn is(&self, verdict: Verdict) -> bool {
        self.result.is_some_and(|result| result.verdict == verdict)
    }

    /// The estimate at the verdict.
    pub fn estimate(&self) -> Option<LeakEstimate> {
        self.result.and_then(|result| result.estimate)
    }
}

/// How many runs had which verdict.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct VerdictCounts {
    /// All of them.
    pub runs: u32,
    /// Called tight.
    pub tight: u32,
    /// Called leaking.
    pub leaking: u32,
    /// Void, which is undecided too: a rise, a window disturbed too often, a pressure out of its band.
    pub void: u32,
    /// Why most of those were, and the fault where it was one.
    pub void_reason: Option<(Reason, Option<Fault>)>,
}

impl VerdictCounts {
    fn of(runs: &[RunOutcome]) -> Self {
        let count = |verdict| runs.iter().filter(|run| run.is(verdict)).count() as u32;
        Self {
            runs: runs.len() as u32,
            tight: count(Verdict::Tight),
            leaking: count(Verdict::Leaking),
            void: count(Verdict::Void),
            void_reason: most_common(runs),
        }
    }

    /// Neither tight nor leaking.
    pub const fn undecided(&self) -> u32 {
        self.runs - self.tight - self.leaking
    }

    /// A count as a share of all.
    pub fn share(&self, count: u32) -> f64 {
        f64::from(count) / f64::from(self.runs.max(1))
    }

    /// The interval that covers a true share with [`SHARE_COVERAGE`] (Clopper & Pearson, Biometrika 26, 1934).
    pub fn interval(&self, count: u32) -> (f64, f64) {
        Rate::of(count, self.runs).interval(SHARE_COVERAGE).into_inner()
    }
}

/// The reason that most void runs have, the first of several.
fn most_common(runs: &[RunOutcome]) -> Option<(Reason, Option<Fault>)> {
    let void = runs.iter().filter(|run| run.is(Verdict::Void));
    let reasons: Vec<_> = void.filter_map(|run| Some((run.result?.reason, run.fault))).collect();
    let count = |reason: &(Reason, Option<Fault>)| reasons.iter().filter(|other| *other == reason).count();
    reasons.iter().rev().max_by_key(|reason| count(reason)).copied()
}

/// Median, and the range that holds nine in ten.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spread {
    /// A twentieth are below.
    pub low: f64,
    /// Half are.
    pub median: f64,
    /// A twentieth are above.
    pub high: f64,
}

impl Spread {
    /// Of these values; `None` of none.
    pub fn of(mut values: Vec<f64>) -> Option<Self> {
        values.retain(|value| value.is_finite());
        values.sort_by(f64::total_cmp);
        Some(Self {
            low: quantile(&values, TAIL)?,
            median: quantile(&values, 0.5)?,
            high: quantile(&values, 1.0 - TAIL)?,
        })
    }
}

/// A quantile of sorted values, between neighbours in proportion (the most common definition; Hyndman & Fan, *Sample quantiles
/// in statistical packages*, 1996, number 7, *memory*).
pub fn quantile(sorted: &[f64], at: f64) -> Option<f64> {
    let place = at * (sorted.len().checked_sub(1)? as f64);
    let below = place.floor();
    let (low, high) = (sorted.get(below as usize)?, sorted.get(place.ceil() as usize)?);
    Some(low + (high - low) * (place - below))
}

/// What a recipe comes to for valves of one leak.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Forecast {
    /// Their leak, as a ratio to the limit.
    pub share: f64,
    /// Verdicts.
    pub counts: VerdictCounts,
    /// Expanded uncertainty in the longest window, whether or not the verdict comes sooner, Pa·m³/s.
    pub expanded_longest: Option<Spread>,
    /// The same at the verdict.
    pub expanded_verdict: Option<Spread>,
    /// From the beginning of measuring to the verdict, s.
    pub seconds: Option<Spread>,
    /// The estimate of the longest window whose uncertainty is the median one.
    pub typical: Option<LeakEstimate>,
}

/// When a series of runs is given up: more than so many without the wanted verdict are no accident.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wanted {
    /// The verdict.
    pub verdict: Verdict,
    /// The share that must have it.
    pub power: f64,
}

impl Wanted {
    /// Whether so many of so many, without it, are more than chance explains: by over two and a half standard deviations and
    /// one (ours).
    fn is_hopeless(&self, without: u32, runs: u32) -> bool {
        let (n, miss) = (f64::from(runs), 1.0 - self.power);
        f64::from(without) > n * miss + 2.5 * (n * miss * self.power).sqrt() + 1.0
    }
}

/// Runs of a recipe over valves whose leak is `share` of the limit. With `wanted`, no further than it can be reached.
pub fn runs(
    goal: &PlanGoal,
    recipe: &RawRecipe,
    share: f64,
    seed: u64,
    most: u32,
    wanted: Option<Wanted>,
) -> Vec<RunOutcome> {
    let real_ms = recipe.sample_period_ms;
    let (recipe, goal) = coarsened(goal, recipe);
    let mut all: Vec<RunOutcome> = Vec::new();
    while (all.len() as u32) < most {
        let from = all.len() as u32;
        let batch = if wanted.is_some() { BATCH } else { most };
        let made: Vec<RunOutcome> = (from..(from + batch).min(most))
            .into_par_iter()
            .map(|number| {
                let [valve, noise] = [seed, !seed].map(|seed| seed_of(seed, u64::from(number)));
                run_coarsened(&draw(&goal, &recipe, share, valve), &recipe, real_ms, noise)
            })
            .collect();
        all.extend(made);
        if let Some(wanted) = wanted {
            let without = all.iter().filter(|run| !run.is(wanted.verdict)).count() as u32;
            if wanted.is_hopeless(without, all.len() as u32) {
                break;
            }
        }
    }
    all
}

/// Counts of runs, and a series more to the end of the longest window, for its uncertainty.
pub fn forecast(
    goal: &PlanGoal,
    recipe: &RawRecipe,
    share: f64,
    made: &[RunOutcome],
    seed: u64,
    longest: u32,
) -> Forecast {
    let to_the_end = RawRecipe { measure_ms_min: recipe.measure_ms_max, ..*recipe };
    let ends = runs(goal, &to_the_end, share, seed, longest, None);
    let expanded = |runs: &[RunOutcome]| {
        Spread::of(runs.iter().filter_map(|run| Some(run.estimate()?.expanded.pa_m3_s())).collect())
    };
    let expanded_longest = expanded(&ends);
    let off = |estimate: &LeakEstimate| {
        expanded_longest.map_or(0.0, |spread| (estimate.expanded.pa_m3_s() - spread.median).abs())
    };
    Forecast {
        share,
        counts: VerdictCounts::of(made),
        expanded_longest,
        expanded_verdict: expanded(made),
        seconds: Spread::of(made.iter().map(|run| run.seconds).collect()),
        typical: ends.iter().filter_map(RunOutcome::estimate).min_by(|a, b| off(a).total_cmp(&off(b))),
    }
}

/// One side through the sequencer.
pub fn run(drawn: &Drawn, recipe: &RawRecipe, seed: u64) -> RunOutcome {
    run_coarsened(drawn, recipe, recipe.sample_period_ms, seed)
}

fn run_coarsened(drawn: &Drawn, recipe: &RawRecipe, real_ms: u32, seed: u64) -> RunOutcome {
    sequenced(drawn, recipe, real_ms, seed).unwrap_or(RunOutcome { result: None, seconds: 0.0, fault: None })
}

/// `None` where rig, recipe or valve are refused, or the run does not end.
fn sequenced(drawn: &Drawn, recipe: &RawRecipe, real_ms: u32, seed: u64) -> Option<RunOutcome> {
    let rig = drawn.rig.validate().ok()?;
    let checked = recipe.validate(&rig).ok()?;
    let mut bench =
        SimBench::with(&drawn.scenario, rig.raw(), seed, Sides::First, millis(recipe.sample_period_ms)).ok()?;
    let mut sequencer = Sequencer::new(rig, Some(checked));
    let (mut began, mut ended, mut restarted, mut fault) = (None, None, false, None);
    for _ in 0..polls_at_most(recipe) {
        let record = bench.poll(&mut sequencer);
        for event in &record.events {
            match event {
                Event::Entered { phase: Phase::Measure, .. } => began = Some(record.at),
                Event::Entered { phase: Phase::SafeVent, side: Some(_) } => ended = Some(record.at),
                Event::Restarted(_) => restarted = true,
                Event::Faulted(why) => fault = fault.or(Some(*why)),
                Event::SideFinished(result) => {
                    let s = |at: Option<seathold_sequencer::time::Instant>| at.map(|at| at.as_ticks() as f64 / 1e6);
                    let seconds = s(ended).zip(s(began)).map_or(0.0, |(ended, began)| (ended - began).max(0.0));
                    // The fit takes some polls: fewer seconds where each is shorter.
                    let fit_s = result.estimate.map_or(0.0, |estimate| seconds - f64::from(estimate.window_ms) / 1e3);
                    let too_long = 1.0 - f64::from(real_ms) / f64::from(recipe.sample_period_ms.max(1));
                    let seconds = if restarted { seconds } else { seconds - fit_s.max(0.0) * too_long };
                    return Some(RunOutcome { result: Some(*result), seconds, fault });
                }
                _ => {}
            }
        }
    }
    None
}

/// Polls that no side takes longer than: what its phases may last, and two minutes for the operator.
fn polls_at_most(recipe: &RawRecipe) -> u64 {
    let ms = [
        recipe.zero_ms,
        recipe.fill_ms_max,
        recipe.soak_ms,
        recipe.isolate_ms_max,
        recipe.vent_ms_max,
        recipe.settle_ms,
        recipe.measure_ms_max,
        recipe.measure_ms_max / 5,
        120_000,
    ];
    ms.iter().map(|ms| u64::from(*ms)).sum::<u64>() / u64::from(recipe.sample_period_ms.max(1))
}

/// Readings that the shortest window holds at least where several are taken as one.
const READINGS: u32 = 1_600;

/// The same question with fewer readings, each as good as several, so that a long window costs no more than a short one. The fit
/// works on 64 block means in any case. Only where noise hides the steps of the converter: then white noise less by the root of
/// the number of readings in one comes to the same slope and the same uncertainty.
fn coarsened(goal: &PlanGoal, recipe: &RawRecipe) -> (RawRecipe, PlanGoal) {
    let step = goal.rig.far.pa_per_count;
    let longest_ms = (recipe.measure_ms_min / READINGS).min(goal.rig.poll_gap_ms_max / 4).min(50);
    let several = longest_ms / recipe.sample_period_ms.max(1);
    if several < 2 || goal.noise_pa < step / 2.0 {
        return (*recipe, *goal);
    }
    let root = f64::from(several).sqrt();
    let noise_pa = goal.noise_pa / root;
    let mut rig: RawRig = goal.rig;
    if noise_pa < step {
        let Some(far) = finer(&rig.far, root) else { return (*recipe, *goal) };
        rig.far = far;
    }
    let sample_period_ms = several * recipe.sample_period_ms;
    // The zero and the first window must hold so many readings.
    let zero_ms = recipe.zero_ms.max(64 * sample_period_ms);
    (RawRecipe { sample_period_ms, zero_ms, ..*recipe }, PlanGoal { rig, noise_pa, ..*goal })
}

/// Time between the polls of a simulated run, ms.
pub(super) fn polled_ms(goal: &PlanGoal, recipe: &RawRecipe) -> f64 {
    f64::from(coarsened(goal, recipe).0.sample_period_ms.max(1))
}

/// The same transducer with steps so many times finer, where a rig may have such.
fn finer(far: &Transducer, times: f64) -> Option<Transducer> {
    let count = |counts: i32| {
        let scaled = f64::from(counts) * times;
        (scaled.abs() < 16e6).then_some(scaled as i32)
    };
    Some(Transducer {
        zero_counts: count(far.zero_counts)?,
        pa_per_count: far.pa_per_count / times,
        counts_min: count(far.counts_min)?,
        counts_max: count(far.counts_max)?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Quantiles worked out by hand.
    #[test]
    fn quantiles_lie_between_neighbours() {
        assert_eq!(quantile(&[1.0, 2.0, 4.0], 0.5), Some(2.0));
        assert_eq!(quantile(&[1.0, 2.0, 4.0], 0.75), Some(3.0));
        assert_eq!(quantile(&[], 0.5), None);
        assert_eq!(Spread::of(vec![f64::NAN]), None);
    }

    /// Clopper & Pearson: of none in 100, 0 to 1 − 0.025^(1/100) = 3.62 %.
    #[test]
    fn shares_have_intervals() {
        let counts = VerdictCounts { runs: 100, tight: 0, leaking: 100, void: 0, void_reason: None };
        let (low, high) = counts.interval(counts.tight);
        assert!(low == 0.0 && (high - 0.036_217).abs() < 1e-5, "{high}");
        assert_eq!((counts.undecided(), counts.share(counts.leaking)), (0, 1.0));
    }
}
