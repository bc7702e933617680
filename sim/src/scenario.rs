//! A scenario: plant, sensors and operator together; and ready-made ones by name.

use crate::config::{Path, PlantSpec, RawPlant};
use crate::operator::{OperatorSpec, RawOperator};
use crate::sensor::{RawSensor, SensorSpec};
use core::fmt;
use seathold_sequencer::field::Errors;
use seathold_sequencer::recipe::Actuation;

/// Everything a simulated run needs but recipe, rig and seed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scenario {
    /// Name, as typed.
    pub name: &'static str,
    /// What it shows, in one line.
    pub about: &'static str,
    /// Gas, heat, valve and leaks.
    pub plant: RawPlant,
    /// Far-side transducer.
    pub far: RawSensor,
    /// Supply-side transducer, used where the rig has one.
    pub supply: RawSensor,
    /// The person.
    pub operator: RawOperator,
}

/// A scenario that has been checked. The only way to one is [`Scenario::validate`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Checked {
    /// Gas, heat, valve and leaks.
    pub plant: PlantSpec,
    /// Far-side transducer.
    pub far: SensorSpec,
    /// Supply-side transducer.
    pub supply: SensorSpec,
    /// The person.
    pub operator: OperatorSpec,
}

/// Everything wrong with a scenario, section by section.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ScenarioErrors {
    /// `plant`.
    pub plant: Errors,
    /// `far`.
    pub far: Errors,
    /// `supply`.
    pub supply: Errors,
    /// `operator`.
    pub operator: Errors,
}

impl ScenarioErrors {
    /// Each section's name with its errors.
    pub const fn sections(&self) -> [(&'static str, &Errors); 4] {
        [("plant", &self.plant), ("far", &self.far), ("supply", &self.supply), ("operator", &self.operator)]
    }

    /// Whether nothing is wrong.
    pub fn is_empty(&self) -> bool {
        self.sections().iter().all(|(_, errors)| errors.as_slice().is_empty())
    }
}

impl fmt::Display for ScenarioErrors {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut first = true;
        for (section, errors) in self.sections() {
            for error in errors.as_slice() {
                if !first {
                    writeln!(f)?;
                }
                first = false;
                write!(f, "{section}.{error}")?;
            }
        }
        Ok(())
    }
}

impl core::error::Error for ScenarioErrors {}

impl Scenario {
    /// A tight valve, worked by air.
    pub const TIGHT: Self = Self {
        name: "tight",
        about: "a good valve: every path below a thousandth of what rate B allows at DN 25",
        plant: RawPlant::DEMO,
        far: RawSensor::DEMO,
        supply: RawSensor::DEMO,
        operator: RawOperator::DEMO,
    };

    const fn with(name: &'static str, about: &'static str, plant: RawPlant) -> Self {
        Self { name, about, plant, ..Self::TIGHT }
    }

    /// The same with a lever instead of an actuator.
    pub const fn by_hand(mut self) -> Self {
        self.plant.actuation = Actuation::Hand;
        self
    }

    /// Checks everything.
    ///
    /// # Errors
    /// All that is wrong, at once.
    pub fn validate(&self) -> Result<Checked, ScenarioErrors> {
        let (plant, far, supply, operator) =
            (self.plant.validate(), self.far.validate(), self.supply.validate(), self.operator.validate());
        match (plant, far, supply, operator) {
            (Ok(plant), Ok(far), Ok(supply), Ok(operator)) => Ok(Checked { plant, far, supply, operator }),
            (plant, far, supply, operator) => Err(ScenarioErrors {
                plant: plant.err().unwrap_or_default(),
                far: far.err().unwrap_or_default(),
                supply: supply.err().unwrap_or_default(),
                operator: operator.err().unwrap_or_default(),
            }),
        }
    }
}

/// The ready-made scenarios. Leak figures are ours, chosen to stand clearly on one side of rate B at DN 25
/// (7.5e-4 Pa·m³/s).
pub const SCENARIOS: &[Scenario] = &[
    Scenario::TIGHT,
    Scenario::with(
        "scratched-seat-a",
        "the seat at end A is scratched: 20 mm³/s",
        RawPlant { seat_a: Path::viscous(2.0e-3), ..RawPlant::DEMO },
    ),
    Scenario::with(
        "stem-leak",
        "the stem packing leaks 15 mm³/s to the room, whichever way round",
        RawPlant { stem: Path::viscous(1.5e-3), ..RawPlant::DEMO },
    ),
    Scenario::with(
        "does-not-shut",
        "grit in the ball: it stops with a third of the stroke to go",
        RawPlant { shut_stop: 0.33, ..RawPlant::DEMO },
    ),
    Scenario::with(
        "rig-leak",
        "the valve is good; a fitting of the rig at the transducer leaks 12 mm³/s",
        RawPlant { rig_leak: Path::viscous(1.2e-3), ..RawPlant::DEMO },
    ),
];

/// A ready-made scenario by name.
pub fn find(name: &str) -> Option<&'static Scenario> {
    SCENARIOS.iter().find(|s| s.name == name)
}
