//! Noise that is not white: a slope's interval covers it as stated under 1/f noise, and is not widened as if for it where a
//! transducer only filters.

use seathold_sequencer::measure::{BlockedTrace, CurvePrior, Settling, fit, student_quantile};
use seathold_sequencer::time::Instant;
use seathold_sim::noise::{Noise, Stream};

/// Hundred readings a second for twenty seconds.
const SAMPLES: u32 = 2_000;

#[derive(Clone, Copy, PartialEq)]
enum Kind {
    White,
    /// A sum of first-order noises an octave apart, equally strong: 1/f over twelve octaves.
    Flicker,
    /// White noise through a filter of 50 ms.
    Filtered,
}

/// How many of the 95 % intervals hold the true slope, and the median of what they were widened by.
fn covered(kind: Kind, runs: u64) -> (f64, f64) {
    let (mut inside, mut factors) = (0, vec![]);
    for run in 0..runs {
        let mut random = Noise::new(run, Stream::Mounting);
        let mut trace = BlockedTrace::new();
        let (mut octaves, mut filtered) = ([0.0; 12].map(|_: f64| random.normal()), 0.0);
        for i in 0..SAMPLES {
            let noise = match kind {
                Kind::White => 3.0 * random.normal(),
                Kind::Flicker => {
                    for (k, level) in octaves.iter_mut().enumerate() {
                        let keep = (-1.0 / f64::from(1u32 << k)).exp();
                        *level = keep * *level + (1.0 - keep * keep).sqrt() * random.normal();
                    }
                    2.0 * octaves.iter().sum::<f64>() + 2.0 * random.normal()
                }
                Kind::Filtered => {
                    filtered += (random.normal() - filtered) * 0.2;
                    9.0 * filtered
                }
            };
            let counts = (10_000.0 - 0.05 * f64::from(i) + noise).round() as i32;
            trace.push(Instant::from_ticks(u64::from(i) * 10_000), counts, 0);
        }
        let found = fit(CurvePrior::Line, None, Settling::unknown(5.0), &trace).expect("a fit");
        let half = student_quantile(1.96, found.dof) * found.u_slope;
        inside += u64::from((found.slope - -5.0).abs() <= half);
        factors.push(found.autocorrelation_factor);
    }
    factors.sort_by(f64::total_cmp);
    (inside as f64 / runs as f64, factors[factors.len() / 2])
}

/// Four hundred runs: a share of 95 % is known to ± 1.1 %.
#[test]
fn intervals_cover_as_stated_whatever_the_noise() {
    let (white, by) = covered(Kind::White, 400);
    assert!((0.92..=0.99).contains(&white) && by < 1.1, "white: {white} by {by}");
    let (flicker, by) = covered(Kind::Flicker, 400);
    assert!(flicker >= 0.88 && by > 2.0, "1/f: {flicker} by {by}");
    let (filtered, by) = covered(Kind::Filtered, 400);
    assert!(filtered >= 0.92 && by < 1.7, "filtered: {filtered} by {by}");
}
