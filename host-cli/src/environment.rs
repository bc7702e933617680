//! What surrounds the program besides its streams: variables, and the settings that are made of them and of a file.

use std::collections::BTreeMap;
use std::fmt;
use std::path::PathBuf;

/// Variables that are looked at, besides those that begin with [`PREFIX`].
const OTHERS: &[&str] =
    &["NO_COLOR", "TERM", "XDG_CONFIG_HOME", "HOME", "APPDATA", "PGPASSWORD", "PGPASSFILE", "PGSSLROOTCERT"];

/// What the names of this program's variables begin with.
pub const PREFIX: &str = "SEATHOLD_";

/// Variables and settings. The default has none, so that a caller in this process depends on nobody's computer.
#[derive(Clone, Debug, Default)]
pub struct Environment {
    /// `None` for one that is no Unicode.
    variables: BTreeMap<String, Option<String>>,
    /// What was found of settings; empty until a command line is read.
    pub settings: Settings,
    /// Whether a person sees results on a terminal.
    pub results_on_terminal: bool,
    /// Whether words in messages are in colour.
    pub colour: bool,
    /// This program as a file, where it may start itself.
    pub program: Option<PathBuf>,
}

impl Environment {
    /// That of this process.
    pub fn of_this_process(results_on_terminal: bool) -> Self {
        let ours = |(name, value): (std::ffi::OsString, std::ffi::OsString)| {
            let name = name.into_string().ok()?;
            let looked_at = name.starts_with(PREFIX) || OTHERS.contains(&name.as_str());
            looked_at.then(|| (name, value.into_string().ok()))
        };
        let variables = std::env::vars_os().filter_map(ours).collect();
        Self { variables, results_on_terminal, program: std::env::current_exe().ok(), ..Self::default() }
    }

    /// With a variable, for a caller that sets them.
    #[must_use]
    pub fn with(mut self, name: &str, value: &str) -> Self {
        self.variables.insert(name.into(), Some(value.into()));
        self
    }

    /// With results on a terminal.
    #[must_use]
    pub const fn on_terminal(mut self) -> Self {
        self.results_on_terminal = true;
        self
    }

    /// A variable, `Some("")` where it is set to nothing.
    ///
    /// # Errors
    /// Where it is no Unicode.
    pub fn variable(&self, name: &str) -> Result<Option<&str>, String> {
        match self.variables.get(name) {
            None => Ok(None),
            Some(Some(value)) => Ok(Some(value)),
            Some(None) => Err(format!("{name}: its value is no Unicode")),
        }
    }

    /// Whether the terminal says of itself that it can move no line.
    pub fn plain_terminal(&self) -> bool {
        self.variables.get("TERM").is_some_and(|term| matches!(term.as_deref(), Some("" | "dumb")))
    }

    /// A variable that says something.
    pub fn said(&self, name: &str) -> Option<&str> {
        self.variables.get(name)?.as_deref().filter(|value| !value.is_empty())
    }
}

/// Where a setting comes from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SettingSource {
    /// A variable of the environment.
    Variable(&'static str),
    /// The settings file.
    File(PathBuf),
}

impl fmt::Display for SettingSource {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Variable(name) => f.write_str(name),
            Self::File(path) => write!(f, "{}", path.display()),
        }
    }
}

/// A setting that was found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FoundSetting {
    /// Which.
    pub key: &'static str,
    /// Its value, as an option would have it.
    pub value: String,
    /// Who said so.
    pub source: SettingSource,
}

/// Every setting that was found, each once.
#[derive(Clone, Debug, Default)]
pub struct Settings(pub Vec<FoundSetting>);

impl Settings {
    /// One of them.
    pub fn get(&self, key: &str) -> Option<&FoundSetting> {
        self.0.iter().find(|found| found.key == key)
    }
}
