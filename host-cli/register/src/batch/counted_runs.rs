//! Which runs of a batch count for which valve. One that does not stays where it is, with the reason.

use std::collections::HashMap;

use seathold_quantity::limit;
use seathold_sequencer::units::Reference;
use serde::Serialize;

use super::requirement::{self, LimitMisfit};
use crate::error::Error;
use crate::note::{NoteKind, NoteRecord, ValveRecord};
use crate::override_note::override_is_for;
use crate::{Register, RegisterError, RunRow};

/// Why a run does not count.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Exclusion {
    /// It was judged by another limit than its valve must meet.
    Limit(LimitMisfit),
    /// It was struck, by this note.
    Struck(NoteRecord),
    /// Another valve was on the rig: it counts for that, by this note.
    Moved(NoteRecord),
}

/// A run that counts for a valve it was not recorded for.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct MovedRun {
    /// The run, as `BENCH/NUMBER`.
    pub run: String,
    /// The valve that it was recorded for.
    pub recorded_for: String,
    /// The note that moved it.
    pub by: NoteRecord,
}

/// A run that does not count.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ExcludedRun {
    /// The run, as `BENCH/NUMBER`.
    #[serde(rename = "run")]
    pub name: String,
    /// Its recipe and unit, for display.
    #[serde(skip)]
    pub row: RunRow,
    /// Why.
    pub why: Exclusion,
}

/// A run that somebody wanted although it does not fit its valve.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct OverriddenRun {
    /// The run, as `BENCH/NUMBER`.
    pub run: String,
    /// The note that says who, and why.
    pub by: NoteRecord,
}

/// The runs of a valve in its batch.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ValveRuns {
    /// Those that count, the oldest first.
    pub counted: Vec<RunRow>,
    /// Those that do not.
    pub excluded: Vec<ExcludedRun>,
    /// Those of the former that somebody answers for.
    pub overridden: Vec<OverriddenRun>,
    /// Those, of either, that were recorded for another valve.
    pub moved: Vec<MovedRun>,
}

/// The runs of a batch by valve, from all its runs and all notes on it, the oldest first.
///
/// # Errors
/// When the register cannot be read.
pub fn by_valve(
    register: &Register,
    valves: &[ValveRecord],
    runs: Vec<RunRow>,
    notes: &[NoteRecord],
) -> Result<HashMap<String, ValveRuns>, Error> {
    let listed: HashMap<&str, &ValveRecord> = valves.iter().map(|valve| (valve.serial.as_str(), valve)).collect();
    let overridden = overridden(&runs, notes);
    let corrections = Corrections::of(register, notes)?;
    let mut of: HashMap<String, ValveRuns> = HashMap::new();
    let mut references = References { register, known: HashMap::new() };
    for mut run in runs {
        let name = run.name();
        if let Some(moved) = corrections.moved.get(&run.recording) {
            let recorded_for = std::mem::take(&mut run.serial);
            run.serial = moved.serial.clone().unwrap_or_default();
            if recorded_for != run.serial {
                let excluded =
                    ExcludedRun { name: name.clone(), row: run.clone(), why: Exclusion::Moved((*moved).clone()) };
                of.entry(recorded_for.clone()).or_default().excluded.push(excluded);
                let moved = MovedRun { run: name.clone(), recorded_for, by: (*moved).clone() };
                of.entry(run.serial.clone()).or_default().moved.push(moved);
            }
            run.after_rework = corrections.rework_before(&run);
        }
        let to = of.entry(run.serial.clone()).or_default();
        let valve = listed.get(run.serial.as_str());
        let required = match valve {
            Some(valve) => references.required(valve, &run)?,
            None => None,
        };
        let by = overridden.get(&name).copied().filter(|note| {
            note.serial.as_ref() == Some(&run.serial) && override_is_for(&note.text, run.limit_pa_m3_s, required)
        });
        let misfit = required.filter(|_| by.is_none()).and_then(|required| requirement::misfit(&run, required));
        let struck = corrections.struck.get(&run.recording).map(|note| Exclusion::Struck((*note).clone()));
        match struck.or(misfit.map(Exclusion::Limit)) {
            Some(why) => to.excluded.push(ExcludedRun { name, row: run, why }),
            None => {
                to.overridden.extend(by.map(|by| OverriddenRun { run: name, by: by.clone() }));
                to.counted.push(run);
            }
        }
    }
    Ok(of)
}

/// What was noted of runs and valves that changes what counts.
struct Corrections<'n> {
    /// By recording: one that two benches took in is one run.
    struck: HashMap<String, &'n NoteRecord>,
    /// By recording: the last note.
    moved: HashMap<String, &'n NoteRecord>,
    reworks: Vec<&'n NoteRecord>,
}

impl<'n> Corrections<'n> {
    fn of(register: &Register, notes: &'n [NoteRecord]) -> Result<Self, Error> {
        let about = |kind| {
            let mut found: HashMap<String, &NoteRecord> = HashMap::new();
            for note in notes.iter().filter(|note| note.kind == kind) {
                if let Some(recording) = register.recording_of(note.about.as_deref().unwrap_or_default())? {
                    found.insert(recording, note);
                }
            }
            Ok::<_, Error>(found)
        };
        let (struck, moved) = (about(NoteKind::Struck)?, about(NoteKind::Moved)?);
        let reworks = notes.iter().filter(|note| note.kind == NoteKind::Rework).collect();
        Ok(Self { struck, moved, reworks })
    }

    /// The rework that a moved run follows: the valve's last before it began.
    fn rework_before(&self, run: &RunRow) -> Option<String> {
        let before = |note: &&&NoteRecord| {
            // Within a second the number in the chain says which was first.
            let earlier = note.bench != run.bench || note.number < run.number;
            note.serial.as_ref() == Some(&run.serial) && note.written_at <= run.started_at && earlier
        };
        self.reworks.iter().rev().find(before).map(|note| note.name())
    }
}

/// The runs that an override may be for: each is for the valve's next run, and for no other. One that was killed, or begun otherwise after all, is
/// not what was answered for: that is seen by its limit.
fn overridden<'n>(runs: &[RunRow], notes: &'n [NoteRecord]) -> HashMap<String, &'n NoteRecord> {
    let mut found: HashMap<String, &NoteRecord> = HashMap::new();
    for note in notes.iter().filter(|note| note.kind == NoteKind::Override) {
        // Within a second, and for a recording that came later, the number in the chain says which was first.
        let follows = |run: &&RunRow| {
            let later = run.bench != note.bench || run.number > note.number;
            Some(&run.serial) == note.serial.as_ref() && run.started_at >= note.written_at && later
        };
        let next = runs.iter().filter(follows).min_by_key(|run| (&run.started_at, run.number));
        if let Some(run) = next {
            found.insert(run.name(), note);
        }
    }
    found
}

/// The references of recipes, each read once.
struct References<'r> {
    register: &'r Register,
    known: HashMap<String, Reference>,
}

impl References<'_> {
    /// What the valve of a run must meet, counted at the reference of the run's recipe.
    fn required(&mut self, valve: &ValveRecord, run: &RunRow) -> Result<Option<f64>, Error> {
        if valve.limit.is_empty() {
            return Ok(None);
        }
        let reference = match self.known.get(&run.recipe) {
            Some(known) => *known,
            None => limit::reference_at(self.register.recipe(&run.recipe)?.reference_pa),
        };
        self.known.insert(run.recipe.clone(), reference);
        let limit = requirement::limit_of(valve, reference).map_err(|why| {
            let why = format!("what {} must meet cannot be read: {why}", valve.serial);
            Error::register(self.register.path(), RegisterError::Damaged(why))
        })?;
        Ok(limit.map(|limit| limit.leak.pa_m3_s()))
    }
}
