//! How fast the trapped gas warms or cools by itself, from a rest run: the far side filled, shut, and left alone.
//!
//! Windows of 10 s, 20 s, 40 s, … up to half of the recording follow one another without overlap. The slope of each, by least
//! squares, less that of the background leak, is read as a drift of the gas temperature, `T·(dp/dt)/p` (ideal gas law at constant
//! volume). The mean square over the windows of one length, less what noise alone would show, is the drift's.

use seathold_sequencer::limits::MEASURE_MS_MAX;
use seathold_sequencer::measure::{ReferredLeak, resolution};
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::rig::{BLANK_RUNS_MIN, RawRig};
use seathold_sequencer::units::AbsolutePressure;

use super::ValueWithU;
use super::scatter::TrappedReading;

/// The first settling of the gas is left out: so many time constants, and so many seconds at least (our judgement: after five,
/// less than a hundredth of the transient is left).
const SETTLE_TAUS: f64 = 5.0;
/// See above.
pub const SETTLE_S_MIN: f64 = 60.0;

/// The shortest window, in seconds: what a test takes. A swing of the temperature that is slower is seen in full by every window
/// shorter than it.
pub const WINDOW_S: f64 = 10.0;

/// The shortest rest after settling, and the longest, in seconds: a window of measuring may last an hour.
pub const REST_S_MIN: f64 = 300.0;
/// See above.
pub const REST_S_MAX: f64 = MEASURE_MS_MAX as f64 / 1e3;

/// The fastest drift that a rig may state.
const DRIFT_K_S_MAX: f64 = 1.0;

/// Fewest readings that a window's slope is taken from.
const READINGS_MIN: usize = 5;

/// A window counts where this share of its length has readings at its beginning and end.
const COVERED: f64 = 0.9;

/// The gas left alone, as drift of its temperature.
#[derive(Clone, Debug, PartialEq)]
pub struct Rest {
    /// Drift of each window in K/s, with the variance that noise explains, by the length of the windows.
    lengths: Vec<(f64, Vec<Slope>)>,
    /// What the background leak's own standard uncertainty would show as drift, in K/s.
    pub background_u_k_s: f64,
    /// Over the whole rest, in K/s: whatever is steady.
    pub mean_k_s: f64,
    /// From here to there, in seconds since the gas began to settle.
    pub from_s: f64,
    /// See above.
    pub to_s: f64,
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Slope {
    k_s: f64,
    /// Variance of it that noise alone would give.
    noise: f64,
    /// Standard uncertainty from steps of the converter that noise does not smooth.
    steps: f64,
}

/// What the windows of one length show.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WindowDrift {
    /// Their length, in seconds.
    pub window_s: f64,
    /// How many.
    pub windows: u32,
    /// Root of their mean square, noise taken off, in K/s.
    pub rms_k_s: f64,
    /// The least that they could have shown: the standard uncertainty of that, were there no drift at all.
    pub seen_k_s: f64,
}

impl WindowDrift {
    /// What counts: no less than could have been seen.
    pub fn counted(&self) -> f64 {
        self.rms_k_s.max(self.seen_k_s)
    }
}

/// What several rests show together.
#[derive(Clone, Debug, PartialEq)]
pub struct RestDrift {
    /// By the length of the windows, from the shortest up.
    pub lengths: Vec<WindowDrift>,
    /// The greatest of them: the standard uncertainty of the drift, in K/s.
    pub drift_u_k_s: f64,
    /// How many rests.
    pub runs: u32,
    /// The window length it was found at.
    pub at_window_s: f64,
    /// Whether it is what could have been seen, and no drift that was.
    pub only_seen: bool,
}

/// When the rest begins, in seconds since the gas began to settle.
pub fn settled_s(tau_s: Option<f64>) -> f64 {
    (SETTLE_TAUS * tau_s.unwrap_or(0.0)).max(SETTLE_S_MIN)
}

/// The rig's own leak, where it is known: from one blank run after a long rest. The mean of several is of windows right after
/// filling, with what filling does to the gas; in a rest that is over, and would be taken off for nothing.
pub fn steady_leak(rig: &RawRig) -> Option<ValueWithU> {
    let known = ValueWithU { value: rig.background_pa_m3_s, u: rig.background_u_pa_m3_s };
    (known.value != 0.0 && rig.blank_runs < BLANK_RUNS_MIN).then_some(known)
}

/// A reading as temperature of the gas at constant volume: `T0·(p/p0)·(T0/T)`, T by the thermometer where there is one.
#[derive(Clone, Copy)]
struct Apparent {
    at_s: f64,
    k: f64,
}

/// Reads a rest from trapped readings.
///
/// # Errors
/// When it is too short, or its readings are not of trapped pressure.
pub fn rest(readings: &[TrappedReading], rig: &RawRig, recipe: &RawRecipe, settle_s: f64) -> Result<Rest, String> {
    let begin = readings.partition_point(|reading| reading.at_s < settle_s);
    let readings = readings.get(begin..).unwrap_or_default();
    let (first, last) = match (readings.first(), readings.last()) {
        (Some(first), Some(last)) if last.at_s - first.at_s >= REST_S_MIN - WINDOW_S => (first, last),
        _ => {
            let seconds = readings.last().zip(readings.first()).map_or(0.0, |(last, first)| last.at_s - first.at_s);
            return Err(format!(
                "{seconds:.0} s at rest after {settle_s:.0} s of settling: a rest run takes {REST_S_MIN:.0} s to \
                 {REST_S_MAX:.0} s"
            ));
        }
    };
    let pascals = |reading: &TrappedReading| f64::from(rig.far.pressure(reading.counts).pascals());
    let n = readings.len() as f64;
    let mean_pa = readings.iter().map(pascals).sum::<f64>() / n + rig.atmosphere_pa;
    if !(mean_pa > rig.atmosphere_pa + f64::from(rig.safe_pressure_pa)) {
        return Err(format!(
            "the far side held {:.0} Pa on the average: a rest run needs it filled",
            mean_pa - rig.atmosphere_pa
        ));
    }
    let kelvin = |reading: &TrappedReading| rig.thermometer.map(|t| t.temperature(reading.thermometer).kelvin());
    let kelvins = readings.iter().filter_map(kelvin).sum::<f64>() / n;
    let gas_k = if rig.thermometer.is_some() { kelvins } else { recipe.gas_k };
    if !(150.0..500.0).contains(&gas_k) {
        return Err(format!("the thermometer read {gas_k:.0} K on the average: no gas at rest is 150 K to 500 K away"));
    }
    let zero = f64::from(rig.far.zero_counts);
    let apparent = |reading: &TrappedReading| {
        let absolute = (f64::from(reading.counts) - zero) * rig.far.pa_per_count + rig.atmosphere_pa;
        let taken_out = kelvin(reading).map_or(1.0, |k| gas_k / k);
        Apparent { at_s: reading.at_s, k: gas_k * absolute / mean_pa * taken_out }
    };
    let trace: Vec<Apparent> = readings.iter().map(apparent).collect();
    let pa = AbsolutePressure::from_pascals;
    let referred =
        ReferredLeak::new(pa(mean_pa), pa(f64::from(recipe.target_pa) + rig.atmosphere_pa), pa(rig.atmosphere_pa));
    // What a leak of one Pa·m³/s shows as drift.
    let by_leak = gas_k * gas_k / (rig.far_volume_m3 * recipe.reference_k * referred.factor * mean_pa);
    let known = steady_leak(rig).unwrap_or_default();
    let background = known.value * by_leak;
    let step_k = rig.far.pa_per_count / mean_pa * gas_k;
    let span = last.at_s - first.at_s;
    let mut lengths = Vec::new();
    let mut window_s = WINDOW_S;
    while window_s <= span / 2.0 + 1e-9 {
        let slopes: Vec<Slope> = windows(&trace, window_s).filter_map(|w| slope(w, window_s, step_k)).collect();
        let slopes = slopes.into_iter().map(|one| Slope { k_s: one.k_s + background, ..one });
        lengths.push((window_s, slopes.collect::<Vec<_>>()));
        window_s *= 2.0;
    }
    lengths.retain(|(_, slopes)| !slopes.is_empty());
    let shortest = lengths.first().is_some_and(|(window_s, _)| *window_s == WINDOW_S);
    let slopes = || lengths.iter().flat_map(|(_, slopes)| slopes).map(|slope| slope.k_s.abs());
    if !slopes().all(|k_s| k_s <= DRIFT_K_S_MAX) {
        let fastest = slopes().fold(0.0, f64::max);
        return Err(format!(
            "the gas seems to drift by up to {fastest:.1} K/s, and {DRIFT_K_S_MAX} K/s is the most: this far side was not left \
             alone, or its readings are no good"
        ));
    }
    let whole = slope(&trace, span, step_k).filter(|_| shortest);
    let whole =
        whole.ok_or_else(|| format!("too few readings in windows of {WINDOW_S} s: {READINGS_MIN} are needed"))?;
    Ok(Rest {
        lengths,
        background_u_k_s: known.u * by_leak,
        mean_k_s: whole.k_s + background,
        from_s: first.at_s,
        to_s: last.at_s,
    })
}

/// One after the other, the last one whole.
fn windows(trace: &[Apparent], window_s: f64) -> impl Iterator<Item = &[Apparent]> {
    let (from, to) = (trace.first().map_or(0.0, |r| r.at_s), trace.last().map_or(0.0, |r| r.at_s));
    let count = ((to - from) / window_s + 1e-6).floor() as usize;
    (0..count).map(move |i| {
        let begin = from + i as f64 * window_s;
        let at = |s: f64| trace.partition_point(|reading| reading.at_s < s - 1e-9);
        trace.get(at(begin)..at(begin + window_s)).unwrap_or_default()
    })
}

/// Slope by least squares, and the variance that white noise would give it. The noise is estimated from neighbouring readings,
/// `Σ(difference)²/2(n − 1)` (von Neumann 1941, from memory), or from the residuals where that is less: hum looks larger from
/// reading to reading than it is in a slope.
fn slope(window: &[Apparent], window_s: f64, step_k: f64) -> Option<Slope> {
    let (first, last) = (window.first()?, window.last()?);
    if window.len() < READINGS_MIN || last.at_s - first.at_s < COVERED * window_s {
        return None;
    }
    let n = window.len() as f64;
    let mean = |of: fn(&Apparent) -> f64| window.iter().map(of).sum::<f64>() / n;
    let (mt, mk) = (mean(|r| r.at_s), mean(|r| r.k));
    let tt: f64 = window.iter().map(|r| (r.at_s - mt).powi(2)).sum();
    let tk: f64 = window.iter().map(|r| (r.at_s - mt) * (r.k - mk)).sum();
    let k_s = tk / tt;
    let residuals = window.iter().map(|r| (r.k - mk - k_s * (r.at_s - mt)).powi(2)).sum::<f64>() / (n - 2.0);
    let neighbours = window.windows(2).map(|two| (two[1].k - two[0].k).powi(2)).sum::<f64>() / (2.0 * (n - 1.0));
    let variance = neighbours.min(residuals);
    let steps = step_k * resolution(variance.sqrt() / step_k, window_s);
    Some(Slope { k_s, noise: variance / tt, steps })
}

/// What one or several rests show: of each window length the rests weigh alike, however long they are. `None` without any.
pub fn drift(rests: &[Rest]) -> Option<RestDrift> {
    let mut lengths: Vec<WindowDrift> = Vec::new();
    let mut window_s = WINDOW_S;
    loop {
        let of: Vec<&Vec<Slope>> =
            rests.iter().filter_map(|rest| Some(&rest.lengths.iter().find(|(s, _)| *s == window_s)?.1)).collect();
        if of.is_empty() {
            break;
        }
        lengths.push(pooled(window_s, &of));
        window_s *= 2.0;
    }
    let greatest = lengths.iter().copied().max_by(|a, b| a.counted().total_cmp(&b.counted()))?;
    Some(RestDrift {
        drift_u_k_s: greatest.counted(),
        runs: rests.len() as u32,
        at_window_s: greatest.window_s,
        only_seen: greatest.rms_k_s < greatest.seen_k_s,
        lengths,
    })
}

/// A mean square of n windows of pure noise of variance v has the standard deviation `v·√(2/n)` (χ² with n degrees of freedom,
/// the mean being known): less than that could not be told from none.
fn pooled(window_s: f64, rests: &[&Vec<Slope>]) -> WindowDrift {
    let runs = rests.len() as f64;
    let (mut excess, mut variance, mut windows) = (0.0, 0.0, 0);
    for slopes in rests {
        let n = slopes.len() as f64;
        let mean = |of: fn(&Slope) -> f64| slopes.iter().map(of).sum::<f64>() / n;
        let noise = mean(|slope| slope.noise);
        excess += (mean(|slope| slope.k_s * slope.k_s) - noise) / runs;
        // What steps show is not taken off, since nobody knows where between two of them a reading was; but no less than with
        // them could have been seen.
        let least = (noise + mean(|slope| slope.steps * slope.steps)) * (2.0 / n).sqrt();
        variance += (least / runs).powi(2);
        windows += slopes.len() as u32;
    }
    WindowDrift { window_s, windows, rms_k_s: excess.max(0.0).sqrt(), seen_k_s: variance.sqrt().sqrt() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use seathold_sequencer::rig::Thermometer;

    /// Ten readings a second, in pascals of noise's standard deviation.
    struct Made {
        seconds: u32,
        noise_pa: f64,
        seed: u32,
    }

    const RIG: RawRig = RawRig { background_pa_m3_s: 0.0, ..RawRig::DEMO };

    impl Made {
        /// Trapped gas whose temperature is off by `k(t)`.
        fn readings(&self, k: impl Fn(f64) -> f64) -> Vec<TrappedReading> {
            let mut state = self.seed | 1;
            let mut noise = || {
                // A sum of twelve uniform numbers stands in for a normal one.
                let mut sum = 0.0;
                for _ in 0..12 {
                    state ^= state << 13;
                    state ^= state >> 17;
                    state ^= state << 5;
                    sum += f64::from(state) / f64::from(u32::MAX);
                }
                self.noise_pa * (sum - 6.0)
            };
            let one = |i: u32| {
                let at_s = f64::from(i) / 10.0;
                let absolute = 701_325.0 * (1.0 + k(at_s) / RawRecipe::DEMO.gas_k);
                let counts = RIG.far.counts(absolute - RIG.atmosphere_pa + noise());
                TrappedReading { at_s, counts, thermometer: 0 }
            };
            (0..self.seconds * 10).map(one).collect()
        }

        fn drift(&self, rig: &RawRig, k: impl Fn(f64) -> f64) -> RestDrift {
            drift(&[rest(&self.readings(k), rig, &RawRecipe::DEMO, 0.0).unwrap()]).unwrap()
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(24))]

        /// A steady drift comes back within a tenth, whatever its sign, where noise of 10 s windows is a fifth of it.
        #[test]
        fn a_steady_drift_comes_back(mk_s in 0.5f64..5.0, up: bool, seed: u32) {
            // 0.1 mK/s in a window of 10 s: σ·√(12/n)/10 s.
            let made = Made { seconds: 1_800, noise_pa: 8.0, seed };
            let k_s = if up { mk_s } else { -mk_s } * 1e-3;
            let found = made.drift(&RIG, |t| k_s * t);
            prop_assert!((found.drift_u_k_s / k_s.abs() - 1.0).abs() < 0.1, "{found:?}");
            prop_assert!(!found.only_seen);
        }

        /// So does a slow swing, as the rms of its rate: amplitude·2π/period/√2, seen by the shortest windows.
        #[test]
        fn a_swing_comes_back(amplitude_k in 0.1f64..0.5, period_s in 200.0f64..500.0, seed: u32) {
            let made = Made { seconds: 3_000, noise_pa: 8.0, seed };
            let rate = std::f64::consts::TAU / period_s;
            let found = made.drift(&RIG, |t| amplitude_k * (rate * t).sin());
            let rms = amplitude_k * rate / 2f64.sqrt();
            prop_assert!((found.drift_u_k_s / rms - 1.0).abs() < 0.1, "{found:?} for {rms}");
            prop_assert!(found.at_window_s <= 40.0, "{found:?}");
        }

        /// Noise alone gives about nothing: never less than could have been seen, and under what noise shows in a window of 10 s.
        /// The mean square of 179 windows scatters by a tenth; noise of a third of a step adds to that what steps hide.
        #[test]
        fn noise_alone_is_no_drift(noise_pa in 5.0f64..40.0, seed: u32) {
            let found = Made { seconds: 1_800, noise_pa, seed }.drift(&RIG, |_| 0.0);
            let in_ten_s = noise_pa * (12.0f64 / 100.0).sqrt() / 10.0 * 293.15 / 701_325.0;
            prop_assert!(found.drift_u_k_s < 0.9 * in_ten_s, "{found:?} of {in_ten_s}");
            for length in &found.lengths {
                prop_assert!(found.drift_u_k_s >= length.seen_k_s && length.seen_k_s > 0.0, "{found:?}");
            }
        }
    }

    #[test]
    fn what_could_be_seen_is_the_noise_by_the_degrees_of_freedom() {
        let slopes = vec![Slope { k_s: 0.0, noise: 4e-8, steps: 0.0 }; 32];
        let found = pooled(10.0, &[&slopes]);
        // √(4e-8·√(2/32)) = 1e-4.
        assert_eq!(found.rms_k_s, 0.0);
        assert!((found.seen_k_s - 1e-4).abs() < 1e-12, "{found:?}");
        let two = pooled(10.0, &[&slopes, &slopes]);
        assert!((two.seen_k_s - 1e-4 / 2f64.powf(0.25)).abs() < 1e-12 && two.windows == 64, "{two:?}");
    }

    #[test]
    fn a_known_leak_of_the_rig_is_no_drift_and_an_unknown_one_is_in_full() {
        // 1 mK/s of cooling, as a leak: V·(Tref/T)·p/T·1 mK/s, T = Tref.
        let leak = 45e-6 * 701_325.0 / 293.15 * 1e-3;
        // Noise enough to smooth the converter's steps of 17 Pa: without it they alone could hide a tenth of that.
        let made = Made { seconds: 1_200, noise_pa: 10.0, seed: 3 };
        let unknown = made.drift(&RIG, |t| -1e-3 * t);
        assert!((unknown.drift_u_k_s / 1e-3 - 1.0).abs() < 0.03, "{unknown:?}");
        let known = made.drift(&RawRig { background_pa_m3_s: leak, ..RIG }, |t| -1e-3 * t);
        assert!(known.drift_u_k_s < 1e-4, "{known:?}");
        let mean = made.drift(&RawRig { background_pa_m3_s: leak, blank_runs: 4, ..RIG }, |t| -1e-3 * t);
        assert_eq!(mean.drift_u_k_s, unknown.drift_u_k_s, "it is of windows right after filling");
    }

    #[test]
    fn what_the_thermometer_sees_is_taken_out() {
        let rig = RawRig { thermometer: Some(Thermometer { kelvin_at_zero: 273.15, kelvin_per_count: 1e-3 }), ..RIG };
        let mut readings = Made { seconds: 1_200, noise_pa: 2.0, seed: 3 }.readings(|t| 2e-3 * t);
        for reading in &mut readings {
            reading.thermometer = 20_000 + (2.0 * reading.at_s) as i32;
        }
        let found = drift(&[rest(&readings, &rig, &RawRecipe::DEMO, 0.0).unwrap()]).unwrap();
        assert!(found.drift_u_k_s < 1.5e-4, "{found:?}");
    }

    #[test]
    fn rests_at_several_times_weigh_alike() {
        let of = |seconds, k_s: f64| {
            let readings = Made { seconds, noise_pa: 2.0, seed: 9 }.readings(|t| k_s * t);
            rest(&readings, &RIG, &RawRecipe::DEMO, 0.0).unwrap()
        };
        let found = drift(&[of(600, 2e-3), of(1_200, 0.0)]).unwrap();
        assert!((found.lengths[0].rms_k_s / (2e-3 / 2f64.sqrt()) - 1.0).abs() < 0.03, "{found:?}");
        assert_eq!(found.runs, 2);
    }

    #[test]
    fn what_is_no_rest_is_refused() {
        let short = Made { seconds: 200, noise_pa: 2.0, seed: 1 }.readings(|_| 0.0);
        let refused = |readings: &[TrappedReading], settle| rest(readings, &RIG, &RawRecipe::DEMO, settle).unwrap_err();
        assert!(refused(&short, 60.0).starts_with("140 s at rest after 60 s"), "{}", refused(&short, 60.0));
        assert!(refused(&[], 60.0).starts_with("0 s at rest"));
        let empty: Vec<_> = (0..6_000)
            .map(|i| TrappedReading { at_s: f64::from(i) / 10.0, counts: RIG.far.zero_counts, thermometer: 0 })
            .collect();
        assert!(refused(&empty, 60.0).contains("needs it filled"));
        let lost = |t: f64| if t < 350.0 { 0.0 } else { -4.0 * (t - 350.0) };
        let emptied = Made { seconds: 400, noise_pa: 2.0, seed: 1 }.readings(lost);
        assert!(refused(&emptied, 0.0).contains("not left alone"));
        let sparse: Vec<_> = (0..100u32).map(|i| TrappedReading { at_s: 5.0 * f64::from(i), ..short[0] }).collect();
        assert!(refused(&sparse, 0.0).starts_with("too few readings"));
    }

    #[test]
    fn settling_is_five_time_constants_or_a_minute() {
        assert_eq!((settled_s(None), settled_s(Some(2.0)), settled_s(Some(30.0))), (60.0, 60.0, 150.0));
    }
}
