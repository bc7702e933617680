//! A rig put together from parts, one for each input and output.

use super::contact::Switch;
use super::solenoid::CoilDriver;
use crate::input::{Contacts, Sample, SensorFault};
use crate::io::{Hardware, StopMemory, Watchdog};
use crate::output::{GasValve, Outputs, Pilot};
use crate::rig::{RawRig, Thermometer, Transducer};
use crate::time::{Duration, Instant};
use core::fmt;

/// An analogue channel: transducer, wiring and converter together.
pub trait Converter {
    /// The next conversion, returned once.
    ///
    /// # Errors
    /// `WouldBlock` until one is ready; a [`SensorFault`] when the channel has a known fault.
    fn read(&mut self) -> nb::Result<Sample, SensorFault>;

    /// Whether there is one at all.
    fn is_fitted(&self) -> bool {
        true
    }

    /// Scale of its counts, where it is a pressure channel that knows it.
    fn transducer(&self) -> Option<Transducer> {
        None
    }

    /// Scale of its counts, where it is a thermometer that knows it.
    fn thermometer(&self) -> Option<Thermometer> {
        None
    }
}

/// A channel that is not fitted.
impl Converter for () {
    fn read(&mut self) -> nb::Result<Sample, SensorFault> {
        Err(nb::Error::WouldBlock)
    }

    fn is_fitted(&self) -> bool {
        false
    }
}

/// Fitted or not, as a board finds out when it starts or is built.
impl<C: Converter> Converter for Option<C> {
    fn read(&mut self) -> nb::Result<Sample, SensorFault> {
        self.as_mut().map_or(Err(nb::Error::WouldBlock), Converter::read)
    }

    fn is_fitted(&self) -> bool {
        self.as_ref().is_some_and(Converter::is_fitted)
    }

    fn transducer(&self) -> Option<Transducer> {
        self.as_ref().and_then(Converter::transducer)
    }

    fn thermometer(&self) -> Option<Thermometer> {
        self.as_ref().and_then(Converter::thermometer)
    }
}

/// Whatever gives a reading in counts or has none: the loop's end of a queue, or a function that asks a digital sensor.
impl<F> Converter for F
where
    F: FnMut() -> Option<Result<Sample, SensorFault>>,
{
    fn read(&mut self) -> nb::Result<Sample, SensorFault> {
        self().ok_or(nb::Error::WouldBlock)?.map_err(nb::Error::Other)
    }
}

/// A clock that never goes back.
pub trait MonotonicClock {
    /// The time now.
    fn now(&mut self) -> Instant;
}

/// Any function that tells the time.
impl<F: FnMut() -> Instant> MonotonicClock for F {
    fn now(&mut self) -> Instant {
        self()
    }
}

/// A rig assembled from parts. Fields are public: a board may take a rig apart for a self-test.
///
/// What every rig has comes first among the types: far channel, solenoid, stop circuit, watchdog and clock. The rest may be
/// left out, from the end: memory of the stop, supply-side channel, thermometer, guard, switch on the valve; and vent and
/// pilot valve where their type is another than the supply valve's. So a rig is named by
/// `Parts<Far, Coil, Contact, Dog, Clock, Memory>`, and a function takes any by `impl Hardware`.
///
/// # Example
/// A rig with three solenoids and a stop circuit on pins of `embedded-hal-mock`, a watchdog and a clock. Supply and vent
/// are set in the order that never has both open.
/// ```
/// use embedded_hal_mock::eh1::digital::{Mock, State, Transaction};
/// use seathold_sequencer::adapters::{Contact, Parts, Solenoid};
/// use seathold_sequencer::io::{Hardware, Watchdog};
/// use seathold_sequencer::output::{GasValve, Outputs, Pilot};
/// use seathold_sequencer::time::{Duration, Instant, millis};
///
/// /// Counts down in milliseconds; at zero it would reset the part.
/// struct Dog {
///     timeout_ms: u64,
///     left_ms: u64,
/// }
///
/// impl Watchdog for Dog {
///     fn start(&mut self, timeout: Duration) {
///         self.timeout_ms = timeout.as_millis();
///         self.feed();
///     }
///     fn feed(&mut self) {
///         self.left_ms = self.timeout_ms;
///     }
///     fn caused_reset(&self) -> bool {
///         false
///     }
/// }
///
/// let [fill, rest] = [State::High, State::Low].map(Transaction::set);
/// let pin = || Mock::new(&[rest.clone(), fill.clone(), rest.clone()]);
/// let (mut supply, mut vent, mut pilot) = (pin(), pin(), pin());
/// let mut stop = Mock::new(&[Transaction::get(State::Low)]);
/// let mut rig = Parts {
///     far: (), // an `Analogue`, on a rig that measures
///     supply: (),
///     thermometer: (),
///     supply_valve: Solenoid::active_high(supply.clone()).without_read_back(),
///     vent_valve: Solenoid::active_high(vent.clone()).without_read_back(),
///     pilot_valve: Solenoid::active_high(pilot.clone()).without_read_back(),
///     stop_circuit: Contact::closed_low(stop.clone(), millis(30)),
///     guard: (),
///     shut_switch: (),
///     watchdog: Dog { timeout_ms: 0, left_ms: 0 },
///     clock: || Instant::from_ticks(0),
///     stop_memory: (),
/// };
/// // At rest first, then watched.
/// assert_eq!(rig.begin(millis(500)), Ok(()));
///
/// assert!(!rig.contacts().stop);
/// assert_eq!(rig.apply(Outputs { supply: GasValve::Open, vent: GasValve::Shut, pilot: Pilot::Fed }), Ok(()));
/// assert_eq!(rig.apply(Outputs::REST), Ok(()));
/// rig.watchdog.left_ms = 100;
/// rig.feed_watchdog();
/// assert_eq!(rig.watchdog.left_ms, 500);
/// for pin in [&mut supply, &mut vent, &mut pilot, &mut stop] {
///     pin.done();
/// }
/// ```
#[derive(Debug)]
pub struct Parts<F, S, E, W, C, M = (), U = (), T = (), G = (), K = (), V = S, P = S> {
    /// Far-side channel.
    pub far: F,
    /// Supply-side channel; `()` where not fitted.
    pub supply: U,
    /// Thermometer channel; `()` where not fitted.
    pub thermometer: T,
    /// Supply valve: normally closed.
    pub supply_valve: S,
    /// Vent valve: normally open, so energised shuts it.
    pub vent_valve: V,
    /// Pilot valve: normally exhausted.
    pub pilot_valve: P,
    /// Emergency stop circuit: *closed* while the stop is released, so that a broken wire stops.
    pub stop_circuit: E,
    /// Guard: contact closed while the guard is closed; `()` where not fitted.
    pub guard: G,
    /// Position switch of the valve under test: closed while it is shut; `()` where not fitted.
    pub shut_switch: K,
    /// Watchdog.
    pub watchdog: W,
    /// Clock.
    pub clock: C,
    /// Where an emergency stop is retained over a reset; `()` where not at all.
    pub stop_memory: M,
}

/// Which solenoid could not be set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum OutputError {
    /// Supply valve.
    Supply,
    /// Vent valve.
    Vent,
    /// Pilot valve.
    Pilot,
}

impl fmt::Display for OutputError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let valve = match self {
            Self::Supply => "supply",
            Self::Vent => "vent",
            Self::Pilot => "pilot",
        };
        write!(f, "the {valve} valve's output could not be set")
    }
}

impl core::error::Error for OutputError {}

impl<F, S, E, W, C, M, U, T, G, K, V, P> Parts<F, S, E, W, C, M, U, T, G, K, V, P>
where
    Self: Hardware<Error = OutputError>,
    W: Watchdog,
{
    /// Puts every output at rest, then starts the watchdog: to be called once, before the first poll. A watchdog that is only
    /// fed watches nothing.
    ///
    /// `timeout` is longer than the longest poll, and shorter than the valves may be left as they are: ten polls, as a rule of
    /// thumb (common practice, no source).
    ///
    /// # Errors
    /// The output that could not be set. The watchdog runs all the same, so a program that ends there is reset.
    pub fn begin(&mut self, timeout: Duration) -> Result<(), OutputError> {
        let at_rest = self.apply(Outputs::REST);
        self.watchdog.start(timeout);
        at_rest
    }
}

impl<F, S, E, W, C, M, U, T, G, K, V, P> Parts<F, S, E, W, C, M, U, T, G, K, V, P>
where
    F: Converter,
    U: Converter,
    T: Converter,
    G: Switch,
    K: Switch,
{
    /// The rig as these parts say it is: which contacts and channels are fitted, and what a count of those is worth that know
    /// it. Everything else, and the scale of a channel that is fitted and does not know it, is taken from `rig`. So what is
    /// wired is told once, by the parts. The scales are the data sheets': a calibration goes into what this returns.
    pub fn describe(&self, rig: RawRig) -> RawRig {
        RawRig {
            guard_fitted: self.guard.is_fitted(),
            shut_switch_fitted: self.shut_switch.is_fitted(),
            far: self.far.transducer().unwrap_or(rig.far),
            supply: if self.supply.is_fitted() { self.supply.transducer().or(rig.supply) } else { None },
            thermometer: if self.thermometer.is_fitted() {
                self.thermometer.thermometer().or(rig.thermometer)
            } else {
                None
            },
            ..rig
        }
    }
}

impl<F, S, E, W, C, M, U, T, G, K, V, P> Hardware for Parts<F, S, E, W, C, M, U, T, G, K, V, P>
where
    F: Converter,
    U: Converter,
    T: Converter,
    S: CoilDriver,
    V: CoilDriver,
    P: CoilDriver,
    E: Switch,
    G: Switch,
    K: Switch,
    W: Watchdog,
    C: MonotonicClock,
    M: StopMemory,
{
    type Error = OutputError;

    fn now(&mut self) -> Instant {
        self.clock.now()
    }

    fn far(&mut self) -> nb::Result<Sample, SensorFault> {
        self.far.read()
    }

    fn supply(&mut self) -> nb::Result<Sample, SensorFault> {
        self.supply.read()
    }

    fn thermometer(&mut self) -> nb::Result<Sample, SensorFault> {
        self.thermometer.read()
    }

    fn contacts(&mut self) -> Contacts {
        let now = self.clock.now();
        Contacts {
            stop: !self.stop_circuit.is_closed(now),
            guard_closed: self.guard.is_closed(now),
            valve_shut: self.shut_switch.is_closed(now),
        }
    }

    /// Closing outputs are set first, so that an error half-way never leaves supply and vent both open. One that cannot
    /// be set does not prevent the release of the others.
    fn apply(&mut self, outputs: Outputs) -> Result<(), OutputError> {
        let feed = outputs.supply == GasValve::Open;
        let mut failed = None;
        if !feed && self.supply_valve.energise(false).is_err() {
            failed = Some(OutputError::Supply);
        }
        if self.vent_valve.energise(outputs.vent == GasValve::Shut).is_err() {
            failed = failed.or(Some(OutputError::Vent));
        }
        if self.pilot_valve.energise(outputs.pilot == Pilot::Fed).is_err() {
            failed = failed.or(Some(OutputError::Pilot));
        }
        // Never opened once anything has failed.
        if feed && self.supply_valve.energise(failed.is_none()).is_err() {
            failed = failed.or(Some(OutputError::Supply));
        }
        failed.map_or(Ok(()), Err)
    }

    fn readback_mismatch(&mut self) -> bool {
        let now = self.clock.now();
        // Each is read, so that each keeps its own time.
        let [supply, vent, pilot] =
            [self.supply_valve.mismatch(now), self.vent_valve.mismatch(now), self.pilot_valve.mismatch(now)];
        supply || vent || pilot
    }

    fn retain_stop(&mut self, stopped: bool) {
        self.stop_memory.keep(stopped);
    }

    fn feed_watchdog(&mut self) {
        self.watchdog.feed();
    }
}

#[cfg(test)]
mod tests {
    extern crate std;

    use super::super::{Contact, Solenoid};
    use super::*;
    use crate::adapters::analogue::Analogue;
    use crate::adapters::conversion::Conversion;
    use crate::adapters::current_loop::RawCurrentLoop;
    use crate::adapters::divider::{MILLIKELVIN, RawDivider};
    use crate::adapters::thermistor::Thermistor;
    use crate::event::{Event, Phase};
    use crate::input::Command;
    use crate::io::Operator;
    use crate::poll_loop;
    use crate::step::Sequencer;
    use crate::time::millis;
    use embedded_hal_mock::eh1::MockError;
    use embedded_hal_mock::eh1::digital::{Mock, State, Transaction};
    use std::io::ErrorKind;
    use std::vec::Vec;

    #[derive(Debug, Default)]
    struct Dog {
        started: Option<Duration>,
        fed: u32,
    }

    impl Watchdog for Dog {
        fn start(&mut self, timeout: Duration) {
            self.started = Some(timeout);
        }
        fn feed(&mut self) {
            self.fed += 1;
        }
        fn caused_reset(&self) -> bool {
            false
        }
    }

    #[derive(Debug)]
    struct Steps(u64);

    impl MonotonicClock for Steps {
        fn now(&mut self) -> Instant {
            self.0 += 1_000;
            Instant::from_ticks(self.0)
        }
    }

    struct Nobody;

    impl Operator for Nobody {
        fn link_up(&mut self) -> bool {
            false
        }
        fn command(&mut self, _: Instant, _: Phase) -> Option<Command> {
            None
        }
        fn notify(&mut self, _: Instant, _: &Event) {}
    }

    type Rig = Parts<(), Solenoid<Mock>, Contact<Mock>, Dog, Steps>;

    /// A rig whose pins expect these and nothing else.
    fn rig(supply: &[Transaction], vent: &[Transaction], pilot: &[Transaction], stop: &[Transaction]) -> Rig {
        Parts {
            far: (),
            supply: (),
            thermometer: (),
            supply_valve: Solenoid::active_high(Mock::new(supply)).without_read_back(),
            vent_valve: Solenoid::active_high(Mock::new(vent)).without_read_back(),
            pilot_valve: Solenoid::active_high(Mock::new(pilot)).without_read_back(),
            stop_circuit: Contact::closed_low(Mock::new(stop), millis(30)),
            guard: (),
            shut_switch: (),
            watchdog: Dog::default(),
            clock: Steps(0),
            stop_memory: (),
        }
    }

    fn done(rig: Rig) {
        let solenoids = [rig.supply_valve, rig.vent_valve, rig.pilot_valve];
        let pins: Vec<Mock> =
            solenoids.into_iter().map(Solenoid::release).chain([rig.stop_circuit.release()]).collect();
        for mut pin in pins {
            pin.done();
        }
    }

    fn set(state: State) -> Transaction {
        Transaction::set(state)
    }

    fn stuck(state: State) -> Transaction {
        Transaction::set(state).with_error(MockError::Io(ErrorKind::NotConnected))
    }

    const FILL: Outputs = Outputs { supply: GasValve::Open, vent: GasValve::Shut, pilot: Pilot::Fed };

    #[test]
    fn at_rest_nothing_is_energised() {
        let low = [set(State::Low)];
        let mut rig = rig(&low, &low, &low, &[]);
        assert_eq!(rig.apply(Outputs::REST), Ok(()));
        done(rig);
    }

    #[test]
    fn supply_is_not_opened_when_the_vent_could_not_be_shut() {
        let mut rig = rig(&[set(State::Low)], &[stuck(State::High)], &[set(State::High)], &[]);
        assert_eq!(rig.apply(FILL), Err(OutputError::Vent));
        done(rig);
    }

    #[test]
    fn one_that_is_stuck_does_not_prevent_the_others_from_going_to_rest() {
        let mut rig = rig(&[stuck(State::Low)], &[set(State::Low)], &[set(State::Low)], &[]);
        assert_eq!(rig.apply(Outputs::REST), Err(OutputError::Supply));
        done(rig);
    }

    #[test]
    fn what_is_not_fitted_or_not_readable_is_cautious() {
        let unreadable = [Transaction::get(State::Low).with_error(MockError::Io(ErrorKind::NotConnected))];
        let mut rig = rig(&[], &[], &[], &unreadable);
        assert_eq!(rig.contacts(), Contacts { stop: true, guard_closed: false, valve_shut: false });
        done(rig);
    }

    #[test]
    fn the_watchdog_is_fed_only_when_every_output_was_set() {
        let breaks = [set(State::Low), stuck(State::Low)];
        let low = [set(State::Low), set(State::Low)];
        let closed = [Transaction::get(State::Low), Transaction::get(State::Low)];
        let mut rig = rig(&low, &low, &breaks, &closed);
        let mut sequencer = Sequencer::new(RawRig::DEMO.validate().unwrap(), None);
        // After a reset everything is at rest.
        assert!(poll_loop::poll(&mut sequencer, &mut rig, &mut Nobody).is_ok());
        assert_eq!(rig.watchdog.fed, 1);
        assert_eq!(poll_loop::poll(&mut sequencer, &mut rig, &mut Nobody).err(), Some(OutputError::Pilot));
        assert_eq!(rig.watchdog.fed, 1);
        done(rig);
    }

    #[test]
    fn it_begins_at_rest_and_then_watched() {
        let low = [set(State::Low)];
        let mut rig = rig(&low, &low, &low, &[]);
        assert_eq!(rig.begin(millis(100)), Ok(()));
        assert_eq!(rig.watchdog.started, Some(millis(100)));
        done(rig);
    }

    #[test]
    fn it_is_watched_even_where_an_output_cannot_be_put_at_rest() {
        let low = [set(State::Low)];
        let mut rig = rig(&low, &[stuck(State::Low)], &low, &[]);
        assert_eq!(rig.begin(millis(100)), Err(OutputError::Vent));
        assert_eq!(rig.watchdog.started, Some(millis(100)));
        done(rig);
    }

    #[test]
    fn what_is_fitted_and_what_a_count_is_worth_are_told_by_the_parts() {
        let sensor = RawCurrentLoop::DEMO.validate().unwrap();
        let nothing_yet = || None::<Result<Conversion, ()>>;
        let bare = rig(&[], &[], &[], &[]);
        let told = bare.describe(RawRig::DEMO);
        let wired = (told.guard_fitted, told.shut_switch_fitted, told.supply, told.thermometer, told.far);
        assert_eq!(wired, (false, false, None, None, RawRig::DEMO.far), "the far channel says nothing of its scale");
        done(bare);

        let pin = || Mock::new(&[]);
        let coil = || Solenoid::active_high(pin()).without_read_back();
        let counts = |counts| move || Some(Ok::<_, SensorFault>(Sample { counts, number: 0 }));
        let mut rig = Parts {
            far: Analogue::new(nothing_yet, sensor),
            supply: counts(7),
            thermometer: Some(Analogue::new(nothing_yet, RawDivider::DEMO.validate(Thermistor::TEN_KILOHM).unwrap())),
            supply_valve: coil(),
            vent_valve: coil(),
            pilot_valve: coil(),
            stop_circuit: Contact::closed_low(pin(), millis(30)),
            guard: None::<Contact<Mock>>,
            shut_switch: Some(Contact::closed_low(pin(), millis(30))),
            watchdog: Dog::default(),
            clock: Steps(0),
            stop_memory: (),
        };
        let told = rig.describe(RawRig::DEMO);
        assert_eq!((told.guard_fitted, told.shut_switch_fitted), (false, true));
        assert_eq!((told.far, told.thermometer), (sensor.transducer(), Some(MILLIKELVIN)));
        assert_eq!(told.supply, RawRig::DEMO.supply, "it is fitted, and what a count is worth is the rig's to say");
        assert_eq!(Hardware::supply(&mut rig), Ok(Sample { counts: 7, number: 0 }));
        assert_eq!(Hardware::far(&mut rig), Err(nb::Error::WouldBlock));
        for mut pin in [rig.supply_valve, rig.vent_valve, rig.pilot_valve].map(Solenoid::release) {
            pin.done();
        }
        rig.stop_circuit.release().done();
        rig.shut_switch.unwrap().release().done();
    }
}
