//! Which valve of a batch is under test, and by whom: two programs at one batch must not test the same.
//!
//! A claim is written in one transaction, so one of two that want the same valve gets it. It is no record and stands in
//! no chain. It holds for [`LEASE`] and is renewed while the valve is under test: that of a program that was killed
//! ends by itself.

use std::path::PathBuf;
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use jiff::{SignedDuration, Timestamp};
use rusqlite::{Connection, OptionalExtension, params};
use serde::Serialize;

use super::error::WithPath;
use super::transaction::{one, second, transact};
use super::{Access, Register};
use crate::error::Error;

/// How long a claim holds that is not renewed.
pub const LEASE: Duration = Duration::from_secs(120);
/// How often it is renewed: a few may fail, as while another program writes.
const RENEWED_EVERY: Duration = Duration::from_secs(20);

/// Somebody's claim to a valve.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Claim {
    /// UUID of the batch.
    pub batch: String,
    /// The valve.
    pub serial: String,
    /// UUID of the bench.
    pub bench: String,
    /// The program that holds it: a number of its own, new each time it is started.
    pub holder: String,
    /// Who tests; empty where not stated.
    pub operator: String,
    /// Since when.
    pub since: String,
}

/// A program that claims valves, and who works with it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Claimant {
    holder: String,
    operator: String,
}

impl Claimant {
    /// A program just started, for this person.
    pub fn new(operator: &str) -> Self {
        Self { holder: uuid::Uuid::now_v7().to_string(), operator: operator.to_owned() }
    }
}

/// What became of a claim.
#[derive(Debug)]
pub enum Claimed {
    /// The valve is the claimant's until this is dropped.
    Ours(HeldClaim),
    /// Another has it.
    Theirs(Claim),
}

/// A claim that is held, and renewed by a thread of its own. Given back when it is dropped.
#[derive(Debug)]
pub struct HeldClaim {
    path: PathBuf,
    batch: String,
    serial: String,
    holder: String,
    stop: Option<Sender<()>>,
    renewing: Option<JoinHandle<()>>,
}

fn lease(now: Timestamp) -> String {
    let lease = SignedDuration::try_from(LEASE).unwrap_or(SignedDuration::ZERO);
    second(now.checked_add(lease).unwrap_or(now))
}

const COLUMNS: &str = "batch, serial, bench, holder, operator, since";

fn from_row(row: &rusqlite::Row<'_>) -> rusqlite::Result<Claim> {
    Ok(Claim {
        batch: row.get(0)?,
        serial: row.get(1)?,
        bench: row.get(2)?,
        holder: row.get(3)?,
        operator: row.get(4)?,
        since: row.get(5)?,
    })
}

impl Register {
    /// Claims a valve of a batch, unless another has it.
    ///
    /// # Errors
    /// When the register cannot be written.
    pub fn claim(&mut self, claimant: &Claimant, batch: &str, serial: &str, now: Timestamp) -> Result<Claimed, Error> {
        let Claimant { holder, operator } = claimant;
        let (path, bench) = (self.path.clone(), self.bench.clone());
        let theirs = transact(&mut self.db, |change| {
            let text = format!(
                "SELECT {COLUMNS} FROM claims WHERE batch = ?1 AND serial = ?2 AND until > ?3 AND holder <> ?4"
            );
            let values = params![batch, serial, second(now), holder];
            if let Some(theirs) = change.query_row(&text, values, from_row).optional()? {
                return Ok(Some(theirs));
            }
            let text = "INSERT OR REPLACE INTO claims (batch, serial, bench, holder, operator, since, until) \
                        VALUES (?, ?, ?, ?, ?, ?, ?)";
            one(change.execute(text, params![batch, serial, bench, holder, operator, second(now), lease(now)])?)?;
            Ok(None)
        });
        Ok(match theirs.at(&path)? {
            Some(theirs) => Claimed::Theirs(theirs),
            None => Claimed::Ours(HeldClaim::new(path, (batch, serial, holder), now, RENEWED_EVERY)),
        })
    }

    /// Ends a claim whose program is known to be dead: it was not made after the run that it left, begun at this moment.
    ///
    /// # Errors
    /// When the register cannot be written.
    pub fn end_claim_of_dead(&mut self, batch: &str, serial: &str, run_began: &str) -> Result<(), Error> {
        let (path, bench) = (self.path.clone(), self.bench.clone());
        let text = "DELETE FROM claims WHERE batch = ? AND serial = ? AND bench = ? AND since <= ?";
        transact(&mut self.db, |change| change.execute(text, params![batch, serial, bench, run_began]).map(|_| ()))
            .at(&path)
    }

    /// The valves of a batch that others than this claimant have under test.
    ///
    /// # Errors
    /// When the register cannot be read.
    pub fn claimed_by_others(&self, claimant: &Claimant, batch: &str, now: Timestamp) -> Result<Vec<Claim>, Error> {
        if !self.has_quarantine() {
            return Ok(Vec::new());
        }
        let all = || -> rusqlite::Result<Vec<Claim>> {
            let text =
                format!("SELECT {COLUMNS} FROM claims WHERE batch = ? AND until > ? AND holder <> ? ORDER BY serial");
            let mut query = self.db.prepare_cached(&text)?;
            query.query_map(params![batch, second(now), claimant.holder], from_row)?.collect()
        };
        all().at(&self.path)
    }
}

impl HeldClaim {
    fn new(path: PathBuf, (batch, serial, holder): (&str, &str, &str), now: Timestamp, every: Duration) -> Self {
        let (stop, stopped) = channel();
        let (batch, serial, holder) = (batch.to_owned(), serial.to_owned(), holder.to_owned());
        let (file, of) = (path.clone(), (batch.clone(), serial.clone(), holder.clone()));
        let renewing = std::thread::spawn(move || {
            let begun = Instant::now();
            while stopped.recv_timeout(every) == Err(RecvTimeoutError::Timeout) {
                // The claim's own clock goes on from the moment it was made at.
                let passed = SignedDuration::try_from(begun.elapsed()).unwrap_or(SignedDuration::ZERO);
                let until = lease(now.checked_add(passed).unwrap_or(now));
                // The next turn comes well before the claim ends.
                let _ = Register::open(&file, Access::Write).and_then(|register| {
                    let text = "UPDATE claims SET until = ? WHERE batch = ? AND serial = ? AND holder = ?";
                    register.db.execute(text, params![until, of.0, of.1, of.2]).at(&file)
                });
            }
        });
        Self { path, batch, serial, holder, stop: Some(stop), renewing: Some(renewing) }
    }

    fn give_back(&self) -> Result<(), Error> {
        let register = Register::open(&self.path, Access::Write)?;
        release(&register.db, self).at(&self.path)
    }
}

fn release(db: &Connection, held: &HeldClaim) -> rusqlite::Result<()> {
    let text = "DELETE FROM claims WHERE batch = ? AND serial = ? AND holder = ?";
    db.execute(text, params![held.batch, held.serial, held.holder]).map(|_| ())
}

impl Drop for HeldClaim {
    fn drop(&mut self) {
        self.stop = None;
        if let Some(renewing) = self.renewing.take() {
            // It only waits and writes.
            let _ = renewing.join();
        }
        // If it cannot be given back it ends by itself.
        let _ = self.give_back();
    }
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;
    use std::sync::Barrier;

    use super::*;
    use crate::valves::ValveRecord;

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    fn batch(path: &std::path::Path, valves: usize) -> String {
        let mut register = Register::open(path, Access::Make).unwrap();
        let valve = |n| ValveRecord { serial: format!("HM-{n:03}"), ..ValveRecord::default() };
        let valves: Vec<_> = (1..=valves).map(valve).collect();
        register.open_batch("spring", &valves, "", "Ada", at("2026-03-02T09:00:00Z")).unwrap().batch
    }

    /// Two connections in lock step, each taking the first valve it gets: none is taken twice, and the other learns
    /// who has it.
    #[test]
    fn in_lock_step_no_valve_is_taken_twice() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("bench.sqlite");
        let batch = batch(&path, 60);
        let now = at("2026-03-02T10:00:00Z");
        let step = Barrier::new(2);
        let one = |name: &str| {
            let mut register = Register::open(&path, Access::Write).unwrap();
            let claimant = Claimant::new(name);
            let (mut held, mut refused) = (Vec::new(), 0);
            for _ in 0..30 {
                step.wait();
                for n in 1..=60 {
                    let serial = format!("HM-{n:03}");
                    if held.iter().any(|h: &HeldClaim| h.serial == serial) {
                        continue;
                    }
                    match register.claim(&claimant, &batch, &serial, now).unwrap() {
                        Claimed::Ours(claim) => {
                            held.push(claim);
                            break;
                        }
                        Claimed::Theirs(theirs) => {
                            assert!(theirs.operator != name && theirs.since == "2026-03-02T10:00:00Z");
                            refused += 1;
                        }
                    }
                }
                step.wait();
            }
            (held, refused)
        };
        let (first, second) = std::thread::scope(|scope| {
            let other = scope.spawn(|| one("Ben"));
            (one("Ada"), other.join().unwrap())
        });
        let taken: Vec<_> = first.0.iter().chain(&second.0).map(|held| held.serial.clone()).collect();
        assert_eq!((taken.len(), taken.iter().collect::<HashSet<_>>().len()), (60, 60));
        assert!(first.1 + second.1 > 0);
        drop((first, second));
        let register = Register::open(&path, Access::Read).unwrap();
        assert!(register.claimed_by_others(&Claimant::new(""), &batch, now).unwrap().is_empty());
    }

    /// However long the run takes, the claim goes on; and it is gone when the run is over.
    #[test]
    fn a_claim_that_is_held_is_renewed() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("bench.sqlite");
        let batch = batch(&path, 1);
        let mut register = Register::open(&path, Access::Write).unwrap();
        let (ada, now) = (Claimant::new("Ada"), at("2026-03-02T10:00:00Z"));
        let Claimed::Ours(first) = register.claim(&ada, &batch, "HM-001", now).unwrap() else { panic!() };
        std::mem::forget(first);
        let of = (batch.as_str(), "HM-001", ada.holder.as_str());
        let held = HeldClaim::new(path.clone(), of, now, Duration::from_millis(50));
        let until = || register.db.query_row("SELECT until FROM claims", [], |row| row.get::<_, String>(0)).optional();
        let begun = Instant::now();
        while until().unwrap().unwrap() <= lease(now) {
            assert!(begun.elapsed() < Duration::from_secs(30), "never renewed");
            std::thread::sleep(Duration::from_millis(50));
        }
        drop(held);
        assert_eq!(until().unwrap(), None);
    }

    /// One that was killed blocks nobody for long; one that is held is renewed.
    #[test]
    fn a_claim_ends_by_itself() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("bench.sqlite");
        let batch = batch(&path, 1);
        let mut register = Register::open(&path, Access::Write).unwrap();
        let (ada, ben) = (Claimant::new("Ada"), Claimant::new("Ben"));
        let (now, soon, later) = (at("2026-03-02T10:00:00Z"), at("2026-03-02T10:01:59Z"), at("2026-03-02T10:02:01Z"));
        let Claimed::Ours(held) = register.claim(&ada, &batch, "HM-001", now).unwrap() else { panic!() };
        // As if the program had been killed: nothing is given back.
        std::mem::forget(held);
        assert!(matches!(register.claim(&ben, &batch, "HM-001", soon).unwrap(), Claimed::Theirs(_)));
        // The same session may go on.
        assert!(matches!(register.claim(&ada, &batch, "HM-001", now).unwrap(), Claimed::Ours(_)));
        let Claimed::Ours(held) = register.claim(&ada, &batch, "HM-001", now).unwrap() else { panic!() };
        std::mem::forget(held);
        assert_eq!(register.claimed_by_others(&ben, &batch, soon).unwrap().len(), 1);
        assert!(register.claimed_by_others(&ben, &batch, later).unwrap().is_empty());
        assert!(matches!(register.claim(&ben, &batch, "HM-001", later).unwrap(), Claimed::Ours(_)));
    }
}
