//! `seathold settings`: each value, and who says so.

use clap::Args;
use seathold_recording::plain::shown;
use serde_json::json;

use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::schema::{self, JsonKind};
use crate::settings::{FILE_VARIABLE, SETTINGS, SettingsFile, file, template};

/// `seathold settings`.
#[derive(Debug, Args)]
pub struct SettingsArgs {
    /// A settings file with every key, its meaning and what is built in, to start from
    #[arg(long, conflicts_with = "json")]
    pub template: bool,
    /// One JSON object
    #[arg(long)]
    pub json: bool,
}

pub(super) fn run(args: &SettingsArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    if args.template {
        write!(console.out, "{}", template())?;
        return Ok(Exit::Good);
    }
    let environment = console.environment;
    let place = file(environment)?;
    let path = match &place {
        SettingsFile::Off => None,
        SettingsFile::Named(path) | SettingsFile::Usual(path) => Some(path),
    };
    if args.json {
        let one = |setting: &crate::settings::SettingDef| {
            let found = environment.settings.get(setting.key);
            let value = json!({ "value": found.map(|found| &found.value), "from": found.map(|found| found.source.to_string()),
                "built_in": setting.built_in, "variable": setting.variable, "option": setting.option });
            (setting.key.to_owned(), value)
        };
        let all: serde_json::Map<_, _> = SETTINGS.iter().map(one).collect();
        let read = path.filter(|path| path.exists()).map(|path| path.display().to_string());
        schema::write(console, JsonKind::Settings, json!({ "file": read, "settings": all }))?;
        return Ok(Exit::Good);
    }
    match path {
        Some(path) if path.exists() => writeln!(console.out, "settings file: {}", path.display())?,
        Some(path) => writeln!(
            console.out,
            "settings file: none; it would be {}\n  `seathold settings --template` prints one to start from",
            path.display()
        )?,
        None => writeln!(console.out, "settings file: none ({FILE_VARIABLE} is empty, or there is no folder for it)")?,
    }
    for setting in SETTINGS {
        let (value, from) = match environment.settings.get(setting.key) {
            Some(found) => (shown(&found.value).into_owned(), found.source.to_string()),
            None => (setting.built_in.to_owned(), "built in".to_owned()),
        };
        writeln!(console.out, "  {:15} {value}  ({from})", setting.key)?;
    }
    writeln!(console.out, "What is typed is stronger than each of them.")?;
    Ok(Exit::Good)
}
