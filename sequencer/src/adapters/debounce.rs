//! A contact that opens at once and closes only after it has stayed closed: for a stop circuit and a guard.
//!
//! # Example
//! ```
//! use seathold_sequencer::adapters::debounce::Debounce;
//! use seathold_sequencer::time::{Instant, millis};
//!
//! let at = |ms: u64| Instant::from_ticks(ms * 1_000);
//! let mut guard = Debounce::new(millis(30));
//! assert!(guard.update(at(0), true), "closed at power-up");
//! assert!(!guard.update(at(10), false), "open at once");
//! let again: Vec<bool> = [20, 30, 40, 50].map(|ms| guard.update(at(ms), true)).into();
//! assert_eq!(again, [false, false, false, true], "closed after 30 ms without a bounce");
//! ```

use crate::time::{Duration, Instant, millis, since};

/// Longest hold time of a contact; more would hide a guard that is opened and shut again.
pub const HOLD_MAX: Duration = millis(500);

/// Fewest consecutive readings that close a contact, whatever the time between them: one reading on each side of a
/// stall does not show what happened in between.
const READINGS_MIN: u8 = 3;

/// Distinguishes a closed contact from one that bounces.
///
/// Opening counts at once; closing, only after every reading for the hold time. The very first reading is taken as it
/// is, so that a healthy stop circuit is not a stop pressed at every power-up; if it was a bounce, the next readings
/// open it.
#[derive(Clone, Copy, Debug)]
pub struct Debounce {
    hold: Duration,
    closed: bool,
    /// When the present series of closed readings began, and their number.
    series: Option<(Instant, u8)>,
    first: bool,
}

impl Debounce {
    /// Closed after `hold` of closed readings, at most [`HOLD_MAX`].
    pub const fn new(hold: Duration) -> Self {
        let hold = if hold.as_ticks() > HOLD_MAX.as_ticks() { HOLD_MAX } else { hold };
        Self { hold, closed: false, series: None, first: true }
    }

    /// Takes a reading in; returns whether the contact counts as closed.
    pub fn update(&mut self, now: Instant, reading: bool) -> bool {
        let first = core::mem::replace(&mut self.first, false);
        if !reading {
            self.series = None;
            self.closed = false;
            return false;
        }
        let (began, readings) = match self.series {
            // After a clock that went back the length of this series is unknown.
            Some((began, _)) if now < began => (now, 1),
            Some((began, readings)) => (began, readings.saturating_add(1)),
            None => (now, 1),
        };
        self.series = Some((began, readings));
        let lasted = since(now, began) >= self.hold && readings >= READINGS_MIN;
        self.closed |= first || lasted;
        self.closed
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn at(ms: u64) -> Instant {
        Instant::from_ticks(ms * 1_000)
    }

    #[test]
    fn opens_at_once_and_closes_again_only_after_the_hold() {
        let mut contact = Debounce::new(millis(30));
        assert!(contact.update(at(0), true), "the first reading is taken as it is");
        assert!(!contact.update(at(10), false), "one open reading is enough");
        for ms in [20, 30, 40] {
            assert!(!contact.update(at(ms), true), "{ms} ms");
        }
        assert!(contact.update(at(50), true));
    }

    #[test]
    fn each_bounce_restarts_the_hold() {
        let mut contact = Debounce::new(millis(30));
        contact.update(at(0), false);
        for ms in (10..500).step_by(20) {
            assert!(!contact.update(at(ms), true));
            assert!(!contact.update(at(ms + 10), false));
        }
    }

    #[test]
    fn a_stall_is_not_a_hold() {
        let mut contact = Debounce::new(millis(30));
        contact.update(at(0), false);
        assert!(!contact.update(at(10), true));
        assert!(!contact.update(at(900), true), "two readings, whatever lay between them");
        assert!(contact.update(at(910), true));
    }

    #[test]
    fn a_clock_that_goes_back_closes_nothing() {
        let mut contact = Debounce::new(millis(30));
        contact.update(at(1_000), false);
        contact.update(at(1_010), true);
        for ms in [5, 15, 25] {
            assert!(!contact.update(at(ms), true), "{ms} ms");
        }
        assert!(contact.update(at(35), true));
    }

    proptest! {
        /// After the first reading: never closed when this reading is open, nor when any within the hold was.
        #[test]
        fn never_closed_within_the_hold_of_an_open_reading(
            readings in proptest::collection::vec((1..40u64, any::<bool>()), 1..60), hold in 0..100u32,
        ) {
            let mut contact = Debounce::new(millis(hold));
            let (mut now, mut opened) = (0, None);
            for (ms, reading) in readings {
                now += ms;
                if !reading {
                    opened = Some(now);
                }
                let closed = contact.update(at(now), reading);
                prop_assert!(!closed || reading);
                // Closed readings began after the open one, so they have lasted less than since then.
                if let Some(opened) = opened && closed {
                    prop_assert!(now - opened > u64::from(hold) || hold == 0);
                }
            }
        }
    }
}
