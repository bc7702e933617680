//! A register made of records that were kept elsewhere, so that they can go through the gate of
//! [`Register::merge_staged`] like those of any other register. It holds what is sealed: batches and valves are made from
//! the notes that state them.

use std::path::{Path, PathBuf};

use rusqlite::{Connection, params};

use super::append::{insert_recording, keep, run_with, valve};
use super::batch::sealed_list;
use super::correction::append_to_list;
use super::error::WithPath;
use super::open::genesis;
use super::transaction::transact;
use super::transfer::TransferRecord;
use super::valves::tell_valve;
use super::{Access, Register};
use crate::error::Error;

/// A bench whose records came.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StagedBench {
    /// UUID.
    pub bench: String,
    /// What people call it.
    pub name: String,
}

impl Register {
    /// In messages it is called this from now on, and not by the name of a temporary file.
    pub fn call(&mut self, name: PathBuf) {
        self.path = name;
    }

    /// Makes a register at `path` of these records; nothing of them is checked, for that is what the gate does. In
    /// messages it is called `origin`.
    ///
    /// # Errors
    /// When it cannot be written, or two of the records have one number.
    pub fn staged(
        path: &Path,
        origin: &str,
        benches: &[StagedBench],
        records: &[TransferRecord],
    ) -> Result<Self, Error> {
        let mut register = Self::open_named(path, Access::Make, "staged")?;
        register.path = PathBuf::from(origin);
        let at = register.path.clone();
        // It lives as long as one merge: nothing of it must survive a power cut.
        register.db.execute_batch("PRAGMA synchronous = OFF; PRAGMA foreign_keys = OFF;").at(&at)?;
        transact(&mut register.db, |change| {
            for StagedBench { bench, name } in benches {
                let text =
                    "INSERT INTO benches (bench, name, local, complete, last_number, seal) VALUES (?, ?, 0, 1, 0, ?)";
                change.execute(text, params![bench, name, genesis(bench)])?;
            }
            // A list is what its batch was opened with, and then what was added.
            for kind in ["opened", "added"] {
                records.iter().filter(|r| r.text("kind") == kind).try_for_each(|record| list(change, record))?;
            }
            records.iter().try_for_each(|record| insert(change, record))
        })
        .at(&at)?;
        Ok(register)
    }
}

fn list(db: &Connection, record: &TransferRecord) -> rusqlite::Result<()> {
    let (batch, text) = (record.text("batch"), record.text("text"));
    if record.text("kind") == "opened" {
        let mut head = text.lines().next().unwrap_or_default().split('\t');
        let (name, check_digit) = (head.next().unwrap_or_default(), head.next().unwrap_or_default());
        let statement =
            "INSERT INTO batches (batch, name, opened_at, check_digit) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING";
        db.execute(statement, params![batch, name, record.text("written_at"), check_digit])?;
    }
    for stated in sealed_list::valves(text) {
        tell_valve(db, &stated)?;
        append_to_list(db, batch, &stated.serial)?;
    }
    Ok(())
}

fn insert(db: &Connection, record: &TransferRecord) -> rusqlite::Result<()> {
    let sealed = &record.sealed;
    let serial = sealed.text("serial");
    if !serial.is_empty() {
        valve(db, serial)?;
    }
    record.parts.iter().try_for_each(|part| keep(db, part))?;
    let mut again = false;
    if let Some(bytes) = &sealed.bytes {
        let recording = sealed.text("recording");
        again = run_with(db, recording)?.is_some();
        insert_recording(db, recording, bytes)?;
    }
    sealed.record.insert(db, sealed.table, &sealed.seal, again)?;
    if let Some(signature) = record.signature() {
        signature.insert(db, sealed.text("bench"), sealed.number())?;
    }
    let text = "UPDATE benches SET last_number = ?1, seal = ?2 WHERE bench = ?3 AND last_number < ?1";
    db.prepare_cached(text)?.execute(params![sealed.number(), sealed.seal, sealed.text("bench")])?;
    Ok(())
}
