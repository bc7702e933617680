//! Exit codes that scripts can rely on. Documented in `--help` and docs/use.md.

use seathold_recording::{Discontinuity, Summary};
use seathold_sequencer::verdict::Verdict;

/// How the program ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Exit {
    /// Every side tight; or the command did what was asked.
    Good,
    /// Leaking.
    Leaking,
    /// Bad usage or bad input: nothing was run.
    BadInput,
    /// Undecided, void, refused or aborted: no verdict on the valve.
    NoVerdict,
    /// A safety fault ended the run.
    Fault,
    /// A replay differs from its recording.
    Differs,
    /// Something could not be read or written, or a recording is damaged.
    Storage,
}

/// Each code, for `--help` and the book.
pub const TABLE: &[(Exit, &str)] = &[
    (Exit::Good, "tight (or the command did what was asked)"),
    (Exit::Leaking, "leaking"),
    (Exit::BadInput, "bad usage or bad input; nothing was run"),
    (Exit::NoVerdict, "undecided, void, refused or aborted"),
    (Exit::Fault, "a safety fault ended the run"),
    (Exit::Differs, "a replay differs from its recording"),
    (Exit::Storage, "could not read or write a file, or a recording or register is damaged"),
];

impl Exit {
    /// The exit code that belongs to the outcome of a run.
    pub fn of(summary: &Summary) -> Self {
        if !summary.faults.is_empty() {
            return Self::Fault;
        }
        match summary.broken {
            Some(Discontinuity::Differs) => return Self::Differs,
            Some(Discontinuity::ForeignCommand | Discontinuity::AbortLost) => return Self::NoVerdict,
            Some(Discontinuity::Restarted) if summary.proved.is_none() => return Self::Fault,
            _ => {}
        }
        summary.proved.as_ref().map_or(Self::NoVerdict, |(verdict, _)| (*verdict).into())
    }

    /// The process's exit code.
    pub const fn code(self) -> u8 {
        match self {
            Self::Good => 0,
            Self::Leaking => 1,
            Self::BadInput => 2,
            Self::NoVerdict => 3,
            Self::Fault => 4,
            Self::Differs => 5,
            Self::Storage => 6,
        }
    }
}

impl From<Verdict> for Exit {
    fn from(verdict: Verdict) -> Self {
        match verdict {
            Verdict::Tight => Self::Good,
            Verdict::Leaking => Self::Leaking,
            Verdict::Undecided | Verdict::Void => Self::NoVerdict,
        }
    }
}

/// The table as printed under `--help`.
pub fn help() -> String {
    let mut text = String::from("Exit codes:\n");
    for (exit, about) in TABLE {
        text.push_str(&format!("  {}  {about}\n", exit.code()));
    }
    text
}
