//! Measurements from a CSV file.

use std::path::Path;

use seathold_config::Error;
use seathold_quantity::{Dimension, InputError, InputProblem, UnitDef};
use seathold_recording::file::{TABLE_MAX, read_text_at_most};
use seathold_sequencer::field::Unit;

/// A CSV file with some columns.
#[derive(Clone, Debug)]
pub struct CsvTable {
    /// A row a line: its line in the file, and the columns asked for.
    pub rows: Vec<(usize, Vec<String>)>,
    /// What those columns are called in the file, in small letters.
    pub names: Vec<String>,
    path: String,
}

impl CsvTable {
    /// Reads these columns; each may go by one of several names. One whose names have "length" among them may have a unit of length
    /// there too, as in `length_mm` and `Length [in]`.
    ///
    /// # Errors
    /// When the file cannot be read, a column is missing, or there is no row.
    pub fn read(path: &Path, columns: &[&[&str]]) -> Result<Self, Error> {
        let origin = path.display().to_string();
        let wrong = |line, message: String| {
            Error::Input(InputError { origin: origin.clone(), problems: vec![InputProblem { line, message }] })
        };
        let text = read_text_at_most(path, TABLE_MAX)?;
        let mut reader =
            csv::ReaderBuilder::new().trim(csv::Trim::All).comment(Some(b'#')).from_reader(text.as_bytes());
        let names = reader.headers().map_err(|why| wrong(Some(1), why.to_string()))?.clone();
        let place = |known: &&[&str]| {
            let place = names.iter().position(|name| {
                let name = name.to_lowercase();
                known.contains(&name.as_str()) || known.contains(&"length") && length_unit(&name).is_some()
            });
            let missing = || {
                let there: Vec<&str> = names.iter().collect();
                wrong(Some(1), format!("there is no column {}; there are: {}", known.join(" or "), there.join(", ")))
            };
            place.ok_or_else(missing)
        };
        let places = columns.iter().map(place).collect::<Result<Vec<usize>, Error>>()?;
        let found = places.iter().map(|at| names.get(*at).unwrap_or_default().to_lowercase()).collect();
        let mut rows = Vec::new();
        for record in reader.records() {
            let record = record.map_err(|why| wrong(None, why.to_string()))?;
            let line = record.position().map_or(0, |at| usize::try_from(at.line()).unwrap_or(0));
            rows.push((line, places.iter().map(|at| record.get(*at).unwrap_or_default().to_owned()).collect()));
        }
        if rows.is_empty() {
            return Err(wrong(None, "there is no row under the names of the columns".into()));
        }
        Ok(Self { rows, names: found, path: origin })
    }

    /// A number of a row.
    ///
    /// # Errors
    /// When it is none, with file, line and text.
    pub fn number(&self, row: usize, column: usize) -> Result<f64, Error> {
        let (line, cells) = self.rows.get(row).ok_or_else(|| Error::usage("no such row"))?;
        let text = cells.get(column).map_or("", String::as_str);
        let number = text.parse::<f64>().ok().filter(|number| number.is_finite());
        number.ok_or_else(|| {
            Error::Input(InputError {
                origin: self.path.clone(),
                problems: vec![InputProblem { line: Some(*line), message: format!("\"{text}\" is no number") }],
            })
        })
    }
}

/// The unit of a column of lengths that has one in its name, in small letters.
pub fn length_unit(name: &str) -> Option<UnitDef> {
    let rest = name.strip_prefix("length")?.trim_matches([' ', '_', '[', ']', '(', ')']);
    Dimension(Unit::Metre).symbol(if rest == "µm" { "um" } else { rest })
}
