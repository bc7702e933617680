//! Whole two-sided traces against SciPy's LSODA (rtol 1e-9) on the same equations, written independently in Python in
//! pressures and temperatures: `tests/reference/plant_lsoda.py`, which makes the committed traces.
//!
//! Tolerance: 0.05 % of the absolute pressure everywhere, also on the steep parts (a switch passes 100 kPa in tens of
//! milliseconds), and 0.5 K. What our solver reaches is far better; the figures are in docs/physics.md.

use seathold_sequencer::output::{Gate, Outputs, Pilot};
use seathold_sim::config::{Path, RawPlant};
use seathold_sim::plant::Plant;

struct Reference {
    switchings: Vec<(u64, Option<Outputs>)>,
    rows: Vec<(u64, [f64; 6])>,
}

fn micros(seconds: &str) -> u64 {
    (seconds.parse::<f64>().expect("a time") * 1e6).round() as u64
}

fn read(case: &str) -> Reference {
    let path = format!("{}/reference/plant_{case}.csv", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{path}: {e}"));
    let mut reference = Reference { switchings: Vec::new(), rows: Vec::new() };
    for line in text.lines() {
        if let Some(set) = line.strip_prefix("# set,") {
            let cells: Vec<_> = set.split(',').collect();
            let on = |i: usize| cells[i] == "1";
            let outputs = (cells[1] != "swap").then(|| Outputs {
                supply: if on(1) { Gate::Open } else { Gate::Shut },
                vent: if on(2) { Gate::Shut } else { Gate::Open },
                pilot: if on(3) { Pilot::Fed } else { Pilot::Exhausted },
            });
            reference.switchings.push((micros(cells[0]), outputs));
        } else if line.starts_with(|c: char| c.is_ascii_digit()) {
            let cells: Vec<_> = line.split(',').collect();
            let value = |i: usize| cells[i].parse::<f64>().expect("a number");
            reference.rows.push((micros(cells[0]), [1, 2, 3, 4, 5, 6].map(value)));
        }
    }
    assert!(reference.rows.len() > 500, "{path}: {} rows", reference.rows.len());
    reference
}

/// Largest relative error of a pressure and largest error of a temperature, K, with where they are.
struct Worst {
    pressure: (f64, u64, usize),
    kelvin: (f64, u64, usize),
    steps: u64,
}

fn worst(case: &str, plant: RawPlant) -> Worst {
    let reference = read(case);
    let mut plant = Plant::new(&plant.validate().expect("valid"), 0);
    let mut switchings = reference.switchings.iter().peekable();
    let mut worst = Worst { pressure: (0.0, 0, 0), kelvin: (0.0, 0, 0), steps: 0 };
    for (at, expected) in &reference.rows {
        while let Some((when, what)) = switchings.next_if(|(when, _)| when <= at) {
            match what {
                Some(outputs) => plant.set(*when, *outputs),
                None => {
                    plant.swap_ends(*when);
                }
            }
        }
        plant.advance(*at);
        let truth = plant.truth(*at);
        for (i, (end, column)) in [truth.line, truth.cavity, truth.far].iter().zip(expected.chunks(2)).enumerate() {
            let p = (end.p / column[0] - 1.0).abs();
            if p > worst.pressure.0 {
                worst.pressure = (p, *at, i);
            }
            let k = (end.t - column[1]).abs();
            if k > worst.kelvin.0 {
                worst.kelvin = (k, *at, i);
            }
        }
    }
    worst.steps = plant.work().steps;
    assert_eq!(plant.work().forced, 0, "{case}: the integrator met its least step");
    worst
}

const NAMES: [&str; 3] = ["line", "cavity", "far"];

fn check(case: &str, plant: RawPlant) {
    for tolerance in [1e-5, 1e-6, 1e-7, 1e-8] {
        let w = worst(case, RawPlant { tolerance, ..plant });
        println!(
            "{case}, tolerance {tolerance:.0e}: pressure {:.2e} ({} at {:.3} s), {:.4} K ({} at {:.3} s), {} steps",
            w.pressure.0,
            NAMES[w.pressure.2],
            w.pressure.1 as f64 * 1e-6,
            w.kelvin.0,
            NAMES[w.kelvin.2],
            w.kelvin.1 as f64 * 1e-6,
            w.steps
        );
        if tolerance <= RawPlant::DEMO.tolerance {
            assert!(w.pressure.0 < 5e-4, "{case}: pressure off by {:e}", w.pressure.0);
            assert!(w.kelvin.0 < 0.5, "{case}: temperature off by {} K", w.kelvin.0);
        }
    }
}

#[test]
fn a_tight_valve_follows_lsoda() {
    check("tight", RawPlant::DEMO);
}

#[test]
fn a_valve_leaking_everywhere_follows_lsoda() {
    let path = |rate, orifice| Path { rate, orifice };
    let plant = RawPlant {
        seat_a: path(2e-3, 0.5),
        seat_b: path(3e-4, 1.0),
        stem: path(1e-4, 0.2),
        joint_b: path(4e-4, 0.3),
        joint_a: path(2e-4, 1.0),
        joint_load: 0.7,
        rig_leak: path(1e-4, 0.0),
        supply_passing: path(5e-5, 1.0),
        room_drift_k_s: 5e-4,
        creep_m3: 2e-8,
        droop_pa: 60_000.0,
        wall_ratio: 50.0,
        wall_tau_s: 60.0,
        ..RawPlant::DEMO
    };
    check("leaks", plant);
}

#[test]
fn a_stiff_plant_follows_lsoda() {
    // Two cubic millimetres of cavity behind a bore that would empty four cubic centimetres within a microsecond.
    let plant = RawPlant {
        line_volume_m3: 3e-6,
        cavity_volume_m3: 2e-9,
        far_volume_m3: 4e-6,
        bore_c: 5e-6,
        past_c: 1e-6,
        line_tau_s: 0.05,
        cavity_tau_s: 0.01,
        far_tau_s: 0.05,
        lift_pa_m3_s: 50.0,
        ..RawPlant::DEMO
    };
    check("stiff", plant);
}
