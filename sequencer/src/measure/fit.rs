use super::basis::Basis;
use super::curve::{Curve, Curves};
use super::fold::{Block, Folded};
use super::gram::{Column, Gram, Point};
use super::solve::{self, Prior, Solved};
use crate::limits::{BLOCKS, BLOCKS_MIN, CURVES_MAX, SETTLINGS};

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
    /// Standard uncertainty of the slope from scatter, were the curve known.
    pub u_slope: f64,
    /// What not knowing the curve adds to it: time constants, lesser parts, whether there is a transient at all.
    pub u_curve: f64,
    /// The slope's whole distribution, a normal part for every curve.
    pub parts: [Part; CURVES_MAX],
    /// Height of the likeliest curve's transient at the first block held, in counts; 0 for a line.
    pub amplitude: f64,
    /// Standard uncertainty of the amplitude, were there one time constant and that known.
    pub u_amplitude: f64,
    /// Correlation of slope and amplitude in the same case; 0 for a line.
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

/// What one curve says of the slope: a normal distribution, in counts a second.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Part {
    /// How likely the readings make the curve; the weights add up to 1.
    pub weight: f64,
    /// Its slope less the estimate's.
    pub off: f64,
    /// Standard uncertainty of its slope, correlation between neighbouring blocks allowed for.
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
    /// Kelvin a thermometer count.
    pub kelvin_per_count: f64,
}

/// Where a fit stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stage {
    /// Nothing done yet.
    Begin,
    /// Sums over the blocks.
    Gather,
    /// Every curve once, with the noise that neighbouring samples show, for the likeliest.
    Sketch,
    /// That one's residuals.
    Check,
    /// What they say of the scatter.
    Spread,
    /// Every curve again, with that scatter.
    Solve,
    /// The estimate can be taken.
    Finish,
}

/// A least-squares fit that works through the blocks of a trace a few at a time, so that no single poll is long.
///
/// The curve is a line and a transient that is a sum of settling exponentials: no settling gas follows just one, for
/// wall, seats and cavity each have their own time. One of them is the greater part. Its time constant is not taken as
/// exact: ln τ may be off by δ, which to first order adds `c·t·exp(−t/τ)` with `c = a·δ/τ` to the curve, and c is held to
/// zero by what is known of τ beforehand. The others are held to zero by their being the lesser part. Both are normal
/// priors in a Bayesian linear regression (`solve.rs`).
///
/// Which is the greater part, or whether there is a transient at all, is not known either: each of a grid of time
/// constants over the bounds is it in turn, each standing for its cell of the grid, beside a plain line. The results are
/// averaged, weighted by how likely the readings make them (Bayesian model averaging: Hoeting, Madigan, Raftery &
/// Volinsky, *Statistical Science* 14, 1999, from memory): `exp(−RSS/2s²)`, times the factor by which the readings narrow
/// the priors, times `1/√N` for the amplitude a line does not have (BIC). All this is done twice: first each curve takes the
/// transient's height from itself; then all take the mean of those heights, so that none that is unlikely may suppose a
/// huge one, and the scatter of the residuals. What the curves say is kept apart in
/// [`Estimate::parts`]: together they are no normal distribution while the window is as short as the settling.
///
/// The trace may grow meanwhile: the fit keeps to the samples it began with, and begins again if the trace is folded
/// under it.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    curves: Curves,
    compensation: Option<Compensation>,
    waited_s: f64,
    stage: Stage,
    basis: Basis,
    gram: Gram,
    /// Curve in work: a settling as the greater part, or after the last of them the line.
    curve: usize,
    found: [Found; CURVES_MAX],
    /// The likeliest so far.
    best: Option<(usize, Solved)>,
    means: Means,
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
    /// What is left of each settling by the first block, of a transient of height 1 that began with the valve shut.
    remaining: [f64; SETTLINGS],
    /// Height of the transient as it began, in counts, once the likeliest curve has been found.
    height: Option<f64>,
    /// Variance of one sample that the curves are weighed with, in counts².
    variance: f64,
    left: Left,
    spread: Spread,
}

/// What is kept of every curve.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Found {
    /// Logarithm of its weight; minus infinity for a curve that cannot be used.
    likely: f64,
    slope: f64,
    /// Variance of the slope over that of a sample.
    variance: f64,
}

impl Found {
    const NONE: Self = Self { likely: f64::NEG_INFINITY, slope: 0.0, variance: 0.0 };
}

/// Sums over the curves, by how likely each is against the likeliest.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Means {
    weight: f64,
    /// Of the slope's variance over that of a sample, were the curve known.
    known: f64,
    /// Of the transient's height.
    height: f64,
}

impl Means {
    const NONE: Self = Self { weight: 0.0, known: 0.0, height: 0.0 };
}

/// Sums over residuals.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Left {
    /// Of the curve they are taken from.
    level: f64,
    squares: f64,
    products: f64,
    plain: f64,
    steps: f64,
    last: f64,
    bend: f64,
    bend_squares: f64,
}

impl Left {
    const NONE: Self = Self {
        level: 0.0,
        squares: 0.0,
        products: 0.0,
        plain: 0.0,
        steps: 0.0,
        last: 0.0,
        bend: 0.0,
        bend_squares: 0.0,
    };
}

/// What the residuals say of the scatter.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Spread {
    variance: f64,
    stretch: f64,
    freedom: f64,
    bend: f64,
}

impl Spread {
    const NONE: Self = Self { variance: 0.0, stretch: 0.0, freedom: 0.0, bend: 0.0 };
}

const US_PER_S: f64 = 1e6;

/// Standard deviation of all lesser parts of a transient together over the whole, as it began (our judgement, no source;
/// the coverage it gives on plants with several time constants is measured in docs/figures.md).
pub(super) const LESSER: f64 = 0.1;

/// How likely it is, before the readings, that a calibrated time constant is not that of the greater part: the far side
/// was drier, the seats newer, the bench warmer than in the blank run (our judgement, no source; measured as above).
const UNCALIBRATED: f64 = 0.2;

/// Variance of a uniform distribution of width 1 (JCGM 100:2008, 4.3.7): of a converter's step, and of a cell.
const UNIFORM: f64 = 1.0 / 12.0;

impl Fit {
    /// No fit yet: [`Fit::begin`] makes it one. Apart from it so that a fit is set up where it is to stay, and never on a
    /// small stack.
    pub const NONE: Self = Self {
        curves: Curves::Line,
        compensation: None,
        waited_s: 0.0,
        stage: Stage::Begin,
        basis: Basis::NONE,
        gram: Gram::EMPTY,
        curve: 0,
        found: [Found::NONE; CURVES_MAX],
        best: None,
        means: Means::NONE,
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
        remaining: [1.0; SETTLINGS],
        height: None,
        variance: 0.0,
        left: Left::NONE,
        spread: Spread::NONE,
    };

    /// Begins a fit of what the trace holds now. The trace's first sample came `waited_s` seconds after the valve was shut,
    /// which is when transients begin: a fast one may be over, and a slow one, small as it was, the greater by now.
    pub fn begin(&mut self, curves: Curves, compensation: Option<Compensation>, waited_s: f64, trace: &Folded) {
        self.curves = curves;
        self.compensation = compensation;
        self.waited_s = waited_s;
        self.restart(trace);
    }

    /// Begins, or begins again, with what the trace holds now.
    fn restart(&mut self, trace: &Folded) {
        let noise = trace.noise_variance();
        self.stage = Stage::Begin;
        self.gram = Gram::EMPTY;
        self.curve = 0;
        self.best = None;
        self.means = Means::NONE;
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
        self.left = Left::NONE;
    }

    /// Does one bounded piece of work, over at most `most` blocks. True when there is nothing left to do but to take the
    /// [`Fit::estimate`].
    pub fn advance(&mut self, trace: &Folded, most: usize) -> bool {
        if trace.shift != self.shift {
            self.restart(trace);
        }
        match self.stage {
            Stage::Begin => {
                if self.blocks() < BLOCKS_MIN {
                    return true;
                }
                self.lay_out();
                self.stage = Stage::Gather;
            }
            Stage::Gather => {
                if self.visit(trace, most, Self::gather) {
                    self.gram.close();
                    self.stage = Stage::Sketch;
                }
            }
            Stage::Sketch => {
                if self.next_curve() {
                    self.left.level = self.level();
                    self.stage = Stage::Check;
                }
            }
            Stage::Check => {
                if self.best.is_none() {
                    return true;
                }
                if self.visit(trace, most, Self::check) {
                    self.stage = Stage::Spread;
                }
            }
            Stage::Spread => {
                let measured = self.measure_spread();
                self.best = None;
                if !measured {
                    return true;
                }
                let height = self.means.height / self.means.weight;
                self.height = (height > 0.0).then_some(height);
                self.means = Means::NONE;
                self.stage = Stage::Solve;
            }
            Stage::Solve => {
                if self.next_curve() {
                    self.stage = Stage::Finish;
                }
            }
            Stage::Finish => return true,
        }
        false
    }

    /// Blocks in use, the open one among them.
    fn blocks(&self) -> usize {
        self.full + usize::from(self.open.n > 0)
    }

    /// The exponentials, over blocks of this length.
    #[inline(never)]
    fn lay_out(&mut self) {
        let samples = f64::from(1u32 << self.shift);
        let block_s = samples * f64::from(self.span_us) / (f64::from(self.samples) - 1.0) / US_PER_S;
        self.basis = Basis::new(self.curves.taus(), block_s, samples);
        let count = self.basis.count();
        self.u_cell = match self.curves {
            Curves::Line | Curves::Exact { .. } => 0.0,
            Curves::Calibrated { lesser, .. } => libm::sqrt(UNIFORM) * lesser.cell(count - 1),
            Curves::Profiled(band) => libm::sqrt(UNIFORM) * band.cell(count),
        };
    }

    /// Runs `work` over the next few blocks; true when all are done. Rewinds for the next pass.
    fn visit(&mut self, trace: &Folded, most: usize, work: fn(&mut Self, &Point)) -> bool {
        for _ in 0..most {
            if self.index >= self.blocks() {
                break;
            }
            let block = if self.index < self.full { trace.block(self.index) } else { Some(self.open) };
            if let Some(block) = block {
                let n = f64::from(block.n);
                let t = block.t as f64 / n / US_PER_S;
                let y = self.reading(&block, n) - self.mean_y;
                let e = self.basis.at(t);
                work(self, &Point { n, t: t - self.mean_t, y, e });
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

    fn gather(&mut self, p: &Point) {
        self.gram.add(p, self.basis.count());
    }

    /// Fits one curve; true after the last.
    fn next_curve(&mut self) -> bool {
        let curve = self.curve;
        let settlings = self.basis.count();
        if curve == 0 && self.stage == Stage::Sketch {
            self.remaining = self.remains();
        }
        let solved = if curve < settlings {
            solve::transient(&self.gram, &self.prior(curve), self.variance)
        } else {
            solve::line(&self.gram)
        };
        let mut found = Found::NONE;
        if let Some(solved) = solved {
            let prior = self.weight_before(curve);
            found = Found {
                likely: 0.5 * libm::log(prior * prior * solved.narrowed) - 0.5 * solved.squares / self.variance,
                slope: solved.slope,
                variance: solved.slope_variance,
            };
            self.weigh(curve, found, solved);
        }
        if let Some(slot) = self.found.get_mut(curve) {
            *slot = found;
        }
        let last = curve >= settlings;
        self.curve = if last { 0 } else { curve + 1 };
        last
    }

    /// Takes a curve into the means over the curves, and as the likeliest where it is.
    fn weigh(&mut self, curve: usize, found: Found, solved: Solved) {
        // A weight of nothing, as a line's beside an exact time constant, is better than none.
        let before = self.best.map(|(best, _)| self.found_at(best).likely);
        let apart = before.map_or(0.0, |before| found.likely - before);
        let better = before.is_none() || apart > 0.0;
        let weight = if better { 1.0 } else { libm::exp(apart) };
        if better {
            // What was weighed so far was weighed against one less likely.
            let fade = if before.is_some() { libm::exp(-apart) } else { 0.0 };
            self.means = Means {
                weight: self.means.weight * fade,
                known: self.means.known * fade,
                height: self.means.height * fade,
            };
            self.best = Some((curve, solved));
        }
        // A line says nothing of how high a transient would be, which is what the first fits are for.
        let says = if self.stage == Stage::Sketch && curve >= self.basis.count() { 0.0 } else { weight };
        self.means.weight += says;
        self.means.known += says * solved.plain.bb;
        self.means.height += says * solved.height;
    }

    fn found_at(&self, curve: usize) -> Found {
        self.found.get(curve).copied().unwrap_or(Found::NONE)
    }

    /// What is known beforehand of the curve whose greater part is this settling.
    fn prior(&self, greater: usize) -> Prior {
        let count = self.basis.count();
        let (u_ln_tau, others) = match self.curves {
            Curves::Line | Curves::Exact { .. } => (0.0, 0.0),
            Curves::Calibrated { u_rel, .. } if greater == 0 => (u_rel, LESSER),
            Curves::Calibrated { .. } | Curves::Profiled(_) => (self.u_cell, LESSER),
        };
        let lesser = if count > 1 { others / libm::sqrt((count - 1) as f64) } else { 0.0 };
        // Where all is exact but the amplitude, this is plain least squares.
        let height = self.height.filter(|_| count > 1);
        let u_shift = self.basis.tau(greater).map_or(0.0, |tau_s| u_ln_tau / tau_s);
        Prior { greater, count, u_shift, lesser, left: self.remaining, height }
    }

    /// [`Fit::remaining`], once the first block has been visited.
    fn remains(&self) -> [f64; SETTLINGS] {
        let mut left = [1.0; SETTLINGS];
        for (k, left) in left.iter_mut().enumerate() {
            if let Some(tau_s) = self.basis.tau(k) {
                *left = libm::exp(-(self.waited_s + self.basis.first_s()) / tau_s);
            }
        }
        left
    }

    /// How likely a curve is before the readings, and what the amplitude it has and a line has not costs it.
    fn weight_before(&self, curve: usize) -> f64 {
        let settlings = self.basis.count();
        let is_line = curve >= settlings;
        let of_grid = |size: usize| 0.5 / (size as f64 * libm::sqrt(self.blocks() as f64));
        match self.curves {
            Curves::Line => 1.0,
            // There is a transient: the line is only for where it cannot be told from one.
            Curves::Exact { .. } => {
                if is_line {
                    0.0
                } else {
                    1.0
                }
            }
            Curves::Calibrated { .. } if curve == 0 => 1.0 - UNCALIBRATED,
            Curves::Calibrated { .. } => UNCALIBRATED * if is_line { 0.5 } else { of_grid(settlings - 1) },
            Curves::Profiled(_) => {
                if is_line {
                    0.5
                } else {
                    of_grid(settlings)
                }
            }
        }
    }

    /// Where the likeliest curve's straight part lies at the trace's mean time, in counts above the mean reading.
    fn level(&self) -> f64 {
        let Some((greater, s)) = &self.best else { return 0.0 };
        let mut level = self.gram.mean_reading();
        for (k, amplitude) in s.amplitudes.iter().enumerate().take(self.basis.count()) {
            level -= amplitude * self.gram.mean(Column::Settling(k));
        }
        level - s.shift * self.gram.mean(Column::Shift(*greater))
    }

    fn check(&mut self, p: &Point) {
        let Some((greater, s)) = &self.best else { return };
        let mut r = p.y - self.left.level - s.slope * p.t;
        for (amplitude, e) in s.amplitudes.iter().zip(&p.e).take(self.basis.count()) {
            r -= amplitude * e;
        }
        r -= s.shift * p.t * p.e.get(*greater).copied().unwrap_or(0.0);
        // Second Legendre polynomial of the centred times, for as much as it is not yet in the curve.
        let q = p.t * p.t - self.gram.mean_square_time();
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

    #[inline(never)]
    fn measure_spread(&mut self) -> bool {
        let Some((_, best)) = self.best else { return false };
        let parameters = 1.0 + best.freedom;
        let blocks = self.blocks() as f64;
        if !(blocks - parameters >= 1.0) {
            return false;
        }
        let (stretch, freedom) = correlation_stretch(self.left.products, self.left.plain, blocks, parameters);
        // Scatter from block to block, blind to a bend, times the samples a block holds.
        let steps = self.left.steps / (2.0 * (blocks - 1.0)) * self.gram.weight() / blocks;
        let bend_u = libm::sqrt(steps * self.left.bend_squares);
        let variance = self.left.squares / (blocks - parameters);
        self.spread =
            Spread { variance, stretch, freedom, bend: if bend_u > 0.0 { self.left.bend / bend_u } else { 0.0 } };
        let stretched = variance * stretch * stretch;
        self.variance = if stretched > VARIANCE_MIN { stretched } else { VARIANCE_MIN };
        true
    }

    /// What the finished fit found; `None` if the trace cannot carry one (too few blocks, or no spread of times).
    #[inline(never)]
    pub fn estimate(&self) -> Option<Estimate> {
        let (best, solved) = self.best?;
        let Spread { variance, stretch, freedom, bend } = self.spread;
        let most = self.found_at(best).likely;
        let mut parts = [Part::default(); CURVES_MAX];
        let (mut whole, mut slope) = (0.0, 0.0);
        for (i, (part, found)) in parts.iter_mut().zip(&self.found).enumerate().take(self.basis.count() + 1) {
            // The best has weight 1 even where its logarithm is not a number.
            let weight = if i == best { 1.0 } else { libm::exp(found.likely - most) };
            if weight > WEIGHT_MIN {
                let u = stretch * libm::sqrt(variance * found.variance);
                *part = Part { weight, off: found.slope, u };
                whole += weight;
                slope += weight * found.slope;
            }
        }
        slope /= whole;
        let mut squares = 0.0;
        for part in &mut parts {
            part.weight /= whole;
            part.off = if part.weight > 0.0 { part.off - slope } else { 0.0 };
            squares += part.weight * (part.u * part.u + part.off * part.off);
        }
        let known = stretch * stretch * variance * self.means.known / self.means.weight;
        let curve = self.basis.tau(best).map_or(Curve::Line, |tau_s| Curve::Transient { tau_s });
        let plain = &solved.plain;
        let start = self.mean_y + self.level() - solved.slope * self.mean_t;
        let mut amplitude = solved.amplitudes.iter().sum::<f64>();
        let (dt, mut de) = (-self.mean_t, 0.0);
        if best < self.basis.count() {
            amplitude += solved.shift * (self.basis.first_s() - self.mean_t);
            de = -self.gram.mean(Column::Settling(best));
        }
        let spread_start =
            1.0 / self.gram.weight() + dt * dt * plain.bb + 2.0 * dt * de * plain.ba + de * de * plain.aa;
        Some(Estimate {
            curve,
            start,
            u_start: libm::sqrt(variance * spread_start),
            slope,
            u_slope: libm::sqrt(known),
            u_curve: if squares > known { libm::sqrt(squares - known) } else { 0.0 },
            parts,
            amplitude,
            u_amplitude: stretch * libm::sqrt(variance * plain.aa),
            correlation: if plain.aa > 0.0 { plain.ba / libm::sqrt(plain.bb * plain.aa) } else { 0.0 },
            residual_squares: self.left.squares,
            residual_sd: libm::sqrt(variance),
            stretch,
            bend,
            freedom,
            samples: self.samples,
            span_s: f64::from(self.span_us) / US_PER_S,
        })
    }
}

/// Curves less likely than this, against the likeliest, do not count.
const WEIGHT_MIN: f64 = 1e-9;

/// Least variance of a sample, in counts²: a trace without any scatter is no reason to divide by nothing.
const VARIANCE_MIN: f64 = 1e-12;

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

/// Runs a fit to its end at once: for a host, which has no short poll to keep.
pub fn fit(curves: Curves, compensation: Option<Compensation>, waited_s: f64, trace: &Folded) -> Option<Estimate> {
    let mut fit = Fit::NONE;
    fit.begin(curves, compensation, waited_s, trace);
    loop {
        if fit.advance(trace, BLOCKS + 1) {
            return fit.estimate();
        }
    }
}
