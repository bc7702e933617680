//! Records as the office has them, read so many at a time.

use std::collections::HashMap;

use postgres::Row;
use seathold_register::signed::Signature;
use seathold_register::transfer::{CellValue, RecordKind, SHARED_COLUMNS, SIDE_COLUMNS, TransferRecord};

use crate::columns::{CellType, kept, table};
use crate::connect::Office;
use crate::error::Error;
use crate::{BYTES_TOGETHER, RECORDS_TOGETHER};

/// Lines of the chain that are read at a time.
const PLACES_TOGETHER: i64 = 2_000;
/// Bytes of shared texts that are kept for the next records.
const TEXTS_KEPT: usize = 8 << 20;

/// A record's place in its chain.
#[derive(Clone, Debug)]
pub(crate) struct OfficePlace {
    pub(crate) number: i64,
    pub(crate) seal: String,
    kind: RecordKind,
    previous: String,
    /// Of its recording.
    bytes: usize,
    signature: Option<Signature>,
}

/// Shared texts that were read: by table, bench and hash.
#[derive(Debug, Default)]
pub(crate) struct TextsRead {
    texts: HashMap<(&'static str, String, String), String>,
    bytes: usize,
}

impl Office {
    /// The benches, with their names.
    pub(crate) fn benches(&mut self) -> Result<Vec<(String, String)>, Error> {
        let rows = self.rows("SELECT bench, name FROM seathold.benches ORDER BY bench", &[])?;
        Ok(rows.iter().map(|row| (row.get(0), row.get(1))).collect())
    }

    /// Places of a bench after a number, in order; an empty list is the end.
    pub(crate) fn places(&mut self, bench: &str, after: i64) -> Result<Vec<OfficePlace>, Error> {
        let rows = self.rows(
            "SELECT p.number, p.seal, p.word, p.previous, coalesce(octet_length(c.bytes), 0), p.key, p.signature FROM \
             (SELECT * FROM seathold.records WHERE bench = $1 AND number > $2 ORDER BY number LIMIT $3) p \
             LEFT JOIN seathold.runs r ON r.bench = p.bench AND r.number = p.number \
             LEFT JOIN seathold.recordings c ON c.bench = p.bench AND c.sha256 = r.recording ORDER BY p.number",
            &[&bench, &after, &PLACES_TOGETHER],
        )?;
        Ok(rows.iter().map(place).collect())
    }

    /// Places of records by their names.
    pub(crate) fn places_of(&mut self, bench: &str, numbers: &[i64]) -> Result<Vec<OfficePlace>, Error> {
        let rows = self.rows(
            "SELECT p.number, p.seal, p.word, p.previous, coalesce(octet_length(c.bytes), 0), p.key, p.signature FROM seathold.records p \
             LEFT JOIN seathold.runs r ON r.bench = p.bench AND r.number = p.number \
             LEFT JOIN seathold.recordings c ON c.bench = p.bench AND c.sha256 = r.recording \
             WHERE p.bench = $1 AND p.number = ANY($2) ORDER BY p.number",
            &[&bench, &numbers],
        )?;
        Ok(rows.iter().map(place).collect())
    }

    /// The records of these places, in order; one whose content is not there is left out.
    pub(crate) fn records(
        &mut self,
        bench: &str,
        places: &[OfficePlace],
        texts: &mut TextsRead,
    ) -> Result<Vec<TransferRecord>, Error> {
        let numbers = |kind| places.iter().filter(|p| p.kind == kind).map(|p| p.number).collect::<Vec<i64>>();
        let (runs, notes) = (numbers(RecordKind::Run), numbers(RecordKind::Note));
        let mut values = self.values(RecordKind::Run, bench, &runs)?;
        values.extend(self.values(RecordKind::Note, bench, &notes)?);
        let mut sides = self.sides(bench, &runs)?;
        self.read_texts(bench, &values, texts)?;
        let mut records = Vec::new();
        for place in places {
            let Some(ValuesRead { mut values, recording }) = values.remove(&place.number) else { continue };
            values.push(CellValue::Text(place.previous.clone()));
            let of = |(column, table): (&str, &'static str)| {
                let at = place.kind.columns().iter().position(|c| *c == column)?;
                let CellValue::Text(hash) = values.get(at)? else { return None };
                texts.texts.get(&(table, bench.to_owned(), hash.clone())).cloned()
            };
            let shared = SHARED_COLUMNS.map(of);
            let signature = place.signature.clone();
            let sides = sides.remove(&place.number).unwrap_or_default();
            records.push(TransferRecord::of_values(
                place.kind,
                values,
                sides,
                place.seal.clone(),
                recording,
                shared,
                signature,
            ));
        }
        Ok(records)
    }

    /// The values of records but for `previous`, with recordings.
    fn values(&mut self, kind: RecordKind, bench: &str, numbers: &[i64]) -> Result<HashMap<i64, ValuesRead>, Error> {
        if numbers.is_empty() {
            return Ok(HashMap::new());
        }
        let columns: Vec<(usize, &str)> = kept(kind).collect();
        let listed: Vec<String> = columns.iter().map(|(_, column)| format!("x.{column}")).collect();
        let (recording, join) = match kind {
            RecordKind::Run => {
                (", c.bytes", "LEFT JOIN seathold.recordings c ON c.bench = x.bench AND c.sha256 = x.recording")
            }
            RecordKind::Note => ("", ""),
        };
        let text = format!(
            "SELECT {}{recording} FROM seathold.{} x {join} WHERE x.bench = $1 AND x.number = ANY($2)",
            listed.join(", "),
            table(kind)
        );
        let names = self.names();
        let mut found = HashMap::new();
        for row in self.rows(&text, &[&bench, &numbers])? {
            let read = || -> Result<(i64, ValuesRead), postgres::Error> {
                let value = |(at, (_, column)): (usize, &(usize, &str))| CellType::of(column).read(&row, at);
                let values = columns.iter().enumerate().map(value).collect::<Result<Vec<_>, _>>()?;
                let recording = if recording.is_empty() { None } else { row.try_get(columns.len())? };
                Ok((row.try_get(1)?, ValuesRead { values, recording }))
            };
            let (number, values) = read().map_err(|why| names.of(&why))?;
            found.insert(number, values);
        }
        Ok(found)
    }

    fn sides(&mut self, bench: &str, numbers: &[i64]) -> Result<HashMap<i64, Vec<Vec<CellValue>>>, Error> {
        let mut found: HashMap<i64, Vec<Vec<CellValue>>> = HashMap::new();
        if numbers.is_empty() {
            return Ok(found);
        }
        let text = format!(
            "SELECT number, {} FROM seathold.sides WHERE bench = $1 AND number = ANY($2) ORDER BY number, position",
            SIDE_COLUMNS.join(", ")
        );
        let names = self.names();
        for row in self.rows(&text, &[&bench, &numbers])? {
            let side = SIDE_COLUMNS.iter().enumerate().map(|(at, column)| CellType::of(column).read(&row, at + 1));
            let side = side.collect::<Result<Vec<_>, _>>().map_err(|why| names.of(&why))?;
            found.entry(row.get(0)).or_default().push(side);
        }
        Ok(found)
    }

    /// Reads the shared texts that these records name and that were not read yet.
    fn read_texts(
        &mut self,
        bench: &str,
        values: &HashMap<i64, ValuesRead>,
        read: &mut TextsRead,
    ) -> Result<(), Error> {
        if read.bytes > TEXTS_KEPT {
            *read = TextsRead::default();
        }
        for (column, table) in SHARED_COLUMNS {
            let Some(at) = RecordKind::Run.columns().iter().position(|c| *c == column) else { continue };
            let mut hashes: Vec<&str> = values
                .values()
                .filter(|values| values.values.len() + 1 == RecordKind::Run.columns().len())
                .filter_map(|values| {
                    if let Some(CellValue::Text(hash)) = values.values.get(at) { Some(hash.as_str()) } else { None }
                })
                .filter(|hash| !read.texts.contains_key(&(table, bench.to_owned(), (*hash).to_owned())))
                .collect();
            hashes.sort_unstable();
            hashes.dedup();
            if hashes.is_empty() {
                continue;
            }
            let text = format!("SELECT sha256, json FROM seathold.{table} WHERE bench = $1 AND sha256 = ANY($2)");
            for row in self.rows(&text, &[&bench, &hashes])? {
                let json: String = row.get(1);
                read.bytes += json.len();
                read.texts.insert((table, bench.to_owned(), row.get(0)), json);
            }
        }
        Ok(())
    }
}

/// What was read of a record.
struct ValuesRead {
    values: Vec<CellValue>,
    recording: Option<Vec<u8>>,
}

fn place(row: &Row) -> OfficePlace {
    let kind = if row.get::<_, &str>(2) == RecordKind::Run.word() { RecordKind::Run } else { RecordKind::Note };
    let bytes = usize::try_from(row.get::<_, i32>(4)).unwrap_or(0);
    let signed: Option<String> = row.get(5);
    let signature = signed.zip(row.get(6)).map(|(key, signature)| Signature { key, signature });
    OfficePlace { number: row.get(0), seal: row.get(1), kind, previous: row.get(3), bytes, signature }
}

/// Places in lots that are read together: of so many records, and so many bytes.
pub(crate) fn lots(places: &[OfficePlace]) -> Vec<&[OfficePlace]> {
    let (mut lots, mut from, mut bytes) = (Vec::new(), 0, 0);
    for (at, place) in places.iter().enumerate() {
        bytes += place.bytes;
        if bytes >= BYTES_TOGETHER || at + 1 - from >= RECORDS_TOGETHER || at + 1 == places.len() {
            lots.extend(places.get(from..=at));
            (from, bytes) = (at + 1, 0);
        }
    }
    lots
}
