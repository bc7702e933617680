//! Notes of assembly written, each a record of the chain. Nothing is erased: what was wrong is struck.

use std::collections::HashSet;

use jiff::Timestamp;
use seathold_assembly::steps::{STEPS_MAX, Step, step_fault};
use seathold_recording::bounds::text_fault;

use super::progress::{AssemblyProgress, PAIRED_MAX, STATED_MAX, struck};
use super::sealed::{self, BoltedHead, DoneHead, PairedHead, PairedLine, StepsHead};
use crate::Register;
use crate::append::insert_note;
use crate::error::{Error, RegisterError, WithPath};
use crate::intake::{NOTE_MAX, list_fault, note_fault};
use crate::note::{NewNote, NoteKind, NoteRecord};
use crate::reason::Correction;

/// Of which batch, by whom, and when.
#[derive(Clone, Copy, Debug)]
pub struct AssemblyBy<'a> {
    /// UUID of the batch.
    pub batch: &'a str,
    /// Who.
    pub operator: &'a str,
    /// When.
    pub now: Timestamp,
}

impl Register {
    /// States the steps of a batch; they take the place of those before. Gives the number of the record.
    ///
    /// # Errors
    /// When one is wrong or comes twice, or the register cannot be written.
    pub fn state_steps(&mut self, steps: &[Step], source: &str, by: AssemblyBy<'_>) -> Result<i64, Error> {
        let mut names = HashSet::new();
        let wrong = (steps.is_empty() || steps.len() > STEPS_MAX)
            .then(|| format!("{} steps; a batch has 1 to {STEPS_MAX}", steps.len()))
            .or_else(|| steps.iter().find_map(|s| Some(format!("step {}: {}", s.name, step_fault(s)?.1))))
            .or_else(|| {
                steps.iter().find_map(|s| (!names.insert(&s.name)).then(|| format!("step {} comes twice", s.name)))
            });
        let wrong = match wrong {
            None => self.too_often(NoteKind::Steps, STATED_MAX, by)?,
            some => some,
        };
        let head = StepsHead { steps: steps.len(), source: source.into() };
        self.assembly(NoteKind::Steps, None, sealed::text(&head, steps), wrong, by)
    }

    /// Notes that a step was done, of one valve or of several. Gives the number of the record.
    ///
    /// # Errors
    /// When the batch has no such step or valve, its value, tool or photograph is missing or wrong, or the register cannot be written.
    pub fn tick(&mut self, done: &DoneHead, serials: &[&str], by: AssemblyBy<'_>) -> Result<i64, Error> {
        let progress = AssemblyProgress::of(self, by.batch)?;
        let mut once = HashSet::new();
        let serials: Vec<&str> = serials.iter().copied().filter(|serial| once.insert(*serial)).collect();
        let (done, wrong) = match checked(done, &progress) {
            Ok(done) => (done, None),
            Err(why) => (done.clone(), Some(why)),
        };
        let wrong = wrong
            .or_else(|| by.operator.trim().is_empty().then(|| "who did it? Give --operator".into()))
            .or_else(|| serials.is_empty().then(|| "of which valve? Give serial numbers, or --all".into()))
            .or_else(|| serials.iter().find_map(|serial| progress.not_listed(serial)));
        match serials.as_slice() {
            [one] => self.assembly(NoteKind::StepDone, Some(one), sealed::text::<&str>(&done, []), wrong, by),
            several => self.assembly(NoteKind::StepDone, None, sealed::text(&done, several), wrong, by),
        }
    }

    /// Keeps which fittings are to go to which valve; it takes the place of what was kept before, but for valves that are bolted up. Gives
    /// the number of the record.
    ///
    /// # Errors
    /// When a valve or a fitting comes twice, one is bolted up already, a valve is not on the list, or the register cannot be written.
    pub fn keep_pairs(&mut self, head: &PairedHead, lines: &[PairedLine], by: AssemblyBy<'_>) -> Result<i64, Error> {
        let progress = AssemblyProgress::of(self, by.batch)?;
        let mut used: HashSet<&str> = progress.used_fittings().collect();
        let mut valves = HashSet::new();
        let mut wrong = None;
        for line in lines {
            let (serial, parts) = match line {
                PairedLine::Valve(valve) => (Some(valve.serial.as_str()), &valve.fittings[..]),
                PairedLine::Left(part) => (None, std::slice::from_ref(part)),
            };
            let twice = parts.iter().find(|part| !used.insert(&part.id));
            wrong = wrong
                .or_else(|| twice.map(|part| format!("fitting {} comes twice, or is bolted up already", part.id)))
                .or_else(|| {
                    let serial = serial?;
                    let bolted = progress.valve(serial).is_some_and(|valve| valve.bolted.is_some());
                    progress
                        .not_listed(serial)
                        .or_else(|| bolted.then(|| format!("{serial} is bolted up already")))
                        .or_else(|| (!valves.insert(serial)).then(|| format!("{serial} comes twice")))
                });
        }
        let wrong = match wrong {
            None => self.too_often(NoteKind::Paired, PAIRED_MAX, by)?,
            some => some,
        };
        self.assembly(NoteKind::Paired, None, sealed::text(head, lines), wrong, by)
    }

    /// Notes that a valve was bolted up, of which fittings, and how long it is. Gives the number of the record.
    ///
    /// # Errors
    /// When it is not on the list, a fitting is in another valve, or the register cannot be written.
    pub fn bolt_up(&mut self, serial: &str, bolted: &BoltedHead, by: AssemblyBy<'_>) -> Result<i64, Error> {
        let progress = AssemblyProgress::of(self, by.batch)?;
        let [a, b] = &bolted.fittings;
        let positive = |mm: Option<f64>| mm.is_none_or(|mm| mm.is_finite() && mm > 0.0);
        let wrong = progress
            .not_listed(serial)
            .or_else(|| by.operator.trim().is_empty().then(|| "who bolted it up? Give --operator".into()))
            .or_else(|| (a == b).then(|| format!("{a} cannot be both fittings")))
            .or_else(|| bolted.fittings.iter().find_map(|fitting| progress.is_in_another(fitting, serial)))
            .or_else(|| {
                let unknown = bolted.fittings.iter().find(|fitting| !progress.knows(fitting))?;
                let why = format!("fitting {unknown} is none of those that were paired; --note says why it is taken");
                bolted.remark.is_empty().then_some(why)
            })
            .or_else(|| (!positive(bolted.finished_mm)).then(|| "the finished length is no length".into()))
            .or_else(|| (!positive(bolted.finished_u_mm)).then(|| "its uncertainty is not above 0".into()));
        self.assembly(NoteKind::Bolted, Some(serial), sealed::text::<&str>(bolted, []), wrong, by)
    }

    /// Strikes a note of assembly or a photograph: it stays, marked, and counts no more. Gives the number of the record.
    ///
    /// # Errors
    /// When it is of another batch or no such note, or struck already, nobody says why, or the register cannot be written.
    pub fn strike_note(&mut self, note: &NoteRecord, why: Correction<'_>) -> Result<i64, Error> {
        let (struck, batch) = (self.is_struck(note)?, note.batch.clone().unwrap_or_default());
        let wrong = why
            .fault()
            .or_else(|| {
                (!note.kind.can_be_struck()).then(|| "it is neither a note of assembly nor a photograph".into())
            })
            .or_else(|| struck.then(|| "it is struck already".into()));
        self.refuse(wrong)?;
        let new = NewNote {
            kind: NoteKind::Struck,
            batch: Some(batch),
            serial: note.serial.clone(),
            about: Some(note.name()),
            operator: why.operator.into(),
            text: why.reason.trim().into(),
        };
        self.note(&new, why.now)
    }

    /// Why there may be no more notes of this kind in a batch, if it has so many.
    fn too_often(&self, kind: NoteKind, most: usize, by: AssemblyBy<'_>) -> Result<Option<String>, Error> {
        let notes = self.notes(Some(by.batch), None)?;
        let struck = struck(&notes);
        let counted = notes.iter().filter(|note| note.kind == kind && !struck.contains(note.name().as_str())).count();
        Ok((counted >= most).then(|| format!("a batch has {most} records of that at most; strike one that is wrong")))
    }

    fn is_struck(&self, note: &NoteRecord) -> Result<bool, Error> {
        let known = self.notes_where("kind = 'struck' AND about = ?1 AND ?2 IS NULL", (Some(&note.name()), None))?;
        Ok(!known.is_empty())
    }

    fn assembly(
        &mut self,
        kind: NoteKind,
        serial: Option<&str>,
        text: String,
        wrong: Option<String>,
        by: AssemblyBy<'_>,
    ) -> Result<i64, Error> {
        let wrong = wrong.or_else(|| note_fault(serial, by.operator, None, "")).or_else(|| list_fault(&text));
        self.refuse(wrong)?;
        let note = NewNote {
            kind,
            batch: Some(by.batch.into()),
            serial: serial.map(Into::into),
            about: None,
            operator: by.operator.into(),
            text,
        };
        let (path, bench) = (self.path.clone(), self.bench.clone());
        self.transact(|change| insert_note(change, &bench, &note, by.now)).at(&path)
    }

    pub(crate) fn refuse(&self, wrong: Option<String>) -> Result<(), Error> {
        wrong.map_or(Ok(()), |why| Err(Error::register(&self.path, RegisterError::Refused(why))))
    }
}

/// What is noted of a step, as it is kept.
fn checked(done: &DoneHead, progress: &AssemblyProgress) -> Result<DoneHead, String> {
    let Some(step) = progress.steps.iter().find(|step| step.name == done.step) else {
        let known: Vec<&str> = progress.steps.iter().map(|step| step.name.as_str()).collect();
        return Err(match known[..] {
            [] => "the batch has no steps of assembly; `assembly steps FILE` states them".into(),
            _ => format!("no step \"{}\"; there are {}", done.step, known.join(", ")),
        });
    };
    let value = match (&step.value, &done.value) {
        (Some(value), Some(typed)) => Some(value.read(typed)?),
        (Some(value), None) => {
            return Err(format!("step {} needs its {}: --value, {}", step.name, value.what, value.range()));
        }
        (None, Some(_)) => return Err(format!("step {} has no value", step.name)),
        (None, None) => None,
    };
    match (step.tool, &done.tool) {
        (true, None) => return Err(format!("step {} needs the number of its tool: --tool", step.name)),
        (false, Some(_)) => return Err(format!("step {} has no tool", step.name)),
        _ => {}
    }
    // In the text that is sealed a control character is written in letters, and would come out as itself.
    let file = done.photo.as_ref().map(|photo| &photo.file);
    let texts =
        [("value", value.as_ref()), ("tool", done.tool.as_ref()), ("photograph", file), ("note", Some(&done.remark))];
    if let Some(why) = texts.into_iter().find_map(|(what, text)| text_fault(what, text?, NOTE_MAX)) {
        return Err(why);
    }
    if step.photo && done.photo.is_none() {
        return Err(format!("step {} needs a photograph: --photo", step.name));
    }
    Ok(DoneHead { value, ..done.clone() })
}
