//! Options of `seathold run` for runs that another command makes.

use clap::{Args, Command, FromArgMatches};

use crate::args::RunArgs;
use crate::console::Console;
use crate::environment::FoundSetting;
use crate::error::Error;
use crate::settings;

/// What those options are called among the commands that settings are for.
const PATH: &str = "batch test run";

/// Options as typed, with what settings say where nothing is typed; and those that are told before a command acts.
///
/// # Errors
/// When they are typed wrongly.
pub(super) fn parse<'a>(typed: &[String], console: &Console<'a>) -> Result<(RunArgs, Vec<&'a FoundSetting>), Error> {
    let settings = &console.environment.settings;
    let command = RunArgs::augment_args(Command::new("seathold run").no_binary_name(true));
    let parsed = settings::apply(command, PATH, settings).try_get_matches_from(typed);
    let read =
        parsed.and_then(|matches| Ok((RunArgs::from_arg_matches(&matches)?, settings::told(&matches, PATH, settings))));
    read.map_err(|why| {
        let text = why.render().to_string();
        let first = text.lines().next().unwrap_or_default().trim_start_matches("error: ");
        Error::usage(format!("after --: {first}"))
    })
}
