//! Registers of several benches in one, selections by mail, loose recordings: nothing twice, nothing renumbered.

use std::path::{Path, PathBuf};

use rusqlite::Connection;
use seathold::console::Timestamp;
use seathold_register::Error;
use seathold_register::merge::MergeCounts;
use seathold_register::valves::ValveRecord;
use seathold_register::{Access, NewNote, NoteKind, Register, RegisterError, RunFilter, RunMeta};
use seathold_tests::cli_kit::{recorded, seathold};
use seathold_tests::register_kit::{SERIAL, renamed};

fn now() -> Timestamp {
    "2026-03-02T10:00:00Z".parse().unwrap()
}

/// A bench with a batch of these serials, each of them run once and the first reworked.
fn bench(dir: &Path, name: &str, serials: std::ops::Range<u32>) -> PathBuf {
    let seed = dir.join("seed.hold");
    if !seed.exists() {
        recorded(dir, "seed.hold", &["--serial", SERIAL]);
    }
    let bytes = std::fs::read(seed).unwrap();
    let path = dir.join(format!("{name}.sqlite"));
    let mut register = Register::open_named(&path, Access::Make, name).unwrap();
    let serial = |n| format!("HM-{n:06}");
    let valves: Vec<ValveRecord> = serials
        .clone()
        .map(|n| ValveRecord { serial: serial(n), actuation: "air".into(), ..ValveRecord::default() })
        .collect();
    let batch = register.open_batch(name, &valves, "", "Ada", now()).unwrap().batch;
    let meta = RunMeta { batch: Some(batch.clone()), after_rework: None };
    for n in serials.clone() {
        register.append(&renamed(&bytes, &serial(n)), &meta, now()).unwrap();
    }
    let note = NewNote {
        kind: NoteKind::Rework,
        batch: Some(batch),
        serial: Some(serial(serials.start)),
        about: None,
        operator: "Ada".into(),
        text: "new seat".into(),
    };
    register.note(&note, now()).unwrap();
    path
}

fn all(register: &Register) -> Vec<(String, i64, String, String)> {
    let mut runs: Vec<_> = register
        .runs(RunFilter::default())
        .map(Result::unwrap)
        .map(|run| (run.bench, run.number, run.serial, run.seal))
        .collect();
    runs.sort();
    runs
}

#[test]
fn benches_come_together_and_each_chain_still_holds() {
    let dir = tempfile::tempdir().unwrap();
    let (one, two) = (bench(dir.path(), "one", 1..6), bench(dir.path(), "two", 10..13));
    let mut before = all(&Register::open(&one, Access::Read).unwrap());
    before.extend(all(&Register::open(&two, Access::Read).unwrap()));
    before.sort();
    let mut register = Register::open(&one, Access::Write).unwrap();
    assert_eq!(register.merge(&two, now()).unwrap(), MergeCounts { runs: 3, notes: 2, known: 0, quarantined: 0 });
    assert_eq!(all(&register), before, "nothing is renumbered or sealed anew");
    let chains = register.verify(|_| true).unwrap().valid().unwrap();
    assert_eq!(
        chains.iter().map(|c| (c.name.as_str(), c.complete, c.last_number)).collect::<Vec<_>>(),
        [("one", true, 7), ("two", true, 5)]
    );
    // Again, and the other way round, and what came since.
    assert_eq!(register.merge(&two, now()).unwrap(), MergeCounts { runs: 0, notes: 0, known: 5, quarantined: 0 });
    drop(register);
    let mut register = Register::open(&two, Access::Write).unwrap();
    assert_eq!(register.merge(&one, now()).unwrap(), MergeCounts { runs: 5, notes: 2, known: 5, quarantined: 0 });
    assert_eq!(all(&register), before);
    let bytes = std::fs::read(dir.path().join("seed.hold")).unwrap();
    register.append(&renamed(&bytes, "HM-000099"), &RunMeta::default(), now()).unwrap();
    register.verify(|_| true).unwrap().valid().unwrap();
    drop(register);
    let mut register = Register::open(&one, Access::Write).unwrap();
    assert_eq!(register.merge(&two, now()).unwrap().runs, 1);
    // The batch of the other bench is here with its list, and its work list works.
    let batch = register.batch_named("two").unwrap();
    let standings = seathold_register::batch::status::of_batch(&register, &batch).unwrap();
    assert_eq!(standings.len(), 3);
    assert_eq!(standings[0].stand, seathold_register::batch::status::NextAction::Retest);
    assert_eq!(standings[0].valve.actuation, "air");
}

#[test]
fn a_selection_travels_and_does_not_pass_for_the_whole() {
    let dir = tempfile::tempdir().unwrap();
    let (one, two) = (bench(dir.path(), "one", 1..6), bench(dir.path(), "two", 10..13));
    let bundle = dir.path().join("bundle.sqlite");
    let said = seathold(
        dir.path(),
        &["register", "bundle", "[DIR]/bundle.sqlite", "--serial", "HM-000001", "--register", "[DIR]/one.sqlite"],
    );
    assert_eq!(said.out, "[DIR]/bundle.sqlite: 1 run and 2 notes added, 0 already there\n");
    let mut register = Register::open(&two, Access::Write).unwrap();
    assert_eq!(register.merge(&bundle, now()).unwrap(), MergeCounts { runs: 1, notes: 2, known: 0, quarantined: 0 });
    let chains = register.verify(|_| true).unwrap().valid().unwrap();
    let from = chains.iter().find(|c| c.name == "one").unwrap();
    assert!(!from.complete && from.last_number == 3);
    // A record altered in a selection is still found: each has its own seal.
    let db = Connection::open(&two).unwrap();
    db.execute_batch("DROP TRIGGER runs_stay; UPDATE runs SET operator = 'Eve' WHERE serial = 'HM-000001'").unwrap();
    drop(db);
    assert!(register.verify(|_| true).unwrap().valid().unwrap_err().what.contains("was altered"));
    // The rest fills the gaps, and then it is whole.
    let db = Connection::open(&two).unwrap();
    db.execute_batch("UPDATE runs SET operator = '' WHERE serial = 'HM-000001'").unwrap();
    let guard =
        "CREATE TRIGGER runs_stay BEFORE UPDATE ON runs BEGIN SELECT RAISE(ABORT, 'runs are never changed'); END";
    db.execute_batch(guard).unwrap();
    drop(db);
    register.merge(&one, now()).unwrap();
    let chains = register.verify(|_| true).unwrap().valid().unwrap();
    assert!(chains.iter().all(|c| c.complete), "{chains:?}");
}

/// A batch of which only a part was sent is not gone on with elsewhere, and what is not here does not pass for undone.
#[test]
fn a_batch_of_a_selection_says_that_it_is_not_all() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let at = ["--register", "[DIR]/one.sqlite"];
    let say = |arguments: &[&str], at: &[&str]| {
        let said = seathold(dir, &[arguments, at].concat());
        assert_eq!(said.code, 0, "{arguments:?}: {}", said.err);
        said.out
    };
    say(&["batch", "open", "spring", "--serials", "HM-001..HM-002", "--actuation", "air"], &at);
    for serial in ["HM-001", "HM-002"] {
        let out = format!("[DIR]/{serial}.hold");
        say(&["run", "-q", "--serial", serial, "--out", &out], &["--sides", "first"]);
        say(&["register", "import", &out, "--batch", "spring"], &at);
    }
    say(&["batch", "close", "--unfinished", "sent on", "--operator", "Ada"], &at);
    assert!(!say(&["batch", "list"], &at).contains("selection"));
    let bundle = ["--register", "[DIR]/bundle.sqlite"];
    let said = say(&["register", "bundle", "[DIR]/bundle.sqlite", "--serial", "HM-002"], &at);
    // Its opening and its end travel with it.
    assert_eq!(said, "[DIR]/bundle.sqlite: 1 run and 2 notes added, 0 already there\n");
    let info = say(&["register", "info"], &bundle).split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(info.contains("3 records, a selection"), "{info}");
    let listed = say(&["batch", "list"], &bundle);
    assert!(listed.contains("closed") && listed.contains("only a selection of its records"), "{listed}");
    let work = say(&["batch", "status", "--batch", "spring"], &bundle);
    assert!(work.split_whitespace().collect::<Vec<_>>().join(" ").contains("more may have been done"), "{work}");
    say(&["report", "--batch", "spring", "-o", "[DIR]/page.html"], &bundle);
    let page = std::fs::read_to_string(dir.join("page.html")).unwrap();
    assert!(page.contains("has only a selection of the batch's records"), "{page}");
    say(&["register", "verify"], &bundle);
    // With the rest it is all.
    say(&["register", "merge", "[DIR]/one.sqlite"], &bundle);
    assert!(!say(&["batch", "list"], &bundle).contains("selection"));
    // Names of another bench's records are long; the columns below stay in line.
    let found = say(&["find"], &bundle);
    let lines: Vec<&str> = found.lines().collect();
    let place = |line: &str, of: &str| line.chars().take(line.find(of).unwrap()).count();
    assert_eq!(place(lines[0], "valve"), place(lines[1], "HM-00"), "{found}");
}

#[test]
fn a_serial_that_is_not_there_says_which_may_be_meant() {
    let dir = tempfile::tempdir().unwrap();
    bench(dir.path(), "one", 1..4);
    let said = seathold(dir.path(), &["find", "--serial", "hm-OOOOO1", "--register", "[DIR]/one.sqlite"]);
    assert_eq!(said.err, "no run matches: hm-OOOOO1 is not in this register; is it HM-000001?\n");
    let said = seathold(dir.path(), &["find", "--serial", "XY", "--register", "[DIR]/one.sqlite"]);
    assert_eq!(said.err, "no run matches: XY is not in this register\n");
}

#[test]
fn the_same_recording_by_two_ways_is_one_run() {
    let dir = tempfile::tempdir().unwrap();
    let (one, two) = (bench(dir.path(), "one", 1..3), bench(dir.path(), "two", 10..12));
    // By mail first, with the register afterwards.
    let said =
        seathold(dir.path(), &["register", "extract", "2", "--register", "[DIR]/two.sqlite", "--out", "[DIR]/a.hold"]);
    assert_eq!(said.code, 0, "{}", said.err);
    let import = ["register", "import", "[DIR]/a.hold", "--register", "[DIR]/one.sqlite"];
    assert_eq!(seathold(dir.path(), &import).out, "[DIR]/a.hold: record 5\n");
    assert_eq!(seathold(dir.path(), &import).out, "[DIR]/a.hold: record 5 (already there)\n");
    let mut register = Register::open(&one, Access::Write).unwrap();
    register.merge(&two, now()).unwrap();
    assert_eq!(register.count(&RunFilter::default()).unwrap(), 4);
    assert_eq!(register.count(&RunFilter { serial: Some("HM-000010".into()), ..RunFilter::default() }).unwrap(), 1);
    register.verify(|_| true).unwrap().valid().unwrap();
}

/// A copied register that both go on appending to has two truths: neither is taken over the other.
#[test]
fn registers_that_went_apart_are_told_apart() {
    let dir = tempfile::tempdir().unwrap();
    let one = bench(dir.path(), "one", 1..3);
    let copy = dir.path().join("copy.sqlite");
    std::fs::copy(&one, &copy).unwrap();
    let bytes = std::fs::read(dir.path().join("seed.hold")).unwrap();
    let append = |path: &Path, serial: &str| {
        let mut register = Register::open(path, Access::Write).unwrap();
        register.append(&renamed(&bytes, serial), &RunMeta::default(), now()).unwrap();
    };
    // The copy is ahead: it has what this one has not, and goes in.
    append(&copy, "HM-000050");
    let mut register = Register::open(&one, Access::Write).unwrap();
    assert_eq!(register.merge(&copy, now()).unwrap().runs, 1);
    register.verify(|_| true).unwrap().valid().unwrap();
    append(&one, "HM-000060");
    append(&copy, "HM-000070");
    let before = all(&register);
    match register.merge(&copy, now()) {
        Err(Error::Register { why: RegisterError::Refused(why), .. }) => assert!(why.contains("diverged"), "{why}"),
        other => panic!("{other:?}"),
    }
    assert_eq!(all(&register), before);
    // Further ahead is no better, when the ways have parted.
    append(&copy, "HM-000071");
    assert!(register.merge(&copy, now()).is_err());
    assert_eq!(all(&register), before);
}

#[test]
fn an_altered_record_is_not_let_in() {
    let dir = tempfile::tempdir().unwrap();
    let (one, two) = (bench(dir.path(), "one", 1..3), bench(dir.path(), "two", 10..12));
    for sql in [
        "UPDATE runs SET verdict = 'leaking' WHERE number = 3",
        "UPDATE sides SET verdict = 'leaking' WHERE run = 2",
        "UPDATE recordings SET bytes = zeroblob(5) WHERE id = 2",
        "UPDATE notes SET text = 'nothing' WHERE kind = 'rework'",
        "UPDATE recipes SET json = '{}'",
    ] {
        let spoiled = dir.path().join("spoiled.sqlite");
        std::fs::copy(&two, &spoiled).unwrap();
        let db = Connection::open(&spoiled).unwrap();
        db.execute_batch(
            "DROP TRIGGER runs_stay; DROP TRIGGER sides_stay; DROP TRIGGER recordings_stay; DROP TRIGGER notes_stay; \
             DROP TRIGGER recipes_stay",
        )
        .unwrap();
        db.execute_batch(sql).unwrap();
        drop(db);
        let mut register = Register::open(&one, Access::Write).unwrap();
        match register.merge(&spoiled, now()) {
            Err(Error::Register { path, why: RegisterError::Damaged(why) }) => {
                assert_eq!(path, spoiled);
                assert!(why.contains("altered"), "{sql}: {why}");
            }
            other => panic!("{sql}: {other:?}"),
        }
        register.verify(|_| true).unwrap().valid().unwrap();
        std::fs::remove_file(&spoiled).unwrap();
    }
}
