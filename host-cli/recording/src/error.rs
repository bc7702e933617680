//! A recording that could not be read or written.

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

use crate::Damage;

/// A file that could not be read, written or made.
#[derive(Debug)]
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

impl fmt::Display for FileError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { action, path, why } = self;
        write!(f, "could not {action} {}: {}", path.display(), reason(why))
    }
}

impl std::error::Error for FileError {}

/// Why a recording could not be used.
#[derive(Debug)]
pub enum Error {
    /// Its file could not be read, written or made.
    File(FileError),
    /// It is damaged, foreign or too new.
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
}

impl From<FileError> for Error {
    fn from(why: FileError) -> Self {
        Self::File(why)
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::File(why) => why.fmt(f),
            Self::Damaged { path, why } => write!(f, "{}: {why}", path.display()),
        }
    }
}

impl std::error::Error for Error {}

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
