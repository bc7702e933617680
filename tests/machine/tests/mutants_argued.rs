//! Whether `tests/mutants-argued.txt` still speaks of code that is there. The whole comparison, which needs cargo-mutants, is
//! `tests/mutants.sh --check`.

use std::fs;
use std::path::Path;

/// The function that a line speaks of: "replace NAME -> …" or "replace … in NAME".
fn function(what: &str) -> &str {
    let name = match what.rsplit_once(" in ") {
        Some((_, name)) => name,
        None => what
            .trim_start_matches("replace ")
            .split(" -> ")
            .next()
            .unwrap_or(what)
            .split(" with ")
            .next()
            .unwrap_or(what),
    };
    name.trim().rsplit("::").next().unwrap_or(name)
}

#[test]
fn every_argued_mutant_is_of_a_function_that_is_there() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let text = fs::read_to_string(root.join("tests/mutants-argued.txt")).expect("the list");
    for line in text.lines().filter(|line| !line.is_empty() && !line.starts_with('#')) {
        let (mutant, reason) = line.split_once(" | ").unwrap_or_else(|| panic!("no reason: {line}"));
        assert!(reason.len() > 20, "hardly a reason: {line}");
        let (file, what) = mutant.split_once(": ").unwrap_or_else(|| panic!("no file: {line}"));
        let code = fs::read_to_string(root.join(file)).unwrap_or_else(|why| panic!("{file}: {why}"));
        let name = function(what);
        assert!(
            code.contains(&format!("fn {name}(")) || code.contains(&format!("fn {name}<")),
            "no {name} in {file}: {line}"
        );
    }
}

#[test]
fn names_are_taken_out_of_lines() {
    assert_eq!(function("replace < with <= in Life::watch"), "watch");
    assert_eq!(function("replace Dwell::lasted -> bool with true"), "lasted");
    assert_eq!(function("replace leap -> bool with false"), "leap");
}
