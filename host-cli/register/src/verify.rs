//! Verifying the hash chains: is every record as it was written, in its position, and consistent with its recording?

use rayon::prelude::*;
use rusqlite::{Connection, OptionalExtension, params};

use super::Register;
use super::batch::sealed_list;
use super::correction::is_sealed_list;
use super::error::WithPath;
use super::extract::RecordingExtract;
use super::intake;
use super::open::genesis;
use super::record::{RecordPlace, SealedRecord};
use super::signed::{SignedChain, last_signature_fault, signed_chain};
use super::transfer::TransferRecord;
use crate::error::Error;

/// Records checked in parallel.
const TOGETHER: usize = 128;

/// A valid chain.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct VerifiedChain {
    /// UUID of the bench.
    pub bench: String,
    /// Its name.
    pub name: String,
    /// Whether it is the file's own.
    pub local: bool,
    /// Whether every record from 1 on is here.
    pub complete: bool,
    /// Runs and notes here.
    pub last_number: u64,
    /// Number of the last of them.
    pub last: u64,
    /// Seal of the last.
    pub seal: String,
    /// Its signatures; none before they were looked at.
    pub signed: SignedChain,
}

/// The first record that is not valid.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BrokenRecord {
    /// UUID of the bench.
    pub bench: String,
    /// Its name.
    pub name: String,
    /// The record.
    pub number: i64,
    /// What is wrong with it.
    pub what: String,
}

/// The result of verifying a register.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Verification {
    /// Every record is as it was written.
    Valid(Vec<VerifiedChain>),
    /// This one is not; those after it were not looked at.
    Broken(BrokenRecord),
    /// The records are, but the file is not as this program makes it: what it shows of them may not be all.
    Unsound(String),
}

impl Verification {
    /// The chains, or the record that is not valid as an error.
    ///
    /// # Errors
    /// That record.
    pub fn valid(self) -> Result<Vec<VerifiedChain>, BrokenRecord> {
        match self {
            Self::Valid(chains) => Ok(chains),
            Self::Broken(record) => Err(record),
            Self::Unsound(what) => Err(BrokenRecord { bench: String::new(), name: String::new(), number: 0, what }),
        }
    }
}

impl Register {
    /// Checks every record: its position, its seal, the seal before it, and its columns against its recording; then the
    /// file itself: its tables, indexes and triggers, SQLite's own check, and rows counted two ways. Chains are walked one after the other; the walk ends at the first record that is not valid. `progress` gets how
    /// many records have been checked, and ends the walk by `false`.
    ///
    /// # Errors
    /// When the register cannot be read, or is too damaged to be read through.
    pub fn verify(&self, progress: impl FnMut(u64) -> bool) -> Result<Verification, Error> {
        self.verify_by(false, progress)
    }

    /// The same, and with `replay` each recording must pass the gate again: for what was in the register before there
    /// was a gate.
    ///
    /// # Errors
    /// As for [`Register::verify`].
    pub fn verify_by(&self, replay: bool, mut progress: impl FnMut(u64) -> bool) -> Result<Verification, Error> {
        // One snapshot: what others append meanwhile is not checked.
        let snapshot = self.db.unchecked_transaction().at(&self.path)?;
        let mut chains = chains(&snapshot).at(&self.path)?;
        let mut checked = 0;
        for chain in &mut chains {
            let depth = WalkDepth::of(replay);
            if let Some(broken) = walk(&snapshot, chain, depth, &mut checked, &mut progress).at(&self.path)? {
                return Ok(Verification::Broken(broken));
            }
            match signed_chain(&snapshot, self.version, &chain.bench).at(&self.path)? {
                Ok(signed) => chain.signed = signed,
                Err((number, what)) => {
                    let (bench, name) = (chain.bench.clone(), chain.name.clone());
                    return Ok(Verification::Broken(BrokenRecord { bench, name, number, what }));
                }
            }
        }
        for look in [unsealed, lists] {
            if let Some(broken) = look(&snapshot, &chains).at(&self.path)? {
                return Ok(Verification::Broken(broken));
            }
        }
        match super::soundness::fault(&snapshot, self.version).at(&self.path)? {
            Some(what) => Ok(Verification::Unsound(what)),
            None => Ok(Verification::Valid(chains)),
        }
    }

    /// Whether what is asked of the register can be answered out of it: no record is missing from a chain, changed, or marked as what it
    /// is not, and the last signature of each holds. Recordings are not read, which whoever uses one does; so this takes some
    /// ten microseconds a record.
    ///
    /// # Errors
    /// When the register cannot be read.
    pub fn chain_fault(&self) -> Result<Option<BrokenRecord>, Error> {
        let snapshot = self.db.unchecked_transaction().at(&self.path)?;
        let mut chains = chains(&snapshot).at(&self.path)?;
        for chain in &mut chains {
            let (mut checked, mut go_on) = (0, |_| true);
            let broken = walk(&snapshot, chain, WalkDepth::Seals, &mut checked, &mut go_on).at(&self.path)?;
            let broken = match broken {
                None => last_signature(&snapshot, self.version, chain).at(&self.path)?,
                broken => broken,
            };
            if broken.is_some() {
                return Ok(broken);
            }
        }
        unsealed(&snapshot, &chains).at(&self.path)
    }

    /// The record with this seal, or with this beginning of one, as `BENCH/NUMBER`: where a head that was written down
    /// earlier is now. `None` where no chain here contains it. Whether the chains are valid is for
    /// [`Register::verify`].
    ///
    /// # Errors
    /// When the register cannot be read.
    pub fn record_sealed(&self, head: &str) -> Result<Option<String>, Error> {
        let head = head.to_lowercase();
        let look = || {
            // By going through the tables: no index may hide it.
            let text = "SELECT bench || '/' || number FROM runs NOT INDEXED WHERE instr(seal, ?1) = 1 \
                        UNION ALL SELECT bench || '/' || number FROM notes NOT INDEXED WHERE instr(seal, ?1) = 1";
            self.db.query_row(text, [&head], |row| row.get(0)).optional()
        };
        if let Some(found) = look().at(&self.path)? {
            return Ok(Some(found));
        }
        // The head of a bench without records.
        let benches = self.chains()?;
        Ok(benches
            .iter()
            .find(|chain| genesis(&chain.bench).starts_with(&head))
            .map(|chain| format!("{}/0", chain.bench)))
    }

    /// What is wrong with one record by itself, if anything: its seal, its recording, its columns. Whether it
    /// follows the one before is for [`Register::verify`].
    ///
    /// # Errors
    /// When there is no such record, or the register cannot be read.
    pub fn altered(&self, bench: &str, number: i64) -> Result<Option<String>, Error> {
        let look = || -> rusqlite::Result<Option<String>> {
            let sealed = SealedRecord::read(&self.db, RecordPlace::of_record(&self.db, bench, number)?)?;
            match fault_of(&sealed) {
                Some(what) => Ok(Some(what)),
                None => sealed.parts_fault(&self.db),
            }
        };
        look().at(&self.path)
    }

    /// Why a run that is here would not be let in today, if it would not: it came in before there was a gate, or was
    /// changed since.
    ///
    /// # Errors
    /// When the register cannot be read.
    pub fn gate_fault(&self, id: i64) -> Result<Option<String>, Error> {
        match self.recording(id) {
            Ok(bytes) => Ok(intake::run_fault(&bytes)),
            Err(Error::Unreadable { why, .. }) => Ok(Some(why)),
            Err(why) => Err(why),
        }
    }

    /// The benches whose records are here, the file's own first; nothing is checked.
    ///
    /// # Errors
    /// When the register cannot be read.
    pub fn chains(&self) -> Result<Vec<VerifiedChain>, Error> {
        chains(&self.db).at(&self.path)
    }
}

fn chains(db: &Connection) -> rusqlite::Result<Vec<VerifiedChain>> {
    let mut query =
        db.prepare(
            "SELECT bench, name, local, complete, last_number, seal, iif(complete, last_number, \
             (SELECT count(*) FROM runs r WHERE r.bench = b.bench) + (SELECT count(*) FROM notes n WHERE n.bench = b.bench)) \
             FROM benches b ORDER BY local DESC, bench",
        )?;
    let rows = query.query_map([], |row| {
        Ok(VerifiedChain {
            bench: row.get(0)?,
            name: row.get(1)?,
            local: row.get::<_, i64>(2)? == 1,
            complete: row.get::<_, i64>(3)? == 1,
            last_number: row.get::<_, i64>(6)?.try_into().unwrap_or(0),
            last: row.get::<_, i64>(4)?.try_into().unwrap_or(0),
            seal: row.get(5)?,
            signed: SignedChain::default(),
        })
    })?;
    rows.collect()
}

/// How much of each record is looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum WalkDepth {
    /// Its columns and its seal.
    Seals,
    /// Its recording too.
    Recordings,
    /// And that is replayed.
    Replay,
}

impl WalkDepth {
    const fn of(replay: bool) -> Self {
        if replay { Self::Replay } else { Self::Recordings }
    }
}

/// A walk along a chain: what came last, and what must follow it.
#[derive(Debug)]
pub struct ChainWalk {
    bench: String,
    name: String,
    /// Whether every record from 1 on must be there.
    complete: bool,
    last: (i64, String),
    here: u64,
}

impl ChainWalk {
    /// Before the first record of a bench.
    pub fn new(bench: &str, name: &str, complete: bool) -> Self {
        Self { bench: bench.into(), name: name.into(), complete, last: (0, genesis(bench)), here: 0 }
    }

    /// Number and seal of the last record that was passed.
    pub const fn last(&self) -> (i64, &String) {
        (self.last.0, &self.last.1)
    }

    /// How many records were passed.
    pub const fn passed(&self) -> u64 {
        self.here
    }

    /// A record of this chain that is not valid.
    pub fn broken(&self, number: i64, what: impl Into<String>) -> BrokenRecord {
        BrokenRecord { bench: self.bench.clone(), name: self.name.clone(), number, what: what.into() }
    }

    /// The next records, from wherever they are kept: each by itself, and in its place.
    pub fn next_records(&mut self, records: &[TransferRecord], replay: bool) -> Option<BrokenRecord> {
        let faults = faults(records.iter().map(|record| &record.sealed).collect(), WalkDepth::of(replay));
        records
            .iter()
            .zip(faults)
            .find_map(|(record, fault)| self.step(&record.sealed, fault.or_else(|| record.altered().map(Into::into))))
    }

    /// The next record, with what is wrong with it by itself.
    fn step(&mut self, sealed: &SealedRecord, fault: Option<String>) -> Option<BrokenRecord> {
        let number = sealed.number();
        if number > self.last.0 + 1 && self.complete {
            return Some(self.missing_to(number - 1, ""));
        }
        if number <= self.last.0 {
            return Some(self.broken(number, "is there twice"));
        }
        if let Some(what) = fault {
            return Some(self.broken(number, what));
        }
        if number == self.last.0 + 1 && sealed.text("previous") != self.last.1 {
            let what = "does not follow the record before it: one of them was replaced or reordered";
            return Some(self.broken(number, what));
        }
        self.last = (number, sealed.seal.clone());
        self.here += 1;
        None
    }

    fn missing_to(&self, to: i64, whence: &str) -> BrokenRecord {
        let from = self.last.0 + 1;
        let which = if to == from { "is missing".into() } else { format!("to {to} are missing") };
        self.broken(from, format!("{which}{whence}"))
    }

    /// Whether the chain ends where it is said to end.
    pub fn end(&self, number: i64, seal: &str) -> Option<BrokenRecord> {
        if number > self.last.0 {
            return Some(self.missing_to(number, " from the end of the chain"));
        }
        let same = (number, seal) == (self.last.0, self.last.1.as_str());
        (!same).then(|| self.broken(self.last.0, "is not the end that the chain is said to have"))
    }
}

/// What is wrong with each record by itself, on all cores.
fn faults(records: Vec<&SealedRecord>, depth: WalkDepth) -> Vec<Option<String>> {
    let replayed = |sealed: &SealedRecord| sealed.bytes.as_deref().and_then(intake::run_fault);
    let look = |sealed: &SealedRecord| match depth {
        WalkDepth::Seals => sealed.seal_fault().map(Into::into),
        WalkDepth::Recordings => fault_of(sealed),
        WalkDepth::Replay => fault_of(sealed).or_else(|| replayed(sealed)),
    };
    records.into_par_iter().map(look).collect()
}

/// Walks a chain; its count becomes that of the records that are here.
fn walk(
    db: &Connection,
    chain: &mut VerifiedChain,
    depth: WalkDepth,
    checked: &mut u64,
    progress: &mut impl FnMut(u64) -> bool,
) -> rusqlite::Result<Option<BrokenRecord>> {
    let read = if depth == WalkDepth::Seals { SealedRecord::read_columns } else { SealedRecord::read };
    let mut walk = ChainWalk::new(&chain.bench, &chain.name, chain.complete);
    for places in RecordPlace::of_bench(db, &chain.bench)?.chunks(TOGETHER) {
        let records: Vec<SealedRecord> =
            places.iter().map(|place| read(db, *place)).collect::<rusqlite::Result<_>>()?;
        for (sealed, found) in records.iter().zip(faults(records.iter().collect(), depth)) {
            if let Some(broken) = walk.step(sealed, found) {
                return Ok(Some(broken));
            }
            let parts = if depth == WalkDepth::Seals { None } else { sealed.parts_fault(db)? };
            if let Some(what) = parts {
                return Ok(Some(walk.broken(sealed.number(), what)));
            }
        }
        *checked += records.len() as u64;
        if !progress(*checked) {
            break;
        }
    }
    let (ends_at, seal): (i64, String) =
        db.query_row("SELECT last_number, seal FROM benches WHERE bench = ?", [&chain.bench], |row| {
            Ok((row.get(0)?, row.get(1)?))
        })?;
    let interrupted = !progress(*checked);
    if !interrupted && let Some(broken) = walk.end(ends_at, &seal) {
        return Ok(Some(broken));
    }
    chain.last_number = walk.passed();
    Ok(None)
}

/// Whether the last signature of a chain holds: the seal that it is of covers what was before.
fn last_signature(db: &Connection, version: u32, chain: &VerifiedChain) -> rusqlite::Result<Option<BrokenRecord>> {
    let Some((number, what)) = last_signature_fault(db, version, &chain.bench)? else { return Ok(None) };
    Ok(Some(BrokenRecord { bench: chain.bench.clone(), name: chain.name.clone(), number, what }))
}

/// What is wrong with a record by itself.
fn fault_of(sealed: &SealedRecord) -> Option<String> {
    if let Some(what) = sealed.altered() {
        return Some(what.into());
    }
    // A note has no recording.
    let bytes = sealed.bytes.as_ref()?;
    let extract = match RecordingExtract::of(bytes) {
        Ok(extract) => extract,
        Err(why) => return Some(format!("has a recording that cannot be read: {why}")),
    };
    intake::column_fault(sealed, &extract)
}

/// What no seal covers and could hide a record: a bench that is not listed, a chain marked incomplete, a run marked as
/// a duplicate.
fn unsealed(db: &Connection, chains: &[VerifiedChain]) -> rusqlite::Result<Option<BrokenRecord>> {
    if let Some(own) = chains.iter().find(|chain| chain.local && !chain.complete) {
        let (bench, name, number) = (own.bench.clone(), own.name.clone(), own.last as i64);
        let what = "ends the file's own chain, which is said to be a selection and never is".into();
        return Ok(Some(BrokenRecord { bench, name, number, what }));
    }
    let looks = [
        (
            "SELECT bench, number FROM runs WHERE bench NOT IN (SELECT bench FROM benches) \
             UNION ALL SELECT bench, number FROM notes WHERE bench NOT IN (SELECT bench FROM benches)",
            "is of a bench that is not listed",
        ),
        (
            "SELECT bench, number FROM runs r WHERE duplicate <> 0 AND NOT EXISTS \
             (SELECT 1 FROM runs o WHERE o.recording = r.recording AND o.duplicate = 0)",
            "is left out of counts as if its recording were here as another run too, and it is not",
        ),
        (
            "SELECT bench, number FROM runs r WHERE duplicate = 0 AND EXISTS \
             (SELECT 1 FROM runs o WHERE o.recording = r.recording AND o.duplicate = 0 AND o.id < r.id)",
            "has a recording that is counted as another run too",
        ),
    ];
    for (text, what) in looks {
        let found = db
            .query_row(&format!("{text} LIMIT 1"), [], |row| Ok((row.get::<_, String>(0)?, row.get(1)?)))
            .optional()?;
        if let Some((bench, number)) = found {
            return Ok(Some(BrokenRecord { name: name_of(chains, &bench), bench, number, what: what.into() }));
        }
    }
    Ok(None)
}

fn name_of(chains: &[VerifiedChain], bench: &str) -> String {
    chains.iter().find(|chain| chain.bench == bench).map_or_else(|| bench.to_owned(), |chain| chain.name.clone())
}

/// Whether each batch is what was sealed when it was opened: its name, check digit, moment and list.
fn lists(db: &Connection, chains: &[VerifiedChain]) -> rusqlite::Result<Option<BrokenRecord>> {
    let mut query = db.prepare("SELECT bench, number, batch FROM notes WHERE kind = 'opened'")?;
    let row = |row: &rusqlite::Row<'_>| {
        Ok((row.get::<_, String>(0)?, row.get(1)?, row.get::<_, Option<String>>(2)?.unwrap_or_default()))
    };
    for row in query.query_map([], row)? {
        let (bench, number, batch) = row?;
        if let Some(what) = opening_fault(db, &batch, (&bench, number))? {
            let what = format!("opened a batch whose {what} was altered since");
            return Ok(Some(BrokenRecord { name: name_of(chains, &bench), bench, number, what }));
        }
    }
    Ok(None)
}

/// What of a batch is not as this record sealed it, if anything.
fn opening_fault(db: &Connection, batch: &str, (bench, number): (&str, i64)) -> rusqlite::Result<Option<&'static str>> {
    let text = "SELECT n.text, n.written_at, b.name, b.check_digit, b.opened_at \
                FROM notes n LEFT JOIN batches b ON b.batch = n.batch WHERE n.bench = ? AND n.number = ?";
    let mut query = db.prepare_cached(text)?;
    let [text, written_at, name, check_digit, opened_at] = query.query_row(params![bench, number], |row| {
        let word = |at: usize| row.get::<_, Option<String>>(at).map(Option::unwrap_or_default);
        Ok([word(0)?, word(1)?, word(2)?, word(3)?, word(4)?])
    })?;
    Ok(if !is_sealed_list(db, batch, &text)? {
        Some("list of valves")
    } else if !sealed_list::sealed_as(&text, &name, &check_digit) {
        Some("name or check digit")
    } else {
        (opened_at != written_at).then_some("moment of opening")
    })
}

/// Why a batch of another register cannot be taken from there, if so: it is not what was sealed when it was opened, or
/// nothing sealed says what it was.
pub(crate) fn batch_fault(db: &Connection, batch: &str) -> rusqlite::Result<Option<String>> {
    let mut query = db.prepare_cached("SELECT bench, number FROM notes WHERE kind = 'opened' AND batch = ?")?;
    let rows = query.query_map([batch], |row| Ok((row.get::<_, String>(0)?, row.get(1)?)))?;
    let openings: Vec<(String, i64)> = rows.collect::<rusqlite::Result<_>>()?;
    for (bench, number) in &openings {
        if let Some(what) = opening_fault(db, batch, (bench, *number))? {
            return Ok(Some(format!("its batch's {what} was altered since it was opened")));
        }
    }
    Ok(openings.is_empty().then(|| "the record that opened its batch is not there".into()))
}
