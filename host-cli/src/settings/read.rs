//! Settings as they are found: the environment before the file.

use std::path::{Path, PathBuf};

use seathold_config::config_file::ConfigFile;
use seathold_quantity::{InputError, InputProblem};

use super::table::{SETTINGS, SettingDef, SettingKind};
use crate::environment::{Environment, FoundSetting, SettingSource, Settings};
use crate::error::Error;

/// The variable that names another settings file; empty for none.
pub const FILE_VARIABLE: &str = "SEATHOLD_CONFIG";

/// Which settings file is looked for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SettingsFile {
    /// None: the variable says so, or there is no folder for one.
    Off,
    /// This one, which the variable names: it must be there.
    Named(PathBuf),
    /// This one, if it is there.
    Usual(PathBuf),
}

/// The settings file by this environment.
///
/// # Errors
/// When the variable that names it is no Unicode.
pub fn file(environment: &Environment) -> Result<SettingsFile, Error> {
    match environment.variable(FILE_VARIABLE).map_err(wrong_variable)? {
        Some("") => return Ok(SettingsFile::Off),
        Some(path) => return Ok(SettingsFile::Named(path.into())),
        None => {}
    }
    // A relative path there is to be ignored, by the specification of these folders.
    let absolute = |name| environment.said(name).map(PathBuf::from).filter(|path| path.is_absolute());
    let folder = absolute("XDG_CONFIG_HOME").or_else(|| {
        if cfg!(windows) { absolute("APPDATA") } else { absolute("HOME").map(|home| home.join(".config")) }
    });
    Ok(folder.map_or(SettingsFile::Off, |folder| SettingsFile::Usual(folder.join("seathold").join("settings.toml"))))
}

fn wrong_variable(message: String) -> Error {
    Error::Input(InputError { origin: "environment".into(), problems: vec![InputProblem { line: None, message }] })
}

/// Every setting that the environment or the file has.
///
/// # Errors
/// Everything that is wrong with the file, or with the variables.
pub fn read(environment: &Environment) -> Result<Settings, Error> {
    let mut found = match file(environment)? {
        SettingsFile::Off => Vec::new(),
        // A folder that cannot be looked into may hold settings, so reading it is tried, and says why not.
        SettingsFile::Usual(path) if matches!(path.try_exists(), Ok(false)) => Vec::new(),
        SettingsFile::Named(path) | SettingsFile::Usual(path) => of_file(&path, environment)?,
    };
    let mut problems = Vec::new();
    for setting in SETTINGS {
        let value = match environment.variable(setting.variable) {
            // Set to nothing, it says nothing.
            Ok(None | Some("")) => continue,
            Ok(Some(text)) => setting.check(text).map_err(|why| format!("{}: {why}", setting.variable)),
            Err(why) => Err(why),
        };
        match value {
            Ok(value) => {
                found.retain(|other| other.key != setting.key);
                found.push(FoundSetting { key: setting.key, value, source: SettingSource::Variable(setting.variable) });
            }
            Err(message) => problems.push(InputProblem { line: None, message }),
        }
    }
    if !problems.is_empty() {
        return Err(Error::Input(InputError { origin: "environment".into(), problems }));
    }
    for one in &mut found {
        let is_folder = |setting: &SettingDef| setting.key == one.key && matches!(setting.kind, SettingKind::Folder);
        // What is a folder must not be taken for a file that is not there yet.
        if SETTINGS.iter().any(is_folder) && !one.value.ends_with(std::path::is_separator) {
            one.value.push(std::path::MAIN_SEPARATOR);
        }
    }
    Ok(Settings(found))
}

fn of_file(path: &Path, environment: &Environment) -> Result<Vec<FoundSetting>, Error> {
    let mut config = ConfigFile::read(path)?;
    let mut found = Vec::new();
    for setting in SETTINGS {
        let flag = matches!(setting.kind, SettingKind::Flag);
        let Some(value) = config.checked(setting.key, flag, |text| setting.check(text)) else { continue };
        let value = match setting.kind {
            SettingKind::Path | SettingKind::Folder => from_folder(path, &value, environment),
            SettingKind::Text(_) | SettingKind::Word(_) | SettingKind::Flag => value,
        };
        found.push(FoundSetting { key: setting.key, value, source: SettingSource::File(path.to_owned()) });
    }
    config.finish()?;
    Ok(found)
}

/// A path in a file is meant from where the file is: from the folder a command happens to be typed in it would be another
/// register each time.
fn from_folder(file: &Path, value: &str, environment: &Environment) -> String {
    let home = environment.said("HOME").zip(value.strip_prefix("~/"));
    let path = match (home, file.parent()) {
        (Some((home, rest)), _) => Path::new(home).join(rest),
        (None, Some(folder)) => folder.join(value),
        (None, None) => value.into(),
    };
    path.to_str().unwrap_or(value).to_owned()
}
