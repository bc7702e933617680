//! The outcome of a run in words.

use std::fmt::Write;

use seathold_recording::{Discontinuity, Header, Summary};
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::verdict::{Reason, SideResult, Verdict};

use crate::drift_margin;
use crate::end_swap;
use crate::layout::{line, percent};
use crate::messages::{self, UnitFormat};

/// The verdict in a word.
pub fn word(summary: &Summary) -> &'static str {
    match &summary.proved {
        _ if summary.broken.is_some_and(Discontinuity::voids) => "no verdict",
        _ if summary.refused.is_some() => "not started",
        Some((verdict, _)) => messages::verdict_word(*verdict),
        None => "no verdict",
    }
}

/// A table of the sides, and everything that is said of them.
pub fn text(summary: &Summary, header: &Header, units: &UnitFormat) -> String {
    let mut out = String::new();
    write_sides(summary, &mut out, &header.recipe, units);
    for (label, text) in said(summary, header, units) {
        line(&mut out, label, &text);
    }
    out
}

/// All that the text says below its table, a note each, for programs; calibrations first.
pub fn notes(summary: &Summary, header: &Header, units: &UnitFormat) -> Vec<String> {
    let mut notes: Vec<String> = header.calibrations.iter().map(|note| format!("calibrated: {note}")).collect();
    for (label, text) in said(summary, header, units) {
        match notes.last_mut() {
            Some(last) if label.is_empty() => {
                last.push(' ');
                last.push_str(&text);
            }
            _ => notes.push(format!("{label}: {text}")),
        }
    }
    notes
}

/// What is said below the table, with its labels; an empty label continues what is before it.
fn said(summary: &Summary, header: &Header, units: &UnitFormat) -> Vec<(&'static str, String)> {
    let mut out = Vec::new();
    say_of_sides(summary, &mut out, header, units);
    if let Some((_, diagnosis)) = &summary.proved
        && summary.faults.is_empty()
        && !summary.aborted
    {
        out.push(("where", messages::diagnosis(diagnosis)));
        if let Some(warning) = end_swap::warning(summary, header) {
            out.push(("", warning.into()));
        }
    }
    if let Some(refusal) = summary.refused {
        out.push(("not started", messages::refused(refusal)));
    }
    if summary.aborted {
        out.push(("aborted", "by the operator: no verdict on the valve".into()));
    }
    if let Some(why) = summary.broken {
        let place = summary.broken_at.map(|(at, phase)| {
            format!(
                "; the last reading before it is of {:.2} s, in phase \"{}\"",
                at.as_ticks() as f64 / 1e6,
                messages::phase_name(phase)
            )
        });
        out.push(("NOT WHOLE", format!("{why}{}", place.unwrap_or_default())));
        if why == Discontinuity::Restarted && !summary.disconnect.reads_empty() {
            let after = "after it the controller did not know how the valve is worked: whatever it read, it called nothing empty";
            out.push(("", after.into()));
        }
        if summary.proved.is_none() || why.voids() {
            out.push(("", "→ these readings carry no verdict: test again".into()));
        }
    }
    for fault in &summary.faults {
        let (what, next) = messages::fault(*fault);
        out.push(("FAULT", what));
        out.push(("", format!("→ {next}")));
    }
    out.push(("far side", messages::far_side_at_end(summary.disconnect)));
    out
}

fn write_sides(summary: &Summary, out: &mut String, recipe: &RawRecipe, units: &UnitFormat) {
    if summary.sides.is_empty() {
        return;
    }
    let limit = units.limit(recipe.limit_pa_m3_s);
    let leak = |side: &SideResult| side.estimate.as_ref().map_or_else(|| "no figure".into(), |f| units.leak(f));
    let leaks: Vec<String> = summary.sides.iter().map(leak).collect();
    let width = leaks.iter().map(|t| t.chars().count()).max().unwrap_or(0).max("leak ± uncertainty".chars().count());
    let _ = writeln!(out, "  side         on supply  verdict    {:width$}  limit", "leak ± uncertainty");
    for (side, leak) in summary.sides.iter().zip(&leaks) {
        let name = messages::side_name(side.side).trim_end_matches(" side");
        let (end, verdict) = (messages::supply_end(side.side), messages::verdict_word(side.verdict));
        let _ = writeln!(out, "  {name:11}  end {end}      {verdict:9}  {leak:width$}  {limit}");
    }
}

fn say_of_sides(summary: &Summary, out: &mut Vec<(&'static str, String)>, header: &Header, units: &UnitFormat) {
    for side in summary.sides.iter().filter(|s| s.reason != Reason::Measured) {
        out.push((messages::side_name(side.side), units.reason(side)));
    }
    for side in &summary.sides {
        if let Some(words) = drift_margin::of_side_words(side, header) {
            out.push((messages::side_name(side.side), words));
        }
    }
    for side in &summary.sides {
        if let Some(words) = side.estimate.as_ref().and_then(messages::wandering) {
            out.push((messages::side_name(side.side), words));
        }
    }
    let mut measured: Vec<String> =
        summary.sides.iter().filter_map(|side| Some(units.pressure(side.estimate?.pressure.pascals()))).collect();
    measured.dedup();
    if !measured.is_empty() {
        let target = units.pressure(header.recipe.target_pa as i32);
        out.push(("pressure", format!("leaks are stated at {target}; measured at {}", measured.join(" and "))));
    }
    if summary.sides.iter().any(|side| side.estimate.is_some()) {
        let counted = format!("leaks are counted at {}", units.reference());
        let covers = format!("± covers the true leak with {} %", percent(header.recipe.coverage));
        out.push(("figures", format!("{counted}; {covers}")));
    }
}

/// What to do next.
pub fn next_step(summary: &Summary) -> &'static str {
    if !summary.faults.is_empty() {
        return "deal with the fault before anything else, then test again";
    }
    match &summary.proved {
        Some((Verdict::Tight, _)) if summary.sides.len() < 2 => {
            "test the other side too: a valve is tight when both are"
        }
        Some((Verdict::Tight, _)) => "this valve is done; take the next",
        Some((Verdict::Leaking, _)) => "rework the part named, then test again under the same serial",
        Some((Verdict::Undecided, _)) => {
            "measure longer (measure_max), make it quieter, or make the far volume smaller"
        }
        Some((Verdict::Void, _)) => "remove the cause, then test again",
        None => "test again when the cause is removed",
    }
}
