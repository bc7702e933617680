//! Tables as lines of text.

use std::borrow::Cow;
use std::io::{self, Write};

use serde_json::Value;

use super::{Cell, ExportColumn, Sink};

/// A moment as RFC 3339.
fn moment(microseconds: i64) -> String {
    jiff::Timestamp::from_microsecond(microseconds).map(|t| t.to_string()).unwrap_or_default()
}

/// Comma-separated values with a line of names (RFC 4180). Nothing is an empty field; yes and no are `true`, `false`.
pub(super) struct Csv<W: Write> {
    to: csv::Writer<W>,
    raw_text: bool,
}

/// A text as a cell. A spreadsheet computes what begins like a formula, and a formula can fetch and send: an apostrophe
/// in front makes it a text. (OWASP, "CSV Injection".)
fn plain(text: &str) -> Cow<'_, str> {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r', '\n']) { format!("'{text}").into() } else { text.into() }
}

impl<W: Write> Csv<W> {
    pub(super) fn new(to: W, columns: &[ExportColumn], raw_text: bool) -> io::Result<Self> {
        let mut writer = csv::Writer::from_writer(to);
        writer.write_record(columns.iter().map(|c| c.name))?;
        Ok(Self { to: writer, raw_text })
    }
}

impl<W: Write> Sink for Csv<W> {
    fn row(&mut self, cells: &[Cell]) -> io::Result<()> {
        for cell in cells {
            match cell {
                Cell::Nothing => self.to.write_field("")?,
                Cell::Whole(value) => self.to.write_field(value.to_string())?,
                Cell::Number(value) => self.to.write_field(value.to_string())?,
                Cell::Flag(value) => self.to.write_field(value.to_string())?,
                Cell::Words(value) if self.raw_text => self.to.write_field(value)?,
                Cell::Words(value) => self.to.write_field(plain(value).as_bytes())?,
                Cell::Moment(value) => self.to.write_field(moment(*value))?,
            }
        }
        self.to.write_record(None::<&[u8]>)?;
        Ok(())
    }

    fn finish(mut self: Box<Self>) -> io::Result<()> {
        self.to.flush()
    }
}

/// A JSON object a line. Nothing is `null`.
pub(super) struct JsonLines<W: Write>(W, &'static [ExportColumn]);

impl<W: Write> JsonLines<W> {
    pub(super) fn new(to: W, columns: &'static [ExportColumn]) -> Self {
        Self(to, columns)
    }
}

impl<W: Write> Sink for JsonLines<W> {
    fn row(&mut self, cells: &[Cell]) -> io::Result<()> {
        // By hand except the values: a map would put the columns in another order.
        for (i, (column, cell)) in self.1.iter().zip(cells).enumerate() {
            let value: Value = match cell {
                Cell::Nothing => Value::Null,
                Cell::Whole(value) => (*value).into(),
                Cell::Number(value) => (*value).into(),
                Cell::Flag(value) => (*value).into(),
                Cell::Words(value) => value.as_str().into(),
                Cell::Moment(value) => moment(*value).into(),
            };
            write!(self.0, "{}\"{}\":{value}", if i == 0 { '{' } else { ',' }, column.name)?;
        }
        self.0.write_all(b"}")?;
        self.0.write_all(b"\n")
    }

    fn finish(mut self: Box<Self>) -> io::Result<()> {
        self.0.flush()
    }
}
