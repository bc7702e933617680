//! `seathold study`: how good the measuring is.

use std::path::PathBuf;

use clap::{Args, Subcommand};
use seathold_sequencer::input::Side;
use serde_json::{Value, json};

use super::find::{In, Wanted};
use super::source::Source;
use super::study_drift::{self, DriftOf};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::recording;
use crate::study::anova::{self, Component, Measured};
use crate::study::chart::{self, RULES};
use crate::study::linearity::{self, Estimate};
use crate::study::page;
use crate::study::table::Table;
use crate::words::Short;

/// `seathold study …`.
#[derive(Debug, Subcommand)]
pub enum StudyCommand {
    /// Repeatability and reproducibility: every operator measures every valve equally often
    Crossed(Crossed),
    /// Bias against reference leaks, from a table with columns reference and value
    Linearity(Linearity),
    /// One valve measured again and again: a control chart with run rules
    Stability(Stability),
    /// How own leak, time constant, volume and gain move from one calibration to the next, and when that is due
    Drift(DriftOf),
}

/// Where measurements come from.
#[derive(Debug, Args)]
pub struct From {
    /// Recordings, or folders of them; without any, and without --table, runs are taken from the register
    pub files: Vec<PathBuf>,
    /// CSV file with a column value (or leak), and for a crossed study part (or valve) and operator (or appraiser)
    #[arg(long, value_name = "FILE", conflicts_with = "files")]
    pub table: Option<PathBuf>,
    #[command(flatten)]
    pub wanted: Wanted,
    #[command(flatten)]
    pub place: In,
}

/// `seathold study crossed`.
#[derive(Debug, Args)]
pub struct Crossed {
    #[command(flatten)]
    pub from: From,
    /// Probability that intervals cover with
    #[arg(long, value_name = "P", default_value_t = 0.95, value_parser = coverage)]
    pub coverage: f64,
    /// The result as a JSON object
    #[arg(long)]
    pub json: bool,
}

/// `seathold study linearity`.
#[derive(Debug, Args)]
pub struct Linearity {
    /// CSV file with columns reference and value, in the same unit
    #[arg(long, value_name = "FILE")]
    pub table: PathBuf,
    /// Probability that intervals cover with
    #[arg(long, value_name = "P", default_value_t = 0.95, value_parser = coverage)]
    pub coverage: f64,
    /// The result as a JSON object
    #[arg(long)]
    pub json: bool,
}

/// `seathold study stability`.
#[derive(Debug, Args)]
pub struct Stability {
    #[command(flatten)]
    pub from: From,
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

pub(super) fn coverage(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(p) if (0.5..=0.999).contains(&p) => Ok(p),
        _ => Err("give a probability from 0.5 to 0.999".into()),
    }
}

pub(super) fn run(command: &StudyCommand, console: &mut Console<'_>) -> Result<Exit, Error> {
    match command {
        StudyCommand::Crossed(typed) => crossed(typed, console),
        StudyCommand::Linearity(typed) => linear(typed, console),
        StudyCommand::Stability(typed) => stable(typed, console),
        StudyCommand::Drift(typed) => study_drift::run(typed, console),
    }
}

/// Measurements in order: part, operator, value. A part of recordings is a side of a valve; values are in Pa·m³/s.
fn measured(from: &From, crossed: bool) -> Result<Vec<Measured>, Error> {
    const PART: &[&str] = &["part", "valve", "serial"];
    const OPERATOR: &[&str] = &["operator", "appraiser"];
    const VALUE: &[&str] = &["value", "leak"];
    if let Some(path) = &from.table {
        let columns: &[&[&str]] = if crossed { &[VALUE, PART, OPERATOR] } else { &[VALUE] };
        let table = Table::read(path, columns)?;
        let row = |(number, (_, cells)): (usize, &(usize, Vec<String>))| {
            let text = |at: usize| cells.get(at).cloned().unwrap_or_default();
            Ok(Measured { part: text(1), operator: text(2), value: table.number(number, 0)? })
        };
        return table.rows.iter().enumerate().map(row).collect();
    }
    let source = Source::open(&from.files, &from.wanted, &from.place)?;
    let mut found: Vec<(String, Measured)> = Vec::new();
    for one in source.recordings(&from.wanted)? {
        let one = one?;
        let read = recording::read_bytes(&one.bytes);
        let recording = read.map_err(|why| Error::usage(format!("{}: {why}", one.name)))?;
        let header = &recording.header;
        if from.wanted.serial.as_ref().is_some_and(|serial| *serial != header.serial) {
            continue;
        }
        for side in recording.summary().sides {
            let end = if side.side == Side::First { "A" } else { "B" };
            let Some(figure) = side.figure else { continue };
            let (part, operator) = (format!("{} {end}", header.serial), header.operator.clone());
            found.push((header.started_at.clone(), Measured { part, operator, value: figure.leak.pa_m3_s() }));
        }
    }
    found.sort_by(|a, b| a.0.cmp(&b.0));
    Ok(found.into_iter().map(|(_, measured)| measured).collect())
}

fn crossed(typed: &Crossed, console: &mut Console<'_>) -> Result<Exit, Error> {
    let measured = measured(&typed.from, true)?;
    let study = anova::study(&measured, typed.coverage).map_err(Error::usage)?;
    let total = study.total();
    let rows = [
        ("repeatability", study.repeatability),
        ("reproducibility", study.reproducibility),
        ("both together", study.both),
        ("between parts", study.between),
    ];
    if typed.json {
        let component = |c: Component| json!({ "variance": c.variance, "low": c.low, "high": c.high });
        let row = |r: anova::Row| json!({ "squares": r.squares, "freedom": r.freedom });
        let result = json!({ "crossed": {
            "parts": study.counts[0], "operators": study.counts[1], "repeats": study.counts[2],
            "table": { "parts": row(study.parts), "operators": row(study.operators),
                "interaction": row(study.interaction), "repeats": row(study.repeats) },
            "interaction_p": study.interaction_p, "pooled": study.pooled, "coverage": study.coverage,
            "repeatability": component(study.repeatability), "reproducibility": component(study.reproducibility),
            "both": component(study.both), "between": component(study.between),
            "share": study.share(), "categories": study.categories(),
        }});
        writeln!(console.out, "{result}")?;
        return Ok(Exit::Good);
    }
    let [p, o, r] = study.counts;
    writeln!(console.out, "{p} parts × {o} operators × {r} repeats")?;
    writeln!(console.out, "  {:16} {:>12}  {:>25}  {:>9}", "", "deviation", "interval", "of whole")?;
    for (name, c) in rows {
        let share = 100.0 * c.deviation() / total.sqrt();
        let interval = format!("{} to {}", Short(c.low.sqrt()), Short(c.high.sqrt()));
        writeln!(console.out, "  {name:16} {:>12}  {interval:>25}  {share:>7.2} %", Short(c.deviation()).to_string())?;
    }
    let pooled = if study.pooled { "pooled with the repeats" } else { "kept apart" };
    writeln!(console.out, "  interaction      p = {:.3}, {pooled}", study.interaction_p)?;
    let categories = study.categories().map_or_else(|| "no variation of the measuring".into(), |n| n.to_string());
    let enough = if study.categories().is_some_and(|n| n < 5) { "; at least 5 are wanted" } else { "" };
    writeln!(console.out, "  categories       {categories}{enough}")?;
    writeln!(console.out, "  intervals cover with {} %", typed.coverage * 100.0)?;
    if p < 10 || o < 3 {
        writeln!(console.out, "  a small study: ten parts and three operators are usual, and intervals show it")?;
    }
    Ok(Exit::Good)
}

fn linear(typed: &Linearity, console: &mut Console<'_>) -> Result<Exit, Error> {
    let table = Table::read(&typed.table, &[&["reference"], &["value", "leak"]])?;
    let pair = |row: usize| Ok((table.number(row, 0)?, table.number(row, 1)?));
    let pairs = (0..table.rows.len()).map(pair).collect::<Result<Vec<_>, Error>>()?;
    let found = linearity::linearity(&pairs, typed.coverage).map_err(Error::usage)?;
    if typed.json {
        let estimate = |e: Estimate| json!({ "value": e.value, "half": e.half.is_finite().then_some(e.half) });
        let biases: Vec<Value> = found
            .biases
            .iter()
            .map(|(at, bias, n)| json!({ "reference": at, "bias": estimate(*bias), "n": n }))
            .collect();
        let result = json!({ "linearity": {
            "biases": biases, "intercept": found.intercept.map(estimate), "slope": found.slope.map(estimate),
            "coverage": typed.coverage,
        }});
        writeln!(console.out, "{result}")?;
        return Ok(Exit::Good);
    }
    let proven = |e: Estimate| if e.is_proven() { "  proven" } else { "" };
    let text = |e: Estimate| format!("{} ± {}{}", Short(e.value), Short(e.half), proven(e));
    writeln!(console.out, "{} measurements of {} reference leaks", pairs.len(), found.biases.len())?;
    for (at, bias, n) in &found.biases {
        writeln!(console.out, "  bias at {:<10} {}  ({n} times)", Short(*at).to_string(), text(*bias))?;
    }
    if let (Some(intercept), Some(slope)) = (found.intercept, found.slope) {
        writeln!(console.out, "  at no leak         {}", text(intercept))?;
        writeln!(console.out, "  for each unit      {}", text(slope))?;
    }
    writeln!(console.out, "  intervals cover with {} %", typed.coverage * 100.0)?;
    Ok(Exit::Good)
}

fn stable(typed: &Stability, console: &mut Console<'_>) -> Result<Exit, Error> {
    let measured = measured(&typed.from, false)?;
    if let Some(other) = measured.iter().find(|m| Some(&m.part) != measured.first().map(|first| &first.part)) {
        let first = measured.first().map_or("", |first| first.part.as_str());
        let message = format!(
            "{first} and {}: a chart is of one side of one valve; choose --serial, and test one side",
            other.part
        );
        return Err(Error::usage(message));
    }
    let values: Vec<f64> = measured.iter().map(|m| m.value).collect();
    let chart = chart::chart(&values).map_err(Error::usage)?;
    if let Some(path) = &typed.html {
        super::report::write_file(path, page::control(&values, &chart).as_bytes())?;
    }
    if typed.json {
        let signals: Vec<Value> =
            chart.signals.iter().map(|(point, rule)| json!({ "point": point + 1, "rule": rule })).collect();
        let result = json!({ "stability": {
            "values": values, "mean": chart.mean, "sigma": chart.sigma, "signals": signals } });
        writeln!(console.out, "{result}")?;
        return Ok(Exit::Good);
    }
    let (low, high) = (chart.mean - 3.0 * chart.sigma, chart.mean + 3.0 * chart.sigma);
    writeln!(console.out, "{} values, mean {}, sigma {}", values.len(), Short(chart.mean), Short(chart.sigma))?;
    writeln!(console.out, "  control limits   {} to {}", Short(low), Short(high))?;
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
    if typed.plot {
        write!(console.out, "\n{}", page::picture(&values, &chart).text())?;
    }
    Ok(Exit::Good)
}
