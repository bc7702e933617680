//! A recording's columns from its bytes.

use std::collections::BTreeMap;

use jiff::{SignedDuration, Timestamp};
use rusqlite::types::Value;
use seathold_recording::hash::sha256;
use seathold_recording::{Damage, Header, Recording, Summary, header_as_recorded, read_bytes};
use seathold_sequencer::input::Sides;
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::verdict::SideResult;
use serde::Serialize;
use serde_json::Value as Json;

/// The columns of a recording beside its bytes. The same bytes give the same values, always.
#[derive(Clone, Debug)]
pub(crate) struct RecordingExtract {
    /// SHA-256 of the bytes.
    pub recording: String,
    /// Who, what, with which recipe, on which rig.
    pub header: Header,
    /// Its result.
    pub summary: Summary,
    /// When it ended.
    pub ended_at: String,
    /// Polls in it.
    pub polls: usize,
    /// Recipe, rig and calibrations, as in the register.
    pub parts: [SharedText; 3],
    source: String,
    identity: String,
    whole: bool,
}

/// A text that many runs share, kept once.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct SharedText {
    /// The table it is kept in.
    pub table: &'static str,
    /// SHA-256 of the text's bytes.
    pub sha256: String,
    /// JSON.
    pub json: String,
}

impl SharedText {
    fn new(table: &'static str, value: Option<&Json>) -> Self {
        let json = canonical(value.unwrap_or(&Json::Null));
        Self { table, sha256: sha256(json.as_bytes()), json }
    }
}

/// JSON without blanks, the names of every object in the order of their bytes.
fn canonical(value: &Json) -> String {
    match value {
        Json::Object(map) => {
            let sorted: BTreeMap<&String, &Json> = map.iter().collect();
            let fields: Vec<String> = sorted
                .iter()
                .map(|(name, value)| format!("{}:{}", Json::from(name.as_str()), canonical(value)))
                .collect();
            format!("{{{}}}", fields.join(","))
        }
        Json::Array(list) => format!("[{}]", list.iter().map(canonical).collect::<Vec<_>>().join(",")),
        other => other.to_string(),
    }
}

impl RecordingExtract {
    /// Reads a recording. One that was cut short is read as far as it is intact, and has no verdict.
    ///
    /// # Errors
    /// When it is no recording, or has been altered.
    pub(crate) fn of(bytes: &[u8]) -> Result<Self, Damage> {
        Self::from_read(sha256(bytes), read_bytes(bytes)?, bytes)
    }

    /// The same of a recording that has been read from these bytes already.
    ///
    /// # Errors
    /// When it has been altered.
    pub(crate) fn from_read(sha256: String, recording: Recording, bytes: &[u8]) -> Result<Self, Damage> {
        let whole = match &recording.damage {
            None => true,
            Some(Damage::CutShort(_)) => false,
            Some(why) => return Err(why.clone()),
        };
        Ok(Self::from_recording(sha256, recording, &header_as_recorded(bytes)?, whole))
    }

    fn from_recording(sha256: String, recording: Recording, recorded: &Json, whole: bool) -> Self {
        let summary = recording.summary();
        let header = recording.header;
        let length = recording.polls.last().map_or(0, |poll| poll.at.as_ticks());
        let length = SignedDuration::from_micros(i64::try_from(length).unwrap_or(i64::MAX));
        let ended = header.started_at.parse::<Timestamp>().ok().and_then(|at| at.checked_add(length).ok());
        // To the second, like the beginning.
        let ended = ended.and_then(|at| Timestamp::from_second(at.as_second()).ok());
        let parts = [
            SharedText::new("recipes", recorded.get("recipe")),
            SharedText::new("rigs", recorded.get("rig")),
            SharedText::new("calibrations", recorded.get("calibrations")),
        ];
        let (source, identity) = source(recorded.get("source"));
        let ended_at = ended.map_or_else(|| header.started_at.clone(), |at| at.to_string());
        Self {
            recording: sha256,
            polls: recording.polls.len(),
            ended_at,
            summary,
            header,
            parts,
            source,
            identity,
            whole,
        }
    }

    /// How the run ended, in the register's words.
    pub(crate) fn ending(&self) -> &'static str {
        let summary = &self.summary;
        if !self.whole {
            "cut-short"
        } else if summary.refused.is_some() {
            "refused"
        } else if !summary.faults.is_empty() {
            "fault"
        } else if summary.aborted {
            "aborted"
        } else if summary.proved.is_some() {
            "judged"
        } else {
            "cut-short"
        }
    }

    /// A column of the table of runs, as it follows from the bytes; `None` for one that does not.
    pub(super) fn column(&self, name: &str) -> Option<Value> {
        let header = &self.header;
        let part = |table| self.parts.iter().find(|p| p.table == table).map(|p| p.sha256.clone());
        let text = match name {
            "recording" => self.recording.clone(),
            "serial" => header.serial.clone(),
            "operator" => header.operator.clone(),
            "started_at" => header.started_at.clone(),
            "ended_at" => self.ended_at.clone(),
            "sides_requested" => sides_word(header.sides).into(),
            "outcome" => self.ending().into(),
            "recipe" => part("recipes")?,
            "recipe_name" => header.recipe_name.clone(),
            "rig" => part("rigs")?,
            "rig_name" => header.rig_name.clone(),
            "calibrations" => part("calibrations")?,
            "program" => header.program.clone(),
            "source" => self.source.clone(),
            "identity" => self.identity.clone(),
            "leak_unit" => header.display_units.leak.clone(),
            "verdict" => {
                let proved = self.summary.proved.as_ref().filter(|_| self.whole);
                return Some(proved.map_or(Value::Null, |(verdict, _)| word(verdict).into()));
            }
            "limit_pa_m3_s" => return Some(header.recipe.limit_pa_m3_s.into()),
            "polls" => return Some(Value::Integer(self.polls as i64)),
            _ => return None,
        };
        Some(text.into())
    }

    /// Each side's columns.
    pub(super) fn sides(&self) -> Vec<Vec<Value>> {
        let recipe = &self.header.recipe;
        (1..).zip(&self.summary.sides).map(|(place, side)| side_values(place, side, recipe)).collect()
    }
}

/// The source of the readings: its name, and more of it. The settings of a simulated valve are only in the recording.
fn source(recorded: Option<&Json>) -> (String, String) {
    match recorded {
        Some(Json::Object(map)) => {
            let Some((name, more)) = map.iter().next() else { return Default::default() };
            let mut more = more.clone();
            if let Some(fields) = more.as_object_mut() {
                fields.remove("settings");
            }
            (name.clone(), canonical(&more))
        }
        Some(Json::String(name)) => (name.clone(), "{}".into()),
        other => (String::new(), canonical(other.unwrap_or(&Json::Null))),
    }
}

fn side_values(place: i64, side: &SideResult, recipe: &RawRecipe) -> Vec<Value> {
    let estimate = side.estimate.as_ref();
    vec![
        place.into(),
        word(&side.side).into(),
        word(&side.verdict).into(),
        word(&side.reason).into(),
        estimate.map(|f| f.leak.pa_m3_s()).into(),
        estimate.map(|f| f.expanded.pa_m3_s()).into(),
        estimate.map(|_| recipe.coverage).into(),
        recipe.limit_pa_m3_s.into(),
        estimate.map(|f| i64::from(f.window_ms)).into(),
        side.isolated_at.map(|p| i64::from(p.pascals())).into(),
        i64::from(side.fall_pa).into(),
        i64::from(side.after_ms).into(),
    ]
}

/// Sides requested, in a word.
pub(crate) const fn sides_word(sides: Sides) -> &'static str {
    match sides {
        Sides::Both => "both",
        Sides::First => "first",
        Sides::Second => "second",
    }
}

/// A unit variant in the word it has in recordings.
pub fn word(value: &impl Serialize) -> String {
    match serde_json::to_value(value) {
        Ok(serde_json::Value::String(word)) => word.to_lowercase(),
        _ => String::new(),
    }
}

/// A unit variant from its word.
pub(crate) fn from_word<T: serde::de::DeserializeOwned>(word: &str) -> Option<T> {
    serde_json::from_value(serde_json::Value::String(word.into())).ok()
}
