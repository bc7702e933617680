//! Files that are written: nothing of somebody else's is lost by it, one recording that cannot be read does not cost the
//! others, and a text from a recording is neither a path nor a formula.

use std::path::Path;

use seathold_recording::Header;
use seathold_tests::cli_kit::{Said, seathold};
use seathold_tests::register_kit::with_header;

fn shipped(name: &str) -> String {
    format!("{}/recordings/current/{name}.hold", env!("CARGO_MANIFEST_DIR"))
}

/// A shipped recording with its header changed, in the folder.
fn changed(dir: &Path, name: &str, change: impl FnOnce(&mut Header)) {
    with_header(&std::fs::read(shipped("tight")).unwrap(), &dir.join(name), change);
}

fn list(dir: &Path) -> Vec<String> {
    let mut names: Vec<String> =
        std::fs::read_dir(dir).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

/// A command, to be run with more options.
type Writer<'a> = Box<dyn Fn(&[&str]) -> Said + 'a>;

/// Every command that writes a page or a table, and the file it writes.
fn writers(dir: &Path) -> Vec<(String, Writer<'_>)> {
    let tight = shipped("tight");
    let command = |file: &str, before: &[&str]| {
        let mut typed: Vec<String> = before.iter().map(|word| (*word).to_owned()).collect();
        typed.push(format!("[DIR]/{file}"));
        typed.push(tight.clone());
        let run = move |more: &[&str]| {
            let typed: Vec<&str> = typed.iter().map(String::as_str).chain(more.iter().copied()).collect();
            seathold(dir, &typed)
        };
        (file.to_owned(), Box::new(run) as Writer<'_>)
    };
    let paired = |file: &str| {
        let fittings = concat!(env!("CARGO_MANIFEST_DIR"), "/recordings/fittings-hatchery.csv");
        let page = format!("[DIR]/{file}");
        let run = move |more: &[&str]| {
            let valves = ["--bodies", "24", "--body-length", "60.4 mm", "--body-u", "0.02 mm", "--nominal", "120 mm"];
            let known = ["--tolerance", "0.2 mm", "--gauge-u", "0.01 mm", "--page", &page];
            seathold(dir, &[&["pair", fittings], &valves[..], &known, more].concat())
        };
        (file.to_owned(), Box::new(run) as Writer<'_>)
    };
    vec![
        command("x.html", &["report", "-o"]),
        command("x.pdf", &["report", "-o"]),
        command("runs.csv", &["export", "--runs"]),
        command("sides.csv", &["export", "--sides"]),
        command("samples.csv", &["export", "--samples"]),
        command("x.jsonl", &["export", "--runs"]),
        command("x.parquet", &["export", "--samples"]),
        paired("tray.html"),
        paired("tray.pdf"),
    ]
}

#[test]
fn what_was_made_here_is_replaced_and_nothing_else() {
    let dir = tempfile::tempdir().unwrap();
    for (file, run) in writers(dir.path()) {
        let path = dir.path().join(&file);
        assert_eq!(run(&[]).code, 0, "{file}");
        let made = std::fs::read(&path).unwrap();
        let again = run(&[]);
        assert_eq!((again.code, again.err.as_str()), (0, ""), "{file}: its own");
        std::fs::write(&path, "three weeks of work").unwrap();
        let said = run(&[]);
        assert_eq!(said.code, 6, "{file}");
        assert!(said.err.contains(&format!("[DIR]/{file}")) && said.err.contains("there already"), "{}", said.err);
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "three weeks of work", "{file}");
        assert_eq!(run(&["--force"]).code, 0, "{file}");
        assert!(std::fs::read(&path).unwrap() == made, "{file}");
    }
}

/// `x.csv.part` that is a link to another file destroyed it.
#[cfg(unix)]
#[test]
fn a_link_with_the_temporary_name_is_not_followed() {
    let dir = tempfile::tempdir().unwrap();
    let other = dir.path().join("other");
    std::fs::write(&other, "three weeks of work").unwrap();
    for (file, run) in writers(dir.path()) {
        for link in [format!("{file}.part"), Path::new(&file).with_extension("part").display().to_string()] {
            let _ = std::os::unix::fs::symlink(&other, dir.path().join(link));
        }
        assert_eq!(run(&[]).code, 0, "{file}");
        assert_eq!(std::fs::read_to_string(&other).unwrap(), "three weeks of work", "{file}");
        assert!(dir.path().join(&file).symlink_metadata().unwrap().is_file(), "{file}");
    }
}

#[test]
fn a_recording_that_cannot_be_read_does_not_cost_the_others() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::copy(shipped("tight"), dir.path().join("b.hold")).unwrap();
    std::fs::copy(shipped("hand"), dir.path().join("d.hold")).unwrap();
    std::fs::write(dir.path().join("a.hold"), "no recording").unwrap();
    std::fs::create_dir(dir.path().join("c.hold")).unwrap();
    let said = seathold(dir.path(), &["report", "[DIR]", "-o", "[DIR]/x.html"]);
    assert_eq!(said.code, 6, "{}", said.err);
    assert!(said.err.contains("[DIR]/a.hold: not a seathold recording; left out\n"), "{}", said.err);
    assert!(said.err.contains("[DIR]/c.hold: it is a folder; left out\n"), "{}", said.err);
    let page = std::fs::read_to_string(dir.path().join("x.html")).unwrap();
    assert!(page.contains("b.hold") && page.contains("d.hold"));
    let said = seathold(dir.path(), &["export", "[DIR]", "--runs", "[DIR]/x.csv", "--samples", "[DIR]/y.csv"]);
    assert_eq!(said.code, 6, "{}", said.err);
    assert!(said.err.contains("a.hold: not a seathold recording; left out\n"), "{}", said.err);
    assert!(said.err.contains("c.hold: it is a folder; left out\n"), "{}", said.err);
    assert!(said.out.starts_with("2 runs written"), "{}", said.out);
    let imported = ["register", "import", "--register", "[DIR]/bench.sqlite"];
    let files = ["[DIR]/a.hold", "[DIR]/b.hold", "[DIR]/c.hold", "[DIR]/d.hold"];
    let said = seathold(dir.path(), &[imported.as_slice(), files.as_slice()].concat());
    assert_eq!(said.code, 6, "{}", said.err);
    let counted = "4 recordings: 2 kept, 0 already there, 0 quarantined, 2 unreadable\n";
    assert_eq!(said.out, format!("[DIR]/b.hold: record 1\n[DIR]/d.hold: record 2\n{counted}"), "{}", said.err);
    assert!(said.err.contains("a.hold: not a seathold recording; left out\n"), "{}", said.err);
    let said = seathold(dir.path(), &["rejudge", "[DIR]", "--limit", "3 mm3/s"]);
    assert_eq!(said.code, 6, "{}", said.err);
    assert!(said.out.contains("2  recordings could not be read"), "{}{}", said.out, said.err);
    assert_eq!(list(dir.path()).iter().filter(|name| name.ends_with(".part")).count(), 0);
}

/// A spreadsheet that opens a table computes what begins like a formula, and a formula can fetch and send.
#[test]
fn a_text_is_no_formula() {
    let dir = tempfile::tempdir().unwrap();
    let formulas = ["=1+1", "+1", "-1", "@SUM(A1)", "\tx", "\rx"];
    for (number, formula) in formulas.iter().enumerate() {
        changed(dir.path(), &format!("{number}.hold"), |header| {
            header.serial = (*formula).into();
            header.operator = (*formula).into();
            header.started_at = format!("2026-03-02T09:30:0{number}Z");
        });
    }
    let cells = |more: &[&str]| {
        let typed = ["export", "[DIR]", "--force", "--runs", "[DIR]/runs.csv", "--samples", "[DIR]/samples.csv"];
        assert_eq!(seathold(dir.path(), &[typed.as_slice(), more].concat()).code, 0);
        let table = std::fs::read_to_string(dir.path().join("runs.csv")).unwrap();
        let column = |at: usize| table.split('\n').skip(1).filter_map(move |line| line.split(',').nth(at));
        [1, 3].map(|at| column(at).map(|cell| cell.trim_matches('"').to_owned()).collect::<Vec<_>>())
    };
    let quoted: Vec<String> = formulas.iter().map(|formula| format!("'{formula}")).collect();
    assert_eq!(cells(&[]), [quoted.clone(), quoted]);
    assert_eq!(cells(&["--raw-text"]), [formulas, formulas]);
    // A number is no text, whatever it begins with.
    assert_eq!(cells(&[])[0].len(), formulas.len());
    let samples = std::fs::read_to_string(dir.path().join("samples.csv")).unwrap();
    let pressures: Vec<i64> = samples.lines().filter_map(|line| line.split(',').nth(3)?.parse().ok()).collect();
    assert!(pressures.iter().any(|pa| *pa < 0), "no pressure below zero is in it as a number");
}

#[test]
fn a_serial_is_no_path() {
    let dir = tempfile::tempdir().unwrap();
    let (work, away) = (dir.path().join("work"), dir.path().join("away"));
    std::fs::create_dir(&work).unwrap();
    std::fs::create_dir(&away).unwrap();
    changed(dir.path(), "a.hold", |header| header.serial = format!("{}/x", away.display()));
    changed(dir.path(), "b.hold", |header| header.serial = "../away/y".into());
    let register = "[DIR]/bench.sqlite";
    seathold(dir.path(), &["register", "import", "[DIR]/a.hold", "[DIR]/b.hold", "--register", register]);
    for number in ["1", "2"] {
        let said = seathold(dir.path(), &["register", "extract", number, "--register", register]);
        // Refused at the door, it is not there to be written; let in, it is written here.
        let name = said.out.trim().to_owned();
        assert!(!name.contains('/'), "{name}");
        if said.code == 0 {
            std::fs::remove_file(&name).unwrap();
        }
    }
    assert_eq!(list(&away), [""; 0]);
}
