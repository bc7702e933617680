//! The report on one valve.

use seathold_sequencer::input::Side;
use seathold_sequencer::verdict::Ground;

use super::trace::figures;
use super::{Block, Column, Evidence, Paper, Standing, Story, Table, Whole, method};
use crate::register::note_words;
use crate::words::{self, budget_parts, side_name, supply_end, verdict_word};

/// Both sides, in the order tested.
pub(super) const SIDES: [Side; 2] = [Side::First, Side::Second];

/// A valve with all its runs.
pub fn paper(valve: &Standing<'_>) -> Paper {
    let mut blocks = Vec::new();
    if valve.runs.iter().any(|run| run.simulated()) {
        blocks.push(method::simulated());
    }
    blocks.extend(altered(std::slice::from_ref(valve)));
    blocks.push(Block::Notice(upper_first(valve.word()), valve.reason()));
    blocks.push(Block::Facts(facts(valve)));
    blocks.push(Block::Table(sides_table(valve)));
    blocks.extend(notes(valve).map_or_else(Vec::new, |notes| vec![notes]));
    let called = |run: &Evidence| format!("run {}", valve.called(run));
    blocks.extend(method::counted(&valve.runs, called));
    blocks.extend(valve.story.map_or_else(Vec::new, noted));
    blocks.extend(method::method(&valve.runs, called));
    for (place, run) in valve.runs.iter().enumerate() {
        // The first goes on where the summary ends: a sheet with a few lines of method on it looks like a mistake.
        if place > 0 {
            blocks.push(Block::NewSheet);
        }
        blocks.extend(run_section(&valve.called(run), run));
    }
    blocks.extend(settings(valve.runs.iter().copied()));
    blocks.extend(records(valve.runs.iter().copied()));
    Paper {
        title: format!("Seat leak test of valve {}", valve.serial),
        foot: format!("Valve {}: {}", valve.serial, valve.word()),
        moment: newest(&valve.runs),
        blocks,
    }
}

fn facts(valve: &Standing<'_>) -> Vec<(String, String)> {
    let all = |each: fn(&Evidence) -> String| distinct(valve.runs.iter().map(|run| each(run))).join("; ");
    let when = valve.runs.iter().map(|run| moment(&run.header.started_at)).collect::<Vec<_>>().join("; ");
    let mut facts = vec![("Serial number".into(), valve.serial.to_owned())];
    if let Some(story) = valve.story {
        let of = &story.standing.valve;
        let dn = of.dn.map(|dn| format!("DN {dn}"));
        let about: Vec<String> = [Some(of.kind.clone()), dn, Some(of.notes.clone())]
            .into_iter()
            .flatten()
            .filter(|t| !t.is_empty())
            .collect();
        facts.extend((!about.is_empty()).then(|| ("Valve".into(), about.join("; "))));
        facts.extend(story.batch.clone().map(|batch| ("Batch".into(), batch)));
        facts.push(("Stands as".into(), stands(story)));
    }
    facts.extend([
        ("Tested".into(), when),
        ("By".into(), all(operator)),
        ("Test pressure".into(), all(pressure)),
        ("Limit for each side".into(), all(limit)),
        ("Recipe".into(), all(|run| run.header.recipe_name.clone())),
        ("Rig".into(), all(|run| method::source(&run.header))),
    ]);
    facts
}

/// "tight; reworked twice".
pub(super) fn stands(story: &Story) -> String {
    let standing = &story.standing;
    let word = standing.stand.word();
    standing.reworked().map_or_else(|| word.into(), |reworked| format!("{word}; {reworked}"))
}

/// What was done to the valve, or said of it, between its runs.
pub(super) fn noted(story: &Story) -> Vec<Block> {
    let columns = vec![
        Column::words("When", 7),
        Column::words("What", 4),
        Column::number("After run", 3),
        Column::words("Note", 9),
        Column::words("By", 3),
    ];
    let row = |note: &super::Note| {
        vec![
            moment(&note.noted.written_at),
            note_words(note.noted.kind).into(),
            note.about.clone().unwrap_or_else(|| "–".into()),
            note.noted.text.clone(),
            if note.noted.operator.is_empty() { "not said".into() } else { note.noted.operator.clone() },
        ]
    };
    let rows: Vec<Vec<String>> = story.notes.iter().map(row).collect();
    let caption = format!("Noted on {}", story.standing.valve.serial);
    let altered = story.notes.iter().filter_map(|note| note.altered.clone());
    let mut blocks: Vec<Block> = altered.map(|what| Block::Notice("Altered".into(), what + ".")).collect();
    if !rows.is_empty() {
        blocks.push(Block::Table(Table { caption, columns, rows }));
    }
    blocks
}

/// Said before any verdict where records are not what was sealed: somebody wanted them to say something else.
pub(super) fn altered(valves: &[Standing<'_>]) -> Option<Block> {
    let text = match valves.iter().map(Standing::altered).sum() {
        0 => return None,
        1 => "A record is not what was sealed. Do not rely on this page.".into(),
        n => format!("{n} records are not what was sealed. Do not rely on this page."),
    };
    Some(Block::Notice("Altered".into(), text))
}

/// When the newest of several runs began.
pub(super) fn newest(runs: &[&Evidence]) -> String {
    runs.iter().map(|run| run.header.started_at.as_str()).max().unwrap_or_default().to_owned()
}

/// "2026-03-02 09:30 UTC".
pub(super) fn moment(rfc3339: &str) -> String {
    let text = rfc3339.trim_end_matches('Z');
    match text.split_once('T') {
        Some((date, time)) if rfc3339.ends_with('Z') => {
            format!("{date} {} UTC", time.split('.').next().unwrap_or(time))
        }
        _ => rfc3339.to_owned(),
    }
}

pub(super) fn operator(run: &Evidence) -> String {
    if run.header.operator.is_empty() { "not said".into() } else { run.header.operator.clone() }
}

/// "6.000 bar gauge".
pub(super) fn pressure(run: &Evidence) -> String {
    run.speaker().pressure(run.header.recipe.target_pa.try_into().unwrap_or(i32::MAX)) + " gauge"
}

pub(super) fn limit(run: &Evidence) -> String {
    run.speaker().limit(run.header.recipe.limit_pa_m3_s)
}

/// Each value once, in the order they first come.
pub(super) fn distinct(values: impl Iterator<Item = String>) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    for value in values {
        if !out.contains(&value) {
            out.push(value);
        }
    }
    out
}

pub(super) fn upper_first(word: &str) -> String {
    let mut chars = word.chars();
    chars.next().map_or_else(String::new, |first| first.to_uppercase().chain(chars).collect())
}

/// A side's leak with its uncertainty, or why there is none.
pub(super) fn leak(valve: &Standing<'_>, side: Side) -> String {
    match (valve.run(side), valve.side(side)) {
        (Some(run), Some(result)) => result
            .figure
            .as_ref()
            .map_or_else(|| "no figure".into(), |figure| run.speaker().leak(figure).replace('-', "−")),
        (Some(_), None) => "no result".into(),
        (None, _) => "not tested".into(),
    }
}

fn sides_table(valve: &Standing<'_>) -> Table {
    let columns = vec![
        Column::words("Side", 5),
        Column::words("On supply", 4),
        Column::words("Verdict", 4),
        Column::number("Leak ± uncertainty", 7),
        Column::number("Limit", 4),
        Column::number("Run", 2),
    ];
    let row = |side: Side| {
        let run = valve.run(side);
        vec![
            upper_first(side_name(side)),
            format!("end {}", supply_end(side)),
            valve.side(side).map_or("none", |result| verdict_word(result.verdict)).into(),
            leak(valve, side),
            run.map_or_else(|| "–".into(), limit),
            run.map_or_else(|| "–".into(), |run| valve.called(run)),
        ]
    };
    Table { caption: "Leak of each side against the limit".into(), columns, rows: SIDES.map(row).into() }
}

/// Why a side's verdict is not from its figure alone, and where a leak probably is.
pub(super) fn notes(valve: &Standing<'_>) -> Option<Block> {
    let mut said = Vec::new();
    for side in SIDES {
        let (Some(run), Some(result)) = (valve.run(side), valve.side(side)) else { continue };
        if result.ground != Ground::Measured {
            said.push(format!("{}: {}.", upper_first(side_name(side)), run.speaker().ground(result)));
        }
    }
    if let Some(diagnosis) = valve.diagnosis() {
        said.push(format!("Where: {}.", words::diagnosis(&diagnosis)));
    }
    (!said.is_empty()).then_some(Block::List(said))
}

fn run_section(called: &str, run: &Evidence) -> Vec<Block> {
    let mut blocks = vec![Block::Heading(2, format!("Run {called}: {}", moment(&run.header.started_at)))];
    blocks.push(Block::Facts(vec![
        ("By".into(), operator(run)),
        ("Asked for".into(), words::sides(run.header.sides).into()),
        ("Result".into(), run.summary.word().into()),
        ("Took".into(), format!("{:.0} s, {} polls", run.seconds, run.polls)),
    ]));
    blocks.extend(troubles(run));
    for trace in &run.traces {
        blocks.extend(figures(run, trace));
    }
    blocks.extend(budget(run));
    blocks.push(Block::Heading(3, "Calibrations".into()));
    blocks.push(calibrations(run));
    let rows = run.log.iter().map(|(at, text)| vec![format!("{at:.1}"), text.clone()]).collect();
    let columns = vec![Column::number("Seconds", 1), Column::words("Event", 9)];
    blocks.push(Block::Table(Table { caption: "What happened".into(), columns, rows }));
    blocks
}

/// Refusals, faults, and whether the far side was seen empty.
pub(super) fn troubles(run: &Evidence) -> Vec<Block> {
    let summary = &run.summary;
    let mut blocks = Vec::new();
    let mut notice = |what: &str, text: String| blocks.push(Block::Notice(what.into(), text));
    if let Some(refusal) = summary.refused {
        notice("Not started", words::refused(refusal));
    }
    if summary.aborted {
        notice("Given up", "by the operator: no verdict on the valve".into());
    }
    for fault in &summary.faults {
        notice("Fault", words::fault(*fault).0);
    }
    match &run.whole {
        Whole::Replays => {}
        Whole::Differs(how) => notice("Replay differs", how.clone()),
        Whole::Damaged(why) => notice("Recording not whole", format!("{why}. Shown is what is whole.")),
        Whole::Altered(what) => notice("Altered", format!("{what}. What is shown comes from the recording.")),
    }
    if !summary.reads_empty() && summary.refused.is_none() {
        notice("Not seen empty", "the run ended without the far side measured empty".into());
    }
    blocks
}

pub(super) fn calibrations(run: &Evidence) -> Block {
    if run.header.calibrations.is_empty() {
        Block::Text("None was given: volume, gain, own leak and time constant are as the rig's file says.".into())
    } else {
        Block::List(run.header.calibrations.clone())
    }
}

/// Where each side's uncertainty comes from.
fn budget(run: &Evidence) -> Option<Block> {
    let speaker = run.speaker();
    let judged: Vec<_> = run.summary.sides.iter().filter_map(|side| Some((side, side.figure.as_ref()?))).collect();
    if judged.is_empty() {
        return None;
    }
    let mut columns = vec![Column::words("Source", 6)];
    for (side, _) in &judged {
        columns.push(Column::number(&format!("{} ({})", upper_first(side_name(side.side)), speaker.leak_unit()), 4));
        columns.push(Column::number("Share", 2));
    }
    let number = |pa_m3_s: f64| format!("{:.4}", speaker.leak_number(pa_m3_s));
    let mut rows: Vec<Vec<String>> = Vec::new();
    for part in 0..7 {
        let mut row = Vec::new();
        for (_, figure) in &judged {
            let (name, u) = budget_parts(&figure.budget)[part];
            if row.is_empty() {
                row.push(upper_first(name));
            }
            let whole = figure.budget.combined * figure.budget.combined;
            let share = if whole > 0.0 { u * u / whole * 100.0 } else { 0.0 };
            row.extend([number(u), format!("{share:.0} %")]);
        }
        rows.push(row);
    }
    let mut line = |name: &str, each: &dyn Fn(&seathold_sequencer::measure::Figure) -> String| {
        let mut row = vec![name.to_owned()];
        for (_, figure) in &judged {
            row.extend([each(figure), String::new()]);
        }
        rows.push(row);
    };
    line("Combined standard uncertainty", &|figure| number(figure.budget.combined));
    line("Expanded uncertainty", &|figure| number(figure.expanded.pa_m3_s()));
    line("Coverage factor k", &|figure| {
        let combined = figure.budget.combined;
        if combined > 0.0 { format!("{:.2}", figure.expanded.pa_m3_s() / combined) } else { "–".into() }
    });
    line("Effective degrees of freedom", &|figure| words::freedom(figure.budget.freedom));
    line("Readings", &|figure| figure.samples.to_string());
    line("Window (s)", &|figure| format!("{:.1}", f64::from(figure.window_ms) / 1e3));
    Some(Block::Table(Table { caption: "Uncertainty budget: standard uncertainties".into(), columns, rows }))
}

/// Each recipe and rig once.
pub(super) fn settings<'a>(runs: impl Iterator<Item = &'a Evidence>) -> Vec<Block> {
    let mut tables: Vec<Table> = Vec::new();
    for run in runs {
        let header = &run.header;
        let recipe = method::recipe_table(&header.recipe_name, &header.recipe);
        let rig = method::rig_table(&header.rig_name, &header.rig, &header.recipe);
        for table in [recipe, rig] {
            if !tables.contains(&table) {
                tables.push(table);
            }
        }
    }
    tables.sort_by_key(|table| !table.caption.starts_with("Recipe"));
    let mut blocks = vec![Block::Heading(2, "Settings".into())];
    blocks.extend(tables.into_iter().map(Block::Table));
    blocks
}

/// What each run can be known by.
pub(super) fn records<'a>(runs: impl Iterator<Item = &'a Evidence>) -> Vec<Block> {
    let mut rows = Vec::new();
    for run in runs {
        let whole = match &run.whole {
            Whole::Replays => "whole; replayed to the same result".to_owned(),
            Whole::Differs(_) => "whole; replay DIFFERS".to_owned(),
            Whole::Damaged(_) => "NOT whole".to_owned(),
            Whole::Altered(_) => "ALTERED since it was sealed".to_owned(),
        };
        rows.push(vec![run.name.clone(), run.sha256.clone(), whole, run.header.program.clone()]);
        if let Some(seal) = &run.seal {
            rows.push(vec![
                format!("run {} of {}", seal.short, seal.register),
                seal.hash.clone(),
                if matches!(run.whole, Whole::Altered(_)) { "does NOT hold" } else { "sealed, holds" }.into(),
                String::new(),
            ]);
        }
    }
    let columns = vec![
        Column::words("Recording", 4),
        Column::words("SHA-256", 6),
        Column::words("State", 3),
        Column::words("Written by", 3),
    ];
    vec![
        Block::Heading(2, "Records".into()),
        Block::Text(
            "The recording holds every reading, output and event, and can be replayed. Its SHA-256 tells whether a file \
             is the one reported on."
                .into(),
        ),
        Block::Table(Table { caption: "Recordings behind this report".into(), columns, rows }),
    ]
}
