//! A run by itself of a valve of an open batch: it is refused where the dialogue would refuse it, and asked about where the dialogue
//! would ask. That it is found in the folder without being named is in `host-cli/tests/binary.rs`: only a process has a folder.

use std::path::Path;

use seathold_tests::batch_kit::{AT, Lines, opened, say, stands, typed};
use seathold_tests::cli_kit::{Said, Stage, seathold_on};

/// A run of a serial, with a name of its recording.
fn run(dir: &Path, serial: &str, more: &[&str]) -> Said {
    say(dir, &[&["run", "-q", "--serial", serial, "--out", "[DIR]/runs/"], more].concat())
}

/// A leak is not tested away: not by the dialogue, and not beside it.
#[test]
fn what_is_not_to_be_tested_is_not_run() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-004");
    assert_eq!(run(dir, "HM-001", &["--valve", "scratched-seat-a"]).code, 1);
    assert_eq!(stands(dir)[0], "HM-001 rework");
    let said = run(dir, "HM-001", &[]);
    assert_eq!((said.code, said.out.as_str()), (2, ""), "{}", said.err);
    for part in [
        "it leaks, and that counts until a rework is noted",
        "`batch rework HM-001 --note WHAT",
        "again HM-001",
        "--no-batch",
    ] {
        assert!(said.err.contains(part), "{part}: {}", said.err);
    }
    assert_eq!(std::fs::read_dir(dir.join("runs")).unwrap().count(), 1, "nothing was run");
    assert_eq!(say(dir, &["batch", "rework", "HM-001", "--note", "new seat", "--operator", "Ada"]).code, 0);
    assert_eq!(run(dir, "HM-001", &[]).code, 0);
    assert_eq!(stands(dir)[0], "HM-001 tight");
    let said = run(dir, "HM-001", &[]);
    assert!(said.code == 2 && said.err.contains("it is done"), "{}", said.err);
    // A side that has its result, and the one that has not.
    assert_eq!(run(dir, "HM-002", &["--sides", "first"]).code, 0);
    for sides in ["both", "first"] {
        let said = run(dir, "HM-002", &["--sides", sides]);
        assert!(said.code == 2 && said.err.contains("give --sides second"), "{sides}: {}", said.err);
    }
    assert_eq!(run(dir, "HM-002", &["--sides", "second"]).code, 0);
    assert_eq!(stands(dir)[1], "HM-002 tight");
    assert_eq!(say(dir, &["batch", "set-aside", "HM-003", "--note", "cracked", "--operator", "Ada"]).code, 0);
    let said = run(dir, "HM-003", &[]);
    assert!(said.code == 2 && said.err.contains("it was set aside"), "{}", said.err);
    // One that is not the batch's.
    assert_eq!(run(dir, "HM-003", &["--no-batch"]).code, 0);
    assert_eq!(stands(dir), ["HM-001 tight", "HM-002 tight", "HM-003 set-aside", "HM-004 next"]);
}

/// A serial that only looks like one of the list lets no air in unseen.
#[test]
fn a_serial_that_looks_like_a_listed_one_is_asked_about() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-103..HM-104");
    for typed in ["hm-103", "HM-1O3"] {
        let said = run(dir, typed, &[]);
        let why = format!(
            "{typed} is on the list of no open batch, but HM-103 is on that of batch spring. Nothing was run: give --serial HM-103"
        );
        assert!(said.code == 2 && said.err.contains(&why), "{}", said.err);
    }
    assert!(!dir.join("runs").exists());
    let ask = |lines: &[&'static str]| {
        let typed = ["run", "-q", "--serial", "hm-103", "--out", "[DIR]/runs/"];
        let keys = &mut Lines::slowly(lines);
        seathold_on(
            dir,
            &[&typed[..], &AT].concat(),
            Stage { interrupt_at: Vec::new(), keys, out_breaks: None, live: true },
        )
    };
    let said = ask(&[""]);
    assert!(said.code == 2 && said.err.contains("is it HM-103?"), "{}", said.err);
    assert_eq!(stands(dir)[0], "HM-103 next");
    assert_eq!(ask(&["y"]).code, 0);
    assert_eq!(stands(dir)[0], "HM-103 tight");
    // Another valve, whatever it looks like.
    assert_eq!(run(dir, "hm-104", &["--no-batch"]).code, 0);
    assert_eq!(stands(dir)[1], "HM-104 next");
}

/// How a valve is worked is what its list says, as its size is.
#[test]
fn another_kind_than_the_lists_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001");
    let said = run(dir, "HM-001", &["--actuation", "hand"]);
    let why = "--actuation hand: HM-001 is worked by air by the batch's list; `batch require` states another kind";
    assert!(said.code == 2 && said.err.contains(why), "{}", said.err);
    let said = typed(dir, &["HM-001"], &["--", "--actuation", "hand"]);
    assert!(said.code == 2 && said.err.contains("--actuation hand: HM-001 is worked by air"), "{}", said.err);
    // In another word for the same.
    assert_eq!(run(dir, "HM-001", &["--actuation", "pneumatic"]).code, 0);
}

/// Why there is nothing to override is what is so.
#[test]
fn an_override_of_nothing_says_why() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let over = ["--override", "asked for", "--operator", "Ada"];
    let said = run(dir, "HM-001", &over);
    assert!(said.code == 2 && said.err.contains("--override: there is no register [DIR]/bench.sqlite"), "{}", said.err);
    opened(dir, "HM-001");
    let said = run(dir, "X-9", &over);
    assert!(
        said.code == 2 && said.err.contains("--override: the valve is on the list of no open batch"),
        "{}",
        said.err
    );
    let said = say(dir, &[&["run", "-q"][..], &over].concat());
    assert!(said.code == 2 && said.err.contains("--override: no --serial says which valve"), "{}", said.err);
}
