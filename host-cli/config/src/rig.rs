//! Rig descriptions as files.

use std::path::Path;

use seathold_quantity::{InputError, InputProblem};
use seathold_sequencer::field::{Field, Unit};
use seathold_sequencer::rig::{FIELDS, RawRig, Rig, Thermometer, Transducer};
use seathold_sequencer::rig_image::{ADAPTER_NAME_MAX, ADAPTERS_MAX, Adapter, DN_MAX, RIG_NAME_MAX, is_name};
use seathold_sequencer::units::Reference;

use super::config_file::{ConfigFile, template};
use crate::Error;

/// Fields of the supply transducer; it is fitted unless the file says `supply_fitted = false`.
const SUPPLY: &[Field<Transducer>] = &[
    Field {
        name: "supply_zero",
        about: "supply-side transducer: counts at atmospheric pressure",
        unit: Unit::Count,
        min: -16_777_216.0,
        max: 16_777_216.0,
        get: |t| t.zero_counts.into(),
        set: |t, v| t.zero_counts = v as i32,
    },
    Field {
        name: "supply_per_count",
        about: "supply-side transducer: pascals a count",
        unit: Unit::PascalPerCount,
        min: 0.001,
        max: 1_000.0,
        get: |t| t.pa_per_count,
        set: |t, v| t.pa_per_count = v,
    },
    Field {
        name: "supply_counts_min",
        about: "supply-side transducer: least counts when healthy",
        unit: Unit::Count,
        min: -16_777_216.0,
        max: 16_777_216.0,
        get: |t| t.counts_min.into(),
        set: |t, v| t.counts_min = v as i32,
    },
    Field {
        name: "supply_counts_max",
        about: "supply-side transducer: most counts when healthy",
        unit: Unit::Count,
        min: -16_777_216.0,
        max: 16_777_216.0,
        get: |t| t.counts_max.into(),
        set: |t, v| t.counts_max = v as i32,
    },
];

/// Fields of the thermometer; it is fitted when the file names any.
const THERMOMETER: &[Field<Thermometer>] = &[
    Field {
        name: "thermometer_zero",
        about: "thermometer: kelvin at a reading of zero",
        unit: Unit::Kelvin,
        min: -10_000.0,
        max: 10_000.0,
        get: |t| t.kelvin_at_zero,
        set: |t, v| t.kelvin_at_zero = v,
    },
    Field {
        name: "thermometer_per_count",
        about: "thermometer: kelvin a count",
        unit: Unit::KelvinPerCount,
        min: 1e-6,
        max: 10.0,
        get: |t| t.kelvin_per_count,
        set: |t, v| t.kelvin_per_count = v,
    },
];

const TAU: &[Field<f64>] = &[Field {
    name: "tau",
    about: "settling time constant of the gas in the far side, from a blank run",
    unit: Unit::Second,
    min: 0.1,
    max: 600.0,
    get: |t| *t,
    set: |t, v| *t = v,
}];

const FITTED: &[(&str, bool)] = &[("yes", true), ("no", false)];

/// Fields of the rig that an adapter has of its own; one that it leaves out is the rig's.
const OF_ADAPTER: [&str; 8] = [
    "far_volume",
    "far_volume_u",
    "background",
    "background_u",
    "background_early",
    "background_early_u",
    "blank_runs",
    "tau_u",
];

/// What the rig of the examples is called.
pub const BUILT_IN: &str = "built-in";

/// A rig as a file describes it.
#[derive(Clone, Debug, PartialEq)]
pub struct RigFile {
    /// File, or "built-in".
    pub origin: String,
    /// What it is called.
    pub name: String,
    /// The rig, without an adapter.
    pub rig: Rig,
    /// Its adapters, each with what it changes of the rig.
    pub adapters: Vec<Adapter>,
}

/// What an adapter is chosen by.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct AdapterChoice<'a> {
    /// Its name, which goes before the DN.
    pub name: Option<&'a str>,
    /// The valve's DN.
    pub dn: Option<u32>,
}

impl RigFile {
    /// The built-in rig.
    ///
    /// # Errors
    /// Never: it is valid.
    pub fn built_in() -> Result<Self, Error> {
        let rig = RawRig::DEMO.validate().map_err(|errors| Error::usage(format!("the built-in rig: {errors}")))?;
        Ok(Self { origin: BUILT_IN.into(), name: BUILT_IN.into(), rig, adapters: Vec::new() })
    }

    /// The rig with the adapter that is chosen, and that adapter's number; as it is, where it has none.
    ///
    /// # Errors
    /// Where none is chosen and it has some, or one that it has not.
    pub fn with(&self, choice: AdapterChoice<'_>) -> Result<(Rig, Option<usize>), Error> {
        let number = choose(&self.adapters, choice).map_err(|why| Error::usage(format!("{}: {why}", self.origin)))?;
        let raw = match number.and_then(|number| self.adapters.get(number)) {
            Some(adapter) => adapter.on(self.rig.raw()),
            None => *self.rig.raw(),
        };
        let rig = raw.validate().map_err(|errors| Error::usage(format!("{}: {errors}", self.origin)))?;
        Ok((rig, number))
    }
}

/// Which of these adapters is chosen; `None` where there are none.
///
/// # Errors
/// In words: where none is chosen and there are some, or one that there is not.
pub fn choose(adapters: &[Adapter], choice: AdapterChoice<'_>) -> Result<Option<usize>, String> {
    let names = || adapters.iter().map(adapter_words).collect::<Vec<_>>().join(", ");
    if let Some(name) = choice.name {
        return match adapters.iter().position(|adapter| adapter.name == name) {
            Some(number) => match (adapters.get(number), choice.dn.and_then(|dn| u16::try_from(dn).ok())) {
                (Some(adapter), Some(dn)) if adapter.dn_max > 0 && !adapter.takes(dn) => {
                    Err(format!("--adapter {name}: it is for {}, and the valve is DN {dn}", dn_words(adapter)))
                }
                _ => Ok(Some(number)),
            },
            None if adapters.is_empty() => {
                Err(format!("--adapter {name}: this rig has no adapters (--rig-file names another)"))
            }
            None => Err(format!("--adapter {name}: this rig has {}", names())),
        };
    }
    if adapters.is_empty() {
        return Ok(None);
    }
    let dn = choice.dn.and_then(|dn| u16::try_from(dn).ok());
    let taking: Vec<usize> = dn.map_or_else(Vec::new, |dn| {
        adapters.iter().enumerate().filter(|(_, adapter)| adapter.takes(dn)).map(|(number, _)| number).collect()
    });
    match (taking.as_slice(), choice.dn) {
        ([one], _) => Ok(Some(*one)),
        ([], Some(dn)) => Err(format!("none of its adapters takes DN {dn}: give --adapter, one of {}", names())),
        ([], None) => Err(format!("it has adapters: give --adapter, one of {}, or --dn", names())),
        (_, _) => Err(format!("several of its adapters take this DN: give --adapter, one of {}", names())),
    }
}

/// An adapter, with the DN it takes.
pub fn adapter_words(adapter: &Adapter) -> String {
    if adapter.dn_max == 0 { adapter.name.to_string() } else { format!("{} ({})", adapter.name, dn_words(adapter)) }
}

fn dn_words(adapter: &Adapter) -> String {
    match (adapter.dn_min, adapter.dn_max) {
        (least, most) if least == most => format!("DN {least}"),
        (least, most) => format!("DN {least} to {most}"),
    }
}

/// A field in which two rigs differ; `None` is a part that is not fitted, or a value that is not known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RigDifference {
    /// The field, as in a file.
    pub name: &'static str,
    /// Its base unit.
    pub unit: Unit,
    /// In the one.
    pub one: Option<f64>,
    /// In the other.
    pub other: Option<f64>,
}

/// Every field of a rig file in which two rigs differ, of parts that need not be fitted as well.
pub fn differences(one: &RawRig, other: &RawRig) -> Vec<RigDifference> {
    /// Of one part.
    fn of<T>(fields: &'static [Field<T>], one: Option<&T>, other: Option<&T>) -> impl Iterator<Item = RigDifference> {
        fields.iter().map(move |field| RigDifference {
            name: field.name,
            unit: field.unit,
            one: one.map(field.get),
            other: other.map(field.get),
        })
    }
    of(FIELDS, Some(one), Some(other))
        .chain(of(SUPPLY, one.supply.as_ref(), other.supply.as_ref()))
        .chain(of(THERMOMETER, one.thermometer.as_ref(), other.thermometer.as_ref()))
        .chain(of(TAU, one.tau_s.as_ref(), other.tau_s.as_ref()))
        .filter(|field| field.one.map(f64::to_bits) != field.other.map(f64::to_bits))
        .collect()
}

/// Reads a rig from a file.
///
/// # Errors
/// Everything wrong with it, at once.
pub fn read(path: &Path) -> Result<RigFile, Error> {
    from_config(ConfigFile::read(path)?, &path.display().to_string())
}

/// Reads a rig from a text.
///
/// # Errors
/// As for [`read`].
pub fn parse(name: &str, text: &str) -> Result<RigFile, Error> {
    from_config(ConfigFile::parse(name, text)?, name)
}

fn from_config(mut config: ConfigFile, origin: &str) -> Result<RigFile, Error> {
    let reference = Reference::ISO_8778.pressure.pascals();
    let mut raw = RawRig::DEMO;
    config.fields(&mut raw, FIELDS, |_| Reference::ISO_8778.pressure.pascals());
    let mut supply = Transducer::DEMO;
    let fitted = config.choice("supply_transducer", FITTED).unwrap_or(true);
    config.fields(&mut supply, SUPPLY, |_| 1.0);
    raw.supply = fitted.then_some(supply);
    if config.has("thermometer_zero") || config.has("thermometer_per_count") {
        let mut thermometer = Thermometer { kelvin_at_zero: 273.15, kelvin_per_count: 0.01 };
        config.fields(&mut thermometer, THERMOMETER, |_| 1.0);
        raw.thermometer = Some(thermometer);
    }
    read_tau(&mut config, &mut raw);
    let name = config.text("name").unwrap_or_else(|| file_stem(origin));
    if !is_name(&name) || name.len() > RIG_NAME_MAX {
        config.wrong("name", "name", &bad_name(&name, RIG_NAME_MAX));
    }
    let rig = raw.validate();
    if let Err(errors) = &rig {
        config.add(errors, reference);
    }
    let tables = config.tables("adapter").len();
    if tables > ADAPTERS_MAX {
        // Not looked at one by one: there may be any number.
        let message = format!("adapter: {tables} of them, and {ADAPTERS_MAX} are allowed");
        let problems = vec![InputProblem { line: None, message }];
        return Err(Error::Input(InputError { origin: origin.into(), problems }));
    }
    let mut adapters: Vec<Adapter> = Vec::new();
    for number in 1..=tables {
        config.within(&format!("adapter[{number}]"));
        if let Some(adapter) = read_adapter(&mut config, &raw, rig.is_ok(), reference) {
            if adapters.iter().any(|other| other.name.eq_ignore_ascii_case(&adapter.name)) {
                config.wrong("name", "name", &format!("\"{}\" is another adapter's name too", adapter.name));
            }
            adapters.push(adapter);
        }
    }
    config.finish()?;
    let rig = rig.map_err(|errors| Error::usage(errors.to_string()))?;
    Ok(RigFile { origin: origin.into(), name, rig, adapters })
}

fn file_stem(origin: &str) -> String {
    Path::new(origin).file_stem().map_or_else(|| "rig".into(), |stem| stem.to_string_lossy().into_owned())
}

fn read_tau(config: &mut ConfigFile, raw: &mut RawRig) {
    if config.has("tau") {
        let mut tau = 0.0;
        config.fields(&mut tau, TAU, |_| 1.0);
        raw.tau_s = Some(tau);
    }
}

/// Of the section that is being read.
fn read_adapter(config: &mut ConfigFile, rig: &RawRig, sound: bool, reference: f64) -> Option<Adapter> {
    let mut raw = *rig;
    for field in FIELDS.iter().filter(|field| OF_ADAPTER.contains(&field.name)) {
        config.field(&mut raw, field, reference);
    }
    read_tau(config, &mut raw);
    if sound && let Err(errors) = raw.validate() {
        config.add(&errors, reference);
    }
    let name = config.text("name").unwrap_or_default();
    let dn = config.text("dn");
    let adapter = Adapter::of(&name, &raw).filter(|adapter| is_name(&adapter.name));
    if adapter.is_none() {
        config.wrong("name", "name", &bad_name(&name, ADAPTER_NAME_MAX));
    }
    let mut adapter = adapter?;
    if let Some(text) = dn {
        match dn_range(&text) {
            Some((least, most)) => (adapter.dn_min, adapter.dn_max) = (least, most),
            None => config.wrong("dn", "dn", &format!("\"{text}\" is no DN like \"25\", nor a range like \"15-25\"")),
        }
    }
    Some(adapter)
}

fn bad_name(name: &str, most: usize) -> String {
    format!(
        "\"{}\" is no name: 1 to {most} bytes of letters that can be seen, without a blank at either end",
        name.escape_debug()
    )
}

/// "25", or "15-25".
fn dn_range(text: &str) -> Option<(u16, u16)> {
    let one = |part: &str| part.trim().parse::<u16>().ok().filter(|dn| (1..=DN_MAX).contains(dn));
    let (least, most) = text.split_once('-').unwrap_or((text, text));
    let (least, most) = (one(least)?, one(most)?);
    (least <= most).then_some((least, most))
}

/// A commented rig file with every field.
pub fn template_file() -> String {
    let raw = RawRig::DEMO;
    let reference = Reference::ISO_8778.pressure.pascals();
    format!(
        "# A seathold rig: what is fitted, what a count is worth, and the limits that belong to the hardware.\n\
         # Every field may be left out; the value here is then the default. Check it with: seathold rig check FILE\n{}\
         \n# whether a transducer is fitted on the supply side: \"yes\" or \"no\"\nsupply_transducer = \"yes\"\n{}\
         \n# Only where fitted or known:\n#\n# thermometer_zero = \"273.15 K\"\n# thermometer_per_count = \"0.01 K/count\"\n# tau = \"4 s\"\n\
         \n# An adapter has a far volume, a background leak and a settling time of its own; what it leaves out is as above.\n\
         # With adapters in the file one is chosen for each test, by its name or by the valve's DN.\n#\n\
         # [[adapter]]\n# name = \"DN 15 thread\"   (16 bytes at most)\n# dn = \"8-15\"\n# far_volume = \"45 cm3\"\n",
        template(&raw, FIELDS, reference),
        template(&Transducer::DEMO, SUPPLY, reference),
    )
}

/// A rig without adapters as a commented file with every field. `head` comes before it: comment lines.
pub fn file_of(raw: &RawRig, head: &str) -> String {
    let fitted = if raw.supply.is_some() { "yes" } else { "no" };
    let mut out = format!(
        "{head}{}\n# whether a transducer is fitted on the supply side: \"yes\" or \"no\"\nsupply_transducer = \"{fitted}\"\n{}",
        template(raw, FIELDS, Reference::ISO_8778.pressure.pascals()),
        template(&raw.supply.unwrap_or(Transducer::DEMO), SUPPLY, 1.0),
    );
    if let Some(thermometer) = &raw.thermometer {
        out.push_str(&template(thermometer, THERMOMETER, 1.0));
    }
    if let Some(tau) = &raw.tau_s {
        out.push_str(&template(tau, TAU, 1.0));
    }
    out
}

/// A rig with its name and its adapters as a commented file with every field.
pub fn file_with_adapters(file: &RigFile, head: &str) -> String {
    let quoted = |text: &str| toml_edit::Value::from(text).to_string();
    let reference = Reference::ISO_8778.pressure.pascals();
    let named = format!("{head}\n# what it is called: {RIG_NAME_MAX} bytes at most\nname = {}\n", quoted(&file.name));
    let mut out = file_of(file.rig.raw(), &named);
    for adapter in &file.adapters {
        let raw = adapter.on(file.rig.raw());
        out.push_str(&format!("\n[[adapter]]\nname = {}\n", quoted(&adapter.name)));
        if (adapter.dn_min, adapter.dn_max) != (0, 0) {
            out.push_str(&format!("dn = \"{}-{}\"\n", adapter.dn_min, adapter.dn_max));
        }
        out.push_str(&template(&raw, FIELDS.iter().filter(|field| OF_ADAPTER.contains(&field.name)), reference));
        if let Some(tau) = &raw.tau_s {
            out.push_str(&template(tau, TAU, 1.0));
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_template_reads_back_as_the_demo_rig() {
        assert_eq!(*parse("template", &template_file()).unwrap().rig.raw(), RawRig::DEMO);
    }

    /// Every part that may be fitted, and none.
    #[test]
    fn a_rig_written_reads_back_as_it_was() {
        let thermometer = Some(Thermometer { kelvin_at_zero: 273.15, kelvin_per_count: 0.01 });
        let full = RawRig { thermometer, tau_s: Some(3.25), far_volume_m3: 47.123_456_789e-6, ..RawRig::DEMO };
        for rig in [full, RawRig { supply: None, ..RawRig::DEMO }] {
            assert_eq!(*parse("written", &file_of(&rig, "# a bench\n")).unwrap().rig.raw(), rig);
        }
    }

    /// With adapters of every kind: for all sizes, for some, with a time constant and without.
    #[test]
    fn adapters_written_read_back_as_they_were() {
        let text = "name = \"bench \\\"3\\\"\"\nsafe_dwell = \"2 s\"\n[[adapter]]\nname = \"any\"\nfar_volume = \"47.123456 cm3\"\n\
                    [[adapter]]\nname = \"DN 50 flange\"\ndn = \"32-50\"\ntau = \"3.25 s\"\nbackground = \"0.02 mm3/s\"\n";
        let read = parse("bench.toml", text).unwrap();
        assert_eq!(parse("bench.toml", &file_with_adapters(&read, "# from a controller\n")).unwrap(), read);
    }

    /// Of every part, fitted or not, whichever way round.
    #[test]
    fn every_field_in_which_rigs_differ_is_named() {
        let demo = RawRig::DEMO;
        assert_eq!(differences(&demo, &demo), []);
        let supply = Transducer { pa_per_count: 20.0, ..Transducer::DEMO };
        let other = RawRig { safe_dwell_ms: 2_000, supply: Some(supply), tau_s: Some(3.0), ..demo };
        let names = |one: &RawRig, other: &RawRig| differences(one, other).iter().map(|d| d.name).collect::<Vec<_>>();
        assert_eq!(names(&demo, &other), ["safe_dwell", "supply_per_count", "tau"]);
        assert_eq!(names(&other, &demo), ["safe_dwell", "supply_per_count", "tau"]);
        let none = RawRig { supply: None, ..demo };
        assert_eq!(names(&demo, &none).len(), SUPPLY.len());
    }

    #[test]
    fn too_many_adapters_are_counted_and_not_looked_at() {
        let text = "[[adapter]]\nname = \"\"\n".repeat(9);
        let why = parse("bench.toml", &text).unwrap_err().to_string();
        assert!(why.contains("adapter: 9 of them, and 8 are allowed") && !why.contains("is no name"), "{why}");
    }
}
