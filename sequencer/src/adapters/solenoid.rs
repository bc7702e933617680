//! Solenoids on output pins, with or without read-back.
//!
//! # Example
//! A vent valve behind a driver, with its read-back, on pins of `embedded-hal-mock`. The coil's wire is broken:
//! ```
//! use embedded_hal_mock::eh1::digital::{Mock, State, Transaction};
//! use seathold_sequencer::adapters::solenoid::{CoilDriver, Sense, Solenoid};
//! use seathold_sequencer::time::{Instant, millis};
//!
//! let mut pin = Mock::new(&[Transaction::set(State::High)]);
//! let mut sense = Mock::new(&[State::Low, State::Low].map(Transaction::get));
//! let mut vent = Solenoid::active_high(pin.clone()).with_read_back(Sense::high(sense.clone()), millis(20));
//!
//! assert_eq!(vent.energise(true), Ok(()));
//! assert!(!vent.mismatch(Instant::from_ticks(0)), "it may take 20 ms to follow");
//! assert!(vent.mismatch(Instant::from_ticks(20_000)), "but no more");
//! pin.done();
//! sense.done();
//! ```

use crate::time::{Duration, Instant, since};
use embedded_hal::digital::{InputPin, OutputPin};

/// The driver of a solenoid.
pub trait CoilDriver {
    /// Energises or releases it.
    ///
    /// # Errors
    /// When the pin cannot be set.
    #[expect(clippy::result_unit_err, reason = "the caller knows which solenoid it was")]
    fn energise(&mut self, on: bool) -> Result<(), ()>;

    /// Whether its read-back has differed from its setting for longer than it may take to follow; to be read once a
    /// poll. False where there is no read-back.
    fn mismatch(&mut self, now: Instant) -> bool;
}

/// State of a read-back.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ReadBackState {
    /// No read-back is fitted.
    NotFitted,
    /// Energised, or not.
    Energised(bool),
    /// It cannot be read: counts as a mismatch.
    Unreadable,
}

/// A read-back: of the driver's output, of the coil's current, or of an end switch.
pub trait ReadBack {
    /// Its present state.
    fn state(&mut self) -> ReadBackState;
}

/// None fitted.
impl ReadBack for () {
    fn state(&mut self) -> ReadBackState {
        ReadBackState::NotFitted
    }
}

/// A read-back on an input pin.
#[derive(Debug)]
pub struct Sense<P> {
    pin: P,
    energised_low: bool,
}

impl<P: InputPin> Sense<P> {
    /// The pin is high while the coil is energised.
    pub const fn high(pin: P) -> Self {
        Self { pin, energised_low: false }
    }

    /// The pin is low while the coil is energised, as at the drain of a low-side switch.
    pub const fn low(pin: P) -> Self {
        Self { pin, energised_low: true }
    }
}

impl<P: InputPin> ReadBack for Sense<P> {
    fn state(&mut self) -> ReadBackState {
        self.pin
            .is_high()
            .map_or(ReadBackState::Unreadable, |high| ReadBackState::Energised(high != self.energised_low))
    }
}

/// Whether a solenoid is read back has not been said yet: it cannot be driven.
#[derive(Clone, Copy, Debug)]
pub struct Unsaid;

/// A solenoid on an output pin. It is a [`CoilDriver`] once [`Solenoid::with_read_back`] or
/// [`Solenoid::without_read_back`] has said whether its driver is read back.
#[derive(Debug)]
pub struct Solenoid<P, R = ()> {
    pin: P,
    active_low: bool,
    read_back: R,
    /// How long the read-back may take to follow.
    follow: Duration,
    set: Option<bool>,
    mismatch_since: Option<Instant>,
}

impl<P: OutputPin> Solenoid<P, Unsaid> {
    /// Energised while the pin is high.
    pub const fn active_high(pin: P) -> Self {
        Self::new(pin, false)
    }

    /// Energised while the pin is low, as behind an inverting driver.
    pub const fn active_low(pin: P) -> Self {
        Self::new(pin, true)
    }

    const fn new(pin: P, active_low: bool) -> Self {
        Self { pin, active_low, read_back: Unsaid, follow: Duration::from_ticks(0), set: None, mismatch_since: None }
    }

    /// With nothing read back: a driver that has welded shut, a coil without supply and a broken wire are then noticed only by
    /// what the pressure does.
    pub fn without_read_back(self) -> Solenoid<P> {
        self.with_read_back((), Duration::from_ticks(0))
    }

    /// With a read-back that may take `follow` to agree.
    pub fn with_read_back<R: ReadBack>(self, read_back: R, follow: Duration) -> Solenoid<P, R> {
        let Self { pin, active_low, set, mismatch_since, .. } = self;
        Solenoid { pin, active_low, read_back, follow, set, mismatch_since }
    }
}

impl<P, R> Solenoid<P, R> {
    /// Returns the pin.
    pub fn release(self) -> P {
        self.pin
    }
}

impl<P: OutputPin, R: ReadBack> CoilDriver for Solenoid<P, R> {
    fn energise(&mut self, on: bool) -> Result<(), ()> {
        if self.set.replace(on) != Some(on) {
            self.mismatch_since = None;
        }
        self.pin.set_state((on != self.active_low).into()).map_err(|_| ())
    }

    fn mismatch(&mut self, now: Instant) -> bool {
        let Some(set) = self.set else { return false };
        let agrees = match self.read_back.state() {
            ReadBackState::NotFitted => true,
            ReadBackState::Energised(on) => on == set,
            ReadBackState::Unreadable => false,
        };
        if agrees {
            self.mismatch_since = None;
            return false;
        }
        let began = *self.mismatch_since.get_or_insert(now);
        since(now, began) >= self.follow
    }
}

#[cfg(test)]
mod tests {
    extern crate std;

    use super::*;
    use crate::time::millis;
    use embedded_hal_mock::eh1::MockError;
    use embedded_hal_mock::eh1::digital::{Mock, State, Transaction};
    use std::io::ErrorKind;

    fn at(ms: u64) -> Instant {
        Instant::from_ticks(ms * 1_000)
    }

    #[test]
    fn polarity() {
        let mut pin = Mock::new(&[Transaction::set(State::High), Transaction::set(State::Low)]);
        let mut solenoid = Solenoid::active_high(pin.clone()).without_read_back();
        assert_eq!((solenoid.energise(true), solenoid.energise(false)), (Ok(()), Ok(())));
        pin.done();
        let mut pin = Mock::new(&[Transaction::set(State::Low), Transaction::set(State::High)]);
        let mut solenoid = Solenoid::active_low(pin.clone()).without_read_back();
        assert_eq!((solenoid.energise(true), solenoid.energise(false)), (Ok(()), Ok(())));
        assert!(!solenoid.mismatch(at(0)), "no read-back, no mismatch");
        pin.done();
    }

    #[test]
    fn a_pin_that_cannot_be_set_is_an_error() {
        let mut pin = Mock::new(&[Transaction::set(State::High).with_error(MockError::Io(ErrorKind::NotConnected))]);
        assert_eq!(Solenoid::active_high(pin.clone()).without_read_back().energise(true), Err(()));
        pin.done();
    }

    #[test]
    fn a_read_back_may_take_its_follow_time_and_no_more() {
        let mut pin = Mock::new(&[Transaction::set(State::High)]);
        let mut sense = Mock::new(&[State::Low, State::Low, State::High, State::Low].map(Transaction::get));
        let mut solenoid = Solenoid::active_high(pin.clone()).with_read_back(Sense::high(sense.clone()), millis(20));
        assert!(!solenoid.mismatch(at(0)), "nothing was set yet");
        solenoid.energise(true).unwrap();
        assert!(!solenoid.mismatch(at(0)));
        assert!(solenoid.mismatch(at(20)));
        assert!(!solenoid.mismatch(at(30)), "it follows at last");
        assert!(!solenoid.mismatch(at(40)), "and may again take its time");
        pin.done();
        sense.done();
    }

    #[test]
    fn a_welded_switch_and_an_unreadable_sense_are_both_a_mismatch() {
        let mut pin = Mock::new(&[Transaction::set(State::Low), Transaction::set(State::Low)]);
        // Low-side switch: the drain stays low, so the coil stays energised.
        let mut sense = Mock::new(&[
            Transaction::get(State::Low),
            Transaction::get(State::High).with_error(MockError::Io(ErrorKind::NotConnected)),
        ]);
        let mut solenoid = Solenoid::active_high(pin.clone()).with_read_back(Sense::low(sense.clone()), millis(0));
        solenoid.energise(false).unwrap();
        assert!(solenoid.mismatch(at(0)));
        solenoid.energise(false).unwrap();
        assert!(solenoid.mismatch(at(10)));
        pin.done();
        sense.done();
    }
}
