//! `seathold report`: evidence to hand over.

use std::path::{Path, PathBuf};

use clap::Args;

use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::report::pdf::Sheet;
use crate::report::{self, Evidence, Paper, Whole, by_valve};

/// `seathold report`.
#[derive(Debug, Args)]
pub struct Report {
    /// Recordings, or folders of them
    #[arg(required = true)]
    pub files: Vec<PathBuf>,
    /// Page to write; the ending says as what: .html or .pdf
    #[arg(long, short, value_name = "FILE")]
    pub out: PathBuf,
    /// Sheets of a PDF: a4 or letter
    #[arg(long, value_enum, hide_possible_values = true, value_name = "SIZE", default_value = "a4")]
    pub paper: Sheet,
    /// Only this valve
    #[arg(long, value_name = "NUMBER")]
    pub serial: Option<String>,
    /// Title of a page on several valves [default: "Seat leak tests of a batch of valves"]
    #[arg(long, value_name = "TEXT")]
    pub title: Option<String>,
}

pub(super) fn run(command: &Report, console: &mut Console<'_>) -> Result<Exit, Error> {
    let ending = command.out.extension().map(|e| e.to_ascii_lowercase()).unwrap_or_default();
    if ending != "html" && ending != "pdf" {
        return Err(Error::usage(format!("--out: {} must end in .html or .pdf", command.out.display())));
    }
    let runs = evidence(command, console)?;
    let valves = by_valve(&runs);
    let paper = match (valves.as_slice(), &command.title) {
        ([one], None) => report::valve::paper(one),
        (several, title) => {
            report::batch::paper(title.as_deref().unwrap_or("Seat leak tests of a batch of valves"), several)
        }
    };
    let bytes = if ending == "pdf" {
        let why = |why| Error::file("write", &command.out, std::io::Error::other(why));
        report::pdf::document(&paper, command.paper).map_err(why)?
    } else {
        report::html::page(&paper).into_bytes()
    };
    write_file(&command.out, &bytes)?;
    tell(&command.out, &paper, console)?;
    let damaged = runs.iter().any(|run| matches!(run.whole, Whole::Damaged(_)));
    let differs = runs.iter().any(|run| matches!(run.whole, Whole::Differs(_)));
    Ok(if damaged {
        Exit::Storage
    } else if differs {
        Exit::Differs
    } else {
        Exit::Good
    })
}

fn tell(out: &Path, paper: &Paper, console: &mut Console<'_>) -> Result<(), Error> {
    writeln!(console.out, "{}\nwritten to {}", paper.foot, out.display())?;
    Ok(())
}

/// Every recording once, however often it was named.
fn evidence(command: &Report, console: &mut Console<'_>) -> Result<Vec<Evidence>, Error> {
    let mut runs: Vec<Evidence> = Vec::new();
    for path in super::recordings(&command.files)? {
        let run = Evidence::read(&path)?;
        if command.serial.as_ref().is_some_and(|serial| *serial != run.header.serial) {
            continue;
        }
        if let Some(known) = runs.iter().find(|known| known.sha256 == run.sha256) {
            writeln!(console.err, "{}: the same recording as {}; taken once", path.display(), known.name)?;
            continue;
        }
        match &run.whole {
            Whole::Replays => {}
            Whole::Damaged(why) => writeln!(console.err, "{}: {why}. The page says so.", path.display())?,
            Whole::Differs(how) => writeln!(console.err, "{}: {how}\nThe page says so.", path.display())?,
        }
        runs.push(run);
    }
    if runs.is_empty() {
        return Err(Error::usage(match &command.serial {
            Some(serial) => format!("no recording there is of valve {serial}"),
            None => "there is no recording (.hold) in the folders named".into(),
        }));
    }
    Ok(runs)
}

/// The whole of a file or nothing of it.
fn write_file(path: &Path, bytes: &[u8]) -> Result<(), Error> {
    let part = path.with_extension("part");
    let write = || std::fs::write(&part, bytes).and_then(|()| std::fs::rename(&part, path));
    write().map_err(|why| {
        // What is half written is of no use to anybody; that it cannot be removed says nothing new.
        let _ = std::fs::remove_file(&part);
        Error::file("write", path, why)
    })
}
