//! Tables of recordings. Parquet is read by other people's programs in `.ci/run outside`; here are the lines, the rules
//! and the mistakes.

use seathold_tests::cli_kit::{golden, recorded, seathold};

fn shipped(name: &str) -> String {
    format!("{}/recordings/current/{name}.hold", env!("CARGO_MANIFEST_DIR"))
}

#[test]
fn runs_and_sides_as_lines() {
    let dir = tempfile::tempdir().unwrap();
    let files = [shipped("tight"), shipped("scratched-seat-a"), shipped("hand")];
    let files = files.each_ref().map(String::as_str);
    let said = seathold(
        dir.path(),
        &[&["export"], files.as_slice(), &["--runs", "[DIR]/runs.csv", "--sides", "[DIR]/sides.jsonl"]].concat(),
    );
    assert_eq!((said.code, said.err.as_str()), (0, ""));
    assert_eq!(said.out, "3 runs written to [DIR]/runs.csv\n6 sides written to [DIR]/sides.jsonl\n");
    let read = |name: &str| std::fs::read_to_string(dir.path().join(name)).unwrap();
    golden("export.txt", &(read("runs.csv") + "\n" + &read("sides.jsonl")));
}

/// `show --csv` and the table of samples are the same readings.
#[test]
fn samples_are_those_of_show() {
    let dir = tempfile::tempdir().unwrap();
    recorded(dir.path(), "a.hold", &[]);
    let shown = seathold(dir.path(), &["show", "[DIR]/a.hold", "--csv"]).out;
    assert_eq!(seathold(dir.path(), &["export", "[DIR]", "--samples", "[DIR]/samples.csv"]).code, 0);
    let table = std::fs::read_to_string(dir.path().join("samples.csv")).unwrap();
    let far = |text: &str, column: &str| -> Vec<String> {
        let names: Vec<&str> = text.lines().next().unwrap().split(',').collect();
        let at = names.iter().position(|name| *name == column).unwrap();
        text.lines().skip(1).map(|line| line.split(',').nth(at).unwrap().to_owned()).collect()
    };
    for column in ["far_pa", "far_counts", "far_number", "supply_pa", "phase", "side"] {
        assert_eq!(far(&shown, column), far(&table, column), "{column}");
    }
}

/// A Parquet file begins and ends with its four letters (Parquet format, "File format").
#[test]
fn parquet_is_framed_and_the_same_twice() {
    let dir = tempfile::tempdir().unwrap();
    let tight = shipped("tight");
    for name in ["a.parquet", "b.parquet"] {
        let out = format!("[DIR]/{name}");
        assert_eq!(seathold(dir.path(), &["export", &tight, "--samples", &out]).code, 0);
    }
    let read = |name: &str| std::fs::read(dir.path().join(name)).unwrap();
    let bytes = read("a.parquet");
    assert!(bytes.starts_with(b"PAR1") && bytes.ends_with(b"PAR1"));
    assert_eq!(bytes, read("b.parquet"));
}

#[test]
fn the_same_recording_twice_is_taken_once_and_mistakes_are_named() {
    let dir = tempfile::tempdir().unwrap();
    let tight = shipped("tight");
    let said = seathold(dir.path(), &["export", &tight, &tight, "--runs", "[DIR]/runs.csv"]);
    assert!(said.err.contains("taken once"));
    assert!(said.out.starts_with("1 runs written"), "{}", said.out);
    let fails = |arguments: &[&str], what: &str, code: u8| {
        let said = seathold(dir.path(), arguments);
        assert!(said.err.contains(what) && said.code == code, "{arguments:?}: {} {}", said.code, said.err);
    };
    fails(&["export", &tight], "say what to write: --runs FILE", 2);
    fails(&["export", &tight, "--runs", "[DIR]/runs.xlsx"], "must end in .csv, .jsonl or .parquet", 2);
    // A file where a folder would have to be.
    std::fs::write(dir.path().join("no"), "").unwrap();
    fails(&["export", &tight, "--runs", "[DIR]/no/runs.csv"], "could not write", 6);
}

/// The book's columns are the program's.
#[test]
fn the_book_names_every_column() {
    use seathold_report::export::assembly_tables::{PAIRS, PARTS, STEPS};
    use seathold_report::export::tables::{RUNS, SAMPLES, SIDES};
    let book = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/../docs/export.md")).unwrap();
    for column in [RUNS, SIDES, SAMPLES, STEPS, PAIRS, PARTS].concat() {
        let null = if column.optional { "| yes |" } else { "|  |" };
        let row = book.lines().filter(|l| l.starts_with(&format!("| {} |", column.name)));
        assert!(row.clone().any(|l| l.contains(null) && l.contains(column.about)), "{}", column.name);
    }
}
