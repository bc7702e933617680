//! The gate: what does not replay, or has numbers or names out of all bounds, becomes no record and is not lost.

use std::path::Path;

use seathold_recording::Header;
use seathold_recording::frame::{FrameKind, HEAD, read_frame, write_frame};
use seathold_recording::value::RecordValue;
use seathold_sequencer::event::Event;
use seathold_tests::cli_kit::{Said, recorded, seathold};
use seathold_tests::register_kit::forged;
use sha2::{Digest, Sha256};

const AT: [&str; 2] = ["--register", "[DIR]/bench.sqlite"];

fn say(dir: &Path, arguments: &[&str]) -> Said {
    seathold(dir, &[arguments, &AT[..]].concat())
}

/// The bytes of a run of one side.
fn run(dir: &Path, serial: &str, more: &[&str]) -> Vec<u8> {
    let name = format!("{serial}.hold");
    std::fs::read(recorded(dir, &name, &[&["--serial", serial], more].concat())).unwrap()
}

/// Leaking readings under the events of a tight run.
fn spliced(dir: &Path) -> Vec<u8> {
    let leaking = run(dir, "HM-002", &["--seat-a", "20 mm3/s"]);
    let tight = run(dir, "HM-001", &[]);
    forged(&leaking, |_| (), &tight)
}

/// Serials of the runs that are listed.
fn listed(dir: &Path) -> Vec<String> {
    let said = say(dir, &["find", "--json"]);
    assert_eq!(said.code, 0, "{}", said.err);
    let serial = |line: &str| serde_json::from_str::<serde_json::Value>(line).unwrap()["run"]["serial"].clone();
    said.out.lines().map(|line| serial(line).as_str().unwrap().to_owned()).collect()
}

#[test]
fn leaking_readings_under_the_events_of_a_tight_run_do_not_get_in() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let bad = spliced(dir);
    std::fs::write(dir.join("spliced.hold"), &bad).unwrap();
    let import = ["register", "import", "[DIR]/HM-001.hold", "[DIR]/spliced.hold", "[DIR]/HM-002.hold"];
    let said = say(dir, &import);
    assert_eq!(said.code, 6, "{}{}", said.out, said.err);
    assert!(said.out.ends_with("3 recordings: 2 kept, 0 already there, 1 quarantined\n"), "{}", said.out);
    assert_eq!(listed(dir), ["HM-001", "HM-002"]);
    let said = say(dir, &["register", "quarantine", "list"]);
    assert!(
        said.code == 0 && said.out.contains("spliced.hold") && said.out.contains("does not replay"),
        "{}",
        said.out
    );
    assert!(say(dir, &["register", "info"]).out.contains("1 in quarantine"));
    assert_eq!(say(dir, &["register", "verify"]).code, 0);
    // Once more: it is there once.
    assert_eq!(say(dir, &import).code, 6);
    assert_eq!(say(dir, &["register", "quarantine", "list", "--json"]).out.lines().count(), 1);
    // Taken out it is a file again, byte for byte.
    let said = say(dir, &["register", "quarantine", "remove", "1", "--out", "[DIR]/back.hold"]);
    assert_eq!(said.code, 0, "{}", said.err);
    assert!(std::fs::read(dir.join("back.hold")).unwrap() == bad);
    assert_eq!(say(dir, &["register", "quarantine", "list"]).out, "nothing is in quarantine\n");
    assert_eq!(say(dir, &["register", "quarantine", "remove", "1"]).code, 2);
}

/// One recording poisons no register, and no command that reads the file alone.
#[test]
fn what_is_out_of_all_bounds_does_not_get_in_and_hangs_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let good = run(dir, "HM-001", &[]);
    type Change = fn(&mut Header);
    let cases: [(&str, Change); 9] = [
        ("reference", |h| h.recipe.reference_pa = 0.0),
        ("limit", |h| h.recipe.limit_pa_m3_s = 1.7e308),
        ("background", |h| h.rig.background_pa_m3_s = 1e308),
        ("serial", |h| h.serial = "HM-001\nHM-002".into()),
        ("serial", |h| h.serial = String::new()),
        ("serial", |h| h.serial = "x".repeat(250)),
        ("operator", |h| h.operator = "Ada\u{1b}[2J".into()),
        ("started_at", |h| h.started_at = "yesterday".into()),
        ("sides", |h| h.sides = seathold_sequencer::input::Sides::Second),
    ];
    for (n, (what, change)) in cases.into_iter().enumerate() {
        std::fs::write(dir.join("bad.hold"), forged(&good, change, &good)).unwrap();
        let said = say(dir, &["register", "import", "[DIR]/bad.hold"]);
        assert_eq!(said.code, 6, "{what}: {}{}", said.out, said.err);
        let said = say(dir, &["register", "quarantine", "list", "--json"]);
        let last: serde_json::Value = serde_json::from_str(said.out.lines().last().unwrap()).unwrap();
        assert_eq!(
            (said.out.lines().count(), last["reason"].as_str().unwrap().contains(what)),
            (n + 1, true),
            "{last}"
        );
        assert_eq!(listed(dir), [""; 0]);
        for command in [&["rejudge", "[DIR]/bad.hold"][..], &["show", "[DIR]/bad.hold"], &["find"]] {
            say(dir, command);
        }
        say(dir, &["report", "[DIR]/bad.hold", "-o", "[DIR]/bad.html"]);
    }
}

/// The recording with an event emptied of its fields: a replay finds nothing in it that differs, and no reader finds an
/// event in it.
fn emptied(recording: &[u8], event: &RecordValue) -> Vec<u8> {
    let (full, mut bytes, mut at) = (postcard::to_allocvec(event).unwrap(), recording[..HEAD].to_vec(), HEAD);
    loop {
        let (kind, payload, next) = read_frame(recording, at).unwrap();
        let mut payload = payload.to_vec();
        if kind == FrameKind::End {
            payload.truncate(payload.len() - 32);
            payload.extend_from_slice(&Sha256::digest(&bytes));
        } else if let Some(place) = payload.windows(full.len()).position(|w| w == full) {
            let empty = postcard::to_allocvec(&RecordValue::Map(Vec::new())).unwrap();
            payload.splice(place..place + full.len(), empty);
        }
        write_frame(&mut bytes, kind, &payload).unwrap();
        at = next;
        if kind == FrameKind::End {
            return bytes;
        }
    }
}

/// A leak that is left out of the events is no run without a result.
#[test]
fn a_result_that_was_emptied_does_not_get_in() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let leaking = run(dir, "HM-002", &["--seat-a", "20 mm3/s"]);
    let read = seathold_recording::read_bytes(&leaking).unwrap();
    let is_result = |node: &RecordValue| matches!(read.names.typed(node), Some(Event::SideFinished(_)));
    let result = read.event_log.iter().map(|(_, event)| event.node()).find(is_result).unwrap();
    let bytes = emptied(&leaking, &result);
    assert!(seathold_recording::read_bytes(&bytes).unwrap().summary().sides.is_empty());
    std::fs::write(dir.join("emptied.hold"), bytes).unwrap();
    let said = say(dir, &["register", "import", "[DIR]/emptied.hold"]);
    assert!(said.code == 6 && said.out.contains("cannot be made out"), "{}", said.out);
}

/// Names that the gate would refuse are refused before anything moves.
#[test]
fn a_run_of_this_program_is_looked_at_before_it_starts() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let said = say(dir, &["run", "-q", "--serial", "HM-001\tx", "--out", "[DIR]/a.hold"]);
    assert!(said.code == 2 && said.err.contains("serial"), "{} {}", said.code, said.err);
    assert!(!dir.join("a.hold").exists());
    let open = ["batch", "open", "spring\u{202e}", "--serials", "HM-001"];
    assert_eq!(say(dir, &open).code, 2);
}

/// What a person with an editor did to a row hides no other row.
#[test]
fn a_register_can_always_be_listed() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    for serial in ["HM-001", "HM-002", "HM-003", "HM-004"] {
        run(dir, serial, &[]);
        let file = format!("[DIR]/{serial}.hold");
        assert_eq!(say(dir, &["register", "import", &file]).code, 0);
    }
    let db = rusqlite::Connection::open(dir.join("bench.sqlite")).unwrap();
    db.execute_batch(
        "PRAGMA foreign_keys = OFF; DROP TRIGGER runs_stay; DROP TRIGGER sides_stay; \
         UPDATE runs SET verdict = 'splendid' WHERE number = 2; \
         UPDATE sides SET after_ms = -1 WHERE run = 3; UPDATE runs SET recipe = 'none' WHERE number = 4;",
    )
    .unwrap();
    let said = say(dir, &["find"]);
    assert_eq!(said.code, 6, "{}", said.err);
    assert!(said.out.contains("HM-001     tight"), "{}", said.out);
    for number in [2, 3, 4] {
        assert!(said.out.contains(&format!("{number}  unreadable: ")), "{}", said.out);
    }
    let said = say(dir, &["find", "--json"]);
    assert_eq!(said.out.lines().filter(|line| line.contains("\"unreadable\"")).count(), 3, "{}", said.out);
}
