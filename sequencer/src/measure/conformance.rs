//! How probable it is that the true leak lies under a limit: JCGM 106:2012, clause 7.2.

use crate::units::LeakRate;

use super::fit::Component;
use super::interval::IntervalSolver;
use super::quantile::student_cdf;

/// The standard normal distribution function, `Φ(z) = erfc(−z/√2)/2`.
pub fn normal_cdf(z: f64) -> f64 {
    0.5 * libm::erfc(-z * core::f64::consts::FRAC_1_SQRT_2)
}

/// The probability that a value lies under a limit that is `margin` above its estimate (JCGM 106:2012, clause 7.2,
/// one-sided, with no knowledge before the measurement), for a value whose distribution about the estimate is a mixture
/// of components, each Student's with these degrees of freedom. Where a component has no uncertainty it counts in full
/// up to the limit and not at all beyond.
pub fn conformance_probability(margin: f64, mixture: &[Component], dof: f64) -> f64 {
    let under = |component: &Component| {
        let distance = margin - component.offset;
        if component.u > 0.0 {
            student_cdf(distance / component.u, dof)
        } else if distance >= 0.0 {
            1.0
        } else {
            0.0
        }
    };
    mixture.iter().map(|component| component.weight * under(component)).sum()
}

impl IntervalSolver {
    /// The probability that the true leak lies under `limit`, of the distribution that the coverage interval is of. All
    /// at once: for a host, which has no poll deadline.
    pub fn conformance_probability(&self, limit: LeakRate) -> f64 {
        let margin = limit.pa_m3_s() - self.estimate.leak.pa_m3_s();
        conformance_probability(margin, &self.components, self.estimate.budget.dof)
    }
}
