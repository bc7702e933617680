//! Runs a ready-made scenario through the sequencer and prints what happens: `watch [name] [hand] [seed]`.

use seathold_sequencer::event::{Event, Phase};
use seathold_sequencer::recipe::{Actuation, RawRecipe};
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::step::Sequencer;
use seathold_sim::bench::SimBench;
use seathold_sim::scenario;

fn main() {
    let mut args = std::env::args().skip(1);
    let name = args.next().unwrap_or_else(|| "tight".into());
    let hand = args.next().is_some_and(|a| a == "hand");
    let seed = args.next().and_then(|s| s.parse().ok()).unwrap_or(7);
    let Some(scenario) = scenario::find(&name) else {
        let names: Vec<_> = scenario::SCENARIOS.iter().map(|s| s.name).collect();
        eprintln!("no scenario {name}; there are: {}", names.join(", "));
        std::process::exit(2);
    };
    let mut scenario = *scenario;
    let mut recipe = RawRecipe::DEMO;
    if hand {
        scenario = scenario.by_hand();
        recipe.actuation = Actuation::Hand;
    }
    let rig = RawRig::DEMO.validate().expect("the example rig is valid");
    let recipe = recipe.validate(&rig).expect("the example recipe is valid");
    let mut sequencer = Sequencer::new(rig, Some(recipe));
    let mut bench = SimBench::new(&scenario, rig.raw(), seed).expect("ready-made scenarios are valid");
    let begin = std::time::Instant::now();
    let at_s = loop {
        let record = bench.poll(&mut sequencer);
        let at_s = record.at.as_ticks() as f64 * 1e-6;
        let mut over = false;
        for event in &record.events {
            let truth = bench.rig.truth();
            if !matches!(event, Event::InterimEstimate(_)) {
                println!(
                    "{at_s:9.3} s  line {:8.0}  cavity {:8.0}  far {:8.0} Pa  {:5.1} K  ball {:.2}  {event:?}",
                    truth.line_gauge(),
                    truth.cavity_gauge(),
                    truth.far_gauge(),
                    truth.far.t,
                    truth.ball,
                );
            }
            over |= matches!(event, Event::RunFinished { .. });
        }
        let stuck = matches!(sequencer.phase(), Phase::Fault | Phase::Trapped | Phase::EmergencyStopped);
        if (over && !matches!(sequencer.phase(), Phase::SafeVent)) || stuck || at_s > 1000.0 {
            break at_s;
        }
    };
    let wall = begin.elapsed().as_secs_f64();
    println!("{at_s:.1} s in {wall:.4} s: {:.0} × real time; {:?}", at_s / wall, bench.rig.plant().solver_stats());
}
