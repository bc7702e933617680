//! A check of a rig before its first air: every input and every output, in a safe order, with an operator at it.
//!
//! Nothing here moves an output: the controller does, one at a time, only at rest and measured empty, and only for a
//! moment ([`seathold_sequencer::input::Command::TestOutput`]). What a program cannot know, whether a solenoid really
//! moved, the operator says.
//!
//! | module | subject |
//! |---|---|
//! | [`check`] | the checks and their outcomes |
//! | [`readings`] | the controller's present state, from its records |
//! | [`rig_under_check`] | polling and waiting, while watching Ctrl-C and the connection |
//! | [`dialog`] | the operator who works contacts, listens and answers |
//! | [`procedure`] | the checks, in order |

pub mod check;
pub mod dialog;
pub mod procedure;
pub mod readings;
pub mod rig_under_check;

pub use check::{CheckItem, CheckOutcome, Checks};
pub use dialog::Dialog;
pub use procedure::Procedure;
pub use rig_under_check::{Halt, RigUnderCheck};
