//! Of which valves a certificate is made out, and what it states of them.

use seathold_assembly::finished_length::LengthVerdict;
use seathold_recording::plain::shown;
use seathold_register::batch::status::NextAction;
use seathold_register::customer::order_notes::BatchOrder;
use seathold_register::valves::BatchRecord;
use seathold_register::{NoteKind, Register, RegisterError, RunFilter};
use seathold_report::RunSelection;
use seathold_report::certificate::{CertifiedValve, LaterRecord, LaterWhat, not_certifiable};
use seathold_report::label::scanned;
use seathold_sequencer::verdict::Verdict;

use crate::cmd::batch_common::{listed, not_listed, refused};
use crate::error::Error;

/// What a register has of the valves of a batch: their recordings are replayed once, however many certificates they are for.
pub(super) struct BatchValves {
    order: BatchOrder,
    selection: RunSelection,
}

impl BatchValves {
    pub(super) fn read(register: &Register, batch: &BatchRecord) -> Result<Self, Error> {
        let filter = RunFilter { batch: Some(batch.batch.clone()), ..RunFilter::default() };
        let (order, selection) = (BatchOrder::of(register, &batch.batch)?, RunSelection::read(register, &filter)?);
        Ok(Self { order, selection })
    }
}

/// An error where a chain of the register is not whole: what is missing may be a leak.
pub(super) fn whole(register: &Register) -> Result<(), Error> {
    let Some(broken) = register.chain_fault()? else { return Ok(()) };
    let name = register.short(&format!("{}/{}", broken.bench, broken.number));
    let what = format!("record {name} of bench {} {}", broken.name, broken.what);
    Err(Error::register(register.path(), RegisterError::Damaged(what)))
}

/// Valves of a batch as they were named, or all that were not set aside.
///
/// # Errors
/// When one is not on the list, or none can be certified; all of those that cannot are named.
pub(super) fn certified(
    register: &Register,
    batch: &BatchRecord,
    of_batch: &BatchValves,
    typed: &[String],
) -> Result<Vec<CertifiedValve>, Error> {
    let BatchValves { order, selection } = of_batch;
    let all = selection.valves();
    let is_aside = |history: &seathold_report::RegisterHistory| history.status.stand == NextAction::SetAside;
    let mut selected = Vec::new();
    for text in typed {
        let serial = scanned::listed(text, |serial| all.iter().any(|valve| valve.serial == serial));
        let Some(valve) = all.iter().find(|valve| valve.serial == serial) else {
            return Err(refused(register, not_listed(serial, batch, all.iter().map(|valve| valve.serial))));
        };
        if !selected.iter().any(|known: &&seathold_report::ValveHistory<'_>| known.serial == valve.serial) {
            selected.push(valve);
        }
    }
    if typed.is_empty() {
        selected = all.iter().filter(|valve| !valve.history.is_some_and(is_aside)).collect();
    }
    let faults: Vec<String> = selected
        .iter()
        .filter_map(|valve| Some(format!("{}: {}", shown(valve.serial), not_certifiable(valve, order)?)))
        .collect();
    if !faults.is_empty() {
        return Err(refused(register, format!("no certificate can be made out: {}", faults.join("; "))));
    }
    if selected.is_empty() {
        return Err(refused(register, format!("batch {} has no valve to certify", batch.name)));
    }
    let with_later = |valve: &seathold_report::ValveHistory<'_>| {
        let alone = CertifiedValve::of(valve, order, Vec::new());
        let later = later(register, &batch.batch, &alone)?;
        Ok(CertifiedValve { later, ..alone })
    };
    selected.into_iter().map(with_later).collect()
}

/// What other records say of a valve, later than the first of the tests that count: a certificate of this batch would not tell.
fn later(register: &Register, batch: &str, valve: &CertifiedValve) -> Result<Vec<LaterRecord>, Error> {
    let tested = valve.sides.iter().map(|side| side.tested_at.as_str()).filter(|at| !at.is_empty());
    let Some(first) = tested.min() else { return Ok(Vec::new()) };
    let mut found = Vec::new();
    let leaking = RunFilter {
        serial: Some(valve.serial.clone()),
        or_moved_here: true,
        since: Some(first.to_owned()),
        verdicts: vec![Some(Verdict::Leaking)],
        ..RunFilter::default()
    };
    for run in register.runs(leaking) {
        let run = run?;
        let corrected = register.corrections_of(&run.bench, run.number)?;
        let struck = corrected.iter().any(|note| note.kind == NoteKind::Struck);
        // Of several moves the last.
        let moved = corrected.iter().rev().find(|note| note.kind == NoteKind::Moved);
        let is_its = moved.and_then(|note| note.serial.as_deref()).unwrap_or(&run.serial) == valve.serial;
        if run.batch.as_deref() == Some(batch) || struck || !is_its {
            continue;
        }
        found.push(LaterRecord {
            record: run.name(),
            what: LaterWhat::Leak,
            at: run.started_at,
            by: run.operator,
            text: String::new(),
        });
    }
    for note in register.notes(None, Some(&valve.serial))? {
        let what = match note.kind {
            NoteKind::Rework => LaterWhat::Rework,
            NoteKind::SetAside => LaterWhat::SetAside,
            _ => continue,
        };
        if note.batch.as_deref() == Some(batch) || note.written_at.as_str() < first {
            continue;
        }
        found.push(LaterRecord { record: note.name(), what, at: note.written_at, by: note.operator, text: note.text });
    }
    found.sort_by(|a, b| (&a.at, &a.record).cmp(&(&b.at, &b.record)));
    Ok(found)
}

/// An error where a valve is not tight, or its length does not conform, and nobody asked for its certificate all the same.
pub(super) fn all_right(
    register: &Register,
    batch: &BatchRecord,
    valves: &[CertifiedValve],
    any_result: bool,
) -> Result<(), Error> {
    let serials = |wrong: fn(&&CertifiedValve) -> bool| -> Vec<&str> {
        valves.iter().filter(wrong).map(|valve| valve.serial.as_str()).collect()
    };
    let wrong = [
        ("not tight from both sides", serials(|valve| !valve.tight && !valve.by_override)),
        ("judged under an override", serials(|valve| valve.by_override)),
        ("of which later records say more", serials(|valve| !valve.later.is_empty())),
        ("of a length that does not conform", serials(|valve| valve.length_verdict == Some(LengthVerdict::DoesNot))),
    ];
    let wrong: Vec<String> = wrong
        .into_iter()
        .filter(|(_, serials)| !serials.is_empty())
        .map(|(what, serials)| format!("{what}: {}", listed(&serials)))
        .collect();
    if any_result {
        return Ok(());
    }
    if batch.selection {
        let why = "has only a selection of its records here: what the others say is not known; issue it where all are, or --any-result \
                   says so on it";
        return Err(refused(register, format!("batch {} {why}", batch.name)));
    }
    if wrong.is_empty() {
        return Ok(());
    }
    let remedy = "leave them out, or --any-result states what was found";
    Err(refused(register, format!("{}; {remedy}", wrong.join("; "))))
}
