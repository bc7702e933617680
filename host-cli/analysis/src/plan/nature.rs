//! A valve and a rig as they may be, drawn from what is said of them: what a forecast runs the program on.
//!
//! The simulated plant with everything drawn that its owner cannot know: each error that the budget speaks of from its stated
//! uncertainty, the time constant of the gas from its calibration or, without one, from the whole range of the recipe, and what
//! no file says (cavity, wall, creep of the seats) from the ranges below.

use seathold_sequencer::input::Side;
use seathold_sequencer::recipe::{Actuation, RawRecipe};
use seathold_sequencer::rig::{BLANK_RUNS_MIN, EARLY_S, RawRig};
use seathold_sim::config::{LeakSpec, RawPlant};
use seathold_sim::gas;
use seathold_sim::noise::{Noise, Stream};
use seathold_sim::scenario::Scenario;
use seathold_sim::sensor::RawSensor;

use super::{PlanGoal, TimeConstantKnowledge};
use crate::fleet::sampling::SampledValve;

/// What is drawn between bounds, evenly in its logarithm. Ours: the ranges that `docs/figures.md` draws its known valves from,
/// with walls as light as the budget allows for.
#[derive(Clone, Copy, Debug)]
struct Between(f64, f64);

impl Between {
    fn draw(self, chance: &mut Noise) -> f64 {
        self.0 * libm::pow(self.1 / self.0, chance.uniform())
    }
}

/// Share of the far volume that is cavity.
const CAVITY_SHARE: Between = Between(0.05, 0.15);
/// Time constant of the cavity's gas over the far side's.
const CAVITY_TAU: Between = Between(0.15, 0.6);
/// Heat capacity of the wall over that of its gas at 6 bar gauge.
const WALL_RATIO: Between = Between(700.0, 5_000.0);
/// The wall's time constant to the room, s.
const WALL_TAU_S: Between = Between(300.0, 1_200.0);
/// Growth of the far side by creep under 6 bar, over its volume.
const CREEP: Between = Between(2e-6, 1e-4);
/// Its time constant, s.
const CREEP_TAU_S: Between = Between(0.5, 5.0);
/// The time constant of the creep that stands for what blank runs have found, s.
const FOUND_TAU_S: f64 = 15.0;
/// Volume that the plant's own valves and lines are made for; others are filled and vented through others, as fast.
const BUILT_FOR_M3: f64 = 45e-6;

/// One side to test.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drawn {
    /// Valve, gas and transducers as they are.
    pub scenario: Scenario,
    /// The rig as its file has it.
    pub rig: RawRig,
}

/// Draws a side whose leak is `share` of the limit, for this recipe.
///
/// The same seed draws the same errors whatever the goal, so that two goals are compared on the same valves.
pub fn draw(goal: &PlanGoal, recipe: &RawRecipe, share: f64, seed: u64) -> Drawn {
    let mut chance = Noise::new(seed, Stream::Fleet);
    let mut rig = goal.rig;
    let absolute = goal.absolute_pa();

    let range = Between(f64::from(recipe.tau_ms_min) / 1e3, f64::from(recipe.tau_ms_max) / 1e3);
    let (anywhere, off) = (range.draw(&mut chance), chance.normal());
    let tau_s = match goal.tau {
        TimeConstantKnowledge::Calibrated => rig.tau_s.unwrap_or(anywhere) * libm::exp(rig.tau_u_rel * off),
        TimeConstantKnowledge::Unknown => anywhere,
        TimeConstantKnowledge::ToBeFound => {
            rig.tau_s = Some((anywhere * libm::exp(-rig.tau_u_rel * off)).clamp(range.0, range.1));
            anywhere
        }
    };
    // The same film acts the faster the thinner the gas.
    let stated = gas::LEAK_STATED_AT_GAUGE + gas::LEAK_STATED_INTO;
    let far_tau_s = (tau_s * stated / absolute).clamp(1e-3, 1e6);

    let volume = (rig.far_volume_m3 * (1.0 + rig.far_volume_u_rel * chance.normal()))
        .max(0.2 * rig.far_volume_m3)
        .clamp(1.1e-7, 0.1);
    let cavity = (CAVITY_SHARE.draw(&mut chance) * volume).min(volume - 1e-7).max(1e-9);
    let gain = rig.gain_u_rel * chance.normal();
    let warming = rig.temperature_drift_u_k_s * chance.normal();
    let (lasting, early) = (chance.normal(), chance.normal());
    let cavity_tau_s = far_tau_s * CAVITY_TAU.draw(&mut chance);
    let (mut wall_ratio, wall_tau_s) = (WALL_RATIO.draw(&mut chance), WALL_TAU_S.draw(&mut chance));
    let (mut creep_m3, mut creep_tau_s) = (CREEP.draw(&mut chance) * volume, CREEP_TAU_S.draw(&mut chance));
    let orifice = chance.uniform();

    let mut background = rig.background_pa_m3_s + rig.background_u_pa_m3_s * lasting;
    if goal.rig.blank_runs >= BLANK_RUNS_MIN && !goal.blank_runs_simulated {
        // How leak-free sides vary is stated, so it is not drawn a second time: `b·10 s/T` is what has crept when it is over.
        let early = rig.background_early_pa_m3_s + rig.background_early_u_pa_m3_s * early;
        let since_s = f64::from(recipe.vent_ms + recipe.settle_ms) / 1e3;
        creep_tau_s = FOUND_TAU_S;
        creep_m3 = early.max(0.0) * EARLY_S / absolute * libm::exp((since_s / FOUND_TAU_S).min(20.0));
        wall_ratio = 1e6;
    } else if goal.blank_runs_simulated {
        background = goal.rig_leak_pa_m3_s;
    }
    // The plant's creep is stated under 6 bar gauge.
    creep_m3 *= gas::LEAK_STATED_AT_GAUGE / f64::from(goal.target_pa);

    let larger = (volume / BUILT_FOR_M3).max(0.02);
    let demo = RawPlant::DEMO;
    let target = f64::from(goal.target_pa);
    let mut plant = RawPlant {
        actuation: recipe.actuation,
        far_volume_m3: volume - cavity,
        cavity_volume_m3: cavity,
        far_tau_s,
        cavity_tau_s,
        line_tau_s: far_tau_s,
        wall_ratio,
        wall_tau_s,
        atmosphere_pa: rig.atmosphere_pa,
        room_k: recipe.gas_k.clamp(250.0, 330.0),
        // Where a thermometer follows the gas, it is the room that drifts; without one, see below.
        room_drift_k_s: if rig.thermometer.is_some() { warming.clamp(-0.01, 0.01) } else { 0.0 },
        regulator_set_pa: target,
        supply_c: (demo.supply_c * larger).min(1e-5),
        vent_c: (demo.vent_c * larger).min(1e-5),
        bore_c: (demo.bore_c * larger).min(1e-4),
        crossover_c: (demo.crossover_c * larger).min(1e-5),
        // Else a large cavity would take minutes to come to the far side's pressure.
        lift_pa_m3_s: (demo.lift_pa_m3_s * larger).min(1e3),
        line_volume_m3: (demo.line_volume_m3 * larger).min(0.1),
        hose_volume_m3: (demo.hose_volume_m3 * larger).min(1.0),
        droop_pa: (demo.droop_pa / larger).max(100.0),
        creep_m3: creep_m3.min(0.04 * (volume - cavity)).min(1e-6),
        creep_tau_s,
        seat_a: LeakSpec::NONE,
        seat_b: LeakSpec::NONE,
        stem: LeakSpec::NONE,
        body_joint: LeakSpec::NONE,
        joint_a: LeakSpec::NONE,
        joint_b: LeakSpec::NONE,
        rig_leak: LeakSpec::NONE,
        ..demo
    };
    let per_reference = gas::T_REF / goal.reference_k;
    plant.seat_a =
        LeakSpec { rate: stated_rate(&plant, share * goal.limit.pa_m3_s() * per_reference, orifice, target), orifice };
    plant.rig_leak = LeakSpec::viscous(stated_rate(&plant, background.max(0.0) * per_reference, 0.0, target));

    // Gas that warms or cools shows as a slope of the pressure: p/T·dT/dt.
    let drift = if rig.thermometer.is_some() { 0.0 } else { absolute / recipe.gas_k * warming };
    let far = RawSensor {
        noise_pa: goal.noise_pa,
        gain_error: gain.clamp(-0.4, 0.4),
        drift_pa_s: drift.clamp(-100.0, 100.0),
        period_ms: recipe.sample_period_ms,
        ..RawSensor::DEMO
    };
    let scenario = Scenario { plant, far, ..Scenario::TIGHT };
    let scenario = if recipe.actuation == Actuation::Hand { scenario.by_hand() } else { scenario };
    Drawn { scenario, rig }
}

/// The rate, as a plant states leaks, of a path that passes `leak` at the test pressure.
fn stated_rate(plant: &RawPlant, leak: f64, orifice: f64, target_pa: f64) -> f64 {
    if leak <= 0.0 {
        return 0.0;
    }
    const TRIED: f64 = 1e-3;
    let plant = RawPlant { seat_a: LeakSpec { rate: TRIED, orifice }, ..*plant };
    let valve = SampledValve { number: 0, seed: 0, scenario: Scenario { plant, ..Scenario::TIGHT } };
    (TRIED * leak / valve.true_leak(Side::First, target_pa)).min(1e3)
}
