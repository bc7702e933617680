//! The register: what goes in comes out as it was, and what was altered is found.

use std::path::{Path, PathBuf};

use rusqlite::Connection;
use seathold::console::Timestamp;
use seathold_register::Error;
use seathold_register::{Access, Register, RegisterError, RunFilter, RunMeta};
use seathold_sequencer::verdict::Verdict;
use seathold_tests::cli_kit::{recorded, seathold};
use seathold_tests::register_kit::{SERIAL, renamed};

fn now() -> Timestamp {
    "2026-03-02T10:00:00Z".parse().unwrap()
}

/// Bytes of a short recording of one side, made once a test run.
fn recording(dir: &Path, serial: &str, more: &[&str]) -> Vec<u8> {
    let path = recorded(dir, &format!("{serial}.hold"), &[&["--serial", serial][..], more].concat());
    std::fs::read(path).unwrap()
}

/// A register with runs of three valves, the second of them leaking.
fn three(dir: &Path) -> PathBuf {
    let path = dir.join("bench.sqlite");
    let mut register = Register::open(&path, Access::Make).unwrap();
    for (serial, more) in [("HM-001", &[][..]), ("HM-002", &["--seat-a", "20 mm3/s"]), ("HM-003", &[])] {
        register.append(&recording(dir, serial, more), &RunMeta::default(), now()).unwrap();
    }
    path
}

#[test]
fn a_recording_comes_out_as_it_went_in() {
    let dir = tempfile::tempdir().unwrap();
    let path = three(dir.path());
    let register = Register::open(&path, Access::Read).unwrap();
    let runs: Vec<_> = register.runs(RunFilter::default()).collect::<Result<_, _>>().unwrap();
    let serials: Vec<_> = runs.iter().map(|run| run.serial.as_str()).collect();
    assert_eq!(serials, ["HM-001", "HM-002", "HM-003"]);
    let verdicts: Vec<_> = runs.iter().map(|run| run.verdict.unwrap()).collect();
    assert_eq!(verdicts, [Verdict::Tight, Verdict::Leaking, Verdict::Tight]);
    for run in &runs {
        let file = std::fs::read(dir.path().join(format!("{}.hold", run.serial))).unwrap();
        assert!(register.recording(run.id).unwrap() == file, "{}", run.serial);
        assert_eq!(register.recipe(&run.recipe).unwrap().limit_pa_m3_s, run.limit_pa_m3_s);
    }
    let leaking = &runs[1].sides[0];
    assert!((leaking.leak_pa_m3_s.unwrap() - 2e-3).abs() < 2.0 * leaking.expanded_pa_m3_s.unwrap());
}

#[test]
fn a_recording_is_kept_once() {
    let dir = tempfile::tempdir().unwrap();
    let path = three(dir.path());
    let mut register = Register::open(&path, Access::Write).unwrap();
    let bytes = std::fs::read(dir.path().join("HM-002.hold")).unwrap();
    let again = register.append(&bytes, &RunMeta::default(), now()).unwrap();
    assert_eq!((again.number, again.new), (2, false));
    assert_eq!(register.count(&RunFilter::default()).unwrap(), 3);
}

/// A register's file without what keeps its records from being changed.
fn unguarded(path: &Path) -> Connection {
    let db = Connection::open(path).unwrap();
    db.execute_batch("PRAGMA foreign_keys = OFF").unwrap();
    let mut query = db.prepare("SELECT name FROM sqlite_schema WHERE type = 'trigger'").unwrap();
    let triggers: Vec<String> = query.query_map([], |row| row.get(0)).unwrap().collect::<Result<_, _>>().unwrap();
    drop(query);
    for trigger in triggers {
        db.execute_batch(&format!("DROP TRIGGER {trigger}")).unwrap();
    }
    db
}

/// Every way of spoiling a register, what undoes the guard against it, and what `verify` then says.
#[test]
fn what_was_altered_missing_or_reordered_is_named() {
    let dir = tempfile::tempdir().unwrap();
    let whole = three(dir.path());
    let cases = [
        ("UPDATE runs SET verdict = 'tight' WHERE number = 2", 2, "was altered: its seal"),
        ("UPDATE runs SET appended_at = '2026-03-02T10:00:01Z' WHERE number = 3", 3, "was altered: its seal"),
        ("UPDATE sides SET leak_pa_m3_s = 0.0 WHERE run = 2", 2, "was altered: its seal"),
        ("UPDATE recordings SET bytes = zeroblob(9) WHERE id = 2", 2, "a recording that was altered"),
        ("UPDATE recipes SET json = replace(json, '600000', '600001')", 1, "an entry in recipes that was altered"),
        ("DELETE FROM runs WHERE number = 2", 2, "is missing"),
        ("DELETE FROM runs WHERE number = 3", 3, "is missing from the end"),
        ("DELETE FROM recordings WHERE id = 1", 1, "has lost its recording"),
        (
            "UPDATE runs SET number = 9 WHERE number = 2; UPDATE runs SET number = 2 WHERE number = 3; \
             UPDATE runs SET number = 3 WHERE number = 9",
            2,
            "was altered: its seal",
        ),
    ];
    for (sql, number, what) in cases {
        let path = dir.path().join("spoiled.sqlite");
        std::fs::copy(&whole, &path).unwrap();
        let db = Connection::open(&path).unwrap();
        db.execute_batch("PRAGMA foreign_keys = OFF").unwrap();
        let guarded = db.execute_batch(sql).unwrap_err().to_string();
        assert!(guarded.contains("are never "), "{sql}: {guarded}");
        drop(db);
        let db = unguarded(&path);
        db.execute_batch(sql).unwrap();
        db.close().unwrap();
        let broken = Register::open(&path, Access::Read).unwrap().verify(|_| true).unwrap().valid().unwrap_err();
        assert_eq!(broken.number, number, "{sql}: {}", broken.what);
        assert!(broken.what.contains(what), "{sql}: {}", broken.what);
        let said = seathold(dir.path(), &["register", "verify", "--register", "[DIR]/spoiled.sqlite"]);
        assert_eq!(said.code, 6, "{sql}");
        std::fs::remove_file(&path).unwrap();
    }
    let said = seathold(dir.path(), &["register", "verify", "--register", "[DIR]/bench.sqlite"]);
    assert_eq!(said.code, 0, "{}", said.out);
}

/// What stands in no seal, and would hide a record or a batch if it were believed.
#[test]
fn what_hides_a_record_is_named() {
    let dir = tempfile::tempdir().unwrap();
    let whole = three(dir.path());
    let at = ["--register", "[DIR]/bench.sqlite"];
    let open = ["batch", "open", "spring", "--serials", "HM-001..HM-002", "--actuation", "air"];
    assert_eq!(seathold(dir.path(), &[&open[..], &at].concat()).code, 0);
    let cases = [
        ("UPDATE runs SET duplicate = 1 WHERE number = 2", 2, "is left out of counts"),
        (
            "INSERT INTO runs SELECT 9, bench, 5, recording, duplicate, serial, batch, after_rework, operator, started_at, ended_at, \
          appended_at, sides_requested, outcome, verdict, limit_pa_m3_s, recipe, recipe_name, rig, rig_name, calibrations, program, \
          source, identity, leak_unit, polls, previous, seal FROM runs WHERE number = 2; UPDATE runs SET bench = 'x' WHERE \
          id = 9",
            5,
            "is of a bench that is not listed",
        ),
        (
            "UPDATE benches SET complete = 0; DELETE FROM sides WHERE run = 2; DELETE FROM runs WHERE number = 2",
            4,
            "own chain",
        ),
        ("UPDATE batches SET name = 'autumn'", 4, "a batch whose name or check digit was altered"),
        ("UPDATE batches SET check_digit = 'luhn'", 4, "a batch whose name or check digit was altered"),
        ("UPDATE batches SET opened_at = '2020-01-01T00:00:00Z'", 4, "a batch whose moment of opening was altered"),
        ("DELETE FROM batch_valves WHERE position = 2", 4, "a batch whose list of valves was altered"),
        ("DELETE FROM batch_valves; DELETE FROM batches", 4, "a batch whose list of valves was altered"),
    ];
    for (sql, number, what) in cases {
        let path = dir.path().join("spoiled.sqlite");
        std::fs::copy(&whole, &path).unwrap();
        let db = unguarded(&path);
        db.execute_batch(sql).unwrap();
        db.close().unwrap();
        let broken = Register::open(&path, Access::Read).unwrap().verify(|_| true).unwrap().valid().unwrap_err();
        assert!(broken.number == number && broken.what.contains(what), "{sql}: {} {}", broken.number, broken.what);
        std::fs::remove_file(&path).unwrap();
    }
}

/// A transducer without noise gives an uncertainty part of minus nothing: to SQLite that is nothing, and the seal must
/// be over what it gives back.
#[test]
fn minus_nothing_is_no_alteration() {
    let dir = tempfile::tempdir().unwrap();
    let template = seathold(dir.path(), &["rig", "template"]);
    let coarse = |line: &str| match line.split('=').next().map(str::trim) {
        Some("far_zero") => "far_zero = 2000".to_owned(),
        Some("far_per_count") => "far_per_count = \"290 Pa/count\"".to_owned(),
        Some("far_counts_min") => "far_counts_min = 1700".to_owned(),
        Some("far_counts_max") => "far_counts_max = 30000".to_owned(),
        Some("far_flickers") => "far_flickers = false".to_owned(),
        _ => line.to_owned(),
    };
    let rig: Vec<String> = template.out.lines().map(coarse).collect();
    std::fs::write(dir.path().join("rig.toml"), rig.join("\n")).unwrap();
    let run = ["run", "-q", "--rig-file", "[DIR]/rig.toml", "--valve", "scratched-seat-a", "--set", "far.noise=0 Pa"];
    let kept = ["--out", "[DIR]/a.hold", "--register", "[DIR]/bench.sqlite"];
    let said = seathold(dir.path(), &[&run[..], &kept].concat());
    assert_eq!(said.code, 1, "{}", said.err);
    let said = seathold(dir.path(), &["register", "verify", "--register", "[DIR]/bench.sqlite"]);
    assert_eq!(said.code, 0, "{}", said.out);
}

/// A record that was sealed anew after it was altered no longer fits the one after it.
#[test]
fn a_record_replaced_with_its_seal_is_found_by_the_next() {
    let dir = tempfile::tempdir().unwrap();
    let (one, other) = (three(dir.path()), dir.path().join("other.sqlite"));
    // The same runs, the second appended at another time, so that both files are good by themselves.
    let bench = |path: &Path| {
        let db = Connection::open(path).unwrap();
        db.query_row("SELECT bench, seal FROM benches", [], |r| Ok((r.get::<_, String>(0)?, r.get::<_, String>(1)?)))
    };
    let mut register = Register::open(&other, Access::Make).unwrap();
    drop(register);
    let (uuid, _) = bench(&one).unwrap();
    let db = Connection::open(&other).unwrap();
    db.execute("UPDATE benches SET bench = ?, seal = ?", [&uuid, &seathold_register::open::genesis(&uuid)]).unwrap();
    drop(db);
    register = Register::open(&other, Access::Write).unwrap();
    for (serial, seconds) in [("HM-001", 0), ("HM-002", 60), ("HM-003", 0)] {
        let bytes = std::fs::read(dir.path().join(format!("{serial}.hold"))).unwrap();
        let at = Timestamp::from_second(now().as_second() + seconds).unwrap();
        register.append(&bytes, &RunMeta::default(), at).unwrap();
    }
    register.verify(|_| true).unwrap().valid().unwrap();
    drop(register);
    let db = Connection::open(&one).unwrap();
    db.execute_batch("DROP TRIGGER runs_stay").unwrap();
    db.execute("ATTACH ? AS other", [other.to_str().unwrap()]).unwrap();
    db.execute_batch(
        "UPDATE runs SET (appended_at, seal) = (SELECT appended_at, seal FROM other.runs o WHERE o.number = 2) \
         WHERE number = 2",
    )
    .unwrap();
    drop(db);
    let broken = Register::open(&one, Access::Read).unwrap().verify(|_| true).unwrap().valid().unwrap_err();
    assert_eq!(broken.number, 3);
    assert!(broken.what.contains("does not follow the record before it"), "{}", broken.what);
}

#[test]
fn foreign_newer_and_missing_files_are_refused_and_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    let trouble = |name: &str, access| match Register::open(&dir.path().join(name), access) {
        Err(Error::Register { why, .. }) => why,
        other => panic!("{name}: {other:?}"),
    };
    std::fs::write(dir.path().join("text"), "not a database, but long enough to be looked at").unwrap();
    Connection::open(dir.path().join("foreign")).unwrap().execute_batch("CREATE TABLE a (b)").unwrap();
    drop(Register::open(&dir.path().join("newer"), Access::Make).unwrap());
    Connection::open(dir.path().join("newer")).unwrap().execute_batch("PRAGMA user_version = 99").unwrap();
    for access in [Access::Read, Access::Write, Access::Make] {
        for (name, why) in
            [("text", RegisterError::Foreign), ("foreign", RegisterError::Foreign), ("newer", RegisterError::Newer(99))]
        {
            let path = dir.path().join(name);
            let before = std::fs::read(&path).unwrap();
            assert_eq!(trouble(name, access), why, "{name}");
            assert!(std::fs::read(&path).unwrap() == before, "{name} was touched");
        }
    }
    assert_eq!(trouble("missing", Access::Read), RegisterError::Missing);
    assert_eq!(trouble("missing", Access::Write), RegisterError::Missing);
    assert!(!dir.path().join("missing").exists());
}

#[test]
fn a_run_that_the_register_refuses_keeps_its_recording_and_says_how_to_go_on() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("foreign"), "not a database, but long enough to be looked at").unwrap();
    let run = ["run", "-q", "--sides", "first", "--out", "[DIR]/a.hold", "--register", "[DIR]/foreign"];
    let said = seathold(dir.path(), &run);
    assert_eq!(said.code, 6);
    // The result was told all the same.
    assert!(said.out.starts_with("HM-001  TIGHT"), "{}", said.out);
    assert_eq!(
        said.err,
        "error: not in the register: [DIR]/foreign: not a seathold register; it has been left as it is\n  \
         the run is not lost, its recording is complete: [DIR]/a.hold\n  \
         import it later: seathold register import [DIR]/a.hold --register [DIR]/foreign\n"
    );
    let said = seathold(dir.path(), &["register", "import", "[DIR]/a.hold", "--register", "[DIR]/good"]);
    assert_eq!((said.code, said.out.as_str()), (0, "[DIR]/a.hold: record 1\n"));
}

/// Each way of asking gives the runs that a look through all of them gives.
#[test]
fn what_is_looked_for_is_found() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path();
    let runs = [
        ("HM-001", "2026-01-10T08:00:00Z", "Ada", &[][..]),
        ("HM-002", "2026-01-11T08:00:00Z", "Ben", &["--seat-a", "20 mm3/s"]),
        ("HM-001", "2026-02-01T00:00:00Z", "Ben", &["--recipe", "dn25-hand", "--actuation", "hand"]),
        ("HM-003", "2026-03-01T23:59:59Z", "Ada", &["--seat-a", "9 mm3/s"]),
        ("HM-004", "2026-03-02T08:00:00Z", "Ada", &["--fault", "guard@0s"]),
    ];
    for (n, (serial, at, operator, more)) in runs.iter().enumerate() {
        let out = format!("[DIR]/{n}.hold");
        let run = ["run", "-q", "--sides", "first", "--serial", serial, "--started-at", at, "--operator", operator];
        let run = [&run[..], more, &["--out", &out, "--register", "[DIR]/bench.sqlite"]].concat();
        assert!(seathold(folder, &run).code <= 3);
    }
    let found = |more: &[&str]| -> Vec<u64> {
        let said = seathold(folder, &[&["find", "--json", "--register", "[DIR]/bench.sqlite"], more].concat());
        assert_eq!(said.code, 0, "{more:?}: {}", said.err);
        let number = |line: &str| serde_json::from_str::<serde_json::Value>(line).unwrap()["run"]["number"].as_u64();
        said.out.lines().filter_map(number).collect()
    };
    for (more, numbers) in [
        (&[][..], &[1, 2, 3, 4, 5][..]),
        (&["--serial", "HM-001"], &[1, 3]),
        (&["--serial", "HM-00"], &[]),
        (&["--verdict", "leaking"], &[2, 4]),
        (&["--verdict", "tight"], &[1, 3]),
        (&["--verdict", "tight", "--verdict", "leaking"], &[1, 2, 3, 4]),
        (&["--verdict", "none"], &[5]),
        (&["--verdict", "none", "--verdict", "leaking"], &[2, 4, 5]),
        (&["--since", "2026-01-11"], &[2, 3, 4, 5]),
        (&["--until", "2026-01-31"], &[1, 2]),
        (&["--until", "2026-02-01"], &[1, 2, 3]),
        (&["--since", "2026-03-01", "--until", "2026-03-01"], &[4]),
        (&["--since", "2026-01-10T09:00:00+01:00", "--until", "2026-01-11T08:00:00Z"], &[1]),
        (&["--operator", "Ben", "--since", "2026-01-20"], &[3]),
        (&["--recipe-name", "dn25-hand"], &[3]),
        (&["--leak", "15 mm3/s.."], &[2]),
        (&["--leak", "5 mm3/s..15 mm3/s"], &[4]),
        (&["--leak", "..5 mm3/s"], &[1, 3]),
    ] {
        assert_eq!(found(more), numbers, "{more:?}");
    }
    let register = Register::open(&folder.join("bench.sqlite"), Access::Read).unwrap();
    let hash = register.run_named("3").unwrap().recipe;
    assert_eq!(found(&["--recipe-name", &hash[..10]]), [3]);
    for (more, why) in [
        (["--since", "last week"], "--since: \"last week\" is no date like 2026-03-02"),
        (["--leak", "5 mm3/s"], "--leak: \"5 mm3/s\" is no range"),
        (["--batch", "spring"], "there is no batch spring"),
    ] {
        let said = seathold(folder, &[&["find", "--register", "[DIR]/bench.sqlite"], &more[..]].concat());
        assert!(said.code == 2 && said.err.contains(why), "{}", said.err);
    }
}

/// A run is named by its number, by the beginning of its bench and its number, or by the beginning of its hash; nothing
/// of a name stands for anything else.
#[test]
fn a_run_is_found_by_its_name_alone() {
    let dir = tempfile::tempdir().unwrap();
    let register = Register::open(&three(dir.path()), Access::Read).unwrap();
    let second = register.run_named("2").unwrap();
    let begin = &second.bench[..8];
    for name in
        [second.name(), format!("{begin}/2"), format!("{}/2", begin.to_uppercase()), second.recording[..8].into()]
    {
        assert_eq!(register.run_named(&name).unwrap().number, 2, "{name}");
    }
    let patterns = ["%/2", "_%/2", "/2", "\\%/2", "%", "______", "*/2", &format!("{}_/2", &begin[..7]), "2/2/2"];
    for name in patterns {
        let said = register.run_named(name).unwrap_err().to_string();
        assert!(said.contains("there is no record"), "{name}: {said}");
    }
}

/// More runs than are read at a time, many of the same second: each is given once, in order.
#[test]
fn pages_neither_lose_nor_repeat() {
    let dir = tempfile::tempdir().unwrap();
    // Refused for its open guard, so a recording of a few polls.
    let out = ["--fault", "guard@0s", "--out", "[DIR]/seed.hold", "--serial", SERIAL];
    assert_eq!(seathold(dir.path(), &[&["run", "-q"], &out[..]].concat()).code, 3);
    let bytes = std::fs::read(dir.path().join("seed.hold")).unwrap();
    let mut register = Register::open(&dir.path().join("bench.sqlite"), Access::Make).unwrap();
    for n in 0..700 {
        let renamed = renamed(&bytes, &format!("HM-{n:06}"));
        register.append(&renamed, &RunMeta::default(), now()).unwrap();
    }
    let numbers: Vec<i64> = register.runs(RunFilter::default()).map(|run| run.unwrap().number).collect();
    assert_eq!(numbers, (1..=700).collect::<Vec<_>>());
}

/// docs/register.md is the stated format: its tables are the ones that a new register has.
#[test]
fn the_tables_are_as_documented() {
    let doc = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs/register.md")).unwrap();
    let stated = Connection::open_in_memory().unwrap();
    let sql = doc.split("```sql\n").nth(1).and_then(|rest| rest.split("```").next()).unwrap();
    stated.execute_batch(sql).unwrap();
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("bench.sqlite");
    drop(Register::open(&path, Access::Make).unwrap());
    let real = Connection::open(&path).unwrap();
    let schema = |db: &Connection, condition: &str| -> Vec<(String, String)> {
        let text = format!("SELECT name, sql FROM sqlite_schema WHERE sql IS NOT NULL AND {condition} ORDER BY name");
        let mut query = db.prepare(&text).unwrap();
        let rows = query.query_map([], |row| Ok((row.get(0)?, row.get(1)?))).unwrap();
        rows.collect::<Result<_, _>>().unwrap()
    };
    assert_eq!(schema(&stated, "type != 'trigger'"), schema(&real, "type != 'trigger'"));
    let number = |name: &str| real.pragma_query_value(None, name, |row| row.get::<_, i64>(0)).unwrap();
    assert!(doc.contains(&format!("`PRAGMA application_id` is {} ", number("application_id"))));
    assert!(doc.contains(&format!("version {}.", number("user_version"))));
    // Each table whose triggers are promised has both.
    let triggers: Vec<String> = schema(&real, "type = 'trigger'").into_iter().map(|t| t.0).collect();
    let promised = doc.split("refuse to change or delete ").nth(1).unwrap().split('.').next().unwrap();
    let tables: Vec<&str> = promised.split('`').skip(1).step_by(2).collect();
    assert_eq!(tables.len() * 2, triggers.len());
    for table in tables {
        assert!(triggers.contains(&format!("{table}_stay")) && triggers.contains(&format!("{table}_keep")), "{table}");
    }
}

/// Seals made again from the tables alone, by another program in another language: the one in docs/register.md. Where
/// there is no Python this fails: a check that was left out must not look like one that was passed.
#[test]
fn seals_by_the_program_in_the_book() {
    let dir = tempfile::tempdir().unwrap();
    let path = three(dir.path());
    let mut register = Register::open(&path, Access::Write).unwrap();
    register.open_batch("b", &[], "", "Ada", now()).unwrap();
    drop(register);
    let doc = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs/register.md")).unwrap();
    let program = doc.split("```python\n").nth(1).and_then(|rest| rest.split("```").next()).unwrap();
    let name = std::env::var_os("PYTHON").unwrap_or_else(|| "python3".into());
    let python = || {
        let ended = std::process::Command::new(&name).args(["-c", program]).current_dir(dir.path()).output();
        ended.unwrap_or_else(|why| panic!("{name:?}: {why}; install Python 3, or name one by PYTHON"))
    };
    let good = python();
    assert!(good.status.success(), "{}", String::from_utf8_lossy(&good.stderr));
    let db = Connection::open(&path).unwrap();
    db.execute_batch("DROP TRIGGER sides_stay; UPDATE sides SET fall_pa = fall_pa + 1 WHERE run = 3").unwrap();
    drop(db);
    assert!(String::from_utf8_lossy(&python().stderr).contains("AssertionError"));
}
