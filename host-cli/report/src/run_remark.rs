//! What must be known of a run beside its result: why it does not count, or counts although it does not fit its valve.

use seathold_register::batch::counted_runs::{ExcludedRun, Exclusion, MovedRun, OverriddenRun};
use seathold_register::{name_or_none, override_note};
use seathold_text::messages::UnitFormat;
use serde::{Deserialize, Serialize};

use super::moment::moment;

/// What must be known of a run.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "kebab-case")]
pub enum RunRemark {
    /// It does not count: it was judged by another limit than its valve must meet.
    Limit {
        /// By which.
        judged_by: String,
        /// Which it must meet.
        required: String,
    },
    /// It does not count: it was struck.
    Struck {
        /// By whom; empty where nobody was named.
        by: String,
        /// When, RFC 3339.
        at: String,
        /// Why.
        text: String,
    },
    /// It does not count: another valve was on the rig.
    MovedAway {
        /// Which.
        to: String,
        /// Who says so; empty where nobody was named.
        by: String,
        /// When, RFC 3339.
        at: String,
        /// Why.
        text: String,
    },
    /// It was recorded for another valve.
    MovedHere {
        /// For which.
        recorded_for: String,
        /// Who says so; empty where nobody was named.
        by: String,
        /// When, RFC 3339.
        at: String,
        /// Why.
        text: String,
    },
    /// It was wanted although it does not fit its valve.
    Override {
        /// What does not fit, and why it was wanted.
        text: String,
        /// By whom; empty where nobody was named.
        by: String,
    },
}

impl RunRemark {
    /// Why a run does not count.
    pub fn excluded(excluded: &ExcludedRun, units: &UnitFormat) -> Self {
        match &excluded.why {
            Exclusion::Limit(misfit) => Self::Limit {
                judged_by: units.limit(misfit.judged_by_pa_m3_s),
                required: units.limit(misfit.required_pa_m3_s),
            },
            Exclusion::Struck(note) => {
                Self::Struck { by: note.operator.clone(), at: note.written_at.clone(), text: note.text.clone() }
            }
            Exclusion::Moved(note) => Self::MovedAway {
                to: note.serial.clone().unwrap_or_default(),
                by: note.operator.clone(),
                at: note.written_at.clone(),
                text: note.text.clone(),
            },
        }
    }

    /// That a run was wanted although it does not fit.
    pub fn overridden(over: &OverriddenRun) -> Self {
        Self::Override { text: override_note::override_words(&over.by.text).into(), by: over.by.operator.clone() }
    }

    /// That a run was recorded for another valve.
    pub fn moved(moved: &MovedRun) -> Self {
        let note = &moved.by;
        Self::MovedHere {
            recorded_for: moved.recorded_for.clone(),
            by: note.operator.clone(),
            at: note.written_at.clone(),
            text: note.text.clone(),
        }
    }

    /// In words: "judged by the limit 15 mm³/s, and the valve must meet 7.5 mm³/s"; "recorded for HM-002; moved by Ada, 2026-03-02 09:30
    /// UTC: read the wrong plate".
    pub fn words(&self) -> String {
        let by = |by| name_or_none(by);
        match self {
            Self::Limit { judged_by, required } => {
                format!("judged by the limit {judged_by}, and the valve must meet {required}")
            }
            Self::Struck { by: name, at, text } => format!("struck by {}, {}: {text}", by(name), moment(at)),
            Self::MovedAway { to, by: name, at, text } => {
                format!("{to} was on the rig; moved there by {}, {}: {text}", by(name), moment(at))
            }
            Self::MovedHere { recorded_for, by: name, at, text } => {
                format!("recorded for {recorded_for}; moved by {}, {}: {text}", by(name), moment(at))
            }
            Self::Override { text, by: name } => format!("{text} ({})", by(name)),
        }
    }
}
