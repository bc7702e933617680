//! Where a bench's register and the office part: one of them was restored from a copy, or two registers pass for one bench.

use seathold_register::Register;

use crate::connect::Office;
use crate::error::Error;

/// What the office has of a bench.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct OfficeEnd {
    /// Number of the last record, 0 where there is none.
    pub(crate) number: i64,
    pub(crate) seal: String,
}

impl Office {
    /// The end of a bench's chain here.
    pub(crate) fn end_of(&mut self, bench: &str) -> Result<OfficeEnd, Error> {
        self.end_by("SELECT number, seal FROM seathold.records WHERE bench = $1 ORDER BY number DESC LIMIT 1", bench)
    }

    /// The end that it had after the last push.
    pub(crate) fn head_of(&mut self, bench: &str) -> Result<OfficeEnd, Error> {
        self.end_by("SELECT number, seal FROM seathold.heads WHERE bench = $1 ORDER BY number DESC LIMIT 1", bench)
    }

    fn end_by(&mut self, query: &str, bench: &str) -> Result<OfficeEnd, Error> {
        let rows = self.rows(query, &[&bench])?;
        let none = || OfficeEnd { number: 0, seal: seathold_register::open::genesis(bench) };
        Ok(rows.first().map_or_else(none, |row| OfficeEnd { number: row.get(0), seal: row.get(1) }))
    }

    /// The seal of one record here.
    fn seal_here(&mut self, bench: &str, number: i64) -> Result<Option<String>, Error> {
        let rows =
            self.rows("SELECT seal FROM seathold.records WHERE bench = $1 AND number = $2", &[&bench, &number])?;
        Ok(rows.first().map(|row| row.get(0)))
    }

    /// The first record that is another here than in a register which has it; both have records to `last`, and those differ.
    /// Every seal covers the one before, so halving finds it.
    pub(crate) fn first_difference(&mut self, register: &Register, bench: &str, last: i64) -> Result<i64, Error> {
        let (mut same, mut other) = (0, last);
        while other - same > 1 {
            let between = same + (other - same) / 2;
            let equal = self.seal_here(bench, between)? == register.seal_of(bench, between)?;
            *(if equal { &mut same } else { &mut other }) = between;
        }
        Ok(other)
    }

    /// What is wrong where a register's chain and the one here do not fit, if anything. `end`: that of the chain here;
    /// `last`: number of the register's last record of it.
    pub(crate) fn fork(
        &mut self,
        register: &Register,
        bench: &str,
        name: &str,
        end: &OfficeEnd,
        last: i64,
    ) -> Result<Option<String>, Error> {
        let both = end.number.min(last);
        if both == 0 {
            return Ok(None);
        }
        let here = if both == end.number { Some(end.seal.clone()) } else { self.seal_here(bench, both)? };
        if here == register.seal_of(bench, both)? {
            return Ok(None);
        }
        let first = self.first_difference(register, bench, both)?;
        Ok(Some(format!(
            "bench {name} has another record {first} here than in {}: the two have a common beginning and then diverged, as \
             after restoring a copy of the register and going on with it. Nothing was sent or taken. Keep that file, make a \
             register with a bench of its own (`seathold register init`), and import into it what `seathold register \
             extract` gives of the runs from {first} on",
            register.path().display()
        )))
    }
}
