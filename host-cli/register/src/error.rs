//! Errors of a register, in words.

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

use rusqlite::ErrorCode;
use seathold_quantity::InputError;
use seathold_recording::plain::shown;
use seathold_recording::{Damage, FileError};

/// Why a register could not be used.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum RegisterError {
    /// There is no such file.
    Missing,
    /// Not a register.
    Foreign,
    /// Made by a newer program.
    Newer(u32),
    /// Another program has held it past the time-out.
    Locked,
    /// No room.
    Full,
    /// May not be written.
    ReadOnly,
    /// Cannot be opened or made there.
    CannotOpen,
    /// Damaged.
    Damaged(String),
    /// Refused: the request contradicts what is there.
    Refused(String),
    /// The disk failed.
    Disk(String),
    /// Any other SQLite error.
    Other(String),
}

impl fmt::Display for RegisterError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Missing => write!(f, "there is no such register; `seathold register init FILE` makes one"),
            Self::Foreign => write!(f, "not a seathold register; it has been left as it is"),
            Self::Newer(version) => write!(
                f,
                "written in register format {version}, and this program knows formats up to {}: use a newer seathold",
                super::schema::VERSION
            ),
            Self::Locked => write!(f, "another program has held it for too long; try again"),
            Self::Full => write!(f, "no room left on the disk; nothing of this was written, and all before is intact"),
            Self::ReadOnly => write!(f, "may only be read: check the permissions of the file and its folder"),
            Self::CannotOpen => write!(f, "cannot be opened or made there: check the folder and its permissions"),
            Self::Damaged(why) => write!(f, "damaged: {why}"),
            Self::Refused(why) => write!(f, "{why}"),
            Self::Disk(why) => write!(
                f,
                "could not be written ({why}): the disk may be full, over a quota or gone; nothing of this was written"
            ),
            Self::Other(why) => write!(f, "{why}"),
        }
    }
}

impl From<&rusqlite::Error> for RegisterError {
    fn from(why: &rusqlite::Error) -> Self {
        let text = why.to_string();
        match why.sqlite_error_code() {
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => Self::Locked,
            Some(ErrorCode::DiskFull) => Self::Full,
            Some(ErrorCode::ReadOnly) => Self::ReadOnly,
            Some(ErrorCode::CannotOpen | ErrorCode::PermissionDenied) => Self::CannotOpen,
            Some(ErrorCode::NotADatabase) => Self::Foreign,
            Some(ErrorCode::DatabaseCorrupt) => Self::Damaged(text),
            Some(ErrorCode::SystemIoFailure) => Self::Disk(text),
            _ => match why {
                rusqlite::Error::StatementChangedRows(_) => Self::Damaged(
                    "what was written is not there afterwards: a trigger that is not ours? `seathold register verify` \
                     names it; nothing of this was written"
                        .into(),
                ),
                // A column of another type than it was declared with: the tables are not as we make them.
                rusqlite::Error::InvalidColumnType(..) | rusqlite::Error::FromSqlConversionFailure(..) => {
                    Self::Damaged(text)
                }
                _ => Self::Other(text),
            },
        }
    }
}

/// Adds the register's path to an SQLite error.
pub(crate) trait WithPath<T> {
    /// The same with an error of ours.
    fn at(self, path: &Path) -> Result<T, Error>;
}

impl<T> WithPath<T> for rusqlite::Result<T> {
    fn at(self, path: &Path) -> Result<T, Error> {
        self.map_err(|why| Error::register(path, RegisterError::from(&why)))
    }
}

/// Why something of a register, a list or a recording could not be used.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// Mistakes in a list or an option.
    #[error(transparent)]
    Input(#[from] InputError),
    /// A file could not be read, written or made.
    #[error(transparent)]
    File(#[from] FileError),
    /// A recording could not be used.
    #[error(transparent)]
    Recording(#[from] seathold_recording::Error),
    /// The gate refused it, and it is in quarantine.
    #[error("{name}: {reason}; it is in quarantine as {id} (`seathold register quarantine list`)")]
    Quarantined {
        /// What was to be added.
        name: String,
        /// Why not.
        reason: String,
        /// Its number in quarantine.
        id: i64,
    },
    /// A record is there and cannot be shown.
    #[error("record {record} is unreadable: {why}")]
    Unreadable {
        /// Which, as `BENCH/NUMBER`.
        record: String,
        /// Why.
        why: String,
    },
    /// A register could not be used.
    #[error("{}: {why}", shown(&.path.display().to_string()))]
    Register {
        /// The file.
        path: PathBuf,
        /// Why.
        why: RegisterError,
    },
}

impl From<seathold_signing::Error> for Error {
    fn from(why: seathold_signing::Error) -> Self {
        match why {
            seathold_signing::Error::File(why) => Self::File(why),
            seathold_signing::Error::Input(why) => Self::Input(why),
        }
    }
}

impl Error {
    /// One mistake on the command line.
    pub fn usage(message: impl Into<String>) -> Self {
        Self::Input(InputError::usage(message))
    }

    /// A file that could not be read, written or made.
    pub fn file(action: &'static str, path: &Path, why: io::Error) -> Self {
        Self::File(FileError::new(action, path, why))
    }

    /// A recording that is damaged.
    pub fn damaged(path: &Path, why: Damage) -> Self {
        Self::Recording(seathold_recording::Error::damaged(path, why))
    }

    /// A register that could not be used.
    pub fn register(path: &Path, why: RegisterError) -> Self {
        Self::Register { path: path.into(), why }
    }
}
