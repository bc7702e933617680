//! `seathold plan`: whether the rig can decide, how long it takes, and a recipe.

use std::path::{Path, PathBuf};

use clap::Args;
use seathold_analysis::plan::energy::{SMALL_BENCH_J, stored_j};
use seathold_analysis::plan::{self, Handling, PlanGoal, PlanOutcome, valve_s};
use seathold_config::recipe as recipes;
use seathold_quantity::Dimension;
use seathold_quantity::limit::Limit;
use seathold_recording::file::{self, Replace};
use seathold_recording::header::DisplayUnits;
use seathold_sequencer::field::Unit;
use seathold_sequencer::measure::{OutcomeProbabilities, Prediction};
use seathold_sequencer::rate_class::LOW_PRESSURE_TEST_PA;
use seathold_sequencer::recipe::{Actuation, FIELDS, RawRecipe};
use seathold_sequencer::rig::{RawRig, Rig, Transducer};
use seathold_text::layout::{line, percent};
use seathold_text::messages::UnitFormat;
use serde_json::{Value, json};

use super::files::load_rig;
use crate::args::ActuationArg;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::quantity_args::QuantityArgs;

/// `seathold plan`.
#[derive(Debug, Args)]
#[command(after_help = "What is not given is taken from the rig. Exit code 3 means that this rig cannot decide.")]
pub struct PlanArgs {
    /// Greatest leak allowed: "7.5 mm3/s", or a class like "ISO 5208 rate B DN 25"
    #[arg(long, value_name = "LEAK|CLASS", help_heading = "The question")]
    pub limit: String,
    /// Nominal size, for a class that names none
    #[arg(long, value_name = "N", help_heading = "The question")]
    pub dn: Option<u32>,
    /// Gauge pressure to test at
    #[arg(long, value_name = "PRESSURE", default_value = "6 bar", help_heading = "The question")]
    pub pressure: String,
    /// Temperature that leaks are counted at [default: 20 C, ISO 8778]
    #[arg(long, value_name = "TEMPERATURE", help_heading = "The question")]
    pub reference_temperature: Option<String>,
    /// Absolute pressure that leaked volumes are counted at [default: 100 kPa, ISO 8778]
    #[arg(long, value_name = "PRESSURE", help_heading = "The question")]
    pub reference_pressure: Option<String>,
    /// Risk of calling a valve at the limit tight
    #[arg(long, value_name = "RATIO", default_value = "1 %", help_heading = "The question")]
    pub false_accept: String,
    /// Risk of calling a valve at the limit leaking
    #[arg(long, value_name = "RATIO", default_value = "1 %", help_heading = "The question")]
    pub false_reject: String,
    /// Coverage of the stated interval
    #[arg(long, value_name = "RATIO", default_value = "95 %", help_heading = "The question")]
    pub coverage: String,
    /// Leak of a good valve, as a ratio to the limit
    #[arg(long, value_name = "RATIO", default_value = "10 %", help_heading = "The question")]
    pub acceptable_leak: String,
    /// Leak of a bad valve, as a ratio to the limit
    #[arg(long, value_name = "RATIO", default_value = "200 %", help_heading = "The question")]
    pub rejectable_leak: String,
    /// Probability that both get their verdict in the longest time
    #[arg(long, value_name = "RATIO", default_value = "95 %", help_heading = "The question")]
    pub power: String,
    /// Longest measuring time to consider
    #[arg(long, value_name = "TIME", default_value = "5 min", help_heading = "The question")]
    pub measure_max: String,
    /// Stop as soon as the risks allow, though a standard's closure test would last longer
    #[arg(long, help_heading = "The question")]
    pub shorter_than_standard: bool,

    /// Rig file [default: the built-in rig]
    #[arg(long, value_name = "FILE", help_heading = "The rig")]
    pub rig_file: Option<PathBuf>,
    /// How the valve is worked
    #[arg(long, value_enum, default_value_t = ActuationArg::Air, help_heading = "The rig")]
    pub actuation: ActuationArg,
    /// Far volume
    #[arg(long, value_name = "VOLUME", help_heading = "The rig")]
    pub volume: Option<String>,
    /// Its standard uncertainty, as a ratio
    #[arg(long, value_name = "RATIO", help_heading = "The rig")]
    pub volume_u: Option<String>,
    /// White noise of one reading, standard deviation
    #[arg(long, value_name = "PRESSURE", default_value = "20 Pa", help_heading = "The rig")]
    pub noise: String,
    /// Resolution of the readings
    #[arg(long, value_name = "PRESSURE", help_heading = "The rig")]
    pub resolution: Option<String>,
    /// Time between readings
    #[arg(long, value_name = "TIME", default_value = "10 ms", help_heading = "The rig")]
    pub sample_period: String,
    /// Settling time constant of the gas [default: the rig's, or 2 s]
    #[arg(long, value_name = "TIME", help_heading = "The rig")]
    pub tau: Option<String>,
    /// Its standard uncertainty, as a ratio
    #[arg(long, value_name = "RATIO", help_heading = "The rig")]
    pub tau_u: Option<String>,
    /// Standard uncertainty of the sensor gain, as a ratio
    #[arg(long, value_name = "RATIO", help_heading = "The rig")]
    pub gain_u: Option<String>,
    /// Standard uncertainty of the gas temperature drift
    #[arg(long, value_name = "K/s", help_heading = "The rig")]
    pub temperature_drift_u: Option<String>,
    /// Standard uncertainty of the background leak
    #[arg(long, value_name = "LEAK", help_heading = "The rig")]
    pub background_u: Option<String>,
    /// Gas on the supply side, for the stored energy
    #[arg(long, value_name = "VOLUME", default_value = "0 cm3", help_heading = "The rig")]
    pub supply_volume: String,

    /// Valves in the batch
    #[arg(long, value_name = "N", default_value_t = 20, help_heading = "The batch")]
    pub batch: u32,
    /// Time to fill to the band
    #[arg(long, value_name = "TIME", default_value = "3 s", help_heading = "The batch")]
    pub fill: String,
    /// Time to swap the ends
    #[arg(long, value_name = "TIME", default_value = "45 s", help_heading = "The batch")]
    pub swap: String,
    /// Time to take one valve off and put the next on
    #[arg(long, value_name = "TIME", default_value = "60 s", help_heading = "The batch")]
    pub load: String,

    /// Write the recipe to a new file
    #[arg(long, value_name = "FILE", help_heading = "Output")]
    pub out: Option<PathBuf>,
    /// One JSON object
    #[arg(long, help_heading = "Output")]
    pub json: bool,
}

/// The arguments, parsed and checked.
struct PlanRequest {
    goal: PlanGoal,
    limit: Limit,
    supply_m3: f64,
    handling: Handling,
    batch: u32,
    /// Changes against the rig's file, which `run` would not know of.
    changed: Vec<&'static str>,
    tau_guessed: bool,
}

/// `seathold plan`.
pub(super) fn run(args: &PlanArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let question = question(args)?;
    let outcome =
        question.goal.plan().map_err(|why| Error::usage(format!("rig and requirements do not fit together: {why}")))?;
    let written = match (&outcome, &args.out) {
        (PlanOutcome::Can(plan), Some(path)) => Some(write_recipe(&question, &plan.recipe, path)?),
        _ => None,
    };
    if args.json {
        writeln!(console.out, "{}", as_json(&question, &outcome, written.as_deref()))?;
    } else {
        write!(console.out, "{}", text(&question, &outcome, written.as_deref()))?;
    }
    Ok(match outcome {
        PlanOutcome::Can(_) => Exit::Good,
        PlanOutcome::Cannot { .. } => Exit::NoVerdict,
    })
}

/// Time constant where none is given (ours, for the rig of the examples).
const TAU_S: f64 = 2.0;

fn question(args: &PlanArgs) -> Result<PlanRequest, Error> {
    let mut rig: RawRig = *load_rig(args.rig_file.as_deref())?.raw();
    let mut o = QuantityArgs::default();
    let reference = o.reference(args.reference_temperature.as_deref(), args.reference_pressure.as_deref());
    let limit = o.limit(&args.limit, args.dn, reference);
    let mut changed = Vec::new();
    let mut set = |o: &mut QuantityArgs, option: &'static str, unit, text: &Option<String>, range, to: &mut f64| {
        if let Some(value) = o.maybe(option, unit, text.as_deref(), range) {
            *to = value;
            changed.push(option);
        }
    };
    set(&mut o, "--volume", Unit::CubicMetre, &args.volume, 1e-7..=0.1, &mut rig.far_volume_m3);
    set(&mut o, "--volume-u", Unit::Ratio, &args.volume_u, 0.0..=0.5, &mut rig.far_volume_u_rel);
    set(&mut o, "--gain-u", Unit::Ratio, &args.gain_u, 0.0..=0.1, &mut rig.gain_u_rel);
    set(
        &mut o,
        "--temperature-drift-u",
        Unit::KelvinPerSecond,
        &args.temperature_drift_u,
        0.0..=1.0,
        &mut rig.temperature_drift_u_k_s,
    );
    set(&mut o, "--tau-u", Unit::Ratio, &args.tau_u, 0.0..=0.5, &mut rig.tau_u_rel);
    let mut step = rig.far.pa_per_count;
    set(&mut o, "--resolution", Unit::PascalRms, &args.resolution, 0.1..=1_000.0, &mut step);
    if step != rig.far.pa_per_count {
        rig.far = transducer(step, rig.hard_max_pa);
    }
    let tau = o.maybe("--tau", Unit::Second, args.tau.as_deref(), 0.1..=600.0);
    if tau.is_some() {
        changed.push("--tau");
    }
    if let Some(text) = &args.background_u {
        let leak = Unit::PascalCubicMetrePerSecond;
        let read = o.quantity_in("--background-u", leak, text, &(0.0..=0.1), reference.pressure.pascals());
        rig.background_u_pa_m3_s = read.map_or(rig.background_u_pa_m3_s, |(v, _)| v);
        changed.push("--background-u");
    }
    let class = limit.as_ref().and_then(|l| l.class).filter(|_| !args.shorter_than_standard);
    let second = |o: &mut QuantityArgs, option, text: &str| o.quantity(option, Unit::Second, text, 0.0..=86_400.0);
    let goal = PlanGoal {
        rig,
        actuation: args.actuation.into(),
        target_pa: o.quantity("--pressure", Unit::Pascal, &args.pressure, 20_000.0..=1e6) as u32,
        limit: limit.as_ref().map(|l| l.leak).unwrap_or_default(),
        reference_k: reference.temperature.kelvin(),
        reference_pa: reference.pressure.pascals(),
        noise_pa: o.quantity("--noise", Unit::PascalRms, &args.noise, 0.0..=20_000.0),
        sample_period_ms: o.quantity("--sample-period", Unit::Millisecond, &args.sample_period, 1.0..=1_000.0) as u32,
        tau_s: tau.or(rig.tau_s).unwrap_or(TAU_S),
        tau_u_rel: rig.tau_u_rel,
        false_accept: o.quantity("--false-accept", Unit::Ratio, &args.false_accept, 1e-6..=0.25),
        false_reject: o.quantity("--false-reject", Unit::Ratio, &args.false_reject, 1e-6..=0.25),
        coverage: o.quantity("--coverage", Unit::Ratio, &args.coverage, 0.8..=0.9999),
        good: o.quantity("--acceptable-leak", Unit::Ratio, &args.acceptable_leak, 0.0..=0.99),
        bad: o.quantity("--rejectable-leak", Unit::Ratio, &args.rejectable_leak, 1.01..=100.0),
        power: o.quantity("--power", Unit::Ratio, &args.power, 0.5..=0.9999),
        longest_s: o.quantity("--measure-max", Unit::Second, &args.measure_max, 1.0..=3_600.0),
        least_s: class.map_or(0.0, |c| f64::from(c.closure_test_s())),
    };
    let handling = Handling {
        fill_s: second(&mut o, "--fill", &args.fill),
        swap_s: second(&mut o, "--swap", &args.swap),
        load_s: second(&mut o, "--load", &args.load),
    };
    let supply_m3 = o.quantity("--supply-volume", Unit::CubicMetre, &args.supply_volume, 0.0..=1.0);
    if goal.least_s > goal.longest_s {
        o.wrong(format!("--measure-max: the standard's closure test lasts {} s at least", goal.least_s));
    }
    o.finish()?;
    let limit = limit.ok_or(Error::usage("--limit: give one"))?;
    let tau_guessed = tau.is_none() && rig.tau_s.is_none();
    Ok(PlanRequest { goal, limit, supply_m3, handling, batch: args.batch, changed, tau_guessed })
}

/// A transducer with this step that the rig's checks let through.
fn transducer(step: f64, hard_max_pa: u32) -> Transducer {
    let top = (f64::from(hard_max_pa) / step * 1.1) as i32;
    Transducer { zero_counts: 0, pa_per_count: step, counts_min: -(top / 10).max(1), counts_max: top + 1 }
}

fn units(question: &PlanRequest) -> UnitFormat {
    let recipe = RawRecipe {
        reference_pa: question.goal.reference_pa,
        reference_k: question.goal.reference_k,
        ..RawRecipe::DEMO
    };
    UnitFormat::new(&recipe, &DisplayUnits { leak: question.limit.symbol.text.into(), ..DisplayUnits::default() })
}

/// Energy in far side and supply side together, in joules.
fn energy_j(question: &PlanRequest) -> f64 {
    stored_j(question.goal.absolute_pa(), question.goal.rig.far_volume_m3 + question.supply_m3)
}

fn percents(chances: &OutcomeProbabilities) -> String {
    let p = |x: f64| match x * 100.0 {
        p if p > 99.9 => "> 99.9 %".into(),
        p if p < 0.1 => "< 0.1 %".into(),
        p => format!("{p:.1} %"),
    };
    format!("tight {}, undecided {}, leaking {}", p(chances.tight), p(chances.undecided), p(chances.leaking))
}

fn time(s: f64) -> String {
    match s {
        s if s < 180.0 => format!("{:.0} s", s.ceil()),
        s if s < 7_200.0 => format!("{:.0} min", (s / 60.0).ceil()),
        s => format!("{:.1} h", s / 3_600.0),
    }
}

fn text(question: &PlanRequest, outcome: &PlanOutcome, written: Option<&str>) -> String {
    let w = &question.goal;
    let units = units(question);
    let word = match outcome {
        PlanOutcome::Can(_) => "THIS RIG CAN TELL",
        PlanOutcome::Cannot { .. } => "THIS RIG CANNOT TELL",
    };
    let mut out = format!("{word}\n");
    let target = units.pressure(i32::try_from(w.target_pa).unwrap_or(i32::MAX));
    let volume = format!("{:.4}", w.rig.far_volume_m3 * 1e6);
    let volume = volume.trim_end_matches('0').trim_end_matches('.');
    line(
        &mut out,
        "question",
        &format!(
            "limit {} at {target}; far volume {volume} cm³ ± {} %; noise {} Pa; step {:.2} Pa; settling time constant \
             {} s ± {} %",
            units.limit(w.limit.pa_m3_s()),
            percent(w.rig.far_volume_u_rel),
            w.noise_pa,
            w.rig.far.pa_per_count,
            w.tau_s,
            percent(w.tau_u_rel)
        ),
    );
    line(&mut out, "", &format!("leaks are counted at {}", units.reference()));
    if question.tau_guessed {
        line(
            &mut out,
            "",
            "the settling time constant is a guess until a blank run has found it: seathold calibrate blank",
        );
    }
    write_class(&mut out, question);
    match outcome {
        PlanOutcome::Can(plan) => write_plan(&mut out, question, plan, &units),
        PlanOutcome::Cannot { reach, levers, best } => write_cannot(&mut out, question, *reach, levers, best, &units),
    }
    write_energy(&mut out, question);
    if let Some(path) = written {
        line(&mut out, "recipe", &format!("written to {path}"));
        if !question.changed.is_empty() {
            let changed = question.changed.join(", ");
            line(
                &mut out,
                "",
                &format!("the rig was changed here by {changed}: put the same into the rig's file before running"),
            );
        }
    }
    out
}

fn write_class(out: &mut String, question: &PlanRequest) {
    let Some(class) = question.limit.class else { return };
    line(out, "standard", &format!("{}: {}", class.name(), class.source()));
    let (least, most) = LOW_PRESSURE_TEST_PA;
    let target = question.goal.target_pa;
    let fits = if (least..=most).contains(&target) { "this test's is in it" } else { "THIS TEST'S IS NOT" };
    line(
        out,
        "",
        &format!(
            "low-pressure gas test at 6 bar ± 1 bar gauge, or 1.1 × the allowable pressure if lower (to be checked \
             there); {fits}"
        ),
    );
    let least = class.closure_test_s();
    let kept = if question.goal.least_s > 0.0 { "kept as the least measuring time" } else { "NOT kept here" };
    line(
        out,
        "",
        &format!("closure test at least {least} s at this size (ISO 5208 table 2, to be checked there); {kept}"),
    );
}

fn write_plan(out: &mut String, question: &PlanRequest, plan: &plan::Plan, units: &UnitFormat) {
    let w = &question.goal;
    let r = &plan.recipe;
    let s = |ms: u32| f64::from(ms) / 1e3;
    let most_s = s(r.measure_ms_max);
    line(
        out,
        "times",
        &format!(
            "soak {} s, settle {} s, measure {} s to {} s; half of the good valves are done after {}",
            s(r.soak_ms),
            s(r.settle_ms),
            s(r.measure_ms_min),
            most_s,
            time(plan.usual_s)
        ),
    );
    line(
        out,
        "",
        &format!(
            "when measuring begins the gas may still have to settle by {:.0} Pa at most",
            plan.transient_pa.ceil()
        ),
    );
    let fall = w.limit.pa_m3_s() / w.rig.far_volume_m3;
    for (what, seconds) in [("at least", s(r.measure_ms_min)), ("at most", most_s)] {
        let pa = fall * seconds;
        let counts = pa / w.rig.far.pa_per_count;
        line(
            out,
            if what == "at least" { "fall" } else { "" },
            &format!("at the limit {pa:.0} Pa = {counts:.0} counts in {seconds} s ({fall:.2} Pa/s)"),
        );
    }
    for (what, (p, chances), share) in
        [("good valve", plan.good, w.good), ("at the limit", plan.limit, 1.0), ("bad valve", plan.bad, w.bad)]
    {
        let leak = units.plus_minus(share * w.limit.pa_m3_s(), p.expanded.pa_m3_s());
        line(out, what, &format!("{leak} in the longest time: {}", percents(&chances)));
    }
    line(out, "", "(probabilities at the last look; what is clear sooner is decided sooner)");
    let usual = valve_s(r, &w.rig, &question.handling, plan.usual_s);
    let most = valve_s(r, &w.rig, &question.handling, most_s);
    line(
        out,
        "valve",
        &format!(
            "{} usually, {} at most, both sides; of that {} for swapping and loading",
            time(usual),
            time(most),
            time(question.handling.swap_s + question.handling.load_s)
        ),
    );
    let n = f64::from(question.batch);
    line(out, "batch", &format!("of {}: {} usually, {} at most", question.batch, time(n * usual), time(n * most)));
}

fn write_cannot(
    out: &mut String,
    question: &PlanRequest,
    reach: f64,
    levers: &[plan::Improvement],
    best: &Prediction,
    units: &UnitFormat,
) {
    let w = &question.goal;
    let leak = units.plus_minus(w.good * w.limit.pa_m3_s(), best.expanded.pa_m3_s());
    line(
        out,
        "best",
        &format!(
            "a good valve would show as {leak} after {}: {} of what is needed to separate good from bad at these risks",
            time(w.longest_s),
            reach_words(reach)
        ),
    );
    line(out, "uncertainty", &format!("from {}", shares(best)));
    for (i, lever) in levers.iter().enumerate() {
        let does = if lever.reach >= 1.0 {
            "is enough alone".into()
        } else {
            format!("brings it to {}", reach_words(lever.reach))
        };
        let label = if i == 0 { "change" } else { "or then" };
        line(out, label, &format!("{} {}: {does}", lever.what, lever.to));
    }
    if levers.is_empty() {
        line(out, "change", "the limit or the risks: no single change to the rig helps");
    }
}

/// A share with two significant digits.
fn reach_words(reach: f64) -> String {
    let p = reach * 100.0;
    if p < 10.0 { format!("{p:.1} %") } else { format!("{p:.0} %") }
}

fn shares(best: &Prediction) -> String {
    use seathold_sequencer::measure::Contribution;
    let whole = best.budget.combined * best.budget.combined;
    let mut shares: Vec<(f64, Contribution)> =
        Contribution::ALL.iter().map(|t| (t.of(&best.budget).powi(2) / whole, *t)).collect();
    shares.sort_by(|a, b| b.0.total_cmp(&a.0));
    let terms: Vec<String> = shares
        .iter()
        .filter(|(share, _)| *share >= 0.005)
        .map(|(share, term)| format!("{} {:.0} %", seathold_text::messages::contribution_name(*term), share * 100.0))
        .collect();
    terms.join(", ")
}

fn write_energy(out: &mut String, question: &PlanRequest) {
    let joules = energy_j(question);
    line(
        out,
        "energy",
        &format!(
            "{joules:.0} J stored in far and supply side as given (ASME PCC-2 Art. 501 App. II: 2.5·P·V·[1 − \
             (Pa/P)^0.286])"
        ),
    );
    let beyond = joules > SMALL_BENCH_J;
    if beyond {
        line(
            out,
            "CAUTION",
            &format!(
                "over {SMALL_BENCH_J:.0} J is beyond a small bench (our judgement): an enclosure that holds a burst, \
                 and competent, licensed practice"
            ),
        );
    }
    line(
        out,
        "caution",
        "compressed air: eye protection; shield; relief valve set below the weakest part's rating; loosen no fitting \
         before a gauge as well as this screen shows it empty. Local codes come first.",
    );
}

/// The recipe's fields that differ from the built-in ones, with what they mean, checked by reading it back.
fn recipe_file(question: &PlanRequest, recipe: &RawRecipe, rig: &Rig) -> Result<String, Error> {
    let built_in = RawRecipe::DEMO;
    let limit = question.limit.class.map_or_else(String::new, |c| format!("\n# {}: {}", c.name(), c.source()));
    let actuation = match recipe.actuation {
        Actuation::Air => "air",
        Actuation::Hand => "hand",
    };
    let mut out = format!(
        "# Worked out by `seathold plan`. What is not said here is as `seathold recipe template` shows it.\n\
         actuation = \"{actuation}\"\nmodel = \"line-and-transient\"\n"
    );
    let always = ["target", "pressure_max", "soak", "settle", "measure_min", "measure_max", "limit"];
    for field in FIELDS {
        let value = (field.get)(recipe);
        if value == (field.get)(&built_in) && !always.contains(&field.name) {
            continue;
        }
        let kind = Dimension(field.unit);
        let symbol = if field.name == "limit" { question.limit.symbol } else { kind.usual() };
        let text = symbol.write(kind, value, recipe.reference_pa);
        let text = if field.unit == Unit::Ratio { text } else { format!("\"{text}\"") };
        let source = if field.name == "limit" { limit.as_str() } else { "" };
        out.push_str(&format!("\n# {}{source}\n{} = {text}\n", field.about, field.name));
    }
    let read = recipes::parse("the recipe", &out, rig, None)?;
    if read.recipe.raw() != recipe {
        return Err(Error::usage("the recipe does not read back as it was written"));
    }
    Ok(out)
}

fn write_recipe(question: &PlanRequest, recipe: &RawRecipe, path: &Path) -> Result<String, Error> {
    let rig = question.goal.rig.validate().map_err(|errors| Error::usage(errors.to_string()))?;
    let text = recipe_file(question, recipe, &rig)?;
    // An existing recipe may be somebody's work.
    file::write(path, text.as_bytes(), Replace::Never)?;
    Ok(path.display().to_string())
}

fn as_json(question: &PlanRequest, outcome: &PlanOutcome, written: Option<&str>) -> Value {
    let w = &question.goal;
    let class = question.limit.class;
    let joules = energy_j(question);
    let mut all = json!({
        "can_tell": matches!(outcome, PlanOutcome::Can(_)),
        "limit_pa_m3_s": w.limit.pa_m3_s(),
        "limit_class": class.map(|c| c.name()),
        "limit_source": class.map(|c| c.source()),
        "reference_temperature_k": w.reference_k,
        "reference_pressure_pa": w.reference_pa,
        "stored_energy_j": joules,
        "beyond_small_bench": joules > SMALL_BENCH_J,
        "standard_closure_test_s": class.map(|c| c.closure_test_s()),
        "recipe_file": written,
    });
    let more = match outcome {
        PlanOutcome::Can(plan) => {
            let r = &plan.recipe;
            let s = |ms: u32| f64::from(ms) / 1e3;
            let fall = w.limit.pa_m3_s() / w.rig.far_volume_m3;
            let (usual, most) = (plan.usual_s, s(r.measure_ms_max));
            let valve = |measure| valve_s(r, &w.rig, &question.handling, measure);
            let of = |(p, c): &(Prediction, OutcomeProbabilities)| {
                json!({ "expanded_pa_m3_s": p.expanded.pa_m3_s(), "tight": c.tight,
                        "undecided": c.undecided, "leaking": c.leaking })
            };
            json!({
                "soak_s": s(r.soak_ms), "settle_s": s(r.settle_ms), "measure_min_s": s(r.measure_ms_min),
                "measure_max_s": most, "measure_usual_s": usual,
                "transient_at_start_pa": plan.transient_pa,
                "fall_at_limit_pa": fall * most, "fall_at_limit_counts": fall * most / w.rig.far.pa_per_count,
                "fall_at_limit_pa_per_s": fall,
                "good": of(&plan.good), "at_limit": of(&plan.limit), "bad": of(&plan.bad),
                "valve_usual_s": valve(usual), "valve_max_s": valve(most), "batch": question.batch,
                "batch_usual_s": f64::from(question.batch) * valve(usual),
                "batch_max_s": f64::from(question.batch) * valve(most),
            })
        }
        PlanOutcome::Cannot { reach, levers, best } => json!({
            "reach": reach,
            "expanded_pa_m3_s": best.expanded.pa_m3_s(),
            "change_first": levers.first().map(|l| l.what),
            "changes": levers.iter().map(|l| json!({ "what": l.what, "to": l.to, "reach": l.reach })).collect::<Vec<_>>(),
        }),
    };
    if let (Value::Object(all), Value::Object(more)) = (&mut all, more) {
        all.extend(more);
    }
    all
}
