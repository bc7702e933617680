//! Breaks on purpose, with every output energised: what `tests/tests/on_target_trials.rs` watches from outside.
#![no_std]
#![no_main]

mod outputs;

use core::panic::PanicInfo;
use cortex_m_rt::{entry, exception};
use seathold_board::{down, trials};

#[entry]
fn main() -> ! {
    outputs::rest();
    trials::run(energise, None)
}

/// Sets and makes outputs of the pins whose bits are set (nRF51 Series Reference Manual, GPIO, OUTSET and DIRSET).
const OUT_SET: *mut u32 = 0x5000_0508 as *mut u32;
const DIRECTION_SET: *mut u32 = 0x5000_0518 as *mut u32;

fn energise() {
    // SAFETY: device registers of this part, word-aligned; writes to them move pins and no memory.
    unsafe {
        DIRECTION_SET.write_volatile(outputs::SUPPLY_VENT_PILOT);
        OUT_SET.write_volatile(outputs::SUPPLY_VENT_PILOT);
    }
}

#[panic_handler]
fn panic(info: &PanicInfo<'_>) -> ! {
    down::stop(outputs::rest, info)
}

// SAFETY: the handler does not return, so it cannot break what it interrupted. It looks at no frame: after an overflow
// there is none.
#[exception(trampoline = false)]
unsafe fn HardFault() -> ! {
    down::stop(outputs::rest, &"hard fault")
}
