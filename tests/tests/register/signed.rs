//! Records signed with the bench's key: what is found by whoever has its public part, or a head kept elsewhere.

use std::path::Path;

use rusqlite::Connection;
use seathold_signing::{SigningKey, public_path};
use seathold_tests::cli_kit::{Said, recorded, seathold};

const AT: [&str; 2] = ["--register", "[DIR]/bench.sqlite"];

fn say(dir: &Path, arguments: &[&str]) -> Said {
    seathold(dir, &[arguments, &AT[..]].concat())
}

fn good(dir: &Path, arguments: &[&str]) -> String {
    let said = say(dir, arguments);
    assert_eq!(said.code, 0, "{arguments:?}: {}{}", said.out, said.err);
    said.out
}

fn verify(dir: &Path, more: &[&str]) -> Said {
    say(dir, &[&["register", "verify"], more].concat())
}

fn database(dir: &Path) -> Connection {
    Connection::open(dir.join("bench.sqlite")).unwrap()
}

/// A bench with a key, and a run of two valves: records 1 (key), 2 (batch), 3 and 4.
fn bench(dir: &Path) {
    let said = seathold(dir, &["register", "init", "[DIR]/bench.sqlite", "--bench", "one"]);
    assert!(said.code == 0 && said.out.contains("fingerprint "), "{}{}", said.out, said.err);
    good(dir, &["batch", "open", "spring", "--serials", "HM-001..HM-002"]);
    for serial in ["HM-001", "HM-002"] {
        import(dir, serial);
    }
}

fn import(dir: &Path, serial: &str) {
    let file = recorded(dir, &format!("{serial}.hold"), &["--serial", serial]);
    good(dir, &["register", "import", file.to_str().unwrap(), "--batch", "spring"]);
}

fn copy(dir: &Path, from: &str, to: &str) {
    // All that is in the write-ahead log too.
    Connection::open(dir.join(from)).unwrap().execute("VACUUM INTO ?", [dir.join(to).to_str().unwrap()]).unwrap();
}

#[test]
fn every_record_is_signed_and_who_has_the_public_key_can_tell() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    bench(dir);
    good(dir, &["batch", "remark", "HM-001", "--note", "scratched", "--operator", "Ada"]);
    let said = verify(dir, &["--key", "[DIR]/bench.sqlite.key.pub"]);
    assert_eq!(said.code, 0, "{}{}", said.out, said.err);
    assert!(said.out.contains("bench one: 5 records signed since record 1, by now with the key of fingerprint"));
    assert!(said.out.contains("bench one: as whoever has the key of fingerprint"), "{}", said.out);
    // Another key.
    SigningKey::make(&dir.join("other.key"), None).unwrap();
    let said = verify(dir, &["--key", "[DIR]/other.key.pub"]);
    assert!(said.code == 6 && said.out.contains("NOT SIGNED"), "{}", said.out);
}

/// Whoever can write the file, and has not got the key, can make nothing up.
#[test]
fn a_record_changed_and_all_seals_made_again_is_found() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    bench(dir);
    good(dir, &["batch", "remark", "HM-001", "--note", "leaks", "--operator", "Ada"]);
    let db = database(dir);
    db.execute_batch("DROP TRIGGER notes_stay; UPDATE notes SET text = 'is good' WHERE number = 5").unwrap();
    // The seal, as docs/register.md says.
    let fields: Vec<Option<String>> = db
        .query_row(
            "SELECT bench, number, kind, batch, serial, about, operator, written_at, text, previous FROM notes WHERE number = 5",
            [],
            |row| (0..10).map(|at| row.get::<_, rusqlite::types::Value>(at).map(|value| match value {
                rusqlite::types::Value::Null => None,
                rusqlite::types::Value::Integer(number) => Some(number.to_string()),
                rusqlite::types::Value::Text(text) => Some(text),
                other => panic!("{other:?}"),
            })).collect(),
        )
        .unwrap();
    let netstring = |text: &Option<String>| match text {
        Some(text) => format!("{}:{text},", text.len()),
        None => "-,".into(),
    };
    let all: String = [Some("note".to_owned())].iter().chain(&fields).map(netstring).collect();
    let seal = seathold_recording::hash::sha256(all.as_bytes());
    db.execute("UPDATE notes SET seal = ? WHERE number = 5", [&seal]).unwrap();
    db.execute("UPDATE benches SET seal = ? WHERE local = 1", [&seal]).unwrap();
    db.execute_batch(
        "CREATE TRIGGER notes_stay BEFORE UPDATE ON notes BEGIN SELECT RAISE(ABORT, 'notes are never changed'); END;",
    )
    .unwrap();
    let said = verify(dir, &[]);
    assert!(said.code == 6 && said.out.contains("record 5 has a signature that its key did not make"), "{}", said.out);
    // Without the signature it is a record that is not signed.
    db.execute_batch("DROP TRIGGER signatures_stay; DELETE FROM signatures WHERE number = 5;").unwrap();
    let text = "CREATE TRIGGER signatures_stay BEFORE DELETE ON signatures BEGIN SELECT RAISE(ABORT, 'records are never deleted'); END;";
    db.execute_batch(text).unwrap();
    let said = verify(dir, &[]);
    assert!(said.code == 3 && said.out.contains("1 record NOT SIGNED since then, the first is 5"), "{}", said.out);
    let said = verify(dir, &["--key", "[DIR]/bench.sqlite.key.pub"]);
    assert!(said.code == 6 && said.out.contains("NOT SIGNED, or not all of it"), "{}", said.out);
}

/// A tail that was cut off together with its head is whole by itself, and short by a head that was kept elsewhere.
#[test]
fn a_tail_cut_off_is_seen_by_a_later_head() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    bench(dir);
    copy(dir, "bench.sqlite", "before.sqlite");
    good(dir, &["batch", "remark", "HM-002", "--note", "leaks", "--operator", "Ada"]);
    good(dir, &["register", "head", "--out", "[DIR]/head.json"]);
    good(dir, &["batch", "remark", "HM-001", "--note", "x", "--operator", "Ada"]);
    let said = verify(dir, &["--since-head", "[DIR]/head.json", "--key", "[DIR]/bench.sqlite.key.pub"]);
    assert!(
        said.code == 0 && said.out.contains("record 5 of bench one, signed: here as it was, and 1 record since"),
        "{}",
        said.out
    );
    let cut = ["register", "verify", "--register", "[DIR]/before.sqlite"];
    assert_eq!(seathold(dir, &cut).code, 0, "by itself it is whole");
    let said = seathold(dir, &[&cut[..], &["--since-head", "[DIR]/head.json"]].concat());
    assert!(said.code == 6 && said.out.contains("NOT HERE, the chain ends at record 4"), "{}", said.out);
    // One that went on from there by itself has another record in its place.
    let remark =
        ["batch", "remark", "HM-002", "--note", "good", "--operator", "Ada", "--register", "[DIR]/before.sqlite"];
    assert_eq!(seathold(dir, &remark).code, 0);
    let said = seathold(dir, &[&cut[..], &["--since-head", "[DIR]/head.json"]].concat());
    assert!(said.code == 6 && said.out.contains("ANOTHER RECORD is here in its place"), "{}", said.out);
    // A head that somebody made up.
    let head = std::fs::read_to_string(dir.join("head.json")).unwrap();
    std::fs::write(dir.join("made-up.json"), head.replace("\"number\":5", "\"number\":4")).unwrap();
    let said = verify(dir, &["--since-head", "[DIR]/made-up.json"]);
    assert!(said.code == 6 && said.out.contains("NOT A HEAD: its key did not sign it"), "{}", said.out);
    let said = verify(dir, &["--since-head", "[DIR]/bench.sqlite.key.pub"]);
    assert!(said.code == 2 && said.err.contains("not a file of heads"), "{}", said.err);
}

#[test]
fn a_key_hands_over_to_the_next_and_one_that_was_lost_does_not() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    bench(dir);
    std::fs::copy(dir.join("bench.sqlite.key.pub"), dir.join("first.pub")).unwrap();
    good(dir, &["register", "key", "--operator", "Ada"]);
    good(dir, &["batch", "remark", "HM-001", "--note", "x", "--operator", "Ada"]);
    for key in ["[DIR]/first.pub", "[DIR]/bench.sqlite.key.pub"] {
        let said = verify(dir, &["--key", key]);
        assert!(said.code == 0 && said.out.contains("6 records signed since record 1"), "{key}: {}", said.out);
    }
    // The old private part is kept under another name.
    let names = std::fs::read_dir(dir).unwrap().map(|file| file.unwrap().file_name().into_string().unwrap());
    assert_eq!(names.filter(|name| name.contains(".key.until-") && !name.ends_with(".pub")).count(), 1);
    std::fs::remove_file(dir.join("bench.sqlite.key")).unwrap();
    std::fs::remove_file(dir.join("bench.sqlite.key.pub")).unwrap();
    good(dir, &["register", "key"]);
    let said = verify(dir, &["--key", "[DIR]/first.pub"]);
    assert!(said.code == 6 && said.out.contains("THE KEY OF RECORD 7 WAS NOT HANDED OVER"), "{}", said.out);
    assert_eq!(verify(dir, &["--key", "[DIR]/bench.sqlite.key.pub"]).code, 3, "it vouches, and the break is said");
}

/// The evidence of a test is worth more than its signature: it is kept, and that it is not signed is said.
#[test]
fn without_its_key_a_bench_works_on_and_says_so() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    bench(dir);
    let path = dir.join("bench.sqlite.key");
    let run = ["run", "-q", "--serial", "HM-001", "--no-batch", "--operator", "Ada", "--out", "[DIR]/again.hold"];
    std::fs::rename(&path, dir.join("away")).unwrap();
    let said = say(dir, &run);
    assert!(
        said.code == 0 && said.err.contains("1 record kept UNSIGNED") && said.err.contains("it is not there"),
        "{}",
        said.err
    );
    let said = verify(dir, &[]);
    assert!(said.code == 3 && said.out.contains("1 record NOT SIGNED since then, the first is 5"), "{}", said.out);
    std::fs::rename(dir.join("away"), &path).unwrap();
    good(dir, &["batch", "remark", "HM-001", "--note", "x", "--operator", "Ada"]);
    let said = verify(dir, &[]);
    assert!(
        said.out.contains("5 records signed since record 1") && said.out.contains("the first is 5"),
        "{}",
        said.out
    );
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o644)).unwrap();
        let said = say(
            dir,
            &["run", "-q", "--serial", "HM-002", "--no-batch", "--operator", "Ada", "--out", "[DIR]/third.hold"],
        );
        assert!(said.err.contains("others can read this key"), "{}", said.err);
    }
}

/// The power went between the note of a new key and its file's name: the next command finishes that.
#[test]
fn a_change_of_keys_that_was_cut_short_is_finished() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    bench(dir);
    let key = dir.join("bench.sqlite.key");
    let before = std::fs::read(&key).unwrap();
    good(dir, &["register", "key"]);
    for (now, made) in [
        (key.clone(), dir.join("bench.sqlite.key.new")),
        (public_path(&key), public_path(&dir.join("bench.sqlite.key.new"))),
    ] {
        std::fs::rename(now, made).unwrap();
    }
    std::fs::write(&key, before).unwrap();
    #[cfg(unix)]
    std::fs::set_permissions(&key, std::os::unix::fs::PermissionsExt::from_mode(0o600)).unwrap();
    good(dir, &["batch", "remark", "HM-001", "--note", "x", "--operator", "Ada"]);
    let said = verify(dir, &["--key", "[DIR]/bench.sqlite.key.pub"]);
    assert!(said.code == 0 && said.out.contains("6 records signed"), "{}", said.out);
}

#[test]
fn signatures_go_with_records_by_merge_and_by_bundle() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    bench(dir);
    good(dir, &["register", "bundle", "[DIR]/hm2.bundle", "--serial", "HM-002"]);
    let office = ["--register", "[DIR]/office.sqlite"];
    assert_eq!(seathold(dir, &["register", "init", "[DIR]/office.sqlite", "--bench", "office", "--no-key"]).code, 0);
    let verified = |what: &str| {
        let said =
            seathold(dir, &[&["register", "verify", "--key", "[DIR]/bench.sqlite.key.pub"], &office[..]].concat());
        assert!(said.code == 0 && said.out.contains(what), "{}{}", said.out, said.err);
    };
    let merge = |file: &str| seathold(dir, &[&["register", "merge", file], &office[..]].concat());
    assert_eq!(merge("[DIR]/hm2.bundle").code, 0);
    verified("AND OTHERS ARE MISSING");
    assert_eq!(merge("[DIR]/bench.sqlite").code, 0);
    verified("4 records signed since record 1");
    // A signature that is none brings nothing in.
    good(dir, &["batch", "remark", "HM-001", "--note", "x", "--operator", "Ada"]);
    database(dir)
        .execute_batch(
            "DROP TRIGGER signatures_keep; UPDATE signatures SET signature = replace(signature, 'a', 'b') WHERE number = 5",
        )
        .unwrap();
    let said = merge("[DIR]/bench.sqlite");
    assert!(
        said.code == 6 && said.err.contains("record 5 of bench one has a signature that its key did not make"),
        "{}",
        said.err
    );
}

/// An export, or anything else.
#[test]
fn any_file_is_signed_and_verified() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    bench(dir);
    std::fs::write(dir.join("table.csv"), "serial,leak\nHM-001,1\n").unwrap();
    let out = good(dir, &["sign", "[DIR]/table.csv"]);
    assert!(out.starts_with("[DIR]/table.csv.sig: signed with the key of fingerprint "), "{out}");
    let verified = |key: &str| seathold(dir, &["verify", "[DIR]/table.csv", "--key", key]);
    assert_eq!(verified("[DIR]/bench.sqlite.key.pub").code, 0);
    SigningKey::make(&dir.join("other.key"), None).unwrap();
    assert_eq!(verified("[DIR]/other.key.pub").code, 6);
    std::fs::write(dir.join("table.csv"), "serial,leak\nHM-001,0\n").unwrap();
    let said = verified("[DIR]/bench.sqlite.key.pub");
    assert!(said.code == 6 && said.out.contains("NOT SIGNED"), "{}", said.out);
    let said = seathold(dir, &["verify", "[DIR]/bench.sqlite", "--key", "[DIR]/other.key.pub"]);
    assert!(said.code == 6 && said.err.contains("bench.sqlite.sig"), "{}", said.err);
    let said = seathold(dir, &["sign", "[DIR]/table.csv", "--register", "[DIR]/none.sqlite"]);
    assert_ne!(said.code, 0);
}

/// A copy of every night: whole, whatever is written meanwhile; and none goes before the new one was checked.
#[test]
fn copies_are_checked_before_older_ones_go() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    bench(dir);
    let folder = dir.join("copies");
    std::fs::create_dir(&folder).unwrap();
    // Other files of the folder are nobody's copies.
    for name in ["bench-20260101T000000Z.sqlite", "bench-20260102T000000Z.sqlite"] {
        std::fs::copy(dir.join("bench.sqlite"), folder.join(name)).unwrap();
    }
    for name in ["bench-notes.sqlite", "other-20260101T000000Z.sqlite", "bench-20260101T000000Z.sqlite.txt"] {
        std::fs::write(folder.join(name), "mine").unwrap();
    }
    let names = || {
        let entries =
            std::fs::read_dir(&folder).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap());
        let mut names: Vec<String> =
            entries.filter(|name| name.starts_with("bench-2") && name.ends_with("Z.sqlite")).collect();
        names.sort();
        names
    };
    let out = good(dir, &["register", "backup", "[DIR]/copies", "--keep", "2"]);
    assert!(out.contains("4 records, each verified; 1 older copy removed"), "{out}");
    assert_eq!(names(), ["bench-20260102T000000Z.sqlite", "bench-20260302T093000Z.sqlite"]);
    assert!(folder.join("bench-notes.sqlite").exists() && folder.join("other-20260101T000000Z.sqlite").exists());
    // It is the register.
    let said = seathold(
        dir,
        &[
            "register",
            "verify",
            "--key",
            "[DIR]/bench.sqlite.key.pub",
            "--register",
            "[DIR]/copies/bench-20260302T093000Z.sqlite",
        ],
    );
    assert!(said.code == 0 && said.out.contains("4 records signed"), "{}{}", said.out, said.err);
    let said = say(dir, &["register", "backup", "[DIR]/copies", "--keep", "1"]);
    assert!(said.code == 6 && said.err.contains("exists already"), "of the same second: {}", said.err);
    // Of a register that is damaged there is no copy, and the older ones stay.
    std::fs::rename(folder.join("bench-20260302T093000Z.sqlite"), folder.join("bench-20260301T093000Z.sqlite"))
        .unwrap();
    database(dir).execute_batch("DROP TRIGGER notes_stay; UPDATE notes SET text = 'x' WHERE number = 2").unwrap();
    let said = say(dir, &["register", "backup", "[DIR]/copies", "--keep", "1"]);
    assert!(said.code == 6 && said.err.contains("no copy was kept, and none removed"), "{}", said.err);
    assert_eq!(names(), ["bench-20260102T000000Z.sqlite", "bench-20260301T093000Z.sqlite"]);
    assert!(
        !std::fs::read_dir(&folder).unwrap().any(|entry| entry
            .unwrap()
            .file_name()
            .to_string_lossy()
            .ends_with(".part"))
    );
}

/// What once is in a chain stays, so a merge asks before: nothing unsigned, nothing of a strange key, no key that was not handed over to.
#[test]
fn a_merge_takes_nothing_into_a_signed_chain_that_its_key_does_not_vouch_for() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    bench(dir);
    let office = ["--register", "[DIR]/office.sqlite"];
    let merge =
        |more: &[&str]| seathold(dir, &[&["register", "merge", "[DIR]/bench.sqlite"], more, &office[..]].concat());
    assert_eq!(seathold(dir, &["register", "init", "[DIR]/office.sqlite", "--no-key"]).code, 0);
    assert_eq!(merge(&[]).code, 0);
    let copy = std::fs::read(dir.join("bench.sqlite")).unwrap();
    // Somebody without the key.
    std::fs::rename(dir.join("bench.sqlite.key"), dir.join("away")).unwrap();
    let said = say(dir, &["batch", "remark", "HM-001", "--note", "made up", "--operator", "Eve"]);
    assert!(said.code == 0 && said.err.contains("1 record kept UNSIGNED"), "{}", said.err);
    let said = merge(&[]);
    assert!(
        said.code == 2 && said.err.contains("record 5 is not signed, and the bench has a key"),
        "{} {}",
        said.code,
        said.err
    );
    // With a key of their own, which they state or do not.
    good(dir, &["register", "key"]);
    let said = merge(&["--accept-unsigned"]);
    assert!(
        said.code == 2 && said.err.contains("record 6 states a key that the one before did not hand over to"),
        "{}",
        said.err
    );
    assert!(say(dir, &["register", "verify"]).out.contains("NOT HANDED OVER"));
    // Where somebody answers for it.
    assert_eq!(merge(&["--accept-unsigned", "--new-key", "[DIR]/bench.sqlite.key.pub"]).code, 0);
    let said = seathold(dir, &[&["register", "verify"], &office[..]].concat());
    assert!(said.code == 3 && said.out.contains("WAS NOT HANDED OVER"), "{}", said.out);
    // A signature of a key that nobody states.
    for beside in ["bench.sqlite-wal", "bench.sqlite-shm"] {
        let _ = std::fs::remove_file(dir.join(beside));
    }
    std::fs::write(dir.join("bench.sqlite"), copy).unwrap();
    let said = say(dir, &["batch", "remark", "HM-001", "--note", "made up", "--operator", "Eve"]);
    assert!(said.err.contains("UNSIGNED"), "the key beside it is another: {}", said.err);
    let seal: String =
        database(dir).query_row("SELECT seal FROM notes WHERE number = 5", [], |row| row.get(0)).unwrap();
    let bench: String =
        database(dir).query_row("SELECT bench FROM benches WHERE local = 1", [], |row| row.get(0)).unwrap();
    let seathold_signing::Locked::No(key) = SigningKey::read(&dir.join("bench.sqlite.key")).unwrap() else { panic!() };
    let signature = key.sign(&format!("seathold record\n{bench}/5\n{seal}\n"));
    let row = [bench.clone(), "5".into(), key.public().hex(), signature];
    database(dir).execute("INSERT INTO signatures VALUES (?, ?, ?, ?)", row).unwrap();
    std::fs::remove_file(dir.join("office.sqlite")).unwrap();
    for beside in ["office.sqlite-wal", "office.sqlite-shm"] {
        let _ = std::fs::remove_file(dir.join(beside));
    }
    let said = merge(&[]);
    assert!(
        said.code == 2 && said.err.contains("record 5 is signed with another key than the one that was in force"),
        "{}",
        said.err
    );
}

/// Records before the first key are proved by what it signed only where nothing between is missing.
#[test]
fn what_stands_before_a_gap_is_proved_by_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    assert_eq!(seathold(dir, &["register", "init", "[DIR]/bench.sqlite", "--no-key"]).code, 0);
    good(dir, &["batch", "open", "spring", "--serials", "HM-001..HM-002"]);
    import(dir, "HM-001");
    import(dir, "HM-002");
    good(dir, &["register", "key"]);
    assert_eq!(verify(dir, &["--key", "[DIR]/bench.sqlite.key.pub"]).code, 0);
    good(dir, &["register", "bundle", "[DIR]/one.bundle", "--serial", "HM-001"]);
    let said =
        seathold(dir, &["register", "verify", "--register", "[DIR]/one.bundle", "--key", "[DIR]/bench.sqlite.key.pub"]);
    assert!(said.code == 6 && said.out.contains("2 records before its first key PROVED BY NOTHING"), "{}", said.out);
    std::fs::write(dir.join("empty.json"), "\n").unwrap();
    let said = verify(dir, &["--since-head", "[DIR]/empty.json"]);
    assert!(said.code == 2 && said.err.contains("there is no head in it"), "{}", said.err);
}

/// Several who make a key at once, and who write meanwhile: no key is lost, each hands over, and nothing is left unsigned.
#[test]
fn keys_made_at_once_hand_over_to_each_other() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    bench(dir);
    std::thread::scope(|scope| {
        for n in 0..8 {
            scope.spawn(move || {
                let typed: &[&str] = match n % 2 {
                    0 => &["register", "key"],
                    _ => &["batch", "remark", "HM-001", "--note", "x", "--operator", "Ada"],
                };
                let said = say(dir, typed);
                assert!(said.code == 0 && !said.err.contains("UNSIGNED"), "{typed:?}: {}", said.err);
            });
        }
    });
    let said = verify(dir, &["--key", "[DIR]/bench.sqlite.key.pub"]);
    assert!(said.code == 0 && said.out.contains("12 records signed since record 1"), "{}{}", said.out, said.err);
    let names = std::fs::read_dir(dir).unwrap().map(|file| file.unwrap().file_name().into_string().unwrap());
    assert_eq!(names.filter(|name| name.contains(".key.until-") && !name.ends_with(".pub")).count(), 4);
}
