//! What is fitted of the plant: each field with how well it is known beforehand, and what of a recording tells it.

use seathold_sequencer::field::{Field, Unit};
use seathold_sim::config::{PLANT_FIELDS, RawPlant};

/// How a parameter is varied, with its standard uncertainty before the fit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Before {
    /// Its logarithm is normally distributed: it stays positive, and may be wrong by a factor.
    Factor(f64),
    /// It is normally distributed, in its own unit.
    Plain(f64),
}

/// A parameter of the plant.
#[derive(Clone, Copy, Debug)]
pub struct Parameter {
    /// Its field in a valve file.
    pub name: &'static str,
    /// How it is varied.
    pub before: Before,
    /// What of a recording tells it.
    pub told_by: &'static str,
}

macro_rules! fitted {
    ($name:literal, $before:ident($sd:literal), $by:literal) => {
        Parameter { name: $name, before: Before::$before($sd), told_by: $by }
    };
}

/// What is fitted. The widths are our judgement: a data sheet's conductance is good to a third, a volume taken from a drawing
/// to a factor of 1.6, a time constant of heat to a factor of two.
///
/// Every conductance is among them, though some are hardly told: volumes are told by how fast they fill, and one taken as known would
/// tell a volume that nobody measured.
pub const PARAMETERS: &[Parameter] = &[
    fitted!("far_volume", Factor(0.5), "rig's far volume, reference leak; filling and venting share it out"),
    fitted!("cavity_volume", Factor(0.5), "what the opening ball lets out"),
    fitted!("line_volume", Factor(0.5), "venting of the supply side with the ball shut"),
    fitted!("hose_volume", Factor(0.7), "first moments of filling"),
    fitted!("supply_c", Factor(0.3), "filling"),
    fitted!("supply_b", Plain(0.1), "end of filling"),
    fitted!("vent_c", Factor(0.3), "venting"),
    fitted!("vent_b", Plain(0.1), "end of venting"),
    fitted!("bore_c", Factor(0.5), "filling and emptying through the open ball, hardly"),
    fitted!("crossover_c", Factor(0.7), "the ball in mid-stroke"),
    fitted!("overlap", Plain(0.05), "when the moving ball lets gas through"),
    fitted!("seat_lift", Factor(1.0), "how fast the cavity follows when the supply side is vented"),
    fitted!("lift_full", Factor(0.5), "the same"),
    fitted!("regulator_set", Plain(50000.0), "soak"),
    fitted!("droop", Factor(1.0), "supply while it recovers after filling"),
    fitted!("line_tau", Factor(0.7), "supply side after filling and venting"),
    fitted!("cavity_tau", Factor(0.7), "far side after the ball moved"),
    fitted!("far_tau", Factor(0.7), "far side after filling and after the ball shut"),
    fitted!("wall_ratio", Factor(1.5), "slow part of settling"),
    fitted!("wall_tau", Factor(1.0), "long holds"),
    fitted!("creep", Factor(1.5), "first half minute after venting"),
    fitted!("creep_tau", Factor(1.0), "first half minute after venting"),
    fitted!("dead_time", Plain(0.02), "when the ball opens"),
    fitted!("piston_end", Factor(0.1), "when the ball begins to shut, against how fast it shuts"),
    fitted!("piston_fill", Factor(0.5), "when and how fast the ball opens"),
    fitted!("piston_exhaust", Factor(0.5), "when the ball shuts, where it shows"),
];

/// A plant whose dead time is not rounded to milliseconds, so that it can be varied smoothly.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Guess {
    /// The plant.
    pub plant: RawPlant,
    /// Its dead time, in seconds.
    pub dead_s: f64,
}

impl Guess {
    /// The plant of a valve, with every leak taken out: what its recordings lose is fitted to each.
    pub fn of(plant: &RawPlant) -> Self {
        let none = seathold_sim::config::LeakSpec::NONE;
        let (mut plant, dead_s) = (*plant, f64::from(plant.dead_time_ms) * 1e-3);
        for path in seathold_sim::leak_path::LeakPath::ALL {
            *path.of_mut(&mut plant) = none;
        }
        (plant.debris_a, plant.debris_b, plant.supply_passing) = (none, none, none);
        // What is random in a plant cannot be fitted.
        (plant.joint_load, plant.joint_reseat) = (0.0, 0.0);
        Self { plant, dead_s }
    }
}

impl Parameter {
    /// Its place in [`PARAMETERS`].
    pub fn place(name: &str) -> Option<usize> {
        PARAMETERS.iter().position(|one| one.name == name)
    }

    /// Its field.
    pub fn field(&self) -> Option<&'static Field<RawPlant>> {
        PLANT_FIELDS.iter().find(|field| field.name == self.name)
    }

    /// Its unit; that of the dead time is the second here.
    pub fn unit(&self) -> Unit {
        match self.field() {
            Some(field) if field.unit != Unit::Millisecond => field.unit,
            _ => Unit::Second,
        }
    }

    /// Its value.
    pub fn get(&self, of: &Guess) -> f64 {
        match self.field() {
            Some(field) if field.unit != Unit::Millisecond => (field.get)(&of.plant),
            _ => of.dead_s,
        }
    }

    /// Sets it to `z` standard uncertainties from where it was before the fit, within what its field allows.
    pub fn set(&self, to: &mut Guess, before: &Guess, z: f64) {
        let was = self.get(before);
        let value = match self.before {
            Before::Factor(sd) => was * libm::exp((sd * z).clamp(-20.0, 20.0)),
            Before::Plain(sd) => was + sd * z,
        };
        match self.field() {
            Some(field) if field.unit != Unit::Millisecond => {
                (field.set)(&mut to.plant, value.clamp(field.min, field.max));
            }
            _ => to.dead_s = value.clamp(0.0, 60.0),
        }
    }

    /// How far its `z` is varied for a slope: enough to stand out of the integrator's noise; but what moves the ball no more than a
    /// millisecond of its time, since a flank is short.
    pub fn varied(&self) -> f64 {
        match self.name {
            "piston_fill" | "piston_exhaust" => 0.004,
            "dead_time" | "piston_end" | "overlap" => 0.02,
            _ => 0.05,
        }
    }

    /// How it changes when every volume and with it every flow is larger by a factor: as that, against it, or not at all. Pressures
    /// are then the same, so no pressure tells that factor; the rig's volume and a known leak do.
    pub fn scales(&self) -> f64 {
        match self.unit() {
            Unit::CubicMetre | Unit::SonicConductance | Unit::PascalCubicMetrePerSecond => 1.0,
            _ if self.name == "droop" => -1.0,
            _ => 0.0,
        }
    }

    /// What its `z` changes by when everything is larger by a small share, over that share.
    pub fn scales_z(&self) -> f64 {
        match self.before {
            Before::Factor(sd) => self.scales() / sd,
            Before::Plain(_) => 0.0,
        }
    }

    /// The standard uncertainty of its value for one of `z`.
    pub fn u(&self, value: f64, u_z: f64) -> f64 {
        match self.before {
            Before::Factor(sd) => value * sd * u_z,
            Before::Plain(sd) => sd * u_z,
        }
    }

    /// The interval of so many standard uncertainties about it.
    pub fn interval(&self, value: f64, u_z: f64, k: f64) -> (f64, f64) {
        match self.before {
            Before::Factor(sd) => (value * libm::exp(-k * sd * u_z), value * libm::exp(k * sd * u_z)),
            Before::Plain(sd) => (value - k * sd * u_z, value + k * sd * u_z),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_parameter_is_a_field_of_the_plant() {
        for parameter in PARAMETERS {
            assert!(parameter.field().is_some(), "{}", parameter.name);
            let before = Guess::of(&RawPlant::DEMO);
            let mut guess = before;
            parameter.set(&mut guess, &before, 0.0);
            assert!((parameter.get(&guess) / parameter.get(&before) - 1.0).abs() < 1e-12, "{}", parameter.name);
            parameter.set(&mut guess, &before, 0.5);
            assert!(parameter.get(&guess) > parameter.get(&before), "{}", parameter.name);
        }
    }
}
