//! There and back: what benches sent is in the office's register as it was sealed, once, and the commands work on it.

use std::time::{Duration, Instant};

use seathold_register::{Access, Register};
use seathold_tests::cli_kit::seathold;
use seathold_tests::office_kit::Server;

use crate::bench::{bench, pull, push, run, said, seals, verify};

#[test]
fn benches_come_together_in_the_office() {
    let Some(server) = Server::shared() else { return };
    let base = server.office("together", &["one", "two"]);
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    bench(dir, "one", 1..6);
    bench(dir, "two", 10..13);
    let first = push(&base, dir, "one", "one", 0);
    assert!(first.ends_with(": 5 runs and 3 notes sent, 0 already there\n"), "{first}");
    // Two at once, each in its place.
    std::thread::scope(|scope| {
        for _ in 0..2 {
            scope.spawn(|| push(&base, dir, "two", "two", 0));
        }
    });
    let verified = verify(&base, 0);
    assert!(verified.contains("bench one: 8 records valid, head "), "{verified}");
    assert!(verified.contains("bench two: 6 records valid, head "), "{verified}");
    let pulled = pull(&base, dir, "reader", "office", 0);
    assert!(pulled.contains("8 runs and 6 notes added"), "{pulled}");
    let mut all = seals(dir, "one");
    all.extend(seals(dir, "two"));
    all.sort();
    assert_eq!(seals(dir, "office"), all);
    let again = pull(&base, dir, "reader", "office", 0);
    assert!(again.contains("0 runs and 0 notes added"), "{again}");
    // The office works on it as a bench does, and comes to the same.
    let at = ["--register", "[DIR]/office.sqlite"];
    said(&base, dir, &[&["register", "verify", "--replay"][..], &at].concat(), 0);
    let status = |register: &str| {
        let register = format!("[DIR]/{register}.sqlite");
        let said = seathold(dir, &["batch", "status", "--batch", "one", "--register", &register]);
        // Names of records are longer where they are another bench's.
        let whole = |line: &str| line.split("(record").next().unwrap_or_default().to_owned();
        said.out.lines().filter(|line| line.contains("HM-")).map(whole).collect::<Vec<_>>()
    };
    assert_eq!((status("office").len(), status("office")), (6, status("one")));
    let found = said(&base, dir, &[&["find", "--serial", "HM-000001"][..], &at].concat(), 0);
    assert!(found.contains("new seat — Dichtung"), "{found}");
    said(&base, dir, &[&["report", "--batch", "two", "-o", "[DIR]/page.html"][..], &at].concat(), 0);
    let one = Register::open(&dir.join("one.sqlite"), Access::Read).unwrap();
    let short = format!("{}/", one.bench().rsplit('-').next().unwrap());
    let judged_again = |name: &str| {
        let words = ["rejudge", "--batch", "one", "--limit", "5 mm3/s", "--register", &format!("[DIR]/{name}.sqlite")];
        // Names of records are longer where they are another bench's.
        said(&base, dir, &words, 0).replace(&short, "")
    };
    assert!(judged_again("one").contains("5 runs, 5 sides re-evaluated"));
    assert_eq!(judged_again("office"), judged_again("one"));
    let table = |name: &str| {
        let (register, out) = (format!("[DIR]/{name}.sqlite"), format!("[DIR]/{name}.csv"));
        said(&base, dir, &["export", "--batch", "one", "--sides", &out, "--register", &register], 0);
        std::fs::read_to_string(dir.join(format!("{name}.csv"))).unwrap()
    };
    assert!(table("one").lines().count() == 6 && table("one") == table("office"), "{}", table("office"));
    // A bench that may read has the other's records too.
    base.sql("GRANT seathold_office TO together_one");
    let other = pull(&base, dir, "one", "one", 0);
    assert!(other.contains("3 runs and 3 notes added"), "{other}");
    assert_eq!(seals(dir, "one"), all);
    // Only its own are sent.
    let own = push(&base, dir, "one", "one", 0);
    assert!(own.ends_with(": 0 runs and 0 notes sent, 8 already there\n"), "{own}");
}

#[test]
fn a_push_of_nothing_new_sends_nothing_and_is_quick() {
    let Some(mut server) = Server::start() else { return };
    {
        let base = server.office("quick", &["one"]);
        let dir = tempfile::tempdir().unwrap();
        let dir = dir.path();
        let path = bench(dir, "one", 1..250);
        push(&base, dir, "one", "one", 0);
        let heads = base.sql("SELECT count(*) FROM seathold.heads");
        base.sql("CHECKPOINT");
        let written = base.written();
        let mut quickest = Duration::MAX;
        for _ in 0..5 {
            let began = Instant::now();
            let said = push(&base, dir, "one", "one", 0);
            quickest = quickest.min(began.elapsed());
            assert!(said.ends_with(": 0 runs and 0 notes sent, 252 already there\n"), "{said}");
        }
        // A checkpoint and what the server notes of itself are a few hundred bytes; a record would be thousands.
        assert!(base.written() - written < 4_000, "{} bytes were written", base.written() - written);
        assert_eq!(base.sql("SELECT count(*) FROM seathold.heads"), heads);
        // Proving that it knows the password takes most of that in a program that was not optimised.
        let most = Duration::from_millis(if cfg!(debug_assertions) { 400 } else { 100 });
        assert!(quickest < most, "{quickest:?}");
        // One more is one more.
        run(&mut Register::open(&path, Access::Write).unwrap(), None, 900_000);
        let said = push(&base, dir, "one", "one", 0);
        assert!(said.ends_with(": 1 run and 0 notes sent, 252 already there\n"), "{said}");
    }
    server.kill();
}

/// A run of a batch that another bench opened waits for that bench, and is in no quarantine.
#[test]
fn a_run_waits_for_the_bench_that_opened_its_batch() {
    let Some(server) = Server::shared() else { return };
    let base = server.office("later", &["one", "two"]);
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let one = bench(dir, "one", 1..4);
    let two = bench(dir, "two", 10..12);
    let mut register = Register::open(&two, Access::Write).unwrap();
    register.merge(&one, crate::bench::now()).unwrap();
    let batch = register.batch_named("one").unwrap().batch;
    run(&mut register, Some(&batch), 2_000);
    run(&mut register, None, 2_001);
    push(&base, dir, "two", "two", 0);
    let early = pull(&base, dir, "reader", "office", 0);
    assert!(early.contains("2 runs and 3 notes added"), "{early}");
    assert!(early.contains("bench two: records from 6 on wait"), "{early}");
    push(&base, dir, "one", "one", 0);
    let late = pull(&base, dir, "reader", "office", 0);
    assert!(late.contains("5 runs and 3 notes added") && !late.contains("wait"), "{late}");
    let info = said(&base, dir, &["register", "info", "--register", "[DIR]/office.sqlite"], 0);
    assert!(!info.contains("selection") && !info.contains("quarantine"), "{info}");
}

/// What the gate refuses does not come in by this way either.
#[test]
fn the_gate_is_the_same() {
    let Some(server) = Server::shared() else { return };
    let base = server.office("gate", &["one"]);
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    bench(dir, "one", 1..3);
    // A bench that is not what it says: its columns call another verdict than its recording, and are sealed so.
    let db = rusqlite::Connection::open(dir.join("one.sqlite")).unwrap();
    db.execute_batch(
        "DROP TRIGGER notes_stay; UPDATE notes SET operator = 'Ada' || char(27) || '[2J' WHERE number = 4",
    )
    .unwrap();
    let number_4: (Vec<rusqlite::types::Value>, String) = db
        .query_row("SELECT bench, number, kind, batch, serial, about, operator, written_at, text, previous FROM notes WHERE number = 4", [], |row| {
            Ok(((0..10).map(|at| row.get(at)).collect::<Result<_, _>>()?, String::new()))
        })
        .unwrap();
    let seal = seal("note", &number_4.0);
    db.execute("UPDATE notes SET seal = ?1 WHERE number = 4", [&seal]).unwrap();
    db.execute("UPDATE notes SET previous = ?1 WHERE number = 5", [&seal]).unwrap();
    let last: Vec<rusqlite::types::Value> = db
        .query_row("SELECT bench, number, kind, batch, serial, about, operator, written_at, text, previous FROM notes WHERE number = 5", [], |row| {
            (0..10).map(|at| row.get(at)).collect()
        })
        .unwrap();
    let end = self::seal("note", &last);
    db.execute("UPDATE notes SET seal = ?1 WHERE number = 5", [&end]).unwrap();
    db.execute("UPDATE benches SET seal = ?1", [&end]).unwrap();
    db.execute_batch(
        "CREATE TRIGGER notes_stay BEFORE UPDATE ON notes BEGIN SELECT RAISE(ABORT, 'notes are never changed'); END",
    )
    .unwrap();
    drop(db);
    push(&base, dir, "one", "one", 0);
    verify(&base, 0);
    let pulled = pull(&base, dir, "reader", "office", 6);
    assert!(pulled.contains("2 runs and 2 notes added, 1 quarantined"), "{pulled}");
    let list = said(&base, dir, &["register", "quarantine", "list", "--register", "[DIR]/office.sqlite"], 0);
    assert!(list.contains("control characters") && list.contains("postgres://gate_reader@127.0.0.1"), "{list}");
}

/// The seal of `docs/register.md`, written a second time.
fn seal(word: &str, values: &[rusqlite::types::Value]) -> String {
    use rusqlite::types::Value;
    use sha2::Digest;
    let mut text = format!("{}:{word},", word.len());
    for value in values {
        text += &match value {
            Value::Null => "-,".to_owned(),
            Value::Integer(n) => format!("{}:{n},", n.to_string().len()),
            Value::Text(t) => format!("{}:{t},", t.len()),
            other => panic!("{other:?}"),
        };
    }
    sha2::Sha256::digest(text.as_bytes()).iter().map(|byte| format!("{byte:02x}")).collect()
}
