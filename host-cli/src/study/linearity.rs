//! Bias against reference leaks, and whether it grows with the leak: a straight line of bias over reference by least
//! squares, with Student's intervals (AIAG, Measurement Systems Analysis, 4th ed., 2010, chapter III.B; from memory).

use statrs::distribution::{ContinuousCDF, StudentsT};

/// A value with the half-width of its interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Estimate {
    /// The value.
    pub value: f64,
    /// Half-width.
    pub half: f64,
}

impl Estimate {
    /// Whether nought lies outside the interval.
    pub fn is_proven(self) -> bool {
        self.value.abs() > self.half
    }
}

/// What was found.
#[derive(Clone, Debug, PartialEq)]
pub struct Linearity {
    /// Mean bias at each reference, rising: reference, bias, how often measured.
    pub biases: Vec<(f64, Estimate, usize)>,
    /// Bias at no leak; `None` with a single reference.
    pub intercept: Option<Estimate>,
    /// Bias for each unit of leak: 0.02 reads 2 % too much.
    pub slope: Option<Estimate>,
}

/// Works it out from pairs of reference and value.
///
/// # Errors
/// In words, when there are too few.
pub fn linearity(pairs: &[(f64, f64)], coverage: f64) -> Result<Linearity, String> {
    if let Some((reference, value)) = pairs.iter().find(|(r, v)| !(r.is_finite() && v.is_finite())) {
        return Err(format!("reference {reference}, value {value}: no numbers"));
    }
    if pairs.len() < 3 {
        return Err(format!("{} measurements of reference leaks: at least 3 are needed", pairs.len()));
    }
    let t = |freedom: f64| StudentsT::new(0.0, 1.0, freedom).map_or(f64::NAN, |t| t.inverse_cdf(0.5 + coverage / 2.0));
    let mut references: Vec<f64> = pairs.iter().map(|(reference, _)| *reference).collect();
    references.sort_by(f64::total_cmp);
    references.dedup();
    let biases = references.iter().map(|at| {
        let biases: Vec<f64> = pairs.iter().filter(|(r, _)| r == at).map(|(r, v)| v - r).collect();
        let n = biases.len() as f64;
        let mean = biases.iter().sum::<f64>() / n;
        let squares: f64 = biases.iter().map(|b| (b - mean) * (b - mean)).sum();
        let half = if biases.len() > 1 { t(n - 1.0) * (squares / (n - 1.0) / n).sqrt() } else { f64::INFINITY };
        (*at, Estimate { value: mean, half }, biases.len())
    });
    let biases: Vec<_> = biases.collect();
    if references.len() < 2 {
        return Ok(Linearity { biases, intercept: None, slope: None });
    }
    let n = pairs.len() as f64;
    let x = pairs.iter().map(|(r, _)| r).sum::<f64>() / n;
    let y = pairs.iter().map(|(r, v)| v - r).sum::<f64>() / n;
    let xx: f64 = pairs.iter().map(|(r, _)| (r - x) * (r - x)).sum();
    let xy: f64 = pairs.iter().map(|(r, v)| (r - x) * (v - r - y)).sum();
    let slope = xy / xx;
    let intercept = y - slope * x;
    let squares: f64 = pairs.iter().map(|(r, v)| (v - r - intercept - slope * r).powi(2)).sum();
    let s = (squares / (n - 2.0)).sqrt();
    let k = t(n - 2.0);
    Ok(Linearity {
        biases,
        intercept: Some(Estimate { value: intercept, half: k * s * (1.0 / n + x * x / xx).sqrt() }),
        slope: Some(Estimate { value: slope, half: k * s / xx.sqrt() }),
    })
}
