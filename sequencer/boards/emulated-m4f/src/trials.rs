//! Fault injection, with every output energised: observed from outside by `tests/tests/on_target/trials.rs`.
#![no_std]
#![no_main]

mod outputs;

use cortex_m_rt::entry;
use seathold_board::trials;

#[entry]
fn main() -> ! {
    outputs::rest();
    trials::run(energise, None)
}

/// Data and enabling of the outputs of GPIO 0 (Cortex-M System Design Kit Technical Reference Manual, AHB GPIO, from
/// memory).
const DATA: *mut u32 = 0x4001_0004 as *mut u32;
const ENABLE_SET: *mut u32 = 0x4001_0010 as *mut u32;

fn energise() {
    // SAFETY: device registers of this board, word-aligned; writes to them move pins and no memory.
    unsafe {
        ENABLE_SET.write_volatile(0b111);
        DATA.write_volatile(0b111);
    }
}

seathold_board::stop_at_rest!(outputs::rest);
