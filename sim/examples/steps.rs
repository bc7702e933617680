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
    let mut found: BTreeMap<String, (u64, u64, f64)> = BTreeMap::new();
    let mut last = bench.rig.plant().work();
    let mut proved = false;
    while !(proved && sequencer.phase() == Phase::Ready) {
        let ball = bench.rig.truth().ball;
        let moving = if ball > 0.0 && ball < 1.0 { "moving" } else { "still" };
        let row = found.entry(format!("{:?}, ball {moving}", sequencer.phase())).or_default();
        let polled = bench.poll(&mut sequencer);
        proved |= polled.events.iter().any(|e| matches!(e, Event::Proved { .. }));
        let work = bench.rig.plant().work();
        row.0 += work.steps - last.steps;
        row.1 += work.rejected - last.rejected;
        row.2 += 0.01;
        last = work;
    }
    for (what, (steps, rejected, seconds)) in found {
        println!("{what:<24} {steps:>5} steps {rejected:>5} thrown away {seconds:>8.2} s");
    }
    println!("a rig is {} bytes", size_of::<SimRig>());
}
