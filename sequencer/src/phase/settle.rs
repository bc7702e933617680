//! Settle: the supply side vented, the trapped gas and the seats given time.
//!
//! Left when the settle time is over. Gross fall → a result. A rise → the side is void: the supply valve passes, or the
//! gas is being warmed.

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
    if view.fell_grossly() {
        Next::End(End::plain(Verdict::Leaking, Ground::GrossFall))
    } else if view.rose() {
        Next::End(End::plain(Verdict::Void, Ground::Rise))
    } else if view.spent >= limit(view.recipe) {
        Next::Go(Phase::Measure)
    } else {
        Next::Stay
    }
}
