//! Lists of valves: a CSV file, or patterns like `HM-001..HM-040`.

use std::collections::HashMap;
use std::path::Path;

use seathold_quantity::{InputError, InputProblem, did_you_mean};
use seathold_recording::bounds;
use seathold_recording::limits::TEXT_MAX;
use seathold_sequencer::rate_class::{DN_MAX, DN_MIN};

use super::check_digit::CheckDigit;
use super::similar_serials;
use crate::error::Error;
use crate::intake::VALVES_MAX;
use crate::valves::ValveRecord;

const COLUMNS: [&str; 4] = ["serial", "actuation", "dn", "notes"];

/// A list as it was read: valves with their lines.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ValveList {
    /// In the order given.
    pub valves: Vec<ValveRecord>,
    lines: Vec<Option<usize>>,
    /// Lines that could not be read; [`ValveList::check`] reports them with everything else that is wrong.
    problems: Vec<InputProblem>,
}

/// Defaults for the valves of a list.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ListDefaults {
    /// "air", "hand", or empty.
    pub actuation: String,
    /// Nominal size.
    pub dn: Option<u32>,
}

/// Reads a CSV file with the columns `serial` and optionally `actuation`, `dn` and `notes`; commas, semicolons or
/// tabs.
///
/// # Errors
/// When it cannot be read, or has no column of serials. Wrong lines are reported by [`ValveList::check`].
pub fn read(path: &Path, shared: &ListDefaults) -> Result<ValveList, Error> {
    let bytes = std::fs::read(path).map_err(|why| Error::file("read", path, why))?;
    from_bytes(&path.display().to_string(), bytes, shared)
}

/// Reads the bytes of such a file; `origin` is its name, for errors.
///
/// # Errors
/// As for [`read`].
pub fn from_bytes(origin: &str, bytes: Vec<u8>, shared: &ListDefaults) -> Result<ValveList, Error> {
    text(bytes)
        .and_then(|text| parse(&text, shared))
        .map_err(|problems| Error::Input(InputError { origin: origin.into(), problems }))
}

/// The text of a file. Spreadsheets like to write other encodings, where names with accents would be garbled.
fn text(bytes: Vec<u8>) -> Result<String, Vec<InputProblem>> {
    String::from_utf8(bytes).map_err(|why| {
        let whole = why.utf8_error().valid_up_to();
        let line = 1 + why.as_bytes().iter().take(whole).filter(|byte| **byte == b'\n').count();
        vec![InputProblem { line: Some(line), message: "is not UTF-8: save the list as CSV in UTF-8".into() }]
    })
}

fn parse(text: &str, shared: &ListDefaults) -> Result<ValveList, Vec<InputProblem>> {
    let text = text.trim_start_matches('\u{feff}');
    let first = text.lines().next().unwrap_or_default();
    let delimiter = [b';', b'\t'].into_iter().find(|d| first.contains(char::from(*d))).unwrap_or(b',');
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(delimiter)
        .trim(csv::Trim::All)
        .comment(Some(b'#'))
        .flexible(true)
        .from_reader(text.as_bytes());
    let at = |line: Option<usize>, message: String| InputProblem { line, message };
    let heads = match reader.headers() {
        Ok(heads) => heads.clone(),
        Err(why) => return Err(vec![at(None, format!("cannot be read as CSV: {why}"))]),
    };
    let mut problems = Vec::new();
    let mut places: [Option<usize>; 4] = [None; 4];
    for (i, head) in heads.iter().enumerate() {
        match COLUMNS.iter().position(|c| c.eq_ignore_ascii_case(head)) {
            Some(column) => places[column] = Some(i),
            None => {
                let hint = did_you_mean(&head.to_lowercase(), COLUMNS.into_iter());
                problems.push(at(
                    Some(1),
                    format!("column \"{head}\" is not known{hint} (there are: {})", COLUMNS.join(", ")),
                ));
            }
        }
    }
    if places[0].is_none() {
        problems.push(at(Some(1), "there is no column \"serial\"; the first line names the columns".into()));
        return Err(problems);
    }
    let mut list = ValveList::default();
    for row in reader.records() {
        let row = match row {
            Ok(row) => row,
            Err(why) => {
                problems.push(at(None, format!("cannot be read as CSV: {why}")));
                break;
            }
        };
        let line = row.position().map(|p| p.line() as usize);
        if row.iter().all(str::is_empty) {
            continue;
        }
        if row.len() > heads.len() {
            problems.push(at(line, format!("has {} fields, the first line {}", row.len(), heads.len())));
            continue;
        }
        let field = |column: usize| places[column].and_then(|i| row.get(i)).unwrap_or_default();
        match valve([field(0), field(1), field(2), field(3)], shared) {
            Ok(valve) => {
                list.valves.push(valve);
                list.lines.push(line);
            }
            Err(wrong) => problems.extend(wrong.into_iter().map(|message| at(line, message))),
        }
    }
    list.problems = problems;
    Ok(list)
}

fn valve([serial, actuation, dn, notes]: [&str; 4], shared: &ListDefaults) -> Result<ValveRecord, Vec<String>> {
    let mut wrong = Vec::new();
    if let Err(why) = super::serial::serial(serial) {
        wrong.push(format!("serial \"{serial}\": {why}"));
    }
    let actuation = match actuation.to_lowercase().as_str() {
        "" => shared.actuation.clone(),
        word @ ("air" | "hand") => word.to_owned(),
        _ => {
            wrong.push(format!("actuation \"{actuation}\": give \"air\" or \"hand\", or leave it empty"));
            String::new()
        }
    };
    let size = dn.trim_start_matches(['D', 'N', 'd', 'n', ' ']);
    let dn = match (dn, size.parse::<u32>()) {
        ("", _) => shared.dn,
        (_, Ok(size)) if (DN_MIN..=DN_MAX).contains(&size) => Some(size),
        _ => {
            wrong.push(format!("dn \"{dn}\": give a whole number from {DN_MIN} to {DN_MAX}, or leave it empty"));
            None
        }
    };
    // A quote that is never closed makes notes of the rest of the list: better told here, with its line, than at the gate.
    wrong.extend(bounds::text_fault("field \"notes\"", notes, TEXT_MAX));
    if wrong.is_empty() {
        Ok(ValveRecord { serial: serial.into(), actuation, dn, notes: notes.into() })
    } else {
        Err(wrong)
    }
}

/// Serials by patterns: `HM-001..HM-040`, or single ones; several separated by commas.
///
/// # Errors
/// Says which pattern is wrong.
pub fn patterns(text: &str, shared: &ListDefaults) -> Result<ValveList, Error> {
    let wrong = |why: String| Error::usage(format!("--serials: {why}"));
    let mut list = ValveList::default();
    for pattern in text.split(',').map(str::trim).filter(|p| !p.is_empty()) {
        let serials = match pattern.split_once("..") {
            Some((from, to)) => range(from.trim(), to.trim()).map_err(|why| wrong(format!("\"{pattern}\": {why}")))?,
            None => vec![pattern.to_owned()],
        };
        for serial in serials {
            let valve = valve([&serial, "", "", ""], shared).map_err(|why| wrong(why.join("; ")))?;
            list.valves.push(valve);
            list.lines.push(None);
        }
    }
    Ok(list)
}

/// `HM-001`, `HM-003` → the two and what is between.
fn range(from: &str, to: &str) -> Result<Vec<String>, String> {
    let split = |text: &str| {
        let digits = text.bytes().rev().take_while(u8::is_ascii_digit).count();
        let (head, tail) = text.split_at(text.len() - digits);
        (head.to_owned(), tail.to_owned())
    };
    let ((head, first), (other, last)) = (split(from), split(to));
    // "HM-001..040" is plain enough.
    let other = if other.is_empty() { head.clone() } else { other };
    let number = |text: &str| text.parse::<u64>().map_err(|_| format!("\"{text}\" is no number to count by"));
    let (low, high) = (number(&first)?, number(&last)?);
    // "HM-9..HM-12" counts without leading zeros.
    let grows = first.len() < last.len() && !first.starts_with('0');
    if head != other || !(first.len() == last.len() || grows) {
        return Err("both ends must be equal except for the last digits, like HM-001..HM-040 or HM-9..HM-12".into());
    }
    if high < low {
        return Err("ends before it begins".into());
    }
    if high - low >= VALVES_MAX as u64 {
        return Err(format!("that would be {} valves; a batch has at most {VALVES_MAX}", high - low + 1));
    }
    Ok((low..=high).map(|n| format!("{head}{n:0width$}", width = first.len())).collect())
}

impl ValveList {
    /// Checks it as a whole: every line could be read, not empty, no serial twice, none that looks like another, every
    /// check digit right.
    ///
    /// # Errors
    /// Everything wrong, with the lines. `origin` is the file or option.
    pub fn check(&self, origin: &str, digits: Option<CheckDigit>, look_alikes: bool) -> Result<(), Error> {
        let mut problems = self.problems.clone();
        let none = self.valves.is_empty() && problems.is_empty();
        let mut wrong = |place: usize, message: String| {
            problems.push(InputProblem { line: self.lines.get(place).copied().flatten(), message });
        };
        let line = |place: usize| {
            self.lines.get(place).copied().flatten().map_or_else(String::new, |n| format!(" (line {n})"))
        };
        if none {
            wrong(0, "lists no valves".into());
        }
        if self.valves.len() > VALVES_MAX {
            wrong(0, format!("lists {} valves; a batch has at most {VALVES_MAX}", self.valves.len()));
        }
        let mut seen: HashMap<&str, usize> = HashMap::new();
        for (place, valve) in self.valves.iter().enumerate() {
            let serial = valve.serial.as_str();
            if let Some(first) = seen.insert(serial, place) {
                wrong(place, format!("serial \"{serial}\" is there already{}", line(first)));
            }
            if let Some(digits) = digits.filter(|d| !d.fits(serial)) {
                wrong(place, format!("serial \"{serial}\" does not fit its check digit ({})", digits.word()));
            }
        }
        if !look_alikes {
            let serials: Vec<&str> = self.valves.iter().map(|v| v.serial.as_str()).collect();
            for (one, other) in similar_serials::pairs(&serials).into_iter().filter(|(a, b)| serials[*a] != serials[*b])
            {
                let text = format!(
                    "serial \"{}\" looks like \"{}\"{}; correct the one that is wrong, or give --allow-similar if both \
                     are right",
                    serials[other],
                    serials[one],
                    line(one)
                );
                wrong(other, text);
            }
        }
        problems.sort_by_key(|problem| problem.line);
        if problems.is_empty() { Ok(()) } else { Err(Error::Input(InputError { origin: origin.into(), problems })) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn serials(text: &str) -> Vec<String> {
        let list = patterns(text, &ListDefaults::default()).unwrap();
        list.valves.into_iter().map(|v| v.serial).collect()
    }

    #[test]
    fn patterns_count_with_their_noughts() {
        assert_eq!(serials("HM-008..HM-011"), ["HM-008", "HM-009", "HM-010", "HM-011"]);
        assert_eq!(serials("HM-1..3, X9"), ["HM-1", "HM-2", "HM-3", "X9"]);
        assert_eq!(serials("HM-9..HM-11"), ["HM-9", "HM-10", "HM-11"]);
        for wrong in
            ["HM-1..HN-3", "HM-09..HM-100", "HM-10..HM-9", "HM-3..HM-1", "HM-a..HM-b", "HM-000000..HM-999999", "a b"]
        {
            assert!(patterns(wrong, &ListDefaults::default()).is_err(), "{wrong}");
        }
    }

    #[test]
    fn every_way_people_write_a_list() {
        let shared = ListDefaults { actuation: "air".into(), dn: Some(25) };
        for text in [
            "serial,actuation,dn,notes\nHM-001,air,25,\nHM-002,hand,15,worn stem\n",
            "\u{feff}Serial;Actuation;DN;Notes\r\nHM-001;;;\r\n\r\nHM-002;Hand;DN 15;worn stem\r\n",
            "serial\tdn\tactuation\tnotes\nHM-001\n# a remark\nHM-002\t15\thand\tworn stem\n",
        ] {
            let list = parse(text, &shared).unwrap();
            assert_eq!(
                list.valves[0],
                ValveRecord { serial: "HM-001".into(), actuation: "air".into(), dn: Some(25), notes: String::new() }
            );
            assert_eq!(
                list.valves[1],
                ValveRecord {
                    serial: "HM-002".into(),
                    actuation: "hand".into(),
                    dn: Some(15),
                    notes: "worn stem".into()
                }
            );
            assert_eq!(list.valves.len(), 2);
        }
    }

    #[test]
    fn mistakes_come_all_at_once_with_their_lines() {
        let text = "serial,actuation,size\nHM-001,air,\nHM 002,steam,\nHM-003,air,,,\nHM-001,,\n";
        let list = parse(text, &ListDefaults::default()).unwrap();
        let Err(Error::Input(InputError { problems, .. })) = list.check("x", None, false) else {
            panic!("not refused")
        };
        let reported: Vec<_> = problems.iter().map(|p| (p.line, p.message.split(':').next().unwrap())).collect();
        assert_eq!(reported[0].0, Some(1));
        assert_eq!(reported[1], (Some(3), "serial \"HM 002\""));
        assert_eq!(reported[2], (Some(3), "actuation \"steam\""));
        assert_eq!(reported[3], (Some(4), "has 5 fields, the first line 3"));
        assert_eq!(reported[4], (Some(5), "serial \"HM-001\" is there already (line 2)"));
    }

    #[test]
    fn another_encoding_is_named_with_its_line() {
        let problems = text(b"serial;notes\nHM-001;\nHM-002;S\xe9ance\n".to_vec()).unwrap_err();
        assert_eq!((problems.len(), problems[0].line), (1, Some(3)));
        assert_eq!(text(b"serial\n".to_vec()).unwrap(), "serial\n");
    }

    #[test]
    fn a_list_is_checked_as_a_whole() {
        let text = "serial\nHM-001\nHM-002\nHM-001\nHM-O02\n";
        let list = parse(text, &ListDefaults::default()).unwrap();
        let Err(Error::Input(InputError { problems, .. })) = list.check("x", None, false) else {
            panic!("not refused")
        };
        let reported: Vec<_> = problems.iter().map(|p| (p.line, p.message.as_str())).collect();
        assert_eq!(reported[0], (Some(4), "serial \"HM-001\" is there already (line 2)"));
        assert_eq!(reported[1].0, Some(5));
        assert!(reported[1].1.starts_with("serial \"HM-O02\" looks like \"HM-002\" (line 3)"));
        assert!(list.check("x", Some(CheckDigit::Luhn), true).is_err());
    }
}
