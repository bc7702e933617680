//! A valve's result after all its runs.

use std::cmp::Ordering;

use seathold_register::batch::status::{NextAction, ReportedVerdict, counting, joined};
use seathold_sequencer::input::Side;
use seathold_sequencer::measure::diagnose;
use seathold_sequencer::verdict::{Diagnosis, SideResult, Verdict};
use seathold_text::messages;

use super::{Evidence, Integrity, RegisterHistory};

/// The headline where a recording does not replay.
pub const NO_VERDICT: &str = "NO VERDICT: does not replay";

/// A valve's result after all its runs, by the rule of [`counting`]. From a register, a [`RegisterHistory`] says what
/// was done to it in between; loose recordings say nothing of that.
#[derive(Clone, Debug)]
pub struct ValveHistory<'a> {
    /// The serial number.
    pub serial: &'a str,
    /// The runs reported, the oldest first.
    pub runs: Vec<&'a Evidence>,
    /// What a register knows beside them.
    pub history: Option<&'a RegisterHistory>,
}

impl<'a> ValveHistory<'a> {
    /// The run that counts for a side.
    pub fn run(&self, side: Side) -> Option<&'a Evidence> {
        let Some(history) = self.history else {
            return counting(self.runs.iter().map(|run| run.reported_verdict(side)), false).map(|i| self.runs[i]);
        };
        let counts = history.status.counting[usize::from(side == Side::Second)].as_ref()?;
        self.runs.iter().find(|run| run.seal.as_ref().is_some_and(|seal| seal.run == *counts)).copied()
    }

    /// That run's result.
    pub fn side(&self, side: Side) -> Option<&'a SideResult> {
        self.run(side)?.side(side)
    }

    /// A run's name: its number in the register, or its position among the recordings.
    pub fn called(&self, run: &Evidence) -> String {
        match &run.seal {
            Some(seal) => seal.short.clone(),
            None => self.runs.iter().position(|r| std::ptr::eq(*r, run)).map_or(0, |i| i + 1).to_string(),
        }
    }

    /// Over both sides; `None` where a side has no result and the other does not leak, or a run that counts does not
    /// replay.
    pub fn verdict(&self) -> Option<Verdict> {
        if self.differs() {
            return None;
        }
        let of = |side| self.side(side).map(|result| result.verdict);
        joined(of(Side::First), of(Side::Second))
    }

    /// Whether a run that counts does not replay: then nothing is said of the valve.
    pub fn differs(&self) -> bool {
        [Side::First, Side::Second].into_iter().filter_map(|side| self.run(side)).any(|run| !run.replays())
    }

    /// The verdict in a word or two.
    pub fn word(&self) -> &'static str {
        if self.differs() {
            return NO_VERDICT;
        }
        let aside = self.history.is_some_and(|history| history.status.stand == NextAction::SetAside);
        self.verdict().map_or(if aside { "set aside" } else { "not proved" }, messages::verdict_word)
    }

    /// Where a leak probably is, from both sides, whether they were tested in one run or in two. There is none where a
    /// fault or the operator ended a run that counts.
    pub fn diagnosis(&self) -> Option<Diagnosis> {
        let mut runs = [Side::First, Side::Second].into_iter().filter_map(|side| self.run(side)).peekable();
        runs.peek()?;
        let sound = runs.all(|run| run.summary.faults.is_empty() && !run.summary.aborted);
        sound.then(|| diagnose(self.side(Side::First), self.side(Side::Second)))
    }

    /// Whether a fault ended a run that counts.
    pub fn faulted(&self) -> bool {
        let runs = [Side::First, Side::Second].into_iter().filter_map(|side| self.run(side));
        runs.into_iter().any(|run| !run.summary.faults.is_empty())
    }

    /// The reason for the verdict, in a sentence.
    pub fn reason(&self) -> String {
        if self.differs() {
            return "The sequencer does not come to the recorded events from the recorded readings: the recording was \
                    forged, or made by another version of the sequencer. It proves nothing of the valve."
                .into();
        }
        let sides = [Side::First, Side::Second];
        let missing: Vec<&str> =
            sides.into_iter().filter(|s| self.side(*s).is_none()).map(messages::side_name).collect();
        let faulted = self.faulted();
        let mut text = match self.verdict() {
            Some(Verdict::Tight) => "The leak of each side, with its guard band, lies under the limit.".to_owned(),
            Some(Verdict::Leaking) => "At least one side leaks more than the limit allows.".to_owned(),
            Some(Verdict::Undecided) => {
                "A side's leak lies too near the limit for its uncertainty; this is neither tight nor leaking."
                    .to_owned()
            }
            Some(Verdict::Void) => "A side's test was disturbed, so that nothing can be said of it.".to_owned(),
            None => "A valve is proved by both sides.".to_owned(),
        };
        if !missing.is_empty() {
            text.push_str(&format!(" No result for the {}.", missing.join(" and the ")));
        }
        if faulted {
            text.push_str(" A fault ended a run; see its event log.");
        }
        if self.history.is_none() && self.verdict() != Some(Verdict::Leaking) && self.leaked_before() {
            text.push_str(" An earlier run found a leak; recordings alone do not say what was done about it.");
        }
        text
    }

    /// How many of the records reported are not what was sealed.
    pub fn altered(&self) -> usize {
        let runs = self.runs.iter().filter(|run| matches!(run.whole, Integrity::Altered(_))).count();
        let notes =
            self.history.map_or(0, |history| history.notes.iter().filter(|note| note.altered.is_some()).count());
        runs + notes
    }

    fn leaked_before(&self) -> bool {
        let sides = [Side::First, Side::Second];
        let leaking = ReportedVerdict::Judged(Verdict::Leaking);
        let leaked = |run: &Evidence| sides.iter().any(|side| run.reported_verdict(*side) == leaking);
        self.runs.iter().any(|run| leaked(run))
    }
}

impl Evidence {
    /// Its verdict on a side. A run that was refused tested nothing.
    pub fn reported_verdict(&self, side: Side) -> ReportedVerdict {
        let tested = self.asked_for(side) && self.summary.refused.is_none();
        ReportedVerdict::new(tested, self.side(side).map(|result| result.verdict))
    }
}

/// Runs by serial number, serials in the order people count in, runs in the order of time.
pub fn by_valve(runs: &[Evidence]) -> Vec<ValveHistory<'_>> {
    let mut sorted: Vec<&Evidence> = runs.iter().collect();
    sorted.sort_by(|a, b| {
        by_number(&a.header.serial, &b.header.serial)
            .then_with(|| a.header.serial.cmp(&b.header.serial))
            .then_with(|| a.header.started_at.cmp(&b.header.started_at))
            .then_with(|| a.sha256.cmp(&b.sha256))
    });
    let same = |a: &&Evidence, b: &&Evidence| a.header.serial == b.header.serial;
    sorted
        .chunk_by(same)
        .map(|runs| ValveHistory { serial: &runs[0].header.serial, runs: runs.to_vec(), history: None })
        .collect()
}

/// HM-9 before HM-10: digits count as numbers.
pub(super) fn by_number(a: &str, b: &str) -> Ordering {
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
