//! A bench drawn at random is found from its recordings: the bench `identified` does the same with many.

use seathold_tests::identified::{drawn, found};

/// Nearly all intervals of 95 % hold the truth; the volume is told by the known leak, and what was held out is predicted.
#[test]
fn a_drawn_bench_is_found() {
    let bench = drawn(1);
    let found = found(&bench, 1_000, 1, true).expect("the sequencer can work it").unwrap();
    let outside: Vec<&str> = found
        .found
        .iter()
        .filter(|one| {
            let (low, high) = one.interval();
            !(low..=high).contains(&one.parameter.get(&bench.truth))
        })
        .map(|one| one.parameter.name)
        .collect();
    assert!(outside.len() <= 3, "{outside:?}");
    let trapped = bench.truth.plant.far_volume_m3 + bench.truth.plant.cavity_volume_m3;
    assert!((found.trapped.value - trapped).abs() < 3.0 * found.trapped.u && found.trapped.u < 0.012 * trapped);
    assert!(found.found.iter().filter(|one| one.told).count() > 15);
    assert!(found.held_out.iter().all(|held| held.multiple() < 1.3), "{:?}", found.held_out[0].misses);
}
