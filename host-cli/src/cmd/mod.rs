//! The commands, a file each: parse, call, print.

#![allow(missing_docs, reason = "clap would print what is written on a flattened group of arguments")]

pub mod assembly;
pub mod assess;
pub mod batch;
mod batch_common;
mod batch_correct;
mod batch_fit;
mod batch_limits;
mod batch_list;
mod batch_order;
mod batch_photo;
mod batch_session;
pub mod batch_test;
pub mod calibrate;
pub mod certificate;
mod class_arg;
pub mod completions;
pub mod doctor;
pub mod export;
mod files;
pub mod find;
pub mod fleet;
mod heads;
pub mod identify;
pub mod label;
mod left_on_rig;
pub mod manual;
mod named_files;
pub mod office;
mod page_file;
pub mod pair;
mod picture_file;
pub mod plan;
mod progress;
mod recordings_arg;
pub mod register;
mod register_signed;
pub mod rejudge;
mod replay;
pub mod report;
mod rig_memory;
pub mod rigs;
mod run;
mod run_batch;
mod run_common;
mod run_controller;
mod run_options;
mod run_simulated;
pub mod schema;
pub mod serve;
pub mod settings;
mod show;
pub mod signed_files;
mod stdin_lines;
pub mod study;
pub mod study_causes;
pub mod study_daily;
pub mod study_drift;
pub mod study_factors;
pub mod study_lengths;
mod tell_settings;
pub mod trace_args;
pub mod tune;
mod typed;
pub mod watch;

use std::ffi::OsString;

use clap::error::ErrorKind;
use seathold_text::plain::PlainWriter;

use crate::args::RigCommand;
use crate::cli::Command;
use crate::colour::{ColourArg, Painter};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::help;
use crate::redact::redacted;
use tell_settings::tell_settings;
use typed::{NotTyped, Typed};

/// Runs the program. Whatever it says passes a writer that lets nothing act on the screen, and after that one that paints.
pub fn main_with(arguments: impl IntoIterator<Item = OsString>, console: &mut Console<'_>) -> Exit {
    let mut environment = console.environment.clone();
    let typed = typed::read(&arguments.into_iter().collect::<Vec<_>>(), &mut environment);
    let asked = typed.as_ref().ok().and_then(|typed| typed.cli.color);
    let colour = ColourArg::of(asked, &environment);
    let is_data = typed.as_ref().is_ok_and(|typed| typed.data);
    let painted = colour.on(environment.results_on_terminal, &environment) && !is_data;
    environment.colour = colour.on(console.live, &environment);
    let out = Painter::new(&mut *console.out, painted);
    let mut out =
        if typed.as_ref().is_ok_and(|typed| typed.json) { PlainWriter::json(out) } else { PlainWriter::new(out) };
    let mut err = PlainWriter::new(Painter::new(&mut *console.err, environment.colour));
    let plain = &mut Console {
        out: &mut out,
        err: &mut err,
        live: console.live,
        clock: &mut *console.clock,
        interrupts: console.interrupts,
        keys: &mut *console.keys,
        environment: &environment,
    };
    run_with(typed, plain)
}

fn run_with(typed: Result<Typed, NotTyped>, console: &mut Console<'_>) -> Exit {
    let done = match typed {
        Ok(typed) => {
            let done = carry_out(typed, console);
            tell_unsigned(console);
            done
        }
        Err(NotTyped::Clap(why)) => typed_wrong(&why, console),
        Err(NotTyped::Settings(why)) => Err(why),
    };
    let flushed = console.out.flush().map_err(Error::from);
    let done = match (done, flushed) {
        // The reader of the results has gone: the exit code is still that of the result.
        (Ok(exit), Ok(()) | Err(Error::ClosedPipe)) => Ok(exit),
        (Ok(_), Err(why)) | (Err(why), _) => Err(why),
    };
    let exit = done.unwrap_or_else(|why| {
        if !matches!(why, Error::ClosedPipe) {
            // Nothing is left to say it to when this fails too.
            let _ = writeln!(console.err, "error: {}", redacted(&why.to_string()));
        }
        why.exit()
    });
    // The last word of it, should no line have ended.
    let _ = console.err.flush();
    exit
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
        | Command::Pair(_)
        | Command::Label(_)
        | Command::Find(_)
        | Command::Verify(_) => true,
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
        | Command::Assembly(_)
        | Command::Certificate(_)
        | Command::Sign(_)
        | Command::Recipe(_)
        | Command::Rig(_)
        | Command::Valve(_)
        | Command::Settings(_)
        | Command::Completions(_)
        | Command::Manual(_)
        | Command::Schema(_) => false,
    }
}

/// Whether a command lets air in, gives a controller orders or writes records: by what, nobody may have to guess.
fn acts(command: &Command) -> bool {
    match command {
        Command::Run(_) | Command::Doctor(_) | Command::Calibrate(_) | Command::Serve(_) => true,
        Command::Batch(command) => {
            !matches!(**command, batch::BatchCommand::List { .. } | batch::BatchCommand::Status { .. })
        }
        Command::Pair(args) => args.keep,
        Command::Certificate(command) => matches!(**command, certificate::CertificateCommand::Issue(_)),
        Command::Assembly(command) => !matches!(
            **command,
            assembly::AssemblyCommand::Template
                | assembly::AssemblyCommand::Measure(_)
                | assembly::AssemblyCommand::Tray(_)
                | assembly::AssemblyCommand::Status(_)
                | assembly::AssemblyCommand::TighteningOrder { .. }
        ),
        Command::Register(command) => matches!(
            **command,
            register::RegisterCommand::Merge { .. }
                | register::RegisterCommand::Import { .. }
                | register::RegisterCommand::Push { .. }
                | register::RegisterCommand::Pull { .. }
                | register::RegisterCommand::Quarantine(register::QuarantineCommand::Remove { .. })
                | register::RegisterCommand::Key { .. }
        ),
        Command::Rig(command) => matches!(command, RigCommand::Load(_) | RigCommand::WaiveCheck(_)),
        _ => false,
    }
}

/// Records that were written unsigned, of a bench that has a key: whoever wrote them is told, for nobody can mend it later.
fn tell_unsigned(console: &mut Console<'_>) {
    let (count, why) = seathold_register::signed::take_unsigned();
    if count > 0 {
        let records = seathold_text::messages::counted(count, "record");
        // Where nobody reads it any more, nobody can be told.
        let _ = writeln!(console.err, "{records} kept UNSIGNED, and never signed later: {why}");
    }
}

fn carry_out(typed: Typed, console: &mut Console<'_>) -> Result<Exit, Error> {
    let Typed { cli, told, .. } = typed;
    if cli.command.as_ref().is_some_and(acts) {
        tell_settings(&told, console)?;
    }
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
        Some(Command::Pair(pair)) => pair::run(&pair, console),
        Some(Command::Assembly(command)) => assembly::run(&command, console),
        Some(Command::Certificate(command)) => certificate::run(&command, console),
        Some(Command::Label(command)) => label::run(&command, console),
        Some(Command::Sign(args)) => signed_files::sign(&args, console),
        Some(Command::Verify(args)) => signed_files::verify(&args, console),
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
        Some(Command::Settings(args)) => settings::run(&args, console),
        Some(Command::Completions(args)) => completions::run(&args, help::command(), console),
        Some(Command::Schema(args)) => schema::run(&args, console),
        Some(Command::Manual(args)) => manual::run(&args, help::command(), console),
    }
}

/// Help and versions are results; everything else clap says is a mistake.
fn typed_wrong(why: &clap::Error, console: &mut Console<'_>) -> Result<Exit, Error> {
    let text = why.render();
    if matches!(why.kind(), ErrorKind::DisplayHelp | ErrorKind::DisplayVersion) {
        write!(console.out, "{text}")?;
        return Ok(Exit::Good);
    }
    // Whether or not anybody reads it: nothing was run.
    let _ = write!(console.err, "{}", redacted(&text.to_string()));
    Ok(Exit::BadInput)
}

fn print_intro(console: &mut Console<'_>) -> Result<Exit, Error> {
    write!(
        console.out,
        "seathold {} proves reworked ball valves tight from both sides, by pressure hold.\n\
         \n\
         Try it on the simulated rig:\n\
         \n\
         \x20 seathold run --rig sim                              a tight valve, both sides\n\
         \x20 seathold run --rig sim --valve scratched-seat-a     one that leaks, and where\n\
         \x20 seathold show recordings/FILE.hold                  what a run saw, with a plot\n\
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
