//! The shipped step machine, in a small abstract world, with every input at every poll.
//!
//! [`plant`] is the world: pressure in six levels, a ball that takes polls to follow its pilot or lever, a cavity that
//! is emptied only by a whole stroke, a vent that may be blocked, and transducers and a switch that may read wrongly.
//! [`world`] joins it to [`seathold_sequencer::step::Sequencer`] and defines what can happen at a poll. [`watch`] is
//! the judge: it knows the true pressure, the sequencer does not. [`digest`] decides when two states of the sequencer
//! are the same state at different times, which keeps the space finite.
//!
//! `cargo test -p seathold-model` explores small variants; `cargo test -p seathold-model --release` the full ones.

#![allow(missing_docs, reason = "helpers of tests: their names say it")]

pub mod digest;
pub mod plant;
pub mod watch;
pub mod world;
