//! The rig on the pins of an nRF51: ADC, GPIO, a timer and the watchdog, by their registers (nRF51 Series Reference
//! Manual 3.0; addresses from memory, so check them before wiring). No hardware crate: this image is for size
//! measurement, and must contain no other crate's code.
//!
//! | pin | use |
//! |---|---|
//! | P0.03, P0.02, P0.01 | supply, vent, pilot; high energises |
//! | P0.04 | far transducer, 0 to 1.2 V |
//! | P0.16, P0.20 | stop and guard, normally closed contacts to ground |

use crate::outputs;
use core::convert::Infallible;
use seathold_sequencer::input::{Contacts, Sample, SensorFault};
use seathold_sequencer::io::Hardware;
use seathold_sequencer::output::{GasValve, Outputs, Pilot};
use seathold_sequencer::time::Instant;

const GPIO_OUT_SET: usize = 0x5000_0508;
const GPIO_OUT_CLEAR: usize = 0x5000_050c;
const GPIO_IN: usize = 0x5000_0510;
const GPIO_DIR_SET: usize = 0x5000_0518;
const ADC_START: usize = 0x4000_7000;
const ADC_END: usize = 0x4000_7100;
const ADC_ENABLE: usize = 0x4000_7500;
const ADC_CONFIG: usize = 0x4000_7504;
const ADC_RESULT: usize = 0x4000_7508;
const TIMER_START: usize = 0x4000_8000;
const TIMER_CAPTURE: usize = 0x4000_8040;
const TIMER_BITS: usize = 0x4000_8508;
const TIMER_PRESCALER: usize = 0x4000_8510;
const TIMER_CAPTURED: usize = 0x4000_8540;
/// General purpose retention register: one byte that a reset leaves alone.
const RETAINED: usize = 0x4000_051c;
const WATCHDOG_START: usize = 0x4001_0000;
const WATCHDOG_TICKS: usize = 0x4001_0504;
const WATCHDOG_RELOAD: usize = 0x4001_0600;
const WATCHDOG_WORD: u32 = 0x6e52_4635;

/// Retained value of a latched emergency stop.
const STOPPED: u32 = 0x5a;

const SUPPLY: u32 = 1 << 3;
const VENT: u32 = 1 << 2;
const PILOT: u32 = 1 << 1;
const STOP: u32 = 1 << 16;
const GUARD: u32 = 1 << 20;

fn read(register: usize) -> u32 {
    // SAFETY: only called with the constants above: word-aligned device registers of this part.
    unsafe { (register as *const u32).read_volatile() }
}

fn write(register: usize, value: u32) {
    // SAFETY: as for `read`; none of these registers moves memory.
    unsafe { (register as *mut u32).write_volatile(value) }
}

/// The rig. One value: it owns the registers above.
#[derive(Debug)]
pub struct Pins {
    conversions: u32,
    /// Time so far, and the timer's 32 bits at that time: extended, as it is read more than once in 71 minutes.
    micros: u64,
    timer: u32,
}

impl Pins {
    /// Sets up outputs at rest, ADC, a timer of 1 MHz, and a watchdog of a quarter second.
    pub fn new() -> Self {
        outputs::rest();
        write(GPIO_DIR_SET, SUPPLY | VENT | PILOT);
        // 10 bits, input and reference a third of the supply, pin P0.04 (analogue input 5).
        write(ADC_CONFIG, 0b10 | 0b10 << 2 | 0b10 << 5 | 1 << (8 + 5));
        write(ADC_ENABLE, 1);
        write(ADC_START, 1);
        write(TIMER_BITS, 3);
        write(TIMER_PRESCALER, 4);
        write(TIMER_START, 1);
        write(WATCHDOG_TICKS, 32_768 / 4);
        write(WATCHDOG_START, 1);
        Self { conversions: 0, micros: 0, timer: 0 }
    }
}

/// Whether an emergency stop was latched before the reset.
pub fn stop_kept() -> bool {
    read(RETAINED) == STOPPED
}

impl Hardware for Pins {
    type Error = Infallible;

    fn now(&mut self) -> Instant {
        write(TIMER_CAPTURE, 1);
        let timer = read(TIMER_CAPTURED);
        self.micros += u64::from(timer.wrapping_sub(self.timer));
        self.timer = timer;
        Instant::from_ticks(self.micros)
    }

    fn far(&mut self) -> nb::Result<Sample, SensorFault> {
        if read(ADC_END) == 0 {
            return Err(nb::Error::WouldBlock);
        }
        let counts = read(ADC_RESULT) as i32;
        write(ADC_END, 0);
        write(ADC_START, 1);
        self.conversions = self.conversions.wrapping_add(1);
        Ok(Sample { counts, number: self.conversions })
    }

    fn contacts(&mut self) -> Contacts {
        let pins = read(GPIO_IN);
        Contacts { stop: pins & STOP != 0, guard_closed: pins & GUARD == 0, valve_shut: false }
    }

    fn apply(&mut self, outputs: Outputs) -> Result<(), Self::Error> {
        let mut high = 0;
        high |= if outputs.supply == GasValve::Open { SUPPLY } else { 0 };
        high |= if outputs.vent == GasValve::Shut { VENT } else { 0 };
        high |= if outputs.pilot == Pilot::Fed { PILOT } else { 0 };
        // Outputs that go to rest are set first, so that supply and vent are never open together, not even between two
        // writes.
        write(GPIO_OUT_CLEAR, !high & (SUPPLY | VENT | PILOT));
        write(GPIO_OUT_SET, high);
        Ok(())
    }

    fn readback_mismatch(&mut self) -> bool {
        false
    }

    fn retain_stop(&mut self, stopped: bool) {
        write(RETAINED, if stopped { STOPPED } else { 0 });
    }

    fn feed_watchdog(&mut self) {
        write(WATCHDOG_RELOAD, WATCHDOG_WORD);
    }
}
