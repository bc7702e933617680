//! Fill: the valve is opened with the vent shut, then air is let in.
//!
//! Left when the far side is in the band and rises slower than the limit. Below the band and no longer rising → fault:
//! no supply, the valve is not open (as with a lever not turned on a hand-operated valve), or a transducer that does
//! not follow, which must not be fed further. Not in the band in time → fault. Over-pressure, slew and sensor faults
//! are caught for every phase in `step.rs`.

use super::{Next, View};
use crate::event::{Fault, Phase};
use crate::input::Prompt;
use crate::output::{GasValve, Outputs, Pilot};
use crate::recipe::{Actuation, Recipe};
use crate::rig::Rig;
use crate::time::{Duration, Instant, millis};
use crate::units::GaugePressure;

#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Fill {
    /// When air was let in; `None` while the valve is being opened.
    admitted: Option<Instant>,
    /// A hand valve: the operator has confirmed that it is open, perhaps before the vent is shut.
    confirmed: bool,
    /// Start of the present stall check: time (the low half of the clock, which no fill wraps) and pressure.
    mark: Option<(u32, GaugePressure)>,
}

/// Stall checks in the time allowed for filling.
const MARKS: u64 = 8;

/// Valve opening; supply still shut, so that a vent valve that shuts slowly never meets supply.
const OPENING: Outputs = Outputs { supply: GasValve::Shut, vent: GasValve::Shut, pilot: Pilot::Fed };
/// Air admitted. Also used in soak.
pub(crate) const FEEDING: Outputs = Outputs { supply: GasValve::Open, vent: GasValve::Shut, pilot: Pilot::Fed };

/// The changeover from vent to supply takes its time, however the valve is opened.
fn opening_max(recipe: &Recipe, rig: &Rig) -> Duration {
    match recipe.actuation() {
        Actuation::Air => recipe.stroke().max(rig.changeover()),
        Actuation::Hand => millis(recipe.raw().answer_ms_max).max(rig.changeover()),
    }
}

pub(crate) fn limit(recipe: &Recipe, rig: &Rig) -> Duration {
    Duration::from_ticks(opening_max(recipe, rig).as_ticks() + millis(recipe.raw().fill_ms_max).as_ticks())
}

/// Prompt on entry.
pub(crate) fn prompt(recipe: &Recipe) -> Option<Prompt> {
    (recipe.actuation() == Actuation::Hand).then_some(Prompt::OpenValve)
}

impl Fill {
    pub(crate) const fn outputs(&self) -> Outputs {
        if self.admitted.is_some() { FEEDING } else { OPENING }
    }

    pub(crate) fn poll(&mut self, view: &View<'_>) -> Next {
        let recipe = view.recipe;
        self.confirmed |= view.confirmed == Some(Prompt::OpenValve);
        let Some(admitted) = self.admitted else {
            let open = match recipe.actuation() {
                Actuation::Air => view.spent >= opening_max(recipe, view.rig),
                Actuation::Hand => self.confirmed && view.spent >= view.rig.changeover(),
            };
            if open {
                self.admitted = Some(view.now);
            } else if recipe.actuation() == Actuation::Hand && view.spent >= opening_max(recipe, view.rig) {
                return Next::Fault(Fault::NoAnswer(Prompt::OpenValve));
            }
            return Next::Stay;
        };
        let in_band = view.far.pressure().is_some_and(|p| recipe.in_band(p));
        if in_band && view.far.rises_slower_than(recipe.raw().fill_settled_rate_pa_s, view.now) {
            return Next::Go(Phase::Soak);
        }
        if view.since(admitted) >= millis(recipe.raw().fill_ms_max) {
            return Next::Fault(Fault::FillTimeout);
        }
        if !in_band && self.stalled(view) {
            return Next::Fault(Fault::FillStalled);
        }
        Next::Stay
    }

    /// Whether the pressure has risen by less than the safe limit since the last stall check. A fill that slow would
    /// not reach the band anyway: eight such steps are less than any target.
    fn stalled(&mut self, view: &View<'_>) -> bool {
        let Some(pressure) = view.far.pressure() else { return false };
        let now = view.now.as_ticks() as u32;
        let (at, from) = *self.mark.get_or_insert((now, pressure));
        let interval =
            (millis(view.recipe.raw().fill_ms_max).as_ticks() / MARKS).max(4 * view.recipe.sample_period().as_ticks());
        if u64::from(now.wrapping_sub(at)) < interval {
            return false;
        }
        self.mark = Some((now, pressure));
        pressure.above(from) < view.rig.safe_limit().pascals()
    }
}

#[cfg(test)]
mod tests {
    use super::super::bench::{Bench, RIG};
    use super::*;
    use crate::recipe::RawRecipe;

    /// The safe limit of the rig is 3 kPa.
    #[test]
    fn a_fill_is_stalled_where_it_rose_too_little_in_an_eighth_of_its_time() {
        let slow = RawRecipe {
            fill_ms_max: 500,
            sample_period_ms: 100,
            zero_ms: 5_000,
            measure_ms_min: 6_400,
            ..RawRecipe::DEMO
        };
        for (recipe, us, rise, stalled) in [
            (RawRecipe::DEMO, 2_499_999, 0, false),
            (RawRecipe::DEMO, 2_500_000, 0, true),
            (RawRecipe::DEMO, 2_500_000, 2_999, true),
            (RawRecipe::DEMO, 2_500_000, 3_000, false),
            // An eighth is less than four samples.
            (slow, 399_999, 0, false),
            (slow, 400_000, 0, true),
        ] {
            let (mut fill, mut bench) = (Fill::default(), Bench::on(&RIG, &recipe));
            assert!(!fill.stalled(&bench.read(0, 1_000, 0).view(0)));
            bench.read(us, 1_000 + rise, 0);
            assert_eq!(fill.stalled(&bench.view(us)), stalled, "{rise} Pa in {us} µs");
        }
    }
}
