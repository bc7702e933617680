//! Where each valve of a batch stands. Nothing is remembered here: it all follows from the register, so a batch goes on
//! after any interruption, on any machine that has the file.

use std::collections::HashMap;

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

    /// The valve's verdict: joined from its sides, once both are there or one leaks.
    pub fn verdict(&self) -> Option<Verdict> {
        match (&self.first, &self.second) {
            (Some(first), Some(second)) => Some(first.found.verdict.and(second.found.verdict)),
            (Some(one), None) | (None, Some(one)) if one.found.verdict == Verdict::Leaking => Some(Verdict::Leaking),
            _ => None,
        }
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
        standing(valve, runs, &notes)
    };
    Ok(valves.into_iter().map(of).collect())
}

fn standing(valve: Valve, runs: Vec<Run>, notes: &[Noted]) -> Standing {
    let name = |bench: &str, number: i64| format!("{bench}/{number}");
    let reworks = notes.iter().filter(|n| n.kind == NoteKind::Rework).count();
    let last = notes.iter().rev().find(|n| n.kind == NoteKind::Rework);
    let rework = last.map(|n| name(&n.bench, n.number));
    // The later of the two holds: a valve that was set aside and reworked is back.
    let turn = notes.iter().rev().find(|n| matches!(n.kind, NoteKind::Rework | NoteKind::SetAside));
    let set_aside = turn.is_some_and(|n| n.kind == NoteKind::SetAside);
    let (last_run, last_ending) = match runs.last() {
        Some(run) => (Some(name(&run.bench, run.number)), Some(run.ending.clone())),
        None => (None, None),
    };
    // Results from before the last rework tell nothing of the valve as it is now.
    let mut sides: [Option<Counted>; 2] = [None, None];
    for run in runs.into_iter().filter(|run| run.answers == rework) {
        for found in &run.sides {
            let place = &mut sides[usize::from(found.side == Side::Second)];
            // A leak stands until the valve is reworked: it is not tested away.
            if place.as_ref().is_some_and(|before| before.found.verdict == Verdict::Leaking) {
                continue;
            }
            *place =
                Some(Counted { run: name(&run.bench, run.number), id: run.id, of: run.clone(), found: found.clone() });
        }
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
    Standing { valve, stand, first, second, reworks, rework, last_run, last_ending }
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
    pub fn of(standings: &[Standing]) -> Self {
        let mut tally = Self { valves: standings.len(), ..Self::default() };
        for standing in standings {
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

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use seathold_sequencer::verdict::Ground;

    /// What may happen to a valve.
    #[derive(Clone, Copy, Debug)]
    enum Happens {
        Run(Option<Verdict>, Option<Verdict>),
        Rework,
        SetAside,
        Remark,
    }

    fn verdict() -> impl Strategy<Value = Option<Verdict>> {
        let all = vec![Verdict::Tight, Verdict::Leaking, Verdict::Undecided, Verdict::Void];
        prop_oneof![1 => Just(None), 3 => prop::sample::select(all).prop_map(Some)]
    }

    fn happens() -> impl Strategy<Value = Happens> {
        prop_oneof![
            6 => (verdict(), verdict()).prop_map(|(a, b)| Happens::Run(a, b)),
            2 => Just(Happens::Rework),
            1 => Just(Happens::SetAside),
            1 => Just(Happens::Remark),
        ]
    }

    fn run(number: i64, answers: Option<String>, sides: [Option<Verdict>; 2]) -> Run {
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
            asked: "both".into(),
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
        /// Against a bookkeeper who only remembers: per side the last verdict since the rework, a leak never taken back.
        #[test]
        fn any_history_stands_where_a_bookkeeper_says(story in prop::collection::vec(happens(), 0..14)) {
            let (mut runs, mut notes, mut rework) = (Vec::new(), Vec::new(), None);
            let mut book: [Option<Verdict>; 2] = [None, None];
            let (mut aside, mut reworks) = (false, 0);
            for (number, happens) in (1..).zip(story) {
                let kind = match happens {
                    Happens::Run(first, second) => {
                        runs.push(run(number, rework.clone(), [first, second]));
                        for (place, verdict) in book.iter_mut().zip([first, second]) {
                            if *place != Some(Verdict::Leaking) {
                                *place = verdict.or(*place);
                            }
                        }
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
            let found = standing(Valve { serial: "HM-001".into(), ..Valve::default() }, runs, &notes);
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
