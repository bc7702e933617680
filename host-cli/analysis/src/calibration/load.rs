//! Calibrations applied to a rig that is to be loaded into a controller: to every adapter what is of it.

use std::path::PathBuf;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use seathold_config::Error;
use seathold_config::rig::RigFile;
use seathold_sequencer::rig_image::Adapter;

use super::CalibratedQuantity;
use super::apply::{CalibrationNote, CalibrationSet, Taken, find, mistaken};

/// A rig to be loaded, with its calibrations.
#[derive(Clone, Debug, PartialEq)]
pub struct RigToLoad {
    /// The rig, and each adapter.
    pub file: RigFile,
    /// What was taken from where, and what is missing.
    pub notes: Vec<CalibrationNote>,
    /// The last day that all that was taken is valid; `None` where nothing was.
    pub until: Option<Date>,
}

/// Applies what these files and folders say.
///
/// # Errors
/// When a file is wrong, or the rig is no longer valid with what it says; when one is of no adapter of the rig, or two do not
/// agree: what is loaded stays, so nothing that cannot be right is.
pub fn to_load(file: RigFile, paths: &[PathBuf], now: Timestamp) -> Result<RigToLoad, Error> {
    if paths.is_empty() {
        return Ok(RigToLoad { file, notes: Vec::new(), until: None });
    }
    let (set, today) = (find(paths)?, TimeZone::UTC.to_datetime(now).date());
    let (file, notes) = calibrated(file, &set, today)?;
    if let Some(wrong) = notes.iter().find(|note| note.taken == Taken::Mistaken) {
        return Err(Error::usage(format!("--calibrations: {}; give the right ones, or leave it out", wrong.text)));
    }
    let until = notes.iter().filter_map(|note| if let Taken::To(day) = note.taken { Some(day) } else { None }).min();
    Ok(RigToLoad { file, notes, until })
}

fn calibrated(mut file: RigFile, set: &CalibrationSet, today: Date) -> Result<(RigFile, Vec<CalibrationNote>), Error> {
    let invalid =
        |what: &str, errors: &dyn std::fmt::Display| Error::usage(format!("{what} with its calibrations: {errors}"));
    if file.adapters.is_empty() {
        let applied = set.apply(*file.rig.raw(), "", today);
        let rig = applied.rig.validate().map_err(|errors| invalid("the rig", &errors))?;
        return Ok((RigFile { rig, ..file }, applied.notes));
    }
    let mut of_rig = set.clone();
    of_rig.files.retain(|(_, one)| !one.subject.is_of_adapter());
    // The gain is in a reference leak's volume already, and would count twice for that adapter.
    let with_leak = set.files.iter().any(|(_, one)| one.subject == CalibratedQuantity::Leak);
    if with_leak {
        of_rig.files.retain(|(_, one)| one.subject != CalibratedQuantity::Transducer);
    }
    let base = of_rig.apply(*file.rig.raw(), "", today);
    let mut notes: Vec<_> = base.notes.into_iter().filter(|note| !note.subject.is_of_adapter()).collect();
    for note in notes.iter_mut().filter(|note| with_leak && note.subject == CalibratedQuantity::Transducer) {
        note.text = "no check of the transducer is taken: an adapter was calibrated by a reference leak, which has the gain in it".into();
    }
    let rig = base.rig.validate().map_err(|errors| invalid("the rig", &errors))?;
    for adapter in &mut file.adapters {
        let mut of_adapter = set.clone();
        of_adapter.files.retain(|(_, one)| one.subject.is_of_adapter() && one.adapter == adapter.name.as_str());
        let applied = of_adapter.apply(adapter.on(rig.raw()), &adapter.name, today);
        applied.rig.validate().map_err(|errors| invalid(&adapter.name, &errors))?;
        let of_it = applied.notes.into_iter().filter(|note| note.subject.is_of_adapter());
        notes.extend(of_it.map(|note| CalibrationNote { text: format!("{}: {}", adapter.name, note.text), ..note }));
        if let Some(calibrated) = Adapter::of(&adapter.name, &applied.rig) {
            *adapter = Adapter { dn_min: adapter.dn_min, dn_max: adapter.dn_max, ..calibrated };
        }
    }
    let names: Vec<&str> = file.adapters.iter().map(|adapter| adapter.name.as_str()).collect();
    for (path, other) in &set.files {
        if other.subject.is_of_adapter() && !names.contains(&other.adapter.as_str()) {
            let of = if other.adapter.is_empty() { "no adapter".into() } else { format!("adapter {}", other.adapter) };
            let text = format!("NOT TAKEN: {}: it is of {of}, and the rig has {}", path.display(), names.join(", "));
            notes.push(mistaken(other.subject, text));
        }
    }
    Ok((RigFile { rig, ..file }, notes))
}
