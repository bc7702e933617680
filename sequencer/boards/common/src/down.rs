//! After a panic or a hard fault: outputs at rest before anything else, then the reason, then nothing more.
//!
//! A part then waits for its watchdog, which resets it into the assumption that the far side is pressurised.

use crate::console::Console;
use core::fmt::Display;
use cortex_m_semihosting::debug;
use seathold_on_target::tell::Tell;

/// Where a program that cannot go on ends. `rest` must put every output at rest with plain register writes: no lock,
/// no allocation, nothing that could itself fail.
pub fn stop(rest: fn(), reason: &dyn Display) -> ! {
    rest();
    cortex_m::interrupt::disable();
    Console::open().line(format_args!("stopped: {reason}"));
    debug::exit(debug::EXIT_FAILURE);
    // Without an emulator or probe the exit does nothing.
    loop {
        rest();
        cortex_m::asm::nop();
    }
}
