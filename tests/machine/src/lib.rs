//! The step machine against a rig so simple that every test can say exactly what it does, and a script to drive it with.
//!
//! A package of its own, on the sequencer alone: so it builds in seconds, which whoever puts thousands of mistakes into the
//! machine to see whether a test fails (`tests/mutants.sh`) waits for each time.

pub mod ideal;
pub mod script;
