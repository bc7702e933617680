//! Corrections of a batch, each a note of its own in the chain: valves added, a run struck, a run moved to the valve that
//! was on the rig. Nothing is erased.

use std::collections::{BTreeSet, HashSet};

use rusqlite::{Connection, OptionalExtension, params};

use super::Register;
use super::append::insert_note;
use super::batch::sealed_list;
use super::customer::order_notes::ListedOrder;
use super::error::WithPath;
use super::intake::{VALVES_MAX, valve_fault};
use super::note::{NewNote, NoteKind, NoteRecord, ValveRecord};
use super::query::RunRow;
use super::reason::Correction;
use super::valves::{list, tell_valve};
use crate::error::Error;

impl Register {
    /// Adds valves to the list of a batch, and gives the number of the record.
    ///
    /// # Errors
    /// When one is on the list already, or the register cannot be written.
    pub fn add_valves(
        &mut self,
        batch: &str,
        valves: &[ValveRecord],
        order: &ListedOrder,
        why: Correction<'_>,
    ) -> Result<i64, Error> {
        let listed = self.valves_of(batch)?;
        let known: HashSet<&str> = listed.iter().map(|valve| valve.serial.as_str()).collect();
        let twice = valves.iter().find(|valve| known.contains(valve.serial.as_str()));
        let wrong = why
            .fault()
            .or_else(|| twice.map(|valve| format!("{} is on the list already", valve.serial)))
            .or_else(|| valves.iter().find_map(|v| valve_fault(&v.serial, &v.actuation, &v.notes)))
            .or_else(|| order.fault())
            .or_else(|| {
                let all = listed.len() + valves.len();
                (all > VALVES_MAX).then(|| format!("that would be {all} valves; a batch has at most {VALVES_MAX}"))
            });
        self.refuse(wrong)?;
        let note = self.correction(NoteKind::Added, batch, None, None, &why);
        let note = NewNote { text: sealed_list::restatement(why.reason.trim(), valves), ..note };
        let (path, bench) = (self.path.clone(), self.bench.clone());
        self.transact(|change| {
            for valve in valves {
                tell_valve(change, valve)?;
                append_to_list(change, batch, &valve.serial)?;
            }
            let number = insert_note(change, &bench, &note, why.now)?;
            for note in order.notes(batch, why.operator) {
                insert_note(change, &bench, &note, why.now)?;
            }
            Ok(number)
        })
        .at(&path)
    }

    /// Strikes a run: it stays, marked, and counts for no valve any more. Gives the number of the record.
    ///
    /// # Errors
    /// When it is of no batch, or struck already, or the register cannot be written.
    pub fn strike(&mut self, run: &RunRow, serial: &str, why: Correction<'_>) -> Result<i64, Error> {
        let struck = || {
            let known = self.corrections_of(&run.bench, run.number)?;
            Ok::<_, Error>(known.iter().any(|note| note.kind == NoteKind::Struck))
        };
        let wrong = match why.fault() {
            Some(fault) => Some(fault),
            None => struck()?.then(|| "it is struck already".into()),
        };
        self.refuse(wrong)?;
        self.correct(NoteKind::Struck, run, serial, &why)
    }

    /// Moves a run to the valve that was on the rig. Gives the number of the record. Whether it can have been that valve is
    /// for the caller to look at.
    ///
    /// # Errors
    /// When it is of no batch, or the register cannot be written.
    pub fn move_run(&mut self, run: &RunRow, serial: &str, why: Correction<'_>) -> Result<i64, Error> {
        self.refuse(why.fault())?;
        self.correct(NoteKind::Moved, run, serial, &why)
    }

    /// What was noted of a run that changes for whom it counts, the oldest first.
    ///
    /// # Errors
    /// When the register cannot be read.
    pub fn corrections_of(&self, bench: &str, number: i64) -> Result<Vec<NoteRecord>, Error> {
        // A recording that two benches took in is one run, whichever of them corrected it.
        let condition = "kind IN ('struck', 'moved') AND about IN (SELECT o.bench || '/' || o.number FROM runs r \
                         JOIN runs o ON o.recording = r.recording WHERE r.bench = ?1 AND r.number = ?2)";
        self.notes_where(condition, (Some(bench), Some(&number.to_string())))
    }

    /// The recording of a run by its name, `BENCH/NUMBER`, where it is here.
    pub(crate) fn recording_of(&self, run: &str) -> Result<Option<String>, Error> {
        let Some((bench, Ok(number))) = run.split_once('/').map(|(b, n)| (b, n.parse::<i64>())) else {
            return Ok(None);
        };
        let mut query =
            self.db.prepare_cached("SELECT recording FROM runs WHERE bench = ? AND number = ?").at(&self.path)?;
        query.query_row(params![bench, number], |row| row.get(0)).optional().at(&self.path)
    }

    fn correction(
        &self,
        kind: NoteKind,
        batch: &str,
        serial: Option<&str>,
        about: Option<String>,
        why: &Correction<'_>,
    ) -> NewNote {
        NewNote {
            kind,
            batch: Some(batch.into()),
            serial: serial.map(Into::into),
            about,
            operator: why.operator.into(),
            text: why.reason.trim().into(),
        }
    }

    fn correct(&mut self, kind: NoteKind, run: &RunRow, serial: &str, why: &Correction<'_>) -> Result<i64, Error> {
        let Some(batch) = &run.batch else {
            self.refuse(Some("it is of no batch, and counts for none".into()))?;
            return Ok(0);
        };
        let note = self.correction(kind, batch, Some(serial), Some(run.name()), why);
        self.note(&note, why.now)
    }
}

/// Puts a valve at the end of a batch's list, unless it is on it. A list from elsewhere that is longer than any may be ends there, and is then
/// not what was sealed.
pub(super) fn append_to_list(db: &Connection, batch: &str, serial: &str) -> rusqlite::Result<()> {
    let known: bool = db
        .prepare_cached("SELECT EXISTS (SELECT 1 FROM batch_valves WHERE batch = ? AND serial = ?)")?
        .query_row(params![batch, serial], |row| row.get(0))?;
    if known {
        return Ok(());
    }
    let text = "INSERT INTO batch_valves (batch, position, serial) \
                SELECT ?1, ifnull(max(position), 0) + 1, ?2 FROM batch_valves WHERE batch = ?1 \
                HAVING ifnull(max(position), 0) < ?3";
    db.prepare_cached(text)?.execute(params![batch, serial, VALVES_MAX as i64]).map(|_| ())
}

/// Whether a batch's list is what was sealed: the list it was opened with, and after it whatever was added since, in the
/// order in which this file learnt of it.
pub(super) fn is_sealed_list(db: &Connection, batch: &str, opening: &str) -> rusqlite::Result<bool> {
    let (here, opened) = (list(db, batch)?, sealed_list::serials(opening));
    let mut query = db.prepare_cached("SELECT text FROM notes WHERE batch = ? AND kind = 'added'")?;
    let texts: Vec<String> = query.query_map([batch], |row| row.get(0))?.collect::<rusqlite::Result<_>>()?;
    let known: BTreeSet<&str> = opened.iter().map(String::as_str).collect();
    let added: BTreeSet<String> = texts.iter().flat_map(|text| sealed_list::serials(text)).collect();
    let added: BTreeSet<&str> = added.iter().map(String::as_str).filter(|serial| !known.contains(serial)).collect();
    let Some(rest) = here.strip_prefix(opened.as_slice()) else { return Ok(false) };
    Ok(rest.len() == added.len() && rest.iter().all(|serial| added.contains(serial.as_str())))
}
