//! A choice in words.

use std::fmt::Write as _;

use seathold_sequencer::input::Side;
use serde_json::{Value, json};

use super::Tuned;
use super::choice::{Score, fewest};
use super::past::{Changed, Past};
use super::rates::Rate;
use super::sweep::Outcome;
use super::weigh::Groups;
use crate::recording::header::Shown;
use crate::words::{Short, Speaker};

/// Valves named of those that would have changed.
const NAMED: usize = 8;

/// What the rows of rates hold.
const INTERVALS: &str = "intervals cover with 90 % and count the two sides of a valve as alike as they are; held-out \
                         valves took no part in the choice\n";

fn percent(ratio: f64) -> String {
    format!("{} %", crate::summary::percent(ratio))
}

/// An outcome in a word.
pub const fn word(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Tight => "tight",
        Outcome::Leaking => "leaking",
        Outcome::Open => "undecided",
        Outcome::Unjudged => "cannot tell",
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

/// The whole of it, a line each.
pub fn text(tuned: &Tuned<'_>) -> String {
    let mut out = String::new();
    grounds(&mut out, tuned);
    let (choice, risks) = (tuned.choice, tuned.risks);
    let asked = (percent(risks.false_accept), percent(risks.false_reject));
    let _ = writeln!(out, "to keep: at most {} of leaking sides accepted, {} of good ones not", asked.0, asked.1);
    let all = Score::recorded(tuned.sides);
    let few = [(all.false_accept, risks.false_accept, "leaking"), (all.false_reject, risks.false_reject, "good")];
    for (rate, risk, name) in few {
        let fewest = fewest(risk, tuned.coverage);
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
    let Some(chosen) = &tuned.chosen else {
        out += "no candidate keeps both risks on these runs\n";
        row(&mut out, "as recorded", &choice.recorded);
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
    for (name, score) in scores(tuned) {
        row(&mut out, name, &score);
    }
    if choice.crossed.is_none() {
        out += "  cross-validated  not possible: on three quarters of these runs nothing keeps the risks\n";
    }
    if choice.all.unjudged > 0 {
        let _ = writeln!(out, "  {} sides were not recorded long enough, and count as wrong", choice.all.unjudged);
    }
    out += INTERVALS;
    if tuned.grounds.is_weighed() {
        let _ = writeln!(out, "resting on a mixture, the choice was held to intervals of {}", percent(tuned.coverage));
    }
    for past in tuned.past {
        batch(&mut out, tuned, past);
    }
    out += "operating curve: limit as part of the recipe's, leaking accepted, good accepted\n";
    for (at, part) in Tuned::LIMITS.iter().enumerate() {
        let accepted = |good: bool| tuned.accepted(at, good).to_string();
        let _ = writeln!(out, "  {part:5} {:>28} {:>28}", accepted(false), accepted(true));
    }
    out
}

/// What was found, row by row.
pub fn scores(tuned: &Tuned<'_>) -> Vec<(&'static str, Score)> {
    let choice = tuned.choice;
    let Some(candidate) = choice.candidate else { return vec![("as recorded", choice.recorded)] };
    let of = |side: Side| Score::of(tuned.sides.iter().filter(|sided| sided.side == side), candidate);
    let crossed = choice.crossed.map(|crossed| ("cross-validated", crossed));
    let rows = [("as recorded", choice.recorded), ("chosen on", choice.chosen_on), ("held out", choice.held_out)];
    let sides = [("first sides", of(Side::First)), ("second sides", of(Side::Second))];
    rows.into_iter().chain(crossed).chain(sides).collect()
}

/// What is known of the sides, and how.
fn grounds(out: &mut String, tuned: &Tuned<'_>) {
    let counts = tuned.grounds.counts;
    let candidates = tuned.grid.candidates().count();
    let known = format!("known: {} good and {} leaking sides", counts.good, counts.leaking);
    let _ = writeln!(out, "{known}, {candidates} candidates");
    let speaker = Speaker::new(tuned.base, &Shown::default());
    if counts.fell > 0 {
        let _ = writeln!(out, "taken as leaking: {} sides that fell too fast for a figure", counts.fell);
    }
    match &tuned.grounds.groups {
        None => {}
        Some(Err(why)) => {
            let _ = writeln!(out, "the others, {} sides, are left out: {why}", counts.left_out);
        }
        Some(Ok(groups)) => {
            let _ = writeln!(
                out,
                "weighed by a mixture of {} groups: {} sides",
                groups.mixture.groups.len(),
                counts.weighed
            );
            describe(out, tuned, groups, &speaker);
        }
    }
    if counts.left_out > 0 && !matches!(tuned.grounds.groups, Some(Err(_))) {
        let _ = writeln!(out, "left out: {} sides of which nothing is known", counts.left_out);
    }
}

fn describe(out: &mut String, tuned: &Tuned<'_>, groups: &Groups, speaker: &Speaker) {
    let leak = |pa_m3_s: f64| format!("{} {}", Short(speaker.leak_number(pa_m3_s)), speaker.leak_unit());
    for group in &groups.mixture.groups {
        let share = percent(group.share);
        let _ = match group.median {
            None => writeln!(out, "  {share:>8}  no leak that can be told from none"),
            Some(median) => {
                let factor = (1.96 * group.spread).exp();
                let (low, high) = (leak(median / factor), leak(median * factor));
                writeln!(out, "  {share:>8}  median {}, 95 % from {low} to {high}", leak(median))
            }
        };
    }
    let [whole, least, most] = groups.within.map(percent);
    let limit = speaker.limit(tuned.base.limit_pa_m3_s);
    let _ =
        writeln!(out, "  within {limit}: {whole} of all sides; without one quarter of the valves {least} to {most}");
    let (off, allowed) = groups.distance;
    if off > allowed {
        let _ = writeln!(
            out,
            "  the groups describe the figures poorly (distance {off:.3}, where one in a hundred samples exceeds \
             {allowed:.3}): label some sides"
        );
    }
    out.push_str(
        "  assumed: leaks of a group are none or log-normal, each figure lies about its leak as its uncertainty says,\n  \
         and the rig's own errors are in that uncertainty; an error that all runs share shows in none of this\n",
    );
}

/// Time saved, and valves that would have fared otherwise.
fn batch(out: &mut String, tuned: &Tuned<'_>, past: &Past) {
    let name = tuned.batches.get(&past.batch).map_or("these runs", String::as_str);
    let named = if past.batch.is_empty() { "these runs".to_owned() } else { format!("batch {name}") };
    let valves = tuned.valves;
    let [watched, whole] = past.minutes(valves);
    let _ = writeln!(
        out,
        "{named}, {} runs: for {valves} valves {:.0} min instead of {:.0}, settling and measuring {:.0} instead of {:.0}",
        past.runs, whole[1], whole[0], watched[1], watched[0]
    );
    if past.changed.is_empty() {
        out.push_str("  no valve's verdict would have been another\n");
    }
    let mut kinds: Vec<(Outcome, Outcome)> = past.changed.iter().map(|c| (c.was, c.now)).collect();
    kinds.sort_by_key(|(was, now)| (word(*was), word(*now)));
    kinds.dedup();
    for (was, now) in kinds {
        let of: Vec<&Changed> = past.changed.iter().filter(|c| (c.was, c.now) == (was, now)).collect();
        let serials: Vec<&str> = of.iter().take(NAMED).map(|c| c.serial.as_str()).collect();
        let more = of.len().saturating_sub(NAMED);
        let more = if more > 0 { format!(" and {more} more") } else { String::new() };
        let _ = writeln!(out, "  {} → {}: {} ({}{more})", word(was), word(now), of.len(), serials.join(", "));
    }
}

/// The same for programs.
pub fn json(tuned: &Tuned<'_>, runs: u64) -> Value {
    let rate = |rate: &Rate| {
        let (low, high) = rate.interval(0.9);
        json!({ "wrong": rate.wrong, "of": rate.of, "valves": rate.valves, "low": low, "high": high })
    };
    let score = |s: &Score| {
        json!({ "false_accept": rate(&s.false_accept), "false_reject": rate(&s.false_reject),
            "unjudged": s.unjudged, "sides": s.sides, "mean_s": s.mean_s() })
    };
    let c = tuned.grounds.counts;
    let choice = tuned.choice;
    let groups = tuned.grounds.groups.as_ref().map(|groups| match groups {
        Err(why) => json!({ "none": why }),
        Ok(found) => {
            let group =
                |g: &super::mixture::Group| json!({ "share": g.share, "median_pa_m3_s": g.median, "spread": g.spread });
            json!({ "groups": found.mixture.groups.iter().map(group).collect::<Vec<Value>>(),
                "within": found.within, "distance": found.distance.0, "distance_allowed": found.distance.1 })
        }
    });
    let past = |p: &Past| {
        let changed = |c: &Changed| json!({ "run": c.run, "serial": c.serial, "was": word(c.was), "now": word(c.now) });
        json!({ "batch": p.batch, "name": tuned.batches.get(&p.batch), "runs": p.runs, "watched_ms": p.watched_ms,
            "rest_ms": p.rest_ms, "changed": p.changed.iter().map(changed).collect::<Vec<Value>>() })
    };
    let curve = |(at, part): (usize, &f64)| json!({ "limit": part, "leaking": rate(&tuned.accepted(at, false)), "good": rate(&tuned.accepted(at, true)) });
    let curve: Vec<Value> =
        if tuned.chosen.is_some() { Tuned::LIMITS.iter().enumerate().map(curve).collect() } else { Vec::new() };
    json!({ "tune": {
        "runs": runs, "sides": tuned.sides.len(), "candidates": tuned.grid.candidates().count(),
        "known": { "good": c.good, "leaking": c.leaking, "fell": c.fell, "weighed": c.weighed, "left_out": c.left_out },
        "mixture": groups, "coverage": tuned.coverage,
        "recipe": tuned.chosen.map(|r| json!({ "settle_ms": r.settle_ms, "measure_ms_max": r.measure_ms_max,
            "false_accept": r.false_accept, "false_reject": r.false_reject })),
        "chosen_on": score(&choice.chosen_on), "held_out": score(&choice.held_out),
        "crossed": choice.crossed.as_ref().map(score), "recorded": score(&choice.recorded), "all": score(&choice.all),
        "past": tuned.past.iter().map(past).collect::<Vec<Value>>(), "curve": curve,
    }})
}
