//! Fault injection, with every output energised: observed from outside by `tests/tests/on_target/trials.rs`.
#![no_std]
#![no_main]

mod outputs;
mod watchdog;

use cortex_m_rt::entry;
use seathold_board::trials;
use seathold_sequencer::io::Watchdog;
use seathold_sequencer::time::millis;
use watchdog::Dog;

#[entry]
fn main() -> ! {
    outputs::rest();
    trials::run(energise, Some(stall))
}

/// Registers of port D (datasheet table 8-3, from memory) and its clock.
const CLOCK_PORTS: *mut u32 = 0x400f_e108 as *mut u32;
const DATA_0_TO_2: *mut u32 = 0x4000_701c as *mut u32;
const DIRECTION: *mut u32 = 0x4000_7400 as *mut u32;
const DIGITAL: *mut u32 = 0x4000_751c as *mut u32;

fn energise() {
    // SAFETY: device registers of this part, word-aligned; writes to them move pins and no memory.
    unsafe {
        CLOCK_PORTS.write_volatile(1 << 3);
        DIRECTION.write_volatile(0b111);
        DIGITAL.write_volatile(0b111);
        DATA_0_TO_2.write_volatile(0b111);
    }
}

/// A main loop that hangs, for the watchdog.
fn stall() -> ! {
    Dog::new().start(millis(100));
    loop {
        cortex_m::asm::nop();
    }
}

seathold_board::stop_at_rest!(outputs::rest);
