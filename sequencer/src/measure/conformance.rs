//! How probable it is that the true leak lies under a limit: JCGM 106:2012, clause 7.2.

use crate::units::LeakRate;

use super::leak_estimate::LeakEstimate;

/// The standard normal distribution function, `Φ(z) = erfc(−z/√2)/2`.
pub fn normal_cdf(z: f64) -> f64 {
    0.5 * libm::erfc(-z * core::f64::consts::FRAC_1_SQRT_2)
}

/// The probability that a value lies under a limit, given an estimate of it with standard uncertainty `u`:
/// `Φ((limit − estimate)/u)` (JCGM 106:2012, clause 7.2, one-sided, with no knowledge before the measurement). Without
/// uncertainty it is 1 up to the limit and 0 beyond.
pub fn conformance_probability(estimate: f64, u: f64, limit: f64) -> f64 {
    if u > 0.0 {
        normal_cdf((limit - estimate) / u)
    } else if estimate <= limit {
        1.0
    } else {
        0.0
    }
}

impl LeakEstimate {
    /// The probability that the true leak lies under `limit`.
    pub fn conformance_probability(&self, limit: LeakRate) -> f64 {
        conformance_probability(self.leak.pa_m3_s(), self.budget.combined, limit.pa_m3_s())
    }
}
