//! Settle: the supply side vented, the trapped gas and the seats given time.
//!
//! Left when the settle time is over. Gross fall that lasts → a result. A rise → the side is void: the supply valve
//! passes, or the gas is being warmed. A supply side that does not stay empty → void: nothing drives a leak.

use super::{End, Next, View};
use crate::event::Phase;
use crate::output::Outputs;
use crate::recipe::Recipe;
use crate::time::{Duration, millis};
use crate::verdict::{Ground, Verdict};

/// As venting: supply shut, vent open, valve shut.
pub(crate) const OUTPUTS: Outputs = Outputs::REST;

pub(crate) fn limit(recipe: &Recipe) -> Duration {
    millis(recipe.raw().settle_ms)
}

pub(crate) fn poll(view: &View<'_>) -> Next {
    if view.gross.holds() {
        view.fallen(Ground::GrossFall)
    } else if view.supply_full {
        Next::End(End::plain(Verdict::Void, Ground::SupplyNotEmpty))
    } else if view.rose() {
        Next::End(End::plain(Verdict::Void, Ground::Rise))
    } else if view.spent >= limit(view.recipe) {
        Next::Go(Phase::Measure)
    } else {
        Next::Stay
    }
}
