//! Bringing what benches sent into a register: through the gate that every merge passes.

use std::collections::{BTreeMap, BTreeSet, HashSet};

use jiff::Timestamp;
use seathold_register::Register;
use seathold_register::merge::MergeCounts;
use seathold_register::signed::MergeTrust;
use seathold_register::staged::StagedBench;
use seathold_register::transfer::TransferRecord;
use seathold_register::verify::VerifiedChain;

use crate::connect::Office;
use crate::error::Error;
use crate::read::{OfficePlace, TextsRead, lots};

/// The result of a pull.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PullCounts {
    /// What was added, and what the gate refused.
    pub merged: MergeCounts,
    /// Benches of which a part must wait.
    pub waiting: Vec<WaitingChain>,
    /// Benches of which the office has less than the register.
    pub shorter: Vec<ShorterChain>,
    /// Whether it was ended early.
    pub stopped: bool,
}

/// A bench whose records from one on wait: the batch of that one was opened at a bench that has not sent it yet.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WaitingChain {
    /// The bench's name.
    pub name: String,
    /// The record.
    pub number: i64,
}

/// A bench of which the office has less than the register.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ShorterChain {
    /// The bench's name.
    pub name: String,
    /// Number of the last record there.
    pub office: i64,
    /// Number of the last record in the register.
    pub register: i64,
}

/// What a pull works with.
struct Pull<'a> {
    office: &'a mut Office,
    register: &'a mut Register,
    names: BTreeMap<String, String>,
    texts: TextsRead,
    now: Timestamp,
    counts: PullCounts,
}

impl Office {
    /// Whether this login reads the records of every bench, and not only its own.
    ///
    /// # Errors
    /// When the office cannot be read.
    pub fn reads_all(&mut self) -> Result<bool, Error> {
        let row = self.row(
            "SELECT NOT row_security_active('seathold.records') OR pg_has_role(current_user, 'seathold_office', 'USAGE')",
            &[],
        )?;
        Ok(row.get(0))
    }

    /// Adds what is here and not in the register. `progress` gets how many records were added, and ends the pull by `false`.
    ///
    /// # Errors
    /// When the office cannot be read or this login reads only its own records; when a chain here is another than in the
    /// register; as [`Register::merge`]. What was added before stays.
    pub fn pull(
        &mut self,
        register: &mut Register,
        now: Timestamp,
        mut progress: impl FnMut(u64) -> bool,
    ) -> Result<PullCounts, Error> {
        self.check_version()?;
        if !self.reads_all()? {
            return Err(self.fault(
                "this login reads only its own records there: the owner of the tables can give it those of every bench by \
                 GRANT seathold_office TO the login",
            ));
        }
        let own = register.bench().to_owned();
        let mut benches = self.benches()?;
        // The register's own first: it must have no gap when another bench's batch names one of its records.
        benches.sort_by_key(|(bench, _)| *bench != own);
        let here: BTreeMap<String, VerifiedChain> =
            register.chains()?.into_iter().map(|chain| (chain.bench.clone(), chain)).collect();
        let names = benches.iter().cloned().collect();
        let mut pull =
            Pull { office: self, register, names, texts: TextsRead::default(), now, counts: PullCounts::default() };
        for (bench, name) in &benches {
            pull.chain(bench, name, here.get(bench), &mut progress)?;
            if pull.counts.stopped {
                break;
            }
        }
        Ok(pull.counts)
    }
}

impl Pull<'_> {
    /// One bench's chain.
    fn chain(
        &mut self,
        bench: &str,
        name: &str,
        here: Option<&VerifiedChain>,
        progress: &mut impl FnMut(u64) -> bool,
    ) -> Result<(), Error> {
        let end = self.office.end_of(bench)?;
        let last = here.map_or(0, |chain| i64::try_from(chain.last).unwrap_or(i64::MAX));
        let complete = here.is_none_or(|chain| chain.complete);
        if complete && let Some(why) = self.office.fork(self.register, bench, name, &end, last)? {
            return Err(self.office.fault(&why));
        }
        if last > end.number && here.is_some_and(|chain| !chain.local) {
            self.counts.shorter.push(ShorterChain { name: name.into(), office: end.number, register: last });
        }
        let mut after = if complete { last } else { 0 };
        loop {
            let places = self.office.places(bench, after)?;
            let Some(newest) = places.last() else { return Ok(()) };
            after = newest.number;
            let mut wanted = Vec::new();
            for place in places {
                match if complete { None } else { self.register.seal_of(bench, place.number)? } {
                    None => wanted.push(place),
                    Some(seal) if seal == place.seal => {}
                    Some(_) => {
                        return Err(self.office.fault(&format!(
                            "bench {name} has another record {} here than in {}: one of the two was made anew",
                            place.number,
                            self.register.path().display()
                        )));
                    }
                }
            }
            for lot in lots(&wanted) {
                let whole = self.lot(bench, name, lot)?;
                let MergeCounts { runs, notes, .. } = self.counts.merged;
                if !progress(runs + notes) {
                    self.counts.stopped = true;
                }
                if !whole || self.counts.stopped {
                    return Ok(());
                }
            }
        }
    }

    /// Some records that follow each other; `false` where the rest of the chain must wait.
    fn lot(&mut self, bench: &str, name: &str, lot: &[OfficePlace]) -> Result<bool, Error> {
        let mut records = self.office.records(bench, lot, &mut self.texts)?;
        if records.len() < lot.len() {
            let has: HashSet<i64> = records.iter().map(TransferRecord::number).collect();
            let lost = lot.iter().find(|place| !has.contains(&place.number)).map_or(0, |place| place.number);
            return Err(self.office.fault(&format!("record {lost} of bench {name} has lost its content there")));
        }
        let newest = lot.last().map_or(0, |place| place.number);
        let batches: BTreeSet<String> =
            records.iter().map(|record| record.text("batch").to_owned()).filter(|batch| !batch.is_empty()).collect();
        let mut beside: BTreeMap<(String, i64), TransferRecord> = BTreeMap::new();
        let mut unopened = BTreeSet::new();
        for batch in batches {
            let mut notes = self.office.list_notes(&batch, &mut self.texts)?;
            notes.extend(self.register.list_notes(&batch)?);
            if !notes.iter().any(|note| note.text("kind") == "opened") {
                unopened.insert(batch);
                continue;
            }
            // Those of this bench come in their turn.
            let in_turn = |note: &TransferRecord| note.text("bench") == bench && note.number() > newest;
            let named = |note: TransferRecord| ((note.text("bench").to_owned(), note.number()), note);
            beside.extend(notes.into_iter().filter(|note| !in_turn(note)).map(named));
        }
        let waits = records.iter().position(|record| unopened.contains(record.text("batch")));
        if let Some(at) = waits {
            let number = records.get(at).map_or(0, TransferRecord::number);
            self.counts.waiting.push(WaitingChain { name: name.into(), number });
            records.truncate(at);
        }
        for record in &records {
            beside.remove(&(bench.to_owned(), record.number()));
        }
        if !records.is_empty() {
            records.extend(beside.into_values());
            self.merge(&records)?;
        }
        Ok(waits.is_none())
    }

    fn merge(&mut self, records: &[TransferRecord]) -> Result<(), Error> {
        let benches: BTreeSet<&str> = records.iter().map(|record| record.text("bench")).collect();
        let chains = self.register.chains()?;
        let name = |bench: &str| {
            let here = || chains.iter().find(|chain| chain.bench == bench).map(|chain| chain.name.clone());
            self.names.get(bench).cloned().or_else(here).unwrap_or_default()
        };
        let benches: Vec<StagedBench> =
            benches.into_iter().map(|bench| StagedBench { bench: bench.into(), name: name(bench) }).collect();
        let folder = tempfile::tempdir().map_err(Error::Folder)?;
        let path = folder.path().join("staged.sqlite");
        let staged = Register::staged(&path, &self.office.to_string(), &benches, records)?;
        let merged = self.register.merge_staged(&staged, &MergeTrust::in_parts(), self.now)?;
        let sum = &mut self.counts.merged;
        sum.runs += merged.runs;
        sum.notes += merged.notes;
        sum.known += merged.known;
        sum.quarantined += merged.quarantined;
        Ok(())
    }
}

impl Office {
    /// The notes that opened a batch and added to its list.
    fn list_notes(&mut self, batch: &str, texts: &mut TextsRead) -> Result<Vec<TransferRecord>, Error> {
        let rows = self.rows(
            "SELECT bench, array_agg(number) FROM seathold.notes WHERE batch = $1 AND kind IN ('opened', 'added') GROUP BY bench",
            &[&batch],
        )?;
        let mut notes = Vec::new();
        for row in rows {
            let (bench, numbers): (String, Vec<i64>) = (row.get(0), row.get(1));
            let places = self.places_of(&bench, &numbers)?;
            notes.extend(self.records(&bench, &places, texts)?);
        }
        Ok(notes)
    }
}
