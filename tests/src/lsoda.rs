//! Whole two-sided traces that SciPy's LSODA solved (rtol 1e-9) on the same equations, written independently in Python
//! in pressures and temperatures: `tests/reference/plant_lsoda.py`, which makes the committed traces.

use seathold_sequencer::output::{GasValve, Outputs, Pilot};
use seathold_sim::config::RawPlant;
use seathold_sim::plant::Plant;
use std::iter::Peekable;
use std::slice::Iter;

/// When (µs) outputs change to what; `None` turns the valve round.
pub type Switching = (u64, Option<Outputs>);

/// A trace with the switchings that made it.
#[derive(Clone, Debug, Default)]
pub struct Reference {
    /// In the order of time.
    pub switchings: Vec<Switching>,
    /// Time, µs; pressure (Pa) and temperature (K) of line, cavity and far side.
    pub rows: Vec<(u64, [f64; 6])>,
}

fn micros(seconds: &str) -> u64 {
    (seconds.parse::<f64>().expect("a time") * 1e6).round() as u64
}

/// Reads `tests/reference/plant_<case>.csv`.
pub fn read(case: &str) -> Reference {
    let path = format!("{}/reference/plant_{case}.csv", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{path}: {e}"));
    let mut reference = Reference::default();
    for line in text.lines() {
        if let Some(set) = line.strip_prefix("# set,") {
            let cells: Vec<_> = set.split(',').collect();
            let on = |i: usize| cells[i] == "1";
            let outputs = (cells[1] != "swap").then(|| Outputs {
                supply: if on(1) { GasValve::Open } else { GasValve::Shut },
                vent: if on(2) { GasValve::Shut } else { GasValve::Open },
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

/// Switches what is due by `at`.
pub fn switch(plant: &mut Plant, switchings: &mut Peekable<Iter<'_, Switching>>, at: u64) {
    while let Some((when, what)) = switchings.next_if(|(when, _)| *when <= at) {
        match what {
            Some(outputs) => plant.set(*when, *outputs),
            None => {
                plant.swap_ends(*when);
            }
        }
    }
}

/// Largest relative error of a pressure and largest error of a temperature (K), with where they are: time in µs, and
/// which of line, cavity and far side.
#[derive(Clone, Copy, Debug)]
pub struct Worst {
    /// Of a pressure.
    pub pressure: (f64, u64, usize),
    /// The largest of a pressure at each place.
    pub places: [f64; 3],
    /// Of a temperature.
    pub kelvin: (f64, u64, usize),
    /// Steps taken.
    pub steps: u64,
}

/// Our solver against a trace.
pub fn worst(reference: &Reference, plant: RawPlant) -> Worst {
    let mut plant = Plant::new(&plant.validate().expect("valid"), 0);
    let mut switchings = reference.switchings.iter().peekable();
    let mut worst = Worst { pressure: (0.0, 0, 0), places: [0.0; 3], kelvin: (0.0, 0, 0), steps: 0 };
    for (at, expected) in &reference.rows {
        switch(&mut plant, &mut switchings, *at);
        plant.advance(*at);
        let truth = plant.truth(*at);
        for (i, (end, column)) in [truth.line, truth.cavity, truth.far].iter().zip(expected.chunks(2)).enumerate() {
            let p = (end.p / column[0] - 1.0).abs();
            worst.places[i] = worst.places[i].max(p);
            if p > worst.pressure.0 {
                worst.pressure = (p, *at, i);
            }
            let k = (end.t - column[1]).abs();
            if k > worst.kelvin.0 {
                worst.kelvin = (k, *at, i);
            }
        }
    }
    worst.steps = plant.solver_stats().steps;
    assert_eq!(plant.solver_stats().forced, 0, "the integrator met its least step");
    worst
}
