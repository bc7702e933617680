//! `seathold plan`: whether the rig can decide, how long it takes, and a recipe.

use std::path::{Path, PathBuf};

use clap::Args;
use jiff::Timestamp;
use seathold_analysis::calibration::apply;
use seathold_analysis::plan::energy::{SMALL_BENCH_J, stored_j};
use seathold_analysis::plan::forecast::{Forecast, SHARE_COVERAGE, Spread, VerdictCounts};
use seathold_analysis::plan::levers::{Change, LEFT_K_S, Together};
use seathold_analysis::plan::{self, Effort, Falling, Handling, PlanGoal, PlanOutcome, TimeConstantKnowledge, valve_s};
use seathold_config::recipe as recipes;
use seathold_quantity::Dimension;
use seathold_quantity::limit::Limit;
use seathold_recording::file::{self, Replace};
use seathold_recording::header::DisplayUnits;
use seathold_sequencer::event::Fault;
use seathold_sequencer::field::Unit;
use seathold_sequencer::measure::{Contribution, LeakEstimate};
use seathold_sequencer::rate_class::LOW_PRESSURE_TEST_PA;
use seathold_sequencer::recipe::{Actuation, FIELDS, RawRecipe};
use seathold_sequencer::rig::{RawRig, Rig, Transducer};
use seathold_sequencer::verdict::Reason;
use seathold_text::layout::{line, percent};
use seathold_text::messages::{UnitFormat, fault as fault_words};
use serde_json::{Value, json};

use super::files::load_rig;
use super::run_common::adapter_choice;
use crate::args::ActuationArg;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::quantity_args::QuantityArgs;
use crate::schema::{self, JsonKind};

/// `seathold plan`.
#[derive(Debug, Args)]
#[command(after_help = "What is not given is taken from the rig. Exit code 3 means that this rig cannot decide.")]
pub struct PlanArgs {
    /// Greatest leak allowed: "7.5 mm3/s", or a class like "ISO 5208 rate B DN 25"
    #[arg(long, value_name = "LEAK|CLASS", help_heading = "The question")]
    pub limit: String,
    /// Nominal size, DN or NPS, for a class that names none
    #[arg(long, value_name = "N|NPS", value_parser = seathold_quantity::pipe_size::dn, help_heading = "The question")]
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
    /// Longest time to let the gas settle before that, soak and settling together [default: 14 time constants]
    #[arg(long, value_name = "TIME", help_heading = "The question")]
    pub wait_max: Option<String>,
    /// Stop as soon as the risks allow, though a standard's closure test would last longer
    #[arg(long, help_heading = "The question")]
    pub shorter_than_standard: bool,

    /// Rig file [default: the built-in rig]
    #[arg(long, value_name = "FILE", help_heading = "The rig")]
    pub rig_file: Option<PathBuf>,
    /// The rig's adapter that the valve is on [default: the one that takes its DN]
    #[arg(long, value_name = "NAME", help_heading = "The rig")]
    pub adapter: Option<String>,
    /// Its calibrations: files, or folders of them [default: the rig file's figures]
    #[arg(long, value_name = "FILE|FOLDER", num_args = 1.., help_heading = "The rig")]
    pub calibrations: Vec<PathBuf>,
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
    /// Settling time constant of the gas [default: the rig's, or anywhere in the recipe's range, 0.5 s to 20 s]
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
    #[arg(long, value_name = "N", default_value_t = 20, value_parser = clap::value_parser!(u32).range(1..=100_000), help_heading = "The batch")]
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
}

/// `seathold plan`.
pub(super) fn run(args: &PlanArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let question = question(args, console.clock.now())?;
    let outcome =
        question.goal.plan().map_err(|why| Error::usage(format!("rig and requirements do not fit together: {why}")))?;
    let written = match (&outcome, &args.out) {
        (PlanOutcome::Can(plan), Some(path)) if !lets_leakers_through(&question.goal, plan) => {
            Some(write_recipe(&question, &plan.recipe, path)?)
        }
        _ => None,
    };
    if args.json {
        schema::write(console, JsonKind::Plan, as_json(&question, &outcome, written.as_deref()))?;
    } else {
        write!(console.out, "{}", text(&question, &outcome, written.as_deref()))?;
    }
    Ok(match &outcome {
        PlanOutcome::Can(plan) if !lets_leakers_through(&question.goal, plan) => Exit::Good,
        _ => Exit::NoVerdict,
    })
}

/// Whether more valves at the limit are foretold tight than the risk allows, beyond what the few simulated ones leave open.
fn lets_leakers_through(goal: &PlanGoal, plan: &plan::Plan) -> bool {
    over(&plan.limit.counts, plan.limit.counts.tight, goal.false_accept)
}

/// The same of valves called leaking, which costs time but lets nothing through.
fn rejects_too_many(goal: &PlanGoal, plan: &plan::Plan) -> bool {
    over(&plan.limit.counts, plan.limit.counts.leaking, goal.false_reject)
}

/// Whether `called` of all are beyond chance more than a share of `risk`.
fn over(counts: &VerdictCounts, called: u32, risk: f64) -> bool {
    counts.interval(called).0 > risk
}

fn question(args: &PlanArgs, now: Timestamp) -> Result<PlanRequest, Error> {
    let choice = adapter_choice(args.adapter.as_deref(), args.dn, Some(&args.limit));
    let loaded = load_rig(args.rig_file.as_deref(), choice)?;
    let (with, _) = apply::to_run(&loaded.rig, &loaded.adapter, &args.calibrations, now)?;
    let mut rig: RawRig = *with.raw();
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
        rig.tau_s = tau;
    }
    let known = if rig.tau_s.is_some() { TimeConstantKnowledge::Calibrated } else { TimeConstantKnowledge::Unknown };
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
        tau: known,
        false_accept: o.quantity("--false-accept", Unit::Ratio, &args.false_accept, 1e-6..=0.25),
        false_reject: o.quantity("--false-reject", Unit::Ratio, &args.false_reject, 1e-6..=0.25),
        coverage: o.quantity("--coverage", Unit::Ratio, &args.coverage, 0.8..=0.9999),
        good: o.quantity("--acceptable-leak", Unit::Ratio, &args.acceptable_leak, 0.0..=0.99),
        bad: o.quantity("--rejectable-leak", Unit::Ratio, &args.rejectable_leak, 1.01..=100.0),
        power: o.quantity("--power", Unit::Ratio, &args.power, 0.5..=0.9999),
        longest_s: o.quantity("--measure-max", Unit::Second, &args.measure_max, 1.0..=3_600.0),
        least_s: class.map_or(0.0, |c| f64::from(c.closure_test_s())),
        wait_max_s: o.maybe("--wait-max", Unit::Second, args.wait_max.as_deref(), 1.0..=3_600.0),
        volume_is_free: args.volume.is_none() && args.rig_file.is_none() && args.calibrations.is_empty(),
        blank_runs_simulated: false,
        rig_leak_pa_m3_s: 0.0,
        effort: Effort::USUAL,
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
    Ok(PlanRequest { goal, limit, supply_m3, handling, batch: args.batch, changed })
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

/// A share in whole percents, and how well so many runs know it.
fn share(forecast: &Forecast, count: u32) -> String {
    let counts = &forecast.counts;
    let (low, high) = counts.interval(count);
    let percent = |ratio: f64| ratio * 100.0;
    let at = percent(counts.share(count));
    // Outwards, so that it still covers.
    format!("{at:.0} % ({:.0}–{:.0})", percent(low).floor(), percent(high).ceil())
}

fn shares_of(forecast: &Forecast) -> String {
    let counts = &forecast.counts;
    let void = match counts.void {
        0 => String::new(),
        void => format!("; {:.0} % are void, {}", 100.0 * counts.share(void), why_void(counts.void_reason)),
    };
    format!(
        "tight {}, leaking {}, undecided {}{void}",
        share(forecast, counts.tight),
        share(forecast, counts.leaking),
        share(forecast, counts.undecided()),
    )
}

fn why_void(reason: Option<(Reason, Option<Fault>)>) -> String {
    let reason = match reason {
        Some((_, Some(fault))) => return format!("mostly by a fault: {}", fault_words(fault).0),
        Some((reason, None)) => Some(reason),
        None => None,
    };
    match reason {
        Some(Reason::Rise) => "mostly as the pressure rose",
        Some(Reason::OutOfBand) => "mostly as the pressure left the recipe's band",
        Some(Reason::Disturbed) => "mostly as the window was disturbed too often",
        Some(Reason::SupplyNotEmpty) => "mostly as the supply side did not stay empty",
        Some(Reason::NotEmpty) => "mostly as the far side did not read empty",
        _ => "mostly by a fault",
    }
    .into()
}

/// Seconds of a measurement, to what matters of them.
fn seconds(s: f64) -> String {
    if s < 9.95 { format!("{s:.1}") } else { format!("{s:.0}") }
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
        PlanOutcome::Can(plan) if !lets_leakers_through(w, plan) => "THIS RIG CAN TELL",
        _ => "THIS RIG CANNOT TELL",
    };
    let mut out = format!("{word}\n");
    let target = units.pressure(i32::try_from(w.target_pa).unwrap_or(i32::MAX));
    let volume = trimmed(&format!("{:.4}", w.rig.far_volume_m3 * 1e6));
    line(
        &mut out,
        "question",
        &format!(
            "limit {} at {target}; far volume {volume} cm³ ± {} %; noise {} Pa; step {:.2} Pa; settling time constant {}",
            units.limit(w.limit.pa_m3_s()),
            percent(w.rig.far_volume_u_rel),
            w.noise_pa,
            w.rig.far.pa_per_count,
            match w.rig.tau_s {
                Some(tau_s) => format!("{} s ± {} %", trimmed(&format!("{tau_s:.2}")), percent(w.rig.tau_u_rel)),
                None => "unknown".into(),
            }
        ),
    );
    line(&mut out, "", &format!("leaks are counted at {}", units.reference()));
    if w.tau == TimeConstantKnowledge::Unknown {
        let s = |ms: u32| f64::from(ms) / 1e3;
        line(
            &mut out,
            "",
            &format!(
                "while no blank run has found the settling time constant it may be anything from {} s to {} s, and the \
                 test waits for the longest: seathold calibrate blank",
                s(RawRecipe::DEMO.tau_ms_min),
                s(RawRecipe::DEMO.tau_ms_max)
            ),
        );
    }
    write_class(&mut out, question);
    match outcome {
        PlanOutcome::Can(plan) => write_plan(&mut out, question, plan, &units),
        PlanOutcome::Cannot(falling) => write_cannot(&mut out, question, falling, &units),
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
            "soak {} s, settle {} s, measure {} s to {} s",
            s(r.soak_ms),
            s(r.settle_ms),
            s(r.measure_ms_min),
            most_s,
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
    line(
        out,
        "foretold",
        &format!(
            "from {} simulated valves of each kind, with the program's own fit and verdict. Range of a share: {:.0} % \
             (Clopper and Pearson); of anything else: nine in ten",
            plan.good.counts.runs,
            100.0 * SHARE_COVERAGE
        ),
    );
    for (what, forecast) in [("good valve", &plan.good), ("at the limit", &plan.limit), ("bad valve", &plan.bad)] {
        write_forecast(out, question, what, forecast, units);
    }
    if lets_leakers_through(w, plan) {
        line(
            out,
            "RISK",
            &format!(
                "of valves at the limit more are called tight than the {} % allowed, so no recipe is written: gas that settles so \
                 slowly hides a leak. Use a smaller far volume or an adapter whose gas settles sooner, or a longer wait",
                percent(w.false_accept)
            ),
        );
    } else if rejects_too_many(w, plan) {
        line(
            out,
            "CAUTION",
            &format!(
                "of valves at the limit more are called leaking than the {} % asked for. Find the settling time constant and \
                 the scatter of leak-free sides first: seathold calibrate blank --with valves",
                percent(w.false_reject)
            ),
        );
    }
    let (usual_s, late_s) = times_of(plan);
    let usual = valve_s(r, &w.rig, &question.handling, usual_s);
    let late = valve_s(r, &w.rig, &question.handling, late_s);
    let most = valve_s(r, &w.rig, &question.handling, most_s);
    line(
        out,
        "valve",
        &format!(
            "{} usually, nineteen in twenty of the good ones within {}, {} at most, both sides; of that {} for swapping \
             and loading",
            time(usual),
            time(late),
            time(most),
            time(question.handling.swap_s + question.handling.load_s)
        ),
    );
    let n = f64::from(question.batch);
    line(out, "batch", &format!("of {}: {} usually, {} at most", question.batch, time(n * usual), time(n * most)));
}

/// Measuring time of good valves: half are done, nineteen in twenty are.
fn times_of(plan: &plan::Plan) -> (f64, f64) {
    plan.good.seconds.map_or((0.0, 0.0), |spread| (spread.median, spread.high))
}

fn write_forecast(out: &mut String, question: &PlanRequest, what: &str, forecast: &Forecast, units: &UnitFormat) {
    line(out, what, &shares_of(forecast));
    let leak = forecast.share * question.goal.limit.pa_m3_s();
    if let Some(spread) = &forecast.expanded_longest {
        line(out, "", &format!("in the longest time {}", figure(units, leak, spread)));
    }
    if let (Some(spread), Some(times)) = (&forecast.expanded_verdict, &forecast.seconds) {
        line(
            out,
            "",
            &format!(
                "at the verdict {}, after {} s ({}–{})",
                figure(units, leak, spread),
                seconds(times.median),
                seconds(times.low),
                seconds(times.high)
            ),
        );
    }
}

/// A leak with the half-width that is foretold, and the range of that.
fn figure(units: &UnitFormat, leak: f64, spread: &Spread) -> String {
    let half = |pa_m3_s: f64| significant(units.leak_number(pa_m3_s));
    format!("{} (± {} to {})", units.plus_minus(leak, spread.median), half(spread.low), half(spread.high))
}

/// Without zeros at the end of its places.
fn trimmed(number: &str) -> String {
    if number.contains('.') { number.trim_end_matches('0').trim_end_matches('.').into() } else { number.into() }
}

/// Two significant digits, without a power of ten unless it is truly tiny.
fn significant(value: f64) -> String {
    if !value.is_finite() || value < 1e-6 {
        return format!("{value:.1e}");
    }
    let digits = 1 - value.log10().floor() as i32;
    let scale = 10f64.powi(-digits);
    format!("{:.*}", digits.max(0) as usize, if digits < 0 { (value / scale).round() * scale } else { value })
}

fn write_cannot(out: &mut String, question: &PlanRequest, falling: &Falling, units: &UnitFormat) {
    let w = &question.goal;
    let r = &falling.recipe;
    let waited_s = f64::from(r.soak_ms + r.settle_ms) / 1e3;
    line(
        out,
        "best",
        &format!(
            "after {} of soak and settling and {} of measuring, from {} simulated valves of each kind ({:.0} % of each \
             must get their verdict):",
            time(waited_s),
            time(w.longest_s),
            falling.good.counts.runs,
            100.0 * w.power
        ),
    );
    write_forecast(out, question, "good valve", &falling.good, units);
    write_forecast(out, question, "bad valve", &falling.bad, units);
    if let Some(typical) = falling.good.typical.as_ref().filter(|typical| !shares(typical).is_empty()) {
        line(out, "uncertainty", &format!("of a good valve, from {}", shares(typical)));
    }
    let mut label = "change";
    let alone = falling.levers.iter().any(|lever| lever.enough && !matches!(lever.change, Change::Limit(_)));
    for lever in falling.levers.iter().filter(|lever| !matches!(lever.change, Change::Limit(_))) {
        let does = if lever.enough {
            "is enough alone".into()
        } else {
            format!("not enough alone: {:.0} % get their verdict", 100.0 * lever.share)
        };
        line(out, label, &format!("{}: {does}", change_words(question, lever.change, units)));
        label = "or";
    }
    if let Some(together) = falling.together.as_ref().filter(|_| !alone) {
        line(out, "together", &together_words(question, together, units));
    }
    let limit = falling.levers.iter().find(|lever| lever.enough && matches!(lever.change, Change::Limit(_)));
    match limit {
        Some(lever) => line(
            out,
            if label == "change" && falling.together.is_none() { "change" } else { "or" },
            &format!("{}: is enough alone", change_words(question, lever.change, units)),
        ),
        None if label == "change" && falling.together.is_none() => {
            line(out, "change", "the risks, or the leaks called good and bad: no change to rig or times helps");
        }
        None => {}
    }
}

fn together_words(question: &PlanRequest, together: &Together, units: &UnitFormat) -> String {
    let words: Vec<String> = together.changes.iter().map(|change| change_words(question, *change, units)).collect();
    let does = if together.enough {
        "are enough together".into()
    } else {
        format!("together still not enough: {:.0} % get their verdict", 100.0 * together.share)
    };
    format!("{}: {does}", words.join("; and "))
}

/// A change in words to act on.
fn change_words(question: &PlanRequest, change: Change, units: &UnitFormat) -> String {
    let w = &question.goal;
    let plain = |x: f64| trimmed(&significant(x));
    let cm3 = |m3: f64| plain(m3 * 1e6);
    match change {
        Change::MeasuringTime(s) => format!("measure for up to {} (--measure-max)", time(s)),
        Change::WaitingTime(s) => {
            let waited_s = w.longest_wait();
            format!("wait up to {} more before measuring (--wait-max \"{s} s\")", time((s - waited_s).max(1.0)))
        }
        Change::TimeConstant => "find the settling time constant by a blank run: seathold calibrate blank".into(),
        Change::BlankRuns(n) => {
            format!(
                "make {n} blank runs of valves of the type known to be tight: seathold calibrate blank --with valves"
            )
        }
        Change::VolumeCalibration(u) => {
            format!("calibrate the far volume to {} %: seathold calibrate volume", percent(u))
        }
        Change::GainCalibration(u) => {
            format!("calibrate the transducer to {} %: seathold calibrate transducer", percent(u))
        }
        Change::BackgroundLeak(u) => format!(
            "know the background leak to {} {}: a longer blank run, or tighter fittings",
            plain(units.leak_number(u)),
            units.leak_unit()
        ),
        Change::Adapter(m3) => format!("use an adapter that leaves a far volume of {} cm³ or less", cm3(m3)),
        Change::Noise(pa) => format!("a transducer with noise of {pa} Pa or less"),
        Change::Resolution(pa) => format!("readings in steps of {pa} Pa or finer"),
        Change::Thermometer => format!(
            "fit a thermometer in the gas, with steps of 0.01 K or finer and no more than {} K an hour of its own drift",
            plain(LEFT_K_S * 3_600.0)
        ),
        Change::SteadierTemperature(k_s) => {
            format!("keep the gas temperature steady to {} K an hour (standard uncertainty)", plain(k_s * 3_600.0))
        }
        Change::Limit(pa_m3_s) => {
            let volume = trimmed(&format!("{:.4}", w.rig.far_volume_m3 * 1e6));
            let whose = if w.volume_is_free { "this far volume" } else { "this valve's far volume" };
            format!(
                "{whose} of {volume} cm³ needs a leak limit of {} {} or more",
                plain(units.leak_number(pa_m3_s)),
                units.leak_unit()
            )
        }
    }
}

fn shares(typical: &LeakEstimate) -> String {
    let budget = &typical.budget;
    let whole = budget.combined * budget.combined;
    let mut shares: Vec<(f64, Contribution)> =
        Contribution::ALL.iter().map(|t| (t.of(budget).powi(2) / whole, *t)).collect();
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
    if !question.goal.volume_is_free {
        out.push_str(&recipes::planned_for(rig.raw().far_volume_m3));
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
    let units = units(question);
    let mut all = json!({
        "can_tell": matches!(outcome, PlanOutcome::Can(plan) if !lets_leakers_through(w, plan)),
        "over_false_accept": matches!(outcome, PlanOutcome::Can(plan) if lets_leakers_through(w, plan)),
        "over_false_reject": matches!(outcome, PlanOutcome::Can(plan) if rejects_too_many(w, plan)),
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
    let spread = |spread: &Option<Spread>| spread.map(|s| json!({ "median": s.median, "low": s.low, "high": s.high }));
    let of = |forecast: &Forecast| {
        let counts = &forecast.counts;
        let range = |count: u32| {
            let (low, high) = counts.interval(count);
            json!([low, high])
        };
        json!({
            "leak_pa_m3_s": forecast.share * w.limit.pa_m3_s(), "valves": counts.runs,
            "tight": counts.share(counts.tight), "tight_interval": range(counts.tight),
            "leaking": counts.share(counts.leaking), "leaking_interval": range(counts.leaking),
            "undecided": counts.share(counts.undecided()), "undecided_interval": range(counts.undecided()),
            "void": counts.share(counts.void),
            "interval_coverage": SHARE_COVERAGE,
            "expanded_longest_pa_m3_s": spread(&forecast.expanded_longest),
            "expanded_verdict_pa_m3_s": spread(&forecast.expanded_verdict),
            "measure_s": spread(&forecast.seconds),
        })
    };
    let change = |change: Change| json!({ "what": change.name(), "to": change.value() });
    let more = match outcome {
        PlanOutcome::Can(plan) => {
            let r = &plan.recipe;
            let s = |ms: u32| f64::from(ms) / 1e3;
            let fall = w.limit.pa_m3_s() / w.rig.far_volume_m3;
            let ((usual, late), most) = (times_of(plan), s(r.measure_ms_max));
            let valve = |measure| valve_s(r, &w.rig, &question.handling, measure);
            json!({
                "soak_s": s(r.soak_ms), "settle_s": s(r.settle_ms), "measure_min_s": s(r.measure_ms_min),
                "measure_max_s": most, "measure_usual_s": usual,
                "transient_at_start_pa": plan.transient_pa,
                "fall_at_limit_pa": fall * most, "fall_at_limit_counts": fall * most / w.rig.far.pa_per_count,
                "fall_at_limit_pa_per_s": fall,
                "good": of(&plan.good), "at_limit": of(&plan.limit), "bad": of(&plan.bad),
                "valve_usual_s": valve(usual), "valve_late_s": valve(late), "valve_max_s": valve(most),
                "batch": question.batch,
                "batch_usual_s": f64::from(question.batch) * valve(usual),
                "batch_max_s": f64::from(question.batch) * valve(most),
            })
        }
        PlanOutcome::Cannot(falling) => json!({
            "good": of(&falling.good), "bad": of(&falling.bad),
            "change_first": falling.levers.first().map(|lever| lever.change.name()),
            "changes": falling.levers.iter().map(|lever| json!({
                "what": lever.change.name(), "to": lever.change.value(), "enough": lever.enough, "share": lever.share,
                "words": change_words(question, lever.change, &units),
            })).collect::<Vec<_>>(),
            "together": falling.together.as_ref().map(|together| json!({
                "changes": together.changes.iter().map(|c| change(*c)).collect::<Vec<_>>(),
                "enough": together.enough, "share": together.share,
                "words": together_words(question, together, &units),
            })),
        }),
    };
    if let (Value::Object(all), Value::Object(more)) = (&mut all, more) {
        all.extend(more);
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Of 120, five called in error are too many for one in a hundred, and four may be chance: the lower 2.5 % limit of Clopper
    /// and Pearson is 1.4 % and 0.9 %.
    #[test]
    fn more_than_chance_is_over_the_risk() {
        let counts = VerdictCounts { runs: 120, ..VerdictCounts::default() };
        let over = [0, 4, 5, 34].map(|called| over(&counts, called, 0.01));
        assert_eq!(over, [false, false, true, true]);
    }
}
