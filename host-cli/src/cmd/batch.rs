//! `seathold batch`: a batch from its list to its closing counts.

use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};
use seathold_recording::file::{TABLE_MAX, check_length, read_at_most};
use seathold_recording::plain::shown;
use seathold_register::batch::check_digit::CheckDigit;
use seathold_register::batch::list::{self, ListDefaults};
use seathold_register::batch::status::{self, NextAction, StatusCounts};
use seathold_register::valves::BatchRecord;
use seathold_register::{Access, NewNote, NoteKind, Register};
use seathold_sequencer::input::Side;
use seathold_text::messages;
use serde_json::json;

use super::batch_common::{BatchArg, SELECTION, refused, work, write_note};
use super::find::{RegisterArg, date};
use crate::args::ActuationArg;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;

/// `seathold batch …`.
#[derive(Debug, Subcommand)]
pub enum BatchCommand {
    /// Open a batch from a list of serial numbers
    Open(OpenArgs),
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
    Test(Box<super::batch_test::TestArgs>),
    /// Note what was done to a valve; its earlier results no longer count
    Rework(NoteArgs),
    /// Take a valve out of its batch
    SetAside(NoteArgs),
    /// Note anything else on a valve
    Remark(NoteArgs),
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
        #[arg(long, value_name = "NAME", value_parser = crate::args::name, default_value = "", hide_default_value = true)]
        operator: String,
    },
}

/// `seathold batch open`.
#[derive(Debug, Args)]
pub struct OpenArgs {
    /// What the batch is called
    #[arg(value_parser = crate::args::name)]
    pub name: String,
    /// List of valves: a CSV file with the columns serial and optionally actuation, dn, notes
    #[arg(long, value_name = "FILE", required_unless_present = "serials")]
    pub list: Option<PathBuf>,
    /// Serials by pattern, like HM-001..HM-040; several separated by commas
    #[arg(long, value_name = "PATTERN", conflicts_with = "list")]
    pub serials: Option<String>,
    /// Actuation where the list does not give it: air or hand
    #[arg(long, value_enum, hide_possible_values = true)]
    pub actuation: Option<ActuationArg>,
    /// Nominal size where the list does not give it
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(6..=4000))]
    pub dn: Option<u32>,
    /// The serials end in a check digit: luhn (digits) or mod-37-36 (ISO 7064, letters and digits)
    #[arg(long, value_parser = check_digit, value_name = "KIND")]
    pub check_digit: Option<CheckDigit>,
    /// Accept the list although serials look similar, like HM-001 and HM-O01
    #[arg(long)]
    pub allow_similar: bool,
    /// Who opens it
    #[arg(long, value_name = "NAME", value_parser = crate::args::name, default_value = "", hide_default_value = true)]
    pub operator: String,
    #[command(flatten)]
    pub register: RegisterArg,
}

/// A note on a valve.
#[derive(Debug, Args)]
pub struct NoteArgs {
    /// The valve
    pub serial: String,
    /// What was done, or why
    #[arg(long, value_name = "TEXT", value_parser = crate::args::note)]
    pub note: String,
    /// Who did it
    #[arg(long, value_name = "NAME", value_parser = crate::args::name, default_value = "", hide_default_value = true)]
    pub operator: String,
    #[command(flatten)]
    pub batch: BatchArg,
    #[command(flatten)]
    pub register: RegisterArg,
}

/// `seathold batch …`.
fn check_digit(text: &str) -> Result<CheckDigit, String> {
    CheckDigit::of(text).ok_or_else(|| "give luhn or mod-37-36".into())
}

pub(super) fn run(command: &BatchCommand, console: &mut Console<'_>) -> Result<Exit, Error> {
    match command {
        BatchCommand::Open(args) => open(args, console),
        BatchCommand::List { register, json } => list_all(register, *json, console),
        BatchCommand::Status { which, register, json } => {
            let register = Register::open(&register.register, Access::Read)?;
            let batch = which.of(&register)?;
            work(&register, &batch, *json, console)
        }
        BatchCommand::Test(test) => super::batch_test::run(test, console),
        BatchCommand::Rework(noting) => note(noting, NoteKind::Rework, console),
        BatchCommand::SetAside(noting) => note(noting, NoteKind::SetAside, console),
        BatchCommand::Remark(noting) => note(noting, NoteKind::Remark, console),
        BatchCommand::Close { which, register, unfinished, operator } => {
            let mut register = Register::open(&register.register, Access::Write)?;
            let batch = which.open(&register)?;
            close(&mut register, &batch, unfinished.as_deref(), operator, console)
        }
    }
}

/// Lines of a list that are read: more than the valves a batch may have, so that what is wrong is said of the valves.
const LINES_MAX: usize = 12_000;

/// Refuses a list that is far longer than any before it is taken apart.
fn check_list(file: &Path) -> Result<(), Error> {
    check_length(file, TABLE_MAX)?;
    // A pipe can be read once only.
    if !file.is_file() {
        return Ok(());
    }
    let lines = read_at_most(file, TABLE_MAX)?.iter().filter(|byte| matches!(byte, b'\n' | b'\r')).count();
    if lines > LINES_MAX {
        let message = format!("{}: {lines} lines, and {LINES_MAX} are allowed: divide the list", file.display());
        return Err(Error::usage(message));
    }
    Ok(())
}

fn open(args: &OpenArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    // Before a register is made: identifiers in it are made of it.
    let now = console.date()?;
    let kind = match args.actuation {
        Some(ActuationArg::Air) => "air",
        Some(ActuationArg::Hand) => "hand",
        None => "",
    };
    let shared = ListDefaults { actuation: kind.into(), dn: args.dn };
    let (list, origin) = match (&args.list, &args.serials) {
        (Some(file), _) => {
            check_list(file)?;
            (list::read(file, &shared)?, file.display().to_string())
        }
        (None, serials) => {
            (list::patterns(serials.as_deref().unwrap_or_default(), &shared)?, "command line: --serials".into())
        }
    };
    if args.name.trim().is_empty() || args.name.chars().any(char::is_control) || args.name.contains(['/', '\\']) {
        return Err(Error::usage("give the batch a name without slashes, like \"spring-2026\""));
    }
    list.check(&origin, args.check_digit, args.allow_similar)?;
    let mut register = Register::open(&args.register.register, Access::Make)?;
    // A valve on two open batches would have two statuses.
    for other in register.batches()?.into_iter().filter(|b| b.closed_at.is_none()) {
        let there = register.valves_of(&other.batch)?;
        if let Some(twice) = list.valves.iter().find(|v| there.iter().any(|o| o.serial == v.serial)) {
            let why = format!("{} is on the list of batch {}, which is still open", twice.serial, other.name);
            return Err(refused(&register, why));
        }
    }
    let check_digit = args.check_digit.map_or("", CheckDigit::word);
    let batch = register.open_batch(&args.name, &list.valves, check_digit, &args.operator, now)?;
    let known: usize = list
        .valves
        .iter()
        .map(|v| register.count(&seathold_register::RunFilter { serial: Some(v.serial.clone()), ..Default::default() }))
        .map(|count| count.map(|n| usize::from(n > 0)))
        .sum::<Result<_, _>>()?;
    writeln!(console.out, "batch {} is open: {}", batch.name, messages::counted(batch.valves, "valve"))?;
    if known > 0 {
        writeln!(
            console.out,
            "{known} of them have been tested before (`seathold find --serial …`); that does not count here"
        )?;
    }
    Ok(Exit::Good)
}

fn list_all(register: &RegisterArg, as_json: bool, console: &mut Console<'_>) -> Result<Exit, Error> {
    let register = Register::open(&register.register, Access::Read)?;
    let batches = register.batches()?;
    for batch in &batches {
        let counts = StatusCounts::of(&status::of_batch(&register, batch)?);
        if as_json {
            writeln!(console.out, "{}", json!({ "batch": batch, "tally": counts }))?;
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
    let mut register = Register::open(&args.register.register, Access::Write)?;
    let batch = args.batch.open(&register)?;
    let text = write_note(&mut register, &batch, &args.serial, kind, &args.note, &args.operator, console)?;
    writeln!(console.out, "{text}")?;
    Ok(Exit::Good)
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
            open.join(" ")
        );
        return Err(refused(register, why));
    }
    let mut text = counts.to_string();
    if let Some(why) = unfinished.filter(|_| !open.is_empty()) {
        text.push_str(&format!("; left: {}; because: {why}", open.join(" ")));
    }
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
