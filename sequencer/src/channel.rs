//! One transducer as the sequencer knows it: last good reading, health, holes and repeats.

use crate::event::Disturbance;
use crate::input::{Known, Reading, SensorFault};
use crate::limits::FROZEN_CODES;
use crate::rig::Transducer;
use crate::time::{Duration, Instant, since};
use crate::units::GaugePressure;

/// Anchors of the rate are this far apart, so that noise of a few counts does not look like filling.
const ANCHOR_APART: Duration = Duration::from_ticks(100_000);

/// Sample periods without a sample before the window counts as broken, in halves: 2½ leaves room for jitter of a
/// sample either way.
const MISSING_HALF_PERIODS: u64 = 5;

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
struct Anchor {
    at: Instant,
    pressure: GaugePressure,
}

/// A good reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) struct Good {
    pub(crate) at: Instant,
    pub(crate) counts: i32,
    pub(crate) pressure: GaugePressure,
}

#[derive(Clone, Debug)]
pub(crate) struct Channel {
    transducer: Transducer,
    /// Expected time between samples, and how long without one until the channel counts as silent.
    period: Duration,
    stale: Duration,
    number: Option<u32>,
    good: Option<Good>,
    /// The good reading before `good`, for the slew.
    before: Option<Good>,
    /// When readings became bad, if they are.
    sick_since: Option<Instant>,
    /// What is wrong with this poll's reading, for a window of samples.
    trouble: Option<Disturbance>,
    /// Whether `good` is this poll's.
    fresh: bool,
    /// What can be said of the pressure since the last update; asked for many times a step, found once.
    known: Known,
    lost: bool,
    anchors: [Option<Anchor>; 2],
    /// Good readings in a row with the code of the last.
    same: u8,
}

impl Channel {
    pub(crate) fn new(transducer: Transducer, period: Duration) -> Self {
        Self {
            transducer,
            period,
            stale: Duration::from_ticks((period.as_ticks() * 5).max(50_000)),
            number: None,
            good: None,
            before: None,
            sick_since: None,
            trouble: None,
            fresh: false,
            known: Known::Nothing,
            lost: true,
            anchors: [None; 2],
            same: 0,
        }
    }

    /// Whether this is a conversion that was not handed over before.
    pub(crate) fn is_new(&self, reading: Reading) -> bool {
        matches!(reading, Reading::Sample(sample) if self.number != Some(sample.number))
    }

    /// Whether it reads within `limit` of the atmosphere, above and below; false while it is not known.
    pub(crate) fn reads_empty(&self, limit: GaugePressure) -> bool {
        self.pressure().is_some_and(|p| p.is_within(limit))
    }

    /// Whether it reads `limit` or more; false while it is not known.
    pub(crate) fn reads_full(&self, limit: GaugePressure) -> bool {
        self.pressure().is_some_and(|p| p >= limit)
    }

    /// Expected time between samples.
    pub(crate) const fn period(&self) -> Duration {
        self.period
    }

    /// Forgets every reading: the clock they were stamped with cannot be trusted any more. The running number is not the
    /// clock's, and still tells an old sample from a new one.
    pub(crate) fn forget(&mut self) {
        *self = Self { number: self.number, ..Self::new(self.transducer, self.period) };
    }

    pub(crate) fn update(&mut self, now: Instant, reading: Reading) {
        self.fresh = false;
        self.trouble = None;
        let quiet = self.good.map_or(0, |good| since(now, good.at).as_ticks());
        if quiet > self.period.as_ticks() * MISSING_HALF_PERIODS / 2 {
            self.trouble = Some(Disturbance::Missing);
        }
        match reading {
            Reading::Waiting => {}
            Reading::Sick(SensorFault::Open | SensorFault::Short | SensorFault::BrownOut | SensorFault::Device) => {
                self.bad(now)
            }
            Reading::Sample(sample) => {
                let expected = self.number.map(|n| n.checked_add(1));
                let last = self.number.replace(sample.number);
                if last == Some(sample.number) {
                    self.trouble = Some(Disturbance::Repeated);
                } else if self.transducer.plausible(sample.counts) {
                    if expected.is_some_and(|e| e != Some(sample.number)) {
                        self.trouble = Some(Disturbance::Missing);
                    }
                    self.take(now, sample.counts);
                } else {
                    self.bad(now);
                }
            }
        }
        let silent = self.good.is_none_or(|good| since(now, good.at) > self.stale);
        (self.known, self.lost) = match (self.sick_since, self.good) {
            (Some(at), _) => (Known::Sick, since(now, at) > self.stale),
            (None, Some(good)) if !silent => (Known::Pressure(good.pressure), false),
            (None, _) => (Known::Nothing, true),
        };
    }

    fn bad(&mut self, now: Instant) {
        self.trouble = Some(Disturbance::Implausible);
        self.sick_since.get_or_insert(now);
    }

    fn take(&mut self, now: Instant, counts: i32) {
        let good = Good { at: now, counts, pressure: self.transducer.pressure(counts) };
        self.same = if self.good.is_some_and(|good| good.counts == counts) { self.same.saturating_add(1) } else { 1 };
        self.sick_since = None;
        self.before = self.good.replace(good);
        self.fresh = true;
        let [newer, _] = self.anchors;
        if newer.is_none_or(|a| since(now, a.at) >= ANCHOR_APART) {
            self.anchors = [Some(Anchor { at: now, pressure: good.pressure }), newer];
        }
    }

    /// What can be said of the pressure at the last update.
    pub(crate) const fn known(&self) -> Known {
        self.known
    }

    /// The pressure, if healthy and fresh enough.
    pub(crate) const fn pressure(&self) -> Option<GaugePressure> {
        match self.known {
            Known::Pressure(p) => Some(p),
            Known::Nothing | Known::Sick => None,
        }
    }

    /// Whether the channel has been sick or silent for longer than a moment.
    pub(crate) const fn lost(&self) -> bool {
        self.lost
    }

    /// Whether the last readings were one and the same code, for so long that noise cannot explain it.
    pub(crate) const fn is_frozen(&self) -> bool {
        self.same >= FROZEN_CODES
    }

    /// This poll's good reading.
    pub(crate) const fn fresh(&self) -> Option<Good> {
        if self.fresh { self.good } else { None }
    }

    pub(crate) const fn trouble(&self) -> Option<Disturbance> {
        self.trouble
    }

    /// Change between this poll's good reading and the one before, in pascals and the time it took.
    pub(crate) fn change(&self) -> Option<(i32, Duration)> {
        match (self.fresh(), self.before) {
            (Some(new), Some(old)) => Some((new.pressure.above(old.pressure), since(new.at, old.at))),
            _ => None,
        }
    }

    /// Whether the pressure rises by less than `pa_per_s` over the last tenth to fifth of a second; false until known.
    pub(crate) fn rises_slower_than(&self, pa_per_s: u32, now: Instant) -> bool {
        let (Some(good), [_, Some(old)]) = (self.good, self.anchors) else { return false };
        if since(now, old.at) > Duration::from_ticks(4 * ANCHOR_APART.as_ticks()) {
            return false;
        }
        let rise = i64::from(good.pressure.above(old.pressure)) * 1_000_000;
        rise < i64::from(pa_per_s) * since(good.at, old.at).as_ticks() as i64
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::millis;

    fn channel() -> Channel {
        Channel::new(Transducer::DEMO, millis(10))
    }

    fn at(ms: u64) -> Instant {
        Instant::from_ticks(ms * 1_000)
    }

    #[test]
    fn a_hole_in_the_numbers_is_seen() {
        let mut c = channel();
        c.update(at(0), Reading::sample(3_277, 7));
        assert_eq!(c.trouble(), None);
        c.update(at(10), Reading::sample(3_277, 9));
        assert_eq!(c.trouble(), Some(Disturbance::Missing));
    }

    #[test]
    fn a_repeat_is_not_a_new_sample() {
        let mut c = channel();
        c.update(at(0), Reading::sample(3_277, 7));
        c.update(at(10), Reading::sample(3_300, 7));
        assert_eq!(c.trouble(), Some(Disturbance::Repeated));
        assert_eq!(c.fresh(), None);
        assert_eq!(c.pressure(), Some(GaugePressure::ZERO));
    }

    #[test]
    fn a_wrapped_sample_counter_is_a_hole() {
        let mut c = channel();
        c.update(at(0), Reading::sample(3_277, u32::MAX));
        c.update(at(10), Reading::sample(3_277, 0));
        assert_eq!(c.trouble(), Some(Disturbance::Missing));
    }

    #[test]
    fn silence_becomes_nothing_known_and_sickness_stays_sick() {
        let mut c = channel();
        c.update(at(0), Reading::sample(3_277, 0));
        c.update(at(50), Reading::Waiting);
        assert_eq!(c.known(), Known::Pressure(GaugePressure::ZERO));
        c.update(at(51), Reading::Waiting);
        assert_eq!(c.known(), Known::Nothing);
        c.update(at(60), Reading::sample(70_000, 1));
        assert_eq!(c.known(), Known::Sick);
        assert!(!c.lost());
        c.update(at(111), Reading::Waiting);
        assert!(c.lost());
    }
}
