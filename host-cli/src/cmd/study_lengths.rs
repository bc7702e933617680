//! `seathold study lengths`: how finished lengths scatter about their forecast, and what the seals give.

use clap::Args;
use seathold_analysis::study::lengths::{LengthBudget, LengthDifference, LengthStudy, StatedUncertainty, VALVES_FEW};
use seathold_register::assembly::finished_lengths::{FinishedLength, FinishedLengths, LengthsLeftOut};
use seathold_register::assembly::sealed::mm;
use seathold_register::valves::BatchRecord;
use seathold_register::{Access, Register};
use seathold_text::layout::{line, wrapped};
use seathold_text::messages::{FourDigits, counted};
use serde_json::{Value, json};

use super::find::RegisterArg;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::schema::{self, JsonKind};

/// Which assembled batches a study is of.
#[derive(Debug, Args)]
pub struct AssembledArgs {
    /// Only this batch; may be given again [default: all]
    #[arg(long, value_name = "NAME")]
    pub batch: Vec<String>,
    #[command(flatten)]
    pub register: RegisterArg,
    /// The result as a JSON object
    #[arg(long)]
    pub json: bool,
}

impl AssembledArgs {
    /// The register and the batches, each once.
    pub(super) fn open(&self) -> Result<(Register, Vec<BatchRecord>), Error> {
        let register = Register::open(&self.register.register, Access::Read)?;
        if self.batch.is_empty() {
            let all = register.batches()?;
            return Ok((register, all));
        }
        let mut batches: Vec<BatchRecord> = Vec::new();
        for name in &self.batch {
            let batch = register.batch_named(name)?;
            if batches.iter().all(|known| known.batch != batch.batch) {
                batches.push(batch);
            }
        }
        Ok((register, batches))
    }
}

/// Below this p batches are said to differ: common practice, no source.
const DIFFER_P: f64 = 0.05;

/// What was found of a batch.
struct BatchLengths {
    name: String,
    differences: Vec<LengthDifference>,
    left_out: LengthsLeftOut,
}

impl BatchLengths {
    fn read(register: &Register, batch: BatchRecord) -> Result<Self, Error> {
        let FinishedLengths { valves, left_out } = FinishedLengths::of(register, &batch)?;
        // Bodies that were measured differ; those of one stated length do not.
        let bodies_measured = valves.windows(2).any(|two| two[0].body_mm.to_bits() != two[1].body_mm.to_bits());
        let of = |valve: &FinishedLength| {
            let budget = LengthBudget {
                forecast_mm: valve.by.forecast_u_mm,
                compression_mm: valve.by.compression_u_mm,
                gauge_mm: valve.by.gauge_u_mm,
                reading_mm: valve.by.reading_u_mm,
                once_mm: valve.by.read_once_u_mm(),
                measured_mm: valve.measured_u_mm,
                bodies_measured,
            };
            LengthDifference::new(valve.measured_mm - valve.forecast_mm, valve.by.compression_mm, &budget)
        };
        Ok(Self { name: batch.name, differences: valves.iter().map(of).collect(), left_out })
    }

    /// Whether anything of its assembly is there to be told.
    fn says_something(&self) -> bool {
        let out = &self.left_out;
        let beside = [out.without_forecast, out.other_fittings, out.before_rework, out.no_length, out.struck_notes];
        !self.differences.is_empty() || beside.iter().any(|n| *n > 0) || out.damaged_notes > 0
    }
}

pub(super) fn run(args: &AssembledArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let (register, batches) = args.open()?;
    let batches =
        batches.into_iter().map(|batch| BatchLengths::read(&register, batch)).collect::<Result<Vec<_>, _>>()?;
    let each: Vec<Option<LengthStudy>> =
        batches.iter().map(|batch| LengthStudy::of(std::slice::from_ref(&batch.differences))).collect();
    let differences: Vec<Vec<LengthDifference>> = batches.iter().map(|batch| batch.differences.clone()).collect();
    let pooled = LengthStudy::of(&differences);
    if args.json {
        schema::write(console, JsonKind::Lengths, as_json(&batches, &each, pooled.as_ref()))?;
    } else {
        write!(console.out, "{}", text(&batches, &each, pooled.as_ref()))?;
    }
    Ok(if pooled.is_some() { Exit::Good } else { Exit::NoVerdict })
}

fn as_json(batches: &[BatchLengths], each: &[Option<LengthStudy>], pooled: Option<&LengthStudy>) -> Value {
    let study = |study: Option<&LengthStudy>| {
        study.map(|study| {
            let mut value = json!(study);
            let [compression, u] = options(study);
            value["pair_options"] = json!(["--compression", compression, "--compression-u", u]);
            value["spread_hardly_known"] = json!(study.valves < VALVES_FEW);
            value
        })
    };
    let of = |(batch, found): (&BatchLengths, &Option<LengthStudy>)| json!({ "batch": batch.name, "valves": batch.differences.len(), "left_out": batch.left_out, "study": study(found.as_ref()) });
    json!({
        "batches": batches.iter().zip(each).map(of).collect::<Vec<Value>>(),
        "pooled": study(pooled),
        "coverage": seathold_analysis::study::lengths::COVERAGE,
    })
}

/// What `pair` is to be given. It takes no compression below 0.
fn options(study: &LengthStudy) -> [String; 2] {
    // Upwards, so that rounding states no more than was found.
    let u = (study.next_u_mm * 1e3 - 1e-6).ceil() / 1e3;
    [format!("{}mm", mm(study.compression_mm.max(0.0))), format!("{}mm", mm(u))]
}

fn signed(length: f64) -> String {
    let text = mm(length);
    if text.starts_with('-') || text == "0.000" { text } else { format!("+{text}") }
}

fn text(batches: &[BatchLengths], each: &[Option<LengthStudy>], pooled: Option<&LengthStudy>) -> String {
    let mut out = String::new();
    for (batch, study) in batches.iter().zip(each).filter(|(batch, _)| batch.says_something()) {
        let valves = counted(batch.differences.len() as u64, "valve");
        wrapped(&mut out, "", 0, &format!("batch {}: {valves} measured beside the forecast", batch.name));
        told(&mut out, study.as_ref());
        left_out(&mut out, &batch.left_out);
    }
    let several = batches.iter().filter(|batch| !batch.differences.is_empty()).count() > 1;
    if several {
        let valves: usize = batches.iter().map(|batch| batch.differences.len()).sum();
        wrapped(
            &mut out,
            "",
            0,
            &format!("all together: {} measured beside the forecast", counted(valves as u64, "valve")),
        );
        told(&mut out, pooled);
        if let Some(study) = pooled {
            together(&mut out, study);
        }
    }
    if out.is_empty() {
        wrapped(
            &mut out,
            "",
            0,
            "no valve was measured beside its forecast: `pair --keep` keeps forecasts, `assembly bolt` finished lengths",
        );
    } else if pooled.is_some() {
        wrapped(
            &mut out,
            "",
            0,
            "Intervals cover with 95 %. Nothing takes these options by itself: choose, and give them to `pair`.",
        );
    }
    out
}

fn told(out: &mut String, study: Option<&LengthStudy>) {
    let Some(study) = study else {
        line(out, "difference", "no mean yet: it takes two valves, with a finished length each");
        return;
    };
    let (mean, low, high) = (signed(study.mean_mm), signed(study.mean_low_mm), signed(study.mean_high_mm));
    line(out, "difference", &format!("measured less forecast: {mean} mm on average, {low} to {high} mm"));
    line(out, "scatter", &scatter(study));
    line(
        out,
        "compression",
        &format!(
            "{} mm, standard uncertainty {} mm: scatter of the mean {}, gauges {} mm",
            mm(study.compression_mm),
            mm(study.compression_u_mm),
            mm(study.scatter_of_mean_mm),
            mm(study.gauges_mm)
        ),
    );
    if study.compression_mm < 0.0 {
        line(out, "", "NO COMPRESSION IS BELOW 0: look at the gauge's zero, and at the length of the bodies");
    }
    let left = if study.valve_to_valve_mm > 0.0 {
        format!("{} mm from valve to valve, readings and bodies taken off", mm(study.valve_to_valve_mm))
    } else {
        "none from valve to valve beside what readings and bodies explain".into()
    };
    line(out, "", &left);
    if study.valves < VALVES_FEW {
        line(out, "few", &format!("with fewer than {VALVES_FEW} valves the spread is hardly known"));
    }
    let [compression, u] = options(study);
    line(out, "for pair", &format!("--compression {compression} --compression-u {u}"));
}

fn scatter(study: &LengthStudy) -> String {
    let deviation = format!("standard deviation {} mm", mm(study.deviation_mm));
    let (Some(ratio), Some(low), Some(high)) = (study.ratio, study.ratio_low, study.ratio_high) else {
        return format!("{deviation}; no uncertainty was stated to compare it with");
    };
    let beside = format!("{deviation}, {} of the {} mm stated", Ratio(ratio), mm(study.stated_mm));
    let said = match study.found {
        None => return format!("{beside}: no two valves differ; written too coarsely?"),
        Some(StatedUncertainty::TooSmall) => "what was stated is TOO SMALL",
        Some(StatedUncertainty::AsStated) => "as stated",
        Some(StatedUncertainty::TooLarge) => {
            "what was stated is larger than the scatter; what is common to all valves is in it too, and shows in the average alone"
        }
    };
    format!("{beside} ({} to {}): {said}", Ratio(low), Ratio(high))
}

/// A ratio with two decimals, or four digits where it is large.
struct Ratio(f64);

impl std::fmt::Display for Ratio {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        if self.0 < 100.0 { write!(f, "{:.2}", self.0) } else { write!(f, "{}", FourDigits(self.0)) }
    }
}

fn together(out: &mut String, study: &LengthStudy) {
    let Some(p) = study.batches_alike_p else { return };
    let said = match study.batches_apart {
        false => "they differ by no more than chance explains",
        true if p < DIFFER_P => {
            "THEY DIFFER: each counts once, as one mean. Better take the batch that is most like the next one"
        }
        true => "they may differ, so each counts once, as one mean",
    };
    line(out, "batches", &format!("{said} (analysis of variance, p = {p:.3})"));
}

fn left_out(out: &mut String, left: &LengthsLeftOut) {
    let valves = |n: usize, why: &str| (n > 0).then(|| format!("{n} {why}"));
    let said: Vec<String> = [
        valves(left.not_measured, "not measured"),
        valves(left.without_forecast, "without a forecast"),
        valves(left.other_fittings, "bolted of other fittings"),
        valves(left.before_rework, "measured before a rework"),
        valves(left.no_length, "with a figure that is no length"),
        (left.struck_notes > 0).then(|| counted(left.struck_notes as u64, "struck note")),
        (left.damaged_notes > 0).then(|| counted(left.damaged_notes as u64, "damaged note")),
    ]
    .into_iter()
    .flatten()
    .collect();
    if !said.is_empty() {
        line(out, "left out", &said.join(", "));
    }
}
