//! The report on several valves.

use std::collections::BTreeMap;

use seathold_sequencer::input::Side;

use super::trace::pictures;
use super::valve::{
    calibrations, distinct, leak, limit, moment, newest, notes, operator, records, settings, troubles, upper_first,
};
use super::{Block, Column, Evidence, Paper, Standing, Table, method};
use crate::summary::percent;
use crate::words::{side_name, sides, verdict_word};

/// All valves, under a name for the batch.
pub fn paper(name: &str, valves: &[Standing<'_>]) -> Paper {
    let runs: Vec<&Evidence> = valves.iter().flat_map(|valve| valve.runs.iter().copied()).collect();
    let mut blocks = Vec::new();
    if runs.iter().any(|run| run.simulated()) {
        blocks.push(method::simulated());
    }
    let tally = tally(valves);
    blocks.push(Block::Notice(
        format!("{} valves", valves.len()),
        tally.iter().map(|(word, count)| format!("{count} {word}")).collect::<Vec<_>>().join(", ") + ".",
    ));
    blocks.push(Block::Facts(facts(&runs)));
    blocks.push(Block::Table(list(valves)));
    blocks.extend(runs.iter().find(|run| run.summary.sides.iter().any(|s| s.figure.is_some())).map(|run| {
        Block::Text(format!(
            "Leaks are counted at {}. The figure behind ± covers the true leak with {} %.",
            run.speaker().reference(),
            percent(run.header.recipe.coverage)
        ))
    }));
    blocks.push(Block::NewSheet);
    blocks.push(Block::Heading(2, "Valve by valve".into()));
    for valve in valves {
        blocks.extend(section(valve));
    }
    blocks.push(Block::NewSheet);
    if let Some(run) = runs.last() {
        blocks.extend(method::method(run));
    }
    blocks.push(Block::Heading(2, "Calibrations".into()));
    let mut seen: Vec<Block> = Vec::new();
    for run in &runs {
        let block = calibrations(run);
        if !seen.contains(&block) {
            seen.push(block);
        }
    }
    blocks.extend(seen);
    blocks.extend(settings(runs.iter().copied()));
    blocks.extend(records(runs.iter().copied()));
    Paper { title: name.to_owned(), foot: format!("{name}: {} valves", valves.len()), moment: newest(&runs), blocks }
}

/// Valves of each verdict, the good first.
fn tally(valves: &[Standing<'_>]) -> Vec<(&'static str, usize)> {
    let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
    for valve in valves {
        *counts.entry(valve.word()).or_default() += 1;
    }
    ["tight", "leaking", "undecided", "void", "not proved"]
        .into_iter()
        .filter_map(|word| Some((word, *counts.get(word)?)))
        .collect()
}

fn facts(runs: &[&Evidence]) -> Vec<(String, String)> {
    let all = |each: fn(&Evidence) -> String| distinct(runs.iter().map(|run| each(run))).join("; ");
    let mut times: Vec<&str> = runs.iter().map(|run| run.header.started_at.as_str()).collect();
    times.sort_unstable();
    let when = match (times.first(), times.last()) {
        (Some(first), Some(last)) if first == last => moment(first),
        (Some(first), Some(last)) => format!("{} to {}", moment(first), moment(last)),
        _ => String::new(),
    };
    vec![
        ("Tested".into(), when),
        ("Runs".into(), runs.len().to_string()),
        ("By".into(), all(operator)),
        ("Limit for each side".into(), all(limit)),
        ("Recipe".into(), all(|run| run.header.recipe_name.clone())),
        ("Rig".into(), all(|run| run.header.rig_name.clone())),
    ]
}

fn list(valves: &[Standing<'_>]) -> Table {
    let columns = vec![
        Column::words("Valve", 4),
        Column::words("Verdict", 4),
        Column::number("First side", 6),
        Column::number("Second side", 6),
        Column::number("Limit", 4),
        Column::number("Runs", 2),
    ];
    let row = |valve: &Standing<'_>| {
        vec![
            valve.serial.to_owned(),
            valve.word().to_owned(),
            leak(valve, Side::First),
            leak(valve, Side::Second),
            distinct(valve.runs.iter().map(|run| limit(run))).join("; "),
            valve.runs.len().to_string(),
        ]
    };
    let caption = "Every valve: verdict, and leak ± uncertainty of each side against the limit".into();
    Table { caption, columns, rows: valves.iter().map(row).collect() }
}

fn section(valve: &Standing<'_>) -> Vec<Block> {
    let mut blocks = vec![Block::Heading(3, format!("{}: {}", valve.serial, valve.word()))];
    blocks.push(Block::Text(valve.reason()));
    blocks.extend(notes(valve));
    if valve.runs.len() > 1 {
        let columns = vec![
            Column::number("Run", 2),
            Column::words("When", 6),
            Column::words("By", 4),
            Column::words("Asked for", 4),
            Column::words("Result", 6),
        ];
        let result = |run: &Evidence| {
            let judged = run.summary.sides.iter();
            let judged: Vec<String> =
                judged.map(|s| format!("{} {}", side_name(s.side), verdict_word(s.verdict))).collect();
            if judged.is_empty() { run.summary.word().to_owned() } else { judged.join(", ") }
        };
        let rows = valve.runs.iter().enumerate().map(|(i, run)| {
            vec![
                (i + 1).to_string(),
                moment(&run.header.started_at),
                operator(run),
                sides(run.header.sides).to_owned(),
                upper_first(&result(run)),
            ]
        });
        blocks.push(Block::Table(Table {
            caption: format!("Runs of {}", valve.serial),
            columns,
            rows: rows.collect(),
        }));
    }
    for run in &valve.runs {
        blocks.extend(troubles(run));
    }
    // The pictures of the runs that count, the close one where there is one: the whole
    // course is in the valve's own report.
    for side in super::valve::SIDES {
        let Some((_, run)) = valve.run(side) else { continue };
        let Some(trace) = run.traces.iter().rev().find(|trace| trace.side == side) else { continue };
        let picture = pictures(run, trace, (680.0, 180.0)).pop();
        blocks.extend(picture.map(|(p, caption)| Block::Figure(p, caption)));
    }
    blocks
}
