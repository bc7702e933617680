#![doc = include_str!("../README.md")]

pub mod key;
pub mod secret_file;

use std::path::Path;

use seathold_quantity::InputError;
use seathold_recording::error::FileError;

pub use key::{Locked, LockedKey, PublicKey, SigningKey, fingerprint, public_path};

/// A key could not be made, read or used.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// A file could not be read, written or made.
    #[error(transparent)]
    File(#[from] FileError),
    /// It is no key, or others can read it.
    #[error(transparent)]
    Input(#[from] InputError),
}

impl Error {
    fn file(action: &'static str, path: &Path, why: std::io::Error) -> Self {
        Self::File(FileError::new(action, path, why))
    }

    fn usage(message: impl Into<String>) -> Self {
        Self::Input(InputError::usage(message))
    }
}
