//! Errors: what, where, the value, what is allowed, what to do next.

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

use seathold_quantity::InputError;
use seathold_recording::Damage;
use seathold_recording::error::{FileError, reason};
use seathold_register::RegisterError;

use crate::exit::Exit;

/// Everything that ends a command early.
#[derive(Debug)]
pub enum Error {
    /// Mistakes in the user's input: all of them, at once.
    Input(InputError),
    /// A file could not be read, written or made.
    File(FileError),
    /// A recording is damaged, foreign or too new.
    Recording {
        /// The file.
        path: PathBuf,
        /// What and where.
        why: Damage,
    },
    /// A register could not be used.
    Register {
        /// The file.
        path: PathBuf,
        /// Why.
        why: RegisterError,
    },
    /// A run is recorded, but not in the register.
    NotRegistered {
        /// The recording, which is complete.
        recording: PathBuf,
        /// The register.
        register: PathBuf,
        /// Why.
        why: Box<Self>,
    },
    /// A controller cannot be reached, or is not in a state to do what was asked.
    Rig {
        /// Where.
        address: String,
        /// What is wrong, and what to do.
        why: String,
    },
    /// The reader of our output has gone; not an error to the user.
    ClosedPipe,
    /// Our output could not be written.
    Output(io::Error),
}

impl Error {
    /// One mistake on the command line.
    pub fn usage(message: impl Into<String>) -> Self {
        Self::Input(InputError::usage(message))
    }

    /// A controller that cannot be reached or used.
    pub fn rig(address: impl fmt::Display, why: impl fmt::Display) -> Self {
        Self::Rig { address: address.to_string(), why: why.to_string() }
    }

    /// A file that could not be read, written or made.
    pub fn file(action: &'static str, path: &Path, why: io::Error) -> Self {
        Self::File(FileError::new(action, path, why))
    }

    /// A register that could not be used.
    pub fn register(path: &Path, why: RegisterError) -> Self {
        Self::Register { path: path.into(), why }
    }

    /// The exit code that belongs to it.
    pub const fn exit(&self) -> Exit {
        match self {
            Self::Input(_) | Self::Register { why: RegisterError::Refused(_), .. } => Exit::BadInput,
            Self::Rig { .. } => Exit::NoVerdict,
            Self::File(_)
            | Self::Recording { .. }
            | Self::Register { .. }
            | Self::Output(_)
            | Self::NotRegistered { .. } => Exit::Storage,
            Self::ClosedPipe => Exit::Good,
        }
    }
}

/// Failures of our own streams.
impl From<io::Error> for Error {
    fn from(why: io::Error) -> Self {
        if why.kind() == io::ErrorKind::BrokenPipe { Self::ClosedPipe } else { Self::Output(why) }
    }
}

impl From<InputError> for Error {
    fn from(why: InputError) -> Self {
        Self::Input(why)
    }
}

impl From<seathold_recording::Error> for Error {
    fn from(why: seathold_recording::Error) -> Self {
        match why {
            seathold_recording::Error::File(why) => Self::File(why),
            seathold_recording::Error::Damaged { path, why } => Self::Recording { path, why },
        }
    }
}

impl From<seathold_config::Error> for Error {
    fn from(why: seathold_config::Error) -> Self {
        match why {
            seathold_config::Error::Input(why) => Self::Input(why),
            seathold_config::Error::File(why) => Self::File(why),
        }
    }
}

impl From<seathold_register::Error> for Error {
    fn from(why: seathold_register::Error) -> Self {
        match why {
            seathold_register::Error::Input(why) => Self::Input(why),
            seathold_register::Error::File(why) => Self::File(why),
            seathold_register::Error::Recording(why) => why.into(),
            seathold_register::Error::Register { path, why } => Self::Register { path, why },
        }
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
            Self::Recording { path, why } => write!(f, "{}: {why}", path.display()),
            Self::Register { path, why } => write!(f, "{}: {why}", path.display()),
            Self::NotRegistered { recording, register, why } => {
                writeln!(f, "not in the register: {why}")?;
                writeln!(f, "  the run is not lost, its recording is complete: {}", recording.display())?;
                let (recording, register) = (recording.display(), register.display());
                write!(f, "  import it later: seathold register import {recording} --register {register}")
            }
            Self::Rig { address, why } => write!(f, "{address}: {why}"),
            Self::ClosedPipe => write!(f, "output was closed"),
            Self::Output(why) => write!(f, "could not write output: {}", reason(why)),
        }
    }
}

impl std::error::Error for Error {}
