//! Watchdog 0 of the LM3S6965 (datasheet chapter 11, from memory): the first time-out raises an unhandled interrupt,
//! the second resets the part, and every pin is an input again.

use seathold_sequencer::io::Watchdog;
use seathold_sequencer::time::Duration;

const RESET_CAUSE: usize = 0x400f_e05c;
const CLOCK_WATCHDOG: usize = 0x400f_e100;
const LOAD: usize = 0x4000_0000;
const CONTROL: usize = 0x4000_0008;
const INTERRUPT_CLEAR: usize = 0x4000_000c;

const WATCHDOG: u32 = 1 << 3;
/// Counting, and a reset at the second time-out. The first bit can only be cleared by a reset.
const COUNT: u32 = 1;
const RESETS: u32 = 1 << 1;

/// The watchdog counts the core's clock, in kHz after reset.
const CLOCK_KHZ: u64 = 12_500;

fn read(register: usize) -> u32 {
    // SAFETY: only called with the constants above: word-aligned device registers of this part.
    unsafe { (register as *const u32).read_volatile() }
}

fn write(register: usize, value: u32) {
    // SAFETY: as for `read`; none of these registers moves memory.
    unsafe { (register as *mut u32).write_volatile(value) }
}

/// The watchdog, with the reason of the last reset.
#[derive(Debug)]
pub struct Dog {
    caused_reset: bool,
}

impl Dog {
    /// Takes it over, and the reason of the last reset with it.
    pub fn new() -> Self {
        let caused_reset = read(RESET_CAUSE) & WATCHDOG != 0;
        write(RESET_CAUSE, 0);
        Self { caused_reset }
    }
}

impl Watchdog for Dog {
    fn start(&mut self, timeout: Duration) {
        write(CLOCK_WATCHDOG, read(CLOCK_WATCHDOG) | WATCHDOG);
        // Two time-outs make one reset.
        let load = timeout.as_ticks().saturating_mul(CLOCK_KHZ) / 2_000;
        write(LOAD, u32::try_from(load).unwrap_or(u32::MAX));
        write(CONTROL, COUNT | RESETS);
    }

    fn feed(&mut self) {
        // Reloads the count as well.
        write(INTERRUPT_CLEAR, 1);
    }

    fn caused_reset(&self) -> bool {
        self.caused_reset
    }
}
