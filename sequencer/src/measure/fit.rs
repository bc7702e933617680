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
    /// Slope, in counts a second: the mean over the curves, weighted by how likely each is.
    pub slope: f64,
    /// Standard uncertainty of the slope from scatter.
    pub u_slope: f64,
    /// Standard uncertainty of the slope from not knowing the curve: how far the curves disagree, and a share of what
    /// the transient takes off the plain line's slope.
    pub u_curve: f64,
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
/// Weighted by the samples in each block and centred on the means; the 2 × 2 centred normal equations are solved in
/// closed form (Björck, *Numerical Methods for Least Squares Problems*, 2.2, from memory). Where there is more than one
/// curve, each is fitted and the slopes averaged, weighted by prior × `exp(−RSS/2s²)` × `N^(−parameters/2)`: Bayesian
/// model averaging with the BIC approximation (Hoeting, Madigan, Raftery & Volinsky, *Statistical Science* 14, 1999,
/// from memory). What the curves disagree by goes into the uncertainty.
///
/// The trace may grow meanwhile: the fit keeps to the samples it began with, and begins again if the trace is folded
/// under it.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    curves: Curves,
    compensation: Option<Compensation>,
    stage: Stage,
    /// The curve in work, and the best so far.
    curve: usize,
    best: usize,
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
    /// Ratio of the mean of the transient over a full block to its value at the block's mean time.
    bulge: f64,
    means: Means,
    sums: Sums,
    solved: [Solved; CURVES_MAX],
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

/// Sums of squares and products about the means of time and of the raw readings.
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
}

#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Solved {
    usable: bool,
    b: f64,
    a: f64,
    /// Means of the transient and of the readings the curve goes through.
    e_mean: f64,
    y_mean: f64,
    /// Inverse of the centred normal matrix.
    bb: f64,
    ba: f64,
    aa: f64,
    squares: f64,
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

/// Sums over the curves.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Averaged {
    weight: f64,
    slope: f64,
    slope_squares: f64,
    bb: f64,
}

const US_PER_S: f64 = 1e6;

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
            curve: 0,
            best: 0,
            index: 0,
            shift: trace.shift,
            full: trace.full(),
            open: trace.open(),
            totals: trace.totals(),
            span_us: trace.span_us(),
            first_kelvin: None,
            first_t: None,
            transient: None,
            bulge: 1.0,
            means: Means::default(),
            sums: Sums::default(),
            solved: [Solved::default(); CURVES_MAX],
            left: Left::default(),
            spread: Spread::default(),
            averaged: Averaged::default(),
        }
    }

    /// Does one bounded piece of work, over at most `most` blocks. `Some` ends the fit: with the estimate, or with `None` if the trace cannot
    /// carry one (too few blocks, no spread of times, no curve that can be told from a line).
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
                self.prepare(self.curve);
                self.stage = Stage::Gather;
            }
            Stage::Gather => {
                if self.visit(trace, most, Self::gather) {
                    self.stage = Stage::Solve;
                }
            }
            Stage::Solve => {
                self.solve();
                if self.curve + 1 < self.curves.count() {
                    self.curve += 1;
                    self.sums = Sums::default();
                    self.prepare(self.curve);
                    self.stage = Stage::Gather;
                } else {
                    self.curve = self.best;
                    if !self.at(self.best).usable {
                        return Some(None);
                    }
                    self.prepare(self.best);
                    self.stage = Stage::Check;
                }
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
                if self.curve >= self.curves.count() {
                    self.stage = Stage::Finish;
                }
            }
            Stage::Finish => return Some(Some(self.finish())),
        }
        None
    }

    /// Blocks in use, the open one among them.
    fn blocks(&self) -> usize {
        self.full + usize::from(self.open.n > 0)
    }

    fn at(&self, curve: usize) -> Solved {
        self.solved.get(curve).copied().unwrap_or_default()
    }

    fn tau(&self) -> Option<f64> {
        match self.curves.get(self.curve) {
            Some((Curve::Transient { tau_s }, _)) => Some(tau_s),
            _ => None,
        }
    }

    fn begin(&mut self) {
        let n = f64::from(self.totals.n);
        self.means = Means { t: self.totals.t as f64 / n / US_PER_S, y: self.totals.y as f64 / n, weight: n };
    }

    /// Makes ready for a pass over the blocks with a curve.
    fn prepare(&mut self, curve: usize) {
        self.curve = curve;
        self.transient = None;
        if let Some(tau_s) = self.tau() {
            // Samples are taken to be evenly spaced inside a block: a missing one spoils the window long before here.
            let between = f64::from(self.span_us) / (self.means.weight - 1.0) / US_PER_S;
            let m = f64::from(1u32 << self.shift);
            self.bulge = sinhc(m * between / (2.0 * tau_s)) / sinhc(between / (2.0 * tau_s));
        }
    }

    /// Runs `work` over the next few blocks; true when all are done. Rewinds for the next pass.
    fn visit(&mut self, trace: &Folded, most: usize, work: fn(&mut Self, f64, f64, f64, f64)) -> bool {
        for _ in 0..most {
            if self.index >= self.blocks() {
                break;
            }
            let block = if self.index < self.full { trace.block(self.index) } else { Some(self.open) };
            if let Some(block) = block {
                let n = f64::from(block.n);
                let t = block.t as f64 / n / US_PER_S;
                let y = self.reading(&block, n) - self.means.y;
                let e = self.transient_at(t);
                work(self, n, t - self.means.t, y, e);
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

    /// Mean of the transient over the block centred on `t`. Each value comes from the one before by a short series
    /// where the step is short against τ: an exponential function a block would cost more than the rest of the fit.
    fn transient_at(&mut self, t: f64) -> f64 {
        let Some(tau_s) = self.tau() else { return 0.0 };
        let e = match self.transient {
            None => {
                let first = *self.first_t.get_or_insert(t);
                self.bulge * libm::exp((first - t) / tau_s)
            }
            Some((e, before)) => e * exp_of_small((before - t) / tau_s),
        };
        self.transient = Some((e, t));
        e
    }

    fn gather(&mut self, n: f64, t: f64, y: f64, e: f64) {
        let transient = self.tau().is_some();
        let s = &mut self.sums;
        let nt = n * t;
        let ny = n * y;
        s.tt += nt * t;
        s.ty += nt * y;
        s.y += ny;
        s.yy += ny * y;
        if transient {
            s.e += n * e;
            s.te += nt * e;
            s.ee += n * e * e;
            s.ey += ny * e;
        }
    }

    fn solve(&mut self) {
        let s = self.sums;
        let weight = self.means.weight;
        // Times are centred already; readings but for what compensation shifts, and the transient not at all.
        let y_mean = s.y / weight;
        let yy = s.yy - s.y * y_mean;
        let mut solved = Solved { y_mean, ..Solved::default() };
        if self.tau().is_none() {
            solved.usable = s.tt > 0.0;
            solved.b = s.ty / s.tt;
            solved.bb = 1.0 / s.tt;
            solved.squares = yy - solved.b * s.ty;
        } else {
            solved.e_mean = s.e / weight;
            let ee = s.ee - s.e * solved.e_mean;
            let ey = s.ey - s.y * solved.e_mean;
            let det = s.tt * ee - s.te * s.te;
            // A transient that is over, or hardly bends, cannot be told from a line.
            solved.usable = ee > 0.0 && det > 1e-9 * s.tt * ee;
            solved.b = (s.ty * ee - ey * s.te) / det;
            solved.a = (ey * s.tt - s.ty * s.te) / det;
            (solved.bb, solved.ba, solved.aa) = (ee / det, -s.te / det, s.tt / det);
            solved.squares = yy - solved.b * s.ty - solved.a * ey;
        }
        let best = self.at(self.best);
        if solved.usable && (!best.usable || solved.squares < best.squares) {
            self.best = self.curve;
        }
        if let Some(slot) = self.solved.get_mut(self.curve) {
            *slot = solved;
        }
    }

    fn check(&mut self, n: f64, t: f64, y: f64, e: f64) {
        let s = self.at(self.curve);
        let r = y - s.y_mean - s.b * t - s.a * (e - s.e_mean);
        // Second Legendre polynomial of the centred times, for as much as it is not yet in the curve.
        let q = t * t - self.sums.tt / self.means.weight;
        let left = &mut self.left;
        left.squares += n * r * r;
        left.plain += r * r;
        if self.index > 0 {
            left.products += r * left.last;
            left.steps += (r - left.last) * (r - left.last);
        }
        left.last = r;
        left.bend += n * r * q;
        left.bend_squares += n * q * q;
    }

    fn measure_spread(&mut self) -> bool {
        let parameters = f64::from(self.curves.get(self.best).map_or(2, |(curve, _)| curve.parameters()));
        let blocks = self.blocks() as f64;
        let freedom = blocks - parameters;
        if !(freedom >= 1.0) {
            return false;
        }
        let (stretch, left) = correlation_stretch(self.left.products, self.left.plain, blocks, parameters);
        // Scatter from block to block, blind to a bend, times the samples a block holds.
        let steps = self.left.steps / (2.0 * (blocks - 1.0)) * self.means.weight / blocks;
        let bend_u = libm::sqrt(steps * self.left.bend_squares);
        self.spread = Spread {
            variance: self.left.squares / freedom,
            stretch,
            freedom: left,
            bend: if bend_u > 0.0 { self.left.bend / bend_u } else { 0.0 },
        };
        true
    }

    /// Adds one curve to the average.
    fn weigh(&mut self) {
        let solved = self.at(self.curve);
        let Some((curve, prior)) = self.curves.get(self.curve) else { return };
        if !solved.usable {
            return;
        }
        let noise = 2.0 * self.spread.variance * self.spread.stretch * self.spread.stretch;
        let worse = solved.squares - self.at(self.best).squares;
        let likelihood = if noise > 0.0 && worse > 0.0 { libm::exp(-worse / noise) } else { 1.0 };
        let penalty = if curve == Curve::Line { 1.0 } else { 1.0 / libm::sqrt(self.blocks() as f64) };
        let weight = prior * likelihood * penalty;
        // About the best curve's slope, so that the spread between curves is not lost in rounding.
        let off = solved.b - self.at(self.best).b;
        let sum = &mut self.averaged;
        sum.weight += weight;
        sum.slope += weight * off;
        sum.slope_squares += weight * off * off;
        sum.bb += weight * solved.bb;
    }

    fn finish(&self) -> Estimate {
        let best = self.at(self.best);
        let Spread { variance, stretch, freedom, bend } = self.spread;
        let sum = self.averaged;
        let shift = sum.slope / sum.weight;
        let between = sum.slope_squares / sum.weight - shift * shift;
        let slope = best.b + shift;
        let line = self.sums.ty / self.sums.tt;
        let doubt = if best.aa > 0.0 { SHAPE_DOUBT * (line - slope) } else { 0.0 };
        let curve = (if between > 0.0 { between } else { 0.0 }) + doubt * doubt;
        let (dt, de) = (-self.means.t, -best.e_mean);
        let spread_start = 1.0 / self.means.weight + dt * dt * best.bb + 2.0 * dt * de * best.ba + de * de * best.aa;
        Estimate {
            curve: self.curves.get(self.best).map_or(Curve::Line, |(curve, _)| curve),
            start: self.means.y + best.y_mean - best.b * self.means.t - best.a * best.e_mean,
            u_start: libm::sqrt(variance * spread_start),
            slope,
            u_slope: stretch * libm::sqrt(variance * sum.bb / sum.weight),
            u_curve: libm::sqrt(curve),
            amplitude: best.a,
            u_amplitude: stretch * libm::sqrt(variance * best.aa),
            correlation: if best.aa > 0.0 { best.ba / libm::sqrt(best.bb * best.aa) } else { 0.0 },
            residual_squares: self.left.squares,
            residual_sd: libm::sqrt(variance),
            stretch,
            bend,
            freedom,
            samples: self.totals.n,
            span_s: f64::from(self.span_us) / US_PER_S,
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
