//! What is to be said beside a run wherever it is listed: why it does not count for the valve that it was recorded for, or
//! who answers for it.

use std::collections::HashMap;

use serde::Serialize;

use super::counted_runs::Exclusion;
use super::requirement::LimitMisfit;
use super::status::runs_of;
use crate::error::Error;
use crate::note::NoteRecord;
use crate::override_note::override_words;
use crate::{Register, RunRow};

/// What is to be said beside a run.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct RunMark {
    /// It counts for no valve, by this note.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub struck: Option<NoteRecord>,
    /// It counts for another valve, by this note.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub moved: Option<NoteRecord>,
    /// It does not count: its valve must meet another limit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub other_limit: Option<LimitMisfit>,
    /// It counts although it does not fit its valve, by this note.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub overridden: Option<NoteRecord>,
}

impl RunMark {
    /// The valve that it counts for instead.
    pub fn moved_to(&self) -> Option<&str> {
        self.moved.as_ref()?.serial.as_deref()
    }

    /// Why it is counted although it does not fit, and who says so.
    pub fn answered_for(&self) -> Option<String> {
        self.overridden.as_ref().map(|note| format!("{} ({})", override_words(&note.text), note.by()))
    }
}

/// The marks of runs; of each batch they are looked up once.
#[derive(Debug)]
pub struct RunMarks<'r> {
    register: &'r Register,
    /// What could not be looked up is not tried again for every run.
    of_batch: HashMap<String, Option<HashMap<String, RunMark>>>,
}

impl<'r> RunMarks<'r> {
    /// None looked up yet.
    pub fn new(register: &'r Register) -> Self {
        Self { register, of_batch: HashMap::new() }
    }

    /// The mark of a run, if there is anything to be said. A run of no batch has none.
    ///
    /// # Errors
    /// When the register cannot be read, once for each batch.
    pub fn of(&mut self, run: &RunRow) -> Result<Option<&RunMark>, Error> {
        let Some(batch) = &run.batch else { return Ok(None) };
        if !self.of_batch.contains_key(batch) {
            let marks = of_batch(self.register, batch);
            self.of_batch.insert(batch.clone(), marks.as_ref().ok().cloned());
            marks?;
        }
        Ok(self.of_batch.get(batch).and_then(|marks| marks.as_ref()?.get(&run.name())))
    }
}

fn of_batch(register: &Register, batch: &str) -> Result<HashMap<String, RunMark>, Error> {
    let (valves, notes) = (register.valves_of(batch)?, register.notes(Some(batch), None)?);
    let mut marks: HashMap<String, RunMark> = HashMap::new();
    for runs in runs_of(register, batch, &valves, &notes)?.into_values() {
        for excluded in runs.excluded {
            let mark = marks.entry(excluded.name).or_default();
            match excluded.why {
                Exclusion::Struck(note) => mark.struck = Some(note),
                Exclusion::Moved(note) => mark.moved = Some(note),
                Exclusion::Limit(misfit) => mark.other_limit = Some(misfit),
            }
        }
        for overridden in runs.overridden {
            marks.entry(overridden.run).or_default().overridden = Some(overridden.by);
        }
    }
    Ok(marks)
}
