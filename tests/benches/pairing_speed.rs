//! How long `pair` takes for many fittings: the whole command, from the list to what it prints. Prints figures of docs/figures.md.
//!
//! ```sh
//! cargo bench -p seathold-tests --bench pairing_speed
//! ```
//!
//! Lists are drawn from a seed; times are wall times, the median of five with the longest beside it.

use std::fmt::Write;
use std::path::Path;
use std::time::Instant;

use seathold_tests::cli_kit;

/// How often each is timed.
const TIMES: usize = 5;

/// Fittings, how many of them to a hundred bodies, and whether bodies are of their own lengths.
const CASES: &[(usize, usize, bool)] = &[
    (1_000, 200, false),
    (10_000, 200, false),
    (20_000, 200, false),
    (10_000, 250, false),
    (100, 200, true),
    (1_000, 200, true),
    (10_000, 200, true),
];

fn main() {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("pairing-bench");
    std::fs::create_dir_all(&folder).unwrap();
    println!("| fittings | bodies | conform | time | longest of {TIMES} |\n|---|---|---|---|---|");
    for (fittings, to_hundred, own) in CASES.iter().copied() {
        let count = fittings * 100 / to_hundred;
        std::fs::write(folder.join("f.csv"), list(fittings, 30.0, 0.3)).unwrap();
        std::fs::write(folder.join("b.csv"), list(count, 60.4, 0.2)).unwrap();
        let number = count.to_string();
        let of_one_length = ["--bodies", &number, "--body-length", "60.4mm", "--body-u", "0.02mm"];
        let bodies: &[&str] = if own { &["--bodies-file", "[DIR]/b.csv"] } else { &of_one_length };
        let valve = ["--nominal", "120mm", "--tolerance", "0.2mm", "--compression", "0.4mm", "--gauge-u", "0.01mm"];
        let typed = [&["pair", "[DIR]/f.csv", "--repeat-u", "0.01mm"][..], bodies, &valve].concat();
        let mut conform = String::new();
        let mut times: Vec<f64> = (0..TIMES)
            .map(|_| {
                let began = Instant::now();
                let said = cli_kit::seathold(&folder, &typed);
                let seconds = began.elapsed().as_secs_f64();
                assert_eq!(said.code, 0, "{}", said.err);
                let best = said.out.lines().find_map(|line| line.trim().strip_prefix("best "));
                conform = best.and_then(|best| best.split_whitespace().next()).unwrap_or_default().to_owned();
                seconds
            })
            .collect();
        times.sort_by(f64::total_cmp);
        let kind = if own { "of their own lengths" } else { "of one length" };
        println!("| {fittings} | {count} {kind} | {conform} | {:.2} s | {:.2} s |", times[TIMES / 2], times[TIMES - 1]);
    }
    std::fs::remove_dir_all(&folder).unwrap();
}

/// A list of measured parts: normal about a usual length, in hundredths of a millimetre (xorshift64, and the sum of twelve even draws).
fn list(parts: usize, usual: f64, spread: f64) -> String {
    let mut state = 0x0070_6169_7273_u64 + parts as u64;
    let mut even = || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1u64 << 53) as f64
    };
    let mut text = String::from("part,length\n");
    for part in 0..parts {
        let normal = (0..12).map(|_| even()).sum::<f64>() - 6.0;
        let _ = writeln!(text, "P{part:05},{:.2}", usual + spread * normal);
    }
    text
}
