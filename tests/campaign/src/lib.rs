//! A campaign of faults: everything that can go wrong at a bench, in every phase, alone and together, against the shipped
//! sequencer.
//!
//! The plant ([`plant`]), the person ([`person`]) and the judge ([`judge`]) are written a second time here and share
//! nothing with `seathold-sim`: what is only checked against our own simulator, by our own judge, is not checked. The
//! judge sees the true pressures, the true ball and the true leak; the sequencer sees counts and contacts.
//!
//! `argued.txt` lists what cannot be told apart on a rig in principle, each with a run that shows it. Whatever else the
//! judge finds is a failure.

pub mod argued;
pub mod edge;
pub mod judge;
pub mod person;
pub mod plan;
pub mod plant;
pub mod setup;
pub mod spec;
pub mod tally;
pub mod trouble;
pub mod wire;
pub mod world;
