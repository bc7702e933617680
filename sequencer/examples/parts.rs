//! A controller put together from parts of `embedded-hal`, with the link to a host, as on a board: here on pins that print
//! what is set, polled a hundred times.
//!
//! `cargo run -p seathold-sequencer --example parts --features link`
//!
//! The functions are what a board has; the types that stand for the part are below. `docs/controller.md` of the source tree
//! has the same as a template.

use embedded_hal::digital::{ErrorType, InputPin, OutputPin};
use seathold_sequencer::adapters::current_loop::{CurrentLoop, RawCurrentLoop};
use seathold_sequencer::embedded_hal;
use seathold_sequencer::prelude::*;
use std::convert::Infallible;

/// The far side: 4 to 20 mA on a queue that the converter's interrupt fills.
type Far = Analogue<fn() -> Option<Result<Conversion, Infallible>>, CurrentLoop>;

/// The whole rig in one line.
type Rig = Parts<Far, Solenoid<Pin, Sense<Wire>>, Contact<Wire>, Dog, fn() -> Instant, Kept>;

/// A transmitter of 0 to 10 bar over 150 Ω, on sixteen bits.
const TRANSMITTER: RawCurrentLoop =
    RawCurrentLoop { adc_bits: 16, reference_v: 3.3, shunt_ohm: 150.0, range_low_pa: 0.0, range_high_pa: 1_000_000.0 };

fn rig(transmitter: CurrentLoop) -> Rig {
    let coil = |name| {
        let (pin, drain) = (Pin(name), Wire { high: true });
        Solenoid::active_high(pin).with_read_back(Sense::low(drain), millis(50))
    };
    Parts {
        far: Analogue::new(conversion, transmitter),
        supply: (),
        thermometer: (),
        supply_valve: coil("supply"),
        vent_valve: coil("vent"),
        pilot_valve: coil("pilot"),
        stop_circuit: Contact::closed_low(Wire { high: false }, millis(30)),
        guard: (),
        shut_switch: (),
        watchdog: Dog,
        clock: now,
        stop_memory: Kept(false),
    }
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let transmitter = TRANSMITTER.validate()?;
    let mut parts = rig(transmitter);
    // At rest first, then watched.
    parts.begin(millis(100))?;

    // What the parts know is not told again: no guard, no supply-side transducer, and what a count is worth.
    let facts = RigFacts {
        hard_max_pa: 900_000,
        far: transmitter.transducer(),
        atmosphere_pa: 101_325.0,
        far_volume_m3: 45e-6,
        far_volume_u_rel: 0.02,
        gain_u_rel: 0.002,
        background_u_pa_m3_s: 1e-5,
        temperature_drift_u_k_s: 2e-4,
    };
    let rig = parts.describe(RawRig::new(facts)).validate()?;

    // After a reset: with whether a stop was latched before it.
    let mut sequencer = Sequencer::resume(rig, None, parts.stop_memory.kept());
    let mut link = Controller::<4096>::new(Capabilities { single_outputs: true, ..Capabilities::default() });
    let (mut pump, mut record) = (Pump::new(), PollRecord::empty());
    let mut frames = 0;
    for _ in 0..100 {
        let now = parts.now();
        pump.receive(&mut link, now, || None);
        // An output that cannot be set ends the program: nobody feeds the watchdog any more.
        serve::service(&mut link, now, &mut sequencer, &mut parts, &mut record)?;
        pump.transmit(&mut link, now, |bytes| {
            frames += 1;
            bytes.len()
        });
        std::thread::sleep(std::time::Duration::from_millis(10));
    }
    println!("{:?} after a second, with nobody on the line: {frames} frames sent", sequencer.phase());
    Ok(())
}

/// The part's own clock: never back, never wrapping in use.
fn now() -> Instant {
    static BEGAN: std::sync::OnceLock<std::time::Instant> = std::sync::OnceLock::new();
    Instant::from_ticks(BEGAN.get_or_init(std::time::Instant::now).elapsed().as_micros() as u64)
}

/// A conversion from the queue, each once. 4 mA over 150 Ω is 0.6 V: an empty far side, and the last digit moves.
fn conversion() -> Option<Result<Conversion, Infallible>> {
    use std::sync::atomic::{AtomicU32, Ordering};
    static NUMBER: AtomicU32 = AtomicU32::new(0);
    let number = NUMBER.fetch_add(1, Ordering::Relaxed);
    Some(Ok(Conversion::single(11_916 + number % 3, number)))
}

/// A pin that drives a solenoid.
struct Pin(&'static str);

impl ErrorType for Pin {
    type Error = Infallible;
}

impl OutputPin for Pin {
    fn set_low(&mut self) -> Result<(), Infallible> {
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        println!("{} energised", self.0);
        Ok(())
    }
}

/// A pin that reads a wire.
struct Wire {
    high: bool,
}

impl ErrorType for Wire {
    type Error = Infallible;
}

impl InputPin for Wire {
    fn is_high(&mut self) -> Result<bool, Infallible> {
        Ok(self.high)
    }

    fn is_low(&mut self) -> Result<bool, Infallible> {
        Ok(!self.high)
    }
}

/// The part's watchdog.
struct Dog;

impl Watchdog for Dog {
    fn start(&mut self, timeout: Duration) {
        println!("watchdog started: {} ms", timeout.as_millis());
    }

    fn feed(&mut self) {}

    fn caused_reset(&self) -> bool {
        false
    }
}

/// Memory that a reset leaves alone; a program on a host has none.
struct Kept(bool);

impl StopMemory for Kept {
    fn keep(&mut self, stopped: bool) {
        self.0 = stopped;
    }

    fn kept(&self) -> bool {
        self.0
    }
}
