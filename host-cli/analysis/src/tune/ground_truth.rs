//! Which sides of which valves are good: from a table of labels, or from a fleet's own table.

use std::collections::HashMap;
use std::path::Path;

use seathold_config::Error;
use seathold_quantity::{Dimension, InputError, InputProblem};
use seathold_sequencer::field::Unit;
use seathold_sequencer::input::Side;
use seathold_sequencer::units::Reference;

use crate::study::table::CsvTable;

/// The label of a side.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Label {
    /// Its true leak, Pa·m³/s: by a reference leak, or because it was simulated.
    Leak(f64),
    /// Good, or leaking: by later rework, or another method.
    Good(bool),
}

impl Label {
    /// Whether a test with this limit ought to accept it.
    pub fn is_good(self, limit: f64) -> bool {
        match self {
            Self::Leak(leak) => leak <= limit,
            Self::Good(good) => good,
        }
    }
}

/// The labels of each side of each valve.
#[derive(Clone, Debug, Default)]
pub struct GroundTruth(HashMap<(String, Side), Label>);

impl GroundTruth {
    /// Reads `fleet.csv`, or a table with columns serial, side ("first" or "second") and truth ("good", "leaking", or
    /// the leak with its unit).
    ///
    /// # Errors
    /// When it can be read as neither, with the line.
    pub fn read(path: &Path) -> Result<Self, Error> {
        let columns: [&[&str]; 3] = [&["serial"], &["first_true_leak_pa_m3_s"], &["second_true_leak_pa_m3_s"]];
        let mut known = HashMap::new();
        if let Ok(table) = CsvTable::read(path, &columns) {
            for (row, (_, cells)) in table.rows.iter().enumerate() {
                let serial = cells.first().cloned().unwrap_or_default();
                for (column, side) in [(1, Side::First), (2, Side::Second)] {
                    // A valve that does not shut leaks without bound.
                    let text = cells.get(column).map_or("", String::as_str);
                    let leak = if text == "inf" { f64::INFINITY } else { table.number(row, column)? };
                    known.insert((serial.clone(), side), Label::Leak(leak));
                }
            }
            return Ok(Self(known));
        }
        let table = CsvTable::read(path, &[&["serial"], &["side"], &["truth"]])?;
        for (line, cells) in &table.rows {
            let cell = |at: usize| cells.get(at).map_or("", String::as_str);
            let wrong = |message: String| {
                Error::Input(InputError {
                    origin: path.display().to_string(),
                    problems: vec![InputProblem { line: Some(*line), message }],
                })
            };
            let side = match cell(1) {
                "first" => Side::First,
                "second" => Side::Second,
                other => return Err(wrong(format!("side \"{other}\": give \"first\" or \"second\""))),
            };
            let truth = match cell(2) {
                "good" => Label::Good(true),
                "leaking" => Label::Good(false),
                other => match Dimension(Unit::PascalCubicMetrePerSecond).parse(other) {
                    Ok(leak) => Label::Leak(leak.value(Reference::ISO_8778.pressure.pascals())),
                    Err(_) => {
                        let known = "give \"good\", \"leaking\", or the leak with its unit, like \"5 mm3/s\"";
                        return Err(wrong(format!("truth \"{other}\": {known}")));
                    }
                },
            };
            known.insert((cell(0).to_owned(), side), truth);
        }
        Ok(Self(known))
    }

    /// The label of a side.
    pub fn of(&self, serial: &str, side: Side) -> Option<Label> {
        self.0.get(&(serial.to_owned(), side)).copied()
    }
}
