//! Soak: still fed, while the gas warmed by filling comes to the temperature of the walls.
//!
//! Left when the soak time is over. The pressure leaving the band → fault. At the end of it, with everything joined and
//! nothing flowing, both transducers must read the same to within the band, where there are two: a wrong range, a
//! shifted zero or a blocked line shows here, before it can affect a result.

use super::{Next, View};
use crate::event::{Fault, Phase};
use crate::output::Outputs;
use crate::recipe::Recipe;
use crate::time::{Duration, millis};

pub(crate) const OUTPUTS: Outputs = super::fill::FEEDING;

pub(crate) fn limit(recipe: &Recipe) -> Duration {
    millis(recipe.raw().soak_ms)
}

pub(crate) fn poll(view: &View<'_>) -> Next {
    if view.far.pressure().is_some_and(|p| !view.recipe.in_band(p)) {
        Next::Fault(Fault::BandLost)
    } else if view.spent >= limit(view.recipe) {
        if view.sides_apart { Next::Fault(Fault::SidesDisagree) } else { Next::Go(Phase::Isolate) }
    } else {
        Next::Stay
    }
}
