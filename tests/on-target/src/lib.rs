#![no_std]
//! Scenarios that report everything, so that a host and a controller can be compared byte for byte.
//!
//! The images under `sequencer/boards` run [`run_all`] and print its output over semihosting; `tests/on_target` runs
//! the same function in its own process and requires the same lines. Nothing here depends on a board: what a board adds
//! is a [`Tell`] that prints and a [`Meter`] that counts.
//!
//! | module | contents |
//! |---|---|
//! | [`tell`] | the lines reported, and the running check over them |
//! | [`meter`] | instructions a poll, by phase |
//! | [`arithmetic`] | sums, products, quotients and comparisons by themselves |
//! | [`trace`] | a fixed trace of counts, and the estimator run over it |
//! | [`bottle`] | a rig in whole numbers, small enough for 16 KiB of memory |
//! | [`sequence`] | the sequencer run over a bottle |

pub mod arithmetic;
pub mod bottle;
pub mod meter;
pub mod sequence;
pub mod tell;
pub mod trace;

use core::mem::MaybeUninit;
use meter::Meter;
use seathold_sequencer::event::Event;
use seathold_sequencer::field::Errors;
use seathold_sequencer::step::{Sequencer, Step};
use tell::Tell;

/// Runs every scenario, in a fixed order. `place` is the memory of the sequencer: a static on a small controller, so
/// that it is not counted as stack.
pub fn run_all(tell: &mut impl Tell, meter: &impl Meter, place: &mut MaybeUninit<Sequencer>) {
    tell.line(format_args!(
        "measured bytes sequencer {} step {} event {} errors {}",
        size_of::<Sequencer>(),
        size_of::<Step>(),
        size_of::<Event>(),
        size_of::<Errors>()
    ));
    arithmetic::run(tell);
    for case in trace::CASES {
        case.run(tell);
    }
    for scenario in sequence::SCENARIOS {
        scenario.run(tell, meter, place);
    }
}
