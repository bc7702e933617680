//! The command line as a person meets it: commands by purpose, examples under each, settings put in.

pub mod examples;
pub mod groups;

use clap::{Command, CommandFactory};

use crate::cli::Cli;

/// The whole command line, with groups and examples.
pub fn command() -> Command {
    arranged(Cli::command())
}

/// The same for a terminal of so many columns, whatever the one is that this runs on.
pub fn command_of_width(columns: usize) -> Command {
    arranged(Cli::command().term_width(columns))
}

fn arranged(command: Command) -> Command {
    groups::by_purpose(examples::under_each(command, ""))
}
