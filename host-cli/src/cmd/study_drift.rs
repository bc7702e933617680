//! `seathold study drift`: how calibrations move, and when the next one is due.

use std::path::{Path, PathBuf};

use clap::Args;
use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::Offset;
use seathold_analysis::calibration::bench::HoldRecorder;
use seathold_analysis::calibration::{CalibratedQuantity, Calibration, TimeConstant, ValueWithU, blank};
use seathold_analysis::study::chart::RULES;
use seathold_analysis::study::drift::{DatedValue, Drift, LONGEST, drift};
use seathold_analysis::study::page;
use seathold_recording::{self as recording, Recording};
use seathold_text::layout::percent;
use seathold_text::messages::{FourDigits, with_half_width};
use serde_json::{Value, json};

use super::find::{RegisterArg, RunFilterArgs};
use super::recordings_arg::RecordingsArg;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::schema::{self, JsonKind};

/// `seathold study drift`.
#[derive(Debug, Args)]
pub struct DriftArgs {
    /// Calibration files, recordings of runs with a plug in place of the valve, or folders of them; without any, runs
    /// of the register, with the plug's serial number
    pub files: Vec<PathBuf>,
    /// Coverage of the intervals
    #[arg(long, value_name = "P", default_value = "95 %", value_parser = crate::quantity_args::coverage)]
    pub coverage: f64,
    /// Page to write, with charts
    #[arg(long, value_name = "FILE")]
    pub html: Option<PathBuf>,
    /// Charts in the terminal
    #[arg(long, conflicts_with = "json")]
    pub plot: bool,
    #[command(flatten)]
    pub filter: RunFilterArgs,
    #[command(flatten)]
    pub register: RegisterArg,
    /// The result as a JSON object
    #[arg(long)]
    pub json: bool,
}

/// A calibrated quantity whose drift is studied.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum What {
    Background,
    Tau,
    Volume,
    Gain,
    Warming,
}

impl What {
    const ALL: [Self; 5] = [Self::Background, Self::Tau, Self::Volume, Self::Gain, Self::Warming];

    const fn name(self) -> &'static str {
        match self {
            Self::Background => "background leak",
            Self::Tau => "time constant",
            Self::Volume => "far volume",
            Self::Gain => "sensor gain",
            Self::Warming => "drift of the gas temperature",
        }
    }

    /// The unit it is printed in, and the factor from the base unit.
    const fn unit(self) -> (&'static str, f64) {
        match self {
            // At 100 kPa, the reference atmosphere of ISO 8778.
            Self::Background => ("mm³/s", 1e4),
            Self::Tau => ("s", 1.0),
            Self::Volume => ("cm³", 1e6),
            Self::Gain => ("", 1.0),
            Self::Warming => ("mK/s", 1e3),
        }
    }
}

type Values = Vec<(What, DatedValue)>;

fn of_file(path: &Path, values: &mut Values) -> Result<(), Error> {
    let read = Calibration::read(path)?;
    let v = &read.values;
    let mut push =
        |what, value, u| values.push((what, DatedValue { on: read.made, value, u, expires: Some(read.expires) }));
    match read.subject {
        CalibratedQuantity::Volume | CalibratedQuantity::Leak => {
            push(What::Volume, v.far_volume_m3, v.far_volume_m3 * v.far_volume_u_rel)
        }
        // Grown by two fifths, its variance has doubled (our judgement: that matters).
        CalibratedQuantity::Rest => push(What::Warming, v.temperature_drift_u_k_s, 0.4 * v.temperature_drift_u_k_s),
        CalibratedQuantity::Transducer => push(What::Gain, v.gain, v.gain * v.gain_u_rel),
        CalibratedQuantity::Blank => {
            push(What::Background, v.background_pa_m3_s, v.background_u_pa_m3_s);
            if v.tau_s > 0.0 {
                push(What::Tau, v.tau_s, v.tau_s * v.tau_u_rel);
            }
        }
    }
    Ok(())
}

/// A run with a plug in place of the valve.
fn of_run(name: &str, recording: &Recording, values: &mut Values) -> Result<(), Error> {
    let header = &recording.header;
    let began = header.started_at.parse::<Timestamp>();
    let began = began.map_err(|why| Error::usage(format!("{name}: begun at \"{}\": {why}", header.started_at)))?;
    let on: Date = Offset::UTC.to_datetime(began).date();
    let recorder = HoldRecorder::over(recording);
    if let Some(estimate) = recorder.side.and_then(|side| side.estimate) {
        let ValueWithU { value, u } = blank::background(&estimate, &header.rig);
        values.push((What::Background, DatedValue { on, value, u, expires: None }));
    }
    if let Some(TimeConstant { tau_s, u_rel }) = blank::time_constant(&recorder.samples()) {
        values.push((What::Tau, DatedValue { on, value: tau_s, u: tau_s * u_rel, expires: None }));
    }
    Ok(())
}

/// Everything in the files, or in the register.
fn found(args: &DriftArgs, console: &mut Console<'_>) -> Result<(Values, Exit), Error> {
    let mut values = Values::new();
    if args.files.is_empty() && args.filter.serial.is_none() {
        let message = "name calibration files, or give the serial number under which the plug was tested (--serial)";
        return Err(Error::usage(message));
    }
    let (sheets, recordings): (Vec<PathBuf>, Vec<PathBuf>) =
        super::named_files::with_endings(&args.files, &["toml", recording::EXTENSION])?
            .into_iter()
            .partition(|path| path.extension().is_some_and(|e| e == "toml"));
    for path in &sheets {
        of_file(path, &mut values)?;
    }
    if recordings.is_empty() && !sheets.is_empty() {
        return Ok((values, Exit::Good));
    }
    let source = RecordingsArg::open(&recordings, &args.filter, &args.register, console)?;
    let exit = source.each(&args.filter, console, |name, recording| of_run(name, &recording, &mut values))?;
    Ok((values, exit))
}

pub(super) fn run(args: &DriftArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let (values, exit) = found(args, console)?;
    let mut results: Vec<(What, Result<Drift, String>)> = Vec::new();
    for what in What::ALL {
        let scale = what.unit().1;
        let of = values.iter().filter(|(w, _)| *w == what);
        let of: Vec<DatedValue> =
            of.map(|(_, f)| DatedValue { value: f.value * scale, u: f.u * scale, ..*f }).collect();
        if !of.is_empty() {
            results.push((what, drift(of, args.coverage)));
        }
    }
    if results.is_empty() {
        return Err(Error::usage("there is no calibration, and no run with an estimate, in what was named"));
    }
    let drifts: Vec<(What, &Drift)> = results.iter().filter_map(|(what, d)| Some((*what, d.as_ref().ok()?))).collect();
    let name = |what: What| match what.unit().0 {
        "" => what.name().to_owned(),
        unit => format!("{}, {unit}", what.name()),
    };
    if let Some(path) = &args.html {
        let charts: Vec<_> = drifts.iter().map(|(what, drift)| page::drift(&name(*what), drift)).collect();
        super::page_file::write_page(path, &page::drifts(&charts, &text(&results, args.coverage)))?;
    }
    if args.json {
        let of = |(what, drift): &(What, Result<Drift, String>)| match drift {
            Ok(d) => json!({ "what": what.name(), "unit": what.unit().0, "values": d.points,
                "slope_a_day": d.line.slope.value, "half": d.line.slope.half, "proven": d.line.slope.is_proven(),
                "allowed": d.allowed, "lasts_days": d.lasts, "due": d.due().0.to_string(),
                "signals": d.chart.signals.iter().map(|(p, r)| json!({ "point": p + 1, "rule": r })).collect::<Vec<Value>>() }),
            Err(why) => json!({ "what": what.name(), "none": why }),
        };
        let result = json!({ "drift": results.iter().map(of).collect::<Vec<Value>>(), "coverage": args.coverage });
        schema::write(console, JsonKind::Drift, result)?;
    } else {
        write!(console.out, "{}", text(&results, args.coverage))?;
        if args.plot {
            for (what, drift) in &drifts {
                write!(console.out, "\n{}", page::drift(&name(*what), drift).text())?;
            }
        }
    }
    Ok(if drifts.is_empty() { Exit::NoVerdict } else { exit })
}

fn text(results: &[(What, Result<Drift, String>)], coverage: f64) -> String {
    let mut out = String::new();
    for (what, drift) in results {
        let drift = match drift {
            Ok(drift) => drift,
            Err(why) => {
                out += &format!("{}: {why}\n", what.name());
                continue;
            }
        };
        let unit = what.unit().0;
        let (Some(first), Some(last)) = (drift.found.first(), drift.found.last()) else { continue };
        let value = |v: f64| format!("{} {unit}", FourDigits(v)).trim_end().to_owned();
        out += &format!("{}: {} values from {} to {}\n", what.name(), drift.found.len(), first.on, last.on);
        // A hundred days: a day's drift has too many zeros.
        let (slope, half) = (drift.line.slope.value * 100.0, drift.line.slope.half * 100.0);
        let proven = if drift.line.slope.is_proven() { "proven" } else { "not proven" };
        let moved = if (1e-5..1e7).contains(&half) {
            format!("{} {unit}", with_half_width(slope, half)).trim_end().to_owned()
        } else {
            format!("{} ± {}", FourDigits(slope), value(half))
        };
        out += &format!("  in 100 days      {moved}  {proven}\n");
        let last_value = with_half_width(last.value, last.u);
        let last_value = match last_value.split_once(" ± ").filter(|_| (1e-5..1e7).contains(&last.u)) {
            Some((value, u)) => format!("{value} {unit}, standard uncertainty {u} {unit}").replace(" ,", ","),
            None => format!("{}, standard uncertainty {}", value(last.value), value(last.u)),
        };
        out += &format!("  last             {}\n", last_value.trim_end());
        let days = |days: f64| if days >= LONGEST { "ten years or more".into() } else { format!("{days:.0} days") };
        let [found, steepest] = drift.lasts.map(days);
        out += &format!("  moves so far in  {found}, by the steepest slope in the interval in {steepest}\n");
        let (due, drifted) = drift.due();
        out += &format!("  next due         {due}, {}\n", if drifted { "by its drift" } else { "when it expires" });
        for (point, rule) in &drift.chart.signals {
            let about = RULES.get(usize::from(*rule) - 1).unwrap_or(&"");
            out += &format!("  value {:<10} rule {rule}: {about}\n", point + 1);
        }
        if drift.chart.signals.is_empty() {
            out += "  control chart    no rule broken\n";
        }
        if drift.found.len() < 6 {
            out += "  a small sample: a slope through fewer than six values is rough\n";
        }
    }
    if results.iter().any(|(_, drift)| drift.is_ok()) {
        out += &format!("intervals cover with {} %\n", percent(coverage));
    }
    out
}
