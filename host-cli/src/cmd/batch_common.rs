//! What the commands on a batch have in common.

use std::collections::HashSet;

use clap::Args;
use seathold_recording::plain::shown;
use seathold_register::assembly::progress::AssemblyProgress;
use seathold_register::batch::status::{self, NextAction, StatusCounts, ValveStatus};
use seathold_register::claim::{Claim, Claimant};
use seathold_register::reason::Correction;
use seathold_register::valves::BatchRecord;
use seathold_register::{Access, NewNote, NoteKind, Register, RegisterError};
use seathold_sequencer::input::Side;
use seathold_sequencer::verdict::Verdict;
use seathold_text::layout::line;
use seathold_text::messages;
use serde_json::json;

use super::find::{RecipeUnitFormats, RegisterArg, date, leak};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::schema::{self, JsonKind};
use seathold_report::label::scanned;
use seathold_report::run_remark::RunRemark;

/// Note on a batch whose records are not all here.
pub(super) const SELECTION: &str = "only a selection of its records is in this register";

/// Where a valve is not as it was when this program looked.
pub(super) const GONE_ON: &str = "another program has gone on with this batch";

/// The batch a command works on.
#[derive(Debug, Args)]
pub struct BatchArg {
    /// The batch [default: the only one that is open]
    #[arg(long, value_name = "NAME")]
    pub batch: Option<String>,
}

/// What is written down of a valve or a run, and by whom.
#[derive(Debug, Args)]
pub struct WhyArgs {
    /// What was done, or why; it stands on the report
    #[arg(long, value_name = "TEXT", value_parser = crate::args::note)]
    pub note: String,
    /// Who did it, or says so
    #[arg(long, value_name = "NAME", value_parser = crate::args::person)]
    pub operator: String,
    #[command(flatten)]
    pub batch: BatchArg,
    #[command(flatten)]
    pub register: RegisterArg,
}

impl WhyArgs {
    /// The register, to be written, and the open batch.
    pub(super) fn open(&self) -> Result<(Register, BatchRecord), Error> {
        let register = Register::open(&self.register.register, Access::Write)?;
        let batch = self.batch.open(&register)?;
        Ok((register, batch))
    }

    /// As a correction, made now.
    pub(super) fn correction(&self, console: &Console<'_>) -> Result<Correction<'_>, Error> {
        Ok(Correction { reason: &self.note, operator: &self.operator, now: console.date()? })
    }
}

impl BatchArg {
    /// The batch meant.
    ///
    /// # Errors
    /// When there is none of that name, or none was named and not exactly one is open.
    pub(super) fn of(&self, register: &Register) -> Result<BatchRecord, Error> {
        if let Some(name) = &self.batch {
            return Ok(register.batch_named(name)?);
        }
        let mut open: Vec<BatchRecord> = register.batches()?.into_iter().filter(|b| b.closed_at.is_none()).collect();
        match (open.pop(), open.len()) {
            (Some(one), 0) => Ok(one),
            (None, _) => Err(refused(register, "no batch is open; `seathold batch open` opens one".into())),
            (Some(last), more) => {
                let names: Vec<String> = open.into_iter().chain([last]).map(|b| b.name).collect();
                Err(refused(register, format!("{} batches are open; give --batch: {}", more + 1, names.join(", "))))
            }
        }
    }

    /// The same for what is done with closed batches too: where none is open, it says which there are.
    pub(super) fn any(&self, register: &Register) -> Result<BatchRecord, Error> {
        let batches = register.batches()?;
        if self.batch.is_some() || batches.is_empty() || batches.iter().any(|batch| batch.closed_at.is_none()) {
            return self.of(register);
        }
        let names: Vec<String> = batches.into_iter().map(|batch| batch.name).collect();
        Err(refused(register, format!("no batch is open; --batch names a closed one: {}", names.join(", "))))
    }

    /// The same, and it must be open.
    pub(super) fn open(&self, register: &Register) -> Result<BatchRecord, Error> {
        let batch = self.of(register)?;
        match &batch.closed_at {
            None => Ok(batch),
            Some(at) => Err(refused(register, format!("batch {} was closed at {at}", batch.name))),
        }
    }
}

/// What the user asked contradicts what is in the register: their mistake, not the file's.
pub(super) fn refused(register: &Register, why: String) -> Error {
    Error::register(register.path(), RegisterError::Refused(shown(&why).into_owned()))
}

/// What of a valve's assembly is not done, by the names of the steps.
pub(super) fn open_steps(register: &Register, batch: &BatchRecord, serial: &str) -> Result<Vec<String>, Error> {
    let progress = AssemblyProgress::of(register, &batch.batch)?;
    let Some(valve) = progress.valve(serial) else { return Ok(Vec::new()) };
    Ok(valve.open_steps().filter_map(|at| Some(progress.steps.get(at)?.name.clone())).collect())
}

/// Those of some valves that have open steps, by their serials.
pub(super) fn with_open_steps<'a>(
    register: &Register,
    batch: &BatchRecord,
    statuses: impl Iterator<Item = &'a ValveStatus>,
) -> Result<Vec<&'a str>, Error> {
    let progress = AssemblyProgress::of(register, &batch.batch)?;
    let open = progress.valves.iter().filter(|valve| valve.open_steps().next().is_some());
    let open: HashSet<&str> = open.map(|valve| valve.serial.as_str()).collect();
    Ok(statuses.map(|status| status.valve.serial.as_str()).filter(|serial| open.contains(serial)).collect())
}

/// The work list.
pub(super) fn work(
    register: &Register,
    batch: &BatchRecord,
    as_json: bool,
    console: &mut Console<'_>,
) -> Result<Exit, Error> {
    let statuses = status::of_batch(register, batch)?;
    if as_json {
        for status in &statuses {
            schema::write(console, JsonKind::BatchStatus, json!(status))?;
        }
        return Ok(Exit::Good);
    }
    let mut unit_formats = RecipeUnitFormats::default();
    let mut text = format!("batch {}, opened {} UTC\n", shown(&batch.name), date(&batch.opened_at));
    for stand in [NextAction::Rework, NextAction::Retest, NextAction::TestAgain, NextAction::HalfTested] {
        for status in statuses.iter().filter(|s| s.stand == stand) {
            line(
                &mut text,
                stand.word(),
                &format!("{}: {}", status.valve.serial, status_line(register, status, &mut unit_formats)?),
            );
        }
    }
    // Of the rest a list is enough, but for one with a run that does not count.
    for status in statuses.iter().filter(|s| !(s.excluded.is_empty() && s.moved.is_empty()) && of_a_list(s.stand)) {
        line(
            &mut text,
            "note",
            &format!("{}: {}", status.valve.serial, status_line(register, status, &mut unit_formats)?),
        );
    }
    for stand in [NextAction::Next, NextAction::Tight, NextAction::SetAside] {
        let serials: Vec<&str> =
            statuses.iter().filter(|s| s.stand == stand).map(|s| s.valve.serial.as_str()).collect();
        if !serials.is_empty() {
            line(&mut text, stand.word(), &listed(&serials));
        }
    }
    let tested = |status: &&ValveStatus| !matches!(status.stand, NextAction::Next | NextAction::SetAside);
    let open = with_open_steps(register, batch, statuses.iter().filter(tested))?;
    if !open.is_empty() {
        line(&mut text, "assembly", &format!("NOT DONE on valves that were tested: {}", listed(&open)));
    }
    line(&mut text, "altogether", &StatusCounts::of(&statuses).to_string());
    if batch.selection {
        line(&mut text, "note", &format!("{SELECTION}: more may have been done than is listed"));
    }
    write!(console.out, "{text}")?;
    Ok(Exit::Good)
}

/// Serials in a row; some have blanks in them.
pub(super) fn listed(serials: &[&str]) -> String {
    serials.join(if serials.iter().any(|serial| serial.contains(' ')) { ", " } else { " " })
}

/// Whether valves of this status are listed by their serials alone.
const fn of_a_list(stand: NextAction) -> bool {
    matches!(stand, NextAction::Next | NextAction::Tight | NextAction::SetAside)
}

/// The status of a valve, in a sentence.
pub(super) fn status_line(
    register: &Register,
    status: &ValveStatus,
    unit_formats: &mut RecipeUnitFormats,
) -> Result<String, Error> {
    let mut parts = Vec::new();
    for (side, end) in [(Side::First, "A"), (Side::Second, "B")] {
        if let Some(counted) = status.side(side) {
            let units = unit_formats.of(register, &counted.of)?;
            let verdict = messages::verdict_word(counted.found.verdict);
            let estimate = match counted.found.leak_pa_m3_s {
                Some(_) => format!(" {}", leak(&counted.found, &units)),
                None => String::new(),
            };
            parts.push(format!("end {end} {verdict}{estimate} (record {})", register.short(&counted.run)));
        }
    }
    match status.stand {
        NextAction::HalfTested if status.first.is_some() => parts.push("end B to be tested".into()),
        NextAction::HalfTested => parts.push("end A to be tested".into()),
        NextAction::Retest => parts.extend(status.reworked()),
        NextAction::Rework => {
            let diagnosis = status.diagnosis(register)?;
            let places: Vec<&str> = diagnosis.suspects.iter().map(|s| messages::suspect(*s)).collect();
            if !places.is_empty() {
                parts.push(format!("likeliest: {}", places.join(", ")));
            }
        }
        _ => {}
    }
    if let (Some(ending), Some(run)) = (&status.last_ending, &status.last_run)
        && ending != "judged"
    {
        parts.push(format!("the last run {} (record {})", ending_words(ending), register.short(run)));
    }
    parts.extend(status.overrides().map(|over| format!("BY OVERRIDE: {}", RunRemark::overridden(over).words())));
    parts.extend(
        status
            .moved
            .iter()
            .map(|run| format!("record {}: {}", register.short(&run.run), RunRemark::moved(run).words())),
    );
    for excluded in &status.excluded {
        let units = unit_formats.of(register, &excluded.row)?;
        let why = RunRemark::excluded(excluded, &units).words();
        parts.push(format!("record {} does not count: {why}", register.short(&excluded.name)));
    }
    Ok(parts.join("; "))
}

/// How a run ended that judged nothing.
fn ending_words(outcome: &str) -> String {
    match outcome {
        "fault" => "was ended by a fault".into(),
        "refused" => "was refused".into(),
        "aborted" => "was aborted".into(),
        "cut-short" => "was cut short".into(),
        // Of a newer program.
        other => format!("ended as \"{other}\""),
    }
}

/// Writes a note on a valve of an open batch, and says so.
pub(super) fn write_note(
    register: &mut Register,
    batch: &BatchRecord,
    serial: &str,
    kind: NoteKind,
    text: &str,
    operator: &str,
    console: &Console<'_>,
) -> Result<String, Error> {
    let statuses = status::of_batch(register, batch)?;
    let Some(status) = statuses.iter().find(|s| s.valve.serial == serial) else {
        return Err(refused(register, not_listed(serial, batch, statuses.iter().map(|s| s.valve.serial.as_str()))));
    };
    crate::args::note(text).map_err(|why| Error::usage(format!("the note: {why}")))?;
    if operator.trim().is_empty() {
        return Err(Error::usage("who writes it down? Give --operator"));
    }
    if text.trim().is_empty() {
        return Err(Error::usage("the note is empty; say what was done"));
    }
    if kind == NoteKind::Rework && matches!(status.stand, NextAction::Next | NextAction::Retest) {
        let why = format!(
            "{serial} has not been tested since {}",
            if status.reworks > 0 { "its last rework" } else { "the batch was opened" }
        );
        return Err(refused(
            register,
            format!("{why}: there is nothing to rework it for; `remark` notes anything else"),
        ));
    }
    let leaking = [&status.first, &status.second]
        .into_iter()
        .flatten()
        .find(|counted| counted.found.verdict == Verdict::Leaking)
        .map(|counted| counted.run.clone());
    let note = NewNote {
        kind,
        batch: Some(batch.batch.clone()),
        serial: Some(serial.into()),
        about: leaking.or_else(|| status.last_run.clone()),
        operator: operator.into(),
        text: text.trim().into(),
    };
    let about = note.about.as_deref().map_or_else(String::new, |run| format!(", after record {}", register.short(run)));
    let number = register.note(&note, console.date()?)?;
    let next = if kind == NoteKind::Rework { "; both sides are to be tested again" } else { "" };
    Ok(format!("{serial}: {} (record {number}{about}){next}", seathold_register::note_words(kind)))
}

/// A serial of the list at the beginning of what was typed, and what follows it: serials may have blanks in them. Where
/// none is there, the first word.
pub(super) fn split_serial<'t>(typed: &'t str, list: impl Iterator<Item = &'t str>) -> (&'t str, &'t str) {
    let begins = |serial: &&str| {
        typed.strip_prefix(*serial).is_some_and(|rest| rest.is_empty() || rest.starts_with(char::is_whitespace))
    };
    match list.filter(begins).max_by_key(|serial| serial.len()) {
        // A label that was scanned holds more than its serial.
        Some(serial) => match scanned::split(typed) {
            Some((held, rest)) if held == serial => (serial, rest),
            _ => (serial, typed.get(serial.len()..).unwrap_or_default().trim()),
        },
        None => typed.split_once(' ').map_or((typed, ""), |(serial, rest)| (serial, rest.trim())),
    }
}

/// Why a serial is refused, and what may have been meant.
pub(super) fn not_listed<'a>(serial: &str, batch: &BatchRecord, list: impl Iterator<Item = &'a str>) -> String {
    let near = seathold_register::batch::similar_serials::meant(serial, list);
    let hint = match near.as_slice() {
        [] => String::new(),
        near => format!("; is it {}? Look at the plate, and scan or type it again", near.join(" or ")),
    };
    format!("{serial} is not on the list of batch {}{hint}", batch.name)
}

/// Refuses where another program has one of these valves under test, or any of the batch where none is named: what it finds is not to
/// be for something else by then.
pub(super) fn none_under_test(
    register: &Register,
    batch: &BatchRecord,
    serials: Option<&[&str]>,
    console: &Console<'_>,
) -> Result<(), Error> {
    let taken = register.claimed_by_others(&Claimant::new(""), &batch.batch, console.clock.now())?;
    let held = taken.iter().find(|claim| serials.is_none_or(|serials| serials.contains(&claim.serial.as_str())));
    match held {
        Some(claim) => Err(refused(register, held_by(claim))),
        None => Ok(()),
    }
}

/// "HM-002 is under test by Ada since …".
pub(super) fn held_by(claim: &Claim) -> String {
    let who = if claim.operator.is_empty() { "another program" } else { claim.operator.as_str() };
    format!("{} is under test by {who} since {} UTC", claim.serial, date(&claim.since))
}

/// Of a batch that was open when this program looked.
pub(super) fn closed_meanwhile(name: &str, at: &str) -> String {
    format!("batch {} was closed meanwhile, at {}", shown(name), date(at))
}
