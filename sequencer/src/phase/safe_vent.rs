//! Safe vent: the valve is opened into the open vent, and both sides *measured* empty.
//!
//! A ball's cavity can stay pressurised while the ball is fully open or fully shut, so after the first dwell the valve
//! makes one further stroke, seen by the shut switch where one is fitted, and both sides are watched for a second dwell.
//! Prompts must be answered: a far side that reads empty before the lever was turned is read by nobody. With the guard
//! open the strokes wait; left open, both sides are known empty and the cavity is not. Not measured empty in time → pressure
//! may be trapped: latched.

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
    /// How long both sides have been measured empty without a break.
    below: Dwell,
    /// The operator has confirmed that the lever is open.
    confirmed: bool,
    /// The shut switch was made in the further stroke.
    seen_shut: bool,
    /// The further stroke does not count: pressure came back with it, an output did not follow, or it was made while what
    /// the transducer reads proved nothing.
    doubtful: bool,
}

/// Stroke and prompt times where no recipe is loaded, as after a reset.
const STROKE_UNKNOWN_MS: u32 = 3_000;
const PROMPT_UNKNOWN_MS: u32 = 120_000;

/// What safe vent sees; it must also work with no recipe.
pub(crate) struct VentView<'a> {
    pub(crate) now: Instant,
    /// Since the phase was entered.
    pub(crate) spent: Duration,
    pub(crate) rig: &'a Rig,
    pub(crate) recipe: Option<&'a Recipe>,
    pub(crate) far: &'a Channel,
    pub(crate) supply: Option<&'a Channel>,
    pub(crate) guard_open: bool,
    pub(crate) valve_shut: bool,
    /// The far pressure has been seen to come down step by step.
    pub(crate) fell: bool,
    /// Air has been let in.
    pub(crate) fed: bool,
    /// An output reads back otherwise than it was set.
    pub(crate) outputs_differ: bool,
    pub(crate) confirmed: Option<Ask>,
}

fn by_hand(recipe: Option<&Recipe>) -> bool {
    recipe.is_some_and(|r| r.actuation() == Actuation::Hand)
}

/// Whether a lever has to be turned; after a reset it is not known whether there is one.
fn asks(recipe: Option<&Recipe>) -> bool {
    recipe.is_none_or(|r| r.actuation() == Actuation::Hand)
}

/// What the operator is asked on entry.
pub(crate) fn ask(recipe: Option<&Recipe>) -> Option<Ask> {
    asks(recipe).then_some(Ask::OpenToVent)
}

/// In milliseconds; whole sums of these fit, by the limits of rig and recipe.
fn stage_ms_max(stage: Stage, rig: &Rig, recipe: Option<&Recipe>) -> u32 {
    let prompt = recipe.map_or(PROMPT_UNKNOWN_MS, |r| r.raw().prompt_ms_max);
    match stage {
        Stage::Emptying if asks(recipe) => rig.raw().safe_vent_ms_max + prompt,
        Stage::Emptying | Stage::Dwelling => rig.raw().safe_vent_ms_max,
        Stage::Shutting if by_hand(recipe) => prompt,
        Stage::Shutting | Stage::Opening => stroke_ms_max(rig, recipe),
    }
}

fn stroke_ms(recipe: Option<&Recipe>) -> u32 {
    recipe.map_or(STROKE_UNKNOWN_MS, |r| r.raw().stroke_ms)
}

pub(crate) fn stroke(recipe: Option<&Recipe>) -> Duration {
    millis(stroke_ms(recipe))
}

/// A stroke that a switch is to confirm may take as long as in isolate.
fn stroke_ms_max(rig: &Rig, recipe: Option<&Recipe>) -> u32 {
    match recipe {
        Some(recipe) if rig.raw().shut_switch_fitted => recipe.raw().isolate_ms_max,
        _ => stroke_ms(recipe),
    }
}

pub(crate) fn limit(rig: &Rig, recipe: Option<&Recipe>) -> Duration {
    let stages = [Stage::Emptying, Stage::Shutting, Stage::Opening, Stage::Dwelling];
    millis(stages.iter().fold(rig.raw().changeover_ms, |sum, &stage| sum + stage_ms_max(stage, rig, recipe)))
}

impl SafeVent {
    pub(crate) const fn new(now: Instant) -> Self {
        Self {
            stage: Stage::Emptying,
            since: now,
            below: Dwell::NONE,
            confirmed: false,
            seen_shut: false,
            doubtful: false,
        }
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
        self.below.watch_empty(view.far, view.supply, view.rig.safe_limit(), view.now);
        let by_hand = by_hand(view.recipe);
        let switch = view.rig.raw().shut_switch_fitted;
        if switch && view.valve_shut && matches!(self.stage, Stage::Emptying | Stage::Dwelling) {
            // The ball is not open into the vent: an empty reading says nothing of what is behind it.
            self.below = Dwell::NONE;
        }
        if view.confirmed == Some(Ask::OpenToVent) {
            self.confirmed = true;
            self.below = Dwell::NONE;
        }
        if view.guard_open && !by_hand && matches!(self.stage, Stage::Shutting | Stage::Opening) {
            // The pilot is held as it is: a stroke counts from when the guard is closed again.
            self.since = view.now;
        }
        self.seen_shut |= self.stage == Stage::Shutting && view.valve_shut;
        if view.outputs_differ {
            self.below = Dwell::NONE;
        }
        if self.stage != Stage::Emptying {
            let full = |channel: &Channel| channel.reads_full(view.rig.safe_limit());
            self.doubtful |= view.outputs_differ || full(view.far) || view.supply.is_some_and(full);
        }
        let spent = since(view.now, self.since);
        let overdue = spent >= millis(stage_ms_max(self.stage, view.rig, view.recipe))
            || view.spent >= limit(view.rig, view.recipe);
        let dwelt = self.below.lasted(view.rig.safe_dwell());
        let stroked = spent >= stroke(view.recipe);
        // Where it is not known whether there is a lever, a pressure that was seen to come down says that the valve is open.
        let opened = view.recipe.is_none() && view.fell;
        let cavity = view.recipe.is_none_or(|r| r.raw().cavity_stroke);
        match self.stage {
            // A valve only just told to open has not had time to let anything out: a full stroke first.
            Stage::Emptying if dwelt && (by_hand || stroked) && (self.confirmed || !asks(view.recipe) || opened) => {
                if !cavity {
                    return Next::Empty { stroked: false };
                }
                if !view.guard_open || by_hand {
                    self.go(Stage::Shutting, view.now);
                    self.seen_shut = false;
                    self.doubtful = view.fed && !view.fell;
                    return if by_hand { Next::Ask(Ask::WorkLever) } else { Next::Stay };
                }
                // Measured empty, and the stroke cannot be made: more than that will not be known.
                if overdue { Next::Empty { stroked: false } } else { Next::Stay }
            }
            Stage::Shutting if by_hand => {
                if overdue {
                    return Next::Fault(Fault::Trapped);
                }
                if view.confirmed != Some(Ask::WorkLever) {
                    return Next::Stay;
                }
                if switch && !self.seen_shut {
                    // Said to be done, and the switch was never made.
                    return Next::Ask(Ask::WorkLever);
                }
                self.go(Stage::Dwelling, view.now);
                Next::Stay
            }
            Stage::Shutting if stroked && !view.guard_open && (!switch || self.seen_shut) => {
                self.go(Stage::Opening, view.now);
                Next::Stay
            }
            Stage::Opening if stroked && !view.guard_open && !(switch && view.valve_shut) => {
                self.go(Stage::Dwelling, view.now);
                Next::Stay
            }
            // What proves nothing now will not later; anything else is worth another stroke, while there is time.
            Stage::Dwelling if dwelt && self.doubtful && (view.fell || !view.fed) && !overdue => {
                self.go(Stage::Emptying, view.now);
                Next::Stay
            }
            Stage::Dwelling if dwelt => Next::Empty { stroked: !self.doubtful },
            _ if overdue => Next::Fault(Fault::Trapped),
            _ => Next::Stay,
        }
    }

    /// The next stage, with a dwell of its own.
    fn go(&mut self, stage: Stage, now: Instant) {
        *self = Self { stage, since: now, below: Dwell::NONE, ..*self };
    }
}
