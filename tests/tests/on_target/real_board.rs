//! The real board, played on the host: its own rig, its own parts, and converter codes of twelve bits with noise, as far as
//! that goes without the part. Pins and codes are ours; everything between them is what the image runs.

use core::cell::RefCell;
use core::convert::Infallible;
use embedded_hal::digital::{ErrorType, InputPin, OutputPin};
use seathold_machine::ideal::Ideal;
use seathold_sequencer::adapters::analogue::{Analogue, AnalogueRatio};
use seathold_sequencer::adapters::contact::Contact;
use seathold_sequencer::adapters::conversion::{Adc, Conversion, Oversampler};
use seathold_sequencer::adapters::divider::MILLIKELVIN;
use seathold_sequencer::adapters::solenoid::{Sense, Solenoid};
use seathold_sequencer::adapters::{MonotonicClock, Parts};
use seathold_sequencer::event::{Disconnect, Event, Fault, Phase};
use seathold_sequencer::input::{Command, Prompt, Reading, SensorFault, Sides};
use seathold_sequencer::io::{Hardware, Operator, Watchdog};
use seathold_sequencer::output::{Coil, GasValve, Outputs, Pilot};
use seathold_sequencer::poll_loop::{self, PollRecord};
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::time::{Duration, Instant, millis};
use seathold_sequencer::verdict::Verdict;
use std::rc::Rc;

#[path = "../../../sequencer/boards/rp2040/src/rig.rs"]
mod rig;

/// Pins by the numbers of the wiring table.
const SUPPLY: usize = 2;
const VENT: usize = 3;
const PILOT: usize = 4;
const STOP: usize = 10;
const GUARD: usize = 11;
const SHUT: usize = 12;

#[derive(Clone, Copy, PartialEq)]
enum Signal {
    Far,
    Supply,
    SensorSupply,
    Thermometer,
}

/// What is wired to the board.
struct Bench {
    now_ms: u64,
    plant: Ideal,
    /// Output pins that are high, by number.
    high: [bool; 32],
    /// Contacts that are open, by number.
    open: [bool; 32],
    /// A driver that has welded shut: its coil stays energised.
    welded: Option<usize>,
    /// A coil whose wire is broken: nothing pulls its driver's output up.
    cut: Option<usize>,
    /// A wire that is broken: the input falls to ground.
    broken: Option<Signal>,
    sensor_supply_v: f64,
    fed: u32,
    readings: u32,
}

impl Bench {
    fn outputs(&self) -> Outputs {
        let on = |pin: usize| self.high[pin] || self.welded == Some(pin);
        Outputs {
            supply: if on(SUPPLY) { GasValve::Open } else { GasValve::Shut },
            vent: if on(VENT) { GasValve::Shut } else { GasValve::Open },
            pilot: if on(PILOT) { Pilot::Fed } else { Pilot::Exhausted },
        }
    }

    /// Volts at the converter's pin.
    fn volts(&self, signal: Signal) -> f64 {
        let transducer = |pa: f64| (0.1 + 0.8 * pa / 1e6) * self.sensor_supply_v * 0.6;
        match signal {
            _ if self.broken == Some(signal) => 0.0,
            Signal::Far => transducer(self.plant.far),
            Signal::Supply => transducer(self.plant.supply),
            Signal::SensorSupply => self.sensor_supply_v / 3.0,
            // 10 kΩ over 10 kΩ: 25 °C.
            Signal::Thermometer => 1.65,
        }
    }

    /// A reading: so many codes with noise of one step, which is what is told of this converter.
    fn reading(&mut self, signal: Signal) -> Conversion {
        let mut sum = Oversampler::new(rig::OVERSAMPLE);
        loop {
            let steps = self.volts(signal) / 3.3 * 4_096.0 + self.plant.gauss();
            if let Some(done) = sum.add(steps.clamp(0.0, 4_095.0) as u32) {
                return Conversion { number: self.readings, ..done };
            }
        }
    }
}

type Wired = Rc<RefCell<Bench>>;

struct Input(Wired, Signal, Option<u32>);

impl Adc for Input {
    type Error = Infallible;

    fn convert(&mut self) -> nb::Result<Conversion, Infallible> {
        let mut bench = self.0.borrow_mut();
        if self.2.replace(bench.readings) == Some(bench.readings) {
            return Err(nb::Error::WouldBlock);
        }
        Ok(bench.reading(self.1))
    }
}

struct Pin(Wired, usize);

impl ErrorType for Pin {
    type Error = Infallible;
}

impl OutputPin for Pin {
    fn set_low(&mut self) -> Result<(), Infallible> {
        self.0.borrow_mut().high[self.1] = false;
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        self.0.borrow_mut().high[self.1] = true;
        Ok(())
    }
}

/// The drain of a driver, or a contact to ground with a pull-up.
struct Sensed(Wired, usize);

impl ErrorType for Sensed {
    type Error = Infallible;
}

impl InputPin for Sensed {
    fn is_high(&mut self) -> Result<bool, Infallible> {
        let bench = self.0.borrow();
        let driver = [SUPPLY, VENT, PILOT].contains(&self.1);
        let pulled_up = !bench.high[self.1] && bench.welded != Some(self.1) && bench.cut != Some(self.1);
        Ok(if driver { pulled_up } else { bench.open[self.1] })
    }

    fn is_low(&mut self) -> Result<bool, Infallible> {
        self.is_high().map(|high| !high)
    }
}

struct Time(Wired);

impl MonotonicClock for Time {
    fn now(&mut self) -> Instant {
        Instant::from_ticks(self.0.borrow().now_ms * 1_000)
    }
}

struct Dog(Wired);

impl Watchdog for Dog {
    fn start(&mut self, _: Duration) {}
    fn feed(&mut self) {
        self.0.borrow_mut().fed += 1;
    }
    fn caused_reset(&self) -> bool {
        false
    }
}

/// Starts once, does what is asked, acknowledges what is latched if told to.
#[derive(Default)]
struct Hands {
    started: bool,
    work: Option<Coil>,
    asked: Option<Prompt>,
    wait: u32,
    events: Vec<Event>,
}

const SWAP_POLLS: u32 = 40;

impl Operator for Hands {
    fn link_up(&mut self) -> bool {
        true
    }

    fn command(&mut self, _: Instant, phase: Phase) -> Option<Command> {
        if phase == Phase::Ready && !self.started {
            self.started = true;
            return Some(Command::Start(Sides::Both));
        }
        if let Some(coil) = self.work.take() {
            return Some(Command::TestOutput(coil));
        }
        // Ends are swapped behind the guard: open for the first half of the wait.
        self.wait = self.wait.saturating_sub(1);
        if self.wait > 0 { None } else { self.asked.take().map(Command::Confirm) }
    }

    fn notify(&mut self, _: Instant, event: &Event) {
        if let Event::Prompted(ask) = event {
            self.asked = Some(*ask);
            self.wait = if *ask == Prompt::SwapEnds { SWAP_POLLS } else { 0 };
        }
        self.events.push(event.clone());
    }
}

/// The board, and the rig that it says it is: as `main.rs` of the image puts them together.
fn board(wired: &Wired) -> (impl Hardware<Error: core::fmt::Debug> + use<>, RawRig) {
    let input = |signal| Input(wired.clone(), signal, None);
    let transducer = rig::TRANSDUCER.validate().unwrap();
    let valve = |pin| {
        Solenoid::active_high(Pin(wired.clone(), pin))
            .with_read_back(Sense::low(Sensed(wired.clone(), pin)), rig::READ_BACK_FOLLOW)
    };
    let contact = |pin| Contact::closed_low(Sensed(wired.clone(), pin), rig::CONTACT_HOLD);
    let parts = Parts {
        far: AnalogueRatio::new(input(Signal::Far), input(Signal::SensorSupply), transducer),
        supply: AnalogueRatio::new(input(Signal::Supply), input(Signal::SensorSupply), transducer),
        thermometer: Analogue::new(input(Signal::Thermometer), rig::THERMOMETER.validate(rig::THERMISTOR).unwrap()),
        supply_valve: valve(SUPPLY),
        vent_valve: valve(VENT),
        pilot_valve: valve(PILOT),
        stop_circuit: contact(STOP),
        guard: rig::GUARD_FITTED.then(|| contact(GUARD)),
        shut_switch: rig::SHUT_SWITCH_FITTED.then(|| contact(SHUT)),
        watchdog: Dog(wired.clone()),
        clock: Time(wired.clone()),
        stop_memory: (),
    };
    let rig = parts.describe(rig::rig().expect("the rig fits together"));
    (parts, rig)
}

/// One poll of the board, whatever it is made of.
type Poll = Box<dyn FnMut(&mut Sequencer, &mut Hands) -> PollRecord>;

struct Run {
    raw: RawRig,
    wired: Wired,
    hands: Hands,
    sequencer: Sequencer,
    hardware: Poll,
}

impl Run {
    fn new(leak: f64) -> Self {
        let transducer = rig::TRANSDUCER.validate().unwrap().transducer();
        let mut plant = Ideal::new(transducer);
        plant.leak = leak;
        let wired = Rc::new(RefCell::new(Bench {
            now_ms: 0,
            plant,
            high: [false; 32],
            open: [false; 32],
            welded: None,
            cut: None,
            broken: None,
            sensor_supply_v: 5.0,
            fed: 0,
            readings: 0,
        }));
        let (mut hardware, raw) = board(&wired);
        let rig = raw.validate().unwrap_or_else(|errors| panic!("{errors}"));
        let recipe = RawRecipe::DEMO.validate(&rig).unwrap_or_else(|errors| panic!("{errors}"));
        Self {
            raw,
            hardware: Box::new(move |sequencer, hands| poll_loop::poll(sequencer, &mut hardware, hands).unwrap()),
            sequencer: Sequencer::new(rig, Some(recipe)),
            hands: Hands::default(),
            wired,
        }
    }

    fn poll(&mut self) -> PollRecord {
        {
            let mut bench = self.wired.borrow_mut();
            let outputs = bench.outputs();
            bench.plant.advance(outputs, 0.01);
            bench.now_ms += 10;
            bench.readings += 1;
            if self.hands.wait > 0 {
                bench.open[GUARD] = self.hands.wait > SWAP_POLLS / 2;
            }
        }
        let polled = (self.hardware)(&mut self.sequencer, &mut self.hands);
        assert!(!self.wired.borrow().outputs().supply_to_vent() || self.wired.borrow().welded.is_some());
        polled
    }

    fn until(&mut self, phase: Phase) {
        for _ in 0..60_000 {
            if self.sequencer.phase() == phase {
                return;
            }
            let _ = self.poll();
        }
        panic!("never came to {phase:?}; {:?}", self.hands.events);
    }

    fn verdict(&mut self) -> Verdict {
        for _ in 0..60_000 {
            let polled = self.poll();
            if let Some(Event::RunFinished { verdict, .. }) =
                polled.events.iter().find(|e| matches!(e, Event::RunFinished { .. }))
            {
                return *verdict;
            }
        }
        panic!("no verdict; {:?}", self.hands.events);
    }

    fn faults(&self) -> Vec<Fault> {
        let fault = |e: &Event| if let Event::Faulted(fault) = e { Some(*fault) } else { None };
        self.hands.events.iter().filter_map(fault).collect()
    }
}

#[test]
fn the_rig_of_the_board_fits_together() {
    let raw = Run::new(0.0).raw;
    let transducer = rig::TRANSDUCER.validate().unwrap().transducer();
    assert_eq!(raw.validate().unwrap().raw(), &raw);
    // What was told by the parts, and by nothing else.
    assert_eq!((raw.far, raw.supply, raw.thermometer), (transducer, Some(transducer), Some(MILLIKELVIN)));
    assert_eq!((raw.guard_fitted, raw.shut_switch_fitted), (true, false));
    // The beat comes out even, and four conversions of 96 cycles at 48 MHz (datasheet 4.9.2) leave most of it free.
    let beat_hz = rig::READINGS_HZ * u32::from(rig::OVERSAMPLE);
    assert_eq!(125_000_000 % beat_hz, 0);
    assert!(f64::from(beat_hz) * 4.0 * 96.0 / 48e6 < 0.1);
    // The watchdog lets a few polls pass, and bites before the sequencer would call it a stall.
    let poll = 1_000 / rig::READINGS_HZ;
    assert!(rig::WATCHDOG >= millis(5 * poll) && rig::WATCHDOG <= millis(raw.poll_gap_ms_max));
}

#[test]
fn a_tight_valve_is_found_tight_through_twelve_bits() {
    let mut run = Run::new(0.0);
    assert_eq!(run.verdict(), Verdict::Tight, "{:?}", run.hands.events);
    assert_eq!(run.faults(), []);
}

#[test]
fn a_valve_that_leaks_three_times_the_limit_is_found_leaking() {
    // 7.5e-4 Pa·m³/s from 45 cm³ is 16.7 Pa/s.
    let mut run = Run::new(50.0);
    assert_eq!(run.verdict(), Verdict::Leaking, "{:?}", run.hands.events);
}

#[test]
fn a_stop_lets_go_of_every_pin_in_the_same_poll() {
    let mut run = Run::new(0.0);
    run.until(Phase::Soak);
    run.wired.borrow_mut().open[STOP] = true;
    let polled = run.poll();
    assert_eq!(polled.outputs, Outputs::REST);
    assert_eq!(run.wired.borrow().outputs(), Outputs::REST);
    assert_eq!(run.faults(), [Fault::EmergencyStop]);
}

#[test]
fn a_guard_that_bounces_shut_again_was_open() {
    let mut run = Run::new(0.0);
    run.until(Phase::Soak);
    run.wired.borrow_mut().open[GUARD] = true;
    let _ = run.poll();
    run.wired.borrow_mut().open[GUARD] = false;
    let _ = run.poll();
    assert_eq!(run.faults(), [Fault::GuardOpen]);
    assert_eq!(run.wired.borrow().outputs().supply, GasValve::Shut);
}

#[test]
fn a_broken_transducer_wire_shuts_the_supply_in_the_same_poll() {
    let mut run = Run::new(0.0);
    run.until(Phase::Soak);
    run.wired.borrow_mut().broken = Some(Signal::Far);
    let polled = run.poll();
    assert_eq!(polled.inputs.far, Reading::SensorFault(SensorFault::Open));
    assert_eq!(run.wired.borrow().outputs().supply, GasValve::Shut);
    assert_eq!(run.faults(), [Fault::FarSensor]);
    // Blind, it never says that a fitting may be loosened.
    run.until(Phase::Trapped);
    assert_eq!(run.sequencer.status().disconnect, Disconnect::Pressurised);
}

#[test]
fn a_sensor_supply_that_browns_out_is_not_a_pressure() {
    let mut run = Run::new(0.0);
    run.until(Phase::Soak);
    for volts in [4.9, 4.7, 5.2] {
        run.wired.borrow_mut().sensor_supply_v = volts;
        let _ = run.poll();
    }
    assert_eq!(run.faults(), [], "a supply that moves inside its range changes nothing");
    run.wired.borrow_mut().sensor_supply_v = 4.3;
    assert_eq!(run.poll().inputs.far, Reading::SensorFault(SensorFault::BrownOut));
    assert_eq!(run.faults(), [Fault::FarSensor]);
}

#[test]
fn a_driver_that_has_welded_is_a_fault() {
    for pin in [SUPPLY, VENT, PILOT] {
        let mut run = Run::new(0.0);
        run.until(Phase::Settle);
        run.wired.borrow_mut().welded = Some(pin);
        // A pilot that stays fed lets the far side go at once, which looks like a gross leak; the driver gives it away before
        // anything is judged. What a driver will not follow is not known to be open into the vent either: no dwell is kept.
        run.until(Phase::Trapped);
        assert_eq!(run.faults(), [Fault::Output, Fault::Trapped], "GPIO{pin}");
        assert_eq!(run.sequencer.status().disconnect, Disconnect::Pressurised, "GPIO{pin}");
        assert!(!run.hands.events.iter().any(|event| matches!(event, Event::SideFinished(_))), "GPIO{pin}");
    }
}

/// A check of the rig without air, as `seathold doctor` asks for it.
#[test]
fn each_output_is_worked_by_itself_and_a_coil_with_a_broken_wire_shows() {
    for (coil, pin, pins) in [
        (Coil::Vent, VENT, [false, true, false]),
        (Coil::Pilot, PILOT, [false, false, true]),
        (Coil::Supply, SUPPLY, [true, true, false]),
    ] {
        for cut in [None, Some(pin)] {
            let mut run = Run::new(0.0);
            run.hands.started = true;
            run.wired.borrow_mut().plant.shop = 0.0;
            run.until(Phase::Ready);
            run.wired.borrow_mut().cut = cut;
            // A stroke and a half of rest, and the dwell.
            let seen = (0..200).map(|_| run.poll()).last().unwrap();
            assert_eq!(seen.inputs.readback_mismatch, cut.is_some(), "GPIO{pin} at rest");
            run.hands.work = Some(coil);
            let _ = run.poll();
            let _ = run.poll();
            if cut.is_some() {
                assert_eq!(run.faults(), [Fault::Output], "GPIO{pin}");
                continue;
            }
            (0..10).for_each(|_| drop(run.poll()));
            assert_eq!(run.sequencer.phase(), Phase::OutputTest);
            assert_eq!([SUPPLY, VENT, PILOT].map(|pin| run.wired.borrow().high[pin]), pins, "GPIO{pin}");
            run.until(Phase::SafeVent);
            run.until(Phase::Ready);
            assert_eq!(run.faults(), [], "GPIO{pin}");
            assert_eq!([SUPPLY, VENT, PILOT].map(|pin| run.wired.borrow().high[pin]), [false; 3], "GPIO{pin}");
        }
    }
}

#[test]
fn the_watchdog_is_fed_once_a_poll() {
    let mut run = Run::new(0.0);
    run.until(Phase::Ready);
    let fed = run.wired.borrow().fed;
    assert_eq!(u64::from(fed), run.wired.borrow().now_ms / 10);
}
