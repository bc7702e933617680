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
//! Time comes in as an argument and must not go back; polls must not lie further apart than the rig's `poll_gap_max`.
//! Either is detected, the run is void, and, once air was let in, the valve is opened into the vent. A step with
//! nothing new in it, early or repeated, changes nothing. Every step is bounded work; none waits.
//!
//! The same inputs give the same outputs, events and verdict, bit for bit, on every machine: decisions rest on integers
//! and on IEEE 754 `f64` with + − × ÷, and on [`libm`] in software for the rest. So a recording is the rig, the recipe
//! and the inputs, and replaying it *is* a second run of the sequencer.
//!
//! # What firmware owes
//!
//! The sequencer decides; whether a solenoid falls to rest when a program dies is up to the firmware around it. Five things,
//! none of which the types can see to, and without any of which a part must not be connected to air:
//!
//! 1. **Outputs at rest first.** At reset, in the panic handler, and in the handlers of hard faults and of unexpected
//!    interrupts: all three solenoids off by plain register writes, which take no lock and cannot fail, before anything
//!    else. Nothing here panics; what is linked in beside it may. Then stop feeding the watchdog.
//! 2. **A watchdog, started *and* fed.** `Parts::begin` sets rest and starts it; [`poll_loop::poll`] feeds it, and only after
//!    every output was set. Feed it from nowhere else, least of all from an interrupt. Its time is longer than the longest
//!    poll and no longer than the valves may be left alone; its reset must take the pins with it; and it goes on while a
//!    debugger halts the core.
//! 3. **Polls in time.** One for every sample of the far side, evenly, at the recipe's `sample_period`. Later than 2.5 periods
//!    a sample counts as missing and begins the window anew, too often and the run is void; after five, and at least 50 ms,
//!    the transducer counts as silent; polls further apart than the rig's `poll_gap_max` void the run at once.
//! 4. **The stop over a reset.** [`io::Hardware::retain_stop`] keeps it in memory that start-up code leaves alone, and
//!    [`step::Sequencer::resume`] gets it back. The stop's own contact cuts the solenoids' supply without the controller.
//! 5. **Nobody else's `f64`.** Decisions are IEEE 754 doubles, rounded to nearest, subnormals kept. Switch off what sends
//!    them elsewhere: a hardware crate's routines in ROM or in a coprocessor (in `rp2040-hal` the feature
//!    `disable-intrinsics`), flush-to-zero, and fast-math flags. Then host and controller agree, which
//!    `tests/on-target` of the source tree shows for a new part. A unit for `f32` is never used.
//!
//! And a rig of its own: [`rig::RawRig::new`] asks for what has no safe default. Another's volume is another's leak.
//! `docs/controller.md` of the source tree has a board to begin with and the trials that its images pass; the package's
//! `examples/` has a host with its own valves, parts of `embedded-hal`, and boards under RTIC and embassy.
//!
//! # Map
//!
//! [`units`], [`time`], [`limits`], [`rate_class`]: quantities and bounds. [`rig`], [`recipe`], [`field`]: what is
//! tested, on what and how. [`input`] → [`step`] → [`output`], [`event`]: the machine. `phase`: a file each, in the
//! order of a run. `interlock`: the final check of outputs. [`measure`]: samples to leak estimate to verdict.
//! [`verdict`]: results. [`io`], [`poll_loop`](mod@poll_loop), `adapters` (feature `adapters`): the edge to real or
//! simulated hardware. `link` (feature `link`): the edge to a host over a line. `store` (feature `store`): what is kept in
//! flash. `rig_image` (feature `rig-memory`): rig and adapters as they are kept there. [`prelude`]: what firmware names on
//! every page. [`fugit`], [`heapless`], [`nb`] and, by their features, `embedded_hal`, `embedded_io` and `embedded_storage`
//! are the crates whose types stand in signatures here, in the versions that fit.
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
pub use embedded_hal;
#[cfg(feature = "embedded-io")]
pub use embedded_io;
#[cfg(feature = "store")]
pub use embedded_storage;
pub use {fugit, heapless, nb};

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
pub mod prelude;
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

#[cfg(doctest)]
#[doc = include_str!("../README.md")]
mod readme {}
