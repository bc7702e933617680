//! A control chart of individual values, with run rules.
//!
//! Limits from the mean moving range, `σ = MR/1.128` (NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2). Rules:
//! Nelson, The Shewhart control chart: tests for special causes, J. Quality Technology 16(4), 1984 (from memory).

/// The chart.
#[derive(Clone, Debug, PartialEq)]
pub struct ControlChart {
    /// Mean of the values.
    pub mean: f64,
    /// Deviation of a single value, from the moving ranges.
    pub sigma: f64,
    /// Points that break a rule: number of the point from 0, number of the rule.
    pub signals: Vec<(usize, u8)>,
}

/// `d2` for ranges of two.
const D2: f64 = 1.128;

/// What each rule detects, from rule 1.
pub const RULES: [&str; 8] = [
    "a point beyond 3 sigma",
    "9 in a row on one side of the mean",
    "6 in a row rising or falling",
    "14 in a row up and down by turns",
    "2 of 3 beyond 2 sigma on one side",
    "4 of 5 beyond 1 sigma on one side",
    "15 in a row within 1 sigma",
    "8 in a row beyond 1 sigma on either side",
];

/// Computes the chart.
///
/// # Errors
/// In words, with fewer than two values or one that is no number.
pub fn chart(values: &[f64]) -> Result<ControlChart, String> {
    chart_by_first(values, values.len())
}

/// The chart with mean and limits from the first so many values, by which all of them are judged: what comes later does not widen its
/// own limits.
///
/// # Errors
/// As [`chart`].
pub fn chart_by_first(values: &[f64], first: usize) -> Result<ControlChart, String> {
    if values.len() < 2 {
        return Err(format!("{} values: a chart needs at least 2, and says little below 20", values.len()));
    }
    if let Some(place) = values.iter().position(|value| !value.is_finite()) {
        return Err(format!("value {} is no number", place + 1));
    }
    let base = &values[..first.clamp(2, values.len())];
    let mean = base.iter().sum::<f64>() / base.len() as f64;
    let ranges = base.windows(2).map(|pair| (pair[1] - pair[0]).abs());
    let sigma = ranges.sum::<f64>() / (base.len() - 1) as f64 / D2;
    let z: Vec<f64> = values.iter().map(|value| if sigma > 0.0 { (value - mean) / sigma } else { 0.0 }).collect();
    let signals = (0..z.len()).flat_map(|last| broken(&z[..=last]).into_iter().map(move |rule| (last, rule))).collect();
    Ok(ControlChart { mean, sigma, signals })
}

/// Rules that the last of these points breaks.
fn broken(z: &[f64]) -> Vec<u8> {
    let last = |n: usize| z.len().checked_sub(n).map(|from| &z[from..]);
    let side = |n: usize, of: usize, beyond: f64| {
        last(n).is_some_and(|run| {
            let (high, low) = (|v: &f64| *v > beyond, |v: &f64| *v < -beyond);
            let ends =
                |far: &dyn Fn(&f64) -> bool| run.iter().filter(|v| far(v)).count() >= of && run.last().is_some_and(far);
            ends(&high) || ends(&low)
        })
    };
    let steps = |n: usize| last(n).map(|run| run.windows(2).map(|pair| pair[1] - pair[0]).collect::<Vec<f64>>());
    let rules = [
        side(1, 1, 3.0),
        side(9, 9, 0.0),
        steps(6).is_some_and(|steps| steps.iter().all(|s| *s > 0.0) || steps.iter().all(|s| *s < 0.0)),
        steps(14).is_some_and(|steps| steps.windows(2).all(|pair| pair[0] * pair[1] < 0.0)),
        side(3, 2, 2.0),
        side(5, 4, 1.0),
        last(15).is_some_and(|run| run.iter().all(|v| v.abs() < 1.0)) && z.iter().any(|v| *v != 0.0),
        last(8).is_some_and(|run| run.iter().all(|v| v.abs() > 1.0)),
    ];
    (1..).zip(rules).filter(|(_, broken)| *broken).map(|(rule, _)| rule).collect()
}
