//! Parts measured at a terminal: keys that are held down, a calliper whose key is pressed twice, the end.

use std::path::Path;

use seathold_tests::cli_kit::golden;
use seathold_tests::terminal_kit::Terminal;

const PROGRAM: &str = env!("CARGO_BIN_EXE_seathold-program");

fn list(dir: &Path) -> String {
    std::fs::read_to_string(dir.join("f.csv")).unwrap_or_default()
}

/// At the width of a narrow window, with a slip that is asked about and taken back.
#[test]
fn parts_at_a_terminal() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let mut t = Terminal::open(dir, PROGRAM, 60, 40);
    t.call("assembly measure f.csv --gauge C-7");
    t.answer("Enter: place 1; undo; q) >", "F01");
    t.answer("F01: length in mm (Enter: none) >", "30.12");
    t.wait("F01: 30.12 mm");
    t.answer("Enter: place 1; undo; q) >", "F02");
    t.answer("F02: length in mm (Enter: none) >", "302.4");
    t.answer("the same once more is taken", "30.24");
    t.wait("F02: 30.24 mm");
    t.answer("Enter: place 1; undo; q) >", "F01");
    t.answer("again, or scan another >", "again");
    t.answer("F01, reading 2: length in mm (Enter: none) >", "30.13");
    t.wait("F01, reading 2: 30.13 mm");
    t.answer("Enter: place 1; undo; q) >", "undo");
    t.wait("F01: 30.13 taken back");
    t.answer("Enter: place 1; undo; q) >", "q");
    assert_eq!(t.ended(), "0");
    golden("terminal/measure.txt", &format!("{}\n", t.picture().trim_end()));
    assert_eq!(list(dir), "# seathold lengths 1\n# gauge: C-7\npart,length_1_mm\nF01,30.12\nF02,30.24\n");
}

/// Enter that is held down names no part, and a calliper's key that is pressed twice measures none.
#[test]
fn keys_that_are_held_measure_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let mut t = Terminal::open(dir, PROGRAM, 80, 40);
    t.call("assembly measure f.csv");
    t.wait("Enter: place 1; undo; q) >");
    t.keys(&"\r".repeat(30));
    t.wait("within half a second of the question");
    t.answer("Enter: place 1; undo; q) >", "30.12");
    t.wait("1: 30.12 mm");
    t.answer("Enter: place 2; undo; q) >", "30.24\r30.24");
    t.wait("2: 30.24 mm");
    t.wait("pressed twice");
    assert_eq!(list(dir), "# seathold lengths 1\npart,length_1_mm\n1,30.12\n2,30.24\n");
    // Ctrl-D.
    std::thread::sleep(std::time::Duration::from_millis(300));
    t.keys("\u{4}");
    assert_eq!(t.ended(), "0");
    t.call("assembly measure f.csv");
    t.answer("Enter: place 3; undo; q) >", "");
    t.answer("3: length in mm (Enter: none) >", "30.3");
    t.wait("3: 30.3 mm");
    t.kill();
    assert_ne!(t.ended(), "0");
    assert!(list(dir).ends_with("2,30.24\n3,30.3\n"), "{}", list(dir));
    assert_eq!(t.untidy(), Vec::<&str>::new());
}

/// A key that is pressed twice is no second reading, and does not answer whether an odd length is right.
#[test]
fn a_calliper_that_types_twice_repeats_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let mut t = Terminal::open(dir, PROGRAM, 80, 40);
    t.call("assembly measure f.csv --readings 2");
    t.answer("Enter: place 1; undo; q) >", "F01");
    t.answer("F01: length in mm (Enter: none) >", "30.12\r30.12");
    t.answer("F01, reading 2: length in mm (Enter: none) >", "30.13");
    t.wait("F01, reading 2: 30.13 mm");
    t.answer("Enter: place 1; undo; q) >", "F02");
    t.answer("F02: length in mm (Enter: none) >", "302.4\r302.4");
    t.answer("the same once more is taken", "q");
    assert_eq!(t.ended(), "0");
    assert_eq!(list(dir), "# seathold lengths 1\npart,length_1_mm,length_2_mm\nF01,30.12,30.13\n");
    assert_eq!(t.picture().matches("pressed twice").count(), 2, "{}", t.picture());
}
