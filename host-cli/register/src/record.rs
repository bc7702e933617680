//! Runs and notes as rows, and the hash chain over them.
//!
//! A seal is the SHA-256 over the record's values as netstrings, one after the other: the word `run` or `note`, then
//! the columns in the order of the table without `id`, `duplicate` and `seal`, and for a run each side's columns
//! without `run`. A netstring is the length in bytes, a colon, the bytes, a comma; a real number is the 16 hexadecimal
//! digits of its bits, NULL is `-,`. The column `previous` is among them, and that is what makes it a chain.

use rusqlite::types::{Value, ValueRef};
use rusqlite::{Connection, OptionalExtension, Row, params, params_from_iter};
use seathold_recording::hash::sha256;
use sha2::{Digest, Sha256};

use super::transaction::one;

/// A table of records: which columns are sealed, in order.
#[derive(Clone, Copy, Debug)]
pub(crate) struct ChainTable {
    /// Its name in SQLite.
    pub name: &'static str,
    /// First word under the seal.
    pub word: &'static str,
    /// The columns; `previous` is the last.
    pub columns: &'static [&'static str],
}

/// The table of runs.
pub(crate) const RUNS: ChainTable = ChainTable {
    name: "runs",
    word: "run",
    columns: &[
        "bench",
        "number",
        "recording",
        "serial",
        "batch",
        "after_rework",
        "operator",
        "started_at",
        "ended_at",
        "appended_at",
        "sides_requested",
        "outcome",
        "verdict",
        "limit_pa_m3_s",
        "recipe",
        "recipe_name",
        "rig",
        "rig_name",
        "calibrations",
        "program",
        "source",
        "identity",
        "leak_unit",
        "polls",
        "previous",
    ],
};

/// The table of notes.
pub(crate) const NOTES: ChainTable = ChainTable {
    name: "notes",
    word: "note",
    columns: &["bench", "number", "kind", "batch", "serial", "about", "operator", "written_at", "text", "previous"],
};

/// Columns of a run's side under the run's seal.
pub(crate) const SIDES: &[&str] = &[
    "position",
    "side",
    "verdict",
    "reason",
    "leak_pa_m3_s",
    "expanded_pa_m3_s",
    "coverage",
    "limit_pa_m3_s",
    "window_ms",
    "isolated_pa",
    "fall_pa",
    "after_ms",
];

/// Columns of a run that name a shared text by its hash, and the tables of these.
pub(super) const SHARED: [(&str, &str); 3] = [("recipe", "recipes"), ("rig", "rigs"), ("calibrations", "calibrations")];

/// A value as SQLite gives it back. It has one zero, and keeps what is no number as NULL; here NULL says the same, that
/// there is no figure.
pub(crate) fn as_kept(value: Value) -> Value {
    match value {
        Value::Real(x) if x.is_nan() => Value::Null,
        Value::Real(x) => Value::Real(if x == 0.0 { 0.0 } else { x }),
        other => other,
    }
}

/// A record as its values.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct ChainRecord {
    /// Its table.
    pub values: Vec<Value>,
    /// A run's sides.
    pub sides: Vec<Vec<Value>>,
}

impl ChainRecord {
    /// One to be sealed, with its values as SQLite will give them back: the seal must be over those.
    pub(crate) fn new(values: Vec<Value>, sides: Vec<Vec<Value>>) -> Self {
        let all = |values: Vec<Value>| values.into_iter().map(as_kept).collect();
        Self { values: all(values), sides: sides.into_iter().map(all).collect() }
    }

    /// The seal over it.
    pub(crate) fn seal(&self, table: &ChainTable) -> String {
        let mut hash = Sha256::new();
        netstring(&mut hash, table.word.as_bytes());
        for value in self.values.iter().chain(self.sides.iter().flatten()) {
            match ValueRef::from(value) {
                ValueRef::Null => hash.update(b"-,"),
                ValueRef::Integer(n) => netstring(&mut hash, n.to_string().as_bytes()),
                ValueRef::Real(x) => netstring(&mut hash, format!("{:016x}", x.to_bits()).as_bytes()),
                ValueRef::Text(bytes) | ValueRef::Blob(bytes) => netstring(&mut hash, bytes),
            }
        }
        seathold_recording::hash::hex(&hash.finalize())
    }

    /// A value by the name of its column.
    pub(crate) fn value(&self, table: &ChainTable, column: &str) -> Option<&Value> {
        self.values.get(table.columns.iter().position(|c| *c == column)?)
    }

    /// A text by the name of its column; empty where it is none.
    pub(crate) fn text(&self, table: &ChainTable, column: &str) -> &str {
        match self.value(table, column) {
            Some(Value::Text(text)) => text,
            _ => "",
        }
    }

    /// The number in its bench's chain.
    pub(crate) fn number(&self, table: &ChainTable) -> i64 {
        match self.value(table, "number") {
            Some(Value::Integer(number)) => *number,
            _ => 0,
        }
    }

    /// Reads one whose columns are the first in the row; its sides are read apart.
    fn from_row(row: &Row<'_>, table: &ChainTable) -> rusqlite::Result<Self> {
        let values: rusqlite::Result<_> = (0..table.columns.len()).map(|i| row.get(i)).collect();
        Ok(Self { values: values?, sides: Vec::new() })
    }

    /// Reads the sides of the run with this id.
    fn read_sides(&mut self, db: &Connection, run: i64) -> rusqlite::Result<()> {
        let text = format!("SELECT {} FROM sides WHERE run = ? ORDER BY position", SIDES.join(", "));
        let mut query = db.prepare_cached(&text)?;
        let rows = query.query_map([run], |row| (0..SIDES.len()).map(|i| row.get(i)).collect())?;
        self.sides = rows.collect::<rusqlite::Result<_>>()?;
        Ok(())
    }

    /// Writes it, and returns its id. `duplicate`: whether the file has a run with the same recording already.
    pub(super) fn insert(&self, db: &Connection, table: &ChainTable, seal: &str, again: bool) -> rusqlite::Result<i64> {
        let local = if table.word == RUNS.word { ", duplicate" } else { "" };
        let marks = vec!["?"; self.values.len() + 1 + usize::from(!local.is_empty())].join(", ");
        let text = format!("INSERT INTO {} ({}, seal{local}) VALUES ({marks})", table.name, table.columns.join(", "));
        let seal = Value::Text(seal.to_owned());
        let again = (!local.is_empty()).then(|| Value::Integer(again.into()));
        let values = self.values.iter().chain(std::iter::once(&seal)).chain(again.as_ref());
        one(db.prepare_cached(&text)?.execute(params_from_iter(values))?)?;
        let id = db.last_insert_rowid();
        let marks = vec!["?"; SIDES.len() + 1].join(", ");
        let text = format!("INSERT INTO sides ({}, run) VALUES ({marks})", SIDES.join(", "));
        let mut insert = db.prepare_cached(&text)?;
        for side in &self.sides {
            one(insert.execute(params_from_iter(side.iter().chain(std::iter::once(&Value::Integer(id)))))?)?;
        }
        Ok(id)
    }

    /// Reads back what was just written. A trigger that is not ours could have swallowed or changed it, and then it must
    /// not be acknowledged.
    pub(super) fn confirm(
        &self,
        db: &Connection,
        table: &'static ChainTable,
        id: i64,
        seal: &str,
    ) -> rusqlite::Result<()> {
        let place = RecordPlace { number: self.number(table), table, id };
        let whole = match SealedRecord::read(db, place).optional()? {
            Some(back) => {
                back.record == *self && back.seal == seal && back.altered().is_none() && back.parts_fault(db)?.is_none()
            }
            None => false,
        };
        one(usize::from(whole))
    }
}

/// Where a record is kept.
#[derive(Clone, Copy, Debug)]
pub(super) struct RecordPlace {
    /// Its number in its bench's chain.
    pub(super) number: i64,
    table: &'static ChainTable,
    id: i64,
}

impl RecordPlace {
    /// Those of a bench's records, by number.
    pub(super) fn of_bench(db: &Connection, bench: &str) -> rusqlite::Result<Vec<Self>> {
        let mut query = db.prepare(
            "SELECT number, 1, id FROM runs WHERE bench = ?1 UNION ALL SELECT number, 0, id FROM notes WHERE bench = ?1 \
             ORDER BY number",
        )?;
        query.query_map([bench], Self::from_row)?.collect()
    }

    /// Those with greater numbers than this one, at most so many.
    pub(super) fn of_bench_after(db: &Connection, bench: &str, after: i64, most: usize) -> rusqlite::Result<Vec<Self>> {
        let mut query = db.prepare_cached(
            "SELECT number, 1, id FROM runs WHERE bench = ?1 AND number > ?2 \
             UNION ALL SELECT number, 0, id FROM notes WHERE bench = ?1 AND number > ?2 ORDER BY number LIMIT ?3",
        )?;
        query.query_map((bench, after, most as i64), Self::from_row)?.collect()
    }

    /// That of one record.
    pub(super) fn of_record(db: &Connection, bench: &str, number: i64) -> rusqlite::Result<Self> {
        let mut query = db.prepare_cached(
            "SELECT number, 1, id FROM runs WHERE bench = ?1 AND number = ?2 \
             UNION ALL SELECT number, 0, id FROM notes WHERE bench = ?1 AND number = ?2",
        )?;
        query.query_row((bench, number), Self::from_row)
    }

    fn from_row(row: &Row<'_>) -> rusqlite::Result<Self> {
        let table = if row.get::<_, i64>(1)? == 1 { &RUNS } else { &NOTES };
        Ok(Self { number: row.get(0)?, table, id: row.get(2)? })
    }
}

/// A record as it is kept.
#[derive(Debug)]
pub(super) struct SealedRecord {
    pub(super) table: &'static ChainTable,
    pub(super) record: ChainRecord,
    pub(super) seal: String,
    /// Bytes of a run's recording, where they are there.
    pub(super) bytes: Option<Vec<u8>>,
}

impl SealedRecord {
    /// Reads the one at this place.
    pub(super) fn read(db: &Connection, place: RecordPlace) -> rusqlite::Result<Self> {
        let mut found = Self::read_columns(db, place)?;
        if found.is_run() {
            let mut query = db.prepare_cached("SELECT bytes FROM recordings WHERE sha256 = ?")?;
            found.bytes = query.query_row([found.text("recording")], |row| row.get(0)).optional()?;
        }
        Ok(found)
    }

    /// The same without its recording.
    pub(super) fn read_columns(db: &Connection, place: RecordPlace) -> rusqlite::Result<Self> {
        let RecordPlace { table, id, .. } = place;
        let text = format!("SELECT {}, seal FROM {} WHERE id = ?", table.columns.join(", "), table.name);
        let mut query = db.prepare_cached(&text)?;
        let row = |row: &Row<'_>| Ok((ChainRecord::from_row(row, table)?, row.get(table.columns.len())?));
        let (mut record, seal) = query.query_row([id], row)?;
        if table.word == RUNS.word {
            record.read_sides(db, id)?;
        }
        Ok(Self { table, record, seal, bytes: None })
    }

    /// Whether it is a run's, and no note.
    pub(super) fn is_run(&self) -> bool {
        self.table.word == RUNS.word
    }

    /// A text by the name of its column; empty where it is none.
    pub(super) fn text(&self, column: &str) -> &str {
        self.record.text(self.table, column)
    }

    /// The number in its bench's chain.
    pub(super) fn number(&self) -> i64 {
        self.record.number(self.table)
    }

    /// What is wrong with its seal.
    pub(super) fn seal_fault(&self) -> Option<&'static str> {
        let as_sealed = self.record.seal(self.table) == self.seal;
        (!as_sealed).then_some("was altered: its seal does not match its content")
    }

    /// What is wrong with its seal or with the bytes of its recording.
    pub(super) fn altered(&self) -> Option<&'static str> {
        if let Some(what) = self.seal_fault() {
            return Some(what);
        }
        match &self.bytes {
            _ if !self.is_run() => None,
            Some(bytes) if sha256(bytes) == self.text("recording") => None,
            Some(_) => Some("has a recording that was altered: its hash does not match"),
            None => Some("has lost its recording"),
        }
    }

    /// What is wrong with the texts that a run shares with others, if anything.
    pub(super) fn parts_fault(&self, db: &Connection) -> rusqlite::Result<Option<String>> {
        if !self.is_run() {
            return Ok(None);
        }
        for (column, table) in SHARED {
            let hash = self.text(column);
            let mut query = db.prepare_cached(&format!("SELECT json FROM {table} WHERE sha256 = ?"))?;
            let json: Option<String> = query.query_row([hash], |row| row.get(0)).optional()?;
            match json {
                None => return Ok(Some(format!("has lost its entry in {table}"))),
                Some(json) if sha256(json.as_bytes()) != hash => {
                    return Ok(Some(format!("has an entry in {table} that was altered")));
                }
                Some(_) => {}
            }
        }
        Ok(None)
    }
}

fn netstring(hash: &mut Sha256, bytes: &[u8]) {
    hash.update(bytes.len().to_string().as_bytes());
    hash.update(b":");
    hash.update(bytes);
    hash.update(b",");
}

/// The seal of a record, where it is here.
pub(crate) fn seal_of(db: &Connection, bench: &str, number: i64) -> rusqlite::Result<Option<String>> {
    let mut query = db.prepare_cached(
        "SELECT seal FROM runs WHERE bench = ?1 AND number = ?2 UNION ALL SELECT seal FROM notes WHERE bench = ?1 AND \
         number = ?2",
    )?;
    query.query_row(params![bench, number], |row| row.get(0)).optional()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Doubles of every class: also those that SQLite does not keep as they are.
    fn real() -> impl Strategy<Value = Value> {
        use prop::num::f64 as class;
        let odd = vec![0.0, -0.0, f64::NAN, -f64::NAN, 5e-324, -5e-324, f64::MAX, f64::MIN, f64::INFINITY, 1e15, 3.0];
        prop_oneof![prop::sample::select(odd), class::ANY, class::SUBNORMAL].prop_map(Value::Real)
    }

    fn text() -> impl Strategy<Value = Value> {
        let odd = ["", "\0", "a\0b", "\u{feff}", "'; --", "\t\n\r", "1e5", "-0.0", "é\u{301}", "𝟘", "NULL"];
        let odd = prop::sample::select(odd.map(str::to_owned).to_vec());
        prop_oneof![odd, ".{0,20}", Just("x".repeat(100_000)), any::<String>()].prop_map(Value::Text)
    }

    /// A value that the column takes, by its declaration.
    fn column(kind: &str, may_be_null: bool) -> BoxedStrategy<Value> {
        let value = match kind {
            "REAL" => real().boxed(),
            "INTEGER" => {
                prop_oneof![Just(i64::MIN), Just(i64::MAX), Just(0), any::<i64>()].prop_map(Value::Integer).boxed()
            }
            _ => text().boxed(),
        };
        if may_be_null { prop_oneof![1 => Just(Value::Null), 5 => value].boxed() } else { value }
    }

    fn columns(table: &str, names: &[&str]) -> BoxedStrategy<Vec<Value>> {
        let db = database();
        let mut query = db.prepare("SELECT type, \"notnull\" FROM pragma_table_info(?) WHERE name = ?").unwrap();
        let of = |name: &&str| {
            let row = |row: &Row<'_>| Ok((row.get(0)?, row.get(1)?));
            let (kind, not_null): (String, bool) = query.query_row([table, name], row).unwrap();
            // Where a number must be, one that is none is kept out before it comes here.
            let value = column(&kind, !not_null);
            let must = kind == "REAL" && not_null;
            value.prop_filter("a number", move |v| !must || !matches!(v, Value::Real(x) if x.is_nan())).boxed()
        };
        names.iter().map(of).collect::<Vec<_>>().boxed()
    }

    fn database() -> Connection {
        let db = Connection::open_in_memory().unwrap();
        db.execute_batch("PRAGMA foreign_keys = OFF").unwrap();
        crate::schema::MIGRATIONS.iter().for_each(|step| db.execute_batch(step).unwrap());
        db
    }

    fn bits(values: &[Value]) -> Vec<String> {
        let real = |value: &Value| match value {
            Value::Real(x) => format!("{:016x}", x.to_bits()),
            other => format!("{other:?}"),
        };
        values.iter().map(real).collect()
    }

    proptest! {
        /// Whatever is written comes back to the bit, and its seal still fits.
        #[test]
        fn every_value_of_every_column_comes_back(
            run in columns("runs", RUNS.columns),
            sides in prop::collection::vec(columns("sides", SIDES), 0..3),
            note in columns("notes", NOTES.columns),
        ) {
            let db = database();
            let numbered = |(place, mut side): (i64, Vec<Value>)| { side[0] = place.into(); side };
            let sides: Vec<_> = (1..).zip(sides).map(numbered).collect();
            for (table, values, sides) in [(&RUNS, run, sides), (&NOTES, note, Vec::new())] {
                let record = ChainRecord::new(values, sides);
                let seal = record.seal(table);
                let id = record.insert(&db, table, &seal, false).unwrap();
                let Value::Integer(number) = record.values[1] else { panic!() };
                let back = SealedRecord::read(&db, RecordPlace { number, table, id }).unwrap();
                prop_assert_eq!(bits(&back.record.values), bits(&record.values));
                for (back, side) in back.record.sides.iter().zip(&record.sides) {
                    prop_assert_eq!(bits(back), bits(side));
                }
                prop_assert_eq!(back.record.sides.len(), record.sides.len());
                prop_assert_eq!(back.record.seal(table), seal);
            }
        }
    }
}
