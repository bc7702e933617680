//! Why a run does not count, or counts although it does not fit its valve, in words.

use seathold_register::batch::counted_runs::{ExcludedRun, Exclusion, MovedRun, OverriddenRun};
use seathold_register::override_note;
use seathold_text::messages::UnitFormat;

use super::valve::moment;

/// Why a run does not count: "judged by the limit 15 mm³/s, and the valve must meet 7.5 mm³/s".
pub fn exclusion_words(excluded: &ExcludedRun, units: &UnitFormat) -> String {
    match &excluded.why {
        Exclusion::Limit(misfit) => format!(
            "judged by the limit {}, and the valve must meet {}",
            units.limit(misfit.judged_by_pa_m3_s),
            units.limit(misfit.required_pa_m3_s)
        ),
        Exclusion::Struck(note) => format!("struck by {}, {}: {}", note.by(), moment(&note.written_at), note.text),
        Exclusion::Moved(note) => {
            let to = note.serial.as_deref().unwrap_or_default();
            format!("{to} was on the rig; moved there by {}, {}: {}", note.by(), moment(&note.written_at), note.text)
        }
    }
}

/// "the limit is to be 15 mm³/s, and HM-001 must meet 7.5 mm³/s: customer's drawing (Ada)".
pub fn override_words(over: &OverriddenRun) -> String {
    format!("{} ({})", override_note::override_words(&over.by.text), over.by.by())
}

/// "recorded for HM-002; moved by Ada, 2026-03-02 09:30 UTC: read the wrong plate".
pub fn moved_words(moved: &MovedRun) -> String {
    let note = &moved.by;
    format!("recorded for {}; moved by {}, {}: {}", moved.recorded_for, note.by(), moment(&note.written_at), note.text)
}
