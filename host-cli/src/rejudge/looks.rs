//! A side judged by many limits at once.
//!
//! Where and when the sequencer looks does not depend on the limit; only what each look decides does. So a side goes
//! through the sequencer with a limit inside its own guard band, which keeps it looking to the end of what was
//! recorded, and every other limit is then held against the same figures, by the sequencer's own [`decide`]. What rests
//! on the limit in another way (a gross fall while measuring, a rise at the last look) is left to the whole sequencer.

use seathold_sequencer::input::Side;
use seathold_sequencer::measure::{Decision, Schedule, decide};
use seathold_sequencer::recipe::{FIELDS, RawRecipe};
use seathold_sequencer::rig::Rig;
use seathold_sequencer::units::LeakRate;
use seathold_sequencer::verdict::{Ground, SideResult, Verdict};

use super::again::{Look, Told, Unjudged, again};
use super::course::Course;
use crate::recording::Recording;

/// How often a side is sent through again with a limit that keeps it looking.
const TRIES: usize = 4;

/// What comes after the last look.
#[derive(Clone, Debug, PartialEq)]
pub enum After {
    /// Time is up; the last look was the last there can be.
    MaximumTime,
    /// Ended so whatever the limit.
    Ended(Verdict, Ground),
    /// Not recorded.
    Unjudged(Unjudged),
    /// Only the whole sequencer can tell.
    Whole,
}

/// A side's figures in order, and what comes after them.
#[derive(Clone, Debug, PartialEq)]
pub struct Looks {
    /// The side.
    pub side: Side,
    /// In order.
    pub looks: Vec<Look>,
    /// When the side was over, as [`Look::after_ms`].
    pub ended_ms: u32,
    /// After the last.
    pub after: After,
}

/// What a limit makes of a side.
#[derive(Clone, Debug, PartialEq)]
pub enum Fate {
    /// Judged at this look, or after the last (`None`).
    Judged(Verdict, Option<usize>),
    /// Not recorded.
    Unjudged(Unjudged),
    /// Only the whole sequencer can tell.
    Whole,
}

/// Every look of every side that a recording has, by a recipe whose limit does not matter. Also returns the polls that
/// went through the sequencer.
pub fn looks(recording: &Recording, course: &Course, rig: &Rig, raw: &RawRecipe) -> (Vec<Looks>, u64) {
    let mut found: Vec<Looks> = Vec::new();
    let mut polls = 0;
    // The recorded leaks first: they keep both sides looking at once where both are tight, or leak alike.
    let mut probes: Vec<f64> =
        course.sides.iter().filter_map(|side| side.figure).map(|figure| figure.leak.pa_m3_s()).collect();
    probes.push(raw.limit_pa_m3_s);
    let mut done = 0;
    let mut most = None;
    while let Some(probe) = probes.get(done).copied().filter(|_| done < TRIES + course.sides.len()) {
        done += 1;
        let probed = RawRecipe { limit_pa_m3_s: within(probe), ..*raw };
        let Ok(recipe) = probed.validate(rig) else { continue };
        let told = again(recording, course, *rig, recipe);
        polls += told.polls;
        for told in told.sides {
            let fell = matches!(&told.result, Ok(SideResult { ground: Ground::GrossFall, .. }));
            let any = most.is_some_and(|most| probed.limit_pa_m3_s >= most);
            if fell && told.looks.is_empty() && most.is_none() {
                // A fall that the greatest limit calls gross is so by any.
                probes.insert(done, *most.insert(greatest(raw, rig)));
            }
            let looks = Looks::of(told, any);
            // A limit that decided at a look says nothing of those that would have followed it.
            let decided =
                matches!(looks.after, After::Whole).then(|| looks.looks.last().map(|look| look.figure)).flatten();
            match found.iter_mut().find(|known| known.side == looks.side) {
                Some(known) if known.is_less_than(&looks) => *known = looks,
                Some(_) => {}
                None => found.push(looks),
            }
            if let Some(figure) = decided
                && probes.len() < TRIES + course.sides.len()
            {
                probes.push(figure.leak.pa_m3_s());
            }
        }
        if found.iter().all(|looks| looks.after != After::Whole) {
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
    fn of(told: Told, any: bool) -> Self {
        let Told { side, mut looks, ended_ms, result } = told;
        let after = match result {
            Err(why) => After::Unjudged(why),
            Ok(result) => {
                let last = result.figure.map(|figure| Look { after_ms: ended_ms, figure });
                let closing = last.filter(|last| looks.last().map(|look| look.figure) != Some(last.figure));
                match (result.verdict, result.ground) {
                    (_, Ground::Measured) => {
                        looks.extend(last);
                        After::Whole
                    }
                    (_, Ground::MaximumTime) => {
                        looks.extend(closing);
                        if closing.is_some() { After::MaximumTime } else { After::Ended(result.verdict, result.ground) }
                    }
                    // A rise at the last look has a figure of its own; a fall while measuring is weighed by the limit.
                    (_, Ground::Rise) if closing.is_some() => After::Whole,
                    (_, Ground::GrossFall | Ground::OutOfBand) if !any => After::Whole,
                    (verdict, ground) => After::Ended(verdict, ground),
                }
            }
        };
        Self { side, looks, ended_ms, after }
    }

    fn is_less_than(&self, other: &Self) -> bool {
        let closed = |looks: &Self| looks.after != After::Whole;
        (closed(self), self.looks.len()) < (closed(other), other.looks.len())
    }

    /// When a fate was sealed, as [`Look::after_ms`].
    pub fn decided_ms(&self, fate: &Fate) -> u32 {
        match fate {
            Fate::Judged(_, Some(look)) => self.looks.get(*look).map_or(self.ended_ms, |look| look.after_ms),
            _ => self.ended_ms,
        }
    }

    /// What each of these limits makes of it.
    pub fn judge(&self, limits: &[f64], schedule: &Schedule) -> Vec<Fate> {
        let rest = match &self.after {
            After::MaximumTime => Fate::Judged(Verdict::Undecided, None),
            After::Ended(verdict, _) => Fate::Judged(*verdict, None),
            After::Unjudged(why) => Fate::Unjudged(why.clone()),
            After::Whole => Fate::Whole,
        };
        let mut fates = vec![rest; limits.len()];
        let mut open: Vec<(usize, LeakRate)> =
            limits.iter().map(|limit| LeakRate::from_pa_m3_s(*limit)).enumerate().collect();
        for (number, Look { figure, .. }) in self.looks.iter().enumerate() {
            // A rise is only a verdict when no more time is left.
            let closing = self.after == After::MaximumTime && number + 1 == self.looks.len();
            open.retain(|(place, limit)| {
                let verdict = match decide(figure, *limit, schedule) {
                    Decision::Tight => Verdict::Tight,
                    Decision::Leaking => Verdict::Leaking,
                    Decision::Rising if closing => Verdict::Void,
                    Decision::Rising | Decision::Open => return true,
                };
                if let Some(fate) = fates.get_mut(*place) {
                    *fate = Fate::Judged(verdict, Some(number));
                }
                false
            });
        }
        fates
    }
}
