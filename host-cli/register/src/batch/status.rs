//! The status of each valve of a batch. Nothing is stored here: it all follows from the register, so a batch continues
//! after any interruption, on any machine that has the file.

use std::collections::HashMap;
use std::fmt;

use seathold_recording::Summary;
use seathold_sequencer::input::{Side, Sides};
use seathold_sequencer::measure::diagnose;
use seathold_sequencer::verdict::{Diagnosis, SideResult, Verdict};
use serde::Serialize;

use super::counted_runs::{self, ExcludedRun, MovedRun, OverriddenRun, ValveRuns};
use crate::error::Error;
use crate::valves::{BatchRecord, NoteRecord, ValveRecord};
use crate::{NoteKind, Register, RunFilter, RunRow, SideRow};

/// The next action on a valve.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum NextAction {
    /// Nothing has been judged yet.
    Next,
    /// One side is tight, the other not judged yet.
    HalfTested,
    /// A side is undecided or void: to be tested again, without rework.
    TestAgain,
    /// A side leaks: to be reworked.
    Rework,
    /// Reworked, not judged since.
    Retest,
    /// Both sides are tight.
    Tight,
    /// Taken out of the batch.
    SetAside,
}

impl NextAction {
    /// In a word or two.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Next => "next",
            Self::HalfTested => "half-tested",
            Self::TestAgain => "test again",
            Self::Rework => "to rework",
            Self::Retest => "to retest",
            Self::Tight => "tight",
            Self::SetAside => "set aside",
        }
    }
}

/// What a run says of a side.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ReportedVerdict {
    /// Nothing: it was not to test it.
    NotTested,
    /// It was to test it, and came to no result.
    NoResult,
    /// Its verdict.
    Judged(Verdict),
}

impl ReportedVerdict {
    /// That of a run with this result of the side, which it was to test or not.
    pub fn new(tested: bool, result: Option<Verdict>) -> Self {
        match result {
            _ if !tested => Self::NotTested,
            None => Self::NoResult,
            Some(verdict) => Self::Judged(verdict),
        }
    }
}

/// Which of several runs counts for a side: the last that was to test it, whatever its result, since a good result does
/// not outlive a later failure to repeat it. Where reworks are known and no run is from before the last one, a leak
/// remains: it is not tested away.
pub fn counting(runs: impl IntoIterator<Item = ReportedVerdict>, leak_stands: bool) -> Option<usize> {
    let mut counts = None;
    let mut leaks = false;
    for (i, said) in runs.into_iter().enumerate() {
        if said != ReportedVerdict::NotTested && !(leaks && leak_stands) {
            counts = Some(i);
            leaks = said == ReportedVerdict::Judged(Verdict::Leaking);
        }
    }
    counts
}

/// A valve's verdict: combined from its sides, once both are there or one leaks.
pub fn joined(first: Option<Verdict>, second: Option<Verdict>) -> Option<Verdict> {
    match (first, second) {
        (Some(first), Some(second)) => Some(first.and(second)),
        (Some(Verdict::Leaking), None) | (None, Some(Verdict::Leaking)) => Some(Verdict::Leaking),
        _ => None,
    }
}

/// A result that counts, and the run it comes from.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CountedResult {
    /// The run, as `BENCH/NUMBER`.
    pub run: String,
    /// Its id in this file.
    #[serde(skip)]
    pub id: i64,
    /// Its recipe and unit, for display.
    #[serde(skip)]
    pub of: RunRow,
    /// The result.
    #[serde(flatten)]
    pub found: SideRow,
}

/// The status of a valve.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ValveStatus {
    /// The valve.
    #[serde(flatten)]
    pub valve: ValveRecord,
    /// The next action.
    pub stand: NextAction,
    /// The first side's result since the last rework.
    pub first: Option<CountedResult>,
    /// The second side's.
    pub second: Option<CountedResult>,
    /// For each side the run that counts, as `BENCH/NUMBER`, whether or not it came to a result.
    #[serde(skip)]
    pub counting: [Option<String>; 2],
    /// How often it was reworked in this batch.
    pub reworks: usize,
    /// The last rework note, as `BENCH/NUMBER`.
    pub rework: Option<String>,
    /// The last run, whatever its result, as `BENCH/NUMBER`.
    pub last_run: Option<String>,
    /// How that run ended: "judged", "fault", …
    pub last_ending: Option<String>,
    /// Runs that do not count, and why.
    pub excluded: Vec<ExcludedRun>,
    /// Runs that count because somebody answers for them.
    pub overridden: Vec<OverriddenRun>,
    /// Runs that were recorded for another valve.
    pub moved: Vec<MovedRun>,
}

impl ValveStatus {
    /// A side's result.
    pub const fn side(&self, side: Side) -> Option<&CountedResult> {
        match side {
            Side::First => self.first.as_ref(),
            Side::Second => self.second.as_ref(),
        }
    }

    /// Whether a side is still to be tested.
    pub fn due(&self, side: Side) -> bool {
        let open = match self.side(side).map(|counted| counted.found.verdict) {
            None | Some(Verdict::Undecided | Verdict::Void) => true,
            Some(Verdict::Tight | Verdict::Leaking) => false,
        };
        // A valve that leaks is reworked first; what its other side does would be tested again anyway.
        open && !matches!(self.stand, NextAction::Rework | NextAction::Tight | NextAction::SetAside)
    }

    /// The sides still to be tested, if any.
    pub fn sides_due(&self) -> Option<Sides> {
        match (self.due(Side::First), self.due(Side::Second)) {
            (true, true) => Some(Sides::Both),
            (true, false) => Some(Sides::First),
            (false, true) => Some(Sides::Second),
            (false, false) => None,
        }
    }

    /// Whether nothing has been tested, reworked or stated anew since this other look at the valve.
    pub fn as_it_was(&self, before: &Self) -> bool {
        (&self.last_run, &self.rework, &self.valve) == (&before.last_run, &before.rework, &before.valve)
    }

    /// Takes the results of these sides away: the runs behind them prove nothing. What is left is to be tested again.
    pub fn without_results(&mut self, sides: [bool; 2]) {
        let [first, second] = sides;
        if first {
            self.first = None;
        }
        if second {
            self.second = None;
        }
        let leaks = |side: &Option<CountedResult>| {
            side.as_ref().is_some_and(|counted| counted.found.verdict == Verdict::Leaking)
        };
        if (first || second) && self.stand != NextAction::SetAside {
            let leaks = leaks(&self.first) || leaks(&self.second);
            self.stand = if leaks { NextAction::Rework } else { NextAction::TestAgain };
        }
    }

    /// "reworked twice", if it was at all.
    pub fn reworked(&self) -> Option<String> {
        match self.reworks {
            0 => None,
            1 => Some("reworked".into()),
            2 => Some("reworked twice".into()),
            n => Some(format!("reworked {n} times")),
        }
    }

    /// The overrides under which its results came about.
    pub fn overrides(&self) -> impl Iterator<Item = &OverriddenRun> {
        self.overridden.iter().filter(|over| self.counting.iter().flatten().any(|run| *run == over.run))
    }

    /// The valve's verdict, as far as there is one.
    pub fn verdict(&self) -> Option<Verdict> {
        let of = |side: &Option<CountedResult>| side.as_ref().map(|counted| counted.found.verdict);
        joined(of(&self.first), of(&self.second))
    }

    /// Where a leak probably is, from both sides, whether they were tested in one run or in two.
    ///
    /// # Errors
    /// When the register cannot be read.
    pub fn diagnosis(&self, register: &Register) -> Result<Diagnosis, Error> {
        let result = |side| match self.side(side) {
            Some(counted) => side_result(register, counted, side),
            None => Ok(None),
        };
        let (first, second) = (result(Side::First)?, result(Side::Second)?);
        Ok(diagnose(first.as_ref(), second.as_ref()))
    }
}

/// A side's complete result, from its recording, where that can be read.
fn side_result(register: &Register, counted: &CountedResult, side: Side) -> Result<Option<SideResult>, Error> {
    let bytes = match register.recording(counted.id) {
        Err(Error::Unreadable { .. }) => return Ok(None),
        other => other?,
    };
    let Ok(recording) = seathold_recording::read_bytes(&bytes) else { return Ok(None) };
    let summary = Summary::of(recording.events().map(|(_, event)| event));
    Ok(summary.sides.into_iter().rev().find(|result| result.side == side))
}

/// The status of every valve of a batch, in the order of its list.
///
/// # Errors
/// When the register cannot be read.
pub fn of_batch(register: &Register, batch: &BatchRecord) -> Result<Vec<ValveStatus>, Error> {
    let valves = register.valves_of(&batch.batch)?;
    let mut notes: HashMap<String, Vec<NoteRecord>> = HashMap::new();
    let all_notes = register.notes(Some(&batch.batch), None)?;
    let mut runs = runs_of(register, &batch.batch, &valves, &all_notes)?;
    for mut note in all_notes {
        if let Some(serial) = note.serial.take() {
            notes.entry(serial).or_default().push(note);
        }
    }
    let of = |valve: ValveRecord| {
        let runs = runs.remove(&valve.serial).unwrap_or_default();
        let notes = notes.remove(&valve.serial).unwrap_or_default();
        of_valve(valve, runs, &notes)
    };
    Ok(valves.into_iter().map(of).collect())
}

/// The runs of a batch by valve, those that count and those that do not.
///
/// # Errors
/// When the register cannot be read.
pub fn runs_of(
    register: &Register,
    batch: &str,
    valves: &[ValveRecord],
    notes: &[NoteRecord],
) -> Result<HashMap<String, ValveRuns>, Error> {
    let runs = register.runs(RunFilter { batch: Some(batch.into()), ..RunFilter::default() });
    counted_runs::by_valve(register, valves, runs.collect::<Result<_, _>>()?, notes)
}

/// The status of a valve from its runs in a batch and all notes on it there, both the oldest first.
pub fn of_valve(valve: ValveRecord, runs: ValveRuns, notes: &[NoteRecord]) -> ValveStatus {
    let ValveRuns { counted: runs, excluded, overridden, moved } = runs;
    let reworks = notes.iter().filter(|n| n.kind == NoteKind::Rework).count();
    let last = notes.iter().rev().find(|n| n.kind == NoteKind::Rework);
    let rework = last.map(NoteRecord::name);
    // The later of the two holds: a valve that was set aside and reworked is back.
    let turn = notes.iter().rev().find(|n| matches!(n.kind, NoteKind::Rework | NoteKind::SetAside));
    let set_aside = turn.is_some_and(|n| n.kind == NoteKind::SetAside);
    let (last_run, last_ending) = match runs.last() {
        Some(run) => (Some(run.name()), Some(run.outcome.clone())),
        None => (None, None),
    };
    // Results from before the last rework say nothing of the valve as it is now.
    let runs: Vec<&RunRow> = runs.iter().filter(|run| run.after_rework == rework).collect();
    let mut counts = [None, None];
    let mut sides: [Option<CountedResult>; 2] = [None, None];
    for (place, side) in [Side::First, Side::Second].into_iter().enumerate() {
        let said = runs.iter().map(|run| run.reported_verdict(side));
        let Some(run) = counting(said, true).map(|i| runs[i]) else { continue };
        let called = run.name();
        sides[place] = run.side(side).map(|found| CountedResult {
            run: called.clone(),
            id: run.id,
            of: run.clone(),
            found: found.clone(),
        });
        counts[place] = Some(called);
    }
    let [first, second] = sides;
    let verdicts = [&first, &second].map(|s| s.as_ref().map(|c| c.found.verdict));
    let stand = match verdicts {
        _ if set_aside => NextAction::SetAside,
        [Some(Verdict::Leaking), _] | [_, Some(Verdict::Leaking)] => NextAction::Rework,
        [Some(Verdict::Undecided | Verdict::Void), _] | [_, Some(Verdict::Undecided | Verdict::Void)] => {
            NextAction::TestAgain
        }
        [Some(Verdict::Tight), Some(Verdict::Tight)] => NextAction::Tight,
        [Some(Verdict::Tight), None] | [None, Some(Verdict::Tight)] => NextAction::HalfTested,
        [None, None] if rework.is_some() => NextAction::Retest,
        [None, None] => NextAction::Next,
    };
    ValveStatus {
        valve,
        stand,
        first,
        second,
        counting: counts,
        reworks,
        rework,
        last_run,
        last_ending,
        excluded,
        overridden,
        moved,
    }
}

/// Number of valves of a batch by status.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct StatusCounts {
    /// On the list.
    pub valves: usize,
    /// Tight from both sides.
    pub tight: usize,
    /// Of these, after rework.
    pub tight_after_rework: usize,
    /// Of these, by a run that did not fit them, and that somebody answers for.
    pub tight_by_override: usize,
    /// Leaking, not reworked.
    pub leaking: usize,
    /// Set aside.
    pub set_aside: usize,
    /// Not finished otherwise.
    pub unfinished: usize,
}

impl StatusCounts {
    /// Counts.
    pub fn of<'a>(statuses: impl IntoIterator<Item = &'a ValveStatus>) -> Self {
        let mut counts = Self::default();
        for status in statuses {
            counts.valves += 1;
            match status.stand {
                NextAction::Tight => {
                    counts.tight += 1;
                    counts.tight_after_rework += usize::from(status.reworks > 0);
                    counts.tight_by_override += usize::from(status.overrides().next().is_some());
                }
                NextAction::Rework => counts.leaking += 1,
                NextAction::SetAside => counts.set_aside += 1,
                _ => counts.unfinished += 1,
            }
        }
        counts
    }
}

/// "of 6 valves 4 tight (1 after rework), 1 leaking, 1 set aside".
impl fmt::Display for StatusCounts {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "of {} valves {} tight", self.valves, self.tight)?;
        let of_them = [(self.tight_after_rework, "after rework"), (self.tight_by_override, "BY OVERRIDE")];
        let of_them: Vec<String> =
            of_them.iter().filter(|(count, _)| *count > 0).map(|(count, what)| format!("{count} {what}")).collect();
        if !of_them.is_empty() {
            write!(f, " ({})", of_them.join(", "))?;
        }
        for (count, what) in
            [(self.leaking, "leaking"), (self.set_aside, "set aside"), (self.unfinished, "not finished")]
        {
            if count > 0 {
                write!(f, ", {count} {what}")?;
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use seathold_sequencer::verdict::Reason;

    use super::*;

    /// What may happen to a valve.
    #[derive(Clone, Copy, Debug)]
    enum Happens {
        Run(Sides, Option<Verdict>, Option<Verdict>),
        Refused,
        Rework,
        SetAside,
        Remark,
    }

    fn verdict() -> impl Strategy<Value = Option<Verdict>> {
        let all = vec![Verdict::Tight, Verdict::Leaking, Verdict::Undecided, Verdict::Void];
        prop_oneof![1 => Just(None), 3 => prop::sample::select(all).prop_map(Some)]
    }

    fn asked() -> impl Strategy<Value = Sides> {
        prop::sample::select(vec![Sides::Both, Sides::First, Sides::Second])
    }

    fn happens() -> impl Strategy<Value = Happens> {
        prop_oneof![
            6 => (asked(), verdict(), verdict()).prop_map(|(asked, a, b)| Happens::Run(asked, a, b)),
            1 => Just(Happens::Refused),
            2 => Just(Happens::Rework),
            1 => Just(Happens::SetAside),
            1 => Just(Happens::Remark),
        ]
    }

    fn run(number: i64, answers: Option<String>, asked: Sides, sides: [Option<Verdict>; 2]) -> RunRow {
        let found = |(side, verdict): (Side, Option<Verdict>)| {
            Some(SideRow {
                side,
                verdict: verdict?,
                ground: Reason::Measured,
                leak_pa_m3_s: None,
                expanded_pa_m3_s: None,
                coverage: None,
                limit_pa_m3_s: 1e-3,
                window_ms: None,
                isolated_pa: None,
                fall_pa: 0,
                after_ms: 0,
            })
        };
        let text = String::new;
        RunRow {
            id: number,
            bench: "b".into(),
            number,
            recording: text(),
            serial: "HM-001".into(),
            batch: None,
            after_rework: answers,
            operator: text(),
            started_at: text(),
            ended_at: text(),
            appended_at: text(),
            sides_requested: crate::extract::sides_word(asked).into(),
            outcome: "judged".into(),
            verdict: None,
            limit_pa_m3_s: 1e-3,
            recipe: text(),
            recipe_name: text(),
            rig: text(),
            rig_name: text(),
            calibrations: text(),
            program: text(),
            source: text(),
            identity: text(),
            leak_unit: text(),
            polls: 0,
            seal: text(),
            sides: [Side::First, Side::Second].into_iter().zip(sides).filter_map(found).collect(),
        }
    }

    proptest! {
        /// Against a bookkeeper who only remembers: per side what the last run that was to test it found since the
        /// rework, a leak never taken back.
        #[test]
        fn any_history_stands_where_a_bookkeeper_says(history in prop::collection::vec(happens(), 0..14)) {
            let (mut runs, mut notes, mut rework) = (Vec::new(), Vec::new(), None);
            let mut book: [Option<Verdict>; 2] = [None, None];
            let (mut aside, mut reworks) = (false, 0);
            for (number, happens) in (1..).zip(history) {
                let kind = match happens {
                    Happens::Run(asked, first, second) => {
                        let tests = [asked != Sides::Second, asked != Sides::First];
                        let found = [first.filter(|_| tests[0]), second.filter(|_| tests[1])];
                        runs.push(run(number, rework.clone(), asked, found));
                        for side in [0, 1] {
                            if tests[side] && book[side] != Some(Verdict::Leaking) {
                                book[side] = found[side];
                            }
                        }
                        continue;
                    }
                    Happens::Refused => {
                        let refused = run(number, rework.clone(), Sides::Both, [None, None]);
                        runs.push(RunRow { outcome: "refused".into(), ..refused });
                        continue;
                    }
                    Happens::Rework => {
                        rework = Some(format!("b/{number}"));
                        (book, aside, reworks) = ([None, None], false, reworks + 1);
                        NoteKind::Rework
                    }
                    Happens::SetAside => {
                        aside = true;
                        NoteKind::SetAside
                    }
                    Happens::Remark => NoteKind::Remark,
                };
                notes.push(NoteRecord {
                    bench: "b".into(),
                    number,
                    kind,
                    batch: None,
                    serial: Some("HM-001".into()),
                    about: None,
                    operator: String::new(),
                    written_at: String::new(),
                    text: String::new(),
                });
            }
            let found = of_valve(ValveRecord { serial: "HM-001".into(), ..ValveRecord::default() }, ValveRuns { counted: runs, ..ValveRuns::default() }, &notes);
            let has = |v| book.contains(&Some(v));
            let both_tight = book == [Some(Verdict::Tight); 2];
            prop_assert_eq!(found.stand == NextAction::Tight, both_tight && !aside);
            prop_assert_eq!(found.stand == NextAction::Rework, has(Verdict::Leaking) && !aside);
            prop_assert_eq!(found.stand == NextAction::SetAside, aside);
            prop_assert_eq!(found.reworks, reworks);
            prop_assert_eq!([&found.first, &found.second].map(|c| c.as_ref().map(|c| c.found.verdict)), book);
            // Nothing is forgotten: what is neither finished nor waiting for a rework has a side to be tested.
            let waits = matches!(found.stand, NextAction::Tight | NextAction::Rework | NextAction::SetAside);
            prop_assert_eq!(found.sides_due().is_none(), waits);
            prop_assert_eq!(found.verdict() == Some(Verdict::Tight), both_tight);
        }
    }
}
