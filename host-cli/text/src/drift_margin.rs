//! How much the temperature of the trapped gas would have to drift for a verdict to fall.

use seathold_recording::{Header, Summary};
use seathold_sequencer::input::Side;
use seathold_sequencer::measure::{LeakEstimate, ReferredLeak, Schedule, student_quantile};
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::units::AbsolutePressure;
use seathold_sequencer::verdict::{SideResult, Verdict};

/// In the note on the calibration that sets the drift, and in no other.
pub const BY_REST_RUN: &str = "by rest run";

/// In the note on a controller's rig that was loaded with calibrations: which of them are in it is not kept.
pub const LOADED_WITH: &str = "calibrations that were loaded with it";

/// Where the drift in the budget comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DriftSource {
    /// A rest run measured it.
    RestRun,
    /// The rig file says it, and nothing was measured.
    RigFile,
    /// It is the rig's that was loaded into a controller with its calibrations.
    Loaded,
    /// It was typed.
    Typed,
}

/// By the notes on a run's calibrations.
pub fn drift_source(notes: &[String]) -> DriftSource {
    let any = |text: &str| notes.iter().any(|note| note.contains(text));
    if any(BY_REST_RUN) {
        DriftSource::RestRun
    } else if any(LOADED_WITH) {
        DriftSource::Loaded
    } else {
        DriftSource::RigFile
    }
}

/// "0.2 mK/s": a drift, in two digits.
pub fn drift_words(k_s: f64) -> String {
    let sign = if k_s < 0.0 { "-" } else { "" };
    format!("{sign}{} mK/s", two_digits(k_s.abs() * 1e3, f64::round))
}

/// Two significant digits, and no more places than five.
fn two_digits(value: f64, to_whole: fn(f64) -> f64) -> String {
    if !value.is_finite() || value <= 0.0 {
        return "0".into();
    }
    let power = (1 - value.log10().floor() as i32).min(5);
    let scale = 10f64.powi(power);
    // A hair above, or 0.3 would be rounded down to 0.29.
    let kept = to_whole(value * scale * (1.0 + 1e-9)) / scale;
    let text = format!("{kept:.*}", power.max(0) as usize);
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// The drift at which a verdict falls.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DriftMargin {
    /// Of a tight side: warming hides a leak. Of a leaking one: cooling looks like one.
    pub warming: bool,
    /// In K/s.
    pub k_s: f64,
    /// The standard uncertainty in the budget.
    pub assumed_k_s: f64,
}

/// Leak that a drift of one K/s shows as, in Pa·m³/s: `V·(p/T)·(Tref/T)·f` (ideal gas law at constant volume), f what refers the
/// leak to the pressure it is stated at.
fn leak_by_drift(far_volume_m3: f64, absolute_pa: f64, gas_k: f64, reference_k: f64, factor: f64) -> f64 {
    far_volume_m3 * absolute_pa / gas_k * reference_k / gas_k * factor
}

/// The drift, as a standard uncertainty in K/s like the one in the budget, that would have used up the margin: with k the factor
/// of the guard band and u′ its uncertainty without the drift's own part, `√((m/k)² − u′²)/c`, m the distance from the leak to
/// the limit, c as in [`leak_by_drift`].
fn falls_at(estimate: &LeakEstimate, limit: f64, k: f64, tight: bool, by_drift: f64, assumed_k_s: f64) -> f64 {
    let (guard, drift) = (estimate.budget.guard, by_drift * assumed_k_s);
    let over = estimate.leak.pa_m3_s() - limit;
    let allowed = if tight { -over } else { over } / k;
    // The guard holds k·u within the margin, so that this is never less than what was counted with.
    let more = if allowed > guard { allowed * allowed - guard * guard } else { 0.0 };
    (more + drift * drift).sqrt() / by_drift
}

/// The drift at which this verdict would not have been given, with all else as it is; `None` where it is neither tight nor
/// leaking by its leak.
///
/// `target_pa` absolute is what the leak is stated at, `gas_k` the temperature of the gas.
#[expect(clippy::too_many_arguments, reason = "a trace has no rig, and a run no gas temperature")]
pub fn drift_margin(
    estimate: &LeakEstimate,
    verdict: Verdict,
    limit_pa_m3_s: f64,
    schedule: &Schedule,
    far_volume_m3: f64,
    (from_pa, target_pa, atmosphere_pa): (f64, f64, f64),
    (gas_k, reference_k): (f64, f64),
    assumed_k_s: f64,
) -> Option<DriftMargin> {
    let z = match verdict {
        Verdict::Tight => schedule.z_accept(),
        Verdict::Leaking => schedule.z_reject(),
        Verdict::Undecided | Verdict::Void => return None,
    };
    let k = student_quantile(z, estimate.budget.dof);
    let pa = AbsolutePressure::from_pascals;
    let factor = ReferredLeak::new(pa(from_pa), pa(target_pa), pa(atmosphere_pa)).factor;
    let by_drift = leak_by_drift(far_volume_m3, from_pa, gas_k, reference_k, factor);
    let tight = verdict == Verdict::Tight;
    let k_s = falls_at(estimate, limit_pa_m3_s, k, tight, by_drift, assumed_k_s);
    (k_s.is_finite() && k_s > 0.0).then_some(DriftMargin { warming: tight, k_s, assumed_k_s })
}

/// Of a side of a run. Its gas is taken to be at the recipe's temperature, which is right to a few per cent.
pub fn of_side(side: &SideResult, recipe: &RawRecipe, rig: &RawRig) -> Option<DriftMargin> {
    let checked = recipe.validate(&rig.validate().ok()?).ok()?;
    let estimate = side.estimate.as_ref()?;
    let atmosphere = rig.atmosphere_pa;
    let pressures =
        (f64::from(estimate.pressure.pascals()) + atmosphere, f64::from(recipe.target_pa) + atmosphere, atmosphere);
    drift_margin(
        estimate,
        side.verdict,
        recipe.limit_pa_m3_s,
        checked.schedule(),
        rig.far_volume_m3,
        pressures,
        (recipe.gas_k, recipe.reference_k),
        rig.temperature_drift_u_k_s,
    )
}

/// Of each side of a run that has one, for programs.
pub fn of_sides(summary: &Summary, header: &Header) -> Vec<(Side, DriftMargin)> {
    let of = |side: &SideResult| Some((side.side, of_side(side, &header.recipe, &header.rig)?));
    summary.sides.iter().filter_map(of).collect()
}

/// The same in words, with where the drift in the budget comes from.
pub fn of_side_words(side: &SideResult, header: &Header) -> Option<String> {
    of_side(side, &header.recipe, &header.rig).map(|margin| margin.words(drift_source(&header.calibrations)))
}

/// Beyond this, in K/s, no room warms or cools gas.
const PLENTY_K_S: f64 = 0.1;

impl DriftMargin {
    /// "holds while the gas temperature drifts by less than ±3.1 mK/s (standard uncertainty; ±0.2 mK/s assumed: no rest
    /// run)". Rounded down: a bound is not to be
    /// more than it is.
    pub fn words(&self, source: DriftSource) -> String {
        let assumed = drift_words(self.assumed_k_s);
        let from = match source {
            DriftSource::RestRun => format!("±{assumed} by the rest run"),
            DriftSource::RigFile => format!("±{assumed} assumed: no rest run"),
            DriftSource::Loaded => format!("±{assumed} as the rig was loaded"),
            DriftSource::Typed => format!("±{assumed} given"),
        };
        if self.k_s > PLENTY_K_S {
            return format!(
                "holds even if the gas temperature drifts by ±{} (standard uncertainty; {from})",
                drift_words(PLENTY_K_S)
            );
        }
        let least = two_digits(self.k_s * 1e3, f64::floor);
        format!("holds while the gas temperature drifts by less than ±{least} mK/s (standard uncertainty; {from})")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use seathold_sequencer::measure::{Budget, Curve};
    use seathold_sequencer::units::{GaugePressure, LeakRate, PressureRate};

    fn estimate(leak: f64, guard: f64) -> LeakEstimate {
        LeakEstimate {
            leak: LeakRate::from_pa_m3_s(leak),
            expanded: LeakRate::from_pa_m3_s(2.0 * guard),
            budget: Budget { guard, combined: guard, dof: 1e6, ..Budget::default() },
            slope: PressureRate::from_pascals_per_second(0.0),
            pressure: GaugePressure::from_pascals(600_000),
            curve: Curve::Line,
            window_ms: 10_000,
            samples: 1_000,
            autocorrelation_percent: 100,
        }
    }

    /// By hand: 50 cm³ at 600 kPa absolute and 300 K, counted at 300 K, gives 50e-6·600e3/300 = 0.1 Pa·m³/s for each K/s.
    #[test]
    fn a_hand_calculation() {
        let c = leak_by_drift(50e-6, 600e3, 300.0, 300.0, 1.0);
        assert!((c - 0.1).abs() < 1e-15);
        // Limit 7.5e-4, leak 1e-4, guard 5e-5 of which 0.3 mK/s are 3e-5: u′ = 4e-5; k = 2.
        // Tight: √((6.5e-4/2)² − 4e-5²)/0.1 = 3.2253e-3 K/s.
        let tight = falls_at(&estimate(1e-4, 5e-5), 7.5e-4, 2.0, true, c, 3e-4);
        assert!((tight - 3.225_29e-3).abs() < 1e-8, "{tight}");
        // Leaking: √((1.25e-3/2)² − 4e-5²)/0.1 = 6.2372e-3 K/s.
        let leaking = falls_at(&estimate(2e-3, 5e-5), 7.5e-4, 2.0, false, c, 3e-4);
        assert!((leaking - 6.237_19e-3).abs() < 1e-8, "{leaking}");
        // Counted at 330 K, and referred by a fifth more.
        assert!((leak_by_drift(50e-6, 600e3, 300.0, 330.0, 1.2) - 0.132).abs() < 1e-15);
    }

    /// With a drift of so much in its budget, a decision stands exactly at its guard band.
    #[test]
    fn the_margin_is_where_the_decision_ends() {
        let rig = RawRig { temperature_drift_u_k_s: 0.0, ..RawRig::DEMO };
        let recipe = RawRecipe::DEMO;
        let schedule = *recipe.validate(&rig.validate().unwrap()).unwrap().schedule();
        let found = estimate(1e-4, 5e-5);
        let pressures = (701_325.0, 701_325.0, 101_325.0);
        let gas = (recipe.gas_k, recipe.reference_k);
        let of = |verdict| drift_margin(&found, verdict, recipe.limit_pa_m3_s, &schedule, 45e-6, pressures, gas, 0.0);
        let margin = of(Verdict::Tight).unwrap();
        assert!(margin.warming);
        let c = leak_by_drift(45e-6, 701_325.0, recipe.gas_k, recipe.reference_k, 1.0);
        let at = student_quantile(schedule.z_accept(), 1e6) * (margin.k_s * c).hypot(5e-5) + 1e-4;
        assert!((at - recipe.limit_pa_m3_s).abs() < 1e-12, "{at}");
        assert_eq!((of(Verdict::Undecided), of(Verdict::Leaking)), (None, None));
    }

    #[test]
    fn words_have_two_digits_and_say_where_the_drift_is_from() {
        let say = |k_s, source| DriftMargin { warming: true, k_s, assumed_k_s: 2e-4 }.words(source);
        assert_eq!(
            say(3.19e-3, DriftSource::RigFile),
            "holds while the gas temperature drifts by less than ±3.1 mK/s (standard uncertainty; ±0.2 mK/s assumed: no rest run)"
        );
        assert!(
            say(12.9e-3, DriftSource::RestRun).contains("±12 mK/s (standard uncertainty; ±0.2 mK/s by the rest run)")
        );
        assert!(say(3e-4, DriftSource::Loaded).contains("±0.2 mK/s as the rig was loaded)"));
        assert!(say(3e-4, DriftSource::Typed).contains("±0.3 mK/s (standard uncertainty; ±0.2 mK/s given)"));
        assert!(
            say(0.5, DriftSource::RigFile)
                .starts_with("holds even if the gas temperature drifts by ±100 mK/s (standard uncertainty; ±0.2")
        );
        assert_eq!(drift_words(2e-4), "0.2 mK/s");
        assert_eq!(
            [drift_words(1.1149e-3), drift_words(1e-9), drift_words(0.0), drift_words(1.0)],
            ["1.1 mK/s", "0 mK/s", "0 mK/s", "1000 mK/s"]
        );
    }
}
