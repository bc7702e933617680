use super::figure::{Conditions, Figure};
use super::fit::{Estimate, Part};
use super::quantile::{normal_tail, student_quantile};
use crate::limits::CURVES_MAX;
use crate::units::LeakRate;

/// Turns an estimate into a figure: finds how far from it the true leak may lie.
///
/// Each curve says of the leak that it is normally distributed about what that curve found; the figure's distribution is
/// the sum of these, by weight, each widened by what does not come from the fit. Three distances are wanted of it: the
/// one that the stated share of it lies within, and for either guard band the one that no more than the risk of one look
/// lies beyond. Each is found by halving an interval it lies in, one halving at a time, so that no single poll is long.
#[derive(Clone, Debug, PartialEq)]
pub struct Weighing {
    figure: Figure,
    /// In Pa·m³/s of leak.
    parts: [Part; CURVES_MAX],
    /// Normal quantiles of the three.
    z: [f64; 3],
    wanted: Wanted,
    /// Of the one in work: the tail, the quantile as few degrees of freedom widen it, and by how much that is wider.
    tail: f64,
    factor: f64,
    widened: f64,
    /// The interval being halved; `None` before the first.
    between: Option<(f64, f64)>,
    halvings: u8,
    accept: f64,
}

/// Which distance is in work.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Wanted {
    /// Either way, at the stated coverage.
    Coverage,
    /// Upwards, where a leak over the limit would be called tight.
    Accept,
    /// Downwards, where a leak under the limit would be called leaking.
    Reject,
}

/// Halvings at most, and the share of the distance that need not be halved any more.
pub(crate) const HALVINGS_MAX: u8 = 12;
const FINE_ENOUGH: f64 = 2e-3;

/// Parts with less weight than this share of the probability sought do not move a distance.
const WEIGHT_SHARE: f64 = 1e-3;

impl Weighing {
    /// Begins with what an estimate says under these conditions.
    #[inline(never)]
    pub fn new(estimate: &Estimate, with: &Conditions<'_>) -> Self {
        let (figure, per_slope) = Figure::unweighed(estimate, with);
        let beside = figure.budget.beside_fit_squares();
        let size = if per_slope < 0.0 { -per_slope } else { per_slope };
        let parts = estimate.parts.map(|part| {
            let u = part.u * size;
            Part { weight: part.weight, off: part.off * per_slope, u: libm::sqrt(u * u + beside) }
        });
        let schedule = with.recipe.schedule();
        Self {
            figure,
            parts,
            z: [schedule.z_coverage(), schedule.z_accept(), schedule.z_reject()],
            wanted: Wanted::Coverage,
            tail: 0.0,
            factor: 0.0,
            widened: 1.0,
            between: None,
            halvings: 0,
            accept: 0.0,
        }
    }

    /// Does one bounded piece of work; the figure once it is whole.
    pub fn advance(&mut self) -> Option<Figure> {
        let Some((near, far)) = self.between else {
            let [coverage, accept, reject] = self.z;
            let z = match self.wanted {
                Wanted::Coverage => coverage,
                Wanted::Accept => accept,
                Wanted::Reject => reject,
            };
            // Few degrees of freedom widen every part alike.
            self.factor = student_quantile(z, self.figure.budget.freedom);
            self.widened = self.factor / z;
            self.tail = normal_tail(z);
            self.between = Some(self.bracket(self.factor, self.tail));
            self.halvings = 0;
            return None;
        };
        if self.halvings < HALVINGS_MAX && far - near > FINE_ENOUGH * far {
            let middle = 0.5 * (near + far);
            let beyond = self.beyond(middle, self.widened, self.tail);
            self.between = Some(if beyond { (middle, far) } else { (near, middle) });
            self.halvings += 1;
            return None;
        }
        self.between = None;
        match self.wanted {
            Wanted::Coverage => {
                self.figure.expanded = LeakRate::from_pa_m3_s(far);
                self.wanted = Wanted::Accept;
            }
            Wanted::Accept => {
                self.accept = far / self.factor;
                self.wanted = Wanted::Reject;
            }
            Wanted::Reject => {
                let reject = far / self.factor;
                self.figure.budget.guard = if reject > self.accept { reject } else { self.accept };
                return Some(self.figure);
            }
        }
        None
    }

    /// How far off a part lies in the direction sought.
    fn off(&self, part: &Part) -> f64 {
        match self.wanted {
            Wanted::Coverage => {
                if part.off < 0.0 {
                    -part.off
                } else {
                    part.off
                }
            }
            Wanted::Accept => part.off,
            Wanted::Reject => -part.off,
        }
    }

    /// The distances of the parts, one by one: that of the whole lies between the least and the greatest.
    fn bracket(&self, factor: f64, tail: f64) -> (f64, f64) {
        let (mut near, mut far) = (f64::INFINITY, 0.0);
        for part in self.parts.iter().filter(|part| part.weight > WEIGHT_SHARE * tail) {
            let own = factor * part.u;
            let off = self.off(part);
            let least = if self.wanted == Wanted::Coverage { own } else { off + own };
            near = if least < near { least } else { near };
            far = if off + own > far { off + own } else { far };
        }
        // A guard band never reaches to the other side of the figure.
        (if near > 0.0 { near } else { 0.0 }, far)
    }

    /// Whether the probability that the leak lies farther out than this, halved where both ways count, is over `tail`.
    fn beyond(&self, distance: f64, widened: f64, tail: f64) -> bool {
        let mut sum = 0.0;
        for part in self.parts.iter().filter(|part| part.weight > WEIGHT_SHARE * tail) {
            let u = part.u * widened;
            let off = self.off(part);
            let out = normal_tail((distance - off) / u);
            sum += part.weight
                * match self.wanted {
                    Wanted::Coverage => 0.5 * (out + normal_tail((distance + off) / u)),
                    Wanted::Accept | Wanted::Reject => out,
                };
            // Every part adds, none takes away.
            if sum > tail {
                return true;
            }
        }
        false
    }
}
