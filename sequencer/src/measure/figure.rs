use super::curve::Curve;
use super::fit::Estimate;
use super::quantile::student_quantile;
use crate::recipe::Recipe;
use crate::rig::Rig;
use crate::units::{LeakRate, PressureRate, Temperature};

/// Standard uncertainties of a leak, one for each thing that makes it uncertain, in Pa·m³/s.
///
/// Combined as the root of the sum of squares (JCGM 100:2008, 5.1.2): the contributions share no cause.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Budget {
    /// Scatter of the readings about the fitted curve.
    pub fit: f64,
    /// Not knowing which curve the settling gas follows.
    pub curve: f64,
    /// Steps of the converter, where noise is too small to smooth them.
    pub resolution: f64,
    /// Far volume.
    pub volume: f64,
    /// Transducer gain.
    pub gain: f64,
    /// Drift of the gas temperature: `V·p/T·u(dT/dt)`, from the ideal gas law.
    pub temperature: f64,
    /// The rig's own leak.
    pub background: f64,
    /// All together.
    pub combined: f64,
    /// All together as the guard band takes it: what is not known of the curve counts twice, since its errors are far from normal.
    pub guard: f64,
    /// Effective degrees of freedom (Welch–Satterthwaite, JCGM 100:2008, G.4.1); only the fit's are finite.
    pub freedom: f64,
}

/// What is not known of the settling curve is no normal distribution: while the window is as short as the settling, a
/// curve with a long time constant and quite another slope stays possible, and would decide wrongly more often than its
/// standard uncertainty says. So in a guard band that counts this many times (our judgement, no source; the risks it
/// gives are measured in docs/figures.md).
const TAILS: f64 = 2.0;

/// A leak with its uncertainty, and what it rests on.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Figure {
    /// Leak out of the far side at the reference temperature, the rig's own leak taken off.
    pub leak: LeakRate,
    /// Half-width of the interval that covers the leak with the stated probability.
    pub expanded: LeakRate,
    /// That probability.
    pub coverage: f64,
    /// Where the uncertainty comes from.
    pub budget: Budget,
    /// Slope of the trapped pressure.
    pub slope: PressureRate,
    /// The likeliest curve.
    pub curve: Curve,
    /// Length of the window, in milliseconds.
    pub window_ms: u32,
    /// Samples in it.
    pub samples: u32,
    /// By how much the fit's uncertainty was stretched for correlated residuals.
    pub stretch: f64,
}

/// What a fit is turned into a leak with.
#[derive(Clone, Copy, Debug)]
pub struct Conditions<'a> {
    /// The rig.
    pub rig: &'a Rig,
    /// The recipe.
    pub recipe: &'a Recipe,
    /// Mean temperature of the trapped gas over the window.
    pub gas: Temperature,
    /// Mean far-side pressure over the window, absolute, in pascals.
    pub pressure_pa: f64,
    /// Standard deviation of one sample's noise, in counts.
    pub noise_counts: f64,
}

impl Figure {
    /// From a fit: `Q = −V·dp/dt`, taken to the reference temperature, less the rig's background.
    pub fn new(estimate: &Estimate, with: &Conditions<'_>) -> Self {
        let rig = with.rig.raw();
        let step = rig.far.pa_per_count;
        let volume = rig.far_volume_m3;
        let to_reference = with.recipe.reference().temperature.kelvin() / with.gas.kelvin();
        let scale = volume * to_reference;
        let slope = PressureRate::from_pascals_per_second(estimate.slope * step);
        let gross = -slope.pascals_per_second() * scale;
        let size = if gross < 0.0 { -gross } else { gross };

        let fit = estimate.u_slope * step * scale;
        let budget = Budget {
            fit,
            curve: estimate.u_curve * step * scale,
            resolution: resolution(estimate, with.noise_counts) * step * scale,
            volume: size * rig.far_volume_u_rel,
            gain: size * rig.gain_u_rel,
            temperature: scale * with.pressure_pa / with.gas.kelvin() * rig.drift_u_k_s,
            background: rig.background_u_pa_m3_s,
            ..Budget::default()
        }
        .combine(estimate.freedom, estimate.settling);
        let factor = student_quantile(with.recipe.schedule().z_coverage(), budget.freedom);
        Self {
            leak: LeakRate::from_pa_m3_s(gross).less(with.rig.background()),
            expanded: LeakRate::from_pa_m3_s(factor * budget.combined),
            coverage: with.recipe.raw().coverage,
            budget,
            slope,
            curve: estimate.curve,
            window_ms: (estimate.span_s * 1e3) as u32,
            samples: estimate.samples,
            stretch: estimate.stretch,
        }
    }
}

impl Budget {
    pub(super) fn combine(mut self, fit_freedom: f64, settling: bool) -> Self {
        let squares = self.fit * self.fit
            + self.curve * self.curve
            + self.resolution * self.resolution
            + self.volume * self.volume
            + self.gain * self.gain
            + self.temperature * self.temperature
            + self.background * self.background;
        self.combined = libm::sqrt(squares);
        let tails = if settling { (TAILS * TAILS - 1.0) * self.curve * self.curve } else { 0.0 };
        self.guard = libm::sqrt(squares + tails);
        // Welch–Satterthwaite with one finite term. Capped: beyond a million degrees Student is normal to every digit.
        let part = self.fit * self.fit;
        self.freedom = if part > 0.0 { fit_freedom * (squares / part) * (squares / part) } else { 1e6 };
        if self.freedom > 1e6 {
            self.freedom = 1e6;
        }
        self
    }
}

/// Standard uncertainty of the slope, in counts a second, from the converter's steps. Noise of half a count or more
/// smooths the steps (dither) and the fit's own scatter holds them; with less, both ends of the window may be off by
/// up to half a count either way: two uniform errors, `√2/√12 = 1/√6` counts over the window.
fn resolution(estimate: &Estimate, noise_counts: f64) -> f64 {
    if noise_counts >= 0.5 || !(estimate.span_s > 0.0) {
        return 0.0;
    }
    0.408_248_290_463_863 / estimate.span_s
}
