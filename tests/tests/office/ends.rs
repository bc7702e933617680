//! Forks, ends that were cut off, and rows changed by somebody who may do everything.

use seathold_register::{Access, Register};
use seathold_tests::cli_kit::seathold;
use seathold_tests::office_kit::{Base, Server};

use crate::bench::{bench, pull, push, run, said, seals, verify};

/// A bench restored from a backup that went on is seen at the push, named, and not merged.
#[test]
fn a_fork_is_seen_and_named() {
    let Some(server) = Server::shared() else { return };
    let base = server.office("fork", &["one"]);
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let path = bench(dir, "one", 1..8);
    std::fs::copy(&path, dir.join("copy.sqlite")).unwrap();
    let append = |name: &str, serials: std::ops::Range<u32>| {
        let mut register = Register::open(&dir.join(format!("{name}.sqlite")), Access::Write).unwrap();
        serials.for_each(|n| run(&mut register, None, n));
    };
    append("one", 100..105);
    push(&base, dir, "one", "one", 0);
    let before = base.sql("SELECT count(*), max(seal) FROM seathold.records");
    // Restored, and not gone on with: the office is ahead.
    let behind = push(&base, dir, "one", "copy", 6);
    assert!(behind.contains("has records to 15 of bench one") && behind.contains("ends at 10"), "{behind}");
    // The records that are missing come back, before anything is tested with it.
    std::fs::copy(dir.join("copy.sqlite"), dir.join("restored.sqlite")).unwrap();
    base.sql("GRANT seathold_office TO fork_one");
    let back = pull(&base, dir, "one", "restored", 0);
    assert!(back.contains("5 runs and 0 notes added"), "{back}");
    assert_eq!(seals(dir, "restored"), seals(dir, "one"));
    append("restored", 300..301);
    // Gone on with: two chains with one beginning, shorter and longer.
    append("copy", 200..202);
    let forked = push(&base, dir, "one", "copy", 6);
    assert!(
        forked.contains("bench one has another record 11 here than in") && forked.contains("Nothing was sent"),
        "{forked}"
    );
    append("copy", 202..210);
    let forked = push(&base, dir, "one", "copy", 6);
    assert!(forked.contains("bench one has another record 11 here than in"), "{forked}");
    let forked = pull(&base, dir, "one", "copy", 6);
    assert!(forked.contains("bench one has another record 11 here than in"), "{forked}");
    assert_eq!(base.sql("SELECT count(*), max(seal) FROM seathold.records"), before);
    // Verifying the office against that register says the same.
    let words = ["register", "verify", &base.address("reader"), "--register", "[DIR]/copy.sqlite"];
    assert!(said(&base, dir, &words, 6).contains("is another than in"));
    // The true one goes on.
    push(&base, dir, "one", "restored", 0);
    verify(&base, 0);
}

/// Two copies of one bench that push at the same moment: one chain, and the other is told.
#[test]
fn two_copies_at_once_become_no_mixture() {
    let Some(server) = Server::shared() else { return };
    let base = server.office("race", &["one"]);
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let path = bench(dir, "one", 1..3);
    push(&base, dir, "one", "one", 0);
    for (name, serials) in [("left", 100..400), ("right", 500..800)] {
        let copy = dir.join(format!("{name}.sqlite"));
        std::fs::copy(&path, &copy).unwrap();
        let mut register = Register::open(&copy, Access::Write).unwrap();
        serials.for_each(|n| run(&mut register, None, n));
    }
    let codes = std::thread::scope(|scope| {
        let one = |name: &'static str| {
            let (base, dir) = (&base, dir);
            scope.spawn(move || {
                let register = format!("[DIR]/{name}.sqlite");
                base.seathold(dir, &["register", "push", &base.address("one"), "--register", &register]).code
            })
        };
        let (left, right) = (one("left"), one("right"));
        [left.join().unwrap(), right.join().unwrap()]
    });
    assert!(codes == [0, 6] || codes == [6, 0], "{codes:?}");
    verify(&base, 0);
    assert_eq!(base.sql("SELECT count(*) FROM seathold.records"), "305");
}

/// Does SQL that the guards refuse, as somebody who takes them off and puts them on again.
fn tamper(base: &Base<'_>, text: &str) {
    let kept = ["records", "runs", "sides", "notes", "recordings", "recipes", "rigs", "calibrations", "heads"];
    let all =
        |word: &str| kept.map(|table| format!("ALTER TABLE seathold.{table} {word} TRIGGER {table}_stay;")).concat();
    base.sql(&format!("{} {text}; {}", all("DISABLE"), all("ENABLE")));
}

#[test]
fn every_change_is_found() {
    let Some(server) = Server::shared() else { return };
    let base = server.office("changed", &["one"]);
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    bench(dir, "one", 1..8);
    push(&base, dir, "one", "one", 0);
    pull(&base, dir, "reader", "office", 0);
    let number = "number = 4";
    let note = "number = 9";
    let cases = [
        (format!("UPDATE seathold.runs SET verdict = 'leaking' WHERE {number}"), "/4 was altered"),
        (format!("UPDATE seathold.runs SET limit_pa_m3_s = limit_pa_m3_s * 1.0000000001 WHERE {number}"), "/4 was altered"),
        (format!("UPDATE seathold.sides SET leak_pa_m3_s = 0 WHERE {number}"), "/4 was altered"),
        (format!("DELETE FROM seathold.sides WHERE {number}"), "/4 was altered"),
        (format!("UPDATE seathold.notes SET text = 'nothing' WHERE {note}"), "/9 was altered"),
        (format!("UPDATE seathold.records SET seal = previous WHERE {number}"), "/4 was altered"),
        (format!("UPDATE seathold.records SET previous = seal WHERE {number}"), "/4 was altered"),
        (format!("DELETE FROM seathold.records WHERE {number}"), "/4 is missing"),
        (format!("DELETE FROM seathold.runs WHERE {number}"), "/4 is missing"),
        ("DELETE FROM seathold.recordings WHERE sha256 = (SELECT recording FROM seathold.runs WHERE number = 4)".into(), "/4 has lost its recording"),
        ("UPDATE seathold.recordings SET bytes = set_byte(bytes, 100, get_byte(bytes, 100) # 1) WHERE sha256 = (SELECT recording FROM seathold.runs WHERE number = 4)".into(), "/4 has a recording that was altered"),
        ("UPDATE seathold.recipes SET json = json || ' '".into(), "has a recipe, rig or calibration that was altered"),
        ("DELETE FROM seathold.rigs".into(), "has lost its recipe, rig or calibration"),
        // The end cut off, with everything of it but the head that was kept.
        ("DELETE FROM seathold.records WHERE number > 7; DELETE FROM seathold.notes WHERE number > 7; DELETE FROM seathold.runs WHERE number > 7".into(), "to 10 are missing from the end of the chain"),
        ("DELETE FROM seathold.notes WHERE number = 10".into(), "/10 has lost its content"),
        ("INSERT INTO seathold.notes SELECT bench, 77, kind, batch, serial, about, operator, written_at, text FROM seathold.notes LIMIT 1".into(), "stands in no chain"),
        ("ALTER TABLE seathold.runs DISABLE TRIGGER runs_stay; CREATE TABLE seathold.x ()".into(), ""),
    ];
    base.sql("CREATE SCHEMA kept");
    for table in ["records", "runs", "sides", "notes", "recordings", "recipes", "rigs", "calibrations", "heads"] {
        base.sql(&format!("CREATE TABLE kept.{table} AS TABLE seathold.{table}"));
    }
    for (text, found) in cases.iter().filter(|(_, found)| !found.is_empty()) {
        tamper(&base, text);
        let said = verify(&base, 6);
        assert!(said.contains(found), "{text}: {said}");
        let restore: String =
            ["records", "runs", "sides", "notes", "recordings", "recipes", "rigs", "calibrations", "heads"]
                .map(|table| {
                    format!("DELETE FROM seathold.{table}; INSERT INTO seathold.{table} SELECT * FROM kept.{table};")
                })
                .concat();
        tamper(&base, &restore);
        verify(&base, 0);
    }
    // Guards that were taken off.
    base.sql("ALTER TABLE seathold.runs DISABLE TRIGGER runs_stay");
    assert!(verify(&base, 6).contains("table runs is not guarded"));
    base.sql(
        "ALTER TABLE seathold.runs ENABLE TRIGGER runs_stay; ALTER TABLE seathold.notes DISABLE ROW LEVEL SECURITY",
    );
    assert!(verify(&base, 6).contains("table notes is not guarded"));
    base.sql("ALTER TABLE seathold.notes ENABLE ROW LEVEL SECURITY");
    // Cut off with its heads: by itself the rest is whole. The office's own register has the end, and a head on a report.
    let head = base.sql("SELECT seal FROM seathold.records WHERE number = 10");
    let cut =
        ["records", "runs", "sides", "notes", "heads"].map(|t| format!("DELETE FROM seathold.{t} WHERE number > 7;"));
    tamper(
        &base,
        &(cut.concat()
            + "INSERT INTO seathold.heads (bench, number, seal) SELECT bench, number, seal FROM seathold.records WHERE number = 7"),
    );
    verify(&base, 0);
    let words = ["register", "verify", &base.address("reader"), "--register", "[DIR]/office.sqlite"];
    let said_so = said(&base, dir, &words, 6);
    assert!(said_so.contains("/8 to 10 are in [DIR]/office.sqlite and not here"), "{said_so}");
    let words = ["register", "verify", &base.address("reader"), "--head", &head, "--register", "[DIR]/one.sqlite"];
    let said_so = said(&base, dir, &words, 6);
    assert!(
        said_so.contains("3 more in [DIR]/one.sqlite not sent yet") && said_so.contains("is in no chain here"),
        "{said_so}"
    );
    // The bench has it all, and sends it again.
    push(&base, dir, "one", "one", 0);
    assert!(seathold(dir, &["register", "verify", "--register", "[DIR]/one.sqlite"]).code == 0);
    let words = ["register", "verify", &base.address("reader"), "--head", &head, "--register", "[DIR]/office.sqlite"];
    assert!(said(&base, dir, &words, 0).contains("is record "));
}

/// Records that the server has lost, as after a restore of its own, are sent again and named.
#[test]
fn what_the_office_lost_is_sent_again() {
    let Some(server) = Server::shared() else { return };
    let base = server.office("lost", &["one"]);
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    bench(dir, "one", 1..8);
    push(&base, dir, "one", "one", 0);
    let cut = ["records", "runs", "sides", "notes"].map(|t| format!("DELETE FROM seathold.{t} WHERE number > 7;"));
    tamper(&base, &cut.concat());
    let again = push(&base, dir, "one", "one", 0);
    assert!(
        again.contains("1 run and 2 notes sent, 7 already there; 3 of them had been there and were lost"),
        "{again}"
    );
    verify(&base, 0);
}
