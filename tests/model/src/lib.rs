//! The step machine that ships, in a small abstract world, with every input at every poll.
//!
//! [`plant`] is the world: pressure in six levels, a ball that takes polls to follow its pilot or lever, a cavity that is
//! emptied only by a whole stroke, a way out that may be blocked, and transducers and a switch that may lie. [`world`]
//! joins it to [`seathold_sequencer::step::Sequencer`] and says what can happen at a poll. [`watch`] is the judge: it sees
//! the true pressure, the sequencer does not. [`digest`] tells when two states of the sequencer are the same state at
//! different times, which is what keeps the space finite.
//!
//! `cargo test -p seathold-model` explores small variants; `cargo test -p seathold-model --release` the full ones.

pub mod digest;
pub mod plant;
pub mod watch;
pub mod world;
