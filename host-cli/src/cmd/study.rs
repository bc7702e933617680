//! `seathold study`: measurement system analysis, and what assembled batches tell.

use std::path::PathBuf;

use clap::{Args, Subcommand};
use seathold_analysis::study::anova::{self, Measurement, VarianceComponent};
use seathold_analysis::study::chart::{self, RULES};
use seathold_analysis::study::linearity::{self, ValueWithInterval};
use seathold_analysis::study::page;
use seathold_analysis::study::table::{CsvTable, length_unit};
use seathold_recording::plain::shown;
use seathold_sequencer::input::Side;
use seathold_text::layout::percent;
use seathold_text::messages::{FourDigits, with_half_width};
use serde_json::{Value, json};

use super::find::{RegisterArg, RunFilterArgs};
use super::recordings_arg::RecordingsArg;
use super::study_causes;
use super::study_daily::{self, DailyArgs};
use super::study_drift::{self, DriftArgs};
use super::study_lengths::{self, AssembledArgs};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::quantity_args;
use crate::schema::{self, JsonKind};

/// `seathold study …`.
#[derive(Debug, Subcommand)]
pub enum StudyCommand {
    /// Repeatability and reproducibility: every operator measures every valve equally often
    GaugeRr(GaugeRrArgs),
    /// Bias against reference leaks, from a table with columns reference and value
    Linearity(LinearityArgs),
    /// One valve measured repeatedly: a control chart with run rules
    Stability(StabilityArgs),
    /// The daily check: a reference leak and a plug, each on a control chart, before the first valve
    Daily(DailyArgs),
    /// Drift of background leak, time constant, volume and sensor gain, and when the next calibration is due
    Drift(DriftArgs),
    /// Finished lengths about their forecast, and the compression of the seals that follows
    Lengths(AssembledArgs),
    /// Whether leaks at the first proof go with a kit lot, a tool, a person, a step or a fitting length
    Causes(AssembledArgs),
}

/// Where measurements come from.
#[derive(Debug, Args)]
pub struct MeasurementsArg {
    /// Recordings, or folders of them; without any, and without --table, runs are taken from the register
    pub files: Vec<PathBuf>,
    /// CSV file with a column value (or leak, or length), and for gauge-rr part (or valve) and operator (or appraiser)
    #[arg(long, value_name = "FILE", conflicts_with = "files")]
    pub table: Option<PathBuf>,
    #[command(flatten)]
    pub filter: RunFilterArgs,
    #[command(flatten)]
    pub register: RegisterArg,
}

/// `seathold study gauge-rr`.
#[derive(Debug, Args)]
pub struct GaugeRrArgs {
    #[command(flatten)]
    pub from: MeasurementsArg,
    /// Coverage of the intervals
    #[arg(long, value_name = "P", default_value = "95 %", value_parser = quantity_args::coverage)]
    pub coverage: f64,
    /// The result as a JSON object
    #[arg(long)]
    pub json: bool,
}

/// `seathold study linearity`.
#[derive(Debug, Args)]
pub struct LinearityArgs {
    /// CSV file with columns reference and value, in the same unit
    #[arg(long, value_name = "FILE")]
    pub table: PathBuf,
    /// Coverage of the intervals
    #[arg(long, value_name = "P", default_value = "95 %", value_parser = quantity_args::coverage)]
    pub coverage: f64,
    /// The result as a JSON object
    #[arg(long)]
    pub json: bool,
}

/// `seathold study stability`.
#[derive(Debug, Args)]
pub struct StabilityArgs {
    #[command(flatten)]
    pub from: MeasurementsArg,
    /// The end on the supply side of what is charted, A or B, where runs tested both
    #[arg(long, value_name = "END", conflicts_with = "table", value_parser = ["A", "B"], ignore_case = true)]
    pub end: Option<String>,
    /// Page to write, with the chart
    #[arg(long, value_name = "FILE")]
    pub html: Option<PathBuf>,
    /// Chart in the terminal
    #[arg(long, conflicts_with = "json")]
    pub plot: bool,
    /// The result as a JSON object
    #[arg(long)]
    pub json: bool,
}

pub(super) fn run(command: &StudyCommand, console: &mut Console<'_>) -> Result<Exit, Error> {
    match command {
        StudyCommand::GaugeRr(args) => crossed(args, console),
        StudyCommand::Linearity(args) => linear(args, console),
        StudyCommand::Stability(args) => stable(args, console),
        StudyCommand::Daily(args) => study_daily::run(args, console),
        StudyCommand::Drift(args) => study_drift::run(args, console),
        StudyCommand::Lengths(args) => study_lengths::run(args, console),
        StudyCommand::Causes(args) => study_causes::run(args, console),
    }
}

/// What is studied.
struct Measured {
    all: Vec<Measurement>,
    /// The name of their column, where they are lengths.
    of_lengths: Option<String>,
    /// Whether something was left out.
    exit: Exit,
}

/// Measurements in order: part, operator, value. A part of recordings is a side of a valve; values are in Pa·m³/s. The
/// exit code says whether a recording was left out.
fn measured(from: &MeasurementsArg, crossed: bool, console: &mut Console<'_>) -> Result<Measured, Error> {
    const PART: &[&str] = &["part", "valve", "serial"];
    const OPERATOR: &[&str] = &["operator", "appraiser"];
    const VALUE: &[&str] = &["value", "leak", "length"];
    if let Some(path) = &from.table {
        let columns: &[&[&str]] = if crossed { &[VALUE, PART, OPERATOR] } else { &[VALUE] };
        let table = CsvTable::read(path, columns)?;
        let row = |(number, (_, cells)): (usize, &(usize, Vec<String>))| {
            let text = |at: usize| cells.get(at).cloned().unwrap_or_default();
            Ok(Measurement { part: text(1), operator: text(2), value: table.number(number, 0)? })
        };
        let all = table.rows.iter().enumerate().map(row).collect::<Result<_, Error>>()?;
        let of = table.names.first().filter(|name| name.starts_with("length")).cloned();
        return Ok(Measured { all, of_lengths: of, exit: Exit::Good });
    }
    let source = RecordingsArg::open(&from.files, &from.filter, &from.register, console)?;
    let mut found: Vec<(String, Measurement)> = Vec::new();
    let exit = source.each(&from.filter, console, |_, recording| {
        let header = &recording.header;
        for side in recording.summary().sides {
            let end = if side.side == Side::First { "A" } else { "B" };
            let Some(figure) = side.estimate else { continue };
            let (part, operator) = (format!("{} {end}", shown(&header.serial)), shown(&header.operator).into_owned());
            found.push((header.started_at.clone(), Measurement { part, operator, value: figure.leak.pa_m3_s() }));
        }
        Ok(())
    })?;
    found.sort_by(|a, b| a.0.cmp(&b.0));
    let all = found.into_iter().map(|(_, measured)| measured).collect();
    Ok(Measured { all, of_lengths: None, exit })
}

fn crossed(args: &GaugeRrArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let Measured { all, of_lengths, exit } = measured(&args.from, true, console)?;
    let study = anova::study(&all, args.coverage).map_err(Error::usage)?;
    let total = study.total();
    let rows = [
        ("repeatability", study.repeatability),
        ("reproducibility", study.reproducibility),
        ("both together", study.both),
        ("between parts", study.between),
    ];
    if args.json {
        let component = |c: VarianceComponent| json!({ "variance": c.variance, "low": c.low, "high": c.high });
        let row = |r: anova::AnovaRow| json!({ "squares": r.squares, "freedom": r.freedom });
        let result = json!({ "gauge_rr": {
            "parts": study.counts[0], "operators": study.counts[1], "repeats": study.counts[2],
            "table": { "parts": row(study.parts), "operators": row(study.operators),
                "interaction": row(study.interaction), "repeats": row(study.repeats) },
            "interaction_p": study.interaction_p, "pooled": study.pooled, "coverage": study.coverage,
            "repeatability": component(study.repeatability), "reproducibility": component(study.reproducibility),
            "both": component(study.both), "between": component(study.between),
            "share": study.share(), "categories": study.categories(),
        }});
        schema::write(console, JsonKind::GaugeRr, result)?;
        return Ok(exit);
    }
    let [p, o, r] = study.counts;
    writeln!(console.out, "{p} parts × {o} operators × {r} repeats")?;
    writeln!(console.out, "  {:16} {:>12}  {:>25}  {:>9}", "", "deviation", "interval", "of whole")?;
    for (name, c) in rows {
        let share = if total > 0.0 { format!("{:.2} %", 100.0 * c.deviation() / total.sqrt()) } else { "–".into() };
        let interval = format!("{} to {}", FourDigits(c.low.sqrt()), FourDigits(c.high.sqrt()));
        writeln!(console.out, "  {name:16} {:>12}  {interval:>25}  {share:>9}", FourDigits(c.deviation()).to_string())?;
    }
    let pooled = if study.pooled { "pooled with the repeats" } else { "kept apart" };
    writeln!(console.out, "  interaction      p = {:.3}, {pooled}", study.interaction_p)?;
    let categories = study.categories().map_or_else(|| "no variation of the measurements".into(), |n| n.to_string());
    let enough = if study.categories().is_some_and(|n| n < 5) { "; at least 5 are needed" } else { "" };
    writeln!(console.out, "  categories       {categories}{enough}")?;
    writeln!(console.out, "  intervals cover with {} %", percent(args.coverage))?;
    let repeats = study.repeatability.deviation();
    if let Some(column) = of_lengths.filter(|_| repeats > 0.0) {
        let (unit, sure) = length_unit(&column).map_or(("mm", ", where they are in mm"), |unit| (unit.text, ""));
        writeln!(console.out, "  of lengths       for `pair`: --repeat-u \"{} {unit}\"{sure}", FourDigits(repeats))?;
    }
    if total <= 0.0 {
        writeln!(
            console.out,
            "  no two measurements differ: written too coarsely, or copied? Nothing can be told from them"
        )?;
    }
    if p < 10 || o < 3 {
        writeln!(console.out, "  a small study: ten parts and three operators are usual, and intervals show it")?;
    }
    Ok(exit)
}

fn linear(args: &LinearityArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let table = CsvTable::read(&args.table, &[&["reference"], &["value", "leak"]])?;
    let pair = |row: usize| Ok((table.number(row, 0)?, table.number(row, 1)?));
    let pairs = (0..table.rows.len()).map(pair).collect::<Result<Vec<_>, Error>>()?;
    let found = linearity::linearity(&pairs, args.coverage).map_err(Error::usage)?;
    if args.json {
        let estimate = |e: ValueWithInterval| json!({ "value": e.value, "half": e.half.is_finite().then_some(e.half) });
        let biases: Vec<Value> = found
            .biases
            .iter()
            .map(|(at, bias, n)| json!({ "reference": at, "bias": estimate(*bias), "n": n }))
            .collect();
        let result = json!({ "linearity": {
            "biases": biases, "intercept": found.intercept.map(estimate), "slope": found.slope.map(estimate),
            "coverage": args.coverage,
        }});
        schema::write(console, JsonKind::Linearity, result)?;
        return Ok(Exit::Good);
    }
    writeln!(console.out, "{} measurements of {} reference leaks", pairs.len(), found.biases.len())?;
    for (at, bias, n) in &found.biases {
        let times = if *n == 1 { "once".into() } else { format!("{n} times") };
        writeln!(console.out, "  bias at {:<10} {}  ({times})", FourDigits(*at).to_string(), with_interval(*bias))?;
    }
    if let (Some(intercept), Some(slope)) = (found.intercept, found.slope) {
        writeln!(console.out, "  at no leak         {}", with_interval(intercept))?;
        writeln!(console.out, "  for each unit      {}", with_interval(slope))?;
    } else {
        writeln!(console.out, "  one reference leak: whether the bias grows with the leak takes two, better five")?;
    }
    writeln!(console.out, "  intervals cover with {} %", percent(args.coverage))?;
    if found.biases.len() < 5 || found.biases.iter().any(|(_, _, n)| *n < 10) {
        writeln!(
            console.out,
            "  a small study: five reference leaks or more, each measured ten times, are usual (AIAG MSA, from memory)"
        )?;
    }
    Ok(Exit::Good)
}

/// A value with its interval, or why it has none.
fn with_interval(e: ValueWithInterval) -> String {
    if e.half.is_infinite() {
        return format!("{}, no interval from one measurement", FourDigits(e.value));
    }
    if e.half <= 0.0 {
        return format!("{}, no interval: the measurements show no scatter", FourDigits(e.value));
    }
    let proven = if e.is_proven() { "  proven" } else { "" };
    // In other sizes, like Pa·m³/s, plain places would be noughts.
    if !(1e-5..1e7).contains(&e.half) {
        return format!("{} ± {:.1e}{proven}", FourDigits(e.value), e.half);
    }
    format!("{}{proven}", with_half_width(e.value, e.half))
}

fn stable(args: &StabilityArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let Measured { all: mut measured, exit, .. } = measured(&args.from, false, console)?;
    if let Some(end) = &args.end {
        measured.retain(|m| m.part.ends_with(&format!(" {}", end.to_uppercase())));
    }
    if let Some(other) = measured.iter().find(|m| Some(&m.part) != measured.first().map(|first| &first.part)) {
        let first = measured.first().map_or("", |first| first.part.as_str());
        let message = format!(
            "{first} and {}: a chart is of one side of one valve; choose it by --serial, and its end by --end A or --end B",
            other.part
        );
        return Err(Error::usage(message));
    }
    let values: Vec<f64> = measured.iter().map(|m| m.value).collect();
    let chart = chart::chart(&values).map_err(Error::usage)?;
    if let Some(path) = &args.html {
        super::page_file::write_page(path, &page::control(&values, &chart))?;
    }
    if args.json {
        let signals: Vec<Value> =
            chart.signals.iter().map(|(point, rule)| json!({ "point": point + 1, "rule": rule })).collect();
        let result = json!({ "stability": {
            "values": values, "mean": chart.mean, "sigma": chart.sigma, "signals": signals } });
        schema::write(console, JsonKind::Stability, result)?;
        return Ok(exit);
    }
    let (low, high) = (chart.mean - 3.0 * chart.sigma, chart.mean + 3.0 * chart.sigma);
    writeln!(
        console.out,
        "{} values, mean {}, sigma {}",
        values.len(),
        FourDigits(chart.mean),
        FourDigits(chart.sigma)
    )?;
    writeln!(console.out, "  control limits   {} to {}", FourDigits(low), FourDigits(high))?;
    for (point, rule) in &chart.signals {
        let about = RULES.get(usize::from(*rule) - 1).unwrap_or(&"");
        writeln!(console.out, "  point {:<10} rule {rule}: {about}", point + 1)?;
    }
    if chart.signals.is_empty() {
        writeln!(console.out, "  no rule broken")?;
    }
    if values.len() < 20 {
        writeln!(console.out, "  a small sample: limits from fewer than 20 values are rough")?;
    }
    if args.plot {
        write!(console.out, "\n{}", page::picture(&values, &chart).text())?;
    }
    Ok(exit)
}
