//! A record on its way to another register, or to a place of another kind and back: its values, the bytes of its
//! recording, and the texts that it shares with others.

use rusqlite::{Connection, OptionalExtension};
use seathold_recording::hash::sha256;

pub use rusqlite::types::Value as CellValue;

use super::Register;
use super::error::{RegisterError, WithPath};
use super::extract::SharedText;
use super::record::{ChainRecord, ChainTable, NOTES, RUNS, RecordPlace, SHARED, SIDES, SealedRecord, seal_of};
use super::signed::Signature;
use crate::error::Error;

/// Whether a record is a run or a note.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RecordKind {
    /// A run.
    Run,
    /// A note.
    Note,
}

impl RecordKind {
    const fn table(self) -> &'static ChainTable {
        match self {
            Self::Run => &RUNS,
            Self::Note => &NOTES,
        }
    }

    /// The first word under its seal.
    pub const fn word(self) -> &'static str {
        self.table().word
    }

    /// The columns under its seal, in order; `previous` is the last.
    pub const fn columns(self) -> &'static [&'static str] {
        self.table().columns
    }
}

/// Columns of a run's side under its seal, in order.
pub const SIDE_COLUMNS: &[&str] = SIDES;

/// Columns of a run that name a text which it shares with others, each with the table of those texts.
pub const SHARED_COLUMNS: [(&str, &str); 3] = SHARED;

/// A record on its way from one register to another.
#[derive(Debug)]
pub struct TransferRecord {
    pub(super) sealed: SealedRecord,
    /// A run's recipe, rig and calibrations.
    pub(super) parts: Vec<SharedText>,
    /// Its signature, where it has one.
    pub(super) signature: Option<Signature>,
}

impl TransferRecord {
    /// One that was kept elsewhere, as it came from there; nothing is checked. `shared`: the texts of
    /// [`SHARED_COLUMNS`], in that order, those that are there.
    pub fn of_values(
        kind: RecordKind,
        values: Vec<CellValue>,
        sides: Vec<Vec<CellValue>>,
        seal: String,
        recording: Option<Vec<u8>>,
        shared: [Option<String>; 3],
        signature: Option<Signature>,
    ) -> Self {
        let table = kind.table();
        let record = ChainRecord { values, sides };
        let texts = SHARED.into_iter().zip(shared).filter(|_| kind == RecordKind::Run);
        let text = |((column, table_of_texts), json): ((&str, &'static str), Option<String>)| {
            let sha256 = record.text(table, column).to_owned();
            json.map(|json| SharedText { table: table_of_texts, sha256, json })
        };
        let parts = texts.filter_map(text).collect();
        Self { sealed: SealedRecord { table, record, seal, bytes: recording }, parts, signature }
    }

    /// Reads one of a register whose records may be `signed`.
    pub(super) fn read(db: &Connection, place: RecordPlace, signed: bool) -> rusqlite::Result<Self> {
        let sealed = SealedRecord::read(db, place)?;
        let mut parts = Vec::new();
        if sealed.is_run() {
            for (column, table) in SHARED {
                let sha256 = sealed.text(column).to_owned();
                let mut query = db.prepare_cached(&format!("SELECT json FROM {table} WHERE sha256 = ?"))?;
                let json = query.query_row([&sha256], |row| row.get(0)).optional()?;
                parts.extend(json.map(|json| SharedText { table, sha256, json }));
            }
        }
        let signature = match signed {
            true => Signature::of(db, sealed.text("bench"), sealed.number())?,
            false => None,
        };
        Ok(Self { sealed, parts, signature })
    }

    /// What it is.
    pub fn kind(&self) -> RecordKind {
        if self.sealed.is_run() { RecordKind::Run } else { RecordKind::Note }
    }

    /// Its number in its bench's chain.
    pub fn number(&self) -> i64 {
        self.sealed.number()
    }

    /// Its seal.
    pub fn seal(&self) -> &str {
        &self.sealed.seal
    }

    /// Its signature, where it has one.
    pub const fn signature(&self) -> Option<&Signature> {
        self.signature.as_ref()
    }

    /// Its values, in the order of [`RecordKind::columns`].
    pub fn values(&self) -> &[CellValue] {
        &self.sealed.record.values
    }

    /// The values of its sides, each in the order of [`SIDE_COLUMNS`].
    pub fn sides(&self) -> &[Vec<CellValue>] {
        &self.sealed.record.sides
    }

    /// A text by the name of its column; empty where it is none.
    pub fn text(&self, column: &str) -> &str {
        self.sealed.text(column)
    }

    /// The bytes of a run's recording.
    pub fn recording(&self) -> Option<&[u8]> {
        self.sealed.bytes.as_deref()
    }

    /// A run's shared texts: table, hash, text.
    pub fn shared(&self) -> impl Iterator<Item = (&'static str, &str, &str)> {
        self.parts.iter().map(|part| (part.table, part.sha256.as_str(), part.json.as_str()))
    }

    /// How many bytes it has, about: what a bound on memory counts.
    pub fn weight(&self) -> usize {
        let texts: usize = self.sealed.record.values.iter().map(weight).sum();
        texts + self.sealed.bytes.as_ref().map_or(0, Vec::len)
    }

    /// What is wrong with it, so that it may not be added anywhere.
    pub(super) fn altered(&self) -> Option<&'static str> {
        let part_altered = || self.parts.iter().any(|part| sha256(part.json.as_bytes()) != part.sha256);
        let missing = || self.sealed.is_run() && self.parts.len() < SHARED.len();
        let (bench, number) = (self.sealed.text("bench"), self.sealed.number());
        let forged = |signature: &Signature| !signature.holds(bench, number, &self.sealed.seal);
        match self.sealed.altered() {
            Some(what) => Some(what),
            None if part_altered() => Some("has a recipe, rig or calibration that was altered"),
            None if missing() => Some("has lost its recipe, rig or calibration"),
            None if self.signature.as_ref().is_some_and(forged) => Some("has a signature that its key did not make"),
            None => None,
        }
    }

    /// The same as an error that names the record and its bench.
    pub(super) fn check(&self, name: &str) -> Result<(), RegisterError> {
        let damaged = |what| RegisterError::Damaged(format!("record {} of bench {name} {what}", self.number()));
        self.altered().map_or(Ok(()), |what| Err(damaged(what)))
    }
}

fn weight(value: &CellValue) -> usize {
    match value {
        CellValue::Text(text) => text.len(),
        CellValue::Blob(bytes) => bytes.len(),
        _ => 8,
    }
}

impl Register {
    /// Records of a bench with greater numbers than `after`, in order: at most so many, and none more once so many bytes
    /// are reached. Each is as it was sealed.
    ///
    /// # Errors
    /// When the register cannot be read, or one of them was altered.
    pub fn records_after(
        &self,
        bench: &str,
        after: i64,
        most: usize,
        bytes: usize,
    ) -> Result<Vec<TransferRecord>, Error> {
        let places = RecordPlace::of_bench_after(&self.db, bench, after, most).at(&self.path)?;
        let (mut records, mut weight) = (Vec::new(), 0);
        for place in places {
            let record = TransferRecord::read(&self.db, place, self.has_signatures()).at(&self.path)?;
            record.check(bench).map_err(|why| Error::register(&self.path, why))?;
            weight += record.weight();
            records.push(record);
            if weight >= bytes {
                break;
            }
        }
        Ok(records)
    }

    /// The seal of a record, where it is here.
    ///
    /// # Errors
    /// When the register cannot be read.
    pub fn seal_of(&self, bench: &str, number: i64) -> Result<Option<String>, Error> {
        seal_of(&self.db, bench, number).at(&self.path)
    }

    /// What says which valves are on the list of a batch: the notes that opened it and added to it.
    ///
    /// # Errors
    /// When the register cannot be read.
    pub fn list_notes(&self, batch: &str) -> Result<Vec<TransferRecord>, Error> {
        let read = || -> rusqlite::Result<Vec<TransferRecord>> {
            let text = "SELECT bench, number FROM notes WHERE batch = ? AND kind IN ('opened', 'added') ORDER BY id";
            let mut query = self.db.prepare_cached(text)?;
            let rows = query.query_map([batch], |row| Ok((row.get::<_, String>(0)?, row.get(1)?)))?;
            let names: Vec<(String, i64)> = rows.collect::<rusqlite::Result<_>>()?;
            let one = |(bench, number): &(String, i64)| {
                TransferRecord::read(&self.db, RecordPlace::of_record(&self.db, bench, *number)?, self.has_signatures())
            };
            names.iter().map(one).collect()
        };
        read().at(&self.path)
    }
}
