//! A TOML file read against tables of fields: every mistake is collected, each with its line. Fields are at the top
//! or in a section one level down; options of the command line are read the same way.

use std::collections::BTreeMap;
use std::path::Path;

use seathold_quantity::{Dimension, InputError, InputProblem, UnitDef, did_you_mean};
use seathold_recording::file::{SETTINGS_MAX, read_text_at_most};
use seathold_sequencer::field::{Errors, Field, FieldError, Problem as FieldProblem, Unit};
use toml_edit::{Document, Item, Table, Value};

use crate::Error;

/// A file being read.
#[derive(Debug)]
pub struct ConfigFile {
    origin: String,
    text: String,
    entries: BTreeMap<String, Entry>,
    /// Tables that may come several times.
    arrays: BTreeMap<String, Vec<Table>>,
    /// Where fields are looked for: empty, or a section's name with its dot.
    section: String,
    known: Vec<String>,
    problems: Vec<InputProblem>,
    /// Fields that were set: line, and unit typed.
    typed: BTreeMap<String, (Option<usize>, Option<UnitDef>)>,
    bad: Vec<String>,
}

#[derive(Debug)]
struct Entry {
    line: Option<usize>,
    value: Option<Value>,
}

impl ConfigFile {
    /// Reads a file.
    ///
    /// # Errors
    /// When it cannot be read, or is not TOML.
    pub fn read(path: &Path) -> Result<Self, Error> {
        let length = std::fs::metadata(path).map_err(|why| Error::file("read", path, why))?.len();
        if length > SETTINGS_MAX {
            let message = format!(
                "{length} bytes are too many for such a file, which has at most {SETTINGS_MAX}; is it the right one?"
            );
            return Err(Error::Input(InputError {
                origin: path.display().to_string(),
                problems: vec![InputProblem { line: None, message }],
            }));
        }
        // A pipe or device has no length.
        let text = read_text_at_most(path, SETTINGS_MAX)?;
        Self::parse(&path.display().to_string(), &text)
    }

    /// Reads a text.
    ///
    /// # Errors
    /// When it is not TOML.
    pub fn parse(origin: &str, text: &str) -> Result<Self, Error> {
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let document = Document::parse(text).map_err(|why| {
            let line = why.span().map(|span| line_of(text, span.start));
            let message = why.message().trim().replace('\n', "; ");
            Error::Input(InputError { origin: origin.into(), problems: vec![InputProblem { line, message }] })
        })?;
        let mut config = Self::empty(origin);
        config.text = text.into();
        config.collect(document.as_table(), "");
        Ok(config)
    }

    /// Nothing given: every field keeps its value.
    fn empty(origin: &str) -> Self {
        Self {
            origin: origin.into(),
            text: String::new(),
            entries: BTreeMap::new(),
            arrays: BTreeMap::new(),
            section: String::new(),
            known: Vec::new(),
            problems: Vec::new(),
            typed: BTreeMap::new(),
            bad: Vec::new(),
        }
    }

    /// Fields given on the command line, as name and value.
    pub fn from_options<'a>(options: impl Iterator<Item = (&'a str, &'a str)>) -> Self {
        let mut config = Self::empty("command line");
        for (name, value) in options {
            let value = value.parse::<bool>().map_or_else(|_| Value::from(value), Value::from);
            config.entries.insert(name.to_owned(), Entry { line: None, value: Some(value) });
        }
        config
    }

    fn collect(&mut self, table: &Table, prefix: &str) {
        for (name, item) in table.iter() {
            let key = table.key(name).and_then(toml_edit::Key::span);
            let line = key.or(item.span()).map(|span| line_of(&self.text, span.start));
            let path = format!("{prefix}{name}");
            match item {
                Item::Table(section) if prefix.is_empty() => self.collect(section, &format!("{path}.")),
                Item::Value(value) => {
                    self.entries.insert(path, Entry { line, value: Some(value.clone()) });
                }
                _ => {
                    if let Item::ArrayOfTables(tables) = item {
                        self.arrays.insert(path.clone(), tables.iter().cloned().collect());
                    }
                    self.entries.insert(path, Entry { line, value: None });
                }
            }
        }
    }

    /// Looks in a section from here on.
    pub fn within(&mut self, section: &str) {
        self.section = format!("{section}.");
    }

    /// Tables that may come several times, `[[name]]`: the line of each. The fields of the first are then found in the
    /// section `name[1]`, and so on.
    pub fn tables(&mut self, name: &str) -> Vec<Option<usize>> {
        self.known.push(name.to_owned());
        let Some(tables) = self.arrays.remove(name) else { return Vec::new() };
        self.entries.remove(name);
        let mut lines = Vec::new();
        for (i, table) in tables.iter().enumerate() {
            lines.push(table.span().map(|span| line_of(&self.text, span.start)));
            self.collect(table, &format!("{name}[{}].", i + 1));
        }
        lines
    }

    /// The file, or "command line".
    pub fn origin(&self) -> &str {
        &self.origin
    }

    /// The text read.
    pub fn source(&self) -> &str {
        &self.text
    }

    /// Adds a mistake at a line.
    pub(crate) fn complain(&mut self, line: Option<usize>, message: String) {
        self.problem(line, message);
    }

    /// Skips a field, so that it is not reported as unknown.
    pub fn skip(&mut self, name: &str) {
        if let Some(entry) = self.take(name) {
            let path = self.path(name);
            self.typed.insert(path, (entry.line, None));
        }
    }

    fn problem(&mut self, line: Option<usize>, message: String) {
        self.problems.push(InputProblem { line, message });
    }

    fn path(&self, name: &str) -> String {
        format!("{}{name}", self.section)
    }

    fn take(&mut self, name: &str) -> Option<Entry> {
        let path = self.path(name);
        let entry = self.entries.remove(&path);
        self.known.push(path);
        entry
    }

    /// Whether a field was given.
    pub fn has(&self, name: &str) -> bool {
        let path = self.path(name);
        self.entries.contains_key(&path) || self.typed.contains_key(&path)
    }

    /// A plain text field.
    pub fn text(&mut self, name: &str) -> Option<String> {
        let entry = self.take(name)?;
        match entry.value {
            Some(Value::String(text)) => Some(text.into_value()),
            other => {
                let found = shown(other.as_ref());
                self.problem(entry.line, format!("{}: {found} is not a text in quotes", self.path(name)));
                None
            }
        }
    }

    /// A value that is checked as it is read: a text in quotes; or true or false, which come as those words.
    pub fn checked<T>(&mut self, name: &str, flag: bool, check: impl FnOnce(&str) -> Result<T, String>) -> Option<T> {
        let entry = self.take(name)?;
        let path = self.path(name);
        let read = match (entry.value.as_ref(), flag) {
            (Some(Value::String(text)), false) => check(text.value()),
            (Some(Value::Boolean(yes)), true) => check(&yes.value().to_string()),
            (other, true) => Err(format!("{} is neither true nor false", shown(other))),
            (other, false) => Err(format!("{} is not a text in quotes", shown(other))),
        };
        read.map_err(|why| self.problem(entry.line, format!("{path}: {why}"))).ok()
    }

    /// A plain number.
    pub fn number(&mut self, name: &str) -> Option<f64> {
        let entry = self.take(name)?;
        let path = self.path(name);
        self.typed.insert(path.clone(), (entry.line, None));
        match entry.value {
            Some(Value::Integer(number)) => Some(number.into_value() as f64),
            Some(Value::Float(number)) => Some(number.into_value()),
            other => {
                let found = shown(other.as_ref());
                self.problem(entry.line, format!("{path}: {found} is not a number"));
                self.bad.push(path);
                None
            }
        }
    }

    /// One of a few words.
    pub fn choice<T: Copy>(&mut self, name: &str, choices: &[(impl AsRef<str>, T)]) -> Option<T> {
        let entry = self.take(name)?;
        let path = self.path(name);
        self.typed.insert(path.clone(), (entry.line, None));
        let typed = entry.value.as_ref().and_then(Value::as_str);
        if let Some(found) = choices.iter().find(|(word, _)| Some(word.as_ref()) == typed) {
            return Some(found.1);
        }
        let words: Vec<String> = choices.iter().map(|(word, _)| format!("\"{}\"", word.as_ref())).collect();
        let found = shown(entry.value.as_ref());
        let hint = did_you_mean(typed.unwrap_or_default(), choices.iter().map(|(word, _)| word.as_ref()));
        self.problem(entry.line, format!("{path}: {found} is none of {}{hint}", words.join(", ")));
        None
    }

    /// Every field of a table that the file gives. Leaks come last, because a volume of gas needs the reference
    /// pressure, which may be in the same file.
    pub fn fields<T>(&mut self, to: &mut T, fields: &'static [Field<T>], reference_pa: fn(&T) -> f64) {
        let is_leak = |field: &&Field<T>| field.unit == Unit::PascalCubicMetrePerSecond;
        for field in fields.iter().filter(|f| !is_leak(f)).chain(fields.iter().filter(is_leak)) {
            let reference = reference_pa(to);
            self.field(to, field, reference);
        }
    }

    /// One field.
    pub fn field<T>(&mut self, to: &mut T, field: &'static Field<T>, reference_pa: f64) {
        let Some(entry) = self.take(field.name) else { return };
        let path = self.path(field.name);
        match read_value(field, entry.value.as_ref(), reference_pa) {
            Ok((value, symbol)) => {
                self.typed.insert(path, (entry.line, symbol));
                (field.set)(to, value);
            }
            Err(message) => {
                self.problem(entry.line, format!("{path}: {message}"));
                self.bad.push(path);
            }
        }
    }

    /// The unit a field was typed in.
    pub fn unit(&self, name: &str) -> Option<UnitDef> {
        self.typed.get(&self.path(name)).and_then(|(_, symbol)| *symbol)
    }

    /// Adds the errors of a validation, in the units typed. A field is reported only once.
    pub fn add(&mut self, errors: &Errors, reference_pa: f64) {
        for error in errors.as_slice() {
            let path = self.path(error.field);
            if self.bad.contains(&path) {
                continue;
            }
            let (line, symbol) = self.typed.get(&path).copied().unwrap_or_default();
            // A rule may be broken by the other field, where this one was not typed at all.
            let line = line.or_else(|| self.line_of_others(error));
            let section = self.section.clone();
            self.problem(line, format!("{section}{}", say(error, symbol, reference_pa)));
        }
    }

    /// Adds a mistake that no table of fields can find, with the line of the field or, where it was not given, of the
    /// one that asks for it. A field is reported only once.
    pub fn wrong(&mut self, name: &str, because_of: &str, message: &str) {
        let path = self.path(name);
        if !self.bad.contains(&path) {
            let line = [&path, &self.path(because_of)].into_iter().find_map(|path| self.typed.get(path)?.0);
            self.problem(line, format!("{path}: {message}"));
        }
    }

    fn line_of_others(&self, error: &FieldError) -> Option<usize> {
        let FieldProblem::Conflict { with, .. } = error.problem else { return None };
        with.split(", ").find_map(|name| self.typed.get(&self.path(name))?.0)
    }

    /// Ends the reading: unknown fields are mistakes too.
    ///
    /// # Errors
    /// Everything wrong with the file, in the order of its lines.
    pub fn finish(mut self) -> Result<(), Error> {
        for (name, entry) in std::mem::take(&mut self.entries) {
            let mut hint = did_you_mean(&name, self.known.iter().map(String::as_str));
            // Where nothing is near, a short list is no burden.
            if hint.is_empty() && (1..=FEW).contains(&self.known.len()) {
                hint = format!("; known are {}", self.known.join(", "));
            }
            let what = if entry.value.is_some() { "unknown field" } else { "unknown table" };
            self.problem(entry.line, format!("{name}: {what}{hint}"));
        }
        if self.problems.is_empty() {
            return Ok(());
        }
        self.problems.sort_by_key(|p| p.line.unwrap_or(usize::MAX));
        Err(Error::Input(InputError { origin: self.origin, problems: self.problems }))
    }
}

/// So many names are listed where none is near to what was typed.
const FEW: usize = 12;

fn line_of(text: &str, at: usize) -> usize {
    1 + text.as_bytes().iter().take(at).filter(|b| **b == b'\n').count()
}

fn shown(value: Option<&Value>) -> String {
    value.map_or_else(|| "a table".into(), |v| v.to_string().trim().to_owned())
}

/// A value of a file, in the field's base unit, with the unit typed.
fn read_value<T>(field: &Field<T>, value: Option<&Value>, reference_pa: f64) -> Result<(f64, Option<UnitDef>), String> {
    if field.unit == Unit::Flag {
        let flag = value.and_then(Value::as_bool);
        return flag
            .map(|f| (f64::from(u8::from(f)), None))
            .ok_or(format!("{} is neither true nor false", shown(value)));
    }
    let text = match value {
        Some(Value::String(text)) => text.value().clone(),
        // A bare number, kept as it was typed.
        Some(Value::Integer(_) | Value::Float(_)) => shown(value).replace('_', ""),
        _ => return Err(format!("{} is not a quantity in quotes", shown(value))),
    };
    read_quantity(field, &text, reference_pa)
}

/// A quantity as typed in a file or behind an option, range checked.
///
/// # Errors
/// Says what is wrong, without the field's name.
pub(crate) fn read_quantity<T>(
    field: &Field<T>,
    text: &str,
    reference_pa: f64,
) -> Result<(f64, Option<UnitDef>), String> {
    if field.name == "limit"
        && let Some(class) = seathold_quantity::limit::class(text, None)?
    {
        let reference = seathold_quantity::limit::reference_at(reference_pa);
        let leak =
            class.rate.gas_limit(class.standard, class.dn, reference).map_err(|why| format!("\"{text}\": {why}"))?;
        return Ok((leak.pa_m3_s(), Some(Dimension(field.unit).usual())));
    }
    let quantity = Dimension(field.unit).parse(text).map_err(|why| why.to_string())?;
    seathold_quantity::limit::standard_is_stated(text, quantity.symbol, reference_pa)?;
    let value = quantity.value(reference_pa);
    if value >= field.min && value <= field.max {
        return Ok((value, Some(quantity.symbol)));
    }
    let problem = FieldProblem::OutOfRange { value, min: field.min, max: field.max };
    let error = FieldError { field: field.name, unit: field.unit, problem };
    let said = say(&error, Some(quantity.symbol), reference_pa);
    Err(said.split_once(": ").map_or(said.clone(), |(_, rest)| rest.to_owned()))
}

/// A field error in the unit typed, or the usual one.
pub fn say(error: &FieldError, symbol: Option<UnitDef>, reference_pa: f64) -> String {
    let kind = Dimension(error.unit);
    let most = match error.problem {
        FieldProblem::OutOfRange { max, .. } => max,
        FieldProblem::Conflict { bound, .. } => bound,
    };
    let symbol = kind.display_unit(symbol, most);
    let write = |value: f64| symbol.write(kind, value, reference_pa);
    match error.problem {
        FieldProblem::OutOfRange { value, min, max } => {
            format!("{}: {} is outside {} to {}", error.field, write(value), write(min), write(max))
        }
        FieldProblem::Conflict { value, with, bound, rule } => {
            format!("{}: {} {rule} {} (from {with})", error.field, write(value), write(six_digits(bound)))
        }
    }
}

/// A computed bound, without the digits that only doubles have.
fn six_digits(value: f64) -> f64 {
    format!("{value:.5e}").parse().unwrap_or(value)
}

/// A file with every field of a table, its meaning and its range.
pub fn template<'a, T: 'static>(
    values: &T,
    fields: impl IntoIterator<Item = &'a Field<T>>,
    reference_pa: f64,
) -> String {
    let mut out = String::new();
    for field in fields {
        if field.unit == Unit::Flag {
            out.push_str(&format!("\n# {}\n{} = {}\n", field.about, field.name, (field.get)(values) != 0.0));
            continue;
        }
        let kind = Dimension(field.unit);
        let write = |value: f64| kind.display_unit(None, field.max).write(kind, value, reference_pa);
        let (value, min, max) = (write((field.get)(values)), write(field.min), write(field.max));
        let value = if matches!(field.unit, Unit::Ratio | Unit::Count) {
            value.replace(" counts", "")
        } else {
            format!("\"{value}\"")
        };
        out.push_str(&format!("\n# {}: {min} to {max}\n{} = {value}\n", field.about, field.name));
    }
    out
}
