//! The shortest test that keeps the risks.
//!
//! A candidate keeps a risk when the upper end of its interval lies under it (90 %, so 95 % on this side; 95 % where it
//! rests on a mixture); its speed is the mean time of a side. A side that cannot be judged counts against it,
//! whatever it is. One valve in four is held out and not used in choosing; the rest is also split in four,
//! each quarter judged by what the other three chose, so that the cost of choosing among many candidates shows. Both
//! splits go by valve: its two sides are correlated.

use sha2::{Digest, Sha256};

use super::rates::{Cluster, Rate};
use super::sweep::{SideOutcome, SweptSide};

/// Risks to keep, as ratios.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TargetRisks {
    /// Leaking sides accepted.
    pub false_accept: f64,
    /// Good sides not accepted: judged leaking, or left open.
    pub false_reject: f64,
}

/// Error rates of a candidate on some sides.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Score {
    /// Leaking sides accepted.
    pub false_accept: Rate,
    /// Good sides judged leaking, or left open.
    pub false_reject: Rate,
    /// Sides that cannot be judged; also counted as wrong above.
    pub unjudged: u32,
    /// Sides in all.
    pub sides: u32,
    /// Total of times, ms.
    pub time_ms: u64,
}

impl Score {
    /// Of sides in the order of their valves, each with its outcome and time.
    pub fn over<'a>(
        sides: impl IntoIterator<Item = &'a SweptSide>,
        by: impl Fn(&SweptSide) -> (SideOutcome, u32),
    ) -> Self {
        let mut score = Self::default();
        let (mut good, mut leaking) = (Cluster::default(), Cluster::default());
        let mut serial: Option<&str> = None;
        for side in sides {
            if serial != Some(&side.serial) {
                score.close(&mut good, &mut leaking);
                serial = Some(&side.serial);
            }
            let (outcome, time) = by(side);
            let unjudged = outcome == SideOutcome::Unjudged;
            score.unjudged += u32::from(unjudged);
            score.sides += 1;
            score.time_ms += u64::from(time);
            good.see(outcome != SideOutcome::Tight, side.good);
            leaking.see(unjudged || outcome == SideOutcome::Tight, 1.0 - side.good);
        }
        score.close(&mut good, &mut leaking);
        score
    }

    fn close(&mut self, good: &mut Cluster, leaking: &mut Cluster) {
        self.false_reject.add(std::mem::take(good));
        self.false_accept.add(std::mem::take(leaking));
    }

    /// By a candidate, of some sides in the order of their valves.
    pub fn of<'a>(sides: impl IntoIterator<Item = &'a SweptSide>, candidate: usize) -> Self {
        Self::over(sides, |side| side.by.of(candidate))
    }

    /// As recorded.
    pub fn recorded<'a>(sides: impl IntoIterator<Item = &'a SweptSide>) -> Self {
        Self::over(sides, |side| side.recorded)
    }

    fn and(self, other: Self) -> Self {
        Self {
            false_accept: self.false_accept.and(other.false_accept),
            false_reject: self.false_reject.and(other.false_reject),
            unjudged: self.unjudged + other.unjudged,
            sides: self.sides + other.sides,
            time_ms: self.time_ms + other.time_ms,
        }
    }

    /// Whether both risks are kept: the upper ends of their intervals lie under them.
    pub fn keeps(&self, risks: TargetRisks, coverage: f64) -> bool {
        *self.false_accept.interval(coverage).end() <= risks.false_accept
            && *self.false_reject.interval(coverage).end() <= risks.false_reject
    }

    /// Mean time of a side, s.
    pub(crate) fn mean_s(&self) -> f64 {
        if self.sides == 0 { 0.0 } else { self.time_ms as f64 / f64::from(self.sides) / 1e3 }
    }
}

/// The chosen candidate, and its error rates.
#[derive(Clone, Debug, PartialEq)]
pub struct Selection {
    /// Index of the candidate, where one keeps the risks.
    pub candidate: Option<usize>,
    /// On the valves it was chosen from.
    pub chosen_on: Score,
    /// On the valves held out.
    pub held_out: Score,
    /// Each quarter by what the other three chose; `None` where one of them chose nothing.
    pub crossed: Option<Score>,
    /// As recorded, on all.
    pub recorded: Score,
    /// Chosen candidate on all.
    pub all: Score,
}

/// Which part of a split a valve belongs to: by its serial alone, so that neither order nor number of runs matters.
pub(super) fn part(serial: &str, salt: &str) -> u8 {
    Sha256::digest(format!("{salt}{serial}")).first().map_or(0, |byte| byte % 4)
}

fn shortest(sides: &[&SweptSide], candidates: usize, risks: TargetRisks, coverage: f64) -> Option<usize> {
    let scored = (0..candidates).map(|place| (place, Score::of(sides.iter().copied(), place)));
    let kept = scored.filter(|(_, score)| score.keeps(risks, coverage));
    kept.min_by(|a, b| a.1.time_ms.cmp(&b.1.time_ms)).map(|(place, _)| place)
}

/// The share of valves that take no part in the choice.
pub(super) const HELD_OUT: f64 = 0.25;

/// Valves that are chosen from.
fn is_held_out(side: &SweptSide) -> bool {
    part(&side.serial, "held") == 0
}

/// The candidate that comes nearest to keeping both risks on the valves that are chosen from, and its error rates there.
pub(super) fn nearest(
    sides: &[SweptSide],
    candidates: usize,
    risks: TargetRisks,
    coverage: f64,
) -> Option<(usize, Score)> {
    let rest: Vec<&SweptSide> = sides.iter().filter(|side| !is_held_out(side)).collect();
    // How many times both risks are exceeded; one that no candidate keeps must not hide the other.
    let beyond = |score: &Score| {
        let accept = score.false_accept.interval(coverage).end() / risks.false_accept;
        let reject = score.false_reject.interval(coverage).end() / risks.false_reject;
        accept.max(1.0) * reject.max(1.0)
    };
    let scored = (0..candidates).map(|place| (place, Score::of(rest.iter().copied(), place)));
    scored.min_by(|a, b| beyond(&a.1).total_cmp(&beyond(&b.1)).then(a.1.time_ms.cmp(&b.1.time_ms)))
}

/// Chooses. Sides come in the order of their valves; `coverage` is that of the intervals whose upper ends have to lie
/// under the risks.
pub fn choose(sides: &[SweptSide], candidates: usize, risks: TargetRisks, coverage: f64) -> Selection {
    let (held, rest): (Vec<&SweptSide>, Vec<&SweptSide>) = sides.iter().partition(|side| is_held_out(side));
    let candidate = shortest(&rest, candidates, risks, coverage);
    let score = |sides: &[&SweptSide]| candidate.map_or_else(Score::default, |c| Score::of(sides.iter().copied(), c));
    let crossed = (0..4).try_fold(Score::default(), |sum, quarter| {
        let (tested, others): (Vec<&SweptSide>, Vec<&SweptSide>) =
            rest.iter().copied().partition(|side| part(&side.serial, "crossed") == quarter);
        Some(sum.and(Score::of(tested, shortest(&others, candidates, risks, coverage)?)))
    });
    Selection {
        candidate,
        chosen_on: score(&rest),
        held_out: score(&held),
        crossed,
        recorded: Score::recorded(sides),
        all: candidate.map_or_else(Score::default, |c| Score::of(sides, c)),
    }
}

/// Fewest valves with nothing wrong whose upper end lies under a risk: the rule of three made exact,
/// `ln tail / ln(1 − risk)`, with the tail that an interval of this coverage leaves (0.05 at 90 %).
pub fn fewest(risk: f64, coverage: f64) -> u64 {
    (((1.0 - coverage) / 2.0).ln() / (1.0 - risk).ln()).ceil() as u64
}
