//! Where the integrator's steps go in a two-sided test with full windows: by phase, ball still or moving.

use seathold_sequencer::event::{Event, Phase};
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::step::Sequencer;
use seathold_sim::bench::SimBench;
use seathold_sim::rig::SimRig;
use seathold_sim::scenario::Scenario;
use std::collections::BTreeMap;

fn main() {
    let rig = RawRig::DEMO.validate().expect("the example rig is valid");
    let recipe = RawRecipe { measure_ms_min: 60_000, ..RawRecipe::DEMO };
    let recipe = recipe.validate(&rig).expect("full windows are valid");
    let mut sequencer = Sequencer::new(rig, Some(recipe));
    let mut bench = SimBench::new(&Scenario::TIGHT, rig.raw(), 7).expect("ready-made scenarios are valid");
    let mut totals: BTreeMap<String, (u64, u64, f64)> = BTreeMap::new();
    let mut last = bench.rig.plant().solver_stats();
    let mut finished = false;
    while !(finished && sequencer.phase() == Phase::Ready) {
        let ball = bench.rig.truth().ball;
        let moving = if ball > 0.0 && ball < 1.0 { "moving" } else { "still" };
        let row = totals.entry(format!("{:?}, ball {moving}", sequencer.phase())).or_default();
        let record = bench.poll(&mut sequencer);
        finished |= record.events.iter().any(|e| matches!(e, Event::RunFinished { .. }));
        let stats = bench.rig.plant().solver_stats();
        row.0 += stats.steps - last.steps;
        row.1 += stats.rejected - last.rejected;
        row.2 += 0.01;
        last = stats;
    }
    for (what, (steps, rejected, seconds)) in totals {
        println!("{what:<24} {steps:>5} steps {rejected:>5} rejected {seconds:>8.2} s");
    }
    println!("a rig is {} bytes", size_of::<SimRig>());
}
