#![cfg_attr(not(feature = "std"), no_std)]
#![deny(missing_docs)]
#![allow(clippy::result_large_err, reason = "all errors at once, and no heap to box them on; made once a run")]
//! A simulated rig with a valve whose leaks can be set, for trying recipes before air is connected.
//!
//! Like the sequencer it is `no_std`, has no heap, no clock and no randomness of its own: time is advanced by
//! [`rig::SimRig::advance`], and everything random follows from one seed. The same seed gives the same bits on every
//! machine, because nothing but IEEE + − × ÷, integers and `libm` is used.
//!
//! # The loop
//!
//! ```
//! use seathold_sequencer::{recipe::RawRecipe, rig::RawRig, step::Sequencer};
//! use seathold_sim::{bench::SimBench, scenario};
//!
//! let rig = RawRig::DEMO.validate()?;
//! let recipe = RawRecipe::DEMO.validate(&rig)?;
//! let mut sequencer = Sequencer::new(rig, Some(recipe));
//! let scenario = scenario::find("scratched-seat-a").expect("a ready-made scenario");
//! let mut bench = SimBench::new(scenario, rig.raw(), 7).expect("ready-made scenarios are valid");
//! for _ in 0..100 {
//!     let record = bench.poll(&mut sequencer);
//!     assert!(!record.outputs.supply_to_vent());
//! }
//! # Ok::<(), seathold_sequencer::field::Errors>(())
//! ```
//!
//! # Map
//!
//! | file | subject |
//! |---|---|
//! | [`gas`] | the ideal gas, its constants, real-gas error |
//! | [`flow`] | ISO 6358 valves and fine leaks, with their slopes |
//! | [`seat`] | two seats and a floating ball |
//! | [`heat`] | gas to wall to room |
//! | [`network`] | the equations: which node feeds which, and the Jacobian |
//! | [`arrow`] | its linear equations, solved by their known structure |
//! | [`rodas`] | the integrator, and why this one |
//! | [`actuator`] | how the ball moves |
//! | [`plant`] | all of it in time: events, dense output, truth |
//! | [`sensor`], [`noise`] | the measuring channels |
//! | [`channel_fault`] | fault injection into a channel |
//! | [`fault`], [`catalogue`] | injected faults in time; by name, with the expected response of the sequencer |
//! | [`operator`] | the operator, with delays and mistakes |
//! | [`rig`], [`bench`](mod@bench) | the sequencer's io traits over the plant; the loop |
//! | [`leak_path`] | the places that may leak |
//! | [`config`], [`scenario`] | every parameter with its range; ready-made cases |

pub mod actuator;
pub mod arrow;
pub mod bench;
pub mod catalogue;
pub mod channel_fault;
pub mod config;
pub mod fault;
pub mod flow;
pub mod gas;
pub mod heat;
pub mod leak_path;
pub mod network;
pub mod noise;
pub mod operator;
pub mod plant;
pub mod rig;
pub mod rodas;
pub mod scenario;
pub mod seat;
pub mod sensor;

#[cfg(doctest)]
#[doc = include_str!("../README.md")]
mod readme {}
