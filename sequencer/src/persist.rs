//! Whether a condition has held for several consecutive readings, and for a minimum time. One bad sample is no
//! evidence.

use crate::limits::{PERSIST_MS, PERSIST_READINGS};
use crate::time::Instant;

/// An unbroken series of readings for which a condition held. There are many of these, so they are small.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub(crate) struct Persist {
    /// When it began: the low half of the clock, which wraps in 71 minutes; what has persisted by then stays so.
    began: u32,
    /// Readings so far, up to the required number.
    readings: u8,
    persisted: bool,
}

impl Persist {
    pub(crate) const NONE: Self = Self { began: 0, readings: 0, persisted: false };

    /// Takes in one new reading.
    #[inline(never)]
    pub(crate) fn note(&mut self, holds: bool, now: Instant) {
        if !holds {
            *self = Self::NONE;
            return;
        }
        let now = now.as_ticks() as u32;
        if self.readings == 0 {
            self.began = now;
        }
        self.readings = self.readings.saturating_add(1).min(PERSIST_READINGS);
        self.persisted |= self.readings >= PERSIST_READINGS && now.wrapping_sub(self.began) >= PERSIST_MS * 1_000;
    }

    /// True at the last reading, but perhaps not for long enough.
    pub(crate) const fn is_pending(&self) -> bool {
        self.readings > 0
    }

    /// True for long enough.
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

    /// Infrequent samples must still be three.
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
