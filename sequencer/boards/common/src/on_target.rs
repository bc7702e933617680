//! The body of the on-target image: every scenario, then the stack use.

use crate::console::Console;
use crate::counter::Counter;
use crate::{stack, two_stacks};
use core::mem::MaybeUninit;
use cortex_m_semihosting::debug;
use seathold_on_target::tell::Tell;
use seathold_sequencer::step::Sequencer;

/// Runs everything and leaves the emulator with success.
pub fn run(mut core: cortex_m::Peripherals, place: &mut MaybeUninit<Sequencer>) -> ! {
    two_stacks::guard(&mut core.MPU);
    let mut console = Console::open();
    let counter = Counter::new(core.SYST);
    console.line(format_args!("measured ticks-per-thousand {}", counter.ticks_per_thousand()));
    seathold_on_target::run_all(&mut console, &counter, place);
    let (used, size) = stack::deepest();
    console.line(format_args!("measured stack-with-printing {used} of {size}"));
    console.line(format_args!("finished"));
    debug::exit(debug::EXIT_SUCCESS);
    loop {
        cortex_m::asm::nop();
    }
}
