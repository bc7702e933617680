//! Pages of evidence: what they say, that nothing in a recording can become a part of the page, and their looks.

use std::path::Path;
use std::sync::OnceLock;

use proptest::prelude::*;
use seathold_document::html;
use seathold_report::{Evidence, by_valve, valve};
use seathold_tests::cli_kit::{recorded, seathold};

fn shipped(name: &str) -> String {
    format!("{}/recordings/current/{name}.hold", env!("CARGO_MANIFEST_DIR"))
}

fn golden_page(name: &str, page: &str) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("golden/pages").join(name);
    snapbox::assert_data_eq!(page, snapbox::Data::read_from(&path, Some(snapbox::data::DataFormat::Text)).raw());
}

#[test]
fn pages_look_as_they_did() {
    let dir = tempfile::tempdir().unwrap();
    let said = seathold(dir.path(), &["report", &shipped("scratched-seat-a"), "-o", "[DIR]/valve.html"]);
    assert_eq!((said.code, said.err.as_str()), (0, ""));
    golden_page("valve-leaking.html", &std::fs::read_to_string(dir.path().join("valve.html")).unwrap());
    let files = [shipped("tight"), shipped("scratched-seat-a"), shipped("hand")];
    let arguments =
        [&["report"], files.each_ref().map(String::as_str).as_slice(), &["-o", "[DIR]/batch.html"]].concat();
    let said = seathold(dir.path(), &arguments);
    assert_eq!((said.code, said.err.as_str()), (0, ""));
    golden_page("batch.html", &std::fs::read_to_string(dir.path().join("batch.html")).unwrap());
}

/// What stands on the sheets is read by another program: tests/outside/sheets.py.
#[test]
fn sheets_are_as_asked_for_and_the_same_every_time() {
    let dir = tempfile::tempdir().unwrap();
    let write = |name: &str, more: &[&str]| {
        let out = format!("[DIR]/{name}.pdf");
        let said = seathold(dir.path(), &[&["report", &shipped("scratched-seat-a"), "-o", &out], more].concat());
        assert_eq!((said.code, said.err.as_str()), (0, ""));
        std::fs::read(dir.path().join(format!("{name}.pdf"))).unwrap()
    };
    let (a4, again, letter) =
        (write("a4", &[]), write("again", &["--page-size", "a4"]), write("x", &["--page-size", "letter"]));
    assert_eq!(a4, again);
    let has = |bytes: &[u8], text: &str| bytes.windows(text.len()).any(|part| part == text.as_bytes());
    assert!(has(&a4, "/MediaBox[0 0 595.276 841.89]") && has(&letter, "/MediaBox[0 0 612 792]"));
    // The file's date is that of the run, not of the day it was written.
    assert!(has(&a4, "D:20260302093000Z"), "{}", String::from_utf8_lossy(&a4[a4.len() - 900..]));
}

#[test]
fn a_fault_and_a_missing_side_are_told() {
    let dir = tempfile::tempdir().unwrap();
    seathold(dir.path(), &["run", "-q", "--fault", "guard@20s", "--out", "[DIR]/fault.hold"]);
    let said = seathold(dir.path(), &["report", "[DIR]/fault.hold", "-o", "[DIR]/fault.html"]);
    assert_eq!(said.code, 0);
    let page = std::fs::read_to_string(dir.path().join("fault.html")).unwrap();
    assert!(page.contains("<strong>Not proved</strong>"));
    assert!(page.contains("No result for the second side."));
    assert!(page.contains("<strong>Fault</strong> the guard was opened during the run"));
    assert!(!page.contains(">tight<"));
}

#[test]
fn a_later_run_of_a_side_counts_whatever_came_of_it() {
    let dir = tempfile::tempdir().unwrap();
    let run = |name: &str, more: &[&str]| {
        let out = format!("[DIR]/{name}.hold");
        seathold(dir.path(), &[&["run", "-q", "--serial", "HM-001", "--out", &out], more].concat());
    };
    run("first", &["--sides", "first", "--started-at", "2026-03-02T09:00:00Z"]);
    run("second", &["--sides", "second", "--started-at", "2026-03-02T10:00:00Z"]);
    let word = || {
        let names = std::fs::read_dir(dir.path()).unwrap().map(|e| e.unwrap().path());
        let runs: Vec<Evidence> = names.map(|path| Evidence::read(&path).unwrap()).collect();
        by_valve(&runs)[0].word()
    };
    assert_eq!(word(), "tight");
    run("again", &["--sides", "first", "--fault", "guard@20s", "--started-at", "2026-03-02T11:00:00Z"]);
    assert_ne!(word(), "tight");
}

#[test]
fn damage_is_on_the_page_and_in_the_exit_code() {
    let dir = tempfile::tempdir().unwrap();
    let path = recorded(dir.path(), "a.hold", &[]);
    let bytes = std::fs::read(&path).unwrap();
    std::fs::write(&path, &bytes[..bytes.len() / 2]).unwrap();
    let said = seathold(dir.path(), &["report", "[DIR]/a.hold", "-o", "[DIR]/a.html"]);
    assert_eq!(said.code, 6);
    assert!(said.err.contains("The page says so."), "{}", said.err);
    assert!(
        std::fs::read_to_string(dir.path().join("a.html")).unwrap().contains("<strong>Recording incomplete</strong>")
    );
}

#[test]
fn mistakes_are_named() {
    let dir = tempfile::tempdir().unwrap();
    let fails = |arguments: &[&str], what: &str, code: u8| {
        let said = seathold(dir.path(), arguments);
        assert!(said.err.contains(what) && said.code == code, "{arguments:?}: {} {}", said.code, said.err);
    };
    let tight = shipped("tight");
    fails(&["report", &tight, "-o", "[DIR]/page.doc"], "must end in .html or .pdf", 2);
    fails(&["report", &tight, "-o", "[DIR]/page.pdf", "--page-size", "a3"], "invalid value 'a3'", 2);
    // A file where a folder would have to be.
    std::fs::write(dir.path().join("no"), "").unwrap();
    fails(&["report", &tight, "-o", "[DIR]/no/page.pdf"], "could not write", 6);
    fails(&["report", "[DIR]", "-o", "[DIR]/page.html"], "no recording (.hold)", 2);
    fails(&["report", &tight, "--serial", "X-1", "-o", "[DIR]/page.html"], "no recording there is of valve X-1", 2);
    fails(&["report", &tight, "-o", "[DIR]/no/page.html"], "could not write", 6);
    fails(&["report", "[DIR]/none.hold", "-o", "[DIR]/page.html"], "could not read", 6);
    let left: Vec<_> = std::fs::read_dir(dir.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    assert_eq!(left, ["no"], "nothing half written is left");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever stands in a recording is text on the page: it opens no tag, ends no attribute, and begins no entity of
    /// its own.
    #[test]
    fn words_of_a_recording_stay_words(words in "[<>&\"'a-z/! -]{1,40}") {
        static READ: OnceLock<Evidence> = OnceLock::new();
        let read = READ.get_or_init(|| Evidence::read(Path::new(&shipped("scratched-seat-a"))).unwrap());
        let page = |words: &str| {
            let mut run = read.clone();
            run.header.serial = words.into();
            run.header.operator = words.into();
            run.header.recipe_name = words.into();
            run.header.rig_name = words.into();
            run.header.calibrations = vec![words.into()];
            run.name = words.into();
            let runs = [run];
            html::page(&valve::document(&by_valve(&runs)[0]))
        };
        let (plain, odd) = (page("plain"), page(&words));
        for sign in ['<', '>', '"'] {
            prop_assert_eq!(plain.matches(sign).count(), odd.matches(sign).count(), "{}", sign);
        }
        let escaped = words.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;");
        prop_assert!(odd.contains(&escaped));
    }
}
