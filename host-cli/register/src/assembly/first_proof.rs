//! The first proof of each valve of a batch, before any rework, and how the valve had been put together by then.
//!
//! What was noted later says nothing of it: a step ticked, or a lot of seals put in, after a leak was found. A note that was struck later
//! was wrong from the beginning.

use std::collections::HashMap;

use seathold_assembly::steps::Step;
use seathold_sequencer::input::Side;
use seathold_sequencer::verdict::Verdict;

use super::progress::{AssemblyProgress, BoltedValve, StepState, struck};
use super::sealed::{self, PairedLine};
use crate::batch::status::{ReportedVerdict, counting, joined, runs_of};
use crate::error::Error;
use crate::note::{NoteKind, NoteRecord};
use crate::valves::BatchRecord;
use crate::{Register, RunRow};

/// A valve at its first proof.
#[derive(Clone, Debug, PartialEq)]
pub struct FirstProof {
    /// The valve.
    pub serial: String,
    /// Its verdict from before any rework; none where it was not tested then, or not from both sides.
    pub verdict: Option<Verdict>,
    /// The steps that were stated, and how they stood as the first run began.
    pub steps: Vec<(Step, StepState)>,
    /// How it was bolted up by then.
    pub bolted: Option<BoltedValve>,
    /// Lengths of the fittings in it, as far as they are known.
    pub fittings_mm: Vec<f64>,
}

/// Those of a batch.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct FirstProofs {
    /// Its valves, in the order of its list.
    pub valves: Vec<FirstProof>,
    /// Notes that are not as they should be, as `BENCH/NUMBER`.
    pub damaged: Vec<String>,
}

impl FirstProofs {
    /// Those of a batch.
    ///
    /// # Errors
    /// When the register cannot be read.
    pub fn of(register: &Register, batch: &BatchRecord) -> Result<Self, Error> {
        let listed = register.valves_of(&batch.batch)?;
        let notes = register.notes(Some(&batch.batch), None)?;
        let mut runs = runs_of(register, &batch.batch, &listed, &notes)?;
        let lengths = lengths(&notes);
        let mut valves = Vec::with_capacity(listed.len());
        let mut waiting = Vec::new();
        for (place, valve) in listed.iter().enumerate() {
            let counted = runs.remove(&valve.serial).unwrap_or_default().counted;
            let before: Vec<&RunRow> = counted.iter().filter(|run| run.after_rework.is_none()).collect();
            if let Some(first) = before.first() {
                waiting.push((place, (*first).clone()));
            }
            let verdict = verdict(&before);
            let serial = valve.serial.clone();
            valves.push(FirstProof { serial, verdict, steps: Vec::new(), bolted: None, fittings_mm: Vec::new() });
        }
        // The latest first: the next is taken off the end.
        waiting.sort_by(|(_, a), (_, b)| (&b.started_at, b.number).cmp(&(&a.started_at, a.number)));
        let mut seen = |progress: &AssemblyProgress, place: usize| {
            let (Some(valve), Some(state)) = (valves.get_mut(place), progress.valves.get(place)) else { return };
            valve.steps = progress.steps.iter().cloned().zip(state.steps.iter().cloned()).collect();
            valve.bolted.clone_from(&state.bolted);
            let fittings = state.bolted.iter().flat_map(|bolted| &bolted.head.fittings);
            valve.fittings_mm = fittings.filter_map(|id| lengths.get(id.as_str()).copied()).collect();
        };
        let serials: Vec<&str> = listed.iter().map(|valve| valve.serial.as_str()).collect();
        let progress = AssemblyProgress::followed(&serials, &notes, |progress, note| {
            while let Some((place, _)) = waiting.pop_if(|(_, run)| !is_before(note, run)) {
                seen(progress, place);
            }
        });
        waiting.iter().for_each(|(place, _)| seen(&progress, *place));
        Ok(Self { valves, damaged: progress.damaged })
    }
}

/// Whether a note was written before a run began. Within a second the number in the chain says which was first.
fn is_before(note: &NoteRecord, run: &RunRow) -> bool {
    note.written_at <= run.started_at && (note.bench != run.bench || note.number < run.number)
}

/// The verdict of these runs, by the same rule as the work list's.
fn verdict(runs: &[&RunRow]) -> Option<Verdict> {
    let [first, second] = [Side::First, Side::Second].map(|side| {
        let said: Vec<ReportedVerdict> = runs.iter().map(|run| run.reported_verdict(side)).collect();
        counting(said, true).and_then(|at| runs.get(at)?.side(side)).map(|found| found.verdict)
    });
    joined(first, second)
}

/// Lengths of fittings by their names, as they were last paired.
fn lengths(notes: &[NoteRecord]) -> HashMap<String, f64> {
    let struck = struck(notes);
    let paired = notes.iter().filter(|n| n.kind == NoteKind::Paired && !struck.contains(n.name().as_str()));
    let lines = paired.filter_map(|note| sealed::paired(&note.text)).flat_map(|(_, lines)| lines);
    let parts = lines.flat_map(|line| match line {
        PairedLine::Valve(valve) => valve.fittings.to_vec(),
        PairedLine::Left(part) => vec![part],
    });
    parts.map(|part| (part.id, part.length_mm)).collect()
}
