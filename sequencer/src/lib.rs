#![no_std]
#![deny(missing_docs)]
#![cfg_attr(
    not(test),
    deny(
        clippy::indexing_slicing,
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic,
        clippy::unreachable,
        reason = "nothing in the sequencer may panic: the valve would stay as it is"
    )
)]
//! The pressure-hold test of a ball valve, from both sides, as a pure step function.
//!
//! # Calling contract
//!
//! 1. Check the rig and the recipe once: [`rig::RawRig::validate`], [`recipe::RawRecipe::validate`]. Only what has been
//!    validated as a whole is accepted.
//! 2. Make a [`step::Sequencer`]. It assumes that the far side is pressurised. On a controller that was reset, by
//!    [`step::Sequencer::resume`], with what [`io::Hardware::retain_stop`] kept: a reset releases no emergency stop.
//! 3. In a loop: read everything into [`input::Inputs`], call [`step::Sequencer::step`] with the time, set *all* of
//!    [`step::Step::outputs`], and pass the events on. [`poll_loop::poll`] is that loop for anything that implements
//!    [`io::Hardware`] and [`io::Operator`].
//!
//! Time comes in as an argument and must not go back; polls must not lie further apart than the rig's `stall_max`.
//! Either is detected, the run is void, and, once air was let in, the valve is opened into the vent. A step with
//! nothing new in it, early or repeated, changes nothing. Every step is bounded work; none waits.
//!
//! The same inputs give the same outputs, events and verdict, bit for bit, on every machine: decisions rest on integers
//! and on IEEE 754 `f64` with + − × ÷, and on [`libm`] in software for the rest. So a recording is the rig, the recipe
//! and the inputs, and replaying it *is* a second run of the sequencer.
//!
//! # Map
//!
//! [`units`], [`time`], [`limits`], [`rate_class`]: quantities and bounds. [`rig`], [`recipe`], [`field`]: what is
//! tested, on what and how. [`input`] → [`step`] → [`output`], [`event`]: the machine. `phase`: a file each, in the
//! order of a run. `interlock`: the final check of outputs. [`measure`]: samples to leak estimate to verdict.
//! [`verdict`]: results. [`io`], [`poll_loop`](mod@poll_loop), `adapters` (feature `adapters`): the edge to real or
//! simulated hardware. `link` (feature `link`): the edge to a host over a line. `store` (feature `store`): what is kept in
//! flash. `rig_image` (feature `rig-memory`): rig and adapters as they are kept there.
//!
//! # Example
//!
//! ```
//! use seathold_sequencer::{input::Inputs, output::Outputs, recipe::RawRecipe, rig::RawRig, step::Sequencer, time::Instant};
//!
//! let rig = RawRig::DEMO.validate()?;
//! let recipe = RawRecipe::DEMO.validate(&rig)?;
//! let mut sequencer = Sequencer::new(rig, Some(recipe));
//! let step = sequencer.step(Instant::from_ticks(0), &Inputs::IDLE);
//! // At rest, and reading: nothing moves yet.
//! assert_eq!(step.outputs, Outputs::REST);
//! # Ok::<(), seathold_sequencer::field::Errors>(())
//! ```

#[cfg(feature = "adapters")]
pub mod adapters;
mod channel;
mod dwell;
pub mod event;
mod exponential;
pub mod field;
mod gas_temperature;
pub mod input;
mod interlock;
pub mod io;
mod life;
pub mod limits;
#[cfg(feature = "link")]
pub mod link;
pub mod measure;
pub mod output;
mod persist;
mod phase;
pub mod poll_loop;
pub mod rate_class;
pub mod recipe;
pub mod rig;
#[cfg(feature = "rig-memory")]
pub mod rig_image;
mod sqrt;
pub mod step;
#[cfg(feature = "store")]
pub mod store;
pub mod time;
pub mod units;
pub mod verdict;
