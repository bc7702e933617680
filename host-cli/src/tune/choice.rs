//! The shortest test that keeps the risks.
//!
//! A candidate keeps a risk when the upper end of its interval (90 %, so 95 % on this side) lies under it, and is quick by
//! the mean time of a side. A side that cannot be judged counts against it, whatever it is. One valve in four is held
//! out and never looked at while choosing; the rest is also split in four, each quarter judged by what the other three
//! chose, so that the cost of choosing among many candidates shows. Both splits go by valve: its two sides are alike.

use sha2::{Digest, Sha256};

use super::rates::Rate;
use super::sweep::{Outcome, Sided};

/// Risks to keep, as ratios.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Risks {
    /// Leaking sides accepted.
    pub false_accept: f64,
    /// Good sides not accepted: found leaking, or left open.
    pub false_reject: f64,
}

/// What a candidate does to some sides.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Score {
    /// Leaking sides accepted.
    pub false_accept: Rate,
    /// Good sides found leaking, or left open.
    pub false_reject: Rate,
    /// Sides that cannot be judged; also counted as wrong above.
    pub unjudged: u64,
    /// Total of times, ms.
    pub time_ms: u64,
}

impl Score {
    fn see(&mut self, good: bool, (outcome, time): (Outcome, u32)) {
        let unjudged = outcome == Outcome::Unjudged;
        self.unjudged += u64::from(unjudged);
        self.time_ms += u64::from(time);
        if good {
            self.false_reject.see(outcome != Outcome::Tight);
        } else {
            self.false_accept.see(unjudged || outcome == Outcome::Tight);
        }
    }

    /// By a candidate, of some sides.
    pub fn of<'a>(sides: impl IntoIterator<Item = &'a Sided>, candidate: usize) -> Self {
        let mut score = Self::default();
        for side in sides {
            score.see(side.good, side.by.get(candidate).copied().unwrap_or((Outcome::Unjudged, 0)));
        }
        score
    }

    /// As recorded.
    pub fn recorded<'a>(sides: impl IntoIterator<Item = &'a Sided>) -> Self {
        let mut score = Self::default();
        for side in sides {
            score.see(side.good, side.recorded);
        }
        score
    }

    fn and(self, other: Self) -> Self {
        Self {
            false_accept: self.false_accept.and(other.false_accept),
            false_reject: self.false_reject.and(other.false_reject),
            unjudged: self.unjudged + other.unjudged,
            time_ms: self.time_ms + other.time_ms,
        }
    }

    /// Whether both risks are kept, at 95 %.
    pub fn keeps(&self, risks: Risks) -> bool {
        self.false_accept.interval(0.9).1 <= risks.false_accept
            && self.false_reject.interval(0.9).1 <= risks.false_reject
    }

    /// Mean time of a side, s.
    pub fn mean_s(&self) -> f64 {
        let sides = self.false_accept.of + self.false_reject.of;
        if sides == 0 { 0.0 } else { self.time_ms as f64 / sides as f64 / 1e3 }
    }
}

/// What was chosen, and what it is worth.
#[derive(Clone, Debug, PartialEq)]
pub struct Choice {
    /// Place of the candidate, where one keeps the risks.
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
fn part(serial: &str, salt: &str) -> u8 {
    Sha256::digest(format!("{salt}{serial}")).first().map_or(0, |byte| byte % 4)
}

fn shortest(sides: &[&Sided], candidates: usize, risks: Risks) -> Option<usize> {
    let scored = (0..candidates).map(|place| (place, Score::of(sides.iter().copied(), place)));
    let kept = scored.filter(|(_, score)| score.keeps(risks));
    kept.min_by(|a, b| a.1.time_ms.cmp(&b.1.time_ms)).map(|(place, _)| place)
}

/// Chooses.
pub fn choose(sides: &[Sided], candidates: usize, risks: Risks) -> Choice {
    let (held, rest): (Vec<&Sided>, Vec<&Sided>) = sides.iter().partition(|side| part(&side.serial, "held") == 0);
    let candidate = shortest(&rest, candidates, risks);
    let score = |sides: &[&Sided]| candidate.map_or_else(Score::default, |c| Score::of(sides.iter().copied(), c));
    let crossed = (0..4).try_fold(Score::default(), |sum, quarter| {
        let (tested, others): (Vec<&Sided>, Vec<&Sided>) =
            rest.iter().copied().partition(|side| part(&side.serial, "crossed") == quarter);
        Some(sum.and(Score::of(tested, shortest(&others, candidates, risks)?)))
    });
    Choice {
        candidate,
        chosen_on: score(&rest),
        held_out: score(&held),
        crossed,
        recorded: Score::recorded(sides),
        all: candidate.map_or_else(Score::default, |c| Score::of(sides, c)),
    }
}

/// Fewest sides with nothing wrong whose upper end lies under a risk: the rule of three made exact,
/// `ln 0.05 / ln(1 − risk)`.
pub fn fewest(risk: f64) -> u64 {
    (0.05f64.ln() / (1.0 - risk).ln()).ceil() as u64
}
