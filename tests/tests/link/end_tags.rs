//! `run --end-tags`: a side begins only when the tag of the end on the supply side is scanned, and the report says so.

use std::path::Path;
use std::sync::atomic::AtomicUsize;

use seathold_recording as recording;
use seathold_recording::replay::replay;
use seathold_tests::cli_kit;
use seathold_tests::doctor_kit::answered;
use seathold_tests::served_kit::Rig;

/// The wrong end first, each time, and Enters without end.
const SCANS: [(&str, &str); 6] = [
    ("HM-001/A, begins", "HM-001/B"),
    ("HM-001/A has to be on the supply side", "hm-001/a"),
    ("supply side, HM-001/B;", "HM-001/A"),
    ("HM-001/B has to be on the supply side", "HM-001/B"),
    ("Enter when done", ""),
    ("Enter begins", ""),
];

fn run(dir: &Path, name: &str, more: &[&str]) -> (u8, String, String) {
    let rig = Rig::on("127.0.0.1:0", &[]);
    let (at, file) = (format!("tcp:{}", rig.at), dir.join(name));
    let on = ["run", "--rig", &at, "--serial", "HM-001", "--interactive", "--out", file.to_str().unwrap()];
    answered(&[&on, more].concat(), &AtomicUsize::new(0), &SCANS, 2, &mut |_| {})
}

#[test]
fn a_side_begins_when_its_end_is_scanned() {
    let dir = tempfile::tempdir().unwrap();
    let (code, out, err) = run(dir.path(), "tags.hold", &["--end-tags"]);
    assert_eq!(code, 0, "{out}{err}");
    for refused in [
        "\"HM-001/B\" is not the end asked for: HM-001/A",
        "\"HM-001/A\" is not the end asked for: HM-001/B",
        "Enter alone is not",
    ] {
        assert!(err.contains(refused), "{refused}: {err}");
    }
    let at = |text: &str| err.find(text).unwrap_or_else(|| panic!("{text}: {err}"));
    assert!(at("\"HM-001/B\" is not") < at("first side: fill"), "{err}");
    assert!(at("\"HM-001/A\" is not") < at("second side: fill"), "{err}");
    let file = recording::read(&dir.path().join("tags.hold")).unwrap();
    assert!(file.header.end_tags);
    assert_eq!(replay(&file), Ok(None));
    let report = |name: &str| {
        let [run, page] = ["hold", "html"].map(|ending| dir.path().join(format!("{name}.{ending}")));
        let arguments = ["report", run.to_str().unwrap(), "--out", page.to_str().unwrap()];
        let said = cli_kit::seathold(dir.path(), &arguments);
        assert_eq!(said.code, 0, "{}", said.err);
        std::fs::read_to_string(page).unwrap()
    };
    assert!(report("tags").contains("no side began before the tag"), "the page says which proof it had");

    let (code, out, err) = run(dir.path(), "word.hold", &[]);
    assert_eq!(code, 0, "{out}{err}");
    assert!(!recording::read(&dir.path().join("word.hold")).unwrap().header.end_tags);
    assert!(report("word").contains("on the operator's word"), "the page says which proof it had");
}

#[test]
fn where_nobody_can_scan_it_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    for (arguments, why) in [
        (&["run", "--end-tags"][..], "--end-tags: nobody is there to scan"),
        (
            &["run", "--end-tags", "--interactive", "--valve", "dirty-seat-b"],
            "--end-tags: a tag has the serial number in it",
        ),
    ] {
        let said = cli_kit::seathold(dir.path(), arguments);
        assert_eq!(said.code, 2, "{}{}", said.out, said.err);
        assert!(said.err.contains(why), "{}", said.err);
        assert!(!dir.path().join("recordings").exists(), "nothing was begun");
    }
}
