//! Of which valves a certificate is made out, and what it states of them.

use seathold_assembly::finished_length::LengthVerdict;
use seathold_recording::plain::shown;
use seathold_register::batch::status::NextAction;
use seathold_register::customer::order_notes::BatchOrder;
use seathold_register::valves::BatchRecord;
use seathold_register::{Register, RunFilter};
use seathold_report::RunSelection;
use seathold_report::certificate::{CertifiedValve, not_certifiable};
use seathold_report::label::scanned;

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
    Ok(selected.into_iter().map(|valve| CertifiedValve::of(valve, order)).collect())
}

/// An error where a valve is not tight, or its length does not conform, and nobody asked for its certificate all the same.
pub(super) fn all_right(register: &Register, valves: &[CertifiedValve], any_result: bool) -> Result<(), Error> {
    let serials = |wrong: fn(&&CertifiedValve) -> bool| -> Vec<&str> {
        valves.iter().filter(wrong).map(|valve| valve.serial.as_str()).collect()
    };
    let wrong = [
        ("not tight from both sides", serials(|valve| !valve.tight)),
        ("of a length that does not conform", serials(|valve| valve.length_verdict == Some(LengthVerdict::DoesNot))),
    ];
    let wrong: Vec<String> = wrong
        .into_iter()
        .filter(|(_, serials)| !serials.is_empty())
        .map(|(what, serials)| format!("{what}: {}", listed(&serials)))
        .collect();
    if any_result || wrong.is_empty() {
        return Ok(());
    }
    let remedy = "leave them out, or --any-result states what was found";
    Err(refused(register, format!("{}; {remedy}", wrong.join("; "))))
}
