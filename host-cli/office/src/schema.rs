//! The tables of an office, and the steps from one version of them to the next.

use crate::connect::Office;
use crate::error::Error;

/// Each takes the tables from one version to the next; released ones are never changed.
const MIGRATIONS: &[&str] = &[include_str!("schema_1.sql")];

/// The version written, and the newest one known.
pub const VERSION: i32 = MIGRATIONS.len() as i32;

/// The steps that follow a version, as SQL to be run as a whole; 0: of a database that has no such tables.
pub fn sql(after: i32) -> String {
    let steps = MIGRATIONS.iter().skip(usize::try_from(after).unwrap_or(0));
    let steps: Vec<&str> = steps.copied().collect();
    if steps.is_empty() { String::new() } else { format!("BEGIN;\n{}\nCOMMIT;\n", steps.join("\n")) }
}

impl Office {
    /// The version of the tables; 0 where there are none.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn version(&mut self) -> Result<i32, Error> {
        let there = self.row("SELECT to_regclass('seathold.version') IS NOT NULL", &[])?;
        if !there.get::<_, bool>(0) {
            return Ok(0);
        }
        let row = self.row("SELECT coalesce(max(version), 0) FROM seathold.version", &[])?;
        Ok(row.get(0))
    }

    /// Makes the tables, or brings them to this program's version: all of it or nothing. Gives the version that was there.
    ///
    /// # Errors
    /// When the database refuses, or has tables of a newer program.
    pub fn make_tables(&mut self) -> Result<i32, Error> {
        let before = self.version()?;
        if before > VERSION {
            return Err(self.newer(before));
        }
        if before < VERSION {
            self.script(&sql(before))?;
        }
        Ok(before)
    }

    /// Whether the tables are of a version that this program knows.
    ///
    /// # Errors
    /// When they are not.
    pub fn check_version(&mut self) -> Result<(), Error> {
        match self.version()? {
            VERSION => Ok(()),
            0 => Err(self.fault("has no tables of seathold: `seathold register office-tables` prints or makes them")),
            newer if newer > VERSION => Err(self.newer(newer)),
            older => Err(self.fault(&format!(
                "has tables of version {older}, and this program writes version {VERSION}: `seathold register \
                 office-tables` brings them up, by their owner"
            ))),
        }
    }

    fn newer(&self, version: i32) -> Error {
        self.fault(&format!(
            "has tables of version {version}, and this program knows versions up to {VERSION}: use a newer seathold"
        ))
    }
}
