//! A file of a person's that could not be used.

use std::fmt;
use std::io;
use std::path::Path;

use seathold_quantity::InputError;
use seathold_recording::FileError;

/// Why a file of a person's, or an option, could not be used.
#[derive(Debug)]
pub enum Error {
    /// Mistakes in it.
    Input(InputError),
    /// It could not be read, written or made.
    File(FileError),
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
}

impl From<InputError> for Error {
    fn from(why: InputError) -> Self {
        Self::Input(why)
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
            Self::Input(why) => why.fmt(f),
            Self::File(why) => why.fmt(f),
        }
    }
}

impl std::error::Error for Error {}
