//! Appending a run or a note: sealed, in one transaction, on the disk before it is acknowledged.

use std::path::Path;

use jiff::Timestamp;
use rusqlite::types::Value;
use rusqlite::{Connection, OptionalExtension, Transaction, params};
use seathold_recording::hash::sha256;

use super::Register;
use super::error::{RegisterError, WithPath};
use super::extract::{RecordingExtract, SharedText};
use super::intake::{self, Refusal};
use super::note::NewNote;
use super::quarantine::Refused;
use super::record::{ChainRecord, ChainTable, NOTES, RUNS};
use super::transaction::{one, second};
use crate::error::Error;

/// Data of a run that is not in its recording.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct RunMeta {
    /// UUID of the batch it was run for.
    pub batch: Option<String>,
    /// The rework note that it follows, as `BENCH/NUMBER`.
    pub after_rework: Option<String>,
}

/// A run in the register.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AppendedRun {
    /// Its id in this file.
    pub id: i64,
    /// Its number in the bench's chain.
    pub number: i64,
    /// Its seal; empty where it was there before.
    pub seal: String,
    /// Whether it is new; a recording is kept once, however often it is added.
    pub new: bool,
}

impl Register {
    /// Adds a run by the bytes of its recording. When this returns, it is on the disk.
    ///
    /// # Errors
    /// When the bytes are no recording, or the register cannot be written; nothing of it is in the register then. When
    /// the gate refuses them; then they are in quarantine.
    pub fn append(&mut self, recording: &[u8], meta: &RunMeta, now: Timestamp) -> Result<AppendedRun, Error> {
        let path = self.path.clone();
        self.admit(recording, &path, meta, now)
    }

    /// Adds a run if the gate lets it in, and puts it into quarantine if not. `from`: where it comes from.
    pub(super) fn admit(
        &mut self,
        bytes: &[u8],
        from: &Path,
        meta: &RunMeta,
        now: Timestamp,
    ) -> Result<AppendedRun, Error> {
        // What is here has passed the gate.
        if let Some((id, number)) = run_with(&self.db, &sha256(bytes)).at(&self.path)? {
            return Ok(AppendedRun { id, number, seal: String::new(), new: false });
        }
        match intake::recording(bytes) {
            Ok(extract) => self.append_extract(bytes, &extract, meta, now),
            Err(Refusal::NotOurs(damage)) => Err(Error::damaged(from, damage)),
            Err(Refusal::Quarantine(reason)) => {
                let name = from.display().to_string();
                let refused = Refused { kind: "recording", bytes, reason: &reason, source: &name };
                let id = self.quarantine(&refused, now)?;
                Err(Error::Quarantined { name, reason, id })
            }
        }
    }

    /// The same with what has been read from the bytes already.
    pub(super) fn append_extract(
        &mut self,
        bytes: &[u8],
        extract: &RecordingExtract,
        meta: &RunMeta,
        now: Timestamp,
    ) -> Result<AppendedRun, Error> {
        let (path, bench) = (self.path.clone(), self.bench.clone());
        let add = |change: &Transaction<'_>| {
            if let Some((id, number)) = run_with(change, &extract.recording)? {
                return Ok(AppendedRun { id, number, seal: String::new(), new: false });
            }
            extract.parts.iter().try_for_each(|part| keep(change, part))?;
            valve(change, &extract.header.serial)?;
            insert_recording(change, &extract.recording, bytes)?;
            let ChainLink { id, number, seal } =
                insert_next(change, &bench, &RUNS, extract.sides(), |column| match column {
                    "batch" => meta.batch.clone().into(),
                    "after_rework" => meta.after_rework.clone().into(),
                    "appended_at" => second(now).into(),
                    other => extract.column(other).unwrap_or(Value::Null),
                })?;
            Ok(AppendedRun { id, number, seal, new: true })
        };
        self.transact(add).at(&path)
    }

    /// Adds a note, and gives its number.
    ///
    /// # Errors
    /// When the register cannot be written, or knows no such batch or valve.
    pub fn note(&mut self, note: &NewNote, now: Timestamp) -> Result<i64, Error> {
        let (path, bench) = (self.path.clone(), self.bench.clone());
        if let Some(why) = intake::note_fault(note.serial.as_deref(), &note.operator, note.about.as_deref(), &note.text)
        {
            return Err(Error::register(&path, RegisterError::Refused(why)));
        }
        self.transact(|change| insert_note(change, &bench, note, now)).at(&path)
    }
}

/// Writes a note within a transaction.
pub(super) fn insert_note(db: &Connection, bench: &str, note: &NewNote, now: Timestamp) -> rusqlite::Result<i64> {
    let note = insert_next(db, bench, &NOTES, Vec::new(), |column| match column {
        "kind" => super::extract::word(&note.kind).into(),
        "batch" => note.batch.clone().into(),
        "serial" => note.serial.clone().into(),
        "about" => note.about.clone().into(),
        "operator" => note.operator.clone().into(),
        "written_at" => second(now).into(),
        "text" => note.text.clone().into(),
        _ => Value::Null,
    })?;
    Ok(note.number)
}

/// A record that was sealed onto its chain.
struct ChainLink {
    id: i64,
    number: i64,
    seal: String,
}

/// Seals a record onto the last of its bench and makes it the last. `value` gives its columns, but for those that make
/// it a link of the chain.
fn insert_next(
    db: &Connection,
    bench: &str,
    table: &'static ChainTable,
    sides: Vec<Vec<Value>>,
    value: impl Fn(&str) -> Value,
) -> rusqlite::Result<ChainLink> {
    let (number, previous) = next(db, bench)?;
    let value = |column: &&str| match *column {
        "bench" => bench.to_owned().into(),
        "number" => number.into(),
        "previous" => previous.clone().into(),
        other => value(other),
    };
    let record = ChainRecord::new(table.columns.iter().map(value).collect(), sides);
    let seal = record.seal(table);
    let id = record.insert(db, table, &seal, false)?;
    record.confirm(db, table, id, &seal)?;
    let mut update = db.prepare_cached("UPDATE benches SET last_number = ?, seal = ? WHERE bench = ?")?;
    one(update.execute(params![number, seal, bench])?)?;
    one(usize::from(next(db, bench)? == (number + 1, seal.clone())))?;
    Ok(ChainLink { id, number, seal })
}

/// The number of the next record of a bench, and the seal before it.
pub(super) fn next(db: &Connection, bench: &str) -> rusqlite::Result<(i64, String)> {
    let mut query = db.prepare_cached("SELECT last_number + 1, seal FROM benches WHERE bench = ?")?;
    query.query_row([bench], |row| Ok((row.get(0)?, row.get(1)?)))
}

/// Id and number of the first run with this recording.
pub(super) fn run_with(db: &Connection, recording: &str) -> rusqlite::Result<Option<(i64, i64)>> {
    let text = "SELECT id, number FROM runs WHERE recording = ? AND duplicate = 0";
    db.prepare_cached(text)?.query_row([recording], |row| Ok((row.get(0)?, row.get(1)?))).optional()
}

/// Keeps a shared text, once.
pub(super) fn keep(db: &Connection, part: &SharedText) -> rusqlite::Result<()> {
    let text = format!("INSERT INTO {} (sha256, json) VALUES (?, ?) ON CONFLICT DO NOTHING", part.table);
    db.prepare_cached(&text)?.execute([&part.sha256, &part.json]).map(|_| ())
}

/// Makes a valve known by its serial alone.
pub(super) fn valve(db: &Connection, serial: &str) -> rusqlite::Result<()> {
    let mut insert = db.prepare_cached("INSERT INTO valves (serial) VALUES (?) ON CONFLICT DO NOTHING")?;
    insert.execute([serial]).map(|_| ())
}

/// Keeps the bytes of a recording, once.
pub(super) fn insert_recording(db: &Connection, sha256: &str, bytes: &[u8]) -> rusqlite::Result<()> {
    let text = "INSERT INTO recordings (sha256, bytes) VALUES (?, ?) ON CONFLICT DO NOTHING";
    db.prepare_cached(text)?.execute(params![sha256, bytes]).map(|_| ())
}
