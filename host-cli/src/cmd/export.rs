//! `seathold export`: recordings as tables for other programs.

use std::path::PathBuf;

use clap::Args;
use sha2::{Digest, Sha256};

use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::export::{Column, Table, tables};
use crate::recording;

/// `seathold export`.
#[derive(Debug, Args)]
pub struct Export {
    /// Recordings, or folders of them
    #[arg(required = true)]
    pub files: Vec<PathBuf>,
    /// Table of runs to write; the ending says as what: .csv, .jsonl or .parquet
    #[arg(long, value_name = "FILE")]
    pub runs: Option<PathBuf>,
    /// Table of judged sides to write, with leak and uncertainty budget
    #[arg(long, value_name = "FILE")]
    pub sides: Option<PathBuf>,
    /// Table of all samples to write
    #[arg(long, value_name = "FILE")]
    pub samples: Option<PathBuf>,
}

/// Reads a recording at a time and writes its rows, so that memory does not grow with their number.
pub(super) fn run(command: &Export, console: &mut Console<'_>) -> Result<Exit, Error> {
    if [&command.runs, &command.sides, &command.samples].iter().all(|path| path.is_none()) {
        return Err(Error::usage("say what to write: --runs FILE, --sides FILE or --samples FILE"));
    }
    let files = super::recordings(&command.files)?;
    if files.is_empty() {
        return Err(Error::usage("there is no recording (.hold) in the folders named"));
    }
    let create = |path: &Option<PathBuf>, columns: &'static [Column]| {
        path.as_ref().map(|path| Table::create(path, columns)).transpose()
    };
    let mut runs = create(&command.runs, tables::RUNS)?;
    let mut sides = create(&command.sides, tables::SIDES)?;
    let mut samples = create(&command.samples, tables::SAMPLES)?;
    // Thirty-two bytes a run is all that is kept of it.
    let mut seen = std::collections::HashSet::new();
    let mut exit = Exit::Good;
    for path in files {
        let bytes = std::fs::read(&path).map_err(|why| Error::file("read", &path, why))?;
        let hash: [u8; 32] = Sha256::digest(&bytes).into();
        if !seen.insert(hash) {
            writeln!(console.err, "{}: the same recording again; taken once", path.display())?;
            continue;
        }
        let recording = recording::read_bytes(&bytes).map_err(|why| Error::Recording { path: path.clone(), why })?;
        if let Some(why) = &recording.damage {
            writeln!(console.err, "{}: {why}. What is whole is taken.", path.display())?;
            exit = Exit::Storage;
        }
        let id = crate::report::hex(&hash);
        if let Some(table) = &mut runs {
            table.row(&tables::run_row(&id, &recording))?;
        }
        if let Some(table) = &mut sides {
            tables::side_rows(&id, &recording).iter().try_for_each(|row| table.row(row))?;
        }
        if let Some(table) = &mut samples {
            tables::write_samples(&id, &recording, table)?;
        }
    }
    let written =
        [("runs", runs, &command.runs), ("sides", sides, &command.sides), ("samples", samples, &command.samples)];
    for (name, table, path) in written {
        if let (Some(table), Some(path)) = (table, path) {
            writeln!(console.out, "{} {name} written to {}", table.finish()?, path.display())?;
        }
    }
    Ok(exit)
}
