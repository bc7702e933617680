//! Runs, sides and samples of many recordings as tables, for programs that read many benches at once.
//!
//! [`tables`] says what the columns are; a [`Sink`] writes rows as CSV, JSON Lines or Parquet. Recordings pass one at a
//! time and rows are written in groups, so memory does not grow with their number. The schema is in docs/export.md.

pub mod assembly_tables;
mod lines;
mod parquet;
pub mod samples;
pub mod tables;

use std::io::{self, BufWriter};
use std::path::{Path, PathBuf};

use seathold_recording::file::{NewFile, Replace};
use seathold_register::Error;

/// A value of a row.
#[derive(Clone, Debug, PartialEq)]
pub enum Cell {
    /// Nothing: not measured, not fitted, not fitted out.
    Nothing,
    /// A whole number.
    Whole(i64),
    /// A number.
    Number(f64),
    /// Yes or no.
    Flag(bool),
    /// Words.
    Words(String),
    /// Microseconds since 1970-01-01 00:00 UTC.
    Moment(i64),
}

impl<T: Into<Self>> From<Option<T>> for Cell {
    fn from(value: Option<T>) -> Self {
        value.map_or(Self::Nothing, Into::into)
    }
}

impl From<f64> for Cell {
    fn from(value: f64) -> Self {
        Self::Number(value)
    }
}

impl From<i32> for Cell {
    fn from(value: i32) -> Self {
        Self::Whole(value.into())
    }
}

impl From<u32> for Cell {
    fn from(value: u32) -> Self {
        Self::Whole(value.into())
    }
}

impl From<usize> for Cell {
    fn from(value: usize) -> Self {
        Self::Whole(i64::try_from(value).unwrap_or(i64::MAX))
    }
}

impl From<bool> for Cell {
    fn from(value: bool) -> Self {
        Self::Flag(value)
    }
}

impl From<&str> for Cell {
    fn from(value: &str) -> Self {
        Self::Words(value.into())
    }
}

/// The type of a column.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ColumnType {
    /// Whole numbers of 64 bits.
    Whole,
    /// IEEE doubles.
    Number,
    /// Yes or no.
    Flag,
    /// UTF-8.
    Words,
    /// Microseconds since 1970, UTC.
    Moment,
}

/// A column.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ExportColumn {
    /// Its name; ends with the unit where there is one.
    pub name: &'static str,
    /// What it holds.
    pub kind: ColumnType,
    /// Whether there may be nothing in it.
    pub optional: bool,
    /// What it is.
    pub about: &'static str,
}

/// A writer of rows.
pub trait Sink {
    /// Takes a row with a cell for each column.
    ///
    /// # Errors
    /// Of the file.
    fn row(&mut self, cells: &[Cell]) -> io::Result<()>;

    /// Writes what is left.
    ///
    /// # Errors
    /// Of the file.
    fn finish(self: Box<Self>) -> io::Result<()>;
}

/// A table being written. Until [`ExportTable::finish`] it has a temporary name, so that a file with the name asked for
/// is complete.
pub struct ExportTable {
    sink: Box<dyn Sink>,
    new: NewFile,
    path: PathBuf,
    rows: u64,
}

/// How tables are written.
#[derive(Clone, Copy, Debug, Default)]
pub struct TableOptions {
    /// In CSV, texts are written as they are, even where a spreadsheet would take them for formulas.
    pub raw_text: bool,
    /// A file that is there is replaced, whoever made it; otherwise only a table made here.
    pub force: bool,
}

/// Tables made here, by what they begin or end with.
const TABLES: Replace = Replace::Ours(&[
    b"run,serial,started_at,operator,",
    b"run,serial,side,supply_end,",
    b"run,serial,time_us,far_pa,",
    b"{\"run\":\"",
    b"(seathold table)",
]);

impl std::fmt::Debug for ExportTable {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Table").field("path", &self.path).field("rows", &self.rows).finish_non_exhaustive()
    }
}

impl ExportTable {
    /// Begins a file whose ending gives its format: `.csv`, `.jsonl` or `.parquet`.
    ///
    /// # Errors
    /// When the ending is another, or the file cannot be made.
    pub fn create(path: &Path, columns: &'static [ExportColumn], how: TableOptions) -> Result<Self, Error> {
        let ending =
            path.extension().map(|e| e.to_ascii_lowercase().to_string_lossy().into_owned()).unwrap_or_default();
        if !matches!(ending.as_str(), "csv" | "jsonl" | "parquet") {
            return Err(Error::usage(format!("{} must end in .csv, .jsonl or .parquet", path.display())));
        }
        let wrong = |why| Error::file("write", path, why);
        let (new, file) = NewFile::create(path, if how.force { Replace::Any } else { TABLES })?;
        let file = BufWriter::new(file);
        let sink: Box<dyn Sink> = match ending.as_str() {
            "csv" => Box::new(lines::Csv::new(file, columns, how.raw_text).map_err(wrong)?),
            "jsonl" => Box::new(lines::JsonLines::new(file, columns)),
            _ => Box::new(parquet::Parquet::new(file, columns).map_err(wrong)?),
        };
        Ok(Self { sink, new, path: path.into(), rows: 0 })
    }

    /// Takes a row.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn row(&mut self, cells: &[Cell]) -> Result<(), Error> {
        self.rows += 1;
        self.sink.row(cells).map_err(|why| Error::file("write", &self.path, why))
    }

    /// Ends the file and gives it its name; returns the rows written.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn finish(self) -> Result<u64, Error> {
        self.sink.finish().map_err(|why| Error::file("write", &self.path, why))?;
        self.new.finish()?;
        Ok(self.rows)
    }
}
