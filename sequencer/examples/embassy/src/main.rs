//! A controller under embassy: one task polls, in its own time, and never awaits anything but its next turn; another empties
//! the queue of what is sent. Pins, converter and UART are those of an RP2040, of no board in particular.
#![no_std]
#![no_main]

// Memory that a reset leaves alone.
#[path = "../../../boards/common/src/stop_memory.rs"]
mod stop_memory;

use core::panic::PanicInfo;
use embassy_executor::Spawner;
use embassy_rp::adc::{self, Adc as Converters};
use embassy_rp::gpio::AnyPin;
use embassy_rp::gpio::{Input, Level, Output, Pull};
use embassy_rp::peripherals::UART0;
use embassy_rp::uart::{self, BufferedInterruptHandler, BufferedUart, BufferedUartTx};
use embassy_rp::{Peri, bind_interrupts};
use embassy_sync::blocking_mutex::raw::CriticalSectionRawMutex;
use embassy_sync::pipe::Pipe;
use embassy_time::Ticker;
use embedded_io_async::Write;
use seathold_sequencer::adapters::current_loop::RawCurrentLoop;
use seathold_sequencer::prelude::*;
use static_cell::StaticCell;
use stop_memory::Retained;

bind_interrupts!(struct Interrupts {
    UART0_IRQ => BufferedInterruptHandler<UART0>;
});

/// What goes out: the poll fills it and never waits, the other task empties it.
static OUT: Pipe<CriticalSectionRawMutex, 512> = Pipe::new();

/// A transmitter of 0 to 10 bar over 150 Ω.
const TRANSMITTER: RawCurrentLoop =
    RawCurrentLoop { adc_bits: 12, reference_v: 3.3, shunt_ohm: 150.0, range_low_pa: 0.0, range_high_pa: 1_000_000.0 };

const POLL_MS: u32 = 10;

#[embassy_executor::main]
async fn main(spawner: Spawner) {
    static TO_LINE: StaticCell<[u8; 256]> = StaticCell::new();
    static FROM_LINE: StaticCell<[u8; 1024]> = StaticCell::new();
    static LINK: StaticCell<Controller<16_384>> = StaticCell::new();
    static SEQUENCER: StaticCell<Sequencer> = StaticCell::new();
    static POLLED: StaticCell<PollRecord> = StaticCell::new();

    rest();
    let part = embassy_rp::init(embassy_rp::config::Config::default());
    let (to_line, from_line) = (TO_LINE.init([0; 256]), FROM_LINE.init([0; 1024]));
    let line =
        BufferedUart::new(part.UART0, part.PIN_0, part.PIN_1, Interrupts, to_line, from_line, uart::Config::default());
    let (sending, mut receiving) = line.split();
    let Ok(task) = send(sending) else { stop() };
    spawner.spawn(task);

    let Some(transmitter) = TRANSMITTER.validate_with(|_| {}) else { stop() };
    let mut converters = Converters::new_blocking(part.ADC, adc::Config::default());
    let mut far_pin = adc::Channel::new_pin(part.PIN_26, Pull::None);
    let mut number = 0u32;
    let coil = |pin: Peri<'static, AnyPin>, drain: Peri<'static, AnyPin>| {
        Solenoid::active_high(Output::new(pin, Level::Low))
            .with_read_back(Sense::low(Input::new(drain, Pull::None)), millis(50))
    };
    let mut parts = Parts {
        // Two microseconds a conversion, one a poll. A board for small leaks sums many: `Oversampled`.
        far: Analogue::new(
            || {
                number = number.wrapping_add(1);
                let converted = converters.blocking_read(&mut far_pin);
                Some(converted.map(|code| Conversion::single(code.into(), number)))
            },
            transmitter,
        ),
        supply: (),
        thermometer: (),
        supply_valve: coil(part.PIN_2.into(), part.PIN_6.into()),
        vent_valve: coil(part.PIN_3.into(), part.PIN_7.into()),
        pilot_valve: coil(part.PIN_4.into(), part.PIN_8.into()),
        stop_circuit: Contact::closed_low(Input::new(part.PIN_10, Pull::Up), millis(30)),
        guard: Contact::closed_low(Input::new(part.PIN_11, Pull::Up), millis(30)),
        shut_switch: (),
        watchdog: Dog(embassy_rp::watchdog::Watchdog::new(part.WATCHDOG), millis(100)),
        clock: || Instant::from_ticks(embassy_time::Instant::now().as_micros()),
        stop_memory: Retained,
    };
    let Ok(()) = parts.begin(millis(100)) else { stop() };
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
    let raw = RawRig { safe_pressure_pa: 5_000, ..parts.describe(RawRig::new(facts)) };
    let Some(rig) = raw.validate_with(|_| {}) else { stop() };

    let sequencer = SEQUENCER.init_with(|| Sequencer::resume(rig, None, parts.stop_memory.kept()));
    let link = LINK.init_with(|| Controller::new(Capabilities { single_outputs: true, ..Capabilities::default() }));
    let record = POLLED.init(PollRecord::empty());
    let mut pump = Pump::new();
    let mut turn = Ticker::every(embassy_time::Duration::from_millis(POLL_MS.into()));
    loop {
        let now = parts.now();
        // An overrun is a lost frame, which is sent again.
        let _ = pump.receive_from(link, now, &mut receiving);
        let Ok(()) = serve::service(link, now, sequencer, &mut parts, record) else { stop() };
        pump.transmit(link, now, |bytes| OUT.try_write(bytes).unwrap_or(0));
        turn.next().await;
    }
}

/// Whoever waits for the line is not whoever polls.
#[embassy_executor::task]
async fn send(mut line: BufferedUartTx) -> ! {
    let mut bytes = [0; 64];
    loop {
        let count = OUT.read(&mut bytes).await;
        let _ = line.write_all(bytes.get(..count).unwrap_or_default()).await;
    }
}

struct Dog(embassy_rp::watchdog::Watchdog, Duration);

impl Watchdog for Dog {
    fn start(&mut self, timeout: Duration) {
        self.1 = timeout;
        // It goes on while a debugger halts the core.
        self.0.pause_on_debug(false);
        self.0.start(embassy_time::Duration::from_micros(timeout.as_micros()));
    }

    fn feed(&mut self) {
        self.0.feed(embassy_time::Duration::from_micros(self.1.as_micros()));
    }

    fn caused_reset(&self) -> bool {
        matches!(self.0.reset_reason(), Some(embassy_rp::watchdog::ResetReason::TimedOut))
    }
}

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
