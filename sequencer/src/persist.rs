//! Whether something has held for several readings in a row, and for a while. One bad sample proves nothing.

use crate::limits::{PERSIST_MS, PERSIST_READINGS};
use crate::time::{Instant, millis, since};

/// An unbroken series of readings for which something held.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub(crate) struct Persist {
    readings: Option<(Instant, u8)>,
    persisted: bool,
}

impl Persist {
    pub(crate) const NONE: Self = Self { readings: None, persisted: false };

    /// Takes in one new reading.
    pub(crate) fn note(&mut self, holds: bool, now: Instant) {
        if !holds {
            *self = Self::NONE;
            return;
        }
        let (first, count) = self.readings.unwrap_or((now, 0));
        let count = count.saturating_add(1).min(PERSIST_READINGS);
        self.readings = Some((first, count));
        self.persisted |= count >= PERSIST_READINGS && since(now, first) >= millis(PERSIST_MS);
    }

    /// Held at the last reading, but perhaps not for long enough.
    pub(crate) const fn is_pending(&self) -> bool {
        self.readings.is_some()
    }

    /// Has held for long enough.
    pub(crate) const fn holds(&self) -> bool {
        self.persisted
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(ms: u64) -> Instant {
        Instant::from_ticks(ms * 1_000)
    }

    #[test]
    fn a_burst_does_not_persist_and_a_change_does() {
        let mut p = Persist::NONE;
        for ms in [0, 10, 20, 30] {
            p.note(true, at(ms));
        }
        assert!(p.is_pending() && !p.holds());
        p.note(false, at(40));
        assert!(!p.is_pending());
        for ms in [50, 149, 150] {
            assert!(!p.holds());
            p.note(true, at(ms));
        }
        assert!(p.holds());
    }

    /// Samples that come rarely must still be three.
    #[test]
    fn two_readings_far_apart_do_not_persist() {
        let mut p = Persist::NONE;
        p.note(true, at(0));
        p.note(true, at(5_000));
        assert!(!p.holds());
        p.note(true, at(10_000));
        assert!(p.holds());
    }
}
