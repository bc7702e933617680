//! The header: valve, recipe and rig of a run.

use seathold_sequencer::input::Sides;
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::rig::RawRig;
use serde::{Deserialize, Serialize};

use crate::limits::{NAME_MAX, TEXT_MAX, TEXTS_MAX};

/// The first frame of a recording. Kept as a tree, so that fields can be added.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Header {
    /// Program and version that wrote it.
    pub program: String,
    /// When the run began, RFC 3339: the only wall-clock time in a recording.
    pub started_at: String,
    /// The valve's serial number.
    pub serial: String,
    /// Who ran it; empty where not given.
    #[serde(default)]
    pub operator: String,
    /// Sides requested.
    pub sides: Sides,
    /// No side was begun before the tag of the end on the supply side had been scanned.
    #[serde(default, skip_serializing_if = "core::ops::Not::not")]
    pub end_tags: bool,
    /// Where the recipe came from: a file, or the name of a built-in one.
    pub recipe_name: String,
    /// The recipe.
    pub recipe: RawRecipe,
    /// Where the rig's description came from.
    pub rig_name: String,
    /// The rig.
    pub rig: RawRig,
    /// Which calibrations were applied, are out of date, or are missing.
    #[serde(default)]
    pub calibrations: Vec<String>,
    /// The source of the readings.
    pub source: ReadingSource,
    /// Units the user wrote, for displaying results.
    pub display_units: DisplayUnits,
}

impl Header {
    /// The first text that is longer than a header may have, or list that is: what it is, and the limit.
    pub(crate) fn beyond(&self) -> Option<(&'static str, usize)> {
        let long = self.texts().into_iter().find(|(_, text, most)| text.len() > *most);
        let long = long.map(|(what, _, most)| (what, most));
        long.or_else(|| {
            self.lists().into_iter().find(|(_, count)| *count > TEXTS_MAX).map(|(what, _)| (what, TEXTS_MAX))
        })
    }

    fn settings(&self) -> &[(String, String)] {
        match &self.source {
            ReadingSource::Simulated { settings, .. } => settings,
            ReadingSource::Controller { .. } => &[],
        }
    }

    /// Its lists, and how long they are.
    fn lists(&self) -> [(&'static str, usize); 2] {
        [("calibration notes", self.calibrations.len()), ("settings", self.settings().len())]
    }

    /// Every text in it: what it is, the text, and how many bytes it may have.
    pub(crate) fn texts(&self) -> Vec<(&'static str, &str, usize)> {
        let (valve, address) = match &self.source {
            ReadingSource::Simulated { valve, .. } => (valve.as_str(), ""),
            ReadingSource::Controller { address, .. } => ("", address.as_str()),
        };
        let units = &self.display_units;
        let mut texts = vec![
            ("bytes of serial number", self.serial.as_str(), NAME_MAX),
            ("bytes of operator's name", &self.operator, NAME_MAX),
            ("bytes of date", &self.started_at, NAME_MAX),
            ("bytes of program name", &self.program, NAME_MAX),
            ("bytes of unit", &units.leak, NAME_MAX),
            ("bytes of unit", &units.pressure, NAME_MAX),
            ("bytes of recipe name", &self.recipe_name, TEXT_MAX),
            ("bytes of rig name", &self.rig_name, TEXT_MAX),
            ("bytes of valve name", valve, TEXT_MAX),
            ("bytes of address", address, TEXT_MAX),
        ];
        texts.extend(self.calibrations.iter().map(|text| ("bytes of a calibration note", text.as_str(), TEXT_MAX)));
        let settings = self.settings().iter().flat_map(|(name, value)| [name, value]);
        texts.extend(settings.map(|text| ("bytes of a setting", text.as_str(), TEXT_MAX)));
        texts
    }
}

/// Where the readings came from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ReadingSource {
    /// The simulated rig.
    Simulated {
        /// The valve: a file, or the name of a built-in one.
        valve: String,
        /// Seed of all its random numbers.
        seed: u64,
        /// Everything set, field by field as text, enough to run it again.
        settings: Vec<(String, String)>,
    },
    /// A controller on the link.
    Controller {
        /// Where it was reached: "tcp:HOST:PORT" or "serial:DEVICE@BAUD".
        address: String,
        /// The rig on it is simulated: no air, no valve.
        simulated: bool,
        /// Its power-up, from its welcome.
        boot: u32,
        /// Version of the link spoken.
        link: u8,
        /// Who could have given it commands. Not stated in recordings made before it was.
        #[serde(default)]
        line: Option<LineAccess>,
    },
}

/// Who could give commands on the line to a controller.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LineAccess {
    /// Only who has the controller's key.
    Key,
    /// Whoever is on the same machine, or at the same wire.
    Local,
    /// Whoever reaches it over a network.
    Open,
}

impl ReadingSource {
    /// What a reader must know of the line.
    fn line(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Controller { line: Some(LineAccess::Open), .. } => {
                write!(f, ", over a network and without a key: anyone on it could give commands")
            }
            _ => Ok(()),
        }
    }

    /// No valve was tested.
    pub const fn is_simulated(&self) -> bool {
        matches!(self, Self::Simulated { .. } | Self::Controller { simulated: true, .. })
    }
}

impl std::fmt::Display for ReadingSource {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Simulated { valve, seed, .. } => write!(f, "simulated, valve {valve}, seed {seed}"),
            Self::Controller { address, simulated: true, .. } => {
                write!(f, "controller with a simulated rig at {address}")?;
                self.line(f)
            }
            Self::Controller { address, .. } => {
                write!(f, "controller at {address}")?;
                self.line(f)
            }
        }
    }
}

/// Units to show results in.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct DisplayUnits {
    /// Of leaks.
    pub leak: String,
    /// Of pressures.
    pub pressure: String,
}

impl Default for DisplayUnits {
    fn default() -> Self {
        Self { leak: "mm3/s".into(), pressure: "bar".into() }
    }
}
