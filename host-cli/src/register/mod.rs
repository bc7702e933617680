//! The bench register: every valve, every run and every batch in one SQLite file.
//!
//! Its tables are a stated format that any SQLite tool reads: docs/register.md. A run holds the same bytes as its
//! stand-alone recording; values read from them are beside them in columns, for searching.
//!
//! | file | subject |
//! |---|---|
//! | `schema.sql`, [`open`] | the tables; opening, making and migrating a file |
//! | [`record`] | runs and notes as rows, and the seal over each |
//! | [`extract`] | a recording's columns from its bytes |
//! | `append` | appending a run or a note |
//! | [`query`] | finding runs, in flat memory |
//! | [`valves`] | batches, their lists of valves, and notes |
//! | [`verify`] | walking the chains |
//! | [`merge`] | other benches' registers, bundles, loose recordings |
//! | [`error`] | errors |
//!
//! ```no_run
//! use seathold::register::{Access, Register, RunFilter};
//!
//! let register = Register::open("bench.sqlite".as_ref(), Access::Read)?;
//! for run in register.runs(RunFilter { serial: Some("HM-002".into()), ..RunFilter::default() }) {
//!     let run = run?;
//!     let bytes = register.recording(run.id)?; // as in the stand-alone file
//!     println!("{} {:?}, {} bytes", run.started_at, run.verdict, bytes.len());
//! }
//! # Ok::<(), seathold::error::Error>(())
//! ```

mod append;
pub mod error;
pub mod extract;
pub mod merge;
pub mod open;
pub mod query;
pub mod record;
pub mod valves;
pub mod verify;

use std::path::{Path, PathBuf};

use rusqlite::Connection;

pub use append::{AppendedRun, NewNote, NoteKind, RunMeta, note_words};
pub use error::RegisterError;
pub(crate) use extract::word;
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
