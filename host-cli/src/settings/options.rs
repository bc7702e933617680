//! Settings as the defaults of options, and which of them a command line left to hold.

use clap::builder::{ArgPredicate, OsStr};
use clap::parser::ValueSource;
use clap::{ArgMatches, Command};

use super::table::{OptionOf, SETTINGS, SettingDef};
use crate::environment::{FoundSetting, Settings};

/// What of a setting a command has.
fn option_ids<'a>(setting: &'a SettingDef, command: &'a str) -> impl Iterator<Item = &'static str> + 'a {
    let here = move |of: &&OptionOf| of.command.is_none_or(|only| only == command);
    setting.options.iter().filter(here).map(|of| of.id)
}

/// The command line with these settings as defaults. `path`: the command, as it is typed; empty for the whole program.
pub fn apply(mut command: Command, path: &str, settings: &Settings) -> Command {
    for (setting, found) in with_values(settings) {
        for id in option_ids(setting, path) {
            if has(&command, id) {
                let value = found.value.clone();
                command = match setting.key {
                    "key" => with_key(command, path, value, settings),
                    // A run is taken up where it was begun, unless somebody types another address.
                    "rig" if has(&command, "resume") => command.mut_arg(id, |arg| {
                        arg.default_value_if("resume", ArgPredicate::IsPresent, OsStr::from("sim")).default_value(value)
                    }),
                    _ => command.mut_arg(id, |arg| arg.required(false).default_value(value)),
                };
            }
        }
    }
    command.mut_subcommands(|below| {
        let path = format!("{path} {}", below.get_name());
        apply(below, path.trim_start(), settings)
    })
}

fn has(command: &Command, id: &str) -> bool {
    command.get_arguments().any(|arg| arg.get_id() == id)
}

/// A key is for the line to a controller: not for the simulated rig, nor where somebody says that there is no key, nor for a
/// controller that is served here.
fn with_key(command: Command, path: &str, key: String, settings: &Settings) -> Command {
    let rig = ["rig", "calibrated_rig"].into_iter().find(|id| has(&command, id));
    let Some(rig) = rig else {
        let looks = path == "rigs";
        return if looks { command.mut_arg("key", |arg| arg.default_value(key)) } else { command };
    };
    let of_controller = rig == "rig" && settings.get("rig").is_some_and(|found| found.value != "sim");
    let otherwise = of_controller.then(|| key.clone());
    command.mut_arg("key", |arg| {
        let arg = arg
            .default_value_if("insecure_line", ArgPredicate::Equals("true".into()), None)
            .default_value_if(rig, ArgPredicate::Equals("sim".into()), None)
            .default_value_if(rig, ArgPredicate::IsPresent, OsStr::from(key));
        match otherwise {
            Some(key) => arg.default_value(key),
            None => arg,
        }
    })
}

fn with_values(settings: &Settings) -> impl Iterator<Item = (&'static SettingDef, &FoundSetting)> {
    SETTINGS.iter().filter_map(|setting| Some((setting, settings.get(setting.key)?)))
}

/// Settings that hold for a command since nothing else was typed, of those that are to be told before it acts.
pub fn told<'a>(matches: &ArgMatches, path: &str, settings: &'a Settings) -> Vec<&'a FoundSetting> {
    let left = |id: &str, value: &str| {
        let known = matches.ids().any(|other| other == id);
        let in_force = || matches.get_raw(id).is_some_and(|mut raw| raw.any(|raw| raw == value));
        known && matches.value_source(id) == Some(ValueSource::DefaultValue) && in_force()
    };
    with_values(settings)
        .filter(|(setting, found)| setting.told && option_ids(setting, path).any(|id| left(id, &found.value)))
        .map(|(_, found)| found)
        .collect()
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory;

    use super::*;
    use crate::cli::Cli;
    use crate::environment::SettingSource;

    fn settings(of: &[(&'static str, &str)]) -> Settings {
        let found = |(key, value): &(&'static str, &str)| FoundSetting {
            key,
            value: (*value).into(),
            source: SettingSource::Variable("SEATHOLD_TEST"),
        };
        Settings(of.iter().map(found).collect())
    }

    /// The rig of a run in another bench's hands is not to be taken for that of an unfinished one.
    #[test]
    fn a_run_is_taken_up_where_it_was_begun() {
        let settings = settings(&[("rig", "serial:/dev/ttyACM0"), ("operator", "Ada")]);
        for (typed, rig, is_told) in [
            (&["--resume", "x.hold.part"][..], "sim", false),
            (&[][..], "serial:/dev/ttyACM0", true),
            (&["--resume", "x.hold.part", "--rig", "tcp:bench:1"][..], "tcp:bench:1", false),
        ] {
            let line = [&["seathold", "run"][..], typed].concat();
            let matches = apply(Cli::command(), "", &settings).try_get_matches_from(line).unwrap();
            let (_, run) = matches.subcommand().unwrap();
            assert_eq!(run.get_raw("rig").unwrap().next().unwrap(), rig, "{typed:?}");
            let told: Vec<&str> = told(run, "run", &settings).iter().map(|found| found.key).collect();
            assert_eq!(told.contains(&"rig"), is_told, "{typed:?}: {told:?}");
        }
    }

    /// An option that only has a setting's name is not that setting's.
    #[test]
    fn a_unit_of_pressures_is_no_unit_of_lengths() {
        let settings = settings(&[("pressure_unit", "kPa")]);
        let unit = |line: &[&str]| {
            let matches = apply(Cli::command(), "", &settings).try_get_matches_from(line).unwrap();
            let (_, below) = matches.subcommand().unwrap();
            below.get_raw("unit").unwrap().next().unwrap().to_string_lossy().into_owned()
        };
        let pair = ["seathold", "pair", "f.csv", "--bodies", "1", "--body-length", "6mm", "--nominal", "9mm"];
        assert_eq!(unit(&[&pair[..], &["--tolerance", "1mm", "--gauge-u", "1um"]].concat()), "mm");
        assert_eq!(unit(&["seathold", "run"]), "kPa");
    }
}
