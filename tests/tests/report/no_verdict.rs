//! A recording that does not replay proves nothing, and what is handed over says so.

use seathold_tests::cli_kit::{recorded, seathold};
use seathold_tests::register_kit::forged;

#[test]
fn what_does_not_replay_carries_no_verdict() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let read = |name: &str, more: &[&str]| std::fs::read(recorded(dir, name, more)).unwrap();
    let (leaking, tight) =
        (read("a.hold", &["--valve", "scratched-seat-a", "--serial", "HM-001"]), read("b.hold", &[]));
    std::fs::write(dir.join("spliced.hold"), forged(&leaking, |_| (), &tight)).unwrap();
    // One that was cut off behind its last event is damaged, and no better.
    let bytes = std::fs::read(dir.join("spliced.hold")).unwrap();
    std::fs::write(dir.join("cut.hold"), &bytes[..bytes.len() - 8]).unwrap();
    for name in ["spliced", "cut"] {
        let file = format!("[DIR]/{name}.hold");
        let said = seathold(dir, &["report", &file, "-o", "[DIR]/page.html"]);
        assert_eq!(said.code, 5, "{}", said.err);
        assert!(said.out.contains("NO VERDICT: does not replay"), "{}", said.out);
        let page = std::fs::read_to_string(dir.join("page.html")).unwrap();
        let first = page.find("NO VERDICT: does not replay").expect("the headline");
        assert!(first < page.find("Serial number").unwrap());
        // The settings say what a limit and a risk are.
        let (told, settings) = page.split_once(">Settings<").unwrap();
        assert!(!told.to_lowercase().contains("tight") && !settings.contains("Tight"), "{page}");
        let said = seathold(dir, &["report", &file, "-o", "[DIR]/page.pdf"]);
        assert!(said.code == 5 && said.out.contains("NO VERDICT: does not replay"), "{}", said.out);
        let both = seathold(dir, &["report", &file, "[DIR]/b.hold", "-o", "[DIR]/both.html", "--title", "Two"]);
        assert_eq!(both.code, 5);
        let page = std::fs::read_to_string(dir.join("both.html")).unwrap();
        assert!(page.contains("NO VERDICT: does not replay"));
        let export = ["export", &file, "--runs", "[DIR]/runs.jsonl", "--sides", "[DIR]/sides.jsonl"];
        let said = seathold(dir, &export);
        assert!(said.code == 5 && said.err.contains("does not replay"), "{} {}", said.code, said.err);
        let table = std::fs::read_to_string(dir.join("runs.jsonl")).unwrap();
        assert!(table.contains("\"replays\":false") && table.contains("\"verdict\":\"no-verdict\""), "{table}");
        assert_eq!(std::fs::read_to_string(dir.join("sides.jsonl")).unwrap(), "");
    }
}

/// What a register says of such a run in its columns is no result either: not in the status of its valve, nor in the
/// tally of its batch.
#[test]
fn a_batch_counts_no_run_that_does_not_replay() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let at = ["--register", "[DIR]/bench.sqlite"];
    let say = |arguments: &[&str]| seathold(dir, &[arguments, &at[..]].concat());
    assert_eq!(say(&["batch", "open", "spring", "--serials", "HM-001"]).code, 0);
    let both = |name: &str, more: &[&str]| {
        let out = format!("[DIR]/{name}");
        seathold(dir, &[&["run", "-q", "--serial", "HM-001", "--out", &out], more].concat());
        std::fs::read(dir.join(name)).unwrap()
    };
    let (tight, leaking) = (both("a.hold", &[]), both("b.hold", &["--valve", "scratched-seat-a"]));
    assert_eq!(say(&["register", "import", "[DIR]/a.hold", "--batch", "spring"]).code, 0);
    let page = |code: u8| {
        let said = say(&["report", "--batch", "spring", "-o", "[DIR]/page.html"]);
        assert_eq!(said.code, code, "{}", said.err);
        std::fs::read_to_string(dir.join("page.html")).unwrap()
    };
    assert!(page(0).contains("of 1 valves 1 tight"));
    let db = rusqlite::Connection::open(dir.join("bench.sqlite")).unwrap();
    db.execute_batch("DROP TRIGGER recordings_stay").unwrap();
    let forged = forged(&leaking, |_| (), &tight);
    assert_eq!(db.execute("UPDATE recordings SET bytes = ?", [forged]).unwrap(), 1);
    drop(db);
    let said = say(&["batch", "close", "--operator", "Ada"]);
    assert!(said.code == 2 && said.err.contains("HM-001: record 2 would not be let in today"), "{}", said.err);
    assert!(said.err.contains("of 1 valves 0 tight"), "{}", said.err);
    let page = page(6);
    assert!(page.contains("NO VERDICT: does not replay") && page.contains("of 1 valves 0 tight"), "{page}");
    assert!(!page.contains("Tight") && !page.contains(">tight"), "{page}");
}
