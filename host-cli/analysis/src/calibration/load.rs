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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibration::{Calibration, CalibrationValues};
    use seathold_sequencer::rig::RawRig;

    fn one(subject: CalibratedQuantity, adapter: &str, expires: &str, cm3: f64) -> (PathBuf, Calibration) {
        let values = CalibrationValues {
            far_volume_m3: cm3 * 1e-6,
            far_volume_u_rel: 0.01,
            gain: 1.002,
            gain_u_rel: 0.001,
            ..CalibrationValues::default()
        };
        let made = "2026-01-01".parse().unwrap();
        let (expires, by, method) = (expires.parse().unwrap(), String::new(), String::new());
        // A name with the words of notes in it: what is told of it goes by its kind.
        let path = "no rest run of a transducer.toml".into();
        let instruments = "gauge G-17, certificate 2231".into();
        (path, Calibration { subject, adapter: adapter.into(), made, expires, by, method, instruments, values })
    }

    fn bench(adapters: &[&str]) -> RigFile {
        let adapters = adapters.iter().map(|name| Adapter::of(name, &RawRig::DEMO).unwrap()).collect();
        RigFile { origin: "bench.toml".into(), name: "bench".into(), rig: RawRig::DEMO.validate().unwrap(), adapters }
    }

    fn of(files: Vec<(PathBuf, Calibration)>, adapters: &[&str]) -> (RigFile, Vec<CalibrationNote>) {
        calibrated(bench(adapters), &CalibrationSet { files }, "2026-06-01".parse().unwrap()).unwrap()
    }

    fn count(notes: &[CalibrationNote], taken: fn(&Taken) -> bool) -> usize {
        notes.iter().filter(|note| taken(&note.taken)).count()
    }

    #[test]
    fn each_adapter_gets_what_is_of_it_and_the_rig_what_is_of_the_rig() {
        use CalibratedQuantity::{Transducer, Volume};
        let files = vec![
            one(Volume, "a", "2027-01-01", 46.0),
            one(Volume, "b", "2026-12-01", 150.0),
            one(Transducer, "", "2026-11-01", 0.0),
        ];
        let (file, notes) = of(files, &["a", "b"]);
        let volumes: Vec<f64> = file.adapters.iter().map(|one| one.far_volume_m3).collect();
        assert_eq!(volumes, [46e-6, 150e-6]);
        assert_eq!(file.rig.raw().far.pa_per_count, RawRig::DEMO.far.pa_per_count / 1.002);
        assert_eq!(count(&notes, |taken| matches!(taken, Taken::To(_))), 3);
        assert_eq!(count(&notes, |taken| *taken == Taken::Mistaken), 0);
        // Missing: the rest run, and a blank run of each.
        assert_eq!(count(&notes, |taken| *taken == Taken::Missing), 3);
    }

    #[test]
    fn a_reference_leak_of_any_adapter_keeps_the_gain_from_counting_twice() {
        use CalibratedQuantity::{Leak, Transducer};
        let (file, notes) =
            of(vec![one(Leak, "a", "2027-01-01", 46.0), one(Transducer, "", "2027-01-01", 0.0)], &["a"]);
        assert_eq!(file.rig.raw().far.pa_per_count, RawRig::DEMO.far.pa_per_count);
        assert_eq!(file.adapters[0].far_volume_m3, 46e-6);
        assert!(notes.iter().any(|note| note.text.contains("which has the gain in it")), "{notes:?}");
    }

    #[test]
    fn what_cannot_be_right_is_told_apart() {
        use CalibratedQuantity::{Leak, Volume};
        for (files, adapters) in [
            (vec![one(Volume, "c", "2027-01-01", 46.0)], &["a", "b"][..]),
            (vec![one(Volume, "", "2027-01-01", 46.0)], &["a"]),
            (vec![one(Volume, "a", "2027-01-01", 46.0)], &[]),
            (vec![one(Volume, "a", "2027-01-01", 46.0), one(Leak, "a", "2027-01-01", 30.0)], &["a"]),
        ] {
            let (_, notes) = of(files, adapters);
            assert_eq!(count(&notes, |taken| *taken == Taken::Mistaken), 1, "{notes:?}");
        }
    }
}
