//! Every side evaluated by every candidate recipe. A run goes through the sequencer once (or a few times) for each pair
//! of settle and measure times; risks and limits are applied to the same looks.

use seathold_recording::Recording;
use seathold_recording::timeline::Timeline;
use seathold_sequencer::input::Side;
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::rig::Rig;
use seathold_sequencer::verdict::Verdict;

use super::mixture::Observation;
use crate::rejudge::looks::{LimitOutcome, Looks, looks};
use crate::rejudge::rerun;

/// The candidates.
#[derive(Clone, Debug, PartialEq)]
pub struct CandidateGrid {
    /// Settle times, ms.
    pub settle_ms: Vec<u32>,
    /// Maximum measuring times, ms.
    pub measure_ms: Vec<u32>,
    /// Risks of the decision rule.
    pub risks: Vec<DecisionRisks>,
}

/// Risks of the decision rule: the smaller, the wider the guard band on that side.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DecisionRisks {
    /// Of calling a valve at the limit tight.
    pub false_accept: f64,
    /// Of calling one at the limit leaking.
    pub false_reject: f64,
}

/// A candidate: indices into the lists of a [`CandidateGrid`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Candidate {
    /// Settle time.
    pub settle: usize,
    /// Maximum measuring time.
    pub measure: usize,
    /// Risks.
    pub risk: usize,
}

impl CandidateGrid {
    /// All candidates, in the order of a side's outcomes.
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
            false_accept: risk.map_or(base.false_accept, |risk| risk.false_accept),
            false_reject: risk.map_or(base.false_reject, |risk| risk.false_reject),
            ..*base
        }
    }
}

/// The outcome of a candidate recipe on a side.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SideOutcome {
    /// Accepted.
    Tight,
    /// Leaking.
    Leaking,
    /// Neither.
    Open,
    /// Not recorded long enough to decide.
    Unjudged,
}

/// Outcome and time (settling and measuring, ms) of a side by each candidate, in the order of
/// [`CandidateGrid::candidates`]. There are many candidates and few looks that any of them can end at, so each pair is
/// kept once: it is most of the memory that a run takes.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SideOutcomes {
    pairs: Vec<(SideOutcome, u32)>,
    places: Vec<u16>,
}

impl SideOutcomes {
    /// Adds the next candidate's outcome.
    pub fn push(&mut self, pair: (SideOutcome, u32)) {
        let known = self.pairs.iter().position(|known| *known == pair);
        let place = u16::try_from(known.unwrap_or(self.pairs.len())).unwrap_or(u16::MAX);
        // A grid that ends in more ways than this would take years; what does not fit counts as not judged.
        if known.is_none() && place < u16::MAX {
            self.pairs.push(pair);
        }
        self.places.push(place);
    }

    /// A candidate's outcome; not judged where there is no such candidate.
    pub fn of(&self, candidate: usize) -> (SideOutcome, u32) {
        let pair = self.places.get(candidate).and_then(|place| self.pairs.get(usize::from(*place)));
        pair.copied().unwrap_or((SideOutcome::Unjudged, 0))
    }

    /// Frees spare capacity.
    fn close(&mut self) {
        self.pairs.shrink_to_fit();
        self.places.shrink_to_fit();
    }
}

/// A side of a run.
#[derive(Clone, Debug, PartialEq)]
pub struct SweptSide {
    /// The run's name.
    pub run: String,
    /// Batch it was run for, by its UUID; empty where it was for none.
    pub batch: String,
    /// The valve.
    pub serial: String,
    /// The side.
    pub side: Side,
    /// Probability that it ought to be accepted at the recipe's limit: 1 or 0 where that is known.
    pub good: f64,
    /// By each candidate.
    pub by: SideOutcomes,
    /// As it was recorded: outcome and time.
    pub recorded: (SideOutcome, u32),
    /// This side's share of the rest of the run (filling, venting, swapping), ms.
    pub rest_ms: u32,
    /// Its last estimate; `None` where nothing was fitted.
    pub seen: Option<Observation>,
}

const fn outcome(verdict: Verdict) -> SideOutcome {
    match verdict {
        Verdict::Tight => SideOutcome::Tight,
        Verdict::Leaking => SideOutcome::Leaking,
        Verdict::Undecided | Verdict::Void => SideOutcome::Open,
    }
}

/// The sides of a recording that came to a result. `base` is the recipe to tune, with its limit; none when the rig in
/// the recording is no rig. They are not labelled yet.
pub fn sides(recording: &Recording, base: &RawRecipe, grid: &CandidateGrid) -> Vec<SweptSide> {
    let timeline = Timeline::of(recording);
    let Ok(rig) = recording.header.rig.validate() else { return Vec::new() };
    let own = recording.header.recipe.validate(&rig).map(|recipe| rerun(recording, &timeline, rig, recipe));
    let mut found: Vec<SweptSide> = Vec::new();
    for rerun_side in own.iter().flat_map(|own| &own.sides) {
        let Ok(result) = &rerun_side.result else { continue };
        let estimate = result.estimate.or(rerun_side.looks.last().map(|look| look.estimate));
        found.push(SweptSide {
            run: String::new(),
            batch: String::new(),
            serial: recording.header.serial.clone(),
            side: rerun_side.side,
            good: 0.5,
            by: SideOutcomes::default(),
            recorded: (outcome(result.verdict), rerun_side.ended_ms),
            rest_ms: 0,
            seen: estimate.map(|estimate| Observation { leak: estimate.leak.pa_m3_s(), u: estimate.budget.combined }),
        });
    }
    let watched: u64 = found.iter().map(|sided| u64::from(sided.recorded.1)).sum();
    let length = recording.length().as_ticks() / 1_000;
    let rest = length.saturating_sub(watched) / found.len().max(1) as u64;
    for sided in &mut found {
        sided.rest_ms = u32::try_from(rest).unwrap_or(u32::MAX);
    }
    let mut seen: Vec<Looks> = Vec::new();
    let mut times = None;
    for candidate in grid.candidates() {
        let raw = grid.recipe(base, candidate);
        // Risks change what a look decides, not when one is taken.
        if times != Some((candidate.settle, candidate.measure)) {
            times = Some((candidate.settle, candidate.measure));
            seen = looks(recording, &timeline, &rig, &raw).0;
        }
        for sided in &mut found {
            let one = judged(recording, &timeline, &rig, &raw, &seen, sided.side, &[raw.limit_pa_m3_s]);
            sided.by.push(one.first().copied().unwrap_or((SideOutcome::Unjudged, 0)));
        }
    }
    for sided in &mut found {
        sided.by.close();
    }
    found
}

/// Outcomes of one recipe on the sides of a recording with each of these limits: for the operating curve.
pub fn curve(recording: &Recording, raw: &RawRecipe, limits: &[f64]) -> Vec<(Side, Vec<SideOutcome>)> {
    let timeline = Timeline::of(recording);
    let Ok(rig) = recording.header.rig.validate() else { return Vec::new() };
    let seen = looks(recording, &timeline, &rig, raw).0;
    let one = |side: Side| {
        let limit_outcomes = judged(recording, &timeline, &rig, raw, &seen, side, limits);
        (side, limit_outcomes.into_iter().map(|(outcome, _)| outcome).collect())
    };
    seen.iter().map(|looks| one(looks.side)).collect()
}

/// Outcome and time of a side by each of some limits.
fn judged(
    recording: &Recording,
    timeline: &Timeline,
    rig: &Rig,
    raw: &RawRecipe,
    seen: &[Looks],
    side: Side,
    limits: &[f64],
) -> Vec<(SideOutcome, u32)> {
    let (Some(looks), Ok(recipe)) = (seen.iter().find(|looks| looks.side == side), raw.validate(rig)) else {
        return vec![(SideOutcome::Unjudged, 0); limits.len()];
    };
    let limit_result = |(limit_outcome, limit): (&LimitOutcome, &f64)| match limit_outcome {
        LimitOutcome::Judged(verdict, _) => (outcome(*verdict), looks.decided_ms(limit_outcome)),
        LimitOutcome::Unjudged(_) => (SideOutcome::Unjudged, looks.ended_ms),
        LimitOutcome::Whole => whole(recording, timeline, rig, &RawRecipe { limit_pa_m3_s: *limit, ..*raw }, side),
    };
    looks.judge(limits, recipe.schedule()).iter().zip(limits).map(limit_result).collect()
}

fn whole(recording: &Recording, timeline: &Timeline, rig: &Rig, raw: &RawRecipe, side: Side) -> (SideOutcome, u32) {
    let Ok(recipe) = raw.validate(rig) else { return (SideOutcome::Unjudged, 0) };
    let rerun = rerun(recording, timeline, *rig, recipe);
    rerun.side(side).map_or((SideOutcome::Unjudged, 0), |rerun_side| match &rerun_side.result {
        Ok(result) => (outcome(result.verdict), rerun_side.ended_ms),
        Err(_) => (SideOutcome::Unjudged, rerun_side.ended_ms),
    })
}
