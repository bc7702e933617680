//! Lengths that are typed or scanned one after the other, as the list that pairing reads: a line a part, a column a reading.

use seathold_quantity::{InputProblem, UnitDef};

use crate::list_columns::READINGS_MAX;
use crate::measured_parts::{self, MeasuredParts, PARTS_MAX};
use crate::reading::reading;

/// First line of such a list, by which it is known when it goes on.
pub const MARK: &str = "# seathold lengths 1";

/// A list that grows.
#[derive(Clone, Debug, PartialEq)]
pub struct TypedLengths {
    unit: UnitDef,
    /// Lines that are no data, without their sign.
    remarks: Vec<String>,
    rows: Vec<(String, Vec<String>)>,
    /// The parts that readings were added to, in that order.
    added: Vec<String>,
}

/// Why a reading is not taken as it is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NotTaken {
    /// It cannot be.
    Wrong(String),
    /// It is asked about, and can be taken all the same.
    Doubtful(String),
}

impl TypedLengths {
    /// An empty list; lengths without a unit are in this one.
    pub fn new(unit: UnitDef) -> Self {
        Self { unit, remarks: Vec::new(), rows: Vec::new(), added: Vec::new() }
    }

    /// A list that was begun.
    ///
    /// # Errors
    /// When it was not made here, or in another unit.
    pub fn parse(text: &str, unit: UnitDef) -> Result<Self, String> {
        if text.lines().next() != Some(MARK) {
            return Err("it was not begun here: name another file".into());
        }
        let remarks = text.lines().skip(1).take_while(|line| line.starts_with('#'));
        let mut list = Self::new(unit);
        list.remark(remarks.map(|line| line[1..].trim().to_owned()));
        let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).flexible(true).from_reader(text.as_bytes());
        let head = reader.headers().map_err(|why| why.to_string())?.clone();
        let columns = head.iter().skip(1).enumerate();
        if head.get(0) != Some("part") || !columns.clone().all(|(at, name)| name == column(at, unit)) {
            let first = column(0, unit);
            return Err(format!(
                "its columns are not part, {first} and so on: begun in another unit, or changed since"
            ));
        }
        for row in reader.records() {
            let row = row.map_err(|why| why.to_string())?;
            let cells = row.iter().skip(1).filter(|cell| !cell.is_empty()).map(str::to_owned).collect();
            list.rows.push((row.get(0).unwrap_or_default().to_owned(), cells));
        }
        if !list.rows.is_empty() {
            list.measured().map_err(|problems| first(&problems))?;
        }
        Ok(list)
    }

    /// Adds remarks, each once.
    pub fn remark(&mut self, remarks: impl IntoIterator<Item = String>) {
        for remark in remarks {
            if !self.remarks.contains(&remark) {
                self.remarks.push(remark);
            }
        }
    }

    /// As it is written.
    pub fn text(&self) -> String {
        let mut text = format!("{MARK}\n");
        for remark in &self.remarks {
            text.push_str(&format!("# {remark}\n"));
        }
        let columns = self.rows.iter().map(|(_, cells)| cells.len()).max().unwrap_or(1).max(1);
        let mut writer = csv::Writer::from_writer(Vec::new());
        let head = std::iter::once("part".to_owned()).chain((0..columns).map(|at| column(at, self.unit)));
        let rows = self.rows.iter().map(|(name, cells)| {
            let empty = std::iter::repeat_n(String::new(), columns - cells.len());
            std::iter::once(name.clone()).chain(cells.iter().cloned()).chain(empty).collect::<Vec<_>>()
        });
        for row in std::iter::once(head.collect()).chain(rows) {
            // Into memory nothing fails.
            let _ = writer.write_record(row);
        }
        text + &String::from_utf8_lossy(&writer.into_inner().unwrap_or_default())
    }

    /// How many parts it has, and how many readings.
    pub fn counts(&self) -> (usize, usize) {
        (self.rows.len(), self.rows.iter().map(|(_, cells)| cells.len()).sum())
    }

    /// What was read of a part, as it was typed.
    pub fn readings(&self, name: &str) -> &[String] {
        self.rows.iter().find(|(known, _)| known == name).map_or(&[], |(_, cells)| cells)
    }

    /// The next place in the tray: one more than the greatest that has a number for its name.
    pub fn next_place(&self) -> String {
        let places = self.rows.iter().filter_map(|(name, _)| name.parse::<u32>().ok());
        places.max().map_or(1, |last| last.saturating_add(1)).to_string()
    }

    /// Whether parts go by their places, as far as the last of them tells.
    pub fn goes_by_places(&self) -> bool {
        let last = self.added.last().or_else(|| self.rows.last().map(|(name, _)| name));
        last.is_none_or(|name| name.parse::<u32>().is_ok())
    }

    /// Whether a part may have this name: known before its length is.
    ///
    /// # Errors
    /// Why not.
    pub fn check_name(&self, name: &str) -> Result<(), String> {
        match Self::new(self.unit).add(name, "10 mm", true) {
            Err(NotTaken::Wrong(why) | NotTaken::Doubtful(why)) => Err(why),
            Ok(()) => Ok(()),
        }
    }

    /// Adds a reading of a part. `sure`: it was asked about, and is taken.
    ///
    /// # Errors
    /// Why it is not taken.
    pub fn add(&mut self, name: &str, typed: &str, sure: bool) -> Result<(), NotTaken> {
        let wrong = |why: String| Err(NotTaken::Wrong(why));
        if name.is_empty() || name.starts_with('#') || name.chars().any(char::is_control) {
            return wrong(format!("\"{name}\" is no name of a part"));
        }
        let read = match reading(typed, self.unit) {
            Ok(read) => read,
            Err(why) => return wrong(why),
        };
        // A decimal comma is written as a point, in a file whose columns are parted by commas.
        let cell = typed.replace(',', ".");
        if reading(&cell, self.unit).map(|again| again.length) != Ok(read.length) {
            return wrong(format!("{typed}: type it with a decimal point"));
        }
        let known: Vec<String> =
            self.measured().map(|list| list.doubts).unwrap_or_default().into_iter().map(|d| d.message).collect();
        let mut next = self.clone();
        let is_full = next.rows.len() == PARTS_MAX;
        match next.rows.iter_mut().find(|(known, _)| known == name) {
            Some((_, cells)) if cells.len() == READINGS_MAX => {
                return wrong(format!("{name} has {READINGS_MAX} readings already"));
            }
            Some((_, cells)) => cells.push(cell),
            None if is_full => return wrong(format!("the list has {PARTS_MAX} parts already")),
            None => next.rows.push((name.to_owned(), vec![cell])),
        }
        let measured = match next.measured() {
            Ok(measured) => measured,
            Err(problems) => return wrong(first(&problems)),
        };
        // As it will be read the part must be there under its name.
        if !measured.parts.iter().any(|part| part.id == name) {
            return wrong(format!("\"{name}\" is no name of a part"));
        }
        let mut doubts =
            measured.doubts.into_iter().map(|doubt| doubt.message).filter(|doubt| !known.contains(doubt)).peekable();
        if !sure && doubts.peek().is_some() {
            // Of few parts the odd one may make another look odd.
            let own = doubts.find(|doubt| doubt.contains(&format!("\"{name}\"")));
            let other = || format!("\"{name}\": {typed} is far from what was read so far: is that right?");
            return Err(NotTaken::Doubtful(own.unwrap_or_else(other)));
        }
        next.added.push(name.to_owned());
        *self = next;
        Ok(())
    }

    /// The part that a reading was added to last.
    pub fn last_added(&self) -> Option<&str> {
        self.added.last().map(String::as_str)
    }

    /// Takes the last reading that was added back: the part, and what was read.
    pub fn undo(&mut self) -> Option<(String, String)> {
        let name = self.added.pop()?;
        let at = self.rows.iter().position(|(known, _)| *known == name)?;
        let cell = self.rows[at].1.pop()?;
        if self.rows[at].1.is_empty() {
            self.rows.remove(at);
        }
        Some((name, cell))
    }

    /// As pairing reads it.
    fn measured(&self) -> Result<MeasuredParts, Vec<InputProblem>> {
        measured_parts::parse(&self.text(), self.unit)
    }
}

fn column(at: usize, unit: UnitDef) -> String {
    format!("length_{}_{}", at + 1, unit.text)
}

fn first(problems: &[InputProblem]) -> String {
    problems.first().map(|problem| problem.message.clone()).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::length_unit::unit;

    fn begun(of: &[(&str, &str)]) -> TypedLengths {
        let mut list = TypedLengths::new(unit("mm").unwrap());
        list.remark(["gauge: C-7".into()]);
        for (name, typed) in of {
            list.add(name, typed, false).unwrap();
        }
        list
    }

    #[test]
    fn it_is_what_pairing_reads() {
        let list = begun(&[("F01", "30.12"), ("F02", "29,87"), ("F01", "30.13"), ("3", "1.18 in")]);
        let text = "# seathold lengths 1\n# gauge: C-7\npart,length_1_mm,length_2_mm\nF01,30.12,30.13\nF02,29.87,\n3,1.18 in,\n";
        assert_eq!((list.text().as_str(), list.counts(), list.next_place().as_str()), (text, (3, 4), "4"));
        let parts = measured_parts::parse(text, unit("mm").unwrap()).unwrap().parts;
        let read: Vec<String> = parts.iter().map(|part| format!("{} {}", part.id, part.length)).collect();
        assert_eq!(read, ["F01 30.125", "F02 29.870", "3 29.972"]);
        let again = TypedLengths::parse(text, unit("mm").unwrap()).unwrap();
        assert_eq!((again.text().as_str(), again.counts()), (text, (3, 4)));
        assert!(TypedLengths::parse(text, unit("in").unwrap()).unwrap_err().contains("another unit"));
        assert!(TypedLengths::parse("part,length\n", unit("mm").unwrap()).unwrap_err().contains("not begun here"));
    }

    #[test]
    fn a_slip_is_asked_about_at_once_and_can_be_taken_back() {
        let mut list = begun(&[("F01", "30.12"), ("F02", "29.87"), ("F03", "30.01"), ("F04", "29.95")]);
        let slip = list.add("F05", "300.1", false);
        assert!(matches!(&slip, Err(NotTaken::Doubtful(why)) if why.contains("300.1")), "{slip:?}");
        assert!(matches!(list.add("F05", "thirty", false), Err(NotTaken::Wrong(_))));
        assert!(matches!(list.add("#5", "30.1", false), Err(NotTaken::Wrong(_))));
        assert!(matches!(list.add("F05", "3000.1", true), Err(NotTaken::Wrong(_))), "no part is three metres long");
        list.add("F05", "300.1", true).unwrap();
        assert_eq!(list.undo(), Some(("F05".into(), "300.1".into())));
        assert_eq!((list.readings("F05").len(), list.counts()), (0, (4, 4)));
        // Of two parts neither is usual.
        let mut two = begun(&[("F01", "30.12"), ("F02", "29.87")]);
        let odd = two.add("F02", "299.8", false);
        assert!(matches!(&odd, Err(NotTaken::Doubtful(why)) if why.starts_with("\"F02\"")), "{odd:?}");
        // A reading that contradicts the one before: another part, or a slip.
        let other = list.add("F01", "36.0", false);
        assert!(matches!(&other, Err(NotTaken::Doubtful(why)) if why.contains("F01")), "{other:?}");
    }

    proptest! {
        /// Whatever is typed, what is written can be read by pairing and gone on with, with the same in it.
        #[test]
        fn any_typing_leaves_a_list(
            typed in prop::collection::vec(("[ -~]{0,6}|F[0-9]", "[0-9]{1,2}[.,][0-9]{1,3}|[ -~]{0,8}|3[01]\\.[0-9]", any::<bool>()), 0..30),
            undone in prop::collection::vec(any::<bool>(), 30),
        ) {
            let mm = unit("mm").unwrap();
            let mut list = TypedLengths::new(mm);
            for ((name, length, sure), undo) in typed.iter().zip(undone) {
                let _ = list.add(name.trim(), length.trim(), *sure);
                if undo && list.counts().1 % 5 == 4 {
                    list.undo();
                }
            }
            let (parts, readings) = list.counts();
            if parts > 0 {
                let read = measured_parts::parse(&list.text(), mm).unwrap();
                prop_assert_eq!((read.parts.len(), read.readings.iter().sum::<usize>()), (parts, readings));
            }
            let again = TypedLengths::parse(&list.text(), mm).unwrap();
            prop_assert_eq!(again.text(), list.text());
        }
    }
}
