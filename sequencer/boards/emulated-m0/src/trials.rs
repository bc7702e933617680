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

/// Sets the pins whose bits are set, and makes them outputs (nRF51 Series Reference Manual, GPIO, OUTSET and DIRSET).
const OUT_SET: *mut u32 = 0x5000_0508 as *mut u32;
const DIRECTION_SET: *mut u32 = 0x5000_0518 as *mut u32;

fn energise() {
    // SAFETY: device registers of this part, word-aligned; writes to them move pins and no memory.
    unsafe {
        DIRECTION_SET.write_volatile(outputs::SUPPLY_VENT_PILOT);
        OUT_SET.write_volatile(outputs::SUPPLY_VENT_PILOT);
    }
}

seathold_board::stop_at_rest!(outputs::rest);
