//! State of one transducer: last good reading, health, gaps and repeats.

use crate::event::Disturbance;
use crate::input::{ChannelState, Reading, SensorFault};
use crate::limits::FROZEN_CODES;
use crate::rig::Transducer;
use crate::time::{Duration, Instant, since};
use crate::units::GaugePressure;

/// Anchors of the rate are this far apart, so that noise of a few counts is not taken for filling.
const ANCHOR_APART: Duration = Duration::from_ticks(100_000);

/// Sample periods without a sample before the window counts as interrupted, in halves: 2½ leaves room for jitter of a
/// sample either way.
const MISSING_HALF_PERIODS: u64 = 5;

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
struct Anchor {
    at: Instant,
    pressure: GaugePressure,
}

/// A good reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) struct FreshSample {
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
    good: Option<FreshSample>,
    /// The good reading before `good`, for the slew.
    before: Option<FreshSample>,
    /// Since when readings are bad, if they are.
    fault_since: Option<Instant>,
    /// Disturbance of a window by this poll's reading.
    disturbance: Option<Disturbance>,
    /// Whether `good` is this poll's.
    fresh: bool,
    /// State since the last update; read many times a step, computed once.
    state: ChannelState,
    timed_out: bool,
    anchors: [Option<Anchor>; 2],
    /// Consecutive good readings with the same code.
    same_code: u8,
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
            fault_since: None,
            disturbance: None,
            fresh: false,
            state: ChannelState::Unknown,
            timed_out: true,
            anchors: [None; 2],
            same_code: 0,
        }
    }

    /// Whether this is a new conversion.
    pub(crate) fn is_new(&self, reading: Reading) -> bool {
        matches!(reading, Reading::Sample(sample) if self.number != Some(sample.number))
    }

    /// Whether it reads within `limit` of the atmosphere, above and below; false while it is unknown.
    pub(crate) fn reads_empty(&self, limit: GaugePressure) -> bool {
        self.pressure().is_some_and(|p| p.is_within(limit))
    }

    /// Whether it reads `limit` or more; false while it is unknown.
    pub(crate) fn reads_full(&self, limit: GaugePressure) -> bool {
        self.pressure().is_some_and(|p| p >= limit)
    }

    /// Expected time between samples.
    pub(crate) const fn period(&self) -> Duration {
        self.period
    }

    /// Forgets every reading: the clock they were stamped with cannot be trusted any more. The running number does not
    /// depend on the clock, and still distinguishes an old sample from a new one.
    pub(crate) fn forget(&mut self) {
        *self = Self { number: self.number, ..Self::new(self.transducer, self.period) };
    }

    pub(crate) fn update(&mut self, now: Instant, reading: Reading) {
        self.fresh = false;
        self.disturbance = None;
        let quiet = self.good.map_or(0, |good| since(now, good.at).as_ticks());
        if quiet > self.period.as_ticks() * MISSING_HALF_PERIODS / 2 {
            self.disturbance = Some(Disturbance::Missing);
        }
        match reading {
            Reading::NoSample => {}
            Reading::SensorFault(
                SensorFault::Open | SensorFault::Short | SensorFault::BrownOut | SensorFault::Device,
            ) => self.bad(now),
            Reading::Sample(sample) => {
                let expected = self.number.map(|n| n.checked_add(1));
                let last = self.number.replace(sample.number);
                if last == Some(sample.number) {
                    self.disturbance = Some(Disturbance::Repeated);
                } else if self.transducer.plausible(sample.counts) {
                    if expected.is_some_and(|e| e != Some(sample.number)) {
                        self.disturbance = Some(Disturbance::Missing);
                    }
                    self.accept(now, sample.counts);
                } else {
                    self.bad(now);
                }
            }
        }
        let silent = self.good.is_none_or(|good| since(now, good.at) > self.stale);
        (self.state, self.timed_out) = match (self.fault_since, self.good) {
            (Some(at), _) => (ChannelState::SensorFault, since(now, at) > self.stale),
            (None, Some(good)) if !silent => (ChannelState::Pressure(good.pressure), false),
            (None, _) => (ChannelState::Unknown, true),
        };
    }

    fn bad(&mut self, now: Instant) {
        self.disturbance = Some(Disturbance::Implausible);
        self.fault_since.get_or_insert(now);
    }

    fn accept(&mut self, now: Instant, counts: i32) {
        let good = FreshSample { at: now, counts, pressure: self.transducer.pressure(counts) };
        self.same_code =
            if self.good.is_some_and(|good| good.counts == counts) { self.same_code.saturating_add(1) } else { 1 };
        self.fault_since = None;
        self.before = self.good.replace(good);
        self.fresh = true;
        let [newer, _] = self.anchors;
        if newer.is_none_or(|a| since(now, a.at) >= ANCHOR_APART) {
            self.anchors = [Some(Anchor { at: now, pressure: good.pressure }), newer];
        }
    }

    /// State at the last update.
    pub(crate) const fn state(&self) -> ChannelState {
        self.state
    }

    /// The pressure, if healthy and fresh enough.
    pub(crate) const fn pressure(&self) -> Option<GaugePressure> {
        match self.state {
            ChannelState::Pressure(p) => Some(p),
            ChannelState::Unknown | ChannelState::SensorFault => None,
        }
    }

    /// Whether the channel has been faulty or silent for longer than its time-out.
    pub(crate) const fn timed_out(&self) -> bool {
        self.timed_out
    }

    /// Whether the last readings all had the same code, for longer than noise can explain.
    pub(crate) const fn is_frozen(&self) -> bool {
        self.same_code >= FROZEN_CODES
    }

    /// This poll's good reading.
    pub(crate) const fn fresh(&self) -> Option<FreshSample> {
        if self.fresh { self.good } else { None }
    }

    pub(crate) const fn disturbance(&self) -> Option<Disturbance> {
        self.disturbance
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
    fn a_gap_in_the_numbers_is_detected() {
        let mut c = channel();
        c.update(at(0), Reading::sample(3_277, 7));
        assert_eq!(c.disturbance(), None);
        c.update(at(10), Reading::sample(3_277, 9));
        assert_eq!(c.disturbance(), Some(Disturbance::Missing));
    }

    #[test]
    fn a_repeat_is_not_a_new_sample() {
        let mut c = channel();
        c.update(at(0), Reading::sample(3_277, 7));
        c.update(at(10), Reading::sample(3_300, 7));
        assert_eq!(c.disturbance(), Some(Disturbance::Repeated));
        assert_eq!(c.fresh(), None);
        assert_eq!(c.pressure(), Some(GaugePressure::ZERO));
    }

    #[test]
    fn a_wrapped_sample_counter_is_a_gap() {
        let mut c = channel();
        c.update(at(0), Reading::sample(3_277, u32::MAX));
        c.update(at(10), Reading::sample(3_277, 0));
        assert_eq!(c.disturbance(), Some(Disturbance::Missing));
    }

    #[test]
    fn silence_becomes_unknown_and_a_sensor_fault_stays_one() {
        let mut c = channel();
        c.update(at(0), Reading::sample(3_277, 0));
        c.update(at(50), Reading::NoSample);
        assert_eq!(c.state(), ChannelState::Pressure(GaugePressure::ZERO));
        c.update(at(51), Reading::NoSample);
        assert_eq!(c.state(), ChannelState::Unknown);
        c.update(at(60), Reading::sample(70_000, 1));
        assert_eq!(c.state(), ChannelState::SensorFault);
        assert!(!c.timed_out());
        c.update(at(111), Reading::NoSample);
        assert!(c.timed_out());
    }

    #[test]
    fn a_forgotten_channel_knows_its_last_number_and_nothing_else() {
        let mut c = channel();
        c.update(at(0), Reading::sample(3_277, 7));
        c.forget();
        assert_eq!((c.state(), c.fresh(), c.timed_out()), (ChannelState::Unknown, None, true));
        c.update(at(10), Reading::sample(3_277, 7));
        assert_eq!((c.state(), c.fresh()), (ChannelState::Unknown, None));
        c.update(at(20), Reading::sample(3_277, 8));
        assert_eq!(c.pressure(), Some(GaugePressure::ZERO));
    }

    #[test]
    fn samples_are_missing_after_two_and_a_half_periods() {
        let us = Instant::from_ticks;
        for (quiet, disturbance) in [(20_000, None), (25_000, None), (25_001, Some(Disturbance::Missing))] {
            let mut c = channel();
            c.update(us(0), Reading::sample(3_277, 1));
            c.update(us(quiet), Reading::sample(3_277, 2));
            assert_eq!(c.disturbance(), disturbance, "{quiet} µs");
        }
    }

    #[test]
    fn a_sensor_fault_times_out_after_five_periods() {
        let mut c = channel();
        c.update(at(0), Reading::sample(3_277, 0));
        c.update(at(10), Reading::SensorFault(SensorFault::Open));
        c.update(at(60), Reading::NoSample);
        assert_eq!((c.state(), c.timed_out()), (ChannelState::SensorFault, false));
        c.update(Instant::from_ticks(60_001), Reading::NoSample);
        assert!(c.timed_out());
    }

    /// A ramp of 100 Pa a sample of 10 ms, so of exactly 10 kPa/s.
    fn ramp(ms: u64) -> Channel {
        let mut c = Channel::new(Transducer { pa_per_count: 100.0, ..Transducer::DEMO }, millis(10));
        for i in 0..=ms / 10 {
            c.update(at(10 * i), Reading::sample(3_277 + i as i32, i as u32));
        }
        c
    }

    #[test]
    fn a_rise_is_compared_with_a_rate() {
        for (ms, pa_per_s, slower) in [
            // Only one anchor yet.
            (90, 20_000, false),
            (100, 10_000, false),
            (100, 10_001, true),
            (190, 9_999, false),
            (190, 10_000, false),
            (190, 10_001, true),
            (250, 10_000, false),
            (250, 10_001, true),
        ] {
            assert_eq!(ramp(ms).rises_slower_than(pa_per_s, at(ms)), slower, "{pa_per_s} Pa/s at {ms} ms");
        }
    }

    /// Its anchors then are too old to say anything about now.
    #[test]
    fn no_rise_is_known_after_a_silence() {
        let c = ramp(100);
        let us = Instant::from_ticks;
        for (now, slower) in [(us(200_000), true), (us(400_000), true), (us(400_001), false), (us(900_000), false)] {
            assert_eq!(c.rises_slower_than(20_000, now), slower, "{now:?}");
        }
    }
}
