//! The part's watchdog. It resets everything but the oscillators, so every pin becomes an input with a pull-down: at
//! rest.

use rp2040_hal as hal;
use rp2040_hal::pac;
use seathold_sequencer::io::Watchdog;
use seathold_sequencer::time::Duration;

/// The longest the part can count: 24 bits at two a microsecond (erratum RP2040-E1).
const LONGEST_US: u64 = 0xff_ffff / 2;

/// The watchdog, with the reason of the last reset.
pub struct Dog {
    dog: hal::Watchdog,
    caused_reset: bool,
}

impl Dog {
    /// Takes it over. `caused_reset` is [`caused_reset`], read before anything else touched the watchdog.
    pub fn new(dog: hal::Watchdog, caused_reset: bool) -> Self {
        Self { dog, caused_reset }
    }
}

/// Whether the last reset was by the watchdog.
pub fn caused_reset(watchdog: &pac::WATCHDOG) -> bool {
    watchdog.reason().read().timer().bit_is_set()
}

/// From now on it waits this long, once: the next feeding is as ever. For the flash, whose operations nobody can feed in.
pub fn load(timeout: Duration) {
    let us = timeout.as_ticks().min(LONGEST_US) as u32;
    // SAFETY: a register of this part; a write to it moves a counter and no memory, and is whole by itself, so that the
    // owner's own writes are not disturbed. Two counts a microsecond (erratum RP2040-E1).
    unsafe { (*pac::WATCHDOG::PTR).load().write(|w| w.bits(us * 2)) };
}

impl Watchdog for Dog {
    fn start(&mut self, timeout: Duration) {
        let us = timeout.as_ticks().min(LONGEST_US) as u32;
        self.dog.start(hal::fugit::MicrosDurationU32::micros(us));
        // Keep it running while a debugger halts the core: valves must not stay as they are at a breakpoint. SAFETY:
        // the register is this value's own; clearing three bits of it moves no memory.
        unsafe { &*pac::WATCHDOG::PTR }.ctrl().modify(|_, w| {
            w.pause_dbg0().clear_bit();
            w.pause_dbg1().clear_bit();
            w.pause_jtag().clear_bit()
        });
    }

    fn feed(&mut self) {
        self.dog.feed();
    }

    fn caused_reset(&self) -> bool {
        self.caused_reset
    }
}
