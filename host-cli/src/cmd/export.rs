//! `seathold export`: runs as tables for other programs.

use std::collections::{HashMap, HashSet};
use std::path::PathBuf;

use clap::Args;
use seathold_recording::replay::replay;
use seathold_recording::{self as recording, Damage, Recording};
use seathold_register::assembly::progress::AssemblyProgress;
use seathold_register::batch::run_marks::RunMarks;
use seathold_register::{Access, Register, RunFilter};
use seathold_report::export::assembly_tables;
use seathold_report::export::tables::{self, RunContextColumns, correction_words};
use seathold_report::export::{ExportColumn, ExportTable, TableOptions};
use sha2::{Digest, Sha256};

use super::find::{RegisterArg, RunFilterArgs};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;

/// `seathold export`.
#[derive(Debug, Args)]
pub struct ExportArgs {
    /// Recordings, or folders of them; without any, runs are taken from the register
    pub files: Vec<PathBuf>,
    /// Table of runs to write, by its ending .csv, .jsonl or .parquet
    #[arg(long, value_name = "FILE")]
    pub runs: Option<PathBuf>,
    /// Table of judged sides to write, with leak and uncertainty budget
    #[arg(long, value_name = "FILE")]
    pub sides: Option<PathBuf>,
    /// Table of all samples to write
    #[arg(long, value_name = "FILE")]
    pub samples: Option<PathBuf>,
    /// Table of steps of assembly to write, a row for each valve and step; from the register
    #[arg(long, value_name = "FILE", conflicts_with = "files")]
    pub steps: Option<PathBuf>,
    /// Table of valves to write with their fittings and finished lengths; from the register
    #[arg(long, value_name = "FILE", conflicts_with = "files")]
    pub pairs: Option<PathBuf>,
    /// Table of fittings to write; from the register
    #[arg(long, value_name = "FILE", conflicts_with = "files")]
    pub parts: Option<PathBuf>,
    /// In CSV, write texts as they are, even where a spreadsheet would take them for formulas
    #[arg(long)]
    pub raw_text: bool,
    /// Replace files that are there, even if they are no tables made by seathold
    #[arg(long)]
    pub force: bool,
    #[command(flatten)]
    pub filter: RunFilterArgs,
    #[command(flatten)]
    pub register: RegisterArg,
}

/// The tables asked for, and which recordings are in them.
struct Writing {
    runs: Option<ExportTable>,
    sides: Option<ExportTable>,
    samples: Option<ExportTable>,
    /// Thirty-two bytes a run is all that is kept of it.
    seen: HashSet<[u8; 32]>,
    exit: Exit,
    /// Rows of a recording are being written: what fails now is the table.
    writing: bool,
}

/// Reads a recording at a time and writes its rows, so that memory does not grow with their number.
pub(super) fn run(command: &ExportArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let of_runs = [&command.runs, &command.sides, &command.samples].iter().any(|path| path.is_some());
    let of_assembly = [&command.steps, &command.pairs, &command.parts].iter().any(|path| path.is_some());
    if !of_runs && !of_assembly {
        let text = "say what to write: --runs FILE, --sides FILE or --samples FILE; from the register also --steps FILE, --pairs FILE or \
                    --parts FILE";
        return Err(Error::usage(text));
    }
    if !command.files.is_empty() {
        command.filter.only_serial()?;
    }
    let files = super::named_files::recordings(&command.files)?;
    if files.is_empty() && !command.files.is_empty() {
        return Err(Error::usage("there is no recording (.hold) in the folders named"));
    }
    // Before any table is begun: an unreadable file leaves nothing behind.
    let register =
        command.files.is_empty().then(|| Register::open(&command.register.register, Access::Read)).transpose()?;
    let filter = register.as_ref().map(|register| command.filter.filter(register)).transpose()?;
    let how = TableOptions { raw_text: command.raw_text, force: command.force };
    let create = |path: &Option<PathBuf>, columns: &'static [ExportColumn]| {
        path.as_ref().map(|path| ExportTable::create(path, columns, how)).transpose()
    };
    let mut writing = Writing {
        runs: create(&command.runs, tables::RUNS)?,
        sides: create(&command.sides, tables::SIDES)?,
        samples: create(&command.samples, tables::SAMPLES)?,
        seen: HashSet::new(),
        exit: Exit::Good,
        writing: false,
    };
    if let (Some(register), Some(filter), true) = (&register, &filter, of_assembly) {
        assembly(command, register, filter, how, console)?;
    }
    if let (Some(register), Some(filter), true) = (&register, filter, of_runs) {
        let batches: HashMap<String, String> = register.batches()?.into_iter().map(|b| (b.batch, b.name)).collect();
        let mut marks = RunMarks::new(register);
        for run in register.runs(filter) {
            let run = match run {
                Ok(run) => run,
                Err(why) => {
                    writing.unread(Err(why.into()), console)?;
                    continue;
                }
            };
            let batch_name = run.batch.as_ref().and_then(|batch| batches.get(batch)).map(String::as_str);
            let correction = marks.of(&run)?.and_then(correction_words);
            let correction = correction.as_deref();
            let context = Some(RunContextColumns { run: &run, batch_name, correction });
            let name = format!("run {}", register.short(&run.name()));
            let taken = register.recording(run.id).map_err(Error::from).and_then(|bytes| {
                let damaged = |why: Damage| {
                    let (record, why) = (register.short(&run.name()), why.to_string());
                    seathold_register::Error::Unreadable { record, why }.into()
                };
                writing.take(&command.filter, &name, &bytes, context, damaged, console)
            });
            writing.unread(taken, console)?;
        }
    } else {
        for path in files {
            let name = path.display().to_string();
            let taken = recording::file_bytes(&path).map_err(Error::from).and_then(|bytes| {
                let damaged = |why| recording::Error::damaged(&path, why).into();
                writing.take(&command.filter, &name, &bytes, None, damaged, console)
            });
            writing.unread(taken, console)?;
        }
    }
    let Writing { runs, sides, samples, exit, .. } = writing;
    let written =
        [("runs", runs, &command.runs), ("sides", sides, &command.sides), ("samples", samples, &command.samples)];
    for (name, table, path) in written {
        if let (Some(table), Some(path)) = (table, path) {
            writeln!(console.out, "{} {name} written to {}", table.finish()?, path.display())?;
        }
    }
    Ok(exit)
}

/// The tables of assembly, of the batches and valves selected.
fn assembly(
    command: &ExportArgs,
    register: &Register,
    filter: &RunFilter,
    how: TableOptions,
    console: &mut Console<'_>,
) -> Result<(), Error> {
    let of_runs_only = RunFilter { batch: None, serial: None, ..filter.clone() } != RunFilter::default();
    if of_runs_only {
        return Err(Error::usage(
            "--steps, --pairs and --parts are of valves, not of runs: select by --batch and --serial",
        ));
    }
    let create = |path: &Option<PathBuf>, columns: &'static [ExportColumn]| {
        path.as_ref().map(|path| ExportTable::create(path, columns, how)).transpose()
    };
    let mut steps = create(&command.steps, assembly_tables::STEPS)?;
    let mut pairs = create(&command.pairs, assembly_tables::PAIRS)?;
    let mut parts = create(&command.parts, assembly_tables::PARTS)?;
    for batch in register.batches()?.iter().filter(|b| filter.batch.as_ref().is_none_or(|wanted| b.batch == *wanted)) {
        let progress = AssemblyProgress::of(register, &batch.batch)?;
        for note in &progress.damaged {
            writeln!(console.err, "record {} is damaged, and counts for nothing", register.short(note))?;
        }
        let wanted = |serial: &str| filter.serial.as_ref().is_none_or(|wanted| serial == wanted);
        for valve in progress.valves.iter().filter(|valve| wanted(&valve.serial)) {
            if let Some(table) = &mut steps {
                let rows = assembly_tables::step_rows(batch, &progress, valve);
                rows.iter().try_for_each(|row| table.row(row))?;
            }
            if let (Some(table), Some(row)) = (&mut pairs, assembly_tables::pair_row(batch, &progress, valve)) {
                table.row(&row)?;
            }
        }
        if let Some(table) = &mut parts {
            assembly_tables::part_rows(batch, &progress).iter().try_for_each(|row| table.row(row))?;
        }
    }
    let written =
        [("steps", steps, &command.steps), ("pairs", pairs, &command.pairs), ("parts", parts, &command.parts)];
    for (name, table, path) in written {
        if let (Some(table), Some(path)) = (table, path) {
            writeln!(console.out, "{} {name} written to {}", table.finish()?, path.display())?;
        }
    }
    Ok(())
}

/// Where a replay differs from a recording, or why there is none.
fn difference(recording: &Recording) -> Option<String> {
    match replay(recording) {
        Ok(difference) => difference.map(|it| it.to_string()),
        Err(invalid) => Some(invalid.0),
    }
}

impl Writing {
    /// A recording that cannot be read is named, and does not stop the others.
    fn unread(&mut self, taken: Result<(), Error>, console: &mut Console<'_>) -> Result<(), Error> {
        match taken {
            Err(why) if why.is_of_one_file() && !self.writing => {
                writeln!(console.err, "{why}; left out")?;
                self.exit = Exit::Storage;
                Ok(())
            }
            other => other,
        }
    }

    /// Adds a recording, unless it is there already or of another valve.
    fn take(
        &mut self,
        filter: &RunFilterArgs,
        name: &str,
        bytes: &[u8],
        register: Option<RunContextColumns<'_>>,
        unreadable: impl FnOnce(Damage) -> Error,
        console: &mut Console<'_>,
    ) -> Result<(), Error> {
        let hash: [u8; 32] = Sha256::digest(bytes).into();
        if !self.seen.insert(hash) {
            writeln!(console.err, "{name}: the same recording again; taken once")?;
            return Ok(());
        }
        let recording = recording::read_bytes(bytes).map_err(unreadable)?;
        if filter.serial.as_ref().is_some_and(|serial| *serial != recording.header.serial) {
            return Ok(());
        }
        if let Some(why) = &recording.damage {
            writeln!(console.err, "{name}: {why}. The intact part is used.")?;
            self.exit = Exit::Storage;
        }
        // The tables carry verdicts, and what does not replay has none. Samples alone are only readings.
        let judged = self.runs.is_some() || self.sides.is_some();
        let differs = if judged { difference(&recording) } else { None };
        if let Some(how) = &differs {
            writeln!(console.err, "{name}: does not replay: {how}\nIt has no verdict in the tables.")?;
            self.exit = Exit::Differs;
        }
        self.writing = true;
        let id = seathold_recording::hash::hex(&hash);
        if let Some(table) = &mut self.runs {
            table.row(&tables::run_row(&id, &recording, differs.is_none(), register))?;
        }
        if let Some(table) = self.sides.as_mut().filter(|_| differs.is_none()) {
            tables::side_rows(&id, &recording).iter().try_for_each(|row| table.row(row))?;
        }
        if let Some(table) = &mut self.samples {
            tables::write_samples(&id, &recording, table)?;
        }
        self.writing = false;
        Ok(())
    }
}
