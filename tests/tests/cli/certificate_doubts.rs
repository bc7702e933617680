//! Certificates that somebody wants of a valve that they should not have, and what an honest one must not hide.

use std::path::Path;

use seathold_tests::batch_kit::say;
use seathold_tests::cli_kit::seathold;
use serde_json::Value;

use crate::certificate::{good, issue, issued, read, refused, run, tested};

const OUT: [&str; 4] = ["-o", "[DIR]/c.html", "--data", "[DIR]/c.json"];

fn of<'a>(serial: &'a str, more: &[&'a str]) -> Vec<&'a str> {
    issue(&[&[serial][..], more, &OUT].concat())
}

fn data(dir: &Path) -> Value {
    serde_json::from_str(&read(dir, "c.json")).unwrap()
}

/// A run that is told to have been before the rework does not count after it, whenever it was made.
#[test]
fn a_run_dated_before_a_rework_does_not_count_after_it() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    good(dir, &["batch", "rework", "HM-002", "--note", "new seat", "--operator", "Ada"]);
    refused(dir, &of("HM-002", &[]), "HM-002: it was not tested since it was reworked");
    let early = ["--started-at", "2026-01-01T10:00:00Z", "--operator", "Ada", "--out", "[DIR]/early.hold"];
    say(dir, &[&["run", "-q", "--serial", "HM-002", "--valve", "tight"], &early[..]].concat());
    refused(dir, &of("HM-002", &[]), "HM-002: it was not tested since it was reworked");
    run(dir, "HM-002", "tight");
    good(dir, &of("HM-002", &[]));
}

#[test]
fn a_test_dated_after_its_certificate_is_none() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    let year = ["--started-at", "2027-01-01T10:00:00Z", "--out", "[DIR]/year.hold"];
    refused(
        dir,
        &[&["run", "-q", "--serial", "HM-003"], &year[..]].concat(),
        "--started-at: 2027-01-01T10:00:00Z is later than a day from now",
    );
    let late = ["--started-at", "2026-03-03T05:00:00Z", "--operator", "Ada", "--out", "[DIR]/late.hold"];
    say(dir, &[&["run", "-q", "--serial", "HM-003", "--valve", "tight"], &late[..]].concat());
    refused(dir, &of("HM-003", &[]), "HM-003: its test is dated after today");
}

/// Over its limit and tight only by somebody's word: no program takes it for tight, and the page says by which limit.
#[test]
fn an_override_is_not_counted_as_tight() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    let lax = ["--limit", "100 mm3/s", "--override", "boss said", "--operator", "Ada", "--out", "[DIR]/lax.hold"];
    say(dir, &[&["run", "-q", "--serial", "HM-003", "--valve", "scratched-seat-a"], &lax[..]].concat());
    refused(dir, &of("HM-003", &[]), "judged under an override: HM-003; leave them out");
    good(dir, &of("HM-003", &["--any-result"]));
    let page = read(dir, "c.html");
    for text in ["TIGHT BY OVERRIDE", "lies under the limit that it was judged by", "override: "] {
        assert!(page.contains(text), "{text}: {page}");
    }
    assert_eq!(
        (&data(dir)["valves"][0]["tight"], &data(dir)["valves"][0]["by_override"]),
        (&false.into(), &true.into())
    );
    good(dir, &issue(&[&["HM-001", "HM-003", "--table", "--any-result"], &OUT[..]].concat()));
    let page = read(dir, "c.html");
    assert!(page.contains("1 of 2 TIGHT") && page.contains("held "), "{page}");
}

/// What the same register knows since, of another batch or of none, is on the page; and the old certificate no longer holds.
#[test]
fn a_leak_found_since_is_not_kept_back() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    good(dir, &of("HM-001", &[]));
    std::fs::rename(dir.join("c.json"), dir.join("first.json")).unwrap();
    let verify = || say(dir, &["certificate", "verify", "[DIR]/first.json"]);
    assert_eq!(verify().code, 0);
    let off = ["--no-batch", "--operator", "Bo", "--out", "[DIR]/off.hold", "--started-at", "2026-03-02T11:00:00Z"];
    say(dir, &[&["run", "-q", "--serial", "HM-001", "--valve", "scratched-seat-a"], &off[..]].concat());
    let said = verify();
    assert!(said.code == 3 && said.out.contains("IT NO LONGER HOLDS"), "{}", said.out);
    refused(dir, &of("HM-001", &[]), "of which later records say more: HM-001");
    good(dir, &of("HM-001", &["--any-result"]));
    let page = read(dir, "c.html");
    assert!(
        page.contains("Since these tests") && page.contains("by Bo: it leaked, in a run that is not of this batch")
    );
    assert_eq!(data(dir)["valves"][0]["later"][0]["what"], "leak");
    // The same of a rework in another batch; a leak that was struck says nothing.
    good(dir, &["batch", "close", "--unfinished", "sold", "--operator", "Ada"]);
    good(dir, &["batch", "open", "autumn", "--serials", "HM-001", "--actuation", "air", "--dn", "25"]);
    let later = ["--operator", "Bo", "--out", "[DIR]/autumn.hold", "--started-at", "2026-03-02T12:00:00Z"];
    say(dir, &[&["run", "-q", "--serial", "HM-001", "--valve", "scratched-seat-a"], &later[..]].concat());
    good(dir, &["batch", "rework", "HM-001", "--note", "ball replaced", "--operator", "Ada", "--batch", "autumn"]);
    good(dir, &of("HM-001", &["--any-result", "--batch", "spring"]));
    assert!(read(dir, "c.html").contains("reworked in another batch by Ada: ball replaced"));
}

/// A run that was struck says what it had found; `find` lists a run that was moved to the valve.
#[test]
fn what_does_not_count_is_told_with_its_result() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    good(dir, &["batch", "strike", "3", "--note", "hose off", "--operator", "Ada"]);
    run(dir, "HM-002", "tight");
    good(dir, &of("HM-002", &[]));
    assert!(read(dir, "c.html").contains("record 3, result leaking: struck by Ada"), "{}", read(dir, "c.html"));
    good(dir, &["batch", "move", "2", "HM-003", "--note", "wrong plate", "--operator", "Ada"]);
    let found = say(dir, &["find", "--serial", "HM-003"]).out;
    assert!(found.contains("MOVED to HM-003") && found.contains("tight"), "{found}");
}

/// A selection of records may leave out a leak.
#[test]
fn a_selection_is_certified_by_choice_only() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    good(dir, &["register", "bundle", "[DIR]/tight.bundle", "--verdict", "tight", "--batch", "spring"]);
    let at = ["--register", "[DIR]/other.sqlite", "--batch", "spring"];
    assert_eq!(seathold(dir, &["register", "merge", "[DIR]/tight.bundle", "--register", "[DIR]/other.sqlite"]).code, 0);
    let other = |more: &[&str]| seathold(dir, &[&of("HM-001", more)[..], &at[..]].concat());
    let said = other(&[]);
    assert!(said.code == 2 && said.err.contains("has only a selection of its records here"), "{}", said.err);
    let said = other(&["--any-result"]);
    assert!(said.code == 0 && read(dir, "c.html").contains("made of a selection of the records"), "{}", said.err);
    assert_eq!(data(dir)["selection"], true);
}

/// Issued at one bench and verified in the office, and the other way round: the same register's records have the same names everywhere.
#[test]
fn a_certificate_holds_in_another_register_too() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    good(dir, &of("HM-001", &[]));
    let office = ["--register", "[DIR]/office.sqlite"];
    let merge = seathold(dir, &[&["register", "merge", "[DIR]/bench.sqlite"], &office[..]].concat());
    assert_eq!(merge.code, 0, "{}", merge.err);
    let said = seathold(dir, &[&["certificate", "verify", "[DIR]/c.json"], &office[..]].concat());
    assert!(said.code == 0 && said.out.contains("as it was issued"), "{}{}", said.out, said.err);
    let issued_there = [&of("HM-001", &["--batch", "spring"])[..], &office].concat();
    assert_eq!(seathold(dir, &issued_there).code, 0);
    let said = say(dir, &["certificate", "verify", "[DIR]/c.json"]);
    assert!(said.code == 6 && said.out.contains("NOT AS ISSUED"), "it is not in this register: {}", said.out);
    assert_eq!(say(dir, &["register", "merge", "[DIR]/office.sqlite"]).code, 0);
    let said = say(dir, &["certificate", "verify", "[DIR]/c.json"]);
    assert!(said.code == 0, "{}{}", said.out, said.err);
}

/// One line of SQL takes a leak away; the chain shows that something is missing, changed, or marked as what it is not.
#[test]
fn nothing_is_made_out_of_a_chain_that_is_broken() {
    for sql in [
        "DELETE FROM sides WHERE run = (SELECT id FROM runs WHERE number = 3); DELETE FROM runs WHERE number = 3",
        "UPDATE runs SET batch = NULL WHERE number = 3",
        "UPDATE runs SET duplicate = 1 WHERE number = 3",
        "DELETE FROM sides WHERE run = (SELECT id FROM runs WHERE number = 3)",
        "DELETE FROM notes WHERE kind = 'rework'",
    ] {
        let dir = tempfile::tempdir().unwrap();
        let dir = dir.path();
        tested(dir);
        good(dir, &of("HM-001", &[]));
        good(dir, &["batch", "rework", "HM-001", "--note", "new seat", "--operator", "Ada"]);
        let db = rusqlite::Connection::open(dir.join("bench.sqlite")).unwrap();
        let mut query = db.prepare("SELECT name FROM sqlite_master WHERE type = 'trigger'").unwrap();
        let triggers: Vec<String> = query.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect();
        triggers.iter().for_each(|trigger| db.execute_batch(&format!("DROP TRIGGER {trigger}")).unwrap());
        db.execute_batch(&format!("PRAGMA foreign_keys = OFF; {sql}")).unwrap();
        for typed in [of("HM-001", &["--any-result"]), vec!["certificate", "verify", "[DIR]/c.json"]] {
            let said = say(dir, &typed);
            assert!(
                said.code == 6 && said.err.contains("damaged: record "),
                "{sql}: {} {}{}",
                said.code,
                said.out,
                said.err
            );
        }
    }
}

/// Bolts tightened after the proof prove nothing; a length that is noted anew does not hide the first.
#[test]
fn what_was_done_after_the_test_is_said() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    let early = ["--operator", "Ada", "--out", "[DIR]/early.hold", "--started-at", "2026-03-02T08:00:00Z"];
    say(dir, &[&["run", "-q", "--serial", "HM-003", "--valve", "tight"], &early[..]].concat());
    let list: String = (0..6).map(|i| format!("F{i},{}\n", 29.9 + 0.05 * f64::from(i))).collect();
    std::fs::write(dir.join("f.csv"), format!("fitting,length\n{list}")).unwrap();
    let ada = ["--operator", "Ada"];
    let valves = ["--nominal", "120 mm", "--tolerance", "0.3 mm", "--body-length", "60.0 mm", "--body-u", "0.01 mm"];
    let known = ["--gauge-u", "0.01 mm", "--repeat-u", "0.01 mm"];
    good(dir, &[&["pair", "[DIR]/f.csv", "--keep"], &valves[..], &known, &ada].concat());
    good(dir, &of("HM-003", &[]));
    let page = read(dir, "c.html");
    assert!(page.contains("Length required") && page.contains("not measured"), "{page}");
    std::fs::write(dir.join("steps.toml"), "[[step]]\nname = \"bolts\"\ntext = \"Bolts\"\n").unwrap();
    good(dir, &[&["assembly", "steps", "[DIR]/steps.toml"], &ada[..]].concat());
    good(dir, &[&["assembly", "tick", "bolts", "--all"], &ada[..]].concat());
    for length in ["120.6 mm", "120.0 mm"] {
        good(dir, &[&["assembly", "bolt", "HM-003", "--length", length, "--length-checked"], &ada[..]].concat());
    }
    good(dir, &of("HM-003", &[]));
    let page = read(dir, "c.html");
    for text in [
        "DONE AFTER THE TEST: bolts",
        "BOLTED UP AFTER THE TEST",
        "noted before: 120.600 mm",
        "k = 2",
        "or after the test",
    ] {
        assert!(page.contains(text), "{text}: {page}");
    }
}

/// What nobody sees is not there for a program either; a file that is empty is no certificate; a number is not used up for nothing.
#[test]
fn hidden_texts_empty_files_and_one_file_for_two() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    let ada = ["--operator", "Ada"];
    for (text, code) in
        [("a\u{202e}b", "U+202E"), ("\u{3164}", "U+3164"), ("a\u{200b}", "U+200B"), ("x\u{e0041}", "U+E0041")]
    {
        let typed = [&["batch", "order", "--remark", text], &ada[..]].concat();
        refused(dir, &typed, &format!("Remark: has the character {code}"));
        std::fs::write(dir.join("bad.toml"), format!("name = \"{text}\"\n")).unwrap();
        let typed =
            ["certificate", "issue", "HM-001", "--shop", "[DIR]/bad.toml", "--operator", "Ada", "-o", "[DIR]/x.html"];
        refused(dir, &typed, &format!("line 1: name: has the character {code}"));
    }
    std::fs::write(dir.join("empty.json"), "\n\n").unwrap();
    refused(dir, &["certificate", "verify", "[DIR]/empty.json"], "it is empty, and holds no certificate");
    refused(dir, &issue(&["HM-001", "-o", "[DIR]/y.pdf", "--data", "[DIR]/y.pdf"]), "the page is to be written there");
    std::fs::write(dir.join("shop.toml"), "name = \"A\"\ncertificate_prefix = \"-x\"\n").unwrap();
    refused(dir, &of("HM-001", &[]), "the first no hyphen");
    assert!(issued(dir).is_empty());
}

/// A leak that was moved away to another valve is told like one that was struck.
#[test]
fn a_run_that_was_moved_away_is_told() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    good(dir, &["batch", "set-aside", "HM-003", "--note", "scrap", "--operator", "Ada"]);
    good(dir, &["batch", "move", "3", "HM-003", "--note", "mixed up", "--operator", "Ada"]);
    run(dir, "HM-002", "tight");
    good(dir, &of("HM-002", &[]));
    let page = read(dir, "c.html");
    assert!(page.contains("record 3, result leaking: HM-003 was on the rig; moved there by Ada"), "{page}");
}

/// Where the register is at hand, a signature that holds is not all that is said.
#[test]
fn a_signature_holds_and_the_certificate_does_not() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    good(dir, &["register", "key", "--operator", "Ada"]);
    good(dir, &of("HM-001", &[]));
    good(dir, &issue(&["HM-001", "-o", "[DIR]/c.pdf"]));
    let verify = || say(dir, &["certificate", "verify", "[DIR]/c.pdf", "--key", "[DIR]/bench.sqlite.key.pub"]);
    assert!(verify().code == 0 && verify().out.contains("as it was issued"), "{}", verify().out);
    // The same as a page for screens, which says by which key.
    let number = issued(dir)[1]["certificate"].as_str().unwrap().to_owned();
    good(dir, &["certificate", "again", &number, "--shop", "[DIR]/shop.toml", "-o", "[DIR]/again.html"]);
    assert!(read(dir, "again.html").contains("fingerprint"));
    good(dir, &["batch", "rework", "HM-001", "--note", "new seat", "--operator", "Ada"]);
    let said = verify();
    assert!(
        said.code == 3 && said.out.contains("signed with the key") && said.out.contains("NO LONGER HOLDS"),
        "{}",
        said.out
    );
    // A page for screens keeps no signature, and a draft has none.
    let typed = issue(&["HM-002", "--any-result", "-o", "[DIR]/d.html", "--sign", "[DIR]/bench.sqlite.key"]);
    refused(dir, &typed, "--sign: a signature is kept in a PDF");
    good(dir, &issue(&["HM-002", "--any-result", "-o", "[DIR]/d.html"]));
    assert!(!read(dir, "d.html").contains("fingerprint"));
    good(dir, &issue(&["HM-002", "--any-result", "--draft", "-o", "[DIR]/e.html", "--data", "[DIR]/e.json"]));
    assert!(!read(dir, "e.html").contains("fingerprint"));
}
