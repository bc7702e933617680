//! The same seed gives the same bits: for every ready-made scenario, a hash of everything the sequencer said and set is
//! committed, and must come out of debug and release builds alike (`cargo test` with and without `--release`).
//!
//! `SNAPSHOTS=overwrite` accepts new hashes. They change when the arithmetic of a decision or of the plant changes, and
//! only then.

use std::fmt::Write as _;
use std::path::Path;

use seathold_machine::script::checked;
use seathold_sequencer::event::Event;
use seathold_sequencer::output::Outputs;
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::verdict::Verdict;
use seathold_sim::bench::SimBench;
use seathold_sim::scenario::{SCENARIOS, Scenario};

/// CRC-64/XZ, from the public catalogue of checks.
static CHECK: crc::Crc<u64> = crc::Crc::<u64>::new(&crc::CRC_64_XZ);

/// Both sides, from power-up to the result.
fn said(scenario: &Scenario) -> (u64, usize, Verdict) {
    let raw_rig = RawRig::DEMO;
    let raw_recipe = RawRecipe { actuation: scenario.plant.actuation, ..RawRecipe::DEMO };
    let (rig, recipe) = checked(&raw_rig, &raw_recipe);
    let mut bench = SimBench::new(scenario, &raw_rig, 1).unwrap_or_else(|e| panic!("{}: {e}", scenario.name));
    let mut sequencer = Sequencer::new(rig, Some(recipe));
    let mut digest = CHECK.digest();
    let mut outputs = None::<Outputs>;
    for polls in 1..200_000 {
        let polled = bench.poll(&mut sequencer);
        if outputs.replace(polled.outputs) != Some(polled.outputs) {
            digest.update(&polled.at.as_ticks().to_le_bytes());
            digest.update(&postcard::to_allocvec(&polled.outputs).expect("encoded"));
        }
        for event in &polled.events {
            digest.update(&postcard::to_allocvec(event).expect("encoded"));
            if let Event::RunFinished { verdict, .. } = event {
                return (digest.finalize(), polls, *verdict);
            }
        }
    }
    panic!("{}: never proved", scenario.name);
}

#[test]
fn every_scenario_says_the_same_bits() {
    let mut lines = String::from("# scenario, CRC-64/XZ over outputs and events, polls, verdict\n");
    for scenario in SCENARIOS {
        let (hash, polls, verdict) = said(scenario);
        writeln!(lines, "{} {hash:016x} {polls} {verdict:?}", scenario.name).expect("a string");
    }
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("golden/bit-identity.txt");
    if std::env::var_os("SNAPSHOTS").is_some_and(|v| v == "overwrite") {
        std::fs::write(&file, &lines).unwrap_or_else(|e| panic!("{}: {e}", file.display()));
    }
    let kept = std::fs::read_to_string(&file).unwrap_or_else(|e| panic!("{}: {e}", file.display()));
    assert_eq!(kept, lines, "what a run says has changed");
}

/// The hash sees a difference: a little more noise gives another.
#[test]
fn a_little_more_noise_says_other_bits() {
    let mut other = SCENARIOS[0];
    other.far.noise_pa *= 1.01;
    assert_ne!(said(&SCENARIOS[0]).0, said(&other).0);
}
