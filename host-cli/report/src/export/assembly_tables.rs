//! The tables of assembly: what was done on each valve, its fittings and its length.

use seathold_register::assembly::progress::{AssemblyProgress, StepState, ValveAssembly};
use seathold_register::valves::BatchRecord;

use super::tables::{may, must};
use super::{Cell, ColumnType, ExportColumn};
use crate::assembly::length_verdict;

/// A row a valve and step.
pub const STEPS: &[ExportColumn] = &[
    must("batch", ColumnType::Words, "UUID of the batch"),
    must("batch_name", ColumnType::Words, "name of the batch"),
    must("serial", ColumnType::Words, "the valve's serial number"),
    must("step", ColumnType::Words, "the word it is ticked by"),
    must("state", ColumnType::Words, "done, open, or undone by a rework"),
    may("value", ColumnType::Words, "what was read or noted, with its unit"),
    may("tool", ColumnType::Words, "the number of the tool"),
    may("photo", ColumnType::Words, "file name of the photograph"),
    may("photo_sha256", ColumnType::Words, "SHA-256 of its bytes, in hexadecimal"),
    may("remark", ColumnType::Words, "anything else"),
    may("operator", ColumnType::Words, "by whom; empty where not given"),
    may("done_at", ColumnType::Moment, "when it was noted"),
    may("note", ColumnType::Words, "the note, as BENCH/NUMBER; of a step that was undone the rework"),
];

/// A row a valve.
pub const PAIRS: &[ExportColumn] = &[
    must("batch", ColumnType::Words, "UUID of the batch"),
    must("batch_name", ColumnType::Words, "name of the batch"),
    must("serial", ColumnType::Words, "the valve's serial number"),
    may(
        "fitting_1",
        ColumnType::Words,
        "an end fitting: of a valve that is not bolted up, the one that is to go to it",
    ),
    may("fitting_2", ColumnType::Words, "the other"),
    may("body_m", ColumnType::Number, "length of the body"),
    may("forecast_m", ColumnType::Number, "finished length, forecast from its parts"),
    may("finished_m", ColumnType::Number, "finished length, measured"),
    may("finished_u_m", ColumnType::Number, "standard uncertainty of that"),
    may("nominal_m", ColumnType::Number, "finished length that is wanted"),
    may("least_m", ColumnType::Number, "shortest allowed"),
    may("most_m", ColumnType::Number, "longest allowed"),
    may("length_verdict", ColumnType::Words, "conforms, too-close or does-not; of a measured length"),
    may("before_rework", ColumnType::Flag, "the valve was reworked since it was measured"),
    may("operator", ColumnType::Words, "who bolted it up; empty where not given"),
    may("bolted_at", ColumnType::Moment, "when that was noted"),
];

/// A row a fitting.
pub const PARTS: &[ExportColumn] = &[
    must("batch", ColumnType::Words, "UUID of the batch"),
    must("batch_name", ColumnType::Words, "name of the batch"),
    must("part", ColumnType::Words, "its name"),
    may("length_m", ColumnType::Number, "its length, where it was paired by that"),
    may("serial", ColumnType::Words, "the valve that it is in, or is to go to; nothing where it is left"),
    must("bolted", ColumnType::Flag, "it is bolted up"),
];

fn metres(mm: Option<f64>) -> Cell {
    mm.map(|mm| mm / 1e3).into()
}

fn moment(rfc3339: &str) -> Cell {
    rfc3339.parse::<jiff::Timestamp>().map_or(Cell::Nothing, |at| Cell::Moment(at.as_microsecond()))
}

fn words(text: &str) -> Cell {
    if text.is_empty() { Cell::Nothing } else { text.into() }
}

/// A valve's rows of [`STEPS`].
pub fn step_rows(batch: &BatchRecord, progress: &AssemblyProgress, valve: &ValveAssembly) -> Vec<Vec<Cell>> {
    let row = |(step, state): (&seathold_assembly::steps::Step, &StepState)| {
        let about: [Cell; 4] = [
            batch.batch.as_str().into(),
            batch.name.as_str().into(),
            valve.serial.as_str().into(),
            step.name.as_str().into(),
        ];
        let rest: [Cell; 9] = match state {
            StepState::Done(done) => {
                let (head, photo) = (&done.head, done.head.photo.as_ref());
                [
                    "done".into(),
                    head.value.as_deref().into(),
                    head.tool.as_deref().into(),
                    photo.map(|photo| photo.file.as_str()).into(),
                    photo.map(|photo| photo.sha256.as_str()).into(),
                    words(&head.remark),
                    done.operator.as_str().into(),
                    moment(&done.at),
                    done.note.as_str().into(),
                ]
            }
            StepState::Open => {
                let mut rest = [const { Cell::Nothing }; 9];
                rest[0] = "open".into();
                rest
            }
            StepState::Undone { rework } => {
                let mut rest = [const { Cell::Nothing }; 9];
                (rest[0], rest[8]) = ("undone".into(), rework.as_str().into());
                rest
            }
        };
        about.into_iter().chain(rest).collect()
    };
    progress.steps.iter().zip(&valve.steps).map(row).collect()
}

/// A valve's row of [`PAIRS`]; none where it has no fittings.
pub fn pair_row(batch: &BatchRecord, progress: &AssemblyProgress, valve: &ValveAssembly) -> Option<Vec<Cell>> {
    let (pair, bolted) = (valve.pair.as_ref(), valve.bolted.as_ref());
    let fittings = match (bolted, pair) {
        (Some(bolted), _) => bolted.head.fittings.clone(),
        (None, Some(pair)) => pair.fittings.clone().map(|part| part.id),
        (None, None) => return None,
    };
    let to = progress.requirement;
    let verdict = length_verdict(progress, valve).and_then(|verdict| serde_json::to_value(verdict).ok());
    Some(vec![
        batch.batch.as_str().into(),
        batch.name.as_str().into(),
        valve.serial.as_str().into(),
        fittings[0].as_str().into(),
        fittings[1].as_str().into(),
        metres(pair.map(|pair| pair.body_mm)),
        metres(pair.map(|pair| pair.finished_mm)),
        metres(bolted.and_then(|bolted| bolted.head.finished_mm)),
        metres(bolted.and_then(|bolted| bolted.head.finished_u_mm)),
        metres(to.map(|to| to.nominal_mm)),
        metres(to.map(|to| to.least_mm)),
        metres(to.map(|to| to.most_mm)),
        verdict.as_ref().and_then(serde_json::Value::as_str).into(),
        bolted.map_or(Cell::Nothing, |bolted| bolted.before_rework.into()),
        bolted.map(|bolted| bolted.operator.as_str()).into(),
        bolted.map_or(Cell::Nothing, |bolted| moment(&bolted.at)),
    ])
}

/// A batch's rows of [`PARTS`]: those in valves in the order of the list, then those that are left.
pub fn part_rows(batch: &BatchRecord, progress: &AssemblyProgress) -> Vec<Vec<Cell>> {
    let row = |part: &str, length_mm: Option<f64>, serial: Option<&str>, bolted: bool| {
        vec![
            batch.batch.as_str().into(),
            batch.name.as_str().into(),
            part.into(),
            metres(length_mm),
            serial.into(),
            bolted.into(),
        ]
    };
    let mut rows = Vec::new();
    for valve in &progress.valves {
        let known = |id: &str| {
            let of = valve.pair.as_ref()?.fittings.iter().find(|part| part.id == *id)?;
            Some(of.length_mm)
        };
        let serial = Some(valve.serial.as_str());
        match (&valve.bolted, &valve.pair) {
            (Some(bolted), _) => rows.extend(bolted.head.fittings.iter().map(|id| row(id, known(id), serial, true))),
            (None, Some(pair)) => {
                rows.extend(pair.fittings.iter().map(|part| row(&part.id, Some(part.length_mm), serial, false)));
            }
            (None, None) => {}
        }
    }
    rows.extend(progress.left.iter().map(|part| row(&part.id, Some(part.length_mm), None, false)));
    rows
}
