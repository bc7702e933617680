//! Lists of valves at the command line: what a shop writes, and what is said of what cannot be taken.

use std::path::Path;

use seathold_tests::batch_kit::{say, stands};
use seathold_tests::cli_kit::Said;

fn open(dir: &Path, list: &str, more: &[&str]) -> Said {
    std::fs::write(dir.join("list.csv"), list).unwrap();
    say(dir, &[&["batch", "open", "spring", "--list", "[DIR]/list.csv"], more].concat())
}

/// Serials under the names that shops give them; a row number is no remark.
#[test]
fn columns_of_serials_by_other_names() {
    for head in ["Tag no", "Tag No.", "Valve #", "VALVE#", "Serial #"] {
        let dir = tempfile::tempdir().unwrap();
        let said = open(dir.path(), &format!("No.,{head}\n1,HM-001\n2,HM-002\n"), &[]);
        assert_eq!(said.code, 0, "{head}: {}", said.err);
        assert!(said.out.contains(&format!("\"{head}\" is serial; ignored: \"No.\"")), "{}", said.out);
        assert_eq!(stands(dir.path()), ["HM-001 next", "HM-002 next"]);
    }
    let dir = tempfile::tempdir().unwrap();
    let said = open(dir.path(), "serial,acuation\nHM-001,air\n", &[]);
    for part in ["did you mean \"actuation\"?", "customer remark, remark, ignore)", "\"acuation=ignore\" leaves it out"]
    {
        assert!(said.code == 2 && said.err.contains(part), "{part}: {}", said.err);
    }
}

/// A DN as a spreadsheet writes it; in a column of DN it is never inches.
#[test]
fn a_size_with_a_nought_behind_the_point() {
    let dir = tempfile::tempdir().unwrap();
    let said = open(dir.path(), "serial,dn\nHM-001,25.0\nHM-002,\"20,0\"\n", &["--limit", "ISO 5208 rate B by DN"]);
    assert_eq!(said.code, 0, "{}", said.err);
    assert!(said.out.contains("DN 25: ") && said.out.contains("DN 20: "), "{}", said.out);
}

/// One mistake is one message.
#[test]
fn a_wrong_limit_is_told_once() {
    let dir = tempfile::tempdir().unwrap();
    let said = open(dir.path(), "serial,dn,limit\nHM-001,50,rate Q\n", &[]);
    assert!(said.code == 2 && said.err.contains("limit "), "{}", said.err);
    assert!(!said.err.contains("nothing says what they must meet"), "{}", said.err);
    assert_eq!(said.err.lines().count(), 1, "{}", said.err);
}

/// What the dialogue takes for a command cannot be a valve.
#[test]
fn words_of_the_dialogue_are_no_serials() {
    let dir = tempfile::tempdir().unwrap();
    let said = open(dir.path(), "serial\nHM-001\nq\nList\nagain\na\ny\n", &[]);
    assert_eq!(said.code, 2);
    for (line, word) in [(3, "q"), (4, "List"), (5, "again"), (6, "a"), (7, "y")] {
        let part = format!("line {line}: serial \"{word}\" is a word that is typed in the dialogues of a test");
        assert!(said.err.contains(&part), "{part}: {}", said.err);
    }
    assert!(!dir.path().join("bench.sqlite").exists());
    let said = say(dir.path(), &["batch", "open", "spring", "--serials", "q,y"]);
    assert!(said.code == 2 && said.err.contains("serial \"q\" is a word"), "{}", said.err);
}

/// Both ways to name valves are in the message, and the words of lists are taken at the command line.
#[test]
fn options_say_what_may_be_given() {
    let dir = tempfile::tempdir().unwrap();
    let said = say(dir.path(), &["batch", "open", "spring"]);
    assert!(
        said.code == 2 && said.err.contains("--list <FILE>") && said.err.contains("--serials <PATTERN>"),
        "{}",
        said.err
    );
    let open = ["batch", "open", "spring", "--serials", "HM-001", "--dn", "25", "--actuation"];
    assert_eq!(say(dir.path(), &[&open[..], &["Lever"]].concat()).code, 0);
    let said = say(dir.path(), &["batch", "status", "--json"]);
    assert!(said.out.contains("\"actuation\":\"hand\""), "{}", said.out);
}
