//! A trace as a data logger writes it: CSV, in any of the usual dialects, with lines above the header skipped when said.

use std::path::Path;

use seathold_config::Error;
use seathold_quantity::{InputError, InputProblem, UnitDef};
use seathold_recording::plain::shown;

use super::clock::{ClockTime, TraceClock, looks_like_one};
use super::columns::{ColumnSubject, Columns, PressureReference, TraceColumn, TraceFormat};

/// Most bytes of a file.
const BYTES_MAX: u64 = 16 << 20;
/// Most readings: an hour at 100 a second is 360 000, and in memory each takes more than in the file.
const ROWS_MAX: usize = 400_000;
/// Most columns.
const COLUMNS_MAX: usize = 1_000;

/// Most mistakes reported at once.
const TOLD_MAX: usize = 20;

/// Times beyond this, in seconds either way, are refused.
const TIME_MAX_S: f64 = 1e11;

/// One line of the file.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TraceRow {
    /// Line in the file.
    pub line: u64,
    /// Time in microseconds; of clock times, since the first reading.
    pub time_us: i64,
    /// Pressure in pascals; `None` where the logger had none (empty, or "NaN").
    pub pressure_pa: Option<f64>,
    /// Temperature in kelvin.
    pub kelvin: Option<f64>,
}

/// A whole file.
#[derive(Clone, Debug, PartialEq)]
pub struct Trace {
    /// Rows, times strictly rising.
    pub rows: Vec<TraceRow>,
    /// Whether there is a temperature column.
    pub has_temperature: bool,
    /// Whether its pressures are gauge or absolute.
    pub reference: PressureReference,
    /// The unit of its times, as the file says; `None` where the user said it, or they are clock times.
    pub time_unit: Option<UnitDef>,
    /// The column of pressures.
    pub pressure: TraceColumn,
    /// The column of temperatures.
    pub temperature: Option<TraceColumn>,
    /// Notes on what was ignored, or taken otherwise than it looks.
    pub notes: Vec<String>,
    clock: Option<TraceClock>,
}

impl Trace {
    /// Microseconds of the trace's own time, of a clock time that somebody typed.
    ///
    /// # Errors
    /// When it is none, or the trace has no clock times.
    pub fn at_clock(&self, typed: &str) -> Result<i64, String> {
        let Some(clock) = &self.clock else {
            return Err(format!("\"{typed}\" is a clock time, and the trace's times are none"));
        };
        clock.of(ClockTime::parse(typed)?).map_err(|why| format!("\"{typed}\" {why}"))
    }
}

/// Reads a file.
///
/// # Errors
/// When it cannot be read; or everything wrong with it, each with its line.
pub fn read(path: &Path, format: &TraceFormat) -> Result<Trace, Error> {
    let length = std::fs::metadata(path).map_err(|why| Error::file("read", path, why))?.len();
    let origin = path.display().to_string();
    if length > BYTES_MAX {
        return Err(refuse(
            &origin,
            None,
            format!("{length} bytes are too many, {BYTES_MAX} are allowed; cut the file to the test itself"),
        ));
    }
    // A pipe or device has no length.
    let bytes = seathold_recording::file::read_at_most(path, BYTES_MAX)?;
    parse(&origin, &bytes, format)
}

fn refuse(origin: &str, line: Option<usize>, message: String) -> Error {
    Error::Input(InputError { origin: origin.into(), problems: vec![InputProblem { line, message }] })
}

/// Reads a text. Taken are a byte order mark, either line ending, blank lines, blanks around cells, quotes, tabs or
/// semicolons between cells, and decimal commas wherever commas do not separate the cells.
///
/// # Errors
/// Everything wrong with it, each with its line.
pub fn parse(origin: &str, bytes: &[u8], format: &TraceFormat) -> Result<Trace, Error> {
    if bytes.starts_with(&[0xff, 0xfe]) || bytes.starts_with(&[0xfe, 0xff]) {
        return Err(refuse(origin, Some(1), "this is UTF-16 text; save it as UTF-8".into()));
    }
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let skipped = format.skip_lines;
    let bytes = after_lines(bytes, skipped);
    let Some(delimiter) = delimiter(bytes) else {
        let what = if skipped == 0 { "the file is empty".into() } else { format!("nothing below line {skipped}") };
        return Err(refuse(origin, None, what));
    };
    if let Some((line, cells)) = widest(bytes, delimiter).filter(|(_, cells)| *cells > COLUMNS_MAX) {
        return Err(refuse(origin, Some(line + skipped), format!("{cells} columns, and {COLUMNS_MAX} are allowed")));
    }
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .trim(csv::Trim::All)
        .delimiter(delimiter)
        .from_reader(bytes);
    let mut parser = Parser::new(delimiter);
    let mut record = csv::ByteRecord::new();
    loop {
        match reader.read_byte_record(&mut record) {
            Ok(true) => {}
            Ok(false) => break,
            Err(why) => {
                let line = why.position().map(|p| p.line() as usize + skipped);
                return Err(refuse(origin, line, format!("not readable as CSV: {why}")));
            }
        }
        let line = record.position().map_or(0, csv::Position::line) + skipped as u64;
        if record.iter().all(<[u8]>::is_empty) {
            continue;
        }
        if parser.rows.len() == ROWS_MAX {
            let message = format!("more than {ROWS_MAX} readings; cut the file to the test itself");
            return Err(refuse(origin, Some(line as usize), message));
        }
        if parser.columns.width == 0 {
            let begun = parser.header(line, &record, format);
            begun.map_err(|why| refuse(origin, Some(line as usize), why + &header_below(bytes, delimiter, format)))?;
        } else if parser.problems.len() < TOLD_MAX {
            parser.body(line, &record);
        } else {
            break;
        }
    }
    parser.check_times();
    if !parser.problems.is_empty() {
        parser.problems.sort_by_key(|p| p.line);
        if parser.problems.len() > TOLD_MAX {
            parser.problems.truncate(TOLD_MAX);
            parser.problems.push(InputProblem { line: None, message: "and more".into() });
        }
        return Err(Error::Input(InputError { origin: origin.into(), problems: parser.problems }));
    }
    if parser.rows.is_empty() {
        return Err(refuse(origin, None, "no readings below the header".into()));
    }
    parser.finish().map_err(|why| refuse(origin, None, why))
}

/// What stands below so many lines. A line ends as in CSV: with either character, or both.
fn after_lines(bytes: &[u8], lines: usize) -> &[u8] {
    let mut rest = bytes;
    for _ in 0..lines {
        let end = rest
            .iter()
            .position(|b| matches!(b, b'\n' | b'\r'))
            .map_or(rest.len(), |at| at + if rest[at..].starts_with(b"\r\n") { 2 } else { 1 });
        rest = &rest[end..];
    }
    rest
}

/// Where a line further down could be the header, how to say so.
fn header_below(bytes: &[u8], delimiter: u8, format: &TraceFormat) -> String {
    /// Lines of a preamble looked at.
    const LOOKED_AT: usize = 200;
    let mut rest = bytes;
    for below in 0..LOOKED_AT {
        let end = rest.iter().position(|b| matches!(b, b'\n' | b'\r')).unwrap_or(rest.len());
        // The preamble may have other delimiters than the table.
        let own = self::delimiter(&rest[..end]).unwrap_or(delimiter);
        let cells: Vec<String> = rest[..end].split(|b| *b == own).map(|cell| cell_text(cell.trim_ascii())).collect();
        let named = cells.iter().filter(|cell| !cell.is_empty()).count();
        if below > 0 && named > 1 && cells.len() <= COLUMNS_MAX && Columns::of_header(&cells, format).is_ok() {
            let (line, skip) = (below + format.skip_lines + 1, below + format.skip_lines);
            return format!("; line {line} looks like the header: if it is, say --skip-lines {skip}");
        }
        rest = after_lines(rest, 1);
        if rest.is_empty() {
            break;
        }
    }
    String::new()
}

/// A cell of a header: loggers that write no UTF-8 write Latin-1, which has a degree sign.
fn cell_text(cell: &[u8]) -> String {
    let text = std::str::from_utf8(cell).map_or_else(|_| cell.iter().map(|b| char::from(*b)).collect(), str::to_owned);
    text.trim_matches('"').trim().to_owned()
}

/// The delimiter, from the first line that is not blank.
fn delimiter(bytes: &[u8]) -> Option<u8> {
    let first = bytes.split(|b| matches!(b, b'\n' | b'\r')).find(|line| !line.iter().all(u8::is_ascii_whitespace))?;
    Some([b';', b'\t', b','].into_iter().find(|d| first.contains(d)).unwrap_or(b','))
}

/// The line that the row with the most cells begins on, and its cells. A row is read in one piece, and one that is in
/// quotes goes on over ends of lines.
fn widest(bytes: &[u8], delimiter: u8) -> Option<(usize, usize)> {
    let (mut widest, mut line, mut began, mut cells) = (None, 1, 1, 1);
    let (mut quoted, mut at_start) = (false, true);
    for byte in bytes {
        let ends = matches!(byte, b'\n' | b'\r');
        line += usize::from(*byte == b'\n');
        if *byte == b'"' && (quoted || at_start) {
            quoted = !quoted;
        } else if !quoted && ends {
            (began, cells) = (line, 1);
        } else if !quoted && *byte == delimiter {
            cells += 1;
        }
        if widest.is_none_or(|(_, most)| cells > most) {
            widest = Some((began, cells));
        }
        at_start = !quoted && (ends || *byte == delimiter);
    }
    widest
}

struct Parser {
    delimiter: u8,
    columns: Columns,
    /// Whether a reading was reached, and with it all that must be known is known.
    begun: bool,
    clock: Option<TraceClock>,
    rows: Vec<TraceRow>,
    problems: Vec<InputProblem>,
}

/// What a cell holds.
enum Cell {
    Nothing,
    Number(f64),
    Clock(ClockTime),
}

impl Parser {
    fn new(delimiter: u8) -> Self {
        let columns = Columns::default();
        Self { delimiter, columns, begun: false, clock: None, rows: Vec::new(), problems: Vec::new() }
    }

    /// Finds the columns.
    fn header(&mut self, line: u64, record: &csv::ByteRecord, format: &TraceFormat) -> Result<(), String> {
        let names: Vec<String> = record.iter().map(cell_text).collect();
        if names.iter().any(|name| self.plain(name).parse::<f64>().is_ok()) {
            self.columns = Columns::without_header(names.len(), format)?;
            self.body(line, record);
            return Ok(());
        }
        self.columns = Columns::of_header(&names, format)?;
        Ok(())
    }

    /// A decimal comma as a point, where commas do not separate the cells.
    fn plain(&self, text: &str) -> String {
        if self.delimiter == b',' { text.to_owned() } else { text.replace(',', ".") }
    }

    fn problem(&mut self, line: u64, message: String) {
        self.problems.push(InputProblem { line: Some(line as usize), message });
    }

    /// A line below the header.
    fn body(&mut self, line: u64, record: &csv::ByteRecord) {
        let width = self.columns.width;
        if record.len() != width {
            let decimal = if self.delimiter == b',' && record.len() > width {
                "; with decimal commas, separate the cells by semicolons"
            } else {
                ""
            };
            self.problem(line, format!("{} cells where the header has {width}{decimal}", record.len()));
            return;
        }
        if !self.begun {
            let cells: Vec<String> = record.iter().map(cell_text).collect();
            if self.rows.is_empty() && self.columns.units_row(&cells) {
                return;
            }
            let time = self.columns.found[ColumnSubject::Time as usize].as_ref();
            let clock = time.and_then(|column| cells.get(column.place)).is_some_and(|cell| looks_like_one(cell));
            self.begun = true;
            for lack in self.columns.lacks(clock) {
                self.problem(line, lack);
            }
            if !self.problems.is_empty() {
                // Without units every line would be wrong.
                self.columns.found = [None, None, None];
            }
        }
        if self.columns.found[0].is_some() {
            self.row(line, record);
        }
    }

    fn row(&mut self, line: u64, record: &csv::ByteRecord) {
        let cells = ColumnSubject::ALL.map(|subject| self.cell(subject, record).map_err(|why| self.problem(line, why)));
        let [Ok(time), Ok(pressure), Ok(kelvin)] = cells else { return };
        let Some(time_us) = self.time_us(line, time) else { return };
        let number = |cell: Cell| match cell {
            Cell::Number(value) => Some(value),
            Cell::Nothing | Cell::Clock(_) => None,
        };
        let (pressure, kelvin) = (number(pressure), number(kelvin));
        let vacuum = match self.columns.reference {
            Some(PressureReference::Absolute) => 0.0,
            Some(PressureReference::Gauge) | None => -110_000.0,
        };
        if let Some(pa) = pressure
            && !(vacuum..=1e9).contains(&pa)
        {
            let message = format!("{}: {pa} Pa is outside {vacuum} to 1e9 Pa", self.name(ColumnSubject::Pressure));
            self.problem(line, message);
            return;
        }
        if let Some(k) = kelvin
            && !(200.0..=400.0).contains(&k)
        {
            let celsius = if (-60.0..=120.0).contains(&k) {
                "; in °C it would be likely, but the column is in kelvin (--temperature-unit)"
            } else {
                ""
            };
            let message = format!("{}: {k} K is outside 200 to 400 K{celsius}", self.name(ColumnSubject::Temperature));
            self.problem(line, message);
            return;
        }
        self.rows.push(TraceRow { line, time_us, pressure_pa: pressure, kelvin });
    }

    fn name(&self, subject: ColumnSubject) -> &str {
        self.columns.found[subject as usize].as_ref().map_or("", |column| &column.name)
    }

    /// The time of a reading.
    fn time_us(&mut self, line: u64, cell: Cell) -> Option<i64> {
        let said = match cell {
            Cell::Number(seconds) if self.clock.is_none() && seconds.abs() <= TIME_MAX_S => {
                return Some((seconds * 1e6).round() as i64);
            }
            Cell::Clock(time) => {
                let clock = match &mut self.clock {
                    Some(clock) => clock,
                    None if self.rows.is_empty() => self.clock.insert(TraceClock::new(time)),
                    None => {
                        let message =
                            format!("{}: a clock time, where others are numbers", self.name(ColumnSubject::Time));
                        self.problem(line, message);
                        return None;
                    }
                };
                match clock.next(line, time) {
                    Ok(us) => return Some(us),
                    Err(why) => format!("{}: {why}", self.name(ColumnSubject::Time)),
                }
            }
            Cell::Number(_) if self.clock.is_some() => {
                format!("{}: a number, where others are clock times", self.name(ColumnSubject::Time))
            }
            Cell::Number(_) | Cell::Nothing => format!("{}: a reading needs a time", self.name(ColumnSubject::Time)),
        };
        self.problem(line, said);
        None
    }

    /// A cell in the base unit, or what is wrong with it.
    fn cell(&self, subject: ColumnSubject, record: &csv::ByteRecord) -> Result<Cell, String> {
        let Some(column) = &self.columns.found[subject as usize] else { return Ok(Cell::Nothing) };
        let Some(cell) = record.get(column.place) else { return Ok(Cell::Nothing) };
        let wrong = |why: &str| format!("{}: {why}", column.name);
        let text = std::str::from_utf8(cell).map_err(|_| wrong("not text"))?;
        if text.is_empty() || text.eq_ignore_ascii_case("nan") || text.eq_ignore_ascii_case("na") {
            return Ok(Cell::Nothing);
        }
        if subject == ColumnSubject::Time && looks_like_one(text) {
            return ClockTime::parse(text).map(Cell::Clock).map_err(|why| wrong(&why));
        }
        match (self.plain(text).parse::<f64>(), column.unit) {
            (Ok(value), Some(unit)) if value.is_finite() => Ok(Cell::Number(unit.to_base(value))),
            // A column of clock times has no unit.
            (Ok(value), None) if value.is_finite() => Err(wrong("a number, where others are clock times")),
            _ => Err(wrong(&format!("\"{}\" is not a number", shown(text)))),
        }
    }

    fn finish(self) -> Result<Trace, String> {
        if self.rows.is_empty() {
            return Err("no readings below the header".into());
        }
        let mut notes = self.columns.notes;
        if let Some(clock) = &self.clock {
            notes.push(format!("time 0 s is the clock time of line {}", self.rows[0].line));
            let lines: Vec<String> = clock.midnights.iter().map(u64::to_string).collect();
            if !lines.is_empty() {
                notes.push(format!("a new day begins at line {}", lines.join(", ")));
            }
        }
        let time = self.columns.found[ColumnSubject::Time as usize].as_ref();
        let time_unit = time.filter(|column| self.clock.is_none() && !column.chosen).and_then(|column| column.unit);
        let mut columns = self.columns.found.into_iter().map(|column| {
            let column = column?;
            Some(TraceColumn { name: column.name, unit: column.unit? })
        });
        let (_, pressure, temperature) = (columns.next(), columns.next().flatten(), columns.next().flatten());
        // Both are known since the first reading.
        let (Some(pressure), Some(reference)) = (pressure, self.columns.reference) else {
            return Err("no readings below the header".into());
        };
        let has_temperature = temperature.is_some();
        let rows = self.rows;
        Ok(Trace { rows, has_temperature, reference, time_unit, pressure, temperature, notes, clock: self.clock })
    }

    fn check_times(&mut self) {
        let mut found = Vec::new();
        let name = self.name(ColumnSubject::Time);
        for pair in self.rows.windows(2) {
            if found.len() > TOLD_MAX {
                break;
            }
            let (a, b) = (pair[0], pair[1]);
            let seconds = |us: i64| us as f64 / 1e6;
            if b.time_us == a.time_us {
                found.push((b.line, format!("{name}: {} s again, as in line {}", seconds(b.time_us), a.line)));
            } else if b.time_us < a.time_us {
                let (now, before) = (seconds(b.time_us), seconds(a.time_us));
                found.push((b.line, format!("{name}: {now} s is before the {before} s of line {}", a.line)));
            }
        }
        for (line, message) in found {
            self.problem(line, message);
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use seathold_sequencer::recipe::Model;
    use seathold_sequencer::units::{LeakRate, Reference};

    use super::*;
    use crate::trace::{TraceConditions, TraceWindow, judge};

    const ASSUMED: TraceConditions = TraceConditions {
        atmosphere_pa: 101_325.0,
        volume_m3: 45e-6,
        volume_u_rel: 0.02,
        gain_u_rel: 0.002,
        temperature_drift_u_k_s: 2e-4,
        background_pa_m3_s: 0.0,
        background_u_pa_m3_s: 0.0,
        gas_k: 293.15,
        reference: Reference::ISO_8778,
        limit: LeakRate::from_pa_m3_s(7.5e-4),
        false_accept: 0.01,
        false_reject: 0.01,
        coverage: 0.95,
        step_pa: None,
        model: Model::LineAndTransient,
        tau: None,
        shut_us: None,
        least_pa: f64::MIN,
        most_pa: f64::MAX,
        least_s: 0.0,
        most_s: f64::MAX,
    };

    fn gauge() -> TraceFormat {
        TraceFormat { reference: Some(PressureReference::Gauge), ..TraceFormat::default() }
    }

    #[test]
    fn a_row_over_several_lines_is_one_row() {
        assert_eq!(widest(b"a,b\n1,2\n3,4,5\n", b','), Some((3, 3)));
        assert_eq!(widest(b"a,b\n1,\"\n\",\"\n,,\",2\n", b','), Some((2, 4)));
        assert_eq!(widest(b"a;5\" wide;c\nx;y\n", b';'), Some((1, 3)));
        let wide = format!("time_s,pressure_pa{}\n", ",".repeat(COLUMNS_MAX));
        let told = parse("x", wide.as_bytes(), &gauge()).unwrap_err().to_string();
        assert_eq!(told, "x: line 1: 1002 columns, and 1000 are allowed");
        let rows: String = (0..=ROWS_MAX).map(|n| format!("{n},1\n")).collect();
        let told = parse("x", format!("time_s,pressure_pa\n{rows}").as_bytes(), &gauge());
        let told = told.unwrap_err().to_string();
        assert_eq!(told, "x: line 400002: more than 400000 readings; cut the file to the test itself");
    }

    proptest! {
        /// No bytes panic; what is taken can be judged, or says why not.
        #[test]
        fn any_bytes(bytes in prop::collection::vec(any::<u8>(), 0..400), after_header: bool) {
            let header = if after_header { &b"time_s,pressure_pa,temperature_k\n"[..] } else { b"" };
            if let Ok(trace) = parse("x", &[header, &bytes].concat(), &gauge()) {
                let _ = judge(&trace, TraceWindow::default(), &ASSUMED);
            }
        }

        /// Nor do any numbers, however far apart.
        #[test]
        fn any_numbers(rows in prop::collection::vec((1u32..2_000_000_000, -1e5f64..1e9), 1..120), scale in 0i32..12) {
            let (mut text, mut us) = (String::from("time_s;pressure_pa\n"), 0u64);
            for (step, pa) in rows {
                us += u64::from(step) / 10u64.pow(scale as u32).max(1) + 1;
                text.push_str(&format!("{};{}\n", us as f64 / 1e6, pa / 10f64.powi(scale)));
            }
            if let Ok(trace) = parse("x", text.as_bytes(), &gauge()) {
                let _ = judge(&trace, TraceWindow::default(), &ASSUMED);
            }
        }
    }
}
