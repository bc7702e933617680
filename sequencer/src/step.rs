//! The sequencer: `(state, now, inputs) → (state, outputs, events)`.

use crate::event::{Disconnect, Event, Events, Phase};
use crate::input::{Ask, Inputs, Known, Side};
use crate::output::Outputs;
use crate::recipe::Recipe;
use crate::rig::Rig;
use crate::time::Instant;
use crate::verdict::SideResult;

/// What a step asks for.
#[derive(Clone, Debug)]
#[must_use = "outputs must be set every step"]
pub struct Step {
    /// To be set now, whatever was set before.
    pub outputs: Outputs,
    /// What happened, in order.
    pub events: Events,
    /// When the present phase ends by itself, if nothing happens before; for displays.
    pub deadline: Option<Instant>,
}

/// What a screen shows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Status {
    /// Where the sequence stands.
    pub phase: Phase,
    /// The side under test.
    pub side: Option<Side>,
    /// Far-side pressure with its health.
    pub far: Known,
    /// Supply-side pressure with its health.
    pub supply: Known,
    /// What the operator is asked to do, if anything.
    pub ask: Option<Ask>,
    /// Whether a fitting may be loosened.
    pub disconnect: Disconnect,
    /// When the present phase ends by itself.
    pub deadline: Option<Instant>,
}

/// The sequencer. One value lives through one power-up of a controller, or one run on a host.
#[derive(Clone, Debug)]
pub struct Sequencer {
    rig: Rig,
    recipe: Option<Recipe>,
    phase: Phase,
}

impl Sequencer {
    /// After power-up or reset, or at the head of a recording. Assumes that the far side is pressurised: the first thing
    /// it does is to open the valve into the vent and look.
    pub fn new(rig: Rig, recipe: Option<Recipe>) -> Self {
        Self { rig, recipe, phase: Phase::SafeVent }
    }

    /// One step. `now` must not go back; calling early, or twice with nothing new, changes nothing.
    pub fn step(&mut self, now: Instant, inputs: &Inputs) -> Step {
        let _ = (now, inputs);
        Step { outputs: Outputs::REST, events: Events::new(), deadline: None }
    }

    /// Where the sequence stands.
    pub const fn phase(&self) -> Phase {
        self.phase
    }

    /// What a screen shows.
    pub fn status(&self) -> Status {
        Status {
            phase: self.phase,
            side: None,
            far: Known::Nothing,
            supply: Known::Nothing,
            ask: None,
            disconnect: Disconnect::Pressurised,
            deadline: None,
        }
    }

    /// One side's result, once given.
    pub fn result(&self, side: Side) -> Option<&SideResult> {
        let _ = side;
        None
    }

    /// The rig.
    pub const fn rig(&self) -> &Rig {
        &self.rig
    }

    /// The recipe loaded.
    pub const fn recipe(&self) -> Option<&Recipe> {
        self.recipe.as_ref()
    }
}
