//! Rig descriptions as files.

use std::path::Path;

use seathold_sequencer::field::{Field, Unit};
use seathold_sequencer::rig::{FIELDS, RawRig, Rig, Thermometer, Transducer};
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

/// Reads a rig from a file.
///
/// # Errors
/// Everything wrong with it, at once.
pub fn read(path: &Path) -> Result<Rig, Error> {
    from_config(ConfigFile::read(path)?)
}

/// Reads a rig from a text.
///
/// # Errors
/// As for [`read`].
pub fn parse(name: &str, text: &str) -> Result<Rig, Error> {
    from_config(ConfigFile::parse(name, text)?)
}

fn from_config(mut config: ConfigFile) -> Result<Rig, Error> {
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
    if config.has("tau") {
        let mut tau = 0.0;
        config.fields(&mut tau, TAU, |_| 1.0);
        raw.tau_s = Some(tau);
    }
    match raw.validate() {
        Ok(rig) => config.finish().map(|()| rig),
        Err(errors) => {
            config.add(&errors, reference);
            config.finish().and(Err(Error::usage("the rig is not valid")))
        }
    }
}

/// A commented rig file with every field.
pub fn template_file() -> String {
    let raw = RawRig::DEMO;
    let reference = Reference::ISO_8778.pressure.pascals();
    format!(
        "# A seathold rig: what is fitted, what a count is worth, and the limits that belong to the hardware.\n\
         # Every field may be left out; the value here is then the default. Check it with: seathold rig check FILE\n{}\
         \n# whether a transducer is fitted on the supply side: \"yes\" or \"no\"\nsupply_transducer = \"yes\"\n{}\
         \n# Only where fitted or known:\n#\n# thermometer_zero = \"273.15 K\"\n# thermometer_per_count = \"0.01 K/count\"\n# tau = \"4 s\"\n",
        template(&raw, FIELDS, reference),
        template(&Transducer::DEMO, SUPPLY, reference),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_template_reads_back_as_the_demo_rig() {
        assert_eq!(*parse("template", &template_file()).unwrap().raw(), RawRig::DEMO);
    }
}
