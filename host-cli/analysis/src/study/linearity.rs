//! Bias against reference leaks, and whether it grows with the leak: a straight line of bias over reference by least
//! squares, with Student's intervals (AIAG, Measurement Systems Analysis, 4th ed., 2010, chapter III.B; from memory).

use statrs::distribution::{ContinuousCDF, StudentsT};

/// A value with the half-width of its interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ValueWithInterval {
    /// The value.
    pub value: f64,
    /// Half-width; infinite of a single measurement, zero where measurements show no scatter at all.
    pub half: f64,
}

impl ValueWithInterval {
    /// Whether zero lies outside the interval. Without scatter nothing is proven: values that are all alike show the
    /// resolution that they were written with.
    pub fn is_proven(self) -> bool {
        self.half > 0.0 && self.value.abs() > self.half
    }

    /// What is no more than the rounding of sums is nothing.
    fn rounded_off(self, rounding: f64) -> Self {
        let off = |x: f64| if x.abs() <= rounding { 0.0 } else { x };
        Self { value: off(self.value), half: off(self.half) }
    }
}

/// What rounding leaves of sums of numbers up to this size.
fn rounding_of(size: f64) -> f64 {
    64.0 * f64::EPSILON * size
}

/// The result.
#[derive(Clone, Debug, PartialEq)]
pub struct Linearity {
    /// Mean bias at each reference, rising: reference, bias, how often measured.
    pub biases: Vec<(f64, ValueWithInterval, usize)>,
    /// Bias at no leak; `None` with a single reference.
    pub intercept: Option<ValueWithInterval>,
    /// Bias for each unit of leak: 0.02 reads 2 % too much.
    pub slope: Option<ValueWithInterval>,
}

/// Computes it from pairs of reference and value.
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
    let size = pairs.iter().fold(0.0f64, |size, (r, v)| size.max(r.abs()).max(v.abs()));
    let mut references: Vec<f64> = pairs.iter().map(|(reference, _)| *reference).collect();
    references.sort_by(f64::total_cmp);
    references.dedup();
    let biases = references.iter().map(|at| {
        let biases: Vec<f64> = pairs.iter().filter(|(r, _)| r == at).map(|(r, v)| v - r).collect();
        let n = biases.len() as f64;
        let mean = biases.iter().sum::<f64>() / n;
        let squares: f64 = biases.iter().map(|b| (b - mean) * (b - mean)).sum();
        let half = if biases.len() > 1 { t(n - 1.0) * (squares / (n - 1.0) / n).sqrt() } else { f64::INFINITY };
        (*at, ValueWithInterval { value: mean, half }.rounded_off(rounding_of(size)), biases.len())
    });
    let biases: Vec<_> = biases.collect();
    if references.len() < 2 {
        return Ok(Linearity { biases, intercept: None, slope: None });
    }
    let biased: Vec<(f64, f64)> = pairs.iter().map(|(r, v)| (*r, v - r)).collect();
    let line = RegressionLine::through_sums(&biased, size, coverage);
    Ok(Linearity { biases, intercept: line.map(|line| line.intercept), slope: line.map(|line| line.slope) })
}

/// A straight line by least squares, with Student's intervals.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RegressionLine {
    /// Intercept.
    pub intercept: ValueWithInterval,
    /// Slope.
    pub slope: ValueWithInterval,
    /// Mean of the points.
    x: f64,
    y: f64,
    /// Sums for the half-widths.
    count: f64,
    xx: f64,
    ks: f64,
}

impl RegressionLine {
    /// Through points of x and y; `None` for fewer than three, or where all have the same x.
    pub fn through(points: &[(f64, f64)], coverage: f64) -> Option<Self> {
        let size = points.iter().fold(0.0f64, |size, (_, y)| size.max(y.abs()));
        Self::through_sums(points, size, coverage)
    }

    /// The same where each y is a sum of numbers up to a size.
    fn through_sums(points: &[(f64, f64)], size: f64, coverage: f64) -> Option<Self> {
        let count = points.len() as f64;
        let x = points.iter().map(|(x, _)| x).sum::<f64>() / count;
        let y = points.iter().map(|(_, y)| y).sum::<f64>() / count;
        let xx: f64 = points.iter().map(|(at, _)| (at - x) * (at - x)).sum();
        let xy: f64 = points.iter().map(|(at, value)| (at - x) * (value - y)).sum();
        if points.len() < 3 || xx <= 0.0 {
            return None;
        }
        let slope = xy / xx;
        let intercept = y - slope * x;
        let squares: f64 = points.iter().map(|(at, value)| (value - intercept - slope * at).powi(2)).sum();
        let t = StudentsT::new(0.0, 1.0, count - 2.0).map_or(f64::NAN, |t| t.inverse_cdf(0.5 + coverage / 2.0));
        let ks = t * (squares / (count - 2.0)).sqrt();
        let rounding = rounding_of(size);
        let by_slope = rounding * (count / xx).sqrt();
        let least = ValueWithInterval { value: intercept, half: ks * (1.0 / count + x * x / xx).sqrt() };
        Some(Self {
            intercept: least.rounded_off(rounding + by_slope * x.abs()),
            slope: ValueWithInterval { value: slope, half: ks / xx.sqrt() }.rounded_off(by_slope),
            x,
            y,
            count,
            xx,
            ks,
        })
    }

    /// Value at another x.
    pub fn at(&self, x: f64) -> ValueWithInterval {
        let off = x - self.x;
        ValueWithInterval {
            value: self.y + self.slope.value * off,
            half: self.ks * (1.0 / self.count + off * off / self.xx).sqrt(),
        }
    }
}
