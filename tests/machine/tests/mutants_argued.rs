//! Whether `tests/mutants-argued.txt` still refers to existing code. The whole comparison, which needs cargo-mutants,
//! is `tests/mutants.sh --check`.

use std::fs;
use std::path::Path;

/// The function that a line refers to: "replace NAME -> …" or "replace … in NAME".
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

/// Errors of the list: an entry without a reason, or of a function that is not there.
fn wrong(list: &str) -> Vec<String> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let entry = |line: &str| {
        let (mutant, reason) = line.split_once(" | ").ok_or("no reason")?;
        let (file, what) = mutant.split_once(": ").ok_or("no file")?;
        let code = fs::read_to_string(root.join(file)).map_err(|_| "no such file")?;
        let name = function(what);
        let there = code.contains(&format!("fn {name}(")) || code.contains(&format!("fn {name}<"));
        match (reason.len() > 20, there) {
            (false, _) => Err("hardly a reason"),
            (_, false) => Err("no such function"),
            _ => Ok(()),
        }
    };
    let entries = list.lines().filter(|line| !line.is_empty() && !line.starts_with('#'));
    entries.filter_map(|line| entry(line).err().map(|why| format!("{why}: {line}"))).collect()
}

#[test]
fn every_argued_mutant_is_of_a_function_that_is_there() {
    let list = Path::new(env!("CARGO_MANIFEST_DIR")).join("../mutants-argued.txt");
    let wrong = wrong(&fs::read_to_string(list).expect("the list"));
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn an_entry_that_is_stale_is_found() {
    let reason = "a reason that is long enough to be one";
    for (entry, why) in [
        (format!("sequencer/src/step.rs: replace Sequencer::phase -> Phase with Default::default() | {reason}"), None),
        (
            format!("sequencer/src/step.rs: replace < with <= in Sequencer::was_here | {reason}"),
            Some("no such function"),
        ),
        (format!("sequencer/src/gone.rs: replace < with <= in Sequencer::phase | {reason}"), Some("no such file")),
        ("sequencer/src/step.rs: replace < with <= in Sequencer::phase | why not".into(), Some("hardly a reason")),
        ("sequencer/src/step.rs: replace < with <= in Sequencer::phase".into(), Some("no reason")),
    ] {
        let found = wrong(&format!("# A comment.\n\n{entry}\n"));
        assert_eq!(found, Vec::from_iter(why.map(|why| format!("{why}: {entry}"))));
    }
}

#[test]
fn names_are_taken_out_of_lines() {
    assert_eq!(function("replace < with <= in Life::watch"), "watch");
    assert_eq!(function("replace Dwell::lasted -> bool with true"), "lasted");
    assert_eq!(function("replace leap -> bool with false"), "leap");
}
