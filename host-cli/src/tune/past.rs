//! What a recipe would have done to past batches: time, and verdicts that would have been others.

use super::sweep::{Outcome, Sided};

/// A valve whose verdict would have been another.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Changed {
    /// The run.
    pub run: String,
    /// The valve.
    pub serial: String,
    /// As recorded.
    pub was: Outcome,
    /// By the recipe.
    pub now: Outcome,
}

/// A batch, or all runs that belong to none.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Past {
    /// Its UUID; empty for runs of none.
    pub batch: String,
    /// Runs.
    pub runs: u64,
    /// Settling and measuring as recorded, and by the recipe, ms.
    pub watched_ms: [u64; 2],
    /// Everything else, ms.
    pub rest_ms: u64,
    /// Valves whose verdict would have been another.
    pub changed: Vec<Changed>,
}

impl Past {
    /// Minutes that so many valves take: as recorded, and by the recipe; settling and measuring alone, then everything.
    pub fn minutes(&self, valves: u32) -> [[f64; 2]; 2] {
        let of = |ms: u64| ms as f64 / 60e3 * f64::from(valves) / self.runs.max(1) as f64;
        [self.watched_ms.map(of), self.watched_ms.map(|ms| of(ms + self.rest_ms))]
    }
}

/// A valve's outcome from those of its sides.
fn joined(sides: impl Iterator<Item = Outcome> + Clone) -> Outcome {
    let any = |outcome| sides.clone().any(|side| side == outcome);
    if any(Outcome::Leaking) {
        Outcome::Leaking
    } else if any(Outcome::Unjudged) {
        Outcome::Unjudged
    } else if any(Outcome::Open) {
        Outcome::Open
    } else {
        Outcome::Tight
    }
}

/// Batch by batch, in the order of their UUIDs, which is that of their dates.
pub fn past(sides: &[Sided], candidate: usize) -> Vec<Past> {
    let mut order: Vec<&Sided> = sides.iter().collect();
    order.sort_by_key(|side| (&side.batch, &side.run));
    let mut found: Vec<Past> = Vec::new();
    for run in order.chunk_by(|a, b| (&a.batch, &a.run) == (&b.batch, &b.run)) {
        let Some(first) = run.first() else { continue };
        if found.last().is_none_or(|past| past.batch != first.batch) {
            found.push(Past { batch: first.batch.clone(), ..Past::default() });
        }
        let Some(past) = found.last_mut() else { continue };
        let by = |side: &Sided| side.by.of(candidate);
        past.runs += 1;
        for side in run {
            past.watched_ms[0] += u64::from(side.recorded.1);
            past.watched_ms[1] += u64::from(by(side).1);
            past.rest_ms += u64::from(side.rest_ms);
        }
        let (was, now) = (joined(run.iter().map(|s| s.recorded.0)), joined(run.iter().map(|s| by(s).0)));
        if was != now {
            past.changed.push(Changed { run: first.run.clone(), serial: first.serial.clone(), was, now });
        }
    }
    found
}
