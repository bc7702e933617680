//! Simulated valves, with the rig and the operator around them, as files.

use std::path::Path;

use seathold_quantity::did_you_mean;
use seathold_sequencer::field::Field;
use seathold_sequencer::recipe::Actuation;
use seathold_sequencer::units::Reference;
use seathold_sim::config::{PLANT_FIELDS, RawPlant};
use seathold_sim::operator::{Mistake, OPERATOR_FIELDS, RawOperator};
use seathold_sim::scenario::{self, SCENARIOS, Scenario};
use seathold_sim::sensor::{RawSensor, RawThermometer, SENSOR_FIELDS, THERMOMETER_FIELDS};

use super::config_file::{ConfigFile, template};
use super::fault::{self, FaultSpec};
use crate::Error;

/// A built-in valve: an embedded file.
#[derive(Clone, Copy, Debug)]
pub struct BuiltIn {
    /// As typed.
    pub name: &'static str,
    /// The file.
    pub text: &'static str,
}

macro_rules! built_in {
    ($name:literal) => {
        BuiltIn { name: $name, text: include_str!(concat!("../examples/valves/", $name, ".toml")) }
    };
}

/// The built-in valves.
pub const BUILT_IN: &[BuiltIn] = &[
    built_in!("tight"),
    built_in!("scratched-seat-a"),
    built_in!("stem-leak"),
    built_in!("does-not-shut"),
    built_in!("rig-leak"),
    built_in!("hand"),
    built_in!("hand-half-shut"),
];

/// A valve read from a file or built in, not yet checked.
#[derive(Clone, Debug)]
pub struct SimValve {
    /// File or built-in name.
    pub name: String,
    /// What it demonstrates.
    pub about: String,
    /// Its serial number, where it has one.
    pub serial: Option<String>,
    /// Plant, sensors and operator.
    pub scenario: Scenario,
    /// Its injected faults.
    pub faults: Vec<FaultSpec>,
}

/// Every name that [`find`] knows: the shop's valves, then the plant's own cases.
pub fn names() -> impl Iterator<Item = &'static str> {
    let shop = || BUILT_IN.iter().map(|b| b.name);
    shop().chain(SCENARIOS.iter().map(|s| s.name).filter(move |name| shop().all(|known| known != *name)))
}

const ACTUATIONS: &[(&str, Actuation)] = &[("air", Actuation::Air), ("hand", Actuation::Hand)];

fn bases() -> Vec<(&'static str, &'static Scenario)> {
    SCENARIOS.iter().map(|s| (s.name, s)).collect()
}

/// A built-in valve by name, or one from a file.
///
/// # Errors
/// Everything wrong with it, at once; for a name that is neither, the names there are.
pub fn find(name: &str, reference_pa: f64) -> Result<SimValve, Error> {
    if let Some(found) = BUILT_IN.iter().find(|b| b.name == name) {
        return parse(name, found.text, reference_pa);
    }
    if let Some(scenario) = scenario::find(name) {
        return Ok(SimValve {
            name: name.into(),
            about: scenario.about.into(),
            serial: None,
            scenario: *scenario,
            faults: Vec::new(),
        });
    }
    let path = Path::new(name);
    if path.exists() || path.extension().is_some() {
        return read_config(ConfigFile::read(path)?, name, reference_pa);
    }
    let hint = did_you_mean(name, names());
    Err(Error::usage(format!(
        "--valve {name}: neither a file nor a built-in valve{hint} (`seathold valve list` names them)"
    )))
}

/// Reads a valve from a text.
///
/// # Errors
/// Everything wrong with it, at once.
pub fn parse(name: &str, text: &str, reference_pa: f64) -> Result<SimValve, Error> {
    read_config(ConfigFile::parse(name, text)?, name, reference_pa)
}

fn read_config(mut config: ConfigFile, name: &str, reference_pa: f64) -> Result<SimValve, Error> {
    let base = config.choice("based_on", &bases()).unwrap_or(&Scenario::TIGHT);
    let about = config.text("about").unwrap_or_default();
    let serial = config.text("serial");
    let mut scenario = *base;
    apply(&mut config, &mut scenario, reference_pa);
    let faults = fault::read(&mut config, reference_pa);
    config.finish()?;
    Ok(SimValve { name: name.into(), about, serial, scenario, faults })
}

/// Applies a file to a scenario, and checks the result.
fn apply(config: &mut ConfigFile, scenario: &mut Scenario, reference_pa: f64) {
    section(config, "plant", &mut scenario.plant, PLANT_FIELDS, reference_pa);
    scenario.plant.actuation = config.choice("actuation", ACTUATIONS).unwrap_or(scenario.plant.actuation);
    section(config, "far", &mut scenario.far, SENSOR_FIELDS, reference_pa);
    section(config, "supply", &mut scenario.supply, SENSOR_FIELDS, reference_pa);
    section(config, "thermometer", &mut scenario.thermometer, THERMOMETER_FIELDS, reference_pa);
    section(config, "operator", &mut scenario.operator, OPERATOR_FIELDS, reference_pa);
    scenario.operator.mistake = config.choice("mistake", Mistake::NAMES).unwrap_or(scenario.operator.mistake);
    if let Err(errors) = scenario.validate() {
        for (name, errors) in errors.sections() {
            config.within(name);
            config.add(errors, reference_pa);
        }
    }
}

fn section<T>(config: &mut ConfigFile, name: &str, to: &mut T, fields: &'static [Field<T>], reference_pa: f64) {
    config.within(name);
    for field in fields {
        config.field(to, field, reference_pa);
    }
}

impl SimValve {
    /// Applies options of the command line: `("plant.seat_a", "3 mm3/s")`.
    ///
    /// # Errors
    /// Everything wrong with them, at once.
    pub fn set<'a>(
        &mut self,
        options: impl Iterator<Item = (&'a str, &'a str)>,
        reference_pa: f64,
    ) -> Result<(), Error> {
        let mut config = ConfigFile::from_options(options);
        apply(&mut config, &mut self.scenario, reference_pa);
        config.finish()
    }

    /// Every setting by name, for the recording: enough to run it again.
    pub fn settings(&self, reference_pa: f64) -> Vec<(String, String)> {
        let scenario = &self.scenario;
        let mut list = vec![("plant.actuation".into(), word(ACTUATIONS, scenario.plant.actuation))];
        list_fields(&mut list, "plant", &scenario.plant, PLANT_FIELDS, reference_pa);
        list_fields(&mut list, "far", &scenario.far, SENSOR_FIELDS, reference_pa);
        list_fields(&mut list, "supply", &scenario.supply, SENSOR_FIELDS, reference_pa);
        list_fields(&mut list, "thermometer", &scenario.thermometer, THERMOMETER_FIELDS, reference_pa);
        list.push(("operator.mistake".into(), word(Mistake::NAMES, scenario.operator.mistake)));
        list_fields(&mut list, "operator", &scenario.operator, OPERATOR_FIELDS, reference_pa);
        list.extend(self.faults.iter().map(|written| ("fault".to_owned(), written.text.clone())));
        list
    }
}

fn word<T: PartialEq>(words: &[(&str, T)], value: T) -> String {
    words.iter().find(|(_, v)| *v == value).map_or_else(String::new, |(word, _)| (*word).to_owned())
}

fn list_fields<T>(list: &mut Vec<(String, String)>, section: &str, values: &T, fields: &[Field<T>], reference_pa: f64) {
    for field in fields {
        let kind = seathold_quantity::Dimension(field.unit);
        let value = (field.get)(values);
        let text = match field.unit {
            seathold_sequencer::field::Unit::Flag => (value != 0.0).to_string(),
            _ => kind.base().write(kind, value, reference_pa),
        };
        list.push((format!("{section}.{}", field.name), text));
    }
}

/// A commented valve file with every field.
pub fn template_file() -> String {
    let scenario = scenario::find("tight").copied().unwrap_or(Scenario::TIGHT);
    let head = "# A simulated valve for `seathold run --valve FILE`, with the rig and the operator around it.\n\
         # Every field may be left out; it is then as in the valve that this one is based on.\n\
         # A leak is stated from 6 bar gauge to the room, at 20 °C.\n";
    format!("{}\n{}", file_of(&scenario, "what it shows", "HM-000", head), fault::TEMPLATE)
}

/// A valve as a commented file with every field, without faults. `head` comes before it: comment lines.
pub fn file_of(valve: &Scenario, about: &str, serial: &str, head: &str) -> String {
    let reference = Reference::ISO_8778.pressure.pascals();
    let names: Vec<&str> = SCENARIOS.iter().map(|s| s.name).collect();
    let mistakes: Vec<String> = Mistake::NAMES.iter().map(|(word, _)| format!("\"{word}\"")).collect();
    format!(
        "{head}\n# one of {}\nbased_on = \"tight\"\nabout = {}\nserial = {}\n\
         \n[plant]\n# how the valve is worked: \"air\" (spring return) or \"hand\"\nactuation = \"{}\"\n{}\
         \n# Far-side transducer.\n[far]\n{}\n# Supply-side transducer, where the rig has one.\n[supply]\n{}\
         \n# Thermometer, where the rig has one.\n[thermometer]\n{}\
         \n# The operator at the bench.\n[operator]\n# what goes wrong: {}\nmistake = \"{}\"\n{}",
        names.join(", "),
        quoted(about),
        quoted(serial),
        word(ACTUATIONS, valve.plant.actuation),
        template::<RawPlant>(&valve.plant, PLANT_FIELDS, reference),
        template::<RawSensor>(&valve.far, SENSOR_FIELDS, reference),
        template::<RawSensor>(&valve.supply, SENSOR_FIELDS, reference),
        template::<RawThermometer>(&valve.thermometer, THERMOMETER_FIELDS, reference),
        mistakes.join(", "),
        word(Mistake::NAMES, valve.operator.mistake),
        template::<RawOperator>(&valve.operator, OPERATOR_FIELDS, reference),
    )
}

/// A text as TOML has it.
fn quoted(text: &str) -> String {
    toml_edit::Value::from(text).to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_template_reads_back_as_the_tight_valve() {
        let config = ConfigFile::parse("template", &template_file()).unwrap();
        let valve = read_config(config, "template", 100_000.0).unwrap();
        assert_eq!(valve.scenario, Scenario::TIGHT);
    }

    #[test]
    fn a_valve_written_reads_back_as_it_was() {
        for built_in in BUILT_IN {
            let valve = find(built_in.name, 100_000.0).unwrap();
            let text = file_of(&valve.scenario, "a \"quoted\" \\ text", "HM-9", "# a bench\n");
            let again = parse("written", &text, 100_000.0).unwrap();
            let named = Scenario { name: valve.scenario.name, about: valve.scenario.about, ..again.scenario };
            assert_eq!((named, again.about.as_str()), (valve.scenario, "a \"quoted\" \\ text"), "{}", built_in.name);
        }
    }

    #[test]
    fn every_built_in_valve_is_valid_and_says_what_it_is() {
        for built_in in BUILT_IN {
            let valve = find(built_in.name, 100_000.0).unwrap();
            assert!(!valve.about.is_empty() && valve.serial.is_some(), "{}", built_in.name);
        }
    }

    #[test]
    fn settings_build_the_same_valve() {
        for built_in in BUILT_IN {
            let valve = find(built_in.name, 100_000.0).unwrap();
            let settings = valve.settings(100_000.0);
            let mut again = find("tight", 100_000.0).unwrap();
            again.set(settings.iter().map(|(n, v)| (n.as_str(), v.as_str())), 100_000.0).unwrap();
            let named = Scenario { name: valve.scenario.name, about: valve.scenario.about, ..again.scenario };
            assert_eq!(named, valve.scenario, "{}", built_in.name);
        }
    }
}
