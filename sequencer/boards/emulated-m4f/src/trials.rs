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

/// Data and enabling of the outputs of GPIO 0 (Cortex-M System Design Kit Technical Reference Manual, AHB GPIO, from memory).
const DATA: *mut u32 = 0x4001_0004 as *mut u32;
const ENABLE_SET: *mut u32 = 0x4001_0010 as *mut u32;

fn energise() {
    // SAFETY: device registers of this board, word-aligned; writes to them move pins and no memory.
    unsafe {
        ENABLE_SET.write_volatile(0b111);
        DATA.write_volatile(0b111);
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
