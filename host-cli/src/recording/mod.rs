//! Recordings: everything a run read, set and said, so that replaying one *is* running the sequencer again.
//!
//! The format is written down byte by byte in docs/record-format.md. [`tree`] turns values into self-describing trees,
//! [`polls`] packs polls into columns, [`frame`] puts both on disk with a checksum each, [`Writer`] and [`read`] are
//! the two ends.

pub mod frame;
pub mod header;
mod nibbles;
pub mod polls;
mod reader;
pub mod tree;
mod writer;

pub use frame::Damage;
pub use header::Header;
pub use reader::{Recording, header_as_recorded, read, read_bytes};
pub use writer::Writer;

use seathold_sequencer::input::Inputs;
use seathold_sequencer::output::Outputs;
use seathold_sequencer::time::Instant;

use tree::Node;

/// File name ending of a whole recording.
pub const EXTENSION: &str = "hold";

/// One poll as recorded.
#[derive(Clone, Debug, PartialEq)]
pub struct Poll {
    /// When, on the rig's clock.
    pub at: Instant,
    /// What was read.
    pub inputs: Inputs,
    /// What was set.
    pub outputs: Outputs,
    /// What happened, as trees.
    pub events: Vec<Node>,
}
