//! `seathold assembly measure`: lengths keyed or scanned, one after the other.

use std::io::{Read, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

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
        "F01 was 30.12 mm: a further reading of it, or another part?\nagain, or scan another > ",
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
    let said = typed(dir, &["F01", "3o.1", "3000", "30.1", "#2", "30.2", "F02"], &[]);
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

/// The next part is scanned where a length is asked for: no length becomes another part's.
#[test]
fn a_name_in_place_of_a_length_shifts_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let said = typed(dir, &["F01", "abc", "F02", "30.10", "F03", "F04", "30.20", "q"], &[]);
    assert!(file(dir).ends_with("part,length_1_mm\nF02,30.10\nF04,30.20\n"), "{}", file(dir));
    assert!(said.err.contains("F01: not read; abc is no length, and taken for the next part"), "{}", said.err);
    assert!(said.code == 2 && said.err.contains("named and not read: F01, abc, F03"), "{} {}", said.code, said.err);
}

/// Of two that are begun at once one is refused before anything is read, and what the other says it has read is in the file.
#[test]
fn of_two_programs_one_measures() {
    for _ in 0..20 {
        let dir = tempfile::tempdir().unwrap();
        let dir = dir.path();
        let names: Vec<&'static str> = (0..30).map(|at| &*Box::leak(format!("F{at}").into_boxed_str())).collect();
        let lines: Vec<&'static str> = names.iter().flat_map(|name| [*name, "30.1"]).collect();
        let said: Vec<Said> = std::thread::scope(|scope| {
            let both: Vec<_> = (0..2).map(|_| scope.spawn(|| typed(dir, &lines, &[]))).collect();
            both.into_iter().map(|one| one.join().unwrap()).collect()
        });
        for one in &said {
            let refused = one.code == 2 && one.err.contains("f.csv: another program is measuring into it");
            // Begun when the other had ended: the same parts are asked about once more.
            assert!(one.code == 0 || refused && one.out.is_empty(), "{} {} {}", one.code, one.out, one.err);
        }
        assert!(said.iter().any(|one| one.code == 0));
        let file = file(dir);
        assert!(names.iter().all(|name| file.contains(&format!("\n{name},30.1"))), "{file}");
        assert!(!dir.join("f.csv.lock").exists());
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

/// A calliper whose key is pressed twice, or that types where a name is asked for, makes no part of its own beside those with names.
#[test]
fn a_length_without_a_name_is_asked_about_among_parts_with_names() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let said = typed(dir, &["F01", "30.12", "30.12", "F02", "29.87", "F01", "30.13", "again", "30.13", "q"], &[]);
    assert!(file(dir).ends_with("part,length_1_mm,length_2_mm\nF01,30.12,30.13\nF02,29.87,\n"), "{}", file(dir));
    for text in ["30.12 is a length: of which part?", "30.13 is a length: once more of F01?"] {
        assert!(said.err.contains(text), "{text}: {}", said.err);
    }
}

/// Nobody is asked for the length of a part that cannot have its name.
#[test]
fn a_name_is_refused_before_its_length_is_asked_for() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let long: &'static str = "F0123456789012345678901234567890123456789012345678901234567890123456789";
    let said = typed(dir, &["#2", "F02", "30.2", long, "F03", "30.1", "q"], &[]);
    assert!(file(dir).ends_with("part,length_1_mm\nF02,30.2\nF03,30.1\n"), "{}", file(dir));
    assert!(said.err.contains("the name is longer than 64 characters"), "{}", said.err);
}

#[test]
fn a_reading_is_taken_back_between_those_of_one_part_too() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    typed(dir, &["F01", "31.12", "undo", "30.12", "30.13", "F02", "29.8", "29.9", "q"], &["--readings", "2"]);
    assert!(file(dir).ends_with("part,length_1_mm,length_2_mm\nF01,30.12,30.13\nF02,29.8,29.9\n"), "{}", file(dir));
}

/// Where a length is asked for, `undo` is of that part: whoever has just mistyped does not mean the one before.
#[test]
fn a_reading_of_another_part_is_not_taken_back_by_mistake() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let said = typed(dir, &["F01", "30.12", "F02", "302.4", "undo", "undo", "30.24", "q"], &[]);
    assert!(file(dir).ends_with("part,length_1_mm\nF01,30.12\nF02,30.24\n"), "{}", file(dir));
    for text in ["302.4 was not taken", "nothing was read of F02"] {
        assert!(said.err.contains(text), "{text}: {}", said.err);
    }
    // What was not taken is not sure when it comes again.
    typed(dir, &["F03", "302.4", "undo", "302.4", "q"], &[]);
    assert!(!file(dir).contains("302.4"), "{}", file(dir));
}

/// No more readings are asked for than `pair` takes.
#[test]
fn as_many_readings_as_pairing_takes() {
    let dir = tempfile::tempdir().unwrap();
    let said = typed(dir.path(), &["q"], &["--readings", "20"]);
    assert_eq!(said.code, 0, "{}", said.err);
    let said = typed(dir.path(), &["q"], &["--readings", "21"]);
    assert!(said.code == 2 && said.err.contains("1..=20"), "{}", said.err);
}

/// Of leaks there is nothing to pair, and a unit in the name of the column is that of the option.
#[test]
fn only_a_study_of_lengths_speaks_of_pairing() {
    let dir = tempfile::tempdir().unwrap();
    let study = |head: &str, scale: f64| {
        let mut table = format!("part,operator,{head}\n");
        for part in 0..5 {
            for operator in ["Ada", "Bo"] {
                for off in [0.01, -0.01] {
                    table += &format!("P{part},{operator},{}\n", (30.0 + 0.1 * f64::from(part) + off) * scale);
                }
            }
        }
        std::fs::write(dir.path().join("rr.csv"), table).unwrap();
        let said = seathold(dir.path(), &["study", "gauge-rr", "--table", "[DIR]/rr.csv"]);
        assert_eq!(said.code, 0, "{}", said.err);
        said.out
    };
    for head in ["value", "leak"] {
        assert!(!study(head, 1.0).contains("pair"), "{head}");
    }
    for (head, of) in
        [("length_mm", " mm\"\n"), ("Length [in]", " in\"\n"), ("length", " mm\", where they are in mm\n")]
    {
        let out = study(head, if head.contains("in") { 0.1 } else { 1.0 });
        let line = out.lines().find(|line| line.contains("for `pair`: --repeat-u \"")).unwrap_or_default();
        assert!(format!("{line}\n").ends_with(of), "{head}: {out}");
    }
}

/// Killed at any moment, what was said to be read is in the file, and pairing reads it.
#[test]
fn a_kill_loses_nothing_that_was_read() {
    let dir = tempfile::tempdir().unwrap();
    let lines: String = (0..400).map(|at| format!("F{at}\n30.{}\n", 10 + at % 80)).collect();
    let mut said_in_all = 0;
    for moment in 0..12 {
        let path = dir.path().join(format!("{moment}.csv"));
        let mut program = Command::new(env!("CARGO_BIN_EXE_seathold-program"))
            .args(["assembly", "measure"])
            .arg(&path)
            .env("SEATHOLD_CONFIG", "")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut keys = program.stdin.take().unwrap();
        // Once it is killed nobody reads the rest.
        let _ = keys.write_all(lines.as_bytes());
        std::thread::sleep(Duration::from_millis(150 + 41 * moment));
        program.kill().unwrap();
        program.wait().unwrap();
        let mut out = String::new();
        program.stdout.take().unwrap().read_to_string(&mut out).unwrap();
        let said = out.matches(" mm\n").count();
        said_in_all += said;
        let Ok(text) = std::fs::read_to_string(&path) else {
            assert_eq!(said, 0, "said to be read, and not there");
            continue;
        };
        let mm = seathold_assembly::length_unit::unit("mm").unwrap();
        let read = seathold_assembly::measured_parts::parse(&text, mm).unwrap().parts.len();
        assert!((said..=said + 1).contains(&read), "{said} said, {read} in the file");
    }
    assert!(said_in_all > 0, "it was killed before it read anything, each time");
}
