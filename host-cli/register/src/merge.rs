//! Other benches' registers, bundles of selected runs, and loose recordings.
//!
//! Records keep their bench, number and seal wherever they go. What is here already is not added again, so everything
//! here may be repeated, and continued after an interruption.

use std::collections::{BTreeSet, HashMap};
use std::io::Read;
use std::path::Path;

use jiff::Timestamp;
use rayon::prelude::*;
use rusqlite::types::Value;
use rusqlite::{Connection, OptionalExtension, Transaction, params};
use seathold_recording::bounds;
use seathold_recording::limits::FILE_MAX;

use super::append::{AppendedRun, RunMeta, insert_recording, keep, run_with};
use super::batch::sealed_list;
use super::correction::append_to_list;
use super::error::{RegisterError, WithPath};
use super::intake::{batch_fault, record_fault, valve_fault};
use super::open::genesis;
use super::quarantine::Refused;
use super::record::seal_of;
use super::record::{RecordPlace, SealedRecord};
use super::signed::MergeTrust;
use super::signed::trust::KnownKeys;
use super::transaction::{one, transact};
use super::transfer::TransferRecord;
use super::valves::{NoteRecord, ValveRecord, tell_valve, valve_row};
use super::{Access, Register, RunFilter};
use crate::error::Error;

/// What is said of a valve.
const VALVE: &str = "SELECT serial, actuation, dn, notes FROM valves WHERE serial = ?";

/// Records in one transaction: others who wait for the register can write in between.
const TOGETHER: usize = 200;

/// The counts of a merge.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct MergeCounts {
    /// New runs.
    pub runs: u64,
    /// New notes.
    pub notes: u64,
    /// Records that were here already.
    pub known: u64,
    /// Records that the gate refused, in quarantine now or since an earlier merge.
    pub quarantined: u64,
}

impl Register {
    /// Adds every record of another register that is not here.
    ///
    /// # Errors
    /// When either cannot be used; when a record of the other was altered; when the two have a common beginning and
    /// then diverge, as after copying a register and appending to both. What was added before that stays.
    pub fn merge(&mut self, from: &Path, now: Timestamp) -> Result<MergeCounts, Error> {
        let other = Self::open(from, Access::Read)?;
        self.take(&other, None, &MergeTrust::default(), now)
    }

    /// The same, where somebody answers for what no key vouches for.
    ///
    /// # Errors
    /// As for [`Register::merge`].
    pub fn merge_trusting(&mut self, from: &Path, trust: &MergeTrust, now: Timestamp) -> Result<MergeCounts, Error> {
        let other = Self::open(from, Access::Read)?;
        self.take(&other, None, trust, now)
    }

    /// Adds every record of a register that was made of what came from elsewhere ([`Register::staged`]).
    ///
    /// # Errors
    /// As for [`Register::merge`].
    pub fn merge_staged(&mut self, staged: &Self, trust: &MergeTrust, now: Timestamp) -> Result<MergeCounts, Error> {
        self.take(staged, None, trust, now)
    }

    /// Writes a register of its own that holds only the selected runs, with the notes on their valves and batches. It
    /// merges like any other.
    ///
    /// # Errors
    /// When the file is there already, or cannot be written.
    pub fn bundle(&self, to: &Path, filter: &RunFilter, now: Timestamp) -> Result<MergeCounts, Error> {
        if to.exists() {
            return Err(Error::file("make", to, std::io::ErrorKind::AlreadyExists.into()));
        }
        let mut wanted = BTreeSet::new();
        let (mut serials, mut batches) = (BTreeSet::new(), BTreeSet::new());
        for run in self.runs(filter.clone()) {
            let run = run?;
            wanted.insert((run.bench, run.number));
            serials.insert(run.serial);
            batches.extend(run.batch);
        }
        for serial in &serials {
            wanted.extend(self.notes(None, Some(serial))?.into_iter().map(|note| (note.bench, note.number)));
        }
        for note in self.notes_of_time(filter)? {
            wanted.insert((note.bench, note.number));
            batches.extend(note.batch);
        }
        // What was moved to one of them is a run of it, whatever it was recorded for; and what was struck stays struck.
        let all: Vec<(String, i64)> = wanted.iter().cloned().collect();
        for (bench, number) in all {
            for note in self.notes_where(
                "bench = ?1 AND number = ?2 AND kind = 'moved'",
                (Some(&bench), Some(&number.to_string())),
            )? {
                let run = note.about.as_deref().and_then(|about| about.split_once('/'));
                wanted.extend(run.and_then(|(bench, number)| Some((bench.to_owned(), number.parse().ok()?))));
            }
        }
        let all: Vec<(String, i64)> = wanted.iter().cloned().collect();
        for (bench, number) in all {
            let about = self.corrections_of(&bench, number)?;
            wanted.extend(about.into_iter().map(|note| (note.bench, note.number)));
        }
        // The opening and closing notes of the batch: elsewhere nobody must continue it as if it were open.
        for batch in &batches {
            let of_batch = self.notes(Some(batch), None)?.into_iter().filter(|note| note.serial.is_none());
            wanted.extend(of_batch.map(|note| (note.bench, note.number)));
        }
        // The keys that their signatures are checked with.
        if self.has_signatures() {
            let benches: BTreeSet<String> = wanted.iter().map(|(bench, _)| bench.clone()).collect();
            for bench in benches {
                let keys = self.notes_where("bench = ?1 AND kind = 'key' AND ?2 IS NULL", (Some(&bench), None))?;
                wanted.extend(keys.into_iter().map(|note| (note.bench, note.number)));
            }
        }
        let mut bundle = Self::open_named(to, Access::Make, "bundle")?;
        let merged = bundle.take(self, Some(&wanted), &MergeTrust::everything(), now)?;
        // What was left out at the end of a chain leaves no gap: it is a selection all the same.
        for chain in self.chains()? {
            let text = "UPDATE benches SET complete = 0 WHERE bench = ?1 AND local = 0 AND (last_number < ?2 OR ?3)";
            let last = i64::try_from(chain.last).unwrap_or(i64::MAX);
            let write = |change: &Transaction<'_>| change.execute(text, params![chain.bench, last, !chain.complete]);
            transact(&mut bundle.db, write).at(to)?;
        }
        Ok(merged)
    }

    /// Notes that were written in the time that a selection asks for, also where no run followed them: a rework after the
    /// last run is part of what happened since. None where it asks for more of a run than a note has.
    fn notes_of_time(&self, filter: &RunFilter) -> Result<Vec<NoteRecord>, Error> {
        let RunFilter { since, until, verdicts, recipe, leak, operator, serial, batch, .. } = filter;
        let of_runs = !verdicts.is_empty() || recipe.is_some() || leak.is_some() || operator.is_some();
        if of_runs || (since.is_none() && until.is_none()) {
            return Ok(Vec::new());
        }
        let time = "(?1 IS NULL OR written_at >= ?1) AND (?2 IS NULL OR written_at < ?2)";
        let mut notes = self.notes_where(time, (since.as_deref(), until.as_deref()))?;
        notes.retain(|note| (serial.is_none() || note.serial == *serial) && (batch.is_none() || note.batch == *batch));
        Ok(notes)
    }

    /// Writes a register of its own that holds every record of this bench with a greater number than `after`, of
    /// whatever kind, and the lists of the batches that these name.
    ///
    /// # Errors
    /// When the file is there already, or cannot be written; when this bench has no record of that number yet.
    pub fn bundle_after(&self, to: &Path, after: i64, now: Timestamp) -> Result<MergeCounts, Error> {
        let (next, _) = super::append::next(&self.db, &self.bench).at(&self.path)?;
        if after >= next {
            let why = format!("--after {after}: the last record of this bench is {}", next - 1);
            return Err(Error::register(&self.path, RegisterError::Refused(why)));
        }
        if to.exists() {
            return Err(Error::file("make", to, std::io::ErrorKind::AlreadyExists.into()));
        }
        let select = || -> rusqlite::Result<BTreeSet<(String, i64)>> {
            // What is on the list of a batch is said by the notes that opened it and added to it.
            let mut query = self.db.prepare(
                "WITH sent AS (SELECT bench, number, batch FROM runs WHERE bench = ?1 AND number > ?2 \
                 UNION ALL SELECT bench, number, batch FROM notes WHERE bench = ?1 AND number > ?2) \
                 SELECT bench, number FROM sent UNION SELECT bench, number FROM notes \
                 WHERE kind IN ('opened', 'added') AND batch IN (SELECT batch FROM sent)",
            )?;
            let rows = query.query_map((&self.bench, after), |row| Ok((row.get(0)?, row.get(1)?)))?;
            rows.collect()
        };
        let wanted = select().at(&self.path)?;
        let mut bundle = Self::open_named(to, Access::Make, "bundle")?;
        bundle.take(self, Some(&wanted), &MergeTrust::everything(), now)
    }

    /// Imports a stand-alone recording, as a new record of this bench.
    ///
    /// # Errors
    /// When it cannot be read, is no recording, or the register cannot be written. When the gate refuses it; then it is
    /// in quarantine.
    pub fn import(&mut self, file: &Path, meta: &RunMeta, now: Timestamp) -> Result<AppendedRun, Error> {
        let unread = |why| Error::file("read", file, why);
        let mut bytes = Vec::new();
        // A pipe or a device says no length beforehand.
        let from = std::fs::File::open(file).map_err(unread)?;
        from.take(FILE_MAX + 1).read_to_end(&mut bytes).map_err(unread)?;
        if bytes.len() as u64 > FILE_MAX {
            let why = format!("{}: too long for a recording of a run; it is left where it is", file.display());
            return Err(Error::register(&self.path, RegisterError::Refused(why)));
        }
        self.admit(&bytes, file, meta, now)
    }

    /// Adds the selected records of another; all without a selection.
    fn take(
        &mut self,
        other: &Self,
        wanted: Option<&BTreeSet<(String, i64)>>,
        trust: &MergeTrust,
        now: Timestamp,
    ) -> Result<MergeCounts, Error> {
        let mut merged = MergeCounts::default();
        let path = self.path.clone();
        let mut names = NamesSeen::default();
        for chain in other.chains()? {
            let name = bounds::name_fault("bench's name", &chain.name);
            let uuid = uuid::Uuid::parse_str(&chain.bench).is_err().then(|| "a bench has no UUID".to_owned());
            if let Some(why) = name.or(uuid) {
                return Err(Error::register(&other.path, RegisterError::Refused(why)));
            }
            let mut places = RecordPlace::of_bench(&other.db, &chain.bench).at(&other.path)?;
            places.retain(|place| wanted.is_none_or(|w| w.contains(&(chain.bench.clone(), place.number))));
            // The file's own chain has no holes, or appending would not be safe.
            let mut own = if chain.bench == self.bench {
                Some(super::append::next(&self.db, &self.bench).at(&path)?)
            } else {
                None
            };
            let (here, there) =
                (self.has_signatures().then_some(&self.db), other.has_signatures().then_some(&other.db));
            let refuse = |why: String| {
                let why = format!("bench {}: {why}; nothing of it was taken from there on", chain.name);
                Error::register(&other.path, RegisterError::Refused(why))
            };
            let keys = KnownKeys::of(here, there, &chain.bench, trust).at(&path)?.map_err(refuse)?;
            let (refused_before, added_before) = (merged.quarantined, merged.runs + merged.notes);
            for some in places.chunks(TOGETHER) {
                let mut transfers = Vec::new();
                let mut read = Vec::new();
                for place in some {
                    let here = seal_of(&self.db, &chain.bench, place.number).at(&path)?;
                    let transfer = TransferRecord::read(&other.db, *place, other.has_signatures()).at(&other.path)?;
                    // Its number comes from an index there, which somebody may have changed by itself.
                    if transfer.sealed.number() != place.number {
                        let what = "its index of records does not agree with the records".into();
                        return Err(Error::register(&other.path, RegisterError::Damaged(what)));
                    }
                    let name = names.fault(&other.db, &transfer.sealed).at(&other.path)?;
                    read.push((here, transfer, name));
                }
                // A replay takes a few milliseconds. What is here has passed the gate.
                let gate = |(here, transfer, name): &(Option<String>, TransferRecord, Option<String>)| {
                    transfer.check(&chain.name)?;
                    Ok(if here.is_some() { None } else { name.clone().or_else(|| record_fault(&transfer.sealed)) })
                };
                let gated: Vec<Result<Option<String>, RegisterError>> = read.par_iter().map(gate).collect();
                for ((here, transfer, _), gated) in read.into_iter().zip(gated) {
                    let sealed = &transfer.sealed;
                    let number = sealed.number();
                    if let Some(reason) = gated.map_err(|why| Error::register(&other.path, why))? {
                        let source = format!("{}, record {}/{number}", other.path.display(), chain.bench);
                        let columns = super::quarantine::columns(sealed);
                        let (kind, bytes) = match &sealed.bytes {
                            Some(bytes) => ("recording", bytes),
                            None => ("record", &columns),
                        };
                        let refused = Refused { kind, bytes, reason: &reason, source: &source };
                        let id = self.quarantine(&refused, now)?;
                        merged.quarantined += 1;
                        if own.is_some() {
                            return Err(Error::Quarantined { name: source, reason, id });
                        }
                        continue;
                    }
                    match here {
                        Some(seal) if seal == sealed.seal => merged.known += 1,
                        Some(_) => return Err(Error::register(&path, apart(&other.path, &chain.name, number))),
                        None => {
                            if let Some(why) = keys.fault(number, transfer.signature()) {
                                return Err(refuse(why));
                            }
                            if let Some((next, seal)) = &mut own {
                                if (*next, seal.as_str()) != (number, sealed.text("previous")) {
                                    return Err(Error::register(&path, apart(&other.path, &chain.name, number)));
                                }
                                (*next, *seal) = (number + 1, sealed.seal.clone());
                            }
                            transfers.push(transfer);
                        }
                    }
                }
                // A bench of which nothing is let in is not named here either.
                if transfers.is_empty() {
                    continue;
                }
                let context = Context { other: &other.db, bench: &chain.bench, name: &chain.name, own: &self.bench };
                let (runs, notes) = transact(&mut self.db, |change| context.insert(change, &transfers)).at(&path)?;
                merged.runs += runs;
                merged.notes += notes;
            }
            let added = merged.runs + merged.notes > added_before;
            if merged.quarantined > refused_before || (!chain.complete && added) {
                // Not even where what is missing comes last: a leak may be among what was refused, or left out.
                let text = "UPDATE benches SET complete = 0 WHERE bench = ? AND local = 0";
                transact(&mut self.db, |change| change.execute(text, [&chain.bench])).at(&path)?;
            }
        }
        Ok(merged)
    }
}

fn apart(other: &Path, name: &str, number: i64) -> RegisterError {
    RegisterError::Refused(format!(
        "bench {name} has another record {number} in {}: the two registers have a common beginning and then diverged, \
         as after copying one and appending to both. Transfer what is missing by `seathold register extract` from the \
         one and `seathold register import` into the other",
        other.display()
    ))
}

/// What is wrong with the batches and valves that records name, looked up once each.
#[derive(Default)]
struct NamesSeen {
    batches: HashMap<String, Option<String>>,
    valves: HashMap<String, Option<String>>,
}

impl NamesSeen {
    /// What is wrong with those of a record, if anything.
    fn fault(&mut self, other: &Connection, sealed: &SealedRecord) -> rusqlite::Result<Option<String>> {
        let (batch, serial) = (sealed.text("batch"), sealed.text("serial"));
        if !batch.is_empty() && !self.batches.contains_key(batch) {
            let fault = batch_of(other, batch)?;
            self.batches.insert(batch.to_owned(), fault);
        }
        if !serial.is_empty() && !self.valves.contains_key(serial) {
            let valve = other.query_row(VALVE, [serial], valve_row).optional()?;
            let fault = valve.map_or_else(|| Some("its valve is not listed".into()), |valve| listed_fault(&valve));
            self.valves.insert(serial.to_owned(), fault);
        }
        let of = |seen: &HashMap<String, Option<String>>, name| seen.get(name).cloned().flatten();
        Ok(of(&self.batches, batch).or_else(|| of(&self.valves, serial)))
    }
}

/// What is wrong with what is said of a valve, if anything.
fn listed_fault(valve: &ValveRecord) -> Option<String> {
    valve_fault(&valve.serial, &valve.actuation, &valve.notes)
}

/// What is wrong with a batch and its list, if anything.
fn batch_of(other: &Connection, batch: &str) -> rusqlite::Result<Option<String>> {
    if uuid::Uuid::parse_str(batch).is_err() {
        return Ok(Some("its batch has no UUID".into()));
    }
    let text = "SELECT name, check_digit, opened_at FROM batches WHERE batch = ?";
    let row = |row: &rusqlite::Row<'_>| Ok((row.get(0)?, row.get(1)?, row.get(2)?));
    let found: Option<(String, String, String)> = other.query_row(text, [batch], row).optional()?;
    let Some((name, check_digit, opened_at)) = found else { return Ok(Some("its batch is not listed".into())) };
    let mut query = other.prepare(
        "SELECT v.serial, v.actuation, v.dn, v.notes FROM batch_valves b JOIN valves v ON v.serial = b.serial \
         WHERE b.batch = ? ORDER BY b.position",
    )?;
    let valves: Vec<ValveRecord> = query.query_map([batch], valve_row)?.collect::<rusqlite::Result<_>>()?;
    let time = bounds::time_fault("the batch's opened_at", &opened_at);
    let bounds = time.or_else(|| batch_fault(&name, &check_digit, valves.len()));
    match bounds.or_else(|| valves.iter().find_map(listed_fault)) {
        Some(why) => Ok(Some(why)),
        None => super::verify::batch_fault(other, batch),
    }
}

/// Reading and writing transfers.
struct Context<'a> {
    other: &'a Connection,
    bench: &'a str,
    name: &'a str,
    own: &'a str,
}

impl Context<'_> {
    fn insert(&self, change: &Transaction<'_>, transfers: &[TransferRecord]) -> rusqlite::Result<(u64, u64)> {
        change.execute(
            "INSERT INTO benches (bench, name, local, complete, last_number, seal) VALUES (?, ?, 0, 0, 0, ?) ON \
             CONFLICT DO NOTHING",
            params![self.bench, self.name, genesis(self.bench)],
        )?;
        let (mut runs, mut notes) = (0, 0);
        for TransferRecord { sealed, parts, signature } in transfers {
            self.valve_and_batch(change, sealed)?;
            parts.iter().try_for_each(|part| keep(change, part))?;
            let mut again = false;
            if let Some(bytes) = &sealed.bytes {
                let recording = sealed.text("recording");
                again = run_with(change, recording)?.is_some();
                insert_recording(change, recording, bytes)?;
                runs += 1;
            } else {
                notes += 1;
            }
            if sealed.text("kind") == "added" {
                for serial in sealed_list::serials(sealed.text("text")) {
                    self.valve(change, &serial)?;
                    append_to_list(change, sealed.text("batch"), &serial)?;
                }
            }
            let id = sealed.record.insert(change, sealed.table, &sealed.seal, again)?;
            sealed.record.confirm(change, sealed.table, id, &sealed.seal)?;
            if let Some(signature) = signature {
                signature.insert(change, self.bench, sealed.number())?;
            }
        }
        if let Some(TransferRecord { sealed: last, .. }) = transfers.last() {
            let number = last.number();
            change.execute(
                "UPDATE benches SET last_number = ?1, seal = ?2 WHERE bench = ?3 AND last_number < ?1",
                params![number, last.seal, self.bench],
            )?;
        }
        // Complete as soon as nothing is missing. The file's own always is, or appending would not be safe.
        if self.bench != self.own {
            change.execute(
                "UPDATE benches SET complete = (SELECT count(*) FROM runs WHERE bench = ?1) + (SELECT count(*) FROM notes \
                 WHERE bench = ?1) = last_number WHERE bench = ?1",
                [self.bench],
            )?;
        }
        Ok((runs, notes))
    }

    /// The valve and the batch that a record names.
    fn valve_and_batch(&self, change: &Transaction<'_>, sealed: &SealedRecord) -> rusqlite::Result<()> {
        let SealedRecord { table, record, .. } = sealed;
        if let Some(Value::Text(serial)) = record.value(table, "serial") {
            self.valve(change, serial)?;
        }
        let Some(Value::Text(batch)) = record.value(table, "batch") else { return Ok(()) };
        let known = change.query_row("SELECT 1 FROM batches WHERE batch = ?", [batch], |_| Ok(())).optional()?;
        if known.is_some() {
            return Ok(());
        }
        let text = "SELECT name, opened_at, check_digit FROM batches WHERE batch = ?";
        let row = |row: &rusqlite::Row<'_>| Ok((row.get(0)?, row.get(1)?, row.get(2)?));
        let (name, opened_at, check_digit): (String, String, String) = self.other.query_row(text, [batch], row)?;
        one(change.execute(
            "INSERT INTO batches (batch, name, opened_at, check_digit) VALUES (?, ?, ?, ?)",
            params![batch, name, opened_at, check_digit],
        )?)?;
        // What was added to the list since comes with the notes that say so.
        let text = "SELECT text FROM notes WHERE batch = ? AND kind = 'opened'";
        let opening: String = self.other.query_row(text, [batch], |row| row.get(0))?;
        for serial in sealed_list::serials(&opening) {
            self.valve(change, &serial)?;
            append_to_list(change, batch, &serial)?;
        }
        Ok(())
    }

    /// Fills in missing data of a valve from the other register.
    fn valve(&self, change: &Transaction<'_>, serial: &str) -> rusqlite::Result<()> {
        let mut theirs: ValveRecord = self.other.prepare_cached(VALVE)?.query_row([serial], valve_row)?;
        if let Some(ours) = change.prepare_cached(VALVE)?.query_row([serial], valve_row).optional()? {
            theirs.actuation = if ours.actuation.is_empty() { theirs.actuation } else { ours.actuation };
            theirs.dn = ours.dn.or(theirs.dn);
            theirs.notes = if ours.notes.is_empty() { theirs.notes } else { ours.notes };
        }
        tell_valve(change, &theirs)
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use seathold_recording::hash::sha256;
    use seathold_recording::{Writer, read_bytes};
    use seathold_sequencer::event::Events;
    use seathold_sequencer::poll_loop::PollRecord;
    use seathold_sequencer::verdict::Verdict;

    use super::*;
    use crate::append::insert_note;
    use crate::extract::RecordingExtract;
    use crate::intake::recording;
    use crate::{NewNote, NoteKind};

    fn shipped(name: &str) -> Vec<u8> {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/recordings/current");
        std::fs::read(folder.join(name)).unwrap()
    }

    fn now() -> Timestamp {
        "2026-03-02T10:00:00Z".parse().unwrap()
    }

    /// The readings of one under the events of the other.
    fn spliced(readings: &[u8], events: &[u8]) -> Vec<u8> {
        let (read, from) = (read_bytes(readings).unwrap(), read_bytes(events).unwrap());
        let dir = tempfile::tempdir().unwrap();
        let mut writer = Writer::create(&dir.path().join("a.hold"), &read.header).unwrap();
        let mut next_event = from.event_log.follow();
        let (own, other): (Vec<_>, Vec<_>) = (read.polls.iter().collect(), from.polls.iter().collect());
        for number in 0..own.len().max(other.len()) {
            let poll = own.get(number).or(other.get(number)).unwrap();
            let mut record =
                PollRecord { at: poll.at, inputs: poll.inputs, outputs: poll.outputs, events: Events::new() };
            while let Some(event) = next_event(number) {
                record.events.push(from.names.typed(&event.node()).unwrap()).unwrap();
            }
            writer.push(&record).unwrap();
        }
        std::fs::read(writer.finish().unwrap()).unwrap()
    }

    /// Adds a run behind the gate's back, as a program did that had none.
    fn past_the_gate(register: &mut Register, bytes: &[u8], columns: &[u8]) {
        let mut extract = RecordingExtract::of(columns).unwrap();
        extract.recording = sha256(bytes);
        register.append_extract(bytes, &extract, &RunMeta::default(), now()).unwrap();
    }

    /// A register of another bench with a good run, and three records that this gate refuses.
    fn other(path: &Path) -> Register {
        let mut register = Register::open_named(path, Access::Make, "other").unwrap();
        let (tight, leaking) = (shipped("tight.hold"), shipped("scratched-seat-a.hold"));
        register.append(&tight, &RunMeta::default(), now()).unwrap();
        let forged = spliced(&leaking, &tight);
        past_the_gate(&mut register, &forged, &forged);
        // Columns that call it tight, over the recording of a leak.
        let mut columns = RecordingExtract::of(&tight).unwrap();
        columns.header.serial = RecordingExtract::of(&leaking).unwrap().header.serial;
        past_the_gate(&mut register, &leaking, &tight);
        let note = NewNote {
            kind: NoteKind::Remark,
            batch: None,
            serial: Some(columns.header.serial),
            about: None,
            operator: "Ben\u{1b}[2J".into(),
            text: String::new(),
        };
        assert!(register.note(&note, now()).is_err());
        let bench = register.bench().to_owned();
        transact(&mut register.db, |change| {
            crate::append::valve(change, note.serial.as_deref().unwrap())?;
            insert_note(change, &bench, &note, now())
        })
        .unwrap();
        register
    }

    #[test]
    fn a_merge_takes_in_what_passes_and_keeps_the_rest_apart() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("other.sqlite");
        let theirs = other(&path);
        let mut ours = Register::open(&dir.path().join("bench.sqlite"), Access::Make).unwrap();
        for known in 0..2 {
            let merged = ours.merge(&path, now()).unwrap();
            assert_eq!((merged.runs, merged.notes, merged.known, merged.quarantined), (1 - known, 0, known, 3));
            let entries = ours.quarantined().unwrap();
            let reasons: Vec<&str> = entries.iter().map(|entry| entry.reason.as_str()).collect();
            assert!(reasons[0].starts_with("does not replay: differs at poll "), "{reasons:?}");
            assert!(reasons[1].starts_with("says "), "{reasons:?}");
            assert!(reasons[2].starts_with("the operator has control characters"), "{reasons:?}");
            assert_eq!(reasons.len(), 3);
        }
        let verdicts: Vec<_> = ours.runs(RunFilter::default()).map(|run| run.unwrap().verdict).collect();
        assert_eq!(verdicts, [Some(Verdict::Tight)]);
        let chains = ours.verify(|_| true).unwrap().valid().unwrap();
        // What is not here is known to be missing.
        assert!(!chains[1].complete, "{chains:?}");
        let (entry, bytes) = ours.quarantined_bytes(1).unwrap();
        assert!(entry.kind == "recording" && sha256(&bytes) == entry.sha256);
        assert!(entry.source.ends_with(&format!("other.sqlite, record {}/2", theirs.bench())), "{}", entry.source);
        ours.remove_quarantined(1).unwrap();
        assert!(ours.remove_quarantined(1).is_err() && ours.quarantined().unwrap().len() == 2);
    }

    /// What came in before there was a gate is found when it is asked for.
    #[test]
    fn verify_replays_when_asked() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("bench.sqlite");
        let mut register = Register::open(&path, Access::Make).unwrap();
        let tight = shipped("tight.hold");
        let forged = spliced(&shipped("scratched-seat-a.hold"), &tight);
        past_the_gate(&mut register, &tight, &tight);
        register.verify_by(true, |_| true).unwrap().valid().unwrap();
        past_the_gate(&mut register, &forged, &forged);
        register.verify(|_| true).unwrap().valid().unwrap();
        let broken = register.verify_by(true, |_| true).unwrap().valid().unwrap_err();
        assert!(broken.number == 2 && broken.what.contains("let in today: does not replay"), "{broken:?}");
    }

    #[test]
    fn a_bundle_hands_on_nothing_that_the_gate_refuses() {
        let dir = tempfile::tempdir().unwrap();
        let theirs = other(&dir.path().join("other.sqlite"));
        let to = dir.path().join("bundle.sqlite");
        let bundled = theirs.bundle(&to, &RunFilter::default(), now()).unwrap();
        assert_eq!((bundled.runs, bundled.quarantined >= 2), (1, true), "{bundled:?}");
    }

    /// Every recording that is shipped, of every kind of run, passes.
    #[test]
    fn honest_recordings_pass() {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/recordings/current");
        let mut seen = 0;
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.extension().is_some_and(|ending| ending == "hold") {
                recording(&std::fs::read(&path).unwrap()).map(|_| ()).unwrap_or_else(|why| panic!("{path:?}: {why:?}"));
                seen += 1;
            }
        }
        assert!(seen > 2);
    }
}
