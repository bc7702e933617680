//! Who is at the bench, which valve they mean, and runs by themselves while a batch is open.

use std::path::Path;

use seathold_tests::batch_kit::{Lines, opened, say, stands, test_with};
use seathold_tests::cli_kit::Said;
use serde_json::Value;

fn typed(dir: &Path, lines: &[&'static str], more: &[&str], live: bool) -> Said {
    test_with(dir, &mut Lines::slowly(lines), more, live)
}

fn operators(dir: &Path) -> Vec<String> {
    let of = |line: &str| {
        let run = &serde_json::from_str::<Value>(line).unwrap()["run"];
        format!("{} {}", run["serial"].as_str().unwrap(), run["operator"].as_str().unwrap())
    };
    say(dir, &["find", "--json"]).out.lines().map(of).collect()
}

/// Who tests is asked for where somebody can answer; one who leaves says who comes and what is clamped.
#[test]
fn a_shift_is_handed_over() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-004");
    let said = typed(dir, &["", "Ada", "HM-003"], &[], true);
    assert!(said.err.contains("who tests? > give a name: it is on every record\nwho tests? > "), "{}", said.err);
    let lines = ["handover", "handover Cleo", "HM-9", "handover Ben Smith", "HM-004", ""];
    let said = typed(dir, &lines, &["--operator", "Ada"], true);
    assert!(said.err.contains("handover: who comes?"), "{}", said.err);
    assert!(said.out.contains("Ada leaves, Ben Smith comes; HM-004 is clamped (record 3)"), "{}", said.out);
    assert!(said.err.contains("HM-9 is not on the list"), "{}", said.err);
    // What is clamped comes next.
    assert_eq!(operators(dir), ["HM-003 Ada", "HM-004 Ben Smith"]);
    assert!(say(dir, &["find", "--serial", "HM-004"]).out.contains("handover: to Ben Smith; HM-004 is clamped (Ada)"));
    assert_eq!(say(dir, &["register", "verify"]).code, 0);
    // A script is not asked.
    assert!(!typed(dir, &["q"], &[], false).err.contains("who tests?"));
}

/// A serial in small letters or with O for 0 is taken after a question, never by an Enter alone.
#[test]
fn a_serial_that_looks_like_one_is_asked_about() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-004");
    let said = typed(dir, &["hm-002", ""], &["--operator", "Ada"], false);
    assert!(said.err.contains("is it HM-002?\ny and Enter, or scan it again > "), "{}", said.err);
    assert!(operators(dir).is_empty());
    // The same again, a no, and another serial.
    typed(dir, &["HM-O02", "HM-O02", "n", "HM-OO2", "no", "hm003", "HM-004"], &[], false);
    assert_eq!(stands(dir), ["HM-001 next", "HM-002 next", "HM-003 next", "HM-004 tight"]);
    typed(dir, &["HM-O02", "y", "hm-003", "HM-003"], &[], false);
    assert_eq!(stands(dir), ["HM-001 next", "HM-002 tight", "HM-003 tight", "HM-004 tight"]);
}

/// Where asked for, the serial is scanned again when the valve is clamped; another one's is no run.
#[test]
fn the_serial_is_confirmed_when_clamping() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-002");
    let said = typed(dir, &["", "HM-002", "", "hm-001"], &["--confirm-serial"], false);
    assert!(said.err.contains("clamp HM-001, then scan or type its serial > that is not HM-001"), "{}", said.err);
    assert_eq!(stands(dir), ["HM-001 tight", "HM-002 next"]);
    let said = typed(dir, &["set-aside HM-002 body cracked", "aside HM-001 x"], &["--operator", "Ada"], false);
    assert!(said.out.contains("HM-002: set aside"), "{}", said.out);
    assert_eq!(stands(dir), ["HM-001 tight", "HM-002 set-aside"], "one name for it");
}

/// A run by itself of a valve of an open batch counts there, by what the batch demands, and says so first.
#[test]
fn a_run_by_itself_counts_in_the_open_batch() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let open = ["batch", "open", "spring", "--serials", "HM-001..HM-003", "--actuation", "hand", "--dn", "50"];
    assert_eq!(say(dir, &[&open[..], &["--limit", "rate B"]].concat()).code, 0);
    let run = |more: &[&str]| say(dir, &[&["run", "-q"][..], more].concat());
    let said = run(&["--serial", "HM-001", "--out", "[DIR]/1.hold"]);
    assert_eq!(said.code, 0, "{}", said.err);
    let first =
        "HM-001 is on the list of batch spring, which is open: this run counts there\n  DN 50   HAND   LIMIT 15 mm³/s";
    assert!(said.err.starts_with(first), "{}", said.err);
    assert_eq!(stands(dir)[0], "HM-001 tight");
    // Not by another limit; not for the batch; or answered for.
    let lax = ["--serial", "HM-002", "--limit", "30 mm3/s", "--out", "[DIR]/2.hold"];
    let said = run(&lax);
    assert!(
        said.code == 2 && said.err.contains("the run does not fit it: the limit is to be 30 mm³/s"),
        "{}",
        said.err
    );
    assert_eq!(run(&[&lax[..], &["--override", "old drawing"]].concat()).code, 2, "without a name");
    let said = run(&[&lax[..], &["--no-batch"]].concat());
    assert!(said.code == 0 && said.err.contains("this run does not count there"), "{}", said.err);
    assert_eq!(stands(dir)[1], "HM-002 next");
    let over = ["--serial", "HM-002", "--limit", "30 mm3/s", "--seed", "9", "--out", "[DIR]/3.hold"];
    let said = run(&[&over[..], &["--override", "old drawing", "--operator", "Ada"]].concat());
    assert!(said.code == 0 && said.err.contains("OVERRIDE (record 4)"), "{}", said.err);
    assert_eq!(stands(dir)[1], "HM-002 tight");
    assert!(say(dir, &["batch", "status"]).out.contains("1 BY OVERRIDE"));
    // No batch, nothing to override; and a valve of none runs as ever.
    assert_eq!(run(&["--serial", "X-1", "--override", "x", "--operator", "Ada", "--out", "[DIR]/4.hold"]).code, 2);
    assert_eq!(run(&["--serial", "X-1", "--out", "[DIR]/4.hold"]).err, "");
    assert_eq!(say(dir, &["register", "verify"]).code, 0);
}
