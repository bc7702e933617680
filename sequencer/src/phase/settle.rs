//! Settle: the supply side vented, the trapped gas and the seats given time.
//!
//! Left when the settle time is over. Persistent gross fall → a result. A rise → the side is void: the supply valve
//! passes, or the gas is being warmed. A supply side that does not stay empty → void: nothing drives a leak.

use super::{End, Next, View};
use crate::event::Phase;
use crate::output::Outputs;
use crate::recipe::Recipe;
use crate::time::{Duration, millis};
use crate::verdict::{Reason, Verdict};

/// As venting: supply shut, vent open, valve shut.
pub(crate) const OUTPUTS: Outputs = Outputs::REST;

pub(crate) fn limit(recipe: &Recipe) -> Duration {
    millis(recipe.raw().settle_ms)
}

pub(crate) fn poll(view: &View<'_>) -> Next {
    if view.gross_fall.holds() {
        view.fallen(Reason::GrossFall)
    } else if view.supply_full {
        Next::End(End::without_estimate(Verdict::Void, Reason::SupplyNotEmpty))
    } else if view.rose() {
        Next::End(End::without_estimate(Verdict::Void, Reason::Rise))
    } else if view.spent >= limit(view.recipe) {
        Next::Go(Phase::Measure)
    } else {
        Next::Stay
    }
}
