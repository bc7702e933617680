//! What the gate refused, beside the records: kept with its reason until somebody takes it out, and counted nowhere.

use jiff::Timestamp;
use rusqlite::{Connection, OptionalExtension, Row, params};
use seathold_recording::hash::sha256;
use serde::Serialize;

use super::Register;
use super::error::{RegisterError, WithPath};
use super::record::SealedRecord;
use super::transaction::{second, transact};
use crate::error::Error;

/// Something in quarantine.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct QuarantineEntry {
    /// Its number, of this file only.
    pub id: i64,
    /// SHA-256 of its bytes.
    pub sha256: String,
    /// "recording", or "record": the columns of one as JSON.
    pub kind: String,
    /// Why it is here.
    pub reason: String,
    /// Where it came from.
    pub source: String,
    /// When.
    pub arrived_at: String,
    /// How long it is.
    pub bytes: u64,
}

const COLUMNS: &str = "id, sha256, kind, reason, source, arrived_at, length(bytes)";

impl QuarantineEntry {
    fn from_row(row: &Row<'_>) -> rusqlite::Result<Self> {
        Ok(Self {
            id: row.get(0)?,
            sha256: row.get(1)?,
            kind: row.get(2)?,
            reason: row.get(3)?,
            source: row.get(4)?,
            arrived_at: row.get(5)?,
            bytes: row.get::<_, i64>(6)?.try_into().unwrap_or(0),
        })
    }
}

/// What is to be kept, and why.
pub(super) struct Refused<'a> {
    pub(super) kind: &'static str,
    pub(super) bytes: &'a [u8],
    pub(super) reason: &'a str,
    pub(super) source: &'a str,
}

/// Keeps it, once; returns its number.
pub(super) fn insert(db: &Connection, refused: &Refused<'_>, now: Timestamp) -> rusqlite::Result<i64> {
    let sha256 = sha256(refused.bytes);
    db.execute(
        "INSERT INTO quarantine (sha256, kind, reason, source, arrived_at, bytes) VALUES (?, ?, ?, ?, ?, ?) \
         ON CONFLICT DO NOTHING",
        params![sha256, refused.kind, refused.reason, refused.source, second(now), refused.bytes],
    )?;
    // Read back: what is said to be kept is kept.
    db.query_row("SELECT id FROM quarantine WHERE sha256 = ?", [sha256], |row| row.get(0))
}

/// A record's columns as JSON, for one that has no recording.
pub(super) fn columns(sealed: &SealedRecord) -> Vec<u8> {
    let text = |value: &rusqlite::types::Value| match value {
        rusqlite::types::Value::Null => serde_json::Value::Null,
        rusqlite::types::Value::Integer(n) => (*n).into(),
        rusqlite::types::Value::Real(x) => (*x).into(),
        rusqlite::types::Value::Text(text) => text.as_str().into(),
        rusqlite::types::Value::Blob(bytes) => bytes.as_slice().into(),
    };
    let columns = sealed.table.columns.iter().zip(&sealed.record.values);
    let mut map: serde_json::Map<String, serde_json::Value> =
        columns.map(|(name, value)| ((*name).to_owned(), text(value))).collect();
    map.insert("seal".into(), sealed.seal.as_str().into());
    serde_json::Value::from(map).to_string().into_bytes()
}

impl Register {
    /// Puts something into quarantine; returns its number there.
    pub(super) fn quarantine(&mut self, refused: &Refused<'_>, now: Timestamp) -> Result<i64, Error> {
        transact(&mut self.db, |change| insert(change, refused, now)).at(&self.path)
    }

    /// What is in quarantine, in the order it came.
    ///
    /// # Errors
    /// When the register cannot be read.
    pub fn quarantined(&self) -> Result<Vec<QuarantineEntry>, Error> {
        if !self.has_quarantine() {
            return Ok(Vec::new());
        }
        let all = || -> rusqlite::Result<Vec<QuarantineEntry>> {
            let mut query = self.db.prepare(&format!("SELECT {COLUMNS} FROM quarantine ORDER BY id"))?;
            query.query_map([], QuarantineEntry::from_row)?.collect()
        };
        all().at(&self.path)
    }

    /// The bytes of something in quarantine, as they came.
    ///
    /// # Errors
    /// When there is none of this number, or the register cannot be read.
    pub fn quarantined_bytes(&self, id: i64) -> Result<(QuarantineEntry, Vec<u8>), Error> {
        let none = || {
            let why =
                format!("nothing in quarantine has the number {id}; `seathold register quarantine list` names all");
            Error::register(&self.path, RegisterError::Refused(why))
        };
        if !self.has_quarantine() {
            return Err(none());
        }
        let text = format!("SELECT {COLUMNS}, bytes FROM quarantine WHERE id = ?");
        let found = self.db.query_row(&text, [id], |row| Ok((QuarantineEntry::from_row(row)?, row.get(7)?)));
        found.optional().at(&self.path)?.ok_or_else(none)
    }

    /// Takes something out of quarantine. Its bytes are the caller's to have kept.
    ///
    /// # Errors
    /// When it is not there, or the register cannot be written.
    pub fn remove_quarantined(&mut self, id: i64) -> Result<(), Error> {
        let removed = transact(&mut self.db, |change| change.execute("DELETE FROM quarantine WHERE id = ?", [id]));
        match removed.at(&self.path)? {
            1 => Ok(()),
            _ => {
                Err(Error::register(&self.path, RegisterError::Refused(format!("{id} is not in quarantine any more"))))
            }
        }
    }
}
