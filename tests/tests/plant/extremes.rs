//! Whatever a valve file may say, the plant stays a plant: no pressure or temperature out of reason, no step that the
//! integrator had to force, no run without an end.

use proptest::prelude::*;
use seathold_sequencer::output::{GasValve, Outputs, Pilot};
use seathold_sim::config::{PLANT_FIELDS, RawPlant};
use seathold_sim::plant::Plant;

/// A side by the clock: milliseconds, supply open, vent open, pilot fed.
const SIDE: [(u64, bool, bool, bool); 8] = [
    (0, false, true, true),
    (1_000, false, false, true),
    (1_050, true, false, true),
    (9_000, true, false, false),
    (10_000, false, false, false),
    (10_050, false, true, false),
    (25_000, false, true, true),
    (28_000, false, true, false),
];
const SIDE_US: u64 = 40_000_000;
/// How often the truth is looked at, µs.
const LOOK_US: u64 = 50_000;

/// Some fields as in the example, the others anywhere in their range: by their logarithm, since most ranges span many
/// decades. Only the tolerance keeps to what is quick.
fn any_plant() -> impl Strategy<Value = RawPlant> {
    let lots = prop::collection::vec(prop::option::of(0.0..=1.0_f64), PLANT_FIELDS.len());
    lots.prop_map(|lots| {
        let mut raw = RawPlant::DEMO;
        for (field, lot) in PLANT_FIELDS.iter().zip(lots) {
            let Some(lot) = lot else { continue };
            let decades = if field.min > 0.0 { (field.max / field.min).log10() } else { 9.0 };
            let value = if field.min < 0.0 {
                field.min + lot * (field.max - field.min)
            } else {
                field.max * 10_f64.powf((lot - 1.0) * decades)
            };
            (field.set)(&mut raw, value.clamp(field.min, field.max));
        }
        raw.tolerance = raw.tolerance.max(1e-7);
        raw.piston_start_pa = raw.piston_start_pa.min(0.99 * raw.piston_end_pa);
        raw.crossover_c = raw.crossover_c.min(raw.bore_c);
        raw.creep_m3 = raw.creep_m3.min(0.05 * raw.far_volume_m3);
        raw
    })
}

/// Both sides, looked at all the way.
fn run(raw: &RawPlant) -> Result<(), String> {
    let mut plant = Plant::new(&raw.validate().expect("drawn within the ranges"), 1);
    let fed = raw.regulator_set_pa + raw.atmosphere_pa;
    for began in [0, SIDE_US] {
        for (i, (at_ms, supply, vent, pilot)) in SIDE.iter().enumerate() {
            let gate = |open: bool| if open { GasValve::Open } else { GasValve::Shut };
            let pilot = if *pilot { Pilot::Fed } else { Pilot::Exhausted };
            let now = began + at_ms * 1_000;
            plant.set(now, Outputs { supply: gate(*supply), vent: gate(*vent), pilot });
            let until = began + SIDE.get(i + 1).map_or(30_000, |next| next.0) * 1_000;
            for at in (now..until).step_by(LOOK_US as usize) {
                plant.advance(at);
                let truth = plant.truth(at);
                for end in [truth.line, truth.cavity, truth.far] {
                    // Written so that NaN fails.
                    if !(end.p > 0.0 && end.p < 1.5 * fed && end.t > 50.0 && end.t < 700.0) {
                        return Err(format!("at {at} µs: {truth:?}"));
                    }
                }
            }
        }
        let _ = plant.swap_ends(began + SIDE_US - 1_000_000);
    }
    let work = plant.solver_stats();
    if work.forced == 0 { Ok(()) } else { Err(format!("{work:?}")) }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 150, ..ProptestConfig::default() })]

    /// Bounds: gas is fed at the regulator's pressure and room temperature (250 to 340 K). One filling heats it to γ
    /// times that at most, 475 K, and gas pressed from one node into the next once more, 665 K; emptying cools it.
    #[test]
    fn any_valve_file_gives_a_run_that_stays_in_reason(raw in any_plant()) {
        let met = run(&raw);
        prop_assert!(met.is_ok(), "{}\n{raw:#?}", met.unwrap_err());
    }
}

/// A tenth of a cubic centimetre behind a valve that empties it in a fifth of a microsecond, once forced a step.
#[test]
fn the_smallest_line_behind_the_widest_valves_forces_no_step() {
    let smallest = RawPlant { line_volume_m3: 1e-7, line_tau_s: 1e-4, ..RawPlant::DEMO };
    for supply_c in [1e-6, 3.8e-6, 1e-5] {
        for vent_c in [1e-7, 1e-5] {
            for bore_c in [3e-7, 1e-4] {
                for tolerance in [1e-4, 1e-6, 1e-9] {
                    let raw = RawPlant { supply_c, supply_b: 0.0, vent_c, bore_c, tolerance, ..smallest };
                    let met = run(&raw);
                    assert!(met.is_ok(), "{}\n{raw:#?}", met.unwrap_err());
                }
            }
        }
    }
}
