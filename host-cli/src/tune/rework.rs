//! What a register knows of its sides by itself: what rework and later runs showed.
//!
//! Two things are taken as known, and no more. A side that was found leaking, was reworked, and was then found tight, with
//! a leak that is lower by more than both intervals together, had been leaking. A side that was found tight in two runs
//! or more, never leaking, and without rework in between, is good. The second rests on the same rig twice over: what
//! the rig has wrong, it has wrong both times.

use std::collections::{BTreeMap, HashMap};

use seathold_sequencer::input::Side;
use seathold_sequencer::verdict::Verdict;

use crate::register::Run;

/// What is known, by run (`BENCH/NUMBER`) and side; `true` is good.
pub type Labels = HashMap<(String, bool), bool>;

/// A side of a run, as far as it matters here.
#[derive(Clone, Debug, PartialEq)]
pub struct Test {
    /// The run, as `BENCH/NUMBER`.
    pub run: String,
    /// The rework note it follows; `None` before any.
    pub rework: Option<String>,
    /// What was found.
    pub verdict: Verdict,
    /// Leak and half-width of its interval, where there is a figure.
    pub leak: Option<(f64, f64)>,
}

/// Tests of each side, by batch, valve and side, in the order of their dates.
#[derive(Clone, Debug, Default)]
pub struct History(BTreeMap<(String, String, bool), Vec<Test>>);

impl History {
    /// Takes in a run; in the order of their dates. Outside of batches no rework is noted, and nothing is known.
    pub fn see(&mut self, run: &Run) {
        let Some(batch) = &run.batch else { return };
        for side in [Side::First, Side::Second] {
            let Some(found) = run.side(side) else { continue };
            let key = (batch.clone(), run.serial.clone(), side == Side::First);
            self.0.entry(key).or_default().push(Test {
                run: run.name(),
                rework: run.answers.clone(),
                verdict: found.verdict,
                leak: found.leak_pa_m3_s.zip(found.uncertainty_pa_m3_s),
            });
        }
    }

    /// What is known of them.
    pub fn labels(&self) -> Labels {
        let mut known = Labels::new();
        for ((_, _, first), tests) in &self.0 {
            for (run, good) in side(tests) {
                known.insert((run.to_owned(), *first), good);
            }
        }
        known
    }
}

/// What is known of one side: runs, and whether it was good in them.
pub fn side(tests: &[Test]) -> Vec<(&str, bool)> {
    let between: Vec<&[Test]> = tests.chunk_by(|a, b| a.rework == b.rework).collect();
    let mut known = Vec::new();
    for (place, tests) in between.iter().enumerate() {
        let judged = || tests.iter().filter(|test| test.verdict != Verdict::Void);
        let count = |verdict| judged().filter(|test| test.verdict == verdict).count();
        let label = if count(Verdict::Leaking) > 0 {
            between.get(place + 1).is_some_and(|after| mended(tests, after)).then_some(false)
        } else {
            (count(Verdict::Tight) > 1).then_some(true)
        };
        known.extend(label.iter().flat_map(|good| judged().map(|test| (test.run.as_str(), *good))));
    }
    known
}

/// Whether a rework changed what leaked.
fn mended(before: &[Test], after: &[Test]) -> bool {
    let leaking = |test: &&Test| test.verdict == Verdict::Leaking;
    let (Some(before), Some(last)) = (before.iter().rev().find(leaking), after.last()) else { return false };
    let lower = match (before.leak, last.leak) {
        (Some((was, half)), Some((is, other))) => was - is > half + other,
        // It fell too fast for a figure, and now there is one.
        (None, Some(_)) => true,
        (_, None) => false,
    };
    last.verdict == Verdict::Tight && lower && !after.iter().any(|test| leaking(&test))
}
