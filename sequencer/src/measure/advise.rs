//! What keeps an undecided side from a verdict, and what would have to change. How each part of the budget scales with
//! window, noise and volume is our algebra on the budget's own formulas.

use super::curve_prior::Curve;
use super::decide::PLAUSIBLE;
use super::leak_estimate::{Budget, LeakEstimate};
use super::predict::Window;
use super::quantile::student_quantile;
use super::schedule::Schedule;
use crate::limits::MEASURE_MS_MAX;
use crate::sqrt::sqrt;
use crate::units::LeakRate;

/// One contribution to the uncertainty.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(rename_all = "kebab-case"))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Contribution {
    /// Noise of the readings.
    Fit,
    /// Unknown curve of the settling gas.
    Curve,
    /// Quantisation.
    Resolution,
    /// Far volume.
    Volume,
    /// Transducer gain.
    Gain,
    /// Drift of the gas temperature.
    Temperature,
    /// Background leak.
    Background,
    /// How the leak grows with the pressure.
    Law,
}

/// What would decide an undecided side soonest.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(rename_all = "kebab-case"))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Remedy {
    /// A window that outlasts the settling: none so short decides ([`Schedule::decides_from_ms`]).
    Outlast,
    /// A longer window.
    Longer,
    /// Less noise: a better transducer, or less vibration and interference.
    Quieter,
    /// A smaller far volume, in which the same leak shows as a faster fall.
    SmallerVolume,
    /// A better calibration of volume or gain.
    Calibrate,
    /// A steadier temperature, or a thermometer in the gas.
    SteadierTemperature,
    /// A better blank run.
    BlankRun,
    /// Gas trapped nearer the test pressure: a longer soak, or a regulator set higher by what cooling takes.
    NearerTarget,
    /// A longer settling time before measuring: the leak is below zero by more than its uncertainty, so the curve does
    /// not fit.
    Settle,
    /// None: the leak lies too near the limit for any measurement to separate them at these risks.
    TooNear,
}

/// What prevents a verdict, and what would allow one.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Advice {
    /// The largest contribution.
    pub dominant: Contribution,
    /// Its share of the variance.
    pub share: f64,
    /// Window that would probably suffice, in seconds; `None` if none up to the longest allowed would.
    pub window_s: Option<f64>,
    /// The noise that would suffice in the same window, as a ratio to the present; `None` if none would.
    pub noise_to: Option<f64>,
    /// The far volume that would suffice in the same window, as a ratio to the present; `None` if none would.
    pub volume_to: Option<f64>,
    /// What to do first.
    pub remedy: Remedy,
}

/// Largest extension of the window before something else is the better advice (our judgement, no source).
const LONGER_MAX: f64 = 10.0;

/// The least ratio that noise or volume can be brought down to with reasonable means (our judgement, no source).
const LESS_MIN: f64 = 0.1;

/// What would decide an estimate that its look left open. Assumes that the leak is as measured, and the noise as white,
/// or as correlated, as it was.
///
/// How each contribution scales with the length T of the window: noise as the slope's standard error, `T^(−3/2)` for a
/// line; the curve's uncertainty as the rest of the transient; quantisation as `1/T`; volume, gain, temperature and
/// background not at all, nor the law of the leak. All but background, volume, gain and law scale with the far volume.
pub fn advise(estimate: &LeakEstimate, limit: LeakRate, schedule: &Schedule) -> Advice {
    let estimate = &guarded(estimate);
    let (dominant, share) = dominant(&estimate.budget);
    let margin = limit.pa_m3_s() - estimate.leak.pa_m3_s();
    let (z, margin) = if margin < 0.0 { (schedule.z_reject(), -margin) } else { (schedule.z_accept(), margin) };
    let required = margin / student_quantile(z, estimate.budget.dof);
    let decides_from_s = f64::from(schedule.decides_from_ms()) / 1e3;
    let soon = estimate.window_ms < schedule.decides_from_ms();
    let window_s = if soon { Some(decides_from_s) } else { longer(estimate, required) };
    let noise_to = ratio_for(required, &estimate.budget, |b| squares(&[b.fit]));
    let volume_to = ratio_for(required, &estimate.budget, |b| squares(&[b.fit, b.curve, b.resolution, b.temperature]));
    let was_s = f64::from(estimate.window_ms) / 1e3;
    let within = |ratio: Option<f64>| ratio.is_some_and(|r| r >= LESS_MIN);
    let remedy = if soon {
        Remedy::Outlast
    } else if estimate.leak.pa_m3_s() + PLAUSIBLE * estimate.budget.combined < 0.0 {
        Remedy::Settle
    } else if window_s.is_some_and(|s| s <= LONGER_MAX * was_s) {
        Remedy::Longer
    } else {
        match dominant {
            Contribution::Volume | Contribution::Gain if decides_without(&estimate.budget, required, dominant) => {
                Remedy::Calibrate
            }
            Contribution::Temperature if decides_without(&estimate.budget, required, dominant) => {
                Remedy::SteadierTemperature
            }
            Contribution::Background if decides_without(&estimate.budget, required, dominant) => Remedy::BlankRun,
            Contribution::Law if decides_without(&estimate.budget, required, dominant) => Remedy::NearerTarget,
            _ if within(volume_to) => Remedy::SmallerVolume,
            _ if within(noise_to) => Remedy::Quieter,
            _ if window_s.is_some() => Remedy::Longer,
            _ => Remedy::TooNear,
        }
    };
    Advice { dominant, share, window_s, noise_to, volume_to, remedy }
}

/// The estimate with its uncertainty as used for the guard band; the excess is attributed to the curve.
fn guarded(estimate: &LeakEstimate) -> LeakEstimate {
    let b = estimate.budget;
    let added = b.guard * b.guard - b.combined * b.combined;
    if !(added > 0.0) {
        return *estimate;
    }
    let budget = Budget { curve: sqrt(b.curve * b.curve + added), combined: b.guard, ..b };
    LeakEstimate { budget, ..*estimate }
}

const fn contribution(budget: &Budget, term: Contribution) -> f64 {
    match term {
        Contribution::Fit => budget.fit,
        Contribution::Curve => budget.curve,
        Contribution::Resolution => budget.resolution,
        Contribution::Volume => budget.volume,
        Contribution::Gain => budget.gain,
        Contribution::Temperature => budget.temperature,
        Contribution::Background => budget.background,
        Contribution::Law => budget.law,
    }
}

impl Contribution {
    /// All, in the order of a budget.
    pub const ALL: [Self; 8] = [
        Self::Fit,
        Self::Curve,
        Self::Resolution,
        Self::Volume,
        Self::Gain,
        Self::Temperature,
        Self::Background,
        Self::Law,
    ];

    /// This contribution of a budget, in Pa·m³/s.
    pub const fn of(self, budget: &Budget) -> f64 {
        contribution(budget, self)
    }
}

fn dominant(budget: &Budget) -> (Contribution, f64) {
    let mut largest = Contribution::Fit;
    for term in Contribution::ALL {
        if term.of(budget) > largest.of(budget) {
            largest = term;
        }
    }
    let total = budget.combined * budget.combined;
    let own = largest.of(budget);
    (largest, if total > 0.0 { own * own / total } else { 0.0 })
}

fn squares(terms: &[f64]) -> f64 {
    terms.iter().fold(0.0, |sum, p| sum + p * p)
}

/// Whether the rest of a budget would be small enough without one contribution.
fn decides_without(budget: &Budget, required: f64, term: Contribution) -> bool {
    let own = term.of(budget);
    budget.combined * budget.combined - own * own < required * required
}

/// The ratio to which some contributions must be reduced for the total to be `required`.
fn ratio_for(required: f64, budget: &Budget, scaling: fn(&Budget) -> f64) -> Option<f64> {
    let scaling = scaling(budget);
    let fixed = budget.combined * budget.combined - scaling;
    let allowed = required * required - fixed;
    if !(allowed > 0.0 && scaling > 0.0) {
        return None;
    }
    let ratio = sqrt(allowed / scaling);
    Some(if ratio > 1.0 { 1.0 } else { ratio })
}

/// The window, in seconds, at which the combined uncertainty is down to `required`.
fn longer(estimate: &LeakEstimate, required: f64) -> Option<f64> {
    let budget = &estimate.budget;
    let was = f64::from(estimate.window_ms) / 1e3;
    if !(was > 0.0 && estimate.samples >= 4) {
        return None;
    }
    let at = |seconds: f64| {
        let samples = f64::from(estimate.samples) * seconds / was;
        Window {
            seconds,
            samples: if samples < 4e9 { samples as u32 } else { u32::MAX },
            noise_counts: 1.0,
            curve: estimate.curve,
            transient_counts: 1.0,
            tau_u_rel: 0.1,
        }
    };
    let (before, most) = (at(was), f64::from(MEASURE_MS_MAX) / 1e3);
    let (slope_u, curve_u) = (before.slope_u(), before.curve_u());
    // In steps of a tenth: fine enough.
    let mut seconds = was;
    while seconds <= most {
        let window = at(seconds);
        let fit = budget.fit * window.slope_u() / slope_u;
        let curve = match estimate.curve {
            Curve::Line => budget.curve * was / seconds,
            Curve::Transient { .. } if curve_u > 0.0 => budget.curve * window.curve_u() / curve_u,
            Curve::Transient { .. } => budget.curve,
        };
        let resolution = budget.resolution * was / seconds;
        let b = budget;
        let total = squares(&[fit, curve, resolution, b.volume, b.gain, b.temperature, b.background, b.law]);
        if total <= required * required {
            return Some(seconds);
        }
        seconds *= 1.1;
    }
    None
}
