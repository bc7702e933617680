//! The whole controller with a simulated rig on it, served over UART 0: a desk demonstration, and the target of the
//! tests over a socket. How to talk to it: `docs/controller.md`.
#![no_std]
#![no_main]

mod log;
mod outputs;
mod ram_flash;
mod uart;
mod watchdog;

use core::cell::RefCell;
use core::mem::MaybeUninit;
use cortex_m::peripheral::syst::SystClkSource;
use cortex_m_rt::{entry, exception};
use critical_section::Mutex;
use heapless::spsc::{Producer, Queue};
use ram_flash::{RamFlash, Room, SLOT};
use seathold_board::{down, stop_memory::Retained, two_stacks};
use seathold_sequencer::input::Sides;
use seathold_sequencer::io::{StopMemory, Watchdog};
use seathold_sequencer::link::controller::Controller;
use seathold_sequencer::link::message::Capabilities;
use seathold_sequencer::link::pump::Pump;
use seathold_sequencer::link::rig_keeper::{RigKeeper, WithoutRig};
use seathold_sequencer::link::serve;
use seathold_sequencer::poll_loop::PollRecord;
use seathold_sequencer::rig::{RawRig, Rig};
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::store::Store;
use seathold_sequencer::time::{Duration, Instant, millis};
use seathold_sim::config::{PlantSpec, RawPlant};
use seathold_sim::operator::{OperatorSpec, RawOperator, SimOperator};
use seathold_sim::rig::SimRig;
use seathold_sim::scenario::{self, Checked};
use seathold_sim::sensor::{RawSensor, RawThermometer, SensorSpec, ThermometerSpec};
use watchdog::Dog;

/// Bytes for records the host does not have yet: about half a minute.
const STORE: usize = 12 * 1024;

/// Time between polls of the simulated rig.
const POLL_MS: u32 = 10;

/// The longest the loop may be silent. Long for a controller: an emulator on a busy machine is delayed now and then.
const WATCHDOG: Duration = millis(1_000);

/// The scenario on the rig, by name; built in with `SEATHOLD_SCENARIO=scratched-seat-a`, else a tight valve. `-by-hand`
/// behind it gives the valve a lever.
///
/// It lies in the image behind a mark, with room for any name, so that a test writes another into a copy of the image
/// and needs no build for it.
static SCENARIO: [u8; 64] = marked(match option_env!("SEATHOLD_SCENARIO") {
    Some(name) => name,
    None => "tight",
});

/// The mark before the name in the image.
const MARK: &[u8] = b"SEATHOLD_SCENARIO=";

/// Polls per hundredth of a second: 1 is real time. Built in with `SEATHOLD_SPEED=20`.
const SPEED: u32 = match option_env!("SEATHOLD_SPEED") {
    Some(text) => number(text),
    None => 1,
};

/// The core's clock after reset, in Hz: the emulator's, and the part's within its internal oscillator's tolerance.
const CORE_HZ: u32 = 12_500_000;

const fn marked(name: &str) -> [u8; 64] {
    let mut text = [b' '; 64];
    let (mark, name) = (MARK, name.as_bytes());
    assert!(mark.len() + name.len() <= text.len(), "SEATHOLD_SCENARIO is too long");
    let mut i = 0;
    while i < mark.len() + name.len() {
        text[i] = if i < mark.len() { mark[i] } else { name[i - mark.len()] };
        i += 1;
    }
    text
}

// The functions below are never inlined: their values take kilobytes of stack, which are free again once they have
// returned.

/// The scenario named in the image as it lies there, whatever the compiler saw.
#[inline(never)]
fn chosen() -> Option<Checked> {
    let name = core::hint::black_box(&SCENARIO).get(MARK.len()..)?;
    let name = core::str::from_utf8(name).ok()?.trim_end();
    let scenario = match name.strip_suffix("-by-hand") {
        Some(name) => scenario::find(name)?.by_hand(),
        None => *scenario::find(name)?,
    };
    Some(Checked {
        plant: plant(&scenario.plant)?,
        far: sensor(&scenario.far)?,
        supply: sensor(&scenario.supply)?,
        thermometer: thermometer(&scenario.thermometer)?,
        operator: operator(&scenario.operator)?,
    })
}

#[inline(never)]
fn plant(raw: &RawPlant) -> Option<PlantSpec> {
    raw.validate().ok()
}

#[inline(never)]
fn sensor(raw: &RawSensor) -> Option<SensorSpec> {
    raw.validate().ok()
}

#[inline(never)]
fn thermometer(raw: &RawThermometer) -> Option<ThermometerSpec> {
    raw.validate().ok()
}

#[inline(never)]
fn operator(raw: &RawOperator) -> Option<OperatorSpec> {
    raw.validate().ok()
}

#[inline(never)]
fn rig_in<'a>(place: &'a mut MaybeUninit<SimRig>, scenario: &Checked, rig: &RawRig) -> &'a mut SimRig {
    place.write(SimRig::new(scenario, rig, 7))
}

#[inline(never)]
fn link_in(place: &mut MaybeUninit<Controller<STORE>>) -> &mut Controller<STORE> {
    let capabilities =
        Capabilities { simulated: true, single_outputs: true, rig_memory: true, ..Capabilities::default() };
    place.write(Controller::new(capabilities))
}

#[inline(never)]
fn sequencer_in(place: &mut MaybeUninit<Sequencer>, rig: Rig) -> &mut Sequencer {
    place.write(Sequencer::resume(rig, None, Retained.kept()))
}

#[inline(never)]
fn keeper_in(
    place: &mut MaybeUninit<RigKeeper<Store<RamFlash>>>,
    rig: Rig,
    store: Store<RamFlash>,
) -> &mut RigKeeper<Store<RamFlash>> {
    place.write(RigKeeper::new(rig, WithoutRig::CompiledIn, store))
}

const fn number(text: &str) -> u32 {
    let bytes = text.as_bytes();
    let (mut value, mut i) = (0, 0);
    while i < bytes.len() {
        assert!(bytes[i].is_ascii_digit(), "SEATHOLD_SPEED must be a whole number");
        value = value * 10 + (bytes[i] - b'0') as u32;
        i += 1;
    }
    assert!(value >= 1 && value <= 100, "SEATHOLD_SPEED must be 1 to 100");
    value
}

/// Bytes from the line, put in by the interrupt.
static RECEIVED: Mutex<RefCell<Option<Producer<'static, u8>>>> = Mutex::new(RefCell::new(None));

/// Polls due, and the line's time in microseconds; counted by the timer's interrupt.
static TICKS: Mutex<RefCell<u32>> = Mutex::new(RefCell::new(0));

#[entry]
fn main() -> ! {
    static mut QUEUE: Queue<u8, 1024> = Queue::new();
    static mut LINK: MaybeUninit<Controller<STORE>> = MaybeUninit::uninit();
    static mut SEQUENCER: MaybeUninit<Sequencer> = MaybeUninit::uninit();
    static mut RIG: MaybeUninit<SimRig> = MaybeUninit::uninit();
    static mut KEEPER: MaybeUninit<RigKeeper<Store<RamFlash>>> = MaybeUninit::uninit();
    static mut FLASH: Room = [0; 2 * SLOT as usize];
    static mut POLLED: PollRecord = PollRecord::empty();

    outputs::rest();
    let (producer, mut received) = QUEUE.split();
    critical_section::with(|cs| RECEIVED.borrow(cs).replace(Some(producer)));
    let Some(mut core) = cortex_m::Peripherals::take() else {
        down::stop(outputs::rest, &"the core's registers were taken before");
    };
    two_stacks::guard(&mut core.MPU);
    let mut dog = Dog::new();
    log::begun(dog.caused_reset());
    dog.start(WATCHDOG);
    uart::begin();
    core.SYST.set_clock_source(SystClkSource::Core);
    core.SYST.set_reload(CORE_HZ / (1_000 / POLL_MS) / SPEED - 1);
    core.SYST.clear_current();
    core.SYST.enable_counter();
    core.SYST.enable_interrupt();

    let Some(raw) = RawRig::DEMO.validate_with(|_| {}) else { down::stop(outputs::rest, &"the rig is not valid") };
    let Some(checked) = chosen() else { down::stop(outputs::rest, &"no such scenario") };
    let rig = rig_in(RIG, &checked, raw.raw());
    // The host sends the requests; of the simulated operator only the hands are used.
    let mut hands = SimOperator::new(&checked.operator, Sides::Both, millis(checked.plant.raw().lever_ms));
    let Ok(store) = Store::new(RamFlash(FLASH), [0, SLOT], SLOT) else {
        down::stop(outputs::rest, &"the flash's layout")
    };
    let keeper = keeper_in(KEEPER, raw, store);
    let sequencer = sequencer_in(SEQUENCER, keeper.rig());
    let link = link_in(LINK);

    let record = POLLED;
    let mut pump = Pump::new();
    let mut done = 0;
    loop {
        let ticks = critical_section::with(|cs| *TICKS.borrow_ref(cs));
        // The line's time follows the wall clock, not with the simulated rig's.
        let now = Instant::from_ticks(u64::from(ticks) * u64::from(POLL_MS) * 1_000 / u64::from(SPEED));
        pump.receive(link, now, || received.dequeue());
        if done != ticks {
            done += 1;
            let Ok(()) = serve::service_with(link, now, sequencer, rig, record, keeper);
            rig.follow_host(&mut hands, record, sequencer.phase());
            rig.apply_due_actions(&mut hands);
            rig.advance(millis(POLL_MS));
            // The rig's own memory is the simulated one, and is lost in a reset.
            Retained.keep(sequencer.stop_latched());
            // Every output has been set.
            dog.feed();
            log::events(&record.events);
        }
        pump.transmit(link, now, |bytes| bytes.first().map_or(0, |&byte| uart::send(byte).into()));
        if pump.is_idle() && done == critical_section::with(|cs| *TICKS.borrow_ref(cs)) {
            cortex_m::asm::wfi();
        }
    }
}

#[exception]
fn SysTick() {
    critical_section::with(|cs| *TICKS.borrow_ref_mut(cs) += 1);
}

/// Every interrupt of a device comes here: only the UART's is enabled.
// SAFETY: it touches the queue's own end alone, and that under a critical section.
#[exception]
unsafe fn DefaultHandler(interrupt: i16) {
    if interrupt != uart::INTERRUPT as i16 {
        down::stop(outputs::rest, &"an unexpected interrupt");
    }
    critical_section::with(|cs| {
        if let Some(queue) = RECEIVED.borrow_ref_mut(cs).as_mut() {
            while let Some(byte) = uart::receive() {
                // A full queue loses bytes, as a line does; the link requests them again.
                let _ = queue.enqueue(byte);
            }
        }
    });
}

seathold_board::stop_at_rest!(outputs::rest);
