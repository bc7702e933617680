//! The report on one valve.

use crate::moment::moment;
use crate::run_remark::RunRemark;
use seathold_document::{Block, Document, DocumentColumn, DocumentTable};
use seathold_register::note_words;
use seathold_register::valves::ValveRecord;
use seathold_sequencer::input::Side;
use seathold_sequencer::measure::Contribution;
use seathold_sequencer::verdict::Reason;
use seathold_text::drift_margin;
use seathold_text::end_swap;
use seathold_text::messages::{self, budget_parts, side_name, supply_end, verdict_word};
use seathold_text::outcome;

use super::trace::figures;
use super::{ChainHead, Evidence, Integrity, NO_VERDICT, RegisterHistory, ValveHistory, method, photographs};

/// Both sides, in the order tested.
pub(super) const SIDES: [Side; 2] = [Side::First, Side::Second];

/// A valve with all its runs.
pub fn document(valve: &ValveHistory<'_>) -> Document {
    let mut blocks = Vec::new();
    if valve.runs.iter().any(|run| run.simulated()) {
        blocks.push(method::simulated());
    }
    blocks.extend(altered(std::slice::from_ref(valve)));
    blocks.extend(unreadable(std::slice::from_ref(valve)));
    // Where it counts the headline says so.
    if !valve.differs() {
        blocks.extend(differing(&valve.runs));
    }
    blocks.push(Block::Notice(upper_first(valve.word()), valve.reason()));
    blocks.push(Block::Facts(facts(valve)));
    blocks.push(Block::Table(sides_table(valve)));
    blocks.extend(valve.history.and_then(|history| history.assembly.as_ref()).map_or_else(Vec::new, |of| of.blocks()));
    blocks.extend(notes(valve).map_or_else(Vec::new, |notes| vec![notes]));
    let called = |run: &Evidence| format!("run {}", valve.called(run));
    blocks.extend(method::counted(&valve.runs, called));
    blocks.extend(valve.history.map_or_else(Vec::new, note_blocks));
    let photos = valve.history.map_or_else(Vec::new, |history| photographs::blocks(&history.photos));
    if !photos.is_empty() {
        blocks.push(Block::Heading(2, "Photographs".into()));
        blocks.extend(photos);
    }
    blocks.extend(method::method(&replayed(&valve.runs), called));
    for (place, run) in valve.runs.iter().enumerate() {
        // The first continues where the summary ends: a page with a few lines of method on it looks like a mistake.
        if place > 0 {
            blocks.push(Block::NewSheet);
        }
        blocks.extend(run_section(&valve.called(run), run));
    }
    blocks.extend(settings(valve.runs.iter().copied()));
    blocks.extend(records(valve.runs.iter().copied()));
    blocks.extend(valve.history.and_then(|history| heads(&history.heads)));
    Document {
        title: format!("Seat leak test of valve {}", valve.serial),
        foot: format!("Valve {}: {}", valve.serial, valve.word()),
        moment: newest(&valve.runs),
        blocks,
        ..Document::default()
    }
}

fn facts(valve: &ValveHistory<'_>) -> Vec<(String, String)> {
    let all = |each: fn(&Evidence) -> String| distinct(valve.runs.iter().map(|run| each(run))).join("; ");
    let when = valve.runs.iter().map(|run| moment(&run.header.started_at)).collect::<Vec<_>>().join("; ");
    let mut facts = vec![("Serial number".into(), valve.serial.to_owned())];
    if let Some(history) = valve.history {
        let of = &history.status.valve;
        let dn = of.dn.map(|dn| format!("DN {dn}"));
        let about: Vec<String> = [Some(of.actuation.clone()), dn, Some(of.notes.clone())]
            .into_iter()
            .flatten()
            .filter(|t| !t.is_empty())
            .collect();
        facts.extend((!about.is_empty()).then(|| ("Valve".into(), about.join("; "))));
        facts.extend(history.batch.clone().map(|batch| ("Batch".into(), batch)));
        facts.extend(must_meet(of).map(|words| ("Must meet".into(), words)));
        facts.push(("Result so far".into(), result_so_far(history)));
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

/// What the batch demands of a valve: "ISO 5208 rate B DN 50; recipe dn50.toml".
fn must_meet(valve: &ValveRecord) -> Option<String> {
    let recipe = (!valve.recipe.is_empty()).then(|| format!("recipe {}", valve.recipe));
    let parts: Vec<String> =
        [Some(valve.limit.clone()).filter(|limit| !limit.is_empty()), recipe].into_iter().flatten().collect();
    (!parts.is_empty()).then(|| parts.join("; "))
}

/// "tight; reworked twice".
pub(super) fn result_so_far(history: &RegisterHistory) -> String {
    let status = &history.status;
    let word = status.stand.word();
    let by_override = status.overrides().next().map(|_| "BY OVERRIDE".to_owned());
    let parts = [Some(word.to_owned()), status.reworked(), by_override];
    parts.into_iter().flatten().collect::<Vec<_>>().join("; ")
}

/// Notes on the valve between its runs.
pub(super) fn note_blocks(history: &RegisterHistory) -> Vec<Block> {
    let columns = vec![
        DocumentColumn::words("When", 7),
        DocumentColumn::words("What", 4),
        DocumentColumn::number("After record", 3),
        DocumentColumn::words("Note", 9),
        DocumentColumn::words("By", 3),
    ];
    let row = |note: &super::ReportNote| {
        vec![
            moment(&note.noted.written_at),
            note_words(note.noted.kind).into(),
            note.about.clone().unwrap_or_else(|| "–".into()),
            note.noted.words(),
            if note.noted.operator.is_empty() { "not stated".into() } else { note.noted.operator.clone() },
        ]
    };
    let rows: Vec<Vec<String>> = history.notes.iter().map(row).collect();
    let caption = format!("Noted on {}", history.status.valve.serial);
    let altered = history.notes.iter().filter_map(|note| note.altered.clone());
    let mut blocks: Vec<Block> = altered.map(|what| Block::Notice("Altered".into(), what + ".")).collect();
    if !rows.is_empty() {
        blocks.push(Block::Table(DocumentTable { caption, columns, rows }));
    }
    blocks
}

/// Comes before any verdict where records are not what was sealed: somebody changed them.
pub(super) fn altered(valves: &[ValveHistory<'_>]) -> Option<Block> {
    let text = match valves.iter().map(ValveHistory::altered).sum() {
        0 => return None,
        1 => "A record is not what was sealed. Do not rely on this page.".into(),
        n => format!("{n} records are not what was sealed. Do not rely on this page."),
    };
    Some(Block::Notice("Altered".into(), text))
}

/// Comes before any verdict where a run cannot be shown.
pub(super) fn unreadable(valves: &[ValveHistory<'_>]) -> Option<Block> {
    let of: Vec<&str> =
        valves.iter().filter_map(|v| v.history).flat_map(|history| &history.unreadable).map(String::as_str).collect();
    let text = || format!("Not shown here, and without a verdict: {}.", of.join("; "));
    (!of.is_empty()).then(|| Block::Notice("Not all".into(), text()))
}

/// Comes before any verdict where a run does not replay that counts for none.
pub(super) fn differing(runs: &[&Evidence]) -> Option<Block> {
    let text = match runs.iter().filter(|run| !run.replays()).count() {
        0 => return None,
        1 => "A recording does not replay. It carries no verdict.".into(),
        n => format!("{n} recordings do not replay. They carry no verdict."),
    };
    Some(Block::Notice(NO_VERDICT.into(), text))
}

/// The runs that replay: only of these the method says how their verdicts were come to.
pub(super) fn replayed<'a>(runs: &[&'a Evidence]) -> Vec<&'a Evidence> {
    runs.iter().copied().filter(|run| run.replays()).collect()
}

/// When the newest of several runs began.
pub(super) fn newest(runs: &[&Evidence]) -> String {
    runs.iter().map(|run| run.header.started_at.as_str()).max().unwrap_or_default().to_owned()
}

pub(super) fn operator(run: &Evidence) -> String {
    if run.header.operator.is_empty() { "not stated".into() } else { run.header.operator.clone() }
}

/// "6.000 bar gauge".
pub(super) fn pressure(run: &Evidence) -> String {
    run.units().pressure(run.header.recipe.target_pa.try_into().unwrap_or(i32::MAX)) + " gauge"
}

pub(super) fn limit(run: &Evidence) -> String {
    run.units().limit(run.header.recipe.limit_pa_m3_s)
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

/// A side's leak with its uncertainty, or the reason why there is none.
pub(super) fn leak(valve: &ValveHistory<'_>, side: Side) -> String {
    match (valve.run(side), valve.side(side)) {
        (Some(run), Some(result)) => result
            .estimate
            .as_ref()
            .map_or_else(|| "no figure".into(), |estimate| run.units().leak(estimate).replace('-', "−")),
        (Some(_), None) => "no result".into(),
        (None, _) => "not tested".into(),
    }
}

fn sides_table(valve: &ValveHistory<'_>) -> DocumentTable {
    let columns = vec![
        DocumentColumn::words("Side", 5),
        DocumentColumn::words("On supply", 4),
        DocumentColumn::words("Verdict", 4),
        DocumentColumn::number("Leak ± uncertainty", 7),
        DocumentColumn::number("Limit", 4),
        DocumentColumn::number("Run", 2),
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
    DocumentTable { caption: "Leak of each side against the limit".into(), columns, rows: SIDES.map(row).into() }
}

/// Why a side's verdict does not follow from its leak alone, the pressure it was measured at, and where a leak probably is.
pub(super) fn notes(valve: &ValveHistory<'_>) -> Option<Block> {
    let mut lines = Vec::new();
    for side in SIDES {
        let (Some(run), Some(result)) = (valve.run(side), valve.side(side)) else { continue };
        if result.reason != Reason::Measured {
            lines.push(format!("{}: {}.", upper_first(side_name(side)), run.units().reason(result)));
        }
        if let Some(estimate) = &result.estimate {
            let [at, target] =
                [estimate.pressure.pascals(), run.header.recipe.target_pa as i32].map(|pa| run.units().pressure(pa));
            lines.push(format!("{}: leak measured at {at}, and stated at {target}.", upper_first(side_name(side))));
        }
        if let Some(words) = drift_margin::of_side_words(result, &run.header) {
            lines.push(format!("{}: {words}.", upper_first(side_name(side))));
        }
    }
    if let Some(diagnosis) = valve.diagnosis() {
        lines.push(format!("Where: {}.", messages::diagnosis(&diagnosis)));
    }
    (!lines.is_empty()).then_some(Block::List(lines))
}

fn run_section(called: &str, run: &Evidence) -> Vec<Block> {
    let kind = if run.seal.is_some() { "Record" } else { "Run" };
    let mut blocks = vec![Block::Heading(2, format!("{kind} {called}: {}", moment(&run.header.started_at)))];
    let mut facts = vec![
        ("By".into(), operator(run)),
        ("Asked for".into(), messages::sides(run.header.sides).into()),
        ("Result".into(), outcome::word(&run.summary).into()),
        ("Took".into(), format!("{:.0} s, {} readings", run.seconds, run.polls)),
    ];
    if let Some(proof) = end_swap::proof(&run.header) {
        facts.push(("Ends swapped".into(), proof.into()));
    }
    blocks.push(Block::Facts(facts));
    blocks.extend(run_notices(run));
    for trace in &run.traces {
        blocks.extend(figures(run, trace));
    }
    blocks.extend(budget(run));
    blocks.push(Block::Heading(3, "Calibrations".into()));
    blocks.push(calibrations(run));
    let left_out = run.log.len().saturating_sub(LOG_MAX);
    let rows = run.log.iter().take(LOG_MAX).map(|(at, text)| vec![format!("{at:.1}"), text.clone()]).collect();
    let columns = vec![DocumentColumn::number("Seconds", 1), DocumentColumn::words("Event", 9)];
    blocks.push(Block::Table(DocumentTable { caption: "Event log".into(), columns, rows }));
    if left_out > 0 {
        blocks.push(Block::Text(format!("{left_out} more events are in the recording.")));
    }
    blocks
}

/// Most events of a run on a page: forty sheets of them. A run of two sides has some dozens.
const LOG_MAX: usize = 1_500;
/// Most faults of a run on a page.
const FAULTS_MAX: usize = 20;

/// Refusals, faults, and whether the far side was measured empty.
pub(super) fn run_notices(run: &Evidence) -> Vec<Block> {
    let summary = &run.summary;
    let mut blocks = Vec::new();
    let mut notice = |what: &str, text: String| blocks.push(Block::Notice(what.into(), text));
    if let Some(seal) = &run.seal {
        let what = |mark: &RunRemark| format!("record {}: {}", seal.short, mark.words());
        for (headline, words) in
            [("Moved", &seal.moved), ("Does not count", &seal.excluded), ("Override", &seal.overridden)]
        {
            if let Some(words) = words {
                notice(headline, what(words));
            }
        }
    }
    if let Some(refusal) = summary.refused {
        notice("Not started", messages::refused(refusal));
    }
    if summary.aborted {
        notice("Aborted", "by the operator: no verdict on the valve".into());
    }
    for fault in summary.faults.iter().take(FAULTS_MAX) {
        notice("Fault", messages::fault(*fault).0);
    }
    if summary.faults.len() > FAULTS_MAX {
        notice("More faults", format!("{} in all; the recording has them", summary.faults.len()));
    }
    match &run.whole {
        Integrity::Replays => {}
        Integrity::Differs(how) => notice(NO_VERDICT, how.clone()),
        Integrity::Damaged(why) => notice("Recording incomplete", format!("{why}. Only the intact part is shown.")),
        Integrity::Altered(what) => notice("Altered", format!("{what}. What is shown comes from the recording.")),
    }
    if !summary.reads_empty() && summary.refused.is_none() {
        notice("Not measured empty", "the run ended without the far side measured empty".into());
    }
    blocks
}

pub(super) fn calibrations(run: &Evidence) -> Block {
    if run.header.calibrations.is_empty() {
        Block::Text(
            "None was given: volume, sensor gain, background leak, settling time constant and drift of the gas \
             temperature are the rig file's."
                .into(),
        )
    } else {
        Block::List(run.header.calibrations.clone())
    }
}

/// Where each side's uncertainty comes from.
fn budget(run: &Evidence) -> Option<Block> {
    let units = run.units();
    let judged: Vec<_> = run.summary.sides.iter().filter_map(|side| Some((side, side.estimate.as_ref()?))).collect();
    if judged.is_empty() {
        return None;
    }
    let mut columns = vec![DocumentColumn::words("Source", 6)];
    for (side, _) in &judged {
        columns
            .push(DocumentColumn::number(&format!("{} ({})", upper_first(side_name(side.side)), units.leak_unit()), 4));
        columns.push(DocumentColumn::number("Share", 2));
    }
    let number = |pa_m3_s: f64| format!("{:.4}", units.leak_number(pa_m3_s));
    let mut rows: Vec<Vec<String>> = Vec::new();
    // Every term that combines, or the shares would not add up.
    for part in 0..Contribution::ALL.len() {
        let mut row = Vec::new();
        for (_, estimate) in &judged {
            let Some((name, u)) = budget_parts(&estimate.budget).get(part).copied() else { continue };
            if row.is_empty() {
                row.push(upper_first(name));
            }
            let whole = estimate.budget.combined * estimate.budget.combined;
            let share = if whole > 0.0 { u * u / whole * 100.0 } else { 0.0 };
            row.extend([number(u), format!("{share:.0} %")]);
        }
        rows.push(row);
    }
    let mut line = |name: &str, each: &dyn Fn(&seathold_sequencer::measure::LeakEstimate) -> String| {
        let mut row = vec![name.to_owned()];
        for (_, estimate) in &judged {
            row.extend([each(estimate), String::new()]);
        }
        rows.push(row);
    };
    line("Combined standard uncertainty", &|estimate| number(estimate.budget.combined));
    line("Expanded uncertainty", &|estimate| number(estimate.expanded.pa_m3_s()));
    line("Coverage factor k", &|estimate| {
        let combined = estimate.budget.combined;
        if combined > 0.0 { format!("{:.2}", estimate.expanded.pa_m3_s() / combined) } else { "–".into() }
    });
    line("Effective degrees of freedom", &|estimate| messages::freedom(estimate.budget.dof));
    line("Readings", &|estimate| estimate.samples.to_string());
    line("Window (s)", &|estimate| format!("{:.1}", f64::from(estimate.window_ms) / 1e3));
    Some(Block::Table(DocumentTable { caption: "Uncertainty budget: standard uncertainties".into(), columns, rows }))
}

/// Each recipe and rig once.
pub(super) fn settings<'a>(runs: impl Iterator<Item = &'a Evidence>) -> Vec<Block> {
    let mut tables: Vec<DocumentTable> = Vec::new();
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

/// The ends of the register's chains: what a reader keeps to hold against the register later.
pub(super) fn heads(heads: &[ChainHead]) -> Option<Block> {
    if heads.is_empty() {
        return None;
    }
    let columns = vec![
        DocumentColumn::words("Bench", 4),
        DocumentColumn::words("Records", 3),
        DocumentColumn::words("Head: seal of the last record", 8),
    ];
    let row = |head: &ChainHead| {
        let whole = if head.complete { "" } else { ", a selection" };
        vec![head.name.clone(), format!("{}{whole}", messages::counted(head.records, "record")), head.seal.clone()]
    };
    let caption = "Heads of the register's chains. `seathold register verify --head` tells whether a later register \
                   still contains them"
        .into();
    Some(Block::Table(DocumentTable { caption, columns, rows: heads.iter().map(row).collect() }))
}

/// What identifies each run.
pub(super) fn records<'a>(runs: impl Iterator<Item = &'a Evidence>) -> Vec<Block> {
    let mut rows = Vec::new();
    for run in runs {
        let whole = match &run.whole {
            Integrity::Replays => "complete; replayed to the same result".to_owned(),
            Integrity::Differs(_) => "DOES NOT REPLAY".to_owned(),
            Integrity::Damaged(_) => "INCOMPLETE".to_owned(),
            Integrity::Altered(_) => "ALTERED since it was sealed".to_owned(),
        };
        rows.push(vec![run.name.clone(), run.sha256.clone(), whole, run.header.program.clone()]);
        if let Some(seal) = &run.seal {
            rows.push(vec![
                format!("record {} of {}", seal.short, seal.register),
                seal.hash.clone(),
                if matches!(run.whole, Integrity::Altered(_)) { "seal NOT valid" } else { "seal valid" }.into(),
                String::new(),
            ]);
        }
    }
    let columns = vec![
        DocumentColumn::words("Recording", 4),
        DocumentColumn::words("SHA-256", 6),
        DocumentColumn::words("State", 3),
        DocumentColumn::words("Written by", 3),
    ];
    vec![
        Block::Heading(2, "Records".into()),
        Block::Text(
            "The recording holds every reading, output and event, and can be replayed. Its SHA-256 shows whether a \
             file is the one reported on."
                .into(),
        ),
        Block::Table(DocumentTable { caption: "Recordings behind this report".into(), columns, rows }),
    ]
}
