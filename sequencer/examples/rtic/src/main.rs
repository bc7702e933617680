//! A controller under RTIC: the system timer converts and sums, and asks for a poll each time a reading is done; the poll is a
//! task of lower priority, which owns the whole rig. Its type is written out, as RTIC wants it.
#![no_std]
#![no_main]

// Memory that a reset leaves alone.
#[path = "../../../boards/common/src/stop_memory.rs"]
mod stop_memory;

use core::panic::PanicInfo;
use rp2040_hal as hal;

/// Sets up the flash chip, the generic way.
#[unsafe(link_section = ".boot2")]
#[used]
static BOOT2: [u8; 256] = rp2040_boot2::BOOT_LOADER_GENERIC_03H;

/// All three solenoids off, by one write that needs nothing and cannot fail (RP2040 datasheet 2.3.1.7, GPIO_OUT_CLR).
fn rest() {
    const OUT_CLEAR: *mut u32 = 0xd000_0018 as *mut u32;
    // SAFETY: a device register of this part, word-aligned; a write to it moves three pins and no memory.
    unsafe { OUT_CLEAR.write_volatile(1 << 2 | 1 << 3 | 1 << 4) }
}

/// The end of a program that cannot go on: at rest, until the watchdog resets the part.
fn stop() -> ! {
    rest();
    cortex_m::interrupt::disable();
    loop {
        rest();
    }
}

#[panic_handler]
fn panic(_: &PanicInfo<'_>) -> ! {
    stop()
}

// SAFETY: the handler does not return, so it cannot break what it interrupted.
#[cortex_m_rt::exception(trampoline = false)]
unsafe fn HardFault() -> ! {
    stop()
}

#[rtic::app(device = rp2040_hal::pac, dispatchers = [SW0_IRQ])]
mod app {
    use super::stop_memory::Retained;
    use super::{hal, stop};
    use hal::Clock;
    use hal::adc::AdcPin;
    use hal::gpio::bank0::{Gpio0, Gpio1, Gpio26};
    use hal::gpio::{
        DynPinId, FunctionNull, FunctionSioInput, FunctionSioOutput, FunctionUart, Pin, PullDown, PullNone, PullUp,
    };
    use hal::uart::{Enabled, UartConfig, UartPeripheral};
    use heapless::spsc::{Consumer, Producer, Queue};
    use seathold_sequencer::adapters::current_loop::{CurrentLoop, RawCurrentLoop};
    use seathold_sequencer::prelude::*;

    /// The loop's end of the readings.
    type Far = Analogue<Consumer<'static, Result<Conversion, ()>>, CurrentLoop>;
    type Coil = Solenoid<Pin<DynPinId, FunctionSioOutput, PullDown>, Sense<Pin<DynPinId, FunctionSioInput, PullNone>>>;
    type Wire = Contact<Pin<DynPinId, FunctionSioInput, PullUp>>;
    /// The rig: no supply-side transducer, no thermometer, a guard, no switch on the valve.
    type Rig = Parts<Far, Coil, Wire, Dog, Clock64, Retained, (), (), Wire>;
    type Line = UartPeripheral<
        Enabled,
        hal::pac::UART0,
        (Pin<Gpio0, FunctionUart, PullDown>, Pin<Gpio1, FunctionUart, PullDown>),
    >;

    /// A transmitter of 0 to 10 bar over 150 Ω.
    const TRANSMITTER: RawCurrentLoop = RawCurrentLoop {
        adc_bits: 12,
        reference_v: 3.3,
        shunt_ohm: 150.0,
        range_low_pa: 0.0,
        range_high_pa: 1_000_000.0,
    };

    /// Conversions for one reading, of which there are a hundred a second.
    const OVERSAMPLE: u16 = 16;
    const READINGS_HZ: u32 = 100;

    pub struct Clock64(hal::Timer);

    impl MonotonicClock for Clock64 {
        fn now(&mut self) -> Instant {
            Instant::from_ticks(self.0.get_counter().ticks())
        }
    }

    pub struct Dog(hal::Watchdog);

    impl Watchdog for Dog {
        fn start(&mut self, timeout: Duration) {
            // The part counts to eight seconds.
            let us = timeout.as_micros().min(8_000_000) as u32;
            self.0.pause_on_debug(false);
            self.0.start(hal::fugit::MicrosDurationU32::micros(us));
        }

        fn feed(&mut self) {
            self.0.feed();
        }

        fn caused_reset(&self) -> bool {
            false
        }
    }

    #[shared]
    struct Shared {}

    #[local]
    struct Local {
        converter: hal::Adc,
        far_pin: AdcPin<Pin<Gpio26, FunctionNull, PullNone>>,
        sum: Oversampler,
        readings: Producer<'static, Result<Conversion, ()>>,
        rig: Rig,
        line: Line,
        sequencer: Sequencer,
        link: Controller<16_384>,
        pump: Pump,
        record: PollRecord,
    }

    #[init(local = [queue: Queue<Result<Conversion, ()>, 4> = Queue::new()])]
    fn init(at: init::Context) -> (Shared, Local) {
        super::rest();
        let mut part = at.device;
        let mut dog = hal::Watchdog::new(part.WATCHDOG);
        let Ok(clocks) = hal::clocks::init_clocks_and_plls(
            12_000_000,
            part.XOSC,
            part.CLOCKS,
            part.PLL_SYS,
            part.PLL_USB,
            &mut part.RESETS,
            &mut dog,
        ) else {
            stop()
        };
        let sio = hal::Sio::new(part.SIO);
        let pins = hal::gpio::Pins::new(part.IO_BANK0, part.PADS_BANK0, sio.gpio_bank0, &mut part.RESETS);
        let Ok(far_pin) = AdcPin::new(pins.gpio26.reconfigure()) else { stop() };
        let converter = hal::Adc::new(part.ADC, &mut part.RESETS);
        let line =
            UartPeripheral::new(part.UART0, (pins.gpio0.reconfigure(), pins.gpio1.reconfigure()), &mut part.RESETS)
                .enable(UartConfig::default(), clocks.peripheral_clock.freq());
        let Ok(line) = line else { stop() };

        let Some(transmitter) = TRANSMITTER.validate_with(|_| {}) else { stop() };
        let (readings, taken) = at.local.queue.split();
        let coil = |pin: Pin<DynPinId, FunctionSioOutput, PullDown>, drain| {
            Solenoid::active_high(pin).with_read_back(Sense::low(drain), millis(50))
        };
        let mut rig = Parts {
            far: Analogue::new(taken, transmitter),
            supply: (),
            thermometer: (),
            supply_valve: coil(pins.gpio2.reconfigure().into_dyn_pin(), pins.gpio6.reconfigure().into_dyn_pin()),
            vent_valve: coil(pins.gpio3.reconfigure().into_dyn_pin(), pins.gpio7.reconfigure().into_dyn_pin()),
            pilot_valve: coil(pins.gpio4.reconfigure().into_dyn_pin(), pins.gpio8.reconfigure().into_dyn_pin()),
            stop_circuit: Contact::closed_low(pins.gpio10.reconfigure().into_dyn_pin(), millis(30)),
            guard: Contact::closed_low(pins.gpio11.reconfigure().into_dyn_pin(), millis(30)),
            shut_switch: (),
            watchdog: Dog(dog),
            clock: Clock64(hal::Timer::new(part.TIMER, &mut part.RESETS, &clocks)),
            stop_memory: Retained,
        };
        let Ok(()) = rig.begin(millis(100)) else { stop() };
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
        // So coarse a converter needs a wider zero.
        let raw = RawRig { safe_pressure_pa: 5_000, ..rig.describe(RawRig::new(facts)) };
        let Some(valid) = raw.validate_with(|_| {}) else { stop() };
        let sequencer = Sequencer::resume(valid, None, rig.stop_memory.kept());
        let link = Controller::new(Capabilities { single_outputs: true, ..Capabilities::default() });

        let mut timer = at.core.SYST;
        timer.set_clock_source(cortex_m::peripheral::syst::SystClkSource::Core);
        timer.set_reload(clocks.system_clock.freq().to_Hz() / (READINGS_HZ * u32::from(OVERSAMPLE)) - 1);
        timer.clear_current();
        timer.enable_counter();
        timer.enable_interrupt();
        let sum = Oversampler::new(OVERSAMPLE);
        let (pump, record) = (Pump::new(), PollRecord::empty());
        (Shared {}, Local { converter, far_pin, sum, readings, rig, line, sequencer, link, pump, record })
    }

    /// One conversion; a reading once there are enough, and then a poll.
    #[task(binds = SysTick, priority = 2, local = [converter, far_pin, sum, readings])]
    fn convert(at: convert::Context) {
        let code: Result<u16, _> = at.local.converter.read(at.local.far_pin);
        let done = match code {
            Ok(code) => at.local.sum.add(code.into()).map(Ok),
            Err(_) => {
                at.local.sum.lose();
                Some(Err(()))
            }
        };
        if let Some(done) = done {
            // A full queue drops the newest, and its number shows as a gap.
            let _ = at.local.readings.enqueue(done);
            // Still at the last: one poll for however many are due.
            let _ = poll::spawn();
        }
    }

    #[task(priority = 1, local = [rig, line, sequencer, link, pump, record])]
    async fn poll(at: poll::Context) {
        let poll::LocalResources { rig, line, sequencer, link, pump, record, .. } = at.local;
        let now = rig.now();
        pump.receive(link, now, || {
            let mut byte = [0];
            line.read_raw(&mut byte).is_ok().then_some(byte[0])
        });
        let Ok(()) = serve::service(link, now, sequencer, rig, record) else { stop() };
        pump.transmit(link, now, |bytes| line.write_raw(bytes).map_or(0, |rest| bytes.len() - rest.len()));
    }
}
