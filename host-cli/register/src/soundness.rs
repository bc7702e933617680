//! Whether the file itself is sound: its tables, indexes and triggers are those that this program makes, SQLite finds
//! nothing wrong with it, and an index leads to as many rows as the table has.

use std::collections::BTreeMap;

use rusqlite::{Connection, OptionalExtension};

use super::schema::MIGRATIONS;

/// What is in a schema: by kind and name, its table and its text. An index that SQLite made has no text.
type Schema = BTreeMap<(String, String), (String, Option<String>)>;

/// Every index of the tables that hold records or what belongs to them, with its table.
const COUNTED: [(&str, &str); 10] = [
    ("runs", "runs_number"),
    ("runs", "runs_serial"),
    ("runs", "runs_batch"),
    ("runs", "runs_started"),
    ("runs", "runs_recording"),
    ("notes", "notes_number"),
    ("notes", "notes_serial"),
    ("notes", "notes_batch"),
    ("notes", "notes_about"),
    ("batch_valves", "batch_valves_serial"),
];

/// What is wrong with the file, if anything: the first that is found.
pub(super) fn fault(db: &Connection, version: u32) -> rusqlite::Result<Option<String>> {
    let ours = Connection::open_in_memory()?;
    for step in MIGRATIONS.iter().take(version as usize) {
        ours.execute_batch(step)?;
    }
    if let Some(what) = difference(&schema(db)?, &schema(&ours)?) {
        return Ok(Some(what));
    }
    let mut query = db.prepare("PRAGMA integrity_check(1)")?;
    let found: Option<String> = query.query_row([], |row| row.get(0)).optional()?;
    if let Some(what) = found.filter(|said| said != "ok") {
        return Ok(Some(format!("SQLite finds the file damaged: {}", what.replace('\n', "; "))));
    }
    counts(db, &schema(&ours)?)
}

fn schema(db: &Connection) -> rusqlite::Result<Schema> {
    // SQLite's own statistics change no result.
    let mut query = db.prepare(
        "SELECT type, name, tbl_name, sql FROM sqlite_schema WHERE name NOT IN ('sqlite_stat1', 'sqlite_stat4')",
    )?;
    let rows = query.query_map([], |row| Ok(((row.get(0)?, row.get(1)?), (row.get(2)?, row.get(3)?))))?;
    rows.collect()
}

fn difference(here: &Schema, ours: &Schema) -> Option<String> {
    for ((kind, name), text) in ours {
        match here.get(&(kind.clone(), name.clone())) {
            None => return Some(format!("{kind} {name} is missing")),
            Some(other) if other != text => return Some(format!("{kind} {name} is not as this program makes it")),
            Some(_) => {}
        }
    }
    let added = here.keys().find(|key| !ours.contains_key(*key))?;
    Some(format!("{} {} was added", added.0, added.1))
}

/// Counts rows by each index and by going through the table.
fn counts(db: &Connection, ours: &Schema) -> rusqlite::Result<Option<String>> {
    let count = |text: String| db.query_row(&text, [], |row| row.get::<_, i64>(0));
    // An older file lacks those that came later.
    let there = |index: &str| ours.contains_key(&("index".to_owned(), index.to_owned()));
    for (table, index) in COUNTED.into_iter().filter(|(_, index)| there(index)) {
        let rows = count(format!("SELECT count(*) FROM {table} NOT INDEXED"))?;
        let led_to = count(format!("SELECT count(*) FROM {table} INDEXED BY {index}"))?;
        if rows != led_to {
            return Ok(Some(format!("table {table} has {rows} rows, and its index {index} leads to {led_to}")));
        }
    }
    Ok(None)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An index that is added to the tables is counted too.
    #[test]
    fn every_index_is_counted() {
        let db = Connection::open_in_memory().unwrap();
        MIGRATIONS.iter().for_each(|step| db.execute_batch(step).unwrap());
        let mut named: Vec<(String, String)> = schema(&db)
            .unwrap()
            .into_iter()
            .filter_map(|((kind, name), (table, text))| (kind == "index" && text.is_some()).then_some((table, name)))
            .collect();
        let mut counted = COUNTED.map(|(table, index)| (table.to_owned(), index.to_owned()));
        named.sort();
        counted.sort();
        assert_eq!(named, counted);
        assert_eq!(fault(&db, MIGRATIONS.len() as u32).unwrap(), None);
    }
}
