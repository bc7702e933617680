//! Precheck: all at rest, the far side empty and quiet.
//!
//! Left when zero offset and peak-to-peak have been measured. Not empty → the side is void; implausible or frozen →
//! fault; too few samples in time → fault.

use core::num::NonZeroU16;

use super::{End, Next, View, emit};
use crate::event::{Event, Events, Fault, Phase};
use crate::limits::{CHANGE_LEAST, CHANGE_PARTS, FLICKER_COUNTS, FROZEN_PRECHECK};
use crate::output::Outputs;
use crate::recipe::Recipe;
use crate::time::{Duration, millis};
use crate::verdict::{Reason, Verdict};

#[derive(Clone, Debug, Default)]
pub(crate) struct Precheck {
    samples: u32,
    sum_pa: i64,
    /// Least and greatest code.
    counts: (i32, i32),
    /// The last code, and the sum of the changes from code to code.
    last: i32,
    changes: u32,
}

/// Fewest samples for a zero.
const SAMPLES_MIN: u32 = 8;

pub(crate) fn limit(recipe: &Recipe) -> Duration {
    millis(recipe.raw().zero_ms.saturating_mul(2).saturating_add(1_000))
}

pub(crate) const OUTPUTS: Outputs = Outputs::REST;

impl Precheck {
    /// Mean change from reading to reading, in [`CHANGE_PARTS`] of a count, where the far transducer's last digits move so much
    /// by themselves that a frozen reading is detectable.
    pub(crate) fn flicker(&self) -> Option<NonZeroU16> {
        let change = self.changes.saturating_mul(CHANGE_PARTS) / self.samples.max(1);
        let flickers = self.counts.0.abs_diff(self.counts.1) >= FLICKER_COUNTS;
        NonZeroU16::new(change.clamp(CHANGE_LEAST, u16::MAX.into()) as u16).filter(|_| flickers)
    }

    #[inline(never)]
    pub(crate) fn poll(&mut self, view: &View<'_>, events: &mut Events) -> Next {
        let recipe = view.recipe.raw();
        if let Some(good) = view.far.fresh() {
            let pa = good.pressure.pascals();
            if i64::from(pa) > i64::from(recipe.zero_band_pa) {
                return Next::End(End::without_estimate(Verdict::Void, Reason::NotEmpty));
            }
            // Pressure is never below atmosphere: a reading well under it is a transducer error.
            if -i64::from(pa) > i64::from(recipe.zero_band_pa) {
                return Next::Fault(Fault::Implausible);
            }
            if self.samples == 0 {
                self.counts = (good.counts, good.counts);
                self.last = good.counts;
            }
            self.samples = self.samples.saturating_add(1);
            self.sum_pa += i64::from(pa);
            self.counts = (self.counts.0.min(good.counts), self.counts.1.max(good.counts));
            self.changes = self.changes.saturating_add(good.counts.abs_diff(self.last));
            self.last = good.counts;
        }
        if view.spent >= limit(view.recipe) {
            return Next::Fault(Fault::FarSensor);
        }
        if view.spent < millis(recipe.zero_ms) || self.samples < SAMPLES_MIN {
            return Next::Stay;
        }
        if view.rig.raw().far_flickers && self.counts.0 == self.counts.1 && self.samples >= FROZEN_PRECHECK {
            return Next::Fault(Fault::Frozen);
        }
        let [least, most] = [self.counts.0, self.counts.1].map(|counts| view.rig.raw().far.pressure(counts).pascals());
        let peak_to_peak_pa = most.abs_diff(least);
        if peak_to_peak_pa > recipe.zero_peak_to_peak_max_pa {
            return Next::Fault(Fault::Implausible);
        }
        let offset = crate::units::GaugePressure::from_pascals((self.sum_pa / i64::from(self.samples)) as i32);
        emit(events, Event::Zeroed { offset, peak_to_peak_pa });
        Next::Go(Phase::Fill)
    }
}

#[cfg(test)]
mod tests {
    use super::super::bench::Bench;
    use super::*;
    use crate::units::GaugePressure;

    /// Polls it with these readings, the last at `us`, the others together just before: what it requests, and its
    /// events.
    fn after(readings: &[i32], us: u64) -> (Next, Events, Precheck) {
        let (mut precheck, mut bench, mut events) = (Precheck::default(), Bench::default(), Events::new());
        let mut next = Next::Stay;
        for (&pa, left) in readings.iter().zip((0..readings.len() as u64).rev()) {
            assert_eq!(next, Next::Stay);
            let us = us - left;
            next = precheck.poll(&bench.read(us, pa, 0).view(us), &mut events);
            assert!(left == 0 || events.is_empty());
        }
        (next, events, precheck)
    }

    /// The zero band is 2 kPa.
    #[test]
    fn a_reading_above_the_zero_band_is_not_empty_and_one_below_is_implausible() {
        let not_empty = Next::End(End::without_estimate(Verdict::Void, Reason::NotEmpty));
        for (pa, expected) in
            [(2_000, Next::Stay), (2_001, not_empty), (-2_000, Next::Stay), (-2_001, Next::Fault(Fault::Implausible))]
        {
            assert_eq!(after(&[pa], 500_000).0, expected, "{pa} Pa");
        }
    }

    #[test]
    fn a_zero_takes_its_time_and_eight_readings() {
        let readings = [0, 1, 2, 3, 4, 5, 6, 7];
        for (count, us, expected) in [
            (8, 999_999, Next::Stay),
            (8, 1_000_000, Next::Go(Phase::Fill)),
            (7, 1_000_000, Next::Stay),
            (7, 2_999_999, Next::Stay),
            (7, 3_000_000, Next::Fault(Fault::FarSensor)),
        ] {
            assert_eq!(after(&readings[..count], us).0, expected, "{count} readings in {us} µs");
        }
    }

    /// The most that it may be from peak to peak is 1 kPa.
    #[test]
    fn the_zero_is_the_mean_and_its_noise_the_whole_range() {
        let (next, events, _) = after(&[-200, 800, 300, 300, 300, 300, 300, 300], 1_000_000);
        assert_eq!(next, Next::Go(Phase::Fill));
        let offset = GaugePressure::from_pascals(300);
        assert_eq!(events.as_slice(), [Event::Zeroed { offset, peak_to_peak_pa: 1_000 }]);
        let (next, events, _) = after(&[-200, 801, 300, 300, 300, 300, 300, 300], 1_000_000);
        assert_eq!(next, Next::Fault(Fault::Implausible));
        assert!(events.is_empty());
    }

    #[test]
    fn digits_move_where_they_span_three_counts() {
        for (most, flickers) in [(0, false), (2, false), (3, true)] {
            assert_eq!(after(&[0, most, 0], 500_000).2.flicker().is_some(), flickers, "{most} counts");
        }
    }
}
