//! Precheck: all at rest, the far side empty and quiet.
//!
//! Left when zero offset and peak-to-peak have been measured. Not empty → the side is void; implausible or frozen →
//! fault; too few samples in time → fault.

use super::{End, Next, View, emit};
use crate::event::{Event, Events, Fault, Phase};
use crate::limits::{FLICKER_COUNTS, FROZEN_PRECHECK};
use crate::output::Outputs;
use crate::recipe::Recipe;
use crate::time::{Duration, millis};
use crate::verdict::{Reason, Verdict};

#[derive(Clone, Debug, Default)]
pub(crate) struct Precheck {
    samples: u32,
    sum_pa: i64,
    least_pa: i32,
    most_pa: i32,
    /// Least and greatest code.
    counts: (i32, i32),
}

/// Fewest samples for a zero.
const SAMPLES_MIN: u32 = 8;

pub(crate) fn limit(recipe: &Recipe) -> Duration {
    millis(recipe.raw().zero_ms.saturating_mul(2).saturating_add(1_000))
}

pub(crate) const OUTPUTS: Outputs = Outputs::REST;

impl Precheck {
    /// Whether the far transducer's last digits move so much by themselves that a frozen reading is detectable.
    pub(crate) const fn flickers(&self) -> bool {
        self.counts.0.abs_diff(self.counts.1) >= FLICKER_COUNTS
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
                (self.least_pa, self.most_pa) = (pa, pa);
                self.counts = (good.counts, good.counts);
            }
            self.samples = self.samples.saturating_add(1);
            self.sum_pa += i64::from(pa);
            self.least_pa = self.least_pa.min(pa);
            self.most_pa = self.most_pa.max(pa);
            self.counts = (self.counts.0.min(good.counts), self.counts.1.max(good.counts));
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
        let peak_to_peak_pa = self.most_pa.abs_diff(self.least_pa);
        if peak_to_peak_pa > recipe.zero_peak_to_peak_max_pa {
            return Next::Fault(Fault::Implausible);
        }
        let offset = crate::units::GaugePressure::from_pascals((self.sum_pa / i64::from(self.samples)) as i32);
        emit(events, Event::Zeroed { offset, peak_to_peak_pa });
        Next::Go(Phase::Fill)
    }
}
