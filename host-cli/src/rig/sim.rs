//! Faults of the simulated rig, as typed. The rig itself is [`seathold_sim::bench::SimBench`].

pub use crate::files::fault::parse as parse_fault;
