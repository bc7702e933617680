//! What the batch commands say, and who they want to know it from.

use std::path::Path;

use seathold_register::{Access, Register};
use seathold_tests::batch_kit::{Lines, opened, say, test_with, typed};
use seathold_tests::cli_kit::seathold;
use serde_json::Value;

/// How many notes there are.
fn records(dir: &Path) -> usize {
    Register::open(&dir.join("bench.sqlite"), Access::Read).unwrap().notes(None, None).unwrap().len()
}

/// Who changes an open batch by hand says so: at the command line and in the dialogue.
#[test]
fn who_writes_a_record_says_so() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-002");
    let before = records(dir);
    for command in [
        &["batch", "add", "--serials", "HM-009", "--note", "late"][..],
        &["batch", "require", "--limit", "5 mm3/s", "--note", "order"],
        &["batch", "strike", "1", "--note", "hose"],
        &["batch", "move", "1", "HM-002", "--note", "plates"],
        &["batch", "rework", "HM-001", "--note", "seat"],
        &["batch", "set-aside", "HM-001", "--note", "cracked"],
        &["batch", "remark", "HM-001", "--note", "stiff"],
        &["batch", "close", "--unfinished", "noon"],
    ] {
        let said = say(dir, command);
        assert!(said.code == 2 && said.err.contains("--operator <NAME>"), "{command:?}: {}", said.err);
        let blank = say(dir, &[command, &["--operator", " "]].concat());
        assert!(blank.code == 2 && blank.err.contains("give a name"), "{command:?}: {}", blank.err);
    }
    let said = typed(dir, &["remark HM-001 stiff", "set-aside HM-001 cracked"], &[]);
    assert_eq!(said.err.matches("who writes it down? Give --operator").count(), 2, "{}", said.err);
    assert_eq!(records(dir), before);
}

/// A record that is none of what was asked for is called what it is.
#[test]
fn a_note_is_no_run_to_strike() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-002");
    assert_eq!(say(dir, &["batch", "remark", "HM-001", "--note", "stiff", "--operator", "Ada"]).code, 0);
    let said = say(dir, &["batch", "strike", "2", "--note", "hose", "--operator", "Ada"]);
    assert!(said.code == 2 && said.err.contains("record 2 is no run, but a note of HM-001 (remark)"), "{}", said.err);
    let said = say(dir, &["batch", "strike", "77", "--note", "hose", "--operator", "Ada"]);
    assert!(said.code == 2 && said.err.contains("there is no record \"77\""), "{}", said.err);
}

/// What is so already is not written once more.
#[test]
fn what_is_so_already_writes_no_record() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-002");
    let ada = ["--note", "again", "--operator", "Ada"];
    let require = |more: &[&str]| say(dir, &[&["batch", "require"], more, &ada[..]].concat());
    let before = records(dir);
    assert_eq!(require(&["--recipe", "dn25-air"]).code, 0);
    assert_eq!(records(dir), before + 1, "it was the built-in one by default, and is stated now");
    let said = require(&["--recipe", "dn25-air"]);
    assert!(said.code == 0 && said.out.contains("it is so already, nothing is written"), "{}{}", said.out, said.err);
    let said = typed(dir, &["recipe dn25-air"], &["--operator", "Ada"]);
    assert!(said.err.contains("recipe dn25-air is theirs already: nothing is written"), "{}", said.err);
    assert_eq!(records(dir), before + 1);
    let said = require(&["--of", "DN 99", "--dn", "50"]);
    let why = "--of \"DN 99\": no valve of the batch is of that size and kind (the batch has DN 25 air)";
    assert!(said.code == 2 && said.err.contains(why), "{}", said.err);
}

/// A cursor key is no serial, and nothing that acts on a screen is shown for one.
#[test]
fn a_cursor_key_is_no_serial() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-002");
    let said = typed(dir, &["\u{1b}[A", "HM-0\u{1b}[D01", "HM-001"], &["--operator", "Ada"]);
    assert_eq!(
        said.err.matches("that was a cursor key or the like: type or scan it again > ").count(),
        2,
        "{}",
        said.err
    );
    assert!(!said.err.contains("1b") && !said.err.contains("not on the list"), "{}", said.err);
    assert!(said.out.contains("HM-001  TIGHT"), "{}", said.out);
}

/// How a run ended, in a sentence; and the help of the dialogue, in whole words.
#[test]
fn what_is_said_is_in_whole_words() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-002");
    typed(dir, &["HM-001"], &["--", "--fault", "guard@10s"]);
    let status = say(dir, &["batch", "status"]).out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(status.contains("the last run was ended by a fault (record 2)"), "{status}");
    let said = test_with(dir, &mut Lines::new(&["?"]), &["--operator", "Ada"], false);
    assert!(said.err.lines().all(|line| line.chars().count() <= 80), "{}", said.err);
    assert!(said.err.contains("\n  override SERIAL WHY     test it although"), "{}", said.err);
    assert!(said.err.contains("\n  move RECORD SERIAL WHY  that run was of"), "{}", said.err);
}

/// Programs find what is called status and reason on screen and in tables under these names, and under the first ones.
#[test]
fn one_word_for_one_thing_in_json() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001");
    typed(dir, &["HM-001"], &[]);
    let valve: Value = serde_json::from_str(&say(dir, &["batch", "status", "--json"]).out).unwrap();
    assert_eq!((&valve["status"], &valve["stand"]), (&"tight".into(), &"tight".into()));
    assert!(valve["first"]["reason"].is_string() && valve["first"]["reason"] == valve["first"]["ground"], "{valve}");
    let run: Value = serde_json::from_str(say(dir, &["find", "--json"]).out.lines().next().unwrap()).unwrap();
    let side = &run["run"]["sides"][0];
    assert!(side["reason"].is_string() && side["reason"] == side["ground"], "{run}");
}

/// What is taken after a -- only is shown with it.
#[test]
fn the_manual_shows_where_run_options_stand() {
    let dir = tempfile::tempdir().unwrap();
    assert_eq!(seathold(dir.path(), &["manual", "--out", "[DIR]/man"]).code, 0);
    let page = std::fs::read_to_string(dir.path().join("man/seathold-batch-test.1")).unwrap();
    let synopsis = page.split(".SH SYNOPSIS").nth(1).unwrap().split(".SH").next().unwrap();
    assert!(synopsis.contains("\\-\\- RUN OPTIONS"), "{synopsis}");
}
