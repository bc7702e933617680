//! One curve fitted to the sums: linear regression with normal priors (Gelman et al., *Bayesian Data Analysis*, 3rd
//! ed., 14.8, from memory), solved by LDLᵀ (Golub & Van Loan, *Matrix Computations*, 4.1, from memory).

use super::gram::{Column, Gram};
use crate::limits::EXPONENTIALS;
use crate::sqrt::sqrt;

/// Most unknowns of a curve: every exponential's amplitude, one shift of a time constant, and the slope.
const UNKNOWNS: usize = EXPONENTIALS + 2;

/// Prior of a curve's unknowns, one exponential being the dominant mode of the transient. All heights are standard
/// deviations of amplitudes at the first block, in counts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Prior {
    /// Index of the dominant mode.
    pub(super) dominant: usize,
    /// Exponentials in use.
    pub(super) count: usize,
    /// Standard deviation of the dominant mode's ln τ over τ, in 1/s; 0 for an exact time constant.
    pub(super) u_shift: f64,
    /// Standard deviation of every minor mode relative to the whole transient, at isolation; 0 for no minor modes.
    pub(super) minor: f64,
    /// Fraction of each exponential that remains at the first block, of a transient of height 1 that began at
    /// isolation.
    pub(super) remaining: [f64; EXPONENTIALS],
    /// Height of the transient as it began, in counts; `None` where it follows from the dominant mode alone.
    pub(super) height: Option<f64>,
    /// The most that the dominant mode's own may be taken for, in counts.
    pub(super) height_max: f64,
}

/// A curve: `y_mean + b·t + Σ a_k·(e_k − ē_k) + c·(t·e_g − mean)`, g the dominant mode, with time about its mean, and
/// its uncertainty.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Posterior {
    pub(super) slope: f64,
    /// Amplitudes, by exponential.
    pub(super) amplitudes: [f64; EXPONENTIALS],
    /// c, in counts a second: the dominant mode's amplitude times the error of ln τ, over τ.
    pub(super) shift: f64,
    /// Variance of the slope over that of a sample.
    pub(super) slope_variance: f64,
    /// Residual squares, with the priors' penalty.
    pub(super) squares: f64,
    /// Factor by which the readings narrow the priors: the square of a probability density's ratio.
    pub(super) bayes_factor: f64,
    /// Effective number of unknowns fixed by the readings: a fraction for each that has a prior as well.
    pub(super) effective_parameters: f64,
    /// The fit of slope and dominant mode alone, over the variance of a sample.
    pub(super) ols: Ols,
    /// Height of the transient as it began, were the dominant mode alone, in counts.
    pub(super) height: f64,
}

/// Line and one exponential with an exact time constant: variances and covariance over the variance of a sample.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Ols {
    pub(super) bb: f64,
    pub(super) ba: f64,
    pub(super) aa: f64,
    amplitude: f64,
}

/// A transient that is over, or hardly curved, cannot be distinguished from a line: least share of its squares that is
/// orthogonal to the line.
const OWN_MIN: f64 = 1e-9;

/// Least precision of a prior, as a share of that of the readings: as far as doubles carry the elimination.
const PRECISION_MIN: f64 = 1e-10;

/// A pivot below this share of its initial value is rounding only.
const ROUNDING: f64 = 1e-14;

/// Pivot of an unknown pinned to zero: large, but not infinite, which would produce NaN.
const PINNED: f64 = 1e200;

/// Standard deviation of the dominant mode's amplitude, relative to the transient's height from the first pass: wide,
/// for that pass may have been too early to know (our judgement, no source; measured in docs/figures.md).
const DOMINANT_SD: f64 = 3.0;

/// Slope alone.
pub(super) fn line(gram: &Gram) -> Option<Posterior> {
    let tt = gram.product(Column::Slope, Column::Slope);
    if !(tt > 0.0) {
        return None;
    }
    let slope = gram.with_readings(Column::Slope) / tt;
    Some(Posterior {
        slope,
        amplitudes: [0.0; EXPONENTIALS],
        shift: 0.0,
        slope_variance: 1.0 / tt,
        squares: gram.readings() - slope * gram.with_readings(Column::Slope),
        bayes_factor: 1.0,
        effective_parameters: 1.0,
        ols: Ols { bb: 1.0 / tt, ..Ols::default() },
        height: 0.0,
    })
}

/// With the determinant of its two equations, and the sum of squares of the times.
fn ordinary_least_squares(gram: &Gram, dominant: usize) -> Option<(Ols, f64, f64)> {
    let (b, a) = (Column::Slope, Column::Exponential(dominant));
    let (tt, te, ee) = (gram.product(b, b), gram.product(b, a), gram.product(a, a));
    let det = tt * ee - te * te;
    if !(ee > 0.0) || !(det > OWN_MIN * tt * ee) {
        return None;
    }
    let (ba, aa) = (-te / det, tt / det);
    let amplitude = ba * gram.with_readings(b) + aa * gram.with_readings(a);
    Some((Ols { bb: ee / det, ba, aa, amplitude }, det, tt))
}

/// Slope, amplitudes and the shift of the dominant mode's time constant, with readings of `variance` per sample.
///
/// Bayesian linear regression (Gelman et al., *Bayesian Data Analysis*, 3rd ed., 14.8, from memory): a normal prior of
/// mean 0 and standard deviation s adds `variance/s²` to the diagonal of the normal equations. Slope and dominant mode
/// have none in the first pass; in the second the dominant mode has one as well. The equations are solved by symmetric
/// elimination, LDLᵀ without pivoting (Golub & Van Loan, *Matrix Computations*, 4.1, from memory), the slope last: its
/// pivot is the reciprocal of its variance. `None` where the dominant mode cannot be distinguished from a line.
pub(super) fn transient(gram: &Gram, prior: &Prior, variance: f64) -> Option<Posterior> {
    let (ols, det, tt) = ordinary_least_squares(gram, prior.dominant)?;
    let remaining = |k: usize| prior.remaining.get(k).copied().unwrap_or(1.0);
    // An amplitude is known no better than its own standard uncertainty.
    let own_height = sqrt(ols.amplitude * ols.amplitude + variance * ols.aa) / remaining(prior.dominant);
    let own_height = if own_height > prior.height_max { prior.height_max } else { own_height };
    let height = prior.height.unwrap_or(own_height);
    let precision = |share: f64, k: usize| {
        let sd = share * height * remaining(k);
        variance / (sd * sd)
    };

    let mut system = System::EMPTY;
    let dominant = prior.height.map_or(0.0, |_| precision(DOMINANT_SD, prior.dominant));
    system.add(gram, Column::Exponential(prior.dominant), dominant);
    if prior.minor > 0.0 {
        for k in (0..prior.count).filter(|&k| k != prior.dominant) {
            system.add(gram, Column::Exponential(k), precision(prior.minor, k));
        }
    }
    if prior.u_shift > 0.0 {
        system.add(gram, Column::Shift(prior.dominant), precision(prior.u_shift, prior.dominant));
    }
    system.add(gram, Column::Slope, 0.0);
    system.eliminate();

    let mut posterior = Posterior {
        slope: 0.0,
        amplitudes: [0.0; EXPONENTIALS],
        shift: 0.0,
        slope_variance: system.last_pivot_inverse(),
        squares: gram.readings() - system.explained(),
        bayes_factor: 1.0,
        effective_parameters: 0.0,
        ols,
        height: own_height,
    };
    // Without the two that have no prior, the rest of the determinant is that of the others.
    let mut ratio = 1.0;
    for row in system.rows.iter().take(system.count) {
        ratio *= if row.precision > 0.0 { row.precision * row.inverse } else { row.inverse };
        posterior.effective_parameters += 1.0 - row.precision * row.inverse;
    }
    posterior.bayes_factor = ratio * if prior.height.is_some() { tt } else { det };
    system.solution(&mut |column, value| match column {
        Column::Slope => posterior.slope = value,
        Column::Shift(_) => posterior.shift = value,
        Column::Exponential(k) => {
            if let Some(slot) = posterior.amplitudes.get_mut(k) {
                *slot = value;
            }
        }
    });
    (posterior.slope_variance > 0.0).then_some(posterior)
}

/// One unknown's equation: after elimination, its row of L, its pivot and its share of the right-hand side.
#[derive(Clone, Copy, Debug)]
struct Row {
    column: Column,
    mean: f64,
    /// Lower triangle, this row, without its diagonal.
    lower: [f64; UNKNOWNS - 1],
    pivot: f64,
    /// One over the pivot.
    inverse: f64,
    rhs: f64,
    precision: f64,
}

/// Symmetric normal equations.
struct System {
    rows: [Row; UNKNOWNS],
    count: usize,
}

impl System {
    const EMPTY: Self = Self {
        rows: [Row {
            column: Column::Slope,
            mean: 0.0,
            lower: [0.0; UNKNOWNS - 1],
            pivot: 0.0,
            inverse: 0.0,
            rhs: 0.0,
            precision: 0.0,
        }; UNKNOWNS],
        count: 0,
    };

    fn add(&mut self, gram: &Gram, column: Column, precision: f64) {
        let mut lower = [0.0; UNKNOWNS - 1];
        for (slot, before) in lower.iter_mut().zip(&self.rows).take(self.count) {
            *slot = gram.product_about(column, before.column, before.mean);
        }
        let mean = gram.mean(column);
        let own = gram.product_about(column, column, mean);
        let least = PRECISION_MIN * own;
        let precision = if precision > 0.0 && precision < least { least } else { precision };
        if let Some(row) = self.rows.get_mut(self.count) {
            *row = Row {
                column,
                mean,
                lower,
                pivot: own + precision,
                inverse: 0.0,
                rhs: gram.with_readings(column),
                precision,
            };
            self.count += 1;
        }
    }

    /// Turns the rows into L, D and the right-hand side of `L·z = r`. An unknown whose pivot has vanished in rounding
    /// is pinned to zero.
    fn eliminate(&mut self) {
        for i in 0..self.count {
            let Some((above, [row, ..])) = self.rows.split_at_mut_checked(i) else { break };
            for (j, before) in above.iter().enumerate() {
                // Part of this product explained by the rows above.
                let mut product = row.lower.get(j).copied().unwrap_or(0.0);
                for (u, l) in row.lower.iter().zip(&before.lower).take(j) {
                    product -= u * l;
                }
                if let Some(slot) = row.lower.get_mut(j) {
                    *slot = product;
                }
            }
            let initial = row.pivot;
            for (u, before) in row.lower.iter_mut().zip(above.iter()) {
                // From here on L itself, no longer times the pivot.
                let l = *u * before.inverse;
                row.pivot -= *u * l;
                row.rhs -= l * before.rhs;
                *u = l;
            }
            if !(row.pivot > ROUNDING * initial) {
                row.pivot = PINNED;
            }
            row.inverse = 1.0 / row.pivot;
        }
    }

    /// Squares of the readings that the unknowns explain.
    fn explained(&self) -> f64 {
        self.rows.iter().take(self.count).map(|row| row.rhs * row.rhs * row.inverse).sum()
    }

    fn last_pivot_inverse(&self) -> f64 {
        self.rows.iter().take(self.count).next_back().map_or(0.0, |row| row.inverse)
    }

    /// Back substitution: `Lᵀ·x = D⁻¹·z`, from the last unknown up, emitted one by one. Overwrites the right-hand
    /// sides.
    fn solution(&mut self, emit: &mut dyn FnMut(Column, f64)) {
        for i in (0..self.count).rev() {
            let Some((above, [row, ..])) = self.rows.split_at_mut_checked(i) else { break };
            let value = row.rhs * row.inverse;
            emit(row.column, value);
            // Subtract the known value's share from the equations above. Their right-hand sides are still to be
            // divided.
            for (before, l) in above.iter_mut().zip(&row.lower) {
                before.rhs -= l * value * before.pivot;
            }
        }
    }
}
