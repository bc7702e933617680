use embedded_hal::digital::{InputPin, OutputPin};

use super::contact::Contact;
use super::solenoid::Solenoid;
use crate::input::{Contacts, Sample, SensorFault};
use crate::io::Hardware;
use crate::output::{Gate, Outputs, Pilot};
use crate::time::Instant;

/// An analogue channel: transducer, wiring and converter together.
pub trait Converter {
    /// The next conversion, handed over once.
    ///
    /// # Errors
    /// `WouldBlock` until one is ready; a [`SensorFault`] when the channel is known to be sick.
    fn read(&mut self) -> nb::Result<Sample, SensorFault>;
}

/// A channel that is not fitted.
impl Converter for () {
    fn read(&mut self) -> nb::Result<Sample, SensorFault> {
        Err(nb::Error::WouldBlock)
    }
}

/// A clock that never goes back.
pub trait Ticker {
    /// The time now.
    fn now(&mut self) -> Instant;
}

/// A hardware watchdog. When it bites, every solenoid must fall to rest.
pub trait Watchdog {
    /// Puts the bite off.
    fn feed(&mut self);
}

/// A rig put together from parts. Fields are public: taking a rig apart for a self-test is a board's own business.
#[derive(Debug)]
pub struct Parts<F, U, T, S, V, P, E, G, W, C> {
    /// Far-side channel.
    pub far: F,
    /// Supply-side channel; `()` where not fitted.
    pub supply: U,
    /// Thermometer channel; `()` where not fitted.
    pub thermometer: T,
    /// Supply valve: normally closed.
    pub supply_valve: Solenoid<S>,
    /// Vent valve: normally open, so energised shuts it.
    pub vent_valve: Solenoid<V>,
    /// Pilot valve: normally exhausted.
    pub pilot_valve: Solenoid<P>,
    /// Emergency stop circuit: *made* while the stop is released, so that a broken wire stops.
    pub stop_circuit: Contact<E>,
    /// Guard: made while closed.
    pub guard: Contact<G>,
    /// Watchdog.
    pub watchdog: W,
    /// Clock.
    pub clock: C,
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

impl<F, U, T, S, V, P, E, G, W, C> Hardware for Parts<F, U, T, S, V, P, E, G, W, C>
where
    F: Converter,
    U: Converter,
    T: Converter,
    S: OutputPin,
    V: OutputPin,
    P: OutputPin,
    E: InputPin,
    G: InputPin,
    W: Watchdog,
    C: Ticker,
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
        Contacts { stop: !self.stop_circuit.made(), guard_closed: self.guard.made(), valve_shut: false }
    }

    /// What shuts goes first, so that an error half-way never leaves supply and vent both open.
    fn apply(&mut self, outputs: Outputs) -> Result<(), OutputError> {
        let feed = outputs.supply == Gate::Open;
        if !feed {
            self.supply_valve.energise(false).map_err(|_| OutputError::Supply)?;
        }
        self.vent_valve.energise(outputs.vent == Gate::Shut).map_err(|_| OutputError::Vent)?;
        self.pilot_valve.energise(outputs.pilot == Pilot::Fed).map_err(|_| OutputError::Pilot)?;
        if feed {
            self.supply_valve.energise(true).map_err(|_| OutputError::Supply)?;
        }
        Ok(())
    }

    fn alive(&mut self) {
        self.watchdog.feed();
    }
}
