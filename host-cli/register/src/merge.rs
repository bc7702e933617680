//! Other benches' registers, bundles of selected runs, and loose recordings.
//!
//! Records keep their bench, number and seal wherever they go. What is here already is not added again, so everything
//! here may be repeated, and continued after an interruption.

use std::collections::BTreeSet;
use std::path::Path;

use jiff::Timestamp;
use rusqlite::types::Value;
use rusqlite::{Connection, OptionalExtension, Transaction, params};
use seathold_recording::hash::sha256;

use super::append::{AppendedRun, RunMeta, insert_recording, keep, run_with, transact};
use super::error::{RegisterError, WithPath};
use super::extract::{RecordingExtract, SharedText};
use super::open::genesis;
use super::record::{RecordPlace, SHARED, SealedRecord};
use super::valves::{ValveRecord, tell_valve};
use super::{Access, Register, RunFilter};
use crate::error::Error;

/// Records in one transaction: others who wait for the register can write in between.
const TOGETHER: usize = 200;

/// The counts of a merge.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct MergeCounts {
    /// New runs.
    pub runs: u64,
    /// New notes.
    pub notes: u64,
    /// Records that were here already.
    pub known: u64,
}

/// A record on its way from one register to another.
struct TransferRecord {
    sealed: SealedRecord,
    /// A run's recipe, rig and calibrations.
    parts: Vec<SharedText>,
}

impl Register {
    /// Adds every record of another register that is not here.
    ///
    /// # Errors
    /// When either cannot be used; when a record of the other was altered; when the two have a common beginning and
    /// then diverge, as after copying a register and appending to both. What was added before that stays.
    pub fn merge(&mut self, from: &Path) -> Result<MergeCounts, Error> {
        let other = Self::open(from, Access::Read)?;
        self.take(&other, None)
    }

    /// Writes a register of its own that holds only the selected runs, with the notes on their valves and batches. It
    /// merges like any other.
    ///
    /// # Errors
    /// When the file is there already, or cannot be written.
    pub fn bundle(&self, to: &Path, filter: &RunFilter) -> Result<MergeCounts, Error> {
        if to.exists() {
            return Err(Error::file("make", to, std::io::ErrorKind::AlreadyExists.into()));
        }
        let mut wanted = BTreeSet::new();
        let (mut serials, mut batches) = (BTreeSet::new(), BTreeSet::new());
        for run in self.runs(filter.clone()) {
            let run = run?;
            wanted.insert((run.bench, run.number));
            serials.insert(run.serial);
            batches.extend(run.batch);
        }
        for serial in &serials {
            wanted.extend(self.notes(None, Some(serial))?.into_iter().map(|note| (note.bench, note.number)));
        }
        // The opening and closing notes of the batch: elsewhere nobody must continue it as if it were open.
        for batch in &batches {
            let of_batch = self.notes(Some(batch), None)?.into_iter().filter(|note| note.serial.is_none());
            wanted.extend(of_batch.map(|note| (note.bench, note.number)));
        }
        let mut bundle = Self::open_named(to, Access::Make, "bundle")?;
        bundle.take(self, Some(&wanted))
    }

    /// Imports a stand-alone recording, as a new record of this bench.
    ///
    /// # Errors
    /// When it cannot be read, is damaged, or the register cannot be written.
    pub fn import(&mut self, file: &Path, meta: &RunMeta, now: Timestamp) -> Result<AppendedRun, Error> {
        let bytes = std::fs::read(file).map_err(|why| Error::file("read", file, why))?;
        let extract = RecordingExtract::of(&bytes).map_err(|why| Error::damaged(file, why))?;
        self.append_extract(&bytes, &extract, meta, now)
    }

    /// Adds the selected records of another; all without a selection.
    fn take(&mut self, other: &Self, wanted: Option<&BTreeSet<(String, i64)>>) -> Result<MergeCounts, Error> {
        let mut merged = MergeCounts::default();
        let path = self.path.clone();
        for chain in other.chains()? {
            let mut places = RecordPlace::of_bench(&other.db, &chain.bench).at(&other.path)?;
            places.retain(|place| wanted.is_none_or(|w| w.contains(&(chain.bench.clone(), place.number))));
            // The file's own chain has no holes, or appending would not be safe.
            let mut own = if chain.bench == self.bench {
                Some(super::append::next(&self.db, &self.bench).at(&path)?)
            } else {
                None
            };
            for some in places.chunks(TOGETHER) {
                let mut transfers = Vec::new();
                for place in some {
                    let number = place.number;
                    let here = seal_of(&self.db, &chain.bench, number).at(&path)?;
                    let transfer = TransferRecord::read(&other.db, *place).at(&other.path)?;
                    transfer.check(&chain.name).map_err(|why| Error::register(&other.path, why))?;
                    let sealed = &transfer.sealed;
                    match here {
                        Some(seal) if seal == sealed.seal => merged.known += 1,
                        Some(_) => return Err(Error::register(&path, apart(&other.path, &chain.name, number))),
                        None => {
                            if let Some((next, seal)) = &mut own {
                                if (*next, seal.as_str()) != (number, sealed.text("previous")) {
                                    return Err(Error::register(&path, apart(&other.path, &chain.name, number)));
                                }
                                (*next, *seal) = (number + 1, sealed.seal.clone());
                            }
                            transfers.push(transfer);
                        }
                    }
                }
                let context = Context { other: &other.db, bench: &chain.bench, name: &chain.name, own: &self.bench };
                let (runs, notes) = transact(&mut self.db, |change| context.insert(change, &transfers)).at(&path)?;
                merged.runs += runs;
                merged.notes += notes;
            }
        }
        Ok(merged)
    }
}

fn apart(other: &Path, name: &str, number: i64) -> RegisterError {
    RegisterError::Refused(format!(
        "bench {name} has another record {number} in {}: the two registers have a common beginning and then diverged, \
         as after copying one and appending to both. Transfer what is missing by `seathold register extract` from the \
         one and `seathold register import` into the other",
        other.display()
    ))
}

fn seal_of(db: &Connection, bench: &str, number: i64) -> rusqlite::Result<Option<String>> {
    let mut query = db.prepare_cached(
        "SELECT seal FROM runs WHERE bench = ?1 AND number = ?2 UNION ALL SELECT seal FROM notes WHERE bench = ?1 AND \
         number = ?2",
    )?;
    query.query_row(params![bench, number], |row| row.get(0)).optional()
}

impl TransferRecord {
    fn read(db: &Connection, place: RecordPlace) -> rusqlite::Result<Self> {
        let sealed = SealedRecord::read(db, place)?;
        let mut parts = Vec::new();
        if sealed.is_run() {
            for (column, table) in SHARED {
                let sha256 = sealed.text(column).to_owned();
                let mut query = db.prepare_cached(&format!("SELECT json FROM {table} WHERE sha256 = ?"))?;
                let json = query.query_row([&sha256], |row| row.get(0))?;
                parts.push(SharedText { table, sha256, json });
            }
        }
        Ok(Self { sealed, parts })
    }

    /// Whether it may be added.
    fn check(&self, name: &str) -> Result<(), RegisterError> {
        let part_altered = || self.parts.iter().any(|part| sha256(part.json.as_bytes()) != part.sha256);
        let what = match self.sealed.altered() {
            Some(what) => what,
            None if part_altered() => "has a recipe, rig or calibration that was altered",
            None => return Ok(()),
        };
        let number = self.sealed.number();
        Err(RegisterError::Damaged(format!("record {number} of bench {name} {what}")))
    }
}

/// Reading and writing transfers.
struct Context<'a> {
    other: &'a Connection,
    bench: &'a str,
    name: &'a str,
    own: &'a str,
}

impl Context<'_> {
    fn insert(&self, change: &Transaction<'_>, transfers: &[TransferRecord]) -> rusqlite::Result<(u64, u64)> {
        change.execute(
            "INSERT INTO benches (bench, name, local, complete, last_number, seal) VALUES (?, ?, 0, 0, 0, ?) ON \
             CONFLICT DO NOTHING",
            params![self.bench, self.name, genesis(self.bench)],
        )?;
        let (mut runs, mut notes) = (0, 0);
        for TransferRecord { sealed, parts } in transfers {
            self.valve_and_batch(change, sealed)?;
            parts.iter().try_for_each(|part| keep(change, part))?;
            let mut again = false;
            if let Some(bytes) = &sealed.bytes {
                let recording = sealed.text("recording");
                again = run_with(change, recording)?.is_some();
                insert_recording(change, recording, bytes)?;
                runs += 1;
            } else {
                notes += 1;
            }
            sealed.record.insert(change, sealed.table, &sealed.seal, again)?;
        }
        if let Some(TransferRecord { sealed: last, .. }) = transfers.last() {
            let number = last.number();
            change.execute(
                "UPDATE benches SET last_number = ?1, seal = ?2 WHERE bench = ?3 AND last_number < ?1",
                params![number, last.seal, self.bench],
            )?;
        }
        // Complete as soon as nothing is missing. The file's own always is, or appending would not be safe.
        if self.bench != self.own {
            change.execute(
                "UPDATE benches SET complete = (SELECT count(*) FROM runs WHERE bench = ?1) + (SELECT count(*) FROM notes \
                 WHERE bench = ?1) = last_number WHERE bench = ?1",
                [self.bench],
            )?;
        }
        Ok((runs, notes))
    }

    /// The valve and the batch that a record names.
    fn valve_and_batch(&self, change: &Transaction<'_>, sealed: &SealedRecord) -> rusqlite::Result<()> {
        let SealedRecord { table, record, .. } = sealed;
        if let Some(Value::Text(serial)) = record.value(table, "serial") {
            self.valve(change, serial)?;
        }
        let Some(Value::Text(batch)) = record.value(table, "batch") else { return Ok(()) };
        let known = change.query_row("SELECT 1 FROM batches WHERE batch = ?", [batch], |_| Ok(())).optional()?;
        if known.is_some() {
            return Ok(());
        }
        let text = "SELECT name, opened_at, check_digit FROM batches WHERE batch = ?";
        let row = |row: &rusqlite::Row<'_>| Ok((row.get(0)?, row.get(1)?, row.get(2)?));
        let (name, opened_at, check_digit): (String, String, String) = self.other.query_row(text, [batch], row)?;
        change.execute(
            "INSERT INTO batches (batch, name, opened_at, check_digit) VALUES (?, ?, ?, ?)",
            params![batch, name, opened_at, check_digit],
        )?;
        for (place, serial) in (1_i64..).zip(super::valves::list(self.other, batch)?) {
            self.valve(change, &serial)?;
            change.execute(
                "INSERT INTO batch_valves (batch, position, serial) VALUES (?, ?, ?)",
                params![batch, place, serial],
            )?;
        }
        Ok(())
    }

    /// Fills in missing data of a valve from the other register.
    fn valve(&self, change: &Transaction<'_>, serial: &str) -> rusqlite::Result<()> {
        let text = "SELECT serial, actuation, dn, notes FROM valves WHERE serial = ?";
        let row = |row: &rusqlite::Row<'_>| {
            Ok(ValveRecord { serial: row.get(0)?, actuation: row.get(1)?, dn: row.get(2)?, notes: row.get(3)? })
        };
        let mut theirs: ValveRecord = self.other.prepare_cached(text)?.query_row([serial], row)?;
        if let Some(ours) = change.prepare_cached(text)?.query_row([serial], row).optional()? {
            theirs.actuation = if ours.actuation.is_empty() { theirs.actuation } else { ours.actuation };
            theirs.dn = ours.dn.or(theirs.dn);
            theirs.notes = if ours.notes.is_empty() { theirs.notes } else { ours.notes };
        }
        tell_valve(change, &theirs)
    }
}
