//! Instructions and stack between two moments. Instructions come from the system timer of an emulator whose clock
//! advances with each one (`-icount`); on real hardware it counts cycles instead.

use crate::stack;
use core::cell::Cell;
use cortex_m::peripheral::SYST;
use cortex_m::peripheral::syst::SystClkSource;
use seathold_on_target::meter::{Cost, Meter};

/// The system timer's 24 bits.
const TOP: u32 = 0x00ff_ffff;

/// Rounds of the loop that calibrates ticks per instruction: two instructions a round.
const ROUNDS: u32 = 4_000;

/// A running system timer, calibrated by a loop of known length.
#[derive(Debug)]
pub struct Counter {
    from: Cell<u32>,
    ticks_per_loop: u32,
    /// Ticks that an empty count takes.
    idle: u32,
}

impl Counter {
    /// Starts the timer from the core's clock. It takes the timer permanently: nothing else may stop it.
    pub fn new(mut timer: SYST) -> Self {
        timer.set_clock_source(SystClkSource::Core);
        timer.set_reload(TOP);
        timer.clear_current();
        timer.enable_counter();
        let mut counter = Self { from: Cell::new(0), ticks_per_loop: 1, idle: 0 };
        counter.from.set(SYST::get_current());
        counter.idle = counter.ticks();
        counter.from.set(SYST::get_current());
        cortex_m::asm::delay(2 * ROUNDS);
        counter.ticks_per_loop = counter.ticks().saturating_sub(counter.idle).max(1);
        counter
    }

    /// Ticks a thousand instructions take.
    pub fn ticks_per_thousand(&self) -> u32 {
        // `delay(n)` runs n + 1 rounds of two instructions.
        (u64::from(self.ticks_per_loop) * 1_000 / u64::from(LOOP)) as u32
    }

    fn ticks(&self) -> u32 {
        // It counts down.
        self.from.get().wrapping_sub(SYST::get_current()) & TOP
    }
}

/// Instructions of the loop.
const LOOP: u32 = 2 * (2 * ROUNDS + 1);

impl Meter for Counter {
    fn start(&self) {
        stack::paint_below();
        self.from.set(SYST::get_current());
    }

    fn stop(&self) -> Option<Cost> {
        let ticks = self.ticks().saturating_sub(self.idle);
        let instructions = u64::from(ticks) * u64::from(LOOP) / u64::from(self.ticks_per_loop);
        Some(Cost { instructions: instructions as u32, stack: stack::used_below() })
    }
}
