//! Valves from a register: their runs, their status, and the notes on them.

use std::collections::{BTreeSet, HashMap};

use seathold_register::Error;
use seathold_register::assembly::progress::AssemblyProgress;
use seathold_register::batch::counted_runs::{Exclusion, ValveRuns};
use seathold_register::batch::status::{self, of_valve};
use seathold_register::photo::keep::PhotoRecord;
use seathold_register::valves::{BatchRecord, NoteRecord, ValveRecord};
use seathold_register::verify::VerifiedChain;
use seathold_register::{NoteKind, Register, RunFilter, RunRow};

use super::assembly::ReportedAssembly;
use super::run_remark::RunRemark;
use super::valve_history::by_number;
use super::{Evidence, Integrity, RegisterEntry, ValveHistory};

/// What a register knows of a valve beside its runs.
#[derive(Clone, Debug)]
pub struct RegisterHistory {
    /// Its status in its batch; in the last one that it was tested in where no batch was asked for.
    pub status: status::ValveStatus,
    /// That batch's name.
    pub batch: Option<String>,
    /// How it was put together in that batch; none where nothing was noted of it.
    pub assembly: Option<ReportedAssembly>,
    /// What else was noted on it, the oldest first.
    pub notes: Vec<ReportNote>,
    /// Photographs of it that were not struck, where the notes on them are what was sealed; looked at when they are shown.
    pub photos: Vec<PhotoRecord>,
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

/// A batch, and what was noted on it as a whole.
#[derive(Clone, Debug)]
pub struct ReportedBatch {
    /// The batch.
    pub batch: BatchRecord,
    /// What was noted on no valve alone, but for its opening and closing.
    pub notes: Vec<ReportNote>,
    /// What is wrong with those two, where they are not what was sealed: they hold the list, and what each valve must meet.
    altered: Vec<String>,
}

/// What is read of each batch once.
#[derive(Default)]
struct OfBatches {
    runs: HashMap<String, HashMap<String, ValveRuns>>,
    assembly: HashMap<String, AssemblyProgress>,
}

/// A selection from a register.
#[derive(Clone, Debug)]
pub struct RunSelection {
    /// The batch, where one was asked for.
    pub batch: Option<ReportedBatch>,
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
        let mut of_batches = OfBatches::default();
        for valve in valves(register, filter, &chosen)? {
            let runs = chosen.remove(&valve.serial).unwrap_or_default();
            listed.push(read_valve(register, (&batches, &heads), filter, &mut of_batches, valve, runs)?);
        }
        let batch = match batches.into_iter().find(|batch| Some(&batch.batch) == filter.batch.as_ref()) {
            Some(batch) => {
                let (mut notes, mut altered) = (Vec::new(), Vec::new());
                for note in register.notes(Some(&batch.batch), None)? {
                    match note.kind {
                        NoteKind::Requirement
                        | NoteKind::Added
                        | NoteKind::Handover
                        | NoteKind::Steps
                        | NoteKind::Paired
                        | NoteKind::Order
                        | NoteKind::Certificate
                            if note.serial.is_none() =>
                        {
                            notes.push(report_note(register, note)?);
                        }
                        // Of several valves; what it says of each stands there.
                        NoteKind::StepDone | NoteKind::Struck if note.serial.is_none() => {
                            notes.push(report_note(register, note)?)
                        }
                        NoteKind::Opened | NoteKind::Closed => altered.extend(report_note(register, note)?.altered),
                        _ => {}
                    }
                }
                Some(ReportedBatch { batch, notes, altered })
            }
            None => None,
        };
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
        let of_batch = self.batch.iter().flat_map(|of| &of.notes);
        let of_valves = self.valves.iter().flat_map(|(history, _)| &history.notes);
        let ends = self.batch.iter().flat_map(|of| &of.altered).map(String::as_str);
        of_batch.chain(of_valves).filter_map(|note| note.altered.as_deref()).chain(ends)
    }

    /// Photographs of its valves.
    pub fn photos(&self) -> impl Iterator<Item = &PhotoRecord> {
        self.valves.iter().flat_map(|(history, _)| &history.photos)
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
    // One may have only runs that were recorded for another.
    if let Some(serial) = filter.serial.as_ref().filter(|_| *filter == whole && valves.is_empty() && chosen.is_empty())
    {
        let moved = |note: &NoteRecord| note.kind == NoteKind::Moved && note.serial.as_ref() == Some(serial);
        if register.notes(None, Some(serial))?.iter().any(moved) {
            valves.extend(register.valve(serial)?);
        }
    }
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
    of_batches: &mut OfBatches,
    valve: ValveRecord,
    mut chosen: Vec<RunRow>,
) -> Result<(RegisterHistory, Vec<Evidence>), Error> {
    let serial = valve.serial.clone();
    let mut history = Vec::new();
    for run in register.runs(RunFilter { serial: Some(serial.clone()), ..RunFilter::default() }) {
        history.push(run?);
    }
    // What counts in another batch does not count here.
    let everywhere = register.notes(None, Some(&serial))?;
    let batch = filter
        .batch
        .clone()
        .or_else(|| history.last().and_then(|run| run.batch.clone()))
        .or_else(|| everywhere.last().and_then(|note| note.batch.clone()));
    let noted: Vec<NoteRecord> =
        everywhere.iter().filter(|note| batch.is_some() && note.batch == batch).cloned().collect();
    // Of every batch that it was in: what a run is marked by is its own batch's to say.
    let mut of: BTreeSet<&String> = batch.iter().collect();
    if filter.batch.is_none() {
        of.extend(history.iter().filter_map(|run| run.batch.as_ref()));
        of.extend(everywhere.iter().filter_map(|note| note.batch.as_ref()));
    }
    let mut of_each: Vec<ValveRuns> = Vec::new();
    let mut runs = ValveRuns::default();
    for known in of {
        if !of_batches.runs.contains_key(known) {
            let (listed, notes) = (register.valves_of(known)?, register.notes(Some(known), None)?);
            let serials: Vec<&str> = listed.iter().map(|valve| valve.serial.as_str()).collect();
            of_batches.assembly.insert(known.clone(), AssemblyProgress::from_notes(&serials, &notes));
            of_batches.runs.insert(known.clone(), status::runs_of(register, known, &listed, &notes)?);
        }
        let here = of_batches.runs.get(known).and_then(|valves| valves.get(&serial)).cloned().unwrap_or_default();
        if Some(known) == batch.as_ref() {
            runs = here.clone();
        }
        of_each.push(here);
    }
    if batch.is_none() {
        history.retain(|run| run.batch.is_none());
        runs.counted = history;
    }
    let counted = runs.counted.clone();
    let excluded_as = |name: &str| of_each.iter().flat_map(|of| &of.excluded).find(|run| run.name == name);
    let moved_as = |name: &str| of_each.iter().flat_map(|of| &of.moved).find(|moved| moved.run == name);
    let overridden_as = |name: &str| of_each.iter().flat_map(|of| &of.overridden).find(|over| over.run == name);
    let rows = of_each.iter().flat_map(|of| of.counted.iter().chain(of.excluded.iter().map(|run| &run.row)));
    let arrived: Vec<RunRow> = rows.filter(|run| moved_as(&run.name()).is_some()).cloned().collect();
    // In a batch it is shown with the valve that was on the rig.
    let away = |run: &RunRow| excluded_as(&run.name()).is_some_and(|other| matches!(other.why, Exclusion::Moved(_)));
    chosen.retain(|run| filter.batch.is_none() || !away(run));
    let mut status = of_valve(valve, runs, &noted);
    let counts = |run: &RunRow| status.counting.contains(&Some(run.name()));
    for run in counted.into_iter().filter(counts).chain(arrived) {
        if chosen.iter().all(|known| known.id != run.id) {
            chosen.push(run);
        }
    }
    chosen.sort_by(|a, b| (&a.started_at, a.id).cmp(&(&b.started_at, b.id)));
    let listed = if filter.batch.is_some() { noted } else { everywhere };
    let (mut evidence, mut unreadable) = (Vec::new(), Vec::new());
    for run in &chosen {
        match evidence_of(register, run) {
            Ok(mut evidence_here) => {
                let name = run.name();
                let why = excluded_as(&name).map(|excluded| RunRemark::excluded(excluded, &evidence_here.units()));
                if let Some(seal) = &mut evidence_here.seal {
                    seal.excluded = why;
                    seal.serial.clone_from(&serial);
                    seal.moved = moved_as(&name).map(RunRemark::moved);
                    seal.overridden = overridden_as(&name).map(RunRemark::overridden);
                }
                evidence.push(evidence_here);
            }
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
    let mut notes: Vec<ReportNote> =
        listed.into_iter().map(|note| report_note(register, note)).collect::<Result<_, Error>>()?;
    let struck: BTreeSet<String> =
        notes.iter().filter(|n| n.noted.kind == NoteKind::Struck).filter_map(|n| n.noted.about.clone()).collect();
    let photo = |note: &ReportNote| {
        let counts = note.altered.is_none() && !struck.contains(&note.noted.name());
        counts.then(|| PhotoRecord::of(&note.noted, register))?
    };
    let photos = notes.iter().filter_map(photo).collect();
    // What was done stands in the table of steps; what was struck, or is not what was sealed, stands only here.
    notes.retain(|note| {
        !note.noted.kind.is_of_assembly() || note.altered.is_some() || struck.contains(&note.noted.name())
    });
    let assembly = batch.as_ref().and_then(|batch| ReportedAssembly::of(of_batches.assembly.get(batch)?, &serial));
    let history = RegisterHistory {
        heads: heads.to_vec(),
        assembly,
        batch: batches.iter().find(|known| Some(&known.batch) == batch.as_ref()).map(|known| known.name.clone()),
        notes,
        photos,
        status,
        unreadable,
    };
    Ok((history, evidence))
}

/// A note, which must be what was sealed.
fn report_note(register: &Register, noted: NoteRecord) -> Result<ReportNote, Error> {
    let about = noted.about.as_deref().map(|run| register.short(run));
    let name = register.short(&noted.name());
    let altered = register.altered(&noted.bench, noted.number)?.map(|what| format!("record {name} {what}"));
    Ok(ReportNote { about, altered, noted })
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
    evidence.seal = Some(RegisterEntry {
        register,
        run: run.name(),
        short,
        hash: run.seal.clone(),
        excluded: None,
        overridden: None,
        moved: None,
        serial: run.serial.clone(),
    });
    Ok(evidence)
}
