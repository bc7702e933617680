//! From a slope to a leak with its coverage interval: quantiles of a mixture of normal distributions, by bisection.

use super::fit::{Component, SlopeEstimate};
use super::leak_estimate::{Conditions, LeakEstimate};
use super::quantile::{normal_tail, student_quantile};
use crate::limits::CURVES_MAX;
use crate::sqrt::sqrt;
use crate::units::LeakRate;

/// Turns a slope estimate into a leak estimate with its coverage interval: quantiles of a mixture, by bisection.
///
/// Given one curve, the leak is normally distributed; the distribution over all curves is the mixture of these by
/// weight, each component widened by what does not come from the fit. Three distances from the estimate are computed:
/// the half-width of the coverage interval, and for either guard band the distance whose tail is the risk of one look.
/// Each is found by bisection, one step at a time, so that no single poll is long.
#[derive(Clone, Debug, PartialEq)]
pub struct IntervalSolver {
    pub(super) estimate: LeakEstimate,
    /// In Pa·m³/s of leak.
    pub(super) components: [Component; CURVES_MAX],
    /// Normal quantiles of the three distances.
    z: [f64; 3],
    quantile: Quantile,
    /// Of the current one: the tail, Student's quantile, and its ratio to the normal one.
    tail: f64,
    factor: f64,
    widening: f64,
    /// The interval being bisected; `None` before the first.
    bracket: Option<(f64, f64)>,
    bisections: u8,
    accept: f64,
}

/// The distance being computed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Quantile {
    /// Two-sided, at the stated coverage.
    Coverage,
    /// Upwards, where a leak over the limit would be called tight.
    Accept,
    /// Downwards, where a leak under the limit would be called leaking.
    Reject,
}

/// Most bisections, and the relative tolerance of the distance.
pub(crate) const BISECTIONS_MAX: u8 = 14;
const TOLERANCE: f64 = 5e-4;

/// Components with less weight than this share of the tail do not move a quantile.
const WEIGHT_SHARE: f64 = 1e-3;

impl IntervalSolver {
    /// Begins from a slope estimate under these conditions.
    #[inline(never)]
    pub fn new(slope: &SlopeEstimate, with: &Conditions<'_>) -> Self {
        let (estimate, per_slope) = LeakEstimate::without_interval(slope, with);
        let systematic = estimate.budget.systematic_squares();
        let size = per_slope.abs();
        let components = slope.components.map(|c| {
            let u = c.u * size;
            Component { weight: c.weight, offset: c.offset * per_slope, u: sqrt(u * u + systematic) }
        });
        let schedule = with.recipe.schedule();
        Self {
            estimate,
            components,
            z: [schedule.z_coverage(), schedule.z_accept(), schedule.z_reject()],
            quantile: Quantile::Coverage,
            tail: 0.0,
            factor: 0.0,
            widening: 1.0,
            bracket: None,
            bisections: 0,
            accept: 0.0,
        }
    }

    /// Does one bounded unit of work; the estimate once it is complete.
    pub fn advance(&mut self) -> Option<LeakEstimate> {
        let Some((near, far)) = self.bracket else {
            let [coverage, accept, reject] = self.z;
            let z = match self.quantile {
                Quantile::Coverage => coverage,
                Quantile::Accept => accept,
                Quantile::Reject => reject,
            };
            // Few degrees of freedom widen every component equally.
            self.factor = student_quantile(z, self.estimate.budget.dof);
            self.widening = self.factor / z;
            self.tail = normal_tail(z);
            self.bracket = Some(self.initial_bracket(self.factor, self.tail));
            self.bisections = 0;
            return None;
        };
        if self.bisections < BISECTIONS_MAX && far - near > TOLERANCE * far {
            let middle = 0.5 * (near + far);
            let beyond = self.tail_exceeds(middle, self.widening, self.tail);
            self.bracket = Some(if beyond { (middle, far) } else { (near, middle) });
            self.bisections += 1;
            return None;
        }
        self.bracket = None;
        match self.quantile {
            Quantile::Coverage => {
                self.estimate.expanded = LeakRate::from_pa_m3_s(far);
                self.quantile = Quantile::Accept;
            }
            Quantile::Accept => {
                self.accept = far / self.factor;
                self.quantile = Quantile::Reject;
            }
            Quantile::Reject => {
                let reject = far / self.factor;
                self.estimate.budget.guard = if reject > self.accept { reject } else { self.accept };
                return Some(self.estimate);
            }
        }
        None
    }

    /// Offset of a component in the direction of the quantile.
    fn offset(&self, component: &Component) -> f64 {
        match self.quantile {
            Quantile::Coverage => component.offset.abs(),
            Quantile::Accept => component.offset,
            Quantile::Reject => -component.offset,
        }
    }

    /// The quantile of the mixture lies between the smallest and the largest of its components.
    fn initial_bracket(&self, factor: f64, tail: f64) -> (f64, f64) {
        let (mut near, mut far) = (f64::INFINITY, 0.0);
        for component in self.components.iter().filter(|c| c.weight > WEIGHT_SHARE * tail) {
            let own = factor * component.u;
            let offset = self.offset(component);
            let least = if self.quantile == Quantile::Coverage { own } else { offset + own };
            near = if least < near { least } else { near };
            far = if offset + own > far { offset + own } else { far };
        }
        // A guard band never reaches to the other side of the estimate.
        (if near > 0.0 { near } else { 0.0 }, far)
    }

    /// Whether the probability that the leak lies farther out than this, halved for the two-sided case, is over `tail`.
    fn tail_exceeds(&self, distance: f64, widening: f64, tail: f64) -> bool {
        let mut sum = 0.0;
        for component in self.components.iter().filter(|c| c.weight > WEIGHT_SHARE * tail) {
            let u = component.u * widening;
            let offset = self.offset(component);
            let out = normal_tail((distance - offset) / u);
            sum += component.weight
                * match self.quantile {
                    Quantile::Coverage => 0.5 * (out + normal_tail((distance + offset) / u)),
                    Quantile::Accept | Quantile::Reject => out,
                };
            // Every term is positive.
            if sum > tail {
                return true;
            }
        }
        false
    }
}
