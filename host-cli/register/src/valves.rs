//! Batches, their lists of valves, and notes between runs.

use crate::customer::order_notes::ListedOrder;
use jiff::Timestamp;
use rusqlite::{Connection, OptionalExtension, params};
use serde::Serialize;

use super::Register;
use super::append::insert_note;
use super::batch::sealed_list::{self, BatchRule};
use super::error::{RegisterError, WithPath};
use super::extract::from_word;
use super::intake::{batch_fault, note_fault, valve_fault};
use super::note::{NewNote, NoteKind};
pub use super::note::{NoteRecord, ValveRecord};
use super::reason::Correction;
use super::record::NOTES;
use super::transaction::{one, second};
use crate::error::Error;

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

/// What is stated of a batch as it is opened.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct BatchDetails {
    /// What it demands of valves that are added later; those given state it themselves.
    pub rule: BatchRule,
    /// What the customer's document is to say.
    pub order: ListedOrder,
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
        let first = BatchDetails::default();
        self.open_batch_by(name, valves, check_digit, &first, operator, now)
    }

    /// The same with what is stated of it.
    ///
    /// # Errors
    /// As for [`Register::open_batch`].
    pub fn open_batch_by(
        &mut self,
        name: &str,
        valves: &[ValveRecord],
        check_digit: &str,
        first: &BatchDetails,
        operator: &str,
        now: Timestamp,
    ) -> Result<BatchRecord, Error> {
        let taken = self.batches()?.into_iter().any(|b| b.name == name && b.closed_at.is_none());
        if taken {
            let why = format!("batch {name} is open already; close it first, or choose another name");
            return Err(Error::register(&self.path, RegisterError::Refused(why)));
        }
        let listed = |valve: &ValveRecord| valve_fault(&valve.serial, &valve.actuation, &valve.notes);
        let wrong = batch_fault(name, check_digit, valves.len())
            .or_else(|| valves.iter().find_map(listed))
            .or_else(|| first.order.fault());
        if let Some(why) = wrong {
            return Err(Error::register(&self.path, RegisterError::Refused(why)));
        }
        let (path, bench) = (self.path.clone(), self.bench.clone());
        let batch = uuid::Uuid::now_v7().to_string();
        let opened_at = second(now);
        self.transact(|change| {
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
                text: sealed_list::opening(name, check_digit, &first.rule, valves),
            };
            insert_note(change, &bench, &note, now)?;
            let order = first.order.notes(&batch, operator);
            order.iter().try_for_each(|note| insert_note(change, &bench, note, now).map(|_| ()))
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
        let mut valves: Vec<ValveRecord> = valves().at(&self.path)?;
        sealed_list::apply(&mut valves, &self.notes(Some(batch), None)?);
        Ok(valves)
    }

    /// What a batch demands of valves that do not state it themselves.
    ///
    /// # Errors
    /// When the register cannot be read.
    pub fn batch_rule(&self, batch: &str) -> Result<BatchRule, Error> {
        let notes = self.notes(Some(batch), None)?;
        Ok(notes
            .iter()
            .find(|note| note.kind == NoteKind::Opened)
            .map_or_else(BatchRule::default, |note| sealed_list::rule(&note.text)))
    }

    /// States anew what valves of a batch are, or must meet: what is not empty takes the place of what was there. Gives
    /// the number of the record.
    ///
    /// # Errors
    /// When one is not on the batch's list, nobody says why what they must meet changes, or the register cannot be written.
    pub fn require(&mut self, batch: &str, valves: &[ValveRecord], why: Correction<'_>) -> Result<i64, Error> {
        let listed = self.valves_of(batch)?;
        let missing = valves.iter().find(|valve| listed.iter().all(|known| known.serial != valve.serial));
        // Another recipe alone changes nothing of what counts.
        let changes = |v: &ValveRecord| !v.limit.is_empty() || !v.actuation.is_empty() || v.dn.is_some();
        let fault =
            if valves.iter().any(changes) { why.fault() } else { note_fault(None, why.operator, None, why.reason) };
        let wrong = missing
            .map(|valve| format!("{} is not on the list of the batch", valve.serial))
            .or_else(|| valves.iter().find_map(|v| valve_fault(&v.serial, &v.actuation, &v.notes)))
            .or(fault);
        if let Some(why) = wrong {
            return Err(Error::register(&self.path, RegisterError::Refused(why)));
        }
        let note = NewNote {
            kind: NoteKind::Requirement,
            batch: Some(batch.into()),
            serial: None,
            about: None,
            operator: why.operator.into(),
            text: sealed_list::restatement(why.reason.trim(), valves),
        };
        let (path, bench) = (self.path.clone(), self.bench.clone());
        self.transact(|change| insert_note(change, &bench, &note, why.now)).at(&path)
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
        // What was noted of a run of it is also noted of the valve, whichever that was moved to.
        const OF_VALVE: &str = "(serial = ?2 OR (kind IN ('struck', 'moved') AND about IN (\
             SELECT bench || '/' || number FROM runs WHERE serial = ?2 UNION \
             SELECT about FROM notes WHERE kind = 'moved' AND serial = ?2)))";
        let condition = match (batch, serial) {
            (Some(_), Some(_)) => format!("batch = ?1 AND {OF_VALVE}"),
            (Some(_), None) => "batch = ?1 AND ?2 IS NULL".into(),
            (None, Some(_)) => format!("{OF_VALVE} AND ?1 IS NULL"),
            (None, None) => "?1 IS NULL AND ?2 IS NULL".into(),
        };
        self.notes_where(&condition, (batch, serial))
    }

    /// Notes that meet a condition on two values, in the order written.
    pub(super) fn notes_where(
        &self,
        condition: &str,
        values: (Option<&str>, Option<&str>),
    ) -> Result<Vec<NoteRecord>, Error> {
        let notes = || -> rusqlite::Result<Vec<NoteRecord>> {
            let columns: Vec<&str> = NOTES.columns.iter().copied().filter(|c| *c != "previous").collect();
            // The same in every register, whichever of two benches' notes came first into it.
            let order = "written_at, bench, number";
            let text = format!("SELECT {} FROM notes WHERE {condition} ORDER BY {order}", columns.join(", "));
            let mut query = self.db.prepare_cached(&text)?;
            let rows = query.query_map(params![values.0, values.1], |row| {
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
    let valve = ValveRecord { serial: row.get(0)?, actuation: row.get(1)?, dn: row.get(2)?, ..ValveRecord::default() };
    Ok(ValveRecord { notes: row.get(3)?, ..valve })
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

/// The serials of a batch from its table.
pub(super) fn list(db: &Connection, batch: &str) -> rusqlite::Result<Vec<String>> {
    let mut query = db.prepare_cached("SELECT serial FROM batch_valves WHERE batch = ? ORDER BY position")?;
    let rows = query.query_map([batch], |row| row.get(0))?;
    rows.collect()
}
