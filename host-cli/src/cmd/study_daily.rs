//! `seathold study daily`: a reference leak and a plug, tested each day before the first valve, each on a control chart.

use std::path::PathBuf;

use clap::Args;
use jiff::{SignedDuration, Timestamp};
use seathold_analysis::study::chart::RULES;
use seathold_analysis::study::daily::{DailyCheck, Figure};
use seathold_analysis::study::page;
use seathold_sequencer::field::Unit;
use seathold_sequencer::units::Reference;
use seathold_sequencer::verdict::Verdict;
use seathold_text::layout::line;
use seathold_text::messages::{counted, verdict_word};
use serde_json::{Value, json};

use super::find::{RegisterArg, RunFilterArgs};
use super::recordings_arg::RecordingsArg;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::quantity_args::{self, QuantityArgs};
use crate::schema::{self, JsonKind};

/// `seathold study daily`.
#[derive(Debug, Args)]
pub struct DailyArgs {
    /// Recordings, or folders of them; without any, the register's
    pub files: Vec<PathBuf>,
    /// What its certificate says the reference leak passes, like "20 mm3/s"
    #[arg(long, value_name = "LEAK")]
    pub reference: String,
    /// Its standard uncertainty, as a ratio
    #[arg(long, value_name = "RATIO", default_value = "1 %")]
    pub reference_u: String,
    /// Serial number that the reference leak is tested under
    #[arg(long, value_name = "NUMBER", default_value = "CHECK-LEAK")]
    pub leak_serial: String,
    /// Serial number that the plug is tested under
    #[arg(long, value_name = "NUMBER", default_value = "CHECK-PLUG")]
    pub plug_serial: String,
    /// The first checks, which the control limits are from
    #[arg(long, value_name = "N", default_value_t = 20, value_parser = clap::value_parser!(u16).range(2..=1_000))]
    pub first: u16,
    /// How old the last check may be
    #[arg(long, value_name = "TIME", default_value = "12 h", value_parser = age)]
    pub within: i64,
    /// The time it is then, instead of now: an RFC 3339 time like 2026-03-02T09:30:00Z
    #[arg(long, value_name = "TIME")]
    pub at: Option<Timestamp>,
    /// Page to write, with the charts
    #[arg(long, value_name = "FILE")]
    pub html: Option<PathBuf>,
    /// Charts in the terminal
    #[arg(long, conflicts_with = "json")]
    pub plot: bool,
    /// The result as a JSON object
    #[arg(long)]
    pub json: bool,
    #[command(flatten)]
    pub register: RegisterArg,
}

fn age(text: &str) -> Result<i64, String> {
    quantity_args::one(Unit::Second, text, 60.0..=31_536_000.0).map(|seconds| seconds.round() as i64)
}

/// mm³/s for each Pa·m³/s, at 100 kPa (ISO 8778).
const MM3_S: f64 = 1e4;

/// One check standard; all figures in mm³/s.
struct CheckStandard {
    serial: String,
    /// What it is to be called.
    verdict: Verdict,
    certificate: Figure,
    /// What was measured, in order.
    checks: Vec<(Timestamp, Option<Figure>, Verdict)>,
}

/// What is said of one.
struct Judged {
    said: String,
    json: Value,
    chart: Option<(Vec<f64>, seathold_analysis::study::chart::ControlChart)>,
    good: bool,
}

pub(super) fn run(args: &DailyArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let mut o = QuantityArgs::default();
    let at = Reference::ISO_8778.pressure.pascals();
    let leak = o.quantity_in("--reference", Unit::PascalCubicMetrePerSecond, &args.reference, &(1e-9..=1.0), at);
    let leak_u = o.quantity("--reference-u", Unit::Ratio, &args.reference_u, 0.0..=0.2);
    if args.leak_serial == args.plug_serial {
        o.wrong(format!("--plug-serial: \"{}\" is the reference leak's", args.plug_serial));
    }
    o.finish()?;
    let value = leak.map_or(0.0, |(value, _)| value * MM3_S);
    // Two standard uncertainties, as the certificate of most leaks has it.
    let certificate = Figure { value, expanded: 2.0 * leak_u * value };
    let now = args.at.map_or_else(|| console.date(), Ok)?;
    let mut exit = Exit::Good;
    let mut judged = Vec::new();
    for (serial, verdict, certificate) in [
        (&args.leak_serial, Verdict::Leaking, certificate),
        (&args.plug_serial, Verdict::Tight, Figure { value: 0.0, expanded: 0.0 }),
    ] {
        let mut standard = CheckStandard { serial: serial.clone(), verdict, certificate, checks: Vec::new() };
        let read = standard.read(args, now, console)?;
        if read != Exit::Good {
            exit = read;
        }
        judged.push(standard.judge(args, now));
    }
    let good = judged.iter().all(|one| one.good);
    if let Some(path) = &args.html {
        let charts: Vec<_> = judged.iter().filter_map(|one| one.chart.as_ref()).collect();
        let text: String = judged.iter().map(|one| one.said.as_str()).collect();
        super::page_file::write_page(path, &page::daily(&charts, &text))?;
    }
    if args.json {
        let standards: Vec<&Value> = judged.iter().map(|one| &one.json).collect();
        schema::write(console, JsonKind::Daily, json!({ "daily": { "in_control": good, "standards": standards } }))?;
    } else {
        for one in &judged {
            write!(console.out, "{}", one.said)?;
            if let (true, Some((values, chart))) = (args.plot, &one.chart) {
                write!(console.out, "\n{}\n", page::picture(values, chart).text())?;
            }
        }
        let word = if good { "in control" } else { "STOP: find out why before the next valve" };
        writeln!(console.out, "daily check      {word}")?;
    }
    Ok(if good { exit } else { Exit::NoVerdict })
}

impl CheckStandard {
    /// The first sides of its runs.
    fn read(&mut self, args: &DailyArgs, now: Timestamp, console: &mut Console<'_>) -> Result<Exit, Error> {
        let filter = RunFilterArgs { serial: Some(self.serial.clone()), ..RunFilterArgs::default() };
        let source = RecordingsArg::open(&args.files, &filter, &args.register, console)?;
        let mut left_out = Vec::new();
        let mut checks = Vec::new();
        let exit = source.each(&filter, console, |name, recording| {
            let Ok(at) = recording.header.started_at.parse::<Timestamp>() else {
                left_out.push(format!("{name}: it has no date"));
                return Ok(());
            };
            if let Some(why) = &recording.damage {
                left_out.push(format!("{name}: {why}"));
                return Ok(());
            }
            if at > now {
                left_out.push(format!("{name}: it is of {at}, which is yet to come"));
                return Ok(());
            }
            if let Some(side) = recording.summary().sides.first() {
                let figure = side.estimate.map(|estimate| Figure {
                    value: estimate.leak.pa_m3_s() * MM3_S,
                    expanded: estimate.expanded.pa_m3_s() * MM3_S,
                });
                checks.push((at, figure, side.verdict));
            }
            Ok(())
        })?;
        for why in left_out {
            writeln!(console.err, "{why}; left out")?;
        }
        checks.sort_by_key(|(at, ..)| *at);
        self.checks = checks;
        Ok(exit)
    }

    fn judge(&self, args: &DailyArgs, now: Timestamp) -> Judged {
        let mut said = String::new();
        let serial = &self.serial;
        let Some((last, figure, verdict)) = self.checks.last() else {
            line(&mut said, serial, &format!("NOT MADE: there is no run of {serial}"));
            return Judged { said, json: json!({ "serial": serial, "checks": 0 }), chart: None, good: false };
        };
        let old = now.duration_since(*last) > SignedDuration::from_secs(args.within);
        let late = if old { ": NOT MADE since then" } else { "" };
        line(&mut said, serial, &format!("{}, the last {last:.0}{late}", counted(self.checks.len() as u64, "check")));
        let figures: Vec<Figure> = self.checks.iter().filter_map(|(_, figure, _)| *figure).collect();
        let mut json = json!({
            "serial": serial, "checks": self.checks.len(), "last": last.to_string(), "old": old, "verdict": verdict_word(*verdict),
        });
        let Some((figure, check)) = figure.zip(DailyCheck::of(&figures, self.certificate, args.first.into())) else {
            line(&mut said, "last", &format!("{}, without a figure: make it again", verdict_word(*verdict)));
            return Judged { said, json, chart: None, good: false };
        };
        let called = *verdict == self.verdict;
        let agrees = check.normalized_error <= 1.0;
        line(
            &mut said,
            "last",
            &format!(
                "{}{}, {:.2} ± {:.2} mm³/s for {:.2} ± {:.2}: {} (difference {:.2} of what both allow)",
                verdict_word(*verdict),
                if called { "" } else { ", WHICH IT IS NOT" },
                figure.value,
                figure.expanded,
                self.certificate.value,
                self.certificate.expanded,
                if agrees { "agrees" } else { "DOES NOT AGREE" },
                check.normalized_error
            ),
        );
        match &check.chart {
            None => line(&mut said, "chart", "begins with the second check"),
            Some(chart) => {
                let of = figures.len().min(args.first.into());
                let (low, high) = (chart.mean - 3.0 * chart.sigma, chart.mean + 3.0 * chart.sigma);
                let rough = if of < usize::from(args.first) { ", rough as yet" } else { "" };
                let limits = format!("{low:.2} to {high:.2} mm³/s, from the first {of}{rough}");
                line(&mut said, "limits", &limits);
                json["limits"] = json!([low, high]);
            }
        }
        for rule in &check.broken {
            let about = RULES.get(usize::from(*rule) - 1).unwrap_or(&"");
            line(&mut said, "OUT", &format!("rule {rule}: {about}"));
        }
        json["leak_mm3_s"] = json!(figure.value);
        json["expanded_mm3_s"] = json!(figure.expanded);
        json["normalized_error"] = json!(check.normalized_error.is_finite().then_some(check.normalized_error));
        json["certificate_mm3_s"] = json!([self.certificate.value, self.certificate.expanded]);
        json["broken"] = json!(check.broken);
        let good = !old && called && check.in_control();
        let values = figures.iter().map(|figure| figure.value).collect();
        Judged { said, json, chart: check.chart.map(|chart| (values, chart)), good }
    }
}
