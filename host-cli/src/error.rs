//! Errors: what, where, the value, what is allowed, what to do next.

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

use seathold_quantity::InputError;
use seathold_recording::error::{FileError, reason};
use seathold_register::RegisterError;

use crate::exit::Exit;

/// Everything that ends a command early.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// Mistakes in the user's input: all of them, at once.
    #[error(transparent)]
    Input(#[from] InputError),
    /// A file could not be read, written or made.
    #[error(transparent)]
    File(#[from] FileError),
    /// A recording could not be used.
    #[error(transparent)]
    Recording(#[from] seathold_recording::Error),
    /// A register, or something for one, could not be used.
    #[error(transparent)]
    Register(#[from] seathold_register::Error),
    /// A run is recorded, but not in the register.
    #[error(
        "not in the register: {why}\n  \
         the run is not lost, its recording is complete: {}\n  \
         import it later: seathold register import {} --register {}",
        .recording.display(), .recording.display(), .register.display()
    )]
    NotRegistered {
        /// The recording, which is complete.
        recording: PathBuf,
        /// The register.
        register: PathBuf,
        /// Why.
        why: Box<Self>,
    },
    /// A run is recorded, and the gate of the register refused it.
    #[error("not in the register: {why}\n  the recording is kept there as it is, and counts for nothing")]
    Refused {
        /// Why.
        why: Box<Self>,
    },
    /// A controller cannot be reached, or is not in a state to do what was asked.
    #[error("{address}: {why}")]
    Rig {
        /// Where.
        address: String,
        /// What is wrong, and what to do.
        why: String,
    },
    /// An office could not be used, or what it has does not fit.
    #[error("{0}")]
    Office(String),
    /// The reader of our output has gone; not an error to the user.
    #[error("output was closed")]
    ClosedPipe,
    /// Our output could not be written.
    #[error("could not write output: {}", reason(.0))]
    Output(io::Error),
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

    /// Its words, without "command line" before them where the question has been put already.
    pub fn own_words(&self) -> String {
        self.to_string().trim_start_matches("command line: ").to_owned()
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
        Self::Register(seathold_register::Error::register(path, why))
    }

    /// Whether one file or recording cannot be used: no reason not to go on with the next.
    pub const fn is_of_one_file(&self) -> bool {
        use seathold_register::Error as Below;
        matches!(
            self,
            Self::File(_)
                | Self::Recording(_)
                | Self::Register(Below::File(_) | Below::Recording(_) | Below::Unreadable { .. })
        )
    }

    /// The exit code that belongs to it.
    pub const fn exit(&self) -> Exit {
        match self {
            Self::Input(_)
            | Self::Register(
                seathold_register::Error::Input(_)
                | seathold_register::Error::Register { why: RegisterError::Refused(_), .. },
            ) => Exit::BadInput,
            Self::Rig { .. } => Exit::NoVerdict,
            Self::File(_)
            | Self::Recording(_)
            | Self::Register(_)
            | Self::Office(_)
            | Self::Output(_)
            | Self::NotRegistered { .. }
            | Self::Refused { .. } => Exit::Storage,
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

impl From<seathold_config::Error> for Error {
    fn from(why: seathold_config::Error) -> Self {
        match why {
            seathold_config::Error::Input(why) => Self::Input(why),
            seathold_config::Error::File(why) => Self::File(why),
        }
    }
}
