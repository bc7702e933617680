//! The fit: from block means to a slope with its uncertainty. A Bayesian linear regression for each curve, averaged
//! over the curves (Hoeting, Madigan, Raftery & Volinsky, *Statistical Science* 14, 1999, from memory).

use super::basis::Basis;
use super::block_means::{Block, BlockedTrace};
use super::curve_prior::{Curve, CurvePrior};
use super::gram::{Column, Gram, Point};
use super::leak_estimate::UNIFORM;
use super::regression::{self, Posterior, Prior};
use crate::exponential::{exp, ln};
use crate::limits::{BLOCKS, BLOCKS_MIN, CURVES_MAX, EXPONENTIALS};
use crate::recipe::Recipe;
use crate::rig::{BLANK_RUNS_MIN, Rig};
use crate::sqrt::sqrt;

/// Result of a fit, in counts and seconds. Standard uncertainties (`u_…`) allow for correlation between neighbouring
/// blocks.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct SlopeEstimate {
    /// The likeliest curve.
    pub curve: Curve,
    /// Reading of its straight part at the trace's first sample, in counts.
    pub start: f64,
    /// Standard uncertainty of `start`, before any allowance for correlation.
    pub u_start: f64,
    /// Slope, in counts a second.
    pub slope: f64,
    /// Standard uncertainty of the slope from noise alone, for a known curve.
    pub u_slope: f64,
    /// Added by not knowing the curve: time constants, minor modes, whether there is a transient at all.
    pub u_curve: f64,
    /// The slope's distribution: a mixture with one normal component per curve.
    pub components: [Component; CURVES_MAX],
    /// Amplitude of the likeliest curve's transient at the first block held, in counts; 0 for a line.
    pub amplitude: f64,
    /// Standard uncertainty of the amplitude, for a single known time constant.
    pub u_amplitude: f64,
    /// Correlation of slope and amplitude in the same case; 0 for a line.
    pub correlation: f64,
    /// Residual sum of squares, over block means weighted by the samples in each.
    pub residual_squares: f64,
    /// Residual standard deviation of one sample, in counts.
    pub residual_sd: f64,
    /// Factor by which standard uncertainties were widened for correlated residuals; 1 for none.
    pub autocorrelation_factor: f64,
    /// Parabolic curvature of the residuals, in standard errors of white noise.
    pub curvature_z: f64,
    /// Degrees of freedom.
    pub dof: f64,
    /// Samples used.
    pub samples: u32,
    /// From the first sample to the last, in seconds.
    pub span_s: f64,
}

/// The slope's distribution given one curve: normal, in counts a second.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Component {
    /// Posterior probability of the curve; the weights add up to 1.
    pub weight: f64,
    /// Its slope minus the estimate's.
    pub offset: f64,
    /// Standard uncertainty of its slope, allowing for correlation between neighbouring blocks.
    pub u: f64,
}

/// Takes temperature out of the readings: each block's mean absolute pressure is brought to the temperature of the
/// first, `p·T0/T` (ideal gas law at constant volume).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Compensation {
    /// Absolute pressure of the trace's first reading, in counts.
    pub first_absolute_counts: f64,
    /// Kelvin at a thermometer reading of zero.
    pub kelvin_at_zero: f64,
    /// Kelvin per thermometer count.
    pub kelvin_per_count: f64,
}

impl Compensation {
    /// For a trace whose first reading is this; `None` where no thermometer is fitted.
    pub fn of(rig: &Rig, first_counts: i32) -> Option<Self> {
        rig.raw().thermometer.map(|thermometer| Self {
            first_absolute_counts: absolute_counts(rig, first_counts),
            kelvin_at_zero: thermometer.kelvin_at_zero,
            kelvin_per_count: thermometer.kelvin_per_count,
        })
    }
}

fn absolute_counts(rig: &Rig, counts: i32) -> f64 {
    let far = rig.raw().far;
    f64::from(counts.saturating_sub(far.zero_counts)) + rig.atmosphere().pascals() / far.pa_per_count
}

/// What is known of the transient from how the gas was trapped.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settling {
    /// From the valve being shut, which is when transients begin, to the trace's first sample, in seconds: a fast one may
    /// be over, and a slow one, small at first, dominant by now.
    pub since_isolation_s: f64,
    /// How long the gas was fed at pressure before that, in seconds.
    pub fed_s: f64,
    /// Its absolute pressure, in counts; infinite where nothing bounds the transient's height.
    pub absolute_counts: f64,
    /// Whether what leak-free sides show in such a fit has been measured ([`Rig::background`]), its minor modes within.
    pub scatter_measured: bool,
}

/// The most by which the gas can stand too high, as a share of its absolute pressure: filled without loss of heat it is
/// γ = 1.4 times as warm (Moran & Shapiro, *Fundamentals of Engineering Thermodynamics*, from memory; derivable).
const FILLED: f64 = 0.4;

/// γ: gas that is fed cools at constant pressure, and takes so much longer than shut in at constant volume.
const GAMMA: f64 = 1.4;

/// What shutting the ball, venting beside it, creeping seats and a slower time constant than this may add, as a share of the
/// absolute pressure: 35 kPa at 6 bar, as much as trapped gas was seen to fall by in cooling (our judgement, no source;
/// measured in docs/figures.md: a seventh of it leaves one leak in fifteen at the limit wrongly called).
const SHUTTING: f64 = 0.05;

impl Settling {
    /// Where nothing is known but when the valve was shut.
    pub const fn unknown(since_isolation_s: f64) -> Self {
        Self { since_isolation_s, fed_s: 0.0, absolute_counts: f64::INFINITY, scatter_measured: false }
    }

    /// Of a trace whose first reading is this, so long after the valve was shut.
    pub fn of(rig: &Rig, recipe: &Recipe, first_counts: i32, since_isolation_s: f64) -> Self {
        Self {
            since_isolation_s,
            fed_s: f64::from(recipe.raw().soak_ms) / 1e3,
            absolute_counts: absolute_counts(rig, first_counts),
            scatter_measured: rig.raw().blank_runs >= BLANK_RUNS_MIN,
        }
    }

    /// Standard deviation of all minor modes together, relative to the whole transient at isolation.
    const fn minor(&self) -> f64 {
        if self.scatter_measured { MINOR_SD_MEASURED } else { MINOR_SD }
    }

    /// The greatest height, in counts at isolation, of a transient with this time constant. Without the bound a fast one
    /// that is long over could be taken back from a little wandering noise to any height, and its minor modes with it.
    fn height_max(&self, tau_s: f64) -> f64 {
        self.absolute_counts * (FILLED * exp(-self.fed_s / (GAMMA * tau_s)) + SHUTTING)
    }
}

/// Progress of a fit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stage {
    /// Nothing done yet.
    Begin,
    /// Sums over the blocks.
    Accumulate,
    /// Every curve once, with the noise from neighbouring samples, to find the likeliest.
    FirstPass,
    /// Residuals of the likeliest curve.
    Residuals,
    /// Noise estimate from the residuals.
    Noise,
    /// Every curve a second time, with that noise.
    SecondPass,
    /// The estimate can be taken.
    Done,
}

/// A least-squares fit that works through the blocks of a trace a few at a time, so that no single poll is long.
///
/// The curve is a line and a transient that is a sum of exponential modes: no settling gas follows just one, for wall,
/// seats and cavity each have their own time. One of them is the dominant mode. Its time constant is not taken as
/// exact: ln τ may be off by δ, which to first order adds `c·t·exp(−t/τ)` with `c = a·δ/τ` to the curve, and c is held
/// near zero by the prior on τ. The others are held near zero as minor modes. Both are normal priors in a Bayesian
/// linear regression (`regression.rs`).
///
/// Which mode is dominant, or whether there is a transient at all, is not known either: each of a grid of time
/// constants over the bounds is dominant in turn, each for its cell of the grid, beside a plain line. The results are
/// averaged, weighted by their posterior probability (Bayesian model averaging: Hoeting, Madigan, Raftery & Volinsky,
/// *Statistical Science* 14, 1999, from memory): `exp(−RSS/2s²)`, times the factor by which the readings narrow the
/// priors, times `1/√N` for the amplitude a line does not have (BIC). All this is done twice: first each curve takes
/// the transient's height from itself; then all take the mean of those heights, so that no unlikely curve may assume a
/// huge one, and the noise of the residuals. The components are kept separate in [`SlopeEstimate::components`]: the
/// mixture is not normal while the window is as short as the settling.
///
/// The trace may grow meanwhile: the fit keeps to the samples it began with, and restarts if the trace is halved
/// meanwhile.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    curves: CurvePrior,
    compensation: Option<Compensation>,
    settling: Settling,
    stage: Stage,
    basis: Basis,
    gram: Gram,
    /// Current curve: one exponential as the dominant mode, or after the last of them the line.
    curve: usize,
    fits: [CurveFit; CURVES_MAX],
    /// The likeliest so far.
    best: Option<(usize, Posterior)>,
    means: WeightedMeans,
    /// Next block.
    index: usize,
    shift: u8,
    full: usize,
    open: Block,
    /// Samples in all.
    samples: u32,
    span_us: u32,
    /// Kelvin of the first block, once visited.
    first_kelvin: Option<f64>,
    mean_t: f64,
    mean_y: f64,
    /// Standard deviation of ln τ inside a cell of the grid.
    u_cell: f64,
    /// Standard deviation of one minor mode, relative to the whole transient at isolation.
    minor: f64,
    /// Prior probability of one exponential of the grid, with the penalty for the amplitude that a line does not have.
    grid_weight: f64,
    /// Fraction of each exponential that remains at the first block, of a transient of height 1 that began at
    /// isolation.
    remaining: [f64; EXPONENTIALS],
    /// Height of the transient as it began, in counts, once the likeliest curve is known.
    height: Option<f64>,
    /// Variance of one sample used for the curves' weights, in counts².
    variance: f64,
    residuals: ResidualSums,
    noise: NoiseEstimate,
}

/// Result for one curve.
#[derive(Clone, Copy, Debug, PartialEq)]
struct CurveFit {
    /// Logarithm of its weight; minus infinity for a curve that cannot be used.
    log_weight: f64,
    slope: f64,
    /// Variance of the slope over that of a sample.
    variance: f64,
}

impl CurveFit {
    const NONE: Self = Self { log_weight: f64::NEG_INFINITY, slope: 0.0, variance: 0.0 };
}

/// Sums over the curves, weighted relative to the likeliest.
#[derive(Clone, Copy, Debug, PartialEq)]
struct WeightedMeans {
    weight: f64,
    /// Of the slope's variance over that of a sample, given the curve.
    slope_variance: f64,
    /// Of the transient's height.
    height: f64,
}

impl WeightedMeans {
    const NONE: Self = Self { weight: 0.0, slope_variance: 0.0, height: 0.0 };
}

/// Sums over residuals.
#[derive(Clone, Copy, Debug, PartialEq)]
struct ResidualSums {
    /// Level of the curve.
    level: f64,
    squares: f64,
    products: f64,
    block_squares: f64,
    steps: f64,
    last: f64,
    curvature: f64,
    curvature_squares: f64,
    /// Time and height of the transient at the block before.
    before: (f64, f64),
    /// Slope of the whole curve between the last two blocks.
    end_slope: f64,
}

impl ResidualSums {
    const NONE: Self = Self {
        level: 0.0,
        squares: 0.0,
        products: 0.0,
        block_squares: 0.0,
        steps: 0.0,
        last: 0.0,
        curvature: 0.0,
        curvature_squares: 0.0,
        before: (0.0, 0.0),
        end_slope: 0.0,
    };
}

/// Noise estimate from the residuals.
#[derive(Clone, Copy, Debug, PartialEq)]
struct NoiseEstimate {
    variance: f64,
    factor: f64,
    dof: f64,
    curvature_z: f64,
}

impl NoiseEstimate {
    const NONE: Self = Self { variance: 0.0, factor: 0.0, dof: 0.0, curvature_z: 0.0 };
}

const US_PER_S: f64 = 1e6;

/// A block's mean time, in seconds after the trace's first sample.
fn mean_s(block: &Block) -> f64 {
    block.t as f64 / f64::from(block.n) / US_PER_S
}

/// Standard deviation of all minor modes together, relative to the whole transient at isolation. Nearly as high as the
/// dominant one, since shutting fills the cavity without loss of heat: it cools in its own time and draws gas out of a far
/// side that warms again in another (our judgement, no source; the coverage it gives on plants with several time constants
/// is measured in docs/figures.md).
pub(super) const MINOR_SD: f64 = 0.4;

/// The same where blank runs have measured what such a fit makes of a leak-free side: what the minor modes do to it is in
/// their mean and scatter, and here only what differs from them is left (our judgement, no source; measured as above).
const MINOR_SD_MEASURED: f64 = 0.03;

/// What is left to settle at the window's end changes the slope from there on, and no sum of a few exponentials says exactly
/// by how much: this times the minor modes' share of that change is a standard uncertainty (our judgement, no source;
/// measured as above: without it one leak in twelve at the limit was called leaking where gas takes 8 s to 20 s to settle).
const EXTRAPOLATED: f64 = 0.5;

/// Prior probability that a calibrated time constant is not that of the dominant mode: the far side was drier, the
/// seats newer, the bench warmer than in the blank run (our judgement, no source; measured as above).
const UNCALIBRATED: f64 = 0.2;

impl Fit {
    /// No fit yet: [`Fit::begin`] makes it one. Separate, so that a fit is initialised in place and never on a small
    /// stack.
    pub const NONE: Self = Self {
        curves: CurvePrior::Line,
        compensation: None,
        settling: Settling::unknown(0.0),
        stage: Stage::Begin,
        basis: Basis::NONE,
        gram: Gram::EMPTY,
        curve: 0,
        fits: [CurveFit::NONE; CURVES_MAX],
        best: None,
        means: WeightedMeans::NONE,
        index: 0,
        shift: 0,
        full: 0,
        open: Block::EMPTY,
        samples: 0,
        span_us: 0,
        first_kelvin: None,
        mean_t: 0.0,
        mean_y: 0.0,
        u_cell: 0.0,
        minor: 0.0,
        grid_weight: 0.0,
        remaining: [1.0; EXPONENTIALS],
        height: None,
        variance: 0.0,
        residuals: ResidualSums::NONE,
        noise: NoiseEstimate::NONE,
    };

    /// Begins a fit of what the trace holds now.
    pub fn begin(
        &mut self,
        curves: CurvePrior,
        compensation: Option<Compensation>,
        settling: Settling,
        trace: &BlockedTrace,
    ) {
        self.curves = curves;
        self.compensation = compensation;
        self.settling = settling;
        self.restart(trace);
    }

    /// Begins or restarts with what the trace holds now.
    fn restart(&mut self, trace: &BlockedTrace) {
        let noise = trace.noise_variance();
        self.stage = Stage::Begin;
        self.gram = Gram::EMPTY;
        self.curve = 0;
        self.best = None;
        self.means = WeightedMeans::NONE;
        self.index = 0;
        self.shift = trace.shift;
        self.full = trace.full();
        self.open = trace.open();
        let totals = trace.totals();
        let n = f64::from(totals.n);
        self.samples = totals.n;
        self.mean_t = totals.t as f64 / n / US_PER_S;
        self.mean_y = totals.y as f64 / n;
        self.span_us = trace.span_us();
        self.first_kelvin = None;
        self.height = None;
        self.variance = if noise > UNIFORM { noise } else { UNIFORM };
        self.residuals = ResidualSums::NONE;
    }

    /// Does one bounded unit of work, over at most `most` blocks. True when there is nothing left to do but to take the
    /// [`Fit::estimate`].
    pub fn advance(&mut self, trace: &BlockedTrace, most: usize) -> bool {
        if trace.shift != self.shift {
            self.restart(trace);
        }
        match self.stage {
            Stage::Begin => {
                if self.blocks() < BLOCKS_MIN {
                    return true;
                }
                self.set_up_basis();
                self.set_up_remaining(trace);
                self.stage = Stage::Accumulate;
            }
            Stage::Accumulate => {
                if self.visit(trace, most, Self::accumulate) {
                    self.gram.close();
                    self.stage = Stage::FirstPass;
                }
            }
            Stage::FirstPass => {
                if self.next_curve() {
                    self.residuals.level = self.level();
                    self.stage = Stage::Residuals;
                }
            }
            Stage::Residuals => {
                if self.best.is_none() {
                    return true;
                }
                if self.visit(trace, most, Self::add_residuals) {
                    self.stage = Stage::Noise;
                }
            }
            Stage::Noise => {
                let measured = self.estimate_noise();
                self.best = None;
                if !measured {
                    return true;
                }
                let height = self.means.height / self.means.weight;
                self.height = (height > 0.0).then_some(height);
                self.means = WeightedMeans::NONE;
                self.stage = Stage::SecondPass;
            }
            Stage::SecondPass => {
                if self.next_curve() {
                    self.stage = Stage::Done;
                }
            }
            Stage::Done => return true,
        }
        false
    }

    /// Blocks in use, the open one among them.
    fn blocks(&self) -> usize {
        self.full + usize::from(self.open.n > 0)
    }

    /// Sets up what is the same for all curves.
    #[inline(never)]
    fn set_up_basis(&mut self) {
        self.basis.begin(self.curves);
        let count = self.basis.count();
        let (cell, others, grid) = match self.curves {
            CurvePrior::Line | CurvePrior::Exact { .. } => (0.0, 0.0, count),
            CurvePrior::Calibrated { minor, .. } => (minor.cell(count - 1), self.settling.minor(), count - 1),
            CurvePrior::Profiled(range) => (range.cell(count), self.settling.minor(), count),
        };
        self.u_cell = sqrt(UNIFORM) * cell;
        self.minor = if count > 1 { others / sqrt((count - 1) as f64) } else { 0.0 };
        self.grid_weight = 0.5 / (grid as f64 * sqrt(self.blocks() as f64));
    }

    fn block(&self, trace: &BlockedTrace, index: usize) -> Option<Block> {
        if index < self.full { trace.block(index) } else { Some(self.open) }
    }

    /// Calls `add` for the next few blocks; true when all are done. Rewinds for the next pass.
    fn visit(&mut self, trace: &BlockedTrace, most: usize, add: fn(&mut Self, &Point)) -> bool {
        for _ in 0..most {
            if self.index >= self.blocks() {
                break;
            }
            if let Some(block) = self.block(trace, self.index) {
                let n = f64::from(block.n);
                let t = mean_s(&block);
                let y = self.reading(&block, n) - self.mean_y;
                let e = self.basis.at(t);
                add(self, &Point { n, t: t - self.mean_t, y, e });
            }
            self.index += 1;
        }
        let done = self.index >= self.blocks();
        if done {
            self.index = 0;
            self.basis.rewind();
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

    fn accumulate(&mut self, p: &Point) {
        self.gram.add(p, self.basis.count());
    }

    /// Fits one curve; true after the last.
    fn next_curve(&mut self) -> bool {
        let curve = self.curve;
        let exponentials = self.basis.count();
        let posterior = if curve < exponentials {
            regression::transient(&self.gram, &self.prior(curve), self.variance)
        } else {
            regression::line(&self.gram)
        };
        let mut result = CurveFit::NONE;
        if let Some(posterior) = posterior {
            let prior = self.prior_weight(curve);
            result = CurveFit {
                log_weight: 0.5 * ln(prior * prior * posterior.bayes_factor) - 0.5 * posterior.squares / self.variance,
                slope: posterior.slope,
                variance: posterior.slope_variance,
            };
            self.average_in(curve, result, posterior);
        }
        if let Some(slot) = self.fits.get_mut(curve) {
            *slot = result;
        }
        let last = curve >= exponentials;
        self.curve = if last { 0 } else { curve + 1 };
        last
    }

    /// Adds a curve to the means over the curves, and keeps it if it is the likeliest so far.
    fn average_in(&mut self, curve: usize, result: CurveFit, posterior: Posterior) {
        // A zero weight, as a line's beside an exact time constant, is better than no curve.
        let before = self.best.map(|(best, _)| self.fit_at(best).log_weight);
        let log_ratio = before.map_or(0.0, |before| result.log_weight - before);
        let better = before.is_none() || log_ratio > 0.0;
        let weight = if better { 1.0 } else { exp(log_ratio) };
        if better {
            // Earlier weights were relative to a less likely curve.
            let fade = if before.is_some() { exp(-log_ratio) } else { 0.0 };
            self.means = WeightedMeans {
                weight: self.means.weight * fade,
                slope_variance: self.means.slope_variance * fade,
                height: self.means.height * fade,
            };
            self.best = Some((curve, posterior));
        }
        // A line gives no height of a transient, which is what the first pass is for.
        let share = if self.stage == Stage::FirstPass && curve >= self.basis.count() { 0.0 } else { weight };
        self.means.weight += share;
        self.means.slope_variance += share * posterior.ols.bb;
        self.means.height += share * posterior.height;
    }

    fn fit_at(&self, curve: usize) -> CurveFit {
        self.fits.get(curve).copied().unwrap_or(CurveFit::NONE)
    }

    /// Prior of the curve whose dominant mode is this exponential.
    fn prior(&self, dominant: usize) -> Prior {
        let count = self.basis.count();
        let u_ln_tau = match self.curves {
            CurvePrior::Calibrated { u_rel, .. } if dominant == 0 => u_rel,
            _ => self.u_cell,
        };
        // Where only the amplitude is unknown, this is plain least squares.
        let height = self.height.filter(|_| count > 1);
        let u_shift = self.basis.tau(dominant).map_or(0.0, |tau_s| u_ln_tau / tau_s);
        // Only the first pass takes heights from the curves.
        let tau = self.basis.tau(dominant).filter(|_| height.is_none());
        let height_max = tau.map_or(f64::INFINITY, |tau_s| self.settling.height_max(tau_s));
        Prior { dominant, count, u_shift, minor: self.minor, remaining: self.remaining, height, height_max }
    }

    /// [`Fit::remaining`]. So many exponential functions are a poll's work: not one in which a curve is fitted as well.
    #[inline(never)]
    fn set_up_remaining(&mut self, trace: &BlockedTrace) {
        let first_s = self.block(trace, 0).map_or(0.0, |block| mean_s(&block));
        let since_s = self.settling.since_isolation_s + first_s;
        for (k, fraction) in self.remaining.iter_mut().enumerate() {
            *fraction = self.basis.tau(k).map_or(1.0, |tau_s| exp(-since_s / tau_s));
        }
    }

    /// Prior probability of a curve, with the penalty for the amplitude that a line does not have.
    fn prior_weight(&self, curve: usize) -> f64 {
        let is_line = curve >= self.basis.count();
        match self.curves {
            CurvePrior::Line => 1.0,
            // There is a transient: the line serves only where it cannot be distinguished from one.
            CurvePrior::Exact { .. } => {
                if is_line {
                    0.0
                } else {
                    1.0
                }
            }
            CurvePrior::Calibrated { .. } if curve == 0 => 1.0 - UNCALIBRATED,
            CurvePrior::Calibrated { .. } => UNCALIBRATED * if is_line { 0.5 } else { self.grid_weight },
            CurvePrior::Profiled(_) => {
                if is_line {
                    0.5
                } else {
                    self.grid_weight
                }
            }
        }
    }

    /// Value of the likeliest curve's straight part at the trace's mean time, in counts above the mean reading.
    fn level(&self) -> f64 {
        let Some((dominant, posterior)) = &self.best else { return 0.0 };
        let mut level = self.gram.mean_reading();
        for (k, amplitude) in posterior.amplitudes.iter().enumerate().take(self.basis.count()) {
            level -= amplitude * self.gram.mean(Column::Exponential(k));
        }
        level - posterior.shift * self.gram.mean(Column::Shift(*dominant))
    }

    fn add_residuals(&mut self, p: &Point) {
        let Some((dominant, posterior)) = &self.best else { return };
        let mut transient = posterior.shift * p.t * p.e.get(*dominant).copied().unwrap_or(0.0);
        for (amplitude, e) in posterior.amplitudes.iter().zip(&p.e).take(self.basis.count()) {
            transient += amplitude * e;
        }
        let slope = posterior.slope;
        let r = p.y - self.residuals.level - slope * p.t - transient;
        let is_last = self.index + 1 >= self.blocks();
        // Second Legendre polynomial of the centred times, as far as it is not yet in the curve.
        let q = p.t * p.t - self.gram.mean_square_time();
        let sums = &mut self.residuals;
        sums.squares += p.n * r * r;
        sums.block_squares += r * r;
        if self.index > 0 {
            sums.products += r * sums.last;
            sums.steps += (r - sums.last) * (r - sums.last);
        }
        sums.last = r;
        if is_last {
            sums.end_slope = slope + (transient - sums.before.1) / (p.t - sums.before.0);
        }
        sums.before = (p.t, transient);
        sums.curvature += p.n * r * q;
        sums.curvature_squares += p.n * q * q;
    }

    #[inline(never)]
    fn estimate_noise(&mut self) -> bool {
        let Some((_, best)) = self.best else { return false };
        let parameters = 1.0 + best.effective_parameters;
        let blocks = self.blocks() as f64;
        if !(blocks - parameters >= 1.0) {
            return false;
        }
        // Noise from block to block, insensitive to curvature, times the samples per block.
        let steps = self.residuals.steps / (2.0 * (blocks - 1.0)) * self.gram.weight() / blocks;
        let curvature_u = sqrt(steps * self.residuals.curvature_squares);
        let dof = blocks - parameters;
        let variance = self.residuals.squares / dof;
        // Not a number where there are no residuals.
        let rho = self.residuals.products / self.residuals.block_squares + parameters / blocks;
        let of = SampleVariances { samples: self.variance, blocks: steps, residual: variance };
        let (factor, dof) = autocorrelation_factor(rho, blocks, dof, &of);
        self.noise = NoiseEstimate {
            variance,
            factor,
            dof,
            curvature_z: if curvature_u > 0.0 { self.residuals.curvature / curvature_u } else { 0.0 },
        };
        let widened = variance * factor * factor;
        self.variance = if widened > VARIANCE_MIN { widened } else { VARIANCE_MIN };
        true
    }

    /// Result of the finished fit; `None` if the trace does not allow one (too few blocks, or no range of times).
    #[inline(never)]
    pub fn estimate(&self) -> Option<SlopeEstimate> {
        let (best, posterior) = self.best?;
        let NoiseEstimate { variance, factor, dof, curvature_z } = self.noise;
        let most = self.fit_at(best).log_weight;
        let mut components = [Component::default(); CURVES_MAX];
        let (mut total, mut slope) = (0.0, 0.0);
        for (i, (component, result)) in components.iter_mut().zip(&self.fits).enumerate().take(self.basis.count() + 1) {
            // The best has weight 1 even where its logarithm is not a number.
            let weight = if i == best { 1.0 } else { exp(result.log_weight - most) };
            if weight > WEIGHT_MIN {
                let u = factor * sqrt(variance * result.variance);
                *component = Component { weight, offset: result.slope, u };
                total += weight;
                slope += weight * result.slope;
            }
        }
        slope /= total;
        let mut squares = 0.0;
        let extrapolated = EXTRAPOLATED * self.settling.minor() * (self.residuals.end_slope - slope);
        for component in &mut components {
            component.u = sqrt(component.u * component.u + extrapolated * extrapolated);
            component.weight /= total;
            component.offset = if component.weight > 0.0 { component.offset - slope } else { 0.0 };
            squares += component.weight * (component.u * component.u + component.offset * component.offset);
        }
        let given_curve = factor * factor * variance * self.means.slope_variance / self.means.weight;
        let curve = self.basis.tau(best).map_or(Curve::Line, |tau_s| Curve::Transient { tau_s });
        let ols = &posterior.ols;
        let start = self.mean_y + self.level() - posterior.slope * self.mean_t;
        let mut amplitude = posterior.amplitudes.iter().sum::<f64>();
        let (dt, mut de) = (-self.mean_t, 0.0);
        if best < self.basis.count() {
            amplitude += posterior.shift * (self.basis.first_s() - self.mean_t);
            de = -self.gram.mean(Column::Exponential(best));
        }
        let start_variance = 1.0 / self.gram.weight() + dt * dt * ols.bb + 2.0 * dt * de * ols.ba + de * de * ols.aa;
        Some(SlopeEstimate {
            curve,
            start,
            u_start: sqrt(variance * start_variance),
            slope,
            u_slope: sqrt(given_curve),
            u_curve: if squares > given_curve { sqrt(squares - given_curve) } else { 0.0 },
            components,
            amplitude,
            u_amplitude: factor * sqrt(variance * ols.aa),
            correlation: if ols.aa > 0.0 { ols.ba / sqrt(ols.bb * ols.aa) } else { 0.0 },
            residual_squares: self.residuals.squares,
            residual_sd: sqrt(variance),
            autocorrelation_factor: factor,
            curvature_z,
            dof,
            samples: self.samples,
            span_s: f64::from(self.span_us) / US_PER_S,
        })
    }
}

/// Curves less likely than this, against the likeliest, do not count.
const WEIGHT_MIN: f64 = 1e-9;

/// Least variance of a sample, in counts²: a trace without any noise must not cause a division by zero.
const VARIANCE_MIN: f64 = 1e-12;

/// Variances of one sample, from ever longer averages; white noise has the same in all.
struct SampleVariances {
    /// From neighbouring samples.
    samples: f64,
    /// From neighbouring blocks.
    blocks: f64,
    /// From the residuals.
    residual: f64,
}

/// Factor by which positively correlated residuals widen a standard uncertainty, and the remaining degrees of freedom.
/// For residuals following a first-order autoregression with coefficient ρ the variance of a mean or slope over many
/// points grows by `(1 + ρ)/(1 − ρ)` and the points count for that much fewer (Box, Jenkins & Reinsel, *Time Series
/// Analysis*, ch. 2 and 7, from memory). ρ is the lag-one autocorrelation corrected for the fit's own bias, about
/// `−parameters/blocks`; it is applied from one standard error, `1/√blocks` (Bartlett), upwards, so that white noise is
/// seldom widened.
///
/// From [`WANDERING`] upwards it is taken for noise whose power goes as 1/f, which wanders the more the longer one looks. Its
/// Allan variance A² is the same at every scale, so that of the blocks has more by it than neighbouring samples account for.
/// With the spectral density h/f it is `2·ln 2·h`, and the slope of a line by least squares over a time T has the variance
/// `9·h/T²` (`h/f` times the square of the line's transfer function, `6·j1(πfT)/T`, over all frequencies; our algebra),
/// against `12·σ²/(N·T²)` in N blocks of white noise: together as if a block had the variance `σ² + 0.541·N·A²`.
fn autocorrelation_factor(rho: f64, blocks: f64, dof: f64, of: &SampleVariances) -> (f64, f64) {
    if !(rho * rho * blocks > 1.0) || rho < 0.0 {
        return (1.0, dof);
    }
    let growth = if rho > 0.95 { 39.0 } else { (1.0 + rho) / (1.0 - rho) };
    let reduced = dof / growth;
    let reduced = if reduced < 2.0 { 2.0 } else { reduced };
    let wandering = (of.samples + 0.541 * blocks * (of.blocks - of.samples)) / of.residual;
    let growth = if rho > WANDERING && wandering > growth { wandering } else { growth };
    (sqrt(growth), reduced)
}

/// Least autocorrelation of blocks that is taken for 1/f noise: of it blocks have about 0.6, and what a transducer's filter
/// leaves in them is less (our judgement; measured in docs/figures.md).
const WANDERING: f64 = 0.25;

/// Runs a fit to its end at once: for a host, which has no poll deadline. A controller calls [`Fit::begin`] and then
/// [`Fit::advance`], once a poll. `None` where there are too few readings, or no curve fits.
///
/// # Example
/// Twenty seconds of a pressure that falls by half a count a second, with noise of a count or so:
/// ```
/// use seathold_sequencer::measure::{BlockedTrace, CurvePrior, Settling, fit};
/// use seathold_sequencer::time::Instant;
///
/// let mut trace = BlockedTrace::new();
/// for i in 0..2_000_u32 {
///     let fall = 0.5 * f64::from(i) / 100.0;
///     let noise = f64::from(i * 7_919 % 31) / 10.0 - 1.5;
///     trace.push(Instant::from_ticks(u64::from(i) * 10_000), (30_000.0 - fall + noise).round() as i32, 0);
/// }
/// let found = fit(CurvePrior::Line, None, Settling::unknown(5.0), &trace).expect("two thousand readings are enough");
/// assert_eq!(found.samples, 2_000);
/// assert!((found.slope - -0.5).abs() < 3.0 * found.u_slope, "{} ± {} counts/s", found.slope, found.u_slope);
/// assert!(found.u_slope < 0.01);
/// ```
pub fn fit(
    curves: CurvePrior,
    compensation: Option<Compensation>,
    settling: Settling,
    trace: &BlockedTrace,
) -> Option<SlopeEstimate> {
    let mut fit = Fit::NONE;
    fit.begin(curves, compensation, settling, trace);
    loop {
        if fit.advance(trace, BLOCKS + 1) {
            return fit.estimate();
        }
    }
}
