//! Recordings: everything a run read, set and said, so that replaying one *is* running the sequencer again.
//!
//! The format is written down byte by byte in docs/record-format.md. [`tree`] turns values into self-describing trees,
//! [`polls`] packs polls into columns, [`frame`] puts both on disk with a checksum each, [`Writer`] and [`read`] are
//! the two ends.

pub mod frame;
mod happened;
pub mod header;
mod nibbles;
pub mod polls;
mod reader;
pub mod tree;
mod writer;

pub use frame::Damage;
pub use happened::{Happened, Written};
pub use header::Header;
pub use reader::{Recording, header_as_recorded, read, read_bytes};
pub use writer::Writer;

/// One poll as recorded.
pub use seathold_sequencer::link::polls::Poll;
use serde::{Deserialize, Serialize};

/// File name ending of a whole recording.
pub const EXTENSION: &str = "hold";

/// Why a recording does not hang together at some place. No verdict may rest on what comes after it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Why {
    /// The controller's memory ran out before the host had everything: so many records of the link are gone.
    Gap {
        /// Records that are gone.
        records: u32,
    },
    /// The controller was reset, or its sequencer began afresh.
    Restarted,
    /// The controller did or said something else than this program's sequencer does with the same inputs.
    Differs,
}

impl std::fmt::Display for Why {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Gap { records } => {
                write!(f, "GAP: the controller's memory ran out, {records} records of the link are gone")
            }
            Self::Restarted => write!(f, "RESET: the controller began anew in the middle of the run"),
            Self::Differs => {
                write!(
                    f,
                    "DIFFERS: the controller does not do what this program's sequencer does with the same readings"
                )
            }
        }
    }
}

/// A place where a recording does not hang together.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Break {
    /// Polls before it.
    pub polls: u64,
    /// Why.
    pub why: Why,
}
