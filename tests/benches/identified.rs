//! What `identify` finds against the truth: benches drawn at random, their recordings fitted, and how often the truth lies in the
//! 95 % interval. Prints the table of docs/figures.md.
//!
//! ```sh
//! cargo bench -p seathold-tests --bench identified -- [BENCHES] [RECORDINGS]
//! ```
//!
//! Everything is drawn from seeds, so the table is the same on any machine. Not a timed benchmark.

use seathold_analysis::identify::parameter::PARAMETERS;
use seathold_analysis::identify::report::Agreement;
use seathold_tests::identified::{OUTSIDE, drawn, found, outside};

/// How often an interval held the truth, how often it was told, and how narrow it became.
#[derive(Default)]
struct Row {
    covered: usize,
    told: usize,
    ratios: Vec<f64>,
    errors: Vec<f64>,
}

fn main() {
    let numbers: Vec<u64> = std::env::args().skip(1).filter_map(|word| word.parse().ok()).collect();
    let benches = numbers.first().copied().unwrap_or(40);
    let recordings = numbers.get(1).copied().unwrap_or(3);
    let names = PARAMETERS.iter().map(|one| one.name).chain(["far and cavity", "loss", "far.noise", "far.pink"]);
    let mut rows: Vec<(&str, Row)> = names.map(|name| (name, Row::default())).collect();
    let (mut fitted, mut missed, mut misses, mut widened) = (0, 0, Vec::new(), Vec::new());
    let begun = std::time::Instant::now();
    for number in 0..benches {
        let bench = drawn(number);
        let Some(found) = found(&bench, 1_000 * number, recordings, true) else { continue };
        let found = match found {
            Ok(found) => found,
            Err(why) => {
                println!("bench {number}: {why}");
                continue;
            }
        };
        if Agreement::of(&found) == Agreement::Missed {
            missed += 1;
            continue;
        }
        fitted += 1;
        let mut see = |place: usize, truth: f64, (low, high): (f64, f64), told: bool, ratio: f64| {
            let (name, row) = &mut rows[place];
            let holds = (low..=high).contains(&truth);
            if std::env::var_os("LIST").is_some() {
                println!(
                    "{number} {name}: {truth:.4e} in {low:.4e} to {high:.4e} {} told {told} {ratio:.3}",
                    if holds { "" } else { "MISSED" }
                );
            }
            row.covered += usize::from(holds);
            row.told += usize::from(told);
            row.ratios.push(ratio);
            row.errors.push((truth - 0.5 * (low + high)) / (0.25 * (high - low)).max(1e-300));
        };
        for (place, one) in found.found.iter().enumerate() {
            see(place, one.parameter.get(&bench.truth), one.interval(), one.told, one.u_ratio);
        }
        let about = |value: f64, u: f64| (value - 1.96 * u, value + 1.96 * u);
        let next = found.found.len();
        let trapped = bench.truth.plant.far_volume_m3 + bench.truth.plant.cavity_volume_m3;
        let ratio = found.trapped.u / found.trapped_before.u;
        see(next, trapped, about(found.trapped.value, found.trapped.u), ratio < 0.7, ratio);
        see(next + 1, bench.loss, about(found.loss.value, found.loss.u), true, found.loss.u / bench.loss);
        if let Some(noise) = found.noise[0] {
            see(next + 2, bench.far.noise_pa, about(noise.white, noise.white_u), true, noise.white_u / noise.white);
            see(next + 3, bench.far.pink_pa, about(noise.pink, noise.pink_u), true, noise.pink_u / noise.pink);
        }
        misses.extend(found.held_out.iter().map(|held| held.multiple()));
        widened.push(found.widened);
        if std::env::var_os("LIST").is_some() {
            println!(
                "{number}: widened {:.2}, held out {:.2?}",
                found.widened,
                found
                    .held_out
                    .iter()
                    .map(|h| (h.over_noise, h.expected, h.held_over_noise, h.held_expected))
                    .collect::<Vec<_>>()
            );
        }
    }
    println!(
        "\n{fitted} of {benches} benches were found, {missed} more were said to be missed; {recordings} tight valves, and one known leak, each.\n"
    );
    println!("| | told | truth in the 95 % interval | standard uncertainty over the one before, median (range) |");
    println!("|---|---|---|---|");
    for (name, row) in rows {
        println!("| {name} | {} | {} | {} |", row.told, row.covered, spread(row.ratios));
    }
    println!("\nheld out, over what is expected: {}; widened: {}", spread(misses), spread(widened));
    println!(
        "\n| what the fit does not know | widened | held out, over what is expected | while held, Pa | far and cavity, truth 45 cm³ | loss, truth 0.02 mm³/s |"
    );
    println!("|---|---|---|---|---|---|");
    for (seed, (name, fields)) in (0_u64..).zip(OUTSIDE) {
        let said = match found(&outside(fields), 77_000 + 1_000 * seed, recordings, true) {
            None => "the sequencer refused the runs | | | |".into(),
            Some(Err(why)) => format!("refused: {why} | | | |"),
            Some(Ok(found)) => {
                let held = found.held_out.first().map(|held| (held.multiple(), held.held_rms_pa)).unwrap_or_default();
                format!(
                    "{:.2} | {:.2} | {:.1} | {:.2} ± {:.2} | {:.2} ± {:.2} |",
                    found.widened,
                    held.0,
                    held.1,
                    found.trapped.value * 1e6,
                    found.trapped.u * 1e6,
                    found.loss.value * 1e4,
                    found.loss.u * 1e4
                )
            }
        };
        println!("| {name} | {said}");
    }
    eprintln!("{:.1} s", begun.elapsed().as_secs_f64());
}

/// Median and range.
fn spread(mut values: Vec<f64>) -> String {
    values.sort_by(f64::total_cmp);
    let Some((low, high)) = values.first().zip(values.last()) else { return "–".into() };
    format!("{:.3} ({low:.3}–{high:.3})", values[values.len() / 2])
}
