//! What was done to the file itself: tables, indexes and triggers that are not ours, and writes that were swallowed.

use std::path::Path;

use rusqlite::Connection;
use seathold_tests::cli_kit::{Said, recorded, seathold};

const AT: [&str; 2] = ["--register", "[DIR]/bench.sqlite"];

fn say(dir: &Path, arguments: &[&str]) -> Said {
    seathold(dir, &[arguments, &AT[..]].concat())
}

/// A tight and a leaking valve of a batch.
fn two(dir: &Path) {
    assert_eq!(say(dir, &["batch", "open", "spring", "--serials", "HM-001..HM-002"]).code, 0);
    for (serial, more) in [("HM-001", &[][..]), ("HM-002", &["--seat-a", "20 mm3/s"])] {
        let file = recorded(dir, &format!("{serial}.hold"), &[&["--serial", serial], more].concat());
        let said = say(dir, &["register", "import", file.to_str().unwrap(), "--batch", "spring"]);
        assert_eq!(said.code, 0, "{}", said.err);
    }
}

fn database(dir: &Path) -> Connection {
    Connection::open(dir.join("bench.sqlite")).unwrap()
}

/// Each of these, done by hand, hides a leak from some query, or will swallow or change a record later.
#[test]
fn what_was_added_to_the_file_or_taken_from_it_is_named() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    two(dir);
    assert_eq!(say(dir, &["register", "verify"]).code, 0);
    let path = dir.join("bench.sqlite");
    let whole = std::fs::read(&path).unwrap();
    for (sql, what) in [
        ("CREATE TRIGGER more BEFORE INSERT ON runs BEGIN SELECT RAISE(IGNORE); END", "trigger more was added"),
        ("DROP TRIGGER runs_stay", "trigger runs_stay is missing"),
        ("CREATE INDEX more ON runs (serial) WHERE verdict <> 'leaking'", "index more was added"),
        ("CREATE VIEW runs_now AS SELECT * FROM runs WHERE verdict = 'tight'", "view runs_now was added"),
        ("DROP INDEX runs_batch", "index runs_batch is missing"),
        (
            "DROP TRIGGER sides_stay; CREATE TRIGGER sides_stay BEFORE UPDATE ON sides BEGIN SELECT 1; END",
            "sides_stay is not",
        ),
        ("ALTER TABLE valves ADD COLUMN more TEXT", "table valves is not"),
        // An index without the leaks, said to be whole.
        (
            "DROP INDEX runs_batch; CREATE INDEX runs_batch ON runs (batch, serial) WHERE verdict <> 'leaking'; \
             PRAGMA writable_schema = ON; UPDATE sqlite_schema SET sql = 'CREATE INDEX runs_batch ON runs (batch, serial)' \
             WHERE name = 'runs_batch'",
            "runs_batch",
        ),
    ] {
        for beside in ["bench.sqlite-wal", "bench.sqlite-shm"] {
            let _ = std::fs::remove_file(dir.join(beside));
        }
        std::fs::write(&path, &whole).unwrap();
        database(dir).execute_batch(sql).unwrap();
        let said = say(dir, &["register", "verify"]);
        assert!(said.code == 6 && said.out.contains(what), "{sql}: {} {}{}", said.code, said.out, said.err);
    }
}

/// A run that is said to be in the register is in it.
#[test]
fn a_write_that_was_swallowed_is_no_write() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    two(dir);
    let path = dir.join("bench.sqlite");
    let whole = std::fs::read(&path).unwrap();
    for sql in [
        "CREATE TRIGGER more BEFORE INSERT ON runs BEGIN SELECT RAISE(IGNORE); END",
        "CREATE TRIGGER more BEFORE INSERT ON sides BEGIN SELECT RAISE(IGNORE); END",
        "CREATE TRIGGER more BEFORE INSERT ON recordings BEGIN SELECT RAISE(IGNORE); END",
        "CREATE TRIGGER more BEFORE INSERT ON recipes BEGIN SELECT RAISE(IGNORE); END; \
         DROP TRIGGER recipes_keep; PRAGMA foreign_keys = OFF; DELETE FROM recipes",
        "CREATE TRIGGER more BEFORE UPDATE ON benches BEGIN SELECT RAISE(IGNORE); END",
        "DROP TRIGGER runs_keep; CREATE TRIGGER more AFTER INSERT ON runs WHEN new.verdict = 'leaking' \
         BEGIN DELETE FROM runs WHERE id = new.id; END",
        "DROP TRIGGER runs_stay; CREATE TRIGGER more AFTER INSERT ON runs \
         BEGIN UPDATE runs SET verdict = 'tight' WHERE id = new.id; END",
    ] {
        for beside in ["bench.sqlite-wal", "bench.sqlite-shm"] {
            let _ = std::fs::remove_file(dir.join(beside));
        }
        std::fs::write(&path, &whole).unwrap();
        database(dir).execute_batch(sql).unwrap();
        let _ = std::fs::remove_file(dir.join("c.hold"));
        let run =
            ["run", "-q", "--serial", "HM-003", "--seat-a", "20 mm3/s", "--sides", "first", "--out", "[DIR]/c.hold"];
        let said = say(dir, &run);
        assert!(said.code == 6 && said.err.contains("not in the register"), "{sql}: {} {}", said.code, said.err);
        let runs: i64 = database(dir).query_row("SELECT count(*) FROM runs", [], |row| row.get(0)).unwrap();
        assert_eq!(runs, 2, "{sql}");
    }
}

/// A head written down proves that the chain still contains it: one built anew does not.
#[test]
fn an_earlier_head_is_held_against_the_register() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    two(dir);
    let said = say(dir, &["register", "verify"]);
    let (_, head) = said.out.trim_end().rsplit_once("head ").unwrap();
    assert_eq!(head.len(), 64, "{}", said.out);
    let page = || {
        say(dir, &["report", "--batch", "spring", "-o", "[DIR]/page.html"]);
        std::fs::read_to_string(dir.join("page.html")).unwrap()
    };
    assert!(page().contains(head) && page().contains("3 records"));
    let run = ["run", "-q", "--serial", "HM-003", "--sides", "first", "--out", "[DIR]/c.hold"];
    assert_eq!(say(dir, &run).code, 0);
    let held = |head: &str| say(dir, &["register", "verify", "--head", head]);
    assert_eq!(held(head).code, 0, "{}", held(head).out);
    assert!(held(head).out.contains("record 3"), "{}", held(head).out);
    assert_eq!(held(&head[..16]).code, 0);
    assert_eq!(held("beef").code, 2);
    // Made anew from the same recordings: valid in itself.
    for name in ["bench.sqlite", "HM-001.hold", "HM-002.hold"] {
        std::fs::remove_file(dir.join(name)).unwrap();
    }
    two(dir);
    assert_eq!(say(dir, &["register", "verify"]).code, 0);
    let said = held(head);
    assert!(said.code == 6 && said.out.contains("is in no chain here"), "{} {}", said.code, said.out);
    assert!(!page().contains(head));
}

/// A file of an older version is read as it is, and becomes one of today's when it is written to.
#[test]
fn a_file_of_an_older_version_is_read_and_goes_on() {
    // Each version only added tables or indexes.
    let to_2 = "DROP TABLE signatures; DROP INDEX notes_about; PRAGMA user_version = 2";
    let to_1 = "DROP TABLE signatures; DROP INDEX notes_about; DROP TABLE quarantine; DROP TABLE claims; \
                PRAGMA user_version = 1";
    let to_3 = "DROP TABLE signatures; PRAGMA user_version = 3";
    for (older, back) in [(1, to_1), (2, to_2), (3, to_3)] {
        let dir = tempfile::tempdir().unwrap();
        let dir = dir.path();
        two(dir);
        database(dir).execute_batch(back).unwrap();
        for read in [&["register", "verify"][..], &["register", "info"], &["find"], &["register", "quarantine", "list"]]
        {
            let said = say(dir, read);
            assert_eq!(said.code, 0, "{read:?}: {}{}", said.out, said.err);
        }
        let version = || database(dir).pragma_query_value(None, "user_version", |row| row.get::<_, i64>(0)).unwrap();
        assert_eq!(version(), older);
        assert_eq!(say(dir, &["batch", "remark", "HM-001", "--note", "stiff", "--operator", "Ada"]).code, 0);
        assert_eq!(version(), 4);
        assert_eq!(say(dir, &["register", "verify"]).code, 0);
    }
}
