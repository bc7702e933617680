//! Proof of life: whether the far transducer has followed the pressure, up with the fill and down with the vent.
//!
//! A transducer that is dead, frozen, shifted or behind a blocked line near zero reads "empty" whatever is behind it.
//! What cannot be faked by any of these is a reading that rose with the fill and then came *down*, step by step, while
//! the ball stood open into the vent. Gas leaves through a vent exponentially at fastest (choked flow from a closed
//! volume: any text on gas dynamics), so a reading that has lost more than three quarters of itself from one sample to the
//! next has leapt. A rig so small and quick that half of its pressure comes *in* within a sample cannot show more: there, leaps say nothing.

use crate::channel::Channel;
use crate::limits::LIFE_SAFES;
use crate::persist::Persist;
use crate::time::Instant;
use crate::units::GaugePressure;

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
enum Stage {
    /// So little has been read since air was let in that it is no sign of life.
    Waiting,
    /// Pressure has been read.
    Risen,
    /// And has come down to empty, step by step.
    Shown,
    /// A reading leapt, or the transducer was lost: until air is let in again it proves nothing.
    Broken,
}

/// What the far transducer has shown since air was last let in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) struct Life {
    stage: Stage,
    /// The last reading that followed from those before.
    last: Option<GaugePressure>,
    leap: Persist,
    /// While air was let in, half of the target came in from one sample to the next: a leap says nothing.
    quick: bool,
}

/// What a reading must have come up to, and above which leaps are looked for.
fn floor(safe: GaugePressure) -> i32 {
    safe.pascals().saturating_mul(LIFE_SAFES as i32)
}

impl Life {
    pub(crate) const NONE: Self = Self { stage: Stage::Waiting, last: None, leap: Persist::NONE, quick: false };

    /// Air is let in: what was shown before says nothing of the pressure from here on.
    pub(crate) fn begin(&mut self) {
        *self = Self { last: self.last, ..Self::NONE };
    }

    /// Takes in what this poll brought of the far side; `fed` while supply is open, up to the `target`.
    pub(crate) fn watch(&mut self, far: &Channel, safe: GaugePressure, target: GaugePressure, fed: bool, now: Instant) {
        if far.lost() {
            self.last = None;
            if self.stage != Stage::Waiting {
                self.stage = Stage::Broken;
            }
            return;
        }
        let Some(good) = far.fresh() else { return };
        let last = self.last.unwrap_or(good.pressure);
        let rise = good.pressure.above(last);
        if fed && rise >= 0 {
            // Against the target and not what was reached: a fill cut short must not look quick.
            self.quick |= rise >= target.pascals() / 2;
        } else if leap(last, good.pressure, safe) && !self.quick {
            self.leap.note(true, now);
            if !self.leap.holds() {
                return;
            }
            self.stage = Stage::Broken;
        }
        self.leap = Persist::NONE;
        self.last = Some(good.pressure);
        self.stage = match self.stage {
            Stage::Waiting if good.pressure.pascals() > floor(safe) => Stage::Risen,
            // While air is let in nothing goes out: what reads empty then has shown nothing.
            Stage::Risen if good.pressure.is_within(safe) && fed => Stage::Waiting,
            Stage::Risen if good.pressure.is_within(safe) => Stage::Shown,
            stage => stage,
        };
    }

    /// Whether the reading has risen and come down.
    pub(crate) fn shown(&self) -> bool {
        self.stage == Stage::Shown
    }

    /// Whether the reading has leapt, or the transducer was lost, since air was let in.
    pub(crate) fn broken(&self) -> bool {
        self.stage == Stage::Broken
    }
}

/// Whether gas cannot have gone from one pressure to the other in a sample.
fn leap(from: GaugePressure, to: GaugePressure, safe: GaugePressure) -> bool {
    let (low, high) = if from < to { (from, to) } else { (to, from) };
    high.pascals() > floor(safe) && low.pascals() < high.pascals() / 4
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::input::Reading;
    use crate::rig::Transducer;
    use crate::time::millis;

    /// A transducer read every 10 ms.
    struct Bench {
        life: Life,
        far: Channel,
        ms: u64,
        number: u32,
    }

    impl Bench {
        fn new() -> Self {
            Self { life: Life::NONE, far: Channel::new(Transducer::DEMO, millis(10)), ms: 0, number: 0 }
        }

        fn read(&mut self, fed: bool, pressures: impl IntoIterator<Item = i32>) -> &mut Self {
            for pa in pressures {
                self.ms += 10;
                self.number += 1;
                let now = Instant::from_ticks(self.ms * 1_000);
                let counts = Transducer::DEMO.counts(pa.into());
                self.far.update(now, Reading::sample(counts, self.number));
                let (safe, target) = (GaugePressure::from_pascals(3_000), GaugePressure::from_pascals(600_000));
                self.life.watch(&self.far, safe, target, fed, now);
            }
            self
        }
    }

    fn ramp(from: i32, to: i32) -> impl Iterator<Item = i32> {
        (0..=20).map(move |i| from + (to - from) / 20 * i)
    }

    #[test]
    fn a_reading_that_rises_and_comes_down_has_shown_life() {
        let mut bench = Bench::new();
        bench.read(true, ramp(0, 600_000));
        assert!(!bench.life.shown());
        bench.read(false, [450_000, 300_000, 150_000, 60_000, 20_000, 5_000, 0]);
        assert!(bench.life.shown());
        bench.life.begin();
        assert!(!bench.life.shown());
    }

    #[test]
    fn a_transducer_that_never_rose_or_leapt_down_has_not() {
        let mut bench = Bench::new();
        bench.read(true, [0; 30]).read(false, [0; 100]);
        assert!(!bench.life.shown() && !bench.life.broken());
        let mut bench = Bench::new();
        bench.read(true, ramp(0, 600_000)).read(false, [0; 30]);
        assert!(bench.life.broken() && !bench.life.shown());
    }

    /// Below what is looked at for leaps, a transducer may die and read empty unnoticed: so little is no sign of life.
    #[test]
    fn a_rise_in_which_no_leap_would_be_seen_has_not() {
        let mut bench = Bench::new();
        bench.read(true, ramp(0, 50_000)).read(false, [0; 30]);
        assert!(!bench.life.shown());
        bench.read(true, ramp(0, 61_000)).read(false, ramp(61_000, 0));
        assert!(bench.life.shown());
    }

    #[test]
    fn one_spike_is_not_a_leap() {
        let mut bench = Bench::new();
        bench.read(true, ramp(0, 600_000)).read(false, [600_000, 0, 600_000, 100_000, 90_000, 600_000]);
        assert!(!bench.life.broken());
        bench.read(false, ramp(600_000, 0));
        assert!(bench.life.shown());
    }

    /// Full at 600 kPa a sample after it was empty: such a rig cannot show a fall step by step either.
    #[test]
    fn a_rig_that_fills_within_a_sample_may_empty_within_one() {
        let mut bench = Bench::new();
        bench.read(true, [0, 600_000, 600_000]).read(false, [600_000, 0, 0]);
        assert!(bench.life.shown());
    }
}
