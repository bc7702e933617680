//! Faults of the simulated rig, as typed. The rig itself is [`seathold_sim::bench::SimBench`].

pub use seathold_config::fault::parse as parse_fault;
