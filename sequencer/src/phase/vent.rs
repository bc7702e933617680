//! Vent: supply shut, then the supply side opened to the room.
//!
//! Left when the supply side is below the limit, or after the venting time where it has no transducer. If the trapped
//! pressure went with it, and stays down → a result: the valve did not hold. Not vented in time → fault, whatever the
//! far side did: with the supply side full it cannot have leaked there.

use super::{Next, View};
use crate::event::{Fault, Phase};
use crate::output::{GasValve, Outputs, Pilot};
use crate::recipe::Recipe;
use crate::rig::Rig;
use crate::time::{Duration, Instant, millis};
use crate::verdict::Reason;

#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Vent {
    /// When the vent was opened; `None` during the changeover from supply.
    opened: Option<Instant>,
}

const CHANGEOVER: Outputs = Outputs { supply: GasValve::Shut, vent: GasValve::Shut, pilot: Pilot::Exhausted };

/// The recipe's time counts from the opening of the vent, which is after the changeover.
pub(crate) fn limit(recipe: &Recipe, rig: &Rig) -> Duration {
    Duration::from_ticks(rig.changeover().as_ticks() + millis(recipe.raw().vent_ms_max).as_ticks())
}

impl Vent {
    pub(crate) const fn outputs(&self) -> Outputs {
        if self.opened.is_some() { Outputs::REST } else { CHANGEOVER }
    }

    pub(crate) fn poll(&mut self, view: &View<'_>) -> Next {
        let Some(opened) = self.opened else {
            if view.spent >= view.rig.changeover() {
                self.opened = Some(view.now);
            }
            return Next::Stay;
        };
        let recipe = view.recipe.raw();
        let vented = match view.supply {
            Some(supply) => supply.pressure().is_some_and(|p| i64::from(p.pascals()) < i64::from(recipe.vent_below_pa)),
            None => view.since(opened) >= millis(recipe.vent_ms),
        };
        let overdue = view.since(opened) >= millis(recipe.vent_ms_max);
        if !vented {
            return if overdue { Next::Fault(Fault::VentTimeout) } else { Next::Stay };
        }
        // Judged only now, when the supply side is vented: with a ball that does not shut the far side goes with it,
        // with a bad leak it is still falling.
        if view.gross_fall.holds() {
            let half = view.isolated.map_or(0, |isolated| isolated.pressure.pascals() / 2);
            let gone = view.fall_pa().is_some_and(|fall| fall > half);
            view.fallen(if gone { Reason::WentWithSupply } else { Reason::GrossFall })
        } else if view.gross_fall.is_pending() && !overdue {
            // Fallen at the last reading, but not yet long enough to exclude interference.
            Next::Stay
        } else {
            Next::Go(Phase::Settle)
        }
    }
}
