//! A room that warms or cools, before and after a rest run. Prints the table of docs/figures.md.
//!
//! `cargo bench -p seathold-tests --bench warming_room -- [VALVES [WALL_RATIO]]`

use rayon::prelude::*;
use seathold_tests::warming_room::{Room, Tally, rigs, tested};

fn main() {
    let numbers: Vec<f64> = std::env::args().skip(1).filter_map(|text| text.parse().ok()).collect();
    let valves = numbers.first().map_or(200, |count| *count as u64);
    let wall_ratio = numbers.get(1).copied().unwrap_or(10_000.0);
    println!("### A room that warms, before and after a rest run, {valves} valves a row, both sides\n");
    println!("| room | rest run | drift counted with, mK/s | leak / limit | covered | tight | leaking | neither |");
    println!("|---|---|---|---|---|---|---|---|");
    for kelvin_an_hour in [0.0, 4.0, -4.0] {
        let room = Room { kelvin_an_hour, before_s: 600, wall_ratio };
        let dir = tempfile::tempdir().expect("a folder");
        let rigs = rigs(&room, "30 min", dir.path());
        for share in [0.0, 1.0] {
            for (when, (rig, k_s)) in ["before", "after"].iter().zip(&rigs) {
                let all = (1..=valves).into_par_iter().map(|n| tested(&room, rig, share, n..n + 1));
                let found: Tally = all.sum();
                let of = |part: u32, whole: u32| 100.0 * f64::from(part) / f64::from(whole.max(1));
                let sides = found.sides();
                println!(
                    "| {kelvin_an_hour:+} K/h | {when} | {:.2} | {share} | {:.1} % | {:.1} % | {:.1} % | {:.1} % |",
                    k_s * 1e3,
                    of(found.covered, found.judged),
                    of(found.tight, sides),
                    of(found.leaking, sides),
                    of(found.neither, sides),
                );
            }
        }
    }
}
