//! Labels from the register alone: from rework and later runs.
//!
//! Two things are taken as known, and no more. A side that was judged leaking, was reworked, and was then judged tight,
//! with a leak that is lower by more than both intervals together, had been leaking. A side that was found tight in two
//! runs or more, never leaking, and without rework in between, is good. The second rests on the same rig twice: a
//! systematic error of the rig is in both.

use std::collections::HashMap;

use seathold_sequencer::input::Side;
use seathold_sequencer::verdict::Verdict;

use crate::study::linearity::ValueWithInterval;

/// What is known, by run (`BENCH/NUMBER`) and side; `true` is good.
pub type Labels = HashMap<(String, Side), bool>;

/// A side of a run, as far as it matters here.
#[derive(Clone, Debug, PartialEq)]
pub struct SideTest {
    /// The run, as `BENCH/NUMBER`.
    pub run: String,
    /// The rework note it follows; `None` before any.
    pub rework: Option<String>,
    /// The verdict.
    pub verdict: Verdict,
    /// Leak and half-width of its interval, where there is an estimate.
    pub leak: Option<ValueWithInterval>,
}

/// Tests of each side, by batch, valve and side, in the order of their dates.
#[derive(Clone, Debug, Default)]
pub struct ReworkHistory(HashMap<(String, String, Side), Vec<SideTest>>);

impl ReworkHistory {
    /// Adds a test of a side; in the order of their dates. Outside of batches no rework is noted, and there are no
    /// labels.
    pub fn add(&mut self, batch: &str, serial: &str, side: Side, test: SideTest) {
        self.0.entry((batch.to_owned(), serial.to_owned(), side)).or_default().push(test);
    }

    /// Their labels.
    pub fn labels(&self) -> Labels {
        let mut labels = Labels::new();
        for ((_, _, of), tests) in &self.0 {
            for (run, good) in side(tests) {
                labels.insert((run.to_owned(), *of), good);
            }
        }
        labels
    }
}

/// The labels of one side: runs, and whether it was good in them.
pub fn side(tests: &[SideTest]) -> Vec<(&str, bool)> {
    let between: Vec<&[SideTest]> = tests.chunk_by(|a, b| a.rework == b.rework).collect();
    let mut labels = Vec::new();
    for (place, tests) in between.iter().enumerate() {
        let judged = || tests.iter().filter(|test| test.verdict != Verdict::Void);
        let count = |verdict| judged().filter(|test| test.verdict == verdict).count();
        let label = if count(Verdict::Leaking) > 0 {
            between.get(place + 1).is_some_and(|after| shows_repair(tests, after)).then_some(false)
        } else {
            (count(Verdict::Tight) > 1).then_some(true)
        };
        labels.extend(label.iter().flat_map(|good| judged().map(|test| (test.run.as_str(), *good))));
    }
    labels
}

/// Whether a rework changed what leaked.
fn shows_repair(before: &[SideTest], after: &[SideTest]) -> bool {
    let leaking = |test: &&SideTest| test.verdict == Verdict::Leaking;
    let (Some(before), Some(last)) = (before.iter().rev().find(leaking), after.last()) else { return false };
    let lower = match (before.leak, last.leak) {
        (Some(was), Some(is)) => was.value - is.value > was.half + is.half,
        // It fell too fast for an estimate, and now there is one.
        (None, Some(_)) => true,
        (_, None) => false,
    };
    last.verdict == Verdict::Tight && lower && !after.iter().any(|test| leaking(&test))
}
