//! What stands on the labels of valves and fittings, and in their codes, after what a batch goes through.

use std::path::Path;

use seathold::console::TimeZone;
use seathold_document::pdf::labels::Label;
use seathold_language::{Catalogue, Language};
use seathold_register::assembly::progress::AssemblyProgress;
use seathold_register::{Access, Register, RunFilter};
use seathold_report::RunSelection;
use seathold_report::kept_fittings::{kept_classes, kept_fittings};
use seathold_report::label::{class_label, end_tags, fitting_label, tag, valve_label};
use seathold_tests::batch_kit::{AT, Lines, opened, say, typed};
use seathold_tests::cli_kit::{Stage, seathold, seathold_on};

fn good(dir: &Path, arguments: &[&str]) {
    let said = say(dir, arguments);
    assert_eq!(said.code, 0, "{arguments:?}: {}", said.err);
}

fn run(dir: &Path, serial: &str, more: &[&str]) {
    let command = ["run", "-q", "--operator", "Ada", "--serial", serial, "--out"];
    let folder = std::fs::read_dir(dir).unwrap().count();
    let out = format!("[DIR]/{folder}.hold");
    let said = seathold(dir, &[&command[..], &[out.as_str()], &AT[..], more].concat());
    assert!(matches!(said.code, 0 | 1), "{serial}: {}", said.err);
}

/// A batch in which everything has happened that a label may have to say.
fn batch(dir: &Path) {
    opened(dir, "HM-001..HM-008");
    run(dir, "HM-001", &["--started-at", "2026-03-02T23:30:00Z"]);
    run(dir, "HM-002", &["--valve", "scratched-seat-a", "--started-at", "2026-03-01T10:00:00Z"]);
    run(dir, "HM-003", &["--valve", "scratched-seat-a", "--started-at", "2026-03-01T11:00:00Z"]);
    good(dir, &["batch", "rework", "HM-003", "--note", "new seat", "--operator", "Ada"]);
    run(dir, "HM-004", &["--valve", "scratched-seat-a", "--started-at", "2026-03-01T12:00:00Z"]);
    good(dir, &["batch", "rework", "HM-004", "--note", "new seat", "--operator", "Ada"]);
    let said = typed(dir, &["HM-004"], &["--operator", "Ada"]);
    assert!(said.out.contains("HM-004  TIGHT"), "{} {}", said.out, said.err);
    run(dir, "HM-005", &["--sides", "first", "--started-at", "2026-03-01T13:00:00Z"]);
    good(dir, &["batch", "set-aside", "HM-006", "--note", "cracked", "--operator", "Ada"]);
    let lax = ["--operator", "Ada", "--", "--limit", "15 mm3/s"];
    let said = typed(dir, &["override HM-007 customer's drawing"], &lax);
    assert!(said.out.contains("BY OVERRIDE"), "{} {}", said.out, said.err);
}

fn words(label: &Label) -> String {
    let lines: Vec<&str> = label.lines.iter().map(|line| line.text.as_str()).filter(|text| !text.is_empty()).collect();
    let code = label.code.as_ref().map_or("no code", |code| code.text());
    format!("{} [{code}]", lines.join(" | "))
}

fn labels(dir: &Path, zone: &TimeZone, language: Language) -> Vec<String> {
    let register = Register::open(&dir.join("bench.sqlite"), Access::Read).unwrap();
    let batch = register.batch_named("spring").unwrap().batch;
    let selection = RunSelection::read(&register, &RunFilter { batch: Some(batch), ..RunFilter::default() }).unwrap();
    selection
        .valves()
        .iter()
        .map(|valve| words(&valve_label(valve, zone, &Catalogue::new(language)).unwrap()))
        .collect()
}

#[test]
fn a_label_says_what_the_register_knows_of_its_valve() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    batch(dir);
    let found = labels(dir, &TimeZone::UTC, Language::English);
    assert_eq!(
        found,
        [
            "HM-001 | DN 25, air | TIGHT SIMULATED | 2026-03-02, limit 7.5 mm³/s | batch spring [HM-001  TIGHT SIMULATED  2026-03-02]",
            "HM-002 | DN 25, air | LEAKING SIMULATED | to rework | 2026-03-01, limit 7.5 mm³/s | batch spring \
             [HM-002  LEAKING SIMULATED  2026-03-01]",
            "HM-003 | DN 25, air | NOT PROVED | reworked; to retest | batch spring [HM-003]",
            "HM-004 | DN 25, air | TIGHT SIMULATED | reworked | 2026-03-02, limit 7.5 mm³/s | batch spring \
             [HM-004  TIGHT SIMULATED  2026-03-02]",
            "HM-005 | DN 25, air | NOT PROVED SIMULATED | half-tested | 2026-03-01, limit 7.5 mm³/s | batch spring \
             [HM-005  NOT PROVED SIMULATED  2026-03-01]",
            "HM-006 | DN 25, air | SET ASIDE | batch spring [HM-006]",
            "HM-007 | DN 25, air | TIGHT BY OVERRIDE SIMULATED | 2026-03-02, limit 15 mm³/s | batch spring \
             [HM-007  TIGHT BY OVERRIDE SIMULATED  2026-03-02]",
            "HM-008 | DN 25, air | NOT PROVED | batch spring [HM-008]",
        ]
    );
    // The bench's own day: an hour east of Greenwich it was the next one. As POSIX has it, west is positive.
    let east = labels(dir, &TimeZone::posix("XXX-1").unwrap(), Language::English);
    assert!(east[0].contains("| 2026-03-03,") && east[0].ends_with("2026-03-03]"), "{}", east[0]);
    // In German; the code is the same, as programs read it.
    let german = labels(dir, &TimeZone::UTC, Language::German);
    assert_eq!(
        [&german[2], &german[6]],
        [
            "HM-003 | DN 25, Druckluft | NICHT NACHGEWIESEN | nachgearbeitet; erneut zu prüfen | Los spring [HM-003]",
            "HM-007 | DN 25, Druckluft | DICHT NACH AUSNAHMEFREIGABE SIMULIERT | 02.03.2026, Grenzwert 15 mm³/s | Los spring \
             [HM-007  TIGHT BY OVERRIDE SIMULATED  2026-03-02]",
        ]
    );
}

/// Nothing that was altered is called tight.
#[test]
fn a_record_that_is_not_what_was_sealed_gives_no_verdict() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-003");
    for serial in ["HM-001", "HM-002", "HM-003"] {
        run(dir, serial, &[]);
    }
    let said = say(dir, &["label", "valve", "--out", "[DIR]/l.pdf"]);
    assert_eq!((said.code, said.out.as_str()), (0, "3 labels of 62x29 mm written to [DIR]/l.pdf\n3 TIGHT SIMULATED\n"));
    let db = rusqlite::Connection::open(dir.join("bench.sqlite")).unwrap();
    let mut query = db.prepare("SELECT name FROM sqlite_master WHERE type = 'trigger'").unwrap();
    let triggers: Vec<String> = query.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect();
    triggers.iter().for_each(|trigger| db.execute_batch(&format!("DROP TRIGGER {trigger}")).unwrap());
    assert_eq!(db.execute("UPDATE runs SET operator = 'Eve' WHERE serial = 'HM-002'", []).unwrap(), 1);
    let found = labels(dir, &TimeZone::UTC, Language::English);
    let verdicts = ["| TIGHT SIMULATED |", "| NO VERDICT SIMULATED |", "| TIGHT SIMULATED |"];
    assert!(found.iter().zip(verdicts).all(|(label, verdict)| label.contains(verdict)), "{found:?}");
    let said = say(dir, &["label", "valve", "--out", "[DIR]/l.pdf"]);
    assert_eq!(said.code, 6, "{}", said.err);
    assert!(said.err.starts_with("HM-002: record 3 was altered") && said.err.contains("NO VERDICT"), "{}", said.err);
}

#[test]
fn tags_of_valves_and_of_their_ends() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-002");
    let register = Register::open(&dir.join("bench.sqlite"), Access::Read).unwrap();
    let valve = register.valve("HM-001").unwrap().unwrap();
    let english = Catalogue::new(Language::English);
    assert_eq!(words(&tag(&valve, &english).unwrap()), "HM-001 | DN 25, air [HM-001]");
    let ends = end_tags(&valve, &english).unwrap().map(|label| words(&label));
    assert_eq!(ends, ["HM-001 | END A | DN 25, air [HM-001/A]", "HM-001 | END B | DN 25, air [HM-001/B]"]);
    drop(register);
    for (more, said) in [(&[][..], "2 labels"), (&["--ends"], "4 labels"), (&["HM-002"], "1 label ")] {
        let out = say(dir, &[&["label", "valve", "--tag", "--out", "[DIR]/t.pdf"], more].concat());
        assert!(out.code == 0 && out.out.starts_with(said), "{}", out.err);
    }
}

#[test]
fn fittings_say_where_they_go_and_classes_what_lies_in_them() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-002");
    let rows = ["A,30.01,30.01", "B,30.00,30.00", "C,30.11,30.11", "D,29.88,29.88", "E,29.50,29.50"];
    std::fs::write(dir.join("f.csv"), format!("fitting,length_1,length_2\n{}\n", rows.join("\n"))).unwrap();
    let none = say(dir, &["label", "fittings", "--out", "[DIR]/f.pdf"]);
    assert!(none.code == 2 && none.err.contains("no fittings were kept for batch spring"), "{}", none.err);
    let valves = ["--body-length", "60.4 mm", "--body-u", "0.02 mm", "--nominal", "120 mm", "--tolerance", "0.3 mm"];
    let known = ["--compression", "0.4 mm", "--gauge-u", "0.01 mm", "--repeat-u", "0.01 mm", "--operator", "Ada"];
    let page = ["--page", "[DIR]/tray.html"];
    good(dir, &[&["pair", "[DIR]/f.csv", "--keep"], &valves[..], &known, &page].concat());
    let found = |dir: &Path| {
        let register = Register::open(&dir.join("bench.sqlite"), Access::Read).unwrap();
        let batch = register.batch_named("spring").unwrap().batch;
        let fittings = kept_fittings(&AssemblyProgress::of(&register, &batch).unwrap());
        let width = seathold_assembly::length_class::USUAL_WIDTH;
        let label = |f: &seathold_report::kept_fittings::KeptFitting| {
            let to = f.goes_to.as_ref().map(|(valve, partner)| (valve.as_str(), partner.as_str()));
            words(&fitting_label(&f.part, &f.class(width), to).unwrap())
        };
        let of_fittings: Vec<String> = fittings.iter().map(label).collect();
        let of_classes: Vec<String> = kept_classes(&fittings, width).iter().map(|c| words(&class_label(c))).collect();
        (of_fittings, of_classes)
    };
    let (fittings, classes) = found(dir);
    assert_eq!(
        fittings,
        [
            "D | to HM-001 | with C | class 29.8, 29.880 mm [D]",
            "C | to HM-001 | with D | class 30.1, 30.110 mm [C]",
            "B | to HM-002 | with A | class 30.0, 30.000 mm [B]",
            "A | to HM-002 | with B | class 30.0, 30.010 mm [A]",
            "E | IN NO VALVE | class 29.5, 29.500 mm [E]",
        ]
    );
    assert_eq!(
        classes,
        [
            "29.5 | 29.5 mm up to 29.6 mm | 1 fitting [no code]",
            "29.8 | 29.8 mm up to 29.9 mm | 1 fitting [no code]",
            "30.0 | 30.0 mm up to 30.1 mm | 2 fittings [no code]",
            "30.1 | 30.1 mm up to 30.2 mm | 1 fitting [no code]",
        ]
    );
    let page = std::fs::read_to_string(dir.join("tray.html")).unwrap();
    let order = page.split_once("Which fittings go to which valve").unwrap().1;
    let at = |text: &str| order.find(text).unwrap_or_else(|| panic!("{text}"));
    assert!(at(">HM-001<") < at(">D<") && at(">D<") < at(">C<") && at(">C<") < at(">HM-002<"), "{order}");
    // Its tag chooses another valve than the next one, and the codes of the fittings are what is asked for.
    let mut lines =
        Lines::new(&["HM-009", "HM-002", "A", "HM-001  NOT PROVED  2026-03-02", "C", "D", "", "HM-001", "q"]);
    let stage = Stage { interrupt_at: Vec::new(), keys: &mut lines, out_breaks: None, live: false };
    let said = seathold_on(dir, &[&["assembly", "bolt", "--operator", "Ada"], &AT[..]].concat(), stage);
    assert!(said.out.starts_with("HM-001 bolted up, not measured") && said.out.lines().count() == 1, "{}", said.out);
    assert!(said.err.contains("HM-009 is for no valve"), "{}", said.err);
    assert!(
        said.err.contains("\nHM-002: fittings B") && said.err.contains("HM-001 is bolted up already"),
        "{}",
        said.err
    );
    // What is bolted up lies in no tray any more.
    let (fittings, classes) = found(dir);
    assert!(fittings.len() == 3 && classes.len() == 2, "{fittings:?} {classes:?}");
    good(dir, &["label", "fittings", "A", "E", "--out", "[DIR]/f.pdf"]);
    let gone = say(dir, &["label", "fittings", "C", "--out", "[DIR]/f.pdf"]);
    assert!(gone.code == 2 && gone.err.contains("fitting C is none of those that wait"), "{}", gone.err);
    good(dir, &["label", "classes", "--out", "[DIR]/c.pdf", "--size", "50x25mm"]);
    good(dir, &["assembly", "tray", "--out", "[DIR]/kept.html"]);
    let page = std::fs::read_to_string(dir.join("kept.html")).unwrap();
    assert!(page.contains("1 of 2 valves") && !page.contains(">D<") && page.contains(">HM-002<"), "{page}");
}
