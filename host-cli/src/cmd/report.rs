//! `seathold report`: evidence to hand over.

use std::path::{Path, PathBuf};

use clap::Args;

use super::find::{In, Wanted};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::register::{Access, Register};
use crate::report::pdf::Sheet;
use crate::report::{self, Evidence, Paper, Selection, Whole, by_valve};

/// `seathold report`.
#[derive(Debug, Args)]
pub struct Report {
    /// Recordings, or folders of them; without any, runs are taken from the register
    pub files: Vec<PathBuf>,
    /// Page to write; the ending says as what: .html or .pdf
    #[arg(long, short, value_name = "FILE")]
    pub out: PathBuf,
    /// Sheets of a PDF: a4 or letter
    #[arg(long, value_enum, hide_possible_values = true, value_name = "SIZE", default_value = "a4")]
    pub paper: Sheet,
    /// Title of a page on several valves [default: "Batch NAME", or "Seat leak tests of a batch of valves"]
    #[arg(long, value_name = "TEXT")]
    pub title: Option<String>,
    #[command(flatten)]
    pub wanted: Wanted,
    #[command(flatten)]
    pub place: In,
}

pub(super) fn run(command: &Report, console: &mut Console<'_>) -> Result<Exit, Error> {
    let ending = command.out.extension().map(|e| e.to_ascii_lowercase()).unwrap_or_default();
    if ending != "html" && ending != "pdf" {
        return Err(Error::usage(format!("--out: {} must end in .html or .pdf", command.out.display())));
    }
    let (paper, exit) = if command.files.is_empty() { registered(command, console)? } else { loose(command, console)? };
    let bytes = if ending == "pdf" {
        let why = |why| Error::file("write", &command.out, std::io::Error::other(why));
        report::pdf::document(&paper, command.paper).map_err(why)?
    } else {
        report::html::page(&paper).into_bytes()
    };
    write_file(&command.out, &bytes)?;
    writeln!(console.out, "{}\nwritten to {}", paper.foot, command.out.display())?;
    Ok(exit)
}

/// What there is of doubt in runs, for the exit code.
fn exit<'a>(runs: impl Iterator<Item = &'a Evidence>) -> Exit {
    runs.fold(Exit::Good, |exit, run| match (&run.whole, exit) {
        (Whole::Damaged(_) | Whole::Altered(_), _) | (_, Exit::Storage) => Exit::Storage,
        (Whole::Differs(_), _) => Exit::Differs,
        (Whole::Replays, exit) => exit,
    })
}

/// Says on the spot what the page will say of a run.
fn doubt(what: &str, run: &Evidence, console: &mut Console<'_>) -> Result<(), Error> {
    match &run.whole {
        Whole::Replays => {}
        Whole::Damaged(why) => writeln!(console.err, "{what}: {why}. The page says so.")?,
        Whole::Altered(what) => writeln!(console.err, "{what}. The page says so.")?,
        Whole::Differs(how) => writeln!(console.err, "{what}: {how}\nThe page says so.")?,
    }
    Ok(())
}

/// The paper on runs of the register.
fn registered(command: &Report, console: &mut Console<'_>) -> Result<(Paper, Exit), Error> {
    let register = Register::open(&command.place.register, Access::Read)?;
    let selection = Selection::read(&register, &command.wanted.filter(&register)?)?;
    for run in selection.runs() {
        doubt(&run.name, run, console)?;
    }
    let mut altered = false;
    for what in selection.altered_notes() {
        altered = true;
        writeln!(console.err, "{what}. The page says so.")?;
    }
    let valves = selection.valves();
    let batch = selection.batch.as_ref();
    let paper = match (valves.as_slice(), batch, &command.title) {
        ([], ..) => return Err(Error::usage(format!("no run in {} fits", register.path().display()))),
        // One valve of a batch is asked for by its serial.
        ([one], batch, None) if batch.is_none() || command.wanted.serial.is_some() => report::valve::paper(one),
        (several, Some(batch), None) => report::batch::paper(&format!("Batch {}", batch.name), several, Some(batch)),
        (several, batch, title) => report::batch::paper(title.as_deref().unwrap_or(TITLE), several, batch),
    };
    Ok((paper, if altered { Exit::Storage } else { exit(selection.runs()) }))
}

const TITLE: &str = "Seat leak tests of a batch of valves";

/// The paper on recordings, each once, however often it was named.
fn loose(command: &Report, console: &mut Console<'_>) -> Result<(Paper, Exit), Error> {
    command.wanted.only_serial()?;
    let serial = command.wanted.serial.as_ref();
    let mut runs: Vec<Evidence> = Vec::new();
    for path in super::recordings(&command.files)? {
        let run = Evidence::read(&path)?;
        if serial.is_some_and(|serial| *serial != run.header.serial) {
            continue;
        }
        if let Some(known) = runs.iter().find(|known| known.sha256 == run.sha256) {
            writeln!(console.err, "{}: the same recording as {}; taken once", path.display(), known.name)?;
            continue;
        }
        doubt(&path.display().to_string(), &run, console)?;
        runs.push(run);
    }
    let valves = by_valve(&runs);
    let paper = match (valves.as_slice(), &command.title) {
        ([], _) => {
            return Err(Error::usage(match serial {
                Some(serial) => format!("no recording there is of valve {serial}"),
                None => "there is no recording (.hold) in the folders named".into(),
            }));
        }
        ([one], None) => report::valve::paper(one),
        (several, title) => report::batch::paper(title.as_deref().unwrap_or(TITLE), several, None),
    };
    Ok((paper, exit(runs.iter())))
}

/// The whole of a file or nothing of it.
pub(super) fn write_file(path: &Path, bytes: &[u8]) -> Result<(), Error> {
    let part = path.with_extension("part");
    let write = || std::fs::write(&part, bytes).and_then(|()| std::fs::rename(&part, path));
    write().map_err(|why| {
        // What is half written is of no use to anybody; that it cannot be removed says nothing new.
        let _ = std::fs::remove_file(&part);
        Error::file("write", path, why)
    })
}
