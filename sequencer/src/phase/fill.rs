//! Fill: the valve is opened with the vent shut, then air is let in.
//!
//! Left when the far side stands in the band and rises slower than the limit. Below the band and no longer rising → fault:
//! no supply, the valve is not open (which for a hand-operated valve is how a lever not turned shows), or a transducer
//! that does not follow, which must not be fed blindly. Not there in time → fault. Over-pressure, slew and sensor faults
//! are caught for every phase in `step.rs`.

use super::{Next, View};
use crate::event::{Fault, Phase};
use crate::input::Ask;
use crate::output::{Gate, Outputs, Pilot};
use crate::recipe::{Actuation, Recipe};
use crate::rig::Rig;
use crate::time::{Duration, Instant, millis};
use crate::units::GaugePressure;

#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Fill {
    /// When air was let in; `None` while the valve is being opened.
    admitted: Option<Instant>,
    /// A hand valve: the operator has confirmed that it is open, perhaps before the vent has had time to shut.
    confirmed: bool,
    /// From when (the low half of the clock, in which no fill goes round) and what the pressure must have risen when it is
    /// next looked at.
    mark: Option<(u32, GaugePressure)>,
}

/// Looks at whether the pressure still rises, in the time that filling may take.
const MARKS: u64 = 8;

/// Valve opening; supply still shut, so that a vent valve that shuts slowly never sees supply.
const OPENING: Outputs = Outputs { supply: Gate::Shut, vent: Gate::Shut, pilot: Pilot::Fed };
/// Air admitted. Also what soak asks for.
pub(crate) const FEEDING: Outputs = Outputs { supply: Gate::Open, vent: Gate::Shut, pilot: Pilot::Fed };

/// Changing over from vent to supply takes its own time, whoever opens the valve.
fn opening_max(recipe: &Recipe, rig: &Rig) -> Duration {
    match recipe.actuation() {
        Actuation::Air => recipe.stroke().max(rig.changeover()),
        Actuation::Hand => millis(recipe.raw().prompt_ms_max).max(rig.changeover()),
    }
}

pub(crate) fn limit(recipe: &Recipe, rig: &Rig) -> Duration {
    Duration::from_ticks(opening_max(recipe, rig).as_ticks() + millis(recipe.raw().fill_ms_max).as_ticks())
}

/// What the operator is asked on entry.
pub(crate) fn ask(recipe: &Recipe) -> Option<Ask> {
    (recipe.actuation() == Actuation::Hand).then_some(Ask::OpenValve)
}

impl Fill {
    pub(crate) const fn outputs(&self) -> Outputs {
        if self.admitted.is_some() { FEEDING } else { OPENING }
    }

    pub(crate) fn poll(&mut self, view: &View<'_>) -> Next {
        let recipe = view.recipe;
        self.confirmed |= view.confirmed == Some(Ask::OpenValve);
        let Some(admitted) = self.admitted else {
            let open = match recipe.actuation() {
                Actuation::Air => view.spent >= opening_max(recipe, view.rig),
                Actuation::Hand => self.confirmed && view.spent >= view.rig.changeover(),
            };
            if open {
                self.admitted = Some(view.now);
            } else if recipe.actuation() == Actuation::Hand && view.spent >= opening_max(recipe, view.rig) {
                return Next::Fault(Fault::NoAnswer(Ask::OpenValve));
            }
            return Next::Stay;
        };
        let in_band = view.far.pressure().is_some_and(|p| recipe.in_band(p));
        if in_band && view.far.rises_slower_than(recipe.raw().fill_rate_pa_s, view.now) {
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

    /// Whether the pressure has risen by less than the safe limit since the last look. A fill that goes on like that
    /// would not reach the band anyway: eight such steps are less than any target.
    fn stalled(&mut self, view: &View<'_>) -> bool {
        let Some(pressure) = view.far.pressure() else { return false };
        let now = view.now.as_ticks() as u32;
        let (at, from) = *self.mark.get_or_insert((now, pressure));
        let apart =
            (millis(view.recipe.raw().fill_ms_max).as_ticks() / MARKS).max(4 * view.recipe.sample_period().as_ticks());
        if u64::from(now.wrapping_sub(at)) < apart {
            return false;
        }
        self.mark = Some((now, pressure));
        pressure.above(from) < view.rig.safe_limit().pascals()
    }
}
