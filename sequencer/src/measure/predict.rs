//! What a window would tell before it is measured: least squares through evenly spaced samples of white noise, in
//! closed form, and the budget of JCGM 100:2008.

use super::conformance::normal_cdf;
use super::curve_prior::Curve;
use super::decide::PLAUSIBLE;
use super::fit::MINOR_SD;
use super::leak_estimate::resolution;
use super::leak_estimate::{Budget, temperature_rate, volume_u_rel};
use super::quantile::student_quantile;
use super::schedule::Schedule;
use crate::recipe::Recipe;
use crate::rig::Rig;
use crate::sqrt::sqrt;
use crate::units::LeakRate;

/// A window that has not been measured yet: evenly spaced samples of white noise.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Window {
    /// From the first sample to the last, in seconds.
    pub seconds: f64,
    /// Samples in it; at least 4.
    pub samples: u32,
    /// Standard deviation of one sample's noise, in counts, without quantisation.
    pub noise_counts: f64,
    /// The curve fitted.
    pub curve: Curve,
    /// Height of the transient at the first sample, in counts, as far as it can be predicted; only the curve's
    /// uncertainty depends on it.
    pub transient_counts: f64,
    /// Standard uncertainty of the time constant, as a ratio.
    pub tau_u_rel: f64,
}

/// Centred sums over the samples, for a transient of height 1 at the first.
#[derive(Clone, Copy, Debug)]
struct Sums {
    tt: f64,
    te: f64,
    ee: f64,
}

impl Window {
    /// Variance of one sample about the curve, in counts²: its noise and quantisation, uniform over one count (JCGM
    /// 100:2008, 4.3.7).
    fn variance(&self) -> f64 {
        self.noise_counts * self.noise_counts + 1.0 / 12.0
    }

    /// The sums in closed form. With times `j·Δ`, `j` from `−(N−1)/2` to `(N−1)/2`, and `x = Δ/τ`: `Σj² = N(N²−1)/12`;
    /// `Σe^(−jx) = sinh(Nx/2)/sinh(x/2)` (a geometric series), and `Σj·e^(−jx)` is minus its derivative by `x`.
    fn sums(&self) -> Sums {
        let (x, n) = self.steps();
        let between = self.seconds / (n - 1.0);
        let tt = between * between * n * (n * n - 1.0) / 12.0;
        if self.curve == Curve::Line {
            return Sums { tt, te: 0.0, ee: 0.0 };
        }
        let (h, q) = (n * x / 2.0, x / 2.0);
        // Both times e^(q − h), which makes the transient 1 at the first sample, and keeps the numbers small.
        let sinh_h = -0.5 * libm::expm1(-2.0 * h) * libm::exp(q);
        let cosh_h = 0.5 * (1.0 + libm::exp(-2.0 * h)) * libm::exp(q);
        let sinh_q = libm::sinh(q);
        let te = -between * 0.5 * (n * cosh_h * sinh_q - sinh_h * libm::cosh(q)) / (sinh_q * sinh_q);
        let e = self.sum();
        Sums { tt, te, ee: self.squares() - e * e / n }
    }

    /// Standard uncertainty of the slope from noise, in counts a second. For a line `σ²/Σ(t − t̄)²`, which is
    /// `12σ²/(N(N² − 1)Δ²)` (Kay, *Estimation Theory*, ch. 3, from memory); beside a transient it is larger by `1/(1 −
    /// r²)`, `r` the correlation of time and transient: the same 2 × 2 normal equations that [`Fit`](super::Fit)
    /// solves.
    pub fn slope_u(&self) -> f64 {
        let Sums { tt, te, ee } = self.sums();
        let line = self.variance() / tt;
        let orthogonality = match self.curve {
            Curve::Line => 1.0,
            Curve::Transient { .. } => self.orthogonality(tt, te, ee),
        };
        sqrt(line / orthogonality)
    }

    /// `1 − r²`. Where the window is short against τ the closed form loses all its digits, and its limit is used: what
    /// a line leaves of an exponential is a parabola, and `1 − r² → h²/15` with `h` half the window over τ.
    fn orthogonality(&self, tt: f64, te: f64, ee: f64) -> f64 {
        let Curve::Transient { tau_s } = self.curve else { return 1.0 };
        let h = self.seconds / (2.0 * tau_s);
        if h < 0.02 { h * h / 15.0 } else { 1.0 - te * te / (tt * ee) }
    }

    /// Bias of a plain line's slope by the transient, in counts a second: the scale of the curve's uncertainty.
    fn transient_bias(&self) -> f64 {
        let Sums { tt, te, .. } = self.sums();
        (self.transient_counts * te / tt).abs()
    }

    /// Standard uncertainty of the slope from the unknown curve: a share of the transient's bias for its shape, and for
    /// an uncertain τ the change of the bias with τ.
    pub(super) fn curve_u(&self) -> f64 {
        let Curve::Transient { tau_s } = self.curve else { return 0.0 };
        let shape = MINOR_SD * self.transient_bias();
        let shifted = |factor: f64| {
            let curve = Curve::Transient { tau_s: tau_s * factor };
            // A fit with the wrong τ mistakes this much of the transient for slope.
            self.misfit(&Self { curve, ..*self })
        };
        let factor = 1.0 + if self.tau_u_rel > 0.5 { 0.5 } else { self.tau_u_rel };
        let (longer, shorter) = (shifted(factor), shifted(1.0 / factor));
        let tau_squares = 0.5 * (longer * longer + shorter * shorter);
        sqrt(shape * shape + tau_squares)
    }

    /// The slope that a fit with another's τ gives for this window's transient alone, in counts a second.
    fn misfit(&self, other: &Self) -> f64 {
        let (Curve::Transient { tau_s: ours }, Curve::Transient { tau_s: theirs }) = (self.curve, other.curve) else {
            return 0.0;
        };
        if ours == theirs {
            return 0.0;
        }
        let own_sums = self.sums();
        let other_sums = other.sums();
        // Σ e₁e₂ of two exponentials is that of one with 1/τ the mean of the two, squared.
        let mean_tau = 2.0 * ours * theirs / (ours + theirs);
        let n = f64::from(self.samples);
        let middle = Self { curve: Curve::Transient { tau_s: mean_tau }, ..*self };
        let cross = middle.squares() - self.sum() * other.sum() / n;
        let det = other_sums.tt * other_sums.ee - other_sums.te * other_sums.te;
        if !(det > 1e-9 * other_sums.tt * other_sums.ee) {
            return self.transient_bias();
        }
        self.transient_counts * (own_sums.te * other_sums.ee - cross * other_sums.te) / det
    }

    /// `Σe` for a transient of height 1 at the first sample.
    fn sum(&self) -> f64 {
        let (x, n) = self.steps();
        libm::expm1(-n * x) / libm::expm1(-x)
    }

    /// `Σe²`.
    fn squares(&self) -> f64 {
        let (x, n) = self.steps();
        libm::expm1(-2.0 * n * x) / libm::expm1(-2.0 * x)
    }

    /// `Δ/τ` and the samples.
    fn steps(&self) -> (f64, f64) {
        let n = f64::from(self.samples);
        match self.curve {
            Curve::Line => (0.0, n),
            Curve::Transient { tau_s } => {
                // Beyond 600 nothing of it remains after the first sample, and sinh would overflow.
                let x = self.seconds / (n - 1.0) / tau_s;
                (if x > 600.0 { 600.0 } else { x }, n)
            }
        }
    }

    /// The budget this window would give for a leak of `leak` out of `rig`, with gas at `pressure_pa` absolute.
    pub fn predict(&self, rig: &Rig, recipe: &Recipe, pressure_pa: f64, leak: LeakRate) -> Prediction {
        let raw = rig.raw();
        let gas = recipe.gas_temperature().kelvin();
        let scale = raw.far_volume_m3 * recipe.reference().temperature.kelvin() / gas;
        let step = raw.far.pa_per_count;
        let background = raw.background(self.seconds);
        let gross = leak.pa_m3_s() + background.pa_m3_s;
        let size = gross.abs();
        // Noise as estimated from neighbouring samples: rounding included.
        let quantisation = resolution(sqrt(self.variance()), self.seconds);
        let contributions = Budget {
            fit: self.slope_u() * step * scale,
            curve: self.curve_u() * step * scale,
            resolution: quantisation * step * scale,
            volume: size * volume_u_rel(raw, gas),
            gain: size * raw.gain_u_rel,
            temperature: scale * temperature_rate(pressure_pa, gas, raw, self.seconds),
            background: background.u_pa_m3_s,
            ..Budget::default()
        };
        let blocks = if self.samples > 64 { 48.0 } else { f64::from(self.samples) };
        let budget = contributions.combine(blocks - f64::from(self.curve.parameters()), background.runs);
        let factor = student_quantile(recipe.schedule().z_coverage(), budget.dof);
        Prediction { leak, expanded: LeakRate::from_pa_m3_s(factor * budget.combined), budget }
    }
}

/// Predicted result of a window.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Prediction {
    /// The assumed leak.
    pub leak: LeakRate,
    /// Half-width of its interval at the recipe's coverage.
    pub expanded: LeakRate,
    /// Contributions to it.
    pub budget: Budget,
}

/// Probability of each verdict at one look.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OutcomeProbabilities {
    /// Called tight.
    pub tight: f64,
    /// Called leaking.
    pub leaking: f64,
    /// Neither.
    pub undecided: f64,
}

impl Prediction {
    /// Probabilities of each verdict at one look, for an estimate distributed about the leak as the budget states.
    pub fn outcome_probabilities(&self, limit: LeakRate, schedule: &Schedule) -> OutcomeProbabilities {
        let Budget { combined: u, guard, dof, .. } = self.budget;
        let margin = limit.pa_m3_s() - self.leak.pa_m3_s();
        let accept = student_quantile(schedule.z_accept(), dof) * guard;
        let reject = student_quantile(schedule.z_reject(), dof) * guard;
        // An estimate too far below zero accepts no valve.
        let implausible = normal_cdf((-self.leak.pa_m3_s() - PLAUSIBLE * guard) / u);
        let tight = normal_cdf((margin - accept) / u) - implausible;
        let tight = if tight > 0.0 { tight } else { 0.0 };
        let leaking = normal_cdf((-margin - reject) / u);
        OutcomeProbabilities { tight, leaking, undecided: 1.0 - tight - leaking }
    }
}
