//! Every labelled side judged by every candidate recipe. A run goes through the sequencer once (or a few times) for each
//! pair of settle and measure times; risks and limits are held against the same looks.

use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::rig::Rig;
use seathold_sequencer::verdict::Verdict;

use super::truth::Truth;
use crate::recording::Recording;
use crate::rejudge::again;
use crate::rejudge::course::Course;
use crate::rejudge::looks::{Fate, Looks, looks};

/// What is tried.
#[derive(Clone, Debug, PartialEq)]
pub struct Grid {
    /// Settle times, ms.
    pub settle_ms: Vec<u32>,
    /// Maximum measuring times, ms.
    pub measure_ms: Vec<u32>,
    /// Risks, taken for false accept and false reject alike; the smaller, the wider the guard band.
    pub risks: Vec<f64>,
    /// Limits as parts of the recipe's, rising: for the operating curve.
    pub limits: Vec<f64>,
}

/// A candidate: places in the lists of a [`Grid`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Candidate {
    /// Settle time.
    pub settle: usize,
    /// Maximum measuring time.
    pub measure: usize,
    /// Risk.
    pub risk: usize,
}

impl Grid {
    /// All candidates, in the order in which a side's outcomes stand.
    pub fn candidates(&self) -> impl Iterator<Item = Candidate> + '_ {
        let risks = self.risks.len();
        (0..self.settle_ms.len()).flat_map(move |settle| {
            (0..self.measure_ms.len())
                .flat_map(move |measure| (0..risks).map(move |risk| Candidate { settle, measure, risk }))
        })
    }

    /// The recipe of a candidate.
    pub fn recipe(&self, base: &RawRecipe, candidate: Candidate) -> RawRecipe {
        let at = |list: &[u32], place: usize, or: u32| list.get(place).copied().unwrap_or(or);
        let risk = self.risks.get(candidate.risk).copied();
        RawRecipe {
            settle_ms: at(&self.settle_ms, candidate.settle, base.settle_ms),
            measure_ms_max: at(&self.measure_ms, candidate.measure, base.measure_ms_max),
            false_accept: risk.unwrap_or(base.false_accept),
            false_reject: risk.unwrap_or(base.false_reject),
            ..*base
        }
    }
}

/// What a candidate made of a side.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Outcome {
    /// Accepted.
    Tight,
    /// Found leaking.
    Leaking,
    /// Neither.
    Open,
    /// Not recorded long enough to tell.
    Unjudged,
}

/// A labelled side.
#[derive(Clone, Debug, PartialEq)]
pub struct Sided {
    /// The valve.
    pub serial: String,
    /// Whether it ought to be accepted at the recipe's limit.
    pub good: bool,
    /// Outcome and time (settling and measuring, ms) by each candidate.
    pub by: Vec<(Outcome, u32)>,
    /// Outcome by each candidate and each part of the limit.
    pub curve: Vec<Vec<Outcome>>,
    /// As it was recorded: outcome and time.
    pub recorded: (Outcome, u32),
}

const fn outcome(verdict: Verdict) -> Outcome {
    match verdict {
        Verdict::Tight => Outcome::Tight,
        Verdict::Leaking => Outcome::Leaking,
        Verdict::Undecided | Verdict::Void => Outcome::Open,
    }
}

/// The labelled sides of a recording. `base` is the recipe to tune, with its limit; empty when it does not fit the rig
/// of the recording, or nothing is known of the valve.
pub fn sides(recording: &Recording, truth: &Truth, base: &RawRecipe, grid: &Grid) -> Vec<Sided> {
    let course = Course::of(recording);
    let serial = &recording.header.serial;
    let Ok(rig) = recording.header.rig.validate() else { return Vec::new() };
    let own = recording.header.recipe.validate(&rig).map(|recipe| again(recording, &course, rig, recipe));
    let mut found: Vec<(seathold_sequencer::input::Side, Sided)> = Vec::new();
    for told in own.iter().flat_map(|own| &own.sides) {
        let (Some(known), Ok(result)) = (truth.of(serial, told.side), &told.result) else { continue };
        found.push((
            told.side,
            Sided {
                serial: serial.clone(),
                good: known.is_good(base.limit_pa_m3_s),
                by: Vec::new(),
                curve: Vec::new(),
                recorded: (outcome(result.verdict), told.ended_ms),
            },
        ));
    }
    let mut seen: Vec<Looks> = Vec::new();
    for candidate in grid.candidates() {
        let raw = grid.recipe(base, candidate);
        if candidate.risk == 0 {
            seen = looks(recording, &course, &rig, &raw).0;
        }
        let recipe = raw.validate(&rig);
        for (side, sided) in &mut found {
            let looks = seen.iter().find(|looks| looks.side == *side);
            let (Some(looks), Ok(recipe)) = (looks, &recipe) else {
                sided.by.push((Outcome::Unjudged, 0));
                sided.curve.push(vec![Outcome::Unjudged; grid.limits.len()]);
                continue;
            };
            let told = |fate: &Fate, limit: f64| match fate {
                Fate::Judged(verdict, _) => (outcome(*verdict), looks.decided_ms(fate)),
                Fate::Unjudged(_) => (Outcome::Unjudged, looks.ended_ms),
                Fate::Whole => whole(recording, &course, &rig, &RawRecipe { limit_pa_m3_s: limit, ..raw }, *side),
            };
            let own = looks.judge(&[raw.limit_pa_m3_s], recipe.schedule());
            sided.by.push(own.first().map_or((Outcome::Unjudged, 0), |fate| told(fate, raw.limit_pa_m3_s)));
            let limits: Vec<f64> = grid.limits.iter().map(|part| part * raw.limit_pa_m3_s).collect();
            let fates = looks.judge(&limits, recipe.schedule());
            sided.curve.push(fates.iter().zip(&limits).map(|(fate, limit)| told(fate, *limit).0).collect());
        }
    }
    found.into_iter().map(|(_, sided)| sided).collect()
}

fn whole(
    recording: &Recording,
    course: &Course,
    rig: &Rig,
    raw: &RawRecipe,
    side: seathold_sequencer::input::Side,
) -> (Outcome, u32) {
    let Ok(recipe) = raw.validate(rig) else { return (Outcome::Unjudged, 0) };
    let again = again(recording, course, *rig, recipe);
    again.side(side).map_or((Outcome::Unjudged, 0), |told| match &told.result {
        Ok(result) => (outcome(result.verdict), told.ended_ms),
        Err(_) => (Outcome::Unjudged, told.ended_ms),
    })
}
