#![doc = include_str!("../README.md")]

mod append;
pub mod assembly;
pub mod backup;
pub mod batch;
pub mod claim;
pub mod correction;
pub mod customer;
pub mod error;
pub mod extract;
pub mod intake;
pub mod merge;
pub mod note;
pub mod open;
pub mod override_note;
pub mod photo;
pub mod quarantine;
pub mod query;
pub mod reason;
mod record;
mod schema;
pub mod signed;
mod soundness;
pub mod staged;
mod transaction;
pub mod transfer;
pub mod valves;
pub mod verify;

use std::path::{Path, PathBuf};

use rusqlite::Connection;

pub use append::{AppendedRun, RunMeta};
pub use error::{Error, RegisterError};
pub use extract::word;
pub use note::{NewNote, NoteKind, name_or_none, note_words};
pub use open::Access;
pub use query::{RunFilter, RunRow, RunRows, SideRow};

/// File name of a register where none is given.
pub const DEFAULT_NAME: &str = "bench.sqlite";
/// Environment variable that names the register.
pub const VARIABLE: &str = "SEATHOLD_REGISTER";

/// An open register. One for each thread: SQLite serialises several of them, also of several processes.
#[derive(Debug)]
pub struct Register {
    db: Connection,
    path: PathBuf,
    /// UUID of the file's own bench.
    bench: String,
    /// Version of its tables: an older file is read as it is.
    version: u32,
    /// The key that its own records are signed with.
    signer: signed::BenchSigner,
}

impl Register {
    /// The file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// UUID of the bench that this file belongs to.
    pub fn bench(&self) -> &str {
        &self.bench
    }

    /// Whether the file has the tables that came with version 2: quarantine and claims.
    pub(crate) fn has_quarantine(&self) -> bool {
        self.version >= 2
    }

    /// Whether the file has the table that came with version 4.
    pub(crate) fn has_signatures(&self) -> bool {
        self.version >= signed::SINCE
    }

    /// A record's name, `BENCH/NUMBER`, as short as it can be: the number for this bench, a few digits of the UUID for
    /// others.
    pub fn short(&self, name: &str) -> String {
        match name.split_once('/') {
            Some((bench, number)) if bench == self.bench => number.to_owned(),
            // The end of a UUID is its random part.
            Some((bench, number)) => format!("{}/{number}", bench.rsplit('-').next().unwrap_or(bench)),
            None => name.to_owned(),
        }
    }
}
