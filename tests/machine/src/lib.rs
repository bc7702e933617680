//! The step machine against a rig so simple that every test can say exactly what it does, and a script to drive it
//! with.
//!
//! A package of its own, on the sequencer alone: so it builds in seconds, once for each of the thousands of mutations
//! of `tests/mutants.sh`.

#![allow(missing_docs, reason = "helpers of tests: their names say it")]

pub mod ideal;
pub mod script;
