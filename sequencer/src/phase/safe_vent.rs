//! Safe vent: the valve is opened into the open vent, and both sides *measured* empty.
//!
//! A ball's cavity can stay pressurised while the ball is fully open or fully shut, so after the first dwell the valve
//! makes one further stroke, confirmed by the shut switch where one is fitted, and both sides are measured for a second
//! dwell. Prompts must be answered: an empty reading before the lever was turned does not count. With the guard open
//! the strokes wait; left open, both sides are known to be empty and the cavity is not. Not measured empty in time →
//! pressure may be trapped: latched.

use super::Next;
use crate::channel::Channel;
use crate::dwell::Dwell;
use crate::event::Fault;
use crate::input::Prompt;
use crate::limits;
use crate::output::{Outputs, Pilot};
use crate::recipe::{Actuation, Recipe};
use crate::rig::Rig;
use crate::time::{Duration, Instant, millis, since};

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
enum Stage {
    /// Valve open into the vent, waiting for the first dwell.
    Emptying,
    /// Further stroke: shutting (air), or prompted and not yet confirmed (hand).
    Shutting,
    /// Further stroke: reopening (air).
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
    empty_dwell: Dwell,
    /// The operator has confirmed that the lever is open.
    confirmed: bool,
    /// The shut switch closed in the further stroke.
    switch_closed: bool,
    /// The further stroke does not count: pressure came back with it, an output did not follow, or it was made while
    /// the transducer's readings proved nothing.
    stroke_void: bool,
}

/// Stroke and prompt times where no recipe is loaded, as after a reset. The stroke is the longest that a recipe may have.
const STROKE_UNKNOWN_MS: u32 = limits::STROKE_MS_MAX;
const PROMPT_UNKNOWN_MS: u32 = 120_000;

/// Input of safe vent; it must also work with no recipe.
pub(crate) struct VentView<'a> {
    /// The time that has passed for certain: strokes and dwells must last at least so long.
    pub(crate) now: Instant,
    /// Since the phase was entered.
    pub(crate) spent: Duration,
    pub(crate) rig: &'a Rig,
    pub(crate) recipe: Option<&'a Recipe>,
    pub(crate) far: &'a Channel,
    pub(crate) supply: Option<&'a Channel>,
    pub(crate) guard_open: bool,
    /// The vent is open: not while it waits for the changeover.
    pub(crate) vent_open: bool,
    pub(crate) valve_shut: bool,
    /// The far reading has come down step by step.
    pub(crate) fell: bool,
    /// Air has been let in.
    pub(crate) fed: bool,
    /// An output's read-back differs from its setting.
    pub(crate) readback_mismatch: bool,
    pub(crate) confirmed: Option<Prompt>,
}

fn by_hand(recipe: Option<&Recipe>) -> bool {
    recipe.is_some_and(|r| r.actuation() == Actuation::Hand)
}

/// Whether a lever has to be turned; after a reset it is unknown whether there is one.
fn needs_prompt(recipe: Option<&Recipe>) -> bool {
    recipe.is_none_or(|r| r.actuation() == Actuation::Hand)
}

/// Prompt on entry.
pub(crate) fn prompt(recipe: Option<&Recipe>) -> Option<Prompt> {
    needs_prompt(recipe).then_some(Prompt::OpenToVent)
}

/// In milliseconds; whole sums of these fit, by the limits of rig and recipe.
fn stage_ms_max(stage: Stage, rig: &Rig, recipe: Option<&Recipe>) -> u32 {
    let prompt = recipe.map_or(PROMPT_UNKNOWN_MS, |r| r.raw().answer_ms_max);
    match stage {
        Stage::Emptying if needs_prompt(recipe) => rig.raw().safe_vent_ms_max + prompt,
        Stage::Emptying | Stage::Dwelling => rig.raw().safe_vent_ms_max,
        Stage::Shutting if by_hand(recipe) => prompt,
        Stage::Shutting | Stage::Opening => stroke_ms_max(rig, recipe),
    }
}

fn stroke_time_ms(recipe: Option<&Recipe>) -> u32 {
    recipe.map_or(STROKE_UNKNOWN_MS, |r| r.raw().stroke_time_ms)
}

pub(crate) fn stroke(recipe: Option<&Recipe>) -> Duration {
    millis(stroke_time_ms(recipe))
}

/// A stroke confirmed by a switch may take as long as in isolate.
fn stroke_ms_max(rig: &Rig, recipe: Option<&Recipe>) -> u32 {
    match recipe {
        Some(recipe) if rig.raw().shut_switch_fitted => recipe.raw().isolate_ms_max,
        _ => stroke_time_ms(recipe),
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
            empty_dwell: Dwell::NONE,
            confirmed: false,
            switch_closed: false,
            stroke_void: false,
        }
    }

    pub(crate) fn outputs(&self) -> Outputs {
        let pilot = if self.stage == Stage::Shutting { Pilot::Exhausted } else { Pilot::Fed };
        Outputs { pilot, ..Outputs::OPEN_TO_VENT }
    }

    /// Resets the dwell: polls or clock may have been interrupted.
    pub(crate) fn restart_dwell(&mut self) {
        self.empty_dwell = Dwell::NONE;
    }

    pub(crate) fn poll(&mut self, view: &VentView<'_>) -> Next {
        self.empty_dwell.watch_empty(view.far, view.supply, view.rig.safe_limit(), view.now);
        let by_hand = by_hand(view.recipe);
        let switch = view.rig.raw().shut_switch_fitted;
        let stroking = matches!(self.stage, Stage::Shutting | Stage::Opening);
        // Behind a ball that is not open into the vent there may be pressure that no empty reading covers.
        let not_open = switch && view.valve_shut && !stroking;
        let opened_now = view.confirmed == Some(Prompt::OpenToVent);
        self.confirmed |= opened_now;
        if not_open || opened_now || view.readback_mismatch || !view.vent_open {
            self.empty_dwell = Dwell::NONE;
        }
        let waits = view.guard_open && !by_hand && stroking;
        if waits || !view.vent_open {
            // The pilot is kept as it is, or nothing is let out yet: a stroke counts from when that is over.
            self.since = view.now;
        }
        self.switch_closed |= self.stage == Stage::Shutting && view.valve_shut;
        if self.stage != Stage::Emptying {
            let full = |channel: &Channel| channel.reads_full(view.rig.safe_limit());
            self.stroke_void |= view.readback_mismatch || full(view.far) || view.supply.is_some_and(full);
        }
        let spent = since(view.now, self.since);
        let overdue = spent >= millis(stage_ms_max(self.stage, view.rig, view.recipe))
            || view.spent >= limit(view.rig, view.recipe);
        let dwelt = self.empty_dwell.lasted(view.rig.safe_dwell());
        let stroked = spent >= stroke(view.recipe);
        // Where it is unknown whether there is a lever, a pressure that came down shows that the valve is open.
        let opened = view.recipe.is_none() && view.fell;
        // Without a recipe it is not known what would make the stroke, nor how long that takes.
        let cavity = view.recipe.is_some_and(|r| r.raw().cavity_stroke);
        match self.stage {
            // A valve just commanded open has not had time to let anything out: a full stroke first.
            Stage::Emptying
                if dwelt && (by_hand || stroked) && (self.confirmed || !needs_prompt(view.recipe) || opened) =>
            {
                if !cavity {
                    return Next::Empty { stroked: false };
                }
                if !view.guard_open || by_hand {
                    self.enter(Stage::Shutting, view.now);
                    self.switch_closed = false;
                    self.stroke_void = view.fed && !view.fell;
                    return if by_hand { Next::Prompt(Prompt::WorkLever) } else { Next::Stay };
                }
                // Measured empty, and the stroke cannot be made: no more can be proved.
                if overdue { Next::Empty { stroked: false } } else { Next::Stay }
            }
            Stage::Shutting if by_hand => {
                if overdue {
                    return Next::Fault(Fault::Trapped);
                }
                if view.confirmed != Some(Prompt::WorkLever) {
                    return Next::Stay;
                }
                if switch && !self.switch_closed {
                    // Confirmed, but the switch never closed.
                    return Next::Prompt(Prompt::WorkLever);
                }
                self.enter(Stage::Dwelling, view.now);
                Next::Stay
            }
            Stage::Shutting if stroked && !view.guard_open && (!switch || self.switch_closed) => {
                self.enter(Stage::Opening, view.now);
                Next::Stay
            }
            Stage::Opening if stroked && !view.guard_open && !(switch && view.valve_shut) => {
                self.enter(Stage::Dwelling, view.now);
                Next::Stay
            }
            // Readings that prove nothing now will not later; otherwise try another stroke, while there is time.
            Stage::Dwelling if dwelt && self.stroke_void && (view.fell || !view.fed) && !overdue => {
                self.enter(Stage::Emptying, view.now);
                Next::Stay
            }
            Stage::Dwelling if dwelt => Next::Empty { stroked: !self.stroke_void },
            _ if overdue => Next::Fault(Fault::Trapped),
            _ => Next::Stay,
        }
    }

    /// The next stage, with a dwell of its own.
    fn enter(&mut self, stage: Stage, now: Instant) {
        *self = Self { stage, since: now, empty_dwell: Dwell::NONE, ..*self };
    }
}

#[cfg(test)]
mod tests {
    use super::super::bench::{Bench, RIG, at};
    use super::*;
    use crate::recipe::RawRecipe;
    use crate::rig::RawRig;

    /// The far side read empty 10 ms after the beginning, the vent and the guard as they should be.
    fn view(bench: &Bench) -> VentView<'_> {
        VentView {
            now: at(10_000),
            spent: Duration::from_ticks(10_000),
            rig: &bench.rig,
            recipe: Some(&bench.recipe),
            far: &bench.far,
            supply: Some(&bench.supply),
            guard_open: false,
            vent_open: true,
            valve_shut: false,
            fell: true,
            fed: true,
            readback_mismatch: false,
            confirmed: None,
        }
    }

    /// A stroke is a second; with the guard open, or the switch still closed, the ball has not been opened.
    #[test]
    fn the_valve_has_reopened_after_a_stroke_behind_the_guard_and_off_its_switch() {
        for (switch, us, guard_open, valve_shut, stage) in [
            (false, 999_999, false, false, Stage::Opening),
            (false, 1_000_000, false, false, Stage::Dwelling),
            (false, 1_000_000, false, true, Stage::Dwelling),
            (false, 1_000_000, true, false, Stage::Opening),
            (true, 999_999, false, false, Stage::Opening),
            (true, 1_000_000, false, true, Stage::Opening),
            (true, 1_000_000, false, false, Stage::Dwelling),
            (true, 1_000_000, true, false, Stage::Opening),
        ] {
            let mut bench = Bench::on(&RawRig { shut_switch_fitted: switch, ..RIG }, &RawRecipe::DEMO);
            bench.read(us, 0, 0);
            let mut vent = SafeVent { stage: Stage::Opening, ..SafeVent::new(at(0)) };
            let next = vent.poll(&VentView {
                now: at(us),
                spent: Duration::from_ticks(us),
                guard_open,
                valve_shut,
                ..view(&bench)
            });
            let case = (switch, us, guard_open, valve_shut);
            assert_eq!((next, vent.stage), (Next::Stay, stage), "{case:?}");
        }
    }

    /// Only while it should be open does a closed shut switch make the empty readings worthless: in the strokes the ball is
    /// to be shut, or has not left the switch yet.
    #[test]
    fn a_ball_on_its_shut_switch_is_not_open_into_the_vent() {
        for (stage, counts) in
            [(Stage::Emptying, false), (Stage::Shutting, true), (Stage::Opening, true), (Stage::Dwelling, false)]
        {
            for (switch, valve_shut) in [(true, true), (true, false), (false, true)] {
                let mut bench = Bench::on(&RawRig { shut_switch_fitted: switch, ..RIG }, &RawRecipe::DEMO);
                bench.read(10_000, 0, 0);
                let mut vent = SafeVent { stage, ..SafeVent::new(at(0)) };
                let _ = vent.poll(&VentView { valve_shut, ..view(&bench) });
                let on_it = switch && valve_shut;
                assert_eq!(vent.empty_dwell.is_begun(), counts || !on_it, "{stage:?} {switch} {valve_shut}");
            }
        }
    }

    /// Each of these alone makes an empty reading worthless; and what holds a stroke up, or comes before the vent is open,
    /// begins it anew.
    #[test]
    fn each_reason_by_itself_begins_the_dwell_or_the_stroke_anew() {
        type Change = fn(&mut VentView<'_>);
        let cases: [(&str, Stage, Change, bool, bool); 8] = [
            ("nothing", Stage::Emptying, |_| {}, true, false),
            ("lever just opened", Stage::Emptying, |v| v.confirmed = Some(Prompt::OpenToVent), false, false),
            ("read-back", Stage::Emptying, |v| v.readback_mismatch = true, false, false),
            ("vent still shut", Stage::Emptying, |v| v.vent_open = false, false, true),
            ("guard, no stroke", Stage::Emptying, |v| v.guard_open = true, true, false),
            ("nothing", Stage::Shutting, |_| {}, true, false),
            ("guard", Stage::Shutting, |v| v.guard_open = true, true, true),
            ("guard", Stage::Opening, |v| v.guard_open = true, true, true),
        ];
        for (what, stage, change, dwells, anew) in cases {
            let mut bench = Bench::on(&RIG, &RawRecipe::DEMO);
            bench.read(10_000, 0, 0);
            let mut vent = SafeVent { stage, ..SafeVent::new(at(0)) };
            let mut view = view(&bench);
            change(&mut view);
            let _ = vent.poll(&view);
            let since = if anew { at(10_000) } else { at(0) };
            assert_eq!((vent.empty_dwell.is_begun(), vent.since), (dwells, since), "{what}, {stage:?}");
        }
    }

    /// A stage has its own time and the phase has one over all: either by itself ends it. And a lever that is known to be
    /// there is open only once somebody says so, whatever the reading does.
    #[test]
    fn either_limit_ends_it_and_a_lever_is_open_when_somebody_says_so() {
        let air = Bench::on(&RIG, &RawRecipe::DEMO);
        let hand = Bench::on(&RIG, &RawRecipe { actuation: Actuation::Hand, ..RawRecipe::DEMO });
        let poll = |bench: &Bench, recipe: Option<&Recipe>, since_ms: u32, spent_ms: u32, fell: bool, dwelt: bool| {
            let now = at(u64::from(spent_ms) * 1_000);
            let mut vent = SafeVent { since: at(u64::from(since_ms) * 1_000), ..SafeVent::new(at(0)) };
            let mut bench = bench.clone();
            let first = spent_ms - if dwelt { 1_500 } else { 0 };
            for ms in (first..=spent_ms).step_by(10) {
                bench.read(u64::from(ms) * 1_000, 0, 0);
                vent.empty_dwell.watch_empty(
                    &bench.far,
                    Some(&bench.supply),
                    bench.rig.safe_limit(),
                    at(u64::from(ms) * 1_000),
                );
            }
            let view = VentView { now, spent: millis(spent_ms), recipe, fell, ..view(&bench) };
            vent.poll(&view)
        };
        let limit_ms = (limit(&air.rig, Some(&air.recipe)).as_ticks() / 1_000) as u32;
        let stage_ms = stage_ms_max(Stage::Emptying, &air.rig, Some(&air.recipe));
        assert!(stage_ms < limit_ms);
        let by_air = Some(&air.recipe);
        assert_eq!(poll(&air, by_air, 0, stage_ms - 10, true, false), Next::Stay);
        assert_eq!(poll(&air, by_air, 0, stage_ms, true, false), Next::Fault(Fault::Trapped), "the stage's time");
        assert_eq!(
            poll(&air, by_air, limit_ms - 100, limit_ms, true, false),
            Next::Fault(Fault::Trapped),
            "the phase's"
        );
        // Dwelt and unsaid.
        assert_eq!(poll(&hand, Some(&hand.recipe), 0, 5_000, true, true), Next::Stay);
        assert_eq!(poll(&air, None, 0, 70_000, false, true), Next::Stay, "nothing shows that anything is open");
        assert_eq!(poll(&air, None, 0, 70_000, true, true), Next::Empty { stroked: false });
    }
}
