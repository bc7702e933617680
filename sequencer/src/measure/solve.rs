use super::gram::{Column, Gram};
use crate::limits::SETTLINGS;

/// Most unknowns of a curve: every settling amplitude, one shift of a time constant, and the slope.
const UNKNOWNS: usize = SETTLINGS + 2;

/// What is known of a curve's unknowns before the readings, one settling being the greater part of the transient. All
/// heights are standard deviations of amplitudes at the first block, in counts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Prior {
    /// Which settling is the greater part.
    pub(super) greater: usize,
    /// Settlings in use.
    pub(super) count: usize,
    /// Standard deviation of the greater part's ln τ over τ, in 1/s; 0 for an exact time constant.
    pub(super) u_shift: f64,
    /// Standard deviation of every lesser part over the whole transient, as both began; 0 for no lesser parts.
    pub(super) lesser: f64,
    /// What has been left, by the first block, of a transient of height 1 that began with the valve shut.
    pub(super) left: [f64; SETTLINGS],
    /// Height of the transient as it began, in counts; `None` where the greater part alone says it.
    pub(super) height: Option<f64>,
}

/// A curve: `y_mean + b·t + Σ a_k·(e_k − ē_k) + c·(t·e_g − mean)`, g the greater part, with time about its mean, and how well
/// it is known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Solved {
    pub(super) slope: f64,
    /// Amplitudes, by settling.
    pub(super) amplitudes: [f64; SETTLINGS],
    /// c, in counts a second: the greater part's amplitude times what ln τ is off by, over τ.
    pub(super) shift: f64,
    /// Variance of the slope over that of a sample.
    pub(super) slope_variance: f64,
    /// Residual squares, with the priors' penalty.
    pub(super) squares: f64,
    /// By how much the readings narrow what was known beforehand: the square of a probability density's ratio.
    pub(super) narrowed: f64,
    /// How many unknowns the readings fix, a share for each that the prior holds as well.
    pub(super) freedom: f64,
    /// The fit of slope and greater part alone, over the variance of a sample.
    pub(super) plain: Plain,
    /// Height of the transient as it began, were the greater part alone, in counts.
    pub(super) height: f64,
}

/// Line and one exponential with an exact time constant: variances and covariance over the variance of a sample.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Plain {
    pub(super) bb: f64,
    pub(super) ba: f64,
    pub(super) aa: f64,
    amplitude: f64,
}

/// A transient that is over, or hardly bends, cannot be told from a line: the share of its squares that must be its own.
const OWN_MIN: f64 = 1e-9;

/// Least precision of a prior, as a share of what the readings say: as far as doubles carry the elimination.
const PRECISION_MIN: f64 = 1e-10;

/// A pivot under this share of what it was is nothing but rounding.
const ROUNDING: f64 = 1e-14;

/// Pivot of an unknown that is held: so large that it stays at nothing, and not infinite, which would breed NaN.
const HELD: f64 = 1e200;

/// Standard deviation of the greater part's amplitude over the transient's height as the likely curves of a first fit have
/// it: wide, for that fit may have been too early to know (our judgement, no source; measured in docs/figures.md).
const GREATER: f64 = 3.0;

/// Slope alone.
pub(super) fn line(gram: &Gram) -> Option<Solved> {
    let tt = gram.product(Column::Slope, Column::Slope);
    if !(tt > 0.0) {
        return None;
    }
    let slope = gram.with_readings(Column::Slope) / tt;
    Some(Solved {
        slope,
        amplitudes: [0.0; SETTLINGS],
        shift: 0.0,
        slope_variance: 1.0 / tt,
        squares: gram.readings() - slope * gram.with_readings(Column::Slope),
        narrowed: 1.0,
        freedom: 1.0,
        plain: Plain { bb: 1.0 / tt, ..Plain::default() },
        height: 0.0,
    })
}

/// Also the determinant of its two equations, and the squares of the times.
fn plain(gram: &Gram, greater: usize) -> Option<(Plain, f64, f64)> {
    let (b, a) = (Column::Slope, Column::Settling(greater));
    let (tt, te, ee) = (gram.product(b, b), gram.product(b, a), gram.product(a, a));
    let det = tt * ee - te * te;
    if !(ee > 0.0) || !(det > OWN_MIN * tt * ee) {
        return None;
    }
    let (ba, aa) = (-te / det, tt / det);
    let amplitude = ba * gram.with_readings(b) + aa * gram.with_readings(a);
    Some((Plain { bb: ee / det, ba, aa, amplitude }, det, tt))
}

/// Slope, amplitudes and the shift of the greater part's time constant, readings having the `variance` a sample.
///
/// Bayesian linear regression (Gelman et al., *Bayesian Data Analysis*, 3rd ed., 14.8, from memory): a normal prior of
/// mean 0 and standard deviation s adds `variance/s²` to the diagonal of the normal equations. Greater part and slope
/// have none in a first fit; in a second the greater part has one as well. The equations are solved by symmetric elimination, LDLᵀ without pivoting (Golub & Van Loan, *Matrix
/// Computations*, 4.1, from memory), the slope last: its pivot is the reciprocal of its variance. `None` where the
/// greater part cannot be told from a line.
pub(super) fn transient(gram: &Gram, prior: &Prior, variance: f64) -> Option<Solved> {
    let (plain, det, tt) = plain(gram, prior.greater)?;
    let left = |k: usize| prior.left.get(k).copied().unwrap_or(1.0);
    // An amplitude is no better known than its own scatter.
    let own_height = libm::sqrt(plain.amplitude * plain.amplitude + variance * plain.aa) / left(prior.greater);
    let height = prior.height.unwrap_or(own_height);
    let known = |share: f64, k: usize| {
        let sd = share * height * left(k);
        variance / (sd * sd)
    };

    let mut system = System::EMPTY;
    let greater = prior.height.map_or(0.0, |_| known(GREATER, prior.greater));
    system.add(gram, Column::Settling(prior.greater), greater);
    if prior.lesser > 0.0 {
        for k in (0..prior.count).filter(|&k| k != prior.greater) {
            system.add(gram, Column::Settling(k), known(prior.lesser, k));
        }
    }
    if prior.u_shift > 0.0 {
        system.add(gram, Column::Shift(prior.greater), known(prior.u_shift, prior.greater));
    }
    system.add(gram, Column::Slope, 0.0);
    system.eliminate();

    let mut solved = Solved {
        slope: 0.0,
        amplitudes: [0.0; SETTLINGS],
        shift: 0.0,
        slope_variance: system.last_pivot_inverse(),
        squares: gram.readings() - system.explained(),
        narrowed: 1.0,
        freedom: 0.0,
        plain,
        height: own_height,
    };
    // Without the two that have no prior, what is left of the determinant is that of the others.
    let mut narrowed = 1.0;
    for row in system.rows.iter().take(system.count) {
        narrowed *= if row.precision > 0.0 { row.precision * row.inverse } else { row.inverse };
        solved.freedom += 1.0 - row.precision * row.inverse;
    }
    solved.narrowed = narrowed * if prior.height.is_some() { tt } else { det };
    system.solution(&mut |column, value| match column {
        Column::Slope => solved.slope = value,
        Column::Shift(_) => solved.shift = value,
        Column::Settling(k) => {
            if let Some(slot) = solved.amplitudes.get_mut(k) {
                *slot = value;
            }
        }
    });
    (solved.slope_variance > 0.0).then_some(solved)
}

/// One unknown's equation: after elimination, its row of L, its pivot and its share of the right-hand side.
#[derive(Clone, Copy, Debug)]
struct Row {
    column: Column,
    mean: f64,
    /// Lower triangle, this row, without its diagonal.
    left: [f64; UNKNOWNS - 1],
    pivot: f64,
    /// One over the pivot.
    inverse: f64,
    right: f64,
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
            left: [0.0; UNKNOWNS - 1],
            pivot: 0.0,
            inverse: 0.0,
            right: 0.0,
            precision: 0.0,
        }; UNKNOWNS],
        count: 0,
    };

    fn add(&mut self, gram: &Gram, column: Column, precision: f64) {
        let mut left = [0.0; UNKNOWNS - 1];
        for (slot, before) in left.iter_mut().zip(&self.rows).take(self.count) {
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
                left,
                pivot: own + precision,
                inverse: 0.0,
                right: gram.with_readings(column),
                precision,
            };
            self.count += 1;
        }
    }

    /// Turns the rows into L, D and the right-hand side of `L·z = r`. An unknown whose pivot rounding has brought to
    /// nothing is held at nothing.
    fn eliminate(&mut self) {
        for i in 0..self.count {
            let Some((above, [row, ..])) = self.rows.split_at_mut_checked(i) else { break };
            for (j, before) in above.iter().enumerate() {
                // What the rows before already explain of this product.
                let mut product = row.left.get(j).copied().unwrap_or(0.0);
                for (u, l) in row.left.iter().zip(&before.left).take(j) {
                    product -= u * l;
                }
                if let Some(slot) = row.left.get_mut(j) {
                    *slot = product;
                }
            }
            let whole = row.pivot;
            for (u, before) in row.left.iter_mut().zip(above.iter()) {
                // From here on L itself, no longer times the pivot.
                let l = *u * before.inverse;
                row.pivot -= *u * l;
                row.right -= l * before.right;
                *u = l;
            }
            if !(row.pivot > ROUNDING * whole) {
                row.pivot = HELD;
            }
            row.inverse = 1.0 / row.pivot;
        }
    }

    /// Squares of the readings that the unknowns explain.
    fn explained(&self) -> f64 {
        self.rows.iter().take(self.count).map(|row| row.right * row.right * row.inverse).sum()
    }

    fn last_pivot_inverse(&self) -> f64 {
        self.rows.iter().take(self.count).next_back().map_or(0.0, |row| row.inverse)
    }

    /// Back substitution: `Lᵀ·x = D⁻¹·z`, from the last unknown up, told one by one. Overwrites the right-hand sides.
    fn solution(&mut self, tell: &mut dyn FnMut(Column, f64)) {
        for i in (0..self.count).rev() {
            let Some((above, [row, ..])) = self.rows.split_at_mut_checked(i) else { break };
            let value = row.right * row.inverse;
            tell(row.column, value);
            // Known now, its share goes off the equations above. Their right-hand sides are still to be divided.
            for (before, l) in above.iter_mut().zip(&row.left) {
                before.right -= l * value * before.pivot;
            }
        }
    }
}
