//! Whether docs/hazards.md names existing tests: a hazard whose test was renamed or dropped is a hazard with no test.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

/// The last word of a test's cell before the names of faults.
const FAULT: [&str; 2] = ["fault", "faults"];

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

fn read(path: &Path) -> String {
    fs::read_to_string(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

/// Every row of a table of hazards, by its line on the page, without the table's head.
fn rows() -> Vec<(usize, Vec<String>)> {
    let page = read(&root().join("docs/hazards.md"));
    let mut rows = Vec::new();
    let mut of_hazards = None;
    for (at, line) in page.lines().enumerate() {
        let Some(inside) = line.strip_prefix('|').and_then(|l| l.strip_suffix('|')) else {
            of_hazards = None;
            continue;
        };
        let cells: Vec<_> = inside.split('|').map(|cell| cell.trim().to_owned()).collect();
        match of_hazards {
            None => of_hazards = Some(cells.last().is_some_and(|cell| cell == "test")),
            // The line below the head.
            Some(true) if !inside.bytes().all(|b| b"|-: ".contains(&b)) => rows.push((at + 1, cells)),
            Some(_) => {}
        }
    }
    rows
}

/// Every test in the Rust files of a folder, and of those in it.
fn tests_in(folder: &Path, found: &mut BTreeSet<String>) {
    for entry in fs::read_dir(folder).unwrap_or_else(|e| panic!("{}: {e}", folder.display())) {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            tests_in(&path, found);
        } else if path.extension().is_some_and(|e| e == "rs") {
            let mut is_test = false;
            for line in read(&path).lines().map(str::trim) {
                is_test |= line == "#[test]";
                if let Some(function) = line.strip_prefix("fn ") {
                    let name = function.split(['(', '<']).next().filter(|_| is_test);
                    found.extend(name.map(str::to_owned));
                    is_test = false;
                }
            }
        }
    }
}

fn tests() -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    for folder in ["tests/machine/tests", "tests/tests", "tests/model/tests", "tests/campaign/tests", "sequencer/src"] {
        tests_in(&root().join(folder), &mut found);
    }
    assert!(found.len() > 200, "only {} tests found", found.len());
    found
}

/// The names of the simulated rig's faults: the quoted string in the first line of an entry.
fn faults() -> BTreeSet<String> {
    let catalogue = read(&root().join("sim/src/catalogue.rs"));
    let entries = catalogue.split("    entry(").skip(1);
    let found: BTreeSet<_> = entries.filter_map(|entry| entry.split('"').nth(1)).map(str::to_owned).collect();
    assert!(found.len() > 30, "only {} faults found", found.len());
    found
}

#[test]
fn every_hazard_has_its_six_cells() {
    let rows = rows();
    assert!(rows.len() >= 55, "only {} hazards", rows.len());
    for (line, cells) in &rows {
        assert_eq!(cells.len(), 6, "docs/hazards.md:{line}");
        assert!(cells.iter().all(|cell| !cell.is_empty()), "docs/hazards.md:{line}: an empty cell");
    }
    let page = read(&root().join("docs/hazards.md"));
    assert!(!page.contains("TEST?"), "a test is still to be written");
}

/// Hazards are referred to by their letter and number, so that each is there once, and none is skipped.
#[test]
fn every_hazard_has_a_number_of_its_own() {
    let mut last = (' ', 0);
    for (line, cells) in rows() {
        let number = cells[0].strip_prefix("**").and_then(|c| c.split("**").next()).unwrap_or_default();
        let (letter, number) = number.split_at_checked(1).unwrap_or_default();
        let (letter, number): (char, u32) = match (letter.parse(), number.parse()) {
            (Ok(letter), Ok(number)) => (letter, number),
            _ => panic!("docs/hazards.md:{line}: {} has no number", cells[0]),
        };
        let expected = if letter == last.0 { last.1 + 1 } else { 1 };
        assert_eq!(number, expected, "docs/hazards.md:{line}: {letter}");
        last = (letter, number);
    }
}

#[test]
fn every_test_and_fault_that_is_named_is_there() {
    let (tests, faults) = (tests(), faults());
    let mut missing = String::new();
    let mut named = 0;
    for (line, cells) in rows() {
        let mut of_faults = false;
        let cell = cells.last().expect("a cell");
        for (i, part) in cell.split('`').enumerate() {
            if i % 2 == 0 {
                // Names one after another are of one kind.
                let listed = part.trim() == ",";
                let last = part.rsplit([' ', '(']).find(|word| !word.is_empty());
                of_faults = (of_faults && listed) || last.is_some_and(|word| FAULT.contains(&word));
                continue;
            }
            named += 1;
            let there = if of_faults { &faults } else { &tests };
            if !there.contains(part) {
                let what = if of_faults { "fault of the catalogue" } else { "test" };
                missing += &format!("docs/hazards.md:{line}: {part} is no {what}\n");
            }
        }
    }
    assert!(named > 100, "only {named} names found");
    assert!(missing.is_empty(), "\n{missing}");
}
