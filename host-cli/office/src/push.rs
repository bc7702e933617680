//! Sending a bench's records: what is missing there, in order, a transaction for some of them at a time. A push that was
//! cut off anywhere is continued by the next.

use std::collections::HashSet;

use postgres::Transaction;
use seathold_register::Register;
use seathold_register::transfer::{CellValue, RecordKind, TransferRecord};

use crate::columns::RowsToAdd;
use crate::connect::{ErrorNames, Office};
use crate::error::Error;
use crate::{BYTES_TOGETHER, RECORDS_TOGETHER};

/// The counts of a push.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct PushCounts {
    /// Runs that were sent.
    pub runs: u64,
    /// Notes that were sent.
    pub notes: u64,
    /// Records that were there before.
    pub known: u64,
    /// Records that had been there, were lost there, and were sent again.
    pub lost: u64,
}

impl Office {
    /// Sends what is missing of the register's own chain. `progress` gets how many records were sent, and ends the push
    /// by `false`; what was sent until then stays.
    ///
    /// # Errors
    /// When the office cannot be reached or written, or does not know this login as the bench's; when its chain is another
    /// than the register's.
    pub fn push(&mut self, register: &Register, mut progress: impl FnMut(u64) -> bool) -> Result<PushCounts, Error> {
        self.check_version()?;
        let Some(own) = register.chains()?.into_iter().find(|chain| chain.local) else {
            return Err(self.fault("the register has no chain of its own"));
        };
        let bench = own.bench.as_str();
        let last = i64::try_from(own.last).unwrap_or(i64::MAX);
        let end = self.end_of(bench)?;
        if let Some(why) = self.fork(register, bench, &own.name, &end, last)? {
            return Err(self.fault(&why));
        }
        let head = self.head_of(bench)?;
        if head.number > end.number
            && let Some(why) = self.fork_of_head(register, bench, &own.name, &head.seal, head.number)?
        {
            return Err(self.fault(&why));
        }
        let ahead = end.number.max(head.number);
        if ahead > last {
            return Err(self.fault(&format!(
                "has records to {ahead} of bench {}, and {} ends at {last}: was it restored from a copy? Nothing was sent. \
                 Before anything is tested with it, `seathold register pull` brings what is missing",
                own.name,
                register.path().display()
            )));
        }
        let mut counts =
            PushCounts { known: end.number.unsigned_abs(), lost: ahead.abs_diff(end.number), ..PushCounts::default() };
        if end.number == last {
            return Ok(counts);
        }
        if end.number == 0 {
            self.enter(bench, &own.name)?;
        }
        let (mut after, mut sent) = (end.number, SentTexts::default());
        while after < last {
            let records = register.records_after(bench, after, RECORDS_TOGETHER, BYTES_TOGETHER)?;
            let Some(newest) = records.last() else { break };
            self.send(bench, &own.name, &records, &mut sent)?;
            after = newest.number();
            let runs = records.iter().filter(|record| record.kind() == RecordKind::Run).count() as u64;
            counts.runs += runs;
            counts.notes += records.len() as u64 - runs;
            if !progress(counts.runs + counts.notes) {
                break;
            }
        }
        Ok(counts)
    }

    /// What was pushed once and was lost here must be what the register has.
    fn fork_of_head(
        &mut self,
        register: &Register,
        bench: &str,
        name: &str,
        seal: &str,
        number: i64,
    ) -> Result<Option<String>, Error> {
        let here = register.seal_of(bench, number)?;
        let other = here.is_some_and(|here| here != seal);
        Ok(other.then(|| {
            format!(
                "has lost records of bench {name}, and record {number} among them was another than in {}: one of the two was \
                 made anew. Nothing was sent",
                register.path().display()
            )
        }))
    }

    /// Makes the bench known, as this login's.
    fn enter(&mut self, bench: &str, name: &str) -> Result<(), Error> {
        let text = "INSERT INTO seathold.benches (bench, name) VALUES ($1, $2) ON CONFLICT DO NOTHING";
        let names = self.names();
        self.client.execute(text, &[&bench, &name]).map_err(|why| names.of(&why))?;
        let row =
            self.row("SELECT count(*) FROM seathold.benches WHERE bench = $1 AND role = current_user", &[&bench])?;
        if row.get::<_, i64>(0) == 1 {
            return Ok(());
        }
        Err(self.fault(&format!(
            "bench {name} ({bench}) belongs to another login there: push with that one, or have the owner of the tables enter \
             this one"
        )))
    }

    /// Sends some records that follow each other, in one transaction.
    fn send(&mut self, bench: &str, name: &str, records: &[TransferRecord], sent: &mut SentTexts) -> Result<(), Error> {
        let names = self.names();
        let mut change = self.transaction()?;
        let before = sent.clone();
        match add(&mut change, bench, records, sent) {
            Ok(true) => {}
            Ok(false) => {
                return Err(names.fault(&format!(
                    "another push of bench {name} sent other records under the same numbers just now: two registers pass \
                     for one bench. Nothing of this was sent; push again, and the first of them is named"
                )));
            }
            Err(why) => {
                *sent = before;
                return Err(refused(&names, name, records, &why));
            }
        }
        change.commit().map_err(|why| names.of(&why))
    }
}

/// What is said of records that were refused.
fn refused(names: &ErrorNames, name: &str, records: &[TransferRecord], why: &postgres::Error) -> Error {
    let Error::Office { office, why } = names.of(why) else { return names.of(why) };
    let number = |record: Option<&TransferRecord>| record.map_or(0, TransferRecord::number);
    let (from, to) = (number(records.first()), number(records.last()));
    Error::Office { office, why: format!("{why} (records {from} to {to} of bench {name}; none of them was sent)") }
}

/// Shared texts that this connection has sent: they are not sent with every run.
#[derive(Clone, Debug, Default)]
struct SentTexts(HashSet<String>);

/// Adds records; `false` where others are there under their numbers.
fn add(
    change: &mut Transaction<'_>,
    bench: &str,
    records: &[TransferRecord],
    sent: &mut SentTexts,
) -> Result<bool, postgres::Error> {
    let numbers: Vec<i64> = records.iter().map(TransferRecord::number).collect();
    let words: Vec<&str> = records.iter().map(|record| record.kind().word()).collect();
    let previous: Vec<&str> = records.iter().map(|record| record.text("previous")).collect();
    let seals: Vec<&str> = records.iter().map(TransferRecord::seal).collect();
    let signed = records.iter().map(TransferRecord::signature);
    let signed = signed.map(|of| of.map_or((None, None), |of| (Some(of.key.as_str()), Some(of.signature.as_str()))));
    let (keys, signatures): (Vec<Option<&str>>, Vec<Option<&str>>) = signed.unzip();
    change.execute(
        "INSERT INTO seathold.records (bench, number, word, previous, seal, key, signature) \
         SELECT $1, * FROM unnest($2::bigint[], $3::text[], $4::text[], $5::text[], $6::text[], $7::text[]) \
         ON CONFLICT DO NOTHING",
        &[&bench, &numbers, &words, &previous, &seals, &keys, &signatures],
    )?;
    // Where another push of this bench was quicker, its records must be these.
    let there = change.query_one(
        "SELECT count(*) FROM unnest($2::bigint[], $3::text[]) AS own (number, seal) \
         WHERE (SELECT r.seal FROM seathold.records r WHERE r.bench = $1 AND r.number = own.number) = own.seal",
        &[&bench, &numbers, &seals],
    )?;
    if there.get::<_, i64>(0) != numbers.len() as i64 {
        return Ok(false);
    }
    texts(change, bench, records, sent)?;
    let recordings = records.iter().filter_map(|record| Some((record.text("recording"), record.recording()?)));
    let (hashes, bytes): (Vec<&str>, Vec<&[u8]>) = recordings.unzip();
    if !hashes.is_empty() {
        change.execute(
            "INSERT INTO seathold.recordings (bench, sha256, bytes) \
             SELECT $1, * FROM unnest($2::text[], $3::bytea[]) ON CONFLICT DO NOTHING",
            &[&bench, &hashes, &bytes],
        )?;
    }
    let mut tables = Vec::new();
    for kind in [RecordKind::Run, RecordKind::Note] {
        let rows: Vec<&[CellValue]> = records.iter().filter(|r| r.kind() == kind).map(TransferRecord::values).collect();
        if !rows.is_empty() {
            tables.push(RowsToAdd::of_records(kind, &rows));
        }
    }
    let sides: Vec<(i64, &[CellValue])> = records
        .iter()
        .flat_map(|record| record.sides().iter().map(|side| (record.number(), side.as_slice())))
        .collect();
    if !sides.is_empty() {
        tables.push(RowsToAdd::of_sides(bench, &sides));
    }
    for rows in &tables {
        let (text, values) = rows.statement();
        change.execute(&text, &values)?;
    }
    if let (Some(number), Some(seal)) = (numbers.last(), seals.last()) {
        change.execute(
            "INSERT INTO seathold.heads (bench, number, seal) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING",
            &[&bench, number, seal],
        )?;
    }
    Ok(true)
}

/// Recipes, rigs and calibrations, each once.
fn texts(
    change: &mut Transaction<'_>,
    bench: &str,
    records: &[TransferRecord],
    sent: &mut SentTexts,
) -> Result<(), postgres::Error> {
    for (table, sha256, json) in records.iter().flat_map(TransferRecord::shared) {
        // Two tables may have one text.
        if sent.0.insert(format!("{table} {sha256}")) {
            let text = format!(
                "INSERT INTO seathold.{table} (bench, sha256, json) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING"
            );
            change.execute(&text, &[&bench, &sha256, &json])?;
        }
    }
    Ok(())
}
