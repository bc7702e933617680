//! A selection in words.

use std::fmt::Write as _;

use seathold_recording::header::DisplayUnits;
use seathold_recording::plain::shown;
use seathold_sequencer::input::Side;
use seathold_text::layout::wrapped;
use seathold_text::messages::{FourDigits, UnitFormat};
use serde_json::{Value, json};

use super::TuningResult;
use super::backtest::{Backtest, ChangedValve};
use super::labelling::LabelModel;
use super::mixture::ModelDistance;
use super::next;
use super::rates::Rate;
use super::selection::{Score, fewest};
use super::sweep::SideOutcome;

/// Valves named of those that would have changed.
const NAMED: usize = 8;

/// The note under the rows of rates.
const INTERVALS: &str = "intervals cover with 90 % and count the two sides of a valve as correlated as they are; held-out \
                         valves took no part in the choice\n";

fn percent(ratio: f64) -> String {
    format!("{} %", seathold_text::layout::percent(ratio))
}

/// An outcome in a word.
pub const fn word(outcome: SideOutcome) -> &'static str {
    match outcome {
        SideOutcome::Tight => "tight",
        SideOutcome::Leaking => "leaking",
        SideOutcome::Open => "undecided",
        SideOutcome::Unjudged => "cannot tell",
    }
}

fn row(out: &mut String, name: &str, score: &Score) {
    let _ = writeln!(
        out,
        "  {name:16} accepted in error {:26} not accepted {:28} {:5.1} s a side",
        score.false_accept.to_string(),
        score.false_reject.to_string(),
        score.mean_s()
    );
}

/// The complete report, a line each.
pub fn text(tuning: &TuningResult<'_>) -> String {
    let mut out = String::new();
    label_sources(&mut out, tuning);
    let (selection, risks) = (tuning.selection, tuning.risks);
    let asked = (percent(risks.false_accept), percent(risks.false_reject));
    let _ = writeln!(out, "to keep: at most {} of leaking sides accepted, {} of good ones not", asked.0, asked.1);
    let all = Score::recorded(tuning.sides);
    let few = [(all.false_accept, risks.false_accept, "leaking"), (all.false_reject, risks.false_reject, "good")];
    for (rate, risk, name) in few {
        let fewest = fewest(risk, tuning.coverage);
        // Three quarters of the valves are chosen from.
        if f64::from(rate.valves) * 0.75 < fewest as f64 {
            let wanted = (fewest as f64 / 0.75).ceil();
            let there = format!("{} valves with {name} sides", rate.valves);
            let _ = writeln!(
                out,
                "a small sample: {there}; to show {} takes about {wanted} without one mistake",
                percent(risk)
            );
        }
    }
    let Some(chosen) = &tuning.chosen else {
        out += "no recipe keeps both risks on these runs\n";
        row(&mut out, "as recorded", &selection.recorded);
        for step in next::steps(tuning) {
            wrapped(&mut out, "  next", 8, &step);
        }
        return out;
    };
    let _ = writeln!(
        out,
        "chosen: settle {} s, measure at most {} s, risks {} to accept and {} to reject",
        f64::from(chosen.settle_ms) / 1e3,
        f64::from(chosen.measure_ms_max) / 1e3,
        chosen.false_accept,
        chosen.false_reject
    );
    for (name, score) in scores(tuning) {
        row(&mut out, name, &score);
    }
    if selection.crossed.is_none() {
        out += "  cross-validated  not possible: on three quarters of these runs nothing keeps the risks\n";
    }
    if selection.all.unjudged > 0 {
        let _ = writeln!(out, "  {} sides were not recorded long enough, and count as wrong", selection.all.unjudged);
    }
    out += INTERVALS;
    if tuning.label_sources.is_weighed() {
        let _ =
            writeln!(out, "with estimated labels, the choice was held to intervals of {}", percent(tuning.coverage));
    }
    for backtests in tuning.backtests {
        batch(&mut out, tuning, backtests);
    }
    out += "operating curve: limit as part of the recipe's, leaking accepted, good accepted\n";
    for (at, part) in TuningResult::LIMITS.iter().enumerate() {
        let accepted = |good: bool| tuning.accepted(at, good).to_string();
        let _ = writeln!(out, "  {part:5} {:>28} {:>28}", accepted(false), accepted(true));
    }
    out
}

/// The rates, row by row.
pub(crate) fn scores(tuning: &TuningResult<'_>) -> Vec<(&'static str, Score)> {
    let selection = tuning.selection;
    let Some(candidate) = selection.candidate else { return vec![("as recorded", selection.recorded)] };
    let of = |side: Side| Score::of(tuning.sides.iter().filter(|sided| sided.side == side), candidate);
    let crossed = selection.crossed.map(|crossed| ("cross-validated", crossed));
    let rows =
        [("as recorded", selection.recorded), ("chosen on", selection.chosen_on), ("held out", selection.held_out)];
    let sides = [("first sides", of(Side::First)), ("second sides", of(Side::Second))];
    rows.into_iter().chain(crossed).chain(sides).collect()
}

/// The labels of the sides, and their sources.
fn label_sources(out: &mut String, tuning: &TuningResult<'_>) {
    let counts = tuning.label_sources.counts;
    let candidates = tuning.grid.candidates().count();
    let known = format!("known: {} good and {} leaking sides", counts.good, counts.leaking);
    let _ = writeln!(out, "{known}, {candidates} recipes compared");
    let units = UnitFormat::new(tuning.base, &DisplayUnits::default());
    if counts.fell > 0 {
        let _ = writeln!(out, "taken as leaking: {} sides that fell too fast to measure", counts.fell);
    }
    match &tuning.label_sources.groups {
        None => {}
        Some(Err(why)) => {
            let _ = writeln!(out, "the others, {} sides, are left out: {why}", counts.left_out);
        }
        Some(Ok(groups)) => {
            let _ = writeln!(
                out,
                "estimated from {} groups of leaks: {} sides",
                groups.mixture.groups.len(),
                counts.weighed
            );
            describe(out, tuning, groups, &units);
        }
    }
    if counts.left_out > 0 && !matches!(tuning.label_sources.groups, Some(Err(_))) {
        let _ = writeln!(out, "left out: {} sides without a label", counts.left_out);
    }
}

fn describe(out: &mut String, tuning: &TuningResult<'_>, groups: &LabelModel, units: &UnitFormat) {
    let leak = |pa_m3_s: f64| format!("{} {}", FourDigits(units.leak_number(pa_m3_s)), units.leak_unit());
    for group in &groups.mixture.groups {
        let share = percent(group.share);
        let _ = match group.median {
            None => writeln!(out, "  {share:>8}  no measurable leak"),
            Some(median) => {
                let factor = (1.96 * group.spread).exp();
                let (low, high) = (leak(median / factor), leak(median * factor));
                writeln!(out, "  {share:>8}  median {}, 95 % from {low} to {high}", leak(median))
            }
        };
    }
    let [whole, least, most] = groups.within.map(percent);
    let limit = units.limit(tuning.base.limit_pa_m3_s);
    let _ =
        writeln!(out, "  within {limit}: {whole} of all sides; without one quarter of the valves {least} to {most}");
    let ModelDistance { found, allowed } = groups.distance;
    if found > allowed {
        let _ = writeln!(
            out,
            "  the groups describe the leaks poorly (distance {found:.3}, where one in a hundred samples exceeds \
             {allowed:.3}): label some sides"
        );
    }
    out.push_str(
        "  assumed: leaks of a group are none or log-normal, each measured leak has the error its uncertainty \
         says,\n  \
         and the rig's own errors are in that uncertainty; an error that all runs share shows in none of this\n",
    );
}

/// Time saved, and valves whose verdict would have changed.
fn batch(out: &mut String, tuning: &TuningResult<'_>, backtests: &Backtest) {
    let name = tuning.batches.get(&backtests.batch).map_or("these runs", String::as_str);
    let named = if backtests.batch.is_empty() { "these runs".to_owned() } else { format!("batch {name}") };
    let valves = tuning.valves;
    let [watched, whole] = backtests.minutes(valves);
    let _ = writeln!(
        out,
        "{named}, {} runs: for {valves} valves {:.0} min instead of {:.0}, settling and measuring {:.0} instead of \
         {:.0}",
        backtests.runs, whole[1], whole[0], watched[1], watched[0]
    );
    if backtests.changed.is_empty() {
        out.push_str("  no valve's verdict would have changed\n");
    }
    let mut kinds: Vec<(SideOutcome, SideOutcome)> = backtests.changed.iter().map(|c| (c.was, c.now)).collect();
    kinds.sort_by_key(|(was, now)| (word(*was), word(*now)));
    kinds.dedup();
    for (was, now) in kinds {
        let of: Vec<&ChangedValve> = backtests.changed.iter().filter(|c| (c.was, c.now) == (was, now)).collect();
        let serials: Vec<_> = of.iter().take(NAMED).map(|c| shown(&c.serial)).collect();
        let more = of.len().saturating_sub(NAMED);
        let more = if more > 0 { format!(" and {more} more") } else { String::new() };
        let _ = writeln!(out, "  {} → {}: {} ({}{more})", word(was), word(now), of.len(), serials.join(", "));
    }
}

/// The same for programs.
pub fn json(tuning: &TuningResult<'_>, runs: u64) -> Value {
    let rate = |rate: &Rate| {
        let (low, high) = rate.interval(0.9).into_inner();
        json!({ "wrong": rate.wrong, "of": rate.of, "valves": rate.valves, "low": low, "high": high })
    };
    let score = |s: &Score| {
        json!({ "false_accept": rate(&s.false_accept), "false_reject": rate(&s.false_reject),
            "unjudged": s.unjudged, "sides": s.sides, "mean_s": s.mean_s() })
    };
    let c = tuning.label_sources.counts;
    let selection = tuning.selection;
    let groups = tuning.label_sources.groups.as_ref().map(|groups| match groups {
        Err(why) => json!({ "none": why }),
        Ok(found) => {
            let group =
                |g: &super::mixture::MixtureComponent| json!({ "share": g.share, "median_pa_m3_s": g.median, "spread": g.spread });
            json!({ "groups": found.mixture.groups.iter().map(group).collect::<Vec<Value>>(),
                "within": found.within, "distance": found.distance.found, "distance_allowed": found.distance.allowed })
        }
    });
    let backtests = |p: &Backtest| {
        let changed =
            |c: &ChangedValve| json!({ "run": c.run, "serial": c.serial, "was": word(c.was), "now": word(c.now) });
        json!({ "batch": p.batch, "name": tuning.batches.get(&p.batch), "runs": p.runs, "watched_ms": p.watched_ms,
            "rest_ms": p.rest_ms, "changed": p.changed.iter().map(changed).collect::<Vec<Value>>() })
    };
    let curve = |(at, part): (usize, &f64)| json!({ "limit": part, "leaking": rate(&tuning.accepted(at, false)), "good": rate(&tuning.accepted(at, true)) });
    let curve: Vec<Value> =
        if tuning.chosen.is_some() { TuningResult::LIMITS.iter().enumerate().map(curve).collect() } else { Vec::new() };
    json!({ "tune": {
        "runs": runs, "sides": tuning.sides.len(), "candidates": tuning.grid.candidates().count(),
        "known": { "good": c.good, "leaking": c.leaking, "fell": c.fell, "weighed": c.weighed, "left_out": c.left_out },
        "mixture": groups, "coverage": tuning.coverage,
        "recipe": tuning.chosen.map(|r| json!({ "settle_ms": r.settle_ms, "measure_ms_max": r.measure_ms_max,
            "false_accept": r.false_accept, "false_reject": r.false_reject })),
        "chosen_on": score(&selection.chosen_on), "held_out": score(&selection.held_out),
        "crossed": selection.crossed.as_ref().map(score), "recorded": score(&selection.recorded), "all":
            score(&selection.all),
        "next": next::steps(tuning),
        "past": tuning.backtests.iter().map(backtests).collect::<Vec<Value>>(), "curve": curve,
    }})
}
