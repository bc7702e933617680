//! Least squares with what is known before: the most probable parameters, and their covariance.
//!
//! The method of Levenberg and Marquardt on the normal equations (W. H. Press and others, *Numerical Recipes*, section 15.5; from
//! memory), with every parameter scaled so that it has mean 0 and standard deviation 1 before the fit: its own square is then
//! one more term of the sum, and the matrix is never singular. Our own, because the crate for it brings a linear-algebra library
//! that takes 15 s of processor time to build, and what it would save is the sixty lines below.

/// A square matrix, row by row.
pub type Matrix = Vec<Vec<f64>>;

/// Normal equations of linearised least squares.
#[derive(Clone, Debug)]
pub struct Normal {
    /// Jᵀ J.
    pub matrix: Matrix,
    /// Jᵀ r.
    pub right: Vec<f64>,
    /// rᵀ r.
    pub square: f64,
}

impl Normal {
    /// Of so many parameters, with nothing in it.
    pub fn new(parameters: usize) -> Self {
        Self { matrix: vec![vec![0.0; parameters]; parameters], right: vec![0.0; parameters], square: 0.0 }
    }

    /// Adds residuals and their columns, each with its place; `columns` have the length of `residuals`.
    pub fn add(&mut self, residuals: &[f64], columns: &[(usize, Vec<f64>)]) {
        let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
        self.square += dot(residuals, residuals);
        for (number, (i, a)) in columns.iter().enumerate() {
            if let Some(right) = self.right.get_mut(*i) {
                *right += dot(a, residuals);
            }
            for (j, b) in columns.iter().skip(number) {
                let value = dot(a, b);
                self.add_to(*i, *j, value);
                if i != j {
                    self.add_to(*j, *i, value);
                }
            }
        }
    }

    /// Adds those of further residuals of the same parameters.
    pub fn merge(&mut self, other: &Self) {
        self.square += other.square;
        self.right.iter_mut().zip(&other.right).for_each(|(a, b)| *a += b);
        for (row, other) in self.matrix.iter_mut().zip(&other.matrix) {
            row.iter_mut().zip(other).for_each(|(a, b)| *a += b);
        }
    }

    fn add_to(&mut self, i: usize, j: usize, value: f64) {
        if let Some(at) = self.matrix.get_mut(i).and_then(|row| row.get_mut(j)) {
            *at += value;
        }
    }
}

/// The lower factor of Cholesky's; `None` where the matrix is not positive definite.
fn cholesky(matrix: &Matrix) -> Option<Matrix> {
    let n = matrix.len();
    let mut lower = vec![vec![0.0; n]; n];
    for i in 0..n {
        for j in 0..=i {
            let known: f64 = lower[i].iter().zip(&lower[j]).take(j).map(|(a, b)| a * b).sum();
            let sum = matrix[i][j] - known;
            if i == j {
                if !(sum > 0.0) {
                    return None;
                }
                lower[i][i] = sum.sqrt();
            } else {
                lower[i][j] = sum / lower[j][j];
            }
        }
    }
    Some(lower)
}

/// Solves `matrix · x = right`.
pub fn solve(matrix: &Matrix, right: &[f64]) -> Option<Vec<f64>> {
    let lower = cholesky(matrix)?;
    let n = right.len();
    let mut x = right.to_vec();
    for i in 0..n {
        let known: f64 = lower[i].iter().zip(&x).take(i).map(|(a, x)| a * x).sum();
        x[i] = (x[i] - known) / lower[i][i];
    }
    for i in (0..n).rev() {
        let known: f64 = lower.iter().zip(&x).skip(i + 1).map(|(row, x)| row[i] * x).sum();
        x[i] = (x[i] - known) / lower[i][i];
    }
    x.iter().all(|value| value.is_finite()).then_some(x)
}

/// The inverse.
pub fn inverse(matrix: &Matrix) -> Option<Matrix> {
    let n = matrix.len();
    (0..n)
        .map(|column| {
            let mut unit = vec![0.0; n];
            unit[column] = 1.0;
            solve(matrix, &unit)
        })
        .collect()
}

/// What is minimised.
pub trait Problem {
    /// The sum of squares of the whitened residuals at `z`; `None` where the model is not valid.
    fn square(&self, z: &[f64]) -> Option<f64>;
    /// Residuals (readings less model) and slopes of the model at `z`.
    fn normal(&self, z: &[f64]) -> Option<Normal>;
}

/// Longest search. Each step asks for all slopes once.
const STEPS_MAX: usize = 30;
/// How near is near enough: when a step would lessen the sum of squares by less than this. One standard uncertainty makes 1.
pub const NEAR: f64 = 0.05;
/// The same while a search begins, and the integrator is coarse.
pub const ROUGHLY: f64 = 1.0;
/// Damped ever more so many times a step is tried.
const TRIES_MAX: usize = 5;

/// Searches from `z`, moving only the parameters that are `free`. Returns the last normal equations, those of the point found.
pub fn search(problem: &impl Problem, z: &mut [f64], free: &[bool], near: f64) -> Option<Normal> {
    let with_prior = |square: f64, z: &[f64]| square + z.iter().map(|z| z * z).sum::<f64>();
    let mut normal = problem.normal(z)?;
    let mut lambda = 1e-3;
    for _ in 0..STEPS_MAX {
        let now = with_prior(normal.square, z);
        let mut moved = false;
        for _ in 0..TRIES_MAX {
            let step = step(&normal, z, free, lambda)?;
            // What the linear model promises.
            let promised: f64 = step.iter().zip(&normal.right).zip(z.iter()).map(|((d, g), z)| d * (g - z)).sum();
            if promised < near {
                break;
            }
            let there: Vec<f64> = z.iter().zip(&step).map(|(z, d)| z + d).collect();
            match problem.square(&there).map(|square| with_prior(square, &there)) {
                Some(square) if square < now => {
                    z.copy_from_slice(&there);
                    lambda = (lambda * 0.2_f64).max(1e-9);
                    moved = now - square > 0.5 * near;
                    break;
                }
                _ => lambda = (lambda * 8.0).max(1e-4),
            }
        }
        if !moved {
            break;
        }
        normal = problem.normal(z)?;
    }
    Some(normal)
}

/// A step, damped by `lambda`, and none longer than one standard deviation of what was known before.
fn step(normal: &Normal, z: &[f64], free: &[bool], lambda: f64) -> Option<Vec<f64>> {
    let n = z.len();
    let mut matrix = normal.matrix.clone();
    let mut right: Vec<f64> = normal.right.iter().zip(z).map(|(g, z)| g - z).collect();
    for i in 0..n {
        matrix[i][i] = (matrix[i][i] + 1.0) * (1.0 + lambda);
        if !free.get(i).copied().unwrap_or(true) {
            matrix[i].fill(0.0);
            matrix.iter_mut().for_each(|row| row[i] = 0.0);
            (matrix[i][i], right[i]) = (1.0, 0.0);
        }
    }
    let mut step = solve(&matrix, &right)?;
    let longest = step.iter().fold(0.0_f64, |most, d| most.max(d.abs()));
    if longest > 1.0 {
        step.iter_mut().for_each(|d| *d /= longest);
    }
    Some(step)
}

/// Covariance at the point found: of what the readings say together with what was known before.
pub fn covariance(normal: &Normal) -> Option<Matrix> {
    let mut matrix = normal.matrix.clone();
    for (i, row) in matrix.iter_mut().enumerate() {
        row[i] += 1.0;
    }
    inverse(&matrix)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A decay a·exp(−t/τ) with a and τ as factors.
    struct Decay(Vec<(f64, f64)>);

    impl Decay {
        fn model(z: &[f64], t: f64) -> f64 {
            100.0 * libm::exp(z[0]) * libm::exp(-t / (2.0 * libm::exp(z[1])))
        }
    }

    impl Problem for Decay {
        fn square(&self, z: &[f64]) -> Option<f64> {
            Some(self.0.iter().map(|(t, y)| (y - Self::model(z, *t)).powi(2)).sum())
        }

        fn normal(&self, z: &[f64]) -> Option<Normal> {
            let mut normal = Normal::new(3);
            let residuals: Vec<f64> = self.0.iter().map(|(t, y)| y - Self::model(z, *t)).collect();
            let slope = |i: usize| {
                let mut there = z.to_vec();
                there[i] += 1e-6;
                self.0.iter().map(|(t, _)| (Self::model(&there, *t) - Self::model(z, *t)) / 1e-6).collect()
            };
            normal.add(&residuals, &[(0, slope(0)), (1, slope(1))]);
            Some(normal)
        }
    }

    #[test]
    fn a_decay_is_found_and_what_is_not_told_stays_as_it_was() {
        let truth = [0.4, -0.7, 0.0];
        let decay = Decay((0..100).map(|i| 0.05 * f64::from(i)).map(|t| (t, Decay::model(&truth, t))).collect());
        let mut z = vec![0.0; 3];
        let normal = search(&decay, &mut z, &[true; 3], 1e-3).unwrap();
        // The prior draws a little.
        assert!((z[0] - 0.4).abs() < 2e-3 && (z[1] + 0.7).abs() < 2e-3 && z[2] == 0.0, "{z:?}");
        let covariance = covariance(&normal).unwrap();
        assert!(covariance[0][0] < 1e-2 && (covariance[2][2] - 1.0).abs() < 1e-12);
    }

    #[test]
    fn a_matrix_times_its_inverse_is_one() {
        let matrix = vec![vec![4.0, 1.0, 0.5], vec![1.0, 3.0, 0.2], vec![0.5, 0.2, 2.0]];
        let inverse = inverse(&matrix).unwrap();
        for (i, row) in matrix.iter().enumerate() {
            for (j, column) in inverse.iter().enumerate() {
                // Symmetric, so a row of the inverse is its column.
                let one: f64 = row.iter().zip(column).map(|(a, b)| a * b).sum();
                assert!((one - f64::from(u8::from(i == j))).abs() < 1e-12);
            }
        }
        assert!(super::inverse(&vec![vec![0.0]]).is_none());
    }
}
