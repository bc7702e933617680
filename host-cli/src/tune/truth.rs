//! Which sides of which valves are good: from a table of labels, or from a fleet's own table.

use std::collections::HashMap;
use std::path::Path;

use seathold_sequencer::field::Unit;
use seathold_sequencer::input::Side;
use seathold_sequencer::units::Reference;

use crate::error::{Error, Problem};
use crate::quantity::Kind;
use crate::study::table::Table;

/// What is known of a side.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Known {
    /// Its true leak, Pa·m³/s: by a reference leak, or because it was simulated.
    Leak(f64),
    /// Good, or leaking: by later rework, or another method.
    Good(bool),
}

impl Known {
    /// Whether a test with this limit ought to accept it.
    pub fn is_good(self, limit: f64) -> bool {
        match self {
            Self::Leak(leak) => leak <= limit,
            Self::Good(good) => good,
        }
    }
}

/// What is known of each side of each valve.
#[derive(Clone, Debug, Default)]
pub struct Truth(HashMap<(String, bool), Known>);

impl Truth {
    /// Reads `fleet.csv`, or a table with columns serial, side ("first" or "second") and truth ("good", "leaking", or the
    /// leak with its unit).
    ///
    /// # Errors
    /// When it can be read as neither, with the line.
    pub fn read(path: &Path) -> Result<Self, Error> {
        let columns: [&[&str]; 3] = [&["serial"], &["first_true_leak_pa_m3_s"], &["second_true_leak_pa_m3_s"]];
        let mut known = HashMap::new();
        if let Ok(table) = Table::read(path, &columns) {
            for (row, (_, cells)) in table.rows.iter().enumerate() {
                let serial = cells.first().cloned().unwrap_or_default();
                for (column, first) in [(1, true), (2, false)] {
                    // A valve that does not shut leaks without bound.
                    let text = cells.get(column).map_or("", String::as_str);
                    let leak = if text == "inf" { f64::INFINITY } else { table.number(row, column)? };
                    known.insert((serial.clone(), first), Known::Leak(leak));
                }
            }
            return Ok(Self(known));
        }
        let table = Table::read(path, &[&["serial"], &["side"], &["truth"]])?;
        for (line, cells) in &table.rows {
            let cell = |at: usize| cells.get(at).map_or("", String::as_str);
            let wrong = |message: String| Error::Input {
                origin: path.display().to_string(),
                problems: vec![Problem { line: Some(*line), message }],
            };
            let first = match cell(1) {
                "first" => true,
                "second" => false,
                other => return Err(wrong(format!("side \"{other}\": give \"first\" or \"second\""))),
            };
            let truth = match cell(2) {
                "good" => Known::Good(true),
                "leaking" => Known::Good(false),
                other => match Kind(Unit::PascalCubicMetrePerSecond).parse(other) {
                    Ok(leak) => Known::Leak(leak.value(Reference::ISO_8778.pressure.pascals())),
                    Err(_) => {
                        let known = "give \"good\", \"leaking\", or the leak with its unit, like \"5 mm3/s\"";
                        return Err(wrong(format!("truth \"{other}\": {known}")));
                    }
                },
            };
            known.insert((cell(0).to_owned(), first), truth);
        }
        Ok(Self(known))
    }

    /// What is known of a side.
    pub fn of(&self, serial: &str, side: Side) -> Option<Known> {
        self.0.get(&(serial.to_owned(), side == Side::First)).copied()
    }
}
