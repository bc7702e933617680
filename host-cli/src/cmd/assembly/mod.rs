//! `seathold assembly`: how the valves of a batch are put together, step by step, before they are tested.

mod bolt;
mod measure;
mod only_writer;
mod status;
mod steps;
mod tick;
mod tray;

use std::path::PathBuf;

use clap::{Args, Subcommand};
use seathold_assembly::tightening_order;
use seathold_config::step_list;
use seathold_register::reason::Correction;
use seathold_register::{Access, Register};

use super::batch_common::{BatchArg, WhyArgs, refused};
use super::find::RegisterArg;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;

/// `seathold assembly …`.
#[derive(Debug, Subcommand)]
pub enum AssemblyCommand {
    /// Print a list of steps to start from
    Template,
    /// Measure parts one after the other: names scanned, lengths typed, or by a gauge that types
    Measure(measure::MeasureArgs),
    /// State the steps of a batch, from a file
    Steps(StepsArgs),
    /// Note that a step was done, on some valves or on the whole batch
    Tick(tick::TickArgs),
    /// Bolt up valve after valve: its fittings scanned, its finished length measured
    Bolt(bolt::BoltArgs),
    /// Show valves and steps as a table: what is done, what is next, what holds it up
    Status(StatusArgs),
    /// Write a page for the bench: kept fittings by class, and which goes with which
    Tray(tray::TrayArgs),
    /// Strike a note of assembly: it stays, marked, and counts no more
    Strike(StrikeNoteArgs),
    /// Draw the order in which so many bolts are tightened
    TighteningOrder {
        /// How many bolts the circle has
        #[arg(value_name = "BOLTS")]
        bolts: u32,
    },
}

/// `seathold assembly steps`.
#[derive(Debug, Args)]
pub struct StepsArgs {
    /// The list, TOML
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    #[command(flatten)]
    pub by: ByArgs,
}

/// `seathold assembly status`.
#[derive(Debug, Args)]
pub struct StatusArgs {
    #[command(flatten)]
    pub batch: BatchArg,
    #[command(flatten)]
    pub register: RegisterArg,
    /// The result as a JSON object
    #[arg(long)]
    pub json: bool,
}

/// `seathold assembly strike`.
#[derive(Debug, Args)]
pub struct StrikeNoteArgs {
    /// The note, by the number of its record
    #[arg(value_name = "RECORD")]
    pub record: String,
    #[command(flatten)]
    pub why: WhyArgs,
}

/// Which batch, and by whom.
#[derive(Debug, Args)]
pub struct ByArgs {
    /// Who did it
    #[arg(long, value_name = "NAME", value_parser = crate::args::name, default_value = "", hide_default_value = true)]
    pub operator: String,
    #[command(flatten)]
    pub batch: BatchArg,
    #[command(flatten)]
    pub register: RegisterArg,
}

pub(super) fn run(command: &AssemblyCommand, console: &mut Console<'_>) -> Result<Exit, Error> {
    match command {
        AssemblyCommand::Template => {
            write!(console.out, "{}", step_list::TEMPLATE)?;
            Ok(Exit::Good)
        }
        AssemblyCommand::Measure(args) => measure::run(args, console),
        AssemblyCommand::Steps(args) => steps::run(args, console),
        AssemblyCommand::Tick(args) => tick::run(args, console),
        AssemblyCommand::Bolt(args) => bolt::run(args, console),
        AssemblyCommand::Status(args) => status::run(args, console),
        AssemblyCommand::Tray(args) => tray::run(args, console),
        AssemblyCommand::Strike(args) => strike(args, console),
        AssemblyCommand::TighteningOrder { bolts } => tightening_order(*bolts, console),
    }
}

fn strike(args: &StrikeNoteArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let mut register = Register::open(&args.why.register.register, Access::Write)?;
    let batch = args.why.batch.open(&register)?;
    let notes = register.notes(Some(&batch.batch), None)?;
    let named = notes.iter().find(|note| note.name() == args.record || register.short(&note.name()) == args.record);
    let Some(note) = named.filter(|note| note.kind.is_of_assembly()) else {
        let why = format!("record {} is no note of assembly of batch {}", args.record, batch.name);
        return Err(refused(&register, why));
    };
    let why = Correction { reason: &args.why.note, operator: &args.why.operator, now: console.date()? };
    let number = register.strike_note(note, why)?;
    let what = seathold_register::note_words(note.kind);
    writeln!(console.out, "record {} ({what}) is struck (record {number}): it stays, marked", args.record)?;
    Ok(Exit::Good)
}

fn tightening_order(bolts: u32, console: &mut Console<'_>) -> Result<Exit, Error> {
    let Some((order, drawing)) = tightening_order::tightening_order(bolts).zip(tightening_order::drawing(bolts)) else {
        let most = tightening_order::BOLTS_MAX;
        return Err(Error::usage(format!("BOLTS: {bolts} is not an even number from 4 to {most}")));
    };
    let order: Vec<String> = order.iter().map(u32::to_string).collect();
    writeln!(console.out, "place:turn, places counted round the circle\n\n{drawing}\n{}", order.join(" "))?;
    writeln!(
        console.out,
        "in stages, each in this order, up to the stated torque (common practice, no source):\n\
         the maker's instructions for valve and seals come first"
    )?;
    Ok(Exit::Good)
}
