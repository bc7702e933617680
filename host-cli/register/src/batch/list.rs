//! Lists of valves: a CSV file, or patterns like `HM-001..HM-040`.

use std::collections::{BTreeMap, HashMap};
use std::path::Path;

use seathold_quantity::pipe_size::{self, Readings, WrittenSize};
use seathold_quantity::{InputError, InputProblem, limit, list_file};
use seathold_recording::bounds;
use seathold_recording::file::{TABLE_MAX, read_at_most};
use seathold_recording::limits::TEXT_MAX;
use seathold_sequencer::rate_class::{DN_MAX, DN_MIN, RateClass};
use seathold_sequencer::units::Reference;

use super::check_digit::CheckDigit;
use super::columns::{self, ColumnUse, Columns, GivenUse};
use super::similar_serials;
use crate::customer::order::{OrderDetails, OrderField, detail_fault};
use crate::error::Error;
use crate::intake::VALVES_MAX;
use crate::valves::ValveRecord;

/// A list as it was read: valves with their lines.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ValveList {
    /// In the order given.
    pub valves: Vec<ValveRecord>,
    /// What its columns are used for; none where it is no file.
    pub columns: Columns,
    lines: Vec<Option<usize>>,
    /// What it says of valves for the customer's document, by serial.
    pub orders: BTreeMap<String, OrderDetails>,
    /// Serials of valves whose limit could not be read: what they must meet is not looked for elsewhere.
    pub unread_limits: Vec<String>,
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
    /// Columns that were given a use.
    pub columns: Vec<GivenUse>,
}

/// Reads a CSV file with a column of serials and optionally of actuation, sizes, limits, recipes and notes, by their names
/// or as given; commas, semicolons or tabs.
///
/// # Errors
/// When it cannot be read, or has no column of serials. Wrong lines are reported by [`ValveList::check`].
pub fn read(path: &Path, shared: &ListDefaults) -> Result<ValveList, Error> {
    let bytes = read_at_most(path, TABLE_MAX)?;
    from_bytes(&path.display().to_string(), bytes, shared)
}

/// Reads the bytes of such a file; `origin` is its name, for errors.
///
/// # Errors
/// As for [`read`].
pub fn from_bytes(origin: &str, bytes: Vec<u8>, shared: &ListDefaults) -> Result<ValveList, Error> {
    list_file::text(bytes)
        .map_err(|problem| vec![problem])
        .and_then(|text| parse(&text, shared))
        .map_err(|problems| Error::Input(InputError { origin: origin.into(), problems }))
}

fn parse(text: &str, shared: &ListDefaults) -> Result<ValveList, Vec<InputProblem>> {
    let text = list_file::without_mark(text);
    let mut reader = list_file::reader(text).from_reader(text.as_bytes());
    let at = |line: Option<usize>, message: String| InputProblem { line, message };
    let heads = match reader.headers() {
        Ok(heads) => heads.clone(),
        Err(why) => return Err(vec![at(None, format!("cannot be read as CSV: {why}"))]),
    };
    let columns = Columns::of(heads.iter(), &shared.columns)
        .map_err(|wrong| wrong.into_iter().map(|message| at(Some(1), message)).collect::<Vec<_>>())?;
    let mut problems = Vec::new();
    let mut unclear = Unclear::default();
    let mut list = ValveList::default();
    let mut sizes: Vec<(usize, u32)> = Vec::new();
    let mut lines = LineNumbers { text, at: 0, line: 1 };
    for row in reader.records() {
        let row = match row {
            Ok(row) => row,
            Err(why) => {
                problems.push(at(None, format!("cannot be read as CSV: {why}")));
                break;
            }
        };
        let line = row.position().map(|p| lines.of(p.byte() as usize));
        if row.iter().all(str::is_empty) {
            continue;
        }
        if row.len() > heads.len() {
            problems.push(at(line, format!("has {} fields, the first line {}", row.len(), heads.len())));
            continue;
        }
        let cells = Cells { row: &row, columns: &columns };
        let (valve, bare) = cells.valve(shared, line, &mut unclear);
        if let Some(bare) = bare {
            sizes.push((list.valves.len(), bare));
        }
        let order = cells.order(line, &mut unclear);
        if !order.is_empty() {
            list.orders.insert(valve.serial.clone(), order);
        }
        list.valves.push(valve);
        list.lines.push(line);
    }
    list.columns = columns;
    list.take_bare_sizes(&sizes, &mut unclear);
    list.unread_limits = std::mem::take(&mut unclear.limits);
    problems.extend(unclear.problems());
    list.problems = problems;
    Ok(list)
}

/// Numbers of lines by the place in the text. The CSV reader's own are one off where lines end as in DOS.
struct LineNumbers<'t> {
    text: &'t str,
    at: usize,
    line: usize,
}

impl LineNumbers<'_> {
    /// Of the row that is read from here on: what is blank or a comment before it is not of it. Places in order.
    fn of(&mut self, byte: usize) -> usize {
        let bytes = self.text.as_bytes();
        let mut to = byte.clamp(self.at, bytes.len());
        loop {
            while matches!(bytes.get(to), Some(b'\r' | b'\n')) {
                to += 1;
            }
            if bytes.get(to) != Some(&b'#') {
                break;
            }
            while !matches!(bytes.get(to), None | Some(b'\n')) {
                to += 1;
            }
        }
        self.line += bytes.get(self.at..to).unwrap_or_default().iter().filter(|byte| **byte == b'\n').count();
        self.at = to;
        self.line
    }
}

/// What is unclear or wrong in cells, each thing once, with all its lines.
#[derive(Default)]
struct Unclear {
    of: Vec<(String, Vec<Option<usize>>)>,
    /// Serials whose limit could not be read.
    limits: Vec<String>,
}

impl Unclear {
    fn add(&mut self, line: Option<usize>, message: String) {
        match self.of.iter_mut().find(|(known, _)| *known == message) {
            Some((_, lines)) => lines.push(line),
            None => self.of.push((message, vec![line])),
        }
    }

    fn problems(self) -> Vec<InputProblem> {
        let problem = |(message, lines): (String, Vec<Option<usize>>)| {
            let more: Vec<String> = lines.iter().skip(1).flatten().take(LINES_NAMED).map(usize::to_string).collect();
            let rest = if lines.len() > LINES_NAMED + 1 { ", …" } else { "" };
            let more =
                if more.is_empty() { String::new() } else { format!(" (also in line {}{rest})", more.join(", ")) };
            InputProblem { line: lines.first().copied().flatten(), message: message + &more }
        };
        self.of.into_iter().map(problem).collect()
    }
}

/// Most lines that are named with one mistake, after the first.
const LINES_NAMED: usize = 12;

/// A row, and what its cells are for.
struct Cells<'r> {
    row: &'r csv::StringRecord,
    columns: &'r Columns,
}

impl Cells<'_> {
    fn get(&self, of: ColumnUse) -> &str {
        self.columns.place(of).and_then(|at| self.row.get(at)).unwrap_or_default()
    }

    /// How to say that a column is for something else.
    fn otherwise(&self, of: ColumnUse) -> String {
        let column = self.columns.place(of).and_then(|at| self.columns.0.get(at));
        column.filter(|_| !self.columns.plain()).map_or_else(String::new, |column| {
            format!("; --column \"{}=remark\" if it says something else", column.head)
        })
    }

    /// What its row says for the customer's document.
    fn order(&self, line: Option<usize>, unclear: &mut Unclear) -> OrderDetails {
        let mut details = OrderDetails::new();
        for field in OrderField::ALL {
            let text = self.get(ColumnUse::Order(field)).trim();
            if text.is_empty() {
                continue;
            }
            if let Some(why) = detail_fault(field, text) {
                unclear.add(line, format!("{why}{}", self.otherwise(ColumnUse::Order(field))));
            }
            details.insert(field, text.to_owned());
        }
        details
    }

    /// The valve, and its size where that is a number alone.
    fn valve(&self, shared: &ListDefaults, line: Option<usize>, unclear: &mut Unclear) -> (ValveRecord, Option<u32>) {
        let mut valve = ValveRecord { serial: self.get(ColumnUse::Serial).into(), ..ValveRecord::default() };
        if let Err(why) = super::serial::serial(&valve.serial) {
            unclear.add(line, format!("serial \"{}\": {why}", valve.serial));
        }
        let actuation = self.get(ColumnUse::Actuation);
        match columns::actuation(actuation) {
            _ if actuation.is_empty() => valve.actuation.clone_from(&shared.actuation),
            Some(word) => valve.actuation = word.into(),
            None => {
                let otherwise = self.otherwise(ColumnUse::Actuation);
                let message =
                    format!("actuation \"{actuation}\": give \"air\" or \"hand\", or leave it empty{otherwise}");
                unclear.add(line, message);
            }
        }
        let size = self.get(ColumnUse::Dn);
        let of = self.columns.place(ColumnUse::Dn).and_then(|at| self.columns.0.get(at)).map(|column| column.of);
        let mut bare = None;
        let dn = match (pipe_size::parse(size), of) {
            _ if size.is_empty() => Ok(shared.dn),
            (Ok(WrittenSize::Dn(dn)), _) | (Ok(WrittenSize::Bare(dn)), Some(ColumnUse::Dn)) => Ok(Some(dn)),
            (Ok(WrittenSize::Bare(inches)), Some(ColumnUse::Nps)) => {
                let dn = inches.checked_mul(8).and_then(pipe_size::dn_of_nps);
                dn.map(Some).ok_or_else(|| "there is no such NPS".to_owned())
            }
            (Ok(WrittenSize::Bare(number)), _) => {
                bare = Some(number);
                Ok(None)
            }
            (Err(why), _) => Err(why),
        };
        let in_range = |dn: Option<u32>| dn.is_none_or(|dn| (DN_MIN..=DN_MAX).contains(&dn));
        match dn {
            Ok(dn) if in_range(dn) => valve.dn = dn,
            wrong => {
                let otherwise = self.otherwise(ColumnUse::Dn);
                let why = wrong.err().map_or_else(String::new, |why| format!("{why}: "));
                let message = format!(
                    "dn \"{size}\": {why}give a whole number from {DN_MIN} to {DN_MAX}, a size in inches, or leave it empty{otherwise}"
                );
                unclear.add(line, message);
            }
        }
        valve.limit = limit(self.get(ColumnUse::Limit));
        if let Err(why) = check_limit(&valve.limit) {
            let otherwise = self.otherwise(ColumnUse::Limit);
            unclear.add(line, format!("limit {why}{otherwise}"));
            valve.limit = String::new();
            unclear.limits.push(valve.serial.clone());
        }
        valve.recipe = self.get(ColumnUse::Recipe).into();
        let remarks = self.columns.0.iter().enumerate().filter_map(|(at, column)| {
            let text = self.row.get(at).filter(|text| !text.is_empty())?;
            match column.of {
                ColumnUse::Notes => Some(text.to_owned()),
                ColumnUse::Remark => Some(format!("{}: {text}", column.head)),
                _ => None,
            }
        });
        valve.notes = remarks.collect::<Vec<_>>().join("; ");
        // A quote that is never closed makes notes of the rest of the list: better told here, with its line, than at the gate.
        for (field, text) in [("notes", &valve.notes), ("limit", &valve.limit), ("recipe", &valve.recipe)] {
            if let Some(why) = bounds::text_fault(&format!("field \"{field}\""), text, TEXT_MAX) {
                unclear.add(line, why);
            }
        }
        (valve, bare)
    }
}

/// A limit as it is in a cell: a letter alone is a rate.
fn limit(cell: &str) -> String {
    if RateClass::find(&cell.to_uppercase()).is_some() { format!("rate {}", cell.to_uppercase()) } else { cell.into() }
}

/// Whether a cell is a limit; which size it is for is looked at later.
fn check_limit(text: &str) -> Result<(), String> {
    if text.is_empty() {
        return Ok(());
    }
    let any_size = Some(DN_MIN);
    match limit::class(text, None).or_else(|_| limit::class(text, any_size))? {
        Some(_) => Ok(()),
        None => limit::parse(text, any_size, Reference::ISO_8778).map(|_| ()),
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
            super::serial::serial(&serial).map_err(|why| wrong(format!("serial \"{serial}\": {why}")))?;
            let (actuation, dn) = (shared.actuation.clone(), shared.dn);
            list.valves.push(ValveRecord { serial, actuation, dn, ..ValveRecord::default() });
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
    /// Numbers alone in a column of sizes, by what the whole column can be.
    fn take_bare_sizes(&mut self, sizes: &[(usize, u32)], unclear: &mut Unclear) {
        let readings: Vec<Readings> = sizes.iter().map(|(_, size)| pipe_size::readings(*size)).collect();
        let all = |of: fn(&Readings) -> bool| readings.iter().all(of);
        let in_inches = match (all(|r| r.dn), all(|r| r.nps)) {
            (true, false) => false,
            (false, true) => true,
            _ => {
                let head = self.columns.place(ColumnUse::Size).and_then(|at| self.columns.0.get(at));
                let head = head.map_or("", |column| &column.head);
                for (place, size) in sizes {
                    let line = self.lines.get(*place).copied().flatten();
                    let what = format!(
                        "size \"{size}\": it may be DN or inches: --column \"{head}=dn\" or --column \"{head}=nps\" says which"
                    );
                    unclear.add(line, what);
                }
                return;
            }
        };
        for column in self.columns.0.iter_mut().filter(|column| column.of == ColumnUse::Size && !sizes.is_empty()) {
            column.of = if in_inches { ColumnUse::Nps } else { ColumnUse::Dn };
        }
        for (place, size) in sizes {
            let dn = if in_inches { size.checked_mul(8).and_then(pipe_size::dn_of_nps) } else { Some(*size) };
            if let Some(valve) = self.valves.get_mut(*place) {
                valve.dn = dn;
            }
        }
    }

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
            if super::serial::is_dialogue_word(serial) {
                let why = "is a word that is typed in the dialogues of a test, where it would be taken for the valve";
                wrong(
                    place,
                    format!("serial \"{serial}\" {why}: give it with what stands before it, like \"HM-{serial}\""),
                );
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
            ["HM-1..HN-3", "HM-09..HM-100", "HM-10..HM-9", "HM-3..HM-1", "HM-a..HM-b", "HM-000000..HM-999999", "a  b"]
        {
            assert!(patterns(wrong, &ListDefaults::default()).is_err(), "{wrong}");
        }
    }

    /// Whichever way lines end, and whatever is between them.
    #[test]
    fn mistakes_are_in_the_line_an_editor_shows() {
        let text = "serial,actuation\nHM-1,hand\n\n# a remark\nHM-2,steam\nHM-3,air\nHM-4,steam\n";
        for text in [text.to_owned(), text.replace('\n', "\r\n"), format!("\u{feff}{text}")] {
            let shared = ListDefaults { dn: Some(25), ..ListDefaults::default() };
            assert_eq!(parse(&text, &shared).unwrap().lines, [Some(2), Some(5), Some(6), Some(7)], "{text:?}");
        }
    }

    #[test]
    fn every_way_people_write_a_list() {
        let shared = ListDefaults { actuation: "air".into(), dn: Some(25), ..ListDefaults::default() };
        for text in [
            "serial,actuation,dn,notes\nHM-001,air,25,\nHM-002,hand,15,worn stem\n",
            "\u{feff}Serial;Actuation;DN;Notes\r\nHM-001;;;\r\n\r\nHM-002;Hand;DN 15;worn stem\r\n",
            "serial\tdn\tactuation\tnotes\nHM-001\n# a remark\nHM-002\t15\thand\tworn stem\n",
        ] {
            let list = parse(text, &shared).unwrap();
            assert_eq!(
                list.valves[0],
                ValveRecord {
                    serial: "HM-001".into(),
                    actuation: "air".into(),
                    dn: Some(25),
                    ..ValveRecord::default()
                }
            );
            assert_eq!(
                list.valves[1],
                ValveRecord {
                    serial: "HM-002".into(),
                    actuation: "hand".into(),
                    dn: Some(15),
                    notes: "worn stem".into(),
                    ..ValveRecord::default()
                }
            );
            assert_eq!(list.valves.len(), 2);
        }
    }

    #[test]
    fn mistakes_come_all_at_once_with_their_lines() {
        let text = "serial,actuation,dn\nHM-001,air,\nHM=002,steam,\nHM-003,air,,,\nHM-001,,\nHM-004,steam,\n";
        let list = parse(text, &ListDefaults::default()).unwrap();
        let Err(Error::Input(InputError { problems, .. })) = list.check("x", None, false) else {
            panic!("not refused")
        };
        let reported: Vec<_> = problems.iter().map(|p| (p.line, p.message.split(':').next().unwrap())).collect();
        assert_eq!(reported[0], (Some(3), "serial \"HM=002\""));
        assert_eq!(reported[1], (Some(3), "actuation \"steam\""));
        assert!(problems[1].message.ends_with("(also in line 6)"), "{problems:?}");
        assert_eq!(reported[2], (Some(4), "has 5 fields, the first line 3"));
        assert_eq!(reported[3], (Some(5), "serial \"HM-001\" is there already (line 2)"));
    }

    /// As a shop keeps it: names of its own, sizes in inches, a lever, serials with a stroke or a blank.
    #[test]
    fn a_list_as_a_shop_writes_it() {
        let text = "Serial No.;Type;Size [in];Class;Customer;Price\n\
                    HM/001;lever;1 1/2;B;Hatchery North;120\nHM 002;pneumatic, spring return;2;rate C;;130\n";
        let columns = vec![columns::given("price=ignore").unwrap()];
        let list = parse(text, &ListDefaults { columns, ..ListDefaults::default() }).unwrap();
        list.check("x", None, false).unwrap();
        let of = |v: &ValveRecord| format!("{}|{}|{:?}|{}|{}", v.serial, v.actuation, v.dn, v.limit, v.notes);
        assert_eq!(of(&list.valves[0]), "HM/001|hand|Some(40)|rate B|");
        let order = &list.orders["HM/001"];
        assert_eq!(order.get(&OrderField::Customer).map(String::as_str), Some("Hatchery North"));
        assert!(!list.orders.contains_key("HM 002"));
        assert_eq!(of(&list.valves[1]), "HM 002|air|Some(50)|rate C|");
    }

    #[test]
    fn sizes_without_a_word_go_by_the_whole_column() {
        let sizes = |cells: &[&str], given: &[&str]| {
            let rows: String = cells.iter().enumerate().map(|(n, cell)| format!("HM-{n},{cell}\n")).collect();
            let columns = given.iter().map(|text| columns::given(text).unwrap()).collect();
            let list = parse(&format!("serial,size\n{rows}"), &ListDefaults { columns, ..ListDefaults::default() });
            let list = list.unwrap();
            list.check("x", None, false).map(|()| list.valves.iter().map(|v| v.dn).collect::<Vec<_>>())
        };
        assert_eq!(sizes(&["20", "25", ""], &[]).unwrap(), [Some(20), Some(25), None]);
        assert_eq!(sizes(&["2", "6"], &[]).unwrap(), [Some(50), Some(150)]);
        assert_eq!(sizes(&["2\"", "25"], &[]).unwrap(), [Some(50), Some(25)]);
        let why = sizes(&["20", "6", "20"], &[]).unwrap_err().to_string();
        assert!(why.contains("size \"20\": it may be DN or inches") && why.contains("(also in line 4)"), "{why}");
        assert_eq!(sizes(&["20", "6"], &["size=nps"]).unwrap(), [Some(500), Some(150)]);
        assert_eq!(sizes(&["20", "6"], &["size=dn"]).unwrap(), [Some(20), Some(6)]);
        assert!(sizes(&["2", "25"], &[]).is_err());
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
