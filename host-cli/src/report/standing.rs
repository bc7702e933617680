use std::cmp::Ordering;

use seathold_sequencer::input::Side;
use seathold_sequencer::verdict::{SideResult, Verdict};

use super::Evidence;
use crate::words;

/// Where a valve stands after all its runs. For each side the last run that was to test it counts, whatever came of it:
/// a good result does not outlive a later failure to repeat it.
#[derive(Clone, Debug)]
pub struct Standing<'a> {
    /// The serial number.
    pub serial: &'a str,
    /// All runs, the oldest first.
    pub runs: Vec<&'a Evidence>,
}

impl<'a> Standing<'a> {
    /// The run that counts for a side: its number from 1, and the run. A run that was refused tested nothing.
    pub fn run(&self, side: Side) -> Option<(usize, &'a Evidence)> {
        let tested = |run: &&Evidence| run.asked_for(side) && run.summary.refused.is_none();
        self.runs.iter().enumerate().rev().find(|(_, run)| tested(run)).map(|(i, run)| (i + 1, *run))
    }

    /// What that run found.
    pub fn side(&self, side: Side) -> Option<&'a SideResult> {
        self.run(side)?.1.side(side)
    }

    /// Over both sides; `None` where a side has no result and the other does not leak.
    pub fn verdict(&self) -> Option<Verdict> {
        match (self.side(Side::First), self.side(Side::Second)) {
            (Some(first), Some(second)) => Some(first.verdict.and(second.verdict)),
            (Some(one), None) | (None, Some(one)) if one.verdict == Verdict::Leaking => Some(Verdict::Leaking),
            _ => None,
        }
    }

    /// The verdict in a word or two.
    pub fn word(&self) -> &'static str {
        self.verdict().map_or("not proved", words::verdict_word)
    }

    /// Why it is so, in a sentence.
    pub fn reason(&self) -> String {
        let missing: Vec<&str> =
            [Side::First, Side::Second].into_iter().filter(|s| self.side(*s).is_none()).map(words::side_name).collect();
        let faulted =
            [Side::First, Side::Second].iter().filter_map(|s| self.run(*s)).any(|(_, r)| !r.summary.faults.is_empty());
        let mut said = match self.verdict() {
            Some(Verdict::Tight) => "The leak of each side, with its guard band, lies under the limit.".to_owned(),
            Some(Verdict::Leaking) => "At least one side leaks more than the limit allows.".to_owned(),
            Some(Verdict::Undecided) => {
                "The test could not tell a side's leak from the limit; this is neither tight nor leaking.".to_owned()
            }
            Some(Verdict::Void) => "A side's test was spoiled, so that nothing can be said of it.".to_owned(),
            None => "A valve is proved by both sides.".to_owned(),
        };
        if !missing.is_empty() {
            said.push_str(&format!(" No result for the {}.", missing.join(" and the ")));
        }
        if faulted {
            said.push_str(" A fault ended a run; see what happened.");
        }
        said
    }
}

/// Runs by serial number, serials in the order people count in, runs in the order of time.
pub fn by_valve(runs: &[Evidence]) -> Vec<Standing<'_>> {
    let mut sorted: Vec<&Evidence> = runs.iter().collect();
    sorted.sort_by(|a, b| {
        by_number(&a.header.serial, &b.header.serial)
            .then_with(|| a.header.serial.cmp(&b.header.serial))
            .then_with(|| a.header.started_at.cmp(&b.header.started_at))
            .then_with(|| a.sha256.cmp(&b.sha256))
    });
    let same = |a: &&Evidence, b: &&Evidence| a.header.serial == b.header.serial;
    sorted.chunk_by(same).map(|runs| Standing { serial: &runs[0].header.serial, runs: runs.to_vec() }).collect()
}

/// HM-9 before HM-10: digits count as numbers.
fn by_number(a: &str, b: &str) -> Ordering {
    fn parts(text: &str) -> impl Iterator<Item = (&str, u64)> {
        let bytes = text.as_bytes();
        bytes.chunk_by(|a, b| a.is_ascii_digit() == b.is_ascii_digit()).map(|part| {
            let part = std::str::from_utf8(part).unwrap_or_default();
            part.parse().map_or((part, 0), |number| ("", number))
        })
    }
    parts(a).cmp(parts(b))
}

#[cfg(test)]
mod tests {
    use super::by_number;

    #[test]
    fn serials_are_in_the_order_people_count_in() {
        let mut serials = ["HM-10", "HM-9", "HM-2b", "HM-2", "A-11"];
        serials.sort_by(|a, b| by_number(a, b));
        assert_eq!(serials, ["A-11", "HM-2", "HM-2b", "HM-9", "HM-10"]);
    }
}
