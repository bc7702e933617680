//! Every parameter of the simulated rig with its name, unit and range, and the rules between them.
//!
//! Raw as entered, then validated as a whole: [`RawPlant::validate`] and the like report every error at once, in the
//! same form as for recipes. File readers, help and templates use the tables.

use seathold_sequencer::field::{Errors, Field, FieldError, Unit, Validator, conflict};
use seathold_sequencer::recipe::Actuation;

/// A field whose value is an `f64` in the base unit.
macro_rules! real {
    ($name:literal, $about:literal, $unit:ident, $min:expr, $max:expr, $($path:ident).+) => {
        Field {
            name: $name,
            about: $about,
            unit: Unit::$unit,
            min: $min,
            max: $max,
            get: |c| c.$($path).+,
            set: |c, v| c.$($path).+ = v,
        }
    };
}

/// A field kept as a whole number.
macro_rules! whole {
    ($name:literal, $about:literal, $unit:ident, $min:expr, $max:expr, $($path:ident).+) => {
        Field {
            name: $name,
            about: $about,
            unit: Unit::$unit,
            min: $min,
            max: $max,
            get: |c| c.$($path).+.into(),
            set: |c, v| c.$($path).+ = v as _,
        }
    };
}

pub(crate) use {real, whole};

/// Checks every field against its range, then the rules between them.
///
/// # Errors
/// All errors, at once.
pub(crate) fn check_fields<T>(
    raw: &T,
    fields: &[Field<T>],
    rules: impl FnOnce(&T, &mut Validator<&mut dyn FnMut(FieldError)>),
) -> Result<(), Errors> {
    let mut errors = Errors::default();
    let mut report = |error| errors.add(error);
    let mut validator = Validator::<&mut dyn FnMut(FieldError)>::new(&mut report);
    validator.ranges(raw, fields);
    rules(raw, &mut validator);
    if validator.clean() { Ok(()) } else { Err(errors) }
}

/// A leak as entered: its rate, and the share of it through a thin orifice.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct LeakSpec {
    /// Leak in Pa·m³/s at 293.15 K, from 6 bar gauge to a standard atmosphere.
    pub rate: f64,
    /// Share of it through a thin orifice (∝ p1 while choked); the rest is viscous (∝ p1² − p2²).
    pub orifice: f64,
}

impl LeakSpec {
    /// No leak.
    pub const NONE: Self = Self { rate: 0.0, orifice: 0.0 };

    /// A viscous leak.
    pub const fn viscous(rate: f64) -> Self {
        Self { rate, orifice: 0.0 }
    }

    /// An orifice.
    pub const fn orifice(rate: f64) -> Self {
        Self { rate, orifice: 1.0 }
    }
}

/// The plant as entered, not yet validated. Each member says its range; [`PLANT_FIELDS`] is the table they come from.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct RawPlant {
    /// How the valve is actuated.
    pub actuation: Actuation,
    /// Gas between supply valve, vent valve and port: 1e-7 to 0.1 m³.
    pub line_volume_m3: f64,
    /// Gas around the ball: 1e-9 to 0.1 m³.
    pub cavity_volume_m3: f64,
    /// Gas between far port and transducer, without the cavity: 1e-7 to 0.1 m³.
    pub far_volume_m3: f64,
    /// Gas between regulator and supply valve: 1e-6 to 1 m³.
    pub hose_volume_m3: f64,
    /// Time constant of the line's gas to its wall at 6 bar: 1e-4 to 1e9 s.
    pub line_tau_s: f64,
    /// Time constant of the cavity's gas to its wall at 6 bar: 1e-4 to 1e9 s.
    pub cavity_tau_s: f64,
    /// Time constant of the far side's gas to its wall at 6 bar: 1e-4 to 1e9 s.
    pub far_tau_s: f64,
    /// Heat capacity of a wall over that of its gas at 6 bar: 0.01 to 1e9.
    pub wall_ratio: f64,
    /// Time constant of a wall to the room: 0.001 to 1e12 s.
    pub wall_tau_s: f64,
    /// Absolute pressure of the room: 50 000 to 110 000 Pa.
    pub atmosphere_pa: f64,
    /// Temperature of the room at the start: 250 to 330 K.
    pub room_k: f64,
    /// How fast the room warms: −0.01 to 0.01 K/s.
    pub room_drift_k_s: f64,
    /// Gauge pressure the regulator is set to: 0 to 1 200 000 Pa.
    pub regulator_set_pa: f64,
    /// Fall of the regulated pressure at a flow of 1 g/s: 100 to 1 000 000 Pa.
    pub droop_pa: f64,
    /// Supply valve, sonic conductance: 1e-11 to 1e-5 m³/(s·Pa).
    pub supply_c: f64,
    /// Supply valve, critical pressure ratio: 0 to 0.8.
    pub supply_b: f64,
    /// Vent valve with silencer, sonic conductance: 1e-11 to 1e-5 m³/(s·Pa).
    pub vent_c: f64,
    /// Vent valve, critical pressure ratio: 0 to 0.8.
    pub vent_b: f64,
    /// Ball wide open, sonic conductance: 1e-10 to 1e-4 m³/(s·Pa).
    pub bore_c: f64,
    /// Ball wide open, critical pressure ratio: 0 to 0.8.
    pub bore_b: f64,
    /// Crossover at the ball's edge in mid-stroke, sonic conductance: 1e-12 to 1e-5 m³/(s·Pa).
    pub crossover_c: f64,
    /// Share of the stroke before the bore meets the port: 0 to 0.4.
    pub overlap: f64,
    /// Pilot valve: time before the actuator's air starts to move: 0 to 60 000 ms.
    pub dead_time_ms: u32,
    /// Actuator: least time from shut to open: 10 to 60 000 ms.
    pub stroke_time_ms: u32,
    /// Gauge pressure of the actuator's air: 0 to 1 200 000 Pa.
    pub pilot_air_pa: f64,
    /// Actuator pressure against which the spring begins to give: 1 000 to 1 000 000 Pa.
    pub piston_start_pa: f64,
    /// Actuator pressure that holds the valve wide open: 2 000 to 1 200 000 Pa.
    pub piston_end_pa: f64,
    /// Friction of ball and actuator, as actuator pressure: 0 to 1 000 000 Pa.
    pub piston_friction_pa: f64,
    /// Time constant of filling the actuator: 0 to 60 s.
    pub piston_fill_s: f64,
    /// Time constant of exhausting it: 0 to 60 s.
    pub piston_exhaust_s: f64,
    /// Lever: time from shut to open: 10 to 60 000 ms. In files `lever_turn`.
    pub lever_ms: u32,
    /// Where the ball stops when it should be shut: 0 shut, 1 wide open: 0 to 1.
    pub shut_stop: f64,
    /// Leak past a seat the ball has lifted off: 0 to 1 000 Pa·m³/s. In files `seat_lift`.
    pub lift_pa_m3_s: f64,
    /// Pressure that lifts the ball fully off a seat: 100 to 500 000 Pa.
    pub lift_full_pa: f64,
    /// Growth of the far side when the seats have crept under 6 bar: 0 to 1e-6 m³.
    pub creep_m3: f64,
    /// Time constant of the creep: 0.01 to 10 000 s.
    pub creep_tau_s: f64,
    /// Leak of the seat at end A.
    pub seat_a: LeakSpec,
    /// Leak of the seat at end B.
    pub seat_b: LeakSpec,
    /// Leak of the stem packing.
    pub stem: LeakSpec,
    /// Leak of the body joint.
    pub body_joint: LeakSpec,
    /// Leak of the end joint at end A.
    pub joint_a: LeakSpec,
    /// Leak of the end joint at end B.
    pub joint_b: LeakSpec,
    /// How far an end joint's crack opens with load: 0 to 1.
    pub joint_load: f64,
    /// How much an end joint's leak changes each time it is made up: 0 to 2.
    pub joint_reseat: f64,
    /// Intermittent leak by debris on the seat at end A.
    pub debris_a: LeakSpec,
    /// Intermittent leak by debris on the seat at end B.
    pub debris_b: LeakSpec,
    /// Mean time debris leaks: 0.01 to 1 000 000 s.
    pub debris_on_s: f64,
    /// Mean time between: 0.01 to 1 000 000 s.
    pub debris_off_s: f64,
    /// Leak of the rig's own far-side fittings.
    pub rig_leak: LeakSpec,
    /// Leak of the shut supply valve.
    pub supply_passing: LeakSpec,
    /// Relative tolerance of the integrator: 1e-10 to 0.001.
    pub tolerance: f64,
}

impl RawPlant {
    /// A tight, air-operated DN 25 valve on the rig of the examples. Every value is ours, for the demonstration; far
    /// side and cavity together are the 45 cm³ of the example rig, since the cavity is connected to the far side while
    /// the ball is pressed on the other seat.
    pub const DEMO: Self = Self {
        actuation: Actuation::Air,
        line_volume_m3: 30e-6,
        cavity_volume_m3: 5e-6,
        far_volume_m3: 40e-6,
        hose_volume_m3: 500e-6,
        line_tau_s: 1.0,
        cavity_tau_s: 0.4,
        far_tau_s: 1.2,
        wall_ratio: 400.0,
        wall_tau_s: 600.0,
        atmosphere_pa: 101_325.0,
        room_k: 293.15,
        room_drift_k_s: 0.0,
        regulator_set_pa: 600_000.0,
        droop_pa: 10_000.0,
        supply_c: 1.0e-8,
        supply_b: 0.3,
        vent_c: 1.5e-8,
        vent_b: 0.3,
        bore_c: 3e-7,
        bore_b: 0.4,
        crossover_c: 5e-8,
        overlap: 0.15,
        dead_time_ms: 20,
        stroke_time_ms: 200,
        pilot_air_pa: 600_000.0,
        piston_start_pa: 200_000.0,
        piston_end_pa: 350_000.0,
        piston_friction_pa: 20_000.0,
        piston_fill_s: 0.6,
        piston_exhaust_s: 0.5,
        lever_ms: 400,
        shut_stop: 0.0,
        lift_pa_m3_s: 5.0,
        lift_full_pa: 20_000.0,
        creep_m3: 1e-9,
        creep_tau_s: 2.0,
        seat_a: LeakSpec::viscous(2e-6),
        seat_b: LeakSpec::viscous(2e-6),
        stem: LeakSpec::viscous(5e-7),
        body_joint: LeakSpec::viscous(2e-7),
        joint_a: LeakSpec::viscous(2e-7),
        joint_b: LeakSpec::viscous(2e-7),
        joint_load: 0.0,
        joint_reseat: 0.0,
        debris_a: LeakSpec::NONE,
        debris_b: LeakSpec::NONE,
        debris_on_s: 3.0,
        debris_off_s: 5.0,
        rig_leak: LeakSpec::viscous(1e-6),
        supply_passing: LeakSpec::NONE,
        tolerance: 1e-6,
    };
}

impl Default for RawPlant {
    fn default() -> Self {
        Self::DEMO
    }
}

const LEAK_MAX: f64 = 1e3;

/// The plant's fields in the order they are checked and written.
pub const PLANT_FIELDS: &[Field<RawPlant>] = &[
    real!("line_volume", "gas between supply valve, vent valve and port", CubicMetre, 1e-7, 0.1, line_volume_m3),
    real!("cavity_volume", "gas around the ball", CubicMetre, 1e-9, 0.1, cavity_volume_m3),
    real!(
        "far_volume",
        "gas between far port and transducer, without the cavity",
        CubicMetre,
        1e-7,
        0.1,
        far_volume_m3
    ),
    real!("hose_volume", "gas between regulator and supply valve", CubicMetre, 1e-6, 1.0, hose_volume_m3),
    real!("line_tau", "time constant of the line's gas to its wall at 6 bar", Second, 1e-4, 1e9, line_tau_s),
    real!("cavity_tau", "time constant of the cavity's gas to its wall at 6 bar", Second, 1e-4, 1e9, cavity_tau_s),
    real!("far_tau", "time constant of the far side's gas to its wall at 6 bar", Second, 1e-4, 1e9, far_tau_s),
    real!("wall_ratio", "heat capacity of a wall over that of its gas at 6 bar", Ratio, 0.01, 1e9, wall_ratio),
    real!("wall_tau", "time constant of a wall to the room", Second, 1e-3, 1e12, wall_tau_s),
    real!("atmosphere", "absolute pressure of the room", PascalAbsolute, 50_000.0, 110_000.0, atmosphere_pa),
    real!("room", "temperature of the room at the start", Kelvin, 250.0, 330.0, room_k),
    real!("room_drift", "how fast the room warms", KelvinPerSecond, -0.01, 0.01, room_drift_k_s),
    real!("regulator_set", "gauge pressure the regulator is set to", PascalRms, 0.0, 1_200_000.0, regulator_set_pa),
    real!("droop", "fall of the regulated pressure at a flow of 1 g/s", PascalRms, 100.0, 1_000_000.0, droop_pa),
    real!("supply_c", "supply valve, sonic conductance", SonicConductance, 1e-11, 1e-5, supply_c),
    real!("supply_b", "supply valve, critical pressure ratio", Ratio, 0.0, 0.8, supply_b),
    real!("vent_c", "vent valve with silencer, sonic conductance", SonicConductance, 1e-11, 1e-5, vent_c),
    real!("vent_b", "vent valve, critical pressure ratio", Ratio, 0.0, 0.8, vent_b),
    real!("bore_c", "ball wide open, sonic conductance", SonicConductance, 1e-10, 1e-4, bore_c),
    real!("bore_b", "ball wide open, critical pressure ratio", Ratio, 0.0, 0.8, bore_b),
    real!(
        "crossover_c",
        "crossover at the ball's edge in mid-stroke, sonic conductance",
        SonicConductance,
        1e-12,
        1e-5,
        crossover_c
    ),
    real!("overlap", "share of the stroke before the bore meets the port", Ratio, 0.0, 0.4, overlap),
    whole!(
        "dead_time",
        "pilot valve: time before the actuator's air starts to move",
        Millisecond,
        0.0,
        60_000.0,
        dead_time_ms
    ),
    whole!("stroke_time", "actuator: least time from shut to open", Millisecond, 10.0, 60_000.0, stroke_time_ms),
    real!("pilot_air", "gauge pressure of the actuator's air", PascalRms, 0.0, 1_200_000.0, pilot_air_pa),
    real!(
        "piston_start",
        "actuator pressure against which the spring begins to give",
        PascalRms,
        1e3,
        1e6,
        piston_start_pa
    ),
    real!("piston_end", "actuator pressure that holds the valve wide open", PascalRms, 2e3, 1.2e6, piston_end_pa),
    real!(
        "piston_friction",
        "friction of ball and actuator, as actuator pressure",
        PascalRms,
        0.0,
        1e6,
        piston_friction_pa
    ),
    real!("piston_fill", "time constant of filling the actuator", Second, 0.0, 60.0, piston_fill_s),
    real!("piston_exhaust", "time constant of exhausting it", Second, 0.0, 60.0, piston_exhaust_s),
    whole!("lever_turn", "lever: time from shut to open", Millisecond, 10.0, 60_000.0, lever_ms),
    real!("shut_stop", "where the ball stops when it should be shut: 0 shut, 1 wide open", Ratio, 0.0, 1.0, shut_stop),
    real!(
        "seat_lift",
        "leak past a seat the ball has lifted off",
        PascalCubicMetrePerSecond,
        0.0,
        LEAK_MAX,
        lift_pa_m3_s
    ),
    real!("lift_full", "pressure that lifts the ball fully off a seat", PascalRms, 100.0, 500_000.0, lift_full_pa),
    real!("creep", "growth of the far side when the seats have crept under 6 bar", CubicMetre, 0.0, 1e-6, creep_m3),
    real!("creep_tau", "time constant of the creep", Second, 1e-2, 1e4, creep_tau_s),
    real!("seat_a", "leak of the seat at end A", PascalCubicMetrePerSecond, 0.0, LEAK_MAX, seat_a.rate),
    real!("seat_a_orifice", "share of it through an orifice", Ratio, 0.0, 1.0, seat_a.orifice),
    real!("seat_b", "leak of the seat at end B", PascalCubicMetrePerSecond, 0.0, LEAK_MAX, seat_b.rate),
    real!("seat_b_orifice", "share of it through an orifice", Ratio, 0.0, 1.0, seat_b.orifice),
    real!("stem", "leak of the stem packing", PascalCubicMetrePerSecond, 0.0, LEAK_MAX, stem.rate),
    real!("stem_orifice", "share of it through an orifice", Ratio, 0.0, 1.0, stem.orifice),
    real!("body_joint", "leak of the body joint", PascalCubicMetrePerSecond, 0.0, LEAK_MAX, body_joint.rate),
    real!("body_joint_orifice", "share of it through an orifice", Ratio, 0.0, 1.0, body_joint.orifice),
    real!("joint_a", "leak of the end joint at end A", PascalCubicMetrePerSecond, 0.0, LEAK_MAX, joint_a.rate),
    real!("joint_a_orifice", "share of it through an orifice", Ratio, 0.0, 1.0, joint_a.orifice),
    real!("joint_b", "leak of the end joint at end B", PascalCubicMetrePerSecond, 0.0, LEAK_MAX, joint_b.rate),
    real!("joint_b_orifice", "share of it through an orifice", Ratio, 0.0, 1.0, joint_b.orifice),
    real!("joint_load", "how far an end joint's crack opens with load", Ratio, 0.0, 1.0, joint_load),
    real!(
        "joint_reseat",
        "how much an end joint's leak changes each time it is made up",
        Ratio,
        0.0,
        2.0,
        joint_reseat
    ),
    real!(
        "debris_a",
        "intermittent leak by debris on the seat at end A",
        PascalCubicMetrePerSecond,
        0.0,
        LEAK_MAX,
        debris_a.rate
    ),
    real!("debris_a_orifice", "share of it through an orifice", Ratio, 0.0, 1.0, debris_a.orifice),
    real!(
        "debris_b",
        "intermittent leak by debris on the seat at end B",
        PascalCubicMetrePerSecond,
        0.0,
        LEAK_MAX,
        debris_b.rate
    ),
    real!("debris_b_orifice", "share of it through an orifice", Ratio, 0.0, 1.0, debris_b.orifice),
    real!("debris_on", "mean time debris leaks", Second, 0.01, 1e6, debris_on_s),
    real!("debris_off", "mean time between", Second, 0.01, 1e6, debris_off_s),
    real!(
        "rig_leak",
        "leak of the rig's own far-side fittings",
        PascalCubicMetrePerSecond,
        0.0,
        LEAK_MAX,
        rig_leak.rate
    ),
    real!("rig_leak_orifice", "share of it through an orifice", Ratio, 0.0, 1.0, rig_leak.orifice),
    real!(
        "supply_passing",
        "leak of the shut supply valve",
        PascalCubicMetrePerSecond,
        0.0,
        LEAK_MAX,
        supply_passing.rate
    ),
    real!("supply_passing_orifice", "share of it through an orifice", Ratio, 0.0, 1.0, supply_passing.orifice),
    real!("tolerance", "relative tolerance of the integrator", Ratio, 1e-10, 1e-3, tolerance),
];

impl RawPlant {
    /// Checks every field and every rule between fields.
    ///
    /// # Errors
    /// All errors, at once.
    pub fn validate(&self) -> Result<PlantSpec, Errors> {
        let metre = Unit::CubicMetre;
        check_fields(self, PLANT_FIELDS, |raw, validator| {
            let room = 0.05 * raw.far_volume_m3;
            validator.require(
                raw.creep_m3 <= room,
                conflict(
                    "creep",
                    metre,
                    raw.creep_m3,
                    "must stay below a twentieth of the far side,",
                    room,
                    "far_volume",
                ),
            );
            validator.require(
                raw.piston_start_pa < raw.piston_end_pa,
                conflict(
                    "piston_start",
                    Unit::PascalRms,
                    raw.piston_start_pa,
                    "must stay below",
                    raw.piston_end_pa,
                    "piston_end",
                ),
            );
            validator.require(
                raw.crossover_c <= raw.bore_c,
                conflict(
                    "crossover_c",
                    Unit::SonicConductance,
                    raw.crossover_c,
                    "must not exceed the open ball's,",
                    raw.bore_c,
                    "bore_c",
                ),
            );
        })
        .map(|()| PlantSpec { raw: *self })
    }
}

/// A plant validated as a whole. Only made by [`RawPlant::validate`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PlantSpec {
    raw: RawPlant,
}

impl PlantSpec {
    /// The raw values.
    pub const fn raw(&self) -> &RawPlant {
        &self.raw
    }
}
