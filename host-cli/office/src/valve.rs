//! What an office has of one valve: its runs, what was noted of it, and what its batches demand.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use seathold_register::signed::MergeTrust;
use seathold_register::staged::StagedBench;
use seathold_register::{Access, Register};

use crate::connect::Office;
use crate::error::Error;
use crate::read::{TextsRead, lots};

impl Office {
    /// Makes a register in a folder of what is here of a valve, through the gate, as a bundle of it would be merged.
    ///
    /// # Errors
    /// When the office cannot be read, or the folder not be written.
    pub fn valve_register(&mut self, serial: &str, folder: &Path, now: Timestamp) -> Result<Register, Error> {
        self.check_version()?;
        let of_valve = self.rows(
            "WITH own AS (SELECT bench, number, batch FROM seathold.runs WHERE serial = $1), \
             moved AS (SELECT bench, number, batch, about FROM seathold.notes WHERE kind = 'moved' AND serial = $1), \
             came AS (SELECT r.bench, r.number, r.batch FROM moved m JOIN seathold.runs r \
                      ON r.bench = split_part(m.about, '/', 1) AND r.number::text = split_part(m.about, '/', 2)) \
             SELECT bench, number, batch FROM own UNION SELECT bench, number, batch FROM came \
             UNION SELECT bench, number, batch FROM seathold.notes WHERE serial = $1 \
             UNION SELECT n.bench, n.number, n.batch FROM seathold.notes n WHERE n.kind IN ('struck', 'moved') \
             AND n.about IN (SELECT bench || '/' || number FROM own UNION SELECT bench || '/' || number FROM came)",
            &[&serial],
        )?;
        let mut wanted: BTreeMap<String, BTreeSet<i64>> = BTreeMap::new();
        let mut batches: BTreeSet<String> = BTreeSet::new();
        for row in &of_valve {
            wanted.entry(row.get(0)).or_default().insert(row.get(1));
            batches.extend(row.get::<_, Option<String>>(2));
        }
        let batches: Vec<String> = batches.into_iter().collect();
        // What is noted of a batch as a whole: its list, what it demands, its end.
        let of_batches = self
            .rows("SELECT bench, number FROM seathold.notes WHERE batch = ANY($1) AND serial IS NULL", &[&batches])?;
        for row in &of_batches {
            wanted.entry(row.get(0)).or_default().insert(row.get(1));
        }
        let names: BTreeMap<String, String> = self.benches()?.into_iter().collect();
        let benches: Vec<StagedBench> = wanted
            .keys()
            .map(|bench| StagedBench { bench: bench.clone(), name: names.get(bench).cloned().unwrap_or_default() })
            .collect();
        let mut texts = TextsRead::default();
        let mut records = Vec::new();
        for (bench, numbers) in &wanted {
            let numbers: Vec<i64> = numbers.iter().copied().collect();
            let places = self.places_of(bench, &numbers)?;
            for lot in lots(&places) {
                records.extend(self.records(bench, lot, &mut texts)?);
            }
        }
        let staged = Register::staged(&folder.join("staged.sqlite"), &self.to_string(), &benches, &records)?;
        let mut register = Register::open_named(&folder.join("valve.sqlite"), Access::Make, "office")?;
        register.merge_staged(&staged, &MergeTrust::everything(), now)?;
        register.call(PathBuf::from(self.to_string()));
        Ok(register)
    }
}
