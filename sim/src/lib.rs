#![cfg_attr(not(feature = "std"), no_std)]
#![deny(missing_docs)]
#![allow(clippy::result_large_err, reason = "all errors at once, and no heap to box them on; made once a run")]
//! A simulated rig with a valve whose leaks can be set, for trying recipes before air is connected.
//!
//! Like the sequencer it is `no_std`, has no heap, no clock and no chance of its own: time is moved by
//! [`rig::SimRig::advance`], and everything random follows from one seed. The same seed gives the same bits on every
//! machine, because nothing but IEEE + − × ÷, integers and `libm` is used.
//!
//! # The loop
//!
//! ```
//! use seathold_sequencer::{recipe::RawRecipe, rig::RawRig, step::Sequencer};
//! use seathold_sim::{bench::SimBench, scenario};
//!
//! let rig = RawRig::DEMO.validate().unwrap();
//! let recipe = RawRecipe::DEMO.validate(&rig).unwrap();
//! let mut sequencer = Sequencer::new(rig, Some(recipe));
//! let scenario = scenario::find("scratched-seat-a").unwrap();
//! let mut bench = SimBench::new(scenario, rig.raw(), 7).unwrap();
//! for _ in 0..100 {
//!     let polled = bench.poll(&mut sequencer);
//!     assert!(!polled.outputs.blows_through());
//! }
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
//! | [`arrow`] | its linear equations, solved with their shape known |
//! | [`rodas`] | the integrator, and why this one |
//! | [`actuator`] | how the ball moves |
//! | [`plant`] | all of it in time: events, dense output, truth |
//! | [`sensor`], [`noise`] | what the converter makes of it |
//! | [`faulty`] | a broken channel, as a wrapper over any rig |
//! | [`fault`], [`catalogue`] | what goes wrong when; by name, with what the sequencer should say |
//! | [`operator`] | the person, with delays and mistakes |
//! | [`rig`], [`bench`](mod@bench) | the sequencer's io traits over the plant; the loop |
//! | [`spot`] | the places that may leak |
//! | [`config`], [`scenario`] | every figure with its range; ready-made cases |

pub mod actuator;
pub mod arrow;
pub mod bench;
pub mod catalogue;
pub mod config;
pub mod fault;
pub mod faulty;
pub mod flow;
pub mod gas;
pub mod heat;
pub mod network;
pub mod noise;
pub mod operator;
pub mod plant;
pub mod rig;
pub mod rodas;
pub mod scenario;
pub mod seat;
pub mod sensor;
pub mod spot;
