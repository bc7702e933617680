//! A side evaluated by many limits at once.
//!
//! Where and when the sequencer looks does not depend on the limit; only what each look decides does. So a side goes
//! through the sequencer with a limit inside its own guard band, which keeps it looking to the end of what was
//! recorded, and every other limit is then applied to the same estimates, by the sequencer's own [`decide`]. What rests
//! on the limit in another way (a gross fall while measuring, a rise at the last look) is left to a complete rerun.

use seathold_recording::Recording;
use seathold_recording::timeline::Timeline;
use seathold_sequencer::input::Side;
use seathold_sequencer::measure::{Decision, Schedule, decide};
use seathold_sequencer::recipe::{FIELDS, RawRecipe};
use seathold_sequencer::rig::Rig;
use seathold_sequencer::units::LeakRate;
use seathold_sequencer::verdict::{Reason, SideResult, Verdict};

use super::rerun::{InterimLook, RerunSide, Unjudged, rerun};

/// How often a side is rerun with a limit that keeps it looking.
const TRIES: usize = 4;

/// What comes after the last look.
#[derive(Clone, Debug, PartialEq)]
pub enum LookEnd {
    /// Time is up; the last look was the last there can be.
    MaximumTime,
    /// Ended so whatever the limit.
    Ended(Verdict, Reason),
    /// Not recorded.
    Unjudged(Unjudged),
    /// Needs a complete rerun.
    Whole,
}

/// A side's estimates in order, and what comes after them.
#[derive(Clone, Debug, PartialEq)]
pub struct Looks {
    /// The side.
    pub side: Side,
    /// In order.
    pub looks: Vec<InterimLook>,
    /// When the side was over, as [`InterimLook::after_ms`].
    pub ended_ms: u32,
    /// After the last.
    pub after: LookEnd,
}

/// The outcome of a limit on a side.
#[derive(Clone, Debug, PartialEq)]
pub enum LimitOutcome {
    /// Judged at this look, or after the last (`None`).
    Judged(Verdict, Option<usize>),
    /// Not recorded.
    Unjudged(Unjudged),
    /// Needs a complete rerun.
    Whole,
}

/// Every look of every side that a recording has, by a recipe whose limit does not matter. Also returns the polls that
/// went through the sequencer.
pub fn looks(recording: &Recording, timeline: &Timeline, rig: &Rig, raw: &RawRecipe) -> (Vec<Looks>, u64) {
    let mut found: Vec<Looks> = Vec::new();
    let mut polls = 0;
    // The recorded leaks first: they keep both sides looking at once where both are tight, or leak equally.
    let mut probes: Vec<f64> =
        timeline.sides.iter().filter_map(|side| side.estimate).map(|estimate| estimate.leak.pa_m3_s()).collect();
    probes.push(raw.limit_pa_m3_s);
    let mut done = 0;
    let mut most = None;
    while let Some(probe) = probes.get(done).copied().filter(|_| done < TRIES + timeline.sides.len()) {
        done += 1;
        let probed = RawRecipe { limit_pa_m3_s: within(probe), ..*raw };
        let Ok(recipe) = probed.validate(rig) else { continue };
        let rerun_result = rerun(recording, timeline, *rig, recipe);
        polls += rerun_result.polls;
        for rerun_side in rerun_result.sides {
            let fell = matches!(&rerun_side.result, Ok(SideResult { reason: Reason::GrossFall, .. }));
            let any = most.is_some_and(|most| probed.limit_pa_m3_s >= most);
            if fell && rerun_side.looks.is_empty() && most.is_none() {
                // A fall that the greatest limit calls gross is so by any.
                probes.insert(done, *most.insert(greatest(raw, rig)));
            }
            let looks = Looks::of(rerun_side, any);
            // A limit that decided at a look hides those that would have followed it.
            let decided =
                matches!(looks.after, LookEnd::Whole).then(|| looks.looks.last().map(|look| look.estimate)).flatten();
            match found.iter_mut().find(|known| known.side == looks.side) {
                Some(known) if known.is_less_than(&looks) => *known = looks,
                Some(_) => {}
                None => found.push(looks),
            }
            if let Some(estimate) = decided
                && probes.len() < TRIES + timeline.sides.len()
            {
                probes.push(estimate.leak.pa_m3_s());
            }
        }
        if found.iter().all(|looks| looks.after != LookEnd::Whole) {
            break;
        }
    }
    (found, polls)
}

/// The nearest limit a recipe may have.
fn within(limit: f64) -> f64 {
    let field = FIELDS.iter().find(|field| field.name == "limit");
    field.map_or(limit, |field| limit.clamp(field.min, field.max))
}

/// The greatest limit that fits the rest of the recipe, or one next to it.
fn greatest(raw: &RawRecipe, rig: &Rig) -> f64 {
    let fits = |limit: f64| RawRecipe { limit_pa_m3_s: limit, ..*raw }.validate(rig).is_ok();
    let (mut low, mut high) = (raw.limit_pa_m3_s, within(f64::MAX));
    if fits(high) {
        return high;
    }
    for _ in 0..60 {
        let middle = f64::midpoint(low, high);
        if fits(middle) { low = middle } else { high = middle }
    }
    low
}

impl Looks {
    fn of(rerun_side: RerunSide, any: bool) -> Self {
        let RerunSide { side, mut looks, ended_ms, result } = rerun_side;
        let after = match result {
            Err(why) => LookEnd::Unjudged(why),
            Ok(result) => {
                let last = result.estimate.map(|estimate| InterimLook { after_ms: ended_ms, estimate });
                let closing = last.filter(|last| looks.last().map(|look| look.estimate) != Some(last.estimate));
                match (result.verdict, result.reason) {
                    (_, Reason::Measured) => {
                        looks.extend(last);
                        LookEnd::Whole
                    }
                    (_, Reason::MaximumTime) => {
                        looks.extend(closing);
                        if closing.is_some() {
                            LookEnd::MaximumTime
                        } else {
                            LookEnd::Ended(result.verdict, result.reason)
                        }
                    }
                    // A rise at the last look has an estimate of its own; a fall while measuring depends on the limit.
                    (_, Reason::Rise) if closing.is_some() => LookEnd::Whole,
                    (_, Reason::GrossFall | Reason::OutOfBand) if !any => LookEnd::Whole,
                    (verdict, ground) => LookEnd::Ended(verdict, ground),
                }
            }
        };
        Self { side, looks, ended_ms, after }
    }

    fn is_less_than(&self, other: &Self) -> bool {
        let closed = |looks: &Self| looks.after != LookEnd::Whole;
        (closed(self), self.looks.len()) < (closed(other), other.looks.len())
    }

    /// When an outcome was decided, as [`InterimLook::after_ms`].
    pub(crate) fn decided_ms(&self, limit_outcome: &LimitOutcome) -> u32 {
        match limit_outcome {
            LimitOutcome::Judged(_, Some(look)) => self.looks.get(*look).map_or(self.ended_ms, |look| look.after_ms),
            _ => self.ended_ms,
        }
    }

    /// The outcome of each of these limits.
    pub fn judge(&self, limits: &[f64], schedule: &Schedule) -> Vec<LimitOutcome> {
        let rest = match &self.after {
            LookEnd::MaximumTime => LimitOutcome::Judged(Verdict::Undecided, None),
            LookEnd::Ended(verdict, _) => LimitOutcome::Judged(*verdict, None),
            LookEnd::Unjudged(why) => LimitOutcome::Unjudged(why.clone()),
            LookEnd::Whole => LimitOutcome::Whole,
        };
        let mut limit_outcomes = vec![rest; limits.len()];
        let mut open: Vec<(usize, LeakRate)> =
            limits.iter().map(|limit| LeakRate::from_pa_m3_s(*limit)).enumerate().collect();
        for (number, InterimLook { estimate, .. }) in self.looks.iter().enumerate() {
            // A rise is only a verdict when no more time is left.
            let closing = self.after == LookEnd::MaximumTime && number + 1 == self.looks.len();
            open.retain(|(place, limit)| {
                let verdict = match decide(estimate, *limit, schedule) {
                    Decision::Tight => Verdict::Tight,
                    Decision::Leaking => Verdict::Leaking,
                    Decision::Rising if closing => Verdict::Void,
                    Decision::Rising | Decision::Open => return true,
                };
                if let Some(limit_outcome) = limit_outcomes.get_mut(*place) {
                    *limit_outcome = LimitOutcome::Judged(verdict, Some(number));
                }
                false
            });
        }
        limit_outcomes
    }
}
