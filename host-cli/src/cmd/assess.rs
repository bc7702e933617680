//! `seathold assess`: evaluates a trace of any data logger.

use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};
use seathold_analysis::advice;
use seathold_analysis::calibration::TimeConstant;
use seathold_analysis::trace::{
    self, PressureReference, StuckAt, Trace, TraceConditions, TraceFormat, TraceResult, WindowError,
};
use seathold_config::recipe;
use seathold_quantity::Dimension;
use seathold_quantity::limit::Limit;
use seathold_recording::header::DisplayUnits;
use seathold_recording::plain::shown;
use seathold_sequencer::field::Unit;
use seathold_sequencer::limits::{HARD_MAX_PA, MEASURE_MS_MAX};
use seathold_sequencer::measure::{Contribution, Curve, LeakEstimate, advise};
use seathold_sequencer::rate_class::LOW_PRESSURE_TEST_PA;
use seathold_sequencer::recipe::{Model, RawRecipe};
use seathold_sequencer::units::{AbsolutePressure, LeakRate, Reference, Temperature};
use seathold_sequencer::verdict::Verdict;
use seathold_text::drift_margin::{DriftMargin, DriftSource, drift_margin};
use seathold_text::layout::{line, percent};
use seathold_text::messages::{FourDigits, UnitFormat, verdict_word};
use serde_json::{Value, json};

use super::named_files::unfit;
use super::trace_args::{TraceArgs, TypedTimes};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::quantity_args::QuantityArgs;
use crate::schema::{self, JsonKind};

/// `--model`.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum ModelArg {
    /// A line and a settling transient.
    LineAndTransient,
    /// A straight line.
    Line,
}

/// `seathold assess`.
#[derive(Debug, Args)]
#[command(
    after_help = "The header names the columns with their units, like \"Time [s]\", \"p / kPa\" or \"temperature_k\"; \
    times may be clock times. Cells are separated by commas, semicolons or tabs; decimal commas are understood unless \
    commas separate the cells. The pressure that was judged at stands first: see that it is the one you tested at. Exit \
    codes are those of `seathold run`."
)]
pub struct AssessArgs {
    #[command(flatten)]
    pub trace: TraceArgs,

    /// Gas volume that the pressure was trapped in, like "45 cm3"
    #[arg(long, value_name = "VOLUME", help_heading = "The rig")]
    pub volume: String,
    /// Standard uncertainty of the volume, as a ratio
    #[arg(long, value_name = "RATIO", default_value = "2 %", help_heading = "The rig")]
    pub volume_u: String,
    /// Standard uncertainty of the sensor gain, as a ratio
    #[arg(long, value_name = "RATIO", default_value = "0.2 %", help_heading = "The rig")]
    pub gain_u: String,
    /// Standard uncertainty of the gas temperature drift, from a rest run [default: 0.2 mK/s]
    #[arg(long, value_name = "K/s", help_heading = "The rig")]
    pub temperature_drift_u: Option<String>,
    /// Background leak of the rig, from a blank run, to be subtracted
    #[arg(long, value_name = "LEAK", default_value = "0 mm3/s", allow_hyphen_values = true, help_heading = "The rig")]
    pub background: String,
    /// Its standard uncertainty
    #[arg(long, value_name = "LEAK", default_value = "0 mm3/s", help_heading = "The rig")]
    pub background_u: String,

    /// Recipe that the trace was to be tested by: its limit, risks, coverage and reference conditions, where no option
    /// says otherwise, and its target as the pressure to be tested at
    #[arg(long, value_name = "FILE", help_heading = "The question")]
    pub recipe: Option<PathBuf>,
    /// Least gauge pressure at the beginning of the window [default: the recipe's target less its tolerance; else 0.2 bar]
    #[arg(long, value_name = "PRESSURE", allow_hyphen_values = true, help_heading = "The question")]
    pub pressure_min: Option<String>,
    /// Greatest one [default: the recipe's target and its tolerance; else 10 bar]
    #[arg(long, value_name = "PRESSURE", allow_hyphen_values = true, help_heading = "The question")]
    pub pressure_max: Option<String>,
    /// Greatest leak allowed: "7.5 mm3/s", or a class like "ISO 5208 rate B DN 25"
    #[arg(long, value_name = "LEAK|CLASS", required_unless_present = "recipe", help_heading = "The question")]
    pub limit: Option<String>,
    /// Nominal size, DN or NPS, for a class that names none
    #[arg(long, value_name = "N|NPS", value_parser = seathold_quantity::pipe_size::dn, help_heading = "The question")]
    pub dn: Option<u32>,
    /// Temperature that leaks are counted at [default: 20 C, ISO 8778]
    #[arg(long, value_name = "TEMPERATURE", allow_hyphen_values = true, help_heading = "The question")]
    pub reference_temperature: Option<String>,
    /// Absolute pressure that leaked volumes are counted at [default: 100 kPa, ISO 8778]
    #[arg(long, value_name = "PRESSURE", help_heading = "The question")]
    pub reference_pressure: Option<String>,
    /// Risk of calling a valve at the limit tight [default: 1 %]
    #[arg(long, value_name = "RATIO", help_heading = "The question")]
    pub false_accept: Option<String>,
    /// Risk of calling a valve at the limit leaking [default: 1 %]
    #[arg(long, value_name = "RATIO", help_heading = "The question")]
    pub false_reject: Option<String>,
    /// Coverage of the stated interval [default: 95 %]
    #[arg(long, value_name = "RATIO", help_heading = "The question")]
    pub coverage: Option<String>,

    /// Settling time constant of the gas, from a blank run [default: looked for between 0.5 s and 20 s]
    #[arg(long, value_name = "TIME", help_heading = "The curve")]
    pub tau: Option<String>,
    /// Its standard uncertainty, as a ratio
    #[arg(long, value_name = "RATIO", default_value = "10 %", help_heading = "The curve")]
    pub tau_u: String,
    /// The curve: transient (a line and a settling transient), or line, only where the gas had long settled
    #[arg(long, value_enum, hide_possible_values = true, default_value_t = ModelArg::LineAndTransient, help_heading = "The curve")]
    pub model: ModelArg,

    /// One JSON object
    #[arg(long, help_heading = "Output")]
    pub json: bool,
}

/// The arguments, parsed and checked.
struct Assessment {
    assumed: TraceConditions,
    format: TraceFormat,
    times: TypedTimes,
    limit: Limit,
}

/// `seathold assess`.
pub(super) fn run(args: &AssessArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let mut question = question(args)?;
    let file = &args.trace.file;
    let trace = trace::read(file, &question.format)?;
    let (window, shut_us) = question.times.of(&trace).map_err(Error::usage)?;
    question.assumed.shut_us = shut_us;
    let judged = trace::judge(&trace, window, &question.assumed).map_err(|why| unfit(file, why))?;
    if args.json {
        schema::write(console, JsonKind::Assess, as_json(args, &question, &trace, &judged))?;
    } else {
        write!(console.out, "{}", text(args, &question, &trace, &judged))?;
    }
    Ok(judged.verdict.into())
}

/// The risks where neither an option nor a recipe says them.
const RISK: f64 = 0.01;
const COVERAGE: f64 = 0.95;
/// The least pressure, in pascals, that a recipe may test at.
const PRESSURE_MIN_PA: f64 = 20_000.0;

/// Lengths of a window, in seconds, that its times may be meant by: what a recipe may measure for at all, and a tenth to ten
/// times of what this one does. Units of time are a factor of 60 and more apart (our judgement).
fn lengths(recipe: Option<&RawRecipe>) -> (f64, f64) {
    let (least, most) = (0.4, f64::from(MEASURE_MS_MAX) / 1e3);
    recipe.map_or((least, most), |raw| {
        let [min, max] = [raw.measure_ms_min, raw.measure_ms_max].map(|ms| f64::from(ms) / 1e3);
        ((min / 10.0).max(least), (max * 10.0).min(most))
    })
}

/// What a recipe says, and the unit of its limit.
fn of_recipe(path: &Path) -> Result<(RawRecipe, Limit), Error> {
    let (raw, units) = recipe::without_rig_as_written(path)?;
    let leaks = Dimension(Unit::PascalCubicMetrePerSecond);
    let symbol = leaks.symbol(&units.leak).unwrap_or(leaks.usual());
    Ok((raw, Limit { leak: LeakRate::from_pa_m3_s(raw.limit_pa_m3_s), symbol, class: None }))
}

fn question(args: &AssessArgs) -> Result<Assessment, Error> {
    let by_recipe = args.recipe.as_deref().map(of_recipe).transpose()?;
    let raw = by_recipe.as_ref().map(|(raw, _)| raw);
    let mut o = QuantityArgs::default();
    let mut reference = o.reference(args.reference_temperature.as_deref(), args.reference_pressure.as_deref());
    if let Some(raw) = raw {
        o.reference_of_recipe();
        let Reference { temperature, pressure } = &mut reference;
        if args.reference_temperature.is_none() {
            *temperature = Temperature::from_kelvin(raw.reference_k);
        }
        if args.reference_pressure.is_none() {
            *pressure = AbsolutePressure::from_pascals(raw.reference_pa);
        }
    }
    let at = reference.pressure.pascals();
    let limit = match &args.limit {
        Some(typed) => o.limit(typed, args.dn, reference),
        None => by_recipe.as_ref().map(|(_, limit)| limit.clone()),
    };
    let leak = Unit::PascalCubicMetrePerSecond;
    let background = o.quantity_in("--background", leak, &args.background, &(-0.1..=0.1), at);
    let background_u = o.quantity_in("--background-u", leak, &args.background_u, &(0.0..=0.1), at);
    let risk = 1e-6..=0.25;
    let tau = o.maybe("--tau", Unit::Second, args.tau.as_deref(), 0.1..=600.0);
    let tau_u = o.quantity("--tau-u", Unit::Ratio, &args.tau_u, 0.0..=0.5);
    let (format, times) = (args.trace.format(&mut o), args.trace.times(&mut o));
    let (least, most) = raw.map_or((PRESSURE_MIN_PA, f64::from(HARD_MAX_PA)), |raw| {
        let (target, within) = (f64::from(raw.target_pa), f64::from(raw.target_tolerance_pa));
        (target - within, target + within)
    });
    let (least_s, most_s) = lengths(raw);
    let (low, high) = (args.pressure_min.as_deref(), args.pressure_max.as_deref());
    let pressures = -110_000.0..=1e9;
    let assumed = TraceConditions {
        atmosphere_pa: o.quantity("--atmosphere", Unit::PascalAbsolute, &args.trace.atmosphere, 50_000.0..=110_000.0),
        volume_m3: o.quantity("--volume", Unit::CubicMetre, &args.volume, 1e-7..=0.1),
        volume_u_rel: o.quantity("--volume-u", Unit::Ratio, &args.volume_u, 0.0..=0.5),
        gain_u_rel: o.quantity("--gain-u", Unit::Ratio, &args.gain_u, 0.0..=0.1),
        temperature_drift_u_k_s: o.quantity(
            "--temperature-drift-u",
            Unit::KelvinPerSecond,
            drift_typed(args),
            0.0..=1.0,
        ),
        background_pa_m3_s: background.map_or(0.0, |(v, _)| v),
        background_u_pa_m3_s: background_u.map_or(0.0, |(v, _)| v),
        gas_k: o.quantity("--gas-temperature", Unit::Kelvin, &args.trace.gas_temperature, 250.0..=350.0),
        reference,
        limit: limit.as_ref().map(|l| l.leak).unwrap_or_default(),
        false_accept: o
            .maybe("--false-accept", Unit::Ratio, args.false_accept.as_deref(), risk.clone())
            .unwrap_or(raw.map_or(RISK, |raw| raw.false_accept)),
        false_reject: o
            .maybe("--false-reject", Unit::Ratio, args.false_reject.as_deref(), risk)
            .unwrap_or(raw.map_or(RISK, |raw| raw.false_reject)),
        coverage: o
            .maybe("--coverage", Unit::Ratio, args.coverage.as_deref(), 0.8..=0.9999)
            .unwrap_or(raw.map_or(COVERAGE, |raw| raw.coverage)),
        step_pa: o.maybe("--resolution", Unit::PascalRms, args.trace.resolution.as_deref(), 0.001..=100_000.0),
        model: match args.model {
            ModelArg::Line => Model::Line,
            ModelArg::LineAndTransient => Model::LineAndTransient,
        },
        tau: tau.map(|tau_s| TimeConstant { tau_s, u_rel: tau_u }),
        shut_us: None,
        least_pa: o.maybe("--pressure-min", Unit::Pascal, low, pressures.clone()).unwrap_or(least),
        most_pa: o.maybe("--pressure-max", Unit::Pascal, high, pressures).unwrap_or(most),
        least_s,
        most_s,
    };
    if assumed.most_pa <= assumed.least_pa {
        o.wrong("--pressure-min: not below --pressure-max, or what stands for it");
    }
    o.finish()?;
    limit.map(|limit| Assessment { assumed, format, times, limit }).ok_or(Error::usage("--limit: give one"))
}

/// Of a trace by an unknown rig nothing is known of its drift.
const DRIFT_ASSUMED: &str = "0.2 mK/s";

fn drift_typed(args: &AssessArgs) -> &str {
    args.temperature_drift_u.as_deref().unwrap_or(DRIFT_ASSUMED)
}

/// The drift of the gas temperature at which the verdict would fall. A trace states a leak at its own pressure.
fn margin(question: &Assessment, judged: &TraceResult) -> Option<DriftMargin> {
    let (estimate, assumed) = (judged.estimate.as_ref()?, &question.assumed);
    let at = judged.absolute_pa;
    drift_margin(
        estimate,
        judged.verdict,
        question.limit.leak.pa_m3_s(),
        &judged.schedule,
        assumed.volume_m3,
        (at, at, assumed.atmosphere_pa),
        (judged.gas_k, assumed.reference.temperature.kelvin()),
        assumed.temperature_drift_u_k_s,
    )
}

const fn drift_from(args: &AssessArgs) -> DriftSource {
    if args.temperature_drift_u.is_some() { DriftSource::Typed } else { DriftSource::RigFile }
}

fn units(question: &Assessment, trace: &Trace) -> UnitFormat {
    let reference = question.assumed.reference;
    let recipe = RawRecipe {
        reference_pa: reference.pressure.pascals(),
        reference_k: reference.temperature.kelvin(),
        ..RawRecipe::DEMO
    };
    // Pascals have too many digits to see at once whether it is the pressure that was tested at.
    let pressure = if trace.pressure.unit.text == "Pa" { "bar" } else { trace.pressure.unit.text };
    UnitFormat::new(&recipe, &DisplayUnits { leak: question.limit.symbol.text.into(), pressure: pressure.into() })
}

const fn model(estimate: &LeakEstimate) -> &'static str {
    match estimate.curve {
        Curve::Line => "line",
        Curve::Transient { .. } => "line-and-transient",
    }
}

/// The slope's own expanded uncertainty: the part of the budget from the trace itself, and the gain.
fn slope_expanded(question: &Assessment, judged: &TraceResult, estimate: &LeakEstimate) -> f64 {
    let b = &estimate.budget;
    if b.combined <= 0.0 {
        return 0.0;
    }
    let squares = b.fit * b.fit + b.curve * b.curve + b.resolution * b.resolution + b.gain * b.gain;
    let k = estimate.expanded.pa_m3_s() / b.combined;
    // The factor from slope to leak.
    let scale = question.assumed.volume_m3 * question.assumed.reference.temperature.kelvin() / judged.gas_k;
    k * squares.sqrt() / scale
}

fn void_words(void: &WindowError) -> String {
    match void {
        WindowError::Missing { line, at_s } => {
            format!("line {line}: no reading at {at_s} s; nothing is known of that time. Choose a --window without it")
        }
        WindowError::Gap { line, seconds, usual_s } => format!(
            "line {line}: nothing for {seconds} s before it, where readings come every {usual_s} s; nothing is known \
             of that time. Choose a --window on one side of it"
        ),
        WindowError::Frozen { line, readings, from_s, to_s, at } => format!(
            "line {line}: {readings} readings in a row, from {from_s} s to {to_s} s, are one and the same{}, and noise as in the \
             others leaves them so less often than once in 10 000 windows: the channel froze there{}. Choose a --window \
             without them",
            extreme_words(*at),
            clipped_words(*at)
        ),
        WindowError::Sticks { percent, at } => format!(
            "{percent} % of the readings are one and the same{}, and scatter as that of the others leaves so many so less often \
             than once in 10 000 windows: the channel sticks, and flickers{}. Choose a --window in which it moves",
            extreme_words(*at),
            clipped_words(*at)
        ),
        WindowError::Unmoving { percent } => {
            let what =
                if *percent < 100 { format!("{percent} % of the readings are") } else { "every reading is".into() };
            format!(
                "{what} one and the same, and noise is under half a step: the transducer or the logger's channel may stick, or \
                 its step is too coarse to show that it lives. If it is sound, say how fine it reads with --resolution; a \
                 leak that moves it by less than a step still cannot be excluded, and widens the answer"
            )
        }
        WindowError::Knock { line, at_s } => format!(
            "line {line}: a step or knock shows at about {at_s} s, which no leak makes. Choose a --window on one side \
             of it"
        ),
        WindowError::Rise => {
            "the pressure rises by more than its uncertainty: something feeds the volume or warms the gas, and would \
                       hide a leak"
                .into()
        }
    }
}

const fn extreme_words(at: StuckAt) -> &'static str {
    match at {
        StuckAt::Least => ", the least of all",
        StuckAt::Greatest => ", the greatest of all",
        StuckAt::Between => "",
    }
}

const fn clipped_words(at: StuckAt) -> &'static str {
    match at {
        StuckAt::Least => ", or is clipped at the bottom of its range",
        StuckAt::Greatest => ", or is clipped at the top of its range",
        StuckAt::Between => "",
    }
}

fn as_json(args: &AssessArgs, question: &Assessment, trace: &Trace, judged: &TraceResult) -> Value {
    let estimate = judged.estimate.as_ref();
    let limit = &question.limit;
    let reference = question.assumed.reference;
    let budget = estimate.map(|f| {
        let b = &f.budget;
        json!({
            "fit": b.fit, "curve": b.curve, "resolution": b.resolution, "volume": b.volume, "gain": b.gain,
            "temperature": b.temperature, "background": b.background, "law": b.law, "combined": b.combined, "guard": b.guard,
            "effective_degrees_of_freedom": b.dof,
        })
    });
    let tau = estimate.and_then(|f| match f.curve {
        Curve::Line => None,
        Curve::Transient { tau_s } => Some(tau_s),
    });
    let undecided = estimate.filter(|_| judged.verdict == Verdict::Undecided);
    let advice = undecided.map(|f| advise(f, limit.leak, &judged.schedule));
    let drift = margin(question, judged);
    let mut notes = notes(question, trace, judged);
    notes.extend(drift.map(|margin| margin.words(drift_from(args))));
    notes.push(format!("assumed: {}", assumed(args, judged)));
    json!({
        "verdict": verdict_word(judged.verdict),
        "exit": Exit::from(judged.verdict).code(),
        "void_because": judged.void.as_ref().map(void_words),
        "leak_pa_m3_s": estimate.map(|f| f.leak.pa_m3_s()),
        "expanded_pa_m3_s": estimate.map(|f| f.expanded.pa_m3_s()),
        "coverage": question.assumed.coverage,
        "probability_under_limit": judged.probability_under_limit,
        "limit_pa_m3_s": limit.leak.pa_m3_s(),
        "limit_class": limit.class.map(|c| c.name()),
        "reference_temperature_k": reference.temperature.kelvin(),
        "reference_pressure_pa": reference.pressure.pascals(),
        "slope_pa_s": estimate.map(|f| f.slope.pascals_per_second()),
        "slope_expanded_pa_s": estimate.map(|f| slope_expanded(question, judged, f)),
        "window_s": judged.to_s - judged.from_s,
        "window_from_s": judged.from_s,
        "window_to_s": judged.to_s,
        "readings": judged.readings,
        "pressure_pa": judged.gauge_pa,
        "absolute_pa": judged.absolute_pa,
        "pressure_column": trace.pressure.name,
        "pressure_unit": trace.pressure.unit.text,
        "pressure_reference": trace.reference.name(),
        "model": estimate.map(model),
        "tau_s": tau,
        "resolution_pa": judged.step_pa,
        "noise_pa": judged.noise_pa,
        "gas_temperature_k": judged.gas_k,
        "uncertainty_budget_pa_m3_s": budget,
        "advice": advice,
        "drift_margin": drift.map(|margin| json!({
            "falls_when": if margin.warming { "warming" } else { "cooling" },
            "falls_at_k_s": margin.k_s,
            "drift_u_k_s": margin.assumed_k_s,
        })),
        "notes": notes,
    })
}

fn text(args: &AssessArgs, question: &Assessment, trace: &Trace, judged: &TraceResult) -> String {
    let units = units(question, trace);
    let limit = &question.limit;
    let verdict = verdict_word(judged.verdict).to_uppercase();
    let at = pressure_words(&units, judged.gauge_pa);
    let over = FourDigits(judged.to_s - judged.from_s);
    let file = args.trace.file.display().to_string();
    let mut out = format!("{}  judged at {at} gauge over {over} s: {verdict}\n", shown(&file));
    line(&mut out, "pressure", &format!("mean of the window, {}", column_words(trace)));
    if let Some(other) = other_than_standard(question, &units, judged) {
        line(&mut out, "", &other);
    }
    if let Some(vented) = like_the_surroundings(question, trace, judged) {
        line(&mut out, "", &vented);
    }
    let allowed = units.limit(limit.leak.pa_m3_s());
    match &judged.estimate {
        Some(estimate) => {
            line(&mut out, "leak", &format!("{}   (limit {allowed})", units.leak(estimate)));
            if let (None, Some(probability)) = (&judged.void, judged.probability_under_limit) {
                line(&mut out, "", &format!("under the limit with a probability of {}", likely(probability)));
            }
            if let Some(margin) = margin(question, judged) {
                line(&mut out, "drift", &margin.words(drift_from(args)));
            }
        }
        None => line(&mut out, "leak", &format!("no figure   (limit {allowed})")),
    }
    if let Some(void) = &judged.void {
        line(&mut out, "void", &void_words(void));
    }
    if let Some(class) = limit.class {
        line(&mut out, "limit", &format!("{}: {}", class.name(), class.source()));
    }
    if let Some(shorter) = shorter_than_standard(question, judged) {
        line(&mut out, "", &shorter);
    }
    if let Some(estimate) = &judged.estimate {
        write_figure(&mut out, question, judged, estimate);
    }
    write_window(&mut out, trace, judged);
    let counted = format!("leaks are counted at {}", units.reference());
    line(
        &mut out,
        "figures",
        &format!("{counted}; ± covers the true value with {} %", percent(question.assumed.coverage)),
    );
    line(&mut out, "assumed", &assumed(args, judged));
    if judged.verdict == Verdict::Undecided {
        let next = match &judged.estimate {
            Some(estimate) => advice::words(&advise(estimate, limit.leak, &judged.schedule)),
            None => "no curve can be fitted to these readings: take a longer window with more of them".into(),
        };
        line(&mut out, "next", &next);
    }
    out
}

fn pressure_words(units: &UnitFormat, pascals: f64) -> String {
    units.pressure(pascals.round() as i32)
}

/// Where the pressures come from.
fn column_words(trace: &Trace) -> String {
    let column = &trace.pressure;
    format!("read from \"{}\" as {}, {}", column.name, column.unit.text, trace.reference.name())
}

/// Where the window is not at the pressure of a standard's test.
fn other_than_standard(question: &Assessment, units: &UnitFormat, judged: &TraceResult) -> Option<String> {
    let class = question.limit.class?;
    let (least, most) = LOW_PRESSURE_TEST_PA;
    let within = f64::from(least)..=f64::from(most);
    (!within.contains(&judged.gauge_pa)).then(|| {
        format!(
            "{} tests with gas at 6 bar ± 1 bar gauge, or 1.1 × the allowable pressure if lower (to be checked there); \
             this window is at {}",
            class.standard.name(),
            pressure_words(units, judged.gauge_pa)
        )
    })
}

/// Atmospheric pressures of places with workshops: from 3000 m up (70.1 kPa: ISO 2533, from memory) to an anticyclone at sea
/// level.
const SURROUNDINGS_PA: std::ops::RangeInclusive<f64> = 70_000.0..=106_000.0;

/// Where what is taken for gauge pressure is about the surroundings' own, in the window or where the trace begins or ends: that
/// an absolute transducer reads on a vented far side, and such a window is tight.
fn like_the_surroundings(question: &Assessment, trace: &Trace, judged: &TraceResult) -> Option<String> {
    if trace.reference != PressureReference::Gauge {
        return None;
    }
    let atmosphere = question.assumed.atmosphere_pa;
    let like = |pa: &f64| SURROUNDINGS_PA.contains(pa) || (pa / atmosphere - 1.0).abs() < 0.05;
    let mut read = trace.rows.iter().filter_map(|row| row.pressure_pa);
    let (began, ended) = (read.next(), read.next_back());
    let places =
        [(Some(judged.gauge_pa), "in the window"), (began, "at the trace's beginning"), (ended, "at the trace's end")];
    let (pa, place) = places.into_iter().find_map(|(pa, place)| Some((pa.filter(like)?, place)))?;
    Some(format!(
        "mind: {:.3} bar, {place}, is what an absolute transducer reads with the far side vented; if this one is absolute, say \
         --absolute",
        pa / 1e5
    ))
}

/// A probability, without meaningless digits.
fn likely(probability: f64) -> String {
    match probability * 100.0 {
        p if p > 99.9 => "over 99.9 %".into(),
        p if p < 0.1 => "under 0.1 %".into(),
        p => format!("{p:.1} %"),
    }
}

fn write_figure(out: &mut String, question: &Assessment, judged: &TraceResult, estimate: &LeakEstimate) {
    let slope = estimate.slope.pascals_per_second();
    line(
        out,
        "slope",
        &format!(
            "{} Pa/s",
            seathold_text::messages::with_half_width(slope, slope_expanded(question, judged, estimate))
        ),
    );
    let curve = match estimate.curve {
        Curve::Line => "a line".into(),
        Curve::Transient { tau_s } => format!("a line and a transient with a settling time constant of {tau_s:.2} s"),
    };
    let stretch = if estimate.autocorrelation_percent > 100 {
        format!(
            "; noise is autocorrelated, so its share is multiplied by {:.2}",
            f64::from(estimate.autocorrelation_percent) / 100.0
        )
    } else {
        String::new()
    };
    line(out, "model", &format!("{curve}{stretch}"));
    if let Some(wandering) = seathold_text::messages::wandering(estimate) {
        line(out, "", &wandering);
    }
    if let Some(bent) = bent(judged) {
        line(out, "", bent);
    }
    let whole = estimate.budget.combined * estimate.budget.combined;
    let mut shares: Vec<(f64, Contribution)> = Contribution::ALL
        .iter()
        .map(|t| (if whole > 0.0 { t.of(&estimate.budget).powi(2) / whole } else { 0.0 }, *t))
        .collect();
    shares.sort_by(|a, b| b.0.total_cmp(&a.0));
    let terms: Vec<String> = shares
        .iter()
        .filter(|(share, _)| *share >= 0.005)
        .map(|(share, term)| format!("{} {:.0} %", seathold_text::messages::contribution_name(*term), share * 100.0))
        .collect();
    line(out, "uncertainty", &format!("from {}", terms.join(", ")));
}

/// Where the window is shorter than a standard's test.
fn shorter_than_standard(question: &Assessment, judged: &TraceResult) -> Option<String> {
    let least = f64::from(question.limit.class?.closure_test_s());
    let lasted = judged.to_s - judged.from_s;
    (lasted < least).then(|| {
        format!(
            "the standard's closure test lasts at least {least} s (ISO 5208 table 2, to be checked there); this window \
             is {lasted:.0} s"
        )
    })
}

fn bent(judged: &TraceResult) -> Option<&'static str> {
    let mind = "mind: the residuals curve by far more than noise does; something warms, cools or creeps";
    (judged.estimate.is_some() && judged.bend.abs() > 8.0).then_some(mind)
}

fn uneven(judged: &TraceResult) -> Option<String> {
    (judged.unevenness > 2.0)
        .then(|| format!("readings come unevenly: the longest interval is {:.1} × the usual one", judged.unevenness))
}

/// What the text says beside its figures, for programs.
fn notes(question: &Assessment, trace: &Trace, judged: &TraceResult) -> Vec<String> {
    let source = question.limit.class.map(|class| format!("limit: {}: {}", class.name(), class.source()));
    let wandering = judged.estimate.as_ref().and_then(seathold_text::messages::wandering);
    let bent = bent(judged).map(str::to_owned);
    let pressure = other_than_standard(question, &units(question, trace), judged);
    let vented = like_the_surroundings(question, trace, judged);
    let of = [source, pressure, vented, shorter_than_standard(question, judged), bent, wandering, uneven(judged)];
    of.into_iter().flatten().chain(trace.notes.iter().cloned()).collect()
}

fn write_window(out: &mut String, trace: &Trace, judged: &TraceResult) {
    let (from, to) = (judged.from_s, judged.to_s);
    let step = match judged.step_pa {
        Some(step) => format!("in steps of {} Pa", (step * 1e3).round() / 1e3),
        None => "on no grid of steps".into(),
    };
    let noise = if judged.noise_pa > 0.0 { format!(", noise {:.2} Pa", judged.noise_pa) } else { String::new() };
    line(out, "window", &format!("{from} s to {to} s, {} readings {step}{noise}", judged.readings));
    if let Some(uneven) = uneven(judged) {
        line(out, "", &uneven);
    }
    for note in &trace.notes {
        line(out, "", note);
    }
}

fn assumed(args: &AssessArgs, judged: &TraceResult) -> String {
    let gas = if judged.gas_measured {
        format!("gas at {:.2} K as measured, its changes taken out", judged.gas_k)
    } else {
        format!("gas at {}", args.trace.gas_temperature)
    };
    let shut = match &args.trace.shut {
        Some(at) => format!("at {at}"),
        None => "at the trace's first reading (else say --shut)".into(),
    };
    format!(
        "valve shut {shut}; volume {} ± {}, sensor gain ± {}, temperature drift ± {} (standard uncertainties); background leak {} ± {}; \
         {gas}",
        args.volume,
        args.volume_u,
        args.gain_u,
        drift_typed(args),
        args.background,
        args.background_u
    )
}
