//! Background leak and settling time constant of the rig, from a run with a plug in place of the valve.

use seathold_sequencer::measure::LeakEstimate;
use seathold_sequencer::rig::RawRig;

use super::{TimeConstant, ValueWithU};

/// The background leak and its standard uncertainty, Pa·m³/s. An estimate has the background of the rig file subtracted
/// already; here it is the unknown, so it is added back, without its uncertainty.
pub fn background(estimate: &LeakEstimate, rig: &RawRig) -> ValueWithU {
    let b = &estimate.budget;
    let u = (b.combined * b.combined - b.background * b.background).max(0.0).sqrt();
    let taken_off = rig.background(f64::from(estimate.window_ms) / 1e3).pa_m3_s;
    ValueWithU { value: estimate.leak.pa_m3_s() + taken_off, u }
}

/// The fit of τ to a trace of trapped pressure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SettlingFit {
    /// Time constant, in seconds.
    pub tau_s: f64,
    /// Its standard uncertainty, as a ratio.
    pub tau_u_rel: f64,
    /// Height of the transient at the beginning, in the unit of the readings.
    pub amplitude: f64,
}

/// Fewest standard errors of a transient's height for a time constant (our judgement, no source).
const CLEAR: f64 = 10.0;

/// Points of the first search.
const POINTS: usize = 40;

/// Fits `p0 + b·t + a·exp(−t/τ)` with τ free, at full resolution: block means would join the first readings, where the
/// transient is. `None` where no transient is significant.
///
/// For each τ the rest is linear least squares; τ is found by a grid and then golden section (Press et al., *Numerical
/// Recipes*, 10.2, from memory), its uncertainty from the curvature of the residual squares there:
/// `u² = 2s²/(d²S/dτ²)` (Seber & Wild, *Nonlinear Regression*, ch. 2, from memory), multiplied for the residuals'
/// lag-one autocorrelation.
pub fn settling(samples: &[(f64, f64)]) -> Option<SettlingFit> {
    let (first, last) = (samples.first()?.0, samples.last()?.0);
    let span = last - first;
    if samples.len() < 100 || !(span > 0.0) {
        return None;
    }
    let between = span / (samples.len() - 1) as f64;
    let (least, most) = ((3.0 * between).max(0.1), span / 4.0);
    if !(least < most) {
        return None;
    }
    let squares = |ln_tau: f64| Solved::new(samples, ln_tau.exp()).map_or(f64::INFINITY, |s| s.squares);
    let (low, high) = (least.ln(), most.ln());
    let step = (high - low) / (POINTS - 1) as f64;
    let best = (0..POINTS).map(|i| low + step * i as f64).min_by(|a, b| squares(*a).total_cmp(&squares(*b)))?;
    let ln_tau = golden(squares, best - step, best + step);
    // A minimum at the edge of the search is none.
    if ln_tau < low + 0.01 * step || ln_tau > high - 0.01 * step {
        return None;
    }
    let tau_s = ln_tau.exp();
    let solved = Solved::new(samples, tau_s)?;
    let variance = solved.squares / (samples.len() - 4) as f64;
    let h = 0.02;
    let curvature = (squares(ln_tau + h) - 2.0 * squares(ln_tau) + squares(ln_tau - h)) / (h * h);
    let amplitude_u = (variance * solved.aa).sqrt();
    if !(solved.a.abs() > CLEAR * amplitude_u) || !(curvature > 0.0) {
        return None;
    }
    let rho = solved.lag_one.clamp(0.0, 0.95);
    let stretch = ((1.0 + rho) / (1.0 - rho)).sqrt();
    let tau_u_rel = stretch * (2.0 * variance / curvature).sqrt();
    Some(SettlingFit { tau_s, tau_u_rel, amplitude: solved.a })
}

/// The first second after venting belongs to ball and vent, not to the gas (our judgement, no source).
const FROM_S: [f64; 2] = [1.0, 2.0];

/// The time constant to calibrate a rig with. No real gas follows one
/// exponential: wall, cavity and far side each have their own time. So the fit is done from two beginnings; the
/// geometric mean is taken, and half of their difference counts as uncertainty, with three per cent at least (our
/// judgement, no source).
pub fn time_constant(samples: &[(f64, f64)]) -> Option<TimeConstant> {
    let first = samples.first()?.0;
    let from = |after: f64| settling(samples.get(samples.partition_point(|s| s.0 < first + after)..)?);
    match FROM_S.map(from) {
        [Some(a), Some(b)] => {
            let apart = 0.5 * (a.tau_s / b.tau_s).ln().abs();
            let fit = a.tau_u_rel.max(b.tau_u_rel);
            let u_rel = apart.hypot(fit).hypot(0.03).min(0.5);
            Some(TimeConstant { tau_s: (a.tau_s * b.tau_s).sqrt(), u_rel })
        }
        [Some(one), None] | [None, Some(one)] => {
            Some(TimeConstant { tau_s: one.tau_s, u_rel: one.tau_u_rel.hypot(0.3).min(0.5) })
        }
        [None, None] => None,
    }
}

struct Solved {
    a: f64,
    /// Variance of `a` over that of a sample.
    aa: f64,
    squares: f64,
    lag_one: f64,
}

impl Solved {
    /// Line and transient for one τ.
    fn new(samples: &[(f64, f64)], tau_s: f64) -> Option<Self> {
        let n = samples.len() as f64;
        let t0 = samples.first()?.0;
        let e = |t: f64| (-(t - t0) / tau_s).exp();
        let (mut mt, mut my, mut me) = (0.0, 0.0, 0.0);
        for &(t, y) in samples {
            mt += t / n;
            my += y / n;
            me += e(t) / n;
        }
        let (mut tt, mut te, mut ee, mut ty, mut ey) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for &(t, y) in samples {
            let (dt, dy, de) = (t - mt, y - my, e(t) - me);
            tt += dt * dt;
            te += dt * de;
            ee += de * de;
            ty += dt * dy;
            ey += de * dy;
        }
        let det = tt * ee - te * te;
        if !(det > 1e-9 * tt * ee) {
            return None;
        }
        let b = (ty * ee - ey * te) / det;
        let a = (ey * tt - ty * te) / det;
        let (mut squares, mut products, mut before) = (0.0, 0.0, 0.0);
        for &(t, y) in samples {
            let r = y - my - b * (t - mt) - a * (e(t) - me);
            squares += r * r;
            products += r * before;
            before = r;
        }
        Some(Self { a, aa: tt / det, squares, lag_one: if squares > 0.0 { products / squares } else { 0.0 } })
    }
}

/// The lowest point of `f` between `low` and `high`.
fn golden(f: impl Fn(f64) -> f64, mut low: f64, mut high: f64) -> f64 {
    const RATIO: f64 = 0.618_033_988_749_895;
    let (mut a, mut b) = (high - RATIO * (high - low), low + RATIO * (high - low));
    let (mut fa, mut fb) = (f(a), f(b));
    for _ in 0..40 {
        if fa < fb {
            (high, b, fb) = (b, a, fa);
            a = high - RATIO * (high - low);
            fa = f(a);
        } else {
            (low, a, fa) = (a, b, fb);
            b = low + RATIO * (high - low);
            fb = f(b);
        }
    }
    f64::midpoint(low, high)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn trace(tau_s: f64, a: f64, noise: f64, seed: u32) -> Vec<(f64, f64)> {
        let mut state = seed | 1;
        (0..4_000)
            .map(|i| {
                let t = f64::from(i) / 50.0;
                let mut sum = 0.0;
                // A sum of twelve uniform numbers stands in for a normal one.
                for _ in 0..12 {
                    state ^= state << 13;
                    state ^= state >> 17;
                    state ^= state << 5;
                    sum += f64::from(state) / f64::from(u32::MAX);
                }
                (t, 6e5 - 3.0 * t + a * (-t / tau_s).exp() + noise * (sum - 6.0))
            })
            .collect()
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(24))]

        /// The time constant comes back within five of its own standard uncertainties.
        #[test]
        fn tau_comes_back(tau_s in 0.5f64..12.0, seed: u32) {
            let found = settling(&trace(tau_s, 1_000.0, 20.0, seed)).expect("a clear transient");
            let off = (found.tau_s / tau_s).ln() / found.tau_u_rel;
            prop_assert!(off.abs() < 5.0, "{found:?} for {tau_s}");
            prop_assert!(found.tau_u_rel < 0.1);
        }
    }

    #[test]
    fn two_beginnings_agree_on_one_exponential() {
        let found = time_constant(&trace(3.0, 2_000.0, 5.0, 11)).unwrap();
        assert!((found.tau_s / 3.0 - 1.0).abs() < 0.1 && found.u_rel < 0.06, "{found:?}");
    }

    #[test]
    fn noise_alone_has_none() {
        assert_eq!(settling(&trace(3.0, 0.0, 20.0, 5)), None);
        assert_eq!(settling(&trace(3.0, 500.0, 1.0, 5)[..50]), None);
    }
}
