//! A scenario: plant, sensors and operator together; and ready-made ones by name.

use crate::config::{LeakSpec, PlantSpec, RawPlant};
use crate::operator::{OperatorSpec, RawOperator};
use crate::sensor::{RawSensor, RawThermometer, SensorSpec, ThermometerSpec};
use core::fmt;
use seathold_sequencer::field::Errors;
use seathold_sequencer::recipe::Actuation;

/// Everything a simulated run needs but recipe, rig and seed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scenario {
    /// Name, as typed.
    pub name: &'static str,
    /// Description, in one line.
    pub about: &'static str,
    /// Gas, heat, valve and leaks.
    pub plant: RawPlant,
    /// Far-side transducer.
    pub far: RawSensor,
    /// Supply-side transducer, used where the rig has one.
    pub supply: RawSensor,
    /// Thermometer, used where the rig has one.
    pub thermometer: RawThermometer,
    /// The operator.
    pub operator: RawOperator,
}

/// A validated scenario. Only made by [`Scenario::validate`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Checked {
    /// Gas, heat, valve and leaks.
    pub plant: PlantSpec,
    /// Far-side transducer.
    pub far: SensorSpec,
    /// Supply-side transducer.
    pub supply: SensorSpec,
    /// Thermometer.
    pub thermometer: ThermometerSpec,
    /// The operator.
    pub operator: OperatorSpec,
}

/// All errors of a scenario, by section.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ScenarioErrors {
    /// `plant`.
    pub plant: Errors,
    /// `far`.
    pub far: Errors,
    /// `supply`.
    pub supply: Errors,
    /// `thermometer`.
    pub thermometer: Errors,
    /// `operator`.
    pub operator: Errors,
}

impl ScenarioErrors {
    /// Each section's name with its errors.
    pub const fn sections(&self) -> [(&'static str, &Errors); 5] {
        [
            ("plant", &self.plant),
            ("far", &self.far),
            ("supply", &self.supply),
            ("thermometer", &self.thermometer),
            ("operator", &self.operator),
        ]
    }

    /// Whether there are no errors.
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
    /// A tight, air-operated valve.
    pub const TIGHT: Self = Self {
        name: "tight",
        about: "a good valve: every path below a thousandth of what rate B allows at DN 25",
        plant: RawPlant::DEMO,
        far: RawSensor::DEMO,
        supply: RawSensor::DEMO,
        thermometer: RawThermometer::DEMO,
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
    /// All errors, at once.
    pub fn validate(&self) -> Result<Checked, ScenarioErrors> {
        let plant = self.plant.validate();
        let (far, supply, thermometer) = (self.far.validate(), self.supply.validate(), self.thermometer.validate());
        match (plant, far, supply, thermometer, self.operator.validate()) {
            (Ok(plant), Ok(far), Ok(supply), Ok(thermometer), Ok(operator)) => {
                Ok(Checked { plant, far, supply, thermometer, operator })
            }
            (plant, far, supply, thermometer, operator) => Err(ScenarioErrors {
                plant: plant.err().unwrap_or_default(),
                far: far.err().unwrap_or_default(),
                supply: supply.err().unwrap_or_default(),
                thermometer: thermometer.err().unwrap_or_default(),
                operator: operator.err().unwrap_or_default(),
            }),
        }
    }
}

/// The ready-made scenarios. Leaks are ours, chosen to lie clearly on one side of rate B at DN 25 (7.5e-4 Pa·m³/s).
pub const SCENARIOS: &[Scenario] = &[
    Scenario::TIGHT,
    Scenario::with(
        "scratched-seat-a",
        "the seat at end A is scratched: 20 mm³/s",
        RawPlant { seat_a: LeakSpec::viscous(2.0e-3), ..RawPlant::DEMO },
    ),
    Scenario::with(
        "stem-leak",
        "the stem packing leaks 15 mm³/s to the room, whichever way round",
        RawPlant { stem: LeakSpec::viscous(1.5e-3), ..RawPlant::DEMO },
    ),
    Scenario::with(
        "does-not-shut",
        "debris in the ball: it stops with a third of the stroke to go",
        RawPlant { shut_stop: 0.33, ..RawPlant::DEMO },
    ),
    Scenario::with(
        "rig-leak",
        "the valve is good; a fitting of the rig at the transducer leaks 12 mm³/s",
        RawPlant { rig_leak: LeakSpec::viscous(1.2e-3), ..RawPlant::DEMO },
    ),
    Scenario::with(
        "dirty-seat-b",
        "debris on the seat at end B leaks 30 mm³/s now and then",
        RawPlant { debris_b: LeakSpec::orifice(3.0e-3), ..RawPlant::DEMO },
    ),
    Scenario::with(
        "cracked-joint-b",
        "the end joint at end B cracked when it was twisted: 14 mm³/s, more under load, different each time it is made up",
        RawPlant { joint_b: LeakSpec::viscous(1.4e-3), joint_load: 0.8, joint_reseat: 0.1, ..RawPlant::DEMO },
    ),
    Scenario::with(
        "creeping-seats",
        "a good valve with soft new seats: the far side grows for half a minute after venting",
        RawPlant { creep_m3: 2e-8, creep_tau_s: 12.0, ..RawPlant::DEMO },
    ),
    Scenario::with(
        "low-pilot-air",
        "the actuator gets 1.8 bar where it needs 2.2 to start opening",
        RawPlant { pilot_air_pa: 180_000.0, ..RawPlant::DEMO },
    ),
    Scenario::with(
        "sticking-ball",
        "friction the spring cannot overcome on the last fifth of the way",
        RawPlant { piston_friction_pa: 230_000.0, ..RawPlant::DEMO },
    ),
    Scenario::with(
        "supply-passing",
        "the rig's supply valve passes 40 mm³/s when shut",
        RawPlant { supply_passing: LeakSpec::orifice(4e-3), ..RawPlant::DEMO },
    ),
    Scenario::with(
        "warming-room",
        "a good valve in a shed in the morning sun: 4 K an hour",
        RawPlant { room_drift_k_s: 4.0 / 3_600.0, wall_tau_s: 120.0, ..RawPlant::DEMO },
    ),
];

/// A ready-made scenario by name.
pub fn find(name: &str) -> Option<&'static Scenario> {
    SCENARIOS.iter().find(|s| s.name == name)
}
