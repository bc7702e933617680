//! Where each valve of a batch stands. Nothing is remembered here: it all follows from the register, so a batch goes on
//! after any interruption, on any machine that has the file.

use std::collections::HashMap;
use std::fmt;

use seathold_sequencer::input::{Side, Sides};
use seathold_sequencer::measure::diagnose;
use seathold_sequencer::verdict::{Diagnosis, SideResult, Verdict};
use serde::Serialize;

use crate::error::Error;
use crate::register::valves::{Batch, Noted, Valve};
use crate::register::{Filter, NoteKind, Register, Run, SideFound, Trouble};
use crate::summary::Summary;

/// What is to be done with a valve.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stand {
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

impl Stand {
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

/// What a run has to say of a side: nothing where it was not to test it, and nothing judged where it came to no result.
pub type Said = Option<Option<Verdict>>;

/// Which of several runs counts for a side: the last that was to test it, whatever came of it, since a good result does
/// not outlive a later failure to repeat it. Where reworks are known and no run is from before the last one, a leak
/// stands: it is not tested away.
pub fn counting(runs: impl IntoIterator<Item = Said>, leak_stands: bool) -> Option<usize> {
    let mut counts = None;
    let mut leaks = false;
    for (i, said) in runs.into_iter().enumerate() {
        if let Some(verdict) = said
            && !(leaks && leak_stands)
        {
            counts = Some(i);
            leaks = verdict == Some(Verdict::Leaking);
        }
    }
    counts
}

/// A valve's verdict: joined from its sides, once both are there or one leaks.
pub fn joined(first: Option<Verdict>, second: Option<Verdict>) -> Option<Verdict> {
    match (first, second) {
        (Some(first), Some(second)) => Some(first.and(second)),
        (Some(Verdict::Leaking), None) | (None, Some(Verdict::Leaking)) => Some(Verdict::Leaking),
        _ => None,
    }
}

/// A result that counts, and the run it comes from.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Counted {
    /// The run, as `BENCH/NUMBER`.
    pub run: String,
    /// Its id in this file.
    #[serde(skip)]
    pub id: i64,
    /// Its recipe and unit, for showing.
    #[serde(skip)]
    pub of: Run,
    /// What was found.
    #[serde(flatten)]
    pub found: SideFound,
}

/// Where a valve stands.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Standing {
    /// The valve.
    #[serde(flatten)]
    pub valve: Valve,
    /// What is to be done.
    pub stand: Stand,
    /// The first side's result since the last rework.
    pub first: Option<Counted>,
    /// The second side's.
    pub second: Option<Counted>,
    /// For each side the run that counts, as `BENCH/NUMBER`, whether or not it came to a result.
    #[serde(skip)]
    pub counting: [Option<String>; 2],
    /// How often it was reworked in this batch.
    pub reworks: usize,
    /// The last rework note, as `BENCH/NUMBER`.
    pub rework: Option<String>,
    /// The last run, whatever came of it, as `BENCH/NUMBER`.
    pub last_run: Option<String>,
    /// How that run ended: "judged", "fault", …
    pub last_ending: Option<String>,
}

impl Standing {
    /// A side's result.
    pub const fn side(&self, side: Side) -> Option<&Counted> {
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
        open && !matches!(self.stand, Stand::Rework | Stand::Tight | Stand::SetAside)
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

    /// "reworked twice", if it was at all.
    pub fn reworked(&self) -> Option<String> {
        match self.reworks {
            0 => None,
            1 => Some("reworked".into()),
            2 => Some("reworked twice".into()),
            n => Some(format!("reworked {n} times")),
        }
    }

    /// The valve's verdict, as far as there is one.
    pub fn verdict(&self) -> Option<Verdict> {
        let of = |side: &Option<Counted>| side.as_ref().map(|counted| counted.found.verdict);
        joined(of(&self.first), of(&self.second))
    }

    /// Where a leak probably is, from both sides, whether they were tested in one run or in two.
    ///
    /// # Errors
    /// When a recording cannot be read back.
    pub fn diagnosis(&self, register: &Register) -> Result<Diagnosis, Error> {
        let result = |side| match self.side(side) {
            Some(counted) => side_result(register, counted, side),
            None => Ok(None),
        };
        let (first, second) = (result(Side::First)?, result(Side::Second)?);
        Ok(diagnose(first.as_ref(), second.as_ref()))
    }
}

/// A side's whole result, out of its recording.
fn side_result(register: &Register, counted: &Counted, side: Side) -> Result<Option<SideResult>, Error> {
    let recording = crate::recording::read_bytes(&register.recording(counted.id)?)
        .map_err(|why| Error::register(register.path(), Trouble::Damaged(format!("run {}: {why}", counted.run))))?;
    let summary = Summary::of(recording.events().map(|(_, event)| event));
    Ok(summary.sides.into_iter().rev().find(|result| result.side == side))
}

/// Where every valve of a batch stands, in the order of its list.
///
/// # Errors
/// When the register cannot be read.
pub fn of_batch(register: &Register, batch: &Batch) -> Result<Vec<Standing>, Error> {
    let valves = register.valves_of(&batch.batch)?;
    let mut runs: HashMap<String, Vec<Run>> = HashMap::new();
    for run in register.runs(Filter { batch: Some(batch.batch.clone()), ..Filter::default() }) {
        let run = run?;
        runs.entry(run.serial.clone()).or_default().push(run);
    }
    let mut notes: HashMap<String, Vec<Noted>> = HashMap::new();
    for mut note in register.notes(Some(&batch.batch), None)? {
        if let Some(serial) = note.serial.take() {
            notes.entry(serial).or_default().push(note);
        }
    }
    let of = |valve: Valve| {
        let runs = runs.remove(&valve.serial).unwrap_or_default();
        let notes = notes.remove(&valve.serial).unwrap_or_default();
        of_valve(valve, &runs, &notes)
    };
    Ok(valves.into_iter().map(of).collect())
}

/// Where a valve stands after all its runs in a batch, and all that was noted on it there, both the oldest first.
pub fn of_valve(valve: Valve, runs: &[Run], notes: &[Noted]) -> Standing {
    let reworks = notes.iter().filter(|n| n.kind == NoteKind::Rework).count();
    let last = notes.iter().rev().find(|n| n.kind == NoteKind::Rework);
    let rework = last.map(Noted::name);
    // The later of the two holds: a valve that was set aside and reworked is back.
    let turn = notes.iter().rev().find(|n| matches!(n.kind, NoteKind::Rework | NoteKind::SetAside));
    let set_aside = turn.is_some_and(|n| n.kind == NoteKind::SetAside);
    let (last_run, last_ending) = match runs.last() {
        Some(run) => (Some(run.name()), Some(run.ending.clone())),
        None => (None, None),
    };
    // Results from before the last rework tell nothing of the valve as it is now.
    let runs: Vec<&Run> = runs.iter().filter(|run| run.answers == rework).collect();
    let mut counts = [None, None];
    let mut sides: [Option<Counted>; 2] = [None, None];
    for (place, side) in [Side::First, Side::Second].into_iter().enumerate() {
        let said = runs.iter().map(|run| run.said(side));
        let Some(run) = counting(said, true).map(|i| runs[i]) else { continue };
        let called = run.name();
        sides[place] = run.side(side).map(|found| Counted {
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
        _ if set_aside => Stand::SetAside,
        [Some(Verdict::Leaking), _] | [_, Some(Verdict::Leaking)] => Stand::Rework,
        [Some(Verdict::Undecided | Verdict::Void), _] | [_, Some(Verdict::Undecided | Verdict::Void)] => {
            Stand::TestAgain
        }
        [Some(Verdict::Tight), Some(Verdict::Tight)] => Stand::Tight,
        [Some(Verdict::Tight), None] | [None, Some(Verdict::Tight)] => Stand::HalfTested,
        [None, None] if rework.is_some() => Stand::Retest,
        [None, None] => Stand::Next,
    };
    Standing { valve, stand, first, second, counting: counts, reworks, rework, last_run, last_ending }
}

/// How many valves of a batch stand where.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Tally {
    /// On the list.
    pub valves: usize,
    /// Tight from both sides.
    pub tight: usize,
    /// Of these, after rework.
    pub tight_after_rework: usize,
    /// Leaking, not reworked.
    pub leaking: usize,
    /// Set aside.
    pub set_aside: usize,
    /// Not finished otherwise.
    pub unfinished: usize,
}

impl Tally {
    /// Counts.
    pub fn of<'a>(standings: impl IntoIterator<Item = &'a Standing>) -> Self {
        let mut tally = Self::default();
        for standing in standings {
            tally.valves += 1;
            match standing.stand {
                Stand::Tight => {
                    tally.tight += 1;
                    tally.tight_after_rework += usize::from(standing.reworks > 0);
                }
                Stand::Rework => tally.leaking += 1,
                Stand::SetAside => tally.set_aside += 1,
                _ => tally.unfinished += 1,
            }
        }
        tally
    }
}

/// "of 6 valves 4 tight (1 after rework), 1 leaking, 1 set aside".
impl fmt::Display for Tally {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "of {} valves {} tight", self.valves, self.tight)?;
        if self.tight_after_rework > 0 {
            write!(f, " ({} after rework)", self.tight_after_rework)?;
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
    use super::*;
    use proptest::prelude::*;
    use seathold_sequencer::verdict::Ground;

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

    fn run(number: i64, answers: Option<String>, asked: Sides, sides: [Option<Verdict>; 2]) -> Run {
        let found = |(side, verdict): (Side, Option<Verdict>)| {
            Some(SideFound {
                side,
                verdict: verdict?,
                ground: Ground::Measured,
                leak_pa_m3_s: None,
                uncertainty_pa_m3_s: None,
                coverage: None,
                limit_pa_m3_s: 1e-3,
                window_ms: None,
                isolated_pa: None,
                fall_pa: 0,
                after_ms: 0,
            })
        };
        let text = String::new;
        Run {
            id: number,
            bench: "b".into(),
            number,
            recording: text(),
            serial: "HM-001".into(),
            batch: None,
            answers,
            operator: text(),
            started_at: text(),
            ended_at: text(),
            appended_at: text(),
            asked: crate::register::extract::asked(asked).into(),
            ending: "judged".into(),
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
        fn any_history_stands_where_a_bookkeeper_says(story in prop::collection::vec(happens(), 0..14)) {
            let (mut runs, mut notes, mut rework) = (Vec::new(), Vec::new(), None);
            let mut book: [Option<Verdict>; 2] = [None, None];
            let (mut aside, mut reworks) = (false, 0);
            for (number, happens) in (1..).zip(story) {
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
                        runs.push(Run { ending: "refused".into(), ..refused });
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
                notes.push(Noted {
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
            let found = of_valve(Valve { serial: "HM-001".into(), ..Valve::default() }, &runs, &notes);
            let has = |v| book.contains(&Some(v));
            let both_tight = book == [Some(Verdict::Tight); 2];
            prop_assert_eq!(found.stand == Stand::Tight, both_tight && !aside);
            prop_assert_eq!(found.stand == Stand::Rework, has(Verdict::Leaking) && !aside);
            prop_assert_eq!(found.stand == Stand::SetAside, aside);
            prop_assert_eq!(found.reworks, reworks);
            prop_assert_eq!([&found.first, &found.second].map(|c| c.as_ref().map(|c| c.found.verdict)), book);
            // Nothing is forgotten: what is neither finished nor waiting for a rework has a side to be tested.
            let waits = matches!(found.stand, Stand::Tight | Stand::Rework | Stand::SetAside);
            prop_assert_eq!(found.sides_due().is_none(), waits);
            prop_assert_eq!(found.verdict() == Some(Verdict::Tight), both_tight);
        }
    }
}
