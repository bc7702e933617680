//! A run by itself of a valve that is on the list of an open batch: it counts there, and is told so before it begins.

use std::path::PathBuf;

use seathold_recording::plain::shown;
use seathold_register::batch::similar_serials::look;
use seathold_register::batch::status::{self, NextAction, ValveStatus};
use seathold_register::claim::{Claimant, Claimed, HeldClaim};
use seathold_register::reason::Correction;
use seathold_register::valves::BatchRecord;
use seathold_register::{Access, DEFAULT_NAME, Register, RunMeta};
use seathold_sequencer::input::{Side, Sides};

use super::batch_common::{GONE_ON, closed_meanwhile, held_by, open_steps, refused, status_line};
use super::batch_fit::fit;
use super::find::RecipeUnitFormats;
use super::stdin_lines::StdinLines;
use crate::args::RunArgs;
use crate::console::Console;
use crate::error::Error;

/// The run as the batch has it, and under which it is kept.
#[derive(Debug)]
pub(super) struct BatchRun {
    pub(super) args: RunArgs,
    pub(super) meta: RunMeta,
    /// The valve is this program's for the time of the run.
    pub(super) held: HeldClaim,
}

/// Whether the run is of a valve of an open batch, and which.
#[derive(Debug)]
pub(super) enum InBatch {
    /// It counts there.
    Counts(Box<BatchRun>),
    /// It counts nowhere; why there is no batch that it could count in.
    Nowhere(String),
}

/// The batch's run, where the valve is on the list of an open one: in the register that the run goes into, or where none is
/// named in the one of the current folder, which is that of the batch commands.
///
/// # Errors
/// When the run does not fit the valve and nobody answers for it, nothing of it is due, or another program has it under test.
pub(super) fn of(args: &RunArgs, console: &mut Console<'_>) -> Result<InBatch, Error> {
    let nowhere = |why: &str| Ok(InBatch::Nowhere(why.into()));
    if args.resume.is_some() {
        return nowhere("a run that is resumed goes on as it was begun");
    }
    let Some(typed) = &args.serial else { return nowhere("no --serial says which valve of a batch it is") };
    let here = PathBuf::from(DEFAULT_NAME);
    let (path, found_here) = (args.register.as_ref().unwrap_or(&here), args.register.is_none());
    // A register that is not there is made by the run, where it was named.
    if !path.exists() {
        return nowhere(&format!("there is no register {}; --register names one", path.display()));
    }
    let register = match Register::open(path, Access::Read) {
        Ok(register) => register,
        // One that was named and cannot be used is told by the run.
        Err(_) if args.no_batch || !found_here => return nowhere("its register cannot be read"),
        Err(why) => {
            let which = "it may have an open batch with this valve; --no-batch runs it all the same, by itself";
            return Err(Error::usage(format!("{}: {which}", Error::from(why).own_words())));
        }
    };
    let where_it_is = if found_here { format!(" in {} of this folder", path.display()) } else { String::new() };
    let Some((batch, serial)) = listed(&register, typed, args, console)? else {
        return nowhere("the valve is on the list of no open batch");
    };
    let serial = &serial;
    let name = shown(&batch.name).into_owned();
    if args.no_batch {
        let on = format!("{serial} is on the list of batch {name}{where_it_is}, which is open");
        writeln!(console.err, "{on}: this run does not count there")?;
        return nowhere("--no-batch says so");
    }
    let statuses = status::of_batch(&register, &batch)?;
    let Some(status) = statuses.iter().find(|status| status.valve.serial == *serial) else {
        return nowhere("the valve is on the list of no open batch");
    };
    if let Some(why) = not_due(&register, status, args.sides.into())? {
        return Err(refused(&register, format!("{serial} is of batch {name}{where_it_is}: {why}. Nothing was run")));
    }
    let mixed = statuses.iter().any(|other| other.valve.dn != status.valve.dn);
    let fitted = fit(&status.valve, mixed, args, None)?;
    let misfit = fitted.misfit();
    match (&args.override_why, misfit.is_empty()) {
        (None, true) => {}
        (Some(_), true) => {
            return Err(Error::usage(format!("--override: the run fits {serial}, there is nothing to override")));
        }
        (Some(_), false) if args.operator.is_empty() => {
            return Err(Error::usage("--override: who answers for it? Give --operator"));
        }
        (Some(_), false) => {}
        (None, false) => {
            let why = format!(
                "{serial} is on the list of batch {name}{where_it_is}, which is open, and the run does not fit it: {misfit}. Nothing was run; \
                 --override WHY tests it all the same, and the report says so; --no-batch is for a run that is not the batch's"
            );
            return Err(refused(&register, why));
        }
    }
    drop(register);
    let mut register = Register::open(path, Access::Write)?;
    let held = match register.claim(&Claimant::new(&args.operator), &batch.batch, serial, console.clock.now())? {
        Claimed::Ours(held) => held,
        Claimed::Theirs(claim) => return Err(refused(&register, format!("{}, for batch {name}", held_by(&claim)))),
    };
    if let Some(at) = register.closed_at(&batch.batch)? {
        return Err(refused(&register, closed_meanwhile(&batch.name, &at)));
    }
    let now = status::of_batch(&register, &batch)?;
    if !now.iter().any(|now| now.valve.serial == *serial && now.as_it_was(status)) {
        return Err(refused(&register, format!("{serial}: {GONE_ON}: begin again")));
    }
    let words = fitted.words(&status.valve);
    writeln!(
        console.err,
        "{serial} is on the list of batch {name}{where_it_is}, which is open: this run counts there\n  {words}"
    )?;
    let open = open_steps(&register, &batch, serial)?;
    if !open.is_empty() {
        writeln!(console.err, "  ASSEMBLY NOT DONE: {}", shown(&open.join(", ")))?;
    }
    let meta = RunMeta { batch: Some(batch.batch.clone()), after_rework: status.rework.clone() };
    let mut args = match &args.override_why {
        None => fitted.run,
        Some(reason) => {
            let why = Correction { reason, operator: &args.operator, now: console.date()? };
            let (run, number) = fitted.overridden(&mut register, (&batch.batch, serial), why)?;
            writeln!(console.err, "  OVERRIDE (record {number}): {misfit}")?;
            run
        }
    };
    args.register = Some(path.clone());
    Ok(InBatch::Counts(Box::new(BatchRun { args, meta, held })))
}

/// The open batch that has the valve on its list, and the serial as it stands there.
///
/// # Errors
/// When two have it, or when none has it and one has a serial that looks like it, unless somebody says that this is meant.
fn listed(
    register: &Register,
    typed: &str,
    args: &RunArgs,
    console: &mut Console<'_>,
) -> Result<Option<(BatchRecord, String)>, Error> {
    let mut same: Vec<BatchRecord> = Vec::new();
    let mut alike: Vec<(BatchRecord, String)> = Vec::new();
    for batch in register.batches()?.into_iter().filter(|batch| batch.closed_at.is_none()) {
        let valves = register.valves_of(&batch.batch)?;
        if valves.iter().any(|valve| valve.serial == typed) {
            same.push(batch);
            continue;
        }
        let like = valves.into_iter().filter(|valve| look(&valve.serial) == look(typed));
        alike.extend(like.map(|valve| (batch.clone(), valve.serial)));
    }
    if let [one, other, ..] = same.as_slice() {
        let why = format!(
            "{typed} is on the lists of two batches that are open, {} and {}: test it by `batch test --batch NAME`, or give --no-batch",
            shown(&one.name),
            shown(&other.name)
        );
        return Err(refused(register, why));
    }
    if let Some(batch) = same.pop() {
        return Ok(Some((batch, typed.into())));
    }
    let Some((batch, serial)) = alike.first().cloned().filter(|_| !args.no_batch) else { return Ok(None) };
    let name = shown(&batch.name).into_owned();
    if let ([_], true, false) = (alike.as_slice(), console.live, args.json) {
        write!(
            console.err,
            "{typed} is on the list of no open batch, but {serial} is on that of batch {name}. Look at the plate: is it {serial}?\n\
             y and Enter, or Enter goes back > "
        )?;
        console.err.flush()?;
        let answer = StdinLines::default().next(console)?.unwrap_or_default();
        if matches!(answer.trim(), "y" | "Y" | "yes") {
            return Ok(Some((batch, serial)));
        }
    }
    let why = format!(
        "{typed} is on the list of no open batch, but {serial} is on that of batch {name}. Nothing was run: give --serial {} if that is \
         the valve, or --no-batch if it is another",
        quoted(&serial)
    );
    Err(refused(register, why))
}

/// As it is typed in a shell.
fn quoted(serial: &str) -> String {
    if serial.contains([' ', '(', ')', '#']) { format!("\"{serial}\"") } else { serial.into() }
}

/// Why what was asked for of a valve is not to be tested now, and what is to be done first; `None` where it is.
fn not_due(register: &Register, status: &ValveStatus, sides: Sides) -> Result<Option<String>, Error> {
    let wanted = |side: Side| match side {
        Side::First => sides != Sides::Second,
        Side::Second => sides != Sides::First,
    };
    let asked = [(Side::First, "end A"), (Side::Second, "end B")].into_iter().filter(|(side, _)| wanted(*side));
    let done: Vec<&str> = asked.filter(|(side, _)| !status.due(*side)).map(|(_, end)| end).collect();
    if done.is_empty() {
        return Ok(None);
    }
    let serial = quoted(&status.valve.serial);
    let known = status_line(register, status, &mut RecipeUnitFormats::default())?;
    let again = format!("`batch test` and \"again {}\" there tests it once more", status.valve.serial);
    let next = match (status.stand, status.sides_due()) {
        (NextAction::Rework, _) => format!(
            "it leaks, and that counts until a rework is noted: `batch rework {serial} --note WHAT --operator NAME`; {again}"
        ),
        (NextAction::SetAside, _) => {
            format!("it was set aside; `batch rework {serial} --note WHAT --operator NAME` takes it back")
        }
        (_, Some(Sides::First)) => format!("only end A is to be tested: give --sides first; {again}"),
        (_, Some(Sides::Second)) => format!("only end B is to be tested: give --sides second; {again}"),
        _ => format!("it is done; {again}"),
    };
    Ok(Some(format!("{known}: {next}; --no-batch is for a run that is not the batch's")))
}
