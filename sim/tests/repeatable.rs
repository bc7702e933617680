//! One seed is one run: the same bits in debug and release, with and without the processor's square root, and however
//! time is divided.

use seathold_sequencer::io::Hardware;
use seathold_sequencer::output::{GasValve, Outputs, Pilot};
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::time::millis;
use seathold_sim::rig::SimRig;
use seathold_sim::scenario;

/// A side by the clock: fill, soak, shut, vent, hold, open. Milliseconds, supply open, vent open, pilot fed.
const SCRIPT: [(u32, bool, bool, bool); 7] = [
    (0, false, true, true),
    (1_000, false, false, true),
    (1_050, true, false, true),
    (9_000, true, false, false),
    (10_000, false, false, false),
    (10_050, false, true, false),
    (25_000, false, true, true),
];

/// Far-side counts with their numbers, polled every `poll_ms`.
fn counts(name: &str, seed: u64, poll_ms: u32) -> Vec<(u32, i32)> {
    let checked = scenario::find(name).expect("ready-made").validate().expect("valid");
    let mut rig = SimRig::new(&checked, &RawRig::DEMO, seed);
    let mut script = SCRIPT.iter().peekable();
    let mut actual = Vec::new();
    for now in (0..30_000).step_by(poll_ms as usize) {
        while let Some((_, supply, vent, pilot)) = script.next_if(|(at, ..)| *at <= now) {
            let gate = |open: bool| if open { GasValve::Open } else { GasValve::Shut };
            let pilot = if *pilot { Pilot::Fed } else { Pilot::Exhausted };
            let Ok(()) = rig.apply(Outputs { supply: gate(*supply), vent: gate(*vent), pilot });
        }
        rig.advance(millis(poll_ms));
        if let Ok(sample) = rig.far() {
            actual.push((sample.number, sample.counts));
        }
    }
    actual
}

/// FNV-1a over the counts.
fn hash(counts: &[(u32, i32)]) -> u64 {
    counts
        .iter()
        .flat_map(|(_, c)| c.to_le_bytes())
        .fold(0xcbf2_9ce4_8422_2325, |h, b| (h ^ u64::from(b)).wrapping_mul(0x0000_0100_0000_01b3))
}

#[test]
fn committed_runs_are_reproduced_to_the_bit() {
    let wrong: Vec<String> = GOLDEN
        .iter()
        .map(|(name, seed, expected)| (name, seed, expected, hash(&counts(name, *seed, 10))))
        .filter(|(.., expected, actual)| *expected != actual)
        .map(|(name, seed, _, actual)| format!("(\"{name}\", {seed}, {actual:#018x}),"))
        .collect();
    assert!(wrong.is_empty(), "these runs have changed:\n{}", wrong.join("\n"));
}

/// A change here means that recordings made from a seed cannot be reproduced: say so in the change log.
const GOLDEN: [(&str, u64, u64); 4] = [
    ("tight", 7, 0x09a4_ee23_f07b_f0ce),
    ("scratched-seat-a", 8, 0x5b61_3f5b_0969_c158),
    ("dirty-seat-b", 9, 0x1a38_726c_8533_6791),
    ("creeping-seats", 10, 0x5e6f_7fd6_f8ec_cfbb),
];

#[test]
fn dividing_time_finer_changes_nothing() {
    let coarse = counts("scratched-seat-a", 3, 10);
    assert_eq!(coarse, counts("scratched-seat-a", 3, 1));
    assert_eq!(coarse, counts("scratched-seat-a", 3, 5));
    assert_eq!(coarse.len(), 3_000);
}

#[test]
fn a_slow_poll_loses_conversions_and_their_numbers_show_it() {
    let slow = counts("tight", 3, 50);
    assert!(slow.windows(2).all(|w| w[1].0 == w[0].0 + 5), "{:?}", &slow[..4]);
}
