//! A trace as a data logger writes it: CSV with a header line, in any of the usual dialects.

use std::path::Path;

use seathold_config::Error;
use seathold_quantity::{InputError, InputProblem, did_you_mean};

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

/// Whether pressures are gauge or absolute.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PressureReference {
    /// Above the atmosphere.
    Gauge,
    /// Above vacuum.
    Absolute,
}

/// One line of the file.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TraceRow {
    /// Line in the file.
    pub line: u64,
    /// Time in microseconds.
    pub time_us: i64,
    /// Pressure in pascals as written; `None` where the logger had none (empty, or "NaN").
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
    /// Notes on what was ignored.
    pub notes: Vec<String>,
}

/// The columns, and what they hold.
const COLUMNS: [&str; 3] = ["time_s", "pressure_pa", "temperature_k"];

/// Reads a file.
///
/// # Errors
/// When it cannot be read; or everything wrong with it, each with its line.
pub fn read(path: &Path, kind: PressureReference) -> Result<Trace, Error> {
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
    parse(&origin, &bytes, kind)
}

fn refuse(origin: &str, line: Option<usize>, message: String) -> Error {
    Error::Input(InputError { origin: origin.into(), problems: vec![InputProblem { line, message }] })
}

/// Reads a text. Taken are a byte order mark, either line ending, blank lines, blanks around cells, quotes, tabs or
/// semicolons between cells, and decimal commas wherever commas do not separate the cells.
///
/// # Errors
/// Everything wrong with it, each with its line.
pub fn parse(origin: &str, bytes: &[u8], kind: PressureReference) -> Result<Trace, Error> {
    if bytes.starts_with(&[0xff, 0xfe]) || bytes.starts_with(&[0xfe, 0xff]) {
        return Err(refuse(origin, Some(1), "this is UTF-16 text; save it as UTF-8".into()));
    }
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let Some(delimiter) = delimiter(bytes) else {
        return Err(refuse(origin, None, "the file is empty".into()));
    };
    if let Some((line, cells)) = widest(bytes, delimiter).filter(|(_, cells)| *cells > COLUMNS_MAX) {
        return Err(refuse(origin, Some(line), format!("{cells} columns, and {COLUMNS_MAX} are allowed")));
    }
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .trim(csv::Trim::All)
        .delimiter(delimiter)
        .from_reader(bytes);
    let mut parser = Parser { delimiter, kind, columns: [None; 3], width: 0, rows: Vec::new(), problems: Vec::new() };
    let mut notes = Vec::new();
    let mut record = csv::ByteRecord::new();
    loop {
        match reader.read_byte_record(&mut record) {
            Ok(true) => {}
            Ok(false) => break,
            Err(why) => {
                let line = why.position().map(|p| p.line() as usize);
                return Err(refuse(origin, line, format!("not readable as CSV: {why}")));
            }
        }
        let line = record.position().map_or(0, csv::Position::line);
        if record.iter().all(<[u8]>::is_empty) {
            continue;
        }
        if parser.rows.len() == ROWS_MAX {
            let message = format!("more than {ROWS_MAX} readings; cut the file to the test itself");
            return Err(refuse(origin, Some(line as usize), message));
        }
        if parser.width == 0 {
            notes.extend(parser.header(origin, line, &record)?);
        } else if parser.problems.len() < TOLD_MAX {
            parser.row(line, &record);
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
    Ok(Trace { rows: parser.rows, has_temperature: parser.columns[2].is_some(), notes })
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
    kind: PressureReference,
    columns: [Option<usize>; 3],
    width: usize,
    rows: Vec<TraceRow>,
    problems: Vec<InputProblem>,
}

impl Parser {
    /// Finds the columns; notes which others are ignored.
    fn header(&mut self, origin: &str, line: u64, record: &csv::ByteRecord) -> Result<Option<String>, Error> {
        let names: Vec<String> = record.iter().map(|c| String::from_utf8_lossy(c).to_lowercase()).collect();
        let wrong = |message: String| refuse(origin, Some(line as usize), message);
        if names.iter().any(|n| n.parse::<f64>().is_ok()) {
            return Err(wrong(
                "the first line must name the columns: time_s, pressure_pa, and where there is one temperature_k"
                    .into(),
            ));
        }
        for (slot, wanted) in self.columns.iter_mut().zip(COLUMNS) {
            let mut found = names.iter().enumerate().filter(|(_, name)| *name == wanted).map(|(i, _)| i);
            *slot = found.next();
            if found.next().is_some() {
                return Err(wrong(format!("column {wanted} is there twice")));
            }
            if slot.is_none() && wanted != COLUMNS[2] {
                let hint = did_you_mean(wanted, names.iter().map(String::as_str)).replace("did you mean", "is it");
                return Err(wrong(format!("no column {wanted} (there are: {}){hint}", names.join(", "))));
            }
        }
        self.width = names.len();
        let others: Vec<&str> = names.iter().map(String::as_str).filter(|n| !COLUMNS.contains(n)).collect();
        Ok((!others.is_empty()).then(|| format!("columns ignored: {}", others.join(", "))))
    }

    fn problem(&mut self, line: u64, message: String) {
        self.problems.push(InputProblem { line: Some(line as usize), message });
    }

    fn row(&mut self, line: u64, record: &csv::ByteRecord) {
        if record.len() != self.width {
            let decimal = if self.delimiter == b',' && record.len() > self.width {
                "; with decimal commas, separate the cells by semicolons"
            } else {
                ""
            };
            self.problem(line, format!("{} cells where the header has {}{decimal}", record.len(), self.width));
            return;
        }
        let time = self.number(line, 0, record);
        let pressure = self.number(line, 1, record);
        let kelvin = self.number(line, 2, record);
        let (Ok(time), Ok(pressure), Ok(kelvin)) = (time, pressure, kelvin) else { return };
        let Some(time) = time.filter(|t| t.abs() <= TIME_MAX_S) else {
            self.problem(line, "time_s: a reading needs a time".into());
            return;
        };
        let vacuum = match self.kind {
            PressureReference::Gauge => -110_000.0,
            PressureReference::Absolute => 0.0,
        };
        if let Some(pa) = pressure
            && !(vacuum..=1e9).contains(&pa)
        {
            self.problem(line, format!("pressure_pa: {pa} Pa is outside {vacuum} to 1e9 Pa"));
            return;
        }
        if let Some(k) = kelvin
            && !(200.0..=400.0).contains(&k)
        {
            let celsius = if (-60.0..=120.0).contains(&k) {
                "; in °C it would be likely, but the column is in kelvin"
            } else {
                ""
            };
            self.problem(line, format!("temperature_k: {k} K is outside 200 to 400 K{celsius}"));
            return;
        }
        self.rows.push(TraceRow { line, time_us: (time * 1e6).round() as i64, pressure_pa: pressure, kelvin });
    }

    /// A cell; `Ok(None)` for one that says there is no reading.
    fn number(&mut self, line: u64, column: usize, record: &csv::ByteRecord) -> Result<Option<f64>, ()> {
        let Some(cell) = self.columns[column].and_then(|i| record.get(i)) else { return Ok(None) };
        let Ok(text) = std::str::from_utf8(cell) else {
            self.problem(line, format!("{}: not text", COLUMNS[column]));
            return Err(());
        };
        if text.is_empty() || text.eq_ignore_ascii_case("nan") || text.eq_ignore_ascii_case("na") {
            return Ok(None);
        }
        let plain = if self.delimiter == b',' { text.to_owned() } else { text.replace(',', ".") };
        match plain.parse::<f64>() {
            Ok(value) if value.is_finite() => Ok(Some(value)),
            _ => {
                self.problem(line, format!("{}: \"{text}\" is not a number", COLUMNS[column]));
                Err(())
            }
        }
    }

    fn check_times(&mut self) {
        let mut found = Vec::new();
        for pair in self.rows.windows(2) {
            if found.len() > TOLD_MAX {
                break;
            }
            let (a, b) = (pair[0], pair[1]);
            let seconds = |us: i64| us as f64 / 1e6;
            if b.time_us == a.time_us {
                found.push((b.line, format!("time_s: {} s again, as in line {}", seconds(b.time_us), a.line)));
            } else if b.time_us < a.time_us {
                let (now, before) = (seconds(b.time_us), seconds(a.time_us));
                found.push((b.line, format!("time_s: {now} s is before the {before} s of line {}", a.line)));
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
        kind: PressureReference::Gauge,
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
    };

    #[test]
    fn a_row_over_several_lines_is_one_row() {
        assert_eq!(widest(b"a,b\n1,2\n3,4,5\n", b','), Some((3, 3)));
        assert_eq!(widest(b"a,b\n1,\"\n\",\"\n,,\",2\n", b','), Some((2, 4)));
        assert_eq!(widest(b"a;5\" wide;c\nx;y\n", b';'), Some((1, 3)));
        let wide = format!("time_s,pressure_pa{}\n", ",".repeat(COLUMNS_MAX));
        let told = parse("x", wide.as_bytes(), PressureReference::Gauge).unwrap_err().to_string();
        assert_eq!(told, "x: line 1: 1002 columns, and 1000 are allowed");
        let rows: String = (0..=ROWS_MAX).map(|n| format!("{n},1\n")).collect();
        let told = parse("x", format!("time_s,pressure_pa\n{rows}").as_bytes(), PressureReference::Gauge);
        let told = told.unwrap_err().to_string();
        assert_eq!(told, "x: line 400002: more than 400000 readings; cut the file to the test itself");
    }

    proptest! {
        /// No bytes panic; what is taken can be judged, or says why not.
        #[test]
        fn any_bytes(bytes in prop::collection::vec(any::<u8>(), 0..400), after_header: bool) {
            let header = if after_header { &b"time_s,pressure_pa,temperature_k\n"[..] } else { b"" };
            if let Ok(trace) = parse("x", &[header, &bytes].concat(), PressureReference::Gauge) {
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
            if let Ok(trace) = parse("x", text.as_bytes(), PressureReference::Gauge) {
                let _ = judge(&trace, TraceWindow::default(), &ASSUMED);
            }
        }
    }
}
