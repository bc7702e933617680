//! A check of a rig before its first air: every input and every output, in a safe order, with a person at it.
//!
//! Nothing here moves an output: the controller does, one at a time, only at rest and measured empty, and only for a
//! moment ([`seathold_sequencer::input::Command::Work`]). What a program cannot know, whether a solenoid truly moved,
//! the person says.
//!
//! | room | what it holds |
//! |---|---|
//! | [`check`] | what was looked at, and what came of it |
//! | [`view`] | the controller as its records show it now |
//! | [`bench`](mod@bench) | looking and waiting, with an eye on Ctrl-C and the line |
//! | [`person`] | who works contacts, listens and answers |
//! | [`round`] | the checks, in order |

pub mod bench;
pub mod check;
pub mod person;
pub mod round;
pub mod view;

pub use bench::{Bench, Halt};
pub use check::{Checks, Outcome, Subject};
pub use person::Person;
pub use round::Round;
