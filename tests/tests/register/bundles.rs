//! Bundles of what happened since: exactly what is missing, of whatever kind, so that both ends say the same of a batch.

use std::path::Path;

use seathold_register::{Access, Register};
use seathold_tests::cli_kit::seathold;

/// Does a command on a register, which must go well: 0, or 1 for a valve that leaks.
fn good(dir: &Path, register: &str, words: &[&str]) -> String {
    let said = seathold(dir, &[words, &["--register", register]].concat());
    assert!(matches!(said.code, 0 | 1), "{words:?}: {} {}", said.code, said.err);
    said.out
}

const BENCH: &str = "[DIR]/bench.sqlite";
const OFFICE: &str = "[DIR]/office.sqlite";

fn seals(dir: &Path, register: &str) -> Vec<(i64, String)> {
    let register = Register::open(Path::new(&register.replace("[DIR]", dir.to_str().unwrap())), Access::Read).unwrap();
    let bench = register.chains().unwrap().into_iter().find(|chain| chain.name == "one").unwrap().bench;
    let all = register.records_after(&bench, 0, 10_000, usize::MAX).unwrap();
    all.iter().map(|record| (record.number(), record.seal().to_owned())).collect()
}

/// What a batch's list says is left to do, where records have the same names at both ends.
fn work(dir: &Path, register: &str) -> Vec<String> {
    let said = good(dir, register, &["batch", "status", "--batch", "spring", "--json"]);
    said.lines().map(str::to_owned).collect()
}

fn run(dir: &Path, serial: &str, more: &[&str]) {
    let out = format!("[DIR]/{serial}-{}.hold", seals(dir, BENCH).len());
    let words = ["run", "-q", "--sides", "first", "--serial", serial, "--out", &out];
    good(dir, BENCH, &[&words[..], more].concat());
}

#[test]
fn a_bundle_after_a_number_brings_exactly_what_is_missing() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    assert_eq!(seathold(dir, &["register", "init", BENCH, "--bench", "one", "--no-key"]).code, 0);
    good(dir, BENCH, &["batch", "open", "spring", "--serials", "HM-001..HM-004", "--actuation", "air", "--dn", "25"]);
    run(dir, "HM-001", &["--valve", "scratched-seat-a"]);
    // Each of these is one more record, of another kind; after each the office gets what came since.
    let by = ["--operator", "Ada", "--note", "seen"];
    let steps: Vec<Vec<&str>> = vec![
        [&["batch", "rework", "HM-001"][..], &by].concat(),
        [&["batch", "remark", "HM-002"][..], &by].concat(),
        [&["batch", "set-aside", "HM-003"][..], &by].concat(),
        [&["batch", "require", "HM-003", "--limit", "9 mm3/s"][..], &by].concat(),
        [&["batch", "add", "--serials", "HM-005", "--actuation", "air", "--dn", "25"][..], &by].concat(),
        vec!["run"],
        [&["batch", "move", "8", "HM-004"][..], &by].concat(),
        [&["batch", "strike", "8"][..], &by].concat(),
        vec!["batch", "close", "--unfinished", "sold", "--operator", "Ada"],
    ];
    let mut sent = 0;
    for (round, words) in (0..).zip(&steps) {
        if words == &["run"] {
            run(dir, "HM-002", &[]);
        } else {
            // A word that this program does not have would make a test of nothing.
            let said = seathold(dir, &[&words[..], &["--register", BENCH]].concat());
            assert!(matches!(said.code, 0 | 1), "{words:?}: {}", said.err);
        }
        let bundle = format!("[DIR]/{round}.bundle");
        let said = good(dir, BENCH, &["register", "bundle", &bundle, "--after", &sent.to_string()]);
        assert!(said.contains("added, 0 already there"), "{said}");
        let known = if sent == 0 { 0 } else { seals(dir, OFFICE).len() };
        good(dir, OFFICE, &["register", "merge", &bundle]);
        let (bench, office) = (seals(dir, BENCH), seals(dir, OFFICE));
        assert_eq!(office, bench, "{words:?}");
        assert!(office.len() > known);
        if !words.contains(&"close") {
            assert_eq!(work(dir, OFFICE), work(dir, BENCH), "{words:?}");
        }
        good(dir, OFFICE, &["register", "verify"]);
        sent = bench.len();
    }
    // Nothing is missing: a bundle of nothing.
    let said = good(dir, BENCH, &["register", "bundle", "[DIR]/none.bundle", "--after", &sent.to_string()]);
    assert!(said.contains("0 runs and 0 notes added"), "{said}");
    let said = seathold(dir, &["register", "bundle", "[DIR]/x.bundle", "--after", "99", "--register", BENCH]);
    assert!(said.code == 2 && said.err.contains("--after 99: the last record of this bench is"), "{}", said.err);
    let said = seathold(dir, &["register", "bundle", "[DIR]/x.bundle", "--after", "1", "--serial", "HM-001"]);
    assert_eq!(said.code, 2);
}

/// A rework after the last run is part of what happened since: without it the office would call a valve to be reworked
/// that is to be tested again.
#[test]
fn a_bundle_since_a_day_has_the_rework_after_the_last_run() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    assert_eq!(seathold(dir, &["register", "init", BENCH, "--bench", "one"]).code, 0);
    good(dir, BENCH, &["batch", "open", "spring", "--serials", "HM-001..HM-002", "--actuation", "air", "--dn", "25"]);
    run(dir, "HM-001", &["--valve", "scratched-seat-a", "--started-at", "2026-03-01T09:00:00Z"]);
    good(dir, BENCH, &["register", "bundle", "[DIR]/first.bundle", "--batch", "spring"]);
    good(dir, OFFICE, &["register", "merge", "[DIR]/first.bundle"]);
    // The test's clock says 2026-03-02.
    good(dir, BENCH, &["batch", "rework", "HM-001", "--operator", "Ada", "--note", "new seat"]);
    good(dir, BENCH, &["register", "bundle", "[DIR]/since.bundle", "--since", "2026-03-02"]);
    good(dir, OFFICE, &["register", "merge", "[DIR]/since.bundle"]);
    assert_eq!(work(dir, OFFICE), work(dir, BENCH));
    assert!(work(dir, OFFICE).concat().contains("retest"), "{:?}", work(dir, OFFICE));
}
