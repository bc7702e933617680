//! A trace evaluated by the sequencer's own estimator, budget and decision rule, in a single look.

use seathold_sequencer::field::Problem;
use seathold_sequencer::limits::{BLOCKS_MIN, LIFE_SAFES, MEASURE_MS_MAX, SAFE_PA_MAX, TRANSDUCER_PA_MAX};
use seathold_sequencer::measure::{
    BlockedTrace, Compensation, Conditions, CurvePrior, Decision, IntervalSolver, LeakEstimate, Schedule, Settling,
    StepDetector, decide, fit,
};
use seathold_sequencer::recipe::{Model, RawRecipe, Recipe};
use seathold_sequencer::rig::{RawRig, Rig, Thermometer, Transducer};
use seathold_sequencer::time::{Duration, Instant};
use seathold_sequencer::units::{AbsolutePressure, LeakRate, Reference, Temperature};
use seathold_sequencer::verdict::Verdict;

use crate::calibration::TimeConstant;

use super::jumps::first_jump;
use super::liveness::{Lifeless, StuckAt, lifeless};
use super::read::{Trace, TraceRow};
use super::step::step_of;
use super::{test_pressure, test_time};

/// The rig that wrote the trace as far as known, and the limit and risks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TraceConditions {
    /// Absolute pressure of the surroundings, in pascals.
    pub atmosphere_pa: f64,
    /// Trapped gas, in m³.
    pub volume_m3: f64,
    /// Its standard uncertainty, as a ratio.
    pub volume_u_rel: f64,
    /// Standard uncertainty of the gain, as a ratio.
    pub gain_u_rel: f64,
    /// Standard uncertainty of the drift of the gas temperature, in K/s.
    pub temperature_drift_u_k_s: f64,
    /// Background leak of the rig and its standard uncertainty, in Pa·m³/s.
    pub background_pa_m3_s: f64,
    /// See above.
    pub background_u_pa_m3_s: f64,
    /// Temperature of the gas where the trace has none.
    pub gas_k: f64,
    /// The reference conditions of leaks.
    pub reference: Reference,
    /// The limit.
    pub limit: LeakRate,
    /// Risk of calling a valve at the limit tight.
    pub false_accept: f64,
    /// Risk of calling one at the limit leaking.
    pub false_reject: f64,
    /// Coverage of the stated interval.
    pub coverage: f64,
    /// Step of the logger in pascals, where it is known.
    pub step_pa: Option<f64>,
    /// The curves that may be fitted: no τ (profiled), a τ with its uncertainty, or a line.
    pub model: Model,
    /// Time constant of settling, where it is known.
    pub tau: Option<TimeConstant>,
    /// When the valve was shut, in the trace's own time, microseconds; `None` for its first reading.
    pub shut_us: Option<i64>,
    /// Least gauge pressure, in pascals, that the window may begin at.
    pub least_pa: f64,
    /// Greatest.
    pub most_pa: f64,
    /// Shortest window, in seconds, that may be meant where the times' unit is the file's.
    pub least_s: f64,
    /// Longest.
    pub most_s: f64,
}

/// The part of the trace to evaluate, in microseconds of its own time.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct TraceWindow {
    /// From here, or from the beginning.
    pub from_us: Option<i64>,
    /// To here, or to the end.
    pub to_us: Option<i64>,
}

/// Why a window cannot be evaluated.
#[derive(Clone, Debug, PartialEq)]
pub enum WindowError {
    /// A line without a reading.
    Missing {
        /// Line in the file.
        line: u64,
        /// Its time, in seconds.
        at_s: f64,
    },
    /// A gap between readings.
    Gap {
        /// Line after the gap.
        line: u64,
        /// How long, in seconds.
        seconds: f64,
        /// The usual interval, in seconds.
        usual_s: f64,
    },
    /// So many readings in a row are one and the same, where noise elsewhere in the window would have moved them.
    Frozen {
        /// Line of the first.
        line: u64,
        /// How many.
        readings: usize,
        /// Time of the first, in seconds.
        from_s: f64,
        /// Of the last.
        to_s: f64,
        /// Where their value lies among all.
        at: StuckAt,
    },
    /// So many in a hundred of the readings are one and the same, where the scatter of the others would have moved them.
    Sticks {
        /// Rounded down.
        percent: u32,
        /// Where their value lies among all.
        at: StuckAt,
    },
    /// So many in a hundred of the readings are one and the same, noise is too small to tell whether the channel is sound, and
    /// the logger's resolution was not stated.
    Unmoving {
        /// Rounded down.
        percent: u32,
    },
    /// A step or knock.
    Knock {
        /// Line near it.
        line: u64,
        /// Its time, in seconds.
        at_s: f64,
    },
    /// The pressure rises.
    Rise,
}

/// The result.
#[derive(Clone, Debug, PartialEq)]
pub struct TraceResult {
    /// The verdict.
    pub verdict: Verdict,
    /// Why it is void.
    pub void: Option<WindowError>,
    /// The estimate, where there is one.
    pub estimate: Option<LeakEstimate>,
    /// The probability that the true leak lies under the limit, of the distribution that the estimate's interval is of.
    pub probability_under_limit: Option<f64>,
    /// The schedule of looks: a single one.
    pub schedule: Schedule,
    /// Beginning of the window, in seconds of the trace's own time.
    pub from_s: f64,
    /// Its end.
    pub to_s: f64,
    /// Readings in the window.
    pub readings: usize,
    /// Resolution of the logger, in pascals; `None` where its readings lie on no grid.
    pub step_pa: Option<f64>,
    /// Noise from reading to reading, in pascals.
    pub noise_pa: f64,
    /// Longest interval between readings over the usual one.
    pub unevenness: f64,
    /// Curvature of the residuals, in standard errors.
    pub bend: f64,
    /// Mean gauge pressure of the window's readings, in pascals: what it was judged at.
    pub gauge_pa: f64,
    /// The same as absolute pressure.
    pub absolute_pa: f64,
    /// Gas temperature used, in kelvin, and whether it was measured.
    pub gas_k: f64,
    /// See above.
    pub gas_measured: bool,
}

/// An interval so many times the usual one is a gap (our judgement, no source): nothing is known of it.
const GAP: f64 = 5.0;

/// The first so many-th part of a window is its beginning.
const BEGINNING: usize = 10;

/// Readings are turned into at most so many counts, which keeps every sum exact.
const COUNTS_MAX: f64 = 8_388_608.0;

/// Finest count, in pascals: with it the transducer just reaches the least pressure that a recipe may test at.
const COUNT_PA_MIN: f64 = 0.0025;

/// Most counts the sequencer takes a transducer to have.
const TRANSDUCER_COUNTS: f64 = 16_000_000.0;

/// Finest temperature kept, in kelvin.
const KELVIN_STEP: f64 = 1e-5;

/// Evaluates the window of a trace.
///
/// # Errors
/// When the window or the conditions are not valid: a text that says why.
pub fn judge(trace: &Trace, window: TraceWindow, assumed: &TraceConditions) -> Result<TraceResult, String> {
    let rows = cut(trace, window)?;
    let (first, last) = (rows[0], rows[rows.len() - 1]);
    let span_us = last.time_us - first.time_us;
    let least = 2 * BLOCKS_MIN;
    if rows.len() < least {
        return Err(format!("the window holds {} readings; an estimate needs at least {least}", rows.len()));
    }
    let mut intervals: Vec<i64> = rows.windows(2).map(|w| w[1].time_us - w[0].time_us).collect();
    intervals.sort_unstable();
    let usual_us = intervals[intervals.len() / 2].max(1) as f64;
    let longest_us = intervals[intervals.len() - 1] as f64;
    if span_us > i64::from(MEASURE_MS_MAX) * 1_000 {
        let hours = span_us as f64 / 3.6e9;
        let (span_s, usual_s, lengths) = (span_us as f64 / 1e6, usual_us / 1e6, assumed.least_s..=assumed.most_s);
        let likely = trace.time_unit.map_or_else(Vec::new, |unit| test_time::likely(span_s, usual_s, unit, &lengths));
        let likely = if likely.is_empty() {
            String::new()
        } else {
            format!("; if the times are in {}, say so with --time-unit", likely.join(" or "))
        };
        return Err(format!(
            "the window is {hours:.2} h long, and 1 h is the longest; choose a part with --window{likely}"
        ));
    }
    if let Some(unit) = trace.time_unit {
        test_time::refuse(span_us as f64 / 1e6, usual_us / 1e6, unit, &(assumed.least_s..=assumed.most_s))?;
    }

    let readings: Vec<f64> = rows.iter().filter_map(|r| r.pressure_pa).collect();
    let to_gauge = assumed.atmosphere_pa - trace.reference.to_absolute(assumed.atmosphere_pa);
    // Of a leak so great that the window ends empty, the beginning tells what it was tested at.
    if let Some(began) = mean(&readings[..readings.len().div_ceil(BEGINNING)]) {
        test_pressure::refuse(began, to_gauge, trace.pressure.unit, assumed.least_pa..=assumed.most_pa)?;
    }
    let gauge_pa = mean(&readings).map_or(0.0, |mean| mean - to_gauge);
    let step_pa = assumed.step_pa.or_else(|| step_of(readings.iter().copied()));
    let mut judged = TraceResult {
        verdict: Verdict::Void,
        void: None,
        estimate: None,
        probability_under_limit: None,
        schedule: *recipe_for(&rig_for(1.0, assumed, 0.0, None)?, assumed, span_us)?.schedule(),
        from_s: first.time_us as f64 / 1e6,
        to_s: last.time_us as f64 / 1e6,
        readings: rows.len(),
        step_pa,
        noise_pa: 0.0,
        unevenness: longest_us / usual_us,
        bend: 0.0,
        gauge_pa,
        absolute_pa: gauge_pa + assumed.atmosphere_pa,
        gas_k: assumed.gas_k,
        gas_measured: false,
    };
    let missing = |r: &TraceRow| r.pressure_pa.is_none() || (trace.has_temperature && r.kelvin.is_none());
    if let Some(row) = rows.iter().find(|r| missing(r)) {
        judged.void = Some(WindowError::Missing { line: row.line, at_s: row.time_us as f64 / 1e6 });
        return Ok(judged);
    }
    if let Some(pair) = rows.windows(2).find(|w| (w[1].time_us - w[0].time_us) as f64 > GAP * usual_us) {
        let seconds = (pair[1].time_us - pair[0].time_us) as f64 / 1e6;
        judged.void = Some(WindowError::Gap { line: pair[1].line, seconds, usual_s: usual_us / 1e6 });
        return Ok(judged);
    }
    let (low, high) = readings.iter().fold((f64::MAX, f64::MIN), |(l, h), p| (l.min(*p), h.max(*p)));
    let fall_pa = assumed.limit.pa_m3_s() / assumed.volume_m3 * usual_us / 1e6;
    if let Some(found) = lifeless(&readings, step_pa, assumed.step_pa.is_some(), fall_pa) {
        judged.void = Some(no_life(found, rows));
        return Ok(judged);
    }
    // Finer than the logger's own step has no meaning; so fine that sums overflow is no use either.
    let count_pa = step_pa.unwrap_or(0.0).max((high - low) / COUNTS_MAX).max(COUNT_PA_MIN);
    // A thermometer's steps count as the converter's do; where it never moved they are not known.
    let kelvins = rows.iter().filter_map(|row| row.kelvin);
    let thermometer = rows[0].kelvin.map(|kelvin_at_zero| Thermometer {
        kelvin_at_zero,
        kelvin_per_count: step_of(kelvins).unwrap_or(KELVIN_STEP).clamp(KELVIN_STEP, 1.0),
    });
    let rig = rig_for(count_pa, assumed, assumed.volume_m3, thermometer)?;
    let recipe = recipe_for(&rig, assumed, span_us)?;
    finish(judged, trace, rows, &readings, &rig, &recipe, assumed)
}

/// Why a window of a channel that is not seen to live is void.
fn no_life(found: Lifeless, rows: &[TraceRow]) -> WindowError {
    let percent = |times: usize| (times * 100 / rows.len()) as u32;
    let seconds = |index: usize| rows[index].time_us as f64 / 1e6;
    match found {
        Lifeless::Frozen(first, last, at) => {
            let (line, readings) = (rows[first].line, last - first + 1);
            WindowError::Frozen { line, readings, from_s: seconds(first), to_s: seconds(last), at }
        }
        Lifeless::Sticks(times, at) => WindowError::Sticks { percent: percent(times), at },
        Lifeless::Unmoving(times) => WindowError::Unmoving { percent: percent(times) },
    }
}

fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

/// The rows of the window.
fn cut(trace: &Trace, window: TraceWindow) -> Result<&[TraceRow], String> {
    let (from, to) = (window.from_us.unwrap_or(i64::MIN), window.to_us.unwrap_or(i64::MAX));
    let begin = trace.rows.partition_point(|r| r.time_us < from);
    let end = trace.rows.partition_point(|r| r.time_us <= to);
    let rows = trace.rows.get(begin..end).unwrap_or_default();
    if rows.is_empty() {
        let at = |row: Option<&TraceRow>| row.map_or(0.0, |r| r.time_us as f64 / 1e6);
        return Err(format!(
            "no reading in the window; the trace runs from {} s to {} s",
            at(trace.rows.first()),
            at(trace.rows.last())
        ));
    }
    Ok(rows)
}

/// A rig for the sequencer with the properties of the trace's instrument. Limits of a controlled test have no
/// meaning here and are set wide.
fn rig_for(
    count_pa: f64,
    assumed: &TraceConditions,
    volume_m3: f64,
    thermometer: Option<Thermometer>,
) -> Result<Rig, String> {
    let raw = RawRig {
        hard_max_pa: hard_max(count_pa),
        safe_pressure_pa: safe(hard_max(count_pa)),
        safe_dwell_ms: 4_000,
        poll_gap_ms_max: 2_000,
        guard_fitted: false,
        far: Transducer {
            zero_counts: 0,
            pa_per_count: count_pa,
            counts_min: -1,
            counts_max: TRANSDUCER_COUNTS.min((f64::from(TRANSDUCER_PA_MAX) / count_pa).floor()) as i32,
        },
        supply: None,
        thermometer,
        atmosphere_pa: assumed.atmosphere_pa,
        far_volume_m3: if volume_m3 > 0.0 { volume_m3 } else { assumed.volume_m3 },
        far_volume_u_rel: assumed.volume_u_rel,
        gain_u_rel: assumed.gain_u_rel,
        background_pa_m3_s: assumed.background_pa_m3_s,
        background_u_pa_m3_s: assumed.background_u_pa_m3_s,
        temperature_drift_u_k_s: assumed.temperature_drift_u_k_s,
        tau_s: assumed.tau.map(|tau| tau.tau_s),
        tau_u_rel: assumed.tau.map_or(0.0, |tau| tau.u_rel),
        ..RawRig::DEMO
    };
    raw.validate().map_err(|errors| errors.to_string())
}

fn hard_max(count_pa: f64) -> u32 {
    (0.9 * TRANSDUCER_COUNTS * count_pa).clamp(35_000.0, 900_000.0) as u32
}

/// Target and band.
fn aim(hard_max: u32) -> (u32, u32) {
    (hard_max / 10 * 6, (hard_max / 100 * 29).min(200_000))
}

/// The widest safe limit: every test pressure must lie above so many of it.
fn safe(hard_max: u32) -> u32 {
    let (target, band) = aim(hard_max);
    ((target - band - 1) / LIFE_SAFES).min(SAFE_PA_MAX)
}

fn recipe_for(rig: &Rig, assumed: &TraceConditions, span_us: i64) -> Result<Recipe, String> {
    let hard_max = rig.raw().hard_max_pa;
    let measure_ms = u32::try_from(span_us / 1_000).unwrap_or(MEASURE_MS_MAX).clamp(400, MEASURE_MS_MAX);
    let (target_pa, target_tolerance_pa) = aim(hard_max);
    let raw = RawRecipe {
        model: assumed.model,
        target_pa,
        target_tolerance_pa,
        pressure_max_pa: hard_max,
        zero_band_pa: 50,
        zero_ms: 1_000,
        vent_below_pa: 200,
        stroke_time_ms: 50,
        isolate_ms_max: 100,
        vent_ms: 100,
        vent_ms_max: 200,
        settle_ms: 0,
        jump_max_pa: 100_000,
        measure_ms_min: measure_ms,
        measure_ms_max: measure_ms,
        sample_period_ms: 1,
        limit_pa_m3_s: assumed.limit.pa_m3_s(),
        reference_k: assumed.reference.temperature.kelvin(),
        reference_pa: assumed.reference.pressure.pascals(),
        gas_k: assumed.gas_k,
        false_accept: assumed.false_accept,
        false_reject: assumed.false_reject,
        coverage: assumed.coverage,
        ..RawRecipe::DEMO
    };
    raw.validate(rig).map_err(|errors| {
        // The band is not the user's, so a rule about it would tell them nothing.
        let by_limit =
            |problem: &Problem| matches!(problem, Problem::Conflict { with, .. } if with.starts_with("limit"));
        if errors.as_slice().iter().any(|error| error.field == "target_tolerance" && by_limit(&error.problem)) {
            "a leak at the limit would empty such a volume within a fraction of a second: are limit and volume right?"
                .into()
        } else {
            errors.to_string()
        }
    })
}

fn finish(
    mut judged: TraceResult,
    trace: &Trace,
    rows: &[TraceRow],
    readings: &[f64],
    rig: &Rig,
    recipe: &Recipe,
    assumed: &TraceConditions,
) -> Result<TraceResult, String> {
    let has_temperature = trace.has_temperature;
    // The transient begins when the valve is shut; unless told otherwise, that is when the trace begins.
    let first_us = trace.rows.first().map_or(rows[0].time_us, |row| row.time_us);
    let began_us = assumed.shut_us.unwrap_or(first_us);
    let waited_s = (rows[0].time_us - began_us) as f64 / 1e6;
    if waited_s < 0.0 {
        return Err(format!(
            "the window begins at {} s, and the valve was shut at {} s only: evaluate from there on (--window)",
            rows[0].time_us as f64 / 1e6,
            began_us as f64 / 1e6
        ));
    }
    let count_pa = rig.raw().far.pa_per_count;
    let (origin_us, origin_pa) = (rows[0].time_us, readings[0]);
    let kelvin_0 = rows[0].kelvin.unwrap_or(assumed.gas_k);
    let at = |row: &TraceRow| Instant::from_ticks(row.time_us.abs_diff(origin_us));
    let counts = |pa: f64| ((pa - origin_pa) / count_pa).round() as i32;
    let thermometer = |row: &TraceRow| row.kelvin.map_or(0, |k| ((k - kelvin_0) / KELVIN_STEP).round() as i32);

    let mut folded = BlockedTrace::new();
    for (row, pa) in rows.iter().zip(readings) {
        folded.push(at(row), counts(*pa), thermometer(row));
    }
    let jump = first_jump(readings, count_pa).and_then(|place| rows.get(place));
    if let Some(row) = jump.or_else(|| find_step(rows, readings, count_pa)) {
        judged.void = Some(WindowError::Knock { line: row.line, at_s: row.time_us as f64 / 1e6 });
        return Ok(judged);
    }
    let to_absolute = trace.reference.to_absolute(assumed.atmosphere_pa);
    let compensation = has_temperature.then_some(Compensation {
        first_absolute_counts: (origin_pa + to_absolute) / count_pa,
        kelvin_at_zero: kelvin_0,
        kelvin_per_count: KELVIN_STEP,
    });
    let curves: CurvePrior = *recipe.curves();
    judged.noise_pa = folded.noise_counts() * count_pa;
    if has_temperature {
        judged.gas_k = rows.iter().filter_map(|r| r.kelvin).sum::<f64>() / rows.len() as f64;
        judged.gas_measured = true;
    }
    // Nobody knows how long it had been fed.
    let settling = Settling { absolute_counts: (origin_pa + to_absolute) / count_pa, ..Settling::unknown(waited_s) };
    let Some(fitted) = fit(curves, compensation, settling, &folded) else {
        judged.verdict = Verdict::Undecided;
        return Ok(judged);
    };
    let mean_pa = readings.iter().sum::<f64>() / readings.len() as f64 + to_absolute;
    let conditions = Conditions {
        rig,
        recipe,
        gas: Temperature::from_kelvin(judged.gas_k),
        pressure: AbsolutePressure::from_pascals(mean_pa),
        // A trace says of no other pressure that a leak should be stated at.
        target: AbsolutePressure::from_pascals(mean_pa),
        noise_counts: folded.noise_counts(),
    };
    let estimate = LeakEstimate::new(&fitted, &conditions);
    let distribution = IntervalSolver::new(&fitted, &conditions);
    judged.bend = fitted.curvature_z;
    judged.estimate = Some(estimate);
    judged.probability_under_limit = Some(distribution.conformance_probability(recipe.limit()));
    judged.schedule = *recipe.schedule();
    judged.verdict = match decide(&estimate, recipe.limit(), recipe.schedule()) {
        Decision::Tight => Verdict::Tight,
        Decision::Leaking => Verdict::Leaking,
        Decision::Open => Verdict::Undecided,
        Decision::Rising => {
            judged.void = Some(WindowError::Rise);
            Verdict::Void
        }
    };
    Ok(judged)
}

/// Where a step or knock shows, by the sequencer's own detector. A slope looks like one to it where readings come
/// unevenly, so the straight part is taken off first.
fn find_step<'a>(rows: &'a [TraceRow], readings: &[f64], count_pa: f64) -> Option<&'a TraceRow> {
    let n = rows.len() as f64;
    let seconds = |row: &TraceRow| (row.time_us - rows[0].time_us) as f64 / 1e6;
    let mean_t = rows.iter().map(seconds).sum::<f64>() / n;
    let mean_p = readings.iter().sum::<f64>() / n;
    let (mut tt, mut tp) = (0.0, 0.0);
    for (row, pa) in rows.iter().zip(readings) {
        let t = seconds(row) - mean_t;
        tt += t * t;
        tp += t * (pa - mean_p);
    }
    let slope = tp / tt;
    let between_us =
        rows.last().map_or(0, |last| last.time_us.abs_diff(rows[0].time_us)) / (rows.len() as u64 - 1).max(1);
    let per_mean = StepDetector::samples_per_mean(Duration::from_ticks(between_us));
    // Two detectors, half a mean apart: a step in the middle of a mean shows only half as clearly to one of them.
    let (mut watch, mut late, mut level) = (StepDetector::NEW, StepDetector::NEW, BlockedTrace::new());
    rows.iter().zip(readings).enumerate().find_map(|(i, (row, pa))| {
        let flat = (pa - mean_p - slope * (seconds(row) - mean_t)) / count_pa;
        let counts = flat.round() as i32;
        let found =
            watch.push(counts, per_mean, &level) | (i >= per_mean as usize / 2 && late.push(counts, per_mean, &level));
        level.push(Instant::from_ticks(row.time_us.abs_diff(rows[0].time_us)), counts, 0);
        found.then_some(row)
    })
}
