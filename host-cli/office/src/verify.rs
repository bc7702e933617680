//! Walking the chains that the office has, with the register's own walk: every seal, position, column and recording.

use seathold_register::Register;
use seathold_register::verify::{BrokenRecord, ChainWalk};

use crate::connect::Office;
use crate::error::Error;
use crate::read::{TextsRead, lots};

/// A chain of the office that is valid.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OfficeChain {
    /// UUID of the bench.
    pub bench: String,
    /// Its name.
    pub name: String,
    /// Its records.
    pub records: u64,
    /// Seal of the last.
    pub seal: String,
    /// How many more the register has that it was compared with; `None` where that has none of the bench.
    pub unsent: Option<i64>,
}

/// The result of verifying an office.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum OfficeVerification {
    /// Every record is as it was written.
    Valid(Vec<OfficeChain>),
    /// This one is not; those after it were not looked at.
    Broken(BrokenRecord),
    /// The records are, but the tables are not as they were made.
    Unsound(String),
    /// It was ended early.
    Stopped,
}

impl Office {
    /// Walks every chain that this login may read, and holds its end against the heads that were kept with each push, and
    /// against a register. With `replay` each recording must pass the gate again. `progress` gets how many records were
    /// checked, and ends it by `false`.
    ///
    /// # Errors
    /// When the office cannot be read.
    pub fn verify(
        &mut self,
        replay: bool,
        register: Option<&Register>,
        mut progress: impl FnMut(u64) -> bool,
    ) -> Result<OfficeVerification, Error> {
        self.check_version()?;
        // One snapshot: what is sent meanwhile is not checked.
        self.script("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY")?;
        let found = self.walk_all(replay, register, &mut progress);
        if found.is_ok() {
            self.script("COMMIT")?;
        }
        found
    }

    fn walk_all(
        &mut self,
        replay: bool,
        register: Option<&Register>,
        progress: &mut impl FnMut(u64) -> bool,
    ) -> Result<OfficeVerification, Error> {
        let (mut chains, mut checked) = (Vec::new(), 0);
        let mut texts = TextsRead::default();
        for (bench, name) in self.benches()? {
            let mut walk = ChainWalk::new(&bench, &name, true);
            let mut after = 0;
            loop {
                let places = self.places(&bench, after)?;
                let Some(newest) = places.last() else { break };
                after = newest.number;
                for lot in lots(&places) {
                    let records = self.records(&bench, lot, &mut texts)?;
                    if let Some(broken) = walk.next_records(&records, replay) {
                        return Ok(OfficeVerification::Broken(broken));
                    }
                    // One that has lost its content is missed by its number only where another follows.
                    if let Some(last) = lot.last().filter(|last| last.number != walk.last().0) {
                        return Ok(OfficeVerification::Broken(walk.broken(last.number, "has lost its content")));
                    }
                    checked += records.len() as u64;
                    if !progress(checked) {
                        return Ok(OfficeVerification::Stopped);
                    }
                }
            }
            if let Some(broken) = self.end_fault(&bench, &walk)? {
                return Ok(OfficeVerification::Broken(broken));
            }
            let unsent = match compared(register, &bench, &walk)? {
                Ok(unsent) => unsent,
                Err(broken) => return Ok(OfficeVerification::Broken(broken)),
            };
            let seal = walk.last().1.clone();
            chains.push(OfficeChain { bench, name, records: walk.passed(), seal, unsent });
        }
        if let Some(missing) = self.bench_missing(register, &chains)? {
            return Ok(OfficeVerification::Broken(missing));
        }
        Ok(match self.table_fault()? {
            Some(what) => OfficeVerification::Unsound(what),
            None => OfficeVerification::Valid(chains),
        })
    }

    /// Whether the chain ends where the last push left it, and has every head on the way.
    fn end_fault(&mut self, bench: &str, walk: &ChainWalk) -> Result<Option<BrokenRecord>, Error> {
        let head = self.head_of(bench)?;
        if let Some(broken) = walk.end(head.number, &head.seal) {
            return Ok(Some(broken));
        }
        let rows = self.rows(
            "SELECT h.number FROM seathold.heads h LEFT JOIN seathold.records r ON r.bench = h.bench AND r.number = h.number \
             WHERE h.bench = $1 AND r.seal IS DISTINCT FROM h.seal ORDER BY h.number LIMIT 1",
            &[&bench],
        )?;
        Ok(rows.first().map(|row| walk.broken(row.get(0), "is another than when it was pushed")))
    }

    /// A bench whose records the register has from here, and which is not here any more.
    fn bench_missing(
        &mut self,
        register: Option<&Register>,
        chains: &[OfficeChain],
    ) -> Result<Option<BrokenRecord>, Error> {
        let Some(register) = register else { return Ok(None) };
        if !self.reads_all()? {
            return Ok(None);
        }
        let here = register.chains()?;
        let missing = here.into_iter().find(|chain| {
            !chain.local && chain.complete && chain.last > 0 && chains.iter().all(|there| there.bench != chain.bench)
        });
        Ok(missing.map(|chain| {
            let walk = ChainWalk::new(&chain.bench, &chain.name, true);
            walk.broken(1, format!("to {} are in {} and not here", chain.last, register.path().display()))
        }))
    }

    /// The record with this seal, or with this beginning of one, as `BENCH/NUMBER`.
    ///
    /// # Errors
    /// When the office cannot be read.
    pub fn record_sealed(&mut self, head: &str) -> Result<Option<String>, Error> {
        let text = "SELECT bench || '/' || number FROM seathold.records WHERE starts_with(seal, $1) LIMIT 1";
        let rows = self.rows(text, &[&head.to_lowercase()])?;
        Ok(rows.first().map(|row| row.get(0)))
    }
}

/// Holds the end of a chain that was walked against a register: how many more that has, or what does not fit.
fn compared(
    register: Option<&Register>,
    bench: &str,
    walk: &ChainWalk,
) -> Result<Result<Option<i64>, BrokenRecord>, Error> {
    let Some(register) = register else { return Ok(Ok(None)) };
    let Some(chain) = register.chains()?.into_iter().find(|chain| chain.bench == bench) else { return Ok(Ok(None)) };
    let (number, seal) = walk.last();
    let last = i64::try_from(chain.last).unwrap_or(i64::MAX);
    let in_register = register.path().display();
    if number > 0
        && let Some(here) = register.seal_of(bench, number.min(last))?
    {
        // Of an earlier record only the register's walk knows the seal; the office is asked where the chain was longer there.
        if number <= last && here != *seal {
            return Ok(Err(walk.broken(number, format!("is another than in {in_register}"))));
        }
    }
    if last > number && !chain.local {
        let what =
            format!("to {last} are in {in_register} and not here: an end was cut off, or that came by another way");
        return Ok(Err(walk.broken(number + 1, what)));
    }
    Ok(Ok(Some((last - number).max(0))))
}
