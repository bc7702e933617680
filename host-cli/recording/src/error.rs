//! A recording that could not be read or written.

use std::io;
use std::path::{Path, PathBuf};

use crate::Damage;
use crate::plain::shown;

/// A file that could not be read, written or made.
#[derive(Debug, thiserror::Error)]
#[error("could not {action} {}: {}", shown(&.path.display().to_string()), reason(.why))]
pub struct FileError {
    /// What was tried: "read", "write", "make".
    pub action: &'static str,
    /// The file.
    pub path: PathBuf,
    /// Why.
    pub why: io::Error,
}

impl FileError {
    /// A file that could not be read, written or made.
    pub fn new(action: &'static str, path: &Path, why: io::Error) -> Self {
        Self { action, path: path.into(), why }
    }
}

/// Why a recording could not be used.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// Its file could not be read, written or made.
    #[error(transparent)]
    File(#[from] FileError),
    /// It is damaged, foreign or too new.
    #[error("{}: {why}", shown(&.path.display().to_string()))]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What and where.
        why: Damage,
    },
}

impl Error {
    /// A file that could not be read, written or made.
    pub fn file(action: &'static str, path: &Path, why: io::Error) -> Self {
        Self::File(FileError::new(action, path, why))
    }

    /// A recording that is damaged.
    pub fn damaged(path: &Path, why: Damage) -> Self {
        Self::Damaged { path: path.into(), why }
    }
}

/// The operating system's reason without its number.
pub fn reason(why: &io::Error) -> String {
    match why.kind() {
        io::ErrorKind::NotFound => "no such file or folder".into(),
        io::ErrorKind::PermissionDenied => "permission denied".into(),
        io::ErrorKind::AlreadyExists => "it exists already".into(),
        io::ErrorKind::IsADirectory => "it is a folder".into(),
        _ => why.to_string(),
    }
}
