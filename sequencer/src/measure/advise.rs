use super::curve::Curve;
use super::decide::PLAUSIBLE;
use super::figure::{Budget, Figure};
use super::predict::Window;
use super::quantile::student_quantile;
use super::schedule::Schedule;
use crate::limits::MEASURE_MS_MAX;
use crate::units::LeakRate;

/// One contribution to the uncertainty.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(rename_all = "kebab-case"))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Term {
    /// Scatter of the readings.
    Fit,
    /// Not knowing which curve the settling gas follows.
    Curve,
    /// Steps of the converter.
    Resolution,
    /// Far volume.
    Volume,
    /// Transducer gain.
    Gain,
    /// Drift of the gas temperature.
    Temperature,
    /// The rig's own leak.
    Background,
}

/// What would settle an undecided side soonest.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(rename_all = "kebab-case"))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Remedy {
    /// A longer window.
    Longer,
    /// Quieter readings: a better transducer, or none of what shakes this one.
    Quieter,
    /// A smaller far volume, in which the same leak shows as a faster fall.
    SmallerVolume,
    /// A better calibration of volume or gain.
    Calibrate,
    /// A steadier temperature, or a thermometer in the gas.
    SteadierTemperature,
    /// A better blank run.
    BlankRun,
    /// A longer rest before measuring: the leak came out below nothing by more than its doubt, so the curve does not fit.
    Settle,
    /// Nothing would: the leak lies too near the limit for any measurement to part them at these risks.
    TooNear,
}

/// What stands in the way of a verdict, and what would clear it.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Advice {
    /// The largest contribution.
    pub dominant: Term,
    /// Its share of the variance.
    pub share: f64,
    /// Window that would probably do, in seconds; `None` if none up to the longest allowed would.
    pub window_s: Option<f64>,
    /// The noise that would do in the same window, as a ratio to what it was; `None` if none would.
    pub noise_to: Option<f64>,
    /// The far volume that would do in the same window, as a ratio to what it is; `None` if none would.
    pub volume_to: Option<f64>,
    /// What to do first.
    pub remedy: Remedy,
}

/// How much longer a window may be asked for before something else is the better advice (our judgement, no source).
const LONGER_MAX: f64 = 10.0;

/// The least ratio that noise or volume can be brought down to with reasonable means (our judgement, no source).
const LESS_MIN: f64 = 0.1;

/// What would settle a figure that its look left open. It supposes that the leak stays what it was measured to be, and
/// that the noise is as white, or as correlated, as it was.
///
/// How each contribution goes with the length T of the window: scatter as the slope's standard error does, `T^(−3/2)`
/// for a line; the doubt about the curve as what is left of the transient does; steps of the converter as `1/T`;
/// volume, gain, temperature and background not at all. All but background, volume and gain go with the far volume.
pub fn advise(figure: &Figure, limit: LeakRate, schedule: &Schedule) -> Advice {
    let figure = &guarded(figure);
    let (dominant, share) = dominant(&figure.budget);
    let apart = limit.pa_m3_s() - figure.leak.pa_m3_s();
    let (z, apart) = if apart < 0.0 { (schedule.z_reject(), -apart) } else { (schedule.z_accept(), apart) };
    let wanted = apart / student_quantile(z, figure.budget.freedom);
    let window_s = longer(figure, wanted);
    let noise_to = left_for(wanted, &figure.budget, |b| squares(&[b.fit]));
    let volume_to = left_for(wanted, &figure.budget, |b| squares(&[b.fit, b.curve, b.resolution, b.temperature]));
    let was_s = f64::from(figure.window_ms) / 1e3;
    let within = |ratio: Option<f64>| ratio.is_some_and(|r| r >= LESS_MIN);
    let remedy = if figure.leak.pa_m3_s() + PLAUSIBLE * figure.budget.combined < 0.0 {
        Remedy::Settle
    } else if window_s.is_some_and(|s| s <= LONGER_MAX * was_s) {
        Remedy::Longer
    } else {
        match dominant {
            Term::Volume | Term::Gain if settles_without(&figure.budget, wanted, dominant) => Remedy::Calibrate,
            Term::Temperature if settles_without(&figure.budget, wanted, dominant) => Remedy::SteadierTemperature,
            Term::Background if settles_without(&figure.budget, wanted, dominant) => Remedy::BlankRun,
            _ if within(volume_to) => Remedy::SmallerVolume,
            _ if within(noise_to) => Remedy::Quieter,
            _ if window_s.is_some() => Remedy::Longer,
            _ => Remedy::TooNear,
        }
    };
    Advice { dominant, share, window_s, noise_to, volume_to, remedy }
}

/// The figure with its uncertainty as the guard band takes it; what that adds belongs to the curve.
fn guarded(figure: &Figure) -> Figure {
    let b = figure.budget;
    let added = b.guard * b.guard - b.combined * b.combined;
    if !(added > 0.0) {
        return *figure;
    }
    let budget = Budget { curve: libm::sqrt(b.curve * b.curve + added), combined: b.guard, ..b };
    Figure { budget, ..*figure }
}

const fn part(budget: &Budget, term: Term) -> f64 {
    match term {
        Term::Fit => budget.fit,
        Term::Curve => budget.curve,
        Term::Resolution => budget.resolution,
        Term::Volume => budget.volume,
        Term::Gain => budget.gain,
        Term::Temperature => budget.temperature,
        Term::Background => budget.background,
    }
}

impl Term {
    /// All, in the order of a budget.
    pub const ALL: [Self; 7] =
        [Self::Fit, Self::Curve, Self::Resolution, Self::Volume, Self::Gain, Self::Temperature, Self::Background];

    /// This contribution of a budget, in Pa·m³/s.
    pub const fn of(self, budget: &Budget) -> f64 {
        part(budget, self)
    }
}

fn dominant(budget: &Budget) -> (Term, f64) {
    let mut largest = Term::Fit;
    for term in Term::ALL {
        if term.of(budget) > largest.of(budget) {
            largest = term;
        }
    }
    let whole = budget.combined * budget.combined;
    let own = largest.of(budget);
    (largest, if whole > 0.0 { own * own / whole } else { 0.0 })
}

fn squares(parts: &[f64]) -> f64 {
    parts.iter().fold(0.0, |sum, p| sum + p * p)
}

/// Whether the rest of a budget would be small enough, were one contribution gone.
fn settles_without(budget: &Budget, wanted: f64, term: Term) -> bool {
    let own = term.of(budget);
    budget.combined * budget.combined - own * own < wanted * wanted
}

/// The ratio some contributions must be brought down to for the whole to be `wanted`.
fn left_for(wanted: f64, budget: &Budget, moving: fn(&Budget) -> f64) -> Option<f64> {
    let moving = moving(budget);
    let fixed = budget.combined * budget.combined - moving;
    let left = wanted * wanted - fixed;
    if !(left > 0.0 && moving > 0.0) {
        return None;
    }
    let ratio = libm::sqrt(left / moving);
    Some(if ratio > 1.0 { 1.0 } else { ratio })
}

/// The window, in seconds, at which the whole uncertainty has come down to `wanted`.
fn longer(figure: &Figure, wanted: f64) -> Option<f64> {
    let budget = &figure.budget;
    let was = f64::from(figure.window_ms) / 1e3;
    if !(was > 0.0 && figure.samples >= 4) {
        return None;
    }
    let at = |seconds: f64| {
        let samples = f64::from(figure.samples) * seconds / was;
        Window {
            seconds,
            samples: if samples < 4e9 { samples as u32 } else { u32::MAX },
            noise_counts: 1.0,
            curve: figure.curve,
            transient_counts: 1.0,
            tau_u_rel: 0.1,
        }
    };
    let (before, most) = (at(was), f64::from(MEASURE_MS_MAX) / 1e3);
    let (slope_u, curve_u) = (before.slope_u(), before.curve_u());
    // In steps of a tenth: nobody needs it finer.
    let mut seconds = was;
    while seconds <= most {
        let window = at(seconds);
        let fit = budget.fit * window.slope_u() / slope_u;
        let curve = match figure.curve {
            Curve::Line => budget.curve * was / seconds,
            Curve::Transient { .. } if curve_u > 0.0 => budget.curve * window.curve_u() / curve_u,
            Curve::Transient { .. } => budget.curve,
        };
        let resolution = budget.resolution * was / seconds;
        let whole =
            squares(&[fit, curve, resolution, budget.volume, budget.gain, budget.temperature, budget.background]);
        if whole <= wanted * wanted {
            return Some(seconds);
        }
        seconds *= 1.1;
    }
    None
}
