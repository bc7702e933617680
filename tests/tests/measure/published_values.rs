//! The estimator, units and statistics against published figures. Each check names its source; how sure it is stands
//! beside it: *seen* in the source's own text, *second-hand*, *memory*, or *computed* with a named library.

use seathold_sequencer::measure::{BlockedTrace, CurvePrior, Settling, fit, normal_quantile, student_quantile};
use seathold_sequencer::time::Instant;
use seathold_sequencer::units::{
    AbsolutePressure, LeakRate, PASCALS_PER_PSI, PressureRate, Reference, STANDARD_ATMOSPHERE, Temperature, Volume,
};
use seathold_tests::reference::rows;

fn close(ours: f64, theirs: f64, relative: f64) {
    assert!(
        (ours - theirs).abs() <= relative * theirs.abs(),
        "ours {ours:.17e}, theirs {theirs:.17e}, relative difference {:.2e}",
        (ours - theirs) / theirs
    );
}

/// NIST StRD, linear regression, Norris (lower difficulty): certified values, seen, and recomputed from the data.
///
/// The estimator works on integer microseconds and counts; the data have one decimal, so x goes in as tenths of a
/// second scaled to microseconds and y as tenths.
#[test]
fn norris() {
    let mut trace = BlockedTrace::new();
    let rows = rows("norris.csv");
    assert_eq!(rows.len(), 36);
    for row in &rows {
        let (y, x) = (row[0], row[1]);
        trace.push(Instant::from_ticks((x * 10.0).round() as u64 * 100_000), (y * 10.0).round() as i32, 0);
    }
    let got = fit(CurvePrior::Line, None, Settling::unknown(0.0), &trace).expect("a fit");
    // The trace counts time and readings from its first sample: (0.2, 0.1).
    let slope = got.slope / 10.0;
    let intercept = (got.start + f64::from(trace.first_counts())) / 10.0 - slope * 0.2;
    close(slope, 1.002_116_818_020_45, 1e-14);
    close(intercept, -0.262_323_073_774_029, 1e-11);
    close(got.residual_sd / 10.0, 0.884_796_396_144_373, 1e-10);
    close(got.residual_squares / 100.0, 26.617_398_529_422_4, 1e-10);
    // Plain standard errors: the data are no time series, so any stretch for correlation is taken off.
    close(got.u_slope / got.autocorrelation_factor / 10.0, 0.429_796_848_199_937e-3, 1e-10);
}

/// Norris again: the standard error of the intercept, by shifting the origin of x to zero, which the trace's own origin
/// otherwise hides. Certified value, seen.
#[test]
fn norris_intercept_error() {
    let mut rows = rows("norris.csv");
    // A trace's origin is its first sample. Sorted, the first is x = 0.1; the intercept at x = 0 lies 0.1 before it,
    // and its variance follows from that of the start and the slope.
    rows.sort_by(|a, b| a[1].total_cmp(&b[1]));
    let mut trace = BlockedTrace::new();
    for row in &rows {
        trace.push(Instant::from_ticks((row[1] * 10.0).round() as u64 * 100_000), (row[0] * 10.0).round() as i32, 0);
    }
    let got = fit(CurvePrior::Line, None, Settling::unknown(0.0), &trace).expect("a fit");
    let n = rows.len() as f64;
    let mean: f64 = rows.iter().map(|r| r[1]).sum::<f64>() / n;
    let origin = rows[0][1];
    // var(at 0) = s²/n + mean²·var(b); var(at origin) = s²/n + (mean − origin)²·var(b).
    let var_b = (got.u_slope / got.autocorrelation_factor / 10.0).powi(2);
    let var_start = (got.u_start / 10.0).powi(2);
    let at_zero = (var_start + (mean * mean - (mean - origin).powi(2)) * var_b).sqrt();
    close(at_zero, 0.232_818_234_301_152, 1e-9);
}

/// The synthetic decay of the reference values: p0 − s·t + a·exp(−t/τ), τ = 8 s; solved there at 60 digits (computed).
#[test]
fn synthetic_decay_with_transient() {
    let rows = rows("decay_synthetic.csv");
    assert_eq!(rows.len(), 61);
    let mut trace = BlockedTrace::new();
    for row in &rows {
        // Readings in hundredths of a pascal, which the data are rounded to.
        trace.push(Instant::from_ticks((row[0] * 1e6).round() as u64), (row[1] * 100.0).round() as i32, 0);
    }
    let got = fit(CurvePrior::Exact { tau_s: 8.0 }, None, Settling::unknown(0.0), &trace).expect("a fit");
    let first = f64::from(trace.first_counts());
    close(-got.slope / 100.0, 1.463_458_116_913_479, 1e-11);
    close((got.start + first) / 100.0, 599_998.896_287_871_8, 1e-14);
    close(got.amplitude / 100.0, 401.563_644_739_629, 1e-11);
    close(got.residual_sd / 100.0, 20.584_009_145_288_82, 1e-10);
    close(got.residual_squares / 1e4, 24_574.683_084_613_37, 1e-10);
    close(got.u_slope / got.autocorrelation_factor / 100.0, 0.231_496_790_306_636_7, 1e-10);
    close(got.u_amplitude / got.autocorrelation_factor / 100.0, 17.432_766_726_902_3, 1e-10);
    close(got.u_start / 100.0, 9.319_021_334_189_228, 1e-10);
    close(got.correlation, 0.762_824_782_035, 1e-11);

    // A plain line on the same data is badly wrong, and by the published amount.
    let line = fit(CurvePrior::Line, None, Settling::unknown(0.0), &trace).expect("a fit");
    close(line.slope / 100.0, -5.531_241_671_073_506, 1e-11);
    close((line.start + first) / 100.0, 600_176.926_594_394_5, 1e-14);
}

/// Slope error of a line in white noise, equally spaced: var = 12 σ²/(N(N² − 1) Δt²) (Kay, *Estimation Theory*,
/// memory and computed): N 100, Δt 0.01 s, σ 5 gives 3.00030003 (Pa/s)². The estimator must give exactly that from its
/// own residual spread, here with 64 blocks of one sample each, and lose under 1 part in 1000 once samples are joined.
#[test]
fn slope_error_is_that_of_ordinary_least_squares() {
    for n in [64u32, 4_096] {
        let mut trace = BlockedTrace::new();
        let mut state = 1u32;
        for i in 0..n {
            // A linear congruential sequence (Numerical Recipes' constants, from memory) stands in for noise.
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            trace.push(Instant::from_ticks(u64::from(i) * 10_000), (state >> 22) as i32, 0);
        }
        let got = fit(CurvePrior::Line, None, Settling::unknown(0.0), &trace).expect("a fit");
        let sigma = got.residual_sd;
        let n = f64::from(n);
        let theory = (12.0 * sigma * sigma / (n * (n * n - 1.0) * 1e-4)).sqrt();
        close(got.u_slope / got.autocorrelation_factor, theory, if n == 64.0 { 1e-12 } else { 1e-3 });
    }
}

/// JCGM 100:2008 H.3 (thermometer calibration; data from memory, reproducing every published figure): the line fit and
/// its residual spread.
#[test]
fn gum_thermometer_calibration() {
    let rows = rows("gum_h3.csv");
    assert_eq!(rows.len(), 11);
    let mut trace = BlockedTrace::new();
    for row in &rows {
        trace.push(Instant::from_ticks((row[0] * 1e3).round() as u64 * 1_000), (row[1] * 1e3).round() as i32, 0);
    }
    let got = fit(CurvePrior::Line, None, Settling::unknown(0.0), &trace).expect("a fit");
    let slope = got.slope / 1e3;
    let at_20 = (got.start + f64::from(trace.first_counts())) / 1e3 + slope * (20.0 - rows[0][0]);
    assert_eq!(format!("{slope:.5}"), "0.00218");
    assert_eq!(format!("{at_20:.4}"), "-0.1712");
    assert_eq!(format!("{:.4}", got.residual_sd / 1e3), "0.0035");
    assert_eq!(format!("{:.5}", got.u_slope / got.autocorrelation_factor / 1e3), "0.00067");
}

/// One-sided normal factors (computed with SciPy 1.17.1).
#[test]
fn normal_quantiles() {
    for (p, z) in [(0.95, 1.644_853_627), (0.975, 1.959_963_985), (0.99, 2.326_347_874), (0.999, 3.090_232_306)] {
        close(normal_quantile(p), z, 5e-10);
        close(normal_quantile(1.0 - p), -z, 5e-10);
    }
    // Far tails, as many looks ask for: Φ⁻¹(1 − 1e-6) = 4.753424308822899 (SciPy 1.17.1, computed).
    close(normal_quantile(1.0 - 1e-6), 4.753_424_308_822_899, 1e-10);
}

/// Student's factors (any table, e.g. JCGM 100:2008 table G.2, memory): 95 % two-sided 2.306 (8), 2.228 (10),
/// 2.042 (30); 99 % 3.355 (8), 2.750 (30).
#[test]
fn student_quantiles() {
    for (p, freedom, t) in
        [(0.975, 8.0, 2.306), (0.975, 10.0, 2.228), (0.975, 30.0, 2.042), (0.995, 8.0, 3.355), (0.995, 30.0, 2.750)]
    {
        close(student_quantile(normal_quantile(p), freedom), t, 6e-4);
    }
}

/// Unit conversions of the reference values, exact or to double precision.
#[test]
fn conversions() {
    let celsius_0 = Temperature::from_celsius(0.0);
    let celsius_20 = Temperature::from_celsius(20.0);
    let at = |pascals| Reference { temperature: celsius_20, pressure: AbsolutePressure::from_pascals(pascals) };
    assert_eq!(LeakRate::from_mbar_l_s(1.0).pa_m3_s(), 0.1);
    close(LeakRate::from_mm3_s(1.0, at(100_000.0)).pa_m3_s(), 1e-4, 1e-15);
    close(LeakRate::from_mm3_s(1.0, at(101_325.0)).pa_m3_s(), 1.013_25e-4, 1e-15);
    close(LeakRate::from_cm3_min(1.0, at(101_325.0)).pa_m3_s(), 1.688_75e-3, 1e-15);
    // One standard cubic centimetre a minute (0 °C, 101.325 kPa) seen at 20 °C.
    let sccm = LeakRate::from_cm3_min(1.0, Reference::ZERO_CELSIUS_ATMOSPHERE).at_temperature(celsius_0, celsius_20);
    close(sccm.pa_m3_s(), 1.812_400_009_152_480_2e-3, 1e-15);
    assert_eq!(STANDARD_ATMOSPHERE.pascals(), 101_325.0);
    // From the definition: pound-force 4.4482216152605 N, inch 0.0254 m.
    close(PASCALS_PER_PSI, 4.448_221_615_260_5 / (0.0254 * 0.0254), 1e-15);
}

/// Rate B for gas, DN 25: 7.5 mm³/s (ISO 5208 table 4, second-hand). At 101.325 kPa 7.599375e-4 Pa·m³/s; trapped in
/// 20 ml that is 37.996875 Pa/s; at 100 kPa 7.5e-4 and 37.5 (computed).
#[test]
fn a_seat_rate_as_a_fall_of_pressure() {
    let volume = Volume::from_cubic_centimetres(20.0);
    for (pascals, leak, fall) in [(101_325.0, 7.599_375e-4, 37.996_875), (100_000.0, 7.5e-4, 37.5)] {
        let reference = Reference { pressure: AbsolutePressure::from_pascals(pascals), ..Reference::ISO_8778 };
        let limit = LeakRate::from_mm3_s(0.3 * 25.0, reference);
        close(limit.pa_m3_s(), leak, 1e-14);
        close(PressureRate::from_pascals_per_second(-fall).leak_from(volume).pa_m3_s(), leak, 1e-14);
    }
}

/// 40 CFR 1065.644, worked example of a vacuum-decay leak (inputs seen; the printed answer 0.00030 mol/s from memory):
/// 2 l, 25.300 to 50.600 kPa in 70 s at 293.15 K, R = 8.314472: 2.96570468e-4 mol/s (computed).
#[test]
fn vacuum_decay_example() {
    let rate = PressureRate::from_pascals_per_second((50_600.0 - 25_300.0) / 70.0);
    let leak = rate.leak_from(Volume::from_cubic_metres(2e-3));
    close(-leak.pa_m3_s() / (8.314_472 * 293.15), 2.965_704_68e-4, 1e-8);
}
