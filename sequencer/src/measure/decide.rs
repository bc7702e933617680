//! From a leak estimate and a limit to a decision: guarded acceptance and rejection, JCGM 106:2012 clause 8.

use super::leak_estimate::LeakEstimate;
use super::quantile::student_quantile;
use super::schedule::Schedule;
use crate::units::LeakRate;

/// Decision at one look.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Decision {
    /// Leak and guard band under the limit.
    Tight,
    /// Leak less guard band over the limit.
    Leaking,
    /// The pressure rises by more than the estimate's uncertainty: the curve does not fit, or something feeds the far
    /// side and would hide a leak. Not a verdict while the window can still grow.
    Rising,
    /// No decision yet.
    Open,
}

/// The share of the limit a proven rise must pass before the window is invalid: a rise that could hide a quarter of the
/// limit (our judgement, no source).
const RISE_SHARE: f64 = 0.25;

/// No valve leaks inwards against pressure. A leak this many standard uncertainties below zero means that the curve
/// does not fit, so the valve may not be accepted on it (our judgement, no source: a tight valve waits for the next
/// look one time in fifteen, and the false accepts of docs/figures.md rest on it).
pub(super) const PLAUSIBLE: f64 = 1.5;

/// While the uncertainty from the unknown curve is above this share of the limit, nothing is decided: so far out, the
/// estimate's distribution is no better than the assumption that settling gas follows a few exponentials (our
/// judgement, no source: without it the plant's false rejects in docs/figures.md more than double).
pub const CURVE_SHARE: f64 = 0.3;

/// Compares an estimate with the limit, with a guard band on either side: accepted only where the estimate plus `k·u`
/// is under the limit, rejected only where the estimate less `k·u` is over it (guarded acceptance and guarded
/// rejection, JCGM 106:2012 clause 8; ISO 14253-1). `k` is Student's factor for the risk of one look.
///
/// # Example
/// The same window of forty seconds with three falls of the pressure, judged by the built-in recipe: 7.5 mm³/s allowed
/// out of 45 cm³.
/// ```
/// use seathold_sequencer::measure::{BlockedTrace, Conditions, CurvePrior, Decision, LeakEstimate, Settling, decide, fit};
/// use seathold_sequencer::{recipe::RawRecipe, rig::RawRig, time::Instant, units::{AbsolutePressure, Temperature}};
///
/// let rig = RawRig::DEMO.validate()?;
/// let recipe = RawRecipe::DEMO.validate(&rig)?;
/// let judged = |pascals_per_s: f64| {
///     let mut trace = BlockedTrace::new();
///     for i in 0..4_000_u32 {
///         let noise = 170.0 * (f64::from(i * 7_919 % 31) / 15.0 - 1.0);
///         let pascals = 600_000.0 - pascals_per_s * f64::from(i) / 100.0 + noise;
///         trace.push(Instant::from_ticks(u64::from(i) * 10_000), rig.raw().far.counts(pascals), 0);
///     }
///     let slope = fit(CurvePrior::Line, None, Settling::unknown(5.0), &trace).expect("four thousand readings are enough");
///     let gas = Temperature::from_celsius(20.0);
///     let pressure = AbsolutePressure::from_pascals(701_325.0);
///     let with = Conditions { rig: &rig, recipe: &recipe, gas, pressure, target: pressure, noise_counts: 5.0 };
///     decide(&LeakEstimate::new(&slope, &with), recipe.limit(), recipe.schedule())
/// };
/// // The limit is 7.5e-4 Pa·m³/s, and over 45e-6 m³ that is 16.7 Pa/s.
/// assert_eq!(judged(1.0), Decision::Tight);
/// assert_eq!(judged(16.7), Decision::Open);
/// assert_eq!(judged(40.0), Decision::Leaking);
/// # Ok::<(), seathold_sequencer::field::Errors>(())
/// ```
pub fn decide(estimate: &LeakEstimate, limit: LeakRate, schedule: &Schedule) -> Decision {
    let u = estimate.budget.guard;
    let leak = estimate.leak.pa_m3_s();
    let accept = student_quantile(schedule.z_accept(), estimate.budget.dof) * u;
    let reject = student_quantile(schedule.z_reject(), estimate.budget.dof) * u;
    let soon = estimate.window_ms < schedule.decides_from_ms();
    if soon || estimate.budget.curve > CURVE_SHARE * limit.pa_m3_s() {
        Decision::Open
    } else if -leak - reject > RISE_SHARE * limit.pa_m3_s() {
        Decision::Rising
    } else if leak + PLAUSIBLE * u < 0.0 {
        Decision::Open
    } else if leak + accept <= limit.pa_m3_s() {
        Decision::Tight
    } else if leak - reject >= limit.pa_m3_s() {
        Decision::Leaking
    } else {
        Decision::Open
    }
}
