//! The report on several valves.

use std::collections::BTreeMap;

use seathold_document::{Block, Document, DocumentColumn, DocumentTable};
use seathold_register::batch::sealed_list;
use seathold_register::batch::status::StatusCounts;
use seathold_register::note_words;
use seathold_register::valves::{BatchRecord, NoteRecord, ValveRecord};
use seathold_sequencer::input::Side;
use seathold_text::messages::{counted, side_name, sides, verdict_word};
use seathold_text::outcome;

use super::moment::moment;
use super::trace::pair;
use super::valve::{
    calibrations, differing, distinct, heads, leak, limit, newest, note_blocks, notes, operator, pressure, records,
    replayed, result_so_far, run_notices, settings, upper_first,
};
use super::{Evidence, NO_VERDICT, RegisterHistory, ReportNote, ReportedBatch, ValveHistory, method};

/// All valves under a title, and the batch of the register that they are, where they are one.
pub fn document(name: &str, valves: &[ValveHistory<'_>], of: Option<&ReportedBatch>) -> Document {
    let batch = of.map(|of| &of.batch);
    let runs: Vec<&Evidence> = valves.iter().flat_map(|valve| valve.runs.iter().copied()).collect();
    let mut blocks = Vec::new();
    if runs.iter().any(|run| run.simulated()) {
        blocks.push(method::simulated());
    }
    blocks.extend(super::valve::altered(valves));
    blocks.extend(super::valve::unreadable(valves));
    blocks.extend(differing(&runs));
    if batch.is_some_and(|batch| batch.selection) {
        let text =
            "This register has only a selection of the batch's records. More may have been done than is reported here.";
        blocks.push(Block::Notice("Not all".into(), text.into()));
    }
    let histories: Vec<&RegisterHistory> = valves.iter().filter_map(|valve| valve.history).collect();
    blocks.push(if histories.is_empty() {
        let counts: Vec<String> = counts(valves).iter().map(|(word, count)| format!("{count} {word}")).collect();
        Block::Notice(counted(valves.len() as u64, "valve"), counts.join(", ") + ".")
    } else {
        Block::Notice("Tally".into(), format!("{}.", StatusCounts::of(histories.iter().map(|history| &history.status))))
    });
    blocks.push(Block::Facts(facts(&runs, batch)));
    blocks.push(Block::Table(list(valves)));
    blocks.extend(of.map_or_else(Vec::new, |of| batch_notes(&of.notes)));
    let serial = |run: &Evidence| run.serial().to_owned();
    blocks.extend(method::counted(&runs, serial));
    let ends = histories.first().and_then(|history| heads(&history.heads));
    let foot = format!("{name}: {}", counted(valves.len() as u64, "valve"));
    // A list of valves before its first run.
    if runs.is_empty() {
        let moment = batch.map(|batch| batch.opened_at.clone()).unwrap_or_default();
        blocks.extend(ends);
        return Document { title: name.to_owned(), foot, moment, blocks, ..Document::default() };
    }
    blocks.extend(method::method(&replayed(&runs), serial));
    blocks.push(Block::Heading(2, "Valve by valve".into()));
    for valve in
        valves.iter().filter(|valve| !valve.runs.is_empty() || valve.history.is_some_and(|s| !s.notes.is_empty()))
    {
        blocks.extend(section(valve));
    }
    blocks.push(Block::Heading(2, "Calibrations".into()));
    for (block, of) in method::each_once(&runs, calibrations, serial) {
        blocks.extend(of.map(Block::Text));
        blocks.push(block);
    }
    blocks.extend(settings(runs.iter().copied()));
    blocks.extend(records(runs.iter().copied()));
    blocks.extend(ends);
    Document { title: name.to_owned(), foot, moment: newest(&runs), blocks, ..Document::default() }
}

/// Valves of each verdict, the good first.
fn counts(valves: &[ValveHistory<'_>]) -> Vec<(&'static str, usize)> {
    let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
    for valve in valves {
        *counts.entry(valve.word()).or_default() += 1;
    }
    ["tight", "leaking", "undecided", "void", "not proved", "set aside", NO_VERDICT]
        .into_iter()
        .filter_map(|word| Some((word, *counts.get(word)?)))
        .collect()
}

fn facts(runs: &[&Evidence], batch: Option<&BatchRecord>) -> Vec<(String, String)> {
    let all = |each: fn(&Evidence) -> String| distinct(runs.iter().map(|run| each(run))).join("; ");
    let mut times: Vec<&str> = runs.iter().map(|run| run.header.started_at.as_str()).collect();
    times.sort_unstable();
    let when = match (times.first(), times.last()) {
        (Some(first), Some(last)) if first == last => moment(first),
        (Some(first), Some(last)) => format!("{} to {}", moment(first), moment(last)),
        _ => "not yet".into(),
    };
    let mut facts = Vec::new();
    if let Some(batch) = batch {
        let closed =
            batch.closed_at.as_deref().map_or_else(|| "still open".into(), |at| format!("closed {}", moment(at)));
        let life = format!("{}, opened {}, {closed}", batch.name, moment(&batch.opened_at));
        facts.push(("Batch".into(), life));
    }
    facts.extend([
        ("Tested".into(), when),
        ("Runs".into(), runs.len().to_string()),
        ("By".into(), all(operator)),
        ("Test pressure".into(), all(pressure)),
        ("Limit for each side".into(), all(limit)),
        ("Recipe".into(), all(|run| run.header.recipe_name.clone())),
        ("Rig".into(), all(|run| run.header.rig_name.clone())),
    ]);
    facts.retain(|(_, value)| !value.is_empty());
    facts
}

fn list(valves: &[ValveHistory<'_>]) -> DocumentTable {
    let mut columns = vec![
        DocumentColumn::words("Valve", 4),
        DocumentColumn::words("Verdict", 4),
        DocumentColumn::number("First side", 6),
        DocumentColumn::number("Second side", 6),
        DocumentColumn::number("Limit", 4),
        DocumentColumn::number("Runs", 3),
    ];
    let in_register = valves.iter().any(|valve| valve.history.is_some());
    if in_register {
        columns.insert(2, DocumentColumn::words("Result so far", 5));
    }
    let assembly = |valve: &ValveHistory<'_>| valve.history.and_then(|history| history.assembly.clone());
    let assembled = valves.iter().any(|valve| assembly(valve).is_some());
    if assembled {
        columns.extend([DocumentColumn::words("Assembly", 5), DocumentColumn::words("Finished length", 6)]);
    }
    let row = |valve: &ValveHistory<'_>| {
        let mut row = vec![
            valve.serial.to_owned(),
            valve.word().to_owned(),
            leak(valve, Side::First),
            leak(valve, Side::Second),
            limits(valve),
            valve.runs.len().to_string(),
        ];
        if in_register {
            row.insert(2, valve.history.map_or_else(String::new, result_so_far));
        }
        if assembled {
            let of = assembly(valve);
            let length = of.as_ref().and_then(|of| of.length()).unwrap_or_else(|| "–".into());
            row.extend([of.map_or_else(String::new, |of| of.in_short()), length]);
        }
        row
    };
    let caption = "Every valve: verdict, and leak ± uncertainty of each side against the limit".into();
    DocumentTable { caption, columns, rows: valves.iter().map(row).collect() }
}

/// By what a valve's runs were judged; before the first what it must meet.
fn limits(valve: &ValveHistory<'_>) -> String {
    let of_runs = distinct(valve.runs.iter().map(|run| limit(run)));
    match valve.history {
        Some(history) if of_runs.is_empty() => history.status.valve.limit.clone(),
        _ => of_runs.join("; "),
    }
}

/// What was noted on the batch as a whole: requirements, valves added, handovers.
fn batch_notes(notes: &[ReportNote]) -> Vec<Block> {
    let columns = vec![
        DocumentColumn::words("When", 7),
        DocumentColumn::words("What", 5),
        DocumentColumn::words("Note", 12),
        DocumentColumn::words("By", 3),
    ];
    let row = |note: &ReportNote| {
        let by = if note.noted.operator.is_empty() { "not stated" } else { &note.noted.operator };
        vec![moment(&note.noted.written_at), note_words(note.noted.kind).into(), list_words(&note.noted), by.to_owned()]
    };
    let altered = notes.iter().filter_map(|note| note.altered.clone());
    let mut blocks: Vec<Block> = altered.map(|what| Block::Notice("Altered".into(), what + ".")).collect();
    if !notes.is_empty() {
        let rows = notes.iter().map(row).collect();
        blocks.push(Block::Table(DocumentTable { caption: "Noted on the batch".into(), columns, rows }));
    }
    blocks
}

/// Most valves named in a row.
const NAMED_MAX: usize = 20;

/// The reason, and of which valves.
fn list_words(note: &NoteRecord) -> String {
    let valves = sealed_list::restated(note);
    if valves.is_empty() {
        return note.words();
    }
    let one = |valve: &ValveRecord| {
        let dn = valve.dn.map(|dn| format!("DN {dn}"));
        let recipe = (!valve.recipe.is_empty()).then(|| format!("recipe {}", valve.recipe));
        let parts = [dn, Some(valve.limit.clone()), recipe];
        let parts: Vec<String> = parts.into_iter().flatten().filter(|part| !part.is_empty()).collect();
        format!("{} ({})", valve.serial, parts.join(", "))
    };
    let named: Vec<String> = valves.iter().take(NAMED_MAX).map(one).collect();
    let more = valves.len().saturating_sub(NAMED_MAX);
    let more = if more > 0 { format!(" and {more} more") } else { String::new() };
    format!("{}: {}{more}", sealed_list::reason(note), named.join("; "))
}

fn section(valve: &ValveHistory<'_>) -> Vec<Block> {
    let mut blocks = vec![Block::Heading(3, format!("{}: {}", valve.serial, valve.word()))];
    blocks.push(Block::Text(valve.reason()));
    blocks.extend(notes(valve));
    blocks.extend(valve.history.map_or_else(Vec::new, note_blocks));
    blocks.extend(valve.history.map_or_else(Vec::new, |history| super::photographs::blocks(&history.photos)));
    if valve.runs.len() > 1 {
        let columns = vec![
            DocumentColumn::number(if valve.history.is_some() { "Record" } else { "Run" }, 2),
            DocumentColumn::words("When", 7),
            DocumentColumn::words("By", 3),
            DocumentColumn::words("Asked for", 5),
            DocumentColumn::words("Result", 9),
        ];
        let result = |run: &Evidence| {
            let judged = run.summary.sides.iter();
            let judged: Vec<String> =
                judged.map(|s| format!("{} {}", side_name(s.side), verdict_word(s.verdict))).collect();
            if !run.replays() {
                NO_VERDICT.to_owned()
            } else if judged.is_empty() {
                outcome::word(&run.summary).to_owned()
            } else {
                judged.join(", ")
            }
        };
        let rows = valve.runs.iter().map(|run| {
            vec![
                valve.called(run),
                moment(&run.header.started_at),
                operator(run),
                sides(run.header.sides).to_owned(),
                if run.excluded().is_some() {
                    format!("{}: does not count", upper_first(&result(run)))
                } else {
                    upper_first(&result(run))
                },
            ]
        });
        blocks.push(Block::Table(DocumentTable {
            caption: format!("Runs of {}", valve.serial),
            columns,
            rows: rows.collect(),
        }));
    }
    for run in &valve.runs {
        blocks.extend(run_notices(run));
    }
    // Only of the runs that count: all charts are in the valve's own report.
    for side in super::valve::SIDES {
        let Some(run) = valve.run(side) else { continue };
        let Some(trace) = run.traces.iter().rev().find(|trace| trace.side == side) else { continue };
        blocks.push(pair(run, trace));
    }
    blocks
}
