use super::fold::{Block, Folded};
use crate::limits::{BLOCKS_MIN, BLOCKS_PER_POLL};

/// The curve to fit, times in seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Shape {
    /// `y = y0 + b·t`.
    Line,
    /// `y = y0 + b·t + a·exp(−t/τ)`, τ known.
    LineAndTransient {
        /// Time constant, in seconds.
        tau_s: f64,
    },
}

impl Shape {
    /// How many figures are fitted.
    pub const fn parameters(self) -> u32 {
        match self {
            Self::Line => 2,
            Self::LineAndTransient { .. } => 3,
        }
    }
}

/// What a fit found, in counts and seconds. Standard uncertainties (`u_…`) allow for correlation between neighbouring
/// blocks.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Estimate {
    /// The curve fitted.
    pub shape: Shape,
    /// Reading of the straight part at the first sample, in counts.
    pub start: f64,
    /// Standard uncertainty of `start`, before any allowance for correlation.
    pub u_start: f64,
    /// Slope, in counts a second.
    pub slope: f64,
    /// Standard uncertainty of the slope.
    pub u_slope: f64,
    /// Amplitude of the transient at the first sample, in counts; 0 for a line.
    pub amplitude: f64,
    /// Standard uncertainty of the amplitude.
    pub u_amplitude: f64,
    /// Correlation of slope and amplitude; 0 for a line.
    pub correlation: f64,
    /// Residual sum of squares, over block means weighted by the samples in each.
    pub residual_squares: f64,
    /// Residual standard deviation of one sample, in counts.
    pub residual_sd: f64,
    /// By how much standard uncertainties were stretched for correlated residuals; 1 for none.
    pub stretch: f64,
    /// Degrees of freedom.
    pub freedom: f64,
    /// Samples used.
    pub samples: u32,
    /// From the first sample to the last, in seconds.
    pub span_s: f64,
}

/// Where a fit stands.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Stage {
    Begin,
    Gather,
    Solve,
    Check,
    Finish,
}

/// A least-squares fit that works through the blocks of a trace a few at a time, so that no single poll is long.
///
/// Weighted by the samples in each block and centred on the means, which come from exact integer sums; the 2 × 2
/// centred normal equations are solved in closed form (Björck, *Numerical Methods for Least Squares Problems*, 2.2,
/// from memory). The trace may grow meanwhile: the fit keeps to the samples it began with, and begins again if the
/// trace is folded under it.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    shape: Shape,
    stage: Stage,
    /// Next block.
    index: usize,
    shift: u8,
    full: usize,
    open: Block,
    totals: Block,
    span_us: u32,
    /// Transient of the block last visited, and its time.
    transient: Option<(f64, f64)>,
    /// Ratio of the mean of the transient over a full block to its value at the block's mean time.
    bulge: f64,
    means: Means,
    sums: Sums,
    solved: Solved,
    left: Left,
}

#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Means {
    t: f64,
    y: f64,
    e: f64,
    weight: f64,
}

/// Centred sums of squares and products.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Sums {
    tt: f64,
    ty: f64,
    e: f64,
    te: f64,
    ee: f64,
    ey: f64,
}

#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Solved {
    b: f64,
    a: f64,
    /// Inverse of the centred normal matrix.
    bb: f64,
    ba: f64,
    aa: f64,
}

/// Sums over residuals.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Left {
    squares: f64,
    products: f64,
    last: f64,
    plain: f64,
}

const US_PER_S: f64 = 1e6;

impl Fit {
    /// Begins a fit of what the trace holds now.
    pub fn new(shape: Shape, trace: &Folded) -> Self {
        Self {
            shape,
            stage: Stage::Begin,
            index: 0,
            shift: trace.shift,
            full: trace.full(),
            open: trace.open(),
            totals: trace.totals(),
            span_us: trace.span_us(),
            transient: None,
            bulge: 1.0,
            means: Means::default(),
            sums: Sums::default(),
            solved: Solved::default(),
            left: Left::default(),
        }
    }

    /// Does one bounded piece of work. `Some` ends the fit: with the estimate, or with `None` if the trace cannot
    /// carry one (too few blocks, no spread of times, a transient that cannot be told from the line).
    pub fn advance(&mut self, trace: &Folded) -> Option<Option<Estimate>> {
        if trace.shift != self.shift {
            *self = Self::new(self.shape, trace);
        }
        match self.stage {
            Stage::Begin => {
                if self.blocks() < BLOCKS_MIN {
                    return Some(None);
                }
                self.begin();
                self.stage = Stage::Gather;
                None
            }
            Stage::Gather => {
                if self.visit(trace, Self::gather) {
                    self.stage = Stage::Solve;
                }
                None
            }
            Stage::Solve => {
                if !self.solve() {
                    return Some(None);
                }
                self.stage = Stage::Check;
                None
            }
            Stage::Check => {
                if self.visit(trace, Self::check) {
                    self.stage = Stage::Finish;
                }
                None
            }
            Stage::Finish => Some(self.finish()),
        }
    }

    /// Blocks in use, the open one among them.
    fn blocks(&self) -> usize {
        self.full + usize::from(self.open.n > 0)
    }

    fn begin(&mut self) {
        let n = f64::from(self.totals.n);
        self.means.t = self.totals.t as f64 / n / US_PER_S;
        self.means.y = self.totals.y as f64 / n;
        self.means.weight = n;
        if let Shape::LineAndTransient { tau_s } = self.shape {
            // Samples are taken to be evenly spaced inside a block: a missing one spoils the window long before here.
            let between = f64::from(self.span_us) / (n - 1.0) / US_PER_S;
            let m = f64::from(1u32 << self.shift);
            self.bulge = sinhc(m * between / (2.0 * tau_s)) / sinhc(between / (2.0 * tau_s));
        }
    }

    /// Runs `work` over the next few blocks; true when all are done. Rewinds for the next pass.
    fn visit(&mut self, trace: &Folded, work: fn(&mut Self, f64, f64, f64, f64)) -> bool {
        for _ in 0..BLOCKS_PER_POLL {
            if self.index >= self.blocks() {
                break;
            }
            let block = if self.index < self.full { trace.block(self.index) } else { Some(self.open) };
            if let Some(block) = block {
                let n = f64::from(block.n);
                let t = block.t as f64 / n / US_PER_S;
                let y = block.y as f64 / n - self.means.y;
                let e = self.transient_at(t);
                work(self, n, t - self.means.t, y, e);
            }
            self.index += 1;
        }
        let done = self.index >= self.blocks();
        if done {
            self.index = 0;
            self.transient = None;
        }
        done
    }

    /// Mean of the transient over the block centred on `t`. Each value comes from the one before by a short series
    /// where the step is short against τ: an exponential function a block would cost more than the rest of the fit.
    fn transient_at(&mut self, t: f64) -> f64 {
        let Shape::LineAndTransient { tau_s } = self.shape else { return 0.0 };
        let e = match self.transient {
            None => self.bulge * libm::exp(-t / tau_s),
            Some((e, before)) => e * exp_of_small((before - t) / tau_s),
        };
        self.transient = Some((e, t));
        e
    }

    fn gather(&mut self, n: f64, t: f64, y: f64, e: f64) {
        let s = &mut self.sums;
        s.tt += n * t * t;
        s.ty += n * t * y;
        if self.shape != Shape::Line {
            s.e += n * e;
            s.te += n * t * e;
            s.ee += n * e * e;
            s.ey += n * e * y;
        }
    }

    fn solve(&mut self) -> bool {
        let s = &mut self.sums;
        if !(s.tt > 0.0) {
            return false;
        }
        if self.shape == Shape::Line {
            self.solved = Solved { b: s.ty / s.tt, bb: 1.0 / s.tt, ..Solved::default() };
            return true;
        }
        self.means.e = s.e / self.means.weight;
        // Only the squares of the transient were left uncentred; `t` and `y` already are.
        let ee = s.ee - s.e * self.means.e;
        let det = s.tt * ee - s.te * s.te;
        // A transient that is over, or hardly bends, cannot be told from a line.
        if !(det > 1e-9 * s.tt * ee) || !(ee > 0.0) {
            return false;
        }
        self.solved = Solved {
            b: (s.ty * ee - s.ey * s.te) / det,
            a: (s.ey * s.tt - s.ty * s.te) / det,
            bb: ee / det,
            ba: -s.te / det,
            aa: s.tt / det,
        };
        true
    }

    fn check(&mut self, n: f64, t: f64, y: f64, e: f64) {
        let r = y - self.solved.b * t - self.solved.a * (e - self.means.e);
        self.left.squares += n * r * r;
        self.left.plain += r * r;
        if self.index > 0 {
            self.left.products += r * self.left.last;
        }
        self.left.last = r;
    }

    fn finish(&self) -> Option<Estimate> {
        let parameters = f64::from(self.shape.parameters());
        let blocks = self.blocks() as f64;
        let freedom = blocks - parameters;
        if !(freedom >= 1.0) {
            return None;
        }
        let variance = self.left.squares / freedom;
        let (stretch, freedom_left) = correlation_stretch(self.left.products, self.left.plain, blocks, parameters);
        let Solved { b, a, bb, ba, aa } = self.solved;
        let at_start = (-self.means.t, -self.means.e);
        let spread_start = 1.0 / self.means.weight
            + at_start.0 * at_start.0 * bb
            + 2.0 * at_start.0 * at_start.1 * ba
            + at_start.1 * at_start.1 * aa;
        Some(Estimate {
            shape: self.shape,
            start: self.means.y - b * self.means.t - a * self.means.e,
            u_start: libm::sqrt(variance * spread_start),
            slope: b,
            u_slope: stretch * libm::sqrt(variance * bb),
            amplitude: a,
            u_amplitude: stretch * libm::sqrt(variance * aa),
            correlation: if aa > 0.0 { ba / libm::sqrt(bb * aa) } else { 0.0 },
            residual_squares: self.left.squares,
            residual_sd: libm::sqrt(variance),
            stretch,
            freedom: freedom_left,
            samples: self.totals.n,
            span_s: f64::from(self.span_us) / US_PER_S,
        })
    }
}

/// How far neighbouring residuals that lean the same way stretch a standard uncertainty, and the degrees of freedom
/// left. For residuals following a first-order autoregression with coefficient ρ the variance of a mean or slope over
/// many points grows by `(1 + ρ)/(1 − ρ)` and the points count for that much fewer (Box, Jenkins & Reinsel, *Time
/// Series Analysis*, ch. 2 and 7, from memory). ρ is the lag-one autocorrelation with the fit's own pull, about
/// `−parameters/blocks`, taken off; it counts from one standard error, `1/√blocks` (Bartlett), upwards, so that white
/// noise is seldom stretched.
fn correlation_stretch(products: f64, squares: f64, blocks: f64, parameters: f64) -> (f64, f64) {
    let freedom = blocks - parameters;
    if !(squares > 0.0) {
        return (1.0, freedom);
    }
    let rho = products / squares + parameters / blocks;
    if !(rho * rho * blocks > 1.0) || rho < 0.0 {
        return (1.0, freedom);
    }
    let rho = if rho > 0.95 { 0.95 } else { rho };
    let growth = (1.0 + rho) / (1.0 - rho);
    let left = freedom / growth;
    (libm::sqrt(growth), if left < 2.0 { 2.0 } else { left })
}

/// `sinh(x)/x`.
fn sinhc(x: f64) -> f64 {
    if x > 1.0 {
        return libm::sinh(x) / x;
    }
    // Taylor series; the first term left out is under 1e-17 for x ≤ 1.
    let q = x * x;
    let mut sum = 1.0;
    for k in (1..=9u32).rev() {
        let k = f64::from(2 * k);
        sum = 1.0 + q / (k * (k + 1.0)) * sum;
    }
    sum
}

/// `exp(x)`: a series where x is small, the library beyond.
fn exp_of_small(x: f64) -> f64 {
    if !(-0.125..=0.125).contains(&x) {
        return libm::exp(x);
    }
    // Taylor series to x⁹: the first term left out is under 3e-16 · |x| there.
    let mut sum = 1.0;
    for k in (1..=9u32).rev() {
        sum = 1.0 + x / f64::from(k) * sum;
    }
    sum
}

/// Runs a fit to its end at once: for a host, which has no short poll to keep.
pub fn fit(shape: Shape, trace: &Folded) -> Option<Estimate> {
    let mut fit = Fit::new(shape, trace);
    loop {
        if let Some(end) = fit.advance(trace) {
            return end;
        }
    }
}
