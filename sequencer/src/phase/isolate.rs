//! Isolate: the valve is shut with the supply still on, so that the soaked gas is trapped.
//!
//! Left when the stroke time is over (or the operator confirms that it is shut) and, where fitted, the shut switch is
//! closed. Never closed, or never confirmed → fault. A pressure that falls meanwhile means nothing yet: the far side
//! follows a supply that sags, and a leak goes on in settle.

use super::{Isolated, Next, View};
use crate::event::Fault;
use crate::input::Prompt;
use crate::output::{GasValve, Outputs, Pilot};
use crate::recipe::{Actuation, Recipe};
use crate::time::{Duration, millis};

#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Isolate {
    /// A hand valve: the operator has confirmed that it is shut.
    confirmed: bool,
}

pub(crate) const OUTPUTS: Outputs = Outputs { supply: GasValve::Open, vent: GasValve::Shut, pilot: Pilot::Exhausted };

fn wait_max(recipe: &Recipe) -> Duration {
    match recipe.actuation() {
        Actuation::Air => millis(recipe.raw().isolate_ms_max),
        Actuation::Hand => millis(recipe.raw().answer_ms_max.max(recipe.raw().isolate_ms_max)),
    }
}

pub(crate) fn limit(recipe: &Recipe) -> Duration {
    wait_max(recipe)
}

/// Prompt on entry.
pub(crate) fn prompt(recipe: &Recipe) -> Option<Prompt> {
    (recipe.actuation() == Actuation::Hand).then_some(Prompt::ShutValve)
}

impl Isolate {
    pub(crate) fn poll(&mut self, view: &View<'_>) -> Next {
        let pressure = view.far.pressure();
        self.confirmed |= view.confirmed == Some(Prompt::ShutValve);
        let stroked = match view.recipe.actuation() {
            Actuation::Air => view.spent >= view.recipe.stroke(),
            Actuation::Hand => self.confirmed,
        };
        let closed = !view.rig.raw().shut_switch_fitted || view.contacts.valve_shut;
        match pressure {
            // A pressure that cannot be read cannot be the start of a decay: wait, the sensor fault will end it.
            Some(pressure) if stroked && closed => Next::Shut(Isolated { at: view.now, pressure }),
            _ if view.spent < wait_max(view.recipe) => Next::Stay,
            _ if stroked => Next::Fault(Fault::NotShut),
            _ => Next::Fault(Fault::NoAnswer(Prompt::ShutValve)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::bench::{Bench, RIG};
    use super::*;
    use crate::recipe::RawRecipe;
    use crate::rig::RawRig;

    #[test]
    fn a_shut_switch_is_waited_for_until_the_time_is_over() {
        for (us, expected) in [(4_999_999, Next::Stay), (5_000_000, Next::Fault(Fault::NotShut))] {
            let mut bench = Bench::on(&RawRig { shut_switch_fitted: true, ..RIG }, &RawRecipe::DEMO);
            bench.read(us, 600_000, 600_000);
            assert_eq!(Isolate::default().poll(&bench.view(us)), expected, "{us} µs");
        }
    }
}
