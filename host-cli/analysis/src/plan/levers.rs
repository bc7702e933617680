//! What to change where a rig cannot decide: changes that a shop can make, each tried on simulated valves before it is offered.

use std::cmp::Ordering;

use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::rig::{BLANK_RUNS_MIN, RawRig, Thermometer, Transducer};
use seathold_sequencer::units::LeakRate;

use super::nature::draw;
use super::{LINE_REACH, PlanGoal, TimeConstantKnowledge};
use crate::calibration::bench::hold;
use crate::calibration::scatter::{looks, scatter};
use crate::fleet::sampling::seed_of;

/// One change, with what it is changed to, in SI units.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Change {
    /// Measure for up to so long.
    MeasuringTime(f64),
    /// Let the gas settle for up to so long before measuring, soak and settling together.
    WaitingTime(f64),
    /// Have a blank run find the settling time constant.
    TimeConstant,
    /// Make so many blank runs, for the background leak and what leak-free sides vary by.
    BlankRuns(u32),
    /// Calibrate the far volume to this ratio.
    VolumeCalibration(f64),
    /// Calibrate the transducer's gain to this ratio.
    GainCalibration(f64),
    /// A background leak known to this.
    BackgroundLeak(f64),
    /// A far volume of so much or less.
    Adapter(f64),
    /// A transducer with this noise or less.
    Noise(f64),
    /// A transducer with this step or a finer one.
    Resolution(f64),
    /// A thermometer in the gas.
    Thermometer,
    /// Gas whose temperature drifts by no more than this, in K/s.
    SteadierTemperature(f64),
    /// A greater leak allowed.
    Limit(f64),
}

impl Change {
    /// Its name in machine-readable output.
    pub const fn name(self) -> &'static str {
        match self {
            Self::MeasuringTime(_) => "measuring-time",
            Self::WaitingTime(_) => "waiting-time",
            Self::TimeConstant => "time-constant",
            Self::BlankRuns(_) => "blank-runs",
            Self::VolumeCalibration(_) => "volume-calibration",
            Self::GainCalibration(_) => "gain-calibration",
            Self::BackgroundLeak(_) => "background-leak",
            Self::Adapter(_) => "far-volume",
            Self::Noise(_) => "noise",
            Self::Resolution(_) => "resolution",
            Self::Thermometer => "thermometer",
            Self::SteadierTemperature(_) => "steadier-temperature",
            Self::Limit(_) => "limit",
        }
    }

    /// What it is changed to, in SI units, where that is a number.
    pub fn value(self) -> Option<f64> {
        match self {
            Self::TimeConstant | Self::Thermometer => None,
            Self::BlankRuns(runs) => Some(f64::from(runs)),
            Self::MeasuringTime(x)
            | Self::WaitingTime(x)
            | Self::VolumeCalibration(x)
            | Self::GainCalibration(x)
            | Self::BackgroundLeak(x)
            | Self::Adapter(x)
            | Self::Noise(x)
            | Self::Resolution(x)
            | Self::SteadierTemperature(x)
            | Self::Limit(x) => Some(x),
        }
    }

    /// The question with it made; `None` where it cannot be.
    fn made(self, goal: &PlanGoal) -> Option<PlanGoal> {
        let with = |rig: RawRig| Some(PlanGoal { rig, ..*goal });
        let rig = goal.rig;
        match self {
            Self::MeasuringTime(longest_s) => Some(PlanGoal { longest_s, ..*goal }),
            Self::WaitingTime(wait_s) => Some(PlanGoal { wait_max_s: Some(wait_s), ..*goal }),
            Self::TimeConstant => Some(PlanGoal { tau: TimeConstantKnowledge::ToBeFound, ..*goal }),
            Self::BlankRuns(runs) => with_blank_runs(goal, runs),
            Self::VolumeCalibration(u) => with(RawRig { far_volume_u_rel: u, ..rig }),
            Self::GainCalibration(u) => with(RawRig { gain_u_rel: u, ..rig }),
            Self::BackgroundLeak(u) => with(RawRig { background_u_pa_m3_s: u, ..rig }),
            Self::Adapter(far_volume_m3) => with(RawRig { far_volume_m3, ..rig }),
            Self::Noise(noise_pa) => Some(PlanGoal { noise_pa, ..*goal }),
            Self::Resolution(step) => with(RawRig { far: stepped(&rig.far, step), ..rig }),
            Self::Thermometer => {
                let temperature_drift_u_k_s = rig.temperature_drift_u_k_s.min(LEFT_K_S);
                with(RawRig { thermometer: Some(FINE), temperature_drift_u_k_s, ..rig })
            }
            Self::SteadierTemperature(u) => with(RawRig { temperature_drift_u_k_s: u, ..rig }),
            Self::Limit(limit) => Some(PlanGoal { limit: LeakRate::from_pa_m3_s(limit), ..*goal }),
        }
    }
}

/// Drift that a thermometer leaves, K/s: a fortieth of a degree an hour (our judgement).
pub const LEFT_K_S: f64 = 0.025 / 3_600.0;

/// Steps of 0.01 K.
const FINE: Thermometer = Thermometer { kelvin_at_zero: 0.0, kelvin_per_count: 0.01 };

/// The same range in other steps.
fn stepped(far: &Transducer, step: f64) -> Transducer {
    let counts = |counts: i32| (f64::from(counts) * far.pa_per_count / step).clamp(-16e6, 16e6) as i32;
    Transducer {
        zero_counts: counts(far.zero_counts),
        pa_per_count: step,
        counts_min: counts(far.counts_min),
        counts_max: counts(far.counts_max),
    }
}

/// A change tried.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lever {
    /// The change.
    pub change: Change,
    /// Whether good and bad valves then get their verdict as often as asked.
    pub enough: bool,
    /// The lesser of their shares that did in the trial, which is given up early where there is no hope.
    pub share: f64,
    /// How close the budget's other parts than settling gas come then: 1 would do.
    reach: f64,
}

/// Changes that are enough together.
#[derive(Clone, Debug, PartialEq)]
pub struct Together {
    /// The changes.
    pub changes: Vec<Change>,
    /// Whether they are enough.
    pub enough: bool,
    /// The share that gets its verdict with them.
    pub share: f64,
}

/// Measuring times, s.
const TIMES_S: [f64; 14] =
    [15.0, 20.0, 30.0, 45.0, 60.0, 90.0, 120.0, 180.0, 300.0, 600.0, 900.0, 1_200.0, 1_800.0, 3_600.0];

/// Limits, as ratios to the one asked for.
const LIMITS: [f64; 19] = [
    1.2, 1.5, 2.0, 3.0, 4.0, 5.0, 7.0, 10.0, 15.0, 20.0, 30.0, 50.0, 70.0, 100.0, 200.0, 500.0, 1_000.0, 2_000.0,
    5_000.0,
];

/// Most that a number can be brought down with reasonable means (our judgement, no source).
const DOWN_TO: f64 = 0.05;

/// Seeds of the blank runs.
const BLANKS_ON: u64 = 0x626c_616e_6b21;

/// Numbers of the series 1, 2, 5 below one, mildest first.
fn less(than: f64, least: f64) -> Vec<f64> {
    let mut found = Vec::new();
    if !(than > 0.0 && than.is_finite()) {
        return found;
    }
    let mut power = than.log10().floor() as i32;
    while found.len() < 5 && power > -12 {
        for digit in [5.0, 2.0, 1.0] {
            // Written as text and read, so that it is the number printed.
            let number: f64 = format!("{digit}e{power}").parse().unwrap_or(0.0);
            if number < 0.8 * than && number >= (DOWN_TO * than).max(least) && found.len() < 5 {
                found.push(number);
            }
        }
        if 10f64.powi(power) < DOWN_TO * than {
            break;
        }
        power -= 1;
    }
    found
}

/// What may be changed, each in the steps it can be had in, mildest first; the easiest first (our judgement).
fn ladders(goal: &PlanGoal) -> Vec<Vec<Change>> {
    let rig = goal.rig;
    let of = |change: fn(f64) -> Change, values: Vec<f64>| values.into_iter().map(change).collect::<Vec<_>>();
    let longer = |than: f64| TIMES_S.into_iter().filter(|s| *s > 1.2 * than).collect::<Vec<_>>();
    let wait_s = goal.longest_wait();
    let mut ladders = vec![
        of(Change::MeasuringTime, longer(goal.longest_s)),
        of(Change::WaitingTime, longer(wait_s).into_iter().filter(|s| *s <= 1_800.0).take(5).collect()),
    ];
    if goal.tau == TimeConstantKnowledge::Unknown {
        ladders.push(vec![Change::TimeConstant]);
    }
    if rig.blank_runs < 8 {
        ladders.push(vec![Change::BlankRuns(8)]);
    }
    ladders.push(of(Change::VolumeCalibration, less(rig.far_volume_u_rel, 2e-3)));
    ladders.push(of(Change::GainCalibration, less(rig.gain_u_rel, 1e-4)));
    ladders.push(of(Change::BackgroundLeak, less(rig.background_u_pa_m3_s, 0.0)));
    if goal.volume_is_free {
        let cm3 = less(rig.far_volume_m3 * 1e6, 2.0);
        ladders.push(cm3.into_iter().map(|cm3| Change::Adapter(cm3 * 1e-6)).collect());
    }
    ladders.push(of(Change::Noise, less(goal.noise_pa, 0.5)));
    ladders.push(of(Change::Resolution, less(rig.far.pa_per_count, 0.2)));
    if rig.thermometer.is_none() {
        ladders.push(vec![Change::Thermometer]);
    }
    let hourly = less(rig.temperature_drift_u_k_s * 3_600.0, 0.01);
    ladders.push(hourly.into_iter().map(|k_h| Change::SteadierTemperature(k_h / 3_600.0)).collect());
    ladders.push(LIMITS.iter().map(|times| Change::Limit(goal.limit.pa_m3_s() * times)).collect());
    ladders.retain(|ladder| !ladder.is_empty());
    ladders
}

/// One change tried.
fn lever(goal: &PlanGoal, change: Change, budget: &mut f64) -> Option<Lever> {
    let changed = change.made(goal)?;
    let (reach, tried) = changed.at_most().ok()?;
    // Some are given up early: in proportion to what they reached.
    *budget -= if reach < LINE_REACH { 0.0 } else { 0.3 + tried.share };
    let enough = tried.enough && {
        *budget -= 2.5;
        changed.is_confirmed()
    };
    Some(Lever { change, enough, share: tried.share, reach })
}

/// The mildest step of a ladder that is enough, or its last where none is.
fn least(goal: &PlanGoal, ladder: &[Change], budget: &mut f64) -> Option<Lever> {
    let strongest = ladder.iter().rev().find_map(|change| lever(goal, *change, budget))?;
    if !strongest.enough {
        return Some(strongest);
    }
    let before = ladder.iter().take_while(|change| **change != strongest.change);
    Some(before.filter_map(|change| lever(goal, *change, budget)).find(|lever| lever.enough).unwrap_or(strongest))
}

/// Polls of whole trials that may be spent on changes, so that a plan ends soon; the easy ones come first.
const BUDGET: f64 = 1.5e7;

/// What a change must add to the share of valves with a verdict to be worth a word.
const HELPS: f64 = 0.1;

/// Changes a combination may have.
const TOGETHER_MAX: usize = 3;

/// The changes that are enough, easiest first; where none is, those that help, best first, and what is enough together.
pub(super) fn levers(goal: &PlanGoal) -> (Vec<Lever>, Option<Together>) {
    let Ok((_, now)) = goal.at_most() else { return (Vec::new(), None) };
    let mut budget = BUDGET / goal.cost();
    let mut found: Vec<Lever> = Vec::new();
    for ladder in ladders(goal) {
        let is_limit = ladder.iter().any(|change| matches!(change, Change::Limit(_)));
        if budget > 0.0 || is_limit {
            found.extend(least(goal, &ladder, &mut budget));
        }
    }
    let to_the_rig = |lever: &Lever| !matches!(lever.change, Change::Limit(_));
    if found.iter().any(|lever| lever.enough && to_the_rig(lever)) {
        found.retain(|lever| lever.enough);
        return (found, None);
    }
    found.retain(|lever| lever.enough || lever.share > now.share + HELPS);
    found.sort_by(|a, b| {
        // What is enough goes last here: it is a greater limit.
        (a.enough, b.share, b.reach).partial_cmp(&(b.enough, a.share, a.reach)).unwrap_or(Ordering::Equal)
    });
    let together = together(goal, &mut budget).filter(|together| together.enough || together.share > now.share + HELPS);
    (found, together)
}

/// One change after the other, each the one that then brings most.
fn together(goal: &PlanGoal, budget: &mut f64) -> Option<Together> {
    let (mut goal, mut changes, mut share) = (*goal, Vec::new(), 0.0);
    while changes.len() < TOGETHER_MAX && *budget > 0.0 {
        let used = |change: &Change| changes.iter().any(|made: &Change| made.name() == change.name());
        let best = ladders(&goal)
            .iter()
            .filter(|ladder| !ladder.iter().any(|change| used(change) || matches!(change, Change::Limit(_))))
            .filter_map(|ladder| least(&goal, ladder, budget))
            .max_by(|a, b| {
                (a.enough, a.share, a.reach).partial_cmp(&(b.enough, b.share, b.reach)).unwrap_or(Ordering::Equal)
            })?;
        changes.push(best.change);
        goal = best.change.made(&goal)?;
        share = best.share;
        if best.enough {
            return Some(Together { changes, enough: true, share });
        }
    }
    Some(Together { changes, enough: false, share })
}

/// The question with so many blank runs made on tight valves like those to be tested, simulated.
fn with_blank_runs(goal: &PlanGoal, blank_runs: u32) -> Option<PlanGoal> {
    let runs = blank_runs.max(BLANK_RUNS_MIN);
    let rig = goal.rig.validate().ok()?;
    let blank = PlanGoal { blank_runs_simulated: true, rig_leak_pa_m3_s: goal.rig.background_pa_m3_s, ..*goal };
    let recipe = blank.raw_recipe(&rig, blank.longest_wait(), 60.0);
    let recipe = RawRecipe { measure_ms_min: 60_000, measure_ms_max: 60_000, ..recipe };
    let checked = recipe.validate(&rig).ok()?;
    let settle_s = f64::from(recipe.settle_ms) / 1e3;
    let mut sides = Vec::new();
    for number in 0..runs {
        let seed = seed_of(BLANKS_ON, u64::from(number));
        let drawn = draw(&blank, &recipe, 0.0, seed);
        let held = hold(&drawn.scenario, &drawn.rig, &recipe, seed).ok()?;
        sides.push(looks(&held.samples, &rig, &checked, settle_s, true));
    }
    let mut rig = goal.rig;
    scatter(&sides)?.apply(&mut rig);
    Some(PlanGoal { rig, ..blank })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand.
    #[test]
    fn numbers_of_the_series() {
        assert_eq!(less(20.0, 0.5), [10.0, 5.0, 2.0, 1.0]);
        assert_eq!(less(0.02, 2e-3), [0.01, 0.005, 0.002]);
        assert!(less(0.0, 0.0).is_empty());
    }
}
