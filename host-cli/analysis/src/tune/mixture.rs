//! A mixture estimate: the probability that a side is good, from the leaks of all sides, where there are no labels.
//!
//! What is assumed, and nothing else: the true leaks of all sides come from a few groups, each of them either without a
//! leak at all or with leaks whose logarithm is normal; an estimate has a normal error of its
//! stated standard uncertainty; sides are independent. What the groups *are* is not assumed: a side is good with the
//! probability that its true leak, given its estimate and the groups, lies within the limit.
//!
//! Shares, medians and deviations are the most likely ones, by expectation and maximisation (Dempster, Laird & Rubin,
//! J. Royal Statistical Society B 39, 1977) on a grid of leaks. How many groups there are is decided by the Bayesian
//! information criterion (Schwarz, Annals of Statistics 6, 1978): one more has to be better by six, which is strong
//! evidence (Kass & Raftery, J. American Statistical Association 90, 1995). From memory, all three.

use std::f64::consts::{PI, SQRT_2};

/// A side's estimate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Observation {
    /// Leak, Pa·m³/s; may be negative.
    pub leak: f64,
    /// Its standard uncertainty, above zero.
    pub u: f64,
}

/// A component: sides with similar leaks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MixtureComponent {
    /// Share of all sides.
    pub share: f64,
    /// Median leak, Pa·m³/s; `None` for the group without a leak.
    pub median: Option<f64>,
    /// Standard deviation of the leak's natural logarithm.
    pub spread: f64,
}

/// The greatest distance between the distributions of estimates and of a model.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ModelDistance {
    /// As found.
    pub found: f64,
    /// What one in a hundred samples of that model exceeds.
    pub allowed: f64,
}

/// Components that describe the estimates.
#[derive(Clone, Debug, PartialEq)]
pub struct Mixture {
    /// The groups, tightest first.
    pub groups: Vec<MixtureComponent>,
    /// Natural logarithm of the likelihood.
    pub log_likelihood: f64,
    /// Bayesian information criterion; the less the better.
    pub bic: f64,
    grid: LeakGrid,
}

/// A step of the grid, as part of a leak. An estimate more certain than that counts as no better: groups are far wider.
const STEP: f64 = 0.02;
/// No group is narrower, so that none shrinks onto a single estimate.
const NARROW: f64 = 0.05;
/// Likelihoods are computed this many standard uncertainties to either side: beyond is 2·10⁻⁹ of the weight.
const REACH: f64 = 6.0;
/// Iterations of expectation and maximisation, at most, and the gain of the logarithm at which it is enough.
const ROUNDS: usize = 1_000;
const ENOUGH: f64 = 1e-6;
/// By how much the criterion has to fall for another group.
const STRONG: f64 = 6.0;
/// Fewest estimates that a mixture is fitted to (our judgement, no source).
pub const FEWEST: usize = 20;

/// Leaks at even steps of their logarithm.
#[derive(Clone, Copy, Debug, PartialEq)]
struct LeakGrid {
    /// Logarithm of the first.
    from: f64,
    count: usize,
}

impl LeakGrid {
    /// From a leak that no estimate distinguishes from zero up to ten times the greatest.
    fn over(seen: &[Observation]) -> Self {
        let least = seen.iter().map(|s| s.u).fold(f64::INFINITY, f64::min) * 0.05;
        let most = seen.iter().map(|s| s.leak.max(s.u)).fold(0.0, f64::max) * 10.0;
        Self { from: least.ln(), count: ((most / least).ln() / STEP).ceil() as usize + 1 }
    }

    fn log(self, place: usize) -> f64 {
        self.from + STEP * place as f64
    }

    /// Likelihood of an estimate at each leak near it: index of the first, then the values. Without the common factor.
    fn likelihoods(self, seen: Observation) -> LikelihoodRow {
        let u = seen.u.max(STEP * seen.leak);
        let density = |leak: f64| (-0.5 * ((seen.leak - leak) / u).powi(2)).exp() / (u * (2.0 * PI).sqrt());
        let place = |leak: f64| ((leak.ln() - self.from) / STEP).clamp(0.0, self.count as f64);
        let low = seen.leak - REACH * u;
        let first = if low > 0.0 { place(low) as usize } else { 0 };
        let last = (place((seen.leak + REACH * u).max(f64::MIN_POSITIVE)).ceil() as usize).min(self.count);
        let on = (first..last.max(first)).map(|at| density(self.log(at).exp())).collect();
        LikelihoodRow { none: density(0.0), first, on }
    }

    /// A group's share of each leak of the grid.
    fn weights(self, median: f64, spread: f64) -> Vec<f64> {
        let middle = median.ln();
        let mut weights: Vec<f64> =
            (0..self.count).map(|at| (-0.5 * ((self.log(at) - middle) / spread).powi(2)).exp()).collect();
        let sum: f64 = weights.iter().sum();
        weights.iter_mut().for_each(|w| *w /= sum.max(f64::MIN_POSITIVE));
        weights
    }
}

/// Likelihood of an estimate, leak by leak.
struct LikelihoodRow {
    none: f64,
    first: usize,
    on: Vec<f64>,
}

impl LikelihoodRow {
    /// Its likelihood in a group, with the first two moments of the logarithm.
    fn moments(&self, grid: LeakGrid, weights: &[f64]) -> [f64; 3] {
        let mut sums = [0.0; 3];
        for (at, (likely, weight)) in self.on.iter().zip(weights.iter().skip(self.first)).enumerate() {
            let (both, log) = (likely * weight, grid.log(self.first + at));
            sums[0] += both;
            sums[1] += both * log;
            sums[2] += both * log * log;
        }
        sums
    }
}

/// Groups while they are fitted.
#[derive(Clone, Debug)]
struct MixtureFit {
    groups: Vec<MixtureComponent>,
    log_likelihood: f64,
}

impl MixtureFit {
    fn run(mut self, grid: LeakGrid, rows: &[LikelihoodRow]) -> Self {
        for _ in 0..ROUNDS {
            let next = self.round(grid, rows);
            let gain = next.log_likelihood - self.log_likelihood;
            self = next;
            if gain < ENOUGH {
                break;
            }
        }
        self
    }

    /// The likelihood of these groups, and the next ones.
    fn round(&self, grid: LeakGrid, rows: &[LikelihoodRow]) -> Self {
        let weights: Vec<Option<Vec<f64>>> =
            self.groups.iter().map(|g| g.median.map(|median| grid.weights(median, g.spread))).collect();
        let mut sums = vec![[0.0; 3]; self.groups.len()];
        let mut log_likelihood = 0.0;
        for row in rows {
            let each = self.groups.iter().zip(&weights).map(|(group, weights)| {
                let moments = weights.as_ref().map_or([row.none, 0.0, 0.0], |weights| row.moments(grid, weights));
                moments.map(|m| m * group.share)
            });
            let each: Vec<[f64; 3]> = each.collect();
            let whole = each.iter().map(|m| m[0]).sum::<f64>().max(f64::MIN_POSITIVE);
            log_likelihood += whole.ln();
            for (sum, one) in sums.iter_mut().zip(&each) {
                for (sum, one) in sum.iter_mut().zip(one) {
                    *sum += one / whole;
                }
            }
        }
        let groups = self.groups.iter().zip(&sums).map(|(group, [weight, first, second])| {
            let share = weight / rows.len() as f64;
            if group.median.is_none() || *weight < 1e-9 {
                return MixtureComponent { share, ..*group };
            }
            let middle = first / weight;
            let spread = (second / weight - middle * middle).max(0.0).sqrt().max(NARROW);
            MixtureComponent { share, median: Some(middle.exp()), spread }
        });
        Self { groups: groups.collect(), log_likelihood }
    }
}

/// Starting values: the estimates in as many parts as there are groups, cut at their widest gaps or into equal parts.
fn beginnings(seen: &[Observation], none: bool, others: usize) -> Vec<Vec<MixtureComponent>> {
    let mut logs: Vec<f64> = seen.iter().map(|s| s.leak.max(s.u).ln()).collect();
    logs.sort_by(f64::total_cmp);
    let parts = others + usize::from(none);
    let equal: Vec<usize> = (1..parts).map(|part| part * logs.len() / parts).collect();
    // A gap between the outermost few is no cut between groups.
    let margin = (logs.len() / 20).max(1);
    let mut gaps: Vec<usize> = (margin..logs.len().saturating_sub(margin)).collect();
    gaps.sort_by(|a, b| (logs[*b] - logs[b - 1]).total_cmp(&(logs[*a] - logs[a - 1])));
    gaps.truncate(parts - 1);
    gaps.sort_unstable();
    let groups = |cuts: &[usize]| {
        let ends = std::iter::once(0).chain(cuts.iter().copied()).zip(cuts.iter().copied().chain([logs.len()]));
        let group = |(number, (from, to)): (usize, (usize, usize))| {
            let part = &logs[from..to];
            let n = part.len().max(1) as f64;
            let middle = part.iter().sum::<f64>() / n;
            let spread = (part.iter().map(|l| (l - middle).powi(2)).sum::<f64>() / n).sqrt().max(0.3);
            let median = (number > 0 || !none).then(|| middle.exp());
            MixtureComponent {
                share: n / logs.len() as f64,
                median,
                spread: if median.is_some() { spread } else { 0.0 },
            }
        };
        ends.enumerate().map(group).collect::<Vec<MixtureComponent>>()
    };
    let mut all = vec![groups(&equal)];
    if gaps.len() + 1 == parts && gaps != equal {
        all.push(groups(&gaps));
    }
    all
}

/// The likeliest mixture of a group without a leak (`none`) and so many others.
fn likeliest(seen: &[Observation], grid: LeakGrid, rows: &[LikelihoodRow], none: bool, others: usize) -> Mixture {
    let fits = beginnings(seen, none, others).into_iter().map(|groups| {
        // Below any possible value, so that the first iteration counts as a gain.
        MixtureFit { groups, log_likelihood: f64::NEG_INFINITY }.run(grid, rows)
    });
    let best = fits.max_by(|a, b| a.log_likelihood.total_cmp(&b.log_likelihood));
    let MixtureFit { mut groups, log_likelihood } =
        best.unwrap_or(MixtureFit { groups: Vec::new(), log_likelihood: 0.0 });
    groups.sort_by(|a, b| a.median.unwrap_or(0.0).total_cmp(&b.median.unwrap_or(0.0)));
    // A share for each group but the last, median and deviation for each with a leak.
    let free = (groups.len().saturating_sub(1) + 2 * others) as f64;
    Mixture { groups, log_likelihood, bic: free * (seen.len() as f64).ln() - 2.0 * log_likelihood, grid }
}

/// The models tried: without and with a group that does not leak, up to three groups that do.
const TRIED: [(bool, usize); 7] = [(true, 0), (false, 1), (true, 1), (false, 2), (true, 2), (false, 3), (true, 3)];

/// Fits mixtures of more and more groups, and keeps the fewest that describe the estimates.
///
/// # Errors
/// In words, with fewer than [`FEWEST`] estimates, or one without an uncertainty.
pub fn fit(seen: &[Observation]) -> Result<Mixture, String> {
    if seen.len() < FEWEST {
        return Err(format!("{} leaks: groups are not looked for in fewer than {FEWEST}", seen.len()));
    }
    if let Some(s) = seen.iter().find(|s| !(s.leak.is_finite() && s.u.is_finite() && s.u > 0.0)) {
        return Err(format!("a leak of {} with uncertainty {}: not valid", s.leak, s.u));
    }
    let grid = LeakGrid::over(seen);
    let rows: Vec<LikelihoodRow> = seen.iter().map(|s| grid.likelihoods(*s)).collect();
    let mut kept: Option<Mixture> = None;
    for (none, others) in TRIED {
        let one = likeliest(seen, grid, &rows, none, others);
        // Of two with as many groups the better one; one more must improve the criterion enough.
        let needed = kept
            .as_ref()
            .map_or(f64::NEG_INFINITY, |kept| if one.groups.len() > kept.groups.len() { STRONG } else { 0.0 });
        if kept.as_ref().is_none_or(|kept| kept.bic - one.bic > needed) {
            kept = Some(one);
        }
    }
    kept.ok_or_else(|| "nothing to fit".into())
}

/// Fits a mixture of so many groups, one of them without a leak where `none`: for checks, and for parts of the
/// estimates.
pub fn fit_groups(seen: &[Observation], none: bool, others: usize) -> Mixture {
    let grid = LeakGrid::over(seen);
    let rows: Vec<LikelihoodRow> = seen.iter().map(|s| grid.likelihoods(*s)).collect();
    likeliest(seen, grid, &rows, none, others)
}

impl Mixture {
    /// Whether there is a group without a leak, and how many others.
    pub fn shape(&self) -> (bool, usize) {
        let none = self.groups.iter().any(|group| group.median.is_none());
        (none, self.groups.len() - usize::from(none))
    }

    /// The probability that a side's true leak lies within a limit, given its estimate.
    pub fn within(&self, seen: Observation, limit: f64) -> f64 {
        // An estimate beyond the grid's end is of another kind than those it was fitted to.
        let row = self.grid.likelihoods(seen);
        let edge = (limit.max(f64::MIN_POSITIVE).ln() - self.grid.from) / STEP;
        let (mut inside, mut whole) = (0.0, 0.0);
        for group in &self.groups {
            let Some(median) = group.median else {
                inside += group.share * row.none;
                whole += group.share * row.none;
                continue;
            };
            let weights = self.grid.weights(median, group.spread);
            for (at, (likely, weight)) in row.on.iter().zip(weights.iter().skip(row.first)).enumerate() {
                let both = group.share * likely * weight;
                whole += both;
                // A leak of the grid represents half a step to either side.
                inside += both * (edge - (row.first + at) as f64 + 0.5).clamp(0.0, 1.0);
            }
        }
        if whole > 0.0 { inside / whole } else { f64::from(u8::from(seen.leak <= limit)) }
    }

    /// Share of all sides whose true leak lies within a limit.
    pub(crate) fn share_within(&self, limit: f64) -> f64 {
        let log = limit.max(f64::MIN_POSITIVE).ln();
        let part =
            |group: &MixtureComponent| group.median.map_or(1.0, |median| normal((log - median.ln()) / group.spread));
        self.groups.iter().map(|group| group.share * part(group)).sum()
    }

    /// Distance between the estimates' distribution and the model's (Kolmogorov and Smirnov, `1.63/√n`; smaller still where the groups were fitted to the
    /// same estimates, so a poor description may be missed, but a good one is not blamed).
    pub fn distance(&self, seen: &[Observation]) -> ModelDistance {
        let weights: Vec<Option<Vec<f64>>> =
            self.groups.iter().map(|g| g.median.map(|median| self.grid.weights(median, g.spread))).collect();
        let below = |s: &Observation| -> f64 {
            let u = s.u.max(STEP * s.leak);
            let part = |weights: &Option<Vec<f64>>| match weights {
                None => normal(s.leak / u),
                Some(weights) => {
                    let at = |(at, weight): (usize, &f64)| weight * normal((s.leak - self.grid.log(at).exp()) / u);
                    weights.iter().enumerate().filter(|(_, weight)| **weight > 1e-12).map(at).sum()
                }
            };
            self.groups.iter().zip(&weights).map(|(group, weights)| group.share * part(weights)).sum()
        };
        let mut places: Vec<f64> = seen.iter().map(below).collect();
        places.sort_by(f64::total_cmp);
        let n = places.len().max(1) as f64;
        let off = places.iter().enumerate().map(|(i, p)| (p - i as f64 / n).abs().max(((i + 1) as f64 / n - p).abs()));
        ModelDistance { found: off.fold(0.0, f64::max), allowed: 1.63 / n.sqrt() }
    }
}

/// Share of a standard normal distribution below `z`.
fn normal(z: f64) -> f64 {
    0.5 * libm::erfc(-z / SQRT_2)
}
