//! What a window is predicted to say, against what the fit says of traces made for it; and the advice given when a
//! figure settles nothing.

use proptest::prelude::*;
use seathold_sequencer::limits::CURVES_MAX;
use seathold_sequencer::measure::{
    BlockedTrace, Budget, Component, Conditions, Contribution, Curve, CurvePrior, Decision, IntervalSolver,
    LeakEstimate, Remedy, Settling, SlopeEstimate, Window, advise, conformance_probability, decide, fit, normal_cdf,
};
use seathold_sequencer::recipe::{RawRecipe, Recipe};
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::time::Instant;
use seathold_sequencer::units::{AbsolutePressure, GaugePressure, LeakRate, PressureRate};

fn window(seconds: f64, samples: u32, curve: Curve) -> Window {
    Window { seconds, samples, noise_counts: 3.0, curve, transient_counts: 0.0, tau_u_rel: 0.0 }
}

/// A trace of noise alone, from a linear congruential sequence (Numerical Recipes' constants, from memory): uniform,
/// 40 counts wide.
fn noise(samples: u32, between_us: u64, seed: u32) -> BlockedTrace {
    let mut trace = BlockedTrace::new();
    let mut state = seed;
    for i in 0..samples {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        trace.push(Instant::from_ticks(u64::from(i) * between_us), ((state >> 8) % 41) as i32, 0);
    }
    trace
}

/// Kay, *Estimation Theory* (memory and computed): N 100, Δt 0.01 s, σ 5: variance 3.00030003. The window adds the
/// converter's 1/12 to σ², so σ is chosen that both make 25.
#[test]
fn line_is_the_published_bound() {
    let w = Window { noise_counts: (25.0f64 - 1.0 / 12.0).sqrt(), ..window(0.99, 100, Curve::Line) };
    assert!((w.slope_u().powi(2) / 3.000_300_03 - 1.0).abs() < 1e-9, "{}", w.slope_u());
}

/// The synthetic decay of the reference values (computed at 60 digits): N 61, 1 s apart, τ 8 s: slope standard
/// deviation for each unit of σ 0.011246438372265 with the exponential, 0.0072720061177959 without.
#[test]
fn transient_is_the_reference_value() {
    let unit = (1.0f64 - 1.0 / 12.0).sqrt();
    for (curve, expected) in
        [(Curve::Transient { tau_s: 8.0 }, 0.011_246_438_372_265), (Curve::Line, 0.007_272_006_117_795_9)]
    {
        let w = Window { noise_counts: unit, ..window(60.0, 61, curve) };
        assert!((w.slope_u() / expected - 1.0).abs() < 1e-11, "{curve:?}: {}", w.slope_u());
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// The fit's own slope error, for the spread it found, is the predicted one: to rounding while a block is a
    /// sample, within the fold's one part in a thousand (two beside a transient) after that.
    #[test]
    fn fit_agrees(samples in 20u32..5_000, between_ms in 1u64..100, ratio in 0.4f64..40.0, seed: u32, line: bool) {
        let trace = noise(samples, between_ms * 1_000, seed);
        let seconds = f64::from(samples - 1) * between_ms as f64 / 1e3;
        let tau_s = seconds / ratio;
        // A transient shorter than a block is not seen by a folded fit as it is by one of every sample.
        prop_assume!(line || tau_s > 2.0 * seconds / 32.0 || samples <= 64);
        let (curves, curve) = if line { (CurvePrior::Line, Curve::Line) } else { (CurvePrior::Exact { tau_s }, Curve::Transient { tau_s }) };
        let Some(got) = fit(curves, None, Settling::unknown(0.0), &trace) else { return Err(TestCaseError::fail("no fit")) };
        let square = got.residual_sd * got.residual_sd - 1.0 / 12.0;
        let predicted = Window { noise_counts: square.sqrt(), ..window(seconds, samples, curve) }.slope_u();
        let ours = got.u_slope / got.autocorrelation_factor;
        let loss = if samples <= 64 { 1e-9 } else if line { 1.1e-3 } else { 6e-3 };
        prop_assert!((ours / predicted - 1.0).abs() < loss, "fit {ours}, predicted {predicted}, {curve:?}");
    }

    /// A longer window, or a quieter one, is never worse.
    #[test]
    fn more_is_better(seconds in 0.5f64..500.0, tau_s in 0.1f64..1_000.0, more in 1.01f64..20.0) {
        let w = window(seconds, 500, Curve::Transient { tau_s });
        let longer = Window { seconds: seconds * more, samples: (500.0 * more) as u32, ..w };
        let quieter = Window { noise_counts: w.noise_counts / more, ..w };
        prop_assert!(longer.slope_u() < w.slope_u());
        prop_assert!(quieter.slope_u() < w.slope_u());
        // And a transient never helps.
        prop_assert!(w.slope_u() >= window(seconds, 500, Curve::Line).slope_u());
    }
}

fn recipe(measure_ms: u32) -> Recipe {
    let rig = RawRig::DEMO.validate().unwrap();
    // Gas that has settled within the shortest of the windows here, so that all of them decide.
    RawRecipe { measure_ms_min: measure_ms, measure_ms_max: measure_ms, tau_ms_max: 10_000, ..RawRecipe::DEMO }
        .validate(&rig)
        .unwrap()
}

/// Chances at one look: at the limit itself they are the two risks; far from it a verdict is certain.
#[test]
fn chances_at_the_limit_are_the_risks() {
    let rig = RawRig::DEMO.validate().unwrap();
    let recipe = recipe(60_000);
    let w = Window { noise_counts: 1.2, ..window(60.0, 6_000, Curve::Line) };
    let at = |share: f64| {
        let leak = LeakRate::from_pa_m3_s(recipe.limit().pa_m3_s() * share);
        w.predict(&rig, &recipe, 7e5, leak).outcome_probabilities(recipe.limit(), recipe.schedule())
    };
    let limit = at(1.0);
    // Student's factor of the fit makes the guard band a little wider than the normal one.
    assert!((0.009..=0.01).contains(&limit.tight) && (0.009..=0.01).contains(&limit.leaking), "{limit:?}");
    assert!(at(0.1).tight > 0.999_9 && at(3.0).leaking > 0.999_9);
    let sum = limit.tight + limit.leaking + limit.undecided;
    assert!((sum - 1.0).abs() < 1e-12);
}

fn figure(leak: f64, budget: Budget, curve: Curve) -> LeakEstimate {
    let squares: f64 = Contribution::ALL.iter().map(|t| t.of(&budget).powi(2)).sum();
    let u = squares.sqrt();
    let budget = Budget { combined: u, guard: u, dof: 1e6, ..budget };
    LeakEstimate {
        leak: LeakRate::from_pa_m3_s(leak),
        expanded: LeakRate::from_pa_m3_s(2.0 * budget.combined),
        budget,
        slope: PressureRate::from_pascals_per_second(-1.0),
        pressure: GaugePressure::from_pascals(600_000),
        curve,
        window_ms: 10_000,
        samples: 1_000,
        autocorrelation_percent: 100,
    }
}

#[test]
fn noise_alone_is_settled_by_time() {
    let recipe = recipe(10_000);
    let limit = recipe.limit().pa_m3_s();
    let budget = Budget { fit: limit / 2.0, ..Budget::default() };
    let advice = advise(&figure(limit / 2.0, budget, Curve::Line), recipe.limit(), recipe.schedule());
    assert_eq!((advice.dominant, advice.remedy), (Contribution::Fit, Remedy::Longer));
    // Needed: u down by z = 2.326, so T up by z^(2/3) = 1.756 (from the 3/2 power); steps are of a tenth.
    let times = advice.window_s.unwrap() / 10.0;
    assert!((1.75..=1.756 * 1.11).contains(&times), "{times}");
    assert!((advice.noise_to.unwrap() * 2.326_347_874 - 1.0).abs() < 1e-5);
    assert_eq!(advice.noise_to, advice.volume_to);
}

/// Nothing shorter than the gas may take to settle decides, however small the uncertainty, and that is what is said.
#[test]
fn a_window_must_outlast_the_settling() {
    let recipe = recipe(10_000);
    let limit = recipe.limit();
    let budget = Budget { fit: 1e-3 * limit.pa_m3_s(), ..Budget::default() };
    let at = |window_ms| LeakEstimate { window_ms, ..figure(0.1 * limit.pa_m3_s(), budget, Curve::Line) };
    let schedule = recipe.schedule();
    assert_eq!(schedule.decides_from_ms(), 10_000);
    assert_eq!(decide(&at(9_999), limit, schedule), Decision::Open);
    assert_eq!(decide(&at(10_000), limit, schedule), Decision::Tight);
    let advice = advise(&at(5_000), limit, schedule);
    assert_eq!((advice.remedy, advice.window_s), (Remedy::Outlast, Some(10.0)));
    // Twice the time constant where it is calibrated.
    let known = RawRig { tau_s: Some(3.0), tau_u_rel: 0.1, ..RawRig::DEMO }.validate().unwrap();
    assert_eq!(RawRecipe::DEMO.validate(&known).unwrap().schedule().decides_from_ms(), 6_000);
}

#[test]
fn no_time_settles_a_bad_volume() {
    let recipe = recipe(10_000);
    let limit = recipe.limit().pa_m3_s();
    let budget = Budget { volume: 0.3 * limit, fit: 0.01 * limit, ..Budget::default() };
    let advice = advise(&figure(1.5 * limit, budget, Curve::Line), recipe.limit(), recipe.schedule());
    assert_eq!((advice.dominant, advice.remedy), (Contribution::Volume, Remedy::Calibrate));
    assert_eq!((advice.window_s, advice.noise_to, advice.volume_to), (None, None, None));
}

#[test]
fn each_of_the_others_has_its_own_advice() {
    let recipe = recipe(10_000);
    let limit = recipe.limit().pa_m3_s();
    let of = |budget| advise(&figure(0.5 * limit, budget, Curve::Line), recipe.limit(), recipe.schedule()).remedy;
    let large = 0.3 * limit;
    assert_eq!(of(Budget { temperature: large, ..Budget::default() }), Remedy::SteadierTemperature);
    assert_eq!(of(Budget { background: large, ..Budget::default() }), Remedy::BlankRun);
    assert_eq!(of(Budget { gain: large, ..Budget::default() }), Remedy::Calibrate);
    // Many little ones together, none of which would do alone.
    let many = Budget { background: large, volume: large, gain: large, ..Budget::default() };
    assert_eq!(of(many), Remedy::TooNear);
}

/// A guard band wider than the uncertainty is what has to come down; a leak below nothing asks for rest.
#[test]
fn guard_bands_and_rest() {
    let recipe = recipe(10_000);
    let limit = recipe.limit().pa_m3_s();
    let mut wide =
        figure(0.4 * limit, Budget { fit: 0.1 * limit, curve: 0.15 * limit, ..Budget::default() }, Curve::Line);
    let plain = advise(&wide, recipe.limit(), recipe.schedule());
    wide.budget.guard *= 2.0;
    let guarded = advise(&wide, recipe.limit(), recipe.schedule());
    assert_eq!((plain.dominant, guarded.dominant), (Contribution::Curve, Contribution::Curve));
    assert!(guarded.share > plain.share && guarded.window_s > plain.window_s, "{plain:?} {guarded:?}");
    let below = figure(-0.3 * limit, Budget { fit: 0.1 * limit, ..Budget::default() }, Curve::Line);
    assert_eq!(advise(&below, recipe.limit(), recipe.schedule()).remedy, Remedy::Settle);
}

#[test]
fn right_at_the_limit_nothing_helps() {
    let recipe = recipe(10_000);
    let limit = recipe.limit().pa_m3_s();
    let budget = Budget { fit: 0.1 * limit, volume: 0.02 * limit, ..Budget::default() };
    let advice = advise(&figure(limit, budget, Curve::Line), recipe.limit(), recipe.schedule());
    assert_eq!((advice.remedy, advice.window_s), (Remedy::TooNear, None));
}

/// Interval and probability are of one distribution, far from normal here: what the interval covers is what the
/// probability has between its ends. With few degrees of freedom the interval widens all components by the factor of
/// its own tail, and so covers a little more.
#[test]
fn interval_and_probability_agree() {
    let (rig, recipe) = (RawRig::DEMO.validate().unwrap(), recipe(60_000));
    let mut components = [Component::default(); CURVES_MAX];
    components[0] = Component { weight: 0.8, offset: -0.15, u: 0.1 };
    components[1] = Component { weight: 0.2, offset: 0.6, u: 0.3 };
    let line = fit(CurvePrior::Line, None, Settling::unknown(0.0), &noise(6_000, 10_000, 7)).unwrap();
    for (dof, within) in [(1e6, 4e-4), (20.0, 2e-3)] {
        // Nearly all of the uncertainty from the fit.
        let slope = SlopeEstimate { components, u_slope: 0.3, dof, ..line };
        let conditions = Conditions {
            rig: &rig,
            recipe: &recipe,
            gas: recipe.gas_temperature(),
            pressure: AbsolutePressure::from_pascals(7e5),
            target: AbsolutePressure::from_pascals(7e5),
            noise_counts: line.residual_sd,
        };
        let estimate = LeakEstimate::new(&slope, &conditions);
        let distribution = IntervalSolver::new(&slope, &conditions);
        let under = |distance: f64| {
            let limit = estimate.leak.pa_m3_s() + distance;
            distribution.conformance_probability(LeakRate::from_pa_m3_s(limit))
        };
        let half_width = estimate.expanded.pa_m3_s();
        let (below, above) = (under(-half_width), 1.0 - under(half_width));
        assert!((1.0 - below - above - recipe.raw().coverage).abs() < within, "{below} below, {above} above");
        // A leak falls with the slope, so the long tail is below; a normal distribution would halve the rest.
        assert!(below > 10.0 * above, "{below} below, {above} above");
    }
}

/// The conformance probability of an estimate with a normal distribution.
fn estimated(rig: &RawRig, slope: &SlopeEstimate) -> LeakEstimate {
    let rig = rig.validate().unwrap();
    let recipe = RawRecipe::DEMO.validate(&rig).unwrap();
    let pressure = AbsolutePressure::from_pascals(701_325.0);
    let gas = recipe.gas_temperature();
    let with = Conditions { rig: &rig, recipe: &recipe, gas, pressure, target: pressure, noise_counts: 5.0 };
    LeakEstimate::new(slope, &with)
}

/// By hand: a background of 1 and 2 more in ten seconds is 2 in twenty, its uncertainty √(3² + (4/2)²), in 1e-6 Pa·m³/s. It takes
/// the place of the wall's term, and has few degrees of freedom; from fewer than four runs neither.
#[test]
fn blank_runs_take_the_place_of_the_wall() {
    let raw = RawRig {
        background_pa_m3_s: 1e-6,
        background_u_pa_m3_s: 3e-6,
        background_early_pa_m3_s: 2e-6,
        background_early_u_pa_m3_s: 4e-6,
        temperature_drift_u_k_s: 0.0,
        ..RawRig::DEMO
    };
    let line = fit(CurvePrior::Line, None, Settling::unknown(0.0), &noise(2_001, 10_000, 7)).unwrap();
    assert_eq!(line.span_s, 20.0);
    // Nothing from the fit, so that what is left is the background's.
    let slope = SlopeEstimate { slope: 0.0, u_slope: 1e-9, u_curve: 0.0, dof: 1e6, ..line };
    for (runs, are_some) in [(0, false), (3, false), (4, true), (8, true)] {
        let found = estimated(&RawRig { blank_runs: runs, ..raw }, &slope);
        assert!((found.leak.pa_m3_s() + 2e-6).abs() < 1e-12, "{found:?}");
        assert!((found.budget.background - 13.0_f64.sqrt() * 1e-6).abs() < 1e-12, "{found:?}");
        assert_eq!(found.budget.temperature == 0.0, are_some, "{found:?}");
        // Nearly all of the uncertainty is theirs, but for the resolution's and the volume's.
        let dof = f64::from(runs) - 1.0;
        assert_eq!((found.budget.dof / dof - 1.0).abs() < 0.01, are_some, "{runs}: {found:?}");
    }
}

fn normal_conformance(estimate: f64, u: f64, limit: f64) -> f64 {
    conformance_probability(limit - estimate, &[Component { weight: 1.0, offset: 0.0, u }], f64::INFINITY)
}

/// JCGM 106:2012, 7 (example; memory, computed): −5.47 V, u 0.05 V, upper limit −5.40 V: Φ(1.4) = 0.92.
#[test]
fn jcgm_106_conformance_probability() {
    let p = normal_conformance(-5.47, 0.05, -5.40);
    assert_eq!(format!("{p:.2}"), "0.92");
    assert!((p - normal_cdf(1.4)).abs() < 1e-12);
}

/// JCGM 106:2012 clause 8 and ILAC-G8:09/2019 (memory, computed): a guard band `r·U`, `U = 2u`, leaves a risk at the
/// acceptance limit of 2.275 % for r = 1, 4.85 % for r = 0.83, 0.135 % for r = 1.5, 50 % for r = 0.
#[test]
fn jcgm_106_guard_bands() {
    for (r, risk) in [(1.0, 0.022_75), (0.83, 0.048_5), (1.5, 0.001_35), (0.0, 0.5)] {
        let (limit, u) = (7.5e-4, 2e-5);
        let accepted = limit - r * 2.0 * u;
        let ours = 1.0 - normal_conformance(accepted, u, limit);
        assert!((ours / risk - 1.0).abs() < 1.2e-3, "r {r}: {ours} against {risk}");
    }
}

/// JCGM 106:2012 clause 8, highway speed (memory, computed): limit 100 km/h, u 2 %, 99.9 %: from 106.588 km/h on.
#[test]
fn jcgm_106_highway_speed() {
    let proved = |v: f64| 1.0 - normal_conformance(v, 0.02 * v, 100.0);
    assert!(proved(106.587) < 0.999 && proved(106.589) > 0.999);
}

/// JCGM 106:2012, resistors (parameters memory, results computed): 1500.0 ± 0.2 Ω, process standard deviation 0.12,
/// u 0.04; accepted out to the limits the consumer's risk is 1.894221 %, the producer's 3.720780 %; with a guard band
/// of U = 0.08, 0.0468634 % and 24.766964 %. The integrals of clause 9 over our distribution function, by the
/// trapezium rule in steps of a thousandth.
#[test]
fn jcgm_106_global_risks() {
    let (process, u, tolerance) = (0.12, 0.04, 0.2);
    for (guard, consumer, producer) in [(0.0, 0.018_942_21, 0.037_207_80), (0.08, 0.000_468_634, 0.247_669_64)] {
        let accepted = tolerance - guard;
        let step = 1e-3 * process;
        let (mut bad_taken, mut good_refused) = (0.0, 0.0);
        let n = 8_000;
        for i in -n..=n {
            let eta = f64::from(i) * step;
            let density = (-0.5 * (eta / process).powi(2)).exp() / (process * (2.0 * std::f64::consts::PI).sqrt());
            let taken = normal_conformance(eta, u, accepted) - normal_conformance(eta, u, -accepted);
            let weight = density * step;
            // The grid falls short of the tolerance itself: count half a cell there.
            if eta.abs() > tolerance { bad_taken += weight * taken } else { good_refused += weight * (1.0 - taken) }
        }
        assert!((bad_taken / consumer - 1.0).abs() < 4e-3, "consumer {bad_taken} against {consumer}");
        assert!((good_refused / producer - 1.0).abs() < 4e-3, "producer {good_refused} against {producer}");
    }
}
