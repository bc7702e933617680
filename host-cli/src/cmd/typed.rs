//! What was typed, with settings where nothing was.

use std::ffi::OsString;

use clap::error::ErrorKind;
use clap::{ArgMatches, CommandFactory, FromArgMatches};

use super::batch::BatchCommand;
use crate::cli::{Cli, Command};
use crate::environment::{Environment, FoundSetting};
use crate::error::Error;
use crate::help;
use crate::settings;

/// A command line that was understood.
pub(super) struct Typed {
    pub(super) cli: Cli,
    /// Settings that hold for it, of those that are told before it acts.
    pub(super) told: Vec<FoundSetting>,
    /// The results are read by a program: nothing but them may be in them.
    pub(super) data: bool,
    /// They are JSON.
    pub(super) json: bool,
}

/// Why nothing is done.
pub(super) enum NotTyped {
    /// Help was asked for, or the command line is wrong.
    Clap(Box<clap::Error>),
    /// Settings are wrong.
    Settings(Error),
}

impl From<clap::Error> for NotTyped {
    fn from(why: clap::Error) -> Self {
        Self::Clap(Box::new(why))
    }
}

/// Commands that only print or write what is in the program.
const WITHOUT_SETTINGS: &[&str] = &["completions", "manual", "schema"];

/// Reads a command line; what settings there are is then in the environment.
pub(super) fn read(arguments: &[OsString], environment: &mut Environment) -> Result<Typed, NotTyped> {
    let command = Cli::command();
    match command.clone().try_get_matches_from(arguments) {
        // Help is most wanted where settings are wrong. What it lists and ends in is made only for it.
        Err(why) if why.kind() == ErrorKind::DisplayHelp => {
            let why = help::command().try_get_matches_from(arguments).err().unwrap_or(why);
            return Err(why.into());
        }
        Err(why) if why.kind() == ErrorKind::DisplayVersion => return Err(why.into()),
        Ok(matches) if is_without_settings(&matches) => {
            return typed(&matches, environment);
        }
        _ => {}
    }
    environment.settings = settings::read(environment).map_err(NotTyped::Settings)?;
    let matches = settings::apply(command, "", &environment.settings).try_get_matches_from(arguments)?;
    typed(&matches, environment)
}

fn is_without_settings(matches: &ArgMatches) -> bool {
    match matches.subcommand() {
        None => true,
        Some(("settings", matches)) => matches.get_flag("template"),
        Some((name, _)) => WITHOUT_SETTINGS.contains(&name),
    }
}

fn typed(matches: &ArgMatches, environment: &Environment) -> Result<Typed, NotTyped> {
    let mut cli = Cli::from_arg_matches(matches)?;
    let (mut path, mut leaf) = (String::new(), matches);
    while let Some((name, below)) = leaf.subcommand() {
        path = format!("{path} {name}").trim_start().to_owned();
        leaf = below;
    }
    let mut told: Vec<FoundSetting> = settings::told(leaf, &path, &environment.settings).into_iter().cloned().collect();
    if let Some(Command::Batch(batch)) = &mut cli.command
        && let BatchCommand::Test(test) = &mut **batch
    {
        // The first it says is what was left on the rig.
        test.settings = std::mem::take(&mut told);
    }
    let flag = |id: &str| matches!(leaf.try_get_one::<bool>(id), Ok(Some(true)));
    let json = flag("json");
    let data = json
        || ["csv", "toml", "template"].into_iter().any(flag)
        || path.ends_with("template")
        || WITHOUT_SETTINGS.contains(&path.as_str());
    Ok(Typed { cli, told, data, json })
}
