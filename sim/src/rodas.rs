//! The integrator: RODAS, a six-stage stiffly accurate Rosenbrock method of order 4 with an embedded solution of
//! order 3 and a dense output of order 3 (Hairer & Wanner, *Solving Ordinary Differential Equations II*, 2nd ed.,
//! section VI.4; coefficients as in their published code RODAS, method 1).
//!
//! # Why this one
//!
//! - A wide-open ball joins millilitres through a conductance that would equalise them within microseconds, while a
//!   test lasts minutes: the equations are stiff, and an explicit method would need tiny steps. RODAS is L-stable: it
//!   steps over transients that have decayed.
//! - Linear invariants (mass; energy of gas and wall) are kept to rounding by any Rosenbrock method with an exact
//!   Jacobian, because every stage is a linear combination of right-hand sides and Jacobian products. There is no
//!   Newton iteration whose termination could leave a residue, and no iteration count that could differ between
//!   machines.
//! - The dense output makes samples cheap: while a tight valve holds pressure, one step spans thousands of samples, and
//!   each is one cubic.
//! - No heap, a fixed amount of work a step, only + − × ÷ √: the same bits everywhere.

/// A system of `N` equations `dy/dt = f(t, y)`.
pub trait System<const N: usize> {
    /// Solver of its linear equations.
    type Factors: Factors<N>;

    /// The right-hand side; false when the state is not physical (a negative mass).
    fn rate(&self, t: f64, y: &[f64; N], f: &mut [f64; N]) -> bool;

    /// As [`System::rate`], with the Jacobian `jac[row][column] = ∂f_row/∂y_column` and `∂f/∂t`.
    fn slopes(&self, t: f64, y: &[f64; N], f: &mut [f64; N], jac: &mut [[f64; N]; N], dfdt: &mut [f64; N]) -> bool;

    /// Whether a state is physical.
    fn is_physical(&self, y: &[f64; N]) -> bool;

    /// Absolute tolerance of each component.
    fn abs_tol(&self) -> &[f64; N];
}

/// Linear equations `(shift·I − J) x = b` with one matrix and many right-hand sides.
pub trait Factors<const N: usize> {
    /// Before any factorisation.
    const EMPTY: Self;

    /// Factorises; false where the matrix is singular.
    fn factor(&mut self, jac: &[[f64; N]; N], shift: f64) -> bool;

    /// Replaces a right-hand side by the solution.
    fn solve(&self, x: &mut [f64; N]);
}

const GAMMA: f64 = 0.25;
const A2: [f64; 1] = [1.544];
const A3: [f64; 2] = [0.946_678_528_081_582_6, 0.255_701_169_898_328_4];
const A4: [f64; 3] = [3.314_825_187_068_521, 2.896_124_015_972_201, 0.998_641_913_997_781_7];
const A5: [f64; 4] = [1.221_224_509_226_641, 6.019_134_481_288_629, 12.537_083_329_320_87, -0.687_886_036_105_895];
const C2: [f64; 1] = [-5.6688];
const C3: [f64; 2] = [-2.430_093_356_833_875, -0.206_359_915_709_191_5];
const C4: [f64; 3] = [-0.107_352_905_815_137_5, -9.594_562_251_023_355, -20.470_286_148_096_16];
const C5: [f64; 4] = [7.496_443_313_967_647, -10.246_804_314_643_52, -33.999_903_528_199_05, 11.708_908_932_061_6];
const C6: [f64; 5] = [
    8.083_246_795_921_522,
    -7.981_132_988_064_893,
    -31.521_594_328_743_71,
    16.319_305_431_231_36,
    -6.058_818_238_834_054,
];
/// Stage times.
const AT: [f64; 4] = [0.0, 0.386, 0.21, 0.63];
/// Weights of ∂f/∂t.
const D: [f64; 4] = [0.25, -0.1043, 0.1035, -0.036_200_000_000_000_23];
/// Dense output.
const H2: [f64; 5] = [
    10.126_235_083_445_86,
    -7.487_995_877_610_167,
    -34.800_918_615_557_47,
    -7.992_771_707_568_823,
    1.025_137_723_295_662,
];
const H3: [f64; 5] = [
    -0.676_280_339_280_125_3,
    6.087_714_651_680_015,
    16.430_843_208_924_78,
    24.767_225_114_183_86,
    -6.594_389_125_716_872,
];

/// A completed step, with the cubic through it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DenseStep<const N: usize> {
    /// Its start, s.
    pub t0: f64,
    /// Its length, s.
    pub h: f64,
    /// State at its beginning.
    pub y0: [f64; N],
    /// State at its end.
    pub y1: [f64; N],
    c2: [f64; N],
    c3: [f64; N],
}

impl<const N: usize> DenseStep<N> {
    /// A step of zero length, at this state.
    pub const fn still(t0: f64, y: [f64; N]) -> Self {
        Self { t0, h: 0.0, y0: y, y1: y, c2: [0.0; N], c3: [0.0; N] }
    }

    /// Its end, s.
    pub fn end(&self) -> f64 {
        self.t0 + self.h
    }

    /// Elapsed share of the step at time `t`, limited to 0 to 1.
    #[inline]
    pub fn share(&self, t: f64) -> f64 {
        if self.h > 0.0 { ((t - self.t0) / self.h).clamp(0.0, 1.0) } else { 1.0 }
    }

    /// One component at a share of the step.
    #[inline]
    pub fn component(&self, i: usize, s: f64) -> f64 {
        let rest = 1.0 - s;
        rest * self.y0[i] + s * (self.y1[i] + rest * (self.c2[i] + s * self.c3[i]))
    }

    /// The whole state at a share of the step.
    pub fn state(&self, s: f64) -> [f64; N] {
        core::array::from_fn(|i| self.component(i, s))
    }
}

/// Step counts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct SolverStats {
    /// Steps taken.
    pub steps: u64,
    /// Steps rejected.
    pub rejected: u64,
    /// Steps at the least length, taken whatever their error: none in a healthy plant.
    pub forced: u64,
}

/// The integrator's settings and step-size memory.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rodas {
    /// Relative tolerance.
    pub tolerance: f64,
    /// Longest step, s.
    pub h_max: f64,
    /// Length to try next, s.
    pub h_next: f64,
    /// Statistics.
    pub stats: SolverStats,
}

/// Start of a step, with state, rates and slopes there.
struct Begin<const N: usize> {
    t0: f64,
    y0: [f64; N],
    f0: [f64; N],
    jac: [[f64; N]; N],
    dfdt: [f64; N],
}

/// Shortest step, s: far below the fastest time constant (a tenth of a cubic centimetre behind the widest valve in
/// range empties in a fifth of a microsecond).
const H_MIN: f64 = 1e-12;
/// The same as a share of elapsed time, so that a step always advances time.
const H_MIN_SHARE: f64 = 1e-15;

impl Rodas {
    /// At rest, about to try a step of `h_first`.
    pub const fn new(tolerance: f64, h_max: f64, h_first: f64) -> Self {
        Self { tolerance, h_max, h_next: h_first, stats: SolverStats { steps: 0, rejected: 0, forced: 0 } }
    }

    /// Takes one step from the end of `step`, and replaces it. The step ends at `limit` at the latest, and exactly
    /// there if it would come close.
    pub fn step<const N: usize, S: System<N>>(&mut self, system: &S, step: &mut DenseStep<N>, limit: f64) {
        let mut begin = Begin { t0: step.end(), y0: step.y1, f0: [0.0; N], jac: [[0.0; N]; N], dfdt: [0.0; N] };
        let t0 = begin.t0;
        // A state the system refuses cannot have been accepted as a step's end, nor set by the plant.
        let _ = system.slopes(t0, &begin.y0, &mut begin.f0, &mut begin.jac, &mut begin.dfdt);
        let mut lu = S::Factors::EMPTY;
        let least = H_MIN.max(H_MIN_SHARE * t0);
        let mut h = self.h_next.min(self.h_max);
        loop {
            let remaining = limit - t0;
            // Leave no tiny last step.
            let last = h * 1.000_001 >= remaining;
            let tried = if last { remaining } else { h.min(remaining) };
            let forced = tried <= least;
            let Some(error) = self.try_step(system, &begin, tried, &mut lu, step) else {
                self.stats.rejected += 1;
                h = (tried * 0.25).max(least);
                if forced {
                    // No better option: hold the state over so short a time.
                    self.stats.forced += 1;
                    *step = DenseStep { h: tried, ..DenseStep::still(t0, begin.y0) };
                    return;
                }
                continue;
            };
            // Order 3 of the embedded solution: error ∝ h⁴. Two square roots make the fourth root.
            let root = crate::gas::sqrt(crate::gas::sqrt(error));
            let factor = (root / 0.9).clamp(0.2, 6.0);
            if error <= 1.0 || forced {
                self.stats.steps += 1;
                self.stats.forced += u64::from(error > 1.0);
                let next = tried / factor;
                // A step shortened by the limit gives no information on the next length.
                self.h_next = if last { next.max(self.h_next) } else { next };
                return;
            }
            self.stats.rejected += 1;
            h = (tried / factor).max(least);
        }
    }

    fn try_step<const N: usize, S: System<N>>(
        &self,
        system: &S,
        begin: &Begin<N>,
        h: f64,
        lu: &mut S::Factors,
        step: &mut DenseStep<N>,
    ) -> Option<f64> {
        let Begin { t0, y0, f0, jac, dfdt } = begin;
        let t0 = *t0;
        let inv_h = 1.0 / h;
        if !lu.factor(jac, inv_h / GAMMA) {
            return None;
        }
        let mut f = [0.0; N];
        // Stage i solves for k_i = f(t + at·h, y + Σ a·k) + Σ (c/h)·k + d·h·∂f/∂t.
        macro_rules! stage {
            ($f:expr, $d:expr, [$($c:expr, $k:expr);*]) => {{
                let mut k = [0.0; N];
                for i in 0..N {
                    k[i] = $f[i] + $d * h * dfdt[i] + inv_h * (0.0 $(+ $c * $k[i])*);
                }
                lu.solve(&mut k);
                k
            }};
        }
        macro_rules! point {
            ([$($a:expr, $k:expr);*]) => {{
                let mut y = *y0;
                for i in 0..N {
                    y[i] += 0.0 $(+ $a * $k[i])*;
                }
                y
            }};
        }
        let k1 = stage!(f0, D[0], []);
        if !system.rate(t0 + AT[1] * h, &point!([A2[0], k1]), &mut f) {
            return None;
        }
        let k2 = stage!(f, D[1], [C2[0], k1]);
        if !system.rate(t0 + AT[2] * h, &point!([A3[0], k1; A3[1], k2]), &mut f) {
            return None;
        }
        let k3 = stage!(f, D[2], [C3[0], k1; C3[1], k2]);
        if !system.rate(t0 + AT[3] * h, &point!([A4[0], k1; A4[1], k2; A4[2], k3]), &mut f) {
            return None;
        }
        let k4 = stage!(f, D[3], [C4[0], k1; C4[1], k2; C4[2], k3]);
        let mut y = point!([A5[0], k1; A5[1], k2; A5[2], k3; A5[3], k4]);
        if !system.rate(t0 + h, &y, &mut f) {
            return None;
        }
        let k5 = stage!(f, 0.0, [C5[0], k1; C5[1], k2; C5[2], k3; C5[3], k4]);
        for i in 0..N {
            y[i] += k5[i];
        }
        if !system.rate(t0 + h, &y, &mut f) {
            return None;
        }
        let k6 = stage!(f, 0.0, [C6[0], k1; C6[1], k2; C6[2], k3; C6[3], k4; C6[4], k5]);
        for i in 0..N {
            y[i] += k6[i];
        }
        // The end must be a physical state too, since the next step starts from it.
        if !system.is_physical(&y) {
            return None;
        }
        let abs_tol = system.abs_tol();
        let mut sum = 0.0;
        for i in 0..N {
            let scale = abs_tol[i] + self.tolerance * y0[i].abs().max(y[i].abs());
            let e = k6[i] / scale;
            sum += e * e;
        }
        let error = crate::gas::sqrt(sum / N as f64);
        if error.is_nan() {
            return None;
        }
        let blend = |w: &[f64; 5], i: usize| w[0] * k1[i] + w[1] * k2[i] + w[2] * k3[i] + w[3] * k4[i] + w[4] * k5[i];
        step.t0 = t0;
        step.h = h;
        step.y0 = *y0;
        step.y1 = y;
        for i in 0..N {
            step.c2[i] = blend(&H2, i);
            step.c3[i] = blend(&H3, i);
        }
        Some(error)
    }
}

/// Any matrix. Rows are swapped only where the pivot is poor, so the sparsity of a good ordering is kept.
///
/// Kept by columns: factorising and both solves then run down a column, which has no long chain of dependent additions,
/// and a column without an entry in a pivot row is unchanged.
#[derive(Clone, Debug)]
pub struct Dense<const N: usize> {
    columns: [[f64; N]; N],
    inverse: [f64; N],
    /// Rows swapped at each step; most often none.
    swaps: [u8; N],
    swapped: bool,
}

impl<const N: usize> Factors<N> for Dense<N> {
    const EMPTY: Self = Self { columns: [[0.0; N]; N], inverse: [0.0; N], swaps: [0; N], swapped: false };

    /// Factorises; false where the matrix is singular.
    fn factor(&mut self, jac: &[[f64; N]; N], shift: f64) -> bool {
        for (j, column) in self.columns.iter_mut().enumerate() {
            for (to, row) in column.iter_mut().zip(jac) {
                *to = -row[j];
            }
            column[j] += shift;
        }
        self.swapped = false;
        for k in 0..N {
            let mut best = k;
            let mut largest = self.columns[k][k].abs() * 10.0;
            for i in k + 1..N {
                let size = self.columns[k][i].abs();
                if size > largest {
                    (best, largest) = (i, size);
                }
            }
            self.swaps[k] = best as u8;
            if best != k {
                self.swapped = true;
                for column in &mut self.columns {
                    column.swap(best, k);
                }
            }
            let pivot = self.columns[k][k];
            if pivot == 0.0 || !pivot.is_finite() {
                return false;
            }
            let inverse = 1.0 / pivot;
            self.inverse[k] = inverse;
            let (left, right) = self.columns.split_at_mut(k + 1);
            let lower = &mut left[k];
            for l in &mut lower[k + 1..] {
                *l *= inverse;
            }
            for column in right {
                let u = column[k];
                if u != 0.0 {
                    for (x, l) in column[k + 1..].iter_mut().zip(&lower[k + 1..]) {
                        *x -= l * u;
                    }
                }
            }
        }
        true
    }

    #[inline]
    fn solve(&self, x: &mut [f64; N]) {
        if self.swapped {
            for (k, with) in self.swaps.iter().enumerate() {
                x.swap(k, usize::from(*with));
            }
        }
        for (j, column) in self.columns.iter().enumerate() {
            let known = x[j];
            for (x, l) in x[j + 1..].iter_mut().zip(&column[j + 1..]) {
                *x -= l * known;
            }
        }
        for (j, column) in self.columns.iter().enumerate().rev() {
            let known = x[j] * self.inverse[j];
            x[j] = known;
            for (x, u) in x[..j].iter_mut().zip(&column[..j]) {
                *x -= u * known;
            }
        }
    }
}
