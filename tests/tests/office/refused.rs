//! What the office refuses: changes, other benches' rows, strangers; and what is said of it, never with a password.

use std::path::Path;

use seathold::environment::Environment;
use seathold_tests::cli_kit::seathold_with;
use seathold_tests::office_kit::{PASSWORD, Server};

use crate::bench::{bench, push, said, verify};

#[test]
fn nothing_that_was_written_is_changed() {
    let Some(server) = Server::shared() else { return };
    let base = server.office("stay", &["one"]);
    let dir = tempfile::tempdir().unwrap();
    bench(dir.path(), "one", 1..4);
    push(&base, dir.path(), "one", "one", 0);
    for table in ["records", "runs", "sides", "notes", "recordings", "recipes", "rigs", "calibrations", "heads"] {
        for text in [
            format!("UPDATE seathold.{table} SET bench = 'x'"),
            format!("DELETE FROM seathold.{table}"),
            format!("TRUNCATE seathold.{table} CASCADE"),
        ] {
            // The owner is stopped by the trigger, everybody else has no right to begin with.
            let why = base.sql_as("keeper", &text).unwrap_err();
            assert!(why.contains("are never changed or deleted"), "{text}: {why}");
            for login in ["one", "reader"] {
                let why = base.sql_as(login, &text).unwrap_err();
                assert!(why.contains("permission denied"), "{text} by {login}: {why}");
            }
        }
    }
    for text in ["DELETE FROM seathold.benches", "TRUNCATE seathold.benches CASCADE"] {
        assert!(base.sql_as("keeper", text).unwrap_err().contains("are never changed or deleted"));
    }
    let why = base.sql_as("one", "UPDATE seathold.benches SET role = 'stay_reader'").unwrap_err();
    assert!(why.contains("permission denied"), "{why}");
    verify(&base, 0);
}

#[test]
fn a_bench_writes_and_reads_only_what_is_its_own() {
    let Some(server) = Server::shared() else { return };
    let base = server.office("own", &["one", "two"]);
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    bench(dir, "one", 1..4);
    bench(dir, "two", 10..12);
    push(&base, dir, "one", "one", 0);
    push(&base, dir, "two", "two", 0);
    let count = "SELECT count(*) FROM seathold.records";
    assert_eq!(base.sql_as("one", count).unwrap(), "6");
    assert_eq!(base.sql_as("two", count).unwrap(), "5");
    assert_eq!(base.sql_as("reader", count).unwrap(), "11");
    // Another's login may not go on with a chain.
    let why = push(&base, dir, "two", "one", 6);
    assert!(why.contains("bench one (") && why.contains("belongs to another login there"), "{why}");
    let bench = base.sql("SELECT bench FROM seathold.benches WHERE name = 'one'");
    let forged = format!(
        "INSERT INTO seathold.records (bench, number, word, previous, seal) SELECT bench, 7, 'note', '{}', 'x' FROM (SELECT '{bench}' AS bench) b",
        base.sql("SELECT seal FROM seathold.records r JOIN seathold.benches b USING (bench) WHERE b.name = 'one' AND number = 6")
    );
    let why = base.sql_as("two", &forged).unwrap_err();
    assert!(why.contains("row-level security"), "{why}");
    // Nor write who it is, or when it was.
    let why = base.sql_as("one", "INSERT INTO seathold.benches (bench, name, role) VALUES ('b', 'b', 'own_two')");
    assert!(why.unwrap_err().contains("permission denied"));
    // Not even its own login puts a record where it does not follow.
    let gap = forged.replace(", 7, 'note'", ", 9, 'note'");
    assert!(base.sql_as("one", &gap).unwrap_err().contains("does not follow the record before it"));
    // A pull by a login that reads only its own says so, and is no empty success.
    let why = said(&base, dir, &["register", "pull", &base.address("one"), "--register", "[DIR]/x.sqlite"], 6);
    assert!(why.contains("GRANT seathold_office"), "{why}");
    let mine = said(&base, dir, &["register", "verify", &base.address("one"), "--register", "[DIR]/one.sqlite"], 0);
    assert!(mine.contains("bench one: 6 records valid") && mine.contains("were not checked"), "{mine}");
}

#[test]
fn mistakes_are_said_clearly_and_without_the_password() {
    let Some(server) = Server::shared() else { return };
    let base = server.office("wrong", &["one"]);
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    bench(dir, "one", 1..2);
    let nobody = Environment::default().with("HOME", dir.to_str().unwrap());
    let try_it = |address: &str, environment: &Environment| {
        let words = ["register", "push", address, "--register", "[DIR]/one.sqlite"];
        let said = seathold_with(dir, &words, environment);
        assert!(!said.err.contains(PASSWORD) && !said.out.contains(PASSWORD), "{}{}", said.out, said.err);
        (said.code, said.err)
    };
    let good = base.address("one");
    let (code, why) = try_it(&good, &Environment::default().with("PGPASSWORD", "herring"));
    assert!(code == 6 && why.contains("refuses the login") && !why.contains("herring"), "{code} {why}");
    let (code, why) = try_it(&good, &nobody);
    assert!(code == 6 && why.contains("asks for a password"), "{code} {why}");
    let (code, why) = try_it("postgres://one@127.0.0.1:1/seathold", &nobody);
    assert!(code == 6 && why.contains("postgres://one@127.0.0.1:1/seathold: cannot be reached: "), "{code} {why}");
    // A host that is not there.
    let (code, why) = try_it("postgres://one@office.invalid/seathold?sslmode=disable", &nobody);
    assert!(code == 6 && why.contains("cannot be reached: "), "{code} {why}");
    let typed = good.replace("@127", &format!(":{PASSWORD}@127"));
    let (code, why) = try_it(&typed, &nobody);
    assert!(code == 2 && why.contains(".pgpass"), "{code} {why}");
    // Even where the whole command is not understood.
    let said = seathold_with(dir, &["register", &typed], &nobody);
    assert!(said.code == 2 && said.err.contains("wrong_one:…@127") && !said.err.contains(PASSWORD), "{}", said.err);
    // A database that has no such tables.
    server.sql("postgres", "CREATE DATABASE bare").unwrap();
    let (code, why) = try_it(
        &good.replace("wrong_one", "keeper").replace("/wrong", "/bare").replace("keeper", "wrong_one"),
        &base.environment(),
    );
    assert!(code == 6 && why.contains("has no tables of seathold"), "{code} {why}");
    // The password of a file, which others must not read.
    let file = dir.join(".pgpass");
    std::fs::write(&file, format!("# office\n127.0.0.1:*:wrong:wrong_one:{PASSWORD}\n")).unwrap();
    let mode = |mode| {
        use std::os::unix::fs::PermissionsExt;
        std::fs::set_permissions(&file, PermissionsExt::from_mode(mode)).unwrap();
    };
    mode(0o644);
    let (code, why) = try_it(&good, &nobody);
    assert!(code == 2 && why.contains("chmod 600"), "{code} {why}");
    mode(0o600);
    let (code, why) = try_it(&good, &nobody);
    assert_eq!((code, why.as_str()), (0, ""));
}

/// The tables are made once, and by whom they are to belong to.
#[test]
fn tables_are_made_once() {
    let Some(server) = Server::shared() else { return };
    let base = server.office("tables", &["one"]);
    let dir = Path::new("/nowhere");
    let again = said(&base, dir, &["register", "office-tables", &base.address("keeper")], 0);
    assert!(again.ends_with(": the tables are there, version 1\n"), "{again}");
    let printed = said(&base, dir, &["register", "office-tables"], 0);
    assert!(printed.starts_with("BEGIN;\n") && printed.ends_with("COMMIT;\n"), "{printed}");
    let nothing = said(&base, dir, &["register", "office-tables", "--after", "1"], 0);
    assert!(nothing.contains("nothing follows version 1"), "{nothing}");
    // What is printed does the same by another client.
    server.sql("postgres", "CREATE DATABASE by_hand").unwrap();
    server.sql("by_hand", &printed).unwrap();
    let columns = "SELECT table_name, column_name, data_type FROM information_schema.columns WHERE table_schema = 'seathold' ORDER BY 1, 2";
    assert_eq!(server.sql("by_hand", columns).unwrap(), base.sql(columns));
    // One of a newer program is left alone.
    base.sql("INSERT INTO seathold.version (version) VALUES (99)");
    let newer = said(&base, dir, &["register", "office-tables", &base.address("keeper")], 6);
    assert!(newer.contains("use a newer seathold"), "{newer}");
}
