//! Calibrations: measured properties of a rig, with date and expiry. Each is a dated TOML file; a run applies them
//! with `--calibrations`, and a verdict made without one, or with one out of date, says so.

#![allow(clippy::neg_cmp_op_on_partial_ord, reason = "`!(x > 0.0)` is meant: NaN must fail too")]

pub mod added_volume;
pub mod apply;
pub mod bench;
pub mod blank;
pub mod expansion;
pub mod load;
pub mod reference_leak;
pub mod rest;
pub mod scatter;
pub mod transducer;
pub mod trapped_fall;

use std::path::Path;

use jiff::civil::Date;
use seathold_config::Error;
use seathold_config::config_file::{ConfigFile, template};
use seathold_quantity::{InputError, InputProblem};
use seathold_recording::file::{self, Replace};
use seathold_recording::limits::TYPED_NOTE_MAX;
use seathold_sequencer::field::{Field, Unit};
use seathold_sequencer::rig::RawRig;
use seathold_text::layout::percent;
use seathold_text::messages::with_half_width;

/// A value with its standard uncertainty.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ValueWithU {
    /// The value.
    pub value: f64,
    /// Its standard uncertainty, in the same unit.
    pub u: f64,
}

impl ValueWithU {
    /// The uncertainty as a ratio.
    pub fn u_rel(self) -> f64 {
        self.u / self.value
    }
}

/// Standard uncertainties that two figures of one volume may be apart without a word (our judgement).
pub const APART: f64 = 2.5;

/// Standard uncertainty, as a ratio, with which a volume is no calibration (our judgement): every leak is then as uncertain.
const VOLUME_U_MAX: f64 = 0.1;

/// Whether a far volume found on a rig, in m³, can be its own.
///
/// # Errors
/// In words: where it is hardly known, or the rig's figure contradicts it, since something was then left shut or open that should not
/// have been, or a recording is of something else.
pub fn fits_rig(found: ValueWithU, rig: &RawRig) -> Result<(), String> {
    let (here, there) = (found.value * 1e6, rig.far_volume_m3 * 1e6);
    if !(found.u_rel() <= VOLUME_U_MAX) {
        return Err(format!(
            "{here:.2} cm³ ± {} % is no calibration: take a larger leak, or a larger reference volume",
            percent(found.u_rel())
        ));
    }
    let apart = (here - there).abs() / (found.u * 1e6).hypot(there * rig.far_volume_u_rel);
    if !(apart <= APART) {
        return Err(format!(
            "found {here:.2} ± {:.2} cm³, and the rig says {there:.2} cm³ ± {} %: {apart:.1} standard uncertainties apart, and {APART} are \
             allowed. Find out which is wrong; where the rig's figure is an estimate, its far_volume_u is to say so",
            found.u * 1e6,
            percent(rig.far_volume_u_rel)
        ));
    }
    Ok(())
}

/// A time constant of settling.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TimeConstant {
    /// In seconds.
    pub tau_s: f64,
    /// Its standard uncertainty, as a ratio.
    pub u_rel: f64,
}

/// "0.012 ± 0.003 mm³/s": as a volume at 100 kPa, from Pa·m³/s, like the leaks beside it.
pub fn background_words(pa_m3_s: ValueWithU) -> String {
    format!("{} mm³/s", with_half_width(pa_m3_s.value * 1e4, pa_m3_s.u * 1e4))
}

/// What was calibrated.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum CalibratedQuantity {
    /// Far volume, by expansion.
    Volume,
    /// Far volume and gain together, by a reference leak.
    Leak,
    /// Background leak, and settling time constant.
    Blank,
    /// Zero and gain of the far-side transducer.
    Transducer,
    /// Drift of the gas temperature, with the far side left alone.
    Rest,
}

const SUBJECTS: &[(&str, CalibratedQuantity)] = &[
    ("volume", CalibratedQuantity::Volume),
    ("leak", CalibratedQuantity::Leak),
    ("blank", CalibratedQuantity::Blank),
    ("transducer", CalibratedQuantity::Transducer),
    ("rest", CalibratedQuantity::Rest),
];

impl CalibratedQuantity {
    /// Whether it holds for one adapter, and not for the rig whatever is fitted.
    pub const fn is_of_adapter(self) -> bool {
        matches!(self, Self::Volume | Self::Leak | Self::Blank)
    }

    /// As written in files.
    pub fn name(self) -> &'static str {
        SUBJECTS.iter().find(|(_, s)| *s == self).map_or("", |(name, _)| name)
    }
}

/// The values. Only the fields of its quantity mean anything.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct CalibrationValues {
    /// Far volume, in m³.
    pub far_volume_m3: f64,
    /// Its standard uncertainty, as a ratio.
    pub far_volume_u_rel: f64,
    /// Pascals read for each true one.
    pub gain: f64,
    /// Its standard uncertainty, as a ratio.
    pub gain_u_rel: f64,
    /// Reading at zero, in pascals.
    pub zero_pa: f64,
    /// Background leak and its standard uncertainty, in Pa·m³/s.
    pub background_pa_m3_s: f64,
    /// See above.
    pub background_u_pa_m3_s: f64,
    /// What a leak-free side shows beyond that in a window of ten seconds, its standard uncertainty, and how many sides all this
    /// is the mean and scatter of; 0 where it is of one.
    pub background_early_pa_m3_s: f64,
    /// See above.
    pub background_early_u_pa_m3_s: f64,
    /// See above.
    pub blank_runs: f64,
    /// Time constant in seconds and its standard uncertainty as a ratio; 0 where none was found.
    pub tau_s: f64,
    /// See above.
    pub tau_u_rel: f64,
    /// Standard uncertainty of the drift of the gas temperature, in K/s.
    pub temperature_drift_u_k_s: f64,
}

macro_rules! field {
    ($name:literal, $about:literal, $unit:ident, $min:expr, $max:expr, $to:ident) => {
        Field {
            name: $name,
            about: $about,
            unit: Unit::$unit,
            min: $min,
            max: $max,
            get: |v| v.$to,
            set: |v, x| v.$to = x,
        }
    };
}

const VOLUME: &[Field<CalibrationValues>] = &[
    field!(
        "far_volume",
        "gas trapped between ball and transducer, with the adapter",
        CubicMetre,
        1e-7,
        0.1,
        far_volume_m3
    ),
    field!("far_volume_u", "its standard uncertainty, as a ratio", Ratio, 0.0, 0.5, far_volume_u_rel),
];
const BLANK: &[Field<CalibrationValues>] = &[
    field!("background", "background leak of the rig", PascalCubicMetrePerSecond, -0.1, 0.1, background_pa_m3_s),
    field!("background_u", "its standard uncertainty", PascalCubicMetrePerSecond, 0.0, 0.1, background_u_pa_m3_s),
];
const SCATTER: &[Field<CalibrationValues>] = &[
    field!(
        "background_early",
        "what a leak-free side shows beyond it in a window of ten seconds, in a longer one the less",
        PascalCubicMetrePerSecond,
        -0.1,
        0.1,
        background_early_pa_m3_s
    ),
    field!(
        "background_early_u",
        "its standard uncertainty",
        PascalCubicMetrePerSecond,
        0.0,
        0.1,
        background_early_u_pa_m3_s
    ),
    field!("blank_runs", "leak-free sides that these are the mean and scatter of", Count, 4.0, 10_000.0, blank_runs),
];
const TAU: &[Field<CalibrationValues>] = &[
    field!("tau", "settling time constant of the gas", Second, 0.1, 600.0, tau_s),
    field!("tau_u", "its standard uncertainty, as a ratio", Ratio, 0.0, 0.5, tau_u_rel),
];
const TRANSDUCER: &[Field<CalibrationValues>] = &[
    field!("gain", "pascals read for each true one", Ratio, 0.5, 2.0, gain),
    field!("gain_u", "its standard uncertainty, as a ratio", Ratio, 0.0, 0.1, gain_u_rel),
    field!("zero", "reading at zero; each run takes zero again", PascalRms, -50_000.0, 50_000.0, zero_pa),
];
const REST: &[Field<CalibrationValues>] = &[field!(
    "temperature_drift_u",
    "standard uncertainty of how fast the gas temperature drifts",
    KelvinPerSecond,
    0.0,
    1.0,
    temperature_drift_u_k_s
)];

impl CalibratedQuantity {
    /// Fields that must be there.
    const fn fields(self) -> &'static [Field<CalibrationValues>] {
        match self {
            Self::Volume | Self::Leak => VOLUME,
            Self::Blank => BLANK,
            Self::Transducer => TRANSDUCER,
            Self::Rest => REST,
        }
    }
}

/// One calibration.
#[derive(Clone, Debug, PartialEq)]
pub struct Calibration {
    /// What.
    pub subject: CalibratedQuantity,
    /// The adapter that it holds for; empty where the rig has none, or it is of the rig whatever the adapter.
    pub adapter: String,
    /// When.
    pub made: Date,
    /// The last day it is valid.
    pub expires: Date,
    /// By whom.
    pub by: String,
    /// How, in a line.
    pub method: String,
    /// With which instruments, each with its number and certificate; empty where none is named.
    pub instruments: String,
    /// The values.
    pub values: CalibrationValues,
}

/// What is wrong with the instruments named: they stand in every recording that the calibration is used for.
pub fn instruments_fault(named: &str) -> Option<String> {
    let bytes = named.len();
    (bytes > TYPED_NOTE_MAX).then(|| format!("instruments: {bytes} bytes, and {TYPED_NOTE_MAX} are allowed"))
}

/// Leak volumes in these files are never typed, so no reference pressure is asked for: files hold Pa·m³/s.
const REFERENCE_PA: f64 = 100_000.0;

impl Calibration {
    /// Reads a file.
    ///
    /// # Errors
    /// Everything wrong with it.
    pub fn read(path: &Path) -> Result<Self, Error> {
        Self::from_config(ConfigFile::read(path)?, &path.display().to_string())
    }

    /// Reads a text.
    ///
    /// # Errors
    /// Everything wrong with it.
    pub fn parse(origin: &str, text: &str) -> Result<Self, Error> {
        Self::from_config(ConfigFile::parse(origin, text)?, origin)
    }

    fn from_config(mut config: ConfigFile, origin: &str) -> Result<Self, Error> {
        let mut missing = Vec::new();
        if !config.has("calibration") {
            missing.push("calibration: which one is it? (volume, leak, blank, transducer, rest)".to_owned());
        }
        let subject = config.choice("calibration", SUBJECTS);
        let mut date = |config: &mut ConfigFile, name: &str| {
            let text = config.text(name).unwrap_or_default();
            text.parse::<Date>().unwrap_or_else(|_| {
                missing.push(format!("{name}: \"{text}\" is not a date like \"2026-03-02\""));
                Date::MIN
            })
        };
        let made = date(&mut config, "made");
        let expires = date(&mut config, "expires");
        if expires < made {
            missing.push(format!("expires: {expires} is before it was made, {made}"));
        }
        let adapter = config.text("adapter").unwrap_or_default();
        let by = config.text("by").unwrap_or_default();
        let method = config.text("method").unwrap_or_default();
        let instruments = config.text("instruments").unwrap_or_default();
        missing.extend(instruments_fault(&instruments));
        let mut values = CalibrationValues::default();
        if let Some(subject) = subject {
            for field in subject.fields() {
                if !config.has(field.name) {
                    missing.push(format!("{}: missing ({})", field.name, field.about));
                }
            }
            config.fields(&mut values, subject.fields(), |_| REFERENCE_PA);
            if subject == CalibratedQuantity::Blank && config.has("blank_runs") {
                config.fields(&mut values, SCATTER, |_| REFERENCE_PA);
            }
            if subject == CalibratedQuantity::Blank && config.has("tau") {
                config.fields(&mut values, TAU, |_| REFERENCE_PA);
            }
        }
        config.finish()?;
        match subject {
            Some(subject) if missing.is_empty() => {
                Ok(Self { subject, adapter, made, expires, by, method, instruments, values })
            }
            _ => {
                let problems = missing.into_iter().map(|message| InputProblem { line: None, message }).collect();
                Err(Error::Input(InputError { origin: origin.into(), problems }))
            }
        }
    }

    /// As a file, with the readings it rests on as comments.
    pub fn text(&self, readings: &[String]) -> String {
        let readings: String = readings.iter().map(|r| format!("# {r}\n")).collect();
        let quoted = |text: &str| toml_edit::Value::from(text).to_string().trim().to_owned();
        let adapter = match self.adapter.as_str() {
            "" => String::new(),
            name => format!("adapter = {}\n", quoted(name)),
        };
        let instruments = match self.instruments.as_str() {
            "" => String::new(),
            named => format!("instruments = {}\n", quoted(named)),
        };
        let mut out = format!(
            "# A seathold calibration, for `seathold run --calibrations`.\n{readings}\
             calibration = \"{}\"\n{}made = \"{}\"\nexpires = \"{}\"\nby = {}\nmethod = {}\n{instruments}",
            self.subject.name(),
            adapter,
            self.made,
            self.expires,
            quoted(&self.by),
            quoted(&self.method)
        );
        out.push_str(&template(&self.values, self.subject.fields(), REFERENCE_PA));
        if self.subject == CalibratedQuantity::Blank && self.values.blank_runs > 0.0 {
            out.push_str(&template(&self.values, SCATTER, REFERENCE_PA));
        }
        if self.subject == CalibratedQuantity::Blank && self.values.tau_s > 0.0 {
            out.push_str(&template(&self.values, TAU, REFERENCE_PA));
        }
        out
    }

    /// Writes a new file; one that is there already is somebody's record.
    ///
    /// # Errors
    /// When it is there, or cannot be written.
    pub fn write(&self, path: &Path, readings: &[String]) -> Result<(), Error> {
        if let Some(folder) = path.parent().filter(|f| !f.as_os_str().is_empty()) {
            std::fs::create_dir_all(folder).map_err(|why| Error::file("make", folder, why))?;
        }
        Ok(file::write(path, self.text(readings).as_bytes(), Replace::Never)?)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BLANK_FILE: &str = "calibration = \"blank\"\nmade = \"2026-03-02\"\nexpires = \"2026-09-02\"\n\
        background = \"1e-6 Pa*m3/s\"\nbackground_u = \"2e-6 Pa*m3/s\"\ntau = \"2.1 s\"\ntau_u = 0.03\n";

    #[test]
    fn what_is_written_reads_back() {
        let values = CalibrationValues {
            far_volume_m3: 45.123e-6,
            far_volume_u_rel: 0.004,
            gain: 1.001,
            gain_u_rel: 0.000_5,
            zero_pa: -12.5,
            background_pa_m3_s: 1.2e-6,
            background_u_pa_m3_s: 3e-7,
            background_early_pa_m3_s: 5e-6,
            background_early_u_pa_m3_s: 1e-6,
            blank_runs: 8.0,
            tau_s: 2.13,
            tau_u_rel: 0.02,
            temperature_drift_u_k_s: 3.5e-4,
        };
        for (_, subject) in SUBJECTS {
            let one = Calibration {
                adapter: String::new(),
                subject: *subject,
                made: "2026-03-02".parse().unwrap(),
                expires: "2027-03-02".parse().unwrap(),
                by: "somebody \"else\"".into(),
                method: "as the book says".into(),
                instruments: "gauge G-17, certificate \"2231\"".into(),
                values,
            };
            let text = one.text(&["a reading: 1 bar".into()]);
            let again = Calibration::parse("text", &text).unwrap();
            assert_eq!(again.text(&["a reading: 1 bar".into()]), text);
            for field in subject.fields() {
                assert_eq!((field.get)(&again.values), (field.get)(&values), "{}", field.name);
            }
        }
    }

    #[test]
    fn a_blank_without_a_time_constant_is_one_too() {
        let with = Calibration::parse("x", BLANK_FILE).unwrap();
        assert_eq!((with.values.tau_s, with.values.tau_u_rel), (2.1, 0.03));
        let without = BLANK_FILE.lines().filter(|l| !l.starts_with("tau")).collect::<Vec<_>>().join("\n");
        assert_eq!(Calibration::parse("x", &without).unwrap().values.tau_s, 0.0);
    }

    #[test]
    fn bad_files_say_what_is_wrong() {
        let bad =
            |from: &str, to: &str| Calibration::parse("x", &BLANK_FILE.replace(from, to)).unwrap_err().to_string();
        assert!(bad("\"blank\"", "\"blanc\"").contains("did you mean \"blank\""));
        assert!(bad("2026-09-02", "2026-13-02").contains("is not a date"));
        assert!(bad("2026-09-02", "2025-09-02").contains("before it was made"));
        assert!(bad("background_u = \"2e-6 Pa*m3/s\"\n", "").contains("background_u: missing"));
        assert!(bad("0.03", "3.0").contains("outside"));
        assert!(bad("tau_u", "tau_v").contains("unknown field"));
        let many = format!("instruments = \"{}\"\nbackground_u", "G".repeat(1_001));
        assert!(bad("background_u", &many).contains("instruments: 1001 bytes, and 1000 are allowed"));
        assert!(Calibration::parse("x", "made = \"2026-03-02\"").unwrap_err().to_string().contains("which one is it"));
    }
}
