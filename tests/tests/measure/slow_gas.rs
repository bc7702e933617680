//! Gas that takes longer to settle than the shortest window: what is left of settling looks straight there, and must neither hide
//! a leak nor pass for one.

use seathold_analysis::plan::TimeConstantKnowledge;
use seathold_analysis::plan::forecast::run;
use seathold_analysis::plan::nature::draw;
use seathold_analysis::plan::{Effort, PlanGoal};
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::verdict::Verdict;
use seathold_tests::foretold::question;

/// Sides at the limit of a far side that settles within so many seconds, and a cavity that settles in under half of that: how many
/// are called tight, how many leaking.
fn called(far_tau_s: f64, tau: TimeConstantKnowledge, recipe: &RawRecipe, sides: u64) -> (usize, usize) {
    let known = tau == TimeConstantKnowledge::Calibrated;
    let rig = RawRig { tau_s: known.then_some(far_tau_s), tau_u_rel: 0.1, ..RawRig::DEMO };
    let goal = PlanGoal { rig, target_pa: 600_000, limit: limit(), noise_pa: 20.0, tau, ..question(0, Effort::LEAST) };
    let verdicts = (0..sides).filter_map(|seed| {
        let mut drawn = draw(&goal, recipe, 1.0, seed);
        drawn.scenario.plant.far_tau_s = far_tau_s;
        drawn.scenario.plant.cavity_tau_s = 0.45 * far_tau_s;
        Some(run(&drawn, recipe, seed).result?.verdict)
    });
    let verdicts: Vec<Verdict> = verdicts.collect();
    let count = |verdict| verdicts.iter().filter(|v| **v == verdict).count();
    assert!(verdicts.len() as u64 == sides && count(Verdict::Void) < verdicts.len() / 5, "{verdicts:?}");
    (count(Verdict::Tight), count(Verdict::Leaking))
}

fn limit() -> seathold_sequencer::units::LeakRate {
    seathold_sequencer::units::LeakRate::from_pa_m3_s(RawRecipe::DEMO.limit_pa_m3_s)
}

/// Measured after a long soak and a rest, with looks from five seconds on.
const RESTED: RawRecipe = RawRecipe {
    soak_ms: 60_500,
    settle_ms: 29_000,
    measure_ms_min: 5_500,
    measure_ms_max: 60_000,
    target_tolerance_pa: 40_000,
    ..RawRecipe::DEMO
};

/// At most one of a hundred is promised; of sixty, four are more than that by chance in one of three hundred draws (binomial).
#[test]
fn a_leak_at_the_limit_is_not_hidden_by_slow_gas() {
    let (tight, leaking) = called(12.0, TimeConstantKnowledge::Calibrated, &RESTED, 60);
    assert!(tight < 4 && leaking < 4, "{tight} called tight, {leaking} leaking");
    for far_tau_s in [5.0, 12.0, 17.0] {
        let (tight, leaking) = called(far_tau_s, TimeConstantKnowledge::Unknown, &RESTED, 60);
        assert!(tight < 4 && leaking < 4, "{far_tau_s} s: {tight} called tight, {leaking} leaking");
    }
}
