//! A campaign of faults: every fault of a bench, in every phase, alone and combined, against the shipped sequencer.
//!
//! The plant ([`plant`]), the person ([`person`]) and the judge ([`judge`]) are written independently here and share
//! nothing with `seathold-sim`: a check only against our own simulator, by its own judge, is no check. The judge knows
//! the true pressures, ball and leak; the sequencer only counts and contacts.
//!
//! `argued.txt` lists what cannot be distinguished on a rig in principle, each with a run that shows it. Any other
//! finding of the judge is a failure.

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
