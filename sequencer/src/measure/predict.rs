use super::conformance::normal_cdf;
use super::curve::Curve;
use super::decide::PLAUSIBLE;
use super::figure::resolution;
use super::figure::{Budget, temperature_rate};
use super::fit::LESSER;
use super::quantile::student_quantile;
use super::schedule::Schedule;
use crate::recipe::Recipe;
use crate::rig::Rig;
use crate::units::LeakRate;

/// A window that has not been measured yet: evenly spaced samples of white noise.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Window {
    /// From the first sample to the last, in seconds.
    pub seconds: f64,
    /// Samples in it; at least 4.
    pub samples: u32,
    /// Standard deviation of one sample's noise, in counts, without the converter's steps.
    pub noise_counts: f64,
    /// The curve fitted.
    pub curve: Curve,
    /// Height of the transient at the first sample, in counts, as far as it can be foreseen; only its shape's doubt
    /// depends on it.
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
    /// Variance of one sample about the curve, in counts²: its noise and the converter's steps, uniform over one count
    /// (JCGM 100:2008, 4.3.7).
    fn variance(&self) -> f64 {
        self.noise_counts * self.noise_counts + 1.0 / 12.0
    }

    /// The sums in closed form. With times `j·Δ`, `j` from `−(N−1)/2` to `(N−1)/2`, and `x = Δ/τ`:
    /// `Σj² = N(N²−1)/12`; `Σe^(−jx) = sinh(Nx/2)/sinh(x/2)` (a geometric series), and `Σj·e^(−jx)` is its derivative
    /// after `x`, with the sign turned.
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

    /// Standard uncertainty of the slope from scatter, in counts a second. For a line `σ²/Σ(t − t̄)²`, which is
    /// `12σ²/(N(N² − 1)Δ²)` (Kay, *Estimation Theory*, ch. 3, from memory); beside a transient it is larger by
    /// `1/(1 − r²)`, `r` the correlation of time and transient: the same 2 × 2 normal equations that
    /// [`Fit`](super::Fit) solves.
    pub fn slope_u(&self) -> f64 {
        let Sums { tt, te, ee } = self.sums();
        let line = self.variance() / tt;
        let apart = match self.curve {
            Curve::Line => 1.0,
            Curve::Transient { .. } => self.apart(tt, te, ee),
        };
        libm::sqrt(line / apart)
    }

    /// `1 − r²`. Where the window is short against τ the closed form loses all its digits, and its limit stands in:
    /// what a line leaves of an exponential is a parabola, and `1 − r² → h²/15` with `h` half the window over τ.
    fn apart(&self, tt: f64, te: f64, ee: f64) -> f64 {
        let Curve::Transient { tau_s } = self.curve else { return 1.0 };
        let h = self.seconds / (2.0 * tau_s);
        if h < 0.02 { h * h / 15.0 } else { 1.0 - te * te / (tt * ee) }
    }

    /// What the transient takes off a plain line's slope, in counts a second: what its doubt is measured by.
    fn pull(&self) -> f64 {
        let Sums { tt, te, .. } = self.sums();
        let pull = self.transient_counts * te / tt;
        if pull < 0.0 { -pull } else { pull }
    }

    /// Standard uncertainty of the slope from not knowing the curve: a share of the pull for its shape, and for a
    /// doubtful τ what the pull changes by when τ does.
    pub(super) fn curve_u(&self) -> f64 {
        let Curve::Transient { tau_s } = self.curve else { return 0.0 };
        let shape = LESSER * self.pull();
        let moved = |factor: f64| {
            let curve = Curve::Transient { tau_s: tau_s * factor };
            // A fit with the wrong τ mistakes this much of the transient for slope.
            self.mistaken(&Self { curve, ..*self })
        };
        let factor = 1.0 + if self.tau_u_rel > 0.5 { 0.5 } else { self.tau_u_rel };
        let (longer, shorter) = (moved(factor), moved(1.0 / factor));
        let tau_squares = 0.5 * (longer * longer + shorter * shorter);
        libm::sqrt(shape * shape + tau_squares)
    }

    /// The slope a fit with another's τ finds in this window's transient alone, in counts a second.
    fn mistaken(&self, other: &Self) -> f64 {
        let (Curve::Transient { tau_s: ours }, Curve::Transient { tau_s: theirs }) = (self.curve, other.curve) else {
            return 0.0;
        };
        if ours == theirs {
            return 0.0;
        }
        let mine = self.sums();
        let their = other.sums();
        // Σ e₁e₂ of two exponentials is that of one with 1/τ the mean of the two, squared.
        let mean_tau = 2.0 * ours * theirs / (ours + theirs);
        let n = f64::from(self.samples);
        let middle = Self { curve: Curve::Transient { tau_s: mean_tau }, ..*self };
        let cross = middle.squares() - self.sum() * other.sum() / n;
        let det = their.tt * their.ee - their.te * their.te;
        if !(det > 1e-9 * their.tt * their.ee) {
            return self.pull();
        }
        self.transient_counts * (mine.te * their.ee - cross * their.te) / det
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
                // Beyond 600 no sample after the first has any of it left, and sinh would overflow.
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
        let gross = leak.pa_m3_s() + raw.background_pa_m3_s;
        let size = if gross < 0.0 { -gross } else { gross };
        // As neighbouring samples will show the noise: with the rounding's own.
        let coarse = resolution(libm::sqrt(self.variance()), self.seconds);
        let parts = Budget {
            fit: self.slope_u() * step * scale,
            curve: self.curve_u() * step * scale,
            resolution: coarse * step * scale,
            volume: size * raw.far_volume_u_rel,
            gain: size * raw.gain_u_rel,
            temperature: scale * temperature_rate(pressure_pa, gas, raw, self.seconds),
            background: raw.background_u_pa_m3_s,
            ..Budget::default()
        };
        let blocks = if self.samples > 64 { 48.0 } else { f64::from(self.samples) };
        let budget = parts.combine(blocks - f64::from(self.curve.parameters()));
        let factor = student_quantile(recipe.schedule().z_coverage(), budget.freedom);
        Prediction { leak, expanded: LeakRate::from_pa_m3_s(factor * budget.combined), budget }
    }
}

/// What a window would say of a leak.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Prediction {
    /// The leak supposed.
    pub leak: LeakRate,
    /// Half-width of its interval at the recipe's coverage.
    pub expanded: LeakRate,
    /// Where it comes from.
    pub budget: Budget,
}

/// How likely each verdict is at one look.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Chances {
    /// Called tight.
    pub tight: f64,
    /// Called leaking.
    pub leaking: f64,
    /// Neither.
    pub undecided: f64,
}

impl Prediction {
    /// The chances of each verdict at one look, for a figure that scatters about the leak as the budget says.
    pub fn chances(&self, limit: LeakRate, schedule: &Schedule) -> Chances {
        let Budget { combined: u, guard, freedom, .. } = self.budget;
        let apart = limit.pa_m3_s() - self.leak.pa_m3_s();
        let accept = student_quantile(schedule.z_accept(), freedom) * guard;
        let reject = student_quantile(schedule.z_reject(), freedom) * guard;
        // A figure too far below nothing clears no valve.
        let implausible = normal_cdf((-self.leak.pa_m3_s() - PLAUSIBLE * guard) / u);
        let tight = normal_cdf((apart - accept) / u) - implausible;
        let tight = if tight > 0.0 { tight } else { 0.0 };
        let leaking = normal_cdf((-apart - reject) / u);
        Chances { tight, leaking, undecided: 1.0 - tight - leaking }
    }
}
