//! `seathold schema`: what a program may rely on in what is printed with `--json`.

use std::path::PathBuf;

use clap::Args;
use seathold_quantity::did_you_mean;
use seathold_recording::file;
use seathold_text::messages::counted;

use super::completions::OURS;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::schema::KINDS;

/// `seathold schema`.
#[derive(Debug, Args)]
pub struct SchemaArgs {
    /// The output, by the name in the list: find, batch-status, … [default: the list]
    #[arg(conflicts_with = "out")]
    pub name: Option<String>,
    /// Folder for all of them, as files
    #[arg(long, value_name = "FOLDER")]
    pub out: Option<PathBuf>,
}

pub(super) fn run(args: &SchemaArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    if let Some(folder) = &args.out {
        for kind in KINDS {
            file::write(&folder.join(format!("{}.json", kind.name())), kind.schema().as_bytes(), OURS)?;
        }
        writeln!(console.out, "{} written to {}", counted(KINDS.len() as u64, "schema"), folder.display())?;
        return Ok(Exit::Good);
    }
    let Some(name) = &args.name else {
        for kind in KINDS {
            writeln!(console.out, "{:25} seathold {} --json", kind.mark(), kind.command())?;
        }
        return Ok(Exit::Good);
    };
    let names: Vec<String> = KINDS.iter().map(|kind| kind.name()).collect();
    let found = KINDS.iter().find(|kind| kind.name() == *name || kind.command() == *name);
    let Some(kind) = found else {
        let mut hint = did_you_mean(name, names.iter().map(String::as_str));
        if hint.is_empty() {
            hint = format!("; known are {}", names.join(", "));
        }
        return Err(Error::usage(format!("schema: there is none of \"{name}\"{hint}")));
    };
    write!(console.out, "{}", kind.schema())?;
    Ok(Exit::Good)
}
