//! Safe vent: the valve is opened into the open vent, and the far side *seen* empty.
//!
//! A ball's cavity can stay pressurised while the ball is fully open or fully shut, so after the first dwell the valve
//! makes one further stroke, and the far side is watched for a second dwell. Left when that is done by a healthy
//! transducer. Not in time → pressure may be trapped: latched.

use super::Next;
use crate::channel::Channel;
use crate::dwell::Dwell;
use crate::event::Fault;
use crate::input::Ask;
use crate::output::{Outputs, Pilot};
use crate::recipe::{Actuation, Recipe};
use crate::rig::Rig;
use crate::time::{Duration, Instant, millis, since};

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
enum Stage {
    /// Valve open into the vent, waiting for the first dwell.
    Emptying,
    /// Further stroke: shutting (air), or asked for and not yet answered (hand).
    Shutting,
    /// Further stroke: opening again (air).
    Opening,
    /// The second dwell.
    Dwelling,
}

#[derive(Clone, Copy, Debug)]
pub(crate) struct SafeVent {
    stage: Stage,
    /// When the stage began.
    since: Instant,
    /// How long the far side has been measured below the safe limit without a break.
    below: Dwell,
}

/// Stroke and prompt times where no recipe is loaded, as after a reset.
const STROKE_UNKNOWN: Duration = millis(3_000);
const PROMPT_UNKNOWN: Duration = millis(120_000);

/// What safe vent sees; it must also work with no recipe.
pub(crate) struct VentView<'a> {
    pub(crate) now: Instant,
    pub(crate) rig: &'a Rig,
    pub(crate) recipe: Option<&'a Recipe>,
    pub(crate) far: &'a Channel,
    pub(crate) confirmed: Option<Ask>,
}

fn by_hand(recipe: Option<&Recipe>) -> bool {
    recipe.is_some_and(|r| r.actuation() == Actuation::Hand)
}

/// What the operator is asked on entry: a lever must be turned, and after a reset it is not known whether there is one.
pub(crate) fn ask(recipe: Option<&Recipe>) -> Option<Ask> {
    recipe.is_none_or(|r| r.actuation() == Actuation::Hand).then_some(Ask::OpenToVent)
}

fn stage_max(stage: Stage, rig: &Rig, recipe: Option<&Recipe>) -> Duration {
    let prompt = recipe.map_or(PROMPT_UNKNOWN, |r| millis(r.raw().prompt_ms_max));
    let by_person = if recipe.is_none() || by_hand(recipe) { prompt } else { millis(0) };
    match stage {
        Stage::Emptying => Duration::from_ticks(rig.safe_vent_max().as_ticks() + by_person.as_ticks()),
        Stage::Shutting if by_hand(recipe) => prompt,
        Stage::Shutting | Stage::Opening => stroke(recipe),
        Stage::Dwelling => rig.safe_vent_max(),
    }
}

fn stroke(recipe: Option<&Recipe>) -> Duration {
    recipe.map_or(STROKE_UNKNOWN, Recipe::stroke)
}

pub(crate) fn limit(rig: &Rig, recipe: Option<&Recipe>) -> Duration {
    let stages = [Stage::Emptying, Stage::Shutting, Stage::Opening, Stage::Dwelling];
    Duration::from_ticks(stages.iter().map(|&s| stage_max(s, rig, recipe).as_ticks()).sum())
}

impl SafeVent {
    pub(crate) const fn new(now: Instant) -> Self {
        Self { stage: Stage::Emptying, since: now, below: Dwell::NONE }
    }

    pub(crate) fn outputs(&self) -> Outputs {
        let pilot = if self.stage == Stage::Shutting { Pilot::Exhausted } else { Pilot::Fed };
        Outputs { pilot, ..Outputs::OPEN_TO_VENT }
    }

    /// Forgets the dwell: the polls or the clock cannot be trusted to have been unbroken.
    pub(crate) fn restart_dwell(&mut self) {
        self.below = Dwell::NONE;
    }

    pub(crate) fn poll(&mut self, view: &VentView<'_>) -> Next {
        self.below.watch(view.far, view.rig.safe_limit(), view.now);
        let dwelt = self.below.lasted(view.rig.safe_dwell());
        let spent = since(view.now, self.since);
        let cavity = view.recipe.is_none_or(|r| r.raw().cavity_stroke);
        match self.stage {
            // A valve only just told to open has not had time to let anything out: a full stroke first.
            Stage::Emptying if dwelt && (by_hand(view.recipe) || spent >= stroke(view.recipe)) => {
                if !cavity {
                    return Next::Empty;
                }
                self.go(Stage::Shutting, view.now);
                if by_hand(view.recipe) { Next::Ask(Ask::WorkLever) } else { Next::Stay }
            }
            Stage::Shutting if by_hand(view.recipe) => {
                if view.confirmed == Some(Ask::WorkLever) {
                    self.go(Stage::Dwelling, view.now);
                } else if spent >= stage_max(self.stage, view.rig, view.recipe) {
                    return Next::Fault(Fault::Trapped);
                }
                Next::Stay
            }
            Stage::Shutting if spent >= stroke(view.recipe) => {
                self.go(Stage::Opening, view.now);
                Next::Stay
            }
            Stage::Opening if spent >= stroke(view.recipe) => {
                self.go(Stage::Dwelling, view.now);
                Next::Stay
            }
            Stage::Dwelling if dwelt => Next::Empty,
            Stage::Emptying | Stage::Dwelling if spent >= stage_max(self.stage, view.rig, view.recipe) => {
                Next::Fault(Fault::Trapped)
            }
            _ => Next::Stay,
        }
    }

    /// The next stage, with a dwell of its own.
    fn go(&mut self, stage: Stage, now: Instant) {
        *self = Self { stage, since: now, below: Dwell::NONE };
    }
}
