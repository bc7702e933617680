//! Isolate: the valve is shut with the supply still on, so that what is trapped is what was soaked.
//!
//! Left when the stroke time is over (or the operator says it is shut) and, where fitted, the shut switch is made.
//! Never made, or never answered → fault. A pressure that falls meanwhile says nothing yet: a supply that sags takes the far
//! side with it, and a leak goes on falling in settle.

use super::{Isolated, Next, View};
use crate::event::Fault;
use crate::input::Ask;
use crate::output::{Gate, Outputs, Pilot};
use crate::recipe::{Actuation, Recipe};
use crate::time::{Duration, millis};

#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Isolate {
    /// A hand valve: the operator has confirmed that it is shut.
    confirmed: bool,
}

pub(crate) const OUTPUTS: Outputs = Outputs { supply: Gate::Open, vent: Gate::Shut, pilot: Pilot::Exhausted };

fn wait_max(recipe: &Recipe) -> Duration {
    match recipe.actuation() {
        Actuation::Air => millis(recipe.raw().isolate_ms_max),
        Actuation::Hand => millis(recipe.raw().prompt_ms_max.max(recipe.raw().isolate_ms_max)),
    }
}

pub(crate) fn limit(recipe: &Recipe) -> Duration {
    wait_max(recipe)
}

/// What the operator is asked on entry.
pub(crate) fn ask(recipe: &Recipe) -> Option<Ask> {
    (recipe.actuation() == Actuation::Hand).then_some(Ask::ShutValve)
}

impl Isolate {
    pub(crate) fn poll(&mut self, view: &View<'_>) -> Next {
        let pressure = view.far.pressure();
        self.confirmed |= view.confirmed == Some(Ask::ShutValve);
        let stroked = match view.recipe.actuation() {
            Actuation::Air => view.spent >= view.recipe.stroke(),
            Actuation::Hand => self.confirmed,
        };
        let made = !view.rig.raw().shut_switch_fitted || view.contacts.valve_shut;
        match pressure {
            // A pressure that cannot be read cannot be the start of a decay: wait, the sensor fault will end it.
            Some(pressure) if stroked && made => Next::Shut(Isolated { at: view.now, pressure }),
            _ if view.spent < wait_max(view.recipe) => Next::Stay,
            _ if stroked => Next::Fault(Fault::NotShut),
            _ => Next::Fault(Fault::NoAnswer(Ask::ShutValve)),
        }
    }
}
