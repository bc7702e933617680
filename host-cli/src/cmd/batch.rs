//! `seathold batch`: a batch from its list to its closing counts.

use clap::{Args, Subcommand};
use seathold_recording::plain::shown;
use seathold_register::batch::status::{self, NextAction, StatusCounts, ValveStatus};
use seathold_register::valves::BatchRecord;
use seathold_register::{Access, NewNote, NoteKind, Register};
use seathold_report::label::scanned;
use seathold_sequencer::input::Side;
use serde_json::json;

use super::batch_common::{
    BatchArg, SELECTION, WhyArgs, listed, none_under_test, refused, with_open_steps, work, write_note,
};
use super::batch_correct::{self, MoveArgs, RequireArgs, StrikeArgs};
use super::batch_list::{self, AddArgs, OpenArgs};
use super::find::{RegisterArg, date};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::schema::{self, JsonKind};

/// `seathold batch …`.
#[derive(Debug, Subcommand)]
pub enum BatchCommand {
    /// Open a batch from a list of serial numbers
    Open(OpenArgs),
    /// Add valves to the list of an open batch
    Add(AddArgs),
    /// List the batches of the register
    List {
        #[command(flatten)]
        register: RegisterArg,
        /// A JSON object a line
        #[arg(long)]
        json: bool,
    },
    /// List what is left to do: next, half-tested, to test again, to rework, to retest
    Status {
        #[command(flatten)]
        which: BatchArg,
        #[command(flatten)]
        register: RegisterArg,
        /// A JSON object a line, one for each valve
        #[arg(long)]
        json: bool,
    },
    /// Test valve after valve: scan or type a serial, or take the next by one key
    Test(Box<super::batch_session::TestArgs>),
    /// Note what was done to a valve; its earlier results no longer count
    Rework(NoteArgs),
    /// State anew what valves of an open batch are, or must meet
    Require(RequireArgs),
    /// State for whom the batch or a valve is: customer, order, material; it stands on certificates
    Order(Box<super::batch_order::OrderArgs>),
    /// Strike a run: it stays, marked, and counts no more
    Strike(StrikeArgs),
    /// Move a run to the valve that was on the rig
    Move(MoveArgs),
    /// Take a valve out of its batch
    SetAside(NoteArgs),
    /// Note anything else on a valve
    Remark(NoteArgs),
    /// Keep photographs of a valve, for its report
    Photo(super::batch_photo::PhotoArgs),
    /// Close a batch and print its counts
    Close {
        #[command(flatten)]
        which: BatchArg,
        #[command(flatten)]
        register: RegisterArg,
        /// Close although valves are unfinished, and why
        #[arg(long, value_name = "WHY", value_parser = crate::args::note)]
        unfinished: Option<String>,
        /// Who closes it
        #[arg(long, value_name = "NAME", value_parser = crate::args::person)]
        operator: String,
    },
}

/// A note on a valve.
#[derive(Debug, Args)]
pub struct NoteArgs {
    /// The valve
    pub serial: String,
    #[command(flatten)]
    pub why: WhyArgs,
}

pub(super) fn run(command: &BatchCommand, console: &mut Console<'_>) -> Result<Exit, Error> {
    match command {
        BatchCommand::Open(args) => batch_list::open(args, console),
        BatchCommand::Add(args) => batch_list::add(args, console),
        BatchCommand::List { register, json } => list_all(register, *json, console),
        BatchCommand::Status { which, register, json } => {
            let register = Register::open(&register.register, Access::Read)?;
            let batch = which.of(&register)?;
            work(&register, &batch, *json, console)
        }
        BatchCommand::Test(test) => super::batch_test::run(test, console),
        BatchCommand::Rework(noting) => note(noting, NoteKind::Rework, console),
        BatchCommand::Require(args) => batch_correct::require(args, console),
        BatchCommand::Order(args) => super::batch_order::run(args, console),
        BatchCommand::Strike(args) => batch_correct::strike(args, console),
        BatchCommand::Move(args) => batch_correct::move_run(args, console),
        BatchCommand::SetAside(noting) => note(noting, NoteKind::SetAside, console),
        BatchCommand::Photo(args) => super::batch_photo::run(args, console),
        BatchCommand::Remark(noting) => note(noting, NoteKind::Remark, console),
        BatchCommand::Close { which, register, unfinished, operator } => {
            let mut register = Register::open(&register.register, Access::Write)?;
            let batch = which.open(&register)?;
            none_under_test(&register, &batch, None, console)?;
            close(&mut register, &batch, unfinished.as_deref(), operator, console)
        }
    }
}

fn list_all(register: &RegisterArg, as_json: bool, console: &mut Console<'_>) -> Result<Exit, Error> {
    let register = Register::open(&register.register, Access::Read)?;
    let batches = register.batches()?;
    for batch in &batches {
        let counts = StatusCounts::of(&status::of_batch(&register, batch)?);
        if as_json {
            schema::write(console, JsonKind::BatchList, json!({ "batch": batch, "tally": counts }))?;
            continue;
        }
        let closed = batch.closed_at.as_deref().map_or_else(|| "open".into(), |at| format!("closed {}", date(at)));
        let whole = if batch.selection { format!(" ({SELECTION})") } else { String::new() };
        writeln!(console.out, "{}  opened {}, {closed}: {counts}{whole}", shown(&batch.name), date(&batch.opened_at))?;
    }
    if batches.is_empty() && !as_json {
        writeln!(console.err, "there is no batch yet; `seathold batch open` opens one")?;
    }
    Ok(Exit::Good)
}

fn note(args: &NoteArgs, kind: NoteKind, console: &mut Console<'_>) -> Result<Exit, Error> {
    let (mut register, batch) = args.why.open()?;
    let list = register.valves_of(&batch.batch)?;
    let serial = scanned::listed(&args.serial, |serial| list.iter().any(|valve| valve.serial == serial));
    if kind == NoteKind::SetAside {
        none_under_test(&register, &batch, Some(&[serial]), console)?;
    }
    let text = write_note(&mut register, &batch, serial, kind, &args.why.note, &args.why.operator, console)?;
    writeln!(console.out, "{text}")?;
    Ok(Exit::Good)
}

/// Valves whose assembly is not complete, as the note that closes their batch says it; empty where there are none.
fn not_put_together(register: &Register, batch: &BatchRecord, statuses: &[ValveStatus]) -> Result<String, Error> {
    let counts = |status: &&ValveStatus| status.stand != NextAction::SetAside;
    let open = with_open_steps(register, batch, statuses.iter().filter(counts))?;
    Ok(if open.is_empty() { String::new() } else { format!("; assembly not done: {}", listed(&open)) })
}

fn close(
    register: &mut Register,
    batch: &BatchRecord,
    unfinished: Option<&str>,
    operator: &str,
    console: &mut Console<'_>,
) -> Result<Exit, Error> {
    let mut statuses = status::of_batch(register, batch)?;
    // The note that closes it is for good: what it counts is replayed once more.
    for status in &mut statuses {
        let mut unproved = [false; 2];
        for (unproved, side) in unproved.iter_mut().zip([Side::First, Side::Second]) {
            let Some(counted) = status.side(side) else { continue };
            if let Some(why) = register.gate_fault(counted.id)? {
                *unproved = true;
                let (serial, record) = (&status.valve.serial, register.short(&counted.run));
                writeln!(console.err, "{serial}: record {record} {why}")?;
            }
        }
        status.without_results(unproved);
    }
    let counts = StatusCounts::of(&statuses);
    let open: Vec<&str> = statuses
        .iter()
        .filter(|s| !matches!(s.stand, NextAction::Tight | NextAction::SetAside))
        .map(|s| s.valve.serial.as_str())
        .collect();
    if !open.is_empty() && unfinished.is_none() {
        let why = format!(
            "batch {} is not finished: {}; test, rework or set aside what is left ({}), or give --unfinished WHY",
            batch.name,
            counts,
            listed(&open)
        );
        return Err(refused(register, why));
    }
    let mut text = counts.to_string();
    if let Some(why) = unfinished.filter(|_| !open.is_empty()) {
        text.push_str(&format!("; left: {}; because: {why}", listed(&open)));
    }
    text.push_str(&not_put_together(register, batch, &statuses)?);
    let note = NewNote {
        kind: NoteKind::Closed,
        batch: Some(batch.batch.clone()),
        serial: None,
        about: None,
        operator: operator.into(),
        text: text.clone(),
    };
    let number = register.note(&note, console.date()?)?;
    writeln!(console.out, "batch {} is closed (record {number}): {text}", batch.name)?;
    Ok(Exit::Good)
}
