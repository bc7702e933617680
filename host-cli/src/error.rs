//! Errors: what, where, the value, what is allowed, what to do next.

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

use crate::exit::Exit;

/// One mistake in the user's input.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct InputProblem {
    /// Line in the file, where there is one.
    pub line: Option<usize>,
    /// What is wrong; begins with the field's name.
    pub message: String,
}

/// Everything that ends a command early.
#[derive(Debug)]
pub enum Error {
    /// Mistakes in the user's input: all of them, at once.
    Input {
        /// The file, or "command line".
        origin: String,
        /// Each mistake.
        problems: Vec<InputProblem>,
    },
    /// A file could not be read, written or made.
    File {
        /// What was tried: "read", "write", "make".
        action: &'static str,
        /// The file.
        path: PathBuf,
        /// Why.
        why: io::Error,
    },
    /// A recording is damaged, foreign or too new.
    Recording {
        /// The file.
        path: PathBuf,
        /// What and where.
        why: crate::recording::Damage,
    },
    /// A register could not be used.
    Register {
        /// The file.
        path: PathBuf,
        /// Why.
        why: crate::register::RegisterError,
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
        Self::Input {
            origin: "command line".into(),
            problems: vec![InputProblem { line: None, message: message.into() }],
        }
    }

    /// A controller that cannot be reached or used.
    pub fn rig(address: impl fmt::Display, why: impl fmt::Display) -> Self {
        Self::Rig { address: address.to_string(), why: why.to_string() }
    }

    /// A file that could not be read, written or made.
    pub fn file(action: &'static str, path: &Path, why: io::Error) -> Self {
        Self::File { action, path: path.into(), why }
    }

    /// A register that could not be used.
    pub fn register(path: &Path, why: crate::register::RegisterError) -> Self {
        Self::Register { path: path.into(), why }
    }

    /// The exit code that belongs to it.
    pub const fn exit(&self) -> Exit {
        match self {
            Self::Input { .. } | Self::Register { why: crate::register::RegisterError::Refused(_), .. } => {
                Exit::BadInput
            }
            Self::Rig { .. } => Exit::NoVerdict,
            Self::File { .. }
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

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Input { origin, problems } => {
                if let [one] = problems.as_slice() {
                    let line = one.line.map(|n| format!(" line {n}:")).unwrap_or_default();
                    return write!(f, "{origin}:{line} {}", one.message);
                }
                write!(f, "{origin}: {} mistakes", problems.len())?;
                for problem in problems {
                    match problem.line {
                        Some(line) => write!(f, "\n  line {line}: {}", problem.message)?,
                        None => write!(f, "\n  {}", problem.message)?,
                    }
                }
                Ok(())
            }
            Self::File { action, path, why } => write!(f, "could not {action} {}: {}", path.display(), reason(why)),
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

/// The operating system's reason without its number.
fn reason(why: &io::Error) -> String {
    match why.kind() {
        io::ErrorKind::NotFound => "no such file or folder".into(),
        io::ErrorKind::PermissionDenied => "permission denied".into(),
        io::ErrorKind::AlreadyExists => "it exists already".into(),
        io::ErrorKind::IsADirectory => "it is a folder".into(),
        _ => why.to_string(),
    }
}

/// "; did you mean "x"?" when a known name is close to what was typed.
pub fn did_you_mean<'a>(typed: &str, known: impl Iterator<Item = &'a str>) -> String {
    known
        .map(|name| (strsim::jaro_winkler(typed, name), name))
        .filter(|(likeness, _)| *likeness > 0.75)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, name)| format!("; did you mean \"{name}\"?"))
        .unwrap_or_default()
}
