//! Corrections of a batch without erasing: valves added, runs struck, runs moved to the valve that was on the rig.

use std::path::Path;

use seathold_tests::batch_kit::{opened, say, stands, stands_in, typed};
use seathold_tests::cli_kit::{Said, golden, seathold};

/// Corrections have somebody who makes them.
fn by_ada(dir: &Path, lines: &[&'static str], more: &[&str]) -> Said {
    typed(dir, lines, &[&["--operator", "Ada"], more].concat())
}

/// The report on the batch as text without marks.
fn page(dir: &Path, more: &[&str]) -> String {
    let _ = std::fs::remove_file(dir.join("page.html"));
    let said = say(dir, &[&["report", "-o", "[DIR]/page.html"], more].concat());
    assert_eq!(said.code, 0, "{}", said.err);
    std::fs::read_to_string(dir.join("page.html")).unwrap()
}

/// A run with a mistake is struck: it stays, marked, and the valve is to be tested again. A leak goes away only with a name
/// and a reason.
#[test]
fn a_struck_run_stays_and_counts_no_more() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-002");
    by_ada(
        dir,
        &["", "strike 2", "strike", "strike 1 no run", "strike 9 none"],
        &["--valve", "HM-001=scratched-seat-a"],
    );
    assert_eq!(stands(dir), ["HM-001 rework", "HM-002 next"]);
    assert_eq!(say(dir, &["batch", "strike", "2", "--note", "gasket slipped"]).code, 2, "without a name");
    let said = by_ada(dir, &["strike 2 gasket slipped, the wrong torque", "strike 2 again", ""], &[]);
    let words = said.out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("record 2 of HM-001 is struck (record 3): it stays, marked; HM-001 is now next"), "{words}");
    assert!(said.err.contains("it is struck already"), "{}", said.err);
    assert_eq!(stands(dir), ["HM-001 tight", "HM-002 next"]);
    let status = say(dir, &["batch", "status"]).out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(status.contains("struck by Ada, 2026-03-02 09:30:00 UTC"), "{status}");
    for of in [&["--batch", "spring"][..], &["--serial", "HM-001"]] {
        let page = page(dir, of);
        assert!(page.contains("Does not count") && page.contains("gasket slipped, the wrong torque"), "{page}");
        assert!(page.contains("struck"), "{page}");
    }
    // Tables mark it, and it teaches nothing.
    assert_eq!(say(dir, &["export", "--runs", "[DIR]/runs.csv"]).code, 0);
    let table = std::fs::read_to_string(dir.join("runs.csv")).unwrap();
    assert_eq!(table.lines().filter(|line| line.ends_with(",struck")).count(), 1, "{table}");
    let said = say(dir, &["rejudge", "--set", "settle=2 s"]);
    assert!(said.err.contains("1 run left out: struck, or moved to another valve since"), "{}{}", said.out, said.err);
    let found = say(dir, &["find", "--serial", "HM-001"]).out;
    assert!(found.lines().any(|line| line.contains("leaking") && line.ends_with("STRUCK")), "{found}");
    assert_eq!(say(dir, &["register", "verify"]).code, 0);
    // Closed is closed.
    by_ada(dir, &[""], &[]);
    assert_eq!(say(dir, &["batch", "close", "--operator", "Ada"]).code, 0);
    let late = ["batch", "strike", "4", "--note", "x", "--operator", "Ada", "--batch", "spring"];
    assert_eq!(say(dir, &late).code, 2);
}

/// The wrong valve was on the rig: its run is moved to the right one, and both are as they would be.
#[test]
fn a_run_is_moved_to_the_valve_that_was_on_the_rig() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-003");
    let said = by_ada(
        dir,
        &["HM-001", "move 2 HM-002 read the wrong plate", "move 2 HM-002 twice", "move 2 HM-009 x", "move 2", "list"],
        &["--valve", "HM-001=scratched-seat-a"],
    );
    assert_eq!(stands(dir), ["HM-001 next", "HM-002 rework", "HM-003 next"]);
    let history = say(dir, &["find", "--serial", "HM-001"]);
    let there = say(dir, &["find", "--serial", "HM-002"]);
    golden("batch-moved.txt", &format!("{}-- talk\n{}\n{}\n{}", said.out, said.err, history.out, there.out));
    let page = page(dir, &["--batch", "spring"]);
    assert!(
        page.contains("record 2: recorded for HM-001; moved by Ada") && page.contains("read the wrong plate"),
        "{page}"
    );
    assert!(page.contains("HM-002: leaking") && page.contains("HM-001: not proved"), "{page}");
    // A valve with nothing but a run of another's has its report too.
    let page = self::page(dir, &["--serial", "HM-002"]);
    assert!(page.contains("recorded for HM-001"), "{page}");
    // Reworked and tested, the right one is done; the other has its own run still to come.
    by_ada(dir, &["rework HM-002 new seat", "HM-002", "HM-001"], &[]);
    assert_eq!(stands(dir), ["HM-001 tight", "HM-002 tight", "HM-003 next"]);
    // And on, and back: of several moves the last counts.
    let on = |to| say(dir, &["batch", "move", "6", to, "--note", "looked again", "--operator", "Ben"]);
    assert_eq!(say(dir, &["find", "--serial", "HM-001"]).out.matches("  6 ").count(), 1, "its own run");
    for (to, stands_then) in [
        ("HM-003", ["HM-001 next", "HM-002 tight", "HM-003 tight"]),
        ("HM-001", ["HM-001 tight", "HM-002 tight", "HM-003 next"]),
    ] {
        let said = on(to);
        assert_eq!(said.code, 0, "{}", said.err);
        assert_eq!(stands(dir), stands_then);
    }
    assert_eq!(say(dir, &["register", "verify"]).code, 0);
}

/// A run that cannot have been that valve is not moved to it.
#[test]
fn what_a_recording_contradicts_is_not_moved() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let list = "serial,actuation,dn\nHM-001,air,25\nHM-002,air,50\nHM-003,hand,25\n";
    std::fs::write(dir.join("list.csv"), list).unwrap();
    let open = ["batch", "open", "spring", "--list", "[DIR]/list.csv", "--limit", "rate B"];
    assert_eq!(say(dir, &open).code, 0);
    let said = by_ada(dir, &["", "move 2 HM-002 other plate", "move 2 HM-003 other plate", "move 2 HM-001 same"], &[]);
    let words = said.err.split_whitespace().collect::<Vec<_>>().join(" ");
    for why in [
        "record 2 cannot be moved to HM-002: it was judged by another limit than HM-002 must meet; strike it",
        "record 2 cannot be moved to HM-003: it was worked by air, and HM-003 is worked by hand",
        "record 2 is a run of HM-001 already",
    ] {
        assert!(words.contains(why), "{words}");
    }
    assert_eq!(stands(dir), ["HM-001 tight", "HM-002 next", "HM-003 next"]);

    // One limit for all: the size alone contradicts it, since another adapter was on the rig.
    assert_eq!(say(dir, &["batch", "close", "--unfinished", "noon", "--operator", "Ada"]).code, 0);
    let open = ["batch", "open", "autumn", "--list", "[DIR]/list.csv", "--limit", "7.5 mm3/s"];
    assert_eq!(say(dir, &open).code, 0);
    let said = by_ada(dir, &["HM-001", "move 5 HM-002 other plate"], &["--batch", "autumn", "--", "--seed", "9"]);
    let words = said.err.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("cannot be moved to HM-002: it was tested as DN 25, and HM-002 is DN 50"), "{words}");
}

/// What was struck and moved in one batch is marked on a valve's report as well when it was tested in another since.
#[test]
fn marks_stay_when_a_valve_comes_again() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-002");
    by_ada(dir, &["HM-001", "strike 2 gasket slipped", "HM-001", "move 4 HM-002 read the wrong plate"], &[]);
    assert_eq!(say(dir, &["batch", "close", "--unfinished", "noon", "--operator", "Ada"]).code, 0);
    let open = ["batch", "open", "autumn", "--serials", "HM-001..HM-002", "--actuation", "air", "--dn", "25"];
    assert_eq!(say(dir, &open).code, 0);
    by_ada(dir, &["HM-001", "HM-002"], &["--batch", "autumn"]);
    let page = page(dir, &["--serial", "HM-001"]);
    assert!(page.contains("struck by Ada") && page.contains("HM-002 was on the rig; moved there by Ada"), "{page}");
    let page = self::page(dir, &["--serial", "HM-002"]);
    assert!(page.contains("recorded for HM-001; moved by Ada"), "{page}");
}

/// Valves come late: they are added to the list with a reason, by the batch's rule.
#[test]
fn valves_are_added_to_an_open_batch() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let open = ["batch", "open", "spring", "--serials", "HM-001", "--actuation", "air", "--dn", "25"];
    assert_eq!(say(dir, &[&open[..], &["--limit", "ISO 5208 rate C by DN"]].concat()).code, 0);
    let add = |serials: &str, more: &[&str]| {
        let fixed = ["batch", "add", "--serials", serials, "--actuation", "hand", "--note", "came a day later"];
        say(dir, &[&fixed[..], more].concat())
    };
    assert_eq!(add("HM-002", &["--dn", "50"]).code, 2, "without a name");
    let said = add("HM-002..HM-003", &["--dn", "50", "--operator", "Ada"]);
    assert!(said.out.contains("batch spring: 2 valves added (record 2)"), "{}{}", said.out, said.err);
    assert!(said.out.contains("DN 50 hand: limit 150 mm³/s (ISO 5208 rate C DN 50)"), "{}", said.out);
    assert!(add("HM-003", &["--dn", "50", "--operator", "Ada"]).err.contains("HM-003 is on the list already"));
    assert!(add("HM-OO3", &["--dn", "50", "--operator", "Ada"]).err.contains("looks like one that is on the list"));
    assert_eq!(stands(dir), ["HM-001 next", "HM-002 next", "HM-003 next"]);
    by_ada(dir, &["HM-003", "handover Ben", ""], &[]);
    assert_eq!(stands(dir)[2], "HM-003 tight");
    let page = page(dir, &["--batch", "spring"]);
    assert!(page.contains("came a day later: HM-002 (DN 50, ISO 5208 rate C DN 50); HM-003"), "{page}");
    assert!(page.contains("to Ben; nothing is clamped"), "{page}");
    assert_eq!(say(dir, &["register", "verify"]).code, 0);
    // A row that nobody sealed is found.
    let db = rusqlite::Connection::open(dir.join("bench.sqlite")).unwrap();
    db.execute_batch(
        "INSERT INTO valves (serial) VALUES ('HM-009'); \
         INSERT INTO batch_valves SELECT batch, 9, 'HM-009' FROM batches",
    )
    .unwrap();
    assert_eq!(say(dir, &["register", "verify"]).code, 6);
}

/// Two benches share a batch, and each corrects: after merging both ways both say the same. A recording that both took in is
/// struck for both.
#[test]
fn corrections_go_with_merges_and_bundles() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-003");
    let run = |serial: &str, valve: &str| {
        let out = format!("[DIR]/{serial}.hold");
        let run = ["run", "-q", "--serial", serial, "--valve", valve, "--out", &out];
        assert!(seathold(dir, &run).code < 2);
    };
    run("HM-001", "scratched-seat-a");
    run("HM-002", "tight");
    let there = |arguments: &[&str]| seathold(dir, &[arguments, &["--register", "[DIR]/other.sqlite"]].concat());
    let merge = |to: &str, from: &str| {
        let said = seathold(dir, &["register", "merge", from, "--register", to]);
        assert_eq!(said.code, 0, "{}{}", said.out, said.err);
    };
    let (here, other) = ("[DIR]/bench.sqlite", "[DIR]/other.sqlite");
    merge(other, here);
    // The same recording in both, as records of each.
    let import = ["register", "import", "[DIR]/HM-001.hold", "[DIR]/HM-002.hold", "--batch", "spring"];
    assert_eq!((say(dir, &import).code, there(&import).code), (0, 0));
    let why = ["--note", "wrong", "--operator", "Ada"];
    assert_eq!(say(dir, &[&["batch", "strike", "2"][..], &why].concat()).code, 0);
    assert_eq!(there(&[&["batch", "move", "2", "HM-003"][..], &why].concat()).code, 0);
    let add = ["batch", "add", "--serials", "HM-004", "--actuation", "air", "--dn", "25"];
    assert_eq!(say(dir, &[&add[..], &why].concat()).code, 0);
    let add = ["batch", "add", "--serials", "HM-005", "--actuation", "air", "--dn", "25"];
    assert_eq!(there(&[&add[..], &why].concat()).code, 0);
    merge(other, here);
    merge(here, other);
    let sorted = |register: &str| {
        let mut stands = stands_in(dir, register);
        stands.sort();
        stands
    };
    let all = ["HM-001 next", "HM-002 next", "HM-003 tight", "HM-004 next", "HM-005 next"];
    // Here record 2 is the run of HM-001, there that of HM-002: each bench counts its own records.
    assert_eq!(sorted(here), all);
    assert_eq!(sorted(other), all);
    assert_eq!((say(dir, &["register", "verify"]).code, there(&["register", "verify"]).code), (0, 0));
    // A bundle of one valve brings what was moved to it and what was struck of it.
    let bundle = ["register", "bundle", "[DIR]/bundle.sqlite", "--serial", "HM-001"];
    assert_eq!(say(dir, &bundle).code, 0);
    merge("[DIR]/third.sqlite", "[DIR]/bundle.sqlite");
    let third = stands_in(dir, "[DIR]/third.sqlite");
    assert_eq!(third[0], sorted(here)[0], "{third:?}");
    assert_eq!(seathold(dir, &["register", "verify", "--register", "[DIR]/third.sqlite"]).code, 0);
}
