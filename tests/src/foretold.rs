//! What `plan` foretells against what comes: plans drawn at random, and valves that no plan was made on.

use seathold_analysis::fleet::sampling::seed_of;
use seathold_analysis::plan::forecast::{Forecast, RunOutcome, Spread, VerdictCounts, run};
use seathold_analysis::plan::nature::{Drawn, draw};
use seathold_analysis::plan::{Effort, Plan, PlanGoal, PlanOutcome, TimeConstantKnowledge};
use seathold_sequencer::recipe::{Actuation, RawRecipe};
use seathold_sequencer::rig::{RawRig, Transducer};
use seathold_sequencer::units::LeakRate;
use seathold_sequencer::verdict::Verdict;
use seathold_sim::noise::{Noise, Stream};

/// Valves to test a plan on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Valves {
    /// Drawn as `plan` draws them, with other seeds.
    AsPlanned,
    /// With cavity, wall and seats drawn between other bounds, those of the third draw of `measuring.rs`, and some 1/f noise.
    Others,
}

/// What came of a plan beside what was foretold.
#[derive(Clone, Copy, Debug)]
pub struct Comparison {
    /// Median expanded uncertainty at the verdict over the one foretold, for good valves.
    pub expanded_ratio: f64,
    /// The same of the time to the verdict.
    pub time_ratio: f64,
    /// Share of good valves called tight: foretold, and its interval; and what came.
    pub tight: (f64, (f64, f64), f64),
    /// Share of bad valves called leaking.
    pub leaking: (f64, (f64, f64), f64),
}

/// A question drawn at random; its time constant is known in every other.
pub fn question(number: u64, effort: Effort) -> PlanGoal {
    let mut chance = Noise::new(seed_of(0x0061_736b_6564, number), Stream::Fleet);
    let mut between = |low: f64, high: f64| low * (high / low).powf(chance.uniform());
    let volume = between(10e-6, 200e-6);
    let step = between(2.0, 30.0);
    let counts = (990_000.0 / step) as i32;
    let known = number.is_multiple_of(2);
    let rig = RawRig {
        far_volume_m3: volume,
        far_volume_u_rel: between(0.005, 0.03),
        far: Transducer { zero_counts: 0, pa_per_count: step, counts_min: -counts / 10, counts_max: counts },
        tau_s: known.then(|| between(0.8, 6.0)),
        tau_u_rel: between(0.05, 0.25),
        background_u_pa_m3_s: between(1e-6, 1e-5),
        ..RawRig::DEMO
    };
    PlanGoal {
        rig,
        actuation: Actuation::Air,
        target_pa: between(3e5, 8e5) as u32,
        // A fall of 6 to 60 Pa/s at the limit.
        limit: LeakRate::from_pa_m3_s(volume * between(6.0, 60.0)),
        reference_k: 293.15,
        reference_pa: 100_000.0,
        noise_pa: between(5.0, 60.0),
        sample_period_ms: 10,
        tau: if known { TimeConstantKnowledge::Calibrated } else { TimeConstantKnowledge::Unknown },
        false_accept: 0.01,
        false_reject: 0.01,
        coverage: 0.95,
        good: between(0.05, 0.4),
        bad: between(1.6, 4.0),
        power: 0.95,
        longest_s: 300.0,
        least_s: 0.0,
        wait_max_s: None,
        volume_is_free: false,
        blank_runs_simulated: false,
        rig_leak_pa_m3_s: 0.0,
        effort,
    }
}

/// The plan for it, if the rig can.
pub fn plan(goal: &PlanGoal) -> Option<Plan> {
    match goal.plan().expect("it fits together") {
        PlanOutcome::Can(plan) => Some(*plan),
        PlanOutcome::Cannot(_) => None,
    }
}

/// Side `number` of a plan's valves.
fn side(goal: &PlanGoal, recipe: &RawRecipe, share: f64, valves: Valves, seed: u64) -> Drawn {
    let mut drawn = draw(goal, recipe, share, seed);
    if valves == Valves::Others {
        let mut chance = Noise::new(seed, Stream::Grit);
        let mut between = |low: f64, high: f64| low * (high / low).powf(chance.uniform());
        let plant = &mut drawn.scenario.plant;
        let scale = goal.rig.far_volume_m3 / 45e-6;
        plant.wall_ratio = between(400.0, 8_000.0);
        plant.creep_m3 = scale * between(2e-10, 8e-9);
        plant.creep_tau_s = between(0.4, 10.0);
        plant.cavity_tau_s = between(0.15, 2.0);
        drawn.scenario.far.pink_pa = goal.noise_pa / 10.0;
    }
    drawn
}

/// Runs `runs` good and as many bad valves with the plan's recipe, every reading of them simulated.
pub fn compare(goal: &PlanGoal, plan: &Plan, valves: Valves, runs: u32, seed: u64) -> Comparison {
    let came = |share: f64| -> Vec<RunOutcome> {
        (0..u64::from(runs))
            .map(|number| {
                let seed = seed_of(seed, number);
                run(&side(goal, &plan.recipe, share, valves, seed), &plan.recipe, seed)
            })
            .collect()
    };
    let of = |runs: &[RunOutcome], verdict: Verdict| {
        runs.iter().filter(|run| run.result.is_some_and(|r| r.verdict == verdict)).count() as f64 / runs.len() as f64
    };
    let (good, bad) = (came(plan.good.share), came(plan.bad.share));
    let median = |values: Vec<f64>| Spread::of(values).map_or(f64::NAN, |spread| spread.median);
    let foretold = |spread: Option<Spread>| spread.map_or(f64::NAN, |spread| spread.median);
    let expanded = median(good.iter().filter_map(|run| Some(run.estimate()?.expanded.pa_m3_s())).collect());
    let seconds = median(good.iter().map(|run| run.seconds).collect());
    let shares = |forecast: &Forecast, count: u32, came: f64| {
        (forecast.counts.share(count), forecast.counts.interval(count), came)
    };
    Comparison {
        expanded_ratio: expanded / foretold(plan.good.expanded_verdict),
        time_ratio: seconds / foretold(plan.good.seconds),
        tight: shares(&plan.good, plan.good.counts.tight, of(&good, Verdict::Tight)),
        leaking: shares(&plan.bad, plan.bad.counts.leaking, of(&bad, Verdict::Leaking)),
    }
}

/// Whether what came, of so many, is no more than chance from what was foretold: their intervals overlap.
pub fn agrees((_, (low, high), came): (f64, (f64, f64), f64), runs: u32) -> bool {
    let counts = VerdictCounts { runs, ..VerdictCounts::default() };
    let (least, most) = counts.interval((came * f64::from(runs)).round() as u32);
    low <= most && least <= high
}

/// Whether what came lies in what was foretold.
pub fn is_within((_, (low, high), came): (f64, (f64, f64), f64)) -> bool {
    (low..=high).contains(&came)
}
