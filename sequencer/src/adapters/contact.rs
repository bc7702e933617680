//! Switches and contacts on input pins, wired so that a broken wire reads as the safe state.
//!
//! # Example
//! A stop circuit that pulls its pin low while the stop is released, on a pin of `embedded-hal-mock`:
//! ```
//! use embedded_hal_mock::eh1::digital::{Mock, State, Transaction};
//! use seathold_sequencer::adapters::{Contact, Switch};
//! use seathold_sequencer::time::{Instant, millis};
//!
//! let mut pin = Mock::new(&[State::Low, State::High].map(Transaction::get));
//! let mut stop = Contact::closed_low(pin.clone(), millis(30));
//! assert!(stop.is_closed(Instant::from_ticks(0)), "released");
//! assert!(!stop.is_closed(Instant::from_ticks(10_000)), "pressed, or the wire is broken");
//! pin.done();
//! ```

use super::debounce::Debounce;
use crate::time::{Duration, Instant};
use embedded_hal::digital::InputPin;

/// A switch as used by the sequencer: closed, or not. Closed is always the permissive state (stop released, guard
/// closed, valve shut), so whatever cannot be read is not closed.
pub trait Switch {
    /// Whether it is closed; to be read once a poll.
    fn is_closed(&mut self, now: Instant) -> bool;

    /// Whether there is one at all.
    fn is_fitted(&self) -> bool {
        true
    }
}

/// Not fitted: never closed.
impl Switch for () {
    fn is_closed(&mut self, _: Instant) -> bool {
        false
    }

    fn is_fitted(&self) -> bool {
        false
    }
}

/// Fitted or not, as a board finds out when it starts or is built.
impl<S: Switch> Switch for Option<S> {
    fn is_closed(&mut self, now: Instant) -> bool {
        self.as_mut().is_some_and(|switch| switch.is_closed(now))
    }

    fn is_fitted(&self) -> bool {
        self.as_ref().is_some_and(Switch::is_fitted)
    }
}

/// A debounced contact on an input pin.
#[derive(Debug)]
pub struct Contact<P> {
    pin: P,
    closed_low: bool,
    debounce: Debounce,
}

impl<P: InputPin> Contact<P> {
    /// A contact that pulls the pin low when closed, and counts as closed again after `hold`. The pin needs a pull-up,
    /// so that a broken wire reads as open.
    pub const fn closed_low(pin: P, hold: Duration) -> Self {
        Self { pin, closed_low: true, debounce: Debounce::new(hold) }
    }

    /// A contact that pulls the pin high when closed, and counts as closed again after `hold`. The pin needs a
    /// pull-down.
    pub const fn closed_high(pin: P, hold: Duration) -> Self {
        Self { pin, closed_low: false, debounce: Debounce::new(hold) }
    }
}

impl<P> Contact<P> {
    /// Returns the pin.
    pub fn release(self) -> P {
        self.pin
    }
}

impl<P: InputPin> Switch for Contact<P> {
    fn is_closed(&mut self, now: Instant) -> bool {
        let reading = self.pin.is_high().is_ok_and(|high| high != self.closed_low);
        self.debounce.update(now, reading)
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
    fn a_pin_that_cannot_be_read_is_an_open_contact() {
        let unreadable = Transaction::get(State::Low).with_error(MockError::Io(ErrorKind::NotConnected));
        let mut pin = Mock::new(&[Transaction::get(State::Low), unreadable, Transaction::get(State::Low)]);
        let mut contact = Contact::closed_low(pin.clone(), millis(30));
        assert!(contact.is_closed(at(0)));
        assert!(!contact.is_closed(at(10)));
        assert!(!contact.is_closed(at(20)), "and must be held again");
        pin.done();
    }

    #[test]
    fn the_pull_gives_the_answer_of_a_broken_wire() {
        let mut up = Mock::new(&[Transaction::get(State::High)]);
        let mut down = Mock::new(&[Transaction::get(State::Low)]);
        assert!(!Contact::closed_low(up.clone(), millis(0)).is_closed(at(0)));
        assert!(!Contact::closed_high(down.clone(), millis(0)).is_closed(at(0)));
        up.done();
        down.done();
    }
}
