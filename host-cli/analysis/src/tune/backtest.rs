//! A recipe applied to past batches: time, and verdicts that would have changed.

use super::sweep::{SideOutcome, SweptSide};

/// A valve whose verdict would have changed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ChangedValve {
    /// The run.
    pub run: String,
    /// The valve.
    pub serial: String,
    /// As recorded.
    pub was: SideOutcome,
    /// By the recipe.
    pub now: SideOutcome,
}

/// A batch, or all runs that belong to none.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Backtest {
    /// Its UUID; empty for runs of none.
    pub batch: String,
    /// Runs.
    pub runs: u64,
    /// Settling and measuring as recorded, and by the recipe, ms.
    pub watched_ms: [u64; 2],
    /// Everything else, ms.
    pub rest_ms: u64,
    /// Valves whose verdict would have changed.
    pub changed: Vec<ChangedValve>,
}

impl Backtest {
    /// Minutes that so many valves take: as recorded, and by the recipe; settling and measuring alone, then everything.
    pub fn minutes(&self, valves: u32) -> [[f64; 2]; 2] {
        let of = |ms: u64| ms as f64 / 60e3 * f64::from(valves) / self.runs.max(1) as f64;
        [self.watched_ms.map(of), self.watched_ms.map(|ms| of(ms + self.rest_ms))]
    }
}

/// A valve's outcome from those of its sides.
fn joined(sides: impl Iterator<Item = SideOutcome> + Clone) -> SideOutcome {
    let any = |outcome| sides.clone().any(|side| side == outcome);
    if any(SideOutcome::Leaking) {
        SideOutcome::Leaking
    } else if any(SideOutcome::Unjudged) {
        SideOutcome::Unjudged
    } else if any(SideOutcome::Open) {
        SideOutcome::Open
    } else {
        SideOutcome::Tight
    }
}

/// Batch by batch, in the order of their UUIDs, which is that of their dates.
pub fn backtests(sides: &[SweptSide], candidate: usize) -> Vec<Backtest> {
    let mut order: Vec<&SweptSide> = sides.iter().collect();
    order.sort_by_key(|side| (&side.batch, &side.run));
    let mut found: Vec<Backtest> = Vec::new();
    for run in order.chunk_by(|a, b| (&a.batch, &a.run) == (&b.batch, &b.run)) {
        let Some(first) = run.first() else { continue };
        if found.last().is_none_or(|backtests| backtests.batch != first.batch) {
            found.push(Backtest { batch: first.batch.clone(), ..Backtest::default() });
        }
        let Some(backtests) = found.last_mut() else { continue };
        let by = |side: &SweptSide| side.by.of(candidate);
        backtests.runs += 1;
        for side in run {
            backtests.watched_ms[0] += u64::from(side.recorded.1);
            backtests.watched_ms[1] += u64::from(by(side).1);
            backtests.rest_ms += u64::from(side.rest_ms);
        }
        let (was, now) = (joined(run.iter().map(|s| s.recorded.0)), joined(run.iter().map(|s| by(s).0)));
        if was != now {
            backtests.changed.push(ChangedValve { run: first.run.clone(), serial: first.serial.clone(), was, now });
        }
    }
    found
}
