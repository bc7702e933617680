//! `seathold completions`: what a shell needs to complete the command line, made of the command line itself.

use std::path::PathBuf;

use clap::{Args, Command};
use clap_complete::Shell;
use seathold_recording::file::{self, Replace};

use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;

/// `seathold completions`.
#[derive(Debug, Args)]
pub struct CompletionsArgs {
    /// The shell: bash, zsh, fish, elvish or powershell
    #[arg(value_enum, hide_possible_values = true)]
    pub shell: Shell,
    /// File to write [default: standard output]
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
}

/// Files that a later version may replace: those of this program.
pub(super) const OURS: Replace = Replace::Ours(&[b"seathold"]);

pub(super) fn run(args: &CompletionsArgs, mut command: Command, console: &mut Console<'_>) -> Result<Exit, Error> {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut command, "seathold", &mut script);
    match &args.out {
        Some(path) => {
            file::write(path, &script, OURS)?;
            writeln!(console.out, "written to {}", path.display())?;
        }
        None => console.out.write_all(&script)?,
    }
    Ok(Exit::Good)
}
