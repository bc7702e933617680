//! Proof of life: whether the far transducer has followed the pressure, up with the fill and down with the vent.
//!
//! A transducer that is dead, frozen, shifted or behind a blocked line near zero reads "empty" whatever the pressure.
//! None of these can produce a reading that rose with the fill and then came *down*, step by step, while the ball was
//! open into the vent. Gas leaves through a vent exponentially at fastest (choked flow from a closed volume: any text
//! on gas dynamics), so a reading that has lost more than three quarters of itself from one sample to the next has
//! jumped. A rig so small and quick that half of its pressure comes *in* within a sample cannot show more: there, jumps
//! mean nothing.

use crate::channel::Channel;
use crate::limits::LIFE_SAFES;
use crate::persist::Persist;
use crate::time::Instant;
use crate::units::GaugePressure;

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
enum Stage {
    /// The readings since air was let in were too low to be a sign of life.
    Waiting,
    /// Pressure has been read.
    Risen,
    /// The reading has come down to empty, step by step.
    Shown,
    /// A reading jumped, or the transducer timed out: until air is next let in it proves nothing.
    Broken,
}

/// What the far transducer has proved since air was last let in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) struct Life {
    stage: Stage,
    /// The last reading that followed from those before.
    last: Option<GaugePressure>,
    jump: Persist,
    /// While air was let in, half of the target came in from one sample to the next: a jump means nothing.
    quick: bool,
}

/// The level a reading must have reached, and above which jumps are detected.
fn floor(safe: GaugePressure) -> i32 {
    safe.pascals().saturating_mul(LIFE_SAFES as i32)
}

impl Life {
    pub(crate) const NONE: Self = Self { stage: Stage::Waiting, last: None, jump: Persist::NONE, quick: false };

    /// Air is let in: earlier evidence is void for the pressure from here on.
    pub(crate) fn begin(&mut self) {
        *self = Self { last: self.last, ..Self::NONE };
    }

    /// Takes in this poll's reading of the far side; `fed` while supply is open, up to the `target`.
    pub(crate) fn watch(&mut self, far: &Channel, safe: GaugePressure, target: GaugePressure, fed: bool, now: Instant) {
        if far.timed_out() {
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
            // Relative to the target and not the pressure reached: a fill cut short must not count as quick.
            self.quick |= rise >= target.pascals() / 2;
        } else if jump(last, good.pressure, safe) && !self.quick {
            self.jump.note(true, now);
            if !self.jump.holds() {
                return;
            }
            self.stage = Stage::Broken;
        }
        self.jump = Persist::NONE;
        self.last = Some(good.pressure);
        self.stage = match self.stage {
            Stage::Waiting if good.pressure.pascals() > floor(safe) => Stage::Risen,
            // While air is let in nothing goes out: an empty reading then proves nothing.
            Stage::Risen if good.pressure.is_within(safe) && fed => Stage::Waiting,
            Stage::Risen if good.pressure.is_within(safe) => Stage::Shown,
            stage => stage,
        };
    }

    /// Whether the reading has risen and come down.
    pub(crate) fn shown(&self) -> bool {
        self.stage == Stage::Shown
    }

    /// Whether the reading has jumped, or the transducer timed out, since air was let in.
    pub(crate) fn broken(&self) -> bool {
        self.stage == Stage::Broken
    }
}

/// Whether gas cannot have gone from one pressure to the other in a sample.
fn jump(from: GaugePressure, to: GaugePressure, safe: GaugePressure) -> bool {
    let (low, high) = if from < to { (from, to) } else { (to, from) };
    high.pascals() > floor(safe) && low.pascals() < high.pascals() / 4
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::input::Reading;
    use crate::rig::Transducer;
    use crate::time::millis;

    /// Of whole hundreds of pascals, so that a reading can lie exactly on a bound.
    const TRANSDUCER: Transducer = Transducer { pa_per_count: 100.0, ..Transducer::DEMO };

    /// A transducer read every 10 ms.
    struct Bench {
        life: Life,
        far: Channel,
        ms: u64,
        number: u32,
    }

    impl Bench {
        fn new() -> Self {
            Self { life: Life::NONE, far: Channel::new(TRANSDUCER, millis(10)), ms: 0, number: 0 }
        }

        fn read(&mut self, fed: bool, pressures: impl IntoIterator<Item = i32>) -> &mut Self {
            for pa in pressures {
                self.ms += 10;
                self.number += 1;
                let now = Instant::from_ticks(self.ms * 1_000);
                let counts = TRANSDUCER.counts(pa.into());
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
    fn a_transducer_that_never_rose_or_jumped_down_has_not() {
        let mut bench = Bench::new();
        bench.read(true, [0; 30]).read(false, [0; 100]);
        assert!(!bench.life.shown() && !bench.life.broken());
        let mut bench = Bench::new();
        bench.read(true, ramp(0, 600_000)).read(false, [0; 30]);
        assert!(bench.life.broken() && !bench.life.shown());
    }

    /// Below the level at which jumps are detected, a transducer may fail and read empty unnoticed: a rise to there is
    /// no sign of life.
    #[test]
    fn a_rise_in_which_no_jump_would_be_detected_has_not() {
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
        // The reading before air was let in counts: the jump up from it is what shows how quick the rig is.
        bench.life.begin();
        bench.read(true, [600_000; 3]).read(false, [600_000, 0, 0]);
        assert!(bench.life.shown());
    }

    /// The bound itself is not enough.
    #[test]
    fn a_rise_to_twenty_safe_limits_is_not_above_them() {
        for (most, shown) in [(60_000, false), (60_100, true)] {
            let mut bench = Bench::new();
            bench.read(true, [30_000, most]).read(false, [most, 30_000, 10_000, 0]);
            assert_eq!(bench.life.shown(), shown, "{most} Pa");
        }
    }

    /// While air is let in the pressure can fall no faster than while it goes out, nor rise by itself without it; and a
    /// reading that comes down meanwhile has not come down into the vent.
    #[test]
    fn what_is_fed_only_rises_and_only_what_is_fed_rises() {
        let mut bench = Bench::new();
        bench.read(true, ramp(0, 600_000)).read(true, [0; 30]);
        assert!(bench.life.broken());
        let mut bench = Bench::new();
        bench.read(false, [0]).read(false, [600_000; 30]);
        assert!(bench.life.broken());
        let mut bench = Bench::new();
        bench.read(true, ramp(0, 600_000)).read(true, ramp(600_000, 0)).read(false, [0; 30]);
        assert!(!bench.life.shown() && !bench.life.broken());
    }

    #[test]
    fn a_jump_loses_more_than_three_quarters_of_what_can_be_a_sign_of_life() {
        let pa = GaugePressure::from_pascals;
        for (high, low, jumps) in [
            (60_000, 0, false),
            (60_001, 0, true),
            (80_000, 20_000, false),
            (80_000, 19_999, true),
            (600_000, 150_000, false),
            (600_000, 149_999, true),
        ] {
            assert_eq!(jump(pa(high), pa(low), pa(3_000)), jumps, "{high} Pa to {low} Pa");
            assert_eq!(jump(pa(low), pa(high), pa(3_000)), jumps, "{low} Pa to {high} Pa");
        }
    }
}
