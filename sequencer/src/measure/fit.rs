use super::curve::{Curve, Curves};
use super::fold::{Block, Folded};
use crate::limits::{BLOCKS, BLOCKS_MIN, CURVES_MAX};

/// What a fit found, in counts and seconds. Standard uncertainties (`u_…`) allow for correlation between neighbouring
/// blocks.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Estimate {
    /// The likeliest curve.
    pub curve: Curve,
    /// Reading of its straight part at the trace's first sample, in counts.
    pub start: f64,
    /// Standard uncertainty of `start`, before any allowance for correlation.
    pub u_start: f64,
    /// Slope, in counts a second.
    pub slope: f64,
    /// Standard uncertainty of the slope from scatter.
    pub u_slope: f64,
    /// Standard uncertainty of the slope from not knowing the curve: its time constant, whether there is a transient at
    /// all, and a share of what the transient takes off the plain line's slope.
    pub u_curve: f64,
    /// Whether a settling curve was allowed for, whose errors have longer tails than a normal distribution.
    pub settling: bool,
    /// Amplitude of the likeliest curve's transient at the first block held, in counts; 0 for a line.
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
    /// How far the residuals bend like a parabola, in standard errors of white noise.
    pub bend: f64,
    /// Degrees of freedom.
    pub freedom: f64,
    /// Samples used.
    pub samples: u32,
    /// From the first sample to the last, in seconds.
    pub span_s: f64,
}

/// Takes temperature out of the readings: each block's mean absolute pressure is brought to the temperature of the
/// first, `p·T0/T` (ideal gas law at constant volume).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Compensation {
    /// Absolute pressure of the trace's first reading, in counts.
    pub first_absolute_counts: f64,
    /// Kelvin at a thermometer reading of zero.
    pub kelvin_at_zero: f64,
    /// Kelvin a thermometer count.
    pub kelvin_per_count: f64,
}

/// Where a fit stands.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Stage {
    Begin,
    Gather,
    Solve,
    Check,
    Spread,
    Weigh,
    Finish,
}

/// A least-squares fit that works through the blocks of a trace a few at a time, so that no single poll is long.
///
/// Weighted by the samples in each block and centred on the means; the centred normal equations are solved in closed
/// form (Björck, *Numerical Methods for Least Squares Problems*, 2.2, from memory).
///
/// τ is not taken as exact. Its logarithm may be off by δ, which to first order adds `c·(t/τ)·exp(−t/τ)` with `c = a·δ`
/// to the curve; c is fitted too, held to zero by what is known of τ beforehand: a normal prior with standard deviation
/// `a·u(ln τ)`, which is one number added to the normal equations (Bayesian linear regression: Gelman et al., *Bayesian
/// Data Analysis*, 3rd ed., 14.8, from memory). So the slope's variance holds the doubt about τ.
///
/// Where τ has no calibration, a plain line and a grid of time constants over the bounds are fitted, each standing for
/// its cell of the grid, and averaged, weighted by how likely the readings make them (Bayesian model averaging:
/// Hoeting, Madigan, Raftery & Volinsky, *Statistical Science* 14, 1999, from memory). The weight is
/// `exp(−RSS/2s²)`, times `1/√N` for the amplitude a line does not have (BIC), times the factor by which the readings
/// narrow δ. What the curves disagree by goes into the uncertainty.
///
/// The trace may grow meanwhile: the fit keeps to the samples it began with, and begins again if the trace is folded
/// under it.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    curves: Curves,
    compensation: Option<Compensation>,
    stage: Stage,
    /// Time constant in work; `None` for a line.
    tau: Option<f64>,
    /// Every curve fitted, and which is in work.
    found: [Found; CURVES_MAX],
    curve: usize,
    refinements: u8,
    /// The best so far, whole.
    best: usize,
    best_tau: Option<f64>,
    best_solved: Solved,
    /// Next block.
    index: usize,
    shift: u8,
    full: usize,
    open: Block,
    totals: Block,
    span_us: u32,
    /// Kelvin of the first block, once visited.
    first_kelvin: Option<f64>,
    /// Mean time of the first block: where transients count from.
    first_t: Option<f64>,
    /// Transient of the block last visited, and its time.
    transient: Option<(f64, f64)>,
    /// Length of a full block, in seconds.
    block_s: f64,
    /// Ratio of the mean of the transient over a full block to its value at the block's mean time.
    bulge: f64,
    means: Means,
    sums: Sums,
    left: Left,
    spread: Spread,
    averaged: Averaged,
}

#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Means {
    t: f64,
    y: f64,
    weight: f64,
}

/// One block as the fit sees it: weight, time and reading about their means, transient, and its derivative by ln τ.
#[derive(Clone, Copy, Debug)]
struct Point {
    n: f64,
    t: f64,
    y: f64,
    e: f64,
    d: f64,
}

/// Sums of squares and products.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Sums {
    tt: f64,
    ty: f64,
    y: f64,
    yy: f64,
    e: f64,
    te: f64,
    ee: f64,
    ey: f64,
    d: f64,
    td: f64,
    de: f64,
    dd: f64,
    dy: f64,
}

/// A curve: `y_mean + b·t + a·(e − e_mean) + c·(d − d_mean)`, and what is needed of its covariance over the variance
/// of a sample, τ taken as exact.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Solved {
    y_mean: f64,
    e_mean: f64,
    d_mean: f64,
    b: f64,
    a: f64,
    c: f64,
    bb: f64,
    ba: f64,
    aa: f64,
}

/// What is kept of every curve fitted.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Found {
    /// Weight before the residuals are looked at: prior, and what flexibility costs. 0 for a curve that cannot be used.
    weight: f64,
    /// Residual squares, the prior's penalty among them.
    squares: f64,
    b: f64,
    /// Variance of b over that of a sample, τ taken as exact, and what the doubt about τ adds.
    bb: f64,
    bb_doubt: f64,
}

impl Found {
    const NONE: Self = Self { weight: 0.0, squares: f64::INFINITY, b: 0.0, bb: 0.0, bb_doubt: 0.0 };
}

/// Sums over residuals.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Left {
    squares: f64,
    products: f64,
    plain: f64,
    steps: f64,
    last: f64,
    bend: f64,
    bend_squares: f64,
}

/// What the residuals say of the scatter.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Spread {
    variance: f64,
    stretch: f64,
    freedom: f64,
    bend: f64,
}

/// Sums over the curves, slopes about the best curve's.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Averaged {
    weight: f64,
    slope: f64,
    slope_squares: f64,
    bb: f64,
    bb_doubt: f64,
}

const US_PER_S: f64 = 1e6;

/// Time constants tried where none is calibrated.
const GRID: usize = CURVES_MAX - 1;

/// How often the best time constant of the grid is made better, by how much the derivative says it is off, and from
/// what step in ln τ on that is worth a pass.
const REFINEMENTS_MAX: u8 = 2;
const REFINE_FROM: f64 = 0.02;

/// No settling gas follows one exponential exactly: wall, seats and cavity each have their own time. The share of the
/// transient's effect on the slope that is taken as a standard uncertainty of its shape (our judgement, no source; the
/// coverage it gives on plants with several time constants is measured in docs/figures.md).
pub(super) const SHAPE_DOUBT: f64 = 0.2;

impl Fit {
    /// Begins a fit of what the trace holds now.
    pub fn new(curves: Curves, compensation: Option<Compensation>, trace: &Folded) -> Self {
        Self {
            curves,
            compensation,
            stage: Stage::Begin,
            tau: None,
            found: [Found::NONE; CURVES_MAX],
            curve: 0,
            refinements: 0,
            best: 0,
            best_tau: None,
            best_solved: Solved::default(),
            index: 0,
            shift: trace.shift,
            full: trace.full(),
            open: trace.open(),
            totals: trace.totals(),
            span_us: trace.span_us(),
            first_kelvin: None,
            first_t: None,
            transient: None,
            block_s: 0.0,
            bulge: 1.0,
            means: Means::default(),
            sums: Sums::default(),
            left: Left::default(),
            spread: Spread::default(),
            averaged: Averaged::default(),
        }
    }

    /// Does one bounded piece of work, over at most `most` blocks. `Some` ends the fit: with the estimate, or with `None`
    /// if the trace cannot carry one (too few blocks, or no spread of times).
    pub fn advance(&mut self, trace: &Folded, most: usize) -> Option<Option<Estimate>> {
        if trace.shift != self.shift {
            *self = Self::new(self.curves, self.compensation, trace);
        }
        match self.stage {
            Stage::Begin => {
                if self.blocks() < BLOCKS_MIN {
                    return Some(None);
                }
                self.begin();
                self.take_curve(self.tau_of(0), Stage::Gather);
            }
            Stage::Gather => {
                if self.visit(trace, most, Self::gather) {
                    self.stage = Stage::Solve;
                }
            }
            Stage::Solve => {
                if !(self.sums.tt > 0.0) {
                    return Some(None);
                }
                let better = self.solve();
                self.next_curve(better);
            }
            Stage::Check => {
                if self.visit(trace, most, Self::check) {
                    self.stage = Stage::Spread;
                }
            }
            Stage::Spread => {
                if !self.measure_spread() {
                    return Some(None);
                }
                self.curve = 0;
                self.stage = Stage::Weigh;
            }
            Stage::Weigh => {
                self.weigh();
                self.curve += 1;
                if self.curve >= self.curves() {
                    self.stage = Stage::Finish;
                }
            }
            Stage::Finish => return Some(Some(self.finish())),
        }
        None
    }

    /// On to the next curve; after the last, to a better time constant for the best; after that, to the residuals.
    fn next_curve(&mut self, better: bool) {
        if self.refinements == 0 {
            self.curve += 1;
            if self.curve < self.curves() {
                return self.take_curve(self.tau_of(self.curve), Stage::Gather);
            }
        }
        let step = self.best_solved.c / self.best_solved.a;
        match self.best_tau {
            Some(tau_s)
                if matches!(self.curves, Curves::Profiled { .. })
                    && (self.refinements == 0 || better)
                    && self.refinements < REFINEMENTS_MAX
                    && (REFINE_FROM..1.0).contains(&if step < 0.0 { -step } else { step }) =>
            {
                self.refinements += 1;
                self.curve = self.best;
                self.take_curve(Some(tau_s * libm::exp(step)), Stage::Gather);
            }
            _ => self.take_curve(self.best_tau, Stage::Check),
        }
    }

    /// Blocks in use, the open one among them.
    fn blocks(&self) -> usize {
        self.full + usize::from(self.open.n > 0)
    }

    fn begin(&mut self) {
        let n = f64::from(self.totals.n);
        self.means = Means { t: self.totals.t as f64 / n / US_PER_S, y: self.totals.y as f64 / n, weight: n };
        self.block_s = f64::from(1u32 << self.shift) * f64::from(self.span_us) / (n - 1.0) / US_PER_S;
    }

    /// How many curves there are to fit.
    const fn curves(&self) -> usize {
        match self.curves {
            Curves::Line => 1,
            // A line comes second, for the case that the transient is long over.
            Curves::Calibrated { .. } => 2,
            Curves::Profiled { .. } => CURVES_MAX,
        }
    }

    /// Time constant of a curve; `None` for the line.
    fn tau_of(&self, curve: usize) -> Option<f64> {
        match self.curves {
            Curves::Line => None,
            Curves::Calibrated { tau_s, .. } => (curve == 0).then_some(tau_s),
            Curves::Profiled { tau_min_s, .. } => {
                // Middles of equal cells on a logarithmic scale.
                let cell = self.cell();
                (curve > 0).then(|| tau_min_s * libm::exp((curve as f64 - 0.5) * cell))
            }
        }
    }

    /// Width of a cell of the grid, in ln τ.
    fn cell(&self) -> f64 {
        match self.curves {
            Curves::Profiled { tau_min_s, tau_max_s } => libm::log(tau_max_s / tau_min_s) / GRID as f64,
            Curves::Line | Curves::Calibrated { .. } => 0.0,
        }
    }

    /// Standard deviation of ln τ about the curve in work, known beforehand: of the calibration, or of a uniform
    /// distribution over the cell.
    fn u_ln_tau(&self) -> f64 {
        match self.curves {
            Curves::Line => 0.0,
            Curves::Calibrated { u_rel, .. } => u_rel,
            Curves::Profiled { .. } => self.cell() * 0.288_675_134_594_812_9,
        }
    }

    /// Makes ready for a pass over the blocks with a curve.
    fn take_curve(&mut self, tau: Option<f64>, stage: Stage) {
        self.tau = tau;
        self.stage = stage;
        self.transient = None;
        if stage == Stage::Gather {
            self.sums = Sums::default();
        }
        if let Some(tau_s) = tau {
            // Samples are taken to be evenly spaced inside a block: a missing one spoils the window long before here.
            let between = self.block_s / f64::from(1u32 << self.shift);
            self.bulge = sinhc(self.block_s / (2.0 * tau_s)) / sinhc(between / (2.0 * tau_s));
        }
    }

    /// Runs `work` over the next few blocks; true when all are done. Rewinds for the next pass.
    fn visit(&mut self, trace: &Folded, most: usize, work: fn(&mut Self, Point)) -> bool {
        for _ in 0..most {
            if self.index >= self.blocks() {
                break;
            }
            let block = if self.index < self.full { trace.block(self.index) } else { Some(self.open) };
            if let Some(block) = block {
                let n = f64::from(block.n);
                let t = block.t as f64 / n / US_PER_S;
                let y = self.reading(&block, n) - self.means.y;
                let (e, d) = self.transient_at(t);
                work(self, Point { n, t: t - self.means.t, y, e, d });
            }
            self.index += 1;
        }
        let done = self.index >= self.blocks();
        if done {
            self.index = 0;
        }
        done
    }

    /// A block's mean reading, brought to the first block's temperature where there is a thermometer.
    fn reading(&mut self, block: &Block, n: f64) -> f64 {
        let y = block.y as f64 / n;
        let Some(c) = self.compensation else { return y };
        let kelvin = c.kelvin_at_zero + block.k as f64 / n * c.kelvin_per_count;
        let first = *self.first_kelvin.get_or_insert(kelvin);
        y + (y + c.first_absolute_counts) * (first / kelvin - 1.0)
    }

    /// Means of the transient and of its derivative by ln τ over the block centred on `t`. Each transient comes from the
    /// one before by a short series where the step is short against τ: an exponential function a block would cost more
    /// than the rest of the fit.
    fn transient_at(&mut self, t: f64) -> (f64, f64) {
        let Some(tau_s) = self.tau else { return (0.0, 0.0) };
        let first = *self.first_t.get_or_insert(t);
        let e = match self.transient {
            None => self.bulge * libm::exp((first - t) / tau_s),
            Some((e, before)) => e * exp_of_small((before - t) / tau_s),
        };
        self.transient = Some((e, t));
        // Mean of t·exp(−t/τ) over a block of length h: the transient's mean times t̄ − h²/12τ, to second order in h.
        let d = e * (t - first - self.block_s * self.block_s / (12.0 * tau_s)) / tau_s;
        (e, d)
    }

    fn gather(&mut self, p: Point) {
        let s = &mut self.sums;
        let nt = p.n * p.t;
        let ny = p.n * p.y;
        s.tt += nt * p.t;
        s.ty += nt * p.y;
        s.y += ny;
        s.yy += ny * p.y;
        if self.tau.is_none() {
            return;
        }
        let ne = p.n * p.e;
        s.e += ne;
        s.te += nt * p.e;
        s.ee += ne * p.e;
        s.ey += ny * p.e;
        s.d += p.n * p.d;
        s.td += nt * p.d;
        s.de += ne * p.d;
        s.dd += p.n * p.d * p.d;
        s.dy += ny * p.d;
    }

    /// Solves for the curve in work; true when it is the best so far.
    fn solve(&mut self) -> bool {
        let c = Centred::new(&self.sums, self.means.weight);
        let y_mean = self.sums.y / self.means.weight;
        let (solved, found) = match self.tau {
            None => self.solve_line(&c, y_mean),
            Some(_) => self.solve_transient(&c, y_mean),
        };
        let best = self.found.get(self.best).map_or(f64::INFINITY, |f| f.squares);
        let better = found.weight > 0.0 && found.squares < best;
        if better {
            self.best = self.curve;
            self.best_tau = self.tau;
            self.best_solved = solved;
        }
        // A refinement that is no better leaves what it was to refine.
        if (better || self.refinements == 0)
            && let Some(slot) = self.found.get_mut(self.curve)
        {
            *slot = found;
        }
        better
    }

    fn solve_line(&self, c: &Centred, y_mean: f64) -> (Solved, Found) {
        let (b, bb) = (c.ty / c.tt, 1.0 / c.tt);
        let solved = Solved { y_mean, b, bb, ..Solved::default() };
        let weight = match self.curves {
            Curves::Line => 1.0,
            // There is a transient, so the line counts only where that one cannot be told from it.
            Curves::Calibrated { .. } => {
                let usable = self.found.first().is_some_and(|f| f.weight > 0.0);
                if usable { 0.0 } else { 1.0 }
            }
            Curves::Profiled { .. } => 0.5,
        };
        (solved, Found { weight, squares: c.yy - b * c.ty, b, bb, bb_doubt: 0.0 })
    }

    fn solve_transient(&self, c: &Centred, y_mean: f64) -> (Solved, Found) {
        let weight = self.means.weight;
        let det = c.tt * c.ee - c.te * c.te;
        // A transient that is over, or hardly bends, cannot be told from a line.
        if !(c.ee > 0.0) || !(det > 1e-9 * c.tt * c.ee) {
            return (Solved::default(), Found::NONE);
        }
        let (bb, ba, aa) = (c.ee / det, -c.te / det, c.tt / det);
        let (b, a) = (bb * c.ty + ba * c.ey, ba * c.ty + aa * c.ey);
        let squares = c.yy - b * c.ty - a * c.ey;
        let blocks = self.blocks() as f64;
        let prior = match self.curves {
            Curves::Profiled { .. } => 0.5 / (GRID as f64 * libm::sqrt(blocks)),
            Curves::Line | Curves::Calibrated { .. } => 1.0,
        };
        let mut solved = Solved { y_mean, e_mean: self.sums.e / weight, b, a, bb, ba, aa, ..Solved::default() };
        let mut found = Found { weight: prior, squares, b, bb, bb_doubt: 0.0 };

        // The doubt about τ: the derivative's share of the readings, what line and transient explain of it taken off,
        // shrunk by what is known of τ.
        let variance = squares / (blocks - 3.0);
        let spread = a * self.u_ln_tau();
        if spread * spread > 0.0 && variance > 0.0 {
            let on_b = bb * c.td + ba * c.de;
            let on_a = ba * c.td + aa * c.de;
            let own = c.dd - on_b * c.td - on_a * c.de;
            let with_readings = c.dy - b * c.td - a * c.de;
            let known = variance / (spread * spread);
            solved.c = with_readings / (own + known);
            solved.d_mean = self.sums.d / weight;
            solved.b -= on_b * solved.c;
            solved.a -= on_a * solved.c;
            found.b = solved.b;
            found.bb_doubt = on_b * on_b / (own + known);
            found.squares -= with_readings * solved.c;
            found.weight *= libm::sqrt(known / (own + known));
        }
        (solved, found)
    }

    fn check(&mut self, p: Point) {
        let s = &self.best_solved;
        let r = p.y - s.y_mean - s.b * p.t - s.a * (p.e - s.e_mean) - s.c * (p.d - s.d_mean);
        // Second Legendre polynomial of the centred times, for as much as it is not yet in the curve.
        let q = p.t * p.t - self.sums.tt / self.means.weight;
        let left = &mut self.left;
        left.squares += p.n * r * r;
        left.plain += r * r;
        if self.index > 0 {
            left.products += r * left.last;
            left.steps += (r - left.last) * (r - left.last);
        }
        left.last = r;
        left.bend += p.n * r * q;
        left.bend_squares += p.n * q * q;
    }

    fn measure_spread(&mut self) -> bool {
        let parameters = f64::from(self.likeliest().parameters());
        let blocks = self.blocks() as f64;
        if !(blocks - parameters >= 1.0) {
            return false;
        }
        let (stretch, freedom) = correlation_stretch(self.left.products, self.left.plain, blocks, parameters);
        // Scatter from block to block, blind to a bend, times the samples a block holds.
        let steps = self.left.steps / (2.0 * (blocks - 1.0)) * self.means.weight / blocks;
        let bend_u = libm::sqrt(steps * self.left.bend_squares);
        self.spread = Spread {
            variance: self.left.squares / (blocks - parameters),
            stretch,
            freedom,
            bend: if bend_u > 0.0 { self.left.bend / bend_u } else { 0.0 },
        };
        true
    }

    fn likeliest(&self) -> Curve {
        self.best_tau.map_or(Curve::Line, |tau_s| Curve::Transient { tau_s })
    }

    /// Adds one curve to the average.
    fn weigh(&mut self) {
        let at = |i: usize| self.found.get(i).copied().unwrap_or(Found::NONE);
        let (found, best) = (at(self.curve), at(self.best));
        if !(found.weight > 0.0) {
            return;
        }
        let noise = 2.0 * self.spread.variance * self.spread.stretch * self.spread.stretch;
        let worse = found.squares - best.squares;
        let likelihood = if noise > 0.0 && worse > 0.0 { libm::exp(-worse / noise) } else { 1.0 };
        let weight = found.weight * likelihood;
        let off = found.b - best.b;
        let sum = &mut self.averaged;
        sum.weight += weight;
        sum.slope += weight * off;
        sum.slope_squares += weight * off * off;
        sum.bb += weight * found.bb;
        sum.bb_doubt += weight * found.bb_doubt;
    }

    fn finish(&self) -> Estimate {
        let s = &self.best_solved;
        let Spread { variance, stretch, freedom, bend } = self.spread;
        let sum = &self.averaged;
        let shift = sum.slope / sum.weight;
        let between = sum.slope_squares / sum.weight - shift * shift;
        let slope = s.b + shift;
        let line = self.sums_line();
        let doubt = if self.curves == Curves::Line { 0.0 } else { SHAPE_DOUBT * (line - slope) };
        let doubts = (if between > 0.0 { between } else { 0.0 }) + variance * sum.bb_doubt / sum.weight + doubt * doubt;
        let (dt, de) = (-self.means.t, -s.e_mean);
        let spread_start = 1.0 / self.means.weight + dt * dt * s.bb + 2.0 * dt * de * s.ba + de * de * s.aa;
        Estimate {
            curve: self.likeliest(),
            start: self.means.y + s.y_mean - s.b * self.means.t - s.a * s.e_mean - s.c * s.d_mean,
            u_start: libm::sqrt(variance * spread_start),
            slope,
            u_slope: stretch * libm::sqrt(variance * sum.bb / sum.weight),
            u_curve: libm::sqrt(doubts),
            settling: self.curves != Curves::Line,
            amplitude: s.a,
            u_amplitude: stretch * libm::sqrt(variance * s.aa),
            correlation: if s.aa > 0.0 { s.ba / libm::sqrt(s.bb * s.aa) } else { 0.0 },
            residual_squares: self.left.squares,
            residual_sd: libm::sqrt(variance),
            stretch,
            bend,
            freedom,
            samples: self.totals.n,
            span_s: f64::from(self.span_us) / US_PER_S,
        }
    }

    /// Slope of the plain line: the sums of times and readings are the same for every curve.
    fn sums_line(&self) -> f64 {
        self.sums.ty / self.sums.tt
    }
}

/// Sums about the means.
struct Centred {
    tt: f64,
    ty: f64,
    te: f64,
    td: f64,
    yy: f64,
    ee: f64,
    ey: f64,
    dd: f64,
    de: f64,
    dy: f64,
}

impl Centred {
    /// Times are centred already; readings but for what compensation shifts, and the transient not at all.
    fn new(s: &Sums, weight: f64) -> Self {
        let (y, e, d) = (s.y / weight, s.e / weight, s.d / weight);
        Self {
            tt: s.tt,
            ty: s.ty,
            te: s.te,
            td: s.td,
            yy: s.yy - s.y * y,
            ee: s.ee - s.e * e,
            ey: s.ey - s.y * e,
            dd: s.dd - s.d * d,
            de: s.de - s.d * e,
            dy: s.dy - s.y * d,
        }
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
pub fn fit(curves: Curves, compensation: Option<Compensation>, trace: &Folded) -> Option<Estimate> {
    let mut fit = Fit::new(curves, compensation, trace);
    loop {
        if let Some(end) = fit.advance(trace, BLOCKS + 1) {
            return end;
        }
    }
}
