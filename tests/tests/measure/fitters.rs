//! The fit against independent fitters. `tests/reference/fitters.py` makes the traces and fits them with statsmodels
//! 0.15.0, NumPy 2.4.6 and SciPy 1.17.1 (*computed*); `python3 fitters.py --check` makes both again.

use std::collections::BTreeMap;

use seathold_analysis::calibration::blank;
use seathold_sequencer::measure::{BlockedTrace, CurvePrior, Settling, fit};
use seathold_sequencer::time::Instant;
use seathold_tests::reference::cells;

/// Time in microseconds and counts.
type Trace = Vec<(u64, i32)>;

fn traces() -> BTreeMap<String, Trace> {
    let mut traces = BTreeMap::<String, Trace>::new();
    for row in cells("fitters_traces.csv") {
        traces.entry(row[0].clone()).or_default().push((row[1].parse().unwrap(), row[2].parse().unwrap()));
    }
    traces
}

fn close(case: &str, what: &str, ours: f64, theirs: &str, relative: f64) {
    let theirs: f64 = theirs.parse().unwrap();
    assert!((ours - theirs).abs() <= relative * theirs.abs(), "{case} {what}: ours {ours:e}, theirs {theirs:e}");
}

/// Readings are few enough that each is a block, so nothing is approximated; what is left is rounding, and the
/// conditioning of a transient against a line (at worst a correlation of 0.98).
#[test]
fn every_trace_is_fitted_as_statsmodels_does() {
    let traces = traces();
    let answers = cells("fitters_answers.csv");
    assert_eq!(answers.len(), traces.len());
    for row in &answers {
        let case = row[0].as_str();
        let mut trace = BlockedTrace::new();
        for (us, counts) in &traces[case] {
            trace.push(Instant::from_ticks(*us), *counts, 0);
        }
        let curves = row[1].parse().map_or(CurvePrior::Line, |tau_s| CurvePrior::Exact { tau_s });
        let got = fit(curves, None, Settling::unknown(0.0), &trace).unwrap();
        close(case, "slope", got.slope, &row[2], 1e-9);
        close(case, "u(slope)", got.u_slope / got.autocorrelation_factor, &row[3], 1e-9);
        if !row[1].is_empty() {
            close(case, "amplitude", got.amplitude, &row[4], 1e-9);
            close(case, "u(amplitude)", got.u_amplitude / got.autocorrelation_factor, &row[5], 1e-9);
            close(case, "correlation", got.correlation, &row[6], 1e-9);
        }
        close(case, "residual spread", got.residual_sd, &row[7], 1e-9);
        close(case, "residual squares", got.residual_squares, &row[8], 1e-9);
    }
}

/// With the time constant free, SciPy's Levenberg–Marquardt and our search end at the same least squares. Their
/// distance is held against the time constant's own uncertainty.
#[test]
fn free_time_constants_are_those_of_scipy() {
    let traces = traces();
    let mut searched = 0;
    for row in cells("fitters_answers.csv").iter().filter(|row| !row[1].is_empty()) {
        let case = row[0].as_str();
        // The search wants a hundred readings; each stands twice, which moves no least squares.
        let samples: Vec<(f64, f64)> =
            traces[case].iter().flat_map(|(us, y)| [(*us as f64 / 1e6, f64::from(*y)); 2]).collect();
        let found = blank::settling(&samples);
        let theirs: f64 = row[9].parse().unwrap();
        let span = samples[samples.len() - 1].0;
        if theirs > span / 4.0 {
            assert_eq!(found, None, "{case}: beyond the search");
            continue;
        }
        let found = found.unwrap_or_else(|| panic!("{case}: none found, SciPy has {theirs}"));
        let apart = (found.tau_s / theirs).ln().abs();
        assert!(apart < 1e-5, "{case}: ours {}, SciPy {theirs}", found.tau_s);
        searched += 1;
    }
    assert_eq!(searched, 5);
}

/// California test procedure TP-201.3, equation 9-1 (seen in a scan; the numbers computed): a volume that leaks in
/// proportion to its gauge pressure falls in five minutes from 2 inH2O to `2·exp(−k/V)`; k = 500.887 US gal. The first
/// four minutes, read in steps of 1e-6 inH2O, and the fitted curve carried on to five.
#[test]
fn pressure_decay_of_tp_201_3() {
    for (gallons, after_five) in
        [(500.0, 0.734_455), (1_000.0, 1.211_986), (2_000.0, 1.556_911), (5_000.0, 1.809_354), (10_000.0, 1.902_290)]
    {
        let tau_s = 300.0 * gallons / 500.887;
        let mut trace = BlockedTrace::new();
        for i in 0..=60u32 {
            let t = f64::from(i) * 4.0;
            let inches = 2.0 * (-t / tau_s).exp();
            trace.push(Instant::from_ticks(u64::from(i) * 4_000_000), (inches * 1e6).round() as i32, 0);
        }
        let got = fit(CurvePrior::Exact { tau_s }, None, Settling::unknown(0.0), &trace).unwrap();
        let first = f64::from(trace.first_counts());
        let at = |t: f64| (first + got.start + got.slope * t + got.amplitude * (-t / tau_s).exp()) / 1e6;
        assert!((at(300.0) - after_five).abs() < 2e-6, "V = {gallons}: {} against {after_five}", at(300.0));
    }
}
