//! The commands, a file each: parse, call, print.

#![allow(missing_docs, reason = "clap would print what is written on a flattened group of arguments")]

pub mod assess;
pub mod batch;
mod batch_common;
pub mod batch_test;
pub mod calibrate;
pub mod calibrate_rig;
pub mod doctor;
pub mod export;
mod files;
pub mod find;
pub mod fleet;
pub mod identify;
mod named_files;
pub mod plan;
mod progress;
mod recordings_arg;
pub mod register;
pub mod rejudge;
mod replay;
pub mod report;
mod rig_memory;
pub mod rigs;
mod run;
mod run_common;
mod run_controller;
mod run_simulated;
pub mod serve;
mod show;
mod stdin_lines;
pub mod study;
pub mod study_drift;
pub mod tune;
pub mod watch;

use std::ffi::OsString;

use clap::Parser;
use clap::error::ErrorKind;
use seathold_text::plain::PlainWriter;

use crate::args::RigCommand;
use crate::cli::{Cli, Command};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;

/// Runs the program. Whatever it says passes a writer that lets nothing act on the screen.
pub fn main_with(arguments: impl IntoIterator<Item = OsString>, console: &mut Console<'_>) -> Exit {
    let mut out = PlainWriter::new(&mut *console.out);
    let mut err = PlainWriter::new(&mut *console.err);
    let plain = &mut Console {
        out: &mut out,
        err: &mut err,
        live: console.live,
        clock: &mut *console.clock,
        interrupts: console.interrupts,
        keys: &mut *console.keys,
    };
    run_with(arguments, plain)
}

fn run_with(arguments: impl IntoIterator<Item = OsString>, console: &mut Console<'_>) -> Exit {
    let done = match Cli::try_parse_from(arguments) {
        Ok(cli) => carry_out(cli, console),
        Err(why) => typed_wrong(&why, console),
    };
    let flushed = console.out.flush().map_err(Error::from);
    let done = match (done, flushed) {
        // The reader of the results has gone: the exit code is still that of the result.
        (Ok(exit), Ok(()) | Err(Error::ClosedPipe)) => Ok(exit),
        (Ok(_), Err(why)) | (Err(why), _) => Err(why),
    };
    done.unwrap_or_else(|why| {
        if !matches!(why, Error::ClosedPipe) {
            // Nothing is left to say it to when this fails too.
            let _ = writeln!(console.err, "error: {why}");
        }
        why.exit()
    })
}

/// Whether nothing moves on a rig while it runs, and nothing of it is worth waiting for. A fleet keeps each valve it has
/// done and stops by itself; a bundle would remain as if it were complete.
const fn may_end(command: &Command) -> bool {
    match command {
        Command::Replay(_)
        | Command::Rejudge(_)
        | Command::Tune(_)
        | Command::Study(_)
        | Command::Show(_)
        | Command::Report(_)
        | Command::Export(_)
        | Command::Assess(_)
        | Command::Identify(_)
        | Command::Plan(_)
        | Command::Find(_) => true,
        Command::Register(command) => !matches!(**command, register::RegisterCommand::Bundle { .. }),
        Command::Run(_)
        | Command::Rigs(_)
        | Command::Watch(_)
        | Command::Doctor(_)
        | Command::Calibrate(_)
        | Command::Fleet(_)
        | Command::Serve(_)
        | Command::Key { .. }
        | Command::Batch(_)
        | Command::Recipe(_)
        | Command::Rig(_)
        | Command::Valve(_) => false,
    }
}

fn carry_out(cli: Cli, console: &mut Console<'_>) -> Result<Exit, Error> {
    if cli.command.as_ref().is_some_and(may_end) {
        crate::console::may_end();
    }
    match cli.command {
        None => print_intro(console),
        Some(Command::Run(run)) => run::run(&run, console),
        Some(Command::Rigs(rigs)) => rigs::run(&rigs, console),
        Some(Command::Watch(args)) => watch::run(&args, console),
        Some(Command::Doctor(args)) => doctor::run(&args, console),
        Some(Command::Replay(replay)) => replay::run(&replay, console),
        Some(Command::Rejudge(command)) => rejudge::run(&command, console),
        Some(Command::Study(command)) => study::run(&command, console),
        Some(Command::Tune(command)) => tune::run(&command, console),
        Some(Command::Show(show)) => show::run(&show, console),
        Some(Command::Assess(assess)) => assess::run(&assess, console),
        Some(Command::Calibrate(calibrate)) => calibrate::run(&calibrate, console),
        Some(Command::Identify(args)) => identify::run(&args, console),
        Some(Command::Plan(plan)) => plan::run(&plan, console),
        Some(Command::Export(command)) => export::run(&command, console),
        Some(Command::Report(command)) => report::run(&command, console),
        Some(Command::Fleet(fleet)) => fleet::run(&fleet, console),
        Some(Command::Serve(args)) => serve::run(&args, console),
        Some(Command::Key { file }) => key(&file, console),
        Some(Command::Batch(command)) => batch::run(&command, console),
        Some(Command::Find(find)) => find::run(&find, console),
        Some(Command::Register(command)) => register::run(&command, console),
        Some(Command::Recipe(command)) => files::recipe(&command, console),
        Some(Command::Rig(command)) => match command {
            RigCommand::Template => files::rig_template(console),
            RigCommand::Check { file } => files::check_rig(&file, console),
            RigCommand::Load(args) => rig_memory::load(&args, console),
            RigCommand::Show(args) => rig_memory::show(&args, console),
            RigCommand::WaiveCheck(args) => rig_memory::waive(&args, console),
        },
        Some(Command::Valve(command)) => files::valve(&command, console),
    }
}

/// Help and versions are results; everything else clap says is a mistake.
fn typed_wrong(why: &clap::Error, console: &mut Console<'_>) -> Result<Exit, Error> {
    let text = why.render();
    if matches!(why.kind(), ErrorKind::DisplayHelp | ErrorKind::DisplayVersion) {
        write!(console.out, "{text}")?;
        return Ok(Exit::Good);
    }
    write!(console.err, "{text}")?;
    Ok(Exit::BadInput)
}

fn print_intro(console: &mut Console<'_>) -> Result<Exit, Error> {
    write!(
        console.out,
        "seathold {} proves reworked ball valves tight from both sides, by pressure hold.\n\
         \n\
         Nothing is connected yet, so try it on the simulated rig:\n\
         \n\
         \x20 seathold run                             a tight valve, both sides\n\
         \x20 seathold run --valve scratched-seat-a    one that leaks, and where\n\
         \x20 seathold show recordings/FILE.hold       what a run saw, with a plot\n\
         \n\
         `seathold valve list` names the built-in valves; `seathold --help` has the rest.\n",
        env!("CARGO_PKG_VERSION")
    )?;
    Ok(Exit::Good)
}

/// `seathold key`.
fn key(file: &std::path::Path, console: &mut Console<'_>) -> Result<Exit, Error> {
    crate::rig::access::make(file)?;
    writeln!(
        console.out,
        "{}: made; give it to the controller and, as --key, to its hosts; whoever has it can work the valve",
        file.display()
    )?;
    Ok(Exit::Good)
}
