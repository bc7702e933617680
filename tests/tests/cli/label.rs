//! `seathold label`, and labels that are scanned where a serial is asked for.

use std::path::Path;

use seathold_register::{Access, Register};
use seathold_tests::batch_kit::{opened, say, stands, typed};
use seathold_tests::register_kit::with_header;

const SCANNED: &str = "HM-001  TIGHT SIMULATED  2026-03-02";

fn label(dir: &Path, more: &[&str]) -> (u8, String) {
    let said = say(dir, &[&["label", "valve", "--tag", "--out", "[DIR]/l.pdf"], more].concat());
    (said.code, said.out + &said.err)
}

#[test]
fn a_scanned_label_is_taken_for_its_serial() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-003");
    // Before the test, after it, in front of a text, and to say which valve is clamped.
    let said = typed(dir, &[SCANNED], &["--operator", "Ada"]);
    assert_eq!(stands(dir), ["HM-001 tight", "HM-002 next", "HM-003 next"], "{}", said.err);
    let said = typed(dir, &["HM-002/A", SCANNED], &["--operator", "Ada"]);
    assert_eq!(stands(dir), ["HM-001 tight", "HM-002 tight", "HM-003 next"], "{}", said.err);
    assert!(said.err.contains("\"again HM-001\" tests it once more"), "{}", said.err);
    let lines = ["remark HM-001  TIGHT  2026-03-02 stiff handle", "handover Bo", "HM-002  TIGHT  2026-03-02"];
    let said = typed(dir, &lines, &["--operator", "Ada"]);
    assert!(said.out.contains("HM-001: remark") && said.out.contains("HM-002 is clamped"), "{} {}", said.out, said.err);
    let found = say(dir, &["find", "--serial", SCANNED]).out;
    assert!(found.starts_with("HM-001  DN 25  air\n") && found.contains("stiff handle (Ada)"), "{found}");
    let confirmed =
        typed(dir, &["HM-003", "HM-003  NOT PROVED  2026-03-02"], &["--operator", "Ada", "--confirm-serial"]);
    assert_eq!(stands(dir)[2], "HM-003 tight", "{}", confirmed.err);
    let other = typed(dir, &["again HM-003", SCANNED], &["--operator", "Ada", "--confirm-serial"]);
    assert!(other.err.contains("that is not HM-003: nothing was run"), "{}", other.err);
    let bolt = ["assembly", "bolt", SCANNED, "--fittings", "A,B", "--operator", "Ada"];
    assert!(say(dir, &bolt).out.starts_with("HM-001 bolted up"));
    // One of another batch, and what only looks like a label.
    let said = typed(dir, &["HM-777  TIGHT  2026-03-02", "HM-001 TIGHT 2026-03-02"], &["--operator", "Ada"]);
    assert!(said.err.contains("HM-777 is not on the list of batch spring"), "{}", said.err);
    assert!(said.err.contains("HM-001 TIGHT 2026-03-02 is not on the list"), "{}", said.err);
}

#[test]
fn the_same_labels_are_the_same_bytes_and_nobodys_file_is_replaced() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-040");
    assert_eq!(label(dir, &[]), (0, "40 labels of 62x29 mm written to [DIR]/l.pdf\n".into()));
    let first = std::fs::read(dir.join("l.pdf")).unwrap();
    assert!(first.starts_with(b"%PDF-") && first.len() < 200_000, "{} bytes", first.len());
    assert_eq!(label(dir, &["--size", "62 x 29 mm"]).0, 0);
    assert!(std::fs::read(dir.join("l.pdf")).unwrap() == first);
    std::fs::write(dir.join("l.pdf"), "three weeks of work").unwrap();
    let (code, said) = label(dir, &[]);
    assert!(code == 6 && said.contains("there already"), "{said}");
    assert_eq!(std::fs::read_to_string(dir.join("l.pdf")).unwrap(), "three weeks of work");
    assert_eq!(label(dir, &["--force"]).0, 0);
    assert!(std::fs::read(dir.join("l.pdf")).unwrap() == first);
}

#[test]
fn what_does_not_fit_is_refused_and_nothing_is_written() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let long = "X".repeat(64);
    std::fs::write(dir.join("list.csv"), format!("serial\nHM-001\n{long}\nP 4711/0815 22-A\n")).unwrap();
    assert_eq!(say(dir, &["batch", "open", "spring", "--list", "[DIR]/list.csv"]).code, 0);
    let (code, said) = label(dir, &[]);
    assert!(code == 2 && said.contains(&format!("label of {long}, 62x29 mm: ")), "{said}");
    assert!(said.contains("7 is the least that is legible: a wider label (--size) is needed"), "{said}");
    assert!(!said.contains("HM-001") && !dir.join("l.pdf").exists(), "{said}");
    assert_eq!(label(dir, &["--size", "210x60mm"]).0, 0);
    for (size, why) in [("62x10mm", "20 to 210 mm"), ("62", "62x29mm"), ("1e9x30mm", "20 to 210 mm")] {
        let (code, said) = label(dir, &["--size", size]);
        assert!(code == 2 && said.contains(why), "{said}");
    }
    let said = say(dir, &["label", "valve", "--out", "[DIR]/l.png"]);
    assert!(said.code == 2 && said.err.contains("must end in .pdf"), "{}", said.err);
    let (code, said) = label(dir, &["HM-0O1"]);
    assert!(code == 2 && said.contains("is it HM-001?"), "{said}");
}

/// A serial of another program's recording, with what would turn or hide it: it is refused, not shown as another.
#[test]
fn a_serial_that_would_be_shown_as_another_is_refused() {
    let mut refused = 0;
    let tight = std::fs::read(concat!(env!("CARGO_MANIFEST_DIR"), "/recordings/current/tight.hold")).unwrap();
    for (serial, why) in [
        ("HM-\u{202e}100", "U+202E"),
        ("HM-001\u{200b}", "U+200B"),
        ("HM-001\u{e000}", "U+E000"),
        ("\u{6f22}-1", "U+6F22"),
        (&"Long ".repeat(19), "is needed"),
    ] {
        let dir = tempfile::tempdir().unwrap();
        let dir = dir.path();
        with_header(&tight, &dir.join("a.hold"), |header| header.serial = serial.into());
        let taken = say(dir, &["register", "import", "[DIR]/a.hold"]);
        let known = Register::open(&dir.join("bench.sqlite"), Access::Read).unwrap().valve(serial).unwrap();
        if known.is_none() {
            assert_eq!(taken.code, 6, "{serial:?}: {}", taken.err);
            continue;
        }
        let said = say(dir, &["label", "valve", serial, "--out", "[DIR]/l.pdf"]);
        assert!(said.code == 2 && said.err.contains(why), "{serial:?}: {} {}", said.code, said.err);
        assert!(!dir.join("l.pdf").exists());
        refused += 1;
    }
    // The others the register does not take in.
    assert_eq!(refused, 4);
}

/// Names of fittings come from somebody's list: on a page they act on nothing, on a label they are complete or refused.
#[test]
fn names_of_fittings_are_shown_as_they_are_or_not_at_all() {
    for odd in ["F\u{202e}10", "F\u{1b}[2K", "F\u{200b}", &"F".repeat(200)] {
        let dir = tempfile::tempdir().unwrap();
        let dir = dir.path();
        opened(dir, "HM-001..HM-001");
        let list = format!("fitting,length\n{odd},30.00\nB,30.00\nC,30.00\n");
        std::fs::write(dir.join("f.csv"), list).unwrap();
        let valves =
            ["--body-length", "60.4 mm", "--body-u", "0.02 mm", "--nominal", "120 mm", "--tolerance", "0.3 mm"];
        let known = ["--compression", "0.4 mm", "--gauge-u", "0.01 mm", "--repeat-u", "0.01 mm", "--operator", "Ada"];
        let page = ["--page", "[DIR]/tray.html"];
        let paired = say(dir, &[&["pair", "[DIR]/f.csv", "--keep"], &valves[..], &known, &page].concat());
        if paired.code != 0 {
            // The list itself is refused.
            assert!(paired.code == 2 && !dir.join("tray.html").exists(), "{odd:?}: {}", paired.err);
            continue;
        }
        for (command, file) in [("assembly tray", "kept.html"), ("assembly tray", "kept.pdf")] {
            let words: Vec<&str> = command.split(' ').collect();
            let out = format!("[DIR]/{file}");
            let said = say(dir, &[&words[..], &["--out", &out]].concat());
            assert_eq!(said.code, 0, "{odd:?}: {}", said.err);
        }
        for page in ["tray.html", "kept.html"] {
            let page = std::fs::read_to_string(dir.join(page)).unwrap();
            assert!(!page.contains(['\u{202e}', '\u{1b}']), "{odd:?}");
        }
        let said = say(dir, &["label", "fittings", "--out", "[DIR]/l.pdf"]);
        assert!(said.code == 2 && said.err.contains("label of"), "{odd:?}: {} {}", said.code, said.err);
        assert!(!dir.join("l.pdf").exists());
    }
}
