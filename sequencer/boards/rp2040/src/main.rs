//! The controller on a board with an RP2040, served over USB. Wiring, pin map and cautions: `docs/controller.md`.
#![no_std]
#![no_main]

mod analogue;
mod entropy;
mod flash;
mod outputs;
mod rig;
// Not the scratch registers of the watchdog: the RUN pin clears them (datasheet 4.7.4).
#[path = "../../common/src/stop_memory.rs"]
mod stop_memory;
#[path = "../../common/src/two_stacks.rs"]
mod two_stacks;
mod usb;
mod watchdog;

use analogue::{Channel, Inputs, Waiting};
use core::mem::MaybeUninit;
use core::panic::PanicInfo;
use cortex_m_rt::exception;
#[cfg(feature = "defmt")]
use defmt_rtt as _;
use embedded_hal::digital::OutputPin;
use flash::{RigFlash, SECTOR};
use rp2040_hal as hal;
use rp2040_hal::adc::{Adc, AdcPin};
use rp2040_hal::clocks::{Clock, ClocksManager};
use rp2040_hal::gpio::{FunctionSioInput, FunctionSioOutput, Pins, PullDown, PullNone, PullUp};
use rp2040_hal::pac;
use rp2040_hal::usb::UsbBus;
use seathold_sequencer::adapters::analogue::{Analogue, AnalogueRatio};
use seathold_sequencer::adapters::contact::Contact;
use seathold_sequencer::adapters::solenoid::{Sense, Solenoid};
use seathold_sequencer::adapters::{MonotonicClock, Parts, Switch};
use seathold_sequencer::io::{Hardware, StopMemory, Watchdog};
use seathold_sequencer::link::controller::Controller;
use seathold_sequencer::link::key::Key;
use seathold_sequencer::link::message::Capabilities;
use seathold_sequencer::link::pump::Pump;
use seathold_sequencer::link::rig_keeper::{RigKeeper, WithoutRig};
use seathold_sequencer::link::serve;
use seathold_sequencer::link::start_button::StartButton;
use seathold_sequencer::poll_loop::PollRecord;
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::store::Store;
use seathold_sequencer::time::Instant;
use stop_memory::Retained;
use usb::Received;
use usb_device::bus::UsbBusAllocator;
use watchdog::Dog;

/// Sets up the flash chip for four data lines, as required by the chips on boards in the common layout. The generic
/// way, one data line, runs on any chip, but a poll whose code is not in the cache would take longer than a poll may.
#[unsafe(link_section = ".boot2")]
#[used]
static BOOT2: [u8; 256] = rp2040_boot2::BOOT_LOADER_W25Q080;

/// The crystal of boards in the common layout.
const CRYSTAL_HZ: u32 = 12_000_000;

/// Bytes for records the host does not have yet: two minutes with a thermometer, four to five without (docs/link.md).
const STORE: usize = 128 * 1024;

/// The key, where the image is built with one: `SEATHOLD_LINK_KEY`, as `seathold key` writes it.
const KEY: Option<Key> = match option_env!("SEATHOLD_LINK_KEY") {
    None => None,
    Some(text) => match Key::from_hex(text) {
        Some(key) => Some(key),
        None => panic!("SEATHOLD_LINK_KEY must be 64 hexadecimal digits"),
    },
};

/// The part's clock: 64 bits of microseconds, which never wrap.
struct Clock64(hal::Timer);

impl MonotonicClock for Clock64 {
    fn now(&mut self) -> Instant {
        Instant::from_ticks(self.0.get_counter().ticks())
    }
}

#[hal::entry]
fn main() -> ! {
    // Statics in an entry function are its own. What is not initialised takes no room in flash. Far, supply,
    // thermometer, and the transducers' supply once for each of them.
    static mut WAITING: [Waiting; 5] = [const { Waiting::new() }; 5];
    static mut RECEIVED: Received = Received::new();
    static mut BUS: MaybeUninit<UsbBusAllocator<UsbBus>> = MaybeUninit::uninit();
    static mut LINK: MaybeUninit<Controller<STORE>> = MaybeUninit::uninit();
    static mut POLLED: PollRecord = PollRecord::empty();
    static mut SEQUENCER: MaybeUninit<Sequencer> = MaybeUninit::uninit();
    static mut KEEPER: MaybeUninit<RigKeeper<Store<RigFlash>>> = MaybeUninit::uninit();

    outputs::rest();
    let (Some(mut core), Some(mut part)) = (pac::CorePeripherals::take(), pac::Peripherals::take()) else { stop() };
    two_stacks::guard(&mut core.MPU);
    let caused_reset = watchdog::caused_reset(&part.WATCHDOG);
    let mut dog = hal::Watchdog::new(part.WATCHDOG);
    let Some(clocks) = clocks(part.XOSC, part.CLOCKS, part.PLL_SYS, part.PLL_USB, &mut part.RESETS, &mut dog) else {
        stop()
    };
    let mut dog = Dog::new(dog, caused_reset);
    log_reset(&dog);
    dog.start(rig::WATCHDOG);

    let pins = Pins::new(part.IO_BANK0, part.PADS_BANK0, hal::Sio::new(part.SIO).gpio_bank0, &mut part.RESETS);
    let (Ok(far), Ok(supply), Ok(thermometer), Ok(sensor_supply)) = (
        AdcPin::new(pins.gpio26.reconfigure()),
        AdcPin::new(pins.gpio27.reconfigure()),
        AdcPin::new(pins.gpio28.reconfigure()),
        AdcPin::new(pins.gpio29.reconfigure()),
    ) else {
        stop()
    };
    let [for_far, for_supply, for_thermometer, for_far_supply, for_supply_supply] = WAITING;
    let (far, far_end) = Channel::new(far, for_far);
    let (supply, supply_end) = Channel::new(supply, for_supply);
    let (thermometer, thermometer_end) = Channel::new(thermometer, for_thermometer);
    let (sensor_supply, far_supply_end) = Channel::new(sensor_supply, for_far_supply);
    let (sensor_supply_copy, supply_supply_end) = for_supply_supply.split();

    // Checked by a test on the host, so impossible; otherwise nothing would ever move.
    let (Some(transducer), Some(thermistor)) =
        (rig::TRANSDUCER.validate_with(|_| {}), rig::THERMOMETER.validate_with(rig::THERMISTOR, |_| {}))
    else {
        stop()
    };
    let mut hardware = Parts {
        far: AnalogueRatio::new(far_end, far_supply_end, transducer),
        supply: AnalogueRatio::new(supply_end, supply_supply_end, transducer),
        thermometer: Analogue::new(thermometer_end, thermistor),
        supply_valve: Solenoid::active_high(pins.gpio2.reconfigure::<FunctionSioOutput, PullDown>())
            .with_read_back(Sense::low(pins.gpio6.reconfigure::<FunctionSioInput, PullNone>()), rig::READ_BACK_FOLLOW),
        vent_valve: Solenoid::active_high(pins.gpio3.reconfigure::<FunctionSioOutput, PullDown>())
            .with_read_back(Sense::low(pins.gpio7.reconfigure::<FunctionSioInput, PullNone>()), rig::READ_BACK_FOLLOW),
        pilot_valve: Solenoid::active_high(pins.gpio4.reconfigure::<FunctionSioOutput, PullDown>())
            .with_read_back(Sense::low(pins.gpio8.reconfigure::<FunctionSioInput, PullNone>()), rig::READ_BACK_FOLLOW),
        stop_circuit: Contact::closed_low(pins.gpio10.reconfigure::<FunctionSioInput, PullUp>(), rig::CONTACT_HOLD),
        guard: rig::GUARD_FITTED
            .then(|| Contact::closed_low(pins.gpio11.reconfigure::<FunctionSioInput, PullUp>(), rig::CONTACT_HOLD)),
        shut_switch: rig::SHUT_SWITCH_FITTED
            .then(|| Contact::closed_low(pins.gpio12.reconfigure::<FunctionSioInput, PullUp>(), rig::CONTACT_HOLD)),
        watchdog: dog,
        clock: Clock64(hal::Timer::new(part.TIMER, &mut part.RESETS, &clocks)),
        stop_memory: Retained,
    };
    // Once more from here on: the set-up above was watched too.
    let Ok(()) = hardware.begin(rig::WATCHDOG) else { stop() };
    let Some(rig) = rig::rig().and_then(|raw| hardware.describe(raw).validate_with(|_| {})) else { stop() };
    let mut start_contact =
        Contact::closed_low(pins.gpio13.reconfigure::<FunctionSioInput, PullUp>(), rig::CONTACT_HOLD);
    let mut start_button = StartButton::default();
    let mut empty_lamp = pins.gpio25.reconfigure::<FunctionSioOutput, PullDown>();

    let inputs = Inputs {
        adc: Adc::new(part.ADC, &mut part.RESETS),
        far,
        supply,
        thermometer,
        sensor_supply,
        sensor_supply_copy,
    };
    analogue::begin(inputs, core.SYST, clocks.system_clock.freq().to_Hz());
    let bus = UsbBus::new(part.USBCTRL_REGS, part.USBCTRL_DPRAM, clocks.usb_clock, true, &mut part.RESETS);
    let Some(mut received) = usb::begin(BUS.write(UsbBusAllocator::new(bus)), RECEIVED) else { stop() };
    let Ok(store) = Store::new(RigFlash::take(), [0, SECTOR], SECTOR) else { stop() };
    // The rig compiled in is a whole one; it bounds what may be loaded.
    let keeper = KEEPER.write(RigKeeper::new(rig, WithoutRig::CompiledIn, store));
    let sequencer = SEQUENCER.write(Sequencer::resume(keeper.rig(), None, Retained.kept()));
    let capabilities = Capabilities { single_outputs: true, rig_memory: true, ..Capabilities::default() };
    let link = LINK.write(Controller::new(capabilities));
    if let Some(key) = KEY {
        link.set_key(key, entropy::bytes(&part.ROSC, hardware.now()));
    }

    let record = POLLED;
    let mut pump = Pump::new();
    let mut done = analogue::readings();
    loop {
        let now = hardware.now();
        pump.receive(link, now, || received.dequeue());
        usb::poll_again();
        let due = analogue::readings();
        if done != due {
            // One poll for however many are due: after a delay there is nothing to catch up with.
            done = due;
            let Ok(()) = serve::service_with(link, now, sequencer, &mut hardware, record, keeper) else {
                // The watchdog has not been fed and is no longer fed.
                stop()
            };
            link.set_presses(start_button.update(start_contact.is_closed(now)));
            // Lit: reads empty. Proof is the gauge at the open bleed.
            let empty = sequencer.status().disconnect.includes_cavity();
            let Ok(()) = empty_lamp.set_state(empty.into());
            log(&record.events);
        }
        pump.transmit(link, now, usb::send);
        if done == analogue::readings() {
            // The system timer wakes it 8000 times a second.
            cortex_m::asm::wfi();
        }
    }
}

/// The crystal and both PLLs: 125 MHz for the core, 48 MHz for USB and converter, 1 MHz for timer and watchdog.
fn clocks(
    crystal: pac::XOSC,
    clocks: pac::CLOCKS,
    system: pac::PLL_SYS,
    usb: pac::PLL_USB,
    resets: &mut pac::RESETS,
    dog: &mut hal::Watchdog,
) -> Option<ClocksManager> {
    hal::clocks::init_clocks_and_plls(CRYSTAL_HZ, crystal, clocks, system, usb, resets, dog).ok()
}

#[cfg(feature = "defmt")]
fn log_reset(dog: &Dog) {
    defmt::info!("begun; reset by the watchdog: {}", dog.caused_reset());
}

#[cfg(not(feature = "defmt"))]
fn log_reset(_: &Dog) {}

#[cfg(feature = "defmt")]
fn log(events: &seathold_sequencer::event::Events) {
    for event in events {
        defmt::info!("{}", event);
    }
}

#[cfg(not(feature = "defmt"))]
fn log(_: &seathold_sequencer::event::Events) {}

/// End of a program that cannot continue: at rest, until the watchdog resets the part.
fn stop() -> ! {
    outputs::rest();
    cortex_m::interrupt::disable();
    loop {
        outputs::rest();
    }
}

#[panic_handler]
fn panic(_info: &PanicInfo<'_>) -> ! {
    outputs::rest();
    #[cfg(feature = "defmt")]
    defmt::error!("{}", defmt::Display2Format(_info));
    stop()
}

// SAFETY: the handler does not return, so it cannot break what it interrupted. It reads no frame: after an overflow
// there is none.
#[exception(trampoline = false)]
unsafe fn HardFault() -> ! {
    stop()
}

/// Every unexpected interrupt.
// SAFETY: as for `HardFault`.
#[exception]
unsafe fn DefaultHandler(_: i16) {
    stop()
}
