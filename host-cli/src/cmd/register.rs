//! `seathold register`: creating, printing, checking, merging; and appending a run just recorded.

use std::path::{Path, PathBuf};

use clap::Subcommand;
use seathold_recording::file::{self, Replace};
use seathold_recording::limits::FILE_MAX;
use seathold_register::merge::MergeCounts;
use seathold_register::valves::BatchRecord;
use seathold_register::verify::Verification;
use seathold_register::{Access, Register, RunMeta};
use seathold_text::layout::line;
use seathold_text::messages::counted;
use serde_json::json;

use super::find::{RegisterArg, RunFilterArgs};
use super::progress::Counter;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;

/// `seathold register …`.
#[derive(Debug, Subcommand)]
pub enum RegisterCommand {
    /// Make a register for a bench
    Init {
        /// The file
        file: PathBuf,
        /// What people call the bench
        #[arg(long, value_name = "NAME", default_value = "bench")]
        bench: String,
    },
    /// Print what is in a register
    Info {
        #[command(flatten)]
        register: RegisterArg,
        /// As a JSON object
        #[arg(long)]
        json: bool,
    },
    /// Check every record: its seal, its position, and its columns against its recording
    Verify {
        #[command(flatten)]
        register: RegisterArg,
    },
    /// Merge the records of other benches' registers, or of bundles; nothing is added twice
    Merge {
        /// Registers
        #[arg(required = true)]
        files: Vec<PathBuf>,
        #[command(flatten)]
        register: RegisterArg,
    },
    /// Import stand-alone recordings; nothing is added twice
    Import {
        /// Recordings
        #[arg(required = true)]
        files: Vec<PathBuf>,
        /// The batch they were run for
        #[arg(long, value_name = "NAME")]
        batch: Option<String>,
        #[command(flatten)]
        register: RegisterArg,
    },
    /// Write a run's recording as a stand-alone file
    Extract {
        /// The record: its number, BENCH/NUMBER, or the beginning of its recording's hash
        run: String,
        /// The file [default: SERIAL_NUMBER.hold]
        #[arg(long, value_name = "FILE")]
        out: Option<PathBuf>,
        #[command(flatten)]
        register: RegisterArg,
    },
    /// Write a selection of runs as a register of its own, to be sent and merged elsewhere
    Bundle {
        /// The file
        out: PathBuf,
        #[command(flatten)]
        filter: RunFilterArgs,
        #[command(flatten)]
        register: RegisterArg,
    },
}

/// `seathold register …`.
pub(super) fn run(command: &RegisterCommand, console: &mut Console<'_>) -> Result<Exit, Error> {
    if !matches!(
        command,
        RegisterCommand::Info { .. } | RegisterCommand::Verify { .. } | RegisterCommand::Extract { .. }
    ) {
        // Identifiers of benches and records are made of it.
        console.date()?;
    }
    match command {
        RegisterCommand::Init { file, bench } => {
            if file.exists() {
                return Err(Error::file("make", file, std::io::ErrorKind::AlreadyExists.into()));
            }
            let register = Register::open_named(file, Access::Make, bench)?;
            writeln!(console.out, "{}: made for bench {bench} ({})", file.display(), register.bench())?;
        }
        RegisterCommand::Info { register, json } => info(&register.register, *json, console)?,
        RegisterCommand::Verify { register } => return verify(&register.register, console),
        RegisterCommand::Merge { files, register } => {
            let mut register = Register::open(&register.register, Access::Make)?;
            for file in files {
                let merged = register.merge(file)?;
                writeln!(console.out, "{}: {}", file.display(), brought(&merged))?;
            }
        }
        RegisterCommand::Import { files, batch, register } => {
            let mut register = Register::open(&register.register, Access::Make)?;
            let batch = match batch {
                Some(name) => Some(register.batch_named(name)?.batch),
                None => None,
            };
            let mut exit = Exit::Good;
            for file in files {
                match import(&mut register, file, batch.as_deref(), console) {
                    Ok(()) => {}
                    // It does not stop the others. A register that cannot be written would stop each of them.
                    Err(why) if why.is_of_one_file() && files.len() > 1 => {
                        writeln!(console.err, "{why}; left out")?;
                        exit = why.exit();
                    }
                    Err(why) => return Err(why),
                }
            }
            return Ok(exit);
        }
        RegisterCommand::Extract { run, out, register } => {
            let register = Register::open(&register.register, Access::Read)?;
            let run = register.run_named(run)?;
            let out = out
                .clone()
                .unwrap_or_else(|| PathBuf::from(format!("{}_{}.hold", file::safe_name(&run.serial), run.number)));
            let bytes = register.recording(run.id)?;
            file::write(&out, &bytes, Replace::Never)?;
            writeln!(console.out, "{}", out.display())?;
        }
        RegisterCommand::Bundle { out, filter, register } => {
            let register = Register::open(&register.register, Access::Read)?;
            let merged = register.bundle(out, &filter.filter(&register)?)?;
            writeln!(console.out, "{}: {}", out.display(), brought(&merged))?;
        }
    }
    Ok(Exit::Good)
}

/// Takes one recording into the register.
fn import(register: &mut Register, path: &Path, batch: Option<&str>, console: &mut Console<'_>) -> Result<(), Error> {
    let mut meta = RunMeta { batch: batch.map(Into::into), after_rework: None };
    file::check_length(path, FILE_MAX)?;
    if let Some(batch) = batch {
        let header = seathold_recording::read(path)?.header;
        if !register.valves_of(batch)?.iter().any(|v| v.serial == header.serial) {
            let why = format!("{}: {} is not on the list of that batch", path.display(), header.serial);
            return Err(super::batch_common::refused(register, why));
        }
        meta.after_rework = register.rework_before(batch, &header.serial, &header.started_at)?;
    }
    let added = register.import(path, &meta, console.date()?)?;
    let known = if added.new { "" } else { " (already there)" };
    writeln!(console.out, "{}: record {}{known}", path.display(), added.number)?;
    Ok(())
}

fn brought(merged: &MergeCounts) -> String {
    let MergeCounts { runs, notes, known } = merged;
    format!("{} and {} added, {known} already there", counted(*runs, "run"), counted(*notes, "note"))
}

fn info(path: &Path, as_json: bool, console: &mut Console<'_>) -> Result<(), Error> {
    let register = Register::open(path, Access::Read)?;
    let chains = register.chains()?;
    let batches = register.batches()?;
    let runs = register.count(&Default::default())?;
    let bytes = std::fs::metadata(path).map_or(0, |m| m.len());
    if as_json {
        let benches: Vec<_> = chains
            .iter()
            .map(|c| json!({ "bench": c.bench, "name": c.name, "local": c.local, "complete": c.complete, "last_number": c.last_number, "last_hash": c.last, "seal": c.seal }))
            .collect();
        let all = json!({ "file": path.display().to_string(), "bytes": bytes, "runs": runs, "batches": batches, "benches": benches });
        writeln!(console.out, "{all}")?;
        return Ok(());
    }
    let mut text = format!("{}\n", path.display());
    line(&mut text, "runs", &format!("{runs} in {:.1} MB", bytes as f64 / 1e6));
    for chain in &chains {
        let own = if chain.local { ", this one" } else { "" };
        let whole = if chain.complete { "" } else { ", a selection" };
        line(
            &mut text,
            "bench",
            &format!("{} ({}{own}): {}{whole}", chain.name, chain.bench, counted(chain.last_number, "record")),
        );
    }
    for batch in &batches {
        let state = batch.closed_at.as_deref().map_or_else(|| "open".into(), |at| format!("closed {at}"));
        let whole = if batch.selection { ", a selection" } else { "" };
        let BatchRecord { name, valves, opened_at, .. } = batch;
        line(&mut text, "batch", &format!("{name}: {}, opened {opened_at}, {state}{whole}", counted(*valves, "valve")));
    }
    write!(console.out, "{text}")?;
    Ok(())
}

fn verify(path: &Path, console: &mut Console<'_>) -> Result<Exit, Error> {
    let register = Register::open(path, Access::Read)?;
    let mut stopped = false;
    let interrupts = console.interrupts;
    let counter = Counter::new("records checked", console.live);
    let found = register.verify(|checked| {
        counter.step(checked);
        stopped = interrupts.load(std::sync::atomic::Ordering::Relaxed) > 0;
        !stopped
    })?;
    counter.end();
    if stopped {
        writeln!(console.err, "stopped before the end: nothing wrong was found so far")?;
        return Ok(Exit::NoVerdict);
    }
    match found {
        Verification::Valid(chains) => {
            for chain in chains {
                let whole = if chain.complete { "" } else { ", a selection" };
                let seal = chain.seal.get(..16).unwrap_or_default();
                writeln!(
                    console.out,
                    "bench {}: {} valid{whole}, last seal {seal}",
                    chain.name,
                    counted(chain.last_number, "record")
                )?;
            }
            Ok(Exit::Good)
        }
        Verification::Broken(broken) => {
            let name = register.short(&format!("{}/{}", broken.bench, broken.number));
            writeln!(console.out, "bench {}: record {name} {}", broken.name, broken.what)?;
            Ok(Exit::Storage)
        }
    }
}
