//! `seathold assembly measure`: lengths keyed or scanned, one after the other.

use std::path::Path;

use seathold_tests::batch_kit::Lines;
use seathold_tests::cli_kit::{Said, Stage, seathold, seathold_on};

fn typed(dir: &Path, lines: &[&'static str], more: &[&str]) -> Said {
    let arguments = [&["assembly", "measure", "[DIR]/f.csv"], more].concat();
    let keys = &mut Lines::new(lines);
    seathold_on(dir, &arguments, Stage { interrupt_at: Vec::new(), keys, out_breaks: None, live: false })
}

fn file(dir: &Path) -> String {
    std::fs::read_to_string(dir.join("f.csv")).unwrap()
}

#[test]
fn parts_are_measured_one_after_the_other() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let more = ["--gauge", "C-7", "--operator", "Ada"];
    // Names scanned, a decimal comma, a place by Enter, a calliper that types into the question for a name.
    let said = typed(dir, &["F01", "30.12", "F02", "29,87", "", "30.05", "29.99", "q"], &more);
    assert_eq!(said.code, 0, "{}", said.err);
    assert_eq!(said.out, "F01: 30.12 mm\nF02: 29.87 mm\n1: 30.05 mm\n2: 29.99 mm\n[DIR]/f.csv: 4 parts, 4 readings\n");
    let head = "# seathold lengths 1\n# gauge: C-7\n# measured by: Ada\n";
    assert_eq!(file(dir), format!("{head}part,length_1_mm\nF01,30.12\nF02,29.87\n1,30.05\n2,29.99\n"));
    // Gone on with: the same part is asked about, another may be meant, and what is odd is asked about at once.
    let said = typed(dir, &["F01", "F03", "30.01", "F01", "again", "30.13", "F04", "300.1", "30.02", "undo"], &more);
    assert_eq!(said.code, 0, "{}", said.err);
    for text in [
        "goes on after 4 parts, 4 readings",
        "F01 was 30.12 mm: once more (again), or scan another > ",
        "\"F04\" is 300.100 mm long, where the others are about",
    ] {
        assert!(said.err.contains(text), "{text}: {}", said.err);
    }
    assert!(
        said.out.ends_with("F04: 30.02 mm\nF04: 30.02 taken back\n[DIR]/f.csv: 5 parts, 6 readings\n"),
        "{}",
        said.out
    );
    // It is what pairing reads.
    let valves = [
        "--bodies",
        "2",
        "--body-length",
        "60.4mm",
        "--body-u",
        "0.01mm",
        "--nominal",
        "120mm",
        "--tolerance",
        "0.5mm",
    ];
    let pair =
        seathold(dir, &[&["pair", "[DIR]/f.csv", "--gauge-u", "0.01mm", "--repeat-u", "0.01mm"], &valves[..]].concat());
    assert!(pair.code == 0 && pair.out.contains("5 fittings for 2 bodies"), "{} {}", pair.out, pair.err);
}

#[test]
fn each_part_is_read_as_often_as_is_asked_for() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let said = typed(dir, &["F01", "30.12", "30.13", "F02", "29.87", "", "F01", "q"], &["--readings", "2"]);
    assert!(
        said.err.contains("F01, reading 2: length in mm") && said.err.contains("F01 was 30.12 and 30.13 mm"),
        "{}",
        said.err
    );
    assert!(file(dir).ends_with("part,length_1_mm,length_2_mm\nF01,30.12,30.13\nF02,29.87,\n"), "{}", file(dir));
}

/// Enter that is held down, the end of what is typed, and what is no length.
#[test]
fn nothing_is_written_that_was_not_read() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let said = typed(dir, &[""; 60], &[]);
    assert_eq!((said.code, said.out.as_str()), (0, "[DIR]/f.csv: 0 parts, 0 readings\n"));
    assert!(!dir.join("f.csv").exists());
    let said = typed(dir, &["F01", "thirty", "3000", "30.1", "#2", "30.2", "F02"], &[]);
    assert_eq!(said.code, 0);
    assert!(said.err.contains("\"#2\" is no name of a part"), "{}", said.err);
    assert!(file(dir).ends_with("part,length_1_mm\nF01,30.1\n"), "{}", file(dir));
}

#[test]
fn what_is_not_its_own_is_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    for (text, why) in [
        ("fitting,length\nF01,30.1\n", "it was not begun here: name another file"),
        ("# seathold lengths 1\npart,length_1_in\nF01,1.18\n", "begun in another unit, or changed since"),
        ("# seathold lengths 1\npart,length_1_mm\nF01,thirty\n", "thirty"),
    ] {
        std::fs::write(dir.join("f.csv"), text).unwrap();
        let said = typed(dir, &["F02", "30.2"], &[]);
        assert!(said.code == 2 && said.err.contains(why), "{}", said.err);
        assert_eq!(file(dir), text);
    }
    let said = typed(dir, &[], &["--unit", "mils"]);
    assert!(said.code == 2 && said.err.contains("\"mils\" is no unit of length"), "{}", said.err);
}

/// Keys that are typed after another program has written the file.
struct Meanwhile<'a>(Lines, &'a Path);

impl seathold::console::Keys for Meanwhile<'_> {
    fn line(&mut self) -> seathold::console::KeyboardInput {
        let line = self.0.line();
        if matches!(&line, seathold::console::KeyboardInput::Line(text) if text == "30.2") {
            let text = std::fs::read_to_string(self.1).unwrap() + "X1,31.0\n";
            std::fs::write(self.1, text).unwrap();
        }
        line
    }
}

#[test]
fn two_programs_do_not_overwrite_each_other() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let path = dir.join("f.csv");
    let keys = &mut Meanwhile(Lines::new(&["F01", "30.1", "F02", "30.2", "q"]), &path);
    let arguments = ["assembly", "measure", "[DIR]/f.csv"];
    let said = seathold_on(dir, &arguments, Stage { interrupt_at: Vec::new(), keys, out_breaks: None, live: false });
    assert!(said.code == 2 && said.err.contains("another program has changed it since"), "{}", said.err);
    assert!(file(dir).ends_with("F01,30.1\nX1,31.0\n"), "{}", file(dir));
}

/// The calliper's repeatability, as `pair` takes it.
#[test]
fn a_study_of_lengths_says_what_pairing_takes() {
    let dir = tempfile::tempdir().unwrap();
    let mut table = String::from("part,operator,length\n");
    for part in 0..5 {
        for operator in ["Ada", "Bo"] {
            for off in [0.01, -0.01] {
                table += &format!("P{part},{operator},{:.2}\n", 30.0 + 0.1 * f64::from(part) + off);
            }
        }
    }
    std::fs::write(dir.path().join("rr.csv"), table).unwrap();
    let said = seathold(dir.path(), &["study", "gauge-rr", "--table", "[DIR]/rr.csv"]);
    // Pairs that are 0.02 apart scatter by 0.02/√2; the interaction, which is none, is pooled.
    assert!(said.out.contains("for `pair`: --repeat-u \"0.01"), "{}{}", said.out, said.err);
}
