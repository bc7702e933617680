//! Calibrations applied to a rig's description.

use std::path::PathBuf;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use seathold_config::Error;
use seathold_sequencer::rig::{RawRig, Rig};
use seathold_text::drift_margin::{BY_REST_RUN, drift_words};
use seathold_text::layout::percent;

use super::{APART, CalibratedQuantity, Calibration, ValueWithU, background_words};

/// The calibrations in files and folders.
#[derive(Clone, Debug, Default)]
pub struct CalibrationSet {
    pub(super) files: Vec<(PathBuf, Calibration)>,
}

/// Reads files, and every `.toml` of folders.
///
/// # Errors
/// When one cannot be read, or is wrong.
pub fn find(paths: &[PathBuf]) -> Result<CalibrationSet, Error> {
    let mut files = Vec::new();
    for path in paths {
        if path.is_dir() {
            let entries = std::fs::read_dir(path).map_err(|why| Error::file("read", path, why))?;
            let mut inside = Vec::new();
            for entry in entries {
                inside.push(entry.map_err(|why| Error::file("read", path, why))?.path());
            }
            inside.retain(|p| p.extension().is_some_and(|e| e == "toml"));
            inside.sort();
            files.extend(inside);
        } else {
            files.push(path.clone());
        }
    }
    let read = |path: PathBuf| Calibration::read(&path).map(|c| (path, c));
    Ok(CalibrationSet { files: files.into_iter().map(read).collect::<Result<_, _>>()? })
}

/// A rig with its calibrations, and notes on them.
#[derive(Clone, Debug, PartialEq)]
pub struct CalibratedRig {
    /// The rig.
    pub rig: RawRig,
    /// One each: what was taken from where, what is out of date, what is missing, what cannot be right.
    pub notes: Vec<CalibrationNote>,
}

/// What is to be said of one calibration.
#[derive(Clone, Debug, PartialEq)]
pub struct CalibrationNote {
    /// Of what.
    pub subject: CalibratedQuantity,
    /// What became of it.
    pub taken: Taken,
    /// In words.
    pub text: String,
}

/// What became of a calibration.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Taken {
    /// It is in the rig, and valid to this day.
    To(Date),
    /// There is none: the rig's own figure stands.
    Missing,
    /// It cannot be right: of another adapter, or two that do not agree.
    Mistaken,
}

impl CalibrationSet {
    /// Applies the latest of each quantity to the rig with this adapter (empty where it has none). One that is out of date
    /// still says more than none, and is applied; the note says so. Volume, reference leak and blank run are of one adapter, and
    /// not taken for another; transducer and rest run are of the rig.
    pub fn apply(&self, mut rig: RawRig, adapter: &str, today: Date) -> CalibratedRig {
        let latest = |subjects: &[CalibratedQuantity]| {
            let of =
                |c: &Calibration| subjects.contains(&c.subject) && (!c.subject.is_of_adapter() || c.adapter == adapter);
            let mut of = self.files.iter().filter(|(_, c)| of(c)).collect::<Vec<_>>();
            of.sort_by_key(|(_, c)| c.made);
            of.last().copied()
        };
        let mut notes = Vec::new();
        for (path, other) in self.files.iter().filter(|(_, c)| c.subject.is_of_adapter() && c.adapter != adapter) {
            // Of another adapter of the rig it may well be; of none, or of one where the rig has none, it is a slip.
            if other.adapter.is_empty() || adapter.is_empty() {
                let of =
                    if other.adapter.is_empty() { "no adapter".into() } else { format!("adapter {}", other.adapter) };
                let here = if adapter.is_empty() { "none is chosen".into() } else { format!("{adapter} is chosen") };
                notes
                    .push(mistaken(other.subject, format!("NOT TAKEN: {}: it is of {of}, and {here}", path.display())));
            }
        }
        if let (Some(by_gas), Some(by_leak)) =
            (latest(&[CalibratedQuantity::Volume]), latest(&[CalibratedQuantity::Leak]))
        {
            let text = disagreement(by_gas, by_leak, &rig);
            notes.extend(text.map(|text| mistaken(CalibratedQuantity::Leak, text)));
        }
        let without_rest = format!(
            "no rest run: drift of the gas temperature is the rig file's, ±{}",
            drift_words(rig.temperature_drift_u_k_s)
        );
        // A reference leak calibrates volume and gain together, so it replaces both.
        let volume = latest(&[CalibratedQuantity::Volume, CalibratedQuantity::Leak]);
        let together = volume.is_some_and(|(_, c)| c.subject == CalibratedQuantity::Leak);
        let wanted = [
            (volume, CalibratedQuantity::Volume, "no calibration of the far volume: it is the rig file's"),
            (
                latest(&[CalibratedQuantity::Blank]),
                CalibratedQuantity::Blank,
                "no blank run: background leak and settling time constant are the rig file's",
            ),
            (
                latest(&[CalibratedQuantity::Transducer]),
                CalibratedQuantity::Transducer,
                "no check of the transducer: the sensor gain is the rig file's",
            ),
            (latest(&[CalibratedQuantity::Rest]), CalibratedQuantity::Rest, &without_rest),
        ];
        for (found, subject, without) in wanted {
            // The gain is in the reference leak's volume already.
            if subject == CalibratedQuantity::Transducer && together {
                continue;
            }
            let Some((path, calibration)) = found else {
                notes.push(CalibrationNote { subject, taken: Taken::Missing, text: without.to_owned() });
                continue;
            };
            let what = lay(&mut rig, calibration);
            let with = if calibration.instruments.is_empty() { "" } else { ", with " };
            // When it is due again is asked of a certificate, whenever that is read.
            let due = calibration.expires;
            let mut text = format!(
                "{what}, of {}, due {due}{with}{} ({})",
                calibration.made,
                calibration.instruments,
                path.display()
            );
            if calibration.expires < today {
                text = format!("OUT OF DATE since {}: {text}", calibration.expires);
            } else if calibration.made > today {
                text = format!("DATED IN THE FUTURE: {text}");
            }
            notes.push(CalibrationNote { subject: calibration.subject, taken: Taken::To(calibration.expires), text });
        }
        CalibratedRig { rig, notes }
    }
}

impl CalibrationSet {
    /// The rig with the latest far volume and background leak of this adapter, which a rest run is read with; what was laid, in
    /// words. What else there is may be in the rig of a recording already.
    pub fn for_rest(&self, mut rig: RawRig, adapter: &str) -> (RawRig, Vec<String>) {
        use CalibratedQuantity::{Blank, Leak, Volume};
        let mut notes = Vec::new();
        for subjects in [&[Volume, Leak][..], &[Blank][..]] {
            let of = self.files.iter().filter(|(_, c)| subjects.contains(&c.subject) && c.adapter == adapter);
            if let Some((path, calibration)) = of.max_by_key(|(_, c)| c.made) {
                notes.push(format!("{}, of {} ({})", lay(&mut rig, calibration), calibration.made, path.display()));
            }
        }
        (rig, notes)
    }
}

/// Where two ways to the far volume do not agree: what each says. The one by a reference leak holds the gain as well.
fn disagreement(
    (gas_path, by_gas): &(PathBuf, Calibration),
    (leak_path, by_leak): &(PathBuf, Calibration),
    rig: &RawRig,
) -> Option<String> {
    let (gas, leak) = (&by_gas.values, &by_leak.values);
    let u_rel = gas.far_volume_u_rel.hypot(leak.far_volume_u_rel).hypot(rig.gain_u_rel);
    let apart = leak.far_volume_m3 / gas.far_volume_m3 - 1.0;
    (apart.abs() > APART * u_rel).then(|| {
        format!(
            "THEY DISAGREE: far volume {:.2} cm³ by gas ({}) and {:.2} cm³ by a reference leak ({}), {} % apart, which their \
             uncertainties do not explain: find out which is wrong",
            gas.far_volume_m3 * 1e6,
            gas_path.display(),
            leak.far_volume_m3 * 1e6,
            leak_path.display(),
            percent((apart.abs() * 1e3).round() / 1e3)
        )
    })
}

/// A calibration that cannot be right.
pub(super) const fn mistaken(subject: CalibratedQuantity, text: String) -> CalibrationNote {
    CalibrationNote { subject, taken: Taken::Mistaken, text }
}

/// The rig a run works with, with an adapter (empty where it has none), and a line on each of its calibrations; one line where
/// none was asked for.
///
/// # Errors
/// When a file is wrong, or the rig is no longer valid with what it says.
pub fn to_run(as_built: &Rig, adapter: &str, paths: &[PathBuf], now: Timestamp) -> Result<(Rig, Vec<String>), Error> {
    if paths.is_empty() {
        let note = format!(
            "no calibration given: volume, background leak, settling time constant, sensor gain and drift of the gas \
             temperature (±{}) are the rig file's",
            drift_words(as_built.raw().temperature_drift_u_k_s)
        );
        return Ok((*as_built, vec![note]));
    }
    let applied = find(paths)?.apply(*as_built.raw(), adapter, TimeZone::UTC.to_datetime(now).date());
    let rig =
        applied.rig.validate().map_err(|errors| Error::usage(format!("the rig with its calibrations: {errors}")))?;
    Ok((rig, applied.notes.into_iter().map(|note| note.text).collect()))
}

/// Applies one to the rig; returns what it set, in words.
fn lay(rig: &mut RawRig, calibration: &Calibration) -> String {
    let v = &calibration.values;
    let cm3 = v.far_volume_m3 * 1e6;
    match calibration.subject {
        CalibratedQuantity::Volume => {
            (rig.far_volume_m3, rig.far_volume_u_rel) = (v.far_volume_m3, v.far_volume_u_rel);
            format!("far volume {cm3:.2} cm³ ± {} %", percent(v.far_volume_u_rel))
        }
        CalibratedQuantity::Leak => {
            (rig.far_volume_m3, rig.far_volume_u_rel, rig.gain_u_rel) = (v.far_volume_m3, v.far_volume_u_rel, 0.0);
            format!("far volume and sensor gain together {cm3:.2} cm³ ± {} %", percent(v.far_volume_u_rel))
        }
        CalibratedQuantity::Blank => {
            (rig.background_pa_m3_s, rig.background_u_pa_m3_s) = (v.background_pa_m3_s, v.background_u_pa_m3_s);
            (rig.background_early_pa_m3_s, rig.background_early_u_pa_m3_s) =
                (v.background_early_pa_m3_s, v.background_early_u_pa_m3_s);
            rig.blank_runs = v.blank_runs as u32;
            let found = ValueWithU { value: v.background_pa_m3_s, u: v.background_u_pa_m3_s };
            let leak = match rig.blank_runs {
                0 => format!(
                    "background leak {} of one leak-free side (how others vary is assumed)",
                    background_words(found)
                ),
                runs => {
                    format!("background leak {} and its scatter over {runs} leak-free sides", background_words(found))
                }
            };
            if v.tau_s > 0.0 {
                (rig.tau_s, rig.tau_u_rel) = (Some(v.tau_s), v.tau_u_rel);
                format!("{leak}, settling time constant {:.2} s ± {} %", v.tau_s, percent(v.tau_u_rel))
            } else {
                format!("{leak}, no settling time constant found")
            }
        }
        CalibratedQuantity::Transducer => {
            rig.far.pa_per_count /= v.gain;
            rig.gain_u_rel = v.gain_u_rel;
            format!("sensor gain {:.5} ± {} %, zero {:.0} Pa", v.gain, percent(v.gain_u_rel), v.zero_pa)
        }
        CalibratedQuantity::Rest => {
            rig.temperature_drift_u_k_s = v.temperature_drift_u_k_s;
            format!("drift of the gas temperature ±{}, {BY_REST_RUN}", drift_words(v.temperature_drift_u_k_s))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibration::CalibrationValues;
    use seathold_text::drift_margin::{DriftSource, drift_source};

    fn one(subject: CalibratedQuantity, made: &str, expires: &str, volume_m3: f64) -> (PathBuf, Calibration) {
        let values = CalibrationValues {
            far_volume_m3: volume_m3,
            far_volume_u_rel: 0.01,
            gain: 1.002,
            gain_u_rel: 0.001,
            temperature_drift_u_k_s: 1.1e-3,
            ..CalibrationValues::default()
        };
        let (made, expires) = (made.parse().unwrap(), expires.parse().unwrap());
        (
            "x.toml".into(),
            Calibration {
                subject,
                adapter: String::new(),
                made,
                expires,
                by: String::new(),
                method: String::new(),
                instruments: String::new(),
                values,
            },
        )
    }

    fn texts(applied: &CalibratedRig) -> Vec<String> {
        applied.notes.iter().map(|note| note.text.clone()).collect()
    }

    fn today() -> Date {
        "2026-06-01".parse().unwrap()
    }

    #[test]
    fn with_none_everything_is_missing_and_nothing_changes() {
        let applied = CalibrationSet::default().apply(RawRig::DEMO, "", today());
        let missing = applied.notes.iter().filter(|note| note.taken == Taken::Missing).count();
        assert_eq!((applied.rig, missing, applied.notes.len()), (RawRig::DEMO, 4, 4));
        let rest = &applied.notes.last().unwrap().text;
        assert_eq!(rest, "no rest run: drift of the gas temperature is the rig file's, ±0.2 mK/s");
        assert_eq!(drift_source(&texts(&applied)), DriftSource::RigFile);
    }

    #[test]
    fn the_latest_counts_and_its_date_is_looked_at() {
        let files = vec![
            one(CalibratedQuantity::Volume, "2026-01-01", "2026-12-31", 44e-6),
            one(CalibratedQuantity::Volume, "2026-02-01", "2026-05-31", 46e-6),
            one(CalibratedQuantity::Blank, "2026-02-01", "2026-06-01", 0.0),
            one(CalibratedQuantity::Transducer, "2026-07-01", "2027-06-01", 0.0),
        ];
        let applied = CalibrationSet { files }.apply(RawRig::DEMO, "", today());
        assert_eq!(applied.rig.far_volume_m3, 46e-6);
        assert_eq!(applied.rig.tau_s, None, "a blank without τ leaves the rig's");
        assert_eq!(applied.rig.far.pa_per_count, RawRig::DEMO.far.pa_per_count / 1.002);
        let starts: Vec<bool> =
            applied.notes.iter().map(|n| n.text.starts_with("OUT OF DATE since 2026-05-31")).collect();
        assert_eq!(starts, [true, false, false, false]);
        assert!(applied.notes[2].text.starts_with("DATED IN THE FUTURE"));
    }

    #[test]
    fn a_reference_leak_stands_in_for_volume_and_gain() {
        let files = vec![
            one(CalibratedQuantity::Leak, "2026-05-01", "2026-12-31", 45.5e-6),
            one(CalibratedQuantity::Blank, "2026-05-01", "2026-12-31", 0.0),
            one(CalibratedQuantity::Transducer, "2026-01-01", "2026-12-31", 0.0),
            one(CalibratedQuantity::Rest, "2026-05-01", "2026-12-31", 0.0),
        ];
        let applied = CalibrationSet { files }.apply(RawRig::DEMO, "", today());
        assert_eq!(applied.rig.far_volume_m3, 45.5e-6);
        assert_eq!(applied.rig.far.pa_per_count, RawRig::DEMO.far.pa_per_count, "or the gain would count twice");
        assert_eq!(applied.rig.gain_u_rel, 0.0);
        assert!(applied.notes.iter().all(|note| matches!(note.taken, Taken::To(_))) && applied.notes.len() == 3);
    }

    #[test]
    fn a_rest_run_sets_the_drift_and_says_so() {
        let files = vec![
            one(CalibratedQuantity::Rest, "2026-01-01", "2026-12-31", 0.0),
            one(CalibratedQuantity::Volume, "2026-01-01", "2026-12-31", 46e-6),
        ];
        let set = CalibrationSet { files };
        let applied = set.apply(RawRig::DEMO, "", today());
        assert_eq!(applied.rig.temperature_drift_u_k_s, 1.1e-3);
        let rest = &applied.notes.last().unwrap().text;
        assert_eq!(rest, "drift of the gas temperature ±1.1 mK/s, by rest run, of 2026-01-01, due 2026-12-31 (x.toml)");
        assert_eq!(drift_source(&texts(&applied)), DriftSource::RestRun);
        let (rig, notes) = set.for_rest(RawRig::DEMO, "");
        assert_eq!((rig.far_volume_m3, rig.temperature_drift_u_k_s, notes.len()), (46e-6, 2e-4, 1));
    }
}
