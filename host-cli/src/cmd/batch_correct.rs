//! Corrections of a batch without erasing: what valves must meet stated anew, a run struck, a run moved to the valve that was
//! on the rig.

use std::collections::BTreeSet;

use clap::Args;
use seathold_recording::plain::shown;
use seathold_register::batch::requirement::{limit_of, misfit};
use seathold_register::batch::status::{self, NextAction};
use seathold_register::reason::Correction;
use seathold_register::valves::{BatchRecord, ValveRecord};
use seathold_register::{Register, RunRow};

use super::batch_common::{WhyArgs, none_under_test, not_listed, refused};
use super::batch_limits::{self, LimitArgs, word_of};
use crate::args::ActuationArg;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;

/// `seathold batch require`.
#[derive(Debug, Args)]
pub struct RequireArgs {
    /// The valves [default: all of the batch, or those that --of selects]
    pub serials: Vec<String>,
    /// Only valves of this size and kind, like "DN 50", "hand" or "DN 15-25 air"
    #[arg(long, value_name = "VALVES")]
    pub of: Option<String>,
    /// Greatest leak allowed: a leak, or a class that goes by each one's size, like "ISO 5208 rate B by DN"
    #[arg(long, value_name = "LEAK|CLASS")]
    pub limit: Option<String>,
    /// Recipe file, or a built-in one
    #[arg(long, value_name = "FILE")]
    pub recipe: Option<String>,
    /// The nominal size, where the list has it wrong
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(6..=4000))]
    pub dn: Option<u32>,
    /// How they are worked, where the list has it wrong: air or hand
    #[arg(long, value_enum, ignore_case = true, hide_possible_values = true)]
    pub actuation: Option<ActuationArg>,
    #[command(flatten)]
    pub why: WhyArgs,
}

/// `seathold batch strike`.
#[derive(Debug, Args)]
pub struct StrikeArgs {
    /// The run, by the number of its record
    #[arg(value_name = "RECORD")]
    pub run: String,
    #[command(flatten)]
    pub why: WhyArgs,
}

/// `seathold batch move`.
#[derive(Debug, Args)]
pub struct MoveArgs {
    /// The run, by the number of its record
    #[arg(value_name = "RECORD")]
    pub run: String,
    /// The valve that was on the rig
    pub serial: String,
    #[command(flatten)]
    pub why: WhyArgs,
}

/// `seathold batch require`.
pub(super) fn require(args: &RequireArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let (mut register, batch) = args.why.open()?;
    let given = args.limit.is_some() || args.recipe.is_some() || args.dn.is_some() || args.actuation.is_some();
    if !given {
        return Err(Error::usage("batch require: give what is required: --limit, --recipe, --dn or --actuation"));
    }
    let listed = register.valves_of(&batch.batch)?;
    if let Some(unknown) = args.serials.iter().find(|serial| listed.iter().all(|v| v.serial != **serial)) {
        return Err(refused(&register, not_listed(unknown, &batch, listed.iter().map(|v| v.serial.as_str()))));
    }
    let selected = batch_limits::selection(args.of.as_deref())?;
    let wanted = |v: &&ValveRecord| (args.serials.is_empty() || args.serials.contains(&v.serial)) && selected(v);
    let mut valves: Vec<ValveRecord> = listed.iter().filter(wanted).cloned().collect();
    if valves.is_empty() {
        let there: BTreeSet<String> = listed.iter().map(size_and_kind).collect();
        let there = there.into_iter().collect::<Vec<_>>().join(", ");
        let of = args.of.as_deref().unwrap_or_default();
        let which = if args.serials.is_empty() { "no valve of the batch" } else { "none of these valves" };
        return Err(Error::usage(format!("--of \"{of}\": {which} is of that size and kind (the batch has {there})")));
    }
    let serials: Vec<&str> = valves.iter().map(|valve| valve.serial.as_str()).collect();
    none_under_test(&register, &batch, Some(&serials), console)?;
    for valve in &mut valves {
        valve.dn = args.dn.or(valve.dn);
        valve.actuation = args.actuation.map_or_else(|| valve.actuation.clone(), |kind| kind.word().into());
        valve.recipe = args.recipe.clone().unwrap_or_else(|| valve.recipe.clone());
        // A class goes by the size, also where only that is stated anew.
        let class = |text: &str| text.rsplit_once(" DN ").map_or(text, |(class, _)| class).to_owned();
        let kept = if args.dn.is_some() { class(&valve.limit) } else { valve.limit.clone() };
        valve.limit = args.limit.clone().unwrap_or(kept);
    }
    batch_limits::resolve("command line", &LimitArgs::default(), &mut valves)?;
    let overview = batch_limits::overview(&valves)?;
    if valves.iter().all(|valve| listed.contains(valve)) {
        writeln!(console.out, "batch {}: {}: it is so already, nothing is written", batch.name, overview.join("; "))?;
        return Ok(Exit::Good);
    }
    let number = register.require(&batch.batch, &valves, args.why.correction(console)?)?;
    writeln!(console.out, "batch {}: {} (record {number})", batch.name, overview.join("; "))?;
    Ok(Exit::Good)
}

/// "DN 25 air".
fn size_and_kind(valve: &ValveRecord) -> String {
    let size = valve.dn.map_or_else(|| "no size".into(), |dn| format!("DN {dn}"));
    format!("{size} {}", valve.actuation).trim_end().to_owned()
}

/// `seathold batch strike`.
pub(super) fn strike(args: &StrikeArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let (mut register, batch) = args.why.open()?;
    let notes = register.notes(Some(&batch.batch), None)?;
    let named = notes.iter().find(|note| note.name() == args.run || register.short(&note.name()) == args.run);
    if let Some(photo) = named.filter(|note| note.kind == seathold_register::NoteKind::Photo) {
        let number = register.strike_note(photo, args.why.correction(console)?)?;
        let of = photo.serial.as_deref().unwrap_or_default();
        let said = format!("record {} (photograph of {of}) is struck (record {number}): it stays, marked", args.run);
        writeln!(console.out, "{}", shown(&said))?;
        return Ok(Exit::Good);
    }
    let said = strike_run(&mut register, &batch, &args.run, args.why.correction(console)?)?;
    writeln!(console.out, "{said}")?;
    Ok(Exit::Good)
}

/// `seathold batch move`.
pub(super) fn move_run(args: &MoveArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let (mut register, batch) = args.why.open()?;
    let said = move_to(&mut register, &batch, &args.run, &args.serial, args.why.correction(console)?)?;
    writeln!(console.out, "{said}")?;
    Ok(Exit::Good)
}

/// A run of the batch, and the valve that it counts for now.
fn run_of(register: &Register, batch: &BatchRecord, name: &str) -> Result<(RunRow, String), Error> {
    let run = match register.run_named(name) {
        Ok(run) => run,
        Err(why) => return Err(no_run(register, batch, name)?.unwrap_or_else(|| why.into())),
    };
    if run.batch.as_ref() != Some(&batch.batch) {
        let why = format!("record {name} is not a run of batch {}", batch.name);
        return Err(refused(register, why));
    }
    let moved = register.corrections_of(&run.bench, run.number)?.into_iter();
    let mut moved = moved.filter(|note| note.kind == seathold_register::NoteKind::Moved).filter_map(|note| note.serial);
    let serial = moved.next_back().unwrap_or_else(|| run.serial.clone());
    Ok((run, serial))
}

/// What a record is that is no run, where the batch has it.
fn no_run(register: &Register, batch: &BatchRecord, name: &str) -> Result<Option<Error>, Error> {
    let notes = register.notes(Some(&batch.batch), None)?;
    let note = notes.iter().find(|note| note.name() == name || register.short(&note.name()) == name);
    Ok(note.map(|note| {
        let of = note.serial.as_ref().map_or_else(String::new, |serial| format!(" of {serial}"));
        let what = seathold_register::note_words(note.kind);
        let remedy = if note.kind.is_of_assembly() {
            "`assembly strike` strikes it"
        } else {
            "a note stays; `batch remark` puts another beside it"
        };
        refused(register, format!("record {name} is no run, but a note{of} ({what}): {remedy}"))
    }))
}

/// What is to be done with a valve now, in a word.
fn now_is(register: &Register, batch: &BatchRecord, serial: &str) -> Result<String, Error> {
    let statuses = status::of_batch(register, batch)?;
    let stand = statuses.iter().find(|status| status.valve.serial == serial).map_or(NextAction::Next, |s| s.stand);
    Ok(format!("{serial} is now {}", stand.word()))
}

/// Strikes a run, and says what that leaves.
pub(super) fn strike_run(
    register: &mut Register,
    batch: &BatchRecord,
    name: &str,
    why: Correction<'_>,
) -> Result<String, Error> {
    let (run, serial) = run_of(register, batch, name)?;
    let number = register.strike(&run, &serial, why)?;
    let now = now_is(register, batch, &serial)?;
    let short = register.short(&run.name());
    Ok(shown(&format!("record {short} of {serial} is struck (record {number}): it stays, marked; {now}")).into_owned())
}

/// Moves a run, unless it cannot have been that valve.
pub(super) fn move_to(
    register: &mut Register,
    batch: &BatchRecord,
    name: &str,
    serial: &str,
    why: Correction<'_>,
) -> Result<String, Error> {
    let (run, from) = run_of(register, batch, name)?;
    let listed = register.valves_of(&batch.batch)?;
    let Some(valve) = listed.iter().find(|valve| valve.serial == serial) else {
        let add = "; `batch add` puts it there";
        let why = not_listed(serial, batch, listed.iter().map(|v| v.serial.as_str())) + add;
        return Err(refused(register, why));
    };
    if from == serial {
        return Err(refused(register, format!("record {name} is a run of {serial} already")));
    }
    if let Some(contradicted) =
        contradiction(register, &run, (listed.iter().find(|valve| valve.serial == from), valve))?
    {
        let again = "strike it, and test the valve again";
        return Err(refused(register, format!("record {name} cannot be moved to {serial}: {contradicted}; {again}")));
    }
    let number = register.move_run(&run, serial, why)?;
    let (was, is) = (now_is(register, batch, &from)?, now_is(register, batch, serial)?);
    let short = register.short(&run.name());
    let said = format!("record {short} is moved from {from} to {serial} (record {number}); {was}, {is}");
    Ok(shown(&said).into_owned())
}

/// Why a run that counts for one valve cannot have been of this other, as far as its recording says.
fn contradiction(
    register: &Register,
    run: &RunRow,
    (from, valve): (Option<&ValveRecord>, &ValveRecord),
) -> Result<Option<String>, Error> {
    let recording = seathold_recording::read_bytes(&register.recording(run.id)?)
        .map_err(|why| refused(register, format!("its recording cannot be read: {why}")))?;
    if recording.header.end_tags {
        return Ok(Some(format!("the tags of the ends of {} were scanned in it", run.serial)));
    }
    let recipe = register.recipe(&run.recipe)?;
    let kind = word_of(recipe.actuation);
    if !valve.actuation.is_empty() && valve.actuation != kind {
        return Ok(Some(format!("it was worked by {kind}, and {} is worked by {}", valve.serial, valve.actuation)));
    }
    let reference = seathold_quantity::limit::reference_at(recipe.reference_pa);
    let required = limit_of(valve, reference).map_err(|why| refused(register, why))?;
    if required.is_some_and(|required| misfit(run, required.leak.pa_m3_s()).is_some()) {
        return Ok(Some(format!("it was judged by another limit than {} must meet", valve.serial)));
    }
    // The size goes with the adapter, and that with the far volume the leak was counted from.
    let from = from.filter(|from| from.dn != valve.dn);
    Ok(from.map(|from| {
        let size = |dn: Option<u32>| dn.map_or_else(|| "of no stated size".into(), |dn| format!("DN {dn}"));
        format!("it was tested as {}, and {} is {}", size(from.dn), valve.serial, size(valve.dn))
    }))
}
