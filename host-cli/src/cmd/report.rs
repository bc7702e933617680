//! `seathold report`: evidence to hand over.

use std::path::PathBuf;

use clap::Args;
use seathold_document::Document;
use seathold_document::pdf::PageSize;
use seathold_recording::plain::shown;
use seathold_register::{Access, Register};
use seathold_report::{self as report, Evidence, Integrity, RunSelection, by_valve, photographs};

use super::find::{RegisterArg, RunFilterArgs};
use super::page_file;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;

/// `seathold report`.
#[derive(Debug, Args)]
pub struct ReportArgs {
    /// Recordings, or folders of them; without any, runs are taken from the register
    pub files: Vec<PathBuf>,
    /// Page to write, by its ending .html or .pdf
    #[arg(long, short, value_name = "FILE")]
    pub out: PathBuf,
    /// Page size of a PDF: a4 or letter
    #[arg(long, value_parser = page_file::page_size, value_name = "SIZE", default_value = "a4")]
    pub page_size: PageSize,
    /// Title of a page on several valves [default: "Batch NAME", or "Seat leak tests of a batch of valves"]
    #[arg(long, value_name = "TEXT", value_parser = crate::args::note)]
    pub title: Option<String>,
    /// Replace a file that is there, even if it is no page made by seathold
    #[arg(long)]
    pub force: bool,
    #[command(flatten)]
    pub filter: RunFilterArgs,
    #[command(flatten)]
    pub register: RegisterArg,
}

pub(super) fn run(command: &ReportArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    page_file::page_file(&command.out.to_string_lossy()).map_err(|why| Error::usage(format!("--out: {why}")))?;
    let (document, exit) =
        if command.files.is_empty() { registered(command, console)? } else { loose(command, console)? };
    let foot = shown(&document.foot).into_owned();
    page_file::write_document(&command.out, document, command.page_size, command.force)?;
    writeln!(console.out, "{foot}\nwritten to {}", command.out.display())?;
    Ok(exit)
}

/// Defects of the runs, for the exit code.
fn exit<'a>(runs: impl Iterator<Item = &'a Evidence>) -> Exit {
    runs.fold(Exit::Good, |exit, run| match (&run.whole, exit) {
        (Integrity::Damaged(_) | Integrity::Altered(_), _) | (_, Exit::Storage) => Exit::Storage,
        (Integrity::Differs(_), _) => Exit::Differs,
        (Integrity::Replays, exit) => exit,
    })
}

/// Prints what the page will say of a run.
fn report_defects(what: &str, run: &Evidence, console: &mut Console<'_>) -> Result<(), Error> {
    match &run.whole {
        Integrity::Replays => {}
        Integrity::Damaged(why) => writeln!(console.err, "{what}: {why}. The page says so.")?,
        Integrity::Altered(what) => writeln!(console.err, "{what}. The page says so.")?,
        Integrity::Differs(how) => writeln!(console.err, "{what}: {how}\nThe page says so.")?,
    }
    Ok(())
}

/// The document on runs of the register.
fn registered(command: &ReportArgs, console: &mut Console<'_>) -> Result<(Document, Exit), Error> {
    let register = Register::open(&command.register.register, Access::Read)?;
    let selection = RunSelection::read(&register, &command.filter.filter(&register)?)?;
    for run in selection.runs() {
        report_defects(&run.name, run, console)?;
    }
    let mut defects = false;
    for what in selection.altered_notes().chain(selection.unreadable()) {
        defects = true;
        writeln!(console.err, "{what}. The page says so.")?;
    }
    for photo in selection.photos() {
        if let Err(fault) = photographs::shown(photo) {
            defects |= fault.altered;
            writeln!(console.err, "{}. The page says so.", shown(&fault.what))?;
        }
    }
    let valves = selection.valves();
    let batch = selection.batch.as_ref();
    let document = match (valves.as_slice(), batch, &command.title) {
        ([], ..) => return Err(Error::usage(format!("no run in {} matches", register.path().display()))),
        // One valve of a batch is asked for by its serial.
        ([one], batch, None) if batch.is_none() || command.filter.serial.is_some() => report::valve::document(one),
        (several, Some(batch), None) => {
            report::batch::document(&format!("Batch {}", batch.batch.name), several, Some(batch))
        }
        (several, batch, title) => report::batch::document(title.as_deref().unwrap_or(TITLE), several, batch),
    };
    Ok((document, if defects { Exit::Storage } else { exit(selection.runs()) }))
}

const TITLE: &str = "Seat leak tests of a batch of valves";

/// The document on recordings, each once, however often it was named.
fn loose(command: &ReportArgs, console: &mut Console<'_>) -> Result<(Document, Exit), Error> {
    command.filter.only_serial()?;
    let serial = command.filter.serial.as_ref();
    let mut runs: Vec<Evidence> = Vec::new();
    let (mut unread, mut left_out) = (None, false);
    for path in super::named_files::recordings(&command.files)? {
        let run = match Evidence::read(&path) {
            Ok(run) => run,
            // It does not stop the others; without any other it is the error.
            Err(why) => {
                if let Some(before) = unread.replace(Error::from(why)) {
                    writeln!(console.err, "{before}; left out")?;
                }
                continue;
            }
        };
        if serial.is_some_and(|serial| *serial != run.header.serial) {
            continue;
        }
        if let Some(known) = runs.iter().find(|known| known.sha256 == run.sha256) {
            writeln!(console.err, "{}: the same recording as {}; taken once", path.display(), known.name)?;
            continue;
        }
        report_defects(&path.display().to_string(), &run, console)?;
        runs.push(run);
    }
    if let Some(why) = unread {
        if runs.is_empty() {
            return Err(why);
        }
        writeln!(console.err, "{why}; left out")?;
        left_out = true;
    }
    let valves = by_valve(&runs);
    let document = match (valves.as_slice(), &command.title) {
        ([], _) => {
            return Err(Error::usage(match serial {
                Some(serial) => format!("no recording there is of valve {serial}"),
                None => "there is no recording (.hold) in the folders named".into(),
            }));
        }
        ([one], None) => report::valve::document(one),
        (several, title) => report::batch::document(title.as_deref().unwrap_or(TITLE), several, None),
    };
    Ok((document, if left_out { Exit::Storage } else { exit(runs.iter()) }))
}
