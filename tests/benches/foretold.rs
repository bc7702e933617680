//! What `plan` foretells and what comes: plans drawn at random, and each one's recipe run on valves that it was not made on.
//! Prints the table of docs/figures.md.
//!
//! ```sh
//! cargo bench -p seathold-tests --bench foretold -- [PLANS] [VALVES]
//! ```
//!
//! Everything is drawn from seeds, so the table is the same on any machine. Not a timed benchmark.

use rayon::prelude::*;
use seathold_analysis::plan::Effort;
use seathold_tests::foretold::{Comparison, Valves, compare, is_within, plan, question};

fn main() {
    let numbers: Vec<u64> = std::env::args().skip(1).filter_map(|word| word.parse().ok()).collect();
    let plans = numbers.first().copied().unwrap_or(40);
    let valves = numbers.get(1).map_or(60, |valves| *valves as u32);
    let all = std::env::args().any(|word| word == "list");
    let made: Vec<_> = (0..plans)
        .into_par_iter()
        .map(|number| {
            let goal = question(number, Effort::USUAL);
            let plan = plan(&goal)?;
            let with = |which, seed| compare(&goal, &plan, which, valves, seed + number);
            Some((number, with(Valves::AsPlanned, 0x0063_616d_6531), with(Valves::Others, 0x0063_616d_6532), plan))
        })
        .collect();
    let can: Vec<_> = made.iter().flatten().collect();
    println!("\n{} of {plans} plans can tell; {valves} good and {valves} bad valves for each.\n", can.len());
    println!(
        "| valves | τ | plans | U that came / foretold | time to the verdict | tight within its interval | leaking within its interval |"
    );
    println!("|---|---|---|---|---|---|---|");
    for (name, pick) in [
        ("as planned", (|made| made.1) as fn(&(u64, Comparison, Comparison, _)) -> Comparison),
        ("others", |made| made.2),
    ] {
        for known in [true, false] {
            let rows: Vec<Comparison> =
                can.iter().filter(|made| made.0.is_multiple_of(2) == known).map(|made| pick(made)).collect();
            let within = |of: fn(&Comparison) -> _| {
                let inside = rows.iter().filter(|row| is_within(of(row))).count();
                format!("{inside} of {}", rows.len())
            };
            println!(
                "| {name} | {} | {} | {} | {} | {} | {} |",
                if known { "calibrated" } else { "unknown" },
                rows.len(),
                spread(rows.iter().map(|row| row.expanded_ratio).collect()),
                spread(rows.iter().map(|row| row.time_ratio).collect()),
                within(|row| row.tight),
                within(|row| row.leaking),
            );
        }
    }
    if all {
        for (number, planned, others, plan) in &can {
            let r = &plan.recipe;
            println!(
                "{number}: soak {} settle {} measure {}–{}: {planned:.3?} {others:.3?}",
                r.soak_ms, r.settle_ms, r.measure_ms_min, r.measure_ms_max
            );
        }
    }
}

/// Median and range.
fn spread(mut values: Vec<f64>) -> String {
    values.sort_by(f64::total_cmp);
    let Some((low, high)) = values.first().zip(values.last()) else { return "–".into() };
    format!("{:.2} ({low:.2}–{high:.2})", values[values.len() / 2])
}
