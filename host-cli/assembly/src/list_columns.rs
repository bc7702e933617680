//! Which columns of a list hold names and which hold readings, and in what unit: only what is sure is taken.

use seathold_quantity::UnitDef;

use crate::length_unit::{choices, unit};
use crate::reading::{Reading, is_length, reading};

/// The most readings of a part.
pub const READINGS_MAX: usize = 20;
/// The longest name of a part or of a column.
const NAME_MAX: usize = 64;
/// So many columns are named to whoever looks whether the right ones were read.
const TOLD_MAX: usize = 6;

/// A column of these words alone holds names.
const NAMES: [&str; 12] =
    ["id", "part", "fitting", "body", "serial", "number", "no", "nr", "name", "place", "position", "end"];
/// A column with one of these words and no other that is not known holds readings.
const READINGS: [&str; 6] = ["length", "lengths", "reading", "readings", "measured", "measurement"];
/// Words that say nothing against it.
const HARMLESS: [&str; 12] =
    ["of", "the", "overall", "total", "first", "second", "third", "repeat", "run", "trial", "value", "fittings"];
/// What stands in a column with one of these is a length that is wanted or allowed, not one that was read.
const WANTED: [&str; 18] = [
    "nominal",
    "min",
    "max",
    "minimum",
    "maximum",
    "least",
    "most",
    "tolerance",
    "tol",
    "limit",
    "limits",
    "target",
    "wanted",
    "required",
    "drawing",
    "upper",
    "lower",
    "allowed",
];

/// Where name and readings stand.
#[derive(Debug)]
pub(crate) struct Columns {
    /// How many cells the first line has.
    cells: usize,
    name: Option<usize>,
    readings: Vec<Column>,
    /// Which are read, in words.
    pub told: String,
}

/// A column of readings.
#[derive(Debug)]
struct Column {
    at: usize,
    unit: UnitDef,
}

/// A column's name, understood.
enum Head {
    Name,
    Reading(UnitDef),
    Other,
}

impl Columns {
    /// From the first line, and whether that is one of names.
    pub(crate) fn of(row: &csv::StringRecord, unit: UnitDef) -> Result<(Self, bool), String> {
        if row.iter().any(|cell| cell.chars().count() > NAME_MAX) {
            return Err(format!("a name is longer than {NAME_MAX} characters"));
        }
        let is_head = !row.iter().any(|cell| is_length(cell, unit));
        if is_head {
            Self::named(row, unit).map(|columns| (columns, true))
        } else {
            Ok((Self::unnamed(row, unit)?, false))
        }
    }

    /// From a line of names.
    fn named(row: &csv::StringRecord, unit: UnitDef) -> Result<Self, String> {
        let (mut name, mut readings, mut read, mut others) = (None, Vec::new(), Vec::new(), Vec::new());
        for (at, text) in row.iter().enumerate() {
            match head(text, unit)? {
                Head::Name if name.is_none() => name = Some((at, text)),
                Head::Reading(unit) => {
                    readings.push(Column { at, unit });
                    read.push(format!("\"{text}\" ({})", unit.text));
                }
                _ if !text.is_empty() => others.push(format!("\"{text}\"")),
                _ => {}
            }
        }
        if readings.is_empty() {
            return Err(format!(
                "no column is named \"length\" or \"reading\", and none holds a length (units taken: {})",
                choices()
            ));
        }
        let names = name.map_or("parts are named by their place".into(), |(_, text)| format!("names from \"{text}\""));
        let unread = if others.is_empty() { String::new() } else { format!("; not read: {}", told(&others)) };
        let told = format!("{names}, readings from {}{unread}", told(&read));
        Ok(Self { cells: row.len(), name: name.map(|(at, _)| at), readings, told })
    }

    /// From a line of values: a length, and before it a name; or a length alone.
    fn unnamed(row: &csv::StringRecord, unit: UnitDef) -> Result<Self, String> {
        let from =
            (0..row.len()).rfind(|at| !is_length(&row[*at], unit)).map_or(usize::from(row.len() > 1), |at| at + 1);
        if from + 1 != row.len() {
            return Err(format!(
                "which of {} columns are readings is not sure without a first line of names, like \
                 \"fitting,length_1,length_2\"",
                row.len()
            ));
        }
        let told = match from {
            0 => format!("lengths alone, in {}; parts are named by their place", unit.text),
            _ => {
                format!("no line of names: names from column {from}, lengths in {} from column {}", unit.text, from + 1)
            }
        };
        Ok(Self { cells: row.len(), name: from.checked_sub(1), readings: vec![Column { at: from, unit }], told })
    }

    /// Name and readings of a line; `place` is the name of a part that has none.
    pub(crate) fn part(&self, row: &csv::StringRecord, place: usize) -> Result<(String, Vec<Reading>), String> {
        let id = self.name.and_then(|at| row.get(at)).filter(|name| !name.is_empty());
        let id = id.map_or_else(|| place.to_string(), str::to_owned);
        if id.chars().count() > NAME_MAX {
            return Err(format!("the name is longer than {NAME_MAX} characters"));
        }
        if row.iter().skip(self.cells).any(|cell| !cell.is_empty()) {
            return Err(format!(
                "\"{id}\" has more cells than the first line; where commas stand before decimals, part cells by semicolons or tabs"
            ));
        }
        let cells = self.readings.iter().filter_map(|column| Some((row.get(column.at)?, column.unit)));
        let cells = cells.filter(|(cell, _)| !cell.is_empty()).take(READINGS_MAX + 1);
        let read: Result<Vec<Reading>, String> = cells.map(|(cell, unit)| reading(cell, unit)).collect();
        let read = read.map_err(|why| format!("\"{id}\": {why}"))?;
        match read.len() {
            0 => Err(format!("\"{id}\" has no length")),
            1..=READINGS_MAX => Ok((id, read)),
            _ => Err(format!("\"{id}\" has more than {READINGS_MAX} readings")),
        }
    }
}

/// The first of them, so that a list of many columns is still told in a line or two.
fn told(all: &[String]) -> String {
    let first = all.iter().take(TOLD_MAX).cloned().collect::<Vec<_>>().join(", ");
    if all.len() > TOLD_MAX { format!("{first} and {} more", all.len() - TOLD_MAX) } else { first }
}

/// What a column holds, by its name.
fn head(text: &str, usual: UnitDef) -> Result<Head, String> {
    let words = words(text);
    let is_one_of = |known: &[&str], word: &String| known.contains(&word.as_str());
    if !words.is_empty() && words.iter().all(|word| is_one_of(&NAMES, word) || word == "#") {
        return Ok(Head::Name);
    }
    if !["length", "reading", "measured", "measurement"].iter().any(|word| text.to_lowercase().contains(word)) {
        return Ok(Head::Other);
    }
    if words.iter().any(|word| is_one_of(&WANTED, word)) {
        return Ok(Head::Other);
    }
    let mut units: Vec<UnitDef> = Vec::new();
    for word in &words {
        if let Some(unit) = unit(word) {
            units.push(unit);
            continue;
        }
        // Numbers and letters count repeats.
        let known = is_one_of(&READINGS, word)
            || is_one_of(&HARMLESS, word)
            || is_one_of(&NAMES, word)
            || word == "#"
            || word.bytes().all(|b| b.is_ascii_digit())
            || word.len() == 1 && word.bytes().all(|b| b.is_ascii_alphabetic());
        // Who measured, and when, is no length.
        if !known && !words.iter().any(|word| word.starts_with("length") || word.starts_with("reading")) {
            return Ok(Head::Other);
        }
        if !known {
            return Err(format!(
                "column \"{text}\": \"{word}\" is not understood; a column of readings is called length or reading, with a \
                 number and a unit where they are wanted, like \"length_1 [mm]\" (units taken: {})",
                choices()
            ));
        }
    }
    // "Length in mm" is in millimetres.
    if units.iter().any(|unit| unit.text != "in") {
        units.retain(|unit| unit.text != "in");
    }
    units.dedup();
    match units.as_slice() {
        [] => Ok(Head::Reading(usual)),
        [one] => Ok(Head::Reading(*one)),
        [one, other, ..] => Err(format!("column \"{text}\" names two units, {} and {}", one.text, other.text)),
    }
}

/// Words and numbers in small letters; what parts them is left out, any other sign is a word of its own.
fn words(text: &str) -> Vec<String> {
    let mut words: Vec<String> = Vec::new();
    let mut before = None;
    for c in text.to_lowercase().chars() {
        let kind = match c {
            _ if c.is_ascii_digit() => Some('1'),
            _ if c.is_alphanumeric() => Some('a'),
            ' ' | '[' | ']' | '(' | ')' | '/' | '_' | '-' | '.' | ':' | ',' | '|' => None,
            _ => Some(c),
        };
        match (kind, words.last_mut()) {
            (Some(_), Some(word)) if kind == before => word.push(c),
            (Some(_), _) => words.push(c.into()),
            (None, _) => {}
        }
        before = kind;
    }
    words
}

#[cfg(test)]
mod tests {
    use super::*;

    fn columns(head: &str) -> Result<String, String> {
        let mm = unit("mm").unwrap();
        Columns::of(&csv::StringRecord::from(head.split(';').collect::<Vec<_>>()), mm).map(|(columns, _)| columns.told)
    }

    #[test]
    fn units_in_a_name_are_read_where_they_are_sure() {
        for (head, unit) in [
            ("length", "mm"),
            ("Length [in]", "in"),
            ("Length (inch)", "in"),
            ("length_inches_2", "in"),
            ("Length [\"]", "in"),
            ("Length in cm", "cm"),
            ("Reading 2 / µm", "um"),
            ("μm, length", "um"),
            ("Length in", "in"),
            ("length1", "mm"),
            ("length_b", "mm"),
        ] {
            assert_eq!(
                columns(&format!("id;{head}")).unwrap(),
                format!("names from \"id\", readings from \"{head}\" ({unit})")
            );
        }
        for (head, word) in
            [("length mils", "mils"), ("length [thou]", "thou"), ("Length '", "'"), ("gauge length", "gauge")]
        {
            let why = columns(&format!("id;{head}")).unwrap_err();
            assert!(
                why.contains(&format!("\"{word}\" is not understood")) && why.contains("m, mm, cm, um, in"),
                "{why}"
            );
        }
        assert!(columns("length mm cm").unwrap_err().contains("names two units, mm and cm"));
    }

    #[test]
    fn what_is_wanted_is_no_reading() {
        assert_eq!(
            columns("Part no.;nominal length;min length;Length;Max. length;measured by").unwrap(),
            "names from \"Part no.\", readings from \"Length\" (mm); not read: \"nominal length\", \"min length\", \
             \"Max. length\", \"measured by\""
        );
        assert!(columns("id;nominal length").unwrap_err().contains("no column is named \"length\""));
    }

    #[test]
    fn without_names_one_column_of_lengths() {
        assert_eq!(columns("30.1").unwrap(), "lengths alone, in mm; parts are named by their place");
        assert_eq!(columns("A;30.1").unwrap(), "no line of names: names from column 1, lengths in mm from column 2");
        for line in ["A;30;1", "1;30.1;30.2", "A;30;x;"] {
            assert!(columns(line).unwrap_err().contains("columns are readings is not sure"), "{line}");
        }
    }
}
