//! Batches, their lists of valves, and notes between runs.

use jiff::Timestamp;
use rusqlite::{Connection, OptionalExtension, params};
use serde::Serialize;

use super::Register;
use super::append::{NewNote, NoteKind, insert_note};
use super::error::{RegisterError, WithPath};
use super::extract::from_word;
use super::intake::{batch_fault, valve_fault};
use super::record::NOTES;
use super::transaction::{one, second, transact};
use crate::error::Error;

/// A valve in the register.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct ValveRecord {
    /// Serial number.
    pub serial: String,
    /// "air", "hand", or empty where not given.
    pub actuation: String,
    /// Nominal size.
    pub dn: Option<u32>,
    /// Anything else.
    pub notes: String,
}

/// A batch.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct BatchRecord {
    /// UUID: the same in every register.
    pub batch: String,
    /// Its name.
    pub name: String,
    /// When it was opened.
    pub opened_at: String,
    /// When it was closed, if it was.
    pub closed_at: Option<String>,
    /// Check digit of its serials: "luhn", "mod-37-36", or empty.
    pub check_digit: String,
    /// How many valves are on its list.
    pub valves: u32,
    /// Whether this file has only a selection of some bench's records on it: more may have been done than is here.
    pub selection: bool,
}

/// A note in the register.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct NoteRecord {
    /// UUID of the bench.
    pub bench: String,
    /// Its number in that bench's chain.
    pub number: i64,
    /// What it is.
    pub kind: NoteKind,
    /// UUID of the batch.
    pub batch: Option<String>,
    /// The valve.
    pub serial: Option<String>,
    /// The run that was the reason, as `BENCH/NUMBER`.
    pub about: Option<String>,
    /// Who wrote it.
    pub operator: String,
    /// When.
    pub written_at: String,
    /// The text.
    pub text: String,
}

impl NoteRecord {
    /// Its name in every file: `BENCH/NUMBER`.
    pub fn name(&self) -> String {
        format!("{}/{}", self.bench, self.number)
    }
}

impl Register {
    /// Opens a batch with its list of valves, all at once.
    ///
    /// # Errors
    /// When an open batch has the name already, or the register cannot be written.
    pub fn open_batch(
        &mut self,
        name: &str,
        valves: &[ValveRecord],
        check_digit: &str,
        operator: &str,
        now: Timestamp,
    ) -> Result<BatchRecord, Error> {
        let taken = self.batches()?.into_iter().any(|b| b.name == name && b.closed_at.is_none());
        if taken {
            let why = format!("batch {name} is open already; close it first, or choose another name");
            return Err(Error::register(&self.path, RegisterError::Refused(why)));
        }
        let listed = |valve: &ValveRecord| valve_fault(&valve.serial, &valve.actuation, &valve.notes);
        let wrong = batch_fault(name, check_digit, valves.len()).or_else(|| valves.iter().find_map(listed));
        if let Some(why) = wrong {
            return Err(Error::register(&self.path, RegisterError::Refused(why)));
        }
        let (path, bench) = (self.path.clone(), self.bench.clone());
        let batch = uuid::Uuid::now_v7().to_string();
        let opened_at = second(now);
        transact(&mut self.db, |change| {
            one(change.execute(
                "INSERT INTO batches (batch, name, opened_at, check_digit) VALUES (?, ?, ?, ?)",
                params![batch, name, opened_at, check_digit],
            )?)?;
            for (place, valve) in (1_i64..).zip(valves) {
                tell_valve(change, valve)?;
                one(change
                    .prepare_cached("INSERT INTO batch_valves (batch, position, serial) VALUES (?, ?, ?)")?
                    .execute(params![batch, place, valve.serial])?)?;
            }
            let note = NewNote {
                kind: NoteKind::Opened,
                batch: Some(batch.clone()),
                serial: None,
                about: None,
                operator: operator.into(),
                text: list_text(name, check_digit, valves),
            };
            insert_note(change, &bench, &note, now)
        })
        .at(&path)?;
        Ok(BatchRecord {
            batch,
            name: name.into(),
            opened_at,
            closed_at: None,
            check_digit: check_digit.into(),
            valves: valves.len() as u32,
            selection: false,
        })
    }

    /// All batches, the oldest first.
    ///
    /// # Errors
    /// When the register cannot be read.
    pub fn batches(&self) -> Result<Vec<BatchRecord>, Error> {
        let batches = || -> rusqlite::Result<Vec<BatchRecord>> {
            let mut query = self.db.prepare_cached(
                "SELECT batch, name, opened_at, check_digit, (SELECT count(*) FROM batch_valves v WHERE v.batch = b.batch), \
                 (SELECT max(written_at) FROM notes n WHERE n.batch = b.batch AND n.kind = 'closed'), \
                 EXISTS (SELECT 1 FROM benches c WHERE c.complete = 0 AND (\
                 EXISTS (SELECT 1 FROM runs r WHERE r.batch = b.batch AND +r.bench = c.bench) OR \
                 EXISTS (SELECT 1 FROM notes n WHERE n.batch = b.batch AND +n.bench = c.bench))) \
                 FROM batches b ORDER BY opened_at, batch",
            )?;
            let rows = query.query_map([], |row| {
                Ok(BatchRecord {
                    batch: row.get(0)?,
                    name: row.get(1)?,
                    opened_at: row.get(2)?,
                    check_digit: row.get(3)?,
                    valves: row.get(4)?,
                    closed_at: row.get(5)?,
                    selection: row.get(6)?,
                })
            })?;
            rows.collect()
        };
        batches().at(&self.path)
    }

    /// When a batch was closed, if it was.
    ///
    /// # Errors
    /// When the register cannot be read.
    pub fn closed_at(&self, batch: &str) -> Result<Option<String>, Error> {
        let text = "SELECT max(written_at) FROM notes WHERE batch = ? AND kind = 'closed'";
        self.db.query_row(text, [batch], |row| row.get(0)).at(&self.path)
    }

    /// The batch of this name, or with this beginning of its UUID.
    ///
    /// # Errors
    /// When there is none, or several that are equally likely.
    pub fn batch_named(&self, name: &str) -> Result<BatchRecord, Error> {
        let all = self.batches()?;
        let refused = |why| Error::register(&self.path, RegisterError::Refused(why));
        let mut fits: Vec<&BatchRecord> = all.iter().filter(|b| b.name == name).collect();
        if fits.len() > 1 {
            // A name used again: the open one is meant.
            let open: Vec<&BatchRecord> = fits.iter().copied().filter(|b| b.closed_at.is_none()).collect();
            fits = if open.is_empty() { fits } else { open };
        }
        if fits.is_empty() && name.len() >= 8 {
            fits = all.iter().filter(|b| b.batch.starts_with(name)).collect();
        }
        match fits.as_slice() {
            [one] => Ok((*one).clone()),
            [] => {
                let hint = seathold_quantity::did_you_mean(name, all.iter().map(|b| b.name.as_str()));
                Err(refused(format!("there is no batch {name}{hint} (`seathold batch list` names them)")))
            }
            several => {
                let list: Vec<String> = several.iter().map(|b| format!("{} of {}", b.batch, b.opened_at)).collect();
                Err(refused(format!(
                    "there are several batches {name}; give the beginning of one's UUID: {}",
                    list.join(", ")
                )))
            }
        }
    }

    /// Known serials similar to one that is not known, likeliest first.
    ///
    /// # Errors
    /// When the register cannot be read.
    pub fn serials_like(&self, serial: &str) -> Result<Vec<String>, Error> {
        let all = || -> rusqlite::Result<Vec<String>> {
            let mut query = self.db.prepare("SELECT serial FROM valves")?;
            let rows = query.query_map([], |row| row.get(0))?;
            rows.collect()
        };
        let all = all().at(&self.path)?;
        Ok(crate::batch::similar_serials::meant(serial, all.iter().map(String::as_str))
            .into_iter()
            .map(str::to_owned)
            .collect())
    }

    /// The valves of a batch, in the order of its list.
    ///
    /// # Errors
    /// When the register cannot be read.
    pub fn valves_of(&self, batch: &str) -> Result<Vec<ValveRecord>, Error> {
        let valves = || -> rusqlite::Result<Vec<ValveRecord>> {
            let mut query = self.db.prepare_cached(
                "SELECT v.serial, v.actuation, v.dn, v.notes FROM batch_valves b JOIN valves v ON v.serial = b.serial \
                 WHERE b.batch = ? ORDER BY b.position",
            )?;
            let rows = query.query_map([batch], valve_row)?;
            rows.collect()
        };
        valves().at(&self.path)
    }

    /// A valve by its serial number.
    ///
    /// # Errors
    /// When the register cannot be read.
    pub fn valve(&self, serial: &str) -> Result<Option<ValveRecord>, Error> {
        let text = "SELECT serial, actuation, dn, notes FROM valves WHERE serial = ?";
        self.db.query_row(text, [serial], valve_row).optional().at(&self.path)
    }

    /// The rework note that a run begun at this time follows, as `BENCH/NUMBER`: the valve's last in the batch by then.
    ///
    /// # Errors
    /// When the register cannot be read.
    pub fn rework_before(&self, batch: &str, serial: &str, started_at: &str) -> Result<Option<String>, Error> {
        let notes = self.notes(Some(batch), Some(serial))?;
        let before = |n: &&NoteRecord| n.kind == NoteKind::Rework && n.written_at.as_str() <= started_at;
        Ok(notes.iter().rev().find(before).map(NoteRecord::name))
    }

    /// Notes on a batch, or on a valve over all batches, in the order written.
    ///
    /// # Errors
    /// When the register cannot be read.
    pub fn notes(&self, batch: Option<&str>, serial: Option<&str>) -> Result<Vec<NoteRecord>, Error> {
        let notes = || -> rusqlite::Result<Vec<NoteRecord>> {
            let columns: Vec<&str> = NOTES.columns.iter().copied().filter(|c| *c != "previous").collect();
            let condition = match (batch, serial) {
                (Some(_), Some(_)) => "batch = ?1 AND serial = ?2",
                (Some(_), None) => "batch = ?1 AND ?2 IS NULL",
                (None, Some(_)) => "serial = ?2 AND ?1 IS NULL",
                (None, None) => "?1 IS NULL AND ?2 IS NULL",
            };
            let text = format!("SELECT {} FROM notes WHERE {condition} ORDER BY written_at, id", columns.join(", "));
            let mut query = self.db.prepare_cached(&text)?;
            let rows = query.query_map(params![batch, serial], |row| {
                let kind: String = row.get(2)?;
                Ok(NoteRecord {
                    bench: row.get(0)?,
                    number: row.get(1)?,
                    // A kind of a newer program is shown as a remark.
                    kind: from_word(&kind).unwrap_or(NoteKind::Remark),
                    batch: row.get(3)?,
                    serial: row.get(4)?,
                    about: row.get(5)?,
                    operator: row.get(6)?,
                    written_at: row.get(7)?,
                    text: row.get(8)?,
                })
            })?;
            rows.collect()
        };
        notes().at(&self.path)
    }
}

pub(super) fn valve_row(row: &rusqlite::Row<'_>) -> rusqlite::Result<ValveRecord> {
    Ok(ValveRecord { serial: row.get(0)?, actuation: row.get(1)?, dn: row.get(2)?, notes: row.get(3)? })
}

/// Updates a valve with the data given; what is not given stays.
pub(super) fn tell_valve(db: &Connection, valve: &ValveRecord) -> rusqlite::Result<()> {
    let mut insert = db.prepare_cached(
        "INSERT INTO valves (serial, actuation, dn, notes) VALUES (?, ?, ?, ?) ON CONFLICT (serial) DO UPDATE SET \
         actuation = iif(excluded.actuation = '', actuation, excluded.actuation), dn = ifnull(excluded.dn, dn), \
         notes = iif(excluded.notes = '', notes, excluded.notes)",
    )?;
    one(insert.execute(params![valve.serial, valve.actuation, valve.dn, valve.notes])?)
}

/// Without field and line separators.
fn flat(text: &str) -> String {
    text.replace(['\t', '\n', '\r'], " ")
}

fn head(name: &str, check_digit: &str) -> String {
    format!("{}\t{check_digit}\n", flat(name))
}

/// Whether a sealed list is that of a batch of this name and check digit.
pub(super) fn sealed_as(text: &str, name: &str, check_digit: &str) -> bool {
    text.starts_with(&head(name, check_digit))
}

/// The list of a batch as its opening note seals it: name and check digit, then a line a valve, tab-separated.
fn list_text(name: &str, check_digit: &str, valves: &[ValveRecord]) -> String {
    let mut text = head(name, check_digit);
    for valve in valves {
        let dn = valve.dn.map_or_else(String::new, |dn| dn.to_string());
        text.push_str(&format!("{}\t{}\t{dn}\t{}\n", valve.serial, valve.actuation, flat(&valve.notes)));
    }
    text
}

/// The serials of a sealed list.
pub(super) fn sealed_list(text: &str) -> Vec<String> {
    text.lines().skip(1).map(|line| line.split('\t').next().unwrap_or_default().to_owned()).collect()
}

/// The serials of a batch from its table.
pub(super) fn list(db: &Connection, batch: &str) -> rusqlite::Result<Vec<String>> {
    let mut query = db.prepare_cached("SELECT serial FROM batch_valves WHERE batch = ? ORDER BY position")?;
    let rows = query.query_map([batch], |row| row.get(0))?;
    rows.collect()
}
