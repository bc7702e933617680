//! Valves out of a register: their runs, where they stand, and what was noted on them.

use std::collections::HashMap;

use super::standing::by_number;
use super::{Evidence, Seal, Standing, Whole};
use crate::batch::standing::{self, of_valve};
use crate::error::Error;
use crate::register::valves::{Batch, Noted, Valve};
use crate::register::{Filter, Register, Run, Trouble};

/// What a register knows of a valve beside its runs.
#[derive(Clone, Debug)]
pub struct Story {
    /// Where it stands in its batch; in the last one that it was tested in where no batch was asked for.
    pub standing: standing::Standing,
    /// That batch's name.
    pub batch: Option<String>,
    /// What was noted on it, the oldest first.
    pub notes: Vec<Note>,
}

/// A note as a report tells it.
#[derive(Clone, Debug)]
pub struct Note {
    /// The note.
    pub noted: Noted,
    /// The run it is about, as short as it can be.
    pub about: Option<String>,
    /// What is wrong, where it is not what was sealed.
    pub altered: Option<String>,
}

/// What was selected in a register.
#[derive(Clone, Debug)]
pub struct Selection {
    /// The batch, where one was asked for.
    pub batch: Option<Batch>,
    valves: Vec<(Story, Vec<Evidence>)>,
}

impl Selection {
    /// The runs that fit, and of their valves those that count; of a whole batch all valves on its list.
    ///
    /// # Errors
    /// When the register cannot be read, or holds what is no recording.
    pub fn read(register: &Register, filter: &Filter) -> Result<Self, Error> {
        let mut chosen: HashMap<String, Vec<Run>> = HashMap::new();
        for run in register.runs(filter.clone()) {
            let run = run?;
            chosen.entry(run.serial.clone()).or_default().push(run);
        }
        let batches = register.batches()?;
        let mut told = Vec::new();
        for valve in valves(register, filter, &chosen)? {
            let runs = chosen.remove(&valve.serial).unwrap_or_default();
            told.push(tell(register, &batches, filter, valve, runs)?);
        }
        let batch = batches.into_iter().find(|batch| Some(&batch.batch) == filter.batch.as_ref());
        Ok(Self { batch, valves: told })
    }

    /// Every run told of, a valve's runs together.
    pub fn runs(&self) -> impl Iterator<Item = &Evidence> {
        self.valves.iter().flat_map(|(_, runs)| runs)
    }

    /// What is wrong with notes that are not what was sealed.
    pub fn altered_notes(&self) -> impl Iterator<Item = &str> {
        self.valves.iter().flat_map(|(story, _)| &story.notes).filter_map(|note| note.altered.as_deref())
    }

    /// Where each valve stands.
    pub fn valves(&self) -> Vec<Standing<'_>> {
        let told = self.valves.iter();
        told.map(|(story, runs)| Standing {
            serial: &story.standing.valve.serial,
            runs: runs.iter().collect(),
            story: Some(story),
        })
        .collect()
    }
}

/// The valves of a selection: in the order of the batch's list, others in the order people count in.
fn valves(register: &Register, filter: &Filter, chosen: &HashMap<String, Vec<Run>>) -> Result<Vec<Valve>, Error> {
    let mut valves = match &filter.batch {
        Some(batch) => register.valves_of(batch)?,
        None => Vec::new(),
    };
    let whole = Filter { batch: filter.batch.clone(), serial: filter.serial.clone(), ..Filter::default() };
    let wanted = |valve: &Valve| filter.serial.as_ref().is_none_or(|serial| *serial == valve.serial);
    valves.retain(|valve| chosen.contains_key(&valve.serial) || (*filter == whole && wanted(valve)));
    let mut rest: Vec<&String> = chosen.keys().filter(|serial| valves.iter().all(|v| v.serial != **serial)).collect();
    rest.sort_by(|a, b| by_number(a, b).then_with(|| a.cmp(b)));
    for serial in rest {
        let valve = register.valve(serial)?;
        valves.push(valve.unwrap_or_else(|| Valve { serial: serial.clone(), ..Valve::default() }));
    }
    Ok(valves)
}

fn tell(
    register: &Register,
    batches: &[Batch],
    filter: &Filter,
    valve: Valve,
    mut chosen: Vec<Run>,
) -> Result<(Story, Vec<Evidence>), Error> {
    let serial = valve.serial.clone();
    let mut history = Vec::new();
    for run in register.runs(Filter { serial: Some(serial.clone()), ..Filter::default() }) {
        history.push(run?);
    }
    // What counts in another batch does not count here.
    let batch = filter.batch.clone().or_else(|| history.last().and_then(|run| run.batch.clone()));
    history.retain(|run| run.batch == batch);
    let noted = match &batch {
        Some(batch) => register.notes(Some(batch), Some(&serial))?,
        None => Vec::new(),
    };
    let standing = of_valve(valve, &history, &noted);
    let counts = |run: &Run| standing.counting.contains(&Some(run.name()));
    for run in history.into_iter().filter(counts) {
        if chosen.iter().all(|known| known.id != run.id) {
            chosen.push(run);
        }
    }
    chosen.sort_by(|a, b| (&a.started_at, a.id).cmp(&(&b.started_at, b.id)));
    let told = if filter.batch.is_some() { noted } else { register.notes(None, Some(&serial))? };
    let note = |noted: Noted| {
        let about = noted.about.as_deref().map(|run| register.short(run));
        let name = register.short(&noted.name());
        let altered = register.altered(&noted.bench, noted.number)?.map(|what| format!("record {name} {what}"));
        Ok(Note { about, altered, noted })
    };
    let story = Story {
        batch: batches.iter().find(|known| Some(&known.batch) == batch.as_ref()).map(|known| known.name.clone()),
        notes: told.into_iter().map(note).collect::<Result<_, Error>>()?,
        standing,
    };
    let evidence = chosen.iter().map(|run| evidence(register, run)).collect::<Result<_, _>>()?;
    Ok((story, evidence))
}

/// A run out of the register, which must be what was sealed.
fn evidence(register: &Register, run: &Run) -> Result<Evidence, Error> {
    let short = register.short(&run.name());
    let damaged = |why: String| Error::register(register.path(), Trouble::Damaged(format!("run {short}: {why}")));
    let bytes = register.recording(run.id)?;
    let mut evidence =
        Evidence::of(&format!("recording of run {short}"), &bytes).map_err(|why| damaged(why.to_string()))?;
    if let Some(what) = register.altered(&run.bench, run.number)? {
        evidence.whole = Whole::Altered(format!("run {short} {what}"));
    }
    let register = register.path().file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    evidence.seal = Some(Seal { register, run: run.name(), short, hash: run.seal.clone() });
    Ok(evidence)
}
