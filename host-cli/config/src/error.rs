//! A file of a person's that could not be used.

use std::io;
use std::path::Path;

use seathold_quantity::InputError;
use seathold_recording::FileError;

/// Why a file of a person's, or an option, could not be used.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// Mistakes in it.
    #[error(transparent)]
    Input(#[from] InputError),
    /// It could not be read, written or made.
    #[error(transparent)]
    File(#[from] FileError),
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
