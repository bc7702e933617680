//! Lists of measured parts: a CSV file with a name, or just a place, and one or several readings of each.

use std::collections::HashMap;

use seathold_quantity::{InputProblem, UnitDef, list_file};
use serde::Serialize;

use crate::length::Length;
use crate::list_columns::Columns;
use crate::reading_scatter::Scatter;

/// The most parts of a list.
pub const PARTS_MAX: usize = 20_000;
/// The most mistakes that are told of a list.
const PROBLEMS_MAX: usize = 100;

/// A length so far from the others of its list, in a tenth of their middle, is asked about (our judgement: end fittings of one
/// type are alike within a few millimetres, and a slip of a digit is far outside).
const FAR: f64 = 0.1;

/// A part.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Part {
    /// Its name, or its place in the list.
    pub id: String,
    /// Its length, the mean of its readings.
    pub length: Length,
}

/// A list as it was read.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct MeasuredParts {
    /// In the order of the list.
    pub parts: Vec<Part>,
    /// Standard deviation of one reading, in metres, from parts that were read more than once, with its degrees of freedom.
    pub repeatability: Option<(f64, usize)>,
    /// How many readings each part has.
    pub readings: Vec<usize>,
    /// The step by which they were read, in metres.
    pub step_m: f64,
    /// Which columns were read, in words.
    pub columns: String,
    /// What looks like a mistake, with its line: asked about before anything is done with it.
    pub doubts: Vec<InputProblem>,
}

/// Reads a list. A first line without any length names the columns: a name ("id", "part", "fitting", "serial", "number") and
/// one reading or several ("length", "reading", with a unit as in `length [mm]`); lengths without a unit are in `unit`. Without such a
/// line a part has one reading, in the last column, and before it a name.
///
/// # Errors
/// What is wrong, all at once, with lines.
pub fn parse(text: &str, unit: UnitDef) -> Result<MeasuredParts, Vec<InputProblem>> {
    let text = list_file::without_mark(text);
    let mut reader = list_file::reader(text).has_headers(false).from_reader(text.as_bytes());
    let mut problems = Vec::new();
    let mut columns: Option<Columns> = None;
    let mut list = MeasuredParts::default();
    let mut lines = Vec::new();
    let mut scatter = Scatter::new();
    for row in reader.records() {
        let at = |line: Option<usize>, message: String| InputProblem { line, message };
        let row = match row {
            Ok(row) => row,
            Err(why) => {
                problems.push(at(None, format!("cannot be read as CSV: {why}")));
                break;
            }
        };
        let line = row.position().map(|position| position.line() as usize);
        if row.iter().all(str::is_empty) {
            continue;
        }
        let columns = match &columns {
            Some(columns) => columns,
            None => match Columns::of(&row, unit) {
                Ok((found, is_head)) => {
                    let found = columns.insert(found);
                    if is_head {
                        continue;
                    }
                    found
                }
                // Without columns no line can be read.
                Err(message) => {
                    problems.push(at(line, message));
                    break;
                }
            },
        };
        if list.parts.len() == PARTS_MAX {
            problems.push(at(line, format!("more than {PARTS_MAX} parts")));
            break;
        }
        match columns.part(&row, list.parts.len() + 1) {
            Ok((id, readings)) => {
                let sum: Length = readings.iter().map(|reading| reading.length).sum();
                let mean = Length::from_nm(sum.nm() / readings.len() as i64);
                scatter.add(list.parts.len(), &readings);
                list.readings.push(readings.len());
                list.parts.push(Part { id, length: mean });
                lines.push(line);
            }
            Err(message) => problems.push(at(line, message)),
        }
        if problems.len() == PROBLEMS_MAX {
            problems.push(at(None, "and more".into()));
            break;
        }
    }
    if list.parts.is_empty() && problems.is_empty() {
        problems.push(InputProblem { line: None, message: "has no part with a length".into() });
    }
    let mut seen: HashMap<&str, usize> = HashMap::new();
    for (part, line) in list.parts.iter().zip(&lines) {
        if let Some(before) = seen.insert(&part.id, line.unwrap_or_default()) {
            let message = format!("\"{}\" stands in line {before} too; readings of one part go into one line", part.id);
            problems.push(InputProblem { line: *line, message });
        }
    }
    if !problems.is_empty() {
        return Err(problems);
    }
    list.repeatability = scatter.standard_deviation();
    list.step_m = scatter.step_m();
    list.columns = columns.map(|columns| columns.told).unwrap_or_default();
    list.doubts = doubts(&list.parts, &scatter, &lines);
    Ok(list)
}

/// What is far from the others, and what contradicts itself.
fn doubts(parts: &[Part], scatter: &Scatter, lines: &[Option<usize>]) -> Vec<InputProblem> {
    let mut sorted: Vec<Length> = parts.iter().map(|part| part.length).collect();
    sorted.sort_unstable();
    let Some(middle) = sorted.get(sorted.len() / 2).copied() else { return Vec::new() };
    let far = |part: &Part| (part.length - middle).abs().nm() as f64 > FAR * middle.nm() as f64;
    let doubtful = parts.iter().zip(lines).filter(|(part, _)| far(part));
    let message = |part: &Part| {
        format!("\"{}\" is {} mm long, where the others are about {middle} mm: is that right?", part.id, part.length)
    };
    let contradicting = scatter.contradictions().into_iter().map(|found| {
        let usual = found.usual_m.map(|usual| format!(", where readings of one part scatter by {:.3} mm", usual * 1e3));
        let (id, usual) = (&parts[found.part].id, usual.unwrap_or_default());
        let message = format!("\"{id}\" was read as {} and as {} mm{usual}: is that right?", found.least, found.most);
        InputProblem { line: lines[found.part], message }
    });
    let far = doubtful.map(|(part, line)| InputProblem { line: *line, message: message(part) });
    let mut all: Vec<InputProblem> = far.chain(contradicting).collect();
    all.sort_by_key(|doubt| doubt.line);
    all.truncate(PROBLEMS_MAX);
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::length_unit::unit;

    fn mm() -> UnitDef {
        unit("mm").unwrap()
    }

    fn read(text: &str) -> Vec<(String, i64)> {
        let list = parse(text, mm()).unwrap_or_else(|why| panic!("{why:?}"));
        list.parts.into_iter().map(|part| (part.id, part.length.nm() / 1_000)).collect()
    }

    #[test]
    fn lists_as_shops_keep_them() {
        let expected = [("F1".to_owned(), 28_510), ("F2".to_owned(), 28_490)];
        for text in [
            "id,length\nF1,28.51\nF2,28.49\n",
            "Fitting;Length [mm]\nF1;28,51\nF2;28,49\n",
            "Part\tLength [cm]\nF1\t2.851\nF2\t2.849\n",
            "F1,28.51\nF2,28.49\n",
            "id,length_1,length_2\nF1,28.50,28.52\nF2,28.49,\n",
            "\u{feff}# laid out\nid,length\n\nF1,28.51 mm\nF2,2.849 cm\n",
        ] {
            assert_eq!(read(text), expected, "{text}");
        }
        assert_eq!(read("28.51\n28.49\n"), [("1".into(), 28_510), ("2".into(), 28_490)]);
        assert_eq!(read("length [in]\n1.125\n"), [("1".into(), 28_575)]);
    }

    #[test]
    fn what_is_wrong_is_said_all_at_once() {
        let told = |text| {
            parse(text, mm()).unwrap_err().iter().map(|p| format!("{:?} {}", p.line, p.message)).collect::<Vec<_>>()
        };
        assert_eq!(
            told("id,length\nF1,28.51\nF1,28.49\nF3,\nF4,long\nF5,0\n"),
            [
                "Some(4) \"F3\" has no length",
                "Some(5) \"F4\": \"long\" is not a number with a unit (m, mm, cm, um, in)",
                "Some(6) \"F5\": 0 is outside 0.1 mm to 2000 mm",
                "Some(3) \"F1\" stands in line 2 too; readings of one part go into one line",
            ]
        );
        assert_eq!(told("\n"), ["None has no part with a length"]);
        let commas = told("id,length\nF1,28,51\n");
        assert!(
            commas[0].contains("has more cells than the first line; where commas stand before decimals"),
            "{commas:?}"
        );
        assert_eq!(told(&format!("id,length\n{}", "x,\n".repeat(1_000))).len(), PROBLEMS_MAX + 1);
    }

    /// A decimal slip is asked about.
    #[test]
    fn what_is_far_from_the_others_is_asked_about() {
        let list = parse("28.5\n28.6\n2.84\n28.4\n82.5\n", mm()).unwrap();
        assert_eq!(list.doubts.iter().map(|doubt| doubt.line).collect::<Vec<_>>(), [Some(3), Some(5)]);
        assert!(list.doubts[0].message.contains("is 2.840 mm long, where the others are about 28.500 mm"));
    }

    /// 0.02 and 0.04 between two readings: variances of half the squares, 2e-4 and 8e-4 mm², mean 5e-4.
    #[test]
    fn repeats_tell_the_scatter_of_a_reading() {
        let list = parse("id,length_1,length_2\na,28.50,28.52\nb,28.50,28.54\nc,28.5,\n", mm()).unwrap();
        let (deviation, freedom) = list.repeatability.unwrap();
        assert!((deviation - 5e-4_f64.sqrt() * 1e-3).abs() < 1e-9, "{deviation}");
        assert_eq!((freedom, list.readings), (2, vec![2, 2, 1]));
    }
}
