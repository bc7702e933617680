//! The on-target test: every scenario, reported over semihosting.
#![no_std]
#![no_main]

mod outputs;

use core::mem::MaybeUninit;
use cortex_m_rt::entry;
use seathold_board::{down, on_target};
use seathold_board_runtime as _;
use seathold_sequencer::step::Sequencer;

#[entry]
fn main() -> ! {
    // A static in an entry function is its own.
    static mut SEQUENCER: MaybeUninit<Sequencer> = MaybeUninit::uninit();

    outputs::rest();
    match cortex_m::Peripherals::take() {
        Some(core) => on_target::run(core, SEQUENCER),
        None => down::stop(outputs::rest, &"the core's registers were taken before"),
    }
}

seathold_board::stop_at_rest!(outputs::rest);
