//! A leak from a slope, with the budget of its uncertainty: ideal gas law at constant volume, JCGM 100:2008 clause 5
//! and annex G.

use super::curve_prior::Curve;
use super::fit::SlopeEstimate;
use super::interval::IntervalSolver;
use super::leak_law::ReferredLeak;
use crate::exponential::exp;
use crate::recipe::Recipe;
use crate::rig::{RawRig, Rig};
use crate::sqrt::sqrt;
use crate::units::{AbsolutePressure, GaugePressure, LeakRate, PressureRate, Temperature};

/// Standard uncertainties of a leak, one for each source, in Pa·m³/s.
///
/// Combined as the root of the sum of squares (JCGM 100:2008, 5.1.2): the contributions are independent.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Budget {
    /// Noise of the readings about the fitted curve.
    pub fit: f64,
    /// Unknown curve of the settling gas.
    pub curve: f64,
    /// Quantisation, where noise is too small to smooth it.
    pub resolution: f64,
    /// Far volume, and the temperature of its gas where that is only assumed.
    pub volume: f64,
    /// Transducer gain.
    pub gain: f64,
    /// Drift of the gas temperature: `V·p/T·u(dT/dt)`, from the ideal gas law; with it the heat that filling left in
    /// the wall.
    pub temperature: f64,
    /// Background leak.
    pub background: f64,
    /// How the leak grows with the pressure, where it was measured at another than it is stated at ([`ReferredLeak`]).
    pub law: f64,
    /// Combined.
    pub combined: f64,
    /// Combined, as used for the guard band: the standard uncertainty of a normal distribution whose tail at the risk
    /// of one look is as far out as that of the estimate's own distribution, which is not normal while the curve is
    /// uncertain.
    pub guard: f64,
    /// Effective degrees of freedom (Welch–Satterthwaite, JCGM 100:2008, G.4.1); only those of the fit and of the scatter of
    /// blank runs are finite.
    pub dof: f64,
}

/// A leak with its uncertainty, and its basis.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct LeakEstimate {
    /// Leak out of the far side at the test pressure and the reference temperature, the background leak subtracted.
    pub leak: LeakRate,
    /// Half-width of the interval that covers the leak with the recipe's probability.
    pub expanded: LeakRate,
    /// Contributions to the uncertainty.
    pub budget: Budget,
    /// Slope of the trapped pressure.
    pub slope: PressureRate,
    /// Mean of the trapped pressure over the window, from which the leak is referred to the test pressure.
    pub pressure: GaugePressure,
    /// The likeliest curve.
    pub curve: Curve,
    /// Length of the window, in milliseconds.
    pub window_ms: u32,
    /// Samples in it.
    pub samples: u32,
    /// What the fit's uncertainty was multiplied by for correlated residuals, in hundredths: 100 for none.
    pub autocorrelation_percent: u32,
}

/// What a leak is computed with from a fit.
#[derive(Clone, Copy, Debug)]
pub struct Conditions<'a> {
    /// The rig.
    pub rig: &'a Rig,
    /// The recipe.
    pub recipe: &'a Recipe,
    /// Mean temperature of the trapped gas over the window.
    pub gas: Temperature,
    /// Mean far-side pressure over the window.
    pub pressure: AbsolutePressure,
    /// The pressure that the leak is stated at: the recipe's target.
    pub target: AbsolutePressure,
    /// Standard deviation of one sample's noise, in counts.
    pub noise_counts: f64,
}

impl LeakEstimate {
    /// From a fit: `Q = −V·dp/dt`, converted to the reference temperature and the test pressure, less the background leak,
    /// which is stated there too. All at once: for a host, which has no poll deadline.
    pub fn new(estimate: &SlopeEstimate, with: &Conditions<'_>) -> Self {
        let mut solver = IntervalSolver::new(estimate, with);
        loop {
            if let Some(leak) = solver.advance() {
                return leak;
            }
        }
    }

    /// All but `expanded` and the guard, which need the quantiles of the distribution; and the leak per slope of one
    /// count a second, in Pa·m³/s.
    pub(super) fn without_interval(estimate: &SlopeEstimate, with: &Conditions<'_>) -> (Self, f64) {
        let rig = with.rig.raw();
        let step = rig.far.pa_per_count;
        let volume = rig.far_volume_m3;
        let to_reference = with.recipe.reference().temperature.kelvin() / with.gas.kelvin();
        let referred = ReferredLeak::new(with.pressure, with.target, with.rig.atmosphere());
        let scale = volume * to_reference * referred.factor;
        let slope = PressureRate::from_pascals_per_second(estimate.slope * step);
        let gross = -slope.pascals_per_second() * scale;
        let size = gross.abs();
        let background = with.rig.background(estimate.span_s);
        let budget = Budget {
            fit: estimate.u_slope * step * scale,
            curve: estimate.u_curve * step * scale,
            resolution: resolution(with.noise_counts, estimate.span_s) * step * scale,
            volume: size * volume_u_rel(rig, with.gas.kelvin()),
            gain: size * rig.gain_u_rel,
            temperature: scale * temperature_rate(with.pressure.pascals(), with.gas.kelvin(), rig, estimate.span_s),
            background: background.u_pa_m3_s,
            law: size * referred.u_rel,
            ..Budget::default()
        }
        .combine(estimate.dof, background.runs);
        let leak = Self {
            leak: LeakRate::from_pa_m3_s(gross - background.pa_m3_s),
            expanded: LeakRate::from_pa_m3_s(budget.combined),
            budget,
            slope,
            pressure: GaugePressure::from_pascals((with.pressure.pascals() - with.rig.atmosphere().pascals()) as i32),
            curve: estimate.curve,
            window_ms: (estimate.span_s * 1e3) as u32,
            samples: estimate.samples,
            autocorrelation_percent: (100.0 * estimate.autocorrelation_factor) as u32,
        };
        (leak, -step * scale)
    }
}

impl Budget {
    /// Combines the contributions; the guard is that of a normal distribution.
    pub(super) fn combine(mut self, fit_dof: f64, blank_runs: Option<u32>) -> Self {
        let squares = self.fit * self.fit + self.curve * self.curve + self.systematic_squares();
        self.combined = sqrt(squares);
        self.guard = self.combined;
        // Welch–Satterthwaite with the terms that have few: the fit's, and the scatter of blank runs. Capped: beyond a million
        // degrees of freedom Student's distribution is normal to every digit.
        let share = |u: f64, dof: f64| (u * u / squares) * (u * u / squares) / dof;
        let blanks = blank_runs.map_or(0.0, |runs| share(self.background, f64::from(runs.saturating_sub(1))));
        let dof = 1.0 / (share(self.fit, fit_dof) + blanks);
        self.dof = if dof < 1e6 { dof } else { 1e6 };
        self
    }

    /// Sum of squares of all that does not come from the fit.
    pub(super) const fn systematic_squares(&self) -> f64 {
        self.resolution * self.resolution
            + self.volume * self.volume
            + self.gain * self.gain
            + self.temperature * self.temperature
            + self.background * self.background
            + self.law * self.law
    }
}

/// How well the temperature of the gas is known where no thermometer is fitted, in kelvin: a standard uncertainty (our
/// judgement, no source: a workshop between 15 and 25 °C, and the recipe says 20).
const GAS_U_K: f64 = 3.0;

/// Standard uncertainty of the amount of gas in the far volume for each pascal, as a ratio: of the volume, and of the gas's
/// temperature where it is only assumed.
pub(super) fn volume_u_rel(rig: &RawRig, kelvin: f64) -> f64 {
    let assumed = if rig.thermometer.is_some() { 0.0 } else { GAS_U_K / kelvin };
    sqrt(rig.far_volume_u_rel * rig.far_volume_u_rel + assumed * assumed)
}

/// What filling leaves in the wall, as a share of the gas's absolute temperature a second.
///
/// Filling at constant temperature gives the wall the work done on the gas: `p·V`, less what the atmosphere did (first
/// law of an open vessel; Moran & Shapiro, *Fundamentals of Engineering Thermodynamics*, from memory). Over the gas's
/// own heat capacity, `p·V·cv/(R·T)`, that is `R/cv = 0.4` of its absolute temperature. A wall of a thousand times that
/// capacity, which returns to room temperature in ten minutes (a valve body of a kilogram holds two thousand times, a
/// tube with a wall of 3 mm three hundred, and both take longer: our judgement, no source), then cools by 0.4/1000 in
/// 600 s, and the gas with it: 0.2 mK/s. No window is long enough to distinguish that from a leak; where a blank run
/// was made the same way, its mean is in the background leak, and this is the variation between valves.
const WALL_PER_S: f64 = 0.4 / (1_000.0 * 600.0);

/// Standard uncertainty of the pressure's slope over a window, in Pa/s, from the temperature of gas at `pressure_pa`
/// absolute: the drift stated by the rig, the heat that filling left in the wall, and the quantisation of its
/// thermometer, where it has one. Its readings are few, and their noise is not kept separately, so their quantisation
/// counts in full.
pub(super) fn temperature_rate(pressure_pa: f64, kelvin: f64, rig: &RawRig, span_s: f64) -> f64 {
    let drift = rig.temperature_drift_u_k_s / kelvin;
    let steps = rig.thermometer.map_or(0.0, |t| t.kelvin_per_count * resolution(0.0, span_s) / kelvin);
    // In the scatter of blank runs it is counted already.
    let wall = if rig.background(span_s).runs.is_some() { 0.0 } else { WALL_PER_S };
    pressure_pa * sqrt(drift * drift + wall * wall + steps * steps)
}

/// Standard uncertainty of a slope over a window, in counts a second, from quantisation; `noise_counts` as estimated
/// from neighbouring samples.
///
/// A reading rounded to whole counts is off by a sawtooth of its true value. Noise of standard deviation s before the
/// rounding (dither) smooths it: each of the sawtooth's Fourier terms `sin(2πkx)/πk` is damped to `exp(−2π²k²s²)` of
/// its height (Widrow & Kollár, *Quantization Noise*, ch. 4, from memory). Here all are damped as the first, which is right
/// without noise and never too little. Both ends of the window may be off by the rest, wherever between two counts they
/// lie: `√2` times the root of the terms' mean squares over the window. Without any noise that is `√2·√(1/12)` counts.
pub fn resolution(noise_counts: f64, span_s: f64) -> f64 {
    // The estimate from neighbouring samples includes the variance of rounding.
    let squares = noise_counts * noise_counts - UNIFORM;
    // From half a count up less than a hundredth of a count remains.
    if !(span_s > 0.0) || squares > 0.25 {
        return 0.0;
    }
    let damped = if squares > 0.0 { exp(-4.0 * PI_SQUARES * squares) } else { 1.0 };
    sqrt(2.0 * UNIFORM * damped) / span_s
}

/// Variance of a uniform distribution of width 1 (JCGM 100:2008, 4.3.7): of rounding to whole counts.
pub(super) const UNIFORM: f64 = 1.0 / 12.0;

/// π².
const PI_SQUARES: f64 = core::f64::consts::PI * core::f64::consts::PI;
