//! `seathold show`: a recording as text, CSV or JSON.

use std::io::Write as _;

use seathold_recording::plain::shown;
use seathold_recording::{self as recording, Recording, RecordingGap, Summary};
use seathold_report::export::samples::samples;
use seathold_sequencer::input::Side;
use seathold_sequencer::output::{GasValve, Pilot};
use seathold_text::layout::{line, percent};
use seathold_text::messages::{self, UnitFormat};
use seathold_text::outcome;
use serde::{Serialize, Serializer};
use serde_json::{Value, json};

use super::run_common::drift_margins;
use crate::args::ShowArgs;
use crate::console::{Console, local_time};
use crate::error::Error;
use crate::exit::Exit;
use crate::plot::plot;
use crate::schema::JsonKind;

/// Shows a recording as far as it is intact. Damage is reported on standard error, and in the exit code.
pub(super) fn run(command: &ShowArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let recording = recording::read(&command.file)?;
    let mut shown_in = recording.header.display_units.clone();
    if let Some(unit) = &command.unit {
        shown_in.pressure.clone_from(unit);
    }
    let units = UnitFormat::new(&recording.header.recipe, &shown_in);
    let summary = recording.summary();
    if command.csv {
        csv(&recording, console)?;
    } else if command.json {
        as_json(&recording, &summary, &units, console)?;
    } else if command.budget {
        write!(console.out, "{}", budget(&summary, &units, recording.header.recipe.coverage))?;
    } else {
        let here = local_time(&recording.header.started_at, &console.clock.zone());
        write!(console.out, "{}", text(&recording, &summary, &units, here.as_deref()))?;
    }
    match &recording.damage {
        None => Ok(Exit::Good),
        Some(why) => {
            let shown = recording.length().as_ticks() as f64 / 1e6;
            writeln!(
                console.err,
                "{}: {why}. Shown are the first {shown:.1} s, which are intact.",
                command.file.display()
            )?;
            Ok(Exit::Storage)
        }
    }
}

fn text(recording: &Recording, summary: &Summary, units: &UnitFormat, here: Option<&str>) -> String {
    let header = &recording.header;
    let unfinished = if recording.damage.is_some() { " (recording incomplete)" } else { "" };
    let mut out = format!("{}  {}{unfinished}\n", shown(&header.serial), outcome::word(summary).to_uppercase());
    let by = if header.operator.is_empty() { String::new() } else { format!(" by {}", header.operator) };
    let here = here.map_or_else(String::new, |here| format!(" ({here} local time)"));
    line(&mut out, "when", &format!("{}{here}{by}", header.started_at));
    let rig = format!("{}; rig {}", header.source, header.rig_name);
    line(&mut out, "rig", &rig);
    for note in &header.calibrations {
        line(&mut out, "calibrated", note);
    }
    let target = units.pressure(i32::try_from(header.recipe.target_pa).unwrap_or(i32::MAX));
    let limit = units.limit(header.recipe.limit_pa_m3_s);
    line(&mut out, "recipe", &format!("{}: {target}, limit {limit}", header.recipe_name));
    line(&mut out, "requested", messages::sides(header.sides));
    out.push_str(&outcome::text(summary, header, units));
    let seconds = recording.length().as_ticks() as f64 / 1e6;
    line(&mut out, "recorded", &format!("{} readings in {seconds:.0} s, by {}", recording.polls.len(), header.program));
    out.push_str("\n  far-side pressure\n");
    out.push_str(&plot(recording, units));
    out
}

/// Where each side's uncertainty comes from.
fn budget(summary: &Summary, units: &UnitFormat, coverage: f64) -> String {
    let mut out = String::new();
    for side in &summary.sides {
        let name = messages::side_name(side.side);
        let Some(estimate) = &side.estimate else {
            out.push_str(&format!("{name}: no figure: {}\n\n", units.reason(side)));
            continue;
        };
        let budget = &estimate.budget;
        let number = |pa_m3_s: f64| units.leak_number(pa_m3_s);
        out.push_str(&format!("{name}: {}\n", units.leak(estimate)));
        out.push_str(&format!("  standard uncertainty of               {:>12}   share\n", units.leak_unit()));
        let whole = budget.combined * budget.combined;
        for (what, u) in messages::budget_parts(budget) {
            let share = if whole > 0.0 { u * u / whole * 100.0 } else { 0.0 };
            out.push_str(&format!("    {what:33} {:>12.4}   {share:4.0} %\n", number(u)));
        }
        out.push_str(&format!("  combined                               {:>12.4}\n", number(budget.combined)));
        let k = if budget.combined > 0.0 { estimate.expanded.pa_m3_s() / budget.combined } else { 0.0 };
        out.push_str(&format!(
            "  expanded, k = {k:.2} for {:>5} %           {:>12.4}\n",
            percent(coverage),
            number(estimate.expanded.pa_m3_s())
        ));
        out.push_str(&format!(
            "  effective degrees of freedom           {:>12}\n  window {:.1} s, {} readings, noise multiplied by \
             {:.2} for autocorrelation\n\n",
            messages::freedom(budget.dof),
            f64::from(estimate.window_ms) / 1e3,
            estimate.samples,
            f64::from(estimate.autocorrelation_percent) / 100.0
        ));
    }
    if summary.sides.is_empty() {
        out.push_str("no side was judged, so there is no budget\n");
    } else {
        out.push_str(&format!(
            "Leaks are counted at {}. Combined as the root of the sum of squares (JCGM 100, 5.1.2).\n",
            units.reference()
        ));
    }
    out
}

fn as_json(
    recording: &Recording,
    summary: &Summary,
    units: &UnitFormat,
    console: &mut Console<'_>,
) -> Result<(), Error> {
    /// Each event is made out only when it is written: in memory it takes many times its bytes in the file.
    struct Events<'a>(&'a Recording);

    impl Serialize for Events<'_> {
        fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
            let recording = self.0;
            to.collect_seq(
                recording
                    .event_log
                    .timed()
                    .map(|(_, at, event)| json!({ "at_us": at.as_ticks(), "event": recording.json(&event.node()) })),
            )
        }
    }

    /// In the order of the names.
    #[derive(Serialize)]
    struct Whole<'a> {
        breaks: &'a [RecordingGap],
        complete: bool,
        damage: Option<String>,
        drift_margins: Vec<Value>,
        events: Events<'a>,
        header: Value,
        length_s: f64,
        notes: Vec<String>,
        polls: usize,
        schema: String,
        verdict: String,
    }

    let whole = Whole {
        breaks: &recording.breaks,
        complete: recording.damage.is_none() && recording.breaks.is_empty(),
        damage: recording.damage.as_ref().map(ToString::to_string),
        drift_margins: drift_margins(summary, &recording.header),
        events: Events(recording),
        header: json!(recording.header),
        length_s: recording.length().as_ticks() as f64 / 1e6,
        notes: outcome::notes(summary, &recording.header, units),
        polls: recording.polls.len(),
        schema: JsonKind::Show.mark(),
        verdict: outcome::word(summary).replace(' ', "-"),
    };
    let mut out = std::io::BufWriter::new(&mut *console.out);
    serde_json::to_writer_pretty(&mut out, &whole).map_err(std::io::Error::from)?;
    writeln!(out)?;
    out.flush()?;
    Ok(())
}

fn csv(recording: &Recording, console: &mut Console<'_>) -> Result<(), Error> {
    let mut out = std::io::BufWriter::new(&mut *console.out);
    writeln!(
        out,
        "time_s,far_pa,far_counts,far_number,supply_pa,temperature_k,phase,side,supply_open,vent_open,pilot_fed,\
         stop,guard_closed,valve_shut"
    )?;
    for sample in samples(recording) {
        let (contacts, outputs) = (sample.poll.inputs.contacts, sample.poll.outputs);
        let side = match sample.side {
            Some(Side::First) => "first",
            Some(Side::Second) => "second",
            None => "",
        };
        let bit = u8::from;
        writeln!(
            out,
            "{:.6},{},{},{},{},{},{},{side},{},{},{},{},{},{}",
            sample.poll.at.as_ticks() as f64 / 1e6,
            field(sample.far_pa),
            field(sample.far.map(|far| far.0)),
            field(sample.far.map(|far| far.1)),
            field(sample.supply_pa),
            field(sample.temperature_k),
            sample.phase.map_or("", messages::phase_name),
            bit(outputs.supply == GasValve::Open),
            bit(outputs.vent == GasValve::Open),
            bit(outputs.pilot == Pilot::Fed),
            bit(contacts.stop),
            bit(contacts.guard_closed),
            bit(contacts.valve_shut),
        )?;
    }
    out.flush()?;
    Ok(())
}

/// A value as text, or nothing.
fn field(value: Option<impl ToString>) -> String {
    value.map_or_else(String::new, |value| value.to_string())
}
