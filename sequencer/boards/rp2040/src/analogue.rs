//! The four inputs of the converter, read in turn by the system timer's interrupt and summed; the sums go to the loop
//! through a queue each.
//!
//! Every conversion names its channel. The converter's own round robin with its queue would be cheaper, but one
//! conversion lost there would swap the channels, and a supply pressure would be taken for the far one.

use crate::rig;
use core::cell::RefCell;
use core::sync::atomic::{AtomicU32, Ordering};
use cortex_m::peripheral::SYST;
use cortex_m::peripheral::syst::SystClkSource;
use cortex_m_rt::exception;
use critical_section::Mutex;
use heapless::spsc::{Consumer, Producer, Queue};
use rp2040_hal::adc::{Adc, AdcChannel, AdcPin, Error};
use rp2040_hal::gpio::bank0::{Gpio26, Gpio27, Gpio28, Gpio29};
use rp2040_hal::gpio::{FunctionNull, Pin, PullNone};
use seathold_sequencer::adapters::conversion::{Conversion, Oversampler};

/// A sum of conversions, or the converter's error.
pub type Sum = Result<Conversion, Error>;
/// The loop's end of a channel.
pub type Input = Consumer<'static, Sum>;
/// Readings that wait for the loop. A full queue drops the newest, and its number shows as a gap.
pub type Waiting = Queue<Sum, 4>;

/// A pin of the converter: no pulls, no digital side.
pub type AnaloguePin<P> = AdcPin<Pin<P, FunctionNull, PullNone>>;

/// An input with its sum so far, and the queue for sums.
pub struct Channel<P> {
    pin: P,
    sum: Oversampler,
    out: Producer<'static, Sum>,
}

impl<P: AdcChannel> Channel<P> {
    /// The channel, and the loop's end of it.
    pub fn new(pin: P, waiting: &'static mut Waiting) -> (Self, Input) {
        let (out, input) = waiting.split();
        (Self { pin, sum: Oversampler::new(rig::OVERSAMPLE), out }, input)
    }

    /// One conversion, about 2 µs. A converter that never finishes hangs here, and the watchdog resets.
    fn convert(&mut self, adc: &mut Adc) -> Option<Sum> {
        let sum = match adc.read(&mut self.pin) {
            Ok(code) => Ok(self.sum.add(code.into())?),
            Err(error) => {
                self.sum.lose();
                Err(error)
            }
        };
        let _ = self.out.enqueue(sum);
        Some(sum)
    }
}

/// The converter with its pins. It belongs to the interrupt.
pub struct Inputs {
    pub adc: Adc,
    pub far: Channel<AnaloguePin<Gpio26>>,
    pub supply: Channel<AnaloguePin<Gpio27>>,
    pub thermometer: Channel<AnaloguePin<Gpio28>>,
    /// Supply of the transducers, the reference of both.
    pub sensor_supply: Channel<AnaloguePin<Gpio29>>,
    pub sensor_supply_copy: Producer<'static, Sum>,
}

/// On its way to the interrupt.
static INPUTS: Mutex<RefCell<Option<Inputs>>> = Mutex::new(RefCell::new(None));

/// Readings done so far: the clock of the polls.
static READINGS: AtomicU32 = AtomicU32::new(0);

/// Passes the converter to the interrupt, and lets the system timer call it.
pub fn begin(inputs: Inputs, mut timer: SYST, core_hz: u32) {
    critical_section::with(|cs| INPUTS.borrow(cs).replace(Some(inputs)));
    timer.set_clock_source(SystClkSource::Core);
    timer.set_reload(core_hz / (rig::READINGS_HZ * u32::from(rig::OVERSAMPLE)) - 1);
    timer.clear_current();
    timer.enable_counter();
    timer.enable_interrupt();
}

/// Readings done so far; wraps.
pub fn readings() -> u32 {
    READINGS.load(Ordering::Relaxed)
}

#[exception]
fn SysTick() {
    // A static in a handler is its own: no lock is held while the converter works.
    static mut INPUTS_HERE: Option<Inputs> = None;

    if INPUTS_HERE.is_none() {
        *INPUTS_HERE = critical_section::with(|cs| INPUTS.borrow(cs).take());
    }
    let Some(inputs) = INPUTS_HERE else { return };
    let _ = inputs.far.convert(&mut inputs.adc);
    let _ = inputs.supply.convert(&mut inputs.adc);
    let _ = inputs.thermometer.convert(&mut inputs.adc);
    if let Some(sum) = inputs.sensor_supply.convert(&mut inputs.adc) {
        let _ = inputs.sensor_supply_copy.enqueue(sum);
        // Only this handler writes, so no read-modify-write is needed, which this core does not have.
        READINGS.store(READINGS.load(Ordering::Relaxed).wrapping_add(1), Ordering::Relaxed);
    }
}
