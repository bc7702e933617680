#![doc = include_str!("../README.md")]

pub mod bounds;
pub mod error;
mod event_log;
pub mod file;
pub mod frame;
pub mod hash;
pub mod header;
pub mod limits;
mod nibbles;
pub mod plain;
mod poll_log;
pub mod polls;
mod reader;
pub mod replay;
mod summary;
pub mod timeline;
pub mod value;
mod watch;
mod writer;

pub use error::{Error, FileError};
pub use event_log::{EncodedEvent, EventLog};
pub use frame::Damage;
pub use header::Header;
pub use poll_log::{PollCursor, PollIter, PollLog};
pub use reader::{Recording, file_bytes, header_as_recorded, read, read_bytes};
pub use summary::Summary;
pub use watch::Watch;
pub use writer::Writer;

/// One poll as recorded.
pub use seathold_sequencer::link::polls::Poll;
use serde::{Deserialize, Serialize};

/// File name ending of a complete recording.
pub const EXTENSION: &str = "hold";

/// Why a recording is not continuous at some point. No verdict may rest on what comes after it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Discontinuity {
    /// The controller's memory ran out before the host had everything: so many records of the link are gone.
    Gap {
        /// Records that are gone.
        records: u32,
    },
    /// The controller was reset, or its sequencer was restarted.
    Restarted,
    /// The controller's outputs or events differ from those of this program's sequencer with the same inputs.
    Differs,
    /// The controller was given a command that this program did not send.
    ForeignCommand,
    /// The operator's abort did not reach the controller in time.
    AbortLost,
}

impl Discontinuity {
    /// Whether no verdict may rest on what came before it either.
    pub const fn voids(self) -> bool {
        matches!(self, Self::Differs | Self::ForeignCommand | Self::AbortLost)
    }
}

impl std::fmt::Display for Discontinuity {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Gap { records } => {
                write!(f, "GAP: the controller's memory ran out, {records} records of the link are gone")
            }
            Self::Restarted => write!(f, "RESET: the controller was restarted in the middle of the run"),
            Self::ForeignCommand => {
                write!(f, "COMMAND: the controller was given a command that this program did not send")
            }
            Self::AbortLost => write!(f, "ABORT LOST: the operator aborted, and the controller was not reached"),
            Self::Differs => {
                write!(
                    f,
                    "DIFFERS: the controller does not do what this program's sequencer does with the same readings"
                )
            }
        }
    }
}

/// A point where a recording is not continuous.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RecordingGap {
    /// Polls before it.
    pub polls: u64,
    /// Why.
    pub why: Discontinuity,
}
