//! Valves from a register: their runs, their status, and the notes on them.

use std::collections::HashMap;

use seathold_register::Error;
use seathold_register::batch::status::{self, of_valve};
use seathold_register::valves::{BatchRecord, NoteRecord, ValveRecord};
use seathold_register::verify::VerifiedChain;
use seathold_register::{Register, RunFilter, RunRow};

use super::valve_history::by_number;
use super::{Evidence, Integrity, RegisterEntry, ValveHistory};

/// What a register knows of a valve beside its runs.
#[derive(Clone, Debug)]
pub struct RegisterHistory {
    /// Its status in its batch; in the last one that it was tested in where no batch was asked for.
    pub status: status::ValveStatus,
    /// That batch's name.
    pub batch: Option<String>,
    /// What was noted on it, the oldest first.
    pub notes: Vec<ReportNote>,
    /// The ends of the register's chains when it was read.
    pub heads: Vec<ChainHead>,
    /// Runs of it that cannot be shown, and why.
    pub unreadable: Vec<String>,
}

/// The end of a bench's chain.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ChainHead {
    /// The bench's name.
    pub name: String,
    /// Its records here.
    pub records: u64,
    /// Whether all from 1 on are here.
    pub complete: bool,
    /// Seal of the last.
    pub seal: String,
}

/// A note as a report prints it.
#[derive(Clone, Debug)]
pub struct ReportNote {
    /// The note.
    pub noted: NoteRecord,
    /// The record it is about, as short as it can be.
    pub about: Option<String>,
    /// What is wrong, where it is not what was sealed.
    pub altered: Option<String>,
}

/// A selection from a register.
#[derive(Clone, Debug)]
pub struct RunSelection {
    /// The batch, where one was asked for.
    pub batch: Option<BatchRecord>,
    valves: Vec<(RegisterHistory, Vec<Evidence>)>,
}

impl RunSelection {
    /// The runs that match, and of their valves those that count; of a complete batch all valves on its list.
    ///
    /// # Errors
    /// When the register cannot be read.
    pub fn read(register: &Register, filter: &RunFilter) -> Result<Self, Error> {
        let mut chosen: HashMap<String, Vec<RunRow>> = HashMap::new();
        for run in register.runs(filter.clone()) {
            let run = run?;
            chosen.entry(run.serial.clone()).or_default().push(run);
        }
        let batches = register.batches()?;
        let head = |chain: VerifiedChain| ChainHead {
            name: chain.name,
            records: chain.last_number,
            complete: chain.complete,
            seal: chain.seal,
        };
        let heads: Vec<ChainHead> = register.chains()?.into_iter().map(head).collect();
        let mut listed = Vec::new();
        for valve in valves(register, filter, &chosen)? {
            let runs = chosen.remove(&valve.serial).unwrap_or_default();
            listed.push(read_valve(register, (&batches, &heads), filter, valve, runs)?);
        }
        let batch = batches.into_iter().find(|batch| Some(&batch.batch) == filter.batch.as_ref());
        Ok(Self { batch, valves: listed })
    }

    /// Every run reported, a valve's runs together.
    pub fn runs(&self) -> impl Iterator<Item = &Evidence> {
        self.valves.iter().flat_map(|(_, runs)| runs)
    }

    /// Runs that cannot be shown, and why.
    pub fn unreadable(&self) -> impl Iterator<Item = &str> {
        self.valves.iter().flat_map(|(history, _)| &history.unreadable).map(String::as_str)
    }

    /// What is wrong with notes that are not what was sealed.
    pub fn altered_notes(&self) -> impl Iterator<Item = &str> {
        self.valves.iter().flat_map(|(history, _)| &history.notes).filter_map(|note| note.altered.as_deref())
    }

    /// The status of each valve.
    pub fn valves(&self) -> Vec<ValveHistory<'_>> {
        let listed = self.valves.iter();
        listed
            .map(|(history, runs)| ValveHistory {
                serial: &history.status.valve.serial,
                runs: runs.iter().collect(),
                history: Some(history),
            })
            .collect()
    }
}

/// The valves of a selection: in the order of the batch's list, others in the order people count in.
fn valves(
    register: &Register,
    filter: &RunFilter,
    chosen: &HashMap<String, Vec<RunRow>>,
) -> Result<Vec<ValveRecord>, Error> {
    let mut valves = match &filter.batch {
        Some(batch) => register.valves_of(batch)?,
        None => Vec::new(),
    };
    let whole = RunFilter { batch: filter.batch.clone(), serial: filter.serial.clone(), ..RunFilter::default() };
    let wanted = |valve: &ValveRecord| filter.serial.as_ref().is_none_or(|serial| *serial == valve.serial);
    valves.retain(|valve| chosen.contains_key(&valve.serial) || (*filter == whole && wanted(valve)));
    let mut rest: Vec<&String> = chosen.keys().filter(|serial| valves.iter().all(|v| v.serial != **serial)).collect();
    rest.sort_by(|a, b| by_number(a, b).then_with(|| a.cmp(b)));
    for serial in rest {
        let valve = register.valve(serial)?;
        valves.push(valve.unwrap_or_else(|| ValveRecord { serial: serial.clone(), ..ValveRecord::default() }));
    }
    Ok(valves)
}

fn read_valve(
    register: &Register,
    (batches, heads): (&[BatchRecord], &[ChainHead]),
    filter: &RunFilter,
    valve: ValveRecord,
    mut chosen: Vec<RunRow>,
) -> Result<(RegisterHistory, Vec<Evidence>), Error> {
    let serial = valve.serial.clone();
    let mut history = Vec::new();
    for run in register.runs(RunFilter { serial: Some(serial.clone()), ..RunFilter::default() }) {
        history.push(run?);
    }
    // What counts in another batch does not count here.
    let batch = filter.batch.clone().or_else(|| history.last().and_then(|run| run.batch.clone()));
    history.retain(|run| run.batch == batch);
    let noted = match &batch {
        Some(batch) => register.notes(Some(batch), Some(&serial))?,
        None => Vec::new(),
    };
    let mut status = of_valve(valve, &history, &noted);
    let counts = |run: &RunRow| status.counting.contains(&Some(run.name()));
    for run in history.into_iter().filter(counts) {
        if chosen.iter().all(|known| known.id != run.id) {
            chosen.push(run);
        }
    }
    chosen.sort_by(|a, b| (&a.started_at, a.id).cmp(&(&b.started_at, b.id)));
    let listed = if filter.batch.is_some() { noted } else { register.notes(None, Some(&serial))? };
    let note = |noted: NoteRecord| {
        let about = noted.about.as_deref().map(|run| register.short(run));
        let name = register.short(&noted.name());
        let altered = register.altered(&noted.bench, noted.number)?.map(|what| format!("record {name} {what}"));
        Ok(ReportNote { about, altered, noted })
    };
    let (mut evidence, mut unreadable) = (Vec::new(), Vec::new());
    for run in &chosen {
        match evidence_of(register, run) {
            Ok(run) => evidence.push(run),
            Err(why @ Error::Unreadable { .. }) => unreadable.push(why.to_string()),
            Err(why) => return Err(why),
        }
    }
    // What the register's columns say of a run that cannot be read, or does not replay, is no result either.
    let replays = |name: &Option<String>| {
        let of = |run: &&Evidence| run.seal.as_ref().map(|seal| &seal.run) == name.as_ref();
        name.is_none() || evidence.iter().find(of).is_some_and(Evidence::replays)
    };
    let proved = status.counting.each_ref().map(replays);
    status.without_results(proved.map(|replays| !replays));
    let history = RegisterHistory {
        heads: heads.to_vec(),
        batch: batches.iter().find(|known| Some(&known.batch) == batch.as_ref()).map(|known| known.name.clone()),
        notes: listed.into_iter().map(note).collect::<Result<_, Error>>()?,
        status,
        unreadable,
    };
    Ok((history, evidence))
}

/// A run from the register, which must be what was sealed.
fn evidence_of(register: &Register, run: &RunRow) -> Result<Evidence, Error> {
    let short = register.short(&run.name());
    let bytes = register.recording(run.id)?;
    let mut evidence = Evidence::of(&format!("recording of record {short}"), &bytes)
        .map_err(|why| Error::Unreadable { record: short.clone(), why: why.to_string() })?;
    if let Some(what) = register.altered(&run.bench, run.number)? {
        evidence.whole = Integrity::Altered(format!("record {short} {what}"));
    }
    let register = register.path().file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    evidence.seal = Some(RegisterEntry { register, run: run.name(), short, hash: run.seal.clone() });
    Ok(evidence)
}
